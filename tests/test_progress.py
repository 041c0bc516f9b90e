"""A long load on a terminal shows where it is; CTRL-C stops
it at any moment with one line, and nothing is half done.
"""

import os
import pty
import random
import re
import select
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from pipelines import terminal
from pipelines.fleet import equality
from pipelines.fleet.folder import Fleet
from pipelines.receiving import door
from pipelines.snapshot import stages
from pipelines.snapshot.progress import Progress
from tests.small_exports import row, write

ROOT = Path(__file__).parents[1]
FULL = os.environ.get("COLDFILL_FULL") == "1"
STOPPED = "Stopped. What was committed before is kept; run the command again to go on.\n"


@pytest.fixture(scope="module")
def inbox(tmp_path_factory):
    folder = tmp_path_factory.mktemp("inbox")
    for part in range(3):
        write(
            folder / f"part [b]{part}.csv",
            [row(number, notes="x" * 40) for number in range(part * 9000, part * 9000 + 9000)],
        )
    return folder


@pytest.fixture(scope="module")
def undisturbed(inbox, tmp_path_factory):
    fleet = Fleet(tmp_path_factory.mktemp("whole") / "fleet")
    door.load(fleet, [inbox])
    stages.build(fleet)
    return fleet


def command(folder, fleet):
    return [sys.executable, "-m", "pipelines.cli", "load", str(folder), "--fleet", str(fleet.path)]


def test_the_file_at_hand_rows_and_bytes_are_told(inbox, tmp_path):
    fleet, said = Fleet(tmp_path / "fleet"), []
    door.load(fleet, [inbox])
    stages.build(fleet, Progress(file=lambda *what: said.append(what)))
    names, rows, done, of = zip(*said, strict=True)
    assert list(dict.fromkeys(names)) == [f"part [b]{part}.csv" for part in range(3)]
    assert rows[0] == 0 and rows[-1] == 27_000 and list(rows) == sorted(rows)
    assert list(done) == sorted(done) and done[-1] == of[-1] == sum(
        path.stat().st_size for path in inbox.iterdir()
    )


@pytest.mark.slow
def test_a_terminal_shows_the_file_the_rows_and_the_time_left(inbox, tmp_path):
    own, other = pty.openpty()
    environment = os.environ | {"TERM": "xterm", "COLUMNS": "120"}
    process = subprocess.Popen(
        command(inbox, Fleet(tmp_path / "fleet")),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=other,
        env=environment,
    )
    os.close(other)
    shown = b""
    while process.poll() is None or select.select([own], [], [], 0)[0]:
        if select.select([own], [], [], 0.1)[0]:
            try:
                shown += os.read(own, 65536)
            except OSError:  # the other end is closed
                break
    os.close(own)
    with process.stdout as printed:
        lines = printed.read().decode().splitlines()
    assert (
        process.wait() == 0 and lines[-1].startswith("snapshot") and not any("\x1b" in line for line in lines)
    )
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", shown.decode())
    assert re.search(r"reading part \[b\][012]\.csv .*[0-9,]+ rows .*left", text), text[-2000:]
    assert "recomputing and checking" in text


@pytest.mark.slow
def test_without_a_terminal_nothing_is_said_of_progress(inbox, tmp_path):
    done = subprocess.run(
        command(inbox, Fleet(tmp_path / "fleet")), cwd=ROOT, capture_output=True, text=True, check=True
    )
    assert done.stderr == "" and not any(
        word in done.stdout for word in ("\x1b", "recomputing", "reading part")
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    "share", [(at + random.Random(at).random()) / (24 if FULL else 6) for at in range(24 if FULL else 6)]
)
def test_ctrl_c_at_any_moment_stops_cleanly(inbox, undisturbed, tmp_path, share):
    fleet = Fleet(tmp_path / "fleet")
    process = subprocess.Popen(
        command(inbox, fleet), cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    give_up = time.monotonic() + 60
    while (
        not (fleet.path / ".load.lock").exists() and time.monotonic() < give_up
    ):  # at work, its own handling of CTRL-C in place
        time.sleep(0.01)
    time.sleep(share * 2.0)
    process.send_signal(signal.SIGINT)
    printed, said = process.communicate(timeout=60)
    # Python ends by the signal itself, after all is tidied, where it struck while an import executed a text.
    assert said == STOPPED and process.returncode in (1, -signal.SIGINT) or "snapshot  " in printed, (
        process.returncode,
        said,
    )
    assert not list(fleet.path.rglob(".incoming-*")) and not list(fleet.snapshots_folder.glob(".building-*"))
    door.load(fleet, [inbox])
    assert equality.equal(stages.build(fleet), undisturbed.current()) == []
    shutil.rmtree(fleet.path, ignore_errors=True)


def test_an_interruption_waits_until_a_library_is_imported_whole(monkeypatch):
    """Compiled code that is interrupted while it is imported ends the process, and says nothing of use."""
    library = SimpleNamespace(__spec__=SimpleNamespace(_initializing=True))
    monkeypatch.setitem(sys.modules, "duckdb", library)
    with pytest.raises(KeyboardInterrupt), terminal._interruptions() as pressed:
        os.kill(os.getpid(), signal.SIGINT)
        assert pressed == [signal.SIGINT]  # held back
        library.__spec__._initializing = False
        time.sleep(5)
    assert len(pressed) == 2
