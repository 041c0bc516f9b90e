"""Which row of an inspection is in force, branch by branch and against the rule in plain Python."""

from datetime import datetime, timedelta

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.fleet import publishing
from pipelines.snapshot import precedence, tables
from pipelines.snapshot.precedence import SAYS_TWO_THINGS
from pipelines.snapshot.tables import IN_FORCE, REPEATED, SUPERSEDED, TWO_THINGS
from tests.inspections import SOUND, snapshot_of

WORDS = {
    IN_FORCE: "in force",
    SUPERSEDED: "superseded",
    REPEATED: "repeated",
    TWO_THINGS: "two things",
}
START = datetime(2026, 1, 1)


@pytest.fixture(scope="module")
def connection():
    with publishing.scratch() as draft:
        opened = draft.connect()
        tables.create(opened)
        yield opened


def settled(connection, rows):
    """Row status of each row, lines as they come, and the lines not loaded.

    A row is (agency, inspection, export, hour of updated_at or None, content).
    """
    connection.execute("DELETE FROM received_rows; DELETE FROM not_loaded")
    columns = list(zip(*rows, strict=True))
    table = pa.table(
        {
            "agency": pa.array(columns[0]),
            "inspection_id": pa.array(columns[1]),
            "export_id": pa.array(columns[2], pa.int32()),
            "updated_at": pa.array(
                [None if hour is None else START + timedelta(hours=hour) for hour in columns[3]],
                pa.timestamp("us"),
            ),
            "cold_pressure_psig": pa.array(columns[4], pa.float64()),
            "source_line": pa.array(range(len(rows)), pa.int64()),
            "standing": pa.array([IN_FORCE] * len(rows), pa.uint8()),
        }
    )
    connection.register("given_rows", table)
    connection.execute("INSERT INTO received_rows BY NAME SELECT * FROM given_rows")
    connection.unregister("given_rows")
    precedence.settle(connection)
    row_status = [
        WORDS[code]
        for (code,) in connection.execute(
            "SELECT standing FROM received_rows ORDER BY source_line"
        ).fetchall()
    ]
    refused = sorted(
        line
        for (line,) in connection.execute(
            "SELECT source_line FROM not_loaded WHERE extent = 'row'"
        ).fetchall()
    )
    return row_status, refused


def of_one(connection, *rows):
    """Standing of rows (export, hour, content) of one inspection."""
    return settled(connection, [("a", "1", *row) for row in rows])[0]


A, B, C = 11, 22, 33


@pytest.mark.parametrize(
    "rows, row_status",
    [
        ([(1, None, A)], ["in force"]),
        # not all say when they were updated: the later file
        ([(1, None, A), (2, None, B)], ["superseded", "in force"]),
        ([(1, 9, A), (2, None, B)], ["superseded", "in force"]),
        ([(1, None, A), (2, 9, B)], ["superseded", "in force"]),
        # all do: the latest, whatever the file
        ([(1, 9, A), (2, 5, B)], ["in force", "superseded"]),
        ([(1, 5, A), (2, 9, B)], ["superseded", "in force"]),
        ([(1, 9, A), (2, 9, B)], ["superseded", "in force"]),  # a tie goes to the later file
        # in force is the first row that had the winner's content
        ([(1, None, A), (2, None, A)], ["in force", "repeated"]),
        ([(1, None, A), (2, None, B), (3, None, A)], ["in force", "superseded", "repeated"]),
        ([(1, 3, A), (2, 9, B), (3, 5, A)], ["superseded", "in force", "superseded"]),
        ([(1, 3, A), (2, 5, B), (3, 9, A)], ["in force", "superseded", "repeated"]),
        # within one file
        ([(1, None, A), (1, None, A)], ["in force", "repeated"]),
        ([(1, 3, A), (1, 9, B)], ["superseded", "in force"]),
        ([(1, 9, A), (1, 3, B)], ["in force", "superseded"]),
        ([(1, None, A), (1, None, B)], ["two things", "two things"]),
        ([(1, 3, A), (1, None, B)], ["two things", "two things"]),
        ([(1, 3, A), (1, 3, B)], ["two things", "two things"]),
        ([(1, 3, A), (1, 3, A), (1, 9, B)], ["two things", "two things", "two things"]),
        # what was in force stays where a later file contradicts itself
        ([(1, None, A), (2, None, B), (2, None, C)], ["in force", "two things", "two things"]),
        (
            [(1, None, A), (2, None, B), (2, None, C), (3, None, C)],
            ["superseded", "two things", "two things", "in force"],
        ),
        # a file that contradicts itself without times does not stop the others from being compared by theirs
        (
            [(1, 9, A), (2, 5, B), (3, None, B), (3, None, C)],
            ["in force", "superseded", "two things", "two things"],
        ),
        # two times in one file and none in another: the later file, and its own later time
        ([(1, None, A), (2, 9, B), (2, 3, C)], ["superseded", "in force", "superseded"]),
    ],
)
def test_every_branch(connection, rows, row_status):
    assert of_one(connection, *rows) == row_status


def test_agencies_and_inspections_do_not_meet(connection):
    rows = [("a", "1", 1, None, A), ("b", "1", 2, None, B), ("a", "2", 3, None, C)]
    assert settled(connection, rows) == (["in force"] * 3, [])


def test_two_things_are_not_loaded(connection):
    row_status, refused = settled(
        connection,
        [("a", "1", 1, None, A), ("a", "1", 2, None, B), ("a", "1", 2, None, C), ("a", "2", 2, None, C)],
    )
    assert row_status == ["in force", "two things", "two things", "in force"] and refused == [1, 2]


def plainly(rows):
    """The rule for the rows of one inspection, in the order of their lines."""
    row_status = [None] * len(rows)
    for export in {row[0] for row in rows}:
        own = [at for at, row in enumerate(rows) if row[0] == export]
        times = [rows[at][1] for at in own]
        if len({rows[at][2] for at in own}) > 1 and (None in times or len(set(times)) < len(times)):
            for at in own:
                row_status[at] = "two things"
    usable = [at for at in range(len(rows)) if row_status[at] is None]
    if usable:
        timed = all(rows[at][1] is not None for at in usable)
        latest = max(
            usable,
            key=lambda at: (
                (rows[at][1] if timed else 0),
                rows[at][0],
                -1 if rows[at][1] is None else rows[at][1],
                -at,
            ),
        )
        alike = [at for at in usable if rows[at][2] == rows[latest][2]]
        first = min(alike, key=lambda at: (rows[at][0], at))
        for at in usable:
            row_status[at] = "in force" if at == first else "repeated" if at in alike else "superseded"
    return row_status


ROW = st.tuples(st.integers(1, 4), st.one_of(st.none(), st.integers(0, 3)), st.sampled_from((A, B, C)))


@pytest.mark.slow
@given(
    st.lists(
        st.tuples(st.sampled_from(("a", "b")), st.sampled_from(("1", "2")), ROW), min_size=1, max_size=14
    ),
    st.booleans(),
)
@settings(max_examples=250)
def test_against_the_rule_in_plain_python(connection, given_rows, timed):
    rows = [
        (agency, ident, export, hour if not timed or hour is not None else 0, content)
        for agency, ident, (export, hour, content) in given_rows
    ]
    row_status, refused = settled(connection, rows)
    for key in {row[:2] for row in rows}:
        own = [at for at, row in enumerate(rows) if row[:2] == key]
        assert [row_status[at] for at in own] == plainly([rows[at][2:] for at in own])
    assert refused == [at for at, said in enumerate(row_status) if said == "two things"]


def test_absence_withdraws_nothing_and_the_counts_add_up(tmp_path):
    one, two = (
        SOUND | dict(agency="A", inspection_id=name, home_id=name, inspected_on="2026-01-05") for name in "12"
    )
    found = snapshot_of(
        tmp_path,
        [one, two],
        [one | dict(leaks_seen="weeping")],
        [two, two | dict(leaks_seen="weeping")],
        [one],
    )
    assert dict(found.rows("SELECT inspection_id, leaks_seen FROM readings")) == {"1": "none", "2": "none"}
    counts = found.rows(
        """
        SELECT rows_read, rows_kept, rows_repeated, rows_superseded, rows_not_loaded FROM exports
        ORDER BY export_id
        """
    )
    assert counts == [(2, 2, 0, 0, 0), (1, 0, 0, 1, 0), (2, 0, 0, 0, 2), (1, 0, 1, 0, 0)]
    assert found.rows("SELECT DISTINCT reason, extent FROM not_loaded") == [(SAYS_TWO_THINGS, "row")]
