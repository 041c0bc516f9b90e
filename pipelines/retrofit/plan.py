"""The plan: which home gets which package, and why a home gets none."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from pipelines.retrofit.jobs import Job
from pipelines.retrofit.packages import (
    REFERRED,
    STAYS_OPEN,
    TO_PLAN,
    Choices,
    Kind,
    Package,
    Payer,
    Rules,
    Zone,
    bits,
    of_kind,
)
from pipelines.retrofit.solving import BUDGET, Limits, Problem, Solution, solve

NOT_IN = -1
MUST, EARLY, WORTH = "act today", "before the rest", "most risk removed for what it takes"
DECIDED, COMING = "decided against, or not to be entered", "ordered or done already"
AWAY = "referred to somebody else"
OF_DECISIONS = (DECIDED, COMING, AWAY)
NO_MEASURE, NO_FUND = "no measure of known cost puts it right by itself", "no fund may pay for it here"
NO_MONEY, NO_HOURS, NO_FUND_LEFT = (
    "the money removes more elsewhere",
    "the hours of its agency remove more elsewhere",
    "the fund's money removes more elsewhere",
)


@dataclass(frozen=True)
class Plan:
    """A plan over homes that stand in the order of their kinds.

    `kind` and `column` have an element a home: its kind, and the column of the program it got, or NOT_IN.
    """

    kinds: Sequence[Kind]
    zones: Sequence[Zone]
    rules: Rules
    limits: Limits
    choices: Sequence[Choices]
    problem: Problem
    solution: Solution
    kind: np.ndarray
    column: np.ndarray

    @cached_property
    def packages(self) -> list[Package]:
        """The package of each column."""
        return [package for one in self.choices for package in one.packages]

    @cached_property
    def cost(self) -> float:
        return float(self.solution.taken @ self.problem.cost)

    @cached_property
    def hours(self) -> float:
        return float(self.solution.taken @ self.problem.hours)

    @cached_property
    def paid(self) -> np.ndarray:
        """Dollars by fund and, last, by none."""
        return self.solution.taken @ self.problem.paid

    def of_homes(self, name: str) -> np.ndarray:
        """cost, hours, worth or first of what each home gets; 0 for nothing."""
        values = np.append(getattr(self.problem, name), 0.0)
        return values[self.column]

    @cached_property
    def reasons(self) -> np.ndarray:
        """Why each home is in the plan, or is not."""
        problem = self.problem
        of_columns = np.where(
            problem.must[problem.kind], MUST, np.where(problem.first > 0, EARLY, WORTH)
        ).astype(object)
        out = np.array([self._why_not(at) for at in range(len(self.kinds))] or [""], object)
        inside = np.append(of_columns, "")[self.column]
        return np.where(self.column == NOT_IN, out[self.kind], inside)

    def _why_not(self, at: int) -> str:
        found = [one for system in self.kinds[at].systems for one in system.found]
        if not self.choices[at].packages:
            stands = {one.stands for one in found}
            if TO_PLAN not in stands:
                return _decided(stands)
            payers = (
                Payer(
                    frozenset(
                        kind for one in self.zones[self.kinds[at].zone].measures for kind in one.paid_by
                    )
                ),
            )
            anybody = of_kind(
                self.kinds[at]._replace(funds=(0,)), self.zones[self.kinds[at].zone], self.rules, payers
            )
            if anybody.packages:
                return NO_FUND
            return NO_MEASURE if stands == {TO_PLAN} else _decided(stands)
        hours_of = self.kinds[at].hours_of
        if hours_of >= 0 and (
            f"hours {hours_of}" in self.solution.prices or hours_of in self.solution.short_hours
        ):
            return NO_HOURS
        if (
            any(name.startswith(("fund", "average")) for name in self.solution.prices)
            and BUDGET not in self.solution.prices
        ):
            return NO_FUND_LEFT
        return NO_MONEY

    def jobs(
        self, home: int | np.integer, agency: str, home_id: str, systems: Sequence[str]
    ) -> list[tuple[Job, float]]:
        """The jobs of a home in the plan, each with the risk it removes; none for one that is not in it."""
        if self.column[home] == NOT_IN:
            return []
        kind, package = self.kinds[self.kind[home]], self.packages[self.column[home]]
        zone = self.zones[kind.zone]
        figures = {one.id: one for one in zone.measures}
        found = []
        at_the_door = package.cost - sum(
            _cost(figures, system, ids) for system, ids in zip(kind.systems, package.measures, strict=True)
        )
        hours = zone.trip_hours
        for system, ids, removed, name in zip(
            kind.systems, package.measures, package.removed, systems, strict=True
        ):
            if ids:
                cost = _cost(figures, system, ids) + at_the_door
                hours += sum(figures[one].hours or 0.0 for one in ids)
                worth = sum(self.rules.weight(*system.found[bit][:2]) for bit in bits(removed))
                found.append((Job(agency, home_id, name, ids, round(cost, 2), round(hours, 2)), worth))
                at_the_door, hours = 0.0, 0.0
        return found


def _decided(stands: set[int]) -> str:
    """Why what is decided is not planned; what stays open counts before what is left to others or coming."""
    return DECIDED if STAYS_OPEN in stands else AWAY if REFERRED in stands else COMING


def _cost(figures, system, ids) -> float:
    return sum(figures[one].cost or 0.0 for one in ids if one not in system.called_back)


def plan(
    kinds: Sequence[Kind],
    zones: Sequence[Zone],
    rules: Rules,
    payers: Sequence[Payer],
    kind: np.ndarray,
    limits: Limits,
    choices: Sequence[Choices] | None = None,
    problem: Problem | None = None,
) -> Plan:
    """The plan for homes of these kinds (`kind`, an element a home, in order) within the limits.

    Of homes of one kind the first get the packages. `choices` and `problem` may be those of an earlier plan
    over the same homes, kinds, zones, rules and payers.
    """
    if choices is None:
        choices = [of_kind(one, zones[one.zone], rules, payers) for one in kinds]
    homes = np.bincount(kind, minlength=len(kinds))
    problem = problem or Problem.of(choices, homes, [one.hours_of for one in kinds], len(payers))
    solution = solve(problem, limits)
    column = np.full(len(kind), NOT_IN)
    order = np.lexsort((problem.cost, -problem.worth, problem.kind))
    given = np.repeat(order, np.round(solution.taken[order]).astype(int))
    starts = np.cumsum(homes) - homes
    of_kinds = problem.kind[given]
    within = np.arange(len(given)) - np.searchsorted(of_kinds, np.arange(len(kinds)))[of_kinds]
    column[starts[of_kinds] + within] = given
    return Plan(kinds, zones, rules, limits, choices, problem, solution, kind, column)
