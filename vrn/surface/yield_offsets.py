"""Harvest records averaged along the pass, and what each pass reads above or below its neighbours."""

import numpy as np
from numpy.typing import NDArray

from vrn.surface.yield_near import Near
from vrn.surface.yield_passes import Passes

BLOCK_M = 5.0
UNTOLD_SHARE = 0.1  # of the offsets' variance: waves over many passes, which neighbours cannot tell from the field

_NEIGHBOURS = 16
_ROUNDS = 40
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


def pass_offsets(points_m: _Floats, value: _Floats, run: NDArray[np.int32], *, reach_m: float) -> _Floats:
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
        In the unit of the values; they average 0. Differences that reach over many passes are left to the field.

    Notes
    -----
    The value of a stretch less the mean of its neighbours in other passes, both less their pass's offset, averages 0
    over a pass: solved by 40 rounds of relaxation from 0, shrunk by what the scatter within a pass leaves in doubt.

    References
    ----------
    Arslan & Colvin (2002), Precision Agriculture 3, 135–154 (calibration that differs between loads and machines). The
    estimate is of this project.
    """
    passes = int(run.max(initial=-1)) + 1
    if passes < _FEWEST:
        return np.zeros(passes)
    found = Near.of(points_m, run).neighbours(
        np.arange(len(value)), wanted=_NEIGHBOURS, reach_m=reach_m, strangers_only=True
    )
    known = found >= 0
    some = known.any(axis=1)
    weight = known / np.maximum(known.sum(axis=1, keepdims=True), 1)
    beside = np.where(known, value[found], 0.0)
    gap = np.where(some, value - (weight * beside).sum(axis=1), 0.0)
    count = np.bincount(run, some, passes)
    enough = np.maximum(count, 1.0)
    mean_gap = np.bincount(run, gap * some, passes) / enough
    scatter = np.bincount(run, (gap - mean_gap[run]) ** 2 * some, passes).sum() / max(count.sum() - passes, 1.0)
    spread = max(float(np.average(mean_gap**2, weights=count)) - scatter * passes / max(count.sum(), 1.0), 0.0)
    if spread == 0.0:
        return np.zeros(passes)
    shrunk = np.where(count >= _FEWEST, spread / (spread + scatter / enough), 0.0)
    other = run[found]
    offset = np.zeros(passes)
    for _ in range(_ROUNDS):
        of_beside = (weight * offset[other]).sum(axis=1)
        wanted = np.bincount(run, (gap + of_beside) * some, passes) / enough
        offset += 0.5 * (shrunk * wanted - offset)
        offset -= np.average(offset, weights=enough)
    return offset
