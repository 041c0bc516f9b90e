"""Expected counts, against the whole model solved at once and against a library written by others."""

import numpy as np
import pytest

from pipelines.audit import case_mix
from pipelines.audit.case_mix import Groups, Houses


def some_houses(seed=1, ridge=case_mix.OF_REGIONS):
    """Kinds of houses in 5 places of 2 agencies, terms of 3 and 4 values, with counts."""
    luck = np.random.default_rng(seed)
    place, first, second = (one.ravel() for one in np.meshgrid(range(5), range(3), range(4), indexing="ij"))
    houses = Houses(place, np.column_stack([first, second + 3]), 7, np.array([0, 0, 1, 1, 1]), ridge)
    of = luck.integers(0, 40, 60)
    odds = -2.0 + 0.5 * (place > 1) + np.array([0.0, 1.0, -0.7])[first] + 0.3 * second
    return houses, luck.binomial(of, 1 / (1 + np.exp(-odds))), of


def fitted(bad, of, houses):
    """The Model of one check."""
    return case_mix.fit([bad], [of], houses)[0]


def whole(houses):
    """Design of places, what is above them, and terms, and its ridge, as matrices."""
    places, above = len(houses.above), houses.above.max() + 1
    x = np.zeros((len(houses.place), places + above + houses.width))
    x[np.arange(len(x)), houses.place] = 1
    for term in houses.terms.T:
        x[np.arange(len(x)), places + above + term] = 1
    ridge = np.zeros((x.shape[1],) * 2)
    for place, over in enumerate(houses.above):
        apart = np.zeros(x.shape[1])
        apart[place], apart[places + over] = 1, -1
        ridge += houses.ridge * np.outer(apart, apart)
    ridge[range(places, places + above), range(places, places + above)] += case_mix.OF_LEVELS
    ridge[range(places + above, len(ridge)), range(places + above, len(ridge))] += case_mix.OF_TERMS
    return x, ridge


@pytest.mark.parametrize("seed", range(4))
def test_the_fit_is_that_of_the_whole_matrix(seed):
    houses, bad, of = some_houses(seed)
    x, ridge = whole(houses)
    middle = np.log((bad.sum() + 0.5) / (of.sum() - bad.sum() + 0.5))
    b = np.zeros(x.shape[1])
    for _ in range(30):
        p = 1 / (1 + np.exp(-(middle + x @ b)))
        b += np.linalg.solve(x.T * (of * p * (1 - p)) @ x + ridge, x.T @ (bad - of * p) - ridge @ b)
    p = 1 / (1 + np.exp(-(middle + x @ b)))
    model = fitted(bad, of, houses)
    np.testing.assert_allclose(model.rate, p, rtol=6e-6)
    # Names of one agency each: what the model takes of their variance, by the whole matrix.
    name = np.where(houses.place < 2, np.arange(60) % 2, 2 + np.arange(60) % 3)
    order = np.argsort(name, kind="stable")
    groups = Groups(name[order], order, houses)
    expected, left = case_mix.expected(model, of[order], groups)
    np.testing.assert_allclose(expected, np.bincount(name, of * p), rtol=6e-6)
    inverse = np.linalg.inv(x.T * (of * p * (1 - p)) @ x + ridge)
    for number in range(5):
        weight = of * p * (1 - p) * (name == number)
        v = x.T @ weight
        assert left[number] == pytest.approx(1 - v @ inverse @ v / weight.sum(), rel=2e-5)


def test_terms_agree_with_a_library():
    """One agency and place: scikit-learn's ridge of the same strength on the same terms."""
    from sklearn.linear_model import LogisticRegression

    houses, bad, of = some_houses(7)
    alone = Houses(np.zeros(60, int), houses.terms, 7, np.zeros(1, int), 1e9)
    model = fitted(bad, of, alone)
    x = np.zeros((60, 7))
    for term in houses.terms.T:
        x[np.arange(60), term] = 1
    rows = np.repeat(np.arange(60), 2)
    weight = np.column_stack([bad, of - bad]).ravel()
    theirs = LogisticRegression(C=1.0, tol=1e-10, max_iter=10_000)
    theirs.fit(x[rows], np.tile([1, 0], 60), sample_weight=weight)
    np.testing.assert_allclose(model.rate, theirs.predict_proba(x)[:, 1], atol=2e-4)


def test_what_an_agency_found_is_what_is_expected_of_it():
    houses, bad, of = some_houses(3)
    model = fitted(bad, of, houses)
    agency = houses.above[houses.place]
    observed, expected = np.bincount(agency, bad), np.bincount(agency, of * model.rate)
    np.testing.assert_allclose(expected, observed, rtol=0.002)


@pytest.mark.parametrize("bad_at", [[], [0], range(60), range(24)])
def test_it_exists_whatever_was_found(bad_at):
    """Nothing, one house only, everything, all of one agency and nothing of the other."""
    houses, _, of = some_houses(2)
    of = of + 1
    bad = np.zeros(60, int)
    bad[list(bad_at)] = of[list(bad_at)]
    model = fitted(bad, of, houses)
    assert np.isfinite(model.rate).all() and ((model.rate >= 0) & (model.rate <= 1)).all()
    assert (of * model.rate).sum() == pytest.approx(bad.sum(), rel=0.03, abs=0.8)
    none = fitted(np.zeros(60), np.zeros(60), houses)
    assert np.isfinite(none.rate).all()


def test_a_small_crew_keeps_its_variance_and_one_alone_loses_it():
    """One with 5 % of the houses keeps 95 %, as in a draw without putting back; one with all keeps none."""
    houses = Houses(np.zeros(1, int), np.zeros((1, 1), int), 1, np.zeros(1, int), 1e9)
    model = fitted([1000], [5000], houses)
    _, left = case_mix.expected(model, [250, 4750], Groups(np.array([0, 1]), np.array([0, 0]), houses))
    assert left == pytest.approx([0.95, 0.05], abs=1e-4)
    _, left = case_mix.expected(model, [5000], Groups(np.array([0]), np.array([0]), houses))
    assert left[0] == pytest.approx(0.0, abs=1e-4)


def test_order_of_houses_changes_nothing_that_is_kept():
    houses, bad, of = some_houses(4)
    turned = np.random.default_rng(0).permutation(60)
    other = Houses(houses.place[turned], houses.terms[turned], 7, houses.above, houses.ridge)
    np.testing.assert_array_equal(
        fitted(bad, of, houses).rate[turned], fitted(bad[turned], of[turned], other).rate
    )


def test_checks_fitted_side_by_side_are_fitted_as_if_alone():
    """One of them with nothing told, and each at rest after another number of steps."""
    houses, bad, of = some_houses(6)
    bads = np.stack([bad, np.zeros(60, int), of, bad // 3])
    ofs = np.stack([of, np.zeros(60, int), of, of])
    for one, (bad, of) in zip(case_mix.fit(bads, ofs, houses), zip(bads, ofs, strict=True), strict=True):
        alone = fitted(bad, of, houses)
        for name, values in vars(alone).items():
            np.testing.assert_array_equal(getattr(one, name), values, err_msg=name)


def test_calibration_against_libraries():
    import statsmodels.api as sm
    from sklearn.metrics import roc_auc_score

    houses, bad, of = some_houses(5)
    rate = fitted(bad, of, houses).rate
    area, slope, gap = case_mix.calibration(bad, of, rate)
    found = np.concatenate([np.repeat([1, 0], [b, n - b]) for b, n in zip(bad, of, strict=True)])
    score = np.repeat(rate, of)
    assert area == pytest.approx(roc_auc_score(found, score), rel=1e-5)
    line = sm.Logit(found, sm.add_constant(np.log(score / (1 - score)))).fit(disp=0)
    assert slope == pytest.approx(line.params[1], rel=1e-5)
    assert 0 < gap < 0.2
    assert case_mix.calibration([10, 0], [100, 100], np.array([0.05, 0.05]))[1:] == (
        pytest.approx(np.nan, nan_ok=True),
        pytest.approx(0.05),
    )
    assert np.isnan(case_mix.calibration([0], [5], np.array([0.1]))).all()
