"""The prescription in one JSON file, with the hash of every input and of every file beside it."""

import hashlib
import json
import math
import platform
from collections.abc import Mapping
from dataclasses import asdict
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

import vrn
from vrn.model.metric_keys import column
from vrn.model.surface import Surface, SurfaceChoice
from vrn.nitrogen.doubt import LevelDoubt
from vrn.prescription.model import Prescription, ZoneRate
from vrn.prescription.trial import TrialReport
from vrn.words import UnitFormat, finding_texts, findings_json

NAME: Final = "summary.json"
_LIBRARIES: Final = ("numpy", "scipy", "shapely", "pyproj", "pandas", "geopandas", "pyogrio", "rasterio", "pyshp",
                     "pydantic", "folium", "matplotlib", "fpdf2")  # fmt: skip


def summary_of(prescription: Prescription) -> dict[str, object]:
    """What ``summary.json`` says, without the hashes of the written files; an unknown number is None."""
    settings = prescription.field.settings
    units = UnitFormat.of(settings.units)
    surfaces = {
        name.removesuffix("_ppm"): _surface(surface, units)
        for name, surface in prescription.surfaces.items()
        if name in ("nitrate_ppm", "deep_nitrate_ppm")
    }
    numbers: dict[str, object] = {
        "flat_rate_n_lb_ac": prescription.flat_rate_n_lb_ac,
        "mean_rate_n_lb_ac": prescription.mean_rate_n_lb_ac,
        "total_n_lb": prescription.total_n_lb,
    }
    totals = {
        "acres": prescription.acres,
        **numbers,
        f"total_product_{prescription.product.unit}": prescription.total_product,
    }
    return {
        "field": prescription.field.name,
        "season": settings.header.season,
        "acres": prescription.acres,
        "units": settings.units,
        "method": {"key": prescription.ledger.key, "source": prescription.ledger.source},
        "product": {
            "name": prescription.product.name,
            "unit": prescription.product.unit,
            "rate_basis": prescription.rate_basis,
        },
        **numbers,
        "total_product": prescription.total_product,
        **_twins(totals, units),
        "doubt": _doubt(prescription.doubt, units),
        "zones": [_zone(rate, prescription.rate_unit, units) for rate in prescription.rates],
        "surfaces": surfaces,
        "zone_choice": [
            {"zones": choice.zones, "misallocated_lb_ac": _known(choice.misallocated_lb_ac)}
            for choice in prescription.zones.choice
        ],
        **({} if prescription.trial is None else {"trial": trial_of(prescription.trial)}),
        **({} if prescription.learned is None else {"learned": asdict(prescription.learned)}),
        "approved": prescription.approved,
        "id": prescription.id,
        "findings": findings_json(units, prescription.findings),
        "inputs": dict(sorted(prescription.field.inputs.items())),
        "files": {},
        "versions": _versions(),
    }


def trial_of(trial: TrialReport) -> dict[str, object]:
    """A trial in numbers, as ``summary.json`` and ``vrn trial --json`` have it; without prices no money."""
    return {
        "blocks": len(trial.blocks), "plots": len(trial.plots), "cost_usd": trial.cost_usd, "acres": trial.acres,
        "gain_usd_per_ac": trial.gain_per_ac, "break_even_ac": trial.break_even_ac, "length_ft": trial.length_ft,
        "buffer_ft": trial.buffer_ft, "width_ft": trial.width_ft, "heading_deg": trial.heading_deg,
        "each": [
            {"block": one.block, "acres": one.acres, "rates_n_lb_ac": list(one.rates_n_lb_ac),
             "recommended_n_lb_ac": one.recommended_n_lb_ac, "need_lb_ac": one.need_lb_ac,
             "nitrate_ppm": _known(one.nitrate_ppm), "longitude": round(one.longitude, 7),
             "latitude": round(one.latitude, 7), "cost_usd": None if one.cost is None else one.cost[1]}
            for one in trial.blocks
        ],
    }  # fmt: skip


def write_summary(prescription: Prescription, folder: Path) -> None:
    """Write ``summary.json``, after every other file of the folder; each is listed with its SHA-256."""
    summary = summary_of(prescription)
    written = sorted(path for path in folder.rglob("*") if path.is_file())
    summary["files"] = {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in written
    }
    text = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False)
    (folder / NAME).write_text(text + "\n", encoding="utf-8", newline="\n")


def _twins(numbers: Mapping[str, object], units: UnitFormat) -> dict[str, object]:
    """The metric twins of numbers in trade units, for a metric field."""
    named = {name: column(name, metric=units.metric) for name in numbers}
    return {named[name][0]: value * named[name][1] if isinstance(value, float) else value
            for name, value in numbers.items() if named[name][0] != name}  # fmt: skip


def _doubt(doubt: LevelDoubt, units: UnitFormat) -> dict[str, object]:
    """What the level of all needs may be off by: one standard deviation, its parts, and before the farm's trials."""
    numbers: dict[str, object] = {"sd_lb_ac": doubt.sd_lb_ac}
    if doubt.untaught_sd_lb_ac is not None:
        numbers["untaught_sd_lb_ac"] = doubt.untaught_sd_lb_ac
    return {
        **numbers, **_twins(numbers, units),
        "parts": [{"part": one.part, "sd_lb_ac": one.sd_lb_ac, "source": one.source} for one in doubt.parts],
    }  # fmt: skip


def _zone(rate: ZoneRate, rate_unit: str, units: UnitFormat) -> dict[str, object]:
    ledger: dict[str, float] = {}
    for line in rate.ledger.lines:
        ledger[line.key] = ledger.get(line.key, 0.0) + float(line.lb_ac)
    numbers: dict[str, object] = {
        "acres": rate.acres,
        "rate_n_lb_ac": rate.rate_n_lb_ac,
        "nitrate_ppm": _known(rate.nitrate_ppm),
        "organic_matter_pct": _known(rate.organic_matter_pct),
        "yield_goal_bu_ac": _known(rate.yield_goal_bu_ac),
        "need_lb_ac": _known(rate.need_lb_ac),
    }
    if rate.prices is not None:
        numbers["prices_lb_ac"] = _known(float(rate.prices.lb_ac))
    product: dict[str, object] = {
        f"rate_product_{'lb_ac' if rate_unit == 'lb N/ac' else rate_unit.replace('/', '_')}": rate.rate_product
    }
    return {
        "zone": rate.zone,
        "parts": rate.parts,
        **numbers,
        "rate_product": rate.rate_product,
        **_twins(numbers | product, units),
        "ledger": {key: _known(value) for key, value in ledger.items()},
    } | ({"label": rate.label} if rate.label else {})


def _surface(surface: Surface, units: UnitFormat) -> dict[str, object]:
    """How the surface was made, its error and the plain mean's, and its variogram where it has one."""
    choice = surface.choice or SurfaceChoice()
    variogram = None if choice.variogram is None else choice.variogram.to_plain()
    if variogram is not None and choice.variogram is not None and choice.variogram.fit is not None:
        variogram["notes"] = [text.problem for text in finding_texts(units, choice.variogram.fit.findings)]
    return {
        "chosen": surface.chosen,
        "loo_rmse_ppm": choice.loo_rmse,
        "mean_rmse_ppm": choice.mean_rmse,
        "variogram": variogram,
    }


def _known(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def _versions() -> dict[str, str]:
    """Version of vrn, of Python and the libraries that had a hand in the result."""
    found = {"vrn": vrn.__version__, "python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
