"""The fleet's table of places: what contradicts itself or cannot be read is refused with file and line."""

import pytest

from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from tests.small_exports import fed, row, run, write

HEADINGS = "agency,postal_code,region,elevation_ft,spread_ft"


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def places(fleet, *lines, encoding="utf-8"):
    fleet.places.write_bytes("\n".join([HEADINGS, *lines, ""]).encode(encoding))


@pytest.mark.parametrize(
    "lines, line, said",
    [
        ((",,Harbor,100,10", ",,HARBOR ,200,10"), 3, "'HARBOR' stands in line 2 already with 100 and 10 ft"),
        ((",00402,,100,10", ",00402,Harbor,100,20"), 3, "here with 100 and 20"),
        (("North,00402,,100,10", "south,00402,,9,1", "NORTH,00402,,200,10"), 4, "stands in line 2"),
        ((",,Harbor,nan,10",), 2, "elevation_ft lies between"),
        ((",,Harbor,100,inf",), 2, "spread_ft"),
        ((",,Harbor,100,-1",), 2, "spread_ft is not below 0"),
    ],
)
def test_a_table_that_contradicts_itself_is_refused(fleet, tmp_path, lines, line, said):
    path = write(tmp_path / "a.csv", [row(1)])
    places(fleet, *lines)
    with pytest.raises(FleetError, match=rf"places\.csv, line {line}: .*{said}"):
        fed(fleet, path)
    done = run(fleet, "rebuild")
    assert done.exit_code == 1 and f"places.csv, line {line}: " in done.stderr and not fleet.snapshots()


def test_what_is_said_twice_alike_or_of_one_agency_and_of_all_is_no_contradiction(fleet, tmp_path):
    places(fleet, ",,Harbor,100,10", ",,harbor,100.0,10", "Alder County,,Harbor,300,10", "Elm,,Harbor,9,1")
    path = write(tmp_path / "a.csv", [row(1, region="Harbor")])
    _, snapshot = fed(fleet, path)
    assert snapshot.rows("SELECT count(*) FROM readings") == [(1,)]


def test_a_table_in_another_encoding_is_named_with_its_line(fleet, tmp_path):
    places(fleet, ",,Harbor,100,10", ",,Höhe,100,10", encoding="cp1252")
    with pytest.raises(FleetError, match=r"places\.csv, line 3: "):
        fed(fleet, write(tmp_path / "a.csv", [row(1)]))
