"""Read one export: rows as they are written, and what was damaged.

Stretches that can be proven clean are split by Arrow; any other stretch is read by the grammar in `records`,
which decides what is certain. Both give the same rows.
"""

import codecs
import functools
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from pipelines.intake.damage import OTHER_HEADINGS, Damage
from pipelines.intake.encoding import BLOCK, text_blocks
from pipelines.intake.layout import (
    BLANKS,
    SEPARATORS,
    Dialect,
    Layout,
    first_filled,
    is_totals_label,
    two_in_one,
)
from pipelines.intake.records import LONGEST_CELL, LONGEST_RECORD, Line
from pipelines.intake.stretches import next_records
from pipelines.intake.table import Table, find_table

PIECE = 4 << 20  # bytes tried at once: they stay in the processor's cache
SMALLEST_PIECE = 64 << 10  # bytes of a piece that is not cut further
LONGEST_LINE = 8 << 20  # bytes


@dataclass(frozen=True)
class Batch:
    """Some rows in file order: text columns named by the headings, and the line where each row starts.

    There are no nulls.
    """

    table: pa.Table
    lines: np.ndarray


@dataclass
class _Rows:
    """Rows of one stretch, the damage in it, and the byte and line where the next begins."""

    table: pa.Table
    lines: np.ndarray
    damage: list[Damage]
    at: int
    line: int


class Export:
    """One CSV export, opened: what was found, and its rows in batches.

    `damage` is complete when `batches` is exhausted.
    """

    def __init__(self, path: Path, table: Table):
        self._path, self._table = path, table
        self.file_name = path.name
        self.encoding = table.encoding
        self.delimiter = table.layout.dialect.delimiter
        self.headings = table.layout.headings
        self.heading_line = table.heading_line
        self.notes = table.notes
        self.damage: list[Damage] = []
        self.share = 0.0  # of the file, that `batches` has gone through

    def batches(self, rows: int = 200_000, *, columns: Collection[str] | None = None) -> Iterator[Batch]:
        """Rows in batches of `rows`, the last one shorter.

        Only `columns` if given, in the order of the headings.
        """
        wanted = (
            self.headings
            if columns is None
            else tuple(name for name in self.headings if name in set(columns))
        )
        self.damage = []
        tables, lines, held = [], [], 0
        for stretch in self._stretches(wanted):
            self.damage += stretch.damage
            if not len(stretch.lines):
                continue
            tables.append(stretch.table)
            lines.append(stretch.lines)
            held += len(stretch.lines)
            while held >= rows:
                table, numbers = pa.concat_tables(tables), np.concatenate(lines)
                yield Batch(_whole(table.slice(0, rows)), numbers[:rows])
                tables, lines, held = [table.slice(rows)], [numbers[rows:]], held - rows
        if held:
            yield Batch(_whole(pa.concat_tables(tables)), np.concatenate(lines))

    def row_at(self, line: int) -> tuple[str, ...] | None:
        """Cells of the row that starts at a physical line, in the order of the headings; None without one."""
        window = self._window()
        if window.go_to(line) and window.fill(SMALLEST_PIECE):
            rows = _clean_rows(window, SMALLEST_PIECE, self._table.layout, self.headings)
            if rows is not None and rows.lines[0] == line:
                return _cells(rows.table, 0)
        for rows in self._stretches(self.headings):  # near damage a row is told by what stands before it
            if line in rows.lines:
                return _cells(rows.table, int(np.searchsorted(rows.lines, line)))
            if rows.line > line:
                break
        return None

    def _window(self) -> "_Window":
        """The text from the line below the headings on."""
        window = _Window(text_blocks(self._path, self.encoding, BLOCK))
        window.move(self._table.offset, self._table.line)
        return window

    def _stretches(self, wanted: tuple[str, ...]) -> Iterator[_Rows]:
        window = self._window()
        layout, size = self._table.layout, PIECE
        gone, whole = window.at, self._path.stat().st_size / (2 if self.encoding.startswith("utf-16") else 1)
        while window.fill(size):
            rows = _clean_rows(window, size, layout, wanted)
            if rows is None and size > SMALLEST_PIECE:
                size = max(size // 16, SMALLEST_PIECE)
                continue
            if rows is None:
                rows = _judged_rows(window, size, layout, wanted)
            else:
                size = min(size * 4, PIECE)
            gone += rows.at - window.at
            self.share = min(1.0, gone / whole)
            window.move(rows.at, rows.line)
            yield rows
            if rows.damage and rows.damage[-1].reason == OTHER_HEADINGS:
                return


def _cells(table: pa.Table, row: int) -> tuple[str, ...]:
    return tuple(column[row].as_py() for column in table.columns)


def _whole(table: pa.Table) -> pa.Table:
    """The table without a swarm of small chunks."""
    return table.combine_chunks() if table.num_columns and table.column(0).num_chunks > 64 else table


def open_export(
    path: str | Path,
    *,
    encoding: str | None = None,
    delimiter: str | None = None,
    mapped_headings: Collection[str] = (),
) -> Export:
    """Open one CSV export; what is not given is found out. Raises ExportError where there is no table."""
    path = Path(path)
    return Export(
        path,
        find_table(
            path,
            encoding=encoding,
            delimiter=delimiter,
            mapped_headings=mapped_headings,
        ),
    )


class _Window:
    """The stretch of the text that is in memory: `data` from byte `at` on, physical line `line`."""

    def __init__(self, blocks: Iterator[bytes]):
        self._blocks, self.ended = blocks, False
        self.data, self.at, self.line = b"", 0, 1
        self._found: dict[bytes, tuple[int, int]] = {}

    def fill(self, size: int) -> bool:
        """Have at least `size` bytes in hand if the text has them; false when nothing is left."""
        while len(self.data) - self.at < size and not self.ended:
            self._take(self.at)
        return self.at < len(self.data)

    def _take(self, keep_from: int) -> None:
        block = next(self._blocks, None)
        self.ended = block is None
        if block:
            self.data, self.at = self.data[keep_from:] + block, self.at - keep_from
            self._found.clear()

    def move(self, at: int, line: int) -> None:
        while at > len(self.data) and not self.ended:
            self._take(0)
        self.at, self.line = at, line

    def go_to(self, line: int) -> bool:
        """Move to where a physical line further on starts; False where the text ends before."""
        while self.line < line and self.fill(PIECE):
            end = min(self.at + PIECE, len(self.data))
            if self.data[end - 1 : end] == b"\r" and end < len(self.data):
                end -= 1  # it may be half of a line end
            octets = np.frombuffer(self.data, np.uint8, end - self.at, self.at)
            ends = int(np.count_nonzero(octets == ord("\n")))
            if self.data.find(b"\r", self.at, end) >= 0:
                ends += int(np.count_nonzero(octets == ord("\r"))) - self.data.count(b"\r\n", self.at, end)
            if self.line + ends < line:
                self.at, self.line = end, self.line + ends
                continue
            while self.line < line:
                following = self.next_line(self.at)
                assert following is not None
                self.at, self.line = following.after, self.line + 1
        return self.line == line and self.at < len(self.data)

    def next_line(self, at: int) -> Line | None:
        """The physical line that starts at a byte; one past LONGEST_LINE is cut and said not to be whole."""
        whole = True
        while True:
            stop = min(self._next(b"\n", at), self._next(b"\r", at))
            if (
                stop + 1 < len(self.data)
                or stop < len(self.data)
                and (self.ended or self.data.endswith(b"\n"))
            ):
                break
            if self.ended:
                return Line(self.data[at:], b"", len(self.data), whole) if at < len(self.data) else None
            if len(self.data) - at > LONGEST_LINE:
                self.data, whole = self.data[: at + 8192], False
                self._found.clear()
            self._take(0)
        end = b"\r\n" if self.data[stop : stop + 2] == b"\r\n" else self.data[stop : stop + 1]
        return Line(self.data[at:stop], end, stop + len(end), whole and stop - at <= LONGEST_LINE)

    def _next(self, byte: bytes, at: int) -> int:
        """Where a byte next stands, the length of the data if nowhere."""
        start, found = self._found.get(byte, (0, -1))
        if not start <= at <= found:
            found = self.data.find(byte, at)
            found = len(self.data) if found < 0 else found
            self._found[byte] = at, found
        return found


def _judged_rows(window: _Window, size: int, layout: Layout, wanted: tuple[str, ...]) -> _Rows:
    """A stretch read record by record."""
    records, at, line = next_records(window.next_line, window.at, window.line, window.at + size, layout)
    good = [record for record in records if record.row is not None]
    damage = [
        Damage(record.line, record.text, record.reason, record.expected)
        for record in records
        if record.row is None
    ]
    text = b"\n".join([b"", *(record.row or b"" for record in good), b""]) if good else b""
    table = _split(text, layout, range(layout.width), True)
    return _Rows(
        _named(table, layout, wanted), np.array([record.line for record in good], np.int64), damage, at, line
    )


def _clean_rows(window: _Window, size: int, layout: Layout, wanted: tuple[str, ...]) -> _Rows | None:
    """A stretch split by Arrow, or None unless every record of it is proven to be clean.

    Proven: UTF-8 without control bytes, one kind of line end, each quote opening or closing a whole cell or
    doubled inside one, as many cells as the layout has and not as many by another separator, no line inside a
    quoted cell that could be a row of its own, no blank row, totals line or second heading line, no first
    cell that may be two. Short of the last line end of the file the last record is proven, but left for the
    next stretch, since what follows it may touch it.
    """
    text = window.data[window.at : window.at + size]
    dialect = layout.dialect
    returns = text.count(b"\r")
    new_line = b"\r" if returns and b"\n" not in text else b"\n"
    final = window.ended and window.at + size >= len(window.data) and text.endswith(new_line)
    octets = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(octets == ord(new_line))
    quotes = (
        np.flatnonzero(octets == ord(dialect.quote))
        if dialect.quote.encode() in text
        else np.array([], np.int64)
    )
    inside = (np.searchsorted(quotes, ends) & 1).astype(bool)
    stops = ends[~inside]
    if not len(stops) or final and inside[-1]:
        return None
    cut = int(stops[-1]) + 1
    text, octets, ends, quotes = text[:cut], octets[:cut], ends[ends < cut], quotes[quotes < cut]
    if (
        not _plain_text(text, octets, layout)
        or new_line == b"\n"
        and returns
        and text.count(b"\r") != text.count(b"\r\n")
    ):
        return None
    starts = np.concatenate(([0], stops[:-1] + 1))
    lengths = stops - starts - (octets[np.maximum(stops - 1, 0)] == 13)
    first_lines = np.searchsorted(ends, starts)
    if (
        lengths.max() > LONGEST_CELL
        or not _quotes_in_order(octets, quotes, dialect)
        or _other_separators_fit(text, octets, stops, layout)
    ):
        return None
    if len(ends) > len(stops) and not _lines_inside_are_text(octets, ends, first_lines, layout):
        return None
    lines = first_lines[lengths > 0] + window.line
    table = _rows_only(text, layout, wanted, len(ends) > len(stops))
    if table is None or table.num_rows != len(lines):
        return None
    if final:
        return _Rows(_named(table, layout, wanted), lines, [], window.at + cut, window.line + len(ends))
    if len(lines) < 2:
        return None
    last = np.flatnonzero(lengths > 0)[-1]
    return _Rows(
        _named(table.slice(0, len(lines) - 1), layout, wanted),
        lines[:-1],
        [],
        window.at + int(starts[last]),
        int(lines[-1]),
    )


def _plain_text(text: bytes, octets: np.ndarray, layout: Layout) -> bool:
    """Whether a text is free of other encodings, control bytes and escapes, which the slow path judges."""
    if layout.width < 2 or text.startswith(codecs.BOM_UTF8) or layout.dialect.backslash and b"\\" in text:
        return False
    if np.count_nonzero(octets < 32) != np.count_nonzero(
        octets - np.uint8(9) < 5
    ):  # bytes wrap: tab, line ends, and what lies between
        return False
    try:
        return text.isascii() or bool(text.decode("utf-8"))
    except UnicodeDecodeError:
        return False


def _quotes_in_order(octets: np.ndarray, quotes: np.ndarray, dialect: Dialect) -> bool:
    """Whether quotes, in turn opening and closing, stand only at cell edges or doubled inside a cell."""
    if len(quotes) % 2 or not len(quotes):
        return not len(quotes)
    edge = np.zeros(256, bool)
    edge[[ord(dialect.delimiter), 10, 13]] = True
    opening, closing = quotes[0::2], quotes[1::2]
    doubled = opening[1:] - closing[:-1] == 1
    before = edge[octets[opening - 1]]
    before[0] |= opening[0] == 0
    after = edge[octets[np.minimum(closing + 1, len(octets) - 1)]]
    before[1:] |= doubled
    after[:-1] |= doubled
    return bool(before.all() and after.all())


def _other_separators_fit(text: bytes, octets: np.ndarray, stops: np.ndarray, layout: Layout) -> bool:
    """Whether another separator would split some record into as many cells as the layout has."""
    for separator in SEPARATORS:
        here = octets == ord(separator)
        if separator != layout.dialect.delimiter and np.count_nonzero(here) + 1 >= layout.width:
            counts = np.diff(np.searchsorted(np.flatnonzero(here), stops), prepend=0)
            if (counts + 1 == layout.width).any():
                return True
    return False


def _lines_inside_are_text(
    octets: np.ndarray, ends: np.ndarray, first_lines: np.ndarray, layout: Layout
) -> bool:
    """Whether no line that continues a record could be a row of its own, and no record is endless."""
    separators = np.flatnonzero(octets == ord(layout.dialect.delimiter))
    counts = np.diff(np.searchsorted(separators, ends), prepend=0)
    continues = np.ones(len(ends), bool)
    continues[first_lines] = False
    longest = np.diff(np.append(first_lines, len(ends))).max()
    return bool(longest < LONGEST_RECORD and not (counts[continues] + 1 == layout.width).any())


def _split(text: bytes, layout: Layout, columns: Iterable[int], line_ends_inside: bool) -> pa.Table:
    """Columns of a text whose records are in order, named by their number."""
    names = [str(i) for i in range(layout.width)]
    if not text:
        return pa.table([pa.array([], pa.string())] * layout.width, names=names)
    return pyarrow.csv.read_csv(
        pa.py_buffer(text),
        read_options=pyarrow.csv.ReadOptions(
            column_names=names, block_size=max(PIECE // 4, 4 * LONGEST_LINE if line_ends_inside else 0)
        ),
        parse_options=pyarrow.csv.ParseOptions(
            delimiter=layout.dialect.delimiter,
            quote_char=layout.dialect.quote,
            newlines_in_values=line_ends_inside,
        ),
        convert_options=pyarrow.csv.ConvertOptions(
            column_types=dict.fromkeys(names, pa.string()),
            include_columns=[str(i) for i in columns],
            check_utf8=False,
        ),
    )


def _named(table: pa.Table, layout: Layout, wanted: tuple[str, ...]) -> pa.Table:
    return table.select([str(layout.headings.index(name)) for name in wanted]).rename_columns(list(wanted))


def _rows_only(
    text: bytes, layout: Layout, wanted: tuple[str, ...], line_ends_inside: bool
) -> pa.Table | None:
    """At least the wanted columns; None if a record has another number of cells or is no row of readings."""
    spare = range(len(layout.headings), layout.width)
    needed = {layout.headings.index(name) for name in wanted} | {
        0,
        *layout.filled,
        *map(first_filled, layout.written),
        *spare,
    }
    try:
        table = _split(text, layout, sorted(needed), line_ends_inside)
        for i in spare:
            if not pc.all(_blank(table[str(i)])).as_py():
                return None
        for line in layout.written:
            if pc.any(pc.equal(_trimmed(table[str(first_filled(line))]), line[first_filled(line)])).as_py():
                return None
        first = _trimmed(table["0"])
        if pc.any(pc.is_in(first, pa.array(sorted(layout.names)))).as_py():
            return None
        if pattern := two_in_one(frozenset(layout.first_forms)):
            doubted = pc.unique(first.filter(pc.match_substring_regex(first, pattern)))
            if any(layout.may_be_two(cell, 0) for cell in doubted.to_pylist()):
                return None
        if layout.filled:
            doubtful = functools.reduce(pc.or_, [_blank(table[str(i)]) for i in layout.filled])
            if not pc.any(doubtful).as_py():
                return table
        if len(needed) < layout.width:
            table = _split(text, layout, range(layout.width), line_ends_inside)
    except pa.ArrowInvalid:
        return None
    rows = table.filter(doubtful) if layout.filled else table
    labels = _first_filled(rows)
    if labels.null_count or layout.filled and any(map(is_totals_label, pc.unique(labels).to_pylist())):
        return None
    return table


def _first_filled(rows: pa.Table) -> pa.Array:
    """The first cell of each row that is not empty, trimmed; null in a blank row."""
    labels = pa.nulls(rows.num_rows, pa.string())
    for column in rows.columns:
        trimmed = _trimmed(column)
        labels = pc.coalesce(labels, pc.if_else(pc.equal(trimmed, ""), None, trimmed))
        if not labels.null_count:
            break
    return labels


def _trimmed(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return pc.utf8_trim(column, characters=BLANKS)


def _blank(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return pc.equal(_trimmed(column), "")
