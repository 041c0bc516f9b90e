"""How the audit is said: standings, agreement, whose a deficiency is, how certainty was borne out."""

import math

from dashboard.wording import NOTHING, interval, missing, number, percent, plural, sentence, text

WHY = {
    "few to compare": "under eight to compare: crew and houses cannot be told apart",
    "own territory": "nobody else works in these regions: crew and houses cannot be told apart",
    "worse in the best case": "more than expected, whatever the missing readings had shown",
    "better in the worst case": "fewer than expected, whatever the missing readings had shown",
}


def expected(value):
    """An expected count: a number of units that need not be whole."""
    return NOTHING if missing(value) else f"{value:,.1f}"


def stands(row):
    """Where somebody stands on a check, and what it rests on."""
    return row.standing + ("" if missing(row.why) else f": {WHY[row.why]}")


def grid_cell(row):
    """One cell of the grid, in a sentence."""
    units = plural(row.visits, "verified unit")
    parts = [f"{row.name}: {row.observed:,} of {units} deficient, {expected(row.expected)} expected"]
    if row.not_verified:
        parts.append(f"{row.not_verified:,} not verified")
    return "; ".join([*parts, stands(row)])


def beyond_chance(row):
    """What lies beyond chance, in a sentence of a list."""
    than = {"more": "more than chance gives", "fewer": "fewer than chance gives"}[row.beyond]
    return f"{row.observed:,} of {row.visits:,} units deficient, {expected(row.expected)} expected: {than}"


KINDS = {"crew": "Crews", "inspector": "Inspectors", "region": "Regions", "agency": "Agencies"}


def units_counted(count, shown, outcome):
    """The caption of the units that a number counts."""
    what = f" {outcome}" if outcome else " counted"
    first = f"1 to {shown:,} of " if count > shown else ""
    return f"{first}{plural(count, 'unit')}{what}"


def crew_of_visit(row):
    """Whose work a visit's counts as, and how the export names them where that is another name."""
    return text(row.crew) if missing(row.crew_recorded) else f"{row.crew} (recorded as {row.crew_recorded})"


def kappa(row):
    """Cohen's kappa with its interval."""
    if missing(row.kappa):
        return NOTHING
    kappa, low, high = (round(one, 2) + 0.0 for one in (row.kappa, row.kappa_low, row.kappa_high))
    return f"{kappa:.2f} ({low:.2f} to {high:.2f})"


def at_most(share):
    """An upper bound of a share, never rounded down."""
    return f"{math.ceil(round(1000 * share, 6)) / 10:.1f} %"


# ---- how far to trust the readings

UNITS = {"pressure": ("psi", 1), "charge": ("psi", 1), "temperature": ("°F", 0)}
READ = {"pressure": "Pressures", "charge": "Charges", "temperature": "Hot temperatures"}


def read(reading):
    """What was read, of a kind of reading."""
    return READ[reading]


OFTEN = {
    "precharge-under-pressure": "charges read with the system side under pressure",
    "precharge-echoes-system": "charges, the side not recorded, equal to a pressure of the system",
    "readings-repeated": "visits with five readings that stand at another home, too",
    "pressure-did-not-rise": "pairs of pressures that did not rise although they should have",
    "cold-reading-hot": "cold readings taken on a warm loop",
    "recorded": "usual readings recorded: fewer than others record",
}
DIGITS = {
    "whole": "on a whole number",
    "twelve": "on a whole number that is 12",
    "fives": "on a whole number that ends in 0 or 5",
}
DIGITS_OF = {
    "cold_pressure_psig": "cold pressures",
    "hot_pressure_psig": "hot pressures",
    "precharge_psig": "charges",
    "cold_temperature_f": "cold temperatures",
    "hot_temperature_f": "hot temperatures",
}


def amount_off(value, reading):
    """A shift without its sign."""
    unit, decimals = UNITS[reading]
    return number(abs(value), decimals, unit)


def shift(row):
    """A shift and its interval, signed: + reads high."""
    if missing(row.shift):
        return "cannot be told"
    _, decimals = UNITS[row.reading]
    found, low, high = (round(one, decimals) + 0.0 for one in (row.shift, row.low95, row.high95))
    return f"{found:+.{decimals}f} ({low:+.{decimals}f} to {high:+.{decimals}f})"


def gauge_off(row):
    """A gauge or thermometer that is told to be off, in a sentence."""
    side = "high" if row.shift > 0 else "low"
    _, decimals = UNITS[row.reading]
    ends = sorted((abs(row.low95), abs(row.high95)))
    until = "" if missing(row.until) else f" until {row.until:%B %Y}"
    return (
        f"{READ[row.reading]} of {row.inspector} ({row.agency}) read about "
        f"{amount_off(row.shift, row.reading)} {side} since {row.since:%B %Y}{until}: "
        f"{number(ends[0], decimals)} to {amount_off(ends[1], row.reading)}, "
        f"by {plural(row.readings, 'reading')}."
    )


def of_habit(habit):
    """What readings that show a habit are."""
    if habit in OFTEN:
        return OFTEN[habit]
    how, field = habit.split("__")
    return f"{DIGITS_OF[field]} {DIGITS[how]}"


def visits_counted(count, shown):
    """The caption of the visits that a number counts."""
    return f"1 to {shown:,} of {plural(count, 'visit')}" if count > shown else plural(count, "visit")


# ---- over time

BEYOND = {
    "above": "above what chance gives",
    "below": "below what chance gives",
    "high": "high, as chance gives it now and then",
    "low": "low, as chance gives it now and then",
    "within": "within what chance gives",
}


def month(value):
    """A month in words: March 2026."""
    return f"{value:%B %Y}"


def between(fewest, most):
    """How many deficient units chance gives."""
    return NOTHING if missing(most) else f"{fewest:.0f}" if fewest == most else f"{fewest:.0f} to {most:.0f}"


def side(value):
    return BEYOND.get(value, "nothing was verified")


def over_time(found, few):
    """A check over time, in sentences for those who do not see the picture."""
    if not found.verified:
        return "No unit could be verified in any month."
    months = found.months
    told = months[months["verified"] > 0]
    within = int((~told["side"].isin(["above", "below"])).sum())
    parts = [f"{within} of {plural(len(told), 'month')} within what chance gives 998 times in 1,000"]
    for where in ("above", "below"):
        beyond = [_month_said(row, where) for row in told[told["side"] == where].itertuples()]
        parts += [f"{where} it: {', '.join(beyond)}"] if beyond else []
    parts += [
        f"beyond what it gives 95 times in 100, {where}: {', '.join(map(month, beyond))}"
        for where in ("high", "low")
        if len(beyond := told.loc[told["side"] == where, "month"])
    ]
    small = int((told["verified"] < few).sum())
    open_marks = f"{plural(small, 'month')} with fewer than {few:g} verified units, drawn open"
    too_few = ": so few show only a great change" if 2 * small > len(told) else ""
    parts += [open_marks + too_few] if small else []
    none = int(((months["verified"] == 0) & (months["not_verified"] > 0)).sum())
    parts += (
        [f"{plural(none, 'month')} in which units had a final and none could be verified"] if none else []
    )
    return (
        f"In the long run {percent(found.rate)}, {found.deficient:,} of "
        f"{plural(found.verified, 'verified unit')}. {sentence('; '.join(parts))}."
        f"{_changed(found)}"
    )


def _changed(found):
    """From when on the share differs, and from what; '' where chance explains it."""
    if found.changed is None:
        return ""
    before, since = (f"{part['deficient'].sum():,} of {part['verified'].sum():,}" for part in found.parts())
    return (
        f" The share changed with {month(found.changed)}: {before} before, {since} since, more than chance "
        "alone changes in 99 of 100 such series."
    )


def _month_said(row, where):
    """One month beyond its limits: how many were found, and how many chance gives."""
    limit = f"at most {row.most998:.0f}" if where == "above" else f"at least {row.fewest998:.0f}"
    return f"{month(row.month)} ({row.deficient:,} of {row.verified:,}, by chance {limit})"


def happened(event, agency):
    """What happened, in the words of the fleet's table; it names the agency where the page is of none."""
    whose = [name for name in (event.crew, "" if agency else event.agency) if name]
    return f"{', '.join([event.kind, *whose])}: {event.what}"


# ---- certainty


def tenth(row):
    return f"{row.certainty_from:.1f} to {row.certainty_to:.1f}"


def share_borne_out(row):
    """Share of outcomes that the next visit bore out, with its exact interval."""
    return f"{percent(row.borne_out / row.results)} ({interval(row.low95, row.high95)})"


def share_expected(row):
    return percent(row.expected / row.results)
