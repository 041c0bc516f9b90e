"""Units: what crews write, factors against print and against Pint, and what is refused."""

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.fields import FIELDS
from pipelines.intake import units
from pipelines.intake.units import ABSOLUTE, NOT_UNDERSTOOD, OTHER_QUANTITY, UNITS, UnitError

REGISTRY = pint.UnitRegistry()

# NIST SP 811 (2008), appendix B.8, factors to SI as printed
# (from memory); the last digit printed is the tolerance.
TO_SI = [
    ("psi", "kPa", 6.894757, 1e-6),
    ("inHg", "kPa", 3.386389, 1e-6),
    ("bar", "kPa", 100.0, 0.0),
    ("kgf/cm2", "kPa", 98.0665, 1e-4),
    ("ft", "m", 0.3048, 0.0),
    ("in", "mm", 25.4, 0.0),
    ("gal", "L", 3.785412, 1e-6),
    ("imp gal", "L", 4.54609, 1e-5),
    ("ft3", "m3", 2.831685e-2, 1e-8),
    (
        "Btu/h",
        "W",
        0.2930711,
        5e-7,
    ),  # printed for the International Table Btu; Pint's differs in the sixth digit
    ("MBH", "kW", 0.2930711, 5e-7),
]


@pytest.mark.parametrize("unit, to, printed, tolerance", TO_SI)
def test_factors_against_print(unit, to, printed, tolerance):
    factor, offset = units.affine(unit, to)
    assert offset == 0.0
    assert factor == pytest.approx(printed, rel=1e-12, abs=tolerance)


@pytest.mark.parametrize("celsius, fahrenheit", [(0, 32), (100, 212), (-40, -40), (20, 68), (82.5, 180.5)])
def test_temperatures_at_points_everybody_knows(celsius, fahrenheit):
    factor, offset = units.affine("°C", "degF")
    assert celsius * factor + offset == pytest.approx(fahrenheit, abs=1e-9)
    factor, offset = units.affine("K", "degF")
    assert (celsius + 273.15) * factor + offset == pytest.approx(fahrenheit, abs=1e-9)


@pytest.mark.parametrize(
    "texts, name",
    [
        (("psi", "PSI", "psig", "psi g", "PSI(g)", "p.s.i.", "psi gauge", "lb/in2"), "psi"),
        (("kPa", "KPA", "kPag", "kPa gauge"), "kPa"),
        (("hPa", "hpa"), "hPa"),
        (("bar", "Bar", "barg", "bar(g)"), "bar"),
        (("ft", "Ft.", "feet", "'", "’"), "ft"),
        (("in", "in.", '"', "inches"), "in"),
        (("gal", "GAL", "gal.", "gallons", "US gal"), "gal"),
        (("L", "l", "Liters", "litres"), "L"),
        (("°F", "F", "degF", "deg. F", "° F", "ºF", "℉"), "degF"),
        (("°C", "C", "˚C", "℃", "Celsius"), "degC"),
        (("Btu/h", "BTU/hr", "BTU / hr.", "btuh", "BTU per hour"), "Btu/h"),
        (("MBH", "mbh", "kBtu/h"), "MBH"),
        (("kW", "KW"), "kW"),
        (("A", "amps"), "A"),
        (("mA",), "mA"),
        (("%", "percent", "% by volume"), "%"),
    ],
)
def test_what_crews_write(texts, name):
    assert {units.find(text).name for text in texts} == {name}


@pytest.mark.parametrize("text", ["psia", "PSI abs", "kPa abs", "kPa(a)", "bar(a)", "bara", "psi absolute"])
def test_absolute_pressures_are_refused(text):
    with pytest.raises(UnitError) as error:
        units.affine(text, "psi")
    assert error.value.reason == ABSOLUTE
    assert "psi" in error.value.accepted


@pytest.mark.parametrize(
    "text",
    ["", "MBtu/h", "BTU", "lbs", "#", "e3", "x1F", "psi at 70 F", "２", "½", "ft of head", "psid", "atm"],
)
def test_what_could_mean_two_things_is_not_understood(text):
    with pytest.raises(UnitError) as error:
        units.find(text)
    assert error.value.reason == NOT_UNDERSTOOD
    assert repr(text) in str(error.value)


@pytest.mark.parametrize("one", UNITS, ids=lambda unit: unit.name)
@pytest.mark.parametrize("other", ["psi", "ft", "gal", "Btu/h", "degF", "A", "%"])
def test_another_quantity_is_refused(one, other):
    if one.quantity == units.find(other).quantity:
        assert len(units.affine(one.name, other)) == 2
    else:
        with pytest.raises(UnitError) as error:
            units.affine(one.name, other)
        assert error.value.reason == OTHER_QUANTITY


def test_every_field_has_a_unit_that_is_its_own():
    for field in FIELDS:
        if field.unit is not None:
            assert units.affine(field.unit, field.unit) == (1.0, 0.0)
            assert units.find(field.unit).name == field.unit


def test_spellings_are_unique_and_in_the_form_they_are_looked_up_in():
    spellings = [spelling for unit in UNITS for spelling in unit.spellings]
    assert len(spellings) == len(set(spellings))
    for unit in UNITS:
        assert units.find(unit.name) is unit
        for spelling in unit.spellings:
            assert units.find(spelling) is unit


PAIRS = [(one, two) for one in UNITS for two in UNITS if one.quantity == two.quantity]


@given(pair=st.sampled_from(PAIRS), value=st.floats(-1e6, 1e6))
def test_conversion_agrees_with_pint_and_comes_back(pair, value):
    one, two = pair
    factor, offset = units.affine(one.name, two.name)
    there = value * factor + offset
    pints = REGISTRY.Quantity(value * one.scale, one.pint).to(two.pint).magnitude / two.scale
    assert there == pytest.approx(pints, rel=1e-12, abs=1e-6)
    factor, offset = units.affine(two.name, one.name)
    assert there * factor + offset == pytest.approx(value, rel=1e-9, abs=1e-6)


@given(text=st.text(max_size=12))
def test_any_text_is_a_unit_or_a_unit_error(text):
    try:
        assert units.find(text) in UNITS
    except UnitError as error:
        assert error.reason in (NOT_UNDERSTOOD, ABSOLUTE)
