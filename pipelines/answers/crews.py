"""Crews, inspectors, regions and agencies: what finals found after the work, against what chance gives."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.contents import home_checks, names
from pipelines.answers.instruments import NUMBERS
from pipelines.audit import chance
from pipelines.audit.charged import BIT_OF, BITS, CHARGED_TO, WHOSE
from pipelines.audit.units import ANY, BAD, FINE, HOME_GROUPS, LACKING, SURELY_BAD
from pipelines.engine.checks import BY_ID, HOME_CHECKS
from pipelines.engine.codes import coded, picked, piece, quoted
from pipelines.engine.history import REPORTED_OPEN, STAGES
from pipelines.engine.results import DEFICIENT, OUTCOMES
from pipelines.fleet.snapshots import Snapshot

CREW, KINDS = "crew", ("crew", "inspector", "region", "agency")
IN_ORDER = [ANY, *HOME_GROUPS, *(check.id for check in HOME_CHECKS)]
COLUMNS = """visits, observed, observed_sure, expected, rate, shrunken_rate, low95, high95, low998, high998,
             adjusted_p, not_verified, standing, why, own_low95, own_high95, rate_best, rate_worst, spread"""
UNITS_SHOWN = 400


def called() -> dict[str, str]:
    """What is looked at, by id: any, a group of checks, or a check."""
    groups = {group: f"{group.capitalize()}, any check" for group in HOME_GROUPS}
    return {ANY: "Anything deficient", **groups, **names()}


def compared(
    viewer: Viewer,
    snapshot: Snapshot,
    filters: Filters,
    kind: str = CREW,
    check: str = "",
    name: str | None = None,
) -> pd.DataFrame:
    """Names of a kind by agency and alphabet, a row for each check, group of checks and any.

    Columns: agency, name, check_id, those of COLUMNS, and `beyond`: more, fewer, or None where chance
    explains it. `check` and `name` narrow it to one. Inspectors are numbered for viewers who may not see
    personal fields.
    """
    condition, params = where(viewer, Filters(agency=filters.agency), homes="c")
    shown, numbered = "every.name", ""
    if kind == "inspector" and not viewer.personal:
        shown, numbered = (
            "number",
            f"JOIN ({NUMBERS}) AS n ON n.agency = every.agency AND n.name = every.name",
        )
    crews = "SELECT 'crew' AS kind, agency, crew AS name, * EXCLUDE (agency, crew) FROM crew_checks"
    source = crews if kind == CREW else "SELECT * FROM standings"
    found = snapshot.query(
        f"""
        WITH every AS ({source}),
        seen AS (
            SELECT every.agency, {shown} AS name, check_id, {COLUMNS}
            FROM every {numbered}
            WHERE kind = ?)
        SELECT c.*,
               CASE WHEN c.adjusted_p <= l.value THEN CASE WHEN c.rate > c.expected / c.visits
                    THEN 'more' ELSE 'fewer' END END AS beyond
        FROM seen AS c, limits AS l
        WHERE l.name = 'false_discoveries' AND {condition} AND (? IN ('', c.check_id))
            AND (?::VARCHAR IS NULL OR c.name = ?)
        ORDER BY lower(c.agency), c.agency, lower(c.name), c.name, list_position({IN_ORDER}, c.check_id)""",
        [kind, *params, check, name, name],
    )
    if kind == CREW and filters.crew:
        wanted = {one.casefold() for one in filters.crew}
        found = found[found["name"].str.casefold().isin(wanted)].reset_index(drop=True)
    return found


@dataclass(frozen=True)
class Funnel:
    """One check among the names of a kind in an agency.

    `points`: those of `compared`, and `share`, the share deficient put to houses like the agency's own.
    `curves`: visits, low95, high95, low998, high998 about the agency's share `rate`, NaN where nothing tells.
    """

    points: pd.DataFrame
    curves: pd.DataFrame
    rate: float
    deficient: int
    visits: int


def funnel(viewer: Viewer, snapshot: Snapshot, agency: str, kind: str, check: str) -> Funnel:
    """The Funnel of a check in an agency; of all agencies for agencies and where `agency` is empty."""
    own = Filters(agency=(agency,)) if agency and kind != "agency" else Filters()
    points = compared(viewer, snapshot, own, kind, check)
    points = points[points["visits"] > 0].reset_index(drop=True)
    deficient, visits = int(points["observed"].sum()), int(points["visits"].sum())
    rate = deficient / visits if visits else float("nan")
    points["share"] = np.clip(rate * points["observed"] / points["expected"], 0.0, 1.0)
    points.loc[points["expected"].isna(), "share"] = points["rate"]
    most = int(points["visits"].max()) if visits else 1
    at = np.unique(np.geomspace(1, max(most * 1.15, 12), 60).round())
    between = float(np.nan_to_num(points["spread"].max())) ** 2 if visits else 0.0
    widened = chance.widening(np.sqrt(rate * (1 - rate) / at), between)
    limits = [chance.funnel_limits(rate, at, level, widened) for level in (0.95, 0.998)]
    curves = pd.DataFrame(
        {
            "visits": at,
            **dict(zip(("low95", "high95", "low998", "high998"), (*limits[0], *limits[1]), strict=True)),
        }
    )
    return Funnel(points, curves, rate, deficient, visits)


def agencies_of(viewer: Viewer, snapshot: Snapshot, crew: str, among: tuple[str, ...]) -> list[str]:
    """Agencies that have a crew of this name (among some, where named): they never are the same crew."""
    condition, params = where(viewer, Filters(agency=among, crew=(crew,)), homes="c")
    found = snapshot.rows(
        f"SELECT DISTINCT agency FROM crew_checks AS c WHERE {condition} ORDER BY 1", params
    )
    return [agency for (agency,) in found]


# ---- the units counted

SHOWN = {FINE: "ok", BAD: "deficient", SURELY_BAD: "deficient", LACKING: "not verified"}


def counted_units(
    viewer: Viewer, snapshot: Snapshot, agency: str, crew: str, check: str, outcome: str = ""
) -> pd.DataFrame:
    """The units that one number of a crew counts, the deficient first; `outcome` narrows them to one.

    Columns: agency, home_id, system_id, job_number, final_on, inspection_id (of the final), again_id (of the
    re-inspection paired with it), outcome. A final that could not tell gives way to its re-inspection.
    """
    condition, params = where(viewer, Filters(agency=(agency,)), homes="u")
    outcome_of_unit, source = outcomes_of_units(check)
    return snapshot.query(
        f"""
        WITH counted AS (
            SELECT u.agency, u.inspection_id, u.again_id, {outcome_of_unit} AS outcome
            FROM {source}
            WHERE u.crew = ? AND {condition})
        SELECT c.agency, r.home_id, r.system_id, coalesce(r.job_number, '') AS job_number,
               r.inspected_on AS final_on, c.inspection_id, c.again_id, c.outcome
        FROM counted AS c
        JOIN readings AS r ON r.agency = c.agency AND r.inspection_id = c.inspection_id
        WHERE c.outcome IN ('ok', 'deficient', 'not verified') AND ? IN ('', c.outcome)
        ORDER BY list_position(['deficient', 'not verified', 'ok'], c.outcome), r.inspected_on DESC,
                 r.home_id, r.system_id, r.job_number""",
        [crew, *params, outcome],
    )


def outcomes_of_units(check: str) -> tuple[str, str]:
    """SQL for what a unit shows for a check, a group or any, and for the tables it is in, the unit as `u`."""
    if check not in BY_ID:
        texts = [SHOWN.get(code, "not verified" if code else "") for code in range(LACKING + 2)]
        return picked(texts, f"u.{check if check in HOME_GROUPS else ANY}__shows"), "crew_units AS u"
    first, second = (piece(coded(check, alias), "outcome") for alias in ("f", "s"))
    code = f"CASE WHEN {first} > 1 AND coalesce({second}, 2) < 2 THEN {second} ELSE {first} END"
    source = """crew_units AS u
            JOIN judged AS f ON f.agency = u.agency AND f.inspection_id = u.inspection_id
            LEFT JOIN judged AS s ON s.agency = u.agency AND s.inspection_id = u.again_id"""
    return picked(OUTCOMES, code), source


# ---- whose it is


def charged(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Deficiencies found after the work by check and by whose they are: check_id, whose, count."""
    condition, params = where(viewer, Filters(agency=filters.agency, crew=filters.crew), homes="u")
    counts = " UNION ALL ".join(
        f"SELECT '{whose}' AS whose, u.{column} AS checks, count(*) AS units FROM kept AS u GROUP BY ALL"
        for whose, column in zip(WHOSE, CHARGED_TO, strict=True)
    )
    return snapshot.query(
        f"""
        WITH kept AS (SELECT {", ".join(CHARGED_TO)} FROM crew_units AS u WHERE {condition}),
             counts AS ({counts})
        SELECT check_id, whose, sum(units)::BIGINT AS count
        FROM counts
        JOIN {BITS} ON checks <> 0 AND (checks >> bit & 1) = 1
        GROUP BY check_id, whose
        ORDER BY list_position({home_checks()}, check_id), list_position({list(WHOSE)}, whose)""",
        params,
    )


def charged_units(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, check: str, whose: str
) -> pd.DataFrame:
    """The units behind one count of `charged`, the newest final first."""
    condition, params = where(viewer, Filters(agency=filters.agency, crew=filters.crew), homes="u")
    inspector = "coalesce(r.inspector, '')" if viewer.personal else "''"
    charged_to = "false"
    if check in BIT_OF and whose in WHOSE:
        charged_to = f"(u.{CHARGED_TO[WHOSE.index(whose)]} >> {BIT_OF[check]} & 1) = 1"
    return snapshot.query(
        f"""
        SELECT u.agency, r.home_id, coalesce(r.job_number, '') AS job_number, u.crew,
               {inspector} AS inspector, r.inspected_on AS final_on, u.inspection_id, u.again_id
        FROM crew_units AS u
        JOIN readings AS r ON r.agency = u.agency AND r.inspection_id = u.inspection_id
        WHERE {charged_to} AND {condition}
        ORDER BY r.inspected_on DESC, u.agency, r.home_id, u.inspection_id""",
        params,
    )


def passed_open(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Finals that passed units reported with something open: by agency and inspector of the last final.

    Columns: agency, inspector (numbered where names must not be seen), homes, deficiencies, and of these
    those that the final's own readings show. A final passed where its sheet says so, or says nothing.
    """
    source, params = _passed(viewer, filters)
    return snapshot.query(
        f"""
        {source}
        SELECT agency, inspector, count(DISTINCT home_id) AS homes, count(*) AS deficiencies,
               count(*) FILTER (shown) AS shown
        FROM passed
        GROUP BY agency, inspector
        ORDER BY lower(agency), lower(inspector) NULLS LAST""",
        params,
    )


def passed_homes(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, agency: str, inspector: str
) -> pd.DataFrame:
    """The homes behind one row of `passed_open`: home_id, final_on, inspection_id, deficiencies, shown."""
    source, params = _passed(viewer, filters)
    return snapshot.query(
        f"""
        {source}
        SELECT agency, home_id, any_value(inspection_id) AS inspection_id, any_value(final_on) AS final_on,
               count(*) AS deficiencies, count(*) FILTER (shown) AS shown
        FROM passed
        WHERE agency = ? AND coalesce(inspector, '') = ?
        GROUP BY agency, home_id
        ORDER BY final_on DESC, home_id""",
        [*params, agency, inspector],
    )


def _passed(viewer: Viewer, filters: Filters) -> tuple[str, list]:
    """SQL of the table `passed`, a row per deficiency reported with it open, and its parameters."""
    condition, params = where(viewer, Filters(agency=filters.agency, crew=filters.crew))
    inspector = "last.inspector" if viewer.personal else "n.number"
    codes = ", ".join(coded(check.id, "w") for check in HOME_CHECKS)
    outcome = piece(f"([{codes}])[list_position({home_checks()}, d.check_id)]", "outcome")
    return (
        f"""
        WITH finals AS (
            SELECT r.agency, r.home_id,
                   max_by(
                       {{'inspector': r.inspector, 'inspection_id': r.inspection_id, 'day': r.inspected_on}},
                       (r.inspected_on, r.inspection_id)) AS last
            FROM readings AS r
            JOIN homes AS h ON h.agency = r.agency AND h.home_id = r.home_id
            WHERE r.inspection_kind = 'final' AND r.inspected_on <= h.reported_on
                AND coalesce(r.stated_result, 'pass') = 'pass'
            GROUP BY r.agency, r.home_id),
        named AS (
            SELECT f.agency, f.home_id, {inspector} AS inspector, last.inspection_id AS inspection_id,
                   last.day AS final_on
            FROM finals AS f
            LEFT JOIN ({NUMBERS}) AS n ON n.agency = f.agency AND n.name = last.inspector),
        passed AS (
            SELECT d.agency, d.home_id, f.inspector, f.inspection_id, f.final_on,
                   coalesce({outcome} = {DEFICIENT}, false) AS shown
            FROM opened AS d
            JOIN homes AS h ON h.agency = d.agency AND h.home_id = d.home_id
            JOIN named AS f ON f.agency = d.agency AND f.home_id = d.home_id
            LEFT JOIN judged AS w ON w.agency = d.agency AND w.inspection_id = f.inspection_id
            WHERE d.stage = {quoted(STAGES[REPORTED_OPEN])} AND {condition})""",
        params,
    )


# ---- what to record next time


def lacking_readings(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Readings whose lack kept finals from telling, the most units with a danger not ruled out first.

    Columns: field, checks (results not verified for it), units (in which one is safety-critical).
    """
    condition, params = where(viewer, Filters(agency=filters.agency, crew=filters.crew), homes="l")
    return snapshot.query(
        f"""
        SELECT field, sum(checks)::BIGINT AS checks, sum(units)::BIGINT AS units
        FROM lacking_readings AS l
        WHERE {condition}
        GROUP BY field
        ORDER BY units DESC, checks DESC, field""",
        params,
    )


# ---- agreement with re-inspections


def agreement(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Finals against the re-inspections paired with them, check by check, over the crews let through."""
    condition, params = where(viewer, Filters(agency=filters.agency, crew=filters.crew), homes="a")
    found = snapshot.query(
        f"""
        SELECT a.check_id, k.name, sum(pairs)::BIGINT AS pairs, sum(agree)::BIGINT AS agree,
               sum(missed)::BIGINT AS missed, sum(overcalled)::BIGINT AS overcalled,
               sum(a.both_deficient)::BIGINT AS both_deficient, sum(not_verified)::BIGINT AS not_verified
        FROM agreement AS a
        JOIN checks AS k USING (check_id)
        WHERE {condition}
        GROUP BY a.check_id, k.name
        ORDER BY list_position({home_checks()}, a.check_id)""",
        params,
    )
    tables = np.stack(
        [
            found["agree"] - found["both_deficient"],
            found["missed"],
            found["overcalled"],
            found["both_deficient"],
        ],
        axis=-1,
    ).reshape(-1, 2, 2)
    kappa, low, high = chance.kappa(tables)
    return found.assign(kappa=kappa, kappa_low=low, kappa_high=high)
