"""Units of the program: completed, by whom the final was taken, and whether the sample re-inspected them."""

ROLES_OF_WORK = ("crew", "contractor")
ROLES_OF_OTHERS = ("qci", "monitor")


def program_units(connection, policy):
    """Make `program_units`, a row per home, system and job that is completed or has a final.

    Columns: agency, home_id, system_id, job_number ('' where none is recorded), crew, completed_on, final_on
    and final_id (of the last final), own_final (who took it also audited the unit or worked on it, or nobody
    can tell), again_on and again_id (of the first re-inspection since the first final that is no for-cause
    visit), for_cause (visits), program_year (the year in which it begins). A visit without a job number
    belongs to the one job of its system, where there is one only. The unit is of the program year in which it
    was completed; where no day of that is recorded, in which its last final was.
    """
    month, day = int(policy.program_year_begins_month), int(policy.program_year_begins_day)
    connection.execute(f"""
        CREATE OR REPLACE TABLE program_units AS
        WITH visits AS MATERIALIZED (
            SELECT j.rowid AS place, j.agency, j.home_id, j.system_id, j.inspection_id, j.crew,
                   nullif(j.job_number, '') AS job, r.inspection_kind AS kind, r.inspected_on, r.completed_on,
                   lower(trim(r.inspector)) AS inspector, r.inspector_role AS role,
                   r.qa_reason IS NOT DISTINCT FROM 'for_cause' AS caused
            FROM judged AS j
            JOIN readings AS r USING (agency, inspection_id)
            WHERE r.inspection_kind IN ('initial', 'final', 'qa') OR r.completed_on IS NOT NULL),
        without_job AS (
            SELECT * FROM visits WHERE job IS NULL),
        only_jobs AS (
            SELECT agency, home_id, system_id, min(job) AS only_job
            FROM visits
            SEMI JOIN without_job USING (agency, home_id, system_id)
            GROUP BY agency, home_id, system_id
            HAVING min(job) = max(job)),
        of_jobs AS (
            SELECT *, job AS job_number
            FROM visits
            WHERE job IS NOT NULL
            UNION ALL
            SELECT v.*, coalesce(o.only_job, '') AS job_number
            FROM without_job AS v
            LEFT JOIN only_jobs AS o USING (agency, home_id, system_id)),
        units AS (
            SELECT agency, home_id, system_id, job_number, max(completed_on) AS completed_on,
                   min(place) FILTER (kind = 'final') AS first_final,
                   max(place) FILTER (kind = 'final') AS last_final,
                   max(place) FILTER (crew IS NOT NULL) AS last_worked,
                   list(inspector) FILTER (kind = 'initial') AS auditors,
                   list({{'place': place, 'day': inspected_on}}) FILTER (kind = 'qa' AND NOT caused) AS again,
                   count(*) FILTER (kind = 'qa' AND caused) AS for_cause
            FROM of_jobs
            GROUP BY agency, home_id, system_id, job_number
            HAVING max(completed_on) IS NOT NULL OR count(*) FILTER (kind = 'final') > 0),
        followed AS (
            SELECT *, list_min(list_filter(again, lambda one:
                CASE WHEN first_final IS NULL THEN one.day >= completed_on ELSE one.place > first_final END
                )).place AS first_again
            FROM units),
        told AS (
            SELECT u.*, f.inspected_on AS final_on, f.inspection_id AS final_id, f.role,
                   f.inspector, coalesce(f.crew, w.crew) AS did, a.inspected_on AS again_on,
                   a.inspection_id AS again_id, coalesce(u.completed_on, f.inspected_on) AS done_on
            FROM followed AS u
            LEFT JOIN visits AS f ON f.place = u.last_final
            LEFT JOIN visits AS w ON w.place = u.last_worked
            LEFT JOIN visits AS a ON a.place = u.first_again)
        SELECT agency, home_id, system_id, job_number, did AS crew, completed_on, final_on, final_id,
               final_on IS NOT NULL AND (
                   coalesce(role IN {ROLES_OF_WORK}, false)
                   OR coalesce(inspector = lower(trim(did)), false)
                   OR coalesce(list_contains(auditors, inspector), false)
                   OR (inspector IS NULL AND coalesce(role NOT IN {ROLES_OF_OTHERS}, true))) AS own_final,
               again_on, again_id, for_cause,
               (year(done_on) - (month(done_on) * 100 + day(done_on) < {100 * month + day})::INTEGER)::INTEGER
                   AS program_year
        FROM told
    """)
