"""One list: its rows and what it rests on, before it becomes a file."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.intake.spreadsheets import harmless

if TYPE_CHECKING:
    import pandas as pd

    from pipelines.answers.work import Home


@dataclass(frozen=True)
class Sheet:
    """One list: its rows, and what it rests on.

    `about` holds `list`, `snapshot`, `received_until`, `as_of`, `filters`, `policy`, `cautions`; of flagged
    also `decisions`, how many stood on the as-of day. Texts may be missing; `observed` is text, a number
    written out where it is one. `homes` (flagged only) gives the home of each row its worst risk; without it
    the worst listed stands for it. `work` (flagged only) makes of rows of the list the homes to go to, the
    gravest first.
    """

    name: str
    rows: pa.Table
    about: dict
    homes: pa.Table | None = field(default=None, repr=False)
    work: Callable[[pa.Table], tuple[Home, ...]] | None = field(default=None, repr=False)

    @cached_property
    def frame(self) -> pd.DataFrame:
        """The rows as a frame, days as midnight timestamps."""
        return self.rows.to_pandas(date_as_object=False)

    def count_homes(self) -> int:
        """How many homes the rows are of."""
        return pc.count_distinct(
            pc.binary_join_element_wise(self.rows["agency"], self.rows["home_id"], "\0")
        ).as_py()

    @property
    def time(self) -> datetime:
        """Time that its files carry, in UTC: when the newest export of the snapshot was received."""
        return datetime.fromisoformat(self.about["received_until"].removesuffix("Z"))

    @property
    def file_name(self) -> str:
        """Name without ending that says which snapshot and day it is of."""
        return f"{self.name}-{self.about['snapshot'].removesuffix('.duckdb')}-as-of-{self.about['as_of']}"


def table(sheet: Sheet) -> pa.Table:
    """The rows as an Arrow table: texts, whole numbers, floats, dates; NULL where nothing stands."""
    out = sheet.rows
    for position, kind in enumerate(out.schema):
        if pa.types.is_timestamp(kind.type):
            out = out.set_column(position, kind.name, out.column(position).cast(pa.date32()))
        elif pa.types.is_large_string(kind.type) or pa.types.is_null(kind.type):
            out = out.set_column(position, kind.name, out.column(position).cast(pa.string()))
    return out.replace_schema_metadata(None)


def facts(sheet: Sheet) -> list[tuple[str, str]]:
    """What a list rests on as (name, text), cautions aside, and how many rows it has."""
    said = (
        (name.replace("_", " "), _said(value)) for name, value in sheet.about.items() if name != "cautions"
    )
    return [*said, ("rows", str(sheet.rows.num_rows))]


def headings(rows: pa.Table) -> list[str]:
    """Names of the columns, none of which a spreadsheet takes for a formula.

    Made from buffers, since `pa.array` of a list imports pandas, which takes longer than the list.
    """
    names = [name.encode() for name in rows.column_names]
    ends = np.cumsum([0, *map(len, names)], dtype=np.int32)
    texts = pa.StringArray.from_buffers(len(names), pa.py_buffer(ends), pa.py_buffer(b"".join(names)))
    return harmless(texts).to_pylist()


def words_and_numbers(cells: pa.ChunkedArray) -> list[str | float | None]:
    """Texts that are numbers as numbers, the others as they are."""
    import pandas as pd

    numbers = pd.to_numeric(cells.to_pandas(), errors="coerce").tolist()
    return [
        text if number != number else number for text, number in zip(cells.to_pylist(), numbers, strict=True)
    ]


def _said(value: object) -> str:
    if isinstance(value, dict):
        return "; ".join(f"{name} {_said(one)}" for name, one in value.items()) or "none"
    return ", ".join(map(str, value)) if isinstance(value, list) else str(value)
