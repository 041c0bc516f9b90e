"""What other inspections say of each, and the order of visits."""

from pipelines.fields import BY_NAME
from pipelines.snapshot.tables import IN_FORCE

TAKER = "coalesce('i ' || inspector, 'c ' || crew)"
FIVE = (
    "cold_pressure_psig",
    "hot_pressure_psig",
    "cold_temperature_f",
    "hot_temperature_f",
    "precharge_psig",
)
# What decides whether two inspections touch each other: home, day, taker, and five readings.
TOUCHING = f"agency, home_id, inspected_on, {TAKER} AS taker, {', '.join(FIVE)}"

KINDS = BY_NAME["inspection_kind"].words
IN_ORDER = [KINDS.index(kind) for kind in ("initial", "service", "final", "qa")]
KIND_ORDER = f"coalesce(list_position({IN_ORDER}, inspection_kind), {len(IN_ORDER) + 1})"
ORDER_OF_VISITS = f"inspected_on, {KIND_ORDER}, updated_at NULLS FIRST, inspection_id"


def compare(connection, policy):
    """Make the table compared: readings repeated elsewhere, and make-up water since the visit before."""
    days = int(policy.repeated_within_days)
    connection.execute(f"""
        CREATE OR REPLACE TABLE compared AS
        WITH five AS (
            SELECT rowid AS row, {TOUCHING} FROM received_rows
            WHERE standing = {IN_FORCE} AND coalesce(inspector, crew) IS NOT NULL
              AND {" AND ".join(f"{name} IS NOT NULL" for name in FIVE)}),
        repeats AS (
            SELECT row, (min(home_id) OVER near <> max(home_id) OVER near)::DOUBLE AS repeated
            FROM five
            WINDOW near AS (
                PARTITION BY agency, taker, {", ".join(FIVE)}
                ORDER BY inspected_on
                RANGE BETWEEN INTERVAL {days} DAYS PRECEDING AND INTERVAL {days} DAYS FOLLOWING)),
        metered AS (
            SELECT rowid AS row, makeup_meter_gal - lag(makeup_meter_gal) OVER visits AS gallons,
                   date_diff('day', lag(inspected_on) OVER visits, inspected_on) AS days
            FROM received_rows
            WHERE standing = {IN_FORCE} AND makeup_meter_gal IS NOT NULL
            WINDOW visits AS (
                PARTITION BY agency, home_id, coalesce(system_id, '')
                ORDER BY {ORDER_OF_VISITS}))
        SELECT coalesce(repeats.row, metered.row) AS row, repeated, gallons, days
        FROM repeats FULL JOIN metered ON repeats.row = metered.row
        WHERE repeated IS NOT NULL OR days IS NOT NULL
    """)
