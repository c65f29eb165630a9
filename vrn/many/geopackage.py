"""The season book as a GeoPackage: fields and zones of the latest builds, for a map program."""

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import OutputError
from vrn.many.season import Due


def outline_of(due: Due) -> shapely.Geometry:
    """
    Ground a field's prescription covers.

    Parameters
    ----------
    due : Due

    Returns
    -------
    outline : MultiPolygon
        Longitude, latitude; empty after a failure.
    """
    zones = [shapely.geometry.shape(feature["geometry"]) for feature in due.entry.outlines]
    parts = [part for part in shapely.get_parts(shapely.union_all(zones)) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(parts)


def write_season_geopackage(fields: tuple[Due, ...], path: Path) -> None:
    """
    Write the layers ``fields`` and ``zones``, replacing a GeoPackage that an earlier run wrote.

    Parameters
    ----------
    fields : tuple of Due
    path : Path

    Raises
    ------
    OutputError
        If something else stands there, there is nothing to write, or it cannot be written.
    """
    drawn = [item for item in fields if item.entry.outlines]
    if not drawn:
        problem = "The season book holds no prescription to draw."
        raise OutputError(problem, "Build some fields first: vrn fields MANIFEST --out DIR.")
    if path.suffix.lower() != ".gpkg" or path.is_dir():
        problem = f"{path} does not end in .gpkg."
        raise OutputError(problem, "Name a file, as season.gpkg.")
    part = path.with_name(f".{path.name}.part.gpkg")
    try:
        part.unlink(missing_ok=True)
        _write(part, drawn)
        part.replace(path)
    except OSError as error:
        problem = f"{path} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a folder you may write to, on a disk with room.") from error
    finally:
        part.unlink(missing_ok=True)


def _write(path: Path, drawn: list[Due]) -> None:
    import pyogrio

    zones = [(item, feature) for item in drawn for feature in item.entry.outlines]
    layers: tuple[tuple[str, list[shapely.Geometry], dict[str, Any]], ...] = (
        ("fields", [outline_of(item) for item in drawn], _field_columns(drawn)),
        ("zones", [_multi(feature["geometry"]) for _, feature in zones], _zone_columns(zones)),
    )
    # GDAL writes today's date otherwise: same book, same bytes
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{_dated(drawn)}T00:00:00.000Z"})
    try:
        for number, (layer, outlines, columns) in enumerate(layers):
            pyogrio.raw.write(
                path, np.array(shapely.to_wkb(outlines), dtype=object), field_data=list(columns.values()),
                fields=list(columns), layer=layer, driver="GPKG", geometry_type="MultiPolygon", crs="EPSG:4326",
                append=number > 0,
            )  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _dated(drawn: list[Due]) -> str:
    """Day of the latest record."""
    return max(item.entry.recorded_at for item in drawn)[:10]


def _field_columns(drawn: list[Due]) -> dict[str, Any]:
    summaries = [item.entry.summary for item in drawn]
    return {
        "field": _texts([item.entry.field for item in drawn]),
        "season": np.array([item.entry.season for item in drawn], dtype=np.int32),
        "state": _texts([item.state for item in drawn]),
        "apply_on": _texts([item.entry.crop.get("application_date") or "" for item in drawn]),
        "acres": np.array([summary["acres"] for summary in summaries]),
        "product": _texts([summary["product"]["name"] for summary in summaries]),
        "product_unit": _texts([summary["product"]["unit"] for summary in summaries]),
        "total_product": np.array([summary["total_product"] for summary in summaries]),
        "total_n_lb": np.array([summary["total_n_lb"] for summary in summaries]),
        "mean_rate_n_lb_ac": np.array([summary["mean_rate_n_lb_ac"] for summary in summaries]),
        "folder": _texts([item.entry.folder for item in drawn]),
    }


def _zone_columns(zones: list[tuple[Due, dict[str, Any]]]) -> dict[str, Any]:
    told = [feature["properties"] for _, feature in zones]
    return {
        "field": _texts([item.entry.field for item, _ in zones]),
        "zone": np.array([properties["zone"] for properties in told], dtype=np.int32),
        "rate_n_lb_ac": np.array([properties["rate_n_lb_ac"] for properties in told]),
        "rate_product": np.array([properties["rate_product"] for properties in told]),
        "rate_unit": _texts([properties["rate_unit"] for properties in told]),
        "acres": np.array([properties["acres"] for properties in told]),
    }


def _texts(values: list[str]) -> Any:
    return np.array(values, dtype=object)


def _multi(geometry: dict[str, Any]) -> shapely.Geometry:
    shape = shapely.geometry.shape(geometry)
    return shape if shape.geom_type == "MultiPolygon" else shapely.MultiPolygon([shape])
