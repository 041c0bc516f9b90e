"""A list as CSV, XLSX, PDF, Parquet, JSON or ZIP, the same bytes for the same question."""

import io
import json
import zipfile
from pathlib import Path

import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from pipelines.answers.access import ListError
from pipelines.answers.listed import Sheet, facts, headings, table, words_and_numbers
from pipelines.answers.work_pdf import as_pdf
from pipelines.answers.workbook import as_xlsx
from pipelines.fleet.logs import attempting
from pipelines.intake.spreadsheets import harmless


def as_csv(sheet: Sheet) -> bytes:
    """UTF-8 without a mark, headings in the first line, nothing but the list; harmless for spreadsheets."""
    rows = table(sheet)
    rows = pa.table(
        [harmless(column) if pa.types.is_string(column.type) else column for column in rows.columns],
        names=headings(rows),
    )
    out = io.BytesIO()
    pyarrow.csv.write_csv(rows, out)
    return out.getvalue()


def about_text(sheet: Sheet) -> str:
    """What a list rests on, for the text beside a CSV."""
    said = [f"{name}: {text}" for name, text in facts(sheet)]
    return "\n".join([*said, "", *sheet.about["cautions"], ""])


def as_zip(sheet: Sheet) -> bytes:
    """The CSV and what it rests on in one file, for a browser that saves one."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in (
            (f"{sheet.file_name}.csv", as_csv(sheet)),
            (f"{sheet.file_name}.csv.about.txt", about_text(sheet).encode()),
        ):
            archive.writestr(zipfile.ZipInfo(name, sheet.time.timetuple()[:6]), data, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def as_parquet(sheet: Sheet) -> bytes:
    """The list with what it rests on as key-value metadata under `coldfill`, JSON."""
    out = io.BytesIO()
    pyarrow.parquet.write_table(
        table(sheet).replace_schema_metadata({"coldfill": json.dumps(sheet.about, ensure_ascii=False)}), out
    )
    return out.getvalue()


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
        return words_and_numbers(cells)
    if pa.types.is_date(cells.type):
        return [day.isoformat() if day else None for day in cells.to_pylist()]
    return cells.to_pylist()


def write(sheet: Sheet, path: str | Path) -> list[Path]:
    """Write a list in the format its ending says; returns the paths written. ListError for another ending.

    A PDF is of the work alone, which only a list of what is open has.
    """
    path = Path(path)
    ending = path.suffix.lower()
    endings = [one for one in WRITERS if one != ".pdf" or sheet.work]
    if ending not in endings:
        raise ListError(f"{path.name}: this list ends in {', '.join(endings)}")
    files = {path: WRITERS[ending](sheet)}
    if ending == ".csv":
        files[path.with_name(path.name + ".about.txt")] = about_text(sheet).encode()
    for target, data in files.items():
        with attempting("write", target):
            target.write_bytes(data)
    return list(files)


def _json_file(sheet):
    return json.dumps(as_json(sheet), ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n"


WRITERS = {
    ".csv": as_csv,
    ".xlsx": as_xlsx,
    ".pdf": as_pdf,
    ".parquet": as_parquet,
    ".json": _json_file,
}
