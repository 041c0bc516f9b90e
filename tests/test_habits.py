"""Habits of reading: digits against a known distribution, copies, and that nobody honest is told."""

import numpy as np
import pytest
import scipy.stats

from dashboard import audit_words
from pipelines.answers import instruments as asked
from pipelines.answers.access import EVERYTHING, Filters, Viewer
from pipelines.audit.habits import HABITS, habits
from pipelines.audit.side_by_side import SideBySide
from pipelines.engine.codes import coded
from pipelines.engine.results import DEFICIENT, OK
from tests.inspections import shipped_policy
from tests.made_visits import READINGS, connected

VISITS = 60
LAST_DIGIT = (0.1,) * 10
ROUND_DIGIT = (0.55, 0.05, 0.05, 0.05, 0.05, 0.05, 0.05, 0.05, 0.05, 0.05)


def read(seed, inspectors=12, rounding=(), copying=(), hurried=(), spread=False):
    """Visits whose last digits of the pressure are drawn from LAST_DIGIT, of some from ROUND_DIGIT."""
    random = np.random.default_rng(seed)
    who = np.repeat(np.arange(inspectors), VISITS)
    tenths = random.choice(10, len(who), p=LAST_DIGIT)
    rounded = random.choice(10, len(who), p=ROUND_DIGIT)
    tenths = np.where(np.isin(who, rounding), rounded, tenths)
    copied = random.random(len(who)) < np.where(np.isin(who, copying), 0.15, 0.003)
    lacks = random.random(len(who)) < np.where(np.isin(who, hurried), 0.6, 0.1)
    # What a hurried visit leaves out lacks together.
    together = {
        name: np.where(lacks, np.nan, 1.0)
        for name in ("hot_pressure_psig", "hot_temperature_f", "high_limit_f")
    }
    return connected(
        home=np.arange(len(who)),
        day=random.integers(0, 500, len(who)),
        kind=np.full(len(who), "final"),
        inspector=[f"I. {one:03d}" for one in who],
        heating_system=np.full(len(who), "hot_water"),
        cold_pressure_psig=random.integers(10, 20, len(who)) + tenths / 10.0,
        **{coded("readings-repeated"): np.where(copied, DEFICIENT, OK)},
        **together,
    )


def found(connection):
    return habits(SideBySide(connection, READINGS), shipped_policy()).to_pandas()


def told(connection):
    table = found(connection)
    table = table[table["beyond_chance"]]
    return set(zip(table["inspector"], table["habit"], strict=True))


def test_a_preferred_digit_a_copyist_and_a_hurried_hand_are_found():
    """Of what is told beside them a twentieth may be chance."""
    wanted = {
        ("I. 002", "whole__cold_pressure_psig"),
        ("I. 004", "readings-repeated"),
        ("I. 006", "recorded"),
    }
    fleets = [told(read(seed, rounding=(2,), copying=(4,), hurried=(6,))) for seed in range(8)]
    assert all(wanted <= one for one in fleets)
    assert sum(len(one - wanted) for one in fleets) <= 2


@pytest.mark.slow
def test_of_a_hundred_honest_inspectors_nobody_is_told_more_often_than_the_policy_says():
    """60 fleets of 10 and 5 of 100; a fleet in which anybody is told: 8 or more of 60 happen 1 in 100."""
    assert sum(bool(told(read(seed, 10))) for seed in range(60)) < 8
    assert sum(len(told(read(seed, 100))) for seed in range(5)) <= 3


def test_expected_are_the_shares_of_others_and_probabilities_are_exact():
    """Two inspectors: one's digits against the other's, who is so well known that only chance is left."""
    random = np.random.default_rng(4)
    who = np.repeat([0, 1], [40, 20_000])
    whole = random.random(len(who)) < np.where(who == 0, 0.35, 0.1)
    table = found(
        connected(
            home=np.arange(len(who)),
            day=np.zeros(len(who), np.int64),
            kind=np.full(len(who), "initial"),
            inspector=[f"I. {one}" for one in who],
            cold_pressure_psig=np.where(whole, 14.0, 14.3),
        )
    )
    row = table[(table["inspector"] == "I. 0") & (table["habit"] == "whole__cold_pressure_psig")].iloc[0]
    others = whole[who == 1].mean()
    assert row["readings"] == 40 and row["observed"] == whole[who == 0].sum()
    assert row["expected"] == pytest.approx(40 * others, rel=1e-3)
    tail = scipy.stats.binom.sf(row["observed"] - 1, 40, others)
    tests = table[(table["adjusted_p"].notna())]
    assert 2 * tail * 0.9 <= row["adjusted_p"] <= 2 * tail * len(tests) * 1.1


def test_before_and_after_work_are_compared_apart():
    """Who reads finals only is not told of what finals show more often, whoever reads them."""
    random = np.random.default_rng(6)
    who = np.tile(np.arange(6), 200)
    kind = np.where((who < 3) | (random.random(len(who)) < 0.2), "final", "initial")
    odd = random.random(len(who)) < np.where(kind == "final", 0.3, 0.02)
    made = connected(
        home=np.arange(len(who)),
        day=np.zeros(len(who), np.int64),
        kind=kind,
        inspector=[f"I. {one}" for one in who],
        **{coded("precharge-under-pressure"): np.where(odd, DEFICIENT, OK)},
    )
    assert told(made) == set()


def test_the_hands_planted_in_the_samples_are_told_and_nobody_else(sample_snapshot):
    table = asked.habits(EVERYTHING, sample_snapshot, Filters())
    assert list(zip(table["inspector"], table["habit"], strict=True)) == [
        ("N. Ç.", "precharge-under-pressure"),
        ("N. Ç.", "precharge-echoes-system"),
        ("R. D.", "recorded"),
        ("H. E.", "precharge-under-pressure"),
        ("B. F.", "recorded"),
        ("S. W.", "readings-repeated"),
    ]
    blind = asked.habits(Viewer(personal=False), sample_snapshot, Filters())
    assert list(blind["habit"].sort_values()) == list(table["habit"].sort_values())
    assert all(name.startswith("inspector ") for name in blind["inspector"])


def test_a_number_leads_to_as_many_visits(sample_snapshot):
    for viewer in (EVERYTHING, Viewer(personal=False)):
        for row in asked.habits(viewer, sample_snapshot, Filters()).itertuples():
            visits = asked.habit_visits(viewer, sample_snapshot, row.agency, row.inspector, row.habit)
            if row.habit != "recorded":
                assert len(visits) == row.observed
            assert len(visits) > 0
            stranger = Viewer(agencies=("Alder County",))
            assert asked.habit_visits(stranger, sample_snapshot, row.agency, row.inspector, row.habit).empty


def test_every_habit_is_said_in_words():
    assert len({audit_words.of_habit(habit) for habit in HABITS}) == len(HABITS)
