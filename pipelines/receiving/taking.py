"""Decisions taken: held against what the snapshot says is open, then appended as one batch."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

import pyarrow as pa

from pipelines.engine.checks import BY_ID
from pipelines.fleet import decided
from pipelines.fleet.decided import Decision, Refused
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import now_in
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import folded
from pipelines.intake.privacy import personal_in

NEVER_FOR_ACT_TODAY = ("accepted", "deferred")
SAID_OF_VISITS = ("disputed", "upheld", "overturned", "reading struck")
FREE_TEXTS = ("done_by", "reading_after", "to", "why")
LONGEST = 1_000  # letters of a free text


def take(fleet: Fleet, snapshot: Snapshot, decisions: Iterable[Decision]) -> tuple[Decision, ...]:
    """Append decisions that hold together with a snapshot; Refused, and none appended, where one does not.

    The agency's name is put as the snapshot has it; a decision without a system, on a home
    with several, becomes one for each in which it is open.
    """
    taken: list[Decision] = []
    for found in fitting(snapshot, tuple(decisions), decided.read(fleet)):
        if isinstance(found, Refused):
            raise found
        taken += found
    return decided.append(fleet, taken)


def fitting(
    snapshot: Snapshot, decisions: Sequence[Decision], log: Sequence[Decision]
) -> list[list[Decision] | Refused]:
    """What each decision becomes, or why it is refused; `log` is what was decided before."""
    agencies = {folded(name): name for (name,) in snapshot.rows("SELECT DISTINCT agency FROM homes")}
    known = [replace(one, agency=agencies.get(folded(one.agency), one.agency)) for one in decisions]
    measures = [name for (name,) in snapshot.rows("SELECT measure_id FROM measures")]
    earlier, now = {one.id: one for one in log}, now_in(snapshot.path.parent.parent)
    found: list[list[Decision] | Refused] = []
    for one, (there, opened) in zip(known, _open_at(snapshot, known), strict=True):
        try:
            _refuse_texts(one, now)
            if one.what == "undone":
                found.append([_undoing(earlier, one)])
            else:
                found.append(_on_what_is_open(one, there, opened, measures))
        except Refused as refused:
            found.append(refused)
    return found


def _open_at(snapshot: Snapshot, decisions: Sequence[Decision]) -> list[tuple[bool, set[tuple[str, str]]]]:
    """For each decision: whether there is its home, and (system, risk) of what it speaks of and is open."""
    names = ("agency", "home_id", "system_id", "check_id")
    texts = {name: pa.array([getattr(one, name) for one in decisions], pa.string()) for name in names}
    rows = snapshot.rows(
        """
        SELECT k.place, o.system_id, o.risk
        FROM keys AS k
        JOIN homes AS h ON h.agency = k.agency AND h.home_id = k.home_id
        LEFT JOIN opened AS o
            ON o.agency = k.agency AND o.home_id = k.home_id
            AND k.system_id IN ('', o.system_id) AND k.check_id IN ('', o.check_id)""",
        keys=pa.table({"place": pa.array(range(len(decisions)), pa.int64()), **texts}),
    )
    found: list[tuple[bool, set[tuple[str, str]]]] = [(False, set()) for _ in decisions]
    for place, system, risk in rows:
        found[place] = True, found[place][1] | ({(system, risk)} if system is not None else set())
    return found


def on_no_home(snapshot: Snapshot, decisions: Sequence[Decision]) -> int:
    """How many decisions speak of a home that a snapshot has not."""
    return sum(not there for there, _ in _open_at(snapshot, decisions))


def _refuse_texts(one: Decision, now: datetime) -> None:
    """Refused where a decision lacks what its kind needs, or says what must not be kept."""
    decided.refuse(one)
    for name in FREE_TEXTS:
        text = getattr(one, name)
        called = name.replace("_", " ")
        if len(text) > LONGEST:
            raise Refused(f"{called} has {len(text):,} letters; up to {LONGEST:,} are kept")
        if personal := personal_in(text):
            raise Refused(
                f"{called} looks as if it held {personal}: a decision is never deleted, so leave that out"
            )
    taken = datetime.fromisoformat(one.at) if one.at else now
    if one.done_on > (taken + timedelta(hours=14)).date().isoformat():
        raise Refused(f"done on {one.done_on} lies ahead; a day that has come is needed")
    if one.until and one.until < (taken - timedelta(hours=12)).date().isoformat():
        raise Refused(f"until {one.until} lies behind; a day to come is needed")


def _on_what_is_open(
    one: Decision, there: bool, opened: set[tuple[str, str]], measures: Sequence[str]
) -> list[Decision]:
    """A decision for each system in which what it speaks of is open, as `_open_at` found them."""
    if not there:
        raise Refused(f"no home {one.home_id!r} of {one.agency!r}")
    if one.check_id and one.check_id not in BY_ID:
        raise Refused(f"no check called {one.check_id!r}; coldfill checks lists them")
    if one.measure and one.measure not in measures:
        raise Refused(f"no measure called {one.measure!r}; there are {', '.join(measures)}")
    if one.what in SAID_OF_VISITS:
        return [one]
    if not opened:
        what = BY_ID[one.check_id].title if one.check_id else "anything"
        raise Refused(f"home {one.home_id} of {one.agency} has not {what!r} open")
    if one.what in NEVER_FOR_ACT_TODAY and any(risk == "act today" for _, risk in opened):
        raise Refused(f"home {one.home_id}: what must be acted on today cannot be {one.what}")
    return [replace(one, system_id=system) for system in sorted({system for system, _ in opened})]


def _undoing(earlier: dict[int, Decision], one: Decision) -> Decision:
    """An undoing speaks of the home that the decision it takes back speaks of."""
    undone = earlier.get(int(one.undoes))
    if undone is None:
        raise Refused(f"there is no decision {one.undoes} to undo")
    if (folded(undone.agency), undone.home_id) != (folded(one.agency), one.home_id):
        raise Refused(f"decision {one.undoes} is of home {undone.home_id} of {undone.agency}")
    return replace(one, agency=undone.agency, system_id=undone.system_id, check_id=undone.check_id)
