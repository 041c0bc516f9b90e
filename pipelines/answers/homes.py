"""Homes: those that filters and a question of the first page let through, and the list of what is open."""

from dataclasses import replace
from datetime import date
from typing import Any

import pandas as pd
import pyarrow as pa

from pipelines.answers import lists
from pipelines.answers.access import Filters, Viewer, where
from pipelines.answers.contents import home_checks
from pipelines.answers.listed import Sheet
from pipelines.answers.waiting import (
    DEFICIENCIES,
    FOUND,
    NEWEST,
    QUESTION,
    Question,
    by_risk,
    never_answered,
    never_verified,
    overlaid,
)
from pipelines.engine.checks import CHECKS, HOME_CHECKS
from pipelines.engine.codes import coded, piece, quoted
from pipelines.engine.history import CORRECTED, OPEN_STATES, STATE_OK
from pipelines.engine.history import NOT_VERIFIED as NEVER_TOLD
from pipelines.engine.results import DEFICIENT as FOUND_DEFICIENT
from pipelines.engine.results import OK as FOUND_OK
from pipelines.fleet.snapshots import Snapshot

ROWS_A_PAGE = 40
SORTS = {
    "risk": f"{by_risk('h.risk')} NULLS LAST, h.open_deficiencies DESC, h.last_inspected_on",
    "-last_inspected_on": "h.last_inspected_on DESC",
    "last_inspected_on": "h.last_inspected_on",
    "home_id": "h.home_id",
    "-safety_not_verified": "h.safety_not_verified DESC",
    "-days_late": "late.days DESC NULLS LAST",
    "-open_deficiencies": "h.open_deficiencies DESC",
    "agency": "lower(h.agency)",
    "region": "lower(h.region) NULLS LAST",
    "crew": "lower(h.crew) NULLS LAST",
}
HOME = ["agency", "home_id"]
# Of each home, by how many days what is latest there is past its time on a day; below 0 it is not due yet.
LATE = """(
    SELECT d.agency, d.home_id, max(date_diff('day', d.since + c.days_to_correct, DATE '{day}')) AS days
    FROM opened AS d
    JOIN clocks AS c ON c.risk = d.risk
    GROUP BY d.agency, d.home_id)"""
GROUPS = tuple(dict.fromkeys(check.group for check in CHECKS))
DEFICIENT, OK, UNVERIFIED, NOTHING = "deficient", "ok", "not verified", "nothing to check"


def known_by_number(viewer: Viewer, snapshot: Snapshot, search: str) -> bool:
    """Whether a home id or job number answers to it; a search that only an address answers to is personal."""
    condition, params = where(replace(viewer, personal=False), Filters(search=search))
    return bool(snapshot.rows(f"SELECT 1 FROM homes AS h WHERE {condition} LIMIT 1", params))


def homes_count(viewer: Viewer, snapshot: Snapshot, filters: Filters, only: str, as_of: date) -> int:
    """How many homes filters and the question `only` (an id, or empty) let through."""
    source, params, tables = _source(viewer, snapshot, filters, only, as_of)
    return snapshot.rows(f"SELECT count(*) FROM {source}", params, **tables)[0][0]


def work_count(viewer: Viewer, snapshot: Snapshot, filters: Filters, only: str, as_of: date) -> int:
    """In how many of these homes something is open: so many the list of it has."""
    source, params, tables = _source(viewer, snapshot, filters, only, as_of)
    counted = "count(*) FILTER (h.open_deficiencies > 0)"
    return snapshot.rows(f"SELECT {counted} FROM {source}", params, **tables)[0][0]


def open_count(viewer: Viewer, snapshot: Snapshot, filters: Filters, only: str, as_of: date) -> int | None:
    """How many open deficiencies filters and the question `only` let through; None if not asked."""
    question = QUESTION.get(only)
    about_them = question is not None and question.about == DEFICIENCIES
    if not about_them and (question is not None or not filters.of_deficiencies):
        return None
    narrow, sql = (question.narrow, question.sql) if question and about_them else ("true", "true")
    found = overlaid(viewer, snapshot, filters, as_of, narrow)
    return snapshot.rows(f"WITH {NEWEST} SELECT count(*) FROM {FOUND} WHERE {sql}", found=found)[0][0]


def homes_page(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, only: str, as_of: date, sort: str, page: int
) -> pd.DataFrame:
    """One page of homes, the graver first unless `sort` says otherwise; `page` counts from 1.

    Beside the columns of `homes`, one for each of GROUPS: what its checks come to there, as of `_of_group`.
    """
    source, params, tables = _source(viewer, snapshot, filters, only, as_of)
    order = SORTS.get(sort, SORTS["risk"])
    if sort == "-days_late":
        late = LATE.format(day=as_of.isoformat())
        source = f"(SELECT h.* FROM {source}) AS h LEFT JOIN {late} AS late USING (agency, home_id)"
    found = snapshot.query(
        f"""
        SELECT h.*
        FROM {source}
        ORDER BY {order}, h.agency, h.home_id
        LIMIT ? OFFSET ?""",
        [*params, ROWS_A_PAGE, ROWS_A_PAGE * (page - 1)],
        **tables,
    )
    return found.merge(_groups(snapshot, found[HOME]), how="left", on=HOME)


def _groups(snapshot: Snapshot, homes: pd.DataFrame) -> pd.DataFrame:
    """Per home what each group of checks comes to, what stands of the home; of readings, the last visits."""
    groups = ", ".join(f"{_of_group(group)} AS {group}" for group in GROUPS)
    return snapshot.query(
        f"""
        SELECT s.agency, s.home_id, {groups}
        FROM state_columns AS s
        SEMI JOIN shown AS l ON l.agency = s.agency AND l.home_id = s.home_id
        LEFT JOIN judged AS j ON j.agency = s.agency AND j.inspection_id = s.visit_ids[-1]
        GROUP BY s.agency, s.home_id""",
        shown=homes,
    )


def _of_group(group: str) -> str:
    """SQL: deficient where a check is; else not verified where a safety-critical one is, or all are."""
    checks = [check for check in CHECKS if check.group == group]
    if checks[0].evidence:
        outcomes = [piece(coded(check.id, "j"), "outcome") for check in checks]
        bad, good = ([f"{one} = {code}" for one in outcomes] for code in (FOUND_DEFICIENT, FOUND_OK))
        gap = ["false"]
        some = [f"{one} < 3" for one in outcomes]
    else:
        states = [piece(coded(check.id, "s"), "state") for check in checks]
        bad = [f"{one} IN {OPEN_STATES}" for one in states]
        good = [f"{one} IN ({STATE_OK}, {CORRECTED})" for one in states]
        gap = [never_verified(check.id) for check in checks if check.safety_critical] or ["false"]
        some = [f"{one} = {NEVER_TOLD}" for one in states]

    def any_of(conditions: list[str]) -> str:
        return f"bool_or({' OR '.join(conditions)})"

    return f"""CASE WHEN {any_of(bad)} THEN {quoted(DEFICIENT)}
                    WHEN {any_of(gap)} THEN {quoted(UNVERIFIED)}
                    WHEN {any_of(good)} THEN {quoted(OK)}
                    WHEN {any_of(some)} THEN {quoted(UNVERIFIED)}
                    ELSE {quoted(NOTHING)} END"""


def held_page(viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date, page: int) -> pd.DataFrame:
    """One page of the units to hold, the graver first, each with its reasons (`why`), joined by ;."""
    units = homes_page(viewer, snapshot, filters, "hold", as_of, "risk", page)
    return units.merge(lists.why_held(snapshot, units), how="left", on=HOME)


def _source(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, only: str, as_of: date
) -> tuple[str, list, dict[str, Any]]:
    """SQL after FROM, its parameters and the tables it names, of the homes that are let through."""
    question = QUESTION.get(only)
    if question is not None and question.about == DEFICIENCIES:
        keys = snapshot.arrow(
            f"""
            WITH {NEWEST}
            SELECT DISTINCT o.agency, o.home_id
            FROM {FOUND}
            WHERE {question.sql}""",
            found=overlaid(viewer, snapshot, filters, as_of, question.narrow),
        )
        source = "homes AS h SEMI JOIN keys ON keys.agency = h.agency AND keys.home_id = h.home_id"
        return f"{source} WHERE true", [], {"keys": keys}
    # A check asked for beside this question is one that was not verified, not one that is open.
    unverified = filters.check if only == "safety-not-verified" else ()
    condition, params = where(viewer, replace(filters, check=()) if unverified else filters, checks=None)
    if unverified:
        any_of = " OR ".join(never_verified(one) for one in home_checks() if one in unverified)
        condition += f"""
            AND (h.agency, h.home_id) IN (
                SELECT (s.agency, s.home_id)
                FROM state_columns AS s
                WHERE {any_of or "false"})"""
    return f"homes AS h WHERE {condition} AND {question.sql if question else 'true'}", params, {}


# ---- the lists


def flagged(
    viewer: Viewer,
    snapshot: Snapshot,
    filters: Filters,
    only: str,
    as_of: date,
    chosen: tuple[tuple[str, str], ...] = (),
) -> Sheet:
    """The list of what is open in the homes let through; `chosen` (agency, home_id) narrows it to some.

    A question about deficiencies narrows the list to those, one about homes to what is open in those homes;
    a check asked for beside those not verified chooses the homes, not what is open there.
    """
    of_list = replace(filters, check=()) if only == "safety-not-verified" else filters
    sheet = lists.flagged(viewer, snapshot, of_list, as_of)
    frame = sheet.frame
    said: dict[str, str | list[str]] = {}
    if question := QUESTION.get(only):
        frame = _among(frame, _asked_for(viewer, snapshot, filters, question, as_of))
        said["only"] = question.label
    if chosen:
        frame = _among(frame, pd.DataFrame(list(chosen), columns=HOME))
        said["homes"] = [f"{agency}: {home}" for agency, home in chosen]
    if not said:
        return sheet
    about = sheet.about | {"filters": filters.stated | said}
    kept = pa.array(frame.index.to_numpy())
    return replace(sheet, rows=sheet.rows.take(kept), about=about, homes=None)


def _asked_for(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, question: Question, as_of: date
) -> pd.DataFrame:
    """Keys of the deficiencies, or of the homes, that a question is about."""
    if question.about == DEFICIENCIES:
        return snapshot.query(
            f"""
            WITH {NEWEST}
            SELECT o.agency, o.home_id, o.system_id, o.check_id
            FROM {FOUND}
            WHERE {question.sql}""",
            found=overlaid(viewer, snapshot, filters, as_of, question.narrow),
        )
    source, params, tables = _source(viewer, snapshot, filters, question.id, as_of)
    return snapshot.query(f"SELECT h.agency, h.home_id FROM {source}", params, **tables)


def _among(frame: pd.DataFrame, keys: pd.DataFrame) -> pd.DataFrame:
    """The rows of a frame whose key is among some; a missing system and an empty one are the same."""

    def plain(rows):
        return pd.MultiIndex.from_frame(rows[list(keys)].fillna("").astype(str))

    return frame[plain(frame).isin(plain(keys))]


def held(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Units to hold per agency, those one thing away from being cleared, and those that may be reported.

    `no_column` are held only for checks that no file of the agency can answer for want of a column.
    """
    condition, params = where(viewer, filters, checks=None)
    found = snapshot.query(
        f"""
        SELECT *
        FROM (
            SELECT agency, count(*) FILTER (hold_before_reporting) AS units,
                   count(*) FILTER (hold_before_reporting AND open_deficiencies > 0) AS opened,
                   count(*) FILTER (hold_before_reporting AND open_deficiencies = 0) AS unverified,
                   count(*) FILTER ({QUESTION["one-reading"].sql}) AS one_reading,
                   count(*) FILTER ({QUESTION["one-measure"].sql}) AS one_measure,
                   count(*) FILTER (may_be_reported) AS clear,
                   min(last_inspected_on) FILTER (hold_before_reporting) AS oldest
            FROM homes AS h
            WHERE (hold_before_reporting OR may_be_reported) AND {condition}
            GROUP BY agency)
        ORDER BY lower(agency)""",
        params,
    )
    return found.merge(_only_for_columns(snapshot, condition, params), how="left", on="agency").fillna(
        {"no_column": 0}
    )


def _only_for_columns(snapshot: Snapshot, condition: str, params: list) -> pd.DataFrame:
    """Per agency, the units held for nothing but checks that its files have no column for."""
    lacking = never_answered(snapshot)
    wanting = " OR ".join(
        f"(s.agency = {quoted(agency)} AND {_all_but(checks)} = 0 AND h.open_deficiencies = 0)"
        for agency, checks in lacking.items()
    )
    return snapshot.query(
        f"""
        SELECT agency, count(*) AS no_column
        FROM (
            SELECT h.agency, h.home_id
            FROM homes AS h
            JOIN state_columns AS s ON s.agency = h.agency AND s.home_id = h.home_id
            WHERE h.hold_before_reporting AND {condition}
            GROUP BY h.agency, h.home_id
            HAVING bool_and({wanting or "false"}))
        GROUP BY agency""",
        params,
    )


def _all_but(checks: set[str]) -> str:
    """SQL: how many safety-critical checks of a row of state_columns, but for some, are not verified."""
    rest = [check.id for check in HOME_CHECKS if check.safety_critical and check.id not in checks]
    return " + ".join(f"{never_verified(one)}::INTEGER" for one in rest)
