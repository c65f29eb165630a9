"""Where to sample: balanced over the ground, one in each square of a grid, or by strata; and close pairs on purpose."""

import math

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.sampling.ground import standardised

_ZERO = 1e-9


def local_pivotal(probability: ArrayLike, coordinates: ArrayLike, *, random: np.random.Generator) -> NDArray[np.intp]:
    """Draw a spatially balanced sample by the local pivotal method (the faster of its two forms).

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
    """How unevenly a sample is spread: 0 when every sampled unit speaks for ground worth exactly one sample.

    The mean of (v − 1)², where v is the sum of the chances of all units nearest to a sampled one (a unit as near to
    several is shared between them). Source: Stevens & Olsen (2004), Spatially balanced sampling of natural resources,
    J. Am. Stat. Assoc. 99:262-278.

    Four units in a row, half of them drawn. The second and third: each speaks for two units, 2 × 0.5 = 1. The first and
    second: 0.5 and 1.5.

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


_TURNS = 24  # directions tried for a partner


def balanced_places(
    spots_m: NDArray[np.float64], count: int, *, random: np.random.Generator,
    auxiliary: NDArray[np.float64] | None = None,
) -> NDArray[np.intp]:  # fmt: skip
    """Places spread over the ground, and over the values of layers where there are any, each with the same chance.

    Spots, shape (n, 2), stand for the same area each; `auxiliary` layers, shape (n, p), may have any unit, unknown
    values stand in the middle. Gives rows of the spots: the plain mean of what is read there is unbiased for the mean
    of the ground. Raises OutOfRangeError if more are wanted than there are, or fewer than one. Source: Grafström,
    Lundström & Schelin (2012), Biometrics 68:514-520.
    """
    if not 1 <= count <= len(spots_m):
        problem = f"{count} samples cannot be placed among {len(spots_m)} places."
        raise OutOfRangeError(problem, "Ask for at least one and no more than the ground holds.")
    space = spots_m / max(float(np.sqrt(spots_m.var(axis=0).mean())), 1e-9)
    if auxiliary is not None and auxiliary.size:
        space = np.column_stack([space, standardised(auxiliary)])
    return local_pivotal(np.full(len(spots_m), count / len(spots_m)), space, random=random)


def grid_places(outline: shapely.Geometry, count: int, *, random: np.random.Generator) -> NDArray[np.float64]:
    """Jittered grid: a place drawn anywhere in each square of a net laid at random.

    North-west first, shape (count, 2). Squares that the edge cuts are kept with the chance of their share, so that
    every spot of the ground has the same chance and the plain mean is unbiased. [m]
    """
    side = math.sqrt(outline.area / count)
    west, south, east, north = outline.bounds
    x = np.arange(west - side * random.random(), east, side)
    y = np.arange(south - side * random.random(), north, side)
    corners = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    squares = shapely.box(corners[:, 0], corners[:, 1], corners[:, 0] + side, corners[:, 1] + side)
    inside = np.asarray(shapely.intersection(squares, outline), dtype=object)
    share = np.clip(shapely.area(inside) / side**2, 0.0, 1.0)
    chosen = local_pivotal(share, corners, random=random)
    places = np.array([_place_in(inside[i], random) for i in chosen])
    return places[np.lexsort((places[:, 0], -np.floor((places[:, 1] - south) / side)))]


def stratified_places(
    spots_m: NDArray[np.float64], strata: NDArray[np.intp], count: int, *, random: np.random.Generator
) -> NDArray[np.intp]:
    """Places by strata in proportion to their area, balanced inside each.

    At least two go to each stratum where they last, so that its variation can be known.
    """
    labels, sizes = np.unique(strata, return_counts=True)
    chosen = []
    for label, share in zip(labels, allotted(sizes, count), strict=True):
        rows = np.flatnonzero(strata == label)
        if share:
            chosen.append(rows[balanced_places(spots_m[rows], min(share, len(rows)), random=random)])
    return np.sort(np.concatenate(chosen))


def allotted(sizes: NDArray[np.intp], count: int) -> list[int]:
    """Samples for strata in proportion to their size, at least two each where they last.

    Adding up to ``count``.

    >>> allotted(np.array([700, 250, 50]), 20)
    [13, 5, 2]
    >>> allotted(np.array([700, 250, 50]), 2)
    [1, 1, 0]
    """
    least = min(2, count // len(sizes))
    exact = sizes / sizes.sum() * count
    shares = np.maximum(np.floor(exact), least).astype(int)
    while shares.sum() < count:
        shares[int(np.argmax(exact - shares))] += 1
    while shares.sum() > count:
        over = np.where(shares > least, shares - exact, -np.inf)
        shares[int(np.argmax(over))] -= 1
    return [int(share) for share in shares]


def strata_of(auxiliary: NDArray[np.float64], count: int) -> NDArray[np.intp]:
    """Sort places into strata of alike values (k-means on standardised layers).

    Numbers 1 … k along the layers' main direction, fewer than `count` where values coincide; unknown values stand in
    the middle.

    >>> strata_of(np.array([[1.0], [1.2], [4.0], [4.1], [9.0]]), 3).tolist()
    [1, 1, 2, 2, 3]
    """
    from scipy.cluster.vq import kmeans2

    values = standardised(auxiliary)
    main = np.linalg.svd(values - values.mean(axis=0), full_matrices=False)[2][0]
    main = main * np.sign(main[np.argmax(np.abs(main))])
    along = values @ main
    cuts = np.quantile(along, (np.arange(count) + 0.5) / count)
    first = np.unique(values[[int(np.argmin(np.abs(along - cut))) for cut in cuts]], axis=0)
    if len(first) == 1:
        return np.ones(len(values), dtype=np.intp)
    _, labels = kmeans2(values, first, minit="matrix", iter=50)
    present = np.unique(labels)
    order = present[np.argsort([along[labels == label].mean() for label in present], kind="stable")]
    renumber = np.zeros(len(first), dtype=np.intp)
    renumber[order] = np.arange(1, len(order) + 1)
    return np.asarray(renumber[labels])


def close_partners(
    places_m: NDArray[np.float64], count: int, *, distance_m: float, outline: shapely.Geometry,
    random: np.random.Generator,
) -> tuple[NDArray[np.intp], NDArray[np.float64]]:  # fmt: skip
    """
    Partners close to some of the places: what differs over a short way can then be told from what differs over a long.

    Fewer than `count` where they would fall outside. Gives the place that each partner belongs to, shape (k,), and the
    partners, shape (k, 2). [m] Source: Diggle & Lophaven (2006), Bayesian geostatistical design, Scand. J. Stat.
    33:53-64 (lattice plus close pairs).
    """
    count = min(count, len(places_m))
    if count < 1:
        return np.empty(0, dtype=np.intp), np.empty((0, 2))
    of, partners = [], []
    for row in balanced_places(places_m, count, random=random):
        angles = 2 * np.pi * (random.random() + np.arange(_TURNS) / _TURNS)
        around = places_m[row] + distance_m * np.column_stack([np.cos(angles), np.sin(angles)])
        inside = shapely.contains_xy(outline, around[:, 0], around[:, 1])
        if inside.any():
            of.append(int(row))
            partners.append(around[int(np.argmax(inside))])
    return np.array(of, dtype=np.intp), np.array(partners).reshape(-1, 2)


def _place_in(piece: shapely.Geometry, random: np.random.Generator) -> tuple[float, float]:
    """A place drawn evenly in a polygon."""
    west, south, east, north = piece.bounds
    shapely.prepare(piece)
    for _ in range(50):
        spots = random.random((64, 2)) * (east - west, north - south) + (west, south)
        inside = np.flatnonzero(shapely.contains_xy(piece, spots[:, 0], spots[:, 1]))
        if len(inside):
            return float(spots[inside[0], 0]), float(spots[inside[0], 1])
    point = shapely.point_on_surface(piece)
    return float(point.x), float(point.y)
