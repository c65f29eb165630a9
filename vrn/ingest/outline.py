"""The field's boundary, its no-apply ground, and any other polygons, as valid areas in one projected system."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.ingest.input_files import Ground, InputFiles, Source
from vrn.ingest.place import check_finite, system_of, to_system
from vrn.ingest.table import LONLAT, CellTable, Features
from vrn.ingest.vectors import read_features
from vrn.ingest.which_outline import inside, read_chosen, refuse_inner, refuse_several
from vrn.model.grid import geodesic_acres, projected_crs
from vrn.model.settings import FieldSection, NoApply, Settings
from vrn.units import AC_M2, FT_M, HA_AC

_LEAST_AC, _FEW_AC, _USUAL_AC, _MOST_AC = 0.05, 1.0, 2000.0, 50_000.0
_MUCH = 1 / 3  # of a field without nitrogen, which is seldom meant: a choice of this project
_LEAST_INNER_AC = 0.01  # of an outline inside the field that a person must hear of
_MOST_PIECES = 500  # of an outline, up to which each is held against each
_REACH_M = 300.0  # beyond the boundary that no-apply ground is kept: an edge buffer is less than 500 ft
_ARC_SEGMENTS = 32  # of a quarter circle; the area of a round end is 0.04 % short


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedAreas:
    """Polygons in the field's system, ``polygons`` an object array of shape (n,), and a row of ``table`` for each."""

    polygons: NDArray[np.object_]
    table: CellTable


def read_boundary(files: InputFiles, section: FieldSection) -> tuple[str, shapely.Geometry, shapely.Geometry]:
    """
    Boundary of the field, and the projected system it settles.

    Returns
    -------
    crs : str
        UTM zone of its centroid.
    boundary : shapely Polygon or MultiPolygon
        Valid, holes cut out, in ``crs``.
    inner : shapely.Geometry
        Outlines of the file that lie inside it and are not meant by it; may be empty.

    Raises
    ------
    InputFileError
        If several outlines are there and nobody says which, one lies inside another, it is no area, is not in degrees
        or a named system, or is too small or large to be one field.
    """
    source = files.source(section.boundary, "field.boundary")
    features, meant, said = read_chosen(files, source, section.boundary_where)
    check_finite(source, features.geometry, features.table.row_word)
    crs = system_of(files, source, features.crs, section.boundary_crs, _bounds(features.geometry))
    _whether_one(source, features, meant, said=said)
    whole = shapely.union_all(_areas_of(files, source, features.geometry[meant])[0])
    lonlat = to_system(source, np.array([whole], dtype=object), crs, LONLAT)[0]
    west, south, east, north = lonlat.bounds
    if abs(south) > 84 or abs(north) > 84:
        source.refuse(
            f"the boundary lies at latitude {south:g} to {north:g}, where no corn grows.",
            "Check its coordinates and their system.",
        )
    if east - west > 1 or north - south > 1:
        source.refuse(
            f"the boundary spans {east - west:.1f}° by {north - south:.1f}°, more than one field.",
            "Give the outline of one field.",
        )
    target = projected_crs(lonlat.centroid.x, lonlat.centroid.y)
    boundary = _polygons(to_system(source, np.array([whole], dtype=object), crs, target)[0])
    acres = geodesic_acres(boundary, target)
    if acres < _LEAST_AC or acres > _MOST_AC:
        shown = f"{acres / HA_AC:,.3g} ha" if files.metric else f"{acres:,.3g} ac"
        source.refuse(f"the boundary holds {shown}.", "Check that it is the outline of one field, and its map system.")
    if acres > _USUAL_AC:
        files.warn("ingest.large-boundary", source, area=Quantity("area", acres))
    if acres < _FEW_AC:
        files.warn("ingest.small-boundary", source, area=Quantity("area", acres))
    joined = sum(bool(_outlines(shape)) for shape in features.geometry[meant])
    if joined > 1:
        files.note("ingest.outlines-joined", source, outlines=joined, parts=len(shapely.get_parts(boundary)))
    others = [area for shape in features.geometry[~meant] if (area := _area(shape)) is not None]
    inner = []
    if others:
        moved = to_system(source, np.array(others, dtype=object), crs, target)
        inner = [_polygons(area) for area in moved if inside(area, boundary)]
    files.ground = Ground(outline=boundary, crs=target, own_crs=crs)
    return target, boundary, shapely.union_all(inner) if inner else shapely.MultiPolygon()


def check_inner(section: FieldSection, inner: shapely.Geometry, no_apply: shapely.Geometry) -> None:
    """
    Refuse outlines inside the field that are not no-apply ground: nobody has said what they are.

    Raises
    ------
    InputFileError
    """
    open_ac = shapely.area(shapely.difference(inner, no_apply)) / AC_M2
    if open_ac > _LEAST_INNER_AC:
        refuse_inner(Source(path=Path(section.boundary), name=section.boundary, key="field.boundary"))


def _whether_one(source: Source, features: Features, meant: NDArray[np.bool_], *, said: bool) -> None:
    """Refuse outlines that are not one field's: several of which nobody said which, or one inside another."""
    rows = [
        int(i) for i in np.flatnonzero(meant) if features.geometry[i] is not None and _outlines(features.geometry[i])
    ]
    areas = [area for i in rows if (area := _area(features.geometry[i])) is not None]
    different = [area for i, area in enumerate(areas) if not any(area.equals(other) for other in areas[:i])]
    if len(different) > 1 and not said:
        refuse_several(source, features.table.rows(rows), different)
    pieces = [shapely.make_valid(piece) for i in rows for piece in _outlines(features.geometry[i])]
    if len(pieces) <= _MOST_PIECES:
        single = [one for i, one in enumerate(pieces) if not any(one.equals(other) for other in pieces[:i])]
        if any(inside(one, other) for one in single for other in single if one is not other):
            refuse_inner(source)


def _area(shape: shapely.Geometry | None) -> shapely.Geometry | None:
    """The area of a feature, valid; None where it has none."""
    pieces = [] if shape is None else [shapely.make_valid(piece) for piece in _outlines(shape)]
    return shapely.union_all(pieces) if pieces else None


def read_no_apply(
    files: InputFiles, parts: tuple[NoApply, ...], boundary: shapely.Geometry, crs: str, *, avoided: bool = False
) -> shapely.Geometry:
    """
    Ground in and around the field that gets no nitrogen, in the field's projected system ``crs``.

    Or, where `avoided`, in which no core is pulled: the files of ``--avoid``, and messages name that.

    Widened by each setback in projected meters; kept as far beyond the boundary as a machine or an edge buffer may
    reach; may be empty. Refuses a line or a point without a setback, and ground that leaves nothing of the field.
    """
    pieces: list[shapely.Geometry] = []
    reach = shapely.box(*shapely.buffer(boundary, _REACH_M).bounds)
    for i, part in enumerate(parts, 1):
        source = files.source(part.file, "--avoid" if avoided else f"field.no_apply[{i}].file")
        features, meant, _ = read_chosen(files, source)
        check_finite(source, features.geometry, features.table.row_word)
        system = system_of(files, source, features.crs, None, _bounds(features.geometry))
        shapes = _repaired(files, source, to_system(source, features.geometry[meant], system, crs))
        if part.setback_ft == 0 and any(shapely.get_dimensions(shape) < 2 for shape in shapes):
            setback = "--avoid-by" if avoided else "setback_m" if files.metric else "setback_ft"
            source.refuse(
                f"a line or a point has no width, and {'' if avoided else f'field.no_apply[{i}] gives no '}{setback}"
                f"{' is 0' if avoided else ''}.",
                f"Give {setback}, the distance to keep on each side, or draw polygons.",
            )
        whole = shapely.union_all(shapes)
        widened = shapely.buffer(whole, part.setback_ft * FT_M, quad_segs=_ARC_SEGMENTS) if part.setback_ft else whole
        if not shapely.intersects(widened, boundary):  # beside the field a boom or an edge buffer may still reach it
            away_ft = float(shapely.distance(widened, boundary)) / FT_M
            tell = files.note if away_ft * FT_M < _REACH_M else files.warn
            code = "ingest.avoid-outside" if avoided else "ingest.no-apply-outside"
            tell(code, source, distance=Quantity("distance", away_ft))
        pieces.append(shapely.intersection(widened, reach))
    no_apply = _polygons(shapely.union_all(pieces)) if pieces else shapely.MultiPolygon()
    left_ac = shapely.area(shapely.difference(boundary, no_apply)) / AC_M2
    if left_ac < _LEAST_AC:
        if avoided:
            problem = "The files of --avoid cover the whole field."
            raise InputFileError(problem, "Give a smaller --avoid-by, or only the spots that are not like the rest.")
        problem = "The no-apply ground covers the whole field."
        raise InputFileError(problem, "Check the files and setbacks under [[field.no_apply]].")
    share = 1.0 - left_ac * AC_M2 / float(shapely.area(boundary))
    if share > _MUCH and not avoided:
        files.warn("ingest.no-apply-much", "field.no_apply", share=Quantity("share", share))
    return no_apply


def read_lines(files: InputFiles, settings: Settings, boundary: shapely.Geometry, crs: str) -> shapely.MultiLineString:
    """
    Middle lines of the passes in the field's projected system ``crs``, in the order of the file; empty without a file.

    Refuses a file without lines or with other shapes, lines that miss the field, and check strips or a trial beside
    them: those need straight passes.
    """
    if settings.machine.lines is None:
        return shapely.MultiLineString()
    source = files.source(settings.machine.lines, "machine.lines")
    features, meant, _ = read_chosen(files, source)
    check_finite(source, features.geometry, features.table.row_word)
    system = system_of(files, source, features.crs, None, _bounds(features.geometry))
    lines = shapely.get_parts(to_system(source, features.geometry[meant], system, crs))
    lines = np.array([line for line in lines if shapely.length(line) > 0 or shapely.get_dimensions(line) != 1])
    if not len(lines) or any(line.geom_type not in ("LineString", "LinearRing") for line in lines):
        source.refuse("passes are lines, and this file holds none, or other shapes.", "Give one line for each pass.")
    if not shapely.intersects(shapely.multilinestrings(lines), boundary):
        source.refuse("none of the lines crosses the field.", "Check that the file is of this field.")
    if settings.check_strips is not None or settings.trial is not None:
        table = "[trial]" if settings.check_strips is None else "[check_strips]"
        source.refuse(f"what {table} lays out lies along straight passes.", f"Take out {table}, or machine.lines.")
    return shapely.multilinestrings(lines)


def read_areas(files: InputFiles, source: Source, given_crs: str | None, crs: str) -> PlacedAreas:
    """Polygons of a file in the field's system ``crs``; ``given_crs`` is what the field file says of theirs."""
    return areas_in_field(files, source, read_features(files, source), given_crs, crs)


def areas_in_field(
    files: InputFiles, source: Source, features: Features, given_crs: str | None, crs: str
) -> PlacedAreas:
    """The same of features that were already read."""
    check_finite(source, features.geometry, features.table.row_word)
    system = system_of(files, source, features.crs, given_crs, _bounds(features.geometry))
    polygons, kept = _areas_of(files, source, features.geometry)
    moved = to_system(source, polygons, system, crs)
    return PlacedAreas(
        polygons=np.array([_polygons(shape) for shape in moved], dtype=object), table=features.table.rows(kept)
    )


def _areas_of(
    files: InputFiles, source: Source, geometry: NDArray[np.object_]
) -> tuple[NDArray[np.object_], list[int]]:
    """
    Features as valid areas, and which of the features they are.

    A closed path is taken as an outline, a crossed one is repaired, points and open lines beside outlines are passed
    over; each is a finding. Refuses a file without an outline, and an outline that holds no area.
    """
    found = {i: pieces for i, shape in enumerate(geometry) if (pieces := _outlines(shape))}
    if not found:
        open_line = any(part.geom_type == "LineString" for part in _flat(geometry[0]))
        what = "an open line" if open_line else f"a {geometry[0].geom_type}"
        source.refuse(
            f"feature 1 is {what}, and an outline is needed.", "Draw it as a polygon, or end the line where it began."
        )
    if len(found) < len(geometry):
        files.warn("ingest.outlines-missing", source)
    paths = sum(part.geom_type == "LineString" for i in found for part in _flat(geometry[i]))
    if paths:
        files.note("ingest.paths-taken-as-outlines", source, paths=paths)
    areas = np.empty(len(found), dtype=object)
    areas[:] = [pieces[0] if len(pieces) == 1 else shapely.MultiPolygon(pieces) for pieces in found.values()]
    areas[:] = [_polygons(shape) for shape in _repaired(files, source, areas)]
    for i, shape in zip(found, areas, strict=True):
        if shape.is_empty or shapely.area(shape) == 0:
            source.refuse(f"the outline of feature {i + 1} holds no area.", "Draw it again, or remove it.")
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


def _repaired(files: InputFiles, source: Source, geometry: NDArray[np.object_]) -> NDArray[np.object_]:
    """Valid geometries; a repair is a finding with its reason and place."""
    broken = np.flatnonzero(~shapely.is_valid(geometry))
    if len(broken) == 0:
        return geometry
    sound = np.array(geometry, dtype=object)
    sound[broken] = shapely.make_valid(geometry[broken])
    reason = str(shapely.is_valid_reason(geometry[broken[0]]))
    files.warn("ingest.outline-repaired", source, outlines=len(broken), feature=str(broken[0] + 1), reason=reason)
    return sound


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
