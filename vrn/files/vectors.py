"""The prescription as GeoJSON (RFC 7946) and as a shapefile, as a rate controller expects it; the field as GPX."""

import io
import json
import math
import re
import xml.etree.ElementTree as ET
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.files.lonlat import WGS84, DrawnZone, dated, drawn_zones, lonlat_parts, rings
from vrn.files.names import one_line, plain_name, status
from vrn.model.field import Field
from vrn.model.grid import reproject
from vrn.model.metric_keys import column
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, say


def write_geojson(prescription: Prescription, folder: Path) -> None:
    """Write ``prescription.geojson``: WGS 84, shells counter-clockwise, at most seven decimals (RFC 7946)."""
    zones, shown = drawn_zones(prescription), UnitFormat.of(prescription.field.settings.units)
    collection = {
        "type": "FeatureCollection",
        "bbox": _bbox([part for zone in zones for part in zone.parts]),
        "field": prescription.field.name,
        "season": prescription.field.settings.header.season,
        "status": status(prescription),
        "product": prescription.product.name,
        "rate_basis": prescription.rate_basis,
        "features": [_feature(zone, prescription.rate_unit, shown) for zone in zones],
    }
    text = json.dumps(collection, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    text = text.replace('{"type":"Feature",', '\n{"type":"Feature",')  # a line for each zone
    (folder / "prescription.geojson").write_text(text + "\n", encoding="utf-8", newline="\n")


def _feature(zone: DrawnZone, rate_unit: str, shown: UnitFormat) -> dict[str, object]:
    """One zone; a single part is a Polygon, several are a MultiPolygon."""
    polygons = [rings(part, clockwise_shell=False) for part in zone.parts]
    single = len(polygons) == 1
    numbers = ((column("rate_n_lb_ac", metric=shown.metric), zone.rate.rate_n_lb_ac),
               (column("acres", metric=shown.metric), zone.rate.acres))  # fmt: skip
    return {
        "type": "Feature",
        "id": zone.rate.zone,
        "bbox": _bbox(list(zone.parts)),
        "properties": {
            "zone": zone.rate.zone,
            "rate_product": round(zone.rate.rate_product * shown.factor(rate_unit), 6),
            "rate_unit": shown.unit(rate_unit),
            **{name: round(value * factor, 6) for (name, factor), value in numbers},
        }
        | ({"label": zone.rate.label} if zone.rate.label else {}),
        "geometry": {
            "type": "Polygon" if single else "MultiPolygon",
            "coordinates": polygons[0] if single else polygons,
        },
    }


def write_trial_plots(prescription: Prescription, folder: Path) -> None:
    """Write ``trial_plots.geojson``, what a harvest is read by, where a trial is laid: a feature for each plot."""
    trial = prescription.trial
    if trial is None or not trial.plots:
        return
    features = []
    for plot in trial.plots:
        (part,) = lonlat_parts(plot.outline, prescription.grid.crs)
        properties = {
            "block": plot.block, "plot": plot.plot, "label": prescription.rates[plot.zone - 1].label,
            "zone": plot.zone, "rate_n_lb_ac": round(plot.rate_n_lb_ac, 6), "buffer_ft": round(trial.buffer_ft, 3),
            "heading_deg": round(trial.heading_deg, 4), "need_lb_ac": round(plot.need_lb_ac, 6),
            "supplies": {key: round(value, 6) for key, value in plot.supplies.items()},
        }  # fmt: skip
        geometry = {"type": "Polygon", "coordinates": rings(part, clockwise_shell=False)}
        features.append({"type": "Feature", "properties": properties, "geometry": geometry})
    collection = {"type": "FeatureCollection", "field": prescription.field.name,
                  "season": prescription.field.settings.header.season, "status": status(prescription),
                  "features": features}  # fmt: skip
    text = json.dumps(collection, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    text = text.replace('{"type":"Feature",', '\n{"type":"Feature",')
    (folder / "trial_plots.geojson").write_text(text + "\n", encoding="utf-8", newline="\n")


def _bbox(parts: list[shapely.Polygon]) -> list[float]:
    """West, south, east, north."""
    return [float(value) for value in np.round(shapely.total_bounds(parts), 7)]


def write_gpx(prescription: Prescription, folder: Path) -> None:
    """Write ``field.gpx``: samples as waypoints, then the boundary's rings as tracks."""
    field = prescription.field
    samples, units = field.samples.placed(), UnitFormat.of(field.settings.units)
    places = reproject(shapely.MultiPoint(samples.coordinates_m), samples.crs, WGS84)
    points = []
    for row, (longitude, latitude) in enumerate(shapely.get_coordinates(places)):
        reading, kind = samples.nitrate_ppm[row], samples.kind[row]
        shown = f"{reading:g} ppm NO3-N" if math.isfinite(reading) else "not read"
        top, bottom = (units.number("depth", edge[row]) for edge in (samples.top_in, samples.bottom_in))
        about = f"{top}-{bottom} {units.unit('depth')}: {shown}"
        about += "" if kind == "field" else f" ({kind})"
        points.append((longitude, latitude, samples.sample_id[row], about))
    (folder / "field.gpx").write_text(gpx_text(field, points, field.name), encoding="utf-8", newline="\n")


def gpx_text(field: Field, points: Sequence[tuple[float, float, str, str]], title: str, route: str = "") -> str:
    """
    GPX 1.1 on WGS 84: points (longitude, latitude, name, text) as waypoints, as a named route, the boundary as tracks.

    The schema wants waypoints before routes before tracks, latitude before longitude.
    """
    units = UnitFormat.of(field.settings.units)
    root = ET.Element("gpx", xmlns="http://www.topografix.com/GPX/1/1", version="1.1", creator="vrn")
    ET.SubElement(ET.SubElement(root, "metadata"), "name").text = one_line(title)

    def point(parent: ET.Element, tag: str, longitude: float, latitude: float, name: str = "") -> ET.Element:
        made = ET.SubElement(parent, tag, lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
        if name:
            ET.SubElement(made, "name").text = one_line(name, most=80)
        return made

    for longitude, latitude, name, text in points:
        ET.SubElement(point(root, "wpt", longitude, latitude, name), "desc").text = text
    if route and points:
        walk = ET.SubElement(root, "rte")
        ET.SubElement(walk, "name").text = route
        for longitude, latitude, name, _ in points:
            point(walk, "rtept", longitude, latitude, name)
    for number, part in enumerate(lonlat_parts(field.boundary, field.crs), start=1):
        for hole, ring in enumerate(rings(part, clockwise_shell=False)):
            track = ET.SubElement(root, "trk")
            code = "plan.boundary-hole" if hole else "plan.boundary"
            ET.SubElement(track, "name").text = say(units, code, number=number, hole=hole)
            segment = ET.SubElement(track, "trkseg")
            for longitude, latitude in ring:
                point(segment, "trkpt", longitude, latitude)
    ET.indent(root, " ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"


COLUMNS: Final = ("RATE", "ZONE", "UNIT")
LABEL: Final = "LABEL"
_NAME: Final = re.compile(r"[A-Z][A-Z0-9_]{0,9}")
_PRJ: Final = (
    'GEOGCS["GCS_WGS_1984",DATUM["D_WGS_1984",SPHEROID["WGS_1984",6378137.0,298.257223563]],'
    'PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]]'
)


def column_names(renamed: dict[str, str]) -> dict[str, str]:
    """Names of the columns ``RATE``, ``ZONE``, ``UNIT`` after ``[export] shapefile_columns``.

    InputFileError if a key is not a column, a name does not fit a DBF file, or two are the same.

    >>> column_names({"RATE": "TGT_RATE"})
    {'RATE': 'TGT_RATE', 'ZONE': 'ZONE', 'UNIT': 'UNIT'}
    """
    unknown = sorted(set(renamed) - set(COLUMNS))
    if unknown:
        problem = f"export.shapefile_columns: there is no column {', '.join(unknown)}."
        raise InputFileError(problem, f"Rename {', '.join(COLUMNS)}.")
    names = {ours: renamed.get(ours, ours) for ours in COLUMNS}
    for ours, name in names.items():
        if not _NAME.fullmatch(name):
            problem = f"export.shapefile_columns.{ours}: “{name}” does not fit a shapefile."
            raise InputFileError(problem, "Give up to ten of A–Z, 0–9 and _, a letter first.")
    if len({*names.values(), LABEL}) <= len(names):
        problem = f"export.shapefile_columns: two columns would be named alike ({', '.join(names.values())})."
        raise InputFileError(problem, "Give each column a name of its own.")
    return names


def write_shapefile(prescription: Prescription, folder: Path) -> None:
    """Write ``shapefile/RX.SHP`` (``RXREST.SHP`` of what is left) with its companions, and ``shapefile.zip``.

    InputFileError if columns do not fit.
    """
    files = shapefile_parts(prescription)
    inside = folder / "shapefile"
    inside.mkdir()
    for name, content in files.items():
        (inside / name).write_bytes(content)
    with zipfile.ZipFile(folder / "shapefile.zip", "w") as archive:
        for name, content in files.items():
            entry = zipfile.ZipInfo(name, date_time=(*dated(prescription).timetuple()[:3], 0, 0, 0))
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.create_system = 0  # the same bytes on every platform
            archive.writestr(entry, content)


def shapefile_parts(prescription: Prescription) -> dict[str, bytes]:
    """Files of the shapefile by name: a record for each single polygon, shells clockwise, WGS 84.

    ``RATE N(10,2)``, ``ZONE N(4,0)``, ``UNIT C(10)``, and ``LABEL C(40)`` where a zone has a label.
    """
    import shapefile  # pyshp: the one writer that keeps the widths

    settings = prescription.field.settings
    names, shown = column_names(settings.export.shapefile_columns), UnitFormat.of(settings.units)
    shp, shx, dbf = io.BytesIO(), io.BytesIO(), io.BytesIO()
    with shapefile.Writer(shp=shp, shx=shx, dbf=dbf, shapeType=shapefile.POLYGON, encoding="ascii") as writer:
        writer.field(names["RATE"], "N", 10, 2)
        writer.field(names["ZONE"], "N", 4, 0)
        writer.field(names["UNIT"], "C", 10)
        labelled = any(rate.label for rate in prescription.rates)
        if labelled:  # check strips are told apart
            writer.field(LABEL, "C", 40)
        for zone in drawn_zones(prescription):
            for part in zone.parts:
                writer.poly(rings(part, clockwise_shell=True))
                label = (plain_name(zone.rate.label, most=40, instead=""),) if labelled else ()
                rate = round(zone.rate.rate_product * shown.factor(prescription.rate_unit), 2)
                writer.record(rate, zone.rate.zone, shown.unit(prescription.rate_unit), *label)
    table = bytearray(dbf.getvalue())
    day = dated(prescription)
    table[1:4] = bytes((day.year - 1900, day.month, day.day))  # not the day it was run
    contents = {"SHP": shp.getvalue(), "SHX": shx.getvalue(), "DBF": bytes(table), "PRJ": _PRJ.encode("ascii")}
    return {f"{stem_of(prescription)}.{ending}": content for ending, content in contents.items()}


def stem_of(prescription: Prescription) -> str:
    """Name of the shapefile: what is left of a field never goes by the name of the whole."""
    return "RX" if prescription.remaining is None else "RXREST"
