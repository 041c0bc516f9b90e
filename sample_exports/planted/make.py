"""Make the sample exports and what was planted in them: `python make.py [FOLDER]`, always the same bytes.

Four invented agencies inspect about 1,500 homes over eighteen months. Every system is drawn sound, aged,
mended and visited; its true pressures come from a gas balance of this folder's own. Needs nothing but Python.
"""

import csv
import sys
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from random import Random

import exports
import house
import visits
from house import Dice
from physics import atmosphere_psia

CHANCE = "planted homes 3"
FIRST, LAST = date(2025, 3, 3), date(2026, 8, 31)
EVIDENCE = (
    "precharge-under-pressure",
    "precharge-echoes-system",
    "pressure-did-not-rise",
    "cold-reading-hot",
    "readings-repeated",
    "system-changed-unexplained",
    "home-id-reused",
    "passed-but-readings-disagree",
)
SAFETY_CRITICAL = (
    "hot-pressure-near-relief", "tank-missing", "tank-valved-off", "tank-cushion-lost",
    "tank-diaphragm-failed", "relief-missing", "relief-isolated",
    "relief-did-not-open", "relief-set-above-boiler", "relief-capacity-short", "relief-discharge-hidden",
    "relief-discharge-unpiped",
    "relief-discharge-blocked", "relief-discharge-restricted", "relief-discharging", "backflow-missing",
    "backflow-insufficient",
    "low-water-cutoff-missing", "low-water-cutoff-failed", "pressure-above-plate",
)  # fmt: skip
HARD_TO_SEE = (
    "precharge",
    "tank-undersized",
    "tank-cushion",
    "cold-",
    "hot-",
    "fill-",
    "anticipator",
    "makeup",
    "predicted",
)


@dataclass(frozen=True)
class Place:
    """A stretch of country with one postal code; homes scatter about its middle height."""

    postal_code: str
    region: str
    elevation_ft: int
    spread_ft: int
    weight: int


@dataclass(frozen=True)
class Crew:
    """Who does the work. `holds`: share of repairs that last.
    The others: shares of visits that leave the fault behind.
    """

    name: str
    holds: float = 0.93
    leaves_vent_tight: float = 0.02
    charges_wrongly: float = 0.02
    weight: int = 1
    habit: str = "ordinary work"


@dataclass(frozen=True)
class Gauge:
    """A test gauge that an inspector brings along, and by how much it reads too high from a day on."""

    inspector: str
    since: date
    high_psi: float


@dataclass(frozen=True)
class Agency:
    name: str
    key: str
    homes: int
    not_hot_water: float
    places: tuple[Place, ...]
    crews: tuple[Crew, ...]
    inspectors: dict  # name -> style
    gauges_off: tuple[Gauge, ...] = ()

    def gauge_reads_high_psi(self, inspector, day):
        return sum(
            gauge.high_psi for gauge in self.gauges_off if gauge.inspector == inspector and day >= gauge.since
        )


AGENCIES = (
    Agency(
        "Tillamere Community Partners", "tillamere", 520, 0.08,
        (Place("00112", "Saltmere Coast", 60, 40, 4), Place("00117", "Saltmere Coast", 180, 60, 3),
            Place("00205", "Fennick Valley", 720, 150, 5),
         Place("00209", "Fennick Valley", 1280, 160, 3)),
        (Crew("Crew 1"), Crew("Crew 2", 0.99, 0.0, 0.0, habit="careful work"),
            Crew("Crew 3", 0.92, 0.34, habit="leaves vent caps tight"), Crew("Crew 4"),
         Crew("Thistledown Loop Works", 0.9, 0.02, 0.4, habit="does not set the charge of the tank"),
         Crew("Orrin Vale Mechanical")),
        {"K. V.": visits.CLEAN, "T. O.": visits.CLEAN, "M. A. R.": visits.CLEAN, "D. Q.": visits.LAX,
            "S. W.": visits.COPIER, "B. F.": visits.HURRIED},
        (Gauge("K. V.", date(2026, 1, 1), 2.0),),
    ),
    Agency(
        "Ouvray Plateau Energy Aid", "ouvray", 390, 0.05,
        (Place("00308", "Tarn Plateau", 4850, 200, 3), Place("00311", "Tarn Plateau", 5600, 260, 4),
            Place("00314", "Tarn Plateau", 6450, 200, 3), Place("00216", "Fennick Valley", 1450, 150, 2)),
        (Crew("North crew"), Crew("South crew", 0.62, habit="repairs often do not hold"),
            Crew("Copperfern Mechanical"), Crew("Graywater Lane Heating", 0.9, 0.04, 0.06)),
        {"Z. L.": visits.CLEAN, "P. N.": visits.CLEAN, "H. E.": visits.PRESSURED, "J. J. K.": visits.CLEAN},
    ),
    Agency(
        "Foyers du Val Brenn", "valbrenn", 320, 0.04,
        (Place("VB 101", "Val Brenn", 1850, 160, 3), Place("VB 104", "Val Brenn", 2500, 220, 3),
            Place("VB 118", "Haut-Érable", 3150, 180, 2)),
        (Crew("Équipe Aube"), Crew("Équipe Brume"), Crew("Équipe Cèdre", 0.9, 0.2,
            habit="leaves vent caps tight"), Crew("Atelier Tournegrive")),
        {"É. G.": visits.CLEAN, "L.-P. M.": visits.CLEAN, "N. Ç.": visits.PRESSURED, "R. D.": visits.HURRIED},
    ),
    Agency(
        "Hollin Peaks Home Repair", "hollin", 290, 0.5,
        (Place("00402", "Hollin Peaks", 6900, 150, 4), Place("00405", "Hollin Peaks", 7600, 180, 3),
            Place("00409", "Hollin Peaks", 7950, 60, 1), Place("00321", "Tarn Plateau", 6500, 120, 2)),
        (Crew("Crew 1"), Crew("Crew 2"), Crew("Larkspur Gap Plumbing")),
        {"A. I.": visits.HURRIED, "C. T.": visits.LAX, "V. U.": visits.CLEAN},
    ),
)  # fmt: skip


@dataclass
class Visit:
    """One row of an export: its readings and the truth beside them."""

    agency: Agency
    home: int
    system_id: str
    on: date
    kind: str
    readings: dict
    truth: dict
    order: float = 0.0


def heating_of(agency, dice):
    if not dice.chance(agency.not_hot_water):
        return "hot_water_open" if dice.chance(0.01) else "hot_water"
    return dice.pick({"warm_air": 50, "steam": 18, "heat_pump": 20, "other": 12})


def calendar(dice):
    """Days and kinds of the visits to one home, in order, within the eighteen months."""
    start = FIRST + timedelta(days=dice.whole(0, 500))
    days = [("initial", start)] if dice.chance(0.94) else []
    work = None
    if dice.chance(0.86):
        work = start + timedelta(days=dice.whole(18, 110))
        final = work + timedelta(days=dice.whole(2, 20))
        days.append(("final", final))
        if dice.chance(0.2):
            days.append(("qa", final + timedelta(days=dice.whole(7, 55))))
    if not days or dice.chance(0.24):
        days.append(("service", start + timedelta(days=dice.whole(60, 400))))
    days = [(kind, _weekday(day)) for kind, day in days]
    return sorted(
        ((kind, day) for kind, day in days if FIRST <= day <= LAST), key=lambda visit: visit[1]
    ), work and _weekday(work)


def _weekday(day):
    return day - timedelta(days=max(0, day.weekday() - 4))


def live(agency, number):
    """Everything that happens to one home, as visits in order of time."""
    dice = Dice(Random(f"{CHANCE} {agency.key} {number}"))
    place = dice.pick({place: place.weight for place in agency.places})
    elevation = max(5.0, place.elevation_ft + dice.normal(place.spread_ft * 0.8, 2))
    elevation = min(elevation, 8000.0)
    heating = heating_of(agency, dice)
    crew = dice.pick({crew: crew.weight for crew in agency.crews})
    days, work = calendar(dice)
    home = {
        "postal_code": place.postal_code,
        "region": place.region,
        "crew": crew,
        "number": number,
        "elevation_ft": elevation,
        "work": work,
    }
    if heating != "hot_water":
        return [other_visit(agency, home, dice, heating, kind, day) for kind, day in days]
    ids = ("north", "south") if agency.key == "tillamere" and dice.chance(0.03) else ("",)
    made = []
    for system_id in ids:
        own = Dice(Random(f"{CHANCE} {agency.key} {number} {system_id}"))
        system = house.draw_system(own, elevation)
        house.age(system, own)
        made += list(follow(agency, home, system, system_id, own, days))
    return made


def follow(agency, home, system, system_id, dice, days):
    """Visits to one system: mend what was ordered, look, read, order what was found."""
    ordered, after_work, last_meter = [], False, None
    crew, job = home["crew"], f"{dice.whole(100, 999)}"
    for kind, day in days:
        repairs = []
        if kind == "final" or (kind == "service" and after_work and ordered and dice.chance(0.5)):
            repairs = do_work(system, dice, crew, ordered, home["work"] if kind == "final" else day)
            ordered = []
        elif kind == "service" and dice.chance(0.2):
            house.plant(
                system, dice, dice.pick(("leak", "cushion_lost", "relief_worn", "vent_tight", "gauge_bad"))
            )
        elif kind == "qa" and dice.chance(0.03):
            house.plant(system, dice, dice.pick(("leak", "vent_tight", "fill_creeps")))
        after_work = after_work or kind in ("final", "qa")
        zones = dice.pick({"all_zones_hot": 93, "some_zones": 5, "boiler_only": 2})
        moment = house.look(
            system, dice, day, zones_share=1.0 if zones == "all_zones_hot" else dice.between(0.35, 0.8)
        )
        if system.meter_gal is not None:
            last_meter = advance_meter(system, moment, dice, last_meter, day)
        name = dice.pick(
            [each for each, style in agency.inspectors.items() if kind != "qa" or style == visits.CLEAN]
        )
        winter = day.month in (11, 12, 1, 2, 3)
        readings, habits, misrecorded = visits.read(
            system,
            moment,
            dice,
            agency.inspectors[name],
            zones=zones,
            winter=winter,
            service=kind == "service",
            reads_high_psi=agency.gauge_reads_high_psi(name, day),
        )
        wrong = house.faults(system, moment)
        found = [
            check
            for check, is_wrong in wrong.items()
            if is_wrong and dice.chance(0.65 if check.startswith(HARD_TO_SEE) else 0.85)
        ]
        fresh = [
            measure_for(check, system) for check in found if check in house.MEASURE_FOR and dice.chance(0.9)
        ]
        ordered = list(dict.fromkeys(ordered + fresh))
        readings.update(visit_fields(home, kind, day, name, system_id, dice, job, after_work))
        readings.update(
            stated_deficiencies=found,
            stated_result=stated(kind, found, readings, dice),
            repairs_reported=repairs,
        )
        readings["work_ordered"] = list(ordered) if kind == "initial" else []
        yield row(agency, home, system, system_id, kind, day, readings, habits, misrecorded, moment, wrong)


def measure_for(check, system):
    """What is ordered for a fault; a steel tank that lost its air is drained, not replaced."""
    drained = check == "tank-cushion-lost" and system.tank_type == "plain_steel"
    return "drain-tank" if drained else house.MEASURE_FOR[check]


def advance_meter(system, moment, dice, last, day):
    """Advance the make-up meter; gallons a month follow from leaks and from a relief valve that opens."""
    drawn = dice.between(0, 0.25)
    if system.leaks == "dripping" or moment.signs in ("dripping", "discharging"):
        drawn = dice.between(3, 20)
    elif system.leaks == "weeping":
        drawn = dice.between(0.0, 0.6)
    if last is not None:
        months = (day - last).days / 30.4375
        system.meter_gal += drawn * months
        moment.makeup_gal_per_month = drawn if months > 0.25 else None
    return day


def do_work(system, dice, crew, ordered, on):
    """Mend what was ordered, as well as this crew does; returns the measures it reports."""
    reported = [measure for measure in ordered if dice.chance(0.94)]
    for measure in reported:
        if measure == "replace-tank" and dice.chance(0.1):
            continue  # only the wet valve was changed, the tank left
        if dice.chance(crew.holds):
            house.mend(system, dice, measure, on, wrong_charge=dice.chance(crew.charges_wrongly))
    if dice.chance(crew.charges_wrongly):
        house.mend(system, dice, "set-charge", on, wrong_charge=True)
    if dice.chance(crew.leaves_vent_tight):
        house.plant(system, dice, "vent_tight")
    elif crew.habit == "careful work":
        house.mend(system, dice, "loosen-vent-cap", on)
    return reported


def stated(kind, found, readings, dice):
    """The inspector's verdict: what was found, and now and then a pass after work all the same."""
    if kind != "initial" and dice.chance(0.06):
        return "pass"
    if found:
        return "fail"
    return "incomplete" if readings.get("cold_pressure_psig") is None and dice.chance(0.5) else "pass"


def visit_fields(home, kind, day, inspector, system_id, dice, job, after_work):
    """Who came, when and for which job. A unit is reported some weeks
    after its final inspection, or not yet.
    """
    r = {
        "inspected_on": day, "inspection_kind": kind, "inspector": inspector, "region": home["region"],
        "postal_code": home["postal_code"], "system_id": system_id,
        "inspector_role": {"initial": "auditor", "final": "qci", "qa": "monitor",
            "service": "contractor"}[kind], "job_number": job,
        "qa_reason": ("for_cause" if dice.chance(0.15) else "sample") if kind == "qa" else None,
        "funding": "core" if dice.chance(0.7) else "supplement",
        "updated_hour": dice.whole(14, 23), "updated_minute": dice.whole(0, 59),
    }  # fmt: skip
    if kind in ("final", "qa") or (kind == "service" and after_work):
        r["crew"] = home["crew"].name
    if kind in ("final", "qa"):
        r["completed_on"] = home["work"]
    if kind == "final":
        reported = day + timedelta(days=dice.whole(10, 60))
        if reported <= LAST and dice.chance(0.8):
            r["reported_on"] = reported
    return r


def other_visit(agency, home, dice, heating, kind, day):
    """A visit to a furnace, a steam boiler, a heat pump or an open system: a few words, none to be judged."""
    name = dice.pick(tuple(agency.inspectors))
    r = {
        "heating_system": heating,
        "stories": dice.pick((1, 1.5, 2)),
        "elevation_ft": round(home["elevation_ft"]),
    }
    if heating in ("steam", "hot_water_open"):
        r.update(boiler_output_btuh=5000 * dice.whole(14, 36), fuel=dice.pick(("natural gas", "oil")))
        r.update(
            hot_pressure_psig=dice.pick((0.5, 1.0, 1.5, 2.0)),
            relief_present="yes",
            relief_setting_psig=15.0,
            relief_signs=dice.pick(("dry", "dry", "stained")),
        )
        if heating == "steam":
            r.update(tank_type="none", backflow_device=dice.pick(("none", "dual_check_vented")))
    elif heating == "warm_air":
        r["fuel"] = dice.pick(("natural gas", "propane", "oil"))
    r.update(visit_fields(home, kind, day, name, "", dice, f"{dice.whole(100, 999)}", True))
    r["stated_result"] = dice.pick(("pass", "pass", "fail"))
    truth = {
        "heating_system": heating,
        "elevation_ft": round(home["elevation_ft"], 1),
        "atmosphere_psia": round(atmosphere_psia(home["elevation_ft"]), 3),
    }
    return Visit(agency, home["number"], "", day, kind, r, truth)


def row(agency, home, system, system_id, kind, day, readings, habits, misrecorded, moment, wrong):
    """Put readings and truth of one visit side by side."""
    s, m = system, moment
    infinite = m.hot_free_psig == float("inf")
    required = s.required_tank() if s.tank_type in ("diaphragm", "plain_steel") else None
    evidence = {
        "precharge-under-pressure": "charge read under pressure" in habits
        and readings.get("precharge_psig") is not None,
        "cold-reading-hot": (readings.get("cold_temperature_f") or 0) > 100,
        "pressure-did-not-rise": "stuck gauge read" in habits, "readings-repeated": False,
        "passed-but-readings-disagree": kind != "initial" and readings["stated_result"] == "pass"
        and any(wrong[check] for check in SAFETY_CRITICAL),
        "precharge-echoes-system": echoes(readings), "system-changed-unexplained": False,
        "home-id-reused": False,
    }  # fmt: skip
    truth = {
        "heating_system": "hot_water", "elevation_ft": round(s.elevation_ft, 1),
        "atmosphere_psia": round(s.atmosphere, 3), "height_ft": round(s.height_ft, 2),
        "static_psi": round(s.static, 3), "fluid": s.fluid, "fluid_percent": s.percent or None,
        "pipe_material": s.pipe, "loop_volume_gal": round(s.water_gal, 2),
        "tank_type": s.tank_type, "tank_valve_closed": int(s.tank_valve == "closed"),
        "tank_above_gauge_ft": None if s.tank_type == "none" else s.tank_above_ft,
        "fill_at_tank_psig": round(s.fill_at_tank_psig(m.cold_psig), 2),
        "tank_volume_gal": round(s.tank_gal, 3) or None,
        "charge_psig": None if s.charge_psig is None else round(s.charge_psig, 2),
        "gas_fraction": round(s.gas_psia_gal / s.nominal_gas_psia_gal, 3) if s.tank_gal else None,
        "required_cold_psig": round(s.required_cold_psig, 2),
        "should_have_psig": round(s.should_have_psig, 2), "cold_pressure_psig": round(m.cold_psig, 2),
        "cold_temperature_f": round(m.cold_f, 1), "hot_pressure_psig": round(m.hot_psig, 2),
        "hot_temperature_f": round(m.hot_f, 1),
        "hot_free_psig": "no cushion" if infinite else round(m.hot_free_psig, 2),
        "relief_setting_psig": s.relief_setting_psig if s.relief_present else None,
        "limit_temperature_f": s.sizing_limit_f, "required_tank_gal": required and round(required, 2),
        "predicted_limit_psig": None if m.predicted_limit_psig is None
        else "no cushion" if m.predicted_limit_psig == float("inf") else round(m.predicted_limit_psig, 2),
        "complete_and_trustworthy": int(visits.is_complete(readings, habits, s.tank_type)), "habits": habits,
        "misrecorded": misrecorded,
        "near_limit": house.near_limit(s, m), **wrong, **evidence,
    }  # fmt: skip
    return Visit(agency, home["number"], system_id, day, kind, readings, truth)


def echoes(r):
    """Whether a charge of unknown standing is exactly a system
    pressure that lies more than 2 psi from the fill setting.
    """
    charge, setting = r.get("precharge_psig"), r.get("fill_setting_psig")
    if charge is None or setting is None or r.get("precharge_system_side") is not None:
        return False
    return any(
        r.get(name) == charge and abs(charge - setting) > 2
        for name in ("cold_pressure_psig", "hot_pressure_psig")
    )


def copy_readings(made):
    """Let the copying inspector hand in another home's
    five readings at some visits; both visits are then odd.
    """
    for earlier, later in zip(made, made[1:], strict=False):
        near = (
            earlier.home != later.home
            and (later.on - earlier.on).days <= 6
            and "readings-repeated" in later.truth
            and "readings-repeated" in earlier.truth
        )
        whole = all(
            earlier.readings.get(name) is not None and later.readings.get(name) is not None
            for name in visits.PRESSURE_FIELDS
        )
        dice = Dice(Random(f"{CHANCE} copy {earlier.agency.key} {earlier.home} {later.home}"))
        if (
            near
            and whole
            and not (earlier.truth["habits"] or later.truth["habits"])
            and not earlier.truth["readings-repeated"]
            and dice.chance(0.3)
        ):
            for name in visits.PRESSURE_FIELDS:
                later.readings[name] = earlier.readings[name]
            for visit in (earlier, later):
                visit.truth["readings-repeated"] = True
            later.truth["habits"].add("readings copied from another home")
            later.truth["complete_and_trustworthy"] = 0


def inspect(agency):
    """All visits of one agency in order of date, numbered as the agency numbers them."""
    made = [visit for number in range(1, agency.homes + 1) for visit in live(agency, number)]
    made.sort(key=lambda visit: (visit.on, visit.home, visit.system_id))
    for inspector, style in agency.inspectors.items():
        if style == visits.COPIER:
            copy_readings([visit for visit in made if visit.readings["inspector"] == inspector])
    first_seen = {home: at for at, home in enumerate(dict.fromkeys(visit.home for visit in made), 1)}
    for visit in made:
        visit.home = first_seen[visit.home]
    exports.number(agency.key, made)
    return made


TRUTH = (
    "agency", "inspection_id", "home_id", "system_id", "inspected_on", "inspection_kind", "crew", "inspector",
    "heating_system",
    "complete_and_trustworthy", "habits", "misrecorded", "kept_out", "near_limit", "elevation_ft",
    "atmosphere_psia", "height_ft", "static_psi", "fluid",
    "fluid_percent", "pipe_material", "loop_volume_gal", "tank_type", "tank_valve_closed",
    "tank_above_gauge_ft", "tank_volume_gal", "charge_psig", "fill_at_tank_psig", "gas_fraction",
    "required_cold_psig", "should_have_psig", "cold_pressure_psig", "cold_temperature_f", "hot_pressure_psig",
    "hot_temperature_f", "hot_free_psig",
    "relief_setting_psig", "limit_temperature_f", "required_tank_gal", "predicted_limit_psig",
    *house.MEASURE_FOR,
    "hot-pressure-near-relief", "predicted-pressure-near-relief", "tank-sounds-full", "makeup-excessive",
    "pressure-above-plate", "hot-above-high-limit", "antifreeze-on-automatic-fill",
    "antifreeze-with-single-wall-coil", *EVIDENCE,
)  # fmt: skip


def truth_cells(visit):
    """One line of the truth, as text: yes 1, no 0, empty where the question does not arise."""
    known = {
        **visit.truth, "agency": visit.agency.name, "inspected_on": visit.on, "inspection_kind": visit.kind,
        "system_id": visit.system_id,
        "crew": visit.readings.get("crew"), "inspector": visit.readings["inspector"],
        "inspection_id": visit.readings["inspection_id"], "home_id": visit.readings["home_id"],
    }  # fmt: skip
    return [_text(known.get(column)) for column in TRUTH]


def _text(value):
    if isinstance(value, (set, list)):
        return ";".join(sorted(value))
    return "" if value is None else str(int(value)) if isinstance(value, bool) else str(value)


def write(folder):
    """Write exports, places and truth below `folder`."""
    planted, fleet = folder / "planted", folder / "fleet"
    for each in (planted, fleet):
        each.mkdir(parents=True, exist_ok=True)
    made = {agency.key: inspect(agency) for agency in AGENCIES}
    for agency in AGENCIES:
        name, content = exports.write(agency.key, agency.name, made[agency.key])
        (folder / name).write_bytes(content)
    with open(planted / "truth.csv", "w", encoding="utf-8", newline="") as out:
        lines = csv.writer(out, lineterminator="\n")
        lines.writerow(TRUTH)
        for agency in AGENCIES:
            lines.writerows(truth_cells(visit) for visit in made[agency.key])
    with open(planted / "crews.csv", "w", encoding="utf-8", newline="") as out:
        lines = csv.writer(out, lineterminator="\n")
        lines.writerow(
            (
                "agency",
                "crew",
                "habit",
                "share_of_repairs_that_hold",
                "share_left_with_vent_tight",
                "share_left_with_wrong_charge",
            )
        )
        lines.writerows(
            (a.name, c.name, c.habit, c.holds, c.leaves_vent_tight, c.charges_wrongly)
            for a in AGENCIES
            for c in a.crews
        )
    with open(fleet / "places.csv", "w", encoding="utf-8", newline="") as out:
        lines = csv.writer(out, lineterminator="\n")
        lines.writerow(("agency", "postal_code", "region", "elevation_ft", "spread_ft"))
        sparse = AGENCIES[-1]
        lines.writerows(
            (sparse.name, p.postal_code, p.region, p.elevation_ft, p.spread_ft) for p in sparse.places
        )


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent.parent)
