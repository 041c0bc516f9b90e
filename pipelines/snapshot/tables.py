"""The tables of a snapshot: made, and filled batch by batch."""

import numpy as np
import pyarrow as pa

from pipelines.engine.codes import (
    CERTAINTY_STEPS,
    RESULT_BITS,
    STATE_BITS,
    TELLING,
    coded,
    column,
    joined,
)
from pipelines.engine.quantities import BY_NAME as QUANTITIES
from pipelines.engine.quantities import COLUMNS, FLAGS
from pipelines.fields import DATE, FIELDS, NUMBER, TIME

SQL_TYPES = {NUMBER: "DOUBLE", DATE: "DATE", TIME: "TIMESTAMP"}
IN_FORCE, SUPERSEDED, REPEATED, TWO_THINGS = range(4)
READINGS = f"(SELECT * FROM received_rows WHERE standing = {IN_FORCE})"  # words as positions
KEY = ("agency", "inspection_id", "home_id", "system_id")
VISIT = (*KEY, "export_id", "inspection_kind", "crew", "job_number")
# Worked out by DuckDB as a batch goes in: one number to group by.
ADDED = {"state_columns": ", hash(agency, region, crew) AS agency_region_crew"}


def create(connection):
    """Make the tables of a new snapshot."""
    fields = ", ".join(f"{field.name} {_sql_type(field)}" for field in FIELDS)
    connection.execute(f"""
        CREATE TABLE received_rows (
            {fields},
            export_id INTEGER, source_line BIGINT, unusable VARCHAR, carried VARCHAR, standing UTINYINT);
        CREATE TABLE not_loaded (
            export_id INTEGER, source_line BIGINT, heading VARCHAR, field VARCHAR, raw_text VARCHAR,
            reason VARCHAR, expected VARCHAR, extent VARCHAR);
        CREATE TABLE spellings (field VARCHAR, folded VARCHAR, spelling VARCHAR);
        CREATE TABLE exports_read (
            export_id INTEGER, file_name VARCHAR, sha256 VARCHAR, sha256_received VARCHAR, mapping VARCHAR,
            agency VARCHAR, status VARCHAR, reason VARCHAR,
            rows_read BIGINT, rows_kept BIGINT, rows_not_loaded BIGINT, rows_repeated BIGINT,
            rows_superseded BIGINT, headings VARCHAR, dropped_headings VARCHAR, remarks VARCHAR);
    """)


def _sql_type(field):
    """Words are kept as positions in the field's list: a table takes them in twice as fast as an ENUM."""
    return "TINYINT" if field.words else SQL_TYPES.get(field.kind, "VARCHAR")


def words_as_positions(table):
    """An Arrow table of typed readings as received_rows keeps them."""

    def positions(field, column):
        words = column.combine_chunks()
        assert words.null_count == len(words) or tuple(words.dictionary.to_pylist()) == field.words, (
            field.name
        )
        return words.indices

    return _replaced(table, positions)


def positions_as_words(table):
    """Some columns of received_rows as typed readings, words as a dictionary."""
    return _replaced(
        table,
        lambda field, column: pa.DictionaryArray.from_arrays(
            column.combine_chunks(), pa.array(field.words, pa.string())
        ),
    )


def _replaced(table, replacing):
    """`replacing(field, column)` in the place of every column of words."""
    for field in FIELDS:
        position = table.schema.get_field_index(field.name)
        if field.words and position >= 0:
            table = table.set_column(position, field.name, replacing(field, table.column(position)))
    return table


def write(connection, name, rows):
    """Append an Arrow table to a table; one that is not there yet gets the columns of its first batch.

    SQL names `rows` itself: a registered view would be held, with its rows, until the transaction ends.
    """
    chosen = f"SELECT *{ADDED.get(name, '')} FROM rows"
    connection.execute(f"CREATE TABLE IF NOT EXISTS {name} AS {chosen} LIMIT 0")
    connection.execute(f"INSERT INTO {name} BY NAME {chosen}")


def judged_table(keys, recomputed, results):
    """What was recomputed and found of a batch, a row per inspection.

    Quantities are NULL where not known, not finite, or of a system that is not assessed; flags are bits of
    one number.
    """
    columns, assessed = {name: keys[name] for name in VISIT}, recomputed["assessed"]
    for name in COLUMNS:
        value = recomputed[name].value
        keep = np.isfinite(value) & (assessed | QUANTITIES[name].unassessed)
        columns[name] = pa.array(value, mask=~keep)
    columns["flags"] = pa.array(_flags(recomputed))
    for check, result in results.items():
        columns[coded(check)] = pa.array(_result_codes(result))
        for name in result.shows:
            columns[column(check, name)] = pa.array(getattr(result, name), from_pandas=True)
    return pa.table(columns)


def _flags(recomputed):
    """FLAGS as bits of one number, the first lowest."""
    flags = np.uint8(0)
    for position, name in enumerate(FLAGS):
        flag = recomputed[name]
        holds = flag if QUANTITIES[name].unassessed else flag & recomputed["assessed"]
        flags = flags | holds.astype(np.uint8) << np.uint8(position)
    return flags


def _result_codes(result):
    """The results of one check but for their numbers, one whole number each."""
    telling = result.outcome < TELLING
    sure = np.rint(np.where(telling, result.certainty, 0.0) * CERTAINTY_STEPS).astype(np.int16)
    words = np.zeros(len(telling), np.int8) if result.words is None else result.words.codes + np.int8(1)
    pieces = {
        "outcome": result.outcome,
        "reason": result.said & 0xFF,
        "word": words,
        "detail": np.where(telling, CERTAINTY_STEPS - sure, (result.said >> 8).astype(np.int16)),
    }
    return joined(RESULT_BITS, pieces)


def state_codes(**pieces):
    """One check's states at systems as an Arrow array, from the pieces of STATE_BITS."""
    return pa.array(joined(STATE_BITS, pieces))
