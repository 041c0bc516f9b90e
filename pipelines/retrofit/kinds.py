"""Homes that a plan cannot tell apart, as one text each: the kind, and the zone of costs they lie in."""

from collections.abc import Iterable
from datetime import date

from pipelines.engine.policy.measures import at
from pipelines.engine.policy.policy import LEVELS, Policy
from pipelines.engine.policy.rows import folded
from pipelines.retrofit.packages import Found, Kind, System, Zone

# What parts a kind's text: homes' own, systems, parts of a system, deficiencies, what is said of each.
SYSTEMS, PARTS, EACH, SAID = "\n", "|", ",", ":"


def zones(
    policy: Policy, places: Iterable[tuple[str, str | None]], day: date
) -> tuple[list[Zone], list[int]]:
    """Zones of costs, and the position of each place's (agency, region) among them, as costs are on a day."""
    found: dict[Zone, int] = {}
    positions = []
    for agency, region in places:
        own = [
            one.measures
            for one in policy.regions
            if folded(one.name) in ("", folded(region))
            and folded(one.agency) in ("", folded(agency))
            and (one.effective_from or date.min) <= day
        ]
        measures = tuple(at(measure, own) for measure in policy.measures)
        here = policy.for_rows([(agency, region, day)])
        zone = Zone(measures, *(_number(getattr(here, name)) for name in ("trip_usd", "trip_h")))
        positions.append(found.setdefault(zone, len(found)))
    return list(found), positions


def warranty_days(policy: Policy, agency: str, region: str | None, day: date) -> int:
    """Days from its completion in which work is done again at no cost, at a place and on a day."""
    return int(_number(policy.for_rows([(agency, region, day)]).warranty_days))


def _number(value) -> float:
    return float(value if isinstance(value, float) else value[0])


def read(text: str) -> Kind:
    """The kind of a text as `answers.plans` writes it."""
    own, *systems = text.split(SYSTEMS)
    zone, hours_of, funds = own.split(PARTS)
    return Kind(
        int(zone),
        int(hours_of),
        tuple(map(int, filter(None, funds.split(EACH)))),
        tuple(map(_system, systems)),
    )


def _system(text: str) -> System:
    tank, called_back, found = text.split(PARTS)
    return System(
        tank or None, frozenset(filter(None, called_back.split(";"))), tuple(map(_found, found.split(EACH)))
    )


def _found(text: str) -> Found:
    check, level, stands, roots = text.split(SAID)
    return Found(check, LEVELS[int(level)], int(stands), int(roots))
