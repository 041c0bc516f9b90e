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


def monthly(connection):
    """Per month, agency, region, crew and risk: found, closed, and open at the month's end; by visits.

    The month is that of the visit, the risk that of the visit that found it, region and crew those of the
    home. Through the month of the newest visit; months in which nothing happens and nothing is open are left
    out.
    """
    connection.execute("""
        CREATE OR REPLACE TABLE monthly AS
        WITH of_homes AS (
            SELECT s.agency, h.region, h.crew, s.risk, date_trunc('month', s.found_on)::DATE AS found_in,
                   date_trunc('month', s.closed_on)::DATE AS closed_in, s.corrected, count(*) AS checks
            FROM episodes AS s
            JOIN homes AS h ON h.agency = s.agency AND h.home_id = s.home_id
            GROUP BY ALL),
        steps AS (
            SELECT agency, region, crew, risk, found_in AS month, sum(checks) AS found,
                   0 AS corrected, 0 AS no_longer_applies
            FROM of_homes
            GROUP BY ALL
            UNION ALL
            SELECT agency, region, crew, risk, closed_in, 0, sum(checks) FILTER (corrected),
                   sum(checks) FILTER (NOT corrected)
            FROM of_homes
            WHERE closed_in IS NOT NULL
            GROUP BY ALL),
        groups AS (
            SELECT agency, region, crew, risk, min(month) AS first FROM steps GROUP BY ALL),
        months AS (
            SELECT unnest(generate_series(
                (SELECT min(month) FROM steps),
                (SELECT date_trunc('month', max(last_inspected_on)) FROM homes),
                INTERVAL 1 MONTH))::DATE AS month),
        counted AS (
            SELECT m.month, g.agency, g.region, g.crew, g.risk,
                   coalesce(sum(s.found), 0)::BIGINT AS found,
                   coalesce(sum(s.corrected), 0)::BIGINT AS corrected,
                   coalesce(sum(s.no_longer_applies), 0)::BIGINT AS no_longer_applies
            FROM groups AS g
            JOIN months AS m ON m.month >= g.first
            LEFT JOIN steps AS s
                ON s.month = m.month AND s.agency = g.agency AND s.risk = g.risk
                AND s.region IS NOT DISTINCT FROM g.region AND s.crew IS NOT DISTINCT FROM g.crew
            GROUP BY ALL),
        summed AS (
            SELECT *, sum(found - corrected - no_longer_applies) OVER (
                       PARTITION BY agency, region, crew, risk ORDER BY month)::BIGINT AS open_at_end
            FROM counted)
        SELECT * FROM summed
        WHERE found > 0 OR corrected > 0 OR no_longer_applies > 0 OR open_at_end > 0
        ORDER BY ALL
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
