"""The mapping page's questions: what a draft would make
of a file, and a mapping kept only when it can be used.
"""

import pytest

from pipelines.fields import BY_NAME
from pipelines.fields import REQUIRED as REQUIRED_FIELDS
from pipelines.fleet.folder import Fleet
from pipelines.intake.encoding import ExportError
from pipelines.intake.mapping import MappingError, canonical, parse_mapping
from pipelines.receiving import drafts, kept_uploads, loading, upload
from pipelines.receiving.drafts import CARRY, IGNORE, NAME, Choice
from pipelines.receiving.upload import ROWS_SHOWN, Upload
from pipelines.snapshot import exports
from tests.conftest import with_sample_settings
from tests.small_exports import HEADINGS, row, text_of, write

REQUIRED = (
    '[columns.Visit]\nfield = "inspection_id"\n[columns.House]\nfield = "home_id"\n[columns.Day]\nfield = '
    '"inspected_on"\n'
)


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def by_heading(frame):
    return {(one.heading, one.field): one for one in frame.itertuples()}


def tried(path, mapping):
    """What a mapping makes of a file's first rows."""
    return Upload(path, (mapping,)).trial(mapping)


def test_every_cell_looked_at_is_used_not_recorded_or_not_used(tmp_path):
    path = write(
        tmp_path / "a.csv",
        [
            row(1, cold="12"),
            row(2, cold=""),
            row(3, cold="twelve"),
            row(4, cold="400"),
            row(5, cold="n/a"),
            row(6, day="", cold="11"),
            row(7, home="", cold="?"),
        ],
    )
    path.write_text(path.read_text().replace("H-7", ""))
    frame = tried(path, canonical())
    assert (frame[["used", "not_recorded", "not_used", "with_row"]].sum(axis=1) == 7).all()
    cold = by_heading(frame)["cold_pressure_psig", "cold_pressure_psig"]
    assert (cold.used, cold.not_recorded, cold.not_used, cold.with_row, cold.unit) == (
        1,
        2,
        2,
        2,
        "psi",
    )  # "?" and its row are lost with the home
    assert cold.reasons == "not a number (1); outside the plausible range (1)"
    assert cold.examples == "twelve; 400"
    day = by_heading(frame)["inspected_on", "inspected_on"]
    assert (day.used, day.not_recorded, day.not_used, day.with_row, day.reasons) == (5, 1, 0, 1, "")


def test_a_draft_with_the_wrong_unit_or_words_shows_it(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "Visit,House,Day,Cold,Relief,Place,Owner,Stamp\n1,H,2025-03-04,0.8,3,Cellar,A. "
        "B.,x\n2,H,2025-03-05,0.9,3,Attic,C. D.,y\n"
    )
    text = (
        'carry = ["Stamp"]\nignore = ["Nothing"]\n'
        + REQUIRED
        + (
            '[columns.Cold]\nfield = "cold_pressure_psig"\nunit = "bar"\n[columns.Relief]\nfield = '
            '"relief_setting_psig"\n[columns.Place]\nfield = "boiler_level"\n'
            'words = { "Cellar" = "basement" }\n'
        )
    )
    found = by_heading(tried(path, parse_mapping("draft", text)))
    assert (found["Cold", "cold_pressure_psig"].used, found["Cold", "cold_pressure_psig"].unit) == (2, "bar")
    relief = found["Relief", "relief_setting_psig"]
    low = BY_NAME["relief_setting_psig"].plausible[0]
    assert (relief.used, relief.not_used) == ((2, 0) if low <= 3 else (0, 2))
    place = found["Place", "boiler_level"]
    assert (place.used, place.not_used, place.reasons, place.examples) == (
        1,
        1,
        "not one of the words (1)",
        "Attic",
    )
    assert found["Owner", ""].reasons.startswith("looks personal") and found["Stamp", "carried"].used == 2


def test_ids_that_are_not_known_are_told_before_a_load(fleet, tmp_path):
    path = write(
        tmp_path / "a.csv", [row(1, stated_deficiencies="leak-seen"), row(2, stated_deficiencies="a leak")]
    )
    found = by_heading(Upload.into(fleet, path).trial(canonical()))[
        "stated_deficiencies", "stated_deficiencies"
    ]
    assert (found.used, found.not_used, found.reasons, found.examples) == (1, 1, "id not known (1)", "a leak")


def test_joined_columns_repeats_and_unmapped_ones(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "Job,No,House,Day,Note,Note\n7,1,H,2025-03-04,a,\n7,,H,2025-03-05,,b\n8,2,H,2025-03-05,x,y\n"
    )
    text = (
        '[join.inspection_id]\ncolumns = ["Job", "No"]\n[columns.House]\nfield = '
        '"home_id"\n[columns.Day]\nfield = "inspected_on"\n[columns.Note]\nfield = "notes"\n'
    )
    frame = tried(path, parse_mapping("draft", text))
    found = by_heading(frame)
    assert (frame[["used", "not_recorded", "not_used", "with_row"]].sum(axis=1) == 3).all()
    assert (found["No", "inspection_id"].used, found["No", "inspection_id"].not_used) == (2, 1)
    assert "a part of the joined id is missing (1)" in found["Job", "inspection_id"].reasons
    note = found["Note (2)", "notes"]
    assert note.used == 1 and "two columns of one heading differ (1)" in note.reasons


def test_an_empty_table_has_headings_and_no_counts(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(",".join(HEADINGS) + "\n")
    frame = tried(path, canonical())
    assert frame["heading"].tolist() == list(HEADINGS) and frame["used"].sum() == frame["not_used"].sum() == 0


def test_an_upload_can_be_tried(fleet):
    path = kept_uploads.keep_upload(fleet, "a.csv", text_of([row(1)]).encode())
    assert by_heading(tried(path, canonical()))["home_id", "home_id"].used == 1
    path = kept_uploads.keep_upload(fleet, "a.csv", b"PK\x03\x04")
    with pytest.raises(ExportError, match=r"a\.csv: this is a zip archive"):
        tried(path, canonical())


def test_a_mapping_is_saved_when_it_can_be_used(fleet):
    path = drafts.save_mapping(fleet, "spring-2026", REQUIRED)
    assert path == fleet.mappings / "spring-2026.toml" and path.read_text() == REQUIRED
    assert "spring-2026" in [mapping.name for mapping in exports.mappings_of(fleet)]
    drafts.save_mapping(fleet, "spring-2026", "agency = 'Alder County'\r\n" + REQUIRED)
    assert path.read_bytes().startswith(b"agency = 'Alder County'\n[columns")


@pytest.mark.parametrize(
    "name, text",
    [
        ("own", "[columns.Visit]\nfield = 'nothing'\n"),
        ("own", "not toml"),
        ("canonical", REQUIRED),
        ("../own", REQUIRED),
        ("", REQUIRED),
        (".own", REQUIRED),
        ("a b", REQUIRED),
        ("own\n", REQUIRED),
    ],
)
def test_a_mapping_that_cannot_be_used_leaves_what_was_there(fleet, name, text):
    drafts.save_mapping(fleet, "own", REQUIRED)
    with pytest.raises(MappingError):
        drafts.save_mapping(fleet, name, text)
    assert {path.name: path.read_text() for path in fleet.mappings.iterdir()} == {"own.toml": REQUIRED}


def test_a_mapping_that_cannot_be_written_leaves_what_was_there(fleet, monkeypatch):
    drafts.save_mapping(fleet, "own", REQUIRED)

    def full(path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(drafts, "sync", full)
    with pytest.raises(Exception, match="disk is full"):
        drafts.save_mapping(fleet, "own", "agency = 'B'\n" + REQUIRED)
    assert {path.name: path.read_text() for path in fleet.mappings.iterdir()} == {"own.toml": REQUIRED}


# ---- what the page is made of

OWN = """Besuch Nr;Haus;Datum;Static Pressure bar;Exp tank;Telephone
1;H-1;13/03/2025;0,9;Bladder;555-010-0001
2;H-2;14/03/2025;1,25;Kessel;555-010-0002
3;H-2;15/03/2025;zwei;steel;555-010-0003
4;H-3;16/03/2025;;Kessel;
"""


@pytest.fixture
def own(tmp_path):
    path = tmp_path / "own export.csv"
    path.write_text(OWN)
    return path


def drafted(found, **chosen):
    """The mapping of a suggestion, with some headings' fields chosen by hand."""
    use = {"Besuch Nr": "inspection_id", "Haus": "home_id", "Datum": "inspected_on"} | chosen
    return drafts.composed(
        "own",
        [
            Choice(one.heading, use.get(one.heading, one.field or ""), one.unit, one.words)
            for one in found.headings
        ],
        agency="Alder County",
        decimal=found.decimal,
        dates=found.dates,
    )


def test_a_look_says_how_a_file_is_read_and_that_no_mapping_knows_it(fleet, own):
    found = Upload.into(with_sample_settings(fleet), own)
    dialect = found.export.encoding, found.export.delimiter, found.export.heading_line
    assert (*dialect, found.mapping, found.fitting) == (
        "utf-8",
        ";",
        1,
        None,
        (),
    )
    assert (
        found.headings == tuple(OWN.split("\n")[0].split(";"))
        and found.nearest == "hollin-peaks"
        and "Exp tank" not in found.unknown
        and "Haus" in found.unknown
        and found.nearest in {name for name, _, _ in found.shares}
    )
    assert found.rows["Static Pressure bar"].tolist() == ["0,9", "1,25", "zwei", ""]
    assert found.personal == (("Telephone", "the heading speaks of a telephone number"),)
    shares = [here / of for _, here, of in found.shares]
    assert shares == sorted(shares, reverse=True) and ("canonical", 0, 6) in found.shares


def test_a_look_shows_a_dozen_rows_and_who_is_recognized(fleet, tmp_path):
    found = Upload.into(fleet, write(tmp_path / "a.csv", [row(number) for number in range(40)]))
    assert (
        len(found.rows) == ROWS_SHOWN == 12
        and found.mapping == "canonical"
        and found.fitting == ("canonical",)
    )


def test_two_mappings_that_fit_are_both_named_and_none_is_chosen(fleet, tmp_path):
    for name in ("one", "two"):
        drafts.save_mapping(fleet, name, REQUIRED)
    (tmp_path / "a.csv").write_text("Visit,House,Day\n1,H,2025-03-04\n")
    found = Upload.into(fleet, tmp_path / "a.csv")
    assert found.mapping is None and set(found.fitting) == {"one", "two"}


def test_suggestions_say_why_and_what_the_cells_speak_for(fleet, own):
    found = Upload.into(fleet, own).suggested
    by_heading = {one.heading: one for one in found.headings}
    assert (found.decimal, found.dates) == (",", "dmy")
    cold = by_heading["Static Pressure bar"]
    assert (cold.field, cold.unit, cold.examples) == (
        "cold_pressure_psig",
        "bar",
        ("0,9", "1,25", "zwei"),
    ) and "unit bar in the heading" in cold.why
    assert dict(by_heading["Exp tank"].words) == {"Bladder": "diaphragm", "steel": "plain_steel"}
    assert by_heading["Haus"].field is None and by_heading["Haus"].why


@pytest.mark.parametrize(
    "cells, decimal",
    [(("12", "13"), "."), (("1,125", "1,250"), None), (("12,5", "13"), ","), (("12.5", "13"), ".")],
)
def test_a_decimal_mark_is_left_open_where_cells_could_be_read_both_ways(fleet, tmp_path, cells, decimal):
    path = tmp_path / "a.csv"
    path.write_text("Visit;Cold\n" + "".join(f"{place};{cell}\n" for place, cell in enumerate(cells)))
    assert Upload.into(fleet, path).suggested.decimal == decimal


def test_a_repeated_heading_is_read_with_the_one_it_repeats(fleet, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Visit,Notes,Notes\n1,a,\n2,,b\n")
    first, second = Upload.into(fleet, path).suggested.headings[1:]
    assert first.field == "notes" and second.field is None and "repeats" in second.why[0]


def test_choices_become_a_mapping_that_reads_back(own, fleet):
    mapping = drafted(Upload.into(fleet, own).suggested, Telephone=IGNORE)
    assert drafts.shortcomings(mapping) == ((), {})
    assert parse_mapping("own", mapping.text) == mapping
    assert mapping.ignore == ("Telephone",) and mapping.agency == "Alder County"


def test_headings_of_one_text_are_joined_and_others_are_a_fault():
    choices = [
        Choice("Job", "inspection_id"),
        Choice("No", "inspection_id"),
        Choice("Cold", "cold_pressure_psig", "psi"),
        Choice("Cold 2", "cold_pressure_psig", "bar"),
        Choice("Tract", CARRY),
    ]
    mapping = drafts.composed("x", choices)
    assert mapping.feeds("inspection_id") == ("Job", "No") and mapping.carry == ("Tract",)
    assert drafts.shortcomings(mapping) == (
        ("home_id", "inspected_on"),
        {"cold_pressure_psig": ("Cold", "Cold 2")},
    )
    assert [column.unit for column in mapping.columns] == [
        None,
        "bar",
    ]  # the field's own unit need not be said


def test_cells_are_judged_before_every_required_field_has_its_column(fleet, own):
    own_upload = Upload.into(fleet, own)
    found = own_upload.suggested
    whole = by_heading(own_upload.trial(drafted(found)))["Static Pressure bar", "cold_pressure_psig"]
    part = by_heading(own_upload.trial(drafted(found, **{"Besuch Nr": "", "Haus": "", "Datum": ""})))[
        "Static Pressure bar", "cold_pressure_psig"
    ]
    assert (part.used, part.not_recorded, part.not_used, part.examples) == (2, 1, 1, "zwei") and part == whole
    assert len(REQUIRED_FIELDS) == 3


def test_words_not_understood_come_first_with_how_often(fleet, own):
    mapping = drafted(Upload.into(fleet, own).suggested)
    found = Upload.into(fleet, own).words(mapping)
    assert found.drop(columns="heading").values.tolist() == [
        ["tank_type", "Kessel", 2, "", False],
        ["tank_type", "Bladder", 1, "diaphragm", True],
        ["tank_type", "steel", 1, "plain_steel", True],
    ]


def test_words_of_lists_are_ids_and_what_is_not_recorded_is_no_word(fleet, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text(
        "Visit,House,Day,Found,Place\n1,H,2025-03-04,leak-seen;odd "
        "thing,cellar\n2,H,2025-03-05,none,keine Angabe\n3,H,2025-03-06,Odd  Thing,n/a\n"
    )
    mapping = drafts.composed(
        "x",
        [
            Choice("Found", "stated_deficiencies", words=(("odd thing", "vent-cap-tight"),)),
            Choice("Place", "boiler_level", words=(("cellar", "basement"),)),
        ],
        not_recorded=("keine Angabe",),
    )
    assert Upload.into(fleet, path).words(mapping).values.tolist() == [
        ["Found", "stated_deficiencies", "odd thing", 2, "vent-cap-tight", True],
        ["Found", "stated_deficiencies", "leak-seen", 1, "leak-seen", False],
        ["Found", "stated_deficiencies", "none", 1, "none", False],
        ["Place", "boiler_level", "cellar", 1, "basement", True],
    ]
    assert (
        "vent-cap-tight" in drafts.words_of(fleet, "stated_deficiencies")
        and drafts.words_of(fleet, "boiler_level") == BY_NAME["boiler_level"].words
        and drafts.words_of(fleet, "notes") == ()
    )


def test_a_field_chosen_by_hand_comes_with_its_unit_and_words(fleet, own):
    assert Upload.into(fleet, own).suited("Static Pressure bar", "hot_pressure_psig") == ("bar", ())
    assert dict(Upload.into(fleet, own).suited("Exp tank", "tank_type")[1]) == {
        "Bladder": "diaphragm",
        "steel": "plain_steel",
    }
    assert (
        drafts.units_of("cold_pressure_psig")[0] == "psi"
        and "bar" in drafts.units_of("cold_pressure_psig")
        and drafts.units_of("notes") == ()
    )
    assert drafts.unit_named("psig") == "psi"


def test_agencies_are_read_to_the_end_of_the_file(tmp_path):
    path = write(
        tmp_path / "a.csv",
        [*(row(number) for number in range(20)), row(20, agency="Birch County"), row(21, agency="")],
    )
    assert loading.agencies_named(path, canonical()) == {"Alder County", "Birch County", ""}
    assert loading.agencies_named(path, canonical(), "Cedar County") == {
        "Alder County",
        "Birch County",
        "Cedar County",
    }


def test_a_name_for_a_new_mapping_is_not_taken(fleet, tmp_path):
    path = tmp_path / "Spring Visits (2026).csv"
    assert drafts.name_for(exports.mappings_of(fleet), path) == "spring-visits-2026"
    drafts.save_mapping(fleet, "Spring-Visits-2026", REQUIRED)
    assert drafts.name_for(exports.mappings_of(fleet), path) == "spring-visits-2026-2" and NAME.fullmatch(
        drafts.name_for(exports.mappings_of(fleet), tmp_path / "ÄÖ.csv")
    )


def test_rows_looked_at_are_all_or_the_first(tmp_path, monkeypatch):
    path = write(tmp_path / "a.csv", [row(number) for number in range(7)])
    found = Upload(path, (canonical(),))
    assert (found.rows_looked_at, found.whole) == (7, True)
    monkeypatch.setattr(upload, "ROWS", 5)
    found = Upload(path, (canonical(),))
    assert (found.rows_looked_at, found.whole) == (5, False)
