"""What waits for a decision: the questions of the first page, the most urgent, and the never verified."""

from dataclasses import dataclass
from datetime import date

import pandas as pd
import pyarrow

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.decisions import OverlaySql, overlay, overlay_sql
from pipelines.engine.checks import CHECKS, HOME_CHECKS
from pipelines.engine.codes import coded, piece, quoted
from pipelines.engine.history import NOT_VERIFIED, REPORTED_OPEN, STAGES
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.headlines import IN_ORDER

DEFICIENCIES, HOMES = "deficiencies", "homes"
# The exports received lately, those of the day of loading before the newest such day (both in UTC), each
# agency's first aside, and what is open beside them: `found` is what `overlaid` returns.
NEWEST = """
    first AS (
        SELECT agency, min(export_id) AS export_id
        FROM received_rows
        GROUP BY agency),
    lately AS (
        SELECT e.export_id
        FROM exports AS e, limits AS l
        WHERE l.name = 'new_within_days'
            AND e.received_at::TIMESTAMP >= (SELECT max(received_at::TIMESTAMP) FROM exports)
                - to_days(l.value::INTEGER)),
    days AS (
        SELECT export_id, received_at::TIMESTAMP::DATE AS day
        FROM exports
        WHERE status = 'loaded'),
    day_before AS (
        SELECT export_id
        FROM days
        WHERE day = (SELECT max(day) FROM days WHERE day < (SELECT max(day) FROM days)))"""
FOUND = "found AS o JOIN first ON first.agency = o.agency"


@dataclass(frozen=True)
class Question:
    """Something the first page counts and the page of homes can be narrowed to.

    `about` says whether it speaks of open deficiencies (over `o`, what decisions.overlay returns, and the
    tables of NEWEST) or of homes (over `h`); `sql` is its condition. `narrow` is one over home_checks `d`, to
    overlay less.
    """

    id: str
    label: str
    meaning: str
    about: str
    sql: str
    narrow: str = "true"


ONE_MEASURE_FIXES_ALL = """(h.agency, h.home_id) IN (
            SELECT (o.agency, o.home_id)
            FROM opened AS o
            JOIN homes AS n ON n.agency = o.agency AND n.home_id = o.home_id
            JOIN (SELECT measure_id, unnest(string_split(fixes, '; ')) AS check_id FROM measures) AS m
                ON m.check_id = o.check_id
            WHERE n.hold_before_reporting
            GROUP BY o.agency, o.home_id, m.measure_id, n.open_deficiencies
            HAVING count(*) = n.open_deficiencies)"""
TIME_TO_CORRECT = "The policy's time to correct it, counted from the visit that found it,"
QUESTIONS = (
    Question(
        "reported-open",
        "Reported with it open",
        "It had been found on or before the day on which the unit was reported to the funder.",
        DEFICIENCIES,
        f"o.stage = {quoted(STAGES[REPORTED_OPEN])}",
        f"d.stage = {quoted(STAGES[REPORTED_OPEN])}",
    ),
    Question(
        "act-today",
        "Act today",
        "Must be acted on the day it is known.",
        DEFICIENCIES,
        "o.risk = 'act today'",
        "d.risk = 'act today'",
    ),
    Question(
        "high-risk",
        "High risk",
        "The gravest after what must be acted on today.",
        DEFICIENCIES,
        "o.risk = 'high'",
        "d.risk = 'high'",
    ),
    *(
        Question(name, label, f"{TIME_TO_CORRECT} {said}", DEFICIENCIES, f"o.days_late {between}")
        for name, label, said, between in (
            ("late-over-90", "Past due over 90 days", "ran out more than 90 days ago.", "> 90"),
            ("late-90", "Past due 31 to 90 days", "ran out 31 to 90 days ago.", "BETWEEN 31 AND 90"),
            ("late-30", "Past due up to 30 days", "ran out within the last 30 days.", "BETWEEN 1 AND 30"),
            ("not-late", "Not yet due", "has not run out, or the policy sets none.", "<= 0"),
        )
    ),
    Question(
        "hold",
        "Units to hold before reporting",
        "Final inspection done, not reported, and something open or a safety-critical check not verified.",
        HOMES,
        "h.hold_before_reporting",
    ),
    Question(
        "hold-open",
        "Held with something open",
        "Units to hold before reporting in which something is open.",
        HOMES,
        "h.hold_before_reporting AND h.open_deficiencies > 0",
    ),
    Question(
        "hold-unverified",
        "Held for want of verification only",
        "Units to hold before reporting in which nothing is open, and some danger is not ruled out.",
        HOMES,
        "h.hold_before_reporting AND h.open_deficiencies = 0",
    ),
    Question(
        "one-reading",
        "Held for one reading",
        "Nothing is open, and one safety-critical check is not verified: one reading would clear the unit.",
        HOMES,
        "h.hold_before_reporting AND h.open_deficiencies = 0 AND h.safety_not_verified = 1",
    ),
    Question(
        "one-measure",
        "Held for one measure",
        "Every safety-critical check is verified, and one measure fixes all that is open.",
        HOMES,
        f"h.hold_before_reporting AND h.safety_not_verified = 0 AND {ONE_MEASURE_FIXES_ALL}",
    ),
    Question(
        "may-be-reported",
        "May be reported",
        "Final inspection done, not reported, nothing open, every safety-critical check verified.",
        HOMES,
        "h.may_be_reported",
    ),
    Question(
        "new",
        "New in the files received lately",
        "First seen by a visit that a file brought within the policy's days before the newest file; "
        "an agency's first file is new throughout, and counts as none.",
        DEFICIENCIES,
        "o.found_in <> first.export_id AND o.found_in IN (FROM lately)",
    ),
    Question(
        "new-day-before",
        "New on the day of loading before",
        "First seen by a visit that a file brought on the last day of loading before the newest one: "
        "what stood as new until files of another day came.",
        DEFICIENCIES,
        "o.found_in <> first.export_id AND o.found_in IN (FROM day_before)",
    ),
    Question(
        "no-action",
        "No action recorded",
        "Nothing was decided on it since it was found, or what was decided is not in force any more.",
        DEFICIENCIES,
        "NOT o.acted",
    ),
    Question(
        "not-held",
        "Repairs claimed and not borne out",
        "A repair that fixes it was reported, and a later visit found it again.",
        DEFICIENCIES,
        "o.state = 'repair did not hold'",
        "d.state = 'repair did not hold'",
    ),
    Question(
        "safety-not-verified",
        "Safety-critical checks not verified",
        "At least one safety-critical check has never had a result that tells.",
        HOMES,
        "h.safety_not_verified > 0",
    ),
    Question(
        "something-open",
        "Something open",
        "At least one deficiency is open, at whatever stage.",
        HOMES,
        "h.risk IS NOT NULL",
    ),
    Question(
        "none-found",
        "Nothing open, every safety-critical check verified",
        "The only homes that may be called in order by these checks.",
        HOMES,
        f"h.headline = {quoted(IN_ORDER)}",
    ),
    Question(
        "not-assessed",
        "Not assessed",
        "Another heating system, or none recorded: these checks say nothing of the home.",
        HOMES,
        "NOT h.assessed",
    ),
)
OFFERED = tuple(question.id for question in QUESTIONS)


def gravest(risk: str, stage: str = "") -> str:
    """Id of the question for homes whose gravest open deficiency is of a risk and, if given, at a stage."""
    place = f"-{STAGES.index(stage)}" if stage else ""
    return f"gravest-{LEVELS.index(risk)}{place}"


GRAVEST = tuple(
    Question(
        gravest(risk, stage),
        f"Gravest: {risk}{f', {stage}' if stage else ''}",
        f"The gravest deficiency open there is {risk}{f' and {stage}' if stage else ''}.",
        HOMES,
        f"h.risk = {quoted(risk)}{f' AND h.stage = {quoted(stage)}' if stage else ''}",
    )
    for risk in LEVELS
    for stage in ("", *STAGES)
)
QUESTION = {question.id: question for question in (*QUESTIONS, *GRAVEST)}
ON_FIRST_PAGE = (
    *(
        "reported-open",
        "act-today",
        "high-risk",
        "no-action",
        "late-over-90",
        "late-90",
        "late-30",
        "not-late",
    ),
    *("hold", "may-be-reported", "new", "new-day-before", "not-held", "safety-not-verified"),
)


def by_risk(name: str) -> str:
    """SQL to order by a risk, the graver first."""
    return f"list_position({list(LEVELS)}, {name})"


def overlaid(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date, narrow: str = "true"
) -> pyarrow.Table:
    """Open deficiencies that the filters let through, with their clocks, as decisions.overlay."""
    condition, params = where(viewer, filters)
    return overlay(snapshot, None, as_of, f"{narrow} AND {condition}", params)


def first_page(viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date) -> pd.DataFrame:
    """Per question of the first page: open deficiencies and their homes at each stage, never added up.

    Columns: question, label, deficiencies0, homes0 and so on for each stage, the day the oldest was found,
    and homes, the count where it is a question of homes.
    """
    asked = [QUESTION[name] for name in ON_FIRST_PAGE]
    found = overlay_sql(snapshot, None, as_of, *where(viewer, filters))
    rows = _counted(snapshot, found, [one for one in asked if one.about == DEFICIENCIES])
    condition, params = where(viewer, filters, checks=None)
    homes = {
        question.id: snapshot.rows(
            f"SELECT count(*) FROM homes AS h WHERE {question.sql} AND {condition}", params
        )[0][0]
        for question in asked
        if question.about == HOMES
    }
    rows = rows.set_index("question").reindex(ON_FIRST_PAGE)
    return rows.assign(homes=pd.Series(homes), label=[question.label for question in asked]).reset_index()


def _counted(snapshot: Snapshot, found: OverlaySql, asked: list[Question]) -> pd.DataFrame:
    """Per question what `found` holds at each stage, as `first_page` has it.

    Each row says in bits which questions it fits, so that homes are told apart once for all of them.
    """
    fits = " | ".join(
        f"(coalesce({question.sql}, false)::INTEGER << {number})" for number, question in enumerate(asked)
    )
    counted = ", ".join(
        f"coalesce(sum({name}) FILTER (stage = {quoted(stage)}), 0)::BIGINT AS {name}{position}"
        for position, stage in enumerate(STAGES)
        for name in ("deficiencies", "homes")
    )
    return snapshot.query(
        f"""
        WITH {NEWEST},
        found AS ({found.sql}),
        fitting AS MATERIALIZED (
            SELECT o.agency, o.home_id, o.stage, o.since, {fits} AS fits
            FROM {FOUND}),
        of_homes AS (
            SELECT stage, bit_or(fits) AS fits
            FROM fitting
            GROUP BY agency, home_id, stage),
        counted AS (
            SELECT stage, fits, count(*) AS deficiencies, 0 AS homes, min(since) AS oldest
            FROM fitting
            GROUP BY stage, fits
            UNION ALL
            SELECT stage, fits, 0, count(*), NULL
            FROM of_homes
            GROUP BY stage, fits)
        SELECT q.question, {counted}, min(oldest) AS oldest
        FROM asked AS q
        LEFT JOIN counted ON counted.fits >> q.number & 1 = 1
        GROUP BY q.question""",
        found.params,
        decisions=found.decisions,
        asked=pyarrow.table(
            {"question": [one.id for one in asked], "number": pyarrow.array(range(len(asked)), "int32")}
        ),
    )


def by_gravest(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Homes with something open by the risk and stage of the gravest of it: risk, stage, homes."""
    condition, params = where(viewer, filters, checks=None)
    return snapshot.query(
        f"""
        SELECT h.risk, h.stage, count(*) AS homes
        FROM homes AS h
        WHERE h.risk IS NOT NULL AND {condition}
        GROUP BY h.risk, h.stage
        ORDER BY {by_risk("h.risk")}, list_position({list(STAGES)}, h.stage)""",
        params,
    )


def by_month(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Every month up to that of the newest visit: found, corrected, no_longer_applies, open_at_end.

    Of the agencies, regions and crews that the filters name; the month is that of the visit.
    """
    named = Filters(agency=filters.agency, region=filters.region, crew=filters.crew)
    condition, params = where(viewer, named, checks=None, homes="m")
    return snapshot.query(
        f"""
        WITH months AS (
            SELECT unnest(generate_series(min(month), max(month), INTERVAL 1 MONTH))::DATE AS month
            FROM monthly)
        SELECT o.month,
               {
            ", ".join(
                f"coalesce(sum(m.{name}), 0)::BIGINT AS {name}"
                for name in ("found", "corrected", "no_longer_applies", "open_at_end")
            )
        }
        FROM months AS o
        LEFT JOIN (SELECT * FROM monthly AS m WHERE {condition}) AS m USING (month)
        GROUP BY o.month
        ORDER BY o.month""",
        params,
    )


def urgent(viewer: Viewer, snapshot: Snapshot, filters: Filters, most: int) -> pd.DataFrame:
    """Act today and high risk, the graver and then the oldest first."""
    condition, params = where(viewer, filters)
    return snapshot.query(
        f"""
        SELECT d.agency, d.home_id, d.system_id, d.risk, d.check_id, c.title AS deficiency, d.stage, d.since,
               d.since + k.days_to_correct AS due, h.crew
        FROM opened AS d
        JOIN homes AS h ON h.agency = d.agency AND h.home_id = d.home_id
        JOIN checks AS c ON c.check_id = d.check_id
        LEFT JOIN clocks AS k ON k.risk = d.risk
        WHERE d.risk IN ('act today', 'high') AND {condition}
        ORDER BY {by_risk("d.risk")}, d.since, d.agency, d.home_id, d.check_id, d.system_id
        LIMIT ?""",
        [*params, most],
    )


# ---- never verified


def never_verified(check: str) -> str:
    """SQL over state_columns `s`: whether a check is a gap in what is known, in its latest state."""
    code = coded(check, "s")
    return f"({piece(code, 'state')} = {NOT_VERIFIED} AND {piece(code, 'uncounted')} = 0)"


def not_verified(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Per agency and safety-critical check: in how many homes it was never verified.

    `lacking` names the fields that no file of the agency fills; empty where the files do carry what is
    needed: then the reading was missed at the visit or could not be trusted.
    """
    condition, params = where(viewer, filters, checks=None)
    counts = ",\n".join(
        f"""count(DISTINCT s.home_id)
                FILTER ({never_verified(check.id)}) AS "{check.id}\""""
        for check in HOME_CHECKS
        if check.safety_critical
    )
    wide = snapshot.query(
        f"""
        SELECT h.agency, {counts}
        FROM state_columns AS s
        JOIN homes AS h ON h.agency = s.agency AND h.home_id = s.home_id
        WHERE h.assessed AND {condition}
        GROUP BY h.agency""",
        params,
    )
    homes = wide.melt("agency", var_name="check_id", value_name="homes")
    homes = homes[homes["homes"] > 0].merge(_lacking(snapshot), how="left", on=["agency", "check_id"])
    homes["lacking"] = homes["lacking"].fillna("")
    position = {check.id: number for number, check in enumerate(CHECKS)}
    return homes.sort_values(
        ["check_id", "agency"],
        key=lambda column: column.map(position) if column.name == "check_id" else column,
        ignore_index=True,
    )


def _lacking(snapshot: Snapshot) -> pd.DataFrame:
    """Per agency and check that lacks a field: the fields (joined by ;) that none of its files fills."""
    return snapshot.query("""
        WITH of_agency AS (
            SELECT DISTINCT agency, export_id FROM received_rows),
        filled AS (
            SELECT agency, field, sum(filled)::BIGINT AS filled
            FROM of_agency
            JOIN export_fields USING (export_id)
            GROUP BY ALL),
        asked AS (
            SELECT DISTINCT agency, check_id, reason_field AS field
            FROM of_agency
            JOIN export_checks USING (export_id)
            WHERE outcome = 'not verified' AND reason = 'not recorded' AND reason_field IS NOT NULL)
        SELECT agency, check_id, string_agg(field, ';' ORDER BY field) AS lacking
        FROM asked
        JOIN filled USING (agency, field)
        WHERE filled = 0
        GROUP BY ALL""")


def never_answered(snapshot: Snapshot) -> dict[str, set[str]]:
    """Per agency the checks that none of its files has the columns for."""
    found = _lacking(snapshot)
    return {str(agency): set(checks) for agency, checks in found.groupby("agency")["check_id"]}


@dataclass(frozen=True)
class Lacking:
    """An agency whose files lack the columns for some safety-critical checks: how many, and which fields."""

    agency: str
    checks: int
    fields: tuple[str, ...]


def lacking(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> list[Lacking]:
    """The agencies some of whose safety-critical checks can never be verified from their files."""
    found = not_verified(viewer, snapshot, filters)
    found = found[found["lacking"] != ""]
    return [
        Lacking(str(agency), len(checks), tuple(sorted(set(";".join(checks["lacking"]).split(";")))))
        for agency, checks in found.groupby("agency")
    ]
