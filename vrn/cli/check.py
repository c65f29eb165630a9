"""``vrn check``: every input read and its condition reported, and what a build would ask about; nothing is written."""

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    report = _report(field) | {"quality": _quality(quality), "findings": findings_json(shown, findings)}
    if json_:
        say_json(report)
    else:
        _say(report, shown)
        if findings:
            say_findings(finding_texts(shown, findings))
        elif refused is None:
            tell(shown, "ingest.check-fine")
    if refused is not None:
        raise refused
    leave_if_warned(findings)


def _report(field: "Field") -> dict[str, Any]:
    """What was read, in plain values."""
    import numpy as np

    from vrn.model.grid import geodesic_acres

    readings = field.samples.field_readings()
    depths = []
    for top_in, bottom_in in readings.depths_in():
        ppm = readings.at_depth(top_in, bottom_in).nitrate_ppm
        depths.append({"top_in": top_in, "bottom_in": bottom_in, "readings": len(ppm), "least_ppm": float(ppm.min()),
                       "median_ppm": float(np.median(ppm)), "most_ppm": float(ppm.max())})  # fmt: skip
    days = sorted({day for day in field.samples.sampled_on if day is not None})
    layers = {
        "organic_matter": field.organic_matter,
        "yield_potential": field.yield_potential,
        "applied_n": field.applied_n,
        "zones": field.zones,
        **{f"extra {name}": layer for name, layer in field.extra_layers.items()},
    }
    return {
        "field": field.name,
        "season": field.settings.header.season,
        "crs": field.crs,
        "acres": geodesic_acres(field.boundary, field.crs),
        "treated_acres": geodesic_acres(field.treated, field.crs),
        "readings": depths,
        "composites": len(field.samples.areas),
        "other_readings": {kind: field.samples.kind.count(kind) for kind in ("standard", "duplicate", "blank")},
        "sampled_on": [day.isoformat() for day in days],
        "layers": {name: _of_layer(layer) for name, layer in layers.items() if layer is not None},
        "weather_days": len(field.weather.days) if field.weather is not None else 0,
        "inputs": field.inputs,
    }


def _of_layer(layer: "Layer") -> dict[str, Any]:
    """Kind, source, count and range of a layer's values, in the unit of the layer."""
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
    return {"name": layer.name, "kind": kind, "source": layer.source, "count": int(known.size),
            "least": float(known.min()), "median": float(np.median(known)), "most": float(known.max())}  # fmt: skip


def _quality(quality: "ReadingQuality") -> dict[str, Any]:
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
        "detection": {
            "below": int(samples.below_detection.sum()),
            "readings": int(np.isfinite(samples.nitrate_ppm).sum()),
        },
        "moisture_basis": quality.moisture_basis,
        "storage": [
            {"sample": samples.sample_id[row], "days": days, "stored": samples.handling[row].stored}
            for row, days in quality.kept_too_long
        ],
        "suspects": [
            asdict(one) | {"sample": readings.sample_id[one.row], "row": int(readings.row[one.row])}
            for one in quality.suspects
        ],
        "error": {
            name: getattr(error, name) for name in ("instrument_sd_ppm", "instrument_from", "core_cv_pct", "cores_from")
        },
        "drift_correction": [
            {"row": row, "before_ppm": before, "after_ppm": after}
            for row, (before, after) in sorted((quality.corrections or {}).items())
        ],
    }


def _standards(run: "StandardRun", samples: "SoilSamples") -> dict[str, Any]:
    """Check standards of one instrument with their control chart; samples are named by their ids."""
    from math import isnan

    from vrn.sampling.standards import ALLOWED_PCT, ALLOWED_PPM, individuals_chart

    chart = None
    if len(run.standards) > 1:
        found = individuals_chart(run.recovery_pct)
        chart = {"points": found.points.tolist(), "center": found.center, "low": found.low, "high": found.high,
                 "sigma": found.sigma, "outside": list(found.outside)}  # fmt: skip
    columns = (
        samples.row[run.standards],
        run.after_readings,
        run.nominal_ppm,
        run.read_ppm,
        run.recovery_pct,
        run.good,
    )
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


def _say(report: dict[str, Any], shown: "UnitFormat") -> None:
    """The report for a person, in the units of the field file."""
    from vrn import words
    from vrn.findings import Quantity

    def area(key: str) -> Quantity:
        return Quantity("area", report[key])

    tell(shown, "ingest.check-field", field=report["field"], season=str(report["season"]), area=area("acres"),
         treated=area("treated_acres"))  # fmt: skip
    for depth in report["readings"]:
        ends = {end: Quantity("depth", depth[f"{end}_in"]) for end in ("top", "bottom")}
        tell(shown, "ingest.check-readings", readings=depth["readings"], **ends,
             **_spread(depth, "concentration", "_ppm"))  # fmt: skip
    for kind, count in report["other_readings"].items():
        if count:
            tell(shown, f"ingest.check-{kind}", count=count)
    if report["composites"]:
        tell(shown, "ingest.check-composites", areas=report["composites"])
    if report["sampled_on"]:
        first, last = (date.fromisoformat(report["sampled_on"][at]) for at in (0, -1))
        if first == last:
            tell(shown, "ingest.check-sampled-on", day=first)
        else:
            tell(shown, "ingest.check-sampled-between", first=first, last=last)
    for key, layer in report["layers"].items():
        known = key if key.startswith("extra ") else words.say(shown, f"ingest.layer-{key.replace('_', '-')}")
        name = known.removeprefix("extra ")
        kind = _KINDS.get(layer["name"], "number")
        tell(shown, f"ingest.check-layer-{layer['kind'].replace(' ', '-')}", layer=name, values=layer["count"],
             source=layer["source"], **_spread(layer, kind))  # fmt: skip
    if report["weather_days"]:
        tell(shown, "ingest.check-weather", days=report["weather_days"])
    say()


def _spread(values: dict[str, Any], kind: "Kind", unit: str = "") -> "dict[str, Quantity]":
    """Least, middle and greatest of a report, to three figures where they have no unit."""
    from vrn.findings import Quantity

    found = {name: float(values[f"{name}{unit}"]) for name in ("least", "median", "most")}
    return {name: Quantity(kind, float(f"{value:.3g}") if kind == "number" else value) for name, value in found.items()}
