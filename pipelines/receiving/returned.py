"""A list that came back filled in: what becomes of each of its rows, and recording those that are accepted.

Each row is accepted, refused with what would be accepted, or was recorded before: a list sent back twice
changes nothing. A row is held against what is open now; what changed at its home since the list left is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipelines.engine.checks import BY_ID
from pipelines.fleet import decided
from pipelines.fleet.decided import NEEDS, WAY_BACK, Decision, Refused
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import collapsed, folded, word_key
from pipelines.intake.encoding import ExportError
from pipelines.receiving import sent_back, taking
from pipelines.receiving.sent_back import KEY, TOLD, Entry, SentBack, day_of
from pipelines.receiving.statuses import A_DAY, STATUSES, Wrong, status_of

ACCEPTED, REFUSED, BEFORE, TWICE = "accepted", "refused", "recorded before", "filled in twice, alike"
MOST_ALIKE = 10  # rows of one deficiency that are held against each other
NOBODY_YET = "nobody yet"  # decides, as long as a list is only looked at


@dataclass(frozen=True)
class Row:
    """One filled-in row: where it stands, its home and check, its status, and what became of it (`verdict`).

    Of one refused: the heading and text that are not used, why, and what would be accepted. `decision` is
    what is, or was, recorded, `meanwhile` what else was decided on the same since the list left.
    """

    sheet: str
    line: int
    agency: str
    home_id: str
    system_id: str
    check_id: str
    status: str
    verdict: str
    heading: str = ""
    text: str = ""
    reason: str = ""
    expected: str = ""
    meanwhile: tuple[str, ...] = ()
    decision: Decision | None = None


@dataclass(frozen=True)
class Returned:
    """A list that came back, held against a snapshot of the fleet.

    `undecided` counts the deficiencies of the list whose row is not filled in, `hidden` the rows filled in
    that a filter hides; `changed` are (agency, home id, what) of homes that are not as the list has them.
    """

    file_name: str
    snapshot: str
    as_of: str
    now: str
    rows: tuple[Row, ...]
    undecided: int
    hidden: int
    changed: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]

    def of(self, verdict: str) -> tuple[Row, ...]:
        return tuple(row for row in self.rows if row.verdict == verdict)

    @property
    def usable(self) -> bool:
        """Whether any row says what can be, or was, recorded."""
        return any(row.verdict in (ACCEPTED, BEFORE) for row in self.rows)


@dataclass(frozen=True)
class _Now:
    """How a deficiency of a list stands now, days as 2026-03-01; `since` is empty where it is not open."""

    agency: str
    last_inspected_on: str
    since: str
    risk: str
    state: str
    stage: str
    inspection_id: str


def look(viewer: Any, fleet: Fleet, snapshot: Snapshot, path: Path) -> Returned:
    """What would become of a list that came back; nothing is written.

    ExportError where it is no list, or one that left from another fleet.
    """
    sent = sent_back.read(path)
    if sent.snapshot and sent.snapshot not in {
        state.snapshot.removesuffix(".duckdb") for state in fleet.states()
    }:
        wrong = f"it left with snapshot {sent.snapshot}, which is none of {fleet.path}"
        raise ExportError(sent.file_name, None, wrong, "a list that left from this fleet")
    log = decided.read(fleet)
    now = _as_it_is(viewer, snapshot, sent.entries)
    known = [entry for entry in sent.entries if not entry.damage]
    filled = [entry for entry in sent.entries if entry.filled]
    rows = _judged(snapshot, sent, filled, now, log)
    decided_on = {entry.key for entry in filled}
    return Returned(
        sent.file_name,
        sent.snapshot,
        sent.as_of,
        snapshot.name.removesuffix(".duckdb"),
        tuple(rows),
        len({entry.key for entry in known if any(entry.texts[name] for name in KEY)} - decided_on),
        sum(entry.hidden for entry in filled),
        tuple(_changed_homes(known, now, sent)),
        sent.notes,
    )


def record(
    viewer: Any, fleet: Fleet, snapshot: Snapshot, path: Path, by: str
) -> tuple[Returned, tuple[Decision, ...]]:
    """Record what a list that came back decides, as one batch; the list as it was before, and what was added.

    Rows refused are left out; what somebody recorded meanwhile is not recorded again.
    """
    if not by.strip():
        raise Refused("a decision needs who")
    found = look(viewer, fleet, snapshot, path)
    decisions = [replace(row.decision, who=by) for row in found.of(ACCEPTED) if row.decision]

    def wanting(log: Sequence[Decision], decisions: Sequence[Decision]) -> list[Decision]:
        before = _by_key(log)
        return [one for one in decisions if _recorded(one, before, found.as_of) is None]

    return found, decided.append(fleet, decisions, wanting)


# ---- each row


def _judged(
    snapshot: Snapshot,
    sent: SentBack,
    filled: Sequence[Entry],
    now: Mapping[tuple[str, ...], _Now],
    log: Sequence[Decision],
) -> list[Row]:
    fixes = {
        measure: text.split("; ") for measure, text in snapshot.rows("SELECT measure_id, fixes FROM measures")
    }
    before, groups = _by_key(log), _of_one(filled)
    rows: list[Row] = []
    for entry in filled:
        at = now.get(entry.key) if not entry.damage else None
        row, group = _row(entry, at), groups.get(entry.key, [entry])
        try:
            one = _decision(_combined(entry, group, sent.day_order), sent, at, fixes)
        except Wrong as wrong:
            row = _refused(row, wrong)
        else:
            if entry is not group[0]:
                row = replace(row, verdict=TWICE, reason=f"as {group[0].place}")
            else:
                row = replace(row, decision=one, meanwhile=_meanwhile(one, before, sent.as_of))
        rows.append(row)
    asked = [place for place, row in enumerate(rows) if row.verdict == ACCEPTED]
    decisions = [said for place in asked if (said := rows[place].decision) is not None]
    found = taking.fitting(snapshot, decisions, log)
    for place, became in zip(asked, found, strict=True):
        row = rows[place]
        if isinstance(became, Refused):
            rows[place] = _refused(row, Wrong("status", row.status, str(became)))
        elif (earlier := _recorded(row.decision, before, sent.as_of)) is not None:
            when = f"recorded as decision {earlier.id} on {earlier.at[:10]} by {earlier.who}"
            rows[place] = replace(row, verdict=BEFORE, reason=when, decision=earlier)
    return rows


def _row(entry: Entry, at: _Now | None) -> Row:
    agency = at.agency if at else entry.texts["agency"]
    home_id, system_id, check_id, status = (entry.texts[name] for name in (*KEY[1:], "status"))
    return Row(entry.sheet, entry.line, agency, home_id, system_id, check_id, status, ACCEPTED)


def _refused(row: Row, wrong: Wrong) -> Row:
    return replace(
        row,
        verdict=REFUSED,
        heading=wrong.heading,
        text=wrong.text,
        reason=wrong.reason,
        expected=wrong.expected,
        decision=None,
    )


def _decision(entry: Entry, sent: SentBack, at: _Now | None, fixes: Mapping[str, Sequence[str]]) -> Decision:
    """What a row says; Wrong where it cannot be told or cannot be."""
    texts = {name: entry.texts.get(name, "") for name in sent_back.READ}
    _refuse_unclear(entry, texts)
    said = status_of(texts["status"], texts["check_id"], fixes, sent.day_order)
    what = said["what"]
    done_on = day_of(texts["done_on"], sent.day_order)
    if texts["done_on"] and not done_on:
        raise Wrong("done_on", texts["done_on"], "no day, or one that could be two", A_DAY)
    for heading, there, needed in (("done_on", done_on, A_DAY), ("why", texts["why"], "a reason")):
        if heading in NEEDS.get(what, ()) and not there:
            raise Wrong(heading, "", f"{what} needs {heading.replace('_', ' ')}", needed)
    now = _open_now(texts, at, sent)
    return Decision(
        who=NOBODY_YET,
        agency=now.agency,
        home_id=texts["home_id"],
        system_id=texts["system_id"],
        check_id=texts["check_id"],
        inspection_id=now.inspection_id if what in taking.SAID_OF_VISITS else "",
        what=what,
        measure=said["measure"],
        done_on=done_on,
        done_by=collapsed(texts["done_by"]),
        reading_after=collapsed(texts["reading_after"]),
        to=said["to"],
        until=said["until"],
        why=collapsed(texts["why"]),
    )


def _refuse_unclear(entry: Entry, texts: Mapping[str, str]) -> None:
    """Wrong where nobody can tell what stands in a row, or of what it speaks."""
    if entry.damage:
        raise Wrong("", "", *entry.damage.split("; accepted: ", 1))
    if entry.merged:
        heading = min(entry.merged, key=WAY_BACK.index)
        wrong = "one cell stands for several rows: nobody can tell which are meant"
        raise Wrong(heading, texts[heading], wrong, "a cell of its own in each row")
    for heading in sorted(entry.formulas & {*KEY, *WAY_BACK}):
        raise Wrong(heading, texts[heading], "a formula, which is not worked out here", "what it stands for")
    heading = next(name for name in WAY_BACK if texts[name])
    if not (texts["agency"] and texts["home_id"] and texts["check_id"]):
        wrong = "the row names no agency, home and check: it is none of the list"
        raise Wrong(heading, texts[heading], wrong, "these cells filled in on a row of the list")
    if not texts["status"]:
        raise Wrong(heading, texts[heading], "filled in where status is empty", f"a status: {STATUSES}")


def _open_now(texts: Mapping[str, str], at: _Now | None, sent: SentBack) -> _Now:
    """How what a row speaks of stands; Wrong where that is not what is open."""
    if texts["check_id"] not in BY_ID:
        raise Wrong("check_id", texts["check_id"], "no check of this name", "the check_id that the list has")
    if at is None:
        wrong = f"no such home of {texts['agency']}"
        raise Wrong("home_id", texts["home_id"], wrong, "agency and home_id as the list has them")
    if not at.since:
        wrong = f"not open any more; last visit {at.last_inspected_on}"
        raise Wrong("check_id", texts["check_id"], wrong, "a row of a newer list")
    since = day_of(texts["since"], sent.day_order)
    if since and since != at.since:
        wrong = f"another finding than the list has: this one is open since {at.since}"
        raise Wrong("since", texts["since"], wrong, "a row of a newer list")
    return at


def _of_one(filled: Sequence[Entry]) -> dict[tuple[str, ...], list[Entry]]:
    """The filled-in rows of each deficiency, but for those of which nobody can tell what they say."""
    found: dict[tuple[str, ...], list[Entry]] = {}
    for entry in filled:
        if not (entry.damage or entry.merged or entry.formulas):
            found.setdefault(entry.key, []).append(entry)
    return found


def _combined(entry: Entry, group: Sequence[Entry], order: str) -> Entry:
    """A row with what other rows of the same deficiency add; Wrong where one says otherwise."""
    if entry not in group or len(group) == 1:
        return entry
    if len(group) > MOST_ALIKE:
        wrong = f"{len(group):,} rows are filled in for the same deficiency"
        raise Wrong("status", entry.texts["status"], wrong, "one row filled in")
    texts = dict(entry.texts)
    for other in group:
        for heading in WAY_BACK:
            one, two = texts.get(heading, ""), other.texts.get(heading, "")
            if one and two and word_key(day_of(one, order) or one) != word_key(day_of(two, order) or two):
                wrong = f"{other.place} says otherwise of the same: {two!r}"
                raise Wrong(heading, one, wrong, "the same on both, or one of them empty")
            texts[heading] = one or two
    return replace(entry, texts=texts)


def _saying(one: Decision | None) -> tuple[str, ...]:
    """All that a decision says, whoever said it and whenever."""
    said = vars(one).items() if one else ()
    return tuple(str(value) for name, value in said if name not in ("id", "at", "who", "line_before"))


# ---- what was decided before


def _key(one: Decision) -> tuple[str, ...]:
    return folded(one.agency), one.home_id, one.system_id, one.check_id


def _by_key(log: Iterable[Decision]) -> dict[tuple[str, ...], list[Decision]]:
    found: dict[tuple[str, ...], list[Decision]] = {}
    for one in log:
        found.setdefault(_key(one), []).append(one)
    return found


def _recorded(
    one: Decision | None, before: Mapping[tuple[str, ...], Sequence[Decision]], as_of: str
) -> Decision | None:
    """The line that says the same since the list left; of a list that does not say when, any line."""
    if one is None:
        return None
    said = _saying(one)
    return next(
        (
            earlier
            for earlier in reversed(before.get(_key(one), ()))
            if _saying(earlier) == said and _day_in_the_east(earlier) >= as_of
        ),
        None,
    )


def _meanwhile(
    one: Decision, before: Mapping[tuple[str, ...], Sequence[Decision]], as_of: str
) -> tuple[str, ...]:
    """What else was decided on the same since the day on which a list left."""
    said = _saying(one)
    return tuple(
        f"{earlier.what} by {earlier.who} on {earlier.at[:10]}"
        for earlier in before.get(_key(one), ())
        if as_of and _saying(earlier) != said and _day_in_the_east(earlier) >= as_of
    )


def _day_in_the_east(one: Decision) -> str:
    """The day of a decision where the day begins first."""
    return (datetime.fromisoformat(one.at) + timedelta(hours=14)).date().isoformat()


# ---- how it is now


def _as_it_is(viewer: Any, snapshot: Snapshot, entries: Sequence[Entry]) -> dict[tuple[str, ...], _Now]:
    """How each deficiency of a list stands now, by its key; none where the viewer sees no such home."""
    agencies = {folded(name): name for (name,) in snapshot.rows("SELECT DISTINCT agency FROM homes")}
    if viewer.agencies is not None:
        seen = set(map(folded, viewer.agencies))
        agencies = {key: name for key, name in agencies.items() if key in seen}
    keys = sorted({entry.key for entry in entries if not entry.damage and entry.key[0] in agencies})
    columns = list(zip(*keys, strict=True)) or [()] * len(KEY)
    texts = {name: pa.array(list(values), pa.string()) for name, values in zip(KEY, columns, strict=True)}
    asked = {"place": pa.array(range(len(keys)), pa.int64())} | texts
    asked["agency"] = pa.array([agencies[key[0]] for key in keys], pa.string())
    found = snapshot.rows(
        """
        SELECT k.place, h.agency, h.last_inspected_on, o.since, o.risk, o.state, o.stage, o.inspection_id
        FROM keys AS k
        JOIN homes AS h ON h.agency = k.agency AND h.home_id = k.home_id
        LEFT JOIN opened AS o
            ON o.agency = k.agency AND o.home_id = k.home_id AND o.system_id = k.system_id
            AND o.check_id = k.check_id""",
        keys=pa.table(asked),
    )
    return {keys[place]: _Now(*map(_text, of_row)) for place, *of_row in found}


def _text(value: object) -> str:
    return value.isoformat() if isinstance(value, date) else str(value or "")


def _changed(entry: Entry, at: _Now | None, sent: SentBack) -> tuple[str, ...]:
    """What of a row is not as it was when the list left."""
    if at is None:
        return ("no such home any more",)
    said = [] if at.since else [f"not open any more: {BY_ID[entry.texts['check_id']].title}"]
    for name in TOLD:
        told, now = entry.texts.get(name, ""), getattr(at, name)
        told = day_of(told, sent.day_order) if name in sent_back.LISTED_DAYS else folded(told)
        if told and now and told != folded(now):
            said.append(f"{name.replace('_', ' ')} {now}, {told} on the list")
    return tuple(said)


def _changed_homes(
    entries: Sequence[Entry], now: Mapping[tuple[str, ...], _Now], sent: SentBack
) -> list[tuple[str, str, str]]:
    """(agency, home id, what) of the homes that are not as the list has them, in the list's order."""
    found: dict[tuple[str, str], dict[str, None]] = {}
    for entry in entries:
        if entry.texts["home_id"] and entry.texts["check_id"] in BY_ID:
            at = now.get(entry.key)
            agency = at.agency if at else entry.texts["agency"]
            for what in _changed(entry, at, sent):
                found.setdefault((agency, entry.texts["home_id"]), {})[what] = None
    return [(agency, home, "; ".join(what)) for (agency, home), what in found.items()]
