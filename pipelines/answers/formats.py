"""A list as CSV, XLSX, Parquet, JSON or ZIP, the same bytes for the same question."""

import io
import json
import zipfile
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

from pipelines.answers.access import ListError
from pipelines.fleet.logs import attempting
from pipelines.intake.spreadsheets import harmless

if TYPE_CHECKING:
    import pandas as pd

ROWS_IN_XLSX = 1_048_575
LETTERS_IN_CELL = 32_767


@dataclass(frozen=True)
class Sheet:
    """One list: its rows, and what it rests on.

    `about` holds `list`, `snapshot`, `received_until`, `as_of`, `filters`, `policy`, `cautions`. Texts may be
    missing; `observed` is text, a number written out where it is one. `homes` (flagged only) gives the home
    of each row its worst risk; without it the worst listed stands for it.
    """

    name: str
    rows: pa.Table
    about: dict
    homes: pa.Table | None = field(default=None, repr=False)

    @cached_property
    def frame(self) -> "pd.DataFrame":
        """The rows as a frame, days as midnight timestamps."""
        return self.rows.to_pandas(date_as_object=False)

    def count_homes(self) -> int:
        """How many homes the rows are of."""
        return pc.count_distinct(
            pc.binary_join_element_wise(self.rows["agency"], self.rows["home_id"], "\0")
        ).as_py()

    @property
    def file_name(self) -> str:
        """Name without ending that says which snapshot and day it is of."""
        return f"{self.name}-{self.about['snapshot'].removesuffix('.duckdb')}-as-of-{self.about['as_of']}"


# ---- as files


def table(sheet: Sheet) -> pa.Table:
    """The rows as an Arrow table: texts, whole numbers, floats, dates; NULL where nothing stands."""
    out = sheet.rows
    for position, kind in enumerate(out.schema):
        if pa.types.is_timestamp(kind.type):
            out = out.set_column(position, kind.name, out.column(position).cast(pa.date32()))
        elif pa.types.is_large_string(kind.type) or pa.types.is_null(kind.type):
            out = out.set_column(position, kind.name, out.column(position).cast(pa.string()))
    return out.replace_schema_metadata(None)


def as_csv(sheet: Sheet) -> bytes:
    """UTF-8 without a mark, headings in the first line, nothing but the list; harmless for spreadsheets."""
    rows = table(sheet)
    rows = pa.table(
        [harmless(column) if pa.types.is_string(column.type) else column for column in rows.columns],
        names=_headings(rows),
    )
    out = io.BytesIO()
    pyarrow.csv.write_csv(rows, out)
    return out.getvalue()


def about_text(sheet: Sheet) -> str:
    """What a list rests on, for the text beside a CSV."""
    facts = [f"{name}: {text}" for name, text in _facts(sheet)]
    return "\n".join([*facts, "", *sheet.about["cautions"], ""])


def as_zip(sheet: Sheet) -> bytes:
    """The CSV and what it rests on in one file, for a browser that saves one."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in (
            (f"{sheet.file_name}.csv", as_csv(sheet)),
            (f"{sheet.file_name}.csv.about.txt", about_text(sheet).encode()),
        ):
            archive.writestr(
                zipfile.ZipInfo(name, _time_of(sheet).timetuple()[:6]), data, zipfile.ZIP_DEFLATED
            )
    return out.getvalue()


def as_parquet(sheet: Sheet) -> bytes:
    """The list with what it rests on as key-value metadata under `coldfill`, JSON."""
    out = io.BytesIO()
    pyarrow.parquet.write_table(
        table(sheet).replace_schema_metadata({"coldfill": json.dumps(sheet.about, ensure_ascii=False)}), out
    )
    return out.getvalue()


WIDTHS = {
    **dict.fromkeys(("deficiency", "fix_first", "why", "headline"), 40),
    **dict.fromkeys(("reason", "raw_text"), 30),
    "remedy": 60,
}
WIDTH = 14
XLSX_OPTIONS = {
    "strings_to_formulas": False,
    "strings_to_urls": False,
    "strings_to_numbers": False,
    "constant_memory": True,
    "default_date_format": "yyyy-mm-dd",
}


def as_xlsx(sheet: Sheet) -> bytes:
    """A workbook with the list and a sheet About; numbers and dates are real ones.

    ListError beyond what a sheet holds.
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
    book.set_properties({"title": sheet.about["list"], "created": _time_of(sheet)})
    bold = book.add_format({"bold": True})
    number = book.add_format({"num_format": "0.0##"})
    day = book.add_format({"num_format": "yyyy-mm-dd"})
    page = book.add_worksheet(sheet.name[:31])
    page.freeze_panes(1, 0)
    for position, heading in enumerate(_headings(rows)):
        page.set_column(position, position, WIDTHS.get(heading, WIDTH))
        page.write_string(0, position, heading, bold)
    styles = [number if name in ("low", "high", "observed") else None for name in rows.column_names]
    columns = [_cells(name, cells) for name, cells in zip(rows.column_names, rows.columns, strict=True)]
    if rows.num_columns:
        page.autofilter(0, 0, rows.num_rows, rows.num_columns - 1)
    for line, values in enumerate(zip(*columns, strict=True), start=1):
        for position, value in enumerate(values):
            if isinstance(value, str):
                page.write_string(line, position, value)
            elif isinstance(value, date):
                page.write_datetime(line, position, datetime(value.year, value.month, value.day), day)
            elif value is not None:
                page.write_number(line, position, value, styles[position])
    _write_about(book.add_worksheet("About"), sheet, bold)
    book.close()
    return out.getvalue()


def _cells(name, cells):
    """Cells of one column as a workbook takes them."""
    if name == "observed":
        return _words_and_numbers(cells)
    if pa.types.is_string(cells.type):
        cells = pc.utf8_slice_codeunits(harmless(cells), 0, LETTERS_IN_CELL)
    return cells.to_pylist()


def _write_about(page, sheet, bold):
    page.set_column(0, 0, 16)
    page.set_column(1, 1, 100)
    facts = [*_facts(sheet), *(("caution", text) for text in sheet.about["cautions"])]
    for line, (name, text) in enumerate(facts):
        page.write_string(line, 0, name, bold)
        page.write_string(line, 1, text)


def as_json(sheet: Sheet) -> dict:
    """The list as one JSON document: what it rests on, and `homes` with their deficiencies, or `rows`."""
    rows = table(sheet)
    columns = [_plain(name, cells) for name, cells in zip(rows.column_names, rows.columns, strict=True)]
    records = [dict(zip(rows.column_names, values, strict=True)) for values in zip(*columns, strict=True)]
    document = {name: value for name, value in sheet.about.items() if name != "list"}
    if sheet.name != "flagged":
        return document | {"rows": records}
    risks = _risks(sheet)
    homes: dict[tuple[str, str], dict] = {}
    for record in records:
        key = record["agency"], record["home_id"]
        if key not in homes:
            risk = risks.get(key, record["risk"])
            homes[key] = {"agency": key[0], "home_id": key[1], "risk": risk, "deficiencies": []}
        homes[key]["deficiencies"].append(record)
    return document | {"homes": list(homes.values())}


def _risks(sheet):
    """The worst risk of each home by (agency, home id), as far as the list says."""
    if sheet.homes is None:
        return {}
    names = ("agency", "home_id", "risk")
    return {
        (agency, home): risk
        for agency, home, risk in zip(*(sheet.homes[name].to_pylist() for name in names), strict=True)
    }


def _plain(name, cells):
    """Cells of one column as JSON takes them."""
    if name == "observed":
        return _words_and_numbers(cells)
    if pa.types.is_date(cells.type):
        return [day.isoformat() if day else None for day in cells.to_pylist()]
    return cells.to_pylist()


def write(sheet: Sheet, path: str | Path) -> list[Path]:
    """Write a list in the format its ending says; returns the paths written. ListError for another ending."""
    path = Path(path)
    ending = path.suffix.lower()
    if ending not in WRITERS:
        raise ListError(f"{path.name}: a list ends in {', '.join(WRITERS)}")
    files = {path: WRITERS[ending](sheet)}
    if ending == ".csv":
        files[path.with_name(path.name + ".about.txt")] = about_text(sheet).encode()
    for target, data in files.items():
        with attempting("write", target):
            target.write_bytes(data)
    return list(files)


def _json_file(sheet):
    return json.dumps(as_json(sheet), ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"


WRITERS = {".csv": as_csv, ".xlsx": as_xlsx, ".parquet": as_parquet, ".json": _json_file}


def _facts(sheet):
    """What a list rests on as (name, text), cautions aside, and how many rows it has."""
    said = (
        (name.replace("_", " "), _said(value)) for name, value in sheet.about.items() if name != "cautions"
    )
    return [*said, ("rows", str(sheet.rows.num_rows))]


def _headings(rows):
    """Names of the columns, none of which a spreadsheet takes for a formula.

    Made from buffers, since `pa.array` of a list imports pandas, which takes longer than the list.
    """
    names = [name.encode() for name in rows.column_names]
    ends = np.cumsum([0, *map(len, names)], dtype=np.int32)
    texts = pa.StringArray.from_buffers(len(names), pa.py_buffer(ends), pa.py_buffer(b"".join(names)))
    return harmless(texts).to_pylist()


def _words_and_numbers(cells):
    """Texts that are numbers as numbers, the others as they are."""
    import pandas as pd

    numbers = pd.to_numeric(cells.to_pandas(), errors="coerce").tolist()
    return [
        text if number != number else number for text, number in zip(cells.to_pylist(), numbers, strict=True)
    ]


def _said(value):
    if isinstance(value, dict):
        return "; ".join(f"{name} {_said(one)}" for name, one in value.items()) or "none"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _time_of(sheet):
    return datetime.fromisoformat(sheet.about["received_until"].removesuffix("Z"))
