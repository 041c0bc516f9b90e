"""Gauges that are off are found and named since when; honest ones, small agencies and bystanders are not."""

import csv
import re
from datetime import date
from html import unescape
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest

from pipelines.answers import instruments as asked
from pipelines.answers.access import EVERYTHING, Filters, Viewer
from pipelines.audit import instruments as audited
from pipelines.audit.instruments import HUBER, instruments
from pipelines.audit.references import Apart
from pipelines.audit.side_by_side import SideBySide
from pipelines.engine.results import OUTCOMES
from pipelines.fleet import equality, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.snapshot import stages
from tests.conftest import SAMPLES
from tests.inspections import SOUND, loaded, shipped_policy, snapshot_of
from tests.made_visits import DAYS, FIRST_DAY, READINGS, pressures

EVERY_FLEET = range(12)


def found(connection):
    return instruments(SideBySide(connection, READINGS), shipped_policy()).to_pandas()


def told(connection):
    table = found(connection)
    return table[table["beyond_chance"]]


def test_a_gauge_two_psi_high_is_found_with_sixty_visits_and_nobody_else():
    """Stated power: always where honest gauges agree, in half the fleets or more where they differ by 0.3."""
    alike = [told(pressures(seed, off={3: 2.0})) for seed in EVERY_FLEET]
    assert all(list(one["inspector"]) == ["I. 003"] for one in alike)
    covered = sum(((one["low95"] <= 2.0) & (one["high95"] >= 2.0)).all() for one in alike)
    assert covered >= 10 and abs(np.mean([one["shift"].iloc[0] for one in alike]) - 2.0) < 0.15
    apart = [told(pressures(seed, 20, off={3: 2.0}, spread=0.3)) for seed in EVERY_FLEET]
    assert all(set(one["inspector"]) <= {"I. 003"} for one in apart)
    assert sum(len(one) for one in apart) >= len(apart) / 2


def test_none_of_a_hundred_honest_gauges_is_told():
    for seed in range(4):
        assert told(pressures(seed, 100)).empty
        assert told(pressures(seed, 100, spread=0.3)).empty
        assert told(pressures(seed, 100, settings=0.0, read_again=1.0)).empty


def test_the_gauge_planted_in_the_samples_is_told_and_no_other(sample_snapshot):
    """Planted 2 psi high from 2026-01-01 on: sample_exports/planted/README.txt.

    Without the shift no fill pressure that was truly right stays accused.
    """
    shifts = asked.shifts(EVERYTHING, sample_snapshot, Filters())
    (off,) = shifts[shifts["beyond_chance"]].itertuples()
    assert (off.inspector, off.reading) == ("K. V.", "pressure") and off.readings >= 60
    assert off.low95 < 2.0 < off.high95 and off.high95 - off.low95 < 0.5
    assert abs((off.since.date() - date(2026, 1, 1)).days) <= 14 and np.isnat(off.until.to_datetime64())
    check = "fill-pressure-off-setting"
    outcomes = dict(
        sample_snapshot.rows(
            "SELECT inspection_id, outcome FROM results WHERE agency = ? AND check_id = ?",
            [off.agency, check],
        )
    )
    with open(SAMPLES / "planted" / "truth.csv", encoding="utf-8", newline="") as lines:
        read_high = [row for row in csv.DictReader(lines) if "test gauge reads high" in row["habits"]]
    accused = [
        row for row in read_high if row[check] == "0" and outcomes[row["inspection_id"]] == "deficient"
    ]
    changes, _ = asked.without_shift(EVERYTHING, sample_snapshot, off.agency, off.inspector, off.reading)
    back = changes[(changes["check_id"] == check) & (changes["after"] == "ok")]
    assert len(accused) >= 5 and list(back["visits"]) == [len(accused)]


@pytest.mark.slow
def test_chance_alone_goes_beyond_chance_in_a_fleet_no_more_often_than_the_policy_says():
    """Of 60 fleets, before asking whether a shift is large enough; 8 or more happen 1 time in 100."""
    fleets = [found(pressures(seed, 10, 40)) for seed in range(60)]
    assert sum((one["adjusted_p"] <= shipped_policy().false_discoveries).any() for one in fleets) < 8


@pytest.mark.parametrize("since, until", [(250, DAYS), (0, 200)])
def test_a_shift_is_told_from_when_and_until_when(since, until):
    row = told(pressures(5, visits=100, off={3: 2.0}, since=since, until=until)).iloc[0]
    assert row["inspector"] == "I. 003" and abs(row["shift"] - 2.0) < 0.5
    edges = [(row["since"], since), (row["until"], until)]
    for day, truth in edges:
        if truth in (0, DAYS):
            continue
        assert abs((np.datetime64(day) - FIRST_DAY).astype(int) - truth) <= 25
    assert (row["until"] is None) == (until == DAYS)


def test_whoever_reads_after_a_gauge_that_is_off_does_not_read_off():
    """All that inspector 5 reads again was read by the bad gauge before; and the other way about."""
    for seed in range(3):
        connection = pressures(seed, off={3: 3.0}, read_again=1.0, second={3: 5, 5: 3})
        assert list(told(connection)["inspector"]) == ["I. 003"]


def test_of_three_gauges_nobody_can_say_which_one_is_off():
    table = found(pressures(1, 3, off={1: 4.0}))
    assert table["shift"].isna().all() and not table["beyond_chance"].any() and len(table) == 3


def test_what_stands_on_the_boilers_own_gauge_says_nothing_of_the_inspectors():
    assert found(pressures(1, off={3: 4.0}, read_with="boiler_gauge")).empty


def test_no_order_of_homes_changes_a_bit():
    columns = [found(pressures(7, off={3: 2.0, 4: -1.5}, order=order)) for order in (False, True)]
    assert columns[0].equals(columns[1]) and columns[0]["beyond_chance"].sum() == 2


def test_the_shift_is_hubers_estimate_as_an_independent_library_gives_it():
    import statsmodels.api as sm

    random = np.random.default_rng(3)
    above, error = random.standard_t(3, 50) + 1.0, random.uniform(0.5, 2.0, 50)
    apart = Apart(np.zeros(50, np.int64), np.arange(50), above, error)
    shift, _ = audited._shifts(apart, np.ones(50, bool), 1, 1.0, 1.0)
    fitted = sm.RLM(above / error, 1.0 / error, M=sm.robust.norms.HuberT(HUBER))
    other = fitted.fit(scale_est=sm.robust.scale.HuberScale(), update_scale=False)
    mine = np.clip((above - shift[0]) / error, -HUBER, HUBER) / error
    assert abs(mine.sum()) < 1e-2  # the estimate's own equation
    assert shift[0] == pytest.approx(other.params[0], abs=0.1)  # of another scale


def test_the_probability_of_a_run_pays_for_its_choice():
    """Among 4,000 walks of 60 readings, the clearest run from either end, of 10 or more."""
    random = np.random.default_rng(1)
    steps = random.normal(size=(4000, 60))
    size = np.arange(1, 61)
    ends = [np.abs(np.cumsum(one, 1)) / np.sqrt(size) for one in (steps, steps[:, ::-1])]
    clearest = np.maximum(*(one[:, 9:].max(1) for one in ends))
    for p in (0.2, 0.05, 0.01):
        reached = audited._chosen(clearest, np.full(4000, 60), 10) <= p
        assert reached.mean() <= p * 1.1 and reached.mean() > p / 8


# ---- whole snapshots


def rows_of_a_fleet(shift):
    """Finals of five inspectors at 14 homes each, the first one's test gauge off."""
    random = np.random.default_rng(2)
    for number in range(70):
        who = number % 5
        setting = float(random.choice([12.0, 14.0, 16.0]))
        cold = round(setting + random.normal(0.0, 0.5) + shift * (who == 0), 1)
        yield SOUND | {
            "agency": "Alder County",
            "home_id": f"H-{number:03d}",
            "inspection_id": number,
            "inspected_on": date(2026, 1, 5 + number // 5),
            "inspector": f"{'ABCDE'[who]}. Z.",
            "crew": "Crew 1",
            "fill_setting_psig": setting,
            "cold_pressure_psig": cold,
            "hot_pressure_psig": cold + 5.0,
            "precharge_psig": setting,
        }


@pytest.fixture(scope="module")
def fleet(tmp_path_factory):
    return snapshot_of(tmp_path_factory.mktemp("gauges"), list(rows_of_a_fleet(4.0)))


def test_the_page_says_whose_gauge_is_off_and_leads_to_what_that_changes(fleet, show):
    folder = Fleet(Path(fleet.path).parent.parent)
    body = "\n".join(one.proto.body for one in show(folder, "crews", kind="inspector").get("html"))
    assert re.search(
        r"Pressures of A\. Z\. \(Alder County\) read about \d\.\d psi high since January 2026: "
        r"\d\.\d to \d\.\d psi, by 14 readings\.",
        body,
    )
    address = re.search(r'<a href="([^"]*off=[^"]*)"', body)[1]
    asked_for = {name: one[0] for name, one in parse_qs(urlsplit(unescape(address)).query).items()}
    page = "\n".join(one.proto.body for one in show(folder, "crews", **asked_for).get("html"))
    assert "without the shift" in page and "14 visits worked out again" in page
    assert "outcomes would change" in page


def test_without_the_shift_outcomes_change_back_and_start_from_those_of_the_snapshot(fleet):
    changes, visits = asked.without_shift(EVERYTHING, fleet, "Alder County", "A. Z.", "pressure")
    assert visits == 14
    high = changes[(changes["check_id"] == "fill-pressure-off-setting") & (changes["after"] == "ok")]
    assert high["visits"].sum() >= 10
    kept = fleet.rows(
        """
        SELECT check_id, outcome, count(*)
        FROM results
        JOIN readings USING (agency, inspection_id)
        WHERE inspector = 'A. Z.'
        GROUP BY ALL
        """
    )
    visits_of = asked._visits(EVERYTHING, fleet, "Alder County", "A. Z.", date(2026, 1, 1), None)
    policy = asked.policy_of(fleet).for_rows([("Alder County", "")] * 14)
    worked_out = asked._outcomes(asked._read(visits_of, "pressure", 0.0), policy)
    for check, outcome, count in kept:
        if check in worked_out and check != "makeup-water-high":
            assert (worked_out[check] == OUTCOMES.index(outcome)).sum() == count, check


def test_inspectors_are_numbered_for_whoever_may_not_see_their_names(fleet):
    blind = Viewer(personal=False)
    shifts = asked.shifts(blind, fleet, Filters())
    assert set(shifts["inspector"]) == {f"inspector {number}" for number in range(1, 6)}
    off = shifts[shifts["beyond_chance"] & (shifts["reading"] == "pressure")]
    assert list(off["inspector"]) == ["inspector 1"]
    changes = [
        asked.without_shift(viewer, fleet, "Alder County", name, "pressure")
        for viewer, name in ((blind, "inspector 1"), (EVERYTHING, "A. Z."))
    ]
    assert changes[0][1] == changes[1][1] == 14 and changes[0][0].equals(changes[1][0])
    assert asked.without_shift(blind, fleet, "Alder County", "A. Z.", "pressure")[1] == 0
    assert asked.shifts(Viewer(agencies=("Birch Aid",)), fleet, Filters()).empty


@pytest.mark.slow
def test_what_comes_in_steps_tells_the_same(tmp_path):
    rows = list(rows_of_a_fleet(4.0))
    steps, whole = (Fleet(tmp_path / name).create() for name in ("steps", "whole"))
    for number, _ in enumerate(loaded(steps, tmp_path, [rows[1::2], rows[::2], rows[5:20]])):
        stages.build(steps)
        told = snapshots.attach(steps.current()).rows("SELECT inspector FROM instruments WHERE beyond_chance")
        assert told == ([("A. Z.",)] if number else [])
    for _ in loaded(whole, tmp_path, [rows[1::2], rows[::2], rows[5:20]]):
        pass
    stages.build(whole)
    assert equality.equal(steps.current(), whole.current()) == []


def test_nothing_is_told_where_nothing_is_off_by_what_matters(tmp_path):
    found = snapshot_of(tmp_path, list(rows_of_a_fleet(0.6)))
    assert asked.shifts(EVERYTHING, found, Filters())["beyond_chance"].sum() == 0
