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

from pipelines.audit.side_by_side import SYSTEM
from pipelines.audit.units import codes_at
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import outcome_of_results
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
BIT_OF = {check.id: bit for bit, check in enumerate(HOME_CHECKS)}
BITS = f"(VALUES {', '.join(map(str, BIT_OF.items()))}) AS bits (check_id, bit)"  # SQL
NOT_SEEN, NOT_ORDERED, NOT_RIGHT, PASSED, CHANGED, NOBODY = range(len(WHOSE))
CHARGED_TO = tuple(f"{whose.replace(' ', '_')}__checks" for whose in WHOSE)  # in `crew_units`


def charged(both, found, measures):
    """Of each unit the checks found deficient by whose they are: bits (see BITS) by CHARGED_TO, (units,)."""
    before, later = _before(both, found, measures), _later(both.connection, found)
    charged_to = {column: np.zeros(len(found.final), np.int64) for column in CHARGED_TO}
    for check in HOME_CHECKS:
        final, again = found.outcomes_of_finals[check.id], found.outcomes_of_again[check.id]
        bad = np.flatnonzero(final == DEFICIENT)
        one = np.full(len(found.final), -1, np.int8)
        one[bad] = _decided(found, check.id, bad, before)
        one[found.paired[(final[found.paired] == OK) & (again == DEFICIENT)]] = PASSED
        since = later.get(check.id, np.empty(0, np.int64))
        one[since[one[since] < 0]] = CHANGED
        told = np.flatnonzero(one >= 0)
        whose = one[told]
        for number, column in enumerate(CHARGED_TO):
            charged_to[column][told[whose == number]] |= np.int64(1) << BIT_OF[check.id]
    return charged_to


def view():
    """SQL of `charged`: agency, inspection_id of the final, check_id and whose, a row each that is set."""
    found = " UNION ALL ".join(
        f"SELECT agency, inspection_id, '{whose}' AS whose, {column} AS checks FROM crew_units"
        for whose, column in zip(WHOSE, CHARGED_TO, strict=True)
    )
    return f"""
        SELECT agency, inspection_id, check_id, whose
        FROM ({found}) AS found
        JOIN {BITS} ON found.checks <> 0 AND (found.checks >> bit & 1) = 1
    """


@dataclass(frozen=True)
class _Before:
    """What is on record of each unit before its final: arrays (units,).

    `audit` is the position in `visits` of the last audit, -1 where none is on record; `worked` the checks
    that a measure fixes which was ordered, or reported as done since, as bits; `any_order` whether an order
    is on record.
    """

    audit: np.ndarray
    worked: np.ndarray
    any_order: np.ndarray


def _decided(found, check_id, units, before):
    """Whose a check is at units at whose final it was deficient."""
    last = before.audit[units]
    known = np.flatnonzero(last >= 0)
    audit = np.full(len(units), -1, np.int8)
    audit[known] = outcome_of_results(codes_at(found.visits, check_id, last[known]))
    worked = (before.worked[units] >> BIT_OF[check_id] & 1).astype(bool)
    whose = np.full(len(units), NOBODY, np.int8)
    whose[audit > DEFICIENT] = NOT_SEEN
    whose[(audit == DEFICIENT) & before.any_order[units]] = NOT_ORDERED
    whose[audit == OK] = CHANGED
    whose[worked & ((audit == OK) | (audit == DEFICIENT))] = NOT_RIGHT
    return whose


def _later(connection, found):
    """Units by check id in which something is open that was first found after their final."""
    units = found.visits.select([*SYSTEM, "inspected_on"]).take(pa.array(found.final))
    system = ", ".join(SYSTEM)
    units = units.append_column("position", pa.array(np.arange(units.num_rows)))
    connection.register("units_of_finals", units)
    table = connection.sql(f"""
        SELECT o.check_id, u.position
        FROM (SELECT hash({system}) AS number, home_id, since, check_id FROM opened) AS o
        JOIN (SELECT hash({system}) AS number, * FROM units_of_finals) AS u USING (number)
        WHERE o.since > u.inspected_on AND o.home_id = u.home_id
    """).to_arrow_table()
    connection.unregister("units_of_finals")
    check, position = (table.column(name).combine_chunks() for name in ("check_id", "position"))
    encoded, position = check.dictionary_encode(), position.to_numpy()
    which = encoded.indices.to_numpy()
    return {one: position[which == number] for number, one in enumerate(encoded.dictionary.to_pylist())}


def _before(both, found, measures):
    """The _Before of all units."""
    final, visits = found.final, found.visits
    starts = np.flatnonzero(np.diff(found.system, prepend=-1))
    first = starts[found.system[final]]  # visits of the system begin there
    is_audit = pc.fill_null(pc.equal(visits.column("inspection_kind"), "initial"), False).to_numpy()
    audit = np.maximum.accumulate(np.where(is_audit, np.arange(len(is_audit)), -1))[final]
    audit[audit < first] = -1
    named = visits.column("ordered").to_numpy() | visits.column("repaired").to_numpy()
    texts = both.recorded(["work_ordered", "repairs_reported"], named)
    # Of each unit the visits at which work is named, up to its final.
    said, until = np.flatnonzero(named), np.cumsum(named)
    start, end = until[first] - named[first], until[final]
    many = end - start
    unit = np.repeat(np.arange(len(final)), many)
    which = np.arange(len(unit)) + np.repeat(start - (np.cumsum(many) - many), many)
    since = said[which] > audit[unit]
    worked = np.zeros(len(final), np.int64)
    np.bitwise_or.at(worked, unit, _fixed(texts.column("work_ordered"), measures)[which])
    reported = _fixed(texts.column("repairs_reported"), measures)[which[since]]
    np.bitwise_or.at(worked, unit[since], reported)
    any_order = np.zeros(len(final), bool)
    any_order[unit[texts.column("work_ordered").is_valid().to_numpy()[which]]] = True
    return _Before(audit, worked, any_order)


def _fixed(texts, measures):
    """The checks that measures named in each text (ids or titles, parted by ;) fix, as bits: (texts,)."""
    encoded = texts.combine_chunks().dictionary_encode()
    by_name = {folded(name): measure for measure in measures for name in (measure.id, measure.title)}
    fixes = np.zeros(len(encoded.dictionary) + 1, np.int64)
    for at, text in enumerate(encoded.dictionary.to_pylist()):
        for name in text.split(";"):
            measure = by_name.get(folded(name))
            for check in measure.fixes if measure else ():
                fixes[at] |= np.int64(1) << BIT_OF[check] if check in BIT_OF else np.int64(0)
    return fixes[encoded.indices.fill_null(len(encoded.dictionary)).to_numpy()]
