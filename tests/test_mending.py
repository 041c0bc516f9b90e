"""What was not loaded goes back to the agency in its own columns, and comes in mended."""

import csv
import io

import pytest

from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving.mending import mending
from pipelines.snapshot.exports import MENDED
from tests.small_exports import HEADINGS, counts, fed, row, write


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def cells(made):
    return list(csv.reader(io.StringIO(made.as_csv().decode("utf-8-sig")), delimiter=made.delimiter))


def mended(path, rows, delimiter=","):
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter).writerows(rows)
    path.write_text(out.getvalue(), encoding="utf-8")
    return path


def test_rows_not_loaded_come_in_their_own_columns_with_line_and_reason(fleet, tmp_path):
    rows = [
        row(1),
        row(2, cold="twelve"),
        row(3, day="soon", notes="two\nlines"),
        "4,H-4",
        row(5, cold="400", kind="look"),
        row(6),
        row(6, cold="9"),
    ]
    _, snapshot = fed(fleet, write(tmp_path / "march list.csv", rows, delimiter=";"))
    made = mending(fleet, snapshot, 1)
    assert made.file_name == "to-mend-1-march_list.csv" and made.delimiter == ";"
    head, *body = cells(made)
    assert head == [*HEADINGS, *MENDED]
    assert [line[-2] for line in body] == ["3", "4", "6", "7", "8", "9"]  # the record of line 4 has two lines
    assert body[0][:-2] == list(row(2, cold="twelve").values())
    assert "cold_pressure_psig: not a number (accepted: a number" in body[0][-1]
    assert body[1][7] == "two\nlines" and "inspected_on: not a date" in body[1][-1]
    assert body[2][:-2] == ["4,H-4"] + [""] * 7 and "too few cells" in body[2][-1]
    assert (
        "cold_pressure_psig: outside the plausible range" in body[3][-1]
        and "inspection_kind: not one of the words" in body[3][-1]
    )
    assert all("two things about one inspection" in line[-1] for line in body[4:])


def test_mended_rows_come_into_force_and_nothing_is_lost(fleet, tmp_path):
    rows = [row(1), row(2, cold="twelve"), row(3, day="soon"), "4,H-4", row(5, cold="13")]
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", rows))
    head, *body = cells(mending(fleet, snapshot, 1))
    body[0][6], body[1][3] = "12", "2025-03-05"
    body[2][:-2] = row(4).values()
    (arrival,), snapshot = fed(fleet, mended(tmp_path / "mended.csv", [head, *body]))
    assert arrival.mapping == "canonical" and arrival.dropped == ()
    assert snapshot.rows("SELECT inspection_id, cold_pressure_psig, export_id FROM readings ORDER BY 1") == [
        ("1", 12.0, 1),
        ("2", 12.0, 2),
        ("3", 12.0, 2),
        ("4", 12.0, 2),
        ("5", 13.0, 1),
    ]
    assert counts(snapshot) == {1: (5, 2, 2, 0, 1), 2: (3, 3, 0, 0, 0)}
    assert snapshot.rows("SELECT count(*) FROM not_loaded WHERE export_id = 2") == [(0,)]
    assert mending(fleet, snapshot, 2).rows.num_rows == 0


def test_rows_sent_back_as_they_were_are_no_better_and_do_no_harm(fleet, tmp_path):
    _, first = fed(
        fleet, write(tmp_path / "a.csv", [row(1), row(2, cold="twelve"), row(3, day="soon"), "4,H-4"])
    )
    back = tmp_path / "back.csv"
    back.write_bytes(mending(fleet, first, 1).as_csv())
    _, second = fed(fleet, back)
    assert counts(second) == {1: (4, 2, 2, 0, 0), 2: (3, 0, 2, 1, 0)}
    assert second.rows("SELECT * FROM readings ORDER BY ALL") == first.rows(
        "SELECT * FROM readings ORDER BY ALL"
    )


def test_own_headings_words_and_marks_survive_the_way_there_and_back(fleet, tmp_path):
    (fleet.mappings / "own.toml").write_text(
        'agency = "Alder County"\ndelimiter = ";"\ndecimal = ","\nencoding = "windows-1252"\n'
        + "".join(
            f'[columns."{heading}"]\nfield = "{field}"\n'
            for heading, field in {
                "N° visite": "inspection_id",
                "Foyer": "home_id",
                "Date": "inspected_on",
                "% glycol": "antifreeze_percent",
                "Notes": "notes",
                "Froid": "cold_pressure_psig",
            }.items()
        )
    )
    path = tmp_path / "a.csv"
    path.write_bytes(
        (
            "Relevé\nN° visite;Foyer;Date;% "
            "glycol;Notes;Froid;=Spare\n1;H-1;2025-03-04;20,5;=1+1;x;\n2;-H;someday;20,5;'=2;11,5;\n"
        ).encode("cp1252")
    )
    _, snapshot = fed(fleet, path)
    made = mending(fleet, snapshot, 1)
    head, *body = cells(made)
    assert head[:4] == ["N° visite", "Foyer", "Date", "% glycol"] and head[6] == "'=Spare"
    assert [line[4] for line in body] == ["'=1+1", "''=2"] and body[1][1] == "'-H"
    body[0][5], body[1][2] = "11,5", "2025-03-05"
    (arrival,), snapshot = fed(fleet, mended(tmp_path / "back.csv", [head, *body], delimiter=";"))
    assert arrival.mapping == "own"
    assert snapshot.rows(
        "SELECT inspection_id, home_id, notes, antifreeze_percent, cold_pressure_psig, export_id FROM "
        "readings ORDER BY 1"
    ) == [("1", "H-1", "=1+1", 20.5, 11.5, 2), ("2", "-H", "'=2", 20.5, 11.5, 2)]


def test_columns_dropped_at_the_door_are_not_asked_back_for(fleet, tmp_path):
    rows = [
        row(1) | {"Phone": "555-010-0199"},
        row(2, cold="twelve") | {"Phone": "555-010-0198"},
        "4,H-4,555-010-0197",
    ]
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", rows))
    made = mending(fleet, snapshot, 1)
    assert b"555-010" not in made.as_csv()
    head, cold, damaged = cells(made)
    assert "Phone" not in head and cold[-2] == "3"
    assert damaged[:-2] == [""] * len(HEADINGS) and damaged[-1].startswith(
        "too few cells (accepted: nothing of this row was kept"
    )
    back = mended(tmp_path / "b.csv", [head, [*cold[:6], "12", *cold[7:]]])
    _, snapshot = fed(fleet, back)
    assert counts(snapshot) == {1: (3, 1, 1, 0, 1), 2: (1, 1, 0, 0, 0)}


def test_rows_that_name_another_agency_can_be_left_out(fleet, tmp_path):
    rows = [
        row(1, cold="twelve"),
        row(2, agency="Birch County", cold="twelve"),
        row(3, agency="alder  county", cold="thirteen"),
        row(4, agency="", cold="x"),
    ]
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", rows))
    assert [line[1] for line in cells(mending(fleet, snapshot, 1))[1:]] == ["1", "2", "3", "4"]
    assert [line[1] for line in cells(mending(fleet, snapshot, 1, ("Alder County",)))[1:]] == ["1", "3", "4"]


def test_only_loaded_exports_can_be_mended(fleet, tmp_path):
    (tmp_path / "b.csv").write_bytes(b"%PDF")
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", [row(1)]), tmp_path / "b.csv")
    for export_id in (2, 3):
        with pytest.raises(FleetError, match=f"holds no export {export_id}"):
            mending(fleet, snapshot, export_id)


def test_the_sample_exports_can_all_be_mended(sample_fleet, sample_snapshot):
    for export_id, lost in sample_snapshot.rows(
        "SELECT export_id, count(DISTINCT source_line) FROM not_loaded WHERE extent <> 'column' GROUP "
        "BY 1 ORDER BY 1"
    ):
        made = mending(sample_fleet, sample_snapshot, export_id)
        assert made.rows.num_rows == lost > 0
        assert all(made.rows.column(MENDED[1]).to_pylist())
    assert sample_fleet.current().name == sample_snapshot.name
