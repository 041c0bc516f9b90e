"""How things are said and shown: labels, units, number formats, marks of risk. Said once, here.

Everything returns plain text; who draws it escapes it. A missing value is a dash or the words for it, never a blank
that could be read as fine.
"""

import math
from datetime import datetime

import pandas as pd

NOTHING = "–"
NO_COLUMN = "no column"
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
STATES_SAID = "; ".join(f"{state}: {meaning}" for state, meaning in STATES.items()).capitalize() + "."
STAGES_SAID = "; ".join(f"{stage}: {meaning}" for stage, meaning in STAGES.items()).capitalize() + "."
KINDS = {"initial": "audit before work", "final": "final inspection", "qa": "re-inspection", "service": "service call"}
GROUPS = {"pressure": "Pressure", "tank": "Expansion tank", "relief": "Relief valve", "potable": "Drinking water", "controls": "Air and controls", "evidence": "About the readings"}

def missing(value):
    """None, NaN, NaT, NA, an empty text or nothing in a sequence."""
    return not value if isinstance(value, str | tuple) else value is None or pd.isna(value)


def text(value):
    """Words as they are, several one after the other."""
    return NOTHING if missing(value) else "; ".join(value) if isinstance(value, tuple) else str(value)


def word(value):
    """Ids of words as words."""
    return NOTHING if missing(value) else str(value).replace("_", " ")


def measures(ids):
    """Ids of measures as words."""
    return NOTHING if missing(ids) else ids.replace("-", " ").replace(";", "; ")


def sentence(words):
    """Words as the beginning of a line."""
    return words[:1].upper() + words[1:]


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


def day(value):
    """A date in words: Mar 4, 2025."""
    if missing(value):
        return NOTHING
    return f"{value:%b} {value.day}, {value.year}"


def percent(value):
    """A share in percent, with no more figures than its size supports; a dash where nothing was verified."""
    if missing(value):
        return NOTHING
    return f"{100 * value:.0f} %" if value >= 0.0995 or value == 0 else f"{100 * value:.1f} %"


def plural(count, one, many=None):
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def in_homes(deficiencies, homes):
    """So many deficiencies in so many homes; nothing where the question is not asked."""
    if missing(deficiencies):
        return ""
    if not deficiencies:
        return "none"
    return f"{deficiencies:,.0f} in {plural(int(homes), 'home')}"


def homes(count):
    return "" if missing(count) else plural(int(count), "home")


def days_late(due, as_of):
    """How a due date stands on a day."""
    if missing(due):
        return "no due date"
    late = (as_of - (due.date() if isinstance(due, datetime) else due)).days
    return f"{plural(late, 'day')} late" if late > 0 else "due today" if late == 0 else f"in {plural(-late, 'day')}"


def recent(received_at, last_inspected_on, as_of, most_days):
    """Whether an agency's file is recent on a day, and if not, what is old."""
    ages = {"received": (as_of - received_at.date()).days, "newest inspection": (as_of - last_inspected_on.date()).days}
    old = [f"{name} {plural(age, 'day')} ago" for name, age in ages.items() if age > most_days]
    return f"no recent file: {', '.join(old)}" if old else "recent"


ORDERS = {"risk": "risk, the graver first", "-last_inspected_on": "last visit, the newest first", "last_inspected_on": "last visit, the oldest first", "home_id": "home",
          "-safety_not_verified": "not verified, most first", "region": "region", "crew": "crew"}
CHECK_IS_UNVERIFIED = " With this choice the filter Check means the check that was not verified."


def range_of(page, rows, count, one):
    """Which rows of how many a page shows."""
    if count <= rows:
        return plural(count, one)
    return f"{rows * (page - 1) + 1:,} to {min(rows * page, count):,} of {plural(count, one)}"


HEAT = ("Each cell: the share of verified systems in which the deficiency is open at this stage ({stage}), then how many of how many, then how many were not verified and are in no share. "
        "Darker means a larger share. A dash: not one system could be verified, so nothing is known. Numbers lead to the homes.")
ALTITUDE = ("Each circle counts inspections whose charge can be trusted, by the home's elevation; its area is their number. The level line is the common fill pressure, where a charge should lie unless the house is tall. "
            "The dashed line is where the same tanks would lie had they been charged at sea level and carried up: a gauge reads more where the air is thinner. Circles along it were probably never set on site.")
INTERVALS = "The mark is the share found deficient, the bar its exact 95 % interval: where bars overlap widely, the difference may be chance. Open marks: under 10 verified units."
NO_RANKING = ("Crews stand in the order of the alphabet and are not ranked: small numbers scatter, houses and territories differ, and what was not verified is in no share. "
              "A low share with much not verified is not good work, it is little knowledge. Counts are of units, by their final inspection.")
MATRIX = ("Severity and probability are those of the check, set by the policy after MIL-STD-882E. A deficiency's own risk may be one step higher where its effect was seen, one step lower where it is uncertain: the second table counts by that. "
          "Checks marked act today are acted on the day they are known, whatever their cell.")
LEVELS = "Counted by each deficiency's own risk. Stages are not added up: they ask for different work, by different people, with different money."
ANSWERS = ("A check is answered where at least one inspection of the file has a result that tells; checks about the readings themselves count too. "
           "Columns that would open most checks are counted by the column lacking first: a check may need another one too.")
NEW = "New since the last file counts from an agency's second file on: a first file is new throughout."
SEVERITY = {1: "1, gravest", 2: "2", 3: "3", 4: "4, slight"}
PROBABILITY = {"A": "A, often", "B": "B", "C": "C", "D": "D", "E": "E, hardly"}


def yes(value):
    return "yes" if value else ""


def safety(critical, act_today):
    return "safety-critical, act today" if act_today else "safety-critical" if critical else ""


def interval(low, high):
    return NOTHING if missing(low) or missing(high) else f"{percent(low).removesuffix(' %')} to {percent(high)}"


def limit(value, unit):
    return number(value, 0 if value == round(value) else len(f"{value:.6g}".partition(".")[2]), unit)


def unverified(assessed, count):
    """Safety-critical checks not verified; of a home that was not assessed nothing is known."""
    return whole(count) if assessed else NOTHING


def clock(days):
    return "none" if missing(days) else f"{int(days)}"


def checks_said(ids, titles):
    return "; ".join(titles.get(check, check) for check in ids.split("; "))


def fields_said(fields, called):
    return " or ".join(called(field) for field in fields.split(";"))


def columns_said(counted, called):
    """Columns with how many checks they would open: `counted` is field → count."""
    return ", ".join(f"{called(field)} ({plural(count, 'check')})" for field, count in counted.items())


def remarks(*texts):
    return "; ".join(text.replace("\n", ", ") for text in texts if not missing(text))


def by_risk(checks):
    """Graver first, then the older."""
    return sorted(checks, key=lambda check: (list(RISK_CLASS).index(check.risk), check.since))


def last_said(visits, inspection_id):
    """What the deciding visit said, in words without the outcome."""
    text = next(text for visit, _, text in visits if visit == inspection_id)
    return text.removeprefix("deficient").removeprefix("; ") or NOTHING


def without_risk(headline, risk):
    """A home's headline beside a mark that says its risk already."""
    return headline if missing(risk) else headline.removeprefix(f"{risk}: ")


def in_a_list(headline, risk, most=3):
    """A home's headline in a list: beside its risk, and naming only the first few checks not verified."""
    said, bracket, names = without_risk(headline, risk).partition(" (")
    names = names.removesuffix(")").split(", ")
    more = f" and {len(names) - most} more" if len(names) > most else ""
    return f"{said} ({', '.join(names[:most])}{more})" if bracket else said


def these(count, one):
    return f"this {one}" if count == 1 else f"these {plural(count, one)}"
