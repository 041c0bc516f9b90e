"""What became of files, in words: loaded, kept out, not loaded, and which checks each can answer."""

from collections import Counter
from dataclasses import dataclass

from pipelines.snapshot.tables import IN_FORCE, SUPERSEDED

COUNTS = """
    SELECT export_id, sha256, rows_read, rows_kept, rows_not_loaded, rows_repeated, rows_superseded
    FROM exports
    WHERE export_id = ?
"""
# What the rows in force of an export came to: new inspections and changed ones, and what they opened,
# corrected and hold back today.
BROUGHT = f"""
    WITH own AS (
        SELECT agency, inspection_id, home_id
        FROM received_rows
        WHERE export_id = $export AND standing = {IN_FORCE}),
    before AS (
        SELECT DISTINCT agency, inspection_id
        FROM received_rows
        WHERE export_id <> $export AND standing = {SUPERSEDED})
    SELECT (SELECT count(*) FROM own ANTI JOIN before USING (agency, inspection_id)) AS rows_new,
           (SELECT count(*) FROM own SEMI JOIN before USING (agency, inspection_id)) AS rows_changed,
           (SELECT count(*) FROM opened WHERE found_in = $export) AS newly_open,
           (SELECT count(*) FROM opened WHERE found_in = $export AND risk = 'act today') AS act_today,
           (SELECT count(*)
            FROM home_checks AS c
            SEMI JOIN own ON own.agency = c.agency AND own.inspection_id = c.inspection_id
            WHERE c.state = 'corrected') AS corrected,
           (SELECT count(*)
            FROM homes AS h
            SEMI JOIN own ON own.agency = h.agency AND own.home_id = h.home_id
            WHERE h.hold_before_reporting) AS to_hold
"""
NOT_LOADED = """
    SELECT extent,
           reason,
           heading,
           count(*) AS entries,
           min(source_line) AS line,
           arg_min(raw_text, source_line) AS text,
           arg_min(expected, source_line) AS expected
    FROM not_loaded
    WHERE export_id = ?
    GROUP BY extent, reason, heading
    ORDER BY entries DESC, line
"""
ANSWERED = """
    SELECT check_id,
           sum(inspections) FILTER (outcome IN ('ok', 'deficient')) > 0 AS answered,
           max(reason_field) FILTER (outcome = 'not verified' AND filled = 0) AS lacking
    FROM export_checks
    LEFT JOIN export_fields
           ON export_fields.export_id = export_checks.export_id
          AND export_fields.field = export_checks.reason_field
    WHERE export_checks.export_id = ?
    GROUP BY check_id
    ORDER BY check_id
"""


def reports(fleet, snapshot, arrivals):
    """What became of each file of a load, as dictionaries.

    Its row of `exports`, what was dropped and not loaded, what it can answer.
    """
    ids = {one.sha256_received: one.export_id for one in fleet.received()}
    out = []
    for arrival in arrivals:
        row = {
            "file_name": arrival.file_name,
            "status": arrival.status,
            "reason": arrival.why,
            "mapping": arrival.mapping,
            "agency": arrival.agency,
            "dropped": [{"heading": heading, "why": why} for heading, why in arrival.dropped],
            "remarks": list(arrival.remarks),
        }
        if arrival.status != "kept out" and snapshot is not None:
            export_id = ids[arrival.sha256_received]
            counts = snapshot.query(COUNTS, [export_id])
            row |= {
                name: value if isinstance(value, str) else int(value)
                for name, value in counts.iloc[0].items()
            }
            brought = snapshot.query(BROUGHT, {"export": export_id}).iloc[0]
            row |= {name: int(value) for name, value in brought.items()}
            row |= not_loaded_summary(snapshot.rows, export_id)
            row["answers"] = answers(snapshot, export_id).sentence()
        out.append(row)
    return out


def not_loaded_summary(rows_of, export_id, most=6):
    rows = rows_of(NOT_LOADED, [export_id])
    lines = [_as_line(*row) for row in rows if row[0] != "column"]
    columns = [heading for extent, _, heading, *_ in rows if extent == "column"]
    if columns:
        lines.append(
            f"{len(columns)} columns not mapped: {', '.join(columns[:8])}{' ...' if len(columns) > 8 else ''}"
        )
    more = (
        [f"... and {len(lines) - most} kinds more; see the page of files received"]
        if len(lines) > most + 1
        else []
    )
    return {
        "cells_not_loaded": sum(row[3] for row in rows if row[0] == "cell"),
        "not_loaded": lines[:most] + more if more else lines,
    }


def _as_line(extent, reason, heading, entries, line, text, expected):
    """Entries of one kind as a line, with the first of them."""
    of_heading = f", heading {heading!r}" if heading else ""
    first = f"line {line}: {(text or '')[:60]!r}; accepted: {expected}"
    return f"{entries:,} {extent}{'s' if entries > 1 else ''}{of_heading}: {reason} ({first})"


@dataclass(frozen=True)
class Answers:
    """Checks an export can answer, those it cannot for want of a column, columns that would open most."""

    can: tuple[str, ...]
    cannot: tuple[str, ...]
    columns: tuple[tuple[str, int], ...]

    def sentence(self):
        text = f"answers {len(self.can)} of {len(self.can) + len(self.cannot)} checks"
        if self.cannot:
            text += f"; for want of a column it cannot answer: {', '.join(self.cannot)}"
        if self.columns:
            columns = ", ".join(
                f"{field} ({count} {'check' if count == 1 else 'checks'})" for field, count in self.columns
            )
            text += f"; most would be opened by: {columns}"
        return text


def answers(snapshot, export_id):
    """What one export can answer, over its assessed inspections."""
    rows = snapshot.rows(ANSWERED, [export_id])
    can = tuple(check for check, answered, _ in rows if answered)
    lacking = {check: field for check, answered, field in rows if not answered and field}
    opened = Counter(lacking.values())
    return Answers(
        can, tuple(lacking), tuple(sorted(opened.items(), key=lambda pair: (-pair[1], pair[0]))[:3])
    )
