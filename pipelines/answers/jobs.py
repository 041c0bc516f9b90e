"""The jobs that put right what is on a list of what is open, without a plan: all of it, the cheapest way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from itertools import groupby
from typing import Any

import pyarrow as pa

from pipelines.answers.access import Filters, Viewer
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

    A symptom goes with its root where that is on the list, too. The trip stands in the first job of a home.
    """
    refuse_too_many(listed.count_homes())
    policy = policy_of(snapshot)
    stays = frozenset(policy.planning.stays)
    rows = _with_roots(viewer, snapshot, listed, as_of)
    jobs, left, been = list[Job](), 0, set[tuple[str, str]]()
    costs: dict[tuple[str, str | None], tuple[tuple[Measure, ...], float, float]] = {}
    to_do = [row for row in rows if row["in_force"] not in AGAINST]
    for key, of_system in groupby(to_do, key=lambda row: (row["agency"], row["home_id"], row["system_id"])):
        found = list(of_system)
        there = key[0], found[0]["region"]
        if there not in costs:
            costs[there] = _costs(policy, *there, as_of)
        measures, trip_usd, trip_hours = costs[there]
        listed_here = {row["check_id"] for row in found}
        opened = tuple(Open(row["check_id"], frozenset(row["roots"]) & listed_here) for row in found)
        work = all_work(opened, found[0]["tank_type"], stays, measures)
        left += len(work.left)
        if work.measures:
            first = key[:2] not in been
            been.add(key[:2])
            cost, hours = work.cost + first * trip_usd, work.hours + first * trip_hours
            jobs.append(Job(*key, work.measures, cost, hours))
    return ListedWork(tuple(jobs), len(rows) - len(to_do), left)


def _with_roots(viewer: Viewer, snapshot: Snapshot, listed: Sheet, as_of: date) -> list[dict[str, Any]]:
    """Rows of the list by home and system, each with the kind of tank and the roots at its deciding visit."""
    names = ["agency", "home_id", "system_id", "check_id", "region"]
    rows = listed.rows.select(names).append_column("place", pa.array(range(listed.rows.num_rows), pa.int64()))
    return snapshot.arrow(
        """
        SELECT l.agency, l.home_id, l.system_id, l.check_id, any_value(l.region) AS region,
               any_value(f.in_force) AS in_force, any_value(r.tank_type) AS tank_type,
               coalesce(list(c.root_check_id) FILTER (c.root_check_id <> l.check_id), []) AS roots
        FROM listed AS l
        JOIN found AS f
            ON f.agency = l.agency AND f.home_id = l.home_id AND f.system_id = l.system_id
            AND f.check_id = l.check_id
        JOIN readings AS r ON r.agency = f.agency AND r.inspection_id = f.inspection_id
        LEFT JOIN causes AS c
            ON c.agency = f.agency AND c.inspection_id = f.inspection_id AND c.symptom_check_id = f.check_id
        GROUP BY l.agency, l.home_id, l.system_id, l.check_id, l.place
        ORDER BY min(l.place) OVER (PARTITION BY l.agency, l.home_id), l.agency, l.home_id,
                 min(l.place) OVER (PARTITION BY l.agency, l.home_id, l.system_id), l.system_id, l.place""",
        listed=rows,
        found=overlaid(viewer, snapshot, Filters(), as_of),
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
