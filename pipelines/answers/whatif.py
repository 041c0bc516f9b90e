"""What if the policy were another: which homes would gain and lose which flags, before it is adopted."""

import threading
import time
from collections.abc import Iterator
from contextlib import nullcontext
from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import pandas as pd
import pyarrow as pa

from pipelines.answers import differences, plans
from pipelines.answers.access import Filters, Viewer
from pipelines.engine.checks import HOME_CHECKS
from pipelines.engine.policy.policy import Policy
from pipelines.fleet import decided
from pipelines.fleet.folder import Fleet
from pipelines.fleet.logs import today
from pipelines.fleet.snapshots import Snapshot
from pipelines.receiving import adopting
from pipelines.snapshot import inputs, trials, unmatched
from pipelines.snapshot.progress import Progress
from pipelines.snapshot.version import attach
from pipelines.snapshot.was_open import was_open

GAINED, LOST, GRAVER, LIGHTER = "gained", "lost", "graver", "lighter"
# What a trial of limits says, and what of differences.WHAT that is.
SAID = {
    GAINED: differences.CAME,
    LOST: differences.WENT,
    GRAVER: ("worsened",),
    LIGHTER: ("eased",),
}
HELD, RELEASED = "held", "released"
_HOLD = """
    SELECT agency, home_id, hold_before_reporting, may_be_reported, safety_not_verified
    FROM homes
    WHERE hold_before_reporting OR may_be_reported"""


@dataclass(frozen=True)
class Tried:
    """What came of a trial: `text` is the policy's, tried on `snapshot` (its path), while policy.toml had the
    hash `base`.

    `differences` are as differences.between; `held` are the homes whose hold before reporting would change:
    agency, home_id, what (held, released). `notes` are sentences about overrides without effect.
    """

    snapshot: Path
    base: str
    text: bytes
    policy: Policy = field(repr=False)
    differences: pa.Table = field(repr=False)
    held: pa.Table = field(repr=False)
    plans: tuple["PlanCost", "PlanCost"]
    notes: tuple[str, ...] = ()
    seconds: float = 0.0
    costs_alone: bool = False  # nothing but what work costs and takes was tried


@dataclass(frozen=True)
class PlanCost:
    """A plan at a budget, in dollars: what its must-do work costs, all of it, in how many homes, and what
    risk it removes.
    """

    budget: float
    must_do: float
    cost: float
    homes: int
    worth: float


TRIP = ("trip_usd", "trip_h")  # limits that cost or take, and decide nothing
BUDGET = 100_000.0  # of the plans that are compared, where none is asked for


def tried(
    fleet: Fleet, text: bytes, name: str, progress: Progress | None = None, budget: float = BUDGET
) -> Tried:
    """Try the text of a policy, which errors call `name`, on the fleet's current snapshot.

    `plans` are what a plan at a budget comes to today, under the policy as it is and as tried. Takes about as
    long as working out every inspection does, or as a plan where only what work costs and takes is another;
    nothing is published or logged. PolicyError where the text cannot be used, FleetError where there is no
    snapshot to try it on.
    """
    progress, begun = progress or Progress(), time.perf_counter()
    base, snapshot = adopting.base_of(fleet), attach(fleet.snapshot())
    policy = inputs.policy_in(text, name)
    state = fleet.state_of(snapshot.path)
    before = inputs.kept(fleet, state.inputs) if state else None
    costs_alone = before is not None and _but_costs(before.policy) == _but_costs(policy)
    if before is not None and costs_alone:
        read = inputs.with_policy(before, text, name)
        progress.notes += unmatched.would_be_unmatched(fleet, read, snapshot)
    same = nullcontext(snapshot)
    with same if costs_alone else trials.trial(fleet, text, name, progress) as trial:
        found = differences.between(snapshot, was_open(snapshot), was_open(trial))
        held = _held(snapshot, snapshot.arrow(_HOLD), trial.arrow(_HOLD))
        progress.say("planning")
        now = _plan_cost(fleet, snapshot, budget)
        then = _plan_cost(fleet, trial, budget, policy if costs_alone else None)
    return Tried(
        snapshot=snapshot.path,
        base=base,
        text=text,
        policy=policy,
        differences=found,
        held=held,
        plans=(now, then),
        notes=tuple(progress.notes),
        seconds=time.perf_counter() - begun,
        costs_alone=costs_alone,
    )


def _but_costs(policy: Policy) -> dict:
    """All that a policy decides but what work, and the trip to it, costs and takes."""

    def rest(limits: dict) -> dict:
        return {name: value for name, value in limits.items() if name not in TRIP}

    regions = [replace(one, limits=rest(one.limits), measures={}, line=0) for one in policy.regions]
    every = {one.name: getattr(policy, one.name) for one in fields(Policy)}
    return every | {
        "text": "",
        "source": None,
        "limits": rest(policy.limits),
        "measures": [replace(one, cost=None, hours=None, mark="") for one in policy.measures],
        "regions": [one for one in regions if one.said],
    }


def _plan_cost(fleet: Fleet, snapshot: Snapshot, budget: float, policy: Policy | None = None) -> PlanCost:
    """A plan of the whole fleet, whoever looks: it counts, and names no home."""
    decisions = decided.read(fleet)
    everyone = Viewer(agencies=None, personal=False)
    day = today(fleet.path)
    found = plans.planned(everyone, snapshot, plans.Asked(budget), day, decisions, fleet.path, policy)
    solution, inside = found.plan.solution, int((found.plan.column >= 0).sum())
    return PlanCost(budget, solution.must_cost, found.plan.cost, inside, solution.worth)


def _held(snapshot: Snapshot, before: pa.Table, after: pa.Table) -> pa.Table:
    """Homes that would be held before reporting and are not, or are and would not be."""
    return snapshot.arrow(
        """
        SELECT agency, home_id, CASE WHEN held THEN 'held' ELSE 'released' END AS what
        FROM (
            SELECT coalesce(a.agency, b.agency) AS agency, coalesce(a.home_id, b.home_id) AS home_id,
                   coalesce(a.hold_before_reporting, false) AS held,
                   coalesce(b.hold_before_reporting, false) AS was
            FROM before AS b
            FULL JOIN after AS a ON a.agency = b.agency AND a.home_id = b.home_id)
        WHERE held <> was""",
        before=before,
        after=after,
    )


# ---- a trial that runs beside the page


@dataclass(eq=False)
class Trying:
    """A trial at work: what it does now (`said`), how far it is within that (0 to 1, None unknown), and what
    came of it, `tried` or `error`."""

    fleet: Fleet
    text: bytes
    name: str
    said: str = "waiting"
    share: float | None = None
    tried: Tried | None = None
    error: Exception | None = None
    _thread: threading.Thread | None = field(default=None, repr=False)

    def begin(self):
        self._thread = threading.Thread(target=self._work, name="coldfill what if", daemon=True)
        self._thread.start()
        return self

    def wait(self, seconds: float) -> bool:
        """Wait so long or until it is over; whether it is over."""
        if self._thread is None:
            return False
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _work(self) -> None:
        try:
            self.tried = tried(self.fleet, self.text, self.name, Progress(self._say, self._step))
        except Exception as error:  # said on the page by whoever waits
            self.error = error

    def _say(self, text: str) -> None:
        self.said, self.share = text, None

    def _step(self, done: int, of: int) -> None:
        self.share = done / of if of else None


# ---- what came of it


@dataclass(frozen=True)
class Told:
    """What a trial says to a viewer: `differences` as differences.of_homes, of what they may see; homes by
    check and by risk, a column for each of SAID; `homes` how many homes have any of each; `held` as in Tried.
    """

    tried: Tried
    snapshot: Snapshot
    differences: pa.Table = field(repr=False)
    held: pa.Table = field(repr=False)
    by_check: pd.DataFrame = field(repr=False)
    by_risk: pd.DataFrame = field(repr=False)
    homes: dict[str, int]


def told(viewer: Viewer, snapshot: Snapshot, filters: Filters, found: Tried) -> Told:
    """What a trial says, as far as the viewer may see it and the filters let it through."""
    differing = differences.of_homes(viewer, snapshot, filters, found.differences)
    return Told(
        tried=found,
        snapshot=snapshot,
        differences=differing,
        held=differences.of_homes(viewer, snapshot, filters, found.held),
        by_check=differences.by_check(snapshot, differing, SAID),
        by_risk=differences.by_risk(snapshot, differing, SAID),
        homes={
            name: differences.homes_count(snapshot, differing, differences.Part(what))
            for name, what in SAID.items()
        },
    )


def held_count(found: Told, what: str) -> int:
    """How many homes would be newly held before reporting, or released."""
    return found.snapshot.rows("SELECT count(*) FROM held WHERE what = ?", [what], held=found.held)[0][0]


def held_page(found: Told, what: str, page: int) -> pd.DataFrame:
    """One page of these homes, `page` from 1: agency, home_id, region, crew, job_number."""
    return found.snapshot.query(
        """
        SELECT * EXCLUDE what FROM held WHERE what = ? ORDER BY agency, home_id LIMIT ? OFFSET ?""",
        [what, differences.ROWS_A_PAGE, differences.ROWS_A_PAGE * (page - 1)],
        held=found.held,
    )


def lines(found: Told) -> Iterator[str]:
    """What a trial says, for a terminal: homes by check, then by risk."""
    titles = {check.id: check.title for check in HOME_CHECKS}
    yield f"snapshot {found.snapshot.name}, policy {found.tried.policy.sha256[:12]}"
    yield from found.tried.notes
    said = ", ".join(f"{name} in {count:,} homes" for name, count in found.homes.items() if count)
    yield f"flags {said}" if said else "no flag would change"
    for frame, named in ((found.by_check, titles.get), (found.by_risk, str)):
        for row in frame.to_dict("records"):
            counts = "  ".join(f"{name} {row[name]:,}" for name in SAID if row[name])
            yield f"{named(row['counted']):44} {counts}"
    for what in (HELD, RELEASED):
        if count := held_count(found, what):
            yield f"{count:,} homes would be {what} before reporting"
    yield plans_said(found.tried)


def plans_said(found: Tried) -> str:
    """What the plan would cost under the policy as it is and as tried, in a sentence."""
    now, then = found.plans
    return (
        f"A plan of the whole fleet for {now.budget:,.0f} dollars: must-do work would cost "
        f"{then.must_do:,.0f}, now {now.must_do:,.0f}; in all it would spend {then.cost:,.0f} in "
        f"{then.homes:,} homes, now {now.cost:,.0f} in {now.homes:,}, and remove {then.worth:,.0f} of risk, "
        f"now {now.worth:,.0f}."
    )


def as_json(found: Told, filters: Filters) -> dict:
    """The same as a document, with every difference."""
    return {
        "snapshot": found.snapshot.name,
        "filters": filters.stated,
        "policy": found.tried.policy.sha256,
        "remarks": list(found.tried.notes),
        "plans": {name: vars(plan) for name, plan in zip(("now", "tried"), found.tried.plans, strict=True)},
        "counts": found.homes | {what: held_count(found, what) for what in (HELD, RELEASED)},
        "homes": differences.records(found.snapshot, found.differences),
    }
