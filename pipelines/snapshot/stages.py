"""The stages in order: exports → rows in force → recomputed → results → causes → homes → a snapshot.

A snapshot is a pure function of the exports, the log of what was received, mappings, policy, places, crews
and the version of the code. Today's date is no part of it.
"""

import json
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pipelines.audit import crews as crew_audit
from pipelines.fleet import proof, publishing
from pipelines.fleet.equality import equal
from pipelines.fleet.logs import FleetError
from pipelines.fleet.publishing import scratch
from pipelines.fleet.snapshots import read_as
from pipelines.snapshot import (
    crew_names,
    described,
    exports,
    inputs,
    moments,
    places,
    precedence,
    tables,
    version,
    views,
    workers,
)
from pipelines.snapshot.batches import WORKERS, roll
from pipelines.snapshot.comparison import FIVE, RENAMED, TOUCHING, compare
from pipelines.snapshot.inputs import digest_of
from pipelines.snapshot.progress import Progress
from pipelines.snapshot.suspicions import home_suspicions
from pipelines.snapshot.tables import IN_FORCE, READINGS, SUPERSEDED
from pipelines.snapshot.tallies import answerable, monthly, tally
from pipelines.snapshot.unmatched import unmatched, unmatched_table

# Of exports; fewer are worked out in this process, since others cost more than they save.
BYTES_FOR_PROCESSES = 30 << 20


@dataclass(frozen=True)
class Rebuilt:
    """What a rebuild came to: the snapshot as it now stands, and whether that of the same inputs was right.

    `right` is None where there was none of the same inputs; `wrong` says what was wrong with it.
    """

    path: Path
    right: bool | None = None
    wrong: tuple[str, ...] = ()
    removed: str = ""


def build(fleet, progress=None):
    """Build the snapshot that the fleet's log now stands for and publish it; returns its path.

    Nothing is published where nothing has changed: the current snapshot is returned then. One that is not as
    it was published is no ground to build on: all is made anew, and `progress.notes` say so.
    """
    progress = progress or Progress()
    with publishing.building(fleet, progress.say) as building:
        read = inputs.read(fleet)
        digest = digest_of(building.log, read.hashes)
        current = fleet.current()
        same = current if current is not None and current.stem.endswith(digest) else None
        if same is not None and fleet.as_published(same):
            return same
        received = fleet.received(building.log)
        added = only_added(fleet, current, building.log, read.hashes)
        if added and not building.start_from(current):
            progress.notes.append(f"{current.name} was changed after it was published: all was made anew")
            added = ()
        if added:
            add(building.connect(), fleet, received, added, read, progress)
        else:
            fill(building.connect(), fleet, received, read, progress)
        runs_table(building.connect(), read.hashes, received, progress)
        if same is None:
            path = _published(building, read, digest)
            moments.keep(fleet, int(read.policy.moments_kept), progress)
            return path
        rebuilt = _in_place_of(building, read, digest, same)
        moments.keep(fleet, int(read.policy.moments_kept), progress)
        progress.notes += sentences(rebuilt)
        return rebuilt.path


def rebuild(fleet, progress=None):
    """Build the snapshot anew from the exports, whatever there is; a Rebuilt.

    One of the same inputs that equals it stays as it is; one that does not is replaced by it.
    """
    progress = progress or Progress()
    with publishing.building(fleet, progress.say) as building:
        read = inputs.read(fleet)
        digest = digest_of(building.log, read.hashes)
        received = fleet.received(building.log)
        fill(building.connect(), fleet, received, read, progress)
        runs_table(building.connect(), read.hashes, received, progress)
        current = fleet.current()
        if current is not None and current.stem.endswith(digest):
            rebuilt = _in_place_of(building, read, digest, current)
        else:
            rebuilt = Rebuilt(_published(building, read, digest))
        moments.keep(fleet, int(read.policy.moments_kept), progress)
        return rebuilt


def sentences(rebuilt):
    """What a rebuild found, in words; none where there was nothing to compare with."""
    if rebuilt.right:
        return [f"{rebuilt.path.name} was found right: nothing was published"]
    made = f"made anew as {rebuilt.path.name}"
    if rebuilt.removed and rebuilt.removed != rebuilt.path.name:
        made = f"removed; {made}"
    return (
        [f"{rebuilt.removed} was wrong ({'; '.join(rebuilt.wrong)}) and was {made}"] if rebuilt.wrong else []
    )


def as_json(rebuilt):
    """What a rebuild came to, as a document."""
    return {
        "snapshot": rebuilt.path.name,
        "found_right": rebuilt.right,
        "wrong": list(rebuilt.wrong),
        "removed": rebuilt.removed or None,
        "notes": sentences(rebuilt),
        "remarks": unmatched(version.attach(rebuilt.path)),
    }


def _published(building, read, digest, **more):
    read.keep(building.fleet)
    keep = int(read.policy.snapshots_kept)
    return building.publish(
        digest, inputs=read.hashes, code_version=version.code_version(), keep=keep, **more
    )


def _in_place_of(building, read, digest, there):
    """What was made, in the place of a snapshot of the same inputs, unless that one is right; a Rebuilt."""
    fleet = building.fleet
    wrong = _wrong(fleet, there, building.finish())
    if not wrong:
        return Rebuilt(there, right=True)
    state = fleet.state_of(there)
    pinned = state.pinned_name if state is not None else ""
    path = _published(building, read, digest, pinned_name=pinned)
    if pinned:
        fleet.pin(there, "")
    fleet.remove_snapshot(there)
    moments.forget(fleet, there.name)
    return Rebuilt(path, False, wrong, there.name)


def _wrong(fleet, there, made):
    """What is wrong with a snapshot, held against one just made of the same inputs, as sentences."""
    try:
        wrong = [f"{difference.table}: {difference.what}" for difference in equal(there, made)]
    except FleetError as error:
        wrong = [str(error).splitlines()[0]]
    if not wrong and not proof.bytes_as_published(fleet, there):
        wrong = ["its file was changed after it was published"]
    return tuple(wrong)


def only_added(fleet, current, log, hashes):
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
        name in used or not name.startswith("mapping:") for name, _ in state.inputs.items() ^ hashes.items()
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
    looks = (
        partial(moments.faults, fleet),
        partial(_unlike_a_rebuilt_one, fleet, progress or Progress()),
    )
    for look in looks:
        try:
            faults += look()
        except FleetError as error:
            if not any(str(error) in fault for fault in faults):
                faults.append(str(error))
    return faults


def _unlike_a_rebuilt_one(fleet, progress):
    """How the current snapshot differs from one made now, as sentences."""
    current, log, read = fleet.snapshot(), fleet.log(), inputs.read(fleet)
    if not current.stem.endswith(digest_of(log, read.hashes)):
        return [f"{current.name} was made from other inputs than the fleet holds now: run coldfill rebuild."]
    received = fleet.received(log)
    with scratch() as rebuilt:
        fill(rebuilt.connect(), fleet, received, read, progress)
        runs_table(rebuilt.connect(), read.hashes, received, progress)
        return [f"{difference.table}: {difference.what}" for difference in equal(current, rebuilt.finish())]


def rebuild_state(fleet, number, progress=None):
    """Remake an old snapshot under its own name, from what it was made from; a Rebuilt.

    One that is still there stays where it equals what was made, and is replaced where not.
    """
    progress = progress or Progress()
    state = next((one for one in fleet.states() if int(one.snapshot[:8]) == number), None)
    if state is None:
        raise FleetError(f"{fleet.path} never published a snapshot number {number}.")
    if not _of_this_version(state):
        raise FleetError(
            f"{state.snapshot} needs code version {state.code_version}, this is {version.code_version()}: "
            "install that first."
        )
    there = fleet.snapshots_folder / state.snapshot
    with publishing.building(fleet, progress.say) as building:
        read = _as_it_was(fleet, state)
        log = building.log[: state.log_length]
        received = fleet.received(log)
        fill(building.connect(), fleet, received, read, progress)
        runs_table(building.connect(), read.hashes, received, progress)
        wrong = _wrong(fleet, there, building.finish()) if there.exists() else ()
        if there.exists() and not wrong:
            return Rebuilt(there, right=True)
        path = _published(building, read, digest_of(log, read.hashes), remakes=state)
        moments.forget(fleet, path.name)
        moments.keep(fleet, int(read.policy.moments_kept), progress)
        return Rebuilt(path, False if wrong else None, wrong, there.name if wrong else "")


def _of_this_version(state):
    """Whether a snapshot was made by a version of the code that keeps and works out the same."""
    return read_as(state.code_version) == read_as(version.code_version())


def _as_it_was(fleet, state):
    """The inputs a snapshot was made from; FleetError where this version of the code ships others."""
    read = inputs.kept(fleet, state.inputs)
    for name in sorted(state.inputs.keys() | read.hashes.keys()):
        if state.inputs.get(name) != read.hashes.get(name):
            raise FleetError(
                f"{state.snapshot} was made from another {name} than this version of the code ships: "
                "install the version that made it."
            )
    return read


def fill(connection, fleet, received, read, progress):
    """All tables and views of a snapshot, made whole from the exports and the inputs `read`."""
    size = sum(fleet.export_path(one.sha256).stat().st_size for one in received if one.status == "loaded")
    # Other processes start while the exports are read.
    with workers.judges(read.policy, WORKERS if size >= BYTES_FOR_PROCESSES else 1) as judge:
        read_exports(connection, fleet, received, read, progress)
        shown = work_out(connection, fleet, read, judge, progress)
    finish(connection, read.policy, received, shown, progress)


def read_exports(connection, fleet, received, read, progress):
    """Every row received, and which of them are in force, in the tables of a new snapshot."""
    tables.create(connection)
    progress.stage("reading exports")
    with _one_thread(connection):
        exports.read_all(connection, fleet, received, read, progress)
    progress.stage("choosing the rows in force")
    precedence.settle(connection)


def work_out(connection, fleet, read, judge, progress):
    """Everything recomputed, checked and followed from the rows in force, and its views.

    Returns check id → (words, numbers) that its results may show.
    """
    crew_names.renamed_table(connection, read.crews)
    progress.stage("comparing inspections")
    places.places_table(connection, read.places, fleet.places)
    progress.notes += unmatched_table(connection, fleet, read)
    compare(connection, read.policy)
    progress.stage("recomputing and checking")
    with _one_thread(connection):
        shown = roll(connection, judge, progress)
    views.views(connection, read.policy, shown)
    return shown


@contextmanager
def _one_thread(connection):
    """DuckDB keeps to the thread that asks while all cores are at work for it: its own cost more."""
    connection.execute("SET threads = 1")
    yield
    connection.execute("RESET threads")


@contextmanager
def at_once(connection):
    """A function that takes functions of a connection, called side by side in the order in which they came.

    What one raises is raised at the end, and what has not begun by then is left.
    """

    def made(make):
        with connection.cursor() as own:
            make(own)

    with _one_thread(connection), ThreadPoolExecutor(WORKERS) as pool:
        waiting: list[Future] = []
        try:
            yield lambda make: waiting.append(pool.submit(made, make))
            for one in waiting:
                one.result()
        except BaseException:  # CTRL-C too: what has not begun does not begin any more
            pool.shutdown(cancel_futures=True)
            raise


def add(connection, fleet, received, added, read, progress):
    """Add exports to a snapshot: only what they touch is read, recomputed and rolled up again.

    Touched are inspections whose row in force was added, changed or removed, those that the same person took
    within some days of one with the same readings, and those of the same home and system, by old and new
    values; and the homes of all these, whole.
    """
    policy = read.policy
    progress.stage("reading exports")
    ids = ", ".join(map(str, added))
    connection.execute(f"DELETE FROM exports_read WHERE export_id IN ({ids})")  # if they were kept out before
    exports.read_all(connection, fleet, [one for one in received if one.export_id in added], read, progress)
    crew_names.renamed_table(connection, read.crews)
    progress.stage("choosing the rows in force")
    connection.execute(f"""
        CREATE OR REPLACE TABLE spoken_of AS
        SELECT DISTINCT agency, inspection_id FROM received_rows WHERE export_id IN ({ids})
    """)
    in_force = f"""
        SELECT received_rows.rowid AS row, {TOUCHING}
        FROM {RENAMED}
        SEMI JOIN spoken_of USING (agency, inspection_id)
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
    places.places_table(connection, read.places, fleet.places)
    progress.notes += unmatched_table(connection, fleet, read)
    compare(connection, policy)
    days = int(policy.repeated_within_days)
    connection.execute(f"""
        CREATE OR REPLACE TABLE touched AS
        SELECT DISTINCT agency, home_id FROM changed
        UNION
        SELECT DISTINCT r.agency, r.home_id
        FROM (SELECT {TOUCHING} FROM {RENAMED} WHERE standing = {IN_FORCE}) AS r
        JOIN changed AS c
          ON r.agency = c.agency AND r.taker = c.taker
         AND {" AND ".join(f"r.{name} = c.{name}" for name in FIVE)}
         AND r.inspected_on BETWEEN c.inspected_on - INTERVAL {days} DAYS
                                AND c.inspected_on + INTERVAL {days} DAYS
    """)
    progress.stage("recomputing and checking")
    gone = "SELECT agency, inspection_id FROM judged SEMI JOIN touched USING (agency, home_id)"
    connection.execute(f"DELETE FROM causes WHERE (agency, inspection_id) IN ({gone})")
    for name in ("judged", "state_columns", "opened", "homes", "episodes"):
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
    with at_once(connection) as make:
        crew_audit.crew_tables(connection, READINGS, policy, make)
        make(lambda own: answerable(own, policy))
        make(home_suspicions)
        make(tally)
        make(monthly)
    scaffolding = "compared strands renamed place_of contested settled spoken_of before changed touched"
    for name in scaffolding.split():
        connection.execute(f"DROP TABLE IF EXISTS {name}")


def runs_table(connection, hashes, received, progress):
    """The one table that may differ between equal snapshots: when exports came, and how this one was made."""
    progress.stage("done")
    # Not from the views of the rows: what those show would be worked out for a count of them.
    counted = connection.execute(f"""
        SELECT count(*) FILTER (standing = {IN_FORCE}), count(*) FILTER (standing = {SUPERSEDED}),
               (SELECT count(*) FROM not_loaded), (SELECT count(*) FROM homes)
        FROM received_rows
    """).fetchall()[0]
    counts = dict(zip(("readings", "superseded", "not_loaded", "homes"), counted, strict=True))
    seconds = {name: round(spent, 3) for name, spent in progress.seconds.items() if name != "done"}
    came = {one.export_id: one.received_at for one in received}
    connection.execute(
        """
        CREATE OR REPLACE TABLE runs AS
        SELECT ? AS inputs, ? AS counts, ? AS code_version, now()::VARCHAR AS made_at, ? AS stages,
               ? AS seconds, map(?::INTEGER[], ?::VARCHAR[]) AS received_at
    """,
        [
            json.dumps(hashes),
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
