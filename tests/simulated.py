"""A simulated fleet of any size as a CSV with canonical headings: invented, seeded, made in columns.

Homes have one to three visits (two on average); readings follow the gas balance with gauge noise, some homes
have faults, some readings are missing, and a few numbers are implausible. It is for size and speed; nothing
is tested against its physics.
"""

import duckdb
import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipelines.engine.hydronics import atmosphere, fluids, loop, tank
from pipelines.fields import BY_NAME, DATE, FIELDS, NUMBER

HOMES_AT_ONCE = 5_000
VISITS = (1, 2, 3, 2)  # of every four homes
AGENCIES = (
    "Alder Bend Weatherization",
    "Corrie Vale Home Energy",
    "Dunmore Flats Aid",
    "Elk Saddle Partners",
    "Fallow Creek Repair",
    "Gannet Point Trust",
)
SHARE_OF_HOMES = (0.26, 0.22, 0.18, 0.14, 0.12, 0.08)
ELEVATION_FT = (40.0, 900.0, 2600.0, 5300.0, 6800.0, 120.0)
CREWS, INSPECTORS = 25, 50  # of each agency
REGIONS = ("North", "Valley", "Lakes", "Ridge")
FIRST_DAY = np.datetime64("2024-01-08")
KINDS = ("initial", "final", "qa", "service")
# Share of visits at which a reading is missing; others are always there.
GAPS = {
    "elevation_ft": 0.08, "stories": 0.05, "heated_area_ft2": 0.6, "boiler_level": 0.15,
    "top_height_ft": 0.55, "water_source": 0.1,
    "heating_system": 0.03,
    "boiler_output_btuh": 0.1, "boiler_max_pressure_psig": 0.2, "boiler_min_pressure_psig": 0.7,
    "boiler_year": 0.3, "emitter": 0.05,
    "system_volume_gal": 0.45, "buffer_tank": 0.35, "pipe_material": 0.2, "antifreeze": 0.25,
    "antifreeze_percent": 0.15, "water_treatment": 0.3,
    "domestic_coil": 0.2, "supply_pressure_psig": 0.35, "fill_setting_psig": 0.3, "fill_connection": 0.1,
    "cold_pressure_psig": 0.04,
    "cold_temperature_f": 0.12, "cold_reading_state": 0.4, "hot_pressure_psig": 0.06,
    "hot_temperature_f": 0.08, "hot_reading_state": 0.15,
    "high_limit_f": 0.2, "pressure_read_with": 0.15, "boiler_gauge": 0.1, "leaks_seen": 0.08,
    "makeup_meter_gal": 0.75, "tank_type": 0.04,
    "tank_volume_gal": 0.15, "tank_above_gauge_ft": 0.4, "tank_temperature_f": 0.55, "precharge_psig": 0.3,
    "precharge_system_side": 0.25,
    "tank_air_valve": 0.3, "tank_tap": 0.5, "tank_valve": 0.2, "relief_present": 0.05,
    "relief_setting_psig": 0.12, "relief_capacity_btuh": 0.3,
    "relief_mounting": 0.1, "relief_discharge_end": 0.08, "relief_discharge_pipe": 0.12, "relief_signs": 0.08,
    "backflow_device": 0.08,
    "backflow_tested_on": 0.3, "vent_cap": 0.15, "thermostat": 0.1, "anticipator_a": 0.35,
    "controlled_current_a": 0.35, "low_water_cutoff": 0.12,
    "low_water_cutoff_test": 0.2, "inspector": 0.02, "crew": 0.03, "stated_result": 0.04, "address": 0.1,
    "postal_code": 0.05, "qa_reason": 0.2, "boiler_kind": 0.4, "coil_wall": 0.4,
}  # fmt: skip
NEVER = {
    "Fallow Creek Repair": (
        "makeup_meter_gal",
        "anticipator_a",
        "controlled_current_a",
        "low_water_cutoff_test",
    )
}  # columns an agency leaves empty


def write(path, inspections, seed=1):
    """Write a CSV of so many inspections, quoted only where it must be; returns the number of its bytes."""
    batches = (batch for table in tables(inspections, seed) for batch in table.combine_chunks().to_batches())
    reader = pa.RecordBatchReader.from_batches(
        pa.schema([(field.name, pa.string()) for field in FIELDS]), batches
    )
    with duckdb.connect() as connection:
        connection.register("inspections", reader)
        connection.execute(f"COPY inspections TO '{path}' (HEADER)")
    return path.stat().st_size


def tables(inspections, seed=1):
    """The inspections in tables of text columns named by the
    fields; the same ones for a seed, however many are wanted.
    """
    made, first = 0, 0
    while made < inspections:
        table = _texts(_Homes(first, HOMES_AT_ONCE, seed)).slice(0, inspections - made)
        made, first = made + table.num_rows, first + HOMES_AT_ONCE
        yield table


def one_export(seed=1, new=300, corrected=150, repeated=50):
    """An export that arrives after 10,000 inspections or more: visits to
    known and to new homes, corrections, and rows the fleet has already.
    """
    known = next(tables(2 * HOMES_AT_ONCE, seed))
    step = known.num_rows // (new // 2 + corrected + repeated)
    told = known.take(np.arange(new // 2 + corrected + repeated) * step)
    again, wrong, right = (
        told.slice(0, new // 2),
        told.slice(new // 2, corrected),
        told.slice(new // 2 + corrected),
    )
    again = _with(
        _with(
            again,
            "inspection_id",
            pc.binary_join_element_wise(again["inspection_id"], pa.scalar("again"), "-"),
        ),
        "inspected_on",
        "2026-10-02",
    )
    wrong = _with(_with(wrong, "updated_at", "2026-10-02T08:00:00Z"), "cold_pressure_psig", "13.5")
    other = next(tables(new - new // 2, seed + 1))
    other = _with(other, "home_id", pc.binary_join_element_wise(other["home_id"], pa.scalar("new"), "-"))
    other = _with(
        other, "inspection_id", pc.binary_join_element_wise(other["inspection_id"], pa.scalar("new"), "-")
    )
    return pa.concat_tables([again, wrong, right, other])


def _with(table, name, texts):
    texts = pa.array([texts] * table.num_rows) if isinstance(texts, str) else texts
    return table.set_column(table.schema.get_field_index(name), name, texts)


class _Homes:
    """Some homes from number `first` on and their visits, as
    arrays per visit: numbers, texts and days by field name.
    """

    def __init__(self, first, homes, seed):
        self.random = np.random.default_rng([seed, first])
        visits = np.resize(VISITS, homes)
        self.of_home = np.repeat(np.arange(homes), visits)
        self.nth = np.arange(len(self.of_home)) - np.repeat(np.cumsum(visits) - visits, visits)
        self.columns = {}
        self.agency = self.random.choice(len(AGENCIES), homes, p=SHARE_OF_HOMES)
        self._visits(first)
        self._system()
        self._readings()
        self._words()
        self._gaps()

    def __setitem__(self, name, values):
        self.columns[name] = values

    def each(self, per_home):
        """A value of the home at each of its visits."""
        return per_home[self.of_home]

    def chance(self, share, per_visit=True):
        return self.random.random(len(self.of_home) if per_visit else len(self.agency)) < share

    def pick(self, name, **shares):
        """A word of each home."""
        return np.array(list(shares), object)[
            self.random.choice(
                len(shares), len(self.agency), p=np.array(list(shares.values())) / sum(shares.values())
            )
        ]

    def _visits(self, first):
        count, homes, random = len(self.of_home), len(self.agency), self.random
        here, number = self.each(self.agency), first + np.arange(homes)
        self["agency"] = np.array(AGENCIES, object)[here]
        self["home_id"] = (number + 1000)[self.of_home]
        self["inspection_id"] = (first * 2 + np.arange(count)) + 500_000
        day = random.integers(0, 620, homes)[self.of_home] + self.nth * random.integers(20, 90, count)
        self["inspected_on"] = FIRST_DAY + day
        self["inspection_kind"] = np.where(
            self.chance(0.05), "service", np.array(("initial", "final", "qa"), object)[self.nth]
        )
        self["qa_reason"] = np.where(self["inspection_kind"] == "qa", "sample", None)
        self["region"] = np.array(REGIONS, object)[self.each(random.integers(0, len(REGIONS), homes))]
        prefix = np.array([chr(65 + place) for place in range(len(AGENCIES))], object)[here]
        self["crew"] = prefix + "-" + self.each(random.integers(0, CREWS, homes)).astype(str).astype(object)
        self["inspector"] = prefix + "." + random.integers(0, INSPECTORS, count).astype(str).astype(object)
        self["inspector_role"] = np.where(self.nth == 0, "auditor", "qci")
        self["stated_result"] = np.array(("pass", "fail", "incomplete"), object)[
            random.choice(3, count, p=(0.72, 0.24, 0.04))
        ]
        self["updated_at"] = np.char.add((FIRST_DAY + day + 1).astype(str), "T08:00:00Z").astype(object)
        self["notes"] = np.where(self.chance(0.15), "access through the side door, dog in the yard", None)
        self["job_number"] = np.char.add("J", self["home_id"].astype(str)).astype(object)
        self["funding"] = "core"
        done = self.nth > 0
        self["repairs_reported"] = np.where(
            done & self.chance(0.4), "set-charge;repipe-relief-discharge", None
        )
        self["completed_on"] = np.where(done, FIRST_DAY + day - 5, np.datetime64("NaT"))
        self["reported_on"] = np.where(done & self.chance(0.5), FIRST_DAY + day + 20, np.datetime64("NaT"))
        self["address"] = np.char.add((number % 900 + 1)[self.of_home].astype(str), " Invented Lane").astype(
            object
        )
        self["postal_code"] = np.char.zfill(
            (here * 50 + self.each(random.integers(0, 50, homes))).astype(str), 5
        ).astype(object)
        for name in ("elderly", "disabled", "children", "high_energy_use", "high_energy_burden"):
            self[name] = np.where(self.each(random.random(homes) < 0.25), "yes", "no")

    def __getitem__(self, name):
        return self.columns[name]

    def _system(self):
        homes, random, each = len(self.agency), self.random, self.each
        self["heating_system"] = each(
            self.pick("heating_system", hot_water=88, steam=4, warm_air=5, heat_pump=2, hot_water_open=1)
        )
        elevation = np.array(ELEVATION_FT)[self.agency] + random.normal(0.0, 60.0, homes).round()
        self["elevation_ft"], self.air = each(elevation), atmosphere.atmosphere_psia(elevation)
        stories = random.choice((1.0, 1.5, 2.0, 2.5, 3.0), homes, p=(0.25, 0.2, 0.35, 0.1, 0.1))
        level = self.pick("boiler_level", basement=75, lowest_floor=20, top_or_attic=5)
        height = np.where(
            level == "top_or_attic",
            0.0,
            np.maximum(
                9.0 * stories - np.where(level == "basement", 2.0, 9.0) + random.normal(0.0, 2.0, homes), 0.0
            ),
        )
        self["stories"], self["boiler_level"], self["top_height_ft"] = (
            each(stories),
            each(level),
            each(height),
        )
        self["water_source"] = each(self.pick("water_source", public=75, well=25))
        output = random.integers(12, 40, homes) * 5000.0
        self["boiler_output_btuh"] = each(output)
        self["heated_area_ft2"] = each((output / 45.0 * random.uniform(0.6, 1.4, homes)).round())
        self["boiler_max_pressure_psig"] = each(random.choice((30.0, 50.0), homes, p=(0.9, 0.1)))
        self["boiler_min_pressure_psig"] = each(random.choice((8.0, 10.0, 12.0), homes))
        self["boiler_year"] = each(random.integers(1965, 2024, homes).astype(float))
        self["fuel"] = each(self.pick("fuel", gas=60, oil=35, propane=5))
        emitter = self.pick(
            "emitter",
            fin_tube=45,
            convector=10,
            cast_iron_radiator=30,
            panel_radiator=8,
            radiant_floor=4,
            fan_coil=3,
        )
        per_1000 = np.select(
            [emitter == "cast_iron_radiator", emitter == "radiant_floor"], [1.0, 1.6], 0.5
        ) * random.uniform(0.7, 1.3, homes)
        self.gallons = output / 1000.0 * per_1000
        buffer = np.where(random.random(homes) < 0.04, 40.0, 0.0)
        self["emitter"], self["system_volume_gal"] = each(emitter), each(self.gallons)
        self["buffer_tank"], self["buffer_tank_gal"] = (
            each(np.where(buffer > 0, "yes", "no")),
            each(np.where(buffer > 0, buffer, np.nan)),
        )
        self.gallons = self.gallons + buffer
        pipe = self.pick("pipe_material", copper=60, steel=30, pex=10)
        antifreeze = self.pick("antifreeze", none=92, propylene_glycol=6, ethylene_glycol=2)
        self.percent = np.where(antifreeze == "none", np.nan, random.integers(20, 55, homes))
        self["pipe_material"], self["antifreeze"], self["antifreeze_percent"] = (
            each(pipe),
            each(antifreeze),
            each(self.percent),
        )
        self.alpha = np.select([pipe == "copper", pipe == "pex"], [9.5e-6, 0.0], 6.5e-6)
        self.fluid = np.select(
            [antifreeze == "propylene_glycol", antifreeze == "ethylene_glycol"],
            [fluids.PROPYLENE_GLYCOL, fluids.ETHYLENE_GLYCOL],
            fluids.WATER,
        )
        self["water_treatment"] = each(self.pick("water_treatment", no=85, yes=15))
        self["domestic_coil"] = each(self.pick("domestic_coil", none=55, tankless=25, indirect=20))
        kind = self.pick("tank_type", diaphragm=74, plain_steel=22, none=1, built_in=2, open=1)
        relief = random.choice((30.0, 30.0, 30.0, 45.0, 15.0), homes, p=(0.4, 0.3, 0.26, 0.03, 0.01))
        hangs = random.choice(
            (0.0, 2.0, 5.0, -6.0, -22.0, 24.0), homes, p=(0.45, 0.25, 0.15, 0.09, 0.03, 0.03)
        )
        self.lift = 0.433 * hangs  # what the tank feels less than the gauge shows
        setting = np.clip(np.ceil(np.maximum(12.0, 0.433 * np.maximum(height, hangs) + 4.0)), 12.0, 26.0)
        limit = np.where(emitter == "radiant_floor", 120.0, random.integers(32, 41, homes) * 5.0)
        self.kind, self.relief, self.setting = kind, relief, setting
        steel = kind == "plain_steel"
        grown = self.gallons * loop.net_expansion(
            60.0, limit, self.alpha, self.fluid, np.nan_to_num(self.percent)
        )
        needed = np.where(
            steel,
            tank.required_compression_gal(
                grown, setting - self.lift + self.air, 0.9 * relief - self.lift + self.air, self.air
            ),
            tank.required_diaphragm_gal(
                grown, setting - self.lift + self.air, 0.9 * relief - self.lift + self.air
            ),
        )
        self.tank_gal = np.clip(
            np.nan_to_num(needed, nan=6.0)
            * random.choice((0.7, 1.1, 1.5, 2.2), homes, p=(0.06, 0.3, 0.4, 0.24)),
            2.0,
            300.0,
        ).round(1)
        self["high_limit_f"], self["tank_type"], self["tank_volume_gal"] = (
            each(limit),
            each(kind),
            each(np.where(kind == "none", np.nan, self.tank_gal)),
        )
        self["tank_above_gauge_ft"] = each(hangs)
        self["relief_setting_psig"], self["fill_setting_psig"] = each(relief), each(setting)

    def _readings(self):
        random, each, count = self.random, self.each, len(self.of_home)
        mended = (self.nth > 0) & self.chance(0.6)
        homes = len(self.agency)
        off = each(random.choice((0.0, -4.0, 5.0), homes, p=(0.82, 0.1, 0.08)))  # charge set wrong, psi
        kept = each(
            np.where(random.random(homes) < 0.06, random.uniform(0.05, 0.45, homes), 1.0)
        )  # share of the gas that is left
        creep = each(np.where(random.random(homes) < 0.05, random.uniform(4.0, 9.0, homes), 0.0))
        off, kept, creep = (
            np.where(mended, 0.0, off),
            np.where(mended, 1.0, kept),
            np.where(mended, 0.0, creep),
        )
        air, setting, relief = each(self.air), each(self.setting), each(self.relief)
        cold_f, hot_f = (
            random.normal(66.0, 6.0, count).clip(45.0, 90.0),
            random.normal(172.0, 9.0, count).clip(110.0, 205.0),
        )
        hot_f = np.where(
            self["emitter"] == "radiant_floor", random.normal(112.0, 5.0, count).clip(95.0, 125.0), hot_f
        )
        cold = setting + creep + random.normal(0.0, 0.8, count)
        lift = each(self.lift)
        charge = np.maximum(setting - lift + off + random.normal(0.0, 0.7, count), 1.0)
        gas = np.where(self["tank_type"] == "plain_steel", air, charge + air) * kept
        grown = each(self.gallons) * loop.net_expansion(
            cold_f, hot_f, each(self.alpha), each(self.fluid), np.nan_to_num(each(self.percent))
        )
        over = air - lift
        hot = tank.pressure_after_expansion_psia(grown, each(self.tank_gal), gas, cold + over) - over
        hot = np.minimum(
            np.where(np.isfinite(hot), hot, 99.0), relief + random.normal(0.5, 0.8, count)
        ) + random.normal(0.0, 0.4, count)
        warm = self.chance(0.03)
        self["supply_pressure_psig"] = each(random.normal(62.0, 11.0, homes).clip(20.0, 120.0))
        self["cold_pressure_psig"], self["cold_temperature_f"] = (
            cold,
            np.where(warm, random.normal(102.0, 8.0, count), cold_f),
        )
        self["cold_reading_state"] = np.where(self.chance(0.05), "heat_not_shut_off", "heat_off")
        self["hot_pressure_psig"], self["hot_temperature_f"] = hot, hot_f
        self["hot_reading_state"] = np.array(("all_zones_hot", "some_zones", "boiler_only"), object)[
            random.choice(3, count, p=(0.8, 0.14, 0.06))
        ]
        self["pressure_read_with"] = np.where(self.chance(0.3), "test_gauge", "boiler_gauge")
        self["boiler_gauge"] = np.array(("works", "stuck", "missing"), object)[
            random.choice(3, count, p=(0.95, 0.04, 0.01))
        ]
        pressurized = self.chance(0.12)
        self["precharge_system_side"] = np.where(pressurized, "pressurized", "relieved")
        read = np.where(pressurized, cold - lift, charge) + random.normal(0.0, 0.3, count)
        self["precharge_psig"] = np.where(self["tank_type"] == "diaphragm", read.clip(0.0), np.nan)
        self["tank_temperature_f"] = np.where(
            self["tank_type"] == "diaphragm", random.normal(70.0, 10.0, count), np.nan
        )
        self["makeup_meter_gal"] = each(random.uniform(0.0, 900.0, homes)) + self.nth * random.exponential(
            1.2, count
        )
        copied = np.flatnonzero(self.chance(0.002))[1:]
        copied = copied[self["agency"][copied] == self["agency"][copied - 1]]
        for name in (
            "inspector",
            "cold_pressure_psig",
            "hot_pressure_psig",
            "cold_temperature_f",
            "hot_temperature_f",
            "precharge_psig",
        ):
            self[name][copied] = self[name][copied - 1]
        self["inspected_on"][copied] = self["inspected_on"][copied - 1] + 2

    def _words(self):
        each, mended = self.each, (self.nth > 0) & self.chance(0.6)
        diaphragm, has_tank = self["tank_type"] == "diaphragm", self["tank_type"] != "none"

        def put(name, right, **shares):
            return self.__setitem__(name, np.where(mended, right, each(self.pick(name, **shares))))

        put("tank_air_valve", "air", air=95, water=5)
        put("tank_tap", "half", hollow=40, half=52, full=8)
        put("tank_valve", "open", none=55, open=44, closed=1)
        self["tank_air_valve"] = np.where(diaphragm, self["tank_air_valve"], None)
        self["tank_tap"], self["tank_valve"] = (
            np.where(has_tank, self["tank_tap"], None),
            np.where(has_tank, self["tank_valve"], None),
        )
        put("fill_connection", "automatic", automatic=85, manual=8, valved_off=4, feeder_tank=1, none=2)
        put("leaks_seen", "none", none=92, weeping=6, dripping=2)
        put("relief_present", "yes", yes=985, no=15)
        put("relief_mounting", "on_boiler", on_boiler=90, on_pipe_no_valve=8, valve_between=2)
        put(
            "relief_discharge_end",
            "visible_drain",
            visible_drain=70,
            visible_pan=10,
            outdoors=8,
            crawlspace=4,
            concealed=4,
            none=4,
        )
        put(
            "relief_discharge_pipe",
            "full_size",
            full_size=88,
            reduced=4,
            trapped=2,
            valved=1,
            capped=1,
            ends_high=4,
        )
        put("relief_signs", "dry", dry=85, stained=10, dripping=4, discharging=1)
        put(
            "backflow_device",
            "reduced_pressure",
            none=6,
            single_check=8,
            dual_check=6,
            dual_check_vented=50,
            double_check=5,
            reduced_pressure=22,
            air_gap=3,
        )
        put("vent_cap", "loose", loose=70, tight=15, no_vent=15)
        put(
            "low_water_cutoff",
            "probe_or_float",
            probe_or_float=70,
            flow_switch=8,
            pressure_switch=3,
            flow_or_pressure_switch=5,
            no=14,
        )
        put("low_water_cutoff_test", "stopped_burner", stopped_burner=75, failed=3, not_tested=22)
        put("thermostat", "digital", mechanical=40, digital=60)
        count, random = len(self.of_home), self.random
        self["relief_capacity_btuh"] = self["boiler_output_btuh"] * random.choice(
            (0.9, 1.3, 2.5), count, p=(0.03, 0.4, 0.57)
        )
        self["backflow_tested_on"] = self["inspected_on"] - random.integers(5, 480, count)
        self["controlled_current_a"] = random.choice((0.2, 0.4, 0.6, 0.9), count)
        self["anticipator_a"] = self["controlled_current_a"] * random.choice(
            (1.0, 1.1, 1.5), count, p=(0.6, 0.25, 0.15)
        )
        mechanical = self["thermostat"] == "mechanical"
        for name in ("controlled_current_a", "anticipator_a"):
            self[name] = np.where(mechanical, self[name], np.nan)
        for name in ("relief_setting_psig", "relief_capacity_btuh"):
            self[name] = np.where(self["relief_present"] == "yes", self[name], np.nan)
        for name in ("relief_mounting", "relief_discharge_end", "relief_discharge_pipe", "relief_signs"):
            self[name] = np.where(self["relief_present"] == "yes", self[name], None)
        put("boiler_kind", "cast_iron", cast_iron=70, fire_tube=8, water_tube=14, coil=8)
        put("coil_wall", "double", single=70, double=30)

    def _gaps(self):
        """Readings left out, now and then a whole visit's worth of them, and
        columns an agency does not have.
        """
        hurried = np.where(self.chance(0.1), 2.0, 0.89)
        empty = {NUMBER: np.nan, DATE: np.datetime64("NaT")}
        for name, share in GAPS.items():
            nothing = empty.get(BY_NAME[name].kind)
            gone = self.random.random(len(self.of_home)) < share * hurried
            for agency, names in NEVER.items():
                gone |= (self["agency"] == agency) & (name in names)
            self[name] = np.where(gone, nothing, self[name])


def _texts(homes):
    """The columns as a person would have written them, now
    and then a number with its point in the wrong place.
    """
    columns = {}
    for field in FIELDS:
        values = homes.columns.get(field.name)
        if values is None:
            texts = pa.nulls(len(homes.of_home), pa.string())
        elif field.kind == NUMBER:
            values = np.where(homes.random.random(len(values)) < 0.0005, 10.0, 1.0) * np.asarray(
                values, float
            )
            texts = pa.array(values.round(field.decimals or 0), mask=np.isnan(values)).cast(pa.string())
        elif isinstance(values, str):
            texts = pa.array([values] * len(homes.of_home))
        elif field.kind == DATE:
            texts = pa.array(values.astype("datetime64[D]")).cast(pa.string())
        else:
            texts = (
                pa.array(values if values.dtype == object else values.astype(object), from_pandas=True)
                if values.dtype.kind in "OU"
                else pa.array(values).cast(pa.string())
            )
        columns[field.name] = texts.cast(pa.string())
    return pa.table(columns)
