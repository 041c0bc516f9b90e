"""What a file would come to if it were loaded now, held against what it does come to."""

import pytest

from pipelines.fields import PERSONAL
from pipelines.fleet.folder import Fleet
from pipelines.intake.cells import NOT_A_DATE, NOT_RECORDED
from pipelines.intake.damage import TOO_MANY
from pipelines.intake.rows import SAID_TWICE
from pipelines.receiving import door, drafts, loading, report, upload
from pipelines.receiving.upload import Upload
from pipelines.receiving.verdict import Lost, Unread
from pipelines.snapshot import stages
from pipelines.snapshot.exports import mappings_of
from pipelines.snapshot.version import attach
from tests.small_exports import fed, row, text_of, write


@pytest.fixture
def fleet(tmp_path):
    """A fleet that holds six inspections of two agencies."""
    fleet = Fleet(tmp_path / "fleet").create()
    there = [row(number, updated_at="2025-03-05") for number in range(1, 6)]
    fed(fleet, write(tmp_path / "there.csv", [*there, row(1, agency="Birch County")]))
    return fleet


def on(fleet, path, mapping="canonical", **more):
    """The verdict on a file as the door would read it."""
    arrival, _ = door.decided(fleet, path)
    chosen = next(one for one in mappings_of(fleet) if one.name == mapping)
    return loading.verdict_on(fleet, Upload.into(fleet, path, **more), chosen, arrival.agency)


def came_to(fleet, path):
    """What the report says once the file is loaded."""
    arrivals = door.load(fleet, [path])
    return report.reports(fleet, attach(stages.build(fleet)), arrivals)[0]


MIXED = [
    row(1, updated_at="2025-03-05"),  # said again
    row(2, updated_at="2025-03-06", cold="14"),  # changed
    row(3, updated_at="2025-03-01", cold="15"),  # older than what is there
    row(1, agency="birch  COUNTY", updated_at=""),  # said again, the agency written another way
    row(1, agency="Cedar County", updated_at=""),  # the same id of another agency
    row(7, updated_at="", heating="hydronik"),
    row(8, updated_at="", heating="Hydronik", cold="twelve"),
    row(9, day="soon", updated_at="", heating="hydronik"),
    row(10, home=" ", updated_at=""),
    row(11, cold="11", updated_at=""),
    row(11, cold="12", updated_at=""),
    row("", updated_at=""),
    "Alder County,12,H-12,2025-03-04,initial,hot_water,12,,2025-03-04,,,one more",
]


def test_a_verdict_is_what_the_load_comes_to(fleet, tmp_path):
    path = write(tmp_path / "mixed.csv", MIXED)
    found = on(fleet, path)
    assert (found.new, found.changed, found.repeated, found.older, found.not_loaded) == (3, 1, 2, 1, 6)
    assert found.whole and found.rows == len(MIXED) and not found.hopeless and not found.doubtful
    came = came_to(fleet, path)
    assert (came["rows_new"], came["rows_changed"]) == (found.new, found.changed)
    assert (came["rows_repeated"], came["rows_superseded"], came["rows_not_loaded"]) == (2, 1, 6)


def test_a_verdict_names_why_rows_will_not_load_and_where_the_first_stands(fleet, tmp_path):
    found = on(fleet, write(tmp_path / "mixed.csv", MIXED))
    assert set(found.lost) == {
        Lost("", SAID_TWICE, 2, 11),
        Lost("inspected_on", NOT_A_DATE, 1, 9),
        Lost("home_id", NOT_RECORDED, 1, 10),
        Lost("inspection_id", NOT_RECORDED, 1, 13),
        Lost("", TOO_MANY, 1, 14),
    }
    assert found.lost[0].times == 2 and [one.line for one in found.lost[1:]] == [9, 10, 13, 14]


def test_texts_that_mean_nothing_are_counted_with_the_cells_they_cost(fleet, tmp_path):
    path = write(tmp_path / "mixed.csv", MIXED)
    assert on(fleet, path).unread == (Unread("heating_system", "hydronik", 2),)  # the third cell has no row
    assert "heating_system" not in PERSONAL
    elderly = write(tmp_path / "flags.csv", [row(20, elderly="perhaps")])
    assert on(fleet, elderly).unread == (Unread("elderly", "perhaps", 1),)
    assert on(fleet, elderly, shows_personal=False).unread == ()


def test_nothing_usable_is_hopeless_and_little_is_doubtful(fleet, tmp_path, monkeypatch):
    bad = [row(number, day="soon") for number in range(20, 26)]
    none = on(fleet, write(tmp_path / "none.csv", bad))
    assert none.hopeless and none.doubtful and none.usable == 0
    some = on(fleet, write(tmp_path / "some.csv", [*bad, row(1, updated_at="2025-03-05")]))
    assert some.doubtful and not some.hopeless and some.usable == some.repeated == 1
    half = on(fleet, write(tmp_path / "half.csv", [*bad[:2], row(30), row(31)]))
    assert not half.doubtful
    monkeypatch.setattr(upload, "ROWS", 3)
    part = on(fleet, write(tmp_path / "part.csv", bad))
    assert not part.whole and part.rows == 3 and part.doubtful and not part.hopeless


def test_bytes_that_are_there_already_are_not_held_against_themselves(fleet, tmp_path):
    """Read with another mapping they take the place of what came of them."""
    path = tmp_path / "three.csv"
    path.write_text("Visit,House,Day\n50,H,2025-03-04\n51,H,2025-03-05\n")
    columns = "".join(
        f"[columns.{heading}]\nfield = '{field}'\n"
        for heading, field in (("Visit", "inspection_id"), ("House", "home_id"), ("Day", "inspected_on"))
    )
    drafts.save_mapping(fleet, "one", "agency = 'Alder County'\n" + columns)
    fed(fleet, path)
    assert on(fleet, path, "one").new == 2
    again = write(tmp_path / "again.csv", [row(50, home="H", kind="", heating="", cold="")])
    assert on(fleet, again).repeated == 1


def test_a_fleet_of_nothing_finds_everything_new(tmp_path):
    found = on(Fleet(tmp_path / "new").create(), write(tmp_path / "a.csv", [row(1), row(2), row(2)]))
    assert (found.new, found.repeated, found.lost) == (2, 1, ())


def test_a_row_without_an_agency_in_a_column_of_agencies_is_lost(fleet, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(text_of([row(60), row(61, agency="")]))
    (lost,) = on(fleet, path).lost
    assert (lost.field, lost.reason, lost.line) == ("agency", "not recorded", 3)
