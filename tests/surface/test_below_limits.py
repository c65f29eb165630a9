"""Readings below detection: a bound, filled in by what the readings around make likely, never by half of it."""

import numpy as np
import pytest
from scipy.stats import truncnorm

from vrn.model.variogram import Variogram
from vrn.surface import below_limits, interpolate, leave_one_out
from vrn.surface.choose import _between
from vrn.surface.likelihood import Likely, Posterior


def _field(seed: int, count: int = 50) -> tuple[np.ndarray, np.ndarray]:
    """Places, and readings of a Gaussian field about 6 with an error of their own."""
    rng = np.random.default_rng(seed)
    places_m = rng.uniform(0, 800, (count, 2))
    apart = np.hypot(*(np.subtract.outer(axis, axis) for axis in places_m.T))
    covariance = 6.0 * np.exp(-apart / 300.0) + 0.5 * np.eye(count)
    return places_m, 6.0 + np.linalg.cholesky(covariance) @ rng.normal(size=count)


@pytest.mark.parametrize("middle", [-200.0, -3.0, 0.0, 0.5, 1.0, 2.0, 40.0])
@pytest.mark.parametrize("sd", [0.05, 1.0, 30.0])
def test_cut_normal_against_scipy(middle: float, sd: float) -> None:
    """Mean and variance of a normal distribution cut at 0 and 1 are SciPy's, also where hardly anything lies there."""
    mean, variance = (float(one[0]) for one in _between(*(np.array([value]) for value in (middle, sd, 1.0))))
    assert 0.0 <= mean <= 1.0
    assert 0.0 <= variance <= 1.0 / 12.0
    if abs(middle / sd) < 45:
        known = truncnorm((0 - middle) / sd, (1 - middle) / sd, loc=middle, scale=sd)
        assert mean == pytest.approx(known.mean(), abs=1e-6)
        assert variance == pytest.approx(known.var(), abs=1e-6)
    else:  # the whole of it is at the end that lies nearer
        assert mean == pytest.approx(1.0 if middle > 1 else 0.0, abs=0.01)


def test_one_hidden_reading_is_its_conditional_mean(monkeypatch: pytest.MonkeyPatch) -> None:
    """One hidden reading is SciPy's truncated normal of what kriging from the others predicts there."""
    likely = Likely(Variogram(model="exponential", partial_sill=6.0, range_m=300.0, nugget=0.5), 0.0)
    monkeypatch.setattr("vrn.surface.choose.posterior", lambda _places: Posterior(0.0, likely, (likely,) * 12))
    places_m, values = _field(3)
    row = int(np.argmin(values))
    limits = np.full(50, np.nan)
    limits[row] = 4.0
    filled, variance, _ = below_limits(places_m, values, limits)
    estimate, spread2 = (one[row] for one in leave_one_out(places_m, values, variogram=likely.variogram))
    sd = spread2**0.5
    cut = truncnorm(-estimate / sd, (4.0 - estimate) / sd, loc=estimate, scale=sd)
    assert filled[row] == pytest.approx(cut.mean(), rel=1e-6)
    assert variance[row] == pytest.approx(cut.var(), rel=1e-6)
    others = np.arange(50) != row
    assert filled[others].tolist() == values[others].tolist()
    assert not variance[others].any()


def test_between_nothing_and_the_limit() -> None:
    """Every hidden reading lies between 0 and its limit; beside high readings above half of it, beside low ones below.

    With too few known readings, or none, it is half the limit, give or take limit/√12: any value is as likely.
    """
    places_m = np.column_stack([np.arange(20.0) * 40, np.zeros(20)])
    values = np.where(np.arange(20) < 10, 0.4, 8.0) + 0.05 * np.sin(np.arange(20.0))
    limits = np.full(20, np.nan)
    limits[[4, 15]] = 3.0
    filled, variance, _ = below_limits(places_m, values, limits)
    assert 0.0 < filled[4] < 1.5 < filled[15] < 3.0
    assert (variance[[4, 15]] <= 3.0**2 / 12).all()
    filled, variance, _ = below_limits(places_m, values, np.full(20, 2.0))
    assert filled.tolist() == [1.0] * 20
    assert variance == pytest.approx(2.0**2 / 12)
    assert below_limits(places_m, values, np.full(20, np.nan))[0].tolist() == values.tolist()


def test_a_higher_limit_never_lowers() -> None:
    """The more a limit leaves open, the higher the reading is taken: the same field, limits of 1 to 8."""
    places_m, values = _field(5)
    row = 7
    taken = []
    for limit in (1.0, 2.0, 4.0, 8.0):
        limits = np.full(50, np.nan)
        limits[row] = limit
        taken.append(below_limits(places_m, values, limits)[0][row])
    assert taken == sorted(taken)


def test_nearer_to_the_hidden_readings_than_half_the_limit() -> None:
    """
    Of 12 simulated fields, readings below 5 hidden: their mean is met, and each is missed by less than half the limit.

    The surface made from them is nearer to that of the readings as they were, too.
    """
    missed, halves, surface = [], [], []
    for seed in range(12):
        places_m, values = _field(200 + seed)
        limits = np.where((values < 5.0) & (values > 0), 5.0, np.nan)
        hidden = np.isfinite(limits)
        if not hidden.any():
            continue
        filled, spread2, told = below_limits(places_m, values, limits)
        assert told[0].quantities["readings"].value == hidden.sum()
        missed.append(filled[hidden] - values[hidden])
        halves.append(2.5 - values[hidden])
        whole = interpolate(places_m, values, places_m).estimate
        made = interpolate(places_m, filled, places_m, error_variance=spread2).estimate
        half = interpolate(places_m, np.where(hidden, 2.5, values), places_m).estimate
        surface.append([np.sqrt(np.mean((one - whole) ** 2)) for one in (made, half)])
    ours, theirs = np.concatenate(missed), np.concatenate(halves)
    assert abs(ours.mean()) < 0.5 * abs(theirs.mean())
    assert np.sqrt(np.mean(ours**2)) < 0.8 * np.sqrt(np.mean(theirs**2))
    assert np.mean(surface, axis=0)[0] < 0.85 * np.mean(surface, axis=0)[1]
