"""Other processes judge as this one does, and none outlives what started it."""

import os
import signal
import subprocess
import sys
import time

import psutil
import pytest

from pipelines.engine.policy import policy as policies
from pipelines.fleet import equality, publishing
from pipelines.fleet.logs import FleetError
from pipelines.receiving import door
from pipelines.snapshot import batches, comparison, crew_names, inputs, places, stages, workers
from pipelines.snapshot.batches import AT_HAND, WORKERS
from pipelines.snapshot.progress import Progress
from tests.conftest import SAMPLES
from tests.test_build import fleet_at


@pytest.fixture(scope="module")
def inspections(sample_fleet):
    """All inspections of the samples as one batch."""
    with publishing.scratch() as draft:
        connection = draft.connect()
        stages.fill(connection, sample_fleet, sample_fleet.received(), inputs.read(sample_fleet), Progress())
        connection.execute("CREATE TABLE compared (row BIGINT, repeated DOUBLE, gallons DOUBLE, days BIGINT)")
        comparison.strands(connection)
        places.places_table(connection, sample_fleet.places.read_bytes(), sample_fleet.places)
        crew_names.renamed_table(connection, ())
        yield batches.batch(connection, 0, 1)


def noted(monkeypatch):
    """The processes that are started from now on, as they come."""
    started, process = [], workers._Process
    monkeypatch.setattr(workers, "_Process", lambda policy: started.append(process(policy)) or started[-1])
    return started


@pytest.mark.slow
def test_processes_and_small_slices_come_to_an_equal_snapshot(tmp_path, sample_fleet, monkeypatch):
    monkeypatch.setattr(stages, "BYTES_FOR_PROCESSES", 1)
    monkeypatch.setattr(batches, "ROWS_AT_ONCE", 300)
    monkeypatch.setattr(batches, "ROWS_FETCHED", 1000)
    monkeypatch.setattr(stages, "WORKERS", 2)
    started = noted(monkeypatch)
    fleet = fleet_at(tmp_path / "fleet")
    door.load(fleet, [SAMPLES])
    assert equality.equal(stages.build(fleet), sample_fleet.current()) == []
    assert len(started) == 2 and all(
        one.process.poll() is not None for one in started
    )  # they worked, and they ended


def test_the_same_tables_from_another_process(inspections):
    policy = policies.load()
    mine, shown = workers.judge(inspections, policy)
    with workers.judges(policy, 2) as judge:
        theirs, their_shown = judge(inspections)
    assert their_shown == shown and mine.keys() == theirs.keys()
    for name, table in mine.items():
        assert table.combine_chunks().equals(theirs[name]), name


def test_a_process_that_dies_is_said(inspections, monkeypatch):
    started = noted(monkeypatch)
    with workers.judges(policies.load(), 2) as judge:
        for one in started:
            one.process.kill()
        with pytest.raises(FleetError, match="A process that worked out inspections ended"):
            judge(inspections)


def test_none_outlives_a_build_that_was_killed():
    code = """
import time
from pipelines.snapshot import workers
from pipelines.engine.policy import policy
with workers.judges(policy.load(), 2):
    print('ready', flush=True)
    time.sleep(60)
"""
    parent = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE, text=True)
    assert parent.stdout.readline() == "ready\n"
    children = psutil.Process(parent.pid).children()
    assert len(children) == 2
    os.kill(parent.pid, signal.SIGKILL)
    parent.wait()
    parent.stdout.close()
    end = time.monotonic() + 20.0
    while (
        any(child.is_running() and child.status() != psutil.STATUS_ZOMBIE for child in children)
        and time.monotonic() < end
    ):
        time.sleep(0.1)
    assert not any(child.is_running() and child.status() != psutil.STATUS_ZOMBIE for child in children)


def test_a_build_that_fails_does_not_work_out_the_rest_first(tmp_path, monkeypatch):
    """CTRL-C comes to the thread that waits in the same way."""
    monkeypatch.setattr(batches, "ROWS_AT_ONCE", 50)
    asked = []

    def fails(table, policy):
        asked.append(table.num_rows)
        raise ValueError("cannot")

    monkeypatch.setattr(workers, "judge", fails)
    fleet = fleet_at(tmp_path / "fleet")
    door.load(fleet, [SAMPLES / "tillamere-community-partners.csv"])
    with pytest.raises(ValueError, match="cannot"):
        stages.build(fleet)
    assert 1 <= len(asked) <= AT_HAND  # of some twenty
    assert fleet.current() is None


@pytest.fixture
def pythons_own_handler():
    """Whatever else ran in this process left behind, an interrupt raises KeyboardInterrupt."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def test_an_interrupt_ends_within_the_batch_at_hand(tmp_path, monkeypatch, pythons_own_handler):
    monkeypatch.setattr(batches, "ROWS_AT_ONCE", 50)
    judge, asked = workers.judge, []

    def interrupted(table, policy):
        asked.append(table.num_rows)
        if len(asked) == 1:
            os.kill(os.getpid(), signal.SIGINT)
        time.sleep(0.2)
        return judge(table, policy)

    monkeypatch.setattr(workers, "judge", interrupted)
    fleet = fleet_at(tmp_path / "fleet")
    door.load(fleet, [SAMPLES / "tillamere-community-partners.csv"])
    with pytest.raises(KeyboardInterrupt):
        stages.build(fleet)
    assert len(asked) <= 2 * (WORKERS + 1)
    assert fleet.current() is None
