"""The log of decisions on what is open, a line each; one is undone by another line, never by deletion.

A decision rests on no snapshot and no snapshot rests on it: `answers.decisions` lays it over one when asked.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import date
from functools import lru_cache
from typing import Any

from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import Log, as_logged, now_in

WHAT = (
    *("seen", "ordered", "done", "accepted", "deferred", "referred", "refused", "no access", "assigned"),
    *("disputed", "upheld", "overturned", "reading struck", "undone"),
)
NEEDS = {
    "ordered": ("measure",),
    "done": ("done_on",),
    "accepted": ("why", "until"),
    "deferred": ("why", "until"),
    "referred": ("to",),
    "refused": ("why",),
    "assigned": ("to",),
    "disputed": ("why",),
    "overturned": ("why",),
    "reading struck": ("why",),
    "undone": ("undoes",),
}
# What a list that comes back says of each row; `status` takes the words of WHAT.
WAY_BACK = ("status", "done_on", "done_by", "reading_after", "why")
DAYS = ("done_on", "until")
MOMENT = re.compile(r"\d{4}-\d\d-\d\dT([01]\d|2[0-3]):[0-5]\d:[0-5]\dZ", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class Decision:
    """One line of decisions.csv; `id` counts lines from 1, 0 until it is appended; days are ISO, '' for none.

    `check_id` empty speaks of everything open at the system, `system_id` of a home with one system is empty.
    """

    id: int = 0
    at: str = ""
    who: str
    agency: str
    home_id: str
    system_id: str = ""
    check_id: str = ""
    inspection_id: str = ""
    what: str
    measure: str = ""
    done_on: str = ""
    done_by: str = ""
    reading_after: str = ""
    to: str = ""
    until: str = ""
    why: str = ""
    undoes: str = ""
    line_before: str = ""


class Refused(ValueError):
    """A decision that cannot be taken; the message says what would be."""


def log_of(fleet: Fleet) -> Log:
    """The log of a fleet's decisions."""
    return Log(
        fleet.path / "decisions.csv", tuple(field.name for field in fields(Decision)), _wrong, pinned=True
    )


def _wrong(number: int, row: Mapping[str, str]) -> str | None:
    """What makes a row no line of decisions.csv."""
    if row["id"] != str(number):
        return f"its id is '{row['id']}', not {number}"
    if row["what"] not in WHAT:
        return f"what '{row['what']}' is none of {', '.join(WHAT)}"
    if not MOMENT.fullmatch(row["at"]) or _day(row["at"][:10]) is None:
        return f"at '{row['at']}' is no time as 2026-03-01T12:00:00Z"
    for name in DAYS:
        if row[name] and _day(row[name]) is None:
            return f"{name} '{row[name]}' is no day as 2026-03-01"
    if row["undoes"] and not 0 < int(row["undoes"] if row["undoes"].isdecimal() else 0) < number:
        return f"it undoes '{row['undoes']}', which is no earlier line"
    return None


def stamp(fleet: Fleet) -> tuple[int, int]:
    """What changes whenever a decision is appended: length and time of the log; (0, 0) without one."""
    try:
        found = log_of(fleet).path.stat()
    except FileNotFoundError:
        return 0, 0
    return found.st_size, found.st_mtime_ns


def read(fleet: Fleet) -> tuple[Decision, ...]:
    """Every decision in order; FleetError names a line that is not as it was written."""
    stamped = stamp(fleet)
    return _read(str(fleet.path), stamped) if any(stamped) else _read.__wrapped__(str(fleet.path), stamped)


@lru_cache(maxsize=4)
def _read(folder: str, stamped: tuple[int, int]) -> tuple[Decision, ...]:
    rows: list[dict[str, Any]] = [*log_of(Fleet(folder)).read()]
    return tuple(Decision(**row | {"id": int(row["id"])}) for row in rows)


def append(
    fleet: Fleet,
    decisions: Iterable[Decision],
    wanting: Callable[[Sequence[Decision], Sequence[Decision]], Sequence[Decision]] | None = None,
) -> tuple[Decision, ...]:
    """Append decisions as one batch, on the disk when this returns; they are given their ids and time.

    All of them or, where a run dies, none. Refused, and nothing appended, where one says what cannot be said.
    `wanting`, given the log as nobody else can change it and the decisions, picks those it still lacks.
    """
    decisions = tuple(decisions)
    log = log_of(fleet)
    with log.locked():
        there = read(fleet)
        if wanting:
            decisions = tuple(wanting(there, decisions))
        now = as_logged(now_in(fleet.path))
        stamped = [
            replace(one, id=number, at=one.at or now)
            for number, one in enumerate(decisions, start=len(there) + 1)
        ]
        for one in stamped:
            refuse(one)
        written = log.write([{**vars(one)} for one in stamped], as_one=True)
    return tuple(
        replace(one, line_before=row["line_before"]) for one, row in zip(stamped, written, strict=True)
    )


def refuse(one: Decision) -> None:
    """Refused where a decision lacks what its kind needs, or says it in a way that is not understood."""
    if one.what not in WHAT:
        raise Refused(f"no decision {one.what!r}; there are {', '.join(WHAT)}")
    for name in ("who", "agency", "home_id"):
        if not getattr(one, name).strip():
            raise Refused(f"a decision needs {name.replace('_', ' ')}")
    for name in NEEDS.get(one.what, ()):
        if not getattr(one, name).strip():
            raise Refused(f"{one.what} needs {name.replace('_', ' ')}")
    for name in DAYS:
        if getattr(one, name) and _day(getattr(one, name)) is None:
            raise Refused(f"{name.replace('_', ' ')} needs a day as 2026-03-01, not {getattr(one, name)!r}")
    if one.undoes and (not one.undoes.isdecimal() or not 0 < int(one.undoes) < (one.id or int(1e18))):
        raise Refused(f"there is no earlier decision {one.undoes!r} to undo")


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if len(text) == 10 else None
    except ValueError:
        return None
