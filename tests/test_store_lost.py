"""Logs lost, shortened or changed, and exports that are gone: nothing is emptied, and all of it is named."""

import csv
import io
import shutil

import pytest

from pipelines.fleet import proof, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.snapshot import stages
from tests import families
from tests.small_exports import fed, row, run, write

PLACES = "agency,postal_code,region,elevation_ft,spread_ft\n"


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """A fleet of three agencies' exports, one snapshot for each that came."""
    folder = tmp_path_factory.mktemp("built")
    fleet = Fleet(folder / "fleet")
    for number, agency in enumerate(("Alder County", "Birch County", "Cedar County")):
        fed(fleet, write(folder / f"{agency[0].lower()}.csv", [row(number, agency=agency)]))
    return fleet


@pytest.fixture
def fleet(built, tmp_path):
    shutil.copytree(built.path, tmp_path / "fleet")
    return Fleet(tmp_path / "fleet")


def agencies(fleet):
    found = snapshots.attach(fleet.current()).rows("SELECT DISTINCT agency FROM readings ORDER BY 1")
    return [agency for (agency,) in found]


def lines_of(path):
    return path.read_bytes().splitlines(keepends=True)


def changed(path, line, old, new):
    """The file with one line of it changed in place."""
    lines = lines_of(path)
    assert old in lines[line]
    lines[line] = lines[line].replace(old, new)
    path.chmod(0o644)
    path.write_bytes(b"".join(lines))


def export_of(fleet, name):
    return next(path for path in fleet.exports.iterdir() if path.name.endswith(f"-{name}"))


def refused(fleet, *said):
    """Everything that reads the log refuses and says so, and nothing is published or written."""
    before = {path: path.read_bytes() for path in fleet.path.rglob("*") if path.is_file()}
    other = write(fleet.path.parent / "other.csv", [row(9, agency="Dogwood County")])
    for words in (("status",), ("verify",), ("rebuild",), ("load", other)):
        done = run(fleet, *words)
        assert done.exit_code == 1, words
        for text in said:
            assert text in done.stderr, words
    with pytest.raises(FleetError):
        fleet.append([fleet.received()[0]])
    assert {path: path.read_bytes() for path in before} == before
    assert agencies(fleet) == ["Alder County", "Birch County", "Cedar County"]


@pytest.mark.parametrize("lines_left", families.first(2, [0, 3, 1, 2]))
def test_a_lost_or_shortened_log_is_refused_and_says_what_to_restore(fleet, lines_left):
    path = fleet.path / "received.csv"
    whole = lines_of(path)
    path.write_bytes(b"".join(whole[:lines_left])) if lines_left else path.unlink()
    refused(fleet, "received.csv has", "put received.csv back from a backup", "made from 3")
    path.write_bytes(b"".join(whole))
    assert run(fleet, "verify").exit_code == 0


@pytest.mark.parametrize("line", [1, 2, 3])
@pytest.mark.parametrize("old, new", [(b"loaded,,", b"loaded,because,"), (b"Z,", b"Y,")])
def test_a_changed_line_is_found_the_last_one_too(fleet, line, old, new):
    changed(fleet.path / "received.csv", line, old, new)
    refused(fleet, f"received.csv, line {line + 1}, is", "put")


@pytest.mark.slow
def test_a_log_of_another_fleet_is_refused(fleet, built, tmp_path):
    other = Fleet(tmp_path / "other")
    for number in range(4):
        fed(other, write(tmp_path / f"o{number}.csv", [row(number)]))
    shutil.copyfile(other.path / "received.csv", fleet.path / "received.csv")
    refused(fleet, "is not the one")


def test_states_that_say_nothing_of_a_snapshot_stop_the_next_one(fleet):
    (fleet.path / "states.csv").unlink()
    (fleet.path / "received.csv").unlink()
    before = fleet.snapshots()
    other = write(fleet.path.parent / "other.csv", [row(9, agency="Dogwood County")])
    for words in (("rebuild",), ("load", other)):
        done = run(fleet, *words)
        assert done.exit_code == 1 and "states.csv says nothing of" in done.stderr and "backup" in done.stderr
    assert run(fleet, "verify").exit_code == 1 and fleet.snapshots() == before
    assert not (fleet.path / "received.csv").exists()


def test_a_changed_line_of_states_is_found(fleet):
    changed(fleet.path / "states.csv", 1, b",1,", b",0,")
    done = run(fleet, "verify")
    assert done.exit_code == 1 and "states.csv, line 2, is damaged" in done.stderr


def test_an_export_without_a_line_is_named_and_no_fault(fleet, tmp_path):
    sha256, path = fleet.keep(write(tmp_path / "died.csv", [row(7)]), "died.csv")
    assert fleet.status()["exports_without_line"] == [path.name]
    for word in ("status", "verify"):
        done = run(fleet, word)
        assert done.exit_code == 0 and path.name in done.stdout
    assert run(fleet, "load", tmp_path / "died.csv").exit_code == 0
    assert fleet.status()["exports_without_line"] == []


@pytest.mark.slow
def test_an_export_that_is_gone_is_left_out_only_when_asked(fleet, tmp_path):
    gone = export_of(fleet, "b.csv")
    kept = gone.read_bytes()
    gone.chmod(0o644)
    gone.unlink()
    status = run(fleet, "status")
    assert status.exit_code == 0 and "b.csv" in status.stdout
    assert fleet.status()["lines_without_export"] == ["b.csv"]
    done = run(fleet, "verify")
    assert done.exit_code == 1 and f"--without {gone.name[:12]}" in done.stderr
    (fleet.path / "places.csv").write_text(PLACES)
    done = run(fleet, "rebuild")
    assert done.exit_code == 1 and f"--without {gone.name[:12]}" in done.stderr
    assert agencies(fleet) == ["Alder County", "Birch County", "Cedar County"]
    assert run(fleet, "rebuild", "--without", gone.name[:12], "--by", "Robin").exit_code == 0
    assert agencies(fleet) == ["Alder County", "Cedar County"]
    line = fleet.log()[-1]
    assert (line.file_name, line.status, line.by_whom) == ("b.csv", "lost", "Robin") and line.why
    assert run(fleet, "verify").exit_code == 0 and fleet.status()["lines_without_export"] == []
    (tmp_path / "found again.csv").write_bytes(kept)
    assert run(fleet, "load", tmp_path / "found again.csv").exit_code == 0
    assert agencies(fleet) == ["Alder County", "Birch County", "Cedar County"]
    assert run(fleet, "verify").exit_code == 0


def test_an_export_that_was_changed_is_left_out_and_comes_back_whole(fleet, tmp_path):
    path = export_of(fleet, "b.csv")
    (tmp_path / "b.csv").write_bytes(path.read_bytes())
    changed(path, 1, b"12", b"13")
    assert run(fleet, "rebuild", "--without", path.name[:12]).exit_code == 0
    assert agencies(fleet) == ["Alder County", "Cedar County"]
    assert run(fleet, "load", tmp_path / "b.csv").exit_code == 0
    assert run(fleet, "verify").exit_code == 0 and len(agencies(fleet)) == 3


def test_an_export_that_is_there_is_not_given_up(fleet):
    path = export_of(fleet, "b.csv")
    done = run(fleet, "rebuild", "--without", path.name[:12])
    assert done.exit_code == 1 and "is there, whole" in done.stderr and "purge" in done.stderr
    assert len(fleet.log()) == 3


def test_verify_goes_on_after_the_first_fault(fleet):
    first, second = export_of(fleet, "a.csv"), export_of(fleet, "b.csv")
    changed(first, 1, b"12", b"13")
    second.chmod(0o644)
    second.unlink()
    kept = next(path for path in fleet.inputs.iterdir() if path.stat().st_size > 100)
    kept.chmod(0o644)
    kept.write_bytes(kept.read_bytes() + b" ")
    changed(fleet.path / "states.csv", 1, b",1,", b",0,")
    done = run(fleet, "verify")
    assert done.exit_code == 1
    for text in ("states.csv, line 2", first.name, kept.name):
        assert text in done.stderr
    assert len(proof.faults(fleet)) >= 3


def test_an_input_that_is_gone_is_named(fleet):
    sha256 = fleet.states()[-1].inputs["policy"]
    (fleet.inputs / sha256).chmod(0o644)
    (fleet.inputs / sha256).unlink()
    done = run(fleet, "verify")
    assert done.exit_code == 1 and sha256 in done.stderr and "backup" in done.stderr


def without_last(path, count):
    """The log as it was written before lines were chained: without its last so many columns."""
    rows = list(csv.reader(io.StringIO(path.read_text())))
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(row[:-count] for row in rows)
    path.write_text(text.getvalue())


@pytest.mark.slow
def test_logs_from_before_lines_were_chained_are_read_and_go_on_chained(fleet, tmp_path):
    before = fleet.log()
    without_last(fleet.path / "received.csv", 1)
    without_last(fleet.path / "states.csv", 4)
    assert [one.sha256 for one in fleet.log()] == [one.sha256 for one in before]
    assert [state.log_length for state in fleet.states()] == [1, 2, 3]
    assert run(fleet, "verify").exit_code == 0
    (fleet.path / "places.csv").write_text(PLACES)
    stages.build(fleet)
    fed(fleet, write(tmp_path / "d.csv", [row(5, agency="Dogwood County")]))
    assert fleet.log()[:3] == before and all(one.line_before for one in fleet.log())
    assert len(fleet.states()) == 5 and run(fleet, "verify").exit_code == 0
    changed(fleet.path / "received.csv", 2, b"loaded", b"purged")
    with pytest.raises(FleetError, match="line 3, is damaged"):
        fleet.log()
