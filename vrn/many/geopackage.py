"""The season book as a GeoPackage: fields and zones of the latest builds, every build, and what came of them."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import OutputError
from vrn.many.book import Entry, Outcome
from vrn.many.outcomes import stalk_nitrate_class
from vrn.many.season import Due, what_came


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


def write_season_geopackage(
    fields: tuple[Due, ...], path: Path, *, builds: tuple[Entry, ...] = (), came: tuple[Outcome, ...] = ()
) -> None:
    """
    Write layers ``fields`` and ``zones``, tables ``builds`` and ``outcomes``, in the place of an earlier GeoPackage.

    Parameters
    ----------
    fields : tuple of Due
    path : Path
    builds : tuple of Entry
        Every build of the book.
    came : tuple of Outcome
        What was applied, what strips yielded and what stalks held.

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
        _write(part, drawn, builds, came)
        part.replace(path)
    except OSError as error:
        problem = f"{path} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a folder you may write to, on a disk with room.") from error
    finally:
        part.unlink(missing_ok=True)


def _write(path: Path, drawn: list[Due], builds: tuple[Entry, ...], came: tuple[Outcome, ...]) -> None:
    import pyogrio

    zones = [(item, feature) for item in drawn for feature in item.entry.outlines]
    layers: tuple[tuple[str, list[shapely.Geometry] | None, dict[str, Any]], ...] = (
        ("fields", [outline_of(item) for item in drawn], _field_columns(drawn, came)),
        ("zones", [_multi(feature["geometry"]) for _, feature in zones], _zone_columns(zones)),
        ("builds", None, _build_columns(builds)),
        ("outcomes", None, _outcome_columns(came)),
    )
    # GDAL writes today's date otherwise: same book, same bytes
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{_dated(drawn)}T00:00:00.000Z"})
    try:
        for number, (layer, outlines, columns) in enumerate(layers):
            ground = None if outlines is None else np.array(shapely.to_wkb(outlines), dtype=object)
            pyogrio.raw.write(
                path, ground, field_data=list(columns.values()), fields=list(columns), layer=layer, driver="GPKG",
                geometry_type=None if ground is None else "MultiPolygon", crs=None if ground is None else "EPSG:4326",
                append=number > 0,
            )  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _dated(drawn: list[Due]) -> str:
    """Day of the latest record."""
    return max(item.entry.recorded_at for item in drawn)[:10]


def _field_columns(drawn: list[Due], came: tuple[Outcome, ...]) -> dict[str, Any]:
    summaries = [item.entry.summary for item in drawn]
    entries = tuple(item.entry for item in drawn)
    shown = {(entry.season, entry.field) for entry in entries}
    of_shown = tuple(item for item in came if (item.season, item.field) in shown)  # a field's other seasons stay out
    results = {result.field: result for result in what_came(entries, of_shown)}
    mine = [results.get(item.entry.field) for item in drawn]
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
        "applied_n_lb": _numbers([result.applied_n_lb if result else None for result in mine]),
        "stalk_ppm": _numbers([result.stalk_ppm if result else None for result in mine]),
        "stalk_class": _texts([result.stalk_class if result else "" for result in mine]),
        "folder": _texts([item.entry.folder for item in drawn]),
        "summary_sha256": _texts([item.entry.summary_sha256 for item in drawn]),
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


def _build_columns(builds: tuple[Entry, ...]) -> dict[str, Any]:
    words = ("recorded_at", "field", "field_file", "folder", "status", "problem", "remedy", "summary_sha256")
    totals = ("acres", "total_n_lb", "total_product", "mean_rate_n_lb_ac")
    approval = {True: "approved", False: "DRAFT"}
    return {
        **{name: _texts([getattr(entry, name) for entry in builds]) for name in words},
        "season": _numbers([entry.season for entry in builds]),
        "approval": _texts(
            [approval[bool(entry.summary.get("approved"))] if entry.summary else "" for entry in builds]
        ),
        **{name: _numbers([entry.summary.get(name) for entry in builds]) for name in totals},
        "inputs_sha256": _texts([json.dumps(entry.summary.get("inputs", {})) for entry in builds]),
    }


def _outcome_columns(came: tuple[Outcome, ...]) -> dict[str, Any]:
    stalks = [stalk_nitrate_class(item.value) if item.what == "stalk_nitrate_ppm" else "" for item in came]
    return {
        "field": _texts([item.field for item in came]),
        "season": np.array([item.season for item in came], dtype=np.int32),
        "what": _texts([item.what for item in came]),
        "value": _numbers([item.value for item in came]),
        "zone": _numbers([item.zone for item in came]),
        "rate_n_lb_ac": _numbers([item.rate_n_lb_ac for item in came]),
        "stalk_class": _texts(stalks),
        "note": _texts([item.note for item in came]),
    }


def _numbers(values: list[Any]) -> Any:
    return np.array([np.nan if value is None else value for value in values], dtype=float)


def _texts(values: list[str]) -> Any:
    return np.array(values, dtype=object)


def _multi(geometry: dict[str, Any]) -> shapely.Geometry:
    shape = shapely.geometry.shape(geometry)
    return shape if shape.geom_type == "MultiPolygon" else shapely.MultiPolygon([shape])
