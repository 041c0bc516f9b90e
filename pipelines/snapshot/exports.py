"""From the log of what was received into rows: every loaded export typed, and why a row or cell was not.

What a call of `load` decided stands in the log; nothing is decided here again.
"""

import codecs
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import replace
from functools import partial

import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine.checks import BY_ID
from pipelines.fields import FIELDS
from pipelines.intake import strip
from pipelines.intake.cells import folded
from pipelines.intake.mapping import load_mappings, parse_mapping
from pipelines.intake.reader import open_export
from pipelines.intake.recognition import heading_warnings
from pipelines.intake.rows import NOT_LOADED, column_notes, type_batch
from pipelines.intake.spreadsheets import read_back
from pipelines.snapshot.tables import IN_FORCE, REPEATED, SUPERSEDED, words_as_positions

IN_THE_FILE = "(in the file)"
ROWS_READ_AT_ONCE = 100_000
SPELLINGS = "SELECT field, folded, spelling FROM spellings"
READ, BECAME = "rows_read", ("rows_kept", "rows_not_loaded", "rows_repeated", "rows_superseded")
MENDED = ("not loaded: line", "not loaded: reason")  # headings that `mending` adds; no agency's own


def mappings_of(fleet):
    """The canonical mapping and the fleet's own. Raises MappingError."""
    return load_mappings(fleet.mappings)


def mapping_of(fleet, received, mappings=None):
    """The mapping an export is read with: the one of that name now, else the text kept when it was loaded."""
    by_name = mappings if mappings is not None else {one.name: one for one in mappings_of(fleet)}
    return by_name.get(received.mapping) or parse_mapping(
        received.mapping, fleet.input_text(received.mapping_sha256)
    )


def opened(path, mapping=None, known=(), *, stripped=False):
    """One export, opened as a mapping says; `known` are more headings by which to find the line of headings.

    `stripped`: columns were dropped at the door, so it is UTF-8 whatever the mapping says. A file that is
    UTF-8 beyond doubt is read so, too, and that is noted. Raises ExportError.
    """
    delimiter = mapping.delimiter if mapping else None
    as_encoded = partial(
        open_export,
        path,
        delimiter=delimiter,
        mapped_headings={*known, *(mapping.mapped_headings if mapping else ())},
    )
    if (
        stripped
        or mapping is None
        or mapping.encoding is None
        or codecs.lookup(mapping.encoding).name == "utf-8"
    ):
        return as_encoded(encoding=None if stripped or mapping is None else mapping.encoding)
    if not _is_utf8(path):
        return as_encoded(encoding=mapping.encoding)
    export = as_encoded(encoding="utf-8")
    export.notes = (
        *export.notes,
        f"read as UTF-8, which the file is, and not as {mapping.encoding}, which the mapping says",
    )
    return export


def _is_utf8(path):
    """Whether a file is UTF-8 text with more than ASCII in it."""
    decoder, ascii_only = codecs.getincrementaldecoder("utf-8")(), True
    if not path.is_file():  # a pipe would be waited for
        return False
    with suppress(OSError, UnicodeDecodeError), open(path, "rb") as file:
        while block := file.read(1 << 20):
            ascii_only = ascii_only and block.isascii()
            decoder.decode(block)
        decoder.decode(b"", True)
        return not ascii_only
    return False


def names_agency(headings, mapping):
    """Whether a file with these headings has a column for the agency."""
    here = set(map(folded, headings))
    return any(folded(heading) in here for heading in mapping.feeds("agency"))


def own_headings(headings):
    """Headings without those that `mending` adds."""
    return tuple(heading for heading in headings if folded(heading) not in MENDED)


def known_ids(policy):
    """The ids that lists of ids may hold, by field."""
    return {
        "stated_deficiencies": set(BY_ID),
        "repairs_reported": {measure.id for measure in policy.measures},
    }


def batches(export, rows=ROWS_READ_AT_ONCE):
    """The rows of an export as the agency meant them.

    What `mending` did against formulas is undone in a file of its making.
    """
    mended = len(own_headings(export.headings)) < len(export.headings)
    for batch in export.batches(rows):
        if mended:
            batch = replace(
                batch,
                table=pa.table(
                    [read_back(column) for column in batch.table.columns], names=batch.table.column_names
                ),
            )
        yield batch


def damage_of(export, stripped):
    """Damage of an export whose batches are exhausted."""
    return [strip.noted(one) for one in export.damage] if stripped else export.damage


def is_stripped(received):
    """Whether columns were dropped from the stored copy."""
    return received.sha256 != received.sha256_received


def read_all(connection, fleet, received, inputs, progress):
    """Every loaded export among `received` into received_rows and not_loaded, in the order first received.

    Spellings that the tables hold already stand; a crew that aliases count as is spelled as they do.
    """
    mappings = {one.name: one for one in inputs.mappings}
    kept = spellings_of(connection.execute(SPELLINGS).fetchall())
    spellings = {("crew", folded(alias.crew)): alias.crew for alias in inputs.crews} | kept
    known = known_ids(inputs.policy)
    loaded = [one for one in received if one.status == "loaded"]
    paths = [fleet.export_path(one.sha256) for one in loaded]
    sizes = [path.stat().st_size for path in paths]
    total, done, rows = sum(sizes), 0, 0

    def says(file_name, rows, done, size):
        """What is called with the rows and the share of a file that are read."""
        return lambda more, share: progress.file(file_name, rows + more, done + share * size, total)

    # One transaction for all: rows are written once, in whole groups, and not first to a log.
    connection.begin()
    for one, path, size in zip(loaded, paths, sizes, strict=True):
        at_hand, mapping = says(one.file_name, rows, done, size), mapping_of(fleet, one, mappings)
        at_hand(0, 0.0)
        rows += read_one(connection, path, one, mapping, known, spellings, at_hand)
        done += size
    _keep_spellings(connection, {key: spelling for key, spelling in spellings.items() if key not in kept})
    connection.commit()


def read_one(connection, path, received, mapping, known, spellings, at_hand=lambda rows, share: None):
    """One export into the tables, and its line of exports_read; its counts wait for the rows in force.

    Returns the rows read; `at_hand` is called with them, and the share of the file, as it goes.
    """
    export = opened(path, mapping, stripped=is_stripped(received))
    constant = received.agency if received.agency not in ("", IN_THE_FILE) else None
    in_file = names_agency(export.headings, mapping)

    def typed_batches():
        for batch in _ahead(batches(export)):
            typed = type_batch(
                batch, mapping, agency=constant, file_name=received.file_name, accepted_ids=known
            )
            yield batch.table.num_rows, *as_kept(typed, spellings, demand_agency=in_file and not constant)

    rows = 0
    for read, typed, not_loaded in _ahead(typed_batches()):
        rows += read
        take_in(connection, received.export_id, typed, not_loaded)
        at_hand(rows, export.share)
    damage = damage_of(export, is_stripped(received))
    _not_loaded(
        connection,
        received.export_id,
        pa.table(
            {
                "source_line": pa.array([one.line for one in damage], pa.int64()),
                "heading": pa.array([""] * len(damage), pa.string()),
                "field": pa.array([""] * len(damage), pa.string()),
                "raw_text": pa.array([one.text for one in damage], pa.string()),
                "reason": pa.array([one.reason for one in damage], pa.string()),
                "expected": pa.array([one.expected for one in damage], pa.string()),
                "extent": pa.array(["row"] * len(damage), pa.string()),
            },
            schema=NOT_LOADED,
        ),
    )
    _not_loaded(
        connection,
        received.export_id,
        column_notes(own_headings(export.headings), mapping, export.heading_line),
    )
    remarks = "; ".join((*export.notes, *heading_warnings(export.headings, mapping)))
    _line(
        connection,
        received,
        mapping=mapping.name,
        rows_read=rows + len(damage),
        headings="\n".join(export.headings),
        remarks=remarks,
    )
    return rows + len(damage)


def as_kept(typed, spellings, *, demand_agency):
    """A typed batch as (rows of received_rows, entries of not_loaded); `spellings` are added to.

    With `demand_agency` a row that names no agency is not loaded.
    """
    table, not_loaded = typed.table, typed.not_loaded
    if demand_agency:
        table, lost = _without_agency(table)
        not_loaded = pa.concat_tables([not_loaded, lost])
    return words_as_positions(_respelled(table, spellings)), not_loaded


def take_in(connection, export_id, typed, not_loaded):
    """What `as_kept` returned, into the tables."""
    _received(connection, export_id, typed)
    _not_loaded(connection, export_id, not_loaded)


def spellings_of(rows):
    """(field, folded, spelling) as the spellings that stand, by field and folded text."""
    return {(field, text): spelling for field, text, spelling in rows}


def _ahead(items):
    """The same items; each is worked out while the one before it is used."""
    with ThreadPoolExecutor(1) as pool:
        coming = pool.submit(next, items, None)
        while (item := coming.result()) is not None:
            coming = pool.submit(next, items, None)
            yield item


def _received(connection, export_id, typed):
    """Rows of readings into received_rows.

    SQL names the Python variable itself: a registered view would be held until the transaction ends.
    """
    connection.execute(f"""
        INSERT INTO received_rows BY NAME
        SELECT *, {export_id} AS export_id, {IN_FORCE} AS standing FROM typed
    """)


def _not_loaded(connection, export_id, entries):
    if entries.num_rows:
        connection.execute(f"INSERT INTO not_loaded BY NAME SELECT {export_id} AS export_id, * FROM entries")


def _line(connection, received, **cells):
    """The line of exports_read of one export; `cells` are those that its line in the log does not hold."""
    cells = {
        "export_id": received.export_id,
        "file_name": received.file_name,
        "sha256": received.sha256,
        "sha256_received": received.sha256_received,
        "mapping": received.mapping,
        "agency": received.agency,
        "status": received.status,
        "reason": received.why,
        "dropped_headings": received.dropped_headings,
    } | cells
    names, values = ", ".join(cells), ", ".join(f"${name}" for name in cells)
    connection.execute(f"INSERT INTO exports_read ({names}) VALUES ({values})", cells)


def _without_agency(table):
    """The rows that name their agency, and an entry for each that does not."""
    empty = pc.equal(table.column("agency"), "")
    count = pc.sum(empty).as_py() or 0
    if not count:
        return table, NOT_LOADED.empty_table()
    lost = table.filter(empty)

    def same(text):
        return pa.array([text] * count, pa.string())

    entries = pa.table(
        {
            "source_line": lost.column("source_line"),
            "heading": same("agency"),
            "field": same("agency"),
            "raw_text": same(""),
            "reason": same("not recorded"),
            "expected": same("an agency in every row, or --agency for the file"),
            "extent": same("row"),
        },
        schema=NOT_LOADED,
    )
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
            table = table.set_column(
                table.schema.get_field_index(field.name),
                field.name,
                pa.array(kept, pa.string()).take(encoded.indices),
            )
    return table


def _keep_spellings(connection, spellings):
    rows = pa.table(
        {
            "field": pa.array([key[0] for key in spellings], pa.string()),
            "folded": pa.array([key[1] for key in spellings], pa.string()),
            "spelling": pa.array(list(spellings.values()), pa.string()),
        }
    )
    connection.register("kept", rows)
    connection.execute("INSERT INTO spellings SELECT * FROM kept")
    connection.unregister("kept")


def count_exports(connection, received):
    """Fill in what became of each export's rows, add files that were kept out, and prove that no row is lost.

    Raises RuntimeError if the counts do not add up: that would be a fault of this program.
    """
    nothing = dict.fromkeys((READ, *BECAME), 0)
    for one in received:
        if one.status != "loaded":
            connection.execute("DELETE FROM exports_read WHERE export_id = ?", [one.export_id])
            _line(connection, one, **nothing)
    connection.execute(f"""
        UPDATE exports_read
        SET rows_kept = coalesce(kept, 0), rows_superseded = coalesce(superseded, 0),
            rows_repeated = coalesce(repeated, 0), rows_not_loaded = coalesce(lost, 0)
        FROM (SELECT export_id FROM exports_read WHERE status = 'loaded') AS every
        LEFT JOIN (
            SELECT export_id, count(*) FILTER (standing = {IN_FORCE}) AS kept,
                   count(*) FILTER (standing = {SUPERSEDED}) AS superseded,
                   count(*) FILTER (standing = {REPEATED}) AS repeated
            FROM received_rows GROUP BY export_id) AS rows USING (export_id)
        LEFT JOIN (
            SELECT export_id, count(*) AS lost FROM not_loaded WHERE extent = 'row'
            GROUP BY export_id) AS gone USING (export_id)
        WHERE exports_read.export_id = every.export_id
    """)
    connection.execute("""
        UPDATE exports_read SET agency = named.agencies
        FROM (
            SELECT export_id, string_agg(DISTINCT agency, '; ' ORDER BY agency) AS agencies
            FROM received_rows GROUP BY export_id) AS named
        WHERE exports_read.export_id = named.export_id AND status = 'loaded'
    """)
    wrong = connection.execute(
        f"SELECT file_name FROM exports_read WHERE {READ} <> {' + '.join(BECAME)}"
    ).fetchall()
    if wrong:
        raise RuntimeError(
            f"rows of {wrong[0][0]} are unaccounted for: nothing is published; please report this file"
        )
