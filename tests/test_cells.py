"""Single cells: what is accepted says what the text says; everything else is refused with a reason."""

import calendar
import re
from datetime import UTC, date, datetime, timedelta, timezone
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.fields import BY_NAME, FIELDS, WORD, YES_NO
from pipelines.intake import cells
from pipelines.intake.cells import Refused

NO_BREAK, NARROW, MINUS = "\u00a0", "\u202f", "\u2212"

NUMBERS = [  # text, decimal mark, value, unit
    ("12", ".", 12.0, ""),
    ("12.5", ".", 12.5, ""),
    ("-3", ".", -3.0, ""),
    (f"{MINUS}3.25", ".", -3.25, ""),
    ("+4", ".", 4.0, ""),
    (".4", ".", 0.4, ""),
    ("007", ".", 7.0, ""),
    ("12 psi", ".", 12.0, "psi"),
    ("0.8 bar", ".", 0.8, "bar"),
    ("1,013 hPa", ".", 1013.0, "hPa"),
    ("1,234,567.5", ".", 1234567.5, ""),
    (f"1{NO_BREAK}013", ".", 1013.0, ""),
    (f"68{NO_BREAK}°F", ".", 68.0, "°F"),
    ("20°C", ".", 20.0, "°C"),
    ("18'", ".", 18.0, "'"),
    ("35%", ".", 35.0, "%"),
    ("5 ft3", ".", 5.0, "ft3"),
    ("12,5", ",", 12.5, ""),
    ("1.013,5", ",", 1013.5, ""),
    ("1.234.567", ",", 1234567.0, ""),
    (f"1{NARROW}013,5 hPa", ",", 1013.5, "hPa"),
    ("0,8 bar", ",", 0.8, "bar"),
]

NOT_NUMBERS = [  # text, decimal mark, reason
    ("12,5", ".", cells.DECIMAL_UNCLEAR),
    ("0,500", ".", cells.DECIMAL_UNCLEAR),
    ("12,50,000", ".", cells.DECIMAL_UNCLEAR),
    ("1,0134", ".", cells.DECIMAL_UNCLEAR),
    ("1.013,5", ".", cells.DECIMAL_UNCLEAR),
    ("1,013.000.5", ".", cells.DECIMAL_UNCLEAR),
    ("12.5", ",", cells.DECIMAL_UNCLEAR),
    ("1.013", ",", cells.DECIMAL_UNCLEAR),
    ("1.013 hPa", ",", cells.DECIMAL_UNCLEAR),
    ("0.500,5", ",", cells.DECIMAL_UNCLEAR),
    (f"12{NO_BREAK}5", ".", cells.DECIMAL_UNCLEAR),
    ("< 5", ".", cells.NOT_CERTAIN),
    (">30", ".", cells.NOT_CERTAIN),
    ("~12", ".", cells.NOT_CERTAIN),
    ("12-15", ".", cells.NOT_CERTAIN),
    ("12–15", ".", cells.NOT_CERTAIN),
    ("12?", ".", cells.NOT_CERTAIN),
    ("12 psi?", ".", cells.NOT_CERTAIN),
    ("12 to 15", ".", cells.NOT_CERTAIN),
    ("12 15", ".", cells.NOT_CERTAIN),
    ("12/15", ".", cells.NOT_CERTAIN),
    ("2 1/2", ".", cells.NOT_CERTAIN),
    ("(5)", ".", cells.NOT_CERTAIN),
    ("5-", ".", cells.NOT_CERTAIN),
    ("- 5", ".", cells.NOT_CERTAIN),
    ("12.", ".", cells.NOT_CERTAIN),
    ("12+", ".", cells.NOT_CERTAIN),
    ("about 12", ".", cells.NOT_CERTAIN),
    ("12 psi at 70 F", ".", cells.NOT_CERTAIN),
    ("1_000", ".", cells.NOT_CERTAIN),
    ("0x1F", ".", cells.NOT_CERTAIN),
    ("nan", ".", cells.NOT_A_NUMBER),
    ("inf", ".", cells.NOT_A_NUMBER),
    ("twelve", ".", cells.NOT_A_NUMBER),
    ("１２", ".", cells.NOT_A_NUMBER),  # full-width digits
    ("١٢", ".", cells.NOT_A_NUMBER),  # Arabic digits
    ("%", ".", cells.NOT_A_NUMBER),
]


@pytest.mark.parametrize("text, mark, value, unit", NUMBERS)
def test_numbers(text, mark, value, unit):
    assert cells.number(text, mark) == (value, unit)


@pytest.mark.parametrize("text, mark, reason", NOT_NUMBERS)
def test_what_is_not_certainly_a_number(text, mark, reason):
    refused = cells.number(text, mark)
    assert isinstance(refused, Refused)
    assert refused.reason == reason
    assert f"decimal mark {mark}" in refused.expected


def test_powers_are_left_as_a_unit_that_no_unit_has():
    assert cells.number("1e3") == (1.0, "e3")
    assert cells.number("1E+3").reason == cells.NOT_CERTAIN


@st.composite
def written_numbers(draw):
    """A number and one honest way to write it under a decimal mark."""
    mark = draw(st.sampled_from(".,"))
    group = draw(st.sampled_from(["", "," if mark == "." else ".", NO_BREAK, NARROW]))
    whole = draw(st.integers(0, 10**9))
    fraction = draw(st.text("0123456789", max_size=4))
    sign = draw(st.sampled_from(["", "-", "+", MINUS]))
    unit = draw(st.sampled_from(["", "psi", "bar", "°F", "gal", "%"]))
    blank = draw(st.sampled_from(["", " ", NO_BREAK])) if unit else ""
    grouped = f"{whole:,}".replace(",", group)
    text = f"{sign}{grouped}{mark + fraction if fraction else ''}{blank}{unit}"
    value = Decimal(f"{'-' if sign in ('-', MINUS) else ''}{whole}.{fraction or '0'}")
    lone = mark == "," and group == "." and grouped.count(".") == 1 and not fraction
    return text, mark, float(value), unit, lone


@given(written_numbers())
def test_a_number_written_in_any_honest_way_is_read_as_written(written):
    text, mark, value, unit, lone = written
    if lone:
        assert cells.number(text, mark).reason == cells.DECIMAL_UNCLEAR
    else:
        assert cells.number(text, mark) == (value, unit)


@given(
    text=st.text("0123456789.,-+ '\u00a0\u202f()<>~?eExX_psibar°F%", max_size=12), mark=st.sampled_from(".,")
)
def test_an_accepted_number_has_just_the_digits_of_its_text(text, mark):
    text = text.strip(cells.BLANKS)
    found = cells.number(text, mark)
    if isinstance(found, Refused):
        assert found.reason in cells.REASONS
        return
    value, unit = found
    front = text[: len(text) - len(unit)] if unit else text
    whole, _, fraction = front.partition(mark)
    digits = re.sub("[^0-9]", "", whole) or "0"
    assert mark not in fraction and re.sub("[0-9]", "", fraction).strip(cells.BLANKS) == ""
    assert abs(value) == float(Decimal(f"{digits}.{fraction.strip(cells.BLANKS) or '0'}"))
    assert (value < 0) == (front[0] in f"-{MINUS}" and value != 0)
    assert re.fullmatch(r"[0-9]*|[0-9]{1,3}([^0-9][0-9]{3})+", whole.strip(cells.BLANKS).lstrip(f"+-{MINUS}"))


# Words -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("text", ["hot_water", "Hot Water", "HOT-WATER", "hot\u00a0 water", "Hot_Water"])
def test_words_compare_without_case_blanks_hyphens_and_underscores_alike(text):
    assert cells.word(text, BY_NAME["heating_system"], {}) == "hot_water"


@pytest.mark.parametrize(
    "text, word", [("y", "yes"), ("N", "no"), ("TRUE", "yes"), ("False", "no"), ("Yes", "yes")]
)
def test_yes_and_no(text, word):
    assert cells.word(text, BY_NAME["buffer_tank"], {}) == word
    assert isinstance(cells.word(text, BY_NAME["low_water_cutoff"], {}), Refused) == (text != "no")


def test_translations_come_first_and_unknown_words_name_the_accepted_ones():
    field = BY_NAME["tank_type"]
    assert cells.word("None", field, {"none": "built_in"}) == "built_in"
    refused = cells.word("balloon", field, {})
    assert refused == Refused(cells.UNKNOWN_WORD, "diaphragm, plain_steel, open, built_in, none")
    assert cells.word("J", BY_NAME["elderly"], {"j": "yes"}) == "yes"


WORD_FIELDS = [field for field in FIELDS if field.kind == WORD]


@given(field=st.sampled_from(WORD_FIELDS), text=st.text("abcdefghinopqrstwxyz _-YNT", max_size=16))
def test_an_accepted_word_is_the_text_itself(field, text):
    found = cells.word(text, field, {})
    if isinstance(found, str):
        letters = re.sub("[ _-]", "", text).casefold()
        short = {"y": "yes", "n": "no", "true": "yes", "false": "no"} if field.words == YES_NO else {}
        assert short.get(letters, letters) == found.replace("_", "")


@given(field=st.sampled_from(WORD_FIELDS), data=st.data())
def test_every_word_is_accepted_however_it_is_written(field, data):
    word = data.draw(st.sampled_from(field.words))
    gap = data.draw(st.sampled_from(["_", "-", " ", "  "]))
    text = data.draw(st.sampled_from([str.upper, str.title, str]))(word.replace("_", gap))
    assert cells.word(f" {text} ", field, {}) == word


def test_none_means_not_recorded_only_where_it_says_nothing():
    meaning = {field.name: "none" in cells.missing_words(field) for field in FIELDS}
    assert (
        meaning["cold_pressure_psig"]
        and meaning["home_id"]
        and meaning["fill_setting_psig"]
        and meaning["thermostat"]
    )
    assert not any(
        meaning[name]
        for name in (
            "tank_type",
            "antifreeze",
            "backflow_device",
            "notes",
            "work_ordered",
            "repairs_reported",
        )
    )


# Ids -------------------------------------------------------------------------------------------------------

KNOWN = {cells.word_key(name): name for name in ("set-charge", "replace-tank", "repair-leak")}


@pytest.mark.parametrize(
    "text, value, unknown",
    [
        ("set-charge", "set-charge", []),
        (" Set charge ;REPLACE-TANK; set_charge", "set-charge;replace-tank", []),
        ("replace-tank; new pump", "replace-tank", ["new pump"]),
        ("new pump", None, ["new pump"]),
        ("none", "", []),
        ("none; set-charge", "set-charge", ["none"]),
        ("none; new pump", None, ["new pump"]),
        (";;", None, []),
        ("neuer Tank", "replace-tank", []),
    ],
)
def test_ids(text, value, unknown):
    assert cells.ids(text, {"neuer_tank": "replace-tank"}, KNOWN) == (value, unknown)


def test_without_a_list_of_known_ids_any_id_is_taken():
    assert cells.ids("New-Pump; b", {}, None) == ("new-pump;b", [])


# Dates -----------------------------------------------------------------------------------------------------

DAYS = st.dates(date(1980, 1, 1), date(2100, 12, 31))


@given(on=DAYS, order=st.sampled_from(["ymd", "dmy", "mdy"]))
def test_iso_dates_are_plain_in_every_order(on, order):
    assert cells.day(on.isoformat(), order) == on


@given(on=DAYS, mark=st.sampled_from("/.-"), padded=st.booleans())
def test_short_dates_follow_the_order_of_the_mapping(on, mark, padded):
    day, month = (f"{on.day:02}", f"{on.month:02}") if padded else (str(on.day), str(on.month))
    assert cells.day(f"{day}{mark}{month}{mark}{on.year}", "dmy") == on
    assert cells.day(f"{month}{mark}{day}{mark}{on.year}", "mdy") == on
    assert cells.day(f"{month}{mark}{day}{mark}{on.year}", "ymd").reason == cells.ORDER_UNCLEAR
    assert cells.day(f"{day}{mark}{month}{mark}{on.year % 100:02}", "dmy").reason == cells.SHORT_YEAR


@given(
    begins=st.integers(1900, 2000),
    on=DAYS,
    mark=st.sampled_from("/.-"),
    order=st.sampled_from(["dmy", "mdy"]),
)
def test_years_of_two_digits_stand_for_one_of_the_hundred_years_told(begins, on, mark, order):
    year = next(year for year in range(begins, begins + 100) if year % 100 == on.year % 100)
    numbers = (on.day, on.month) if order == "dmy" else (on.month, on.day)
    text = f"{numbers[0]}{mark}{numbers[1]}{mark}{on.year % 100:02}"
    found = cells.day(text, order, begins)
    if on.month == 2 and on.day == 29 and not calendar.isleap(year):
        assert found.reason == cells.NOT_A_DATE
    elif year < cells.EARLIEST.year:
        assert found.reason == cells.IMPLAUSIBLE
    else:
        assert found == on.replace(year=year)
    assert cells.day(text, "ymd", begins).reason == cells.ORDER_UNCLEAR
    assert cells.day(on.isoformat(), order, begins) == on


@pytest.mark.parametrize(
    "text, begins, read",
    [
        ("3/4/99", 1970, date(1999, 3, 4)),
        ("3/4/70", 1970, None),  # 1970 is before any inspection that can be
        ("3/4/69", 1970, date(2069, 3, 4)),
        ("3/4/00", 1970, date(2000, 3, 4)),
        ("4-Mar-25", 1970, date(2025, 3, 4)),
        ("3/4/25 10:30", 2000, date(2025, 3, 4)),
        ("3/4/1999", 2000, date(1999, 3, 4)),
        ("3/4/255", 2000, None),
        ("3/4/5", 2000, None),
    ],
)
def test_what_years_of_two_digits_become(text, begins, read):
    found = cells.day(text, "mdy", begins)
    assert found == read if read else isinstance(found, Refused)


@given(on=DAYS, form=st.sampled_from(["%d-%b-%Y", "%d %B %Y", "%B %d, %Y", "%b %d %Y"]))
def test_months_by_name_are_plain(on, form):
    assert cells.day(on.strftime(form)) == on


@given(text=st.text("0123456789/.-: TZ+apmAPM", max_size=22))
def test_two_orders_never_agree_on_one_text_unless_day_and_month_are_told(text):
    dmy, mdy, ymd = (cells.day(text, order) for order in ("dmy", "mdy", "ymd"))
    if isinstance(dmy, date) and isinstance(mdy, date) and dmy != mdy:
        assert (dmy.day, dmy.month) == (mdy.month, mdy.day) and isinstance(ymd, Refused)


@pytest.mark.parametrize(
    "text, order, reason",
    [
        ("2024-02-30", "ymd", cells.NOT_A_DATE),
        ("13/05/2024", "mdy", cells.NOT_A_DATE),
        ("05/13/2024", "dmy", cells.NOT_A_DATE),
        ("03/05/2024", "ymd", cells.ORDER_UNCLEAR),
        ("3/5/24", "mdy", cells.SHORT_YEAR),
        ("5-Mar-24", "dmy", cells.SHORT_YEAR),
        ("03/05-2024", "mdy", cells.NOT_A_DATE),
        ("45356", "ymd", cells.NOT_A_DATE),
        ("20240305", "ymd", cells.NOT_A_DATE),
        ("2024-03-05 or so", "ymd", cells.NOT_A_DATE),
        ("2024-03-05 24:00", "ymd", cells.NOT_A_DATE),
        ("2024-03-05 10:61", "ymd", cells.NOT_A_DATE),
        ("2024-03-05 13:00 PM", "ymd", cells.NOT_A_DATE),
        ("2024-03-055", "ymd", cells.NOT_A_DATE),
        ("1979-12-31", "ymd", cells.IMPLAUSIBLE),
        ("2101-01-01", "ymd", cells.IMPLAUSIBLE),
        ("٢٠٢٤-٠٣-٠٥", "ymd", cells.NOT_A_DATE),
        ("soon", "ymd", cells.NOT_A_DATE),
    ],
)
def test_what_is_no_certain_date(text, order, reason):
    assert cells.day(text, order).reason == reason
    assert cells.moment(text, order).reason == reason


@pytest.mark.parametrize(
    "text, order, utc",
    [
        ("2024-03-05", "ymd", datetime(2024, 3, 5)),
        ("2024-03-05T10:15:30Z", "ymd", datetime(2024, 3, 5, 10, 15, 30)),
        ("2024-03-05 10:15", "ymd", datetime(2024, 3, 5, 10, 15)),
        ("2024-03-05T22:15:00-05:00", "ymd", datetime(2024, 3, 6, 3, 15)),
        ("2024-03-05T01:00+0200", "ymd", datetime(2024, 3, 4, 23)),
        ("05.03.2024 10:15", "dmy", datetime(2024, 3, 5, 10, 15)),
        ("3/5/2024 12:30 AM", "mdy", datetime(2024, 3, 5, 0, 30)),
        ("3/5/2024 12:30 pm", "mdy", datetime(2024, 3, 5, 12, 30)),
        ("2024-03-05T10:15:30.123456Z", "ymd", datetime(2024, 3, 5, 10, 15, 30, 123456)),
    ],
)
def test_times_in_utc_and_the_day_as_written(text, order, utc):
    on, found = cells.moment(text, order)
    assert found == utc
    assert on == date(2024, 3, 5)


@given(st.datetimes(datetime(1980, 1, 2), datetime(2100, 12, 30)), st.integers(-14 * 4, 14 * 4))
def test_times_agree_with_the_standard_library(at, quarters):
    zoned = at.replace(tzinfo=timezone(timedelta(minutes=15 * quarters)))
    on, found = cells.moment(zoned.isoformat())
    assert found == zoned.astimezone(UTC).replace(tzinfo=None)
    assert on == at.date()


# Any text --------------------------------------------------------------------------------------------------


@given(
    text=st.text(max_size=30),
    field=st.sampled_from(WORD_FIELDS),
    mark=st.sampled_from(".,"),
    order=st.sampled_from(["ymd", "dmy", "mdy"]),
)
def test_no_text_raises(text, field, mark, order):
    for found in (cells.number(text, mark), cells.word(text, field, {}), cells.moment(text, order)):
        assert not isinstance(found, Refused) or found.reason in cells.REASONS and found.expected
    value, unknown = cells.ids(text, {}, KNOWN)
    assert value is None or value == "" or all(KNOWN[cells.word_key(one)] == one for one in value.split(";"))
    assert all(part in text for part in unknown)
