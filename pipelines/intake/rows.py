"""Rows as text → typed readings, and every row and cell that was not used as read, with its reason."""

import json
import os
from collections.abc import Collection, Sequence
from collections.abc import Mapping as Lookup
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME, FIELDS, REQUIRED, Field
from pipelines.intake import cells
from pipelines.intake.cells import BLANKS
from pipelines.intake.columns import TYPES, Source, TypedColumn, positions_of, sources_of
from pipelines.intake.damage import DAMAGE_REASONS
from pipelines.intake.mapping import Column, Mapping
from pipelines.intake.recognition import unmapped
from pipelines.intake.shifted import Shift, shifted_rows
from pipelines.intake.units import ABSOLUTE, NOT_UNDERSTOOD, OTHER_QUANTITY

AcceptedIds = Lookup[str, Collection[str]]  # by field

NOT_MAPPED = "heading not mapped"
SHIFTED = "row looks shifted by one cell"
SAID_TWICE = "this file says two things about one inspection"  # found once the whole file is typed
REASONS: tuple[str, ...] = (
    *(*DAMAGE_REASONS, *cells.REASONS),
    *(NOT_UNDERSTOOD, OTHER_QUANTITY, ABSOLUTE),
    *(NOT_MAPPED, SHIFTED, SAID_TWICE),
)

READINGS = pa.schema(
    [(field.name, TYPES[field.kind]) for field in FIELDS]
    + [("source_line", pa.int64()), ("unusable", pa.string()), ("carried", pa.string())]
)
NOT_LOADED = pa.schema(
    [("source_line", pa.int64())]
    + [(name, pa.string()) for name in ("heading", "field", "raw_text", "reason", "expected", "extent")]
)


class TextBatch(Protocol):
    """Rows as text: string columns named by the file's headings, and the physical line of each row."""

    @property
    def table(self) -> pa.Table: ...

    @property
    def lines(self) -> np.ndarray: ...


@dataclass(frozen=True)
class Typed:
    """One batch, typed: `table` is as READINGS; `not_loaded` as NOT_LOADED, in the order of the file.

    A row of the batch is either in `table` or has exactly one entry of extent "row". `unusable` names the
    fields whose cell was kept out of the row, joined by ";"; `carried` is a JSON object of the mapping's
    carried columns. Numbers are finite or null, never NaN.
    """

    table: pa.Table
    not_loaded: pa.Table


def type_batch(
    batch: TextBatch,
    mapping: Mapping,
    *,
    agency: str | None = None,
    file_name: str = "",
    accepted_ids: AcceptedIds | None = None,
) -> Typed:
    """Type one batch of an export.

    The agency is the row's own, else `agency`, else the mapping's, else "": what to do with such rows is the
    caller's to say. A field of lists of ids that is not in `accepted_ids` takes any. Nothing that stands in a
    cell raises.
    """
    table, lines = batch.table, np.asarray(batch.lines, np.int64)
    if len(lines) != table.num_rows:
        raise ValueError(f"{file_name}: {table.num_rows} rows, but line numbers for {len(lines)}")
    sources = sources_of(table.column_names, mapping)
    ids = {
        name: {cells.word_key(text): text for text in texts} for name, texts in (accepted_ids or {}).items()
    }

    def typed(field: Field) -> TypedColumn:
        source = sources.get(field.name)
        if source is None:
            return TypedColumn(pa.nulls(table.num_rows, TYPES[field.kind]))
        return source.typed(table, field, mapping, ids.get(field.name))

    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:  # pyarrow works outside Python's lock
        columns = dict(zip(BY_NAME, pool.map(typed, FIELDS), strict=True))
    columns["agency"] = replace(columns["agency"], fallback=cells.collapsed(agency or mapping.agency or ""))
    shifts = shifted_rows(table, columns, sources, mapping, ids)
    return _assembled(columns, lines, _carried(table, mapping), shifts)


def column_notes(headings: Sequence[str], mapping: Mapping, heading_line: int | None = None) -> pa.Table:
    """One entry of extent "column", as NOT_LOADED, for each heading the mapping says nothing about."""
    unknown = unmapped(headings, mapping)
    expected = "in the mapping: a field for it, or its name under carry or ignore"
    lines = pa.array([heading_line] * len(unknown), pa.int64())
    return _entries(lines, pa.array(unknown, pa.string()), "", "", NOT_MAPPED, expected, "column")


# Columns → rows --------------------------------------------------------------------------------------------


def _assembled(
    columns: dict[str, TypedColumn], lines: np.ndarray, carried: pa.Array, shifts: Sequence[Shift]
) -> Typed:
    """The readings table without the rows lost, and the entries for lost rows and unused cells."""
    lost = np.zeros(len(lines), bool)
    lost[[shift.row for shift in shifts]] = True
    entries = [_of_shifts(shifts, lines)] if shifts else []
    for name in (*REQUIRED, "agency"):
        column = columns[name]
        empty = pc.is_null(column.values).to_numpy(zero_copy_only=False)
        newly = column.bad[empty[column.bad] & ~lost[column.bad]]
        entries.append(_refused(name, column, np.isin(column.bad, newly), lines, "row"))
        lost[newly] = True
        if name in REQUIRED:
            rows = np.flatnonzero(empty & ~lost)
            expected = f"{name} in every row"
            at = pa.array(lines[rows])
            entries.append(_entries(at, column.heading, name, "", cells.NOT_RECORDED, expected, "row"))
            lost[rows] = True
    unusable = np.zeros(len(lines), np.int64)
    patterns: dict[str, int] = {"": 0}
    for name, column in columns.items():
        if not len(column.bad):
            continue
        entries.append(_refused(name, column, ~lost[column.bad], lines, "cell"))
        empty = column.bad[pc.is_null(column.values.take(column.bad)).to_numpy(zero_copy_only=False)]
        _add_name(unusable, patterns, empty, name)
    names = pa.array([pattern or None for pattern in patterns], pa.string()).take(unusable)
    values = [
        column.values if column.fallback is None else pc.fill_null(column.values, column.fallback)
        for column in columns.values()
    ]
    table = pa.Table.from_arrays([*values, pa.array(lines), names, carried], schema=READINGS)
    not_loaded = pa.concat_tables(entries)
    return Typed(
        table.filter(pa.array(~lost)) if lost.any() else table,
        not_loaded.take(pc.sort_indices(not_loaded["source_line"])).combine_chunks()
        if not_loaded.num_rows
        else NOT_LOADED.empty_table(),
    )


def _add_name(codes: np.ndarray, patterns: dict[str, int], rows: np.ndarray, name: str) -> None:
    """Append `name` to the list of names each of `rows` has; equal lists share a code."""
    texts = list(patterns)
    before, which = np.unique(codes[rows], return_inverse=True)
    after = [
        patterns.setdefault(f"{texts[code]};{name}".lstrip(";"), len(patterns)) for code in before.tolist()
    ]
    codes[rows] = np.array(after, np.int64)[which]


def _refused(name: str, column: TypedColumn, chosen: np.ndarray, lines: np.ndarray, extent: str) -> pa.Table:
    mask = pa.array(chosen)
    return _entries(
        pa.array(lines[column.bad[chosen]]),
        column.heading,
        name,
        column.raw.filter(mask),
        column.reason.filter(mask),
        column.expected.filter(mask),
        extent,
    )


def _of_shifts(shifts: Sequence[Shift], lines: np.ndarray) -> pa.Table:
    """The entries of rows that look shifted."""
    texts = ([getattr(shift, name) for shift in shifts] for name in ("heading", "field", "text", "expected"))
    heading, field, text, expected = (pa.array(one, pa.string()) for one in texts)
    at = pa.array(lines[[shift.row for shift in shifts]])
    return _entries(at, heading, field, text, SHIFTED, expected, "row")


def _entries(lines: pa.Array, *texts: pa.Array | str) -> pa.Table:
    """Entries as NOT_LOADED; a single text is repeated."""
    arrays = [
        pa.repeat(pa.scalar(text, pa.string()), len(lines)) if isinstance(text, str) else text
        for text in texts
    ]
    return pa.Table.from_arrays([lines, *arrays], schema=NOT_LOADED)


def _carried(table: pa.Table, mapping: Mapping) -> pa.Array:
    """A JSON object of the mapping's carried columns for each row; null where the mapping has none."""
    if not mapping.carry:
        return pa.nulls(table.num_rows, pa.string())
    positions = positions_of(table.column_names, mapping)
    pieces: list = []
    for heading in mapping.carry:
        texts = pa.nulls(table.num_rows, pa.string())
        if at := positions.get(cells.folded(heading)):
            texts, rows, raw = Source(Column(heading, ""), at).text(table)
            if len(rows):
                texts = pc.replace_with_mask(texts, pa.array(np.isin(np.arange(table.num_rows), rows)), raw)
        encoded = pc.fill_null(texts, "").dictionary_encode()
        quoted = [
            json.dumps(text.strip(BLANKS), ensure_ascii=False) for text in encoded.dictionary.to_pylist()
        ]
        pieces += [
            pa.scalar(f"{', ' if pieces else '{'}{json.dumps(heading, ensure_ascii=False)}: "),
            pa.array(quoted, pa.string()).take(encoded.indices),
        ]
    return pc.binary_join_element_wise(*pieces, pa.scalar("}"), "")
