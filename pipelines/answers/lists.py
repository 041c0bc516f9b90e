"""Lists that leave the tool: what is open, what holds a unit back, what was not loaded.

A list shows what the viewer may see, states what it rests on, and comes out byte for byte the same for the
same snapshot, filters and as-of date. A CSV holds the list and nothing else, its headings in the first line,
so that any program can read it and send it back; what it rests on stands in a text beside it (`formats`).
"""

from __future__ import annotations

import json
from datetime import date, datetime
from functools import partial
from typing import TYPE_CHECKING

import pyarrow as pa

from pipelines.answers import of_checks, work
from pipelines.answers.access import Filters, ListError, Viewer, demand_known, where
from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.decisions import count_standing, overlay
from pipelines.answers.listed import Sheet
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.checks.kinds import Check
from pipelines.engine.codes import coded, piece, quoted
from pipelines.engine.history import NOT_VERIFIED
from pipelines.engine.policy.policy import LEVELS
from pipelines.fields import PERSONAL
from pipelines.fleet.decided import WAY_BACK
from pipelines.fleet.snapshots import Snapshot
from pipelines.intake.cells import folded
from pipelines.snapshot.headlines import IN_DOUBT

if TYPE_CHECKING:
    import pandas as pd

FLAGGED = (
    *("agency", "home_id", "system_id", "job_number", "region", "crew", "last_inspected_on", "risk"),
    *("check_id", "deficiency", "observed", "low", "high", "unit", "certainty", "fix_first", "remedy"),
    *("state", "stage", "since", "due", "decided"),
)
HOME_RISK = "home risk"
SAFETY_CHECKS = [check for check in HOME_CHECKS if check.safety_critical]
REMEDIES = {check.id: check.remedy for check in HOME_CHECKS}


# ---- the lists


def flagged(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date, decisions: tuple | None = None
) -> Sheet:
    """Every open deficiency, one row each: by risk, act today first, then the oldest, then by home."""
    demand_known(viewer, snapshot, filters)
    found = overlay(snapshot, decisions, as_of, *where(viewer, filters))
    carried = _carried_headings(viewer, snapshot)
    own = "".join(
        f", json_extract_string(r.carried, {quoted(_pointer(heading))}) AS {_name(name)}"
        for heading, name in carried
    )
    of_readings = "LEFT JOIN readings AS r ON r.agency = f.agency AND r.inspection_id = f.inspection_id"
    root = of_checks.title("l.root_check_id", "'cause not told'")
    rows = snapshot.arrow(
        f"""
        WITH roots AS (
            SELECT f.agency, f.inspection_id, f.check_id,
                   string_agg({root}, '; ' ORDER BY {of_checks.position("l.root_check_id")}) AS fix_first
            FROM found AS f
            JOIN causes AS l
                ON l.agency = f.agency AND l.inspection_id = f.inspection_id
                AND l.symptom_check_id = f.check_id
            LEFT JOIN opened AS s
                ON s.agency = f.agency AND s.home_id = f.home_id AND s.system_id = f.system_id
                AND s.check_id = l.root_check_id
            WHERE l.root_check_id IS NULL
                OR (l.root_check_id <> l.symptom_check_id AND s.check_id IS NOT NULL)
            GROUP BY ALL)
        SELECT f.agency, f.home_id, f.system_id, h.job_number, h.region, h.crew, h.last_inspected_on, f.risk,
               f.check_id, {of_checks.title("f.check_id", "f.check_id")} AS deficiency,
               {", ".join(of_checks.shown(snapshot))},
               roots.fix_first, {of_checks.by_check("f.check_id", REMEDIES)} AS remedy,
               f.state, f.stage, f.since, f.due, f.decided{own}, h.risk AS "{HOME_RISK}"
        FROM found AS f
        JOIN homes AS h ON h.agency = f.agency AND h.home_id = f.home_id
        LEFT JOIN judged AS o ON o.agency = f.agency AND o.inspection_id = f.inspection_id
        LEFT JOIN roots
            ON roots.agency = f.agency AND roots.inspection_id = f.inspection_id
            AND roots.check_id = f.check_id
        {of_readings if carried else ""}
        ORDER BY list_position({list(LEVELS)}, f.risk), f.since, f.agency, f.home_id, f.system_id,
                 {of_checks.position("f.check_id")}""",
        found=found,
    )
    homes = rows.select(["agency", "home_id", HOME_RISK]).rename_columns(["agency", "home_id", "risk"])
    rows = rows.drop_columns([HOME_RISK])
    for name in WAY_BACK:
        rows = rows.append_column(name, pa.nulls(rows.num_rows, pa.string()))
    to_do = partial(work.homes, viewer, snapshot)
    rests_on = about("flagged", snapshot, as_of, filters)
    rests_on["decisions"] = count_standing(viewer, snapshot, decisions, as_of)
    return Sheet("flagged", rows, rests_on, homes, to_do)


def hold(viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date, *, clear: bool = False) -> Sheet:
    """Units to hold before reporting, one row per home; `clear`: those that may be reported instead.

    Their final inspection is done and not reported, and something is open or a danger not verified; where
    they may be reported, neither is, and `why` is empty. `job_number` and `final_on` are of the job or jobs
    (joined by ;) whose final is not reported. `why` gives one reason after the other, joined by ;: what is
    open and which safety-critical checks were not verified.
    """
    demand_known(viewer, snapshot, filters)
    condition, params = where(viewer, filters, checks=None)
    which = "may_be_reported" if clear else "hold_before_reporting"
    rows = snapshot.arrow(
        f"""
        WITH held AS (
            SELECT h.* FROM homes AS h WHERE h.{which} AND {condition}),
        visits AS (
            SELECT r.agency, r.home_id, coalesce(r.job_number, '') AS job,
                   max(r.inspected_on) FILTER (r.inspection_kind = 'final') AS final_on,
                   count(r.reported_on) AS reported
            FROM readings AS r
            SEMI JOIN held ON held.agency = r.agency AND held.home_id = r.home_id
            GROUP BY ALL),
        units AS (
            SELECT agency, home_id, string_agg(nullif(job, ''), '; ' ORDER BY job) AS job_number,
                   max(final_on) AS final_on
            FROM visits
            WHERE reported = 0 AND final_on IS NOT NULL
            GROUP BY ALL),
        {_why()}
        SELECT h.agency, h.home_id, units.job_number, h.region, h.crew, units.final_on, h.last_inspected_on,
               h.risk, h.open_deficiencies, h.safety_not_verified,
               joined.why, h.headline
        FROM held AS h
        LEFT JOIN units ON units.agency = h.agency AND units.home_id = h.home_id
        LEFT JOIN joined ON joined.agency = h.agency AND joined.home_id = h.home_id
        ORDER BY list_position({list(LEVELS)}, h.risk) NULLS LAST, units.final_on, h.agency, h.home_id""",
        params,
    )
    name = "may be reported" if clear else "hold"
    return Sheet(name.replace(" ", "-"), rows, about(name, snapshot, as_of, filters))


def why_held(snapshot: Snapshot, held: pd.DataFrame) -> pd.DataFrame:
    """What holds back some homes that the viewer may see (agency, home_id): a frame of these and `why`."""
    return snapshot.query(
        f"WITH {_why()} SELECT agency, home_id, why FROM joined", held=held[["agency", "home_id"]]
    )


def not_loaded(viewer: Viewer, snapshot: Snapshot, export_id: int, as_of: date | None = None) -> Sheet:
    """Everything of one export that was not used as read, in the order of the file.

    Personal texts and whole rows stay out for viewers who may not see them; of a file with rows of several
    agencies a viewer of some sees cells of their rows and the columns, since a row not loaded may be
    anybody's. ListError where there is no such export, or nothing of it that the viewer may see.
    """
    found = snapshot.rows("SELECT file_name, agency FROM exports WHERE export_id = ?", [export_id])
    sees, params = "true", list[str]()
    if found and viewer.agencies is not None and folded(found[0][1]) not in map(folded, viewer.agencies):
        condition, params = where(Viewer(viewer.agencies), Filters(), homes="r")
        lines = f"""
            SELECT r.source_line
            FROM received_rows AS r
            WHERE r.export_id = {int(export_id)} AND {condition}"""
        sees = f"(extent = 'column' OR (extent = 'cell' AND source_line IN ({lines})))"
        found = found if snapshot.rows(f"{lines} LIMIT 1", params) else []
    if not found:
        raise ListError(f"no export {export_id} among those received")
    raw_text = "raw_text"
    if not viewer.personal:
        personal = f"extent = 'row' OR field IN ({', '.join(map(quoted, PERSONAL))})"
        raw_text = f"CASE WHEN {personal} THEN NULL ELSE raw_text END AS raw_text"
    rows = snapshot.arrow(
        f"""
        SELECT source_line, extent, heading, field, {raw_text}, reason, expected
        FROM not_loaded
        WHERE export_id = ? AND {sees}
        ORDER BY source_line, list_position(['column', 'row', 'cell'], extent), heading, field, reason,
                 raw_text""",
        [export_id, *params],
    )
    day = as_of or _received_until(snapshot).date()
    return Sheet(
        f"not-loaded-{export_id}",
        rows,
        about("not loaded", snapshot, day, Filters()) | {"file": found[0][0]},
    )


# ---- what a list rests on


def about(name: str, snapshot: Snapshot, as_of: date, filters: Filters) -> dict:
    """What a list rests on; a pure function of snapshot, day and filters."""
    inputs = snapshot.rows("SELECT inputs FROM runs")[0][0]
    return {
        "list": name,
        "snapshot": snapshot.name,
        "received_until": _received_until(snapshot).isoformat() + "Z",
        "as_of": as_of.isoformat(),
        "filters": filters.stated,
        "policy": json.loads(inputs)["policy"],
        "cautions": list(CAUTIONS),
    }


def _received_until(snapshot: Snapshot) -> datetime:
    """When the newest export of the snapshot was received, in UTC.

    A file of the list carries it as its time, so that it is the same however often the list is made.
    """
    text = snapshot.rows("SELECT max(received_at) FROM exports")[0][0]
    return datetime.fromisoformat(text.removesuffix("Z")) if text else datetime(1980, 1, 1)


# ---- SQL of columns


def _why() -> str:
    """SQL of tables, the last `joined`, with one row a home of `held`: its reasons, joined by ;.

    What is open comes first, the graver before the older. Where a home has several systems each reason names
    its own.
    """
    return f"""
        looked_at AS (
            SELECT c.agency, c.home_id, c.system_id
            FROM recomputed AS c
            SEMI JOIN held ON held.agency = c.agency AND held.home_id = c.home_id
            GROUP BY ALL
            HAVING bool_or(c.assessed)),
        systems AS (
            SELECT c.*,
                   CASE
                       WHEN count(*) OVER (PARTITION BY c.agency, c.home_id) > 1
                       THEN concat(' (system ', coalesce(nullif(c.system_id, ''), 'without id'), ')')
                       ELSE ''
                   END AS which
            FROM state_columns AS c
            SEMI JOIN held ON held.agency = c.agency AND held.home_id = c.home_id),
        found AS (
            SELECT s.agency, s.home_id,
                   string_agg('open' || s.which || ': ' || {of_checks.title("o.check_id", "o.check_id")}, '; '
                              ORDER BY list_position({list(LEVELS)}, o.risk), o.since, o.system_id,
                                       {of_checks.position("o.check_id")}) AS opened
            FROM opened AS o
            JOIN systems AS s
                ON s.agency = o.agency AND s.home_id = o.home_id AND s.system_id = o.system_id
            GROUP BY s.agency, s.home_id),
        named AS (
            SELECT s.agency, s.home_id, s.system_id,
                   CASE
                       WHEN l.agency IS NOT NULL
                       THEN {_not_verified()}
                   END AS lacking,
                   CASE WHEN s.heating_in_doubt THEN {quoted(IN_DOUBT)} END AS doubt
            FROM systems AS s
            LEFT JOIN looked_at AS l
                ON l.agency = s.agency AND l.home_id = s.home_id AND l.system_id = s.system_id),
        joined AS (
            SELECT n.agency, n.home_id,
                   concat_ws('; ',
                             max(f.opened),
                             string_agg(nullif(n.lacking, ''), '; ' ORDER BY n.system_id),
                             max(n.doubt)) AS why
            FROM named AS n
            LEFT JOIN found AS f ON f.agency = n.agency AND f.home_id = n.home_id
            GROUP BY ALL)"""


def _not_verified() -> str:
    """SQL for the safety-critical checks that the states of `s` leave not verified, joined by ;."""

    def lacking(check: Check) -> str:
        code = coded(check.id, "s")
        return f"{piece(code, 'state')} = {NOT_VERIFIED} AND {piece(code, 'uncounted')} = 0"

    texts = (
        f"CASE WHEN {lacking(check)} THEN 'not verified' || s.which || {quoted(f': {check.name}')} END"
        for check in SAFETY_CHECKS
    )
    return f"concat_ws('; ', {', '.join(texts)})"


# ---- columns that mappings carry


def _carried_headings(viewer: Viewer, snapshot: Snapshot) -> list[tuple[str, str]]:
    """(heading, column name) of what mappings carry for the viewer's agencies, by export and mapping."""
    sees, params = where(Viewer(viewer.agencies), Filters(), homes="r")
    found = snapshot.rows(
        f"""
        SELECT json_keys(arg_min(carried, source_line))
        FROM received_rows AS r
        WHERE carried IS NOT NULL AND {sees}
        GROUP BY export_id
        ORDER BY export_id""",
        params,
    )
    taken = {folded(name) for name in (*FLAGGED, *WAY_BACK, HOME_RISK)}
    carried = []
    for heading in dict.fromkeys(heading for (headings,) in found for heading in headings):
        name = heading
        while folded(name) in taken:
            name += " (own)"
        taken.add(folded(name))
        carried.append((heading, name))
    return carried


def _pointer(heading: str) -> str:
    """JSON pointer to a key."""
    return "/" + heading.replace("~", "~0").replace("/", "~1")


def _name(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'
