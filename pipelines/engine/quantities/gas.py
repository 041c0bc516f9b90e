"""The gas balance: the pressures it predicts, and how sure they are."""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.arrays import Numbers, derive, more
from pipelines.engine.hydronics import tank
from pipelines.engine.margins import Margin, normal_margin
from pipelines.engine.quantities.kinds import Quantity


@dataclass(frozen=True)
class Balance:
    """The gas in a shell against a cold loop: cold pressure, the shell's volume, the local atmosphere."""

    cold_psig: Numbers
    tank_gal: Numbers
    air_psia: Numbers

    def hot_psig(self, gallons, charge_psig):
        """Gauge pressure after an expansion; infinite where the gas cannot take it."""
        cold, volume, air = self.cold_psig, self.tank_gal, self.air_psia
        hot = tank.pressure_after_expansion_psia(
            np.maximum(gallons.value, 0.0),
            volume.value,
            charge_psig.value + air.value,
            cold.value + air.value,
        )
        return derive(hot - air.value, charge_psig, cold, volume, gallons, air)


def balance(usable_cold_psig, tank_volume_gal, atmosphere_psia):
    return Balance(usable_cold_psig, tank_volume_gal, atmosphere_psia)


# ---- predictions


def predicted_from(balance, known_charge_psig, tank_type, no_gas):
    def predicted_psig(growth):
        hot = balance.hot_psig(growth.gallons, known_charge_psig).withhold(~tank_type.known, tank_type.gap)
        hot = hot.withhold(tank_type.among("built_in", "open"), "does not apply here", "tank_type")
        return hot.instead(no_gas, np.inf)

    return predicted_psig


def predicted_hot_psig(predicted_from, growth_to_hot):
    return predicted_from(growth_to_hot)


def predicted_limit_psig(predicted_from, growth_to_limit):
    return predicted_from(growth_to_limit)


def predicted_hot_unbounded(predicted_hot_psig):
    return np.isposinf(predicted_hot_psig.value)


def predicted_limit_unbounded(predicted_limit_psig):
    return np.isposinf(predicted_limit_psig.value)


# ---- a sound tank


def sound_hot_psig(balance, growth_to_hot, charge_taken_psig):
    return balance.hot_psig(growth_to_hot.gallons, charge_taken_psig)


def expected_rise_psi(balance, growth_to_hot, charge_taken_psig, no_gas, usable_cold_psig):
    gallons = growth_to_hot.gallons
    hot = balance.hot_psig(derive(gallons.value / 2.0, gallons), charge_taken_psig).instead(no_gas, np.inf)
    return derive(hot.value - usable_cold_psig.value, hot, usable_cold_psig)


def rise_seen(expected_rise_psi, pressure_rise_psi, test_gauge, policy):
    """The bias of one gauge falls out of a rise; each reading's noise does not."""
    due = more(expected_rise_psi.value, policy.expected_rise_psi)
    each = np.where(test_gauge, policy.test_gauge_psi, policy.gauge_noise_psi)
    return normal_margin(
        np.where(due, pressure_rise_psi.value - policy.rise_seen_psi, np.inf), each * np.sqrt(2.0)
    )


# ---- its errors


def gas_bends(charge_untrusted, static_bends, usable_cold_f):
    """Everywhere; where the charge, a height or the cold temperature is not known, by more."""
    return 1 + charge_untrusted * (1 + static_bends) + 3 * ~usable_cold_f.known


def gas_at(
    atmosphere_psia,
    atmosphere_sigma_psi,
    trusted_charge_psig,
    charge_sigma_psi,
    charge_drift_at,
    charge_untrusted,
    compression_tank,
    should_have_at,
    usable_cold_psig,
    gauge_error_at,
):
    def gas_psia(node, rows):
        """(charge, cold, atmosphere), absolute."""
        air = atmosphere_psia.value[rows] + node.atmosphere * atmosphere_sigma_psi[rows]
        trusted = (
            trusted_charge_psig.value[rows]
            + node.charge * charge_sigma_psi[rows]
            + charge_drift_at(node, rows)
        )
        charge, assumed = np.where(compression_tank[rows], 0.0, trusted), charge_untrusted[rows]
        if assumed.any():
            charge = np.where(assumed, should_have_at(node, rows), charge)
        cold = usable_cold_psig.value[rows] + gauge_error_at(node.cold, node, rows)
        return charge + air, cold + air, air

    return gas_psia


def room_at_limit(
    gas_at,
    gas_bends,
    share_at,
    gallons_at,
    taken_sigma_from,
    growth_to_limit,
    limit_f,
    tank_volume_gal,
    allowed_psig,
):
    """All of the gas, where no allowed pressure is known."""
    allowed = np.where(allowed_psig.known, allowed_psig.value, np.inf)

    def margin(node, rows):
        charge, cold, air = gas_at(node, rows)
        taken = tank.expansion_taken_gal(tank_volume_gal.value[rows], charge, cold, allowed[rows] + air)
        share = share_at(growth_to_limit, limit_f.value, node, rows)
        grown, variance = gallons_at(growth_to_limit, share, node, rows)
        return taken - np.maximum(grown, 0.0), taken_sigma_from(taken, variance, rows)

    return Margin(margin, bends=gas_bends)


QUANTITIES = (
    Quantity(balance, "the tank's gas against the cold loop"),
    Quantity(predicted_from, "pressure that the known charge predicts after an expansion"),
    Quantity(
        predicted_hot_psig,
        "predicted hot pressure",
        "psi",
        1,
        column=True,
        reads=("predicted_hot_unbounded", "no cushion left"),
    ),
    Quantity(
        predicted_limit_psig,
        "predicted at the high limit",
        "psi",
        1,
        column=True,
        reads=("predicted_limit_unbounded", "no cushion left"),
    ),
    Quantity(predicted_hot_unbounded, "the gas cannot take the expansion", flag=True),
    Quantity(predicted_limit_unbounded, "the gas cannot take the expansion up to the limit", flag=True),
    Quantity(sound_hot_psig, "hot pressure that a sound tank would show", "psi", 1),
    Quantity(expected_rise_psi, "rise of a sound tank with half the system hot", "psi", 1),
    Quantity(rise_seen, "rise of the pressure, above the least that shows a working gauge"),
    Quantity(gas_bends, "errors of the gas balance that go through the nodes"),
    Quantity(gas_at, "charge, cold pressure and atmosphere with the errors of a node"),
    Quantity(room_at_limit, "what the gas takes below the allowed pressure, less the expansion"),
)
