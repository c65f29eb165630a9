"""Frames in: the same field and the same rates as from files, the same checks, content hashed."""

import warnings
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import vrn
from vrn.errors import InputFileError
from vrn.model.field import Field
from vrn.prescription.model import Prescription

DEMO_FIELDS = Path(__file__).resolve().parents[2] / "demo_fields"
CEDAR, HERON = DEMO_FIELDS / "cedar_bend", DEMO_FIELDS / "heron_flat"


def points(frame: pd.DataFrame) -> gpd.GeoDataFrame:
    """A table with longitude and latitude as a frame of points, those columns gone."""
    places = gpd.points_from_xy(frame["longitude"], frame["latitude"])
    return gpd.GeoDataFrame(frame.drop(columns=["longitude", "latitude"]), geometry=places, crs="EPSG:4326")


def frames_of_cedar(crs: str = "EPSG:4326") -> dict[str, Any]:
    """Cedar Bend as frames in one system."""
    return {
        "boundary": gpd.read_file(CEDAR / "boundary.geojson").to_crs(crs),
        "samples": points(pd.read_csv(CEDAR / "samples.csv")).to_crs(crs),
        "organic_matter": {"file": points(pd.read_csv(CEDAR / "organic_matter.csv")).to_crs(crs), "column": "om_pct"},
    }


def cedar(**changes: Any) -> Field:
    """Cedar Bend from frames, its other settings as in its field file."""
    given: dict[str, Any] = {
        **frames_of_cedar(), "yield_potential": CEDAR / "yield_potential.tif", "name": "Cedar Bend 7", "season": 2026,
        "yield_goal_bu_ac": 220, "growth_stage": "V8", "reported_as": "NO3-N", "moisture_basis": "dry",
        "crop": {"application_date": date(2026, 6, 18)}, "product": {"name": "UAN 32"},
        "machine": {"swath_ft": 60, "min_rate_n_lb_ac": 30, "max_rate_n_lb_ac": 180, "tank_gal": 1000},
        "limits": {"max_n_lb_ac": 180, "max_season_n_lb_ac": 240}, "prices": {"corn_per_bu": 4.20, "n_per_lb": 0.55},
    }  # fmt: skip
    return vrn.Field.from_frames(**{**given, **changes})


def test_frames_give_the_rates_of_the_files(cedar_bend: Prescription) -> None:
    """Every number of the prescription is that of the same data through files, to the bit."""
    built = vrn.build(cedar())
    assert [rate.rate_n_lb_ac for rate in built.rates] == [rate.rate_n_lb_ac for rate in cedar_bend.rates]
    assert [rate.acres for rate in built.rates] == [rate.acres for rate in cedar_bend.rates]
    assert built.total_product == cedar_bend.total_product
    for name, surface in cedar_bend.surfaces.items():
        np.testing.assert_array_equal(built.surfaces[name].values, surface.values)


def test_any_system_will_do(cedar_bend_field: Field) -> None:
    """Frames in metres of another zone, or in feet of a state plane, land in the same places."""
    for crs in ("EPSG:26914", "EPSG:3417"):
        field = cedar(**frames_of_cedar(crs))
        assert field.crs == cedar_bend_field.crs
        np.testing.assert_allclose(
            field.samples.coordinates_m, cedar_bend_field.samples.coordinates_m, rtol=0, atol=2e-3
        )
        assert shapely.symmetric_difference(field.boundary, cedar_bend_field.boundary).area < 5.0


def test_two_depths_areas_weather_and_credits_come_in_too() -> None:
    """Heron Flat, whose layers are polygons and tables, is the same field from frames."""
    from_files = vrn.read_field(HERON / "field.toml")
    field = vrn.Field.from_frames(
        boundary=gpd.read_file(HERON / "boundary.geojson"), samples=pd.read_csv(HERON / "samples.csv"),
        organic_matter={"file": gpd.read_file(HERON / "soil_areas.geojson"), "column": "om_pct"},
        yield_potential={"file": pd.read_csv(HERON / "yield_potential.csv"), "column": "relative_yield"},
        weather=pd.read_csv(HERON / "weather.csv", parse_dates=["date"]), name="Heron Flat", season=2026,
        yield_goal_bu_ac=210, growth_stage="V7", reported_as="NO3-N", moisture_basis="dry",
        applications=[{"date": date(2026, 4, 14), "product": "UAN 28", "n_lb_ac": 70.0, "placement": "broadcast"}],
    )  # fmt: skip
    assert field.samples.depths_in() == from_files.samples.depths_in() == ((0.0, 12.0), (12.0, 24.0))
    np.testing.assert_array_equal(field.samples.nitrate_ppm, from_files.samples.nitrate_ppm)
    assert field.samples.sampled_on == from_files.samples.sampled_on
    assert field.weather is not None
    assert from_files.weather is not None
    assert field.weather.days == from_files.weather.days
    np.testing.assert_array_equal(field.weather.rain_in, from_files.weather.rain_in)
    np.testing.assert_array_equal(field.organic_matter.values, from_files.organic_matter.values)
    np.testing.assert_array_equal(field.yield_potential.values, from_files.yield_potential.values)


def test_inputs_are_hashed_by_content() -> None:
    """A hash for every frame and the settings; one other reading or setting changes that hash alone."""
    field = cedar()
    assert set(field.inputs) >= {"boundary", "samples", "organic_matter", "settings"}
    samples = frames_of_cedar()["samples"]
    assert cedar(samples=samples.copy()).inputs == field.inputs
    samples.loc[0, "nitrate_ppm"] += 0.1
    changed = cedar(samples=samples).inputs
    assert {name for name in changed if changed[name] != field.inputs[name]} == {"samples"}
    changed = cedar(yield_goal_bu_ac=221).inputs
    assert {name for name in changed if changed[name] != field.inputs[name]} == {"settings"}


def test_no_apply_ground_keeps_its_setback(cedar_bend_field: Field) -> None:
    """Ground that gets nothing is cut out, with its setback."""
    middle = shapely.buffer(shapely.centroid(cedar_bend_field.boundary), 20.0)
    pond = gpd.GeoDataFrame(geometry=[middle], crs=cedar_bend_field.crs)
    bare, kept_off = cedar(no_apply=pond), cedar(no_apply=[{"file": pond, "setback_ft": 100.0}])
    assert bare.no_apply.area == pytest.approx(middle.area, rel=1e-6)
    radius_m = 20.0 + 30.48
    assert kept_off.no_apply.area == pytest.approx(np.pi * radius_m**2, rel=5e-3)


def spoiled_samples(change: Callable[[gpd.GeoDataFrame], gpd.GeoDataFrame]) -> dict[str, Any]:
    """Cedar Bend with samples that something is wrong with."""
    return {"samples": change(frames_of_cedar()["samples"])}


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        (lambda: {"growth_stage": "V88"}, "crop.growth_stage"),
        (lambda: {"yield_goal_bu_ac": None}, "crop.yield_goal_bu_ac"),
        (lambda: {"prodct": {"name": "UAN 32"}}, "prodct"),
        (lambda: {"machine": {"swath": 60}}, "swath"),
        (lambda: {"boundary": pd.DataFrame({"a": [1]})}, "boundary"),
        (lambda: spoiled_samples(lambda frame: frame.drop(columns="nitrate_ppm")), "nitrate_ppm"),
        (lambda: spoiled_samples(lambda frame: frame.assign(nitrate_ppm=-1.0)), "nitrate_ppm"),
        (lambda: spoiled_samples(lambda frame: frame.set_crs(None, allow_override=True)), "samples"),
        (lambda: spoiled_samples(lambda frame: frame.iloc[:0]), "samples"),
    ],
    ids=["stage", "goal", "table", "key", "no-outline", "no-column", "negative", "no-system", "no-row"],
)
def test_frames_are_checked_as_files_are(changes: Callable[[], dict[str, Any]], named: str) -> None:
    """What is wrong is refused, named, and comes with a remedy."""
    with pytest.raises(InputFileError) as refused:
        cedar(**changes())
    assert named in refused.value.problem
    assert refused.value.remedy


def test_missing_values_stay_unknown() -> None:
    """A place with NaN, None or pd.NA in a frame was not read: it is left out with a warning, and is never 0."""
    samples = frames_of_cedar()["samples"]
    samples["nitrate_ppm"] = samples["nitrate_ppm"].astype(object)
    for row, nothing in enumerate((None, np.nan, pd.NA)):
        samples.at[row, "nitrate_ppm"] = nothing
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        field = cedar(samples=samples)
    np.testing.assert_array_equal(field.samples.nitrate_ppm, samples["nitrate_ppm"][3:].astype(float))
    assert "ingest.rows-half-filled" in {finding.code for finding in field.findings}


def test_a_metric_field_takes_metric_keys() -> None:
    """12 t/ha of corn is 191 bu/ac (0.0627677 t/ha a bushel)."""
    field = cedar(
        units="metric", yield_goal_bu_ac=None, crop={"yield_goal_t_ha": 12.0}, machine={}, limits={}, prices={}
    )
    assert field.settings.crop.yield_goal_bu_ac == pytest.approx(12.0 / 0.0627677, rel=1e-5)
