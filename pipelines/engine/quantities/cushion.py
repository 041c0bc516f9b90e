"""The gas that is left in the tank."""

import numpy as np

from pipelines.engine.arrays import derive, more
from pipelines.engine.hydronics import tank
from pipelines.engine.margins import Margin, at
from pipelines.engine.quantities.kinds import Quantity


def cushion_ratio(
    measured_growth,
    charge_taken_psig,
    usable_cold_psig,
    usable_hot_psig,
    usable_cold_f,
    hot_temperature_f,
    tank_volume_gal,
    atmosphere_psia,
    tank_type,
    no_gas,
    policy,
):
    charge, cold, hot, air = charge_taken_psig, usable_cold_psig, usable_hot_psig, atmosphere_psia
    gallons, volume = measured_growth.gallons, tank_volume_gal
    ratio = tank.cushion_ratio(
        np.maximum(gallons.value, 0.0),
        volume.value,
        charge.value + air.value,
        cold.value + air.value,
        hot.value + air.value,
        policy.gas_warming,
    )
    ratio = derive(ratio, cold, hot, usable_cold_f, hot_temperature_f, volume, gallons, charge, air)
    ratio = ratio.withhold(~tank_type.known, tank_type.gap)
    ratio = ratio.withhold(
        more(policy.cushion_least_rise_f, hot_temperature_f.value - usable_cold_f.value),
        "temperature rise too small to judge",
        "hot_temperature_f",
    )
    ratio = ratio.withhold(
        more(policy.cushion_least_rise_psi, hot.value - cold.value),
        "pressure rise too small to judge",
        "hot_pressure_psig",
    )
    contradict = ~more(hot.value, np.maximum(cold.value, charge.value))
    ratio = ratio.withhold(contradict, "readings contradict each other", "hot_pressure_psig")
    return ratio.withhold(no_gas, "the tank's valve is closed", "tank_valve")


def cushion_ratio_at_most(cushion_ratio, partly_hot, cut_off, cut_off_not_excluded):
    return cushion_ratio.known & (partly_hot | cut_off | cut_off_not_excluded)


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
    relief_setting_psig,
    allowed_psig,
    policy,
):
    """A lost cushion is the larger of two: what half the gas takes at the readings, and, where the relief
    valve cut the hot pressure off, what a sound tank takes below its limit.
    """
    measured, volume = cushion_ratio.known, tank_volume_gal.value

    def lost_gal(charge, cold, hot, air, rows):
        bracket = 1.0 / np.maximum(charge, cold) - at(policy.gas_warming, rows) / (hot + air)
        return np.where(
            measured[rows], at(policy.cushion_lost_ratio, rows) * volume[rows] * charge * bracket, 0.0
        )

    def sound_gal(charge, cold, hot, air, rows):
        cut = hot >= relief_setting_psig.value[rows] - at(policy.cut_off_within_psi, rows)
        sound = tank.expansion_taken_gal(volume[rows], charge, cold, allowed_psig.value[rows] + air)
        return np.where(cut, sound, 0.0)

    def margin(node, rows):
        charge, cold, air = gas_at(node, rows)
        hot = usable_hot_psig.value[rows] + gauge_error_at(node.hot, node, rows)
        lost, sound = lost_gal(charge, cold, hot, air, rows), sound_gal(charge, cold, hot, air, rows)
        taken = np.maximum(np.maximum(lost, sound), 0.0)
        share = share_at(growth_to_hot, hot_temperature_f.value, node, rows)
        grown, variance = gallons_at(growth_to_hot, share, node, rows)
        return grown - taken, taken_sigma_from(taken, variance, rows)

    return Margin(margin, bends=gas_bends)


QUANTITIES = (
    Quantity(
        cushion_ratio,
        "cushion ratio",
        "",
        2,
        column=True,
        reads=("cushion_ratio_at_most", "at most {}"),
    ),
    Quantity(cushion_ratio_at_most, "the hot pressure was held down, or may be", flag=True),
    Quantity(cushion_kept, "the expansion, less what would make the cushion a lost one"),
)
