"""Numbers and margins that checks hold against limits, each from what the other files made."""

import numpy as np

from pipelines.engine.arrays import derive
from pipelines.engine.hydronics import tank
from pipelines.engine.margins import Margin, at, both, normal_margin
from pipelines.engine.quantities.charge import COLD, DUE
from pipelines.engine.quantities.kinds import Quantity


def sea_level_charge_psig(atmosphere_psia):
    return derive(tank.sea_level_charge_psig(atmosphere_psia.value), atmosphere_psia)


def headroom_psi(relief_setting_psig, usable_hot_psig):
    return derive(relief_setting_psig.value - usable_hot_psig.value, relief_setting_psig, usable_hot_psig)


def predicted_headroom_psi(relief_setting_psig, predicted_limit_psig):
    room = relief_setting_psig.value - predicted_limit_psig.value
    return derive(room, relief_setting_psig, predicted_limit_psig)


# ---- the cold pressure


def cold_bends(static_bends, usable_cold_f):
    return 2 * static_bends + ~usable_cold_f.known


def cold_above_required(cool_cold_psig, untimed_at, required_cold_at, gauge_sigma_psi, cold_bends):
    def margin(node, rows):
        required = required_cold_at(node, rows)
        return cool_cold_psig.value[rows] - untimed_at(node, rows) - required, gauge_sigma_psi[rows]

    return Margin(margin, bends=cold_bends)


def cold_below_high(cool_cold_psig, untimed_at, should_have_at, gauge_sigma_psi, cold_bends, policy):
    def margin(node, rows):
        high = should_have_at(node, rows) + at(policy.cold_high_margin_psi, rows)
        return high - cool_cold_psig.value[rows] + untimed_at(node, rows), gauge_sigma_psi[rows]

    return Margin(margin, bends=cold_bends)


def cold_off_setting(cool_cold_psig, untimed_at, fill_setting_psig, usable_cold_f, gauge_sigma_psi, policy):
    """A function of the sign: 1 above the low limit, -1 below the high one."""

    def against(sign):
        def margin(node, rows):
            off = cool_cold_psig.value[rows] - untimed_at(node, rows) - fill_setting_psig.value[rows]
            return at(policy.fill_off_setting_psi, rows) + sign * off, gauge_sigma_psi[rows]

        return Margin(margin, bends=~usable_cold_f.known)

    return against


def cold_above_setting(cold_off_setting):
    return cold_off_setting(1.0)


def cold_below_setting(cold_off_setting):
    return cold_off_setting(-1.0)


def cold_below_warm(cold_temperature_f, policy):
    return normal_margin(policy.cold_above_f - cold_temperature_f.value, policy.temperature_f)


# ---- the charge


def charge_off_fill(
    trusted_charge_psig,
    charge_drift_at,
    charge_sigma_psi,
    fill_here_at_tank_at,
    fill_told_from,
    gauge_sigma_psi,
    usable_cold_f,
    static_bends,
    tank_lift_psi,
    heavier_share,
    tank_temperature_f,
    policy,
):
    """A function of the sign, as `cold_off_setting`."""
    from_cold = fill_told_from == COLD
    sigma_psi = np.where(from_cold, both(charge_sigma_psi, gauge_sigma_psi), charge_sigma_psi)
    bends = ~tank_temperature_f.known + 2 * (from_cold & ~usable_cold_f.known)
    bends += 4 * ((fill_told_from == DUE) & static_bends)
    bends += 8 * ((tank_lift_psi != 0.0) & (heavier_share > 0.0))

    def against(sign):
        def margin(node, rows):
            charge = trusted_charge_psig.value[rows] + charge_drift_at(node, rows)
            off = charge - fill_here_at_tank_at(node, rows)
            return at(policy.charge_tolerance_psi, rows) + sign * off, sigma_psi[rows]

        return Margin(margin, bends=bends)

    return against


def charge_above_low(charge_off_fill):
    return charge_off_fill(1.0)


def charge_below_high(charge_off_fill):
    return charge_off_fill(-1.0)


# ---- the hot pressure, the supply


def hot_below_allowed(allowed_psig, usable_hot_psig, gauge_sigma_psi):
    return normal_margin(allowed_psig.value - usable_hot_psig.value, gauge_sigma_psi)


def opens_by_psig(relief_setting_psig, set_tolerance_psi, relief_signs):
    """A valve that shows more than dry has opened: no pressure is then too high for it."""
    latest = np.where(relief_signs.among("dry"), relief_setting_psig.value + set_tolerance_psi, np.inf)
    return derive(latest, relief_setting_psig)


def highest_below_opening(highest_psig, opens_by_psig, gauge_sigma_psi):
    return normal_margin(opens_by_psig.value - highest_psig.value, gauge_sigma_psi)


def plate_limit_psig(boiler_max_pressure_psig, relief_signs, policy):
    """A relieving valve may let the pressure rise above the plate's."""
    share = np.where(relief_signs.among("dripping", "discharging"), policy.plate_rise_share, 1.0)
    return derive(boiler_max_pressure_psig.value * share, boiler_max_pressure_psig)


def highest_below_plate(highest_psig, plate_limit_psig, gauge_sigma_psi):
    return normal_margin(plate_limit_psig.value - highest_psig.value, gauge_sigma_psi)


def hot_below_limit(hot_temperature_f, high_limit_f, policy):
    room = high_limit_f.value + policy.limit_overshoot_f - hot_temperature_f.value
    return normal_margin(room, policy.temperature_f)


def supply_below_high(supply_pressure_psig, policy):
    return normal_margin(policy.supply_high_psig - supply_pressure_psig.value, policy.test_gauge_psi)


QUANTITIES = (
    Quantity(sea_level_charge_psig, "sea-level charge shows here", "psi", 1, column=True),
    Quantity(headroom_psi, "headroom, measured", "psi", 1, column=True),
    Quantity(predicted_headroom_psi, "headroom at the high limit", "psi", 1, column=True),
    Quantity(cold_bends, "errors of the cold pressure's margins that go through the nodes"),
    Quantity(cold_above_required, "cold pressure above the required one"),
    Quantity(cold_below_high, "cold pressure below the highest that is right"),
    Quantity(cold_off_setting, "cold pressure within the fill valve's tolerance"),
    Quantity(cold_above_setting, "cold pressure not too far below the setting"),
    Quantity(cold_below_setting, "cold pressure not too far above the setting"),
    Quantity(cold_below_warm, "cold temperature below that of a warm loop"),
    Quantity(charge_off_fill, "charge within its tolerance"),
    Quantity(charge_above_low, "charge not too far below the fill pressure"),
    Quantity(charge_below_high, "charge not too far above the fill pressure"),
    Quantity(hot_below_allowed, "hot pressure below the allowed one"),
    Quantity(opens_by_psig, "pressure at which the relief valve must have opened", "psi", 1),
    Quantity(highest_below_opening, "highest pressure below that at which the valve must have opened"),
    Quantity(plate_limit_psig, "highest pressure that the boiler's plate allows", "psi", 1),
    Quantity(highest_below_plate, "highest pressure below what the plate allows"),
    Quantity(hot_below_limit, "hot temperature below that of a limit control that works"),
    Quantity(supply_below_high, "supply pressure below the highest that is right"),
)
