"""Homes over time: states, dates and stages against a plain walk through each home's visits."""

import random
from datetime import date, timedelta
from itertools import groupby

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.answers import lists, waiting
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.engine import heating, history
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.history import NEVER, NO_STAGE, STAGES, STATES
from pipelines.engine.results import OUTCOMES
from pipelines.fleet import equality
from pipelines.fleet.folder import Fleet
from pipelines.snapshot import stages
from tests import home_by_home
from tests.inspections import NO_RELIEF, NO_TANK, SOUND, STEEL, loaded, shipped_policy, snapshot_of

OK, BAD, UNVERIFIED, AWAY = "ok", "deficient", "not verified", "not applicable"
MENDS = "mends-it"
TANKS = ("diaphragm", "plain_steel")
SYSTEMS = ("hot_water", "steam", "warm_air")


def seen(
    outcome, mended=False, year=None, tank=None, day=None, kind=None, system="hot_water", replaced=False
):
    """What one visit says of one check; days count from the start of a year, one each where not told."""
    return dict(
        outcome=outcome,
        mended=mended,
        boiler_year=year,
        tank_type=tank,
        day=day,
        inspection_kind=kind,
        heating_system=system,
        replaced=replaced,
    )


def dated(strand):
    """Visits of a strand in order, each with a day, an id and what it reports as mended.

    Another system than hot water is not assessed, and neither is one that nothing tells of.
    """
    out = []
    for number, visit in enumerate(strand):
        stands = {"hot_water": visit["outcome"], None: UNVERIFIED}
        visit = visit | dict(outcome=stands.get(home_by_home.heating_of(visit), AWAY))
        measures = [MENDS] * visit["mended"] + ["replace-heating-system"] * visit["replaced"]
        on = date(2025, 1, 1) + timedelta(number if visit["day"] is None else visit["day"])
        out.append(
            visit
            | dict(inspected_on=on, inspection_id=f"{number:02}", repairs_reported=";".join(measures) or None)
        )
    return home_by_home.in_order(out)


def followed_side_by_side(strands, *, about_tank=False, safety_critical=False):
    """(state, since, decided by) of several strands; visits counted from 0, None where there is none."""
    flat = [visit for strand in strands for visit in strand]
    starts = np.cumsum([0] + [len(strand) for strand in strands])[:-1]

    def number(name, missing):
        return np.array([missing if one[name] is None else one[name] for one in flat], float)

    day = np.array([one["inspected_on"].toordinal() for one in flat]) - date(1970, 1, 1).toordinal()
    as_found = np.array([one["inspection_kind"] not in ("final", "qa") for one in flat])
    systems = {None: heating.NOT_RECORDED} | {one: at for at, one in enumerate(SYSTEMS)}
    recorded = heating.Recorded(
        heating=np.array([systems[home_by_home.heating_of(one)] for one in flat]),
        year=number("boiler_year", np.nan),
        day=day,
        replaced=np.array([one["replaced"] for one in flat]),
        as_found=as_found,
    )
    changes = heating.changes(starts, recorded)
    tanks = {None: -1} | {one: at for at, one in enumerate(TANKS)}
    mended = np.flatnonzero([one["mended"] for one in flat])
    visits = history.visits(
        starts, day, recorded.year, np.array([tanks[one["tank_type"]] for one in flat]), as_found, changes
    )
    outcome = np.array([OUTCOMES.index(one["outcome"]) for one in flat])
    told = history.tell(outcome, mended, visits, safety_critical=safety_critical)
    found = history.follow(told, mended, visits, about_tank=about_tank)

    def place(at, start):
        return None if at < 0 else int(at - start)

    states = [
        (STATES[state], place(since, start), place(decided, start))
        for state, since, decided, start in zip(found.state, found.since, found.decided, starts, strict=True)
    ]
    return states, changes, history.episodes(told, visits)


def followed(outcomes, repaired=None, years=None, tanks=None, *, kinds=None, about_tank=False):
    """(state, since, decided by) of one strand of hot water, a visit a day."""
    count = len(outcomes)
    columns = (repaired or [False] * count, years or [None] * count, tanks or [None] * count)
    strand = [seen(*one) for one in zip(outcomes, *columns, strict=True)]
    for visit, kind in zip(strand, kinds or [None] * count, strict=True):
        visit["inspection_kind"] = kind
    return followed_side_by_side([dated(strand)], about_tank=about_tank)[0][0]


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
    "outcomes, repaired, kinds, state",
    [
        # As found: a claim for later visits, never against the finding on its own sheet.
        ([BAD, BAD], [1, 0], ["initial", "final"], "repair did not hold"),
        ([BAD, BAD], [1, 0], ["service", "service"], "repair did not hold"),
        ([BAD, BAD], [1, 0], [None, None], "repair did not hold"),
        ([BAD, BAD], [0, 1], ["initial", "service"], "open"),
        ([BAD, BAD], [0, 1], ["initial", None], "open"),
        ([BAD, UNVERIFIED, BAD], [0, 1, 0], ["initial", "service", "service"], "repair did not hold"),
        # After work: it came before the readings.
        ([BAD, BAD], [0, 1], ["initial", "final"], "repair did not hold"),
        ([BAD, BAD], [0, 1], ["initial", "qa"], "repair did not hold"),
        ([BAD, BAD], [1, 0], ["final", "qa"], "open"),
        ([BAD, BAD, BAD], [0, 1, 0], ["initial", "final", "qa"], "repair did not hold"),  # and stays so
        ([BAD, BAD, OK], [0, 1, 0], ["initial", "final", "qa"], "corrected"),
        ([BAD, BAD, OK, BAD], [0, 1, 0, 0], ["initial", "final", "qa", "qa"], "recurred"),
        ([BAD, OK, BAD], [0, 1, 0], ["initial", "final", "qa"], "recurred"),
        ([BAD, OK, BAD], [0, 0, 1], ["initial", "final", "final"], "recurred"),
        ([BAD, OK, BAD, BAD], [0, 0, 0, 1], ["initial", "final", "qa", "qa"], "repair did not hold"),
        ([BAD], [1], ["final"], "open"),
        ([OK, BAD], [0, 1], ["final", "final"], "open"),
        ([BAD, OK], [0, 1], ["initial", "final"], "corrected"),
        ([BAD, BAD, AWAY], [0, 1, 0], ["initial", "final", "qa"], "no longer applies"),
    ],
)
def test_repairs(outcomes, repaired, kinds, state):
    assert followed(outcomes, [bool(one) for one in repaired], kinds=kinds)[0] == state


@pytest.mark.parametrize(
    "years, tanks, about_tank, states",
    [
        ([1990, 2024, 2024], None, False, ("corrected", "open")),
        ([1990, None, 2024], None, False, ("corrected", "open")),
        ([1990, 1990, None], None, False, ("corrected", "recurred")),
        ([None, 1990, 1990], None, False, ("corrected", "recurred")),
        (None, ["diaphragm", "plain_steel", "plain_steel"], True, ("corrected", "open")),
        (None, ["diaphragm", "plain_steel", "plain_steel"], False, ("corrected", "recurred")),
        (None, ["diaphragm", None, "diaphragm"], True, ("corrected", "recurred")),
    ],
)
def test_a_replaced_boiler_or_tank_starts_anew(years, tanks, about_tank, states):
    """What was deficient before no longer makes a later one recurred; an ok after it still corrects it."""
    for outcomes, state in (([BAD, UNVERIFIED, OK], states[0]), ([BAD, OK, BAD], states[1])):
        assert followed(outcomes, years=years, tanks=tanks, about_tank=about_tank)[0] == state


def test_a_repair_of_another_boiler_does_not_count():
    kinds = ["initial", "final"]
    assert followed([BAD, BAD], [False, True], [1990, 2024], kinds=kinds)[0] == "open"
    assert followed([BAD, BAD], [False, True], [1990, 1990], kinds=kinds)[0] == "repair did not hold"
    assert followed([BAD, BAD], [False, True], None, [*TANKS], kinds=kinds, about_tank=True)[0] == "open"


@pytest.mark.parametrize(
    "day, safe, other",
    [  # (kind, outcome, whether the measure is reported) on one day, as filed; with and without danger
        ([("final", OK, 0), ("service", BAD, 0)], "open", "corrected"),
        ([("final", OK, 0), (None, BAD, 0)], "open", "open"),
        ([("initial", BAD, 0), ("final", OK, 0)], "open", "corrected"),
        ([("initial", BAD, 0), ("final", OK, 1)], "corrected", "corrected"),
        ([("initial", BAD, 1), ("final", OK, 0)], "corrected", "corrected"),
        ([("initial", BAD, 1), ("qa", OK, 0)], "corrected", "corrected"),
        ([("initial", BAD, 1), ("service", OK, 0)], "open", "corrected"),  # neither final nor re-inspection
        ([("initial", BAD, 0), (None, OK, 1)], "open", "corrected"),
        ([("final", OK, 1), ("qa", BAD, 0)], "open", "open"),
        ([("final", OK, 0), ("qa", BAD, 1)], "open", "open"),
        ([("final", BAD, 0), ("qa", OK, 0)], "open", "corrected"),
        ([("final", BAD, 1), ("qa", OK, 0)], "corrected", "corrected"),
        ([("initial", BAD, 1), ("final", OK, 0), ("qa", BAD, 0), (None, OK, 0)], "open", "corrected"),
    ],
)
def test_results_of_one_day_that_disagree(day, safe, other):
    """Of a danger the deficient one stands, unless a sheet after work says that it was mended."""
    strand = dated([seen(outcome, bool(mended), day=1, kind=kind) for kind, outcome, mended in day])
    outcomes = [visit["outcome"] for visit in strand]
    for state, safety_critical in ((safe, True), (other, False)):
        found = followed_side_by_side([strand], safety_critical=safety_critical)[0][0]
        assert found == home_by_home.walked(strand, outcomes, [MENDS], safety_critical=safety_critical)
        expected = "repair did not hold" if found[0] == "repair did not hold" else state
        assert found[0] == expected


def system(*visits):
    """(state, odd visits, in doubt, no hot water any more) of a danger found at the first visit."""
    strand = dated([seen(**visit) for visit in visits])
    states, changes, _ = followed_side_by_side([strand], safety_critical=True)
    return states[0][0], np.flatnonzero(changes.odd).tolist(), bool(changes.doubt[0]), bool(changes.gone[0])


CAPPED = dict(outcome=BAD, year=1990, kind="initial")
STEAM = dict(outcome=AWAY, system="steam", kind="final")


def test_another_heating_system_ends_what_was_open_only_where_it_is_explained():
    furnace = STEAM | dict(system="warm_air")
    assert system(CAPPED, STEAM) == ("open", [1], True, False)
    assert system(CAPPED, STEAM | dict(year=1990)) == ("open", [1], True, False)
    assert system(CAPPED, furnace | dict(year=2024)) == ("no longer applies", [], False, True)
    assert system(CAPPED, furnace | dict(year=1999)) == ("open", [1], True, False)  # a slip of the year
    assert system(CAPPED | dict(year=None), furnace | dict(year=2025)) == ("open", [1], True, False)
    assert system(CAPPED, furnace | dict(replaced=True)) == ("no longer applies", [], False, True)
    assert system(CAPPED | dict(replaced=True), furnace) == ("no longer applies", [], False, True)
    # On a sheet after work the replacement came before the readings, which saw hot water.
    renewed = CAPPED | dict(kind="final", replaced=True)
    assert system(renewed, STEAM | dict(kind="qa")) == ("open", [1], True, False)
    assert system(CAPPED, STEAM, STEAM) == ("no longer applies", [], False, True)
    one_day = [STEAM | dict(day=5), STEAM | dict(day=5, kind="qa")]
    assert system(CAPPED | dict(day=0), *one_day) == ("open", [1], True, False)
    assert system(CAPPED, STEAM, furnace) == ("open", [1, 2], True, False)
    hot = dict(outcome=UNVERIFIED, kind="qa")
    assert system(CAPPED, STEAM, hot) == ("open", [1], False, False)
    assert system(CAPPED, STEAM, hot, STEAM) == ("open", [1, 3], True, False)


def test_nothing_is_taken_over_from_a_system_that_ended():
    hot, unread = dict(outcome=UNVERIFIED), dict(outcome=UNVERIFIED, system=None)
    assert system(STEAM, hot) == ("not verified", [1], True, False)  # which of the two is right?
    assert system(STEAM, hot, hot) == ("not verified", [], False, False)
    assert system(CAPPED, STEAM, STEAM, hot) == ("not verified", [3], True, False)
    assert system(CAPPED, STEAM, STEAM, dict(outcome=BAD), STEAM) == ("open", [3, 4], True, False)
    assert system(CAPPED, unread) == ("open", [], False, False)


# ---- against a plain walk

VISIT = st.builds(
    seen,
    outcome=st.sampled_from((OK, OK, BAD, BAD, UNVERIFIED, AWAY)),
    mended=st.booleans(),
    year=st.sampled_from((None, 1990, 2024)),
    tank=st.sampled_from((None, *TANKS)),
    day=st.sampled_from((0, 1, 1, 2, 400)),
    kind=st.sampled_from((None, "initial", "service", "final", "qa")),
    system=st.sampled_from(("hot_water", "hot_water", "hot_water", *SYSTEMS, None)),
    replaced=st.sampled_from((False, False, False, True)),
)


STRANDS = st.lists(st.lists(VISIT, min_size=1, max_size=7), min_size=1, max_size=6)


def walked_alike(strands, about_tank, safety_critical):
    strands = [dated(strand) for strand in strands]
    how = dict(about_tank=about_tank, safety_critical=safety_critical)
    found, changes, episodes = followed_side_by_side(strands, **how)
    assert found == [
        home_by_home.walked(strand, [visit["outcome"] for visit in strand], [MENDS], **how)
        for strand in strands
    ]
    walks = [home_by_home.Heating(strand) for strand in strands]
    assert [(one.doubt, one.gone) for one in walks] == [*zip(changes.doubt, changes.gone, strict=True)]
    odd = [
        visit["inspection_id"] in walk.odd
        for walk, strand in zip(walks, strands, strict=True)
        for visit in strand
    ]
    assert odd == changes.odd.tolist()
    still_open = set(episodes.strand[episodes.closed < 0].tolist())
    assert still_open == {place for place, (state, *_) in enumerate(found) if state in OPEN}
    assert (np.bincount(episodes.strand[episodes.closed < 0], minlength=1) <= 1).all()


@given(STRANDS, st.booleans(), st.booleans())
@settings(max_examples=150)
def test_against_a_plain_walk(strands, about_tank, safety_critical):
    walked_alike(strands, about_tank, safety_critical)


@pytest.mark.slow
@given(STRANDS, st.booleans(), st.booleans())
@settings(max_examples=600)
def test_more_against_a_plain_walk(strands, about_tank, safety_critical):
    walked_alike(strands, about_tank, safety_critical)


OPEN = ("open", "recurred", "repair did not hold")
ONE_SYSTEM = st.builds(seen, st.sampled_from([OK, BAD, UNVERIFIED, AWAY]), st.booleans())


@given(st.lists(st.lists(ONE_SYSTEM, min_size=1, max_size=9), min_size=1, max_size=5))
@settings(max_examples=200)
def test_episodes_are_where_a_walk_visit_by_visit_opens_and_closes(strands):
    """A visit a day to one heating system: what was known after each visit is what a walk up to it says."""
    strands = [dated(strand) for strand in strands]
    wanted = []
    for place, strand in enumerate(strands):
        was_open = False
        for number in range(len(strand)):
            walk = [visit["outcome"] for visit in strand[: number + 1]]
            state = home_by_home.walked(strand[: number + 1], walk, [MENDS])[0]
            if (state in OPEN) != was_open:
                wanted.append((place, number, state))
                was_open = not was_open
    found = followed_side_by_side(strands)[2]
    starts = np.cumsum([0] + [len(strand) for strand in strands])
    told = []
    for strand, opened, closed, corrected in zip(*vars(found).values(), strict=True):
        told.append((strand, opened - starts[strand], True))
        if closed >= 0:
            told.append((strand, closed - starts[strand], "corrected" if corrected else "no longer applies"))
    wanted = [(place, number, state in OPEN or state) for place, number, state in wanted]
    assert sorted(told, key=lambda one: one[:2]) == wanted


def test_episodes_at_two_addresses_at_once_are_one_of_their_system():
    of_strands = history.Episodes(
        strand=np.array([0, 1, 1, 2]),
        found=np.array([0, 3, 5, 7]),
        closed=np.array([2, 4, -1, 8]),
        corrected=np.array([True, False, False, True]),
    )
    day = np.array([10, 11, 30, 20, 40, 50, 60, 10, 11])
    found = history.joined(of_strands, np.array([0, 0, 1]), day)
    assert sorted(zip(*(one.tolist() for one in vars(found).values()), strict=True)) == [
        (0, 0, 4, False),  # from day 10 until the second address is ok too, on day 40
        (0, 5, -1, False),
        (1, 7, 8, True),
    ]


def test_no_systems():
    nothing = np.zeros(0, int)
    recorded = heating.Recorded(nothing, np.zeros(0), nothing, np.zeros(0, bool), np.zeros(0, bool))
    changes = heating.changes(nothing, recorded)
    visits = history.visits(nothing, nothing, np.zeros(0), nothing, np.zeros(0, bool), changes)
    told = history.tell(nothing, nothing, visits, safety_critical=True)
    found = history.follow(told, nothing, visits, about_tank=False)
    assert len(found.state) == 0
    episodes = history.joined(history.episodes(told, visits), nothing, nothing)
    assert len(episodes.found) == 0


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
            system_id="first",
            precharge_psig=4.0,
            leaks_seen="dripping",
            vent_cap="tight",
            boiler_year=1990,
        ),
        visit(
            2,
            date(2025, 3, 10),
            "final",
            system_id="first",
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
            system_id="first",
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
        (system, check): rest
        for system, check, *rest in snapshot.rows(
            "SELECT system_id, check_id, state, stage, since, inspection_id FROM home_checks"
        )
    }
    assert checks["first", "precharge-low"] == ["corrected", None, None, "i3"]
    assert checks["first", "leak-seen"] == ["recurred", "found after reporting", date(2025, 6, 10), "i3"]
    assert checks["first", "vent-cap-tight"] == ["open", "reported with it open", date(2025, 1, 10), "i1"]
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
        visit(number, on, "service", makeup_meter_gal=gallons, system_id="first")
        for number, (on, gallons) in enumerate(meter)
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


def test_a_heating_system_in_doubt_holds_a_unit_back_and_is_said(tmp_path):
    """All was sound; then the final says steam. The furnace that replaced a boiler is no such case."""
    rows = [
        visit(1, date(2025, 1, 10), "initial", home_id="slip"),
        visit(2, date(2025, 3, 10), "final", home_id="slip", heating_system="steam"),
        visit(3, date(2025, 1, 10), "initial", home_id="furnace", relief_mounting="valve_between"),
        visit(4, date(2025, 3, 10), "final", home_id="furnace", heating_system="warm_air", boiler_year=2025),
        visit(5, date(2025, 3, 10), "final", home_id="never", heating_system="warm_air"),
    ]
    snapshot = snapshot_of(tmp_path, rows)
    homes = snapshot.rows("SELECT home_id, headline, safety_not_verified FROM homes ORDER BY home_id")
    assert homes == [
        ("furnace", "no hot-water system any more", 0),
        ("never", "not assessed", 0),
        ("slip", "heating system in doubt; none found, 1 not verified (heating system)", 1),
    ]
    held = lists.hold(EVERYTHING, snapshot, Filters(), date(2025, 4, 1)).rows
    assert [(row["home_id"], row["why"]) for row in held.to_pylist()] == [("slip", "heating system in doubt")]
    outcomes = {
        (ident, outcome)
        for ident, check, outcome in snapshot.rows("SELECT inspection_id, check_id, outcome FROM results")
        if check in {one.id for one in HOME_CHECKS} and ident in ("i2", "i4", "i5")
    }
    assert outcomes == {("i2", AWAY), ("i4", AWAY), ("i5", AWAY)}
    odd = "SELECT inspection_id, outcome FROM results WHERE check_id = 'system-changed-unexplained'"
    assert dict(snapshot.rows(odd)) == {"i1": OK, "i2": BAD, "i3": OK, "i4": AWAY, "i5": AWAY}
    in_order = waiting.QUESTION["none-found"].sql
    assert snapshot.rows(f"SELECT count(*) FROM homes AS h WHERE {in_order}") == [(0,)]


def test_one_id_at_two_addresses(tmp_path):
    """Where code and street both differ; a shortened code or an abbreviated street is no other address."""

    def at(number, month, address, code, home="h", **changes):
        named = dict(home_id=home, address=address, postal_code=code)
        return visit(number, date(2025, month, 10), "service", **named | changes)

    rows = [
        at(1, 1, "12 Quarry Lane", "00121", relief_mounting="valve_between"),
        at(2, 2, "12 quarry ln", "121"),
        at(3, 3, "9 Orchard Row", "00187", low_water_cutoff_test="failed"),
        at(4, 4, None, None, low_water_cutoff_test="failed"),
        at(5, 5, "12 Quarry Lane", "00121-0044", relief_mounting="valve_between"),
        at(6, 1, "12 Quarry Lane", "00121", "code-alone", relief_mounting="valve_between"),
        at(7, 2, "12 Quarry Lane", "00187", "code-alone"),
        at(8, 1, "12 Quarry Lane", "00121", "street-alone", relief_mounting="valve_between"),
        at(9, 2, "9 Orchard Row", "00121", "street-alone"),
        at(10, 1, "12 Quarry Lane", "00121", "not-recorded", relief_mounting="valve_between"),
        at(11, 2, "9 Orchard Row", None, "not-recorded"),
    ]
    snapshot = snapshot_of(tmp_path, rows)
    odd = dict(snapshot.rows("SELECT inspection_id, outcome FROM results WHERE check_id = 'home-id-reused'"))
    not_ok = {"i3": BAD, "i4": UNVERIFIED, "i11": UNVERIFIED}
    assert odd == {f"i{number}": OK for number in range(1, 12)} | not_ok
    states = snapshot.rows("""
        SELECT home_id, check_id, state, inspection_id FROM home_checks
        WHERE check_id IN ('relief-isolated', 'low-water-cutoff-failed') AND state <> 'ok'
        ORDER BY ALL""")
    assert states == [
        ("code-alone", "relief-isolated", "corrected", "i7"),
        ("h", "low-water-cutoff-failed", "open", "i4"),
        ("h", "relief-isolated", "recurred", "i5"),
        ("not-recorded", "relief-isolated", "corrected", "i11"),
        ("street-alone", "relief-isolated", "corrected", "i9"),
    ]
    said = dict(snapshot.rows("SELECT home_id, headline FROM homes"))
    assert "one id, two addresses" in said.pop("h") and not any("address" in one for one in said.values())


# ---- homes at random, from files

DANGERS = (
    dict(relief_discharge_pipe="capped"),
    dict(relief_mounting="valve_between"),
    dict(low_water_cutoff="no"),
    dict(low_water_cutoff_test="failed"),
    dict(backflow_device="none"),
    dict(tank_air_valve="water"),
    dict(tank_valve="closed"),
    dict(relief_signs="dripping"),
    NO_RELIEF,
    NO_TANK,
)
OTHERWISE = (
    STEEL,
    dict(fill_connection="none"),
    dict(relief_discharge_end="none"),
    dict.fromkeys(("relief_discharge_pipe", "relief_mounting", "low_water_cutoff", "tank_air_valve")),
    dict(tank_type=None, heating_system=None, fill_setting_psig=None),
    dict(heating_system=None),
)
ADDRESSES = (
    dict(address="12 Quarry Lane", postal_code="00121"),
    dict(address="12 QUARRY LN", postal_code="121-4410"),
    dict(address="9 Orchard Row", postal_code="00187"),
    dict(address="9 Orchard Row", postal_code="00121"),
    dict(),
)


def at_random(luck, number):
    """Visits to one home: sound, dangerous or not looked at, of any kind, on few days, in any order."""
    systems, days = luck.choice(((None,), (None, "1"), (None, "1", "2"))), luck.sample(range(900), 3)
    one_address, dangers, out = luck.random() < 0.7, luck.sample(DANGERS, 2), []
    for visited in range(luck.randint(1, 7)):
        changes = dict(ADDRESSES[0] if one_address else luck.choice(ADDRESSES))
        for others, share in ((dangers, 0.5), (OTHERWISE, 0.2)):
            changes |= luck.choice(others) if luck.random() < share else {}
        if luck.random() < 0.25:
            changes["heating_system"] = luck.choice(("steam", "warm_air", "hot_water_open"))
        if luck.random() < 0.3:
            changes["boiler_year"] = luck.choice((1999, 2025, 2026, None))
        if luck.random() < 0.4:
            measures = luck.sample([measure.id for measure in shipped_policy().measures], 8)
            changes["repairs_reported"] = ";".join(measures)
        on, kind = date(2024, 1, 1) + timedelta(luck.choice(days)), luck.choice([*home_by_home.VISIT_ORDER])
        named = dict(home_id=f"h{number}", system_id=luck.choice(systems))
        out.append(visit(f"{number}-{luck.randrange(10**6)}-{visited}", on, kind, **named | changes))
    return out


@pytest.fixture(scope="module", params=range(3))
def random_homes(request, tmp_path_factory):
    luck = random.Random(request.param)
    homes = {f"h{number}": at_random(luck, number) for number in range(150)}
    rows = [row for visits in homes.values() for row in visits]
    luck.shuffle(rows)
    return homes, snapshot_of(tmp_path_factory.mktemp("homes"), rows)


def outcomes_of(snapshot):
    """(inspection id, check id) → outcome."""
    return {
        (inspection, check): outcome
        for inspection, check, outcome in snapshot.rows(
            "SELECT inspection_id, check_id, outcome FROM results"
        )
    }


def test_random_homes_against_a_plain_walk(random_homes):
    """States of every check at every system, whatever the order of the file."""
    homes, snapshot = random_homes
    outcomes, expected = outcomes_of(snapshot), {}
    found = {
        (home, system, check): state
        for home, system, check, state in snapshot.rows(
            "SELECT home_id, system_id, check_id, state FROM home_checks"
        )
    }
    for home, visits in homes.items():
        for system, at_addresses in home_by_home.strands(visits).items():
            for check in HOME_CHECKS:
                fixes = [measure.id for measure in shipped_policy().measures if check.id in measure.fixes]
                how = dict(about_tank=check.about_tank, safety_critical=check.safety_critical)
                states = [
                    home_by_home.walked(
                        strand, [outcomes[one["inspection_id"], check.id] for one in strand], fixes, **how
                    )[0]
                    for strand in at_addresses
                ]
                expected[home, system, check.id] = home_by_home.of_two_addresses(states)
    assert found == expected
    assert set(found.values()) == set(STATES)


def test_no_home_with_a_danger_is_in_order(random_homes):
    """Unless what was found does not apply any more, as where another heating system is shown to stand."""
    homes, snapshot = random_homes
    outcomes = outcomes_of(snapshot)
    said = {
        home: rest
        for home, *rest in snapshot.rows("SELECT home_id, headline, hold_before_reporting FROM homes")
    }
    in_order = {home for home, (headline, _) in said.items() if headline.startswith("none found, all")}
    dangers, doubts, reused = set(), set(), set()
    for home, visits in homes.items():
        reused |= {home} if any(home_by_home.addresses(home_by_home.in_order(visits)).values()) else set()
        for at_addresses in home_by_home.strands(visits).values():
            for strand in at_addresses:
                heating_here = home_by_home.Heating(strand)
                doubts |= {home} if heating_here.doubt else set()
                dangers |= {home} if any(still_there(strand, outcomes, heating_here)) else set()
    assert not in_order & (dangers | doubts | reused)
    assert len(in_order) > 2 and len(dangers) > 50 and len(doubts) > 5 and len(reused) > 5
    for home, word in ((doubts, "heating system in doubt"), (reused, "one id, two addresses")):
        assert {one for one, (headline, _) in said.items() if word in headline} == home
    open_now = {home for (home,) in snapshot.rows("SELECT home_id FROM homes WHERE open_deficiencies > 0")}
    assert dangers <= open_now
    assert not {home for home in in_order if said[home][1]}


def still_there(strand, outcomes, heating_here):
    """Of each safety-critical check whether its last telling result over a strand is a danger."""
    for check in (one.id for one in HOME_CHECKS if one.safety_critical):
        fixes = [measure.id for measure in shipped_policy().measures if check in measure.fixes]
        counted, last = [outcomes[one["inspection_id"], check] for one in strand], False
        for _, day in groupby(range(len(strand)), lambda at: strand[at]["inspected_on"]):
            home_by_home.pass_over(list(day), strand, counted, fixes)
        for one, outcome in zip(strand, counted, strict=True):
            closes = (
                home_by_home.heating_of(one) == "hot_water" or one["inspection_id"] in heating_here.closing
            )
            last = {OK: False, BAD: True, AWAY: last and not closes}.get(outcome, last)
        yield last


@pytest.mark.slow
def test_random_homes_fed_in_steps_equal_those_fed_at_once(tmp_path):
    """Also where a later file moves a visit to another home, address, system, day or heating system."""
    luck = random.Random(7)
    rows = [row for number in range(60) for row in at_random(luck, number)]
    luck.shuffle(rows)
    moved = [
        row | {name: luck.choice(rows).get(name) for name in luck.sample(MOVING, 3)}
        for row in luck.sample(rows, len(rows) // 2)
    ]
    files = [rows[::2], rows[1::2], moved[::2], moved[1::2]]
    steps = Fleet(tmp_path / "steps").create()
    for _ in loaded(steps, tmp_path, files):
        stages.build(steps)
    assert equality.equal(steps.current(), snapshot_of(tmp_path, *files).path) == []


MOVING = (
    "home_id",
    "system_id",
    "address",
    "postal_code",
    "inspected_on",
    "heating_system",
    "boiler_year",
    "repairs_reported",
)
