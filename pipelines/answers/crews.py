"""Crews: what final inspections found after their work, counts beside shares."""

import pandas as pd

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.contents import home_checks
from pipelines.fleet.snapshots import Snapshot


def crew_counts(viewer: Viewer, snapshot: Snapshot, filters: Filters, check: str) -> pd.DataFrame:
    """Counts of crew_checks for one check over all crews."""
    condition, params = where(viewer, Filters(agency=filters.agency, crew=filters.crew), homes="c")
    return _counts(snapshot, f"c.check_id = ? AND {condition}", [check, *params])


def crew_verified(viewer: Viewer, snapshot: Snapshot, agency: str, crew: str) -> pd.DataFrame:
    """Counts of one crew for the checks that could be verified after its work."""
    return _of_crew(viewer, snapshot, agency, crew, "c.visits > 0")


def crew_never_verified(viewer: Viewer, snapshot: Snapshot, agency: str, crew: str) -> pd.DataFrame:
    """Counts of one crew for the checks that never could."""
    return _of_crew(viewer, snapshot, agency, crew, "c.visits = 0")


def _of_crew(viewer: Viewer, snapshot: Snapshot, agency: str, crew: str, which: str) -> pd.DataFrame:
    condition, params = where(viewer, Filters(), homes="c")
    return _counts(
        snapshot, f"c.agency = ? AND c.crew = ? AND {which} AND {condition}", [agency, crew, *params]
    )


def _counts(snapshot: Snapshot, condition: str, params: list) -> pd.DataFrame:
    return snapshot.query(
        f"""
        SELECT c.agency, c.crew, c.check_id, k.name, c.visits, c.observed, c.observed_sure, c.rate,
               c.own_low95, c.own_high95, c.not_verified
        FROM crew_checks AS c
        JOIN checks AS k USING (check_id)
        WHERE {condition}
        ORDER BY lower(c.agency), lower(c.crew), list_position({home_checks()}, c.check_id)""",
        params,
    )


def agencies_of(viewer: Viewer, snapshot: Snapshot, crew: str, among: tuple[str, ...]) -> list[str]:
    """Agencies that have a crew of this name (among some, where named): they never are the same crew."""
    condition, params = where(viewer, Filters(agency=among, crew=(crew,)), homes="c")
    found = snapshot.rows(
        f"SELECT DISTINCT agency FROM crew_checks AS c WHERE {condition} ORDER BY 1", params
    )
    return [agency for (agency,) in found]
