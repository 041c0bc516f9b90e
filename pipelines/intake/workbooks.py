"""A workbook that comes in: its sheets as rows of texts, or why it is not read.

Nothing in it runs and nothing outside it is opened: a formula is known for one and not worked out, and a
workbook that unpacks to too much, declares entities or holds macros is refused before it is opened.
"""

from __future__ import annotations

import re
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pipelines.intake.encoding import ExportError, refuse_by_first_bytes

LARGEST_UNPACKED = 512 << 20  # bytes of all parts together
MOST_PARTS = 10_000
MOST_CELLS = 40_000_000  # of all sheets, blank ones between filled ones counted
ACCEPTED = "a workbook saved as .xlsx, or a CSV"
BLOCK = 1 << 20
LONGEST_TEXT = 16 << 20  # bytes between two marks of a part, of which a cell may hold 32,767
_TAG = re.compile(rb"<(?:[A-Za-z_][\w.-]*:)?(row|mergeCell)\b([^>]*)>")
_ROW_NUMBER = re.compile(rb"\br\s*=\s*[\"'](\d{1,9})[\"']")
_HIDDEN = re.compile(rb"\bhidden\s*=\s*[\"'](?:1|true)[\"']")
_JOINED = re.compile(rb"\bref\s*=\s*[\"']([A-Z]{1,3})(\d{1,9}):([A-Z]{1,3})(\d{1,9})[\"']")
MOST_ROWS_JOINED = 10_000
MACROS = "vbaproject.bin"


@dataclass(frozen=True)
class SheetRow:
    """One row of a sheet, `number` as the program shows it; days as 2026-03-01, an empty cell as "".

    `formulas` and `merged` are positions of cells: those that hold a formula, and those that are one cell
    together with cells of other rows, which only the first of these rows fills. `wide` are those that are one
    cell together with cells of the same row alone.
    """

    number: int
    cells: tuple[str, ...]
    formulas: frozenset[int]
    merged: frozenset[int]
    wide: frozenset[int]
    hidden: bool


@dataclass(frozen=True)
class IncomingSheet:
    """One sheet: its name, its rows, to be gone through once, and whether the program shows it."""

    name: str
    rows: Iterator[SheetRow]
    visible: bool


@contextmanager
def opened_workbook(path: Path) -> Iterator[Iterator[IncomingSheet]]:
    """The sheets of an .xlsx in their order, as long as the file is open; ExportError where it is none."""
    _refuse(path)
    import openpyxl

    with _naming_damage(path), warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of what a workbook may hold and this does not read
        book = openpyxl.load_workbook(path, read_only=True, data_only=False, keep_links=False)
        try:
            yield _sheets(path, book)
        finally:
            book.close()


@contextmanager
def _naming_damage(path: Path) -> Iterator[None]:
    """Whatever a damaged workbook raises, in one sentence; what it raises is not told beforehand."""
    try:
        yield
    except (ExportError, OSError):
        raise
    except Exception as error:
        wrong = f"it cannot be read as a workbook ({type(error).__name__})"
        raise ExportError(path.name, None, wrong, ACCEPTED) from error


def is_workbook(path: Path) -> bool:
    """Whether a file begins as an .xlsx, or any other archive, does."""
    with open(path, "rb") as file:
        return file.read(4) == b"PK\x03\x04"


def _refuse(path: Path) -> None:
    """ExportError where a file is no workbook, or one that is not safe to open."""
    if not is_workbook(path):
        with open(path, "rb") as file:
            refuse_by_first_bytes(file.read(64 << 10), path.name)
        raise ExportError(path.name, None, "this is no workbook", ACCEPTED)
    with _naming_damage(path), zipfile.ZipFile(path) as archive:
        parts = archive.infolist()
        names = [part.filename.casefold() for part in parts]
        wrong = ""
        if "xl/workbook.xml" not in names:
            wrong = "this is an archive and no workbook, or one of another program"
        elif any(name.endswith(MACROS) for name in names):
            wrong = "it holds macros"
        elif len(parts) > MOST_PARTS or len(set(names)) < len(names):
            wrong = f"it has {len(parts):,} parts, or two of one name"
        elif (size := sum(part.file_size for part in parts)) > LARGEST_UNPACKED:
            wrong = f"it unpacks to {size >> 20:,} MB, more than {LARGEST_UNPACKED >> 20:,}"
        elif any(_declares(archive, part) for part in parts if part.filename.endswith((".xml", ".rels"))):
            wrong = "a part of it declares entities, which no program for sheets writes"
        if wrong:
            raise ExportError(path.name, None, wrong, ACCEPTED)


def _declares(archive: zipfile.ZipFile, part: zipfile.ZipInfo) -> bool:
    """Whether a part of XML has a declaration of its type, or is in letters that would hide one."""
    with archive.open(part) as file:
        rest = b""
        while block := file.read(BLOCK):
            if b"<!DOCTYPE" in rest + block or b"\0" in block:
                return True
            rest = block[-16:]
    return False


def _sheets(path: Path, book: Any) -> Iterator[IncomingSheet]:
    left = [MOST_CELLS]
    for page in book.worksheets:
        page.reset_dimensions()  # what a file says of its size is not believed
        yield IncomingSheet(
            page.title, _rows(path, page, _marks(path, page), left), page.sheet_state == "visible"
        )


@dataclass
class _Marks:
    """Of a sheet: numbers of its hidden rows; positions of cells joined with others, by the row's number."""

    hidden: set[int] = field(default_factory=set)
    merged: dict[int, frozenset[int]] = field(default_factory=dict)
    wide: dict[int, frozenset[int]] = field(default_factory=dict)

    def join(self, first: int, last: int, positions: frozenset[int]) -> None:
        """Take note of cells that are one, in rows `first` to `last`."""
        joined = self.wide if first == last else self.merged
        for row in range(first, min(last, first + MOST_ROWS_JOINED) + 1):
            joined[row] = joined.get(row, frozenset()) | positions


def _marks(path: Path, page: Any) -> _Marks:
    """What the rows and cells of a sheet are marked with; ExportError where its rows are in no order."""
    from openpyxl.utils import column_index_from_string

    marks, number, rest = _Marks(), 0, b""
    with zipfile.ZipFile(path) as archive, archive.open(page._worksheet_path.lstrip("/")) as file:
        while block := file.read(BLOCK):
            block = rest + block
            cut = block.rfind(b"<")
            rest, block = block[cut:], block[:cut]
            if len(rest) > LONGEST_TEXT:
                raise ExportError(path.name, None, f"a cell of {page.title} is too long", ACCEPTED)
            for kind, attributes in _TAG.findall(block):
                if kind == b"row":
                    told, before = _ROW_NUMBER.search(attributes), number
                    number = int(told[1]) if told else number + 1
                    if number <= before:
                        wrong = f"row {number} of {page.title} stands after row {before}"
                        raise ExportError(path.name, None, wrong, ACCEPTED)
                    if _HIDDEN.search(attributes):
                        marks.hidden.add(number)
                elif told := _JOINED.search(attributes):
                    one, other = (column_index_from_string(told[n].decode()) - 1 for n in (1, 3))
                    marks.join(int(told[2]), int(told[4]), frozenset(range(one, other + 1)))
    return marks


def _rows(path: Path, page: Any, marks: _Marks, left: list[int]) -> Iterator[SheetRow]:
    nothing: frozenset[int] = frozenset()
    for number, cells in enumerate(page.iter_rows(), start=1):
        left[0] -= len(cells) + 1
        if left[0] < 0:
            raise ExportError(path.name, number, f"it has more than {MOST_CELLS:,} cells", ACCEPTED)
        texts = tuple(_text(cell.value) for cell in cells)
        if any(texts):
            yield SheetRow(
                number,
                texts,
                frozenset(at for at, cell in enumerate(cells) if cell.data_type == "f"),
                marks.merged.get(number, nothing),
                marks.wide.get(number, nothing),
                number in marks.hidden,
            )


def _text(value: Any) -> str:
    """A cell as a text: days as 2026-03-01, whole numbers without a point."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == datetime.min.time() else value.isoformat(" ")
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return value if isinstance(value, str) else str(getattr(value, "text", value))
