"""The fleet folder: logs, exports, locks, snapshots, and what is left when a run dies anywhere."""

import errno
import gc
import hashlib
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import duckdb
import pyarrow as pa
import pytest

from pipelines.fleet import equality, folder, publishing, snapshots
from pipelines.fleet.equality import Difference
from pipelines.fleet.folder import Fleet, LogLine
from pipelines.fleet.logs import FleetError
from pipelines.fleet.snapshots import SNAPSHOTS_OPEN

ROOT = Path(__file__).parents[1]
FULL = os.environ.get("COLDFILL_FULL") == "1"
A, B, C = (hashlib.sha256(letter.encode()).hexdigest() for letter in "ABC")


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet").create()


def line(sha256=A, status="loaded", **cells):
    return LogLine(
        **{"sha256": sha256, "sha256_received": sha256, "file_name": "a.csv", "status": status, **cells}
    )


def publish(fleet, sql="CREATE TABLE t AS SELECT 1 AS a", digest="0" * 12, **arguments):
    with publishing.building(fleet) as building:
        building.connect().execute(sql)
        return building.publish(digest, **arguments)


def names(paths):
    return [path.name for path in paths]


def child(code, *arguments, **options):
    """A Python process with this project on its path and `fleet` (the first argument) at hand."""
    begin = (
        "import sys; from pipelines.fleet import folder, logs, publishing, snapshots\n"
        "fleet = folder.Fleet(sys.argv[1])\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", begin + code, *map(str, arguments)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **options,
    )


def finished(process, seconds=120):
    out, err = process.communicate(timeout=seconds)
    assert process.returncode == 0, err
    return out


# What was received


def test_last_line_of_a_hash_stands_and_its_first_numbers_it(fleet):
    fleet.append(
        [line(A, "kept out", why="no mapping"), line(B), line(A, mapping="m"), line(C), line(C, "purged")]
    )
    received = fleet.received()
    assert [(each.export_id, each.number, each.sha256, each.status, each.mapping) for each in received] == [
        (1, 3, A, "loaded", "m"),
        (2, 2, B, "loaded", ""),
        (4, 5, C, "purged", ""),
    ]
    assert fleet.received(fleet.log()[:1])[0].why == "no mapping"


def test_two_processes_append_without_losing_or_mixing_lines(fleet):
    code = (
        "for at in range(30):\n"
        "    sha = f'{int(sys.argv[2]):032x}{at:032x}'\n"
        "    cells = dict(sha256=sha, sha256_received=sha, file_name='x' * at, status='loaded')\n"
        "    fleet.append([folder.LogLine(**cells)])"
    )
    for process in [child(code, fleet.path, writer) for writer in (1, 2)]:
        finished(process)
    log = fleet.log()
    assert [each.number for each in log] == list(range(1, 61))
    for writer in (1, 2):
        assert [int(each.sha256[32:], 16) for each in log if int(each.sha256[:32], 16) == writer] == list(
            range(30)
        )


# Exports and inputs


def test_export_is_kept_once_by_its_hash_and_first_name(fleet, tmp_path):
    source = tmp_path / "source"
    source.write_bytes(b"Job,Static P\r\n1,12\r\n")
    sha256, path = fleet.keep(source, "../North side (March).csv")
    assert sha256 == hashlib.sha256(source.read_bytes()).hexdigest()
    assert path == fleet.exports / f"{sha256}-North_side_March_.csv"
    assert path.read_bytes() == source.read_bytes()
    assert path.stat().st_mode & 0o222 == 0
    assert fleet.keep(source, "other.csv") == (sha256, path)
    assert names(fleet.exports.iterdir()) == [path.name]
    assert fleet.export_path(sha256) == path
    fleet.remove_export(sha256)
    with pytest.raises(FleetError, match=sha256):
        fleet.export_path(sha256)


def test_kept_file_cut_short_is_put_right_by_the_next_load(fleet, tmp_path):
    source = tmp_path / "source"
    source.write_bytes(b"Job\n1\n")
    sha256, path = fleet.keep(source, "a.csv")
    path.chmod(0o644)
    path.write_bytes(b"Job")
    assert fleet.keep(source, "a.csv") == (sha256, path)
    assert path.read_bytes() == b"Job\n1\n"


@pytest.mark.parametrize(
    "name, safe",
    [
        ("a.csv", "a.csv"),
        ("..", "export"),
        ("", "export"),
        ("-rf *.csv", "rf_.csv"),
        ("a/b\\c\nd.csv", "c_d.csv"),
        ("x" * 300 + ".csv", "x" * 80 + "x" * 16 + ".csv"),
        (".hidden", "hidden"),
        ("año.csv", "a_o.csv"),
    ],
)
def test_safe_name(name, safe):
    assert folder.safe_name(name) == safe


def test_source_that_cannot_be_read_is_named(fleet, tmp_path):
    with pytest.raises(FleetError, match="Cannot read .*gone.csv: it is not there"):
        fleet.keep(tmp_path / "gone.csv", "gone.csv")
    with pytest.raises(FleetError, match="it is a folder"):
        fleet.keep(tmp_path, "folder")


def test_inputs_are_kept_by_hash_and_checked(fleet):
    text = "[limits]\r\nnote = 'é'\n"
    sha256 = fleet.keep_input(text)
    assert fleet.keep_input(text) == sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert fleet.input_text(sha256) == text
    (fleet.inputs / sha256).chmod(0o644)
    (fleet.inputs / sha256).write_text("changed")
    with pytest.raises(FleetError, match="was changed"):
        fleet.input_text(sha256)
    with pytest.raises(FleetError, match="it is not there"):
        fleet.input_text("0" * 64)


# A folder that is missing, no folder, full or closed


def test_fleet_that_is_not_there_is_empty_and_reading_makes_nothing(tmp_path):
    fleet = Fleet(tmp_path / "none")
    assert (fleet.log(), fleet.received(), fleet.snapshots(), fleet.current(), fleet.states()) == (
        (),
        (),
        (),
        None,
        (),
    )
    with pytest.raises(FleetError, match="There is no fleet at"):
        fleet.status()
    with pytest.raises(FleetError, match="holds no snapshot"):
        fleet.snapshot()
    for act in (lambda: fleet.append([line()]), lambda: publish(fleet)):
        with pytest.raises(FleetError, match="There is no folder"):
            act()
    assert not fleet.path.exists()


def test_a_file_is_no_fleet(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(FleetError, match="is a file, not a folder"):
        Fleet(tmp_path / "file").create()
    with pytest.raises(FleetError, match="a part of the path is a file"):
        Fleet(tmp_path / "file" / "fleet").create()


@pytest.mark.parametrize(
    "code, said", [(errno.EACCES, "permission denied"), (errno.EROFS, "mounted read-only")]
)
def test_folder_that_may_not_be_written_is_named(tmp_path, monkeypatch, code, said):
    real_open = os.open

    def closed(path, flags, *rest, **more):
        if flags & os.O_CREAT:
            raise OSError(code, os.strerror(code), str(path))
        return real_open(path, flags, *rest, **more)

    monkeypatch.setattr(os, "open", closed)
    fleet = Fleet(tmp_path / "fleet")
    with pytest.raises(FleetError, match=f"Cannot write in {fleet.exports}: .*{said}.*--fleet"):
        fleet.create()
    with pytest.raises(FleetError, match=f"{said}.*--fleet"):
        fleet.append([line()])


def full_disk(monkeypatch, call, survive):
    """After `survive` calls of os.write or os.fsync the disk is full; a write puts down half of its bytes."""
    real = getattr(os, call)
    left = [survive]

    def full(handle, *data):
        left[0] -= 1
        if left[0] < 0:
            for block in data:
                real(handle, block[: len(block) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return real(handle, *data)

    monkeypatch.setattr(os, call, full)


@pytest.mark.parametrize("call", ["write", "fsync"])
@pytest.mark.parametrize("survive", [0, 1, 2])
def test_full_disk_loses_nothing_and_leaves_nothing(fleet, tmp_path, monkeypatch, call, survive):
    source = tmp_path / "source"
    source.write_bytes(b"x" * (3 << 20))
    fleet.append([line(A)])
    publish(fleet)
    current = fleet.current()
    before = {
        path: path.read_bytes() for path in (fleet.path / "received.csv", fleet.path / "states.csv", current)
    }
    for act in (
        lambda: fleet.keep(source, "a.csv"),
        lambda: fleet.append([line(B)]),
        lambda: fleet.keep_input("text"),
        lambda: publish(fleet, digest="1" * 12),
    ):
        with monkeypatch.context() as patch:
            full_disk(patch, call, survive)
            try:
                act()
            except FleetError as error:
                assert "the disk is full" in str(error)
                failed = True
            else:
                failed = False
        if survive == 0:
            assert failed
            assert {path: path.read_bytes() for path in before} == before
            assert list(fleet.exports.iterdir()) + list(fleet.inputs.iterdir()) == []
            assert names(fleet.snapshots_folder.iterdir()) == [current.name]
        assert not [
            path for path in fleet.path.rglob("*") if path.name.startswith((".incoming", ".building"))
        ]
        assert [each.number for each in fleet.log()] == list(range(1, len(fleet.log()) + 1))
        for snapshot in fleet.snapshots():
            assert snapshots.attach(snapshot).rows("SELECT * FROM t") == [(1,)]
            assert fleet.state_of(snapshot)


def test_build_that_the_disk_ends_publishes_nothing(fleet):
    """The real thing: a limit on the size of a file ends DuckDB's and our own writes in their middle."""
    publish(fleet)
    code = (
        "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 20, resource.RLIM_INFINITY))\n"
        "def build():\n"
        "    with publishing.building(fleet) as building:\n"
        "        wide = 'SELECT md5(i::VARCHAR) s FROM range(400000) r(i)'\n"
        "        building.connect().execute('CREATE TABLE t AS ' + wide)\n"
        "        building.publish('1' * 12)\n"
        "for act in (build, lambda: fleet.keep(sys.argv[2], 'big.csv')):\n"
        "    try: act(); print('done')\n"
        "    except logs.FleetError as error: print(error)\n"
    )
    big = fleet.path.parent / "big.csv"
    big.write_bytes(b"x" * (3 << 20))
    said = finished(child(code, fleet.path, big)).splitlines()
    assert len(said) == 2
    assert said[0].startswith("Cannot build in") and "larger than the system allows" in said[0]
    assert said[1].startswith("Cannot keep a copy in") and "larger than the system allows" in said[1]
    assert names(fleet.snapshots_folder.iterdir()) == ["00000001-000000000000.duckdb"]
    assert list(fleet.exports.iterdir()) == []
    assert names(fleet.snapshots()) == [state.snapshot for state in fleet.states()]
    assert fleet.keep(big, "big.csv")[1].stat().st_size == 3 << 20


# Snapshots


def test_published_snapshot_is_whole_read_only_and_current(fleet):
    fleet.append([line(A), line(B)])
    inputs = {"policy": A, "places": B}
    path = publish(fleet, digest="0123456789ab", inputs=inputs, code_version="0.1.0")
    assert (
        path == fleet.snapshots_folder / "00000001-0123456789ab.duckdb" == fleet.current() == fleet.snapshot()
    )
    assert path.stat().st_mode & 0o222 == 0
    assert names(fleet.snapshots_folder.iterdir()) == [path.name]
    (state,) = fleet.states()
    assert (state.snapshot, state.log_length, state.inputs, state.code_version) == (
        path.name,
        2,
        inputs,
        "0.1.0",
    )


def test_views_of_a_snapshot_read_as_they_did_in_the_build(fleet):
    path = publish(
        fleet, "CREATE TABLE t AS SELECT i FROM range(10) r(i); CREATE VIEW v AS FROM t WHERE i > 6"
    )
    snapshot = snapshots.attach(path)
    assert snapshot.rows("SELECT i FROM v WHERE i > ? ORDER BY i", [7]) == [(8,), (9,)]
    assert snapshot.query("SELECT i FROM v ORDER BY i")["i"].tolist() == [7, 8, 9]
    assert snapshot.arrow("SELECT i FROM v WHERE i = $i", {"i": 8}) == pa.table({"i": [8]})
    assert snapshot.rows("SELECT i FROM v JOIN chosen USING (i)", chosen=pa.table({"i": [1, 9]})) == [(9,)]
    assert (snapshot.number, snapshot.name) == (1, path.name)


@pytest.mark.parametrize(
    "sql",
    [
        "SELECT * FROM read_csv('/etc/hosts')",
        "COPY t TO '/tmp/out.csv'",
        "ATTACH '/tmp/out.duckdb' AS other",
        "SET enable_external_access = true",
        "CREATE TABLE u AS SELECT 1",
        "DELETE FROM t",
        "FROM in_python",
    ],
)
def test_a_question_reaches_nothing_but_the_snapshot(fleet, sql):
    in_python = pa.table({"a": [1]})
    snapshot = snapshots.attach(publish(fleet))
    with pytest.raises(duckdb.Error):
        snapshot.rows(sql)
    assert snapshot.rows("SELECT * FROM t JOIN in_python USING (a)", in_python=in_python) == [(1,)]


def test_build_that_publishes_nothing_or_fails_leaves_nothing(fleet):
    with publishing.building(fleet) as building:
        building.connect().execute("CREATE TABLE t AS SELECT 1")
    with pytest.raises(ZeroDivisionError), publishing.building(fleet) as building:
        building.connect().execute("CREATE TABLE t AS SELECT 1")
        raise ZeroDivisionError
    with pytest.raises(duckdb.ParserException):
        publish(fleet, "CREATE NONSENSE")
    with pytest.raises(ValueError, match="12 hexadecimal digits"):
        publish(fleet, digest="xyz")
    assert list(fleet.snapshots_folder.iterdir()) == []
    assert fleet.states() == ()


def test_open_transaction_is_not_published(fleet):
    with pytest.raises((FleetError, duckdb.Error)), publishing.building(fleet) as building:
        other = building.connect().cursor()
        other.execute("BEGIN; CREATE TABLE u AS SELECT 1")
        building.connect().execute("CREATE TABLE t AS SELECT 1")
        try:
            building.publish("0" * 12)
        finally:
            other.close()
    assert fleet.snapshots() == ()


def test_build_may_start_from_the_snapshot_before(fleet):
    first = publish(fleet, "CREATE TABLE t AS SELECT 1 AS a")
    with publishing.building(fleet) as building:
        building.start_from(first)
        building.connect().execute("INSERT INTO t VALUES (2)")
        second = building.publish("1" * 12)
    assert snapshots.attach(first).rows("SELECT count(*) FROM t") == [(1,)]
    assert snapshots.attach(second).rows("SELECT count(*) FROM t") == [(2,)]


def test_only_complete_names_are_snapshots(fleet):
    path = publish(fleet)
    for name in (
        "00000009-0123456789ab.duckdb.tmp",
        "9-0123456789ab.duckdb",
        "00000009-0123456789AB.duckdb",
        "00000009-0123456789ab.duckdb.wal",
        "\u0660" * 8 + "-0123456789ab.duckdb",
        "x9-0123456789ab.duckdb",
        "00000009-0123456789ab.duckdb\n",
    ):
        (fleet.snapshots_folder / name).write_text("")
    assert fleet.snapshots() == (path,)
    assert fleet.current() == path


def test_newest_and_pinned_snapshots_stay(fleet):
    first = publish(fleet, digest="1" * 12)
    fleet.pin(first, "before the change")
    for digit in "23456":
        publish(fleet, digest=digit * 12)
    assert [path.name[:8] for path in fleet.snapshots()] == ["00000001", "00000004", "00000005", "00000006"]
    assert [state.snapshot[:8] for state in fleet.states()] == [f"{number:08d}" for number in range(1, 7)]
    for name in ("before the change", "1", "00000001", first.name, first.stem):
        assert fleet.snapshot(name) == first
    with pytest.raises(FleetError, match="keeps no '2', only 00000001-111111111111, "):
        fleet.snapshot("2")
    with pytest.raises(FleetError, match="pinned as 'before the change'"):
        fleet.pin(fleet.current(), "before the change")
    with pytest.raises(FleetError, match="is not kept any more"):
        fleet.pin(fleet.snapshots_folder / "00000002-222222222222.duckdb", "gone")
    fleet.pin(first, "")
    publish(fleet, digest="7" * 12)
    assert [path.name[:8] for path in fleet.snapshots()] == ["00000005", "00000006", "00000007"]


def test_snapshot_that_cannot_be_deleted_does_not_stop_a_publish(fleet, monkeypatch):
    real_unlink = os.unlink

    def refuse(path, *rest, **more):
        if str(path).endswith("00000001-000000000000.duckdb"):
            raise PermissionError(errno.EPERM, "not permitted")
        return real_unlink(path, *rest, **more)

    monkeypatch.setattr(os, "unlink", refuse)
    for _ in range(5):
        publish(fleet)
    assert [path.name[:8] for path in fleet.snapshots()] == ["00000001", "00000003", "00000004", "00000005"]


def test_numbers_are_never_used_again(fleet):
    fleet.remove_snapshot(publish(fleet))
    assert fleet.current() is None
    assert publish(fleet).name[:8] == "00000002"


def test_old_snapshot_is_remade_under_its_own_name(fleet):
    first = publish(fleet, digest="1" * 12, code_version="0.1.0")
    for digit in "2345":
        publish(fleet, digest=digit * 12)
    assert not first.exists()
    state = fleet.states()[0]
    with pytest.raises(
        FleetError, match="00000001-333333333333.* came out instead of .*install code version 0.1.0"
    ):
        publish(fleet, digest="3" * 12, remakes=state)
    assert publish(fleet, digest="1" * 12, remakes=state) == first
    assert fleet.snapshot("1") == first
    assert fleet.current().name[:8] == "00000005"
    publish(fleet, digest="6" * 12)
    assert [path.name[:8] for path in fleet.snapshots()] == ["00000004", "00000005", "00000006"]
    publish(fleet, digest="1" * 12, remakes=state, pinned_name="again")
    publish(fleet, digest="7" * 12)
    assert fleet.snapshot("again") == first


def test_status_says_how_far_the_log_is_ahead(fleet):
    assert (fleet.status()["snapshot"], fleet.status()["ahead"], fleet.status()["newest_received"]) == (
        None,
        0,
        None,
    )
    fleet.append([line(A), line(B)])
    assert fleet.status()["ahead"] == 2
    publish(fleet)
    assert fleet.status()["ahead"] == 0
    fleet.append([line(C, file_name="c.csv")])
    status = fleet.status()
    assert (status["log_length"], status["ahead"], status["loading"]) == (3, 1, False)
    assert status["newest_received"]["file_name"] == "c.csv"
    with publishing.building(fleet):
        assert fleet.status()["loading"] is True
    (fleet.path / "states.csv").unlink()
    assert fleet.status()["ahead"] is None


# Reading


def damage(path, change):
    path.chmod(0o644)
    data = bytearray(path.read_bytes())
    path.write_bytes(change(data))


@pytest.mark.parametrize(
    "change",
    [
        lambda data: b"",
        lambda data: data[:-1],
        lambda data: data[: len(data) // 2],
        lambda data: b"a,b\n" * 5000,
        lambda data: bytes(byte ^ 255 if at == len(data) // 2 else byte for at, byte in enumerate(data)),
        lambda data: data[: len(data) // 3] + bytes(4096) + data[len(data) // 3 + 4096 :],
    ],
)
def test_damaged_snapshot_is_said_so_never_answered_from(fleet, change):
    path = publish(fleet, "CREATE TABLE t AS SELECT md5(i::VARCHAR) AS s FROM range(40000) r(i)")
    damage(path, change)
    with pytest.raises(FleetError, match=f"{path} is damaged .*run coldfill rebuild, which makes it anew"):
        snapshots.attach(path).rows("SELECT min(s), max(s) FROM t")
    path.unlink()
    again = publish(fleet, "CREATE TABLE t AS SELECT 1 AS s")
    assert snapshots.attach(again).rows("SELECT s FROM t") == [(1,)]


def test_snapshot_put_back_under_the_same_name_is_read_anew(fleet, tmp_path):
    path = publish(fleet)
    assert snapshots.attach(path).rows("SELECT a FROM t") == [(1,)]
    other = publish(Fleet(tmp_path / "other").create(), "CREATE TABLE t AS SELECT 2 AS a")
    os.replace(other, path)
    assert snapshots.attach(path).rows("SELECT a FROM t") == [(2,)]


def test_stray_write_ahead_log_is_refused(fleet):
    path = publish(fleet)
    path.with_name(path.name + ".wal").write_bytes(b"x")
    with pytest.raises(FleetError, match="does not belong beside a finished snapshot"):
        snapshots.attach(path)


def test_snapshot_that_is_gone_is_said_so(fleet):
    path = publish(fleet)
    snapshots.attach(path)
    path.unlink()
    with pytest.raises(FleetError, match="is not kept any more"):
        snapshots.attach(path)


def test_few_snapshots_stay_open_and_a_holder_keeps_its_own(fleet):
    paths = [publish(fleet, f"CREATE TABLE t AS SELECT {at} AS a", pinned_name=f"p{at}") for at in range(7)]
    held = snapshots.attach(paths[0])
    assert snapshots.attach(paths[0]) is held
    spill = Path(held._connection.execute("SELECT current_setting('temp_directory')").fetchone()[0])
    for path in paths:
        snapshots.attach(path)
    assert len(snapshots._open) <= SNAPSHOTS_OPEN
    paths[0].unlink()
    assert held.rows("SELECT a FROM t") == [(0,)]
    assert spill.is_dir()
    del held
    gc.collect()
    assert not spill.exists()


@pytest.mark.slow
def test_readers_of_many_threads_see_whole_snapshots_while_they_change(fleet):
    rounds = 60 if FULL else 12
    failures, reads = [], [0] * 4
    stop = threading.Event()

    def build(number):
        publish(
            fleet, f"CREATE TABLE t AS SELECT {number} AS v, range AS i FROM range(20000)", f"{number:012x}"
        )

    def read(reader):
        while not stop.is_set():
            try:
                snapshot = snapshots.attach(fleet.current())
                digest = int(snapshot.name[9:21], 16)
                for _ in range(5):
                    got = snapshot.rows(
                        "SELECT min(v), max(v), count(*), count(DISTINCT i) FROM t WHERE v >= ?", [0]
                    )
                    if got != [(digest, digest, 20000, 20000)]:
                        failures.append((snapshot.name, got))
                    reads[reader] += 1
            except FleetError as error:
                if "is not kept any more" not in str(error):
                    failures.append(error)
            except BaseException as error:
                failures.append(error)
                raise

    build(1)
    code = (
        "for _ in range(150):\n"
        "    try: snapshot = snapshots.attach(fleet.current())\n"
        "    except logs.FleetError as error:\n"
        "        assert 'is not kept any more' in str(error), error; continue\n"
        "    digest = int(snapshot.name[9:21], 16)\n"
        "    got = snapshot.rows('SELECT min(v), max(v), count(*) FROM t')\n"
        "    assert got == [(digest, digest, 20000)], (snapshot.name, got)\n"
    )
    threads = [threading.Thread(target=read, args=(reader,)) for reader in range(len(reads))]
    for thread in threads:
        thread.start()
    other_process = child(code, fleet.path)
    for number in range(2, rounds + 2):
        build(number)
    finished(other_process)
    stop.set()
    for thread in threads:
        thread.join()
    assert not failures
    assert min(reads) > 0
    assert fleet.current().name[:8] == f"{rounds + 1:08d}"


# Two loads at once


def test_second_build_waits_says_so_once_and_sees_the_newer_log(fleet):
    said, order = [], []
    inside = threading.Event()

    def first():
        with publishing.building(fleet) as building:
            inside.set()
            while not said:
                time.sleep(0.01)
            fleet.append([line(A)])
            order.append("first")
            building.connect().execute("CREATE TABLE t AS SELECT 1 AS a")
            building.publish("1" * 12)

    thread = threading.Thread(target=first)
    thread.start()
    inside.wait()
    with publishing.building(fleet, said.append, timeout=60) as building:
        order.append("second")
        assert len(building.log) == 1
        assert fleet.current().name[:8] == "00000001"
    thread.join()
    assert order == ["first", "second"]
    assert len(said) == 1 and "Another load is running" in said[0]


def test_waiting_too_long_is_an_error(fleet):
    code = "import time\nwith publishing.building(fleet):\n    print('in', flush=True); time.sleep(60)"
    holder = child(code, fleet.path)
    try:
        assert holder.stdout.readline() == "in\n"
        said = []
        with (
            pytest.raises(
                FleetError, match=r"Another run has held .*\.build\.lock for more than 0.2 seconds"
            ),
            publishing.building(fleet, said.append, timeout=0.2),
        ):
            pass
        assert len(said) == 1
        assert fleet.status()["loading"] is True
    finally:
        holder.kill()
        holder.communicate()
    with publishing.building(fleet, said.append, timeout=0.2):
        pass
    assert len(said) == 1


def test_what_dead_runs_left_is_swept_and_what_is_at_work_is_not(fleet):
    dead = fleet.snapshots_folder / ".building-0123"
    dead.mkdir()
    (dead / "snapshot.duckdb").write_text("half")
    old, at_work = fleet.exports / ".incoming-old", fleet.exports / ".incoming-new"
    for path in (old, at_work):
        path.write_text("half")
    os.utime(old, (1, 1))
    publish(fleet)
    assert not dead.exists() and not old.exists() and at_work.exists()


# Equal


@pytest.mark.parametrize(
    "a, b, what",
    [
        ("SELECT i FROM range(9) r(i)", "SELECT i FROM range(9) r(i) ORDER BY i DESC", None),
        ("SELECT 1 AS a WHERE false", "SELECT 2 AS a WHERE false", None),
        ("SELECT 'x'::ENUM('x', 'y') AS a", "SELECT 'x'::ENUM('y', 'x') AS a", None),
        ("SELECT 'nan'::DOUBLE AS a", "SELECT -('nan'::DOUBLE) AS a", None),
        (
            "SELECT 'x'::ENUM('x', 'y') AS a",
            "SELECT 'y'::ENUM('y', 'x') AS a",
            "1 rows each, but not the same ones",
        ),
        ("SELECT 0.0::DOUBLE AS a", "SELECT '-0.0'::DOUBLE AS a", "not the same"),
        ("SELECT [0.0::DOUBLE] AS a", "SELECT ['-0.0'::DOUBLE] AS a", "not the same"),
        ("SELECT NULL::DOUBLE AS a", "SELECT 'nan'::DOUBLE AS a", "not the same"),
        ("SELECT NULL::INTEGER AS a, 1 AS b", "SELECT 1 AS a, NULL::INTEGER AS b", "not the same"),
        ("SELECT '' AS a", "SELECT NULL::VARCHAR AS a", "not the same"),
        ("SELECT 0.1::DOUBLE AS a", "SELECT nextafter(0.1::DOUBLE, 1.0::DOUBLE) AS a", "not the same"),
        ("VALUES (1, 'x'), (2, 'y')", "VALUES (1, 'y'), (2, 'x')", "2 rows each, but not the same ones"),
        ("VALUES (1), (1), (2)", "VALUES (1), (2), (2)", "3 rows each"),
        ("SELECT i FROM range(1000) r(i)", "SELECT i FROM range(1001) r(i)", "1,000 rows and 1,001 rows"),
        ("SELECT 1::INTEGER AS a", "SELECT 1::BIGINT AS a", "columns: a BIGINT, a INTEGER"),
        ("SELECT 1 AS a, 2 AS b", "SELECT 2 AS b, 1 AS a", "columns: the same in another order"),
    ],
)
def test_equal_compares_rows_as_a_multiset_bit_for_bit(fleet, a, b, what):
    first, second = (
        publish(fleet, f'CREATE TABLE "t t" AS {sql}; CREATE VIEW v AS SELECT 1') for sql in (a, b)
    )
    differences = equality.equal(first, second)
    if what is None:
        assert differences == []
    else:
        (difference,) = differences
        assert difference.table == "t t" and what in difference.what


def test_equal_sees_rows_that_swap_a_cell_and_keep_the_sum_of_plain_hashes(fleet):
    """hash(i, 1) + hash(j, 0) = hash(i, 0) + hash(j, 1) happens: among 100,000 rows there are such pairs."""
    pairs = duckdb.sql("""
        SELECT min(i), max(i)
        FROM range(100000) r(i)
        GROUP BY hash(i, 1::BIGINT)::HUGEINT - hash(i, 0::BIGINT)::HUGEINT
        HAVING count(*) > 1
        ORDER BY 1
        LIMIT 5
    """).fetchall()
    for i, j in [(1, 2), *pairs]:
        table = "CREATE TABLE t (i BIGINT, cell BIGINT); INSERT INTO t VALUES "
        first = publish(fleet, f"{table} ({i}, 1), ({j}, 0)")
        second = publish(fleet, f"{table} ({i}, 0), ({j}, 1)")
        assert [difference.table for difference in equality.equal(first, second)] == ["t"]


def test_equal_names_tables_only_one_has_and_passes_over_runs(fleet):
    first = publish(fleet, "CREATE TABLE runs AS SELECT 1 AS a; CREATE TABLE t AS SELECT 1 AS a")
    second = publish(fleet, "CREATE TABLE runs AS SELECT 2 AS a; CREATE TABLE u AS SELECT 1 AS a")
    assert equality.equal(first, second) == [
        Difference("t", f"only in {first.name}"),
        Difference("u", f"only in {second.name}"),
    ]


def test_scratch_is_read_like_a_snapshot_and_gone_after(fleet):
    publish(fleet)
    with publishing.scratch() as unpublished:
        unpublished.connect().execute("CREATE TABLE t AS SELECT 1 AS a")
        unpublished.connect().execute("INSERT INTO t VALUES (2)")
        snapshot = snapshots.attach(unpublished.finish())
        assert snapshot.rows("SELECT count(*) FROM t") == [(2,)]
        assert snapshot.number is None
        assert equality.equal(unpublished.path, fleet.current())[0].what == "2 rows and 1 rows"
    assert not unpublished.folder.exists()


def test_importing_the_store_imports_no_heavy_library():
    heavy = ("duckdb", "pandas", "numpy", "pyarrow", "filelock")
    code = f"print([name for name in {heavy} if name in sys.modules])"
    assert finished(child(code, "nowhere")) == "[]\n"
