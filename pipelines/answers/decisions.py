"""What people decided and how long a deficiency has waited, laid over a snapshot when asked.

Neither is part of a snapshot. A decision speaks of the run of deficient results there was when it was taken:
one that began later is not decided yet. Of decisions on one deficiency the last stands; undone ones never
were. Nothing here changes a state, a stage or what holds a unit back.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import Any

import pyarrow as pa

from pipelines.answers.access import Viewer
from pipelines.fleet import decided
from pipelines.fleet.decided import Decision
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import folded

STANDING = pa.schema(
    [
        *((name, pa.string()) for name in ("agency", "home_id", "system_id", "check_id", "what", "said")),
        *((name, pa.date32()) for name in ("day", "done_on", "until")),
        ("id", pa.int64()),
    ]
)
NOT_IN_FORCE = """
    CASE
        WHEN s.what IN ('accepted', 'deferred') AND d.risk = 'act today' THEN 'not in force: act today'
        WHEN s.what IN ('accepted', 'deferred') AND s.until < $day THEN 'expired'
        WHEN s.what = 'done' AND d.decided_on > s.done_on THEN 'found again by a later visit'
        WHEN s.what = 'done' AND date_diff('day', s.done_on, $day) > l.value THEN 'not borne out in time'
        WHEN s.what IN ('overturned', 'upheld', 'disputed') THEN NULL
    END"""


def of_fleet(snapshot: Snapshot) -> tuple[Decision, ...]:
    """The decisions of the fleet that a snapshot is of."""
    return decided.read(Fleet(snapshot.path.parent.parent))


def of_home(viewer: Viewer, snapshot: Snapshot, agency: str, home_id: str) -> list[Decision]:
    """The decisions on one home, the newest first; none where the viewer may not see its agency."""
    if viewer.agencies is not None and folded(agency) not in map(folded, viewer.agencies):
        return []
    here = folded(agency)
    of_id = (one for one in reversed(of_fleet(snapshot)) if one.home_id == home_id)
    return [one for one in of_id if folded(one.agency) == here]


def overlay(
    snapshot: Snapshot,
    decisions: tuple[Decision, ...] | None,
    as_of: date,
    condition: str = "true",
    params: list | tuple = (),
) -> pa.Table:
    """Every open deficiency with its clock and what was decided; a function of its arguments only.

    Without `decisions` (None) they are those of the snapshot's fleet as they stand.

    Columns: agency, home_id, system_id, check_id, inspection_id (the visit that decides it), state, stage,
    since, risk, export_id and decided_on of that visit, act_by, due (NULL where the policy sets no clock),
    days_late (from due to `as_of`, 0 where nothing is due), decided (in words, NULL for nothing),
    last_action (its day), acted (whether it is in force), in_force (what is, NULL for nothing).
    `condition` may narrow it, in SQL with `params` (?), over `d` (opened, the open rows of home_checks) and
    `h` (homes). The clock runs from `since`, the first visit that found it. Rows come in no order.
    """
    found = overlay_sql(snapshot, decisions, as_of, condition, params)
    return snapshot.arrow(found.sql, found.params, decisions=found.decisions)


@dataclass(frozen=True)
class OverlaySql:
    """What `overlay` asks: SQL with its parameters by name, over a snapshot and the table `decisions`."""

    sql: str
    params: dict[str, Any]
    decisions: pa.Table


def overlay_sql(
    snapshot: Snapshot,
    decisions: tuple[Decision, ...] | None,
    as_of: date,
    condition: str = "true",
    params: list | tuple = (),
) -> OverlaySql:
    """The same not asked yet, for a question over it that needs neither every column nor every row."""
    named = {f"p{number}": value for number, value in enumerate(params)}
    for name in named:
        condition = condition.replace("?", f"${name}", 1)
    # Half of what this takes, where no condition asks for it.
    of_homes = "JOIN homes AS h ON h.agency = d.agency AND h.home_id = d.home_id" if "h." in condition else ""
    return OverlaySql(
        f"""
        WITH systems AS (
            SELECT agency, home_id, count(*) AS systems
            FROM state_columns
            SEMI JOIN decisions USING (agency, home_id)
            GROUP BY agency, home_id),
        of_open AS (
            SELECT d.agency, d.home_id, d.system_id, d.check_id, max(s.id) AS id
            FROM decisions AS s
            JOIN opened AS d ON d.agency = s.agency AND d.home_id = s.home_id
            JOIN systems AS n ON n.agency = s.agency AND n.home_id = s.home_id
            WHERE s.check_id IN ('', d.check_id) AND s.day >= d.since
                AND (s.system_id = d.system_id OR (s.system_id = '' AND n.systems = 1))
            GROUP BY ALL),
        told AS (
            SELECT d.agency, d.home_id, d.system_id, d.check_id, s.what, s.said, s.day,
                   {NOT_IN_FORCE} AS lapsed
            FROM of_open AS o
            JOIN decisions AS s USING (id)
            JOIN opened AS d
                ON d.agency = o.agency AND d.home_id = o.home_id AND d.system_id = o.system_id
                AND d.check_id = o.check_id,
                limits AS l
            WHERE l.name = 'borne_out_within_days')
        SELECT d.*, d.since + c.days_to_act AS act_by, d.since + c.days_to_correct AS due,
               coalesce(date_diff('day', d.since + c.days_to_correct, $day), 0) AS days_late,
               concat_ws(', ', t.said, t.lapsed) AS decided, t.day AS last_action,
               t.said IS NOT NULL AND t.lapsed IS NULL AS acted,
               CASE WHEN t.lapsed IS NULL THEN t.what END AS in_force
        FROM opened AS d
        {of_homes}
        LEFT JOIN clocks AS c ON c.risk = d.risk
        LEFT JOIN told AS t
            ON t.agency = d.agency AND t.home_id = d.home_id AND t.system_id = d.system_id
            AND t.check_id = d.check_id
        WHERE {condition}""",
        {"day": as_of, **named},
        _standing(of_fleet(snapshot) if decisions is None else decisions, as_of),
    )


def _standing(decisions: tuple[Decision, ...], as_of: date) -> pa.Table:
    """Decisions taken by a day and not undone by it, as STANDING."""
    if not decisions:
        return pa.Table.from_batches([], STANDING)  # the empty table of a schema takes pandas along
    return _standing_of(decisions[-1], as_of, _Held(decisions))


def count_standing(
    viewer: Viewer, snapshot: Snapshot, decisions: tuple[Decision, ...] | None, as_of: date
) -> int:
    """On how many decisions, taken by a day and not undone, rests what the overlay says to a viewer."""
    stands = _standing(of_fleet(snapshot) if decisions is None else decisions, as_of)
    if viewer.agencies is None:
        return stands.num_rows
    seen = set(map(folded, viewer.agencies))
    return sum(folded(agency) in seen for agency in stands.column("agency").to_pylist())


class _Held(tuple):
    """Decisions that are found again by the last of them, which is chained to all before it."""

    def __hash__(self) -> int:
        return len(self)

    def __eq__(self, other: object) -> bool:
        return True


@lru_cache(maxsize=16)
def _standing_of(last: Decision, as_of: date, decisions: _Held) -> pa.Table:
    taken = [one for one in decisions if _day_in_the_west(one) <= as_of]
    undone = taken_back(taken)
    stands = [one for one in taken if one.id not in undone and one.what != "undone"]

    def days(name: str) -> list[date | None]:
        return [date.fromisoformat(text) if (text := getattr(one, name)) else None for one in stands]

    columns = {
        **{name: [getattr(one, name) for one in stands] for name in ("agency", "home_id", "system_id")},
        **{name: [getattr(one, name) for one in stands] for name in ("check_id", "what")},
        "said": [in_words(one) for one in stands],
        "day": [date.fromisoformat(one.at[:10]) for one in stands],
        **{name: days(name) for name in ("done_on", "until")},
        "id": [one.id for one in stands],
    }
    return pa.table(columns, schema=STANDING)


def taken_back(decisions: Sequence[Decision]) -> set[int]:
    """Ids of those that are undone; an undoing that was undone itself undoes nothing."""
    undone: set[int] = set()
    for one in sorted(decisions, key=lambda one: one.id, reverse=True):
        if one.what == "undone" and one.id not in undone:
            undone.add(int(one.undoes))
    return undone


def _day_in_the_west(one: Decision) -> date:
    """The day of a decision where the day ends last: nobody who decides waits for its date to come."""
    return (datetime.fromisoformat(one.at) - timedelta(hours=12)).date()


def in_words(one: Decision) -> str:
    """A decision in a few words: accepted until 2026-12-31: no way to the roof."""
    parts = (
        one.what,
        one.measure,
        f"on {one.done_on}" if one.done_on else "",
        f"to {one.to}" if one.to else "",
        f"until {one.until}" if one.until else "",
    )
    said = " ".join(filter(None, parts))
    return f"{said}: {one.why}" if one.why else said
