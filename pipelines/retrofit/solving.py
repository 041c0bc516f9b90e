"""Which packages fit the money and the hours and remove the most risk: a program in whole numbers, its bound,
and where it is large a core of it whose answer is held against the bound of the whole.

Homes of one kind are alike, so the program counts how many of them get each package. A price on each limit
parts the program into one small choice for each kind; what that comes to bounds every plan, and the prices
at which it comes to least leave few packages in doubt. These are the core, which HiGHS solves.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array, vstack

from pipelines.retrofit.packages import NOT_PAID, Choices

INFINITY = float("inf")
BUDGET = "budget"
CLOSE = 1e-5  # gap, as a share, at which a program counts as solved
NEAR = 5e-4  # at which no larger core is tried where the whole program is larger than the largest
CORE, MOST_CORE = 2_000, 8_000  # columns of the first core, and of the largest
SECONDS = 15.0  # for one core
ROUNDS = 300  # of prices
TINY, SAME = 1e-6, 1e-3


@dataclass(frozen=True)
class Limits:
    """What a plan may take: dollars, crew hours by number of the limit, and of each fund the amount and the
    average for a home it enters (infinite where there is none).
    """

    budget: float = INFINITY
    hours: tuple[float, ...] = ()
    amounts: tuple[float, ...] = (INFINITY,)
    averages: tuple[float, ...] = (INFINITY,)


@dataclass(frozen=True)
class Problem:
    """Columns of the program, one for each package of each kind, in the order of the kinds.

    `kind`, `cost`, `hours`, `worth`, `first` have an element a column, `paid` a row; `homes`, `must` and
    `hours_of` (number of the limit of hours, -1 for none) an element a kind.
    """

    kind: np.ndarray
    cost: np.ndarray
    hours: np.ndarray
    worth: np.ndarray
    first: np.ndarray
    paid: np.ndarray
    homes: np.ndarray
    must: np.ndarray
    hours_of: np.ndarray

    @classmethod
    def of(
        cls,
        choices: Sequence[Choices],
        homes: Sequence[int] | np.ndarray,
        hours_of: Sequence[int],
        funds: int,
    ):
        """The program of some kinds: their packages, how many homes they have, their limits of hours."""
        every = [package for one in choices for package in one.packages]
        cost, hours, worth, first = (
            np.array([getattr(package, name) for package in every], float)
            for name in ("cost", "hours", "worth", "first")
        )
        return cls(
            np.repeat(np.arange(len(choices)), [len(one.packages) for one in choices]),
            cost,
            hours,
            worth,
            first,
            np.array([package.paid for package in every], float).reshape(len(every), funds + 1),
            np.array(homes, int),
            np.array([one.must for one in choices], bool),
            np.array(hours_of, int),
        )


@dataclass(frozen=True)
class Solution:
    """How many homes get each package (`taken`, an element a column), and how good that is.

    `bound` is what no plan under the same rules can exceed; `gap` how far below it this one may be, as a
    share of it. `exact`: proved to CLOSE. `must_cost` is what must be done costs; `short_usd`, `short_hours`
    (by limit) and `short_funds` what is lacking for it alone. `prices` are those of the limits that hold the
    plan back, risk for a dollar or an hour, by name: budget, hours 0, fund 0, average 0.
    """

    taken: np.ndarray
    worth: float
    bound: float
    gap: float
    exact: bool
    must_cost: float = 0.0
    short_usd: float = 0.0
    short_hours: dict[int, float] = field(default_factory=dict)
    short_funds: float = 0.0
    prices: dict[str, float] = field(default_factory=dict)


def solve(problem: Problem, limits: Limits) -> Solution:
    """The plan that removes the most risk within the limits.

    First comes all that must be done. Where that alone takes more money than there is, the plan is exactly
    that work; where it takes more hours than an agency has, that agency's part of the plan is. Then comes as
    much as possible of what goes before the rest, then as much as possible of all.
    """
    # What must be done counts in no average: other homes may bring it down, and where they do not it is done.
    without = replace(limits, averages=tuple(INFINITY for _ in limits.averages))
    least, over = _must(problem, without)
    unpaid = float(least @ problem.paid[:, NOT_PAID])
    short: dict[str, Any] = {
        "must_cost": float(least @ problem.cost),
        "short_usd": over.get(BUDGET, 0.0),
        "short_hours": {at: over[key] for at in range(len(limits.hours)) if (key := f"hours {at}") in over},
        "short_funds": unpaid if unpaid > TINY else 0.0,
    }
    if short["short_usd"]:
        worth = float(least @ problem.worth)
        return Solution(least, worth, worth, 0.0, True, **short)
    rows = [
        (name, row, max(most, float(least @ row)) if name.startswith("average") else most)
        for name, row, most in _limits(problem, limits, short["short_hours"])
    ]
    rows.append(("", problem.paid[:, NOT_PAID], unpaid + TINY))
    program = _Program.of(problem, rows, np.isin(problem.hours_of, list(short["short_hours"])), least)
    taken, gap = least, 0.0
    if problem.first.any():
        best = program.most(problem.first, least)
        taken, gap = best.taken, best.gap
        enough = float(taken @ problem.first)
        program = program.with_row("", -problem.first, -enough + TINY + CLOSE * enough)
    best = program.most(problem.worth, taken)
    return replace(best, gap=max(gap, best.gap), exact=max(gap, best.gap) <= CLOSE, **short)


def _limits(problem: Problem, limits: Limits, without=()) -> list[tuple[str, np.ndarray, float]]:
    """(name, what each column takes, how much there is) of each finite limit; hours in `without` left out."""
    named = [(BUDGET, problem.cost, limits.budget)]
    for at, hours in enumerate(limits.hours):
        of_agency = problem.hours_of[problem.kind] == at
        named.append((f"hours {at}", np.where(of_agency, problem.hours, 0.0), hours))
    for at, (amount, average) in enumerate(zip(limits.amounts, limits.averages, strict=True)):
        paid = problem.paid[:, at]
        named.append((f"fund {at}", paid, amount))
        if average < INFINITY:
            named.append((f"average {at}", np.where(paid > 0, paid - average, 0.0), 0.0))
    left_out = {f"hours {at}" for at in without}
    return [one for one in named if one[2] < INFINITY and one[0] not in left_out]


# ---- what must be done


def _must(problem: Problem, limits: Limits) -> tuple[np.ndarray, dict[str, float]]:
    """What must be done, at the least cost that fits, as `taken`; and by how much it is over each limit.

    Money that no fund pays is avoided where it can be.
    """
    columns = np.flatnonzero(problem.must[problem.kind])
    if not len(columns):
        return np.zeros(len(problem.kind)), {}
    named = _limits(problem, limits)
    taken = _cheapest(problem, columns)
    # What is cheapest for each home is least over the money, too, if it is over nothing else.
    others = [one for one in named if one[0] != BUDGET]
    if taken @ problem.paid[:, NOT_PAID] > TINY or _over(others, taken):
        found = _least_over(problem, named, columns)
        if found is not None:
            taken = np.zeros(len(problem.kind))
            taken[columns] = found
        elif any(name.startswith("fund") for name in _over(others, taken)):
            taken = _cheapest(problem, columns[~problem.paid[columns, :NOT_PAID].any(axis=1)])
    return taken, _over(named, taken)


def _over(named: list, taken: np.ndarray) -> dict[str, float]:
    """By how much a plan oversteps each limit that it does."""
    over = {name: float(taken @ row) - most for name, row, most in named}
    return {name: lacking for name, lacking in over.items() if lacking > TINY}


def _cheapest(problem: Problem, columns: np.ndarray) -> np.ndarray:
    """The cheapest of some columns for every home of each kind, then what does most, as `taken`."""
    taken = np.zeros(len(problem.kind))
    order = np.lexsort((-problem.worth[columns], problem.cost[columns], problem.kind[columns]))
    cheapest = columns[order][np.unique(problem.kind[columns[order]], return_index=True)[1]]
    taken[cheapest] = problem.homes[problem.kind[cheapest]]
    return taken


def _least_over(problem: Problem, named: list, columns: np.ndarray) -> np.ndarray | None:
    """How many homes get each of some columns, each home one, with the limits overstepped by the least.

    None where no answer is found in the time there is, as on a machine that is busy with other things.
    """
    must, count = np.flatnonzero(problem.must), len(columns)
    alike = csr_array(
        (np.ones(count), (problem.kind[columns], np.arange(count))), (len(problem.homes), count + len(named))
    )[must]
    overstep = np.hstack(
        [np.array([row[columns] for _, row, _ in named]).reshape(-1, count), -np.eye(len(named))]
    )
    cost = problem.cost + 1_000 * problem.paid[:, NOT_PAID] - TINY * problem.worth
    # No fund is overstepped, since what must be done may be paid by none.
    penalties = [{BUDGET: 1e3, "hours": 1e5}.get(name.split()[0], 1e7) for name, _, _ in named]
    solved = milp(
        np.concatenate([cost[columns], penalties]),
        integrality=np.repeat([1, 0], [count, len(named)]),
        bounds=Bounds(0, INFINITY),
        constraints=[
            LinearConstraint(alike, problem.homes[must], problem.homes[must]),
            LinearConstraint(overstep, -INFINITY, [most for _, _, most in named]),
        ],
        options={"mip_rel_gap": TINY, "time_limit": SECONDS},
    )
    return None if solved.x is None else np.round(solved.x[:count])


# ---- the program


@dataclass(frozen=True)
class _Program:
    """Columns of the kinds that are free, and what all of them take of each limit.

    `table[i, j]` is what column j takes of limit i, `ends` what there is of it; what the kinds that are not
    free take is taken off already. `columns` are positions in the problem, `starts` where each kind's begin.
    """

    names: tuple[str, ...]
    table: np.ndarray
    ends: np.ndarray
    columns: np.ndarray
    kind: np.ndarray
    starts: np.ndarray
    homes: np.ndarray
    must: np.ndarray
    held: np.ndarray  # `taken` of the kinds that are not free, an element for every column of the problem

    @classmethod
    def of(cls, problem: Problem, rows: list, held: np.ndarray, taken: np.ndarray) -> "_Program":
        columns = np.flatnonzero(~held[problem.kind])
        kinds, starts, kind = np.unique(problem.kind[columns], return_index=True, return_inverse=True)
        out = np.where(held[problem.kind], taken, 0.0)
        return cls(
            tuple(name for name, _, _ in rows),
            np.array([row[columns] for _, row, _ in rows]).reshape(len(rows), len(columns)),
            np.array([most - float(row @ out) for _, row, most in rows]),
            columns,
            kind,
            starts,
            problem.homes[kinds].astype(float),
            problem.must[kinds],
            out,
        )

    def with_row(self, name: str, row: np.ndarray, most: float) -> "_Program":
        """The same with one more limit; `row` has an element for every column of the problem."""
        return replace(
            self,
            names=(*self.names, name),
            table=np.vstack([self.table, row[self.columns]]),
            ends=np.append(self.ends, most - float(row @ self.held)),
        )

    def most(self, gains: np.ndarray, at_least: np.ndarray) -> Solution:
        """The most that can be had of `gains`, starting from a plan that keeps within the limits."""
        fixed = float(gains @ self.held)
        gain, start = gains[self.columns], at_least[self.columns]
        prices, bound, taken = self._prices(gain, start)
        value = gain - prices @ self.table
        best = self._best(value)
        doubt = self._doubt(value, best)
        ranked, size = np.sort(doubt), CORE
        enough = CLOSE if len(ranked) <= MOST_CORE else NEAR
        while bound - float(taken @ gain) > enough * bound:
            within = ranked[min(size, len(ranked)) - 1] + SAME  # equal ones differ in their last digits
            found, most = self._core(gain, doubt <= within, best, value, within)
            if found is not None and float(found @ gain) >= float(taken @ gain):
                taken = found
            # A plan with a package that the core leaves out is at least so much below the bound.
            left_out = bound - within if size < len(ranked) else -INFINITY
            bound = min(bound, max(most, left_out, float(taken @ gain)))
            if size >= min(len(ranked), MOST_CORE):
                break
            size *= 2
        total = at_least.copy()
        total[self.columns] = taken
        worth = float(gains @ total)
        bound = max(bound + fixed, worth)
        gap = (bound - worth) / bound if bound > 0 else 0.0
        named = {
            name: float(price)
            for name, price in zip(self.names, prices, strict=True)
            if name and price > 1e-9
        }
        return Solution(total, worth, bound, gap, gap <= CLOSE, prices=named)

    def _doubt(self, value: np.ndarray, best: np.ndarray) -> np.ndarray:
        """By how much a plan with this package falls short of the bound; for the best of its kind, how much
        one without it does.
        """
        lost = best[self.kind] - value
        least = np.where(self.must, INFINITY, best)  # what leaving the kind alone loses
        order = np.lexsort((lost, self.kind))
        firsts = order[self.starts]
        seconds = np.full(len(best), INFINITY)
        several = np.diff(np.append(self.starts, len(lost))) > 1
        seconds[several] = lost[order[self.starts[several] + 1]]
        best_lost = lost[firsts]
        next_best = np.where(best_lost <= least, np.minimum(seconds, least), best_lost)
        return np.maximum(lost, next_best[self.kind])

    def _best(self, value: np.ndarray) -> np.ndarray:
        """The best value of each kind: of one of its packages or, where it may be left, of none."""
        if not len(value):
            return np.zeros(0)
        best = np.maximum.reduceat(value, self.starts)
        return np.where(self.must, best, np.maximum(best, 0.0))

    def _prices(self, gain: np.ndarray, start: np.ndarray) -> tuple[np.ndarray, float, np.ndarray]:
        """Prices of the limits at which the bound is least, that bound, and the best plan met on the way.

        Each round asks, at the prices so far, what would be best without limits; the mixture of all answers
        that keeps within the limits and gains most gives the next prices.
        """
        if not len(gain):
            return np.zeros(len(self.ends)), 0.0, start
        used, gained = [self.table @ start], [float(gain @ start)]
        prices, least = np.zeros(len(self.ends)), (np.zeros(len(self.ends)), INFINITY)
        unit = np.maximum(np.abs(self.table).max(axis=1), 1.0)
        for _ in range(ROUNDS):
            value = gain - prices @ self.table
            best = self._best(value)
            bound = float(prices @ self.ends + self.homes @ best)
            if bound < least[1]:
                least = prices, bound
            first = np.zeros(len(value), bool)
            top = np.flatnonzero((value == best[self.kind]) & ((value > 0) | self.must[self.kind]))
            first[top[np.unique(self.kind[top], return_index=True)[1]]] = True
            amount = np.where(first, self.homes[self.kind], 0.0)
            used.append(self.table @ amount)
            gained.append(float(gain @ amount))
            if gained[-1] > float(gain @ start) and (used[-1] <= self.ends).all():
                start = amount
            solved = linprog(
                -np.array(gained),
                A_ub=np.array(used).T / unit[:, None],
                b_ub=self.ends / unit,
                A_eq=np.ones((1, len(used))),
                b_eq=[1.0],
                method="highs",
            )
            if solved.status or least[1] + solved.fun <= 1e-9 * max(1.0, abs(least[1])):
                break
            prices = np.maximum(-solved.ineqlin.marginals, 0.0) / unit
        return *least, start

    def _core(self, gain, free, best, value, within: float) -> tuple[np.ndarray | None, float]:
        """The best plan that settles every package that is not `free` as the prices say, and its bound.

        (None, bound without a meaning) where there is none.
        """
        settled = ~np.bincount(self.kind, free, len(best)).astype(bool)
        first = np.zeros(len(value), bool)
        top = np.flatnonzero((value >= best[self.kind]) & settled[self.kind])
        first[top[np.unique(self.kind[top], return_index=True)[1]]] = True
        taken = np.where(first, self.homes[self.kind], 0.0)
        columns = np.flatnonzero(free)
        room = self.ends - self.table @ taken
        kinds, kind = np.unique(self.kind[columns], return_inverse=True)
        count, homes = len(columns), self.homes[kinds]
        needs_one = self.must[kinds] | (best[kinds] > within)
        alike = csr_array((np.ones(count), (kind, np.arange(count))), (len(kinds), count))
        solved = milp(
            -gain[columns],
            integrality=np.ones(count),
            bounds=Bounds(0, homes[kind]),
            constraints=LinearConstraint(
                vstack([alike, csr_array(self.table[:, columns])]),
                np.concatenate([np.where(needs_one, homes, 0.0), np.full(len(room), -INFINITY)]),
                np.concatenate([homes, room]),
            ),
            options={"mip_rel_gap": CLOSE / 10, "time_limit": SECONDS},
        )
        bound = solved.mip_dual_bound
        most = float(gain @ taken) - bound if bound is not None else INFINITY
        if solved.x is None:
            return None, -INFINITY if solved.status == 2 else INFINITY
        taken[columns] = np.round(solved.x)
        return taken, most
