"""What the page of the plan draws beside the plan: its curve, what more money buys, its homes by pages."""

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.answers import plans
from pipelines.answers.access import Viewer
from pipelines.answers.homes import ROWS_A_PAGE
from pipelines.answers.plans import Asked, Planned, Waiting
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.retrofit.plan import NOT_IN

MORE_USD = 10_000.0
SHARES = (0.25, 0.5, 0.75, 1.5, 2.0)  # of the budget, at which the curve is solved
MOST_POINTS = 60
THIS_PLAN, WORST_FIRST, CHEAPEST_FIRST, NOTHING = "this plan", "worst first", "cheapest first", "nothing done"


@dataclass(frozen=True)
class PlanPage:
    """A plan, the curve to draw (order, cost, worth), and what MORE_USD more would buy: risk and homes."""

    found: Planned
    curve: pd.DataFrame
    more_worth: float
    more_homes: int


def plan_page(
    viewer: Viewer, snapshot: Snapshot, asked: Asked, as_of: date, waits: Waiting | None = None
) -> PlanPage:
    """The plan with its curve: solved at a few budgets, beside two simple orders and doing nothing.

    `waits` may be what plans.waiting found for `asked.homes_alone` already.
    The simple orders take homes whole, each for all that can be done there, as long as the money and the
    hours of its agency last; they know no funds.
    """
    waits = waits or plans.waiting(viewer, snapshot, asked, as_of)
    found = plans.again(waits, snapshot, asked, as_of)

    def at(budget: float) -> Planned:
        return plans.again(waits, snapshot, replace(asked, budget=budget), as_of)

    more = at(asked.budget + MORE_USD)
    solved = sorted(
        [found, *(at(asked.budget * share) for share in SHARES)], key=lambda one: one.asked.budget
    )
    points = [(THIS_PLAN, one.plan.cost, one.plan.solution.worth) for one in solved]
    points += _simple(found, 2 * asked.budget)
    frame = pd.DataFrame(points, columns=["order", "cost", "worth"])
    return PlanPage(
        found, frame, more.plan.solution.worth - found.plan.solution.worth, _homes(more) - _homes(found)
    )


def _homes(found: Planned) -> int:
    return int((found.plan.column != NOT_IN).sum())


def _simple(found: Planned, most: float) -> list[tuple[str, float, float]]:
    """Points of the two simple orders and of doing nothing, as far as a sum of money reaches."""
    problem, kind = found.plan.problem, found.plan.kind
    order = np.lexsort((problem.cost, -problem.worth, problem.kind))
    kinds, firsts = np.unique(problem.kind[order], return_index=True)
    whole = np.full(len(found.plan.kinds), NOT_IN)
    whole[kinds] = order[firsts]  # for each kind the package that does most, the cheapest of them
    column = whole[kind]
    homes = np.flatnonzero(column != NOT_IN)
    cost, worth = problem.cost[column[homes]], problem.worth[column[homes]]
    risk = pa.array(found.waiting.homes["risk"]).to_pandas().map(LEVELS.index).to_numpy()[homes]
    since = found.waiting.homes["since"].to_numpy()[homes]
    points = [(NOTHING, 0.0, 0.0), (NOTHING, most, 0.0)]
    for name, ordered in (
        (WORST_FIRST, np.lexsort((since, risk))),
        (CHEAPEST_FIRST, np.lexsort((-worth, cost))),
    ):
        ordered = ordered[_within_hours(found, kind[homes][ordered], problem.hours[column[homes]][ordered])]
        spent, gained = np.cumsum(cost[ordered]), np.cumsum(worth[ordered])
        reach = int(np.searchsorted(spent, most, side="right"))
        shown = np.unique(np.linspace(0, max(reach - 1, 0), MOST_POINTS).astype(int))[: max(reach, 0)]
        points += [(name, 0.0, 0.0), *((name, float(spent[at]), float(gained[at])) for at in shown)]
    return points


def _within_hours(found: Planned, kind: np.ndarray, hours: np.ndarray) -> np.ndarray:
    """Which homes in an order the hours of their agency last for."""
    hours_of = found.plan.problem.hours_of[kind]
    fits = np.ones(len(kind), bool)
    for at, most in enumerate(found.plan.limits.hours):
        ours = hours_of == at
        fits[ours] = np.cumsum(hours[ours]) <= most
    return fits


def plan_homes(found: Planned, inside: bool, page: int) -> tuple[pd.DataFrame, int]:
    """One page of the homes in the plan, what removes most first, or of those left out, the worst first;
    and how many there are.
    """
    made = found.plan
    chosen = np.flatnonzero((made.column != NOT_IN) == inside)
    if inside:
        order = np.lexsort((chosen, -made.of_homes("worth")[chosen], made.reasons[chosen] != "act today"))
    else:
        risk = found.waiting.homes["risk"].to_pandas().map(LEVELS.index).to_numpy()[chosen]
        order = np.lexsort((found.waiting.homes["since"].to_numpy()[chosen], risk))
    shown = chosen[order][ROWS_A_PAGE * (page - 1) : ROWS_A_PAGE * page]
    rows = found.waiting.homes.take(pa.array(shown)).to_pandas()
    titles = {measure.id: measure.title for measure in found.waiting.policy.measures}
    work = [
        "; ".join(
            titles[one]
            for job, _ in made.jobs(at, row.agency, row.home_id, list(row.systems))
            for one in job.measures
        )
        for at, row in zip(shown, rows.itertuples(index=False), strict=True)
    ]
    return rows.drop(columns=["systems", "decided"]).assign(
        work=work,
        cost=made.of_homes("cost")[shown],
        hours=made.of_homes("hours")[shown],
        worth=made.of_homes("worth")[shown],
        why=[found.reason(at) for at in shown],
    ), len(chosen)
