"""The scale on which a surface is made, brought back without bias, and draws of Gaussian fields."""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.model.variogram import Variogram
from vrn.surface.kriging import covariance_between
from vrn.surface.places import Places

Scale = Literal["plain", "square root", "logarithm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Transform:
    """A scale to interpolate on.

    With y the estimate on the scale and s² its variance, the way back is exp(y + s²/2) and y² + s²: the mean of what
    may be there. Error of the readings that was filtered on the scale is put back by
    half its variance (logarithm) or its variance (square root), so that the surface is that of mean readings.

    Source: Cressie (1993), Statistics for Spatial Data, rev. ed., § 3.2.2; Journel & Huijbregts (1978), Mining
    Geostatistics, § VIII.A (lognormal kriging).

    The mean of a lognormal with median 10 and log-variance 0.5 is 10 · exp(0.25):

    >>> mean, se = Transform(scale="logarithm").back(np.array([math.log(10.0)]), np.array([0.5]))
    >>> mean.round(4).tolist(), se.round(4).tolist()
    ([12.8403], [10.342])
    """

    scale: Scale = "plain"

    def applies(self, values: NDArray[np.float64]) -> bool:
        """Whether every value has a place on the scale."""
        return self.scale == "plain" or bool((values > 0).all())

    def forward(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Values on the scale."""
        if self.scale == "logarithm":
            return np.log(values)
        return np.sqrt(values) if self.scale == "square root" else values

    def places(self, places: Places) -> Places:
        """Places with their values on the scale, and the variance of their known errors by the slope at the value."""
        if self.scale == "plain":
            return places
        values, variance = places.values, places.error_variance
        slope = 1.0 / values if self.scale == "logarithm" else 0.5 / np.sqrt(values)
        return replace(
            places, values=self.forward(values), error_variance=None if variance is None else variance * slope**2
        )

    def log_slope(self, values: NDArray[np.float64]) -> float:
        """Sum of ln |d scale / d value|: what the likelihood gains by the change of scale itself."""
        if self.scale == "logarithm":
            return -float(np.log(values).sum())
        if self.scale == "square root":
            return -0.5 * float(np.log(values).sum()) - len(values) * math.log(2.0)
        return 0.0

    def back(
        self, estimate: NDArray[np.float64], variance: NDArray[np.float64], noise: float = 0.0
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Mean and standard error in the unit of the values.

        `estimate`, `variance` (m,): on the scale. `noise`: variance of the readings' error, filtered on the scale.
        """
        if self.scale == "logarithm":
            mean = np.exp(estimate + 0.5 * variance + 0.5 * noise)
            return mean, mean * np.sqrt(np.expm1(variance))
        if self.scale == "square root":
            mean = np.maximum(estimate**2 + variance + noise, 0.0)
            return mean, np.sqrt(4.0 * estimate**2 * variance + 2.0 * variance**2)
        return estimate, np.sqrt(variance)

    def back_draw(self, draw: NDArray[np.float32], noise: float) -> NDArray[np.float32]:
        """Draws of the field on the scale, in the unit of the values; written into the array they came in."""
        if self.scale == "logarithm":
            draw += np.float32(0.5 * noise)
            return np.exp(draw, out=draw)
        if self.scale == "square root":
            draw *= draw
            draw += np.float32(noise)
        return draw


_MOST_PADDING = 3.0
_AT_ONCE = 2_048  # readings
_NODES = 4  # a reading is drawn from the 4 × 4 cell centres around it


def gaussian_fields(
    grid: Grid, points_m: NDArray[np.float64], *, variogram: Variogram, count: int, rng: np.random.Generator
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Draw Gaussian fields of mean 0 at all cell centres and at some points.

    `points_m` (p, 2). `variogram`: its nugget is left out. Returns `at_cells` (count, rows × cols); `at_points` (count,
    p).

    Cells by circulant embedding; where the embedding is not positive (long ranges) its negative eigenvalues are set to
    0 and the rest scaled to the right variance. Points from the 16 cell centres around them by simple kriging, with
    what those leave open drawn independently.

    Source: Dietrich & Newsam (1997), Fast and exact simulation of stationary Gaussian processes through circulant
    embedding of the covariance matrix, SIAM J. Sci. Comput. 18, 1088–1107; Wood & Chan (1994), J. Comput. Graph. Stat.
    3, 409–432.
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
    grid: Grid, points_m: NDArray[np.float64], variogram: Variogram, cells: NDArray[np.float32],
    rng: np.random.Generator,
) -> NDArray[np.float64]:  # fmt: skip
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
    values = np.empty((len(cells), len(points_m)))
    for start in range(0, len(points_m), _AT_ONCE):
        some = slice(start, start + _AT_ONCE)
        values[:, some] = np.einsum("kpn,pn->kp", cells[:, node[some]], weights[some])
    values += np.sqrt(left) * rng.standard_normal(values.shape)
    return values
