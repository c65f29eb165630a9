"""The whole way as a new user goes it: start, plan, fill in the form, check, build."""

import csv
import importlib.util
import json
from pathlib import Path
from types import ModuleType

import numpy as np
import pyogrio
import pytest
import shapely

from vrn.cli import main

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own

ROOT = Path(__file__).resolve().parents[2]


def _truth() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_fields", ROOT / "demo_fields" / "make_fields.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    import sys

    sys.modules["make_fields"] = module
    spec.loader.exec_module(module)
    return module


def _fill_in(form: Path, samples: Path) -> int:
    """Write into the form what the demo field holds, read with a little scatter; returns the readings of soil."""
    truth, random = _truth(), np.random.default_rng(1)
    with form.open(newline="") as file:
        lines = list(csv.DictReader(file))
    soil = 0
    for number, line in enumerate(lines):
        line["sampled_on"] = "2026-06-15"
        line["read_at"] = f"2026-06-15T{8 + number // 60:02d}:{number % 60:02d}"
        if line["kind"] == "standard":
            line["nominal_ppm"], line["nitrate_ppm"] = "20", f"{20 + 0.4 * random.standard_normal():.1f}"
        elif line["kind"] == "blank":
            line["nitrate_ppm"] = "0.2"
        else:
            deep = line["top_in"] == "12"
            there = truth.truth("heron_flat", float(line["longitude"]), float(line["latitude"]))
            ppm = float(there["deep_nitrate_ppm" if deep else "nitrate_ppm"])
            line["nitrate_ppm"] = f"{ppm * np.exp(0.07 * random.standard_normal()):.1f}"
            soil += 1
    with samples.open("w", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(lines[0]))
        writer.writeheader()
        writer.writerows(lines)
    return soil


def test_from_an_empty_folder_to_a_prescription(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each command says what comes next, and at the end stands a prescription near the truth of the field."""
    folder = tmp_path / "heron"
    boundary = ROOT / "demo_fields" / "heron_flat" / "boundary.geojson"
    assert main(["start", str(folder), "--season", "2026", "--boundary", str(boundary)]) == 0
    assert "vrn plan" in capsys.readouterr().out
    field_file = folder / "field.toml"
    assert main(["plan", str(field_file), "--samples", "30", "--second-foot", "all"]) == 0
    said = capsys.readouterr().out
    assert "save it as samples.csv" in said
    assert f"vrn check {field_file}" in said

    text = field_file.read_text(encoding="utf-8")
    for empty, filled in (
        ('name = "" ', 'name = "Heron Flat"'), ("yield_goal_bu_ac = 0 ", "yield_goal_bu_ac = 210 "),
        ('growth_stage = "" ', 'growth_stage = "V7"'), ('reported_as = "" ', 'reported_as = "NO3-N"'),
        ('moisture_basis = "" ', 'moisture_basis = "dry"'), ("value_pct = -1 ", "value_pct = 2.9 "),
    ):  # fmt: skip
        assert text.count(empty) == 1
        text = text.replace(empty, filled)
    field_file.write_text(text, encoding="utf-8")
    soil = _fill_in(folder / "plan" / "samples_form.csv", folder / "samples.csv")

    assert main(["check", str(field_file), "--json"]) in (0, 1)
    report = json.loads(capsys.readouterr().out)
    assert sum(depth["readings"] for depth in report["readings"]) == soil
    assert report["quality"]["standards"][0]["doubtful"] == []
    assert report["quality"]["repeatability"]["samples"] == 3
    assert not [one for one in report["findings"] if one["level"] == "warning" and "samples" in one["about"]]

    assert main(["build", str(field_file), "--out", str(tmp_path / "rx")]) in (0, 1)
    summary = json.loads((tmp_path / "rx" / "summary.json").read_text(encoding="utf-8"))
    asked = {one["code"] for one in summary["findings"] if one["level"] == "warning"}
    assert asked <= {"surface.far-some"}  # a corner of the field beyond the reach of its pattern
    assert 60 < summary["mean_rate_n_lb_ac"] < 130
    # check standards and blanks stand nowhere: no receiver and no map gets them
    assert 'lat="nan"' not in (tmp_path / "rx" / "field.gpx").read_text(encoding="utf-8")
    _, _, points, columns = pyogrio.raw.read(tmp_path / "rx" / "layers.gpkg", layer="samples", columns=["kind"])
    assert set(columns[0]) == {"field", "duplicate"}
    assert np.isfinite(shapely.get_coordinates(shapely.from_wkb(points))).all()
    capsys.readouterr()
    assert main(["plan", str(field_file), "--next", "3", "--json"]) == 0
    plan = json.loads(capsys.readouterr().out)
    assert plan["design"] == "next"
    assert len(plan["places"]) <= 3
    found = plan["next"]
    assert len(found["readings"]) == len(plan["places"])
    assert found["enough"] is not bool(plan["places"])
    assert all(reading["gain_lb"] > 0 for reading in found["readings"])
