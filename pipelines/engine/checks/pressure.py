"""Checks of the loop's pressures."""

import numpy as np

from pipelines.engine.checks.kinds import AnyOf, Applies, Band, Check, Doubt, Note, Odd, grouped


def cold_pressure_low(
    cool_cold_psig, required_cold_psig, *, cold_above_required, usable_cold_f, static_estimated
):
    return Band(
        cool_cold_psig,
        low=required_cold_psig,
        below=cold_above_required,
        notes=_cold_notes(usable_cold_f, static_estimated),
    )


def cold_pressure_high(
    cool_cold_psig,
    should_have_psig,
    *,
    cold_below_high,
    domestic_coil,
    fill_connection,
    usable_cold_f,
    static_estimated,
    policy,
):
    coil, shut = domestic_coil.among("tankless", "indirect"), fill_connection.among("valved_off", "none")
    return Band(
        cool_cold_psig,
        high=should_have_psig + policy.cold_high_margin_psi,
        above=cold_below_high,
        notes=(
            Note(coil & shut, "leaking coil", "deficient"),
            Note(coil, "fill valve or leaking coil", "deficient"),
            *_cold_notes(usable_cold_f, static_estimated),
        ),
    )


def _cold_notes(usable_cold_f, static_estimated):
    untimed = Note(
        usable_cold_f != usable_cold_f,
        "temperature not recorded: the true cold pressure may lie up to {cold_untimed_low_psi} lower",
    )
    return untimed, Note(static_estimated, "height estimated from stories")


def fill_pressure_off_setting(
    cool_cold_psig, fill_setting_psig, *, cold_above_setting, cold_below_setting, usable_cold_f, policy
):
    tolerance = policy.fill_off_setting_psi
    return Band(
        cool_cold_psig,
        low=fill_setting_psig - tolerance,
        high=fill_setting_psig + tolerance,
        below=cold_above_setting,
        above=cold_below_setting,
        notes=_cold_notes(usable_cold_f, False)[:1],
    )


def is_fed_by_a_valve(fill_connection):
    return Applies(fill_connection.among("automatic", "manual"), ~fill_connection.known, "fill_connection")


def supply_pressure_high(supply_pressure_psig, *, supply_below_high, policy):
    return Band(supply_pressure_psig, high=policy.supply_high_psig, above=supply_below_high)


def hot_pressure_near_relief(usable_hot_psig, allowed_psig, *, hot_below_allowed):
    return Band(usable_hot_psig, high=allowed_psig, above=hot_below_allowed)


def predicted_pressure_near_relief(
    *,
    predicted_limit_psig,
    allowed_psig,
    room_at_limit,
    near_limit_by_volume,
    no_gas,
    predicted_limit_unbounded,
    predicted_limit_opens,
    fluid_unknown,
    loop_volume_estimated,
    atmosphere_estimated,
):
    near_at_least, near_at_most = near_limit_by_volume
    estimated, field = loop_volume_estimated & ~no_gas, "system_volume_gal"
    less = (
        Doubt(estimated & ~near_at_least, "volume is estimated", "deficient", field),
        Doubt(estimated & near_at_most, "volume is estimated", "ok", field),
    )
    near = Band(
        predicted_limit_psig,
        high=allowed_psig,
        above=room_at_limit,
        needs=("predicted_limit_psig", "allowed_psig"),
        less=less,
    )
    beyond = Odd(
        no_gas | predicted_limit_unbounded,
        chance=lambda rows: np.maximum(no_gas[rows], room_at_limit.chance_below_zero(rows)),
        less=less[:1],
    )
    return AnyOf(
        (near, beyond),
        notes=(
            Note(predicted_limit_unbounded, "no cushion left", "deficient"),
            Note(predicted_limit_opens, "would open the relief valve", "deficient"),
            Note(loop_volume_estimated, "volume is estimated"),
            Note(fluid_unknown, "antifreeze not recorded: reckoned as water"),
            Note(atmosphere_estimated, "elevation estimated from the place"),
        ),
    )


def has_no_built_in_tank(tank_type):
    return Applies(~tank_type.among("built_in"))


PRESSURE = grouped(
    "pressure",
    (
        Check(
            "cold-pressure-low",
            cold_pressure_low,
            severity=3,
            probability="B",
            title="Cold pressure too low for the height of the system",
            name="Cold pressure against the system's height",
            sound="Cold pressure enough for the height of the system",
            spot="gauge",
            remedy=(
                "Set the fill valve so that the pressure at the highest point is kept; look for the leak "
                "or blocked valve that lowered it."
            ),
            source="physics of a standing column; margin: policy",
        ),
        Check(
            "cold-pressure-high",
            cold_pressure_high,
            severity=3,
            probability="C",
            title="Cold pressure too high",
            name="Cold pressure against its upper limit",
            sound="Cold pressure not above its limit",
            spot="gauge",
            remedy=(
                "Fill shut or none: test the domestic coil for leaking. Else lower the fill pressure, "
                "replace a fill valve that creeps, and test a domestic coil where there is one."
            ),
            source="policy",
        ),
        Check(
            "fill-pressure-off-setting",
            fill_pressure_off_setting,
            applies=is_fed_by_a_valve,
            severity=4,
            probability="B",
            title="Cold pressure off the fill valve's setting",
            name="Cold pressure against the fill valve's setting",
            sound="Cold pressure near the fill valve's setting",
            spot="fill",
            remedy="Adjust or replace the fill valve.",
            source="policy",
        ),
        Check(
            "supply-pressure-high",
            supply_pressure_high,
            severity=3,
            probability="C",
            title="House supply pressure above the limit",
            name="House supply pressure",
            sound="House supply pressure within its limit",
            spot="supply",
            remedy="Fit a pressure regulator on the house supply.",
            source="published: IRC P2903.3.1, IPC 604.8, 80 psi static",
        ),
        Check(
            "hot-pressure-near-relief",
            hot_pressure_near_relief,
            severity=2,
            probability="B",
            safety_critical=True,
            title="Hot pressure close to the relief valve's setting or above it",
            name="Hot pressure against the relief valve's setting",
            sound="Hot pressure leaves room below the relief valve's setting",
            spot="gauge",
            remedy="Find what takes the cushion away (tank, charge, fill pressure) and put that right first.",
            source="published habit: 90 % of the setting; policy",
        ),
        Check(
            "predicted-pressure-near-relief",
            predicted_pressure_near_relief,
            applies=has_no_built_in_tank,
            severity=3,
            probability="B",
            title="Pressure at the high limit would come close to the relief valve's setting or above it",
            name="Pressure to be expected at the high limit",
            sound="Pressure at the high limit would leave room below the relief valve's setting",
            spot="gauge",
            remedy="Put the tank's size, charge and the fill pressure right before the season.",
            source="gas balance; limit: policy",
        ),
    ),
)
