"""Leave-one-out and blocked folds in closed form, against refitting the system for every fold."""

import numpy as np
import pytest

from vrn.errors import OutOfRangeError
from vrn.surface import Variogram, blocked_folds, leave_one_out, ordinary_kriging
from vrn.surface.cross_validation import left_out
from vrn.surface.kriging import Kriging
from vrn.surface.places import places_of

VARIOGRAM = Variogram(model="spherical", nugget=0.5, partial_sill=4.0, range_m=300.0)


def _set(count: int = 25) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(1)
    return rng.uniform(0, 800, (count, 2)), rng.normal(10, 2, count)


@pytest.mark.parametrize("error_variance", [None, 0.7])
def test_leave_one_out_is_kriging_without_each(error_variance: float | None) -> None:
    """Closed form (Dubrule 1983) equals kriging every reading from the others; its variance is that of the reading."""
    places_m, values = _set()
    estimate, variance = leave_one_out(places_m, values, variogram=VARIOGRAM, error_variance=error_variance)
    for k in range(len(values)):
        others = np.arange(len(values)) != k
        alone, spread = ordinary_kriging(
            places_m[others], values[others], places_m[[k]], variogram=VARIOGRAM, error_variance=error_variance
        )
        assert estimate[k] == pytest.approx(alone[0], abs=1e-10)
        assert variance[k] == pytest.approx(spread[0] + (error_variance or 0.0), abs=1e-10)


def test_nearest_of_all_others_are_all_others() -> None:
    """Left out from as many neighbors as there are others, a reading gets what all others give; 24 of 400 nearly so."""
    places_m, values = _set()
    for known, near in zip(
        leave_one_out(places_m, values, variogram=VARIOGRAM, error_variance=0.7),
        leave_one_out(places_m, values, variogram=VARIOGRAM, error_variance=0.7, neighbors=24), strict=True,
    ):  # fmt: skip
        np.testing.assert_allclose(near, known, atol=1e-9)
    many_m, many = _set(400)
    known, near = (leave_one_out(many_m, many, variogram=VARIOGRAM, neighbors=k)[1] for k in (None, 24))
    np.testing.assert_allclose(near, known, rtol=0.1)
    assert near.mean() == pytest.approx(known.mean(), rel=0.02)


def test_a_system_that_would_fill_the_memory_is_refused() -> None:
    """Above 4,096 places no system of all of them; from the nearest it goes on."""
    places_m, values = _set(4_097)
    with pytest.raises(OutOfRangeError, match="4,097 places are too many"):
        leave_one_out(places_m, values, variogram=VARIOGRAM)
    assert np.isfinite(leave_one_out(places_m, values, variogram=VARIOGRAM, neighbors=8)[0]).all()


def test_bins_are_places_of_many_readings() -> None:
    """Of 900 places 10 by 10 bins, or 11 by 11 with the last edge; a bin lies at the middle of its readings."""
    places_m, values = _set(900)
    every = places_of(places_m, values)
    made = every.binned(100)
    assert 80 <= len(made) <= 121
    mean = np.column_stack([np.bincount(made.place, axis) for axis in places_m.T]) / np.bincount(made.place)[:, None]
    np.testing.assert_allclose(made.coordinates_m + made.origin_m, mean, atol=1e-9)
    np.testing.assert_array_equal(made.values, values)
    assert every.binned(900) is every


def test_blocks_are_left_out_together() -> None:
    """Blocked folds in closed form equal kriging each block from the others."""
    places_m, values = _set()
    folds = blocked_folds(places_m, count=4)
    estimate, variance = leave_one_out(places_m, values, variogram=VARIOGRAM, folds=folds)
    for fold in range(4):
        out = folds == fold
        alone, spread = ordinary_kriging(places_m[~out], values[~out], places_m[out], variogram=VARIOGRAM)
        assert estimate[out] == pytest.approx(alone, abs=1e-10)
        assert variance[out] == pytest.approx(spread, abs=1e-10)


def test_drift_is_estimated_anew_each_time() -> None:
    """With a drift, too, leaving one out is kriging it from the others."""
    places_m, values = _set()
    drift = np.column_stack([np.sin(places_m[:, 0] / 100), places_m[:, 1] / 800])
    told = left_out(Kriging.of(places_of(places_m, values), VARIOGRAM, drift))
    for k in (0, 7, 24):
        others = np.arange(len(values)) != k
        system = Kriging.of(places_of(places_m[others], values[others]), VARIOGRAM, drift[others])
        alone = system.at(places_m[[k]], drift[[k]])
        for ours, theirs in zip(told, alone, strict=True):
            assert ours[k] == pytest.approx(theirs[0], abs=1e-10)


def test_constant_shift_shifts_the_estimates() -> None:
    """The mean is removed properly: readings 100 higher are told 100 higher, with the same variances."""
    places_m, values = _set()
    estimate, variance = leave_one_out(places_m, values, variogram=VARIOGRAM)
    higher, same = leave_one_out(places_m, values + 100.0, variogram=VARIOGRAM)
    assert higher == pytest.approx(estimate + 100.0, abs=1e-9)
    assert same == pytest.approx(variance, abs=1e-12)


def test_blocks_are_compact_and_even() -> None:
    """Every block holds its share of the samples to within one, on ground of its own."""
    places_m, _ = _set(53)
    folds = blocked_folds(places_m, count=5)
    assert sorted(np.bincount(folds).tolist()) == [10, 10, 11, 11, 11]
    for fold in range(5):
        own = places_m[folds == fold]
        inside = ((places_m >= own.min(axis=0)) & (places_m <= own.max(axis=0))).all(axis=1)
        assert (folds[inside] == fold).mean() > 0.8
    with pytest.raises(OutOfRangeError, match="leaves nothing to learn from"):
        blocked_folds(places_m, count=1)
    assert blocked_folds(places_m[:3], count=5).tolist() == blocked_folds(places_m[:3], count=3).tolist()
