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
        WITH visits AS (
            SELECT j.rowid AS place, j.agency, j.home_id, j.system_id, j.inspection_id, j.crew,
                   nullif(j.job_number, '') AS job, r.inspection_kind AS kind, r.inspected_on, r.completed_on,
                   lower(trim(r.inspector)) AS inspector, r.inspector_role AS role,
                   r.qa_reason IS NOT DISTINCT FROM 'for_cause' AS caused
            FROM judged AS j
            JOIN readings AS r USING (agency, inspection_id)
            WHERE r.inspection_kind IN ('initial', 'final', 'qa') OR r.completed_on IS NOT NULL),
        only_jobs AS (
            SELECT agency, home_id, system_id, min(job) AS only_job
            FROM visits
            GROUP BY agency, home_id, system_id
            HAVING min(job) = max(job)),
        units AS (
            SELECT v.agency, v.home_id, v.system_id, coalesce(v.job, o.only_job, '') AS job_number,
                   max(v.completed_on) AS completed_on,
                   min(v.inspected_on) FILTER (v.kind = 'final') AS first_final_on,
                   max({{'place': v.place, 'day': v.inspected_on, 'id': v.inspection_id, 'crew': v.crew,
                         'inspector': v.inspector, 'role': v.role}}) FILTER (v.kind = 'final') AS final,
                   max({{'place': v.place, 'crew': v.crew}}) FILTER (v.crew IS NOT NULL) AS worked,
                   list(v.inspector) FILTER (v.kind = 'initial') AS auditors,
                   list({{'day': v.inspected_on, 'place': v.place, 'id': v.inspection_id}})
                       FILTER (v.kind = 'qa' AND NOT v.caused) AS again,
                   count(*) FILTER (v.kind = 'qa' AND v.caused) AS for_cause
            FROM visits AS v
            LEFT JOIN only_jobs AS o USING (agency, home_id, system_id)
            GROUP BY ALL),
        completed AS (
            SELECT *, coalesce(completed_on, final.day) AS done_on, coalesce(final.crew, worked.crew) AS did,
                   list_min(list_filter(again, lambda one:
                       one.day >= coalesce(first_final_on, completed_on))) AS first_again
            FROM units
            WHERE completed_on IS NOT NULL OR first_final_on IS NOT NULL)
        SELECT agency, home_id, system_id, job_number, did AS crew, completed_on, final.day AS final_on,
               final.id AS final_id,
               first_final_on IS NOT NULL AND (
                   coalesce(final.role IN {ROLES_OF_WORK}, false)
                   OR coalesce(final.inspector = lower(trim(did)), false)
                   OR coalesce(list_contains(auditors, final.inspector), false)
                   OR (final.inspector IS NULL AND coalesce(final.role NOT IN {ROLES_OF_OTHERS}, true))
               ) AS own_final,
               first_again.day AS again_on, first_again.id AS again_id, for_cause,
               (year(done_on) - (month(done_on) * 100 + day(done_on) < {100 * month + day})::INTEGER)::INTEGER
                   AS program_year
        FROM completed
        ORDER BY agency, home_id, system_id, job_number
    """)
