"""Columns that look personal are named; columns of readings are not."""

import pyarrow as pa
import pytest

from pipelines.fields import FIELDS, NUMBER, WORD
from pipelines.intake.privacy import suspect_personal

FILLER = ["Cast Iron", "Fin Tube", "12.5", "", "none"] * 3


def suspects(heading: str, texts: list[str]) -> list[tuple[str, str]]:
    return suspect_personal([heading], pa.table({heading: pa.array(texts, pa.string())}))


@pytest.mark.parametrize(
    "heading, what",
    [
        ("Client", "name"),
        ("Last Name", "name"),
        ("ApplicantName", "name"),
        ("owner_name", "name"),
        ("Home Phone", "telephone"),
        ("Cell", "telephone"),
        ("E-mail", "e-mail"),
        ("DOB", "birth"),
        ("Date of Birth", "birth"),
        ("Age of Applicant", "age"),
        ("SSN", "Social Security"),
        ("Social Security No.", "Social Security"),
        ("Household Income", "income"),
        ("% of poverty", "income"),
        ("Street Address", "address"),
        ("GPS lat", "place"),
        ("Ethnicity", "circumstances"),
        ("Utility account no", "account"),
    ],
)
def test_headings_that_give_a_column_away(heading, what):
    [(named, why)] = suspects(heading, [])
    assert named == heading and what in why


@pytest.mark.parametrize(
    "text, what",
    [
        ("somebody@example.org", "e-mail"),
        ("ask (555) 010-0199 first", "telephone"),
        ("555-010-0199", "telephone"),
        ("000-12-3456", "Social Security"),
        ("123 Invented Oak Street", "street address"),
    ],
)
def test_one_cell_gives_a_column_away(text, what):
    [(_, why)] = suspects("Column 9", [*FILLER, text])
    assert what in why
    assert suspects("Column 9", FILLER) == []


def test_names_and_births_by_the_run_of_cells():
    people = [
        f"{first} {last}" for first in ("Ada", "Bea", "Cy") for last in ("Invented", "Madeup", "O’Nobody")
    ]
    births = [
        f"{month}/{day}/19{year}"
        for month, day, year in zip(range(1, 10), range(11, 20), range(41, 50), strict=True)
    ]
    assert "names" in suspects("Column 9", people)[0][1]
    assert "birth" in suspects("Column 9", births)[0][1]
    assert (
        suspects("Column 9", ["Cast Iron", "Fin Tube"] * 20) == []
    )  # many rows, few texts: a word, not people
    assert suspects("Column 9", [birth.replace("/19", "/20") for birth in births]) == []


@pytest.mark.parametrize(
    "heading",
    [
        "Agency name",
        "Crew name",
        "Boiler age",
        "File name",
        "Tank size",
        "Boiler output",
        "Zone count",
        "Tract",
        "Printed on",
    ],
)
def test_headings_of_things_are_left_alone(heading):
    assert suspects(heading, ["1", "2"]) == []


def test_columns_of_readings_are_left_alone():
    columns = {}
    for field in FIELDS:
        if field.kind == NUMBER:
            low, high = field.plausible
            columns[field.name] = [
                f"{low + (high - low) * step / 40:.{field.decimals}f}" for step in range(41)
            ]
        if field.kind == WORD and not field.personal:
            columns[field.name] = [*field.words] * 10
    longest = max(map(len, columns.values()))
    table = pa.table(
        {name: pa.array([texts[at % len(texts)] for at in range(longest)]) for name, texts in columns.items()}
    )
    assert suspect_personal(list(columns), table) == []


def test_the_order_is_that_of_the_file_and_empty_tables_do():
    headings = ["Phone", "Tank", "Client", "SSN"]
    assert [name for name, _ in suspect_personal(headings, pa.table({}))] == ["Phone", "Client", "SSN"]
