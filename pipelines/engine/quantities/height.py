"""The air outside, the height of the loop and what is in it, and the pressures that follow from these."""

import numpy as np

from pipelines.engine.arrays import derive, known, within
from pipelines.engine.hydronics import atmosphere, fluids, loop
from pipelines.engine.margins import at
from pipelines.engine.quantities.kinds import Assumption, Quantity, without

# ---- the air


def elevation_taken_ft(elevation_ft, place_elevation_ft):
    return elevation_ft.otherwise(place_elevation_ft)


def atmosphere_estimated(elevation_ft, elevation_taken_ft):
    return ~elevation_ft.known & elevation_taken_ft.known


def atmosphere_psia(elevation_taken_ft):
    return derive(atmosphere.atmosphere_psia(elevation_taken_ft.value), elevation_taken_ft)


def atmosphere_sigma_psi(atmosphere_psia, atmosphere_estimated, elevation_taken_ft, place_spread_ft):
    """From the spread of elevations in the place; 0 where the elevation is recorded."""
    spread = np.where(atmosphere_estimated, np.nan_to_num(place_spread_ft.value), 0.0)
    there = atmosphere.atmosphere_psia(elevation_taken_ft.value + spread)
    return np.nan_to_num(np.abs(atmosphere_psia.value - there))


# ---- the height


def height_taken_ft(top_height_ft, stories, boiler_level, policy):
    attic = boiler_level.among("top_or_attic")
    guess = np.select(
        [attic, boiler_level.among("lowest_floor")],
        [0.0, policy.story_ft * (stories.value - 1.0)],
        policy.story_ft * stories.value - policy.basement_less_ft,
    )
    return top_height_ft.otherwise(derive(guess, stories.instead(attic & ~stories.known, 1.0)))


def static_estimated(top_height_ft, height_taken_ft):
    return ~top_height_ft.known & height_taken_ft.known


# ---- the fluid


def fluid_code(antifreeze):
    return antifreeze.take([fluids.WATER, fluids.PROPYLENE_GLYCOL, fluids.ETHYLENE_GLYCOL, fluids.WATER])


def glycol(fluid_code):
    return fluid_code != fluids.WATER


def glycol_percent(antifreeze, antifreeze_percent, glycol):
    some = antifreeze_percent.value > 0
    share = known(np.where(glycol, np.nan_to_num(antifreeze_percent.value), 0.0))
    share = share.withhold(
        glycol & ~antifreeze_percent.known, "antifreeze recorded without percent", "antifreeze_percent"
    )
    share = share.withhold(
        ~antifreeze.known & some, "antifreeze percent recorded without its kind", "antifreeze"
    )
    return share.withhold(antifreeze.among("none") & some, "readings contradict each other", "antifreeze")


def fluid_unknown(antifreeze, antifreeze_percent):
    return ~antifreeze.known & ~(antifreeze_percent.value > 0)


# ---- pressures that follow


def column_psi_per_ft(fluid_code, glycol_percent, policy):
    """Cold. A glycol of unknown percent is reckoned as water (see static_at)."""
    code = np.where(glycol_percent.known, fluid_code, fluids.WATER)
    density = fluids.density_lb_ft3(policy.sizing_cold_f, code, np.nan_to_num(glycol_percent.value))
    return loop.static_pressure_psi(1.0, density)


def tank_top_ft(tank_above_gauge_ft, tank_type):
    """Where a tank hangs that must be kept full; the gauge's height where none is above it."""
    hangs = np.where(tank_type.among("none"), 0.0, np.nan_to_num(tank_above_gauge_ft.value))
    return np.maximum(hangs, 0.0)


def static_psi(height_taken_ft, tank_top_ft, column_psi_per_ft):
    return derive(np.maximum(height_taken_ft.value, tank_top_ft) * column_psi_per_ft, height_taken_ft)


def heavier_share(glycol_percent, policy):
    """By how much more a column weighs at most where the antifreeze in it is not known."""
    return np.where(glycol_percent.known, 0.0, policy.antifreeze_density_share)


def static_bends(static_estimated, glycol_percent):
    return static_estimated | ~glycol_percent.known


def static_at(
    static_psi,
    static_bends,
    height_taken_ft,
    tank_top_ft,
    static_estimated,
    column_psi_per_ft,
    heavier_share,
    policy,
):
    def static(node, rows):
        if not static_bends[rows].any():
            return static_psi.value[rows]
        height = height_taken_ft.value[rows] + node.height * np.where(
            static_estimated[rows], at(policy.height_error_ft, rows), 0.0
        )
        column = column_psi_per_ft[rows]
        if heavier_share[rows].any():
            column = column * (1.0 + node.fluid * heavier_share[rows])
        return np.maximum(height, tank_top_ft[rows]) * column

    return static


# ---- the tank's height


def tank_above_ft(tank_above_gauge_ft):
    return np.nan_to_num(tank_above_gauge_ft.value)


def tank_lift_psi(tank_above_ft, column_psi_per_ft):
    """What the tank feels less than the gauge shows; below zero where it hangs lower."""
    return np.where(tank_above_ft == 0.0, 0.0, tank_above_ft * column_psi_per_ft)


def tank_lift_at(tank_lift_psi, heavier_share):
    def lift(node, rows):
        here = tank_lift_psi[rows]
        return here * (1.0 + node.fluid * heavier_share[rows]) if heavier_share[rows].any() else here

    return lift


# ---- what the pressure should be


def required_cold_from(boiler_min_pressure_psig, policy):
    def required_cold(static_psi, rows):
        least = np.nan_to_num(boiler_min_pressure_psig.value[rows])
        return np.maximum(static_psi + at(policy.cold_margin_psi, rows), least)

    return required_cold


def should_have_from(fill_setting_psig, policy):
    """The fill valve's setting, where it lies close enough to what the loop needs."""

    def should_have(required_cold_psig, rows):
        base = np.maximum(at(policy.typical_fill_psig, rows), required_cold_psig)
        setting = fill_setting_psig.value[rows]
        return np.where(within(setting, base, at(policy.setting_trusted_within_psi, rows)), setting, base)

    return should_have


def required_cold_psig(static_psi, required_cold_from):
    return derive(required_cold_from(static_psi.value, slice(None)), static_psi)


def should_have_psig(required_cold_psig, should_have_from):
    return derive(should_have_from(required_cold_psig.value, slice(None)), required_cold_psig)


def fill_to_set_psig(should_have_psig, required_cold_psig):
    """Never below what the loop requires, and up to a tenth, as a valve is set and a gauge read."""
    enough = np.maximum(should_have_psig.value, required_cold_psig.value)
    return derive(np.ceil(np.round(enough * 10.0, 6)) / 10.0, should_have_psig, required_cold_psig)


def should_have_at_tank_psig(should_have_psig, tank_lift_psi):
    return derive(should_have_psig.value - tank_lift_psi, should_have_psig)


def required_cold_at(static_at, required_cold_from):
    return lambda node, rows: required_cold_from(static_at(node, rows), rows)


def should_have_at(required_cold_at, should_have_from):
    return lambda node, rows: should_have_from(required_cold_at(node, rows), rows)


FROM_PLACE = Assumption("elevation estimated from the place", lambda visit: visit["atmosphere_estimated"])
FROM_STORIES = Assumption(
    "height estimated from stories and where the boiler stands", lambda visit: visit["static_estimated"]
)
AT_THE_GAUGE = Assumption(
    "height of the tank above the gauge not recorded: 0 ft taken",
    lambda visit: visit["tank_type"] not in (None, "none") and visit["tank_above_gauge_ft"] is None,
)
AS_WATER = without("antifreeze", "antifreeze not recorded: reckoned as water")
WEIGHS_AS_WATER = Assumption(
    "antifreeze recorded without percent: its weight reckoned as water",
    lambda visit: visit["antifreeze"] not in (None, "none") and visit["antifreeze_percent"] is None,
)

QUANTITIES = (
    Quantity(elevation_taken_ft, "elevation", "ft", 0, assumes=(FROM_PLACE,)),
    Quantity(atmosphere_estimated, "elevation is the place's", flag=True, unassessed=True),
    Quantity(atmosphere_psia, "local atmosphere, absolute", "psia", 2, column=True, unassessed=True),
    Quantity(atmosphere_sigma_psi, "standard deviation of the atmosphere", "psi", 2),
    Quantity(height_taken_ft, "height of the loop", "ft", 1, assumes=(FROM_STORIES,)),
    Quantity(static_estimated, "height is guessed from stories", flag=True),
    Quantity(fluid_code, "what is in the loop, as hydronics.fluids codes it", assumes=(AS_WATER,)),
    Quantity(glycol, "glycol in the loop"),
    Quantity(glycol_percent, "glycol in the loop by volume", "%", 1),
    Quantity(fluid_unknown, "nothing recorded of antifreeze"),
    Quantity(
        column_psi_per_ft,
        "pressure of one foot of the cold fluid",
        "psi",
        3,
        assumes=(WEIGHS_AS_WATER,),
    ),
    Quantity(tank_top_ft, "height of a tank that hangs above the gauge", "ft", 1),
    Quantity(heavier_share, "share by which the column may be heavier", "", 2),
    Quantity(static_psi, "static pressure", "psi", 1, column=True),
    Quantity(static_bends, "static pressure has errors that go through the nodes"),
    Quantity(static_at, "static pressure with the errors of a node"),
    Quantity(tank_above_ft, "height of the tank above the gauge", "ft", 1, assumes=(AT_THE_GAUGE,)),
    Quantity(tank_lift_psi, "what the tank feels less than the gauge shows", "psi", 1),
    Quantity(tank_lift_at, "what the tank feels less, with the errors of a node"),
    Quantity(required_cold_from, "required cold pressure for a static pressure"),
    Quantity(should_have_from, "pressure it should have for a required one"),
    Quantity(required_cold_psig, "required cold pressure", "psi", 1, column=True),
    Quantity(should_have_psig, "pressure it should have", "psi", 1, column=True),
    Quantity(fill_to_set_psig, "cold pressure to set the fill to", "psi", 1),
    Quantity(should_have_at_tank_psig, "pressure it should have, as the tank feels it", "psi", 1),
    Quantity(required_cold_at, "required cold pressure with the errors of a node"),
    Quantity(should_have_at, "pressure it should have with the errors of a node"),
)
