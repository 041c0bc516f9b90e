"""The fleet's table of crews: a recorded name counts as a crew between two days; bad lines are refused."""

import json
from datetime import date

import pytest
from streamlit.testing.v1 import AppTest

from pipelines.answers import crews, one_home
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.answers.lists import flagged
from pipelines.fleet import equality, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.snapshot import stages
from tests.conftest import APP
from tests.inspections import SOUND
from tests.small_exports import fed, row, run, write
from tests.test_dashboard import text

HEADINGS = "agency,alias,crew,from,to"
OWN = ("inspected_on", "inspection_kind", "heating_system", "cold_pressure_psig")
FINAL = (
    {"kind": "final"} | {name: str(SOUND[name]) for name in SOUND if name not in OWN} | {"vent_cap": "tight"}
)


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def named(fleet, *lines):
    fleet.crews.write_text("\n".join([HEADINGS, *lines, ""]))


def judged(snapshot):
    return dict(snapshot.rows("SELECT inspection_id, crew FROM judged ORDER BY 1"))


def test_days_say_whose_work_a_name_was(fleet, tmp_path):
    """Both days count; a name outside its days, and that of another agency, stands as recorded."""
    named(
        fleet,
        "alder  county,TRUCK 7 ,Harbor crew,,2025-03-31",
        "Alder County,truck 7,Hill crew,2025-04-01,2025-06-30",
    )
    path = write(
        tmp_path / "a.csv",
        [
            row(1, crew="Truck 7", day="2019-01-01", **FINAL),
            row(2, crew="Truck 7", day="2025-03-31", **FINAL),
            row(3, crew="Truck  7", day="2025-04-01", **FINAL),
            row(4, crew="truck 7", day="2025-06-30", **FINAL),
            row(5, crew="Truck 7", day="2025-07-01", **FINAL),
            row(6, crew="HARBOR CREW", day="2025-07-01", **FINAL),
            row(7, crew="Truck 7", day="2025-03-31", agency="Elm County", **FINAL),
            row(8, crew="", day="2025-03-31", **FINAL),
        ],
    )
    _, snapshot = fed(fleet, path)
    assert judged(snapshot) == {
        **{"1": "Harbor crew", "2": "Harbor crew", "3": "Hill crew", "4": "Hill crew"},
        **{"5": "Truck 7", "6": "Harbor crew", "7": "Truck 7", "8": None},
    }
    assert snapshot.rows("SELECT DISTINCT crew FROM readings WHERE crew IS NOT NULL ORDER BY 1") == [
        ("Harbor crew",),
        ("Truck 7",),
    ]
    counted = snapshot.rows(
        "SELECT agency, crew, visits FROM crew_checks WHERE check_id = 'vent-cap-tight' ORDER BY 1, 2"
    )
    assert counted == [
        ("Alder County", "Harbor crew", 3),
        ("Alder County", "Hill crew", 2),
        ("Alder County", "Truck 7", 1),
        ("Elm County", "Truck 7", 1),
    ]
    assert dict(snapshot.rows("SELECT home_id, crew FROM homes"))["H-3"] == "Hill crew"
    listed = flagged(EVERYTHING, snapshot, Filters(crew=("harbor crew",)), date(2026, 1, 1))
    assert set(listed.rows.column("home_id").to_pylist()) == {"H-1", "H-2", "H-6"}
    units = crews.counted_units(EVERYTHING, snapshot, "Alder County", "Hill crew", "vent-cap-tight")
    assert sorted(units["home_id"]) == ["H-3", "H-4"]
    (visit,) = one_home.home(EVERYTHING, snapshot, "Alder County", "H-3").visits
    assert (visit.crew, visit.crew_recorded) == ("Hill crew", "Truck 7")


def test_readings_repeated_under_two_names_of_one_crew_are_seen(fleet, tmp_path):
    rows = [
        row(1, crew="Crew 1", day="2025-03-04", **FINAL),
        row(2, crew="One", day="2025-03-05", **FINAL),
    ]
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", rows))
    said = "SELECT outcome FROM results WHERE check_id = 'readings-repeated' ORDER BY inspection_id"
    assert snapshot.rows(said) == [("ok",), ("ok",)]
    named(fleet, "Alder County,One,Crew 1,,")
    assert "crews.csv" in run(fleet, "status").stdout
    snapshot = snapshots.attach(stages.build(fleet))
    assert snapshot.rows(said) == [("deficient",), ("deficient",)]


@pytest.mark.slow
def test_fed_in_steps_it_comes_out_as_at_once(fleet, tmp_path):
    """The crew's own spelling comes late, and the readings of one visit repeat those of another step."""
    lines = ("Alder County,One,crew 1,,2025-05-01", "Alder County,Uno,CREW 1,,")
    paths = [
        write(
            tmp_path / "1.csv",
            [row(1, crew="One", **FINAL), row(2, crew="ONE", day="2025-06-01", **FINAL)],
        ),
        write(tmp_path / "2.csv", [row(3, crew="Crew 1", **FINAL), row(4, crew="uno", **FINAL)]),
        write(tmp_path / "3.csv", [row(2, crew="One", day="2025-04-01", **FINAL), row(5, **FINAL)]),
    ]
    named(fleet, *lines)
    for path in paths:
        _, steps = fed(fleet, path)
    whole = Fleet(tmp_path / "whole").create()
    named(whole, *lines)
    fed(whole, *paths)
    assert equality.equal(fleet.current(), whole.current()) == []
    assert judged(steps) == {**dict.fromkeys("1234", "crew 1"), "5": None}
    assert run(fleet, "verify").exit_code == 0


@pytest.mark.parametrize(
    "lines, line, said",
    [
        ((",Truck 7,Hill crew,,",), 2, "agency is empty"),
        (("Alder County,,Hill crew,,",), 2, "alias is empty"),
        (("Alder County,Truck 7, ,,",), 2, "crew is empty"),
        (("Alder County,Hill  Crew,hill crew,,",), 2, "is the crew itself"),
        (
            ("Alder County,Truck 7,Hill crew,3/1/2026,",),
            2,
            "from needs a day .* such as 2026-03-01, not '3/1",
        ),
        (("Alder County,Truck 7,Hill crew,,2026-02-30",), 2, "to needs a day .* not '2026-02-30'"),
        (("Alder County,Truck 7,Hill crew,20260301,",), 2, "from needs a day"),
        (("Alder County,Truck 7,Hill crew,2026-02-02,2026-02-01",), 2, "is later than to"),
        (("A,Truck 7,Hill,,2026-03-01", "a,TRUCK  7,Harbor,2026-03-01,"), 3, "stands in line 2 already"),
        (("A,Truck 7,Hill,,", "B,Truck 7,Hill,,", "A,Truck 7,Hill,,"), 4, "stands in line 2 already"),
        (("A,Truck 7,Hill,,", "A,hill,Harbor,,"), 3, "'hill' is an alias here and the crew in line 2"),
        (("A,Hill,Harbor,,", "A,Truck 7,HILL,,"), 3, "'HILL' is the crew here and an alias in line 2"),
        (("A,Truck 7,Hill,,,",), 2, "more cells than there are headings"),
    ],
)
def test_a_line_that_cannot_be_used_is_refused(fleet, tmp_path, lines, line, said):
    named(fleet, *lines)
    with pytest.raises(FleetError, match=rf"crews\.csv, line {line}: .*{said}"):
        fed(fleet, write(tmp_path / "a.csv", [row(1)]))
    done = run(fleet, "rebuild")
    assert done.exit_code == 1 and f"crews.csv, line {line}: " in done.stderr and not fleet.snapshots()


def test_two_agencies_may_use_one_name_and_days_may_touch(fleet, tmp_path):
    named(
        fleet,
        "Alder County,Truck 7,Hill,,2026-02-28",
        "Alder County,Truck 7,Harbor,2026-03-01,",
        "Elm County,Hill,Truck 7,,",
    )
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", [row(1, crew="Hill"), row(2, crew="Truck 7")]))
    assert judged(snapshot) == {"1": "Hill", "2": "Hill"}
    remarks = json.loads(run(fleet, "status", "--json").stdout)["remarks"]
    assert remarks == [
        "crews.csv, line 4: agency 'Elm County' matches no inspection; agencies there are: Alder County"
    ]


def test_the_page_of_a_home_shows_the_recorded_name(fleet, tmp_path, monkeypatch):
    named(fleet, "Alder County,Truck 7,Hill crew,,")
    fed(fleet, write(tmp_path / "a.csv", [row(1, crew="Truck 7"), row(2, crew="Harbor", home="H-1")]))
    monkeypatch.setenv("COLDFILL_FLEET", str(fleet.path))
    page = AppTest.from_file(str(APP), default_timeout=60)
    page.switch_page("views/home.py")
    page.query_params.update({"of": "Alder County", "home": "H-1"})
    shown = text(page.run())
    assert "Hill crew (recorded as Truck 7)" in shown and "Harbor (recorded" not in shown
