"""Which line of a file holds its headings, what they are called, and how many cells a row has."""

import itertools
import re
from collections import Counter

from pipelines.intake.cells import folded
from pipelines.intake.encoding import ExportError
from pipelines.intake.layout import BLANKS
from pipelines.intake.sample import SampleRecord

MOST_COLUMNS = 2_000
MOST_TITLE_LINES = 60

_UNITS = re.compile(
    r"[\[(]?(?:psi[ag]?|k?pa|bar|mbar|hpa|ft|feet|in|inch(?:es)?|m|gal(?:lons?)?|l(?:iters?)?"
    r"|(?:°|deg\.? ?)?[fc]|°|%|percent|btuh?|btu/hr?|mbh|kw|a|amps?|ma|y/n|yes/no"
    r"|yyyy-mm-dd|mm/dd/yyyy|dd/mm/yyyy|text|-)(?: ?(?:gauge|g))?[\])]?",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"[-+$]?[\d.,:/ -]*\d[\d.,:/ -]*%?")


def heading_record(records: list[SampleRecord], mapped: set[str]) -> int | None:
    """Index of the record with the headings: that with most mapped ones, two at least; else the first that
    could be.

    `mapped` are folded headings that mappings name.
    """
    counts = Counter(len(record.cells) for record in records if record.in_order and len(record.cells) > 1)
    usual = max(counts, key=lambda width: (counts[width] * (width - 1), width), default=0)
    first = [
        (i, record.cells)
        for i, record in enumerate(records[:MOST_TITLE_LINES])
        if record.in_order or len(record.cells) == usual
    ]
    most = max((hits(cells, mapped) for _, cells in first), default=0)
    if most >= 2:
        return next(i for i, cells in first if hits(cells, mapped) == most)
    return next((i for i, cells in first if usual and _could_be_headings(cells, usual)), None)


def hits(cells: list[str], mapped: set[str]) -> int:
    """How many mapped headings stand in a record."""
    return len({folded(cell) for cell in cells} & mapped)


def trimmed(cells: list[str]) -> list[str]:
    """Cells without the blank ones at the end."""
    return cells[: max((i for i, cell in enumerate(cells, 1) if cell.strip(BLANKS)), default=0)]


def _could_be_headings(cells: list[str], usual: int) -> bool:
    filled = [cell.strip(BLANKS) for cell in cells if cell.strip(BLANKS)]
    if abs(len(cells) - usual) > 1 and abs(len(trimmed(cells)) - usual) > 1:
        return False
    if len(filled) < max(2, 0.6 * usual):
        return False
    numbers = sum(bool(_NUMBER.fullmatch(cell)) for cell in filled)
    return numbers <= 0.2 * len(filled) and len(set(map(folded, filled))) >= 0.6 * len(filled)


def _usual(widths: list[int], default: int) -> tuple[int, Counter[int]]:
    """The most frequent width, the first of several, and how often each stands there."""
    counts = Counter(widths)
    return max(counts, key=lambda width: counts[width], default=default), counts


def width_of_rows(headings: list[str], widths: list[int]) -> int:
    """Cells of a row: as many as headings, unless nearly all rows have more separators at the end, or fewer.

    `widths` are those of the rows; three at least must differ so.
    """
    usual, counts = _usual(widths, len(headings))
    differs = usual >= len(trimmed(headings)) and counts[usual] > max(2, 5 * counts[len(headings)])
    return usual if differs else len(headings)


def columns(
    cells: list[str], width: int, rows: list[SampleRecord], line: int, name: str
) -> tuple[list[str], int]:
    """The headings, with an empty one for each filled column without heading, and the cells of a row."""
    headings = trimmed(cells)
    width = max(width, len(headings))
    filled = max((len(trimmed(row.cells)) for row in rows if len(row.cells) == width), default=0)
    usual, counts = _usual([len(row.cells) for row in rows], width)
    if filled > len(headings) and len(cells) >= filled:
        headings = cells[:filled]
    elif filled > len(headings) or usual != width and counts[usual] >= 3 and not counts[width]:
        wrong = f"{len(headings)} headings, but the rows have {usual} cells"
        raise ExportError(name, line, wrong, "one heading for each column")
    if len(headings) > MOST_COLUMNS:
        raise ExportError(name, line, f"{len(headings):,} headings", f"up to {MOST_COLUMNS:,} columns")
    return headings, width


def two_lines(
    records: list[SampleRecord], at: int, mapped: set[str]
) -> tuple[list[SampleRecord], list[str], list[str]] | None:
    """Two lines that surely are the headings together: their records, the headings, the units.

    No units: both lines are words.
    """
    head = records[at]
    above, below = (
        records[i] if 0 <= i < len(records) and records[i].in_order else None for i in (at - 1, at + 1)
    )
    if below and len(below.cells) == len(head.cells):
        filled = [cell.strip(BLANKS) for cell in below.cells if cell.strip(BLANKS)]
        some_word = any(len(cell.strip("[]()")) > 1 for cell in filled)
        if len(filled) >= 2 and all(map(_UNITS.fullmatch, filled)) and some_word:
            return [head, below], head.cells, below.cells
    for first, second in ((above, head), (head, below)):
        if first is None or second is None:
            continue
        headings = _joined(first.cells, second.cells, mapped)
        if hits(headings, mapped) > max(hits(head.cells, mapped), 1):
            return [first, second], headings, []
    return None


def _joined(first: list[str], second: list[str], mapped: set[str]) -> list[str]:
    """Headings over two lines, a word of the first line standing for the empty cells right of it, too."""
    headings, group = [], ""
    for one, two in itertools.zip_longest(first, second, fillvalue=""):
        group = one.strip(BLANKS) or group
        offered = [" ".join(words.split()) for words in (f"{one} {two}", f"{group} {two}", two, one)]
        headings.append(next((heading for heading in offered if folded(heading) in mapped), offered[0]))
    return headings


def distinct(headings: list[str]) -> tuple[str, ...]:
    """Headings trimmed, line ends in them made blanks, and none of them twice.

    The second "X" (without case) becomes "X (2)", an empty one "column 7".
    """
    names: list[str] = []
    taken = set(map(folded, headings))
    used: set[str] = set()
    for i, heading in enumerate(headings, 1):
        plain = heading.replace("\0", "").strip(BLANKS + "\r\n")
        name = plain = " ".join(re.split(r"[ \0]*[\r\n]+\s*", plain)) or f"column {i}"
        count = 2
        while folded(name) in used or name != plain and folded(name) in taken:
            name, count = f"{plain} ({count})", count + 1
        used.add(folded(name))
        names.append(name)
    return tuple(names)
