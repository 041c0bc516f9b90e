"""Counts per crew and check from final inspections, with exact intervals; standing is not worked out yet.

A unit is a home, system and job. It counts once per check: by the final inspection's telling result, or by
that of the re-inspection paired with it where the final was not telling.
"""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.audit.chance import exact_interval
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import CERTAINTY_STEPS, coded, outcomes_of_results
from pipelines.engine.results import DEFICIENT, NOT_VERIFIED

COLUMNS = (
    "agency",
    "crew",
    "check_id",
    "visits",
    "observed",
    "observed_sure",
    "expected",
    "rate",
    "shrunken_rate",
    "low95",
    "high95",
    "low998",
    "high998",
    "adjusted_p",
    "not_verified",
    "standing",
)
WAITING = ("expected", "shrunken_rate", "low998", "high998", "adjusted_p")  # for the audit of crews to fill


def crew_tables(connection, policy):
    """Make crew_checks and agreement, whole. Counts are integers; the crew is the one of the final."""
    codes = ", ".join(coded(check.id) for check in HOME_CHECKS)
    found = connection.sql(f"""
        SELECT agency, home_id, system_id, coalesce(job_number, '') AS job_number, inspection_kind, crew,
               {codes}
        FROM judged
        WHERE inspection_kind IN ('final', 'qa')
    """).to_arrow_table()
    visits = found.combine_chunks()
    final, again = _units(visits)
    connection.register("crew_rows", _crew_checks(visits, final, again, policy.sure_certainty))
    connection.execute("""
        CREATE OR REPLACE TABLE crew_checks AS
        SELECT * FROM crew_rows ORDER BY agency, crew, check_id
    """)
    connection.unregister("crew_rows")
    connection.execute("""
        CREATE OR REPLACE TABLE agreement (
            agency VARCHAR, crew VARCHAR, check_id VARCHAR, pairs BIGINT, agree BIGINT, kappa DOUBLE,
            missed BIGINT, overcalled BIGINT, not_verified BIGINT)
    """)


def _units(visits):
    """Positions of each unit's last final with a crew, and of the last re-inspection after it (-1: none).

    The visits of a system stand together and in order, as they were written.
    """
    count = visits.num_rows
    new = np.zeros(count, bool)
    for name in ("agency", "home_id", "system_id"):
        keys = visits.column(name)
        new[1:] |= pc.not_equal(keys.slice(1), keys.slice(0, max(0, count - 1))).to_numpy()
    jobs = _codes(visits.column("job_number"))
    unit = np.cumsum(new) * (int(jobs.max(initial=0)) + 1) + jobs
    _, unit = np.unique(unit, return_inverse=True)
    is_final = pc.equal(visits.column("inspection_kind"), "final").to_numpy()
    last = {}
    for name, chosen in (("final", is_final), ("again", ~is_final)):
        last[name] = np.full(int(unit.max(initial=-1)) + 1, -1)
        last[name][unit[chosen]] = np.flatnonzero(chosen)  # the last one written stands
    known = (last["final"] >= 0) & pc.is_valid(visits.column("crew")).to_numpy()[last["final"]]
    final, again = last["final"][known], last["again"][known]
    return final, np.where(again > final, again, -1)


def _codes(column):
    encoded = (
        column.combine_chunks().dictionary_encode()
        if isinstance(column, pa.ChunkedArray)
        else column.dictionary_encode()
    )
    return encoded.indices.to_numpy().astype(np.int64)


def _crew_checks(table, final_at, again_at, sure):
    """The rows of crew_checks from the units' visits, without checks that apply to none of a crew's units."""
    named = table.select(["agency", "crew"]).take(pa.array(final_at))
    crew = (
        pc.binary_join_element_wise(named.column("agency"), named.column("crew").cast(pa.string()), "\x1f")
        .combine_chunks()
        .dictionary_encode()
    )
    names = [text.split("\x1f") for text in crew.dictionary.to_pylist()]
    who = crew.indices.to_numpy()

    def count(where):
        return np.bincount(who[where], minlength=len(names))

    paired = np.flatnonzero(again_at >= 0)
    tables = []
    for check in HOME_CHECKS:
        codes = table.column(coded(check.id)).to_numpy()
        outcome, certainty = outcomes_of_results(codes[final_at])
        again, again_certainty = outcomes_of_results(codes[again_at[paired]])
        unverified = outcome == NOT_VERIFIED
        # A re-inspection speaks where the final was not telling.
        instead = (outcome[paired] > DEFICIENT) & (again <= DEFICIENT)
        outcome[paired[instead]], certainty[paired[instead]] = again[instead], again_certainty[instead]
        telling, bad = outcome <= DEFICIENT, outcome == DEFICIENT
        surely = bad & (certainty >= round(sure * CERTAINTY_STEPS))
        visits, observed, lacking = count(telling), count(bad), count(~telling & unverified)
        low, high = exact_interval(observed, visits)
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = np.where(visits > 0, observed / visits, np.nan)
        keep = np.flatnonzero((visits > 0) | (lacking > 0))
        numbers = {
            "visits": visits,
            "observed": observed,
            "observed_sure": count(surely),
            "rate": rate,
            "low95": low,
            "high95": high,
            "not_verified": lacking,
        }
        rows = {
            "agency": pa.array([names[position][0] for position in keep], pa.string()),
            "crew": pa.array([names[position][1] for position in keep], pa.string()),
            "check_id": pa.array([check.id] * len(keep), pa.string()),
            "standing": pa.nulls(len(keep), pa.string()),
            **{name: pa.array(values[keep], from_pandas=True) for name, values in numbers.items()},
            **dict.fromkeys(WAITING, pa.nulls(len(keep), pa.float64())),
        }
        tables.append(pa.table({name: rows[name] for name in COLUMNS}))
    return pa.concat_tables(tables)
