"""Files on their way in: recognized or refused by name,
counted row by row, superseded, and never loaded by half.
"""

import errno
import hashlib
import json
import os
import re
import subprocess
import sys
import threading
import time
import zipfile
from pathlib import Path

import pytest

from pipelines.answers.printed import brought
from pipelines.fleet import folder, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import locked
from pipelines.intake.mapping import MappingError
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests import families
from tests.small_exports import HEADINGS, counts, fed, row, run, stored, text_of, write

ROOT = Path(__file__).parents[1]


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def own_mapping(fleet, name, headings, **more):
    """A mapping whose headings are our fields written otherwise, {heading: field}."""
    lines = [f"{key} = {json.dumps(value)}" for key, value in more.items()]
    lines += [
        f"[columns.{json.dumps(heading)}]\nfield = {json.dumps(field)}" for heading, field in headings.items()
    ]
    (fleet.mappings / f"{name}.toml").write_text("\n".join(lines) + "\n")


OWN = {
    "Visit": "inspection_id",
    "House": "home_id",
    "Day": "inspected_on",
    "Kind": "inspection_kind",
    "Heat": "heating_system",
    "Cold": "cold_pressure_psig",
}


def own_rows(path, *rows, headings=tuple(OWN)):
    path.write_text("\n".join([",".join(headings), *rows]) + "\n")
    return path


def in_force(snapshot):
    return snapshot.rows(
        "SELECT inspection_id, cold_pressure_psig, export_id, source_line FROM readings ORDER BY "
        "agency, inspection_id"
    )


# ---- recognized, or named and kept out


def test_files_that_cannot_be_used_are_named_and_the_others_go_on(fleet, tmp_path):
    folder = tmp_path / "inbox"
    folder.mkdir()
    write(folder / "good.csv", [row(1)])
    (folder / "picture.csv").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    with zipfile.ZipFile(folder / "archive.csv", "w") as archive:
        archive.writestr("a.txt", "a,b")
    with zipfile.ZipFile(folder / "book.csv", "w") as archive:
        archive.writestr("[Content_Types].xml", "")
        archive.writestr("xl/workbook.xml", "")
    (folder / "empty.csv").write_bytes(b"")
    (folder / "other.csv").write_text("Name of thing,Count,Shelf\nnail,3,a\nscrew,4,b\n")
    (folder / "notes.md").write_text("not looked at")
    done = run(fleet, "load", folder, "--json")
    assert done.exit_code == 0
    said = json.loads(done.output)
    assert [one["file_name"] for one in said["exports"]] == ["good.csv"]
    why = {one["file_name"]: one["why"] for one in said["kept_out"]}
    assert set(why) == {"picture.csv", "archive.csv", "book.csv", "empty.csv", "other.csv"}
    for name, part in {
        "picture.csv": "a PNG image",
        "archive.csv": "a zip archive",
        "book.csv": "spreadsheet workbook (.xlsx)",
        "empty.csv": "the file is empty",
        "other.csv": "no mapping fits",
    }.items():
        assert part in why[name] and why[name].startswith(name), why[name]
    assert "accepted: " in why["picture.csv"]
    statuses = dict(snapshots.attach(fleet.current()).rows("SELECT file_name, status FROM exports"))
    assert statuses == {name: "kept out" for name in why} | {"good.csv": "loaded"}
    assert len(stored(fleet)) == 1


def test_no_mapping_fits_names_the_nearest_and_the_headings_that_differ(fleet, tmp_path):
    own_mapping(fleet, "own", OWN)
    path = own_rows(tmp_path / "a.csv", "1,H,x", headings=("Visit", "House", "Somewhere"))
    (arrival,) = door.load(fleet, [path])
    assert arrival.status == "kept out"
    for part in ("a.csv, line 1", "nearest is 'own'", "'Day'", "'Somewhere'", "coldfill map a.csv"):
        assert part in arrival.why, arrival.why


def test_two_mappings_that_fit_are_not_decided_by_a_guess(fleet, tmp_path):
    own_mapping(fleet, "one", OWN)
    own_mapping(fleet, "two", OWN | {"Relief": "relief_setting_psig"})
    path = own_rows(tmp_path / "a.csv", "1,H,2025-03-04,initial,hot_water,12")
    (arrival,) = door.load(fleet, [path])
    assert arrival.status == "kept out" and "'one', 'two'" in arrival.why and "--mapping" in arrival.why
    (arrival,) = door.load(fleet, [path], mapping="two")
    assert (arrival.status, arrival.mapping) == ("loaded", "two")
    (arrival,) = door.load(
        fleet, [path]
    )  # what was decided about these bytes stands, though a call leaves it open
    assert (arrival.status, arrival.mapping) == ("already loaded", "two")
    assert [line.status for line in fleet.log()] == ["kept out", "loaded"]


def test_a_named_mapping_needs_the_required_columns(fleet, tmp_path):
    own_mapping(fleet, "own", OWN)
    (arrival,) = door.load(fleet, [write(tmp_path / "a.csv", [row(1)])], mapping="own")
    assert arrival.status == "kept out"
    for part in (
        "a.csv, line 1",
        "'own'",
        "inspection_id, home_id, inspected_on",
        "'Visit' for inspection_id",
    ):
        assert part in arrival.why


@pytest.mark.parametrize("encoding", ["windows-1252", "utf-8", "utf-8-sig"])
def test_a_mapping_s_encoding_does_not_garble_a_file_in_another_one(fleet, tmp_path, encoding):
    own_mapping(
        fleet,
        "own",
        {"N° visite": "inspection_id", "Foyer": "home_id", "Date": "inspected_on", "Équipe": "crew"},
        agency="Alder County",
        encoding="windows-1252",
    )
    path = tmp_path / "a.csv"
    path.write_bytes("N° visite,Foyer,Date,Équipe\n1,H,2025-03-04,Été\n".encode(encoding))
    (arrival,), snapshot = fed(fleet, path)
    assert arrival.mapping == "own" and snapshot.rows("SELECT crew FROM readings") == [("Été",)]
    assert any("windows-1252" in remark for remark in arrival.remarks) == (encoding != "windows-1252")


def test_a_mapping_there_is_not_and_one_that_is_broken(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(1)])
    with pytest.raises(MappingError, match="no such mapping; there are canonical"):
        door.load(fleet, [path], mapping="nope")
    done = run(fleet, "load", path, "--mapping", "nope")
    assert done.exit_code == 2 and "there is no mapping 'nope'; there are canonical" in done.output
    (fleet.mappings / "own.toml").write_text('[columns."Visit"]\nfield = "inspection"\n')
    done = run(fleet, "load", path)
    assert (
        done.exit_code == 1
        and 'own.toml: columns."Visit".field' in done.output
        and "nearest: " in done.output
    )
    assert fleet.log() == () and not stored(fleet)


def test_a_file_that_cannot_be_opened(fleet, tmp_path):
    arrivals = door.load(fleet, [tmp_path / "gone.csv", write(tmp_path / "a.csv", [row(1)])])
    assert [one.status for one in arrivals] == ["kept out", "loaded"]
    assert "gone.csv: cannot be opened" in arrivals[0].why


# ---- agencies


def test_a_file_without_agency_is_kept_out_once_the_fleet_holds_another(fleet, tmp_path):
    own_mapping(fleet, "own", OWN)
    first = own_rows(tmp_path / "first.csv", "1,H-1,2025-03-04,initial,hot_water,12")
    assert door.load(fleet, [first])[0].agency == ""
    fed(fleet, write(tmp_path / "b.csv", [row(1)]))
    second = own_rows(tmp_path / "second.csv", "2,H-1,2025-03-05,initial,hot_water,12")
    (arrival,) = door.load(fleet, [second])
    assert arrival.status == "kept out" and "second.csv" in arrival.why and "--agency NAME" in arrival.why
    assert door.load(fleet, [first])[0].status == "already loaded"
    (arrival,), snapshot = fed(fleet, second, agency="  Birch   River ")
    assert (arrival.status, arrival.agency) == ("loaded", "Birch River")
    assert snapshot.rows("SELECT agency, inspection_id FROM readings ORDER BY 1") == [
        ("", "1"),
        ("Alder County", "1"),
        ("Birch River", "2"),
    ]
    assert door.load(fleet, [second])[0].status == "already loaded"


def test_two_agencies_that_count_from_one_never_meet(fleet, tmp_path):
    one = write(tmp_path / "a.csv", [row(1, home="1", cold="11")])
    two = write(tmp_path / "b.csv", [row(1, agency="Birch River", home="1", cold="13")])
    _, snapshot = fed(fleet, one, two)
    assert snapshot.rows("SELECT agency, cold_pressure_psig FROM readings ORDER BY 1") == [
        ("Alder County", 11.0),
        ("Birch River", 13.0),
    ]
    assert snapshot.rows("SELECT count(*) FROM homes") == [(2,)]


def test_rows_without_agency_are_named(fleet, tmp_path):
    _, snapshot = fed(fleet, write(tmp_path / "a.csv", [row(1), row(2, agency="")]))
    assert counts(snapshot, 1) == (2, 1, 1, 0, 0)
    assert snapshot.rows("SELECT source_line, heading, extent FROM not_loaded") == [(3, "agency", "row")]


# ---- the same file, corrected files, remapped files


def test_the_same_file_twice_changes_nothing(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(1), row(2)])
    first = run(fleet, "load", path)
    log, snapshot = (fleet.path / "received.csv").read_bytes(), fleet.current()
    again = run(fleet, "load", path)
    assert (first.exit_code, again.exit_code) == (0, 0)
    assert "already loaded  a.csv" in again.output and "already loaded" not in first.output
    assert (fleet.path / "received.csv").read_bytes() == log and fleet.snapshots() == (snapshot,)


def test_a_corrected_export_supersedes_row_by_row_and_the_old_rows_are_still_seen(fleet, tmp_path):
    old = write(tmp_path / "old.csv", [row(1, cold="8"), row(2, cold="12"), row(3, cold="9")])
    new = write(tmp_path / "new.csv", [row(2, cold="12"), row(1, cold="15"), row(4, cold="10")])
    fed(fleet, old)
    _, snapshot = fed(fleet, new)
    assert in_force(snapshot) == [("1", 15.0, 2, 3), ("2", 12.0, 1, 3), ("3", 9.0, 1, 4), ("4", 10.0, 2, 4)]
    assert snapshot.rows(
        "SELECT inspection_id, cold_pressure_psig, export_id, source_line FROM superseded"
    ) == [("1", 8.0, 1, 2)]
    assert counts(snapshot) == {1: (3, 2, 0, 0, 1), 2: (3, 2, 0, 1, 0)}


def test_update_times_decide_whatever_the_order_of_files(fleet, tmp_path):
    newest = write(tmp_path / "a.csv", [row(1, cold="15", updated_at="2025-04-02")])
    late = write(tmp_path / "b.csv", [row(1, cold="8", updated_at="2025-04-01")])
    fed(fleet, newest)
    _, snapshot = fed(fleet, late)
    assert in_force(snapshot) == [("1", 15.0, 1, 2)] and counts(snapshot, 2) == (1, 0, 0, 0, 1)


def test_one_file_that_says_two_things_says_nothing_and_what_was_in_force_stays(fleet, tmp_path):
    fed(fleet, write(tmp_path / "a.csv", [row(1, cold="12")]))
    _, snapshot = fed(fleet, write(tmp_path / "b.csv", [row(1, cold="8"), row(1, cold="9"), row(2)]))
    assert in_force(snapshot) == [("1", 12.0, 1, 2), ("2", 12.0, 2, 4)]
    assert counts(snapshot, 2) == (3, 1, 2, 0, 0)
    assert {reason for (reason,) in snapshot.rows("SELECT reason FROM not_loaded")} == {
        "this file says two things about one inspection"
    }


def test_a_remapped_file_gets_a_new_line_and_its_last_line_stands_without_being_newer(fleet, tmp_path):
    own_mapping(fleet, "psi", OWN, agency="Alder County")
    (fleet.mappings / "bar.toml").write_text(
        (fleet.mappings / "psi.toml")
        .read_text()
        .replace('field = "cold_pressure_psig"', 'field = "cold_pressure_psig"\nunit = "bar"')
    )
    path = own_rows(
        tmp_path / "a.csv", "1,H-1,2025-03-04,initial,hot_water,1", "2,H-2,2025-03-04,initial,hot_water,1"
    )
    _, snapshot = fed(fleet, path, mapping="psi")
    assert [cold for _, cold, *_ in in_force(snapshot)] == [1.0, 1.0]
    fed(fleet, write(tmp_path / "b.csv", [row(1, home="H-1", cold="12")]))
    (arrival,), snapshot = fed(fleet, path, mapping="bar")
    assert arrival.status == "loaded"
    assert in_force(snapshot) == [
        ("1", 12.0, 2, 2),
        ("2", 14.5, 1, 3),
    ]  # 1 bar is 14.5 psi (14.5038, from memory)
    assert [(line.number, line.mapping) for line in fleet.log() if line.file_name == "a.csv"] == [
        (1, "psi"),
        (3, "bar"),
    ]
    assert [(one.export_id, one.mapping) for one in fleet.received()] == [(1, "bar"), (2, "canonical")]


def test_a_mapping_taken_away_leaves_what_was_loaded_with_it(fleet, tmp_path):
    own_mapping(fleet, "own", OWN, agency="Alder County")
    path = own_rows(tmp_path / "a.csv", "1,H-1,2025-03-04,initial,hot_water,12")
    fed(fleet, path)
    (fleet.mappings / "own.toml").unlink()
    (arrival,), snapshot = fed(fleet, path)
    assert arrival.status == "kept out" and "what was loaded of it before stays" in arrival.why
    assert in_force(snapshot) == [("1", 12.0, 1, 2)] and len(fleet.log()) == 1


def test_received_is_when_the_bytes_first_came(fleet, tmp_path, monkeypatch):
    path = write(tmp_path / "a.csv", [row(1)])
    times = iter(["2026-01-01T08:00:00Z", "2026-02-01T08:00:00Z"])
    monkeypatch.setattr(folder, "now_utc", lambda: next(times))
    door.load(fleet, [path])
    door.load(fleet, [path], agency="Birch River")
    (one,) = fleet.received()
    assert (one.when, one.received_at) == ("2026-02-01T08:00:00Z", "2026-01-01T08:00:00Z")
    monkeypatch.undo()
    assert snapshots.attach(stages.build(fleet)).rows("SELECT received_at FROM exports") == [
        ("2026-01-01T08:00:00Z",)
    ]


# ---- the command: what it says, and its exit status


def test_kept_out_alone_is_status_1_and_publishes_nothing(fleet, tmp_path):
    path = tmp_path / "a.csv"
    path.write_bytes(b"%PDF-1.7\n")
    done = run(fleet, "load", path)
    assert done.exit_code == 1 and "kept out  a.csv: this is a PDF document" in done.stderr
    assert fleet.snapshots() == ()


def test_wrong_calls_are_status_2(fleet, tmp_path):
    for words in (
        ["load"],
        ["load", tmp_path / "nothing there"],
        ["load", "--nonsense", tmp_path],
        ["purge", "123456"],
        ["map"],
    ):
        assert run(fleet, *words).exit_code == 2, words


def test_a_drafted_mapping_says_that_short_years_need_their_century(fleet, tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("Rec #,Bldg,When\n1,A,3/14/25\n")
    drafted = run(fleet, "map", path).output
    assert "# Years of two digits, as in '3/14/25', need two_digit_years_from" in drafted
    path.write_text("Rec #,Bldg,When\n1,A,3/14/2025\n")
    assert "two_digit_years_from" not in run(fleet, "map", path).output


def test_a_load_says_what_was_not_loaded_with_line_heading_text_and_what_is_accepted(fleet, tmp_path):
    path = write(
        tmp_path / "a.csv",
        [
            row(1, cold="twelve"),
            row(2, day=""),
            "Total,2",
            row(3) | {"Printed by": "x", "Phone": "555-010-0199"},
        ],
    )
    done = run(fleet, "load", path)
    assert done.exit_code == 0
    for part in (
        "rows: 4 read, 2 in force, 2 not loaded",
        "heading 'cold_pressure_psig': not a number (line 2: 'twelve'; accepted: a number",
        "heading 'inspected_on': required field not recorded (line 3",
        "totals line (line 4",
        "1 columns not mapped: Printed by",
        "dropped, not stored: 'Phone' (the heading speaks of a telephone number)",
    ):
        assert part in done.output, (part, done.output)
    said = json.loads(run(fleet, "load", path, "--json").output)
    assert (
        said["exports"][0]["dropped"][0]["heading"] == "Phone"
        and said["exports"][0]["rows_not_loaded"] == 2
        and said["kept_out"] == []
    )


@pytest.mark.parametrize(
    "spoiled",
    families.first(
        2,
        [row(2, cold="twelve"), "2,H-2", row(2, day=""), row(1, cold="8"), row(2) | {"Printed by": "office"}],
    ),
    ids=["cell", "damage", "row", "two things", "column"],
)
def test_strict_is_all_or_nothing(fleet, tmp_path, spoiled):
    good, bad = write(tmp_path / "a.csv", [row(7)]), write(tmp_path / "b.csv", [row(1), spoiled])
    done = run(fleet, "load", "--strict", good, bad)
    assert (
        done.exit_code == 1
        and "b.csv: not all of it can be loaded" in done.stderr
        and "a.csv: another file" in done.stderr
    )
    assert fleet.log() == () and fleet.snapshots() == () and not stored(fleet)
    assert run(fleet, "load", "--strict", good).exit_code == 0
    assert len(fleet.log()) == 1


def test_preview_shows_how_a_file_would_be_read_and_stores_nothing(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(1, cold="twelve"), row(2) | {"Client": "A. B."}])
    done = run(fleet, "load", "--preview", path)
    assert done.exit_code == 0
    for part in (
        "mapping 'canonical'",
        "2 of the first 2 rows could be used",
        "cold_pressure_psig: cold_pressure_psig, 1 used, 0 not recorded, 1 not used (not a number (1))",
        "Client: no field (looks personal",
    ):
        assert part in done.output, (part, done.output)
    assert fleet.log() == () and not stored(fleet)
    assert (
        json.loads(run(fleet, "load", "--preview", path, "--json").output)["files"][0]["not_loaded"][0][
            "raw_text"
        ]
        == "twelve"
    )


def test_a_drafted_mapping_can_be_loaded_with(fleet, tmp_path):
    path = tmp_path / "spring list.csv"
    path.write_text(
        "Visit number,House,Date of inspection,Visit type,Heating,Cold pressure (bar),Owner "
        "name\n1,H-1,2025-03-04,audit,hydronic,0.8,A. B.\n2,H-2,2025-03-05,post,hydronic,0.9,C. D.\n"
    )
    assert run(fleet, "load", path).exit_code == 1
    target = fleet.mappings / "spring.toml"
    assert run(fleet, "map", path, "--agency", "Alder County", "--out", target).exit_code == 0
    assert '"Owner name"' in target.read_text() and "looks personal" in target.read_text()
    done = run(fleet, "load", path)
    assert done.exit_code == 0, done.output
    snapshot = snapshots.attach(fleet.current())
    assert snapshot.rows(
        "SELECT inspection_id, inspection_kind, heating_system, cold_pressure_psig FROM readings ORDER BY 1"
    ) == [
        ("1", "initial", "hot_water", 11.6),
        ("2", "final", "hot_water", 13.1),
    ]  # 0.8 bar 11.60, 0.9 bar 13.05 psi
    assert snapshot.rows("SELECT dropped_headings FROM exports WHERE status = 'loaded'") == [("Owner name",)]


# ---- two at once, readers, a full disk, damage

LOAD = [sys.executable, "-m", "pipelines.cli", "load"]


@pytest.mark.slow
def test_two_loads_at_once_wait_for_each_other_and_lose_nothing(fleet, tmp_path):
    paths = [
        write(
            tmp_path / f"{letter}.csv",
            [row(number, cold=str(5 + place)) for number in range(place * 20, place * 20 + 30)],
        )
        for place, letter in enumerate("abcd")
    ]
    running = [
        subprocess.Popen(
            [*LOAD, *map(str, some), "--fleet", str(fleet.path)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        for some in (paths[:2], paths[2:], paths)
    ]
    said = [process.communicate(timeout=120) for process in running]
    assert [process.returncode for process in running] == [0, 0, 0], said
    assert sorted(line.file_name for line in fleet.log()) == ["a.csv", "b.csv", "c.csv", "d.csv"]
    assert fleet.status()["ahead"] == 0 and stages.verify(fleet) == []


def test_a_load_that_waits_says_so(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(1)])
    with locked(fleet.path / ".load.lock", 1):
        process = subprocess.Popen(
            [*LOAD, str(path), "--fleet", str(fleet.path)],
            cwd=ROOT,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        assert re.search("Another load is running in .*; waiting until it is done", process.stderr.readline())
        assert fleet.log() == ()
    process.communicate(timeout=60)
    assert process.returncode == 0 and len(fleet.log()) == 1


@pytest.mark.slow
def test_readers_see_whole_snapshots_while_files_are_loaded(fleet, tmp_path):
    fed(fleet, write(tmp_path / "0.csv", [row(number) for number in range(10)]))
    stop, wrong, seen = threading.Event(), [], set()

    def read():
        while not stop.is_set():
            try:
                snapshot = snapshots.attach(fleet.snapshot())
                rows, homes, kept = snapshot.rows(
                    "SELECT (SELECT count(*) FROM readings), (SELECT count(*) FROM homes), (SELECT "
                    "sum(rows_kept)::BIGINT FROM exports)"
                )[0]
                seen.add(rows)
                if rows != homes or rows != kept or rows % 10:
                    wrong.append((rows, homes, kept))
            except Exception as error:
                wrong.append(error)
            time.sleep(0.01)

    readers = [threading.Thread(target=read) for _ in range(3)]
    for reader in readers:
        reader.start()
    try:
        for part in (1, 2, 3, 4):
            fed(
                fleet,
                write(tmp_path / f"{part}.csv", [row(number) for number in range(part * 10, part * 10 + 10)]),
            )
            time.sleep(0.05)
    finally:
        stop.set()
        for reader in readers:
            reader.join()
    assert wrong == [] and len(seen) > 1


@pytest.mark.slow
@pytest.mark.parametrize("limit", [20_000, 200_000], ids=["no room for the copy", "no room for the snapshot"])
def test_a_full_disk_is_said_and_leaves_what_was_there(fleet, tmp_path, limit):
    fed(fleet, write(tmp_path / "a.csv", [row(1)]))
    before = {
        path: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in (*fleet.snapshots(), *fleet.exports.iterdir(), fleet.path / "states.csv")
    }
    big = write(tmp_path / "b.csv", [row(number, notes="x" * 60) for number in range(1000)])
    code = (
        f"import resource; resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, "
        "resource.RLIM_INFINITY))\nfrom pipelines.cli import main\nmain()"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "load", str(big), "--fleet", str(fleet.path)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 1 and os.strerror(errno.EFBIG) not in done.stdout
    assert "larger than the system allows" in done.stderr, done.stderr
    assert "Traceback" not in done.stderr
    assert {
        path: hashlib.sha256(path.read_bytes()).hexdigest() for path in before
    } == before and fleet.snapshots() == tuple(path for path in before if path.suffix == ".duckdb")
    assert not list(fleet.snapshots_folder.glob(".building-*")) and not list(
        fleet.exports.glob(".incoming-*")
    )
    assert run(fleet, "load", big).exit_code == 0
    assert stages.verify(fleet) == []


def test_a_damaged_snapshot_is_named_and_made_again(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(1), row(2)])
    _, snapshot = fed(fleet, path)
    target = snapshot.path
    data = target.read_bytes()
    target.chmod(0o644)
    target.write_bytes(data[: len(data) // 3])
    done = run(fleet, "load", path)
    assert done.exit_code == 1 and target.name in done.output and "rebuild" in done.output
    target.unlink()
    assert run(fleet, "rebuild").exit_code == 0 and run(fleet, "verify").exit_code == 0
    assert in_force(snapshots.attach(fleet.current())) == [("1", 12.0, 1, 2), ("2", 12.0, 1, 3)]


@pytest.mark.skipif(
    not os.path.isdir("/sys/kernel"), reason="needs a folder that nobody, root included, may write in"
)
def test_a_folder_that_nobody_may_write_in_is_said(tmp_path):
    done = run(Fleet("/sys/fleet"), "load", write(tmp_path / "a.csv", [row(1)]))
    assert done.exit_code == 1 and re.fullmatch(
        r"Cannot write in /sys/fleet.*: (?:permission denied|the disk is mounted read-only).*--fleet.*\n",
        done.stderr,
    ), done.stderr


def test_what_a_killed_load_left_is_cleared_by_the_next(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(1)])
    fed(fleet, path)
    left = fleet.exports / ".incoming-0123456789abcdef"
    left.write_text("half a copy")
    assert run(fleet, "load", path).exit_code == 0  # nothing new, and yet
    assert not left.exists() and len(stored(fleet)) == 1


def test_a_damaged_export_is_named(fleet, tmp_path):
    fed(fleet, write(tmp_path / "a.csv", [row(1)]))
    (kept,) = fleet.exports.iterdir()
    kept.chmod(0o644)
    kept.write_text(text_of([row(1, cold="13")]))
    done = run(fleet, "verify")
    assert done.exit_code == 1 and kept.name in done.output


def test_headings_in_another_order_case_or_with_blanks_are_the_same(fleet, tmp_path):
    headings = [f"  {name.upper()} " for name in reversed(HEADINGS)]
    path = tmp_path / "a.csv"
    path.write_text(",".join(headings) + "\n" + ",".join(reversed(list(row(1).values()))) + "\n")
    (arrival,), snapshot = fed(fleet, path)
    assert arrival.mapping == "canonical" and in_force(snapshot) == [("1", 12.0, 1, 2)]


# ---- what a load came to


def test_a_load_says_what_it_came_to(fleet, tmp_path):
    """New and changed inspections, what is newly open, corrected and to hold."""
    first = [row(1, home="H1", leaks_seen="dripping"), row(2, home="H2", relief_discharge_pipe="capped")]
    later = [
        row(1, home="H1", leaks_seen="dripping", notes="read again"),
        row(3, home="H1", day="2025-05-01", kind="final", leaks_seen="none"),
        row(4, home="H3", day="2025-05-02", kind="final", relief_present="no"),
    ]
    came = [
        json.loads(run(fleet, "load", write(tmp_path / f"{n}.csv", rows), "--json").output)["exports"][0]
        for n, rows in enumerate((first, later, later))
    ]
    counts = "rows_new", "rows_changed", "newly_open", "act_today", "corrected", "to_hold"
    assert [came[0][name] for name in counts] == [2, 0, 2, 1, 0, 0]
    assert [came[1][name] for name in counts] == [2, 1, 1, 1, 1, 2]
    assert brought(came[1]).startswith(
        "Inspections: 2 new, 1 changed. Of what they found: 1 newly open, 1 of it"
    )
    assert came[2]["status"] == "already loaded"
    again = run(fleet, "load", tmp_path / "1.csv").output
    assert "already loaded" in again and "newly open" not in again
    none = run(fleet, "load", write(tmp_path / "again.csv", [later[0], later[0]])).output
    assert "Nothing of it counts" in none
