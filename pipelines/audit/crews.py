"""Counts per crew and check from final inspections, with exact intervals; standings wait for the audit of crews.

A unit is a home, system and job. It counts once per check: by the final inspection's telling result, or by that of the
re-inspection paired with it where the final told nothing.
"""

import numpy as np
import pyarrow as pa
from scipy.special import betaincinv

from pipelines.checks import HOME_CHECKS
from pipelines.results import DEFICIENT, NOT_VERIFIED, OK
from pipelines.snapshot import IN_FORCE, column

WAITING = ("expected", "shrunken_rate", "low998", "high998", "adjusted_p")


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
    """Make crew_checks and agreement, whole."""
    numbers = ", ".join(f"{column(check.id, what)}" for check in HOME_CHECKS for what in ("outcome", "certainty"))
    frame = connection.execute(f"""
        SELECT r.agency, r.crew, r.home_id, coalesce(r.system_id, '') AS system, coalesce(r.job_number, '') AS job, r.inspection_kind = 'qa' AS again, {numbers}
        FROM received_rows AS r JOIN result_columns AS o ON r.agency = o.agency AND r.inspection_id = o.inspection_id
        WHERE r.standing = {IN_FORCE} AND r.inspection_kind IN ('final', 'qa')
        ORDER BY r.agency, r.home_id, system, job, again DESC, r.inspected_on, r.updated_at NULLS FIRST, r.inspection_id
    """).fetchnumpy()
    connection.register("crew_rows", _crew_checks(frame, policy))
    connection.execute("CREATE OR REPLACE TABLE crew_checks AS SELECT * FROM crew_rows ORDER BY agency, crew, check_id")
    connection.unregister("crew_rows")
    connection.execute("""CREATE OR REPLACE TABLE agreement (agency VARCHAR, crew VARCHAR, check_id VARCHAR, pairs BIGINT, agree BIGINT, kappa DOUBLE,
                          missed BIGINT, overcalled BIGINT, not_verified BIGINT)""")


def _crew_checks(frame, policy):
    """The rows of crew_checks; within a unit re-inspections come first and the last final stands last."""
    text = lambda name: np.ma.filled(frame[name], "").astype(str)
    agency, crew, again = text("agency"), text("crew"), np.ma.filled(frame["again"], False).astype(bool)
    unit = np.char.add(np.char.add(np.char.add(agency, "\x1f"), np.char.add(text("home_id"), "\x1f")), np.char.add(np.char.add(text("system"), "\x1f"), text("job")))
    count = len(unit)
    ends = np.flatnonzero(np.append(unit[1:] != unit[:-1], True)) if count else np.zeros(0, int)
    starts = np.append(0, ends[:-1] + 1) if count else ends
    judged = ~again[ends]  # units with a final; it stands last
    starts, ends = starts[judged], ends[judged]
    retold = ends - 1 >= starts
    paired = np.where(retold & again[np.maximum(ends - 1, 0)], ends - 1, -1)
    who, which = np.unique(np.char.add(np.char.add(agency[ends], "\x1f"), crew[ends]), return_inverse=True)
    named = np.array([not pair.endswith("\x1f") for pair in who], bool)
    tables = []
    for check in HOME_CHECKS:
        outcome = np.ma.filled(frame[column(check.id, "outcome")], NOT_VERIFIED)
        certainty = np.ma.filled(frame[column(check.id, "certainty")], 0.0).astype(float)
        at_final = outcome[ends]
        telling = (at_final == OK) | (at_final == DEFICIENT)
        by_qa = (paired >= 0) & ~telling & np.isin(outcome[np.maximum(paired, 0)], (OK, DEFICIENT))
        place = np.where(by_qa, paired, ends)
        told, bad = telling | by_qa, outcome[place] == DEFICIENT
        add = lambda where: np.bincount(which[where], minlength=len(who))
        visits, observed, sure = add(told), add(told & bad), add(told & bad & (certainty[place] >= policy.sure_certainty))
        unverified = add(~told & (at_final == NOT_VERIFIED))
        low, high = exact_interval(observed, visits)
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.where(visits > 0, observed / visits, np.nan)
        keep = named & ((visits > 0) | (unverified > 0))
        nothing = pa.nulls(int(keep.sum()), pa.float64())
        number = lambda values: pa.array(values[keep], from_pandas=True)
        pairs = [pair.split("\x1f") for pair, kept in zip(who, keep, strict=True) if kept]
        tables.append(pa.table({
            "agency": pa.array([pair[0] for pair in pairs], pa.string()), "crew": pa.array([pair[1] for pair in pairs], pa.string()),
            "check_id": pa.array([check.id] * len(pairs), pa.string()), "visits": number(visits), "observed": number(observed), "observed_sure": number(sure),
            "expected": nothing, "rate": number(rate), "shrunken_rate": nothing, "low95": number(low), "high95": number(high),
            "low998": nothing, "high998": nothing, "adjusted_p": nothing, "not_verified": number(unverified), "standing": pa.nulls(len(pairs), pa.string())}))
    return pa.concat_tables(tables)


assert set(WAITING) == {"expected", "shrunken_rate", "low998", "high998", "adjusted_p"}
