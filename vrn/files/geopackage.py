"""Samples, zones, boundary and no-apply ground as one GeoPackage in the field's own system."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.files.lonlat import dated
from vrn.files.names import status
from vrn.files.tables import changes_in_words
from vrn.prescription.model import Prescription


def write_geopackage(prescription: Prescription, folder: Path) -> None:
    """
    Write ``layers.gpkg`` anew, layer after layer.

    Parameters
    ----------
    folder : Path
        Existing folder to write into; it holds no ``layers.gpkg`` yet.
    """
    import pyogrio

    stamp = f"{dated(prescription):%Y-%m-%d}T00:00:00.000Z"
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": stamp})  # GDAL writes today's date otherwise
    try:
        path = folder / "layers.gpkg"
        for number, (layer, kind, geometry, columns) in enumerate(_layers(prescription)):
            pyogrio.raw.write(
                path, np.array(shapely.to_wkb(geometry), dtype=object),
                field_data=[np.asarray(values) for values in columns.values()], fields=list(columns),
                layer=layer, driver="GPKG", geometry_type=kind, crs=prescription.grid.crs, append=number > 0,
            )  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _layers(prescription: Prescription) -> list[tuple[str, str, list[shapely.Geometry], dict[str, Any]]]:
    """Name, geometry type, geometries and columns of each layer."""
    field, rates, samples = prescription.field, prescription.rates, prescription.field.samples.placed()
    state = status(prescription)
    zones = {
        "zone": np.array([rate.zone for rate in rates], dtype=np.int32),
        "acres": [rate.acres for rate in rates],
        "parts": np.array([rate.parts for rate in rates], dtype=np.int32),
        "rate_n_lb_ac": [rate.rate_n_lb_ac for rate in rates],
        "rate_product": [rate.rate_product for rate in rates],
        "rate_unit": _texts([prescription.rate_unit] * len(rates)),
        "need_lb_ac": [rate.need_lb_ac for rate in rates],
        "nitrate_ppm": [rate.nitrate_ppm for rate in rates],
        "organic_matter_pct": [rate.organic_matter_pct for rate in rates],
        "yield_goal_bu_ac": [rate.yield_goal_bu_ac for rate in rates],
        "label": _texts([rate.label for rate in rates]),
        "changes": _texts([changes_in_words(rate.changes) for rate in rates]),
        "status": _texts([state] * len(rates)),
    }
    readings = {
        "sample_id": _texts(samples.sample_id),
        "kind": _texts(samples.kind),
        "top_in": samples.top_in,
        "bottom_in": samples.bottom_in,
        "nitrate_ppm": samples.nitrate_ppm,
        "sampled_on": _texts(["" if day is None else day.isoformat() for day in samples.sampled_on]),
        "area_id": _texts(samples.area_id),
    }
    named = {"field": _texts([field.name])}
    layers: list[tuple[str, str, list[shapely.Geometry], dict[str, Any]]] = [
        ("boundary", "MultiPolygon", [_multi(field.boundary)], named),
        ("zones", "MultiPolygon", [_multi(rate.outline) for rate in rates], zones),
        ("samples", "Point", [shapely.Point(place) for place in samples.coordinates_m], readings),
    ]
    if not field.no_apply.is_empty:
        layers.append(("no_apply", "MultiPolygon", [_multi(field.no_apply)], named))
    return layers


def _texts(values: Sequence[str]) -> Any:
    return np.array(list(values), dtype=object)


def _multi(geometry: shapely.Geometry) -> shapely.Geometry:
    """Polygons of a geometry as one MultiPolygon."""
    parts = [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(shapely.force_2d(parts).tolist())
