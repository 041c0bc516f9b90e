"""What a snapshot would say under another policy, or of what was received by a day: never published.

A trial is worked out from the rows that the current snapshot holds, with the places and crews it was made
with, so that the policy alone is what differs. Crews are not compared and nothing is tallied: no open
deficiency rests on that.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date

import pyarrow as pa

from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.publishing import scratch
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot import described, inputs, stages, version, workers
from pipelines.snapshot.batches import WORKERS
from pipelines.snapshot.exports import known_ids
from pipelines.snapshot.progress import Progress
from pipelines.snapshot.was_open import moment

ROWS_FOR_PROCESSES = 100_000  # fewer are worked out in this process, since others cost more than they save
RECEIVED = ("received_rows", "not_loaded", "spellings", "exports_read")  # what a trial takes from a snapshot


@contextmanager
def trial(fleet: Fleet, text: bytes, name: str, progress: Progress | None = None) -> Iterator[Snapshot]:
    """What the fleet's current snapshot would be under the text of a policy, which errors call `name`.

    It holds what was received, all that is worked out of single homes, and what that rests on; it is gone
    when the block ends. PolicyError where the text cannot be used; FleetError where no snapshot can be read.
    """
    progress = progress or Progress()
    current = version.attach(fleet.snapshot()).path
    state = fleet.state_of(current)
    if state is None:
        raise FleetError(f"{fleet.states_log.path} does not say what {current.name} was made from.")
    before = inputs.kept(fleet, state.inputs)
    read = inputs.with_policy(before, text, name)
    received = fleet.received(fleet.log()[: state.log_length])
    with scratch() as made:
        if known_ids(read.policy) == known_ids(before.policy):
            progress.stage("copying what was received")
            made.copy(current)
            _drop_all_but(made.connect(), RECEIVED)
        else:  # an id of a measure is read, or not, in the cells of the exports
            stages.read_exports(made.connect(), fleet, received, read, progress)
        connection = made.connect()
        shown = _worked_out(connection, fleet, read, progress)
        described.describe(connection, read.policy, shown)
        stages.runs_table(connection, read.hashes, received, progress)
        progress.say("comparing with what is open now")
        yield Snapshot(made.finish())


@dataclass(frozen=True)
class Remade:
    """What was known by the end of a day, worked out today: the moment, the length of the log by then, the
    hashes of today's inputs, and what is to be said of it."""

    table: pa.Table
    log_length: int
    inputs: dict[str, str]
    notes: tuple[str, ...]


def remade(fleet: Fleet, day: date, progress: Progress) -> Remade:
    """What the log's lines received by the end of a day (UTC) come to under today's policy and mappings.

    Made from the exports, as a rebuild is. FleetError where nothing had been received by then.
    """
    whole = fleet.log()
    log = tuple(line for line in whole if line.when[:10] <= day.isoformat())
    if not log:
        raise FleetError(f"{fleet.path} had received nothing by {day}.")
    gone = {one.sha256_received for one in fleet.received(whole) if one.status in ("purged", "lost")}
    left = tuple(line for line in log if line.sha256_received not in gone)
    lost = len({line.sha256_received for line in log} & gone)
    read = inputs.read(fleet)
    notes = [f"{day} is remade from what had been received by then, with today's policy and mappings"]
    notes += [f"of it {lost} exports that were purged or lost since are left out"] if lost else []
    with scratch() as made:
        stages.read_exports(made.connect(), fleet, fleet.received(left), read, progress)
        _worked_out(made.connect(), fleet, read, progress)
        table = moment(Snapshot(made.finish()), left)
    return Remade(table, len(log), read.hashes, tuple(notes))


def _worked_out(connection, fleet, read, progress):
    """stages.work_out, in as many processes as so many rows are worth."""
    rows = connection.execute("SELECT count(*) FROM received_rows").fetchall()[0][0]
    with workers.judges(read.policy, WORKERS if rows >= ROWS_FOR_PROCESSES else 1) as judge:
        return stages.work_out(connection, fleet, read, judge, progress)


def _drop_all_but(connection, kept):
    """Nothing of the policy before is left to be read by mistake."""
    for kind, name in connection.execute("""
        SELECT 'VIEW', view_name FROM duckdb_views() WHERE NOT internal
        UNION ALL
        SELECT 'TABLE', table_name FROM duckdb_tables()""").fetchall():
        if name not in kept:
            connection.execute(f'DROP {kind} "{name}"')
