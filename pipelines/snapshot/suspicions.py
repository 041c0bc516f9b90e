"""Homes that may be one home under two spellings of its id. They are shown, never merged.

Suspected are ids of one agency that differ only in capitals, blanks, punctuation or leading zeros: "H-0012",
"h12", "H 12". A mark between two digits counts ("1-23" is not "12-3"), unless one of the two ids has none
("123").
"""

MARKS, NO_LETTERS, NO_DIGITS = r"[^\p{L}\p{N}]+", r"[^\p{L}]+", r"[^\p{N}]+"
NO_BLANKS, NO_PUNCTUATION = r"[^\s\p{Z}]+", r"[\p{L}\p{N}\s\p{Z}]+"


def home_suspicions(connection):
    """Make home_suspicions (agency, home_id, other_home_id, why) from the homes of a snapshot.

    Of several spellings the first in order stands as `home_id`, with each other one as `other_home_id`.
    """

    def marked(mark):
        return f"regexp_replace(lower(nfc_normalize(home_id)), '{MARKS}', '{mark}', 'g')"

    parted = _replaced(marked("-"), r"-([^\p{N}-]|$)", r"(^|[^\p{N}-])-")
    connection.execute(f"""
        CREATE OR REPLACE TEMP TABLE doubtful AS
        WITH compared AS MATERIALIZED (
            SELECT agency, home_id, {_without_zeros(marked(""))} AS plain, {_without_zeros(parted)} AS parted
            FROM homes)
        SELECT * FROM compared SEMI JOIN ({_several("plain")}) AS several USING (agency, plain)
        UNION
        SELECT * FROM compared SEMI JOIN ({_several("parted")}) AS several USING (agency, parted)
    """)
    connection.execute("""
        CREATE OR REPLACE TABLE home_suspicions (
            agency VARCHAR, home_id VARCHAR, other_home_id VARCHAR, why VARCHAR)
    """)
    if connection.execute("SELECT count(*) FROM doubtful").fetchall()[0][0]:
        connection.execute(f"INSERT INTO home_suspicions {_of_doubtful()}")
    connection.execute("DROP TABLE doubtful")


def _of_doubtful():
    """SQL for each other spelling of a home beside the first, and in what they differ."""
    return f"""
        WITH alike AS (
            SELECT agency, min(home_id) OVER (PARTITION BY agency, parted) AS home_id,
                   home_id AS other_home_id
            FROM doubtful
            UNION
            SELECT a.agency, least(a.home_id, b.home_id), greatest(a.home_id, b.home_id)
            FROM (SELECT agency, plain, min(home_id) AS home_id FROM doubtful
                  WHERE parted = plain GROUP BY ALL) AS a
            JOIN (SELECT agency, plain, parted, min(home_id) AS home_id FROM doubtful
                  WHERE parted <> plain GROUP BY ALL) AS b USING (agency, plain))
        SELECT agency, home_id, other_home_id,
               'ids differ only in ' || concat_ws(', ',
                   CASE WHEN {_differ(NO_LETTERS)} THEN 'capitals' END,
                   CASE WHEN {_differ(NO_BLANKS)} THEN 'blanks' END,
                   CASE WHEN {_differ(NO_PUNCTUATION)} THEN 'punctuation' END,
                   CASE WHEN {_differ(NO_DIGITS)} THEN 'leading zeros' END) AS why
        FROM alike
        WHERE home_id <> other_home_id
    """


def _several(written):
    """SQL for what more than one home of an agency is written like."""
    return f"SELECT agency, {written} FROM compared WHERE plain <> '' GROUP BY ALL HAVING count(*) > 1"


def _replaced(text, before, after):
    return f"regexp_replace(regexp_replace({text}, '{before}', '\\1', 'g'), '{after}', '\\1', 'g')"


def _without_zeros(text):
    """Each run of digits without its leading zeros."""
    return f"regexp_replace({text}, '(^|[^0-9])0+([0-9])', '\\1\\2', 'g')"


def _differ(left_out):
    one, other = (f"regexp_replace({name}, '{left_out}', '', 'g')" for name in ("home_id", "other_home_id"))
    return f"{one} <> {other}"
