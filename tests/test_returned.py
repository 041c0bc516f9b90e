"""A list that comes back filled in: what becomes of each row, in every form in which one may come back."""

import csv
import datetime
import io
import json
import os
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from concurrent.futures import ThreadPoolExecutor
from datetime import date

import openpyxl
import pytest
from click.testing import CliRunner

from pipelines import cli
from pipelines.answers import formats, lists
from pipelines.answers.access import EVERYTHING, Filters, Viewer
from pipelines.fleet import decided
from pipelines.fleet.decided import Refused
from pipelines.fleet.folder import Fleet
from pipelines.intake import workbooks
from pipelines.intake.encoding import ExportError
from pipelines.receiving import door, returned, sent_back
from pipelines.receiving.returned import ACCEPTED, BEFORE, REFUSED, TWICE
from pipelines.snapshot import stages
from pipelines.snapshot.version import attach
from tests.test_browser import served, settle

FULL = os.environ.get("COLDFILL_FULL") == "1"
HEADINGS = (
    "agency,inspection_id,home_id,system_id,inspected_on,heating_system,leaks_seen,vent_cap,relief_present\n"
)
VISITS = (
    "A,1,007,,2026-01-05,hot_water,dripping,tight,no\n"
    "A,2,H2,X,2026-01-05,hot_water,dripping,tight,yes\nA,3,H2,Y,2026-01-16,hot_water,weeping,tight,yes\n"
    "B,4,=H3,,2026-01-05,hot_water,weeping,loose,yes\n"
)
DAY = date(2026, 3, 1)
KEYS = [("A", "007", "", "leak-seen"), ("A", "H2", "X", "leak-seen"), ("A", "H2", "Y", "leak-seen")]


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    fleet = Fleet(tmp_path_factory.mktemp("returned") / "fleet").create()
    (fleet.path / "one.csv").write_text(HEADINGS + VISITS)
    door.load(fleet, [fleet.path / "one.csv"])
    stages.build(fleet)
    return fleet


@pytest.fixture
def fleet(built):
    """Four systems of three homes, nothing decided."""
    yield built
    for path in built.path.glob("*decisions.csv*"):
        path.unlink()


@pytest.fixture
def copied(fleet, tmp_path):
    """The same, for a test that loads more."""
    shutil.copytree(fleet.path, tmp_path / "copied")
    return Fleet(tmp_path / "copied")


def snapshot_of(fleet):
    return attach(fleet.current())


def left(fleet, write=formats.as_xlsx, viewer=EVERYTHING, **filters):
    """A list as it leaves."""
    return write(lists.flagged(viewer, snapshot_of(fleet), Filters(**filters), DAY))


def named(fleet, ending):
    return f"flagged-{snapshot_of(fleet).name.removesuffix('.duckdb')}-as-of-{DAY}{ending}"


def filled(fleet, path, cells, sheet="flagged", change=lambda book: None):
    """The workbook of what is open, or at a path, with `cells` ({key: {heading: value}}) filled in."""
    book = openpyxl.load_workbook(io.BytesIO(left(fleet)) if not path.exists() else path)
    page = book[sheet]
    at = {cell.value: cell.column for cell in page[1]}
    for row in range(2, page.max_row + 1):
        key = tuple(page.cell(row, at[name]).value or "" for name in sent_back.KEY)
        for heading, value in cells.get(key, {}).items():
            page.cell(row, at[heading]).value = value
    change(book)
    book.save(path)
    return path


def rows_of(fleet):
    """The CSV that leaves, as records."""
    return list(csv.DictReader(io.StringIO(left(fleet, formats.as_csv).decode())))


def looked(fleet, path, viewer=EVERYTHING):
    return returned.look(viewer, fleet, snapshot_of(fleet), path)


def recorded(fleet, path, by="Q. R.", viewer=EVERYTHING):
    return returned.record(viewer, fleet, snapshot_of(fleet), path, by)[1]


def verdicts(found):
    return [(row.verdict, row.home_id, row.system_id, row.heading) for row in found.rows]


# ---- a workbook


def test_a_workbook_filled_in_is_recorded_as_one_batch_and_twice_changes_nothing(fleet, tmp_path):
    path = filled(
        fleet,
        tmp_path / "back.xlsx",
        {
            KEYS[0]: {"status": "Done", "done_on": datetime.date(2026, 2, 3), "done_by": "Crew 3"}
            | {"reading_after": 12.5},
            KEYS[1]: {"status": "accepted until 2099-01-31", "why": "cosmetic"},
            KEYS[2]: {"status": "assigned to Crew 7"},
        },
    )
    taken = recorded(fleet, path)
    assert {(one.home_id, one.system_id): decided_in_words(one) for one in taken} == {
        ("007", ""): ("done", "2026-02-03", "Crew 3", "12.5", "", "", ""),
        ("H2", "X"): ("accepted", "", "", "", "", "2099-01-31", "cosmetic"),
        ("H2", "Y"): ("assigned", "", "", "", "Crew 7", "", ""),
    }
    assert decided.read(fleet) == taken and len({one.at for one in taken}) == 1
    again = looked(fleet, path)
    assert {row.verdict for row in again.rows} == {BEFORE} and again.usable
    assert recorded(fleet, path) == () and recorded(fleet, path, by="Somebody else") == ()
    assert decided.read(fleet) == taken


def decided_in_words(one):
    return one.what, one.done_on, one.done_by, one.reading_after, one.to, one.until, one.why


def test_what_is_said_of_the_list_and_of_what_is_not_decided(fleet, tmp_path):
    path = filled(fleet, tmp_path / "back.xlsx", {KEYS[0]: {"status": "seen"}})
    found = looked(fleet, path)
    every = len(rows_of(fleet))
    assert (found.snapshot, found.as_of, found.now) == (
        snapshot_of(fleet).name.removesuffix(".duckdb"),
        "2026-03-01",
        snapshot_of(fleet).name.removesuffix(".duckdb"),
    )
    assert verdicts(found) == [(ACCEPTED, "007", "", "")] and found.undecided == every - 1 >= 4
    assert found.changed == ()


def test_the_work_is_filled_in_as_well_and_a_row_on_both_sheets_counts_once(fleet, tmp_path):
    path = tmp_path / "back.xlsx"
    filled(fleet, path, {KEYS[0]: {"status": "no access"}, KEYS[1]: {"status": "seen"}})
    work = {
        KEYS[0]: {"Status": "No-access", "Why": "dog"},  # adds what the list leaves empty
        KEYS[1]: {"Status": "refused", "Why": "no"},  # says otherwise
        KEYS[2]: {"Status": "done", "Done on": datetime.date(2026, 2, 3)},
    }
    filled(fleet, path, work, "Work")
    found = looked(fleet, path)
    assert sorted(verdicts(found)) == sorted(
        [
            (ACCEPTED, "007", "", ""),
            (TWICE, "007", "", ""),
            (REFUSED, "H2", "X", "status"),
            (REFUSED, "H2", "X", "status"),
            (ACCEPTED, "H2", "Y", ""),
        ]
    )
    assert {(one.home_id, one.what, one.why) for one in recorded(fleet, path)} == {
        ("007", "no access", "dog"),
        ("H2", "done", ""),
    }


def test_the_cells_of_the_work_take_a_day_and_offer_the_words(fleet, tmp_path):
    book = openpyxl.load_workbook(io.BytesIO(left(fleet)))
    page = book["Work"]
    at = {cell.value: cell.column for cell in page[1]}
    tasks = [row for row in range(2, page.max_row + 1) if page.cell(row, at["check_id"]).value]
    listed = {tuple(row[name] for name in (*sent_back.KEY, "since")) for row in rows_of(fleet)}
    of_work = {
        tuple(str(page.cell(row, at[name]).value or "") for name in (*sent_back.KEY, "since"))
        for row in tasks
    }
    assert of_work == listed and len(tasks) == len(listed)
    assert {page.cell(row, at["Done on"]).number_format for row in tasks} == {"yyyy-mm-dd"}
    hidden = {
        index
        for one in page.column_dimensions.values()
        if one.hidden
        for index in range(one.min, one.max + 1)
    }
    assert hidden == {at[name] for name in ("agency", "home_id", "system_id", "check_id", "since")} | {
        at["last_inspected_on"]
    }
    assert page.print_area.endswith(f"$H${page.max_row}")  # what is hidden is not printed
    for name in ("Work", "flagged"):
        (offered,) = book[name].data_validations.dataValidation
        assert offered.formula1 == '"seen,done,no access,refused"' and not offered.showErrorMessage


def test_columns_moved_and_added_rows_sorted_and_left_out_are_no_matter(fleet, tmp_path):
    def turned(book):
        page = book["flagged"]
        rows = [[cell.value for cell in row] for row in page.iter_rows()]
        del book["Work"]
        page.delete_rows(1, page.max_row)
        page.append(["A title over it"])
        page.append([])
        for row in [rows[0], *reversed(rows[1:-1])]:
            page.append(["of the office", *reversed(row)])

    path = filled(fleet, tmp_path / "back.xlsx", {KEYS[1]: {"status": "seen"}}, change=turned)
    assert verdicts(looked(fleet, path)) == [(ACCEPTED, "H2", "X", "")]


def test_a_row_that_a_filter_hides_counts_and_is_said(fleet, tmp_path):
    def hide(book):
        for row in range(2, book["flagged"].max_row + 1):
            book["flagged"].row_dimensions[row].hidden = True

    path = filled(fleet, tmp_path / "back.xlsx", {KEYS[1]: {"status": "seen"}}, change=hide)
    found = looked(fleet, path)
    assert verdicts(found) == [(ACCEPTED, "H2", "X", "")] and found.hidden == 1


def test_a_cell_over_several_rows_is_refused_in_each(fleet, tmp_path):
    def join(book):
        page = book["flagged"]
        at = {cell.value: cell.column_letter for cell in page[1]}["status"]
        page[f"{at}2"] = "seen"
        page.merge_cells(f"{at}2:{at}4")

    found = looked(fleet, filled(fleet, tmp_path / "back.xlsx", {}, change=join))
    assert [(row.verdict, row.line, row.heading) for row in found.rows] == [
        (REFUSED, line, "status") for line in (2, 3, 4)
    ]
    assert all("one cell stands for several rows" in row.reason for row in found.rows)


def test_a_formula_is_refused_and_a_hidden_sheet_not_read(fleet, tmp_path):
    def hide(book):
        book["Work"].sheet_state = "hidden"

    path = tmp_path / "back.xlsx"
    filled(fleet, path, {KEYS[1]: {"Status": "seen"}}, "Work")
    filled(fleet, path, {KEYS[0]: {"status": "seen", "why": "=1+1"}}, change=hide)
    found = looked(fleet, path)
    assert [(row.verdict, row.heading, row.text) for row in found.rows] == [(REFUSED, "why", "=1+1")]
    assert found.notes == ("the sheet Work is hidden and was not read",)


def packed(path, parts):
    """The workbook at a path with some parts put in, or in the place of others."""
    with zipfile.ZipFile(path) as archive:
        old = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in (old | parts(old)).items():
            archive.writestr(name, data)


def entities(old):
    name = "xl/worksheets/sheet1.xml"
    declared = b'<!DOCTYPE a [<!ENTITY b "seen">]>'
    return {name: old[name].replace(b"<worksheet", declared + b"<worksheet", 1)}


def out_of_order(old):
    name = "xl/worksheets/sheet1.xml"
    return {name: old[name].replace(b'<row r="3"', b'<row r="2"', 1)}


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        (lambda old: {"xl/vbaProject.bin": b"macro"}, "it holds macros"),
        (entities, "declares entities"),
        (lambda old: {"xl/media/big.bin": bytes(3 << 20)}, "it unpacks to"),
        (out_of_order, "row 2 of flagged stands after row 2"),
        (lambda old: {"xl/worksheets/sheet1.xml": b"<worksheet><sheetData><row"}, "cannot be read"),
        (lambda old: {"xl/workbook.xml": b"no XML"}, "cannot be read as a workbook"),
    ],
)
def test_a_workbook_that_is_not_safe_or_not_whole_is_refused(fleet, tmp_path, monkeypatch, parts, words):
    monkeypatch.setattr(workbooks, "LARGEST_UNPACKED", 2 << 20)
    path = filled(fleet, tmp_path / "back.xlsx", {KEYS[0]: {"status": "seen"}})
    packed(path, parts)
    with pytest.raises(ExportError, match=words):
        looked(fleet, path)


def test_a_sheet_that_says_it_is_huge_is_read_as_it_is_and_one_that_is_refused(fleet, tmp_path, monkeypatch):
    def huge(old):
        name = "xl/worksheets/sheet1.xml"
        head, _, rest = old[name].partition(b"<dimension ")
        return {name: head + b'<dimension ref="A1:XFD1048576"/>' + rest[rest.index(b"/>") + 2 :]}

    path = filled(fleet, tmp_path / "back.xlsx", {KEYS[0]: {"status": "seen"}})
    packed(path, huge)
    assert verdicts(looked(fleet, path)) == [(ACCEPTED, "007", "", "")]
    monkeypatch.setattr(workbooks, "MOST_CELLS", 50)
    with pytest.raises(ExportError, match="more than 50 cells"):
        looked(fleet, path)


@pytest.mark.parametrize(
    ("name", "data", "words"),
    [
        ("a.xls", b"\xd0\xcf\x11\xe0" + bytes(600), "an old office document"),
        ("a.pdf", b"%PDF-1.4\n", "a PDF document"),
        ("a.csv", b"", "empty"),
        ("a.csv", b"home,date\n1,2026-01-01\n2,2026-01-01\n", "headings lack agency, home_id"),
    ],
)
def test_what_is_no_list_is_refused_with_what_would_be_accepted(fleet, tmp_path, name, data, words):
    (tmp_path / name).write_bytes(data)
    with pytest.raises(ExportError, match=words) as refused:
        looked(fleet, tmp_path / name)
    assert "accepted: " in str(refused.value)


def test_two_columns_of_one_name_and_a_workbook_without_a_list_are_refused(fleet, tmp_path):
    path = filled(
        fleet,
        tmp_path / "two.xlsx",
        {},
        change=lambda book: book["flagged"].cell(1, book["flagged"].max_column + 1, "status"),
    )
    with pytest.raises(ExportError, match="two columns in the sheet flagged are called status"):
        looked(fleet, path)
    book = openpyxl.Workbook()
    book.active.append(["agency", "home_id", "check_id", "status"])
    book.save(tmp_path / "none.xlsx")
    with pytest.raises(ExportError, match="nearest to them lacks system_id"):
        looked(fleet, tmp_path / "none.xlsx")


def test_a_list_of_another_fleet_is_refused(fleet, tmp_path):
    other = "flagged-00000001-000000000000-as-of-2026-03-01.csv"
    (tmp_path / other).write_bytes(left(fleet, formats.as_csv))
    with pytest.raises(ExportError, match="snapshot 00000001-000000000000, which is none of"):
        looked(fleet, tmp_path / other)


# ---- a CSV


def as_csv(fleet, path, cells, *, delimiter=",", encoding="utf-8", day=lambda text: text, columns=None):
    """The CSV of what is open with cells filled in, as some program saves it."""
    rows = rows_of(fleet)
    columns = columns or list(rows[0])
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, delimiter=delimiter, extrasaction="ignore")
    writer.writeheader()
    for row in rows:
        row |= cells.get(tuple(row[name] for name in sent_back.KEY), {})
        for name in ("since", "last_inspected_on", "due", "done_on"):
            row[name] = day(row[name])
        writer.writerow(row)
    path.write_bytes(out.getvalue().encode(encoding))
    return path


def of_america(text):
    return f"{int(text[5:7])}/{int(text[8:])}/{text[:4]}" if text else ""


def test_a_csv_as_an_american_spreadsheet_saves_it(fleet, tmp_path):
    """Days as month/day/year: January 16 on the list tells which of the two comes first."""
    cells = {KEYS[0]: {"status": "done", "done_on": "2026-02-03"}}
    path = as_csv(fleet, tmp_path / named(fleet, ".csv"), cells, day=of_america, encoding="utf-8-sig")
    found = looked(fleet, path)
    assert (found.as_of, verdicts(found), found.changed) == (str(DAY), [(ACCEPTED, "007", "", "")], ())
    assert [one.done_on for one in recorded(fleet, path)] == ["2026-02-03"]


def test_a_day_that_could_be_two_is_refused(fleet, tmp_path):
    cells = {KEYS[0]: {"status": "done", "done_on": "2/3/2026"}}
    path = as_csv(fleet, tmp_path / "back.csv", cells)
    (row,) = looked(fleet, path).rows
    assert (row.verdict, row.line, row.heading, row.text) == (REFUSED, row.line, "done_on", "2/3/2026")
    assert row.expected == "a day as 2026-03-01"


def test_a_csv_of_western_letters_and_semicolons_with_its_columns_moved(fleet, tmp_path):
    columns = ["why", "status", "check_id", "own", "system_id", "home_id", "agency"]
    cells = {("B", "'=H3", "", "leak-seen"): {"status": "refused", "why": "déjà réparé", "own": "x"}}
    path = as_csv(
        fleet, tmp_path / "back.csv", cells, delimiter=";", encoding="windows-1252", columns=columns
    )
    (tmp_path / "back.csv.about.txt").write_text(
        f"list: flagged\nsnapshot: {snapshot_of(fleet).name}\nas of: 2026-03-01\n"
    )
    assert looked(fleet, path).snapshot == snapshot_of(fleet).name.removesuffix(".duckdb")
    (taken,) = recorded(fleet, path)
    assert (taken.home_id, taken.what, taken.why) == ("=H3", "refused", "déjà réparé")


def test_a_damaged_row_is_refused_and_costs_no_other(fleet, tmp_path):
    path = as_csv(fleet, tmp_path / "back.csv", {key: {"status": "seen"} for key in KEYS})
    lines = path.read_text().splitlines()
    at = next(number for number, line in enumerate(lines) if ",H2,X,leak-seen" in line or ",H2,X," in line)
    lines[at] = lines[at].rpartition(",")[0]
    path.write_text("\n".join(lines) + "\n")
    found = looked(fleet, path)
    assert [row.line for row in found.of(REFUSED)] == [at + 1]
    assert len(found.of(ACCEPTED)) >= 2 and "too few cells" in found.of(REFUSED)[0].reason


# ---- each row


@pytest.mark.parametrize(
    ("cells", "heading", "words", "accepted"),
    [
        ({"status": "fixed"}, "status", "not one of the words", "seen, ordered MEASURE, done, accepted"),
        ({"status": "x"}, "status", "not one of the words", "no access"),
        ({"status": "done"}, "done_on", "done needs done on", "a day as 2026-03-01"),
        ({"status": "done", "done_on": "2099-01-01"}, "status", "lies ahead", ""),
        ({"status": "accepted", "why": "x"}, "status", "accepted needs more", "accepted until 2026-12-31"),
        ({"status": "deferred until 2020-01-01", "why": "x"}, "status", "lies behind", ""),
        ({"status": "accepted until 2099-01-01"}, "why", "accepted needs why", "a reason"),
        ({"status": "referred"}, "status", "referred needs more", "referred to NAME"),
        ({"status": "ordered polish"}, "status", "no measure called 'polish'", "repair-leak"),
        ({"status": "ordered"}, "status", "ordered needs the measure", "ordered repair-leak"),
        ({"status": "seen to"}, "status", "not one of the words", ""),
        ({"status": "undone"}, "status", "takes nothing back", "the home's page"),
        ({"status": "refused"}, "why", "refused needs why", "a reason"),
        ({"status": "", "done_by": "Crew 1"}, "done_by", "status is empty", "a status: seen"),
        ({"status": "seen", "why": "call 555-010-0199"}, "status", "a telephone number", ""),
        ({"status": "seen", "why": "x" * 1001}, "status", "1,001 letters", ""),
        ({"status": "seen", "home_id": "7"}, "home_id", "no such home of A", "as the list has them"),
        ({"status": "seen", "home_id": ""}, "status", "names no agency, home and check", "a row of the list"),
        ({"status": "seen", "check_id": "leak"}, "check_id", "no check of this name", "the list has"),
        ({"status": "seen", "check_id": "tank-missing"}, "check_id", "not open any more", "newer list"),
        ({"status": "seen", "since": "2025-01-01"}, "since", "another finding", "newer list"),
    ],
)
def test_a_row_that_cannot_be_taken_says_why_and_what_would_be(
    fleet, tmp_path, cells, heading, words, accepted
):
    (row,) = looked(fleet, as_csv(fleet, tmp_path / "back.csv", {KEYS[0]: cells})).rows
    assert (row.verdict, row.heading) == (REFUSED, heading)
    assert words in row.reason and accepted in row.expected
    assert recorded(fleet, tmp_path / "back.csv") == () and decided.read(fleet) == ()


def test_what_must_be_acted_on_today_is_neither_accepted_nor_deferred(fleet, tmp_path):
    key = ("A", "007", "", "relief-missing")
    cells = {key: {"status": "deferred until 2099-01-01", "why": "x"}}
    (row,) = looked(fleet, as_csv(fleet, tmp_path / "back.csv", cells)).rows
    assert (row.verdict, row.reason) == (
        REFUSED,
        "home 007: what must be acted on today cannot be deferred",
    )


@pytest.mark.parametrize(
    ("status", "said"),
    [
        ("SEEN", ("seen", "", "", "")),
        ("no-access", ("no access", "", "", "")),
        ("ordered: Repair-Leak", ("ordered", "repair-leak", "", "")),
        ("assigned to A. Crew, of the north", ("assigned", "", "A. Crew, of the north", "")),
        ("accepted until March 5, 2099", ("accepted", "", "", "2099-03-05")),
        ("reading struck", ("reading struck", "", "", "")),
    ],
)
def test_a_status_takes_the_words_of_decisions(fleet, tmp_path, status, said):
    cells = {KEYS[0]: {"status": status, "why": "so"}}
    (one,) = recorded(fleet, as_csv(fleet, tmp_path / "back.csv", cells))
    assert (one.what, one.measure, one.to, one.until) == said
    assert bool(one.inspection_id) == (said[0] == "reading struck")


def test_nothing_beside_the_columns_of_the_list_is_kept(fleet, tmp_path):
    columns = [*rows_of(fleet)[0], "Telephone"]
    cells = {KEYS[0]: {"status": "seen", "Telephone": "555-010-0142"}}
    recorded(fleet, as_csv(fleet, tmp_path / "back.csv", cells, columns=columns))
    kept = [path for path in fleet.path.rglob("*") if path.is_file() and b"555-010-0142" in path.read_bytes()]
    assert kept == [] and len(decided.read(fleet)) == 1


def test_who_may_not_see_an_agency_decides_nothing_there(fleet, tmp_path):
    cells = {KEYS[0]: {"status": "seen"}, ("B", "'=H3", "", "leak-seen"): {"status": "seen"}}
    path = as_csv(fleet, tmp_path / "back.csv", cells)
    found = looked(fleet, path, Viewer(("b",), personal=False))
    assert {(row.verdict, row.home_id) for row in found.rows} == {(REFUSED, "007"), (ACCEPTED, "=H3")}


def test_a_list_needs_who_decides(fleet, tmp_path):
    with pytest.raises(Refused, match="needs who"):
        recorded(fleet, as_csv(fleet, tmp_path / "back.csv", {}), by=" ")


# ---- what changed since it left


def test_homes_that_changed_since_the_list_left_are_named(copied, tmp_path):
    path = filled(copied, tmp_path / "back.xlsx", {key: {"status": "seen"} for key in KEYS})
    (tmp_path / "two.csv").write_text(
        HEADINGS + "A,9,007,,2026-02-20,hot_water,dripping,tight,no\n"  # found again
        "A,10,H2,X,2026-02-20,hot_water,none,tight,yes\n"  # corrected
        "A,11,H2,Y,2026-02-20,hot_water,none,tight,yes\n"
        "A,12,H2,Y,2026-02-25,hot_water,dripping,tight,yes\n"  # corrected, and another one since
    )
    door.load(copied, [tmp_path / "two.csv"])
    stages.build(copied)
    found = looked(copied, path)
    assert found.snapshot != found.now
    assert {(row.system_id, row.verdict, row.reason.partition(";")[0]) for row in found.rows} == {
        ("", ACCEPTED, ""),
        ("X", REFUSED, "not open any more"),
        ("Y", REFUSED, "another finding than the list has: this one is open since 2026-02-25"),
    }
    said = {home: what for _, home, what in found.changed}
    assert (
        set(said) == {"007", "H2"} and said["007"] == "last inspected on 2026-02-20, 2026-01-05 on the list"
    )
    assert "not open any more: Leak seen on the loop" in said["H2"]
    assert "since 2026-02-25, 2026-01-16 on the list" in said["H2"]
    assert [one.home_id for one in recorded(copied, path)] == ["007"]


def test_what_others_decided_since_the_list_left_is_said(fleet, tmp_path):
    path = filled(fleet, tmp_path / "back.xlsx", {KEYS[0]: {"status": "seen"}})
    cells = {KEYS[0]: {"status": "no access"}}
    recorded(fleet, as_csv(fleet, tmp_path / "other.csv", cells), by="P. S.")
    (row,) = looked(fleet, path).rows
    (earlier,) = decided.read(fleet)
    assert (row.verdict, row.meanwhile) == (ACCEPTED, (f"no access by P. S. on {earlier.at[:10]}",))


# ---- from the command line


def told(fleet, *words):
    return CliRunner().invoke(cli.main, ["decide", *map(str, words), "--fleet", str(fleet.path)])


def test_the_command_previews_records_names_what_is_refused_and_says_when_nothing_changes(fleet, tmp_path):
    cells = {KEYS[0]: {"status": "seen"}, KEYS[1]: {"status": "fixed"}}
    path = as_csv(fleet, tmp_path / named(fleet, ".csv"), cells)
    words = ("--list", path, "--by", "Q. R.")
    shown = told(fleet, *words, "--preview")
    assert shown.exit_code == 0 and "would be recorded: 1; nothing was written" in shown.stdout
    assert decided.read(fleet) == ()
    done = told(fleet, *words, "--json")
    said = json.loads(done.stdout)
    assert (done.exit_code, said["recorded"], said["as_of"]) == (0, [1], str(DAY))
    assert [row["verdict"] for row in said["rows"]].count(REFUSED) == 1
    again = told(fleet, *words)
    assert again.exit_code == 0 and "the list changes nothing" in again.stdout
    line = next(row for row in said["rows"] if row["verdict"] == REFUSED)["line"]
    assert f"refused  {path.name}, line {line}: status 'fixed': not one of the words; accepted: seen" in (
        again.stderr
    )
    assert [one.who for one in decided.read(fleet)] == ["Q. R."]


def test_exit_status_1_where_no_row_is_usable_and_2_where_the_call_is_wrong(fleet, tmp_path):
    path = as_csv(fleet, tmp_path / "back.csv", {KEYS[1]: {"status": "fixed"}})
    assert told(fleet, "--list", path, "--by", "Q.").exit_code == 1
    empty = as_csv(fleet, tmp_path / "empty.csv", {})
    done = told(fleet, "--list", empty, "--by", "Q.")
    assert done.exit_code == 1 and "not decided (status empty)" in done.stdout
    (tmp_path / "none.csv").write_text("a,b\n1,2\n3,4\n")
    assert told(fleet, "--list", tmp_path / "none.csv", "--by", "Q.").exit_code == 1
    for words in (
        ("--list", path, "A", "H2", "-", "seen"),
        ("--list", path, "--why", "x"),
        ("A", "H2"),
        ("A", "H2", "-", "seen", "--preview"),
        (),
    ):
        assert told(fleet, *words, "--by", "Q.").exit_code == 2, words
    assert decided.read(fleet) == ()


# ---- at once, and cut short


def test_a_list_sent_by_several_at_once_is_recorded_once(fleet, tmp_path):
    path = as_csv(fleet, tmp_path / named(fleet, ".csv"), {key: {"status": "seen"} for key in KEYS})
    with ThreadPoolExecutor(6) as pool:
        added = list(pool.map(lambda by: len(recorded(fleet, path, by=f"P{by}")), range(6)))
    assert sum(added) == len(decided.read(fleet)) == 3


def test_whenever_a_run_dies_a_batch_is_in_the_log_whole_or_not_at_all(fleet, tmp_path, monkeypatch):
    """The log as it stands after each call that writes: what a kill between two of them would leave."""
    one = as_csv(fleet, tmp_path / "one.csv", {KEYS[0]: {"status": "no access"}})
    recorded(fleet, one)
    log, stood = fleet.path / "decisions.csv", []

    def watched(name, function):
        def call(*args, **more):
            done = function(*args, **more)
            stood.append((name, log.read_bytes()))
            return done

        return call

    for name in ("write", "fsync", "replace", "ftruncate", "close"):
        monkeypatch.setattr(os, name, watched(name, getattr(os, name)))
    path = as_csv(fleet, tmp_path / "back.csv", {key: {"status": "seen"} for key in KEYS})
    assert len(recorded(fleet, path)) == 3
    lines = [data.count(b"\n") for _, data in stood]
    assert set(lines) == {2, 5} and lines == sorted(lines) and len(stood) >= 4


@pytest.mark.slow
def test_no_decision_of_a_list_is_lost_or_counted_twice_where_runs_are_killed(copied, tmp_path):
    """Real kills at any time, during a build as well; then the same list again."""
    cells = {tuple(row[name] for name in sent_back.KEY): {"status": "seen"} for row in rows_of(copied)}
    path = as_csv(copied, tmp_path / named(copied, ".csv"), cells)
    program = (
        "import sys; from pathlib import Path; from pipelines.fleet.folder import Fleet;"
        "from pipelines.receiving import returned; from pipelines.snapshot.version import attach;"
        "from pipelines.answers.access import EVERYTHING; fleet = Fleet(sys.argv[1]);"
        "snapshot = attach(fleet.current()); print('ready', flush=True);"
        "returned.record(EVERYTHING, fleet, snapshot, Path(sys.argv[2]), 'Q.')"
    )
    for turn in range(40 if FULL else 4):
        for one in (*copied.path.glob("decisions.csv"), *copied.path.glob(".decisions.csv.last")):
            one.unlink()
        (tmp_path / "more.csv").write_text(
            HEADINGS + f"C,{turn},K{turn},,2026-01-05,hot_water,none,loose,yes\n"
        )
        door.load(copied, [tmp_path / "more.csv"])
        with ThreadPoolExecutor(1) as pool:
            build = pool.submit(stages.build, copied)
            process = subprocess.Popen(
                [sys.executable, "-c", program, str(copied.path), str(path)], stdout=subprocess.PIPE
            )
            process.stdout.readline()
            time.sleep(0.004 * (turn % 40))
            process.send_signal(signal.SIGKILL)
            process.wait()
            process.stdout.close()
            build.result()
        assert len(decided.read(copied)) in (0, len(cells))
        recorded(copied, path)
        lines = [(one.agency, one.home_id, one.system_id, one.check_id) for one in decided.read(copied)]
        assert len(lines) == len(set(lines)) == len(cells)


# ---- on the page


def test_the_page_shows_what_becomes_of_each_row_and_then_records_it(fleet, tmp_path, show):
    cells = {KEYS[0]: {"status": "seen"}, KEYS[1]: {"status": "fixed"}}
    path = as_csv(fleet, tmp_path / named(fleet, ".csv"), cells)
    page = show(fleet, "returned")
    page = page.get("file_uploader")[0].set_value((path.name, path.read_bytes(), "text/csv")).run()
    assert not page.exception

    def text():
        return " ".join(part.proto.body for part in page.get("html"))

    assert "Refused: 1" in text() and "not one of the words" in text().lower() and "To record: 1" in text()
    record = next(button for button in page.button if button.label == "Record 1 decision")
    assert record.disabled and decided.read(fleet) == ()
    page = page.text_input(key="decides").set_value("Q. R.").run()
    page = next(button for button in page.button if button.label == "Record 1 decision").click().run()
    assert not page.exception
    assert [(one.who, one.home_id, one.what) for one in decided.read(fleet)] == [("Q. R.", "007", "seen")]
    assert "Recorded: 1 decision" in text() and "Recorded before: 1" in text()


def test_every_row_with_something_open_leads_to_a_decision(fleet, show):
    for name, asked, wanted in (
        ("homes", {}, ["decide=007", "decide=H2", "decide=%3DH3"]),
        ("home", {"of": "A", "home": "H2"}, ["decide=X%E2%80%83leak-seen", "decide=Y%E2%80%83leak-seen"]),
    ):
        page = show(fleet, name, as_of="2026-03-01", **asked)
        assert not page.exception
        body = "".join(part.proto.body for part in page.get("html"))
        assert [one for one in wanted if one not in body] == []


@pytest.mark.parametrize(
    ("name", "asked", "label", "said"),
    [
        ("homes", {"decide": "007\u2003A"}, "Seen", ("007", "", "", "seen")),
        (
            "home",
            {"of": "A", "home": "H2", "decide": "X\u2003leak-seen"},
            "No access",
            ("H2", "X", "leak-seen", "no access"),
        ),
    ],
)
def test_a_row_is_decided_on_by_name_and_one_button(fleet, show, name, asked, label, said):
    page = show(fleet, name, as_of="2026-03-01", **asked)
    page = page.text_input(key="name in the dialog").set_value("Q. R.").run()
    page = next(button for button in page.button if button.label == label).click().run()
    assert not page.exception
    (one,) = decided.read(fleet)
    assert (one.home_id, one.system_id, one.check_id, one.what) == said
    assert not any(one.key == "name in the dialog" for one in page.run().text_input)


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_row_is_decided_on_with_two_clicks_once_the_name_is_known(fleet, chromium):
    """In a real browser: no page is loaded anew, the name outlives one that is, and a click is one line."""
    with served(fleet) as place:
        page = chromium.new_page(viewport={"width": 1280, "height": 720})
        loads = []
        page.on("request", lambda one: loads.append(one.url) if one.resource_type == "document" else None)
        page.goto(f"{place}homes?as_of=2026-03-01")
        settle(page, "Homes")
        page.wait_for_timeout(3_000)  # the listener comes last
        page.locator("td a", has_text="Decide").first.click()
        dialog = page.get_by_role("dialog")
        dialog.get_by_label("Your name").fill("Q. R.")
        dialog.get_by_label("Your name").press("Enter")
        dialog.get_by_role("button", name="Seen").click()
        dialog.wait_for(state="hidden")
        settle(page, "Homes")
        assert len(loads) == 1
        page.goto(f"{place}home?of=A&home=H2&as_of=2026-03-01")
        settle(page)
        page.wait_for_timeout(3_000)
        row = page.locator("tr", has_text="Leak seen on the loop").first
        row.locator("a", has_text="Decide").click()
        page.get_by_role("dialog").get_by_role("button", name="No access").click()
        page.get_by_role("dialog").wait_for(state="hidden")
        settle(page)
        assert loads[1:] == [f"{place}home?of=A&home=H2&as_of=2026-03-01"]
        page.close()
    assert [(one.who, one.check_id, one.what) for one in decided.read(fleet)] == [
        ("Q. R.", "", "seen"),
        ("Q. R.", "leak-seen", "no access"),
    ]


def test_a_flagged_list_says_on_how_many_decisions_it_rests(fleet, tmp_path):
    recorded(fleet, as_csv(fleet, tmp_path / "one.csv", {KEYS[0]: {"status": "seen"}}))
    when = date.fromisoformat(decided.read(fleet)[0].at[:10])
    for viewer, day, count in (
        (EVERYTHING, when, 1),
        (Viewer(("B",)), when, 0),
        (EVERYTHING, date(2026, 1, 1), 0),
    ):
        sheet = lists.flagged(viewer, snapshot_of(fleet), Filters(), day)
        assert sheet.about["decisions"] == count and f"decisions: {count}" in formats.about_text(sheet)


def test_a_purge_says_how_many_decisions_it_leaves(copied, tmp_path):
    cells = {KEYS[0]: {"status": "seen"}, KEYS[1]: {"status": "seen"}}
    recorded(copied, as_csv(copied, tmp_path / "back.csv", cells))
    sha256 = copied.received()[0].sha256
    words = ["purge", sha256, "--why", "asked for", "--fleet", str(copied.path)]
    done = CliRunner().invoke(cli.main, words)
    assert done.exit_code == 0 and "decisions.csv keeps 2 lines on homes" in done.stdout
    assert len(decided.read(copied)) == 2
