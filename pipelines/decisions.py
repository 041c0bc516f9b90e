"""What people decided and how long a deficiency has waited, laid over a snapshot when asked; no part of a snapshot."""

from datetime import date

from pipelines.checks import HOME_CHECKS
from pipelines.history import OPEN_STATES, STAGES, STATES
from pipelines.policy.policy import LEVELS
from pipelines.snapshot import part, picked

OPEN = tuple(STATES[state] for state in OPEN_STATES)


def overlay(snapshot, decisions, as_of: date, condition="true", params=()):
    """Every open deficiency with its clock, as an Arrow table; a function of its arguments only.

    Columns: agency, home_id, system_id, check_id, inspection_id (the visit that decides it), state, stage, since,
    risk, act_by, due (NULL where the policy sets no clock), overdue (due lies before `as_of`), decided, last_action.
    `condition` may narrow it, in SQL with `params`, over `d` (home_checks) and `h` (homes). The clock runs from
    `since`, the first visit that found it. `decisions` must be empty: nothing records decisions yet, so `decided` and
    `last_action` are NULL. Rows come in no order.
    """
    if decisions:
        raise ValueError("decisions cannot be laid over a snapshot yet")
    return snapshot.arrow(f"""
        SELECT d.*, d.since + c.days_to_act AS act_by, d.since + c.days_to_correct AS due,
               coalesce(d.since + c.days_to_correct < ?, false) AS overdue, NULL::VARCHAR AS decided, NULL::VARCHAR AS last_action
        FROM ({open_checks()}) AS d JOIN homes AS h ON h.agency = d.agency AND h.home_id = d.home_id
        LEFT JOIN clocks AS c ON c.risk = d.risk
        WHERE {condition}""", [as_of, *params])


def open_checks():
    """SQL for the open rows of home_checks, without verified_on; from the narrow columns, which a million homes need."""
    codes = ", ".join(map(str, OPEN_STATES))
    coded = " UNION ALL ".join(
        f"SELECT rowid AS place, {check_place} AS check_place, " + ", ".join(f"{part(check.id, what)} AS {what}" for what in ("state", "stage", "risk", "since", "decided"))
        + f" FROM state_columns WHERE {part(check.id, 'state')} IN ({codes})" for check_place, check in enumerate(HOME_CHECKS))
    return f"""SELECT s.agency, s.home_id, s.system_id, {picked([check.id for check in HOME_CHECKS], 'o.check_place')} AS check_id,
                      s.visit_ids[o.decided] AS inspection_id, {picked(STATES, 'o.state')} AS state, {picked(STAGES, 'o.stage')} AS stage,
                      s.visit_days[o.since] AS since, {picked(LEVELS, 'o.risk')} AS risk
               FROM ({coded}) AS o JOIN state_columns AS s ON s.rowid = o.place"""
