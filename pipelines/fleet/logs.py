"""Append-only logs, locks, and errors of the disk that say what to do; imports no other room.

A line of a log is an event once its line end is on the disk; a last line without one never happened.
"""

from __future__ import annotations

import csv
import errno
import hashlib
import io
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

LOG_WAIT_S = 60.0  # a log is locked for one append only
_LAST = re.compile(rb"([1-9]\d*) ([0-9a-f]{64})\n")
_NOT_PLAIN = re.compile(r'["\r\0]')
LINE_BEFORE = "line_before"  # heading of the hash that chains a line to the one before it

DISK_ADVICE = {
    errno.ENOSPC: "the disk is full: free some space and run the command again; what was there is unharmed",
    errno.EDQUOT: "your share of the disk is used up: free some space and run the command again",
    errno.EFBIG: "the file would be larger than the system allows: raise the limit and run the command again",
    errno.EROFS: "the disk is mounted read-only: name a fleet folder on another one with --fleet",
}
PATH_ADVICE = {
    errno.EACCES: "permission denied: ask for access to the folder, or name another one with --fleet",
    errno.EPERM: "permission denied: ask for access to the folder, or name another one with --fleet",
    errno.ENOENT: "it is not there: check the path",
    errno.EISDIR: "it is a folder: name a file",
    errno.ENOTDIR: "a part of the path is a file: name a folder",
}


class FleetError(Exception):
    """The fleet folder cannot be used as asked; the message names the path and says what to do."""


@contextmanager
def attempting(doing: str, path: Path | str) -> Iterator[None]:
    """Turn what the operating system refuses into a FleetError that says what was being done."""
    try:
        yield
    except OSError as error:
        other = f"{error.strerror or error}: put that right and run the command again"
        advice = (DISK_ADVICE | PATH_ADVICE).get(error.errno or 0, other)
        raise FleetError(f"Cannot {doing} {path}: {advice}.") from error


def disk_advice(error: Exception) -> str | None:
    """What to do if the disk, not the code, ended a query or a build; DuckDB uses the system's own words."""
    for code, advice in DISK_ADVICE.items():
        if getattr(error, "errno", None) == code or os.strerror(code) in str(error):
            return advice
    return None


def sync(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def write_all(handle: int, data: bytes) -> None:
    """Write every byte: the system may take fewer at a time."""
    rest = memoryview(data)
    while rest:
        rest = rest[os.write(handle, rest) :]


@contextmanager
def locked(lock_path: Path, timeout: float, wait: Callable[[], None] = lambda: None) -> Iterator[None]:
    """Hold a lock that the system releases when its holder dies; `wait` is called once if another has it."""
    from filelock import FileLock, Timeout

    if not lock_path.parent.is_dir():
        raise FleetError(
            f"There is no folder {lock_path.parent}: check the path, or load an export to begin a fleet."
        )
    lock = FileLock(lock_path, mode=0o600)
    with attempting("lock", lock_path):
        try:
            lock.acquire(timeout=0)
        except Timeout:
            wait()
            try:
                lock.acquire(timeout=timeout)
            except Timeout:
                raise FleetError(
                    f"Another run has held {lock_path} for more than {timeout:g} seconds: "
                    "wait until it is done and run the command again."
                ) from None
    try:
        yield
    finally:
        lock.release()


def is_locked(lock_path: Path) -> bool | None:
    """Whether somebody holds a lock; None if it cannot be tried."""
    from filelock import FileLock, Timeout

    if not lock_path.exists():
        return False
    try:
        with FileLock(lock_path, mode=0o600).acquire(timeout=0):
            return False
    except Timeout:
        return True
    except OSError:
        return None


COUNTS_TO = ".counts-to"  # in a fleet folder: the day that stands for today there
_MOMENT: ContextVar[datetime | None] = ContextVar("moment", default=None)


def now_utc() -> str:
    """The moment as logs write it: 2026-03-01T12:00:00Z."""
    return as_logged(_MOMENT.get() or datetime.now(UTC))


def as_logged(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


@contextmanager
def at(moment: datetime) -> Iterator[None]:
    """Let logs write another moment than the present one: the demonstration plays a scenario."""
    before = _MOMENT.set(moment)
    try:
        yield
    finally:
        _MOMENT.reset(before)


def today(folder: Path) -> date:
    """The day that clocks count to in a fleet folder: the one that it names itself, else today."""
    return _own_day(folder) or date.today()


def now_in(folder: Path) -> datetime:
    """Now, UTC, on the day that a fleet folder names itself, if it does: so what is decided holds there."""
    now, own = datetime.now(UTC), _own_day(folder)
    return datetime.combine(own, now.timetz()) if own else now


def _own_day(folder: Path) -> date | None:
    with suppress(OSError, ValueError):
        return date.fromisoformat((folder / COUNTS_TO).read_text(encoding="utf-8").strip())
    return None


def clean(value: object) -> str:
    """A value as one cell of a log: UTF-8 text in which line breaks and other controls are a blank."""
    text = re.sub(r"[\x00-\x1f\x7f\x85\u2028\u2029]+", " ", str(value))
    return text.encode("utf-8", "backslashreplace").decode()


@dataclass(frozen=True)
class Log:
    """An append-only CSV with a line of headings: one physical line per event, cells quoted where needed, LF.

    Lines are never changed or removed, but for a last one without a line end, which never happened and is cut
    off by the next append. Where LINE_BEFORE is the last heading, each line carries the hash of the one
    before it, the headings being the first. `wrong` says of a line, by its number from 1, what makes it none
    of this log. A file of only the first `once` headings, from before lines were chained, is read with '' for
    the others, and brought up by the next append. Beside a `pinned` log stand the number and the hash of its
    last line, so that this one is not lost or changed either; without that file nothing is said of it.
    """

    path: Path
    headings: tuple[str, ...]
    wrong: Callable[[int, Mapping[str, str]], str | None] = lambda number, row: None
    once: int = 0
    pinned: bool = False

    def read(self) -> list[dict[str, str]]:
        """All lines by heading; none if there is no file. FleetError names a line that is not as written."""
        return self._read()[0]

    def _read(self) -> tuple[list[dict[str, str]], int]:
        """(all lines by heading, how many headings the file has)."""
        last = self._last()  # read first: an append writes it after its line
        rows, count = self._read_lines()
        if last and (len(rows) < last[0] or self.hash_of(rows[last[0] - 1]) != last[1]):
            raise FleetError(
                f"{self.path}, line {last[0] + 1}, is lost or was changed: put the file back from a backup; "
                f"where there is none, delete {self._last_path} to go on with what it still holds."
            )
        return rows, count

    @property
    def _last_path(self) -> Path:
        return self.path.with_name(f".{self.path.name}.last")

    def _last(self) -> tuple[int, str] | None:
        """What is kept beside a pinned log: how many lines it had, and the hash of the last."""
        if not self.pinned:
            return None
        with attempting("read", self._last_path):
            try:
                found = _LAST.fullmatch(self._last_path.read_bytes())
            except FileNotFoundError:
                return None
        if not found:
            raise FleetError(f"{self._last_path} is damaged: put it back from a backup, or delete it.")
        return int(found[1]), found[2].decode()

    def _read_lines(self) -> tuple[list[dict[str, str]], int]:
        with attempting("read", self.path):
            try:
                data = self.path.read_bytes()
            except FileNotFoundError:
                return [], len(self.headings)
        try:
            text = data[: data.rfind(b"\n") + 1].decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise self.damaged(data.count(b"\n", 0, error.start) + 1, "it is not UTF-8 text") from error
        rows: list[dict[str, str]] = []
        count = len(self.headings)
        before, written = self.hash_of_headings(), ""
        for number, line in enumerate(text.split("\n")[:-1], start=1):
            cells = self._cells(number, line)
            if number == 1:
                count = self._headings_of(cells)
                continue
            if len(cells) != count:
                raise self.damaged(number, f"it has {len(cells)} cells instead of {count}")
            row = dict(zip(self.headings, cells, strict=False))
            if count < len(self.headings):
                row = dict.fromkeys(self.headings, "") | row
            if why := self.wrong(number - 1, row):
                raise self.damaged(number, why)
            if self._chained and count == len(self.headings):
                told = row[LINE_BEFORE]
                # A line that is as it was written has its hash as it stands; else it is written out again.
                before = before or _hash(f"{written}\n")
                if told != before and (not rows or told != self.hash_of(rows[-1])):
                    raise self.damaged(number - 1, f"it is not the line that line {number} was written after")
            before, written = "", line
            rows.append(row)
        return rows, count

    def _cells(self, number: int, line: str) -> list[str]:
        """The cells of a physical line; most have no quotes, and are split at once."""
        if line and len(line) < csv.field_size_limit() and not _NOT_PLAIN.search(line):
            return line.split(",")
        try:
            return next(csv.reader([line], strict=True), [])
        except csv.Error as error:
            raise self.damaged(number, f"its quotes do not match ({error})") from error

    @property
    def _chained(self) -> bool:
        return self.headings[-1] == LINE_BEFORE

    def hash_of(self, row: Mapping[str, object]) -> str:
        """SHA-256 of a line as it was written, whatever line ends or quotes a spreadsheet gave it since."""
        return _hash(self._line([clean(row[heading]) for heading in self.headings]))

    def hash_of_headings(self) -> str:
        """What the first line is chained to."""
        return _hash(self._line(self.headings))

    def damaged(self, line: int, why: str) -> FleetError:
        """The error for a line (the headings are line 1) that this program cannot have written."""
        return FleetError(
            f"{self.path}, line {line}, is damaged: {why}; put it back as it was, nothing was changed."
        )

    def _headings_of(self, cells: list[str]) -> int:
        """How many of the headings a file has: all, or those there were before lines were chained."""
        if tuple(cells) in (self.headings, self.headings[: self.once]):
            return len(cells)
        raise self.damaged(1, f"its headings should be {','.join(self.headings)}")

    @contextmanager
    def locked(self) -> Iterator[None]:
        """Nobody else appends meanwhile; for a caller that must read before it writes."""
        with locked(self.path.with_name(f".{self.path.name}.lock"), LOG_WAIT_S):
            yield

    def append(self, rows: Iterable[Mapping[str, object]]) -> None:
        """Commit rows, each with a cell for every heading: they are on the disk when this returns."""
        with self.locked():
            self.write(rows)

    def write(self, rows: Iterable[Mapping[str, object]], *, as_one: bool = False) -> list[dict[str, str]]:
        """`append` for a caller inside `locked`; returns the rows as written.

        What cannot be written whole is taken back, then FleetError. `as_one`: a run that dies leaves all of
        the rows or none, at the price of a copy of the log.
        """
        rows = list(rows)
        if not rows:
            return []
        with attempting("append to", self.path):
            earlier, count = self._read()
            if count < len(self.headings):
                self._bring_up(earlier)
                earlier = self.read()
            before = self.hash_of(earlier[-1]) if earlier else self.hash_of_headings()
            written = self._chain(rows, before)
            text = "".join(self._line(row.values()) for row in written)
            if as_one and len(written) > 1:
                self._put_in_place(text)
            else:
                self._add(text)
        if self.pinned:
            with suppress(OSError):  # the line is there; what was kept before still holds
                last = f"{len(earlier) + len(written)} {self.hash_of(written[-1])}\n"
                self._replace(last.encode(), self._last_path)
        return written

    def _add(self, text: str) -> None:
        """Write after the last whole line of the log; what cannot be written whole is taken back."""
        handle = os.open(self.path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            end = _whole_lines(handle)
            os.ftruncate(handle, end)
            if end == 0:
                text = self._line(self.headings) + text
                sync(self.path.parent)
            try:
                write_all(handle, text.encode())
                os.fsync(handle)
            except BaseException:
                with suppress(OSError):
                    os.ftruncate(handle, end)
                raise
        finally:
            os.close(handle)

    def _chain(self, rows: Iterable[Mapping[str, object]], before: str) -> list[dict[str, str]]:
        """Rows as they are written after a line of that hash."""
        written = []
        for row in rows:
            cells = {heading: clean(row.get(heading, "")) for heading in self.headings}
            if self._chained:
                cells[LINE_BEFORE] = before
            before = self.hash_of(cells)
            written.append(cells)
        return written

    def _bring_up(self, rows: list[dict[str, str]]) -> None:
        """Put a file of today's headings, its lines chained, in the place of one of earlier headings."""
        lines = [self.headings, *(row.values() for row in self._chain(rows, self.hash_of_headings()))]
        self._replace("".join(map(self._line, lines)).encode())

    def _put_in_place(self, text: str) -> None:
        """Put a file of all whole lines and `text` in the place of the log."""
        try:
            data = self.path.read_bytes()
        except FileNotFoundError:
            data = b""
        whole = data[: data.rfind(b"\n") + 1] or self._line(self.headings).encode()
        self._replace(whole + text.encode())

    def _replace(self, data: bytes, path: Path | None = None) -> None:
        """Put a file of these bytes in the place of the log, or of another beside it."""
        path = path or self.path
        new = path.with_name(f".{path.name.lstrip('.')}.new")
        new.unlink(missing_ok=True)
        try:
            handle = os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            try:
                write_all(handle, data)
                os.fsync(handle)
            finally:
                os.close(handle)
            os.replace(new, path)
        except BaseException:
            with suppress(OSError):
                new.unlink(missing_ok=True)
            raise
        sync(path.parent)

    def _line(self, cells: Iterable[str]) -> str:
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerow(cells)
        if text.tell() > (limit := csv.field_size_limit()):
            raise FleetError(
                f"Cannot append to {self.path}: a line has more than {limit:,} characters; shorten it."
            )
        return text.getvalue()


def _hash(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def _whole_lines(handle: int) -> int:
    """Length of an open file in bytes, up to and with its last line end."""
    end = os.fstat(handle).st_size
    while end > 0:
        start = max(0, end - 65536)
        if (found := os.pread(handle, end - start, start).rfind(b"\n")) >= 0:
            return start + found + 1
        end = start
    return 0
