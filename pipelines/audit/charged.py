"""Whose is it? Each deficiency found after the work, charged to one of those who had to do with the unit.

The record decides, in this order:

* ok at the final, deficient at the re-inspection paired with it: *passed at the final*, that inspector;
* deficient at the final, and at the audit before it not telling: *not seen at audit*;
* deficient at both, and a measure that fixes it ordered, or reported as done: *ordered but not right*, the
  crew; work was ordered, but no such measure: *seen but not ordered*;
* ok at the audit, deficient at the final: *ordered but not right* where such a measure was ordered or
  reported as done, since the work touched it; else *changed since*;
* open today, not deficient at the final nor its re-inspection, first found later: *changed since*;
* no audit on record, or no order and no repair on record: *nobody*.

What an audit finds belongs to the house and is charged to nobody.
"""

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.audit.units import outcome_at
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.results import DEFICIENT, OK
from pipelines.intake.cells import folded

WHOSE = (
    "not seen at audit",
    "seen but not ordered",
    "ordered but not right",
    "passed at the final",
    "changed since",
    "nobody",
)
NOT_SEEN, NOT_ORDERED, NOT_RIGHT, PASSED, CHANGED, NOBODY = range(len(WHOSE))


def charged(both, found, measures):
    """The rows of `charged`, an Arrow table: of each unit's final and check found deficient, whose it is."""
    again = np.flatnonzero(found.again >= 0)
    finals, seconds = [], []
    for check in HOME_CHECKS:
        finals.append(outcome_at(found, check.id, found.final))
        second = np.full(len(found.final), -1, np.int8)
        second[again] = outcome_at(found, check.id, found.again[again])
        seconds.append(second)
    doubtful = np.flatnonzero(np.logical_or.reduce([final == DEFICIENT for final in finals]))
    before = _before(both, found, doubtful, measures)
    later = _later(both.connection, found)
    whose = []
    for position, check in enumerate(HOME_CHECKS):
        one = np.full(len(found.final), -1, np.int8)
        one[(finals[position] == OK) & (seconds[position] == DEFICIENT)] = PASSED
        one[doubtful] = _decided(finals[position][doubtful], one[doubtful], before, position)
        since = later.get(check.id, np.empty(0, np.int64))
        one[since[one[since] < 0]] = CHANGED
        whose.append(one)
    every = np.stack(whose)
    which, unit = np.nonzero(every >= 0)
    keys = found.visits.select(["agency", "inspection_id"]).take(pa.array(found.final[unit]))
    ids = pa.array([one.id for one in HOME_CHECKS]).take(pa.array(which))
    said = pa.array(WHOSE).take(pa.array(every[which, unit]))
    return keys.append_column("check_id", ids).append_column("whose", said)


@dataclass(frozen=True)
class _Before:
    """What is on record of some units before their final.

    Per check, shape (checks, units): the outcome at the last audit (-1: none on record), and whether a
    measure that fixes it was ordered, or reported as done since. `any_order`: whether an order is on record.
    """

    audit: np.ndarray
    worked: np.ndarray
    any_order: np.ndarray


def _decided(final, whose, before, position):
    """Whose a check is at units some check of which was deficient at the final."""
    audit, worked = before.audit[position], before.worked[position]
    whose, bad = whose.copy(), final == DEFICIENT
    whose[bad] = NOBODY
    whose[bad & (audit > DEFICIENT)] = NOT_SEEN
    whose[bad & (audit == DEFICIENT) & before.any_order] = NOT_ORDERED
    whose[bad & (audit == OK)] = CHANGED
    whose[bad & worked & ((audit == OK) | (audit == DEFICIENT))] = NOT_RIGHT
    return whose


def _later(connection, found):
    """Units by check id in which something is open that was first found after their final."""
    units = found.visits.select(["agency", "home_id", "system_id", "inspected_on"])
    units = units.take(pa.array(found.final))
    units = units.append_column("position", pa.array(np.arange(units.num_rows)))
    connection.register("units_of_finals", units)
    table = connection.sql("""
        SELECT o.check_id, u.position
        FROM opened AS o
        JOIN units_of_finals AS u
            ON u.agency = o.agency AND u.home_id = o.home_id AND u.system_id = o.system_id
        WHERE o.since > u.inspected_on
    """).to_arrow_table()
    connection.unregister("units_of_finals")
    frame = table.to_pandas()
    return {check: rows.to_numpy() for check, rows in frame.groupby("check_id")["position"]}


def _before(both, found, units, measures):
    """The _Before of some units."""
    final = found.final[units]
    first = np.searchsorted(found.system, found.system[final])  # visits of the system begin there
    audit = np.full((len(HOME_CHECKS), len(units)), -1, np.int8)
    is_audit = pc.fill_null(pc.equal(found.visits.column("inspection_kind"), "initial"), False).to_numpy()
    last = np.maximum.accumulate(np.where(is_audit, np.arange(len(is_audit)), -1))[final]
    last[last < first] = -1
    known = np.flatnonzero(last >= 0)
    for position, check in enumerate(HOME_CHECKS):
        audit[position, known] = outcome_at(found, check.id, last[known])
    said, texts = _said(both, found)
    # Of each unit the visits at which work is named, up to its final.
    start, end = np.searchsorted(said, first), np.searchsorted(said, final, side="right")
    many = end - start
    unit = np.repeat(np.arange(len(units)), many)
    which = np.arange(len(unit)) + np.repeat(start - (np.cumsum(many) - many), many)
    since = said[which] > last[unit]
    worked = np.zeros((len(HOME_CHECKS), len(units)), bool)
    for name, counts in (("work_ordered", np.ones(len(unit), bool)), ("repairs_reported", since)):
        fixed = _fixed(texts.column(name), measures)[:, which] & counts
        for position in range(len(HOME_CHECKS)):
            worked[position, unit[fixed[position]]] = True
    any_order = np.zeros(len(units), bool)
    any_order[unit[texts.column("work_ordered").is_valid().to_numpy()[which]]] = True
    return _Before(audit, worked, any_order)


def _said(both, found):
    """Positions of the visits at which work is named, and an Arrow table of what was ordered and reported."""
    named = found.visits.column("ordered").to_numpy() | found.visits.column("repaired").to_numpy()
    return np.flatnonzero(named), both.recorded(["work_ordered", "repairs_reported"], named)


def _fixed(texts, measures):
    """Whether measures named in each text (ids or titles, parted by ;) fix each check: (checks, texts)."""
    encoded = texts.combine_chunks().dictionary_encode()
    by_name = {folded(name): measure for measure in measures for name in (measure.id, measure.title)}
    fixes = np.zeros((len(HOME_CHECKS), len(encoded.dictionary) + 1), bool)
    position = {check.id: number for number, check in enumerate(HOME_CHECKS)}
    for at, text in enumerate(encoded.dictionary.to_pylist()):
        for name in text.split(";"):
            measure = by_name.get(folded(name))
            for check in measure.fixes if measure else ():
                if check in position:
                    fixes[position[check], at] = True
    codes = encoded.indices.fill_null(len(encoded.dictionary)).to_numpy()
    return fixes[:, codes]
