"""Boundary and samples as GPX 1.1, for a handheld receiver."""

import math
import xml.etree.ElementTree as ET
from pathlib import Path

import numpy as np
import shapely

from vrn.files.lonlat import WGS84, lonlat_parts, rings
from vrn.files.names import one_line
from vrn.model.area import reproject
from vrn.prescription.model import Prescription

_NAMESPACE = "http://www.topografix.com/GPX/1/1"


def write_gpx(prescription: Prescription, folder: Path) -> None:
    """
    Write ``field.gpx``: samples as waypoints, the boundary's rings as tracks.

    Parameters
    ----------
    prescription : Prescription
    folder : Path
        Existing folder to write into.

    References
    ----------
    GPX 1.1 schema: waypoints before tracks, latitude and longitude on WGS 84.
    """
    field = prescription.field
    root = ET.Element("gpx", xmlns=_NAMESPACE, version="1.1", creator="vrn")
    ET.SubElement(ET.SubElement(root, "metadata"), "name").text = one_line(field.name)
    samples = field.samples.placed()
    places = reproject(shapely.MultiPoint(samples.coordinates_m), samples.crs, WGS84)
    for row, (longitude, latitude) in enumerate(shapely.get_coordinates(places)):
        point = ET.SubElement(root, "wpt", lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
        ET.SubElement(point, "name").text = one_line(samples.sample_id[row], most=80)
        reading = samples.nitrate_ppm[row]
        shown = f"{reading:g} ppm NO3-N" if math.isfinite(reading) else "not read"
        depth = f"{samples.top_in[row]:g}-{samples.bottom_in[row]:g} in"
        ET.SubElement(point, "desc").text = f"{depth}: {shown}" + (
            "" if samples.kind[row] == "field" else f" ({samples.kind[row]})"
        )
    for number, part in enumerate(lonlat_parts(field.boundary, field.crs), start=1):
        for turn, ring in enumerate(rings(part, clockwise_shell=False)):
            track = ET.SubElement(root, "trk")
            ET.SubElement(track, "name").text = f"Boundary {number}" if turn == 0 else f"Boundary {number} hole {turn}"
            segment = ET.SubElement(track, "trkseg")
            for longitude, latitude in np.asarray(ring):
                ET.SubElement(segment, "trkpt", lat=f"{latitude:.7f}", lon=f"{longitude:.7f}")
    ET.indent(root, " ")
    text = '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode") + "\n"
    (folder / "field.gpx").write_text(text, encoding="utf-8", newline="\n")
