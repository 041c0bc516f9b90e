"""What is open in a snapshot, and what was and is no longer: all that a comparison of two of them needs."""

import pyarrow as pa

from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import coded, picked, piece
from pipelines.engine.history import CORRECTED, NO_LONGER, STATES
from pipelines.fleet.snapshots import Snapshot

KEY = ("agency", "home_id", "system_id", "check_id")


def was_open(snapshot: Snapshot) -> pa.Table:
    """A row for each check at a system that is open, was corrected, or no longer applies.

    KEY, state, stage, risk, since, inspection_id (the visit that decides); all after state NULL unless open.
    """
    codes = ", ".join(coded(check.id) for check in HOME_CHECKS)
    return snapshot.arrow(f"""
        WITH long AS (
            SELECT agency, home_id, system_id, unnest(range({len(HOME_CHECKS)})) AS position,
                   {piece(f"unnest([{codes}])", "state")} AS state
            FROM state_columns)
        SELECT agency, home_id, system_id, check_id::VARCHAR AS check_id, state::VARCHAR AS state,
               stage::VARCHAR AS stage, risk::VARCHAR AS risk, since, inspection_id
        FROM opened
        UNION ALL
        SELECT agency, home_id, system_id, {picked([check.id for check in HOME_CHECKS], "position")},
               {picked(STATES, "state")}, NULL, NULL, NULL, NULL
        FROM long
        WHERE state IN ({CORRECTED}, {NO_LONGER})
    """)
