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
    """A Model of each row of counts `bad` of `of`, shape (checks, kinds), by Newton's method.

    Checks are fitted side by side, each as if it were alone, and sums run in a fixed order.
    """
    bad, of = np.asarray(bad, float), np.asarray(of, float)
    share = (bad.sum(1) + 0.5) / (of.sum(1) + 1.0)
    middle = np.log(share / (1.0 - share))[:, None]
    places, above = len(houses.above), int(houses.above.max(initial=-1)) + 1
    level, over, terms = (np.zeros((len(of), count)) for count in (places, above, houses.width))
    at = np.flatnonzero(of.any(1))  # without counts no step moves anything
    for _ in range(MOST_STEPS):
        if not len(at):
            break
        rate = _rate(_odds(middle[at] + level[at], terms[at], houses))
        left = bad[at] - of[at] * rate
        apart = level[at] - over[at][:, houses.above]
        steps = _solve(
            _information(of[at] * rate * (1.0 - rate), houses),
            houses,
            _sums(houses.place, left, places) - houses.ridge * apart,
            _sums(houses.above, houses.ridge * apart, above) - OF_LEVELS * over[at],
            _by_terms(np.zeros_like(houses.place), houses.terms, left, (1, houses.width))[:, 0]
            - OF_TERMS * terms[at],
        )
        moved = np.abs(_odds(steps[0], steps[2], houses)).max(1, initial=0.0)
        damped = np.minimum(1.0, LARGEST_STEP / np.maximum(moved, CLOSE))[:, None]
        for value, step in zip((level, over, terms), steps, strict=True):
            value[at] += damped * step
        at = at[moved >= CLOSE]
    rate = to_six_digits(_rate(_odds(middle + level, terms, houses)))
    matrix = _information(of * rate * (1.0 - rate), houses)
    return [Model(*one) for one in zip(rate, *matrix, strict=True)]


def _odds(level, terms, houses):
    """Log odds of each kind of house, shape (checks, kinds), from those of places and terms."""
    return level[:, houses.place] + sum(terms[:, term] for term in houses.terms.T)


def _rate(odds):
    """The probability of log odds, whichever sign they have."""
    small = np.exp(-np.abs(odds))
    return np.where(odds > 0, 1.0, small) / (1.0 + small)


def _sums(codes, values, count):
    """Sums of values of shape (checks, n) over each of `count` codes of shape (n,): (checks, count)."""
    checks = len(values)
    at = np.arange(checks)[:, None] * count + codes
    return np.bincount(at.ravel(), values.ravel(), checks * count).reshape(checks, count)


def _by_terms(rows, terms, values, shape):
    """Sums of values (checks, kinds) over each of the `terms` of kinds within each of their `rows`:
    (checks, *shape).
    """
    found = sum(_sums(rows * shape[1] + term, values, shape[0] * shape[1]) for term in terms.T)
    return found.reshape(len(values), *shape)


def _information(weight, houses):
    """What elimination leaves: (of_place, of_above, of_terms, by_place, by_above), as in Model, by check."""
    places, above = len(houses.above), int(houses.above.max(initial=-1)) + 1
    held = _sums(houses.place, weight, places)
    of_place = held + houses.ridge
    by_place = _by_terms(houses.place, houses.terms, weight, (places, houses.width))
    of_above = OF_LEVELS + _sums(houses.above, houses.ridge * held / of_place, above)
    drawn = houses.ridge * by_place / of_place[..., None]
    by_above = np.zeros((above, len(weight), houses.width))
    np.add.at(by_above, houses.above, drawn.swapaxes(0, 1))
    by_above = by_above.swapaxes(0, 1)
    of_terms = OF_TERMS * np.eye(houses.width)
    for term in houses.terms.T:
        of_terms = of_terms + _by_terms(term, houses.terms, weight, (houses.width, houses.width))
    for by, of in ((by_place, of_place), (by_above, of_above)):
        of_terms = of_terms - (by / of[..., None]).transpose(0, 2, 1) @ by
    return of_place, of_above, of_terms, by_place, by_above


def _solve(matrix, houses, of_places, of_above, of_terms):
    """The step that a gradient asks for: of places, of what is above them, of terms, by check."""
    place, above, terms, by_place, by_above = matrix
    lifted = of_above + _sums(houses.above, houses.ridge * of_places / place, above.shape[1])
    left = of_terms - (by_place * (of_places / place)[..., None]).sum(1)
    left = left - (by_above * (lifted / above)[..., None]).sum(1)
    step_terms = np.linalg.solve(terms, left[..., None])
    step_above = (lifted - (by_above @ step_terms)[..., 0]) / above
    pulled = houses.ridge * step_above[:, houses.above]
    return (of_places + pulled - (by_place @ step_terms)[..., 0]) / place, step_above, step_terms[..., 0]


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
    left = _by_terms(groups.name, groups.terms, weight[None], (names, houses.width))[0]
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
