"""A small field made by hand: 400 × 400 m, a need that rises from west to east in steps."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.model.field import Field
from vrn.model.grid import Grid, grid_over, share_inside
from vrn.model.samples import SoilSamples
from vrn.model.settings import Crop, FieldSection, SampleSection, Settings
from vrn.model.surface import Surface
from vrn.nitrogen.ledger import Ledger, Line
from vrn.prescription import Prescription, prescribe
from vrn.zones import Zones
from vrn.zones.outline import labels_of

CRS = "EPSG:32615"
WEST, SOUTH, SIDE = 500_000.0, 4_650_000.0, 400.0
FIELD = shapely.box(WEST, SOUTH, WEST + SIDE, SOUTH + SIDE)


@dataclass(frozen=True)
class Made:
    """What ``prescribe`` takes."""

    field: Field
    grid: Grid
    share: np.ndarray
    surfaces: dict[str, Surface]
    ledger: Ledger
    zones: Zones

    def prescribe(self, **more: Any) -> Prescription:
        """The prescription of it."""
        return prescribe(field=self.field, grid=self.grid, share=self.share, surfaces=self.surfaces,
                         ledger=self.ledger, zones=self.zones, **more)  # fmt: skip


def no_samples() -> SoilSamples:
    """Samples of a field that has none."""
    return SoilSamples(
        sample_id=(), crs=CRS, coordinates_m=np.empty((0, 2)), top_in=np.empty(0), bottom_in=np.empty(0),
        nitrate_ppm=np.empty(0), kind=(), sampled_on=(), nominal_ppm=np.empty(0),
        below_detection=np.empty(0, dtype=bool), area_id=(), areas={}, row=np.empty(0, dtype=np.intp),
    )  # fmt: skip


def make_settings(**sections: Any) -> Settings:
    """A field file with its defaults, and the sections given."""
    base = Settings(
        header=FieldSection(name="Hand made", season=2026, boundary="boundary.geojson"),
        crop=Crop(yield_goal_bu_ac=200.0, growth_stage="V8"),
        samples=SampleSection(file="samples.csv"),
    )
    return replace(base, **sections)


def make(needs_lb_ac: tuple[float, ...] = (60.0, 102.0, 148.0), *, cell_m: float = 5.0, **sections: Any) -> Made:
    """Strips of equal width from west to east, each a zone with its own need."""
    grid = grid_over(FIELD, crs=CRS, cell_m=cell_m)
    share = share_inside(grid, FIELD)
    count = len(needs_lb_ac)
    edges = WEST + SIDE * np.arange(count + 1) / count
    outlines = tuple(
        shapely.MultiPolygon([shapely.box(edges[k], SOUTH, edges[k + 1], SOUTH + SIDE)]) for k in range(count)
    )
    labels = labels_of(outlines, grid=grid, share=share)
    need = np.array([np.nan, *needs_lb_ac])[labels].ravel()
    ledger = Ledger(
        lines=(
            Line(label="Crop", lb_ac=200.0, basis="", source="test", key="crop"),
            Line(label="Soil", lb_ac=need - 200.0, basis="", source="test", key="soil_nitrate"),
        ),
        method="remaining-need",
    )
    field = Field(
        settings=make_settings(**sections), folder=Path(), crs=CRS, boundary=FIELD, no_apply=shapely.Polygon(),
        samples=no_samples(),
    )  # fmt: skip
    surfaces = {
        "nitrate_ppm": Surface(name="nitrate_ppm", grid=grid, values=labels * 4.0, chosen="test"),
        "yield_goal_bu_ac": Surface(name="yield_goal_bu_ac", grid=grid, values=np.full(grid.shape, 200.0), chosen="x"),
    }
    zones = Zones(labels=labels, outlines=outlines)
    return Made(field=field, grid=grid, share=share, surfaces=surfaces, ledger=ledger, zones=zones)


@pytest.fixture
def made() -> Callable[..., Made]:
    """Maker of small fields: ``made((60, 102), machine=MachineSection(…))``."""
    return make
