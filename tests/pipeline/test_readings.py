"""Readings of every kind find their way through the pipeline: composites, slices of depth, the user's own trial."""

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import shapely

import vrn
from vrn.errors import InputFileError
from vrn.model.field import Field
from vrn.model.layers import ConstantLayer, PolygonLayer
from vrn.model.samples import Handling, SoilSamples
from vrn.model.settings import ExtraLayer
from vrn.model.trials import NitrogenTrial
from vrn.pipeline.need import options_of

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"


@pytest.fixture
def cedar_bend() -> Field:
    """The ordinary demo field, read, on coarse cells."""
    field = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    settings = replace(field.settings, header=replace(field.settings.header, cell_m=12.0))
    return replace(field, settings=settings)


def _composites(field: Field) -> SoilSamples:
    """Two composites, of the west and of the east half: 8 and 20 ppm."""
    west, south, east, north = field.boundary.bounds
    middle = (west + east) / 2
    areas = {"W": shapely.box(west, south, middle, north), "E": shapely.box(middle, south, east, north)}
    pair = field.samples.take(np.array([0, 1]))
    return replace(
        pair, area_id=("W", "E"), areas=areas, nitrate_ppm=np.array([8.0, 20.0]), bottom_in=np.array([12.0, 12.0])
    )


def test_composites_are_the_means_of_their_areas(cedar_bend: Field) -> None:
    """A composite speaks for its whole area and for no more: two areas, two nitrate values, no variogram."""
    west, _, east, _ = cedar_bend.boundary.bounds
    middle = (west + east) / 2
    nitrate = vrn.build(replace(cedar_bend, samples=_composites(cedar_bend))).surfaces["nitrate_ppm"]
    eastings = nitrate.grid.eastings_m()
    cell = nitrate.grid.cell_m
    np.testing.assert_allclose(nitrate.values[:, (eastings < middle - cell) & (eastings > west + cell)], 8.0)
    np.testing.assert_allclose(
        nitrate.values[len(nitrate.values) // 2, (eastings > middle + cell) & (eastings < east - cell)], 20.0
    )
    assert nitrate.choice.variogram is None


def test_composites_carry_what_is_known_of_their_error(cedar_bend: Field) -> None:
    """
    16 cores each, 50 % between cores, the median reading 14 ppm: 14 × 0.5 ÷ 4 = 1.75 ppm, and the meter's 1.5 ppm.

    √(1.75² + 1.5²) = 2.30 ppm; without either nothing is said.
    """
    plain = replace(
        cedar_bend, organic_matter=ConstantLayer(name="organic_matter_pct", value=3.0), yield_potential=None
    )
    bare = replace(_composites(cedar_bend), handling=(Handling(), Handling()))
    silent = vrn.build(replace(plain, samples=bare))
    assert silent.surfaces["nitrate_ppm"].se is None
    assert [rate.need_se_lb_ac for rate in silent.rates] == [None] * len(silent.rates)
    settings = replace(plain.settings, samples=replace(plain.settings.samples, instrument_sd_ppm=1.5))
    mixed = replace(bare, handling=(Handling(cores=16), Handling(cores=16)))
    told = vrn.build(replace(plain, settings=settings, samples=mixed))
    se = told.surfaces["nitrate_ppm"].se
    assert se is not None
    assert np.nanmedian(se) == pytest.approx(np.hypot(1.75, 1.5), abs=1e-9)
    assert all(rate.need_se_lb_ac for rate in told.rates)


def _sliced(samples: SoilSamples, *, upper: float, lower: float) -> SoilSamples:
    """Every core cut at 6 in: its nitrate times one factor above, times another below."""
    top = replace(samples, bottom_in=np.full(len(samples), 6.0), nitrate_ppm=samples.nitrate_ppm * upper)
    below = replace(
        top, top_in=top.bottom_in, bottom_in=np.full(len(samples), 12.0), nitrate_ppm=samples.nitrate_ppm * lower
    )
    texts = ("sample_id", "kind", "sampled_on", "area_id", "handling")
    arrays = ("coordinates_m", "top_in", "bottom_in", "nitrate_ppm", "nominal_ppm", "below_detection", "row")
    return replace(
        top,
        **{name: getattr(top, name) + getattr(below, name) for name in texts},
        **{name: np.concatenate([getattr(top, name), getattr(below, name)]) for name in arrays},
    )


def test_slices_of_the_top_foot_are_averaged_by_thickness(cedar_bend: Field) -> None:
    """0–6 in at 18 ppm and 6–12 in at 6 ppm are one foot at 12 ppm."""
    even = replace(cedar_bend.samples, nitrate_ppm=np.full(len(cedar_bend.samples), 12.0))
    both = _sliced(even, upper=1.5, lower=0.5)
    nitrate = vrn.build(replace(cedar_bend, samples=both)).surfaces["nitrate_ppm"].values
    np.testing.assert_allclose(nitrate, 12.0, atol=1e-6)


def test_slices_carry_their_error_to_the_rate(cedar_bend: Field) -> None:
    """A foot averaged from two slices is drawn as one of them is, and what was assumed of either is told."""
    both = _sliced(cedar_bend.samples, upper=1.2, lower=0.8)
    built = vrn.build(replace(cedar_bend, samples=both))
    nitrate = built.surfaces["nitrate_ppm"]
    assert nitrate.draws is not None
    assert nitrate.se is not None
    drawn = nitrate.draws(200, seed=3, step=4)
    blocks = nitrate.grid.blocks(4)
    row, col, _ = nitrate.grid.cells_of(blocks.centers_m())
    bias = drawn.mean(axis=0).ravel() - nitrate.values[row, col]
    assert abs(bias.mean()) < 0.3 * nitrate.se.mean()
    assert built.uncertainty is not None
    assert "nitrate_ppm" in built.uncertainty.drawn
    assert all(rate.need_se_lb_ac for rate in built.rates)
    assert "surface.scatter-smoothed" in [finding.code for finding in nitrate.findings]


def test_equal_readings_make_one_zone(cedar_bend: Field) -> None:
    """Where no layer has structure the answer is one zone at the flat rate."""
    flat = replace(
        cedar_bend,
        samples=replace(cedar_bend.samples, nitrate_ppm=np.full(len(cedar_bend.samples), 10.0)),
        organic_matter=ConstantLayer(name="organic_matter_pct", value=3.0),
        yield_potential=None,
    )
    built = vrn.build(flat)
    assert len(built.rates) == 1
    assert built.rates[0].rate_n_lb_ac == built.flat_rate_n_lb_ac


def test_own_trial_reaches_the_economic_optimum(cedar_bend: Field) -> None:
    """A trial of 90 + N − 0.0025 N² at a price ratio of 0.1 has its optimum at (1 − 0.1) / 0.005 = 180 lb/ac in all."""
    rates = np.array([0.0, 60.0, 120.0, 180.0, 240.0])
    trial = NitrogenTrial(n_lb_ac=rates, yield_bu_ac=90 + rates - 0.0025 * rates**2, block=("",) * 5, source="trial")
    settings = replace(
        cedar_bend.settings,
        nitrogen=replace(cedar_bend.settings.nitrogen, method="economic-optimum"),
        prices=replace(cedar_bend.settings.prices, corn_per_bu=4.0, n_per_lb=0.4),
        applications=(_applied(40.0),),
    )
    built = vrn.build(replace(cedar_bend, settings=settings, trial=trial))
    assert built.response is not None
    assert built.response.best(price_ratio=0.1)[0] == pytest.approx(180.0, abs=0.1)
    assert [rate.need_lb_ac for rate in built.rates] == [pytest.approx(140.0, abs=0.1)]


def _tried(field: Field, yields: list[float], **nitrogen: object) -> tuple[dict[str, object], list[str]]:
    """What a trial of 0, 50, 100 and 150 lb/ac gives a method, and what is said of it."""
    trial = NitrogenTrial(n_lb_ac=np.arange(4) * 50.0, yield_bu_ac=np.array(yields), block=("",) * 4, source="trial")
    section = replace(field.settings.nitrogen, **nitrogen)  # type: ignore[arg-type]
    options, _, findings = options_of(replace(field, trial=trial, settings=replace(field.settings, nitrogen=section)))
    return options, [finding.code for finding in findings]


def test_a_trial_says_what_it_gives_and_what_it_cannot(cedar_bend: Field) -> None:
    """A rising trial stops at its highest rate; a falling one stops only who needs it; numbers given go first."""
    options, codes = _tried(cedar_bend, [100.0, 130.5, 149.5, 160.0])
    assert options["highest_rate_lb_ac"] == 150.0
    assert options["response_c"] == pytest.approx(-0.002, abs=0.0002)
    assert codes[:3] == ["nitrogen.trial-response", "nitrogen.trial-best-rate", "nitrogen.best-rate-or-more"]
    assert codes[3] == "nitrogen.trial-still-rising"
    assert _tried(cedar_bend, [150.0, 130.0, 115.0, 110.0])[1] == ["nitrogen.trial-unused"]
    with pytest.raises(InputFileError, match="do not bend down"):
        _tried(cedar_bend, [150.0, 130.0, 115.0, 110.0], method="economic-optimum")
    given, codes = _tried(cedar_bend, [100.0, 130.5, 149.5, 160.0], response_b=0.8, response_c=-0.003)
    assert (given["response_b"], codes[-1]) == (0.8, "nitrogen.trial-and-numbers")


def _applied(n_lb_ac: float):  # type: ignore[no-untyped-def]  # one line of the field file
    from datetime import date

    from vrn.model.settings import Application

    return Application(date=date(2026, 4, 20), product="UAN 28", n_lb_ac=n_lb_ac)


def test_quality_of_readings_is_found(cedar_bend: Field) -> None:
    """A file without check standards is a finding: the meter's accuracy can't be verified."""
    built = vrn.build(cedar_bend)
    assert "samples.no-standards" in {finding.code for finding in built.findings}
    assert built.readings is not None
    assert built.readings.runs == ()


def test_an_extra_layer_is_its_mean_where_it_is_silent(cedar_bend: Field) -> None:
    """A layer over the west half says so, and the east half is not one lump for want of it."""
    west, south, east, north = cedar_bend.boundary.bounds
    strips = np.linspace(west, (west + east) / 2, 3)
    polygons = np.array([shapely.box(a, south, b, north) for a, b in pairwise(strips)], object)
    layer = PolygonLayer(
        name="conductivity", crs=cedar_bend.crs, polygons=polygons, values=np.array([10.0, 30.0]), source="ec.geojson"
    )
    settings = replace(
        cedar_bend.settings,
        header=replace(cedar_bend.settings.header, cell_m=None),
        zones=replace(cedar_bend.settings.zones, by="layers", count=4),
        layers=replace(
            cedar_bend.settings.layers, extra=(ExtraLayer(name="conductivity", file="ec.geojson", weight=1.0),)
        ),
    )
    built = vrn.build(replace(cedar_bend, settings=settings, extra_layers={"conductivity": layer}))
    told = [finding for finding in built.findings if finding.about == "layers.extra conductivity"]
    assert [finding.level for finding in told] == ["warning"]
    assert told[0].quantities["covered"].value == pytest.approx(0.522, abs=0.001)
    eastern = built.zones.labels[:, built.grid.eastings_m() > (west + east) / 2 + 20]
    counts = np.bincount(eastern[eastern > 0])
    assert (counts > 0.05 * counts.sum()).sum() >= 2
