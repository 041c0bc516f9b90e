"""Checks of the expansion tank and its charge."""

import numpy as np

from pipelines.engine.arrays import more
from pipelines.engine.checks.kinds import AnyOf, Applies, Band, Check, Doubt, Fact, Note, Odd, grouped


def tank_missing(tank_type):
    return Fact(tank_type, among=("diaphragm", "plain_steel", "open", "built_in"))


def tank_valved_off(tank_valve):
    return Fact(tank_valve, among=("none", "open"))


def has_a_tank(tank_type):
    return Applies(tank_type.known & ~tank_type.among("none"), ~tank_type.known, "tank_type")


def has_its_own_shell(tank_type):
    return Applies(tank_type.among("diaphragm", "plain_steel"), ~tank_type.known, "tank_type")


def has_diaphragm(tank_type):
    return Applies(tank_type.among("diaphragm"), ~tank_type.known, "tank_type")


def tank_undersized(
    tank_volume_gal,
    required_tank_gal,
    *,
    tank_room,
    loop_volume_estimated,
    tank_passes_over_range,
    code_tank_gal,
    fluid_unknown,
    tank_above_gauge_ft,
):
    return Band(
        tank_volume_gal,
        low=required_tank_gal,
        below=tank_room,
        less=(
            Doubt(
                loop_volume_estimated & ~tank_passes_over_range,
                "volume is estimated",
                field="system_volume_gal",
            ),
        ),
        notes=(
            Note(
                tank_volume_gal >= code_tank_gal,
                "meets the code table, which allows the full relief setting",
                "deficient",
            ),
            Note(loop_volume_estimated, "volume is estimated"),
            Note(fluid_unknown, "antifreeze not recorded: reckoned as water"),
            _tank_height_taken(tank_above_gauge_ft),
        ),
    )


def tank_cushion_lost(
    *,
    cushion_shown,
    cushion_sure,
    cushion_kept,
    sound_stays_below,
    half_gas_excluded,
    told_by_charge,
    charge_assumed,
    tank_air_valve,
    loop_volume_estimated,
    fluid_unknown,
    policy,
):
    ratio = Band(cushion_shown, low=policy.cushion_lost_ratio, below=cushion_sure, needs=("cushion_shown",))
    cut = Odd(sound_stays_below, chance=cushion_kept.chance_below_zero)
    over_charge = charge_assumed & ~tank_air_valve.among("water")
    return AnyOf(
        (ratio, cut),
        notes=(
            Note(over_charge, "cushion lost or over-charged: check the charge at zero pressure", "deficient"),
            Note(sound_stays_below, "the relief valve may have held the hot pressure down", "deficient"),
            Note(half_gas_excluded, "a tank with half its gas would have risen further", "ok"),
            Note(told_by_charge, "by its charge, read at zero pressure, and air at its valve", "ok"),
            Note(loop_volume_estimated, "volume is estimated"),
            Note(fluid_unknown, "antifreeze not recorded: reckoned as water"),
        ),
    )


def tank_diaphragm_failed(tank_air_valve, *, policy):
    return Fact(tank_air_valve, among=("air",), certainty_ok=policy.air_at_valve_certainty)


def tank_sounds_full(tank_tap, *, policy):
    weak = policy.tank_tap_certainty
    return Fact(tank_tap, among=("hollow", "half"), certainty_ok=weak, certainty_deficient=weak)


def precharge_low(
    trusted_charge_psig,
    fill_here_at_tank_psig,
    *,
    charge_above_low,
    fill_is_wrong,
    tank_temperature_f,
    tank_above_gauge_ft,
    policy,
):
    return Band(
        trusted_charge_psig,
        low=fill_here_at_tank_psig - policy.charge_tolerance_psi,
        below=charge_above_low,
        notes=_charge_notes(fill_is_wrong, tank_temperature_f, tank_above_gauge_ft),
    )


def precharge_high(
    trusted_charge_psig,
    fill_here_at_tank_psig,
    *,
    charge_below_high,
    fill_is_wrong,
    sea_level_charge_psig,
    atmosphere_estimated,
    tank_temperature_f,
    tank_above_gauge_ft,
    policy,
):
    shift = sea_level_charge_psig - policy.typical_fill_psig
    altitude = (
        ~atmosphere_estimated
        & ~more(policy.altitude_shift_psi, shift)
        & ~more(abs(trusted_charge_psig - sea_level_charge_psig), policy.altitude_match_psi)
    )
    altitude &= sea_level_charge_psig == sea_level_charge_psig
    return Band(
        trusted_charge_psig,
        high=fill_here_at_tank_psig + policy.charge_tolerance_psi,
        above=charge_below_high,
        notes=(
            Note(altitude, "consistent with a charge set near sea level; not proof", "deficient"),
            *_charge_notes(fill_is_wrong, tank_temperature_f, tank_above_gauge_ft),
        ),
    )


def _charge_notes(fill_is_wrong, tank_temperature_f, tank_above_gauge_ft):
    return (
        Note(
            fill_is_wrong,
            "the fill pressure is off, too: set the fill, then the charge to it",
            "deficient",
        ),
        Note(np.isnan(tank_temperature_f), "temperature of the tank not recorded: 60 °F taken"),
        _tank_height_taken(tank_above_gauge_ft),
    )


def _tank_height_taken(tank_above_gauge_ft):
    return Note(np.isnan(tank_above_gauge_ft), "height of the tank above the gauge not recorded: 0 ft taken")


TANK = grouped(
    "tank",
    (
        Check(
            "tank-missing",
            tank_missing,
            severity=2,
            probability="B",
            safety_critical=True,
            title="No expansion tank on a closed loop",
            name="Presence of an expansion tank",
            sound="An expansion tank is on the loop",
            spot="tank",
            remedy="Shut the boiler down until a tank of the right size is fitted.",
            source="published: IMC 1009, IRC M2003 (from memory)",
        ),
        Check(
            "tank-valved-off",
            tank_valved_off,
            applies=has_a_tank,
            severity=2,
            probability="B",
            safety_critical=True,
            title="Closed valve between loop and expansion tank",
            name="Valve between loop and expansion tank",
            sound="Nothing shuts the expansion tank off from the loop",
            spot="tank",
            remedy="Boiler off and cold: open the valve and lock it open.",
            source="common practice: no valve between boiler and tank, or one locked open",
        ),
        Check(
            "tank-undersized",
            tank_undersized,
            applies=has_its_own_shell,
            severity=3,
            probability="C",
            title="Expansion tank too small for this loop",
            name="Size of the expansion tank",
            sound="Expansion tank large enough for this loop",
            spot="tank",
            remedy="Fit a tank of at least the required volume.",
            source=(
                "published: ASHRAE Handbook, HVAC Systems and Equipment, tank equations (from memory); "
                "margin: policy"
            ),
        ),
        Check(
            "tank-cushion-lost",
            tank_cushion_lost,
            applies=has_its_own_shell,
            severity=2,
            probability="B",
            safety_critical=True,
            title="Tank has lost its air cushion",
            name="Air cushion of the tank",
            sound="Tank has kept enough of its air cushion",
            spot="tank",
            remedy=(
                "Boiler off, cold, pressure off: check the charge; drain a compression tank, recharge or "
                "replace a diaphragm tank. A full tank is heavy: support it."
            ),
            source="gas balance; limit: policy",
        ),
        Check(
            "tank-diaphragm-failed",
            tank_diaphragm_failed,
            applies=has_diaphragm,
            severity=2,
            probability="B",
            safety_critical=True,
            title="Water at the tank's air valve: diaphragm holed",
            name="What comes out of the tank's air valve",
            sound="Air at the tank's air valve",
            spot="tank",
            remedy="Replace the tank. It is full of water and heavy: support it.",
            source="common practice, no source",
        ),
        Check(
            "tank-sounds-full",
            tank_sounds_full,
            applies=has_a_tank,
            severity=4,
            probability="C",
            title="Tank sounds full along its whole length",
            name="Sound of the tank when tapped",
            sound="Tank does not sound full",
            spot="tank",
            remedy="Check the charge at zero pressure before anything else; tapping alone proves little.",
            source="common practice, weak, no source",
        ),
        Check(
            "precharge-low",
            precharge_low,
            applies=has_diaphragm,
            severity=3,
            probability="C",
            title="Tank charged below fill pressure",
            name="Tank charge against its lower limit",
            sound="Tank charge not below its limit",
            spot="tank",
            remedy=(
                "Boiler off, cold, water side at zero: set the charge to the fill pressure this loop has, as "
                "it stands at the tank. Where that fill is wrong: set the fill, then the charge to it."
            ),
            source="common practice, published; limit: policy",
        ),
        Check(
            "precharge-high",
            precharge_high,
            applies=has_diaphragm,
            severity=3,
            probability="C",
            title="Tank charged above fill pressure",
            name="Tank charge against its upper limit",
            sound="Tank charge not above its limit",
            spot="tank",
            remedy=(
                "Boiler off, cold, water side at zero: set the charge to the fill pressure this loop has, as "
                "it stands at the tank. Where that fill is wrong: set the fill, then the charge to it."
            ),
            source="common practice, published; limit: policy",
        ),
    ),
)
