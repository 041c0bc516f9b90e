"""Removing an export and all that was made from it, whatever else is wrong with the fleet."""

import re
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

from pipelines.fleet import decided, snapshots
from pipelines.fleet.folder import Fleet, LogLine, Received, hash_of_file, safe_name
from pipelines.fleet.logs import FleetError, locked, sync
from pipelines.fleet.publishing import BUILD_WAIT_S
from pipelines.receiving import taking
from pipelines.receiving.kept_uploads import UPLOADS
from pipelines.snapshot import stages
from pipelines.snapshot.progress import Progress

MADE_FROM_SNAPSHOTS = ("moments", "lists", "samples")  # folders whose files say which snapshot they are of
SNAPSHOT_NAMED = re.compile(rb"(?<!\d)\d{8}-[0-9a-f]{12}(?![0-9a-f])")
# What a damaged file, one with a password or one of an unknown compression raises on the way to its end.
UNREADABLE = (OSError, zipfile.BadZipFile, RuntimeError, NotImplementedError, zlib.error)
ABOUT = ".about.txt"  # ends the name of the text beside a list that cannot say itself what it is of


@dataclass(frozen=True)
class Purged:
    """What came of a purge: what was removed, what remains to be done, the snapshot that is current now.

    `decisions_kept` counts lines of decisions.csv on homes that this snapshot has not: a log whose lines are
    chained loses none, whatever home, name or reason it tells. None where there is no snapshot to tell.
    """

    file_name: str
    sha256: str
    removed: tuple[str, ...]
    remaining: tuple[str, ...]
    snapshot: str | None = None
    decisions_kept: int | None = None


@dataclass
class Removal:
    """What was removed and what could not be, in words; `of` are the exports that are purged."""

    of: tuple[Received, ...]
    removed: list[str] = field(default_factory=list)
    remaining: list[str] = field(default_factory=list)

    def remove(self, path: Path, words: str) -> None:
        """Delete a file or folder if it is there, and go on where that is refused."""
        try:
            shutil.rmtree(path) if path.is_dir() else path.unlink()
        except FileNotFoundError:
            return
        except OSError as error:
            self.remaining.append(f"{path} could not be deleted ({error.strerror}): delete it yourself.")
        else:
            self.removed.append(words)


# ---- purging


def purge(fleet: Fleet, sha256: str, why: str, by_whom: str = "", progress: Progress | None = None) -> Purged:
    """Remove the export whose hash begins with these digits, all that holds its rows, and publish without it.

    First the log says so, then the bytes and all that was made from them go, then a snapshot is made. Where
    that fails the data is gone all the same. FleetError where nothing could be begun.
    """
    progress = progress or Progress()

    def wait() -> None:
        progress.say(f"Another load is running in {fleet.path}; waiting until it is done.")

    with locked(fleet.load_lock, BUILD_WAIT_S, wait):
        line = commit(fleet, sha256, why, by_whom)
        try:
            with locked(fleet.build_lock, BUILD_WAIT_S, wait):
                gone = _forget(fleet)
        except FleetError as error:
            gone = Removal((), remaining=[f"{error} Whatever command comes next goes on with the purge."])
    snapshot, kept = None, None
    try:
        path = stages.build(fleet, progress)
        snapshot = path.name
        with suppress(FleetError):  # a log of decisions that is damaged is named by whoever reads it
            kept = taking.on_no_home(snapshots.attach(path), decided.read(fleet))
    except Exception as error:  # whatever ends the build, what was removed has to be said
        why_not = str(error).rstrip(".") or type(error).__name__
        gone.remaining.append(
            f"No snapshot without it was made: {why_not}. Put that right, then run coldfill rebuild."
        )
    return Purged(line.file_name, line.sha256, tuple(gone.removed), tuple(gone.remaining), snapshot, kept)


def take_up(fleet: Fleet) -> Removal | None:
    """Go on with a purge that was cut short; None where there is none, or another run is at work."""
    if not fleet.purging.exists():
        return None
    try:
        with locked(fleet.load_lock, 0), locked(fleet.build_lock, 0):
            return _forget(fleet) if fleet.purging.exists() else None
    except FleetError:
        return None


def commit(fleet: Fleet, sha256: str, why: str, by_whom: str = "") -> LogLine:
    """Commit to the log that an export is purged, and return its line; nothing is removed yet.

    A purge that was cut short has its line. FleetError where one was finished.
    """
    one = _named(fleet, sha256)
    if one.status == "purged":
        if not fleet.purging.exists() and not _copies(fleet, (one,)) and not _snapshots(fleet, (one,)):
            raise FleetError(f"{one.file_name} ({one.sha256[:12]}) was purged before, {one.when}.")
        return one
    with suppress(OSError):  # on a full disk the line alone must do
        fleet.purging.touch()
    return _logged(fleet, one, "purged", why, by_whom)


def give_up(fleet: Fleet, sha256: str, by_whom: str = "") -> LogLine:
    """Commit to the log that the stored bytes of an export are lost, so that snapshots are made without it.

    FleetError where they are still there, whole: then only `purge` removes them.
    """
    one = _named(fleet, sha256)
    if one.status == "lost":
        return one
    if one.status != "loaded":
        raise FleetError(f"{one.file_name} ({one.sha256[:12]}) is {one.status}: no snapshot is made from it.")
    if one not in fleet.lines_without_export(fleet.log()):
        path = fleet.export_path(one.sha256)
        if hash_of_file(path) == one.sha256:
            raise FleetError(f"{path} is there, whole: coldfill purge removes an export that is not wanted.")
    return _logged(fleet, one, "lost", "its stored bytes are gone or were changed", by_whom)


def _named(fleet: Fleet, sha256: str) -> Received:
    """The one export whose hash begins with these digits: as received, else as stored."""
    log, digits = fleet.log(), sha256.lower()
    exports = fleet.received(log)
    as_stored = {line.sha256_received for line in log if line.sha256.startswith(digits)}
    found = [one for one in exports if one.sha256_received.startswith(digits)]
    found = found or [one for one in exports if one.sha256_received in as_stored]
    if len(found) != 1 or len(digits) < 6:
        raise FleetError(
            f"{sha256!r} names {len(found) or 'no'} exports of {fleet.path}: "
            "give at least 6 digits of one hash, as in received.csv."
        )
    return found[0]


def _logged(fleet: Fleet, one: Received, status: str, why: str, by_whom: str) -> LogLine:
    """The line now in the log by which an export has another status."""
    line = LogLine(**{name: getattr(one, name) for name in LogLine.__dataclass_fields__})
    return fleet.append([replace(line, number=0, when="", status=status, why=why, by_whom=by_whom)])[0]


# ---- what holds rows of purged exports; the locks of loads and builds are held


def _forget(fleet: Fleet) -> Removal:
    """Delete all that holds rows of any purged export, and go on where something cannot be deleted."""
    gone = Removal(tuple(one for one in fleet.received() if one.status == "purged"))
    for path in _copies(fleet, gone.of):
        gone.remove(path, f"exports/{path.name}")
    for path, words in _snapshots(fleet, gone.of):
        snapshots.forget(path.resolve())
        gone.remove(path, words)
    for path, words in _made_from_snapshots(fleet, gone.of):
        gone.remove(path, words)
    for path in fleet.snapshots_folder.glob(".building-*"):
        gone.remove(path, f"snapshots/{path.name}, left by a run that died")
    fleet.clear_incoming()
    for path in _uploads(fleet, gone):
        gone.remove(path.parent, f"{path.relative_to(fleet.path)}, the same bytes waiting to be loaded")
    gone.remaining += _doubtful(fleet, gone.of)
    for folder in (fleet.exports, fleet.snapshots_folder):
        if folder.is_dir():
            sync(folder)
    if not gone.remaining:
        fleet.purging.unlink(missing_ok=True)
    return gone


def _copies(fleet: Fleet, purged: tuple[Received, ...]) -> list[Path]:
    """Stored copies of purged exports, but for bytes that a loaded export has as well."""
    log = fleet.log()
    received = {one.sha256_received for one in purged}
    others = {one.sha256 for one in fleet.received(log) if one.status == "loaded"}
    own = {line.sha256 for line in log if line.sha256_received in received} - others
    return sorted(path for sha256 in own for path in fleet.exports.glob(f"{sha256}-*"))


def _doubtful(fleet: Fleet, purged: tuple[Received, ...]) -> list[str]:
    """Sentences about stored files that may hold the same rows, and that nothing tells to delete."""
    names = {safe_name(one.file_name) for one in purged}
    return [
        f"{fleet.exports / name} is in no line of the log and has the name of a purged file: delete it if "
        "it holds the same rows."
        for name in fleet.exports_without_line()
        if name[65:] in names
    ]


def _holding(fleet: Fleet, purged: tuple[Received, ...]) -> set[str]:
    """Names of all snapshots ever published that held rows of purged exports."""
    received = {one.sha256_received for one in purged}
    events: dict[str, list[LogLine]] = {}
    for line in fleet.log():
        if line.sha256_received in received:
            events.setdefault(line.sha256_received, []).append(line)

    def loaded(lines: list[LogLine], log_length: int) -> bool:
        until = [line.status for line in lines if line.number <= log_length]
        return until[-1:] == ["loaded"]

    return {
        state.snapshot
        for state in fleet.states()
        if any(loaded(lines, state.log_length) for lines in events.values())
    }


def _snapshots(fleet: Fleet, purged: tuple[Received, ...]) -> list[tuple[Path, str]]:
    """(path, words) of the snapshots that hold rows of purged exports, or of which nobody can tell."""
    holding = _holding(fleet, purged)
    states = {state.snapshot: state for state in fleet.states()}
    found = []
    for path in fleet.snapshots():
        if path.name in holding or path.name not in states:
            pinned = states[path.name].pinned_name if path.name in states else ""
            words = f"{path.name} (pinned as {pinned!r})" if pinned else path.name
            found.append((path, f"{words}, which was made with it"))
    return found


def _made_from_snapshots(fleet: Fleet, purged: tuple[Received, ...]) -> Iterator[tuple[Path, str]]:
    """(path, words) of kept moments, lists and samples of a snapshot that held rows of purged exports.

    One that names no snapshot of this fleet might be, and goes as well.
    """
    holding = {name.removesuffix(".duckdb").encode() for name in _holding(fleet, purged)}
    known = {state.snapshot.removesuffix(".duckdb").encode() for state in fleet.states()}
    for room in MADE_FROM_SNAPSHOTS if holding else ():
        named = {path: _snapshots_named(path) & known for path in sorted((fleet.path / room).rglob("*"))}
        for path in [path for path in named if path.is_file()]:
            beside = path.with_name(path.name + ABOUT)
            names = named[path] or named.get(beside, set())
            if names & holding:
                yield path, f"{path.relative_to(fleet.path)}, which was made from such a snapshot"
            elif not names:
                yield path, f"{path.relative_to(fleet.path)}, which does not say what it was made from"


def _snapshots_named(path: Path) -> set[bytes]:
    """Snapshots that a file names in its own name or text, also where it is a compressed folder of files.

    None, whatever its name says, where it cannot be read to its end: nobody can tell what it was made from.
    """
    found = set(SNAPSHOT_NAMED.findall(path.name.encode()))
    if not path.is_file():
        return found
    try:
        data = path.read_bytes()
        found.update(SNAPSHOT_NAMED.findall(data))
        if data.startswith(b"%PDF") and not data.rstrip().endswith(b"%%EOF"):
            return set()
        if data.startswith(b"PK"):  # also where its end, which makes it a folder of files, was cut off
            with zipfile.ZipFile(path) as archive:
                for name in archive.namelist():
                    found.update(SNAPSHOT_NAMED.findall(name.encode() + b"\n" + archive.read(name)))
    except UNREADABLE:
        return set()
    return found


def _uploads(fleet: Fleet, gone: Removal) -> Iterator[Path]:
    """Files of purged bytes that were sent from a page and wait there to be loaded."""
    purged = {sha256 for one in gone.of for sha256 in (one.sha256, one.sha256_received)}
    for path in sorted((fleet.path / UPLOADS).glob("*/*")):
        try:
            if hash_of_file(path) in purged:
                yield path
        except FleetError as error:
            gone.remaining.append(str(error))
