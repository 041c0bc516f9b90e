"""The same home under two spellings of its id is offered, never merged."""

import pyarrow as pa
import pytest

from pipelines.fleet import publishing
from pipelines.fleet.folder import Fleet
from pipelines.snapshot.suspicions import home_suspicions
from tests.small_exports import fed, row, write


def suspected(*homes):
    """(home_id, other_home_id, why) over homes of one agency, or pairs (agency, home)."""
    pairs = [home if isinstance(home, tuple) else ("A", home) for home in homes]
    with publishing.scratch() as draft:
        connection = draft.connect()
        connection.register(
            "given",
            pa.table({"agency": [agency for agency, _ in pairs], "home_id": [home for _, home in pairs]}),
        )
        connection.execute("CREATE TABLE homes AS SELECT * FROM given")
        home_suspicions(connection)
        return connection.execute(
            "SELECT home_id, other_home_id, why FROM home_suspicions ORDER BY ALL"
        ).fetchall()


@pytest.mark.parametrize(
    "one, other, why",
    [
        ("H12", "h12", "capitals"),
        ("H 12", "H12", "blanks"),
        ("H-12", "H12", "punctuation"),
        ("0012", "12", "leading zeros"),
        ("H-0012", "H-12", "leading zeros"),
        ("H 12", "h-0012", "capitals, blanks, punctuation, leading zeros"),
        ("2024-0012", "2024-12", "leading zeros"),
        ("20240012", "2024-0012", "punctuation"),
        ("É-1", "é1", "capitals, punctuation"),
        ("0", "000", "leading zeros"),
        ("A.B", "AB", "punctuation"),
        ("1\u00a02", "1 2", "blanks"),
    ],
)
def test_spellings_of_one_id(one, other, why):
    first, second = sorted((one, other))
    assert suspected(one, other) == [(first, second, f"ids differ only in {why}")]
    assert suspected(other, "another", one) == [(first, second, f"ids differ only in {why}")]


@pytest.mark.parametrize(
    "one, other",
    [
        ("12", "120"),
        ("1-23", "12-3"),
        ("10", "100"),
        ("A1", "B1"),
        ("1A", "A1"),
        ("H-1", "H-10"),
        ("---", "***"),
        ("10", "1"),
        ("1.5", "15 5"),
        ("É1", "E1"),
    ],
)
def test_ids_that_are_others(one, other):
    assert suspected(one, other) == []


def test_agencies_never_meet():
    assert suspected(("A", "H12"), ("B", "h12")) == []


def test_several_spellings_stand_beside_the_first_once_each():
    found = suspected("H12", "h12", "H-12", "H 12", "h-012")
    assert [pair[:2] for pair in found] == [("H 12", other) for other in ("H-12", "H12", "h-012", "h12")]
    parted = suspected("123", "1-23", "12-3")
    assert [pair[:2] for pair in parted] == [("1-23", "123"), ("12-3", "123")]


def test_they_are_in_the_snapshot_and_homes_stay_apart(tmp_path):
    fleet = Fleet(tmp_path / "fleet").create()
    _, snapshot = fed(
        fleet, write(tmp_path / "a.csv", [row(1, home="H-0012"), row(2, home="h12"), row(3, home="H-13")])
    )
    assert snapshot.rows("SELECT agency, home_id, other_home_id FROM home_suspicions") == [
        ("Alder County", "H-0012", "h12")
    ]
    assert snapshot.rows("SELECT count(*) FROM homes") == [(3,)]
    _, snapshot = fed(fleet, write(tmp_path / "b.csv", [row(4, home="h 13")]))
    assert snapshot.rows("SELECT home_id, other_home_id FROM home_suspicions ORDER BY 1") == [
        ("H-0012", "h12"),
        ("H-13", "h 13"),
    ]
