"""Clocks laid over a snapshot: what is open, when it must be acted on and corrected, what is late."""

import json
import os
import random
import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.deciding import EVERYTHING as ALL_OPEN
from dashboard.filters import BETWEEN
from pipelines import cli
from pipelines.answers import lists
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.answers.decisions import overlay
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.policy import policy as policies
from pipelines.fleet import decided
from pipelines.fleet.decided import Decision, Refused
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError, Log
from pipelines.receiving import door, taking
from pipelines.snapshot import stages
from pipelines.snapshot.version import attach
from tests import families


def test_what_is_open_is_what_the_long_view_says(sample_snapshot):
    """The overlay reads narrow columns; the view is what others read."""
    names = ("agency", "home_id", "system_id", "check_id", "inspection_id", "state", "stage", "since", "risk")
    view = sample_snapshot.rows(
        f"""
        SELECT {", ".join(names)}
        FROM home_checks
        WHERE state IN ('open', 'recurred', 'repair did not hold')"""
    )
    ours = [
        tuple(row[name] for name in names)
        for row in overlay(sample_snapshot, (), date(2026, 1, 1)).to_pylist()
    ]
    assert sorted(ours) == sorted(view) and len(ours) > 1000


def test_clocks_are_the_policys_days_from_the_first_visit(sample_snapshot):
    clocks = policies.load().clocks
    seen = set()
    for row in overlay(sample_snapshot, (), date(2026, 1, 1)).to_pylist():
        days = clocks[row["risk"]]
        seen.add(row["risk"])
        assert (days is None) == (row["due"] is None) == (row["act_by"] is None)
        if days:
            assert ((row["act_by"] - row["since"]).days, (row["due"] - row["since"]).days) == days
    assert seen == set(clocks)


def test_a_deficiency_is_late_from_the_day_after_it_was_due(sample_snapshot):
    one = next(row for row in overlay(sample_snapshot, (), date.min).to_pylist() if row["due"])
    of_it = (
        "d.agency = ? AND d.home_id = ? AND d.system_id = ? AND d.check_id = ?",
        [one[name] for name in ("agency", "home_id", "system_id", "check_id")],
    )

    def late(day):
        return overlay(sample_snapshot, (), day, *of_it).column("days_late").to_pylist()

    assert one["days_late"] <= 0 and late(one["due"]) == [0]
    assert late(date.fromordinal(one["due"].toordinal() + 1)) == [1]


def test_without_a_clock_nothing_is_ever_late(sample_snapshot):
    far = overlay(sample_snapshot, (), date(2999, 1, 1)).to_pylist()
    assert {row["days_late"] > 0 for row in far if row["risk"] == "low"} == {False} and {
        row["days_late"] > 0 for row in far if row["risk"] != "low"
    } == {True}


def test_a_condition_narrows_over_homes_and_checks(sample_snapshot):
    rows = overlay(
        sample_snapshot,
        (),
        date(2026, 1, 1),
        "h.region = ? AND d.check_id = ?",
        ["Tarn Plateau", "relief-stained"],
    ).to_pylist()
    counted = sample_snapshot.rows(
        """
        SELECT sum(systems)
        FROM tally
        WHERE region = 'Tarn Plateau' AND check_id = 'relief-stained' AND risk IS NOT NULL"""
    )[0][0]
    assert len(rows) == counted > 0 and {row["check_id"] for row in rows} == {"relief-stained"}


# ---- what was decided

FULL = os.environ.get("COLDFILL_FULL") == "1"

HEADINGS = (
    "agency,inspection_id,home_id,system_id,inspected_on,heating_system,leaks_seen,vent_cap,relief_present\n"
)


@pytest.fixture(scope="module")
def two_homes(tmp_path_factory):
    """A fleet of one home with two systems and of one with one; tests change copies of it."""
    folder = tmp_path_factory.mktemp("two")
    fleet = Fleet(folder / "fleet").create()
    (folder / "one.csv").write_text(
        HEADINGS + "A,1,H1,,2026-01-05,hot_water,dripping,tight,no\n"
        "A,2,H2,X,2026-01-05,hot_water,dripping,tight,no\nA,3,H2,Y,2026-01-06,hot_water,weeping,tight,yes\n"
    )
    door.load(fleet, [folder / "one.csv"])
    stages.build(fleet)
    return fleet


@pytest.fixture
def decided_on(two_homes, tmp_path):
    """A fleet of one home with two systems and of one with one, and a function that takes decisions on it."""
    fleet = Fleet(shutil.copytree(two_homes.path, tmp_path / "fleet"))
    snapshot = attach(fleet.current())

    def take(what, home="H1", check="leak-seen", at="2026-02-01", **more):
        one = Decision(
            who="Q. R.", agency="a", home_id=home, check_id=check, what=what, at=f"{at}T15:00:00Z", **more
        )
        return taking.take(fleet, snapshot, [one])[0]

    return fleet, snapshot, take


def says(snapshot, as_of=date(2026, 3, 1)):
    """(home, system, check): (what was decided, whether it is in force) of what is decided."""
    return {
        (row["home_id"], row["system_id"], row["check_id"]): (row["decided"], row["acted"])
        for row in overlay(snapshot, None, as_of).to_pylist()
        if row["decided"]
    }


def test_a_decision_is_in_force_at_once_and_taken_back_by_a_line(decided_on):
    fleet, snapshot, take = decided_on
    assert says(snapshot) == {}
    one = take("ordered", measure="repair-leak")
    assert says(snapshot) == {("H1", "", "leak-seen"): ("ordered repair-leak", True)}
    take("undone", check="", undoes=str(one.id))
    assert says(snapshot) == {}
    take("undone", check="", undoes="2")  # who takes back a taking back has the first again
    assert says(snapshot) == {("H1", "", "leak-seen"): ("ordered repair-leak", True)}
    take("undone", check="", undoes="3")  # and once more
    assert says(snapshot) == {}
    take("undone", check="", undoes="4")
    assert says(snapshot) == {("H1", "", "leak-seen"): ("ordered repair-leak", True)}
    assert [line.what for line in decided.read(fleet)] == ["ordered", *["undone"] * 4]
    assert says(snapshot, date(2026, 1, 31)) == {}  # it was not taken yet


def test_a_decision_of_an_evening_in_the_west_is_in_force_at_once(decided_on):
    """There it is still the day before the one that the log, in UTC, has."""
    fleet, snapshot, _ = decided_on
    one = Decision(who="Q.", agency="A", home_id="H1", check_id="leak-seen", what="seen")
    decided.append(fleet, [replace(one, at="2026-02-02T03:30:00Z")])
    assert says(snapshot, date(2026, 2, 1)) and not says(snapshot, date(2026, 1, 31))


def test_the_last_decision_stands(decided_on):
    _, snapshot, take = decided_on
    take("seen")
    take("assigned", to="Crew 3", at="2026-02-02")
    assert says(snapshot)["H1", "", "leak-seen"] == ("assigned to Crew 3", True)


def test_a_decision_on_everything_reaches_what_is_open_there_and_no_other_home(decided_on):
    _, snapshot, take = decided_on
    take("no access", check="")
    found = says(snapshot)
    assert {key[0] for key in found} == {"H1"} and len(found) >= 2


def test_a_decision_without_a_system_is_taken_for_each_in_which_it_is_open(decided_on):
    fleet, snapshot, take = decided_on
    take("seen", home="H2")
    assert set(says(snapshot)) == {("H2", "X", "leak-seen"), ("H2", "Y", "leak-seen")}
    take("assigned", home="H2", system_id="Y", to="Crew 1")
    assert says(snapshot)["H2", "Y", "leak-seen"] == ("assigned to Crew 1", True)
    assert says(snapshot)["H2", "X", "leak-seen"] == ("seen", True)


def test_a_line_without_a_system_speaks_of_a_home_with_one_alone(decided_on):
    """As a script may have written it: of two systems nobody knows which is meant."""
    fleet, snapshot, _ = decided_on
    for home in ("H1", "H2"):
        one = Decision(who="Q.", agency="A", home_id=home, check_id="leak-seen", what="seen")
        decided.append(fleet, [replace(one, at="2026-02-01T00:00:00Z")])
    assert {key[0] for key in says(snapshot)} == {"H1"}


def test_acceptance_ends_with_its_day_and_never_covers_act_today(decided_on):
    _, snapshot, take = decided_on
    take("accepted", why="cosmetic", until="2026-03-01")
    assert says(snapshot)["H1", "", "leak-seen"] == ("accepted until 2026-03-01: cosmetic", True)
    assert says(snapshot, date(2026, 3, 2))["H1", "", "leak-seen"] == (
        "accepted until 2026-03-01: cosmetic, expired",
        False,
    )
    for what in ("accepted", "deferred"):
        with pytest.raises(Refused, match="home H2: what must be acted on today"):
            take(what, home="H2", system_id="X", check="relief-missing", why="later", until="2026-03-01")


def test_done_is_a_claim_until_a_later_visit_or_the_time_is_up(decided_on, tmp_path):
    fleet, snapshot, take = decided_on
    take("done", done_on="2026-02-01")
    assert says(snapshot)["H1", "", "leak-seen"][1]
    assert says(snapshot, date(2026, 4, 2))["H1", "", "leak-seen"][1]  # sixty days
    assert says(snapshot, date(2026, 4, 3))["H1", "", "leak-seen"] == (
        "done on 2026-02-01, not borne out in time",
        False,
    )
    (tmp_path / "two.csv").write_text(HEADINGS + "A,9,H1,,2026-02-20,hot_water,dripping,loose,yes\n")
    door.load(fleet, [tmp_path / "two.csv"])
    after = attach(stages.build(fleet))
    assert says(after)["H1", "", "leak-seen"] == ("done on 2026-02-01, found again by a later visit", False)
    (tmp_path / "three.csv").write_text(HEADINGS + "A,10,H1,,2026-02-25,hot_water,none,loose,yes\n")
    door.load(fleet, [tmp_path / "three.csv"])
    assert ("H1", "", "leak-seen") not in says(attach(stages.build(fleet)))


def test_a_run_that_began_after_a_decision_is_not_decided(decided_on, tmp_path):
    fleet, _, take = decided_on
    take("seen")
    (tmp_path / "two.csv").write_text(
        HEADINGS
        + "A,9,H1,,2026-02-20,hot_water,none,loose,yes\nA,10,H1,,2026-02-25,hot_water,dripping,loose,yes\n"
    )
    door.load(fleet, [tmp_path / "two.csv"])
    assert says(attach(stages.build(fleet))) == {}


@pytest.mark.parametrize(
    ("what", "more", "words"),
    [
        ("repaired", {}, "no decision 'repaired'; there are seen, ordered"),
        ("accepted", {"until": "2026-03-01"}, "accepted needs why"),
        ("deferred", {"why": "x", "until": "03/01/2026"}, "until needs a day as 2026-03-01"),
        ("ordered", {"measure": "polish"}, "no measure called 'polish'; there are set-charge"),
        ("seen", {"home": "H9"}, "no home 'H9' of 'A'"),
        ("seen", {"check": "leak"}, "no check called 'leak'"),
        ("seen", {"check": "tank-missing"}, "has not 'No expansion tank on a closed loop' open"),
        ("undone", {"undoes": "7"}, "there is no decision 7 to undo"),
        ("seen", {"home": ""}, "a decision needs home id"),
    ],
)
def test_what_cannot_be_decided_is_refused_in_words_and_nothing_appended(decided_on, what, more, words):
    fleet, _, take = decided_on
    with pytest.raises(Refused, match=re.escape(words)):
        take(what, **more)
    assert decided.read(fleet) == ()


def test_a_batch_is_taken_whole_or_not_at_all(decided_on):
    fleet, snapshot, _ = decided_on
    good = Decision(who="Q. R.", agency="A", home_id="H1", check_id="leak-seen", what="seen")
    with pytest.raises(Refused):
        taking.take(fleet, snapshot, [good, replace(good, home_id="H9")])
    assert decided.read(fleet) == ()


def test_a_changed_line_is_named(decided_on):
    fleet, _, take = decided_on
    take("seen")
    take("referred", to="A plumber")
    log = fleet.path / "decisions.csv"
    log.write_text(log.read_text().replace("Q. R.", "Z. Z.", 1))
    with pytest.raises(FleetError, match="line 2, is damaged"):
        decided.read(fleet)
    assert any("decisions.csv" in fault for fault in stages.verify(fleet))


@pytest.mark.parametrize(
    "damage",
    families.first(
        2,
        [
            lambda log: log.write_text("".join(log.read_text().splitlines(keepends=True)[:-1])),
            lambda log: log.write_text(log.read_text().replace("A plumber", "A roofer")),
            lambda log: log.unlink(),
            lambda log: log.write_bytes(log.read_bytes()[:-9]),
        ],
    ),
    ids=["its last line lost", "its last line changed", "the log lost", "its last line cut"],
)
def test_a_lost_or_changed_last_line_is_refused_and_named(decided_on, damage):
    fleet, snapshot, take = decided_on
    take("seen")
    take("referred", to="A plumber")
    log = decided.log_of(fleet).path
    kept = log.read_bytes()
    damage(log)
    with pytest.raises(FleetError, match=r"decisions\.csv, line 3, is lost or was changed"):
        decided.read(fleet)
    with pytest.raises(FleetError, match="put the file back from a backup"):
        take("refused", why="no")
    assert any("decisions.csv, line 3" in fault for fault in stages.verify(fleet))
    log.write_bytes(kept)
    take("refused", why="no")
    assert [one.what for one in decided.read(fleet)] == ["seen", "referred", "refused"]


def test_a_run_that_dies_between_a_line_and_what_is_kept_of_it_leaves_a_whole_log(decided_on, monkeypatch):
    fleet, _, take = decided_on
    take("seen")
    with monkeypatch.context() as dying:
        dying.setattr(Log, "_replace", lambda *_: (_ for _ in ()).throw(OSError))
        take("referred", to="A plumber")
    assert [one.what for one in decided.read(fleet)] == ["seen", "referred"]
    take("refused", why="no")
    assert [one.what for one in decided.read(fleet)] == ["seen", "referred", "refused"]


@pytest.mark.parametrize("seed", range(60 if FULL else 2))
def test_any_sequence_of_decisions_and_loads_gives_the_same_overlay_however_it_came(tmp_path, seed):
    """Files and decisions in turn, or every file first: the same, on every day."""
    luck = random.Random(seed)
    files = [
        HEADINGS
        + "".join(
            f"A,{number}{home},{home},,2026-0{number + 1}-1{luck.randrange(9)},hot_water,"
            f"{luck.choice(['none', 'dripping', ''])},{luck.choice(['loose', 'tight'])},yes\n"
            for home in ("H1", "H2", "H3")
        )
        for number in range(3)
    ]
    lines = [
        Decision(
            who="Q.",
            agency="A",
            home_id=luck.choice(["H1", "H2", "H3"]),
            at=f"2026-0{luck.randrange(1, 7)}-15T00:00:00Z",
            check_id=luck.choice(["leak-seen", "vent-cap-tight", ""]),
            what=luck.choice(["seen", "done", "accepted"]),
            done_on="2026-02-20",
            until=f"2026-0{luck.randrange(3, 7)}-01",
            why="so",
        )
        for _ in range(6)
    ]
    back = {"what": "undone", "undoes": str(luck.randrange(1, 6)), "at": "2026-04-01T00:00:00Z"}
    lines.append(Decision(who="Q.", agency="A", home_id="H1", **back))

    def overlaid(name, order):
        fleet = Fleet(tmp_path / name).create()
        for step in order:
            if isinstance(step, int):
                (tmp_path / f"{step}.csv").write_text(files[step])
                door.load(fleet, [tmp_path / f"{step}.csv"])
            else:
                decided.append(fleet, [step])
        snapshot = attach(stages.build(fleet))
        days = [date(2026, month, 1) for month in range(1, 8)]
        return [
            sorted(map(str, overlay(snapshot, None, day).drop_columns(["export_id"]).to_pylist()))
            for day in days
        ]

    in_turn = [0, *lines[:3], 1, *lines[3:5], 2, *lines[5:]]
    assert overlaid("turn", in_turn) == overlaid("first", [0, 1, 2, *lines])


# ---- from the command line


def test_a_decision_from_the_command_line(decided_on):
    fleet, snapshot, _ = decided_on
    words = [
        "a",
        "H1",
        "leak-seen",
        "accepted",
        "--by",
        "Q. R.",
        "--why",
        "cosmetic",
        "--until",
        "2999-01-01",
    ]
    done = CliRunner().invoke(cli.main, ["decide", *words, "--fleet", str(fleet.path), "--json"])
    assert done.exit_code == 0, done.output
    assert [one["until"] for one in json.loads(done.stdout)["decisions"]] == ["2999-01-01"]
    (taken,) = decided.read(fleet)
    assert (taken.who, taken.agency, taken.what) == ("Q. R.", "A", "accepted")
    listed = lists.flagged(EVERYTHING, snapshot, Filters(check=("leak-seen",)), date(2999, 1, 1)).rows
    assert "accepted until 2999-01-01: cosmetic" in listed.column("decided").to_pylist()


def test_a_decision_that_cannot_be_is_one_line_and_exit_status_1(decided_on):
    fleet, _, _ = decided_on
    words = ["decide", "A", "H2", "-", "no-access", "--system", "Z", "--by", "Q.", "--fleet", str(fleet.path)]
    done = CliRunner().invoke(cli.main, words)
    assert (done.exit_code, done.stdout) == (1, "")
    assert done.stderr == "home H2 of A has not 'anything' open\n"


def test_decisions_of_two_at_once_are_both_kept(decided_on):
    fleet, snapshot, _ = decided_on
    one = Decision(who="Q.", agency="A", home_id="H1", check_id="leak-seen", what="seen")
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda _: taking.take(fleet, snapshot, [one]), range(40)))
    assert [line.id for line in decided.read(fleet)] == list(range(1, 41))


# ---- on the pages

OF_LEAK = f"{BETWEEN}leak-seen"
ON = f"on {OF_LEAK}"


def asked_of_row(show, fleet):
    """The page of a home with the dialog that its row of the leak opens."""
    return show(fleet, "home", of="A", home="H1", as_of="2999-01-01", decide=OF_LEAK)


def named(page, label):
    return next(button for button in page.button if button.label == label)


def test_a_home_is_decided_on_in_the_dialog_of_its_rows_alone(decided_on, show):
    fleet, _, _ = decided_on
    page = show(fleet, "home", of="A", home="H1", as_of="2999-01-01")
    assert not page.exception and "Record it" not in [button.label for button in page.button]
    page = asked_of_row(show, fleet)
    assert [button.label for button in page.button].count("Record it") == 1


def test_a_decision_on_a_page_is_in_force_on_every_page_and_taken_back_there(decided_on, show):
    fleet, _, _ = decided_on

    def without_action():
        body = "".join(part.proto.body for part in show(fleet, "fleet", as_of="2999-01-01").get("html"))
        row = re.search(r"No action recorded.*?</tr>", body, re.S)[0]
        return sum(int(count) for count in re.findall(r">(\d+) in \d+", row))

    before = without_action()
    page = asked_of_row(show, fleet)
    assert all(named(page, label).disabled for label in ("Seen", "Record it"))  # nobody has said who decides
    page = page.text_input(key="name in the dialog").set_value("Q. R.").run()
    page = page.selectbox(key=ON).set_value(ALL_OPEN).run()
    page = named(page, "Seen").click().run()
    assert not page.exception
    (taken,) = decided.read(fleet)
    assert (taken.who, taken.home_id, taken.check_id, taken.what) == ("Q. R.", "H1", "", "seen")
    assert "seen" in "".join(part.proto.body for part in page.get("html"))
    of_home = sum(
        row["home_id"] == "H1" for row in overlay(attach(fleet.current()), (), date.max).to_pylist()
    )
    assert of_home >= 2 and without_action() == before - of_home
    named(page, "Take it back").click().run()
    assert [line.what for line in decided.read(fleet)] == ["seen", "undone"] and without_action() == before


@pytest.mark.parametrize("check_id", ["leak-seen", "relief-missing"])
def test_what_fixes_the_deficiency_is_offered_first(decided_on, show, check_id):
    fleet, _, _ = decided_on
    page = asked_of_row(show, fleet)
    on = page.selectbox(key=ON)
    titles = {check.id: check.title for check in HOME_CHECKS}
    page = on.set_value(titles[check_id]).run()
    (measure,) = (box for box in page.selectbox if box.label == "Measure")
    fixing = {one.title for one in policies.load().measures if check_id in one.fixes}
    assert fixing and set(measure.options[: len(fixing)]) == fixing and measure.options[0] in fixing


def test_what_cannot_be_decided_is_said_on_the_page(decided_on, show):
    fleet, _, _ = decided_on
    page = asked_of_row(show, fleet)
    page = page.text_input(key="name in the dialog").set_value("Q. R.").run()
    page = page.selectbox(key=ON).set_value(ALL_OPEN).run()
    page = page.selectbox(key="or").set_value("accepted").run()
    page = page.text_input(key="why accepted").set_value("later").run()
    page = named(page, "Record it").click().run()
    assert "cannot be accepted" in "".join(part.proto.body for part in page.get("html"))
    assert decided.read(fleet) == ()


def test_a_decision_on_chosen_homes_is_one_batch_on_the_check_the_page_is_narrowed_to(decided_on, show):
    fleet, snapshot, _ = decided_on
    page = show(fleet, "homes", check="leak-seen", as_of="2999-01-01")
    page.session_state["chosen"] = tuple(f"{home}{BETWEEN}A" for home in ("H1", "H2"))
    page = page.run()
    page = page.text_input(key="decides").set_value("Q. R.").run()
    record = next(button for button in page.button if button.label == "Record it for all of them")
    assert not record.click().run().exception
    assert {(one.home_id, one.system_id, one.check_id) for one in decided.read(fleet)} == {
        ("H1", "", "leak-seen"),
        ("H2", "X", "leak-seen"),
        ("H2", "Y", "leak-seen"),
    }
    assert len(says(snapshot, date(2999, 1, 1))) == 3


# ---- the overlay, against plain Python


WAYS = st.builds(
    lambda home, what, day, more: (home, what, day, more),
    st.sampled_from([("H1", ""), ("H2", ""), ("H2", "X"), ("H2", "Y")]),
    st.sampled_from(["seen", "done", "accepted", "deferred", "no access", "undone"]),
    st.integers(0, 80),
    st.tuples(st.sampled_from(["", "leak-seen", "vent-cap-tight"]), st.integers(-40, 40), st.integers(1, 12)),
)


@pytest.fixture(scope="module")
def opened(tmp_path_factory):
    """A snapshot of three systems, and what is open in it."""
    fleet = Fleet(tmp_path_factory.mktemp("overlay") / "fleet").create()
    (fleet.path / "one.csv").write_text(
        HEADINGS + "A,1,H1,,2026-01-05,hot_water,dripping,tight,no\n"
        "A,2,H2,X,2026-01-05,hot_water,dripping,tight,no\n"
        "A,3,H2,Y,2026-02-06,hot_water,weeping,tight,yes\n"
    )
    door.load(fleet, [fleet.path / "one.csv"])
    snapshot = attach(stages.build(fleet))
    return snapshot, overlay(snapshot, (), DAY_ONE).to_pylist()


DAY_ONE = date(2026, 1, 20)


def by_hand(rows, lines, as_of):
    """What stands on each open deficiency, line after line, in plain Python."""
    taken = [one for one in lines if date.fromisoformat(one.at[:10]) <= as_of]
    undone = set()
    for one in reversed(taken):
        if one.what == "undone" and one.id not in undone:
            undone.add(int(one.undoes))
    found = {}
    for row in rows:
        for one in taken:
            if one.id in undone or one.what == "undone" or one.home_id != row["home_id"]:
                continue
            of_system = one.system_id == row["system_id"] or (not one.system_id and one.home_id == "H1")
            since = date.fromisoformat(one.at[:10]) >= row["since"]
            if of_system and since and one.check_id in ("", row["check_id"]):
                stale = one.what == "done" and (
                    row["decided_on"] > date.fromisoformat(one.done_on)
                    or (as_of - date.fromisoformat(one.done_on)).days > 60
                )
                ended = one.what in ("accepted", "deferred") and (
                    row["risk"] == "act today" or date.fromisoformat(one.until) < as_of
                )
                found[row["home_id"], row["system_id"], row["check_id"]] = one.id, not (stale or ended)
    return found


@settings(max_examples=600 if FULL else 40)
@given(ways=st.lists(WAYS, max_size=12), as_of=st.integers(0, 120), cut=st.integers(0, 12))
def test_any_sequence_of_decisions_gives_what_reading_them_line_by_line_gives(opened, ways, as_of, cut):
    """And the same whether the log is read whole, or was read up to a line before."""
    snapshot, rows = opened
    lines = []
    for number, ((home, system), what, day, (check, shift, undoes)) in enumerate(ways, start=1):
        at = date.fromordinal(DAY_ONE.toordinal() + day)
        if what == "undone" and not lines:
            continue
        lines.append(
            Decision(
                id=len(lines) + 1,
                at=f"{at}T15:00:00Z",
                who="Q.",
                agency="A",
                home_id=home,
                system_id=system,
                check_id=check,
                what=what,
                done_on=str(date.fromordinal(at.toordinal() + shift)) if what == "done" else "",
                until=str(date.fromordinal(at.toordinal() + shift)),
                why=f"{number}",
                undoes=str(min(undoes, len(lines))) if what == "undone" else "",
                line_before=str(ways[:number]),
            )
        )
    day = date.fromordinal(DAY_ONE.toordinal() + as_of)
    overlay(snapshot, tuple(lines[:cut]), day)
    said = {
        (row["home_id"], row["system_id"], row["check_id"]): (row["decided"], row["acted"])
        for row in overlay(snapshot, tuple(lines), day).to_pylist()
        if row["decided"]
    }
    wanted = by_hand(rows, lines, day)
    assert {key: acted for key, (_, acted) in said.items()} == {
        key: acted for key, (_, acted) in wanted.items()
    }
    for key, (words, _) in said.items():
        assert f": {lines[wanted[key][0] - 1].why}" in words
