"""GeoJSON (RFC 7946, and older files with a crs member) as features."""

import json
import re
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.ingest.features import LONLAT, Features, cell_text
from vrn.ingest.intake import Intake, Source
from vrn.ingest.table import Table


def read_geojson(intake: Intake, source: Source) -> Features:
    """
    Features of a GeoJSON file: a collection, one feature, or a bare geometry.

    Parameters
    ----------
    intake : Intake
    source : Source

    Returns
    -------
    features : Features

    Raises
    ------
    InputFileError
        If it is not JSON (line and column are passed on), not GeoJSON, or a geometry is broken.
    """
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
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if not isinstance(kind, str) or kind not in _SHAPES:
        shown = str(kind)[:40] if isinstance(geometry, dict) else type(geometry).__name__
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
    properties = member.get("properties") if isinstance(member, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    if isinstance(name, str):
        if "CRS84" in name:
            return LONLAT
        code = re.search(r"EPSG:{1,2}(?:[\d.]*:)?(\d{4,6})$", name, re.IGNORECASE)
        if code is not None:
            return f"EPSG:{code[1]}"
    shown = name if isinstance(name, str) else json.dumps(member)[:60]
    problem = f"{source}: its crs member {shown} is not understood."
    raise InputFileError(problem, "Export the file in longitude and latitude (WGS 84), without a crs member.")
