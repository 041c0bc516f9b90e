"""The same formulas one inspection at a time, in plain
Python: what the columns of the pipeline are held against.

No arrays and no room of the pipeline but the policy and the shipped density table. None is "not verified";
infinity is a pressure that the gas cannot hold, or a cushion that shows no loss. How certain an outcome is:
row_by_row_margins.
"""

import csv
import math
from bisect import bisect_left, bisect_right
from calendar import monthrange
from datetime import date, timedelta
from functools import lru_cache
from itertools import pairwise
from pathlib import Path

from tests import home_by_home
from tests.row_by_row_margins import certainty

OK, DEFICIENT, NOT_VERIFIED, NOT_APPLICABLE = "ok", "deficient", "not verified", "not applicable"
DENSITY_TABLE = Path(__file__).resolve().parent.parent / "pipelines" / "engine" / "hydronics" / "density.csv"
LINEAR_EXPANSION_PER_F = {"steel": 6.5e-6, "copper": 9.5e-6, "pex": 0.0, None: 6.5e-6}
RANKINE = 460.0
DAYS_A_MONTH = 365.25 / 12.0
FIVE = (
    "cold_pressure_psig",
    "hot_pressure_psig",
    "cold_temperature_f",
    "hot_temperature_f",
    "precharge_psig",
)
SAFETY_CRITICAL = (
    "hot-pressure-near-relief", "tank-missing", "tank-valved-off", "tank-cushion-lost",
    "tank-diaphragm-failed", "relief-missing", "relief-isolated",
    "pressure-above-plate", "antifreeze-with-single-wall-coil",
    "relief-did-not-open", "relief-set-above-boiler", "relief-capacity-short", "relief-discharge-hidden",
    "relief-discharge-unpiped",
    "relief-discharge-blocked", "relief-discharge-restricted", "relief-discharging", "backflow-missing",
    "backflow-insufficient",
    "low-water-cutoff-missing", "low-water-cutoff-failed",
)  # fmt: skip


def over(value, limit):
    """At the limit is not over it: both sides rounded to 1e-6."""
    return round(value, 6) > round(limit, 6)


def under(value, limit):
    return round(value, 6) < round(limit, 6)


def missing(*values):
    return any(value is None for value in values)


class Rules:
    """What the policy asks of the rows of one agency and region on a day."""

    def __init__(self, policy, agency="", region="", day=date.max):
        def fold(text):
            return " ".join((text or "").split()).casefold()

        here = [
            one
            for one in policy.regions
            if fold(one.name) in ("", fold(region))
            and fold(one.agency) in ("", fold(agency))
            and (one.effective_from is None or one.effective_from <= day)
        ]
        self.emitter_gal_per_1000_btuh = policy.emitter_gal_per_1000_btuh
        self.accepted = {name: policy.words(name) for name in policy.accepted}
        for name, limit in policy.limits.items():
            setattr(self, name, limit.value)
        for one in here:
            self.accepted |= one.accepted
            for name, value in one.limits.items():
                setattr(self, name, value)


# ---- physics


def atmosphere_psia(elevation_ft):
    """US Standard Atmosphere 1976 in the closed form of the ASHRAE Handbook, to 1e-6 psi."""
    return round(14.696 * (1.0 - 6.8754e-6 * elevation_ft) ** 5.2559, 6)


@lru_cache
def density_table():
    """Temperatures, and per fluid its percents and a row of densities for each temperature."""
    with open(DENSITY_TABLE, encoding="utf-8", newline="") as file:
        headings, *rows = csv.reader(line for line in file if not line.startswith("#"))
    rows = [[float(cell) for cell in row] for row in rows]
    fluids = {"water": ([0.0], [[row[1]] for row in rows])}
    for fluid in ("propylene_glycol", "ethylene_glycol"):
        columns = [1, *(place for place, heading in enumerate(headings) if heading.startswith(fluid))]
        percents = [0.0, *(float(headings[place].rsplit("_", 1)[1]) for place in columns[1:])]
        fluids[fluid] = percents, [[row[place] for place in columns] for row in rows]
    return [row[0] for row in rows], fluids


def _between(axis, value):
    """Places of the two steps around a value and how far it lies between them; None outside the axis."""
    if not axis[0] <= value <= axis[-1]:
        return None
    upper = bisect_left(axis, value)
    if axis[upper] == value:
        return upper, upper, 0.0
    return upper - 1, upper, (value - axis[upper - 1]) / (axis[upper] - axis[upper - 1])


def density_lb_ft3(temperature_f, fluid, percent):
    """By straight lines between the steps of the table; None outside its data."""
    temperatures, fluids = density_table()
    percents, densities = fluids[fluid]
    row, column = (
        _between(temperatures, temperature_f),
        _between(percents, percent if fluid != "water" else 0.0),
    )
    if row is None or column is None:
        return None
    (low, high, along), (left, right, across) = row, column
    at_left = densities[low][left] + along * (densities[high][left] - densities[low][left])
    at_right = densities[low][right] + along * (densities[high][right] - densities[low][right])
    density = at_left + across * (at_right - at_left)
    return None if math.isnan(density) else density


def net_expansion(cold_f, hot_f, pipe, fluid, percent):
    """(v hot / v cold - 1) - 3 alpha (hot - cold)."""
    cold, hot = density_lb_ft3(cold_f, fluid, percent), density_lb_ft3(hot_f, fluid, percent)
    return (
        None
        if missing(cold, hot)
        else cold / hot - 1.0 - 3.0 * LINEAR_EXPANSION_PER_F[pipe] * (hot_f - cold_f)
    )


def pressure_after_psia(expansion_gal, tank_gal, charge_psia, cold_psia):
    """Vt P0 (1 / max(P0, Pa) - 1 / Ph) = Ve, solved for Ph; infinity where the gas cannot take it."""
    inverse = 1.0 / max(charge_psia, cold_psia) - expansion_gal / (tank_gal * charge_psia)
    return 1.0 / inverse if inverse > 0.0 else math.inf


# ---- other inspections


class Fleet:
    """All inspections in force, to look up what others say of one."""

    def __init__(self, visits):
        self.metered, self.taken, self.homes = {}, {}, {}
        for visit in visits:
            self.homes.setdefault((visit.get("agency"), visit["home_id"]), []).append(visit)
            if (key := _five(visit)) is not None:
                self.taken.setdefault(key, []).append((visit["inspected_on"], visit["home_id"]))
        self.before = {}
        for of_home in self.homes.values():
            for strand in (one for of_system in home_by_home.strands(of_home).values() for one in of_system):
                metered = [visit for visit in strand if visit.get("makeup_meter_gal") is not None]
                for earlier, later in pairwise(metered):
                    self.before[later.get("agency"), later["inspection_id"]] = earlier
        for dated in self.taken.values():
            dated.sort()

    def of_home(self, visit):
        """All visits to the home of this one."""
        return self.homes[visit.get("agency"), visit["home_id"]]

    def metered_before(self, visit):
        """The visit to the same system before this one at which the meter was read, if there is one."""
        return self.before.get((visit.get("agency"), visit["inspection_id"]))

    def repeated_elsewhere(self, visit, days):
        """Whether the same person took the same five readings at
        another home within some days; None if that cannot be told.
        """
        if (key := _five(visit)) is None:
            return None
        dated, day = self.taken[key], visit["inspected_on"]
        first, last = (
            bisect_left(dated, (day - timedelta(days), "")),
            bisect_right(dated, (day + timedelta(days), chr(0x10FFFF))),
        )
        return any(home != visit["home_id"] for _, home in dated[first:last])


def _five(visit):
    taker = (
        ("inspector", visit["inspector"])
        if visit.get("inspector")
        else ("crew", visit["crew"])
        if visit.get("crew")
        else None
    )
    readings = tuple(visit.get(name) for name in FIVE)
    return None if taker is None or None in readings else (visit.get("agency"), taker, readings)


class Places:
    """Elevations of postal codes and regions and their spread, from a
    fleet's places.csv where there is one.
    """

    def __init__(self, path):
        self.elevations = {}
        if path.exists():
            with open(path, newline="", encoding="utf-8-sig") as file:
                for row in csv.DictReader(file):
                    kind = "postal_code" if row["postal_code"].strip() else "region"
                    self.elevations[row["agency"].casefold(), kind, row[kind].casefold()] = (
                        float(row["elevation_ft"]),
                        float(row["spread_ft"]),
                    )

    def of(self, visit):
        """(elevation, spread) of the postal code, else of the region; a
        line without an agency speaks of all. None where no line does.
        """
        for kind in ("postal_code", "region"):
            for agency in (visit.get("agency") or "", ""):
                found = self.elevations.get((agency.casefold(), kind, (visit.get(kind) or "").casefold()))
                if found is not None:
                    return found
        return None


# ---- one inspection


class Inspection:
    """Readings of one visit, and what is recomputed from them.

    `place` is (elevation, spread), ft, of the postal code or
    region for a home without an elevation of its own, or None.
    """

    def __init__(self, visit, rules, place=None):
        self.get, self.rules = visit.get, rules
        get = visit.get
        self.standing = self.standing_of_row()
        self.atmosphere_estimated = get("elevation_ft") is None and place is not None
        elevation_ft, spread_ft = place if self.atmosphere_estimated else (get("elevation_ft"), 0.0)
        self.atmosphere = None if elevation_ft is None else atmosphere_psia(elevation_ft)
        self.atmosphere_sigma = (
            None if elevation_ft is None else abs(self.atmosphere - atmosphere_psia(elevation_ft + spread_ft))
        )
        self.relief_setting = get("relief_setting_psig")
        self.read_cold, self.hot = self.pressures()
        self.cold = None if get("cold_reading_state") == "heat_not_shut_off" else self.read_cold
        read = [one for one in (self.hot, self.read_cold) if one is not None]
        self.highest = max(read, default=None)
        self.cold_is_warm = get("cold_temperature_f") is not None and over(
            get("cold_temperature_f"), rules.cold_above_f
        )
        self.cold_f = None if get("cold_reading_state") == "heat_not_shut_off" else get("cold_temperature_f")
        self.hot_f = (
            None
            if not missing(self.cold_f, get("hot_temperature_f")) and get("hot_temperature_f") < self.cold_f
            else get("hot_temperature_f")
        )
        self.fluid, self.percent = self.what_is_in_the_loop()
        self.fluid_unknown = get("antifreeze") is None and not get("antifreeze_percent")
        self.height_ft, self.static_estimated = self.height_of_system_ft()
        self.psi_per_ft = self.column_psi_per_ft()
        self.tank_top_ft = 0.0 if get("tank_type") == "none" else max(0.0, get("tank_above_gauge_ft") or 0.0)
        self.static = (
            None
            if missing(self.height_ft, self.psi_per_ft)
            else max(self.tank_top_ft, self.height_ft) * self.psi_per_ft
        )
        above_ft = get("tank_above_gauge_ft") or 0.0
        self.lift = None if above_ft and self.psi_per_ft is None else above_ft * (self.psi_per_ft or 0.0)
        # What makes of a pressure at the gauge the absolute one at the tank.
        self.over = None if missing(self.atmosphere, self.lift) else self.atmosphere - self.lift
        self.required_cold = None if self.static is None else self.required_cold_for(self.static)
        self.should_have = None if self.static is None else self.should_have_for(self.required_cold)
        self.charge_no_echo = False
        self.charge = self.trusted_charge_psig()
        self.fill, self.fill_from = self.fill_pressure_here()
        self.buffer_gal = (
            get("buffer_tank_gal")
            if get("buffer_tank_gal") is not None or get("buffer_tank") == "yes"
            else 0.0
        )
        self.loop_gal, self.loop_estimated = self.loop_volume_gal()
        self.expansion = self.expansion_gal(self.cold_f, self.hot_f)
        self.limit_f = self.highest_loop_temperature_f()
        self.no_gas = get("tank_type") == "none" or get("tank_valve") == "closed"
        self.required_tank = self.required_tank_gal()
        compression = get("tank_type") == "plain_steel"
        self.known_charge = 0.0 if compression else self.charge
        due = None if missing(self.should_have, self.lift) else self.should_have - self.lift
        self.charge_or_should = 0.0 if compression else self.charge if self.charge is not None else due
        self.predicted_hot = self.predicted_psig(self.hot_f)
        self.predicted_limit = self.predicted_psig(self.limit_f)
        dry = get("relief_signs") == "dry"
        self.has_opened = get("relief_signs") not in (None, "dry")
        self.opens_from = None if self.relief_setting is None else self.relief_setting - self.set_tolerance()
        self.cut_off = (
            not dry and not missing(self.hot, self.opens_from) and not under(self.hot, self.opens_from)
        )
        self.may_be_cut_off = self.cut_off or (
            self.relief_setting is None and get("relief_present") != "no" and not dry
        )
        self.at_most = get("hot_reading_state") != "all_zones_hot" or self.may_be_cut_off
        self.rise_is_small, self.ratio = False, None
        self.contradicts = self.hot_reading_contradicts()
        self.ratio = self.cushion_ratio()
        self.half_gas_excluded = self.rise_is_small and self.half_gas_would_rise_further()
        self.by_charge = False
        self.rise_due = self.rise_due_of(1.0)

    def standing_of_row(self):
        """None where the row is assessed, else the outcome of all its checks."""
        get = self.get
        if get("heating_system") not in (None, "hot_water"):
            return NOT_APPLICABLE
        if (
            get("heating_system") is None
            and get("tank_type") not in ("diaphragm", "plain_steel")
            and get("fill_setting_psig") is None
        ):
            return NOT_VERIFIED
        return None

    @property
    def looks_like_something_else(self):
        """Steam, by its relief setting, or an open system, by its tank."""
        setting = self.get("relief_setting_psig")
        return (
            self.get("tank_type") == "open"
            or setting is not None
            and not over(setting, self.rules.steam_setting_psig)
        )

    def pressures(self):
        """Cold and hot gauge pressure, None where missing or not to be trusted; with the heat on, too."""
        get = self.get
        bad_gauge = get("boiler_gauge") in ("stuck", "missing") and get("pressure_read_with") != "test_gauge"
        if bad_gauge:
            return None, None
        cold, hot = get("cold_pressure_psig"), get("hot_pressure_psig")
        above_hot = not missing(cold, hot) and over(cold - hot, self.rules.cold_above_hot_psi)
        return (
            None if above_hot or self.implausible(cold) else cold,
            None if self.implausible(hot) else hot,
        )

    def implausible(self, pressure):
        """Below zero, or above what even a fill valve that failed open would show."""
        marked = max(self.relief_setting or 0.0, self.get("boiler_max_pressure_psig") or 0.0)
        highest = max(self.rules.implausible_above_psig, self.rules.implausible_above_share * marked)
        return pressure is not None and (over(0.0, pressure) or over(pressure, highest))

    def set_tolerance(self):
        """How far from its setting the relief valve may open."""
        rules, setting = self.rules, self.relief_setting
        large = over(setting, rules.set_tolerance_up_to_psig)
        return setting * rules.set_tolerance_share if large else rules.set_tolerance_psi

    def what_is_in_the_loop(self):
        """(fluid, percent); percent None where it is not known, or beside water."""
        antifreeze, percent = self.get("antifreeze"), self.get("antifreeze_percent")
        if antifreeze in ("propylene_glycol", "ethylene_glycol"):
            return antifreeze, percent
        return "water", None if percent else 0.0

    def height_of_system_ft(self):
        """(top of the system above the gauge, whether it is estimated)."""
        get, rules = self.get, self.rules
        if get("top_height_ft") is not None:
            return get("top_height_ft"), False
        if get("boiler_level") == "top_or_attic":
            return 0.0, True
        if (floors := get("stories")) is None:
            return None, False
        return rules.story_ft * (floors - 1.0) if get(
            "boiler_level"
        ) == "lowest_floor" else rules.story_ft * floors - rules.basement_less_ft, True

    def column_psi_per_ft(self):
        """Weight of the column at filling temperature; a glycol of unknown share weighs as water."""
        fluid, percent = (self.fluid, self.percent) if self.percent is not None else ("water", 0.0)
        density = density_lb_ft3(self.rules.sizing_cold_f, fluid, percent)
        return None if density is None else density / 144.0

    def required_cold_for(self, static):
        return max(static + self.rules.cold_margin_psi, self.get("boiler_min_pressure_psig") or 0.0)

    def should_have_for(self, required_cold):
        reckoned, setting = max(self.rules.typical_fill_psig, required_cold), self.get("fill_setting_psig")
        near = setting is not None and not over(
            abs(setting - reckoned), self.rules.setting_trusted_within_psi
        )
        return setting if near else reckoned

    def trusted_charge_psig(self):
        """The charge at 60 °F and at the tank's height, where it
        was read at zero pressure or cannot be the system's own.
        """
        get, rules, read = self.get, self.rules, self.get("precharge_psig")
        if read is None or get("tank_air_valve") == "water":
            return None
        apart = rules.charge_trust_psi
        if get("tank_above_gauge_ft") is None:
            column = self.psi_per_ft
            apart = None if column is None else apart + rules.tank_height_missing_ft * column
        if self.cold is not None and not self.cold_is_warm and not missing(self.lift, apart):
            cold = self.cold - self.lift
            bottomed = self.hot is not None and over(read - max(cold, self.hot - self.lift), apart)
            copied = any(
                one is not None and not over(abs(read - one), rules.echo_within_psi)
                for one in (self.cold, self.hot)
            )
            self.charge_no_echo = not copied and (bottomed or over(cold - read, apart))
        if not (self.charge_no_echo or get("precharge_system_side") == "relieved") or get(
            "tank_type"
        ) not in ("diaphragm", "built_in"):
            return None
        if (warm := get("tank_temperature_f")) is None:
            return read
        return (
            None
            if self.atmosphere is None
            else (read + self.atmosphere) * (60.0 + RANKINE) / (warm + RANKINE) - self.atmosphere
        )

    def fill_pressure_here(self):
        """(fill pressure that this loop has, what tells it: setting, cold or due)."""
        setting, by_valve = self.get("fill_setting_psig"), self.get("fill_connection")
        if setting is not None and by_valve in (None, "automatic", "manual"):
            return setting, "setting"
        if self.cold is not None and not self.cold_is_warm:
            return self.cold, "cold"
        return self.should_have, "due"

    def loop_volume_gal(self):
        """(gallons, whether they are estimated); a buffer tank is recorded, or is not there."""
        get, buffer = self.get, self.buffer_gal
        if buffer is None or get("buffer_tank") == "no" and buffer > 0.0:
            return None, False
        if get("system_volume_gal") is not None:
            return get("system_volume_gal") + buffer, False
        area = get("heated_area_ft2")
        load = get("boiler_output_btuh") if area is None else area * self.rules.heat_load_btuh_ft2
        if missing(load, get("emitter")):
            return None, False
        return load / 1000.0 * self.rules.emitter_gal_per_1000_btuh[get("emitter")] + buffer, True

    def volume_range(self):
        """Smallest and largest volume, by the one reckoned with."""
        if not self.loop_estimated:
            return 1.0, 1.0
        rules, by_area = self.rules, self.get("heated_area_ft2") is not None
        low = rules.volume_by_area_low if by_area else rules.volume_estimate_low
        high = rules.volume_by_area_high if by_area else rules.volume_estimate_high
        estimate = self.loop_gal - self.buffer_gal
        return tuple((self.buffer_gal + estimate * share) / self.loop_gal for share in (low, high))

    def expansion_share(self, cold_f, hot_f):
        return net_expansion(cold_f, hot_f, self.get("pipe_material"), self.fluid, self.percent)

    def expansion_gal(self, cold_f, hot_f):
        if missing(self.loop_gal, cold_f, hot_f, self.percent):
            return None
        share = self.expansion_share(cold_f, hot_f)
        return None if share is None else self.loop_gal * share

    def highest_loop_temperature_f(self):
        """Never below what was measured."""
        limit_f = self.get("high_limit_f")
        if self.get("emitter") == "radiant_floor":
            limit_f = self.rules.radiant_limit_f
        elif limit_f is None:
            limit_f = self.rules.high_limit_missing_f
        measured_f = self.get("hot_temperature_f")
        return limit_f if measured_f is None else max(limit_f, measured_f)

    def required_tank_gal(self):
        """Charge equal to the fill pressure; None where this pressure leaves
        no room under this relief valve.
        """
        kind = self.get("tank_type")
        if missing(self.should_have, self.relief_setting, self.over) or kind is None:
            return None
        fill, allowed = (
            self.should_have + self.over,
            self.rules.near_relief_share * self.relief_setting + self.over,
        )
        if fill >= allowed:
            return None
        expansion = self.expansion_gal(self.rules.sizing_cold_f, self.limit_f)
        if expansion is None:
            return None
        return expansion / (
            self.atmosphere / fill - self.atmosphere / allowed
            if kind == "plain_steel"
            else 1.0 - fill / allowed
        )

    def predicted_psig(self, hot_f):
        """Gas balance from the trusted charge; infinity where no gas can take the expansion."""
        if self.no_gas:
            return math.inf
        return (
            self.balance_psig(hot_f, self.known_charge)
            if self.get("tank_type") in ("diaphragm", "plain_steel")
            else None
        )

    def balance_psig(self, hot_f, charge, share=1.0):
        """Pressure after some share of the loop is heated from
        its cold reading; a limit below that expands nothing.
        """
        tank_gal = self.get("tank_volume_gal")
        expansion = (
            self.expansion_gal(self.rules.cold_missing_f, hot_f)
            if self.cold_f is None
            else self.expansion_gal(self.cold_f, hot_f)
        )
        if missing(charge, self.cold, expansion, tank_gal, self.over) or self.cold + self.over <= 0.0:
            return None
        return (
            pressure_after_psia(
                max(0.0, expansion) * share, tank_gal, charge + self.atmosphere, self.cold + self.over
            )
            - self.over
        )

    def hot_reading_contradicts(self):
        """A heated loop rises above its cold pressure and above the charge of its tank."""
        cold_f, hot_f = self.cold_f, self.get("hot_temperature_f")
        if not missing(cold_f, hot_f) and hot_f < cold_f:
            return True
        if self.hot is None:
            return False
        below_charge = not missing(self.charge, self.lift) and not under(self.charge, self.hot - self.lift)
        return below_charge or self.cold is not None and not under(self.cold, self.hot)

    def rise_due_of(self, volume):
        """Whether a sound tank would show a rise, half of this share of the water hot."""
        would_be = (
            math.inf
            if self.no_gas
            else self.balance_psig(self.hot_f, self.charge_or_should, share=0.5 * volume)
        )
        if missing(would_be, self.cold):
            return None
        return over(would_be - self.cold, self.rules.expected_rise_psi)

    def half_gas_would_rise_further(self):
        """Whether a tank with half its gas would have risen further by far, whatever the loop's volume."""
        compression = self.get("tank_type") == "plain_steel"
        if self.at_most or self.charge is None and not compression:
            return False
        half, cold = (self.charge_or_should + self.atmosphere) / 2.0, self.cold + self.over
        expansion = self.expansion_gal(self.cold_f_taken, self.hot_f) * self.volume_range()[0]
        psia = pressure_after_psia(max(0.0, expansion), self.get("tank_volume_gal"), half, cold)
        return not under(psia - self.over, self.hot + self.rules.half_gas_apart_psi)

    def charge_shows_cushion(self):
        """A charge read at zero pressure, near to what it should be, with air at the valve."""
        get = self.get
        if get("tank_type") != "diaphragm" or self.no_gas or self.contradicts:
            return False
        if get("precharge_system_side") != "relieved" or get("tank_air_valve") != "air":
            return False
        if missing(self.charge, self.fill, self.lift):
            return False
        off = abs(self.charge - (self.fill - self.lift))
        return not over(off, self.rules.charge_shows_cushion_psi)

    @property
    def cold_f_taken(self):
        return self.rules.cold_missing_f if self.cold_f is None else self.cold_f

    def cushion_ratio(self):
        """Gas that cold and hot pressure imply, by the gas that
        the recorded charge would be; infinity shows no loss.
        """
        get, rules, charge = self.get, self.rules, self.charge_or_should
        if get("tank_type") is None or self.no_gas:
            return None
        if missing(charge, self.cold, self.hot, self.hot_f, get("tank_volume_gal"), self.over):
            return None
        expansion = self.expansion_gal(self.cold_f_taken, self.hot_f)
        if expansion is None or self.contradicts or self.cold + self.over <= 0.0:
            return None
        if under(self.hot_f - self.cold_f_taken, rules.cushion_least_rise_f):
            return None
        if under(self.hot - self.cold, rules.cushion_least_rise_psi):
            self.rise_is_small = True
            return None
        gas = charge + self.atmosphere
        if not over(self.hot + self.over, gas):
            return None
        bracket = 1.0 / max(gas, self.cold + self.over) - rules.gas_warming / (self.hot + self.over)
        expansion = max(0.0, expansion)
        return expansion / bracket / (get("tank_volume_gal") * gas) if bracket > 0.0 else math.inf

    def quantities(self):
        """The recomputed quantities by name; None where not known, or not finite."""
        assessed = self.standing is None

        def finite(value):
            return value if assessed and value is not None and math.isfinite(value) else None

        return {
            "assessed": assessed, "atmosphere_psia": self.atmosphere,
            "atmosphere_estimated": self.atmosphere_estimated,
            "static_psi": finite(self.static), "static_estimated": assessed and self.static_estimated,
            "required_cold_psig": finite(self.required_cold), "should_have_psig": finite(self.should_have),
            "trusted_charge_psig": finite(self.charge),
            "loop_volume_gal": finite(self.loop_gal),
            "loop_volume_estimated": assessed and self.loop_estimated,
            "expansion_gal": finite(self.expansion),
            "predicted_hot_psig": finite(self.predicted_hot),
            "predicted_hot_unbounded": assessed and self.predicted_hot == math.inf,
            "predicted_limit_psig": finite(self.predicted_limit),
            "predicted_limit_unbounded": assessed and self.predicted_limit == math.inf,
            "required_tank_gal": finite(self.required_tank), "cushion_ratio": finite(self.ratio),
            "cushion_ratio_at_most": assessed and self.ratio is not None and self.at_most,
            "sea_level_charge_psig": None if self.atmosphere is None
            else finite(12.0 + atmosphere_psia(0.0) - self.atmosphere),
            "headroom_psi": None if missing(self.relief_setting,
                self.hot) else finite(self.relief_setting - self.hot),
            "predicted_headroom_psi": None if missing(self.relief_setting,
                self.predicted_limit) else finite(self.relief_setting - self.predicted_limit),
        }  # fmt: skip


# ---- the checks: True deficient, False ok, None not verified


def word(i, field, *bad):
    """Whether the recorded word is one of the bad ones."""
    found = i.get(field)
    return None if found is None else found in bad


def any_of(*answers):
    """Deficient where one says so, ok where all do."""
    return True if True in answers else None if None in answers else False


def cold_pressure(i, wrong, limit):
    return None if missing(i.cold, limit) or i.cold_is_warm else wrong(i.cold, limit)


def fill_pressure_off_setting(i):
    connection, setting = i.get("fill_connection"), i.get("fill_setting_psig")
    if connection not in (None, "automatic", "manual"):
        return NOT_APPLICABLE

    def off(cold, setting):
        return over(abs(cold - setting), i.rules.fill_off_setting_psi)

    return None if connection is None else cold_pressure(i, off, setting)


def near_relief(i, hot):
    return None if missing(hot, i.relief_setting) else over(hot, i.rules.near_relief_share * i.relief_setting)


def predicted_pressure_near_relief(i):
    """Over the whole range of a volume that is estimated, or not verified."""
    if i.get("tank_type") == "built_in":
        return NOT_APPLICABLE
    if i.no_gas:
        return True
    if i.predicted_limit is None:
        return None
    answers = set()
    for share in {1.0, *i.volume_range()}:
        pressure = i.balance_psig(i.limit_f, i.known_charge, share)
        answers.add(True if pressure == math.inf else near_relief(i, pressure))
    return answers.pop() if len(answers) == 1 else None


def tank_of(i, kinds, answer):
    """The answer where the tank is one of these kinds."""
    kind = i.get("tank_type")
    return None if kind is None else answer if kind in kinds else NOT_APPLICABLE


DIAPHRAGM, OWN_SHELL, ANY_TANK = (
    ("diaphragm",),
    ("diaphragm", "plain_steel"),
    ("diaphragm", "plain_steel", "open", "built_in"),
)


def tank_undersized(i):
    volume, required = i.get("tank_volume_gal"), i.required_tank
    if missing(volume, required):
        return tank_of(i, OWN_SHELL, None)
    if i.loop_estimated:  # never deficient: ok if it passes over the whole range
        most = i.volume_range()[1]
        return tank_of(i, OWN_SHELL, None if under(volume, required * most) else False)
    return tank_of(i, OWN_SHELL, under(volume, required))


def tank_cushion_lost(i):
    return tank_of(i, OWN_SHELL, None if i.no_gas else cushion_lost(i))


def cushion_lost(i):
    """By the readings, else by the charge."""
    least, most = i.volume_range()
    if i.cut_off and i.has_opened:
        would_be = i.balance_psig(i.hot_f, i.charge_or_should, most)
        if would_be is not None and near_relief(i, would_be) is False:
            return True
    if i.ratio is not None:
        lost = {under(i.ratio * share, i.rules.cushion_lost_ratio) for share in (least, most)}
        if lost == {True}:
            return True
        if lost == {False} and not i.at_most:
            return False
    if i.half_gas_excluded:
        return False
    i.by_charge = i.charge_shows_cushion()
    return False if i.by_charge else None


def precharge(i, wrong, tolerance):
    return tank_of(
        i,
        DIAPHRAGM,
        None if missing(i.charge, i.fill, i.lift) else wrong(i.charge, i.fill - i.lift + tolerance),
    )


def relief_missing(i):
    """A recorded setting means present; `no` beside a setting is a contradiction."""
    said, setting = i.get("relief_present"), i.get("relief_setting_psig")
    if said == "no":
        return None if setting is not None else True
    return False if said == "yes" or setting is not None else None


def relief(i, answer):
    """Not applicable without a relief valve; whatever is recorded of one stands."""
    return NOT_APPLICABLE if relief_missing(i) is True else answer


def above(i, limit):
    """One pressure above is enough; only the hot one says that none was."""
    if limit is None or i.highest is None:
        return None
    return True if over(i.highest, limit) else None if i.hot is None and limit < math.inf else False


def relief_did_not_open(i):
    """A valve that shows more than dry did open."""
    return relief(i, None if i.get("relief_signs") is None else above(i, opens_by_psig(i)))


def opens_by_psig(i):
    if i.relief_setting is None:
        return None
    return i.relief_setting + i.set_tolerance() if i.get("relief_signs") == "dry" else math.inf


def pressure_above_plate(i):
    """A valve of which nothing is recorded may be relieving, and the pressure a little above the plate."""
    limit = plate_limit_psig(i)
    found = above(i, limit)
    untold = i.get("relief_signs") is None and i.get("relief_present") != "no"
    if found is True and untold and not over(i.highest, limit * i.rules.plate_rise_share):
        return None
    return found


def plate_limit_psig(i):
    plate = i.get("boiler_max_pressure_psig")
    wet = i.get("relief_signs") in ("dripping", "discharging")
    return None if plate is None else plate * i.rules.plate_rise_share if wet else plate


def relief_number(i, wrong, value, limit):
    return relief(i, None if missing(value, limit) else wrong(value, limit))


def discharge_pipe(i, *bad):
    return relief(
        i,
        NOT_APPLICABLE if i.get("relief_discharge_end") == "none" else word(i, "relief_discharge_pipe", *bad),
    )


def relief_stained(i):
    return relief(
        i,
        None if i.get("relief_signs") in ("dripping", "discharging") else word(i, "relief_signs", "stained"),
    )


def fill_connected(i, answer):
    """Where the connection is not recorded, a fill setting or a device shows that there is one."""
    connection, device = i.get("fill_connection"), i.get("backflow_device")
    if connection in ("none", "feeder_tank"):
        return NOT_APPLICABLE
    return (
        None
        if connection is None and i.get("fill_setting_psig") is None and device in (None, "none")
        else answer
    )


def what_is_added(i):
    """(antifreeze or treatment in the loop, antifreeze of whatever kind); None where it cannot be told."""
    antifreeze, some = i.get("antifreeze"), bool(i.get("antifreeze_percent"))
    glycol = antifreeze in ("propylene_glycol", "ethylene_glycol") or some and antifreeze is None
    if not glycol and antifreeze is None:
        glycol = None
    treated = {"yes": True, "no": False}.get(i.get("water_treatment"))
    return any_of(treated, glycol), glycol


def contradicts(i):
    return i.get("antifreeze") == "none" and bool(i.get("antifreeze_percent"))


def antifreeze_on_automatic_fill(i):
    _, glycol = what_is_added(i)
    if contradicts(i):
        return None
    return NOT_APPLICABLE if glycol is False else glycol and word(i, "fill_connection", "automatic")


def antifreeze_with_single_wall_coil(i):
    added, _ = what_is_added(i)
    coil, wall = i.get("domestic_coil"), i.get("coil_wall")
    if coil == "none":
        return NOT_APPLICABLE
    if contradicts(i):
        return None
    if added is False:
        return NOT_APPLICABLE
    if missing(added, coil, wall):
        return None
    accepted = i.rules.accepted["antifreeze_with_single_wall"]
    harmless = i.get("antifreeze") in accepted and i.get("water_treatment") != "yes"
    return wall == "single" and not harmless


def backflow_insufficient(i):
    device, antifreeze, treated = i.get("backflow_device"), i.get("antifreeze"), i.get("water_treatment")
    if device == "none":
        return NOT_APPLICABLE
    if device is None:
        return fill_connected(i, None)
    plain, strict = (
        device in i.rules.accepted["backflow_without_additives"],
        device in i.rules.accepted["backflow_with_additives"],
    )
    some = bool(i.get("antifreeze_percent"))
    if (
        antifreeze in ("propylene_glycol", "ethylene_glycol")
        or treated == "yes"
        or some
        and antifreeze is None
    ):
        return fill_connected(i, not strict)
    if antifreeze == "none" and treated == "no" and not some:
        return fill_connected(i, not plain)
    return fill_connected(i, False if plain and strict else None if plain or strict else True)


def backflow_test_overdue(i):
    device, water, accepted = (
        i.get("backflow_device"),
        i.get("water_source"),
        i.rules.accepted["backflow_tested_on_supply"],
    )
    if (
        device is not None
        and device not in i.rules.accepted["backflow_tested"]
        or water is not None
        and water not in accepted
    ):
        return NOT_APPLICABLE
    tested, visited = i.get("backflow_tested_on"), i.get("inspected_on")
    if (
        missing(device, tested)
        or water is None
        and not {"public", "well"} <= set(accepted)
        or tested > visited
    ):
        return None
    return tested < months_before(visited, int(i.rules.backflow_test_months))


def months_before(day, months):
    """The same day of the month some months earlier; the last of that month where it is shorter."""
    year, month = divmod(day.year * 12 + day.month - 1 - months, 12)
    return day.replace(year=year, month=month + 1, day=min(day.day, monthrange(year, month + 1)[1]))


def vent_cap_tight(i):
    kind, cap = i.get("tank_type"), i.get("vent_cap")
    return (
        NOT_APPLICABLE
        if kind == "plain_steel" or cap == "no_vent"
        else None
        if kind is None
        else word(i, "vent_cap", "tight")
    )


def low_water_cutoff_missing(i):
    """Each switch may be accepted at some boilers; the old word may mean either."""
    found, kind, old = i.get("low_water_cutoff"), i.get("boiler_kind"), "flow_or_pressure_switch"
    if found is None:
        return None

    def accepted(switch, at):
        at_any, at_forced_flow = (
            i.rules.accepted[name] for name in ("low_water_cutoff", "low_water_cutoff_forced_flow")
        )
        names = (switch, old) if switch in ("flow_switch", "pressure_switch") else (switch,)
        return any(name in at_any or at and name in at_forced_flow for name in names)

    meanings = ("flow_switch", "pressure_switch") if found == old else (found,)
    forced_flow = kind in ("water_tube", "coil")
    if all(accepted(one, forced_flow) for one in meanings):
        return False
    return None if any(accepted(one, forced_flow or kind is None) for one in meanings) else True


def low_water_cutoff_failed(i):
    if i.get("low_water_cutoff") == "no":
        return NOT_APPLICABLE
    return (
        None if i.get("low_water_cutoff_test") == "not_tested" else word(i, "low_water_cutoff_test", "failed")
    )


def hot_above_high_limit(i):
    hot, limit = i.get("hot_temperature_f"), i.get("high_limit_f")
    return None if missing(hot, limit) else over(hot, limit + i.rules.limit_overshoot_f)


def makeup_excessive(i, fleet, visit):
    if (before := fleet.metered_before(visit)) is None:
        return None
    gallons, days = (
        visit["makeup_meter_gal"] - before["makeup_meter_gal"],
        (visit["inspected_on"] - before["inspected_on"]).days,
    )
    return (
        None
        if days <= 0 or gallons < 0
        else over(gallons / (days / DAYS_A_MONTH), i.rules.makeup_gal_per_month)
    )


def anticipator_mismatch(i):
    thermostat, setting, current = i.get("thermostat"), i.get("anticipator_a"), i.get("controlled_current_a")
    if thermostat == "digital":
        return NOT_APPLICABLE
    off = (
        None
        if missing(setting, current)
        else over(
            abs(setting - current), max(i.rules.anticipator_share * current, i.rules.anticipator_least_a)
        )
    )
    return None if thermostat is None else off


# ---- readings about readings: True odd, False not


def precharge_under_pressure(i):
    side = None if i.get("precharge_psig") is None else i.get("precharge_system_side")
    return tank_of(i, DIAPHRAGM, None if side is None else side == "pressurized" and not i.charge_no_echo)


def precharge_echoes_system(i):
    """A number copied, or the system's pressure as it stands at the tank."""
    if i.get("precharge_system_side") is not None:
        return NOT_APPLICABLE
    charge, setting = i.get("precharge_psig"), i.get("fill_setting_psig")

    def echoes(pressure):
        if missing(charge, pressure):
            return None
        apart = [charge - pressure] if i.lift is None else [charge - pressure, charge - pressure + i.lift]
        if all(over(abs(one), i.rules.echo_within_psi) for one in apart):
            return False
        return None if setting is None else over(abs(pressure - setting), i.rules.echo_off_setting_psi)

    return tank_of(
        i, DIAPHRAGM, any_of(echoes(i.get("cold_pressure_psig")), echoes(i.get("hot_pressure_psig")))
    )


def pressure_did_not_rise(i):
    """Odd where a sound tank and half of the water would have shown a rise, and none was seen."""
    if missing(i.rise_due, i.hot):
        return None
    due = {i.rise_due_of(share) for share in i.volume_range()}
    unseen = under(i.hot - i.cold, i.rules.rise_seen_psi)
    return None if unseen and len(due) > 1 else i.rise_due and unseen


def cold_reading_hot(i):
    return None if i.get("cold_temperature_f") is None else i.cold_is_warm


def readings_repeated(i, fleet, visit):
    return fleet.repeated_elsewhere(visit, i.rules.repeated_within_days)


def system_changed_unexplained(i, fleet, visit):
    return home_by_home.changed_unexplained(fleet.of_home(visit), visit["inspection_id"])


def home_id_reused(i, fleet, visit):
    return home_by_home.other_address(fleet.of_home(visit), visit["inspection_id"])


def passed_but_readings_disagree(i, outcomes, certain):
    """Passed beside a danger that is sure."""
    said, kind = i.get("stated_result"), i.get("inspection_kind")
    if kind == "initial":
        return NOT_APPLICABLE
    if missing(said, kind):
        return None
    return said == "pass" and any(
        outcomes[check] == DEFICIENT and certain.get(check, 1.0) >= i.rules.sure_certainty
        for check in SAFETY_CRITICAL
    )


ALONE = {
    "cold-pressure-low": lambda i: cold_pressure(i, under, i.required_cold),
    "cold-pressure-high": lambda i: cold_pressure(i, over,
        None if i.should_have is None else i.should_have + i.rules.cold_high_margin_psi),
    "fill-pressure-off-setting": fill_pressure_off_setting,
    "supply-pressure-high": lambda i: None if i.get("supply_pressure_psig") is None
    else over(i.get("supply_pressure_psig"), i.rules.supply_high_psig),
    "hot-pressure-near-relief": lambda i: near_relief(i, i.hot),
    "predicted-pressure-near-relief": predicted_pressure_near_relief,
    "tank-missing": lambda i: word(i, "tank_type", "none"),
    "tank-valved-off": lambda i: tank_of(i, ANY_TANK, word(i, "tank_valve", "closed")),
    "tank-undersized": tank_undersized,
    "tank-cushion-lost": tank_cushion_lost,
    "tank-diaphragm-failed": lambda i: tank_of(i, DIAPHRAGM, word(i, "tank_air_valve", "water")),
    "tank-sounds-full": lambda i: tank_of(i, ANY_TANK, word(i, "tank_tap", "full")),
    "precharge-low": lambda i: precharge(i, under, -i.rules.charge_tolerance_psi),
    "precharge-high": lambda i: precharge(i, over, i.rules.charge_tolerance_psi),
    "relief-missing": relief_missing,
    "relief-isolated": lambda i: relief(i, word(i, "relief_mounting", "valve_between")),
    "relief-did-not-open": relief_did_not_open,
    "pressure-above-plate": pressure_above_plate,
    "relief-set-above-boiler": lambda i: relief_number(i, over, i.relief_setting,
        i.get("boiler_max_pressure_psig")),
    "relief-capacity-short": lambda i: relief_number(i, under, i.get("relief_capacity_btuh"),
        i.get("boiler_output_btuh")),
    "relief-discharge-hidden": lambda i: relief(i, word(i, "relief_discharge_end", "crawlspace",
        "concealed")),
    "relief-discharge-unpiped": lambda i: relief(i, any_of(word(i, "relief_discharge_end", "none"),
        word(i, "relief_discharge_pipe", "ends_high"))),
    "relief-discharge-blocked": lambda i: discharge_pipe(i, "capped", "valved"),
    "relief-discharge-restricted": lambda i: discharge_pipe(i, "reduced", "trapped"),
    "relief-discharging": lambda i: relief(i, word(i, "relief_signs", "dripping", "discharging")),
    "relief-stained": relief_stained,
    "backflow-missing": lambda i: fill_connected(i, word(i, "backflow_device", "none")),
    "backflow-insufficient": backflow_insufficient,
    "antifreeze-on-automatic-fill": antifreeze_on_automatic_fill,
    "antifreeze-with-single-wall-coil": antifreeze_with_single_wall_coil,
    "backflow-test-overdue": backflow_test_overdue,
    "vent-cap-tight": vent_cap_tight,
    "vent-with-compression-tank": lambda i: tank_of(i, ("plain_steel",), word(i, "vent_cap", "loose")),
    "low-water-cutoff-missing": low_water_cutoff_missing,
    "low-water-cutoff-failed": low_water_cutoff_failed,
    "gauge-missing-or-stuck": lambda i: word(i, "boiler_gauge", "stuck", "missing"),
    "hot-above-high-limit": hot_above_high_limit,
    "leak-seen": lambda i: word(i, "leaks_seen", "weeping", "dripping"),
    "anticipator-mismatch": anticipator_mismatch,
    "precharge-under-pressure": precharge_under_pressure,
    "precharge-echoes-system": precharge_echoes_system,
    "pressure-did-not-rise": pressure_did_not_rise,
    "cold-reading-hot": cold_reading_hot,
}  # fmt: skip
BESIDE_OTHERS = {
    "makeup-excessive": makeup_excessive,
    "readings-repeated": readings_repeated,
    "system-changed-unexplained": system_changed_unexplained,
    "home-id-reused": home_id_reused,
}
LAST = "passed-but-readings-disagree"
# Said also where another heating system stands, if so.
OF_ANY_SYSTEM = ("readings-repeated", "system-changed-unexplained", "home-id-reused")
# Below it the outcome is too close to call.
LEAST_CERTAINTY = dict.fromkeys(("pressure-above-plate", "relief-did-not-open"), "boiler_stop_certainty")
SAID = {True: DEFICIENT, False: OK, None: NOT_VERIFIED, NOT_APPLICABLE: NOT_APPLICABLE}
TOLD = (OK, DEFICIENT)


def judge(visit, rules, fleet, place=None, with_certainty=True):
    """Recomputed quantities, and outcome and certainty of every check of
    one inspection: {"quantities": {…}, "outcomes": {…}, "certainty": {…}}.

    `visit` is field → number, word or date, None or absent where not recorded; `fleet` holds it and all
    others. Certainty is that of the outcomes ok and deficient, also where it then makes them too close to
    call. Without certainty every outcome counts as certain enough, and there is none in the answer.
    """
    inspection, certain = Inspection(visit, rules, place), {}
    if inspection.standing is not None or inspection.looks_like_something_else:
        outcomes = dict.fromkeys((*ALONE, *BESIDE_OTHERS, LAST), inspection.standing or NOT_VERIFIED)
        for check in OF_ANY_SYSTEM:
            if inspection.standing == NOT_APPLICABLE and BESIDE_OTHERS[check](inspection, fleet, visit):
                outcomes[check], certain[check] = DEFICIENT, 1.0
        return {"quantities": inspection.quantities(), "outcomes": outcomes, "certainty": certain}
    outcomes = {check: SAID[function(inspection)] for check, function in ALONE.items()}
    outcomes |= {check: SAID[function(inspection, fleet, visit)] for check, function in BESIDE_OTHERS.items()}
    if with_certainty:
        certain = {
            check: certainty(check, inspection, outcome == DEFICIENT)
            for check, outcome in outcomes.items()
            if outcome in TOLD
        }
        for check, limit in LEAST_CERTAINTY.items():
            if check in certain and certain[check] < getattr(rules, limit):
                outcomes[check] = NOT_VERIFIED
    outcomes[LAST] = SAID[passed_but_readings_disagree(inspection, outcomes, certain)]
    if with_certainty and outcomes[LAST] in TOLD:
        certain[LAST] = 1.0
    return {"quantities": inspection.quantities(), "outcomes": outcomes, "certainty": certain}
