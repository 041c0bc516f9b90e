"""What was judged beside what was recorded: matched whatever the hashes, systems and jobs numbered."""

import duckdb
import numpy as np
import pytest

from pipelines.audit.side_by_side import SideBySide, numbered

# Visits in the order of systems, job J-1 at two of them and, at the second, in two places.
VISITS = [
    ("Alder County", "v1", "H1", "", "J-1"),
    ("Alder County", "v2", "H1", "", None),
    ("Alder County", "v3", "H2", "", "J-1"),
    ("Alder County", "v4", "H2", "", "J-2"),
    ("Alder County", "v5", "H2", "", "J-1"),
    ("Birch Valley", "v1", "H2", "", "J-1"),
]


@pytest.fixture
def connection():
    with duckdb.connect() as connection:
        connection.execute("""
            CREATE TABLE judged (
                agency VARCHAR, inspection_id VARCHAR, home_id VARCHAR, system_id VARCHAR, job_number VARCHAR)
        """)
        connection.executemany("INSERT INTO judged VALUES (?, ?, ?, ?, ?)", VISITS)
        connection.execute("""
            CREATE TABLE made AS
            SELECT agency, inspection_id, agency || inspection_id AS text FROM judged ORDER BY 3 DESC
        """)
        yield connection


@pytest.mark.parametrize("alike", [False, True], ids=["hashes differ", "all hashes are one"])
def test_each_visit_stands_beside_its_own_readings(connection, alike):
    if alike:
        connection.execute("CREATE MACRO hash(agency, id) AS 7::UBIGINT")
    both = SideBySide(connection, "made")
    texts = both.recorded(["text"]).column("text").to_pylist()
    assert texts == [agency + visit for agency, visit, *_ in VISITS]


def test_systems_and_jobs_of_a_system_are_numbered(connection):
    both = SideBySide(connection, "made")
    names, job = both.jobs
    assert both.system.tolist() == [0, 0, 1, 1, 1, 2]
    assert names.to_pylist() == ["J-1", "", "J-1", "J-2", "J-1", "J-1"]
    assert job.tolist() == [0, 1, 2, 3, 2, 5]


@pytest.mark.parametrize("codes", [[], [0, 0, 3, 9], [4, 1, 1, 7, 0], [10**12, 3, 3, 10**9]])
def test_numbers_in_order_close_together_and_far_apart(codes):
    distinct, position = numbered(np.array(codes, np.int64))
    assert distinct.tolist() == sorted(set(codes))
    assert distinct[position].tolist() == codes
