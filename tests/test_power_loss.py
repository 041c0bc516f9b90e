"""Power lost at any moment of a load: the fleet is as before it or as after it, and the next load goes on.

A load runs in another process, where each call that changes files leaves a record of the folder: which
names there are, which file each one is, what it holds, and what was waited for to be on the disk. From
every prefix of these records disks are made as they might be found afterwards. What was waited for is
there; of the rest, names may be old or new, each for itself, and bytes may be there, lost, cut short or
zeros. DuckDB's own waiting counts for nothing.
"""

import hashlib
import os
import pickle
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from pipelines.fleet import equality, snapshots
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.receiving import door
from pipelines.snapshot import stages
from tests.small_exports import row, write

ROOT = Path(__file__).parents[1]
FULL = os.environ.get("COLDFILL_FULL") == "1"
A_FOLDER = "a folder"
UNSYNCED = "kept", "lost", "torn", "zeros"  # what may become of bytes nobody waited for

# Writes a record after each call: its name, the file it waited for, and every name below a folder.
RECORDING = """
import hashlib, os, pickle, signal, stat, sys, threading
root, journal, die_after = sys.argv.pop(1), open(sys.argv.pop(1), "ab"), sys.argv.pop(1)
real = {name: getattr(os, name) for name in dir(os)}
numbers, count, held, told, lock = {}, 0, {}, set(), threading.RLock()

def tree():
    global count
    found, there = {}, set()
    for folder, folders, files in os.walk(root):
        for name in ["."] * (folder == root) + folders + files:
            path = os.path.join(folder, name)
            one = os.lstat(path)
            there.add(one.st_ino)
            if one.st_ino not in numbers:
                count += 1
                numbers[one.st_ino] = os.getpid(), count
            number = numbers[one.st_ino]
            found[os.path.relpath(path, root)] = number, content(path, number, one)
    for gone in numbers.keys() - there:
        del numbers[gone]
    return found

def content(path, number, one):
    if stat.S_ISDIR(one.st_mode):
        return "a folder"
    as_of = one.st_size, one.st_mtime_ns
    if held.get(number, (None,))[0] != as_of:
        with open(path, "rb") as file:
            data = file.read()
        held[number] = as_of, hashlib.sha256(data).hexdigest()
        if held[number][1] not in told:
            told.add(held[number][1])
            pickle.dump(("data", held[number][1], data), journal)
    return held[number][1]

def record(call, about, synced=None):
    with lock:
        found = tree()
        pickle.dump((call, about, numbers.get(synced), found), journal)
        journal.flush()
    if die_after and f"{call} {about}".startswith(die_after):
        real["kill"](os.getpid(), signal.SIGKILL)

def recorded(name):
    def call(handle, *rest, **more):
        inode = os.fstat(handle).st_ino if name in ("fsync", "fdatasync") else None
        about = os.readlink(f"/proc/self/fd/{handle}") if isinstance(handle, int) else str(handle)
        found = real[name](handle, *rest, **more)
        if root in about or any(root in str(one) for one in rest):
            record(name, os.path.relpath(about, root), inode)
        return found
    return call

CALLS = "open write pwrite fsync fdatasync rename replace link unlink remove ftruncate truncate mkdir rmdir"
record("begin", ".")
for name in CALLS.split():
    setattr(os, name, recorded(name))
from pipelines.cli import main
main()
"""


def recorded_load(folder, export, journal, die_after=""):
    """Load an export in another process that keeps records; it dies after a call that is named."""
    arguments = [str(folder), str(journal), die_after, "load", str(export), "--fleet", str(folder / "fleet")]
    done = subprocess.run(
        [sys.executable, "-c", RECORDING, *arguments], cwd=ROOT, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == (-9 if die_after else 0), done.stderr


def read_journal(path):
    """(records in order, data by hash); a file has one number in all runs."""
    records, data, same, last = [], {}, {}, {}
    with open(path, "rb") as file:
        while file.peek(1):
            record = pickle.load(file)
            if record[0] == "data":
                data[record[1]] = record[2]
                continue
            call, about, synced, tree = record
            if call == "begin":
                same = {tree[at][0]: last[at][0] for at in tree.keys() & last.keys()}
            last = {at: (same.get(number, number), held) for at, (number, held) in tree.items()}
            records.append((call, about, same.get(synced, synced), last))
    return records, data


@dataclass
class Disk:
    """What a disk is sure to hold, and in order the changes of names that nobody waited for."""

    names: dict[str, tuple] = field(default_factory=dict)
    sure: dict[tuple, str] = field(default_factory=dict)
    latest: dict[tuple, str] = field(default_factory=dict)
    pending: list[dict[str, tuple | None]] = field(default_factory=list)

    def follow(self, record, before):
        """Take in a record, and the names there were before it."""
        call, _, synced, tree = record
        now = {path: number for path, (number, _) in tree.items()}
        changed = {
            path: now.get(path)
            for path in sorted(before.keys() | now.keys())
            if before.get(path) != now.get(path)
        }
        self.latest |= dict(tree.values())
        if call in ("rename", "replace"):
            self.pending += [changed]
        else:
            self.pending += [{path: number} for path, number in changed.items()]
        if synced is not None and self.latest.get(synced) != A_FOLDER:
            self.sure[synced] = self.latest[synced]
        for folder in [path for path, number in now.items() if number == synced]:
            self.waited_for_names_in(folder)
        return now

    def waited_for_names_in(self, folder):
        """What changed directly in a folder is on the disk; of a rename it is the new name that counts."""
        rest = []
        for change in self.pending:
            new = [path for path, number in change.items() if number is not None] or list(change)
            if any((os.path.dirname(path) or ".") == folder for path in new):
                apply(self.names, change)
            else:
                rest.append(change)
        self.pending = rest

    def images(self):
        """(what is lost, hash and length and way to cut by path) of the disks that may be found now."""
        every = range(len(self.pending))
        lost_changes = {(): None, tuple(every): None}
        lost_changes |= {(n,): None for n in every} | {tuple(every[n:]): None for n in every}
        lost_changes |= {tuple(one for one in every if one != n): None for n in every}
        for lost in lost_changes:
            names = dict(self.names)
            for n in every:
                if n not in lost:
                    apply(names, self.pending[n])
            for way in UNSYNCED:
                files = {}
                for path, number in names.items():
                    latest, sure = self.latest[number], self.sure.get(number)
                    files[path] = latest, sure, "kept" if latest in (sure, A_FOLDER) else way
                gone = ", ".join(path for n in lost for path in self.pending[n])
                unsynced = [path for path, (*_, way) in files.items() if way != "kept"]
                yield f"names lost: {gone or 'none'}; bytes {way}: {', '.join(unsynced) or 'all'}", files


def apply(names, change):
    for path, number in change.items():
        if number is None:
            names.pop(path, None)
        else:
            names[path] = number


def bytes_of(image, data):
    """Path → bytes of a file of an image, None of a folder; a lost folder takes what is in it along."""
    found = {}
    for path in sorted(image):
        latest, sure, way = image[path]
        parent = os.path.dirname(path)
        if parent and found.get(parent, b"") is not None:
            continue
        if latest == A_FOLDER:
            found[path] = None
            continue
        new, old = data[latest], data.get(sure, b"")
        found[path] = {
            "kept": new,
            "lost": old,
            "torn": new[: (len(old) + len(new)) // 2],
            "zeros": new[: len(old)] + bytes(max(0, len(new) - len(old))),
        }[way]
    return found


def laid_out(files, folder):
    for path, held in files.items():
        if held is None:
            (folder / path).mkdir(parents=True)
        else:
            (folder / path).write_bytes(held)


def visible(files):
    """What a reader of the fleet can tell two images by."""
    return frozenset(
        (path, held) for path, held in files.items() if not any(part[0] == "." for part in path.split("/"))
    )


def faults_of(fleet, allowed):
    """What of a fleet is neither as before nor as after; `allowed` are the bytes of its current snapshot."""
    faults = []
    try:
        if fleet.exists():
            fleet.status()
        for line in fleet.log():
            if hashlib.sha256(fleet.export_path(line.sha256).read_bytes()).hexdigest() != line.sha256:
                faults.append(f"{line.file_name} has other bytes than its line says")
        current = fleet.current()
        for path in fleet.snapshots():
            snapshots.attach(path).rows("SELECT count(*) FROM homes")
            if fleet.state_of(path) is None:
                faults.append(f"{path.name} has no line in states.csv")
        if (current.read_bytes() if current else None) not in allowed:
            faults.append(f"{current and current.name} is neither the snapshot before nor the one after")
    except FleetError as error:
        faults.append(str(error))
    return faults


def goes_on(fleet, export, after):
    """What hinders the next load from coming to where the load would have come."""
    try:
        door.load(fleet, [export])
        different = equality.equal(stages.build(fleet), after)
        return [f"loaded again: {one.table}: {one.what}" for one in different] + stages.verify(fleet)
    except FleetError as error:
        return [f"loaded again: {error}"]


def violations(tmp_path, export, journal):
    """(number of different disks that were tried, sentences about those that hold something else).

    After the last record only the fleet as after the load will do.
    """
    records, data = read_journal(journal)
    before, after = (current_in(records[n][3], data) for n in (0, -1))
    tree = records[0][3]
    now = {path: number for path, (number, _) in tree.items()}
    disk = Disk(dict(now), dict(tree.values()), dict(tree.values()))
    whole = tmp_path / "whole.duckdb"
    whole.write_bytes(after)
    seen, wrong = {}, []
    for n, record in enumerate(records):
        now = disk.follow(record, now)
        last = n == len(records) - 1
        for lost, image in disk.images():
            files = bytes_of(image, data)
            key = visible(files), last
            if key in seen:
                continue
            folder = tmp_path / f"disk-{len(seen)}"
            seen[key] = folder
            laid_out(files, folder)
            fleet = Fleet(folder / "fleet")
            faults = faults_of(fleet, [after] if last else [before, after])
            if (FULL or len(seen) % 4 == 0 or last) and not faults:
                faults = goes_on(fleet, export, whole)
            wrong += [f"after {record[0]} {record[1]} ({lost}): {fault}" for fault in faults]
    return len(seen), wrong


def current_in(tree, data):
    """Bytes of the current snapshot, None where there is none."""
    found = [path for path in tree if Path(path).parent.name == "snapshots" and path.endswith(".duckdb")]
    return data[tree[max(found)][1]] if found else None


@pytest.fixture
def export(tmp_path):
    return write(tmp_path / "second.csv", [row(number, cold="9") for number in range(20, 32)])


@pytest.mark.slow
def test_power_lost_in_the_first_load_of_a_fleet(tmp_path, export):
    """Neither the folder nor anything in it was there before."""
    folder = tmp_path / "disk"
    folder.mkdir()
    recorded_load(folder, export, tmp_path / "journal")
    tried, wrong = violations(tmp_path, export, tmp_path / "journal")
    assert tried >= 8
    assert wrong == []


@pytest.mark.slow
def test_power_lost_in_a_load_into_a_fleet_that_holds_exports(tmp_path, export):
    folder = tmp_path / "disk"
    fleet = Fleet(folder / "fleet")
    door.load(fleet, [write(tmp_path / "first.csv", [row(number) for number in range(12)])])
    stages.build(fleet)
    recorded_load(folder, export, tmp_path / "journal")
    tried, wrong = violations(tmp_path, export, tmp_path / "journal")
    assert tried >= 8
    assert wrong == []


@pytest.mark.slow
@pytest.mark.parametrize(
    "die_after",
    ["rename fleet/exports", "write fleet/received.csv", "write fleet/states.csv", "rename fleet/snap"],
)
def test_power_lost_after_a_load_that_went_on_where_a_killed_one_stopped(tmp_path, export, die_after):
    """What the killed run wrote and did not wait for, the next run finds there, and must wait for itself."""
    folder = tmp_path / "disk"
    folder.mkdir()
    recorded_load(folder, export, tmp_path / "journal", die_after)
    recorded_load(folder, export, tmp_path / "journal")
    tried, wrong = violations(tmp_path, export, tmp_path / "journal")
    assert tried >= 8
    assert wrong == []
