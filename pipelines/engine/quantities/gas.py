"""The gas balance: the pressures it predicts, and how sure they are."""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.arrays import Numbers, derive, more
from pipelines.engine.hydronics import tank
from pipelines.engine.margins import Margin, at, normal_margin
from pipelines.engine.quantities.kinds import Quantity


@dataclass(frozen=True)
class Balance:
    """The gas in a shell against a cold loop: cold pressure at the gauge, the shell's volume, the local
    atmosphere, and by how much less than the gauge shows the tank feels. Charges are at the tank's height.
    """

    cold_psig: Numbers
    tank_gal: Numbers
    air_psia: Numbers
    lift_psi: np.ndarray

    @property
    def over_gauge_psi(self):
        """What makes of a pressure at the gauge the absolute one at the tank."""
        return self.air_psia.value - self.lift_psi

    def hot_psig(self, gallons, charge_psig):
        """Pressure at the gauge after an expansion; infinite where the gas cannot take it."""
        cold, volume, air, over = self.cold_psig, self.tank_gal, self.air_psia, self.over_gauge_psi
        hot = tank.pressure_after_expansion_psia(
            np.maximum(gallons.value, 0.0), volume.value, charge_psig.value + air.value, cold.value + over
        )
        return derive(hot - over, charge_psig, cold, volume, gallons, air)

    def taken_gal(self, charge_psig, hot_psig):
        """What the gas takes up to a pressure at the gauge; NaN where that cannot be told."""
        charge, over = charge_psig.value + self.air_psia.value, self.over_gauge_psi
        return tank.expansion_taken_gal(
            self.tank_gal.value, charge, self.cold_psig.value + over, hot_psig + over
        )

    def at(self, rows):
        """The same of some inspections (positions)."""
        return Balance(
            self.cold_psig.at(rows), self.tank_gal.at(rows), self.air_psia.at(rows), self.lift_psi[rows]
        )


def balance(usable_cold_psig, tank_volume_gal, atmosphere_psia, tank_lift_psi):
    """A tank that hangs so high that the cold pressure does not reach it contradicts that pressure."""
    cold = usable_cold_psig.withhold(
        usable_cold_psig.value - tank_lift_psi + atmosphere_psia.value <= 0.0,
        "readings contradict each other",
        "tank_above_gauge_ft",
    )
    return Balance(cold, tank_volume_gal, atmosphere_psia, tank_lift_psi)


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


def predicted_limit_opens(predicted_limit_psig, relief_setting_psig):
    return more(predicted_limit_psig.value, relief_setting_psig.value)


def allowed_or_all_psig(allowed_psig):
    """All of the gas, where no allowed pressure is known."""
    return np.where(allowed_psig.known, allowed_psig.value, np.inf)


def near_limit_by_volume(
    balance,
    known_charge_psig,
    growth_to_limit,
    allowed_or_all_psig,
    loop_volume_estimated,
    least_volume_share,
    most_volume_share,
):
    """(at the least volume, at the most): whether the pressure at the limit lies above the allowed one, where
    the volume is estimated; elsewhere neither.
    """
    near_at_least, near_at_most = np.zeros((2, len(loop_volume_estimated)), bool)
    rows = np.flatnonzero(loop_volume_estimated)
    taken = balance.at(rows).taken_gal(known_charge_psig.at(rows), allowed_or_all_psig[rows])
    grown = np.maximum(growth_to_limit.gallons.value[rows], 0.0)
    near_at_least[rows] = more(grown * least_volume_share[rows], taken)
    near_at_most[rows] = more(grown * most_volume_share[rows], taken)
    return near_at_least, near_at_most


# ---- a sound tank


def expected_rise_psi(balance, growth_to_hot, charge_taken_psig, no_gas, usable_cold_psig):
    gallons = growth_to_hot.gallons
    hot = balance.hot_psig(derive(gallons.value / 2.0, gallons), charge_taken_psig).instead(no_gas, np.inf)
    return derive(hot.value - usable_cold_psig.value, hot, usable_cold_psig)


def rise_due_by_volume(
    balance,
    growth_to_hot,
    charge_taken_psig,
    no_gas,
    loop_volume_estimated,
    least_volume_share,
    most_volume_share,
    policy,
):
    """True where the volume is estimated and, within its range, a rise may be due or not."""
    open_to_doubt = np.zeros(len(no_gas), bool)
    rows = np.flatnonzero(loop_volume_estimated & ~no_gas)
    here, charge, half = balance.at(rows), charge_taken_psig.at(rows), growth_to_hot.gallons.at(rows)
    due_from = here.cold_psig.value + at(policy.expected_rise_psi, rows)
    taken, grown = here.taken_gal(charge, due_from), np.maximum(half.value, 0.0) / 2.0
    due_at_least, due_at_most = (
        more(grown * share[rows], taken) for share in (least_volume_share, most_volume_share)
    )
    open_to_doubt[rows] = due_at_most & ~due_at_least
    return open_to_doubt


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
    tank_lift_psi,
):
    def gas_psia(node, rows):
        """(charge, cold), absolute at the tank, and what makes that of a pressure at the gauge."""
        air = atmosphere_psia.value[rows] + node.atmosphere * atmosphere_sigma_psi[rows]
        trusted = (
            trusted_charge_psig.value[rows]
            + node.charge * charge_sigma_psi[rows]
            + charge_drift_at(node, rows)
        )
        charge, assumed = np.where(compression_tank[rows], 0.0, trusted) + air, charge_untrusted[rows]
        over = air - tank_lift_psi[rows]
        if assumed.any():
            charge = np.where(assumed, should_have_at(node, rows) + over, charge)
        cold = usable_cold_psig.value[rows] + gauge_error_at(node.cold, node, rows)
        return charge, cold + over, over

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
    allowed_or_all_psig,
):
    def margin(node, rows):
        charge, cold, over = gas_at(node, rows)
        allowed = allowed_or_all_psig[rows] + over
        taken = tank.expansion_taken_gal(tank_volume_gal.value[rows], charge, cold, allowed)
        share = share_at(growth_to_limit, limit_f.value, node, rows)
        grown, variance = gallons_at(growth_to_limit, share, node, rows)
        return taken - np.maximum(grown, 0.0), taken_sigma_from(taken, variance, rows)

    return Margin(margin, bends=gas_bends)


def _opens(visit, name):
    predicted, setting = visit[name], visit["relief_setting_psig"]
    return predicted is not None and setting is not None and predicted > setting


QUANTITIES = (
    Quantity(balance, "the tank's gas against the cold loop"),
    Quantity(predicted_from, "pressure that the known charge predicts after an expansion"),
    Quantity(
        predicted_hot_psig,
        "predicted hot pressure",
        "psi",
        1,
        column=True,
        reads=(
            (lambda visit: bool(visit["predicted_hot_unbounded"]), "no cushion left"),
            (lambda visit: _opens(visit, "predicted_hot_psig"), "would open the relief valve"),
        ),
    ),
    Quantity(
        predicted_limit_psig,
        "predicted at the high limit",
        "psi",
        1,
        column=True,
        reads=(
            (lambda visit: bool(visit["predicted_limit_unbounded"]), "no cushion left"),
            (lambda visit: _opens(visit, "predicted_limit_psig"), "would open the relief valve"),
        ),
    ),
    Quantity(predicted_hot_unbounded, "the gas cannot take the expansion", flag=True),
    Quantity(predicted_limit_unbounded, "the gas cannot take the expansion up to the limit", flag=True),
    Quantity(predicted_limit_opens, "pressure at the high limit above the relief setting"),
    Quantity(allowed_or_all_psig, "highest pressure that the gas may reach", "psi", 1),
    Quantity(near_limit_by_volume, "too high a pressure at the limit over the range of the volume"),
    Quantity(expected_rise_psi, "rise of a sound tank with half the system hot", "psi", 1),
    Quantity(rise_due_by_volume, "a rise may be due or not, within the range of the volume"),
    Quantity(rise_seen, "rise of the pressure, above the least that shows a working gauge"),
    Quantity(gas_bends, "errors of the gas balance that go through the nodes"),
    Quantity(gas_at, "charge, cold pressure and atmosphere with the errors of a node"),
    Quantity(room_at_limit, "what the gas takes below the allowed pressure, less the expansion"),
)
