"""Moments: what was open when a snapshot was published, a small file each in moments/, and names for them.

A file bears the name of its snapshot, so that it goes with a purge, and the first digits of its own hash, so
that `verify` proves it; when that was, and what it rests on, states.csv says. Names stand in moments.csv.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from pipelines.fleet.folder import SNAPSHOT_NAME, Fleet, State
from pipelines.fleet.logs import FleetError, Log, attempting, now_utc, write_all
from pipelines.fleet.private import private_folder, settle, temporary

if TYPE_CHECKING:
    import pyarrow as pa

DIGITS = 12
NAMED = re.compile(r"(\d{8}-[0-9a-f]{12})-([0-9a-f]{12})\.parquet", re.ASCII)
LIKE_A_NUMBER = re.compile(r"[0-9-]+", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class Name:
    """One line of moments.csv: a name for the moment of a snapshot; `number` counts lines from 1."""

    number: int
    at: str
    who: str
    name: str
    snapshot: str
    line_before: str = ""


@dataclass(frozen=True)
class Moment:
    """What was open when a snapshot was published: `state` is its line of states.csv, `path` the file."""

    state: State
    path: Path
    names: tuple[str, ...] = ()

    @property
    def number(self) -> int:
        return int(self.state.snapshot[:8])

    @property
    def day(self) -> date:
        """The day of the publishing, in UTC."""
        return date.fromisoformat(self.state.when[:10])


def log_of(fleet: Fleet) -> Log:
    """The log of names."""
    return Log(fleet.path / "moments.csv", tuple(field.name for field in fields(Name)), _wrong, pinned=True)


def _wrong(number: int, row: Mapping[str, str]) -> str | None:
    """What makes a row no line of moments.csv."""
    if row["number"] != str(number):
        return f"its number is '{row['number']}', not {number}"
    if not SNAPSHOT_NAME.fullmatch(row["snapshot"]):
        return f"'{row['snapshot']}' is no snapshot"
    return None


def names(fleet: Fleet) -> tuple[Name, ...]:
    """Every line in order; FleetError names one that is not as it was written."""
    rows: list[dict[str, Any]] = [*log_of(fleet).read()]
    return tuple(Name(**row | {"number": int(row["number"])}) for row in rows)


def moments(fleet: Fleet) -> tuple[Moment, ...]:
    """All that are kept, the oldest first."""
    states = {state.snapshot.removesuffix(".duckdb"): state for state in fleet.states()}
    called: dict[str, list[str]] = {}
    for one in names(fleet):
        called.setdefault(one.snapshot, []).append(one.name)
    return tuple(
        Moment(states[stem], path, tuple(called.get(states[stem].snapshot, ())))
        for stem, path in sorted(files(fleet).items())
        if stem in states
    )


def files(fleet: Fleet) -> dict[str, Path]:
    """The file of each snapshot's moment, by the snapshot's name without its ending."""
    folder = fleet.moments
    with attempting("read", folder):
        found = [path for path in folder.iterdir() if NAMED.fullmatch(path.name)] if folder.is_dir() else []
    return {path.name[:21]: path for path in sorted(found)}


def keep(fleet: Fleet, snapshot: str, table: pa.Table) -> Path:
    """Keep what was open in a snapshot, in the place of what was kept of it before."""
    import pyarrow.parquet as parquet

    stem = snapshot.removesuffix(".duckdb")
    buffer = io.BytesIO()
    parquet.write_table(table, buffer, compression="zstd")
    data = buffer.getvalue()
    target = fleet.moments / f"{stem}-{hashlib.sha256(data).hexdigest()[:DIGITS]}.parquet"
    before = files(fleet).get(stem)
    with attempting("keep a moment in", fleet.moments):
        private_folder(fleet.moments)
        with temporary(fleet.moments) as (handle, path):
            write_all(handle, data)
            settle(path, target)
    if before is not None and before != target:
        remove(before)
    return target


def remove(path: Path) -> None:
    """Delete the file of a moment."""
    with attempting("delete", path):
        path.unlink(missing_ok=True)


def read(path: Path) -> pa.Table:
    """What a file holds; FleetError where it is not as it was kept."""
    import pyarrow as pa
    import pyarrow.parquet as parquet

    with attempting("read", path):
        data = path.read_bytes()
    match = NAMED.fullmatch(path.name)
    if match is None or hashlib.sha256(data).hexdigest()[:DIGITS] != match[2]:
        raise FleetError(f"{path} is no moment as it was kept: put it back from a backup, or remove it.")
    return parquet.read_table(pa.BufferReader(data))


def give_name(fleet: Fleet, name: str, who: str = "") -> Moment:
    """Name the newest moment, so that it is kept for good and found again; the moment.

    FleetError where there is none, or another one has the name.
    """
    name = " ".join(name.split())
    if not name or LIKE_A_NUMBER.fullmatch(name):
        raise FleetError(f"{name!r} is no name: it needs a letter, as 'reported in June' has.")
    with log_of(fleet).locked():
        there = moments(fleet)
        if not there or there[-1].state.snapshot != getattr(fleet.current(), "name", None):
            raise FleetError(f"{fleet.path} keeps no moment of its current snapshot: run coldfill rebuild.")
        lines = names(fleet)
        for line in lines:
            if line.name.casefold() == name.casefold() and line.snapshot != there[-1].state.snapshot:
                raise FleetError(f"{line.snapshot} is called {line.name!r}: choose another name.")
        if name not in there[-1].names:
            said = {"name": name, "who": who, "snapshot": there[-1].state.snapshot}
            log_of(fleet).write([{"number": str(len(lines) + 1), "at": now_utc(), **said}])
    return moments(fleet)[-1]


def find(fleet: Fleet, asked: str) -> Moment:
    """A moment by the number of its snapshot, its name, or a day (the last one published by its end, in UTC).

    FleetError says which there are.
    """
    there = moments(fleet)
    if not there:
        raise FleetError(
            f"{fleet.path} keeps no moment yet: each load keeps one; coldfill rebuild does, too."
        )
    for one in there:
        if asked.casefold() in (name.casefold() for name in one.names):
            return one
    if asked.isdecimal():
        found = next((one for one in there if one.number == int(asked)), None)
    else:
        found = _by(there, asked)
    if found is None:
        kept = ", ".join(f"{one.number} ({one.day})" for one in there[-8:])
        named = "".join(f", {name!r}" for one in there for name in one.names)
        raise FleetError(f"{fleet.path} keeps no moment {asked!r}; the newest are {kept}{named}.")
    return found


def _by(there: tuple[Moment, ...], asked: str) -> Moment | None:
    """The last one published by the end of a day; None where that is no day, or none was."""
    try:
        day = date.fromisoformat(asked)
    except ValueError:
        return None
    return next((one for one in reversed(there) if one.day <= day), None)


def prune(fleet: Fleet, newest: int) -> None:
    """Let go what is neither among the newest, nor the last of its month, nor named."""
    there = moments(fleet)
    last = {one.state.when[:7]: one for one in there}.values()
    for one in there[:-newest]:
        if one not in last and not one.names:
            remove(one.path)


def faults(fleet: Fleet):
    """What is wrong with the files in moments/, a sentence each."""
    try:
        there = moments(fleet)
    except FleetError:  # said of the log itself
        return
    for one in there:
        try:
            read(one.path)
        except FleetError as error:
            yield str(error)
