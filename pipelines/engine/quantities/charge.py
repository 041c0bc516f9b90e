"""The tank's charge: as read, whether it can be trusted, and what the gas balance starts from."""

import numpy as np

from pipelines.engine.arrays import derive, more, within
from pipelines.engine.hydronics import tank
from pipelines.engine.margins import at, both
from pipelines.engine.quantities.kinds import Assumption, Quantity

# Where the fill pressure that this loop has is told from.
SETTING, COLD, DUE = range(3)


def compression_tank(tank_type):
    return tank_type.among("plain_steel")


def no_gas(tank_type, tank_valve):
    return tank_type.among("none") | tank_valve.among("closed")


def echo_reach_psi(tank_above_gauge_ft, column_psi_per_ft, policy):
    """How near a system pressure, as the tank feels it, a charge may be one: by more where the tank's height
    is not known.
    """
    unknown_psi = column_psi_per_ft * policy.tank_height_missing_ft
    return policy.charge_trust_psi + np.where(tank_above_gauge_ft.known, 0.0, unknown_psi)


def charge_is_no_echo(
    precharge_psig, tank_lift_psi, echo_reach_psi, cool_cold_psig, usable_hot_psig, tank_air_valve, policy
):
    """Nor a pressure of the gauge, copied as it stands, where the tank hangs higher or lower."""
    read, apart = precharge_psig.value, echo_reach_psi
    copied = within(read, cool_cold_psig.value, policy.echo_within_psi)
    copied |= within(read, usable_hot_psig.value, policy.echo_within_psi)
    cold, hot = cool_cold_psig.value - tank_lift_psi, usable_hot_psig.value - tank_lift_psi
    told = more(cold - read, apart) | (more(read - cold, apart) & more(read - hot, apart))
    return told & ~copied & ~tank_air_valve.among("water")


def trusted_charge_psig(
    precharge_psig,
    tank_temperature_f,
    atmosphere_psia,
    precharge_system_side,
    charge_is_no_echo,
    cool_cold_psig,
    tank_air_valve,
    tank_type,
):
    """At the tank's height."""
    at_60 = tank.charge_at_60f_psig(precharge_psig.value, atmosphere_psia.value, tank_temperature_f.value)
    at_60 = derive(at_60, precharge_psig, atmosphere_psia, tank_temperature_f)
    charge = precharge_psig.instead(tank_temperature_f.known, at_60)
    charge = charge.withhold(
        tank_air_valve.among("water"), "water came out of the tank's air valve", "tank_air_valve"
    )
    doubted = ~(precharge_system_side.among("relieved") | charge_is_no_echo)
    charge = charge.withhold(
        doubted & ~cool_cold_psig.known,
        "charge read with no cold pressure to compare it with",
        "cold_pressure_psig",
    )
    charge = charge.withhold(
        doubted & precharge_system_side.among("pressurized"),
        "charge read under system pressure",
        "precharge_system_side",
    )
    charge = charge.withhold(
        doubted,
        "state of the system side not recorded, and the charge could be an echo of the system",
        "precharge_system_side",
    )
    charge = charge.withhold(~tank_type.known, tank_type.gap)
    return charge.withhold(~tank_type.among("diaphragm", "built_in"), "does not apply here", "tank_type")


# ---- what the gas balance starts from


def known_charge_psig(trusted_charge_psig, compression_tank):
    """For a predicted pressure: never the charge it should have."""
    return trusted_charge_psig.instead(compression_tank, 0.0)


def charge_taken_psig(trusted_charge_psig, should_have_at_tank_psig, compression_tank):
    """Trusted, else what it should be; a compression tank's is the air's."""
    return trusted_charge_psig.otherwise(should_have_at_tank_psig).instead(compression_tank, 0.0)


def charge_untrusted(trusted_charge_psig, compression_tank):
    return ~trusted_charge_psig.known & ~compression_tank


def charge_assumed(charge_untrusted, should_have_psig):
    return charge_untrusted & should_have_psig.known


# ---- the fill pressure this loop has, which the charge should be equal to


def fed_by_valve(fill_connection):
    """Also where nothing is recorded of it: a recorded setting shows that there is one."""
    return fill_connection.among("automatic", "manual") | ~fill_connection.known


def fill_told_from(fill_setting_psig, fed_by_valve, cool_cold_psig):
    from_setting = fill_setting_psig.known & fed_by_valve
    return np.where(from_setting, SETTING, np.where(cool_cold_psig.known, COLD, DUE)).astype(np.int8)


def fill_here_psig(fill_setting_psig, cool_cold_psig, should_have_psig, fill_told_from):
    fill = cool_cold_psig.otherwise(should_have_psig)
    return fill.instead(fill_told_from == SETTING, fill_setting_psig)


def fill_here_at_tank_psig(fill_here_psig, tank_lift_psi):
    return derive(fill_here_psig.value - tank_lift_psi, fill_here_psig)


def fill_is_wrong(
    fill_here_psig,
    required_cold_psig,
    should_have_psig,
    cool_cold_psig,
    fill_setting_psig,
    fed_by_valve,
    policy,
):
    """Too low or high for this loop, or not what the valve is set to."""
    fill, high = fill_here_psig.value, should_have_psig.value + policy.cold_high_margin_psi
    off = np.abs(cool_cold_psig.value - fill_setting_psig.value)
    off = more(off, policy.fill_off_setting_psi) & fed_by_valve
    return more(required_cold_psig.value, fill) | more(fill, high) | off


def charge_to_set_psig(fill_here_psig, fill_to_set_psig, fill_is_wrong, tank_lift_psi):
    """Of the fill this loop has or, where that is wrong, of the one to set first; as the tank feels it."""
    fill = fill_here_psig.instead(fill_is_wrong, fill_to_set_psig)
    return derive(fill.value - tank_lift_psi, fill)


# ---- errors


def charge_drift_at(tank_temperature_f, policy):
    def drift_psi(node, rows):
        untempered = ~tank_temperature_f.known[rows]
        low, high = (
            np.where(untempered, at(limit, rows), 0.0)
            for limit in (policy.charge_untempered_low_psi, policy.charge_untempered_high_psi)
        )
        return node.charge_drift * (low + high) - low

    return drift_psi


def charge_sigma_psi(precharge_psig, atmosphere_psia, tank_temperature_f, policy):
    """The tank gauge and the tank's thermometer."""
    absolute_psia = precharge_psig.value + atmosphere_psia.value
    thermal = np.nan_to_num(absolute_psia * policy.temperature_f / (460.0 + tank_temperature_f.value))
    return both(policy.test_gauge_psi, thermal)


def fill_here_at_tank_at(fill_here_psig, fill_told_from, untimed_at, should_have_at, tank_lift_at):
    def fill_psig(node, rows):
        fill, told_from = fill_here_psig.value[rows], fill_told_from[rows]
        if (told_from == COLD).any():
            fill = fill - np.where(told_from == COLD, untimed_at(node, rows), 0.0)
        if (told_from == DUE).any():
            fill = np.where(told_from == DUE, should_have_at(node, rows), fill)
        return fill - tank_lift_at(node, rows)

    return fill_psig


def is_trusted(visit):
    return visit["trusted_charge_psig"] is not None


def is_as_due(visit):
    return not is_trusted(visit) and visit["tank_type"] == "diaphragm"


AT_60 = Assumption(
    "temperature of the tank not recorded: 60 °F taken",
    lambda visit: is_trusted(visit) and visit["tank_temperature_f"] is None,
)
AS_DUE = Assumption("no trusted charge: reckoned as charged to the pressure it should have", is_as_due)

QUANTITIES = (
    Quantity(compression_tank, "a steel compression tank"),
    Quantity(no_gas, "no tank, or one behind a closed valve"),
    Quantity(echo_reach_psi, "how near to a charge a system pressure makes it a possible echo", "psi", 1),
    Quantity(charge_is_no_echo, "charge too far from the loop's pressures to be one"),
    Quantity(
        trusted_charge_psig,
        "trusted charge at 60 °F",
        "psi",
        1,
        column=True,
        assumes=(AT_60,),
        only_where=(
            ("atmosphere_psia", lambda visit: visit["tank_temperature_f"] is not None),
            ("charge_is_no_echo", lambda visit: visit["precharge_system_side"] != "relieved"),
        ),
    ),
    Quantity(known_charge_psig, "charge of a prediction", "psi", 1),
    Quantity(
        charge_taken_psig,
        "charge that the gas balance starts from",
        "psi",
        1,
        assumes=(AS_DUE,),
        only_where=(("should_have_at_tank_psig", is_as_due),),
    ),
    Quantity(charge_untrusted, "a charge there should be, and none that is trusted"),
    Quantity(charge_assumed, "the balance rests on the charge the tank should have"),
    Quantity(fed_by_valve, "filled by a valve, for all that is recorded"),
    Quantity(fill_told_from, "what the fill pressure of this loop is told from, as a code"),
    Quantity(fill_here_psig, "fill pressure that this loop has", "psi", 1),
    Quantity(fill_here_at_tank_psig, "fill pressure that this loop has, as the tank feels it", "psi", 1),
    Quantity(fill_is_wrong, "the fill pressure is wrong for this loop"),
    Quantity(charge_to_set_psig, "charge to set, at the tank", "psi", 1),
    Quantity(fill_here_at_tank_at, "fill pressure as the tank feels it, with the errors of a node"),
    Quantity(charge_drift_at, "how far off a charge without the tank's temperature may lie"),
    Quantity(charge_sigma_psi, "standard deviation of the charge", "psi", 1),
)
