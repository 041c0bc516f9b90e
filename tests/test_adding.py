"""The page on which a file is added, through Streamlit's own test
harness: nothing guessed, nothing stored before it is asked for.
"""

import csv
import io
import re
import shutil
import tomllib
from datetime import date

import pytest
from streamlit.proto.WidgetStates_pb2 import WidgetState
from streamlit.testing.v1.element_tree import Selectbox

from dashboard import data, uploads, wording
from pipelines.answers.access import EVERYTHING, Filters, ListError, Viewer
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.snapshots import attach
from pipelines.receiving import deciding, door, drafts, kept_uploads
from pipelines.receiving import upload as reading
from pipelines.receiving.kept_uploads import LARGEST_UPLOAD, UPLOADS
from pipelines.receiving.upload import NOT_SHOWN, Upload
from pipelines.snapshot import stages
from tests import families
from tests.conftest import with_sample_settings
from tests.small_exports import counts, fed, row, stored, text_of, write
from tests.test_dashboard import DAY, ROOT, fine, html, links, table
from tests.test_dashboard import text as spaced

OWN = (
    "Besuch Nr;Haus;Datum;Static Pressure bar;Exp "
    "tank;Telephone\n1;H-1;13/03/2025;0,9;Bladder;555-010-0001\n2;H-2;14/03/2025;1,25;Kessel;555-010-0002\n3;H-2;15/03/2025;zwei;steel;555-010-0003\n"
)
SAVE_AND_LOAD = "Save the mapping and load the file"
THREE = (
    "[columns.Visit]\nfield = 'inspection_id'\n[columns.House]\nfield = 'home_id'\n[columns.Day]\nfield = "
    "'inspected_on'\n"
)


@pytest.fixture
def fleet(tmp_path):
    """A fleet folder that is not there yet."""
    return Fleet(tmp_path / "fleet")


def sent(selectbox):
    """What a browser sends of a selectbox: the harness cannot send a text that was typed and is no option."""
    state = WidgetState()
    state.id = selectbox.id
    if selectbox.value is not None:
        state.string_value = selectbox.format_func(selectbox.value)
    return state


@pytest.fixture
def add(show, monkeypatch):
    """A function: fleet, name and content of an upload → the page with it."""
    monkeypatch.setattr(Selectbox, "_widget_state", property(sent))

    def added(fleet, name, content):
        page = fine(show(fleet, "add"))
        page.file_uploader[0].set_value(
            (name, content if isinstance(content, bytes) else content.encode(), "text/csv")
        )
        return fine(page.run())

    return added


def text(page):
    return " ".join(spaced(page).split())


def by_label(widgets, label):
    found = [one for one in widgets if one.label == label]
    assert len(found) == 1, [one.label for one in widgets]
    return found[0]


def choose(page, label, value):
    by_label(page.selectbox, label).set_value(value)
    return fine(page.run())


def press(page, label):
    by_label(page.button, label).click()
    return fine(page.run())


def filled(page):
    """The form of OWN with what it lacks."""
    for heading, field in (("Besuch Nr", "inspection_id"), ("Haus", "home_id"), ("Datum", "inspected_on")):
        page = choose(page, f"Field of {heading}", field)
    return choose(page, "Agency", "Alder County")


def waiting(fleet):
    return list(fleet.path.glob(f"{UPLOADS}/*/*"))


def test_the_server_takes_as_much_as_the_door_and_the_page_says_so(show, fleet):
    settings = tomllib.loads((ROOT / "dashboard" / ".streamlit" / "config.toml").read_text(encoding="utf-8"))
    assert settings["server"]["maxUploadSize"] << 20 == LARGEST_UPLOAD
    assert f"up to {LARGEST_UPLOAD >> 20} MB" in text(show(fleet, "add"))


def test_a_page_of_nothing_leads_to_the_page_that_adds_a_file(show, fleet):
    assert ("Add a file", {}) in links(show(fleet, "fleet"), "add")
    assert ("Add a file", {}) in links(show(fleet, "homes"), "add")


@pytest.mark.parametrize(
    "name, content, said",
    [
        ("photo.csv", b"\x89PNG\r\n\x1a\n" + bytes(99), "a PNG image"),
        ("pack.csv", b"PK\x03\x04" + bytes(99), "a zip archive"),
        ("empty.csv", b"", "empty"),
    ],
)
def test_what_is_no_text_is_refused_by_name(add, fleet, name, content, said):
    page = add(fleet, name, content)
    assert f"{name}: " in text(page) and said in text(page) and not page.button


def test_an_unknown_file_is_shown_as_read_and_no_mapping_is_guessed(add, fleet):
    page = add(with_sample_settings(fleet), "own.csv", OWN)
    assert table(page, "The first 3 rows, as read")[1:] == [line.split(";") for line in OWN.splitlines()[1:]]
    assert (
        "semicolon" in text(page)
        and "No mapping fits its headings" in text(page)
        and "Nearest is hollin-peaks" in text(page)
    )
    assert "A column for inspection id" in text(page) and "The agency: choose it below" in text(page)
    assert (
        by_label(page.selectbox, "Decimal mark").value == ","
        and by_label(page.selectbox, "Order of dates").value == "dmy"
    )
    assert (
        by_label(page.selectbox, "Field of Static Pressure bar").value == "cold_pressure_psig"
        and by_label(page.selectbox, "Unit of Static Pressure bar").value == "bar"
    )
    assert "2 used, 0 not recorded, 1 not used" in text(page) and "Not a number (1): “zwei”" in text(page)
    assert "unit bar in the heading" in text(page)
    assert (
        by_label(page.button, SAVE_AND_LOAD).disabled
        and by_label(page.button, "Save the mapping only").disabled
    )


def test_nothing_is_stored_before_it_is_loaded_and_an_upload_put_away_is_gone(add, fleet):
    page = filled(add(fleet, "own.csv", OWN))
    assert [path.name for path in fleet.path.iterdir()] == [UPLOADS] and len(waiting(fleet)) == 1
    page.file_uploader[0].clear()
    fine(page.run())
    assert not waiting(fleet)


def test_an_upload_let_go_with_the_connection_comes_back_with_it_and_the_choices_stay(add, fleet):
    page = filled(add(fleet, "own.csv", OWN))
    (path,) = waiting(fleet)
    kept_uploads.forget_upload(path)
    page = choose(page, "“Kessel”, 1 cell", "plain_steel")
    assert (
        by_label(page.selectbox, "Field of Haus").value == "home_id"
        and not by_label(page.button, SAVE_AND_LOAD).disabled
        and waiting(fleet) == [path]
    )


def test_each_change_is_counted_at_once(add, fleet):
    page = add(fleet, "own.csv", OWN)
    page = choose(page, "Unit of Static Pressure bar", "kPa")
    assert "2 used, 0 not recorded, 1 not used" in text(page)  # under 60 psi all the same: a person must look
    page = choose(page, "Field of Static Pressure bar", "boiler_year")
    assert "0 used, 0 not recorded, 3 not used" in text(page)
    page = choose(page, "“Kessel”, 1 cell", "plain_steel")
    assert "Not one of the words" not in text(page)
    page = choose(page, "Field of Haus", "home_id")
    assert "A column for home id" not in text(page) and "A column for inspection id" in text(page)


def test_one_field_takes_one_column_and_texts_are_joined(add, fleet):
    page = add(fleet, "own.csv", OWN)
    page = choose(choose(page, "Field of Besuch Nr", "inspection_id"), "Field of Haus", "inspection_id")
    assert "Joined into inspection id: Besuch Nr - Haus" in text(
        page
    ) and "A column for inspection id" not in text(page)
    page = choose(page, "Field of Datum", "cold_pressure_psig")
    assert "One column only for cold pressure: Datum, Static Pressure bar cannot be joined" in text(page)


def test_a_mapping_is_made_saved_and_its_file_loaded(add, fleet):
    page = filled(add(fleet, "own.csv", OWN))
    page = choose(page, "“Kessel”, 1 cell", "plain_steel")
    assert "Still lacking" not in text(
        page
    ) and "Telephone: the heading speaks of a telephone number" in text(page)
    assert (
        'words = { "Bladder" = "diaphragm", "steel" = "plain_steel", "Kessel" = "plain_steel" }'
        in page.code[0].value
    )
    page = press(page, SAVE_AND_LOAD)
    assert (
        "own.csv: loaded" in html(page)
        and "The mapping own is saved" in text(page)
        and "newly open" in text(page)
    )
    assert "Telephone: the heading speaks of a telephone number" in text(page)
    assert [row[:3] for row in table(page, "Rows, cells and columns not used")[1:]] == [
        ["cell", "not a number", "1"]
    ]
    assert links(page, "files") and links(page, ".")
    snapshot = attach(fleet.current())
    # 0.9 bar and 1.25 bar in psi: 13.05 and 18.13 (1 bar = 14.5038 psi)
    assert snapshot.rows(
        "SELECT home_id, inspected_on, cold_pressure_psig, tank_type FROM readings ORDER BY inspection_id"
    ) == [
        ("H-1", date(2025, 3, 13), 13.1, "diaphragm"),
        ("H-2", date(2025, 3, 14), 18.1, "plain_steel"),
        ("H-2", date(2025, 3, 15), None, "plain_steel"),
    ]
    assert not waiting(fleet) and all(b"555-010" not in octets for octets in stored(fleet).values())
    assert (fleet.mappings / "own.toml").exists()
    page = press(page, "Add another file")
    assert "The first 3 rows" not in text(page) and page.file_uploader


def test_a_personal_column_is_kept_by_an_explicit_choice_only(add, fleet):
    page = filled(add(fleet, "own.csv", OWN))
    by_label(page.multiselect, "Keep all the same, in the stored file only").set_value(["Telephone"])
    press(fine(page.run()), SAVE_AND_LOAD)
    assert all(b"555-010-0001" in octets for octets in stored(fleet).values())


def test_a_mapping_can_be_saved_without_loading(add, fleet):
    page = press(filled(add(fleet, "own.csv", OWN)), "Save the mapping only")
    assert "Saved as own.toml. Nothing was loaded." in text(page) and fleet.log() == ()
    page = add(fleet, "again.csv", OWN)
    assert (
        "The headings are those of mapping own" in text(page)
        and not by_label(page.button, "Load the file").disabled
    )


def test_a_known_file_is_loaded_at_once_and_said_to_be_known_the_second_time(add, fleet):
    content = text_of([row(1), row(2, cold="twelve")])
    page = add(fleet, "a.csv", content)
    assert "The headings are those of mapping canonical" in text(page)
    assert table(page, "Columns with cells that would not be used")[1:] == [
        ["cold_pressure_psig", "cold pressure", "psi", "1", "0", "1", "Not a number (1): “twelve”"]
    ]
    page = press(page, "Load the file")
    assert "a.csv: loaded" in html(page) and counts(attach(fleet.current())) == {1: (2, 2, 0, 0, 0)}
    page = add(fleet, "a.csv", content)
    assert "loaded already" in text(page) and by_label(page.button, "Load the file").disabled


def test_a_file_of_which_nothing_can_be_used_cannot_be_loaded_and_it_is_said_why(add, fleet):
    page = add(fleet, "a.csv", text_of([row(1, day="soon"), row(2, home=" ")]))
    assert "No row of it can be used, so there is nothing to load" in text(page)
    assert "2 rows will not load: inspected on not a date 1 (line 2), home id missing 1 (line 3)." in text(
        page
    )
    assert by_label(page.button, "Load the file").disabled and not page.checkbox


def test_where_under_half_can_be_used_it_is_loaded_only_when_that_is_ticked(add, fleet):
    page = add(fleet, "a.csv", text_of([row(1), row(2, day="soon"), row(3, day="soon")]))
    assert "Only 1 of 3 rows can be used" in text(page)
    assert by_label(page.button, "Load the file").disabled
    by_label(page.checkbox, "Load it all the same").check()
    page = press(fine(page.run()), "Load the file")
    assert counts(attach(fleet.current())) == {1: (3, 1, 2, 0, 0)}


def test_rows_that_only_repeat_what_is_there_can_be_loaded(add, fleet, tmp_path):
    fed(fleet.create(), write(tmp_path / "a.csv", [row(1), row(2)]))
    page = add(fleet, "b.csv", text_of([row(2), row(1)]))
    assert "Repeated 2" in text(page) and "Will not load 0" in text(page)
    assert not by_label(page.button, "Load the file").disabled


def test_only_columns_with_trouble_of_their_own_are_listed_and_the_button_stands_above_the_rows(add, fleet):
    page = add(fleet, "a.csv", text_of([row(1), row(2, home=" ", cold="11"), row(3, cold="twelve")]))
    assert [cells[0] for cells in table(page, "Columns with cells that would not be used")[1:]] == [
        "cold_pressure_psig"
    ]
    whole = table(page, "What becomes of 8 columns")
    assert [cells[3:6] for cells in whole if cells[0] == "notes"] == [["0", "3", "0"]]
    drawn = html(page)
    assert drawn.index("If it is loaded now") < drawn.index("The first 3 rows, as read")


def test_texts_without_a_meaning_are_told_with_the_cells_they_cost(add, fleet):
    rows = [row(number, heating="N/K") for number in range(1, 4)] + [row(4, heating="Ofen"), row(5)]
    assert "“N/K” in heating_system: 3 cells not used “Ofen” in heating_system: 1 cell not used" in text(
        add(fleet, "a.csv", text_of(rows))
    )


def test_what_a_load_came_to_leads_to_just_that(add, show, sample_fleet, tmp_path):
    fleet = Fleet(tmp_path / "fleet")
    shutil.copytree(sample_fleet.path, fleet.path)
    there = (ROOT / "sample_exports" / "tillamere-community-partners.csv").read_text().splitlines()
    other = [re.sub(r"^([^,]*),([^,]*),([^,]*)", r"\1,other-\2,other-\3", line) for line in there[1:400]]
    page = press(add(fleet, "other.csv", "\n".join([there[0], *other])), "Load the file")
    found = page.session_state["brought"][0].report
    assert found["act_today"] and found["newly_open"] > found["act_today"] and found["to_hold"]
    said = {words: asked for name in ("homes", "hold") for words, asked in links(page, name)}
    for words, asked, name, counted in (
        (f"{found['act_today']:,} to act on today, new", None, "homes", found["act_today"]),
        (f"{found['newly_open']:,} newly open", None, "homes", found["newly_open"]),
        (f"{found['to_hold']:,} to hold before reporting", None, "hold", found["to_hold"]),
    ):
        asked = {key: values[0] for key, values in said[words].items()}
        shown = text(fine(show(fleet, name, **asked)))
        wanted = f"with {counted:,} open deficiencies so found" if name == "homes" else f"{counted:,} units"
        assert wanted in shown, words


def several(page, *files):
    """The page with several files at once."""
    page.file_uploader[0].set_value([(name, content.encode(), "text/csv") for name, content in files])
    return fine(page.run())


@pytest.mark.slow
def test_several_files_each_have_a_verdict_and_those_recognized_load_with_one_button(show, fleet, tmp_path):
    fed(fleet.create(), write(tmp_path / "there.csv", [row(1), row(2)]))
    page = several(
        show(fleet, "add"),
        ("a.csv", text_of([row(1), row(2, cold="14"), row(3) | {"Phone": "555-010-0199"}])),
        ("b.csv", OWN),
        ("c.csv", text_of([row(4), row(5, day="soon")])),
        ("d.csv", text_of([row(6, day="soon"), row(7, day="soon"), row(8)])),
        ("e.csv", ""),
    )
    lines = {cells[0]: cells[1:] for cells in table(page, "5 files, if they are loaded now")[1:]}
    assert lines["a.csv"] == ["canonical", "1", "1", "1", "0", "0", "Drops Phone."]
    assert lines["b.csv"][0] == "–" and lines["b.csv"][-1] == "Needs a mapping"
    assert lines["c.csv"][1:] == [
        "1",
        "0",
        "0",
        "0",
        "1",
        "1 row will not load: inspected on not a date 1 (line 3).",
    ]
    assert lines["d.csv"][-1].startswith("Only 1 of 3 rows can be used.") and "empty" in lines["e.csv"][-1]
    assert len(waiting(fleet)) == 5
    page = press(page, "Load the 2 files recognized")
    came = {cells[0]: cells[1:] for cells in table(page, "What each came to")[1:]}
    assert came["a.csv"][:4] == ["1", "1", "1", "0"] and came["c.csv"][:4] == ["1", "0", "0", "1"]
    assert attach(fleet.current()).rows("SELECT count(*) FROM readings") == [(4,)]
    assert all(b"555-010" not in octets for octets in stored(fleet).values())
    # the others stay, and are opened one by one
    assert [cells[0] for cells in table(page, "3 files, if they are loaded now")[1:]] == [
        "b.csv",
        "d.csv",
        "e.csv",
    ]
    assert by_label(page.selectbox, "Open").format_func(by_label(page.selectbox, "Open").value) == "b.csv"
    page = press(choose(filled(page), "“Kessel”, 1 cell", "plain_steel"), SAVE_AND_LOAD)
    assert "own.csv" not in html(page) and "b.csv: loaded" in html(page)
    assert [cells[0] for cells in table(page, "2 files, if they are loaded now")[1:]] == ["d.csv", "e.csv"]


def test_of_several_files_one_that_is_refused_is_named(show, fleet, monkeypatch):
    page = several(show(fleet, "add"), ("a.csv", text_of([row(1)])), ("b.csv", text_of([row(2)])))
    real = door.load

    def refuse(of_fleet, paths, **more):
        if paths[0].name == "b.csv":
            raise FleetError("the disk is full")
        return real(of_fleet, paths, **more)

    monkeypatch.setattr(door, "load", refuse)
    page = press(page, "Load the 2 files recognized")
    assert "a.csv: loaded" in html(page) and "the disk is full" in text(page)
    assert [path.name for path in waiting(fleet)] == ["b.csv"]


def test_headings_that_fit_two_mappings_wait_for_a_choice(add, fleet):
    fleet.create()
    for name in ("one", "two"):
        drafts.save_mapping(fleet, name, THREE)
    page = add(fleet, "a.csv", "Visit,House,Day\n1,H,2025-03-04\n")
    assert (
        "fit several mappings" in text(page)
        and by_label(page.selectbox, "Read it with").value is None
        and not page.button
    )
    page = choose(page, "Read it with", "two")
    page = choose(page, "Agency: neither the mapping nor a column names it", "Alder County")
    page = press(page, "Load the file")
    assert attach(fleet.current()).rows("SELECT mapping, agency FROM exports") == [("two", "Alder County")]


def test_a_mapping_chosen_by_hand_that_cannot_serve_is_refused_before_loading(add, fleet):
    page = choose(add(with_sample_settings(fleet), "own.csv", OWN), "Read it with", "hollin-peaks")
    assert (
        "there is no column for inspection_id" in text(page)
        and by_label(page.button, "Load the file").disabled
    )


def test_an_empty_agency_is_asked_for_where_the_fleet_has_others(add, fleet, tmp_path):
    fleet.create()
    fed(fleet, write(tmp_path / "a.csv", [row(1)]))
    drafts.save_mapping(fleet, "one", THREE)
    page = add(fleet, "b.csv", "Visit,House,Day\n1,H,2025-03-04\n")
    assert "the agency is not recorded" in text(page) and by_label(page.button, "Load the file").disabled
    page = choose(page, "Agency: neither the mapping nor a column names it", "Birch County")
    assert not by_label(page.button, "Load the file").disabled


def test_the_century_of_short_years_is_asked_for_where_there_are_some_and_shown(add, fleet):
    content = "Rec #,Bldg,When,P/F\n1,A,3/14/25,P\n2,B,12/31/99,F\n"
    page = choose(add(fleet, "own.csv", content), "Agency", "Alder County")
    century = by_label(page.selectbox, "Years of two digits")
    assert century.value is None and "The century of years with two digits" in text(page)
    assert century.options == [
        "00–99 are 2000–2099; 3/14/25 is Mar 14, 2025",
        "80–99 are 1980–1999, 00–79 are 2000–2079; 3/14/25 is Mar 14, 2025",
        "70–99 are 1970–1999, 00–69 are 2000–2069; 3/14/25 is Mar 14, 2025",
        "50–99 are 1950–1999, 00–49 are 2000–2049; 3/14/25 is Mar 14, 2025",
    ]
    assert "2 used, 0 not recorded, 0 not used" in text(page)  # other cells are judged all the same
    page = choose(page, "Years of two digits", 1970)
    assert "two_digit_years_from = 1970" in page.code[0].value
    press(page, SAVE_AND_LOAD)
    assert attach(fleet.current()).rows(
        "SELECT inspected_on, stated_result FROM readings ORDER BY inspection_id"
    ) == [(date(2025, 3, 14), "pass"), (date(1999, 12, 31), "fail")]


def test_no_century_is_asked_for_where_no_column_of_dates_has_short_years(add, fleet):
    page = add(fleet, "own.csv", "Rec #,Bldg,When,Build\n1,A,2025-03-14,3/4/25\n")
    label = "Years of two digits"
    assert label not in [one.label for one in page.selectbox]
    page = choose(page, "Field of Build", "completed_on")
    assert label in [one.label for one in page.selectbox]


@pytest.mark.parametrize(
    "error, said",
    families.first(
        1,
        [
            (
                FleetError("Cannot keep a copy in exports: the disk is full: free some space."),
                "the disk is full",
            ),
            (ZeroDivisionError("x"), "in a way nobody foresaw (ZeroDivisionError)"),
        ],
    ),
)
def test_a_load_that_fails_is_told_and_can_be_tried_again(add, fleet, monkeypatch, error, said):
    page = filled(add(fleet, "own.csv", OWN))

    def refuse(*_, **__):
        raise error

    with monkeypatch.context() as broken:
        broken.setattr(door, "load", refuse)
        page = press(page, SAVE_AND_LOAD)
    assert said in text(page) and fleet.current() is None and len(waiting(fleet)) == 1
    page = press(page, SAVE_AND_LOAD)  # what was chosen is still there, and so is the mapping
    assert "own.csv: loaded" in html(page)


def test_a_new_agency_is_said_to_be_new(add, fleet, tmp_path):
    fleet.create()
    fed(fleet, write(tmp_path / "a.csv", [row(1)]))
    page = add(fleet, "own.csv", OWN)
    assert wording.NEW_AGENCY not in text(choose(page, "Agency", "Alder County"))
    assert wording.NEW_AGENCY in text(choose(page, "Agency", "Alder Co"))


def test_a_name_that_is_taken_is_told(add, fleet):
    drafts.save_mapping(fleet, "one", THREE)
    page = filled(add(fleet, "own.csv", OWN))
    by_label(page.text_input, "Name of the mapping").set_value("ONE")
    page = press(fine(page.run()), SAVE_AND_LOAD)
    assert "choose another name" in text(page) and fleet.log() == ()


def test_a_viewer_without_personal_fields_sees_no_cell_of_personal_columns(fleet, tmp_path, monkeypatch):
    monkeypatch.setenv("COLDFILL_FLEET", str(fleet.path))
    path, plain = tmp_path / "x" / "a.csv", Viewer(personal=False)
    path.parent.mkdir()
    path.write_text("Inspector name,Telephone,Exp tank\nA. Person,555-010-0001,Bladder\n")
    upload = uploads.read.__wrapped__(plain, str(path), "")  # without the session's cache
    assert upload.rows.iloc[0].tolist() == [NOT_SHOWN, NOT_SHOWN, "Bladder"]
    assert [one.examples for one in upload.suggested.headings] == [(NOT_SHOWN,), (NOT_SHOWN,), ("Bladder",)]
    nothing = uploads.composed("x", [])
    assert upload.trial(nothing)["examples"].tolist() == ["", "", "Bladder"]
    everything = uploads.read.__wrapped__(EVERYTHING, str(path), "")
    assert "A. Person" in everything.trial(nothing)["examples"].tolist()


def test_a_heading_that_feeds_a_personal_field_is_hidden_however_it_is_written(fleet, tmp_path):
    fleet.create()
    text = THREE + "[columns.'Seen by']\nfield = 'inspector'\n"
    drafts.save_mapping(fleet, "one", "agency = 'Alder County'\n" + text)
    (tmp_path / "a.csv").write_text("Visit,House,Day,SEEN  BY\n1,H,2025-03-04,QQ\n")
    upload = Upload.into(fleet, tmp_path / "a.csv", shows_personal=False)
    assert upload.mapping == "one" and upload.rows.iloc[0].tolist() == ["1", "H", "2025-03-04", NOT_SHOWN]


def test_a_file_is_opened_once_whatever_the_page_asks(add, fleet, tmp_path, monkeypatch):
    """Once for the page and all its changes; once more by
    the door, which reads all of it, for a mapping there is.
    """
    opened = []
    for module in (reading, deciding):
        real = module.opened
        monkeypatch.setattr(
            module, "opened", lambda *given, real=real, **more: opened.append(1) or real(*given, **more)
        )
    page = filled(add(fleet, "own.csv", OWN))
    page = choose(page, "“Kessel”, 1 cell", "plain_steel")
    choose(page, "Unit of Static Pressure bar", "kPa")
    assert len(opened) == 1
    opened.clear()
    page = add(fleet, "a.csv", text_of([row(1), row(2)]))
    fine(page.run())
    assert len(opened) == 2


# ---- files received


@pytest.fixture
def received(fleet, tmp_path, monkeypatch):
    """Two agencies; one with homes under two spellings and an
    inspection far ahead, one of whose file no row could be used.
    """
    monkeypatch.setenv("COLDFILL_FLEET", str(fleet.path))
    fleet.create()
    (fleet.mappings / "silent.toml").write_text("agency = 'Silent County'\n" + THREE)
    first = write(
        tmp_path / "a.csv",
        [
            row(1, home="H-0012"),
            row(2, home="h12", cold="twelve", day="2025-03-06"),
            row(3, day="2031-01-01"),
            row(4, agency="Birch County"),
        ],
    )
    (tmp_path / "b.csv").write_text("Visit,House,Day\n1,,2025-03-04\n2,H,soon\n")
    fed(
        fleet,
        first,
        tmp_path / "b.csv",
        write(
            tmp_path / "c.csv",
            [
                row(5) | {"Phone": "555-010-0199"},
                row(6, cold="?!"),
                row(7, agency="Birch County", day="soon"),
                row(8, day="soon"),
            ],
        ),
    )
    return fleet


def test_an_agency_of_whose_files_no_row_could_be_used_is_there(show, received):
    found = data.agencies(EVERYTHING, str(received.current()), Filters(), DAY).set_index("agency")
    assert list(found.index) == ["Alder County", "Birch County", "Silent County"]
    assert (
        found["homes"].tolist() == [5, 1, 0]
        and found["files"].tolist() == [2, 1, 1]
        and found["later"].tolist() == [1, 0, 0]
    )
    assert found.loc["Alder County", "last_inspected_on"].date() == date(2025, 3, 6)
    assert list(
        data.agencies(Viewer(agencies=("silent county",)), str(received.current()), Filters(), DAY)["agency"]
    ) == ["Silent County"]
    for page, caption in (("fleet", "Newest file and inspection"), ("files", "Newest file and inspection")):
        rows = {cells[0]: cells for cells in table(show(received, page, as_of="2026-03-01"), caption)}
        assert (
            "no inspection up to this day" in rows["Silent County"][-1]
            and "1 inspection dated after this day" in rows["Alder County"][-1]
        )


def test_an_agency_known_only_by_files_kept_out_has_no_file_loaded(fleet, tmp_path):
    fleet.create()
    (tmp_path / "b.csv").write_text("Visit,House,Day\n1,H,2025-03-04\n")
    drafts.save_mapping(fleet, "one", "agency = 'Silent County'\n" + THREE)
    fed(fleet, tmp_path / "b.csv")
    line = fleet.log()[0]
    fleet.append(
        [type(line)(**{**vars(line), "number": 0, "when": "", "status": "kept out", "why": "set aside"})]
    )
    row = next(data.agencies(EVERYTHING, str(stages.build(fleet)), Filters(), DAY).itertuples())
    assert (row.agency, row.homes, row.files) == ("Silent County", 0, 0)
    assert wording.recent(row.received_at, row.last_inspected_on, DAY, 45, row.later) == "no file loaded"


def test_how_recent_an_agency_is_with_days_ahead_or_lacking():
    def at(day):
        return date.fromisoformat(day)

    def stamp(day):
        return __import__("pandas").Timestamp(day)

    assert wording.recent(stamp("2026-02-20"), stamp("2026-02-19"), at("2026-03-01"), 45) == "recent"
    assert (
        wording.recent(stamp("2026-04-01"), stamp("2026-02-19"), at("2026-03-01"), 45)
        == "no recent file: newest file came after this day"
    )
    assert (
        wording.recent(stamp("2026-02-20"), None, at("2026-03-01"), 45)
        == "no recent file: no inspection up to this day"
    )
    assert wording.recent(stamp("2025-02-20"), stamp("2025-02-19"), at("2026-03-01"), 45, 2) == (
        "no recent file: received 374 days ago, newest inspection 375 days ago; 2 inspections dated "
        "after this day"
    )


def test_homes_under_two_spellings_are_shown_with_both_and_never_merged(show, received):
    page = fine(show(received, "files"))
    assert table(page, "1 pair")[1:] == [
        ["H-0012", "h12", "Alder County", "ids differ only in capitals, punctuation, leading zeros"]
    ]
    assert {
        asked["home"][0] for words, asked in links(page, "home") if asked.get("of") == ["Alder County"]
    } == {"H-0012", "h12"}
    assert data.suspicions_count(Viewer(agencies=("Birch County",)), str(received.current()), Filters()) == 0


def test_rows_to_mend_are_for_who_may_see_personal_fields_and_every_agency_in_the_file(show, received):
    snapshot = str(received.current())
    assert data.to_mend(EVERYTHING, snapshot) == [1, 2, 3]
    assert data.to_mend(Viewer(personal=False), snapshot) == []
    alder = Viewer(agencies=("Alder County",))
    assert data.to_mend(alder, snapshot) == [3] and data.to_mend(
        Viewer(agencies=("Alder County", "Birch County")), snapshot
    ) == [1, 3]
    name, octets = data.mended(EVERYTHING, snapshot, 3)

    def rows(octets):
        return [line["inspection_id"] for line in csv.DictReader(io.StringIO(octets.decode("utf-8-sig")))]

    assert name == "to-mend-3-c.csv" and rows(octets) == ["6", "7", "8"]
    assert rows(data.mended(alder, snapshot, 3)[1]) == [
        "6",
        "8",
    ]  # nothing of a row that names another agency
    for who, export_id in ((Viewer(personal=False), 3), (alder, 1)):
        with pytest.raises(ListError):
            data.mended(who, snapshot, export_id)
    page = fine(show(received, "files"))
    assert "the rows to mend" in text(page) and "add that file like any other" in text(page)


def test_columns_dropped_at_the_door_are_named_with_their_file(show, received):
    rows = {cells[0]: cells for cells in table(fine(show(received, "files")), "3 files")}
    assert "dropped at the door: Phone" in rows["c.csv"][-1] and "dropped" not in rows["a.csv"][-1]
