"""What one record of a separated text file is, and what is damage.

The whole of the grammar stands here: how a line splits into cells, when a quoted cell may run over several lines,
which record says something certain, and how far a damage reaches. The reader's fast path takes only what this
grammar would take unchanged.
"""

import re
from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from typing import NamedTuple

LONGEST_CELL = 1_000_000  # characters
LONGEST_TEXT = 2_000  # characters of a damaged row that are kept
LONGEST_WORD = 40  # characters of an id or a number
LONGEST_RECORD = 5_000  # lines that one quoted cell may run over
LONGEST_STRETCH = 20_000  # records looked at together
BLANKS = " \t\v\f\xa0\ufeff"  # what may stand in an empty cell
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}

TOO_FEW = "too few cells"
TOO_MANY = "too many cells"
QUOTE_OPEN = "quote not closed"
QUOTE_STRAY = "quote out of place"
NOT_TEXT = "bytes that are not text"
NUL = "NUL byte"
TOO_LONG = "cell too long"
CUT_OFF = "row cut off"
OTHER_SEPARATOR = "another separator"
BROKEN = "row broken by a line end"
NEIGHBOR = "row not told apart from a stray line beside it"
TOTALS = "totals line"
REPEATED = "headings repeated"
OTHER_HEADINGS = "other headings from here on"
DAMAGE_REASONS = (
    TOO_FEW,
    TOO_MANY,
    QUOTE_OPEN,
    QUOTE_STRAY,
    NOT_TEXT,
    NUL,
    TOO_LONG,
    CUT_OFF,
    OTHER_SEPARATOR,
    BROKEN,
    NEIGHBOR,
    TOTALS,
    REPEATED,
    OTHER_HEADINGS,
)

_NO_TEXT = re.compile("[\udc80-\udcff]")  # what surrogateescape makes of bytes that are no text
_CONTROL = re.compile(rb"[\0-\x08\x0e-\x1f]")
_TOTALS = re.compile(
    r"\W*(?:(?:grand|report|overall|page|sub|running)[ -]?)?(?:totals?|subtotals?|sums?|averages?|mean|count)"
    r"(?: (?:of|for|number|count|rows|records|homes|units|inspections|jobs|visits|lines)\b.*)?\s*[:=]?\s*[-$\d.,% ]*"
    r"|(?:number of )?(?:rows|records|lines|inspections|homes)\s*[:=]\s*[\d., ]+"
    r"|\(?[\d.,]+ (?:rows?|records?|lines?|inspections|homes)(?: (?:selected|exported|in all|total|affected|read))?\)?\W*"
    r"|\W*end of (?:file|report|export|data|list)\W*",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Damage:
    """One row of an export that is not loaded: the physical line where it starts, its text, why, and what was expected."""

    line: int
    text: str
    reason: str
    expected: str


@dataclass(frozen=True)
class Dialect:
    """How cells are set apart and quoted.

    `backslash`: inside quotes a backslash takes the next character literally, beside the doubled quote.
    `bare_quotes`: this export writes quotes inside unquoted cells as plain text (3/4" copper).
    """

    delimiter: str
    quote: str = '"'
    backslash: bool = False
    bare_quotes: bool = False


class Line(NamedTuple):
    """A physical line without its line end: bytes, the line end, where the next line begins, and whether it is all there."""

    raw: bytes
    end: bytes
    after: int
    whole: bool


NextLine = Callable[[int], Line | None]  # physical line that starts at a byte; None at the end of the file


@dataclass
class Layout:
    """The columns of one export, and what its first rows looked like.

    `width` is the number of cells of a row: one per heading, and one blank cell for each separator that ends every row.
    `written` are the heading lines as they stand in the file, trimmed, `names` what stands in them; `units` one of them read as units, by column.
    `filled` are the first few columns that no ordinary row leaves empty. `shapes` hold per column the forms of text met
    in the first rows (up to line `learned`), None where there were too many to tell, as in free text; `edges` the exact
    forms in the first and the last column.
    """

    dialect: Dialect
    headings: tuple[str, ...]
    width: int
    written: tuple[tuple[str, ...], ...] = ()
    units: tuple[str, ...] = ()
    filled: tuple[int, ...] = ()
    shapes: list[Counter | None] = field(default_factory=list)
    edges: tuple[Counter | None, Counter | None] = (None, None)
    learned: int = 0
    telling: int = 1  # how many cells tell whether a plain line is a row

    def __post_init__(self):
        self.names = frozenset(
            cell for line in self.written[: 1 if self.units else 2] for cell in line if cell
        )

    def learn(self, rows: list[list[str]], line: int) -> None:
        """Take filled columns and shapes from ordinary rows, the last of which starts on a line."""
        rows = [row for row in rows if not _is_totals(row)] or rows
        columns = list(zip(*rows)) if rows else [()] * self.width
        self.learned = line
        self.filled = tuple(
            i for i in range(len(self.headings)) if rows and all(cell.strip(BLANKS) for cell in columns[i])
        )[:4]
        self.telling = max([*self.filled, *map(first_told, self.written)]) + 1
        self.shapes = [_few(map(shape, column)) for column in columns]
        self.edges = (
            _few(map(exact_shape, columns[0])),
            _few(map(exact_shape, columns[len(self.headings) - 1])),
        )


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


_DIGITS, _LETTERS = re.compile(r"\d+"), re.compile(r"[^\W\d_]+")


def shape(text: str) -> str:
    """Form of a text: a run of digits becomes 9, a run of letters a, the rest stays."""
    return _LETTERS.sub("a", _DIGITS.sub("9", text.strip()))[:40]


def exact_shape(text: str) -> str:
    """Form of a text with the number of its digits and letters."""
    return re.sub(r"[^\W\d_]", "a", re.sub(r"\d", "9", text.strip()))[:60]


def _few(shapes: Iterable[str]) -> Counter | None:
    counts = Counter(shapes)
    return counts if 0 < len(counts) <= min(40, counts.total() / 2) else None


def _is_totals(cells: list[str]) -> bool:
    return is_totals_label(next((cell for cell in cells if cell.strip(BLANKS)), "").strip(BLANKS))


def is_totals_label(text: str) -> bool:
    """Whether the first text of a line, trimmed, says that the line sums up others."""
    return len(text) < 80 and bool(_TOTALS.fullmatch(text))


def kind(cells: list[str], layout: Layout) -> str:
    """What a record of any number of cells is: "row", "blank", or the reason why it is no row.

    Those are TOTALS, REPEATED, and OTHER_HEADINGS where the rows after it belong to another table.
    """
    if not cells[0].strip(BLANKS) and not any(cell.strip(BLANKS) for cell in cells):
        return "blank"
    if cells[0].strip(BLANKS) in layout.names:
        told = [cell.strip(BLANKS) for cell in cells if cell.strip(BLANKS)]
        if sum(cell in layout.names for cell in told) >= max(3, 0.6 * len(told)):
            return REPEATED if any(_same(cells, line) for line in layout.written) else OTHER_HEADINGS
    if any(_same(cells, line) for line in layout.written):
        return REPEATED
    if (len(cells) != layout.width or any(not cells[i].strip(BLANKS) for i in layout.filled)) and _is_totals(
        cells
    ):
        return TOTALS
    return "row"


def _same(cells: list[str], line: tuple[str, ...]) -> bool:
    at = first_told(line)
    if at >= len(cells) or cells[at].strip(BLANKS) != line[at]:
        return False
    plain = [cell.strip(BLANKS) for cell in cells]
    return plain[: len(line)] == list(line) and not any(plain[len(line) :])


def first_told(line: tuple[str, ...]) -> int:
    """Index of the first cell of a heading line that is not empty."""
    return next(i for i, cell in enumerate(line) if cell)


@lru_cache(maxsize=64)
def _patterns(dialect: Dialect):
    quote, delimiter = re.escape(dialect.quote), re.escape(dialect.delimiter)
    space = " *+" if dialect.delimiter != " " else ""
    if dialect.backslash:
        body = rf"((?:[^{quote}\\]++|\\(?:.|\Z)|{quote}{quote})*+)"
    else:
        body = rf"((?:[^{quote}]++|{quote}{quote})*+)"
    begin = re.compile(rf"{space}{quote}")
    close = re.compile(rf"{body}{quote}", re.DOTALL)
    follow = re.compile(rf"{space}(?:({delimiter})|\Z)")
    return begin, close, follow


def split(text: str, dialect: Dialect, opened: list[str] | None = None) -> tuple[list[str], str]:
    """Cells of one line, and what became of its quotes: "" (all in order), "open" or "stray".

    `opened` continues a quoted cell: its text so far, in pieces. When "open", the last cell is the text of the cell that
    is still open, raw.
    """
    delimiter, quote = dialect.delimiter, dialect.quote
    if opened is None and quote not in text:
        return text.split(delimiter), ""
    begin, close, follow = _patterns(dialect)
    cells, at = [], 0
    while True:
        start = 0 if opened is not None else None
        if start is None and (found := begin.match(text, at)):
            start = found.end()
        if start is not None:
            found = close.match(text, start)
            if not found:
                cells.append(text[start:])
                return cells, "open"
            cells.append(_unquoted("".join(opened or ()) + found.group(1), dialect))
            opened = None
            found = follow.match(text, found.end())
            if not found:
                return cells, "stray"
            if not found.group(1):
                return cells, ""
            at = found.end()
            continue
        end = text.find(delimiter, at)
        cell = text[at:] if end < 0 else text[at:end]
        if quote in cell and not dialect.bare_quotes:
            return cells, "stray"
        cells.append(cell)
        if end < 0:
            return cells, ""
        at = end + len(delimiter)


def _unquoted(body: str, dialect: Dialect) -> str:
    if dialect.backslash:
        quote = re.escape(dialect.quote)
        return re.sub(rf"\\([\\{quote}])|{quote}{quote}", lambda found: found.group(1) or dialect.quote, body)
    return body.replace(dialect.quote * 2, dialect.quote)


def looks_like_row(text: str, layout: Layout) -> bool:
    """Whether a line inside a quoted cell is rather a row of its own: as many cells, and of the shapes of most columns."""
    cells = text.split(layout.dialect.delimiter)
    if len(cells) != layout.width:
        return False
    quote = layout.dialect.quote
    told = [
        shape(cell.strip().strip(quote)) in shapes
        for cell, shapes in zip(cells, layout.shapes)
        if shapes is not None
    ]
    return not told or sum(told) * 2 >= len(told)


def next_record(next_line: NextLine, at: int, number: int, layout: Layout) -> Record | None:
    """The record that starts at a byte, damaged or not; None at the end of the file."""
    first = next_line(at)
    if first is None:
        return None
    if _plainly_a_row(first, layout):
        return Record(at, first.after, number, 1, first.raw, first.raw)
    text = _decoded(first.raw)
    one = Record(at, first.after, number, 1, first.raw, ended=bool(first.end))
    if text.strip(BLANKS) in ("", "\x1a"):
        one.blank = True
        return one
    if not first.whole:
        return _damaged(one, TOO_LONG, f"a line under {LONGEST_CELL:,} characters")
    cells, quotes = split(text, layout.dialect)
    if not quotes:
        return _judge(one, cells, layout)
    one.pieces = text.count(layout.dialect.delimiter) + 1
    if quotes == "open":
        return _over_lines(next_line, one, first, cells, layout)
    return _damaged(one, QUOTE_STRAY, "quotes only round a whole cell, doubled inside it")


def _plainly_a_row(line: Line, layout: Layout) -> bool:
    """Whether a line without quotes is surely a good row, told without splitting all of it."""
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
        and cells[0].strip(BLANKS) not in ("", *layout.names)
        and all(cells[i].strip(BLANKS) for i in layout.filled)
        and not any(
            cells[first_told(line)].strip(BLANKS) == line[first_told(line)] for line in layout.written
        )
    )


def _decoded(raw: bytes) -> str:
    return raw.decode("utf-8", "surrogateescape")


def _over_lines(next_line: NextLine, one: Record, first: Line, cells: list[str], layout: Layout) -> Record:
    """The record whose quoted cell is still open at the end of its first line."""
    unclosed = _damaged(one, QUOTE_OPEN, "a quote that ends the cell")
    done, opened, size = cells[:-1], [cells[-1]], 0
    line, raws, likely = first, [first.raw + first.end], False
    while line.end and len(raws) <= LONGEST_RECORD and size <= LONGEST_CELL:
        opened.append(line.end.decode())
        line = next_line(line.after)
        if line is None or not line.whole:
            return unclosed
        raws.append(line.raw + line.end)
        size += len(line.raw)
        text = _decoded(line.raw)
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
    return _damaged(stretch, CUT_OFF, "a quote that ends the cell before the file ends")


def _damaged(record: Record, reason: str, expected: str) -> Record:
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
        return _damaged(record, NUL, "text without NUL bytes")
    if not record.raw.isascii() and any(map(_NO_TEXT.search, cells)):
        return _damaged(record, NOT_TEXT, "bytes that are text in the encoding of the file")
    if _CONTROL.search(record.raw):
        return _damaged(record, NOT_TEXT, "text without control bytes")
    if what != "row":
        return _damaged(record, what, "a row of readings")
    wanted = f"{layout.width} cells, found {len(cells)}"
    if len(cells) < layout.width:
        return _damaged(record, TOO_FEW if record.ended else CUT_OFF, wanted)
    if len(cells) > layout.width:
        return _damaged(record, TOO_MANY, wanted)
    if any(cell.strip(BLANKS) for cell in cells[len(layout.headings) :]):
        return _damaged(
            record, TOO_MANY, f"{len(layout.headings)} cells and nothing after the last separator"
        )
    if len(record.raw) > LONGEST_CELL and max(map(len, cells)) > LONGEST_CELL:
        return _damaged(record, TOO_LONG, f"cells under {LONGEST_CELL:,} characters")
    if not record.ended and _may_be_cut(record, cells, layout):
        return _damaged(
            record,
            CUT_OFF,
            "a line end behind the last row, or a last cell of a form that its column has elsewhere",
        )
    if separator := next(
        (one for one in _other_separators(record.raw, layout) if _fits_better(record, cells, one, layout)),
        None,
    ):
        return _damaged(
            record,
            OTHER_SEPARATOR,
            f"cells set apart as in the other rows; {SEPARATORS[separator]}s give {layout.width} cells, too",
        )
    record.row = (
        _written(cells, layout.dialect) if layout.dialect.quote.encode() in record.raw else record.raw
    )
    return record


def _may_be_cut(record: Record, cells: list[str], layout: Layout) -> bool:
    """Whether the last cell of a file without a last line end begins like a longer form of its column, and is itself of none.

    "12" is doubted where that column has "12.5" and the like and nothing of two digits. A closing quote, or a separator
    that ends every row, shows that the cell is whole; where the other rows prove no forms, it is taken as it stands.
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
    """Separators other than the file's that would part a line into as many cells."""
    return [
        one
        for one in SEPARATORS
        if one != layout.dialect.delimiter and raw.count(one.encode()) + 1 == layout.width
    ]


def _fits_better(record: Record, cells: list[str], separator: str, layout: Layout) -> bool:
    """Whether the cells that another separator gives have more of the forms known in their columns."""

    own, quote = record.line <= layout.learned, layout.dialect.quote  # what it taught itself proves nothing
    others = [cell.strip(quote + " ") for cell in _decoded(record.raw).rstrip("\r\n").split(separator)]
    told = sum(shapes is not None and shapes[shape(cell)] > own for cell, shapes in zip(cells, layout.shapes))
    return told < sum(
        shapes is not None and any(shape(cell) in (form, form.replace(".", ",")) for form in shapes)
        for cell, shapes in zip(others, layout.shapes)
    )


def _written(cells: list[str], dialect: Dialect) -> bytes:
    """Cells as one strict record."""
    quote, special = dialect.quote, re.compile(f"[\r\n{re.escape(dialect.quote + dialect.delimiter)}]")
    return dialect.delimiter.join(
        quote + cell.replace(quote, quote * 2) + quote if special.search(cell) else cell for cell in cells
    ).encode()


def _cells(record: Record, layout: Layout) -> list[str]:
    """Cells of a good record, one for each heading."""
    return split(_decoded(record.row), Dialect(layout.dialect.delimiter, layout.dialect.quote))[0][
        : len(layout.headings)
    ]


def next_records(
    next_line: NextLine, at: int, number: int, until: int, layout: Layout
) -> tuple[list[Record], int, int]:
    """Records from a byte up to about another, and the byte and line where to go on.

    A stretch ends between two good records, of which the second is left for the next stretch, so that whatever
    touches a neighbor is seen together with it; at the end of the file it ends there, and where another table begins.
    Blank records are left out.
    """
    records: list[Record] = []
    start = at
    while (record := next_record(next_line, at, number, layout)) is not None:
        tidy = record.row is not None and bool(records) and (records[-1].blank or records[-1].row is not None)
        if tidy and record.at >= until > start or len(records) > LONGEST_STRETCH:
            break
        records.append(record)
        at, number = record.after, number + record.count
        if record.reason == OTHER_HEADINGS:
            break
    return [record for record in _told_apart(records, layout) if not record.blank], at, number


def _told_apart(records: list[Record], layout: Layout) -> list[Record]:
    """The same records with rows beside a stray line judged again, and the pieces of one row joined."""
    for i, record in enumerate(records):
        if (
            record.reason in (TOO_FEW, CUT_OFF)
            and record.count == 1
            and record.pieces == 1
            and layout.width > 1
        ):
            _judge_neighbors(records, i, layout)
    told: list[Record] = []
    for record in records:
        told.append(record)
        if _is_piece(record) and not _begins_a_row(record, layout):
            _join_broken(told, layout)
            _join_quoted(told, layout)
    return _join_neighbors(told)


def _is_piece(record: Record) -> bool:
    return record.reason in (TOO_FEW, CUT_OFF, QUOTE_STRAY, QUOTE_OPEN)


def _begins_a_row(record: Record, layout: Layout) -> bool:
    """Whether a damaged record has the beginning of a row: a first cell of a form known there, else many cells."""
    forms, quote = layout.edges[0], layout.dialect.quote
    if record.with_next or forms is None:
        return record.with_next or record.pieces * 2 > layout.width
    return exact_shape(_decoded(record.raw).split(layout.dialect.delimiter, 1)[0].strip(quote + " ")) in forms


def _before(told: list[Record], at: int) -> int:
    """Index of the record before one, blank lines passed over; -1 if there is none."""
    at -= 1
    while at >= 0 and told[at].blank:
        at -= 1
    return at


def _join_broken(told: list[Record], layout: Layout) -> None:
    """Join the last pieces where together they have exactly the cells of one row, and none has them alone."""
    first, cells = len(told) - 1, told[-1].pieces
    while (
        cells < layout.width
        and told[first].pieces < layout.width
        and (before := _before(told, first)) >= 0
        and _is_piece(told[before])
    ):
        if _begins_a_row(told[first], layout):
            return
        first, cells = before, cells + told[before].pieces - 1
        if cells == layout.width and told[first].pieces < layout.width:
            expected = f"{layout.width} cells on one line, or the cell with the line end in quotes"
            told[first:] = [_damaged(_one(told[first:]), BROKEN, expected)]
            return


def _join_quoted(told: list[Record], layout: Layout) -> None:
    """Join the last piece to what stands before it where a quoted cell of a damaged row may run over both."""
    quote = layout.dialect.quote.encode()
    while (
        (last := told[-1]).pieces < layout.width
        and _is_piece(last)
        and (at := _before(told, len(told) - 1)) >= 0
    ):
        if _begins_a_row(last, layout):
            return
        before = told[at]
        quotes = before.raw.count(quote)
        opened = quotes % 2 == 1
        closing = last.reason == QUOTE_STRAY and (quotes > 0 or before.pieces < layout.width)
        if (
            before.row is not None
            or before.reason in (TOTALS, REPEATED, OTHER_HEADINGS)
            or not (opened or closing)
        ):
            return
        joined = _damaged(_one(told[at:]), before.reason, before.expected)
        joined.pieces = before.pieces
        if not quotes:
            joined.reason, joined.expected = last.reason, last.expected
        told[at:] = [joined]
        if quotes:
            return


def _one(parts: list[Record]) -> Record:
    """One stretch of records that follow each other."""
    first, last = parts[0], parts[-1]
    raw = b"\n".join(part.raw.rstrip(b"\r\n") for part in parts)
    return Record(
        first.at,
        last.after,
        first.line,
        sum(part.count for part in parts),
        raw,
        ended=last.ended,
        with_next=last.with_next,
    )


def _judge_neighbors(told: list[Record], i: int, layout: Layout) -> None:
    """A line of one cell may be torn off the end of the row before or the start of the row after: keep only what is certain."""
    stray, quote = _decoded(told[i].raw), layout.dialect.quote
    if stray.startswith(quote) and stray.endswith(quote) and stray.count(quote) == 2:
        stray = stray[1:-1]
    before = told[i - 1] if i > 0 and told[i - 1].row is not None else None
    after = told[i + 1] if i + 1 < len(told) and told[i + 1].row is not None else None
    end, start = before and _cells(before, layout)[-1], after and _cells(after, layout)[0]
    at_start, at_end = layout.edges
    torn_end, may_end = _torn(before, end, end + stray, at_end, layout) if before else (False, False)
    torn_start, may_start = _torn(after, start, stray + start, at_start, layout) if after else (False, False)
    begun = at_start is not None and any(form.startswith(exact_shape(stray)) for form in at_start)
    ends = before and (
        shape(stray) in ("9", "a") if at_end is None else shape(end + stray) in set(map(shape, at_end))
    )
    if not told[i].ended or begun and not ends:
        may_end = torn_end  # a row or file cut off in its first cell says nothing of the row before
    if torn_end != torn_start:
        may_end, may_start = torn_end, torn_start
    for row, torn in ((before, may_end), (after, may_start)):
        if torn:
            _damaged(row, NEIGHBOR, "a row without a line of one cell beside it")
    if may_start:
        told[i].with_next = True
    elif may_end:
        before.with_next = True


def _torn(row: Record, cell: str, joined: str, forms: Counter | None, layout: Layout) -> tuple[bool, bool]:
    """Whether a cell surely lost a piece, and whether it may have, by the forms its column has in other rows.

    Where a column has too many forms to tell, or is empty in every row, a piece of prose is taken for a line of its own, a piece of a word is not.
    """
    if forms is None or not any(forms):
        return False, bool(
            re.fullmatch(rf"\s*[^\s,;|]{{0,{LONGEST_WORD}}}[,;|]?[^\s,;|]{{0,{LONGEST_WORD}}}\s*", joined)
        )
    own = row.line <= layout.learned
    whole = exact_shape(joined)
    odd, fits = forms[exact_shape(cell)] <= own, forms[whole] > 0
    steady = joined.endswith(cell) and len(forms) == 1  # ids of one form, this one, too
    alike = not steady and shape(joined) in set(map(shape, forms))  # of another length, as "10" beside "9"
    return odd and fits, fits or (odd or alike) and len(whole) <= max(map(len, forms)) + 2


def _join_neighbors(told: list[Record]) -> list[Record]:
    """One stretch of a stray line and the row it may be torn off."""
    joined: list[Record] = []
    for record in told:
        if joined and joined[-1].with_next:
            record = _damaged(_one([joined.pop(), record]), NEIGHBOR, "a row on a line of its own")
        joined.append(record)
    return joined
