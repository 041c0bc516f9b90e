"""Purging: nothing of a file stays in the fleet folder but its line in the log, whatever else is wrong."""

import errno
import hashlib
import os
import shlex
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest

from pipelines import cli
from pipelines.answers import formats, lists
from pipelines.answers.access import EVERYTHING, Filters
from pipelines.fleet import publishing, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving import kept_uploads, purge
from tests import families
from tests.conftest import SAMPLES
from tests.small_exports import fed, row, run, stored, write

CANARY = "7731 Quenchwort Lane"


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def with_address(number, address=CANARY, **more):
    return row(number, **more) | {"address": address, "relief_present": "no"}


def with_client(number, name="A. Bee"):
    return row(number) | {"Client name": name}


def sha256_of(path):
    return hashlib.sha256(path.read_bytes()).hexdigest()


def holding(fleet, text=CANARY):
    """Files under the fleet folder that hold a text: in their bytes, their members, or any column."""
    found = []
    for path in (path for path in fleet.path.rglob("*") if path.is_file()):
        data = [path.read_bytes()]
        if zipfile.is_zipfile(path):
            with zipfile.ZipFile(path) as archive:
                data += [archive.read(name) for name in archive.namelist()]
        if path.suffix == ".duckdb":
            data += cells_of(path)
        if any(text.encode() in one for one in data):
            found.append(path.relative_to(fleet.path).as_posix())
    return found


def cells_of(path):
    """Every text of every table of a DuckDB file."""
    with duckdb.connect(path, read_only=True) as connection:
        texts = connection.execute("""
            SELECT table_name, column_name
            FROM duckdb_columns()
            SEMI JOIN duckdb_tables() USING (table_name)
        """).fetchall()
        for table, column in texts:
            rows = connection.execute(f'SELECT DISTINCT "{column}"::VARCHAR FROM {table}').fetchall()
            yield "\n".join(text for (text,) in rows if text).encode()


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("full")
    a_full_fleet(Fleet(folder / "fleet").create(), folder)
    return folder


@pytest.fixture
def full(made, tmp_path):
    """A fleet full of what is to go, and the export that is to be purged from it."""
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    return Fleet(tmp_path / "fleet"), tmp_path / "a.csv"


def a_full_fleet(fleet, tmp_path):
    """Three exports, the second to be purged, and all that may hold its rows."""
    path = write(tmp_path / "a.csv", [with_address(1), with_address(2), "torn, " + CANARY])
    _, before = fed(fleet, write(tmp_path / "keep.csv", [with_address(5, "12 Elm Street")]))
    list_of(fleet, before, "before.csv")
    fed(fleet, path)
    fleet.pin(fleet.current(), "board meeting")
    _, now = fed(fleet, write(tmp_path / "later.csv", [with_address(9, "3 Ash Street")]))
    assert now.rows("SELECT count(*) FROM readings") == [(4,)]
    for name in ("a.csv", "a.xlsx", "a.pdf", "a.parquet", "a.json"):
        list_of(fleet, now, name)
    for room, name in (("moments", f"{now.name}.parquet"), ("samples", "march.csv")):
        (fleet.path / room).mkdir(exist_ok=True)
        (fleet.path / room / name).write_text(CANARY)
    kept_uploads.keep_upload(fleet, "again.csv", path.read_bytes())
    (fleet.snapshots_folder / ".building-dead").mkdir()
    shutil.copy(now.path, fleet.snapshots_folder / ".building-dead" / "snapshot.duckdb")
    (fleet.exports / ".incoming-dead").write_text(CANARY)
    assert len(holding(fleet)) > 7


def list_of(fleet, snapshot, name):
    """The flagged homes of a snapshot, with addresses as a mapping may carry them, as a file that left."""
    sheet = lists.flagged(EVERYTHING, snapshot, Filters(), snapshot.rows("SELECT DATE '2026-01-01'")[0][0])
    addresses = [text for (text,) in snapshot.rows("SELECT DISTINCT address FROM readings ORDER BY 1")]
    rows = sheet.rows.append_column("address", pa.array([addresses[0]] * len(sheet.rows)))
    assert len(rows)
    fleet.lists.mkdir(exist_ok=True)
    formats.write(replace(sheet, rows=rows), fleet.lists / name)


# ---- what goes


def test_nothing_of_a_purged_file_stays_but_its_line(full, tmp_path):
    fleet, path = full
    before, *with_it = [item.name for item in fleet.snapshots()]
    done = run(fleet, "purge", sha256_of(path)[:12], "--why", "sent by mistake")
    assert done.exit_code == 0, done.output
    assert holding(fleet) == []
    for name in (*with_it, "a.xlsx", "a.pdf", "march.csv", "again.csv", ".building-dead"):
        assert name in done.output
    assert f"{with_it[0]} (pinned as 'board meeting')" in done.output and "Backups" in done.output
    assert [item.name for item in fleet.snapshots()] == [before, fleet.current().name]
    assert sorted(item.name for item in fleet.lists.iterdir()) == ["before.csv", "before.csv.about.txt"]
    assert not fleet.purging.exists()
    assert snapshots.attach(fleet.current()).rows("SELECT inspection_id FROM readings ORDER BY 1") == [
        ("5",),
        ("9",),
    ]
    assert run(fleet, "verify").exit_code == 0


def test_a_damaged_list_goes_whatever_its_name_says(full):
    """What cannot be read to its end may hold anything, also under the name of a snapshot that stays."""
    fleet, path = full
    before = fleet.snapshots()[0].name.removesuffix(".duckdb")
    whole, printed = ((fleet.lists / name).read_bytes() for name in ("a.xlsx", "a.pdf"))
    for name, data in (
        ("cut.xlsx", whole[: len(whole) // 2]),
        ("spoiled.xlsx", whole[:300] + bytes(200) + whole[500:]),
        ("cut.pdf", printed[: len(printed) // 2]),
    ):
        (fleet.lists / f"{before}-{name}").write_bytes(data)
    done = run(fleet, "purge", sha256_of(path)[:12], "--why", "sent by mistake")
    assert done.exit_code == 0
    for name in ("cut.xlsx", "spoiled.xlsx", "cut.pdf"):
        assert f"{before}-{name}" in done.output and not (fleet.lists / f"{before}-{name}").exists()


def an_invalid_policy(fleet, monkeypatch):
    fleet.policy.write_text("[limits]\ncold_margin = 3\n")
    return "no such limit"


def a_full_disk(fleet, monkeypatch):
    def connect(self):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(publishing.Unpublished, "connect", connect)
    return "the disk is full"


def an_export_that_is_missing(fleet, monkeypatch):
    next(fleet.exports.glob("*-later.csv")).unlink()
    return "put the file back from a backup"


def an_export_that_is_damaged(fleet, monkeypatch):
    other = next(fleet.exports.glob("*-later.csv"))
    other.chmod(0o600)
    other.write_bytes(b"\x00\x01" * 500)
    return "later.csv"


def places_that_are_wrong(fleet, monkeypatch):
    fleet.places.write_text("agency,postal_code\n")
    return "places.csv, line 1"


def a_fault_of_the_program(fleet, monkeypatch):
    monkeypatch.setattr("pipelines.snapshot.stages.finish", lambda *given: 1 / 0)
    return "division by zero"


@pytest.mark.parametrize(
    "wrong",
    families.first(
        3,
        [
            a_fault_of_the_program,
            a_full_disk,
            an_export_that_is_damaged,
            an_export_that_is_missing,
            an_invalid_policy,
            places_that_are_wrong,
        ],
    ),
)
def test_the_data_is_gone_where_no_snapshot_can_be_made(full, tmp_path, monkeypatch, wrong):
    fleet, path = full
    before = fleet.snapshots()[0]
    said = wrong(fleet, monkeypatch)
    done = run(fleet, "purge", sha256_of(path)[:12], "--why", "sent by mistake")
    assert done.exit_code == 1 and holding(fleet) == []
    assert said in done.stderr and "run coldfill rebuild" in done.stderr
    assert "purged  a.csv" in done.stdout
    assert fleet.snapshots() == (before,) and fleet.log()[-1].status == "purged"


@pytest.mark.slow
def test_a_copy_that_cannot_be_deleted_is_named_and_the_rest_goes(full, tmp_path, monkeypatch):
    fleet, path = full
    stuck, unlink = fleet.snapshots()[1], Path.unlink

    def refusing(self, **more):
        if self == stuck:
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        unlink(self, **more)

    with monkeypatch.context() as patched:
        patched.setattr(Path, "unlink", refusing)
        done = run(fleet, "purge", sha256_of(path), "--why", "sent by mistake")
        assert done.exit_code == 1 and f"{stuck} could not be deleted" in done.stderr
        assert holding(fleet) == [f"snapshots/{stuck.name}"]
        assert run(fleet, "status").exit_code == 0 and stuck.exists()
    done = run(fleet, "status")
    assert holding(fleet) == [] and stuck.name in done.stderr
    assert run(fleet, "status").stderr == ""


@pytest.mark.slow
@pytest.mark.parametrize(
    "removed, command",
    [(0, "status"), (1, "flagged"), (2, "rebuild"), (5, "hold"), (9, "status"), (11, "verify")],
)
def test_a_purge_cut_short_is_taken_up_by_the_next_command(full, monkeypatch, removed, command):
    fleet, path = full
    remove, left = purge.Removal.remove, [removed]

    def cut_short(self, *given):
        left[0] -= 1
        if left[0] < 0:
            raise KeyboardInterrupt
        remove(self, *given)

    with monkeypatch.context() as patched:
        patched.setattr(purge.Removal, "remove", cut_short)
        assert run(fleet, "purge", sha256_of(path), "--why", "mistake").exit_code == 1
    assert holding(fleet)
    done = run(fleet, command)
    assert holding(fleet) == [] and "goes on" in done.stderr and not fleet.purging.exists()
    assert run(fleet, "rebuild").exit_code == 0
    assert snapshots.attach(fleet.current()).rows("SELECT count(*) FROM readings") == [(2,)]


def test_a_load_from_a_page_takes_up_a_purge_cut_short(full, tmp_path):
    fleet, path = full
    purge.commit(fleet, sha256_of(path), "mistake")  # and here the machine stops
    fed(fleet, write(tmp_path / "more.csv", [row(20)]))
    assert holding(fleet) == [] and not fleet.purging.exists()


def test_a_purge_cut_short_waits_for_a_build_at_work(full, tmp_path):
    fleet, path = full
    purge.commit(fleet, sha256_of(path), "mistake")
    with publishing.building(fleet):
        assert run(fleet, "status").exit_code == 0 and fleet.purging.exists()
        assert holding(fleet)
    assert run(fleet, "status").exit_code == 0
    assert holding(fleet) == []


def test_a_copy_in_no_line_of_the_log_is_named_if_it_has_the_name(fleet, tmp_path):
    """A load that died before its line left it: whether it holds the same rows nobody can tell."""
    path = write(tmp_path / "a.csv", [with_client(1)])
    other = write(tmp_path / "b.csv", [with_address(1)])
    fed(fleet, path)
    fleet.keep(path, "a.csv")
    fleet.keep(other, "b.csv")
    done = run(fleet, "purge", sha256_of(path), "--why", "mistake")
    assert done.exit_code == 1
    assert f"{sha256_of(path)}-a.csv is in no line" in done.stderr and "b.csv" not in done.stderr


def test_the_example_of_the_help_runs(tmp_path, monkeypatch):
    """On the fleet that `coldfill demo` makes."""
    words = shlex.split(cli.main.commands["purge"].help.partition("Example: coldfill ")[2])
    folder = Path(words[words.index("--fleet") + 1])
    monkeypatch.chdir(tmp_path)
    assert folder == Path("demo-fleet")
    fleet = Fleet(folder).create()
    named = next(path for path in SAMPLES.glob("*.csv") if sha256_of(path).startswith(words[1]))
    shutil.copytree(SAMPLES / "fleet", fleet.path, dirs_exist_ok=True)
    fed(fleet, named)
    done = run(fleet, *words[: words.index("--fleet")])
    assert done.exit_code == 0 and f"purged  {named.name}" in done.output


# ---- what stays, and what is named


@pytest.mark.slow
def test_purge_removes_every_copy_and_every_snapshot_made_with_it(fleet, tmp_path):
    keep = write(tmp_path / "keep.csv", [row(5)])
    path = write(tmp_path / "a.csv", [with_client(1)])
    _, without = fed(fleet, keep)
    fed(fleet, path)
    fleet.pin(fleet.current(), "board meeting")
    fleet.pin(without.path, "before")
    fed(fleet, path, keep_columns=["Client name"])
    inputs = sorted(item.name for item in fleet.inputs.iterdir())
    assert len(stored(fleet)) == 3
    with_it = [item.name for item in fleet.snapshots()[1:]]
    done = run(fleet, "purge", sha256_of(path)[:12], "--why", "sent by mistake")
    assert done.exit_code == 0
    for name in with_it:
        assert f"removed  {name}" in done.output
    assert "pinned as 'board meeting'" in done.output
    assert [name.split("-", 1)[1] for name in stored(fleet)] == ["keep.csv"]
    assert sorted(item.name for item in fleet.inputs.iterdir()) == inputs
    assert [item.name for item in fleet.snapshots()] == [without.name, fleet.current().name]
    snapshot = snapshots.attach(fleet.current())
    assert snapshot.rows("SELECT export_id, status, reason, rows_read FROM exports ORDER BY 1") == [
        (1, "loaded", "", 1),
        (2, "purged", "sent by mistake", 0),
    ]
    assert snapshot.rows("SELECT inspection_id FROM readings") == [("5",)]
    assert [(line.status, line.why) for line in fleet.log()][-1] == ("purged", "sent by mistake")
    assert run(fleet, "verify").exit_code == 0


@pytest.mark.slow
def test_a_purged_file_comes_back_only_when_it_is_named_itself(fleet, tmp_path):
    folder = tmp_path / "inbox"
    folder.mkdir()
    path, other = write(folder / "a.csv", [row(1)]), write(folder / "b.csv", [row(2)])
    fed(fleet, folder)
    assert run(fleet, "purge", sha256_of(path), "--why", "not ours").exit_code == 0
    arrivals, snapshot = fed(fleet, folder)
    assert [one.status for one in arrivals] == ["kept out", "already loaded"]
    assert "not ours" in arrivals[0].why and "named itself" in arrivals[0].why
    assert len(fleet.log()) == 3 and snapshot.rows("SELECT inspection_id FROM readings") == [("2",)]
    (arrival,), snapshot = fed(fleet, path)
    assert arrival.status == "loaded" and "not ours" in arrival.why
    assert snapshot.rows("SELECT export_id, status FROM exports ORDER BY 1") == [(1, "loaded"), (2, "loaded")]
    assert snapshot.rows("SELECT inspection_id FROM readings ORDER BY 1") == [("1",), ("2",)]
    assert other.exists()


def test_a_purge_cut_short_is_taken_up_again_and_a_done_one_is_not(fleet, tmp_path):
    path = write(tmp_path / "a.csv", [row(1)])
    fed(fleet, path)
    digits = sha256_of(path)[:10]
    line = purge.commit(fleet, digits, "mistake")  # and here the machine stops
    assert stored(fleet)
    assert purge.commit(fleet, digits, "mistake").number == line.number
    assert run(fleet, "purge", digits, "--why", "mistake").exit_code == 0
    assert not stored(fleet) and len(fleet.log()) == 2
    done = run(fleet, "purge", digits, "--why", "mistake")
    assert done.exit_code == 1 and "purged before" in done.output


@pytest.mark.parametrize("digits", ["", "abc", "000000", "zzzzzzzz"])
def test_purge_needs_one_hash(fleet, tmp_path, digits):
    fed(fleet, write(tmp_path / "a.csv", [row(1)]))
    with pytest.raises(FleetError, match="at least 6 digits"):
        purge.commit(fleet, digits, "why")


@pytest.mark.slow
def test_a_copy_two_exports_share_stays_while_one_is_loaded(fleet, tmp_path):
    one, two = (
        write(tmp_path / "1.csv", [with_client(1, name="A. Bee")]),
        write(tmp_path / "2.csv", [with_client(1, name="C. Dee")]),
    )
    fed(fleet, one, two)
    assert len(stored(fleet)) == 1 and len(fleet.received()) == 2
    run(fleet, "purge", sha256_of(one), "--why", "mistake")
    assert len(stored(fleet)) == 1
    run(fleet, "purge", sha256_of(two), "--why", "mistake")
    assert not stored(fleet)
