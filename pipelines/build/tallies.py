"""Counts that pages start from, made once a build."""

import pyarrow as pa

from pipelines.engine import codes
from pipelines.engine.checks import CHECKS, HOME_CHECKS
from pipelines.engine.codes import FIELD_NAMES
from pipelines.engine.history import STAGES, STATES
from pipelines.engine.policy import policy as policies
from pipelines.engine.reasons import REASONS
from pipelines.engine.results import OUTCOMES

# ---- counts that pages start from


def tally(connection):
    """Systems per agency, region, crew and check by state, stage and risk: small, so that pages are quick at any size."""
    parts = " UNION ALL ".join(
        f"SELECT place, {codes.quoted(check.id)} AS check_id, {codes.part(check.id, 'state')} AS state, {codes.part(check.id, 'stage')} AS stage, "
        f"{codes.part(check.id, 'risk')} AS risk, count(*) AS systems FROM state_columns GROUP BY ALL"
        for check in HOME_CHECKS
    )
    connection.execute(f"""
        CREATE OR REPLACE TABLE tally AS
        WITH places AS (SELECT DISTINCT place, agency, region, crew FROM state_columns)
        SELECT agency, region, crew, check_id, {codes.picked(STATES, "state")} AS state, {codes.picked(STAGES, "stage")} AS stage,
               {codes.picked(policies.LEVELS, "risk")} AS risk, systems
        FROM ({parts}) JOIN places USING (place)
    """)


def answerable(connection):
    """What each export can answer: fields it ever filled, and per check its inspections by outcome and what was lacking."""
    counts = ", ".join(f"count({name}) AS {name}" for name in FIELD_NAMES)
    connection.execute(f"""
        CREATE OR REPLACE TABLE export_fields AS
        UNPIVOT (SELECT export_id, {counts} FROM received_rows GROUP BY export_id) ON COLUMNS(* EXCLUDE export_id) INTO NAME field VALUE filled
    """)
    parts = " UNION ALL ".join(
        f"SELECT export_id, {codes.quoted(check.id)} AS check_id, {codes.without_certainty(check.id)} AS codes, count(*) AS inspections FROM judged GROUP BY ALL"
        for check in CHECKS
    )
    outcome, reason, about = (codes.part_of("codes", what) for what in ("outcome", "reason", "about"))
    connection.execute(f"""
        CREATE OR REPLACE TABLE export_checks AS
        SELECT export_id, check_id, {codes.picked(OUTCOMES, outcome)} AS outcome, {codes.picked(REASONS, reason)} AS reason,
               {codes.picked(FIELD_NAMES, about)} AS reason_field, inspections FROM ({parts})
    """)


def tables_of_shown(connection, shown):
    """Which numbers a check's results may show, and the word behind each code, so that a list need not open the long view for it."""
    words = [(check, place, word) for check, (texts, _) in shown.items() for place, word in enumerate(texts)]
    numbers = [(check, what) for check, (_, names) in shown.items() for what in names]
    for name, columns, rows in (
        ("shown_words", {"check_id": pa.string(), "position": pa.int32(), "word": pa.string()}, words),
        ("shown_numbers", {"check_id": pa.string(), "what": pa.string()}, numbers),
    ):
        connection.register(
            "shown",
            pa.table(
                {
                    column: pa.array([row[place] for row in rows], kind)
                    for place, (column, kind) in enumerate(columns.items())
                }
            ),
        )
        connection.execute(f"CREATE OR REPLACE TABLE {name} AS SELECT * FROM shown")
        connection.unregister("shown")


def risk_matrix(connection, policy):
    """The policy's risk matrix, one row per severity and probability."""
    rows = pa.table(
        {
            "severity": pa.array(
                [place + 1 for levels in policy.risk_matrix.values() for place in range(len(levels))],
                pa.int8(),
            ),
            "probability": [row for row, levels in policy.risk_matrix.items() for _ in levels],
            "risk": [level for levels in policy.risk_matrix.values() for level in levels],
        }
    )
    connection.register("matrix_rows", rows)
    connection.execute("CREATE OR REPLACE TABLE risk_matrix AS SELECT * FROM matrix_rows")
    connection.unregister("matrix_rows")
