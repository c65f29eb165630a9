"""Harvest logs from the field folder to what the specialist sees: the goal's pattern, and where cleaning took place."""

import csv
import shutil
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio

import vrn
from vrn.prescription.model import Prescription

CEDAR_BEND = Path(__file__).resolve().parents[2] / "demo_fields" / "cedar_bend"
SWATH_M = 9.0
STOPPED = 40  # records of a stop in the middle of the field


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Prescription:
    """The ordinary demo field with a harvest log in place of its yield raster."""
    folder = tmp_path_factory.mktemp("harvest") / "field"
    shutil.copytree(CEDAR_BEND, folder)
    boundary = vrn.read_field(folder / "field.toml")
    _write_log(folder / "harvest_2024.csv", boundary.boundary.bounds, boundary.crs)
    text = (folder / "field.toml").read_text(encoding="utf-8")
    text = text.replace('file = "yield_potential.tif"', 'file = "harvest_2024.csv"')
    text = text.replace('kind = "relative" ', 'kind = "yield_log"\nweight = 1 ')
    (folder / "field.toml").write_text(text, encoding="utf-8")
    return vrn.build(vrn.read_field(folder / "field.toml"))


@pytest.fixture(scope="module")
def out(built: Prescription, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Its folder."""
    return vrn.write(built, tmp_path_factory.mktemp("harvest_rx") / "out")


def _write_log(path: Path, bounds: tuple[float, float, float, float], crs: str) -> None:
    """Passes to and fro, a record a second; the east yields a third more, and the machine stands once in the middle."""
    west, south, east, north = bounds
    places: list[tuple[float, float]] = []
    for k, easting in enumerate(np.arange(west + SWATH_M / 2, east, SWATH_M)):
        run = np.arange(south, north, 2.4)[:: -1 if k % 2 else 1]
        places += [(easting, northing) for northing in run]
        if k == int((east - west) / SWATH_M / 2):
            middle = len(places) - len(run) // 2
            places[middle:middle] = [places[middle]] * STOPPED
    where = np.array(places)
    rng = np.random.default_rng(4)
    bushels = np.where(where[:, 0] > (west + east) / 2, 240.0, 180.0) + rng.normal(0, 5, len(where))
    longitude, latitude = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(*where.T)
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(["longitude", "latitude", "yield_bu_ac", "time_s", "swath_m"])
        for k, row in enumerate(zip(longitude, latitude, bushels, strict=True)):
            writer.writerow([f"{row[0]:.7f}", f"{row[1]:.7f}", f"{row[2]:.1f}", k, SWATH_M])


def _raster(out: Path, name: str) -> np.ndarray:
    with rasterio.open(out / "rasters" / f"{name}.tif") as file:
        return file.read(1)


def test_the_goal_follows_the_harvest(out: Path) -> None:
    """East and west stand to each other as 240 to 180."""
    goal = _raster(out, "yield_goal")
    half = goal.shape[1] // 2
    assert np.nanmean(goal[:, half + 3 :]) / np.nanmean(goal[:, : half - 3]) == pytest.approx(240 / 180, rel=0.02)


def test_where_records_were_left_out_is_a_map(out: Path) -> None:
    """Headlands, where passes begin and end, lose records; the middle of the field hardly any but at the stop."""
    share = _raster(out, "harvest_left_out")
    known = np.isfinite(share)
    rows, _ = np.nonzero(known)
    top, bottom = rows.min(), rows.max()
    ends = np.r_[share[top : top + 1].ravel(), share[bottom : bottom + 1].ravel()]
    inner = share[top + 8 : bottom - 8]
    assert np.nanmin(share) >= 0
    assert np.nanmax(share) <= 100
    assert np.nanmean(ends) > 50
    assert np.nanmean(inner) < 5
    middle = inner[inner.shape[0] // 2 - 3 : inner.shape[0] // 2 + 3, inner.shape[1] // 2 - 3 : inner.shape[1] // 2 + 3]
    assert np.nanmax(middle) > 50


def test_report_counts_what_each_filter_took(built: Prescription, out: Path) -> None:
    """Records are those kept and those each filter left out; the report names the filters with their sources."""
    (log,) = built.surfaces["yield_goal_bu_ac"].choice.harvests[0].logs
    assert log.records == log.kept + sum(log.removed.values())
    assert log.removed["speed-change"] >= STOPPED - 1
    report = (out / "report.html").read_text(encoding="utf-8")
    assert f"{log.kept:,}" in report
    assert "Simbahan" in report
