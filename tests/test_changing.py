"""A mapping that is changed: what the form cannot say stays, and its files show what the change does."""

import pytest

from pipelines.answers.access import EVERYTHING, Viewer
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.intake.mapping import MappingError, load_mappings, parse_mapping
from pipelines.receiving import changing, drafts, loading
from pipelines.receiving.drafts import CARRY, IGNORE, Choice
from pipelines.receiving.loading import Rereading, Wanted
from pipelines.receiving.upload import NOT_SHOWN
from pipelines.snapshot import stages
from pipelines.snapshot.version import attach
from tests.small_exports import fed
from tests.test_dashboard import fine, html, links, table
from tests.test_dashboard import text as spaced

HEAD = "# Kept by the agency.\nagency = 'Alder County'\n"
REQUIRED = (
    "[columns.Visit]\nfield = 'inspection_id'\n[columns.House]\nfield = 'home_id'\n[columns.Day]\nfield = "
    "'inspected_on'\n"
)
COLD = "[columns.Cold]\nfield = 'cold_pressure_psig'\nunit = 'PSIG'\n"
TANK = "[columns.Tank]\nfield = 'tank_type'\nwords = { 'Bladder' = 'diaphragm' }\n"
FILE = (
    "Visit,House,Day,Cold,Tank\n1,H-1,2025-03-04,12,Bladder\n2,H-2,2025-03-05,400,Kessel\n3,H-3,soon,9,none\n"
)


@pytest.fixture
def fleet(tmp_path):
    """A fleet that has loaded FILE with the mapping own."""
    fleet = Fleet(tmp_path / "fleet").create()
    drafts.save_mapping(fleet, "own", HEAD + REQUIRED + COLD + TANK)
    (tmp_path / "a.csv").write_text(FILE)
    fed(fleet, tmp_path / "a.csv")
    return fleet


def mapping_of(fleet, name="own"):
    return next(one for one in load_mappings(fleet.mappings) if one.name == name)


def as_chosen(upload, mapping, **chosen):
    """The mapping that the form makes of one that is opened, with some headings' uses chosen anew."""
    found = changing.as_it_is(upload, mapping)
    choices = [
        Choice(one.heading, chosen.get(one.heading, one.field or ""), one.unit, one.words)
        for one in found.headings
    ]
    made = drafts.composed(
        mapping.name,
        choices,
        agency=mapping.agency or "",
        decimal=mapping.decimal,
        dates=mapping.dates,
        two_digit_years_from=mapping.two_digit_years_from,
        not_recorded=mapping.not_recorded,
    )
    return changing.changed(mapping, upload.headings, made, choices)


@pytest.mark.parametrize("name", ["hollin-peaks", "ouvray-plateau", "val-brenn"])
def test_a_mapping_opened_and_left_alone_stays_what_it_is(sample_fleet, name):
    mapping = mapping_of(sample_fleet, name)
    (received,) = changing.read_with(sample_fleet, name)
    upload = changing.stored(sample_fleet, received)
    left_alone = as_chosen(upload, mapping)
    assert changing.alike(left_alone, mapping)
    assert changing.alike(parse_mapping(name, left_alone.text), mapping)
    effect = changing.effect(upload, received, mapping, left_alone)
    assert effect.nothing and effect.rows == upload.rows_looked_at


def test_what_the_form_cannot_say_stays(fleet, tmp_path):
    text = (
        HEAD + "encoding = 'utf-8'\ncarry = ['Tract', 'Tank', 'Far']\nignore = ['Printed', 'Gone']\n"
        "[join.inspection_id]\ncolumns = ['No', 'Job']\nwith = '/'\n"
        "[join.notes]\ncolumns = ['Remark', 'Other remark']\n"
        "[columns.HOUSE]\nfield = 'home_id'\n[columns.Day]\nfield = 'inspected_on'\n"
        "[columns.Hot]\nfield = 'hot_pressure_psig'\nunit = 'bar'\n" + TANK
    )
    mapping = parse_mapping("other", text)
    path = tmp_path / "b.csv"
    path.write_text("Job,No,House,Day,Tank,Tract,Printed,Remark,New\n7,1,H,2025-03-04,Bladder,T,x,y,z\n")
    upload = changing.Upload(path, (mapping,))
    left_alone = as_chosen(upload, mapping)
    assert changing.alike(left_alone, mapping) and left_alone.text.startswith("# Kept by the agency.\n")
    assert [join.headings for join in left_alone.joins] == [("No", "Job"), ("Remark", "Other remark")]
    assert [column.heading for column in left_alone.columns] == ["HOUSE", "Day", "Hot", "Tank"]
    other = as_chosen(upload, mapping, Tank=IGNORE, New="notes", Tract="job_number", Printed=CARRY)
    assert set(other.ignore) == {"Tank", "Gone"} and set(other.carry) == {"Printed", "Far"}
    assert other.feeds("notes") == ("Remark", "Other remark", "New") and other.feeds("job_number") == (
        "Tract",
    )
    assert other.feeds("inspection_id") == ("No", "Job") and other.joins[0].mark == "/"
    assert parse_mapping("other", other.text) == other


def test_a_change_shows_what_it_does_to_each_file(fleet):
    mapping = mapping_of(fleet)
    (received,) = changing.read_with(fleet, "own")
    upload = changing.stored(fleet, received)
    text = mapping.text.replace("'PSIG'", "'kPa'").replace(
        "'Bladder' = 'diaphragm'", "'Kessel' = 'plain_steel'"
    )
    found = changing.effect(upload, received, mapping, parse_mapping("own", text))
    # 12 and 400 kPa are 1.7 and 58.0 psi: one cell read otherwise, one used that was out of range
    assert (found.rows_more, found.rows_less) == (0, 0)
    assert (found.cells_more, found.cells_less, found.cells_other) == (2, 1, 1)
    assert dict(found.fields) == {"cold_pressure_psig": 2, "tank_type": 2} and not found.nothing
    dates = changing.effect(
        upload, received, mapping, parse_mapping("own", "not_recorded = ['1']\n" + mapping.text)
    )
    assert (dates.rows_more, dates.rows_less) == (0, 1)


def test_a_column_dropped_at_the_door_is_named_where_a_change_would_use_it(fleet, tmp_path):
    (tmp_path / "b.csv").write_text(
        "Visit,House,Day,Cold,Tank,Owner name\n4,H-4,2025-03-04,12,Bladder,A. Person\n"
    )
    fed(fleet, tmp_path / "b.csv")
    received = changing.read_with(fleet, "own")[0]
    assert received.dropped_headings == "Owner name"
    mapping = mapping_of(fleet)
    after = parse_mapping("own", mapping.text + "[columns.'Owner name']\nfield = 'notes'\n")
    assert changing.effect(changing.stored(fleet, received), received, mapping, after).wanting == (
        "Owner name",
    )


def test_a_change_holds_for_the_files_that_are_loaded_and_makes_none_of_them_newer(fleet, tmp_path):
    """A later file says the same inspection otherwise: it stays in force."""
    (tmp_path / "b.csv").write_text("Visit,House,Day,Cold,Tank\n1,H-1,2025-03-04,15,Bladder\n")
    fed(fleet, tmp_path / "b.csv")
    before, log = mapping_of(fleet), fleet.log()
    after = parse_mapping("own", before.text.replace("'PSIG'", "'kPa'"))
    work = Rereading(EVERYTHING, fleet, before, after).begin()
    assert work.wait(60) and work.error is None
    rows = attach(fleet.current()).rows("SELECT inspection_id, cold_pressure_psig FROM readings ORDER BY 1")
    assert rows == [("1", 2.2), ("2", 58.0)] and fleet.log() == log  # 15 and 400 kPa in psi
    assert fleet.input_text(before.sha256) == before.text and stages.verify(fleet) == []


def test_a_file_is_loaded_with_a_change_of_its_mapping(fleet, tmp_path):
    path = tmp_path / "b.csv"
    path.write_text("Visit,House,Day,Cold,Tank\n7,H-7,2025-03-04,100,Kessel\n")
    before = mapping_of(fleet)
    after = parse_mapping("own", before.text.replace("'Bladder' =", "'Kessel' = 'plain_steel', 'Bladder' ="))
    brought, refused = loading.bring(EVERYTHING, fleet, (Wanted(path, draft=after, instead_of=before),))
    assert not refused and brought[0].saved == "own"
    rows = attach(fleet.current()).rows("SELECT inspection_id, tank_type FROM readings ORDER BY 1")
    assert rows == [("1", "diaphragm"), ("2", "plain_steel"), ("7", "plain_steel")]


def test_a_mapping_changed_meanwhile_is_not_written_over(fleet):
    before = mapping_of(fleet)
    drafts.save_mapping(fleet, "own", before.text + "# by somebody else\n")
    after = parse_mapping("own", before.text.replace("'PSIG'", "'kPa'"))
    with pytest.raises(MappingError, match="open it again"):
        changing.save(EVERYTHING, fleet, before, after)
    assert mapping_of(fleet).text == before.text + "# by somebody else\n"


@pytest.mark.slow
@pytest.mark.parametrize("agencies", [("Birch County",), ("Alder County",)])
def test_a_viewer_changes_only_what_no_other_agency_rests_on(fleet, tmp_path, agencies):
    (tmp_path / "b.csv").write_text("Visit,House,Day,Cold,Tank\n1,H-1,2025-03-04,15,Bladder\n")
    fed(fleet, tmp_path / "b.csv", agency="Birch County")
    before = mapping_of(fleet)
    after = parse_mapping("own", before.text.replace("'PSIG'", "'kPa'"))
    with pytest.raises(FleetError, match="other agencies"):
        changing.save(Viewer(agencies=agencies), fleet, before, after)
    assert changing.changeable(Viewer(agencies=agencies), fleet) == []
    assert changing.changeable(EVERYTHING, fleet) == ["own"]
    changing.save(Viewer(agencies=("Alder County", "Birch County")), fleet, before, after)
    assert mapping_of(fleet).text == after.text


def test_a_viewer_without_personal_fields_sees_no_cell_of_a_personal_column(fleet, tmp_path):
    (tmp_path / "b.csv").write_text("Visit,House,Day,Cold,Tank,By\n4,H-4,2025-03-04,12,Bladder,A. Person\n")
    drafts.save_mapping(fleet, "own", mapping_of(fleet).text + "[columns.By]\nfield = 'inspector'\n")
    fed(fleet, tmp_path / "b.csv")
    upload = changing.stored(fleet, changing.read_with(fleet, "own")[0], shows_personal=False)
    found = {one.heading: one.examples for one in changing.as_it_is(upload, mapping_of(fleet)).headings}
    assert found["By"] == (NOT_SHOWN,) and found["Tank"] == ("Bladder",)


# ---- in the browser


def text(page):
    return " ".join(spaced(page).split())


def by_label(widgets, label):
    found = [one for one in widgets if one.label == label]
    assert len(found) == 1, [one.label for one in widgets]
    return found[0]


def test_a_mapping_is_changed_on_the_page_seen_on_its_files_and_saved(show, fleet):
    page = fine(show(fleet, "files"))
    assert ("own", {"mapping": ["own"]}) in links(page, "add")
    page = fine(show(fleet, "add", mapping="own"))
    assert "Nothing is changed yet." in text(page)
    save = "Save the change and read 1 file again"
    assert by_label(page.button, save).disabled
    by_label(page.selectbox, "“Kessel”, 1 cell").set_value("plain_steel")
    page = fine(page.run())
    assert table(page, "What the change does to the 1 file loaded with it")[1:] == [
        ["a.csv", "3", "0", "0", "1", "0", "0", "Tank type (1 cell)"]
    ]
    assert "Kessel" not in mapping_of(fleet).text
    by_label(page.button, save).click()
    page = fine(page.run())
    assert "The mapping own is changed" in text(page)
    rows = attach(fleet.current()).rows("SELECT tank_type FROM readings ORDER BY inspection_id")
    assert rows == [("diaphragm",), ("plain_steel",)] and len(fleet.log()) == 1


def test_a_mapping_is_changed_on_a_file_that_is_to_be_loaded(show, fleet):
    page = fine(show(fleet, "add"))
    content = "Visit,House,Day,Cold,Tank\n8,H-8,2025-03-04,12,Kessel\n"
    page.file_uploader[0].set_value(("b.csv", content.encode(), "text/csv"))
    page = fine(page.run())
    assert "“Kessel” in Tank: 1 cell not used" in text(page)
    by_label(page.checkbox, "Change this mapping").check()
    page = fine(page.run())
    by_label(page.selectbox, "“Kessel”, 1 cell").set_value("plain_steel")
    page = fine(page.run())
    assert "b.csv, if it is loaded now" in html(page)
    by_label(page.button, "Save the change and load the file").click()
    page = fine(page.run())
    assert "b.csv: loaded" in html(page)
    rows = attach(fleet.current()).rows("SELECT tank_type FROM readings ORDER BY inspection_id")
    assert rows == [("diaphragm",), ("plain_steel",), ("plain_steel",)]


def test_a_mapping_that_is_none_or_has_no_file_is_said_to_be_so(show, fleet):
    drafts.save_mapping(fleet, "idle", REQUIRED)
    assert "There is no mapping called 'canonical'" in text(fine(show(fleet, "add", mapping="canonical")))
    assert "No file is loaded with idle" in text(fine(show(fleet, "add", mapping="idle")))
    assert {words for words, _ in links(fine(show(fleet, "add")), "add")} >= {"idle", "own"}
