"""The tables and views of a snapshot: what a build writes and what pages and lists read.

Results of all checks are kept one row per inspection, the states of homes one row per system, in narrow columns named
after the check; views show them long. Texts that come from short fixed lists are kept as positions.
"""

import numpy as np
import pyarrow as pa

from pipelines.checks import BY_ID, CHECKS, HOME_CHECKS
from pipelines.fields import DATE, FIELDS, NUMBER, TIME
from pipelines.history import STAGES, STATES
from pipelines.policy.policy import LEVELS
from pipelines.readings import REASONS
from pipelines.recompute import FLAGS, QUANTITIES
from pipelines.results import CERTAINTY_DECIMALS, OUTCOMES
from pipelines.risk import rating

SQL_TYPES = {NUMBER: "DOUBLE", DATE: "DATE", TIME: "TIMESTAMP"}
IN_FORCE, SUPERSEDED, REPEATED, TWO_THINGS = range(4)
KEY = ("agency", "inspection_id", "home_id", "system_id")
VISIT = (*KEY, "export_id", "inspected_on", "inspection_kind", "region", "crew", "job_number")
# Worked out by DuckDB as a batch goes in: one number for agency, region and crew, to group by.
ADDED = {"state_columns": ", hash(agency, region, crew) AS place"}
FIELD_NAMES = tuple(field.name for field in FIELDS)
# What a result may carry beside its outcome; a check that only looks at words has no numbers.
NUMBERS = ("observed", "low", "high")
CERTAINTY_STEPS = 10**CERTAINTY_DECIMALS  # kept as a whole number of these


def column(check_id, what):
    """Name of a check's narrow column."""
    return f"{check_id.replace('-', '_')}__{what}"


def create(connection):
    """Make the tables of a new snapshot."""
    fields = ", ".join(f"{field.name} {_sql_type(field)}" for field in FIELDS)
    connection.execute(f"""
        CREATE TABLE received_rows ({fields}, export_id INTEGER, source_line BIGINT, unusable VARCHAR, carried VARCHAR,
                                    content UBIGINT, standing UTINYINT);
        CREATE TABLE not_loaded (export_id INTEGER, source_line BIGINT, heading VARCHAR, field VARCHAR, raw_text VARCHAR,
                                 reason VARCHAR, expected VARCHAR, extent VARCHAR);
        CREATE TABLE spellings (field VARCHAR, folded VARCHAR, spelling VARCHAR);
        CREATE TABLE exports_read (export_id INTEGER, file_name VARCHAR, sha256 VARCHAR, sha256_received VARCHAR, mapping VARCHAR, agency VARCHAR,
                              status VARCHAR, reason VARCHAR, rows_read BIGINT, rows_kept BIGINT, rows_not_loaded BIGINT, rows_repeated BIGINT,
                              rows_superseded BIGINT, headings VARCHAR, dropped_headings VARCHAR, remarks VARCHAR);
    """)


def _sql_type(field):
    """Words are kept as an ENUM in the order of the field's words; views show them as text."""
    return f"ENUM({', '.join(map(quoted, field.words))})" if field.words else SQL_TYPES.get(field.kind, "VARCHAR")


def write(connection, tables):
    """Append a batch, name → Arrow table; a table that is not there yet gets the columns of its first batch."""
    for name, table in tables.items():
        connection.register("batch_rows", table)
        rows = f"SELECT *{ADDED.get(name, '')} FROM batch_rows"
        connection.execute(f"CREATE TABLE IF NOT EXISTS {name} AS {rows} LIMIT 0")
        connection.execute(f"INSERT INTO {name} BY NAME {rows}")
        connection.unregister("batch_rows")


def recomputed_table(keys, recomputed):
    """The recomputed quantities of a batch: NULL where not known, not finite, or of a system that is not assessed."""
    assessed = recomputed.assessed
    columns = {name: keys[name] for name in KEY}
    for name in QUANTITIES:
        value = recomputed.quantity(name).value
        keep = np.isfinite(value) & (assessed | (name == "atmosphere_psia"))
        columns[name] = pa.array(value, mask=~keep)
    for name in FLAGS:
        flag = np.asarray(getattr(recomputed, name))
        columns[name] = pa.array(flag if name in ("assessed", "atmosphere_estimated") else flag & assessed)
    return pa.table(columns)


def results_table(keys, results):
    """The results of a batch in narrow columns."""
    columns = {name: keys[name] for name in VISIT}
    for check, result in results.items():
        columns[column(check, "outcome")] = pa.array(result.outcome.astype(np.uint8))
        columns[column(check, "reason")] = pa.array(result.reason)
        columns[column(check, "about")] = pa.array(result.about)
        columns[column(check, "certainty")] = pa.array(np.rint(result.certainty * CERTAINTY_STEPS), from_pandas=True).cast(pa.uint16())
        if result.words is not None:
            columns[column(check, "word")] = pa.array(result.words.codes)
        else:
            for name in NUMBERS:
                columns[column(check, name)] = pa.array(getattr(result, name), from_pandas=True)
    return pa.table(columns)


def views(connection, policy, words):
    """Make the views and the small tables that describe; `words` is check id → words its results may show."""
    fields = ", ".join(f"{field.name}::VARCHAR AS {field.name}" if field.words else field.name for field in FIELDS)
    for name, standing in (("readings", IN_FORCE), ("superseded", SUPERSEDED), ("repeated", REPEATED)):
        connection.execute(f"CREATE OR REPLACE VIEW {name} AS SELECT {fields}, export_id, source_line, unusable, carried FROM received_rows WHERE standing = {standing}")
    parts = [_result_view(check.id, words.get(check.id)) for check in CHECKS]
    connection.execute("CREATE OR REPLACE VIEW results AS " + " UNION ALL ".join(parts))
    connection.execute("CREATE OR REPLACE VIEW home_checks AS " + " UNION ALL ".join(_state_view(check.id) for check in HOME_CHECKS))
    for name, table in described(policy).items():
        connection.register("described", table)
        connection.execute(f"CREATE OR REPLACE TABLE {name} AS SELECT * FROM described")
        connection.unregister("described")


def picked(words, position):
    """SQL for the text at a position (0 = first) of a fixed list."""
    cases = " ".join(f"WHEN {place} THEN {quoted(word)}" for place, word in enumerate(words) if word)
    return f"CASE {position} {cases} END"


def quoted(text):
    return "'" + text.replace("'", "''") + "'"


def _result_view(check_id, words):
    name = lambda what: column(check_id, what)
    numbers = [f"NULL::DOUBLE AS {what}" if words else f"{name(what)} AS {what}" for what in NUMBERS]
    text = f"{picked(words, name('word'))}" if words else "NULL::VARCHAR"
    return (f"SELECT agency, inspection_id, {quoted(check_id)} AS check_id, {picked(OUTCOMES, name('outcome'))} AS outcome, {', '.join(numbers)}, "
            f"{text} AS observed_text, {name('certainty')} / {CERTAINTY_STEPS}.0::DOUBLE AS certainty, {picked(REASONS, name('reason'))} AS reason, "
            f"{picked(FIELD_NAMES, name('about'))} AS reason_field FROM result_columns")


def _state_view(check_id):
    name = lambda what: column(check_id, what)
    return (f"SELECT agency, home_id, system_id, {quoted(check_id)} AS check_id, {picked(STATES, name('state'))} AS state, "
            f"{picked(STAGES, name('stage'))} AS stage, visit_days[{name('since')}] AS since, visit_days[{name('told')}] AS verified_on, "
            f"visit_ids[{name('decided')}] AS inspection_id, {picked(LEVELS, name('risk'))} AS risk FROM state_columns")


def described(policy):
    """Small tables that say what the numbers rest on: checks, measures, limits, accepted words."""
    rate = lambda check, place: None if check.evidence else rating(check, policy)[place]
    return {
        "checks": pa.table({
            "check_id": [check.id for check in CHECKS], "title": [check.title for check in CHECKS], "group": [check.group for check in CHECKS],
            "safety_critical": [check.safety_critical for check in CHECKS], "act_today": [check.act_today for check in CHECKS],
            "severity": pa.array([rate(check, 0) for check in CHECKS], pa.int8()), "probability": pa.array([rate(check, 1) for check in CHECKS], pa.string()),
            "remedy": [check.remedy for check in CHECKS], "source": [check.source for check in CHECKS]}),
        "measures": pa.table({
            "measure_id": [measure.id for measure in policy.measures], "title": [measure.title for measure in policy.measures],
            "fixes": ["; ".join(measure.fixes) for measure in policy.measures]}),
        "limits": pa.table({name: [getattr(limit, name) for limit in policy.limits.values()] for name in ("name", "value", "unit", "mark", "why")}),
        "accepted_words": pa.table({
            "name": list(policy.accepted), "words": ["; ".join(entry["words"]) for entry in policy.accepted.values()],
            "mark": [entry["mark"] for entry in policy.accepted.values()], "why": [entry["why"] for entry in policy.accepted.values()]}),
        "region_overrides": pa.table({
            "region": pa.array([r.name for r in policy.regions for _ in (*r.limits, *r.accepted)], pa.string()),
            "agency": pa.array([r.agency for r in policy.regions for _ in (*r.limits, *r.accepted)], pa.string()),
            "name": pa.array([key for r in policy.regions for key in (*r.limits, *r.accepted)], pa.string()),
            "value": pa.array([str(value) for r in policy.regions for value in (*r.limits.values(), *r.accepted.values())], pa.string())}),
        "clocks": pa.table({
            "risk": list(policy.clocks), "days_to_act": pa.array([days[0] if days else None for days in policy.clocks.values()], pa.int32()),
            "days_to_correct": pa.array([days[1] if days else None for days in policy.clocks.values()], pa.int32())}),
    }


def rows_of(connection, sql, params=None):
    return connection.execute(sql, params or []).fetchall()


assert len(REASONS) < 256 and len(BY_ID) < 127
