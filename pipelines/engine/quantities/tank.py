"""The tank the loop needs."""

from dataclasses import replace

import numpy as np

from pipelines.engine.arrays import derive, more
from pipelines.engine.hydronics import tank
from pipelines.engine.margins import Margin, at
from pipelines.engine.quantities.kinds import Quantity


def required_tank_gal(
    should_have_psig, allowed_psig, atmosphere_psia, tank_lift_psi, sizing_growth, compression_tank, tank_type
):
    """Fill and allowed pressure as the tank feels them."""
    fill, air, growth = should_have_psig.value, atmosphere_psia.value, sizing_growth.gallons
    allowed, over = allowed_psig.value, air - tank_lift_psi
    gallons = np.where(
        compression_tank,
        tank.required_compression_gal(growth.value, fill + over, allowed + over, air),
        tank.required_diaphragm_gal(growth.value, fill + over, allowed + over),
    )
    room = allowed_psig.withhold(
        fill >= allowed, "this pressure leaves no room under this relief valve", "relief_setting_psig"
    )
    needed = derive(gallons, growth, should_have_psig, room, atmosphere_psia)
    return needed.withhold(~tank_type.known, tank_type.gap)


def code_tank_gal(loop_volume_gal, compression_tank):
    """At the full relief setting; to a tenth of a gallon, as the printed tables are rounded, too."""
    return np.round(tank.code_table_gal(loop_volume_gal.value, compression_tank), 1)


def tank_passes_over_range(required_tank_gal, most_volume_share, tank_volume_gal):
    return ~more(required_tank_gal.value * most_volume_share, tank_volume_gal.value)


def tank_room(
    compression_tank,
    tank_volume_gal,
    allowed_psig,
    atmosphere_psia,
    atmosphere_sigma_psi,
    should_have_at,
    static_bends,
    sizing_growth,
    gallons_at,
    taken_sigma_from,
    fluid_unknown,
    loop_volume_estimated,
    tank_lift_psi,
):
    def margin(node, rows):
        air = atmosphere_psia.value[rows] + node.atmosphere * atmosphere_sigma_psi[rows]
        over = air - tank_lift_psi[rows]
        fill = should_have_at(node, rows) + over
        charge = np.where(compression_tank[rows], air, fill)
        taken = tank.expansion_taken_gal(
            tank_volume_gal.value[rows], charge, fill, allowed_psig.value[rows] + over
        )
        grown, variance = gallons_at(sizing_growth, sizing_growth.share.value[rows], node, rows)
        return taken - grown, taken_sigma_from(taken, variance, rows)

    others = fluid_unknown | loop_volume_estimated | (atmosphere_sigma_psi > 0.0)
    return Margin(margin, bends=2 * static_bends + others)


# ---- one thing put right


def right_tank_gal(required_tank_gal, growth_to_hot, growth_to_limit, sizing_growth):
    """A larger one than required where the readings or the limit ask for more than the sizing does."""
    asked = np.fmax(growth_to_hot.gallons.value, growth_to_limit.gallons.value) / sizing_growth.gallons.value
    return derive(required_tank_gal.value * np.fmax(asked, 1.0), required_tank_gal)


def with_right(
    balance,
    should_have_psig,
    should_have_at_tank_psig,
    fill_here_at_tank_psig,
    known_charge_psig,
    charge_taken_psig,
    right_tank_gal,
    compression_tank,
    growth_to_hot,
    growth_to_limit,
    policy,
):
    def pressures_psig(root, rows):
        """(hot, at the limit) of some inspections with one root put right; NaN where that cannot be told."""
        should, charge, now = should_have_psig.at(rows), known_charge_psig.at(rows), balance.at(rows)
        cold, volume = now.cold_psig, now.tank_gal
        if root in ("tank-missing", "tank-undersized"):
            volume = right_tank_gal.at(rows)
            charge = should_have_at_tank_psig.at(rows).instead(compression_tank[rows], 0.0)
            # A cold pressure that is too high is a fault of its own, which no tank mends.
            high = more(cold.value, should.value + at(policy.cold_high_margin_psi, rows))
            cold = cold.instead(~high, should)
        elif root in ("tank-valved-off", "tank-cushion-lost", "tank-diaphragm-failed"):
            charge = charge_taken_psig.at(rows)
        elif root in ("precharge-low", "precharge-high"):
            charge = fill_here_at_tank_psig.at(rows)
        elif root == "cold-pressure-high":
            # A charge that was set to this fill goes down with it.
            cold, taken = should, charge_taken_psig.at(rows)
            tolerance = at(policy.charge_tolerance_psi, rows)
            set_to_it = ~more(taken.value, fill_here_at_tank_psig.at(rows).value + tolerance)
            right = should_have_at_tank_psig.at(rows)
            charge = taken.instead(set_to_it & more(taken.value, right.value), right)
        right = replace(now, cold_psig=cold, tank_gal=volume)
        return tuple(
            right.hot_psig(growth.gallons.at(rows), charge).value
            for growth in (growth_to_hot, growth_to_limit)
        )

    return pressures_psig


QUANTITIES = (
    Quantity(required_tank_gal, "required tank volume", "gal", 2, column=True),
    Quantity(code_tank_gal, "tank that the mechanical codes' table asks", "gal", 2),
    Quantity(tank_passes_over_range, "large enough for the largest loop estimated"),
    Quantity(tank_room, "what the tank takes at the pressure it should have, less the expansion"),
    Quantity(right_tank_gal, "tank that would mend this loop", "gal", 2),
    Quantity(with_right, "pressures with one root put right"),
)
