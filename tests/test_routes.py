"""The order of going: against every order there is, a published tour and its length, and hours of a day."""

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.retrofit.routes import EARTH_MILES, MOST_EXACT, _good, days, great_circle_miles, route

# burma14 of TSPLIB (G. Reinelt, 1991): 14 towns as degrees.minutes, the shortest tour 3323 (from memory; the
# length that comes out is the published one to the kilometer).
BURMA = (
    *((16.47, 96.10), (16.47, 94.44), (20.09, 92.54), (22.39, 93.37), (25.23, 97.24), (22.00, 96.05)),
    *((20.47, 97.02), (17.20, 96.29), (16.30, 97.38), (14.05, 98.12), (16.53, 97.38), (21.52, 95.59)),
    *((19.41, 97.13), (20.09, 94.55)),
)
BURMA_SHORTEST = 3323
TSPLIB_EARTH_KM = 6378.388


def burma_km():
    """Distances as TSPLIB reckons them: whole kilometers, cut off and one more."""
    degrees = [[int(one) + (one - int(one)) * 5 / 3 for one in town] for town in BURMA]
    km = great_circle_miles(degrees) * TSPLIB_EARTH_KM / EARTH_MILES
    return np.where(np.eye(len(BURMA), dtype=bool), 0, np.floor(km + 1))


def by_tsplibs_formula(first, second):
    """The distance of two towns by the formula that TSPLIB prints, apart from ours."""
    (one, two), (three, four) = (
        [3.141592 * (int(value) + 5.0 * (value - int(value)) / 3.0) / 180 for value in town]
        for town in (first, second)
    )
    q1, q2, q3 = np.cos(two - four), np.cos(one - three), np.cos(one + three)
    return int(TSPLIB_EARTH_KM * np.arccos(0.5 * ((1 + q1) * q2 - (1 - q1) * q3)) + 1.0)


def scattered(count, seed):
    places = np.random.default_rng(seed).random((count, 2))
    return np.linalg.norm(places[:, None] - places[None], axis=-1)


def length(between, order, closed=False):
    pairs = zip(order, [*order[1:], *([order[0]] if closed else [])], strict=closed is not False)
    return sum(between[one, two] for one, two in pairs)


def test_great_circles_are_those_of_a_published_formula():
    km = burma_km()
    for one in range(len(BURMA)):
        for two in range(one):
            assert km[one, two] == by_tsplibs_formula(BURMA[one], BURMA[two])


def test_a_degree_of_latitude_is_as_long_as_printed():
    """69.0 to 69.4 statute miles, on a sphere 69.1 (printed in any atlas; from memory)."""
    assert great_circle_miles([(40.0, -75.0), (41.0, -75.0)])[0, 1] == pytest.approx(69.1, abs=0.05)


def test_the_published_shortest_tour_is_found():
    found = route(burma_km(), closed=True)
    assert found.shortest and found.length == BURMA_SHORTEST
    assert sorted(found.order) == list(range(len(BURMA)))


def test_the_good_tour_of_more_places_is_near_the_published_one():
    order = _good(burma_km())
    assert BURMA_SHORTEST <= length(burma_km(), [*order, order[0]]) <= 1.05 * BURMA_SHORTEST


@pytest.mark.parametrize("count", [1, 2, 3, 4, 6, 7])
@pytest.mark.parametrize("closed", [False, True])
def test_the_shortest_order_is_that_of_every_order_tried(count, closed):
    for seed in range(4):
        between = scattered(count, seed)
        tried = (length(between, [*order, *order[: int(closed)]]) for order in permutations(range(count)))
        found = route(between, closed)
        assert found.shortest and found.length == pytest.approx(min(tried), abs=1e-12)
        assert found.length == pytest.approx(length(between, [*found.order, *found.order[: int(closed)]]))


def test_many_places_are_gone_to_once_each_and_said_not_to_be_proved():
    between = scattered(MOST_EXACT + 20, 7)
    found = route(between)
    assert not found.shortest and sorted(found.order) == list(range(MOST_EXACT + 20))
    nearest, at = [0], 0
    while len(nearest) < len(between):
        left = [one for one in range(len(between)) if one not in nearest]
        at = min(left, key=lambda one: between[at, one])
        nearest.append(at)
    assert found.length <= length(between, nearest)


def test_a_good_order_is_close_to_the_shortest_where_that_is_known():
    """Places on a circle: the shortest tour goes around it."""
    turns = np.random.default_rng(3).permutation(60) * 2 * np.pi / 60
    places = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    between = np.linalg.norm(places[:, None] - places[None], axis=-1)
    assert route(between, closed=True).length == pytest.approx(60 * 2 * np.sin(np.pi / 60), rel=1e-9)


def test_the_same_places_have_the_same_order():
    assert route(scattered(30, 5)) == route(scattered(30, 5))


@settings(max_examples=60)
@given(st.lists(st.floats(0.0, 20.0), min_size=1, max_size=40), st.floats(1.0, 12.0))
def test_days_take_all_work_in_its_order_and_no_more_than_they_hold(hours, most):
    found = days(hours, most)
    assert len(found) == len(hours) and found[0] == 0 and (np.diff(found) >= 0).all()
    assert (np.diff(found) <= 1).all()
    for day in range(int(found[-1]) + 1):
        own = np.array(hours)[found == day]
        assert own.sum() <= most + 1e-6 or np.count_nonzero(own) == 1
