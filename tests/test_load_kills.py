"""The real command killed by kill -9 anywhere: the next load goes on, to the fleet of an undisturbed one."""

import os
import random
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.fleet import equality, publishing, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests.small_exports import row, write

ROOT = Path(__file__).parents[1]
FULL = os.environ.get("COLDFILL_FULL") == "1"
# Counts calls of the system that change files, tells how many, or dies in the n-th (a write by half).
DYING = """
import os, signal, sys
left, calls = int(sys.argv.pop(1)), 0

def counted(real):
    def call(handle, *rest, **more):
        global calls
        calls += 1
        if calls == left:
            if real.__name__ == "write":
                real(handle, rest[0][: len(rest[0]) // 2])
            os.kill(os.getpid(), signal.SIGKILL)
        return real(handle, *rest, **more)
    return call

for name in ("write", "fsync", "rename", "replace", "ftruncate", "unlink", "chmod", "mkdir"):
    setattr(os, name, counted(getattr(os, name)))
from pipelines.cli import main
try:
    main()
finally:
    sys.stderr.write(f"calls {calls}\\n")
"""


def load(fleet, folder, die_in=0, seconds=None):
    """(exit status, standard error) of `coldfill load`, killed in its n-th call or after a time."""
    process = subprocess.Popen(
        [sys.executable, "-c", DYING, str(die_in), "load", str(folder), "--fleet", str(fleet.path)],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        _, said = process.communicate(timeout=seconds or 120)
    except subprocess.TimeoutExpired:
        process.kill()
        _, said = process.communicate()
    return process.returncode, said


def go_on(fleet, folder):
    """The same load again, in this process."""
    door.load(fleet, [folder])
    return stages.build(fleet)


def whole(fleet):
    """What must hold of a fleet at any moment."""
    log = fleet.log()
    for line in log:
        assert line.sha256 in {path.name[:64] for path in fleet.exports.iterdir()}
    for path in fleet.snapshots():
        kept, homes, loaded = snapshots.attach(path).rows(
            """
            SELECT (SELECT count(*) FROM readings),
                   (SELECT count(*) FROM homes),
                   (SELECT sum(rows_kept)::BIGINT FROM exports)
            """
        )[0]
        assert kept == homes == loaded > 0
    for path in fleet.exports.iterdir():
        assert path.name.startswith(".incoming-") or b"555-010" not in path.read_bytes()


@pytest.fixture(scope="module")
def setting(tmp_path_factory):
    """(a fleet of one file, a folder of three more, the undisturbed fleet of all, calls that load takes)."""
    at = tmp_path_factory.mktemp("kills")
    first, folder = at / "first", at / "inbox"
    first.mkdir()
    folder.mkdir()
    write(first / "a.csv", [row(number) for number in range(5)])
    write(folder / "b.csv", [row(number, cold="11") for number in range(3, 9)])
    write(
        folder / "c.csv",
        [row(number) | {"Phone": f"555-010-01{number:02}"} for number in range(9, 14)] + ["5,x"],
    )
    write(folder / "d.csv", [row(number, agency="Birch River") for number in range(5)])
    begun, undisturbed = Fleet(at / "begun").create(), Fleet(at / "undisturbed")
    go_on(begun, first)
    shutil.copytree(begun.path, undisturbed.path)
    status, said = load(undisturbed, folder)
    assert status == 0
    return begun, folder, undisturbed, int(said.split("calls ")[1])


def chosen():
    """Where to die: share of the calls, or seconds."""
    luck, kills = random.Random(20260301), 200 if FULL else 12
    by_call = kills * 3 // 4
    return [("call", (at + luck.random()) / by_call) for at in range(by_call)] + [
        ("time", luck.uniform(0.3, 1.6)) for _ in range(kills - by_call)
    ]


@pytest.mark.slow
@pytest.mark.parametrize(("how", "where"), chosen())
def test_a_load_killed_anywhere_goes_on_as_if_nothing_had_been(setting, tmp_path, how, where):
    begun, folder, undisturbed, calls = setting
    fleet = Fleet(tmp_path / "fleet")
    shutil.copytree(begun.path, fleet.path)
    if how == "call":
        status, said = load(fleet, folder, die_in=1 + int(where * calls))
        assert status == -signal.SIGKILL, said
    else:
        load(fleet, folder, seconds=where)
    whole(fleet)
    current = go_on(fleet, folder)
    whole(fleet)
    assert [(line.file_name, line.status) for line in fleet.log()] == [
        (line.file_name, line.status) for line in undisturbed.log()
    ]
    assert equality.equal(current, undisturbed.current()) == []
    with publishing.building(fleet):  # the next build clears away what a dead one left
        assert len(list(fleet.snapshots_folder.glob(".building-*"))) == 0


def test_whole_would_notice_rows_that_are_lost(setting):
    """The comparison can fail: another fleet is not equal."""
    begun, _, undisturbed, _ = setting
    assert equality.equal(begun.current(), undisturbed.current())
