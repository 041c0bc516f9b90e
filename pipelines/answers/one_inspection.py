"""One inspection from the line of the file on: readings, recomputed quantities, results, causes.

Plain values that a terminal, a page or a script can show; nothing is computed here that the snapshot does not
hold.
"""

import json
from dataclasses import dataclass
from datetime import date, datetime
from functools import lru_cache
from pathlib import Path

from pipelines.answers.access import Filters, NotFound, Viewer, nearest_id, where
from pipelines.answers.outcomes import Result, results
from pipelines.answers.phrases import amount, shown, unit_said
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.codes import FIELD_NAMES
from pipelines.engine.policy.policy import Quoted, limit_said
from pipelines.engine.quantities import BY_NAME as QUANTITIES
from pipelines.engine.quantities import COLUMNS, FLAGS, resolver
from pipelines.engine.quantities.kinds import Quantity
from pipelines.fields import BY_NAME, NUMBER, PERSONAL
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import BLANKS, Refused, collapsed, number
from pipelines.intake.columns import sources_of
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import Column, Mapping
from pipelines.intake.reader import Export
from pipelines.snapshot import inputs
from pipelines.snapshot.exports import opened
from pipelines.snapshot.tables import IN_FORCE, REPEATED, SUPERSEDED, TWO_THINGS

ROW_STATUS = {
    IN_FORCE: "in force",
    SUPERSEDED: "superseded",
    REPEATED: "repeated",
    TWO_THINGS: "the file says two things",
}
NOT_KNOWN = "not known"


@dataclass(frozen=True)
class Source:
    """Where a row of an inspection came from, and its row status."""

    export_id: int
    file_name: str
    source_line: int
    row_status: str
    received_at: str


@dataclass(frozen=True)
class Cell:
    """A cell of the file that a reading came from: as it stands there, and the unit it is read in."""

    heading: str
    raw_text: str
    unit: str


@dataclass(frozen=True)
class Reading:
    """One reading as recorded: `value` typed (text, number, date), `text` as shown, `cells` it came from.

    There are none where the mapping or the load said it for the whole file.
    """

    field: str
    value: str | float | date | datetime
    text: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class Unused:
    """One cell of the row that was not used as read; `raw_text` is None where it must not be shown."""

    heading: str
    field: str
    raw_text: str | None
    reason: str
    expected: str


@dataclass(frozen=True)
class Recomputed:
    """One quantity of this inspection: `value` None where it is not known.

    `rests_on` says what was estimated or taken for it.
    """

    name: str
    title: str
    value: float | None
    text: str
    rests_on: tuple[str, ...] = ()


@dataclass(frozen=True)
class Cause:
    """A root and the symptom it brings about at this visit; no root where readings do not tell the cause."""

    root_check_id: str | None
    symptom_check_id: str
    note: str
    after_psig: float | None
    fix_first: bool
    text: str


@dataclass(frozen=True)
class Inspection:
    """Everything about one inspection in force; `other_rows` are rows of the same inspection that are not.

    `cells_lacking` says why the cells that its readings came from cannot be shown; empty where they can.
    """

    snapshot: str
    agency: str
    inspection_id: str
    home_id: str
    system_id: str
    inspected_on: date
    source: Source
    other_rows: tuple[Source, ...]
    readings: tuple[Reading, ...]
    cells_lacking: str
    unused: tuple[Unused, ...]
    recomputed: tuple[Recomputed, ...]
    flags: dict[str, bool]
    results: tuple[Result, ...]
    causes: tuple[Cause, ...]

    @property
    def other_system(self) -> str | None:
        """The heating system recorded, in words, where it is not the one that these checks are of."""
        recorded = (reading for reading in self.readings if reading.field == "heating_system")
        return next((reading.text for reading in recorded if reading.value != "hot_water"), None)


def inspection(viewer: Viewer, snapshot: Snapshot, agency: str, inspection_id: str) -> Inspection:
    """The inspection in force of an agency (without case) under its id; NotFound with what is nearest.

    Personal readings, and raw texts of such cells, stay out for viewers who may not see them.
    """
    row, sources = _rows(viewer, snapshot, agency, inspection_id)
    key = [row["agency"], row["inspection_id"]]
    of_key = "agency = ? AND inspection_id = ?"
    values = snapshot.arrow(f"SELECT * FROM recomputed WHERE {of_key}", key).to_pylist()[0]
    cells, lacking = _cells(snapshot, sources[0])
    return Inspection(
        snapshot=snapshot.name,
        agency=row["agency"],
        inspection_id=row["inspection_id"],
        home_id=row["home_id"],
        system_id=values["system_id"],
        inspected_on=row["inspected_on"],
        source=sources[0],
        other_rows=tuple(sources[1:]),
        readings=tuple(
            Reading(name, value, shown(name, value), cells.get(name, ()))
            for name, value in row.items()
            if value is not None and (viewer.personal or name not in PERSONAL)
        ),
        cells_lacking=lacking,
        unused=_unused(viewer, snapshot, sources[0]),
        recomputed=_recomputed(snapshot, row, values),
        flags={name: values[name] for name in FLAGS},
        results=results(snapshot, of_key, key)[row["inspection_id"]],
        causes=_causes(snapshot, key),
    )


def _rows(viewer: Viewer, snapshot: Snapshot, agency: str, inspection_id: str) -> tuple[dict, list[Source]]:
    """The row in force of an inspection by field, and where every row of it came from, that one first."""
    condition, params = where(viewer, Filters(agency=(agency,)), homes="r")
    # Ids are kept as they were written, blanks and all; one that is typed may have fewer.
    for written in (inspection_id, collapsed(inspection_id)):
        rows = snapshot.rows(
            f"""
            SELECT {", ".join(f"r.{name}" for name in FIELD_NAMES)},
                   r.export_id, e.file_name, r.source_line, r.standing, e.received_at
            FROM received AS r
            JOIN exports AS e USING (export_id)
            WHERE r.inspection_id = ? AND {condition}
            ORDER BY r.standing, r.export_id, r.source_line""",
            [written, *params],
        )
        if rows:
            break
    sources = [
        Source(export_id, file_name, line, ROW_STATUS[status], received_at)
        for export_id, file_name, line, status, received_at in (row[len(FIELD_NAMES) :] for row in rows)
    ]
    if not sources or sources[0].row_status != ROW_STATUS[IN_FORCE]:
        raise NotFound(nearest_id(viewer, snapshot, agency, inspection_id, "inspection_id", "inspection"))
    return dict(zip(FIELD_NAMES, rows[0], strict=False)), sources


def _cells(snapshot: Snapshot, source: Source) -> tuple[dict[str, tuple[Cell, ...]], str]:
    """The cells that feed each field, as they stand in the stored export, and why there are none, or ''."""
    fleet = Fleet(snapshot.path.parent.parent)
    said = dict(
        zip(
            ("sha256", "sha256_received", "mapping", "inputs"),
            snapshot.rows(
                """
                SELECT sha256, sha256_received, mapping, (SELECT inputs FROM runs)
                FROM exports
                WHERE export_id = ?""",
                [source.export_id],
            )[0],
            strict=True,
        )
    )
    try:
        mapping = inputs.mapping_kept(fleet, json.loads(said["inputs"]), said["mapping"])
        stripped = said["sha256"] != said["sha256_received"]
        export = _opened(fleet.export_path(said["sha256"]), mapping, stripped)
        row = export.row_at(source.source_line)
    except (FleetError, ExportError) as error:
        return {}, str(error)
    if row is None:
        return {}, f"no row starts at line {source.source_line} of the stored file: run coldfill verify"
    return {
        field: tuple(
            Cell(export.headings[position], row[position], _unit(field, row[position], one.column, mapping))
            for one in feeding.single
            for position in one.positions
        )
        for field, feeding in sources_of(export.headings, mapping).items()
    }, ""


@lru_cache(maxsize=8)
def _opened(path: Path, mapping: Mapping, stripped: bool) -> Export:
    """A stored export, which never changes, found out about once."""
    return opened(path, mapping, stripped=stripped)


def _unit(field: str, text: str, column: Column, mapping: Mapping) -> str:
    """The unit that a cell of numbers is read in: its own, the column's, or the field's."""
    if BY_NAME[field].kind != NUMBER:
        return ""
    read = number(text.strip(BLANKS), mapping.decimal)
    own = "" if isinstance(read, Refused) else read[1]
    return unit_said(own or column.unit or BY_NAME[field].unit)


def _unused(viewer: Viewer, snapshot: Snapshot, source: Source) -> tuple[Unused, ...]:
    rows = snapshot.rows(
        """
        SELECT heading, field, raw_text, reason, expected
        FROM not_loaded
        WHERE export_id = ? AND source_line = ? AND extent = 'cell'
        ORDER BY heading, field""",
        [source.export_id, source.source_line],
    )
    return tuple(
        Unused(heading, field, text if viewer.personal or field not in PERSONAL else None, reason, expected)
        for heading, field, text, reason, expected in rows
    )


def _recomputed(snapshot: Snapshot, row: dict, values: dict) -> tuple[Recomputed, ...]:
    """Recomputed quantities with what each rests on that was not read at the visit."""
    limits = snapshot.rows("""
        SELECT name, value, unit
        FROM limits
        WHERE name NOT IN (SELECT name FROM region_overrides)""")
    taken = assumptions(row, values, {name: limit_said(value, unit) for name, value, unit in limits})
    found = []
    for name in COLUMNS:
        text = _quantity_in_words(QUANTITIES[name], row | values)
        rests_on = () if text == NOT_KNOWN else tuple(said for said, names in taken if name in names)
        found.append(Recomputed(name, QUANTITIES[name].title, values[name], text, rests_on))
    return tuple(found)


def _quantity_in_words(quantity: Quantity, visit: dict) -> str:
    """How a column of one inspection reads, `visit` being its readings and its row of `recomputed`."""
    value = visit[quantity.name]
    phrase = next((phrase for holds, phrase in quantity.reads if holds(visit)), "{}")
    if value is None and "{}" in phrase:
        return NOT_KNOWN
    return phrase.format("" if value is None else amount(quantity.name, value))


def assumptions(row: dict, values: dict, limits: dict[str, str]) -> list[tuple[str, tuple[str, ...]]]:
    """(what was estimated or taken, names of the columns that rest on it) of one inspection.

    `row` holds its readings by field, `values` its row of `recomputed`, `limits` the policy's limits in words
    by name, as far as no region has its own.
    """
    taken, quoted = resolver.assumptions(row | values), Quoted(limits)
    return [(assumption.text.format_map(quoted), names) for assumption, names in taken]


def _causes(snapshot: Snapshot, key: list[str]) -> tuple[Cause, ...]:
    """Links of one visit; a root is to be fixed first where nothing of the visit brings it about in turn."""
    rows = snapshot.rows(
        """
        SELECT root_check_id, symptom_check_id, note, after_psig
        FROM causes
        WHERE agency = ? AND inspection_id = ?""",
        key,
    )
    position = {check.id: number for number, check in enumerate(CHECKS)}
    rows.sort(key=lambda row: (position.get(row[0], len(position)), position[row[1]]))
    symptoms = {symptom for root, symptom, *_ in rows if root != symptom}
    return tuple(
        _cause(root, symptom, note or "", after_psig, root is not None and root not in symptoms)
        for root, symptom, note, after_psig in rows
    )


def _cause(root: str | None, symptom: str, note: str, after_psig: float | None, first: bool) -> Cause:
    brought = BY_ID[symptom].title
    if root is None:
        text = f"{brought}: cause not told by these readings"
    elif root == symptom:
        text = f"{brought}: its own cause, every check of tank and pressure is ok"
    else:
        text = f"{BY_ID[root].title} → {brought}"
        if after_psig is not None:
            text += f" (put right, the pressure would be {amount('predicted_hot_psig', after_psig)})"
        if first:
            text = f"fix first: {text}"
    return Cause(root, symptom, note, after_psig, first, text)
