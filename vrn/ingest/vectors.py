"""Vector files of every kind, read by what they are and not by what they are called: GeoJSON, KML, and GDAL's."""

import json
import re
import warnings
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.ingest.input_files import LIBRARY_ERRORS, SHAPEFILE_PARTS, InputFiles, Kind, Source, member_of, recognize
from vrn.ingest.table import LONLAT, Features, attributes, cell_text

_LARGEST = 1_000_000_000  # bytes of a file that GDAL reads
_SHAPES = ("GeometryCollection", "LineString", "MultiLineString", "MultiPoint", "MultiPolygon", "Point", "Polygon")


def read_features(files: InputFiles, source: Source) -> Features:
    """
    Read GeoJSON, KML, a shapefile, GeoPackage or FlatGeobuf, each also in a zip archive, by what it is.

    Refuses a file that is none of them, is damaged, or holds no feature.
    """
    kind = recognize(source)
    if kind == "zip":
        source = member_of(files, source)
        kind = recognize(source)
    if kind == "geojson":
        features = _read_geojson(files, source)
    elif kind == "kml":
        features = _read_kml(files, source)
    elif kind in ("shapefile", "geopackage", "flatgeobuf"):
        features = _read_with_gdal(files, source, kind)
    else:
        what = "raster" if kind == "raster" else "table"
        source.refuse(f"this is a {what}, and shapes are needed.", "Give GeoJSON, a shapefile, GeoPackage or KML.")
    if len(features.geometry) == 0:
        source.refuse("the file holds no feature.", "Export it again, or check that the right file is named.")
    return features


def _read_geojson(files: InputFiles, source: Source) -> Features:
    """
    Features of a GeoJSON file (RFC 7946, or an older one with a crs member): a collection, a feature, or a geometry.

    By hand and not by GDAL, which takes a broken geometry for none without naming the feature, turns the whole numbers
    of a mixed column into decimals, and adds 0.3 s to a build whose other files do not need it.
    """
    document = _json(files, source)
    if not isinstance(document, dict):
        source.refuse("this is JSON and not GeoJSON.", "Give a FeatureCollection, a Feature or a geometry.")
    kind = document.get("type")
    if kind == "FeatureCollection":
        items = document.get("features")
    elif kind == "Feature":
        items = [document]
    else:
        items = [{"geometry": document, "properties": {}}]
    if not isinstance(items, list) or not all(isinstance(item, dict) for item in items):
        source.refuse('"features" is not a list of features.', "Export the GeoJSON again.")
    geometry = np.array([_shape(source, i, item.get("geometry")) for i, item in enumerate(items, 1)], dtype=object)
    properties = [item.get("properties") if isinstance(item.get("properties"), dict) else {} for item in items]
    columns = list(dict.fromkeys(str(key) for row in properties for key in row))
    cells = [[cell_text(row.get(column)) for column in columns] for row in properties]
    table = attributes(source.name, columns, cells)
    return Features(geometry=geometry, table=table, crs=_geojson_crs(source, document))


def _json(files: InputFiles, source: Source) -> Any:
    def refuse(word: str) -> None:
        message = f"{word} is not a JSON number"
        raise ValueError(message)

    try:
        return json.loads(files.read(source).decode("utf-8-sig"), parse_constant=refuse)
    except UnicodeDecodeError as error:
        source.refuse(f"byte {error.start + 1} is not UTF-8 text.", "Save the GeoJSON as UTF-8.")
    except json.JSONDecodeError as error:
        source.refuse(
            f"not valid JSON at line {error.lineno}, column {error.colno}: {error.msg}.",
            "The file may be cut off; export or copy it again.",
        )
    except (ValueError, RecursionError) as error:
        source.refuse(f"not valid GeoJSON: {error}.", "Export the GeoJSON again.")


def _shape(source: Source, number: int, geometry: Any) -> shapely.Geometry | None:
    """One GeoJSON geometry; None for null."""
    if geometry is None:
        return None
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    if not isinstance(kind, str) or kind not in _SHAPES:
        shown = str(kind)[:40] if isinstance(geometry, dict) else type(geometry).__name__
        source.refuse(
            f"feature {number} has a geometry of type {shown}, which GeoJSON does not know.",
            f"Use one of {', '.join(_SHAPES)}.",
        )
    try:
        return shapely.force_2d(shapely.from_geojson(json.dumps(geometry)))
    except (shapely.errors.GEOSException, ValueError, TypeError, RecursionError) as error:
        detail = str(error).split("\n")[0].removeprefix("IllegalArgumentException: ")
        source.refuse(
            f"the geometry of feature {number} is broken: {detail}.",
            "Draw or export that outline again; a ring ends where it began.",
        )


def _geojson_crs(source: Source, document: dict[str, Any]) -> str:
    """System of a GeoJSON file: WGS 84 unless an old-style member says otherwise."""
    member = document.get("crs")
    if member is None:
        return LONLAT
    properties = member.get("properties") if isinstance(member, dict) else None
    name = properties.get("name") if isinstance(properties, dict) else None
    if isinstance(name, str) and "CRS84" in name:
        return LONLAT
    code = re.search(r"EPSG:{1,2}(?:[\d.]*:)?(\d{4,6})$", name, re.IGNORECASE) if isinstance(name, str) else None
    if code is None:
        shown = name if isinstance(name, str) else json.dumps(member)[:60]
        source.refuse(
            f"its crs member {shown} is not understood.",
            "Export the file in longitude and latitude (WGS 84), without a crs member.",
        )
    return f"EPSG:{code[1]}"


def _read_with_gdal(files: InputFiles, source: Source, kind: Kind) -> Features:
    """
    Read a shapefile, a GeoPackage or a FlatGeobuf file.

    Refuses one of which a part is missing, that is damaged, or does not say which layer is meant.
    """
    if source.inner is not None:
        return _from_gdal(source, f"/vsizip/{{{source.path}}}/{source.inner}", None)
    if kind == "shapefile":
        files.record(source, *_shapefile_parts(source))
    else:
        files.record(source)
    size = source.path.stat().st_size
    if size > _LARGEST:
        source.refuse(
            f"the file is {size / 1e6:,.0f} MB, more than can be held in memory.",
            "Give the part of it that covers this field.",
        )
    return _from_gdal(source, str(source.path), source.part)


def _shapefile_parts(source: Source) -> list[Path]:
    stem = source.path.stem.lower()
    try:
        beside = list(source.path.parent.iterdir())
    except OSError:
        beside = [
            source.path.with_suffix(ending) for ending in SHAPEFILE_PARTS if source.path.with_suffix(ending).exists()
        ]
    there = {
        item.suffix.lower(): item
        for item in beside
        if item.stem.lower() == stem and item.suffix.lower() in SHAPEFILE_PARTS
    }
    missing = [ending for ending in (".shx", ".dbf") if ending not in there]
    if missing:
        source.refuse(
            f"its part {' and '.join(missing)} is missing beside it.",
            "Copy the whole shapefile: .shp, .shx, .dbf and .prj.",
        )
    return sorted(there.values())


def layer_names(source: Source) -> list[str]:
    """Layers of a database that have geometry; refuses one that cannot be opened."""
    import pyogrio

    try:
        return [str(name) for name, kind in pyogrio.list_layers(source.path) if kind is not None]
    except LIBRARY_ERRORS as error:
        source.refuse(f"cannot be read: {str(error)[:80].rstrip('.')}.", "Export or copy it again.")


def _from_gdal(source: Source, path: str, layer: str | None) -> Features:
    import pyogrio
    from pyogrio.errors import CRSError

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what matters of them is checked here by itself
            layers = [str(name) for name, kind in pyogrio.list_layers(path) if kind is not None]
            layer = _layer(source, layers, layer)
            meta, _, wkb, columns = pyogrio.raw.read(path, layer=layer, force_2d=True, datetime_as_string=True)
    except InputFileError:
        raise
    except (CRSError, UnboundLocalError) as error:  # the second is a slip of some versions on letters not in UTF-8
        short = "broken letters" if isinstance(error, UnboundLocalError) else str(error).rstrip(".")[:80]
        source.refuse(
            f"its coordinate system cannot be understood ({short}).",
            "Export it in longitude and latitude (WGS 84); or name its system in the field file instead of the .prj.",
        )
    except LIBRARY_ERRORS as error:
        detail = str(error).split(";")[0].replace(path, source.path.name)
        source.refuse(
            f"cannot be read: {detail.rstrip('.')}.", "The file may be damaged or cut off; export or copy it again."
        )
    return _features(source, meta, wkb, columns)


def _layer(source: Source, layers: list[str], wanted: str | None) -> str:
    if wanted not in layers:
        if not layers:
            source.refuse("it holds no layer with geometry.", "Export it again, or check that the right file is named.")
        if wanted is not None or len(layers) > 1:
            source.refuse_choice("layer", layers)
    return wanted if wanted in layers else layers[0]


def _features(source: Source, meta: dict[str, Any], wkb: Any, columns: list[Any]) -> Features:
    try:
        with np.errstate(
            invalid="ignore"
        ):  # a coordinate that is not a number is refused by check_finite, with its feature
            geometry = shapely.force_2d(shapely.from_wkb(wkb))
    except (shapely.errors.GEOSException, TypeError, ValueError) as error:
        detail = str(error).split("\n")[0].removeprefix("IllegalArgumentException: ")
        source.refuse(f"an outline is broken: {detail}.", "Draw or export it again; a ring ends where it began.")
    geometry = np.asarray(geometry, dtype=object).reshape(-1)
    cells = [[cell_text(value) for value in row] for row in zip(*columns, strict=True)] if columns else []
    table = attributes(source.name, [str(name).strip() for name in meta["fields"]], cells or [[] for _ in geometry])
    return Features(geometry=geometry, table=table, crs=meta.get("crs") or "")


_DEEPEST = 100  # folders in folders


def _read_kml(files: InputFiles, source: Source) -> Features:
    """
    Placemarks of a KML file, or those of the folder named behind a ``#``; columns are the name and the extended data.

    By hand and not by GDAL, which does not say which placemark has a broken coordinate and makes a layer of each
    folder. Refuses what is not KML, declares entities, or has a coordinate that is no number.
    """
    root = _root(files, source)
    folder = source.part if source.inner is None else None
    geometry: list[shapely.Geometry] = []
    rows: list[dict[str, str]] = []
    marks = list(_placemarks(root, folder))
    for number, mark in enumerate(marks, 1):
        shape = _placemark_shape(source, number, mark)
        if shape is not None:
            geometry.append(shape)
            rows.append(_attributes(mark))
    if folder is not None and not marks:
        source.refuse(f"there is no folder or placemark {folder}.", "Check its name, or leave the # out to take all.")
    columns = list(dict.fromkeys(name for row in rows for name in row))
    cells = [[row.get(name, "") for name in columns] for row in rows]
    table = attributes(source.name, columns, cells, word="placemark")
    shapes = np.empty(len(geometry), dtype=object)
    shapes[:] = geometry
    return Features(geometry=shapes, table=table, crs=LONLAT)


def _root(files: InputFiles, source: Source) -> ET.Element:
    data = files.read(source)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        data = data.decode("utf-16", errors="replace").encode()
        data = re.sub(rb"^<\?xml[^>]*\?>", b"", data)
    if re.search(rb"<!(doctype|entity)", data, re.IGNORECASE):
        source.refuse(
            "this XML declares a document type or entities, which no KML needs.",
            "Do not trust it; export the KML again.",
        )
    try:
        root = ET.fromstring(data)
    except (ET.ParseError, ValueError, LookupError, RecursionError) as error:
        source.refuse(f"not valid XML: {error}.", "The file may be cut off; export or copy it again.")
    if _tag(root) != "kml":
        source.refuse(f"this XML is {_tag(root)}, not KML.", "Give GeoJSON, a shapefile, GeoPackage or KML.")
    return root


def _tag(element: ET.Element) -> str:
    return element.tag.rsplit("}", 1)[-1] if isinstance(element.tag, str) else ""


def _child(element: ET.Element, tag: str) -> ET.Element | None:
    return next((item for item in element if _tag(item) == tag), None)


def _text_of(element: ET.Element | None) -> str:
    return (element.text or "").strip() if element is not None else ""


def _placemarks(root: ET.Element, folder: str | None) -> Any:
    """Placemarks, in their order; with a name, only those it names or lies above."""
    waiting = [(root, folder is None, 0)]
    while waiting:
        element, taken, depth = waiting.pop()
        taken = taken or _text_of(_child(element, "name")) == folder
        if _tag(element) == "Placemark":
            if taken:
                yield element
        elif depth < _DEEPEST:
            waiting.extend((item, taken, depth + 1) for item in reversed(element))


def _attributes(mark: ET.Element) -> dict[str, str]:
    row = {"name": _text_of(_child(mark, "name"))}
    extended = _child(mark, "ExtendedData")
    for item in extended.iter() if extended is not None else ():
        name = item.get("name")
        if name and _tag(item) == "Data":
            row[name] = _text_of(_child(item, "value"))
        elif name and _tag(item) == "SimpleData":
            row[name] = _text_of(item)
    return row


def _placemark_shape(source: Source, number: int, mark: ET.Element) -> shapely.Geometry | None:
    """Geometry of a placemark; None when it has none that can be drawn on the ground."""
    parts: list[shapely.Geometry] = []
    waiting = list(reversed(mark))
    try:
        while waiting:
            element = waiting.pop()
            tag = _tag(element)
            if tag == "MultiGeometry":
                waiting.extend(reversed(element))
            elif tag == "Point":
                parts.append(shapely.Point(_coordinates(element)[0]))
            elif tag in ("LineString", "LinearRing"):
                parts.append(shapely.LineString(_coordinates(element)))
            elif tag == "Polygon":
                rings = [_ring(item) for item in element if _tag(item) in ("outerBoundaryIs", "innerBoundaryIs")]
                parts.append(shapely.Polygon(rings[0], rings[1:]))
    except (ValueError, IndexError, shapely.errors.GEOSException) as error:
        detail = str(error).split("\n")[0] or "no coordinates"
        source.refuse(f"the geometry of placemark {number} is broken: {detail}.", "Draw or export it again.")
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else shapely.GeometryCollection(parts)


def _ring(boundary: ET.Element) -> list[tuple[float, float]]:
    ring = _child(boundary, "LinearRing")
    if ring is None:
        message = "a ring is missing"
        raise ValueError(message)
    return _coordinates(ring)


def _coordinates(element: ET.Element) -> list[tuple[float, float]]:
    """Longitude and latitude; the height is left out."""
    places = []
    for chunk in _text_of(_child(element, "coordinates")).split():
        numbers = chunk.split(",")
        places.append((float(numbers[0]), float(numbers[1])))
    return places
