"""One function per question that a page asks, each cached by snapshot and viewer; the only cache there is.

Every function takes the viewer first and the path of a snapshot second, and returns a small frame: what is large stays
in the snapshot and comes a page at a time. Nothing is computed here that the pipeline has not computed; rows are
chosen, counted and put in order. Which rows a filter lets through is `lists.where`, for pages and lists alike.
"""

import os
from dataclasses import dataclass, replace
from datetime import date, datetime

import pandas as pd
import streamlit as st

from pipelines.answers import access, explain, lists
from pipelines.answers.access import EVERYTHING, Filters, ListError, Viewer
from pipelines.answers.decisions import overlay
from pipelines.answers.explain import Home, Inspection, NotFound
from pipelines.answers.formats import Sheet, as_csv, as_parquet, as_xlsx, as_zip
from pipelines.answers.lists import CAUTIONS
from pipelines.answers.phrases import called
from pipelines.build.exports import IN_THE_FILE
from pipelines.build.version import attach
from pipelines.engine.checks import BY_ID, CHECKS, HOME_CHECKS
from pipelines.engine.codes import coded, piece, quoted
from pipelines.engine.history import NOT_VERIFIED, STAGES, STATES
from pipelines.engine.policy.policy import LEVELS, PolicyError
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.intake.mapping import MappingError
from pipelines.intake.sniff import ExportError
from pipelines.receiving.mending import mending

__all__ = [
    "BY_ID",
    "CAUTIONS",
    "EVERYTHING",
    "LEVELS",
    "STAGES",
    "ExportError",
    "Filters",
    "FleetError",
    "ListError",
    "MappingError",
    "NotFound",
    "PolicyError",
    "Viewer",
    "as_csv",
    "as_parquet",
    "as_xlsx",
    "as_zip",
    "called",
]

ROWS_A_PAGE, PAIRS_A_PAGE = 40, 20
NO_DECISIONS = ()
BY_RISK = f"list_position({list(LEVELS)}, {{}})"
DEFICIENCIES, HOMES = "deficiencies", "homes"

cached = st.cache_data(max_entries=256, show_spinner=False)


@dataclass(frozen=True)
class Question:
    """Something the first page counts and the page of homes can be narrowed to.

    `about` says whether it speaks of open deficiencies (over `o`, what decisions.overlay returns, and `r`, the reading
    that decides it) or of homes (over `h`); `sql` is its condition.
    """

    id: str
    label: str
    meaning: str
    about: str
    sql: str
    narrow: str = "true"  # over home_checks `d`, to overlay less


QUESTIONS = (
    Question(
        "act-today",
        "Act today, no action recorded",
        "Must be acted on the day it is known.",
        DEFICIENCIES,
        "o.risk = 'act today' AND o.last_action IS NULL",
        "d.risk = 'act today'",
    ),
    Question(
        "high-risk",
        "High risk, no action recorded",
        "High risk, and nobody has recorded doing anything about it.",
        DEFICIENCIES,
        "o.risk = 'high' AND o.last_action IS NULL",
        "d.risk = 'high'",
    ),
    Question(
        "past-due",
        "Past due",
        "The policy's time to correct it, counted from the visit that found it, has run out.",
        DEFICIENCIES,
        "o.overdue",
    ),
    Question(
        "hold",
        "Units to hold before reporting",
        "Final inspection done, not reported, and something open or a safety-critical check not verified.",
        HOMES,
        "h.hold_before_reporting",
    ),
    Question(
        "new",
        "New since the last file",
        "First seen by a visit that came with the agency's newest file; an agency with one file only has none.",
        DEFICIENCIES,
        "o.export_id = newest.export_id AND newest.files > 1 AND o.decided_on = o.since",
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
        "none-found",
        "Nothing open, every safety-critical check verified",
        "The only homes that may be called in order by these checks.",
        HOMES,
        "h.assessed AND h.open_deficiencies = 0 AND h.safety_not_verified = 0",
    ),
    Question(
        "not-assessed",
        "Not assessed",
        "Another heating system, or none recorded: these checks say nothing of the home.",
        HOMES,
        "NOT h.assessed",
    ),
)
QUESTION = {question.id: question for question in QUESTIONS}
ON_FIRST_PAGE = ("act-today", "high-risk", "past-due", "hold", "new", "not-held", "safety-not-verified")


# ---- what is looked at


def fleet() -> Fleet:
    return Fleet(os.environ.get("COLDFILL_FLEET") or "fleet")


def current() -> str | None:
    """Path of the current snapshot, None where nothing has been built."""
    path = fleet().current()
    return str(path) if path else None


@cached
def about(viewer: Viewer, snapshot: str) -> dict:
    """How much the snapshot holds, as far as the viewer sees it, and when it was made."""
    opened = attach(snapshot)
    condition, params = access.where(viewer, Filters(), checks=None)
    homes, assessed = opened.rows(
        f"SELECT count(*), count(*) FILTER (assessed) FROM homes AS h WHERE {condition}", params
    )[0]
    inspections = opened.rows(f"SELECT count(*) FROM readings AS h WHERE {condition}", params)[0][0]
    files = opened.rows("SELECT count(*) FROM exports")[0][0]
    made_at, version = opened.rows("SELECT made_at, code_version FROM runs")[0]
    return {
        "homes": homes,
        "assessed": assessed,
        "inspections": inspections,
        "files": files,
        "made_on": datetime.fromisoformat(made_at[:19]),
        "number": opened.number,
        "version": version,
        "name": opened.name,
    }


@cached
def choices(viewer: Viewer, snapshot: str) -> dict[str, list[str]]:
    """What filters offer: agencies, regions and crews there are, in the order of the alphabet."""
    condition, params = access.where(viewer, Filters(), homes="tally")
    return {
        name: [
            text
            for (text,) in attach(snapshot).rows(
                f"SELECT DISTINCT {name} FROM tally WHERE {name} IS NOT NULL AND {condition} ORDER BY lower({name}), 1",
                params,
            )
        ]
        for name in ("agency", "region", "crew")
    }


@cached
def known_by_number(viewer: Viewer, snapshot: str, search: str) -> bool:
    """Whether a home id or a job number answers to it; a search that only an address answers to is personal."""
    condition, params = access.where(replace(viewer, personal=False), Filters(search=search))
    return bool(attach(snapshot).rows(f"SELECT 1 FROM homes AS h WHERE {condition} LIMIT 1", params))


@cached
def limit(viewer: Viewer, snapshot: str, name: str) -> float:
    return attach(snapshot).rows("SELECT value FROM limits WHERE name = ?", [name])[0][0]


def titles() -> dict[str, str]:
    return {check.id: check.title for check in CHECKS}


def home_checks() -> list[str]:
    return [check.id for check in HOME_CHECKS]


# ---- the first page

NEWEST = """newest AS (SELECT agency, max(export_id) AS export_id, count(DISTINCT export_id) AS files FROM received_rows GROUP BY agency)"""
FOUND = "found AS o JOIN newest ON newest.agency = o.agency"


def _overlaid(viewer, snapshot, filters, as_of, narrow="true"):
    """Open deficiencies that the filters let through, with their clocks."""
    condition, params = access.where(viewer, filters)
    return overlay(attach(snapshot), NO_DECISIONS, as_of, f"{narrow} AND {condition}", params)


@cached
def standing(viewer: Viewer, snapshot: str, filters: Filters, as_of: date) -> pd.DataFrame:
    """Per question of the first page: open deficiencies and their homes at each stage (deficiencies0, homes0, ...), the
    day the oldest was found, or the count of homes where it is a question of homes. Stages are never added up."""
    opened = attach(snapshot)
    found = _overlaid(viewer, snapshot, filters, as_of)
    asked = [QUESTION[name] for name in ON_FIRST_PAGE]
    counted = ", ".join(
        f"count(*) FILTER (stage = {quoted(stage)}) AS deficiencies{place}, count(DISTINCT (o.agency, o.home_id)) FILTER (stage = {quoted(stage)}) AS homes{place}"
        for place, stage in enumerate(STAGES)
    )
    parts = " UNION ALL ".join(
        f"SELECT {quoted(question.id)} AS question, {counted}, min(o.since) AS oldest FROM {FOUND} WHERE {question.sql}"
        for question in asked
        if question.about == DEFICIENCIES
    )
    rows = opened.query(f"WITH {NEWEST} {parts}", found=found).set_index("question").reindex(ON_FIRST_PAGE)
    condition, params = access.where(viewer, filters, checks=None)
    counts = {
        question.id: opened.rows(
            f"SELECT count(*) FROM homes AS h WHERE {question.sql} AND {condition}", params
        )[0][0]
        for question in asked
        if question.about == HOMES
    }
    return rows.assign(homes=pd.Series(counts), label=[question.label for question in asked]).reset_index()


@cached
def urgent(viewer: Viewer, snapshot: str, filters: Filters, as_of: date, most: int) -> pd.DataFrame:
    """Act today and high risk without an action, oldest first: agency, home_id, risk, check_id, deficiency, stage, since, due."""
    found = _overlaid(viewer, snapshot, filters, as_of, "d.risk IN ('act today', 'high')")
    return attach(snapshot).query(
        f"""
        SELECT o.agency, o.home_id, o.system_id, o.risk, o.check_id, c.title AS deficiency, o.stage, o.since, o.due, h.crew
        FROM found AS o JOIN checks AS c USING (check_id) JOIN homes AS h ON h.agency = o.agency AND h.home_id = o.home_id
        WHERE o.last_action IS NULL ORDER BY {BY_RISK.format("o.risk")}, o.since, o.agency, o.home_id, o.check_id LIMIT ?""",
        [most],
        found=found,
    )


@cached
def not_verified(viewer: Viewer, snapshot: str, filters: Filters) -> pd.DataFrame:
    """Per agency and safety-critical check: homes where it was never verified, and the columns no file of the agency fills.

    `lacking` is empty where the files do carry what is needed: then the reading was missed at the visit or could not
    be trusted.
    """
    opened = attach(snapshot)
    condition, params = access.where(viewer, filters, checks=None)
    safety = [check for check in HOME_CHECKS if check.safety_critical]
    counts = ", ".join(
        f"count(DISTINCT CASE WHEN {piece(coded(check.id, 's'), 'state')} = {NOT_VERIFIED} THEN s.home_id END) AS {quoted(check.id).replace(chr(39), chr(34))}"
        for check in safety
    )
    wide = opened.query(
        f"""SELECT h.agency, {counts} FROM state_columns AS s JOIN homes AS h ON h.agency = s.agency AND h.home_id = s.home_id
                            WHERE h.assessed AND {condition} GROUP BY h.agency""",
        params,
    )
    homes = wide.melt("agency", var_name="check_id", value_name="homes")
    lacking = opened.query("""
        WITH of_agency AS (SELECT DISTINCT agency, export_id FROM received_rows),
        filled AS (SELECT agency, field, sum(filled)::BIGINT AS filled FROM of_agency JOIN export_fields USING (export_id) GROUP BY ALL),
        asked AS (SELECT DISTINCT agency, check_id, reason_field AS field FROM of_agency JOIN export_checks USING (export_id)
                  WHERE outcome = 'not verified' AND reason = 'not recorded' AND reason_field IS NOT NULL)
        SELECT agency, check_id, string_agg(field, ';' ORDER BY field) AS lacking FROM asked JOIN filled USING (agency, field) WHERE filled = 0 GROUP BY ALL""")
    homes = homes[homes["homes"] > 0].merge(lacking, how="left", on=["agency", "check_id"])
    homes["lacking"] = homes["lacking"].fillna("")
    homes["title"] = homes["check_id"].map(titles())
    order = {check.id: place for place, check in enumerate(CHECKS)}
    return homes.sort_values(
        ["check_id", "agency"],
        key=lambda part: part.map(order) if part.name == "check_id" else part,
        ignore_index=True,
    )


@cached
def agencies(viewer: Viewer, snapshot: str, filters: Filters, as_of: date) -> pd.DataFrame:
    """Per agency: homes, files loaded, the newest of them and when it came, the newest inspection up to a day, and how many are dated later.

    An agency that is known by its files only is there too, with no home: a silent agency must not look clean.
    """
    condition, params = access.where(viewer, Filters(agency=filters.agency), homes="h")
    if (
        viewer.agencies and not filters.agency
    ):  # the spelling of an agency without a row in force is its file's
        condition, params = (
            f"({condition} OR lower(h.agency) IN ({', '.join('?' * len(viewer.agencies))}))",
            [*params, *(name.lower() for name in viewer.agencies)],
        )
    return attach(snapshot).query(
        f"""
        WITH of_rows AS (SELECT agency, export_id, max(inspected_on) FILTER (inspected_on <= ?) AS last_inspected_on, count(*) FILTER (inspected_on > ?) AS later FROM received_rows GROUP BY ALL),
        of_files AS (
            SELECT coalesce(s.spelling, e.agency) AS agency, CASE WHEN e.status = 'loaded' THEN e.export_id END AS export_id, NULL::DATE AS last_inspected_on, 0 AS later
            FROM exports AS e LEFT JOIN spellings AS s ON s.field = 'agency' AND s.folded = lower(e.agency)
            WHERE e.agency NOT IN ('', ?) AND e.status <> 'purged' AND e.export_id NOT IN (SELECT export_id FROM of_rows)),
        files AS (SELECT agency, count(export_id) AS files, max(export_id) AS export_id, max(last_inspected_on) AS last_inspected_on, sum(later)::BIGINT AS later
                  FROM (SELECT * FROM of_rows UNION ALL SELECT * FROM of_files) GROUP BY agency),
        counted AS (SELECT agency, count(*) AS homes, count(*) FILTER (assessed) AS assessed FROM homes GROUP BY agency)
        SELECT * FROM (SELECT h.agency, coalesce(counted.homes, 0) AS homes, coalesce(counted.assessed, 0) AS assessed, h.files, e.file_name, e.received_at::TIMESTAMP AS received_at, h.last_inspected_on, h.later
        FROM files AS h LEFT JOIN counted USING (agency) LEFT JOIN exports AS e ON e.export_id = h.export_id WHERE {condition}) ORDER BY lower(agency)""",
        [as_of, as_of, IN_THE_FILE, *params],
    )


# ---- homes

SORTS = {
    "risk": f"{BY_RISK.format('h.risk')} NULLS LAST, h.open_deficiencies DESC, h.last_inspected_on",
    "-last_inspected_on": "h.last_inspected_on DESC",
    "last_inspected_on": "h.last_inspected_on",
    "home_id": "h.home_id",
    "-safety_not_verified": "h.safety_not_verified DESC",
    "region": "lower(h.region) NULLS LAST",
    "crew": "lower(h.crew) NULLS LAST",
}


def _homes(viewer, snapshot, filters, only, as_of):
    """(SQL after FROM, parameters, tables) of the homes that filters and question let through."""
    opened = attach(snapshot)
    question = QUESTION.get(only)
    if question is None or question.about == HOMES:
        of_check = question is not None and question.id == "safety-not-verified" and filters.check
        condition, params = access.where(
            viewer, replace(filters, check=()) if of_check else filters, checks=None
        )
        if of_check:  # the check that was not verified, not one that is open
            marks = ", ".join("?" * len(filters.check))
            condition += f" AND (h.agency, h.home_id) IN (SELECT (f.agency, f.home_id) FROM home_checks AS f WHERE f.state = {quoted(STATES[NOT_VERIFIED])} AND f.check_id IN ({marks}))"
            params = [*params, *filters.check]
        return f"homes AS h WHERE {condition} AND {question.sql if question else 'true'}", params, {}
    found = _overlaid(viewer, snapshot, filters, as_of, question.narrow)
    keys = opened.arrow(
        f"WITH {NEWEST} SELECT DISTINCT o.agency, o.home_id FROM {FOUND} WHERE {question.sql}", found=found
    )
    return (
        "homes AS h SEMI JOIN keys ON keys.agency = h.agency AND keys.home_id = h.home_id WHERE true",
        [],
        {"keys": keys},
    )


@cached
def homes_count(viewer: Viewer, snapshot: str, filters: Filters, only: str, as_of: date) -> int:
    source, params, tables = _homes(viewer, snapshot, filters, only, as_of)
    return attach(snapshot).rows(f"SELECT count(*) FROM {source}", params, **tables)[0][0]


@cached
def homes(
    viewer: Viewer, snapshot: str, filters: Filters, only: str, as_of: date, sort: str, page: int
) -> pd.DataFrame:
    """One page of homes, the graver first unless `sort` says otherwise; `page` counts from 1."""
    source, params, tables = _homes(viewer, snapshot, filters, only, as_of)
    return attach(snapshot).query(
        f"""
        SELECT h.* FROM {source} ORDER BY {SORTS.get(sort, SORTS["risk"])}, h.agency, h.home_id LIMIT ? OFFSET ?""",
        [*params, ROWS_A_PAGE, ROWS_A_PAGE * (page - 1)],
        **tables,
    )


def flagged(viewer: Viewer, snapshot: str, filters: Filters, only: str, as_of: date, chosen=()) -> Sheet:
    """The list of what is open in the homes on the page of homes; `chosen` (agency, home_id) narrows it to some of them.

    A question about deficiencies narrows the list to those, one about homes to what is open in those homes.
    """
    question, opened = QUESTION.get(only), attach(snapshot)
    sheet = lists.flagged(viewer, opened, filters, as_of)
    keep, said = sheet.frame, {}
    if question is not None:
        keys = ["agency", "home_id", *(("system_id", "check_id") if question.about == DEFICIENCIES else ())]
        wanted = (
            _deficiencies(viewer, snapshot, filters, question, as_of)
            if question.about == DEFICIENCIES
            else _keys(viewer, snapshot, filters, only, as_of)
        )
        keep, said = keep[_among(keep[keys], wanted[keys])], {"only": question.label}
    if chosen:
        keys = ["agency", "home_id"]
        keep, said = (
            keep[_among(keep[keys], pd.DataFrame(list(chosen), columns=keys))],
            said | {"homes": [f"{agency}: {home}" for agency, home in chosen]},
        )
    if not said:
        return sheet
    return replace(
        sheet,
        frame=keep.reset_index(drop=True),
        about=sheet.about | {"filters": sheet.about["filters"] | said},
        homes=None,
    )


def _among(rows, wanted):
    """True where a row of keys is among the wanted ones; a missing system and an empty one are the same."""

    def plain(frame):
        return pd.MultiIndex.from_frame(frame.fillna("").astype(str))

    return plain(rows).isin(plain(wanted))


def _keys(viewer, snapshot, filters, only, as_of):
    source, params, tables = _homes(viewer, snapshot, filters, only, as_of)
    return attach(snapshot).query(f"SELECT h.agency, h.home_id FROM {source}", params, **tables)


def _deficiencies(viewer, snapshot, filters, question, as_of):
    found = _overlaid(viewer, snapshot, filters, as_of, question.narrow)
    return attach(snapshot).query(
        f"WITH {NEWEST} SELECT o.agency, o.home_id, o.system_id, o.check_id FROM {FOUND} WHERE {question.sql}",
        found=found,
    )


def hold(viewer: Viewer, snapshot: str, filters: Filters, as_of: date) -> Sheet:
    return lists.hold(viewer, attach(snapshot), filters, as_of)


@cached
def held(viewer: Viewer, snapshot: str, filters: Filters) -> pd.DataFrame:
    """Units to hold per agency: those with something open, and those only for want of verification."""
    condition, params = access.where(viewer, filters, checks=None)
    return attach(snapshot).query(
        f"""
        SELECT * FROM (SELECT agency, count(*) AS units, count(*) FILTER (open_deficiencies > 0) AS opened, count(*) FILTER (open_deficiencies = 0) AS unverified,
               min(last_inspected_on) AS oldest
        FROM homes AS h WHERE hold_before_reporting AND {condition} GROUP BY agency) ORDER BY lower(agency)""",
        params,
    )


# ---- regions, crews, risk

OPEN = ", ".join(quoted(state) for state in ("open", "recurred", "repair did not hold"))
VERIFIED = f"state IN ({OPEN}, 'ok', 'corrected')"


@cached
def regions(viewer: Viewer, snapshot: str, filters: Filters, stage: str) -> pd.DataFrame:
    """Per region and check: systems whose last telling result is known (verified), deficient at this stage, not verified."""
    condition, params = access.where(viewer, filters, homes="t")
    return attach(snapshot).query(
        f"""
        SELECT * FROM (SELECT coalesce(t.region, '') AS region, t.check_id, coalesce(sum(systems) FILTER ({VERIFIED}), 0)::BIGINT AS verified,
               coalesce(sum(systems) FILTER (stage = ?), 0)::BIGINT AS deficient, coalesce(sum(systems) FILTER (state = 'not verified'), 0)::BIGINT AS not_verified
        FROM tally AS t WHERE {condition} GROUP BY ALL) ORDER BY lower(region), check_id""",
        [stage, *params],
    )


ELEVATION_STEP_FT, CHARGE_STEP_PSI, MOST_MARKS = 250, 0.5, 1_900


@cached
def charges(viewer: Viewer, snapshot: str, filters: Filters) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    """Trusted tank charges against recorded elevation, counted in bins; points of the curve of a charge set at sea level;
    and how many trusted charges stay out because their home's elevation is not recorded.

    The bins grow until there are fewer than 2,000 of them. The curve's points are of inspections, at their elevations.
    """
    opened = attach(snapshot)
    condition, params = access.where(viewer, filters, checks=None)
    charge = f"""SELECT r.elevation_ft, c.trusted_charge_psig AS charge_psig, c.sea_level_charge_psig AS curve_psig
                 FROM recomputed AS c JOIN readings AS r ON r.agency = c.agency AND r.inspection_id = c.inspection_id
                 JOIN homes AS h ON h.agency = c.agency AND h.home_id = c.home_id WHERE c.trusted_charge_psig IS NOT NULL AND {condition}"""
    for step in (1, 2, 4, 8):
        feet, psi = ELEVATION_STEP_FT * step, CHARGE_STEP_PSI * step
        bins = opened.query(
            f"""SELECT round(elevation_ft / {feet}) * {feet} AS elevation_ft, round(charge_psig / {psi}) * {psi} AS charge_psig, count(*) AS inspections
                                FROM ({charge}) WHERE elevation_ft IS NOT NULL GROUP BY ALL ORDER BY 1, 2""",
            params,
        )
        if len(bins) <= MOST_MARKS:
            break
    curve = opened.query(
        f"""SELECT min(elevation_ft) AS elevation_ft, min(curve_psig) AS charge_psig FROM ({charge}) WHERE elevation_ft IS NOT NULL
                             GROUP BY round(elevation_ft / {ELEVATION_STEP_FT}) ORDER BY 1""",
        params,
    )
    return (
        bins,
        curve,
        opened.rows(f"SELECT count(*) FROM ({charge}) WHERE elevation_ft IS NULL", params)[0][0],
    )


@cached
def crews(
    viewer: Viewer,
    snapshot: str,
    filters: Filters,
    check: str | None = None,
    crew: tuple[str, str] | None = None,
) -> pd.DataFrame:
    """Counts of crew_checks for one check over all crews, or for one crew (agency, crew) over all checks."""
    condition, params = access.where(viewer, Filters(agency=filters.agency, crew=filters.crew), homes="c")
    narrow, more = (
        ("c.check_id = ?", [check]) if crew is None else ("c.agency = ? AND c.crew = ?", list(crew))
    )
    return attach(snapshot).query(
        f"""
        SELECT c.agency, c.crew, c.check_id, k.title, c.visits, c.observed, c.observed_sure, c.rate, c.low95, c.high95, c.not_verified
        FROM crew_checks AS c JOIN checks AS k USING (check_id) WHERE {narrow} AND {condition}
        ORDER BY lower(c.agency), lower(c.crew), list_position({home_checks()}, c.check_id)""",
        [*more, *params],
    )


@cached
def agencies_of(viewer: Viewer, snapshot: str, crew: str, among: tuple[str, ...]) -> list[str]:
    """Agencies that have a crew of this name: they never are the same crew."""
    condition, params = access.where(viewer, Filters(agency=among, crew=(crew,)), homes="c")
    return [
        agency
        for (agency,) in attach(snapshot).rows(
            f"SELECT DISTINCT agency FROM crew_checks AS c WHERE {condition} ORDER BY 1", params
        )
    ]


@cached
def matrix(viewer: Viewer, snapshot: str, filters: Filters, stage: str) -> pd.DataFrame:
    """Checks with their severity, probability and the risk the policy's matrix gives these, and what is open of each at a stage."""
    condition, params = access.where(viewer, filters, homes="t")
    return attach(snapshot).query(
        f"""
        SELECT * FROM (SELECT c.severity, c.probability, m.risk, c.check_id, c.title, c.act_today, coalesce(sum(t.systems) FILTER (t.stage = ? AND {condition}), 0)::BIGINT AS deficiencies
        FROM checks AS c JOIN risk_matrix AS m USING (severity, probability) LEFT JOIN tally AS t ON t.check_id = c.check_id WHERE c.severity IS NOT NULL
        GROUP BY ALL) ORDER BY severity, probability, list_position({home_checks()}, check_id)""",
        [stage, *params],
    )


@cached
def levels(viewer: Viewer, snapshot: str, filters: Filters) -> pd.DataFrame:
    """Open deficiencies by risk, a column for each stage (stage0, ...)."""
    condition, params = access.where(viewer, filters, homes="t")
    stages = ", ".join(
        f"coalesce(sum(systems) FILTER (stage = {quoted(stage)}), 0)::BIGINT AS stage{place}"
        for place, stage in enumerate(STAGES)
    )
    return attach(snapshot).query(
        f"SELECT risk, {stages} FROM tally AS t WHERE risk IS NOT NULL AND {condition} GROUP BY risk ORDER BY {BY_RISK.format('risk')}",
        params,
    )


@cached
def matrix_levels(viewer: Viewer, snapshot: str) -> dict[tuple[int, str], str]:
    """The policy's risk for each severity and probability."""
    return {
        (severity, probability): risk
        for severity, probability, risk in attach(snapshot).rows(
            "SELECT severity, probability, risk FROM risk_matrix"
        )
    }


# ---- files


def _seen(viewer, filters):
    """SQL of the exports that hold rows of agencies the viewer sees and the filter names; all of them where neither narrows."""
    condition, params = access.where(viewer, Filters(agency=filters.agency), homes="h")
    if condition == "true":
        return "SELECT export_id FROM exports", []
    return (
        f"""SELECT export_id FROM exports AS h WHERE {condition}
               UNION SELECT export_id FROM (SELECT DISTINCT agency, export_id FROM received_rows) AS h WHERE {condition}""",
        [*params, *params],
    )


@cached
def exports(viewer: Viewer, snapshot: str, filters: Filters) -> pd.DataFrame:
    """Every file received with its counts, the newest first."""
    seen, params = _seen(viewer, filters)
    return attach(snapshot).query(
        f"""
        SELECT export_id, file_name, agency, mapping, status, reason, received_at::TIMESTAMP AS received_at, rows_read, rows_kept, rows_not_loaded, rows_repeated,
               rows_superseded, remarks, dropped_headings, left(sha256, 12) AS sha256
        FROM exports WHERE export_id IN ({seen}) ORDER BY export_id DESC""",
        params,
    )


@cached
def not_loaded(viewer: Viewer, snapshot: str, filters: Filters) -> pd.DataFrame:
    """What was not used as read, per file, extent and reason, with the first line it happened on."""
    seen, params = _seen(viewer, filters)
    return attach(snapshot).query(
        f"""
        SELECT * FROM (SELECT n.export_id, e.file_name, n.extent, n.reason, count(*) AS times, min(n.source_line) AS first_line, string_agg(DISTINCT nullif(n.heading, ''), ', ' ORDER BY nullif(n.heading, '')) AS headings
        FROM not_loaded AS n JOIN exports AS e USING (export_id) WHERE n.export_id IN ({seen})
        GROUP BY ALL) ORDER BY export_id DESC, list_position(['row', 'cell', 'column'], extent), times DESC, reason""",
        params,
    )


def not_loaded_list(viewer: Viewer, snapshot: str, export_id: int, as_of: date) -> Sheet:
    return lists.not_loaded(viewer, attach(snapshot), export_id, as_of)


@cached
def to_mend(viewer: Viewer, snapshot: str) -> list[int]:
    """Ids of the files whose rows the viewer may take along to have them mended: those that have such rows, for who may see personal fields and every agency in the file."""
    if not viewer.personal:
        return []
    allowed, params = access.where(viewer, Filters(), homes="h")
    return [
        export_id
        for (export_id,) in attach(snapshot).rows(
            f"""
        SELECT export_id FROM exports AS e WHERE status = 'loaded' AND export_id IN (SELECT export_id FROM not_loaded WHERE extent <> 'column')
        AND ({viewer.agencies is None} OR (export_id IN (SELECT export_id FROM received_rows) AND NOT EXISTS (FROM received_rows AS h WHERE h.export_id = e.export_id AND NOT ({allowed}))
             AND agency <> ?)) ORDER BY export_id""",
            [*params, IN_THE_FILE],
        )
    ]


def mended(viewer: Viewer, snapshot: str, export_id: int) -> tuple[str, bytes]:
    """(file name, CSV) of a file's rows to mend, as pipelines.mending; ListError for a viewer who may not have them."""
    if not viewer.personal or (viewer.agencies is not None and export_id not in to_mend(viewer, snapshot)):
        raise ListError("rows to mend hold personal texts of an agency: they are for those who may see both")
    made = mending(fleet(), attach(snapshot), export_id, viewer.agencies)
    return made.file_name, made.as_csv()


@cached
def suspicions_count(viewer: Viewer, snapshot: str, filters: Filters) -> int:
    condition, params = access.where(viewer, Filters(agency=filters.agency), homes="h")
    return attach(snapshot).rows(f"SELECT count(*) FROM home_suspicions AS h WHERE {condition}", params)[0][0]


@cached
def suspicions(viewer: Viewer, snapshot: str, filters: Filters, page: int) -> pd.DataFrame:
    """One page of pairs of ids that may be one home: agency, home_id, other_home_id, why; `page` counts from 1."""
    condition, params = access.where(viewer, Filters(agency=filters.agency), homes="h")
    return attach(snapshot).query(
        f"SELECT * FROM home_suspicions AS h WHERE {condition} ORDER BY lower(agency), home_id, other_home_id LIMIT ? OFFSET ?",
        [*params, PAIRS_A_PAGE, PAIRS_A_PAGE * (page - 1)],
    )


@cached
def answers(viewer: Viewer, snapshot: str, filters: Filters) -> pd.DataFrame:
    """Per file and check: inspections with a result that tells, those not verified, and the column lacking in the whole file.

    `lacking` is empty where the file has what the check asked for first, or where some inspection could be answered.
    """
    seen, params = _seen(viewer, filters)
    return attach(snapshot).query(
        f"""
        WITH counted AS (
            SELECT a.export_id, a.check_id, coalesce(sum(inspections) FILTER (outcome IN ('ok', 'deficient')), 0)::BIGINT AS told,
                   coalesce(sum(inspections) FILTER (outcome = 'not verified'), 0)::BIGINT AS not_verified,
                   string_agg(DISTINCT a.reason_field, ';' ORDER BY a.reason_field) FILTER (outcome = 'not verified' AND reason = 'not recorded' AND f.filled = 0) AS lacking
            FROM export_checks AS a LEFT JOIN export_fields AS f ON f.export_id = a.export_id AND f.field = a.reason_field GROUP BY ALL)
        SELECT c.export_id, e.file_name, c.check_id, k.title, c.told, c.not_verified, CASE WHEN c.told = 0 THEN coalesce(c.lacking, '') ELSE '' END AS lacking
        FROM counted AS c JOIN exports AS e USING (export_id) JOIN checks AS k USING (check_id) WHERE c.export_id IN ({seen})
        ORDER BY c.export_id DESC, list_position({[check.id for check in CHECKS]}, c.check_id)""",
        params,
    )


def lacking(unanswered: pd.DataFrame) -> list[str]:
    """The fields that checks lack, each once, in the order of the alphabet."""
    return sorted(set(";".join(unanswered["lacking"]).split(";")) - {""})


def opening(lacking: pd.DataFrame) -> dict[str, int]:
    """The three columns that most checks lack first: field → how many checks; `lacking` is of `answers`."""
    counted = lacking["lacking"].str.split(";").explode().value_counts()
    return dict(sorted(counted.items(), key=lambda pair: (-pair[1], pair[0]))[:3])


# ---- checks


@cached
def described(viewer: Viewer, snapshot: str) -> dict[str, pd.DataFrame]:
    """The small tables that say what results rest on: checks, limits, accepted_words, region_overrides, measures, clocks."""
    opened = attach(snapshot)
    names = ("checks", "limits", "accepted_words", "region_overrides", "measures", "clocks")
    return {name: opened.query(f"SELECT * FROM {name}") for name in names}


# ---- one home


@cached
def home(viewer: Viewer, snapshot: str, agency: str, home_id: str, as_of: date) -> Home:
    """One home with its visits and the history of every check; explain.NotFound says what is nearest."""
    return explain.home(viewer, attach(snapshot), agency, home_id, as_of, NO_DECISIONS)


@cached
def inspection(viewer: Viewer, snapshot: str, agency: str, inspection_id: str) -> Inspection:
    """One inspection from the line of the file on; explain.NotFound says what is nearest."""
    return explain.inspection(viewer, attach(snapshot), agency, inspection_id)
