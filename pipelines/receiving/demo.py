"""A fleet folder for the invented sample exports, which the demo alone may empty.

The exports are cumulative and arrive as they would have: as they stood at the end of two earlier months, then
whole, each at a day of the scenario; and due dates count to the last of these days.
"""

import shutil
import tempfile
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from pipelines.fleet import logs, publishing
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving import door
from pipelines.snapshot import exports, inputs, tables
from pipelines.snapshot.progress import Progress

SAMPLES = Path(__file__).parents[2] / "sample_exports"
MARK = ".made-by-coldfill-demo"
# Month's ends up to which an export holds visits, and how many days later it is loaded.
MONTHS = (date(2026, 6, 30), date(2026, 7, 31), date(2026, 8, 31))
DAYS_LATER, HOUR = 2, 15


def fresh_folder(target: Path) -> None:
    """Make the folder with what a fleet of the samples needs beside the exports.

    What an earlier demo left there goes; FleetError where something else lies there.
    """
    if target.exists():
        if not (target / MARK).exists():
            other = "move it away, or run from another folder"
            raise FleetError(f"{target} was not made by coldfill demo and is left alone: {other}.")
        for path in target.rglob("*"):
            if path.is_file():
                path.chmod(0o644)
        shutil.rmtree(target)
    target.mkdir(mode=0o700)
    (target / MARK).write_text("coldfill demo may empty this folder\n", encoding="utf-8")
    (target / logs.COUNTS_TO).write_text(f"{loaded_on(MONTHS[-1])}\n", encoding="utf-8")
    shutil.copytree(SAMPLES / "fleet", target, copy_function=shutil.copyfile, dirs_exist_ok=True)


def loaded_on(month_end: date) -> date:
    """The day of the scenario on which the exports of a month are loaded."""
    return month_end + timedelta(days=DAYS_LATER)


def load(target: Path, load_files: Callable[[list[Path]], Any]) -> Any:
    """Load the samples month by month; returns what `load_files` gave for the last, the samples whole."""
    found = None
    with tempfile.TemporaryDirectory() as folder:
        for month_end, files in _as_they_came(Path(folder), target):
            day = datetime.combine(loaded_on(month_end), datetime.min.time(), UTC)
            with logs.at(day.replace(hour=HOUR)):
                found = load_files(files)
    return found


def _as_they_came(folder: Path, target: Path) -> Iterator[tuple[date, list[Path]]]:
    """(month's end, files) of each load, the last being the samples themselves."""
    rows = _days_of_rows(folder / "fleet", target)
    for month_end in MONTHS[:-1]:
        part = folder / month_end.isoformat()
        part.mkdir()
        files = []
        for name, starts in rows.items():
            files.append(part / f"{Path(name).stem}-{month_end:%Y-%m}.csv")
            files[-1].write_bytes(_up_to((SAMPLES / name).read_bytes(), starts, month_end))
        yield month_end, files
    yield MONTHS[-1], [SAMPLES]


def _days_of_rows(folder: Path, target: Path) -> dict[str, dict[int, date]]:
    """By file of the samples and line on which a row starts, the day of its visit."""
    fleet = Fleet(folder).create()
    shutil.copytree(target, folder, copy_function=shutil.copyfile, dirs_exist_ok=True)
    door.load(fleet, [SAMPLES])
    with publishing.scratch() as draft:
        connection = draft.connect()
        tables.create(connection)
        exports.read_all(connection, fleet, fleet.received(), inputs.read(fleet), Progress())
        found = connection.execute("""
            SELECT file_name, source_line, inspected_on
            FROM received_rows
            JOIN exports_read USING (export_id)
            ORDER BY file_name, source_line""").fetchall()
    days: dict[str, dict[int, date]] = {}
    for name, line, day in found:
        days.setdefault(name, {})[line] = day
    return days


def _up_to(data: bytes, starts: dict[int, date], last: date) -> bytes:
    """A file without the rows of later visits; lines that start no row stay with what stands above them."""
    kept, keep = [], True
    for number, line in enumerate(data.splitlines(keepends=True), 1):
        keep = starts[number] <= last if number in starts else keep
        if keep:
            kept.append(line)
    return b"".join(kept)
