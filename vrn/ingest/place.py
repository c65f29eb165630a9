"""Coordinates into the field's one system: which system they are in, whether they can be, and where they land."""

import re
from functools import cache
from typing import NoReturn

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.input_files import Ground, InputFiles, Source
from vrn.ingest.keys import keys_of
from vrn.ingest.table import LONLAT
from vrn.model.grid import transformer

_USUAL_SYSTEMS = ("NAD83 / ", "WGS 84 / UTM", "ETRS89 / ", "NAD27 / ", "NAD83(2011) / ")  # tried in this order
_MOST_FIELDS = 20.0  # times the field's length that a file of it and its neighbors may span


def system_of(files: InputFiles, source: Source, found: str, given: str | None, bounds: tuple[float, ...]) -> str:
    """
    Coordinate system of a file: what the file says, else what the field file says, else what only fits one way.

    Parameters
    ----------
    found : str
        What the file says; empty for nothing.
    given : str or None
        What the field file says.
    bounds : tuple of float
        West, south, east, north of the coordinates as they stand in the file.

    Raises
    ------
    InputFileError
        If nobody says it, ``given`` is no system, or the numbers cannot be degrees.
    """
    if given is not None:
        given = _known_system(source, given)
    fits_lonlat = _could_be_degrees(*bounds)
    if found == LONLAT and not fits_lonlat and given is not None:
        return given  # a GeoJSON of meters; the field file knows better
    if found and given is not None and not _same(found, given):
        files.warn("ingest.two-systems", source, found=_short(found), given=given)
    crs = found or given
    if not crs:
        why = "there is no readable .prj beside it" if source.suffix == ".shp" else "the file does not say"
        if fits_lonlat:
            meant, remedy = "", f"Its numbers could be longitude and latitude: then {_say_so(source, LONLAT)}"
        else:
            meant, remedy = _meters_or_feet(files, source, bounds)
        source.refuse(f"the coordinate system is not known: {why}.{meant}", remedy)
    if _is_degrees(source, crs) and not fits_lonlat:
        _no_degrees(files, source, bounds)
    return crs


def must_be_degrees(source: Source, given: str, bounds: tuple[float, ...]) -> bool:
    """Whether coordinates are degrees though the field file names a system of meters: no field is at its origin."""
    return _could_be_degrees(*bounds) and any(bounds) and not _is_degrees(source, _known_system(source, given))


def _could_be_degrees(west: float, south: float, east: float, north: float) -> bool:
    return max(abs(west), abs(east)) <= 180 and max(abs(south), abs(north)) <= 90


def _crs_key(source: Source) -> str | None:
    """Key of the field file that names the system of this file; None where there is none."""
    if source.key == "field.boundary":
        return "field.boundary_crs"
    table = source.key.rsplit(".", 1)[0]
    return f"{table}.crs" if "crs" in keys_of(re.sub(r"\[\d+\]", "", table)) else None


def _say_so(source: Source, example: str) -> str:
    """How the user can name the system."""
    key = _crs_key(source)
    if key is None:
        return "export the file with its coordinate system (a .prj beside it), or in longitude and latitude (WGS 84)."
    table, _, name = key.rpartition(".")
    head = f"[[{table.split('[')[0]}]]" if "[" in table else f"[{table}]"
    return f'say which system in the field file: {name} = "{example}" in {head}.'


def _short(crs: str) -> str:
    name = crs.split('"')[1] if '"' in crs else crs
    return name if len(name) <= 60 else f"{name[:59]}…"


def _known_system(source: Source, given: str) -> str:
    import pyproj

    try:
        system = pyproj.CRS.from_user_input(given)
        known = system.is_projected or (system.is_geographic and len(system.axis_info) == 2)
    except pyproj.exceptions.CRSError:
        known = False
    if not known:
        problem = f'{_crs_key(source)}: "{given}" is not a map system.'
        raise InputFileError(problem, 'Give an EPSG code, as "EPSG:4326" or "EPSG:26915".') from None
    return given


def _same(one: str, other: str) -> bool:
    import pyproj

    return one == other or pyproj.CRS.from_user_input(one).equals(pyproj.CRS.from_user_input(other), True)


def _is_degrees(source: Source, crs: str) -> bool:
    import pyproj

    if crs == LONLAT:
        return True
    try:
        return bool(pyproj.CRS.from_user_input(crs).is_geographic)
    except pyproj.exceptions.CRSError:
        source.refuse(
            f"its coordinate system {_short(crs)} is not understood.",
            "Export the file in longitude and latitude (WGS 84).",
        )


def _no_degrees(files: InputFiles, source: Source, bounds: tuple[float, ...]) -> NoReturn:
    west, south, east, north = bounds
    meant, remedy = _meters_or_feet(files, source, bounds)
    if _could_be_degrees(south, west, north, east):
        remedy = "Longitude and latitude look swapped: fix the file (longitude is the first, or the column longitude)."
    source.refuse(
        f"its coordinates ({west:g} to {east:g}, {south:g} to {north:g}) are not longitude and latitude.{meant}", remedy
    )


def _meters_or_feet(files: InputFiles, source: Source, bounds: tuple[float, ...]) -> tuple[str, str]:
    """Which systems put such numbers into the field, as a sentence or nothing, and what to do."""
    west, south, east, north = bounds
    fitting = _fitting(files.ground, bounds)
    if fitting:
        known = f" Read as {fitting[0]} they lie in the field."
        others = f" They also fit {' and '.join(fitting[1:3])}." if fitting[1:] else ""
        return known, f"If that is their system, {_say_so(source, fitting[0].split(' ')[0])}{others}"
    if _fitting(files.ground, (south, west, north, east)):
        return " Easting and northing look swapped.", "Swap the two columns, or name them the other way round."
    return "", f"They look like meters or feet: {_say_so(source, 'EPSG:26915')}"


def _fitting(ground: Ground | None, bounds: tuple[float, ...]) -> list[str]:
    """Codes and names of the systems in which a box of numbers lies on the field, the boundary's own first."""
    if ground is None:
        return []
    from pyproj import CRS, exceptions

    names = _usual_at(*transformer(ground.crs, LONLAT).transform(*ground.outline.centroid.coords[0]))
    own = CRS.from_user_input(ground.own_crs)
    codes = list(dict.fromkeys([*([ground.own_crs] if own.is_projected else []), *names]))
    box = shapely.get_coordinates(shapely.box(*bounds))
    west, south, east, north = ground.outline.bounds
    field = shapely.box(west, south, east, north)
    fitting = []
    for code in codes:
        try:
            corners = np.column_stack(transformer(code, ground.crs).transform(box[:, 0], box[:, 1]))
        except exceptions.ProjError:
            continue
        if np.isfinite(corners).all():
            there = shapely.MultiPoint(corners).envelope
            size = max(shapely.bounds(there)[2:] - shapely.bounds(there)[:2])
            if shapely.intersects(there, field) and size < _MOST_FIELDS * max(east - west, north - south):
                fitting.append(f"{_short(code)} ({names.get(code, own.name)})")
    return fitting


@cache
def _usual_at(longitude: float, latitude: float) -> dict[str, str]:
    """Codes and names of the systems that are usual at a place."""
    from pyproj.aoi import AreaOfInterest
    from pyproj.database import query_crs_info
    from pyproj.enums import PJType

    place = AreaOfInterest(longitude, latitude, longitude, latitude)
    here = query_crs_info("EPSG", [PJType.PROJECTED_CRS], place, contains=True)
    return {f"EPSG:{info.code}": info.name for name in _USUAL_SYSTEMS for info in here if info.name.startswith(name)}


def check_finite(source: Source, geometry: NDArray[np.object_], word: str = "feature") -> None:
    """Refuse a feature whose geometry is missing or empty, or has a coordinate that is no number."""
    for i, item in enumerate(geometry, 1):
        if item is None or item.is_empty:
            source.refuse(
                f"{word} {i} has no geometry.", "The file may be cut off; export it again, or remove that feature."
            )
        if not np.isfinite(shapely.get_coordinates(item)).all():
            source.refuse(f"{word} {i} has a coordinate that is not a number.", "Fix or remove that feature.")


def to_system(source: Source, geometry: NDArray[np.object_], crs: str, target: str) -> NDArray[np.object_]:
    """Geometries, shape (n,), moved from ``crs`` to ``target``; refuses coordinates that have no place there."""
    moved = shapely.transform(geometry, lambda xy: points_to_system(source, xy, crs, target))
    return np.asarray(moved, dtype=object).reshape(-1)


def points_to_system(source: Source, xy: NDArray[np.float64], crs: str, target: str) -> NDArray[np.float64]:
    """Coordinates, shape (n, 2), in the field's system; raises InputFileError where they have no place there."""
    if crs == target or len(xy) == 0:
        return xy
    import pyproj

    try:
        moved = np.column_stack(transformer(crs, target).transform(xy[:, 0], xy[:, 1]))
    except pyproj.exceptions.ProjError:
        source.refuse(
            f"its coordinate system {_short(crs)} is not tied to the ground.",
            "Export the file in longitude and latitude (WGS 84).",
        )
    if not np.isfinite(moved).all():
        first = int(np.flatnonzero(~np.isfinite(moved).all(axis=1))[0])
        source.refuse(
            f"the coordinate {xy[first, 0]:g}, {xy[first, 1]:g} has no place near the field.",
            "Check the coordinates and their system.",
        )
    return moved
