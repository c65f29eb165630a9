"""Everything a signature stands for as one JSON document in canonical form, and the id that is its SHA-256."""

import hashlib
import math
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from vrn.files.lonlat import lonlat_parts, rings
from vrn.model.field import Field
from vrn.model.grid import reproject
from vrn.model.settings import as_plain
from vrn.prescription.model import CheckStrip, Prescription, ZoneRate
from vrn.words import UnitFormat

NAME: Final = "statement.json"
METHOD_VERSION: Final = 2  # raised whenever the same inputs may give other rates
APPROVAL: Final = "review."  # how codes of findings on the approval itself begin: they are not part of the statement
_PATHS: Final = {"file", "files", "table", "boundary", "normals", "response_trial", "book", "tiles", "photo", "logo",
                 "lines"}  # fmt: skip
_OWN: Final = ("field file", "review")  # inputs that count by what they say


def statement_of(prescription: Prescription) -> dict[str, object]:
    """
    The statement: inputs by their bytes, settings, ground, rates, reasons, warnings.

    Not in it: who signs and when, comments, paths, versions of vrn and of libraries. Numbers are rounded to six
    decimals and outlines to the seven that are written.
    """
    field, crs = prescription.field, prescription.grid.crs
    product, ledger, shown = prescription.product, prescription.ledger, UnitFormat.of(field.settings.units)
    return {
        **ground_statement(field),
        "boundary": _outline(field.boundary, field.crs),
        "no_apply": _outline(shapely.intersection(field.no_apply, field.boundary), field.crs),
        "readings": _readings(field),
        "method": {"key": ledger.key, "source": ledger.source, "version": METHOD_VERSION},
        "product": {"name": product.name, "n_pct": product.n_pct, "density_lb_gal": product.density_lb_gal,
                    "unit": product.unit, "rate_basis": prescription.rate_basis},
        "rate_unit": shown.unit(prescription.rate_unit),
        **({} if prescription.remaining is None else {"covered_acres": _plain(prescription.remaining.covered_ac)}),
        "zones": [
            _zone(rate) | {"rate_product": _plain(rate.rate_product * shown.factor(prescription.rate_unit)),
                           "outline": _outline(rate.outline, crs)}
            for rate in prescription.rates
        ],
        "overrides": [
            {"zone": one.zone, "rate_n_lb_ac": _plain(one.rate_n_lb_ac), "reason": one.reason.strip(),
             "by": one.by, "ground": _outline(prescription.rates[one.zone - 1].outline, crs)}
            for one in prescription.overrides
        ],
        "totals": {"acres": _plain(prescription.acres), "n_lb": _plain(prescription.total_n_lb),
                   "product": _plain(prescription.total_product)},
        "warnings": [
            {"code": one.code, "about": _by_key(one.about, field),
             "quantities": {name: _plain(quantity.value) if not isinstance(quantity.value, str)
                            else _by_key(quantity.value, field) for name, quantity in one.quantities.items()}}
            for one in prescription.findings
            if one.level == "warning" and not one.code.startswith(APPROVAL)
        ],
    }  # fmt: skip


def ground_statement(field: Field) -> dict[str, object]:
    """What the rates come from, before a person changed any: inputs by key of the field file, and the settings."""
    settings = as_plain(field.settings)
    del settings["review"]
    return {
        "field": field.name,
        "season": field.settings.header.season,
        "inputs": [[key, digest] for key, _, digest in keyed_inputs(field)],
        "settings": _without_paths(settings),
    }


def keyed_inputs(field: Field) -> list[tuple[str, str, str]]:
    """Key of the field file, file name and SHA-256 of each input but the field file and the review themselves."""
    named = ((field.input_keys.get(name, "input"), name, digest) for name, digest in field.inputs.items())
    return sorted((one for one in named if one[0] not in _OWN), key=lambda one: (one[0], one[2]))


def canonical(statement: Mapping[str, object]) -> bytes:
    """
    Canonical form of a JSON document (RFC 8785).

    Examples
    --------
    >>> canonical({"b": 5.0, "a": [1e21, None]})
    b'{"a":[1e+21,null],"b":5}'
    """
    import rfc8785

    return rfc8785.dumps(dict(statement))  # type: ignore[arg-type]


def id_of(statement: Mapping[str, object]) -> str:
    """SHA-256 of the canonical form, 64 hex digits."""
    return hashlib.sha256(canonical(statement)).hexdigest()


def write_statement(prescription: Prescription, folder: Path) -> None:
    """Write ``statement.json`` in canonical form: its SHA-256 is the prescription's id."""
    (folder / NAME).write_bytes(canonical(statement_of(prescription)))


def _zone(rate: ZoneRate) -> dict[str, object]:
    strip = rate.trial
    laid: list[object] | None = None
    if isinstance(strip, CheckStrip):
        laid = [strip.pair, _plain(strip.difference_n_lb_ac), strip.in_zone]
    elif strip is not None:
        laid = [strip.block, _plain(strip.rate_n_lb_ac)]
    return {
        "zone": rate.zone, "label": rate.label, "acres": _plain(rate.acres), "parts": rate.parts,
        "rate_n_lb_ac": _plain(rate.rate_n_lb_ac),
        "need_lb_ac": _plain(rate.need_lb_ac), "need_se_lb_ac": _plain(rate.need_se_lb_ac),
        "nitrate_ppm": _plain(rate.nitrate_ppm), "organic_matter_pct": _plain(rate.organic_matter_pct),
        "yield_goal_bu_ac": _plain(rate.yield_goal_bu_ac),
        "ledger": [[line.key, _plain(float(line.lb_ac))] for line in rate.ledger.lines],
        **({} if rate.prices is None else {"prices_lb_ac": _plain(float(rate.prices.lb_ac))}),
        "strip": laid,
    }  # fmt: skip


def _readings(field: Field) -> list[object]:
    """Each place that has a reading: name, longitude, latitude, reading."""
    placed = field.samples.placed()
    lonlat = reproject(shapely.MultiPoint(placed.coordinates_m), placed.crs, "EPSG:4326")
    places = np.round(shapely.get_coordinates(lonlat), 7).tolist()
    rows = zip(placed.sample_id, places, placed.nitrate_ppm.tolist(), strict=True)
    return [[name, *place, _plain(ppm)] for name, place, ppm in rows]


def _outline(area: shapely.Geometry, crs: str) -> list[object]:
    """Polygons as lists of rings, largest first."""
    return [rings(part, clockwise_shell=False) for part in lonlat_parts(area, crs)]


def _plain(value: float | int | str | date | None) -> float | int | str | None:
    """A number to six decimals, None where it is unknown; a date as text."""
    if isinstance(value, date):
        return value.isoformat()
    if not isinstance(value, float):
        return value
    return round(float(value), 6) if math.isfinite(value) else None


def _by_key(text: str, field: Field) -> str:
    """A text that names input files, with their keys in place of their paths."""
    for key, name, _ in sorted(keyed_inputs(field), key=lambda one: -len(one[1])):
        text = text.replace(name, key)
    return text


def _without_paths(value: object, key: str = "") -> object:
    """Plain settings without what is not set, and of each path only the part named behind a ``#``."""
    if isinstance(value, Mapping):
        inner = {name: _without_paths(item, name) for name, item in value.items()}
        return {name: item for name, item in inner.items() if item is not None}
    if isinstance(value, str):
        return value if key not in _PATHS else value.partition("#")[2] or None
    if isinstance(value, Iterable):
        return [one for one in (_without_paths(item, key) for item in value) if one is not None]
    return value
