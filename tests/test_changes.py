"""Moments that a fleet keeps by itself, and what changed between two of them: held against both snapshots."""

import json
import os
import shutil
from dataclasses import replace
from datetime import date

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.answers import changes, differences
from pipelines.answers.access import EVERYTHING, Filters, Viewer
from pipelines.fleet import folder, logs, moments, proof
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.snapshots import attach
from pipelines.receiving import purge
from pipelines.snapshot import moments as of_snapshots
from pipelines.snapshot import stages, trials
from pipelines.snapshot.progress import Progress
from tests.small_exports import fed, row, run, write

FULL = os.environ.get("COLDFILL_FULL") == "1"
LOW, FINE = "2", "14"  # of two stories, under the shipped margin: cold-pressure-low, and not
DAYS = ("2026-03-30", "2026-04-15", "2026-05-02")


def visit(number, home, day, cold, **more):
    return row(number, home=home, day=day, cold=cold, stories="2", **more)


def at(monkeypatch, day):
    """Logs are written as on a day."""
    for room in (folder, logs, moments):
        monkeypatch.setattr(room, "now_utc", lambda: f"{day}T12:00:00Z")
    monkeypatch.setattr("pipelines.fleet.publishing.now_utc", lambda: f"{day}T12:00:00Z")


@pytest.fixture(scope="module")
def three_loads(tmp_path_factory):
    """A fleet of three loads in three months, then another policy: snapshots 1 to 4."""
    home = tmp_path_factory.mktemp("moments")
    fleet = Fleet(home / "fleet").create()
    loads = (
        [
            visit(1, "corrected", "2026-01-05", LOW),
            visit(2, "flagged", "2026-01-05", FINE),
            visit(3, "mended-row", "2026-01-05", LOW, updated_at="2026-01-05"),
            visit(4, "back-again", "2026-01-05", LOW),
            visit(5, "back-again", "2026-02-05", FINE),
            visit(6, "of-policy", "2026-01-05", "12"),
            visit(7, "stays", "2026-01-05", LOW),
        ],
        [
            visit(11, "corrected", "2026-04-01", FINE, kind="final"),
            visit(12, "flagged", "2026-04-02", LOW),
            visit(3, "mended-row", "2026-01-05", FINE, updated_at="2026-04-05"),
            visit(14, "back-again", "2026-04-05", LOW),
            visit(15, "new-home", "2026-04-05", LOW),
        ],
        [visit(21, "stays", "2026-05-01", LOW, kind="final")],
    )
    with pytest.MonkeyPatch.context() as patch:
        for number, (day, rows) in enumerate(zip(DAYS, loads, strict=True)):
            at(patch, day)
            fed(fleet, write(home / f"{number}.csv", rows))
        moments.give_name(fleet, "as reported in May", "Q. Manager")
        at(patch, "2026-05-20")
        fleet.policy.write_text("[limits]\ncold_margin_psi = 6.0\n")
        stages.build(fleet)
    return fleet


def said(found, viewer=EVERYTHING):
    return {
        one["home_id"]: (one["what"], one["why"])
        for one in changes.as_json(viewer, Filters(), found)["homes"]
        if one["check_id"] == "cold-pressure-low"
    }


def test_each_change_and_why(three_loads):
    assert said(changes.changed(three_loads, "1", "2")) == {
        "corrected": ("corrected", "new visit"),
        "flagged": ("newly flagged", "new visit"),
        "mended-row": ("gone", "corrected export"),
        "back-again": ("recurred", "new visit"),
        "new-home": ("newly flagged", "new visit"),
    }
    assert said(changes.changed(three_loads, "2", "3")) == {}
    assert said(changes.changed(three_loads, "3", "4")) == {"of-policy": ("newly flagged", "policy")}


def test_a_moment_is_found_by_number_name_and_day(three_loads):
    assert [one.number for one in moments.moments(three_loads)] == [1, 2, 3, 4]
    for asked, number in (
        ("3", 3),
        ("As reported in may", 3),
        ("2026-05-02", 3),
        ("2026-05-19", 3),
        ("2026-05-20", 4),
        ("2026-04-30", 2),
        ("2026-04-14", 1),
    ):
        assert moments.find(three_loads, asked).number == number
    for asked in ("2026-03-29", "9", "June"):
        with pytest.raises(FleetError, match="the newest are 1 .2026-03-30.*'as reported in May'"):
            moments.find(three_loads, asked)
    with pytest.raises(FleetError, match="is the later one of the two"):
        changes.changed(three_loads, "3", "2")


def test_a_viewer_sees_only_their_agencies(three_loads):
    found = changes.changed(three_loads, "1", "4")
    assert said(found) and said(found, Viewer(("Nobody",))) == {}
    assert said(found, Viewer(("alder  county",))) == said(found)


# ---- equality


def sorted_rows(table):
    return sorted(map(str, table.to_pylist()))


def test_a_moment_is_what_a_rebuild_of_it_gives(three_loads, tmp_path):
    """Also of the first, whose snapshot was let go since."""
    fleet = Fleet(shutil.copytree(three_loads.path, tmp_path / "fleet"))
    assert len(fleet.snapshots()) == 3
    kept = {one.number: moments.read(one.path) for one in moments.moments(fleet)}
    for number in kept if FULL else (1, 2):
        rebuilt = stages.rebuild_state(fleet, number).path
        found = of_snapshots.of(fleet, attach(rebuilt), fleet.state_of(rebuilt))
        assert sorted_rows(found) == sorted_rows(kept[number]) and kept[number].num_rows > 5
    assert proof.faults(fleet) == [] and list(of_snapshots.faults(fleet)) == []


def test_a_remade_day_is_what_was_known_under_todays_policy(three_loads):
    """Of the day since which nothing changed it equals what was kept; of an earlier one the policy shows."""
    today = trials.remade(three_loads, date(2026, 5, 20), Progress())
    assert sorted_rows(today.table) == sorted_rows(moments.read(moments.find(three_loads, "4").path))
    found = changes.changed(three_loads, "2026-03-31", "2026-04-30", remade=True)
    assert said(found) == said(changes.changed(three_loads, "1", "2"))
    assert "2026-03-31 is remade from what had been received by then" in found.notes[0]
    against_kept = said(changes.changed(three_loads, "2", "2026-05-20", remade=True))
    assert against_kept == {"of-policy": ("newly flagged", "policy")}
    with pytest.raises(FleetError, match="had received nothing by 2026-03-01"):
        changes.changed(three_loads, "2026-03-01", "4", remade=True)


VISITS = st.lists(
    st.tuples(st.integers(1, 6), st.sampled_from((LOW, FINE, "")), st.integers(1, 9), st.integers(1, 3)),
    min_size=1,
    max_size=5,
)


@given(st.lists(VISITS, min_size=2, max_size=3))
@settings(max_examples=25 if FULL else 1, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_what_changed_is_what_two_snapshots_say(tmp_path_factory, loads):
    """By sets of home_checks of both snapshots, apart from the comparison."""
    home = tmp_path_factory.mktemp("any")
    fleet = Fleet(home / "fleet").create()
    states = []
    for number, visits in enumerate(loads):
        rows = {
            inspection: visit(
                inspection, f"H-{of}", f"2026-01-{day:02}", cold, updated_at=f"2026-02-{number + 1:02}"
            )
            for inspection, (of, cold, day, _) in enumerate(visits, start=1 + number * visits[0][3])
        }
        _, snapshot = fed(fleet, write(home / f"{number}.csv", list(rows.values())))
        states.append(
            {
                tuple(key): state
                for *key, state in snapshot.rows(
                    "SELECT agency, home_id, system_id, check_id, state FROM home_checks"
                )
            }
        )
    numbers = [one.number for one in moments.moments(fleet)]
    before, after = states[0], states[len(numbers) - 1]
    found = changes.changed(fleet, str(numbers[0]), str(numbers[-1]))
    told = {
        (one["agency"], one["home_id"], one["system_id"], one["check_id"]): one["what"]
        for one in changes.as_json(EVERYTHING, Filters(), found)["homes"]
    }
    opened = ("open", "recurred", "repair did not hold")

    def those(side):
        return {key for key, state in side.items() if state in opened}

    came, went = those(after) - those(before), those(before) - those(after)
    assert {key for key, what in told.items() if what in differences.WENT} == went
    assert {key for key in told if key not in those(before)} == came
    assert {key for key, what in told.items() if what == "corrected"} == {
        key for key in went if after.get(key) == "corrected"
    }


# ---- kept for good, and proven


def test_moments_of_a_purged_export_go_with_it(three_loads, tmp_path):
    fleet = Fleet(shutil.copytree(three_loads.path, tmp_path / "fleet"))
    second = next(one for one in fleet.received() if one.file_name == "1.csv")
    done = purge.purge(fleet, second.sha256, "sent by mistake")
    assert not done.remaining
    assert [one.number for one in moments.moments(fleet)] == [1, 5]
    for one in moments.moments(fleet):
        assert "new-home" not in moments.read(one.path).column("home_id").to_pylist()
    with pytest.raises(FleetError, match="keeps no moment 'as reported in May'"):
        moments.find(fleet, "as reported in May")
    assert stages.verify(fleet) == []


def test_a_moment_that_was_changed_or_is_missing(three_loads, tmp_path):
    fleet = Fleet(shutil.copytree(three_loads.path, tmp_path / "fleet"))
    one = moments.find(fleet, "4")
    data = one.path.read_bytes()
    one.path.chmod(0o600)
    one.path.write_bytes(data[:-9] + bytes([data[-9] ^ 1]) + data[-8:])
    assert any("is no moment as it was kept" in fault for fault in proof.faults(fleet))
    with pytest.raises(FleetError, match="is no moment as it was kept"):
        changes.changed(fleet, "3", "4")
    one.path.unlink()
    wrong = moments.read(moments.find(fleet, "3").path)
    moments.keep(fleet, one.state.snapshot, wrong)
    assert any("is not what 00000004" in fault for fault in of_snapshots.faults(fleet))
    moments.remove(moments.files(fleet)[one.path.name[:21]])
    of_snapshots.keep(fleet, 60, Progress())  # as the next load does after one that died before it
    assert moments.read(moments.find(fleet, "4").path).num_rows and not list(of_snapshots.faults(fleet))


def test_what_is_let_go(three_loads, tmp_path):
    """Kept for good: the newest, the last of each month, and what has a name."""
    fleet = Fleet(shutil.copytree(three_loads.path, tmp_path / "fleet"))
    there = moments.moments(fleet)
    with fleet.states_log.locked():
        for one in there[:3]:
            fleet.write_state(replace(one.state, when="2026-03-10T00:00:00Z"))
    moments.prune(fleet, 1)
    assert [one.number for one in moments.moments(fleet)] == [3, 4]
    moments.prune(fleet, 1)
    assert moments.moments(fleet)[0].names == ("as reported in May",)


@pytest.mark.parametrize("name", ["", " ", "12", "2026-05-31"])
def test_a_name_that_says_something_else_is_refused(three_loads, name):
    with pytest.raises(FleetError, match="is no name"):
        moments.give_name(three_loads, name)


def test_a_name_is_given_once(three_loads, tmp_path):
    fleet = Fleet(shutil.copytree(three_loads.path, tmp_path / "fleet"))
    with pytest.raises(FleetError, match="is called 'as reported in May'"):
        moments.give_name(fleet, "As reported in May")
    assert moments.give_name(fleet, "June  now").names == ("June now",)
    assert moments.give_name(fleet, "June now").names == ("June now",)
    assert len(moments.names(fleet)) == 2


# ---- what the sides rest on


def side(**more):
    return changes.Side(
        **{"said": {}, "table": None, "log_length": 1, "inputs": {"policy": "a"}, "version": "1+2.x"} | more
    )


@pytest.mark.parametrize(
    ("more", "why"),
    [
        ({"inputs": {"policy": "b", "policy.toml": "c"}}, "policy"),
        ({"inputs": {"policy": "b"}}, "policy"),
        ({"inputs": {"policy": "b"}, "version": "2+3.y"}, "version"),
        ({"version": "9+2.x"}, "corrected export"),
        ({"inputs": {"policy": "a", "mapping:x": "1", "places": "2"}}, "mapping, places"),
        ({"inputs": {"policy": "b", "policy.toml": "c"}, "version": "2+3.y"}, "policy, version"),
    ],
)
def test_what_differs_where_no_export_does(more, why):
    assert changes.rest_of(side(), side(**more)) == why


# ---- the commands


def test_the_commands(three_loads, tmp_path):
    fleet = Fleet(shutil.copytree(three_loads.path, tmp_path / "fleet"))
    done = run(fleet, "changes", "--from", "1", "--to", "as reported in May", "--json")
    document = json.loads(done.stdout)
    assert document["from"]["snapshot"].startswith("00000001-")
    assert document["to"] == {
        "day": "2026-05-02",
        "remade": False,
        "snapshot": moments.find(fleet, "3").state.snapshot,
        "names": ["as reported in May"],
    }
    assert {one["what"] for one in document["homes"]} <= set(differences.WHAT)
    assert set(document["homes"][0]) >= {"agency", "home_id", "system_id", "check_id", "what", "why"}
    plain = run(fleet, "changes", "--from", "1")
    assert "changes over loads, of when it was known" in plain.stdout and "newly flagged" in plain.stdout
    assert "kept  in time" in run(fleet, "keep", "in time", "--by", "A").stdout
    assert run(fleet, "changes", "--from", "17").exit_code == 1
    assert run(fleet, "changes").exit_code == 2
