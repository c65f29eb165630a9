"""Outlines: a valid coverage of the treated ground, whatever its shape."""

import numpy as np
import pytest
import shapely
from scipy import ndimage

from vrn.errors import OutOfRangeError
from vrn.model.grid import grid_over, share_inside
from vrn.zones.outline import dissolved, labels_of, outlines_of

WEST, SOUTH = 512_345.678, 4_612_345.678


def _ground(kind: str) -> shapely.Geometry:
    square = shapely.box(WEST, SOUTH, WEST + 600, SOUTH + 500)
    if kind == "square":
        return square
    if kind == "hole and waterway":
        pond = shapely.Point(WEST + 200, SOUTH + 200).buffer(45)
        waterway = shapely.LineString([(WEST + 350, SOUTH), (WEST + 400, SOUTH + 260), (WEST + 600, SOUTH + 330)])
        return square.difference(pond).difference(waterway.buffer(9))
    if kind == "two parts":
        turned = shapely.Polygon([(0, 0), (310, 40), (290, 300), (-30, 250)])
        return shapely.MultiPolygon([shapely.transform(turned, lambda p: p + np.array([WEST, SOUTH])),
                                     shapely.box(WEST + 400, SOUTH + 30, WEST + 590, SOUTH + 480)])  # fmt: skip
    angles = np.linspace(0, 2 * np.pi, 240, endpoint=False)
    radius = 240 + 40 * np.sin(7 * angles)
    return shapely.Polygon(
        np.column_stack([WEST + 300 + radius * np.cos(angles), SOUTH + 250 + radius * np.sin(angles)])
    )


@pytest.mark.parametrize("kind", ["square", "hole and waterway", "two parts", "wavy"])
@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("tolerance_m", [0.0, 9.0])
def test_outlines_are_a_coverage_of_the_treated_ground(kind: str, seed: int, tolerance_m: float) -> None:
    """Shared edges are shared, nothing overlaps, and the union is the treated ground to a millionth of its area."""
    treated = _ground(kind)
    grid = grid_over(treated, crs="EPSG:32615", cell_m=7.0)
    share = share_inside(grid, treated)
    noise = ndimage.gaussian_filter(np.random.default_rng(seed).normal(size=grid.shape), 4)
    labels = np.where(share > 0, np.digitize(noise, np.quantile(noise, [0.25, 0.5, 0.75])) + 1, 0).astype(np.int32)
    outlines = outlines_of(labels, grid=grid, treated=treated, tolerance_m=tolerance_m, least_patch_m2=500.0)
    zones = np.array(list(outlines.values()), dtype=object)
    assert set(outlines) == {1, 2, 3, 4}
    assert all(zone.geom_type == "MultiPolygon" for zone in zones)
    assert shapely.coverage_is_valid(zones)
    assert shapely.is_valid(zones).all()
    union = shapely.union_all(zones)
    assert shapely.area(shapely.symmetric_difference(union, treated)) <= 1e-6 * treated.area
    assert shapely.area(zones).sum() == pytest.approx(treated.area, rel=1e-6)


def test_steps_of_the_cells_are_gone() -> None:
    """A slanting border of 142 cell edges comes out as a few straight ones, within 2 m of where it belongs."""
    treated = shapely.box(WEST, SOUTH, WEST + 600, SOUTH + 600)
    grid = grid_over(treated, crs="EPSG:32615", cell_m=6.0)
    east, north = np.meshgrid(grid.eastings_m(), grid.northings_m())
    labels = np.where(east - WEST > 0.4 * (north - SOUTH) + 150, 2, 1).astype(np.int32)
    outlines = outlines_of(labels, grid=grid, treated=treated, tolerance_m=6.0)
    border = shapely.line_merge(shapely.intersection(shapely.boundary(outlines[1]), shapely.boundary(outlines[2])))
    straight = shapely.LineString([(WEST + 150, SOUTH), (WEST + 390, SOUTH + 600)])
    assert shapely.get_num_coordinates(border) < 12
    assert shapely.hausdorff_distance(border, straight) < 2.0


def test_a_sliver_that_clipping_leaves_goes_to_its_neighbour() -> None:
    """A zone that reaches into the field by half a cell's width is no zone to drive."""
    treated = shapely.box(WEST, SOUTH, WEST + 300, SOUTH + 300)
    grid = grid_over(treated, crs="EPSG:32615", cell_m=10.0)
    labels = np.full(grid.shape, 1, dtype=np.int32)
    labels[:, -1] = 2
    outlines = outlines_of(labels, grid=grid, treated=treated, tolerance_m=0.0, least_patch_m2=4000.0)
    assert set(outlines) == {1}
    assert outlines[1].area == pytest.approx(90_000.0)


def test_a_part_too_small_goes_to_the_neighbour_nearest_in_value() -> None:
    """A strip worth 50 shares most edge with a zone worth 10, and joins the one worth 60; unknown comes last."""
    faces = np.array([shapely.box(0, 10, 30, 90), shapely.box(0, 0, 30, 10), shapely.box(30, 0, 90, 10),
                      shapely.box(30, 10, 90, 90)])  # fmt: skip
    zone_of = np.array([1, 2, 3, 4], dtype=np.int32)
    for values, joined in (([0, 10, 50, 60, 10], 3), ([0, 45, 50, 60, 10], 1), ([0, np.nan, 50, 60, 10], 3)):
        found = dissolved(faces, zone_of, np.array(values, dtype=float), 400.0)
        assert 2 not in found
        assert found[joined].area == pytest.approx(shapely.area(faces[joined - 1]) + 300.0)


def test_labels_of_outlines_are_where_cell_centres_lie() -> None:
    """Each cell whose centre is inside an outline carries that outline's number; every treated cell carries one."""
    treated = _ground("hole and waterway")
    grid = grid_over(treated, crs="EPSG:32615", cell_m=7.0)
    share = share_inside(grid, treated)
    halves = (
        shapely.intersection(treated, shapely.box(WEST, SOUTH, WEST + 300, SOUTH + 500)),
        shapely.intersection(treated, shapely.box(WEST + 300, SOUTH, WEST + 600, SOUTH + 500)),
    )
    labels = labels_of(halves, grid=grid, share=share)
    assert ((labels > 0) == (share > 0)).all()
    centers = shapely.points(grid.centers_m()).reshape(grid.shape)
    for number, half in enumerate(halves, start=1):
        assert (labels[shapely.contains(half, centers)] == number).all()


def test_no_ground_is_refused() -> None:
    """Nothing to draw on is an error that says so."""
    grid = grid_over(shapely.box(0, 0, 20, 20), crs="EPSG:32615", cell_m=10.0)
    with pytest.raises(OutOfRangeError, match="no treated ground"):
        outlines_of(np.zeros(grid.shape, dtype=np.int32), grid=grid, treated=shapely.Polygon(), tolerance_m=1.0)
