"""Expected counts: how often a finding stands in houses like these, whoever worked there.

A logistic model of each check over the finals: the level of the agency, the region within it, and terms of
the house. It knows no crew and no inspector: what it expects of a crew is what the agency as a whole shows in
such houses. That crew's own work is part of it; how much of the comparison this takes away is `share_left`,
and limits and probabilities are made with it, so that the larger crew is not judged by itself.

Every term is drawn toward none by a ridge (a normal prior of one unit of log odds, of ten for the level of
an agency), so that the model exists whatever was found.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipelines.engine.arrays import to_six_digits

OF_TERMS, OF_REGIONS, OF_LEVELS = 1.0, 1.0, 0.01  # ridges: one over the variance of log odds
MOST_STEPS, LARGEST_STEP, CLOSE = 60, 2.0, 1e-9


@dataclass(frozen=True)
class Houses:
    """Kinds of houses, arrays of shape (kinds,) or (kinds, terms).

    `place` is a code from 0, `terms` holds positions among all values of all terms (`width` of them). `above`
    says, of each place, what its level is drawn toward: the agency of a region; `ridge` how strongly.
    """

    place: np.ndarray
    terms: np.ndarray
    width: int
    above: np.ndarray
    ridge: float


@dataclass(frozen=True)
class Groups:
    """Kinds of houses by who is compared: `name` and `kind` of each group, shape (groups,).

    Groups stand in the order of names, each of which has some, those of a name in the order of the places of
    their kinds among `houses`.
    """

    name: np.ndarray
    kind: np.ndarray
    houses: Houses

    @cached_property
    def starts(self):
        """Where the groups of each name begin."""
        return np.flatnonzero(np.diff(self.name, prepend=-1))

    @cached_property
    def place(self):
        return self.houses.place[self.kind]

    @cached_property
    def pairs(self):
        """Where the groups of each name at each place begin."""
        return np.flatnonzero((np.diff(self.name, prepend=-1) != 0) | (np.diff(self.place, prepend=-1) != 0))

    @cached_property
    def terms(self):
        return self.houses.terms[self.kind]

    def of_names(self, values):
        """Sums over the groups of each name."""
        return np.add.reduceat(values, self.starts) if len(self.starts) else values


@dataclass(frozen=True)
class Model:
    """A fitted model: the expected `rate` of each kind of house, rounded, and the information it rests on.

    `of_place`, `of_above` and `of_terms` are what elimination leaves of the information matrix on its way
    from places over what is above them to terms; `by_place` and `by_above` what connects these with terms.
    """

    rate: np.ndarray
    of_place: np.ndarray
    of_above: np.ndarray
    of_terms: np.ndarray
    by_place: np.ndarray
    by_above: np.ndarray


def fit(bad, of, houses):
    """The Model of counts `bad` of `of` by kind of house, by Newton's method in a fixed order of summing."""
    bad, of = np.asarray(bad, float), np.asarray(of, float)
    share = (bad.sum() + 0.5) / (of.sum() + 1.0)
    middle = np.log(share / (1.0 - share))
    places, above = len(houses.above), int(houses.above.max(initial=-1)) + 1
    level, over, terms = np.zeros(places), np.zeros(above), np.zeros(houses.width)
    whole = np.zeros_like(houses.place)
    for _ in range(MOST_STEPS if of.any() else 0):  # without counts no step moves anything
        rate = _rate(middle + level[houses.place] + terms[houses.terms].sum(1))
        matrix = _information(of * rate * (1.0 - rate), houses)
        apart = level - over[houses.above]
        steps = _solve(
            matrix,
            houses,
            np.bincount(houses.place, bad - of * rate, places) - houses.ridge * apart,
            np.bincount(houses.above, houses.ridge * apart, above) - OF_LEVELS * over,
            _by_terms(whole, houses.terms, bad - of * rate, (1, houses.width))[0] - OF_TERMS * terms,
        )
        moved = np.abs(steps[0][houses.place] + steps[2][houses.terms].sum(1)).max(initial=0.0)
        damped = min(1.0, LARGEST_STEP / moved) if moved else 1.0
        level, over, terms = (
            value + damped * step for value, step in zip((level, over, terms), steps, strict=True)
        )
        if moved < CLOSE:
            break
    rate = to_six_digits(_rate(middle + level[houses.place] + terms[houses.terms].sum(1)))
    return Model(rate, *_information(of * rate * (1.0 - rate), houses))


def _rate(odds):
    """The probability of log odds, whichever sign they have."""
    small = np.exp(-np.abs(odds))
    return np.where(odds > 0, 1.0, small) / (1.0 + small)


def _by_terms(rows, terms, values, shape):
    """Sums of values of kinds of houses over each of their `terms` within each of their `rows`."""
    found = np.zeros(shape[0] * shape[1])
    for term in terms.T:
        found += np.bincount(rows * shape[1] + term, values, len(found))
    return found.reshape(shape)


def _information(weight, houses):
    """What elimination leaves: (of_place, of_above, of_terms, by_place, by_above), as in Model."""
    places, above = len(houses.above), int(houses.above.max(initial=-1)) + 1
    held = np.bincount(houses.place, weight, places)
    of_place = held + houses.ridge
    by_place = _by_terms(houses.place, houses.terms, weight, (places, houses.width))
    of_above = OF_LEVELS + np.bincount(houses.above, houses.ridge * held / of_place, above)
    drawn = houses.ridge * by_place / of_place[:, None]
    by_above = np.zeros((above, houses.width))
    np.add.at(by_above, houses.above, drawn)
    of_terms = OF_TERMS * np.eye(houses.width)
    for term in houses.terms.T:
        of_terms = of_terms + _by_terms(term, houses.terms, weight, of_terms.shape)
    of_terms = of_terms - np.einsum("pi,pj->ij", by_place / of_place[:, None], by_place)
    of_terms = of_terms - np.einsum("ai,aj->ij", by_above / of_above[:, None], by_above)
    return of_place, of_above, of_terms, by_place, by_above


def _solve(matrix, houses, of_places, of_above, of_terms):
    """The step that a gradient asks for: of places, of what is above them, of terms."""
    place, above, terms, by_place, by_above = matrix
    count = len(above)
    lifted = of_above + np.bincount(houses.above, houses.ridge * of_places / place, count)
    left = of_terms - (by_place * (of_places / place)[:, None]).sum(0)
    left = left - (by_above * (lifted / above)[:, None]).sum(0)
    step_terms = np.linalg.solve(terms, left)
    step_above = (lifted - (by_above * step_terms).sum(1)) / above
    pulled = houses.ridge * step_above[houses.above]
    return (of_places + pulled - (by_place * step_terms).sum(1)) / place, step_above, step_terms


def expected(model, of, groups):
    """(expected, share_left) of each name from the counts `of` of its groups.

    `share_left` is what is left of the variance of observed less expected once the model's level and terms,
    which rest on the name's own counts, too, have taken their part (the score test of a term of its own): 1
    for a name that is a small part of its agency, less for a large one, 0 for one that stands alone in its
    houses.
    """
    of = np.asarray(of, float)
    houses, rate, names = groups.houses, model.rate[groups.kind], len(groups.starts)
    count = groups.of_names(of * rate)
    weight = of * rate * (1.0 - rate)
    variance = groups.of_names(weight)
    name, place = groups.name[groups.pairs], groups.place[groups.pairs]
    in_place = np.add.reduceat(weight, groups.pairs) if len(groups.pairs) else weight
    part = in_place / model.of_place[place]
    lifted = np.bincount(name, houses.ridge * part, names)
    above = houses.above[groups.place[groups.starts]]
    left = _by_terms(groups.name, groups.terms, weight, (names, houses.width))
    taken = np.zeros_like(left)
    np.add.at(taken, name, model.by_place[place] * part[:, None])
    left = left - taken - model.by_above[above] * (lifted / model.of_above[above])[:, None]
    absorbed = np.bincount(name, in_place * part, names) + lifted**2 / model.of_above[above]
    absorbed = absorbed + (left * np.linalg.solve(model.of_terms, left.T).T).sum(1)
    with np.errstate(invalid="ignore", divide="ignore"):
        share_left = np.where(variance > 0, 1.0 - absorbed / variance, 1.0)
    return to_six_digits(count), to_six_digits(np.clip(share_left, 0.0, 1.0))


# ---- how well it fits


def calibration(bad, of, rate):
    """(area, slope, largest gap) of counts by kind of house against the rates a model expects.

    The area under the curve that sorts houses by expectation; the slope of what was found over the log odds
    expected, 1 where these spread as they should; and the largest difference of shares among tenths of the
    units by expectation. NaN where nothing, or everything, was found. Within the data fitted: a little
    better than in other houses.
    """
    order = np.argsort(rate, kind="stable")
    bad, of, rate = (np.asarray(one)[order].astype(float) for one in (bad, of, rate))
    good = of - bad
    if not bad.sum() or not good.sum():
        return np.nan, np.nan, np.nan
    _, tied = np.unique(rate, return_inverse=True)
    bad_at, good_at = np.bincount(tied, bad), np.bincount(tied, good)
    above = (bad_at * (np.cumsum(good_at) - good_at / 2.0)).sum()
    tenth = np.minimum((10 * (np.cumsum(of) - of / 2.0) / of.sum()).astype(np.int64), 9)
    units = np.bincount(tenth, of, 10)
    some = units > 0
    gap = np.abs(np.bincount(tenth, bad - of * rate, 10))[some] / units[some]
    found = to_six_digits([above / (bad.sum() * good.sum()), _slope(bad, of, rate), gap.max()])
    return tuple(found.tolist())


def _slope(bad, of, rate):
    """Slope of a logistic line through what was found over the log odds of `rate`; NaN where all are one."""
    odds = np.log(rate / (1.0 - rate))
    odds = odds - (of * odds).sum() / of.sum()
    if np.ptp(odds[of > 0]) < 1e-9:
        return np.nan
    share = bad.sum() / of.sum()
    line = np.array([np.log(share / (1.0 - share)), 0.0])
    x = np.column_stack([np.ones(len(odds)), odds])
    for _ in range(MOST_STEPS):
        now = _rate((x * line).sum(1))
        weight = of * now * (1.0 - now)
        matrix = np.einsum("ni,nj->ij", x * weight[:, None], x) + 1e-9 * np.eye(2)
        step = np.linalg.solve(matrix, (x * (bad - of * now)[:, None]).sum(0))
        line = line + step * min(1.0, LARGEST_STEP / max(np.abs(step).max(), CLOSE))
        if np.abs(step).max() < CLOSE:
            break
    return line[1]
