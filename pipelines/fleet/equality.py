"""What differs between two snapshots: per table, rows counted and hashed."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from pipelines.fleet.snapshots import Snapshot, attach


@dataclass(frozen=True)
class Difference:
    """One way in which two snapshots are not equal."""

    table: str
    what: str


def equal(snapshot_a: Path | str, snapshot_b: Path | str) -> list[Difference]:
    """What differs between two snapshots; nothing if they are equal.

    Per base table except `runs`: columns, their types and order, the number of rows, and the sum of the
    hashes of the rows, which does not depend on their order. Numbers are compared bit for bit: 0.0 is not
    -0.0, NULL is not NaN (any NaN is like any other). ENUM columns are compared by their words.
    """
    a, b = attach(snapshot_a), attach(snapshot_b)
    columns_a, columns_b = _base_tables(a), _base_tables(b)
    differences = []
    for table in sorted(columns_a.keys() | columns_b.keys()):
        if table not in columns_b or table not in columns_a:
            differences.append(Difference(table, f"only in {a.name if table in columns_a else b.name}"))
        elif columns_a[table] != columns_b[table]:
            odd = sorted(set(columns_a[table]) ^ set(columns_b[table])) or [("the same", "in another order")]
            differences.append(
                Difference(table, "columns: " + ", ".join(f"{name} {kind}" for name, kind in odd))
            )
        else:
            (count_a, sum_a), (count_b, sum_b) = (
                _table_hash(snapshot, table, columns_a[table]) for snapshot in (a, b)
            )
            if count_a != count_b:
                differences.append(Difference(table, f"{count_a:,} rows and {count_b:,} rows"))
            elif sum_a != sum_b:
                differences.append(Difference(table, f"{count_a:,} rows each, but not the same ones"))
    return differences


def _base_tables(snapshot: Snapshot) -> dict[str, list[tuple[str, str]]]:
    """(name, type) of each column in order, by table."""
    tables: dict[str, list[tuple[str, str]]] = {}
    found = snapshot.rows("""
        SELECT table_name, column_name, data_type
        FROM duckdb_columns()
        SEMI JOIN duckdb_tables() USING (database_name, schema_name, table_name)
        WHERE database_name = 'snapshot' AND table_name <> 'runs'
        ORDER BY table_name, column_index
    """)
    for table, column, kind in found:
        tables.setdefault(table, []).append((column, "ENUM" if kind.startswith("ENUM(") else kind))
    return tables


def _table_hash(snapshot: Snapshot, table: str, columns: list[tuple[str, str]]) -> tuple[int, int | None]:
    """Count of rows and sum of their hashes.

    Hashed twice, so that two rows swapping a cell do not cancel out.
    """
    cells = []
    for column, kind in columns:
        name = _identifier(column)
        cells.append(f"{name}::VARCHAR" if kind == "ENUM" else name)
        if kind in ("DOUBLE", "FLOAT"):
            cells.append(f"({name} = 0 AND signbit({name}))")
        elif kind.endswith(("]", ")")) and not kind.startswith("DECIMAL"):
            cells.append(f"{name}::VARCHAR")
    hashed = f"sum(hash(hash({', '.join(cells)})))"
    return snapshot.rows(f"SELECT count(*), {hashed} FROM {_identifier(table)}")[0]


def _identifier(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'
