"""Readings at points onto the field's grid, with layers they may follow and with draws."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import note
from vrn.model.grid import Grid
from vrn.model.surface import Surface
from vrn.model.surface_choice import SurfaceChoice, SurfaceSlice
from vrn.surface.choose import interpolate
from vrn.surface.estimators import Estimator
from vrn.surface.places import points_of
from vrn.surface.threads import one_blas_thread

_APART: Final = 1_000_003  # between the seeds of surfaces that err independently


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GridDraws:
    """Draws of a surface of readings: fields that the readings allow, the same for the same seed."""

    estimator: Estimator
    grid: Grid
    drift: NDArray[np.float64] | None

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        """Shape (count, rows, cols) of the grid's blocks of ``step`` × ``step`` cells, at their middles."""
        blocks, drift = self.grid.blocks(step), self.drift
        if drift is not None and step > 1:
            row, col, _ = self.grid.cells_of(blocks.centers_m())
            drift = drift[row * self.grid.cols + col]
        draw = one_blas_thread(self.estimator.draws)
        return draw(blocks, drift, count, np.random.default_rng(seed)).reshape(count, *blocks.shape)


def points_on_grid(
    coordinates_m: ArrayLike,
    values: ArrayLike,
    grid: Grid,
    *,
    name: str,
    error_variance: ArrayLike | None = None,
    drift: Sequence[Surface] = (),
    use_mean_only: bool = False,
) -> Surface:
    """
    Surface of readings on the grid, as `interpolate` chooses it.

    Parameters
    ----------
    coordinates_m : array_like, shape (n, 2)
        Easting, northing of the readings. [m]
    values : array_like, shape (n,)
        In the unit that ends ``name``; NaN readings are left out, with a finding.
    grid : Grid
    name : str
    error_variance : array_like, shape (n,) or (), optional
        Known variance of each reading's error.
    drift : sequence of Surface
        Surfaces on the same grid that the values may follow; used only when readings left out say that it helps.
    use_mean_only : bool, default False
        As in `interpolate`.

    Returns
    -------
    surface : Surface
        With ``draws`` unless there is only one reading. Where no reading is below 0, neither is the surface: kriging's
        weights can be negative, and a drift can lead below what was read.

    Examples
    --------
    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=10.0, cell_m=10.0, rows=1, cols=2)
    >>> surface = points_on_grid([(5, 5), (15, 5)], [8.0, 12.0], grid, name="nitrate_ppm")
    >>> surface.chosen, surface.values.tolist(), surface.draws(100, seed=1).shape
    ('mean', [[10.0, 10.0]], (100, 1, 2))
    """
    points = points_of(coordinates_m)
    here = there = None
    if drift:
        layers = np.column_stack([surface.values.ravel() for surface in drift])
        row, col, _ = grid.cells_of(points)
        here, there = layers[row * grid.cols + col], layers
    made = interpolate(
        points, values, grid.centers_m(), error_variance=error_variance, drift=here, target_drift=there,
        use_mean_only=use_mean_only,
    )  # fmt: skip
    shape, cells = grid.shape, made.estimate
    findings = [replace(one, about=name) for one in made.findings]
    below = cells < 0
    if below.any() and np.nanmin(np.asarray(values, dtype=float)) >= 0:
        cells = np.where(below, 0.0, cells)
        findings.append(note("surface.held-at-zero", name, cells=int(below.sum())))
    return Surface(
        name=name, grid=grid, values=cells.reshape(shape), se=None if made.se is None else made.se.reshape(shape),
        predictive_se=None if made.predictive_se is None else made.predictive_se.reshape(shape), chosen=made.chosen,
        choice=made.choice, findings=tuple(findings),
        draws=None if made.se is None else GridDraws(estimator=made.estimator, grid=grid, drift=made.target_drift),
    )  # fmt: skip


def weighted_mean(surfaces: Sequence[Surface], weights: Sequence[float], *, name: str) -> Surface:
    """
    Mean of surfaces of one quantity, as of the layers of a profile by their thickness.

    Parameters
    ----------
    surfaces : sequence of Surface
        On one grid; their errors are taken as independent.
    weights : sequence of float
        Scaled to add up to 1.
    name : str

    Returns
    -------
    surface : Surface
        Its standard error and draws only where every part has them.

    Raises
    ------
    OutOfRangeError
        If there is no surface, lengths differ, or the weights do not add up to more than 0.
    """
    share = np.asarray(weights, dtype=float)
    if not len(surfaces) or len(share) != len(surfaces) or not share.sum() > 0:
        problem = f"{len(surfaces)} surfaces cannot be averaged with weights {list(weights)}."
        raise OutOfRangeError(problem, "Give one weight of 0 or more for each surface.")
    share = share / share.sum()
    parts = tuple(surfaces)
    findings = [one for part in parts for one in part.findings]
    return Surface(
        name=name,
        grid=parts[0].grid,
        values=np.asarray(sum(w * part.values for w, part in zip(share, parts, strict=True))),
        se=_mean_error([part.se for part in parts], share),
        predictive_se=_mean_error([part.predictive_se for part in parts], share),
        chosen=parts[0].chosen,
        choice=SurfaceChoice(
            slices=tuple(
                SurfaceSlice(weight=float(w), chosen=part.chosen, choice=part.choice or SurfaceChoice())
                for w, part in zip(share, parts, strict=True)
            )
        ),
        findings=tuple(one for k, one in enumerate(findings) if one not in findings[:k]),
        draws=_MeanDraws(parts=parts, share=tuple(share.tolist())) if all(part.draws for part in parts) else None,
    )


def _mean_error(errors: Sequence[NDArray[np.float64] | None], share: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Standard error of a weighted mean of independent parts; None where one is not known."""
    known = [error for error in errors if error is not None]
    if len(known) < len(errors):
        return None
    return np.asarray(np.sqrt(np.sum([(w * error) ** 2 for w, error in zip(share, known, strict=True)], axis=0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _MeanDraws:
    parts: tuple[Surface, ...]
    share: tuple[float, ...]

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        total = np.zeros((count, *self.parts[0].grid.blocks(step).shape), np.float32)
        for k, (part, weight) in enumerate(zip(self.parts, self.share, strict=True)):
            if part.draws is not None:
                total += np.float32(weight) * part.draws(count, seed=seed + _APART * k, step=step)
        return total
