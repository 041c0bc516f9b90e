"""A fleet copied in the order that the README gives, while files are being loaded, is whole.

Each step copies what the steps before it rest on: a snapshot has a line in states.csv before it has its name,
that line speaks of lines that are in received.csv by then, and an export and a mapping are kept before a line
names them.
"""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from pipelines.fleet import snapshots
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests.small_exports import row, write

ROOT = Path(__file__).parents[1]
FULL = os.environ.get("COLDFILL_FULL") == "1"
COPIES = 40 if FULL else 2
# The steps that the README gives, but for the last, which proves the copy. A snapshot that is let go while it
# is copied, and files that a fleet does not have, are no fault.
*RECIPE, PROOF = (
    re.search(r"<!-- backup -->\n```\n(.*?)\n```", (ROOT / "README.md").read_text(), re.DOTALL)
    .group(1)
    .split("\n")
)
LOADING = """
import sys
from pathlib import Path
from pipelines.snapshot import stages
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from tests.small_exports import row, write

fleet, folder, number = Fleet(sys.argv[1]), Path(sys.argv[2]), 1000
print("begun", flush=True)
while not (folder / "stop").exists():
    number += 10
    door.load(fleet, [write(folder / f"load-{number}.csv", [row(number + n) for n in range(5)])])
    stages.build(fleet)
"""


@pytest.fixture
def fleet(tmp_path):
    """A fleet that already lets old snapshots go, with a mapping and places of its own."""
    made = Fleet(tmp_path / "fleet").create()
    made.places.write_text(
        "agency,postal_code,region,elevation_ft,spread_ft\n,,Upper,600,50\n", encoding="utf-8"
    )
    made.policy.write_text("[limits]\nsnapshots_kept = 1\n", encoding="utf-8")
    load_more(made, 0)
    return made


def load_more(fleet, number):
    """One more export, and the snapshot with it."""
    rows = [row(number + n) for n in range(5)]
    path = write(fleet.path.parent / f"export-{number}.csv", rows)
    door.load(fleet, [path])
    stages.build(fleet)


def step(folder, command):
    subprocess.run(["sh", "-c", command], cwd=folder, capture_output=True, timeout=60)


def coldfill(*words):
    return subprocess.run(
        [sys.executable, "-m", "pipelines.cli", *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )


def found_whole(copy, lines):
    """A copy is proven, once its snapshot is made anew where the log is ahead, and has so many lines."""
    done = coldfill("verify", "--fleet", copy.path)
    faults = done.stderr.strip().split("\n") if done.returncode else []
    assert all(
        "from other inputs than the fleet holds now: run coldfill rebuild" in fault for fault in faults
    )
    for command in PROOF.replace("--fleet copy", f"--fleet {copy.path}").split(" && "):
        done = coldfill(*command.split()[1:])
        assert done.returncode == 0, done.stderr
    log = copy.log()
    assert len(log) >= lines
    assert snapshots.attach(copy.current()).rows("SELECT count(*) FROM readings") == [(5 * len(log),)]


@pytest.mark.slow
def test_a_copy_is_whole_with_a_load_between_any_two_steps(tmp_path, fleet):
    for n, command in enumerate(RECIPE):
        step(tmp_path, command)
        load_more(fleet, 100 + 10 * n)
    found_whole(Fleet(tmp_path / "copy"), lines=2)


@pytest.mark.slow
@pytest.mark.parametrize("after", range(len(RECIPE)) if FULL else (0, len(RECIPE) - 1))
def test_a_copy_is_whole_with_several_loads_after_one_step(tmp_path, fleet, after):
    for n, command in enumerate(RECIPE):
        step(tmp_path, command)
        for number in (100, 110) if n == after else ():
            load_more(fleet, number)
    found_whole(Fleet(tmp_path / "copy"), lines=1)


@pytest.mark.slow
@pytest.mark.parametrize("early", ["fleet/exports", "fleet/*.csv"])
def test_a_copy_in_another_order_is_told_from_a_whole_one(tmp_path, fleet, early):
    """What `verify` says of exports copied before the log, and of logs copied before the snapshots."""
    steps = list(RECIPE)
    first = next(one for one in steps if early in one)
    steps.remove(first)
    steps.insert(1, first)
    for command in steps:
        step(tmp_path, command)
        if command == first:
            load_more(fleet, 100)
    done = coldfill("verify", "--fleet", tmp_path / "copy")
    assert done.returncode == 1
    assert "Traceback" not in done.stderr


@pytest.mark.slow
def test_copies_taken_while_another_process_loads_are_whole(tmp_path, fleet):
    loading = subprocess.Popen(
        [sys.executable, "-c", LOADING, fleet.path, tmp_path],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert loading.stdout.readline() == "begun\n"
        lines, copies = 0, []
        while len(copies) < COPIES:
            before = len(fleet.log())
            if before == lines:
                continue
            lines = before
            for command in RECIPE:
                step(tmp_path, command)
            copies.append((tmp_path / f"copy-{len(copies)}", before))
            (tmp_path / "copy").rename(copies[-1][0])
        assert loading.poll() is None
    finally:
        (tmp_path / "stop").touch()
        loading.communicate(timeout=120)
    assert loading.returncode == 0
    for path, before in copies:
        found_whole(Fleet(path), lines=before)
