"""A surface is drawn only on a field where some layer shows a pattern, or where a person says that there is one."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import vrn
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import ConstantLayer, PointLayer, RasterLayer
from vrn.model.settings import ExtraLayer

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"


@pytest.fixture
def scattered() -> Field:
    """Cedar Bend with its readings dealt out anew among their places, and no layer but organic matter at them."""
    field = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    rng = np.random.default_rng(2)
    at, count = field.samples.coordinates_m, len(field.samples)
    organic = PointLayer(
        name="organic_matter_pct", crs=field.crs, coordinates_m=at, values=rng.normal(3.2, 0.4, count), source="om.csv"
    )
    layers = replace(field.settings.layers, yield_potential=None)
    return replace(
        field,
        settings=replace(field.settings, layers=layers, header=replace(field.settings.header, cell_m=12.0)),
        samples=replace(field.samples, nitrate_ppm=rng.permutation(field.samples.nitrate_ppm)),
        organic_matter=organic,
        yield_potential=None,
    )


def _slope(field: Field) -> RasterLayer:
    """A layer that rises from west to east by half."""
    west, south, east, north = field.boundary.bounds
    cols, rows = int((east - west) / 20) + 2, int((north - south) / 20) + 2
    grid = Grid(crs=field.crs, west_m=west - 10, north_m=north + 10, cell_m=20.0, rows=rows, cols=cols)
    return RasterLayer(name="slope", grid=grid, values=np.linspace(0.8, 1.2, cols) * np.ones((rows, 1)), source="s.tif")


def _without_pattern(built: vrn.Prescription) -> list[str]:
    return [finding.about for finding in built.findings if finding.code == "surface.no-pattern"]


def test_readings_without_a_pattern_count_as_their_means(scattered: Field) -> None:
    """Nothing shows a pattern: each layer of points is its mean, one zone gets one rate, and the reason is told."""
    built = vrn.build(scattered)
    assert built.surfaces["nitrate_ppm"].chosen == built.surfaces["organic_matter_pct"].chosen == "mean"
    assert sorted(_without_pattern(built)) == ["nitrate_ppm", "organic_matter_pct"]
    assert len(built.rates) == 1
    np.testing.assert_allclose(
        built.surfaces["nitrate_ppm"].values, scattered.samples.field_readings().nitrate_ppm.mean()
    )
    assert built.surfaces["nitrate_ppm"].choice.candidates  # what was tried is still shown


@pytest.mark.parametrize("by", ["yield potential", "extra layer", "number asked for"])
def test_a_layer_or_a_person_vouches_for_a_pattern(scattered: Field, by: str) -> None:
    """A layer that shows a pattern vouches for the others, and so does whoever asks for zones."""
    settings = scattered.settings
    if by == "yield potential":
        field = replace(scattered, yield_potential=_slope(scattered))
    elif by == "extra layer":
        layers = replace(settings.layers, extra=(ExtraLayer(name="slope", file="s.tif", weight=1.0),))
        field = replace(scattered, settings=replace(settings, layers=layers), extra_layers={"slope": _slope(scattered)})
    else:
        field = replace(scattered, settings=replace(settings, zones=replace(settings.zones, count=3)))
    assert not _without_pattern(vrn.build(field))


def test_one_value_everywhere_says_nothing(scattered: Field) -> None:
    """A constant speaks neither for a pattern nor against one."""
    field = replace(scattered, organic_matter=ConstantLayer(name="organic_matter_pct", value=3.0))
    assert _without_pattern(vrn.build(field)) == ["nitrate_ppm"]
