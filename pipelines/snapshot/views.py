"""The views of a snapshot, which show words in the place of positions, and narrow columns long."""

from pipelines.engine.checks import CHECKS, HOME_CHECKS
from pipelines.engine.codes import (
    CERTAINTY_STEPS,
    FIELD_NAMES,
    NUMBERS,
    coded,
    column,
    picked,
    piece,
    quoted,
)
from pipelines.engine.history import STAGES, STATES
from pipelines.engine.policy.policy import LEVELS
from pipelines.engine.quantities import COLUMNS, FLAGS
from pipelines.engine.reasons import in_words
from pipelines.engine.results import OUTCOMES
from pipelines.fields import FIELDS
from pipelines.snapshot.tables import IN_FORCE, KEY, REPEATED, SUPERSEDED


def views(connection, policy, shown):
    """Make the views; `shown` is check id → (words, numbers) that its results may show."""
    fields = ", ".join(
        f"{picked(field.words, field.name)} AS {field.name}" if field.words else field.name
        for field in FIELDS
    )
    connection.execute(f"""
        CREATE OR REPLACE VIEW received AS
        SELECT {fields}, export_id, source_line, unusable, carried, standing FROM received_rows
    """)
    for name, row_status in (("readings", IN_FORCE), ("superseded", SUPERSEDED), ("repeated", REPEATED)):
        connection.execute(f"""
            CREATE OR REPLACE VIEW {name} AS
            SELECT * EXCLUDE standing FROM received WHERE standing = {row_status}
        """)
    flags = ", ".join(f"(flags >> {position} & 1) = 1 AS {name}" for position, name in enumerate(FLAGS))
    connection.execute(f"""
        CREATE OR REPLACE VIEW recomputed AS
        SELECT {", ".join(KEY + COLUMNS)}, {flags} FROM judged
    """)
    connection.execute(f"CREATE OR REPLACE VIEW results AS {_results(shown, in_words(policy.quoted))}")
    connection.execute(f"CREATE OR REPLACE VIEW home_checks AS {_home_checks()}")


def _results(shown, reasons):
    """SQL for every result, long: the columns of all checks one under the other, their codes taken apart."""

    def of_check(check_id, words, numbers):
        observed, low, high = (
            column(check_id, what) if what in numbers else "NULL::DOUBLE" for what in NUMBERS
        )
        word = picked(words, piece(coded(check_id), "word")) if words else "NULL::VARCHAR"
        return f"""
            SELECT agency, inspection_id, {quoted(check_id)} AS check_id, {coded(check_id)} AS codes,
                   {observed} AS observed, {low} AS low, {high} AS high, {word} AS observed_text
            FROM judged"""

    return f"""
        SELECT agency, inspection_id, check_id, {picked(OUTCOMES, piece("codes", "outcome"))} AS outcome,
               observed, low, high, observed_text,
               ({piece("codes", "certainty")}) / {CERTAINTY_STEPS}.0::DOUBLE AS certainty,
               {picked(reasons, piece("codes", "reason"))} AS reason,
               {picked(FIELD_NAMES, piece("codes", "about"))} AS reason_field
        FROM ({" UNION ALL ".join(of_check(check.id, *shown[check.id]) for check in CHECKS)})
    """


def _home_checks():
    """SQL for the state of every check at every system, long."""

    def of_check(check_id):
        return f"""
            SELECT agency, home_id, system_id, {quoted(check_id)} AS check_id, {coded(check_id)} AS codes,
                   visit_days, visit_ids
            FROM state_columns"""

    return f"""
        SELECT agency, home_id, system_id, check_id, {picked(STATES, piece("codes", "state"))} AS state,
               {picked(STAGES, piece("codes", "stage"))} AS stage,
               visit_days[{piece("codes", "since")}] AS since,
               visit_days[{piece("codes", "telling")}] AS verified_on,
               visit_ids[{piece("codes", "decided")}] AS inspection_id,
               {picked(LEVELS, piece("codes", "risk"))} AS risk
        FROM ({" UNION ALL ".join(of_check(check.id) for check in HOME_CHECKS)})
    """
