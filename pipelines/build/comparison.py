"""What other inspections say of each, and the order of visits."""

from pipelines.build.tables import IN_FORCE
from pipelines.fields import BY_NAME

TAKER = "coalesce('i ' || inspector, 'c ' || crew)"
FIVE = "cold_pressure_psig AS a, hot_pressure_psig AS b, cold_temperature_f AS c, hot_temperature_f AS d, precharge_psig AS e"
TOUCHING = f"agency, home_id, inspected_on, {TAKER} AS taker, {FIVE}"


# ---- comparisons with other inspections


def compare(connection, policy):
    """What other inspections say of each: readings repeated elsewhere, and make-up water since the visit before."""
    days = int(policy.repeated_within_days)
    connection.execute(f"""
        CREATE OR REPLACE TABLE compared AS
        WITH five AS (
            SELECT rowid AS row, {TOUCHING} FROM received_rows WHERE standing = {IN_FORCE} AND coalesce(inspector, crew) IS NOT NULL
              AND a IS NOT NULL AND b IS NOT NULL AND c IS NOT NULL AND d IS NOT NULL AND e IS NOT NULL),
        repeats AS (
            SELECT row, (min(home_id) OVER near <> max(home_id) OVER near)::DOUBLE AS repeated FROM five
            WINDOW near AS (PARTITION BY agency, taker, a, b, c, d, e ORDER BY inspected_on
                            RANGE BETWEEN INTERVAL {days} DAYS PRECEDING AND INTERVAL {days} DAYS FOLLOWING)),
        metered AS (
            SELECT rowid AS row, makeup_meter_gal - lag(makeup_meter_gal) OVER visits AS gallons,
                   date_diff('day', lag(inspected_on) OVER visits, inspected_on) AS days
            FROM received_rows WHERE standing = {IN_FORCE} AND makeup_meter_gal IS NOT NULL
            WINDOW visits AS (PARTITION BY agency, home_id, coalesce(system_id, '') ORDER BY {ORDER_OF_VISITS}))
        SELECT coalesce(repeats.row, metered.row) AS row, repeated, gallons, days
        FROM repeats FULL JOIN metered ON repeats.row = metered.row
        WHERE repeated IS NOT NULL OR days IS NOT NULL
    """)


KINDS = BY_NAME["inspection_kind"].words
KIND_ORDER = f"CASE inspection_kind {' '.join(f'WHEN {KINDS.index(kind)} THEN {place}' for place, kind in enumerate(('initial', 'service', 'final', 'qa')))} ELSE 4 END"
ORDER_OF_VISITS = f"inspected_on, {KIND_ORDER}, updated_at NULLS FIRST, inspection_id"
