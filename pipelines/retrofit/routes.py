"""The order in which to go to places: the shortest there is for few of them, a good one for more.

Distances are over the ground as the crow flies; roads are longer.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

EARTH_MILES = 3958.76  # mean radius, 6371.0 km (IUGG)
MOST_EXACT = 13  # places whose shortest order is found; 14 of a round trip
MOST_BETTERED = 120  # places whose order is made better step by step; of more, each is nearest to the last
LITTLE = 1e-9


@dataclass(frozen=True)
class Route:
    """Positions of places in the order of going, how long it is, and whether no shorter one exists."""

    order: tuple[int, ...]
    length: float
    shortest: bool


def great_circle_miles(places) -> np.ndarray:
    """Miles between places, (n, n), from (n, 2) latitudes and longitudes in degrees.

    The haversine formula on a sphere: within 0.6 % of the way over the ground (the Earth is flattened).
    """
    latitude, longitude = np.radians(np.asarray(places, float).reshape(-1, 2)).T
    north, east = (np.subtract.outer(one, one) for one in (latitude, longitude))
    share = np.sin(north / 2) ** 2 + np.multiply.outer(*(np.cos(latitude),) * 2) * np.sin(east / 2) ** 2
    return 2 * EARTH_MILES * np.arcsin(np.sqrt(np.clip(share, 0.0, 1.0)))


def route(distances, closed: bool = False) -> Route:
    """The order of going through all places, from any of them to any other, or around where `closed`.

    `distances` is (n, n), symmetric, no less than 0. The same distances give the same order.
    """
    between = np.asarray(distances, float)
    count = len(between)
    if count < 3:
        order = tuple(range(count))
        return Route(order, _length(between, order, closed), True)
    if not closed:  # a round trip with one place more, which is no way from any other
        between = np.pad(between, ((0, 1), (0, 1)))
    shortest = len(between) <= MOST_EXACT + 1
    around = _shortest(between) if shortest else _good(between)
    if not closed:
        at = around.index(count)
        around = [*around[at + 1 :], *around[:at]]
        between = between[:count, :count]
    if around[-1] < around[0]:
        around.reverse()
    return Route(tuple(around), _length(between, around, closed), shortest)


def _length(between: np.ndarray, order, closed: bool) -> float:
    order = list(order)
    ends = order[1:] + order[:1] if closed else order[1:]
    return float(between[order[: len(ends)], ends].sum())


def _shortest(between: np.ndarray) -> list[int]:
    """The shortest round trip, by Held and Karp: the best way to each place through each set of others."""
    last = len(between) - 1  # begins and ends there
    sets = 1 << last
    best = np.full((sets, last), np.inf)
    before = np.full((sets, last), -1, np.int8)
    best[1 << np.arange(last), np.arange(last)] = between[last, :last]
    members = (np.arange(sets)[:, None] >> np.arange(last) & 1).astype(bool)
    sizes = members.sum(axis=1)
    for size in range(2, last + 1):
        of_size = np.flatnonzero(sizes == size)
        for place in range(last):
            ends_there = of_size[members[of_size, place]]
            ways = best[ends_there ^ (1 << place)] + between[:last, place]
            from_there = ways.argmin(axis=1)
            best[ends_there, place] = ways[np.arange(len(ends_there)), from_there]
            before[ends_there, place] = from_there
    left = sets - 1
    place = int((best[left] + between[:last, last]).argmin())
    order = [last]
    while place >= 0:
        order.append(place)
        left, place = left ^ (1 << place), int(before[left, place])
    return order


def _good(between: np.ndarray) -> list[int]:
    """A round trip from place to the nearest one left, then made shorter as long as one step does so."""
    order = _nearest(between)
    if len(order) > MOST_BETTERED:
        return order
    while True:
        turned = _turned(between, order)
        order = turned or order
        moved = _moved(between, order)
        order = moved or order
        if not turned and not moved:
            return order


def _nearest(between: np.ndarray) -> list[int]:
    left = np.ones(len(between), bool)
    order = [len(between) - 1]
    left[order] = False
    while left.any():
        order.append(int(np.where(left, between[order[-1]], np.inf).argmin()))
        left[order[-1]] = False
    return order


def _turned(between: np.ndarray, order: list[int]) -> list[int] | None:
    """The order with the stretch turned around that saves most (2-opt); None where none saves anything."""
    around = np.array(order)
    ahead = np.roll(around, -1)
    edge = between[around, ahead]
    saved = edge[:, None] + edge[None, :] - between[np.ix_(around, around)] - between[np.ix_(ahead, ahead)]
    saved[np.tril_indices(len(order), 1)] = 0.0  # i < j - 1
    first, second = np.unravel_index(int(saved.argmax()), saved.shape)
    if saved[first, second] <= LITTLE:
        return None
    return [*order[: first + 1], *order[first + 1 : second + 1][::-1], *order[second + 1 :]]


def _moved(between: np.ndarray, order: list[int]) -> list[int] | None:
    """The order with one to three places moved elsewhere where that saves most (or-opt); None likewise."""
    count, best, found = len(order), LITTLE, None
    for size in (1, 2, 3):
        for start in range(count):
            turned = order[start:] + order[:start]
            block, rest = turned[:size], np.array(turned[size:])
            ahead = np.roll(rest, -1)
            removed = between[rest[-1], block[0]] + between[block[-1], rest[0]] - between[rest[-1], rest[0]]
            for one in (block, block[::-1]):
                added = between[rest, one[0]] + between[one[-1], ahead] - between[rest, ahead]
                at = int(added.argmin())
                if removed - added[at] > best:
                    best = removed - added[at]
                    found = [*rest[: at + 1].tolist(), *one, *rest[at + 1 :].tolist()]
    return found


def days(hours, most: float) -> np.ndarray:
    """Number of the day, from 0, of each piece of work in its order: each takes what its day has room for.

    `hours` (n,) of the pieces, `most` of a day. One that is longer than a day has one for itself.
    """
    number, used = 0, 0.0
    found = np.zeros(len(hours), int)
    for at, one in enumerate(np.asarray(hours, float)):
        if used and used + one > most + LITTLE:
            number, used = number + 1, 0.0
        found[at], used = number, used + one
    return found
