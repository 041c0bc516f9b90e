"""Mappings: read and checked, recognized by headings, written and drafted."""

import dataclasses
import tomllib

import pyarrow as pa
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.fields import BY_NAME, FIELDS, NUMBER, REQUIRED, TEXT, WORD, WORDS
from pipelines.intake import cells, units
from pipelines.intake.mapping import (
    Column,
    Join,
    Mapping,
    MappingError,
    canonical,
    load_mappings,
    parse_mapping,
    to_toml,
)
from pipelines.intake.recognition import heading_warnings, recognize, unit_in_heading, unmapped
from pipelines.intake.suggestions import draft
from pipelines.intake.trade_names import CREWS_WORDS, NAMES
from pipelines.intake.units import ABSOLUTE, NOT_UNDERSTOOD, OTHER_QUANTITY, UNITS

REQUIRED_TOML = """
[columns."Visit"]
field = "inspection_id"
[columns."House"]
field = "home_id"
[columns."Day"]
field = "inspected_on"
"""

FULL_TOML = """
agency = "Agency A"
encoding = "windows-1252"
delimiter = ";"
decimal = ","
dates = "dmy"
not_recorded = ["keine"]
carry = ["Tract"]
ignore = ["Printed by"]
[columns."House"]
field = "home_id"
[columns."Day"]
field = "inspected_on"
[columns."Static P"]
field = "cold_pressure_psig"
unit = "bar"
[columns."Elderly?"]
field = "elderly"
words = { "J" = "yes", "N" = "no" }
[join.inspection_id]
columns = ["Job", "Visit"]
with = "/"
"""


def table(columns: dict[str, list]) -> pa.Table:
    return pa.table({name: pa.array(texts, pa.string()) for name, texts in columns.items()})


# Reading ---------------------------------------------------------------------------------------------------


def test_a_mapping_is_read_whole():
    mapping = parse_mapping("agency-a", FULL_TOML)
    assert mapping == Mapping(
        name="agency-a",
        columns=(
            Column("House", "home_id"),
            Column("Day", "inspected_on"),
            Column("Static P", "cold_pressure_psig", "bar"),
            Column("Elderly?", "elderly", None, (("J", "yes"), ("N", "no"))),
        ),
        joins=(Join("inspection_id", ("Job", "Visit"), "/"),),
        agency="Agency A",
        encoding="windows-1252",
        delimiter=";",
        decimal=",",
        dates="dmy",
        not_recorded=("keine",),
        carry=("Tract",),
        ignore=("Printed by",),
        text=FULL_TOML,
    )
    assert mapping.feeds("inspection_id") == ("Job", "Visit")
    assert mapping.feeds("cold_pressure_psig") == ("Static P",)
    assert mapping.feeds("hot_pressure_psig") == ()


@pytest.mark.parametrize(
    "text, key, says",
    [
        ("colour = 1", "colour", "accepted: agency"),
        ("decimal = '*'" + REQUIRED_TOML, "decimal", "'.', ','"),
        ("dates = 'ydm'" + REQUIRED_TOML, "dates", "'ymd'"),
        ("two_digit_years_from = '1970'" + REQUIRED_TOML, "two_digit_years_from", "1900 to 2000"),
        ("two_digit_years_from = 2001" + REQUIRED_TOML, "two_digit_years_from", "70 is 1970, 69 is 2069"),
        ("two_digit_years_from = true" + REQUIRED_TOML, "two_digit_years_from", "1900 to 2000"),
        ("delimiter = '::'" + REQUIRED_TOML, "delimiter", "';'"),
        ("encoding = 'no-such'" + REQUIRED_TOML, "encoding", "windows-1252"),
        ("encoding = 'rot13'" + REQUIRED_TOML, "encoding", "windows-1252"),
        ("agency = 7" + REQUIRED_TOML, "agency", "text in quotes"),
        ("agency = ' '" + REQUIRED_TOML, "agency", "text in quotes"),
        ("carry = 'Tract'" + REQUIRED_TOML, "carry", "list of texts"),
        ("columns = 3", "columns", "table"),
        ("", "columns", "inspection_id"),
        (REQUIRED_TOML + "[columns.P]\nfield = 'cold_pressure'", 'columns."P".field', "cold_pressure_psig"),
        (REQUIRED_TOML + "[columns.P]\nunit = 'bar'", 'columns."P".field', "no field None"),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'cold_pressure_psig'\nunits = 'bar'",
            'columns."P".units',
            "unit",
        ),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'cold_pressure_psig'\nunit = 'psia'",
            'columns."P".unit',
            ABSOLUTE,
        ),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'cold_pressure_psig'\nunit = 'ft'",
            'columns."P".unit',
            OTHER_QUANTITY,
        ),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'cold_pressure_psig'\nunit = 'MBtu/h'",
            'columns."P".unit',
            NOT_UNDERSTOOD,
        ),
        (REQUIRED_TOML + "[columns.P]\nfield = 'stories'\nunit = 'ft'", 'columns."P".unit', "no unit"),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'tank_type'\nwords = { x = 'balloon' }",
            'columns."P".words."x"',
            "diaphragm",
        ),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'tank_type'\nwords = { ' ' = 'none' }",
            'columns."P".words',
            "not recorded",
        ),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'tank_type'\nwords = { 'a b' = 'none', 'A-B' = 'open' }",
            'columns."P".words."A-B"',
            "two things",
        ),
        (
            REQUIRED_TOML + "[columns.P]\nfield = 'notes'\nwords = { x = 'y' }",
            'columns."P".words',
            "takes no words",
        ),
        (REQUIRED_TOML + "[columns.P]\nfield = 'home_id'", 'columns."P"', "already fed"),
        (REQUIRED_TOML + "[columns.visit]\nfield = 'notes'", "columns", "stands twice"),
        ("ignore = ['visit']" + REQUIRED_TOML, "ignore", "used as well"),
        (
            REQUIRED_TOML + "[join.home_id]\ncolumns = ['A', 'B']",
            'columns."House"',
            "already fed by join.home_id",
        ),
        (REQUIRED_TOML + "[join.stories]\ncolumns = ['A', 'B']", "join.stories", "only text fields"),
        (REQUIRED_TOML + "[join.system_id]\ncolumns = ['A', 'a']", "join.system_id.columns", "two or more"),
        (REQUIRED_TOML + "[join.system_id]\ncolumns = ['A']", "join.system_id.columns", "two or more"),
        ("agency = x", "", "line 1"),
    ],
)
def test_errors_name_file_key_and_what_is_accepted(text, key, says):
    with pytest.raises(MappingError) as error:
        parse_mapping("agency-x", text)
    assert error.value.key == key
    assert str(error.value).startswith("agency-x.toml: ")
    assert says in str(error.value)


def test_a_folders_mappings_stand_by_name_behind_the_canonical_one(tmp_path):
    (tmp_path / "b.toml").write_bytes(b"\xef\xbb\xbf" + REQUIRED_TOML.replace("\n", "\r\n").encode())
    (tmp_path / "a.toml").write_text(f'agency = "Own"{REQUIRED_TOML}')
    mappings = load_mappings(tmp_path)
    assert [mapping.name for mapping in mappings] == ["canonical", "a", "b"]
    assert mappings[1].agency == "Own"
    assert mappings[2].text == REQUIRED_TOML


def test_no_mapping_but_the_canonical_one_is_there_of_itself(tmp_path):
    """A stranger's headings are compared with the fleet's own mappings, and with no sample's."""
    mappings = load_mappings(tmp_path / "absent")
    assert [mapping.name for mapping in mappings] == ["canonical"]
    assert recognize(("Visit", "Exp tank", "Static psi"), mappings).nearest == "canonical"


def test_a_file_that_cannot_be_used_is_named(tmp_path):
    (tmp_path / "canonical.toml").write_text(REQUIRED_TOML)
    with pytest.raises(MappingError, match="canonical.toml: .*another name"):
        load_mappings(tmp_path)
    (tmp_path / "canonical.toml").rename(tmp_path / "a.toml").write_bytes(b"agency = '\xe9'")
    with pytest.raises(MappingError, match="a.toml: not UTF-8 at byte 10"):
        load_mappings(tmp_path)


# Recognition -----------------------------------------------------------------------------------------------

A = parse_mapping("a", FULL_TOML)
B = parse_mapping("b", REQUIRED_TOML)
A_HEADINGS = ["House", "Day", "Static P", "Elderly?", "Job", "Visit"]


def test_headings_compare_trimmed_collapsed_and_without_case_in_any_order():
    found = recognize(
        [" visit", "JOB", "Elderly?", "static \u00a0 p", "Day", "HOUSE", "Boiler serial"], [canonical(), A]
    )
    assert found.mapping is A
    assert found.unknown == ("Boiler serial",) and found.missing == ()


def test_columns_may_be_missing_down_to_half_but_not_the_required_ones():
    assert recognize(["House", "Day", "Job", "Visit"], [A]).mapping is A
    for lost in ("House", "Day", "Job", "Visit"):
        found = recognize([heading for heading in A_HEADINGS if heading != lost], [A])
        assert found.mapping is None and found.nearest == "a"
        assert repr(lost) in found.why and lost in found.differing


def test_half_of_a_mappings_headings_fits_and_less_does_not():
    def wider(more):
        return parse_mapping(
            "wide",
            REQUIRED_TOML
            + "".join(f"[columns.{one.name}]\nfield = '{one.name}'\n" for one in FIELDS[10 : 10 + more]),
        )

    assert recognize(["Visit", "House", "Day"], [wider(3)]).mapping == wider(3)
    found = recognize(["Visit", "House", "Day"], [wider(4)])
    assert found.mapping is None and "3 of its 7 headings" in found.why


def test_two_fits_are_never_guessed():
    found = recognize(A_HEADINGS, [A, B, canonical()])
    assert found.mapping is None
    assert "'a'" in found.why and "'b'" in found.why and "--mapping" in found.why


def test_no_fit_names_the_nearest_and_what_differs():
    found = recognize(["House", "Job", "Visit", "Static P", "Extra"], [canonical(), A])
    assert found.mapping is None and found.nearest == "a"
    assert set(found.differing) == {"Day", "Elderly?", "Extra"}
    assert recognize(["x"], []).mapping is None


def test_field_names_need_no_mapping():
    assert recognize([field.name for field in FIELDS], [canonical(), A]).mapping is canonical()
    assert recognize([*REQUIRED, "cold_pressure_psig"], [canonical(), A]).mapping is canonical()
    assert recognize([*REQUIRED, "a", "b", "c", "d"], [canonical()]).mapping is None


@given(st.permutations(A_HEADINGS), st.sets(st.text(min_size=1, max_size=6), max_size=4))
def test_moved_and_added_columns_change_nothing(order, added):
    added = {heading for heading in added if cells.folded(heading) not in A.mapped_headings}
    assert recognize([*order, *sorted(added)], [canonical(), A]).mapping is A


# Headings beside the mapping -------------------------------------------------------------------------------


def test_unmapped_headings_leave_out_ignored_carried_and_repeated_ones():
    headings = ["House", "House (2)", "tract", "PRINTED BY", "Extra", "Extra (2)", "Other (2)"]
    assert unmapped(headings, A) == ("Extra", "Extra (2)", "Other (2)")


@pytest.mark.parametrize(
    "heading, unit",
    [
        ("Static P (kPa)", "kPa"),
        ("Static P [bar]", "bar"),
        ("Temp °C", "°C"),
        ("Pressure, psi", "psi"),
        ("cold_kpa", "kpa"),
        ("Charge (psia)", "psia"),
        ("Tank (m)", "m"),
        ("Zone A", None),
        ("Plan in", None),
        ("Zone (upper)", None),
        ("psi", None),
        ("", None),
    ],
)
def test_units_in_headings(heading, unit):
    assert unit_in_heading(heading) == unit


def test_a_heading_that_names_another_unit_is_a_warning():
    mapping = parse_mapping(
        "a",
        REQUIRED_TOML
        + (
            '[columns."Static P (kPa)"]\nfield = "cold_pressure_psig"\nunit = "bar"\n[columns."Hot P '
            '(PSIG)"]\nfield = "hot_pressure_psig"\n[columns."Charge (psia)"]\nfield = "precharge_psig"'
        ),
    )
    warnings = heading_warnings(["Visit", "STATIC P (KPA)", "Hot P (psig)", "Charge (psia)"], mapping)
    assert len(warnings) == 2
    assert "KPA" in warnings[0] and "bar" in warnings[0]
    assert ABSOLUTE in warnings[1]
    assert heading_warnings([field.name for field in FIELDS], canonical()) == ()


# Writing ---------------------------------------------------------------------------------------------------

NASTY = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12).filter(
    lambda text: cells.collapsed(text) and text.strip()
)


@st.composite
def mappings(draw):
    fields = draw(st.lists(st.sampled_from(FIELDS), unique=True, max_size=8))
    fields = [BY_NAME[name] for name in REQUIRED] + [field for field in fields if not field.required]
    headings = draw(
        st.lists(NASTY, min_size=len(fields) + 6, max_size=len(fields) + 6, unique_by=cells.folded)
    )
    columns, joins = [], []
    for field in fields:
        heading = headings.pop()
        if field.kind == TEXT and len(joins) < 1 and draw(st.booleans()):
            joins.append(
                Join(
                    field.name,
                    (heading, headings.pop()),
                    draw(st.text(st.characters(codec="utf-8"), max_size=2)),
                )
            )
            continue
        same = [
            unit.name for unit in UNITS if field.unit and unit.quantity == units.find(field.unit).quantity
        ]
        unit = draw(st.sampled_from([None, *same])) if field.kind == NUMBER else None
        texts = (
            draw(st.lists(NASTY.filter(cells.word_key), unique_by=cells.word_key, max_size=3))
            if field.kind in (WORD, WORDS)
            else []
        )
        words = tuple((text, draw(st.sampled_from(field.words or ("set-charge",)))) for text in texts)
        columns.append(Column(heading, field.name, unit, words))
    return Mapping(
        "drawn",
        tuple(columns),
        tuple(joins),
        agency=draw(st.none() | NASTY),
        encoding=draw(st.sampled_from([None, "utf-16", "windows-1252"])),
        delimiter=draw(st.sampled_from([None, ",", ";", "\t", "|"])),
        decimal=draw(st.sampled_from(".,")),
        dates=draw(st.sampled_from(["ymd", "dmy", "mdy"])),
        two_digit_years_from=draw(st.none() | st.integers(1900, 2000)),
        not_recorded=tuple(draw(st.lists(NASTY, max_size=2))),
        carry=tuple(headings[:2]),
        ignore=tuple(headings[2:4]),
    )


@given(mappings())
def test_a_written_mapping_reads_back_the_same(mapping):
    text = to_toml(mapping)
    assert tomllib.loads(text)
    assert dataclasses.replace(parse_mapping("drawn", text), text="") == mapping


def test_the_hash_follows_the_text():
    assert A.sha256 != B.sha256 and A.sha256 == parse_mapping("other", FULL_TOML).sha256
    assert tomllib.loads(canonical().text)["columns"]["home_id"] == {"field": "home_id"}


# Drafting --------------------------------------------------------------------------------------------------


def test_field_names_draft_to_themselves():
    found = draft([field.name for field in FIELDS], table({field.name: [] for field in FIELDS}))
    assert [one.field for one in found.suggestions] == [field.name for field in FIELDS]


def test_a_draft_of_an_export_with_units_words_and_marks_of_its_own():
    columns = {
        "Visit No": ["1", "2"],
        "House ID": ["a", "b"],
        "Insp. Date": ["13/05/2024", "01/02/2024"],
        "Static P (bar)": ["0,8", "1,25"],
        "Op. Temp °C": ["80", "75,5"],
        "Exp Tank Type": ["Bladder", "Steel"],
        "Tank Size (L)": ["18", "35"],
        "Elderly?": ["Y", "N"],
        "Weather": ["snow", "sun"],
    }
    found = draft(list(columns), table(columns))
    fields = {one.heading: (one.field, one.unit) for one in found.suggestions}
    assert fields == {
        "Visit No": ("inspection_id", None),
        "House ID": ("home_id", None),
        "Insp. Date": ("inspected_on", None),
        "Static P (bar)": ("cold_pressure_psig", "bar"),
        "Op. Temp °C": ("hot_temperature_f", "°C"),
        "Exp Tank Type": ("tank_type", None),
        "Tank Size (L)": ("tank_volume_gal", "L"),
        "Elderly?": ("elderly", None),
        "Weather": (None, None),
    }
    assert (found.decimal, found.dates) == (",", "dmy")
    mapping = parse_mapping("new", to_toml(found.mapping("new")))
    assert dict(mapping.columns[5].words) == {"Bladder": "diaphragm", "Steel": "plain_steel"}
    assert all(one.why for one in found.suggestions)


def test_words_tell_a_field_whatever_its_heading_and_a_unit_stands_for_its_quantity():
    columns = {
        "Kind": ["initial", "Final", "qa", "n/a"],
        "Cold kPa": ["80", "95"],
        "Tank L": ["18", "35"],
        "Hot °C": ["80", "75"],
        "Flag": ["yes", "no"],
    }
    found = {
        one.heading: one
        for one in draft(
            list(columns), pa.table({name: pa.array((texts * 4)[:4]) for name, texts in columns.items()})
        ).suggestions
    }
    assert (found["Kind"].field, found["Kind"].why[0]) == ("inspection_kind", "by its words alone")
    assert (found["Cold kPa"].field, found["Cold kPa"].unit) == ("cold_pressure_psig", "kPa")
    assert (found["Tank L"].field, found["Tank L"].unit) == ("tank_volume_gal", "L")
    assert (found["Hot °C"].field, found["Hot °C"].unit) == ("hot_temperature_f", "°C")
    assert found["Flag"].field is None


def test_cells_that_disagree_take_a_suggestion_away():
    names = ["cold_pressure_psig", "tank_type", "inspected_on"]
    good = draft(
        names, table({"a": ["12", "14"], "b": ["Diaphragm", "none"], "c": ["2024-01-01", "2024-01-02"]})
    )
    bad = draft(names, table({"a": ["1200", "high"], "b": ["red", "blue"], "c": ["one", "two"]}))
    assert [one.field for one in good.suggestions] == names
    assert [one.field for one in bad.suggestions] == [None, None, None]


def test_two_headings_that_suit_one_field_equally_are_left_to_the_person():
    found = draft(["Static P", "Cold Pressure"], table({"Static P": ["12"], "Cold Pressure": ["13"]}))
    assert [one.field for one in found.suggestions] == [None, None]
    assert all("cold_pressure_psig" in one.why[0] for one in found.suggestions)


@pytest.mark.parametrize(
    "dates, order",
    [
        (["13/01/2024"], "dmy"),
        (["01/13/2024"], "mdy"),
        (["01/02/2024"], None),
        (["13/01/2024", "01/13/2024"], None),
        (["2024-01-13"], "ymd"),
    ],
)
def test_the_order_of_dates_comes_from_days_above_twelve(dates, order):
    assert draft(["Day"], table({"Day": dates})).dates == order


def test_the_drafts_vocabulary_speaks_of_fields_and_words_that_are():
    assert set(NAMES) <= set(BY_NAME)
    for name, words in CREWS_WORDS.items():
        assert set(words.values()) <= set(BY_NAME[name].words)
        assert all(cells.word_key(text) == text and text not in BY_NAME[name].words for text in words)


def drafted(**columns):
    """{heading: suggestion} of columns of texts of any length; "_" in a name stands for a blank."""
    rows = max(map(len, columns.values()))
    texts = {
        name.replace("_", " "): list(cells) + [""] * (rows - len(cells)) for name, cells in columns.items()
    }
    return {one.heading: one for one in draft(list(texts), table(texts)).suggestions}


NUMBERS = ["12", "14.5", "13"]
SHORT = {
    "Rec #": ("inspection_id", ["1", "2", "3"]),
    "Bldg": ("home_id", ["A-1", "A-2", "A-2"]),
    "Unit #": ("home_id", ["101", "102", "102"]),
    "When": ("inspected_on", ["3/4/2025", "3/14/2025"]),
    "Insp date": ("inspected_on", ["2025-03-04"]),
    "Visit dt": ("inspected_on", ["3/4/25"]),
    "P/F": ("stated_result", ["P", "F"]),
    "WO #": ("job_number", ["W-1", "W-2"]),
    "Tech": ("inspector", ["A. B.", "C. D."]),
    "Alt ft": ("elevation_ft", ["5200", "4980"]),
    "Elev": ("elevation_ft", ["5200", "4980"]),
    "Flrs": ("stories", ["1", "2"]),
    "Sq ft": ("heated_area_ft2", ["1200", "980"]),
    "Heated sq ft": ("heated_area_ft2", ["1200", "980"]),
    "PSI cold": ("cold_pressure_psig", NUMBERS),
    "Cold P": ("cold_pressure_psig", NUMBERS),
    "Hot PSI": ("hot_pressure_psig", NUMBERS),
    "Temp cold F": ("cold_temperature_f", ["64", "70"]),
    "Hot T": ("hot_temperature_f", ["164", "170"]),
    "Hi limit": ("high_limit_f", ["180", "190"]),
    "Tk gal": ("tank_volume_gal", ["4.4", "15"]),
    "Air chg PSI": ("precharge_psig", NUMBERS),
    "RV set": ("relief_setting_psig", ["30"]),
    "RV psi": ("relief_setting_psig", ["30"]),
    "BFP": ("backflow_device", ["RPZ", "none"]),
    "Blr yr": ("boiler_year", ["1998", "2004"]),
    "Pipe matl": ("pipe_material", ["copper", "PEX"]),
}


@pytest.mark.parametrize("heading, field, cells", [(name, *said) for name, said in SHORT.items()])
def test_short_and_reversed_headings_are_suggested(heading, field, cells):
    assert drafted(**{heading: cells})[heading].field == field


@pytest.mark.parametrize(
    "heading, cells",
    [
        ("Yr built", ["1950", "1960"]),  # the house's, not the boiler's
        ("Input BTU", ["100000", "80000"]),  # not the output
        ("PRV", ["30", "12"]),  # reducing or relief
        ("In service", ["1998", "2004"]),
        ("Bar code", ["12", "14"]),
        ("Unit", ["psi"] * 30 + ["kPa"] * 30),  # of measure: no home has thirty visits
    ],
)
def test_headings_that_could_mislead_are_left_to_the_person(heading, cells):
    assert drafted(**{heading: cells})[heading].field is None


def test_what_stands_in_several_rows_is_no_inspection_id_and_that_is_said():
    found = drafted(Visit_no=["1", "2", "1"], Record_number=["7", "8", "9"])
    assert found["Visit no"].field is None and found["Record number"].field == "inspection_id"
    assert found["Visit no"].why == ("no inspection_id: '1' stands in several rows",)
    assert drafted(inspection_id=["1", "2", "n/a", "n/a", "", ""])["inspection id"].field == "inspection_id"


def test_a_second_heading_that_suits_a_field_is_named():
    first, second = draft(["cold_pressure_psig", "Static P"], table({"a": ["12"], "b": ["13"]})).suggestions
    assert first.field == "cold_pressure_psig" and second.field is None
    assert "'Static P' could be it, too" in first.why
    assert second.why[1] == "'cold_pressure_psig' is taken for cold_pressure_psig"


@pytest.mark.parametrize(
    "dates, order",
    [
        (["13/01/24", "02/01/24"], "dmy"),
        (["01/13/24"], "mdy"),
        (["01/02/24"], None),
        (["25-03-04", "25-03-05"], None),  # these may be the years
        (["99-03-04", "25-03-05"], None),
    ],
)
def test_the_order_of_dates_with_short_years_is_told_only_where_it_is_plain(dates, order):
    assert draft(["Day"], table({"Day": dates})).dates == order


@given(st.lists(st.text(max_size=10), max_size=5), st.lists(st.text(max_size=10), max_size=5))
def test_any_headings_and_texts_can_be_drafted(headings, texts):
    found = draft(
        headings,
        pa.table(
            [pa.array(texts, pa.string())] * len(headings), names=[str(at) for at in range(len(headings))]
        ),
    )
    assert [one.heading for one in found.suggestions] == headings
    fields = [one.field for one in found.suggestions if one.field]
    assert len(fields) == len(set(fields))


def test_the_trade_calls_the_boiler_its_coil_and_the_heated_area_by_many_names():
    columns = {
        "Boiler type": ["Cast iron", "Copper fin"],
        "Coil wall": ["Single wall", "Double-wall"],
        "LWCO": ["Flow switch", "none"],
        "Floor area m2": ["110", "95"],
    }
    found = draft(list(columns), pa.table({name: pa.array(texts) for name, texts in columns.items()}))
    assert [(one.field, one.unit, dict(one.words)) for one in found.suggestions] == [
        ("boiler_kind", None, {"Copper fin": "water_tube"}),
        ("coil_wall", None, {"Single wall": "single", "Double-wall": "double"}),
        ("low_water_cutoff", None, {"none": "no"}),
        ("heated_area_ft2", "m2", {}),
    ]
