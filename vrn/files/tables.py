"""Ledger and zones as CSV tables that add up; samples, zones, boundary and no-apply ground as one GeoPackage."""

import csv
import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.files.lonlat import dated
from vrn.files.names import cell_text, status
from vrn.model.metric_keys import column
from vrn.prescription.model import Change, Prescription
from vrn.words import UnitFormat, say

# name, geometry type, shapes and columns; a table has no shapes
Layer = tuple[str, str | None, Sequence[shapely.Geometry] | NDArray[np.object_] | None, Mapping[str, object]]


def write_tables(prescription: Prescription, folder: Path) -> None:
    """Write ``ledger.csv`` and ``zones.csv``; unknown numbers are empty cells.

    ``ledger.csv`` holds a row for each zone and line of its ledger; a zone's rows add up to the rate wanted before
    it is cut at 0 and limits: its need, and a row ``prices`` where rates follow them.
    """
    shown = UnitFormat.of(prescription.field.settings.units)
    step = f" ({shown.arithmetic})" if shown.metric else ""
    ledger: list[list[object]] = [
        [rate.zone, rate.acres, line.key, line.label, line.lb_ac, line.basis + step, line.source]
        for rate in prescription.rates
        for line in rate.lines
    ]
    _write(folder / "ledger.csv", ["zone", "acres", "key", "label", "lb_ac", "basis", "source"], ledger, shown)
    unit = prescription.product.unit
    header = ["zone", "acres", "parts", "rate_n_lb_ac", "rate_product", "rate_unit", f"product_{unit}_ac",
              f"product_{unit}", "n_lb", "need_lb_ac", "need_se_lb_ac", "nitrate_ppm", "organic_matter_pct",
              "yield_goal_bu_ac", "label", "changes", "status"]  # fmt: skip
    zones: list[list[object]] = [
        [rate.zone, rate.acres, rate.parts, rate.rate_n_lb_ac,
         rate.rate_product * shown.factor(prescription.rate_unit), shown.unit(prescription.rate_unit),
         rate.product_per_ac, rate.product_per_ac * rate.acres, rate.rate_n_lb_ac * rate.acres, rate.need_lb_ac,
         rate.need_se_lb_ac, rate.nitrate_ppm, rate.organic_matter_pct, rate.yield_goal_bu_ac,
         rate.label, changes_in_words(rate.changes, shown), status(prescription)]
        for rate in prescription.rates
    ]  # fmt: skip
    _write(folder / "zones.csv", header, zones, shown)


def changes_in_words(changes: Iterable[Change], shown: UnitFormat) -> str:
    """What was done to a rate, in order.

    >>> from vrn.findings import Quantity
    >>> step = {"step": Quantity("rate", 5.0)}
    >>> change = Change(zone=1, cause="step", from_n_lb_ac=92.31, to_n_lb_ac=90.0, quantities=step)
    >>> changes_in_words([change], UnitFormat(metric=False))
    '92.31 to 90 lb N/ac: rounded to the nearest 5 lb N/ac'
    """
    factor, unit = shown.factor("rate"), shown.unit("rate")
    return "; ".join(
        f"{change.from_n_lb_ac * factor:.4g} to {change.to_n_lb_ac * factor:.4g} {unit}: "
        + say(shown, f"rates.change-{change.cause}", **change.quantities)
        for change in changes
    )


def _write(path: Path, header: list[str], rows: list[list[object]], shown: UnitFormat) -> None:
    """A table with the columns of its trade units, or their metric twins."""
    columns = [column(name, metric=shown.metric) for name in header]
    header = [name for name, _ in columns]
    factors = [factor for _, factor in columns]
    rows = [[value * factor if factor != 1.0 and isinstance(value, float) else value
             for value, factor in zip(row, factors, strict=True)] for row in rows]  # fmt: skip
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows([[_cell(value) for value in row] for row in rows])


def _cell(value: object) -> object:
    """A number as it is (an unknown one empty), text safe for a spreadsheet."""
    if value is None:
        return ""
    if isinstance(value, float):
        return value if math.isfinite(value) else ""
    return cell_text(value) if isinstance(value, str) else value


def write_geopackage(prescription: Prescription, folder: Path) -> None:
    """Write ``layers.gpkg`` anew, layer after layer; what a process that was ended left of it goes."""
    for part in folder.glob("layers.gpkg*"):
        part.unlink()
    write_layers(folder / "layers.gpkg", _layers(prescription), prescription.grid.crs, dated(prescription))


def write_layers(path: Path, layers: Sequence[Layer], crs: str, on: date) -> None:
    """Write a GeoPackage, layer after layer, dated to a day."""
    import pyogrio

    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{on:%Y-%m-%d}T00:00:00.000Z"})  # else today's date
    try:
        for number, (layer, kind, geometry, columns) in enumerate(layers):
            pyogrio.raw.write(
                path, None if geometry is None else np.array(shapely.to_wkb(geometry), dtype=object),
                field_data=[np.asarray(values) for values in columns.values()], fields=list(columns), layer=layer,
                driver="GPKG", geometry_type=kind, crs=None if geometry is None else crs, append=number > 0,
            )  # fmt: skip
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def _layers(prescription: Prescription) -> list[Layer]:
    """Name, geometry type, geometries and columns of each layer."""
    field, rates, samples = prescription.field, prescription.rates, prescription.field.samples.placed()
    state, shown = status(prescription), UnitFormat.of(field.settings.units)
    zones = {
        "zone": np.array([rate.zone for rate in rates], dtype=np.int32),
        "acres": [rate.acres for rate in rates],
        "parts": np.array([rate.parts for rate in rates], dtype=np.int32),
        "rate_n_lb_ac": [rate.rate_n_lb_ac for rate in rates],
        "rate_product": [rate.rate_product * shown.factor(prescription.rate_unit) for rate in rates],
        "rate_unit": _texts([shown.unit(prescription.rate_unit)] * len(rates)),
        "need_lb_ac": [rate.need_lb_ac for rate in rates],
        "nitrate_ppm": [rate.nitrate_ppm for rate in rates],
        "organic_matter_pct": [rate.organic_matter_pct for rate in rates],
        "yield_goal_bu_ac": [rate.yield_goal_bu_ac for rate in rates],
        "label": _texts([rate.label for rate in rates]),
        "changes": _texts([changes_in_words(rate.changes, shown) for rate in rates]),
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
    layers: list[Layer] = [
        ("boundary", "MultiPolygon", [_multi(field.boundary)], named),
        ("zones", "MultiPolygon", [_multi(rate.outline) for rate in rates], in_units(zones, shown)),
        ("samples", "Point", [shapely.Point(place) for place in samples.coordinates_m], in_units(readings, shown)),
    ]
    if not field.no_apply.is_empty:
        layers.append(("no_apply", "MultiPolygon", [_multi(field.no_apply)], named))
    return layers


def in_units(columns: Mapping[str, object], shown: UnitFormat) -> dict[str, object]:
    """Columns of numbers in trade units as they are, or as their metric twins."""
    named = {name: column(name, metric=shown.metric) for name in columns}
    return {named[name][0]: values if named[name][1] == 1.0 else np.asarray(values, dtype=float) * named[name][1]
            for name, values in columns.items()}  # fmt: skip


def _texts(values: Sequence[str]) -> NDArray[np.object_]:
    return np.array(list(values), dtype=object)


def _multi(geometry: shapely.Geometry) -> shapely.Geometry:
    """Polygons of a geometry as one MultiPolygon."""
    parts = [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon"]
    return shapely.MultiPolygon(shapely.force_2d(parts).tolist())
