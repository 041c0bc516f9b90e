"""An invented heating system: how it is drawn, how it
fails, what mending does, and what is truly wrong with it.
"""

import math
from dataclasses import dataclass
from datetime import date, timedelta
from random import Random

from physics import (
    atmosphere_psia,
    density_lb_ft3,
    hot_pressure_psia,
    net_expansion,
    required_tank_gal,
    static_psi,
)

TANK_GAL = (1.5, 2.0, 3.0, 4.5, 6.5, 9.0, 13.0, 18.0, 26.0, 36.0, 52.0, 75.0, 110.0, 160.0)
LITERS_PER_KW = {
    "fin_tube": 6,
    "convector": 6,
    "cast_iron_radiator": 14,
    "panel_radiator": 11,
    "radiant_floor": 20,
    "fan_coil": 8,
}
VENTED_OR_BETTER = ("dual_check_vented", "reduced_pressure", "air_gap")
AGAINST_CHEMICALS = ("reduced_pressure", "air_gap")

MEASURE_FOR = {
    "cold-pressure-low": "set-fill-pressure", "cold-pressure-high": "set-fill-pressure",
    "fill-pressure-off-setting": "set-fill-pressure",
    "supply-pressure-high": "fit-supply-regulator", "tank-missing": "replace-tank",
    "tank-valved-off": "open-tank-valve",
    "tank-undersized": "replace-tank", "tank-cushion-lost": "replace-tank",
    "tank-diaphragm-failed": "replace-tank",
    "precharge-low": "set-charge", "precharge-high": "set-charge", "relief-missing": "replace-relief-valve",
    "relief-isolated": "remount-relief-valve", "relief-did-not-open": "replace-relief-valve",
    "relief-set-above-boiler": "replace-relief-valve", "relief-capacity-short": "replace-relief-valve",
    "relief-discharge-hidden": "repipe-relief-discharge",
    "relief-discharge-unpiped": "repipe-relief-discharge",
    "relief-discharge-blocked": "repipe-relief-discharge",
    "relief-discharge-restricted": "repipe-relief-discharge",
    "relief-discharging": "replace-relief-valve", "relief-stained": "replace-relief-valve",
    "backflow-missing": "fit-backflow-preventer", "backflow-insufficient": "fit-backflow-preventer",
    "backflow-test-overdue": "test-backflow-preventer", "vent-cap-tight": "loosen-vent-cap",
    "vent-with-compression-tank": "replace-vent-by-plug", "low-water-cutoff-missing": "fit-low-water-cutoff",
    "low-water-cutoff-failed": "fit-low-water-cutoff", "gauge-missing-or-stuck": "replace-gauge",
    "leak-seen": "repair-leak",
    "anticipator-mismatch": "set-anticipator",
}  # fmt: skip

# Shares of closed hot-water systems that have the fault when first seen. Invented.
FAULT_SHARES = {
    "cushion_lost": 0.080, "overcharged": 0.060, "undercharged": 0.070, "undersized": 0.060,
    "tank_missing": 0.008, "tank_valved_off": 0.012,
    "fill_creeps": 0.035, "fill_shut": 0.025, "supply_high": 0.06, "relief_missing": 0.007,
    "relief_isolated": 0.012,
    "relief_set_high": 0.018, "relief_small": 0.02, "discharge_hidden": 0.05, "discharge_unpiped": 0.06,
    "discharge_blocked": 0.011,
    "discharge_restricted": 0.035, "relief_worn": 0.02, "backflow_none": 0.045, "backflow_weak": 0.06,
    "vent_tight": 0.07,
    "cutoff_missing": 0.12, "cutoff_failed": 0.012, "gauge_bad": 0.03, "leak": 0.06, "anticipator_off": 0.12,
}  # fmt: skip
TANK_FAULTS = ("cushion_lost", "overcharged", "undercharged", "undersized", "tank_missing", "tank_valved_off")


class Dice:
    """Chance built on `random()` alone, the one draw Python promises to
    repeat for ever from the same start.
    """

    def __init__(self, source):
        self.source = source

    def chance(self, share):
        return self.source.random() < share

    def between(self, low, high):
        return low + (high - low) * self.source.random()

    def whole(self, low, high):
        return low + int((high - low + 1) * self.source.random())

    def normal(self, sd, clip=3.0):
        """Normal deviate by Box and Muller, cut at `clip` standard deviations."""
        value = math.sqrt(-2 * math.log(1 - self.source.random())) * math.cos(
            2 * math.pi * self.source.random()
        )
        return sd * min(max(value, -clip), clip)

    def pick(self, weights):
        """One key of `weights`, or one item of a plain sequence."""
        if not isinstance(weights, dict):
            return weights[int(len(weights) * self.source.random())]
        at = self.source.random() * sum(weights.values())
        for item, weight in weights.items():
            at -= weight
            if at < 0:
                return item
        return item


@dataclass
class System:
    """One closed hot-water loop as it truly is. `gas_psia_gal`
    is what the cushion holds, pressure times volume at 60 °F.
    """

    elevation_ft: float
    stories: float
    boiler_level: str
    height_ft: float
    output_btuh: int
    emitter: str
    pipe: str
    fluid: str
    percent: int
    treatment: str
    loop_gal: float
    buffer_gal: float
    limit_f: int
    boiler_max_psig: float
    boiler_min_psig: float | None
    boiler_year: int
    fuel: str
    coil: str
    water_source: str
    supply_psig: float
    fill_connection: str
    fill_mark_psig: float
    heated_area_ft2: int = 0
    tank_type: str = "diaphragm"
    tank_plate_gal: float = 0.0
    tank_gal: float = 0.0
    hangs_ft: float = 0.0  # floor or attic where the tank hangs, above the gauge
    tank_above_ft: float = 0.0
    tank_valve: str = "none"
    air_valve: str = "air"
    charge_psig: float | None = (
        None  # what the air valve shows at zero system pressure, 60 °F
    )
    gas_psia_gal: float = 0.0
    pocket_gal: float = 0.0
    fill_off_psi: float = 0.0
    relief_present: bool = True
    relief_setting_psig: float = 30.0
    relief_capacity_btuh: int = 0
    relief_mounting: str = "on_boiler"
    discharge_end: str = "visible_drain"
    discharge_pipe: str = "full_size"
    relief_worn: bool = False
    relief_stuck: bool = False
    stained: bool = False
    device: str = "dual_check_vented"
    tested_on: date | None = None
    tested_yearly: bool = True
    vent_cap: str = "loose"
    thermostat: str = "digital"
    anticipator_a: float = 0.0
    current_a: float = 0.0
    cutoff: str = "probe_or_float"
    cutoff_works: bool = True
    gauge: str = "works"
    gauge_bias_psi: float = 0.0
    leaks: str = "none"
    meter_gal: float | None = None
    volume_error: float = 1.0
    height_error_ft: float = 0.0

    @property
    def atmosphere(self):
        return atmosphere_psia(self.elevation_ft)

    @property
    def static(self):
        """Also of a tank that hangs above all else."""
        tank_ft = self.tank_above_ft if self.tank_type != "none" else 0.0
        return static_psi(max(self.height_ft, tank_ft), self.fluid, self.percent)

    @property
    def lift_psi(self):
        """What the tank feels less than the gauge shows."""
        return density_lb_ft3(60, self.fluid, self.percent) * self.tank_above_ft / 144

    @property
    def charge_due_psig(self):
        """What a crew charges the tank to: the fill valve's mark, as it stands at the tank."""
        return self.fill_mark_psig - self.lift_psi

    def fill_at_tank_psig(self, cold_psig):
        """The fill pressure that this loop has: of the valve that holds it, else what stands there cold."""
        by_valve = self.fill_connection in ("automatic", "manual")
        return (self.fill_mark_psig if by_valve else cold_psig) - self.lift_psi

    @property
    def required_cold_psig(self):
        return max(self.static + 4, self.boiler_min_psig or 0)

    @property
    def should_have_psig(self):
        """12 psi or what the height needs; the marked setting
        of the fill valve where it lies within 3 psi of that.
        """
        needed = max(12.0, self.required_cold_psig)
        return self.fill_mark_psig if abs(self.fill_mark_psig - needed) <= 3 else needed

    @property
    def water_gal(self):
        return self.loop_gal + self.buffer_gal

    @property
    def sizing_limit_f(self):
        return 120 if self.emitter == "radiant_floor" else self.limit_f

    @property
    def nominal_gas_psia_gal(self):
        """Gas in a tank of this shell at the charge its air valve
        shows; where none can be read, at the charge it should have.

        A steel tank without diaphragm is charged with air at local atmosphere.
        """
        due = self.should_have_psig - self.lift_psi
        charge = due if self.charge_psig is None else self.charge_psig
        return self.tank_gal * (self.atmosphere + (0 if self.tank_type == "plain_steel" else charge))

    def expansion(self, cold_f, hot_f):
        return self.water_gal * net_expansion(cold_f, hot_f, self.pipe, self.fluid, self.percent)

    def required_tank(self, tank_type=None):
        air = self.atmosphere if (tank_type or self.tank_type) == "plain_steel" else None
        allowed, over = 0.9 * self.relief_setting_psig, self.atmosphere - self.lift_psi
        return required_tank_gal(
            self.expansion(60, self.sizing_limit_f), self.should_have_psig + over, allowed + over, air
        )

    def has_gas(self):
        return self.tank_type not in ("none", "open") and self.tank_valve != "closed"

    def hot_psig(
        self, cold_psig, cold_f, hot_f, gas_psia_gal=None, pocket_gal=None, gas_cold_f=60.0, gas_hot_f=60.0
    ):
        """Pressure hot at the gauge, as if there were no relief valve; infinite without a cushion. The gas is
        balanced at the tank.
        """
        gas = self.gas_psia_gal if gas_psia_gal is None else gas_psia_gal
        pocket = self.pocket_gal if pocket_gal is None else pocket_gal
        if not self.has_gas() or gas <= 0:
            return math.inf
        expansion, over = self.expansion(cold_f, hot_f), self.atmosphere - self.lift_psi
        return (
            hot_pressure_psia(
                gas, pocket, cold_psig + over, expansion, self.water_gal, gas_cold_f, gas_hot_f
            )
            - over
        )

    def charge_to(self, charge_psig):
        """Fill the whole shell with air at this charge, water side empty."""
        self.charge_psig = charge_psig
        self.gas_psia_gal = (charge_psig + self.atmosphere) * self.tank_gal
        self.pocket_gal = self.tank_gal

    def fit_tank(self, dice, tank_type, *, scant=False):
        """Hang the next larger shell with room to spare, or one too small, and charge it rightly."""
        self.tank_type, self.tank_valve, self.air_valve = tank_type, dice.pick({"none": 6, "open": 4}), "air"
        self.tank_above_ft = self.hangs_ft + round(2 * dice.between(-0.5, 4)) / 2
        required = self.required_tank(tank_type) or TANK_GAL[-1]
        spare = 1.28 if self.should_have_psig <= 15 else 1.5
        fits = (
            [gal for gal in TANK_GAL if gal < 0.75 * required]
            if scant
            else [gal for gal in TANK_GAL if gal >= spare * required]
        )
        self.tank_plate_gal = (fits[-1] if scant else fits[0]) if fits else TANK_GAL[0 if scant else -1]
        self.tank_gal = self.tank_plate_gal * (1 + dice.normal(0.03, 2))
        if tank_type == "plain_steel":
            self.gas_psia_gal, self.pocket_gal, self.charge_psig = (
                self.nominal_gas_psia_gal * dice.between(0.88, 1.0),
                self.tank_gal,
                None,
            )
        else:
            self.charge_to(self.charge_due_psig + dice.normal(0.4, 2.5))


def draw_system(dice, elevation_ft):
    """A sound loop for a house at this elevation."""
    stories = dice.pick({1: 35, 1.5: 12, 2: 40, 2.5: 5, 3: 8})
    level = dice.pick({"basement": 75, "lowest_floor": 19, "top_or_attic": 6})
    top = {"basement": 9 * stories - 2, "lowest_floor": 9 * (stories - 1), "top_or_attic": 0}[level]
    height = max(0.5, top + dice.between(-3.0, 1.5)) if level != "top_or_attic" else dice.between(-6, 0.5)
    emitter = dice.pick(
        {
            "fin_tube": 45,
            "cast_iron_radiator": 28,
            "panel_radiator": 12,
            "convector": 8,
            "radiant_floor": 6,
            "fan_coil": 4,
        }
    )
    output = 5000 * round((26_000 + 22_000 * stories + dice.between(0, 30_000)) / 5000)
    loop = output / 3412.14 * LITERS_PER_KW[emitter] * 0.264172 * math.exp(dice.normal(0.2, 2))
    fluid = dice.pick({"none": 90, "propylene_glycol": 8, "ethylene_glycol": 2})
    boiler_max = dice.pick({30: 88, 50: 12})
    system = System(
        elevation_ft=elevation_ft, stories=stories, boiler_level=level, height_ft=height, output_btuh=output,
        emitter=emitter,
        pipe="pex" if emitter == "radiant_floor" else dice.pick({"copper": 70, "steel": 26,
            "pex": 4}) if emitter != "cast_iron_radiator" else dice.pick({"steel": 75, "copper": 25}),
        fluid=fluid, percent=dice.pick((30, 40, 50)) if fluid != "none" else 0,
        treatment=dice.pick({"no": 88, "yes": 12}),
        loop_gal=loop, buffer_gal=dice.pick((20.0, 26.0, 40.0)) if dice.chance(0.03) else 0.0,
        limit_f=dice.pick({180: 60, 185: 12, 190: 20,
            200: 8}) if emitter != "radiant_floor" else dice.pick((140, 150)),
        boiler_max_psig=float(boiler_max), boiler_min_psig=dice.pick({None: 60, 5.0: 25, 8.0: 15}),
        boiler_year=dice.whole(1978, 2022),
        fuel=dice.pick({"natural gas": 60, "oil": 25, "propane": 15}),
        coil=dice.pick({"none": 60, "indirect": 25, "tankless": 15}),
        water_source=dice.pick({"public": 78, "well": 22}), supply_psig=dice.between(46, 73),
        fill_connection=dice.pick({"automatic": 86, "manual": 11, "feeder_tank": 2, "none": 1}),
        fill_mark_psig=12.0,
    )  # fmt: skip
    apart = Dice(Random(f"tank {loop!r}"))  # of its own, so that all else stays as it was drawn
    system.hangs_ft = apart.pick(
        {0.0: 80, -4.0: 4, -9.0: 4, -18.0: 3, -24.5: 2, 7.0: 3, 14.0: 2, 20.0: 1, 26.0: 1}
    )
    system.tank_above_ft = system.hangs_ft + 1 if system.hangs_ft > 0 else 0.0
    system.heated_area_ft2 = 10 * round(output / 30 * apart.between(0.75, 1.35) / 10)
    system.fill_mark_psig = max(12.0, float(math.ceil(system.required_cold_psig + 1.5)))
    system.relief_setting_psig = 30.0 if boiler_max == 30 else float(dice.pick((30, 45, 50)))
    if system.fill_mark_psig > 17 and system.relief_setting_psig == 30 and dice.chance(0.5):
        system.boiler_max_psig = system.relief_setting_psig = 50.0
    system.relief_capacity_btuh = 5000 * round(output * dice.between(1.25, 3.5) / 5000)
    system.discharge_end = dice.pick({"visible_drain": 70, "visible_pan": 18, "outdoors": 12})
    system.device = dice.pick(
        {"reduced_pressure": 90, "air_gap": 10}
        if _chemicals(system)
        else {"dual_check_vented": 78, "reduced_pressure": 18, "air_gap": 4}
    )
    system.tested_on, system.tested_yearly = (
        date(2025, 2, 20) - timedelta(days=dice.whole(20, 330)),
        dice.chance(0.75),
    )
    system.thermostat = dice.pick({"digital": 66, "mechanical": 34})
    system.current_a = dice.pick((0.2, 0.3, 0.4, 0.45, 0.6, 0.8))
    system.anticipator_a = max(0.1, system.current_a + dice.between(-0.02, 0.02))
    system.gauge_bias_psi = dice.normal(1.0)
    system.meter_gal = dice.between(5, 900) if dice.chance(0.1) else None
    system.volume_error = 1 + dice.normal(0.10, 2.5)
    system.height_error_ft = dice.normal(0.5)
    old = emitter == "cast_iron_radiator" and system.boiler_year < 2005
    system.fit_tank(
        dice,
        "plain_steel" if dice.chance(0.45 if old else 0.06) else dice.pick({"diaphragm": 98, "built_in": 2}),
    )
    if system.tank_type == "plain_steel":
        system.vent_cap = dice.pick({"no_vent": 72, "loose": 24, "tight": 4})
    elif dice.chance(0.05):
        system.vent_cap = "no_vent"
    return system


def _chemicals(system):
    return system.fluid != "none" or system.treatment == "yes"


def age(system, dice):
    """Plant what is wrong when the system is first seen; at most one fault of the tank."""
    roll, tank_fault = dice.between(0, 1), None
    for fault in TANK_FAULTS:
        share = FAULT_SHARES[fault] * (
            2.5
            if fault == "cushion_lost" and system.tank_type == "plain_steel" and system.vent_cap == "loose"
            else 1
        )
        if tank_fault is None and roll < share:
            tank_fault = fault
        roll -= share
    if tank_fault:
        plant(system, dice, tank_fault)
    if system.fill_mark_psig > 13 and dice.chance(0.3):
        plant(system, dice, "fill_left_at_12")
    for fault, share in FAULT_SHARES.items():
        if fault not in TANK_FAULTS and dice.chance(share):
            plant(system, dice, fault)


def plant(system, dice, fault):
    """Put one fault into a system; does nothing where the fault cannot be."""
    s = system
    if fault in ("overcharged", "undercharged") and s.tank_type != "diaphragm":
        return
    if fault in ("cushion_lost", "undersized") and s.tank_type not in ("diaphragm", "plain_steel"):
        return
    if fault == "cushion_lost":
        left = dice.between(0.05, 0.28) if dice.chance(0.85) else dice.between(0.28, 0.48)
        if s.tank_type == "plain_steel":
            s.gas_psia_gal = left * s.nominal_gas_psia_gal
            return
        if dice.chance(0.65):  # holed, water on both sides of the diaphragm: no charge can be read
            s.charge_psig, s.air_valve = None, "water" if dice.chance(0.85) else "air"
            s.gas_psia_gal = left * s.nominal_gas_psia_gal
        else:  # a pocket of air over trapped water, which still shows its charge
            s.charge_psig = s.charge_due_psig + dice.normal(0.4, 2.5)
            s.gas_psia_gal = left * s.nominal_gas_psia_gal
            s.pocket_gal = s.gas_psia_gal / (s.charge_psig + s.atmosphere)
    elif fault == "overcharged":
        shift = atmosphere_psia(0) - s.atmosphere
        high_up = shift > 2.8 and s.fill_mark_psig < 13 and s.hangs_ft == 0 and dice.chance(0.5)
        s.charge_to(
            12 + shift + dice.between(0.1, 0.7) if high_up else s.charge_due_psig + dice.between(4, 9.5)
        )
    elif fault == "undercharged":
        flat = dice.chance(0.15)  # nearly all the air gone through the stem, the diaphragm whole
        s.charge_to(dice.between(0.3, 2.0) if flat else max(1.0, s.charge_due_psig - dice.between(4, 8.5)))
    elif fault == "undersized":
        s.fit_tank(dice, s.tank_type, scant=True)
    elif fault == "tank_missing":
        s.tank_type, s.tank_gal, s.tank_plate_gal, s.charge_psig, s.gas_psia_gal, s.tank_valve = (
            "none",
            0.0,
            0.0,
            None,
            0.0,
            "none",
        )
    elif fault == "tank_valved_off":
        s.tank_valve = "closed"
    elif fault == "fill_left_at_12" and s.hangs_ft <= 0:
        s.fill_mark_psig = 12.0
        if (
            s.tank_type == "diaphragm"
            and s.charge_psig is not None
            and s.air_valve == "air"
            and s.pocket_gal == s.tank_gal
        ):
            s.charge_to(s.charge_due_psig + dice.normal(0.4, 2.5))
    elif fault == "fill_creeps":
        s.fill_off_psi = dice.between(6.5, 10)
    elif fault == "fill_shut":
        s.fill_connection, s.fill_off_psi = "valved_off", -dice.between(5, 9)
    elif fault == "supply_high":
        s.supply_psig = dice.between(86, 118)
    elif fault == "relief_missing":
        s.relief_present = False
    elif fault == "relief_isolated":
        s.relief_mounting = "valve_between"
    elif fault == "relief_set_high" and s.boiler_max_psig == 30:
        s.relief_setting_psig = float(dice.pick((45, 50, 75)))
    elif fault == "relief_small":
        s.relief_capacity_btuh = 5000 * max(1, int(s.output_btuh * dice.between(0.45, 0.85) / 5000))
    elif fault == "discharge_hidden":
        s.discharge_end = dice.pick(("crawlspace", "concealed"))
    elif fault == "discharge_unpiped":
        s.discharge_end, s.discharge_pipe = (
            ("none", "full_size") if dice.chance(0.6) else (s.discharge_end, "ends_high")
        )
    elif fault == "discharge_blocked" and s.discharge_end != "none":
        s.discharge_pipe = dice.pick(("capped", "valved"))
    elif fault == "discharge_restricted" and s.discharge_end != "none":
        s.discharge_pipe = dice.pick(("reduced", "trapped"))
    elif fault == "relief_worn":
        s.relief_worn = True
    elif fault == "backflow_none":
        s.device = "none"
    elif fault == "backflow_weak":
        s.device = dice.pick({"single_check": 5, "dual_check": 4, "double_check": 3})
        if _chemicals(s) and dice.chance(0.5):
            s.device = "dual_check_vented"
    elif fault == "vent_tight" and s.vent_cap == "loose":
        s.vent_cap = "tight"
    elif fault == "cutoff_missing":
        s.cutoff = dice.pick({"flow_or_pressure_switch": 4, "no": 6})
    elif fault == "cutoff_failed" and s.cutoff == "probe_or_float":
        s.cutoff_works = False
    elif fault == "gauge_bad":
        s.gauge = dice.pick({"stuck": 7, "missing": 3})
    elif fault == "leak":
        s.leaks = dice.pick({"weeping": 7, "dripping": 3})
    elif fault == "anticipator_off" and s.thermostat == "mechanical":
        s.anticipator_a = min(1.2, s.current_a * dice.pick((0.45, 0.55, 1.6, 2.0)))


def mend(system, dice, measure, on, *, wrong_charge=False):
    """Carry out one measure. `wrong_charge`: the crew leaves the charge as the tank came from the shop."""
    s = system
    if measure == "replace-tank":
        s.fit_tank(dice, "diaphragm")
        if s.vent_cap == "no_vent":
            s.vent_cap = "loose"
        measure = "set-charge"
    if measure == "drain-tank" and s.tank_type == "plain_steel":
        s.gas_psia_gal = s.nominal_gas_psia_gal * dice.between(0.9, 1.0)
    elif (
        measure == "set-charge"
        and s.tank_type == "diaphragm"
        and s.air_valve == "air"
        and s.charge_psig is not None
        and s.pocket_gal == s.tank_gal
    ):
        shop = 12 + atmosphere_psia(0) - s.atmosphere + dice.between(4, 9)
        s.charge_to(shop if wrong_charge else s.charge_due_psig + dice.normal(0.4, 2.5))
    elif measure == "set-fill-pressure":
        before = s.fill_mark_psig
        s.fill_off_psi, s.fill_mark_psig = 0.0, max(12.0, float(math.ceil(s.required_cold_psig + 1.5)))
        s.fill_connection = "automatic" if s.fill_connection == "valved_off" else s.fill_connection
        if s.fill_mark_psig != before:
            mend(s, dice, "set-charge", on)
    elif measure == "fit-supply-regulator":
        s.supply_psig = dice.between(50, 65)
    elif measure == "open-tank-valve":
        s.tank_valve = "open"
    elif measure == "replace-relief-valve":
        s.relief_present, s.relief_worn, s.relief_stuck, s.stained = True, False, False, False
        s.relief_setting_psig = min(s.relief_setting_psig, s.boiler_max_psig)
        s.relief_capacity_btuh = max(s.relief_capacity_btuh, 5000 * round(1.5 * s.output_btuh / 5000))
    elif measure == "remount-relief-valve":
        s.relief_mounting = "on_boiler"
    elif measure == "repipe-relief-discharge":
        s.discharge_end, s.discharge_pipe = "visible_drain", "full_size"
    elif measure == "fit-backflow-preventer":
        s.device, s.tested_on = ("reduced_pressure" if _chemicals(s) else "dual_check_vented"), on
    elif measure == "test-backflow-preventer":
        s.tested_on = on
    elif measure == "loosen-vent-cap" and s.vent_cap == "tight":
        s.vent_cap = "loose"
    elif measure == "replace-vent-by-plug" and s.tank_type == "plain_steel":
        s.vent_cap = "no_vent"
    elif measure == "fit-low-water-cutoff":
        s.cutoff, s.cutoff_works = "probe_or_float", True
    elif measure == "replace-gauge":
        s.gauge, s.gauge_bias_psi = "works", dice.normal(1.0)
    elif measure == "repair-leak":
        s.leaks = "none"
    elif measure == "set-anticipator":
        s.anticipator_a = s.current_a


@dataclass
class Moment:
    """What was truly so during one visit. `hot_free_psig` is the hot pressure had no relief valve opened."""

    on: date
    cold_f: float
    cold_psig: float
    hot_f: float
    hot_psig: float
    hot_free_psig: float
    predicted_limit_psig: float | None
    signs: str
    makeup_gal_per_month: float | None = None


def look(system, dice, on, *, zones_share=1.0):
    """True cold and hot state of one day; a relief valve that must open
    does, caps the pressure and shows it.
    """
    s = system
    while s.tested_yearly and (on - s.tested_on).days > 360:
        s.tested_on += timedelta(days=dice.whole(310, 350))
    cold_f = dice.between(57, 79)
    cold = max(1.0, s.fill_mark_psig + s.fill_off_psi + dice.between(0.1, 0.8))
    top = s.sizing_limit_f if s.emitter == "radiant_floor" else min(190, s.limit_f)
    hot_f = (
        dice.between(top - 14, top - 1)
        if s.emitter == "radiant_floor"
        else dice.between(max(162, top - 16), top)
    )
    mean_f = cold_f + (hot_f + dice.normal(6, 2) - cold_f) * zones_share
    room_f = dice.between(60, 72)
    free = s.hot_psig(cold, cold_f, mean_f, gas_cold_f=room_f, gas_hot_f=room_f + dice.between(0, 28))
    at_limit = s.hot_psig(cold, cold_f, s.sizing_limit_f)
    lifts_at = s.relief_setting_psig * (1 + dice.normal(0.015, 2))
    if max(free, at_limit) > 1.12 * s.relief_setting_psig and dice.chance(0.03):
        s.relief_stuck = True
    if not s.relief_present or s.relief_stuck:
        hot, opened = min(free, s.relief_setting_psig * dice.between(1.2, 1.5)), False
    else:
        opened = free > lifts_at
        hot = lifts_at - dice.between(0, 0.5) if opened else free
    at_times = at_limit > lifts_at and s.relief_present and not s.relief_stuck
    if opened or at_times:
        s.stained, signs = (
            True,
            dice.pick(
                {"stained": 40, "dripping": 40, "discharging": 20}
                if opened
                else {"stained": 75, "dripping": 25}
            ),
        )
    elif s.relief_stuck:
        signs = "dry"
    elif s.relief_worn:
        signs = dice.pick({"stained": 3, "dripping": 7})
    else:
        signs = "stained" if s.stained else "dry"
    predicted = _predicted_limit(s, cold, cold_f)
    return Moment(on, cold_f, cold, hot_f, hot, free, predicted, signs)


def _predicted_limit(s, cold_psig, cold_f):
    """Pressure at the limit of a tank whose whole shell holds the
    charge its air valve shows; None where no charge can be read.
    """
    if s.tank_type in ("built_in", "open"):
        return None
    if not s.has_gas():
        return math.inf
    charge_psia = (
        s.atmosphere
        if s.tank_type == "plain_steel"
        else None
        if s.charge_psig is None
        else s.charge_psig + s.atmosphere
    )
    return (
        None
        if charge_psia is None
        else s.hot_psig(cold_psig, cold_f, s.sizing_limit_f, charge_psia * s.tank_gal, s.tank_gal)
    )


def a_year_before(day):
    return day.replace(year=day.year - 1) if (day.month, day.day) != (2, 29) else date(day.year - 1, 2, 28)


def faults(system, moment):
    """What is truly wrong, per check id: True, False, or
    None where the question does not arise or cannot be told.
    """
    s, m = system, moment
    diaphragm, steel, relief = s.tank_type == "diaphragm", s.tank_type == "plain_steel", s.relief_present
    sized = s.tank_type in ("diaphragm", "plain_steel")
    required = s.required_tank() if sized else None
    fill = s.fill_connection in ("automatic", "manual", "valved_off")
    charged = diaphragm and s.charge_psig is not None
    piped = relief and s.discharge_end != "none"
    testable = s.device in ("reduced_pressure", "double_check") and s.water_source == "public"
    accepted = AGAINST_CHEMICALS if _chemicals(s) else VENTED_OR_BETTER
    near, highest = 0.9 * s.relief_setting_psig, max(m.cold_psig, m.hot_psig)
    held, wet = s.fill_at_tank_psig(m.cold_psig), m.signs in ("dripping", "discharging")

    def where(applies, wrong):
        return bool(wrong) if applies else None

    return {
        "cold-pressure-low": m.cold_psig < s.required_cold_psig,
        "cold-pressure-high": m.cold_psig > s.should_have_psig + 5,
        "fill-pressure-off-setting": where(s.fill_connection in ("automatic", "manual"),
            abs(m.cold_psig - s.fill_mark_psig) > 3),
        "supply-pressure-high": s.supply_psig > 80,
        "hot-pressure-near-relief": where(relief, m.hot_psig > near),
        "predicted-pressure-near-relief": where(relief and m.predicted_limit_psig is not None,
            relief and m.predicted_limit_psig is not None and m.predicted_limit_psig > near),
        "tank-missing": s.tank_type == "none",
        "tank-valved-off": where(s.tank_type != "none", s.tank_valve == "closed"),
        "tank-undersized": where(sized and relief and required is not None,
            sized and required is not None and s.tank_gal < required),
        "tank-cushion-lost": where(sized and s.tank_valve != "closed",
            sized and s.gas_psia_gal < 0.5 * s.nominal_gas_psia_gal),
        "tank-diaphragm-failed": where(diaphragm, s.air_valve == "water"),
        "tank-sounds-full": where(sized, tap(s) == "full"),
        "precharge-low": where(charged, charged and s.charge_psig < held - 2),
        "precharge-high": where(charged, charged and s.charge_psig > held + 2),
        "relief-missing": not relief,
        "relief-isolated": where(relief, s.relief_mounting == "valve_between"),
        "pressure-above-plate": highest > s.boiler_max_psig * (1.1 if wet else 1.0),
        "relief-did-not-open": where(relief, m.signs == "dry" and highest > opens_by_psig(s)),
        "relief-set-above-boiler": where(relief, s.relief_setting_psig > s.boiler_max_psig),
        "relief-capacity-short": where(relief, s.relief_capacity_btuh < s.output_btuh),
        "relief-discharge-hidden": where(relief, s.discharge_end in ("crawlspace", "concealed")),
        "relief-discharge-unpiped": where(relief, s.discharge_end == "none"
            or s.discharge_pipe == "ends_high"),
        "relief-discharge-blocked": where(piped, s.discharge_pipe in ("capped", "valved")),
        "relief-discharge-restricted": where(piped, s.discharge_pipe in ("reduced", "trapped")),
        "relief-discharging": where(relief, m.signs in ("dripping", "discharging")),
        "relief-stained": where(relief and m.signs in ("dry", "stained"), m.signs == "stained"),
        "backflow-missing": where(fill, s.device == "none"),
        "backflow-insufficient": where(fill and s.device != "none", s.device not in accepted),
        "backflow-test-overdue": where(testable, s.tested_on < a_year_before(m.on)),
        "antifreeze-on-automatic-fill": where(s.fluid != "none", s.fill_connection == "automatic"),
        "vent-cap-tight": where(not steel and s.vent_cap != "no_vent", s.vent_cap == "tight"),
        "vent-with-compression-tank": where(steel, s.vent_cap == "loose"),
        "low-water-cutoff-missing": s.cutoff != "probe_or_float",
        "low-water-cutoff-failed": where(s.cutoff != "no", not s.cutoff_works),
        "hot-above-high-limit": m.hot_f > s.limit_f + 20,
        "gauge-missing-or-stuck": s.gauge != "works",
        "leak-seen": s.leaks != "none",
        "makeup-excessive": where(m.makeup_gal_per_month is not None, (m.makeup_gal_per_month or 0) > 1),
        "anticipator-mismatch": where(s.thermostat == "mechanical",
            abs(s.anticipator_a - s.current_a) > max(0.2 * s.current_a, 0.05)),
    }  # fmt: skip


def opens_by_psig(system):
    """Highest pressure at which a relief valve that works has opened: 3 psi up to 60 psi, above that 5 %."""
    setting = system.relief_setting_psig
    return setting + (3 if setting <= 60 else 0.05 * setting)


def tap(system):
    """How the tank sounds: full when nearly all water, half as a steel tank at rest, else hollow."""
    if system.tank_type in ("none", "open"):
        return None
    gas_share = (
        system.gas_psia_gal / (system.charge_due_psig + system.atmosphere) / system.tank_gal
        if system.tank_gal
        else 0
    )
    return "full" if gas_share < 0.22 else "half" if gas_share < 0.7 else "hollow"


def near_limit(system, moment):
    """Checks whose true value lies so near the limit that honest readings may fall on either side."""
    s, m, near = system, moment, 0.9 * system.relief_setting_psig
    held, highest = s.fill_at_tank_psig(m.cold_psig), max(m.cold_psig, m.hot_psig)
    required = s.required_tank() if s.tank_type in ("diaphragm", "plain_steel") else None
    close = {
        "cold-pressure-low": abs(m.cold_psig - s.required_cold_psig) < 1.5,
        "cold-pressure-high": abs(m.cold_psig - s.should_have_psig - 5) < 1.5,
        "fill-pressure-off-setting": abs(abs(m.cold_psig - s.fill_mark_psig) - 3) < 1.5,
        "hot-pressure-near-relief": abs(m.hot_psig - near) < 1.5,
        "predicted-pressure-near-relief": m.predicted_limit_psig is not None
        and abs(m.predicted_limit_psig - near) < 4,
        "tank-undersized": bool(required) and 0.8 < s.tank_gal / required < 1.25,
        "tank-cushion-lost": bool(s.tank_gal) and 0.35 < s.gas_psia_gal / s.nominal_gas_psia_gal < 0.75,
        "precharge-low": s.charge_psig is not None and abs(s.charge_psig - held + 2) < 1,
        "precharge-high": s.charge_psig is not None and abs(s.charge_psig - held - 2) < 1,
        "pressure-above-plate": abs(highest - s.boiler_max_psig) < 1.5,
        "relief-did-not-open": abs(highest - opens_by_psig(s)) < 1.5,
    }
    return [check for check, is_close in close.items() if is_close]
