"""Four agencies' ways of writing the same readings down: headings, units, words, marks, slips of the pen."""

import csv
import io

KPA_PER_PSI, BAR_PER_PSI, LITERS_PER_GAL, M_PER_FT, KW_PER_BTUH = (
    6.894757,
    0.06894757,
    3.785412,
    0.3048,
    0.000293071,
)


def number(key, made):
    """Give homes and visits their ids, as this agency counts; two agencies count both from 1."""
    visits_of = {}
    for at, visit in enumerate(made, 1):
        nth = visits_of[visit.home] = visits_of.get(visit.home, 0) + 1
        home, job = visit.home, visit.readings["job_number"]
        ids = {
            "tillamere": (at, home, f"J{home:04d}-{job}"),
            "ouvray": (f"{20000 + 7 * home}-{nth}", f"H-{home:04d}", f"WO{home:05d}"),
            "valbrenn": (f"VB-{visit.on:%y}-{at:04d}", f"F{home:04d}", f"D-{home:04d}"),
            "hollin": (at, home, f"{home}"),
        }
        visit.readings.update(
            zip(("inspection_id", "home_id", "job_number"), map(str, ids[key]), strict=True)
        )
        visit.readings.update(file=20000 + 7 * home, nth=nth)


def write(key, agency, made):
    """File name and bytes of one agency's export; what is spoiled on purpose is noted in the truth."""
    return {"tillamere": canonical, "ouvray": metric, "valbrenn": accented, "hollin": sparse}[key](
        agency, made
    )


def plain(value):
    """A cell: days as ISO, lists parted by semicolons, whole numbers without a point, nothing for nothing."""
    if value is None:
        return ""
    if isinstance(value, (list, tuple)):
        return ";".join(value)
    return f"{value:g}" if isinstance(value, float) and abs(value) < 1e5 else str(value)


def spoil(rows, made, heading, field, at, text):
    """Write `text` into the first filled cell of a column from row `at` on.

    `field` is "row" where the whole row will be lost, and nothing where the cell is read: the checks find
    it implausible.
    """
    while not rows[at].get(heading):
        at += 1
    rows[at][heading] = text
    made[at].truth["kept_out"] = field
    made[at].truth["complete_and_trustworthy"] = 0


def as_csv(headings, rows, *, delimiter=",", before=(), after=(), encoding="utf-8", end="\n"):
    out = io.StringIO()
    lines = csv.writer(out, delimiter=delimiter, lineterminator=end)
    out.writelines(line + end for line in before)
    lines.writerow(headings)
    lines.writerows([row.get(heading, "") for heading in headings] for row in rows)
    out.writelines(line + end for line in after)
    return out.getvalue().encode(encoding)


# Our own headings ------------------------------------------------------------------------------------------

CANONICAL = (
    "agency", "inspection_id", "home_id", "system_id", "inspected_on", "region", "inspection_kind",
    "qa_reason", "inspector", "inspector_role", "crew",
    "stated_result", "stated_deficiencies", "updated_at", "notes", "job_number", "funding", "work_ordered",
    "repairs_reported", "completed_on", "reported_on",
    "address", "postal_code", "elevation_ft", "stories", "heated_area_ft2", "boiler_level", "top_height_ft",
    "water_source",
    "heating_system", "boiler_output_btuh",
    "boiler_max_pressure_psig", "boiler_min_pressure_psig", "boiler_year", "fuel", "emitter",
    "system_volume_gal", "buffer_tank", "buffer_tank_gal",
    "pipe_material", "antifreeze", "antifreeze_percent", "water_treatment", "domestic_coil",
    "supply_pressure_psig", "fill_setting_psig", "fill_connection",
    "cold_pressure_psig", "cold_temperature_f", "cold_reading_state", "hot_pressure_psig",
    "hot_temperature_f", "hot_reading_state", "high_limit_f",
    "pressure_read_with", "boiler_gauge", "leaks_seen", "makeup_meter_gal", "tank_type", "tank_volume_gal",
    "tank_above_gauge_ft", "tank_temperature_f",
    "precharge_psig", "precharge_system_side", "tank_air_valve", "tank_tap", "tank_valve", "relief_present",
    "relief_setting_psig", "relief_capacity_btuh",
    "relief_mounting", "relief_discharge_end", "relief_discharge_pipe", "relief_signs", "backflow_device",
    "backflow_tested_on", "vent_cap", "thermostat",
    "anticipator_a", "controlled_current_a", "low_water_cutoff", "low_water_cutoff_test",
)  # fmt: skip
STREETS = (
    "Quillfeather Lane",
    "Old Lanternwick Road",
    "Marrowbell Street",
    "Sixpence Heron Way",
    "Tumbledrift Court",
    "Wrenbarrow Hill",
)
NOTES = (
    "Basement door sticks, use the side entrance.",
    'Owner asks for a call first, "not before nine".',
    "Dog in the yard; friendly.",
    "Tank strap loose, tightened.",
)


def canonical(agency, made):
    rows = []
    for visit in made:
        r = visit.readings
        row = {name: plain(r.get(name)) for name in CANONICAL} | {"agency": agency}
        row["updated_at"] = f"{visit.on}T{r['updated_hour']:02d}:{r['updated_minute']:02d}:00Z"
        if visit.home % 23 == 0:
            row["address"] = f"{11 + 3 * visit.home % 400} {STREETS[visit.home % len(STREETS)]}"
        if visit.home % 31 == 4:
            row["notes"] = NOTES[visit.home % len(NOTES)]
        rows.append(row)
    spoil(rows, made, "cold_pressure_psig", "cold_pressure_psig", 140, "1200")
    spoil(rows, made, "hot_temperature_f", "hot_temperature_f", 433, "18O")
    spoil(rows, made, "tank_type", "tank_type", 611, "expansion")
    spoil(rows, made, "cold_pressure_psig", "cold_pressure_psig", 790, "1350")
    spoil(rows, made, "cold_pressure_psig", "", 962, "120")
    spoil(rows, made, "inspected_on", "row", 875, "2026-02-30")
    rows.insert(302, dict(rows[301]))
    return "tillamere-community-partners.csv", as_csv(CANONICAL, rows)


# Metric, other words, an id in two columns -----------------------------------------------------------------

METRIC_WORDS = {
    "inspection_kind": {"initial": "Audit", "final": "Final", "qa": "Re-inspection",
        "service": "Service call"},
    "inspector_role": {"auditor": "Auditor", "qci": "Final inspector", "monitor": "Monitor",
        "contractor": "Contractor"},
    "stated_result": {"pass": "Passed", "fail": "Failed", "incomplete": "Not finished"},
    "heating_system": {"hot_water": "Hydronic closed", "hot_water_open": "Hydronic open", "steam": "Steam",
        "warm_air": "Forced air", "heat_pump": "Heat pump", "other": "Other"},
    "emitter": {"fin_tube": "Baseboard", "convector": "Convectors", "cast_iron_radiator": "Cast iron",
        "panel_radiator": "Panels", "radiant_floor": "Floor", "fan_coil": "Air handler"},
    "pipe_material": {"copper": "Cu", "steel": "Fe", "pex": "Plastic"},
    "antifreeze": {"none": "No glycol", "propylene_glycol": "Propylene", "ethylene_glycol": "Ethylene"},
    "boiler_level": {"basement": "Below ground", "lowest_floor": "Ground floor", "top_or_attic": "Attic"},
    "fill_connection": {"automatic": "Automatic", "manual": "By hand", "valved_off": "Shut",
        "feeder_tank": "Feeder", "none": "No connection"},
    "cold_reading_state": {"heat_off": "Off", "heat_not_shut_off": "Could not be shut off"},
    "hot_reading_state": {"all_zones_hot": "All", "some_zones": "Some", "boiler_only": "Boiler only"},
    "pressure_read_with": {"boiler_gauge": "Boiler's gauge", "test_gauge": "Our gauge"},
    "boiler_gauge": {"works": "Good", "stuck": "Stuck", "missing": "Missing"},
    "leaks_seen": {"none": "Dry", "weeping": "Weeping", "dripping": "Dripping"},
    "tank_type": {"diaphragm": "Bladder", "plain_steel": "Plain steel", "open": "Open",
        "built_in": "In boiler", "none": "No tank"},
    "precharge_system_side": {"relieved": "At zero", "pressurized": "Under pressure"},
    "tank_valve": {"none": "No valve", "open": "Open", "closed": "Closed"},
    "relief_mounting": {"on_boiler": "On boiler", "on_pipe_no_valve": "On pipe",
        "valve_between": "Behind a valve"},
    "relief_discharge_end": {"visible_drain": "Floor drain", "visible_pan": "Pan", "outdoors": "Outside",
        "crawlspace": "Crawlspace", "concealed": "Out of sight", "none": "Not piped"},
    "relief_discharge_pipe": {"full_size": "Full", "reduced": "Reduced", "trapped": "Trap", "valved": "Valve",
        "capped": "Cap", "ends_high": "Ends high"},
    "backflow_device": {
        "none": "No device", "single_check": "Check valve", "dual_check": "Dual check",
        "dual_check_vented": "Dual check, vented", "double_check": "Double check assembly",
        "reduced_pressure": "Reduced pressure zone", "air_gap": "Air gap",
    },
    "low_water_cutoff": {"probe_or_float": "Probe", "flow_or_pressure_switch": "Flow switch",
        "no": "Not fitted"},
    "low_water_cutoff_test": {"stopped_burner": "Burner stopped", "failed": "Burner ran on",
        "not_tested": "Not tested"},
}  # fmt: skip


def _kpa(psi):
    return f"{psi * KPA_PER_PSI:.0f}"


def _celsius(f):
    return f"{round(2 * (f - 32) / 1.8) / 2:g}"


def _liters(gal):
    return f"{gal * LITERS_PER_GAL:.0f}"


def _meters(ft):
    return f"{ft * M_PER_FT:.1f}"


def _kilowatts(btuh):
    return f"{btuh * KW_PER_BTUH:.1f}"


METRIC = {
    "Home": ("home_id", plain), "Date of visit": ("inspected_on", plain),
    "Kind of visit": ("inspection_kind", None), "Seen by": ("inspector", plain),
    "Role": ("inspector_role", None), "Work by": ("crew", plain), "Outcome": ("stated_result", None),
    "Region": ("region", plain), "Post code": ("postal_code", plain),
    "Work order": ("job_number", plain), "Fund": ("funding", plain), "Ordered work": ("work_ordered", plain),
    "Reported work": ("repairs_reported", plain),
    "Work finished": ("completed_on", plain), "Unit reported": ("reported_on", plain),
    "Heating": ("heating_system", None), "Boiler output kW": ("boiler_output_btuh", _kilowatts),
    "Boiler max kPa": ("boiler_max_pressure_psig", _kpa), "Boiler year": ("boiler_year", plain),
    "Emitters": ("emitter", None), "Water content L": ("system_volume_gal", _liters),
    "Buffer vessel": ("buffer_tank", plain), "Buffer vessel L": ("buffer_tank_gal", _liters),
    "Pipe": ("pipe_material", None), "Glycol": ("antifreeze", None),
    "Glycol %": ("antifreeze_percent", plain), "Treated": ("water_treatment", plain),
    "House water": ("water_source", plain), "Elevation m": ("elevation_ft", _meters),
    "Floors": ("stories", plain), "Boiler stands": ("boiler_level", None),
    "Top point m": ("top_height_ft", _meters), "Mains kPa": ("supply_pressure_psig", _kpa),
    "Fill setting kPa": ("fill_setting_psig", _kpa), "Fill": ("fill_connection", None),
    "Cold kPa": ("cold_pressure_psig", _kpa), "Cold °C": ("cold_temperature_f", _celsius),
    "Heat during cold reading": ("cold_reading_state", None), "Hot kPa": ("hot_pressure_psig", _kpa),
    "Hot °C": ("hot_temperature_f", _celsius),
    "Zones hot": ("hot_reading_state", None), "Control limit °C": ("high_limit_f", _celsius),
    "Read with": ("pressure_read_with", None), "Boiler gauge": ("boiler_gauge", None),
    "Leaks": ("leaks_seen", None), "Tank": ("tank_type", None),
    "Tank L": ("tank_volume_gal", lambda gal: f"{gal * LITERS_PER_GAL:.1f}"),
    "Tank above gauge m": ("tank_above_gauge_ft", lambda ft: f"{ft * M_PER_FT:.2f}"),
    "Tank °C": ("tank_temperature_f", _celsius), "Air charge kPa": ("precharge_psig", _kpa),
    "Water side at charge": ("precharge_system_side", None), "At air valve": ("tank_air_valve", plain),
    "Tap": ("tank_tap", plain), "Valve at tank": ("tank_valve", None),
    "Relief fitted": ("relief_present", plain), "Relief bar": ("relief_setting_psig",
        lambda psi: f"{psi * BAR_PER_PSI:.2f}"), "Relief kW": ("relief_capacity_btuh", _kilowatts),
    "Relief mounting": ("relief_mounting", None), "Relief ends": ("relief_discharge_end", None),
    "Relief pipe": ("relief_discharge_pipe", None), "Relief shows": ("relief_signs", plain),
    "Backflow": ("backflow_device", None), "Backflow tested": ("backflow_tested_on", plain),
    "Vent cap": ("vent_cap", plain), "Low water cutoff": ("low_water_cutoff", None),
    "Cutoff test": ("low_water_cutoff_test", None),
}  # fmt: skip


def metric(agency, made):
    headings = ("File no", "Visit no", "Tract", "Program year", *METRIC, "Printed by")
    rows = []
    for visit in made:
        r = visit.readings
        row = {
            "File no": str(r["file"]),
            "Visit no": str(r["nth"]),
            "Tract": f"T-{7 + visit.home % 9}",
            "Printed by": "office",
        }
        row["Program year"] = str(visit.on.year - (visit.on.month < 7))
        for heading, (field, form) in METRIC.items():
            value = r.get(field)
            row[heading] = (
                "" if value is None else METRIC_WORDS[field][value] if form is None else form(value)
            )
        rows.append(row)
    spoil(rows, made, "Hot kPa", "hot_pressure_psig", 210, "18000")
    spoil(rows, made, "Tank", "tank_type", 402, "Balloon")
    spoil(rows, made, "Cold °C", "cold_temperature_f", 515, "about 20")
    return "ouvray-plateau-energy-aid.csv", as_csv(headings, rows, end="\r\n")


# Semicolons, decimal commas, accents, units in the cells ---------------------------------------------------

ACCENTED_WORDS = {
    "inspection_kind": {"initial": "Relevé initial", "final": "Contrôle final", "qa": "Contre-visite",
        "service": "Dépannage"},
    "stated_result": {"pass": "Conforme", "fail": "Non conforme", "incomplete": "Incomplet"},
    "heating_system": {
        "hot_water": "Eau chaude fermé", "hot_water_open": "Eau chaude ouvert", "steam": "Vapeur",
        "warm_air": "Air pulsé", "heat_pump": "Thermopompe", "other": "Autre",
    },
    "emitter": {"fin_tube": "Plinthes", "convector": "Convecteurs", "cast_iron_radiator": "Fonte",
        "panel_radiator": "Panneaux", "radiant_floor": "Plancher", "fan_coil": "Ventiloconvecteur"},
    "pipe_material": {"copper": "Cuivre", "steel": "Acier", "pex": "Polyéthylène"},
    "antifreeze": {"none": "Aucun", "propylene_glycol": "Propylène glycol",
        "ethylene_glycol": "Éthylène glycol"},
    "buffer_tank": {"yes": "Oui", "no": "Non"}, "water_treatment": {"yes": "Oui", "no": "Non"},
    "relief_present": {"yes": "Oui", "no": "Non"},
    "boiler_level": {"basement": "Sous-sol", "lowest_floor": "Rez-de-chaussée", "top_or_attic": "Grenier"},
    "fill_connection": {"automatic": "Automatique", "manual": "Manuel", "valved_off": "Fermé",
        "feeder_tank": "Réservoir d'appoint", "none": "Aucun"},
    "cold_reading_state": {"heat_off": "Chauffage arrêté", "heat_not_shut_off": "Arrêt impossible"},
    "hot_reading_state": {"all_zones_hot": "Toutes les zones", "some_zones": "Quelques zones",
        "boiler_only": "Chaudière seule"},
    "pressure_read_with": {"boiler_gauge": "Manomètre de la chaudière", "test_gauge": "Manomètre étalon"},
    "boiler_gauge": {"works": "En ordre", "stuck": "Bloqué", "missing": "Absent"},
    "leaks_seen": {"none": "Aucune", "weeping": "Suintement", "dripping": "Goutte à goutte"},
    "tank_type": {"diaphragm": "À membrane", "plain_steel": "Acier sans membrane", "open": "Ouvert",
        "built_in": "Intégré", "none": "Aucun"},
    "precharge_system_side": {"relieved": "Sans pression", "pressurized": "Sous pression"},
    "tank_air_valve": {"air": "Air", "water": "Eau"},
    "tank_valve": {"none": "Aucun", "open": "Ouvert", "closed": "Fermé"},
    "relief_mounting": {"on_boiler": "Sur la chaudière", "on_pipe_no_valve": "Sur conduite",
        "valve_between": "Derrière un robinet"},
    "relief_discharge_end": {"visible_drain": "Drain visible", "visible_pan": "Bac visible",
        "outdoors": "Extérieur", "crawlspace": "Vide sanitaire", "concealed": "Caché", "none": "Aucun tuyau"},
    "relief_discharge_pipe": {"full_size": "Plein diamètre", "reduced": "Réduit", "trapped": "Siphon",
        "valved": "Robinet", "capped": "Bouché", "ends_high": "Trop haut"},
    "relief_signs": {"dry": "Sec", "stained": "Taché", "dripping": "Goutte", "discharging": "Débite"},
    "backflow_device": {
        "none": "Aucun", "single_check": "Clapet simple", "dual_check": "Double clapet",
        "dual_check_vented": "Double clapet à évent", "double_check": "Double clapet vérifiable",
        "reduced_pressure": "Pression réduite", "air_gap": "Coupure antiretour",
    },
    "vent_cap": {"loose": "Desserré", "tight": "Serré", "no_vent": "Pas de purgeur"},
    "low_water_cutoff": {"probe_or_float": "Sonde", "flow_or_pressure_switch": "Débitmètre à contact",
        "no": "Absent"},
    "low_water_cutoff_test": {"stopped_burner": "Brûleur arrêté", "failed": "Échec",
        "not_tested": "Non vérifié"},
}  # fmt: skip
MEASURE_WORDS = {
    "set-charge": "Réglage de la charge", "set-fill-pressure": "Réglage du remplissage",
    "fit-supply-regulator": "Pose du réducteur", "replace-tank": "Réservoir remplacé",
    "drain-tank": "Réservoir vidangé", "open-tank-valve": "Robinet du réservoir ouvert",
    "replace-relief-valve": "Soupape remplacée", "remount-relief-valve": "Soupape remontée",
    "repipe-relief-discharge": "Décharge refaite", "fit-backflow-preventer": "Antiretour posé",
    "test-backflow-preventer": "Antiretour vérifié",
    "loosen-vent-cap": "Capuchon desserré", "replace-vent-by-plug": "Purgeur bouchonné",
    "fit-low-water-cutoff": "Sonde de niveau posée", "replace-gauge": "Manomètre remplacé",
    "repair-leak": "Fuite réparée", "set-anticipator": "Anticipateur réglé",
}  # fmt: skip


def _comma(digits):
    return lambda value: f"{value:.{digits}f}".replace(".", ",")


def _psi(value, at):
    """Pressures as the crew writes them: mostly with the unit, one here and there in kilopascals."""
    text = f"{value:g}".replace(".", ",")
    return f"{value * KPA_PER_PSI:.0f} kPa" if at % 97 == 13 else f"{text} psi" if at % 5 else text


def _slashed(day):
    return f"{day:%d/%m/%Y}"


def _celsius_comma(f):
    return _celsius(f).replace(".", ",")


ACCENTED = {
    "N° de visite": ("inspection_id", plain), "Foyer": ("home_id", plain), "Date": ("inspected_on", _slashed),
    "Genre de visite": ("inspection_kind", None),
    "Relevé par": ("inspector", plain), "Équipe": ("crew", plain), "Résultat": ("stated_result", None),
    "Région": ("region", plain), "Code postal": ("postal_code", plain),
    "Dossier": ("job_number", plain), "Travaux déclarés": ("repairs_reported", "measures"),
    "Travaux finis le": ("completed_on", _slashed), "Déclaré le": ("reported_on", _slashed),
    "Chauffage": ("heating_system", None), "Puissance (MBH)": ("boiler_output_btuh",
        lambda btuh: _comma(0)(btuh / 1000)), "Pression max. chaudière": ("boiler_max_pressure_psig", "psi"),
    "Émetteurs": ("emitter", None), "Contenance (L)": ("system_volume_gal",
        lambda gal: _comma(0)(gal * LITERS_PER_GAL)), "Réservoir tampon": ("buffer_tank", None),
    "Tampon (L)": ("buffer_tank_gal", lambda gal: _comma(0)(gal * LITERS_PER_GAL)),
    "Tuyauterie": ("pipe_material", None), "Antigel": ("antifreeze", None),
    "Antigel (%)": ("antifreeze_percent", plain), "Eau traitée": ("water_treatment", None),
    "Altitude (m)": ("elevation_ft", lambda ft: _comma(0)(ft * M_PER_FT)),
    "Étages": ("stories", lambda n: f"{n:g}".replace(".", ",")), "Chaudière au": ("boiler_level", None),
    "Point haut (m)": ("top_height_ft", lambda ft: _comma(1)(ft * M_PER_FT)),
    "Réglage remplissage": ("fill_setting_psig", "psi"), "Remplissage": ("fill_connection", None),
    "Pression à froid": ("cold_pressure_psig", "psi"),
    "Température à froid (°C)": ("cold_temperature_f", _celsius_comma),
    "Relevé à froid": ("cold_reading_state", None), "Pression à chaud": ("hot_pressure_psig", "psi"),
    "Température à chaud (°C)": ("hot_temperature_f", _celsius_comma),
    "Relevé à chaud": ("hot_reading_state", None), "Consigne haute (°C)": ("high_limit_f", _celsius_comma),
    "Lu au": ("pressure_read_with", None), "Manomètre": ("boiler_gauge", None),
    "Fuites": ("leaks_seen", None), "Vase d'expansion": ("tank_type", None),
    "Vase (L)": ("tank_volume_gal", lambda gal: _comma(1)(gal * LITERS_PER_GAL)),
    "Vase au-dessus (m)": ("tank_above_gauge_ft", lambda ft: _comma(2)(ft * M_PER_FT)),
    "Température du vase (°C)": ("tank_temperature_f", _celsius_comma),
    "Précharge": ("precharge_psig", "psi"), "Précharge relevée": ("precharge_system_side", None),
    "À la valve d'air": ("tank_air_valve", None), "Robinet du vase": ("tank_valve", None),
    "Soupape": ("relief_present", None), "Tarage soupape": ("relief_setting_psig", "psi"),
    "Débit soupape (MBH)": ("relief_capacity_btuh", lambda btuh: _comma(0)(btuh / 1000)),
    "Montage soupape": ("relief_mounting", None), "Décharge vers": ("relief_discharge_end", None),
    "Tuyau de décharge": ("relief_discharge_pipe", None), "État soupape": ("relief_signs", None),
    "Antiretour": ("backflow_device", None),
    "Antiretour vérifié le": ("backflow_tested_on", _slashed), "Purgeur": ("vent_cap", None),
    "Niveau bas": ("low_water_cutoff", None), "Essai niveau bas": ("low_water_cutoff_test", None),
}  # fmt: skip
OFTEN_SAID_MISSING = ("precharge_psig", "cold_pressure_psig", "system_volume_gal")


def accented(agency, made):
    rows = []
    for at, visit in enumerate(made):
        row = {}
        for heading, (field, form) in ACCENTED.items():
            value = visit.readings.get(field)
            if value is None:
                row[heading] = (
                    "n/d"
                    if field in OFTEN_SAID_MISSING and visit.readings["heating_system"] == "hot_water"
                    else ""
                )
            elif form is None:
                row[heading] = ACCENTED_WORDS[field][value]
            elif form == "psi":
                row[heading] = _psi(value, at + len(field))
            elif form == "measures":
                row[heading] = ";".join(MEASURE_WORDS[measure] for measure in value)
            else:
                row[heading] = form(value)
        rows.append(row)
    spoil(rows, made, "Pression à froid", "cold_pressure_psig", 121, "env. 14 psi")
    spoil(rows, made, "État soupape", "relief_signs", 260, "Rouillé")
    spoil(rows, made, "Tarage soupape", "relief_setting_psig", 377, "300 psi")
    blank = ";" * (len(ACCENTED) - 1)
    before = (f"{agency} — relevé des visites{blank}", f"Période : mars 2025 à août 2026{blank}", blank)
    after = (f"Total;{len(rows)} visites" + ";" * (len(ACCENTED) - 2),)
    return "foyers-du-val-brenn.csv", as_csv(
        tuple(ACCENTED), rows, delimiter=";", before=before, after=after, encoding="windows-1252", end="\r\n"
    )


# A dozen columns -------------------------------------------------------------------------------------------

SPARSE_WORDS = {
    "inspection_kind": {"initial": "audit", "final": "final", "qa": "qa", "service": "call"},
    "stated_result": {"pass": "P", "fail": "F", "incomplete": "I"},
    "heating_system": {
        "hot_water": "boiler",
        "hot_water_open": "boiler open",
        "steam": "steam",
        "warm_air": "furnace",
        "heat_pump": "heat pump",
        "other": "other",
    },
    "tank_type": {
        "diaphragm": "bladder",
        "plain_steel": "steel",
        "open": "open",
        "built_in": "in unit",
        "none": "none",
    },
}
SPARSE = {
    "Insp #": "inspection_id", "Home #": "home_id", "Date": "inspected_on", "Type": "inspection_kind",
    "Crew": "crew", "Insp by": "inspector", "P/F": "stated_result",
    "Heat": "heating_system", "Floors": "stories", "Cold psi": "cold_pressure_psig",
    "Hot psi": "hot_pressure_psig", "Relief psi": "relief_setting_psig",
    "Exp tank": "tank_type", "Tank air psi": "precharge_psig", "ZIP": "postal_code",
}  # fmt: skip


def sparse(agency, made):
    rows = []
    for at, visit in enumerate(made):
        row = {}
        for heading, field in SPARSE.items():
            value = visit.readings.get(field)
            row[heading] = SPARSE_WORDS[field].get(value, "") if field in SPARSE_WORDS else plain(value)
        row["Date"] = f"{visit.on.month}/{visit.on.day}/{visit.on.year}"
        if visit.readings["heating_system"] == "hot_water" and at % 17 == 5:
            row["Heat"] = ""
        visit.truth["complete_and_trustworthy"] = 0
        rows.append(row)
    spoil(rows, made, "Cold psi", "cold_pressure_psig", 66, "1120")
    spoil(rows, made, "Exp tank", "tank_type", 180, "yes")
    spoil(rows, made, "Date", "row", 244, "")
    after = (f"Total inspections,{len(rows)}" + "," * (len(SPARSE) - 2),)
    return "hollin-peaks-home-repair.csv", as_csv(tuple(SPARSE), rows, after=after)
