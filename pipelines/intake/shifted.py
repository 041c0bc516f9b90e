"""Rows in which one separator is missing and another is too many: as many cells as any other row has, but
those in between stand one column over.

Such a row is read cell by cell like any other, so it is told by what it says: several of its cells cannot be
used where they stand, and most of these could be used one column over, all in the same direction.
"""

from collections.abc import Mapping as Lookup
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.fields import BY_NAME
from pipelines.intake.columns import CellRules, Ids, Joined, Source, TypedColumn, text_at, typed_texts
from pipelines.intake.mapping import Mapping

LEAST_REFUSED = 4  # cells; rows of the sample exports have one at most
LEAST_SHARE = 0.75  # of the refused cells, that would be used one column over: three of four


@dataclass(frozen=True)
class Shift:
    """One shifted row: its number, and the first cell seen to belong one column over."""

    row: int
    field: str
    heading: str
    text: str
    expected: str


def shifted_rows(
    table: pa.Table,
    columns: Lookup[str, TypedColumn],
    sources: Lookup[str, Source | Joined],
    mapping: Mapping,
    ids: Lookup[str, Ids],
) -> list[Shift]:
    """The rows of a batch of text that look shifted by one cell, in order.

    `columns` are the fields typed, `sources` what feeds them, `ids` what CellRules takes, all by field.
    """
    refused = {name: _empty(column) for name, column in columns.items() if len(column.bad)}
    counts = np.zeros(table.num_rows, np.int64)
    for rows in refused.values():
        counts[rows] += 1
    chosen = np.flatnonzero(counts >= LEAST_REFUSED)
    if not len(chosen):
        return []
    rules = _rules(sources, mapping, ids)
    fitting = {step: np.zeros(len(chosen), np.int64) for step in (-1, 1)}
    first = {step: np.full(len(chosen), table.num_columns) for step in (-1, 1)}
    for name, rows in refused.items():
        rows = rows[counts[rows] >= LEAST_REFUSED]
        position = sources[name].first
        for step in fitting:
            if not len(rows) or (beside := rules.get(position + step)) is None:
                continue
            usable = pc.is_valid(typed_texts(text_at(table, position).take(rows), beside).values)
            at = np.searchsorted(chosen, rows[usable.to_numpy(zero_copy_only=False)])
            fitting[step][at] += 1
            first[step][at] = np.minimum(first[step][at], position)
    found = []
    for at in np.flatnonzero(np.maximum(*fitting.values()) >= LEAST_SHARE * counts[chosen]).tolist():
        step = max(fitting, key=lambda step: fitting[step][at])
        found.append(
            _shift(
                table,
                rules,
                int(chosen[at]),
                int(first[step][at]),
                step,
                f"{fitting[step][at]} of {counts[chosen[at]]}",
            )
        )
    return found


def _shift(
    table: pa.Table, rules: dict[int, CellRules], row: int, position: int, step: int, share: str
) -> Shift:
    side = "left" if step < 0 else "right"
    expected = (
        f"each cell under its own heading: the row looks shifted from column {position + 1} on, "
        f"{share} cells that cannot be used would be used one column to the {side}"
    )
    text = text_at(table, position)[row].as_py() or ""
    return Shift(row, rules[position].field.name, rules[position].column.heading, text, expected)


def _empty(column: TypedColumn) -> np.ndarray:
    """The rows whose cell is there and gave no value."""
    return column.bad[pc.is_null(column.values.take(column.bad)).to_numpy(zero_copy_only=False)]


def _rules(
    sources: Lookup[str, Source | Joined], mapping: Mapping, ids: Lookup[str, Ids]
) -> dict[int, CellRules]:
    """How the texts of a column are read, by its number."""
    return {
        position: CellRules(BY_NAME[name], one.column, mapping, ids.get(name))
        for name, source in sources.items()
        for one in source.single
        for position in one.positions
    }
