"""Jobs put on the days of crews: what must be acted on today first, then one way through all other homes."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from pipelines.retrofit.jobs import Job
from pipelines.retrofit.routes import MOST_BETTERED, MOST_EXACT, great_circle_miles, route
from pipelines.retrofit.routes import days as on_days

SHORTEST = "the shortest order as the crow flies"
BETTERED = "a good order as the crow flies, not proved to be the shortest"
NEAREST = "each place the nearest to the one before, as the crow flies"
ONE_PLACE = "one postal code"
BY_CODE = "by postal code: places.csv has no coordinates of it"
HOW_ORDERED = (
    "A crew's homes to act on today fill its first days, then the others; days are filled in the order of "
    f"one way through them. Within a day of up to {MOST_EXACT} postal codes with coordinates the order is "
    "the shortest there is as the crow flies, from any of them to any other; with more it is a good one. "
    "Homes whose postal code has no coordinates come after, in the order of their codes. A day's hours are "
    "those of the jobs, trips included; a job longer than a day has one for itself."
)


@dataclass(frozen=True)
class Stop:
    """One home to go to: its jobs, the crew that goes ('' for none), and where it is.

    `place` is (latitude, longitude), None where it has no coordinates.
    """

    agency: str
    home_id: str
    crew: str
    jobs: tuple[Job, ...]
    postal_code: str
    place: tuple[float, float] | None
    act_today: bool

    @property
    def hours(self) -> float:
        return sum(job.hours for job in self.jobs)


@dataclass(frozen=True)
class CrewDay:
    """One day of a crew of an agency: its stops in order, its hours, and how long and how found the way is.

    `number` counts the crew's days from 1. `miles` are between places with coordinates, None without two.
    """

    agency: str
    crew: str
    number: int
    stops: tuple[Stop, ...]
    hours: float
    miles: float | None
    how: str
    too_long: bool


def crew_days(stops: Sequence[Stop], hours_a_day: float) -> tuple[CrewDay, ...]:
    """Every stop on exactly one day of its crew, crews in the order of the alphabet, those of none last."""

    def crew_of(stop: Stop) -> tuple[Hashable, ...]:
        return stop.agency.casefold(), stop.agency, not stop.crew, stop.crew.casefold(), stop.crew

    found: list[CrewDay] = []
    for _, of_crew in groupby(sorted(stops, key=crew_of), key=crew_of):
        own = list(of_crew)
        first = own[0]
        urgent = [stop for stop in own if stop.act_today]
        rest = [stop for stop in own if not stop.act_today]
        ordered = [*_ordered(urgent)[0], *_ordered(rest)[0]]
        numbers = on_days([stop.hours for stop in ordered], hours_a_day)
        for number in range(int(numbers[-1]) + 1):
            of_day = [stop for stop, day in zip(ordered, numbers, strict=True) if day == number]
            in_order, miles, how = _ordered(of_day)
            hours = sum(stop.hours for stop in of_day)
            found.append(
                CrewDay(
                    first.agency,
                    first.crew,
                    number + 1,
                    tuple(in_order),
                    hours,
                    miles,
                    how,
                    hours > hours_a_day + 1e-9,
                )
            )
    return tuple(found)


def _ordered(stops: Sequence[Stop]) -> tuple[list[Stop], float | None, str]:
    """(stops in an order to go to them, miles between their places or None, how the order was found)."""
    by_place: dict[tuple[float, float], list[Stop]] = {}
    for stop in sorted(stops, key=_by_code):
        if stop.place is not None:
            by_place.setdefault(stop.place, []).append(stop)
    without = sorted((stop for stop in stops if stop.place is None), key=_by_code)
    places = list(by_place)
    if not places:
        return without, None, ONE_PLACE if len({stop.postal_code for stop in without}) == 1 else BY_CODE
    found = route(great_circle_miles(np.array(places)))
    in_order = [stop for at in found.order for stop in by_place[places[at]]]
    how = SHORTEST if found.shortest else BETTERED if len(places) <= MOST_BETTERED else NEAREST
    how = ONE_PLACE if len(places) == 1 else how
    if without:
        how = f"{how}; {len(without):,} at the end {BY_CODE}"
    return [*in_order, *without], found.length if len(places) > 1 else None, how


def _by_code(stop: Stop) -> tuple[Hashable, ...]:
    """Homes without a code last."""
    return not stop.postal_code, stop.postal_code, stop.agency, stop.home_id
