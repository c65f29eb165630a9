"""The field's boundary, its no-apply ground, and any other polygons, as valid areas in one projected system."""

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.features import LONLAT, Features
from vrn.ingest.intake import Intake, Source
from vrn.ingest.place import check_finite, system_of, to_system
from vrn.ingest.table import Table
from vrn.ingest.vectors import read_features
from vrn.model.area import geodesic_acres, projected_crs
from vrn.model.settings import FieldSection, NoApply
from vrn.units import AC_M2, FT_M

_LEAST_AC, _USUAL_AC, _MOST_AC = 0.05, 2000.0, 50_000.0
_ARC_SEGMENTS = 32  # of a quarter circle; the area of a round end is 0.04 % short


def read_boundary(intake: Intake, section: FieldSection) -> tuple[str, shapely.Geometry]:
    """
    Boundary of the field, and the projected system it settles.

    Parameters
    ----------
    intake : Intake
    section : FieldSection

    Returns
    -------
    crs : str
        UTM zone of its centroid.
    boundary : shapely Polygon or MultiPolygon
        Valid, holes cut out, in ``crs``.

    Raises
    ------
    InputFileError
        If it is no area, is not in degrees or a named system, or is too small or large to be one field.
    """
    source = intake.source(section.boundary, "field.boundary")
    features = read_features(intake, source)
    check_finite(source, features.geometry, features.table.row_word)
    crs = system_of(intake, source, features.crs, section.boundary_crs, _bounds(features.geometry))
    whole = shapely.union_all(areas_of(intake, source, features.geometry)[0])
    lonlat = to_system(source, np.array([whole], dtype=object), crs, LONLAT)[0]
    west, south, east, north = lonlat.bounds
    if abs(south) > 84 or abs(north) > 84:
        problem = f"{source}: the boundary lies at latitude {south:g} to {north:g}, where no corn grows."
        raise InputFileError(problem, "Check its coordinates and their system.")
    if east - west > 1 or north - south > 1:
        problem = f"{source}: the boundary spans {east - west:.1f}° by {north - south:.1f}°, more than one field."
        raise InputFileError(problem, "Give the outline of one field.")
    target = projected_crs(lonlat.centroid.x, lonlat.centroid.y)
    boundary = _polygons(to_system(source, np.array([whole], dtype=object), crs, target)[0])
    acres = geodesic_acres(boundary, target)
    if acres < _LEAST_AC or acres > _MOST_AC:
        problem = f"{source}: the boundary holds {acres:,.3g} ac."
        raise InputFileError(problem, "Check that it is the outline of one field, and its coordinate system.")
    if acres > _USUAL_AC:
        intake.warn(source, f"The boundary holds {acres:,.0f} ac.", "Check that it is one field.")
    if len(features.geometry) > 1:
        parts = len(shapely.get_parts(boundary))
        intake.note(source, f"{len(features.geometry)} outlines were taken together as one field of {parts} "
                    f"part{'s' if parts > 1 else ''}.", "Keep one field in the file if that is wrong.")  # fmt: skip
    return target, boundary


def read_no_apply(intake: Intake, parts: tuple[NoApply, ...], boundary: shapely.Geometry, crs: str) -> shapely.Geometry:
    """
    Ground inside the boundary that gets no nitrogen.

    Parameters
    ----------
    intake : Intake
    parts : tuple of NoApply
    boundary : shapely.Geometry
        In ``crs``.
    crs : str
        The field's projected system.

    Returns
    -------
    no_apply : shapely.Geometry
        Widened by each setback in projected metres and cut to the boundary; may be empty.

    Raises
    ------
    InputFileError
        If a line or a point has no setback, or nothing of the field is left.
    """
    pieces: list[shapely.Geometry] = []
    for i, part in enumerate(parts, 1):
        source = intake.source(part.file, f"field.no_apply[{i}].file")
        features = read_features(intake, source)
        check_finite(source, features.geometry, features.table.row_word)
        system = system_of(intake, source, features.crs, None, _bounds(features.geometry))
        shapes = _repaired(intake, source, to_system(source, features.geometry, system, crs))
        if part.setback_ft == 0 and any(shapely.get_dimensions(shape) < 2 for shape in shapes):
            problem = f"{source}: a line or a point has no width, and field.no_apply[{i}] gives no setback_ft."
            raise InputFileError(problem, "Give setback_ft, the distance to keep on each side, or draw polygons.")
        whole = shapely.union_all(shapes)
        widened = shapely.buffer(whole, part.setback_ft * FT_M, quad_segs=_ARC_SEGMENTS) if part.setback_ft else whole
        inside = _polygons(shapely.intersection(widened, boundary))
        if inside.is_empty:
            away = intake.length(float(shapely.distance(widened, boundary)))
            intake.warn(source, f"This no-apply ground does not touch the field ({away} away).",
                        "Check the file, its coordinates and their order.")  # fmt: skip
        pieces.append(inside)
    no_apply = _polygons(shapely.union_all(pieces)) if pieces else shapely.MultiPolygon()
    left_ac = shapely.area(shapely.difference(boundary, no_apply)) / AC_M2
    if left_ac < _LEAST_AC:
        problem = "The no-apply ground covers the whole field."
        raise InputFileError(problem, "Check the files and setbacks under [[field.no_apply]].")
    return no_apply


def read_areas(intake: Intake, source: Source, given_crs: str | None, crs: str) -> tuple[NDArray[np.object_], Table]:
    """
    Polygons of a file in the field's system, with their attributes.

    Parameters
    ----------
    intake : Intake
    source : Source
    given_crs : str or None
        What the field file says of their system.
    crs : str
        The field's projected system.

    Returns
    -------
    polygons : ndarray of shapely.Geometry, shape (n,)
    table : Table
        A row for each of them.
    """
    return areas_in_field(intake, source, read_features(intake, source), given_crs, crs)


def areas_in_field(
    intake: Intake, source: Source, features: Features, given_crs: str | None, crs: str
) -> tuple[NDArray[np.object_], Table]:
    """The same of features that were already read."""
    check_finite(source, features.geometry, features.table.row_word)
    system = system_of(intake, source, features.crs, given_crs, _bounds(features.geometry))
    polygons, kept = areas_of(intake, source, features.geometry)
    moved = to_system(source, polygons, system, crs)
    return np.array([_polygons(shape) for shape in moved], dtype=object), features.table.rows(kept)


def areas_of(intake: Intake, source: Source, geometry: NDArray[np.object_]) -> tuple[NDArray[np.object_], list[int]]:
    """
    Features as valid areas: a closed path is taken as an outline, a crossed one is mended; both are told.

    Parameters
    ----------
    intake : Intake
    source : Source
    geometry : ndarray of shapely.Geometry, shape (n,)

    Returns
    -------
    areas : ndarray of shapely.Geometry, shape (m,)
    kept : list of int
        Which of the features they are; points and open lines beside outlines are passed over and told.

    Raises
    ------
    InputFileError
        If there is no outline, or one holds no area.
    """
    found = {i: pieces for i, shape in enumerate(geometry) if (pieces := _outlines(shape))}
    if not found:
        open_line = any(part.geom_type == "LineString" for part in _flat(geometry[0]))
        what = "an open line" if open_line else f"a {geometry[0].geom_type}"
        problem = f"{source} ({source.key}): feature 1 is {what}, and an outline is needed."
        raise InputFileError(problem, "Draw it as a polygon, or end the line where it began.")
    if len(found) < len(geometry):
        intake.warn(source, "Points or open lines beside the outlines were passed over.",
                    "Draw a polygon where an outline is missing.")  # fmt: skip
    paths = sum(part.geom_type == "LineString" for i in found for part in _flat(geometry[i]))
    if paths:
        intake.note(source, f"{paths} closed path(s) were taken as outlines.", "Draw polygons if that is wrong.")
    areas = np.empty(len(found), dtype=object)
    areas[:] = [pieces[0] if len(pieces) == 1 else shapely.MultiPolygon(pieces) for pieces in found.values()]
    mended = _repaired(intake, source, areas)
    areas[:] = [_polygons(shape) for shape in mended]
    for i, shape in zip(found, areas, strict=True):
        if shape.is_empty or shapely.area(shape) == 0:
            problem = f"{source} ({source.key}): the outline of feature {i + 1} holds no area."
            raise InputFileError(problem, "Draw it again, or remove it.")
    return areas, list(found)


def _outlines(shape: shapely.Geometry) -> list[shapely.Polygon]:
    """Polygons of a feature, closed paths among them."""
    pieces = []
    for part in _flat(shape):
        if part.geom_type == "Polygon" and not part.is_empty:
            pieces.append(part)
        elif part.geom_type == "LineString" and part.is_closed and len(part.coords) > 3:
            pieces.append(shapely.Polygon(part.coords))
    return pieces


def _repaired(intake: Intake, source: Source, geometry: NDArray[np.object_]) -> NDArray[np.object_]:
    """Valid geometries; what was mended is told with the reason and the place."""
    broken = np.flatnonzero(~shapely.is_valid(geometry))
    if len(broken) == 0:
        return geometry
    mended = np.array(geometry, dtype=object)
    mended[broken] = shapely.make_valid(geometry[broken])
    reason = shapely.is_valid_reason(geometry[broken[0]])
    intake.warn(source, f"{len(broken)} outline{'s' if len(broken) > 1 else ''} crossed or touched itself (feature "
                f"{broken[0] + 1}: {reason}) and was mended.", "Look at it on the map and draw it again.")  # fmt: skip
    return mended


def _flat(shape: shapely.Geometry) -> list[shapely.Geometry]:
    """Single parts of a geometry, collections within collections opened."""
    parts = [shape]
    while any(hasattr(part, "geoms") for part in parts):
        parts = [piece for part in parts for piece in (part.geoms if hasattr(part, "geoms") else [part])]
    return parts


def _polygons(shape: shapely.Geometry) -> shapely.Geometry:
    """The areal parts of a geometry, in one."""
    if shape.geom_type in ("Polygon", "MultiPolygon"):
        return shape
    parts = [part for part in _flat(shape) if part.geom_type == "Polygon" and not part.is_empty]
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def _bounds(geometry: NDArray[np.object_]) -> tuple[float, ...]:
    return tuple(shapely.total_bounds(geometry).tolist())
