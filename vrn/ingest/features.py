"""Vector files of every kind as features: a geometry and a row of text cells each, with the system they are in."""

import json
import re
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.ingest.intake import Intake, Source, head_of
from vrn.ingest.table import Table

LONLAT = "EPSG:4326"
TABLES = {".csv", ".txt", ".tsv"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Features:
    """
    What a vector file holds.

    Parameters
    ----------
    geometry : ndarray of shapely.Geometry, shape (n,)
        Two-dimensional; None where a feature has none.
    table : Table
        Its attributes, a row for each feature.
    crs : str
        System of the coordinates; empty when the file does not say.
    """

    geometry: NDArray[np.object_]
    table: Table
    crs: str


def read_features(intake: Intake, source: Source) -> Features:
    """
    Read a vector file by what it is, not by what it is called.

    Parameters
    ----------
    intake : Intake
    source : Source
        GeoJSON, shapefile or GeoPackage.

    Returns
    -------
    features : Features

    Raises
    ------
    InputFileError
        If it is none of them, is damaged, or holds no feature.
    """
    head = head_of(source)
    if head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith((b"{", b"[")):
        features = _geojson(intake, source)
    elif source.suffix in {".shp", ".dbf", ".shx", ".gpkg", ".fgb"} or head.startswith(b"SQLite format 3"):
        from vrn.ingest.ogr import read_with_gdal

        features = read_with_gdal(intake, source, head)
    else:
        raise _not_a_vector(source, head)
    if len(features.geometry) == 0:
        problem = f"{source}: the file holds no feature."
        raise InputFileError(problem, "Export it again, or check that the right file is named.")
    return features


def _not_a_vector(source: Source, head: bytes) -> InputFileError:
    if not head:
        return InputFileError(f"{source}: the file is empty.", "Export or copy it again.")
    what = "not a vector file that vrn reads"
    if head.lstrip().lower().startswith((b"<!doctype", b"<html")):
        what = "a web page"
    elif head.startswith(b"%PDF"):
        what = "a PDF"
    elif head.startswith((b"II*\x00", b"MM\x00*")):
        what = "a raster"
    elif head.startswith(b"\xd0\xcf\x11\xe0"):
        what = "an old Office file"
    problem = f"{source} ({source.key}): this is {what}."
    return InputFileError(problem, "Give GeoJSON, a shapefile, GeoPackage or KML.")


def cell_text(value: Any) -> str:
    """A typed value as the text of a table cell; nothing known is the empty text."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (float, np.floating)):
        return "" if np.isnan(value) else repr(float(value))
    if isinstance(value, np.datetime64):
        return "" if np.isnat(value) else str(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, (dict, list)):
        return json.dumps(value)
    return str(value)


def _geojson(intake: Intake, source: Source) -> Features:
    document = _json(intake, source)
    if not isinstance(document, dict):
        problem = f"{source}: this is JSON and not GeoJSON."
        raise InputFileError(problem, "Give a FeatureCollection, a Feature or a geometry.")
    kind = document.get("type")
    if kind == "FeatureCollection":
        items = document.get("features")
    elif kind == "Feature":
        items = [document]
    else:
        items = [{"geometry": document, "properties": {}}]
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        problem = f'{source}: "features" is not a list of features.'
        raise InputFileError(problem, "Export the GeoJSON again.")
    geometry = np.array([_shape(source, i, item.get("geometry")) for i, item in enumerate(items, 1)], dtype=object)
    properties = [item.get("properties") if isinstance(item.get("properties"), dict) else {} for item in items]
    columns = list(dict.fromkeys(str(key) for row in properties for key in row))
    cells = [[cell_text(row.get(column)) for column in columns] for row in properties]
    table = Table(
        name=source.name, columns=tuple(columns), cells=cells, row=list(range(1, len(items) + 1)), delimiter="",
        row_word="feature",
    )  # fmt: skip
    return Features(geometry=geometry, table=table, crs=_geojson_crs(source, document))


def _json(intake: Intake, source: Source) -> Any:
    def refuse(word: str) -> None:
        message = f"{word} is not a JSON number"
        raise ValueError(message)

    try:
        return json.loads(intake.read(source).decode("utf-8-sig"), parse_constant=refuse)
    except UnicodeDecodeError as error:
        problem = f"{source}: byte {error.start + 1} is not UTF-8 text."
        raise InputFileError(problem, "Save the GeoJSON as UTF-8.") from None
    except json.JSONDecodeError as error:
        problem = f"{source}: not valid JSON at line {error.lineno}, column {error.colno}: {error.msg}."
        raise InputFileError(problem, "The file may be cut off; export or copy it again.") from None
    except (ValueError, RecursionError) as error:
        problem = f"{source}: not valid GeoJSON: {error}."
        raise InputFileError(problem, "Export the GeoJSON again.") from None


_SHAPES = {"Point", "LineString", "Polygon", "MultiPoint", "MultiLineString", "MultiPolygon", "GeometryCollection"}


def _shape(source: Source, number: int, geometry: Any) -> shapely.Geometry | None:
    """One GeoJSON geometry; None for null."""
    if geometry is None:
        return None
    if not isinstance(geometry, dict) or geometry.get("type") not in _SHAPES:
        shown = geometry.get("type") if isinstance(geometry, dict) else type(geometry).__name__
        problem = f"{source}: feature {number} has a geometry of type {shown}, which GeoJSON does not know."
        raise InputFileError(problem, f"Use one of {', '.join(sorted(_SHAPES))}.")
    try:
        return shapely.force_2d(shapely.from_geojson(json.dumps(geometry)))
    except (shapely.errors.GEOSException, ValueError, TypeError, RecursionError) as error:
        detail = str(error).split("\n")[0].removeprefix("IllegalArgumentException: ")
        problem = f"{source}: the geometry of feature {number} is broken: {detail}."
        raise InputFileError(problem, "Draw or export that outline again; a ring ends where it began.") from None


def _geojson_crs(source: Source, document: dict[str, Any]) -> str:
    """System of a GeoJSON file: WGS 84 unless an old-style member says otherwise."""
    member = document.get("crs")
    if member is None:
        return LONLAT
    name = member.get("properties", {}).get("name") if isinstance(member, dict) else None
    if isinstance(name, str):
        if "CRS84" in name:
            return LONLAT
        code = re.search(r"EPSG:{1,2}(?:[\d.]*:)?(\d{4,6})$", name, re.IGNORECASE)
        if code is not None:
            return f"EPSG:{code[1]}"
    shown = name if isinstance(name, str) else json.dumps(member)[:60]
    problem = f"{source}: its crs member {shown} is not understood."
    raise InputFileError(problem, "Export the file in longitude and latitude (WGS 84), without a crs member.")
