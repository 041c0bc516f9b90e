"""Which row of an inspection is in force, where several files (or one) speak of it.

All usable rows of one agency and inspection id compete at once. If all say when they were updated, the latest
wins, ties to the later file; otherwise the later file. In force is the earliest received row with the
winner's content; others with that content are repeated, the rest superseded. A file that says two things
about one inspection, unless every one of its rows has an update time of its own, says nothing about it.
"""

from pipelines.engine.codes import FIELD_NAMES
from pipelines.snapshot.tables import IN_FORCE, REPEATED, SUPERSEDED, TWO_THINGS

CONTENT = f"hash({', '.join(name for name in FIELD_NAMES if name != 'updated_at')})"
SAYS_TWO_THINGS = "this file says two things about one inspection"
EXPECTED = "one row for an inspection, or an updated_at of its own in each"


def settle(connection, only=None, exports=None):
    """Write the row status (`standing`) of every row of received_rows, and what is not loaded for it.

    Where nothing has changed outside some inspections, `only` names a table of their (agency, inspection_id),
    and `exports` the export ids that are new: what is not loaded of older ones stands already.
    """
    _contested(connection, only)
    connection.execute(
        """
        CREATE OR REPLACE TEMP TABLE settled AS
        WITH spoken AS (
            SELECT agency, inspection_id, export_id,
                   count(DISTINCT content) > 1 AND count(DISTINCT updated_at) < count(*) AS two_things
            FROM contested
            GROUP BY ALL),
        usable AS (
            SELECT contested.* FROM contested JOIN spoken USING (agency, inspection_id, export_id)
            WHERE NOT two_things),
        timed AS (
            SELECT agency, inspection_id, count(updated_at) = count(*) AS all_timed FROM usable
            GROUP BY ALL),
        ranked AS (
            SELECT row, agency, inspection_id, export_id, source_line, content,
                   row_number() OVER (
                       PARTITION BY agency, inspection_id
                       ORDER BY CASE WHEN all_timed THEN updated_at END DESC NULLS LAST, export_id DESC,
                                updated_at DESC NULLS LAST, source_line) AS rank
            FROM usable JOIN timed USING (agency, inspection_id)),
        winners AS (SELECT agency, inspection_id, content FROM ranked WHERE rank = 1),
        alike AS (
            SELECT row, winners.content = ranked.content AS same,
                   row_number() OVER (
                       PARTITION BY agency, inspection_id, winners.content = ranked.content
                       ORDER BY export_id, source_line) AS first
            FROM ranked JOIN winners USING (agency, inspection_id))
        SELECT row, CASE WHEN NOT same THEN $superseded
                         WHEN first = 1 THEN $in_force
                         ELSE $repeated END::UTINYINT AS standing
        FROM alike
        UNION ALL
        SELECT row, $two_things::UTINYINT
        FROM contested JOIN spoken USING (agency, inspection_id, export_id)
        WHERE two_things
        """,
        {"superseded": SUPERSEDED, "in_force": IN_FORCE, "repeated": REPEATED, "two_things": TWO_THINGS},
    )
    connection.execute("""
        UPDATE received_rows SET standing = settled.standing
        FROM settled
        WHERE received_rows.rowid = settled.row AND received_rows.standing <> settled.standing
    """)
    connection.execute(
        """
        INSERT INTO not_loaded
        SELECT export_id, source_line, '', 'inspection_id', inspection_id, $reason, $expected, 'row'
        FROM received_rows
        SEMI JOIN (SELECT row FROM settled WHERE standing = $two_things) AS refused
               ON received_rows.rowid = refused.row
        WHERE $exports IS NULL OR list_contains($exports, export_id)
        """,
        {"reason": SAYS_TWO_THINGS, "expected": EXPECTED, "two_things": TWO_THINGS, "exports": exports},
    )


def _contested(connection, only):
    """The rows of inspections of which more than one row speaks, as a table `contested`."""
    within = f"WHERE (agency, inspection_id) IN (SELECT agency, inspection_id FROM {only})" if only else ""
    connection.execute(f"""
        CREATE OR REPLACE TEMP TABLE contested AS
        SELECT rowid AS row, agency, inspection_id, export_id, source_line, updated_at, {CONTENT} AS content
        FROM received_rows
        SEMI JOIN (
            SELECT agency, inspection_id FROM received_rows {within}
            GROUP BY ALL
            HAVING count(*) > 1) AS several
        USING (agency, inspection_id)
    """)
