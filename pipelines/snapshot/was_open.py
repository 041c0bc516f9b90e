"""What is open in a snapshot, and what was and is no longer: all that a comparison of two of them needs."""

from collections.abc import Iterable

import pyarrow as pa

from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.codes import coded, picked, piece
from pipelines.engine.history import CORRECTED, NO_LONGER, STATES
from pipelines.fleet.folder import LogLine
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot.tables import IN_FORCE

KEY = ("agency", "home_id", "system_id", "check_id")
_CHECKS = [check.id for check in HOME_CHECKS]
_STATE = piece("codes", "state")
_LONG = f"""
    SELECT agency, home_id, system_id, visit_ids, unnest(range({len(HOME_CHECKS)})) AS position,
           unnest([{", ".join(coded(check) for check in _CHECKS)}]) AS codes
    FROM state_columns"""
_WAS_OPEN = f"""
    SELECT agency, home_id, system_id, check_id::VARCHAR AS check_id, state::VARCHAR AS state,
           stage::VARCHAR AS stage, risk::VARCHAR AS risk, since, inspection_id
    FROM opened
    UNION ALL
    SELECT agency, home_id, system_id, {picked(_CHECKS, "position")}, {picked(STATES, _STATE)},
           NULL, NULL, NULL, visit_ids[{piece("codes", "decided")}]
    FROM ({_LONG})
    WHERE {_STATE} IN ({CORRECTED}, {NO_LONGER})"""


def was_open(snapshot: Snapshot) -> pa.Table:
    """A row for each check at a system that is open, was corrected, or no longer applies.

    KEY, state, stage, risk, since (all three NULL unless open), inspection_id (the visit that decides).
    """
    return snapshot.arrow(_WAS_OPEN)


def moment(snapshot: Snapshot, log: Iterable[LogLine]) -> pa.Table:
    """The same with what says why it differs from another moment, in an order that packs well.

    `log` are the lines of received.csv that the snapshot was made from. `known` is the line of it by which
    the deciding visit was first loaded, `content` the last line of the export that says what is in force of
    it. A row for each home, its check_id NULL, has `digest`, of the rows in force of it, and `known`, the
    newest of its visits.
    """
    return snapshot.arrow(
        f"""
        WITH loaded AS (
            SELECT r.agency, r.inspection_id, r.home_id, r.export_id, r.source_line, r.standing,
                   min(l.first) OVER (PARTITION BY r.agency, r.inspection_id) AS known, l.last AS content
            FROM received_rows AS r
            JOIN lines AS l USING (export_id)),
        in_force AS (SELECT * FROM loaded WHERE standing = {IN_FORCE})
        SELECT o.*, f.known, f.content, NULL::UBIGINT AS digest
        FROM ({_WAS_OPEN}) AS o
        LEFT JOIN in_force AS f USING (agency, inspection_id)
        UNION ALL
        SELECT agency, home_id, NULL, NULL, NULL, NULL, NULL, NULL, NULL, max(known), NULL,
               bit_xor(md5_number_lower(concat(export_id, ' ', source_line)))
        FROM in_force
        GROUP BY agency, home_id
        ORDER BY agency, home_id, system_id, check_id""",
        lines=_lines(log),
    )


def _lines(log: Iterable[LogLine]) -> pa.Table:
    """Of each export: its id, the first line by which it was loaded, and the last."""
    ids: dict[str, int] = {}
    first: dict[int, int] = {}
    last: dict[int, int] = {}
    for line in log:
        export_id = ids.setdefault(line.sha256_received, line.number)
        if line.status == "loaded":
            first.setdefault(export_id, line.number)
            last[export_id] = line.number
    columns = {"export_id": list(first), "first": list(first.values()), "last": list(last.values())}
    kinds = pa.schema([(name, pa.int32()) for name in columns])
    return pa.table({name: pa.array(values, pa.int32()) for name, values in columns.items()}, schema=kinds)
