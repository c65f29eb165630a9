"""The walk: every place once, short, and not over the fence."""

from itertools import pairwise, permutations

import numpy as np
import pytest
import shapely

from vrn.sampling.plan import walking_distances_m, walking_order


def _length(places: np.ndarray, order: np.ndarray) -> float:
    return float(np.hypot(*np.diff(places[order], axis=0).T).sum())


@pytest.mark.parametrize("seed", range(12))
def test_short_walks_are_the_shortest(seed: int) -> None:
    """With seven places the walk is within 3 % of the shortest of all 5 040 orders."""
    places = np.random.default_rng(seed).random((7, 2)) * 400
    shortest = min(_length(places, np.array(order)) for order in permutations(range(7)))
    order = walking_order(places)
    assert sorted(order.tolist()) == list(range(7))
    assert _length(places, order) <= shortest * 1.03


def test_long_walk_keeps_to_the_law_of_squares() -> None:
    """200 places in a square: about 0.7124 √(n A) for a round trip (Johnson & McGeoch 1996), a little more by 2-opt."""
    places = np.random.default_rng(1).random((200, 2)) * 800
    expected = 0.7124 * np.sqrt(200 * 800.0**2)
    assert 0.85 * expected < _length(places, walking_order(places)) < 1.15 * expected


def test_no_two_legs_of_an_open_walk_cross() -> None:
    """A walk that cannot be shortened by reversing a stretch has no crossing legs."""
    places = np.random.default_rng(3).random((40, 2)) * 500
    walked = places[walking_order(places)]
    legs = [shapely.LineString(pair) for pair in pairwise(walked)]
    crossings = sum(shapely.crosses(a, b) for i, a in enumerate(legs) for b in legs[i + 2 :])
    assert crossings == 0


def test_walk_begins_near_the_gate() -> None:
    """With a way in, the first place is not far from it, and a line of places is walked from that end."""
    places = np.column_stack([np.arange(0, 100, 10.0), np.zeros(10)])
    assert walking_order(places, start_m=(200.0, 0.0)).tolist() == list(range(9, -1, -1))


def test_walk_goes_round_a_pond() -> None:
    """Metres through the pond count three times, so the walk stays on its side of it."""
    pond = shapely.box(20, -100, 30, 100)
    field = shapely.box(-10, -150, 60, 150) - pond
    away = walking_distances_m(np.array([(15.0, 0.0), (35.0, 0.0), (15.0, 25.0)]), field)
    assert away[0, 1] == pytest.approx(20 + 2 * 10)
    assert away[0, 2] == pytest.approx(25)
    places = np.array([(15, 0), (35, 0), (15, 15), (35, 15), (15, 30), (35, 30)], dtype=float)
    west = [bool(side) for side in places[walking_order(places, ground=field), 0] < 25]
    assert sum(a != b for a, b in pairwise(west)) == 1


def test_few_places() -> None:
    """Nothing, one place, and two places on one spot need no mending."""
    assert walking_order(np.empty((0, 2))).tolist() == []
    assert walking_order([(3, 4)]).tolist() == [0]
    assert sorted(walking_order([(3, 4), (3, 4)]).tolist()) == [0, 1]
