"""Readings → recomputed quantities, and how uncertain they are.

Every quantity uses only the inspection's own row, the policy and the place's elevation. Pressures are gauge until
the local atmosphere is added, once, here. What is missing stays missing with its reason; nothing is assumed that
the policy does not name.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipelines.engine.arrays import Quantity, at_least, derive, known, more, within
from pipelines.engine.hydronics import atmosphere, fluids, loop, tank
from pipelines.engine.margins import Margin, at, both, normal_margin
from pipelines.engine.reasons import gap, reason_of

ASSESSED, OTHER_SYSTEM, NO_EVIDENCE, LOOKS_LIKE_STEAM, LOOKS_OPEN = range(5)

# Columns of the snapshot's table, in order: quantities that are NULL where not known, then flags.
QUANTITIES = (
    "atmosphere_psia",
    "static_psi",
    "required_cold_psig",
    "should_have_psig",
    "trusted_charge_psig",
    "loop_volume_gal",
    "expansion_gal",
    "predicted_hot_psig",
    "predicted_limit_psig",
    "required_tank_gal",
    "cushion_ratio",
    "sea_level_charge_psig",
    "headroom_psi",
    "predicted_headroom_psi",
)
FLAGS = (
    "assessed",
    "atmosphere_estimated",
    "static_estimated",
    "loop_volume_estimated",
    "predicted_hot_unbounded",
    "predicted_limit_unbounded",
    "cushion_ratio_at_most",
)


class Recomputed:
    """Recomputed quantities of a batch, each worked out when first asked for.

    `readings` may carry `place_elevation_ft` and `place_spread_ft` (floats, NaN where the fleet knows no place);
    `policy` is a RowPolicy. Quantities are `Quantity`, flags boolean arrays, all of shape (n,).
    """

    def __init__(self, readings, policy):
        self.readings, self.policy = readings, policy

    def quantity(self, name):
        """A recomputed quantity or, where there is none of that name, the field."""
        return (
            getattr(self, name)
            if isinstance(getattr(type(self), name, None), cached_property)
            else self.readings.number(name)
        )

    def _limit(self, name, rows):
        """A limit of the policy for some rows, which may lie in regions that override it."""
        return at(getattr(self.policy, name), rows)

    # ---- what is assessed at all

    @cached_property
    def state(self):
        """Code per inspection: assessed, another system, no evidence of hot water, looks like steam, looks open."""
        system, tank_type = self.readings.word("heating_system"), self.readings.word("tank_type")
        evidence = (
            tank_type.among("diaphragm", "plain_steel") | self.readings.number("fill_setting_psig").known
        )
        hot_water = system.among("hot_water") | (~system.known & evidence)
        setting = self.readings.number("relief_setting_psig").value
        return np.select(
            [
                ~system.known & ~evidence,
                ~hot_water,
                setting <= self.policy.steam_setting_psig,
                tank_type.among("open"),
            ],
            [NO_EVIDENCE, OTHER_SYSTEM, LOOKS_LIKE_STEAM, LOOKS_OPEN],
            ASSESSED,
        ).astype(np.int8)

    @cached_property
    def assessed(self):
        return ~np.isin(self.state, (OTHER_SYSTEM, NO_EVIDENCE))

    # ---- readings as far as they can be trusted

    @cached_property
    def gauge_doubtful(self):
        return self.readings.word("boiler_gauge").among("stuck", "missing") & ~self.readings.word(
            "pressure_read_with"
        ).among("test_gauge")

    @cached_property
    def heat_on(self):
        return self.readings.word("cold_reading_state").among("heat_not_shut_off")

    @cached_property
    def usable_cold_psig(self):
        cold = self.readings.number("cold_pressure_psig")
        return cold.withhold(self.gauge_doubtful, "boiler gauge stuck or missing", "boiler_gauge").withhold(
            self.heat_on, "heat could not be shut off", "cold_reading_state", first=True
        )

    @cached_property
    def usable_cold_f(self):
        return self.readings.number("cold_temperature_f").withhold(
            self.heat_on, "heat could not be shut off", "cold_reading_state", first=True
        )

    @cached_property
    def cool_cold_psig(self):
        """Cold pressure not taken above the policy's temperature; a missing temperature leaves it standing."""
        warm = self.readings.number("cold_temperature_f").value > self.policy.cold_above_f
        return self.usable_cold_psig.withhold(warm, "cold reading taken above 100 °F", "cold_temperature_f")

    @cached_property
    def usable_hot_psig(self):
        return self.readings.number("hot_pressure_psig").withhold(
            self.gauge_doubtful, "boiler gauge stuck or missing", "boiler_gauge"
        )

    @cached_property
    def pressure_rise_psi(self):
        return derive(
            self.usable_hot_psig.value - self.usable_cold_psig.value,
            self.usable_hot_psig,
            self.usable_cold_psig,
        )

    # ---- atmosphere and height

    @cached_property
    def elevation_ft(self):
        return self.readings.number("elevation_ft").otherwise(self._place("place_elevation_ft"))

    def _place(self, name):
        value = self.readings.numbers.get(name)
        value = np.full(len(self.readings), np.nan) if value is None else value
        return Quantity(value, np.where(np.isnan(value), gap("not recorded"), np.uint16(0)))

    @cached_property
    def atmosphere_estimated(self):
        return ~self.readings.number("elevation_ft").known & self.elevation_ft.known

    @cached_property
    def atmosphere_psia(self):
        return derive(atmosphere.atmosphere_psia(self.elevation_ft.value), self.elevation_ft)

    @cached_property
    def atmosphere_sigma_psi(self):
        """One standard deviation of the atmosphere from the spread of elevations in the place; 0 where recorded."""
        spread = np.where(self.atmosphere_estimated, np.nan_to_num(self._place("place_spread_ft").value), 0.0)
        here = self.atmosphere_psia.value
        return np.nan_to_num(np.abs(here - atmosphere.atmosphere_psia(self.elevation_ft.value + spread)))

    @cached_property
    def sea_level_charge_psig(self):
        return derive(tank.sea_level_charge_psig(self.atmosphere_psia.value), self.atmosphere_psia)

    @cached_property
    def _height(self):
        recorded, stories = self.readings.number("top_height_ft"), self.readings.number("stories")
        level, floor = self.readings.word("boiler_level"), self.policy.story_ft
        guess = np.select(
            [level.among("top_or_attic"), level.among("lowest_floor")],
            [0.0, floor * (stories.value - 1.0)],
            floor * stories.value - self.policy.basement_less_ft,
        )
        attic = level.among("top_or_attic")
        guess = derive(guess, stories.instead(attic & ~stories.known, 1.0))
        return recorded.otherwise(guess)

    @cached_property
    def static_estimated(self):
        return ~self.readings.number("top_height_ft").known & self._height.known

    @cached_property
    def _fluid(self):
        """(code, percent) as Quantities for expansion: antifreeze not recorded is reckoned as water."""
        kind, percent = self.readings.word("antifreeze"), self.readings.number("antifreeze_percent")
        code = kind.take([fluids.WATER, fluids.PROPYLENE_GLYCOL, fluids.ETHYLENE_GLYCOL, fluids.WATER])
        glycol = kind.among("propylene_glycol", "ethylene_glycol")
        share = known(np.where(glycol, np.nan_to_num(percent.value), 0.0))
        share = share.withhold(
            glycol & ~percent.known, "antifreeze recorded without percent", "antifreeze_percent"
        )
        share = share.withhold(
            ~kind.known & (percent.value > 0), "antifreeze percent recorded without its kind", "antifreeze"
        )
        share = share.withhold(
            kind.among("none") & (percent.value > 0), "readings contradict each other", "antifreeze"
        )
        return code, share

    @cached_property
    def fluid_unknown(self):
        kind = self.readings.word("antifreeze")
        return ~kind.known & ~(self.readings.number("antifreeze_percent").value > 0)

    @cached_property
    def glycol(self):
        return self._fluid[0] != fluids.WATER

    @cached_property
    def _column_psi_per_ft(self):
        """Pressure of one foot of this fluid, cold. An antifreeze of unknown share is reckoned as water (see _static)."""
        code, share = self._fluid
        code = np.where(share.known, code, fluids.WATER)
        return loop.static_pressure_psi(
            1.0, fluids.density_lb_ft3(self.policy.sizing_cold_f, code, np.nan_to_num(share.value))
        )

    @cached_property
    def static_psi(self):
        return derive(np.maximum(self._height.value, 0.0) * self._column_psi_per_ft, self._height)

    @cached_property
    def _static_bends(self):
        """Where `_static_at` differs from node to node."""
        return self.static_estimated | ~self._fluid[1].known

    def _static_at(self, node, rows):
        """Static pressure of `rows` with the errors of a node; shape (rows,) where none has any."""
        if not self._static_bends[rows].any():
            return self.static_psi.value[rows]
        height = self._height.value[rows] + node.height * np.where(
            self.static_estimated[rows], self._limit("height_error_ft", rows), 0.0
        )
        column, heavier = (
            self._column_psi_per_ft[rows],
            np.where(self._fluid[1].known[rows], 0.0, self._limit("antifreeze_density_share", rows)),
        )
        if heavier.any():
            column = column * (1.0 + node.fluid * heavier)
        return np.maximum(height, 0.0) * column

    # ---- pressures the loop should have

    @cached_property
    def required_cold_psig(self):
        return derive(self._required_cold(self.static_psi.value, slice(None)), self.static_psi)

    def _required_cold(self, static_psi, rows):
        least = np.nan_to_num(self.readings.number("boiler_min_pressure_psig").value[rows])
        return np.maximum(static_psi + self._limit("cold_margin_psi", rows), least)

    @cached_property
    def should_have_psig(self):
        return derive(self._should_have(self.required_cold_psig.value, slice(None)), self.required_cold_psig)

    def _should_have(self, required_cold_psig, rows):
        base = np.maximum(self._limit("typical_fill_psig", rows), required_cold_psig)
        setting = self.readings.number("fill_setting_psig").value[rows]
        return np.where(within(setting, base, self._limit("setting_trusted_within_psi", rows)), setting, base)

    # ---- the tank's charge

    @cached_property
    def _tank_words(self):
        kind = self.readings.word("tank_type")
        closed = self.readings.word("tank_valve").among("closed")
        return kind, closed

    @cached_property
    def no_gas(self):
        kind, closed = self._tank_words
        return kind.among("none") | closed

    @cached_property
    def charge_as_read_psig(self):
        """The charge at the gauge's height, at the tank's temperature, trusted or not."""
        read = self.readings.number("precharge_psig")
        return derive(read.value + loop.static_pressure_psi(1.0, 62.364) * self._tank_above_ft, read)

    @cached_property
    def _tank_above_ft(self):
        return np.nan_to_num(self.readings.number("tank_above_gauge_ft").value)

    @cached_property
    def charge_is_no_echo(self):
        """The reading differs so much from the system's pressures that it cannot be one of them."""
        read, apart = self.charge_as_read_psig.value, self.policy.charge_trust_psi
        cold, hot = self.cool_cold_psig.value, self.usable_hot_psig.value
        return more(cold - read, apart) | (more(read - cold, apart) & more(read - hot, apart))

    @cached_property
    def trusted_charge_psig(self):
        readings, kind = self.readings, self._tank_words[0]
        read, side, temperature = (
            readings.number("precharge_psig"),
            readings.word("precharge_system_side"),
            readings.number("tank_temperature_f"),
        )
        at_60 = tank.charge_at_60f_psig(read.value, self.atmosphere_psia.value, temperature.value)
        at_60 = derive(at_60, read, self.atmosphere_psia, temperature)
        charge = read.instead(temperature.known, at_60)
        charge = derive(charge.value + self.charge_as_read_psig.value - read.value, read, charge)
        trusted = side.among("relieved") | self.charge_is_no_echo
        no_pressure = ~self.cool_cold_psig.known
        charge = charge.withhold(
            ~trusted & no_pressure,
            "charge read with no cold pressure to compare it with",
            "cold_pressure_psig",
        )
        charge = charge.withhold(
            ~trusted & side.among("pressurized"), "charge read under system pressure", "precharge_system_side"
        )
        charge = charge.withhold(
            ~trusted,
            "state of the system side not recorded, and the charge could be an echo of the system",
            "precharge_system_side",
        )
        charge = charge.withhold(~kind.known, self.readings.gap("tank_type"))
        return charge.withhold(~kind.among("diaphragm", "built_in"), "does not apply here", "tank_type")

    def _charge_drift_at(self, node, rows):
        """How far, in psi, the true charge may lie off on account of a tank temperature that was not recorded."""
        untempered = ~self.readings.number("tank_temperature_f").known[rows]
        low, high = (
            np.where(untempered, self._limit(name, rows), 0.0)
            for name in ("charge_untempered_low_psi", "charge_untempered_high_psi")
        )
        return node.charge_drift * (low + high) - low

    @cached_property
    def _charge_sigma_psi(self):
        """One standard deviation of the charge: the tank gauge and the tank's thermometer."""
        read, temperature = (
            self.readings.number("precharge_psig").value,
            self.readings.number("tank_temperature_f").value,
        )
        thermal = np.nan_to_num(
            (read + self.atmosphere_psia.value) * self.policy.temperature_f / (460.0 + temperature)
        )
        return both(self.policy.test_gauge_psi, thermal)

    # ---- volumes and expansion

    @cached_property
    def _loop_volume(self):
        readings = self.readings
        recorded, output = readings.number("system_volume_gal"), readings.number("boiler_output_btuh")
        emitter, has_buffer, buffer = (
            readings.word("emitter"),
            readings.word("buffer_tank"),
            readings.number("buffer_tank_gal"),
        )
        per_1000 = emitter.take(
            [self.policy.policy.emitter_gal_per_1000_btuh[word] for word in emitter.words] + [np.nan]
        )
        share = Quantity(per_1000, np.where(emitter.known, np.uint16(0), readings.gap("emitter")))
        estimate = derive(output.value / 1000.0 * per_1000, output, share)
        base = recorded.otherwise(estimate)
        gallons = np.where(has_buffer.among("no"), 0.0, np.nan_to_num(buffer.value))
        volume = derive(base.value + gallons, base)
        volume = volume.withhold(
            has_buffer.among("yes") & ~buffer.known,
            "buffer tank recorded without its size",
            "buffer_tank_gal",
        )
        volume = volume.withhold(
            has_buffer.among("no") & (buffer.value > 0), "readings contradict each other", "buffer_tank"
        )
        return volume, ~recorded.known & volume.known, gallons

    @cached_property
    def loop_volume_gal(self):
        return self._loop_volume[0]

    @cached_property
    def loop_volume_estimated(self):
        return self._loop_volume[1]

    @cached_property
    def _alpha_per_f(self):
        pipe = self.readings.word("pipe_material")
        return pipe.take([loop.ALPHA[word] for word in pipe.words] + [loop.ALPHA["steel"]])

    @cached_property
    def limit_f(self):
        """Temperature the loop may reach: the operating control's setting, and the floor's own for radiant floors."""
        recorded = self.readings.number("high_limit_f").value
        radiant = self.readings.word("emitter").among("radiant_floor")
        taken = np.where(np.isnan(recorded), self.policy.high_limit_missing_f, recorded)
        return np.where(radiant, self.policy.radiant_limit_f, taken)

    def _density_lb_ft3(self, temperature_f):
        code, share = self._fluid
        return fluids.density_lb_ft3(temperature_f, code, share.value)

    @cached_property
    def _cold_densities(self):
        """(density at the cold temperature, or the one that is assumed; and a degree above)."""
        return self._density_lb_ft3(self.cold_or_assumed_f.value), self._density_lb_ft3(
            self.cold_or_assumed_f.value + 1.0
        )

    @cached_property
    def cold_or_assumed_f(self):
        return self.usable_cold_f.otherwise(known(np.full(len(self.readings), self.policy.cold_missing_f)))

    def _growth(self, cold_f, hot_f, *, cold_assumed=False, hot_read=True):
        """Expansion of the loop between two temperatures, and the standard deviation of its share by temperature."""
        cold, hot, rise = cold_f.value, hot_f.value, hot_f.value - cold_f.value
        of_cold, of_warmer = (
            self._cold_densities
            if cold_assumed
            else (self._density_lb_ft3(cold), self._density_lb_ft3(cold + 1.0))
        )
        of_hot, of_cooler = self._density_lb_ft3(hot), self._density_lb_ft3(hot - 1.0)
        share = loop.net_expansion_of(of_cold, of_hot, self._alpha_per_f, rise)
        per_cold = loop.net_expansion_of(of_warmer, of_hot, self._alpha_per_f, rise - 1.0) - share
        per_hot = share - loop.net_expansion_of(of_cold, of_cooler, self._alpha_per_f, rise - 1.0)
        expansion = derive(share, cold_f, hot_f, self._fluid[1])
        gallons = derive(self.loop_volume_gal.value * expansion.value, self.loop_volume_gal, expansion)
        cold_error = (
            np.where(self.usable_cold_f.known, self.policy.temperature_f, 0.0)
            if cold_assumed
            else self.policy.temperature_f
        )
        hot_error = both(self.policy.temperature_f, self.policy.loop_temperature_f) if hot_read else 0.0
        return Growth(gallons, expansion, np.nan_to_num(both(per_cold * cold_error, per_hot * hot_error)))

    @cached_property
    def _measured_growth(self):
        cold, hot = self.usable_cold_f, self.readings.number("hot_temperature_f")
        hot = hot.withhold(hot.value < cold.value, "readings contradict each other", "hot_temperature_f")
        return self._growth(cold, hot)

    @cached_property
    def expansion_gal(self):
        return self._measured_growth.gallons

    @cached_property
    def _growth_to_hot(self):
        cold, hot = self.cold_or_assumed_f, self.readings.number("hot_temperature_f")
        hot = hot.withhold(
            hot.value < self.usable_cold_f.value, "readings contradict each other", "hot_temperature_f"
        )
        return self._growth(cold, hot, cold_assumed=True)

    @cached_property
    def _growth_to_limit(self):
        return self._growth(self.cold_or_assumed_f, known(self.limit_f), cold_assumed=True, hot_read=False)

    @cached_property
    def _sizing_growth(self):
        cold = known(np.full(len(self.readings), self.policy.sizing_cold_f))
        code, share = self._fluid
        expansion = derive(
            loop.net_expansion(cold.value, self.limit_f, self._alpha_per_f, code, share.value), cold, share
        )
        gallons = derive(self.loop_volume_gal.value * expansion.value, self.loop_volume_gal, expansion)
        return Growth(gallons, expansion, np.zeros(len(self.readings)))

    def _gallons_at(self, growth, node, rows, *, temperature=None):
        """(mean, variance) of an expansion at a node.

        The volume of an estimated loop and an antifreeze not recorded go with the node; recorded volumes, a glycol's
        data and the temperatures stay a normal error.
        """
        share = growth.share.value[rows] if temperature is None else temperature
        factor = 1.0 + node.fluid * np.where(
            self.fluid_unknown[rows], self._limit("antifreeze_unknown_share", rows), 0.0
        )
        volume, estimated, buffer = (
            self.loop_volume_gal.value[rows],
            self.loop_volume_estimated[rows],
            self._loop_volume[2][rows],
        )
        low, high = (
            np.where(estimated, self._limit(name, rows), 1.0)
            for name in ("volume_estimate_low", "volume_estimate_high")
        )
        volume = buffer + (volume - buffer) * (low + (high - low) * node.volume)
        mean = volume * share * factor
        relative = (
            np.where(estimated, 0.0, self._limit("volume_share", rows)) ** 2
            + np.where(self.glycol[rows], self._limit("glycol_share", rows), 0.0) ** 2
        )
        by_temperature = volume * factor * growth.share_sigma[rows]
        return mean, mean * mean * relative + by_temperature * by_temperature

    def _volume_sigma_gal(self, taken, variance, rows):
        """Standard deviation of a margin in gallons: that of the expansion, and the tank's volume."""
        taken = taken * self._limit("volume_share", rows)
        return np.sqrt(taken * taken + variance)

    # ---- the tank the loop needs

    @cached_property
    def allowed_psig(self):
        """Highest hot pressure that leaves the relief valve shut."""
        setting = self.readings.number("relief_setting_psig")
        return derive(setting.value * self.policy.near_relief_share, setting)

    @cached_property
    def required_tank_gal(self):
        fill, allowed, air, growth = (
            self.should_have_psig,
            self.allowed_psig,
            self.atmosphere_psia,
            self._sizing_growth.gallons,
        )
        kind = self.readings.word("tank_type")
        compression = kind.among("plain_steel")
        gallons = np.where(
            compression,
            tank.required_compression_gal(
                growth.value, fill.value + air.value, allowed.value + air.value, air.value
            ),
            tank.required_diaphragm_gal(growth.value, fill.value + air.value, allowed.value + air.value),
        )
        no_room = fill.value >= allowed.value
        allowed = allowed.withhold(
            no_room, "this pressure leaves no room under this relief valve", "relief_setting_psig"
        )
        needed = derive(gallons, growth, fill, allowed, air)
        return needed.withhold(~kind.known, self.readings.gap("tank_type"))

    @cached_property
    def code_tank_gal(self):
        """What the mechanical codes' table asks, which allows the full relief setting."""
        return tank.code_table_gal(
            self.loop_volume_gal.value, self.readings.word("tank_type").among("plain_steel")
        )

    @cached_property
    def tank_room(self):
        """Margin in gallons: what this tank takes at the pressure it should have, less the expansion."""
        compression = self.readings.word("tank_type").among("plain_steel")
        volume, air, allowed = (
            self.readings.number("tank_volume_gal").value,
            self.atmosphere_psia.value,
            self.allowed_psig.value,
        )

        def margin(node, rows):
            here = air[rows] + node.atmosphere * self.atmosphere_sigma_psi[rows]
            fill = self._should_have(self._required_cold(self._static_at(node, rows), rows), rows) + here
            charge = np.where(compression[rows], here, fill)
            taken = tank.expansion_taken_gal(volume[rows], charge, fill, allowed[rows] + here)
            grown, variance = self._gallons_at(self._sizing_growth, node, rows)
            return taken - grown, self._volume_sigma_gal(taken, variance, rows)

        others = self.fluid_unknown | self.loop_volume_estimated | (self.atmosphere_sigma_psi > 0.0)
        return Margin(margin, bends=2 * self._static_bends + others)

    @cached_property
    def tank_passes_over_range(self):
        """The tank is large enough even for the largest loop an estimate allows."""
        volume, buffer = self.loop_volume_gal.value, self._loop_volume[2]
        largest = buffer + (volume - buffer) * self.policy.volume_estimate_high
        return ~more(
            self.required_tank_gal.value * largest / volume, self.readings.number("tank_volume_gal").value
        )

    # ---- the gas balance

    @cached_property
    def _charge_or_should_psig(self):
        """Charge that the gas balance starts from: trusted, else what it should be; a compression tank's is the air's."""
        diaphragm = self.trusted_charge_psig.otherwise(self.should_have_psig)
        return diaphragm.instead(self.readings.word("tank_type").among("plain_steel"), 0.0)

    @cached_property
    def charge_assumed(self):
        """The balance rests on the charge the tank should have, since none is trusted."""
        return self._charge_is_assumed & self.should_have_psig.known

    @cached_property
    def _known_charge_psig(self):
        """The charge for a predicted pressure: never the one it should have."""
        return self.trusted_charge_psig.instead(self.readings.word("tank_type").among("plain_steel"), 0.0)

    def _pressure_after(self, growth, charge):
        return _pressure_after(
            growth.gallons,
            charge,
            self.usable_cold_psig,
            self.readings.number("tank_volume_gal"),
            self.atmosphere_psia,
        )

    def _predicted(self, growth):
        kind = self.readings.word("tank_type")
        hot = self._pressure_after(growth, self._known_charge_psig)
        hot = hot.withhold(~kind.known, self.readings.gap("tank_type")).withhold(
            kind.among("built_in", "open"), "does not apply here", "tank_type"
        )
        return hot.instead(self.no_gas, np.inf)

    @cached_property
    def predicted_hot_psig(self):
        return self._predicted(self._growth_to_hot)

    @cached_property
    def predicted_limit_psig(self):
        return self._predicted(self._growth_to_limit)

    @cached_property
    def predicted_hot_unbounded(self):
        return np.isposinf(self.predicted_hot_psig.value)

    @cached_property
    def predicted_limit_unbounded(self):
        return np.isposinf(self.predicted_limit_psig.value)

    @cached_property
    def _charge_is_assumed(self):
        """Where the gas balance starts from the charge the tank should have."""
        return ~self.trusted_charge_psig.known & ~self.readings.word("tank_type").among("plain_steel")

    @cached_property
    def _gas_bends(self):
        """The gas balance bends everywhere; where the charge, a height, or the cold temperature is not known, by more."""
        return 1 + self._charge_is_assumed * (1 + self._static_bends) + 3 * ~self.usable_cold_f.known

    def _gas_at(self, node, rows):
        """(charge, cold, atmosphere) of `rows`, psia, with the errors of a node."""
        compression = self.readings.word("tank_type").among("plain_steel")[rows]
        air = self.atmosphere_psia.value[rows] + node.atmosphere * self.atmosphere_sigma_psi[rows]
        trusted = (
            self.trusted_charge_psig.value[rows]
            + node.charge * self._charge_sigma_psi[rows]
            + self._charge_drift_at(node, rows)
        )
        charge, assumed = np.where(compression, 0.0, trusted), self._charge_is_assumed[rows]
        if assumed.any():
            charge = np.where(
                assumed,
                self._should_have(self._required_cold(self._static_at(node, rows), rows), rows),
                charge,
            )
        return (
            charge + air,
            self.usable_cold_psig.value[rows] + self._pressure_error_at(node.cold, node, rows) + air,
            air,
        )

    @cached_property
    def _tested(self):
        return self.readings.word("pressure_read_with").among("test_gauge")

    def _pressure_error_at(self, noise, node, rows):
        """Error of a pressure reading: one gauge's bias is the same cold and hot, its noise is not."""
        tested = self._tested[rows]
        return node.bias * np.where(tested, 0.0, self._limit("gauge_bias_psi", rows)) + noise * np.where(
            tested, self._limit("test_gauge_psi", rows), self._limit("gauge_noise_psi", rows)
        )

    def _share_at(self, growth, node, rows, hot_f):
        """Net expansion at a node: where the cold temperature is assumed, its error is too large to be taken as linear."""
        share, assumed = growth.share.value[rows], ~self.usable_cold_f.known[rows]
        if not assumed.any():
            return share
        code, percent = self._fluid
        here = rows[assumed]
        cold = np.maximum(
            self._limit("cold_missing_f", here) + node.cold_f * self._limit("cold_missing_error_f", here),
            32.0,
        )
        moved = np.broadcast_to(share, (len(cold), len(share))).copy()
        moved[:, assumed] = loop.net_expansion(
            cold, hot_f[here], self._alpha_per_f[here], code[here], percent.value[here]
        )
        return moved

    @cached_property
    def room_at_limit(self):
        """Margin in gallons: what the gas takes up to the allowed pressure (all of it, where none is known), less the expansion."""
        growth, volume = self._growth_to_limit, self.readings.number("tank_volume_gal").value
        allowed = np.where(self.allowed_psig.known, self.allowed_psig.value, np.inf)

        def margin(node, rows):
            charge, cold, air = self._gas_at(node, rows)
            taken = tank.expansion_taken_gal(volume[rows], charge, cold, allowed[rows] + air)
            grown, variance = self._gallons_at(
                growth, node, rows, temperature=self._share_at(growth, node, rows, self.limit_f)
            )
            return taken - np.maximum(grown, 0.0), self._volume_sigma_gal(taken, variance, rows)

        return Margin(margin, bends=self._gas_bends)

    @cached_property
    def sound_hot_psig(self):
        """Hot pressure that a sound tank of this size, at its trusted charge or else the one it should have, would show."""
        return self._pressure_after(self._growth_to_hot, self._charge_or_should_psig)

    # ---- the cushion that is left

    @cached_property
    def cut_off(self):
        """The relief valve may have cut the hot pressure off."""
        setting = self.readings.number("relief_setting_psig").value
        return at_least(self.usable_hot_psig.value, setting - self.policy.cut_off_within_psi)

    @cached_property
    def cut_off_not_excluded(self):
        """No relief setting is recorded, though a valve may be there, so a cut-off reading cannot be told from a free one."""
        return ~self.readings.number("relief_setting_psig").known & ~self.readings.word(
            "relief_present"
        ).among("no")

    @cached_property
    def partly_hot(self):
        return ~self.readings.word("hot_reading_state").among("all_zones_hot")

    @cached_property
    def cushion_ratio_at_most(self):
        return self.cushion_ratio.known & (self.partly_hot | self.cut_off | self.cut_off_not_excluded)

    @cached_property
    def cushion_ratio(self):
        policy, air = self.policy, self.atmosphere_psia
        charge, cold, hot = self._charge_or_should_psig, self.usable_cold_psig, self.usable_hot_psig
        growth, volume = self._measured_growth, self.readings.number("tank_volume_gal")
        hot_f, cold_f = self.readings.number("hot_temperature_f"), self.usable_cold_f
        ratio = tank.cushion_ratio(
            np.maximum(growth.gallons.value, 0.0),
            volume.value,
            charge.value + air.value,
            cold.value + air.value,
            hot.value + air.value,
            policy.gas_warming,
        )
        ratio = derive(ratio, cold, hot, cold_f, hot_f, volume, growth.gallons, charge, air)
        ratio = ratio.withhold(~self._tank_words[0].known, self.readings.gap("tank_type"))
        ratio = ratio.withhold(
            more(policy.cushion_least_rise_f, hot_f.value - cold_f.value),
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
        return ratio.withhold(self.no_gas, "the tank's valve is closed", "tank_valve")

    @cached_property
    def cushion_kept(self):
        """Margin in gallons: the expansion, less the larger of what would make the cushion a lost one: what half the gas
        takes at the readings, and, where the relief valve cut the hot pressure off, what a sound tank takes below its limit.
        """
        volume, setting, allowed = (
            self.readings.number("tank_volume_gal").value,
            self.readings.number("relief_setting_psig").value,
            self.allowed_psig.value,
        )
        growth, measured = self._growth_to_hot, self.cushion_ratio.known

        def margin(node, rows):
            charge, cold, air = self._gas_at(node, rows)
            hot = self.usable_hot_psig.value[rows] + self._pressure_error_at(node.hot, node, rows)
            bracket = 1.0 / np.maximum(charge, cold) - self._limit("gas_warming", rows) / (hot + air)
            lost = np.where(
                measured[rows], self._limit("cushion_lost_ratio", rows) * volume[rows] * charge * bracket, 0.0
            )
            cut = hot >= setting[rows] - self._limit("cut_off_within_psi", rows)
            sound = np.where(
                cut, tank.expansion_taken_gal(volume[rows], charge, cold, allowed[rows] + air), 0.0
            )
            taken = np.maximum(np.maximum(lost, sound), 0.0)
            grown, variance = self._gallons_at(
                growth,
                node,
                rows,
                temperature=self._share_at(
                    growth, node, rows, self.readings.number("hot_temperature_f").value
                ),
            )
            return grown - taken, self._volume_sigma_gal(taken, variance, rows)

        return Margin(margin, bends=self._gas_bends)

    # ---- headroom under the relief valve

    @cached_property
    def headroom_psi(self):
        setting, hot = self.readings.number("relief_setting_psig"), self.usable_hot_psig
        return derive(setting.value - hot.value, setting, hot)

    @cached_property
    def predicted_headroom_psi(self):
        setting, hot = self.readings.number("relief_setting_psig"), self.predicted_limit_psig
        return derive(setting.value - hot.value, setting, hot)

    # ---- margins of plain pressure bands

    @cached_property
    def gauge_sigma_psi(self):
        """One standard deviation of one pressure reading."""
        return np.where(
            self._tested,
            self.policy.test_gauge_psi,
            both(self.policy.gauge_bias_psi, self.policy.gauge_noise_psi),
        )

    def _untimed_at(self, node, rows):
        """How much lower the true cold pressure may lie where no cold temperature was recorded."""
        return node.cold_drift * np.where(
            self.usable_cold_f.known[rows], 0.0, self._limit("cold_untimed_low_psi", rows)
        )

    @cached_property
    def cold_above_required(self):
        def margin(node, rows):
            required = self._required_cold(self._static_at(node, rows), rows)
            return self.cool_cold_psig.value[rows] - self._untimed_at(
                node, rows
            ) - required, self.gauge_sigma_psi[rows]

        return Margin(margin, bends=2 * self._static_bends + ~self.usable_cold_f.known)

    @cached_property
    def cold_below_high(self):
        def margin(node, rows):
            should = self._should_have(self._required_cold(self._static_at(node, rows), rows), rows)
            return should + self._limit("cold_high_margin_psi", rows) - self.cool_cold_psig.value[
                rows
            ] + self._untimed_at(node, rows), self.gauge_sigma_psi[rows]

        return Margin(margin, bends=2 * self._static_bends + ~self.usable_cold_f.known)

    def _cold_against_setting(self, sign):
        setting = self.readings.number("fill_setting_psig").value

        def margin(node, rows):
            off = self.cool_cold_psig.value[rows] - self._untimed_at(node, rows) - setting[rows]
            return self._limit("fill_off_setting_psi", rows) + sign * off, self.gauge_sigma_psi[rows]

        return Margin(margin, bends=~self.usable_cold_f.known)

    @cached_property
    def cold_above_setting(self):
        return self._cold_against_setting(1.0)

    @cached_property
    def cold_below_setting(self):
        return self._cold_against_setting(-1.0)

    def _charge_against_fill(self, sign):
        def margin(node, rows):
            should = self._should_have(self._required_cold(self._static_at(node, rows), rows), rows)
            off = self.trusted_charge_psig.value[rows] + self._charge_drift_at(node, rows) - should
            return self._limit("charge_tolerance_psi", rows) + sign * off, self._charge_sigma_psi[rows]

        return Margin(
            margin, bends=2 * self._static_bends + ~self.readings.number("tank_temperature_f").known
        )

    @cached_property
    def charge_above_low(self):
        return self._charge_against_fill(1.0)

    @cached_property
    def charge_below_high(self):
        return self._charge_against_fill(-1.0)

    @cached_property
    def expected_rise_psi(self):
        """Rise that a sound tank would show with half the system hot."""
        growth = self._growth_to_hot
        half = Growth(derive(growth.gallons.value / 2.0, growth.gallons), growth.share, growth.share_sigma)
        hot = self._pressure_after(half, self._charge_or_should_psig)
        hot = hot.instead(self.no_gas, np.inf)
        return derive(hot.value - self.usable_cold_psig.value, hot, self.usable_cold_psig)

    @cached_property
    def hot_below_allowed(self):
        return normal_margin(self.allowed_psig.value - self.usable_hot_psig.value, self.gauge_sigma_psi)

    @cached_property
    def hot_below_opening(self):
        """A valve that shows more than dry has opened."""
        setting = self.readings.number("relief_setting_psig").value
        room = setting * self.policy.did_not_open_share - self.usable_hot_psig.value
        return normal_margin(
            np.where(self.readings.word("relief_signs").among("dry"), room, np.inf), self.gauge_sigma_psi
        )

    @cached_property
    def supply_below_high(self):
        return normal_margin(
            self.policy.supply_high_psig - self.readings.number("supply_pressure_psig").value,
            self.policy.test_gauge_psi,
        )

    @cached_property
    def cold_below_warm(self):
        return normal_margin(
            self.policy.cold_above_f - self.readings.number("cold_temperature_f").value,
            self.policy.temperature_f,
        )

    @cached_property
    def rise_seen(self):
        """The bias of one gauge falls out of a rise; each reading's noise does not."""
        due = more(self.expected_rise_psi.value, self.policy.expected_rise_psi)
        each = np.where(self._tested, self.policy.test_gauge_psi, self.policy.gauge_noise_psi)
        return normal_margin(
            np.where(due, self.pressure_rise_psi.value - self.policy.rise_seen_psi, np.inf),
            each * np.sqrt(2.0),
        )

    # ---- words and dates that checks need as quantities

    @cached_property
    def relief_present_or_setting(self):
        """Known where the relief valve's presence is recorded or shown by a recorded setting."""
        seen = self.readings.word("relief_present").known | self.readings.number("relief_setting_psig").known
        reason = np.maximum(
            reason_of(self.readings.gap("relief_present")),
            reason_of(self.readings.gap("relief_setting_psig")),
        )
        return known(np.ones(len(seen))).withhold(~seen, gap(reason, "relief_present"))

    @cached_property
    def _backflow_days(self):
        visited, tested = self.readings.date("inspected_on"), self.readings.date("backflow_tested_on")
        missing = np.isnat(tested) | np.isnat(visited)
        months = np.where(np.isnat(visited), 0, visited.astype("datetime64[M]").astype(np.int64))
        day = np.where(np.isnat(visited), 0, (visited - visited.astype("datetime64[M]")).astype(np.int64))
        earlier = (months - np.asarray(self.policy.backflow_test_months).astype(np.int64)).astype(
            "datetime64[M]"
        )
        length = ((earlier + 1).astype("datetime64[D]") - earlier.astype("datetime64[D]")).astype(np.int64)
        oldest = earlier.astype("datetime64[D]") + np.minimum(day, length - 1)
        allowed = np.where(np.isnat(visited), np.nan, (visited - oldest).astype(float))
        days = np.where(missing, np.nan, (visited - tested).astype(float))
        return Quantity(
            days, np.where(missing, self.readings.gap("backflow_tested_on"), np.uint16(0))
        ), known(allowed)

    @cached_property
    def days_since_backflow_test(self):
        return self._backflow_days[0]

    @cached_property
    def backflow_test_days(self):
        """Days of the months allowed since the last test, counted back from the visit."""
        return self._backflow_days[1]

    @cached_property
    def backflow_tested_late(self):
        return self._backflow_days[0].value < 0

    # ---- what putting one thing right would do

    @cached_property
    def _right_tank_gal(self):
        """The tank the loop needs, or a larger one where the readings or the limit ask for more than the sizing does."""
        asked = (
            np.fmax(self._growth_to_hot.gallons.value, self._growth_to_limit.gallons.value)
            / self._sizing_growth.gallons.value
        )
        return derive(self.required_tank_gal.value * np.fmax(asked, 1.0), self.required_tank_gal)

    def with_right(self, root, rows):
        """(hot, limit) gauge pressures of some inspections with one root put right in the gas balance; NaN where that cannot be told."""
        should, cold, volume = (
            self.should_have_psig.at(rows),
            self.usable_cold_psig.at(rows),
            self.readings.number("tank_volume_gal").at(rows),
        )
        charge = self._known_charge_psig.at(rows)
        if root in ("tank-missing", "tank-undersized"):
            volume, charge = (
                self._right_tank_gal.at(rows),
                should.instead(self._tank_words[0].among("plain_steel")[rows], 0.0),
            )
            high = more(
                cold.value, should.value + self._limit("cold_high_margin_psi", rows)
            )  # a fault of its own, which no tank mends
            cold = cold.instead(~high, should)
        elif root in ("tank-valved-off", "tank-cushion-lost"):
            charge = self._charge_or_should_psig.at(rows)
        elif root in ("precharge-low", "precharge-high"):
            charge = should
        elif root == "cold-pressure-high":
            cold = should
        air = self.atmosphere_psia.at(rows)
        return tuple(
            _pressure_after(growth.gallons.at(rows), charge, cold, volume, air).value
            for growth in (self._growth_to_hot, self._growth_to_limit)
        )


def _pressure_after(gallons, charge, cold, volume, air):
    """Gauge pressure after an expansion; infinite where the gas cannot take it."""
    hot = tank.pressure_after_expansion_psia(
        np.maximum(gallons.value, 0.0), volume.value, charge.value + air.value, cold.value + air.value
    )
    return derive(hot - air.value, charge, cold, volume, gallons, air)


@dataclass(frozen=True)
class Growth:
    """An expansion: gallons, the share of the loop volume it is, and that share's standard deviation by temperature."""

    gallons: Quantity
    share: Quantity
    share_sigma: np.ndarray
