"""The stages in order: exports → readings in force → recomputed → results → causes → homes over time → a snapshot.

A snapshot is a pure function of the exports, the log of what was received, mappings, policy, places, crews and the
version of the code. Today's date is no part of it.
"""

import copy
import hashlib
import json
import os
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event, Lock

import numpy as np
import pyarrow as pa

from pipelines import history, homes, judging, precedence, reading, risk, snapshot
from pipelines.audit import crews as crew_audit
from pipelines.audit.suspicions import home_suspicions
from pipelines.checks import CHECKS, HOME_CHECKS
from pipelines.fields import BY_NAME, FIELDS, WORD
from pipelines.intake.mapping import CANONICAL
from pipelines.logs import told as disk_told
from pipelines.policy import policy as policies
from pipelines.readings import REASONS
from pipelines.results import OUTCOMES
from pipelines.store import CODE_VERSION, FleetError, equal, scratch

ROWS_FETCHED = (
    200_000  # inspections fetched at once, homes kept whole; more where that made too many fetches,
)
MOST_FETCHES = 20  # since each looks through all rows for its own
ROWS_AT_ONCE = 50_000  # of these, worked out and written at once
BYTES_FOR_PROCESSES = (
    30 << 20
)  # of exports; fewer are worked out in this process, since others cost more than they save
WORKERS = min(4, os.cpu_count() or 1)
AT_HAND = WORKERS + 2  # batches at once: fetched, with a process that judges, or being written


@dataclass
class Told:
    """What a build says while it runs: `say(text)` for a stage, `step(done, of)` for progress within it, and
    `file(name, rows, done, of)` for the file at hand, the rows read so far, and bytes."""

    say: object = lambda text: None
    step: object = lambda done, of: None
    file: object = lambda name, rows, done, of: None
    seconds: dict = field(default_factory=dict)

    def stage(self, name):
        now = time.perf_counter()
        if self.seconds:
            last = next(reversed(self.seconds))
            self.seconds[last] = now - self.seconds[last]
        self.seconds[name] = now
        self.say(name)


def build(fleet, told=None):
    """Build the snapshot that the fleet's log now stands for and publish it; returns its path.

    Nothing is published where nothing has changed: the current snapshot is returned then.
    """
    told = told or Told()
    inputs = inputs_of(fleet)
    digest = digest_of(fleet.log(), inputs)
    current = fleet.current()
    if current is not None and current.stem.endswith(digest):
        return current
    policy = policy_of(fleet)
    with fleet.building(told.say, keep=int(policy.snapshots_kept)) as building:
        inputs = _keep_inputs(fleet)
        digest = digest_of(building.log, inputs)
        current = fleet.current()
        if current is not None and current.stem.endswith(digest):
            return current
        received = fleet.received(building.log)
        added = only_added(fleet, current, building.log, inputs)
        if added:
            building.start_from(current)
            add(building.connect(), fleet, received, added, policy, told)
        else:
            fill(building.connect(), fleet, received, policy, told)
        _runs(building.connect(), inputs, received, told)
        return building.publish(digest, inputs=inputs, code_version=CODE_VERSION)


def only_added(fleet, current, log, inputs):
    """Ids of the exports that are new since the current snapshot, if exports were added and nothing changed that the others rest on."""
    state = fleet.state_of(current) if current is not None else None
    if state is None or state.code_version != CODE_VERSION or state.log_length > len(log):
        return ()
    used = {
        f"mapping:{one.mapping}" for one in fleet.received(log[: state.log_length]) if one.status == "loaded"
    }
    if any(
        name in used or not name.startswith("mapping:") for name, _ in state.inputs.items() ^ inputs.items()
    ):
        return ()
    stands = lambda lines: {
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


def verify(fleet, told=None):
    """What is wrong with a fleet, as sentences: stored exports against their hashes, the current snapshot against a
    rebuilt one. Nothing is published."""
    faults = []
    for one in fleet.received():
        if one.status != "loaded":
            continue
        path = fleet.export_path(one.sha256)
        with open(path, "rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() != one.sha256:
                faults.append(
                    f"{path.name}: the bytes are not those that were received; put the file back from a backup."
                )
    current = fleet.snapshot()
    if not current.stem.endswith(digest_of(fleet.log(), inputs_of(fleet))):
        faults.append(
            f"{current.name} was made from other inputs than the fleet holds now: run coldfill rebuild."
        )
    if not faults:
        with scratch() as draft:
            fill(draft.connect(), fleet, fleet.received(), policy_of(fleet), told or Told())
            _runs(draft.connect(), inputs_of(fleet), fleet.received(), told or Told())
            faults = [
                f"{difference.table}: {difference.what}" for difference in equal(current, draft.finish())
            ]
    return faults


def rebuild_state(fleet, number, told=None):
    """Remake an old snapshot under its own name, from the first lines of the log and the inputs it was made from."""
    told = told or Told()
    state = next((one for one in fleet.states() if int(one.snapshot[:8]) == number), None)
    if state is None:
        raise FleetError(f"{fleet.path} never published a snapshot number {number}.")
    if state.code_version != CODE_VERSION:
        raise FleetError(
            f"{state.snapshot} needs code version {state.code_version}, this is {CODE_VERSION}: install that first."
        )
    if (fleet.snapshots_folder / state.snapshot).exists():
        return fleet.snapshots_folder / state.snapshot
    with (
        tempfile.TemporaryDirectory(prefix="coldfill-state-") as folder,
        fleet.building(told.say) as building,
    ):
        past = _as_it_was(fleet, state, Path(folder))
        log = fleet.log()[: state.log_length]
        fill(building.connect(), past, fleet.received(log), policy_of(past), told)
        _runs(building.connect(), state.inputs, fleet.received(log), told)
        return building.publish(
            digest_of(log, state.inputs), inputs=state.inputs, code_version=CODE_VERSION, remakes=state
        )


def _as_it_was(fleet, state, folder):
    """The fleet with the policy, tables and mappings that a snapshot was made from, laid out in a folder of their own."""
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
                f"{state.snapshot} was made from another {name} than this version of the code ships: install the version that made it."
            )
    return past


def policy_of(fleet):
    """The fleet's policy, held against the checks there are; raises PolicyError."""
    policy = policies.load(fleet.policy)
    risk.refuse_unknown(policy, str(fleet.policy))
    return policy


FILES = {
    "policy.toml": "policy",
    "places": "places",
    "crews": "crews",
}  # name of an input: attribute of the fleet


def _input_texts(fleet):
    """Everything but the exports that a snapshot is made from, as bytes by name."""
    found = {"policy": policy_of(fleet).text.encode()}
    for name, attribute in FILES.items():
        path = getattr(fleet, attribute)
        if path.exists():
            with disk_told("read", path):
                found[name] = path.read_bytes()
    for mapping in reading.mappings_of(fleet):
        found[f"mapping:{mapping.name}"] = mapping.text.encode()
    return found


def inputs_of(fleet):
    """Hash of everything but the exports that a snapshot is made from, by name."""
    return {name: hashlib.sha256(text).hexdigest() for name, text in _input_texts(fleet).items()}


def _keep_inputs(fleet):
    """Keep the texts a snapshot is about to be made from, so that it can be remade; returns their hashes by name."""
    return {name: fleet.keep_input(text) for name, text in _input_texts(fleet).items()}


def digest_of(log, inputs):
    """12 hexadecimal digits of what a snapshot is made from."""
    said = [(line.number, line.sha256, line.mapping, line.agency, line.status) for line in log]
    text = json.dumps([said, sorted(inputs.items()), CODE_VERSION])
    return hashlib.sha256(text.encode()).hexdigest()[:12]


def fill(connection, fleet, received, policy, told):
    """All tables and views of a snapshot, made whole from the exports."""
    snapshot.create(connection)
    told.stage("reading exports")
    size = sum(fleet.export_path(one.sha256).stat().st_size for one in received if one.status == "loaded")
    with judging.judges(
        policy, WORKERS if size >= BYTES_FOR_PROCESSES else 1
    ) as judge:  # they start while the exports are read
        with _one_thread(connection):
            reading.read_all(connection, fleet, received, policy, told)
        told.stage("choosing the rows in force")
        precedence.settle(connection)
        told.stage("comparing inspections")
        reading.places_table(connection, fleet)
        compare(connection, policy)
        told.stage("recomputing and checking")
        with _one_thread(connection):
            shown = roll(connection, judge, told)
    finish(connection, policy, received, shown, told)


@contextmanager
def _one_thread(connection):
    """DuckDB keeps to the thread that asks, while all cores are at work for it: its own threads cost more than they do."""
    connection.execute("SET threads = 1")
    yield
    connection.execute("RESET threads")


def add(connection, fleet, received, added, policy, told):
    """Add exports to a snapshot: only what they touch is read, recomputed and rolled up again.

    Touched are inspections whose row in force was added, changed or removed, those that the same person took within
    some days of one with the same readings, and those of the same home and system, by old and new values; and the homes
    of all these, whole.
    """
    told.stage("reading exports")
    ids = ", ".join(map(str, added))
    connection.execute(
        f"DELETE FROM exports_read WHERE export_id IN ({ids})"
    )  # files that were kept out before
    reading.read_all(connection, fleet, [one for one in received if one.export_id in added], policy, told)
    told.stage("choosing the rows in force")
    connection.execute(
        f"CREATE OR REPLACE TABLE spoken_of AS SELECT DISTINCT agency, inspection_id FROM received_rows WHERE export_id IN ({ids})"
    )
    in_force = f"SELECT rowid AS row, {TOUCHING} FROM received_rows SEMI JOIN spoken_of USING (agency, inspection_id) WHERE standing = {snapshot.IN_FORCE}"
    connection.execute(f"CREATE OR REPLACE TABLE before AS {in_force} AND export_id NOT IN ({ids})")
    precedence.settle(connection, only="spoken_of", exports=list(added))
    connection.execute(
        f"CREATE OR REPLACE TABLE changed AS WITH after AS ({in_force}) SELECT * FROM before ANTI JOIN after USING (row) UNION ALL SELECT * FROM after ANTI JOIN before USING (row)"
    )
    told.stage("comparing inspections")
    reading.places_table(connection, fleet)
    compare(connection, policy)
    days = int(policy.repeated_within_days)
    connection.execute(f"""
        CREATE OR REPLACE TABLE touched AS
        SELECT DISTINCT agency, home_id FROM changed
        UNION
        SELECT DISTINCT r.agency, r.home_id FROM (SELECT {TOUCHING} FROM received_rows WHERE standing = {snapshot.IN_FORCE}) AS r
        JOIN changed AS c ON r.agency = c.agency AND r.taker = c.taker AND r.a = c.a AND r.b = c.b AND r.c = c.c AND r.d = c.d AND r.e = c.e
         AND r.inspected_on BETWEEN c.inspected_on - INTERVAL {days} DAYS AND c.inspected_on + INTERVAL {days} DAYS
    """)
    told.stage("recomputing and checking")
    gone = "SELECT agency, inspection_id FROM judged SEMI JOIN touched USING (agency, home_id)"
    connection.execute(f"DELETE FROM causes WHERE (agency, inspection_id) IN ({gone})")
    for name in ("judged", "state_columns", "opened", "homes"):
        connection.execute(
            f"DELETE FROM {name} WHERE (agency, home_id) IN (SELECT agency, home_id FROM touched)"
        )
    with judging.judges(policy, 1) as judge:
        shown = roll(connection, judge, told, touched="touched")
    finish(connection, policy, received, shown, told)


TAKER = "coalesce('i ' || inspector, 'c ' || crew)"
FIVE = "cold_pressure_psig AS a, hot_pressure_psig AS b, cold_temperature_f AS c, hot_temperature_f AS d, precharge_psig AS e"
TOUCHING = f"agency, home_id, inspected_on, {TAKER} AS taker, {FIVE}"


def finish(connection, policy, received, shown, told):
    """What is made whole at every publish: counts, views, crews."""
    told.stage("counting and publishing")
    reading.count_exports(connection, received)
    snapshot.views(connection, policy, shown)
    tables_of_shown(connection, shown)
    with connection.cursor() as beside, ThreadPoolExecutor(1) as pool:
        crews = pool.submit(crew_audit.crew_tables, beside, policy)
        home_suspicions(connection)
        tally(connection)
        answerable(connection)
        risk_matrix(connection, policy)
        crews.result()
    for name in ("compared", "place_of", "contested", "settled", "spoken_of", "before", "changed", "touched"):
        connection.execute(f"DROP TABLE IF EXISTS {name}")


# ---- comparisons with other inspections


def compare(connection, policy):
    """What other inspections say of each: readings repeated elsewhere, and make-up water since the visit before."""
    days = int(policy.repeated_within_days)
    connection.execute(f"""
        CREATE OR REPLACE TABLE compared AS
        WITH five AS (
            SELECT rowid AS row, {TOUCHING} FROM received_rows WHERE standing = {snapshot.IN_FORCE} AND coalesce(inspector, crew) IS NOT NULL
              AND a IS NOT NULL AND b IS NOT NULL AND c IS NOT NULL AND d IS NOT NULL AND e IS NOT NULL),
        repeats AS (
            SELECT row, (min(home_id) OVER near <> max(home_id) OVER near)::DOUBLE AS repeated FROM five
            WINDOW near AS (PARTITION BY agency, taker, a, b, c, d, e ORDER BY inspected_on
                            RANGE BETWEEN INTERVAL {days} DAYS PRECEDING AND INTERVAL {days} DAYS FOLLOWING)),
        metered AS (
            SELECT rowid AS row, makeup_meter_gal - lag(makeup_meter_gal) OVER visits AS gallons,
                   date_diff('day', lag(inspected_on) OVER visits, inspected_on) AS days
            FROM received_rows WHERE standing = {snapshot.IN_FORCE} AND makeup_meter_gal IS NOT NULL
            WINDOW visits AS (PARTITION BY agency, home_id, coalesce(system_id, '') ORDER BY {ORDER_OF_VISITS}))
        SELECT coalesce(repeats.row, metered.row) AS row, repeated, gallons, days
        FROM repeats FULL JOIN metered ON repeats.row = metered.row
        WHERE repeated IS NOT NULL OR days IS NOT NULL
    """)


KINDS = BY_NAME["inspection_kind"].words
KIND_ORDER = f"CASE inspection_kind {' '.join(f'WHEN {KINDS.index(kind)} THEN {place}' for place, kind in enumerate(('initial', 'service', 'final', 'qa')))} ELSE 4 END"
ORDER_OF_VISITS = f"inspected_on, {KIND_ORDER}, updated_at NULLS FIRST, inspection_id"


# ---- inspections → results → homes

BATCH_FIELDS = tuple(
    f.name
    for f in FIELDS
    if f.kind in (WORD, "number", "date")
    and f.name
    not in ("elderly", "disabled", "children", "high_energy_use", "high_energy_burden", "inspected_on")
) + ("inspected_on",)
BATCH_TEXTS = (
    "agency",
    "inspection_id",
    "home_id",
    "region",
    "crew",
    "job_number",
    "repairs_reported",
    "unusable",
    "export_id",
)


def roll(connection, judge, told, touched=None):
    """Recompute, check and follow over time every home (or those of the table `touched`); fills the batch tables.

    `judge` works out one slice of whole homes, several side by side where it can. Returns check id → (words, numbers) its results may show.
    """
    count = connection.execute(
        f"SELECT count(*) FROM received_rows WHERE standing = {snapshot.IN_FORCE}"
    ).fetchall()[0][0]
    parts = max(1, -(-count // max(ROWS_FETCHED, count // MOST_FETCHES))) if touched is None else 1
    fetching, writing, stopped, done = Lock(), Lock(), Event(), []

    def batches():
        for part in range(parts):
            with connection.cursor() as cursor:
                table = batch(cursor, part, parts, touched)
            yield from _whole_homes(table, ROWS_AT_ONCE)

    coming = batches()

    def work():
        shown = None
        while not stopped.is_set():
            with fetching:
                table = next(coming, None)
            if table is None:
                break
            tables, shown = judge(table)
            with writing:
                for name, found in tables.items():
                    snapshot.write(writer, name, found)
                done.append(table.num_rows)
                told.step(sum(done), max(count, sum(done)))
            del table, tables
        return shown

    def all_done(pool):
        """What the threads return; where one fails, or CTRL-C comes, the others end with the batch they are at."""
        try:
            working = [pool.submit(work) for _ in range(AT_HAND)]
            return [one.result() for one in as_completed(working)]
        finally:
            stopped.set()

    with connection.cursor() as writer, ThreadPoolExecutor(AT_HAND) as pool:
        writer.begin()  # one transaction for all, so that rows are written once, in whole groups, and not first to a log
        shown = next(filter(None, all_done(pool)))
        writer.commit()
    return shown


def _whole_homes(table, rows):
    """A batch cut into slices of about so many rows, no home in two of them; an empty one stays one."""
    if table.num_rows <= rows:
        yield table
        return
    starts = homes.starts(table.column("agency").combine_chunks(), table.column("home_id").combine_chunks())
    cuts = np.unique(starts[np.searchsorted(starts, np.arange(0, table.num_rows, rows), side="right") - 1])
    for start, end in zip(cuts, [*cuts[1:], table.num_rows], strict=True):
        yield table.slice(start, end - start)


def batch(connection, part, parts, touched=None):
    """The inspections in force of some whole homes, in the order of visits, as an Arrow table."""
    where = f"AND hash(agency, home_id) % {parts} = {part}" if parts > 1 else ""
    among = f"SEMI JOIN {touched} USING (agency, home_id)" if touched else ""
    chosen = f"(SELECT *, rowid AS row FROM received_rows {among} WHERE standing = {snapshot.IN_FORCE} {where}) AS r"
    fields = ", ".join(f"r.{name}" for name in BATCH_TEXTS + BATCH_FIELDS)
    found = (
        connection.sql(f"""
        SELECT {fields}, coalesce(r.system_id, '') AS system_id, repeated, gallons, days, r.row,
               CASE WHEN r.elevation_ft IS NULL THEN coalesce(by_code.elevation_ft, by_region.elevation_ft) END AS place_elevation_ft,
               CASE WHEN r.elevation_ft IS NULL THEN CASE WHEN by_code.elevation_ft IS NOT NULL THEN by_code.spread_ft ELSE by_region.spread_ft END END AS place_spread_ft
        FROM {chosen}
        LEFT JOIN compared ON compared.row = r.row
        LEFT JOIN place_of AS by_code ON by_code.kind = 'postal_code' AND by_code.agency = r.agency AND by_code.place = lower(r.postal_code)
        LEFT JOIN place_of AS by_region ON by_region.kind = 'region' AND by_region.agency = r.agency AND by_region.place = lower(r.region)
    """)
        .to_arrow_table()
        .combine_chunks()
    )
    # Sorting only the keys, and putting the rows into that order after, takes half the time of sorting whole rows.
    order = connection.sql(
        f"SELECT row FROM {chosen} ORDER BY agency, home_id, coalesce(system_id, ''), {ORDER_OF_VISITS}"
    ).to_arrow_table()
    rows = found.column("row").to_numpy()
    sorter = np.argsort(rows, kind="stable")
    places = (
        sorter[np.searchsorted(rows, order.column("row").to_numpy(), sorter=sorter)] if len(rows) else sorter
    )
    return snapshot.positions_as_words(found.drop_columns(["row"]).take(pa.array(places)))


# ---- counts that pages start from


def tally(connection):
    """Systems per agency, region, crew and check by state, stage and risk: small, so that pages are quick at any size."""
    parts = " UNION ALL ".join(
        f"SELECT place, {snapshot.quoted(check.id)} AS check_id, {snapshot.part(check.id, 'state')} AS state, {snapshot.part(check.id, 'stage')} AS stage, "
        f"{snapshot.part(check.id, 'risk')} AS risk, count(*) AS systems FROM state_columns GROUP BY ALL"
        for check in HOME_CHECKS
    )
    connection.execute(f"""
        CREATE OR REPLACE TABLE tally AS
        WITH places AS (SELECT DISTINCT place, agency, region, crew FROM state_columns)
        SELECT agency, region, crew, check_id, {snapshot.picked(history.STATES, "state")} AS state, {snapshot.picked(history.STAGES, "stage")} AS stage,
               {snapshot.picked(policies.LEVELS, "risk")} AS risk, systems
        FROM ({parts}) JOIN places USING (place)
    """)


def answerable(connection):
    """What each export can answer: fields it ever filled, and per check its inspections by outcome and what was lacking."""
    counts = ", ".join(f"count({name}) AS {name}" for name in snapshot.FIELD_NAMES)
    connection.execute(f"""
        CREATE OR REPLACE TABLE export_fields AS
        UNPIVOT (SELECT export_id, {counts} FROM received_rows GROUP BY export_id) ON COLUMNS(* EXCLUDE export_id) INTO NAME field VALUE filled
    """)
    parts = " UNION ALL ".join(
        f"SELECT export_id, {snapshot.quoted(check.id)} AS check_id, {snapshot.without_certainty(check.id)} AS codes, count(*) AS inspections FROM judged GROUP BY ALL"
        for check in CHECKS
    )
    outcome, reason, about = (snapshot.part_of("codes", what) for what in ("outcome", "reason", "about"))
    connection.execute(f"""
        CREATE OR REPLACE TABLE export_checks AS
        SELECT export_id, check_id, {snapshot.picked(OUTCOMES, outcome)} AS outcome, {snapshot.picked(REASONS, reason)} AS reason,
               {snapshot.picked(snapshot.FIELD_NAMES, about)} AS reason_field, inspections FROM ({parts})
    """)


def tables_of_shown(connection, shown):
    """Which numbers a check's results may show, and the word behind each code, so that a list need not open the long view for it."""
    words = [(check, place, word) for check, (texts, _) in shown.items() for place, word in enumerate(texts)]
    numbers = [(check, what) for check, (_, names) in shown.items() for what in names]
    for name, columns, rows in (
        ("shown_words", {"check_id": pa.string(), "position": pa.int32(), "word": pa.string()}, words),
        ("shown_numbers", {"check_id": pa.string(), "what": pa.string()}, numbers),
    ):
        connection.register(
            "shown",
            pa.table(
                {
                    column: pa.array([row[place] for row in rows], kind)
                    for place, (column, kind) in enumerate(columns.items())
                }
            ),
        )
        connection.execute(f"CREATE OR REPLACE TABLE {name} AS SELECT * FROM shown")
        connection.unregister("shown")


def risk_matrix(connection, policy):
    """The policy's risk matrix, one row per severity and probability."""
    rows = pa.table(
        {
            "severity": pa.array(
                [place + 1 for levels in policy.risk_matrix.values() for place in range(len(levels))],
                pa.int8(),
            ),
            "probability": [row for row, levels in policy.risk_matrix.items() for _ in levels],
            "risk": [level for levels in policy.risk_matrix.values() for level in levels],
        }
    )
    connection.register("matrix_rows", rows)
    connection.execute("CREATE OR REPLACE TABLE risk_matrix AS SELECT * FROM matrix_rows")
    connection.unregister("matrix_rows")


def _runs(connection, inputs, received, told):
    """The one table that may differ between equal snapshots: when exports came, when and how this one was made."""
    told.stage("done")
    counts = {
        name: connection.execute(f"SELECT count(*) FROM {name}").fetchall()[0][0]
        for name in ("readings", "superseded", "not_loaded", "homes")
    }
    seconds = {name: round(spent, 3) for name, spent in told.seconds.items() if name != "done"}
    came = {one.export_id: one.received_at for one in received}
    connection.execute(
        """
        CREATE OR REPLACE TABLE runs AS
        SELECT ? AS inputs, ? AS counts, ? AS code_version, now()::VARCHAR AS made_at, ? AS stages, ? AS seconds, map(?::INTEGER[], ?::VARCHAR[]) AS received_at
    """,
        [
            json.dumps(inputs),
            json.dumps(counts),
            CODE_VERSION,
            json.dumps(seconds),
            sum(seconds.values()),
            list(came),
            list(came.values()),
        ],
    )
    connection.execute(
        "CREATE OR REPLACE VIEW exports AS SELECT exports_read.*, received_at[export_id] AS received_at FROM exports_read CROSS JOIN runs"
    )
