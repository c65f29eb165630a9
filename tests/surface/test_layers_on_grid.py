"""Layers of every kind onto the grid: by area, against sums that can be worked out and against brute force."""

import numpy as np
import pytest
import shapely

from vrn.errors import CrsMismatchError, InputFileError
from vrn.model import ConstantLayer, Grid, PointLayer, PolygonLayer, RasterLayer
from vrn.surface import area_means, layer_on_grid

CRS = "EPSG:32615"
GRID = Grid(crs=CRS, west_m=0.0, north_m=60.0, cell_m=10.0, rows=6, cols=8)


def _raster(values: np.ndarray, *, west_m: float, north_m: float, cell_m: float, crs: str = CRS) -> RasterLayer:
    rows, cols = values.shape
    grid = Grid(crs=crs, west_m=west_m, north_m=north_m, cell_m=cell_m, rows=rows, cols=cols)
    return RasterLayer(name="relative", grid=grid, values=values, source="potential.tif")


def test_constant_is_the_same_everywhere() -> None:
    """One value for the whole field, of which no error is known."""
    surface = layer_on_grid(ConstantLayer(name="organic_matter_pct", value=3.1), GRID)
    assert (surface.name, surface.chosen, surface.se, surface.draws) == ("organic_matter_pct", "constant", None, None)
    assert (surface.values == 3.1).all()


def test_points_are_interpolated() -> None:
    """Points become the surface that the samples' own rules choose, with its source and its choice told."""
    layer = PointLayer(
        name="organic_matter_pct", crs=CRS, coordinates_m=np.array([(5.0, 5.0), (75.0, 55.0)]),
        values=np.array([2.0, 4.0]), source="om.csv",
    )  # fmt: skip
    surface = layer_on_grid(layer, GRID, name="om")
    assert (surface.name, surface.chosen, surface.choice.source) == ("om", "mean", "om.csv")
    assert surface.values.tolist() == np.full((6, 8), 3.0).tolist()


@pytest.mark.parametrize(("cell_m", "west_m"), [(2.5, -10.0), (3.0, -7.3), (35.0, -11.0)])
def test_raster_by_area_against_brute_force(cell_m: float, west_m: float) -> None:
    """Finer or coarser, aligned or not: each cell is the mean of 400 points in it, or nearly so."""
    rng = np.random.default_rng(1)
    layer = _raster(rng.uniform(0, 5, (60, 60)), west_m=west_m, north_m=80.0, cell_m=cell_m)
    surface = layer_on_grid(layer, GRID)
    fine = Grid(crs=CRS, west_m=0.0, north_m=60.0, cell_m=0.125, rows=480, cols=640)
    row, col, _ = layer.grid.cells_of(fine.centers_m())
    expected = layer.values[row, col].reshape(6, 80, 8, 80).mean(axis=(1, 3))
    assert surface.values == pytest.approx(expected, abs=0.04)
    assert surface.chosen == "raster by area"


def test_noise_of_a_raster_is_filtered() -> None:
    """A smooth field read with noise comes nearer to itself, by a third at least, and its mean stays; the note says so.

    Without noise, and where noise is not asked to be filtered, every cell stays as it is.
    """
    grid = Grid(crs=CRS, west_m=0.0, north_m=480.0, cell_m=12.0, rows=40, cols=40)
    where = np.arange(50) * 10.0
    field = 1.0 + 0.12 * np.sin(where[:, None] / 90.0) * np.cos(where / 70.0)
    noisy = field + 0.04 * np.random.default_rng(5).normal(size=field.shape)
    true, plain, filtered, untouched = (
        layer_on_grid(_raster(values, west_m=0.0, north_m=480.0, cell_m=10.0), grid, filter_noise=asked)
        for values, asked in ((field, False), (noisy, False), (noisy, True), (field, True))
    )
    before, after = (np.sqrt(np.mean((one.values - true.values) ** 2)) for one in (plain, filtered))
    assert after < before * 2 / 3
    assert filtered.values.mean() == pytest.approx(plain.values.mean(), abs=0.002)
    assert [one.code for one in filtered.findings] == ["surface.raster-noise"]
    assert (untouched.values == true.values).all()
    assert untouched.findings == plain.findings == ()
    for seed in range(20):  # scatter alone has no pattern that could be kept: none is made of it
        scatter = _raster(np.random.default_rng(seed).normal(size=(50, 50)), west_m=0.0, north_m=480.0, cell_m=10.0)
        assert layer_on_grid(scatter, grid, filter_noise=True).findings == ()


def test_raster_keeps_its_total() -> None:
    """A raster inside the grid keeps its total: sum of value times area, cells partly covered weighed by what is."""
    layer = _raster(np.arange(1.0, 13.0).reshape(3, 4), west_m=11.0, north_m=47.0, cell_m=7.0)
    surface = layer_on_grid(layer, GRID)
    cells = shapely.box(*(GRID.centers_m() - 5.0).T, *(GRID.centers_m() + 5.0).T)
    covered = shapely.area(shapely.intersection(cells, shapely.box(11.0, 26.0, 39.0, 47.0))).reshape(GRID.shape)
    assert np.nansum(surface.values * covered) == pytest.approx(78.0 * 49.0)


def test_unknown_raster_cells_do_not_spread() -> None:
    """NaN is left out of a cell's mean; a cell with nothing but NaN takes its neighbour's value up to a cell away."""
    values = np.full((6, 8), 2.0)
    values[:, 4:] = np.nan
    surface = layer_on_grid(_raster(values, west_m=0.0, north_m=60.0, cell_m=10.0), GRID)
    assert surface.values[:, :5].tolist() == np.full((6, 5), 2.0).tolist()
    assert np.isnan(surface.values[:, 5:]).all()
    assert surface.choice.cells_from_nearest == 6


def test_polygons_by_area() -> None:
    """Two strips that meet inside a cell give it their mean by area, worked by hand: 30 % of 2, 70 % of 4."""
    strips = np.array([shapely.box(0, 0, 23, 60), shapely.box(23, 0, 80, 60)], dtype=object)
    layer = PolygonLayer(name="om", crs=CRS, polygons=strips, values=np.array([2.0, 4.0]), source="soils.shp")
    surface = layer_on_grid(layer, GRID)
    assert surface.values[2] == pytest.approx([2.0, 2.0, 3.4, 4.0, 4.0, 4.0, 4.0, 4.0])
    assert surface.choice.covered_share == pytest.approx(1.0)


def test_polygons_against_brute_force() -> None:
    """Slanted, overlapping and self-touching polygons: each cell weighs every polygon by its area."""
    shapes = np.array(
        [
            shapely.Polygon([(-5, -5), (50, 3), (30, 70), (-8, 55)]),
            shapely.Polygon([(40, 0), (85, 10), (70, 65), (35, 50)]),
            shapely.Polygon([(10, 10), (30, 30), (30, 10), (10, 30)]),  # a bow tie: made valid first
        ],
        dtype=object,
    )
    values = np.array([1.0, 5.0, 9.0])
    layer = PolygonLayer(name="om", crs=CRS, polygons=shapes, values=values, source="soils.shp")
    surface = layer_on_grid(layer, GRID)
    valid = shapely.make_valid(shapes)
    for k, (easting, northing) in enumerate(GRID.centers_m()):
        cell = shapely.box(easting - 5, northing - 5, easting + 5, northing + 5)
        area = shapely.area(shapely.intersection(valid, cell))
        if area.sum() > 0:
            assert surface.values.ravel()[k] == pytest.approx(float(area @ values / area.sum()), rel=1e-9)


def test_unknown_polygon_stays_unknown() -> None:
    """A polygon without a value covers nothing: its cells beyond the next stay unknown."""
    strips = np.array([shapely.box(0, 0, 20, 60), shapely.box(20, 0, 80, 60)], dtype=object)
    layer = PolygonLayer(name="om", crs=CRS, polygons=strips, values=np.array([2.0, np.nan]), source="soils.shp")
    surface = layer_on_grid(layer, GRID)
    assert surface.values[0].tolist()[:3] == [2.0, 2.0, 2.0]
    assert np.isnan(surface.values[:, 3:]).all()


def test_layer_in_another_system_is_refused() -> None:
    """A layer in another system is named, with the call that mends it."""
    layer = _raster(np.ones((2, 2)), west_m=0.0, north_m=60.0, cell_m=30.0, crs="EPSG:32616")
    with pytest.raises(
        CrsMismatchError, match=r"potential.tif: layer relative is in EPSG:32616, the grid in EPSG:32615"
    ):
        layer_on_grid(layer, GRID)


def test_layer_off_the_field_is_refused() -> None:
    """A layer that does not touch the field, or holds no value, is refused by name."""
    with pytest.raises(InputFileError, match=r"potential.tif: layer relative has no value on the field"):
        layer_on_grid(_raster(np.ones((2, 2)), west_m=900.0, north_m=60.0, cell_m=30.0), GRID)
    points = PointLayer(name="om", crs=CRS, coordinates_m=np.zeros((2, 2)), values=np.full(2, np.nan), source="om.csv")
    with pytest.raises(InputFileError, match=r"om.csv: no point of om has a value"):
        layer_on_grid(points, GRID)
    nowhere = PolygonLayer(
        name="om", crs=CRS, polygons=np.array([shapely.box(900, 0, 950, 60)], dtype=object), values=np.ones(1),
        source="soils.shp",
    )  # fmt: skip
    with pytest.raises(InputFileError, match="has no value on the field"):
        layer_on_grid(nowhere, GRID)


def test_area_means_draw_no_more_than_the_areas_hold() -> None:
    """Each area keeps its value; the line between them its mean by area; an area without a reading stays unknown."""
    areas = {"A": shapely.box(0, 0, 25, 60), "B": shapely.box(25, 0, 50, 60), "C": shapely.box(50, 0, 80, 60)}
    surface = area_means(areas, {"A": 8.0, "B": 14.0}, GRID, se={"A": 1.0, "B": 2.0})
    assert surface.values[3, :6] == pytest.approx([8.0, 8.0, 11.0, 14.0, 14.0, 14.0])
    assert np.isnan(surface.values[:, 6:]).all()
    assert surface.se[3, :5] == pytest.approx([1.0, 1.0, 1.5, 2.0, 2.0])
    assert surface.choice.areas_without_reading == ("C",)
    assert surface.chosen == "area means"
    assert area_means(areas, {"A": 8.0}, GRID).se is None


def test_areas_are_drawn_whole() -> None:
    """All cells of an area are off by the same error in one draw, areas by their own; the spread is what was stated."""
    areas = {"A": shapely.box(0, 0, 25, 60), "B": shapely.box(25, 0, 50, 60), "C": shapely.box(50, 0, 80, 60)}
    surface = area_means(areas, {"A": 8.0, "B": 14.0}, GRID, se={"A": 1.0, "B": 2.0})
    drawn = surface.draws(4000, seed=1)
    assert drawn.shape == (4000, *GRID.shape)
    np.testing.assert_allclose(drawn[:, 0, 0] - 8.0, drawn[:, 3, 1] - 8.0, atol=1e-5)
    assert np.isnan(drawn[:, :, 6:]).all()
    assert drawn[:, 3, 0].std() == pytest.approx(1.0, rel=0.05)
    assert drawn[:, 3, 4].std() == pytest.approx(2.0, rel=0.05)
    assert abs(np.corrcoef(drawn[:, 3, 0], drawn[:, 3, 4])[0, 1]) < 0.05
    assert drawn[:, 3, 4].mean() == pytest.approx(14.0, abs=0.1)
    np.testing.assert_array_equal(surface.draws(5, seed=7, step=2), surface.draws(5, seed=7, step=2))
    assert area_means(areas, {"A": 8.0}, GRID).draws is None


def test_areas_are_checked() -> None:
    """A reading of an area that is not there is refused by name; so are areas that miss the field."""
    areas = {"A": shapely.box(0, 0, 25, 60)}
    with pytest.raises(InputFileError, match="areas that are not in the areas' file: B"):
        area_means(areas, {"A": 8.0, "B": 9.0}, GRID)
    with pytest.raises(InputFileError, match="No area with a reading lies on the field"):
        area_means({"A": shapely.box(900, 0, 925, 60)}, {"A": 8.0}, GRID)
    with pytest.raises(InputFileError, match="No area with a reading lies on the field"):
        area_means(areas, {"A": float("nan")}, GRID)
