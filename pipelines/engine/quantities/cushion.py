"""The gas that is left in the tank."""

import numpy as np

from pipelines.engine.arrays import at_least, derive, more
from pipelines.engine.hydronics import tank
from pipelines.engine.margins import Margin, OneOf, at
from pipelines.engine.quantities.kinds import Quantity
from pipelines.engine.reasons import gap

CONTRADICT = ("readings contradict each other", "hot_pressure_psig")
SMALL_RISE = ("pressure rise too small to judge", "hot_pressure_psig")


def hot_reading_contradicts(
    usable_hot_psig, usable_cold_psig, hot_temperature_f, usable_cold_f, trusted_charge_psig, tank_lift_psi
):
    """A loop that is heated rises above its cold pressure and above the charge of its tank."""
    hot = usable_hot_psig.value
    return (
        at_least(usable_cold_psig.value, hot)
        | at_least(trusted_charge_psig.value, hot - tank_lift_psi)
        | (hot_temperature_f.value < usable_cold_f.value)
    )


def cushion_ratio(
    balance,
    growth_to_hot,
    charge_taken_psig,
    usable_hot_psig,
    cold_taken_f,
    hotter_f,
    hot_reading_contradicts,
    tank_type,
    no_gas,
    policy,
):
    charge, cold, hot, air = charge_taken_psig, balance.cold_psig, usable_hot_psig, balance.air_psia
    gallons, volume, over = growth_to_hot.gallons, balance.tank_gal, balance.over_gauge_psi
    ratio = tank.cushion_ratio(
        np.maximum(gallons.value, 0.0),
        volume.value,
        charge.value + air.value,
        cold.value + over,
        hot.value + over,
        policy.gas_warming,
    )
    ratio = derive(ratio, cold, hot, hotter_f, volume, gallons, charge, air)
    ratio = ratio.withhold(~tank_type.known, tank_type.gap)
    ratio = ratio.withhold(
        more(policy.cushion_least_rise_f, hotter_f.value - cold_taken_f.value),
        "temperature rise too small to judge",
        "hot_temperature_f",
    )
    ratio = ratio.withhold(more(policy.cushion_least_rise_psi, hot.value - cold.value), *SMALL_RISE)
    ratio = ratio.withhold(~more(hot.value + over, charge.value + air.value), *CONTRADICT)
    ratio = ratio.withhold(hot_reading_contradicts, *CONTRADICT, first=True)
    return ratio.withhold(no_gas, "the tank's valve is closed", "tank_valve", first=True)


def cushion_ratio_at_most(cushion_ratio, partly_hot, cut_off, cut_off_not_excluded):
    return cushion_ratio.known & (partly_hot | cut_off | cut_off_not_excluded)


# ---- what shows a cushion where the ratio does not


def half_gas_from_psig(usable_hot_psig, policy):
    """What a tank with half its gas would have to reach, at the least, to be told from this one."""
    return usable_hot_psig.value + policy.half_gas_apart_psi


def half_gas_excluded(
    balance,
    growth_to_hot,
    cushion_ratio,
    charge_taken_psig,
    charge_untrusted,
    half_gas_from_psig,
    partly_hot,
    cut_off,
    cut_off_not_excluded,
    least_volume_share,
):
    """A small rise is what a sound tank gives, and half the gas would have given more; over the whole range
    of a volume that is estimated.
    """
    excluded = np.zeros(len(partly_hot), bool)
    rows = np.flatnonzero(
        (cushion_ratio.gap == gap(*SMALL_RISE))
        & ~(charge_untrusted | partly_hot | cut_off | cut_off_not_excluded)
    )
    here, charge = balance.at(rows), charge_taken_psig.value[rows]
    over, air = here.over_gauge_psi, here.air_psia.value
    half = tank.expansion_taken_gal(
        here.tank_gal.value,
        (charge + air) / 2.0,
        here.cold_psig.value + over,
        half_gas_from_psig[rows] + over,
    )
    excluded[rows] = at_least(growth_to_hot.gallons.value[rows] * least_volume_share[rows], half)
    return excluded


def charge_shows_cushion(
    trusted_charge_psig,
    fill_here_at_tank_psig,
    precharge_system_side,
    tank_air_valve,
    tank_type,
    hot_reading_contradicts,
    no_gas,
    policy,
):
    """A charge read at zero pressure, near to what it should be, with air at the valve."""
    off = np.abs(trusted_charge_psig.value - fill_here_at_tank_psig.value)
    near = at_least(policy.charge_shows_cushion_psi, off)
    read = precharge_system_side.among("relieved") & tank_air_valve.among("air") & near
    return read & tank_type.among("diaphragm") & ~hot_reading_contradicts & ~no_gas


# ---- the verdict


def sound_stays_below(
    balance,
    growth_to_hot,
    charge_taken_psig,
    allowed_psig,
    cut_off,
    relief_has_opened,
    no_gas,
    most_volume_share,
):
    """The valve cut the hot pressure off although a sound tank would have stayed below the allowed one; over
    the whole range of a volume that is estimated.
    """
    below = np.zeros(len(no_gas), bool)
    rows = np.flatnonzero(cut_off & relief_has_opened & ~no_gas)
    taken = balance.at(rows).taken_gal(charge_taken_psig.at(rows), allowed_psig.value[rows])
    grown = np.maximum(growth_to_hot.gallons.value[rows], 0.0) * most_volume_share[rows]
    below[rows] = at_least(taken, grown)
    return below


def ratio_that_tells(
    cushion_ratio,
    partly_hot,
    hot_reading_state,
    cut_off,
    cut_off_not_excluded,
    loop_volume_estimated,
    least_volume_share,
    most_volume_share,
    policy,
):
    """Not known where it is at most this and not too low, or either over the range of the volume."""
    ratio, limit = cushion_ratio.value, policy.cushion_lost_ratio
    kept_at_most, lost_at_least = (
        ~more(limit, ratio * most_volume_share),
        more(limit, ratio * least_volume_share),
    )
    tells = cushion_ratio.withhold(
        loop_volume_estimated & kept_at_most & lost_at_least, "volume is estimated", "system_volume_gal"
    )
    kept, state = ~more(limit, ratio), "hot_reading_state"
    for where, reason, field in (
        (
            cut_off,
            "ratio is at most this: the relief valve may have held the pressure down",
            "hot_pressure_psig",
        ),
        (partly_hot & hot_reading_state.known, "ratio is at most this: not all zones were hot", state),
        (partly_hot, "ratio is at most this: not recorded whether all zones were hot", state),
        (
            cut_off_not_excluded,
            "ratio is at most this: without a relief setting a cut-off reading cannot be ruled out",
            "relief_setting_psig",
        ),
    ):
        tells = tells.withhold(where & kept, reason, field)
    return tells


def told_by_charge(ratio_that_tells, half_gas_excluded, sound_stays_below, charge_shows_cushion):
    """The hot reading neither shows nor excludes a loss."""
    by_reading = ratio_that_tells.known | half_gas_excluded | sound_stays_below
    return charge_shows_cushion & ~by_reading


def cushion_shown(ratio_that_tells, cushion_ratio, half_gas_excluded, told_by_charge, policy):
    """The ratio where it tells; where something else shows that there is gas, one that is not too low."""
    kept = at_least(cushion_ratio.value, policy.cushion_lost_ratio)
    shown = np.where(kept, cushion_ratio.value, np.inf)
    return ratio_that_tells.instead(half_gas_excluded | told_by_charge, shown)


# ---- how sure


def cushion_kept(
    cushion_ratio,
    gas_at,
    gas_bends,
    gauge_error_at,
    share_at,
    gallons_at,
    taken_sigma_from,
    growth_to_hot,
    usable_hot_psig,
    hot_temperature_f,
    tank_volume_gal,
    opens_from_psig,
    relief_has_opened,
    allowed_psig,
    policy,
):
    """A lost cushion is the larger of two: what half the gas takes at the readings, and, where the relief
    valve cut the hot pressure off, what a sound tank takes below its limit.
    """
    measured, volume = cushion_ratio.known, tank_volume_gal.value
    cut_from = np.where(relief_has_opened, opens_from_psig.value, np.inf)

    def lost_gal(charge, cold, hot, over, rows):
        bracket = 1.0 / np.maximum(charge, cold) - at(policy.gas_warming, rows) / (hot + over)
        return np.where(
            measured[rows], at(policy.cushion_lost_ratio, rows) * volume[rows] * charge * bracket, 0.0
        )

    def sound_gal(charge, cold, hot, over, rows):
        sound = tank.expansion_taken_gal(volume[rows], charge, cold, allowed_psig.value[rows] + over)
        return np.where(hot >= cut_from[rows], sound, 0.0)

    def margin(node, rows):
        charge, cold, over = gas_at(node, rows)
        hot = usable_hot_psig.value[rows] + gauge_error_at(node.hot, node, rows)
        lost, sound = lost_gal(charge, cold, hot, over, rows), sound_gal(charge, cold, hot, over, rows)
        taken = np.maximum(np.maximum(lost, sound), 0.0)
        share = share_at(growth_to_hot, hot_temperature_f.value, node, rows)
        grown, variance = gallons_at(growth_to_hot, share, node, rows)
        return grown - taken, taken_sigma_from(taken, variance, rows)

    return Margin(margin, bends=gas_bends)


def beyond_half_gas(
    gas_at,
    gas_bends,
    gauge_error_at,
    share_at,
    gallons_at,
    taken_sigma_from,
    growth_to_hot,
    half_gas_from_psig,
    hot_temperature_f,
    tank_volume_gal,
):
    """The expansion, less what half the gas would take up to where it could be told from this tank's."""

    def margin(node, rows):
        charge, cold, over = gas_at(node, rows)
        hot = half_gas_from_psig[rows] + gauge_error_at(node.hot, node, rows) + over
        taken = tank.expansion_taken_gal(tank_volume_gal.value[rows], charge / 2.0, cold, hot)
        share = share_at(growth_to_hot, hot_temperature_f.value, node, rows)
        grown, variance = gallons_at(growth_to_hot, share, node, rows)
        return grown - taken, taken_sigma_from(taken, variance, rows)

    return Margin(margin, bends=gas_bends)


def cushion_sure(cushion_kept, beyond_half_gas, half_gas_excluded, told_by_charge, policy):
    return OneOf(
        cushion_kept,
        (half_gas_excluded, beyond_half_gas),
        (told_by_charge, 1.0 - np.asarray(policy.charge_shows_cushion_certainty)),
    )


QUANTITIES = (
    Quantity(hot_reading_contradicts, "the hot reading contradicts the cold one or the charge"),
    Quantity(
        cushion_ratio,
        "cushion ratio",
        "",
        2,
        column=True,
        reads=((lambda visit: bool(visit["cushion_ratio_at_most"]), "at most {}"),),
    ),
    Quantity(cushion_ratio_at_most, "the hot pressure was held down, or may be", flag=True),
    Quantity(half_gas_from_psig, "pressure that tells half the gas from this tank's", "psi", 1),
    Quantity(half_gas_excluded, "a tank with half its gas would have risen further"),
    Quantity(charge_shows_cushion, "a charge read at zero pressure that is what it should be"),
    Quantity(sound_stays_below, "a sound tank would have kept the relief valve shut"),
    Quantity(ratio_that_tells, "cushion ratio, where it tells", "", 2),
    Quantity(told_by_charge, "only the charge shows that there is a cushion"),
    Quantity(cushion_shown, "cushion ratio, or that something else shows a cushion", "", 2),
    Quantity(cushion_kept, "the expansion, less what would make the cushion a lost one"),
    Quantity(beyond_half_gas, "the expansion, less what half the gas would take"),
    Quantity(cushion_sure, "how surely there is a cushion"),
)
