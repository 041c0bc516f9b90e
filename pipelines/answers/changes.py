"""What changed between two moments that a fleet keeps: what was known at each load, and why it differs.

These are changes over loads, of when we knew; when something was seen is a matter of visits, and another
question.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.answers import differences
from pipelines.answers.access import Filters, Viewer
from pipelines.fleet import moments
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.snapshots import Snapshot, read_as
from pipelines.snapshot import trials, version
from pipelines.snapshot.progress import Progress
from pipelines.snapshot.version import attach

NEW_VISIT, CORRECTED_EXPORT, POLICY, VERSION = "new visit", "corrected export", "policy", "version"


@dataclass(frozen=True)
class Side:
    """One of two moments: what was known, of so many lines of the log, and what it rests on.

    `inputs` and `version` are as in states.csv, or today's. `said` is how it is named to a reader, `notes`
    what is to be said of it.
    """

    said: dict[str, Any]
    table: pa.Table = field(repr=False)
    log_length: int
    inputs: dict[str, str]
    version: str
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Changed:
    """What differs between two sides, as differences.between with a column `why`; `snapshot` is the fleet's
    current one, which knows regions and crews."""

    before: Side
    after: Side
    snapshot: Path
    differences: pa.Table = field(repr=False)

    @property
    def notes(self) -> tuple[str, ...]:
        return (*self.before.notes, *self.after.notes)


def changed(
    fleet: Fleet, before: str, after: str, *, remade: bool = False, progress: Progress | None = None
) -> Changed:
    """What changed from one moment to another, each named by its number, its name, or a day.

    With `remade` a day stands for what the log's lines received by its end come to under today's policy,
    worked out again from the exports. FleetError where there is no such moment, or they are in another order.
    """
    progress = progress or Progress()
    earlier, later = (_side(fleet, asked, remade, progress) for asked in (before, after))
    if earlier.log_length > later.log_length:
        raise FleetError(f"{before!r} is the later one of the two: ask from {after!r} to {before!r}.")
    snapshot = attach(fleet.snapshot())
    found = differences.between(snapshot, _checks(earlier.table), _checks(later.table))
    return Changed(earlier, later, snapshot.path, _explained(snapshot, found, earlier, later))


def _side(fleet: Fleet, asked: str, remade: bool, progress: Progress) -> Side:
    day = _day(asked)
    if remade and day is not None:
        made = trials.remade(fleet, day, progress)
        said = {"day": day.isoformat(), "remade": True, "snapshot": None, "names": []}
        return Side(said, made.table, made.log_length, made.inputs, version.code_version(), made.notes)
    moment = moments.find(fleet, asked)
    state = moment.state
    said = {
        "day": moment.day.isoformat(),
        "remade": False,
        "snapshot": state.snapshot,
        "names": list(moment.names),
    }
    return Side(said, moments.read(moment.path), state.log_length, state.inputs, state.code_version)


def _day(asked: str) -> date | None:
    try:
        return date.fromisoformat(asked)
    except ValueError:
        return None


def _checks(table: pa.Table) -> pa.Table:
    """The rows of checks, those of homes aside."""
    return table.filter(pc.is_valid(table.column("check_id")))


def _explained(snapshot: Snapshot, found: pa.Table, before: Side, after: Side) -> pa.Table:
    """The differences with why each: by the visit that decides on the later side, else by what became of the
    home's rows, else by what the two sides rest on."""
    return snapshot.arrow(
        f"""
        SELECT d.*,
               CASE WHEN a.known > $seen THEN '{NEW_VISIT}'
                    WHEN a.content > $seen THEN '{CORRECTED_EXPORT}'
                    WHEN h.digest IS NOT DISTINCT FROM g.digest THEN $rest
                    WHEN h.known > $seen THEN '{NEW_VISIT}'
                    ELSE '{CORRECTED_EXPORT}' END AS why
        FROM found AS d
        LEFT JOIN after AS a
          ON a.agency = d.agency AND a.home_id = d.home_id AND a.system_id = d.system_id
         AND a.check_id = d.check_id
        LEFT JOIN (SELECT * FROM after WHERE check_id IS NULL) AS h
          ON h.agency = d.agency AND h.home_id = d.home_id
        LEFT JOIN (SELECT * FROM before WHERE check_id IS NULL) AS g
          ON g.agency = d.agency AND g.home_id = d.home_id""",
        {"seen": before.log_length, "rest": rest_of(before, after)},
        found=found,
        before=before.table,
        after=after.table,
    )


def rest_of(before: Side, after: Side) -> str:
    """What the two sides rest on that differs, but for exports: policy, version, mapping, places, crews."""
    changed = {name for name, _ in before.inputs.items() ^ after.inputs.items()}
    other = read_as(before.version) != read_as(after.version)
    said = {
        POLICY: "policy.toml" in changed or ("policy" in changed and not other),
        VERSION: other,
        "mapping": any(name.startswith("mapping:") for name in changed),
        "places": "places" in changed,
        "crews": "crews" in changed,
    }
    return ", ".join(name for name, holds in said.items() if holds) or CORRECTED_EXPORT


# ---- what of it a viewer sees


def seen(viewer: Viewer, filters: Filters, found: Changed) -> pa.Table:
    """What changed, as far as the viewer may see it and the filters let it through."""
    return differences.of_homes(viewer, attach(found.snapshot), filters, found.differences)


@dataclass(frozen=True)
class Told:
    """What changed, for a viewer: `differences` as they may see them, homes by check, gravest risk and why
    with a column for each of differences.WHAT, and how many homes each of these is of."""

    snapshot: Snapshot
    differences: pa.Table = field(repr=False)
    by_check: pd.DataFrame = field(repr=False)
    by_gravest: pd.DataFrame = field(repr=False)
    by_why: pd.DataFrame = field(repr=False)
    homes: dict[str, int]


def told(viewer: Viewer, filters: Filters, found: Changed) -> Told:
    """What changed, counted, as far as the viewer may see it and the filters let it through."""
    snapshot, differing = attach(found.snapshot), seen(viewer, filters, found)
    return Told(
        snapshot,
        differing,
        differences.by_check(snapshot, differing),
        differences.by_gravest(snapshot, differing),
        differences.by_why(snapshot, differing),
        {
            what: differences.homes_count(snapshot, differing, differences.Part((what,)))
            for what in differences.WHAT
        },
    )


def as_json(viewer: Viewer, filters: Filters, found: Changed) -> dict:
    """The document: from, to, filters, remarks, and every difference."""
    return {
        "from": found.before.said,
        "to": found.after.said,
        "filters": filters.stated,
        "remarks": list(found.notes),
        "homes": differences.records(attach(found.snapshot), seen(viewer, filters, found)),
    }


def lines(viewer: Viewer, filters: Filters, found: Changed) -> Iterator[str]:
    """What changed, for a terminal: homes by what, by risk, by why."""
    counted = told(viewer, filters, found)
    yield f"from {called(found.before)} to {called(found.after)}: changes over loads, of when it was known"
    yield from found.notes
    if not counted.differences.num_rows:
        yield "nothing changed"
    for frame in (counted.by_gravest, counted.by_check, counted.by_why):
        for row in frame.to_dict("records"):
            counts = "  ".join(f"{name} {row[name]:,}" for name in differences.WHAT if row[name])
            yield f"{row['counted']:32} {counts}"


def called(side: Side) -> str:
    """How a moment is called: its snapshot's number, day, and names."""
    said = side.said
    number = "remade" if said["remade"] else f"snapshot {int(said['snapshot'][:8])}"
    return ", ".join((f"{said['day']} ({number})", *(repr(name) for name in said["names"])))


def usual(fleet: Fleet) -> tuple[str, str] | None:
    """The two moments that are compared unless asked otherwise, by number: the last one of the month before
    the newest, else the one before it, and the newest; None where fewer than two are kept."""
    there = moments.moments(fleet)
    if len(there) < 2:
        return None
    earlier = [one for one in there if one.state.when[:7] < there[-1].state.when[:7]]
    return str((earlier or there[:-1])[-1].number), str(there[-1].number)
