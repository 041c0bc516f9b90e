"""How far to trust the readings: gauges and thermometers that are off, habits of reading, by inspector."""

import pandas as pd

from pipelines.answers.access import Filters, Viewer, where
from pipelines.audit.habits import HABITS
from pipelines.audit.instruments import READINGS
from pipelines.fleet.snapshots import Snapshot

# The same numbers for the same people wherever their names must not be seen.
NUMBERS = """
    SELECT agency, name, 'inspector ' || dense_rank() OVER (PARTITION BY agency ORDER BY name) AS number
    FROM (
        SELECT agency, inspector AS name FROM readings WHERE inspector IS NOT NULL
        UNION
        SELECT agency, crew FROM judged WHERE crew IS NOT NULL)"""


def shifts(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """What is known of every inspector's gauges and thermometers: the rows of `instruments`.

    By agency and alphabet; inspectors are numbered for viewers who may not see personal fields.
    """
    return _by_inspector(
        viewer, snapshot, filters, "instruments", f"list_position({list(READINGS)}, i.reading)"
    )


def habits(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """What of an inspector's readings lies beyond chance: rows of `habits`, in the same order and naming."""
    found = _by_inspector(viewer, snapshot, filters, "habits", f"list_position({list(HABITS)}, i.habit)")
    return found[found["beyond_chance"]].reset_index(drop=True)


def _by_inspector(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, table: str, order: str
) -> pd.DataFrame:
    condition, params = where(viewer, Filters(agency=filters.agency), homes="i")
    return snapshot.query(
        f"""
        WITH numbered AS ({NUMBERS})
        SELECT i.* REPLACE ({"i.inspector" if viewer.personal else "n.number"} AS inspector)
        FROM {table} AS i
        JOIN numbered AS n ON n.agency = i.agency AND n.name = i.inspector
        WHERE {condition}
        ORDER BY lower(i.agency), i.agency, lower(i.inspector), i.inspector, {order}""",
        params,
    )
