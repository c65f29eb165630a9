"""Harvest records averaged along the pass, and what each pass reads above or below its neighbours."""

import numpy as np
from numpy.typing import NDArray

from vrn.surface.yield_near import Near
from vrn.surface.yield_passes import Passes

BLOCK_M = 5.0

_NEIGHBOURS = 16
_FEWEST = 4  # blocks of a pass, and passes

_Floats = NDArray[np.float64]


def block_means(
    passes: Passes, value: _Floats, *, block_m: float = BLOCK_M
) -> tuple[_Floats, _Floats, NDArray[np.int32]]:
    """
    Average records over stretches of a pass.

    Parameters
    ----------
    passes : Passes
    value : ndarray, shape (k,)
    block_m : float
        Length of a stretch. [m]

    Returns
    -------
    points_m : ndarray, shape (b, 2)
        Middle of each stretch. [m]
    mean : ndarray, shape (b,)
    run : ndarray of int32, shape (b,)
        Its pass.
    """
    begun, _ = passes.from_ends(passes.length_m)
    stretch = (begun // block_m).astype(np.int64)
    key = passes.run.astype(np.int64) * (int(stretch.max(initial=0)) + 1) + stretch
    kinds, block = np.unique(key, return_inverse=True)
    block = block.ravel()
    count = np.bincount(block)
    points = np.column_stack([np.bincount(block, axis) / count for axis in passes.points_m.T])
    run = np.zeros(len(kinds), np.int32)
    run[block] = passes.run
    return points, np.bincount(block, value) / count, run


def pass_offsets(points_m: _Floats, value: _Floats, run: NDArray[np.int32], *, reach_m: float) -> tuple[_Floats, float]:
    """
    How far each pass reads above its neighbours on either side.

    Parameters
    ----------
    points_m : ndarray, shape (b, 2)
        Middle of each stretch. [m]
    value : ndarray, shape (b,)
    run : ndarray of int32, shape (b,)
        Pass of each stretch.
    reach_m : float
        How far to look for other passes; three swaths or so. [m]

    Returns
    -------
    offset : ndarray, shape (passes,)
        In the unit of the values; 0 where a pass has no neighbours on both sides.
    left : float
        Variance of an offset that stays unknown: waves over many passes, which neighbours cannot tell from the field.

    Notes
    -----
    A stretch less the mean of its neighbours in other passes, averaged over a pass, is the pass's offset less that of
    its neighbours, plus what the field does between passes. Offsets are taken as random, alike in all passes; their
    variance and the field's part are found by maximum likelihood, and the offsets are the best linear prediction.

    References
    ----------
    Robinson (1991), That BLUP is a good thing: the estimation of random effects, Statistical Science 6, 15–32. That
    yields differ from load to load and machine to machine: Arslan & Colvin (2002), Precision Agriculture 3, 135–154.
    """
    passes = int(run.max(initial=-1)) + 1
    none = np.zeros(passes), 0.0
    if passes < _FEWEST:
        return none
    found = Near.of(points_m, run).neighbours(
        np.arange(len(value)), wanted=_NEIGHBOURS, reach_m=reach_m, strangers_only=True
    )
    known = found >= 0
    weight = known / np.maximum(known.sum(axis=1, keepdims=True), 1)
    lean = np.einsum("ij,ijk->ik", weight, points_m[found] - points_m[:, None, :])
    some = known.any(axis=1) & (np.hypot(*lean.T) <= reach_m / 6)  # neighbours on both sides: a slope cancels out
    count = np.bincount(run[some], minlength=passes)
    rows = np.flatnonzero(count >= _FEWEST)
    if len(rows) < _FEWEST:
        return none
    gap = value[some] - (weight[some] * np.where(known[some], value[found[some]], 0.0)).sum(axis=1)
    gaps = (np.bincount(run[some], gap, passes) / np.maximum(count, 1))[rows]
    pair = run[some].astype(np.int64)[:, None] * passes + run[found[some]]
    beside = np.bincount(pair.ravel(), weight[some].ravel(), passes * passes).reshape(passes, passes)
    differences = np.eye(passes)[rows] - beside[rows] / count[rows, None]
    # passes of more stretches count for more
    scale = np.sqrt(count[rows] / count[rows].mean())
    return _predicted(differences * scale[:, None], gaps * scale)


def _predicted(differences: _Floats, gaps: _Floats) -> tuple[_Floats, float]:
    """Random effects from their noisy differences, both variances by maximum likelihood; and what stays unknown."""
    from scipy.optimize import minimize_scalar

    values, vectors = np.linalg.eigh(differences @ differences.T)
    turned = vectors.T @ gaps

    def cost(log_ratio: float) -> float:
        spread = np.exp(log_ratio) * np.maximum(values, 0.0) + 1.0
        return float(len(gaps) * np.log(np.mean(turned**2 / spread)) + np.log(spread).sum())

    found = minimize_scalar(cost, bounds=(-12.0, 8.0), method="bounded")
    if found.x < -11.0 or not np.any(gaps):
        return np.zeros(differences.shape[1]), 0.0
    ratio = float(np.exp(found.x))
    spread = ratio * np.maximum(values, 0.0) + 1.0
    noise = float(np.mean(turned**2 / spread))
    offset = ratio * differences.T @ (vectors @ (turned / spread))
    explained = ratio**2 * noise * np.sum((differences.T @ vectors) ** 2 / spread, axis=1)
    return offset, max(float(np.mean(ratio * noise - explained)), 0.0)
