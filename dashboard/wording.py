"""How things are said and shown: labels, units, number formats, marks of risk. Said once, here.

Everything returns plain text; who draws it escapes it. A missing value is a dash or the words for it, never a blank
that could be read as fine.
"""

import math
from datetime import date, datetime

from pipelines.fields import BY_NAME, NUMBER

NOTHING = "–"
UNITS = {"degF": "°F", "psi": "psi", "": ""}

# Marks stand beside the words, never instead of them: shape and weight differ as well as color.
RISK_CLASS = {"act today": "risk-act", "high": "risk-high", "serious": "risk-serious", "medium": "risk-medium", "low": "risk-low"}
OUTCOME_CLASS = {"deficient": "is-deficient", "not verified": "is-unverified", "not applicable": "is-aside"}
STATE_CLASS = {"open": "is-deficient", "recurred": "is-deficient", "repair did not hold": "is-deficient", "not verified": "is-unverified",
               "not applicable": "is-aside", "no longer applies": "is-aside"}

STAGES = {
    "found after reporting": "began after the unit's last report to the funder",
    "left after our work": "the system has had its final inspection",
    "waiting for work": "no final inspection yet, whatever visit found it",
}
STATES = {
    "open": "the last telling result is deficient",
    "recurred": "deficient again after it had been ok",
    "repair did not hold": "deficient again although a repair that fixes it was reported in between",
}
KINDS = {"initial": "audit before work", "final": "final inspection", "qa": "re-inspection", "service": "service call"}
GROUPS = {"pressure": "Pressure", "tank": "Expansion tank", "relief": "Relief valve", "potable": "Drinking water", "controls": "Air and controls", "evidence": "About the readings"}

# name → what it is called, unit, decimals
RECOMPUTED = {
    "atmosphere_psia": ("Local atmosphere, absolute", "psia", 2),
    "static_psi": ("Weight of the water column above the gauge", "psi", 1),
    "required_cold_psig": ("Cold pressure needed at the gauge", "psi", 1),
    "should_have_psig": ("Cold pressure the loop should have", "psi", 1),
    "trusted_charge_psig": ("Tank charge at 60 °F, at the gauge's height", "psi", 1),
    "sea_level_charge_psig": ("What a sea-level charge of 12 psi shows here", "psi", 1),
    "loop_volume_gal": ("Water in the loop", "gal", 1),
    "expansion_gal": ("Expansion from cold to hot reading", "gal", 2),
    "predicted_hot_psig": ("Hot pressure to be expected", "psi", 1),
    "predicted_limit_psig": ("Pressure to be expected at the high limit", "psi", 1),
    "required_tank_gal": ("Tank volume needed", "gal", 1),
    "cushion_ratio": ("Air cushion, share of what the tank should hold", "", 2),
    "headroom_psi": ("Room below the relief setting, measured", "psi", 1),
    "predicted_headroom_psi": ("Room below the relief setting at the high limit", "psi", 1),
}
OWN_LABELS = {
    "qa_reason": "Reason for re-inspection", "home_id": "Home", "inspection_id": "Inspection", "system_id": "System", "inspected_on": "Inspected",
    "btuh": "", "precharge_psig": "Tank charge as read", "stated_result": "Stated result", "boiler_max_pressure_psig": "Boiler's maximum pressure",
    "boiler_min_pressure_psig": "Boiler's minimum pressure", "high_limit_f": "High limit of the operating control", "tank_tap": "Tank sounds when tapped",
    "precharge_system_side": "Water side when the charge was read", "top_height_ft": "Highest point above the gauge", "anticipator_a": "Heat anticipator",
    "controlled_current_a": "Current of what it switches", "makeup_meter_gal": "Make-up water meter", "low_water_cutoff_test": "Low-water cutoff, tested",
    "low_water_cutoff": "Low-water cutoff", "job_number": "Job", "hot_reading_state": "Hot while reading", "cold_reading_state": "Heat while reading cold",
}
ENDINGS = ("_psig", "_psi", "_ft", "_f", "_gal", "_btuh", "_a", "_percent")


def label(field):
    """What a field is called on a page: its name in words, without the unit."""
    if field in OWN_LABELS:
        return OWN_LABELS[field]
    known = BY_NAME.get(field)
    if known is not None and known.kind == NUMBER and known.unit:
        field = next((field[:-len(ending)] for ending in ENDINGS if field.endswith(ending) and ending != "_percent"), field)
    return field.replace("_", " ").capitalize()


def missing(value):
    return value is None or value != value or (isinstance(value, str) and not value)


def text(value):
    """Words as recorded; ids of words lose their underscores."""
    return NOTHING if missing(value) else str(value)


def word(value):
    return NOTHING if missing(value) else str(value).replace("_", " ")


def number(value, decimals=0, unit=""):
    """A number with its unit, thousands set apart; a dash where there is none."""
    if missing(value):
        return NOTHING
    if math.isinf(value):
        return "unbounded"
    shown = f"{round(value, decimals) + 0.0:,.{decimals}f}".replace("-", "−")
    unit = UNITS.get(unit, unit)
    return f"{shown} {unit}" if unit else shown


def whole(value):
    return number(value)


def reading(field, value):
    """A reading as a page shows it: number with unit, or the word."""
    known = BY_NAME[field]
    if missing(value):
        return "not recorded"
    if known.kind == NUMBER:
        if known.name == "boiler_year":
            return f"{value:.0f}"
        decimals = 0 if known.unit in ("Btu/h", "ft") and value == round(value) else known.decimals
        return number(value, decimals, known.unit or "")
    if isinstance(value, (date, datetime)):
        return day(value)
    return word(value) if known.words else str(value)


def day(value):
    """A date in words: Mar 4, 2025."""
    if missing(value):
        return NOTHING
    return f"{value:%b} {value.day}, {value.year}"


def share(part, whole):
    """A share in percent, with no more figures than its size supports; a dash where nothing was verified."""
    if not whole:
        return NOTHING
    return percent(part / whole)


def percent(value):
    if missing(value):
        return NOTHING
    return f"{100 * value:.0f} %" if value >= 0.0995 or value == 0 else f"{100 * value:.1f} %"


def plural(count, one, many=None):
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def days_late(due, as_of):
    """How a due date stands on a day."""
    if missing(due):
        return "no due date"
    late = (as_of - due).days
    return f"{plural(late, 'day')} late" if late > 0 else "due today" if late == 0 else f"in {plural(-late, 'day')}"


def band(observed, low, high, unit, decimals=1):
    """A result in words: 12.0 psi; should be between 17.0 and 19.0 psi."""
    seen = number(observed, decimals, unit)
    bare = lambda value: number(value, decimals)
    shown = UNITS.get(unit, unit)
    end = f" {shown}" if shown else ""
    if not missing(low) and not missing(high):
        return f"{seen}; should be between {bare(low)} and {bare(high)}{end}"
    if not missing(low):
        return f"{seen}; should be at least {bare(low)}{end}"
    if not missing(high):
        return f"{seen}; should be at most {bare(high)}{end}"
    return seen
