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
    assert split.spot_total**2 == pytest.approx(variance.mean(), rel=1e-9)
    assert split.total < split.spot_total


def test_a_mean_of_one_spot_is_that_spot() -> None:
    """Over one spot the error of the mean and of the spot are the same, part by part."""
    places, targets = _field(2)
    one = _split_of_kriging(places, targets[:1], variogram=VARIOGRAM, instrument_variance=1.0, composite_variance=2.0)
    for part in ("instrument", "composite", "space", "total"):
        assert getattr(one, part) == pytest.approx(getattr(one, f"spot_{part}"))


def test_parts_against_simulation() -> None:
    """Over 4,000 simulated fields the mean's error is the total, and the instrument alone moves it by its part."""
    places, targets = _field(3)
    random = np.random.default_rng(4)
    split = _split_of_kriging(places, targets, variogram=VARIOGRAM, instrument_variance=1.5, composite_variance=3.0)
    everywhere = np.vstack([places, targets])
    away = np.hypot(*(everywhere[:, None] - everywhere[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(20.0 * np.exp(-away / 120.0) + 1e-9 * np.eye(85))
    truth = root @ random.standard_normal((85, 4000))
    weights = np.array([
        ordinary_kriging(places, unit, targets, variogram=VARIOGRAM, error_variance=4.5)[0].mean()
        for unit in np.eye(25)
    ])  # fmt: skip
    by_instrument = np.sqrt(1.5) * random.standard_normal((25, 4000))
    by_cores = np.sqrt(3.0) * random.standard_normal((25, 4000))
    wrong = weights @ (truth[:25] + by_instrument + by_cores) - truth[25:].mean(axis=0)
    assert split.total == pytest.approx(wrong.std(), rel=0.05)
    assert split.instrument == pytest.approx((weights @ by_instrument).std(), rel=0.05)
    assert split.composite == pytest.approx((weights @ by_cores).std(), rel=0.05)


def test_duplicates_at_a_place_share_their_error() -> None:
    """Two readings of one place halve the instrument's variance there."""
    places = np.array([(0.0, 0.0), (500.0, 0.0)])
    once = _split_of_kriging(places, places[:1], variogram=VARIOGRAM, instrument_variance=2.0, composite_variance=0.0)
    twice = _split_of_kriging(
        np.vstack([places, places]), places[:1], variogram=VARIOGRAM, instrument_variance=2.0, composite_variance=0.0
    )
    assert twice.instrument < once.instrument
    assert twice.instrument == pytest.approx(once.instrument / np.sqrt(2), rel=0.1)


def test_plain_mean_by_hand() -> None:
    """Readings 10, 12, 14 (variance 4), instrument 1 and cores 2: 1/3, 2/3 and the rest, 1/3, of the mean's 4/3."""
    split = _split_of_mean([10.0, 12.0, 14.0], instrument_variance=1.0, composite_variance=2.0)
    assert split.instrument**2 == pytest.approx(1 / 3)
    assert split.composite**2 == pytest.approx(2 / 3)
    assert split.space**2 == pytest.approx(1 / 3)
    assert split.total**2 == pytest.approx(4 / 3)
