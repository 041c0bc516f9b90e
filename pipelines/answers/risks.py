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
