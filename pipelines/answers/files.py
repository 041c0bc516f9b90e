"""Files received: what came of each, what was not loaded, its rows to mend, and what it can answer."""

from dataclasses import dataclass
from datetime import date

import pandas as pd

from pipelines.answers.access import Filters, ListError, Viewer, where
from pipelines.engine.checks import CHECKS
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import Snapshot
from pipelines.receiving.mending import mending
from pipelines.snapshot.exports import IN_THE_FILE

PAIRS_A_PAGE = 20
MOST_OPENING = 3  # columns that would open most checks, named of each file


def _seen(viewer: Viewer, filters: Filters) -> tuple[str, list]:
    """SQL of the exports that hold rows of agencies the viewer sees and the filter names, and its parameters.

    All of them where neither narrows.
    """
    condition, params = where(viewer, Filters(agency=filters.agency), homes="h")
    if condition == "true":
        return "SELECT export_id FROM exports", []
    return (
        f"""
        SELECT export_id FROM exports AS h WHERE {condition}
        UNION
        SELECT export_id
        FROM (SELECT DISTINCT agency, export_id FROM received_rows) AS h
        WHERE {condition}""",
        [*params, *params],
    )


def exports(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> pd.DataFrame:
    """Every file received with its counts, the newest first."""
    seen, params = _seen(viewer, filters)
    return snapshot.query(
        f"""
        SELECT export_id, file_name, agency, mapping, status, reason, received_at::TIMESTAMP AS received_at,
               rows_read, rows_kept, rows_not_loaded, rows_repeated, rows_superseded, remarks,
               dropped_headings, left(sha256, 12) AS sha256
        FROM exports
        WHERE export_id IN ({seen})
        ORDER BY export_id DESC""",
        params,
    )


def called(viewer: Viewer, snapshot: Snapshot) -> dict[str, str]:
    """Loaded files by export_id, as text, the newest first, each with its name and when it came."""
    seen, params = _seen(viewer, Filters())
    rows = snapshot.rows(
        f"""
        SELECT export_id::VARCHAR, file_name || ', ' || left(received_at, 10)
        FROM exports AS e
        WHERE status = 'loaded' AND export_id IN ({seen})
        ORDER BY e.export_id DESC""",
        params,
    )
    return dict(rows)


def agencies(viewer: Viewer, snapshot: Snapshot, filters: Filters, as_of: date) -> pd.DataFrame:
    """Per agency: homes, files loaded, the newest and when it came, the newest inspection up to a day.

    `later` counts inspections dated after that day. An agency that is known by its files only is there too,
    with no home: a silent agency must not look clean.
    """
    condition, params = where(viewer, Filters(agency=filters.agency), homes="h")
    if viewer.agencies and not filters.agency:
        # An agency without a row in force is spelled as its file spells it.
        condition = f"({condition} OR lower(h.agency) IN ({', '.join('?' * len(viewer.agencies))}))"
        params = [*params, *(name.lower() for name in viewer.agencies)]
    return snapshot.query(
        f"""
        WITH of_rows AS (
            SELECT agency, export_id, max(inspected_on) FILTER (inspected_on <= ?) AS last_inspected_on,
                   count(*) FILTER (inspected_on > ?) AS later
            FROM received_rows
            GROUP BY ALL),
        of_files AS (
            SELECT coalesce(s.spelling, e.agency) AS agency,
                   CASE WHEN e.status = 'loaded' THEN e.export_id END AS export_id,
                   NULL::DATE AS last_inspected_on, 0 AS later
            FROM exports AS e
            LEFT JOIN spellings AS s ON s.field = 'agency' AND s.folded = lower(e.agency)
            WHERE e.agency NOT IN ('', ?) AND e.status <> 'purged'
                AND e.export_id NOT IN (SELECT export_id FROM of_rows)),
        files AS (
            SELECT agency, count(export_id) AS files, max(export_id) AS export_id,
                   max(last_inspected_on) AS last_inspected_on, sum(later)::BIGINT AS later
            FROM (SELECT * FROM of_rows UNION ALL SELECT * FROM of_files)
            GROUP BY agency),
        counted AS (
            SELECT agency, count(*) AS homes, count(*) FILTER (assessed) AS assessed
            FROM homes
            GROUP BY agency)
        SELECT *
        FROM (
            SELECT h.agency, coalesce(counted.homes, 0) AS homes, coalesce(counted.assessed, 0) AS assessed,
                   h.files, e.file_name, e.received_at::TIMESTAMP AS received_at, h.last_inspected_on, h.later
            FROM files AS h
            LEFT JOIN counted USING (agency)
            LEFT JOIN exports AS e ON e.export_id = h.export_id
            WHERE {condition})
        ORDER BY lower(agency)""",
        [as_of, as_of, IN_THE_FILE, *params],
    )


# ---- what was not loaded


def not_loaded(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, export_id: int | None = None
) -> pd.DataFrame:
    """What was not used as read, per file (or of one), extent and reason, with its first line.

    `again` of the `times` an earlier file held as well: the same cell of the same inspection, or the same row
    or column of the same agency, as exports that only ever grow send them each time.
    """
    seen, params = _seen(viewer, filters)
    return snapshot.query(
        f"""
        WITH told AS (
            SELECT n.export_id, e.file_name, n.extent, n.reason, n.heading, n.source_line,
                   row_number() OVER (
                       PARTITION BY n.export_id, r.inspection_id, coalesce(r.agency, e.agency), n.extent,
                           n.reason, n.heading, n.raw_text) AS nth,
                   coalesce(r.agency, e.agency) AS of_agency, r.inspection_id, n.raw_text
            FROM not_loaded AS n
            JOIN exports AS e USING (export_id)
            LEFT JOIN received_rows AS r
                ON n.extent = 'cell' AND r.export_id = n.export_id AND r.source_line = n.source_line
            WHERE n.export_id IN ({seen})),
        dated AS (
            SELECT *,
                   min(export_id) OVER (
                       PARTITION BY of_agency, inspection_id, extent, reason, heading, raw_text, nth)
                   < export_id AS earlier
            FROM told)
        SELECT *
        FROM (
            SELECT export_id, file_name, extent, reason, count(*) AS times,
                   count(*) FILTER (earlier) AS again, min(source_line) AS first_line,
                   string_agg(DISTINCT nullif(heading, ''), ', ' ORDER BY nullif(heading, '')) AS headings
            FROM dated
            WHERE export_id = ? OR ?
            GROUP BY ALL)
        ORDER BY export_id DESC, list_position(['row', 'cell', 'column'], extent), times DESC, reason""",
        [*params, export_id, export_id is None],
    )


def to_mend(viewer: Viewer, snapshot: Snapshot) -> list[int]:
    """Ids of the files with rows to mend that the viewer may take along.

    That is who may see personal fields and every agency in the file.
    """
    if not viewer.personal:
        return []
    allowed, params = where(viewer, Filters(), homes="h")
    found = snapshot.rows(
        f"""
        SELECT export_id
        FROM exports AS e
        WHERE status = 'loaded'
            AND export_id IN (SELECT export_id FROM not_loaded WHERE extent <> 'column')
            AND ({viewer.agencies is None} OR (
                export_id IN (SELECT export_id FROM received_rows)
                AND NOT EXISTS (
                    FROM received_rows AS h WHERE h.export_id = e.export_id AND NOT ({allowed}))
                AND agency <> ?))
        ORDER BY export_id""",
        [*params, IN_THE_FILE],
    )
    return [export_id for (export_id,) in found]


def mended(viewer: Viewer, snapshot: Snapshot, fleet: Fleet, export_id: int) -> tuple[str, bytes]:
    """(file name, CSV) of a file's rows to mend, as receiving.mending; ListError if not for this viewer."""
    if not viewer.personal or (viewer.agencies is not None and export_id not in to_mend(viewer, snapshot)):
        raise ListError("rows to mend hold personal texts of an agency: they are for those who may see both")
    made = mending(fleet, snapshot, export_id, viewer.agencies)
    return made.file_name, made.as_csv()


# ---- ids that may be one home


def suspicions_count(viewer: Viewer, snapshot: Snapshot, filters: Filters) -> int:
    condition, params = where(viewer, Filters(agency=filters.agency), homes="h")
    return snapshot.rows(f"SELECT count(*) FROM home_suspicions AS h WHERE {condition}", params)[0][0]


def suspicions(viewer: Viewer, snapshot: Snapshot, filters: Filters, page: int) -> pd.DataFrame:
    """One page (from 1) of pairs of ids that may be one home: agency, home_id, other_home_id, why."""
    condition, params = where(viewer, Filters(agency=filters.agency), homes="h")
    return snapshot.query(
        f"""
        SELECT *
        FROM home_suspicions AS h
        WHERE {condition}
        ORDER BY lower(agency), home_id, other_home_id
        LIMIT ? OFFSET ?""",
        [*params, PAIRS_A_PAGE, PAIRS_A_PAGE * (page - 1)],
    )


# ---- what each file can answer


@dataclass(frozen=True)
class FileAnswers:
    """What one file can answer.

    `answered`, `lacking` and `other` share the checks, one row each: check_id, name, telling (inspections
    with a result that tells), not_verified, and lacking, the fields (joined by ;) no row of the file fills,
    which the check asked for first; `other` are checks that no inspection answered for other reasons.
    `opening` are the columns that most checks lack: field → how many checks.
    """

    export_id: int
    file_name: str
    checks: int
    answered: pd.DataFrame
    lacking: pd.DataFrame
    other: pd.DataFrame
    opening: dict[str, int]


def answers(
    viewer: Viewer, snapshot: Snapshot, filters: Filters, export_id: int | None = None
) -> list[FileAnswers]:
    """What each file (or one) can answer, the newest first."""
    seen, params = _seen(viewer, filters)
    found = snapshot.query(
        f"""
        WITH counted AS (
            SELECT a.export_id, a.check_id,
                   coalesce(sum(inspections) FILTER (outcome IN ('ok', 'deficient')), 0)::BIGINT AS telling,
                   coalesce(sum(inspections) FILTER (outcome = 'not verified'), 0)::BIGINT AS not_verified,
                   string_agg(DISTINCT a.reason_field, ';' ORDER BY a.reason_field) FILTER (
                       outcome = 'not verified' AND reason = 'not recorded' AND f.filled = 0) AS lacking
            FROM export_checks AS a
            LEFT JOIN export_fields AS f ON f.export_id = a.export_id AND f.field = a.reason_field
            GROUP BY ALL)
        SELECT c.export_id, e.file_name, c.check_id, k.name, c.telling, c.not_verified,
               CASE WHEN c.telling = 0 THEN coalesce(c.lacking, '') ELSE '' END AS lacking
        FROM counted AS c
        JOIN exports AS e USING (export_id)
        JOIN checks AS k USING (check_id)
        WHERE c.export_id IN ({seen}) AND (c.export_id = ? OR ?)
        ORDER BY c.export_id DESC, list_position({[check.id for check in CHECKS]}, c.check_id)""",
        [*params, export_id, export_id is None],
    )
    return [_of_file(of_file) for _, of_file in found.groupby("export_id", sort=False)]


def _of_file(found: pd.DataFrame) -> FileAnswers:
    lacking = found[found["lacking"] != ""]
    columns = lacking["lacking"].str.split(";").explode().value_counts()
    most = sorted(columns.items(), key=lambda pair: (-pair[1], pair[0]))[:MOST_OPENING]
    return FileAnswers(
        export_id=int(found["export_id"].iloc[0]),
        file_name=found["file_name"].iloc[0],
        checks=len(found),
        answered=found[found["telling"] > 0],
        lacking=lacking,
        other=found[(found["telling"] == 0) & (found["lacking"] == "")],
        opening={str(field): int(checks) for field, checks in most},
    )
