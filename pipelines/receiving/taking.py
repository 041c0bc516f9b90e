"""Decisions taken: held against what the snapshot says is open, then appended as one batch."""

from collections.abc import Iterable
from dataclasses import replace

from pipelines.engine.checks import BY_ID
from pipelines.fleet import decided
from pipelines.fleet.decided import Decision, Refused
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import folded

NEVER_FOR_ACT_TODAY = ("accepted", "deferred")
SAID_OF_VISITS = ("disputed", "upheld", "overturned", "reading struck")


def take(fleet: Fleet, snapshot: Snapshot, decisions: Iterable[Decision]) -> tuple[Decision, ...]:
    """Append decisions that hold together with a snapshot; Refused, and none appended, where one does not.

    The agency's name is put as the snapshot has it; a decision without a system, on a home
    with several, becomes one for each in which it is open.
    """
    return decided.append(fleet, [fitting for one in decisions for fitting in _fitting(fleet, snapshot, one)])


def _fitting(fleet: Fleet, snapshot: Snapshot, one: Decision) -> list[Decision]:
    decided.refuse(one)
    if one.what == "undone":
        return [_undoing(fleet, one)]
    agencies = snapshot.rows("SELECT agency FROM homes WHERE home_id = ?", [one.home_id])
    here = [agency for (agency,) in agencies if folded(agency) == folded(one.agency)]
    if not here:
        raise Refused(f"no home {one.home_id!r} of {one.agency!r}")
    one = replace(one, agency=here[0])
    if one.check_id and one.check_id not in BY_ID:
        raise Refused(f"no check called {one.check_id!r}; coldfill checks lists them")
    if one.measure:
        measures = [name for (name,) in snapshot.rows("SELECT measure_id FROM measures")]
        if one.measure not in measures:
            raise Refused(f"no measure called {one.measure!r}; there are {', '.join(measures)}")
    if one.what in SAID_OF_VISITS:
        return [one]
    opened = snapshot.rows(
        """
        SELECT DISTINCT system_id, risk
        FROM opened
        WHERE agency = ? AND home_id = ? AND ? IN ('', system_id) AND ? IN ('', check_id)""",
        [one.agency, one.home_id, one.system_id, one.check_id],
    )
    if not opened:
        what = BY_ID[one.check_id].title if one.check_id else "anything"
        raise Refused(f"home {one.home_id} of {one.agency} has not {what!r} open")
    if one.what in NEVER_FOR_ACT_TODAY and any(risk == "act today" for _, risk in opened):
        raise Refused(f"home {one.home_id}: what must be acted on today cannot be {one.what}")
    return [replace(one, system_id=system) for system in sorted({system for system, _ in opened})]


def _undoing(fleet: Fleet, one: Decision) -> Decision:
    """An undoing speaks of the home that the decision it takes back speaks of."""
    undone = {earlier.id: earlier for earlier in decided.read(fleet)}.get(int(one.undoes))
    if undone is None:
        raise Refused(f"there is no decision {one.undoes} to undo")
    if (folded(undone.agency), undone.home_id) != (folded(one.agency), one.home_id):
        raise Refused(f"decision {one.undoes} is of home {undone.home_id} of {undone.agency}")
    return replace(one, agency=undone.agency, system_id=undone.system_id, check_id=undone.check_id)
