"""The demonstration: the samples as they would have come, month by month, and a today of its own."""

import csv
import shutil
from datetime import date

import pytest
from click.testing import CliRunner

from pipelines.answers import changes, decisions, waiting
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.cli import main
from pipelines.fleet import logs
from pipelines.fleet.decided import Decision
from pipelines.fleet.folder import Fleet
from pipelines.fleet.snapshots import attach
from pipelines.receiving import demo, door, taking
from pipelines.snapshot import stages


@pytest.fixture(scope="module")
def shown(tmp_path_factory):
    """The files of each load, without a build: (target, names and bytes by load)."""
    target = tmp_path_factory.mktemp("demo") / "fleet"
    demo.fresh_folder(target)
    fleet, loads = Fleet(target), []

    def load_files(files):
        arrivals = door.load(fleet, files)
        assert {one.status for one in arrivals} == {"loaded"}
        loads.append({path.name: path.read_bytes() for path in door.files_in(files)})

    demo.load(target, load_files)
    return target, loads


@pytest.mark.slow
def test_each_load_holds_the_rows_of_visits_up_to_its_month_and_no_other_line_changed(shown):
    _, loads = shown
    assert [len(files) for files in loads] == [4, 4, 4]
    for name, whole in loads[-1].items():
        lines = whole.splitlines()
        earlier = [
            files[f"{name.removesuffix('.csv')}-{end:%Y-%m}.csv"].splitlines()
            for files, end in zip(loads[:-1], demo.MONTHS[:-1], strict=True)
        ]
        assert len(earlier[0]) < len(earlier[1]) < len(lines)
        for kept in earlier:
            rest = iter(lines)
            assert all(line in rest for line in kept)  # in their order, none made up


def test_logs_are_written_on_days_of_the_scenario_and_clocks_count_to_its_last(shown):
    target, _ = shown
    with open(target / "received.csv", encoding="utf-8") as log:
        days = [row["when"][:10] for row in csv.DictReader(log)]
    assert days == [demo.loaded_on(end).isoformat() for end in demo.MONTHS for _ in range(4)]
    assert logs.today(target) == demo.loaded_on(demo.MONTHS[-1]) == date(2026, 9, 2)
    assert logs.now_utc() > "2026-09-02T15:00:01"  # the present again


def test_another_fleet_counts_to_today(tmp_path):
    assert logs.today(tmp_path) == date.today()
    (tmp_path / logs.COUNTS_TO).write_text("no day\n", encoding="utf-8")
    assert logs.today(tmp_path) == date.today()


@pytest.mark.slow
def test_the_demonstration_comes_to_what_the_samples_come_to(shown, sample_snapshot, tmp_path):
    """Fed in months, what is open is what the samples alone give; due dates count to its own day."""
    target, _ = shown
    fleet = Fleet(shutil.copytree(target, tmp_path / "fleet"))
    stages.build(fleet)
    snapshot = attach(fleet.current())
    of_homes = "SELECT agency, home_id, headline, risk, stage, open_deficiencies FROM homes ORDER BY ALL"
    assert snapshot.rows(of_homes) == sample_snapshot.rows(of_homes)
    said = CliRunner().invoke(main, ["flagged", "--fleet", str(fleet.path)]).stderr
    assert "as of: 2026-09-02" in said
    asked = CliRunner().invoke(main, ["flagged", "--fleet", str(fleet.path), "--as-of", "2026-01-31"]).stderr
    assert "as of: 2026-01-31" in asked


@pytest.mark.slow
def test_what_is_decided_in_the_demonstration_is_in_force_there_at_once(shown, tmp_path):
    """Its today lies months behind: a decision of that day counts, and one done on it is not ahead."""
    target, _ = shown
    fleet = Fleet(shutil.copytree(target, tmp_path / "fleet"))
    stages.build(fleet)
    snapshot, today = attach(fleet.current()), logs.today(target)
    agency, home = snapshot.rows("SELECT agency, home_id FROM opened ORDER BY ALL LIMIT 1")[0]
    done = Decision(who="Q. Manager", agency=agency, home_id=home, what="done", done_on=today.isoformat())
    taking.take(fleet, snapshot, [done])
    found = decisions.overlay(snapshot, None, today, "d.agency = ? AND d.home_id = ?", [agency, home])
    assert found.num_rows and all(found["acted"].to_pylist())


@pytest.mark.slow
def test_the_demonstration_has_something_to_show_of_what_changed(tmp_path):
    target = tmp_path / "fleet"
    demo.fresh_folder(target)
    fleet = Fleet(target)

    def load_files(files):
        door.load(fleet, files)
        stages.build(fleet)

    demo.load(target, load_files)
    assert len(fleet.states()) == 3
    assert [one.when[:10] for one in fleet.states()] == [str(demo.loaded_on(end)) for end in demo.MONTHS]
    assert changes.changed(fleet, "1", "3").differences.num_rows > 50
    page = waiting.first_page(EVERYTHING, attach(fleet.current()), Filters(), logs.today(target))
    new = page.set_index("question").loc["new"]
    assert sum(new[f"deficiencies{place}"] for place in range(4)) > 10
