"""The parts of the uncertainty add up to kriging's own, and each is what simulation finds."""

import numpy as np
import pytest

from vrn.sampling.error import _split_of_kriging, _split_of_mean
from vrn.surface import Variogram, ordinary_kriging

VARIOGRAM = Variogram(model="exponential", nugget=0.0, partial_sill=20.0, range_m=120.0)


def _field(seed: int) -> tuple[np.ndarray, np.ndarray]:
    random = np.random.default_rng(seed)
    return random.random((25, 2)) * 400, random.random((60, 2)) * 400


def test_parts_of_a_spot_add_up_to_the_kriging_variance() -> None:
    """The three variances of a spot add up to the ordinary-kriging variance with the same errors given."""
    places, targets = _field(1)
    instrument = np.full(25, 0.8)
    composite = np.linspace(0.5, 4.0, 25)
    _, variance = ordinary_kriging(
        places, np.zeros(25), targets, variogram=VARIOGRAM, error_variance=instrument + composite
    )
    split = _split_of_kriging(
        places, targets, variogram=VARIOGRAM, instrument_variance=instrument, composite_variance=composite
    )
    assert sum(split) == pytest.approx(variance.mean(), rel=1e-9)


def test_many_readings_are_split_from_the_nearest() -> None:
    """Of 600 readings a spot's split comes from the nearest, and adds up to nearly the variance from all."""
    random = np.random.default_rng(8)
    places, targets = random.random((600, 2)) * 400, random.random((40, 2)) * 400
    _, variance = ordinary_kriging(places, np.zeros(600), targets, variogram=VARIOGRAM, error_variance=3.0)
    split = _split_of_kriging(places, targets, variogram=VARIOGRAM, instrument_variance=1.0, composite_variance=2.0)
    assert sum(split) == pytest.approx(variance.mean(), rel=0.02)
    assert split.composite == pytest.approx(2 * split.instrument, rel=1e-9)


def test_parts_against_simulation() -> None:
    """Over 4,000 simulated fields a spot's error is the total, and the instrument alone moves it by its part."""
    places, targets = _field(3)
    random = np.random.default_rng(4)
    split = _split_of_kriging(places, targets, variogram=VARIOGRAM, instrument_variance=1.5, composite_variance=3.0)
    everywhere = np.vstack([places, targets])
    away = np.hypot(*(everywhere[:, None] - everywhere[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(20.0 * np.exp(-away / 120.0) + 1e-9 * np.eye(85))
    truth = root @ random.standard_normal((85, 4000))
    weights = np.array([
        ordinary_kriging(places, unit, targets, variogram=VARIOGRAM, error_variance=4.5)[0]
        for unit in np.eye(25)
    ])  # fmt: skip
    by_instrument = np.sqrt(1.5) * random.standard_normal((25, 4000))
    by_cores = np.sqrt(3.0) * random.standard_normal((25, 4000))
    wrong = weights.T @ (truth[:25] + by_instrument + by_cores) - truth[25:]
    assert sum(split) == pytest.approx(wrong.var(), rel=0.05)
    assert split.instrument == pytest.approx((weights.T @ by_instrument).var(), rel=0.05)
    assert split.composite == pytest.approx((weights.T @ by_cores).var(), rel=0.05)


def test_duplicates_at_a_place_share_their_error() -> None:
    """Two readings of one place halve the instrument's variance there."""
    places = np.array([(0.0, 0.0), (500.0, 0.0)])
    once = _split_of_kriging(places, places[:1], variogram=VARIOGRAM, instrument_variance=2.0, composite_variance=0.0)
    twice = _split_of_kriging(
        np.vstack([places, places]), places[:1], variogram=VARIOGRAM, instrument_variance=2.0, composite_variance=0.0
    )
    assert twice.instrument < once.instrument
    assert twice.instrument == pytest.approx(once.instrument / 2, rel=0.2)


def test_plain_mean_by_hand() -> None:
    """Readings 10, 12, 14 (variance 4), instrument 1 and cores 2: 1/3, 2/3 and the rest, 1 · (1 + 1/3), of a spot."""
    split = _split_of_mean([10.0, 12.0, 14.0], instrument_variance=1.0, composite_variance=2.0)
    assert split == pytest.approx((1 / 3, 2 / 3, 4 / 3))
