"""Lists that leave the tool: columns, order, filters, who sees what, files that come out whole and equal."""

import csv
import io
import json
import re
import subprocess
import sys
import time
import zipfile
from datetime import date, datetime, timedelta

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pypdf
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipelines.answers import formats, homes, lists
from pipelines.answers.access import EVERYTHING, Filters, ListError, Viewer
from pipelines.answers.cautions import CAUTIONS
from pipelines.answers.listed import Sheet
from pipelines.answers.sheet import empty_csv, reading_sheet, title_of, unit_of, word_said
from pipelines.answers.sheet_pdf import sheet_pdf
from pipelines.engine.checks import BY_ID, HOME_CHECKS
from pipelines.fields import BY_NAME, FIELDS
from pipelines.fleet import snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.intake.spreadsheets import harmless, read_back
from pipelines.receiving import door
from pipelines.snapshot import stages
from pipelines.snapshot.headlines import IN_DOUBT
from tests.inspections import SOUND

AS_OF = date(2026, 3, 1)
COLUMNS = [
    "agency",
    "home_id",
    "system_id",
    "job_number",
    "region",
    "crew",
    "last_inspected_on",
    "risk",
    "check_id",
    "deficiency",
    "observed",
    "low",
    "high",
    "unit",
    "certainty",
    "fix_first",
    "remedy",
    "state",
    "stage",
    "since",
    "due",
    "decided",
]
WAY_BACK = ["status", "done_on", "done_by", "reading_after", "why"]
STAINED, CUSHION, ISOLATED, HIDDEN = (
    "relief-stained",
    "tank-cushion-lost",
    "relief-isolated",
    "relief-discharge-hidden",
)

# A loop that is in order, as a row of an export; what is different at a visit stands beside it.
IN_ORDER = {name: value for name, value in SOUND.items() if name in BY_NAME} | {
    "backflow_tested_on": date(2025, 12, 1),
    "stated_result": None,
}
LOST = {
    "hot_pressure_psig": 25.0,
    "tank_volume_gal": 8.0,
    "relief_signs": "stained",
}  # cushion gone, and the relief valve has opened
NORTH = (
    dict(
        inspection_id=1,
        home_id=1,
        inspected_on="2026-01-10",
        inspection_kind="initial",
        crew="Crew 1",
        region="Hill Side",
        address="1 Invented Lane",
        job_number="J-1",
    ),
    dict(
        inspection_id=2,
        home_id=2,
        inspected_on="2026-01-12",
        inspection_kind="initial",
        crew="Crew 1",
        region="Hill Side",
        relief_mounting="valve_between",
        job_number="J-2",
    ),
    dict(
        inspection_id=3,
        home_id=3,
        inspected_on="2026-02-01",
        inspection_kind="final",
        crew="Crew 2",
        region="Hill Side",
        relief_signs="stained",
        job_number="J-3",
    ),
    dict(
        inspection_id=4,
        home_id=4,
        inspected_on="2026-01-05",
        inspection_kind="initial",
        region="Shore",
        job_number="J-4",
        **LOST,
    ),
    dict(
        inspection_id=5,
        home_id=4,
        inspected_on="2026-02-20",
        inspection_kind="final",
        region="Shore",
        job_number="J-4",
        relief_signs=None,
        reported_on="2026-02-25",
    ),
    dict(
        inspection_id=6,
        home_id=5,
        inspected_on="2026-01-06",
        inspection_kind="initial",
        region="Shore",
        job_number="J-5",
        **LOST,
    ),
    dict(
        inspection_id=7,
        home_id=6,
        inspected_on="2026-02-03",
        inspection_kind="final",
        crew="Crew 2",
        region="Shore",
        job_number="J-6",
        relief_signs=None,
        relief_discharge_end=None,
    ),
)
SOUTH = (
    dict(
        inspection_id=1,
        home_id=1,
        inspected_on="2026-02-02",
        inspection_kind="final",
        crew="Crew 1",
        region="East  Side",
        address="12 Made-up Road",
        job_number="S-1",
        relief_discharge_end="concealed",
        cold_temperature_f="warm",
        inspector="N. N.",
    ),
    dict(
        inspection_id="2",
        home_id="=2+3",
        inspected_on="2026-02-02",
        inspection_kind="initial",
        crew='The "B"; crew',
        region="East Side",
        relief_signs="stained",
    ),
)
CARRIED = (
    {"Tract": "T-1", "Status": "=SUM(A1)", "=Own": "-5"},
    {"Tract": 'two\nlines, "quoted"', "Status": "", "=Own": "+1 late"},
)


def export(path, rows, heading=lambda name: name, more=({},) * 9):
    names = [field.name for field in FIELDS if field.name != "agency" or "agency" in rows[0]]
    with open(path, "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow([heading(name) for name in names] + list(more[0]))
        for row, own in zip(rows, more, strict=False):
            full = IN_ORDER | row
            writer.writerow(
                ["" if full.get(name) is None else full[name] for name in names] + list(own.values())
            )


@pytest.fixture(scope="module")
def snapshot(tmp_path_factory):
    """Two agencies that both count from 1 and both have a Crew 1; the second carries columns of its own."""
    folder = tmp_path_factory.mktemp("lists")
    fleet = Fleet(folder / "fleet").create()
    columns = "".join(
        f'[columns."S {field.name}"]\nfield = "{field.name}"\n' for field in FIELDS if field.name != "agency"
    )
    (fleet.mappings / "south.toml").write_text(
        'agency = "South Aid"\ncarry = ["Tract", "Status", "=Own"]\n' + columns
    )
    export(folder / "north.csv", [{"agency": "North Aid"} | row for row in NORTH])
    export(folder / "south.csv", SOUTH, heading=lambda name: f"S {name}", more=CARRIED)
    arrivals = door.load(fleet, [folder / "north.csv", folder / "south.csv"])
    assert [one.status for one in arrivals] == ["loaded", "loaded"], arrivals
    return snapshots.attach(stages.build(fleet))


def rows(sheet):
    return [(row.agency, row.home_id, row.check_id) for row in sheet.frame.itertuples()]


def flagged(snapshot, viewer=EVERYTHING, as_of=AS_OF, **filters):
    return lists.flagged(viewer, snapshot, Filters(**filters), as_of)


# ---- what is listed


def test_flagged_has_its_columns_in_order(snapshot):
    assert list(flagged(snapshot).frame) == COLUMNS + ["Tract", "Status (own)", "=Own"] + WAY_BACK


def test_flagged_lists_what_is_open_the_gravest_and_oldest_first(snapshot):
    assert rows(flagged(snapshot)) == [
        ("North Aid", "2", ISOLATED),  # act today
        ("North Aid", "5", CUSHION),  # high: at work already, since it has made the relief valve open
        ("South Aid", "1", HIDDEN),  # serious
        ("North Aid", "4", STAINED),  # medium, oldest first
        ("North Aid", "5", STAINED),
        ("North Aid", "3", STAINED),
        ("South Aid", "=2+3", STAINED),
    ]


def test_a_root_is_named_only_while_it_is_open(snapshot):
    frame = flagged(snapshot).frame.set_index(["home_id", "check_id"])
    assert frame.loc[("5", STAINED), "fix_first"] == BY_ID[CUSHION].title
    assert pd.isna(frame.loc[("4", STAINED), "fix_first"])  # the cushion was put right since
    assert pd.isna(frame.loc[("5", CUSHION), "fix_first"])  # itself the root


def test_a_discharging_valve_whose_cause_is_not_told_says_so(tmp_path):
    fleet = Fleet(tmp_path / "fleet").create()
    export(tmp_path / "one.csv", [NORTH[0] | {"relief_signs": "dripping", "tank_air_valve": None}])
    door.load(fleet, [tmp_path / "one.csv"])
    sheet = flagged(snapshots.attach(stages.build(fleet)))
    assert dict(zip(sheet.frame.check_id, sheet.frame.fix_first, strict=True)) == {
        "relief-discharging": "cause not told"
    }


def test_due_counts_from_the_visit_that_found_it(snapshot):
    due = {(row.home_id, row.check_id): row.due.date() for row in flagged(snapshot).frame.itertuples()}
    assert due["2", ISOLATED] == date(2026, 1, 13)  # act today: 1 day to correct
    assert due["5", CUSHION] == date(2026, 1, 20)  # high: 14
    assert due["1", HIDDEN] == date(2026, 3, 4)  # serious: 30
    assert due["4", STAINED] == date(2026, 4, 5)  # medium: 90, from the first visit that found it


def test_low_risk_has_no_due_date(sample_snapshot):
    frame = flagged(sample_snapshot).frame
    assert frame.due[frame.risk == "low"].isna().all() and (frame.risk == "low").any()
    assert frame.due[frame.risk != "low"].notna().all()


def test_every_open_check_is_listed_once_and_nothing_else(sample_snapshot):
    opened = sample_snapshot.rows(
        """
        SELECT agency, home_id, system_id, check_id
        FROM home_checks
        WHERE state IN ('open', 'recurred', 'repair did not hold')"""
    )
    frame = flagged(sample_snapshot).frame
    listed = list(zip(frame.agency, frame.home_id, frame.system_id, frame.check_id, strict=True))
    assert len(listed) == len(set(listed)) and set(listed) == set(opened)
    assert len(listed) == sample_snapshot.rows("SELECT sum(open_deficiencies) FROM homes")[0][0] > 1000


def test_numbers_and_words_are_those_of_the_result_that_decides(sample_snapshot):
    sheet = flagged(sample_snapshot).frame
    told = sample_snapshot.query("""
        SELECT d.agency, d.home_id, d.system_id, d.check_id, r.* EXCLUDE (agency, check_id)
        FROM home_checks AS d
        JOIN results AS r
            ON r.agency = d.agency AND r.inspection_id = d.inspection_id AND r.check_id = d.check_id""")
    both = sheet.merge(
        told, on=["agency", "home_id", "system_id", "check_id"], suffixes=("", "_told"), validate="1:1"
    )
    assert len(both) == len(sheet) and (both.outcome == "deficient").all()
    for name in ("low", "high", "certainty"):
        np.testing.assert_allclose(both[name], both[f"{name}_told"], atol=1e-6)
    words = both.observed_text.notna()
    assert words.any() and (both.observed[words] == both.observed_text[words]).all()
    numbers = both.observed_told.notna()
    np.testing.assert_allclose(both.observed[numbers].astype(float), both.observed_told[numbers], atol=1e-6)
    neither = ~words & ~numbers
    assert (
        neither.any() and (both.observed[neither] == both.reason[neither]).all()
    )  # such as: no cushion left
    assert (
        both.observed[neither & (both.check_id == "predicted-pressure-near-relief")] == "no cushion left"
    ).all()


def test_the_order_is_act_today_then_risk_then_oldest_then_agency_and_home(sample_snapshot):
    frame = flagged(sample_snapshot).frame
    place = {level: number for number, level in enumerate(("act today", "high", "serious", "medium", "low"))}
    keys = [
        (place[row.risk], row.since, row.agency, row.home_id, row.system_id) for row in frame.itertuples()
    ]
    assert keys == sorted(keys) and {key[0] for key in keys} == set(range(5))


# ---- filters


@pytest.mark.parametrize(
    ("filters", "homes"),
    [
        (dict(agency=("north AID",)), {"2", "3", "4", "5"}),
        (dict(agency=(" North  Aid ", "South Aid"), check=(HIDDEN,)), {"1"}),
        (dict(region=("east side",)), {"1", "=2+3"}),  # "East  Side" and "East Side" are one
        (dict(region=("Shore", "hill side"), check=(STAINED,)), {"3", "4", "5"}),
        (dict(crew=("CREW 1",)), {"2", "1"}),
        (dict(crew=("crew 1",), agency=("South Aid",)), {"1"}),
        (dict(risk="act today"), {"2"}),
        (dict(risk="serious"), {"2", "5", "1"}),  # or worse
        (dict(stage=("open after the final",)), {"3", "1"}),
        (dict(stage=("reported with it open",)), {"4"}),
        (dict(reported="yes"), {"4"}),
        (dict(reported="no", stage=("open after the final",)), {"3", "1"}),
        (dict(risk_exactly="serious"), {"1"}),
        (dict(stage=("waiting for work", "open after the final"), check=(ISOLATED, HIDDEN)), {"2", "1"}),
        (dict(since=date(2026, 2, 1)), {"3", "1", "=2+3"}),  # that day counts
        (dict(since=date(2026, 2, 2)), {"1", "=2+3"}),
        (dict(search="j-3"), {"3"}),
        (dict(search="=2"), {"=2+3"}),
        (dict(search="MADE-UP road"), {"1"}),
        (dict(search="%"), set()),  # no pattern
    ],
)
def test_filters_are_any_of_each_and_all_together(snapshot, filters, homes):
    assert {home for _, home, _ in rows(flagged(snapshot, **filters))} == homes


@pytest.mark.parametrize(
    ("filters", "says"),
    [
        (dict(agency=("Nort Aid",)), "nearest: North Aid"),
        (dict(region=("Shoreline",)), "nearest: Shore"),
        (dict(crew=("Crew 1", "Nobody")), "no crew called 'Nobody'"),
    ],
)
def test_a_filter_that_names_nothing_is_an_error_not_an_empty_list(snapshot, filters, says):
    with pytest.raises(ListError, match=says):
        flagged(snapshot, **filters)
    with pytest.raises(ListError, match=says):
        lists.hold(EVERYTHING, snapshot, Filters(**filters), AS_OF)


@pytest.mark.parametrize(
    "filters",
    [
        dict(check=("relief-stain",)),
        dict(check=("cold-reading-hot",)),
        dict(risk="grave"),
        dict(stage=("open",)),
    ],
)
def test_checks_risks_and_stages_are_of_the_fixed_lists(filters):
    with pytest.raises(ListError, match="no (check|risk|stage) called"):
        Filters(**filters)


# ---- who may see what


def test_agencies_never_meet(snapshot):
    south = Viewer(("south aid",))
    sheet = flagged(snapshot, south)
    assert {agency for agency, *_ in rows(sheet)} == {"South Aid"} and len(sheet.frame) == 2
    with pytest.raises(ListError) as error:
        flagged(snapshot, south, agency=("North Aid",))
    assert "North Aid" not in str(error.value).split(";")[1] and "South Aid" in str(error.value)
    assert "Tract" not in flagged(snapshot, Viewer(("North Aid",))).frame
    assert rows(flagged(snapshot, Viewer(()))) == []
    assert {row.agency for row in lists.hold(south, snapshot, Filters(), AS_OF).frame.itertuples()} == {
        "South Aid"
    }


def test_an_address_is_found_only_by_those_who_may_see_it(snapshot):
    assert len(flagged(snapshot, Viewer(), search="12 made-up").frame) == 1
    assert len(flagged(snapshot, Viewer(personal=False), search="12 made-up").frame) == 0
    assert len(flagged(snapshot, Viewer(personal=False), search="S-1").frame) == 1


def test_what_was_not_loaded_is_told_without_personal_texts(tmp_path):
    fleet = Fleet(tmp_path / "fleet").create()
    export(
        tmp_path / "one.csv",
        [
            NORTH[0] | dict(cold_pressure_psig="about 12", elderly="maybe"),
            NORTH[1] | dict(inspected_on="someday", address="3 Invented Lane"),
        ],
        more=({"Extra": "x"},) * 2,
    )
    door.load(fleet, [tmp_path / "one.csv"], agency="North Aid")
    snapshot = snapshots.attach(stages.build(fleet))
    sheet = lists.not_loaded(EVERYTHING, snapshot, 1)
    assert list(sheet.frame) == [
        "source_line",
        "extent",
        "heading",
        "field",
        "raw_text",
        "reason",
        "expected",
    ]
    told = {(row.extent, row.field): row for row in sheet.frame.itertuples()}
    assert (
        told["cell", "cold_pressure_psig"].raw_text == "about 12"
        and told["cell", "cold_pressure_psig"].source_line == 2
    )
    assert told["cell", "elderly"].raw_text == "maybe" and told["row", "inspected_on"].source_line == 3
    assert told["column", ""].heading == "Extra"
    hidden = {
        (row.extent, row.field): row.raw_text
        for row in lists.not_loaded(Viewer(personal=False), snapshot, 1).frame.itertuples()
    }
    assert hidden.keys() == told.keys() and hidden["cell", "cold_pressure_psig"] == "about 12"
    assert pd.isna(hidden["cell", "elderly"]) and pd.isna(hidden["row", "inspected_on"])
    assert "Invented" not in formats.as_csv(lists.not_loaded(Viewer(personal=False), snapshot, 1)).decode()
    with pytest.raises(ListError, match="no export 1"):
        lists.not_loaded(Viewer(("South Aid",)), snapshot, 1)
    with pytest.raises(ListError, match="no export 9"):
        lists.not_loaded(EVERYTHING, snapshot, 9)


def test_of_a_shared_file_a_viewer_sees_cells_of_own_rows_only(tmp_path):
    fleet = Fleet(tmp_path / "fleet").create()
    export(
        tmp_path / "both.csv",
        [
            dict(agency=agency, cold_pressure_psig=f"about {number}")
            | {k: v for k, v in NORTH[number].items()}
            for number, agency in enumerate(("North Aid", "South Aid"))
        ]
        + [dict(agency="North Aid") | NORTH[2] | dict(inspected_on="someday")],
    )
    door.load(fleet, [tmp_path / "both.csv"])
    snapshot = snapshots.attach(stages.build(fleet))
    assert list(lists.not_loaded(Viewer(("south AID",)), snapshot, 1).frame.raw_text) == ["about 1"]
    assert len(lists.not_loaded(EVERYTHING, snapshot, 1).frame) == 3
    with pytest.raises(ListError):
        lists.not_loaded(Viewer(("West Aid",)), snapshot, 1)


# ---- hold


def test_hold_lists_units_with_a_final_and_no_report_and_says_why(snapshot):
    frame = lists.hold(EVERYTHING, snapshot, Filters(), AS_OF).frame
    assert list(frame) == [
        "agency",
        "home_id",
        "job_number",
        "region",
        "crew",
        "final_on",
        "last_inspected_on",
        "risk",
        "open_deficiencies",
        "safety_not_verified",
        "why",
        "headline",
    ]
    told = {(row.agency, row.home_id): row for row in frame.itertuples()}
    assert list(told) == [
        ("South Aid", "1"),
        ("North Aid", "3"),
        ("North Aid", "6"),
    ]  # serious, medium, none; 4 was reported, the others have no final
    assert (
        told["North Aid", "3"].why == f"open: {BY_ID[STAINED].title}"
        and told["North Aid", "3"].job_number == "J-3"
    )
    lacking = [
        BY_ID[check].name
        for check in (
            "relief-did-not-open",
            "relief-discharge-hidden",
            "relief-discharge-unpiped",
            "relief-discharging",
        )
    ]
    assert (
        told["North Aid", "6"].why == "; ".join(f"not verified: {name}" for name in lacking)
        and told["North Aid", "6"].safety_not_verified == 4
    )
    assert told["North Aid", "6"].final_on.date() == date(2026, 2, 3) and pd.isna(told["North Aid", "6"].risk)
    assert {
        row.home_id
        for row in lists.hold(EVERYTHING, snapshot, Filters(check=(STAINED,)), AS_OF).frame.itertuples()
    } == {"3"}


def test_hold_agrees_with_the_homes(sample_snapshot):
    frame = lists.hold(EVERYTHING, sample_snapshot, Filters(), AS_OF).frame
    held = sample_snapshot.query("SELECT * FROM homes WHERE hold_before_reporting")
    both = frame.merge(held, on=["agency", "home_id"], suffixes=("", "_home"), validate="1:1")
    assert len(both) == len(held) == len(frame) > 100
    assert frame.final_on.notna().all() and (frame.why != "").all()

    titles, names = {check.title for check in HOME_CHECKS}, {check.name for check in HOME_CHECKS}
    for row in frame.itertuples():
        reasons = [reason for reason in row.why.split("; ") if reason != IN_DOUBT]
        opened = [text.partition(": ")[2] for text in reasons if text.startswith("open")]
        lacking = [text.partition(": ")[2] for text in reasons if text.startswith("not verified")]
        assert len(opened) + len(lacking) == len(reasons) == len(set(reasons)), row
        assert set(opened) <= titles and set(lacking) <= names, row
        doubts = len(row.why.split("; ")) - len(reasons)
        assert (len(opened), len(lacking) + doubts) == (row.open_deficiencies, row.safety_not_verified), row


def test_each_reason_to_hold_stands_on_a_line_of_its_own(sample_snapshot):
    sheet = lists.hold(EVERYTHING, sample_snapshot, Filters(), AS_OF)
    page = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet)))["hold"]
    column = [cell.value for cell in page[1]].index("why")
    for (line, cells), why in zip(enumerate(page.iter_rows(min_row=2), 2), sheet.frame.why, strict=True):
        lines = why.split("; ")
        assert cells[column].value.split("\n") == lines and cells[column].alignment.wrap_text
        assert (page.row_dimensions[line].height or 15) >= 15 * len(lines)
    read = csv.DictReader(io.StringIO(formats.as_csv(sheet).decode(), newline=""))
    assert [row["why"] for row in read] == list(sheet.frame.why)
    assert any("(system " in why for why in sheet.frame.why)
    assert not [check.id for check in HOME_CHECKS if "; " in check.title + check.name]


def test_a_job_that_was_reported_is_not_named_among_those_held(tmp_path):
    fleet = Fleet(tmp_path / "fleet").create()
    first = dict(
        inspection_id=1,
        home_id=1,
        inspected_on="2025-01-02",
        inspection_kind="final",
        job_number="J-old",
        reported_on="2025-01-09",
        backflow_tested_on="2024-12-01",
    )
    export(
        tmp_path / "one.csv",
        [
            first,
            dict(
                inspection_id=2,
                home_id=1,
                inspected_on="2026-02-02",
                inspection_kind="final",
                job_number="J-new",
                relief_signs="stained",
            ),
        ],
    )
    door.load(fleet, [tmp_path / "one.csv"])
    frame = lists.hold(EVERYTHING, snapshots.attach(stages.build(fleet)), Filters(), AS_OF).frame
    assert [(row.job_number, row.final_on.date()) for row in frame.itertuples()] == [
        ("J-new", date(2026, 2, 2))
    ]


# ---- files


def test_the_same_question_gives_the_same_bytes(snapshot):
    """A workbook's and a PDF's own clock shows within a second, a zip's within two."""
    first = flagged(snapshot, risk="medium")
    before = [
        write(first)
        for write in (formats.as_csv, formats.as_xlsx, formats.as_pdf, formats.as_parquet, formats.as_zip)
    ] + [json.dumps(formats.as_json(first))]
    time.sleep(2.1)
    again = flagged(snapshot, risk="medium")
    assert before == [
        write(again)
        for write in (formats.as_csv, formats.as_xlsx, formats.as_pdf, formats.as_parquet, formats.as_zip)
    ] + [json.dumps(formats.as_json(again))]


def test_a_csv_is_headings_and_rows_and_nothing_else(snapshot):
    sheet = flagged(snapshot)
    read = list(csv.DictReader(io.StringIO(formats.as_csv(sheet).decode("utf-8"), newline="")))
    assert list(read[0]) == [*COLUMNS, "Tract", "Status (own)", "'=Own", *WAY_BACK]
    assert len(read) == len(sheet.frame)
    assert (
        read[0]["since"] == "2026-01-12"
        and read[0]["due"] == "2026-01-13"
        and read[0]["observed"] == "valve_between"
        and read[0]["status"] == ""
    )
    by_home = {(row["agency"], row["home_id"]): row for row in read}
    own = by_home["South Aid", "1"]
    assert (own["Tract"], own["Status (own)"], own["'=Own"]) == ("T-1", "'=SUM(A1)", "-5")
    odd = by_home["South Aid", "'=2+3"]
    assert (
        odd["crew"] == 'The "B"; crew'
        and odd["Tract"] == 'two\nlines, "quoted"'
        and odd["'=Own"] == "'+1 late"
    )


@pytest.mark.parametrize(
    "text",
    [
        "=1+1",
        "+cmd",
        "-cmd|x",
        "@sum",
        "|x",
        "%x",
        "  =x",
        "\t=x",
        "\n=x",
        "\u200b=x",
        "\ufeff=x",
        "\u00a0=x",
        "\uff1dx",
        "\uff0bx",
        "\uff0dx",
        "\uff20x",
        "\uff5cx",
        "\uff05x",
        "-",
        "-5 psi",
        "'=x",
    ],
)
def test_text_a_spreadsheet_would_run_is_made_harmless(text):
    assert harmless(pa.array([text])).to_pylist() == ["'" + text]


@pytest.mark.parametrize("text", ["-5", "+1.5", "-1e3", "12", "psi", "a=b", "'quoted'", "", "O'Neil"])
def test_numbers_and_plain_text_are_left_alone(text):
    assert harmless(pa.array([text])).to_pylist() == [text]


@given(
    st.lists(
        st.one_of(st.none(), st.text(alphabet="'=+-@|% \t\u200b\uff1d15.ae", max_size=6), st.text(max_size=6))
    )
)
def test_what_was_made_harmless_reads_back_as_it_was(texts):
    column = pa.array(texts, pa.string())
    assert read_back(harmless(column)).to_pylist() == texts


def test_a_workbook_holds_real_numbers_and_dates_and_says_what_it_rests_on(snapshot):
    sheet = flagged(snapshot, risk="medium")
    book = openpyxl.load_workbook(io.BytesIO(formats.as_xlsx(sheet)))
    page = book["flagged"]
    headings = [cell.value for cell in page[1]]
    assert headings == [*COLUMNS, "Tract", "Status (own)", "'=Own", *WAY_BACK]
    cells = {
        (row[1].value, row[8].value): dict(zip(headings, row, strict=True))
        for row in page.iter_rows(min_row=2)
    }
    ratio = cells["5", CUSHION]
    assert (
        ratio["observed"].data_type == "n" and 0 < ratio["observed"].value < 0.5 and ratio["low"].value == 0.5
    )
    assert ratio["since"].value == datetime(2026, 1, 6) and ratio["since"].is_date
    assert (
        cells["2", ISOLATED]["observed"].value == "valve_between"
        and cells["2", ISOLATED]["low"].value is None
    )
    assert not [cell for row in page.iter_rows() for cell in row if cell.data_type == "f"]
    assert cells["1", HIDDEN]["Status (own)"].value == "'=SUM(A1)"
    facts = [(row[0].value, row[1].value) for row in book["About"].iter_rows()]
    said = dict(facts)
    policy = json.loads(snapshot.rows("SELECT inputs FROM runs")[0][0])["policy"]
    assert (said["snapshot"], said["as of"], said["filters"], said["policy"]) == (
        snapshot.name,
        "2026-03-01",
        "risk medium",
        policy,
    )
    assert tuple(text for name, text in facts if name == "caution") == CAUTIONS
    newest = datetime.fromisoformat(
        snapshot.rows("SELECT max(received_at) FROM exports")[0][0].removesuffix("Z")
    )
    assert book.properties.created == newest


def test_a_workbook_refuses_more_rows_than_it_holds(snapshot):
    sheet = flagged(snapshot)
    many = Sheet(sheet.name, pa.concat_tables([sheet.rows.select(["agency"])] * 150_000), sheet.about)
    with pytest.raises(ListError, match="1,050,000 rows are more than a spreadsheet holds"):
        formats.as_xlsx(many)


def test_parquet_carries_types_and_what_it_rests_on(snapshot):
    sheet = flagged(snapshot)
    read = pa.parquet.read_table(io.BytesIO(formats.as_parquet(sheet)))
    assert (
        read.num_rows == len(sheet.frame)
        and read.schema.field("since").type == pa.date32()
        and read.schema.field("low").type == pa.float64()
    )
    assert all(read.schema.field(name).type == pa.string() for name in ("observed", "decided", *WAY_BACK))
    assert json.loads(read.schema.metadata[b"coldfill"]) == sheet.about


def test_json_groups_deficiencies_by_home(snapshot):
    document = json.loads(json.dumps(formats.as_json(flagged(snapshot)), allow_nan=False))
    assert {"snapshot", "as_of", "filters", "policy", "homes"} <= document.keys()
    assert (document["snapshot"], document["as_of"], document["filters"]) == (snapshot.name, "2026-03-01", {})
    assert [
        (home["agency"], home["home_id"], home["risk"], len(home["deficiencies"]))
        for home in document["homes"]
    ] == [
        ("North Aid", "2", "act today", 1),
        ("North Aid", "5", "high", 2),
        ("South Aid", "1", "serious", 1),
        ("North Aid", "4", "medium", 1),
        ("North Aid", "3", "medium", 1),
        ("South Aid", "=2+3", "medium", 1),
    ]
    first = document["homes"][1]["deficiencies"][0]
    assert list(first) == [*COLUMNS, "Tract", "Status (own)", "=Own", *WAY_BACK]
    assert (
        isinstance(first["observed"], float)
        and first["since"] == "2026-01-06"
        and first["high"] is None
        and first["Tract"] is None
    )


def test_json_gives_a_home_its_own_risk_under_a_filter(snapshot):
    homes = {home["home_id"]: home for home in formats.as_json(flagged(snapshot, check=(STAINED,)))["homes"]}
    assert homes["5"]["risk"] == "high" and [one["risk"] for one in homes["5"]["deficiencies"]] == ["medium"]


def test_other_lists_are_rows_in_json(snapshot):
    document = json.loads(
        json.dumps(formats.as_json(lists.hold(EVERYTHING, snapshot, Filters(), AS_OF)), allow_nan=False)
    )
    assert [row["home_id"] for row in document["rows"]] == ["1", "3", "6"] and document["rows"][2][
        "risk"
    ] is None


def test_a_written_csv_has_its_text_beside_it(snapshot, tmp_path):
    sheet = flagged(snapshot, crew=("crew 1",), since=date(2026, 1, 1))
    assert formats.write(sheet, tmp_path / "list.csv") == [
        tmp_path / "list.csv",
        tmp_path / "list.csv.about.txt",
    ]
    assert (tmp_path / "list.csv").read_bytes() == formats.as_csv(sheet)
    text = (tmp_path / "list.csv.about.txt").read_text()
    for said in (
        f"snapshot: {snapshot.name}",
        "as of: 2026-03-01",
        "filters: crew crew 1; since 2026-01-01",
        f"policy: {sheet.about['policy']}",
        "rows: 2",
        *CAUTIONS,
    ):
        assert said in text
    with zipfile.ZipFile(io.BytesIO(formats.as_zip(sheet))) as archive:
        names = archive.namelist()
        assert [archive.read(name) for name in names] == [formats.as_csv(sheet), text.encode()]
        assert names[0] == f"flagged-{snapshot.name.removesuffix('.duckdb')}-as-of-2026-03-01.csv"


@pytest.mark.parametrize("ending", [".xlsx", ".parquet", ".json"])
def test_other_files_stand_alone(snapshot, tmp_path, ending):
    assert formats.write(flagged(snapshot), tmp_path / f"list{ending.upper()}") == [
        tmp_path / f"list{ending.upper()}"
    ]
    assert [path.name for path in tmp_path.iterdir()] == [f"list{ending.upper()}"]


def test_an_unknown_ending_names_those_there_are(snapshot, tmp_path):
    with pytest.raises(ListError, match=r"list.txt: this list ends in .csv, .xlsx, .pdf, .parquet, .json"):
        formats.write(flagged(snapshot), tmp_path / "list.txt")
    with pytest.raises(ListError, match=r"hold.pdf: this list ends in .csv, .xlsx, .parquet, .json"):
        formats.write(lists.hold(EVERYTHING, snapshot, Filters(), AS_OF), tmp_path / "hold.pdf")
    with pytest.raises(FleetError, match="Cannot write"):
        formats.write(flagged(snapshot), tmp_path / "no such folder" / "list.csv")


def test_an_empty_fleet_gives_empty_lists(empty_fleet):
    snapshot = snapshots.attach(empty_fleet.current())
    for sheet in (flagged(snapshot), lists.hold(EVERYTHING, snapshot, Filters(), AS_OF)):
        assert len(sheet.frame) == 0 and formats.as_csv(sheet).count(b"\n") == 1
        for write in (formats.as_xlsx, formats.as_parquet, formats.as_zip):
            assert write(sheet)
    assert (
        list(flagged(snapshot).frame) == COLUMNS + WAY_BACK
        and formats.as_json(flagged(snapshot))["homes"] == []
    )


# ---- paper


def test_the_reading_sheet_is_one_page_with_every_reading_once_and_cold_before_hot():
    text = reading_sheet()
    lines = text.splitlines()
    assert len(lines) <= 66 and max(map(len, lines)) <= 118
    blanks = [
        f"{title_of(field)}: {'  '.join(f'[ ] {word_said(word)}' for word in field.words)}"
        if field.words
        else f"{title_of(field)} ______ {unit_of(field)}".strip()
        for field in FIELDS
        if field.name != "updated_at"
    ]
    whole = re.sub(r"\n   ", "  ", text)
    assert len(set(blanks)) == len(blanks)
    assert [
        one for one in blanks if len(re.findall(rf"(?:^|   ){re.escape(one)}(?:   |$)", whole, re.M)) != 1
    ] == []
    assert text.index("Cold pressure") < text.index("Hot pressure") < text.index("Precharge ___")
    assert [caution for caution in CAUTIONS if caution not in text.replace("\n", " ")] == []


def test_the_names_on_the_sheet_are_those_of_the_csv_in_words():
    for field in FIELDS:
        words = title_of(field).casefold().replace(" ", "_")
        rest = field.name.removeprefix(words)
        assert field.name.startswith(words) and rest in (
            "",
            "_psig",
            "_ft",
            "_ft2",
            "_gal",
            "_btuh",
            "_f",
            "_a",
        )
        assert [word_said(word).casefold().replace(" ", "_") for word in field.words] == list(field.words)


def test_the_printed_sheet_is_one_page_with_every_field_and_word():
    first = sheet_pdf()
    time.sleep(1.1)
    assert first == sheet_pdf()
    (page,) = pypdf.PdfReader(io.BytesIO(first)).pages
    assert tuple(map(float, page.mediabox)) == (0.0, 0.0, 612.0, 792.0)
    whole = " ".join(page.extract_text().split())
    for field in FIELDS:
        if field.name != "updated_at":
            assert field.name in whole.split() and title_of(field) in whole, field.name
            assert all(word_said(word) in whole for word in field.words)
    assert all(caution in whole for caution in CAUTIONS)
    boxes = page.get_contents().get_data().count(b" re S")
    assert boxes == sum(len(field.words) for field in FIELDS)


def test_an_empty_csv_is_our_own_export(tmp_path):
    path = tmp_path / "empty.csv"
    path.write_text(
        empty_csv()
        + ",".join(
            {"inspection_id": "1", "home_id": "1", "inspected_on": "2026-01-01"}.get(field.name, "")
            for field in FIELDS
        )
        + "\n"
    )
    fleet = Fleet(tmp_path / "fleet").create()
    (arrival,) = door.load(fleet, [path])
    assert (arrival.status, arrival.mapping) == ("loaded", "canonical")


def test_cautions_say_what_must_be_said():
    """Each of these has cost somebody dearly; the words may change, the thing must be there."""
    text = " ".join(CAUTIONS).lower()
    for thing in (
        "not a safety inspection",
        "140 °f",
        "power and fuel off",
        "open a drain",
        "cold water",
        "never plug",
        "lever",
        "heavy",
        "pipes freeze",
        "do not leave",
        "ethylene glycol",
        "do not drink",
        "line voltage",
        "asbestos",
        "carbon monoxide",
        "gas leaks",
        "authority having jurisdiction",
        "licensed",
    ):
        assert thing in text, thing


def test_dates_beside_a_clock(snapshot):
    """The as-of day changes what is late, never which rows are listed."""
    assert rows(flagged(snapshot)) == rows(flagged(snapshot, as_of=AS_OF + timedelta(days=400)))


def test_a_list_is_written_without_what_takes_longest_to_load(sample_fleet, tmp_path):
    """Pandas takes a fifth of a second to import, and nothing of a CSV needs it."""
    code = (
        "import sys; from pipelines import cli\n"
        "try: cli.main(sys.argv[1:])\n"
        "except SystemExit: print('pandas' in sys.modules, file=sys.stderr)"
    )
    words = ["flagged", "--fleet", sample_fleet.path, "--out", tmp_path / "list.csv"]
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, done.stderr) == (0, "False\n") and (tmp_path / "list.csv").stat().st_size > 1000


def test_what_may_be_reported_is_the_other_side_of_hold(sample_snapshot):
    """Every unit with a final that waits to be reported is on one of the two lists, and only there."""
    held, clear = (
        {*zip(sheet.frame["agency"], sheet.frame["home_id"], strict=True)}
        for sheet in (
            lists.hold(EVERYTHING, sample_snapshot, Filters(), AS_OF),
            lists.hold(EVERYTHING, sample_snapshot, Filters(), AS_OF, clear=True),
        )
    )
    assert held and clear and not held & clear
    found = sample_snapshot.rows("""
        SELECT h.agency, h.home_id, h.headline, h.open_deficiencies, h.safety_not_verified
        FROM homes AS h
        JOIN readings AS r ON r.agency = h.agency AND r.home_id = h.home_id AND r.inspection_kind = 'final'
        WHERE h.assessed
            AND NOT EXISTS (
                FROM readings AS o
                WHERE o.agency = h.agency AND o.home_id = h.home_id AND o.reported_on IS NOT NULL
                    AND (r.job_number IS NULL OR o.job_number = r.job_number))
        GROUP BY ALL""")
    assert {(agency, home) for agency, home, *_ in found} == held | clear
    assert all((count, lacking) == (0, 0) for a, h, _, count, lacking in found if (a, h) in clear)


def test_one_measure_away_is_what_one_measure_would_clear(sample_snapshot):
    fixes = {name: set(text.split("; ")) for name, text in sample_snapshot.rows(
        "SELECT measure_id, fixes FROM measures")}  # fmt: skip
    opened = {}
    for agency, home, check in sample_snapshot.rows("SELECT agency, home_id, check_id FROM opened"):
        opened.setdefault((agency, home), set()).add(check)
    held = sample_snapshot.rows(
        "SELECT agency, home_id FROM homes WHERE hold_before_reporting AND safety_not_verified = 0"
    )
    away = [key for key in held if any(opened[key] <= checks for checks in fixes.values())]
    by_agency = homes.held(EVERYTHING, sample_snapshot, Filters())
    assert by_agency["one_measure"].sum() == len(away) > 5
    assert (by_agency["units"] == by_agency["opened"] + by_agency["unverified"]).all()
    assert (by_agency["no_column"] <= by_agency["unverified"]).all()


def test_a_number_has_its_unit_and_every_deficiency_its_remedy(sample_snapshot):
    frame = flagged(sample_snapshot).frame
    counted = frame["low"].notna() | frame["high"].notna()
    assert set(frame[counted]["unit"].dropna()) >= {"psi", "gal", "Btu/h"} and not frame["unit"].eq("").any()
    assert set(frame[frame["check_id"] == "hot-pressure-near-relief"]["unit"]) == {"psi"}
    assert frame[frame["check_id"] == "relief-discharge-blocked"]["unit"].isna().all()
    assert dict(zip(frame["check_id"], frame["remedy"], strict=True)).items() <= lists.REMEDIES.items()
