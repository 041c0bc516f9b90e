"""A snapshot is built from inputs read once; one changed by hand is not believed, copied or kept."""

import json
import shutil
from contextlib import contextmanager
from pathlib import Path

import duckdb
import pytest

from pipelines.fleet import equality, proof, publishing, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving import door
from pipelines.snapshot import inputs, stages, version
from pipelines.snapshot.progress import Progress
from tests import families
from tests.small_exports import fed, row, run, write

PLACES = "agency,postal_code,region,elevation_ft,spread_ft\n,80424,,{},100\n"
POLICY = "[limits.cold_margin_psi]\nvalue = {}\n"


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A fleet of two exports, with places and a policy of its own."""
    folder = tmp_path_factory.mktemp("built")
    fleet = Fleet(folder / "fleet").create()
    fleet.places.write_text(PLACES.format(9_000))
    fleet.policy.write_text(POLICY.format(4))
    for number in range(2):
        export = write(folder / f"{number}.csv", [row(number, postal_code="80424", top_height_ft="20")])
        fed(fleet, export)
    return fleet


@pytest.fixture
def fleet(built, tmp_path):
    shutil.copytree(built.path, tmp_path / "fleet")
    return Fleet(tmp_path / "fleet")


def doctor(path, sql="UPDATE received_rows SET home_id = 'H-9' WHERE home_id = 'H-0'"):
    """Change a snapshot in place, as somebody with the right tool may."""
    copy = Path(shutil.copyfile(path, path.parent.parent / "copy.duckdb"))
    with duckdb.connect(copy) as connection:
        connection.execute(sql)
    copy.replace(path)


def newer(fleet):
    fleet.places.write_text(PLACES.format(500))
    fleet.policy.write_text(POLICY.format(9))


def made_of(folder, fleet, texts):
    """The snapshot that these inputs come to, in a fleet of its own."""
    shutil.copytree(fleet.path, folder, ignore=shutil.ignore_patterns("snapshots", "states.csv"))
    other = Fleet(folder).create()
    other.places.write_bytes(texts["places"])
    other.policy.write_bytes(texts["policy.toml"])
    return stages.build(other)


def agree(fleet, folder):
    """The current snapshot is what the inputs come to whose hashes its line has."""
    current = fleet.current()
    hashes = fleet.state_of(current).inputs
    texts = {name: fleet.input_bytes(hashes[name]) for name in ("places", "policy.toml")}
    assert equality.equal(current, made_of(folder, fleet, texts)) == []
    return texts


# Inputs are read once


def test_inputs_that_change_before_the_lock_is_held_are_those_of_the_build(fleet, tmp_path, monkeypatch):
    building = publishing.building

    @contextmanager
    def slow(*given, **more):
        with building(*given, **more) as one:
            newer(fleet)
            yield one

    monkeypatch.setattr(publishing, "building", slow)
    stages.rebuild(fleet)
    monkeypatch.undo()
    assert agree(fleet, tmp_path / "other")["policy.toml"].decode() == POLICY.format(9)


@pytest.mark.parametrize("stage", families.first(1, ["settle", "read_all", "compare"]))
def test_inputs_that_change_while_a_build_runs_wait_for_the_next(fleet, tmp_path, monkeypatch, stage):
    room = next(one for one in (stages.exports, stages.precedence, stages) if hasattr(one, stage))
    real = getattr(room, stage)
    (fleet.mappings / "own.toml").write_text(MAPPING.format("cold_pressure_psig"))
    door.load(fleet, [write(tmp_path / "own.csv", ["v,h,2025-03-04,12"], headings=OWN)], agency="Birch")

    def slow(*given, **more):
        newer(fleet)
        (fleet.mappings / "own.toml").write_text(MAPPING.format("hot_pressure_psig"))
        return real(*given, **more)

    before = inputs.read(fleet).hashes
    monkeypatch.setattr(room, stage, slow)
    first = stages.build(fleet)
    monkeypatch.undo()
    assert fleet.state_of(first).inputs == before
    read = "SELECT cold_pressure_psig FROM readings WHERE inspection_id = 'v'"
    assert snapshots.attach(first).rows(read) == [(12.0,)]
    (fleet.mappings / "own.toml").write_text(MAPPING.format("cold_pressure_psig"))
    agree(fleet, tmp_path / "other")


OWN = ["Visit", "House", "Day", "Pressure"]
MAPPING = """
[columns.Visit]
field = "inspection_id"
[columns.House]
field = "home_id"
[columns.Day]
field = "inspected_on"
[columns.Pressure]
field = "{}"
"""


# What was changed by hand


def test_a_changed_snapshot_is_not_read(fleet):
    current = fleet.current()
    assert version.attach(current).rows("SELECT count(*) FROM homes") == [(2,)]
    doctor(current)
    with pytest.raises(FleetError, match="was changed after it was published: run coldfill rebuild, which"):
        version.attach(current)
    done = run(fleet, "flagged")
    assert done.exit_code == 1 and "coldfill rebuild" in done.stderr and not done.stdout


@pytest.mark.slow
def test_an_older_one_names_its_number(fleet):
    old, _ = fleet.snapshots()
    doctor(old)
    with pytest.raises(FleetError, match="run coldfill rebuild --state 1, which makes it anew"):
        version.attach(old)
    assert "00000001" in run(fleet, "verify").stderr
    assert run(fleet, "rebuild", "--state", 1).exit_code == 0
    assert version.attach(old).rows("SELECT count(*) FROM homes") == [(1,)]
    assert "found right" in run(fleet, "rebuild", "--state", 1).stdout and proof.faults(fleet) == []


@pytest.mark.slow
@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE received_rows SET home_id = 'H-9' WHERE home_id = 'H-0'",
        "DELETE FROM homes",
        "DROP TABLE homes",
        "CREATE OR REPLACE VIEW results AS SELECT 1 AS a",
        "UPDATE runs SET seconds = 0",
    ],
)
def test_rebuild_puts_a_right_one_in_the_place_of_a_changed_one(fleet, sql):
    wrong = fleet.current()
    fleet.pin(wrong, "for the board")
    kept = shutil.copyfile(wrong, fleet.path / "as-it-was.duckdb")
    doctor(wrong, sql)
    said = json.loads(run(fleet, "rebuild", "--json").stdout)
    new = fleet.current()
    assert (said["snapshot"], said["removed"], said["found_right"]) == (new.name, wrong.name, False)
    assert said["wrong"] and wrong.name in said["notes"][0] and new.name in said["notes"][0]
    assert not wrong.exists() and new.name[:8] == "00000003" and new.stem[9:] == wrong.stem[9:]
    assert equality.equal(kept, new) == [] and fleet.snapshot("for the board") == new
    assert run(fleet, "verify").exit_code == 0


def test_rebuild_says_that_a_right_one_was_found_right(fleet, monkeypatch):
    current, fill, made = fleet.current(), stages.fill, []
    monkeypatch.setattr(stages, "fill", lambda *given: made.append(1) or fill(*given))
    done = run(fleet, "rebuild")
    assert f"{current.name} was found right: nothing was published" in done.stdout and made
    assert fleet.current() == current and len(fleet.states()) == 2
    said = json.loads(run(fleet, "rebuild", "--json").stdout)
    assert (said["snapshot"], said["found_right"], said["wrong"]) == (current.name, True, [])


@pytest.mark.parametrize("end", families.first(1, [3000, 0, 20_000]))
def test_rebuild_replaces_what_cannot_be_opened(fleet, end):
    wrong = fleet.current()
    wrong.chmod(0o644)
    wrong.write_bytes(wrong.read_bytes()[:end])
    assert run(fleet, "rebuild").exit_code == 0
    assert not wrong.exists() and version.attach(fleet.current()).rows("SELECT count(*) FROM homes") == [(2,)]


def test_rebuild_removes_a_write_ahead_log_and_what_it_stands_beside(fleet):
    wrong = fleet.current()
    beside = wrong.with_name(wrong.name + ".wal")
    beside.write_bytes(b"x")
    assert run(fleet, "rebuild").exit_code == 0
    assert not wrong.exists() and not beside.exists() and run(fleet, "verify").exit_code == 0


def test_a_load_never_builds_on_a_changed_snapshot(fleet, tmp_path):
    wrong, progress = fleet.current(), Progress()
    doctor(wrong)
    door.load(fleet, [write(tmp_path / "third.csv", [row(3)])])
    new = stages.build(fleet, progress)
    assert progress.notes == [f"{wrong.name} was changed after it was published: all was made anew"]
    assert version.attach(new).rows("SELECT count(*) FROM homes WHERE home_id = 'H-9'") == [(0,)]
    assert stages.rebuild(fleet).right


def test_a_load_sees_a_byte_that_no_header_tells_of(fleet, tmp_path):
    wrong = fleet.current()
    wrong.chmod(0o644)
    data = bytearray(wrong.read_bytes())
    data[len(data) // 2] ^= 1
    wrong.write_bytes(data)
    done = run(fleet, "load", write(tmp_path / "third.csv", [row(3)]))
    assert done.exit_code == 0 and "all was made anew" in done.stderr
    assert stages.rebuild(fleet).right and wrong.name in " ".join(proof.faults(fleet))


def test_a_load_that_brings_nothing_new_replaces_a_changed_snapshot(fleet, tmp_path):
    wrong, progress = fleet.current(), Progress()
    doctor(wrong)
    new = stages.build(fleet, progress)
    assert new != wrong and not wrong.exists() and wrong.name in progress.notes[0]


# What is newer than the snapshot


def ahead(fleet):
    """What status says is newer, as a document and as lines, which agree."""
    found = json.loads(run(fleet, "status", "--json").stdout)
    lines = run(fleet, "status").stdout
    for name in found["inputs_ahead"]:
        assert f"changed   {name}: newer than the snapshot" in lines and "coldfill rebuild" in lines
    assert bool(found["inputs_ahead"] or found["ahead"]) == bool(found["newer"])
    assert bool(found["newer"]) == ("Newer than the snapshot" in run(fleet, "flagged").stderr)
    return found["inputs_ahead"]


@pytest.mark.parametrize(
    ("name", "change"),
    [
        ("policy.toml", lambda path: path.write_text(POLICY.format(9))),
        ("policy.toml", lambda path: path.write_text("nonsense")),
        ("policy.toml", lambda path: path.unlink()),
        ("places.csv", lambda path: path.write_text(PLACES.format(500))),
        ("crews.csv", lambda path: path.write_text("agency,alias,crew,from,to\n")),
        ("mappings/own.toml", lambda path: path.write_text(MAPPING.format("cold_pressure_psig"))),
        ("mappings/own.toml", lambda path: path.write_bytes(b"\xff")),
    ],
)
def test_an_input_newer_than_the_snapshot_is_named_with_what_to_do(fleet, name, change):
    assert ahead(fleet) == []
    change(fleet.path / name)
    assert ahead(fleet) == [name]


def test_after_a_rebuild_nothing_is_ahead(fleet, tmp_path):
    newer(fleet)
    door.load(fleet, [write(tmp_path / "third.csv", [row(3)])])
    assert ahead(fleet) == ["places.csv", "policy.toml"]
    assert (
        "1 line of received.csv, places.csv, policy.toml; run coldfill rebuild"
        in inputs.ahead(fleet).sentence()
    )
    run(fleet, "rebuild")
    assert ahead(fleet) == [] and not inputs.ahead(fleet)


def test_while_a_load_runs_it_is_waited_for(fleet, tmp_path):
    door.load(fleet, [write(tmp_path / "third.csv", [row(3)])])
    with publishing.building(fleet):
        assert inputs.ahead(fleet).sentence().endswith("a load is running, wait for its end.")


def test_where_nobody_can_tell_what_is_newer_lists_say_so_and_go_on(fleet):
    fleet.received_log.path.unlink()
    done = run(fleet, "flagged")
    assert done.exit_code == 0 and "put received.csv back from a backup" in done.stderr


def test_a_mapping_is_not_named_to_those_who_may_not_know_of_its_agency(fleet):
    for name in ("birch", "cedar"):
        (fleet.mappings / f"{name}.toml").write_text(MAPPING.format("cold_pressure_psig"))
    found = inputs.ahead(fleet)
    assert found.inputs == ("mappings/birch.toml", "mappings/cedar.toml")
    assert found.without_names().inputs == ("a mapping",)
