"""Counts per crew and check from final inspections, with exact intervals; standings wait for the audit of crews.

A unit is a home, system and job. It counts once per check: by the final inspection's telling result, or by that of the
re-inspection paired with it where the final told nothing.
"""

import numpy as np
import pyarrow as pa
from scipy.special import betaincinv

from pipelines.checks import HOME_CHECKS
from pipelines.results import DEFICIENT, NOT_VERIFIED
from pipelines.snapshot import CERTAINTY_STEPS, column

COLUMNS = ("agency", "crew", "check_id", "visits", "observed", "observed_sure", "expected", "rate", "shrunken_rate", "low95", "high95",
           "low998", "high998", "adjusted_p", "not_verified", "standing")
WAITING = ("expected", "shrunken_rate", "low998", "high998", "adjusted_p")  # for the audit of crews to fill


def exact_interval(count, of, level=0.95):
    """Clopper-Pearson limits of a share; arrays of shape (n,). NaN where `of` is 0.

    Source: Clopper and Pearson 1934. 4 of 20 at 90 %: 0.071354 to 0.401029 (NIST e-Handbook 7.2.4.1, from memory).
    """
    count, of = np.asarray(count, float), np.asarray(of, float)
    tail = (1.0 - level) / 2.0
    with np.errstate(invalid="ignore"):
        low = np.where(count > 0, betaincinv(np.maximum(count, 1), of - count + 1, tail), 0.0)
        high = np.where(count < of, betaincinv(count + 1, np.maximum(of - count, 1), 1.0 - tail), 1.0)
    return np.where(of > 0, low, np.nan), np.where(of > 0, high, np.nan)


def crew_tables(connection, policy):
    """Make crew_checks and agreement, whole. Counts are integers; the crew is the one of the final inspection."""
    counts = ", ".join(_counts(check.id, policy.sure_certainty) for check in HOME_CHECKS)
    frame = connection.execute(f"""
        WITH again AS (
            SELECT *, row_number() OVER (PARTITION BY agency, home_id, system_id, job_number, inspection_kind ORDER BY inspected_on DESC, inspection_id DESC) AS place
            FROM result_columns WHERE inspection_kind IN ('final', 'qa')),
        finals AS (SELECT * FROM again WHERE place = 1 AND inspection_kind = 'final' AND crew IS NOT NULL),
        paired AS (SELECT * FROM again WHERE place = 1 AND inspection_kind = 'qa')
        SELECT f.agency AS agency, f.crew AS crew, {counts}
        FROM finals AS f LEFT JOIN paired AS q ON f.agency = q.agency AND f.home_id = q.home_id AND f.system_id = q.system_id
             AND f.job_number IS NOT DISTINCT FROM q.job_number AND q.inspected_on >= f.inspected_on
        GROUP BY f.agency, f.crew
    """).df()
    connection.register("crew_rows", _crew_checks(frame))
    connection.execute("CREATE OR REPLACE TABLE crew_checks AS SELECT * FROM crew_rows ORDER BY agency, crew, check_id")
    connection.unregister("crew_rows")
    connection.execute("""CREATE OR REPLACE TABLE agreement (agency VARCHAR, crew VARCHAR, check_id VARCHAR, pairs BIGINT, agree BIGINT, kappa DOUBLE,
                          missed BIGINT, overcalled BIGINT, not_verified BIGINT)""")


def _counts(check_id, sure):
    """SQL of one check's counts: units told, deficient, surely so, and not verified."""
    outcome, certainty = column(check_id, "outcome"), column(check_id, "certainty")
    told, by_qa = f"f.{outcome} <= {DEFICIENT}", f"(f.{outcome} > {DEFICIENT} AND coalesce(q.{outcome} <= {DEFICIENT}, false))"
    bad = f"((f.{outcome} = {DEFICIENT}) OR ({by_qa} AND q.{outcome} = {DEFICIENT}))"
    surely = f"(CASE WHEN {told} THEN f.{certainty} ELSE q.{certainty} END >= {round(sure * CERTAINTY_STEPS)})"
    return (f"count(*) FILTER ({told} OR {by_qa}) AS {column(check_id, 'visits')}, count(*) FILTER ({bad}) AS {column(check_id, 'observed')}, "
            f"count(*) FILTER ({bad} AND {surely}) AS {column(check_id, 'sure')}, count(*) FILTER (f.{outcome} = {NOT_VERIFIED} AND NOT {by_qa}) AS {column(check_id, 'lacking')}")


def _crew_checks(frame):
    """The rows of crew_checks from one wide row per crew; checks that apply to none of its units are left out."""
    tables = []
    for check in HOME_CHECKS:
        visits, observed, sure, lacking = (frame[column(check.id, what)].to_numpy() for what in ("visits", "observed", "sure", "lacking"))
        low, high = exact_interval(observed, visits)
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.where(visits > 0, observed / visits, np.nan)
        keep = (visits > 0) | (lacking > 0)
        number = lambda values: pa.array(values[keep], from_pandas=True)
        rows = {name: pa.array(frame[name][keep], pa.string()) for name in ("agency", "crew")}
        rows |= {"check_id": pa.array([check.id] * int(keep.sum()), pa.string()), "visits": number(visits), "observed": number(observed), "observed_sure": number(sure),
                 "rate": number(rate), "low95": number(low), "high95": number(high), "not_verified": number(lacking)}
        nothing = pa.nulls(int(keep.sum()), pa.float64())
        rows |= dict.fromkeys(WAITING, nothing) | {"standing": nothing.cast(pa.string())}
        tables.append(pa.table({name: rows[name] for name in COLUMNS}))
    return pa.concat_tables(tables)
