"""Draws of what the field may be: Gaussian fields on the grid, to be tied to the readings."""

import numpy as np
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.model.variogram import Variogram
from vrn.surface.kriging import covariance_between

_MOST_PADDING = 3.0
_NODES = 4  # a reading is drawn from the 4 × 4 cell centres around it


def gaussian_fields(
    grid: Grid, points_m: NDArray[np.float64], *, variogram: Variogram, count: int, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """
    Draw Gaussian fields of mean 0 at all cell centres and at some points.

    Parameters
    ----------
    grid : Grid
    points_m : ndarray, shape (p, 2)
        [m]
    variogram : Variogram
        Its nugget is left out.
    count : int
        Number of draws.
    rng : Generator

    Returns
    -------
    at_cells : ndarray of float32, shape (count, rows × cols)
    at_points : ndarray, shape (count, p)

    Notes
    -----
    Cells by circulant embedding; where the embedding is not positive (long ranges) its negative eigenvalues are set to
    0 and the rest scaled to the right variance. Points from the 16 cell centres around them by simple kriging, with
    what those leave open drawn independently.

    References
    ----------
    Dietrich & Newsam (1997), Fast and exact simulation of stationary Gaussian processes through circulant embedding of
    the covariance matrix, SIAM J. Sci. Comput. 18, 1088–1107; Wood & Chan (1994), J. Comput. Graph. Stat. 3, 409–432.
    """
    if not (variogram.partial_sill and count):
        return np.zeros((count, grid.rows * grid.cols), np.float32), np.zeros((count, len(points_m)))
    from scipy import fft

    root = _embedding_root(grid, variogram)
    fields = np.empty((count, grid.rows, grid.cols), np.float32)
    for k in range(0, count, 2):
        noise = rng.standard_normal((2, *root.shape), dtype=np.float32)
        pair = fft.fft2(root * (noise[0] + 1j * noise[1]), workers=-1)[: grid.rows, : grid.cols]
        fields[k] = pair.real
        if k + 1 < count:
            fields[k + 1] = pair.imag
    cells = fields.reshape(count, -1)
    return cells, _at_points(grid, points_m, variogram, cells, rng) if len(points_m) else np.empty((count, 0))


def _embedding_root(grid: Grid, variogram: Variogram) -> NDArray[np.float32]:
    """Square roots of the eigenvalues of the covariance on a torus, over the root of its size."""
    from scipy import fft

    padding = 2.0
    while True:
        rows, cols = (fft.next_fast_len(int(np.ceil(padding * n))) for n in grid.shape)
        down = np.minimum(np.arange(rows), rows - np.arange(rows)) * grid.cell_m
        across = np.minimum(np.arange(cols), cols - np.arange(cols)) * grid.cell_m
        if variogram.anisotropy_ratio != 1.0:  # the torus keeps the sign of each lag
            down = np.where(np.arange(rows) <= rows // 2, down, -down)
            across = np.where(np.arange(cols) <= cols // 2, across, -across)
        east, north = np.meshgrid(across, -down)
        lags = np.column_stack([east.ravel(), north.ravel()])
        covariance = covariance_between(lags, np.zeros((1, 2)), variogram).reshape(rows, cols)
        eigenvalues = fft.fft2(covariance).real
        if eigenvalues.min() >= -1e-6 * eigenvalues.max() or padding >= _MOST_PADDING:
            break
        padding += 0.5
    eigenvalues = np.maximum(eigenvalues, 0.0)
    eigenvalues *= variogram.partial_sill * rows * cols / eigenvalues.sum()
    return np.asarray(np.sqrt(eigenvalues / (rows * cols)), dtype=np.float32)


def _at_points(
    grid: Grid,
    points_m: NDArray[np.float64],
    variogram: Variogram,
    cells: NDArray[np.float32],
    rng: np.random.Generator,
) -> NDArray[np.float64]:
    """Values at points given those of the cell centres around them."""
    first_row = np.floor((grid.north_m - points_m[:, 1]) / grid.cell_m - 0.5).astype(int) - _NODES // 2 + 1
    first_col = np.floor((points_m[:, 0] - grid.west_m) / grid.cell_m - 0.5).astype(int) - _NODES // 2 + 1
    tall, wide = min(_NODES, grid.rows), min(_NODES, grid.cols)
    rows = np.clip(first_row, 0, grid.rows - tall)[:, None, None] + np.arange(tall)[:, None]
    cols = np.clip(first_col, 0, grid.cols - wide)[:, None, None] + np.arange(wide)
    node = (rows * grid.cols + cols).reshape(len(points_m), -1)
    centers = np.stack([grid.eastings_m()[node % grid.cols], grid.northings_m()[node // grid.cols]], axis=-1)
    among = covariance_between(centers[0], centers[0], variogram)  # the same around every point
    among.flat[:: len(among) + 1] += 1e-9 * variogram.partial_sill
    apart = (centers - points_m[:, None, :]).reshape(-1, 2)
    near = covariance_between(apart, np.zeros((1, 2)), variogram).reshape(len(points_m), -1)
    weights = np.linalg.solve(among, near.T).T
    left = np.maximum(variogram.partial_sill - np.sum(weights * near, axis=1), 0.0)
    values: NDArray[np.float64] = np.einsum("kpn,pn->kp", cells[:, node], weights)
    values += np.sqrt(left) * rng.standard_normal(values.shape)
    return values
