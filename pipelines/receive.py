"""Exports on their way in: recognized and logged once, then read into a snapshot's rows as often as it is built.

`load` decides at the door whether a file can be used and commits it to the log; `read_all` turns every export that
the log says is loaded into typed rows, and says of each row, cell and column why it was not used.
"""

import csv
import hashlib
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import pyarrow as pa
import pyarrow.compute as pc

from pipelines.checks import BY_ID
from pipelines.fields import BY_NAME, FIELDS
from pipelines.intake.cells import collapsed, folded
from pipelines.intake.draft import draft
from pipelines.intake.mapping import MappingError, heading_warnings, load_mappings, parse_mapping, recognize, to_toml
from pipelines.intake.reader import open_export
from pipelines.intake.rows import NOT_LOADED, column_notes, type_batch
from pipelines.intake.sniff import ExportError
from pipelines.snapshot import FIELD_NAMES
from pipelines.store import FleetError, LogLine

SHIPPED_MAPPINGS = Path(__file__).parent / "intake" / "mappings"
ENDINGS = (".csv", ".tsv", ".txt")
IN_THE_FILE = "(in the file)"
NO_AGENCY = "the agency is not recorded, and this fleet holds more than one"
ROWS_READ_AT_ONCE = 200_000


@dataclass(frozen=True)
class Arrival:
    """What was decided about one file at the door."""

    file_name: str
    status: str  # loaded, kept out, already loaded
    why: str
    mapping: str = ""
    agency: str = ""
    sha256: str = ""
    remarks: tuple[str, ...] = ()


def mappings_of(fleet):
    """Every mapping: built in, shipped, and the fleet's own, which win by name. Raises MappingError."""
    return load_mappings([SHIPPED_MAPPINGS, fleet.mappings])


def files_in(paths):
    """The files that are meant: a folder stands for the exports directly in it, sorted by name."""
    found = []
    for path in map(Path, paths):
        found += sorted(p for p in path.iterdir() if p.suffix.lower() in ENDINGS and p.is_file()) if path.is_dir() else [path]
    return found


def load(fleet, paths, *, mapping=None, agency=None, by_whom="", say=lambda text: None):
    """Decide about each file, keep what can be used, and commit one line of the log for each; returns Arrivals.

    A file that cannot be used is named with the reason and the others go on. Bytes whose last line says the same are
    not logged again.
    """
    fleet.create()
    mappings = mappings_of(fleet)
    if mapping is not None and mapping not in {one.name for one in mappings}:
        raise MappingError(mapping, "", f"there is no such mapping; there are {', '.join(one.name for one in mappings)}")
    log = fleet.log()
    last = {line.sha256: line for line in log}
    agencies = any(line.agency for line in last.values() if line.status == "loaded")
    arrivals, lines = [], []
    for path in files_in(paths):
        say(path.name)
        arrival = _at_the_door(fleet, path, mappings, mapping, agency, agencies)
        known = last.get(arrival.sha256)
        if arrival.status == "loaded":
            agencies = agencies or bool(arrival.agency)
            fleet.keep_input(next(one.text for one in mappings if one.name == arrival.mapping))
        if known and (known.mapping, known.agency, known.status) == (arrival.mapping, arrival.agency, arrival.status):
            arrivals.append(replace(arrival, status="already loaded" if arrival.status == "loaded" else arrival.status))
            continue
        arrivals.append(arrival)
        text = next((one.sha256 for one in mappings if one.name == arrival.mapping), "")
        line = LogLine(sha256=arrival.sha256, sha256_received=arrival.sha256, file_name=arrival.file_name, mapping=arrival.mapping,
                       mapping_sha256=text, agency=arrival.agency, status=arrival.status, why=arrival.why, by_whom=by_whom)
        last[arrival.sha256] = line
        lines.append(line)
    if lines:
        fleet.append(lines)
    return arrivals


def _at_the_door(fleet, path, mappings, wanted, agency, agencies):
    """The Arrival of one file; a file that is loaded is kept in the fleet first."""
    def out(why, **more):
        return Arrival(path.name, "kept out", why, sha256=_sha256(path), **more)

    try:
        chosen = next((one for one in mappings if one.name == wanted), None)
        known = {heading for one in mappings for heading in one.known} if chosen is None else chosen.known
        export = _open(path, chosen, known)
        if chosen is None:
            recognition = recognize(export.headings, mappings)
            chosen = recognition.mapping
            if chosen is None:
                differ = f"; headings that differ: {', '.join(map(repr, recognition.differing[:12]))}" if recognition.differing else ""
                return out(f"{recognition.why}{differ}; draft one with: coldfill map {path.name}")
            export = _open(path, chosen, known)
    except ExportError as error:
        return out(str(error))
    lacking = [name for name in ("inspection_id", "home_id", "inspected_on") if not any(folded(h) in map(folded, export.headings) for h in chosen.feeds(name))]
    if lacking:
        return out(f"no column for {', '.join(lacking)} under mapping {chosen.name!r}", mapping=chosen.name)
    in_file = _has_agency(export.headings, chosen)
    constant = collapsed(agency or chosen.agency or "")
    named = constant or (IN_THE_FILE if in_file else "")
    if not named and agencies:
        return out(f"{NO_AGENCY}: load it with --agency NAME", mapping=chosen.name)
    sha256, _ = fleet.keep(path, path.name)
    remarks = (*export.notes, *heading_warnings(export.headings, chosen))
    return Arrival(path.name, "loaded", "", chosen.name, named, sha256, remarks)


def _open(path, mapping, known):
    return open_export(path, encoding=mapping.encoding if mapping else None, delimiter=mapping.delimiter if mapping else None, headings_known=known)


def _has_agency(headings, mapping):
    here = set(map(folded, headings))
    return any(folded(heading) in here for heading in mapping.feeds("agency"))


def _sha256(path):
    try:
        with open(path, "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError:
        return hashlib.sha256(b"").hexdigest()


def purge(fleet, sha256, why, by_whom=""):
    """Commit to the log that a stored export is removed; `sha256` may be its first digits. Returns the line."""
    found = [one for one in fleet.received() if one.sha256.startswith(sha256.lower())]
    if len(found) != 1 or len(sha256) < 6:
        raise FleetError(f"{sha256!r} names {len(found) or 'no'} exports of {fleet.path}: give at least 6 digits of one hash, as in received.csv.")
    if found[0].status == "purged":
        raise FleetError(f"{found[0].file_name} ({found[0].sha256[:12]}) was purged before, {found[0].when}.")
    line = replace(LogLine(**{name: getattr(found[0], name) for name in LogLine.__dataclass_fields__}), number=0, when="", status="purged", why=why, by_whom=by_whom)
    return fleet.append([line])[0]


def forget(fleet, sha256):
    """Delete a purged export's bytes, and the snapshots that were made with it."""
    fleet.remove_export(sha256)
    for path in fleet.snapshots()[:-1]:
        fleet.remove_snapshot(path)


def preview(fleet, path, mapping=None):
    """How one file would be read, without loading it: dialect, mapping, and each heading with its field."""
    mappings = mappings_of(fleet)
    known = {heading for one in mappings for heading in one.known}
    try:
        export = _open(path, None, known)
    except ExportError as error:
        return {"file_name": path.name, "says": str(error)}
    chosen = next((one for one in mappings if one.name == mapping), None)
    recognition = recognize(export.headings, mappings)
    chosen = chosen or recognition.mapping
    out = {"file_name": path.name, "says": recognition.why if not mapping else f"read with mapping {mapping!r}", "encoding": export.encoding,
           "delimiter": export.delimiter, "heading_line": export.heading_line, "mapping": chosen.name if chosen else None}
    if chosen is None:
        found = draft(export.headings, _first_rows(export))
        out["columns"] = [f"{one.heading}: {one.field or 'no field'} ({one.reason})" for one in found.suggestions]
        return out
    export = _open(path, chosen, known)
    first = next(export.batches(1000), None)
    if first is not None:
        typed = type_batch(first, chosen, file_name=path.name)
        out["says"] += f"; {typed.table.num_rows} of the first {first.table.num_rows} rows could be used, {typed.not_loaded.num_rows} entries not as read"
        out["not_loaded"] = typed.not_loaded.slice(0, 20).to_pylist()
    by_heading = {folded(column.heading): column for column in chosen.columns}
    out["columns"] = [f"{heading}: {by_heading[folded(heading)].field}" if folded(heading) in by_heading else f"{heading}: not a field of its own" for heading in export.headings]
    return out


def draft_mapping(fleet, path, name=None, agency=None):
    """TOML of a suggested mapping for an unknown export."""
    export = _open(path, None, {heading for one in mappings_of(fleet) for heading in one.known})
    return to_toml(draft(export.headings, _first_rows(export)).mapping(name or path.stem, agency))


def _first_rows(export, rows=2000):
    first = next(export.batches(rows), None)
    return first.table if first is not None else pa.table({heading: pa.array([], pa.string()) for heading in export.headings})


def reports(fleet, snapshot, arrivals):
    """What became of each file of a load, as dictionaries: its row of `exports`, what was not loaded, what it can answer."""
    ids = {one.sha256: one.export_id for one in fleet.received()}
    out = []
    for arrival in arrivals:
        row = {"file_name": arrival.file_name, "status": arrival.status, "why": arrival.why, "mapping": arrival.mapping, "agency": arrival.agency, "remarks": list(arrival.remarks)}
        if arrival.status != "kept out" and snapshot is not None:
            export_id = ids[arrival.sha256]
            counts = snapshot.query("SELECT export_id, sha256, rows_read, rows_kept, rows_not_loaded, rows_repeated, rows_superseded FROM exports WHERE export_id = ?", [export_id])
            row |= {name: value if isinstance(value, str) else int(value) for name, value in counts.iloc[0].items()}
            row |= _not_loaded_summary(snapshot, export_id)
            row["answers"] = answers(snapshot, export_id).sentence()
        out.append(row)
    return out


def _not_loaded_summary(snapshot, export_id, most=6):
    rows = snapshot.rows("""SELECT extent, reason, heading, count(*) AS entries, min(source_line) AS line, arg_min(raw_text, source_line) AS text, arg_min(expected, source_line) AS expected
        FROM not_loaded WHERE export_id = ? GROUP BY extent, reason, heading ORDER BY entries DESC, line""", [export_id])
    lines = [f"{entries:,} {extent}{'s' if entries > 1 else ''}{f', heading {heading!r}' if heading else ''}: {reason} (line {line}: {(text or '')[:60]!r}; accepted: {expected})"
             for extent, reason, heading, entries, line, text, expected in rows if extent != "column"]
    columns = [heading for extent, _, heading, *_ in rows if extent == "column"]
    if columns:
        lines.append(f"{len(columns)} columns not mapped: {', '.join(columns[:8])}{' ...' if len(columns) > 8 else ''}")
    more = [f"... and {len(lines) - most} kinds more; see the page of files received"] if len(lines) > most + 1 else []
    return {"cells_not_loaded": sum(row[3] for row in rows if row[0] == "cell"), "not_loaded": lines[:most] + more if more else lines}


@dataclass(frozen=True)
class Answers:
    """Which checks an export can answer, which it cannot for want of a column, and which columns would open most."""

    can: tuple[str, ...]
    cannot: tuple[str, ...]
    columns: tuple[tuple[str, int], ...]

    def sentence(self):
        text = f"answers {len(self.can)} of {len(self.can) + len(self.cannot)} checks"
        if self.cannot:
            text += f"; for want of a column it cannot answer: {', '.join(self.cannot)}"
        if self.columns:
            text += f"; most would be opened by: {', '.join(f'{field} ({count} checks)' for field, count in self.columns)}"
        return text


def answers(snapshot, export_id):
    """What one export can answer, over its assessed inspections."""
    rows = snapshot.rows("""
        SELECT check_id, sum(inspections) FILTER (outcome IN ('ok', 'deficient')) > 0 AS told,
               max(reason_field) FILTER (outcome = 'not verified' AND filled = 0) AS lacking
        FROM export_checks LEFT JOIN export_fields ON export_fields.export_id = export_checks.export_id AND export_fields.field = export_checks.reason_field
        WHERE export_checks.export_id = ? GROUP BY check_id ORDER BY check_id""", [export_id])
    can = tuple(check for check, told, lacking in rows if told)
    lacking = {check: field for check, told, field in rows if not told and field}
    opened = Counter(lacking.values())
    return Answers(can, tuple(lacking), tuple(sorted(opened.items(), key=lambda pair: (-pair[1], pair[0]))[:3]))


# ---- from the log into a snapshot

def read_all(connection, fleet, received, policy, told):
    """Every loaded export among `received` into received_rows and not_loaded, in the order they were first received.

    Spellings that the tables hold already stand.
    """
    mappings = {one.name: one for one in mappings_of(fleet)}
    kept = {(field, text): spelling for field, text, spelling in connection.execute("SELECT field, folded, spelling FROM spellings").fetchall()}
    spellings = dict(kept)
    known = {"stated_deficiencies": set(BY_ID), "repairs_reported": {measure.id for measure in policy.measures}}
    loaded = [one for one in received if one.status == "loaded"]
    for place, one in enumerate(loaded):
        mapping = mappings.get(one.mapping) or parse_mapping(one.mapping, fleet.input_text(one.mapping_sha256))
        read_one(connection, fleet.export_path(one.sha256), one, mapping, known, spellings)
        told.step(place + 1, len(loaded))
    _keep_spellings(connection, {key: spelling for key, spelling in spellings.items() if key not in kept})


def read_one(connection, path, received, mapping, known, spellings):
    """One export into the tables, and its line of `exports` without the counts that wait for the rows in force."""
    export = _open(path, mapping, mapping.known)
    constant = received.agency if received.agency not in ("", IN_THE_FILE) else None
    in_file = _has_agency(export.headings, mapping)
    hashed = ", ".join(name for name in FIELD_NAMES if name != "updated_at")
    rows = 0
    for batch in export.batches(ROWS_READ_AT_ONCE):
        rows += batch.table.num_rows
        typed = type_batch(batch, mapping, agency=constant, file_name=received.file_name, known=known)
        table, not_loaded = typed.table, typed.not_loaded
        if in_file and not constant:
            table, lost = _without_agency(table)
            not_loaded = pa.concat_tables([not_loaded, lost])
        table = _respelled(table, spellings)
        connection.register("typed", table)
        connection.execute(f"INSERT INTO received_rows BY NAME SELECT *, {received.export_id} AS export_id, hash({hashed}) AS content, 0 AS standing FROM typed")
        connection.unregister("typed")
        _not_loaded(connection, received.export_id, not_loaded)
    damage = export.damage
    _not_loaded(connection, received.export_id, pa.table({
        "source_line": pa.array([one.line for one in damage], pa.int64()), "heading": pa.array([""] * len(damage), pa.string()), "field": pa.array([""] * len(damage), pa.string()),
        "raw_text": pa.array([one.text for one in damage], pa.string()), "reason": pa.array([one.reason for one in damage], pa.string()),
        "expected": pa.array([one.expected for one in damage], pa.string()), "extent": pa.array(["row"] * len(damage), pa.string())}, schema=NOT_LOADED))
    _not_loaded(connection, received.export_id, column_notes(export.headings, mapping, export.heading_line))
    remarks = "; ".join((*export.notes, *heading_warnings(export.headings, mapping)))
    connection.execute("""
        INSERT INTO exports_read (export_id, file_name, sha256, sha256_received, mapping, agency, status, reason, rows_read, headings, dropped_headings, remarks)
        VALUES (?, ?, ?, ?, ?, ?, 'loaded', '', ?, ?, ?, ?)""",
        [received.export_id, received.file_name, received.sha256, received.sha256_received, mapping.name, received.agency, rows + len(damage),
         "\n".join(export.headings), received.dropped_headings, remarks])


def _not_loaded(connection, export_id, table):
    if table.num_rows:
        connection.register("entries", table)
        connection.execute(f"INSERT INTO not_loaded BY NAME SELECT {export_id} AS export_id, * FROM entries")
        connection.unregister("entries")


def _without_agency(table):
    """The rows that name their agency, and an entry for each that does not."""
    empty = pc.equal(table.column("agency"), "")
    count = pc.sum(empty).as_py() or 0
    if not count:
        return table, NOT_LOADED.empty_table()
    lost = table.filter(empty)
    same = lambda text: pa.array([text] * count, pa.string())
    entries = pa.table({"source_line": lost.column("source_line"), "heading": same("agency"), "field": same("agency"), "raw_text": same(""),
                        "reason": same("not recorded"), "expected": same("an agency in every row, or --agency for the file"), "extent": same("row")}, schema=NOT_LOADED)
    return table.filter(pc.invert(empty)), entries


def _respelled(table, spellings):
    """Texts that compare without case get the spelling first received."""
    for field in FIELDS:
        if not field.folded:
            continue
        column = table.column(field.name)
        if column.null_count == len(column):
            continue
        encoded = column.combine_chunks().dictionary_encode()
        texts = encoded.dictionary.to_pylist()
        kept = [spellings.setdefault((field.name, folded(text)), text) for text in texts]
        if kept != texts:
            table = table.set_column(table.schema.get_field_index(field.name), field.name, pa.array(kept, pa.string()).take(encoded.indices))
    return table


def _keep_spellings(connection, spellings):
    rows = pa.table({"field": pa.array([key[0] for key in spellings], pa.string()), "folded": pa.array([key[1] for key in spellings], pa.string()),
                     "spelling": pa.array(list(spellings.values()), pa.string())})
    connection.register("kept", rows)
    connection.execute("INSERT INTO spellings SELECT * FROM kept")
    connection.unregister("kept")


def count_exports(connection, received):
    """Fill in what became of each export's rows, add the files that were kept out, and prove that no row is lost.

    Raises RuntimeError if the counts do not add up: that would be a fault of this program.
    """
    for one in received:
        if one.status != "loaded":
            connection.execute("DELETE FROM exports_read WHERE export_id = ?", [one.export_id])
            connection.execute("""INSERT INTO exports_read (export_id, file_name, sha256, sha256_received, mapping, agency, status, reason, dropped_headings, rows_read, rows_kept, rows_not_loaded, rows_repeated, rows_superseded)
                VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, 0, 0, 0, 0, 0)""",
                [one.export_id, one.file_name, one.sha256, one.sha256_received, one.mapping, one.agency, one.status, one.why, one.dropped_headings])
    connection.execute("""
        UPDATE exports_read SET rows_kept = coalesce(kept, 0), rows_superseded = coalesce(superseded, 0), rows_repeated = coalesce(repeated, 0), rows_not_loaded = coalesce(lost, 0)
        FROM (SELECT export_id FROM exports_read WHERE status = 'loaded') AS every
        LEFT JOIN (SELECT export_id, count(*) FILTER (standing = 0) AS kept, count(*) FILTER (standing = 1) AS superseded,
                          count(*) FILTER (standing = 2) AS repeated FROM received_rows GROUP BY export_id) AS rows USING (export_id)
        LEFT JOIN (SELECT export_id, count(*) AS lost FROM not_loaded WHERE extent = 'row' GROUP BY export_id) AS gone USING (export_id)
        WHERE exports_read.export_id = every.export_id
    """)
    wrong = connection.execute("SELECT file_name FROM exports_read WHERE rows_read <> rows_kept + rows_not_loaded + rows_repeated + rows_superseded").fetchall()
    if wrong:
        raise RuntimeError(f"rows of {wrong[0][0]} are unaccounted for: nothing is published; please report this file")


# ---- places

PLACE_HEADINGS = ("agency", "postal_code", "region", "elevation_ft", "spread_ft")


def places_table(connection, fleet):
    """Elevation and spread of postal codes and regions, for homes without an elevation of their own."""
    by_key = {}
    agencies = [row[0] for row in connection.execute("SELECT DISTINCT agency FROM received_rows").fetchall()]
    for line, row in _places(fleet.places):
        low, high = BY_NAME["elevation_ft"].plausible
        try:
            elevation, spread = float(row["elevation_ft"]), float(row["spread_ft"])
        except ValueError:
            raise FleetError(f"{fleet.places}, line {line}: elevation_ft and spread_ft need numbers in feet, not {row['elevation_ft']!r} and {row['spread_ft']!r}.") from None
        if not low <= elevation <= high or not 0 <= spread <= high:
            raise FleetError(f"{fleet.places}, line {line}: elevation_ft lies between {low:,} and {high:,}, spread_ft is not below 0.")
        kind = "postal_code" if row["postal_code"].strip() else "region"
        place = collapsed(row[kind]).lower()
        if not place:
            raise FleetError(f"{fleet.places}, line {line}: name a postal_code or a region.")
        own = collapsed(row["agency"])
        for agency in agencies:
            if not own or folded(own) == folded(agency):
                key = (kind, agency, place)
                if key not in by_key or own:
                    by_key[key] = (elevation, spread)
    connection.execute("CREATE OR REPLACE TABLE place_of (kind VARCHAR, agency VARCHAR, place VARCHAR, elevation_ft DOUBLE, spread_ft DOUBLE)")
    if by_key:
        columns = list(zip(*[(*key, *value) for key, value in by_key.items()], strict=True))
        connection.register("places", pa.table({name: list(values) for name, values in zip(("kind", "agency", "place", "elevation_ft", "spread_ft"), columns, strict=True)}))
        connection.execute("INSERT INTO place_of SELECT * FROM places")
        connection.unregister("places")


def _places(path):
    if not path.exists():
        return
    with open(path, newline="", encoding="utf-8-sig") as file:
        reader = csv.DictReader(file)
        missing = [name for name in PLACE_HEADINGS if name not in (reader.fieldnames or ())]
        if missing:
            raise FleetError(f"{path}, line 1: heading {missing[0]!r} is missing; it needs {', '.join(PLACE_HEADINGS)}.")
        for row in reader:
            yield reader.line_num, {name: row[name] or "" for name in PLACE_HEADINGS}


