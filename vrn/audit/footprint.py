"""Ground under each as-applied record, and what of the field lies under none or under several."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.read_applied import AppliedRecords

Array = NDArray[np.float64]
_MOST_CELLS: Final = 4_000_000
_BREAK: Final = 3.0  # a step so many times the usual one ends a pass
_SMALLEST_M2: Final = 10.0  # patches below this are the seams of the drawing, not of the work


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footprints:
    """Ground of each kept record, its area [m²], a point in its middle; areas are not known without a width."""

    polygons: NDArray[np.object_]
    area_m2: Array
    middles: NDArray[np.object_]
    areas_known: bool


def footprints_of(
    records: AppliedRecords, shapes: NDArray[np.object_], width_m: Array | None, kept: NDArray[np.bool_]
) -> Footprints:
    """
    Ground that each record speaks for.

    Parameters
    ----------
    records : AppliedRecords
    shapes : ndarray of shapely geometries, shape (n,)
        The records' places in a projected system.
    width_m : ndarray, shape (n,), or None
        [m]
    kept : ndarray of bool, shape (n,)

    Returns
    -------
    footprints : Footprints
        Of the kept records. A point's is a rectangle across its direction, as wide as the machine and as long as half
        the way to the point before and half the way to the one after; where a pass begins or ends, the usual step.

    Examples
    --------
    Three points 10 m apart, driven north, 6 m wide, stand for 3 × 60 m²:

    >>> records = AppliedRecords(source="", shapes=shapely.points([0, 0, 0], [0, 10, 20]), crs="", rate=np.ones(3),
    ...     unit=None, width_m=None, speed_m_s=None, distance_m=None, rate_column="")
    >>> footprints_of(records, records.shapes, np.full(3, 6.0), np.ones(3, dtype=bool)).area_m2.tolist()
    [60.0, 60.0, 60.0]
    """
    if not records.are_points:
        polygons = shapely.make_valid(shapes[kept], method="structure")
        return Footprints(
            polygons=polygons,
            area_m2=shapely.area(polygons),
            middles=shapely.point_on_surface(polygons),
            areas_known=True,
        )
    if width_m is None:
        return Footprints(
            polygons=shapes[kept], area_m2=np.zeros(int(kept.sum())), middles=shapes[kept], areas_known=False
        )
    places = shapely.get_coordinates(shapes)
    step = np.diff(places, axis=0)
    way = np.asarray(np.hypot(step[:, 0], step[:, 1]), dtype=np.float64)
    usual = float(np.median(way[way > 0])) if np.any(way > 0) else 1.0
    driven = (way > 0) & (way <= _BREAK * usual)  # steps inside a pass
    length = (
        _lengths(way, driven, usual) if records.distance_m is None else np.nan_to_num(records.distance_m, nan=usual)
    )
    heading = _headings(step, driven)
    along, across = heading * length[:, None] / 2, heading[:, ::-1] * np.array([1.0, -1.0]) * width_m[:, None] / 2
    corners = np.stack([places - along - across, places + along - across, places + along + across,
                        places - along + across], axis=1)[kept]  # fmt: skip
    polygons = shapely.polygons(corners)
    return Footprints(polygons=polygons, area_m2=shapely.area(polygons), middles=shapes[kept], areas_known=True)


def _lengths(way: Array, driven: NDArray[np.bool_], usual: float) -> Array:
    """Half the way back and half the way on; at the ends of a pass the other half twice, alone the usual step. [m]"""
    back = np.concatenate([[np.nan], np.where(driven, way, np.nan)])
    ahead = np.concatenate([np.where(driven, way, np.nan), [np.nan]])
    back, ahead = np.where(np.isnan(back), ahead, back), np.where(np.isnan(ahead), back, ahead)
    return np.asarray(np.nan_to_num((back + ahead) / 2, nan=usual))


def _headings(step: Array, driven: NDArray[np.bool_]) -> Array:
    """Unit vector of travel at each point, shape (n, 2): the mean of the steps beside it in its pass."""
    inside = np.where(driven[:, None], step, 0.0)
    total = np.zeros((len(step) + 1, 2))
    total[:-1] += inside
    total[1:] += inside
    size = np.hypot(total[:, 0], total[:, 1])
    total[size == 0] = (0.0, 1.0)
    return np.asarray(total / np.where(size == 0, 1.0, size)[:, None])


def twice_and_never(
    prints: Footprints, rate_n_lb_ac: Array, treated: shapely.Geometry
) -> tuple[shapely.Geometry, shapely.Geometry]:
    """
    Ground to be treated without any record that applied something, and ground with more than one.

    Parameters
    ----------
    prints : Footprints
    rate_n_lb_ac : ndarray, shape (n,)
        [lb N/ac]
    treated : shapely.Geometry
        Ground with a rate, in the same system.

    Returns
    -------
    skips, overlaps : shapely.Geometry
        From a raster of half a metre (coarser on large fields); patches below 10 m² are left out.
    """
    from rasterio.enums import MergeAlg
    from rasterio.features import rasterize, shapes
    from rasterio.transform import Affine

    west, south, east, north = treated.bounds
    cell = max(0.5, math.sqrt((east - west) * (north - south) / _MOST_CELLS))
    shape = (max(1, math.ceil((north - south) / cell)), max(1, math.ceil((east - west) / cell)))
    grid = Affine(cell, 0.0, west, 0.0, -cell, north)
    applied = [(polygon, 1) for polygon in prints.polygons[rate_n_lb_ac > 0]]
    count = (rasterize(applied, out_shape=shape, transform=grid, merge_alg=MergeAlg.add, dtype="int32")
             if applied else np.zeros(shape, dtype=np.int32))  # fmt: skip
    ground = rasterize([(treated, 1)], out_shape=shape, transform=grid, dtype="uint8").astype(bool)

    def patches(mask: NDArray[np.bool_]) -> shapely.Geometry:
        found = [
            shapely.geometry.shape(outline) for outline, _ in shapes(mask.astype(np.uint8), mask=mask, transform=grid)
        ]
        return shapely.union_all([patch for patch in found if patch.area >= _SMALLEST_M2])

    return patches(ground & (count == 0)), patches(ground & (count > 1))
