"""A list as CSV, XLSX, Parquet, JSON or ZIP, the same bytes for the same question."""

import io
import json
import zipfile
from dataclasses import dataclass, field
from datetime import date, datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv
import pyarrow.parquet

from pipelines.answers.access import ListError
from pipelines.fleet.logs import attempting
from pipelines.intake.spreadsheets import harmless

ROWS_IN_XLSX = 1_048_575
LETTERS_IN_CELL = 32_767


@dataclass(frozen=True)
class Sheet:
    """One list: its rows, and what it rests on (`list`, `snapshot`, `received_until`, `as_of`, `filters`, `policy`, `cautions`).

    Dates are midnight timestamps, texts may be missing; `observed` is text, a number written out where it is one.
    `homes` (flagged only) gives each home its worst risk; without it the worst listed stands for it.
    """

    name: str
    frame: pd.DataFrame
    about: dict
    homes: pd.DataFrame | None = field(default=None, repr=False)

    @property
    def file_name(self):
        """Name without ending that says which snapshot and day it is of."""
        return f"{self.name}-{self.about['snapshot'].removesuffix('.duckdb')}-as-of-{self.about['as_of']}"


# ---- as files


def table(sheet):
    """The rows as an Arrow table: texts, whole numbers, floats, dates; NULL where nothing stands."""
    out = pa.Table.from_pandas(sheet.frame, preserve_index=False)
    for place, kind in enumerate(out.schema):
        if pa.types.is_timestamp(kind.type):
            out = out.set_column(place, kind.name, out.column(place).cast(pa.date32()))
        elif pa.types.is_large_string(kind.type) or pa.types.is_null(kind.type):
            out = out.set_column(place, kind.name, out.column(place).cast(pa.string()))
    return out.replace_schema_metadata(None)


def as_csv(sheet):
    """UTF-8 without a mark, headings in the first line, nothing but the list; texts made harmless for spreadsheets."""
    rows = table(sheet)
    rows = pa.table(
        [harmless(column) if pa.types.is_string(column.type) else column for column in rows.columns],
        names=_headings(rows),
    )
    out = io.BytesIO()
    pyarrow.csv.write_csv(rows, out)
    return out.getvalue()


def about_text(sheet):
    """What a list rests on, for the text beside a CSV."""
    said = [
        f"{name.replace('_', ' ')}: {_said(value)}"
        for name, value in sheet.about.items()
        if name != "cautions"
    ]
    return "\n".join([*said, f"rows: {len(sheet.frame)}", "", *sheet.about["cautions"], ""])


def as_zip(sheet):
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


def as_parquet(sheet):
    """The list with what it rests on as key-value metadata under `coldfill`, JSON."""
    out = io.BytesIO()
    pyarrow.parquet.write_table(
        table(sheet).replace_schema_metadata({"coldfill": json.dumps(sheet.about, ensure_ascii=False)}), out
    )
    return out.getvalue()


def as_xlsx(sheet):
    """A workbook with the list and a sheet About; numbers and dates are real ones. ListError beyond what a sheet holds."""
    import xlsxwriter

    rows = table(sheet)
    if rows.num_rows > ROWS_IN_XLSX:
        raise ListError(
            f"{rows.num_rows:,} rows are more than a spreadsheet holds ({ROWS_IN_XLSX:,}): choose .csv or .parquet, or filter"
        )
    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out,
        {
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
            "constant_memory": True,
            "default_date_format": "yyyy-mm-dd",
        },
    )
    book.set_properties({"title": sheet.about["list"], "created": _time_of(sheet)})
    bold, number, day = (
        book.add_format({"bold": True}),
        book.add_format({"num_format": "0.0##"}),
        book.add_format({"num_format": "yyyy-mm-dd"}),
    )
    page = book.add_worksheet(sheet.name[:31])
    page.freeze_panes(1, 0)
    widths = {"deficiency": 40, "fix_first": 40, "why": 40, "headline": 40, "reason": 30, "raw_text": 30}
    for place, heading in enumerate(_headings(rows)):
        page.set_column(place, place, widths.get(heading, 14))
        page.write_string(0, place, heading, bold)
    columns, writers = [], []
    for name, cells in zip(rows.column_names, rows.columns, strict=True):
        numbers = cells if not pa.types.is_string(cells.type) else None
        if name == "observed":
            cells = _words_and_numbers(cells)
        else:
            cells = (
                pc.utf8_slice_codeunits(harmless(cells), 0, LETTERS_IN_CELL) if numbers is None else cells
            ).to_pylist()
        columns.append(cells)
        writers.append(
            day
            if numbers is not None and pa.types.is_date(numbers.type)
            else number
            if name in ("low", "high", "observed")
            else None
        )
    for line, values in enumerate(zip(*columns, strict=True), start=1):
        for place, value in enumerate(values):
            if isinstance(value, str):
                page.write_string(line, place, value)
            elif isinstance(value, date):
                page.write_datetime(line, place, datetime(value.year, value.month, value.day), day)
            elif value is not None:
                page.write_number(line, place, value, writers[place])
    said = book.add_worksheet("About")
    said.set_column(0, 0, 16)
    said.set_column(1, 1, 100)
    facts = [
        (name.replace("_", " "), _said(value)) for name, value in sheet.about.items() if name != "cautions"
    ] + [("rows", str(rows.num_rows))]
    for line, (name, text) in enumerate(facts + [("caution", text) for text in sheet.about["cautions"]]):
        said.write_string(line, 0, name, bold)
        said.write_string(line, 1, text)
    book.close()
    return out.getvalue()


def as_json(sheet):
    """The list as one JSON document: what it rests on, and `homes` with their deficiencies, or `rows`."""
    rows = table(sheet)
    names = rows.column_names
    columns = [
        _words_and_numbers(cells)
        if name == "observed"
        else [day.isoformat() if day else None for day in cells.to_pylist()]
        if pa.types.is_date(cells.type)
        else cells.to_pylist()
        for name, cells in zip(names, rows.columns, strict=True)
    ]
    records = [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]
    document = {name: value for name, value in sheet.about.items() if name != "list"}
    if sheet.name != "flagged":
        return document | {"rows": records}
    risks = (
        {}
        if sheet.homes is None
        else dict(
            zip(
                zip(sheet.homes["agency"], sheet.homes["home_id"], strict=True),
                sheet.homes["risk"],
                strict=True,
            )
        )
    )
    homes = {}
    for record in records:
        key = record["agency"], record["home_id"]
        homes.setdefault(
            key,
            {"agency": key[0], "home_id": key[1], "risk": risks.get(key, record["risk"]), "deficiencies": []},
        )["deficiencies"].append(record)
    return document | {"homes": list(homes.values())}


def write(sheet, path):
    """Write a list in the format its ending says; returns the paths written. ListError for another ending."""
    path = Path(path)
    formats = {
        ".csv": as_csv,
        ".xlsx": as_xlsx,
        ".parquet": as_parquet,
        ".json": lambda sheet: (
            json.dumps(as_json(sheet), ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"
        ),
    }
    if path.suffix.lower() not in formats:
        raise ListError(f"{path.name}: a list ends in {', '.join(formats)}")
    files = {path: formats[path.suffix.lower()](sheet)}
    if path.suffix.lower() == ".csv":
        files[path.with_name(path.name + ".about.txt")] = about_text(sheet).encode()
    for target, data in files.items():
        with attempting("write", target):
            target.write_bytes(data)
    return list(files)


def _headings(rows):
    return harmless(pa.array(rows.column_names, pa.string())).to_pylist()


def _words_and_numbers(cells):
    """Texts that are numbers as numbers, the others as they are."""
    numbers = pd.to_numeric(cells.to_pandas(), errors="coerce").tolist()
    return [
        text if number != number else number for text, number in zip(cells.to_pylist(), numbers, strict=True)
    ]


def _said(value):
    if isinstance(value, dict):
        return "; ".join(f"{name} {_said(part)}" for name, part in value.items()) or "none"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)


def _time_of(sheet):
    return datetime.fromisoformat(sheet.about["received_until"].removesuffix("Z"))
