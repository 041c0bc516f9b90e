"""The columns of one export: how its cells are set apart and quoted, and what its ordinary rows look like.

Here a line splits into cells, and a record of cells is distinguished from headings that stand again, sums and
blank lines.
"""

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache

from pipelines.intake.damage import OTHER_HEADINGS, REPEATED, TOTALS

BLANKS = " \t\v\f\xa0\ufeff"  # what may stand in an empty cell
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}

_TOTALS = re.compile(
    r"\W*(?:(?:grand|report|overall|page|sub|running)[ -]?)?(?:totals?|subtotals?|sums?|averages?|mean|count)"
    r"(?: (?:of|for|number|count|rows|records|homes|units|inspections|jobs|visits|lines)\b.*)?"
    r"\s*[:=]?\s*[-$\d.,% ]*"
    r"|(?:number of )?(?:rows|records|lines|inspections|homes)\s*[:=]\s*[\d., ]+"
    r"|\(?[\d.,]+ (?:rows?|records?|lines?|inspections|homes)"
    r"(?: (?:selected|exported|in all|total|affected|read))?\)?\W*"
    r"|\W*end of (?:file|report|export|data|list)\W*",
    re.IGNORECASE,
)


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


@dataclass
class Layout:
    """The columns of one export, and what its first rows looked like.

    `width` is the number of cells of a row: one per heading, and one blank cell for each separator that ends
    every row. `written` are the heading lines as they stand in the file, trimmed, `names` what stands in
    them; `units` one of them read as units, by column. `filled` are the first few columns that no ordinary
    row leaves empty. `shapes` hold per column the forms of text met in the first rows (up to line `learned`),
    None where there were too many to tell, as in free text; `edges` the exact forms in the first and the last
    column. `first_forms` are those of the first column whatever the length of its numbers, `beginnings` what
    they begin with.
    """

    dialect: Dialect
    headings: tuple[str, ...]
    width: int
    written: tuple[tuple[str, ...], ...] = ()
    units: tuple[str, ...] = ()
    filled: tuple[int, ...] = ()
    shapes: list[Counter | None] = field(default_factory=list)
    edges: tuple[Counter | None, Counter | None] = (None, None)
    first_forms: Counter = field(default_factory=Counter)
    beginnings: frozenset[str] = frozenset()
    learned: int = 0
    telling: int = 1  # how many cells show whether a plain line is a row

    def __post_init__(self) -> None:
        self.names = frozenset(
            cell for line in self.written[: 1 if self.units else 2] for cell in line if cell
        )

    def learn(self, rows: list[list[str]], line: int) -> None:
        """Take filled columns and shapes from ordinary rows, the last of which starts on a line."""
        rows = [row for row in rows if not _is_totals(row)] or rows
        columns: list[tuple[str, ...]] = list(zip(*rows, strict=True)) if rows else [()] * self.width
        self.learned = line
        self.filled = tuple(
            i for i in range(len(self.headings)) if rows and all(cell.strip(BLANKS) for cell in columns[i])
        )[:4]
        self.telling = max([*self.filled, *map(first_filled, self.written)]) + 1
        self.shapes = [_few(map(shape, column)) for column in columns]
        self.edges = (
            _few(map(exact_shape, columns[0])),
            _few(map(exact_shape, columns[len(self.headings) - 1])),
        )
        self.first_forms = _few(map(grown, columns[0])) or Counter()
        self.beginnings = _beginnings(self.first_forms)

    def may_be_two(self, cell: str, line: int) -> bool:
        """Whether the first cell of a row may be the beginning of one row and the first cell of the next.

        "V-41V-4135" may be, where the column holds the likes of "V-4" and no other row has its form. Where a
        run of digits goes on over the seam nothing tells, since numbers grow as they go on; where one of
        letters does, both begin alike, or are of two forms. Words grow, too: only one with a number is told
        from two by its form alone.
        """
        text, whole = cell.strip(), grown(cell)
        if self.first_forms[whole] > (line <= self.learned) or len(text) > LONGEST_FORM:
            return False
        for form in self.first_forms:
            left = whole[: -len(form)]
            if len(form) < SHORTEST_ID or not left or not whole.endswith(form) or left not in self.beginnings:
                continue
            over_seam = _sort(left[-1]) == _sort(form[0])
            if over_seam and left[-1] == "a" and (found := re.match(_of_form(left), text)):
                if text[found.end() :].startswith(found.group()) or "9" in form and not form.startswith(left):
                    return True
            elif not over_seam and "9" in form:
                return True
        return False


LONGEST_FORM = 60  # characters of a text that are looked at
SHORTEST_ID = 3  # characters of a first cell that are told apart from what may stand before them
_DIGITS, _LETTERS = re.compile(r"\d+"), re.compile(r"[^\W\d_]+")


def shape(text: str) -> str:
    """Form of a text: a run of digits becomes 9, a run of letters a, the rest stays."""
    return _LETTERS.sub("a", _DIGITS.sub("9", text.strip()))[:40]


def exact_shape(text: str) -> str:
    """Form of a text with the number of its digits and letters."""
    return re.sub(r"[^\W\d_]", "a", re.sub(r"\d", "9", text.strip()))[:LONGEST_FORM]


def _few(shapes: Iterable[str]) -> Counter | None:
    counts = Counter(shapes)
    return counts if 0 < len(counts) <= min(40, counts.total() / 2) else None


def grown(text: str) -> str:
    """Form of a text with the number of its letters, numbers of whatever length being 9."""
    return re.sub("9+", "9", exact_shape(text))


def _sort(character: str) -> str:
    """Of a form's character: digit, letter, or else a mark."""
    return character if character in "9a" else ""


def _beginnings(forms: Iterable[str]) -> frozenset[str]:
    return frozenset(form[:end] for form in forms for end in range(1, len(form) + 1))


@lru_cache(maxsize=64)
def two_in_one(forms: frozenset[str]) -> str:
    """A regular expression of all first cells that `Layout.may_be_two` may find; "" where there are none."""
    forms = frozenset(form for form in forms if len(form) >= SHORTEST_ID)
    halves = []
    for sort in "9", "a", "":
        left = [one for one in _beginnings(forms) if _sort(one[-1]) == sort]
        right = [one for one in forms if sort == "a" or _sort(one[0]) != sort]
        if left and right:
            halves.append(f"^(?:{'|'.join(map(_of_form, left))})(?:{'|'.join(map(_of_form, right))})$")
    return "|".join(halves)


def _of_form(form: str) -> str:
    """A regular expression of the texts of a form."""
    written = {"9": "[0-9]+", "a": "[^0-9 ]"}
    return "".join(written.get(one, re.escape(one)) for one in form)


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
        filled = [cell.strip(BLANKS) for cell in cells if cell.strip(BLANKS)]
        if sum(cell in layout.names for cell in filled) >= max(3, 0.6 * len(filled)):
            return REPEATED if any(_same(cells, line) for line in layout.written) else OTHER_HEADINGS
    if any(_same(cells, line) for line in layout.written):
        return REPEATED
    if (len(cells) != layout.width or any(not cells[i].strip(BLANKS) for i in layout.filled)) and _is_totals(
        cells
    ):
        return TOTALS
    return "row"


def _same(cells: list[str], line: tuple[str, ...]) -> bool:
    at = first_filled(line)
    if at >= len(cells) or cells[at].strip(BLANKS) != line[at]:
        return False
    plain = [cell.strip(BLANKS) for cell in cells]
    return plain[: len(line)] == list(line) and not any(plain[len(line) :])


def first_filled(line: tuple[str, ...]) -> int:
    """Index of the first cell of a heading line that is not empty."""
    return next(i for i, cell in enumerate(line) if cell)


@lru_cache(maxsize=64)
def _patterns(dialect: Dialect) -> tuple[re.Pattern[str], re.Pattern[str], re.Pattern[str]]:
    """What begins a quoted cell, what closes it, and what may follow."""
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

    `opened` continues a quoted cell: its text so far, in pieces. When "open", the last cell is the text of
    the cell that is still open, raw.
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
    """Whether a line inside a quoted cell is rather a row: as many cells, shaped as most columns."""
    cells = text.split(layout.dialect.delimiter)
    if len(cells) != layout.width:
        return False
    quote = layout.dialect.quote
    agreeing = [
        shape(cell.strip().strip(quote)) in shapes
        for cell, shapes in zip(cells, layout.shapes, strict=False)
        if shapes is not None
    ]
    return not agreeing or sum(agreeing) * 2 >= len(agreeing)
