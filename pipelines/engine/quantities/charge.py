"""The tank's charge: as read, whether it can be trusted, and what the gas balance starts from."""

import numpy as np

from pipelines.engine.arrays import derive, more
from pipelines.engine.hydronics import loop, tank
from pipelines.engine.margins import at, both
from pipelines.engine.quantities.kinds import Assumption, Quantity

WATER_LB_FT3 = 62.364  # at 60 °F


def compression_tank(tank_type):
    return tank_type.among("plain_steel")


def no_gas(tank_type, tank_valve):
    return tank_type.among("none") | tank_valve.among("closed")


def charge_as_read_psig(precharge_psig, tank_above_gauge_ft):
    """Trusted or not, at the temperature the tank had."""
    above_ft = np.nan_to_num(tank_above_gauge_ft.value)
    return derive(
        precharge_psig.value + loop.static_pressure_psi(1.0, WATER_LB_FT3) * above_ft, precharge_psig
    )


def charge_is_no_echo(charge_as_read_psig, cool_cold_psig, usable_hot_psig, policy):
    read, apart = charge_as_read_psig.value, policy.charge_trust_psi
    cold, hot = cool_cold_psig.value, usable_hot_psig.value
    return more(cold - read, apart) | (more(read - cold, apart) & more(read - hot, apart))


def trusted_charge_psig(
    precharge_psig,
    charge_as_read_psig,
    tank_temperature_f,
    atmosphere_psia,
    precharge_system_side,
    charge_is_no_echo,
    cool_cold_psig,
    tank_type,
):
    at_60 = tank.charge_at_60f_psig(precharge_psig.value, atmosphere_psia.value, tank_temperature_f.value)
    at_60 = derive(at_60, precharge_psig, atmosphere_psia, tank_temperature_f)
    charge = precharge_psig.instead(tank_temperature_f.known, at_60)
    charge = derive(charge.value + charge_as_read_psig.value - precharge_psig.value, precharge_psig, charge)
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


def charge_taken_psig(trusted_charge_psig, should_have_psig, compression_tank):
    """Trusted, else what it should be; a compression tank's is the air's."""
    return trusted_charge_psig.otherwise(should_have_psig).instead(compression_tank, 0.0)


def charge_untrusted(trusted_charge_psig, compression_tank):
    return ~trusted_charge_psig.known & ~compression_tank


def charge_assumed(charge_untrusted, should_have_psig):
    return charge_untrusted & should_have_psig.known


# ---- its errors


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


def is_trusted(visit):
    return visit["trusted_charge_psig"] is not None


def is_as_due(visit):
    return not is_trusted(visit) and visit["tank_type"] == "diaphragm"


AT_60 = Assumption(
    "temperature of the tank not recorded: 60 °F taken",
    lambda visit: is_trusted(visit) and visit["tank_temperature_f"] is None,
)
AT_THE_GAUGE = Assumption(
    "height of the tank above the gauge not recorded: 0 ft taken",
    lambda visit: is_trusted(visit) and visit["tank_above_gauge_ft"] is None,
)
AS_DUE = Assumption("no trusted charge: reckoned as charged to the pressure it should have", is_as_due)

QUANTITIES = (
    Quantity(compression_tank, "a steel compression tank"),
    Quantity(no_gas, "no tank, or one behind a closed valve"),
    Quantity(charge_as_read_psig, "charge as read, at the gauge's height", "psi", 1, assumes=(AT_THE_GAUGE,)),
    Quantity(charge_is_no_echo, "charge too far from the loop's pressures to be one"),
    Quantity(
        trusted_charge_psig,
        "trusted charge at 60 °F",
        "psi",
        1,
        column=True,
        assumes=(AT_60,),
        only_where=(("atmosphere_psia", lambda visit: visit["tank_temperature_f"] is not None),),
    ),
    Quantity(known_charge_psig, "charge of a prediction", "psi", 1),
    Quantity(
        charge_taken_psig,
        "charge that the gas balance starts from",
        "psi",
        1,
        assumes=(AS_DUE,),
        only_where=(("should_have_psig", is_as_due),),
    ),
    Quantity(charge_untrusted, "a charge there should be, and none that is trusted"),
    Quantity(charge_assumed, "the balance rests on the charge the tank should have"),
    Quantity(charge_drift_at, "how far off a charge without the tank's temperature may lie"),
    Quantity(charge_sigma_psi, "standard deviation of the charge", "psi", 1),
)
