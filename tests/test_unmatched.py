"""An override that matches nothing is said: at each build, in `status`, and on the page Checks."""

import json

import pytest
from streamlit.testing.v1 import AppTest

from pipelines.answers.access import EVERYTHING, Viewer
from pipelines.answers.contents import unmatched
from pipelines.fleet import equality
from pipelines.fleet.folder import Fleet
from pipelines.snapshot import stages
from tests.conftest import APP
from tests.small_exports import fed, row, run, write
from tests.test_dashboard import text

PLACES = "agency,postal_code,region,elevation_ft,spread_ft\n"
HARBOUR = "policy.toml, line 1: region 'Harbour' matches no inspection; regions there are: Harbor, Northside"


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


@pytest.fixture
def path(tmp_path):
    return write(
        tmp_path / "a.csv",
        [
            row(1, region="Harbor", crew="Crew 1"),
            row(2, region="Northside", crew="Crew 2"),
            row(3, agency="Elm County", region="Hills"),
        ],
    )


def region(name, agency=""):
    return f'[[region]]\nname = "{name}"\nagency = "{agency}"\nlimits = {{ cold_margin_psi = 5 }}\n'


def remarks(fleet, path, viewer=EVERYTHING):
    _, snapshot = fed(fleet, path)
    return unmatched(viewer, snapshot)


@pytest.mark.parametrize(
    "text, said",
    [
        (region("harbor "), []),
        (region("Harbor", "alder  county"), []),
        (
            region("Harbour"),
            [
                "policy.toml, line 1: region 'Harbour' matches no inspection; "
                "regions there are: Harbor, Hills, Northside"
            ],
        ),
        (
            region("Harbor", "Elm County"),
            [
                "policy.toml, line 1: region 'Harbor' of Elm County matches no inspection; "
                "regions there are: Hills"
            ],
        ),
        (
            region("Harbor") + region("Harbor", "Elder County"),
            [
                "policy.toml, line 5: agency 'Elder County' matches no inspection; "
                "agencies there are: Alder County, Elm County"
            ],
        ),
    ],
)
def test_regions_of_the_policy(fleet, path, text, said):
    fleet.policy.write_text(text)
    assert remarks(fleet, path) == said


def test_places_and_crews(fleet, path):
    """A postal code without an inspection is nothing odd: a table may hold those of a whole state."""
    fleet.places.write_text(
        PLACES + ",00001,Nowhere,100,1\nElder County,00001,,100,1\nElder County,00002,,100,1\n"
        ",,Habror,100,1\nElm County,,Hills,9,1\n"
    )
    fleet.crews.write_text(
        "agency,alias,crew,from,to\nAlder County,Crew 1,One,,\nAlder County,Crew 11,One,,\n"
    )
    assert remarks(fleet, path) == [
        "crews.csv, line 3: crew 'Crew 11' of Alder County matches no inspection; "
        "crews there are: Crew 1, Crew 2",
        "places.csv, line 3 and 1 more: agency 'Elder County' matches no inspection; "
        "agencies there are: Alder County, Elm County",
        "places.csv, line 5: region 'Habror' matches no inspection; "
        "regions there are: Harbor, Hills, Northside",
    ]


def test_of_many_the_nearest_are_named(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(number, region=f"Area {number}") for number in range(30)])
    fleet.policy.write_text(region("Area17"))
    (said,) = remarks(fleet, path)
    assert "regions there are: Area 17, " in said and said.endswith(" and 22 more")


@pytest.mark.slow
def test_what_was_fed_in_steps_says_the_same(fleet, tmp_path):
    for one in (fleet, Fleet(tmp_path / "whole").create()):
        one.policy.write_text(region("North") + region("Harbour"))
    first, second = (
        write(tmp_path / "1.csv", [row(1, region="Harbor")]),
        write(tmp_path / "2.csv", [row(2, region="North")]),
    )
    assert len(remarks(fleet, first)) == 2
    (said,) = remarks(fleet, second)
    assert "'Harbour'" in said and "Harbor, North" in said
    whole = Fleet(tmp_path / "whole")
    fed(whole, first, second)
    assert equality.equal(fleet.current(), whole.current()) == []


def test_a_viewer_of_some_agencies_is_told_of_theirs_only(fleet, path):
    fleet.policy.write_text(region("Harbour", "Alder County") + region("Hull", "Elm County") + region("X"))
    (said,) = remarks(fleet, path, Viewer(agencies=("elm county",)))
    assert "'Hull' of Elm County" in said and "Harbor" not in said


@pytest.mark.slow
def test_it_is_said_at_each_build_and_in_status(fleet, tmp_path):
    fleet.policy.write_text(region("Harbour"))
    path = write(tmp_path / "a.csv", [row(1, region="Harbor"), row(2, region="Northside")])
    assert HARBOUR in run(fleet, "load", path).output
    assert json.loads(run(fleet, "load", path, "--json").stdout)["remarks"] == [HARBOUR]
    assert HARBOUR in run(fleet, "rebuild").output
    assert json.loads(run(fleet, "rebuild", "--json").stdout)["remarks"] == [HARBOUR]
    assert HARBOUR in run(fleet, "status").stdout
    assert json.loads(run(fleet, "status", "--json").stdout)["remarks"] == [HARBOUR]
    fleet.policy.write_text(region("Harbor"))
    assert HARBOUR in run(fleet, "status").stdout  # of the snapshot, which the policy is ahead of
    assert HARBOUR not in run(fleet, "rebuild").output and HARBOUR not in run(fleet, "status").output


def test_the_page_of_checks_says_it(fleet, tmp_path, monkeypatch):
    fleet.policy.write_text(region("Harbour"))
    fed(fleet, write(tmp_path / "a.csv", [row(1, region="Harbor"), row(2, region="Northside")]))
    monkeypatch.setenv("COLDFILL_FLEET", str(fleet.path))
    page = AppTest.from_file(str(APP), default_timeout=60)
    page.switch_page("views/checks.py")
    assert HARBOUR in text(page.run())


def test_an_empty_fleet_and_the_samples_have_nothing_to_say(fleet, sample_snapshot):
    assert unmatched(EVERYTHING, sample_snapshot) == []
    fleet.policy.write_text(region("Harbour"))
    stages.build(fleet)
    assert json.loads(run(fleet, "status", "--json").stdout)["remarks"] == []
