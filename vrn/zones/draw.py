"""Zones drawn on the need, by fuzzy classes of layers where they are meant to last, or as the user brings them."""

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import CrsMismatchError, InputFileError
from vrn.model.grid import Grid
from vrn.model.layers import PolygonLayer
from vrn.response.payoff import Payoff
from vrn.units import AC_M2
from vrn.zones.cut import fuzzy_c_means, indices_of, memberships_of, optimal_cuts, smoothed
from vrn.zones.finish import ZoneGround, finalize_zones
from vrn.zones.model import FuzzyIndices, Zones, ZonesReport
from vrn.zones.outline import as_multi, dissolved, faces_of, gaps_filled, labels_of

Array = NDArray[np.float64]
_MOST_IN_INDICES = 5_000  # cells; they need no more
_LEAST_SAVING = 0.03  # of the step of the rate, that one more zone must save
_MOST_IN_CLASSES = 40_000  # cells they are found on; then every cell goes to the nearest


def draw(
    values: NDArray[np.float64], *, grid: Grid, share: NDArray[np.float64], treated: shapely.Geometry,
    least_patch_m2: float, least_width_m: float, step: float, count: int | None = None, max_count: int = 8,
    value_se: NDArray[np.float64] | None = None, losses: Payoff | None = None, smooth_m: float | None = None,
    tolerance_m: float | None = None, least_saving: float | None = None,
) -> Zones:  # fmt: skip
    """
    Zones that leave the least misallocated: the value is smoothed, cut where it pays most, and tidied to be driven.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        What a cell should get; NaN where unknown. [lb/ac]
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
    losses : Payoff, optional
        What rates lose at the user's prices: zones are then cut and counted in that, not in misallocated pounds.
    smooth_m : float, optional
        Standard deviation of the Gaussian kernel; half the least width when not given. [m]
    tolerance_m : float, optional
        Of the outlines; a cell when not given. [m]
    least_saving : float, optional
        What one more zone must save; three hundredths of the step when not given: a choice of this project. [lb/ac]

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
    smooth_m = least_width_m / 2.0 if smooth_m is None else smooth_m
    ground = ZoneGround(
        grid=grid, share=share, treated=treated, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        tolerance_m=grid.cell_m if tolerance_m is None else tolerance_m,
        step=step, least_saving=_LEAST_SAVING * step if least_saving is None else least_saving,
    )  # fmt: skip
    ground.check(values, count, max_count)
    known = np.isfinite(values) & (share > 0)
    even = smoothed(values, share, sd_cells=smooth_m / grid.cell_m)
    cuts = optimal_cuts(even[known], share[known], max(max_count, count or 1), losses=losses)
    candidates = [
        _least_misallocated(values, share, _means(even[known], share[known], cut), sd_cells=smooth_m / grid.cell_m)
        for cut in cuts
    ]
    return finalize_zones(
        candidates, values=values, even=even, value_se=value_se, ground=ground, count=count, max_count=max_count,
        losses=losses,
        report=ZonesReport(
            by="need", reason="asked", drawn=0, smooth_m=smooth_m, indices=_indices(even[known], share[known], cuts)
        ),
    )  # fmt: skip


def _means(even: Array, area: Array, cut: Array) -> Array:
    """Mean of each class between cuts; classes without a value left out. Shape (k,)."""
    which = np.searchsorted(cut, even, side="right")
    held = np.bincount(which, area, len(cut) + 1)
    total = np.bincount(which, area * even, len(cut) + 1)
    means: Array = total[held > 0] / held[held > 0]
    return means


def _least_misallocated(values: Array, share: Array, means: Array, *, sd_cells: float) -> NDArray[np.int32]:
    """Class of each cell: the one whose value leaves least misallocated around it; 0 where unknown."""
    best = np.full(values.shape, np.inf)
    labels = np.zeros(values.shape, dtype=np.int32)
    for number, mean in enumerate(means, start=1):
        cost = smoothed(np.abs(values - mean), share, sd_cells=sd_cells)
        better = cost < best
        labels[better] = number
        best[better] = cost[better]
    return labels


def _indices(even: Array, area: Array, cuts: list[Array]) -> tuple[FuzzyIndices, ...]:
    """Fuzziness index and normalised entropy of memberships about the zones' means, on an even sample of the cells."""
    every = max(1, -(-len(even) // _MOST_IN_INDICES))
    sample, weight = even[::every], area[::every]
    rows = []
    for cut in cuts[1:]:
        means = _means(sample, weight, cut)
        if len(means) > 1:
            rows.append(indices_of(len(means), memberships_of(sample[:, None], means[:, None]), weight))
    return tuple(rows)


def by_layers(
    values: Array, columns: Sequence[Array], *, grid: Grid, share: Array, treated: shapely.Geometry,
    least_patch_m2: float, least_width_m: float, step: float, extra: Sequence[tuple[Array, float]] = (),
    exponent: float = 1.5, count: int | None = None, max_count: int = 8, value_se: Array | None = None,
    losses: Payoff | None = None, smooth_m: float | None = None, tolerance_m: float | None = None,
    least_saving: float | None = None,
) -> Zones:  # fmt: skip
    """
    Zones by fuzzy c-means on several layers.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        What a cell should get: for the choice of how many, and to number the zones. [lb/ac]
    columns : sequence of ndarray, shape (rows, cols)
        Layers in pounds, as the ledger's lines: they are compared pound by pound. Constant ones do not matter. [lb/ac]
    grid, share, treated, least_patch_m2, least_width_m, step, count, max_count, value_se, losses, smooth_m, \
tolerance_m, least_saving
        As for ``draw``.
    extra : sequence of (ndarray, float)
        Layers in any unit with their weight: 1 counts as much as the columns do on average.
    exponent : float
        Fuzziness of the classes.

    Returns
    -------
    zones : Zones
        ``report.indices``: fuzziness index and normalised entropy for 2 … ``max_count`` classes.

    Raises
    ------
    OutOfRangeError
        As for ``draw``.

    Examples
    --------
    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=200.0, cell_m=10.0, rows=20, cols=20)
    >>> soil = np.where(np.arange(20) < 10, -40.0, -70.0) * np.ones((20, 1))
    >>> zones = by_layers(200.0 + soil, [soil], grid=grid, share=np.ones((20, 20)), count=2,
    ...                   treated=shapely.box(0, 0, 200, 200), least_patch_m2=2000.0, least_width_m=20.0, step=5.0)
    >>> [round(outline.area) for outline in zones.outlines]
    [20000, 20000]
    """
    smooth_m = least_width_m / 2.0 if smooth_m is None else smooth_m
    ground = ZoneGround(
        grid=grid, share=share, treated=treated, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        tolerance_m=grid.cell_m if tolerance_m is None else tolerance_m,
        step=step, least_saving=_LEAST_SAVING * step if least_saving is None else least_saving,
    )  # fmt: skip
    ground.check(values, count, max_count)
    layers = [*columns, *(layer for layer, _ in extra)]
    known = (share > 0) & np.isfinite(values) & np.all([np.isfinite(layer) for layer in layers], axis=0)

    def evened(layer: Array) -> Array:
        return smoothed(np.where(known, layer, np.nan), share, sd_cells=smooth_m / grid.cell_m)

    even = evened(values)
    others = [(evened(layer)[known], weight) for layer, weight in extra]
    data = _scaled([evened(layer)[known] for layer in columns], others, share[known])
    every = max(1, -(-len(data) // _MOST_IN_CLASSES))
    sample, area = data[::every], share[known][::every]
    candidates: list[NDArray[np.int32]] = []
    indices: list[FuzzyIndices] = []
    for k in range(1, max(max_count, count or 1) + 1):
        labels = np.where(known, 1, 0).astype(np.int32)
        if k > 1 and len(np.unique(sample, axis=0)) >= k:
            classes = fuzzy_c_means(sample, k, exponent=exponent, weights=area, tolerance=1e-4, most_steps=200)
            labels[known] = 1 + np.argmax(memberships_of(data, classes.centers, exponent=exponent), axis=1)
            indices.append(indices_of(k, classes.memberships, area))
        candidates.append(labels)
    return finalize_zones(
        candidates, values=np.where(known, values, np.nan), even=even, value_se=value_se, ground=ground, count=count,
        max_count=max_count, losses=losses,
        report=ZonesReport(
            by="layers", reason="asked", drawn=0, smooth_m=smooth_m, exponent=exponent, indices=tuple(indices)
        ),
    )  # fmt: skip


def _scaled(columns: list[Array], extra: list[tuple[Array, float]], area: Array) -> Array:
    """Columns as they are; extra layers with the columns' usual spread times their weight. Shape (n, p)."""

    def spread(values: Array) -> float:
        return float(np.sqrt(np.average((values - np.average(values, weights=area)) ** 2, weights=area)))

    spreads = [spread(column) for column in columns]
    usual = (
        float(np.sqrt(np.mean(np.square([s for s in spreads if s > 1e-9])))) if max(spreads, default=0) > 1e-9 else 1.0
    )
    kept = [column for column, s in zip(columns, spreads, strict=True) if s > 1e-9]
    for layer, weight in extra:
        own = spread(layer)
        if own > 1e-9 * max(1.0, float(np.abs(layer).max())):
            kept.append((layer - np.average(layer, weights=area)) / own * usual * weight)
    return np.column_stack(kept) if kept else np.zeros((len(area), 1))


_SMALL_SHARE = 0.02  # of the treated ground: gaps and overlaps up to this are drawing, beyond it a mistake


def from_polygons(layer: PolygonLayer, *, grid: Grid, share: NDArray[np.float64], treated: shapely.Geometry) -> Zones:
    """
    The user's own zones, clipped to the treated ground.

    Parameters
    ----------
    layer : PolygonLayer
        Polygons with a zone number or any other number as value; equal values are one zone.
    share : ndarray, shape (rows, cols)
    treated : shapely Polygon or MultiPolygon
        In the grid's system.

    Returns
    -------
    zones : Zones
        1 … k in the order of the user's numbers, which ``report.own_number`` keeps.

    Raises
    ------
    CrsMismatchError
        If the polygons are not in the grid's system.
    InputFileError
        If they leave more than 2 % of the treated ground uncovered, or overlap on more than 2 %.

    Notes
    -----
    Narrow gaps go to the neighbour with which they share most edge, narrow overlaps to the lower number.

    Examples
    --------
    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=20.0, cell_m=10.0, rows=2, cols=4)
    >>> halves = np.array([shapely.box(0, 0, 20, 20), shapely.box(20, 0, 40, 20)])
    >>> layer = PolygonLayer(name="zone", crs="EPSG:32615", polygons=halves, values=np.array([4.0, 2.0]), source="own")
    >>> zones = from_polygons(layer, grid=grid, share=np.ones((2, 4)), treated=shapely.box(0, 0, 40, 20))
    >>> zones.labels.tolist(), zones.report.own_number
    ([[2, 2, 1, 1], [2, 2, 1, 1]], (2, 4))
    """
    if layer.crs != grid.crs:
        problem = f"The zones of {layer.source} are in {layer.crs}, the field in {grid.crs}."
        raise CrsMismatchError(problem, "Read them with vrn.read_field, which reprojects them.")
    order = np.argsort(layer.values, kind="stable")
    values = layer.values[order]
    numbers = np.unique(values)
    if not np.isfinite(values).all() or len(numbers) == 0:
        problem = f"{layer.source}: {int((~np.isfinite(values)).sum())} of {len(values)} zones have no number."
        raise InputFileError(problem, "Give every polygon a number in the column named by zones.column.")
    polygons = np.array([as_multi(polygon) for polygon in shapely.make_valid(layer.polygons[order])], dtype=object)
    faces = faces_of([*shapely.boundary(polygons), shapely.boundary(treated)], treated)
    at, which = shapely.STRtree(polygons).query(shapely.point_on_surface(faces), predicate="intersects")
    zone_index = np.searchsorted(numbers, values) + 1
    zone_of = np.zeros(len(faces), dtype=np.int32)
    for face, polygon in sorted(zip(at.tolist(), which.tolist(), strict=True), reverse=True):
        zone_of[face] = zone_index[polygon]  # the last written, and so the one that stays, is the lowest number
    area = shapely.area(faces)
    owners = np.zeros(len(faces), dtype=np.intp)
    np.add.at(owners, at, 1)
    _refuse(layer.source, "leave uncovered", area[owners == 0].sum(), shapely.area(treated))
    twice = np.array([len(set(zone_index[which[at == face]].tolist())) > 1 for face in range(len(faces))])
    _refuse(layer.source, "cover twice", area[twice].sum(), shapely.area(treated))
    outlines = dissolved(faces, gaps_filled(faces, zone_of), np.arange(len(numbers) + 1, dtype=float), 0.0)
    kept = sorted(outlines)
    ordered = tuple(outlines[zone] for zone in kept)
    return Zones(
        labels=labels_of(ordered, grid=grid, share=share),
        outlines=ordered,
        report=ZonesReport(
            by="file", reason="own-file", drawn=len(kept), source=layer.source,
            own_number=tuple(_plain(float(numbers[zone - 1])) for zone in kept),
            filled_ac=float(area[owners == 0].sum()) / AC_M2, overlap_ac=float(area[twice].sum()) / AC_M2,
        ),
    )  # fmt: skip


def _plain(number: float) -> int | float:
    return int(number) if number.is_integer() else number


def _refuse(source: str, what: str, area_m2: float, treated_m2: float) -> None:
    """Refuse gaps or overlaps that are more than drawing."""
    if area_m2 > _SMALL_SHARE * treated_m2:
        problem = (
            f"{source}: the zones {what} {area_m2 / AC_M2:.2f} ac, {area_m2 / treated_m2:.0%} of the treated ground."
        )
        raise InputFileError(
            problem,
            "Draw a zone for ground that gets nitrogen, name ground that does not in [[field.no_apply]], "
            "and let no two zones overlap.",
        )


def split_zones(zones: dict[int, shapely.Geometry], line: shapely.LineString) -> dict[int, shapely.Geometry]:
    """Zones after a line was drawn through one of them: its smaller part is a zone of its own, with the next number.

    The zone that the line runs through longest is split. InputFileError if it does not cut that zone in two.

    >>> halves = split_zones({1: shapely.box(0, 0, 4, 1)}, shapely.LineString([(1, -1), (1, 2)]))
    >>> {zone: float(shapely.area(part)) for zone, part in halves.items()}
    {1: 3.0, 2: 1.0}
    """
    from shapely.ops import split

    through = max(zones, key=lambda zone: shapely.length(shapely.intersection(zones[zone], line)))
    pieces = [piece for part in shapely.get_parts(zones[through]) for piece in split(part, line).geoms]
    whole = len(shapely.get_parts(zones[through]))
    if len(pieces) <= whole:
        problem = "The line does not cut a zone in two."
        raise InputFileError(problem, "Begin and end it outside the zone.")
    smallest = min(pieces, key=shapely.area)
    rest = shapely.union_all([piece for piece in pieces if piece is not smallest])
    return {**zones, through: rest, max(zones) + 1: smallest}


def merge_zones(zones: dict[int, shapely.Geometry], one: int, other: int) -> dict[int, shapely.Geometry]:
    """Zones with two of them made one, under the lower number."""
    if one == other or not {one, other} <= set(zones):
        problem = "Merging takes two zones of the field."
        raise InputFileError(problem, "Choose two zones.")
    low, high = sorted((one, other))
    merged = shapely.union_all([zones[low], zones[high]])
    return {zone: merged if zone == low else part for zone, part in zones.items() if zone != high}


def move_ground(zones: dict[int, shapely.Geometry], ground: shapely.Geometry, to: int) -> dict[int, shapely.Geometry]:
    """Zones after the ground that was drawn around went to one of them; a zone that it was all of is gone.

    >>> halves = {1: shapely.box(0, 0, 2, 1), 2: shapely.box(2, 0, 4, 1)}
    >>> moved = move_ground(halves, shapely.box(1, -1, 2, 2), 2)
    >>> {zone: float(shapely.area(part)) for zone, part in moved.items()}
    {1: 1.0, 2: 3.0}
    """
    ground = shapely.intersection(shapely.make_valid(ground), shapely.union_all(list(zones.values())))
    if to not in zones or shapely.area(ground) == 0:
        problem = "No ground of the field was drawn around, or the zone is not there."
        raise InputFileError(problem, "Draw around ground inside the field, and choose one of its zones.")
    left = {zone: shapely.union_all([part, ground]) if zone == to else shapely.difference(part, ground)
            for zone, part in zones.items()}  # fmt: skip
    return {zone: part for zone, part in left.items() if shapely.area(part) > 0}
