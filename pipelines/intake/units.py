"""The only room that talks to Pint: what crews write for a unit, and factors between units.

Pressures here are gauge. Absolute ones (psia, kPa abs, bar(a)) are refused, because turning them into gauge
takes the local atmosphere. No unit is ever guessed: a text that could mean two things (MBtu/h, BTU without
the hour, pounds for psi) is not in the vocabulary.
"""

import unicodedata
from dataclasses import dataclass
from functools import cache


class UnitError(ValueError):
    """A unit that cannot be used here; `reason` says why in a few words, `accepted` what would be."""

    def __init__(self, reason: str, unit: str, accepted: str):
        self.reason, self.unit, self.accepted = reason, unit, accepted
        super().__init__(f"{reason}: {unit!r}; accepted: {accepted}")


NOT_UNDERSTOOD = "unit not understood"
OTHER_QUANTITY = "unit of another quantity"
ABSOLUTE = "absolute pressure where gauge is needed"


@dataclass(frozen=True)
class Unit:
    """One unit: our name for it, what it measures, what it is in Pint's words, and how it is written.

    A value times `scale` is a value in `pint`. Spellings are in the form `_key` gives.
    """

    name: str
    quantity: str
    pint: str
    spellings: tuple[str, ...]
    scale: float = 1.0


UNITS: tuple[Unit, ...] = (
    Unit("psi", "pressure", "psi", ("psi", "lb/in2", "lbf/in2", "lbs/in2")),
    Unit("kPa", "pressure", "kilopascal", ("kpa", "kilopascal", "kilopascals")),
    Unit("hPa", "pressure", "hectopascal", ("hpa", "hectopascal", "hectopascals")),
    Unit("MPa", "pressure", "megapascal", ("mpa", "megapascal", "megapascals")),
    Unit("bar", "pressure", "bar", ("bar", "bars")),
    Unit("mbar", "pressure", "millibar", ("mbar", "millibar", "millibars")),
    Unit("inHg", "pressure", "inch_Hg", ("inhg", "inchhg", '"hg', "inchesofmercury")),
    Unit("kgf/cm2", "pressure", "kgf/cm**2", ("kgf/cm2", "kg/cm2")),
    Unit("ft", "length", "foot", ("ft", "foot", "feet", "'")),
    Unit("in", "length", "inch", ("in", "inch", "inches", '"')),
    Unit("m", "length", "meter", ("m", "meter", "meters", "metre", "metres")),
    Unit("cm", "length", "centimeter", ("cm", "centimeter", "centimeters", "centimetre", "centimetres")),
    Unit("mm", "length", "millimeter", ("mm", "millimeter", "millimeters", "millimetre", "millimetres")),
    Unit("ft2", "area", "foot**2", ("ft2", "ft^2", "sqft", "squarefoot", "squarefeet")),
    Unit("m2", "area", "meter**2", ("m2", "m^2", "sqm", "squaremeter", "squaremeters", "squaremetres")),
    Unit("gal", "volume", "gallon", ("gal", "gals", "gallon", "gallons", "usgal", "usgallon", "usgallons")),
    Unit("imp gal", "volume", "imperial_gallon", ("impgal", "imperialgallon", "imperialgallons", "ukgal")),
    Unit("L", "volume", "liter", ("l", "ltr", "liter", "liters", "litre", "litres")),
    Unit("m3", "volume", "meter**3", ("m3", "m^3", "cubicmeter", "cubicmeters", "cubicmetre", "cubicmetres")),
    Unit("ft3", "volume", "foot**3", ("ft3", "ft^3", "cuft", "cubicfoot", "cubicfeet")),
    Unit(
        "Btu/h",
        "heat rate",
        "Btu/hour",
        ("btu/h", "btu/hr", "btuh", "btu/hour", "btuperhour", "btus/h", "btus/hr"),
    ),
    Unit("MBH", "heat rate", "Btu/hour", ("mbh", "kbtu/h", "kbtu/hr", "kbtuh"), scale=1e3),
    Unit("MMBtu/h", "heat rate", "Btu/hour", ("mmbtu/h", "mmbtu/hr", "mmbtuh", "mmbh"), scale=1e6),
    Unit("kW", "heat rate", "kilowatt", ("kw", "kilowatt", "kilowatts")),
    Unit("W", "heat rate", "watt", ("w", "watt", "watts")),
    Unit(
        "degF",
        "temperature",
        "degF",
        ("°f", "f", "degf", "degreef", "degreesf", "fahrenheit", "degreesfahrenheit"),
    ),
    Unit(
        "degC", "temperature", "degC", ("°c", "c", "degc", "degreec", "degreesc", "celsius", "degreescelsius")
    ),
    Unit("K", "temperature", "kelvin", ("k", "kelvin", "kelvins")),
    Unit("A", "current", "ampere", ("a", "amp", "amps", "ampere", "amperes")),
    Unit("mA", "current", "milliampere", ("ma", "milliamp", "milliamps", "milliampere", "milliamperes")),
    Unit(
        "%",
        "share",
        "percent",
        ("%", "percent", "pct", "%vol", "vol%", "vol-%", "%byvolume", "percentbyvolume"),
    ),
    Unit("fraction", "share", "dimensionless", ("fraction",)),
)

_BY_SPELLING = {spelling: unit for unit in UNITS for spelling in unit.spellings}
_GAUGE_ENDINGS = ("(g)", "(gauge)", "gauge", "gage", "g")
_ABSOLUTE_ENDINGS = ("(a)", "(abs)", "(absolute)", "absolute", "abs", "a")
_SIGNS = str.maketrans({"º": "°", "˚": "°", "″": '"', "”": '"', "“": '"', "′": "'", "’": "'", "‘": "'"})


def _key(text: str) -> str:
    """`text` without case, blanks and full stops: "Deg. F" is "degf", "BTU / hr." is "btu/hr"."""
    flat = unicodedata.normalize("NFKC", text.translate(_SIGNS)).translate(_SIGNS)
    return "".join(flat.replace(".", "").split()).casefold()


def _accepted(quantity: str | None = None) -> str:
    return ", ".join(unit.name for unit in UNITS if quantity in (None, unit.quantity))


@cache
def find(text: str, quantity: str | None = None) -> Unit:
    """The unit that `text` names.

    `quantity`, where given, is what it must measure. "psig" and "bar gauge" are the gauge units themselves.
    Raises UnitError for a text that is not understood, an absolute pressure, or another quantity.
    """
    key = _key(text)
    unit = _BY_SPELLING.get(key)
    if unit is None:
        unit = _pressure_before(key, _GAUGE_ENDINGS)
    if unit is None and _pressure_before(key, _ABSOLUTE_ENDINGS):
        raise UnitError(ABSOLUTE, text, f"gauge pressure in {_accepted('pressure')}")
    if unit is None:
        raise UnitError(NOT_UNDERSTOOD, text, _accepted(quantity))
    if quantity is not None and unit.quantity != quantity:
        raise UnitError(OTHER_QUANTITY, text, f"{quantity} in {_accepted(quantity)}")
    return unit


def _pressure_before(key: str, endings: tuple[str, ...]) -> Unit | None:
    for ending in endings:
        unit = _BY_SPELLING.get(key.removesuffix(ending)) if key.endswith(ending) else None
        if unit is not None and unit.quantity == "pressure":
            return unit
    return None


@cache
def affine(unit: str, to: str) -> tuple[float, float]:
    """Factor and offset with value_in_to = value * factor + offset.

    Exactly (1.0, 0.0) where both texts name one unit, so such a value stays as written. One call to Pint for
    each pair of units. Raises UnitError as `find` does.
    """
    target = find(to)
    source = find(unit, target.quantity)
    if source is target:
        return 1.0, 0.0
    registry = _registry()

    def convert(value: float) -> float:
        return registry.Quantity(value * source.scale, source.pint).to(target.pint).magnitude / target.scale

    if source.quantity != "temperature":
        return float(convert(1.0)), 0.0
    offset = round(float(convert(0.0)), 12)  # Pint's 31.999999999999936 is 32
    return round(float(convert(1.0)) - offset, 12), offset


@cache
def _registry():
    import pint  # here, because a fleet whose exports are all in its own units never needs it

    return pint.UnitRegistry()
