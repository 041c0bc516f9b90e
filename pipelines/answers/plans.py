"""The retrofit plan: which work on what is open removes the most risk for this money and these hours."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from pipelines.answers import lists
from pipelines.answers.access import Filters, ListError, Viewer, names_there, where
from pipelines.answers.decisions import overlay
from pipelines.answers.targets import policy_of
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.policy.measures import FUND_KINDS
from pipelines.engine.policy.policy import LEVELS, Policy
from pipelines.engine.policy.rows import folded
from pipelines.fleet.snapshots import Snapshot
from pipelines.retrofit import kinds
from pipelines.retrofit.funds import Fund, of_folder
from pipelines.retrofit.jobs import Job
from pipelines.retrofit.packages import (
    REFERRED,
    STAYS_OPEN,
    TO_PLAN,
    UNDER_WAY,
    Kind,
    Payer,
    Rules,
    Zone,
)
from pipelines.retrofit.plan import EARLY, NOT_IN, OF_DECISIONS, Plan, plan
from pipelines.retrofit.solving import INFINITY, Limits
from pipelines.retrofit.weights import AS_POLICY, WEIGHINGS, weigher

AGAINST = ("accepted", "deferred", "refused", "no access")
COMING = ("ordered", "done")
ELSEWHERE = "referred"
GROUPS = ("elderly", "disabled", "children", "high_energy_use", "high_energy_burden")
ANYBODY = (Payer(frozenset(FUND_KINDS)),)


@dataclass(frozen=True)
class Asked:
    """What a plan is asked for: dollars, crew hours by agency, how risk is weighed, and which homes."""

    budget: float
    hours: tuple[tuple[str, float], ...] = ()
    weighing: str = AS_POLICY
    filters: Filters = Filters()

    def __post_init__(self):
        if not 0 <= self.budget < INFINITY or not all(0 <= hours < INFINITY for _, hours in self.hours):
            raise ListError("a budget and hours are numbers, 0 or more")
        if self.weighing not in WEIGHINGS:
            raise ListError(f"no weighing called {self.weighing!r}; there are {', '.join(WEIGHINGS)}")
        if self.filters.of_deficiencies:
            raise ListError("a plan is of whole homes: choose agencies, regions or crews")

    @property
    def homes_alone(self) -> "Asked":
        """The same as far as it says which homes wait, and whose hours have a limit."""
        return Asked(0.0, tuple((agency, 0.0) for agency, _ in self.hours), filters=self.filters)


def hours_in(text: str) -> tuple[str, float]:
    """The crew hours of an agency as an address and a command have them: "AGENCY=120"; ListError."""
    agency, _, written = text.rpartition("=")
    try:
        hours = float(written)
    except ValueError:
        hours = -1.0
    if not agency or not 0 <= hours < INFINITY:
        raise ListError(f'{text!r}: as "AGENCY=120", the crew hours of an agency')
    return agency, hours


@dataclass(frozen=True)
class Waiting:
    """The homes in which something is open, as a plan sees them.

    `homes` has a row each: agency, home_id, region, crew, job_number, risk, since (of the oldest), systems
    (ids in the order of the kind's), open (how many), decided (what keeps something open there out of a plan,
    in words, NULL for nothing), groups (priority groups of the household, 0 for a viewer who may not see
    them) and kind, a position in `kinds`. Homes of one kind stand together, those in more priority groups
    first, then those that wait longest.
    """

    homes: pa.Table
    kinds: list[Kind]
    zones: list[Zone]
    funds: tuple[Fund, ...]
    policy: Policy
    _before: dict[str, Plan] = field(default_factory=dict, repr=False, compare=False)

    def planned(self, asked: Asked, rules: Rules, payers: Sequence[Payer], limits: Limits) -> Plan:
        """The plan within some limits; what can be done at each kind of home is found once a weighing."""
        before = self._before.get(asked.weighing)
        made = plan(
            self.kinds,
            self.zones,
            rules,
            payers,
            self.homes["kind"].to_numpy(),
            limits,
            before.choices if before else None,
            before.problem if before else None,
        )
        self._before.setdefault(asked.weighing, made)
        return made


@dataclass(frozen=True)
class Planned:
    """A plan and what it rests on; `waiting.homes` and `plan.column` go together."""

    asked: Asked
    as_of: date
    snapshot: str
    waiting: Waiting
    plan: Plan

    @cached_property
    def fund_names(self) -> list[str]:
        return [fund.title for fund in self.waiting.funds]

    def reason(self, home: int | np.integer) -> str:
        """Why a home is in the plan or is not, in words: the levels that the policy puts first, what was
        decided there.
        """
        text = str(self.plan.reasons[home])
        if text == EARLY:
            return f"{' and '.join(self.waiting.policy.planning.before_the_rest)} risk comes before the rest"
        return self.waiting.homes["decided"][home].as_py() or text if text in OF_DECISIONS else text

    def jobs(self) -> list[tuple[Job, float, int]]:
        """Every job with the risk it removes and the position of its home."""
        homes = self.waiting.homes.select(["agency", "home_id", "systems"])
        inside = np.flatnonzero(self.plan.column != NOT_IN)
        return [
            (job, worth, int(at))
            for at, row in zip(inside, homes.take(pa.array(inside)).to_pylist(), strict=True)
            for job, worth in self.plan.jobs(at, row["agency"], row["home_id"], row["systems"])
        ]


def planned(
    viewer: Viewer,
    snapshot: Snapshot,
    asked: Asked,
    as_of: date,
    decisions: tuple | None = None,
    folder: Path | None = None,
    policy: Policy | None = None,
) -> Planned:
    """The plan that removes the most risk for what is asked.

    Decisions and funds are those of the fleet that the snapshot is of, unless given: `folder` is a fleet's.
    `policy` says what work costs and takes in the place of the snapshot's.
    """
    found = waiting(viewer, snapshot, asked, as_of, decisions, folder, policy)
    return again(found, snapshot, asked, as_of)


def again(found: Waiting, snapshot: Snapshot, asked: Asked, as_of: date) -> Planned:
    """The plan over homes fetched for `asked.homes_alone`: for any budget, hours and weights."""
    planning = found.policy.planning
    rules = Rules(
        weigher(found.policy, asked.weighing), frozenset(planning.before_the_rest), frozenset(planning.stays)
    )
    limits = Limits(
        asked.budget,
        tuple(hours for _, hours in asked.hours),
        tuple(fund.amount for fund in found.funds) or (INFINITY,),
        tuple(fund.average_per_home for fund in found.funds) or (INFINITY,),
    )
    payers = tuple(fund.payer for fund in found.funds) or ANYBODY
    return Planned(asked, as_of, snapshot.name, found, found.planned(asked, rules, payers, limits))


# ---- what waits


def waiting(
    viewer: Viewer,
    snapshot: Snapshot,
    asked: Asked,
    as_of: date,
    decisions: tuple | None = None,
    folder: Path | None = None,
    policy: Policy | None = None,
) -> Waiting:
    """The homes that a plan chooses from, as kinds; ListError for an agency that is not there."""
    there = {folded(agency) for agency in names_there(viewer, snapshot, "agency")} if asked.hours else set()
    for agency, _ in asked.hours:
        if folded(agency) not in there:
            known = ", ".join(names_there(viewer, snapshot, "agency"))
            raise ListError(f"no agency called {agency!r} for its hours; there are: {known}")
    lists.demand_known(viewer, snapshot, asked.filters)
    policy, funds = policy or policy_of(snapshot), of_folder(folder or snapshot.path.parent.parent)
    found = overlay(snapshot, decisions, as_of, *where(viewer, asked.filters))
    homes = _homes(viewer, snapshot, found, funds)
    zones, places = _places(snapshot, homes, policy, asked, funds, as_of)
    rows = snapshot.arrow(
        f"""
        WITH {_deficiencies()}, {_called_back()}, {_systems()}
        SELECT h.agency, h.home_id, h.region, h.crew, h.job_number, {list(LEVELS)}[g.level] AS risk, g.since,
               g.systems, g.open, g.decided, h.groups,
               concat(concat_ws('{kinds.PARTS}', p.zone, p.hours_of, p.funds), '{kinds.SYSTEMS}', g.said)
                   AS said
        FROM grouped AS g
        JOIN of_homes AS h ON h.agency = g.agency AND h.home_id = g.home_id
        JOIN places AS p
            ON p.agency = h.agency AND p.region IS NOT DISTINCT FROM h.region
            AND p.fuel IS NOT DISTINCT FROM h.fuel AND p.reported = h.reported
        ORDER BY said, h.groups DESC, g.since, h.agency, h.home_id""",
        {"day": as_of},
        found=found,
        of_homes=homes,
        places=places,
        checks_in_order=pa.table(
            {"check_id": [check.id for check in HOME_CHECKS], "position": list(range(len(HOME_CHECKS)))}
        ),
    )
    said = rows["said"].combine_chunks().dictionary_encode()
    homes = rows.drop_columns(["said"]).append_column("kind", said.indices)
    return Waiting(homes, [kinds.read(text) for text in said.dictionary.to_pylist()], zones, funds, policy)


def _homes(viewer: Viewer, snapshot: Snapshot, found: pa.Table, funds: Sequence[Fund]) -> pa.Table:
    """The homes of what is open, each with fuel (where a fund asks for it), reported, and priority groups.

    What the household said last counts; a viewer who may not see it plans without.
    """
    latest = [f"coalesce(arg_max(r.{name}, r.inspected_on) = 'yes', false)::INTEGER" for name in GROUPS]
    groups = " + ".join(latest) if viewer.personal else "0"
    fuel = "arg_max(r.fuel, r.inspected_on)" if any(fund.fuels for fund in funds) else "NULL::VARCHAR"
    return snapshot.arrow(
        f"""
        WITH these AS (
            SELECT DISTINCT agency, home_id FROM found),
        said AS (
            SELECT r.agency, r.home_id, {groups} AS groups, {fuel} AS fuel
            FROM readings AS r
            SEMI JOIN these AS t ON t.agency = r.agency AND t.home_id = r.home_id
            GROUP BY r.agency, r.home_id)
        SELECT h.agency, h.home_id, h.region, h.crew, h.job_number, h.reported_on IS NOT NULL AS reported,
               s.fuel, s.groups
        FROM these AS t
        JOIN homes AS h ON h.agency = t.agency AND h.home_id = t.home_id
        JOIN said AS s ON s.agency = t.agency AND s.home_id = t.home_id""",
        found=found,
    )


def _places(snapshot, homes, policy, asked, funds, as_of) -> tuple[list[Zone], pa.Table]:
    """Zones of costs, and for all that decides where a home lies its zone, hours, funds and warranty."""
    different = snapshot.rows(
        "SELECT DISTINCT agency, region, fuel, reported FROM of_homes ORDER BY ALL", of_homes=homes
    )
    zones, positions = kinds.zones(policy, [(agency, region) for agency, region, *_ in different], as_of)
    numbered = {folded(agency): at for at, (agency, _) in enumerate(asked.hours)}
    enter = [
        kinds.EACH.join(
            str(at)
            for at, fund in enumerate(funds)
            if fund.open_on(as_of) and fund.enters(agency, fuel, reported)
        )
        if funds
        else "0"
        for agency, _, fuel, reported in different
    ]
    columns: dict[str, Any] = {
        "agency": pa.array([agency for agency, *_ in different], pa.string()),
        "region": pa.array([region for _, region, *_ in different], pa.string()),
        "fuel": pa.array([fuel for *_, fuel, _ in different], pa.string()),
        "reported": pa.array([reported for *_, reported in different], pa.bool_()),
        "zone": pa.array(positions, pa.int32()),
        "hours_of": pa.array([numbered.get(folded(agency), -1) for agency, *_ in different], pa.int32()),
        "funds": pa.array(enter, pa.string()),
        "warranty": pa.array(
            [kinds.warranty_days(policy, agency, region, as_of) for agency, region, *_ in different],
            pa.int32(),
        ),
    }
    return zones, pa.table(columns)


def _deficiencies() -> str:
    """SQL of tables: what is open in the order of the checks, and the roots of each as bits."""
    return """
        ranked AS (
            SELECT f.*, row_number() OVER (
                       PARTITION BY f.agency, f.home_id, f.system_id ORDER BY c.position) - 1 AS rank
            FROM found AS f
            JOIN checks_in_order AS c USING (check_id)),
        rooted AS (
            SELECT s.agency, s.home_id, s.system_id, s.rank,
                   sum(DISTINCT 1::BIGINT << r.rank)::BIGINT AS roots
            FROM ranked AS s
            JOIN causes AS l
                ON l.agency = s.agency AND l.inspection_id = s.inspection_id
                AND l.symptom_check_id = s.check_id
            JOIN ranked AS r
                ON r.agency = s.agency AND r.home_id = s.home_id AND r.system_id = s.system_id
                AND r.check_id = l.root_check_id
            WHERE r.rank <> s.rank
            GROUP BY ALL)"""


def _called_back() -> str:
    """SQL of tables, the last `again`: what a contractor reported as done and has to do again at no cost.

    It was reported in a job that was completed within the warranty, and what it should have fixed was found
    again.
    """
    return """
        covered AS (
            SELECT DISTINCT j.agency, j.home_id, j.system_id, j.job_number
            FROM (SELECT agency, inspection_id, home_id, completed_on
                  FROM readings WHERE completed_on <= $day) AS u
            JOIN judged AS j ON j.agency = u.agency AND j.inspection_id = u.inspection_id
            JOIN of_homes AS h ON h.agency = u.agency AND h.home_id = u.home_id
            JOIN places AS p
                ON p.agency = h.agency AND p.region IS NOT DISTINCT FROM h.region
                AND p.fuel IS NOT DISTINCT FROM h.fuel AND p.reported = h.reported
            WHERE u.completed_on + p.warranty >= $day),
        failed AS (
            SELECT DISTINCT f.agency, f.home_id, f.system_id, m.measure_id
            FROM ranked AS f
            JOIN (SELECT measure_id, unnest(string_split(fixes, '; ')) AS check_id FROM measures) AS m
                ON m.check_id = f.check_id
            WHERE f.state = 'repair did not hold'),
        again AS (
            SELECT f.agency, f.home_id, f.system_id,
                   string_agg(DISTINCT f.measure_id, ';' ORDER BY f.measure_id) AS measures
            FROM failed AS f
            JOIN judged AS j ON j.agency = f.agency AND j.home_id = f.home_id AND j.system_id = f.system_id
            JOIN covered AS c
                ON c.agency = j.agency AND c.home_id = j.home_id AND c.system_id = j.system_id
                AND c.job_number IS NOT DISTINCT FROM j.job_number
            JOIN readings AS r ON r.agency = j.agency AND r.inspection_id = j.inspection_id
            WHERE list_contains(string_split(replace(r.repairs_reported, ' ', ''), ';'), f.measure_id)
            GROUP BY ALL)"""


def _systems() -> str:
    """SQL of tables, the last `grouped`: each home's kind as text, as `kinds.read` takes it apart."""
    stands = f"""CASE WHEN f.in_force IN {AGAINST} THEN {STAYS_OPEN}
                      WHEN f.in_force IN {COMING} THEN {UNDER_WAY}
                      WHEN f.in_force = '{ELSEWHERE}' THEN {REFERRED} ELSE {TO_PLAN} END"""
    level = f"list_position({list(LEVELS)}, f.risk)"
    return f"""
        systems AS (
            SELECT f.agency, f.home_id, f.system_id,
                   concat_ws('{kinds.PARTS}',
                             coalesce(max(t.tank_type), ''), coalesce(max(a.measures), ''),
                             string_agg(concat_ws('{kinds.SAID}', f.check_id, {level} - 1, {stands},
                                                  coalesce(x.roots, 0)), '{kinds.EACH}' ORDER BY f.rank)
                   ) AS said,
                   min(f.since) AS since, count(*) AS open, min({level}) AS level,
                   string_agg(DISTINCT f.decided, '; ' ORDER BY f.decided)
                       FILTER (f.in_force IN {(*AGAINST, *COMING, ELSEWHERE)}) AS decided
            FROM ranked AS f
            LEFT JOIN rooted AS x
                ON x.agency = f.agency AND x.home_id = f.home_id AND x.system_id = f.system_id
                AND x.rank = f.rank
            LEFT JOIN readings AS t ON t.agency = f.agency AND t.inspection_id = f.inspection_id
            LEFT JOIN again AS a
                ON a.agency = f.agency AND a.home_id = f.home_id AND a.system_id = f.system_id
            GROUP BY f.agency, f.home_id, f.system_id),
        grouped AS (
            SELECT agency, home_id, string_agg(said, '{kinds.SYSTEMS}' ORDER BY system_id) AS said,
                   list(system_id ORDER BY system_id) AS systems, min(since) AS since,
                   sum(open)::INTEGER AS open, min(level) AS level,
                   string_agg(DISTINCT decided, '; ' ORDER BY decided) AS decided
            FROM systems
            GROUP BY agency, home_id)"""
