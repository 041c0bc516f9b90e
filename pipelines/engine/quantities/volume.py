"""How much water the loop holds, and what it gains when heated."""

from dataclasses import dataclass

import numpy as np

from pipelines.engine.arrays import Numbers, derive, known
from pipelines.engine.hydronics import fluids, loop
from pipelines.engine.margins import at, both
from pipelines.engine.quantities.kinds import Assumption, Quantity, without

# ---- the water


def buffer_gal(buffer_tank, buffer_tank_gal):
    """0 where none is recorded."""
    return np.where(buffer_tank.among("no"), 0.0, np.nan_to_num(buffer_tank_gal.value))


def heat_load_btuh(heated_area_ft2, boiler_output_btuh, policy):
    """The boiler's output, often twice the load, where the area is not recorded."""
    by_area = derive(heated_area_ft2.value * policy.heat_load_btuh_ft2, heated_area_ft2)
    return boiler_output_btuh.instead(by_area.known, by_area)


def volume_taken_gal(system_volume_gal, heat_load_btuh, emitter, policy):
    gallons = policy.emitter_gal_per_1000_btuh
    per_1000_btuh = emitter.take([gallons[word] for word in emitter.words] + [np.nan])
    estimate = heat_load_btuh.value / 1000.0 * per_1000_btuh
    share = Numbers(per_1000_btuh, emitter.gap)
    return system_volume_gal.otherwise(derive(estimate, heat_load_btuh, share))


def loop_volume_gal(volume_taken_gal, buffer_gal, buffer_tank, buffer_tank_gal):
    volume = derive(volume_taken_gal.value + buffer_gal, volume_taken_gal)
    volume = volume.withhold(
        buffer_tank.among("yes") & ~buffer_tank_gal.known,
        "buffer tank recorded without its size",
        "buffer_tank_gal",
    )
    contradict = buffer_tank.among("no") & (buffer_tank_gal.value > 0)
    return volume.withhold(contradict, "readings contradict each other", "buffer_tank")


def loop_volume_estimated(system_volume_gal, loop_volume_gal):
    return ~system_volume_gal.known & loop_volume_gal.known


def estimate_low(heated_area_ft2, policy):
    """Of an estimated volume, buffer tank aside, by its estimate."""
    return np.where(heated_area_ft2.known, policy.volume_by_area_low, policy.volume_estimate_low)


def estimate_high(heated_area_ft2, policy):
    return np.where(heated_area_ft2.known, policy.volume_by_area_high, policy.volume_estimate_high)


def least_volume_share(loop_volume_gal, loop_volume_estimated, buffer_gal, estimate_low):
    """Smallest volume that this loop may have, by the one reckoned with; 1 where it is recorded."""
    return _volume_share(loop_volume_gal, loop_volume_estimated, buffer_gal, estimate_low)


def most_volume_share(loop_volume_gal, loop_volume_estimated, buffer_gal, estimate_high):
    return _volume_share(loop_volume_gal, loop_volume_estimated, buffer_gal, estimate_high)


def _volume_share(volume_gal, estimated, buffer_gal, factor):
    volume = volume_gal.value
    return np.where(estimated, (buffer_gal + (volume - buffer_gal) * factor) / volume, 1.0)


# ---- the temperatures


def cold_taken_f(usable_cold_f, policy):
    return usable_cold_f.otherwise(known(np.full(len(usable_cold_f.value), policy.cold_missing_f)))


def limit_f(high_limit_f, hot_temperature_f, emitter, policy):
    """The operating control's setting; for radiant floors the floor's own; never less than was measured."""
    setting = np.where(high_limit_f.known, high_limit_f.value, policy.high_limit_missing_f)
    setting = np.where(emitter.among("radiant_floor"), policy.radiant_limit_f, setting)
    return known(np.fmax(setting, hot_temperature_f.value))


# ---- the expansion


@dataclass(frozen=True)
class Growth:
    """An expansion: gallons, its share of the loop, and what errors of temperature do to that share."""

    gallons: Numbers
    share: Numbers
    share_sigma: np.ndarray


@dataclass(frozen=True)
class Loop:
    """What expands: gallons, the fluid's code and percent, and the linear expansion of its pipes."""

    volume_gal: Numbers
    code: np.ndarray
    percent: Numbers
    alpha_per_f: np.ndarray

    def density_lb_ft3(self, temperature_f):
        return fluids.density_lb_ft3(temperature_f, self.code, self.percent.value)

    def densities_above(self, temperature_f):
        """(at a temperature, a degree above it)."""
        return self.density_lb_ft3(temperature_f), self.density_lb_ft3(temperature_f + 1.0)

    def gallons(self, share):
        return derive(self.volume_gal.value * share.value, self.volume_gal, share)

    def growth(self, cold_f, hot_f, of_cold, cold_error_f, hot_error_f):
        """Expansion between two temperatures, `of_cold` being the densities above the colder one."""
        hot, rise = hot_f.value, hot_f.value - cold_f.value
        at_cold, at_warmer = of_cold
        at_hot, at_cooler = self.density_lb_ft3(hot), self.density_lb_ft3(hot - 1.0)
        share = loop.net_expansion_of(at_cold, at_hot, self.alpha_per_f, rise)
        per_cold = loop.net_expansion_of(at_warmer, at_hot, self.alpha_per_f, rise - 1.0) - share
        per_hot = share - loop.net_expansion_of(at_cold, at_cooler, self.alpha_per_f, rise - 1.0)
        sigma = np.nan_to_num(both(per_cold * cold_error_f, per_hot * hot_error_f))
        expansion = derive(share, cold_f, hot_f, self.percent)
        return Growth(self.gallons(expansion), expansion, sigma)


def pipe_alpha_per_f(pipe_material):
    return pipe_material.take([loop.ALPHA[word] for word in pipe_material.words] + [loop.ALPHA["steel"]])


def loop_water(loop_volume_gal, fluid_code, glycol_percent, pipe_alpha_per_f):
    return Loop(loop_volume_gal, fluid_code, glycol_percent, pipe_alpha_per_f)


def hot_error_f(policy):
    """The thermometer, and that the loop is not equally hot everywhere."""
    return both(policy.temperature_f, policy.loop_temperature_f)


def cold_error_f(usable_cold_f, policy):
    """Of one taken for a reading that is not there the error goes through the nodes."""
    return np.where(usable_cold_f.known, policy.temperature_f, 0.0)


def hotter_f(hot_temperature_f, usable_cold_f):
    return hot_temperature_f.withhold(
        hot_temperature_f.value < usable_cold_f.value, "readings contradict each other", "hot_temperature_f"
    )


def cold_densities(loop_water, cold_taken_f):
    return loop_water.densities_above(cold_taken_f.value)


def growth_to_hot(loop_water, cold_taken_f, hotter_f, cold_densities, cold_error_f, hot_error_f):
    return loop_water.growth(cold_taken_f, hotter_f, cold_densities, cold_error_f, hot_error_f)


def growth_to_limit(loop_water, cold_taken_f, limit_f, cold_densities, cold_error_f):
    return loop_water.growth(cold_taken_f, limit_f, cold_densities, cold_error_f, 0.0)


def sizing_growth(loop_water, limit_f, policy):
    cold = known(np.full(len(limit_f.value), policy.sizing_cold_f))
    share = loop.net_expansion(
        cold.value, limit_f.value, loop_water.alpha_per_f, loop_water.code, loop_water.percent.value
    )
    expansion = derive(share, cold, loop_water.percent)
    return Growth(loop_water.gallons(expansion), expansion, np.zeros(len(share)))


def expansion_gal(growth_to_hot, usable_cold_f):
    """Between temperatures that were read, both."""
    return growth_to_hot.gallons.withhold(~usable_cold_f.known, usable_cold_f.gap)


# ---- its errors


def share_at(usable_cold_f, loop_water, policy):
    """Where the cold temperature is taken, its error is too large for a straight line."""

    def share(growth, hot_f, node, rows):
        share, assumed = growth.share.value[rows], ~usable_cold_f.known[rows]
        if not assumed.any():
            return share
        here = rows[assumed]
        error = node.cold_f * at(policy.cold_missing_error_f, here)
        cold = np.maximum(at(policy.cold_missing_f, here) + error, 32.0)
        moved = np.broadcast_to(share, (len(cold), len(share))).copy()
        moved[:, assumed] = loop.net_expansion(
            cold,
            hot_f[here],
            loop_water.alpha_per_f[here],
            loop_water.code[here],
            loop_water.percent.value[here],
        )
        return moved

    return share


def gallons_at(
    fluid_unknown,
    glycol,
    loop_volume_gal,
    loop_volume_estimated,
    least_volume_share,
    most_volume_share,
    policy,
):
    """The volume of an estimated loop and an antifreeze not recorded go with the node; recorded volumes, a
    glycol's data and the temperatures stay a normal error.
    """

    def gallons(growth, share, node, rows):
        """(mean, variance) of an expansion which is this share of the loop's volume."""
        factor = 1.0 + node.fluid * np.where(
            fluid_unknown[rows], at(policy.antifreeze_unknown_share, rows), 0.0
        )
        estimated, volume = loop_volume_estimated[rows], loop_volume_gal.value[rows]
        if estimated.any():
            least, most = least_volume_share[rows], most_volume_share[rows]
            volume = volume * (least + (most - least) * node.volume)
        mean = volume * share * factor
        of_volume = np.where(estimated, 0.0, at(policy.volume_share, rows))
        of_glycol = np.where(glycol[rows], at(policy.glycol_share, rows), 0.0)
        by_temperature = volume * factor * growth.share_sigma[rows]
        return mean, mean * mean * (of_volume**2 + of_glycol**2) + by_temperature * by_temperature

    return gallons


def taken_sigma_from(policy):
    def sigma_gal(taken_gal, variance, rows):
        taken = taken_gal * at(policy.volume_share, rows)
        return np.sqrt(taken * taken + variance)

    return sigma_gal


def _radiant(visit):
    return visit["emitter"] == "radiant_floor"


FROM_AREA = Assumption(
    "volume estimated from the heated area and the emitters",
    lambda visit: visit["loop_volume_estimated"] and visit["heated_area_ft2"] is not None,
)
FROM_OUTPUT = Assumption(
    "volume estimated from the boiler's output and the emitters",
    lambda visit: visit["loop_volume_estimated"] and visit["heated_area_ft2"] is None,
)
NO_BUFFER = Assumption(
    "no buffer tank recorded: none taken",
    lambda visit: visit["buffer_tank"] is None and visit["buffer_tank_gal"] is None,
)
STEEL = without("pipe_material", "pipe not recorded: steel taken")
COLD_TAKEN = without("cold_temperature_f", "cold temperature not recorded: {cold_missing_f} taken")
FLOOR = Assumption("radiant floor: its highest temperature taken as {radiant_limit_f}", _radiant)
LIMIT_TAKEN = Assumption(
    "high limit not recorded: {high_limit_missing_f} taken",
    lambda visit: visit["high_limit_f"] is None and not _radiant(visit),
)

QUANTITIES = (
    Quantity(buffer_gal, "water in the buffer tank", "gal", 2, assumes=(NO_BUFFER,)),
    Quantity(heat_load_btuh, "heat load", "Btu/h", 0),
    Quantity(volume_taken_gal, "water beside the buffer tank", "gal", 2, assumes=(FROM_AREA, FROM_OUTPUT)),
    Quantity(loop_volume_gal, "water in the loop", "gal", 2, column=True),
    Quantity(loop_volume_estimated, "volume is estimated", flag=True),
    Quantity(estimate_low, "share of an estimated volume that there is at least", "", 2),
    Quantity(estimate_high, "share of an estimated volume that there is at most", "", 2),
    Quantity(least_volume_share, "share of the loop's volume that there is at least", "", 2),
    Quantity(most_volume_share, "share of the loop's volume that there is at most", "", 2),
    Quantity(cold_taken_f, "cold temperature of a prediction", "°F", 1, assumes=(COLD_TAKEN,)),
    Quantity(limit_f, "temperature the loop may reach", "°F", 1, assumes=(FLOOR, LIMIT_TAKEN)),
    Quantity(pipe_alpha_per_f, "linear expansion of the pipes", "per °F", 7, assumes=(STEEL,)),
    Quantity(loop_water, "what expands in the loop"),
    Quantity(hot_error_f, "standard deviation of a hot temperature", "°F", 1),
    Quantity(cold_error_f, "standard deviation of a cold temperature", "°F", 1),
    Quantity(hotter_f, "hot temperature, not below the cold one", "°F", 1),
    Quantity(cold_densities, "densities at the cold temperature of a prediction"),
    Quantity(growth_to_hot, "expansion up to the hot temperature read"),
    Quantity(growth_to_limit, "expansion up to the high limit"),
    Quantity(sizing_growth, "expansion that a tank is sized for"),
    Quantity(expansion_gal, "expansion from cold to hot", "gal", 2, column=True),
    Quantity(share_at, "share by which the water grows, with the errors of a node"),
    Quantity(gallons_at, "expansion with the errors of a node"),
    Quantity(taken_sigma_from, "standard deviation of what a tank takes, less an expansion"),
)
