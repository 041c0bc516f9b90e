"""What can be done in one trip to a home: packages of measures, what each puts right and what it costs.

Homes in which the same is open, that cost the same and may be paid by the same funds, are one *kind*: their
packages are found once. A package is kept where no other does as much for less. Sets are bits of whole
numbers here: there are many kinds, and each is small.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from operator import ge
from typing import NamedTuple

from pipelines.engine.policy.measures import Measure
from pipelines.engine.policy.policy import LEVELS

ACT_TODAY = LEVELS[0]
# How one stands: undecided, decided against, ordered or done, left to somebody else to whom it was referred.
TO_PLAN, STAYS_OPEN, UNDER_WAY, REFERRED = range(4)
# Measures at one system whose every combination is tried; of more, the cheapest for each deficiency.
MOST_MEASURES = 10
NOT_PAID = -1  # the last of what is paid: by no fund


class Found(NamedTuple):
    """One open deficiency of a system; `roots` are bits of the positions of its roots among the others."""

    check: str
    risk: str
    stands: int
    roots: int


class System(NamedTuple):
    """What is open at one system, the kind of its tank (None: not recorded), and the measures that a
    contractor repeats at no cost.
    """

    tank: str | None
    called_back: frozenset[str]
    found: tuple[Found, ...]


class Kind(NamedTuple):
    """Homes that are alike: their zone of costs, their limit of crew hours (-1: none), positions of the
    funds that may enter them, and what is open.
    """

    zone: int
    hours_of: int
    funds: tuple[int, ...]
    systems: tuple[System, ...]


@dataclass(frozen=True)
class Zone:
    """What work costs somewhere: measures with their figures there, and the trip in dollars and hours."""

    measures: tuple[Measure, ...]
    trip_usd: float
    trip_hours: float


@dataclass(frozen=True)
class Rules:
    """What work is worth: `weight` of (check, risk), the levels that come before the rest, and the symptoms
    that stay when their root is put right.
    """

    weight: Callable[[str, str], float]
    before_the_rest: frozenset[str]
    stays: frozenset[str]


@dataclass(frozen=True)
class Payer:
    """What a package needs to know of a fund: the kinds of work it pays, and the most for one home."""

    pays: frozenset[str]
    cap: float = float("inf")


class Package(NamedTuple):
    """Measures done at a home in one trip.

    `measures` has their ids for each system, `removed` bits of what they put right there. `worth` is the risk
    removed, `first` the part of it that comes before the rest; `cost` in dollars and `hours` of a crew count
    the trip; `paid` is what each fund pays and, last, what none does.
    """

    measures: tuple[tuple[str, ...], ...]
    removed: tuple[int, ...]
    worth: float
    first: float
    cost: float
    hours: float
    paid: tuple[float, ...]


class Choices(NamedTuple):
    """Packages of a kind of home. `must`: there is something to act on today, and each package does all of
    it that can be done. `thinned`: not every combination of measures was tried.
    """

    packages: tuple[Package, ...]
    must: bool
    thinned: bool


class Part(NamedTuple):
    """Measures that can be done at one system, and sets of them (bits) with what each puts right (bits)."""

    measures: tuple[Measure, ...]
    sets: tuple[tuple[int, int], ...]
    must: bool
    thinned: bool


def bits(number: int) -> list[int]:
    """Positions of the bits that are set."""
    return [at for at in range(number.bit_length()) if number >> at & 1]


# ---- one system


@lru_cache(maxsize=100_000)
def part(system: System, measures: tuple[Measure, ...], rules: Rules) -> Part:
    """Every set of measures at a system of which none can be left out, with what it puts right.

    Where something must be done today, only sets that do all of it that can be done.
    """
    to_plan = frozenset(one.check for one in system.found if one.stands == TO_PLAN)
    can_be_done = [one for one in measures if _can_be_done(one, system, to_plan)]
    offered = _undominated(can_be_done, system, to_plan)
    thinned = len(offered) > MOST_MEASURES
    if thinned:
        offered = _cheapest(offered, to_plan)
    fixes = [
        sum(1 << at for at, one in enumerate(system.found) if one.check in measure.fixes)
        for measure in offered
    ]
    fixed = [0]
    for fix in fixes:
        fixed += [before | fix for before in fixed]
    removed = {have: _removed(system, have, rules) for have in set(fixed)}
    settled = removed[0]  # what goes though nothing more is done needs no plan
    most = removed[fixed[-1]]
    today = fixed[-1] & sum(
        1 << at for at, one in enumerate(system.found) if one.risk == ACT_TODAY and one.stands == TO_PLAN
    )
    # Where a root stays open nothing that is done holds; what must be done today is done all the same.
    done = [(removed[have] & most | have & ~most) & today for have in fixed]
    code = [removed[have] | did for have, did in zip(fixed, done, strict=True)]
    sets = tuple(
        (chosen, removed[fixed[chosen]] & ~settled)
        for chosen in range(len(fixed))
        if done[chosen] == today and all(code[chosen] != code[chosen & ~(1 << at)] for at in bits(chosen))
    )
    return Part(tuple(offered), sets, bool(today), thinned)


def _can_be_done(measure: Measure, system: System, to_plan: frozenset[str]) -> bool:
    known = measure.cost is not None and measure.hours is not None
    return known and not to_plan.isdisjoint(measure.fixes) and measure.fits(system.tank, to_plan)


def _cost(measure: Measure, system: System) -> float:
    return 0.0 if measure.id in system.called_back else measure.cost or 0.0


def _undominated(measures: list[Measure], system: System, to_plan: frozenset[str]) -> list[Measure]:
    """Measures of which no other does all that they do here, at no more cost and hours, from the same money.

    Of equal ones the first.
    """
    does = [
        (to_plan & set(one.fixes), _cost(one, system), one.hours or 0.0, frozenset(one.paid_by))
        for one in measures
    ]

    def beaten(at: int) -> bool:
        did, cost, hours, paid_by = does[at]
        return any(
            did <= fixes and less <= cost and shorter <= hours and paid_by <= payers
            and other != at and (does[other] != does[at] or other < at)
            for other, (fixes, less, shorter, payers) in enumerate(does)
        )  # fmt: skip

    return [measure for at, measure in enumerate(measures) if not beaten(at)]


def _cheapest(measures: list[Measure], to_plan: frozenset[str]) -> list[Measure]:
    """The cheapest measure for each deficiency, MOST_MEASURES of them."""
    fixing = ([one for one in measures if check in one.fixes] for check in sorted(to_plan))
    kept = {min(some, key=lambda one: (one.cost, one.id)).id for some in fixing if some}
    return [one for one in measures if one.id in kept][:MOST_MEASURES]


def _removed(system: System, fixed: int, rules: Rules) -> int:
    """What is put right (bits) by measures that fix so much by themselves (bits).

    A symptom is put right once all its roots are, if it does not stay; one that is fixed while a root is open
    does not hold. What is under way counts as put right for its symptoms; what must be acted on today does
    not wait for it.
    """
    under_way = sum(1 << at for at, one in enumerate(system.found) if one.stands == UNDER_WAY)
    gone, before = under_way, -1
    while gone != before:
        before = gone
        for at, one in enumerate(system.found):
            if one.stands != TO_PLAN or one.roots & ~gone:
                continue
            waits = one.risk != ACT_TODAY or not one.roots & under_way
            if fixed >> at & 1 or (one.roots and waits and one.check not in rules.stays):
                gone |= 1 << at
    return gone & ~under_way


# ---- one home


class _Trip(NamedTuple):
    """A package before it is said who pays: `by_payers` has its cost by sets of funds, the trip among it."""

    worth: float
    first: float
    hours: float
    by_payers: tuple[float, ...]
    sets: tuple[tuple[int, int], ...]


def of_kind(kind: Kind, zone: Zone, rules: Rules, funds: Sequence[Payer]) -> Choices:
    """The packages of a kind of home; none where nothing can be done that counts."""
    parts = [part(system, zone.measures, rules) for system in kind.systems]
    must = any(one.must for one in parts)
    payers, whose = _payers(kind, parts, funds)
    weights = [[rules.weight(one.check, one.risk) for one in system.found] for system in kind.systems]
    early = [[one.risk in rules.before_the_rest for one in system.found] for system in kind.systems]

    def trip(sets: tuple[tuple[int, int], ...]) -> _Trip:
        by_payers, paid_trip = [0.0] * len(payers), 0.0
        worth, first, hours, dearest = 0.0, 0.0, zone.trip_hours, (-1.0, 0)
        for at, (chosen, removed) in enumerate(sets):
            for bit in bits(removed):
                worth += weights[at][bit]
                first += weights[at][bit] * early[at][bit]
            for bit in bits(chosen):
                measure, payer = parts[at].measures[bit], whose[at][bit]
                hours += measure.hours or 0.0
                by_payers[payer] += _cost(measure, kind.systems[at])
                if measure.id not in kind.systems[at].called_back:
                    paid_trip, dearest = zone.trip_usd, max(dearest, (by_payers[payer], payer))
        by_payers[dearest[1]] += paid_trip
        return _Trip(worth, first, hours, tuple(by_payers), sets)

    trips = [trip(sets) for sets in product(*(one.sets for one in parts)) if any(one for one, _ in sets)]
    trips = [one for one in trips if must or one.worth > 0]
    trips = _unbeaten(trips, lambda one: (one.worth, one.first, -one.hours, *(-usd for usd in one.by_payers)))
    packages = [
        _package(one, parts, paid) for one in trips for paid in _payments(one.by_payers, payers, funds, must)
    ]
    packages = _unbeaten(
        packages, lambda one: (one.worth, one.first, -one.hours, *(-usd for usd in one.paid))
    )
    return Choices(tuple(packages), must and bool(packages), any(one.thinned for one in parts))


def _package(trip: _Trip, parts: list[Part], paid: tuple[float, ...]) -> Package:
    measures = tuple(
        tuple(one.measures[bit].id for bit in bits(chosen))
        for one, (chosen, _) in zip(parts, trip.sets, strict=True)
    )
    removed = tuple(removed for _, removed in trip.sets)
    return Package(measures, removed, trip.worth, trip.first, sum(paid), trip.hours, paid)


def _payers(kind: Kind, parts: list[Part], funds: Sequence[Payer]) -> tuple[list[tuple[int, ...]], list]:
    """Sets of funds that may pay the same measures, and the position of each measure's, by part."""
    payers: dict[tuple[int, ...], int] = {}
    whose = [
        [
            payers.setdefault(
                tuple(fund for fund in kind.funds if not funds[fund].pays.isdisjoint(measure.paid_by)),
                len(payers),
            )
            for measure in one.measures
        ]
        for one in parts
    ]
    return list(payers), whose


def _payments(by_payers, payers, funds: Sequence[Payer], must: bool):
    """What each fund pays and, last, none: every way in which each set of funds leaves its part to one of it.

    What must be done is done though no fund may pay it.
    """
    ways = (
        (None,) if not usd else (*which, NOT_PAID) if must else which
        for usd, which in zip(by_payers, payers, strict=True)
    )
    for way in product(*ways):
        paid = [0.0] * (len(funds) + 1)
        for usd, fund in zip(by_payers, way, strict=True):
            if fund is not None:
                paid[fund] += usd
        if all(usd <= fund.cap + 1e-9 for usd, fund in zip(paid, funds, strict=False)):
            yield tuple(paid)


def _unbeaten(some: list, goods: Callable) -> list:
    """Those of which no other has as much of each of its goods; of equal ones the first."""
    ordered = sorted(
        ((goods(one), at) for at, one in enumerate(some)), key=lambda pair: (-sum(pair[0]), pair[1])
    )
    kept: list[tuple[tuple[float, ...], int]] = []  # what beats another has the greater sum
    for good, at in ordered:
        if not any(all(map(ge, best, good)) for best, _ in kept):
            kept.append((good, at))
    return [some[at] for _, at in sorted(kept, key=lambda pair: pair[1])]
