"""Taking readings: what an inspector writes down of a
true state, with the gauge's noise and the visit's habits.

Readings are kept under the program's field names and units, as numbers and words; the exports translate them.
"""

from random import Random

from house import Dice, tap

CLEAN, HURRIED, COPIER, PRESSURED, LAX = "clean", "hurried", "copier", "pressured", "lax"
PRESSURE_FIELDS = (
    "cold_pressure_psig",
    "cold_temperature_f",
    "hot_pressure_psig",
    "hot_temperature_f",
    "precharge_psig",
)

# Share of visits of a hurried inspector at which the field is left empty.
LEFT_EMPTY = {
    "cold_temperature_f": 0.35, "hot_temperature_f": 0.2, "hot_reading_state": 0.45, "precharge_psig": 0.45,
    "precharge_system_side": 0.4,
    "tank_temperature_f": 0.8, "tank_above_gauge_ft": 0.5, "tank_volume_gal": 0.25, "system_volume_gal": 0.45,
    "buffer_tank": 0.4,
    "top_height_ft": 0.5, "high_limit_f": 0.45, "antifreeze": 0.35, "pipe_material": 0.3,
    "relief_setting_psig": 0.06, "tank_type": 0.03,
    "elevation_ft": 0.02, "fill_setting_psig": 0.3, "relief_capacity_btuh": 0.4, "supply_pressure_psig": 0.6,
    "tank_tap": 0.5, "tank_air_valve": 0.4,
    "cold_pressure_psig": 0.04, "hot_pressure_psig": 0.06, "boiler_max_pressure_psig": 0.2,
    "backflow_tested_on": 0.3, "water_treatment": 0.3,
    "vent_cap": 0.15, "low_water_cutoff_test": 0.4, "controlled_current_a": 0.4,
    "relief_discharge_pipe": 0.15, "relief_signs": 0.05,
    "boiler_gauge": 0.1, "leaks_seen": 0.1, "pressure_read_with": 0.25, "cold_reading_state": 0.4,
    "emitter": 0.2, "boiler_year": 0.3,
}  # fmt: skip
NEEDED_FOR_COMPLETE = (
    "cold_pressure_psig", "cold_reading_state", "hot_pressure_psig",
    "hot_temperature_f", "hot_reading_state", "high_limit_f",
    "pressure_read_with", "system_volume_gal", "pipe_material", "antifreeze", "top_height_ft", "elevation_ft",
    "fill_setting_psig", "tank_type",
    "relief_setting_psig",
)  # fmt: skip
TANK_NEEDED = (
    "tank_volume_gal",
    "precharge_system_side",
    "tank_air_valve",
    "tank_above_gauge_ft",
    "tank_temperature_f",
)

# What a lax inspector writes instead of what is there, word for word.
SEEN_AS = {
    "relief_signs": {"stained": "dry", "dripping": "stained"},
    "relief_discharge_pipe": {"reduced": "full_size", "trapped": "full_size", "ends_high": "full_size"},
    "vent_cap": {"tight": "loose"}, "leaks_seen": {"weeping": "none"},
    "backflow_device": {"dual_check": "dual_check_vented", "single_check": "dual_check_vented"},
    "relief_discharge_end": {"concealed": "visible_drain"},
    "low_water_cutoff": {"flow_or_pressure_switch": "probe_or_float"},
}  # fmt: skip


def halves(value):
    return round(2 * value) / 2


def read(
    system,
    moment,
    dice,
    style,
    *,
    zones="all_zones_hot",
    winter=False,
    service=False,
    reads_high_psi=0.0,
):
    """Readings of one visit and what is odd about them: (readings, set
    of habits, misrecorded field names). `reads_high_psi`: by how much the
    inspector's own test gauge does.
    """
    s, m = system, moment
    r, habits = described(s), set()
    test_gauge = dice.chance(0.85 if style in (CLEAN, COPIER) else 0.3) or s.gauge != "works"
    bias, noise = (reads_high_psi, 0.5) if test_gauge else (s.gauge_bias_psi, 0.5)
    r["pressure_read_with"] = "test_gauge" if test_gauge else "boiler_gauge"
    r["relief_signs"] = m.signs if s.relief_present else None
    cold, hot = (max(0.0, halves(p + bias + dice.normal(noise))) for p in (m.cold_psig, m.hot_psig))
    r.update(
        cold_pressure_psig=cold, hot_pressure_psig=hot, cold_reading_state="heat_off", hot_reading_state=zones
    )
    r.update(
        cold_temperature_f=round(m.cold_f + dice.normal(3, 2)),
        hot_temperature_f=round(m.hot_f + dice.normal(3, 2)),
    )
    if zones != "all_zones_hot":
        habits.add("not all zones hot")
    read_charge(s, r, dice, style, habits)
    if s.gauge == "stuck" and dice.chance(
        0.45
    ):  # the stuck gauge is read all the same, and not always noticed
        r["hot_pressure_psig"] = r["cold_pressure_psig"] = float(dice.whole(11, 16))
        r["pressure_read_with"] = "boiler_gauge"
        habits.add("stuck gauge read")
        if dice.chance(0.4):
            r["boiler_gauge"] = "works"
    high_psi = reads_high_psi if r["pressure_read_with"] == "test_gauge" else 0.0
    if high_psi:
        habits.add("test gauge reads high")
    if winter and dice.chance(0.25 if service else 0.08):
        habits.add("heat not shut off")
        r["cold_reading_state"] = "heat_not_shut_off"
        _warm_cold_reading(r, m, dice, high_psi)
    elif dice.chance(0.05 if style == HURRIED else 0.012):
        habits.add("cold reading taken hot")
        _warm_cold_reading(r, m, dice, high_psi)
    if style == HURRIED or dice.chance(0.12):
        for field, share in LEFT_EMPTY.items():
            if dice.chance(share):
                r.pop(field, None)
    elif dice.chance(0.4):
        r.pop("tank_tap", None)
    if Dice(Random(f"cold temperature {m.cold_f!r}")).chance(0.08):  # of its own, as above
        r.pop("cold_temperature_f", None)
    misrecorded = []
    for field, seen in SEEN_AS.items():
        if r.get(field) in seen and dice.chance(0.30 if style == LAX else 0.06 if style == HURRIED else 0.01):
            r[field] = seen[r[field]]
            misrecorded.append(field)
    return r, habits, misrecorded


def _warm_cold_reading(r, m, dice, high_psi):
    """The loop was still warm: pressure and temperature between the two true states, or none taken at all."""
    if dice.chance(0.3):
        del r["cold_pressure_psig"], r["cold_temperature_f"]
        return
    share = dice.between(0.4, 0.75)
    r["cold_temperature_f"] = round(max(106, m.cold_f + share * (m.hot_f - m.cold_f)))
    r["cold_pressure_psig"] = halves(
        m.cold_psig + share * 0.8 * (m.hot_psig - m.cold_psig) + dice.normal(0.5) + high_psi
    )


def read_charge(s, r, dice, style, habits):
    """The air charge: at zero system pressure by most, under
    pressure by some, not at all where water comes out.
    """
    if s.tank_type != "diaphragm":
        return
    r["tank_air_valve"] = s.air_valve
    warm_f = round(dice.between(60, 76))
    r["tank_temperature_f"] = warm_f
    if style == PRESSURED or dice.chance(0.03):
        habits.add("charge read under pressure")
        way = dice.pick({"said": 5, "cold": 3, "hot": 2})
        r["precharge_psig"] = r["hot_pressure_psig"] if way == "hot" else r["cold_pressure_psig"]
        if way == "said":
            r["precharge_system_side"] = "pressurized"
        return
    r["precharge_system_side"] = "relieved"
    if s.charge_psig is not None:
        at_60f = s.charge_psig + s.atmosphere
        r["precharge_psig"] = max(
            0.0, halves(at_60f * (460 + warm_f) / 520 - s.atmosphere + dice.normal(0.5))
        )


def described(s):
    """What an attentive inspector writes of the house and the plant, pressures aside."""
    r = {
        "elevation_ft": round(s.elevation_ft), "stories": s.stories, "boiler_level": s.boiler_level,
        "heated_area_ft2": s.heated_area_ft2,
        "top_height_ft": halves(s.height_ft + s.height_error_ft),
        "water_source": s.water_source, "heating_system": "hot_water", "boiler_output_btuh": s.output_btuh,
        "boiler_max_pressure_psig": s.boiler_max_psig,
        "boiler_min_pressure_psig": s.boiler_min_psig, "boiler_year": s.boiler_year, "fuel": s.fuel,
        "emitter": s.emitter,
        "system_volume_gal": round(s.loop_gal * s.volume_error, 1),
        "buffer_tank": "yes" if s.buffer_gal else "no", "buffer_tank_gal": s.buffer_gal or None,
        "pipe_material": s.pipe, "antifreeze": s.fluid, "antifreeze_percent": s.percent or None,
        "water_treatment": s.treatment, "domestic_coil": s.coil,
        "supply_pressure_psig": round(s.supply_psig), "fill_connection": s.fill_connection,
        "high_limit_f": s.limit_f, "boiler_gauge": s.gauge,
        "leaks_seen": s.leaks, "makeup_meter_gal": s.meter_gal and round(s.meter_gal, 1),
        "tank_type": s.tank_type,
        "relief_present": "yes" if s.relief_present else "no", "backflow_device": s.device,
        "vent_cap": s.vent_cap, "thermostat": s.thermostat,
        "low_water_cutoff": s.cutoff,
    }  # fmt: skip
    if s.fill_connection in ("automatic", "manual", "valved_off"):
        r["fill_setting_psig"] = s.fill_mark_psig
    if s.tank_type not in ("none", "built_in"):
        r.update(
            tank_volume_gal=s.tank_plate_gal,
            tank_above_gauge_ft=s.tank_above_ft,
            tank_valve=s.tank_valve,
            tank_tap=tap(s),
        )
    if s.relief_present:
        r.update(
            relief_setting_psig=s.relief_setting_psig, relief_capacity_btuh=s.relief_capacity_btuh,
            relief_mounting=s.relief_mounting,
            relief_discharge_end=s.discharge_end,
            relief_discharge_pipe=s.discharge_pipe if s.discharge_end != "none" else None,
        )  # fmt: skip
    if s.device in ("reduced_pressure", "double_check"):
        r["backflow_tested_on"] = s.tested_on
    if s.thermostat == "mechanical":
        r.update(anticipator_a=round(s.anticipator_a, 2), controlled_current_a=s.current_a)
    if s.cutoff != "no":
        r["low_water_cutoff_test"] = "stopped_burner" if s.cutoff_works else "failed"
    return r


def is_complete(r, habits, tank_type):
    """Whether every reading that the pressure and tank checks
    need was taken, and taken in a way that can be trusted.
    """
    if habits or any(
        r.get(field) is None
        for field in NEEDED_FOR_COMPLETE
        if field != "fill_setting_psig" or r.get("fill_connection") in ("automatic", "manual")
    ):
        return False
    if tank_type == "diaphragm" and any(r.get(field) is None for field in TANK_NEEDED):
        return False
    return not (tank_type in ("diaphragm", "plain_steel") and r.get("tank_volume_gal") is None)
