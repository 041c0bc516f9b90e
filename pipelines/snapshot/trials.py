"""What the current snapshot would say under another policy: tried in a file of no fleet, never published.

A trial is worked out from the rows that the current snapshot holds, with the places and crews it was made
with, so that the policy alone is what differs. Crews are not compared and nothing is tallied: no open
deficiency rests on that.
"""

from collections.abc import Iterator
from contextlib import contextmanager

from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import FleetError
from pipelines.fleet.publishing import scratch
from pipelines.fleet.snapshots import Snapshot
from pipelines.snapshot import described, inputs, stages, version, workers
from pipelines.snapshot.batches import WORKERS
from pipelines.snapshot.exports import known_ids
from pipelines.snapshot.progress import Progress

RECEIVED = ("received_rows", "not_loaded", "spellings", "exports_read")  # what a trial takes from a snapshot
ROWS_FOR_PROCESSES = 100_000  # fewer are worked out in this process, since others cost more than they save


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
        rows = connection.execute("SELECT count(*) FROM received_rows").fetchall()[0][0]
        with workers.judges(read.policy, WORKERS if rows >= ROWS_FOR_PROCESSES else 1) as judge:
            shown = stages.work_out(connection, fleet, read, judge, progress)
        described.describe(connection, read.policy, shown)
        stages.runs_table(connection, read.hashes, received, progress)
        progress.say("comparing with what is open now")
        yield Snapshot(made.finish())


def _drop_all_but(connection, kept):
    """Nothing of the policy before is left to be read by mistake."""
    for kind, name in connection.execute("""
        SELECT 'VIEW', view_name FROM duckdb_views() WHERE NOT internal
        UNION ALL
        SELECT 'TABLE', table_name FROM duckdb_tables()""").fetchall():
        if name not in kept:
            connection.execute(f'DROP {kind} "{name}"')
