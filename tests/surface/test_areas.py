"""Composites of areas: each area's mean is its sample (Kyriakidis 2004), held against block kriging worked by hand."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from vrn.model import Grid, Surface
from vrn.model.variogram import Variogram
from vrn.surface import area_means, areas_on_grid
from vrn.surface.areas import _AreaKriging
from vrn.surface.layers import overlaps
from vrn.surface.likelihood import Likely, posterior
from vrn.surface.places import places_of

CRS = "EPSG:32615"
GRID = Grid(crs=CRS, west_m=0.0, north_m=240.0, cell_m=10.0, rows=24, cols=32)
CENTERS_M = GRID.centers_m()


def _areas(across: int = 4, up: int = 3) -> dict[str, shapely.Geometry]:
    """Areas side by side whose lines run through cells, slanted, one with a hole that is another one's."""
    wide, high = 320.0 / across, 240.0 / up
    boxes = {
        f"{i}{j}": shapely.Polygon([
            (i * wide, j * high), ((i + 1) * wide, j * high), ((i + 1) * wide + 7 * j, (j + 1) * high),
            (i * wide + 7 * j, (j + 1) * high),
        ])
        for i in range(across) for j in range(up)
    }  # fmt: skip
    hole = shapely.Point(1.5 * wide, 0.5 * high).buffer(0.25 * high)
    return {**boxes, "10": shapely.difference(boxes["10"], hole), "hole": hole}


def _values(areas: dict[str, shapely.Geometry], seed: int) -> dict[str, float]:
    rng = np.random.default_rng(seed)
    return {key: float(14 + area.centroid.x / 40 + rng.normal(0, 2)) for key, area in areas.items()}


def _means(areas: dict[str, shapely.Geometry], cells: np.ndarray) -> np.ndarray:
    """Mean of cells (…, cells) over each area (…, areas), by the ground that both share."""
    which, cell, ground = overlaps(np.array(list(areas.values()), dtype=object), GRID)
    share = np.zeros((len(areas), len(CENTERS_M)))
    share[which, cell] = ground
    return cells.reshape(-1, len(CENTERS_M)) @ (share / share.sum(axis=1, keepdims=True)).T


@pytest.mark.parametrize("followed", [False, True])
@pytest.mark.parametrize("error", [None, 1.5])
def test_each_area_keeps_its_mean(followed: bool, error: float | None) -> None:
    """The mean of the surface over an area is the area's composite, to rounding, whatever else the surface follows."""
    areas = _areas()
    values = _values(areas, 1)
    layer = Surface(name="om", grid=GRID, values=np.sin(CENTERS_M[:, 0] / 30).reshape(GRID.shape), chosen="raster")
    surface = areas_on_grid(
        areas, values, GRID, se=None if error is None else dict.fromkeys(areas, error),
        drift=[layer] if followed else [],
    )  # fmt: skip
    assert surface.chosen == "area-to-point kriging"
    assert _means(areas, surface.values)[0] == pytest.approx(list(values.values()), abs=1e-9)
    assert surface.se.min() > 0
    assert [one.code for one in surface.findings] == ["surface.area-to-point"]


def test_ground_held_at_zero_keeps_the_means() -> None:
    """Where kriging falls below 0 beside rich ground, cells are held at 0 and the area still has its mean."""
    areas = _areas()
    values = {key: 60.0 if key in ("11", "12", "21") else 0.3 for key in areas}
    surface = areas_on_grid(areas, values, GRID)
    assert "surface.held-at-zero" in [one.code for one in surface.findings]
    assert surface.values.min() == 0.0
    assert _means(areas, surface.values)[0] == pytest.approx(list(values.values()), abs=1e-6)


def test_against_block_kriging_by_hand() -> None:
    """Estimate and error are those of ordinary kriging with the mean covariances of blocks, every pair of cells summed.

    Isaaks & Srivastava (1989), ch. 13, for the blocks; Kyriakidis (2004) for areas to points.
    """
    areas = _areas()
    polygons, values = np.array(list(areas.values()), dtype=object), np.array(list(_values(areas, 2).values()))
    variogram = Variogram(model="exponential", partial_sill=6.0, range_m=90.0, nugget=2.0)
    variance = np.linspace(0.5, 2.0, len(values))
    system = _AreaKriging.of(polygons, values, variance, GRID, [])
    made = replace(system, likely=(Likely(variogram, 0.0),)).surface()
    which, cell, ground = overlaps(polygons, GRID)
    share, own = np.zeros((2, len(values), len(CENTERS_M)))
    share[which, cell] = own[which, cell] = ground
    share, own = share / share.sum(axis=1, keepdims=True), own / np.maximum(own.sum(axis=0), 1e-9)
    apart = np.hypot(*(CENTERS_M[:, None] - CENTERS_M[None]).transpose(2, 0, 1))
    among = 6.0 * np.exp(-apart / 90.0) + 2.0 * own.T @ own
    to_cells = share @ among
    blocks = to_cells @ share.T
    count = len(values)
    left = np.block([[blocks, np.ones((count, 1))], [np.ones((1, count)), np.zeros((1, 1))]])
    right = np.vstack([to_cells, np.ones(len(CENTERS_M))])
    found = np.linalg.solve(left, right)
    error = among.diagonal() - np.einsum("ij,ij->j", found, right) + variance @ found[:count] ** 2
    assert made.cells == pytest.approx(values @ found[:count], abs=1e-8)
    assert made.se == pytest.approx(np.sqrt(error), abs=1e-8)
    for k in range(count):  # each area from the others
        rest = np.delete(np.arange(count), k)
        some = np.append(rest, count)
        weights = np.linalg.solve(left[np.ix_(some, some)], np.append(blocks[rest, k], 1.0))
        assert made.left_out[k] == pytest.approx(weights[:-1] @ values[rest], abs=1e-8)
        spread = blocks[k, k] - weights @ np.append(blocks[rest, k], 1.0) + variance[k]
        assert made.left_out_variance[k] == pytest.approx(spread, rel=1e-8)


def test_draws_come_from_the_same() -> None:
    """The mean of draws is the surface, their spread its error, and a draw's areas are off by their own error alone."""
    areas = _areas()
    values, error = _values(areas, 3), {key: 0.2 + 0.2 * k for k, key in enumerate(areas)}
    surface = areas_on_grid(areas, values, GRID, se=error)
    drawn = surface.draws(1_200, seed=5)
    assert drawn.shape == (1_200, *GRID.shape)
    spread = drawn.std(axis=0)
    means = _means(areas, drawn)
    assert means.mean(axis=0) == pytest.approx(list(values.values()), abs=3.5 * max(error.values()) / 1_200**0.5)
    assert means.std(axis=0) == pytest.approx(list(error.values()), rel=0.1)
    assert (np.abs(drawn.mean(axis=0) - surface.values) <= 3 * spread / 1_200**0.5).mean() > 0.97
    assert (spread / surface.se).mean() == pytest.approx(1.0, abs=0.05)
    assert surface.draws(24, seed=5, step=2).shape == (24, 12, 16)


def test_few_areas_stay_as_they_are() -> None:
    """Eleven areas, or no pattern anywhere, or areas that lie on one another: each its value, and few areas say so."""
    areas = dict(list(_areas().items())[:11])
    values = _values(areas, 4)
    surface = areas_on_grid(areas, values, GRID)
    assert surface.chosen == "area means"
    assert surface.values == pytest.approx(area_means(areas, values, GRID).values, nan_ok=True)
    assert "surface.few-areas" in [one.code for one in surface.findings]
    every = _areas()
    values = _values(every, 4)
    assert areas_on_grid(every, values, GRID, use_mean_only=True).chosen == "area means"
    twice = {**every, "again": every["00"]}
    assert areas_on_grid(twice, {**values, "again": 9.0}, GRID).chosen == "area means"


def test_areas_without_a_reading_stay_unknown() -> None:
    """No guess where an area has no sample: its ground stays unknown, in the draws too, and is named."""
    areas = _areas(5)
    values = _values(areas, 5)
    del values["42"]
    surface = areas_on_grid(areas, values, GRID)
    inside = shapely.contains_xy(shapely.buffer(areas["42"], -15.0), *CENTERS_M.T).reshape(GRID.shape)
    assert np.isnan(surface.values[inside]).all()
    assert np.isnan(surface.draws(2, seed=1)[:, inside]).all()
    assert surface.choice.areas_without_reading == ("42",)


def test_nearer_to_a_smooth_field_than_areas_alone() -> None:
    """Over 12 smooth simulated fields the surface misses the ground by a tenth less than the areas' values do."""
    areas = _areas(5, 4)
    root = np.linalg.cholesky(np.exp(-np.hypot(*(CENTERS_M[:, None] - CENTERS_M[None]).transpose(2, 0, 1)) / 250.0))
    missed = []
    for seed in range(12):
        truth = 20.0 + 5.0 * root @ np.random.default_rng(seed).normal(size=len(CENTERS_M))
        values = dict(zip(areas, _means(areas, truth)[0].tolist(), strict=True))
        made = (areas_on_grid(areas, values, GRID), area_means(areas, values, GRID))
        missed.append([np.sqrt(np.nanmean((one.values.ravel() - truth) ** 2)) for one in made])
    ours, plain = np.mean(missed, axis=0)
    assert ours < 0.9 * plain


def test_points_are_areas_without_extent() -> None:
    """Variograms from given correlations are those from places, where the correlations are the places' own."""
    rng = np.random.default_rng(6)
    places = places_of(rng.uniform(0, 500, (30, 2)), rng.normal(size=30))
    apart = np.hypot(*(np.subtract.outer(axis, axis) for axis in places.coordinates_m.T))
    assert posterior(places, None, lambda range_m: np.exp(-apart / range_m)) == posterior(places)
