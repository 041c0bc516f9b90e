"""All the work at a system: the cheapest measures that put right everything open there."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from pipelines.engine.policy.measures import Measure

MOST_TRIED = 12  # measures of which every combination is tried; of more, the cheapest for what is left


class Open(NamedTuple):
    """One open deficiency of a system and those of its roots that are open there, too."""

    check: str
    roots: frozenset[str]


class Work(NamedTuple):
    """Ids of measures in the order of the policy, what they cost in dollars and take in hours at the home,
    and the checks that no measure puts right.
    """

    measures: tuple[str, ...]
    cost: float
    hours: float
    left: tuple[str, ...]


def own_work(found: Iterable[Open], stays: frozenset[str]) -> frozenset[str]:
    """Checks that need work of their own: the others go with a root, unless they are of those that stay."""
    every = tuple(found)
    own = {one.check for one in every if not one.roots or one.check in stays}
    goes = set(own)
    left = [one for one in every if one.check not in goes]
    while left:
        gone = [one for one in left if one.roots & goes]
        if not gone:  # each is the root of another: begin with the first
            gone = left[:1]
            own.add(gone[0].check)
        goes.update(one.check for one in gone)
        left = [one for one in left if one.check not in goes]
    return frozenset(own)


@lru_cache(maxsize=4096)
def all_work(
    found: tuple[Open, ...], tank: str | None, stays: frozenset[str], measures: tuple[Measure, ...]
) -> Work:
    """The cheapest work that puts right all that can be, then that of fewest hours and measures.

    `tank` is the kind of tank (None: not recorded). Measures without cost or hours are in no work.
    """
    opened = frozenset(one.check for one in found)
    own = own_work(found, stays)
    offered = [
        one
        for one in measures
        if one.cost is not None and one.hours is not None and own & set(one.fixes) and one.fits(tank, opened)
    ]
    reach = own & {check for one in offered for check in one.fixes}
    offered = _undominated(offered, reach)
    chosen = _best(offered, reach) if len(offered) <= MOST_TRIED else _one_by_one(offered, reach)
    return Work(
        tuple(one.id for one in measures if one in chosen),
        sum(one.cost or 0.0 for one in chosen),
        sum(one.hours or 0.0 for one in chosen),
        tuple(sorted(own - reach)),
    )


def _undominated(measures: list[Measure], reach: frozenset[str]) -> list[Measure]:
    """Measures of which no other does as much here for no more; of equal ones the first."""

    def beats(one: Measure, other: Measure) -> bool:
        return (
            set(other.fixes) & reach <= set(one.fixes)
            and (one.cost or 0) <= (other.cost or 0)
            and (one.hours or 0) <= (other.hours or 0)
        )

    return [
        one
        for at, one in enumerate(measures)
        if not any(
            beats(other, one) and (place < at or not beats(one, other))
            for place, other in enumerate(measures)
            if place != at
        )
    ]


def _best(measures: list[Measure], reach: frozenset[str]) -> list[Measure]:
    """Of every combination that puts all right the cheapest: the best way to each set of checks put right."""
    nothing: list[Measure] = []
    best = {frozenset[str](): (0.0, 0.0, 0, nothing)}
    for one in measures:
        for done, (cost, hours, count, chosen) in list(best.items()):
            more = done | (reach & set(one.fixes))
            way = (cost + (one.cost or 0), hours + (one.hours or 0), count + 1, [*chosen, one])
            if more not in best or way[:3] < best[more][:3]:
                best[more] = way
    return best[reach][3]


def _one_by_one(measures: list[Measure], reach: frozenset[str]) -> list[Measure]:
    left, chosen = set(reach), []
    while left:
        one = min(
            (one for one in measures if left & set(one.fixes)),
            key=lambda one: ((one.cost or 0) / len(left & set(one.fixes)), one.id),
        )
        chosen.append(one)
        left -= set(one.fixes)
    return chosen
