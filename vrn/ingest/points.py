"""Rows that stand somewhere: tables with coordinates, and vector files of points, in the field's system."""

import re
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.ingest.cells import Columns, RowFaults, degrees, numbers
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.outline import PlacedAreas, areas_in_field
from vrn.ingest.place import must_be_degrees, points_to_system, system_of
from vrn.ingest.table import LONLAT, CellTable, Features
from vrn.ingest.tables import holds_table, read_table
from vrn.ingest.vectors import read_features

LONGITUDE = ("lon", "long", "lng", "x", "easting", "easting_m", "east")
_EAST_WORDS = {"longitude", "lon", "long", "lng", "easting"}
_NORTH_WORDS = {"latitude", "lat", "northing"}
_LOST_SHARE = 0.2  # of a log's records that may have no usable place before the file is refused
LATITUDE = ("lat", "y", "northing", "northing_m", "north")


def coordinate_columns(table: CellTable) -> tuple[str, str] | None:
    """
    The two columns of a table that hold coordinates, by our names, their short ones, or a word of the header.

    Examples
    --------
    >>> table = CellTable(name="lab.csv", columns=("Field", "GPS Lat (deg)", "GPS Long. (deg)"), cells=[], row=[])
    >>> coordinate_columns(table)
    ('GPS Long. (deg)', 'GPS Lat (deg)')
    """
    x, y = table.find("longitude", *LONGITUDE), table.find("latitude", *LATITUDE)
    words = {name: set(re.findall(r"[a-z]+", name.lower())) for name in table.columns}
    east = [name for name, said in words.items() if said & _EAST_WORDS and not said & _NORTH_WORDS]
    north = [name for name, said in words.items() if said & _NORTH_WORDS and not said & _EAST_WORDS]
    x = x or (east[0] if len(east) == 1 else None)
    y = y or (north[0] if len(north) == 1 else None)
    return (x, y) if x is not None and y is not None else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedRows:
    """Rows and where they stand: ``coordinates_m``, shape (n, 2), NaN where the row gives no place. [m]"""

    table: CellTable
    columns: Columns
    coordinates_m: NDArray[np.float64]


def read_places(
    files: InputFiles,
    source: Source,
    *,
    crs: str,
    given_crs: str | None = None,
    mapping: dict[str, str] | None = None,
    key: str,
    roles: tuple[str, ...] = (),
    placeless: bool = False,
    lenient: bool = False,
    shared: bool = False,
) -> PlacedRows:
    """
    Read a table with coordinates, or a vector file of points.

    Parameters
    ----------
    crs : str
        The field's projected system.
    given_crs : str, optional
        What the field file says of the coordinates.
    mapping, key : dict of str to str, str
        Column names of the field file, and their key path.
    roles : tuple of str
        Our column names.
    placeless : bool, default False
        Whether a table without coordinate columns will do.
    lenient : bool, default False
        Whether rows with no usable place are counted instead of refused, as in logs of a machine.
    shared : bool, default False
        Whether the mapping is for several files, each of which may have our own names instead.

    Raises
    ------
    InputFileError
        If the file or its coordinates cannot be used.
    """
    if not holds_table(files, source):
        features = read_features(files, source)
        columns = Columns(features.table, mapping, key=key, roles=roles, shared=shared)
        return _of_features(files, source, features, columns, given_crs, crs)
    table = read_table(files, source)
    names = tuple(dict.fromkeys((*roles, "longitude", "latitude")))
    columns = Columns(table, mapping, key=key, roles=names, shared=shared)
    xy, system = _from_columns(files, source, table, columns, given_crs, placeless=placeless, lenient=lenient)
    return _placed(source, table, columns, xy, system, crs)


def read_rows_or_areas(
    files: InputFiles,
    source: Source,
    *,
    crs: str,
    given_crs: str | None = None,
    mapping: dict[str, str] | None = None,
    key: str,
    roles: tuple[str, ...] = (),
    lenient: bool = False,
) -> PlacedRows | PlacedAreas:
    """A table with coordinates or points as `read_places` reads them; polygons where the file holds those."""
    if holds_table(files, source):
        return read_places(
            files, source, crs=crs, given_crs=given_crs, mapping=mapping, key=key, roles=roles, lenient=lenient
        )
    features = read_features(files, source)
    if all(shape is None or shape.geom_type in ("Point", "MultiPoint") for shape in features.geometry):
        columns = Columns(features.table, mapping, key=key, roles=roles)
        return _of_features(files, source, features, columns, given_crs, crs)
    return areas_in_field(files, source, features, given_crs, crs)


def _of_features(
    files: InputFiles, source: Source, features: Features, columns: Columns, given_crs: str | None, crs: str
) -> PlacedRows:
    xy = _from_points(source, features.geometry)
    system = system_of(files, source, features.crs, given_crs, _bounds(xy))
    return _placed(source, features.table, columns, xy, system, crs)


def _placed(
    source: Source, table: CellTable, columns: Columns, xy: NDArray[np.float64], system: str, crs: str
) -> PlacedRows:
    there = np.isfinite(xy).all(axis=1)
    coordinates_m = np.full(xy.shape, np.nan)
    coordinates_m[there] = points_to_system(source, xy[there], system, crs)
    return PlacedRows(table=table, columns=columns, coordinates_m=coordinates_m)


def _bounds(xy: NDArray[np.float64]) -> tuple[float, ...]:
    there = xy[np.isfinite(xy).all(axis=1)]
    if len(there) == 0:
        return (0.0, 0.0, 0.0, 0.0)
    return (*there.min(axis=0).tolist(), *there.max(axis=0).tolist())


def _from_columns(
    files: InputFiles,
    source: Source,
    table: CellTable,
    columns: Columns,
    given_crs: str | None,
    *,
    placeless: bool,
    lenient: bool,
) -> tuple[NDArray[np.float64], str]:
    """Coordinates as they stand in a table, shape (n, 2), and their system."""
    by_words = coordinate_columns(table) or (None, None)
    given = (columns.find("longitude", *LONGITUDE) or by_words[0], columns.find("latitude", *LATITUDE) or by_words[1])
    if placeless and given == (None, None):
        return np.full((len(table), 2), np.nan), LONLAT
    _not_in_one(source, table, columns)
    x_name = given[0] or columns.need("longitude", *LONGITUDE)
    y_name = given[1] or columns.need("latitude", *LATITUDE)
    for role, name in (("longitude", x_name), ("latitude", y_name)):
        if name.strip().lower() != role and role not in columns.mapped:
            files.note("ingest.column-taken-as", source, column=name, role=role)
    faults = RowFaults(table)
    x = _angles(table, x_name, "EW", faults)
    y = _angles(table, y_name, "NS", faults)
    half, origin = np.isnan(x) != np.isnan(y), (x == 0) & (y == 0)
    off = (np.abs(x) > 180) | (np.abs(y) > 90) if given_crs is None else np.zeros(len(x), dtype=bool)
    if off.any() and off[np.isfinite(x) & ~origin].all():
        off[:] = False  # all of them: another system, which is told below
    for wrong, problem, remedy in (
        (half, "one coordinate without the other", "Fill in both, or leave both empty."),
        (origin, "0, 0 is not a place in a field", "Fill in the coordinates; the receiver had no fix there."),
        (off, "is not a longitude and latitude", "Fix the row; are the two swapped, or a decimal point lost?"),
    ):
        for i in np.flatnonzero(wrong):
            shown = f"{x[i]:g}, {y[i]:g} {problem}" if wrong is off else problem
            faults.add(table.row[i], shown, remedy)
    if not lenient or len(faults.faults) > _LOST_SHARE * len(table):
        faults.raise_if_any()
    lost = half | origin | off
    x[lost], y[lost] = np.nan, np.nan
    if faults.faults:
        files.note("ingest.records-without-place", source, records=len(faults.faults))
    xy = np.column_stack([x, y])
    bounds = _bounds(xy)
    found = LONLAT if given_crs is None or must_be_degrees(source, given_crs, bounds) else ""
    return xy, system_of(files, source, found, given_crs, bounds)


def _not_in_one(source: Source, table: CellTable, columns: Columns) -> None:
    """Refuse a column such as ``Lat/Long``, where it would have to serve as either."""
    found = {columns.find("longitude", *LONGITUDE), columns.find("latitude", *LATITUDE)}
    both = next((name for name in table.columns if "lat" in name.lower() and "lon" in name.lower()), None)
    if both is not None and found & {None, both}:
        source.refuse(
            f'the column "{both}" holds both coordinates.',
            "Split it into two columns, latitude and longitude (a spreadsheet does).",
        )


def _angles(table: CellTable, column: str, letters: str, faults: RowFaults) -> NDArray[np.float64]:
    """A coordinate column: plain numbers, or degrees with minutes and a hemisphere."""
    trial = RowFaults(table)
    values = numbers(table, column, trial)
    if not trial.faults:
        return values
    cells = table.column(column)
    at = {row: i for i, row in enumerate(table.row)}
    for row, problem, _ in trial.faults:
        i = at[row]
        angle = degrees(cells[i])
        if angle is None:
            remedy = "Write decimal degrees, as -93.65; minutes and seconds stay below 60."
            if not any(letter.isdigit() for letter in cells[i]):
                remedy = "Write decimal degrees, as -93.65, or remove the row if it holds units or remarks."
            faults.add(row, problem, remedy)
        elif angle[1] and angle[1] not in letters:
            faults.add(row, f'{column} is "{cells[i]}"', "Are longitude and latitude swapped? Fix the columns.")
        else:
            values[i] = angle[0]
    return values


def _from_points(source: Source, geometry: NDArray[np.object_]) -> NDArray[np.float64]:
    """Coordinates of point features, shape (n, 2); NaN where a feature has none."""
    xy = np.full((len(geometry), 2), np.nan)
    for i, shape in enumerate(geometry):
        if shape is None or shape.is_empty:
            continue
        if shape.geom_type == "MultiPoint" and len(shape.geoms) == 1:
            shape = shape.geoms[0]  # one point in a multipoint is that point
        if shape.geom_type != "Point":
            source.refuse(
                f"feature {i + 1} is a {shape.geom_type}, and points are needed.",
                "Give points; for composites of an area use area_id and [samples.areas].",
            )
        xy[i] = shapely.get_coordinates(shape)[0]
        if not np.isfinite(xy[i]).all():
            source.refuse(f"feature {i + 1} has a coordinate that is not a number.", "Fix or remove that feature.")
    return xy
