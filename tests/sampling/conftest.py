"""Fields made by hand: simple ground on which a plan can be checked."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import RasterLayer, Weather
from vrn.model.samples import SoilSamples
from vrn.model.settings import Crop, FieldSection, SampleSection, Settings

CRS = "EPSG:32615"
POND = shapely.Point(500200, 4600150).buffer(40)
OUTLINE = shapely.box(500000, 4600000, 500400, 4600300) - POND


@pytest.fixture
def make_field() -> Callable[..., Field]:
    """A field of 400 m by 300 m with a pond, without readings unless they are given."""

    def make(samples: SoilSamples | None = None, om: bool = False, **more: Any) -> Field:
        settings = {name: more.pop(name) for name in ("nitrogen", "applications", "units", "prices") if name in more}
        none = np.empty(0)
        empty = SoilSamples(
            sample_id=(), crs=CRS, coordinates_m=np.empty((0, 2)), top_in=none, bottom_in=none, nitrate_ppm=none,
            kind=(), sampled_on=(), nominal_ppm=none, below_detection=np.empty(0, dtype=bool), area_id=(), areas={},
            row=np.empty(0, dtype=np.intp),
        )  # fmt: skip
        organic = None
        if om:
            grid = Grid(crs=CRS, west_m=499990.0, north_m=4600310.0, cell_m=10.0, rows=32, cols=42)
            values = np.where(np.arange(42) < 21, 1.6, 4.0) * np.ones((32, 1))
            organic = RasterLayer(name="organic_matter_pct", grid=grid, values=values, source="om.tif")
        return Field(
            settings=Settings(header=FieldSection(name="Ash Hill 3", season=2026, boundary="b.geojson"),
                              crop=Crop(yield_goal_bu_ac=200.0), samples=SampleSection(file="samples.csv"), **settings),
            folder=Path(), crs=CRS, boundary=OUTLINE, no_apply=shapely.MultiPolygon(),
            samples=empty if samples is None else samples, organic_matter=organic, **more,
        )  # fmt: skip

    return make


@pytest.fixture
def wet_weather() -> Weather:
    """A month with a tenth of an inch of rain a day, and two inches on the twentieth."""
    days = tuple(date(2026, 5, number) for number in range(1, 32))
    rain = np.full(31, 0.1)
    rain[19] = 2.0
    return Weather(days=days, tmin_f=np.full(31, 50.0), tmax_f=np.full(31, 75.0), rain_in=rain, source="weather.csv")
