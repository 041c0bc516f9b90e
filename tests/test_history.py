"""Homes over time: states, dates and stages against a plain walk through each home's visits."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.engine import history
from pipelines.engine.history import NEVER, NO_STAGE, STAGES, STATES
from pipelines.engine.results import OUTCOMES
from tests.inspections import SOUND, STEEL, snapshot_of

OK, BAD, UNVERIFIED, AWAY = "ok", "deficient", "not verified", "not applicable"


def followed(outcomes, repaired=None, years=None, tanks=None, about_tank=False):
    """(state, since, decided by) of one system; visits counted from 0, None where there is none."""
    return followed_side_by_side(
        [
            [
                (outcome, *rest)
                for outcome, *rest in zip(
                    outcomes,
                    repaired or [False] * len(outcomes),
                    years or [None] * len(outcomes),
                    tanks or [None] * len(outcomes),
                    strict=True,
                )
            ]
        ],
        about_tank,
    )[0]


def followed_side_by_side(systems, about_tank):
    """The same for several systems, each a list of (outcome, repaired, boiler year, tank code)."""
    flat = [visit for system in systems for visit in system]
    starts = np.cumsum([0] + [len(system) for system in systems])[:-1]

    def number(values, missing):
        return np.array([missing if value is None else value for value in values])

    visits = history.visits(
        starts,
        len(flat),
        number([visit[2] for visit in flat], np.nan).astype(float),
        number([visit[3] for visit in flat], -1),
    )
    found = history.follow(
        np.array([OUTCOMES.index(visit[0]) for visit in flat]),
        np.flatnonzero([visit[1] for visit in flat]),
        visits,
        about_tank,
    )

    def place(at, start):
        return None if at < 0 else int(at - start)

    return [
        (STATES[state], place(since, start), place(decided, start))
        for state, since, decided, start in zip(found.state, found.since, found.decided, starts, strict=True)
    ]


# ---- the states one by one

CASES = (
    ([OK], "ok", None),
    ([OK, OK], "ok", None),
    ([BAD], "open", 0),
    ([BAD, BAD], "open", 0),
    ([BAD, OK], "corrected", None),
    ([BAD, OK, OK], "corrected", None),
    ([OK, BAD], "open", 1),
    ([BAD, OK, BAD], "recurred", 2),
    ([BAD, OK, BAD, BAD], "recurred", 2),
    ([BAD, OK, BAD, OK], "corrected", None),
    ([UNVERIFIED], "not verified", None),
    ([UNVERIFIED, UNVERIFIED], "not verified", None),
    ([AWAY], "not applicable", None),
    ([AWAY, UNVERIFIED], "not applicable", None),
    ([BAD, UNVERIFIED], "open", 0),
    ([OK, UNVERIFIED], "ok", None),  # not verified replaces nothing
    ([BAD, UNVERIFIED, BAD], "open", 0),
    ([BAD, UNVERIFIED, OK], "corrected", None),
    ([BAD, AWAY], "no longer applies", None),
    ([BAD, AWAY, UNVERIFIED], "no longer applies", None),
    ([BAD, OK, AWAY], "corrected", None),
    ([OK, AWAY], "ok", None),
    ([BAD, AWAY, BAD], "open", 2),
    ([BAD, AWAY, OK], "corrected", None),
    ([BAD, OK, AWAY, BAD], "recurred", 3),
)


@pytest.mark.parametrize("outcomes, state, since", CASES)
def test_states(outcomes, state, since):
    assert followed(outcomes)[:2] == (state, since)


def test_which_visit_decides():
    assert followed([BAD, UNVERIFIED])[2] == 0
    assert followed([BAD, OK, UNVERIFIED])[2] == 1
    assert followed([BAD, AWAY, UNVERIFIED])[2] == 1
    assert followed([UNVERIFIED, UNVERIFIED])[2] == 1
    assert followed([AWAY, UNVERIFIED])[2] == 0


@pytest.mark.parametrize(
    "outcomes, repaired, state",
    [
        ([BAD, BAD], [0, 1], "repair did not hold"),
        ([BAD, BAD], [1, 0], "open"),  # reported at the visit that found it: work of before
        ([BAD, UNVERIFIED, BAD], [0, 1, 0], "repair did not hold"),
        ([BAD, BAD, BAD], [0, 1, 0], "open"),  # before the last telling one
        ([BAD, OK, BAD], [0, 1, 0], "recurred"),
        ([BAD, OK, BAD], [0, 0, 1], "recurred"),
        ([BAD, OK, BAD, BAD], [0, 0, 0, 1], "repair did not hold"),
        ([BAD], [1], "open"),
        ([OK, BAD], [0, 1], "open"),
        ([BAD, OK], [0, 1], "corrected"),
        ([BAD, BAD, AWAY], [0, 1, 0], "no longer applies"),
    ],
)
def test_repairs(outcomes, repaired, state):
    assert followed(outcomes, [bool(one) for one in repaired])[0] == state


@pytest.mark.parametrize(
    "years, tanks, about_tank, states",
    [
        ([1990, 2024, 2024], None, False, ("corrected", "open")),
        ([1990, None, 2024], None, False, ("corrected", "open")),
        ([1990, 1990, None], None, False, ("corrected", "recurred")),
        ([None, 1990, 1990], None, False, ("corrected", "recurred")),
        (None, [0, 1, 1], True, ("corrected", "open")),
        (None, [0, 1, 1], False, ("corrected", "recurred")),
        (None, [0, None, 0], True, ("corrected", "recurred")),
    ],
)
def test_a_replaced_boiler_or_tank_starts_anew(years, tanks, about_tank, states):
    """What was deficient before no longer makes a later one recurred; an ok after it still corrects it."""
    for outcomes, state in (([BAD, UNVERIFIED, OK], states[0]), ([BAD, OK, BAD], states[1])):
        assert followed(outcomes, years=years, tanks=tanks, about_tank=about_tank)[0] == state


def test_a_repair_of_another_boiler_does_not_count():
    assert followed([BAD, BAD], [False, True], [1990, 2024])[0] == "open"
    assert followed([BAD, BAD], [False, True], [1990, 1990])[0] == "repair did not hold"
    assert followed([BAD, BAD], [False, True], None, [0, 1], about_tank=True)[0] == "open"


# ---- against a plain walk


def walked(visits, about_tank):
    """The rules once more, one visit after another."""
    generation, replaced, year, tank = [], 0, None, None
    for _, _, this_year, this_tank in visits:
        other_year, other_tank = (
            this_year is not None and year not in (None, this_year),
            this_tank is not None and tank not in (None, this_tank),
        )
        replaced += other_year or (about_tank and other_tank)
        year, tank = year if this_year is None else this_year, tank if this_tank is None else this_tank
        generation.append(replaced)
    telling = [at for at, visit in enumerate(visits) if visit[0] in (OK, BAD)]
    away = [at for at, visit in enumerate(visits) if visit[0] == AWAY]
    if not telling:
        return ("not applicable", None, away[-1]) if away else ("not verified", None, len(visits) - 1)
    last = telling[-1]
    if visits[last][0] == OK:
        return ("corrected" if any(visits[at][0] == BAD for at in telling) else "ok", None, last)
    if away and away[-1] > last:
        return ("no longer applies", None, away[-1])
    since = last
    for at in range(last, -1, -1):
        if visits[at][0] in (OK, AWAY):
            break
        since = at if visits[at][0] == BAD else since
    state = "open"
    earlier = [
        at for at in telling if visits[at][0] == BAD and at < last and generation[at] == generation[last]
    ]
    if any(visits[ok][0] == OK and ok > bad for bad in earlier for ok in telling):
        state = "recurred"
    before = telling[-2] if len(telling) > 1 else None
    if before in earlier and any(visits[at][1] for at in range(before + 1, last + 1)):
        state = "repair did not hold"
    return (state, since, last)


VISIT = st.tuples(
    st.sampled_from((OK, OK, BAD, BAD, UNVERIFIED, AWAY)),
    st.booleans(),
    st.sampled_from((None, 1990, 2024)),
    st.sampled_from((None, 0, 1)),
)


@given(st.lists(st.lists(VISIT, min_size=1, max_size=7), min_size=1, max_size=6), st.booleans())
@settings(max_examples=400)
def test_against_a_plain_walk(systems, about_tank):
    assert followed_side_by_side(systems, about_tank) == [walked(system, about_tank) for system in systems]


def test_no_systems():
    found = history.follow(
        np.zeros(0, int),
        np.zeros(0, int),
        history.visits(np.zeros(0, int), 0, np.zeros(0), np.zeros(0)),
        False,
    )
    assert len(found.state) == 0


# ---- stages


@pytest.mark.parametrize(
    "state, since, reported, has_final, stage",
    [
        ("open", 10, None, False, "waiting for work"),
        ("open", 10, None, True, "open after the final"),
        ("open", 10, 9, True, "found after reporting"),
        ("open", 10, 10, True, "reported with it open"),
        ("recurred", 10, 9, False, "found after reporting"),
        ("repair did not hold", 10, 11, True, "reported with it open"),
        ("corrected", 10, None, True, None),
        ("no longer applies", 10, None, True, None),
        ("not verified", 10, 9, True, None),
        ("ok", 10, 9, True, None),
    ],
)
def test_stages(state, since, reported, has_final, stage):
    code = history.stages(
        np.array([STATES.index(state)]),
        np.array([since]),
        np.array([NEVER if reported is None else reported]),
        np.array([has_final]),
    )[0]
    assert (None if code == NO_STAGE else STAGES[code]) == stage


# ---- from files: the order of visits, systems side by side, and what a home then shows


def visit(number, on, kind, **changes):
    return (
        SOUND
        | dict(
            agency="A",
            inspection_id=f"i{number}",
            home_id="h",
            inspected_on=on,
            inspection_kind=kind,
            stated_result=None,
        )
        | changes
    )


def test_visits_of_one_day_follow_each_other_by_kind(tmp_path):
    """Initial, service, final, re-inspection, not recorded, whatever the file; then updated_at, then id."""
    day, leak, none = date(2026, 1, 5), dict(leaks_seen="dripping"), dict(leaks_seen="none")
    rows = [
        visit(1, day, "final", **none, home_id="a"),
        visit(2, day, "initial", **leak, home_id="a"),
        visit(3, day, "qa", **leak, home_id="b"),
        visit(4, day, "final", **none, home_id="b"),
        visit(5, day, "final", **none, home_id="c"),
        visit(6, day, "service", **leak, home_id="c"),
        visit(7, day, None, **leak, home_id="d"),
        visit(8, day, "qa", **none, home_id="d"),
        visit(9, day, "qa", **none, home_id="e", updated_at="2026-01-07T10:00:00Z"),
        visit(10, day, "qa", **leak, home_id="e", updated_at="2026-01-08T10:00:00Z"),
        visit("x2", day, "qa", **leak, home_id="f"),
        visit("x1", day, "qa", **none, home_id="f"),
    ]
    states = dict(
        snapshot_of(tmp_path, rows).rows(
            "SELECT home_id, state FROM home_checks WHERE check_id = 'leak-seen'"
        )
    )
    assert states == {"a": "corrected", "b": "open", "c": "corrected", "d": "open", "e": "open", "f": "open"}


def test_a_home_through_the_files(tmp_path):
    rows = [
        visit(
            1,
            date(2025, 1, 10),
            "initial",
            precharge_psig=4.0,
            leaks_seen="dripping",
            vent_cap="tight",
            boiler_year=1990,
        ),
        visit(
            2,
            date(2025, 3, 10),
            "final",
            precharge_psig=5.0,
            leaks_seen="none",
            repairs_reported="set-charge;repair-leak",
            vent_cap=None,
            boiler_year=1990,
            reported_on=date(2025, 4, 1),
        ),
        visit(
            3,
            date(2025, 6, 10),
            "qa",
            precharge_psig=12.0,
            leaks_seen="weeping",
            vent_cap=None,
            boiler_year=1990,
        ),
        visit(
            4, date(2025, 6, 11), "qa", leaks_seen="weeping", system_id="second"
        ),  # another boiler of the home
    ]
    snapshot = snapshot_of(tmp_path, rows)
    checks = {
        (system or "", check): rest
        for system, check, *rest in snapshot.rows(
            "SELECT system_id, check_id, state, stage, since, inspection_id FROM home_checks"
        )
    }
    assert checks["", "precharge-low"] == ["corrected", None, None, "i3"]
    assert checks["", "leak-seen"] == ["recurred", "found after reporting", date(2025, 6, 10), "i3"]
    assert checks["", "vent-cap-tight"] == ["open", "reported with it open", date(2025, 1, 10), "i1"]
    assert checks["second", "leak-seen"] == ["open", "found after reporting", date(2025, 6, 11), "i4"]
    assert snapshot.rows("SELECT open_deficiencies FROM homes") == [(3,)]
    (tmp_path / "two").mkdir()
    first_two = snapshot_of(tmp_path / "two", rows[:2])
    assert first_two.rows("SELECT state FROM home_checks WHERE check_id = 'precharge-low'") == [
        ("repair did not hold",)
    ]


def test_a_new_tank_closes_what_was_wrong_with_the_old_one(tmp_path):
    rows = [
        visit(1, date(2025, 1, 10), "initial", **STEEL | dict(vent_cap="loose")),
        visit(2, date(2025, 3, 10), "final"),
    ]
    states = dict(snapshot_of(tmp_path, rows).rows("SELECT check_id, state FROM home_checks"))
    assert states["vent-with-compression-tank"] == "no longer applies"  # never as corrected
    assert states["tank-diaphragm-failed"] == "ok"


# ---- what other inspections say

FIVE = dict(
    cold_pressure_psig=12.5,
    cold_temperature_f=61.0,
    hot_pressure_psig=18.5,
    hot_temperature_f=178.0,
    precharge_psig=12.0,
)


def test_readings_repeated_at_another_home(tmp_path):
    """All five equal, another home, same agency and taker, within seven days; both visits are odd."""

    def taken(number, home, day, **changes):
        return visit(
            number, date(2026, 1, day), "initial", home_id=home, **FIVE | dict(inspector="R. V.") | changes
        )

    rows = [
        taken(1, "a", 1),
        taken(2, "b", 8),
        taken(3, "c", 16),  # seven days apart, then eight
        taken(4, "d", 1, inspector="S. W."),
        taken(5, "d", 2, inspector="S. W."),  # one home twice
        taken(6, "e", 1, inspector="T. X."),
        taken(7, "f", 1, inspector="T. X.", hot_pressure_psig=19.0),  # four of five
        taken(8, "g", 1, inspector=None, crew="Crew 1"),
        taken(9, "h", 1, inspector=None, crew="Crew 1"),  # the crew where there is no inspector
        taken(10, "i", 1, inspector="U. Y.", precharge_psig=None),
        taken(11, "j", 1, inspector=None),
        taken(12, "k", 1, agency="B"),
    ]
    outcomes = dict(
        snapshot_of(tmp_path, rows).rows(
            "SELECT inspection_id, outcome FROM results WHERE check_id = 'readings-repeated'"
        )
    )
    assert outcomes == {
        "i1": BAD,
        "i2": BAD,
        "i3": OK,
        "i4": OK,
        "i5": OK,
        "i6": OK,
        "i7": OK,
        "i8": BAD,
        "i9": BAD,
        "i10": UNVERIFIED,
        "i11": UNVERIFIED,
        "i12": OK,
    }


def test_makeup_between_visits(tmp_path):
    """30.4375 days to the month; a drop is not verified, and the first visit has nothing before it."""
    meter = [
        ("2025-01-01", 100.0),
        ("2025-07-01", 105.9),
        ("2025-12-31", 112.0),
        ("2026-03-01", None),
        ("2026-04-01", 50.0),
        ("2026-04-01", 51.0),
    ]
    rows = [
        visit(number, on, "service", makeup_meter_gal=gallons) for number, (on, gallons) in enumerate(meter)
    ]
    rows.append(
        visit(9, "2025-03-01", "service", makeup_meter_gal=9000.0, system_id="second")
    )  # another boiler's meter
    found = {
        ident: (outcome, reason)
        for ident, outcome, reason in snapshot_of(tmp_path, rows).rows(
            "SELECT inspection_id, outcome, reason FROM results WHERE check_id = 'makeup-excessive'"
        )
    }
    assert found["i0"] == (UNVERIFIED, "no earlier meter reading") and found["i9"] == (
        UNVERIFIED,
        "no earlier meter reading",
    )
    assert found["i1"] == (OK, None)  # 5.9 gal in 181 days, 0.992 a month
    assert found["i2"] == (BAD, None)  # 6.1 gal in 183 days, 1.015
    assert found["i3"] == (UNVERIFIED, "not recorded")
    assert found["i4"] == (UNVERIFIED, "meter went backwards")
    assert found["i5"][0] == UNVERIFIED  # the same day says nothing about a month
