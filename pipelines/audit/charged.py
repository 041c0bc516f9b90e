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

from pipelines.audit.units import outcomes_at
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import coded, outcomes_of_results
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


def charged(connection, found, measures):
    """The rows of `charged`, an Arrow table: of each unit's final and check found deficient, whose it is."""
    again = np.flatnonzero(found.again >= 0)
    finals, seconds = [], []
    for check in HOME_CHECKS:
        finals.append(outcomes_at(found, check.id, found.final)[0])
        second = np.full(len(found.final), -1, np.int8)
        second[again] = outcomes_at(found, check.id, found.again[again])[0]
        seconds.append(second)
    doubtful = np.flatnonzero(np.logical_or.reduce([final == DEFICIENT for final in finals]))
    before = _before(connection, found, doubtful, measures)
    later = _later(connection, found)
    whose = []
    for position, check in enumerate(HOME_CHECKS):
        one = np.full(len(found.final), -1, np.int8)
        one[(finals[position] == OK) & (seconds[position] == DEFICIENT)] = PASSED
        one[doubtful] = _decided(finals[position][doubtful], one[doubtful], before, position)
        since = later.get(check.id, np.empty(0, np.int64))
        one[since[one[since] < 0]] = CHANGED
        whose.append(one)
    which, unit = np.nonzero(np.stack(whose) >= 0)
    keys = found.visits.select(["agency", "inspection_id"]).take(pa.array(found.final[unit]))
    ids = pa.array([one.id for one in HOME_CHECKS]).take(pa.array(which))
    said = pa.array(WHOSE).take(pa.array(np.stack(whose)[which, unit]))
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


def _before(connection, found, units, measures):
    """The _Before of some units."""
    columns = found.visits.select(["row", "agency", "home_id", "system_id"])
    keys = columns.take(pa.array(found.final[units]))
    keys = keys.append_column("position", pa.array(np.arange(len(units))))
    connection.register("units_before", keys)
    codes = ", ".join(f"a.{coded(check.id)}" for check in HOME_CHECKS)
    visits = connection.sql("""
        SELECT u.position, j.rowid AS row, j.inspection_kind = 'initial' AS is_audit, j.agency,
               j.inspection_id
        FROM units_before AS u
        JOIN judged AS j ON j.agency = u.agency AND j.home_id = u.home_id AND j.system_id = u.system_id
        WHERE j.rowid <= u.row
    """).to_arrow_table()
    connection.unregister("units_before")
    at, row = (visits.column(name).to_numpy() for name in ("position", "row"))
    is_audit = visits.column("is_audit").fill_null(False).to_numpy()
    last = np.full(len(units), -1)
    np.maximum.at(last, at[is_audit], row[is_audit])
    audit = np.full((len(HOME_CHECKS), len(units)), -1, np.int8)
    known = np.flatnonzero(last >= 0)
    connection.register("audits", pa.table({"position": pa.array(known), "row": pa.array(last[known])}))
    results = connection.sql(f"""
        SELECT position, {codes} FROM audits JOIN judged AS a ON a.rowid = audits.row
    """).to_arrow_table()
    connection.unregister("audits")
    place = results.column("position").to_numpy()
    for position, check in enumerate(HOME_CHECKS):
        audit[position, place] = outcomes_of_results(results.column(coded(check.id)).to_numpy())[0]
    said = _said(connection, visits)
    place = said.column("position").to_numpy()
    since = said.column("row").to_numpy() > last[place]
    worked = np.zeros((len(HOME_CHECKS), len(units)), bool)
    for name, counts in (("work_ordered", np.ones(len(place), bool)), ("repairs_reported", since)):
        fixed = _fixed(said.column(name), measures)
        for position in range(len(HOME_CHECKS)):
            worked[position, place[fixed[position] & counts]] = True
    any_order = np.zeros(len(units), bool)
    any_order[place[said.column("work_ordered").is_valid().to_numpy()]] = True
    return _Before(audit, worked, any_order)


def _said(connection, visits):
    """Of those visits at which work is named: position of the unit, row, work ordered, repairs reported."""
    connection.register("visits_before", visits)
    said = connection.sql("""
        SELECT v.position, v.row, r.work_ordered, r.repairs_reported
        FROM visits_before AS v
        JOIN (
            SELECT agency, inspection_id, work_ordered, repairs_reported
            FROM readings
            WHERE work_ordered IS NOT NULL OR repairs_reported IS NOT NULL) AS r
            ON r.agency = v.agency AND r.inspection_id = v.inspection_id
    """).to_arrow_table()
    connection.unregister("visits_before")
    return said


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
