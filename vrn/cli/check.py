"""``vrn check``: every input read and its condition told; nothing is built."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vrn.cli.app import FINDINGS, app, progress, say, say_findings, say_json

if TYPE_CHECKING:
    from vrn.model.field import Field
    from vrn.model.layers import Layer
    from vrn.model.readings import ReadingQuality, StandardRun
    from vrn.model.samples import SoilSamples
    from vrn.words import UnitFormat

_HELP = """Read every input of a field, report its condition and problems, build nothing.

Exit status 1 when something needs a person.

Example:  vrn check demo_fields/mill_race/field.toml
"""


@app.command(help=_HELP)
def check(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Read, report, and say by the exit status whether a person must look."""
    with progress() as tell:
        from vrn.ingest import read_field
        from vrn.sampling.quality import assess_readings

        if tell is not None:
            tell("reading")
        field = read_field(field_file)
        quality = assess_readings(field.samples, section=field.settings.samples)
    from vrn.words import UnitFormat, finding_texts, findings_json

    findings = (*field.findings, *quality.findings)
    shown = UnitFormat(metric=field.settings.units == "metric")
    report = _report(field) | {
        "quality": _quality(quality),
        "findings": findings_json(shown, findings),
    }
    if json_:
        say_json(report)
    else:
        _say(report, shown)
        if findings:
            say_findings(finding_texts(shown, findings))
        else:
            say("Nothing needs a person.")
    if any(finding.level == "warning" for finding in findings):
        raise typer.Exit(FINDINGS)


def _report(field: "Field") -> dict[str, Any]:
    """What was read, in plain values."""
    import numpy as np

    from vrn.model.area import geodesic_acres

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

    from vrn.model.layers import YieldLogLayer

    values: Any = getattr(layer, "values", None)
    if isinstance(layer, YieldLogLayer):
        values = np.concatenate([log.yield_bu_ac for log in layer.logs])
    if values is None:
        value = getattr(layer, "value", None)
        return {"kind": "one value", "source": layer.source, "count": 1, "least": value, "median": value, "most": value}
    known = values[np.isfinite(values)]
    kinds = {"PointLayer": "points", "PolygonLayer": "areas", "RasterLayer": "cells", "YieldLogLayer": "records"}
    kind = kinds[type(layer).__name__]
    return {"kind": kind, "source": layer.source, "count": int(known.size), "least": float(known.min()),
            "median": float(np.median(known)), "most": float(known.max())}  # fmt: skip


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
    from vrn.findings import counted
    from vrn.units import IN_M

    per_in = 100 * IN_M if shown.metric else 1.0
    say(f"{report['field']}, season {report['season']}: {shown.text('area', report['acres'])}, "
        f"{shown.text('area', report['treated_acres'])} of them to be treated ({report['crs']})")  # fmt: skip
    for depth in report["readings"]:
        core = f"{depth['top_in'] * per_in:.0f}–{depth['bottom_in'] * per_in:.0f} {'cm' if shown.metric else 'in'}"
        readings = counted(depth["readings"], "reading")
        say(f"  {readings} of {core}: {depth['least_ppm']:.1f} to {depth['most_ppm']:.1f} ppm NO3-N, "
            f"median {depth['median_ppm']:.1f}")  # fmt: skip
    for kind, count in report["other_readings"].items():
        if count:
            say(f"  {count} of kind {kind}")
    if report["composites"]:
        say(f"  composites of {report['composites']} areas")
    if report["sampled_on"]:
        first, last = report["sampled_on"][0], report["sampled_on"][-1]
        say(f"  pulled on {first}" if first == last else f"  pulled from {first} to {last}")
    for name, layer in report["layers"].items():
        label = name.replace("_", " ")
        if layer["kind"] == "one value":
            say(f"  {label}: {layer['median']:g} everywhere")
        else:
            say(f"  {label}: {layer['count']:,} {layer['kind']} from {layer['source']}, "
                f"{layer['least']:.3g} to {layer['most']:.3g}, median {layer['median']:.3g}")  # fmt: skip
    if report["weather_days"]:
        say(f"  weather of {report['weather_days']} days")
    say(f"  {len(report['inputs'])} files read")
    say()
