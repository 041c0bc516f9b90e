"""Risk: severity and probability of checks, the policy's matrix of them, and how much stands open of each."""

import pandas as pd

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.contents import home_checks
from pipelines.answers.waiting import by_risk
from pipelines.engine.codes import quoted
from pipelines.engine.history import STAGES
from pipelines.fleet.snapshots import Snapshot


def matrix(viewer: Viewer, snapshot: Snapshot, filters: Filters, stage: str) -> pd.DataFrame:
    """Checks with severity, probability, the matrix's risk of these, and how many are open at a stage."""
    condition, params = where(viewer, filters, homes="t")
    return snapshot.query(
        f"""
        SELECT *
        FROM (
            SELECT c.severity, c.probability, m.risk, c.check_id, c.title, c.act_today,
                   coalesce(sum(t.systems) FILTER (t.stage = ? AND {condition}), 0)::BIGINT AS deficiencies
            FROM checks AS c
            JOIN risk_matrix AS m USING (severity, probability)
            LEFT JOIN tally AS t ON t.check_id = c.check_id
            WHERE c.severity IS NOT NULL
            GROUP BY ALL)
        ORDER BY severity, probability, list_position({home_checks()}, check_id)""",
        [stage, *params],
    )


def open_by_check(viewer: Viewer, snapshot: Snapshot, filters: Filters, stage: str) -> pd.DataFrame:
    """The rows of `matrix` with something open."""
    found = matrix(viewer, snapshot, filters, stage)
    return found[found["deficiencies"] > 0]


def ranked(viewer: Viewer, snapshot: Snapshot, filters: Filters, stage: str) -> pd.DataFrame:
    """Homes with each deficiency open at a stage, by its risk: check_id, title, risk, homes, of_check.

    `of_check` counts the homes of the check whatever the risk: a home of two systems may have it at two.
    Checks with most homes first, a check's graver risks before the others.
    """
    condition, params = where(viewer, filters, homes="h", checks="d")
    return snapshot.query(
        f"""
        WITH at_stage AS (
            SELECT d.check_id, d.risk, d.agency, d.home_id
            FROM opened AS d
            JOIN homes AS h ON h.agency = d.agency AND h.home_id = d.home_id
            WHERE d.stage = ? AND {condition}),
        of_checks AS (
            SELECT check_id, count(DISTINCT (agency, home_id)) AS of_check FROM at_stage GROUP BY check_id)
        SELECT *
        FROM (
            SELECT check_id, c.title, risk, count(DISTINCT (agency, home_id)) AS homes, of_check
            FROM at_stage
            JOIN of_checks USING (check_id)
            JOIN checks AS c USING (check_id)
            GROUP BY ALL)
        ORDER BY of_check DESC, list_position({home_checks()}, check_id), {by_risk("risk")}""",
        [stage, *params],
    )


def levels(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Open deficiencies by risk, a column for each stage (stage0, ...)."""
    condition, params = where(viewer, filters, homes="t")
    stages = ",\n".join(
        f"coalesce(sum(systems) FILTER (stage = {quoted(stage)}), 0)::BIGINT AS stage{position}"
        for position, stage in enumerate(STAGES)
    )
    return snapshot.query(
        f"""
        SELECT risk, {stages}
        FROM tally AS t
        WHERE risk IS NOT NULL AND {condition}
        GROUP BY risk
        ORDER BY {by_risk("risk")}""",
        params,
    )


def matrix_levels(viewer: Viewer, snapshot: Snapshot) -> dict[tuple[int, str], str]:
    """The policy's risk for each severity and probability."""
    found = snapshot.rows("SELECT severity, probability, risk FROM risk_matrix")
    return {(severity, probability): risk for severity, probability, risk in found}
