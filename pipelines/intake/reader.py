"""Read one export: rows as they are written, and what was damaged.

Stretches that can be proven clean are split by Arrow; any other stretch is read by the grammar in `records`, which
decides what is certain. Both give the same rows.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv

from .records import BLANKS, LONGEST_CELL, LONGEST_RECORD, Damage, Layout, Line, first_told, is_totals_label, next_records
from .sniff import BLOCK, ExportError, Table, find_table, text_blocks

__all__ = ["Batch", "Damage", "Export", "ExportError", "open_export"]

PIECE = 16 << 20  # bytes tried at once
SMALLEST_PIECE = 64 << 10  # bytes of a piece that is not cut further
LONGEST_LINE = 8 << 20  # bytes


@dataclass(frozen=True)
class Batch:
    """Some rows in file order: text columns named by the headings (no nulls), and the physical line where each row starts."""

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

    `damage` is complete when `batches` is exhausted. `fast` stays true as long as no stretch needed the slow path.
    """

    def __init__(self, path: Path, table: Table):
        self._path, self._table = path, table
        self.file_name = path.name
        self.encoding = table.encoding
        self.delimiter = table.layout.dialect.delimiter
        self.headings = table.layout.headings
        self.units = table.units
        self.heading_line = table.heading_line
        self.notes = table.notes
        self.fast = True
        self.damage: list[Damage] = []

    def batches(self, rows: int = 200_000, *, columns: Collection[str] | None = None, fast: bool = True) -> Iterator[Batch]:
        """Rows in batches of `rows`, the last one shorter; only `columns` if given, in the order of the headings.

        With `fast` false every stretch is read by the slow path, with the same result.
        """
        wanted = self.headings if columns is None else tuple(name for name in self.headings if name in set(columns))
        self.damage, self.fast = [], True
        tables, lines, held = [], [], 0
        for stretch in self._stretches(wanted, fast):
            self.damage += stretch.damage
            if not len(stretch.lines):
                continue
            tables.append(stretch.table)
            lines.append(stretch.lines)
            held += len(stretch.lines)
            while held >= rows:
                table, numbers = pa.concat_tables(tables), np.concatenate(lines)
                yield Batch(table.slice(0, rows), numbers[:rows])
                tables, lines, held = [table.slice(rows)], [numbers[rows:]], held - rows
        if held:
            yield Batch(pa.concat_tables(tables), np.concatenate(lines))

    def _stretches(self, wanted: tuple[str, ...], fast: bool) -> Iterator[_Rows]:
        window = _Window(text_blocks(self._path, self.encoding))
        window.move(self._table.offset, self._table.line)
        layout, size = self._table.layout, PIECE if fast else 1 << 20
        while window.fill(size):
            rows = _clean_rows(window, size, layout, wanted) if fast else None
            if rows is None and fast and size > SMALLEST_PIECE:
                size = max(size // 16, SMALLEST_PIECE)
                continue
            if rows is None:
                rows, self.fast = _told_rows(window, size, layout, wanted), False
            else:
                size = min(size * 4, PIECE)
            window.move(rows.at, rows.line)
            yield rows


def open_export(
    path: str | Path,
    *,
    encoding: str | None = None,
    delimiter: str | None = None,
    heading_line: int | None = None,
    headings_known: Collection[str] = (),
) -> Export:
    """Open one CSV export; what is not given is found out. Raises ExportError where there is no table."""
    path = Path(path)
    return Export(path, find_table(path, encoding=encoding, delimiter=delimiter, heading_line=heading_line, headings_known=headings_known))


class _Window:
    """The part of the text that is in memory: `data` from byte `at` on, physical line `line`."""

    def __init__(self, blocks: Iterator[bytes]):
        self._blocks, self.ended = blocks, False
        self.data, self.at, self.line = b"", 0, 1

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

    def move(self, at: int, line: int) -> None:
        while at > len(self.data) and not self.ended:
            self._take(0)
        self.at, self.line = at, line

    def next_line(self, at: int) -> Line | None:
        """The physical line that starts at a byte; a line past LONGEST_LINE is cut and said not to be whole."""
        whole = True
        while True:
            feed = self.data.find(b"\n", at)
            back = self.data.find(b"\r", at, feed if feed >= 0 else len(self.data))
            stop = back if back >= 0 else feed
            if stop >= 0 and (self.ended or stop + 1 < len(self.data) or stop == feed):
                break
            if self.ended:
                return Line(self.data[at:], b"", len(self.data), whole) if at < len(self.data) else None
            if len(self.data) - at > LONGEST_LINE:
                self.data, whole = self.data[: at + 8192], False
            self._take(0)
        end = b"\r\n" if self.data[stop : stop + 2] == b"\r\n" else self.data[stop : stop + 1]
        return Line(self.data[at:stop], end, stop + len(end), whole and stop - at <= LONGEST_LINE)


def _told_rows(window: _Window, size: int, layout: Layout, wanted: tuple[str, ...]) -> _Rows:
    """A stretch read record by record."""
    records, at, line = next_records(window.next_line, window.at, window.line, window.at + size, layout)
    good = [record for record in records if record.row is not None]
    damage = [Damage(record.line, record.text, record.reason, record.expected) for record in records if record.row is None]
    table = _split(b"\n".join([record.row for record in good] + [b""]), layout, True)
    return _Rows(_named(table, layout, wanted), np.array([record.line for record in good], np.int64), damage, at, line)


def _clean_rows(window: _Window, size: int, layout: Layout, wanted: tuple[str, ...]) -> _Rows | None:
    """A stretch split by Arrow, or None unless every record of it is proven to be clean.

    Proven: valid UTF-8 without NUL, one kind of line end, each quote opening or closing a whole cell or doubled inside
    one, as many cells as the layout has, no line inside a quoted cell that could be a row of its own. Up to the end of
    the file the last record is left for the next stretch, since what follows it may touch it.
    """
    final = window.ended and window.at + size >= len(window.data)
    text = window.data[window.at : window.at + size]
    dialect = layout.dialect
    if layout.width < 2 or b"\0" in text or b"\x1a" in text or dialect.backslash and b"\\" in text:
        return None
    returns = text.count(b"\r")
    by_return = returns > 0 and b"\n" not in text
    if final and not text.endswith(b"\r" if by_return else b"\n"):
        text += b"\r" if by_return else b"\n"
    elif not final and by_return and text.endswith(b"\r"):
        return None
    octets = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(octets == (13 if by_return else 10))
    if not len(ends):
        return None
    quotes = np.flatnonzero(octets == ord(dialect.quote)) if dialect.quote.encode() in text else None
    inside = None if quotes is None else (np.searchsorted(quotes, ends) & 1).astype(bool)
    stops = ends if inside is None else ends[~inside]
    stops = stops if final else stops[:-1]
    if not len(stops) or final and inside is not None and inside[-1]:
        return None
    cut = int(stops[-1]) + 1
    starts = np.concatenate(([0], stops[:-1] + 1))
    text, octets, ends = text[:cut], octets[:cut], ends[: np.searchsorted(ends, cut)]
    if not by_return and returns and text.count(b"\r") != text.count(b"\r\n"):
        return None
    lengths = stops - starts
    if by_return is False and returns:
        lengths = lengths - (octets[np.maximum(stops - 1, 0)] == 13)
    first_lines = np.searchsorted(ends, starts)
    if lengths.max() > LONGEST_CELL:
        return None
    if quotes is not None:
        quotes = quotes[: np.searchsorted(quotes, cut)]
        if not _quotes_in_order(octets, quotes, dialect):
            return None
        if len(ends) > len(stops) and not _lines_inside_are_text(octets, ends, first_lines, layout):
            return None
    try:
        table = _split(text, layout, len(ends) > len(stops))
    except pa.ArrowInvalid:
        return None
    told = lengths > 0
    lines = first_lines[told] + window.line
    if table.num_rows != len(lines) or not _all_rows(table, layout):
        return None
    return _Rows(_named(table, layout, wanted), lines.astype(np.int64), [], window.at + cut, window.line + len(ends))


def _quotes_in_order(octets: np.ndarray, quotes: np.ndarray, dialect) -> bool:
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


def _lines_inside_are_text(octets: np.ndarray, ends: np.ndarray, first_lines: np.ndarray, layout: Layout) -> bool:
    """Whether no line that continues a record has as many separators as a row of its own, and no record is endless."""
    separators = np.flatnonzero(octets == ord(layout.dialect.delimiter))
    counts = np.diff(np.searchsorted(separators, ends), prepend=0)
    continues = np.ones(len(ends), bool)
    continues[first_lines] = False
    longest = np.diff(np.append(first_lines, len(ends))).max()
    return bool(longest < LONGEST_RECORD and not (counts[continues] + 1 == layout.width).any())


def _split(text: bytes, layout: Layout, line_ends_inside: bool) -> pa.Table:
    names = [str(i) for i in range(layout.width)]
    if not text:
        return pa.table([pa.array([], pa.string())] * layout.width, names=names)
    return pyarrow.csv.read_csv(
        pa.py_buffer(text),
        read_options=pyarrow.csv.ReadOptions(column_names=names, block_size=len(text) + 1),
        parse_options=pyarrow.csv.ParseOptions(
            delimiter=layout.dialect.delimiter, quote_char=layout.dialect.quote, newlines_in_values=line_ends_inside
        ),
        convert_options=pyarrow.csv.ConvertOptions(column_types=dict.fromkeys(names, pa.string()), check_utf8=True),
    )


def _named(table: pa.Table, layout: Layout, wanted: tuple[str, ...]) -> pa.Table:
    return table.select(range(len(layout.headings))).rename_columns(list(layout.headings)).select(list(wanted))


def _all_rows(table: pa.Table, layout: Layout) -> bool:
    """Whether no record is blank, a totals line or the headings again, and spare cells at the end are empty."""
    for i in range(len(layout.headings), layout.width):
        if not pc.all(_blank(table[i])).as_py():
            return False
    for line in layout.written:
        at = first_told(line)
        if pc.any(pc.equal(_trimmed(table[at]), line[at])).as_py():
            return False
    some = layout.filled or range(len(layout.headings))
    doubtful = _blank(table[some[0]])
    for i in some[1:]:
        doubtful = pc.or_(doubtful, _blank(table[i])) if layout.filled else pc.and_(doubtful, _blank(table[i]))
        if not layout.filled and not pc.any(doubtful).as_py():
            return True
    if not pc.any(doubtful).as_py():
        return True
    rows = table.filter(doubtful)
    labels = pa.nulls(rows.num_rows, pa.string())
    for column in rows.columns:
        trimmed = _trimmed(column)
        labels = pc.coalesce(labels, pc.if_else(pc.equal(trimmed, ""), None, trimmed))
        if not labels.null_count:
            break
    return not labels.null_count and not (layout.filled and any(is_totals_label(label) for label in pc.unique(labels).to_pylist()))


def _trimmed(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return pc.utf8_trim(column, characters=BLANKS)


def _blank(column: pa.ChunkedArray) -> pa.ChunkedArray:
    return pc.equal(_trimmed(column), "")
