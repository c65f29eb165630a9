"""The season book for other programs: a GeoPackage of fields, zones, builds and results, and GeoParquet."""

import json
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import MissingExtraError, OutputError
from vrn.files.staging import move
from vrn.files.tables import Layer, write_layers
from vrn.many.book import Entry
from vrn.model.metric_keys import column
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


def write_season_parquet(
    fields: Sequence[Due], entries: Sequence[Entry], came: Sequence[Outcome], folder: Path
) -> tuple[str, ...]:  # fmt: skip
    """
    Write ``zones``, ``rates``, ``readings`` and ``as_applied`` as GeoParquet, in longitude and latitude.

    Readings are those in the folders of the prescriptions; returned are the fields whose folder is not there.
    MissingExtraError without pyarrow; OutputError if nothing can be written.
    """
    try:
        import pyarrow.parquet  # noqa: F401 - geopandas looks for it
    except ImportError:
        problem = "GeoParquet was asked for, and pyarrow is not installed."
        raise MissingExtraError(problem, 'Install it with: pip install "vrn[parquet]"') from None
    known = {(entry.key, entry.season): entry for entry in entries}
    drawn = [(item, known[item.key, item.season]) for item in fields if item.zones]
    readings, lost = _readings([item for item, _ in drawn])
    frames = {"zones": _zone_rows(drawn), "rates": _rate_rows(drawn), "as_applied": _applied_rows(drawn, came)}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in (
            {"readings": readings} | {name: _frame(rows, _APPLIED) for name, rows in frames.items()}
        ).items():
            part = folder / f".{name}.parquet.part"
            frame.to_parquet(part, index=False, schema_version="1.1.0")
            move(part, folder / f"{name}.parquet")
    except OSError as error:
        problem = f"{folder} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a folder you may write to, on a disk with room.") from error
    return lost


def _frame(rows: Sequence[Mapping[str, object]], empty: Sequence[str]) -> Any:
    import geopandas

    names = list(rows[0]) if rows else [*empty, "geometry"]
    columns = {name: [row[name] for row in rows] for name in names}
    return geopandas.GeoDataFrame(columns, geometry="geometry", crs="EPSG:4326")


_APPLIED = ("field", "key", "season", "zone", "what", "value", "value_per_ac", "planned_n_lb_ac", "applied_on", "note")
_READING = ("field", "key", "season", "sample_id", "top_in", "bottom_in", "nitrate_ppm")


def _named(item: Due) -> dict[str, object]:
    return {"field": item.field, "key": item.key, "season": item.season, "grower": item.grower, "state": item.state}


def _zone_rows(drawn: Sequence[tuple[Due, Entry]]) -> list[dict[str, object]]:
    """What each zone is: its ground, and the readings and need that its rate comes from."""
    names = ("nitrate_ppm", "organic_matter_pct", "yield_goal_bu_ac", "need_lb_ac")
    rows = []
    for item, entry in drawn:
        said = {zone["zone"]: zone for zone in entry.summary.get("zones", ())}
        rows += [_named(item) | {"zone": zone.zone, "acres": zone.acres, "geometry": zone.outline,
                                 **{name: said.get(zone.zone, {}).get(name) for name in names}}
                 for zone in item.zones]  # fmt: skip
    return rows


def _rate_rows(drawn: Sequence[tuple[Due, Entry]]) -> list[dict[str, object]]:
    """What each zone is to get, and of which prescription."""
    return [
        _named(item) | {"prescription": entry.rx, "signed_by": item.signed_by, "product": item.product,
                        **{name: getattr(zone, name) for name in ("zone", "rate_n_lb_ac", "rate_product", "rate_unit")},
                        "geometry": zone.outline}
        for item, entry in drawn for zone in item.zones
    ]  # fmt: skip


def _applied_rows(drawn: Sequence[tuple[Due, Entry]], came: Sequence[Outcome]) -> list[dict[str, object]]:
    """What each zone got: on its ground, the field's where no zone is known, on none where no product belongs."""
    rows = []
    for item, entry in drawn:
        zones = {zone.zone: zone for zone in item.zones}
        for one in came:
            if entry.has(one) and one.what in ("applied_n_lb", "applied_product"):
                zone = zones.get(one.zone) if one.zone is not None else None
                ground = zone.outline if zone else item.outline if one.zone is None else None
                area = zone.acres if zone else item.acres if one.zone is None else None
                rows.append(_named(item) | {
                    "zone": one.zone, "what": one.what, "value": one.value, "value_per_ac": area and one.value / area,
                    "planned_n_lb_ac": zone.rate_n_lb_ac if zone else None, "applied_on": one.on and one.on.isoformat(),
                    "note": one.note, "geometry": ground})  # fmt: skip
    return rows


def _readings(fields: Sequence[Due]) -> tuple[Any, tuple[str, ...]]:
    """Samples of the fields as their folders hold them, in trade units, and the fields whose folder is not there."""
    import pyogrio

    rows: list[dict[str, object]] = []
    lost = []
    for item in fields:
        layers = Path(item.folder) / "layers.gpkg"
        if not layers.is_file():
            lost.append(item.field)
            continue
        frame = pyogrio.read_dataframe(layers, layer="samples").to_crs("EPSG:4326")
        for name in ("top_in", "bottom_in"):
            metric, per = column(name, metric=True)
            if name not in frame and metric in frame:
                frame[name] = frame.pop(metric) / per
        rows += (_named(item) | sample for sample in frame.to_dict("records"))
    names = dict.fromkeys(name for row in rows for name in row)
    return _frame([{name: row.get(name) for name in names} for row in rows], _READING), tuple(lost)
