"""A plan told: as JSON, as lines to read, and as the list that goes out."""

from collections.abc import Iterator
from typing import Any

import numpy as np
import pyarrow as pa

from pipelines.answers import lists
from pipelines.answers.listed import Sheet
from pipelines.answers.phrases import counted
from pipelines.answers.plans import Planned
from pipelines.engine.policy.measures import INVENTED
from pipelines.engine.policy.policy import LEVELS
from pipelines.fleet.snapshots import Snapshot
from pipelines.retrofit.plan import NOT_IN
from pipelines.retrofit.weights import WEIGHINGS


def document(found: Planned) -> dict[str, Any]:
    """The plan as JSON takes it."""
    solution, made = found.plan.solution, found.plan
    return {
        "snapshot": found.snapshot,
        "as_of": found.as_of.isoformat(),
        "budget": found.asked.budget,
        "must_do_cost": round(solution.must_cost, 2),
        "shortfall": shortfall(found),
        "chosen": [
            {
                "agency": job.agency,
                "home_id": job.home_id,
                "system_id": job.system_id,
                "measures": list(job.measures),
                "cost": job.cost,
                "hours": job.hours,
                "risk_removed": round(worth, 6),
                "why": found.reason(at),
            }
            for job, worth, at in found.jobs()
        ],
        "cost": round(made.cost, 2),
        "hours": round(made.hours, 2),
        "risk_removed": round(solution.worth, 6),
        "bound": round(solution.bound, 6),
        "gap": round(solution.gap, 9),
        "solved": solution.exact,
        "weighed_by": WEIGHINGS[found.asked.weighing],
        "scarce": scarce(found),
        "funds": funds_left(found),
        "left_out": left_out(found),
    }


def shortfall(found: Planned) -> dict[str, Any]:
    """What is lacking for what must be done alone: dollars, hours by agency, dollars that no fund pays."""
    solution = found.plan.solution
    agencies = [agency for agency, _ in found.asked.hours]
    return {
        "dollars": round(solution.short_usd, 2),
        "hours": {agencies[at]: round(hours, 2) for at, hours in solution.short_hours.items()},
        "paid_by_no_fund": round(solution.short_funds, 2),
    }


def scarce(found: Planned) -> list[str]:
    """The limits that hold the plan back, in words."""
    agencies = [agency for agency, _ in found.asked.hours]
    said = []
    for name in found.plan.solution.prices:
        kind, _, at = name.partition(" ")
        if kind == "hours":
            said.append(f"hours of {agencies[int(at)]}")
        elif kind in ("fund", "average"):
            title = found.fund_names[int(at)]
            said.append(title if kind == "fund" else f"average for a home of {title}")
        else:
            said.append("budget")
    return said


def funds_left(found: Planned) -> list[dict[str, Any]]:
    """What each fund pays and what is left of it."""
    paid = found.plan.paid
    return [
        {
            "fund": fund.id,
            "title": fund.title,
            "pays": round(float(paid[at]), 2),
            "left": round(fund.amount - float(paid[at]), 2),
            "open": fund.open_on(found.as_of),
        }
        for at, fund in enumerate(found.waiting.funds)
    ]


def left_out(found: Planned) -> list[dict[str, Any]]:
    """How many homes are not in the plan, by reason."""
    outside = found.plan.column == NOT_IN
    reasons, counts = np.unique(found.plan.reasons[outside].astype(str), return_counts=True)
    return [{"why": str(why), "homes": int(count)} for why, count in zip(reasons, counts, strict=True)]


def today_left_out(found: Planned) -> int:
    """In how many homes not in the plan something must be acted on today, whatever was decided there."""
    risk = found.waiting.homes["risk"].to_numpy()
    return int(((found.plan.column == NOT_IN) & (risk == LEVELS[0])).sum())


def facts(found: Planned) -> Iterator[tuple[str, str]]:
    """The plan in a few facts, each after its name: what it is, what holds it back, what is out and why."""
    made, solution = found.plan, found.plan.solution
    inside = int((made.column != NOT_IN).sum())
    yield "In the plan", f"{inside:,} of {len(made.column):,} homes, as of {found.as_of}"
    yield "Money", f"{made.cost:,.0f} of {found.asked.budget:,.0f} dollars, {made.hours:,.1f} crew hours"
    yield "Must be done", f"{solution.must_cost:,.0f} dollars for what must be acted on today"
    lacking = shortfall(found)
    if lacking["dollars"]:
        yield "Short", f"{lacking['dollars']:,.0f} dollars: the plan is exactly what must be done"
    for agency, hours in lacking["hours"].items():
        yield "Short", f"{hours:,.1f} hours of {agency}: its part is exactly what must be done"
    if lacking["paid_by_no_fund"]:
        yield "Short", f"{lacking['paid_by_no_fund']:,.0f} dollars that must be spent and no fund may pay"
    proved = "proved best" if solution.exact else f"at most {solution.gap:.2%} below what could be had"
    yield "Risk removed", f"{solution.worth:,.0f}, {proved}; {WEIGHINGS[found.asked.weighing]}"
    if held := scarce(found):
        yield "Held back by", ", ".join(held)
    for fund in funds_left(found):
        ended = "" if fund["open"] else "; its last day is over"
        yield "Fund", f"{fund['title']} pays {fund['pays']:,.0f}, {fund['left']:,.0f} left{ended}"
    if count := today_left_out(found):
        yield "Act today", f"{counted(count, 'home')} with something to act on today and no work planned"
    for one in left_out(found):
        yield "Left out", f"{counted(one['homes'], 'home')}: {one['why']}"
    if any(one.thinned for one in made.choices):
        yield "Note", "where much is open at once, only the cheapest measure for each deficiency was tried"
    if any(measure.mark == INVENTED for measure in found.waiting.policy.measures):
        yield "Note", "some costs and hours are invented for demonstration: set your own in policy.toml"


def lines(found: Planned) -> Iterator[str]:
    """The facts as lines to print."""
    return (f"{name.lower():14}{text}" for name, text in facts(found))


def sheet(snapshot: Snapshot, found: Planned) -> Sheet:
    """Every home in which something is open: its jobs, one row each, and for one not in the plan why."""
    titles = {measure.id: measure.title for measure in found.waiting.policy.measures}
    homes, made = found.waiting.homes, found.plan
    jobs = found.jobs()
    inside = np.array([at for _, _, at in jobs], int)
    outside = np.flatnonzero(made.column == NOT_IN)
    order = np.concatenate([inside, outside])
    rows = homes.select(["agency", "home_id", "job_number", "region", "crew", "risk", "since", "open"])
    rows = rows.take(pa.array(order))
    empty = [None] * len(outside)
    columns = {
        "system_id": [job.system_id for job, _, _ in jobs] + empty,
        "in_plan": ["yes"] * len(jobs) + ["no"] * len(outside),
        "measures": ["; ".join(titles[one] for one in job.measures) for job, _, _ in jobs] + empty,
        "cost": [job.cost for job, _, _ in jobs] + empty,
        "hours": [job.hours for job, _, _ in jobs] + empty,
        "risk_removed": [worth for _, worth, _ in jobs] + empty,
        "why": [found.reason(at) for at in order],
    }
    numbers = ("cost", "hours", "risk_removed")
    for name, values in columns.items():
        rows = rows.append_column(name, pa.array(values, pa.float64() if name in numbers else pa.string()))
    about = lists.about("plan", snapshot, found.as_of, found.asked.filters)
    about |= {
        "budget": f"{found.asked.budget:,.2f}",
        "hours": {agency: f"{hours:,.1f}" for agency, hours in found.asked.hours},
        "weighed_by": WEIGHINGS[found.asked.weighing],
        "bound": f"{found.plan.solution.bound:,.1f}, gap {found.plan.solution.gap:.5f}",
    }
    return Sheet("plan", rows, about)
