"""How the audit is said: standings, agreement, whose a deficiency is, how certainty was borne out."""

from dashboard.wording import NOTHING, interval, missing, percent, plural, text

WHY = {
    "few to compare": "under eight to compare: crew and houses cannot be told apart",
    "own territory": "nobody else works in these regions: crew and houses cannot be told apart",
    "worse in the best case": "more than expected, whatever the missing readings had shown",
    "better in the worst case": "fewer than expected, whatever the missing readings had shown",
}


def expected(value):
    """An expected count: a number of units that need not be whole."""
    return NOTHING if missing(value) else f"{value:.1f}"


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


# ---- certainty


def tenth(row):
    return f"{row.certainty_from:.1f} to {row.certainty_to:.1f}"


def share_borne_out(row):
    """Share of outcomes that the next visit bore out, with its exact interval."""
    return f"{percent(row.borne_out / row.results)} ({interval(row.low95, row.high95)})"


def share_expected(row):
    return percent(row.expected / row.results)
