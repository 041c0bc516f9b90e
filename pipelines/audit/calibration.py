"""Is certainty right? Outcomes that rest on numbers, held against the next visit's, tenth by tenth.

A pair is two visits to one system after the work, one following the other within the days of the policy: the
later no for-cause visit, no repair reported in between, the same address, and not one's readings copied for
the other. The earlier outcome is *borne out* where the later one is the same. The later visit errs, too:
where both certainties are right, p and q, they agree with probability p·q + (1 − p)·(1 − q), which is
*expected*.
"""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.audit import chance
from pipelines.audit.units import AT_FINALS, FINALS, after_work
from pipelines.engine.arrays import to_six_digits
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import CERTAINTY_STEPS, coded, column, outcome_of_results, outcomes_of_results
from pipelines.engine.results import DEFICIENT

TENTHS = 10
COPIED, MOVED = "readings-repeated", coded("home-id-reused")


def calibration(both, found, within_days):
    """The rows of `calibration`, an Arrow table: ten, the last of which includes certainties of 1.

    `squared` is the mean of the squared difference between certainty and what came (Brier score).
    """
    earlier, later = _pairs(found, within_days)
    results = np.zeros((4, TENTHS), np.int64)
    for first, second in _numbers(both, found.visits, earlier, later):
        results += _counts(first, second)
    count, borne_out, expected, squared = results
    low, high = chance.exact_interval(borne_out, count)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean_square = to_six_digits(squared / CERTAINTY_STEPS**2 / count)
    return pa.table(
        {
            "certainty_from": pa.array(np.arange(TENTHS) / TENTHS),
            "certainty_to": pa.array(np.arange(1, TENTHS + 1) / TENTHS),
            "results": pa.array(count),
            "borne_out": pa.array(borne_out),
            "expected": pa.array(to_six_digits(expected / CERTAINTY_STEPS**2)),
            "low95": pa.array(low, from_pandas=True),
            "high95": pa.array(high, from_pandas=True),
            "squared": pa.array(mean_square, from_pandas=True),
        }
    )


def tenth(steps):
    """The tenth in which a certainty lies, given in steps."""
    return np.minimum(steps * TENTHS // CERTAINTY_STEPS, TENTHS - 1)


def _pairs(found, within_days):
    """Positions in `visits` of the earlier and the later visit of each pair."""
    order = after_work(found.visits)
    wanted = ["inspection_kind", "inspected_on", "repaired", "caused", MOVED]
    at = found.visits.select(wanted).take(pa.array(order)).combine_chunks()
    if not len(order):
        return order, order
    finals = pc.is_in(at.column("inspection_kind"), pa.array(FINALS)).to_numpy()
    same = np.diff(found.system[order], prepend=-1) == 0
    day = at.column("inspected_on").to_numpy().astype("datetime64[D]").astype(np.int64)
    soon = np.diff(day, prepend=day[:1]) <= within_days
    moved = outcome_of_results(at.column(MOVED).to_numpy())
    fits = same & soon & finals & ~at.column("repaired").to_numpy() & (moved != DEFICIENT)
    fits &= ~at.column("caused").to_numpy()
    second = np.flatnonzero(fits)
    second = second[finals[second - 1]]
    return order[second - 1], order[second]


def _numbers(both, visits, earlier, later):
    """Yields the coded results of each check at both visits of the pairs at which both rest on numbers."""
    shown = {name for name, *_ in both.connection.sql("DESCRIBE judged").fetchall()}
    checks = [check.id for check in HOME_CHECKS if column(check.id, "observed") in shown]
    rests = [f"{column(check, 'observed')} IS NOT NULL AS {coded(check)}" for check in checks]
    taken = both.judged([*rests, f"{coded(COPIED)} & 3 <> {DEFICIENT} AS own"], AT_FINALS)
    # Of the visits asked for, the position of each.
    place = np.cumsum(pc.is_in(visits.column("inspection_kind"), pa.array(FINALS)).to_numpy()) - 1
    own = taken.column("own").to_numpy()
    own = own[place[earlier]] & own[place[later]]
    earlier, later = earlier[own], later[own]
    first, second = place[earlier], place[later]
    for check in checks:
        rests, codes = taken.column(coded(check)).to_numpy(), visits.column(coded(check)).to_numpy()
        number = rests[first] & rests[second]
        yield codes[earlier[number]], codes[later[number]]


def _counts(first, second):
    """Results, those borne out, agreement expected and squared error (both in steps squared): (4, TENTHS)."""
    outcome, certainty = outcomes_of_results(first)
    again, other = outcomes_of_results(second)
    told = (outcome <= DEFICIENT) & (again <= DEFICIENT)
    outcome, again = outcome[told], again[told]
    certainty, other = certainty[told].astype(np.int64), other[told].astype(np.int64)
    agree = outcome == again
    where = tenth(certainty)
    expected = certainty * other + (CERTAINTY_STEPS - certainty) * (CERTAINTY_STEPS - other)
    squared = (certainty - agree * CERTAINTY_STEPS) ** 2
    found = np.zeros((4, TENTHS), np.int64)
    for row, values in enumerate((np.ones_like(certainty), agree.astype(np.int64), expected, squared)):
        np.add.at(found[row], where, values)
    return found
