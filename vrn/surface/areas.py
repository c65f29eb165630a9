"""Composites of areas on the grid: by area-to-point kriging, or each area's value in all of its cells."""

import functools
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import note
from vrn.model.grid import Grid
from vrn.model.surface import Surface, SurfaceChoice
from vrn.surface.choose import judged
from vrn.surface.estimators import MEAN, Mean, mixed
from vrn.surface.layers import filled, overlaps, polygons_on
from vrn.surface.likelihood import Likely, posterior
from vrn.surface.places import Places, one_blas_thread, places_of
from vrn.surface.transform import gaussian_fields

if TYPE_CHECKING:
    from scipy.sparse import csr_array

AREA_KRIGING: Final = "area-to-point kriging"
FEWEST_AREAS: Final = 12  # below it the areas do not tell how far a pattern reaches
_MOST_AREAS: Final = 300
_WORST: Final = 1e3  # condition of the areas' own ground: above it areas lie on one another
_HELD: Final = 50  # rounds in which ground held at 0 is made up for within its area

_Floats = NDArray[np.float64]


@one_blas_thread
def areas_on_grid(
    areas: Mapping[str, shapely.Geometry], values: Mapping[str, float], grid: Grid, *, name: str = "nitrate_ppm",
    se: Mapping[str, float] | None = None, drift: Sequence[Surface] = (), use_mean_only: bool = False,
) -> Surface:  # fmt: skip
    """
    Surface of composites that each stand for an area, whose mean over each area is the area's value.

    Parameters
    ----------
    areas : mapping of str to polygon
        Outlines in the grid's system.
    values : mapping of str to float
        Value of each area, in the unit of ``name``; an area without one, or with NaN, stays unknown.
    se : mapping of str to float, optional
        Standard error of each value. It is not smoothed out: it widens the surface's error and its draws.
    drift : sequence of Surface
        Surfaces on the same grid that the values may follow, as far as the areas support it.
    use_mean_only : bool, default False
        No layer shows a pattern (`pattern_evidence`): each area has its value in all of its cells.

    Notes
    -----
    Area-to-point kriging: the covariance of an area's value is the mean covariance of its cells, so that the mean of
    the estimates over an area is its datum. Twelve exponential variograms count alike, picked by the likelihood of the
    areas' values (`posterior`). Their nugget is what an area has as a whole, in all of its cells alike: with nothing
    else it is `area_means`. Surface and draws come from the same twelve; a draw's areas are off by their own error.
    With fewer than 12 areas, more than 300, or areas that lie on one another, it is `area_means`.

    References
    ----------
    Kyriakidis (2004), A geostatistical framework for area-to-point spatial interpolation, Geographical Analysis 36,
    259–289.
    """
    plain = area_means(areas, values, grid, name=name, se=se)
    names = [key for key in areas if np.isfinite(values.get(key, np.nan))]
    if len(names) < FEWEST_AREAS:
        few = note("surface.few-areas", name, areas=len(names), least=FEWEST_AREAS)
        return replace(plain, findings=(*plain.findings, few))
    system = None
    if not use_mean_only and len(names) <= _MOST_AREAS and np.ptp([values[key] for key in names]) > 0:
        system = _AreaKriging.of(
            np.array([areas[key] for key in names], dtype=object), np.array([values[key] for key in names]),
            np.array([0.0 if se is None else se.get(key, 0.0) for key in names]) ** 2, grid, drift,
        )  # fmt: skip
    if system is None:
        return plain
    made, unknown = system.surface(), ~np.isfinite(plain.values)
    mean, every = Mean.of(system.places), np.arange(len(names))
    candidates = tuple(
        judged(*one, places=system.places, mean=mean, held=every)
        for one in ((MEAN, mean.estimate, None), (AREA_KRIGING, made.left_out, made.left_out_variance))
    )
    findings = [one for one in plain.findings if one.code == "surface.areas-silent"]
    findings.append(note("surface.area-to-point", name, areas=len(names)))
    if made.below:
        findings.append(note("surface.held-at-zero", name, cells=made.below))
    choice = replace(
        plain.choice or SurfaceChoice(), candidates=candidates, loo_rmse=candidates[1].rmse,
        mean_rmse=candidates[0].rmse, variogram=system.likely[0].variogram, range_m=system.range_m,
    )  # fmt: skip
    return Surface(
        name=name, grid=grid, values=np.where(unknown, np.nan, made.cells.reshape(grid.shape)),
        se=np.where(unknown, np.nan, made.se.reshape(grid.shape)), chosen=AREA_KRIGING, choice=choice,
        findings=tuple(findings), draws=_KrigedDraws(system=system, unknown=unknown),
    )  # fmt: skip


class _Made(NamedTuple):
    cells: _Floats  # estimates, shape (cells,)
    se: _Floats
    left_out: _Floats  # each area from the others, shape (n,)
    left_out_variance: _Floats
    below: int  # cells held at 0


@dataclass(frozen=True, kw_only=True, eq=False)
class _AreaKriging:
    """Kriging of cells from areas, averaged over the variograms that the areas allow."""

    grid: Grid
    places: Places  # an inner point of each area, with its value
    share: "csr_array"  # of an area's ground that lies in a cell, shape (n, cells)
    own: "csr_array"  # of a cell's covered ground that is the area's, shape (n, cells)
    drift: _Floats  # layers that the values may follow, by their spread between areas, shape (q, cells)
    likely: tuple[Likely, ...] = ()

    @classmethod
    def of(
        cls, polygons: NDArray[np.object_], values: _Floats, variance: _Floats, grid: Grid, drift: Sequence[Surface]
    ) -> "_AreaKriging | None":
        """The system of some areas; None where some hold no ground of the grid, or lie on one another."""
        from scipy.sparse import coo_array

        which, cell, area = overlaps(polygons, grid)
        shape = len(polygons), grid.rows * grid.cols
        whole, covered = np.bincount(which, area, shape[0]), np.bincount(cell, area, shape[1])
        if not whole.all():
            return None
        share = coo_array((area / whole[which], (which, cell)), shape=shape).tocsr()
        own = coo_array((area / covered[cell], (which, cell)), shape=shape).tocsr()
        inner = shapely.get_coordinates(shapely.point_on_surface(polygons))
        places = places_of(inner, values, variance if variance.any() else None)
        if len(places) < len(values) or np.linalg.cond((share @ own.T).toarray()) > _WORST:
            return None
        layers = []
        for surface in drift:
            layer = np.where(np.isfinite(surface.values), surface.values, np.nanmean(surface.values)).ravel()
            means = share @ layer
            if np.ptp(means) > 0:
                layers.append((layer - means.mean()) / means.std())
        made = cls(grid=grid, places=places, share=share, own=own, drift=np.array(layers).reshape(-1, shape[1]))
        order = np.argsort(places.place)

        def correlation(range_m: float) -> _Floats:
            return np.asarray(share @ made._correlation(range_m).T)[np.ix_(order, order)]

        found = posterior(places, (share @ made.drift.T) if layers else None, correlation)
        return replace(made, likely=found.likely)

    @property
    def range_m(self) -> float:
        """Median distance to which the variograms tell."""
        return float(np.median([one.variogram.reach_m for one in self.likely if one.variogram.range_m] or [0.0]))

    @property
    def variance(self) -> _Floats:
        """Of the values' error, shape (n,)."""
        known = self.places.error_variance
        return np.zeros(len(self.places.values)) if known is None else known

    @functools.cached_property
    def _waves(self) -> "tuple[tuple[int, int], NDArray[np.complex128]]":
        """Size of a torus around the grid, and the areas' shares on it in waves."""
        from scipy import fft

        rows, cols = self.grid.shape
        torus = fft.next_fast_len(2 * rows, real=True), fft.next_fast_len(2 * cols, real=True)
        return torus, np.array([fft.rfft2(one.toarray().reshape(rows, cols), s=torus) for one in self.share])

    def _correlation(self, range_m: float) -> _Floats:
        """Mean correlation of each area's cells with every cell, exponential, shape (n, cells)."""
        from scipy import fft

        torus, waves = self._waves
        down, across = (np.minimum(np.arange(size), size - np.arange(size)) * self.grid.cell_m for size in torus)
        kernel = fft.rfft2(np.exp(-np.hypot(down[:, None], across) / range_m))
        rows, cols = self.grid.shape
        return np.array([fft.irfft2(wave * kernel, s=torus)[:rows, :cols].ravel() for wave in waves])

    def _system(self, one: Likely) -> tuple[_Floats, _Floats, _Floats]:
        """Covariances of areas and cells, shape (n, cells); weights, alike; and Σ⁻¹ less the mean's part, (n, n)."""
        variogram, own = one.variogram, (self.share @ self.own.T).toarray()
        near = self.own.T.dot(variogram.nugget * own.T).T  # what an area has as a whole
        if variogram.range_m:
            near += variogram.partial_sill * self._correlation(variogram.range_m)
        if one.slope_variance:
            near += one.slope_variance * (self.share @ self.drift.T) @ self.drift
        inverse = np.linalg.inv(self.share @ near.T)
        mean = inverse.sum(axis=1) / inverse.sum()
        contrast = inverse - np.outer(mean, inverse.sum(axis=0))
        return near, contrast @ near + mean[:, None], contrast

    def surface(self) -> _Made:
        """Estimates whose mean over each area is its value, nowhere below 0 where no value is."""
        values, variance, found, left = self.places.values, self.variance, [], []
        for one, times in Counter(self.likely).items():
            near, weights, contrast = self._system(one)
            of_cell = one.variogram.partial_sill + one.variogram.nugget * (self.own**2).sum(axis=0)
            of_cell = of_cell + one.slope_variance * (self.drift**2).sum(axis=0)
            kept = of_cell - 2.0 * np.einsum("nc,nc->c", weights, near)
            kept += np.einsum("nc,nc->c", weights, (self.share @ near.T) @ weights) + variance @ weights**2
            share, own = times / len(self.likely), contrast.diagonal()
            found.append((share, values @ weights, np.sqrt(np.maximum(kept, 0.0))))
            left.append((share, values - contrast @ values / own, np.sqrt(1.0 / own + variance)))
        cells, squared = mixed(found)
        below = int((cells < 0).sum()) if values.min() >= 0 else 0
        return _Made(self._held(cells) if below else cells, np.sqrt(squared), *mixed(left), below)

    def _held(self, cells: _Floats) -> _Floats:
        """Cells below 0 held there, and what that adds taken from the rest of the same area."""
        values, covered = self.places.values, np.asarray(self.own.sum(axis=0))
        for _ in range(_HELD):
            cells = np.maximum(cells, 0.0)
            means = self.share @ cells
            factor = np.divide(values, means, out=np.ones_like(values), where=means > 0)
            cells = cells * (self.own.T @ factor + (1.0 - covered))
        return cells

    @one_blas_thread
    def draws(self, count: int, rng: np.random.Generator) -> NDArray[np.float32]:
        """Fields that the areas allow, each area off by its own error, shape (count, cells)."""
        drawn = np.empty((count, self.grid.rows * self.grid.cols), np.float32)
        times = Counter(self.likely)
        edges = np.rint(np.cumsum([0, *times.values()]) * count / len(self.likely)).astype(int)
        for one, first, last in zip(times, edges[:-1], edges[1:], strict=True):
            some = (last - first, len(self.places.values))
            fields, _ = gaussian_fields(
                self.grid, np.empty((0, 2)), variogram=one.variogram, count=some[0], rng=rng
            )  # fmt: skip
            fields += self.own.T.dot(np.sqrt(one.variogram.nugget) * rng.standard_normal(some).T).T
            slopes = np.sqrt(one.slope_variance) * rng.standard_normal((some[0], len(self.drift)))
            fields += slopes @ self.drift
            off = self.places.values + np.sqrt(self.variance) * rng.standard_normal(some) - (self.share @ fields.T).T
            drawn[first:last] = fields + off @ self._system(one)[1]
        return drawn


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _KrigedDraws:
    """Draws of area-to-point kriging, in the cells that are known."""

    system: _AreaKriging
    unknown: NDArray[np.bool_]  # shape (rows, cols)

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        """Shape (count, rows, cols) of the grid's blocks of ``step`` × ``step`` cells, at their middles."""
        grid = self.system.grid
        drawn = self.system.draws(count, np.random.default_rng(seed))
        drawn[:, self.unknown.ravel()] = np.nan
        blocks = grid.blocks(step)
        row, col, _ = grid.cells_of(blocks.centers_m())
        return drawn[:, row * grid.cols + col].reshape(count, *blocks.shape)


def area_means(
    areas: Mapping[str, shapely.Geometry], values: Mapping[str, float], grid: Grid, *, name: str = "nitrate_ppm",
    se: Mapping[str, float] | None = None,
) -> Surface:  # fmt: skip
    """Surface of composites that each stand for an area: the area's value in every cell, and no more detail than that.

    `areas`: outlines in the grid's system. `values`: value of each area, in the unit of ``name``; an area without one,
    or with NaN, stays unknown. `se`: standard error of each value. A cell on the line between areas takes their mean by
    area. ``se`` and ``draws`` are None unless ``se`` is given; an area is drawn as off by its own error in all of its
    cells alike. Raises InputFileError if a value names an area that is not there, or no area lies on the grid.

    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=10.0, cell_m=10.0, rows=1, cols=3)
    >>> halves = {"A": shapely.box(0, 0, 15, 10), "B": shapely.box(15, 0, 30, 10)}
    >>> area_means(halves, {"A": 8.0, "B": 14.0}, grid).values.tolist()
    [[8.0, 11.0, 14.0]]
    """
    strangers = sorted(set(values) - set(areas))
    if strangers:
        problem = f"Readings name areas that are not in the areas' file: {', '.join(strangers[:5])}."
        raise InputFileError(problem, f"Correct area_id; the file has {', '.join(sorted(areas)[:8])}.")
    names = [key for key in areas if np.isfinite(values.get(key, np.nan))]
    polygons = np.array([areas[key] for key in names], dtype=object)
    cells, covered = polygons_on(polygons, np.array([values[key] for key in names], dtype=float), grid)
    if not np.isfinite(cells).any():
        problem = "No area with a reading lies on the field."
        raise InputFileError(problem, "Check the areas' file and its coordinate system.")
    errors = None
    if se is not None:
        of_area = np.array([se.get(key, np.nan) for key in names], dtype=float)
        errors = filled(polygons_on(polygons, of_area, grid)[0], 1.0)[0]
    whole, near = filled(cells, 1.0)
    silent = sorted(set(areas) - set(names))
    findings = [note("surface.area-means", name)]
    if silent:
        findings.append(note("surface.areas-silent", name, areas=", ".join(silent[:8])))
    draws = None
    if se is not None:
        findings.append(note("surface.area-error", name))
        area = shapely.STRtree(polygons).nearest(shapely.points(grid.centers_m())).reshape(grid.shape)
        draws = AreaDraws(grid=grid, values=whole, area=area, se=np.nan_to_num(of_area))
    choice = SurfaceChoice(
        areas=len(names), areas_without_reading=tuple(silent), covered_share=float(covered.mean()),
        cells_from_nearest=near,
    )  # fmt: skip
    return Surface(
        name=name, grid=grid, values=whole, se=errors, chosen="area means", choice=choice, findings=tuple(findings),
        draws=draws,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AreaDraws:
    """Draws of areas that each have one value: ``area`` numbers the area of every cell, ``se`` is each area's error."""

    grid: Grid
    values: NDArray[np.float64]
    area: NDArray[np.intp]
    se: NDArray[np.float64]

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        """Shape (count, rows, cols) of the grid's blocks of ``step`` × ``step`` cells, at their middles."""
        blocks = self.grid.blocks(step)
        row, col, _ = self.grid.cells_of(blocks.centers_m())
        off = np.random.default_rng(seed).standard_normal((count, len(self.se))) * self.se
        drawn = self.values[row, col] + off[:, self.area[row, col]]
        return drawn.astype(np.float32).reshape(count, *blocks.shape)
