"""The mapping page's questions: what a draft would make of a file, and a mapping kept only when it can be used."""

import pytest

from pipelines import reading, receive, trial
from pipelines.fields import BY_NAME
from pipelines.intake.mapping import MappingError, canonical, parse_mapping
from pipelines.intake.sniff import ExportError
from pipelines.store import Fleet
from tests.small_exports import HEADINGS, row, text_of, write

REQUIRED = '[columns.Visit]\nfield = "inspection_id"\n[columns.House]\nfield = "home_id"\n[columns.Day]\nfield = "inspected_on"\n'


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def by_heading(frame):
    return {(one.heading, one.field): one for one in frame.itertuples()}


def test_every_cell_looked_at_is_used_not_recorded_or_not_used(tmp_path):
    path = write(tmp_path / "a.csv", [row(1, cold="12"), row(2, cold=""), row(3, cold="twelve"), row(4, cold="400"), row(5, cold="n/a"), row(6, day="", cold="11"), row(7, home="", cold="?")])
    path.write_text(path.read_text().replace("H-7", ""))
    frame = trial.trial(path, canonical())
    assert (frame["used"] + frame["not_recorded"] + frame["not_used"] == 7).all()
    cold = by_heading(frame)["cold_pressure_psig", "cold_pressure_psig"]
    assert (cold.used, cold.not_recorded, cold.not_used, cold.unit) == (1, 2, 4, "psi")  # "?" and its row are lost with the home
    assert "not a number (1)" in cold.reasons and "outside the plausible range (1)" in cold.reasons and "its row is not loaded (2)" in cold.reasons
    assert cold.examples == "twelve; 400"
    day = by_heading(frame)["inspected_on", "inspected_on"]
    assert (day.used, day.not_recorded, day.not_used, day.reasons) == (5, 0, 2, "required field not recorded (1); its row is not loaded (1)")


def test_a_draft_with_the_wrong_unit_or_words_shows_it(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Visit,House,Day,Cold,Relief,Place,Owner,Stamp\n1,H,2025-03-04,0.8,3,Cellar,A. B.,x\n2,H,2025-03-05,0.9,3,Attic,C. D.,y\n")
    text = 'carry = ["Stamp"]\nignore = ["Nothing"]\n' + REQUIRED + '[columns.Cold]\nfield = "cold_pressure_psig"\nunit = "bar"\n[columns.Relief]\nfield = "relief_setting_psig"\n[columns.Place]\nfield = "boiler_level"\nwords = { "Cellar" = "basement" }\n'
    found = by_heading(trial.trial(path, parse_mapping("draft", text)))
    assert (found["Cold", "cold_pressure_psig"].used, found["Cold", "cold_pressure_psig"].unit) == (2, "bar")
    relief = found["Relief", "relief_setting_psig"]
    low = BY_NAME["relief_setting_psig"].plausible[0]
    assert (relief.used, relief.not_used) == ((2, 0) if low <= 3 else (0, 2))
    place = found["Place", "boiler_level"]
    assert (place.used, place.not_used, place.reasons, place.examples) == (1, 1, "not one of the words (1)", "Attic")
    assert found["Owner", ""].reasons.startswith("looks personal") and found["Stamp", "carried"].used == 2


def test_joined_columns_repeats_and_unmapped_ones(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Job,No,House,Day,Note,Note\n7,1,H,2025-03-04,a,\n7,,H,2025-03-05,,b\n8,2,H,2025-03-05,x,y\n")
    text = '[join.inspection_id]\ncolumns = ["Job", "No"]\n[columns.House]\nfield = "home_id"\n[columns.Day]\nfield = "inspected_on"\n[columns.Note]\nfield = "notes"\n'
    frame = trial.trial(path, parse_mapping("draft", text))
    found = by_heading(frame)
    assert (frame["used"] + frame["not_recorded"] + frame["not_used"] == 3).all()
    assert (found["No", "inspection_id"].used, found["No", "inspection_id"].not_used) == (2, 1)
    assert "a part of the joined id is missing (1)" in found["Job", "inspection_id"].reasons
    note = found["Note (2)", "notes"]
    assert note.used == 1 and "two columns of one heading differ (1)" in note.reasons


def test_an_empty_table_has_headings_and_no_counts(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(",".join(HEADINGS) + "\n")
    frame = trial.trial(path, canonical())
    assert frame["heading"].tolist() == list(HEADINGS) and frame["used"].sum() == frame["not_used"].sum() == 0


def test_an_upload_can_be_tried():
    with receive.uploaded("a.csv", text_of([row(1)]).encode()) as path:
        assert by_heading(trial.trial(path, canonical()))["home_id", "home_id"].used == 1
    with receive.uploaded("a.csv", b"PK\x03\x04") as path, pytest.raises(ExportError, match=r"a\.csv: this is a zip archive"):
        trial.trial(path, canonical())


def test_a_mapping_is_saved_when_it_can_be_used(fleet):
    path = trial.save_mapping(fleet, "spring-2026", REQUIRED)
    assert path == fleet.mappings / "spring-2026.toml" and path.read_text() == REQUIRED
    assert "spring-2026" in [mapping.name for mapping in reading.mappings_of(fleet)]
    trial.save_mapping(fleet, "spring-2026", "agency = 'Alder County'\r\n" + REQUIRED)
    assert path.read_bytes().startswith(b"agency = 'Alder County'\n[columns")


@pytest.mark.parametrize("name, text", [("own", "[columns.Visit]\nfield = 'nothing'\n"), ("own", "not toml"), ("canonical", REQUIRED), ("../own", REQUIRED), ("", REQUIRED), (".own", REQUIRED), ("a b", REQUIRED), ("own\n", REQUIRED)])
def test_a_mapping_that_cannot_be_used_leaves_what_was_there(fleet, name, text):
    trial.save_mapping(fleet, "own", REQUIRED)
    with pytest.raises(MappingError):
        trial.save_mapping(fleet, name, text)
    assert {path.name: path.read_text() for path in fleet.mappings.iterdir()} == {"own.toml": REQUIRED}


def test_a_mapping_that_cannot_be_written_leaves_what_was_there(fleet, monkeypatch):
    trial.save_mapping(fleet, "own", REQUIRED)

    def full(path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(trial, "sync", full)
    with pytest.raises(Exception, match="disk is full"):
        trial.save_mapping(fleet, "own", "agency = 'B'\n" + REQUIRED)
    assert {path.name: path.read_text() for path in fleet.mappings.iterdir()} == {"own.toml": REQUIRED}
