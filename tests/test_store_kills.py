"""Loads that die by kill -9 at any moment: nothing acknowledged is lost, nothing half is ever seen."""

import hashlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from pipelines.fleet import equality, publishing, snapshots
from pipelines.fleet.folder import Fleet

KILLS = 240 if os.environ.get("COLDFILL_FULL") == "1" else 20

LOAD_AND_DIE = """
import hashlib, os, signal, sys
from pathlib import Path
from pipelines.fleet import folder, publishing

fleet = folder.Fleet(sys.argv[1])
left = int(sys.argv[3])

def dying(real):
    def call(handle, *rest, **more):
        global left
        left -= 1
        if left == 0:
            if real.__name__ == "write":
                real(handle, rest[0][: len(rest[0]) // 2])
            os.kill(os.getpid(), signal.SIGKILL)
        return real(handle, *rest, **more)
    return call

if left:
    for name in ("write", "fsync", "rename", "ftruncate", "unlink", "chmod", "close"):
        setattr(os, name, dying(getattr(os, name)))

fleet.create()
source = Path(sys.argv[2])
print("ready", flush=True)
while True:
    source.write_bytes(os.urandom(1500).hex().encode())
    sha256, path = fleet.keep(source, "load.csv")
    line = folder.LogLine(sha256=sha256, sha256_received=sha256, file_name="load.csv", status="loaded")
    (line,) = fleet.append([line])
    print("logged", line.number, line.sha256, flush=True)
    with publishing.building(fleet) as building:
        if (current := fleet.current()) and line.number % 3:
            building.start_from(current)
        connection = building.connect()
        connection.execute("CREATE TABLE IF NOT EXISTS lines (number BIGINT, sha256 VARCHAR, text VARCHAR)")
        (known,) = connection.execute("SELECT count(*) FROM lines").fetchone()
        for each in building.log[known:]:
            text = fleet.export_path(each.sha256).read_text()
            connection.execute("INSERT INTO lines VALUES (?, ?, ?)", [each.number, each.sha256, text])
        name = building.publish(hashlib.sha256(str(building.log).encode()).hexdigest()[:12]).name
    print("published", name, flush=True)
"""


def check_after_death(fleet, acknowledged):
    """All that was acknowledged is there; all that is there is whole."""
    log = fleet.log()
    states = {state.snapshot: state for state in fleet.states()}
    for what, *words in acknowledged:
        if what == "logged":
            assert log[int(words[0]) - 1].sha256 == words[1]
        if what == "published":
            assert words[0] in states
            assert fleet.current().name >= words[0]
    for each in log:
        assert hashlib.sha256(fleet.export_path(each.sha256).read_bytes()).hexdigest() == each.sha256
    for snapshot in fleet.snapshots():
        length = states[snapshot.name].log_length
        rows = snapshots.attach(snapshot).rows(
            "SELECT number, sha256, sha256(text) FROM lines ORDER BY number"
        )
        assert rows == [(each.number, each.sha256, each.sha256) for each in log[:length]]


@pytest.mark.slow
def test_runs_killed_anywhere_lose_nothing_and_the_next_goes_on(tmp_path):
    """Each run dies by kill -9: every other one at its n-th call of the system, the others at any time."""
    fleet = Fleet(tmp_path / "fleet").create()
    luck = random.Random(20260101)
    acknowledged = []
    for kill in range(KILLS):
        calls = luck.randint(1, 160) if kill % 2 else 0
        process = subprocess.Popen(
            [sys.executable, "-c", LOAD_AND_DIE, fleet.path, tmp_path / "source", str(calls)],
            cwd=Path(__file__).parents[1],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        heard = []
        if calls == 0:
            heard.append(process.stdout.readline())
            time.sleep(luck.uniform(0, 0.4))
            process.kill()
        out, err = process.communicate(timeout=60)
        assert process.returncode == -signal.SIGKILL, err
        whole_lines = "".join([*heard, out]).split("\n")[:-1]
        acknowledged += [said.split() for said in whole_lines]
        check_after_death(fleet, acknowledged)

    assert sum(what == "logged" for what, *_ in acknowledged) >= KILLS // 4
    assert sum(what == "published" for what, *_ in acknowledged) >= KILLS // 4
    fed, whole = go_on(fleet, start_from=fleet.current()), go_on(fleet, start_from=None)
    check_after_death(fleet, acknowledged)
    assert equality.equal(fed, whole) == []
    assert not list(fleet.snapshots_folder.glob(".building-*"))


def go_on(fleet, start_from):
    """The next load, in this process: what the log holds beyond a snapshot, or all of it."""
    with publishing.building(fleet, timeout=1) as building:
        if start_from:
            building.start_from(start_from)
        connection = building.connect()
        connection.execute("CREATE TABLE IF NOT EXISTS lines (number BIGINT, sha256 VARCHAR, text VARCHAR)")
        (known,) = connection.execute("SELECT count(*) FROM lines").fetchone()
        for each in building.log[known:]:
            text = fleet.export_path(each.sha256).read_text()
            connection.execute("INSERT INTO lines VALUES (?, ?, ?)", [each.number, each.sha256, text])
        return building.publish("f" * 12)
