"""The retrofit plan: which work on what is open, for this money and these hours, removes the most risk."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pyarrow as pa

from pipelines.answers.access import Filters, Viewer, demand_known, where
from pipelines.answers.decisions import overlay
from pipelines.answers.targets import policy_of
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.policy.policy import LEVELS, Policy
from pipelines.engine.policy.rows import folded
from pipelines.fleet.snapshots import Snapshot
from pipelines.retrofit import kinds
from pipelines.retrofit.funds import Fund
from pipelines.retrofit.packages import STAYS_OPEN, TO_PLAN, UNDER_WAY, Zone

AGAINST = ("accepted", "deferred", "refused", "no access")
COMING = ("ordered", "done")
GROUPS = ("elderly", "disabled", "children", "high_energy_use", "high_energy_burden")


@dataclass(frozen=True)
class Waiting:
    """The homes in which something is open, as a plan sees them.

    `homes` has a row each: agency, home_id, region, crew, job_number, risk, since (of the oldest), systems (ids, in
    the order of the kind's), groups (priority groups of the household), open, kind (position in `kinds`).
    Homes of one kind stand in the order in which they come.
    """

    homes: pa.Table
    kinds: list
    zones: list[Zone]


def waiting(
    viewer: Viewer,
    snapshot: Snapshot,
    filters: Filters,
    policy: Policy,
    hours: Sequence[str],
    funds: Sequence[Fund],
    as_of: date,
    decisions=None,
) -> Waiting:
    found = overlay(snapshot, decisions, as_of, *where(viewer, filters))
    places = snapshot.rows(
        "SELECT DISTINCT h.agency, h.region FROM homes AS h SEMI JOIN found USING (agency, home_id) ORDER BY ALL",
        found=found,
    )
    zones, positions = kinds.zones(policy, places, as_of)
    numbered = {folded(agency): at for at, agency in enumerate(hours)}
    of_places = pa.table(
        {
            "agency": pa.array([agency for agency, _ in places], pa.string()),
            "region": pa.array([region for _, region in places], pa.string()),
            "zone": pa.array(positions, pa.int32()),
            "hours_of": pa.array([numbered.get(folded(agency), -1) for agency, _ in places], pa.int32()),
            "warranty": pa.array(
                [_days(policy, agency, region, as_of) for agency, region in places], pa.int32()
            ),
        }
    )
    rows = snapshot.arrow(
        f"""
        WITH ranked AS (
            SELECT f.*, row_number() OVER (PARTITION BY f.agency, f.home_id, f.system_id ORDER BY c.position) - 1 AS rank
            FROM found AS f JOIN checks_in_order AS c USING (check_id)),
        rooted AS (
            SELECT s.agency, s.home_id, s.system_id, s.rank, sum(DISTINCT 1::BIGINT << r.rank)::BIGINT AS roots
            FROM ranked AS s
            JOIN causes AS l ON l.agency = s.agency AND l.inspection_id = s.inspection_id AND l.symptom_check_id = s.check_id
            JOIN ranked AS r ON r.agency = s.agency AND r.home_id = s.home_id AND r.system_id = s.system_id AND r.check_id = l.root_check_id
            WHERE r.rank <> s.rank
            GROUP BY ALL),
        covered AS (
            SELECT u.agency, u.home_id, u.system_id, u.job_number
            FROM program_units AS u
            JOIN homes AS h ON h.agency = u.agency AND h.home_id = u.home_id
            JOIN of_places AS p ON p.agency = h.agency AND p.region IS NOT DISTINCT FROM h.region
            WHERE u.completed_on <= $day AND u.completed_on + p.warranty >= $day),
        failed AS (
            SELECT DISTINCT f.agency, f.home_id, f.system_id
            FROM ranked AS f
            SEMI JOIN covered AS c ON c.agency = f.agency AND c.home_id = f.home_id AND c.system_id = f.system_id
            WHERE f.state = 'repair did not hold'),
        again AS (
            SELECT f.agency, f.home_id, f.system_id, string_agg(DISTINCT trim(m.id), ';' ORDER BY trim(m.id)) AS measures
            FROM failed AS f
            JOIN judged AS j ON j.agency = f.agency AND j.home_id = f.home_id AND j.system_id = f.system_id
            JOIN covered AS c ON c.agency = j.agency AND c.home_id = j.home_id AND c.system_id = j.system_id AND c.job_number IS NOT DISTINCT FROM j.job_number
            JOIN readings AS r ON r.agency = j.agency AND r.inspection_id = j.inspection_id,
                unnest(string_split(r.repairs_reported, ';')) AS m(id)
            GROUP BY ALL),
        systems AS (
            SELECT f.agency, f.home_id, f.system_id,
                   concat_ws('|', coalesce(max(t.tank_type), ''), coalesce(any_value(a.measures), ''),
                       string_agg(concat_ws(':', f.check_id, list_position({list(LEVELS)}, f.risk) - 1,
                           CASE WHEN f.in_force IN {AGAINST} THEN {STAYS_OPEN} WHEN f.in_force IN {COMING} THEN {UNDER_WAY} ELSE {TO_PLAN} END,
                           coalesce(x.roots, 0)), ',' ORDER BY f.rank)) AS said,
                   min(f.since) AS since, count(*) AS open, min(list_position({list(LEVELS)}, f.risk)) AS level
            FROM ranked AS f
            LEFT JOIN rooted AS x ON x.agency = f.agency AND x.home_id = f.home_id AND x.system_id = f.system_id AND x.rank = f.rank
            LEFT JOIN readings AS t ON t.agency = f.agency AND t.inspection_id = f.inspection_id
            LEFT JOIN again AS a ON a.agency = f.agency AND a.home_id = f.home_id AND a.system_id = f.system_id
            GROUP BY f.agency, f.home_id, f.system_id),
        grouped AS (
            SELECT agency, home_id, string_agg(said, chr(10) ORDER BY system_id) AS said, list(system_id ORDER BY system_id) AS systems,
                   min(since) AS since, sum(open)::INTEGER AS open, min(level) AS level
            FROM systems GROUP BY agency, home_id)
        SELECT g.agency, g.home_id, h.region, h.crew, h.job_number, {list(LEVELS)}[g.level] AS risk, g.since, g.systems, g.open,
               0 AS groups,
               concat(concat_ws('|', p.zone, p.hours_of, '0'), chr(10), g.said) AS said
        FROM grouped AS g
        JOIN homes AS h ON h.agency = g.agency AND h.home_id = g.home_id
        JOIN of_places AS p ON p.agency = h.agency AND p.region IS NOT DISTINCT FROM h.region
        ORDER BY said, groups DESC, g.since, g.agency, g.home_id""",
        {"day": as_of},
        found=found,
        of_places=of_places,
        checks_in_order=pa.table(
            {"check_id": [c.id for c in HOME_CHECKS], "position": list(range(len(HOME_CHECKS)))}
        ),
    )
    codes = rows["said"].combine_chunks().dictionary_encode()
    homes = rows.drop_columns(["said"]).append_column("kind", codes.indices)
    return Waiting(homes, [kinds.read(t) for t in codes.dictionary.to_pylist()], zones)


def _days(policy, agency, region, day):
    value = policy.for_rows([(agency, region, day)]).warranty_days
    return int(value if isinstance(value, float) else value[0])
