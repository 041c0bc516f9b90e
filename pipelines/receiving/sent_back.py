"""A list that comes back as a file: the cells that were filled in, row by row, and what the list rests on.

Only the columns a list left with are read: whatever else stands in the file is not looked at and not kept.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa

from pipelines.fleet.decided import WAY_BACK, WHAT
from pipelines.intake.cells import BLANKS, Refused, collapsed, day, folded, word_key
from pipelines.intake.encoding import ExportError
from pipelines.intake.reader import open_export
from pipelines.intake.spreadsheets import read_back
from pipelines.intake.workbooks import SheetRow, is_workbook, opened_workbook

KEY = ("agency", "home_id", "system_id", "check_id")
NEEDED = (*KEY, "status")
TOLD = ("since", "last_inspected_on", "risk", "state", "stage")  # as it was when the list left
READ = (*KEY, *WAY_BACK, *TOLD)
LISTED_DAYS = ("since", "last_inspected_on", "due")
HEADINGS_WITHIN = 60  # rows of a sheet
ACCEPTED = f"a list of what is open, as it left, with its columns {', '.join(NEEDED)}"
BESIDE = ".about.txt"
NAMED = re.compile(r"(\d{8}-[0-9a-f]{12})(?:\.duckdb)?(?:-as-of-(\d{4}-\d\d-\d\d))?")


@dataclass(frozen=True)
class Entry:
    """One row of a list as it came back: where it stands, and its texts by column, "" where nothing stands.

    `formulas` and `merged` are columns whose cell holds a formula, or is one with cells of other rows;
    `damage` says why a row of a CSV could not be told apart.
    """

    sheet: str
    line: int
    texts: dict[str, str]
    formulas: frozenset[str] = frozenset()
    merged: frozenset[str] = frozenset()
    hidden: bool = False
    damage: str = ""

    @property
    def filled(self) -> bool:
        """Whether any cell for the way back is filled in, or nobody can tell."""
        return bool(self.damage or self.merged or any(self.texts.get(name) for name in WAY_BACK))

    @property
    def place(self) -> str:
        return f"{self.sheet}, row {self.line}" if self.sheet else f"line {self.line}"

    @property
    def key(self) -> tuple[str, ...]:
        return (folded(self.texts["agency"]), *(self.texts[name] for name in KEY[1:]))


@dataclass(frozen=True)
class SentBack:
    """A list that came back: the snapshot and day it says it rests on ("" where it does not), and its rows.

    `day_order` is how its dates are written where that can be told from those it left with.
    """

    file_name: str
    snapshot: str
    as_of: str
    entries: tuple[Entry, ...]
    notes: tuple[str, ...]
    day_order: str = "ymd"


def read(path: Path) -> SentBack:
    """A list that came back, XLSX or CSV; ExportError where it is none, or not one that can be read whole."""
    snapshot, as_of = _named(path.name)
    days: list[str] = []
    if is_workbook(path):
        about: dict[str, str] = {}
        notes: list[str] = []
        entries = tuple(_of_workbook(path, about, notes, days))
    else:
        about, notes = _beside(path), []
        entries = tuple(_of_csv(path, notes, days))
    return SentBack(
        path.name,
        about.get("snapshot", snapshot).removesuffix(".duckdb"),
        about.get("as of", as_of),
        entries,
        tuple(notes),
        _day_order(days),
    )


# ---- a workbook


def _of_workbook(path: Path, about: dict[str, str], notes: list[str], days: list[str]) -> Iterator[Entry]:
    found, nearest = False, list(NEEDED)
    with opened_workbook(path) as sheets:
        for sheet in sheets:
            columns: dict[str, int] | None = None
            for row in sheet.rows:
                if columns is None and row.number > HEADINGS_WITHIN:
                    break
                if (heads := _columns(row.cells, path, row.number, sheet.name)) is not None:
                    if not sheet.visible:
                        notes.append(f"the sheet {sheet.name} is hidden and was not read")
                        break
                    columns, found = heads, True
                elif columns is not None:
                    texts = {name: _cell(row.cells, at) for name, at in columns.items()}
                    days += (texts[name] for name in LISTED_DAYS if texts.get(name))
                    places = {at: name for name, at in columns.items()}
                    entry = Entry(
                        sheet.name,
                        row.number,
                        texts,
                        frozenset(places[at] for at in row.formulas & places.keys()),
                        frozenset(places[at] for at in row.merged & places.keys()) & set(WAY_BACK),
                        row.hidden,
                    )
                    if any(texts[name] for name in KEY) or (entry.filled and not _is_head(row, columns)):
                        yield _as_written(entry)
                else:
                    about |= _fact(row.cells)
                    missing = _missing(row.cells)
                    nearest = missing if len(missing) < len(nearest) else nearest
    if not found:
        wrong = f"no sheet has the headings of a list; nearest to them lacks {', '.join(nearest)}"
        raise ExportError(path.name, None, wrong, ACCEPTED)


def _is_head(row: SheetRow, columns: dict[str, int]) -> bool:
    """Whether a row names a home or cautions over its tasks: one text across, and no status."""
    said = word_key(_cell(row.cells, columns["status"]))
    return columns["status"] in row.wide and not any(said.startswith(word_key(what)) for what in WHAT)


def _fact(cells: Sequence[str]) -> dict[str, str]:
    """A line of the sheet About: what the list rests on."""
    name, text = (*cells, "", "")[:2]
    return {name: text} if name in ("snapshot", "as of") else {}


# ---- a CSV


def _of_csv(path: Path, notes: list[str], days: list[str]) -> Iterator[Entry]:
    export = open_export(path, mapped_headings=set(READ))
    columns = _columns(export.headings, path, export.heading_line, "")
    if columns is None:
        missing = ", ".join(_missing(export.headings))
        raise ExportError(path.name, export.heading_line, f"the headings lack {missing}", ACCEPTED)
    notes += export.notes
    wanted = [export.headings[at] for at in columns.values()]
    for batch in export.batches(columns=wanted):
        cells = [batch.table.column(export.headings[at]).to_pylist() for at in columns.values()]
        for line, texts in zip(batch.lines.tolist(), zip(*cells, strict=True), strict=True):
            named = {name: text.strip(BLANKS) for name, text in zip(columns, texts, strict=True)}
            days += (named[name] for name in LISTED_DAYS if named.get(name))
            yield _as_written(Entry("", line, named))
    for one in export.damage:
        yield Entry(
            "", one.line, dict.fromkeys(columns, ""), damage=f"{one.reason}; accepted: {one.expected}"
        )


def _beside(path: Path) -> dict[str, str]:
    """What the text beside a CSV says that its list rests on."""
    beside = path.with_name(path.name + BESIDE)
    if not beside.is_file():
        return {}
    with open(beside, encoding="utf-8", errors="replace") as file:
        pairs = (line.partition(": ") for line in file.read(100_000).splitlines())
        return {name: text for name, _, text in pairs if name in ("snapshot", "as of")}


# ---- both


def _columns(cells: Sequence[str], path: Path, line: int, sheet: str) -> dict[str, int] | None:
    """Position of each column that is read, by its name; None where a row is not the headings of a list.

    A heading is found as it is, else without regard to blanks and underscores: Done on for done_on.
    """
    exact, alike = _positions(cells, folded), _positions(cells, word_key)
    found = {}
    for name in (*READ, "due"):
        places = exact.get(name) or alike.get(name) or []
        if places:
            found[name] = places[0]
    if not set(NEEDED) <= found.keys():
        return None
    for name in (*KEY, *WAY_BACK):
        if len(exact.get(name, ())) > 1 or f"{name} (2)" in exact:
            where = f"in the sheet {sheet} " if sheet else ""
            wrong = f"two columns {where}are called {name}"
            raise ExportError(path.name, line, wrong, "one column of each name")
    return found


def _positions(cells: Sequence[str], key) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for at, cell in enumerate(cells):
        if cell:
            found.setdefault(key(cell), []).append(at)
    return found


def _missing(cells: Sequence[str]) -> list[str]:
    here = set(map(word_key, filter(None, cells)))
    return [name for name in NEEDED if name not in here]


def _cell(cells: Sequence[str], at: int) -> str:
    return cells[at].strip(BLANKS) if at < len(cells) else ""


def _as_written(entry: Entry) -> Entry:
    """The entry with its texts as they were before they were made harmless for a spreadsheet."""
    if not any(text.startswith("'") for text in entry.texts.values()):
        return entry
    texts = read_back(pa.array(list(entry.texts.values()), pa.string())).to_pylist()
    entry.texts.update(zip(entry.texts, texts, strict=True))
    return entry


def _named(file_name: str) -> tuple[str, str]:
    """Snapshot and day that a file's name says, as lists leave."""
    found = NAMED.search(file_name)
    return (found[1], found[2] or "") if found else ("", "")


def _day_order(texts: Iterable[str]) -> str:
    """The one order of day and month in which all days that the list left with can be read; else "ymd"."""
    distinct = set(texts)
    fitting = [
        order
        for order in ("mdy", "dmy")
        if not any(isinstance(day(text, order), Refused) for text in distinct)
    ]
    return fitting[0] if len(fitting) == 1 else "ymd"


def day_of(text: str, order: str) -> str:
    """A day as 2026-03-01; "" where a text is none, or could be two."""
    found = day(collapsed(text), order) if text else None
    return "" if found is None or isinstance(found, Refused) else found.isoformat()
