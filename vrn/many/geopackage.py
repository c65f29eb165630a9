"""The season book as a GeoPackage: fields and zones of the latest builds, every build, and results."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import OutputError
from vrn.files.staging import move
from vrn.files.tables import Layer, write_layers
from vrn.many.book import Entry
from vrn.model.season import Due, Outcome, Result, SeasonZone
from vrn.nitrogen.late_spring import stalk_class


def write_season_geopackage(
    fields: tuple[Due, ...], path: Path, *, builds: tuple[Entry, ...] = (), came: tuple[Outcome, ...] = (),
    results: tuple[Result, ...] = (),
) -> None:  # fmt: skip
    """Write layers ``fields`` and ``zones``, tables ``builds`` and ``outcomes``, in the place of an earlier GeoPackage.

    OutputError if something else stands there, there is nothing to write, or it cannot be written.
    """
    drawn = [item for item in fields if item.zones]
    if not drawn:
        problem = "The season book holds no prescription to draw."
        raise OutputError(problem, "Build some fields first: vrn fields MANIFEST --out DIR.")
    if path.suffix.lower() != ".gpkg" or path.is_dir():
        problem = f"{path} does not end in .gpkg."
        raise OutputError(problem, "Name a file, as season.gpkg.")
    zones = [(item, zone) for item in drawn for zone in item.zones]
    layers: list[Layer] = [
        ("fields", "MultiPolygon", [item.outline for item in drawn], _field_columns(drawn, results)),
        ("zones", "MultiPolygon", [_multi(zone.outline) for _, zone in zones], _zone_columns(zones)),
        ("builds", None, None, _build_columns(builds)),
        ("outcomes", None, None, _outcome_columns(came)),
    ]
    part = path.with_name(f".{path.name}.part.gpkg")
    try:
        part.unlink(missing_ok=True)
        latest = date.fromisoformat(max(item.recorded_at for item in drawn)[:10])  # same book, same bytes
        write_layers(part, layers, "EPSG:4326", latest)
        move(part, path)
    except OSError as error:
        problem = f"{path} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a folder you may write to, on a disk with room.") from error
    finally:
        part.unlink(missing_ok=True)


def _field_columns(drawn: list[Due], results: tuple[Result, ...]) -> dict[str, object]:
    by_field: dict[tuple[int | None, str], Result] = {(result.season, result.field): result for result in results}
    mine = [by_field.get((item.season, item.field)) for item in drawn]
    return {
        "field": _texts([item.field for item in drawn]),
        "season": np.array([item.season for item in drawn], dtype=np.int32),
        "state": _texts([item.state for item in drawn]),
        "apply_on": _texts([item.application_date.isoformat() if item.application_date else "" for item in drawn]),
        "acres": _numbers([item.acres for item in drawn]),
        "product": _texts([item.product for item in drawn]),
        "product_unit": _texts([item.product_unit for item in drawn]),
        "total_product": _numbers([item.total_product for item in drawn]),
        "total_n_lb": _numbers([item.total_n_lb for item in drawn]),
        "mean_rate_n_lb_ac": _numbers([item.mean_rate_n_lb_ac for item in drawn]),
        "applied_n_lb": _numbers([result.applied_n_lb if result else None for result in mine]),
        "stalk_ppm": _numbers([result.stalk_ppm if result else None for result in mine]),
        "stalk_class": _texts([result.stalk_class if result else "" for result in mine]),
        "folder": _texts([item.folder for item in drawn]),
        "summary_sha256": _texts([item.summary_sha256 for item in drawn]),
    }


def _zone_columns(zones: list[tuple[Due, SeasonZone]]) -> dict[str, object]:
    return {
        "field": _texts([item.field for item, _ in zones]),
        "zone": np.array([zone.zone for _, zone in zones], dtype=np.int32),
        "rate_n_lb_ac": _numbers([zone.rate_n_lb_ac for _, zone in zones]),
        "rate_product": _numbers([zone.rate_product for _, zone in zones]),
        "rate_unit": _texts([zone.rate_unit for _, zone in zones]),
        "acres": _numbers([zone.acres for _, zone in zones]),
    }


def _build_columns(builds: tuple[Entry, ...]) -> dict[str, object]:
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


def _outcome_columns(came: tuple[Outcome, ...]) -> dict[str, object]:
    stalks = [stalk_class(item.value)[0] if item.what == "stalk_nitrate_ppm" else "" for item in came]
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


def _multi(shape: shapely.Geometry) -> shapely.Geometry:
    return shape if shape.geom_type == "MultiPolygon" else shapely.MultiPolygon([shape])
