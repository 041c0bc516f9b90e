"""The fleet folder: exports as received, append-only logs, locks and DuckDB snapshots.

What happened is what the logs say: a line is an event once its line end is on the disk, and a last line
without one never happened. A snapshot is a whole file under its final name or it is nothing. So a run may be
killed at any moment: what was committed stays, readers go on with the snapshot they have, and the next load
takes up where the log stands.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
import shutil
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, suppress
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from pipelines.fleet.logs import (
    FleetError,
    Log,
    attempting,
    clean,
    is_locked,
    now_utc,
    sync,
    write_all,
)
from pipelines.fleet.private import close_to_others, private_folder, settle, temporary

# Names in a fleet's folder that are its own.
PARTS = {"exports", "inputs", "mappings", "snapshots", "moments", "samples", "lists", ".uploads"} | {
    *("policy.toml", "funds.toml", "access.toml", "places.csv", "crews.csv", "events.csv", "activity.csv"),
    *("received.csv", "states.csv", "decisions.csv", "adopted.csv", "moments.csv", "contacts.csv"),
}
STATUSES = ("loaded", "kept out", "purged", "lost")
SNAPSHOT_NAME = re.compile(r"(\d{8})-([0-9a-f]{12})\.duckdb", re.ASCII)
SHA256 = re.compile(r"[0-9a-f]{64}")
HEADERS_BYTES = 3 << 12  # of a DuckDB file: its own, and those of its last two checkpoints
LEFTOVER_AGE_S = 3600.0  # a copy nobody has written to for so long belongs to a run that died


def hash_of_file(path: Path) -> str:
    """SHA-256 of a file's bytes."""
    with attempting("read", path), open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def hash_of_head(path: Path) -> str:
    """SHA-256 of the headers of a DuckDB file, one of which every change writes anew."""
    with attempting("read", path), open(path, "rb") as file:
        return hashlib.sha256(file.read(HEADERS_BYTES)).hexdigest()


def safe_name(file_name: str) -> str:
    """A file's own name for use in another: ASCII letters, digits, dots, dashes, underscores, at most 100."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "_", re.split(r"[/\\]", file_name)[-1]).strip("._-") or "export"
    return name if len(name) <= 100 else name[:80] + name[-20:]


@dataclass(frozen=True, kw_only=True)
class LogLine:
    """One line of received.csv: what became of one file at one load.

    `number` counts lines from 1; a new line has 0 until it is appended, and an empty `when` becomes the
    moment of it. `sha256` is of the bytes as stored, `sha256_received` of those that came (they differ where
    columns were dropped at the door: `dropped_headings`). `mapping_sha256` is of the mapping's text, '' if
    none was used.
    """

    number: int = 0
    when: str = ""
    sha256: str
    sha256_received: str
    dropped_headings: str = ""
    file_name: str
    mapping: str = ""
    mapping_sha256: str = ""
    agency: str = ""
    status: str
    why: str = ""
    by_whom: str = ""
    line_before: str = ""


def _wrong_line(number: int, row: Mapping[str, Any]) -> str | None:
    """What makes a row no line of received.csv."""
    if row["number"] != str(number):
        return f"its number is '{row['number']}', not {number}"
    if not SHA256.fullmatch(row["sha256"]):
        return f"sha256 '{row['sha256']}' is not 64 hexadecimal digits"
    if row["status"] not in STATUSES:
        return f"status '{row['status']}' is none of {', '.join(STATUSES)}"
    return None


@dataclass(frozen=True, kw_only=True)
class Received(LogLine):
    """One export as it stands: the last line of the bytes received, and of the first its number and time."""

    export_id: int
    received_at: str = ""


@dataclass(frozen=True)
class State:
    """One snapshot as published: made from `log_length` lines of received.csv and `inputs` (name: hash).

    `log_hash` is the hash of the last of these lines, and so of all of them. `sha256` and `sha256_head` are
    of the snapshot's file, '' where an older version wrote the line.
    """

    snapshot: str
    log_length: int
    inputs: dict[str, str]
    code_version: str
    when: str
    pinned_name: str = ""
    log_hash: str = ""
    sha256: str = ""
    sha256_head: str = ""
    line_before: str = ""


def _wrong_state(number: int, row: Mapping[str, Any]) -> str | None:
    """What makes a row no line of states.csv."""
    if not SNAPSHOT_NAME.fullmatch(row["snapshot"]) or not row["log_length"].isdecimal():
        return "it names no snapshot, or no length of the log"
    return None


class Fleet:
    """A fleet folder. Nothing is read or made until asked; a folder that is not there is an empty fleet."""

    def __init__(self, path: Path | str):
        self.path = Path(path)
        self.exports = self.path / "exports"
        self.inputs = self.path / "inputs"
        self.mappings = self.path / "mappings"
        self.lists = self.path / "lists"
        self.samples = self.path / "samples"
        self.moments = self.path / "moments"
        self.policy = self.path / "policy.toml"
        self.places = self.path / "places.csv"
        self.crews = self.path / "crews.csv"
        self.events = self.path / "events.csv"
        self.contacts = self.path / "contacts.csv"
        self.snapshots_folder = self.path / "snapshots"
        self.received_log = Log(self.path / "received.csv", _names(LogLine), _wrong_line, once=12)
        self.states_log = Log(self.path / "states.csv", _names(State), _wrong_state, once=6)
        self.load_lock = self.path / ".load.lock"
        self.build_lock = self.path / ".build.lock"
        self.purging = self.path / ".purging"  # there as long as a purge is not finished

    def exists(self) -> bool:
        return self.path.is_dir()

    def create(self) -> Fleet:
        """Make the folder and its rooms where they are missing; FleetError if it cannot be written to."""
        if self.path.exists() and not self.path.is_dir():
            raise FleetError(
                f"{self.path} is a file, not a folder: name a folder for the fleet with --fleet."
            )
        if "?" in str(self.path.resolve()):
            raise FleetError(
                f"No snapshot can be written in {self.path.resolve()}, since there is a ? in it: "
                "name another folder with --fleet."
            )
        with attempting("write in", self.path):
            private_folder(self.path)
        for folder in self._rooms():
            with attempting("write in", folder):
                private_folder(folder)
                with temporary(folder):
                    pass
        self._close_to_others()
        return self

    def _rooms(self) -> tuple[Path, ...]:
        return self.exports, self.inputs, self.mappings, self.snapshots_folder

    def _close_to_others(self) -> None:
        """Only its owner has rights to what is in a fleet; a folder with other things in it keeps its own."""
        with attempting("read", self.path):
            there = list(self.path.iterdir())
            own = [path for path in there if path.name in PARTS or path.suffix == ".lock"]
            if all(path in own or path.name.startswith(".") for path in there):
                own.append(self.path)
            rooms = [*self._rooms(), *filter(Path.is_dir, (self.moments, self.lists, self.samples))]
            close_to_others([*own, *(path for room in rooms for path in room.iterdir())])

    def wait_for_disk(self) -> None:
        """What a run that died wrote and did not wait for is on the disk before anything rests on it."""
        logs = (log.path for log in (self.received_log, self.states_log) if log.path.exists())
        for path in (self.exports, self.inputs, self.snapshots_folder, self.path, *logs):
            with attempting("write in", path):
                sync(path)

    def status(self) -> dict[str, Any]:
        """The current snapshot, how many lines the log is ahead of it, whether a load is at work.

        `ahead` is None where states.csv says nothing of the current snapshot; `loading` is None where no lock
        can be tried, as in a folder open for reading only.
        """
        if not self.exists():
            raise FleetError(
                f"There is no fleet at {self.path}: load an export first, or name another with --fleet."
            )
        current = self.current()
        state = self.state_of(current) if current else None
        log = self.log()
        used = state.log_length if state else None if current else 0
        return {
            "fleet": str(self.path),
            "snapshot": current.name if current else None,
            "published": state.when if state else None,
            "log_length": len(log),
            "ahead": None if used is None else len(log) - used,
            "loading": is_locked(self.build_lock),
            "newest_received": {"file_name": log[-1].file_name, "when": log[-1].when} if log else None,
            "exports_without_line": self.exports_without_line(),
            "lines_without_export": [one.file_name for one in self.lines_without_export(log)],
        }

    # Exports and inputs

    def keep(self, source: Path | str, file_name: str) -> tuple[str, Path]:
        """Copy a file into exports/, once for the same bytes, and return its SHA-256 and where it lies.

        The name is the hash and `file_name` made safe; the first name under which bytes came stands.
        """
        digest = hashlib.sha256()
        with ExitStack() as closing:
            with attempting("read", source):
                reading = closing.enter_context(open(source, "rb"))
            closing.enter_context(attempting("keep a copy in", self.exports))
            handle, path = closing.enter_context(temporary(self.exports))
            with ThreadPoolExecutor(1) as pool:  # a block is hashed while it is written
                while block := _block(reading):
                    hashing = pool.submit(digest.update, block)
                    write_all(handle, block)
                    hashing.result()
            sha256 = digest.hexdigest()
            kept = self._find_export(sha256)
            if kept is None or hash_of_file(kept) != sha256:
                kept = kept or self.exports / f"{sha256}-{safe_name(file_name)}"
                settle(path, kept)
        return sha256, kept

    def _find_export(self, sha256: str) -> Path | None:
        return min(self.exports.glob(f"{sha256}-*"), default=None)

    def export_path(self, sha256: str) -> Path:
        """Where the bytes of a hash lie; FleetError if they are gone."""
        if (found := self._find_export(sha256)) is None:
            raise FleetError(
                f"{self.exports} no longer holds {sha256}: put the file back from a backup; "
                f"coldfill rebuild --without {sha256[:12]} goes on without it."
            )
        return found

    def stored(self) -> dict[str, str]:
        """Hash that its name says, or '', of each file in exports/."""
        with attempting("read", self.exports):
            names = sorted(os.listdir(self.exports)) if self.exports.is_dir() else []
        return {
            name: name[:64] if SHA256.match(name) and name[64:65] == "-" else ""
            for name in names
            if not name.startswith(".incoming-")
        }

    def exports_without_line(self) -> list[str]:
        """Names of files in exports/ that no line names: a load that died left them, or lines are lost."""
        named = {row["sha256"] for row in self.received_log.read()}
        return [name for name, sha256 in self.stored().items() if sha256 not in named]

    def lines_without_export(self, log: Iterable[LogLine]) -> list[Received]:
        """Loaded exports of which exports/ holds no copy any more."""
        there = set(self.stored().values())
        return [one for one in self.received(log) if one.status == "loaded" and one.sha256 not in there]

    def clear_incoming(self) -> None:
        """Remove what dead runs left half copied in exports/; the lock of loads must be held."""
        for path in self.exports.glob(".incoming-*"):
            with suppress(OSError):
                path.unlink()

    def remove_export(self, sha256: str) -> None:
        """Delete the bytes of a hash, if they are there (for `purge`, once its line is in the log)."""
        for path in self.exports.glob(f"{sha256}-*"):
            with attempting("delete", path):
                path.unlink(missing_ok=True)

    def keep_input(self, text: str | bytes) -> str:
        """Keep the text of a mapping, policy or table under the SHA-256 of its UTF-8, which is returned."""
        data = text if isinstance(text, bytes) else text.encode()
        sha256 = hashlib.sha256(data).hexdigest()
        target = self.inputs / sha256
        with attempting("keep a copy in", self.inputs):
            if not target.exists() or target.stat().st_size != len(data):
                with temporary(self.inputs) as (handle, path):
                    write_all(handle, data)
                    settle(path, target)
        return sha256

    def input_text(self, sha256: str) -> str:
        """The text kept under a hash; FleetError if it is gone or no longer the same."""
        return self.input_bytes(sha256).decode()

    def input_bytes(self, sha256: str) -> bytes:
        """The same as bytes, as they were kept."""
        path = self.inputs / sha256
        with attempting("read", path):
            data = path.read_bytes()
        if hashlib.sha256(data).hexdigest() != sha256:
            raise FleetError(f"{path} was changed after it was kept: put it back from a backup.")
        return data

    # The log of what was received

    def log(self) -> tuple[LogLine, ...]:
        """All lines of received.csv in order; FleetError where some are gone that a snapshot rests on."""
        # First what was published, then the log: whoever loads meanwhile makes only the log longer.
        states = self.states()
        lines = tuple(_line_of(row) for row in self.received_log.read())
        self._demand_whole(lines, states)
        return lines

    def _demand_whole(self, lines: tuple[LogLine, ...], states: tuple[State, ...]) -> None:
        hashes = [line.line_before for line in lines[1:]]
        hashes += [self.received_log.hash_of(vars(line)) for line in lines[-1:]]
        path = self.received_log.path
        remedy = (
            f"put {path.name} back from a backup; where there is none, move states.csv and snapshots away "
            f"and load the files in {self.exports} again"
        )
        longest = max(states, key=lambda state: state.log_length, default=None)
        if longest is not None and longest.log_length > len(lines):
            raise FleetError(
                f"{path} has {len(lines):,} lines, but {longest.snapshot} was made from "
                f"{longest.log_length:,}: {remedy}."
            )
        for state in states:
            if state.log_hash and state.log_hash != hashes[state.log_length - 1]:
                raise FleetError(
                    f"{path}, line {state.log_length + 1}, is not the one {state.snapshot} was made from: "
                    f"{remedy}."
                )

    def append(self, lines: Iterable[LogLine]) -> tuple[LogLine, ...]:
        """Commit lines to received.csv and return them as written, numbered, with `when` filled in."""
        with self.received_log.locked():
            self.demand_states()
            rows = []
            for number, line in enumerate(lines, start=len(self.log()) + 1):
                rows.append(vars(line) | {"number": str(number), "when": line.when or now_utc()})
                if why := _wrong_line(number, rows[-1]):
                    raise ValueError(f"not a line of received.csv: {why}")
            return tuple(_line_of(row) for row in self.received_log.write(rows))

    def received(self, log: Iterable[LogLine] | None = None) -> tuple[Received, ...]:
        """One record per export in order of `export_id`, from the whole log or from the lines given.

        An export is the bytes as received: what is dropped from them may change from one line to the next.
        """
        first: dict[str, LogLine] = {}
        last: dict[str, LogLine] = {}
        for line in self.log() if log is None else log:
            first.setdefault(line.sha256_received, line)
            last[line.sha256_received] = line
        return tuple(
            Received(**vars(last[sha256]), export_id=line.number, received_at=line.when)
            for sha256, line in first.items()
        )

    # Snapshots

    def snapshots(self) -> tuple[Path, ...]:
        """Complete snapshots, oldest first."""
        with attempting("read", self.snapshots_folder):
            names = os.listdir(self.snapshots_folder) if self.snapshots_folder.is_dir() else []
        return tuple(self.snapshots_folder / name for name in sorted(filter(SNAPSHOT_NAME.fullmatch, names)))

    def current(self) -> Path | None:
        """The snapshot with the highest number."""
        return max(self.snapshots(), default=None)

    def snapshot(self, name: str | None = None) -> Path:
        """A snapshot by file name, number or pinned name; the current one without a name."""
        kept = self.snapshots()
        if not kept:
            begun = self.received_log.path.exists()
            remedy = "run coldfill rebuild" if begun else "load an export first"
            raise FleetError(f"{self.path} holds no snapshot: {remedy}.")
        if name is None:
            return kept[-1]
        pinned = {state.snapshot for state in self.states() if state.pinned_name == name}
        for path in kept:
            if name in (path.name, path.stem, path.name[:8], str(int(path.name[:8]))) or path.name in pinned:
                return path
        raise FleetError(
            f"{self.snapshots_folder} keeps no '{name}', only {', '.join(path.stem for path in kept)}: "
            "choose one of these; coldfill rebuild --state remakes an old one."
        )

    def states(self) -> tuple[State, ...]:
        """What states.csv last says of each snapshot ever published, oldest first."""
        states: dict[str, State] = {}
        for row in self.states_log.read():
            inputs = dict(pair.split("=", 1) for pair in row["inputs"].split(";") if "=" in pair)
            cells: dict[str, Any] = {**row, "log_length": int(row["log_length"]), "inputs": inputs}
            states[row["snapshot"]] = State(**cells)
        return tuple(states.values())

    def demand_states(self) -> None:
        """FleetError where states.csv says nothing of a snapshot, and so nothing of what it was made from."""
        published = self.snapshots()
        said = {state.snapshot for state in self.states()}
        silent = [path.name for path in published if path.name not in said and path.exists()]
        if silent:
            raise FleetError(
                f"{self.states_log.path} says nothing of {', '.join(silent)}: put it back from a backup; "
                "where there is none, move these snapshots away."
            )

    def state_of(self, snapshot: Path) -> State | None:
        return next((state for state in self.states() if state.snapshot == snapshot.name), None)

    def as_published(self, snapshot: Path) -> bool:
        """Whether a snapshot is the file that was published, by its headers; blocks have their own sums.

        True where states.csv does not say.
        """
        state = self.state_of(snapshot)
        return state is None or state.sha256_head in ("", hash_of_head(snapshot))

    def write_state(self, state: State) -> None:
        inputs = ";".join(f"{name}={value}" for name, value in state.inputs.items())
        self.states_log.write([{**vars(state), "inputs": inputs}])

    def pin(self, snapshot: Path, name: str) -> None:
        """Keep a snapshot under a name beyond its turn; an empty name lets it go again."""
        name = clean(name)
        with self.states_log.locked():
            state = self.state_of(snapshot)
            if state is None or not snapshot.exists():
                raise FleetError(f"{snapshot} is not kept any more: coldfill rebuild --state remakes it.")
            for other in self.states():
                if name and other.pinned_name == name and other.snapshot != state.snapshot:
                    raise FleetError(
                        f"{other.snapshot} is pinned as '{name}': choose another name, or unpin it first."
                    )
            self.write_state(replace(state, pinned_name=name, when=now_utc()))

    def remove_snapshot(self, snapshot: Path) -> None:
        """Delete a snapshot file, pinned or not (for `purge`); who has it open keeps it until they close."""
        with attempting("delete", snapshot):
            for path in (snapshot, snapshot.with_name(snapshot.name + ".wal")):
                path.unlink(missing_ok=True)

    def prune(self, keep: int, published: Path) -> None:
        """Delete what is not among the newest `keep`, pinned or just published, where that is possible."""
        with self.states_log.locked():
            pinned = {state.snapshot for state in self.states() if state.pinned_name}
            for path in self.snapshots()[:-keep]:
                if path.name not in pinned and path != published:
                    with suppress(OSError):
                        path.unlink()

    def sweep(self) -> None:
        """Remove what dead runs left; the build lock must be held."""
        for folder in self.snapshots_folder.glob(".building-*"):
            shutil.rmtree(folder, ignore_errors=True)
        for path in (
            one for room in (*self._rooms(), self.samples, self.moments) for one in room.glob(".incoming-*")
        ):
            with suppress(OSError):
                if time.time() - path.stat().st_mtime > LEFTOVER_AGE_S:
                    path.unlink()


def _line_of(row: Mapping[str, Any]) -> LogLine:
    return LogLine(**{**row, "number": int(row["number"])})


def _names(kind: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(kind))


def _block(file: io.BufferedReader) -> bytes:
    with attempting("read", file.name):
        return file.read(1 << 20)
