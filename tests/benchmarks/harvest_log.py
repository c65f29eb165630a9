"""A simulated harvest over a field that is known, for benchmarks."""

import numpy as np

from vrn.model import Grid, YieldLog
from vrn.surface import Variogram
from vrn.surface.transform import gaussian_fields

SWATH_M = 9.1
SPEED_M_S = 1.6


def true_yield(*, size_m: float, cell_m: float, range_m: float, seed: int = 1) -> tuple[Grid, np.ndarray]:
    """Grid of a square field, and its yield, 200 ± 25 bu/ac, shape (rows, cols)."""
    side = int(size_m / cell_m)
    grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=size_m, cell_m=cell_m, rows=side, cols=side)
    variogram = Variogram(model="exponential", partial_sill=1.0, range_m=range_m)
    cells, _ = gaussian_fields(grid, np.empty((0, 2)), variogram=variogram, count=1, rng=np.random.default_rng(seed))
    return grid, (200.0 + 25.0 * cells[0]).reshape(grid.shape).astype(float)


def driven_log(
    grid: Grid, truth: np.ndarray, *, delay_s: int, offset_sd_bu_ac: float, noise_bu_ac: float, seed: int = 0
) -> YieldLog:
    """Passes to and fro, a record a second, late grain, an offset for each pass, one record in a hundred spoiled."""
    rng = np.random.default_rng(seed)
    size_m = grid.rows * grid.cell_m
    places, yields, times = [], [], []
    clock = 0.0
    for k, easting in enumerate(np.arange(SWATH_M / 2, size_m, SWATH_M)):
        northing = np.arange(0.8, size_m, SPEED_M_S)
        northing = northing[::-1] if k % 2 else northing
        where = np.column_stack([np.full(len(northing), easting), northing])
        row, col, _ = grid.cells_of(where)
        late = np.concatenate([np.full(delay_s, 20.0), truth[row, col]])[: len(northing)]
        places.append(where + rng.normal(0, 0.05, where.shape))
        yields.append(late + rng.normal(0, noise_bu_ac, len(late)) + rng.normal(0, offset_sd_bu_ac))
        times.append(clock + np.arange(len(northing)))
        clock = times[-1][-1] + 30.0
    value = np.concatenate(yields)
    value[rng.random(len(value)) < 0.01] *= 2.5
    return YieldLog(
        source="log.csv", season=2023, coordinates_m=np.vstack(places), yield_bu_ac=np.maximum(value, 0.0),
        time_s=np.concatenate(times), moisture_pct=rng.normal(17.0, 1.0, len(value)),
        swath_m=np.full(len(value), SWATH_M),
    )  # fmt: skip
