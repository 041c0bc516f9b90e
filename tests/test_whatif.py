"""What a change of policy would do, tried before it is adopted: held against a rebuild under that policy."""

import json
import os
import re
import shutil
import stat
import tomllib
from contextlib import contextmanager
from datetime import date
from html import unescape
from types import SimpleNamespace
from urllib.parse import parse_qs

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.answers import differences, plans, settable, whatif
from pipelines.answers.access import EVERYTHING, Filters, Viewer
from pipelines.engine.policy.edits import edit, edited
from pipelines.engine.policy.policy import PolicyError, parse
from pipelines.fleet import adopted, proof
from pipelines.fleet.equality import equal
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.snapshots import attach
from pipelines.receiving import adopting
from pipelines.snapshot import stages, trials, unmatched
from tests.small_exports import fed, row, run, write

FULL = os.environ.get("COLDFILL_FULL") == "1"
WORKED_OUT = {
    *("judged", "causes", "state_columns", "opened", "homes", "not_loaded", "received_rows", "unmatched"),
    *("limits", "checks", "measures", "clocks", "risk_matrix", "accepted_words", "region_overrides"),
}
MANY = b"""# touches a margin, a set of words of a region, a severity, a comparison of inspections, and a day
[limits]
cold_margin_psi = 6.0
repeated_within_days = 30
volume_estimate_low = 0.4

[risk.precharge-low]
severity = 1

[[region]]
name = "Val Brenn"
accepted = { backflow_without_additives = ["air_gap"] }

[[change]]
effective_from = 2025-07-01
limits = { charge_tolerance_psi = 1.0 }
"""


def unlike(trial, rebuilt):
    """The tables of a trial that a rebuild has otherwise, and those it lacks."""
    there = {name for (name,) in trial.rows("SELECT table_name FROM duckdb_tables()")}
    return {one.table: one.what for one in equal(trial.path, rebuilt) if one.table in WORKED_OUT} | {
        name: "missing" for name in WORKED_OUT - there
    }


def of_another(fleet, text, folder):
    """A copy of a fleet, rebuilt under the text of a policy: its snapshot's path."""
    shutil.copytree(fleet.path, folder, dirs_exist_ok=True)
    other = Fleet(folder)
    other.policy.write_bytes(text)
    return stages.build(other)


@pytest.fixture(scope="module")
def tried_many(sample_fleet, tmp_path_factory):
    """The samples rebuilt under MANY, and a trial of it: (path, whatif.Tried, tables that are unlike)."""
    rebuilt = of_another(sample_fleet, MANY, tmp_path_factory.mktemp("adopted") / "fleet")
    wrong = {}

    @contextmanager
    def compared(*asked):
        with trials.trial(*asked) as trial:
            wrong.update(unlike(trial, rebuilt))
            yield trial

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(whatif, "trials", SimpleNamespace(trial=compared))
        tried = whatif.tried(sample_fleet, MANY, "many")
    return rebuilt, tried, wrong


def test_a_trial_is_what_a_rebuild_under_that_policy_gives(tried_many):
    assert tried_many[2] == {}


def test_what_would_differ_is_what_two_snapshots_say(sample_snapshot, tried_many):
    """By set operations over home_checks of both, in Python, apart from the comparison."""
    rebuilt, tried, _ = tried_many

    def open_in(snapshot):
        found = snapshot.rows(
            "SELECT agency, home_id, system_id, check_id, risk FROM home_checks WHERE risk IS NOT NULL"
        )
        return {tuple(key): risk for *key, risk in found}

    before, after = open_in(sample_snapshot), open_in(attach(rebuilt))
    said = {
        tuple(one[name] for name in ("agency", "home_id", "system_id", "check_id")): one
        for one in tried.differences.to_pylist()
    }
    assert {key for key, one in said.items() if one["what"] in differences.CAME} == after.keys() - before
    assert {key for key, one in said.items() if one["what"] in differences.WENT} == before.keys() - after
    both = before.keys() & after.keys()
    assert {key for key in both if before[key] != after[key]} <= said.keys()
    assert len(after.keys() - before) > 100 and len(said.keys() & both) > 20


def test_every_count_opens_as_many_homes(sample_snapshot, tried_many):
    told = whatif.told(EVERYTHING, sample_snapshot, Filters(), tried_many[1])
    seen = 0
    for frame, about in ((told.by_check, "check"), (told.by_risk, "risk")):
        for line in frame.to_dict("records"):
            for name, what in whatif.SAID.items():
                part = differences.Part(what, **{about: line["counted"]})
                assert line[name] == differences.homes_count(sample_snapshot, told.differences, part)
                seen += line[name]
    assert seen > 200
    part = differences.Part(whatif.SAID[whatif.GAINED])
    count, homes = told.homes[whatif.GAINED], []
    for page in range(1, 2 + count // differences.ROWS_A_PAGE):
        homes += differences.homes_page(sample_snapshot, told.differences, part, page).to_dict("records")
    assert len({(home["agency"], home["home_id"]) for home in homes}) == len(homes) == count
    assert all(home["of"] for home in homes)


def test_a_viewer_sees_only_their_agencies(sample_snapshot, tried_many):
    agency = "Foyers du Val Brenn"
    told = whatif.told(Viewer((agency,)), sample_snapshot, Filters(), tried_many[1])
    assert set(told.differences.column("agency").to_pylist()) == {agency}
    assert told.held.num_rows == 0 or set(told.held.column("agency").to_pylist()) == {agency}
    everyone = whatif.told(EVERYTHING, sample_snapshot, Filters(agency=(agency,)), tried_many[1])
    assert told.homes == everyone.homes and told.homes[whatif.GAINED] > 0


def test_who_would_be_held(sample_snapshot, tried_many):
    rebuilt, tried, _ = tried_many
    question = "SELECT agency, home_id FROM homes WHERE hold_before_reporting"
    before, after = set(sample_snapshot.rows(question)), set(attach(rebuilt).rows(question))
    said = {(one["agency"], one["home_id"]): one["what"] for one in tried.held.to_pylist()}
    assert {home for home, what in said.items() if what == "held"} == after - before != set()
    assert {home for home, what in said.items() if what == "released"} == before - after


@pytest.fixture(scope="module")
def two_homes(tmp_path_factory):
    rows = [
        row(1, cold="12", stories="2", repairs_reported="bleed-all"),
        row(2, home="H-1", day="2025-04-04", cold="4", stories="2", kind="final"),
        row(3, cold="14", stories="1", region="Harbor", backflow_device="dual_check"),
    ]
    folder = tmp_path_factory.mktemp("two")
    fleet = Fleet(folder / "fleet").create()
    fed(fleet, write(folder / "small.csv", rows))
    return fleet


@pytest.fixture
def small(two_homes, tmp_path):
    """Two homes, of which one reports a repair by a measure that nobody knows yet."""
    return Fleet(shutil.copytree(two_homes.path, tmp_path / "fleet"))


@pytest.fixture
def new(tmp_path):
    """A fleet that has received nothing."""
    return Fleet(tmp_path / "fleet").create()


def files_of(fleet):
    return {path: path.stat().st_mtime_ns for path in sorted(fleet.path.rglob("*"))}


def test_a_measure_that_was_unknown_is_read_in_the_exports_again(small, tmp_path):
    text = b"[measures.bleed-all]\ntitle = 'Bleed'\nfixes = ['cold-pressure-low']\n"
    rebuilt = of_another(small, text, tmp_path / "other")
    assert attach(rebuilt).rows("SELECT count(*) FROM readings WHERE repairs_reported = 'bleed-all'") == [
        (1,)
    ]
    with trials.trial(small, text, "x") as trial:
        assert unlike(trial, rebuilt) == {}


POLICIES = st.lists(
    st.sampled_from(
        [
            "limits.cold_margin_psi=0",
            "limits.cold_margin_psi=9.5",
            "limits.cold_margin_psi=2&region=harbor",
            "limits.cold_high_margin_psi=0",
            "limits.charge_tolerance_psi=0",
            "limits.flat_psig=13",
            "limits.sure_certainty=1",
            "limits.repeated_within_days=400",
            "accepted.backflow_without_additives=",
            "accepted.backflow_without_additives=dual_check&region=Harbor",
            "risk.cold-pressure-low.severity=1",
            "risk.cold-pressure-low.probability=E",
            "risk.backflow-none.severity=4",
        ]
    ),
    unique_by=lambda text: edit(text).about,
    max_size=5,
)


@given(POLICIES)
@settings(
    max_examples=40 if FULL else 1,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_any_change_is_tried_as_it_would_be_built(tmp_path_factory, one_for_all, changes):
    text = adopting.proposed(one_for_all, tuple(map(edit, changes)))
    rebuilt = of_another(one_for_all, text, tmp_path_factory.mktemp("other") / "fleet")
    with trials.trial(one_for_all, text, "x") as trial:
        assert unlike(trial, rebuilt) == {}


@pytest.fixture(scope="module")
def one_for_all(tmp_path_factory):
    folder = tmp_path_factory.mktemp("small")
    rows = [
        row(
            number,
            home=f"H-{number % 9}",
            day=f"2025-0{1 + number // 9}-1{number % 9}",
            cold=str(2 + number),
            stories=str(1 + number % 3),
            region=("Harbor", "Hills", "")[number % 3],
            backflow_device=("dual_check", "none", "air_gap", "")[number % 4],
            precharge_psig=str(8 + number % 7),
            tank_type="diaphragm",
            inspector=f"I{number % 2}",
        )
        for number in range(27)
    ]
    fleet = Fleet(folder / "fleet").create()
    fed(fleet, write(folder / "small.csv", rows))
    return fleet


# ---- the text of a policy

OWN = b"""# agreed in March
[limits]
cold_margin_psi = 5.0  # with the technicians
charge_tolerance_psi = { value = 1.0, why = "better gauges" }

[limits.cold_high_margin_psi]
value = 6.0
mark = "common practice"
why = "the manual"

[[region]]
name = "Harbor"
limits = { cold_margin_psi = 5.0 }  # by the sea

[risk.precharge-low]
severity = 2
[limits.near_relief_share]
value = 0.8
"""


def test_a_value_is_set_and_every_comment_stays():
    changes = (
        "limits.cold_margin_psi=6.5",
        "limits.cold_high_margin_psi=7",
        "limits.flat_psig=3",
        "limits.cold_margin_psi=4&region=harbor",
        "accepted.low_water_cutoff=probe_or_float,flow_switch&region=Hills&agency=North",
        "risk.precharge-low.probability=B",
        "risk.tank-missing.severity=1",
    )
    text = edited(OWN, "policy.toml", tuple(map(edit, changes)))
    for said in ("# agreed in March", "# with the technicians", "# by the sea", 'why = "better gauges"'):
        assert said in text.decode()
    tables = tomllib.loads(text.decode())
    assert tables["limits"]["cold_margin_psi"] == 6.5
    assert tables["limits"]["cold_high_margin_psi"] == {"value": 7}  # the manual said it of another value
    assert tables["limits"]["flat_psig"] == {"value": 3}
    assert tables["limits"]["near_relief_share"] == {"value": 0.8}
    assert tables["risk"] == {
        "precharge-low": {"severity": 2, "probability": "B"},
        "tank-missing": {"severity": 1},
    }
    assert tables["region"] == [
        {"name": "Harbor", "limits": {"cold_margin_psi": 4}},
        {
            "name": "Hills",
            "agency": "North",
            "accepted": {"low_water_cutoff": ["probe_or_float", "flow_switch"]},
        },
    ]
    assert parse(text, "policy.toml").cold_margin_psi == 6.5


@pytest.mark.parametrize(
    "text",
    [
        b"",
        b"# only words",
        b"limits.flat_psig = 1\r\n",
        b"limits = { flat_psig = 1 }\n",
        b"[limits.flat_psig]\nvalue = 1\n[clocks]\nlow = []\n[limits.cold_high_margin_psi]\nvalue = 2\n",
        OWN,
    ],
)
def test_a_value_is_set_however_a_file_is_written(text):
    changed = edited(text, "x", (edit("limits.cold_margin_psi=3.5"), edit("limits.flat_psig=1.5")))
    before, after = parse(text, "x"), parse(changed, "x")
    wanted = {name: limit.value for name, limit in before.limits.items()}
    assert {name: limit.value for name, limit in after.limits.items()} == wanted | {
        "cold_margin_psi": 3.5,
        "flat_psig": 1.5,
    }
    limits = [(region.name, region.limits) for region in before.regions]
    assert [(region.name, region.limits) for region in after.regions] == limits
    assert (b"\r\n" in changed) == (b"\r\n" in text)
    again = edited(changed, "x", (edit("limits.cold_margin_psi=3.5"),))
    assert again == changed


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("limits.cold_margin_psi=-1", "line 3: limits.cold_margin_psi needs a number of 0 or more in psi"),
        ("limits.cold_margin_psi=five", "line 3: limits.cold_margin_psi needs a number"),
        ("limits.cold_margn_psi=5", "no such limit; nearest: cold_margin_psi"),
        ("limits.near_relief_share=1.2", "line 17: limits.near_relief_share is a share"),
        ("limits.few_visits=3&region=Harbor", "is one for the whole fleet; set it under [limits]"),
        ("accepted.low_water_cutoff=float", "needs a list of probe_or_float"),
        ("risk.precharge-low.severity=5", "line 15: risk.precharge-low: severity is 1 to 4"),
        ("risk.precharge.severity=2", "there is no check 'precharge'; nearest: precharge-"),
        ("clocks.low=3", "says no value of a policy: name one as limits.cold_margin_psi=5"),
        ("limits=3", "says no value of a policy"),
        ("risk.tank-missing.severity=2&region=Harbor", "can be of a region"),
        ("limits.flat_psig=2&agency=North", "can be of a region"),
        ("", "says no value of a policy"),
    ],
)
def test_what_cannot_be_set_is_refused_with_the_line(tmp_path, text, said):
    fleet = Fleet(tmp_path / "fleet").create()
    fleet.policy.write_bytes(OWN)
    with pytest.raises(PolicyError) as refused:
        adopting.proposed(fleet, (edit(text),))
    assert said in str(refused.value)
    assert fleet.policy.read_bytes() == OWN


VALUES = st.one_of(
    st.builds(lambda value: f"limits.cold_margin_psi={value}", st.integers(0, 900)),
    st.builds("limits.flat_psig={:.15g}&region=R%26%3D1".format, st.floats(0, 900)),
    st.sampled_from(["accepted.low_water_cutoff=", "accepted.low_water_cutoff=flow_switch,no&region=a+b"]),
    st.builds("risk.tank-missing.probability={}".format, st.sampled_from("ABCDE")),
)


@given(VALUES)
def test_an_edit_is_read_back_from_its_text(text):
    assert edit(edit(text).text) == edit(text)


COSTS = b"""# of the spring's bids
[measures.replace-tank]
cost = 700.0  # with the tank
mark = "common practice"

[measures]
set-charge = { hours = 1.5 }

[[region]]
name = "Harbor"
measures = { replace-tank = { cost = 900 } }  # by boat
"""


def test_a_cost_is_set_and_every_comment_stays():
    changes = (
        "measures.replace-tank.cost=640",
        "measures.replace-tank.hours=4.25",
        "measures.set-charge.cost=99",
        "measures.repair-leak.cost=0",
        "measures.replace-tank.cost=950&region=harbor",
        "measures.set-charge.hours=2&region=Hills&agency=North",
    )
    text = edited(COSTS, "policy.toml", tuple(map(edit, changes)))
    for said in ("# of the spring's bids", "# with the tank", "# by boat"):
        assert said in text.decode()
    tables = tomllib.loads(text.decode())
    assert tables["measures"] == {
        "replace-tank": {"cost": 640, "hours": 4.25},  # what was common practice was another figure
        "set-charge": {"hours": 1.5, "cost": 99},
        "repair-leak": {"cost": 0},
    }
    assert [one["measures"] for one in tables["region"]] == [
        {"replace-tank": {"cost": 950}},
        {"set-charge": {"hours": 2}},
    ]
    found = {one.id: one for one in parse(text, "policy.toml").measures}
    assert (found["replace-tank"].cost, found["replace-tank"].hours) == (640.0, 4.25)
    assert found["repair-leak"].cost == 0 and found["repair-leak"].mark == "policy"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("measures.replace-tank.cost=-1", "line 3: measures.replace-tank.cost needs dollars from 0 to"),
        ("measures.replace-tank.hours=many", "measures.replace-tank.hours needs crew hours"),
        ("measures.replace-tank.color=3", "unknown key 'color'"),
        ("measures.new-boiler.cost=3", "measures.new-boiler needs a title and fixes"),
        ("measures.new-boiler.cost=3&region=Harbor", "measures.new-boiler: no such measure"),
        ("measures.replace-tank=3", "says no value of a policy"),
        ("measures.replace-tank.cost=3&agency=North", "can be of a region"),
    ],
)
def test_a_cost_that_cannot_be_is_refused(new, text, said):
    new.policy.write_bytes(COSTS)
    with pytest.raises(PolicyError) as refused:
        adopting.proposed(new, (edit(text),))
    assert said in str(refused.value) and new.policy.read_bytes() == COSTS


def test_every_cost_can_be_set_and_says_what_it_is_now():
    found = {one.name: one for one in settable.settings(parse(COSTS, "policy.toml"))}
    measures = parse(COSTS, "policy.toml").measures
    assert len([name for name in found if name.startswith("measures.")]) == 2 * len(measures) > 30
    tank = found["measures.replace-tank.cost"]
    assert (tank.value, tank.unit, tank.mark, tank.of("harbor")) == (700.0, "dollars", "common practice", 900)
    assert settable.now(found, edit("measures.replace-tank.cost=1&region=Harbor")) == 900
    assert found["measures.set-charge.cost"].why == "set by the agency"
    assert found["measures.repair-leak.cost"].why == settable.INVENTED_REASON


@pytest.mark.slow
def test_costs_alone_are_tried_without_judging_anew_and_say_what_a_rebuild_would(
    sample_fleet, sample_snapshot, tmp_path_factory, monkeypatch
):
    """The plan is the one of a snapshot rebuilt under the same policy."""
    changes = (
        "measures.replace-tank.cost=1900",
        "measures.set-charge.hours=6",
        "measures.replace-relief-valve.cost=1&region=Fennick Valley",
        "measures.replace-gauge.cost=1&region=Nowhere",
        "limits.trip_usd=20",
    )
    text = adopting.proposed(sample_fleet, tuple(map(edit, changes)))
    monkeypatch.setattr(whatif, "trials", None)  # no trial is made
    tried = whatif.tried(sample_fleet, text, "costs")
    assert tried.costs_alone and not tried.differences.num_rows and not tried.held.num_rows
    rebuilt = attach(of_another(sample_fleet, text, tmp_path_factory.mktemp("costs") / "fleet"))
    anonymous = Viewer(personal=False)
    for snapshot, said in zip((sample_snapshot, rebuilt), tried.plans, strict=True):
        found = plans.planned(anonymous, snapshot, plans.Asked(whatif.BUDGET), date.today(), ())
        assert (said.must_do, said.cost, said.worth) == (
            *(found.plan.solution.must_cost, found.plan.cost, found.plan.solution.worth),
        )
    now, then = tried.plans
    assert now.must_do != then.must_do and now.worth != then.worth
    assert tuple(unmatched.unmatched(rebuilt)) == tried.notes and "Nowhere" in tried.notes[0]


def test_what_else_differs_is_no_change_of_costs_alone(small):
    text = adopting.proposed(small, (edit("measures.replace-tank.cost=1"), edit("limits.flat_psig=2")))
    assert not whatif.tried(small, text, "x").costs_alone


# ---- adopting, and taking back


def test_adopting_is_logged_and_taken_back_to_the_byte(small):
    small.policy.write_bytes(OWN)
    text = adopting.proposed(small, (edit("limits.cold_margin_psi=0"),))
    before = files_of(small)
    tried = whatif.tried(small, text, "x")
    assert files_of(small) == before
    line = adopting.adopt(
        EVERYTHING, small, tried.text, base=tried.base, who="Q. Manager", why="sea level", snapshot="s"
    )
    assert small.policy.read_bytes() == text and stat.S_IMODE(small.policy.stat().st_mode) == 0o600
    assert (line.number, line.who, line.why, line.takes_back) == (1, "Q. Manager", "sea level", "")
    assert (line.before, line.after) == (adopted.hash_of(OWN), adopted.hash_of(text))
    now = attach(stages.build(small)).rows("SELECT value FROM limits WHERE name = 'cold_margin_psi'")
    assert now == [(0.0,)]
    back = adopting.take_back(EVERYTHING, small, 1, who="B. Lead", why="too bold")
    assert small.policy.read_bytes() == OWN
    assert (back.number, back.takes_back, back.before, back.after) == (2, "1", line.after, line.before)
    assert adopted.read(small) == (line, back) and proof.faults(small) == []
    again = adopting.take_back(EVERYTHING, small, 2, who="B. Lead", why="not too bold after all")
    assert small.policy.read_bytes() == text and again.takes_back == "2"


def test_a_fleet_without_a_policy_has_none_again(new):
    adopting.adopt(EVERYTHING, new, b"[limits]\n", base="", who="A", why="B")
    adopting.take_back(EVERYTHING, new, 1, who="A", why="C")
    assert not new.policy.exists() and proof.faults(new) == []


def test_what_was_not_tried_is_not_adopted(new):
    text = b"[limits]\nflat_psig = 3\n"
    base = adopting.base_of(new)
    new.policy.write_bytes(OWN)
    for begin, said in (
        (
            lambda: adopting.adopt(EVERYTHING, new, text, base=base, who="A", why="B"),
            "changed since this was",
        ),
        (
            lambda: adopting.adopt(EVERYTHING, new, OWN, base=adopting.base_of(new), who="A", why="B"),
            "is that already",
        ),
        (lambda: adopting.adopt(EVERYTHING, new, text, base=base, who=" ", why="B"), "needs who decides"),
        (lambda: adopting.adopt(EVERYTHING, new, text, base=base, who="A", why=""), "needs a reason"),
        (lambda: adopting.adopt(Viewer(("X",)), new, text, base=base, who="A", why="B"), "whole fleet"),
        (lambda: adopting.take_back(EVERYTHING, new, 1, who="A", why="B"), "has no line 1"),
    ):
        with pytest.raises(FleetError, match=said):
            begin()
    with pytest.raises(PolicyError, match="line 1"):
        adopting.adopt(EVERYTHING, new, b"[limit]\n", base=base, who="A", why="B")
    assert new.policy.read_bytes() == OWN and adopted.read(new) == ()


def test_a_change_by_hand_is_not_taken_back_by_mistake(new):
    adopting.adopt(EVERYTHING, new, b"[limits]\nflat_psig = 3\n", base="", who="A", why="B")
    new.policy.write_bytes(OWN)
    with pytest.raises(FleetError, match="changed after line 1"):
        adopting.take_back(EVERYTHING, new, 1, who="A", why="C")
    assert new.policy.read_bytes() == OWN


def test_a_changed_line_of_the_log_is_named(new):
    adopting.adopt(EVERYTHING, new, b"[limits]\nflat_psig = 3\n", base="", who="Ann", why="B")
    log = adopted.log_of(new).path
    adopting.take_back(EVERYTHING, new, 1, who="Ann", why="C")
    log.write_text(log.read_text().replace("Ann,B", "Bob,B"))
    assert any("adopted.csv, line 2, is damaged" in fault for fault in proof.faults(new))
    kept = new.inputs / adopted.hash_of(b"[limits]\nflat_psig = 3\n")
    log.write_text(log.read_text().replace("Bob,B", "Ann,B"))
    kept.unlink()
    assert any("of adopted.csv put in place" in fault for fault in proof.faults(new))


# ---- the commands


def test_the_command_says_what_would_change_and_changes_nothing(small, tmp_path):
    new = tmp_path / "new.toml"
    done = run(small, "whatif", "--set", "limits.cold_margin_psi=900", "--json", "--out", str(new))
    said = json.loads(done.stdout)
    assert said["counts"]["gained"] == len({(one["agency"], one["home_id"]) for one in said["homes"]}) > 0
    assert {one["what"] for one in said["homes"]} == {"newly flagged"}
    assert not small.policy.exists()
    plain = run(small, "whatif", "--policy", str(new))
    assert f"flags gained in {said['counts']['gained']} home" in plain.stdout
    assert "Cold pressure too low" in plain.stdout
    assert run(small, "policy", "--adopt", str(new), "--by", "A", "--why", "B").exit_code == 0
    assert small.policy.read_bytes() == new.read_bytes()
    assert "adopted by A: B" in run(small, "policy", "--log").stdout
    assert run(small, "policy", "--take-back", "1", "--by", "A", "--why", "C").exit_code == 0
    assert not small.policy.exists()


@pytest.mark.parametrize(
    ("words", "status"),
    [
        (("whatif",), 2),
        (("whatif", "--set", "limits.nothing=5"), 1),
        (("whatif", "--set", "limits.flat_psig=5", "--agency", "Nobody"), 2),
        (("policy", "--take-back", "1", "--by", "A", "--why", "B"), 1),
    ],
)
def test_a_wrong_call_is_refused(small, words, status):
    assert run(small, *words).exit_code == status


# ---- the page


def words(page):
    said = " ".join(element.proto.body for element in page.get("html"))
    return unescape(re.sub(r"<[^>]+>", " ", said))


def links(page):
    """What the page's links to itself ask, as lists by name, and their words."""
    found = " ".join(element.proto.body for element in page.get("html"))
    pairs = re.findall(r'<a href="whatif\?([^"]*)">(.*?)</a>', found, re.S)
    return [(parse_qs(unescape(asked)), re.sub(r"<[^>]+>", "", said)) for asked, said in pairs]


def pressed(page, label):
    return next(button for button in page.button if button.label == label).click().run()


def test_the_page_sets_tries_adopts_and_takes_back(two_homes, tmp_path, show):
    fleet = Fleet(shutil.copytree(two_homes.path, tmp_path / "fleet"))
    page = show(fleet, "whatif")
    assert not page.exception and "Nothing is set otherwise yet" in words(page)
    which = next(box for box in page.selectbox if box.label == "Which")
    page = which.set_value("limits.cold_margin_psi").run()
    page = next(one for one in page.number_input).set_value(20.0).run()
    page = pressed(page, "Set it")
    assert parse_qs(page.query_params["set"]) == {"limits.cold_margin_psi": ["20"]}
    assert "4 psi" in words(page) and "20 psi" in words(page)
    page = pressed(page, "See what it would change")
    assert not page.exception and "What would change" in words(page)
    gained = [said for asked, said in links(page) if asked.get("show") == ["gained"]]
    assert gained[0].strip() == "1 home" and set(gained[1:]) == {"1"}
    again = show(fleet, "whatif", set=page.query_params["set"], show="gained", flag="cold-pressure-low")
    assert "Cold pressure too low" in words(again) and words(again).count("not open → ") == 1
    boxes = {box.label: box for box in again.text_input}
    boxes["Your name"].set_value("Q. Manager")
    boxes["Why"].set_value("<b>two stories</b>")
    page = pressed(again.run(), "Adopt these values")
    assert fleet.policy.read_text().startswith("[limits.cold_margin_psi]") and "set" not in page.query_params
    assert "policy.toml" in words(page) and "Q. Manager" in words(page)
    assert "&lt;b&gt;two stories" in " ".join(element.proto.body for element in page.get("html"))
    page = pressed(page, "Build the snapshot under the policy as it now stands")
    assert fleet.current().name.startswith("00000002-") and not page.exception
    page = next(one for one in page.text_input if one.key == "takes back").set_value("B. Lead").run()
    page = next(one for one in page.text_input if one.key == "why back").set_value("too much").run()
    page = pressed(page, "Restore the policy before it")
    assert not fleet.policy.exists() and "takes change 1 back" in words(page)


def test_a_cost_is_tried_on_the_page_adopted_and_taken_back_to_the_byte(two_homes, tmp_path, show):
    fleet = Fleet(shutil.copytree(two_homes.path, tmp_path / "fleet"))
    fleet.policy.write_bytes(COSTS)
    page = show(fleet, "whatif", kind="measures")
    which = next(box for box in page.selectbox if box.label == "Which")
    page = which.set_value("measures.set-fill-pressure.cost").run()
    assert "210 dollars" in words(page) and "invented" in words(page)
    field = next(one for one in page.number_input if one.label == "To, in dollars")
    page = pressed(field.set_value(990.0).run(), "Set it")
    assert parse_qs(page.query_params["set"]) == {"measures.set-fill-pressure.cost": ["990"]}
    page = pressed(page, "See what it would change")
    assert not page.exception and "the plan alone was worked out again" in words(page)
    text = adopting.proposed(fleet, (edit("measures.set-fill-pressure.cost=990"),))
    assert whatif.plans_said(whatif.tried(fleet, text, "x")) in words(page)
    boxes = {box.label: box for box in page.text_input}
    boxes["Your name"].set_value("Q. Manager")
    boxes["Why"].set_value("bids of the spring")
    page = pressed(page.run(), "Adopt these values")
    assert fleet.policy.read_bytes() == text != COSTS and b"# by boat" in text
    page = next(one for one in page.text_input if one.key == "takes back").set_value("B. Lead").run()
    page = next(one for one in page.text_input if one.key == "why back").set_value("old bids").run()
    page = pressed(page, "Restore the policy before it")
    assert fleet.policy.read_bytes() == COSTS


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ("limits.cold_margin_psi=-4", "line 1: limits.cold_margin_psi needs a number of 0 or more in psi"),
        ("clocks.low=4", "says no value of a policy"),
        ("measures.new-boiler.cost=4", "The policy has nothing called 'measures.new-boiler.cost'."),
    ],
)
def test_the_page_refuses_what_cannot_be_set(two_homes, show, asked, said):
    page = show(two_homes, "whatif", set=asked)
    assert said in words(page) and not page.exception
    assert "See what it would change" not in [button.label for button in page.button]


def test_a_plan_is_costed_under_both_policies(sample_snapshot, tried_many):
    """As planned on the snapshot as it is, and on one rebuilt under the policy tried."""
    rebuilt, tried, _ = tried_many
    anonymous = Viewer(personal=False)
    for snapshot, said in zip((sample_snapshot, attach(rebuilt)), tried.plans, strict=True):
        found = plans.planned(anonymous, snapshot, plans.Asked(whatif.BUDGET), date.today(), ())
        assert (said.must_do, said.cost) == (found.plan.solution.must_cost, found.plan.cost)
        assert said.homes == len({(job.agency, job.home_id) for job, *_ in found.jobs()}) > 100
    assert "must-do work would cost" in whatif.plans_said(tried)
