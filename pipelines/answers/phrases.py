"""How a number, a band or an outcome reads on a page, in a list and on paper."""

from datetime import datetime

from pipelines.engine.arrays import BESIDE
from pipelines.engine.quantities import BY_NAME as QUANTITIES
from pipelines.fields import BY_NAME, DATE, NUMBER

# How the name of a field, quantity or limit ends that tells its unit.
UNIT_ENDINGS = ("_gal_per_month", "_btuh", "_psig", "_psia", "_psi", "_gal", "_ft2", "_ft", "_f", "_a")


# ---- in words


def shown_quantity(check):
    """Name of the quantity whose band a check shows, the first number its function asks for; None without
    any.
    """
    return next((name for name in check.needs + check.uses if _measure(name)), None)


def unit_shown(check):
    """Unit of the numbers that a check shows; empty where they have none, or where there are none."""
    return (_measure(shown_quantity(check)) or ("", 0))[0]


def counted(count: int, one: str) -> str:
    """So many of one thing: 1,200 units."""
    return f"{count:,} {one}{'' if count == 1 else 's'}"


def called(name):
    """A field or quantity in words, without its unit."""
    field = BY_NAME.get(name)
    if field is None or (field.kind == NUMBER and field.unit):
        ending = next((ending for ending in UNIT_ENDINGS if name.endswith(ending)), "")
        name = name.removesuffix(ending)
    return name.replace("_", " ")


def unit_said(unit):
    """A field's unit as people write it; empty where it has none."""
    return {"degF": "°F", "ft2": "ft²"}.get(unit, unit or "")


def _measure(name):
    """(unit as written, decimals) of a field, a quantity or a number beside them; None of what is no
    number.
    """
    if name in BESIDE:
        return BESIDE[name]
    if name in BY_NAME and BY_NAME[name].kind == NUMBER:
        return unit_said(BY_NAME[name].unit), BY_NAME[name].decimals
    quantity = QUANTITIES.get(name)
    return None if quantity is None or quantity.unit is None else (quantity.unit, quantity.decimals)


def amount(name, value, decimals=None):
    """A number with the decimals and unit of its field or quantity: 12.0 psi."""
    unit, own = _measure(name)
    decimals = own if decimals is None else decimals
    bare = (
        f"{round(value, decimals) + 0.0:,.{decimals}f}"
        if abs(value) >= 10_000
        else f"{round(value, decimals) + 0.0:.{decimals}f}"
    )
    return f"{bare} {unit}" if unit else bare


def band(name, observed, low, high, deficient=False):
    """A number against its limits: 12.0 psi; should be between 17.0 and 19.0.

    Empty where there is neither. More decimals than usual stand where a deficiency would not show without
    them.
    """
    if observed is None and low is None and high is None:
        return ""
    unit, decimals = _measure(name)
    while (
        deficient
        and observed is not None
        and decimals < 6
        and not _outside(round(observed, decimals), low, high, decimals)
    ):
        decimals += 1

    def bare(value):
        return amount(name, value, decimals).removesuffix(f" {unit}")

    seen = [] if observed is None else [amount(name, observed, decimals)]
    last = f" {unit}" if observed is None and unit else ""
    if low is not None and high is not None:
        seen.append(f"should be between {bare(low)} and {bare(high)}{last}")
    elif low is not None:
        seen.append(f"should be at least {bare(low)}{last}")
    elif high is not None:
        seen.append(f"should be at most {bare(high)}{last}")
    return "; ".join(seen)


def _outside(observed, low, high, decimals):
    limits = [(limit, sign) for limit, sign in ((low, -1), (high, 1)) if limit is not None]
    return not limits or any(sign * (observed - round(limit, decimals)) > 0 for limit, sign in limits)


def sure(certainty):
    """A certainty in figures; never rounded to 1."""
    return "certainty above 0.99" if certainty > 0.994 else f"certainty {certainty:.2f}"


def shown(name, value):
    """A reading in words: number with unit, date, or text."""
    field = BY_NAME[name]
    if field.kind == NUMBER:
        # As written, where that is finer.
        kept = max(field.decimals or 0, next((n for n in range(4) if round(value, n) == value), 4))
        return amount(name, value, kept if field.unit else min(kept, 1) if value % 1 else 0)
    if field.kind == DATE:
        return value.isoformat()
    return (
        value.isoformat(sep=" ")
        if isinstance(value, datetime)
        else value.replace("_", " ")
        if field.words
        else value
    )
