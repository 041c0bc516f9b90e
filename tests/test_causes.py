"""Root → symptom within one visit: which links hold, which do not, and which are never made."""

import csv

import numpy as np
import pytest

from pipelines.engine.causes import LINKS, NOTES, POSITION, causes
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.results import results
from tests.conftest import SAMPLES
from tests.home_by_home import VISIT_ORDER
from tests.inspections import NO_TANK, SOUND, STEEL, batch

HOT, PREDICTED, PLATE, WET, STAINED = (
    "hot-pressure-near-relief",
    "predicted-pressure-near-relief",
    "pressure-above-plate",
    "relief-discharging",
    "relief-stained",
)
SMALL = dict(tank_volume_gal=4.0)  # 2.90 gal are needed; 21.4 psi at the limit when all is right

# Written out once more, so that none is lost or added by accident.
PUBLISHED_LINKS = {
    *((root, "tank-cushion-lost") for root in ("vent-with-compression-tank", "tank-diaphragm-failed")),
    *(
        (root, symptom)
        for root in (
            "tank-missing",
            "tank-valved-off",
            "tank-diaphragm-failed",
            "tank-cushion-lost",
            "tank-undersized",
            "precharge-low",
            "precharge-high",
            "cold-pressure-high",
        )
        for symptom in (HOT, PREDICTED, PLATE, WET, STAINED)
    ),
    ("fill-pressure-off-setting", "cold-pressure-high"),
    ("fill-pressure-off-setting", "cold-pressure-low"),
    (WET, "makeup-excessive"),
    ("leak-seen", "makeup-excessive"),
    ("leak-seen", "cold-pressure-low"),
}


def links(**changes):
    """(root or None, symptom) → (note, pressure after) of one visit, and
    the roots that are at work already.
    """
    recomputed = batch([SOUND | changes])
    found, active = causes(recomputed, results(recomputed))

    def name(place):
        return None if place < 0 else CHECKS[place].id

    made = {
        (name(root), name(symptom)): (NOTES[note], float(after))
        for root, symptom, note, after in zip(
            found.roots, found.symptoms, found.notes, found.after_psig, strict=True
        )
    }
    return made, {check for check, mask in active.items() if mask[0]}


def test_the_list_of_links():
    assert set(LINKS) == PUBLISHED_LINKS and len(LINKS) == len(set(LINKS))
    assert not any(BY_ID[check].evidence for link in LINKS for check in link)
    assert "tank-sounds-full" not in {
        check for link in LINKS for check in link
    }  # weak evidence is never a root


HELD = [  # readings, root, symptoms reached, the higher pressure once the root is put right
    (SMALL | dict(precharge_psig=4.0, hot_pressure_psig=28.0), "precharge-low", {HOT, PREDICTED}, 21.4),
    (SMALL | dict(precharge_psig=19.5, hot_pressure_psig=28.0), "precharge-high", {HOT, PREDICTED}, 21.4),
    (
        SMALL | dict(cold_pressure_psig=20.0, hot_pressure_psig=28.0),
        "cold-pressure-high",
        {HOT, PREDICTED},
        21.4,
    ),
    (dict(tank_valve="closed", hot_pressure_psig=29.0), "tank-valved-off", {HOT, PREDICTED}, 17.6),
    (dict(hot_pressure_psig=29.5), "tank-cushion-lost", {HOT}, 17.6),
    (dict(hot_pressure_psig=36.0), "tank-cushion-lost", {HOT, PLATE}, 17.6),
    (
        dict(hot_pressure_psig=36.0, tank_air_valve="water"),
        "tank-diaphragm-failed",
        {HOT, PLATE, "tank-cushion-lost"},
        17.6,
    ),
    (
        dict(hot_pressure_psig=36.0, cold_pressure_psig=32.0),
        "cold-pressure-high",
        {HOT, PREDICTED, PLATE},
        17.6,
    ),
    (
        NO_TANK | dict(hot_pressure_psig=29.0),
        "tank-missing",
        {HOT, PREDICTED},
        27.0,
    ),  # just large enough: just the limit
    (
        NO_TANK
        | dict(
            hot_pressure_psig=29.0, hot_temperature_f=183.0, cold_temperature_f=57.0, cold_pressure_psig=12.5
        ),
        "tank-missing",
        {HOT, PREDICTED},
        27.0,
    ),
    (dict(tank_volume_gal=2.5, hot_pressure_psig=29.0), "tank-undersized", {HOT, PREDICTED}, 27.0),
    (STEEL | dict(tank_volume_gal=4.5, hot_pressure_psig=29.0), "tank-undersized", {HOT, PREDICTED}, 27.0),
]


@pytest.mark.parametrize("changes, root, symptoms, after", HELD)
def test_a_link_to_a_pressure_holds_where_the_balance_says_so(changes, root, symptoms, after):
    made, active = links(**changes)
    assert {symptom for found, symptom in made if found == root} == symptoms
    pressures = [made[root, symptom][1] for symptom in symptoms if symptom in (HOT, PREDICTED, PLATE)]
    assert max(pressures) == pytest.approx(after, abs=0.1)
    assert all(pressure <= 27.0 + 1e-6 for pressure in pressures)
    assert root in active


@pytest.mark.parametrize(
    "changes, root",
    [
        (
            dict(tank_volume_gal=2.5, precharge_psig=5.0, hot_pressure_psig=29.0),
            "precharge-low",
        ),  # the tank stays too small: 31 psi
        (
            dict(tank_volume_gal=2.0, cold_pressure_psig=20.0, hot_pressure_psig=29.0),
            "cold-pressure-high",
        ),  # the same
        (
            dict(tank_volume_gal=2.5, cold_pressure_psig=24.0, hot_pressure_psig=29.5),
            "tank-undersized",
        ),  # no tank mends a fill of 24 psi
        (
            SMALL | dict(cold_pressure_psig=None, precharge_psig=19.5, hot_pressure_psig=28.0),
            "precharge-high",
        ),  # no balance without a cold pressure
        (
            dict(tank_valve="closed", relief_setting_psig=None),
            "tank-valved-off",
        ),  # no limit to be brought below
    ],
)
def test_no_link_where_the_balance_does_not_say_so(changes, root):
    made, active = links(**changes)
    assert (
        not any(found == root and symptom in (HOT, PREDICTED) for found, symptom in made)
        and root not in active
    )


def test_a_cushion_that_may_be_an_overcharge_is_no_root():
    changes = dict(hot_pressure_psig=29.5, relief_signs="dripping")
    assert ("tank-cushion-lost", WET) in links(**changes)[0]
    made, active = links(**changes, precharge_psig=None)  # then the charge it should have is reckoned with
    assert results(batch([SOUND | changes | dict(precharge_psig=None)]))["tank-cushion-lost"].outcome[0] == 1
    assert not any(root == "tank-cushion-lost" for root, _ in made) and "tank-cushion-lost" not in active


def test_roots_of_a_lost_cushion():
    assert ("vent-with-compression-tank", "tank-cushion-lost") in links(
        **STEEL | dict(vent_cap="loose", hot_pressure_psig=25.0)
    )[0]
    made, active = links(hot_pressure_psig=29.5, tank_air_valve="water")
    assert ("tank-diaphragm-failed", "tank-cushion-lost") in made and "tank-diaphragm-failed" in active
    assert not links(**STEEL | dict(vent_cap="loose"))[0]  # nothing lost, nothing linked


@pytest.mark.parametrize("charge", [None, 4.0, 12.0, 25.0])
def test_water_at_the_air_valve_is_the_root_of_the_whole_chain(charge):
    """Never its charge, and never a cushion that may as well be an over-charge."""
    chain = dict(tank_air_valve="water", hot_pressure_psig=29.5, precharge_psig=charge)
    for signs, symptom in (("dripping", WET), ("discharging", WET), ("stained", STAINED)):
        made, _ = links(**chain, relief_signs=signs)
        assert {(root, end) for root, end in made if end in (HOT, symptom)} == {
            ("tank-diaphragm-failed", HOT),
            ("tank-diaphragm-failed", symptom),
        }
        assert not any(root in ("precharge-low", "precharge-high", None) for root, _ in made)


def test_fill_leak_and_makeup():
    assert set(links(cold_pressure_psig=20.0, tank_volume_gal=16.0)[0]) == {
        ("fill-pressure-off-setting", "cold-pressure-high")
    }
    made, active = links(cold_pressure_psig=5.0, leaks_seen="dripping", makeup_gal_per_month=3.0)
    assert set(made) == {
        ("fill-pressure-off-setting", "cold-pressure-low"),
        ("leak-seen", "cold-pressure-low"),
        ("leak-seen", "makeup-excessive"),
    }
    assert active == {"leak-seen"}  # make-up water was seen at the meter
    assert (WET, "makeup-excessive") in links(relief_signs="dripping", makeup_gal_per_month=3.0)[0]


def test_a_discharging_valve_is_its_own_cause_only_where_all_else_is_ok():
    assert links(relief_signs="dripping")[0] == {
        (WET, WET): ("its own cause", pytest.approx(np.nan, nan_ok=True))
    }
    assert links(**STEEL | dict(relief_signs="discharging"))[0].keys() == {(WET, WET)}
    for changes in (
        dict(precharge_psig=None),
        dict(hot_pressure_psig=None),
        dict(tank_air_valve=None),
        dict(tank_tap="full"),
        dict(elevation_ft=None),
        dict(tank_type="built_in", tank_volume_gal=None, precharge_psig=None),
        dict(supply_pressure_psig=None),
    ):
        made, _ = links(relief_signs="dripping", **changes)
        assert [note for (root, symptom), (note, _) in made.items() if symptom == WET and root is None] == [
            "cause not told"
        ], changes
        assert (WET, WET) not in made
    assert not any(
        root in (None, WET) for root, _ in links(relief_signs="dripping", hot_pressure_psig=28.0)[0]
    )  # a cause is known
    assert links(relief_signs="dry")[0] == {} and links(relief_signs="stained")[0] == {}


def test_links_are_only_between_deficiencies_and_name_whole_rows():
    rows = [
        SOUND,
        SOUND | dict(hot_pressure_psig=29.5),
        SOUND | SMALL | dict(precharge_psig=4.0, hot_pressure_psig=28.0),
    ]
    recomputed = batch(rows)
    told = results(recomputed)
    found, _ = causes(recomputed, told)
    assert set(found.rows.tolist()) == {1, 2}
    for row, root, symptom in zip(found.rows, found.roots, found.symptoms, strict=True):
        assert told[CHECKS[root].id].outcome[row] == told[CHECKS[symptom].id].outcome[row] == 1


def test_causes_of_the_samples(sample_snapshot):
    """No check stands in causes that is not deficient in
    the same visit, and every discharging valve has a line.
    """
    orphans = """SELECT count(*) FROM causes AS c LEFT
        JOIN results AS r ON r.agency = c.agency AND r.inspection_id = c.inspection_id AND r.check_id = {}
                 WHERE {} IS NOT NULL AND r.outcome IS DISTINCT FROM 'deficient'"""
    for column in ("c.root_check_id", "c.symptom_check_id"):
        assert sample_snapshot.rows(orphans.format(column, column)) == [(0,)]
    assert sample_snapshot.rows("""SELECT count(*) FROM results AS r ANTI
            JOIN causes AS c ON r.agency = c.agency AND r.inspection_id = c.inspection_id
        AND c.symptom_check_id = 'relief-discharging'
        WHERE r.check_id = 'relief-discharging' AND r.outcome = 'deficient'""") == [(0,)]


def test_a_charge_that_was_set_to_a_fill_too_high_goes_down_with_it():
    """Fill and charge both at 21 psi: one root, the fill; a charge far above even that is one of its own."""
    high = SMALL | dict(cold_pressure_psig=21.0, fill_setting_psig=21.0, hot_pressure_psig=29.0)
    made, _ = links(**high, precharge_psig=21.0)
    assert made["cold-pressure-high", HOT][1] == pytest.approx(21.4, abs=0.1)
    made, _ = links(**high, precharge_psig=26.0)
    assert not any(root == "cold-pressure-high" and symptom in (HOT, PREDICTED) for root, symptom in made)


def test_homes_are_headlined_by_the_root_that_is_truly_there(sample_snapshot):
    """Where the gravest finding is a pressure or a wet valve, read completely, and its root still stands."""
    with open(SAMPLES / "planted" / "truth.csv", newline="", encoding="utf-8") as file:
        truth = {(row["agency"], row["inspection_id"]): row for row in csv.DictReader(file)}
    latest = {(row["agency"], row["home_id"], row["system_id"]): row for row in in_order(truth.values())}
    gravest = {}
    for agency, home, system, check, inspection, risk in sample_snapshot.rows(
        "SELECT agency, home_id, system_id, check_id, inspection_id, risk FROM opened"
    ):
        found = LEVELS.index(risk), POSITION[check], system, inspection
        gravest[agency, home] = min(found, gravest.get((agency, home), found))
    headlines = {
        (agency, home): headline
        for agency, home, headline in sample_snapshot.rows("SELECT agency, home_id, headline FROM homes")
    }
    named = []
    for (agency, home), (level, position, system, inspection) in gravest.items():
        symptom, seen = CHECKS[position].id, truth[agency, inspection]
        now = latest.get((agency, home, system), seen)
        roots = {root for root in roots_of(symptom) if seen.get(root) == now.get(root) == "1"}
        complete = seen["complete_and_trustworthy"] == "1"
        if level and symptom in (HOT, PREDICTED, WET, STAINED) and roots and complete:
            named.append(any(BY_ID[root].title in headlines[agency, home] for root in roots))
    assert len(named) > 60 and sum(named) >= 0.9 * len(named)


def roots_of(symptom):
    """All roots of a check, and theirs."""
    direct = {root for root, end in LINKS if end == symptom}
    return direct.union(*map(roots_of, direct))


def in_order(rows):
    return sorted(rows, key=lambda row: (row["inspected_on"], VISIT_ORDER[row["inspection_kind"] or None]))
