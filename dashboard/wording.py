"""How things are said and shown: labels, units, number formats, marks of risk. Said once, here.

Everything returns plain text; who draws it escapes it. A missing value is a dash or the words for it, never a
blank that could be read as fine.
"""

import math
from datetime import datetime

import pandas as pd

from pipelines.answers.printed import brought

NOTHING = "–"
NO_COLUMN = "no column"
UNITS = {"degF": "°F", "degC": "°C", "ft2": "ft²", "m2": "m²", "": ""}

# Marks stand beside the words, never instead of them: shape and weight differ as well as color.
RISK_CLASS = {
    "act today": "risk-act",
    "high": "risk-high",
    "serious": "risk-serious",
    "medium": "risk-medium",
    "low": "risk-low",
}
OUTCOME_CLASS = {"deficient": "is-deficient", "not verified": "is-unverified", "not applicable": "is-aside"}
STATE_CLASS = {
    "open": "is-deficient",
    "recurred": "is-deficient",
    "repair did not hold": "is-deficient",
    "not verified": "is-unverified",
    "not applicable": "is-aside",
    "no longer applies": "is-aside",
}

STAGES = {
    "reported with it open": "found on or before the day the unit was reported to the funder",
    "found after reporting": "began after the unit's last report to the funder",
    "open after the final": "the system has had its final inspection, and the unit is not reported",
    "waiting for work": "no final inspection yet, whatever visit found it",
}
STATES = {
    "open": "the last telling result is deficient",
    "recurred": "deficient again after it had been ok",
    "repair did not hold": "deficient again although a repair that fixes it was reported in between",
}
STATES_SAID = "; ".join(f"{state}: {meaning}" for state, meaning in STATES.items()).capitalize() + "."
STAGES_SAID = "; ".join(f"{stage}: {meaning}" for stage, meaning in STAGES.items()).capitalize() + "."
KINDS = {
    "initial": "audit before work",
    "final": "final inspection",
    "qa": "re-inspection",
    "service": "service call",
}
GROUPS = {
    "pressure": "Pressure",
    "tank": "Expansion tank",
    "relief": "Relief valve",
    "potable": "Drinking water",
    "controls": "Air and controls",
    "evidence": "About the readings",
}


SQUARE_CLASS = {"deficient": "filled", "ok": "hollow", "not verified": "hatched", "nothing to check": "none"}
SQUARES_SAID = (
    f"{', '.join(GROUPS.values())}, in this order. Filled: something is open. Hatched: a safety-critical "
    "check was never verified, or none of the group was. Hollow: ok. Dotted: nothing there to check."
)


def squares(row):
    """(words, class) of a home's groups of checks; `row` has a column for each."""
    for group, name in GROUPS.items():
        outcome = text(getattr(row, group))
        yield f"{name}: {outcome}", SQUARE_CLASS.get(outcome, "none")


def missing(value):
    """None, NaN, NaT, NA, an empty text or nothing in a sequence."""
    return not value if isinstance(value, str | tuple) else value is None or pd.isna(value)


def text(value):
    """Words as they are, several one after the other."""
    return NOTHING if missing(value) else "; ".join(value) if isinstance(value, tuple) else str(value)


def one_a_line(texts):
    """Several texts, each on a line of its own; nothing where there is none."""
    return "\n".join(texts)


def one_after_the_other(texts):
    return "; ".join(texts)


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
    return (
        f"{plural(late, 'day')} late"
        if late > 0
        else "due today"
        if late == 0
        else f"in {plural(-late, 'day')}"
    )


def recent(received_at, last_inspected_on, as_of, most_days, later=0):
    """Whether an agency's file is recent on a day, and if not, what is old or lacking.

    `later` inspections are dated after that day.
    """
    said = f"; {plural(int(later), 'inspection')} dated after this day" if later else ""
    if missing(received_at):
        return f"no file loaded{said}"
    age = (as_of - received_at.date()).days
    old = (
        [f"received {plural(age, 'day')} ago"]
        if age > most_days
        else ["newest file came after this day"]
        if age < 0
        else []
    )
    if missing(last_inspected_on):
        old.append("no inspection up to this day")
    elif (age := (as_of - last_inspected_on.date()).days) > most_days:
        old.append(f"newest inspection {plural(age, 'day')} ago")
    return (f"no recent file: {', '.join(old)}" if old else "recent") + said


ORDERS = {
    "risk": "risk, the graver first",
    "-last_inspected_on": "last visit, the newest first",
    "last_inspected_on": "last visit, the oldest first",
    "home_id": "home",
    "-safety_not_verified": "not verified, most first",
    "-days_late": "days late, most first",
    "-open_deficiencies": "number open, most first",
    "agency": "agency",
    "region": "region",
    "crew": "crew",
}


def with_open(count: int | None) -> str:
    """What follows a number of homes where open deficiencies were asked for."""
    return "" if count is None else f" with {plural(count, 'open deficiency', 'open deficiencies')} so found"


def range_of(page, rows, count, one):
    """Which rows of how many a page shows."""
    if count <= rows:
        return plural(count, one)
    return f"{rows * (page - 1) + 1:,} to {min(rows * page, count):,} of {plural(count, one)}"


SEVERITY = {1: "1, gravest", 2: "2", 3: "3", 4: "4, slight"}
PROBABILITY = {"A": "A, often", "B": "B", "C": "C", "D": "D", "E": "E, hardly"}


def yes(value):
    return "yes" if value else ""


def safety(critical, act_today):
    return "safety-critical, act today" if act_today else "safety-critical" if critical else ""


def interval(low, high):
    return (
        NOTHING if missing(low) or missing(high) else f"{percent(low).removesuffix(' %')} to {percent(high)}"
    )


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


def dropped(headings):
    return "" if missing(headings) else f"dropped at the door: {headings.replace('; ', ', ')}"


def by_risk(checks):
    """Graver first, then the older."""
    return sorted(checks, key=lambda check: (list(RISK_CLASS).index(check.risk), check.since))


def last_said(visits, inspection_id):
    """What the deciding visit said, in words without the outcome."""
    return without_outcome("deficient", next(text for visit, _, text in visits if visit == inspection_id))


def without_outcome(outcome, text):
    """A result in words below a heading that says its outcome already."""
    return text.removeprefix(outcome).removeprefix("; ") or NOTHING


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


# ---- a file that comes in

STEPS = (
    "The file is opened and shown as it is read: encoding, separator, headings, the first rows.",
    "If a mapping knows its headings, you see what it would use and load at once. If none does, or several "
    "do, none is chosen for you: you choose one, or make one here.",
    "A new mapping starts from suggestions, each with what speaks for it. Every change shows at once which "
    "cells are used, which are not, and why.",
    "Loading stores the file, less the columns that look personal and that nothing uses, and publishes a "
    "new snapshot.",
)
LARGER_FILES = "Larger files and whole folders are loaded from a terminal:"
NEW_AGENCY = "New: no home of an agency of this name is known yet."
SEPARATORS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "vertical bar"}
DECIMALS = {".": "point: 12.5", ",": "comma: 12,5"}
DATES = {"ymd": "year first: 2025-03-04", "dmy": "day first: 04/03/2025", "mdy": "month first: 03/04/2025"}
CARRIED, IGNORED = "Carry to lists, as written", "Not used"
CARRIED_SAID = "Goes along on every list, as written."
DROPPED_SAID = "Looks personal ({}): dropped before anything is stored."
NO_AGENCY = "The agency: choose it below, or give the column that names it."
NO_DECIMAL = "The decimal mark: the cells do not tell."
NO_DATES = "The order of dates: the cells do not tell which number is the day."
NO_NAME = "A name for the mapping."


def encoding(name):
    return {
        "utf-8": "UTF-8",
        "utf-8-sig": "UTF-8",
        "cp1252": "Windows-1252",
        "windows-1252": "Windows-1252",
    }.get(name.lower(), name.upper())


def size(octets):
    return (
        f"{octets / 1e6:,.1f} MB"
        if octets >= 1e6
        else f"{octets / 1e3:,.0f} KB"
        if octets >= 1e3
        else plural(octets, "byte")
    )


def cut(words, most):
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


def rows_looked_at(rows, all_of_them):
    return f"all {plural(rows, 'row')}" if all_of_them else f"the first {rows:,} rows"


def field_said(called, unit, required):
    """A field in a list of choices: its name and unit."""
    return (
        f"{sentence(called)}{f', {UNITS.get(unit, unit)}' if unit else ''}{' (required)' if required else ''}"
    )


def use(field, called):
    """What a mapping uses a column for."""
    return {"": "none", "carried": "carried to lists", "ignored": "not used, as the mapping says"}.get(
        field
    ) or called(field)


def why_suggested(why):
    return sentence(
        "; ".join(
            reason.replace("_", " ")
            if reason.startswith("could be ")
            else reason.removesuffix(" degF") + " °F" * reason.endswith(" degF")
            for reason in why
        )
    )


def about_use(meaning, why):
    return ". ".join(filter(None, (meaning.rstrip("."), why))) + ("." if meaning or why else "")


def counts(used, not_recorded, with_row, not_used):
    lost = f", {with_row:,} in rows not loaded" if with_row else ""
    return f"{used:,} used, {not_recorded:,} not recorded{lost}, {not_used:,} not used"


def why_not(reasons, examples):
    texts = ", ".join(f"“{cut(text, 24)}”" for text in examples.split("; ") if text)
    return f"{sentence(reasons)}{f': {texts}' if texts else ''}" if reasons else ""


def words_read(texts):
    """Texts and the words they are read as, with how many cells have them."""

    def means(one):
        same = one.text.lower() == one.word.replace("_", " ") or one.text == one.word
        return "" if same else f" → {word(one.word)}"

    return ", ".join(f"{cut(one.text, 28)}{means(one)} ({one.times:,})" for one in texts)


def joined(called, headings):
    return f"Joined into {called}: {' - '.join(headings)}."


def lacking_field(called, meaning):
    return f"A column for {called}: {meaning[:1].lower()}{meaning[1:]}."


def fed_twice(called, headings):
    return f"One column only for {called}: {', '.join(headings)} cannot be joined."


def of_mapping(decided, headings, left_open, with_unused):
    """How far the form is, in a sentence."""
    said = f"{decided:,} of {plural(headings, 'column')} decided"
    said += (
        f", {left_open:,} open: open columns are stored with the file and used for nothing"
        if left_open
        else ""
    )
    return said + (
        f"; {plural(with_unused, 'field has', 'fields have')} cells that are not used."
        if with_unused
        else "; every filled cell of the chosen fields is used."
    )


def recognized(name, missing, unknown):
    """That a mapping knows the headings, and which differ all the same."""
    said = f"The headings are those of mapping {name}."
    said += (
        f" {plural(len(missing), 'heading')} it knows {'is' if len(missing) == 1 else 'are'} not in this "
        f"file: {some(missing)}."
        if missing
        else ""
    )
    return said + (
        f" {plural(len(unknown), 'heading')} of this file {'is' if len(unknown) == 1 else 'are'} new to it "
        f"and not used: {some(unknown)}."
        if unknown
        else ""
    )


def nearest(name, missing, unknown):
    """The nearest mapping and which headings differ, as lines."""
    lines = [f"Nearest is {name}. Nothing is read with it unless you choose so."] if name else []
    lines += [f"It expects, and the file lacks: {some(missing)}"] if missing else []
    return lines + ([f"The file has, and it says nothing of: {some(unknown)}"] if unknown else [])


def fit(name, here, of):
    return f"{name}: {here:,} of {of:,} headings"


def some(texts, most=12):
    return ", ".join(texts[:most]) + (f" and {len(texts) - most:,} more" if len(texts) > most else "")


def loaded(found, saved):
    """What a load did, in a sentence."""
    said = f"The mapping {saved} is saved. " if saved else ""
    return said + (
        "The file had been loaded before with the same mapping: nothing has changed."
        if found["status"] == "already loaded"
        else brought(found)
    )


def answered(telling, checks, opening):
    """How many checks a file answers, and which columns would open most."""
    said = f"It answers {telling:,} of {plural(checks, 'check')}."
    return said + (f" Columns that would open most checks: {opening}." if opening else "")


# ---- cells of a file


def cell_headings(cells):
    """Headings of the columns that a reading came from."""
    return "; ".join(cell.heading for cell in cells) or "none: said of the whole file"


def cell_texts(cells):
    """The cells as they stand in the file, in quotes, so that blanks are seen."""
    return "; ".join(f"“{cut(cell.raw_text, 80)}”" for cell in cells)


def cell_units(cells):
    return "; ".join(dict.fromkeys(cell.unit for cell in cells if cell.unit))
