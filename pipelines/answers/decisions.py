"""What people decided and how long a deficiency has waited, laid over a snapshot when asked.

Neither is part of a snapshot.
"""

from datetime import date

import pyarrow

from pipelines.fleet.snapshots import Snapshot


def overlay(
    snapshot: Snapshot, decisions: tuple, as_of: date, condition: str = "true", params: list | tuple = ()
) -> pyarrow.Table:
    """Every open deficiency with its clock; a function of its arguments only.

    Columns: agency, home_id, system_id, check_id, inspection_id (the visit that decides it), state, stage,
    since, risk, export_id and decided_on of that visit, act_by, due (NULL where the policy sets no clock),
    days_late (from due to `as_of`, 0 where nothing is due), decided, last_action. `condition` may narrow it,
    in SQL with `params`, over `d` (opened, the open rows of home_checks) and `h` (homes). The clock runs from
    `since`, the first visit that found it. `decisions` must be empty: nothing records decisions yet, so
    `decided` and `last_action` are NULL. Rows come in no order.
    """
    if decisions:
        raise ValueError("decisions cannot be laid over a snapshot yet")
    return snapshot.arrow(
        f"""
        SELECT d.*, d.since + c.days_to_act AS act_by, d.since + c.days_to_correct AS due,
               coalesce(date_diff('day', d.since + c.days_to_correct, ?), 0) AS days_late,
               NULL::VARCHAR AS decided, NULL::VARCHAR AS last_action
        FROM opened AS d
        JOIN homes AS h ON h.agency = d.agency AND h.home_id = d.home_id
        LEFT JOIN clocks AS c ON c.risk = d.risk
        WHERE {condition}""",
        [as_of, *params],
    )
