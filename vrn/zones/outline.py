"""Outlines to drive: zones of cells as a valid coverage, its edges smoothed, clipped to the treated ground."""

from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid

_CLOSE = 1e-6  # of the treated area
_ROUNDS = 6  # of evening out; a corner moves by less than a cell


def outlines_of(
    labels: NDArray[np.int32], *, grid: Grid, treated: shapely.Geometry, tolerance_m: float,
    least_patch_m2: float = 0.0, zone_values: NDArray[np.float64] | None = None,
) -> dict[int, shapely.Geometry]:  # fmt: skip
    """Outline of each zone; shared edges are shared, and together they are the treated ground.

    `labels` (rows, cols): 0 off the treated ground. `treated`: in the grid's system. `tolerance_m`: corners that
    enclose less than this squared are dropped (Visvalingam and Whyatt), after the steps of the cells have been evened
    out; 0 keeps the steps. `least_patch_m2`: a part that clipping leaves smaller goes to the neighbour nearest in
    value, unless it stands alone. `zone_values` (k + 1,): value of each zone by number, for that choice; the numbers
    themselves when not given. A zone that clipping leaves without ground is missing. Raises OutOfRangeError if the
    treated ground is empty, or the outlines cannot be made to fill it.

    Source: M. Visvalingam, J. D. Whyatt (1993), Line generalisation by repeated elimination of points, Cartogr. J.
    30:46–51; the coverage-preserving form is that of GEOS.

    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=40.0, cell_m=20.0, rows=2, cols=4)
    >>> labels = np.array([[1, 1, 2, 2], [1, 1, 2, 2]], dtype=np.int32)
    >>> outlines = outlines_of(labels, grid=grid, treated=shapely.box(5, 0, 75, 40), tolerance_m=10.0)
    >>> [outlines[zone].bounds for zone in (1, 2)]
    [(5.0, 0.0, 40.0, 40.0), (40.0, 0.0, 75.0, 40.0)]
    """
    if shapely.is_empty(treated) or not (labels > 0).any():
        problem = "There is no treated ground to draw zones on."
        raise OutOfRangeError(problem, "Check the boundary and the setbacks of the no-apply ground.")
    values = np.arange(labels.max() + 1, dtype=float) if zone_values is None else zone_values
    present = np.unique(labels[labels > 0])
    if len(present) == 1:
        return {int(present[0]): as_multi(treated)}
    filled = _filled(np.pad(labels, 2))
    frame = Grid(
        crs=grid.crs, west_m=grid.west_m - 2 * grid.cell_m, north_m=grid.north_m + 2 * grid.cell_m,
        cell_m=grid.cell_m, rows=grid.rows + 4, cols=grid.cols + 4,
    )  # fmt: skip
    patches = _patches(filled, frame, rounds=_ROUNDS if tolerance_m > 0 else 0)
    if not shapely.coverage_is_valid(patches):
        patches = _patches(filled, frame, rounds=0)
    row, col, _ = frame.cells_of(shapely.get_coordinates(_deep_inside(patches)))
    zone_of_patch = filled[row, col]
    smooth = shapely.coverage_simplify(patches, tolerance_m, simplify_boundary=False) if tolerance_m > 0 else patches
    faces = faces_of([*shapely.boundary(smooth), shapely.boundary(treated)], treated)
    inside = shapely.point_on_surface(faces)
    at, which = shapely.STRtree(smooth).query(inside, predicate="intersects")
    zone_of = np.zeros(len(faces), dtype=np.int32)
    zone_of[at] = zone_of_patch[which]
    return dissolved(faces, zone_of, values, least_patch_m2)


def faces_of(lines: list[shapely.Geometry], treated: shapely.Geometry) -> NDArray[np.object_]:
    """The pieces into which lines cut the treated ground: a valid coverage of it.

    `lines`: the boundary of the treated ground among them. Raises OutOfRangeError if the pieces do not fill the ground
    to a millionth of its area.
    """
    shapely.prepare(treated)
    for grid_size in (None, 1e-5, 1e-3):  # coordinates as they are; then to 10 µm, 1 mm, for lines that all but meet
        noded = shapely.union_all(lines, grid_size=grid_size)
        faces: NDArray[np.object_] = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
        faces = faces[shapely.contains_xy(treated, shapely.get_coordinates(shapely.point_on_surface(faces)))]
        if abs(shapely.area(faces).sum() - shapely.area(treated)) <= _CLOSE * shapely.area(
            treated
        ) and shapely.coverage_is_valid(faces):
            return faces
    problem = "The outlines of the zones do not fill the treated ground."
    raise OutOfRangeError(problem, "Check the boundary for spikes and slivers narrower than a millimetre.")


def dissolved(
    faces: NDArray[np.object_], zone_of: NDArray[np.int32], values: NDArray[np.float64], least_patch_m2: float
) -> dict[int, shapely.Geometry]:
    """Union of the faces of each zone, after parts too small have gone to a neighbour.

    `faces`: a valid coverage. `values` (k + 1,): value of each zone by number.
    """
    parts, owner = _parts(faces, zone_of)
    while True:
        area = shapely.area(parts)
        for item in np.argsort(area, kind="stable"):
            if area[item] >= least_patch_m2:
                return {int(zone): as_multi(_joined(parts[owner == zone])) for zone in np.unique(owner)}
            target = _neighbour(int(item), parts, owner, values)
            if target is not None:
                owner[item] = target
                parts, owner = _parts(parts, owner)
                break
        else:
            least_patch_m2 = 0.0  # every part is small and stands alone


def gaps_filled(faces: NDArray[np.object_], zone_of: NDArray[np.int32]) -> NDArray[np.int32]:
    """Zones of faces, where a face without one (0) goes to the zone with which it shares most edge.

    `faces`: a valid coverage. `zone_of` (n,): not 0 everywhere. Returns (n,): ground that stands alone goes to the
    nearest.
    """
    zone_of = zone_of.copy()
    waiting = [int(i) for i in np.flatnonzero(zone_of == 0)]
    tree = shapely.STRtree(faces)
    while waiting:
        left = []
        for item in waiting:
            near = [int(i) for i in tree.query(faces[item], predicate="intersects") if zone_of[i] > 0]
            shared = {
                i: shapely.length(shapely.intersection(shapely.boundary(faces[item]), shapely.boundary(faces[i])))
                for i in near
            }
            best = max(near, key=lambda i: (shared[i], -zone_of[i]), default=None)
            if best is None or shared[best] == 0:
                left.append(item)
            else:
                zone_of[item] = zone_of[best]
        if len(left) == len(waiting):
            with_zone = np.flatnonzero(zone_of > 0)
            for item in left:
                zone_of[item] = zone_of[with_zone[np.argmin(shapely.distance(faces[with_zone], faces[item]))]]
            left = []
        waiting = left
    return zone_of


def _neighbour(
    item: int, parts: NDArray[np.object_], owner: NDArray[np.int32], values: NDArray[np.float64]
) -> int | None:
    """Zone of the part beside this one that is nearest in value; the longer shared edge decides between equals."""
    near = [int(i) for i in shapely.STRtree(parts).query(parts[item], predicate="intersects") if i != item]
    shared = {
        i: shapely.length(shapely.intersection(shapely.boundary(parts[item]), shapely.boundary(parts[i]))) for i in near
    }
    beside = [i for i in near if shared[i] > 0]
    if not beside:
        return None
    own = values[owner[item]]

    def apart(i: int) -> tuple[float, float, int]:
        gap = abs(values[owner[i]] - own)
        return (gap if np.isfinite(gap) else np.inf, -shared[i], i)

    return int(owner[min(beside, key=apart)])


def _parts(faces: NDArray[np.object_], zone_of: NDArray[np.int32]) -> tuple[NDArray[np.object_], NDArray[np.int32]]:
    """Connected parts of each zone, and the zone of each."""
    parts: list[shapely.Geometry] = []
    owner: list[int] = []
    for zone in np.unique(zone_of):
        pieces = shapely.get_parts(_joined(faces[zone_of == zone]))
        parts.extend(pieces)
        owner.extend([int(zone)] * len(pieces))
    return np.array(parts, dtype=object), np.array(owner, dtype=np.int32)


def _joined(faces: NDArray[np.object_]) -> shapely.Geometry:
    """Union of faces of a coverage; where specks far under a millimetre look like overlaps to GEOS, the slow way."""
    try:
        return shapely.coverage_union_all(faces)
    except shapely.GEOSException:
        return shapely.union_all(faces)


def as_multi(geometry: shapely.Geometry) -> shapely.Geometry:
    """The polygons of a geometry as one MultiPolygon in a fixed order; points and lines are left out."""
    flat = shapely.get_parts(shapely.get_parts(geometry))  # a collection may hold a MultiPolygon
    polygons = [part for part in flat if part.geom_type == "Polygon" and not part.is_empty]
    return shapely.normalize(shapely.MultiPolygon(polygons))


def _deep_inside(patches: NDArray[np.object_]) -> NDArray[np.object_]:
    """A point well inside each patch, where evened-out edges cannot have moved it into another zone's cell."""
    small = 0.3 * np.sqrt(shapely.area(patches)).min()
    inner = shapely.buffer(patches, -small)
    points: NDArray[np.object_] = shapely.point_on_surface(np.where(shapely.is_empty(inner), patches, inner))
    return points


def _filled(labels: NDArray[np.int32]) -> NDArray[np.int32]:
    """Zones carried outward over cells that have none, so that their edges cross the field's boundary."""
    from scipy.ndimage import distance_transform_edt

    nearest = distance_transform_edt(labels == 0, return_distances=False, return_indices=True)
    return np.asarray(labels[tuple(nearest)])


def _patches(labels: NDArray[np.int32], grid: Grid, *, rounds: int) -> NDArray[np.object_]:
    """Polygons of connected equal cells, the steps along their edges evened out: a valid coverage of the grid.

    Every corner where edges meet moves to the mean of itself and its neighbours along the edges, a few rounds long; a
    corner is one point for all polygons around it, so they stay together.
    """
    framed = np.pad(labels, 1, constant_values=-1)
    down = framed[1:-1, 1:] != framed[1:-1, :-1]  # (rows, cols + 1): edge between a cell and the one on its left
    across = framed[1:, 1:-1] != framed[:-1, 1:-1]  # (rows + 1, cols): edge between a cell and the one above it
    corner = np.arange((labels.shape[0] + 1) * (labels.shape[1] + 1)).reshape(labels.shape[0] + 1, -1)
    ends = np.concatenate(
        [
            np.column_stack([corner[:-1][down], corner[1:][down]]),
            np.column_stack([corner[:, :-1][across], corner[:, 1:][across]]),
        ]
    )
    used, ends = np.unique(ends, return_inverse=True)
    ends = ends.reshape(-1, 2)
    row, col = np.divmod(used, corner.shape[1])
    places = np.column_stack([col, row]).astype(float)
    frame = (row == 0) | (row == labels.shape[0]) | (col == 0) | (col == labels.shape[1])
    meeting = np.bincount(ends.ravel(), minlength=len(used))
    for _ in range(rounds):
        sums = np.column_stack(
            [
                np.bincount(ends[:, 0], places[ends[:, 1], axis], len(used))
                + np.bincount(ends[:, 1], places[ends[:, 0], axis], len(used))
                for axis in (0, 1)
            ]
        )
        places = np.where(frame[:, None], places, (places + sums / meeting[:, None]) / 2.0)
    metres = np.column_stack([grid.west_m + places[:, 0] * grid.cell_m, grid.north_m - places[:, 1] * grid.cell_m])
    edges: Any = shapely.linestrings(metres[ends])
    polygons: NDArray[np.object_] = shapely.get_parts(shapely.polygonize(edges))
    return polygons


def labels_of(outlines: tuple[shapely.Geometry, ...], *, grid: Grid, share: NDArray[np.float64]) -> NDArray[np.int32]:
    """Zone of each cell: where its centre lies; an edge cell whose centre lies outside goes with the nearest.

    `outlines`: in the grid's system. `share` (rows, cols). Returns (rows, cols): 1 … k; 0 where no part of the cell is
    treated.
    """
    from affine import Affine
    from rasterio.features import rasterize

    if len(outlines) == 1:
        return np.where(share > 0, 1, 0).astype(np.int32)
    burnt = rasterize(
        [(outline, zone) for zone, outline in enumerate(outlines, start=1)],
        out_shape=grid.shape, transform=Affine(*grid.transform), fill=0, dtype="int32",
    )  # fmt: skip
    return spread_over(np.asarray(burnt, dtype=np.int32), share)


def spread_over(labels: NDArray[np.int32], share: NDArray[np.float64]) -> NDArray[np.int32]:
    """Labels on every treated cell and nowhere else: a cell without one takes the nearest."""
    from scipy.ndimage import distance_transform_edt

    if ((labels == 0) & (share > 0)).any():
        nearest = distance_transform_edt(labels == 0, return_distances=False, return_indices=True)
        labels = labels[tuple(nearest)]
    return np.where(share > 0, labels, 0).astype(np.int32)
