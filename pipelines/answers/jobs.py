"""The jobs that put right what is on a list of what is open, without a plan: all of it, the cheapest way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

import pyarrow as pa

from pipelines.answers.access import Filters, Viewer
from pipelines.answers.contents import home_checks
from pipelines.answers.listed import Sheet
from pipelines.answers.packets import refuse_too_many
from pipelines.answers.targets import policy_of
from pipelines.answers.waiting import overlaid
from pipelines.engine.policy.measures import Measure, at
from pipelines.engine.policy.policy import Policy
from pipelines.engine.policy.rows import folded
from pipelines.fleet.snapshots import Snapshot
from pipelines.retrofit.jobs import Job
from pipelines.retrofit.whole import Open, all_work

# In force, they take a deficiency out of the work that goes out.
AGAINST = ("accepted", "deferred", "referred", "refused", "done")


@dataclass(frozen=True)
class ListedWork:
    """Jobs of a list; how many of its deficiencies are decided against, and for how many no measure fits."""

    jobs: tuple[Job, ...]
    against: int
    without: int


def jobs_of(viewer: Viewer, snapshot: Snapshot, listed: Sheet, as_of: date) -> ListedWork:
    """The jobs that put right what is on a list, one a system, in its order; ListError for too many homes.

    What brings about something on the list is put right with it, on the list or not; a symptom goes with its
    root. The trip stands in the first job of a home.
    """
    refuse_too_many(listed.count_homes())
    policy = policy_of(snapshot)
    stays = frozenset(policy.planning.stays)
    jobs, against, left, been = list[Job](), 0, 0, set[tuple[str, str]]()
    costs: dict[tuple[str, str | None], tuple[tuple[Measure, ...], float, float]] = {}
    rows = _with_roots(viewer, snapshot, listed, as_of)
    for key, of_system in groupby(rows, key=lambda row: (row["agency"], row["home_id"], row["system_id"])):
        wanted = _with_what_brings_about(list(of_system))
        found = [row for row in wanted if row["in_force"] not in AGAINST]
        against += len(wanted) - len(found)
        if not found:
            continue
        there = key[0], found[0]["region"]
        if there not in costs:
            costs[there] = _costs(policy, *there, as_of)
        measures, trip_usd, trip_hours = costs[there]
        here = {row["check_id"] for row in found}
        opened = tuple(Open(row["check_id"], frozenset(row["roots"]) & here) for row in found)
        work = all_work(opened, found[0]["tank_type"], stays, measures)
        left += len(work.left)
        if work.measures:
            first = key[:2] not in been
            been.add(key[:2])
            cost, hours = work.cost + first * trip_usd, work.hours + first * trip_hours
            jobs.append(Job(*key, work.measures, cost, hours))
    return ListedWork(tuple(jobs), against, left)


def _with_what_brings_about(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of what is open at a system what is listed, with its roots, and theirs."""
    roots = {row["check_id"]: row["roots"] for row in rows}
    wanted = {row["check_id"] for row in rows if row["listed"]}
    more = set(wanted)
    while more:
        more = {root for check in more for root in roots[check] if root in roots} - wanted
        wanted |= more
    return [row for row in rows if row["check_id"] in wanted]


def _with_roots(viewer: Viewer, snapshot: Snapshot, listed: Sheet, as_of: date) -> list[dict[str, Any]]:
    """All that is open at the systems of a list, in its order.

    Columns: key, region, tank_type and roots at the visit that decides, in_force, listed (yes or no).
    """
    names = ["agency", "home_id", "system_id", "check_id"]
    rows = listed.rows.select(names).append_column("place", pa.array(range(listed.rows.num_rows), pa.int64()))
    agencies = tuple(listed.rows["agency"].unique().to_pylist())
    return snapshot.arrow(
        """
        WITH systems AS (
            SELECT agency, home_id, system_id, min(place) AS place,
                   min(min(place)) OVER (PARTITION BY agency, home_id) AS of_home
            FROM asked
            GROUP BY agency, home_id, system_id)
        SELECT f.agency, f.home_id, f.system_id, f.check_id, any_value(h.region) AS region,
               any_value(f.in_force) AS in_force, any_value(r.tank_type) AS tank_type,
               any_value(l.place) IS NOT NULL AS listed,
               coalesce(list(c.root_check_id ORDER BY c.root_check_id)
                        FILTER (c.root_check_id <> f.check_id), []) AS roots
        FROM found AS f
        JOIN systems AS s ON s.agency = f.agency AND s.home_id = f.home_id AND s.system_id = f.system_id
        JOIN homes AS h ON h.agency = f.agency AND h.home_id = f.home_id
        JOIN readings AS r ON r.agency = f.agency AND r.inspection_id = f.inspection_id
        LEFT JOIN asked AS l
            ON l.agency = f.agency AND l.home_id = f.home_id AND l.system_id = f.system_id
            AND l.check_id = f.check_id
        LEFT JOIN causes AS c
            ON c.agency = f.agency AND c.inspection_id = f.inspection_id AND c.symptom_check_id = f.check_id
        GROUP BY f.agency, f.home_id, f.system_id, f.check_id
        ORDER BY any_value(s.of_home), f.agency, f.home_id, any_value(s.place), f.system_id,
                 list_position($order, f.check_id)""",
        {"order": home_checks()},
        asked=rows,
        found=overlaid(viewer, snapshot, Filters(agency=agencies), as_of),
    ).to_pylist()


def _costs(
    policy: Policy, agency: str, region: str | None, day: date
) -> tuple[tuple[Measure, ...], float, float]:
    """(measures with their figures, dollars of a trip, hours of it) in a region of an agency on a day."""
    own = [
        one.measures
        for one in policy.regions
        if folded(one.name) in ("", folded(region))
        and folded(one.agency) in ("", folded(agency))
        and (one.effective_from or date.min) <= day
    ]
    here = policy.for_rows([(agency, region, day)])
    usd, hours = (float(getattr(here, name)) for name in ("trip_usd", "trip_h"))
    return tuple(at(measure, own) for measure in policy.measures), usd, hours
