"""The drawing of samples: chances kept, means unbiased, ground evenly covered."""

import numpy as np
import pytest

from vrn.errors import OutOfRangeError
from vrn.sampling.designs import local_pivotal, spatial_balance

# the ten unequal chances of the example in the R package BalancedSampling (Grafström & Lisic), sum 5
CHANCES = np.array([0.2, 0.25, 0.35, 0.4, 0.5, 0.5, 0.55, 0.65, 0.7, 0.9])


def _lattice(side: int) -> np.ndarray:
    return np.array([(x + 0.5, y + 0.5) for y in range(side) for x in range(side)])


def _simulated(draws: int) -> tuple[np.ndarray, np.ndarray, float]:
    """Means of a field with a trend and a wave by the balanced design and by plain chance, and the true mean."""
    places = _lattice(20)
    nitrate = 12 + 0.5 * places[:, 0] + 4 * np.sin(places[:, 1] / 3) + np.random.default_rng(8).normal(0, 1, 400)
    random = np.random.default_rng(9)
    chance = np.full(400, 20 / 400)
    spread = [nitrate[local_pivotal(chance, places, random=random)].mean() for _ in range(draws)]
    plain = [nitrate[random.choice(400, 20, replace=False)].mean() for _ in range(10 * draws)]
    return np.array(spread), np.array(plain), float(nitrate.mean())


def _check_design(draws: int) -> None:
    spread, plain, true = _simulated(draws)
    assert abs(spread.mean() - true) < 3 * spread.std() / np.sqrt(draws)
    assert spread.var() < 0.4 * plain.var()


def test_mean_is_unbiased_and_surer_than_by_chance() -> None:
    """Over 60 draws the plain mean is the field's, with less than half the variance of simple random samples."""
    _check_design(60)


@pytest.mark.long
def test_mean_is_unbiased_over_two_thousand_draws() -> None:
    """The same over 2,000 draws."""
    _check_design(2000)


def test_every_place_has_its_chance() -> None:
    """Each of ten unequal chances is met in 1,500 draws, and each sample holds exactly their sum, five."""
    places = np.random.default_rng(2).random((10, 2))
    random = np.random.default_rng(4)
    hits = np.zeros(10)
    for _ in range(1500):
        drawn = local_pivotal(CHANCES, places, random=random)
        assert len(drawn) == 5
        hits[drawn] += 1
    sigma = np.sqrt(CHANCES * (1 - CHANCES) / 1500)
    assert np.all(np.abs(hits / 1500 - CHANCES) < 4 * sigma)


def test_balance_by_hand() -> None:
    """Nine units in a row, three drawn: 2nd, 5th, 8th speak for three each (0); 1st, 2nd, 3rd for 1, 1 and 7."""
    row, chance = np.arange(9.0)[:, None], np.full(9, 1 / 3)
    assert spatial_balance(chance, row, [1, 4, 7]) == pytest.approx(0.0)
    assert spatial_balance(chance, row, [0, 1, 2]) == pytest.approx((2 * (2 / 3) ** 2 + (4 / 3) ** 2) / 3)


def test_a_unit_between_two_is_shared() -> None:
    """Of five in a row the middle one is as near to either end: each end speaks for 2.5 units."""
    assert spatial_balance(np.full(5, 0.4), np.arange(5.0)[:, None], [0, 4]) == pytest.approx(0.0)


def test_simple_random_samples_have_the_balance_of_random_crystals() -> None:
    """Ground by random points varies with variance 0.280 (Gilbert 1962, Ann. Math. Stat. 33:958), more at the edges."""
    places = _lattice(60)
    random = np.random.default_rng(6)
    chance = np.full(3600, 150 / 3600)
    found = np.mean([spatial_balance(chance, places, random.choice(3600, 150, replace=False)) for _ in range(40)])
    assert 0.27 < found < 0.36


def test_balanced_samples_cover_the_ground_evenly() -> None:
    """The pivotal sample is at least twice as even as simple random samples (Grafström et al. 2012 find the same)."""
    places = _lattice(20)
    random = np.random.default_rng(7)
    chance = np.full(400, 32 / 400)
    spread = np.mean([spatial_balance(chance, places, local_pivotal(chance, places, random=random)) for _ in range(40)])
    plain = np.mean([spatial_balance(chance, places, random.choice(400, 32, replace=False)) for _ in range(40)])
    assert spread < 0.5 * plain


def test_certain_and_impossible_places() -> None:
    """A chance of 1 is always drawn, a chance of 0 never; a sum that is no whole number gives the number around it."""
    random = np.random.default_rng(1)
    for _ in range(20):
        drawn = set(local_pivotal([1.0, 0.0, 0.4, 0.3], [[0], [1], [2], [3]], random=random).tolist())
        assert 0 in drawn
        assert 1 not in drawn
        assert len(drawn) in (1, 2)


def test_same_seed_same_sample() -> None:
    """The same generator gives the same sample."""
    places = _lattice(10)
    one, other = (local_pivotal(np.full(100, 0.1), places, random=np.random.default_rng(3)) for _ in range(2))
    assert one.tolist() == other.tolist()


def test_what_cannot_be_drawn_is_refused() -> None:
    """More samples than places, an unknown place, and an empty sample are refused."""
    random = np.random.default_rng(0)
    with pytest.raises(OutOfRangeError, match="not between 0 and 1"):
        local_pivotal([1.2, 0.3], [[0], [1]], random=random)
    with pytest.raises(OutOfRangeError, match="unknown"):
        local_pivotal([0.5, 0.5], [[0], [np.nan]], random=random)
    with pytest.raises(OutOfRangeError, match="2 places and chances of shape"):
        local_pivotal([0.5], [[0], [1]], random=random)
    with pytest.raises(OutOfRangeError, match="empty sample"):
        spatial_balance([0.5, 0.5], [[0], [1]], [])
