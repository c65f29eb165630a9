"""Samples drawn so that they are spread over the ground and every place has the chance it should have."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError

_ZERO = 1e-9


def local_pivotal(probability: ArrayLike, coordinates: ArrayLike, *, random: np.random.Generator) -> NDArray[np.intp]:
    """
    Draw a spatially balanced sample by the local pivotal method (the faster of its two forms).

    A unit drawn at random and its nearest neighbour fight for their joint chance of being in the sample, until every
    unit is decided; neighbours therefore rarely stand in it together. Chances, shape (n,), add up to the sample's size;
    where that is no whole number, the size is the one below or above. Coordinates, shape (n, p): easting and northing,
    or any space in which near means alike, in one scale. Raises OutOfRangeError if a chance is not between 0 and 1, a
    coordinate is unknown, or lengths differ. Source: Grafström, Lundström & Schelin (2012), Spatially balanced sampling
    through the pivotal method, Biometrics 68:514-520.

    Two pairs of neighbours, a chance of one half each: one of each pair is drawn, never both.

    >>> draws = [local_pivotal([0.5] * 4, [[0], [1], [90], [91]], random=np.random.default_rng(i)) for i in range(50)]
    >>> {tuple(map(int, draw // 2)) for draw in draws}
    {(0, 1)}
    """
    chance = np.array(probability, dtype=float)
    places = np.asarray(coordinates, dtype=float)
    if places.ndim == 1:
        places = places[:, None]
    _checked(chance, places)
    chance[chance < _ZERO] = 0.0
    chance[chance > 1 - _ZERO] = 1.0
    left = np.flatnonzero((chance > 0) & (chance < 1))
    spread = places[left]
    while len(left) > 1:
        one = int(random.integers(len(left)))
        away = ((spread - spread[one]) ** 2).sum(axis=1)
        away[one] = np.inf
        nearest = np.flatnonzero(away <= away.min() * (1 + 1e-12))
        other = int(nearest[0] if len(nearest) == 1 else random.choice(nearest))
        decided = _fight(chance, int(left[one]), int(left[other]), random)
        keep = np.ones(len(left), dtype=bool)
        keep[[at for at in (one, other) if left[at] in decided]] = False
        left, spread = left[keep], spread[keep]
    for last in left:
        chance[last] = 1.0 if random.random() < chance[last] else 0.0
    return np.flatnonzero(chance == 1.0)


def _fight(chance: NDArray[np.float64], one: int, other: int, random: np.random.Generator) -> set[int]:
    """Decide at least one of two units; their joint chance stays what it was."""
    total = chance[one] + chance[other]
    if total < 1:
        loser, winner = (one, other) if random.random() < chance[other] / total else (other, one)
        chance[loser], chance[winner] = 0.0, total
    else:
        winner, loser = (one, other) if random.random() < (1 - chance[other]) / (2 - total) else (other, one)
        chance[winner], chance[loser] = 1.0, total - 1
    for unit in (one, other):
        if chance[unit] < _ZERO or chance[unit] > 1 - _ZERO:
            chance[unit] = round(chance[unit])
    return {unit for unit in (one, other) if chance[unit] in (0.0, 1.0)}


def spatial_balance(probability: ArrayLike, coordinates: ArrayLike, sample: ArrayLike) -> float:
    """
    How unevenly a sample is spread: 0 when every sampled unit speaks for ground worth exactly one sample.

    The mean of (v − 1)², where v is the sum of the chances of all units nearest to a sampled one (a unit as near to
    several is shared between them). Source: Stevens & Olsen (2004), Spatially balanced sampling of natural resources,
    J. Am. Stat. Assoc. 99:262-278.

    Four units in a row, half of them drawn. The second and third: each speaks for two units, 2 × 0.5 = 1. The first
    and second: 0.5 and 1.5.

    >>> row = [[0], [1], [2], [3]]
    >>> spatial_balance([0.5] * 4, row, [1, 2]), spatial_balance([0.5] * 4, row, [0, 1])
    (0.0, 0.25)
    """
    from scipy.spatial.distance import cdist

    chance = np.asarray(probability, dtype=float)
    places = np.asarray(coordinates, dtype=float).reshape(len(chance), -1)
    drawn = np.asarray(sample, dtype=np.intp)
    if not len(drawn):
        problem = "An empty sample has no balance."
        raise OutOfRangeError(problem, "Draw at least one unit.")
    away = cdist(places, places[drawn])
    nearest = away <= away.min(axis=1, keepdims=True) * (1 + 1e-9)
    shared = nearest / nearest.sum(axis=1, keepdims=True)
    return float(np.mean((chance @ shared - 1.0) ** 2))


def _checked(chance: NDArray[np.float64], places: NDArray[np.float64]) -> None:
    if chance.ndim != 1 or len(places) != len(chance):
        problem = f"There are {len(places)} places and chances of shape {chance.shape}."
        raise OutOfRangeError(problem, "Give one chance for each place.")
    if not ((chance >= 0) & (chance <= 1)).all():
        problem = "A chance of being sampled is not between 0 and 1."
        raise OutOfRangeError(problem, "Ask for no more samples than there are places.")
    if not np.isfinite(places).all():
        problem = "The coordinates of a place are unknown."
        raise OutOfRangeError(problem, "Leave such places out.")
