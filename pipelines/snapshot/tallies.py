"""Counts that pages start from, made once a build, so that pages are quick at any size."""

from pipelines.engine.checks import CHECKS, HOME_CHECKS
from pipelines.engine.codes import (
    FIELD_NAMES,
    STATE_BITS,
    coded,
    only,
    picked,
    piece,
    without_certainty,
)
from pipelines.engine.history import STAGES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.reasons import in_words
from pipelines.engine.results import OUTCOMES


def tally(connection):
    """Systems per agency, region, crew and check by state, stage and risk."""
    counted = f"""
        SELECT agency_region_crew, position, {only("codes", STATE_BITS, ("state", "stage", "risk"))} AS codes,
               count(*) AS systems
        FROM (SELECT agency_region_crew, {_side_by_side(HOME_CHECKS)} FROM state_columns)
        GROUP BY ALL
    """
    connection.execute(f"""
        CREATE OR REPLACE TABLE tally AS
        WITH named AS (SELECT DISTINCT agency_region_crew, agency, region, crew FROM state_columns)
        SELECT agency, region, crew, {picked([check.id for check in HOME_CHECKS], "position")} AS check_id,
               {picked(STATES, piece("codes", "state"))} AS state,
               {picked(STAGES, piece("codes", "stage"))} AS stage,
               {picked(LEVELS, piece("codes", "risk"))} AS risk, systems
        FROM ({counted}) JOIN named USING (agency_region_crew)
    """)


def answerable(connection, policy):
    """What each export can answer: fields it ever filled, and checks by outcome and by what was lacking."""
    counts = ", ".join(f"count({name}) AS {name}" for name in FIELD_NAMES)
    connection.execute(f"""
        CREATE OR REPLACE TABLE export_fields AS
        UNPIVOT (SELECT export_id, {counts} FROM received_rows GROUP BY export_id)
        ON COLUMNS(* EXCLUDE export_id) INTO NAME field VALUE filled
    """)
    counted = f"""
        SELECT export_id, position, {without_certainty("codes")} AS codes, count(*) AS inspections
        FROM (SELECT export_id, {_side_by_side(CHECKS)} FROM judged)
        GROUP BY ALL
    """
    connection.execute(f"""
        CREATE OR REPLACE TABLE export_checks AS
        SELECT export_id, {picked([check.id for check in CHECKS], "position")} AS check_id,
               {picked(OUTCOMES, piece("codes", "outcome"))} AS outcome,
               {picked(in_words(policy.quoted), piece("codes", "reason"))} AS reason,
               {picked(FIELD_NAMES, piece("codes", "about"))} AS reason_field, inspections
        FROM ({counted})
    """)


def _side_by_side(checks):
    """SQL that gives a row for each check, its position and its codes, within one scan of a table."""
    codes = ", ".join(coded(check.id) for check in checks)
    return f"unnest(range({len(checks)})) AS position, unnest([{codes}]) AS codes"
