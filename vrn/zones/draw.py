"""From cells to zones: smooth, cut, tidy, choose how many, outline."""

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.field.grid import Grid
from vrn.zones.choose import misallocated, worth_it, zone_means
from vrn.zones.cut import optimal_cuts
from vrn.zones.model import ZoneChoice, Zones
from vrn.zones.outline import outlines_of
from vrn.zones.smooth import smoothed
from vrn.zones.tidy import tidied


def draw(
    values: NDArray[np.float64],
    *,
    grid: Grid,
    share: NDArray[np.float64],
    treated: shapely.Geometry,
    least_patch_m2: float,
    least_width_m: float,
    step: float,
    count: int | None = None,
    max_count: int = 8,
    value_se: NDArray[np.float64] | None = None,
    cost_per_unit: float | None = None,
    smooth_m: float | None = None,
    tolerance_m: float | None = None,
    least_saving: float | None = None,
) -> Zones:
    """
    Zones that leave the least misallocated: the value is smoothed, cut where it pays most, and tidied to be driven.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        What a cell should get; NaN where unknown. [lb/ac]
    grid : Grid
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated, 0 … 1.
    treated : shapely Polygon or MultiPolygon
        Ground to draw on, in the grid's system.
    least_patch_m2 : float
        No patch is smaller, unless it stands alone. [m²]
    least_width_m : float
        No neck is narrower, to within a cell. [m]
    step : float
        Step of the rate: zones nearer to each other than this are not told apart. [lb/ac]
    count : int, optional
        Number of zones, whatever it saves; fewer only where the values or the least patch allow no more.
    max_count : int
        Most zones tried.
    value_se : ndarray, shape (rows, cols), optional
        Standard error of the values; a saving counts only as far as it outlives that error. [lb/ac]
    cost_per_unit : float, optional
        What a misallocated pound costs. [$/lb]
    smooth_m : float, optional
        Standard deviation of the Gaussian kernel; half the least width when not given. [m]
    tolerance_m : float, optional
        Of the outlines; one and a half cells when not given. [m]
    least_saving : float, optional
        What one more zone must save; a tenth of the step when not given: a choice of this project. [lb/ac]

    Returns
    -------
    zones : Zones
        1 … k by rising value. Unknown ground larger than the least patch is a zone of its own, the last.

    Raises
    ------
    OutOfRangeError
        If no value on the treated ground is known, or shapes or numbers make no sense.

    Examples
    --------
    Half the field needs 80, half 140 lb/ac, and two zones leave nothing to save:

    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=200.0, cell_m=10.0, rows=20, cols=20)
    >>> need = np.where(np.arange(20) < 10, 80.0, 140.0) * np.ones((20, 1))
    >>> zones = draw(need, grid=grid, share=np.ones((20, 20)), treated=shapely.box(0, 0, 200, 200),
    ...              least_patch_m2=2000.0, least_width_m=20.0, step=5.0)
    >>> [round(outline.area) for outline in zones.outlines], zones.choice[1].misallocated_lb_ac
    ([20000, 20000], 0.0)
    """
    _checked(values, grid, share, step, count, max_count)
    known = np.isfinite(values) & (share > 0)
    smooth_m = least_width_m / 2.0 if smooth_m is None else smooth_m
    tolerance_m = 1.5 * grid.cell_m if tolerance_m is None else tolerance_m
    least_saving = step / 10.0 if least_saving is None else least_saving
    even = smoothed(values, share, sd_cells=smooth_m / grid.cell_m)
    most = max(max_count, count or 1)
    cuts = optimal_cuts(even[known], share[known], most)
    unknown = _unknown_ground(share, known, grid.cell_m2, least_patch_m2)

    choices: list[ZoneChoice] = []
    gaps: list[float] = []
    drawn: list[NDArray[np.int32]] = []
    merged: list[int] = []
    se = None if value_se is None else value_se[known]
    weights = share[known]
    base = 0.0
    for k in range(1, most + 1):
        labels = np.where(known, np.searchsorted(cuts[k - 1], np.where(known, even, 0.0), side="right") + 1, 0)
        labels, gone = tidied(
            _spread(labels.astype(np.int32), share), even, share,
            cell_m=grid.cell_m, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        ) if k > 1 else (np.where(share > 0, 1, 0).astype(np.int32), 0)  # fmt: skip
        means = zone_means(labels, values, share)
        present = np.sort(means[np.isfinite(means)])
        given = means[labels[known]]
        left = misallocated(values[known], given, weights, None)
        expected = left if se is None else misallocated(values[known], given, weights, se)
        base = expected if k == 1 else base
        choices.append(
            ZoneChoice(
                zones=k,
                misallocated_lb_ac=left,
                survives_lb_ac=None if se is None else base - expected,
                cost_per_ac=None if cost_per_unit is None else expected * cost_per_unit,
            )
        )
        gaps.append(float(np.diff(present).min()) if len(present) == k and k > 1 else 0.0)
        drawn.append(labels)
        merged.append(gone)

    chosen, why = worth_it(choices[:max_count], gaps, least_saving=least_saving, least_gap=step)
    if count is not None:
        chosen, why = count, f"{count} zones: asked for."
    labels = np.where(unknown, 0, drawn[chosen - 1]).astype(np.int32)
    labels, values_by_zone = by_rising_value(labels, values, share)
    if unknown.any():
        labels = np.where(unknown, len(values_by_zone), labels).astype(np.int32)
        values_by_zone = np.append(values_by_zone, np.nan)
    labels, outlines = settled(
        labels, grid=grid, share=share, treated=treated, tolerance_m=tolerance_m,
        least_patch_m2=least_patch_m2, zone_values=values_by_zone,
    )  # fmt: skip
    if count is not None and len(outlines) != count:
        why = f"{len(outlines)} zones: {count} were asked for, the values and the least patch allow no more."
    return Zones(
        labels=labels,
        outlines=outlines,
        choice=tuple(choices),
        chosen_by=why,
        details={
            "by": "need",
            "kernel": "Gaussian, cut off at three standard deviations",
            "smooth_m": float(smooth_m),
            "least_patch_m2": float(least_patch_m2),
            "least_width_m": float(least_width_m),
            "tolerance_m": float(tolerance_m),
            "least_saving_lb_ac": float(least_saving),
            "patches_merged": merged[chosen - 1],
            "unknown_zone": len(outlines) if unknown.any() else None,
            "unknown_share": float(share[(share > 0) & ~known].sum() / share.sum()),
        },
    )


def by_rising_value(
    labels: NDArray[np.int32], values: NDArray[np.float64], share: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """
    Zones numbered 1 … k without gaps, by rising mean value.

    Parameters
    ----------
    labels : ndarray of int, shape (rows, cols)
        0 off the treated ground.
    values, share : ndarray, shape (rows, cols)

    Returns
    -------
    labels : ndarray of int, shape (rows, cols)
    means : ndarray, shape (k + 1,)
        Mean of each zone at its number.

    Examples
    --------
    >>> labels, means = by_rising_value(np.array([[7, 7, 2, 0]]), np.array([[5.0, 5.0, 9.0, 0.0]]), np.ones((1, 4)))
    >>> labels.tolist(), means.tolist()
    ([[1, 1, 2, 0]], [nan, 5.0, 9.0])
    """
    means = zone_means(labels, values, share)
    present = np.unique(labels[labels > 0])
    order = present[np.argsort(means[present], kind="stable")]
    renumber = np.zeros(len(means), dtype=np.int32)
    renumber[order] = np.arange(1, len(order) + 1)
    return renumber[labels], np.concatenate([[np.nan], means[order]])


def settled(
    labels: NDArray[np.int32],
    *,
    grid: Grid,
    share: NDArray[np.float64],
    treated: shapely.Geometry,
    tolerance_m: float,
    least_patch_m2: float,
    zone_values: NDArray[np.float64],
) -> tuple[NDArray[np.int32], tuple[shapely.Geometry, ...]]:
    """
    Outlines of labelled cells, and the labels those outlines give back: what is drawn is what is counted.

    Parameters
    ----------
    labels, share : ndarray, shape (rows, cols)
    grid : Grid
    treated : shapely.Geometry
    tolerance_m : float
        [m]
    least_patch_m2 : float
        [m²]
    zone_values : ndarray, shape (k + 1,)

    Returns
    -------
    labels : ndarray of int, shape (rows, cols)
        Numbered 1 … k, without the zones that clipping left no ground; a cell belongs where its centre lies, an edge
        cell whose centre lies outside to the nearest.
    outlines : tuple of shapely MultiPolygon, length k
    """
    found = outlines_of(
        labels, grid=grid, treated=treated, tolerance_m=tolerance_m,
        least_patch_m2=least_patch_m2, zone_values=zone_values,
    )  # fmt: skip
    outlines = tuple(found[zone] for zone in sorted(found))
    return labels_of(outlines, grid=grid, share=share), outlines


def labels_of(outlines: tuple[shapely.Geometry, ...], *, grid: Grid, share: NDArray[np.float64]) -> NDArray[np.int32]:
    """
    Zone of each cell: where its centre lies; an edge cell whose centre lies outside goes with the nearest.

    Parameters
    ----------
    outlines : tuple of shapely MultiPolygon, length k
        In the grid's system.
    grid : Grid
    share : ndarray, shape (rows, cols)

    Returns
    -------
    labels : ndarray of int, shape (rows, cols)
        1 … k; 0 where no part of the cell is treated.
    """
    from affine import Affine
    from rasterio.features import rasterize

    if len(outlines) == 1:
        return np.where(share > 0, 1, 0).astype(np.int32)
    burnt = rasterize(
        [(outline, zone) for zone, outline in enumerate(outlines, start=1)],
        out_shape=grid.shape, transform=Affine(*grid.transform), fill=0, dtype="int32",
    )  # fmt: skip
    return _spread(np.asarray(burnt, dtype=np.int32), share)


def _spread(labels: NDArray[np.int32], share: NDArray[np.float64]) -> NDArray[np.int32]:
    """Labels on every treated cell and nowhere else: a cell without one takes the nearest."""
    from scipy.ndimage import distance_transform_edt

    if ((labels == 0) & (share > 0)).any():
        nearest = distance_transform_edt(labels == 0, return_distances=False, return_indices=True)
        labels = labels[tuple(nearest)]
    return np.where(share > 0, labels, 0).astype(np.int32)


def _unknown_ground(
    share: NDArray[np.float64], known: NDArray[np.bool_], cell_m2: float, least_patch_m2: float
) -> NDArray[np.bool_]:
    """Patches of unknown value too large to go with their neighbours."""
    from scipy.ndimage import label

    unknown = (share > 0) & ~known
    if not unknown.any():
        return unknown
    patch, _ = label(unknown)
    size = np.bincount(patch.ravel(), share.ravel() * cell_m2)
    large: NDArray[np.bool_] = (size >= least_patch_m2)[patch]
    return unknown & large


def _checked(
    values: NDArray[np.float64],
    grid: Grid,
    share: NDArray[np.float64],
    step: float,
    count: int | None,
    max_count: int,
) -> None:
    """Refuse what cannot be drawn on."""
    if values.shape != grid.shape or share.shape != grid.shape:
        problem = f"Values of shape {values.shape} and shares of {share.shape} do not lie on a grid of {grid.shape}."
        raise OutOfRangeError(problem, "Give one number for each cell.")
    if step <= 0 or max_count < 1 or (count is not None and count < 1):
        problem = f"Zones cannot be drawn with step {step}, count {count}, max_count {max_count}."
        raise OutOfRangeError(problem, "Give a step above 0 and at least one zone.")
    if not (np.isfinite(values) & (share > 0)).any():
        problem = "The need is unknown everywhere on the treated ground."
        raise OutOfRangeError(problem, "Check that the layers cover the field.")
