"""Batches of text → typed readings; every row and cell not used as read is said, and none is lost."""

import json
import os
import time
from collections import Counter
from datetime import date, datetime
from types import SimpleNamespace

import numpy as np
import pint
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from pipelines.fields import BY_NAME, DATE, FIELDS, NUMBER, REQUIRED, TEXT, TIME, WORD, WORDS
from pipelines.intake import cells, rows, units
from pipelines.intake.cells import Refused
from pipelines.intake.mapping import canonical, parse_mapping
from pipelines.intake.rows import NOT_LOADED, READINGS, REASONS, column_notes, type_batch
from pipelines.intake.units import ABSOLUTE, NOT_UNDERSTOOD, OTHER_QUANTITY, UNITS

REGISTRY = pint.UnitRegistry()
REQUIRED_TOML = """
[columns."inspection_id"]
field = "inspection_id"
[columns."home_id"]
field = "home_id"
[columns."inspected_on"]
field = "inspected_on"
"""
FULL = bool(os.environ.get("COLDFILL_FULL"))
EXAMPLES = 1000 if FULL else 60
MANY = settings(max_examples=EXAMPLES, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def batch_of(columns: dict[str, list], first_line: int = 2):
    """A batch whose required cells are filled unless given."""
    count = max(map(len, columns.values()))
    filled = {
        "inspection_id": [f"I{at}" for at in range(count)],
        "home_id": ["H"] * count,
        "inspected_on": ["2024-03-05"] * count,
    } | columns
    table = pa.table({name: pa.array(texts, pa.string()) for name, texts in filled.items()})
    return SimpleNamespace(table=table, lines=np.arange(count) + first_line)


def typed(columns: dict[str, list], toml: str = "", **more):
    mapping = parse_mapping("own", toml) if toml else canonical()
    return type_batch(batch_of(columns), mapping, file_name="own.csv", **more)


def one(field: str, text: str, toml: str = "", **more):
    """The value of one cell, and the reason it was kept out for (None if it was not)."""
    found = typed({field: [text]}, toml, **more)
    reasons = found.not_loaded["reason"].to_pylist()
    value = found.table[field].to_pylist()[0] if found.table.num_rows else None
    return value, reasons[0] if reasons else None


def mapped(field: str, more: str = "", top: str = "") -> str:
    return f'{top}\n{REQUIRED_TOML}[columns."{field}"]\nfield = "{field}"\n{more}\n'


# Cells -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "field, text, value",
    [
        ("cold_pressure_psig", " 12.04 ", 12.04),  # in its own unit: as written
        ("cold_pressure_psig", "12.04 psi", 12.04),
        ("cold_pressure_psig", "12.04 psig", 12.04),
        ("cold_pressure_psig", "0.8 bar", 11.6),  # 11.603 psi
        ("cold_pressure_psig", "1,013 hPa", 14.7),  # 14.692 psi
        ("cold_temperature_f", "20°C", 68.0),
        ("cold_temperature_f", "68 °F", 68.0),
        ("top_height_ft", "5.5 m", 18.0),  # 18.045 ft
        ("top_height_ft", "18'", 18.0),
        ("elevation_ft", "1609 m", 5279.0),  # 5278.87 ft
        ("tank_volume_gal", "18 L", 4.76),  # 4.755 gal
        ("boiler_output_btuh", "110 MBH", 110_000.0),
        ("boiler_output_btuh", "30 kW", 102_364.0),  # 102364.2 Btu/h
        ("anticipator_a", "400 mA", 0.4),
        ("antifreeze_percent", "35 %", 35.0),
        ("hot_pressure_psig", "-0", 0.0),
        ("boiler_year", "1987.0", 1987.0),
    ],
)
def test_units_in_cells_win_and_only_converted_values_are_rounded(field, text, value):
    found, reason = one(field, text)
    assert reason is None
    assert found == value and str(found) == str(value)


@pytest.mark.parametrize(
    "field, text, reason",
    [
        ("cold_pressure_psig", "26.7 psia", ABSOLUTE),
        ("cold_pressure_psig", "12 ft", OTHER_QUANTITY),
        ("cold_pressure_psig", "12 lbs", NOT_UNDERSTOOD),
        ("cold_pressure_psig", "1e3", NOT_UNDERSTOOD),
        ("stories", "2 ft", NOT_UNDERSTOOD),
        ("cold_pressure_psig", "1200", cells.IMPLAUSIBLE),
        ("cold_pressure_psig", "300.1", cells.IMPLAUSIBLE),
        ("cold_pressure_psig", "-0.1", cells.IMPLAUSIBLE),
        ("cold_pressure_psig", "9" * 400, cells.IMPLAUSIBLE),
        ("boiler_output_btuh", "9" * 308 + " kW", cells.IMPLAUSIBLE),
        ("cold_temperature_f", "5 °F", cells.IMPLAUSIBLE),
        ("boiler_year", "1987.5", cells.NOT_WHOLE),
        ("cold_pressure_psig", "12,5", cells.DECIMAL_UNCLEAR),
        ("cold_pressure_psig", "NaN", cells.NOT_A_NUMBER),
        ("cold_pressure_psig", "#DIV/0!", cells.SHEET_ERROR),
        ("cold_pressure_psig", "#####", cells.SHEET_ERROR),
        ("tank_type", "balloon", cells.UNKNOWN_WORD),
        ("tank_type", "#NAME?", cells.SHEET_ERROR),
        ("completed_on", "03/05/2024", cells.ORDER_UNCLEAR),
        ("completed_on", "#VALUE!", cells.SHEET_ERROR),
        ("job_number", "#REF!", cells.SHEET_ERROR),
        ("updated_at", "yesterday", cells.NOT_A_DATE),
    ],
)
def test_what_is_not_certain_is_kept_out_and_said(field, text, reason):
    found = typed({field: [text]})
    assert found.table[field].to_pylist() == [None]
    assert found.table["unusable"].to_pylist() == [field]
    [entry] = found.not_loaded.to_pylist()
    expected = entry.pop("expected")
    assert expected
    assert entry == {
        "source_line": 2,
        "heading": field,
        "field": field,
        "raw_text": text,
        "reason": reason,
        "extent": "cell",
    }


@pytest.mark.parametrize("field", [field.name for field in FIELDS if field.kind == NUMBER])
def test_plausible_ranges_are_inclusive(field):
    low, high = BY_NAME[field].plausible
    assert one(field, str(low)) == (low, None)
    assert one(field, str(high)) == (high, None)
    step = 1 if BY_NAME[field].decimals == 0 else 0.001
    assert one(field, str(low - step)) == (None, cells.IMPLAUSIBLE)
    assert one(field, str(high + step)) == (None, cells.IMPLAUSIBLE)


def test_the_plausible_range_is_checked_after_conversion():
    toml = mapped("cold_pressure_psig", 'unit = "kPa"')
    assert one("cold_pressure_psig", "82.7", toml) == (12.0, None)  # 11.995 psi
    assert one("cold_pressure_psig", "12 psi", toml) == (12.0, None)
    assert one("cold_pressure_psig", "2100", toml) == (None, cells.IMPLAUSIBLE)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "  ",
        "\u00a0",
        "\u200b",
        "n/a",
        "N/A",
        "NA",
        "n.a.",
        "-",
        "--",
        "?",
        "null",
        "Unknown",
        "not recorded",
        "#N/A",
        None,
    ],
)
@pytest.mark.parametrize(
    "field",
    ["cold_pressure_psig", "tank_type", "completed_on", "updated_at", "region", "notes", "repairs_reported"],
)
def test_not_recorded_is_neither_a_value_nor_a_fault(field, text):
    assert one(field, text) == (None, None)


def test_none_is_a_word_where_there_is_one_and_nothing_elsewhere():
    assert one("tank_type", "None") == ("none", None)
    assert one("cold_pressure_psig", "none") == (None, None)
    assert one("notes", "none") == ("none", None)
    assert one("crew", "None") == (None, None)
    assert one("repairs_reported", "none") == ("", None)  # said, and empty
    assert one("home_id", "None") == (None, cells.NOT_RECORDED)


def test_a_mappings_own_words_for_not_recorded():
    toml = mapped("cold_pressure_psig", top='not_recorded = ["999", "Keine Angabe"]')
    assert one("cold_pressure_psig", "999", toml) == (None, None)
    assert one("cold_pressure_psig", "KEINE ANGABE", toml) == (None, None)
    assert one("cold_pressure_psig", "keine", toml) == (None, cells.NOT_A_NUMBER)
    toml = mapped(
        "tank_type", 'words = { "-" = "none", unknown = "built_in" }', top='not_recorded = ["open"]'
    )
    assert one("tank_type", "-", toml) == ("none", None)
    assert one("tank_type", "unknown", toml) == ("built_in", None)
    assert one("tank_type", "open", toml) == ("open", None)  # a word of ours stays one
    assert one("tank_type", "#NAME?", mapped("tank_type", 'words = { "#NAME?" = "none" }')) == ("none", None)


def test_decimal_comma():
    toml = mapped("cold_pressure_psig", 'unit = "bar"', top='decimal = ","')
    assert one("cold_pressure_psig", "0,8", toml) == (11.6, None)
    assert one("cold_pressure_psig", "12 psi", toml) == (12.0, None)
    assert one("cold_pressure_psig", "0.8", toml) == (None, cells.DECIMAL_UNCLEAR)
    assert one("cold_pressure_psig", "1.013 hPa", toml) == (None, cells.DECIMAL_UNCLEAR)


def test_words_dates_and_times():
    assert one("heating_system", "Hot-Water") == ("hot_water", None)
    assert one("elderly", "Y") == ("yes", None)
    toml = mapped("completed_on", top='dates = "dmy"')
    assert one("completed_on", "3.5.2024 14:00", toml) == (date(2024, 5, 3), None)
    assert one("completed_on", "2024-05-03", toml) == (date(2024, 5, 3), None)
    assert one("updated_at", "2024-05-03T01:00:00+02:00") == (datetime(2024, 5, 2, 23), None)
    assert one("updated_at", "2024-05-03") == (datetime(2024, 5, 3), None)
    assert one("completed_on", "2024-02-29") == (date(2024, 2, 29), None)
    assert one("completed_on", "2023-02-29") == (None, cells.NOT_A_DATE)
    assert one("updated_at", "2023-04-31 10:00") == (None, cells.NOT_A_DATE)
    assert READINGS.field("updated_at").type == pa.timestamp("us")


def test_text_is_trimmed_names_collapsed_and_ids_left_alone():
    found = typed(
        {
            "inspection_id": [' ="007"\u00a0', "'007", "007"],
            "crew": [" Crew  1 ", "Crew\u00a01", "crew 1"],
            "notes": [" two  blanks\nkept ", "", ""],
        }
    )
    assert found.table["inspection_id"].to_pylist() == ['="007"', "'007", "007"]
    assert found.table["crew"].to_pylist() == ["Crew 1", "Crew 1", "crew 1"]
    assert found.table["notes"].to_pylist() == ["two  blanks\nkept", None, None]


def test_ids_that_are_not_known_are_said_and_the_others_stay():
    found = typed(
        {"repairs_reported": ["set-charge; new pump", "new pump", "Set Charge"]},
        accepted_ids={"repairs_reported": ["set-charge"]},
    )
    assert found.table["repairs_reported"].to_pylist() == ["set-charge", None, "set-charge"]
    assert found.table["unusable"].to_pylist() == [None, "repairs_reported", None]
    assert found.not_loaded["source_line"].to_pylist() == [2, 3]
    assert set(found.not_loaded["reason"].to_pylist()) == {cells.UNKNOWN_ID}
    assert found.not_loaded["raw_text"].to_pylist() == ["set-charge; new pump", "new pump"]
    assert one("stated_deficiencies", "x;Y") == ("x;y", None)


# Columns ---------------------------------------------------------------------------------------------------


def test_joined_ids():
    toml = (
        '[join.inspection_id]\ncolumns = ["Job", "Visit"]\nwith = "/"\n[columns.home_id]\nfield = '
        '"home_id"\n[columns.inspected_on]\nfield = "inspected_on"'
    )
    found = typed(
        {"Job": ["12 ", "", "13", "-", "#REF!", "#REF!"], "Visit": ["a", "", "", "b", "c", ""]}, toml
    )
    assert found.table["inspection_id"].to_pylist() == ["12/a"]
    entries = found.not_loaded.to_pylist()
    assert [
        (entry["source_line"], entry["reason"], entry["raw_text"], entry["extent"]) for entry in entries
    ] == [
        (3, cells.NOT_RECORDED, "", "row"),
        (4, cells.PART_MISSING, "13 | ", "row"),
        (5, cells.PART_MISSING, "- | b", "row"),
        (6, cells.PART_MISSING, "#REF! | c", "row"),
        (7, cells.PART_MISSING, "#REF! | ", "row"),
    ]
    assert {entry["heading"] for entry in entries} == {"Job + Visit"}


def test_repeated_headings_must_agree_row_by_row():
    columns = {
        "cold_pressure_psig": ["12", "", "12", "", "12"],
        "cold_pressure_psig (2)": [" 12", "13", "14", "", "junk"],
    }
    found = typed(columns)
    assert found.table["cold_pressure_psig"].to_pylist() == [12.0, 13.0, None, None, None]
    assert found.table["unusable"].to_pylist() == [
        None,
        None,
        "cold_pressure_psig",
        None,
        "cold_pressure_psig",
    ]
    assert found.not_loaded["raw_text"].to_pylist() == ["12 | 14", "12 | junk"]
    assert set(found.not_loaded["reason"].to_pylist()) == {cells.TWO_VALUES}
    assert column_notes(list(columns), canonical()).num_rows == 0


def test_three_columns_of_one_heading_must_all_agree():
    columns = {
        "tank_type": ["none", "", "none"],
        "tank_type (2)": ["open", "", "none"],
        "tank_type (3)": ["none", "open", "NONE"],
    }
    assert typed(columns).table["tank_type"].to_pylist() == [None, "open", None]
    assert typed(columns).not_loaded["raw_text"].to_pylist() == ["none | open | none", "none | none | NONE"]


def test_a_repeat_that_the_mapping_names_is_a_column_of_its_own():
    toml = mapped("cold_pressure_psig", '[columns."cold_pressure_psig (2)"]\nfield = "hot_pressure_psig"')
    found = typed({"cold_pressure_psig": ["12"], "cold_pressure_psig (2)": ["20"]}, toml)
    assert (found.table["cold_pressure_psig"].to_pylist(), found.table["hot_pressure_psig"].to_pylist()) == (
        [12.0],
        [20.0],
    )


def test_the_agency_of_a_row_its_file_and_its_mapping():
    columns = {"agency": ["Agency  A", "", "n/a"]}
    toml = mapped("agency", top='agency = "From Mapping"')
    assert typed(columns, toml).table["agency"].to_pylist() == ["Agency A", "From Mapping", "From Mapping"]
    assert typed(columns, toml, agency=" Named  Here").table["agency"].to_pylist() == [
        "Agency A",
        "Named Here",
        "Named Here",
    ]
    assert typed(columns).table["agency"].to_pylist() == ["Agency A", "", ""]
    assert typed({"notes": ["x"]}).table["agency"].to_pylist() == [""]


def test_an_agency_that_cannot_be_read_is_never_replaced_by_the_constant():
    found = typed({"agency": ["#REF!", "A"], "agency (2)": ["", "B"]}, agency="Constant")
    assert found.table.num_rows == 0
    assert [(entry["field"], entry["reason"], entry["extent"]) for entry in found.not_loaded.to_pylist()] == [
        ("agency", cells.SHEET_ERROR, "row"),
        ("agency", cells.TWO_VALUES, "row"),
    ]


def test_carried_columns_travel_as_json():
    toml = mapped("notes", top='carry = ["Tract", "Not there"]')
    found = typed({"notes": ["", "", ""], "TRACT": [' 1"2 ', "", "é\n"]}, toml)
    assert [json.loads(text) for text in found.table["carried"].to_pylist()] == [
        {"Tract": '1"2', "Not there": ""},
        {"Tract": "", "Not there": ""},
        {"Tract": "é", "Not there": ""},
    ]
    assert typed({"notes": ["x"]}).table["carried"].to_pylist() == [None]


def test_unmapped_headings_are_one_entry_each_without_any_text():
    notes = column_notes(["inspection_id", "Boiler serial", "home_id", "Extra"], canonical(), heading_line=3)
    assert notes.schema == NOT_LOADED
    assert notes.to_pylist() == [
        {
            "source_line": 3,
            "heading": name,
            "field": "",
            "raw_text": "",
            "reason": rows.NOT_MAPPED,
            "expected": notes["expected"][0].as_py(),
            "extent": "column",
        }
        for name in ("Boiler serial", "Extra")
    ]


# Rows ------------------------------------------------------------------------------------------------------


def test_a_row_without_a_required_field_is_one_entry_and_no_reading():
    columns = {
        "inspection_id": ["I1", "", "I3", "I4", "unknown"],
        "home_id": ["H", "", "H", "H", "H"],
        "inspected_on": ["2024-01-01", "2024-01-01", "1/2/2024", "", "x"],
        "cold_pressure_psig": ["12", "bad", "bad", "12", "12"],
    }
    found = typed(columns)
    assert found.table["inspection_id"].to_pylist() == ["I1"]
    assert [
        (entry["source_line"], entry["field"], entry["raw_text"], entry["reason"], entry["extent"])
        for entry in found.not_loaded.to_pylist()
    ] == [
        (3, "inspection_id", "", cells.NOT_RECORDED, "row"),
        (4, "inspected_on", "1/2/2024", cells.ORDER_UNCLEAR, "row"),
        (5, "inspected_on", "", cells.NOT_RECORDED, "row"),
        (6, "inspection_id", "", cells.NOT_RECORDED, "row"),
    ]


def test_a_required_heading_that_the_file_lacks_loses_every_row_and_says_so():
    batch = SimpleNamespace(table=pa.table({"home_id": ["H"] * 3}), lines=np.array([2, 3, 5]))
    found = type_batch(batch, canonical(), file_name="own.csv")
    assert found.table.num_rows == 0
    assert found.not_loaded["source_line"].to_pylist() == [2, 3, 5]


def test_several_unusable_fields_of_a_row_are_listed_in_the_order_of_fields():
    found = typed(
        {"tank_type": ["x", "none", "x"], "cold_pressure_psig": ["x", "x", "12"], "notes": ["", "", ""]}
    )
    assert found.table["unusable"].to_pylist() == [
        "cold_pressure_psig;tank_type",
        "cold_pressure_psig",
        "tank_type",
    ]
    assert list(
        zip(found.not_loaded["source_line"].to_pylist(), found.not_loaded["field"].to_pylist(), strict=True)
    ) == [
        (2, "cold_pressure_psig"),
        (2, "tank_type"),
        (3, "cold_pressure_psig"),
        (4, "tank_type"),
    ]


def test_the_tables_have_their_schemas_whatever_comes():
    empty = SimpleNamespace(
        table=pa.table({"inspection_id": pa.array([], pa.string())}), lines=np.empty(0, np.int64)
    )
    for found in (
        type_batch(empty, canonical(), file_name="x"),
        typed({"tank_type": ["none"]}),
        typed({"tank_type": ["x"]}),
    ):
        assert found.table.schema == READINGS
        assert found.not_loaded.schema == NOT_LOADED
    large = batch_of({"tank_type": ["none", "x"]})
    large.table = large.table.cast(
        pa.schema([(name, pa.large_string()) for name in large.table.column_names])
    )
    assert type_batch(large, canonical(), file_name="x").table["tank_type"].to_pylist() == ["none", None]
    with pytest.raises(ValueError, match="own.csv: 2 rows, but line numbers for 1"):
        type_batch(SimpleNamespace(table=large.table, lines=[2]), canonical(), file_name="own.csv")


def test_an_id_that_lost_a_letter_before_it_came_is_no_id():
    found = typed(
        {
            "inspection_id": ["I\ufffd1", "I2"],
            "home_id": ["H", "H"],
            "inspected_on": ["2024-01-01"] * 2,
            "notes": ["x", "caf\ufffd"],
            "crew": ["A", "Crew \ufffd"],
        }
    )
    assert found.table.select(["inspection_id", "notes", "crew"]).to_pylist() == [
        {"inspection_id": "I2", "notes": "caf\ufffd", "crew": None}
    ]
    assert [(entry["field"], entry["reason"], entry["extent"]) for entry in found.not_loaded.to_pylist()] == [
        ("inspection_id", cells.NOT_CERTAIN, "row"),
        ("crew", cells.NOT_CERTAIN, "cell"),
    ]


def test_reasons_are_unique_texts():
    assert len(REASONS) == len(set(REASONS)) and all(REASONS)


# Any text --------------------------------------------------------------------------------------------------

LIKELY = st.sampled_from(
    [
        "",
        "12",
        "12.5",
        "-3",
        "0.8 bar",
        "1,013 hPa",
        "12,5",
        "none",
        "n/a",
        "yes",
        "diaphragm",
        "Hot Water",
        "2024-03-05",
        "03/05/2024",
        "2024-02-30",
        "2024-12-31",
        "2024-03-05T10:00Z",
        "#REF!",
        "nan",
        "1e3",
    ]
)
TEXTS = st.none() | LIKELY | st.text("0123456789.,-/:<?% psibarFT\u00a0", max_size=10) | st.text(max_size=12)
CHOSEN = [
    field.name
    for field in FIELDS
    if field.name
    in {
        "agency",
        "cold_pressure_psig",
        "hot_temperature_f",
        "boiler_year",
        "tank_type",
        "elderly",
        "completed_on",
        "updated_at",
        "repairs_reported",
        "notes",
        "crew",
        *REQUIRED,
    }
]


@MANY
@given(
    data=st.data(),
    count=st.integers(1, 12),
    decimal=st.sampled_from(".,"),
    order=st.sampled_from(["ymd", "dmy", "mdy"]),
)
def test_any_text_is_a_value_missing_or_an_entry_and_no_row_is_lost(data, count, decimal, order):
    columns = {name: data.draw(st.lists(TEXTS, min_size=count, max_size=count)) for name in CHOSEN}
    toml = f'decimal = "{decimal}"\ndates = "{order}"\n' + "".join(
        f'[columns.{name}]\nfield = "{name}"\n' for name in CHOSEN
    )
    found = typed(columns, toml, agency="Z", accepted_ids={"repairs_reported": ["set-charge"]})
    entries = found.not_loaded.to_pylist()
    kept, lost = (
        found.table["source_line"].to_pylist(),
        [entry["source_line"] for entry in entries if entry["extent"] == "row"],
    )
    assert sorted(kept + lost) == list(range(2, count + 2))
    assert {entry["reason"] for entry in entries} <= set(REASONS)
    refused = {
        (entry["source_line"], entry["field"]): entry for entry in entries if entry["extent"] == "cell"
    }
    assert {line for line, _ in refused} <= set(kept)
    for row in found.table.to_pylist():
        line = row["source_line"]
        kept_out = row["unusable"].split(";") if row["unusable"] else []
        for name in CHOSEN:
            text, field = columns[name][line - 2] or "", BY_NAME[name]
            empty = text.strip(cells.BLANKS).lower() in cells.missing_words(field)
            if name in kept_out:
                assert row[name] is None and refused[line, name]["raw_text"] == text and not empty
            elif (line, name) in refused:
                assert field.kind == WORDS and row[name] is not None
            elif row[name] is None:
                assert empty or field.kind == WORDS and not text.strip(cells.BLANKS + ";")
            else:
                assert text or name == "agency"


@MANY
@given(
    texts=st.lists(TEXTS.filter(lambda text: text and text.strip(cells.BLANKS)), min_size=1, max_size=20),
    decimal=st.sampled_from(".,"),
    order=st.sampled_from(["ymd", "dmy", "mdy"]),
    begins=st.none() | st.integers(1900, 2000),
)
def test_columns_are_read_as_their_cells_are(texts, decimal, order, begins):
    """Plain texts take a fast way over the whole column; it must never
    differ from the way of a single cell.
    """
    names = ["hot_pressure_psig", "completed_on", "updated_at"]
    century = f"two_digit_years_from = {begins}\n" if begins else ""
    toml = f'decimal = "{decimal}"\ndates = "{order}"\n{century}{REQUIRED_TOML}' + "".join(
        f'[columns.{name}]\nfield = "{name}"\n' for name in names
    )
    found = typed({name: texts for name in names}, toml).table
    low, high = BY_NAME["hot_pressure_psig"].plausible
    for at, text in enumerate(texts):
        text = text.strip(cells.BLANKS)
        expected = [
            cells.number(text, decimal),
            cells.day(text, order, begins),
            cells.moment(text, order, begins),
        ]
        if isinstance(expected[0], tuple) and expected[0][1]:
            expected[0] = None  # a unit behind it: the test below
        if isinstance(expected[0], tuple) and not low <= expected[0][0] <= high:
            expected[0] = Refused(cells.IMPLAUSIBLE, "")
        for name, want in zip(names, expected, strict=False):
            if want is not None:
                want = (
                    None
                    if isinstance(want, Refused)
                    else want[0]
                    if name == names[0]
                    else want[1]
                    if name == names[2]
                    else want
                )
                assert found[name][at].as_py() == want


SAME = {
    field.name: [unit for unit in UNITS if unit.quantity == units.find(field.unit).quantity]
    for field in FIELDS
    if field.unit
}


@MANY
@given(data=st.data(), name=st.sampled_from(sorted(SAME)), in_cell=st.booleans())
def test_converted_values_agree_with_pint(data, name, in_cell):
    field = BY_NAME[name]
    unit, own = data.draw(st.sampled_from(SAME[name])), units.find(field.unit)
    share = data.draw(st.floats(0.01, 0.99))
    wanted = field.plausible[0] + share * (field.plausible[1] - field.plausible[0])
    written = f"{REGISTRY.Quantity(wanted * own.scale, own.pint).to(unit.pint).magnitude / unit.scale:.9f}"
    back = REGISTRY.Quantity(float(written) * unit.scale, unit.pint).to(own.pint).magnitude / own.scale
    toml = "" if in_cell else mapped(name, f'unit = "{unit.name}"')
    value, reason = one(name, f"{written} {unit.name}" if in_cell else written, toml)
    assert reason is None
    if unit is own:
        assert value == float(written)
    else:
        assert value == pytest.approx(back, abs=0.5 * 10**-field.decimals + 1e-6)
        assert value == pytest.approx(round(value, field.decimals), abs=1e-9)


@MANY
@given(data=st.data(), count=st.integers(2, 15))
def test_batches_of_any_size_give_the_same_rows(data, count):
    columns = {
        name: data.draw(st.lists(TEXTS, min_size=count, max_size=count))
        for name in ("cold_pressure_psig", "tank_type", "home_id", "updated_at", "notes")
    }
    whole = batch_of(columns)
    cut = data.draw(st.integers(1, count - 1))
    parts = [
        SimpleNamespace(table=whole.table.slice(*piece), lines=whole.lines[piece[0] :][: piece[1]])
        for piece in ((0, cut), (cut, count - cut))
    ]
    found = type_batch(whole, canonical(), file_name="x")
    pieces = [type_batch(part, canonical(), file_name="x") for part in parts]
    assert pa.concat_tables([piece.table for piece in pieces]).to_pylist() == found.table.to_pylist()
    assert (
        pa.concat_tables([piece.not_loaded for piece in pieces]).to_pylist() == found.not_loaded.to_pylist()
    )


@pytest.mark.slow
@given(st.permutations(["cold_pressure_psig", "tank_type", "notes", *REQUIRED]))
def test_the_order_of_columns_changes_nothing(order):
    columns = {
        "cold_pressure_psig": ["12", "x"],
        "tank_type": ["none", ""],
        "notes": ["a", "b"],
        "inspection_id": ["1", "2"],
        "home_id": ["h", "h"],
        "inspected_on": ["2024-01-01"] * 2,
    }
    found = typed({name: columns[name] for name in order})
    assert found.table.equals(typed(columns).table) and found.not_loaded.equals(typed(columns).not_loaded)


# Many rows -------------------------------------------------------------------------------------------------


def fleet_batch(count: int):
    """Every field filled in every row, with planted faults in a fiftieth
    of three columns, and their number.
    """
    chance = np.random.default_rng(7)
    day = np.datetime64("2022-01-01")

    def texts(field):
        if field.name == "inspection_id":
            return np.char.mod("I-%07d", np.arange(count))
        if field.name in ("home_id", "address", "job_number", "notes"):
            return np.char.mod(f"{field.name} %06d", chance.integers(0, max(1, count // 3), count))
        if field.kind in (DATE, TIME):
            at = day + chance.integers(0, 1000, count)
            return np.datetime_as_string(
                at if field.kind == DATE else at + chance.integers(0, 86_400, count).astype("timedelta64[s]")
            )
        if field.kind == WORD:
            return np.array((*field.words, ""))[chance.integers(0, len(field.words) + 1, count)]
        if field.kind == NUMBER:
            low, high = field.plausible
            return np.char.mod(
                f"%.{field.decimals}f", low + (min(high, low + 1e6) - low) * chance.beta(2, 5, count)
            )
        return np.char.mod("text %d", chance.integers(0, 60, count))

    columns = {field.name: pa.array(texts(field)) for field in FIELDS if field.kind != WORDS}
    planted = 0
    for name in ("cold_pressure_psig", "hot_temperature_f", "tank_type"):
        faulty = pa.array(chance.random(count) < 0.02)
        columns[name] = pc.if_else(
            faulty, pc.binary_join_element_wise(columns[name], "?!", ""), columns[name]
        )
        planted += faulty.true_count
    return SimpleNamespace(table=pa.table(columns), lines=np.arange(count) + 2), planted


def test_many_rows_and_every_planted_fault_is_found():
    batch, planted = fleet_batch(5000)
    found = type_batch(batch, canonical(), file_name="x")
    assert found.table.num_rows == 5000 and found.not_loaded.num_rows == planted
    assert Counter(found.not_loaded["extent"].to_pylist()) == {"cell": planted}
    for field in FIELDS:
        if field.kind == TEXT and not field.folded:
            assert found.table[field.name].equals(batch.table[field.name])


@pytest.mark.slow
def test_many_rows_take_seconds():
    count = 1_000_000 if FULL else 100_000
    batch, planted = fleet_batch(count)
    started = time.process_time()
    found = 0
    for at in range(0, count, 200_000):
        part = SimpleNamespace(table=batch.table.slice(at, 200_000), lines=batch.lines[at : at + 200_000])
        found += type_batch(part, canonical(), file_name="x").not_loaded.num_rows
    assert found == planted
    # A million rows of 86 filled columns took 4 s of processor
    # time; a Python loop over the cells takes minutes.
    assert time.process_time() - started < count / 50_000 + 3
