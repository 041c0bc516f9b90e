"""What cannot be used is refused in one line with the remedy and exit status 1, and nothing is half done."""

import os
import re
import resource
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner

from pipelines import cli
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door, kept_uploads
from pipelines.snapshot import stages
from tests.small_exports import HEADINGS, row, write

ROOT = Path(__file__).parents[1]
FULL = os.environ.get("COLDFILL_FULL") == "1"
PLACES = "agency,postal_code,region,elevation_ft,spread_ft"


def coldfill(*words, prepare=None, cwd=ROOT, **environment):
    """The command in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "pipelines.cli", *map(str, words)],
        cwd=cwd,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | environment,
        capture_output=True,
        text=True,
        timeout=120,
        preexec_fn=prepare,
    )


def asked(*words):
    """The command in this process, told like one of its own; an error that it does not tell is raised."""
    done = CliRunner().invoke(cli.main, [*map(str, words)])
    if not isinstance(done.exception, SystemExit | None):
        raise done.exception
    return SimpleNamespace(returncode=done.exit_code, stdout=done.stdout, stderr=done.stderr)


def scripted(script, command, export, fleet):
    """A command run by a script that first changes what the command meets."""
    return subprocess.run(
        [sys.executable, "-c", script, command, export, "--fleet", fleet.path],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )


def refused(done, *words):
    """A command ended with exit status 1 and one line that has all these words in it."""
    assert "Traceback" not in done.stderr
    assert done.returncode == 1, done.stderr
    lines = done.stderr.strip().split("\n")
    assert len(lines) == 1, done.stderr
    for word in words:
        assert word in lines[0]


def untouched(fleet):
    """Nothing was published and nothing half made lies about."""
    assert fleet.current() is None
    assert not list(fleet.path.glob("**/.building-*"))
    assert not list(fleet.path.glob("**/.incoming-*"))


@pytest.fixture
def fleet(tmp_path):
    return Fleet(tmp_path / "fleet")


@pytest.fixture
def export(tmp_path):
    return write(tmp_path / "export.csv", [row(number) for number in range(12)])


# Settings of the fleet


@pytest.mark.parametrize(
    ("held", "words"),
    [
        (f"{PLACES}\n,,Übersee,600,50\n".encode("cp1252"), ("line 2", "UTF-8")),
        (f"{PLACES}\n,,Upper,600,50\n,,Übersee,600,50\n".encode("cp1252"), ("line 3", "UTF-8")),
        (f"{PLACES}\n,,Upper,600,50\n".encode("utf-16"), ("UTF-8",)),
        (f"{PLACES}\n,,Upper,nan,50\n".encode(), ("line 2", "elevation_ft")),
        (f"{PLACES}\n,,Upper,1e999,50\n".encode(), ("line 2", "elevation_ft")),
        (f"{PLACES}\n,,Upper,600,-inf\n".encode(), ("line 2", "spread_ft")),
        (f"{PLACES}\n,,Upper,600\n".encode(), ("line 2",)),
        (f"{PLACES}\n,,Upper,600,50,7\n".encode(), ("line 2",)),
        (f"{PLACES}\n,,\0,600,50\n".encode(), ("line 2",)),
        (f'{PLACES}\n,,"{"x" * 140_000}",600,50\n'.encode(), ("line 2",)),
        (b"agency,region\n", ("line 1", "postal_code")),
    ],
)
def test_places_that_cannot_be_read_name_file_and_line(fleet, export, held, words):
    fleet.create().places.write_bytes(held)
    refused(asked("load", export, "--fleet", fleet.path), str(fleet.places), *words)
    untouched(fleet)


@pytest.mark.parametrize(
    "text",
    [
        "[limits]\ncharge_tolerance_psi = 1e400",
        "[limits]\ncharge_tolerance_psi = inf",
        "[limits]\ncharge_tolerance_psi = nan",
        "[limits]\ncharge_tolerance_psi = -2",
        f"[limits]\ncharge_tolerance_psi = {10**400}",
        f"[limits]\ncharge_tolerance_psi = {'9' * 5000}",
        "[limits]\nsnapshots_kept = 1e300",
        f"[limits]\nsnapshots_kept = {10**400}",
        "[limits]\nsnapshots_kept = 0",
        "[limits]\nsnapshots_kept = 2.5",
        f"[limits]\nrepeated_within_days = {10**30}",
        f"[emitter_gal_per_1000_btuh]\nfin_tube = {10**400}",
        f"[clocks]\nhigh = [1, {10**400}]",
        "[clocks]\nhigh = [true, 5]",
        "[clocks]\nhigh = [30, 10]",
        f"[risk.precharge-low]\nseverity = {10**400}",
        "[risk.precharge-low]\nseverity = true",
        "[risk.precharge-low]\nseverity = [1]",
        "[limits]\ncharge_tolerance_psi = 2026-01-01",
        "[[region]]\nname = 'Upper'\nagency = 7",
        "[accepted]\nlow_water_cutoff = [[1]]",
        "[risk_matrix]\nA = [[1], 2, 3, 4]",
        "[limits.charge_tolerance_psi]\nvalue = 3\nmark = ['policy']",
        "[limits.charge_tolerance_psi]\nvalue = 3\nwhy = 2026-01-01",
        "limits = 3",
        "x = " + "[" * 3000 + "]" * 3000,
        "\ufeff[limits]\ncharge_tolerance_psi = -1",
    ],
)
@pytest.mark.parametrize("words", [("policy",), pytest.param(("load",), marks=pytest.mark.slow)])
def test_a_policy_with_absurd_values_names_the_file_and_the_key(fleet, export, text, words):
    fleet.create().policy.write_text(text, encoding="utf-8")
    words = (*words, export) if words == ("load",) else words
    done = asked(*words, "--fleet", fleet.path)
    refused(done, str(fleet.policy))
    assert len(done.stderr) < 1000
    untouched(fleet)


def test_a_policy_that_is_a_folder_or_not_readable(fleet, export):
    fleet.create().policy.mkdir()
    refused(coldfill("load", export, "--fleet", fleet.path), str(fleet.policy))
    fleet.policy.rmdir()
    fleet.policy.write_bytes("[limits] # Übersee".encode("cp1252"))
    refused(coldfill("load", export, "--fleet", fleet.path), str(fleet.policy))
    fleet.policy.unlink()
    (fleet.mappings / "own.toml").write_bytes("agency = 'Übersee'".encode("cp1252"))
    refused(coldfill("load", export, "--fleet", fleet.path), "own.toml")
    untouched(fleet)


# Paths


@pytest.mark.slow
@pytest.mark.parametrize(
    "name",
    [
        "two words",
        "a#b",
        "it's",
        'say "so"',
        "semi;colon",
        "[x]",
        "per%20cent",
        "x=1&y",
        "Über",
        "a*b",
    ],
)
def test_a_fleet_s_path_may_hold_any_mark(tmp_path, export, name):
    fleet = Fleet(tmp_path / name / "fleet #'")
    done = asked("load", export, "--fleet", fleet.path)
    assert (done.returncode, done.stderr) == (0, "")
    more = write(tmp_path / "more '?#.csv", [row(number) for number in range(20, 24)])
    assert asked("load", more, "--fleet", fleet.path).returncode == 0
    done = asked("verify", "--fleet", fleet.path)
    assert (done.returncode, done.stderr) == (0, "")
    assert asked("flagged", "--fleet", fleet.path).returncode == 0
    assert {path.name for path in tmp_path.iterdir()} == {name, "export.csv", more.name}


def test_a_question_mark_in_the_path_is_refused_before_anything_is_made(tmp_path, export):
    """DuckDB takes what follows it for something else, and would write its log beside the fleet."""
    for path in (tmp_path / "what?", tmp_path / "what?" / "fleet"):
        refused(coldfill("load", export, "--fleet", path), str(path), "?", "--fleet")
    assert [path.name for path in tmp_path.iterdir()] == ["export.csv"]


# Files that are no exports


@pytest.mark.slow
def test_what_is_no_file_of_rows_is_kept_out(tmp_path, fleet):
    pipe, folder, empty = tmp_path / "pipe.csv", tmp_path / "folder.csv", tmp_path / "empty.csv"
    os.mkfifo(pipe)
    folder.mkdir()
    empty.touch()
    refused(coldfill("load", pipe, "--fleet", fleet.path), "pipe.csv", "pipe")
    refused(coldfill("load", empty, "--fleet", fleet.path), "empty.csv", "empty")
    refused(coldfill("load", folder, "--fleet", fleet.path), "folder.csv")
    refused(coldfill("load", "/dev/null", "--fleet", fleet.path), "null")
    for path in (pipe, empty):
        done = coldfill("load", path, "--preview", "--fleet", fleet.path)
        assert "Traceback" not in done.stderr
        assert path.name in done.stdout + done.stderr
        refused(coldfill("map", path, "--fleet", fleet.path), path.name)
    assert [line.status for line in fleet.log() if line.status == "loaded"] == []
    untouched(fleet)


def test_what_is_no_file_of_rows_does_not_hinder_the_others(tmp_path, fleet, export):
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "folder.csv").mkdir()
    (tmp_path / "empty.csv").touch()
    done = coldfill("load", tmp_path, "--fleet", fleet.path)
    assert done.returncode == 0
    assert "Traceback" not in done.stderr
    assert [line.file_name for line in fleet.log() if line.status == "loaded"] == ["export.csv"]


@pytest.mark.parametrize("blank", ["", "\n\n", "\n , ,\n", ",,,,,,,\n"])
def test_a_file_with_headings_only_is_not_loaded(tmp_path, fleet, blank):
    path = tmp_path / "headings.csv"
    path.write_text(",".join(HEADINGS) + "\n" + blank, encoding="utf-8")
    refused(asked("load", path, "--fleet", fleet.path), "headings.csv", "row")
    assert [line.status for line in fleet.log()] in ([], ["kept out"])
    untouched(fleet)


# As somebody else, once all modules are read, which may lie where only we may look.
AS_NOBODY = """
import os, sys, tempfile
from click.testing import CliRunner
from pipelines.cli import main
with tempfile.TemporaryDirectory() as folder:
    for words in (("load", sys.argv.pop(1)), ("verify",), ("status",), ("flagged",)):
        done = CliRunner().invoke(main, [*words, "--fleet", folder + "/fleet"])
        assert done.exit_code == 0, done.output
os.setgroups([])
os.setgid(65534)
os.setuid(65534)
main()
"""


def as_nobody(export, *words):
    return subprocess.run(
        [sys.executable, "-c", AS_NOBODY, export, *map(str, words)],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.fixture
def open_to_all():
    """A folder where anybody may write."""
    if os.getuid() != 0:
        pytest.skip("only root can run a command as somebody else")
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o777)
        yield Path(folder)


@pytest.mark.slow
def test_what_must_not_be_read_or_written_is_named(open_to_all, export):
    closed = open_to_all / "closed"
    closed.mkdir(mode=0o700)
    theirs = shutil.copyfile(export, open_to_all / "theirs.csv")
    theirs.chmod(0o600)
    done = as_nobody(export, "load", theirs, "--fleet", open_to_all / "fleet")
    refused(done, "theirs.csv", "ermission denied")
    theirs.chmod(0o644)
    for words in (("load", theirs), ("status",), ("verify",), ("flagged",)):
        done = as_nobody(export, *words, "--fleet", closed / "fleet")
        refused(done, str(closed), "ermission denied")
    assert list(closed.iterdir()) == []


@pytest.mark.slow
def test_another_user_is_told_that_they_may_not_look_and_not_that_there_is_nothing(open_to_all, export):
    fleet = Fleet(open_to_all / "fleet")
    done = coldfill("load", export, "--fleet", fleet.path, prepare=lambda: os.umask(0))
    assert done.returncode == 0
    theirs = shutil.copyfile(export, open_to_all / "theirs.csv")
    for words in (("status",), ("flagged",), ("verify",), ("load", theirs)):
        done = as_nobody(export, *words, "--fleet", fleet.path)
        refused(done, str(fleet.path), "ermission denied")


def modes(path):
    found = {}
    for one in (path, *path.rglob("*")):
        mode = stat.S_IMODE(one.lstat().st_mode)
        if one.is_dir():
            found[f"{one.relative_to(path)}/"] = mode
        else:
            found[str(one.relative_to(path))] = mode
    return found


def test_folders_and_files_of_a_fleet_have_the_least_rights(tmp_path, export):
    fleet = Fleet(tmp_path / "deep" / "fleet")
    before = os.umask(0)
    try:
        door.load(fleet, [export])
        stages.build(fleet)
        upload = kept_uploads.keep_upload(fleet, "sent.csv", b"a,b\n1,2\n")
        found = modes(fleet.path)
        kept_uploads.forget_upload(upload)
    finally:
        os.umask(before)
    for name, mode in found.items():
        read_only = re.match(r"(exports|snapshots|inputs|moments)/[^.]", name)
        assert oct(mode) == oct(0o700 if name.endswith("/") else 0o400 if read_only else 0o600), name


def test_a_fleet_that_was_open_to_others_is_closed_by_the_next_load(fleet, export, tmp_path):
    door.load(fleet, [export])
    stages.build(fleet)
    for path in (fleet.path, *fleet.path.rglob("*")):
        path.chmod(0o755 if path.is_dir() else 0o644)
    more = write(tmp_path / "more.csv", [row(number) for number in range(20, 24)])
    done = coldfill("load", more, "--fleet", fleet.path)
    assert done.returncode == 0
    assert {name: oct(mode) for name, mode in modes(fleet.path).items() if mode & 0o077} == {}


def test_a_folder_that_holds_other_things_keeps_its_rights(tmp_path, export):
    """Somebody names their home folder, or a shared one, for the fleet."""
    folder = tmp_path / "shared"
    folder.mkdir()
    folder.chmod(0o755)
    (folder / "letter.txt").write_text("theirs", encoding="utf-8")
    (folder / "letter.txt").chmod(0o644)
    assert coldfill("load", export, "--fleet", folder).returncode == 0
    assert oct(stat.S_IMODE(folder.stat().st_mode)) == oct(0o755)
    assert oct(stat.S_IMODE((folder / "letter.txt").stat().st_mode)) == oct(0o644)
    rooms = {name: oct(mode) for name, mode in modes(folder).items() if mode & 0o077}
    assert rooms == {"./": oct(0o755), "letter.txt": oct(0o644)}


# Memory, processes


@pytest.mark.slow
@pytest.mark.parametrize("megabytes", [300, 500, 700, 900, 1200, 1600] if FULL else [300, 900])
def test_too_little_memory_is_said_in_one_line(fleet, tmp_path, megabytes):
    """However early it runs out, nothing is half done, and with enough of it the same load goes through."""
    export = write(tmp_path / "export.csv", [row(number) for number in range(3_000)])

    def little():
        resource.setrlimit(resource.RLIMIT_AS, (megabytes << 20, megabytes << 20))

    done = coldfill("load", export, "--fleet", fleet.path, prepare=little, OMP_NUM_THREADS="1")
    assert "Traceback" not in done.stderr
    if done.returncode == 1:
        assert done.stderr.startswith("There was too little memory")
        untouched(fleet)
    # A library that ends the whole process leaves no more behind than a kill.
    assert done.returncode in (0, 1, 127, -signal.SIGABRT)
    assert coldfill("load", export, "--fleet", fleet.path).returncode == 0
    assert stages.verify(fleet) == []


WANTING = """
import resource, sys
from pipelines import cli
from pipelines.receiving import door
def load(*words, **named):
    most = {most}
    resource.setrlimit(resource.RLIMIT_AS, (most, resource.RLIM_INFINITY))
    raise {raised}
door.load = load
cli.main()
"""


@pytest.mark.parametrize(
    ("raised", "most"),
    [
        ("SystemError('error return without exception set')", "resource.RLIM_INFINITY"),
        ("RuntimeError('std::bad_alloc: Out of memory')", "resource.RLIM_INFINITY"),
        ("TypeError('a library that came without its parts')", "100 << 20"),
    ],
)
def test_want_of_memory_is_told_however_a_library_puts_it(fleet, export, raised, most):
    refused(scripted(WANTING.format(raised=raised, most=most), "load", export, fleet), "too little memory")
    untouched(fleet)


def test_a_fault_while_there_is_memory_stays_one(fleet, export):
    fault = WANTING.format(raised="TypeError('a fault of ours')", most="resource.RLIM_INFINITY")
    assert "a fault of ours" in scripted(fault, "load", export, fleet).stderr


@pytest.mark.slow
def test_a_killed_worker_is_said_in_one_line(fleet, export):
    """Of the processes that judge, one dies before its first answer."""
    killing = """
import os, signal
from pipelines.snapshot import stages, workers
stages.BYTES_FOR_PROCESSES = 0
whole = workers._Process.ask
def ask(self, table):
    os.kill(self.process.pid, signal.SIGKILL)
    return whole(self, table)
workers._Process.ask = ask
from pipelines.cli import main
main()
"""
    refused(scripted(killing, "load", export, fleet), "process", "memory", "again")
    untouched(fleet)
    assert coldfill("load", export, "--fleet", fleet.path).returncode == 0


# Uploads


def test_uploads_left_over_go_at_the_next_start(fleet):
    """What a server that is gone left; those of one that serves now stay."""
    fleet.create()
    left = kept_uploads.keep_upload(fleet, "left.csv", b"a,b")
    with kept_uploads.serving(fleet):
        assert not left.exists()
        kept = kept_uploads.keep_upload(fleet, "kept.csv", b"a,b")
        with kept_uploads.serving(fleet):
            assert kept.exists()
        assert kept.exists()
    with kept_uploads.serving(Fleet(fleet.path / "none")):
        assert kept.exists()
