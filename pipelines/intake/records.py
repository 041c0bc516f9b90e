"""One record of a separated text file: the row it says for certain, or why it is damaged.

The grammar stands here: when a quoted cell may run over several lines, and which record says something
certain. How far a damage reaches among its neighbors is decided in `stretches`. The reader's fast path takes
only what this grammar would take unchanged.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from pipelines.intake.damage import (
    CUT_OFF,
    NOT_TEXT,
    NUL,
    OTHER_SEPARATOR,
    QUOTE_OPEN,
    QUOTE_STRAY,
    TOO_FEW,
    TOO_LONG,
    TOO_MANY,
)
from pipelines.intake.layout import (
    BLANKS,
    SEPARATORS,
    Dialect,
    Layout,
    exact_shape,
    first_filled,
    kind,
    looks_like_row,
    shape,
    split,
)

LONGEST_CELL = 1_000_000  # characters
LONGEST_TEXT = 2_000  # characters of a damaged row that are kept
LONGEST_RECORD = 5_000  # lines that one quoted cell may run over

_NO_TEXT = re.compile("[\udc80-\udcff]")  # what surrogateescape makes of bytes that are no text
_CONTROL = re.compile(rb"[\0-\x08\x0e-\x1f]")
_LINE_END = re.compile(rb"\r\n|\n|\r")


class Line(NamedTuple):
    """A physical line: bytes without the line end, that end, where the next begins, whether all is there."""

    raw: bytes
    end: bytes
    after: int
    whole: bool


NextLine = Callable[[int], Line | None]  # physical line that starts at a byte; None at the end of the file


def lines_of(text: bytes) -> NextLine:
    """A function that gives the physical line starting at a byte of a text that is all there."""

    def next_line(at: int) -> Line | None:
        if at >= len(text):
            return None
        found = _LINE_END.search(text, at)
        return (
            Line(text[at : found.start()], found.group(), found.end(), True)
            if found
            else Line(text[at:], b"", len(text), True)
        )

    return next_line


@dataclass
class Record:
    """One record, or one damaged stretch: bytes `at` to `after`, `count` physical lines from `line` on.

    `row` is a good record as one would write it: quotes only where needed and doubled inside, no line end.
    """

    at: int
    after: int
    line: int
    count: int
    raw: bytes
    row: bytes | None = None
    reason: str = ""
    expected: str = ""
    pieces: int = 0  # cells; where quotes are out of order, quotes disregarded
    ended: bool = True  # its last line has a line end
    blank: bool = False
    with_next: bool = False  # one stretch with the next record

    @property
    def text(self) -> str:
        """Its text for a person: bytes that are no text are written \\xNN, cut to LONGEST_TEXT characters."""
        return (
            self.raw.rstrip(b"\r\n")[: 4 * LONGEST_TEXT]
            .decode("utf-8", "backslashreplace")
            .replace("\0", "\\x00")[:LONGEST_TEXT]
        )


def next_record(next_line: NextLine, at: int, number: int, layout: Layout) -> Record | None:
    """The record that starts at a byte, damaged or not; None at the end of the file."""
    first = next_line(at)
    if first is None:
        return None
    if _plainly_a_row(first, number, layout):
        return Record(at, first.after, number, 1, first.raw, first.raw)
    text = decoded(first.raw)
    one = Record(at, first.after, number, 1, first.raw, ended=bool(first.end))
    if text.strip(BLANKS) in ("", "\x1a"):
        one.blank = True
        return one
    if not first.whole:
        return damaged(one, TOO_LONG, f"a line under {LONGEST_CELL:,} characters")
    cells, quotes = split(text, layout.dialect)
    if not quotes:
        return _judge(one, cells, layout)
    one.pieces = text.count(layout.dialect.delimiter) + 1
    if quotes == "open":
        return _over_lines(next_line, one, first, cells, layout)
    return damaged(one, QUOTE_STRAY, "quotes only round a whole cell, doubled inside it")


def _plainly_a_row(line: Line, number: int, layout: Layout) -> bool:
    """Whether a line without quotes is surely a good row, without splitting all of it."""
    raw, delimiter = line.raw, layout.dialect.delimiter.encode()
    if (
        raw.count(delimiter) + 1 != layout.width
        or layout.width != len(layout.headings)
        or len(raw) > LONGEST_CELL
    ):
        return False
    if (
        layout.dialect.quote.encode() in raw
        or not raw.isascii()
        or _CONTROL.search(raw)
        or not line.whole
        or not line.end
    ):
        return False
    if _other_separators(raw, layout):
        return False
    cells = raw[:4_000].decode().split(layout.dialect.delimiter, layout.telling)
    return (
        len(cells) > layout.telling
        and not layout.may_be_two(cells[0], number)
        and cells[0].strip(BLANKS) not in ("", *layout.names)
        and all(cells[i].strip(BLANKS) for i in layout.filled)
        and not any(
            cells[first_filled(line)].strip(BLANKS) == line[first_filled(line)] for line in layout.written
        )
    )


def decoded(raw: bytes) -> str:
    return raw.decode("utf-8", "surrogateescape")


def _over_lines(next_line: NextLine, one: Record, first: Line, cells: list[str], layout: Layout) -> Record:
    """The record whose quoted cell is still open at the end of its first line."""
    unclosed = damaged(one, QUOTE_OPEN, "a quote that ends the cell")
    done, opened, size = cells[:-1], [cells[-1]], 0
    line, raws, likely = first, [first.raw + first.end], False
    while line.end and len(raws) <= LONGEST_RECORD and size <= LONGEST_CELL:
        opened.append(line.end.decode())
        following = next_line(line.after)
        if following is None or not following.whole:
            return unclosed
        line = following
        raws.append(line.raw + line.end)
        size += len(line.raw)
        text = decoded(line.raw)
        cells, quotes = split(text, layout.dialect, opened)
        last = quotes == "" or len(cells) > 1
        if text.count(layout.dialect.delimiter) + 1 == layout.width:
            likely = likely or looks_like_row(text, layout)
            if likely and (not last or one.pieces == layout.width or quotes):
                return unclosed
        if quotes == "stray":
            return unclosed
        if quotes == "open" and len(cells) == 1:
            opened.append(cells[0])
            continue
        done += cells if quotes == "" else cells[:-1]
        if quotes == "open":
            opened = [cells[-1]]
            continue
        if len(done) != layout.width and likely:
            return unclosed
        return _judge(
            Record(one.at, line.after, one.line, len(raws), b"".join(raws), ended=bool(line.end)),
            done,
            layout,
        )
    if line.end or likely:
        return unclosed
    stretch = Record(one.at, line.after, one.line, len(raws), b"".join(raws), ended=False)
    return damaged(stretch, CUT_OFF, "a quote that ends the cell before the file ends")


def damaged(record: Record, reason: str, expected: str) -> Record:
    record.row, record.reason, record.expected = None, reason, expected
    return record


def _judge(record: Record, cells: list[str], layout: Layout) -> Record:
    """The record with its row if that is certain, else with the reason why not."""
    what = kind(cells, layout)
    if what == "blank":
        record.blank = True
        return record
    record.pieces = len(cells)
    if b"\0" in record.raw:
        return damaged(record, NUL, "text without NUL bytes")
    if not record.raw.isascii() and any(map(_NO_TEXT.search, cells)):
        return damaged(record, NOT_TEXT, "bytes that are text in the encoding of the file")
    if _CONTROL.search(record.raw):
        return damaged(record, NOT_TEXT, "text without control bytes")
    if what != "row":
        return damaged(record, what, "a row of readings")
    wanted = f"{layout.width} cells, found {len(cells)}"
    if len(cells) < layout.width:
        return damaged(record, TOO_FEW if record.ended else CUT_OFF, wanted)
    if len(cells) > layout.width:
        return damaged(record, TOO_MANY, wanted)
    if any(cell.strip(BLANKS) for cell in cells[len(layout.headings) :]):
        return damaged(record, TOO_MANY, f"{len(layout.headings)} cells and nothing after the last separator")
    if len(record.raw) > LONGEST_CELL and max(map(len, cells)) > LONGEST_CELL:
        return damaged(record, TOO_LONG, f"cells under {LONGEST_CELL:,} characters")
    if layout.may_be_two(cells[0], record.line):
        expected = "a row on a line of its own, whose first cell is not the beginning of one and another"
        return damaged(record, CUT_OFF, expected)
    if not record.ended and _may_be_cut(record, cells, layout):
        return damaged(
            record,
            CUT_OFF,
            "a line end behind the last row, or a last cell of a form that its column has elsewhere",
        )
    if separator := next(
        (one for one in _other_separators(record.raw, layout) if _fits_better(record, cells, one, layout)),
        None,
    ):
        return damaged(
            record,
            OTHER_SEPARATOR,
            f"cells set apart as in the other rows; {SEPARATORS[separator]}s give {layout.width} cells, too",
        )
    record.row = (
        _written(cells, layout.dialect) if layout.dialect.quote.encode() in record.raw else record.raw
    )
    return record


def _may_be_cut(record: Record, cells: list[str], layout: Layout) -> bool:
    """Whether the last cell of a file without a last line end begins like a longer form of its column, and
    has none.

    "12" is doubted where that column has "12.5" and the like and nothing of two digits. A closing quote, or a
    separator that ends every row, shows that the cell is whole; where the other rows prove no forms, it is
    taken as it stands.
    """
    forms = layout.edges[1]
    if (
        forms is None
        or layout.width > len(layout.headings)
        or record.raw.endswith(layout.dialect.quote.encode())
    ):
        return False
    last = exact_shape(cells[-1])
    return not forms[last] and any(form.startswith(last) for form in forms)


def _other_separators(raw: bytes, layout: Layout) -> list[str]:
    """Separators other than the file's that would split a line into as many cells."""
    return [
        one
        for one in SEPARATORS
        if one != layout.dialect.delimiter and raw.count(one.encode()) + 1 == layout.width
    ]


def _fits_better(record: Record, cells: list[str], separator: str, layout: Layout) -> bool:
    """Whether the cells by another separator have more of the forms that their columns have elsewhere."""
    own, quote = record.line <= layout.learned, layout.dialect.quote  # what it taught itself proves nothing
    others = [cell.strip(quote + " ") for cell in decoded(record.raw).rstrip("\r\n").split(separator)]
    agreeing = sum(
        shapes is not None and shapes[shape(cell)] > own
        for cell, shapes in zip(cells, layout.shapes, strict=False)
    )
    return agreeing < sum(
        shapes is not None and any(shape(cell) in (form, form.replace(".", ",")) for form in shapes)
        for cell, shapes in zip(others, layout.shapes, strict=False)
    )


def _written(cells: list[str], dialect: Dialect) -> bytes:
    """Cells as one strict record."""
    quote, special = dialect.quote, re.compile(f"[\r\n{re.escape(dialect.quote + dialect.delimiter)}]")
    return dialect.delimiter.join(
        quote + cell.replace(quote, quote * 2) + quote if special.search(cell) else cell for cell in cells
    ).encode()
