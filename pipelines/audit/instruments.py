"""Gauges and thermometers: does what an inspector reads lie above or below what others read in such houses?

A reading is held against its *reference*: a setting of the house (pressure and charge the fill setting,
temperature the high limit), less what is usual between the two in that agency, before and after work; and
what others read at the same system with no work between. How much each of the two says is estimated from how
much readings differ within and between houses. A setting that fewer than some others read against says
nothing, nor do fewer than some others who read the same systems.

The shift is a Huber estimate over the run of readings, up to the last one or from the first one on, that
stands out most; its probability pays for the choice of the run and for how much inspectors
differ anyway. What is told of one is taken out of the reference of the others, the clearest first, until
nothing more is told: whoever re-inspects after a gauge that reads high does not read low.

Sums are of multiples of 2^-20, hence exact: no order of rows changes them.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa

from pipelines.audit import chance
from pipelines.audit.references import READINGS, apart_of, on_grid, taken_of, visits_of
from pipelines.engine.arrays import to_six_digits

HUBER = 1.345  # errors beyond which a reading counts less
NORMAL_PULL = 0.71  # mean square of what normal readings of the stated error pull
STEPS = 12  # from no shift to Huber's estimate
ROUNDS = 12  # of taking out what was told


def instruments(both, policy):
    """The rows of `instruments`, an Arrow table: one per agency, inspector and kind of reading.

    `readings` are those that `shift` rests on: of the run from `since` until `until` (NULL: the last one)
    where it is `beyond_chance`, else all. Shift, interval and `adjusted_p` are NULL where too few readings
    can be compared.
    """
    visits = visits_of(both, policy)
    every = [taken_of(visits, name, policy) for name in READINGS]
    told: list[dict[int, _Run]] = [{} for _ in READINGS]
    found = [_found(one, {}, policy) for one in every]
    for _ in range(ROUNDS):
        adjusted, beyond = _called(found, visits.agency_of, policy)
        new = [
            _clearest(one, called, before, visits.agency_of)
            for one, called, before in zip(found, beyond, told, strict=True)
        ]
        if not any(new):
            break
        for position, runs in enumerate(new):
            if runs:
                told[position] |= runs
                found[position] = _found(every[position], told[position], policy)
    adjusted, beyond = _called(found, visits.agency_of, policy)
    return pa.concat_tables(
        _rows(visits, name, *one) for name, *one in zip(READINGS, found, adjusted, beyond, strict=True)
    )


# ---- the shift of each inspector


@dataclass(frozen=True)
class _Run:
    """Readings of one inspector, from the first to the last day, and their shift."""

    since: int
    until: int
    shift: float


@dataclass(frozen=True)
class _Found:
    """What was found of each inspector, arrays of their number.

    `taken` counts readings, `readings` (2, n) those that can be compared: all, and of the run that stands out
    most, from the day `since` to `until`, `last` where that is the last one. `run` and `every` are (shift,
    its error) of the two. `p` is the probability that chance alone gives such a run, NaN where it cannot be
    told; `clear` how far it lies from none, in errors.
    """

    taken: np.ndarray
    readings: np.ndarray
    since: np.ndarray
    until: np.ndarray
    last: np.ndarray
    run: np.ndarray
    every: np.ndarray
    p: np.ndarray
    clear: np.ndarray
    least_told: float


def _found(taken, told, policy):
    apart, few = apart_of(taken, told, policy), policy.few_visits
    count = np.bincount(apart.who, minlength=taken.inspectors)
    small = apart.above / apart.error
    kappa, eta = _pooled(small)
    pull = on_grid(np.clip(small, -HUBER, HUBER) / apart.error)
    weight = on_grid(1.0 / apart.error**2)
    pulls = np.bincount(apart.who, pull, taken.inspectors)
    weights = np.bincount(apart.who, weight, taken.inspectors)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean, error = pulls / (eta * weights), np.sqrt(kappa / weights) / eta
    stands = (count >= few) & (weights > 0)
    reading = np.bincount(taken.agency_of, stands, int(taken.agency_of.max(initial=-1)) + 1)[taken.agency_of]
    stands &= reading > policy.others_to_compare
    between = _between(mean, error, stands, taken.agency_of, policy)
    start, end = _runs(apart, count, pull, weight, few)
    at = np.arange(len(apart.who))
    inside = (at >= start[apart.who]) & (at < end[apart.who])
    run_pull = np.bincount(apart.who, pull * inside, taken.inspectors)
    run_weight = np.bincount(apart.who, weight * inside, taken.inspectors)
    every = _shifts(apart, np.ones(len(at), bool), taken.inspectors, kappa, eta)
    with np.errstate(invalid="ignore", divide="ignore"):
        height, run_error = run_pull / (eta * run_weight), np.sqrt(kappa / run_weight) / eta
        likely = _chosen(np.abs(height) / np.sqrt(run_error**2 + between), count, few)
        unlikely = stands & (likely <= policy.false_discoveries)  # of the others no run can be told
        run = _shifts(apart, inside & unlikely[apart.who], taken.inspectors, kappa, eta)
        run_error = np.where(unlikely, run[1], run_error)
        clear = to_six_digits(np.abs(height) / np.sqrt(run_error**2 + between))
    p = np.where(stands, _chosen(clear, count, few), np.nan)
    first, last = (np.minimum(position, max(len(at) - 1, 0)) for position in (start, end - 1))
    day = apart.day if len(at) else np.zeros(1, np.int64)
    ends = np.cumsum(count)
    return _Found(
        np.bincount(taken.who, minlength=taken.inspectors),
        np.stack([count, end - start]),
        day[first],
        day[last],
        end == ends,
        np.where(stands, run, np.nan),
        np.where(stands, every, np.nan),
        p,
        np.where(stands, clear, 0.0),
        taken.least_told,
    )


def _pooled(small):
    """(mean square of pulls, of a normal at least; share of readings that pull freely), of all inspectors."""
    if not len(small):
        return NORMAL_PULL, 1.0
    pull = np.clip(small, -HUBER, HUBER)
    free = np.count_nonzero(np.abs(small) < HUBER) / len(small)
    square = to_six_digits(on_grid(pull**2).sum() / len(small))
    return max(float(square), NORMAL_PULL), float(to_six_digits(free))


def _between(mean, error, stands, agency, policy):
    """Variance between the inspectors of each agency beyond chance; 0 where too few to tell."""
    known = np.flatnonzero(stands)
    agencies = int(agency.max(initial=-1)) + 1
    deviates = to_six_digits(mean[known] / error[known])
    _, between = chance.over_dispersion(deviates, to_six_digits(error[known]), agency[known], agencies)
    enough = np.bincount(agency[known], minlength=agencies) >= policy.few_crews
    return np.where(enough, np.nan_to_num(between), 0.0)[agency]


def _runs(apart, count, pull, weight, few):
    """(start, end) of the run of each inspector that stands out most: up to the last reading, or from the
    first; runs begin and end with a day and hold enough readings. Of equals the longest; all of them unless a
    run stands out clearly more (twice what one more parameter costs by Schwarz's criterion).
    """
    ends = np.cumsum(count)
    starts = ends - count
    begins = np.ones(len(apart.who), bool)
    begins[1:] = (np.diff(apart.who) != 0) | (np.diff(apart.day) != 0)
    cuts = np.flatnonzero(begins)
    who = apart.who[cuts]
    sums = [np.concatenate([[0.0], np.cumsum(values)]) for values in (pull, weight)]
    best_start, best_end = starts.copy(), ends.copy()
    with np.errstate(invalid="ignore", divide="ignore"):
        pulls, weights = (one[ends] - one[starts] for one in sums)
        best = np.nan_to_num(to_six_digits(pulls**2 / weights)) + to_six_digits(2.0 * np.log(count))
    firsts = np.flatnonzero(np.append(True, np.diff(who) != 0)) if len(who) else who
    # From a cut to the last reading, then from the first to before a cut: of equals the longest.
    for start, end, longest in ((cuts, ends[who], 0), (starts[who], cuts, -1)):
        with np.errstate(invalid="ignore", divide="ignore"):
            pulls, weights = (one[end] - one[start] for one in sums)
            gain = np.where(end - start >= few, to_six_digits(pulls**2 / weights), -1.0)
        most = np.maximum.reduceat(gain, firsts) if len(who) else gain
        reached = np.flatnonzero(gain == np.repeat(most, np.diff(firsts, append=len(who))))
        edge = np.diff(who[reached], prepend=-1) if longest == 0 else np.diff(who[reached], append=-1)
        winner = reached[edge != 0]
        better = winner[gain[winner] > best[who[winner]]]
        best[who[better]] = gain[better]
        best_start[who[better]], best_end[who[better]] = start[better], end[better]
    return best_start, best_end


def _shifts(apart, inside, inspectors, kappa, eta):
    """(shift, its error) of each inspector over the readings `inside`, rounded: Huber's estimate."""
    at = np.flatnonzero(inside)
    who, above, error = apart.who[at], apart.above[at], apart.error[at]
    count = np.bincount(who, minlength=inspectors)
    read = np.flatnonzero(count)
    first = (np.cumsum(count) - count)[read]

    def summed(values):
        """Of each inspector; readings stand by inspector."""
        sums = np.zeros(inspectors)
        sums[read] = np.add.reduceat(on_grid(values), first) if len(read) else 0.0
        return sums

    shift = np.zeros(inspectors)
    square = error**2
    weights = summed(1.0 / square)
    with np.errstate(invalid="ignore", divide="ignore"):
        for _ in range(STEPS):
            far = np.abs(above - np.repeat(shift, count)) / error
            weight = on_grid(np.minimum(1.0, HUBER / far) / square)
            shift = summed(weight * above) / summed(weight)
        left = np.clip((above - np.repeat(shift, count)) / error, -HUBER, HUBER) ** 2
        apart_by = np.sqrt(np.maximum(summed(left) / count, kappa) / weights) / eta
    return to_six_digits(np.stack([shift, apart_by]))


def _chosen(clear, count, few):
    """Probability of a run so clear, however it was chosen among those of `few` readings and more.

    Source: the usual bound for the standardized sum of a run that grows from `few` to `count`, taken from
    both ends: twice the tail of a normal and, for each side, b·φ(b)·log(count / few).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        length = np.log(np.maximum(count, few) / few)
        height = clear * np.exp(-(clear**2) / 2.0) / np.sqrt(2.0 * np.pi)
    return to_six_digits(np.minimum(chance.two_sided(clear) + 2.0 * height * length, 1.0))


# ---- what is told


def _called(found, agency_of, policy):
    """(adjusted p, whether it is told) of each kind of reading: arrays of the inspectors."""
    family = np.tile(agency_of, len(found))
    adjusted = chance.adjusted(np.concatenate([one.p for one in found]), family)
    parts = np.split(adjusted, len(found))
    with np.errstate(invalid="ignore"):
        beyond = [
            (part <= policy.false_discoveries) & (np.abs(one.run[0]) >= one.least_told)
            for part, one in zip(parts, found, strict=True)
        ]
    return parts, beyond


def _clearest(found, beyond, before, agency_of):
    """The clearest _Run of each agency that was not told before, by inspector."""
    known = np.isin(np.arange(len(beyond)), list(before))
    new = np.flatnonzero(beyond & ~known)
    order = new[np.lexsort((-new, found.clear[new], agency_of[new]))]
    last = order[np.flatnonzero(np.append(np.diff(agency_of[order]) != 0, True))] if len(order) else order
    return {
        int(one): _Run(int(found.since[one]), int(found.until[one]), float(found.run[0, one])) for one in last
    }


def _rows(visits, name, found, adjusted, beyond):
    """The rows of one kind of reading, those of inspectors with any."""
    at = np.flatnonzero(found.taken)
    shift, error = np.where(beyond, found.run, found.every)[:, at]
    day = pa.array(found.since[at].astype("datetime64[D]"), mask=~beyond[at])
    until = pa.array(found.until[at].astype("datetime64[D]"), mask=~beyond[at] | found.last[at])
    return pa.table(
        {
            "agency": pa.array([visits.names[one][0] for one in at], pa.string()),
            "inspector": pa.array([visits.names[one][1] for one in at], pa.string()),
            "reading": pa.array([name] * len(at), pa.string()),
            "readings": pa.array(np.where(beyond, found.readings[1], found.readings[0])[at]),
            "shift": pa.array(shift, from_pandas=True),
            "low95": pa.array(to_six_digits(shift - chance.NORMAL_95 * error), from_pandas=True),
            "high95": pa.array(to_six_digits(shift + chance.NORMAL_95 * error), from_pandas=True),
            "adjusted_p": pa.array(adjusted[at], from_pandas=True),
            "beyond_chance": pa.array(beyond[at]),
            "since": day.cast(pa.date32()),
            "until": until.cast(pa.date32()),
        }
    )
