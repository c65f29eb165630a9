"""Simulated corn fields whose true need is known everywhere, as a specialist would meet them.

Every field: 805 × 805 m (a quarter section). Truth on 5 m cells, Gaussian random fields with exponential covariance
made by circulant embedding (Dietrich and Newsam 1997, SIAM J. Sci. Comput. 18:1088-1107):

- nitrate, top foot, as a swath of ground holds it: lognormal (Starr et al. 1992, Soil Sci. Soc. Am. J. 56:1824), mean
  14 ppm, coefficient of variation 0.5 (30 to 60 % is usual), practical range 250 to 400 m
- organic matter: mean 3.0 %, standard deviation 0.6, practical range 300 to 500 m
- yield potential: mean 1, standard deviation 0.12, correlated 0.5 with organic matter

What the specialist has of it: 45 composites on a jittered square pattern; each is off by 18 % of what the ground holds
(one core is off by about half; eight cores by that over the root of eight) and by 1.5 ppm more (what a field meter is
good to); organic matter at the same 45 places with an error of 0.15; yield potential on 10 m cells with an error of
0.04. Seeds are the field's number, 1, 2, 3 ….
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import PointLayer, RasterLayer
from vrn.model.samples import SoilSamples
from vrn.model.settings import (
    Crop,
    FieldSection,
    LayerSection,
    LimitSection,
    MachineSection,
    NitrogenSection,
    ProductSection,
    SampleSection,
    Settings,
    YieldPotentialLayer,
)
from vrn.nitrogen import method

Array = NDArray[np.float64]
CRS = "EPSG:32615"
SIDE_M = 805.0
CELL_M = 5.0
CELLS = 161
WEST_M, SOUTH_M = 450_000.0, 4_650_000.0
GOAL_BU_AC = 220.0
STAGES = {"remaining-need": "V8", "nebraska": "preplant"}
BOTTOM_IN = {"remaining-need": 12.0, "nebraska": 24.0}
STEP_LB_AC = 5.0
SAMPLES = 45
READING_ERROR_PPM = 1.5
CORES_ERROR_SHARE = 0.18


@dataclass(frozen=True)
class Making:
    """What a field is made with; the defaults are those of the text above."""

    nitrate_cv: float = 0.5
    stretch: float = 1.0  # of every range
    samples: int = SAMPLES
    own_organic_samples: int = 0  # places of organic matter, at random; 0: those of the samples
    at_random: bool = False  # samples on no pattern
    reading_error_ppm: float = READING_ERROR_PPM
    cores_error_share: float = CORES_ERROR_SHARE
    yield_error: float = 0.04
    equation: str = "remaining-need"  # or "nebraska": a preplant profile of two feet in place of the first foot at V8


@dataclass(frozen=True)
class Simulated:
    """A field, and the truth on its own 5 m grid, north up."""

    seed: int
    field: Field
    grid: Grid
    nitrate_ppm: Array
    organic_matter_pct: Array
    yield_goal_bu_ac: Array
    need_lb_ac: Array
    practical_ranges_m: tuple[float, ...]  # of nitrate, of organic matter, and of the part of yield that is its own
    making: Making

    def at(self, grid: Grid, values: Array) -> Array:
        """Values of the truth's grid at the cell centres of another; NaN off the field."""
        row, col, inside = self.grid.cells_of(grid.centers_m())
        return np.where(inside, values[row, col], np.nan).reshape(grid.shape)

    def misallocated(self, rate_n_lb_ac: Array) -> float:
        """Mean of |rate − true need| over the field, rates on the truth's grid. [lb/ac]"""
        return float(np.mean(np.abs(rate_n_lb_ac - self.need_lb_ac)))


def need_lb_ac(
    nitrate_ppm: Array | float, organic_matter_pct: Array | float, yield_goal_bu_ac: Array | float, *,
    equation: str = "remaining-need",
) -> Array:  # fmt: skip
    """Need by the equation: what the truth and every rival are struck with. [lb/ac]"""
    known: dict[str, object] = {"organic_matter_pct": organic_matter_pct, "yield_goal_bu_ac": yield_goal_bu_ac}
    if equation == "nebraska":
        known |= {"profile_nitrate_ppm": nitrate_ppm}
    else:
        known |= {"nitrate_ppm": nitrate_ppm, "growth_stage": STAGES[equation], "top_in": 0.0, "bottom_in": 12.0}
    ledger = method(equation).need(**known)
    return np.asarray(ledger.need_lb_ac, dtype=float)


def random_field(rng: np.random.Generator, *, practical_range_m: float) -> Array:
    """Standard normal field with covariance exp(−3 h / practical range) on the truth's cells."""
    size = 2 * CELLS
    step = np.minimum(np.arange(size), size - np.arange(size)) * CELL_M
    covariance = np.exp(-3.0 * np.hypot(step[:, None], step[None, :]) / practical_range_m)
    spectrum = np.maximum(np.fft.fft2(covariance).real, 0.0)
    noise = rng.normal(size=(size, size)) + 1j * rng.normal(size=(size, size))
    return np.fft.fft2(np.sqrt(spectrum / size**2) * noise).real[:CELLS, :CELLS]


def simulate(seed: int, *, structure: bool = True, samples: int = SAMPLES, making: Making | None = None) -> Simulated:
    """
    One field.

    Without structure every layer is white noise about its mean: nothing that a map could hold.
    """
    rng = np.random.default_rng(seed)
    how = making or Making(samples=samples)
    ranges_m = []

    def layer(low_m: float, high_m: float) -> Array:
        practical_range_m = how.stretch * rng.uniform(low_m, high_m)
        ranges_m.append(practical_range_m)
        return random_field(rng, practical_range_m=practical_range_m if structure else 0.1)

    nitrate = layer(250.0, 400.0)
    sd_log = np.sqrt(np.log1p(how.nitrate_cv**2))
    nitrate_ppm = 14.0 * np.exp(sd_log * nitrate - sd_log**2 / 2)
    organic = layer(300.0, 500.0)
    organic_matter_pct = np.clip(3.0 + 0.6 * organic, 0.8, 8.0)
    relative = 1.0 + 0.12 * (0.5 * organic + np.sqrt(0.75) * layer(300.0, 500.0))
    yield_goal_bu_ac = GOAL_BU_AC * relative / relative.mean()

    grid = Grid(crs=CRS, west_m=WEST_M, north_m=SOUTH_M + SIDE_M, cell_m=CELL_M, rows=CELLS, cols=CELLS)
    corner_m, side_m = np.array([WEST_M, SOUTH_M]), SIDE_M - 0.01
    places = corner_m + rng.uniform(0.01, side_m, (how.samples, 2)) if how.at_random else _places(rng, how.samples)
    row, col, _ = grid.cells_of(places)
    composite = 1.0 + how.cores_error_share * rng.normal(size=how.samples)
    reading_ppm = nitrate_ppm[row, col] * composite + how.reading_error_ppm * rng.normal(size=how.samples)
    of_organic = places
    if how.own_organic_samples:
        of_organic = corner_m + rng.uniform(0.01, side_m, (how.own_organic_samples, 2))
        row, col, _ = grid.cells_of(of_organic)
    field = _field(
        places,
        nitrate_ppm=np.maximum(reading_ppm, 0.5),
        of_organic=of_organic,
        organic_matter_pct=np.clip(organic_matter_pct[row, col] + 0.15 * rng.normal(size=len(of_organic)), 0.3, 9.0),
        yield_potential=_coarse(relative, rng, how.yield_error),
        name=f"Simulated {seed}",
        equation=how.equation,
    )
    return Simulated(
        seed=seed,
        field=field,
        grid=grid,
        nitrate_ppm=nitrate_ppm,
        organic_matter_pct=organic_matter_pct,
        yield_goal_bu_ac=yield_goal_bu_ac,
        need_lb_ac=need_lb_ac(nitrate_ppm, organic_matter_pct, yield_goal_bu_ac, equation=how.equation),
        practical_ranges_m=tuple(ranges_m),
        making=how,
    )


def _places(rng: np.random.Generator, count: int) -> Array:
    """Cores on a square pattern, each moved by up to a third of its square; shape (count, 2). [m]"""
    cols = int(np.ceil(np.sqrt(count)))
    rows = int(np.ceil(count / cols))
    index = rng.permutation(rows * cols)[:count]
    square = np.column_stack([index % cols + 0.5, index // cols + 0.5]) + rng.uniform(-1 / 3, 1 / 3, size=(count, 2))
    return np.array([WEST_M, SOUTH_M]) + square * np.array([SIDE_M / cols, SIDE_M / rows])


def _coarse(relative: Array, rng: np.random.Generator, error: float) -> RasterLayer:
    """Yield potential on 10 m cells, read with an error."""
    padded = np.pad(relative, ((0, 1), (0, 1)), mode="edge")
    blocks = padded.reshape(81, 2, 81, 2).mean(axis=(1, 3))
    grid = Grid(crs=CRS, west_m=WEST_M, north_m=SOUTH_M + SIDE_M, cell_m=10.0, rows=81, cols=81)
    values = blocks + error * rng.normal(size=blocks.shape)
    return RasterLayer(name="relative", grid=grid, values=values, source="yield_potential.tif")


def _field(
    places: Array, *, nitrate_ppm: Array, of_organic: Array, organic_matter_pct: Array, yield_potential: RasterLayer,
    name: str, equation: str,
) -> Field:  # fmt: skip
    count = len(places)
    settings = Settings(
        header=FieldSection(name=name, season=2026, boundary="boundary.geojson"),
        crop=Crop(yield_goal_bu_ac=GOAL_BU_AC, growth_stage=STAGES[equation]),
        nitrogen=NitrogenSection(method=equation),
        applications=() if equation == "nebraska" else None,
        samples=SampleSection(file="samples.csv", reported_as="NO3-N", moisture_basis="dry"),
        layers=LayerSection(yield_potential=YieldPotentialLayer(file="yield_potential.tif", kind="relative", weight=1)),
        machine=MachineSection(swath_ft=60.0, max_rate_n_lb_ac=300.0, rate_step_n_lb_ac=STEP_LB_AC),
        limits=LimitSection(max_n_lb_ac=300.0),
        product=ProductSection(name="UAN 32"),
    )
    samples = SoilSamples(
        sample_id=tuple(f"S{i:02d}" for i in range(count)),
        crs=CRS,
        coordinates_m=places,
        top_in=np.zeros(count),
        bottom_in=np.full(count, BOTTOM_IN[equation]),
        nitrate_ppm=nitrate_ppm,
        kind=("field",) * count,
        sampled_on=(None,) * count,
        nominal_ppm=np.full(count, np.nan),
        below_detection=np.zeros(count, dtype=bool),
        area_id=("",) * count,
        areas={},
        row=np.arange(2, count + 2),
        source="samples.csv",
    )
    organic = PointLayer(
        name="organic_matter_pct",
        crs=CRS,
        coordinates_m=of_organic,
        values=organic_matter_pct,
        source="organic_matter.csv",
    )
    boundary = shapely.box(WEST_M, SOUTH_M, WEST_M + SIDE_M, SOUTH_M + SIDE_M)
    return Field(
        settings=settings,
        folder=Path(),
        crs=CRS,
        boundary=boundary,
        no_apply=shapely.Polygon(),
        samples=samples,
        organic_matter=organic,
        yield_potential=yield_potential,
    )
