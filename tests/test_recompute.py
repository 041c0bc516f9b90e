"""Every recomputed quantity against a hand calculation: other formulas, other property libraries, printed
figures.

Water comes from the iapws library, the atmosphere from fluids, glycol from the figures of check tables; none
of the project's own physics is used to make an expected value. Pressures psi gauge, temperatures °F, volumes
gallons.
"""

import iapws
import numpy as np
import pytest
from fluids.atmosphere import ATMOSPHERE_1976

from pipelines.engine.quantities import COLUMNS, FLAGS
from pipelines.engine.reasons import REASONS, gap, reason_of
from tests.inspections import NO_TANK, SOUND, STEEL, batch, judge

PSI_PER_PASCAL = 1 / 6_894.757293168
PER_F = {
    "steel": 6.5e-6,
    "copper": 9.5e-6,
    "pex": 0.0,
}  # ASHRAE Handbook (from memory; SI figures seen in a copy of its symbol list)


def value(name, **changes):
    return float(batch([SOUND | changes])[name].value[0])


def reason(name, **changes):
    return REASONS[reason_of(batch([SOUND | changes])[name].gap[0])]


def flag(name, **changes):
    return bool(batch([SOUND | changes])[name][0])


def atmosphere(elevation_ft):
    return ATMOSPHERE_1976(elevation_ft * 0.3048).P * PSI_PER_PASCAL


def density_lb_ft3(temperature_f):
    """Saturated water, IAPWS-97."""
    return iapws.IAPWS97(T=(temperature_f - 32) / 1.8 + 273.15, x=0).rho * 0.0624279606


def water_growth(cold_f, hot_f, pipe):
    return density_lb_ft3(cold_f) / density_lb_ft3(hot_f) - 1 - 3 * PER_F[pipe] * (hot_f - cold_f)


# ---- atmosphere and height


@pytest.mark.parametrize("elevation_ft", [-200.0, 0.0, 1000.0, 5280.0, 7000.0, 10_000.0])
def test_atmosphere(elevation_ft):
    assert value("atmosphere_psia", elevation_ft=elevation_ft) == pytest.approx(
        atmosphere(elevation_ft), abs=0.002
    )
    assert value("atmosphere_psia", elevation_ft=None, place_elevation_ft=elevation_ft) == pytest.approx(
        atmosphere(elevation_ft), abs=0.002
    )
    assert flag("atmosphere_estimated", elevation_ft=None, place_elevation_ft=elevation_ft) and not flag(
        "atmosphere_estimated"
    )


def test_sea_level_is_never_assumed():
    assert (
        np.isnan(value("atmosphere_psia", elevation_ft=None))
        and reason("atmosphere_psia", elevation_ft=None) == "not recorded"
    )
    assert not flag("atmosphere_estimated", elevation_ft=None)
    for name in (
        "sea_level_charge_psig",
        "required_tank_gal",
        "predicted_limit_psig",
        "predicted_hot_psig",
        "cushion_ratio",
    ):
        assert (
            np.isnan(value(name, elevation_ft=None)) and reason(name, elevation_ft=None) == "not recorded"
        ), name


def test_static_pressure():
    """12 psi carry 27.6 ft (NORA Oilheat Technicians Manual, p. 283): printed to a tenth of a foot at 2.3 ft
    per psi.
    """
    assert value("static_psi", top_height_ft=27.6) == pytest.approx(12.0, abs=0.06)
    for height_ft in (4.5, 16.0, 31.0):
        assert value("static_psi", top_height_ft=height_ft) == pytest.approx(
            height_ft * density_lb_ft3(60.0) / 144, abs=1e-3
        )
    assert value("static_psi", top_height_ft=-8.0) == 0.0


def test_static_pressure_of_glycol():
    """ASHRAE volume-percent data at 60 °F as CoolProp gives them: 64.825 lb/ft³ at 40 % propylene, 67.125 at
    50 % ethylene glycol.
    """
    propylene = dict(antifreeze="propylene_glycol", antifreeze_percent=40.0)
    ethylene = dict(antifreeze="ethylene_glycol", antifreeze_percent=50.0)
    assert value("static_psi", top_height_ft=20.0, **propylene) == pytest.approx(20 * 64.825 / 144, abs=0.002)
    assert value("static_psi", top_height_ft=20.0, **ethylene) == pytest.approx(20 * 67.125 / 144, abs=0.002)


@pytest.mark.parametrize(
    "level, stories, height_ft",
    [
        ("basement", 1.0, 7.0),
        ("basement", 2.0, 16.0),
        ("basement", 1.5, 11.5),
        (None, 2.0, 16.0),
        ("lowest_floor", 2.0, 9.0),
        ("lowest_floor", 1.0, 0.0),
        ("top_or_attic", 3.0, 0.0),
        ("top_or_attic", None, 0.0),
    ],
)
def test_height_from_stories(level, stories, height_ft):
    guessed = dict(top_height_ft=None, stories=stories, boiler_level=level)
    assert value("static_psi", **guessed) == pytest.approx(height_ft * density_lb_ft3(60.0) / 144, abs=1e-3)
    assert flag("static_estimated", **guessed) and not flag(
        "static_estimated", stories=stories, boiler_level=level
    )


def test_no_height_at_all():
    for name in ("static_psi", "required_cold_psig", "should_have_psig", "required_tank_gal"):
        assert np.isnan(value(name, top_height_ft=None, stories=None))
    assert not flag("static_estimated", top_height_ft=None, stories=None)


def test_required_and_proper_cold_pressure():
    """12 psi serve about 18 ft with 4 psi on top (18.5 ft, worked out in the table of heights of a published
    margin).
    """
    assert value("required_cold_psig", top_height_ft=18.46) == pytest.approx(12.0, abs=0.01)
    assert value("required_cold_psig", boiler_min_pressure_psig=15.0) == 15.0
    assert value("required_cold_psig", top_height_ft=30.0, boiler_min_pressure_psig=15.0) == pytest.approx(
        16.99, abs=0.01
    )  # 30 × 0.4331 + 4
    tall = dict(top_height_ft=30.0)
    for setting, wanted in ((None, 16.99), (13.9, 16.99), (14.1, 14.1), (19.9, 19.9), (20.1, 16.99)):
        assert value("should_have_psig", fill_setting_psig=setting, **tall) == pytest.approx(
            wanted, abs=0.01
        ), setting
    for setting, wanted in ((9.0, 9.0), (8.9, 12.0), (15.0, 15.0), (15.1, 12.0), (15.0 + 4e-7, 15.0 + 4e-7)):
        assert value("should_have_psig", fill_setting_psig=setting) == pytest.approx(wanted, abs=1e-9), (
            setting
        )


# ---- the charge


@pytest.mark.parametrize(
    "elevation_ft, shown", [(0.0, 12.0), (5000.0, 14.468), (7000.0, 15.356), (10_000.0, 16.589)]
)
def test_charge_set_at_sea_level(elevation_ft, shown):
    """12 psi and what the atmosphere has lost: standard atmosphere closed form, 12.2278, 11.3399, 10.1066
    psia.
    """
    assert value("sea_level_charge_psig", elevation_ft=elevation_ft) == pytest.approx(shown, abs=0.003)


def test_trusted_charge_at_60_degrees_and_at_the_tank():
    """Gay-Lussac in absolute pressure at 5,000 ft: 13.0 psi read at 80 °F."""
    at_60 = (13.0 + atmosphere(5000.0)) * 520 / 540 - atmosphere(5000.0)
    there = dict(elevation_ft=5000.0, precharge_psig=13.0, tank_temperature_f=80.0)
    assert value("trusted_charge_psig", **there) == pytest.approx(at_60, abs=0.001)
    assert value("trusted_charge_psig", **there, tank_above_gauge_ft=4.0) == pytest.approx(at_60, abs=0.001)
    assert value("trusted_charge_psig", **there | dict(tank_temperature_f=None)) == 13.0


@pytest.mark.parametrize(
    "above_ft, charge, trusted",
    [
        (6.0, 9.4, False),  # 12 psi at the gauge are 9.4 psi six feet up: an echo
        (6.0, 12.0, False),  # within 2 psi of neither, but between them: 9.4 and 14.4
        (6.0, 7.3, True),
        (-6.0, 14.6, False),
        (-6.0, 12.0, False),  # 2.6 psi below what stands there, but the gauge's number
        (-20.0, 17.0, False),  # the hot one's
        (-6.0, 12.2, True),
        (None, 9.9, False),  # may hang 8 ft up: 12 psi are 8.5 psi there, and 2 psi below that is 6.5
        (None, 6.6, False),
        (None, 6.4, True),
        (None, 22.3, False),
        (None, 22.6, True),
    ],
)
def test_echoes_are_looked_for_at_the_tank(above_ft, charge, trusted):
    row = dict(precharge_system_side=None, tank_above_gauge_ft=above_ft, precharge_psig=charge)
    assert np.isfinite(value("trusted_charge_psig", **row)) is np.bool_(trusted)


def test_no_charge_is_trusted_where_water_came_out_of_the_valve():
    for side in ("relieved", "pressurized", None):
        row = dict(precharge_system_side=side, precharge_psig=4.0, tank_air_valve="water")
        assert reason("trusted_charge_psig", **row) == "water came out of the tank's air valve"


@pytest.mark.parametrize(
    "changes, fill",
    [
        (dict(fill_setting_psig=18.0), 18.0),
        (dict(fill_setting_psig=18.0, fill_connection="manual"), 18.0),
        (dict(fill_setting_psig=18.0, fill_connection=None), 18.0),
        (dict(fill_setting_psig=18.0, fill_connection="valved_off"), 12.0),
        (dict(fill_setting_psig=18.0, fill_connection="feeder_tank", cold_pressure_psig=14.0), 14.0),
        (dict(fill_setting_psig=None, cold_pressure_psig=15.0), 15.0),
        (dict(fill_setting_psig=None, cold_pressure_psig=15.0, cold_temperature_f=110.0), 12.0),
        (dict(fill_setting_psig=None, cold_pressure_psig=None, top_height_ft=30.0), 4 + 30 * 62.364 / 144),
    ],
)
def test_the_fill_pressure_this_loop_has(changes, fill):
    assert value("fill_here_psig", **changes) == pytest.approx(fill, abs=0.002)
    high = changes | dict(tank_above_gauge_ft=10.0)
    assert value("fill_here_at_tank_psig", **high) == pytest.approx(fill - 10 * 62.364 / 144, abs=0.002)


TRUST = [  # system side, charge, cold, hot, trusted
    ("relieved", 12.0, 12.0, 17.0, True),
    ("relieved", 12.0, None, None, True),
    ("pressurized", 12.0, 12.0, 17.0, False),
    (None, 12.0, 12.0, 17.0, False),
    ("pressurized", 9.9, 12.0, 17.0, True),
    ("pressurized", 10.0, 12.0, 17.0, False),
    (None, 9.9, 12.0, None, True),
    (None, 9.9, None, 17.0, False),
    ("pressurized", 19.1, 12.0, 17.0, True),
    ("pressurized", 19.0, 12.0, 17.0, False),
    (None, 14.5, 12.0, 17.0, False),
    (None, 19.1, 12.0, None, False),
]


@pytest.mark.parametrize("side, charge, cold, hot, trusted", TRUST)
def test_when_a_charge_is_trusted(side, charge, cold, hot, trusted):
    row = dict(
        precharge_system_side=side, precharge_psig=charge, cold_pressure_psig=cold, hot_pressure_psig=hot
    )
    assert (
        value("trusted_charge_psig", **row) == pytest.approx(charge)
        if trusted
        else np.isnan(value("trusted_charge_psig", **row))
    )


def test_no_charge_without_a_diaphragm():
    assert np.isnan(
        value("trusted_charge_psig", **STEEL | dict(precharge_psig=5.0, precharge_system_side="relieved"))
    )
    assert np.isnan(value("trusted_charge_psig", tank_type=None))


# ---- volumes and expansion


def test_loop_volume():
    assert value("loop_volume_gal") == 40.0
    assert value("loop_volume_gal", buffer_tank="yes", buffer_tank_gal=26.0) == 66.0
    assert value("loop_volume_gal", buffer_tank=None, buffer_tank_gal=26.0) == 66.0
    assert value("loop_volume_gal", buffer_tank=None) == 40.0
    assert (
        np.isnan(value("loop_volume_gal", buffer_tank="yes"))
        and reason("loop_volume_gal", buffer_tank="yes") == "buffer tank recorded without its size"
    )
    assert not flag("loop_volume_estimated")


@pytest.mark.parametrize(
    "emitter, liters_per_kw",
    [
        ("fin_tube", 6),
        ("convector", 6),
        ("fan_coil", 8),
        ("panel_radiator", 11),
        ("cast_iron_radiator", 14),
        ("radiant_floor", 23),
    ],
)
def test_loop_volume_by_emitter(emitter, liters_per_kw):
    """Liters per kW as published for perimeter heating, fan coils, panels, cast iron and floors; 3.785 L and
    3412 Btu/h.
    """
    guessed = dict(system_volume_gal=None, emitter=emitter, boiler_output_btuh=100_000.0)
    gallons = 100_000 / 3412.14 * liters_per_kw / 3.785412
    assert value("loop_volume_gal", **guessed) == pytest.approx(gallons, rel=0.002)
    assert value("loop_volume_gal", **guessed, buffer_tank="no") == value("loop_volume_gal", **guessed)
    assert value(
        "loop_volume_gal", **guessed | dict(buffer_tank="yes", buffer_tank_gal=40.0)
    ) == pytest.approx(gallons + 40, rel=0.002)
    assert flag("loop_volume_estimated", **guessed)


@pytest.mark.parametrize("pipe", ["steel", "copper", "pex"])
@pytest.mark.parametrize("cold_f, hot_f", [(60.0, 180.0), (45.0, 200.0), (70.0, 120.0)])
def test_expansion_of_water(pipe, cold_f, hot_f):
    row = dict(
        system_volume_gal=100.0, pipe_material=pipe, cold_temperature_f=cold_f, hot_temperature_f=hot_f
    )
    assert value("expansion_gal", **row) == pytest.approx(100 * water_growth(cold_f, hot_f, pipe), abs=0.003)


def test_expansion_against_the_handbook():
    """3,000 gal in steel from 40 to 220 °F: 129.92 gal with the ASHRAE example's rounded specific volumes
    (from memory), 130.20 with IAPWS.
    """
    row = dict(
        system_volume_gal=3000.0, pipe_material="steel", cold_temperature_f=40.0, hot_temperature_f=220.0
    )
    assert value("expansion_gal", **row) == pytest.approx(130.20, abs=0.1)
    assert value("expansion_gal", **row) == pytest.approx(129.92, abs=0.5)
    assert value("expansion_gal", **row | dict(pipe_material=None)) == value(
        "expansion_gal", **row
    )  # not recorded: steel


def test_expansion_of_glycol():
    """40 % propylene glycol by volume, 60 to 180 °F: 64.825 and 62.144 lb/ft³ (ASHRAE data as CoolProp gives
    them).
    """
    row = dict(antifreeze="propylene_glycol", antifreeze_percent=40.0, pipe_material="copper")
    assert value("expansion_gal", **row) == pytest.approx(
        40 * (64.825 / 62.144 - 1 - 3 * 9.5e-6 * 120), abs=0.002
    )


def test_expansion_needs_measured_temperatures():
    for missing in ("cold_temperature_f", "hot_temperature_f"):
        assert np.isnan(value("expansion_gal", **{missing: None}))
    assert reason("expansion_gal", hot_temperature_f=50.0) == "readings contradict each other"
    assert reason("expansion_gal", cold_reading_state="heat_not_shut_off") == "heat could not be shut off"
    assert reason("expansion_gal", antifreeze="propylene_glycol") == "antifreeze recorded without percent"
    assert (
        reason(
            "expansion_gal", antifreeze="propylene_glycol", antifreeze_percent=40.0, hot_temperature_f=230.0
        )
        == "outside the fluid data"
    )


# ---- the tank the loop needs


def test_required_tank_against_the_handbook():
    """ASHRAE pair (from memory): 3,000 gal, steel, 10 psi cold, 25 psi hot, 578 gal plain and 344 gal with a
    diaphragm.

    The handbook heats from 40 to 220 °F and the policy sizes from 60 °F, so the water is scaled to the same
    129.92 gal.
    """
    water = 129.92 / water_growth(60.0, 220.0, "steel")
    row = dict(
        system_volume_gal=water,
        pipe_material="steel",
        top_height_ft=0.0,
        boiler_min_pressure_psig=None,
        fill_setting_psig=10.0,
        high_limit_f=220.0,
        relief_setting_psig=25.0 / 0.9,
    )
    assert value("required_tank_gal", **row) == pytest.approx(344, abs=1.0)
    assert value("required_tank_gal", **STEEL | row) == pytest.approx(578, abs=1.0)


@pytest.mark.parametrize("elevation_ft", [0.0, 6900.0])
def test_required_tank_by_hand(elevation_ft):
    air, growth = atmosphere(elevation_ft), 40 * water_growth(60.0, 200.0, "copper")
    row = dict(
        elevation_ft=elevation_ft,
        high_limit_f=200.0,
        hot_temperature_f=150.0,
        cold_temperature_f=75.0,
        precharge_psig=3.0,
    )  # readings play no part
    assert value("required_tank_gal", **row) == pytest.approx(
        growth / (1 - (12 + air) / (27 + air)), rel=0.002
    )
    assert value("required_tank_gal", **STEEL | row) == pytest.approx(
        growth / (air / (12 + air) - air / (27 + air)), rel=0.002
    )


def test_required_tank_takes_its_temperature_from_the_limit():
    by_limit = {
        limit: value("required_tank_gal", high_limit_f=limit) for limit in (None, 120.0, 180.0, 200.0)
    }
    assert by_limit[None] == by_limit[180.0] < by_limit[200.0]
    assert (
        value("required_tank_gal", emitter="radiant_floor", high_limit_f=200.0)
        == value("required_tank_gal", emitter="radiant_floor", high_limit_f=None)
        == by_limit[120.0]
    )
    # never below what was measured
    assert value("required_tank_gal", high_limit_f=180.0, hot_temperature_f=200.0) == by_limit[200.0]
    floor = dict(emitter="radiant_floor", hot_temperature_f=180.0)
    assert value("required_tank_gal", **floor) == by_limit[180.0]


@pytest.mark.parametrize("above_ft", [-25.0, -4.0, 0.0, 4.0, 30.0])
def test_required_tank_is_that_of_its_own_height(above_ft):
    """Fill and allowed pressure less the column up to the tank; a steel tank's air is that of the place."""
    lift, air = above_ft * 62.364 / 144, 14.696
    row = dict(tank_above_gauge_ft=above_ft, top_height_ft=16.0, fill_setting_psig=None)
    fill = max(12.0, max(16.0, above_ft) * 62.364 / 144 + 4.0) - lift + air
    allowed, growth = 27.0 - lift + air, 40 * water_growth(60.0, 180.0, "copper")
    assert value("required_tank_gal", **row) == pytest.approx(growth / (1 - fill / allowed), rel=0.002)
    assert value("required_tank_gal", **STEEL | row) == pytest.approx(
        growth / (air / fill - air / allowed), rel=0.002
    )


def test_a_tank_that_hangs_above_all_else_must_be_kept_full():
    column = 62.364 / 144
    assert value("static_psi", tank_above_gauge_ft=30.0) == pytest.approx(30 * column, abs=0.002)
    assert value("static_psi", tank_above_gauge_ft=10.0) == value("static_psi")
    assert value("static_psi", tank_above_gauge_ft=30.0, **NO_TANK) == value("static_psi")


def test_no_room_under_the_relief_valve():
    for minimum, known in ((26.9, True), (27.0, False), (28.0, False)):
        assert (value("required_tank_gal", boiler_min_pressure_psig=minimum) > 0) is known
    assert (
        reason("required_tank_gal", boiler_min_pressure_psig=27.0)
        == "this pressure leaves no room under this relief valve"
    )
    assert reason("required_tank_gal", relief_setting_psig=None) == "not recorded"
    assert np.isnan(value("required_tank_gal", tank_type=None))


# ---- the gas balance


def hot_pressure(growth_gal, tank_gal, charge_psia, cold_psia):
    """Boyle's law by bisection on the gas volume: the shell is full of gas at its charge."""
    gas = min(tank_gal, charge_psia * tank_gal / cold_psia)
    start = max(charge_psia, cold_psia)
    low, high = start, 1e6
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if gas - gas * start / middle < growth_gal else (low, middle)
    return high


@pytest.mark.parametrize("charge, cold", [(12.0, 12.0), (8.0, 12.0), (16.0, 12.0), (12.0, 20.0)])
@pytest.mark.parametrize("elevation_ft", [0.0, 6500.0])
def test_predicted_pressures(charge, cold, elevation_ft):
    air = atmosphere(elevation_ft)
    row = dict(
        elevation_ft=elevation_ft,
        precharge_psig=charge,
        cold_pressure_psig=cold,
        hot_temperature_f=170.0,
        high_limit_f=190.0,
        tank_temperature_f=None,
    )
    for name, hot_f in (("predicted_hot_psig", 170.0), ("predicted_limit_psig", 190.0)):
        hot = hot_pressure(40 * water_growth(60.0, hot_f, "copper"), 6.0, charge + air, cold + air) - air
        assert value(name, **row) == pytest.approx(hot, abs=0.03)
    assert value("predicted_headroom_psi", **row) == pytest.approx(30 - value("predicted_limit_psig", **row))


def test_predicted_pressure_of_a_charge_left_low():
    """Griffith, Thermal Expansion Tanks Part 2: 120 gal from 40 to 140 °F, 80 psi line, pre-charge left at 40
    psi, 9.4 gal hold 135 psi.

    Printed: 2.0 gal of growth, 54.7, 94.7 and 149.7 psia, and 5.44 gal where the charge is right. A tank a
    trace larger stays below 135 psi, one a trace smaller rises above it.
    """
    row = dict(
        system_volume_gal=2.0 / water_growth(60.0, 180.0, "copper"),
        cold_pressure_psig=80.0,
        tank_temperature_f=None,
        hot_temperature_f=180.0,
        hot_pressure_psig=None,
    )
    for charge, printed, rounding in ((40.0, 9.4, 0.05), (80.0, 5.44, 0.02)):
        smaller, larger = (
            value("predicted_hot_psig", **row, precharge_psig=charge, tank_volume_gal=printed + step)
            for step in (-rounding, rounding)
        )
        assert larger < 135.0 < smaller


@pytest.mark.parametrize("above_ft", [-25.0, 4.0, 30.0])
@pytest.mark.parametrize("changes", [{}, STEEL], ids=["diaphragm", "steel"])
def test_predicted_pressure_of_a_tank_at_its_own_height(above_ft, changes):
    """Told at the gauge, balanced at the tank."""
    lift, air = above_ft * 62.364 / 144, 14.696
    row = changes | dict(tank_above_gauge_ft=above_ft, cold_pressure_psig=20.0, hot_pressure_psig=None)
    row |= {} if changes else dict(precharge_psig=7.0)
    charge, tank_gal = (air, 16.0) if changes else (7.0 + air, 6.0)
    growth = 40 * water_growth(60.0, 180.0, "copper")
    hot = hot_pressure(growth, tank_gal, charge, 20.0 - lift + air) - air + lift
    assert value("predicted_limit_psig", **row) == pytest.approx(hot, abs=0.03)


def test_the_ratio_is_taken_at_the_tank():
    """Half the gas at 30 ft up, whatever the gauge says: 12.99 psi less."""
    lift, air, growth = 30 * 62.364 / 144, 14.696, 40 * water_growth(60.0, 180.0, "copper")
    row = dict(tank_above_gauge_ft=30.0, cold_pressure_psig=18.0, precharge_psig=5.0)
    hot = hot_pressure(growth, 3.0, 5.0 + air, 18.0 - lift + air) - air + lift
    bracket = 1 / (18.0 - lift + air) - 1.06 / (hot - lift + air)
    ratio = growth / bracket / (6.0 * (5.0 + air))
    assert value("cushion_ratio", **row, hot_pressure_psig=hot) == pytest.approx(ratio, abs=0.005)


def test_a_cold_pressure_that_does_not_reach_the_tank_contradicts_its_height():
    row = dict(tank_above_gauge_ft=90.0, top_height_ft=20.0)
    assert reason("predicted_hot_psig", **row) == "readings contradict each other"


def test_predicted_pressure_of_a_compression_tank():
    hot = hot_pressure(40 * water_growth(60.0, 180.0, "copper"), 16.0, 14.696, 26.696) - 14.696
    assert value("predicted_limit_psig", **STEEL) == pytest.approx(hot, abs=0.03)


def test_cold_temperature_missing_is_taken_as_60():
    assert value("predicted_limit_psig", cold_temperature_f=None) == value(
        "predicted_limit_psig", cold_temperature_f=60.0
    )


@pytest.mark.parametrize(
    "changes",
    [
        dict(tank_volume_gal=1.04),
        dict(tank_type="none"),
        dict(tank_valve="closed"),
        STEEL | dict(tank_volume_gal=1.8),
    ],
)
def test_unbounded(changes):
    """The gas cannot take the expansion of 1.042 gal, or there is none: a flag and no number."""
    for name in ("predicted_hot", "predicted_limit"):
        assert value(f"{name}_psig", **changes) == np.inf and flag(f"{name}_unbounded", **changes)
    assert (
        not flag("predicted_limit_unbounded", tank_volume_gal=1.05)
        and value("predicted_limit_psig", tank_volume_gal=1.05) > 500
    )


def test_no_prediction_without_a_trusted_charge():
    for changes in (
        dict(precharge_psig=None),
        dict(precharge_system_side=None),
        dict(precharge_system_side="pressurized"),
        dict(tank_type=None),
        dict(cold_pressure_psig=None),
    ):
        for name in ("predicted_hot", "predicted_limit"):
            assert np.isnan(value(f"{name}_psig", **changes)) and not flag(f"{name}_unbounded", **changes)
    assert np.isnan(value("predicted_limit_psig", tank_type="built_in")) and not flag(
        "predicted_limit_unbounded", tank_type="built_in"
    )
    assert (
        np.isnan(value("predicted_hot_psig", hot_temperature_f=None))
        and value("predicted_limit_psig", hot_temperature_f=None) > 0
    )


# ---- the cushion that is left


def ratio(growth_gal, tank_gal, charge_psia, cold_psia, hot_psia):
    """Gas that must have been there, its heating by 6 % included, over the gas the shell holds; both as
    psia·gal.
    """
    gas_at_cold = 1 / max(charge_psia, cold_psia)
    return growth_gal / (gas_at_cold - 1.06 / hot_psia) / (tank_gal * charge_psia)


@pytest.mark.parametrize(
    "changes, charge",
    [
        ({}, 12.0),
        (dict(precharge_psig=9.0), 9.0),
        (dict(precharge_psig=14.0, hot_pressure_psig=21.0), 14.0),
        (dict(precharge_psig=None), 12.0),
        (dict(precharge_psig=None, fill_setting_psig=14.0), 14.0),
        (STEEL, 0.0),
    ],
)
@pytest.mark.parametrize("elevation_ft", [0.0, 7000.0])
def test_cushion_ratio(changes, charge, elevation_ft):
    row = (
        SOUND
        | dict(tank_temperature_f=None, hot_pressure_psig=20.0)
        | changes
        | dict(elevation_ft=elevation_ft)
    )
    air = atmosphere(elevation_ft)
    wanted = ratio(
        40 * water_growth(60.0, 180.0, "copper"),
        row["tank_volume_gal"],
        charge + air,
        12 + air,
        row["hot_pressure_psig"] + air,
    )
    assert value("cushion_ratio", **row) == pytest.approx(wanted, rel=0.004)


def test_cushion_ratio_of_a_holed_tank():
    """A shell of 6 gal that holds the gas of 1.8 gal: readings made by the balance give the share back, gas
    warmed as reckoned.
    """
    growth, gas = 40 * water_growth(60.0, 180.0, "copper"), 0.3 * 6 * 26.696
    hot_psia = 1.06 / (1 / 26.696 - growth / gas)
    assert value("cushion_ratio", hot_pressure_psig=hot_psia - 14.696) == pytest.approx(0.3, rel=0.01)


def test_cushion_ratio_has_no_bound_where_warm_gas_explains_the_rise():
    assert value("cushion_ratio", precharge_psig=15.0, hot_pressure_psig=16.0) == np.inf


@pytest.mark.parametrize(
    "changes, said",
    [
        (dict(hot_temperature_f=99.9), "temperature rise too small to judge"),
        (dict(hot_pressure_psig=15.9), "pressure rise too small to judge"),
        (dict(precharge_psig=17.0), "readings contradict each other"),
        (dict(tank_valve="closed"), "the tank's valve is closed"),
        (dict(cold_pressure_psig=None), "not recorded"),
        (dict(cold_pressure_psig=None, precharge_psig=17.0), "readings contradict each other"),
        (dict(tank_volume_gal=None), "not recorded"),
        (dict(hot_pressure_psig=None), "not recorded"),
    ],
)
def test_no_cushion_ratio(changes, said):
    assert np.isnan(value("cushion_ratio", **changes)) and reason("cushion_ratio", **changes) == said


def test_the_ratio_without_a_cold_temperature_is_that_of_60_degrees():
    assert value("cushion_ratio", cold_temperature_f=None) == value("cushion_ratio", cold_temperature_f=60.0)
    assert np.isnan(value("expansion_gal", cold_temperature_f=None))


def test_when_a_ratio_is_only_at_most():
    assert not flag("cushion_ratio_at_most")
    for changes in (
        dict(hot_reading_state="some_zones"),
        dict(hot_reading_state="boiler_only"),
        dict(hot_reading_state=None),
        dict(hot_pressure_psig=27.0, relief_signs="stained"),
        dict(hot_pressure_psig=29.0, relief_signs=None),
        dict(hot_pressure_psig=90.0, relief_setting_psig=90.0, relief_signs="dripping"),
        dict(hot_pressure_psig=85.5, relief_setting_psig=90.0, relief_signs="dripping"),  # 5 % below
        dict(relief_setting_psig=None, relief_signs=None),
    ):
        assert flag("cushion_ratio_at_most", **changes), changes
    for changes in (
        dict(hot_pressure_psig=26.9, relief_signs="stained"),
        dict(hot_pressure_psig=29.0),  # dry
        dict(hot_pressure_psig=85.4, relief_setting_psig=90.0, relief_signs="dripping"),
        dict(relief_setting_psig=None),
    ):
        assert not flag("cushion_ratio_at_most", **changes), changes


@pytest.mark.parametrize(
    "changes, cold, hot",
    [
        (dict(cold_pressure_psig=70.0, hot_pressure_psig=None), True, None),  # a fill valve that failed open
        (dict(cold_pressure_psig=70.0, hot_pressure_psig=72.0), True, True),
        (dict(cold_pressure_psig=100.0, hot_pressure_psig=100.1), True, False),
        (dict(cold_pressure_psig=70.0, hot_pressure_psig=24.0), False, True),
        (dict(cold_pressure_psig=22.0, hot_pressure_psig=17.0), True, True),
        (dict(cold_pressure_psig=22.1, hot_pressure_psig=17.0), False, True),
        (dict(cold_pressure_psig=120.0, hot_pressure_psig=None), False, None),
        (dict(cold_pressure_psig=120.0, hot_pressure_psig=None, relief_setting_psig=80.0), True, None),
        (dict(cold_pressure_psig=120.0, hot_pressure_psig=None, boiler_max_pressure_psig=80.0), True, None),
        (dict(cold_pressure_psig=120.1, hot_pressure_psig=None, boiler_max_pressure_psig=80.0), False, None),
        (dict(cold_pressure_psig=-0.1, hot_pressure_psig=None), False, None),
    ],
)
def test_which_pressures_are_plausible(changes, cold, hot):
    assert np.isfinite(value("usable_cold_psig", **changes)) == cold
    assert hot is None or np.isfinite(value("usable_hot_psig", **changes)) == hot


@pytest.mark.parametrize(
    "changes, gallons, low, high",
    [
        (dict(boiler_output_btuh=120_000.0), 120 * 0.465, 0.2, 1.3),
        (dict(boiler_output_btuh=120_000.0, heated_area_ft2=1_000.0), 30 * 0.465, 0.4, 1.6),
        (dict(boiler_output_btuh=None, heated_area_ft2=1_000.0), 30 * 0.465, 0.4, 1.6),
    ],
)
def test_a_volume_by_the_heated_area_else_by_the_boiler(changes, gallons, low, high):
    row = dict(system_volume_gal=None) | changes
    assert value("loop_volume_gal", **row) == pytest.approx(gallons)
    buffered = row | dict(buffer_tank="yes", buffer_tank_gal=20.0)
    recomputed = batch([SOUND | row, SOUND | buffered, SOUND])
    for name, factor in (("least_volume_share", low), ("most_volume_share", high)):
        whole, part, recorded = recomputed[name]
        assert whole == pytest.approx(factor) and recorded == 1.0
        assert part == pytest.approx((20 + gallons * factor) / (20 + gallons))


def test_limits_of_the_cushion_and_the_tank_are_inclusive():
    """A tank of exactly the size the quantity names is ok, a trace less is not; both sides rounded to
    1e-6.
    """
    needed = value("required_tank_gal")
    for volume, outcome in ((needed, "ok"), (needed - 4e-7, "ok"), (needed - 2e-6, "deficient")):
        assert judge(SOUND | dict(tank_volume_gal=volume), "tank-undersized").outcome == outcome
    half = 6.0 * value("cushion_ratio") / 0.5  # twice the ratio needs so large a shell
    for volume, outcome in ((half, "ok"), (half * (1 - 1e-5), "ok"), (half * (1 + 1e-5), "deficient")):
        assert judge(SOUND | dict(tank_volume_gal=volume), "tank-cushion-lost").outcome == outcome
    at_limit = value("predicted_limit_psig")
    for setting, outcome in ((at_limit / 0.9, "ok"), (at_limit / 0.9 * (1 - 1e-5), "deficient")):
        assert (
            judge(SOUND | dict(relief_setting_psig=setting), "predicted-pressure-near-relief").outcome
            == outcome
        )


# ---- headroom, flags, NaN


def test_headroom():
    assert value("headroom_psi") == 13.0
    assert value("headroom_psi", hot_pressure_psig=31.0) == -1.0
    for name in ("headroom_psi", "predicted_headroom_psi"):
        assert (
            np.isnan(value(name, relief_setting_psig=None))
            and reason(name, relief_setting_psig=None) == "not recorded"
        )  # never 30, never the boiler's
    assert (
        reason("headroom_psi", boiler_gauge="stuck", pressure_read_with="boiler_gauge")
        == "boiler gauge stuck or missing"
    )


def test_a_missing_reading_is_named_in_everything_made_from_it():
    """The reason and the field travel along; what does not rest on the reading keeps its number."""
    before = {name: value(name) for name in COLUMNS}
    rests_on = {
        "tank_volume_gal": {
            "predicted_hot_psig",
            "predicted_limit_psig",
            "cushion_ratio",
            "predicted_headroom_psi",
        },
        "hot_pressure_psig": {"cushion_ratio", "headroom_psi"},
        "hot_temperature_f": {"expansion_gal", "predicted_hot_psig", "cushion_ratio"},
        "cold_pressure_psig": {
            "predicted_hot_psig",
            "predicted_limit_psig",
            "cushion_ratio",
            "predicted_headroom_psi",
        },
        "relief_setting_psig": {"required_tank_gal", "headroom_psi", "predicted_headroom_psi"},
        "precharge_psig": {
            "trusted_charge_psig",
            "predicted_hot_psig",
            "predicted_limit_psig",
            "predicted_headroom_psi",
        },
    }
    for missing, lost in rests_on.items():
        recomputed = batch([SOUND | {missing: None}])
        for name in COLUMNS:
            quantity = recomputed[name]
            if name in lost:
                assert np.isnan(quantity.value[0]) and quantity.gap[0] == gap("not recorded", missing), (
                    missing,
                    name,
                )
            else:
                assert quantity.value[0] == before[name] and quantity.known[0], (missing, name)


def test_every_quantity_and_flag_has_one_value_per_inspection():
    recomputed = batch(
        [SOUND, SOUND | STEEL, dict(heating_system="hot_water"), dict(heating_system="warm_air")]
    )
    for name in COLUMNS:
        quantity = recomputed[name]
        assert quantity.value.shape == quantity.gap.shape == (4,)
        assert np.array_equal(np.isnan(quantity.value), ~quantity.known), (
            name
        )  # a missing number always has a reason
    for name in FLAGS:
        assert recomputed[name].shape == (4,) and recomputed[name].dtype == bool
    assert recomputed["assessed"].tolist() == [True, True, True, False]


def test_numbers_of_a_system_that_is_not_assessed_are_null(sample_snapshot):
    others = " OR ".join(f"{name} IS NOT NULL" for name in COLUMNS if name != "atmosphere_psia")
    assert sample_snapshot.rows(f"SELECT count(*) FROM recomputed WHERE NOT assessed AND ({others})") == [
        (0,)
    ]
    assert sample_snapshot.rows("""
        SELECT count(*) FROM recomputed
        WHERE isnan(predicted_limit_psig) OR isinf(predicted_limit_psig) OR isinf(cushion_ratio)""") == [(0,)]
    assert sample_snapshot.rows(
        "SELECT count(*) FROM recomputed WHERE predicted_limit_unbounded AND predicted_limit_psig IS NOT NULL"
    ) == [(0,)]
