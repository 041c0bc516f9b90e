"""The stages in order: exports → rows in force → recomputed → results → causes → homes → a snapshot.

A snapshot is a pure function of the exports, the log of what was received, mappings, policy, places, crews
and the version of the code. Today's date is no part of it.
"""

import copy
import json
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from pipelines.audit import crews as crew_audit
from pipelines.fleet import proof, publishing
from pipelines.fleet.equality import equal
from pipelines.fleet.logs import FleetError
from pipelines.fleet.publishing import scratch
from pipelines.fleet.snapshots import read_as
from pipelines.intake.mapping import CANONICAL
from pipelines.snapshot import described, exports, places, precedence, tables, version, views, workers
from pipelines.snapshot.batches import WORKERS, roll
from pipelines.snapshot.comparison import FIVE, TOUCHING, compare
from pipelines.snapshot.inputs import FILES, digest_of, inputs_of, keep_inputs, policy_of
from pipelines.snapshot.progress import Progress
from pipelines.snapshot.suspicions import home_suspicions
from pipelines.snapshot.tables import IN_FORCE
from pipelines.snapshot.tallies import answerable, tally

# Of exports; fewer are worked out in this process, since others cost more than they save.
BYTES_FOR_PROCESSES = 30 << 20


def build(fleet, progress=None):
    """Build the snapshot that the fleet's log now stands for and publish it; returns its path.

    Nothing is published where nothing has changed: the current snapshot is returned then.
    """
    progress = progress or Progress()
    inputs = inputs_of(fleet)
    digest = digest_of(fleet.log(), inputs)
    current = fleet.current()
    if current is not None and current.stem.endswith(digest):
        return current
    policy = policy_of(fleet)
    with publishing.building(fleet, progress.say, keep=int(policy.snapshots_kept)) as building:
        inputs = keep_inputs(fleet)
        digest = digest_of(building.log, inputs)
        current = fleet.current()
        if current is not None and current.stem.endswith(digest):
            return current
        received = fleet.received(building.log)
        added = only_added(fleet, current, building.log, inputs)
        if added:
            building.start_from(current)
            add(building.connect(), fleet, received, added, policy, progress)
        else:
            fill(building.connect(), fleet, received, policy, progress)
        _runs(building.connect(), inputs, received, progress)
        return building.publish(digest, inputs=inputs, code_version=version.code_version())


def only_added(fleet, current, log, inputs):
    """Ids of the exports that are new since the current snapshot; none where more than that has changed.

    That is what the other exports rest on: the version of the code, policy, tables, their own lines and
    mappings.
    """
    state = fleet.state_of(current) if current is not None else None
    if state is None or not _of_this_version(state) or state.log_length > len(log):
        return ()
    used = {
        f"mapping:{one.mapping}" for one in fleet.received(log[: state.log_length]) if one.status == "loaded"
    }
    if any(
        name in used or not name.startswith("mapping:") for name, _ in state.inputs.items() ^ inputs.items()
    ):
        return ()

    def stands(lines):
        return {
            one.export_id: (one.sha256, one.mapping, one.agency)
            for one in fleet.received(lines)
            if one.status == "loaded"
        }

    before, now = stands(log[: state.log_length]), stands(log)
    unchanged = before.items() <= now.items()
    return (
        tuple(sorted(now.keys() - before.keys()))
        if unchanged and (not before or min(now.keys() - before.keys(), default=0) > max(before))
        else ()
    )


def verify(fleet, progress=None):
    """What is wrong with a fleet, as sentences: what it keeps, and its snapshot against one made now.

    Nothing is published, and one fault hides no other.
    """
    faults = proof.faults(fleet)
    try:
        faults += _unlike_a_rebuilt_one(fleet, progress or Progress())
    except FleetError as error:
        if not any(str(error) in fault for fault in faults):
            faults.append(str(error))
    return faults


def _unlike_a_rebuilt_one(fleet, progress):
    """How the current snapshot differs from one made now, as sentences."""
    current = fleet.snapshot()
    if not current.stem.endswith(digest_of(fleet.log(), inputs_of(fleet))):
        return [f"{current.name} was made from other inputs than the fleet holds now: run coldfill rebuild."]
    with scratch() as rebuilt:
        fill(rebuilt.connect(), fleet, fleet.received(), policy_of(fleet), progress)
        _runs(rebuilt.connect(), inputs_of(fleet), fleet.received(), progress)
        return [f"{difference.table}: {difference.what}" for difference in equal(current, rebuilt.finish())]


def rebuild_state(fleet, number, progress=None):
    """Remake an old snapshot under its own name, from what it was made from."""
    progress = progress or Progress()
    state = next((one for one in fleet.states() if int(one.snapshot[:8]) == number), None)
    if state is None:
        raise FleetError(f"{fleet.path} never published a snapshot number {number}.")
    if not _of_this_version(state):
        raise FleetError(
            f"{state.snapshot} needs code version {state.code_version}, this is {version.code_version()}: "
            "install that first."
        )
    if (fleet.snapshots_folder / state.snapshot).exists():
        return fleet.snapshots_folder / state.snapshot
    with (
        tempfile.TemporaryDirectory(prefix="coldfill-state-") as folder,
        publishing.building(fleet, progress.say) as building,
    ):
        past = _as_it_was(fleet, state, Path(folder))
        log = fleet.log()[: state.log_length]
        fill(building.connect(), past, fleet.received(log), policy_of(past), progress)
        _runs(building.connect(), state.inputs, fleet.received(log), progress)
        return building.publish(
            digest_of(log, state.inputs),
            inputs=state.inputs,
            code_version=version.code_version(),
            remakes=state,
        )


def _of_this_version(state):
    """Whether a snapshot was made by a version of the code that keeps and works out the same."""
    return read_as(state.code_version) == read_as(version.code_version())


def _as_it_was(fleet, state, folder):
    """The fleet with the policy, tables and mappings a snapshot was made from, in a folder of their own."""
    past = copy.copy(fleet)
    past.mappings = folder / "mappings"
    past.mappings.mkdir()
    for name, attribute in FILES.items():
        setattr(past, attribute, folder / name)
    for name, sha256 in state.inputs.items():
        kind, _, mapping = name.partition(":")
        if name in FILES or mapping and mapping != CANONICAL:
            (past.mappings / f"{mapping}.toml" if kind == "mapping" else folder / name).write_bytes(
                fleet.input_bytes(sha256)
            )
    now = inputs_of(past)
    for name in sorted(state.inputs.keys() | now.keys()):
        if state.inputs.get(name) != now.get(name):
            raise FleetError(
                f"{state.snapshot} was made from another {name} than this version of the code ships: "
                "install the version that made it."
            )
    return past


def fill(connection, fleet, received, policy, progress):
    """All tables and views of a snapshot, made whole from the exports."""
    tables.create(connection)
    progress.stage("reading exports")
    size = sum(fleet.export_path(one.sha256).stat().st_size for one in received if one.status == "loaded")
    # Other processes start while the exports are read.
    with workers.judges(policy, WORKERS if size >= BYTES_FOR_PROCESSES else 1) as judge:
        with _one_thread(connection):
            exports.read_all(connection, fleet, received, policy, progress)
        progress.stage("choosing the rows in force")
        precedence.settle(connection)
        progress.stage("comparing inspections")
        places.places_table(connection, fleet)
        compare(connection, policy)
        progress.stage("recomputing and checking")
        with _one_thread(connection):
            shown = roll(connection, judge, progress)
    views.views(connection, policy, shown)
    finish(connection, policy, received, shown, progress)


@contextmanager
def _one_thread(connection):
    """DuckDB keeps to the thread that asks while all cores are at work for it: its own cost more."""
    connection.execute("SET threads = 1")
    yield
    connection.execute("RESET threads")


def add(connection, fleet, received, added, policy, progress):
    """Add exports to a snapshot: only what they touch is read, recomputed and rolled up again.

    Touched are inspections whose row in force was added, changed or removed, those that the same person took
    within some days of one with the same readings, and those of the same home and system, by old and new
    values; and the homes of all these, whole.
    """
    progress.stage("reading exports")
    ids = ", ".join(map(str, added))
    connection.execute(f"DELETE FROM exports_read WHERE export_id IN ({ids})")  # if they were kept out before
    exports.read_all(connection, fleet, [one for one in received if one.export_id in added], policy, progress)
    progress.stage("choosing the rows in force")
    connection.execute(f"""
        CREATE OR REPLACE TABLE spoken_of AS
        SELECT DISTINCT agency, inspection_id FROM received_rows WHERE export_id IN ({ids})
    """)
    in_force = f"""
        SELECT rowid AS row, {TOUCHING} FROM received_rows SEMI JOIN spoken_of USING (agency, inspection_id)
        WHERE standing = {IN_FORCE}
    """
    connection.execute(f"CREATE OR REPLACE TABLE before AS {in_force} AND export_id NOT IN ({ids})")
    precedence.settle(connection, only="spoken_of", exports=list(added))
    connection.execute(f"""
        CREATE OR REPLACE TABLE changed AS
        WITH after AS ({in_force})
        SELECT * FROM before ANTI JOIN after USING (row)
        UNION ALL
        SELECT * FROM after ANTI JOIN before USING (row)
    """)
    progress.stage("comparing inspections")
    places.places_table(connection, fleet)
    compare(connection, policy)
    days = int(policy.repeated_within_days)
    connection.execute(f"""
        CREATE OR REPLACE TABLE touched AS
        SELECT DISTINCT agency, home_id FROM changed
        UNION
        SELECT DISTINCT r.agency, r.home_id
        FROM (SELECT {TOUCHING} FROM received_rows WHERE standing = {IN_FORCE}) AS r
        JOIN changed AS c
          ON r.agency = c.agency AND r.taker = c.taker
         AND {" AND ".join(f"r.{name} = c.{name}" for name in FIVE)}
         AND r.inspected_on BETWEEN c.inspected_on - INTERVAL {days} DAYS
                                AND c.inspected_on + INTERVAL {days} DAYS
    """)
    progress.stage("recomputing and checking")
    gone = "SELECT agency, inspection_id FROM judged SEMI JOIN touched USING (agency, home_id)"
    connection.execute(f"DELETE FROM causes WHERE (agency, inspection_id) IN ({gone})")
    for name in ("judged", "state_columns", "opened", "homes"):
        connection.execute(
            f"DELETE FROM {name} WHERE (agency, home_id) IN (SELECT agency, home_id FROM touched)"
        )
    with workers.judges(policy, 1) as judge:
        shown = roll(connection, judge, progress, touched="touched")
    finish(connection, policy, received, shown, progress)


def finish(connection, policy, received, shown, progress):
    """What is made whole at every publish: counts, crews, what the numbers rest on."""
    progress.stage("counting and publishing")
    exports.count_exports(connection, received)
    described.describe(connection, policy, shown)
    with connection.cursor() as beside, ThreadPoolExecutor(1) as pool:
        crews = pool.submit(crew_audit.crew_tables, beside, policy)
        home_suspicions(connection)
        tally(connection)
        answerable(connection, policy)
        crews.result()
    for name in ("compared", "place_of", "contested", "settled", "spoken_of", "before", "changed", "touched"):
        connection.execute(f"DROP TABLE IF EXISTS {name}")


def _runs(connection, inputs, received, progress):
    """The one table that may differ between equal snapshots: when exports came, and how this one was made."""
    progress.stage("done")
    counts = {
        name: connection.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0]
        for name in ("readings", "superseded", "not_loaded", "homes")
    }
    seconds = {name: round(spent, 3) for name, spent in progress.seconds.items() if name != "done"}
    came = {one.export_id: one.received_at for one in received}
    connection.execute(
        """
        CREATE OR REPLACE TABLE runs AS
        SELECT ? AS inputs, ? AS counts, ? AS code_version, now()::VARCHAR AS made_at, ? AS stages,
               ? AS seconds, map(?::INTEGER[], ?::VARCHAR[]) AS received_at
    """,
        [
            json.dumps(inputs),
            json.dumps(counts),
            version.code_version(),
            json.dumps(seconds),
            sum(seconds.values()),
            list(came),
            list(came.values()),
        ],
    )
    connection.execute("""
        CREATE OR REPLACE VIEW exports AS
        SELECT exports_read.*, received_at[export_id] AS received_at FROM exports_read CROSS JOIN runs
    """)
