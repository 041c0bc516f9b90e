"""Inspections whose truth is known and lies evenly about every limit, read with the errors of the policy.

Truth comes first: pressures, charge, temperatures, volumes and heights of a loop are drawn from wide, even
ranges, and what is truly wrong follows from them alone. Then they are written down with the errors that the
policy states, and some not at all; where a reading is lacking the truth is drawn as the policy says that it
may lie. Of such homes an outcome stated with certainty 0.7 must be right 7 times in 10: no more often, as
where most homes are sound, and no less.

The fluid's densities and the atmosphere come from shipped tables that test_hydronics holds against their
sources; all else is written down here once more.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.engine.arrays import NOT_RECORDED, Numbers, Readings, Words
from pipelines.engine.hydronics.atmosphere import atmosphere_psia
from pipelines.engine.hydronics.fluids import density_lb_ft3
from pipelines.fields import BY_NAME
from tests.inspections import FLEETWIDE, SOUND

ALPHA_PER_F = {"copper": 9.5e-6, "steel": 6.5e-6, "pex": 0.0}
GALLONS_PER_1000_BTUH = {"fin_tube": 0.465, "cast_iron_radiator": 1.084, "panel_radiator": 0.852}
FLUIDS = ("none", "propylene_glycol", "ethylene_glycol")
WARMED = 1.06  # gas in the tank of a hot loop


@dataclass(frozen=True)
class Made:
    """Readings of some inspections, and by check id whether each is truly wrong."""

    readings: Readings
    wrong: dict[str, np.ndarray]


def made(count, seed):
    """So many inspections, always the same for a seed."""
    return _Homes(count, np.random.default_rng(seed)).made()


class _Homes:
    """Truth and readings in the making: what is truly so are attributes, what is written down is `read`."""

    def __init__(self, count, random):
        self.count, self.random = count, random
        self.read = {}

    def chance(self, share):
        return self.random.random(self.count) < share

    def even(self, low, high):
        return self.random.uniform(low, high, self.count)

    def error(self, sd):
        return sd * self.random.standard_normal(self.count)

    def any_of(self, *choices):
        return self.random.choice(choices, self.count)

    def sized(self, low, high):
        """A true volume and the one recorded, off by 10 %; no size is more likely than its double."""
        true = np.exp(self.even(np.log(low), np.log(high)))
        return true, true / (1.0 + np.clip(self.error(0.1), -0.5, 0.5))

    def write(self, name, values, lacking=0.0):
        """Write readings down, a share of them not; returns where they are lacking."""
        gone = self.chance(lacking)
        nothing = np.nan if values.dtype.kind == "f" else None
        self.read[name] = np.where(gone, nothing, values)
        return gone

    def made(self):
        self.place()
        self.loop()
        self.temperatures()
        self.tank()
        self.pressures()
        self.gas()
        return Made(_readings(self.count, self.read), self.wrong())

    def place(self):
        height_ft = self.even(0.0, 8000.0)
        unknown = self.write("elevation_ft", height_ft.round(), lacking=0.2)
        spread_ft = self.any_of(50.0, 400.0)
        self.read["place_elevation_ft"], self.read["place_spread_ft"] = height_ft, spread_ft
        self.air_psia = atmosphere_psia(
            np.where(unknown, height_ft + self.error(1.0) * spread_ft, height_ft.round())
        )
        stories, level = self.any_of(1.0, 2.0, 3.0), self.any_of("basement", "lowest_floor", "top_or_attic")
        self.read["stories"], self.read["boiler_level"] = stories, level
        guess_ft = np.select(
            [level == "basement", level == "lowest_floor"], [9.0 * stories - 2.0, 9.0 * (stories - 1.0)], 0.0
        )
        self.top_ft = guess_ft + self.error(4.0)
        self.write("top_height_ft", self.top_ft, lacking=0.3)

    def loop(self):
        unknown = self.chance(0.1)  # then it is reckoned as water that expands by up to half as much more
        fluid = np.where(unknown, "none", self.any_of(*FLUIDS, "none", "none"))
        percent = np.where(fluid == "none", 0.0, self.any_of(20.0, 30.0, 40.0, 50.0))
        self.read["antifreeze"] = np.where(unknown, None, fluid)
        self.read["antifreeze_percent"] = np.where(fluid == "none", np.nan, percent)
        code = np.array([FLUIDS.index(one) for one in fluid])
        self.density = lambda f: density_lb_ft3(np.broadcast_to(f, code.shape), code, percent)
        self.grows = np.where(unknown, self.even(1.0, 1.5), 1.0)
        self.grows *= np.where(code > 0, 1.0 + self.error(0.1), 1.0)
        self.column_psi = self.density(60.0) / 144.0  # per foot
        self.write("pipe_material", self.any_of("copper", "steel", "pex"), lacking=0.2)
        self.alpha = np.array([ALPHA_PER_F[one or "steel"] for one in self.read["pipe_material"]])
        emitter = self.any_of(*GALLONS_PER_1000_BTUH)
        self.read["emitter"] = emitter
        area_ft2 = np.where(self.chance(0.5), self.even(800.0, 3000.0), np.nan)
        output_btuh = self.even(40e3, 150e3)
        self.read["heated_area_ft2"], self.read["boiler_output_btuh"] = area_ft2, output_btuh
        self.gallons, recorded = self.sized(15.0, 150.0)
        estimated = self.write("system_volume_gal", recorded, lacking=0.2)
        no_area = np.isnan(area_ft2)
        share = np.where(no_area, self.even(0.2, 1.3), self.even(0.4, 1.6))
        load = np.where(no_area, output_btuh, 30.0 * area_ft2) / 1000.0 * share
        of_load = load * np.array([GALLONS_PER_1000_BTUH[one] for one in emitter])
        self.gallons = np.where(estimated, of_load, self.gallons)

    def temperatures(self):
        cold_f = self.even(50.0, 85.0)
        self.untimed = self.write("cold_temperature_f", cold_f + self.error(3.0), lacking=0.15)
        self.cold_f = np.where(self.untimed, np.maximum(60.0 + self.error(20.0), 32.0), cold_f)
        self.boiler_f = self.even(140.0, 215.0)  # what the thermometer stands in
        self.hot_f = self.boiler_f + self.error(6.0)  # of the water in the whole loop
        self.write("hot_temperature_f", self.boiler_f + self.error(3.0))
        high_limit_f = self.any_of(160.0, 170.0, 180.0, 190.0)
        unset = self.write("high_limit_f", high_limit_f, lacking=0.1)
        self.limit_f = np.where(unset, 180.0, high_limit_f)

    def tank(self):
        self.steel = self.chance(0.25)
        self.read["tank_type"] = np.where(self.steel, "plain_steel", "diaphragm")
        self.tank_gal, recorded = self.sized(1.0, 40.0)
        self.read["tank_volume_gal"] = recorded
        above_ft = self.any_of(0.0, 0.0, 4.0, -4.0, 12.0, -15.0)
        self.read["tank_above_gauge_ft"] = above_ft
        self.lift_psi = above_ft * self.column_psi
        self.static_psi = np.maximum(self.top_ft, np.maximum(above_ft, 0.0)) * self.column_psi
        self.charge_psig = self.even(0.0, 30.0)
        tank_f = self.even(50.0, 90.0)
        colder = self.write("tank_temperature_f", tank_f + self.error(3.0), lacking=0.3)
        shown = (self.charge_psig + self.air_psia) * (460.0 + tank_f) / 520.0 - self.air_psia
        drifted = self.charge_psig + self.even(-0.5, 2.0)
        self.read["precharge_psig"] = np.where(
            self.steel, np.nan, np.maximum(np.where(colder, drifted, shown) + self.error(0.5), 0.0)
        )
        self.read["tank_valve"] = np.full(self.count, "open")
        self.read["precharge_system_side"] = np.where(self.steel, None, "relieved")
        self.read["tank_air_valve"] = np.where(self.steel, None, "air")

    def pressures(self):
        self.least_psig = np.maximum(self.static_psi + 4.0, 8.0)
        self.read["boiler_min_pressure_psig"] = np.full(self.count, 8.0)
        base = np.maximum(12.0, self.least_psig)
        self.setting_psig = self.even(10.0, 24.0).round()
        unset = self.write("fill_setting_psig", self.setting_psig, lacking=0.3)
        near = ~unset & (np.abs(self.setting_psig - base) <= 3.0)
        self.due_psig = np.where(near, self.setting_psig, base)
        self.cold_psig = self.even(3.0, 34.0)
        valved_off = self.chance(0.2)
        self.read["fill_connection"] = np.where(valved_off, "valved_off", "automatic")
        held = np.where(unset | valved_off, self.cold_psig, self.setting_psig)
        self.fill_psig = held - self.lift_psi
        self.relief_psig = self.any_of(30.0, 30.0, 50.0)
        self.read["relief_setting_psig"] = self.relief_psig
        self.plate_psig = self.relief_psig + self.any_of(0.0, 0.0, 10.0)
        self.read["boiler_max_pressure_psig"] = self.plate_psig
        self.read["relief_signs"] = np.full(self.count, "dry")
        self.supply_psig = self.even(72.0, 88.0)
        self.read["supply_pressure_psig"] = self.supply_psig + self.error(0.5)
        tested = self.chance(0.5)
        self.read["pressure_read_with"] = np.where(tested, "test_gauge", "boiler_gauge")
        self.bias_psi = np.where(tested, 0.0, self.error(1.0))
        # What stands there at a cold reading without its temperature may be that of a warmer loop.
        self.gauge_psig = self.cold_psig + np.where(self.untimed, self.even(0.0, 2.0), 0.0)
        self.read["cold_pressure_psig"] = self.gauge_psig + self.bias_psi + self.error(0.5)

    def gas(self):
        """The hot pressure that gas leaves of which nearly none to all is there; in half of the homes the
        pressure is drawn, and what gas there is follows from it.
        """
        over = self.air_psia - self.lift_psi
        charge = np.where(self.steel, 0.0, self.charge_psig) + self.air_psia
        start = np.maximum(charge, self.gauge_psig + over)
        share = np.exp(self.even(np.log(0.15), np.log(1.1)))
        grown = np.maximum(self.expansion_gal(self.cold_f, self.hot_f), 0.0)
        whole = self.tank_gal * charge
        left = 1.0 / start - grown / (share * whole)
        with np.errstate(divide="ignore", invalid="ignore"):
            hot_psig = np.where(left > 0.0, WARMED / left, np.inf) - over
            drawn = (hot_psig > 1.6 * self.relief_psig) | self.chance(0.5)
            of_range = np.maximum(self.even(5.0, 80.0), self.gauge_psig)
            self.hot_psig = np.where(drawn, of_range, hot_psig)
            bracket = 1.0 / start - WARMED / (self.hot_psig + over)
            self.gas_share = np.where(bracket > 0.0, grown / bracket / whole, np.inf)
        self.read["hot_pressure_psig"] = self.hot_psig + self.bias_psi + self.error(0.5)

    def expansion_gal(self, cold_f, hot_f):
        share = self.density(cold_f) / self.density(hot_f) - 1.0 - 3.0 * self.alpha * (hot_f - cold_f)
        return self.gallons * share * self.grows

    def taken_gal(self, charge_psig, cold_psig, allowed_psig):
        """What the whole gas takes below a pressure at the gauge; the charge at the tank."""
        over, charge = self.air_psia - self.lift_psi, charge_psig + self.air_psia
        start = np.maximum(charge, cold_psig + over)
        return self.tank_gal * charge * (1.0 / start - 1.0 / (allowed_psig + over))

    def wrong(self):
        allowed, limit_f = 0.9 * self.relief_psig, np.maximum(self.limit_f, self.read["hot_temperature_f"])
        to_limit = np.maximum(self.expansion_gal(self.cold_f, limit_f), 0.0)
        charge = np.where(self.steel, 0.0, self.charge_psig)
        due = np.where(self.steel, 0.0, self.due_psig - self.lift_psi)
        highest = np.maximum(self.hot_psig, self.gauge_psig)
        return {
            "cold-pressure-low": self.cold_psig < self.least_psig,
            "cold-pressure-high": self.cold_psig > self.due_psig + 5.0,
            "fill-pressure-off-setting": np.abs(self.cold_psig - self.setting_psig) > 3.0,
            "supply-pressure-high": self.supply_psig > 80.0,
            "hot-pressure-near-relief": self.hot_psig > allowed,
            "predicted-pressure-near-relief": to_limit > self.taken_gal(charge, self.gauge_psig, allowed),
            "tank-undersized": self.expansion_gal(60.0, limit_f)
            > self.taken_gal(due, self.due_psig, allowed),
            "tank-cushion-lost": self.gas_share < 0.5,
            "precharge-low": self.charge_psig < self.fill_psig - 2.0,
            "precharge-high": self.charge_psig > self.fill_psig + 2.0,
            "relief-did-not-open": highest > self.relief_psig + 3.0,
            "pressure-above-plate": highest > self.plate_psig,
            "hot-above-high-limit": self.boiler_f > self.limit_f + 20.0,
        }


def _readings(count, read):
    """Readings of some inspections, all that is not `read` as at a sound loop."""
    numbers, words, dates = {}, {}, {}
    for name, value in (SOUND | read).items():
        if name in FLEETWIDE:
            continue
        kind = BY_NAME[name].kind if name in BY_NAME else "number"
        column = np.broadcast_to(np.asarray(value), (count,))
        if kind == "number":
            numbers[name] = column.astype(float)
        elif kind == "word":
            words[name] = Words.of(name, column.tolist())
        elif kind == "date":
            dates[name] = column.astype("datetime64[D]")
    readings = Readings(count, numbers, words, dates)
    nothing = Numbers(np.full(count, np.nan), np.full(count, NOT_RECORDED))
    readings.fleetwide = dict.fromkeys(FLEETWIDE, nothing)
    return readings


def tenths(rows):
    """By tenth of what is `stated` in a frame: results, mean certainty, share `right`, and how much more."""
    tenth = np.minimum((rows["stated"] * 10).astype(int), 9)
    table = rows.groupby(tenth).agg(
        results=pd.NamedAgg("right", "size"),
        stated=pd.NamedAgg("stated", "mean"),
        right=pd.NamedAgg("right", "mean"),
    )
    return table.assign(off=table["right"] - table["stated"])
