"""What holds for results as a whole: what is assessed, what is never said, how certain a result is, and
properties over CHECKS and FIELDS. The catalogue itself, check by check, stands in test_checks.py.
"""

import dataclasses
from datetime import date
from statistics import NormalDist

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.engine import quantities
from pipelines.engine.arrays import Readings
from pipelines.engine.checks import BY_ID, CHECKS
from pipelines.engine.policy import policy as policies
from pipelines.engine.quantities.resolver import Recomputed
from pipelines.engine.reasons import REASONS
from pipelines.engine.results import OUTCOMES, results
from pipelines.fields import BY_NAME, FIELDS
from tests import families, row_by_row
from tests.inspections import (
    NO_RELIEF,
    NO_TANK,
    SOUND,
    STEEL,
    batch,
    judge,
    one_row,
    sample_inspections,
    shipped_policy,
)
from tests.test_checks import (
    BOILER_GAUGE,
    CASES,
    DEFICIENT,
    ETHYLENE,
    NOT_APPLICABLE,
    NOT_VERIFIED,
    OK,
    PROPYLENE,
)

# ---- what is assessed at all

STATES = (
    (dict(heating_system="hot_water"), None),
    (dict(heating_system=None), None),  # a diaphragm tank and a fill setting are evidence
    (dict(heating_system=None, fill_setting_psig=None), None),
    (dict(heating_system=None, tank_type=None), None),
    (STEEL | dict(heating_system=None, fill_setting_psig=None), None),
    (
        dict(heating_system=None, tank_type=None, fill_setting_psig=None),
        (NOT_VERIFIED, "heating system not recorded", "heating_system"),
    ),
    (
        NO_TANK | dict(heating_system=None, fill_setting_psig=None),
        (NOT_VERIFIED, "heating system not recorded", "heating_system"),
    ),
    *(
        (dict(heating_system=other), (NOT_APPLICABLE, "another heating system", "heating_system"))
        for other in ("hot_water_open", "steam", "warm_air", "heat_pump", "other")
    ),
    (
        dict(relief_setting_psig=15.0),
        (NOT_VERIFIED, "looks like steam: relief setting too low for hot water", "relief_setting_psig"),
    ),
    (dict(relief_setting_psig=15.1), None),
    (
        dict(heating_system="steam", relief_setting_psig=15.0),
        (NOT_APPLICABLE, "another heating system", "heating_system"),
    ),
    (dict(tank_type="open"), (NOT_VERIFIED, "looks like an open system", "tank_type")),
)


@pytest.mark.parametrize("changes, everywhere", STATES)
def test_what_is_assessed(changes, everywhere):
    recomputed = batch([SOUND | changes])
    found = {check: one_row(result) for check, result in results(recomputed).items()}
    if everywhere:
        assert {(one.outcome, one.reason, one.field) for one in found.values()} == {everywhere}
        assert all(np.isnan(number) for one in found.values() for number in one[3:])
        assert recomputed["assessed"][0] == (everywhere[1].startswith("looks like"))
    else:
        assert found["relief-missing"].outcome == OK and recomputed["assessed"][0]


def test_no_furnace_is_ever_flagged():
    """Whatever else such a row carries."""
    wrong = NO_RELIEF | dict(
        tank_valve="closed",
        relief_signs="discharging",
        low_water_cutoff_test="failed",
        leaks_seen="dripping",
        supply_pressure_psig=120.0,
    )
    for system in ("warm_air", "heat_pump", "steam", "other", "hot_water_open"):
        outcomes = {
            one_row(result).outcome
            for result in results(batch([SOUND | wrong | dict(heating_system=system)])).values()
        }
        assert outcomes == {NOT_APPLICABLE}


def test_what_is_odd_is_said_of_any_heating_system():
    """But only of what compares visits, and only where something is odd."""
    odd = dict(repeated_elsewhere=1.0, changed_unexplained=1.0, other_address=1.0, cold_temperature_f=150.0)
    for system, outcome in (("steam", DEFICIENT), (None, NOT_VERIFIED)):
        unknown = dict(heating_system=system, tank_type=None, fill_setting_psig=None)
        found = results(batch([SOUND | odd | unknown]))
        said = {check for check, result in found.items() if one_row(result).outcome == DEFICIENT}
        compared = {"readings-repeated", "system-changed-unexplained", "home-id-reused"}
        assert said == (compared if outcome == DEFICIENT else set())


# ---- which backflow device is enough, for which loop

ENOUGH_FOR_WATER = {"dual_check_vented", "reduced_pressure", "air_gap"}
ENOUGH_FOR_CHEMICALS = {"reduced_pressure", "air_gap"}
ADDITIVES = (
    (dict(antifreeze="none", water_treatment="no"), False),
    (dict(antifreeze=PROPYLENE, antifreeze_percent=30.0), True),
    (dict(antifreeze=ETHYLENE), True),
    (dict(antifreeze="none", water_treatment="yes"), True),
    (dict(antifreeze=None, water_treatment="yes"), True),
    (dict(antifreeze=PROPYLENE, water_treatment=None), True),
    (dict(antifreeze=None, water_treatment="no"), None),
    (dict(antifreeze="none", water_treatment=None), None),
    (dict(antifreeze=None, water_treatment=None), None),
)


@pytest.mark.parametrize("device", [word for word in BY_NAME["backflow_device"].words if word != "none"])
@pytest.mark.parametrize("loop, additive", ADDITIVES)
def test_backflow_device_against_what_is_in_the_loop(device, loop, additive):
    enough = {
        device in accepted
        for accepted, possible in (
            (ENOUGH_FOR_WATER, additive is not True),
            (ENOUGH_FOR_CHEMICALS, additive is not False),
        )
        if possible
    }
    wanted = NOT_VERIFIED if len(enough) == 2 else OK if enough == {True} else DEFICIENT
    assert judge(SOUND | loop | dict(backflow_device=device), "backflow-insufficient").outcome == wanted


def test_local_code_rules(tmp_path):
    (tmp_path / "policy.toml").write_text(
        """
        [[region]]
        name = "Harbor"
        limits = { cold_margin_psi = 5.0, backflow_test_months = 24, tank_tap_certainty = 0.3 }
        [region.accepted]
        backflow_without_additives = ["double_check"]
        backflow_tested_on_supply = ["public", "well"]
        low_water_cutoff = ["probe_or_float", "flow_or_pressure_switch"]
    """,
        encoding="utf-8",
    )
    policy = policies.load(tmp_path / "policy.toml")
    cases = (
        ("backflow-insufficient", dict(backflow_device="double_check"), OK, DEFICIENT),
        ("backflow-insufficient", dict(backflow_device="dual_check_vented"), DEFICIENT, OK),
        (
            "backflow-insufficient",
            dict(backflow_device="double_check", water_treatment="yes"),
            DEFICIENT,
            DEFICIENT,
        ),
        ("low-water-cutoff-missing", dict(low_water_cutoff="flow_or_pressure_switch"), OK, NOT_VERIFIED),
        ("low-water-cutoff-missing", dict(low_water_cutoff="pressure_switch"), OK, DEFICIENT),
        ("low-water-cutoff-missing", dict(low_water_cutoff="flow_switch"), OK, NOT_VERIFIED),
        ("backflow-test-overdue", dict(backflow_tested_on=date(2024, 6, 1)), OK, DEFICIENT),
        (
            "backflow-test-overdue",
            dict(backflow_tested_on=date(2024, 6, 1), water_source="well"),
            OK,
            NOT_APPLICABLE,
        ),
        (
            "backflow-test-overdue",
            dict(backflow_tested_on=date(2024, 6, 1), water_source=None),
            NOT_VERIFIED,
            NOT_VERIFIED,
        ),
        ("cold-pressure-low", dict(cold_pressure_psig=11.5), DEFICIENT, OK),
    )
    for check, changes, harbor, elsewhere in cases:
        assert judge(SOUND | changes, check, policy, " HARBOR ").outcome == harbor, (check, changes)
        assert judge(SOUND | changes, check, policy, "Hills").outcome == elsewhere, (check, changes)
        rows = batch([SOUND | changes] * 3, policy, ["Hills", "Harbor", "Hills"])
        assert [OUTCOMES[code] for code in results(rows, [BY_ID[check]])[check].outcome] == [
            elsewhere,
            harbor,
            elsewhere,
        ]
    tapped = SOUND | dict(tank_tap="full")
    assert judge(tapped, "tank-sounds-full", policy, "Harbor").certainty == 0.3
    assert judge(tapped, "tank-sounds-full", policy, "Hills").certainty == 0.5


# ---- certainty and numbers of single results


def test_words_are_certain_and_weak_evidence_is_not():
    assert judge(SOUND, "relief-isolated").certainty == 1
    assert judge(SOUND | dict(relief_mounting="valve_between"), "relief-isolated").certainty == 1
    assert judge(SOUND | dict(tank_tap="full"), "tank-sounds-full").certainty <= 0.5
    assert judge(SOUND, "tank-sounds-full").certainty <= 0.5
    assert judge(SOUND, "tank-diaphragm-failed").certainty < 0.8  # air there proves little
    assert judge(SOUND | dict(tank_air_valve="water"), "tank-diaphragm-failed").certainty == 1
    assert np.isnan(judge(SOUND | dict(tank_tap=None), "tank-sounds-full").certainty)


def test_certainty_is_even_at_a_limit_and_follows_the_gauge():
    """A standard deviation away from its limit a normal error
    leaves 0.8413 (any table of the normal distribution).
    """
    assert judge(SOUND | dict(hot_pressure_psig=27.0), "hot-pressure-near-relief").certainty == pytest.approx(
        0.5, abs=1e-4
    )
    assert judge(SOUND | dict(hot_pressure_psig=27.5), "hot-pressure-near-relief").certainty == pytest.approx(
        0.8413, abs=1e-4
    )
    assert judge(SOUND | dict(hot_pressure_psig=26.5), "hot-pressure-near-relief").certainty == pytest.approx(
        0.8413, abs=1e-4
    )
    boiler = SOUND | BOILER_GAUGE | dict(hot_pressure_psig=27.0 + 1.25**0.5)  # bias 1 psi and noise 0.5
    assert judge(boiler, "hot-pressure-near-relief").certainty == pytest.approx(0.8413, abs=1e-4)
    assert judge(SOUND | dict(cold_temperature_f=103.0), "cold-reading-hot").certainty == pytest.approx(
        0.8413, abs=1e-4
    )


def test_a_cut_off_reading_is_as_certain_as_the_gauge():
    """No ratio from a rise of 30 °F, and a sound tank far
    below: what is left is whether 27 psi was truly reached.
    """
    wet = dict(cold_temperature_f=90.0, hot_temperature_f=120.0, relief_signs="stained")
    boiler = 1.25**0.5  # bias 1 psi and noise 0.5
    for gauge, hot, share in (
        ({}, 27.0, 0.5),
        ({}, 27.5, 0.8413),
        ({}, 28.0, 0.9772),
        (BOILER_GAUGE, 27.0, 0.5),
        (BOILER_GAUGE, 27.0 + boiler, 0.8413),
    ):
        found = judge(SOUND | gauge | wet | dict(hot_pressure_psig=hot), "tank-cushion-lost")
        assert (found.outcome, found.reason) == (
            DEFICIENT,
            "the relief valve may have held the hot pressure down",
        )
        assert found.certainty == pytest.approx(share, abs=0.05)


def test_an_unbounded_pressure_is_no_more_certain_than_its_volumes():
    """1.0 gal of gas below 90 % of 75 psi takes 0.675 gal, and a loop of 25.9 gal grows by as much; recorded
    volumes are 10 % off, each.
    """
    high = SOUND | dict(relief_setting_psig=75.0, boiler_max_pressure_psig=80.0, tank_volume_gal=1.0)
    found = judge(high | dict(system_volume_gal=39.0), "predicted-pressure-near-relief")
    room, grown = 1.0 - 26.696 / (67.5 + 14.696), 39.0 * 1.0416 / 40
    share = NormalDist().cdf((grown - room) / (0.01 * (grown**2 + room**2)) ** 0.5)
    assert (found.outcome, found.reason) == (DEFICIENT, "no cushion left")
    assert found.certainty == pytest.approx(share, abs=0.02)
    assert judge(SOUND | NO_TANK, "predicted-pressure-near-relief").certainty == 1


def test_bands_show_what_was_compared():
    found = judge(SOUND, "precharge-low")
    assert found[4:6] == pytest.approx((12.0, 10.0)) and np.isnan(found.high)
    assert judge(SOUND, "fill-pressure-off-setting")[4:] == (12.0, 9.0, 15.0)
    found = judge(SOUND | dict(tank_volume_gal=1.0), "predicted-pressure-near-relief")
    assert np.isnan(found.observed) and found.high == 27.0  # no number for a pressure without bound


# ---- properties over CHECKS and FIELDS


def examples(outcome):
    """First example of each check with this outcome."""
    found = {}
    for check, changes, said in CASES:
        if said == outcome:
            found.setdefault(check, changes)
    return found


def test_ids_are_unique_and_in_their_groups():
    ids = [check.id for check in CHECKS]
    assert len(set(ids)) == len(ids) == len(BY_ID)
    assert all(check.title and check.remedy and check.source for check in CHECKS)
    for check in CHECKS:
        assert check.evidence == (check.severity is None) == (check.probability is None), check.id
        assert not (check.evidence and (check.safety_critical or check.act_today)), check.id
        assert not check.act_today or check.safety_critical, check.id


def test_the_catalogue_is_that_of_the_formulas_written_apart():
    """None is missing there, and none is marked as safety-critical by accident."""
    assert set(BY_ID) == {*row_by_row.ALONE, *row_by_row.BESIDE_OTHERS, row_by_row.LAST}
    assert {check.id for check in CHECKS if check.safety_critical} == set(row_by_row.SAFETY_CRITICAL)


def test_severity_says_what_is_safety_critical_and_what_is_acted_on_today():
    """MIL-STD-882E: 1 catastrophic, 2 critical. Another severity with the same mark would be a slip."""
    for check in CHECKS:
        if not check.evidence:
            assert check.safety_critical == (check.severity <= 2), check.id
            assert check.act_today == (check.severity == 1), check.id


@pytest.mark.parametrize("outcome", [OK, DEFICIENT, NOT_VERIFIED])
def test_every_check_has_an_example(outcome):
    assert set(examples(outcome)) == set(BY_ID)


# Readings without which a check cannot be made, beyond the fields its function asks for by name; of those in
# one tuple any one would do.
HEIGHT = ("top_height_ft", "stories")
FILL = ("fill_setting_psig", "cold_pressure_psig", *HEIGHT)
VOLUME = (("system_volume_gal", "boiler_output_btuh"), ("system_volume_gal", "emitter"))
NEEDED = {
    "cold-pressure-low": ("cold_pressure_psig", HEIGHT),
    "cold-pressure-high": ("cold_pressure_psig", HEIGHT),
    "fill-pressure-off-setting": ("cold_pressure_psig", "fill_setting_psig", "fill_connection"),
    "hot-pressure-near-relief": ("hot_pressure_psig", "relief_setting_psig"),
    "predicted-pressure-near-relief": (
        "cold_pressure_psig",
        "relief_setting_psig",
        "precharge_psig",
        "precharge_system_side",
        "tank_type",
        "tank_volume_gal",
        "elevation_ft",
        *VOLUME,
    ),
    "tank-valved-off": ("tank_type", "tank_valve"),
    "tank-undersized": (
        "tank_type",
        "tank_volume_gal",
        "relief_setting_psig",
        "elevation_ft",
        HEIGHT,
        *VOLUME,
    ),
    "tank-cushion-lost": (
        "tank_type",
        "tank_volume_gal",
        "cold_pressure_psig",
        "hot_pressure_psig",
        "hot_temperature_f",
        "hot_reading_state",
        "elevation_ft",
        ("precharge_psig", *HEIGHT),
        *VOLUME,
    ),
    "tank-diaphragm-failed": ("tank_type", "tank_air_valve"),
    "tank-sounds-full": ("tank_type", "tank_tap"),
    "precharge-low": ("tank_type", "precharge_psig", "precharge_system_side", FILL),
    "precharge-high": ("tank_type", "precharge_psig", "precharge_system_side", FILL),
    "relief-missing": (("relief_present", "relief_setting_psig"),),
    "relief-did-not-open": ("hot_pressure_psig", "relief_setting_psig", "relief_signs"),
    "relief-discharge-unpiped": ("relief_discharge_end", "relief_discharge_pipe"),
    "backflow-test-overdue": ("backflow_device", "water_source", "backflow_tested_on"),
    "vent-cap-tight": ("vent_cap", "tank_type"),
    "vent-with-compression-tank": ("vent_cap", "tank_type"),
    "makeup-excessive": ("makeup_gal_per_month",),
    "anticipator-mismatch": ("thermostat", "anticipator_a", "controlled_current_a"),
    "precharge-under-pressure": ("tank_type", "precharge_psig", "precharge_system_side"),
    "precharge-echoes-system": ("tank_type", "precharge_psig", "cold_pressure_psig", "hot_pressure_psig"),
    "pressure-did-not-rise": (
        "cold_pressure_psig",
        "hot_pressure_psig",
        "hot_temperature_f",
        "tank_volume_gal",
        "elevation_ft",
        *VOLUME,
    ),
    "readings-repeated": ("repeated_elsewhere",),
    "system-changed-unexplained": ("changed_unexplained",),
    "home-id-reused": ("other_address",),
    "passed-but-readings-disagree": ("stated_result", "inspection_kind"),
}


def needed(check):
    """Fields, and groups of fields, that a check cannot do without; for want of any, all that it rests on."""
    by_name = tuple(name for name in check.needs if name in BY_NAME)
    found = tuple(dict.fromkeys(by_name + NEEDED.get(check.id, ())))
    return found or (tuple(sorted(set().union(*map(rests_on, check.needs + check.uses)))),)


def rests_on(name):
    """Fields that a field, or a quantity by way of others, is read from."""
    if name in BY_NAME:
        return {name}
    quantity = quantities.BY_NAME.get(name)
    return set().union(*map(rests_on, quantity.needs)) if quantity else set()


def test_needs_beyond_the_fields_by_name_are_of_checks_there_are():
    assert set(NEEDED) <= set(BY_ID) and all(map(needed, CHECKS))


def test_a_check_of_quantities_alone_rests_on_the_readings_behind_them():
    hot = dataclasses.replace(BY_ID["hot-pressure-near-relief"], id="not-in-the-table")
    (found,) = needed(hot)
    assert {"hot_pressure_psig", "relief_setting_psig"} <= set(found) <= set(BY_NAME)


@pytest.mark.parametrize(
    "check, missing", [(check.id, missing) for check in CHECKS for missing in needed(check)]
)
def test_any_needed_reading_missing_is_not_verified(check, missing):
    """Never ok, and never deficient however bad the rest looks;
    a cell that was kept out is as good as none, and says so.
    """
    gone = (missing,) if isinstance(missing, str) else missing
    sound = SOUND | examples(OK)[check]
    if check == "tank-cushion-lost":  # not told by its charge instead
        sound |= dict(tank_air_valve=None)
    assert judge(sound, check).outcome == OK
    for kept_out in (False, True):
        if kept_out and gone[0] not in BY_NAME:
            continue  # what other inspections say has no cell
        nothing = dict.fromkeys(gone) | ({"unusable": gone} if kept_out else {})
        found = judge(sound | nothing, check)
        assert found.outcome == NOT_VERIFIED and found.reason and np.isnan(found.certainty)
        assert not kept_out or found.reason != "not recorded", found


# Readings whose absence the policy fills, or that say something
# only when they are there: without them a number may move.
FILLED = {
    "boiler_min_pressure_psig",
    "top_height_ft",
    "boiler_level",
    "antifreeze",
    "antifreeze_percent",
    "fill_setting_psig",
    "system_volume_gal",
    "pipe_material",
    "emitter",
    "high_limit_f",
    "tank_valve",
    "buffer_tank_gal",
    "tank_above_gauge_ft",
    "tank_temperature_f",
    "heated_area_ft2",
    "cold_temperature_f",
    "fill_connection",
}
# Readings whose absence leaves a check to other evidence.
OTHERWISE = {
    # a charge under pressure is odd until a pressure clears it
    "precharge-under-pressure": ("cold_pressure_psig", "hot_pressure_psig"),
    # a limit is never below what was measured
    "predicted-pressure-near-relief": ("hot_temperature_f",),
    "tank-undersized": ("hot_temperature_f",),
    # no valve's setting: the cold pressure is the fill that the loop has
    "precharge-low": ("cold_pressure_psig",),
    "precharge-high": ("cold_pressure_psig",),
    # a valve that relieves may let the pressure rise above the plate's
    "pressure-above-plate": ("relief_signs",),
    # a cold pressure far above the hot one is a slip
    "cold-pressure-low": ("hot_pressure_psig",),
    "cold-pressure-high": ("hot_pressure_psig",),
}
STATED = [
    (check, changes, outcome)
    for check, changes, outcome in CASES
    if outcome in (OK, DEFICIENT) and "results" not in BY_ID[check].uses
]


def test_a_reading_less_never_turns_an_outcome_around():
    """Without any one reading an outcome stays or is not verified; it neither turns nor ceases to apply."""
    for check, changes, outcome in STATED:
        row = SOUND | changes
        present = [
            field.name for field in FIELDS if row.get(field.name) is not None and field.name not in FILLED
        ]
        present = [name for name in present if name not in OTHERWISE.get(check, ())]
        if check == "tank-cushion-lost":  # a charge read at zero tells where the hot reading is gone
            row |= dict(tank_air_valve=None)
        said = results(batch([row | {name: None} for name in present]), (BY_ID[check],))[check].outcome
        for name, code in zip(present, said, strict=True):
            assert OUTCOMES[code] in (outcome, NOT_VERIFIED), (
                f"{check} {changes} without {name}: {OUTCOMES[code]}"
            )


NAMES = [
    field.name
    for field in FIELDS
    if SOUND.get(field.name) is not None and field.name not in ("inspected_on",)
]


@given(st.sets(st.sampled_from(NAMES), max_size=25), st.booleans())
@settings(max_examples=60)
def test_silence_never_makes_a_sound_loop_deficient_nor_inapplicable(gone, steel):
    row = SOUND | (STEEL if steel else {})
    before = {check: one_row(result).outcome for check, result in results(batch([row])).items()}
    after = results(batch([row | dict.fromkeys(gone)]))
    for check, result in after.items():
        said = one_row(result).outcome
        assert (
            said == before[check] or said == NOT_VERIFIED or (before[check] == NOT_APPLICABLE and said == OK)
        ), f"{check} without {sorted(gone)}: {before[check]} -> {said}"


WORD_VALUES = {field.name: st.sampled_from((None, *field.words)) for field in FIELDS if field.words}
NUMBER_VALUES = {
    field.name: st.one_of(st.none(), st.floats(*field.plausible).map(lambda value: round(value, 2)))
    for field in FIELDS
    if field.plausible
}


@given(st.lists(st.fixed_dictionaries({}, optional=WORD_VALUES | NUMBER_VALUES), min_size=1, max_size=4))
@settings(max_examples=100)
def test_whatever_is_recorded_every_result_is_well_formed(changes):
    """Any plausible readings: an outcome, a certainty exactly
    where something is stated, a reason wherever nothing is.
    """
    for result in results(batch([SOUND | one for one in changes])).values():
        stated = np.isin(result.outcome, (0, 1))
        assert np.array_equal(np.isnan(result.certainty), ~stated)
        assert ((result.certainty[stated] >= 0) & (result.certainty[stated] <= 1)).all()
        assert (result.reason[~stated] > 0).all() and not np.isinf(
            [result.observed, result.low, result.high]
        ).any()


def same(left, right):
    """Bit for bit, missing numbers included."""
    return all(
        np.array_equal(
            getattr(left, name),
            getattr(right, name),
            equal_nan=name in ("observed", "low", "high", "certainty"),
        )
        for name in ("outcome", "reason", "about", "observed", "low", "high", "certainty")
    )


@pytest.mark.parametrize("size, rows", families.first(2, [(2, 120), (1000, 3000), (1, 60), (7, 700)]))
def test_outcomes_do_not_depend_on_the_size_of_a_batch(size, rows):
    """One inspection at a time or all at once, every number the same bits."""
    _, readings = sample_inspections()
    policy = shipped_policy().for_rows()
    whole = results(Recomputed(readings, policy))
    for start in range(0, rows, size):
        part = slice(start, min(start + size, len(readings)))
        for check, result in results(Recomputed(readings.rows(part), policy)).items():
            cut = type(result)(
                **{
                    name: getattr(whole[check], name)[part]
                    for name in ("outcome", "observed", "low", "high", "certainty", "said")
                },
                words=None,
            )
            assert same(result, cut), (check, start)


def test_a_result_for_every_inspection_and_check():
    _, readings = sample_inspections()
    found = results(Recomputed(readings, shipped_policy().for_rows()))
    assert list(found) == [check.id for check in CHECKS]
    for result in found.values():
        assert len(result.outcome) == len(readings) and np.isin(result.outcome, range(len(OUTCOMES))).all()
        assert (result.reason < len(REASONS)).all() and (result.about < len(FIELDS)).all()
    nothing = results(Recomputed(Readings(0, {}, {}), shipped_policy().for_rows()))
    assert list(nothing) == list(found) and all(len(result.outcome) == 0 for result in nothing.values())


def test_results_of_a_snapshot_are_inspections_times_checks(sample_snapshot):
    inspections, rows, distinct = sample_snapshot.rows("""
        SELECT (SELECT count(*) FROM readings), count(*), count(DISTINCT (agency, inspection_id,
        check_id)) FROM results""")[0]
    assert rows == distinct == inspections * len(CHECKS)
    assert sample_snapshot.rows(
        "SELECT count(*) FROM results WHERE outcome IS NULL OR (certainty IS NULL) <> (outcome NOT IN "
        "('ok', 'deficient'))"
    ) == [(0,)]
    assert sample_snapshot.rows(
        "SELECT count(*) FROM results WHERE outcome IN ('not verified', 'not applicable') AND reason IS NULL"
    ) == [(0,)]


@pytest.mark.slow
def test_every_limit_may_differ_by_region_or_is_refused(tmp_path):
    """A region that halves or adds to any limit: rows elsewhere keep their results, and nothing breaks."""
    table, readings = sample_inspections()
    some = readings.rows(slice(0, 3000, 10))
    shipped = shipped_policy()
    pairs, codes = [("", "Hills"), ("", "Harbor")], np.arange(len(some)) % 2
    before = results(Recomputed(some, shipped.for_rows()))
    for limit in shipped.limits.values():
        half = max(limit.value // 2 if limit.whole else limit.value / 2, limit.least)
        (tmp_path / "policy.toml").write_text(
            f'[[region]]\nname = "Harbor"\nlimits = {{ {limit.name} = {half} }}\n',
            encoding="utf-8",
        )
        if not limit.by_region:
            with pytest.raises(policies.PolicyError, match=limit.name):
                policies.load(tmp_path / "policy.toml")
            continue
        policy = policies.load(tmp_path / "policy.toml")
        after = results(Recomputed(some, policy.for_rows((pairs, codes))))
        for check, result in after.items():
            hills = type(result)(
                **{
                    name: getattr(result, name)[codes == 0]
                    for name in ("outcome", "observed", "low", "high", "certainty", "said")
                },
                words=None,
            )
            kept = type(result)(
                **{
                    name: getattr(before[check], name)[codes == 0]
                    for name in ("outcome", "observed", "low", "high", "certainty", "said")
                },
                words=None,
            )
            assert same(hills, kept), (limit.name, check)
        policies.load(tmp_path / "policy.toml")
        (tmp_path / "fleet.toml").write_text(f"[limits]\n{limit.name} = {half}\n", encoding="utf-8")
        everywhere = results(Recomputed(some, policies.load(tmp_path / "fleet.toml").for_rows()))
        for check, result in after.items():
            assert np.array_equal(result.outcome[codes == 1], everywhere[check].outcome[codes == 1]), (
                limit.name,
                check,
            )
