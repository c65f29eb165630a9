"""From candidate labels to zones: tidied, the number chosen, outlined, and labelled again by the outlines."""

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import counted
from vrn.model.grid import Grid
from vrn.zones.choose import misallocated, worth_it, zone_means
from vrn.zones.model import ZoneChoice, Zones
from vrn.zones.outline import outlines_of
from vrn.zones.smooth import surroundings
from vrn.zones.tidy import tidied

Array = NDArray[np.float64]
Labels = NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """
    What zones are drawn on, and what the machine can answer.

    Parameters
    ----------
    grid : Grid
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated, 0 … 1.
    treated : shapely Polygon or MultiPolygon
    least_patch_m2, least_width_m, tolerance_m : float
        [m²], [m], [m]
    step, least_saving : float
        [lb/ac]
    """

    grid: Grid
    share: Array
    treated: shapely.Geometry
    least_patch_m2: float
    least_width_m: float
    tolerance_m: float
    step: float
    least_saving: float


def finished(
    candidates: list[Labels],
    *,
    values: Array,
    even: Array,
    value_se: Array | None,
    ground: Ground,
    count: int | None,
    max_count: int,
    cost_per_unit: float | None,
    details: dict[str, object],
) -> Zones:
    """
    Zones from candidate labels for 1, 2, 3 … zones.

    Parameters
    ----------
    candidates : list of ndarray of int, shape (rows, cols)
        Not yet tidied; 0 where unknown or not treated.
    values, even : ndarray, shape (rows, cols)
        What a cell should get, as it is and smoothed; NaN where unknown. [lb/ac]
    value_se : ndarray, shape (rows, cols), or None
        [lb/ac]
    ground : Ground
    count : int or None
        Forced number.
    max_count : int
        Most zones to choose from when nothing is forced.
    cost_per_unit : float or None
        [$/lb]
    details : dict
        Goes into the zones' details.

    Returns
    -------
    zones : Zones
    """
    share, grid = ground.share, ground.grid
    known = np.isfinite(values) & (share > 0)
    unknown = _unknown_ground(share, known, grid.cell_m2, ground.least_patch_m2)
    weights = share[known]
    se = None if value_se is None else value_se[known]
    ring = max(1, round(ground.least_width_m / grid.cell_m))
    expected = surroundings(values, share, inner_cells=ring, outer_cells=2 * ring)[known]

    drawn: list[tuple[Labels, int]] = []
    choices: list[ZoneChoice] = []
    saved: list[tuple[float, float]] = []
    gaps: list[float] = []
    for k, raw in enumerate(candidates, start=1):
        labels, merged = _spread(raw, share), 0
        if k > 1:
            labels, merged = tidied(
                labels, even, share, cell_m=grid.cell_m,
                least_patch_m2=ground.least_patch_m2, least_width_m=ground.least_width_m,
            )  # fmt: skip
        means = zone_means(labels, values, share)
        given = means[labels[known]]
        left = misallocated(values[known], given, weights, se)
        round_about = misallocated(expected, given, weights, se)
        if k == 1:
            base, base_round_about = left, round_about
        # a zone must save against the cells and against what their surroundings expect: scatter passes only the first,
        # the blur along an edge only the second
        saved.append((base - left, base_round_about - round_about))
        cost = None if cost_per_unit is None else left * cost_per_unit
        choices.append(
            ZoneChoice(
                zones=k,
                misallocated_lb_ac=left if se is None else misallocated(values[known], given, weights, None),
                survives_lb_ac=None if se is None else min(saved[-1]),
                cost_per_ac=cost,
            )
        )
        present = np.sort(means[np.isfinite(means)])
        gaps.append(float(np.diff(present).min()) if len(present) == k > 1 else 0.0)
        drawn.append((labels, merged))

    if count is None:
        chosen, why = worth_it(saved[:max_count], gaps, least_saving=ground.least_saving, least_gap=ground.step)
    else:
        chosen, why = count, f"{counted(count, 'zone')}: asked for."
    labels, merged = drawn[chosen - 1]
    labels, zone_values = by_rising_value(np.where(unknown, 0, labels).astype(np.int32), values, share)
    if unknown.any():
        labels = np.where(unknown, len(zone_values), labels).astype(np.int32)
        zone_values = np.append(zone_values, np.nan)
    found = outlines_of(
        labels, grid=grid, treated=ground.treated, tolerance_m=ground.tolerance_m,
        least_patch_m2=ground.least_patch_m2, zone_values=zone_values,
    )  # fmt: skip
    outlines = tuple(found[zone] for zone in sorted(found))
    if count is not None and len(outlines) != count:
        why = f"{counted(len(outlines), 'zone')}: {count} were asked for, the values and the least patch allow no more."
    return Zones(
        labels=labels_of(outlines, grid=grid, share=share),
        outlines=outlines,
        choice=tuple(choices),
        chosen_by=why,
        details={
            **details,
            "drawn": len(outlines),
            "least_patch_m2": float(ground.least_patch_m2),
            "least_width_m": float(ground.least_width_m),
            "tolerance_m": float(ground.tolerance_m),
            "least_saving_lb_ac": float(ground.least_saving),
            "saved_lb_ac": [float(min(pair)) for pair in saved],
            "patches_merged": merged,
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
