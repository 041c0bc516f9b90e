"""What other inspections say of each, the order of visits, and which of them speak of one system.

A strand is the visits to one system of a home at one address. An empty system id is the home's only one where
the home has only one. Addresses are compared here and stay here: of each only a number goes on.
"""

from pipelines.fields import BY_NAME
from pipelines.snapshot.tables import IN_FORCE

# Where received_rows are joined with the crews that recorded names stand for.
RENAMED = "received_rows LEFT JOIN renamed ON renamed.row = received_rows.rowid"
CREW = "coalesce(counts_as, crew)"
TAKER = f"coalesce('i ' || inspector, 'c ' || {CREW})"
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
# What a row's strand is, beside its home, where received_rows is `r` and strands are joined.
SYSTEM, ADDRESS = "coalesce(strands.system_id, r.system_id, '')", "coalesce(strands.address_number, 0)"
# Not an address, but enough of it to tell two apart: of the postal code the first five digits, of the street
# its house number and its first word. A postal code that a spreadsheet shortened has its zeros again.
POSTAL_CODE = r"lpad(nullif(left(regexp_extract(postal_code, '[0-9]+'), 5), ''), 5, '0')"
HOUSE_NUMBER = r"nullif(regexp_extract(address, '[1-9][0-9]*'), '')"
STREET = r"""nullif(regexp_extract(
    regexp_replace(lower(strip_accents(address)), '\S*[0-9]\S*', ' ', 'g'), '\p{L}+'), '')"""

ORDER_OF_VISITS = f"inspected_on, {KIND_ORDER}, updated_at NULLS FIRST, inspection_id"


def strands(connection):
    """Make the table strands: rows with another system than they name, or at another address than the first.

    `system_id` is the one they belong to; `address_number` numbers the addresses of a home, 0 for its first.
    A row without an address belongs to that of the visit before it.
    """
    connection.execute(f"""
        CREATE OR REPLACE TABLE strands AS
        WITH in_force AS (
            SELECT rowid AS row, agency, home_id, system_id, address, postal_code, inspected_on,
                   inspection_kind, updated_at, inspection_id
            FROM received_rows
            WHERE standing = {IN_FORCE}),
        only_one AS (
            SELECT agency, home_id, min(system_id) AS system_id
            FROM in_force
            WHERE system_id IS NOT NULL
            GROUP BY ALL
            HAVING min(system_id) = max(system_id)),
        unnamed AS (
            SELECT row, only_one.system_id
            FROM in_force
            JOIN only_one USING (agency, home_id)
            WHERE in_force.system_id IS NULL),
        doubtful AS (
            SELECT agency, home_id
            FROM in_force
            WHERE address IS NOT NULL AND postal_code IS NOT NULL
            GROUP BY ALL
            HAVING min(postal_code) <> max(postal_code) AND min(address) <> max(address)),
        visits AS (
            SELECT row, agency, home_id, {POSTAL_CODE} AS code, {HOUSE_NUMBER} AS house, {STREET} AS street,
                   row_number() OVER (PARTITION BY agency, home_id ORDER BY {ORDER_OF_VISITS}) AS visit
            FROM in_force
            SEMI JOIN doubtful USING (agency, home_id)),
        alike AS (
            SELECT late.agency, late.home_id, late.visit, min(early.visit) AS first_there
            FROM visits AS late
            JOIN visits AS early
              ON early.agency = late.agency AND early.home_id = late.home_id AND early.visit <= late.visit
            WHERE late.code IS NOT NULL AND early.code IS NOT NULL
              AND coalesce(late.house, late.street) IS NOT NULL
              AND coalesce(early.house, early.street) IS NOT NULL
              AND (late.code = early.code
                   OR NOT coalesce(late.house <> early.house, false)
                  AND NOT coalesce(late.street <> early.street, false))
            GROUP BY ALL),
        numbered AS (
            SELECT visits.row, last_value(first_there IGNORE NULLS) OVER (
                       PARTITION BY agency, home_id ORDER BY visit ROWS UNBOUNDED PRECEDING) AS number,
                   min(first_there) OVER (PARTITION BY agency, home_id) AS first
            FROM visits
            LEFT JOIN alike USING (agency, home_id, visit)),
        elsewhere AS (
            SELECT row, number AS address_number FROM numbered WHERE number <> first)
        SELECT coalesce(unnamed.row, elsewhere.row) AS row, unnamed.system_id,
               coalesce(elsewhere.address_number, 0)::INTEGER AS address_number
        FROM unnamed
        FULL JOIN elsewhere ON unnamed.row = elsewhere.row
    """)


def compare(connection, policy):
    """Make the table compared: readings repeated elsewhere, and make-up water since the visit before."""
    strands(connection)
    days = int(policy.repeated_within_days)
    connection.execute(f"""
        CREATE OR REPLACE TABLE compared AS
        WITH five AS (
            SELECT received_rows.rowid AS row, {TOUCHING} FROM {RENAMED}
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
            SELECT r.row, makeup_meter_gal - lag(makeup_meter_gal) OVER visits AS gallons,
                   date_diff('day', lag(inspected_on) OVER visits, inspected_on) AS days
            FROM (SELECT *, rowid AS row FROM received_rows) AS r
            LEFT JOIN strands ON strands.row = r.row
            WHERE standing = {IN_FORCE} AND makeup_meter_gal IS NOT NULL
            WINDOW visits AS (
                PARTITION BY agency, home_id, {SYSTEM}, {ADDRESS}
                ORDER BY {ORDER_OF_VISITS}))
        SELECT coalesce(repeats.row, metered.row) AS row, repeated, gallons, days
        FROM repeats FULL JOIN metered ON repeats.row = metered.row
        WHERE repeated IS NOT NULL OR days IS NOT NULL
    """)
