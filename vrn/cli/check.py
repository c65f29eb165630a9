"""``vrn check``: every input read and its condition reported, and what a build would ask about; nothing is written."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import app, leave_if_warned, progress, say, say_findings, say_json, tell
from vrn.errors import VrnError

if TYPE_CHECKING:
    from vrn.findings import Kind, Quantity
    from vrn.model.field import Field
    from vrn.model.layers import Layer
    from vrn.model.readings import ReadingQuality, StandardRun
    from vrn.model.samples import SoilSamples
    from vrn.words import UnitFormat

# kind of the values of a layer; others have no unit
_KINDS: "dict[str, Kind]" = {"organic_matter_pct": "organic_matter", "yield_bu_ac": "yield", "applied_n_lb_ac": "rate"}
_HELP = """Read every input of a field, report its condition and problems, write nothing.

Exit status 1 when something needs a person.

Example:  vrn check demo_fields/mill_race/field.toml
"""


@app.command(help=_HELP)
def check(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Read, build without writing, report, and say by the exit status whether a person must look."""
    refused: VrnError | None = None
    with progress() as step:
        from vrn.ingest import read_field
        from vrn.pipeline import build
        from vrn.pipeline.order import with_export_findings
        from vrn.sampling.quality import assess_readings

        if step is not None:
            step("reading")
        field = read_field(field_file)
        quality = assess_readings(field.samples, section=field.settings.samples)
        findings = [*field.findings, *quality.findings]
        try:
            built = with_export_findings(build(field, progress=step)).findings
            findings = [one for one in built if one.level == "warning" or one in findings]
        except VrnError as error:
            refused = error
    from vrn.words import UnitFormat, finding_texts, findings_json

    shown = UnitFormat.of(field.settings.units)
    if json_:
        found = {"quality": _quality(quality), "findings": findings_json(shown, findings)}
        say_json(_plain(field) | found)
    else:
        _say(field, shown)
        if findings:
            say_findings(finding_texts(shown, findings))
        elif refused is None:
            tell(shown, "ingest.check-fine")
    if refused is not None:
        raise refused
    leave_if_warned(findings)


_DEPTH = ("top_in", "bottom_in", "readings", "least_ppm", "median_ppm", "most_ppm")
_LAYER = ("name", "kind", "source", "count", "least", "median", "most")  # values in the layer's own unit


def _depths(field: "Field") -> Iterator[tuple[float, float, int, float, float, float]]:
    import numpy as np

    readings = field.samples.field_readings()
    for top_in, bottom_in in readings.depths_in():
        ppm = readings.at_depth(top_in, bottom_in).nitrate_ppm
        yield top_in, bottom_in, len(ppm), float(ppm.min()), float(np.median(ppm)), float(ppm.max())


def _layers(field: "Field") -> dict[str, tuple[str, str, str, int, float, float, float]]:
    """Layers by their keys in the report."""
    layers = {
        "organic_matter": field.organic_matter, "yield_potential": field.yield_potential, "applied_n": field.applied_n,
        "zones": field.zones, **{f"extra {name}": layer for name, layer in field.extra_layers.items()},
    }  # fmt: skip
    return {name: _of_layer(layer) for name, layer in layers.items() if layer is not None}


def _plain(field: "Field") -> dict[str, object]:
    """What was read, in plain values."""
    from vrn.model.grid import geodesic_acres

    days = sorted({day for day in field.samples.sampled_on if day is not None})
    return {
        "field": field.name,
        "season": field.settings.header.season,
        "crs": field.crs,
        "acres": geodesic_acres(field.boundary, field.crs),
        "treated_acres": geodesic_acres(field.treated, field.crs),
        "readings": [dict(zip(_DEPTH, depth, strict=True)) for depth in _depths(field)],
        "composites": len(field.samples.areas),
        "other_readings": {kind: field.samples.kind.count(kind) for kind in ("standard", "duplicate", "blank")},
        "sampled_on": [day.isoformat() for day in days],
        "layers": {name: dict(zip(_LAYER, values, strict=True)) for name, values in _layers(field).items()},
        "weather_days": len(field.weather.days) if field.weather is not None else 0,
        "inputs": field.inputs,
    }


def _of_layer(layer: "Layer") -> tuple[str, str, str, int, float, float, float]:
    import numpy as np

    from vrn.model.layers import ConstantLayer, YieldLogLayer

    if isinstance(layer, ConstantLayer):
        kind, values = "one value", np.array([layer.value])
    elif isinstance(layer, YieldLogLayer):
        kind, values = "records", np.concatenate([log.yield_bu_ac for log in layer.logs])
    else:
        kinds = {"PointLayer": "points", "PolygonLayer": "areas", "RasterLayer": "cells"}
        kind, values = kinds[type(layer).__name__], layer.values
    known = values[np.isfinite(values)]
    return (layer.name, kind, layer.source, int(known.size), float(known.min()), float(np.median(known)),
            float(known.max()))  # fmt: skip


def _quality(quality: "ReadingQuality") -> dict[str, object]:
    """What the check of the readings found, in plain values."""
    from dataclasses import asdict

    import numpy as np

    samples, readings, error = quality.samples, quality.field_readings, quality.error
    return {
        "standards": [_standards(run, samples) for run in quality.runs],
        "repeatability": None if quality.repeatability is None else asdict(quality.repeatability),
        "unsettled": [
            {"sample": samples.sample_id[rows[0]], "read_ppm": samples.nitrate_ppm[rows].tolist()}
            for rows in quality.unsettled
        ],
        "instruments": [asdict(pair) | {"differ": pair.differ} for pair in quality.instruments],
        "blanks": None if quality.blanks is None else asdict(quality.blanks),
        "detection": {"below": int(samples.below_detection.sum()),
                      "readings": int(np.isfinite(samples.nitrate_ppm).sum())},
        "moisture_basis": quality.moisture_basis,
        "storage": [
            {"sample": samples.sample_id[row], "days": days, "stored": samples.handling[row].stored}
            for row, days in quality.kept_too_long
        ],
        "suspects": [
            asdict(one) | {"sample": readings.sample_id[one.row], "row": int(readings.row[one.row])}
            for one in quality.suspects
        ],
        "error": {name: getattr(error, name)
                  for name in ("instrument_sd_ppm", "instrument_from", "core_cv_pct", "cores_from")},
        "drift_correction": [
            {"row": row, "before_ppm": before, "after_ppm": after}
            for row, (before, after) in sorted((quality.corrections or {}).items())
        ],
    }  # fmt: skip


def _standards(run: "StandardRun", samples: "SoilSamples") -> dict[str, object]:
    """Check standards of one instrument with their control chart; samples are named by their ids."""
    from math import isnan

    from vrn.sampling.standards import ALLOWED_PCT, ALLOWED_PPM, individuals_chart

    chart = None
    if len(run.standards) > 1:
        found = individuals_chart(run.recovery_pct)
        chart = {"points": found.points.tolist(), "center": found.center, "low": found.low, "high": found.high,
                 "sigma": found.sigma, "outside": list(found.outside)}  # fmt: skip
    columns = (samples.row[run.standards], run.after_readings, run.nominal_ppm, run.read_ppm, run.recovery_pct,
               run.good)  # fmt: skip
    names = ("row", "after_readings", "nominal_ppm", "read_ppm", "recovery_pct", "good")
    return {
        "instrument": run.instrument,
        "standards": [
            dict(zip(names, row, strict=True)) for row in zip(*(column.tolist() for column in columns), strict=True)
        ],
        "allowed_pct": ALLOWED_PCT,
        "allowed_ppm": ALLOWED_PPM,
        "drift_pct": None if isnan(run.drift_pct) else run.drift_pct,
        "drift_p": None if isnan(run.drift_p) else run.drift_p,
        "doubtful": [samples.sample_id[row] for row in run.doubtful],
        "open_ended": [samples.sample_id[row] for row in run.open_ended],
        "chart_of_recovery_pct": chart,
    }


def _say(field: "Field", shown: "UnitFormat") -> None:
    """What was read, for a person, in the units of the field file."""
    from vrn import words
    from vrn.findings import Quantity
    from vrn.model.grid import geodesic_acres

    area, treated = (Quantity("area", geodesic_acres(one, field.crs)) for one in (field.boundary, field.treated))
    days = sorted({day for day in field.samples.sampled_on if day is not None})
    season = str(field.settings.header.season)
    tell(shown, "ingest.check-field", field=field.name, season=season, area=area, treated=treated)
    for top_in, bottom_in, count, *spread in _depths(field):
        ends = {"top": Quantity("depth", top_in), "bottom": Quantity("depth", bottom_in)}
        tell(shown, "ingest.check-readings", readings=count, **ends, **_spread(spread, "concentration"))
    for kind in ("standard", "duplicate", "blank"):
        if count := field.samples.kind.count(kind):
            tell(shown, f"ingest.check-{kind}", count=count)
    if field.samples.areas:
        tell(shown, "ingest.check-composites", areas=len(field.samples.areas))
    if len(days) == 1:
        tell(shown, "ingest.check-sampled-on", day=days[0])
    elif days:
        tell(shown, "ingest.check-sampled-between", first=days[0], last=days[-1])
    for key, (name, kind, source, count, *spread) in _layers(field).items():
        extra = key.removeprefix("extra ")
        called = extra if extra != key else words.say(shown, f"ingest.layer-{key.replace('_', '-')}")
        tell(shown, f"ingest.check-layer-{kind.replace(' ', '-')}", layer=called, values=count, source=source,
             **_spread(spread, _KINDS.get(name, "number")))  # fmt: skip
    if field.weather is not None and field.weather.days:
        tell(shown, "ingest.check-weather", days=len(field.weather.days))
    say()


def _spread(values: list[float], kind: "Kind") -> "dict[str, Quantity]":
    """Least, middle and greatest, to three figures where they have no unit."""
    from vrn.findings import Quantity

    shown = (float(f"{value:.3g}") if kind == "number" else value for value in values)
    return dict(zip(("least", "median", "most"), (Quantity(kind, value) for value in shown), strict=True))
