"""The ground on which cores may be pulled: the field without its edges, headlands, no-apply ground and odd spots."""

import math
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, Quantity, note
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres
from vrn.model.layers import ConstantLayer, Layer, PolygonLayer, RasterLayer, YieldLogLayer
from vrn.units import FT_M

_SPOTS = 2500
_LEAST_SHARE = 0.6  # of the treated ground that must stay open to sampling
_NEAREST = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenGround:
    """Where a sample may be taken."""

    outline: shapely.Geometry  # in `crs`
    crs: str  # the field's projected system
    # places spread evenly over the outline, each standing for the same area, among which designs choose, shape (n, 2)
    # [m]
    spots_m: NDArray[np.float64]
    edge_m: float  # distance kept from the boundary [m]
    acres: float  # [ac]
    findings: tuple[Finding, ...] = ()


def sampling_ground(
    boundary: shapely.Geometry, *, crs: str, edge_m: float, no_apply: shapely.Geometry | None = None,
    keep_off_m: float = 0.0, avoid: shapely.Geometry | None = None, random: np.random.Generator,
) -> OpenGround:  # fmt: skip
    """Ground left for sampling, and evenly spread places on it.

    The edge keeps off headland, fence row and road; where it would close more than 40 % of the field, it is halved
    until it does not, and a finding says so. `keep_off_m` is kept from no-apply ground; odd spots (`avoid`) are kept
    out as drawn. Raises OutOfRangeError if no ground is left.

    A field of 200 m by 200 m less 20 m on every side:

    >>> ground = sampling_ground(shapely.box(0, 0, 200, 200), crs="EPSG:32615", edge_m=20.0,
    ...                          random=np.random.default_rng(1))
    >>> ground.outline.area, bool(shapely.covers(ground.outline, shapely.multipoints(ground.spots_m)))
    (25600.0, True)
    """
    closed = [part for part in (no_apply, avoid) if part is not None and not part.is_empty]
    open_ground = shapely.difference(boundary, shapely.union_all(closed)) if closed else boundary
    if keep_off_m > 0 and no_apply is not None and not no_apply.is_empty:
        open_ground = shapely.difference(open_ground, shapely.buffer(no_apply, keep_off_m))
    findings: list[Finding] = []
    kept_m = edge_m
    outline = shapely.intersection(open_ground, shapely.buffer(boundary, -kept_m)) if kept_m > 0 else open_ground
    while outline.area < _LEAST_SHARE * open_ground.area and kept_m > 0:
        kept_m = kept_m / 2 if kept_m > 3 else 0.0
        outline = shapely.intersection(open_ground, shapely.buffer(boundary, -kept_m)) if kept_m else open_ground
    if kept_m < edge_m:
        asked, kept = (Quantity("length", meters / FT_M) for meters in (edge_m, kept_m))
        findings.append(note("plan.edge-reduced", "plan", asked=asked, kept=kept))
    outline = _polygons(outline)
    if outline.is_empty or outline.area < 25.0:
        problem = "No ground is left on which to pull cores."
        where = "the files given with --avoid and --avoid-by" if avoid is not None and not avoid.is_empty else "--edge"
        raise OutOfRangeError(problem, f"Check {where}, and the no-apply ground with --keep-off.")
    return OpenGround(
        outline=outline, crs=crs, spots_m=spots_on(outline, random=random), edge_m=kept_m,
        acres=geodesic_acres(outline, crs), findings=tuple(findings),
    )  # fmt: skip


def spots_on(outline: shapely.Geometry, *, random: np.random.Generator, count: int = _SPOTS) -> NDArray[np.float64]:
    """About ``count`` places, one drawn in each square of a fine net and kept where it lies on the outline.

    At least one, shape (n, 2). [m]
    """
    side = max(math.sqrt(outline.area / count), 0.5)
    west, south, east, north = outline.bounds
    x = np.arange(west - side * random.random(), east, side)
    y = np.arange(south - side * random.random(), north, side)
    corners = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    spots = corners + random.random(corners.shape) * side
    shapely.prepare(outline)
    inside = shapely.contains_xy(outline, spots[:, 0], spots[:, 1])
    if not inside.any():
        return np.asarray(shapely.get_coordinates(shapely.point_on_surface(outline)))
    return np.asarray(spots[inside])


def layer_at(layer: Layer, places_m: NDArray[np.float64]) -> NDArray[np.float64]:
    """A layer's value at places of its own system [m]: of the cell or polygon they lie in, or by the nearest points.

    Shape (n,); NaN where the layer says nothing.
    """
    if isinstance(layer, ConstantLayer):
        return np.full(len(places_m), layer.value)
    if isinstance(layer, RasterLayer):
        row, col, on = layer.grid.cells_of(places_m)
        return np.where(on, layer.values[row, col], np.nan)
    if isinstance(layer, PolygonLayer):
        values = np.full(len(places_m), np.nan)
        at, polygon = shapely.STRtree(shapely.points(places_m)).query(layer.polygons, predicate="intersects")[::-1]
        values[at] = layer.values[polygon]
        return values
    if isinstance(layer, YieldLogLayer):
        points = np.vstack([log.coordinates_m for log in layer.logs])
        return _by_distance(
            points, np.concatenate([log.yield_bu_ac / _middle(log.yield_bu_ac) for log in layer.logs]), places_m
        )
    return _by_distance(layer.coordinates_m, layer.values, places_m)


def varying_layers(field: Field, places_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[str]]:
    """Layers that vary over the ground, at its places.

    Those known at more than half of the places, shape (n, p), and their names.
    """
    layers: dict[str, Layer | None] = {
        "organic matter": field.organic_matter, "yield potential": field.yield_potential, **field.extra_layers
    }  # fmt: skip
    columns, names = [np.empty((len(places_m), 0))], []
    for name, layer in layers.items():
        if layer is None or isinstance(layer, ConstantLayer):
            continue
        values = layer_at(layer, places_m)
        known = values[np.isfinite(values)]
        if len(known) > len(values) / 2 and np.ptp(known) > 0:
            columns.append(values[:, None])
            names.append(name)
    return np.hstack(columns), names


def standardised(auxiliary: NDArray[np.float64]) -> NDArray[np.float64]:
    """Columns with mean 0 and standard deviation 1; unknown values and constant columns become 0."""
    values = np.asarray(auxiliary, dtype=float)
    known = np.isfinite(values)
    count = np.maximum(known.sum(axis=0), 1)
    mean = np.where(known, values, 0.0).sum(axis=0) / count
    centred = np.where(known, values - mean, 0.0)
    sd = np.sqrt((centred**2).sum(axis=0) / count)
    return np.asarray(np.where(sd > 1e-12 * (1 + np.abs(mean)), centred / np.maximum(sd, 1e-300), 0.0))


def _middle(values: NDArray[np.float64]) -> float:
    """Median of what is known, 1 where that is nothing or nought: harvests of different years in one scale."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) or 1.0 if len(known) else 1.0


def _by_distance(
    points_m: NDArray[np.float64], values: NDArray[np.float64], places_m: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Inverse squared distance from the eight nearest points: good enough to sort ground by."""
    from scipy.spatial import cKDTree

    known = np.isfinite(values) & np.isfinite(points_m).all(axis=1)
    if not known.any():
        return np.full(len(places_m), np.nan)
    count = min(_NEAREST, int(known.sum()))
    away, near = cKDTree(points_m[known]).query(places_m, k=count)
    away, near = away.reshape(len(places_m), count), near.reshape(len(places_m), count)
    weight = 1.0 / np.maximum(away, 0.1) ** 2
    return np.asarray((weight * values[known][near]).sum(axis=1) / weight.sum(axis=1))


def _polygons(geometry: shapely.Geometry) -> shapely.Geometry:
    """The areal parts of a geometry."""
    parts = [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon" and part.area > 1.0]
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)
