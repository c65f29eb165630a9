"""Yield potential from harvest logs: cleaned, levelled, kriged to the grid year by year, and the years combined."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.errors import CrsMismatchError, InputFileError
from vrn.findings import Finding, Quantity, note
from vrn.model.grid import Grid
from vrn.model.layers import YieldLog, YieldLogLayer
from vrn.model.surface import Harvest, HarvestLog, Surface, SurfaceChoice
from vrn.surface.estimators import local_variogram
from vrn.surface.nearby import USUAL_NEIGHBORS, local_kriging
from vrn.surface.yield_cleaning import CleanLog, clean
from vrn.surface.yield_passes import HarvestPasses, Near

_REACH_SWATHS = 3.0
_LITTLE_GROUND = 0.5  # share of the grid that a harvest should cover
BLOCK_M = 5.0
_NEIGHBOURS = 16
_FEWEST = 4  # blocks of a pass, and passes
_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class YieldPotential:
    """Where a field yields more and less, from its harvests."""

    surface: Surface  # relative yield, 1 on average over the ground that was harvested; NaN where no harvest reaches
    seasons: dict[str, _Floats]  # relative yield of each season, shape (rows, cols)
    # harvest records in each cell, and how many of them cleaning left out, shape (rows, cols)
    records: NDArray[np.intp]
    removed: NDArray[np.intp]  # shape (rows, cols)

    def left_out(self) -> Surface:
        """Share of each cell's harvest records that cleaning left out, over all seasons; NaN where none fell. [%]"""
        share = np.full(self.records.shape, np.nan)
        np.divide(100.0 * self.removed, self.records, out=share, where=self.records > 0)
        return Surface(name="harvest_left_out_pct", grid=self.surface.grid, values=share, chosen="count of records")


def yield_potential(layer: YieldLogLayer, grid: Grid, *, name: str | None = None) -> YieldPotential:
    """Clean harvest logs and bring them onto the grid as relative yield.

    `layer`: logs of one season or several; files of one season are one harvest. `name`: name of the surface; the
    layer's when not given. Raises CrsMismatchError if the layer is in another system. Raises InputFileError if there is
    no log, or too little of one is left after cleaning. Raises MissingExtraError if the extra ``dense`` is not
    installed.

    Records are averaged over 5 m of a pass, each pass is levelled with its neighbours, and the stretches are kriged
    from the nearest 24 with the nugget filtered. Each season is divided by its mean. With three seasons or more the
    highest and the lowest are left out of each cell's mean.

    Source: Blackmore (2000), The interpretation of trends from multiple yield maps, Computers and Electronics in
    Agriculture 26, 37–51 (years made relative before they are combined).
    """
    if layer.crs != grid.crs:
        problem = f"{layer.source}: layer {layer.name} is in {layer.crs}, the grid in {grid.crs}."
        raise CrsMismatchError(problem, "Read it with vrn.read_field, which reprojects it.")
    if not layer.logs:
        problem = f"{layer.source}: there is no harvest log."
        raise InputFileError(problem, "Name its files under layers.yield_potential.files.")
    records, removed = np.zeros((2, *grid.shape), np.intp)
    harvests, of_logs, means, errors, relative_by_season = [], [], [], [], {}
    for season, logs in _by_season(layer.logs).items():
        cleaned = [clean(log) for log in logs]
        for one in cleaned:
            records += _in_cells(one.log.coordinates_m, grid)
            removed += _in_cells(one.log.coordinates_m[one.reason > 0], grid)
        relative, se, harvest, found = _one_season(season, cleaned, grid)
        relative_by_season[season] = relative
        means.append(relative)
        errors.append(se)
        harvests.append(harvest)
        of_logs += found
    values, se = _combined(np.array(means), np.array(errors))
    if not np.isfinite(values).any():
        problem = f"{layer.source}: no harvest record lies on the field."
        raise InputFileError(problem, "Check that the logs are of this field.")
    name = name or layer.name
    findings = [note("surface.harvests", name, seasons=", ".join(relative_by_season))]
    if len(relative_by_season) == 1:
        findings.append(note("surface.one-season", name))
    surface = Surface(
        name=name, grid=grid, values=values, se=se,
        chosen=f"harvest logs of {len(relative_by_season)} season{'s' if len(relative_by_season) > 1 else ''}",
        choice=SurfaceChoice(source=layer.source, harvests=tuple(harvests), years_alike=layer.alike(means)),
        findings=(*findings, *of_logs),
    )  # fmt: skip
    return YieldPotential(surface=surface, seasons=relative_by_season, records=records, removed=removed)


def _by_season(logs: tuple[YieldLog, ...]) -> dict[str, list[YieldLog]]:
    """Logs of one season together; a log that does not say its season stands alone."""
    seasons: dict[str, list[YieldLog]] = {}
    for log in logs:
        seasons.setdefault(log.source if log.season is None else str(log.season), []).append(log)
    return dict(sorted(seasons.items()))


def _one_season(season: str, cleaned: list[CleanLog], grid: Grid) -> tuple[_Floats, _Floats, Harvest, list[Finding]]:
    """Relative yield and standard error on the grid, and what was done."""
    points, value, run = [], [], []
    passes = 0
    for one in cleaned:
        where, mean, of_pass = block_means(one.passes, one.yield_bu_ac)
        points.append(where)
        value.append(mean)
        run.append(of_pass + passes)
        passes += int(of_pass.max()) + 1
    places, stretches, of_pass = np.concatenate(points), np.concatenate(value), np.concatenate(run)
    swath_m = float(np.median([one.swath_m for one in cleaned]))
    offset, left_over = pass_offsets(places, stretches, of_pass, reach_m=_REACH_SWATHS * swath_m)
    level = stretches - offset[of_pass]
    variogram = local_variogram(places, level)
    estimate, variance = local_kriging(
        places, level, grid.centers_m(), variogram=variogram.without_nugget(), neighbors=USUAL_NEIGHBORS,
        error_variance=variogram.nugget,
    )  # fmt: skip
    reached = _reached(places, grid, _REACH_SWATHS * max(swath_m, BLOCK_M))
    mean_bu_ac = float(estimate[reached].mean()) if reached.any() else np.nan
    relative = np.where(reached, estimate / mean_bu_ac, np.nan).reshape(grid.shape)
    se = np.where(reached, np.sqrt(variance + left_over) / mean_bu_ac, np.nan).reshape(grid.shape)
    share = float(reached.mean())
    findings = [finding for one in cleaned for finding in one.findings]
    if share < _LITTLE_GROUND:
        findings.append(note("surface.harvest-covers", cleaned[0].log.source, share=Quantity("share", share)))
    harvest = Harvest(
        season=season, mean_bu_ac=mean_bu_ac, covered_share=share, stretches=len(level),
        pass_offset_sd_bu_ac=float(offset.std()), variogram=variogram,
        logs=tuple(
            HarvestLog(
                source=one.log.source, records=len(one.log), kept=len(one.passes), removed=one.removed(),
                delay_records=one.delay_steps, passes=int(one.passes.run.max()) + 1, swath_m=one.swath_m,
            )
            for one in cleaned
        ),
    )  # fmt: skip
    return relative, se, harvest, findings


def _combined(seasons: _Floats, errors: _Floats) -> tuple[_Floats, _Floats]:
    """Mean over the seasons of each cell, from three on without the highest and the lowest, and its standard error."""
    known = np.isfinite(seasons)
    count = known.sum(axis=0)
    total = np.where(known, seasons, 0.0).sum(axis=0)
    trim = count >= 3
    for extreme, nothing in ((np.max, -np.inf), (np.min, np.inf)):
        total -= np.where(trim, extreme(np.where(known, seasons, nothing), axis=0), 0.0)
    of = np.where(trim, count - 2, count)
    mean = np.divide(total, of, out=np.full(count.shape, np.nan), where=of > 0)
    # seasons share what the grid smooths away, so their kriging errors do not average out
    kriging = np.divide(
        np.where(known, errors**2, 0.0).sum(axis=0), count, out=np.full(count.shape, np.nan), where=count > 0
    )
    spread = np.where(known, (seasons - mean) ** 2, 0.0).sum(axis=0)
    between = np.divide(spread, count * (count - 1.0), out=np.zeros(count.shape), where=count > 1)
    return mean, np.sqrt(kriging + between)


def _reached(points: _Floats, grid: Grid, reach_m: float) -> NDArray[np.bool_]:
    """Cells whose centre lies within reach of a stretch that was harvested."""
    from scipy.spatial import cKDTree

    distance, _ = cKDTree(points).query(grid.centers_m(), distance_upper_bound=reach_m)
    return np.asarray(np.isfinite(distance))


def _in_cells(places: _Floats, grid: Grid) -> NDArray[np.intp]:
    """Records counted by cell; those without a place are in no cell."""
    row, col, inside = grid.cells_of(places)
    return np.bincount((row * grid.cols + col)[inside], minlength=grid.rows * grid.cols).reshape(grid.shape)


def block_means(
    passes: HarvestPasses, value: _Floats, *, block_m: float = BLOCK_M
) -> tuple[_Floats, _Floats, NDArray[np.int32]]:
    """Average records over stretches of a pass.

    `block_m`: length of a stretch. Returns `points_m` (b, 2): middle of each stretch; `run` (b,): its pass.
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
    """How far each pass reads above its neighbours on either side.

    `points_m` (b, 2): middle of each stretch. `run` (b,): pass of each stretch. `reach_m`: how far to look for other
    passes; three swaths or so. Returns `offset` (passes,): in the unit of the values; 0 where a pass has no neighbours
    on both sides; `left`: variance of an offset that stays unknown: waves over many passes, which neighbours cannot
    tell from the field.

    A stretch less the mean of its neighbours in other passes, averaged over a pass, is the pass's offset less that of
    its neighbours, plus what the field does between passes. Offsets are taken as random, alike in all passes; their
    variance and the field's part are found by maximum likelihood, and the offsets are the best linear prediction.

    Source: Robinson (1991), That BLUP is a good thing: the estimation of random effects, Statistical Science 6, 15–32.
    That yields differ from load to load and machine to machine: Arslan & Colvin (2002), Precision Agriculture 3,
    135–154.
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
