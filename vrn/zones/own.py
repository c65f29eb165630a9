"""Zones the user brings: their polygons made a coverage of the treated ground, nothing redrawn."""

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import CrsMismatchError, InputFileError
from vrn.model.grid import Grid
from vrn.model.layers import PolygonLayer
from vrn.units import AC_M2
from vrn.zones.finish import labels_of
from vrn.zones.model import Zones, ZonesReport
from vrn.zones.outline import as_multi, dissolved, faces_of, gaps_filled

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
