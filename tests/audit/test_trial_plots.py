"""A trial laid into a demo field: its files pass, what is left of it too, and a broken file of plots is named."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import shapely

import vrn
from vrn.audit import verify
from vrn.cli import main
from vrn.files.iso import write_iso
from vrn.files.raster import write_rasters
from vrn.files.summary import write_summary
from vrn.files.tables import write_geopackage, write_tables
from vrn.files.vectors import write_geojson, write_gpx, write_shapefile, write_trial_plots
from vrn.model.job import TrialSection
from vrn.pages.load_sheet import write_load_sheet
from vrn.pipeline.reading import trial_of_field
from vrn.prescription import remaining
from vrn.prescription.model import Prescription

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
WRITERS = (write_geojson, write_trial_plots, write_shapefile, write_iso, write_geopackage, write_rasters, write_gpx,
           write_tables, write_load_sheet, write_summary)  # fmt: skip


@pytest.fixture(scope="module")
def whole(demo_built: Callable[[str], Prescription]) -> Prescription:
    """Cedar Bend with two blocks."""
    field = demo_built("cedar_bend").field
    trial = TrialSection(harvest_width_ft=30.0, harvest_lines="shared")
    return vrn.build(replace(field, settings=replace(field.settings, trial=trial)))


@pytest.fixture(scope="module")
def folder(whole: Prescription, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its files, without pages."""
    return _written(whole, tmp_path_factory.mktemp("whole"))


def _written(made: Prescription, folder: Path) -> Path:
    for write_one in WRITERS:
        write_one(made, folder)
    return folder


def _plots(folder: Path) -> list[dict[str, Any]]:
    collection: dict[str, Any] = json.loads((folder / "trial_plots.geojson").read_text(encoding="utf-8"))
    return list(collection["features"])


def test_every_file_names_the_plots_and_passes(whole: Prescription, folder: Path, tmp_path: Path) -> None:
    """40 plots in WGS 84, each with block, plot, label, zone, rate and buffer; the summary and labels agree."""
    found = verify(folder)
    assert found.ok, found.failed
    plots, summary = _plots(folder), json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert [summary["trial"][key] for key in ("blocks", "plots")] == [2, len(plots)] == [2, 40]
    assert whole.trial is not None
    assert summary["trial"]["cost_usd"] == pytest.approx(whole.trial.cost_usd)
    zones = {zone["zone"]: zone for zone in summary["zones"]}
    for one in plots:
        told = one["properties"]
        assert set(told) >= {"block", "plot", "label", "zone", "rate_n_lb_ac", "buffer_ft", "need_lb_ac", "supplies"}
        assert told["rate_n_lb_ac"] == zones[told["zone"]]["rate_n_lb_ac"]
        label = f"trial block {told['block']}, {told['rate_n_lb_ac']:g} lb N/ac"
        assert told["label"] == zones[told["zone"]]["label"] == label
        west, south, east, north = shapely.Polygon(one["geometry"]["coordinates"][0]).bounds
        assert -95 < west < east < -94
        assert 42 < south < north < 43
    settings = whole.field.settings
    as_zones = replace(settings, export=replace(settings.export, iso_grid="type-1"))
    write_iso(replace(whole, field=replace(whole.field, settings=as_zones)), tmp_path)
    task = (tmp_path / "TASKDATA" / "TASKDATA.XML").read_text(encoding="utf-8")
    table = (folder / "shapefile" / "RX.DBF").read_bytes()
    sheet = (folder / "load_sheet.txt").read_text(encoding="utf-8")
    for label in {one["properties"]["label"] for one in plots}:
        plain = label.replace(",", "").replace("/", " ")  # what every terminal shows
        assert plain in task
        assert plain.encode() in table
        assert label in sheet


def test_what_is_left_of_a_trial_passes(whole: Prescription, tmp_path: Path) -> None:
    """The west half covered: plots that are whole in the rest are in its file."""
    west, south, east, north = whole.field.boundary.bounds
    covered = shapely.box(west - 1, south - 1, (west + east) / 2, north + 1)
    rest = remaining(whole, [covered])
    found = verify(_written(rest, tmp_path))
    assert found.ok, found.failed
    assert whole.trial is not None
    assert len(_plots(tmp_path)) == sum(plot.outline.disjoint(covered) for plot in whole.trial.plots)


@pytest.mark.parametrize(
    ("key", "value", "code"),
    [("rate_n_lb_ac", 300.0, "audit.trial-plot-rate"), ("zone", 1, "audit.trial-plot-zone")],
)
def test_a_plot_at_another_rate_or_zone_is_named(folder: Path, key: str, value: float, code: str) -> None:
    """One property of one plot is changed, and the hash of the file with it."""
    path = folder / "trial_plots.geojson"
    before = path.read_text(encoding="utf-8")
    collection = json.loads(before)
    collection["features"][3]["properties"][key] = value
    path.write_text(json.dumps(collection), encoding="utf-8")
    codes = {check.code for check in verify(folder).failed}
    collection = json.loads(before)
    collection["features"][3]["geometry"] = collection["features"][4]["geometry"]
    path.write_text(json.dumps(collection), encoding="utf-8")
    moved = {check.code for check in verify(folder).failed}
    path.write_text(before, encoding="utf-8", newline="\n")
    assert code in codes
    assert "audit.trial-plot-ground" in moved


def test_the_command_says_place_price_and_gain_or_why_none(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Exit status 1: these nozzles cannot make every rate at this speed; mill_race has no room."""
    assert main(["trial", str(DEMO / "cedar_bend" / "field.toml"), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert told["blocks"] == 2
    assert told["break_even_ac"] == pytest.approx(told["cost_usd"] / told["gain_usd_per_ac"])
    assert told["cost_usd"] == pytest.approx(sum(block["cost_usd"] for block in told["each"]))
    assert {"rates.machine-slower", "rates.trial-head-assumed"} <= {one["code"] for one in told["findings"]}
    laid = trial_of_field(vrn.read_field(DEMO / "mill_race" / "field.toml"))
    monkeypatch.setattr("vrn.pipeline.reading.trial_of_field", lambda *_, **__: laid)  # once for both ways to say it
    assert main(["trial", str(DEMO / "mill_race" / "field.toml")]) == 1
    assert capsys.readouterr().out.startswith("! ")
    assert main(["trial", str(DEMO / "mill_race" / "field.toml"), "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["blocks"], told["plots"]) == (0, 0)
    assert told["strips"]["blocks"] == 1
