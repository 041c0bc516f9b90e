"""A list as a workbook: the list itself, the work it asks for home by home, and what it rests on."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from pipelines.answers.access import ListError
from pipelines.answers.listed import Sheet, facts, headings, table, words_and_numbers
from pipelines.answers.work import Home, Task
from pipelines.fleet.decided import DAYS
from pipelines.intake.spreadsheets import harmless

if TYPE_CHECKING:
    from xlsxwriter import Workbook
    from xlsxwriter.format import Format
    from xlsxwriter.worksheet import Worksheet

ROWS_IN_XLSX = 1_048_575
LETTERS_IN_CELL = 32_767
XLSX_OPTIONS = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "constant_memory": True,
    "default_date_format": "yyyy-mm-dd",
}


def as_xlsx(sheet: Sheet, between: Callable[[Workbook], None] | None = None) -> bytes:
    """A workbook of the list, its work (of what is open) and a sheet About; numbers and dates are real.

    It opens on the work; the list comes first. Either may come back filled in. `between` writes what stands
    before About. ListError beyond what a sheet holds.
    """
    import xlsxwriter

    rows = table(sheet)
    if rows.num_rows > ROWS_IN_XLSX:
        raise ListError(
            f"{rows.num_rows:,} rows are more than a spreadsheet holds ({ROWS_IN_XLSX:,}): "
            "choose .csv or .parquet, or filter"
        )
    out = io.BytesIO()
    book = xlsxwriter.Workbook(out, XLSX_OPTIONS)
    book.set_properties({"title": sheet.about["list"], "created": sheet.time})
    _write_list(book, sheet, rows)
    if sheet.work and rows.num_rows:
        _Work(book, sheet).write(sheet.work(sheet.rows))
    if between:
        between(book)
    _write_about(book, sheet)
    book.close()
    return out.getvalue()


# ---- the list

WIDEST, NARROWEST = 60, 6  # in letters
OFFERED = ("seen", "done", "no access", "refused")  # statuses that need no more words
REASONS = ("why",)  # columns whose texts hold one reason after the other
BETWEEN_REASONS = "; "
LINE_POINTS = 15  # of a line in the font that a workbook starts with


def _write_list(book: Workbook, sheet: Sheet, rows: pa.Table) -> None:
    bold = book.add_format({"bold": True})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    lines = book.add_format({"text_wrap": True, "valign": "top"})
    page = book.add_worksheet(sheet.name[:31])
    page.freeze_panes(1, 0)
    for position, (heading, cells) in enumerate(zip(headings(rows), rows.columns, strict=True)):
        page.set_column(position, position, _width(heading, cells), day if heading in DAYS else None)
        page.write_string(0, position, heading, bold)
    if rows.num_columns:
        page.autofilter(0, 0, rows.num_rows, rows.num_columns - 1)
    if sheet.work and "status" in rows.column_names and rows.num_rows:
        _offer_statuses(page, rows.column_names.index("status"), rows.num_rows)
    styles = _styles_of_numbers(book, rows)
    names = rows.column_names
    columns = [_cells(name, cells) for name, cells in zip(names, rows.columns, strict=True)]
    heights = _heights(rows, sheet)
    for line, values in enumerate(zip(*columns, strict=True), start=1):
        if heights:
            page.set_row(line, heights[line - 1])
        for position, value in enumerate(values):
            if isinstance(value, str):
                wrapped = lines if heights and names[position] in REASONS else None
                page.write_string(line, position, value, wrapped)
            elif isinstance(value, date):
                page.write_datetime(line, position, datetime(value.year, value.month, value.day), day)
            elif value is not None:
                page.write_number(line, position, value, styles[line - 1].get(names[position]))


def _offer_statuses(page: Worksheet, position: int, last: int) -> None:
    """Words to choose from in the cells below a heading; any other text may be written as well."""
    said = {
        "validate": "list",
        "source": list(OFFERED),
        "show_error": False,
        "input_title": "Status, for the list's way back",
        "input_message": (
            "A word of the list; or ordered MEASURE, assigned to NAME, referred to NAME, accepted until "
            "2026-12-31, deferred until 2026-12-31 (both with why). done needs done on. Empty: not decided."
        ),
    }
    page.data_validation(1, position, last, position, said)


def _styles_of_numbers(book: Workbook, rows: pa.Table) -> Sequence[dict[str, Format]]:
    """How the numbers of each row stand: with their unit, which is no part of the cell's value."""
    units = rows["unit"].to_pylist() if "unit" in rows.column_names else [None] * rows.num_rows
    styles = {}
    for unit in dict.fromkeys(units):
        shown = book.add_format({"num_format": f'0.0## "{unit}"' if unit else "0.0##"})
        styles[unit] = dict.fromkeys(("observed", "low", "high"), shown)
    return [styles[unit] for unit in units]


def _width(heading: str, cells: pa.ChunkedArray) -> float:
    """Width of a column in letters: that of its longest line, within bounds; room for the filter's button."""
    longest = 0
    if pa.types.is_string(cells.type):
        if heading in REASONS:
            cells = pc.replace_substring(cells, BETWEEN_REASONS, "\n")
        longest = pc.max(pc.utf8_length(pc.list_flatten(pc.split_pattern(cells, "\n")))).as_py() or 0
    elif cells.null_count < len(cells):
        longest = 12
    return min(max(longest, len(heading) + 2, NARROWEST), WIDEST) + 1


def _heights(rows: pa.Table, sheet: Sheet) -> list[int]:
    """Height of each row in points, where a cell of some holds one reason a line; else none."""
    if sheet.work or not set(REASONS) & set(rows.column_names):
        return []
    return [
        LINE_POINTS * max(1, len(_wrapped(text.replace(BETWEEN_REASONS, "\n"), WIDEST * 7)))
        for text in pc.fill_null(rows[REASONS[0]], "").to_pylist()
    ]


def _cells(name: str, cells: pa.ChunkedArray) -> list:
    """Cells of one column as a workbook takes them."""
    if name == "observed":
        return words_and_numbers(cells)
    if name in REASONS:
        cells = pc.replace_substring(cells, BETWEEN_REASONS, "\n")
    if pa.types.is_string(cells.type):
        cells = pc.utf8_slice_codeunits(harmless(cells), 0, LETTERS_IN_CELL)
    return cells.to_pylist()


def _write_about(book: Workbook, sheet: Sheet) -> None:
    page, bold = book.add_worksheet("About"), book.add_format({"bold": True})
    page.set_column(0, 0, 16)
    page.set_column(1, 1, 100)
    said = [*facts(sheet), *(("caution", text) for text in sheet.about["cautions"])]
    for line, (name, text) in enumerate(said):
        page.write_string(line, 0, name, bold)
        page.write_string(line, 1, text)


# ---- the work

# Columns of the work with their widths in letters.
COLUMNS = (
    ("Status", 10),
    ("What was found", 36),
    ("What to do", 36),
    ("Set or fit", 31),
    ("Done on", 10),
    ("Done by", 11),
    ("Reading after", 12),
    ("Why", 14),
)
DAY = 4  # the column of a day
# Beside these, unseen: which row of the list a task is, for the way back.
OF_LIST = ("agency", "home_id", "system_id", "check_id", "since", "last_inspected_on")
FOUND = 1  # the column whose first line is the title of a finding
LETTER, PADDING = 7, 5  # pixels of a column's letter, and beside its letters
WIDTH = sum(letters * LETTER + PADDING for _, letters in COLUMNS)
POINTS_A_PIXEL = 0.75
# A landscape letter page in points, less what printers and other fonts take.
PAGE_WIDTH, PAGE_HEIGHT = 11 * 72 - 2 * 0.4 * 72, 8.5 * 72 - (0.5 + 0.7) * 72
MARGINS = {"left": 0.4, "right": 0.4, "top": 0.5, "bottom": 0.7}
SPARE = 0.96
POINTS_A_PAGE = SPARE * PAGE_HEIGHT / min(1.0, PAGE_WIDTH / (WIDTH * POINTS_A_PIXEL))
LINE, GAP, TALLEST = 13.5, 4.0, 400.0  # points of a line, beside the lines of a row, and of a row at most
FONT = 10
STYLES: dict[str, dict[str, object]] = {
    "heading": {"bold": True, "bottom": 2, "valign": "bottom"},
    "home": {"bold": True, "font_size": FONT + 2, "bg_color": "#E6E6E6", "top": 2},
    "about": {"bg_color": "#F4F4F4"},
    "caution": {"italic": True},
    "system": {"bold": True},
    "task": {"border": 1},
    "day": {"border": 1, "num_format": "yyyy-mm-dd"},
    "box": {"border": 5},
    "key": {},
    "gap": {},
}
BREAKS_A_SHEET = 1_000  # of which a workbook holds little more


@dataclass(frozen=True)
class _Row:
    """One row of the work: its texts by column (one text: over all), how it stands, and its height.

    `key` says which row of the list it is, by OF_LIST.
    """

    texts: tuple[str, ...]
    style: str
    points: float
    key: tuple[str, ...] = ()


class _Work:
    """Writes the work, a home after the other, each whole on a page where it fits one."""

    def __init__(self, book: Workbook, sheet: Sheet):
        self.book, self.sheet = book, sheet
        self.pages: list[tuple[Worksheet, list[int]]] = []
        self.bold = book.add_format({"bold": True, "font_size": FONT})
        self.plain = book.add_format({"font_size": FONT})
        self.styles = {
            name: book.add_format({"font_size": FONT, "text_wrap": True, "valign": "top"} | more)
            for name, more in STYLES.items()
        }

    def write(self, homes: Iterable[Home]) -> None:
        self._new_sheet()
        self._put(_over_all("\n".join(self.sheet.about["cautions"]), "caution"))
        self._put(_over_all("", "gap"))
        for home in homes:
            head, parts = list(_head(home)), list(_parts(home))
            whole = _points(head) + sum(map(_points, parts))
            if self.used and self.used + whole > POINTS_A_PAGE - self.repeated:
                self._break()
            for row in head:
                self._put(row)
            for rows in parts:
                if self.used + _points(rows) > POINTS_A_PAGE - self.repeated and self.used > _points(head):
                    self._break()
                    self._put(_over_all(f"{_called(home)} (continued)", "home"))
                for row in rows:
                    self._put(row)
            self._put(_over_all("", "gap"))
        self._end_sheet()

    def _new_sheet(self) -> None:
        number = len(self.pages) + 1
        page = self.book.add_worksheet("Work" if number == 1 else f"Work {number}")
        self.pages.append((page, []))
        if number == 1:
            page.activate()
        page.set_landscape()
        page.set_paper(1)
        page.set_margins(**MARGINS)
        page.fit_to_pages(1, 0)
        page.repeat_rows(0)
        page.freeze_panes(1, 0)
        page.hide_gridlines(2)
        about = self.sheet.about
        rests_on = f"Snapshot {about['snapshot'].removesuffix('.duckdb')}, as of {about['as_of']}"
        page.set_footer(f"&L&8{rests_on}&C&8Page &P of &N&R&8Not a safety inspection")
        self.line, self.used, self.repeated = 0, 0.0, 0.0
        for position, (_, letters) in enumerate(COLUMNS):
            page.set_column(position, position, letters)
        page.set_column(len(COLUMNS), len(COLUMNS) + len(OF_LIST) - 1, 12, None, {"hidden": True})
        self._put(_Row(tuple(heading for heading, _ in COLUMNS), "heading", LINE + GAP, OF_LIST))
        self.used, self.repeated = 0.0, LINE + GAP

    def _end_sheet(self) -> None:
        page, breaks = self.pages[-1]
        page.set_h_pagebreaks(breaks)
        _offer_statuses(page, 0, self.line - 1)
        page.print_area(0, 0, self.line - 1, len(COLUMNS) - 1)

    def _break(self) -> None:
        """Go on at the top of a page."""
        if len(self.pages[-1][1]) == BREAKS_A_SHEET:
            self._end_sheet()
            self._new_sheet()
        else:
            self.pages[-1][1].append(self.line)
            self.used = 0.0

    def _put(self, row: _Row) -> None:
        page, style = self.pages[-1][0], self.styles[row.style]
        page.set_row(self.line, row.points)
        if len(row.texts) == 1:
            page.merge_range(self.line, 0, self.line, len(COLUMNS) - 1, row.texts[0], style)
        else:
            for position, text in enumerate(row.texts):
                own = {0: "box", DAY: "day"}.get(position) if row.style == "task" else None
                shown = self.styles[own] if own else style
                title, _, rest = text.partition("\n")
                if row.style == "task" and position == FOUND and rest:
                    rich = self.bold, title, self.plain, f"\n{rest}"
                    page.write_rich_string(self.line, position, *rich, shown)
                elif text:
                    page.write_string(self.line, position, text, shown)
                else:
                    page.write_blank(self.line, position, None, shown)
        for position, text in enumerate(row.key, start=len(COLUMNS)):
            page.write_string(self.line, position, text, self.styles["key"])
        self.line += 1
        self.used += row.points


def _head(home: Home) -> Iterator[_Row]:
    yield _over_all(_called(home), "home")
    known = (
        f"worst {home.risk}",
        home.address,
        f"crew {home.crew}" if home.crew else "crew not recorded",
        f"region {home.region}" if home.region else "",
        f"last visit {home.last_inspected_on}",
        *home.remarks,
    )
    yield _over_all(" · ".join(filter(None, known)), "about")
    if home.cautions:
        yield _over_all("\n".join(home.cautions), "caution")


def _called(home: Home) -> str:
    return (
        f"Home {home.home_id} · {f'job {home.job_number}' if home.job_number else 'no job'} · {home.agency}"
    )


def _parts(home: Home) -> Iterator[list[_Row]]:
    """Rows that stay together, one part after the other."""
    for system in home.systems:
        head = (
            [] if len(home.systems) == 1 else [_over_all(f"System {system.system_id or '(no id)'}", "system")]
        )
        for task in system.tasks:
            key = home.agency, home.home_id, system.system_id, task.check_id
            yield [*head, _of_task(task, (*key, f"{task.since}", f"{home.last_inspected_on}"))]
            head = []


def _of_task(task: Task, key: tuple[str, ...]) -> _Row:
    found = [task.title, task.seen, task.standing]
    if task.follows_from:
        found.append(f"Follows from: {task.follows_from}")
    texts = ("", "\n".join(found), task.remedy, "\n".join(task.set_to), *[""] * (len(COLUMNS) - DAY))
    shown = tuple(harmless_text(text) for text in texts)
    lines = max(
        len(_wrapped(text, letters * LETTER)) for text, (_, letters) in zip(shown, COLUMNS, strict=True)
    )
    return _Row(shown, "task", min(TALLEST, lines * LINE + GAP), tuple(map(harmless_text, key)))


def _over_all(text: str, style: str) -> _Row:
    text = harmless_text(text)
    larger = 1.2 if style == "home" else 1.0
    lines = max(1, len(_wrapped(text, int((WIDTH - 2 * PADDING) / larger))))
    return _Row((text,), style, min(TALLEST, lines * LINE * larger + GAP) if text else LINE / 2)


def _points(rows: Iterable[_Row]) -> float:
    return sum(row.points for row in rows)


@lru_cache(maxsize=4096)
def harmless_text(text: str) -> str:
    """What begins with a letter or digit no spreadsheet takes for a formula."""
    if not text or text[0].isalnum():
        return text[:LETTERS_IN_CELL]
    return harmless(pa.array([text]))[0].as_py()[:LETTERS_IN_CELL]


@lru_cache(maxsize=4096)
def _wrapped(text: str, pixels: int) -> tuple[str, ...]:
    """The lines that a text takes in a cell so wide, reckoned for a font a tenth wider than the usual one."""
    from xlsxwriter.utility import xl_pixel_width

    lines = []
    for paragraph in text.split("\n"):
        line, used = "", 0.0
        for word in paragraph.split(" "):
            taken = xl_pixel_width(word + " ")
            if line and used + taken > pixels:
                lines.append(line)
                line, used = "", 0.0
            line, used = f"{line} {word}".strip(), used + taken
            while used > pixels and len(line) > 1:
                lines.append(line)  # a word wider than the cell goes on below
                used -= pixels
        lines.append(line)
    return tuple(lines)
