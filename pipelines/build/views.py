"""The views of a snapshot, which show narrow columns long, and the small tables that describe what its numbers rest on."""

import pyarrow as pa

from pipelines.build.tables import IN_FORCE, KEY, REPEATED, SUPERSEDED
from pipelines.engine.checks import CHECKS, HOME_CHECKS
from pipelines.engine.codes import CERTAINTY_STEPS, FIELD_NAMES, NUMBERS, column, part, picked, quoted
from pipelines.engine.history import STAGES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.quantities import COLUMNS, FLAGS
from pipelines.engine.reasons import REASONS
from pipelines.engine.results import OUTCOMES
from pipelines.engine.risk import rating
from pipelines.fields import FIELDS


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
        f"CREATE OR REPLACE VIEW recomputed AS SELECT {', '.join(KEY + COLUMNS)}, {flags} FROM judged"
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


def _result_view(check_id, words, numbers):
    def name(what):
        return part(check_id, what)

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
    def name(what):
        return part(check_id, what)

    return (
        f"SELECT agency, home_id, system_id, {quoted(check_id)} AS check_id, {picked(STATES, name('state'))} AS state, "
        f"{picked(STAGES, name('stage'))} AS stage, visit_days[{name('since')}] AS since, visit_days[{name('told')}] AS verified_on, "
        f"visit_ids[{name('decided')}] AS inspection_id, {picked(LEVELS, name('risk'))} AS risk FROM state_columns"
    )


def described(policy):
    """Small tables that say what the numbers rest on: checks, measures, limits, accepted words."""

    def rate(check, place):
        return None if check.evidence else rating(check, policy)[place]

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
