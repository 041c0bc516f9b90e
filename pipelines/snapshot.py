"""The tables and views of a snapshot: what a build writes and what pages and lists read.

What was recomputed and the results of all checks are kept one row per inspection, the states of homes one row per
system, in narrow columns named after the check; views show them long. Texts that come from short fixed lists are kept as positions.
"""

import numpy as np
import pyarrow as pa

from pipelines.checks import BY_ID, CHECKS, HOME_CHECKS
from pipelines.fields import DATE, FIELDS, NUMBER, TIME
from pipelines.history import STAGES, STATES
from pipelines.policy.policy import LEVELS
from pipelines.readings import NO_FIELD, REASONS
from pipelines.recompute import FLAGS, QUANTITIES
from pipelines.results import CERTAINTY_DECIMALS, OUTCOMES
from pipelines.risk import rating

SQL_TYPES = {NUMBER: "DOUBLE", DATE: "DATE", TIME: "TIMESTAMP"}
IN_FORCE, SUPERSEDED, REPEATED, TWO_THINGS = range(4)
KEY = ("agency", "inspection_id", "home_id", "system_id")
VISIT = (*KEY, "export_id", "inspection_kind", "crew", "job_number")
# Worked out by DuckDB as a batch goes in: one number for agency, region and crew, to group by.
ADDED = {"state_columns": ", hash(agency, region, crew) AS place"}
FIELD_NAMES = tuple(field.name for field in FIELDS)
# What a result may carry beside its outcome: columns of their own, only where the check shows such a number.
NUMBERS = ("observed", "low", "high")
CERTAINTY_STEPS = 10**CERTAINTY_DECIMALS  # kept as a whole number of these
# The rest of a check's result, and its state at a home, are one whole number each, since a table costs by the column.
# Where each part's bits lie, (lowest, how many), its own lowest bits first; what is mostly 0 lies highest, since small
# numbers take less room. `detail` is how far the certainty of a told outcome falls short of 1, in steps, else the field
# that the reason is about; it, `word` and visits count from 1 where 0 is none.
RESULT_BITS = {"outcome": ((0, 2),), "word": ((2, 4), (28, 2)), "detail": ((6, 14),), "reason": ((20, 8),)}
STATE_BITS = {
    "state": ((0, 4),),
    "since": ((4, 4), (24, 12)),
    "told": ((8, 4), (36, 12)),
    "decided": ((12, 4), (48, 12)),
    "stage": ((16, 4),),
    "risk": ((20, 4),),
}
TELLING = 2  # outcomes below it state something


def column(check_id, what):
    """Name of the column of one of a check's numbers."""
    return f"{check_id.replace('-', '_')}__{what}"


def coded(check_id):
    """Name of the column with the rest of a check's result, or with its state at a home."""
    return f"{check_id.replace('-', '_')}__codes"


def without_certainty(check_id):
    """SQL for the coded results of a check with no word and no certainty."""
    kept = {
        name: sum((1 << count) - 1 << lowest for lowest, count in spans)
        for name, spans in RESULT_BITS.items()
    }
    telling = kept["outcome"] | kept["reason"]
    return f"{coded(check_id)} & CASE WHEN {_bits(coded(check_id), RESULT_BITS['outcome'])} < {TELLING} THEN {telling} ELSE {telling | kept['detail']} END"


def part(check_id, what, alias=""):
    """SQL for one part of a check's result or state, as a code; `alias` names the table."""
    return part_of(f"{alias}.{coded(check_id)}" if alias else coded(check_id), what)


def part_of(number, what):
    """The same of any coded number."""
    outcome, detail = (_bits(number, RESULT_BITS[name]) for name in ("outcome", "detail"))
    if what == "certainty":
        return f"CASE WHEN {outcome} < {TELLING} THEN {CERTAINTY_STEPS} - {detail} END"
    if what == "about":
        return f"CASE WHEN {outcome} >= {TELLING} THEN {detail} - 1 ELSE -1 END"
    found = _bits(number, (RESULT_BITS | STATE_BITS)[what])
    return f"({found} - 1)" if what == "word" else found


def _bits(number, spans):
    """SQL for a part of a whole number."""
    shifted, took = 0, []
    for lowest, count in spans:
        bits = f"(({number} >> {lowest}) & {(1 << count) - 1})"
        took.append(f"({bits} << {shifted})" if shifted else bits)
        shifted += count
    return took[0] if len(took) == 1 else f"({' | '.join(took)})"


def parts_of_results(codes):
    """What `part` takes out of coded results (n,), as arrays by name: outcome, reason, word, certainty (steps, -1 none), about (-1 none)."""
    outcome, certainty = outcomes_of_results(codes)
    return {
        "outcome": outcome,
        "certainty": certainty,
        "reason": _told(codes, RESULT_BITS["reason"]),
        "word": _told(codes, RESULT_BITS["word"]) - 1,
        "about": np.where(outcome < TELLING, NO_FIELD, _told(codes, RESULT_BITS["detail"]) - 1),
    }


def outcomes_of_results(codes):
    """(outcome, certainty) of these alone."""
    outcome = _told(codes, RESULT_BITS["outcome"])
    return outcome, np.where(outcome < TELLING, CERTAINTY_STEPS - _told(codes, RESULT_BITS["detail"]), -1)


def parts_of_states(codes):
    """The same of coded states: state, stage, risk (codes; beyond their lists for none), since, told, decided (visits from 1, 0 none)."""
    return {name: _told(codes, spans) for name, spans in STATE_BITS.items()}


def _told(codes, spans):
    """A part of whole numbers, shape (n,)."""
    codes, shifted, told = np.asarray(codes), 0, 0
    for lowest, count in spans:
        told = told | (codes >> lowest & (1 << count) - 1) << shifted
        shifted += count
    return told


def _joined(bits, parts):
    """Parts, whole numbers by name, as one whole number each (int32, or int64 where they need it). Raises where a part does not fit."""
    kind = (
        np.int32
        if max(lowest + count for spans in bits.values() for lowest, count in spans) < 32
        else np.int64
    )
    joined = None
    for name, spans in bits.items():
        value, shifted = parts[name], 0
        most = int(value.max(initial=0))
        if most >> sum(count for _, count in spans) or value.min(initial=0) < 0:
            raise OverflowError(f"{name}: {value.min()} to {most} does not fit into {bits[name]}")
        for lowest, count in spans:
            if most >> shifted:  # else there is nothing to add
                bits_of_it = value >> shifted & (1 << count) - 1 if len(spans) > 1 else value
                placed = bits_of_it.astype(kind) << kind(lowest)
                joined = placed if joined is None else joined | placed
            shifted += count
    return np.zeros(len(value), kind) if joined is None else joined


def create(connection):
    """Make the tables of a new snapshot."""
    fields = ", ".join(f"{field.name} {_sql_type(field)}" for field in FIELDS)
    connection.execute(f"""
        CREATE TABLE received_rows ({fields}, export_id INTEGER, source_line BIGINT, unusable VARCHAR, carried VARCHAR,
                                    standing UTINYINT);
        CREATE TABLE not_loaded (export_id INTEGER, source_line BIGINT, heading VARCHAR, field VARCHAR, raw_text VARCHAR,
                                 reason VARCHAR, expected VARCHAR, extent VARCHAR);
        CREATE TABLE spellings (field VARCHAR, folded VARCHAR, spelling VARCHAR);
        CREATE TABLE exports_read (export_id INTEGER, file_name VARCHAR, sha256 VARCHAR, sha256_received VARCHAR, mapping VARCHAR, agency VARCHAR,
                              status VARCHAR, reason VARCHAR, rows_read BIGINT, rows_kept BIGINT, rows_not_loaded BIGINT, rows_repeated BIGINT,
                              rows_superseded BIGINT, headings VARCHAR, dropped_headings VARCHAR, remarks VARCHAR);
    """)


def _sql_type(field):
    """Words are kept as their positions in the field's list, which a table takes in twice the speed of an ENUM."""
    return "TINYINT" if field.words else SQL_TYPES.get(field.kind, "VARCHAR")


def words_as_positions(table):
    """An Arrow table of typed readings as received_rows keeps them."""

    def positions(field, column):
        words = column.combine_chunks()
        assert words.null_count == len(words) or tuple(words.dictionary.to_pylist()) == field.words, (
            field.name
        )
        return words.indices

    return _replaced(table, positions)


def positions_as_words(table):
    """Some columns of received_rows as typed readings, words as a dictionary."""
    return _replaced(
        table,
        lambda field, column: pa.DictionaryArray.from_arrays(
            column.combine_chunks(), pa.array(field.words, pa.string())
        ),
    )


def _replaced(table, replacing):
    """`replacing(field, column)` in the place of every column of words."""
    for field in FIELDS:
        place = table.schema.get_field_index(field.name)
        if field.words and place >= 0:
            table = table.set_column(place, field.name, replacing(field, table.column(place)))
    return table


def write(connection, name, rows):
    """Append a batch, an Arrow table, to a table; one that is not there yet gets the columns of its first batch.

    SQL names `rows` itself: a registered view would be held, with its rows, until the transaction ends.
    """
    chosen = f"SELECT *{ADDED.get(name, '')} FROM rows"
    connection.execute(f"CREATE TABLE IF NOT EXISTS {name} AS {chosen} LIMIT 0")
    connection.execute(f"INSERT INTO {name} BY NAME {chosen}")


def judged_table(keys, recomputed, results):
    """What was recomputed and found of a batch, a row per inspection.

    Quantities are NULL where not known, not finite, or of a system that is not assessed; flags are bits of one number.
    """
    columns, assessed, flags = {name: keys[name] for name in VISIT}, recomputed.assessed, 0
    for name in QUANTITIES:
        value = recomputed.quantity(name).value
        keep = np.isfinite(value) & (assessed | (name == "atmosphere_psia"))
        columns[name] = pa.array(value, mask=~keep)
    for place, name in enumerate(FLAGS):
        flag = np.asarray(getattr(recomputed, name))
        flags = flags | (flag if name in ("assessed", "atmosphere_estimated") else flag & assessed).astype(
            np.uint8
        ) << np.uint8(place)
    columns["flags"] = pa.array(flags)
    nothing = np.zeros(len(keys["agency"]), np.int8)
    for check, result in results.items():
        telling = result.outcome < TELLING
        doubt = CERTAINTY_STEPS - np.rint(np.where(telling, result.certainty, 0.0) * CERTAINTY_STEPS).astype(
            np.int16
        )
        columns[coded(check)] = pa.array(
            _joined(
                RESULT_BITS,
                {
                    "outcome": result.outcome,
                    "reason": result.said & 0xFF,
                    "word": nothing if result.words is None else result.words.codes + np.int8(1),
                    "detail": np.where(telling, doubt, (result.said >> 8).astype(np.int16)),
                },
            )
        )
        for name in result.shows:
            columns[column(check, name)] = pa.array(getattr(result, name), from_pandas=True)
    return pa.table(columns)


def state_codes(*, state, stage, risk, since, told, decided):
    """One check's states at systems as an Arrow array: codes, none being the greatest that fits; visits count from 1, 0 for none."""
    return pa.array(
        _joined(
            STATE_BITS,
            {"state": state, "stage": stage, "risk": risk, "since": since, "told": told, "decided": decided},
        )
    )


def views(connection, policy, shown):
    """Make the views and the small tables that describe; `shown` is check id → (words, numbers) its results may show."""
    fields = ", ".join(
        f"{picked(field.words, field.name)} AS {field.name}" if field.words else field.name
        for field in FIELDS
    )
    connection.execute(
        f"CREATE OR REPLACE VIEW received AS SELECT {fields}, export_id, source_line, unusable, carried, standing FROM received_rows"
    )
    for name, standing in (("readings", IN_FORCE), ("superseded", SUPERSEDED), ("repeated", REPEATED)):
        connection.execute(
            f"CREATE OR REPLACE VIEW {name} AS SELECT * EXCLUDE standing FROM received WHERE standing = {standing}"
        )
    flags = ", ".join(f"(flags >> {place} & 1) = 1 AS {name}" for place, name in enumerate(FLAGS))
    connection.execute(
        f"CREATE OR REPLACE VIEW recomputed AS SELECT {', '.join(KEY + QUANTITIES)}, {flags} FROM judged"
    )
    parts = [_result_view(check.id, *shown[check.id]) for check in CHECKS]
    connection.execute("CREATE OR REPLACE VIEW results AS " + " UNION ALL ".join(parts))
    connection.execute(
        "CREATE OR REPLACE VIEW home_checks AS "
        + " UNION ALL ".join(_state_view(check.id) for check in HOME_CHECKS)
    )
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


def _result_view(check_id, words, numbers):
    name = lambda what: part(check_id, what)
    shown = [
        f"{column(check_id, what)} AS {what}" if what in numbers else f"NULL::DOUBLE AS {what}"
        for what in NUMBERS
    ]
    text = f"{picked(words, name('word'))}" if words else "NULL::VARCHAR"
    return (
        f"SELECT agency, inspection_id, {quoted(check_id)} AS check_id, {picked(OUTCOMES, name('outcome'))} AS outcome, {', '.join(shown)}, "
        f"{text} AS observed_text, ({name('certainty')}) / {CERTAINTY_STEPS}.0::DOUBLE AS certainty, {picked(REASONS, name('reason'))} AS reason, "
        f"{picked(FIELD_NAMES, name('about'))} AS reason_field FROM judged"
    )


def _state_view(check_id):
    name = lambda what: part(check_id, what)
    return (
        f"SELECT agency, home_id, system_id, {quoted(check_id)} AS check_id, {picked(STATES, name('state'))} AS state, "
        f"{picked(STAGES, name('stage'))} AS stage, visit_days[{name('since')}] AS since, visit_days[{name('told')}] AS verified_on, "
        f"visit_ids[{name('decided')}] AS inspection_id, {picked(LEVELS, name('risk'))} AS risk FROM state_columns"
    )


def described(policy):
    """Small tables that say what the numbers rest on: checks, measures, limits, accepted words."""
    rate = lambda check, place: None if check.evidence else rating(check, policy)[place]
    return {
        "checks": pa.table(
            {
                "check_id": [check.id for check in CHECKS],
                "title": [check.title for check in CHECKS],
                "group": [check.group for check in CHECKS],
                "safety_critical": [check.safety_critical for check in CHECKS],
                "act_today": [check.act_today for check in CHECKS],
                "severity": pa.array([rate(check, 0) for check in CHECKS], pa.int8()),
                "probability": pa.array([rate(check, 1) for check in CHECKS], pa.string()),
                "remedy": [check.remedy for check in CHECKS],
                "source": [check.source for check in CHECKS],
            }
        ),
        "measures": pa.table(
            {
                "measure_id": [measure.id for measure in policy.measures],
                "title": [measure.title for measure in policy.measures],
                "fixes": ["; ".join(measure.fixes) for measure in policy.measures],
            }
        ),
        "limits": pa.table(
            {
                name: [getattr(limit, name) for limit in policy.limits.values()]
                for name in ("name", "value", "unit", "mark", "why")
            }
        ),
        "accepted_words": pa.table(
            {
                "name": list(policy.accepted),
                "words": ["; ".join(entry["words"]) for entry in policy.accepted.values()],
                "mark": [entry["mark"] for entry in policy.accepted.values()],
                "why": [entry["why"] for entry in policy.accepted.values()],
            }
        ),
        "region_overrides": pa.table(
            {
                "region": pa.array(
                    [r.name for r in policy.regions for _ in (*r.limits, *r.accepted)], pa.string()
                ),
                "agency": pa.array(
                    [r.agency for r in policy.regions for _ in (*r.limits, *r.accepted)], pa.string()
                ),
                "name": pa.array(
                    [key for r in policy.regions for key in (*r.limits, *r.accepted)], pa.string()
                ),
                "value": pa.array(
                    [
                        str(value)
                        for r in policy.regions
                        for value in (*r.limits.values(), *r.accepted.values())
                    ],
                    pa.string(),
                ),
            }
        ),
        "clocks": pa.table(
            {
                "risk": list(policy.clocks),
                "days_to_act": pa.array(
                    [days[0] if days else None for days in policy.clocks.values()], pa.int32()
                ),
                "days_to_correct": pa.array(
                    [days[1] if days else None for days in policy.clocks.values()], pa.int32()
                ),
            }
        ),
    }


def rows_of(connection, sql, params=None):
    return connection.execute(sql, params or []).fetchall()


assert len(FLAGS) <= 8 and len(REASONS) < 256 and len(BY_ID) < 127
