"""Every field an inspection may carry: one explicit, ordered tuple.

A CSV whose headings are these names needs no mapping. The unit is the last part of a name; pressures are
gauge. This module imports nothing of the project, so every room may read it.
"""

from dataclasses import dataclass

TEXT, WORD, WORDS, NUMBER, DATE, TIME = "text", "word", "words", "number", "date", "time"
YES_NO = ("yes", "no")


@dataclass(frozen=True)
class Field:
    """One field: what it is called, what may stand in it, and what it means.

    `kind` says how a cell is read: free text, one word of `words`, several ids separated by `;`, a number in
    `unit`, a date, or a date with time. `plausible` is inclusive, in `unit`; a number outside it is a data
    problem, never a dangerous home. `decimals` is what a converted number is rounded to.
    """

    name: str
    group: str
    kind: str
    meaning: str
    unit: str | None = None
    decimals: int | None = None
    words: tuple[str, ...] = ()
    plausible: tuple[float, float] | None = None
    personal: bool = False
    required: bool = False
    folded: bool = False  # compared without case, blanks collapsed; the first spelling received is kept


def _text(name, group, meaning, **more):
    return Field(name, group, TEXT, meaning, **more)


def _word(name, group, words, meaning, **more):
    return Field(name, group, WORD, meaning, words=words, **more)


def _number(name, group, unit, decimals, plausible, meaning, **more):
    return Field(name, group, NUMBER, meaning, unit=unit, decimals=decimals, plausible=plausible, **more)


def _date(name, group, meaning, **more):
    return Field(name, group, DATE, meaning, **more)


FIELDS: tuple[Field, ...] = (
    # visit
    _text("agency", "visit", "Local agency that numbers its homes, inspections and crews", folded=True),
    _text("inspection_id", "visit", "One visit to one system, unique within the agency", required=True),
    _text("home_id", "visit", "The home, unique within the agency", required=True),
    _text("system_id", "visit", "Which boiler of the home; empty is the home's only system"),
    _date("inspected_on", "visit", "Day of the visit", required=True),
    _text("region", "visit", "Region as the agency names it", folded=True),
    _word(
        "inspection_kind",
        "visit",
        ("initial", "final", "qa", "service"),
        "Audit before work, inspection after work, re-inspection, or a service call",
    ),
    _word("qa_reason", "visit", ("sample", "for_cause"), "Why a re-inspection was made"),
    _text("inspector", "visit", "Who took the readings", personal=True),
    _word(
        "inspector_role",
        "visit",
        ("auditor", "crew", "contractor", "qci", "monitor"),
        "In what role the readings were taken",
    ),
    _text("crew", "visit", "Who did the work on the system", folded=True),
    _word("stated_result", "visit", ("pass", "fail", "incomplete"), "Verdict of whoever stood there"),
    Field("stated_deficiencies", "visit", WORDS, "Check ids the inspector named, separated by ;"),
    Field("updated_at", "visit", TIME, "When the record was last changed, UTC unless it says otherwise"),
    _text("notes", "visit", "Free text", personal=True),
    # job
    _text("job_number", "job", "The job under which work was done"),
    _text("funding", "job", "Id of the fund that pays"),
    _text("work_ordered", "job", "Measures ordered, as written"),
    Field("repairs_reported", "job", WORDS, "Measure ids reported as done, separated by ;"),
    _date("completed_on", "job", "Day the work was completed"),
    _date("reported_on", "job", "Day the unit was reported to the funder"),
    # home
    _text("address", "home", "Street address", personal=True),
    _text("postal_code", "home", "Postal code", personal=True),
    _number("elevation_ft", "home", "ft", 0, (-300, 14500), "Elevation above sea level"),
    _number("stories", "home", None, 1, (0.5, 12), "Heated floors"),
    _number("heated_area_ft2", "home", "ft2", 0, (100, 200_000), "Floor area that this system heats"),
    _word("boiler_level", "home", ("basement", "lowest_floor", "top_or_attic"), "Where the boiler stands"),
    _number(
        "top_height_ft",
        "home",
        "ft",
        1,
        (-60, 160),
        "Highest water-filled point above the gauge; may be negative",
    ),
    _word("water_source", "home", ("public", "well"), "Where the house water comes from"),
    _word("elderly", "home", YES_NO, "Household has an elderly member, at that visit", personal=True),
    _word(
        "disabled", "home", YES_NO, "Household has a member with a disability, at that visit", personal=True
    ),
    _word("children", "home", YES_NO, "Household has children, at that visit", personal=True),
    _word("high_energy_use", "home", YES_NO, "High residential energy user, at that visit", personal=True),
    _word(
        "high_energy_burden",
        "home",
        YES_NO,
        "Household with a high energy burden, at that visit",
        personal=True,
    ),
    # system
    _word(
        "heating_system",
        "system",
        ("hot_water", "hot_water_open", "steam", "warm_air", "heat_pump", "other"),
        "Only hot_water, the closed loop, is assessed",
    ),
    _number("boiler_output_btuh", "system", "Btu/h", 0, (2_000, 5_000_000), "Gross output at high fire"),
    _number(
        "boiler_max_pressure_psig",
        "system",
        "psi",
        1,
        (5, 200),
        "Maximum working pressure on the boiler's plate",
    ),
    _number(
        "boiler_min_pressure_psig",
        "system",
        "psi",
        1,
        (0, 60),
        "Lowest pressure the boiler's plate or manual asks for",
    ),
    _number("boiler_year", "system", None, 0, (1900, 2100), "Year of the boiler"),
    _word(
        "boiler_kind",
        "system",
        ("cast_iron", "fire_tube", "water_tube", "coil"),
        "Kind of boiler; water_tube and coil are forced-flow boilers of little water",
    ),
    _text("fuel", "system", "Fuel of the boiler"),
    _word(
        "emitter",
        "system",
        ("fin_tube", "convector", "cast_iron_radiator", "panel_radiator", "radiant_floor", "fan_coil"),
        "What gives off the heat",
    ),
    _number(
        "system_volume_gal",
        "system",
        "gal",
        2,
        (1, 5000),
        "Water in boiler, pipes and emitters; not tank or buffer",
    ),
    _word("buffer_tank", "system", YES_NO, "Whether the loop has a buffer tank"),
    _number("buffer_tank_gal", "system", "gal", 2, (0, 2000), "Size of the buffer tank"),
    _word("pipe_material", "system", ("copper", "steel", "pex"), "Main pipe material"),
    _word("antifreeze", "system", ("none", "propylene_glycol", "ethylene_glycol"), "Antifreeze in the loop"),
    _number("antifreeze_percent", "system", "%", 1, (0, 70), "Antifreeze by volume"),
    _word("water_treatment", "system", YES_NO, "Chemicals other than antifreeze in the loop"),
    _word(
        "domestic_coil",
        "system",
        ("none", "tankless", "indirect"),
        "Coil that heats drinking water from the boiler",
    ),
    _word("coil_wall", "system", ("single", "double"), "Walls between boiler water and the coil's water"),
    # pressure
    _number("supply_pressure_psig", "pressure", "psi", 1, (0, 250), "House supply pressure"),
    _number("fill_setting_psig", "pressure", "psi", 1, (1, 60), "Setting of the fill valve"),
    _word(
        "fill_connection",
        "pressure",
        ("automatic", "manual", "valved_off", "feeder_tank", "none"),
        "How the loop is filled",
    ),
    # A fill valve that failed open shows house pressure: one reading may reach 1.5 times any relief setting.
    _number("cold_pressure_psig", "pressure", "psi", 1, (0, 300), "Gauge pressure with the loop cold"),
    _number(
        "cold_temperature_f", "pressure", "degF", 1, (32, 250), "Loop water temperature at the cold reading"
    ),
    _word(
        "cold_reading_state",
        "pressure",
        ("heat_off", "heat_not_shut_off"),
        "Whether the heat could be shut off for the cold reading",
    ),
    _number("hot_pressure_psig", "pressure", "psi", 1, (0, 300), "Gauge pressure with the loop hot"),
    _number(
        "hot_temperature_f", "pressure", "degF", 1, (32, 250), "Loop water temperature at the hot reading"
    ),
    _word(
        "hot_reading_state",
        "pressure",
        ("all_zones_hot", "some_zones", "boiler_only"),
        "How much of the loop was hot",
    ),
    _number(
        "high_limit_f",
        "pressure",
        "degF",
        1,
        (80, 250),
        "Operating control's highest setting, not the safety limit",
    ),
    _word(
        "pressure_read_with", "pressure", ("boiler_gauge", "test_gauge"), "What the pressures were read with"
    ),
    _word("boiler_gauge", "pressure", ("works", "stuck", "missing"), "State of the boiler's own gauge"),
    _word("leaks_seen", "pressure", ("none", "weeping", "dripping"), "Leaks seen on the loop"),
    _number("makeup_meter_gal", "pressure", "gal", 2, (0, 100_000_000), "Make-up water meter, cumulative"),
    # tank
    _word(
        "tank_type",
        "tank",
        ("diaphragm", "plain_steel", "open", "built_in", "none"),
        "Kind of expansion tank; plain_steel is a compression tank",
    ),
    _number("tank_volume_gal", "tank", "gal", 2, (0.2, 2000), "Shells of the loop's tanks, summed"),
    _number("tank_above_gauge_ft", "tank", "ft", 1, (-100, 100), "Height of the tank above the gauge"),
    _number("tank_temperature_f", "tank", "degF", 1, (0, 250), "Tank temperature when the charge was read"),
    _number("precharge_psig", "tank", "psi", 1, (0, 100), "Air charge read at the tank's air valve"),
    _word(
        "precharge_system_side",
        "tank",
        ("relieved", "pressurized"),
        "Whether the water side was at zero pressure when the charge was read",
    ),
    _word("tank_air_valve", "tank", ("air", "water"), "What came out of the tank's air valve"),
    _word("tank_tap", "tank", ("hollow", "half", "full"), "How the tank sounds along its length"),
    _word("tank_valve", "tank", ("none", "open", "closed"), "Valve between loop and tank"),
    # relief
    _word("relief_present", "relief", YES_NO, "Whether a relief valve is fitted"),
    _number(
        "relief_setting_psig", "relief", "psi", 1, (1, 200), "Opening pressure marked on the relief valve"
    ),
    _number(
        "relief_capacity_btuh",
        "relief",
        "Btu/h",
        0,
        (2_000, 20_000_000),
        "Capacity marked on the relief valve",
    ),
    _word(
        "relief_mounting",
        "relief",
        ("on_boiler", "on_pipe_no_valve", "valve_between"),
        "How the relief valve is mounted",
    ),
    _word(
        "relief_discharge_end",
        "relief",
        ("visible_drain", "visible_pan", "outdoors", "crawlspace", "concealed", "none"),
        "Where the discharge pipe ends",
    ),
    _word(
        "relief_discharge_pipe",
        "relief",
        ("full_size", "reduced", "trapped", "valved", "capped", "ends_high"),
        "State of the discharge pipe",
    ),
    _word(
        "relief_signs", "relief", ("dry", "stained", "dripping", "discharging"), "What the relief valve shows"
    ),
    # potable water
    _word(
        "backflow_device",
        "potable water",
        (
            "none",
            "single_check",
            "dual_check",
            "dual_check_vented",
            "double_check",
            "reduced_pressure",
            "air_gap",
        ),
        "What keeps boiler water out of drinking water",
    ),
    _date("backflow_tested_on", "potable water", "Day the backflow assembly was last tested"),
    # air, controls
    _word("vent_cap", "air, controls", ("loose", "tight", "no_vent"), "Cap of the automatic air vent"),
    _word(
        "thermostat",
        "air, controls",
        ("mechanical", "digital"),
        "Kind of thermostat; the row carries the worst zone",
    ),
    _number("anticipator_a", "air, controls", "A", 2, (0.01, 5), "Setting of the heat anticipator"),
    _number(
        "controlled_current_a", "air, controls", "A", 2, (0.01, 10), "Current of what the thermostat switches"
    ),
    _word(
        "low_water_cutoff",
        "air, controls",
        ("probe_or_float", "flow_switch", "pressure_switch", "flow_or_pressure_switch", "no"),
        "Kind of low-water cutoff; flow_or_pressure_switch is for older exports that did not tell which",
    ),
    _word(
        "low_water_cutoff_test",
        "air, controls",
        ("stopped_burner", "failed", "not_tested"),
        "Result of testing the low-water cutoff",
    ),
)

BY_NAME: dict[str, Field] = {field.name: field for field in FIELDS}
REQUIRED: tuple[str, ...] = tuple(field.name for field in FIELDS if field.required)
PERSONAL: tuple[str, ...] = tuple(field.name for field in FIELDS if field.personal)
