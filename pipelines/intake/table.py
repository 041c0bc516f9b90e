"""Find the table in a file that somebody exported: its encoding, separator and quotes, its headings and first
row.

Nothing is taken for granted and nothing is decided silently: what had to be guessed is said in the notes, and
what is no table is refused by name.
"""

import functools
import os
import re
import stat
from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from pathlib import Path

from pipelines.intake.cells import folded
from pipelines.intake.encoding import (
    SAMPLE,
    ExportError,
    beginning,
    find_encoding,
    refuse_by_first_bytes,
    refuse_markup,
)
from pipelines.intake.headings import (
    columns,
    distinct,
    heading_record,
    hits,
    trimmed,
    two_lines,
    width_of_rows,
)
from pipelines.intake.layout import BLANKS, SEPARATORS, Dialect, Layout, kind
from pipelines.intake.sample import SampleRecord, sample_records

LARGEST_FILE = 64 << 30


@dataclass(frozen=True)
class Table:
    """Where the table of a file is: its layout, and the byte (of UTF-8) and line of its first row."""

    encoding: str
    layout: Layout
    heading_line: int
    offset: int
    line: int
    notes: tuple[str, ...]


def find_table(
    path: Path,
    *,
    encoding: str | None = None,
    delimiter: str | None = None,
    mapped_headings: Collection[str] = (),
) -> Table:
    """Encoding, dialect, headings and first row of an export; raises ExportError where there is no table."""
    name = path.name
    head, tail = _both_ends(path)
    refuse_by_first_bytes(head, name)
    if delimiter is not None and (len(delimiter) != 1 or delimiter in '\r\n"' or not delimiter.isascii()):
        accepted = "one character, such as comma, semicolon, tab or bar"
        raise ExportError(name, None, f"{delimiter!r} cannot set cells apart", accepted)
    codec, notes = find_encoding(path, head, encoding, name)
    if not tail.rstrip(b"\0\x1a").endswith((b"\n", b"\r")):
        notes.append(
            "the last line has no line end; if the file was cut off there, its last cell may be short"
        )
    sample = beginning(path, codec)
    if not sample:
        raise ExportError(name, 1, f"the first line is longer than {SAMPLE:,} bytes")
    refuse_markup(sample, name)
    mapped = set(map(folded, mapped_headings))
    again = functools.partial(_tried, sample, mapped)
    separators = [delimiter] if delimiter else list(SEPARATORS)
    candidates = [found for one in separators if (found := again(Dialect(one))) is not None]
    if not candidates:
        if not sample.strip():
            raise ExportError(name, None, "the file holds only blank lines")
        apart = f" with cells set apart by {delimiter!r}" if delimiter else ""
        raise ExportError(name, None, f"no heading line was found{apart}")
    best = max(candidates, key=lambda candidate: candidate.score)
    return _settled(_with_quoting(best, sample, again), codec, notes, mapped, name)


def _both_ends(path: Path) -> tuple[bytes, bytes]:
    """The first and the last bytes of a file; ExportError where it cannot be read, is empty or too large."""
    try:
        # To open a pipe waits until somebody writes into it.
        if not stat.S_ISREG(path.stat().st_mode):
            accepted = "a file that can be read more than once; write what comes out of it to one first"
            raise ExportError(path.name, None, "is a pipe, device or folder and not a file", accepted)
        with open(path, "rb") as file:
            size, head = os.fstat(file.fileno()).st_size, file.read(64 << 10)
            file.seek(max(size - 8, 0))
            tail = file.read()
    except OSError as error:
        wrong = f"cannot be opened: {error.strerror}"
        raise ExportError(path.name, None, wrong, "a readable file") from None
    if not size:
        raise ExportError(path.name, None, "the file is empty")
    if size > LARGEST_FILE:
        accepted = f"files up to {LARGEST_FILE:,} bytes; split it"
        raise ExportError(path.name, None, f"the file has {size:,} bytes", accepted)
    return head, tail


@dataclass(frozen=True)
class _Candidate:
    """One dialect tried on the sample: its records, which of them is the headings, and how much it explains.

    `rows` are the records after the headings whose quotes are in order, `width` the cells of a row,
    `rows_of_width` how many have as many. `score`: mapped headings, else separators in order.
    """

    dialect: Dialect
    records: list[SampleRecord]
    heading: int
    rows: list[SampleRecord]
    width: int
    rows_of_width: int
    score: tuple[int, int]


def _tried(sample: bytes, mapped: set[str], dialect: Dialect) -> _Candidate | None:
    """The candidate that a dialect makes; None where no record could be headings."""
    records = sample_records(sample, dialect)
    heading = heading_record(records, mapped)
    if heading is None:
        return None
    cells = records[heading].cells
    rows = [record for record in records[heading + 1 :] if record.in_order]
    width = width_of_rows(cells, [len(record.cells) for record in rows])
    rows_of_width = sum(len(record.cells) == width for record in rows)
    found = hits(cells, mapped)
    score = (found if found > 1 else 0, (rows_of_width + 1) * (len(trimmed(cells)) - 1))
    return _Candidate(dialect, records, heading, rows, width, rows_of_width, score)


def _with_quoting(
    best: _Candidate, sample: bytes, again: Callable[[Dialect], _Candidate | None]
) -> _Candidate:
    """The candidate with the quoting habit that leaves most rows in order."""
    plain, delimiter = best.dialect, re.escape(best.dialect.delimiter.encode())
    if b'\\"' in sample:
        other = again(replace(plain, backslash=True))
        best = other if other is not None and other.rows_of_width > best.rows_of_width else best
    wrapped = re.compile(rb"(?:^|%b)'[^'\r\n]*'(?=%b|[\r\n]|\Z)" % (delimiter, delimiter), re.MULTILINE)
    if len(wrapped.findall(sample)) >= 3 and not re.search(rb'(?:^|%b)"' % delimiter, sample, re.MULTILINE):
        other = again(replace(plain, quote="'"))
        best = other if other is not None and other.rows_of_width >= best.rows_of_width else best
    if sum(not record.in_order for record in best.records[best.heading :]) >= 5:
        other = again(replace(best.dialect, bare_quotes=True))
        if other is not None and other.rows_of_width >= max(best.rows_of_width + 5, 0.95 * len(other.rows)):
            best = other
    return best


def _settled(best: _Candidate, codec: str, notes: list[str], mapped: set[str], name: str) -> Table:
    """The table with its headings named and its first rows learned."""
    head = best.records[best.heading]
    lines, headings = [head], head.cells
    units: list[str] = []
    if not head.in_order:
        notes.append(f"line {head.line}: a quote out of place in the headings is disregarded")
    if pair := two_lines(best.records, best.heading, mapped):
        lines, headings, units = pair
        notes.append(
            f"line {lines[1].line} is taken as the units of the headings"
            if units
            else f"the headings are lines {lines[0].line} and {lines[1].line} together"
        )
    if best.records[0] is not lines[0]:
        notes.append(f"{best.records.index(lines[0])} lines above the headings are not read")
    rows = [row for row in best.rows if row is not lines[-1]]
    headings, width = columns(headings, best.width, rows, head.line, name)
    written = tuple(tuple(cell.strip(BLANKS) for cell in trimmed(line.cells)) for line in lines)
    if units:
        units = [cell.strip(BLANKS) for cell in [*units, *[""] * len(headings)][: len(headings)]]
    layout = Layout(best.dialect, distinct(headings), width, written, tuple(units))
    ordinary = [row for row in rows if len(row.cells) == width and kind(row.cells, layout) == "row"][:500]
    ended = [row for row in ordinary if row.ended] or ordinary  # a row that may be cut short teaches nothing
    layout.learn([row.cells for row in ended], ended[-1].line if ended else 0)
    if best.dialect.bare_quotes:
        notes.append("quotes inside cells without quotes round them are read as plain text")
    return Table(
        codec, layout, lines[0].line, lines[-1].after, lines[-1].line + lines[-1].count, tuple(notes)
    )
