"""Cuts of a range of values: exact, against every way there is."""

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vrn.zones.cut import optimal_cuts


def _cost(values: np.ndarray, weights: np.ndarray, groups: list[np.ndarray]) -> float:
    return sum(
        float(np.sum(weights[g] * np.abs(values[g] - np.average(values[g], weights=weights[g])))) for g in groups
    )


def _best_by_trying(values: np.ndarray, weights: np.ndarray, count: int) -> float:
    values, which = np.unique(values, return_inverse=True)  # equal values cannot be told apart by a cut
    weights = np.bincount(which, weights)
    ways = itertools.combinations(range(1, len(values)), count - 1)
    return min(_cost(values, weights, np.split(np.arange(len(values)), way)) for way in ways)


@given(
    st.lists(st.tuples(st.integers(0, 200), st.integers(1, 9)), min_size=4, max_size=9),
    st.integers(1, 4),
)
@settings(max_examples=60)
def test_no_other_way_of_cutting_is_better(rows: list[tuple[int, int]], count: int) -> None:
    """The cost of the cuts found is the least over every way of cutting the sorted values."""
    values = np.array([row[0] for row in rows], dtype=float)
    weights = np.array([row[1] for row in rows], dtype=float)
    cut = optimal_cuts(values, weights, count)[count - 1]
    which = np.searchsorted(cut, values, side="right")
    groups = [np.flatnonzero(which == k) for k in range(count) if (which == k).any()]
    best = _best_by_trying(values, weights, count) if len(np.unique(values)) >= count else 0.0
    assert _cost(values, weights, groups) == pytest.approx(best, abs=1e-9)


def test_more_classes_never_cost_more() -> None:
    """On 20,000 values in 512 steps each further class leaves less."""
    values = np.random.default_rng(5).gamma(4.0, 25.0, size=20_000)
    weights = np.ones(len(values))
    costs = []
    for cut in optimal_cuts(values, weights, 8):
        which = np.searchsorted(cut, values, side="right")
        costs.append(_cost(values, weights, [np.flatnonzero(which == k) for k in range(len(cut) + 1)]))
    assert np.all(np.diff(costs) < 0)


def test_a_normal_need_is_cut_where_the_known_quantisers_cut() -> None:
    """
    Two classes of a standard normal: cut at 0, mean deviation 0.4701 of σ where one class leaves 0.7979.

    One class: √(2/π) = 0.79788. Two classes: by integration of |x − √(2/π)| over the half normal, by hand
    2 [2 φ(m) − m (1 − 2 (Φ(m) − ½)) … ], checked here by quadrature, not by the code under test.
    """
    from scipy.integrate import quad
    from scipy.stats import norm

    mean = np.sqrt(2 / np.pi)
    left, _ = quad(lambda x: 2 * abs(x - mean) * norm.pdf(x), 0, 12, points=[mean])
    values = norm.ppf((np.arange(100_000) + 0.5) / 100_000)
    cut = optimal_cuts(values, np.ones(len(values)), 2)[1]
    assert cut == pytest.approx([0.0], abs=0.02)
    side = values > cut[0]
    measured = np.mean(np.where(side, np.abs(values - values[side].mean()), np.abs(values - values[~side].mean())))
    assert measured == pytest.approx(left, abs=1e-3)


@pytest.mark.parametrize("values", [[7.0], [7.0, 7.0, 7.0]])
def test_one_value_cannot_be_cut(values: list[float]) -> None:
    """A single value gives no cut, whatever number of classes is asked for."""
    cuts = optimal_cuts(np.array(values), np.ones(len(values)), 3)
    assert [len(cut) for cut in cuts] == [0, 0, 0]


def test_ground_without_area_has_no_say() -> None:
    """A value with weight 0 does not move a cut."""
    values = np.array([10.0, 20.0, 60.0, 90.0, 100.0])
    weights = np.array([1.0, 1.0, 0.0, 1.0, 1.0])
    assert optimal_cuts(values, weights, 2)[1].tolist() == [55.0]
