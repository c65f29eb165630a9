"""From ledger to outlines against k-means and polygons of the same cells: `python tests/benchmarks/zones.py`.

The peer: scikit-learn k-means with 4 classes on z-scores of the three layers, then rasterio's polygons of the classes,
neither tidied nor smoothed. Ours: the ledger, 1 to 8 zones cut and tidied, the number chosen, outlines as a coverage.
Targets: 160,000 cells in 1.5 s; 1,000,000 cells in 12 s and 1.5 GB.
"""

import resource
import statistics
import time
from collections.abc import Callable

import numpy as np
import rasterio.features
import shapely
from scipy.ndimage import gaussian_filter
from sklearn.cluster import KMeans

from vrn.model.grid import Grid, share_inside
from vrn.nitrogen import method
from vrn.zones import draw

ROUNDS = 3


def _seconds(work: Callable[[], object]) -> float:
    """Median time of some rounds."""
    taken = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def _layers(side: int) -> list[np.ndarray]:
    """Nitrate, organic matter and yield goal with structure over a tenth of the field, and a little scatter."""
    rng = np.random.default_rng(side)
    made = []
    for mean, spread in ((13.0, 4.0), (3.0, 0.5), (220.0, 22.0)):
        smooth = gaussian_filter(rng.normal(size=(side, side)), side / 20)
        made.append(np.maximum(mean + spread * (smooth / smooth.std() + 0.2 * rng.normal(size=(side, side))), 0.1))
    return made


def _compare(side: int) -> None:
    nitrate_ppm, organic_matter_pct, yield_goal = _layers(side)
    grid = Grid(crs="EPSG:32615", west_m=500_000.0, north_m=4_650_000.0, cell_m=5.0, rows=side, cols=side)
    west, south, east, north = grid.bounds_m
    pond = shapely.Point(west + 2 * side, south + 2 * side).buffer(60.0)
    treated = shapely.box(west + 13, south + 7, east - 20, north - 9).difference(pond)
    share = share_inside(grid, treated)

    def ours() -> object:
        ledger = method("remaining-need").need(
            nitrate_ppm=nitrate_ppm.ravel(), organic_matter_pct=organic_matter_pct.ravel(),
            yield_goal_bu_ac=yield_goal.ravel(), growth_stage="V8", top_in=0.0, bottom_in=12.0,
        )  # fmt: skip
        need = np.clip(np.asarray(ledger.unclipped_lb_ac), 0.0, 200.0).reshape(grid.shape)
        return draw(need, grid=grid, share=share, treated=treated, least_patch_m2=2000.0, least_width_m=18.288,
                    step=5.0, value_se=np.full(grid.shape, 12.0))  # fmt: skip

    def peer() -> object:
        columns = np.column_stack([layer.ravel() for layer in (nitrate_ppm, organic_matter_pct, yield_goal)])
        scores = (columns - columns.mean(axis=0)) / columns.std(axis=0)
        classes = KMeans(n_clusters=4, n_init=1, random_state=0).fit_predict(scores).reshape(grid.shape)
        return list(rasterio.features.shapes(classes.astype("int32")))

    took, others = _seconds(ours), _seconds(peer)
    memory_gb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{side * side:>9,} cells   ours {took:6.2f} s   peer {others:6.2f} s   {took / others:5.2f} ×   "
          f"most memory so far {memory_gb:.2f} GB")  # fmt: skip


def main() -> None:
    """Print both sizes."""
    for side in (400, 1000):
        _compare(side)


if __name__ == "__main__":
    main()
