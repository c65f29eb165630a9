"""KML: placemarks of every folder as features, in longitude and latitude as the standard says."""

import re
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import shapely

from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.table import LONLAT, Features, attributes

_DEEPEST = 100  # folders in folders


def read_kml(files: InputFiles, source: Source) -> Features:
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
        shape = _shape(source, number, mark)
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


def _text(element: ET.Element | None) -> str:
    return (element.text or "").strip() if element is not None else ""


def _placemarks(root: ET.Element, folder: str | None) -> Any:
    """Placemarks, in their order; with a name, only those it names or lies above."""
    waiting = [(root, folder is None, 0)]
    while waiting:
        element, taken, depth = waiting.pop()
        taken = taken or _text(_child(element, "name")) == folder
        if _tag(element) == "Placemark":
            if taken:
                yield element
        elif depth < _DEEPEST:
            waiting.extend((item, taken, depth + 1) for item in reversed(element))


def _attributes(mark: ET.Element) -> dict[str, str]:
    row = {"name": _text(_child(mark, "name"))}
    extended = _child(mark, "ExtendedData")
    for item in extended.iter() if extended is not None else ():
        name = item.get("name")
        if name and _tag(item) == "Data":
            row[name] = _text(_child(item, "value"))
        elif name and _tag(item) == "SimpleData":
            row[name] = _text(item)
    return row


def _shape(source: Source, number: int, mark: ET.Element) -> shapely.Geometry | None:
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
    for chunk in _text(_child(element, "coordinates")).split():
        numbers = chunk.split(",")
        places.append((float(numbers[0]), float(numbers[1])))
    return places
