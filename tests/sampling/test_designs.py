"""Designs on awkward ground: inside, unbiased, the number that was asked for."""

import numpy as np
import pytest
import shapely

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid
from vrn.model.layers import ConstantLayer, PointLayer, PolygonLayer, RasterLayer
from vrn.sampling.composites import composite_areas, cores_inside
from vrn.sampling.designs import (
    allotted,
    balanced_places,
    close_partners,
    grid_places,
    strata_of,
    stratified_places,
)
from vrn.sampling.ground import layer_at, sampling_ground

CRS = "EPSG:32615"
POND = shapely.box(500180, 4600200, 500260, 4600300)
FIELD = shapely.Polygon([(500000, 4600000), (500600, 4600000), (500600, 4600250), (500300, 4600250), (500300, 4600500),
                         (500000, 4600500)]) - POND  # fmt: skip


def _ground(seed: int = 1, **more: object) -> object:
    return sampling_ground(FIELD, crs=CRS, random=np.random.default_rng(seed), **({"edge_m": 20.0} | more))


def _inside(outline: shapely.Geometry, places: np.ndarray) -> bool:
    return bool(shapely.contains_xy(outline, places[:, 0], places[:, 1]).all())


def test_ground_keeps_off_edges_ponds_and_odd_spots() -> None:
    """Every spot is as far from the fence, the waterway and an odd spot as was asked."""
    waterway = shapely.LineString([(500400, 4600000), (500450, 4600250)]).buffer(5)
    pile = shapely.Point(500100, 4600400).buffer(30)
    ground = _ground(no_apply=waterway, keep_off_m=10.0, avoid=pile)
    spots = shapely.points(ground.spots_m)
    assert len(spots) > 1500
    assert shapely.distance(spots, FIELD.boundary).min() >= 20 - 1e-6
    assert shapely.distance(spots, waterway).min() >= 10 - 0.1
    assert shapely.distance(spots, pile).min() > 0
    assert ground.findings == ()


def test_narrow_field_keeps_ground_to_sample() -> None:
    """A strip 60 m wide cannot lose 50 m on each side: the distance is halved, and a finding says so."""
    strip = shapely.box(500000, 4600000, 500060, 4600800)
    ground = sampling_ground(strip, crs=CRS, edge_m=50.0, random=np.random.default_rng(1))
    assert ground.outline.area >= 0.6 * strip.area
    (halved,) = ground.findings
    assert halved.code == "plan.edge-reduced"
    assert halved.quantities["asked"].value == pytest.approx(50 / 0.3048)
    assert halved.quantities["kept"].value == pytest.approx(ground.edge_m / 0.3048)


def test_no_ground_is_refused() -> None:
    """No-apply ground over the whole field leaves nowhere to sample."""
    with pytest.raises(OutOfRangeError, match="No ground is left"):
        sampling_ground(FIELD, crs=CRS, edge_m=0.0, no_apply=FIELD, random=np.random.default_rng(1))


@pytest.mark.parametrize("count", [1, 7, 40, 150])
def test_every_design_gives_the_number_asked_for(count: int) -> None:
    """Balanced, grid and stratified designs give exactly that many places, all on the ground."""
    ground, random = _ground(), np.random.default_rng(2)
    strata = strata_of(ground.spots_m[:, :1], 3)
    for places in (
        ground.spots_m[balanced_places(ground.spots_m, count, random=random)],
        grid_places(ground.outline, count, random=random),
        ground.spots_m[stratified_places(ground.spots_m, strata, count, random=random)],
    ):
        assert places.shape == (count, 2)
        assert _inside(ground.outline, places)


@pytest.mark.parametrize("count", [30, pytest.param(80, marks=pytest.mark.long)])
@pytest.mark.parametrize("design", ["balanced", "grid"])
def test_design_mean_is_unbiased_on_awkward_ground(design: str, count: int) -> None:
    """On a field with a corner and a pond cut out the plain mean has no bias, and is surer than by chance."""
    ground = _ground()
    spots = ground.spots_m[::4]

    def nitrate(at: np.ndarray) -> np.ndarray:
        return 8 + (at[:, 0] - 500000) / 60 + 3 * np.sin((at[:, 1] - 4600000) / 60)

    random = np.random.default_rng(3)
    means = [
        nitrate(
            spots[balanced_places(spots, 16, random=random)]
            if design == "balanced"
            else grid_places(ground.outline, 16, random=random)
        ).mean()
        for _ in range(count)
    ]
    fine = nitrate(ground.spots_m)
    assert abs(np.mean(means) - fine.mean()) < 3.5 * np.std(means) / np.sqrt(count) + 0.02
    assert np.var(means) < 0.5 * fine.var() / 16


def test_auxiliary_layer_is_covered_too() -> None:
    """With a layer beside the coordinates, a sample's mean of that layer is closer to the field's than without."""
    ground = _ground()
    spots = ground.spots_m[::3]
    layer = np.sin(spots[:, :1] / 18) + np.cos(spots[:, 1:] / 23)
    spread = {}
    for name, auxiliary in (("with", layer), ("without", None)):
        random = np.random.default_rng(4)
        means = [layer[balanced_places(spots, 20, random=random, auxiliary=auxiliary)].mean() for _ in range(12)]
        spread[name] = np.std(means)
    assert spread["with"] < spread["without"]


def test_strata_follow_the_values() -> None:
    """Three clearly different soils are three strata, numbered from low to high, unknown ground in the middle."""
    om = np.repeat([1.5, 3.0, 6.0], 50)[:, None] + np.random.default_rng(1).normal(0, 0.05, (150, 1))
    assert strata_of(om, 3).tolist() == [1] * 50 + [2] * 50 + [3] * 50
    assert strata_of(np.full((10, 2), 2.0), 4).tolist() == [1] * 10


def test_allotment_adds_up_and_leaves_no_stratum_out() -> None:
    """Samples for strata add up, follow the area, and give even a small stratum two."""
    for count in (6, 11, 30, 97):
        shares = allotted(np.array([640, 300, 50]), count)
        assert sum(shares) == count
        assert min(shares) >= 2
        assert shares[0] >= shares[1] >= shares[2]


def test_close_pairs_are_close_and_inside() -> None:
    """Partners stand at the distance asked for, on the ground, each beside another place."""
    ground, random = _ground(), np.random.default_rng(5)
    places = ground.spots_m[balanced_places(ground.spots_m, 30, random=random)]
    of, partners = close_partners(places, 5, distance_m=6.0, outline=ground.outline, random=random)
    assert len(set(of.tolist())) == 5
    np.testing.assert_allclose(np.hypot(*(partners - places[of]).T), 6.0)
    assert _inside(ground.outline, partners)
    none = close_partners(places, 0, distance_m=6.0, outline=ground.outline, random=random)
    assert len(none[0]) == len(none[1]) == 0


def test_composite_areas_cover_the_field() -> None:
    """Parts of zones add up to them, none is larger than a third more than asked, and cores lie inside."""
    ground = _ground()
    zones = (shapely.intersection(FIELD, shapely.box(0, 0, 500300, 9e6)),
             shapely.intersection(FIELD, shapely.box(500300, 0, 9e6, 9e6)))  # fmt: skip
    areas = composite_areas(zones, ground=ground.outline, crs=CRS, most_ac=10.0)
    assert sum(area.area for area in areas.values()) == pytest.approx(FIELD.area)
    assert shapely.union_all(list(areas.values())).area == pytest.approx(FIELD.area)
    assert max(area.area for area in areas.values()) < 10 * 4046.86 * 1.34
    assert set(areas) == {"A1", "A2", "A3", "A4", "B1", "B2"}
    for area in areas.values():
        cores = cores_inside(area, ground.outline, 20, random=np.random.default_rng(1))
        assert cores.shape == (20, 2)
        assert _inside(shapely.intersection(area, ground.outline).buffer(1e-6), cores)


def test_layers_are_read_at_places() -> None:
    """Each kind of layer gives its value where a place lies, and nothing where it says nothing."""
    places = np.array([[5.0, 5.0], [15.0, 5.0], [95.0, 5.0]])
    grid = Grid(crs=CRS, west_m=0, north_m=10, cell_m=10, rows=1, cols=2)
    raster = RasterLayer(name="om_pct", grid=grid, values=np.array([[2.0, 3.0]]), source="r")
    np.testing.assert_array_equal(layer_at(raster, places), [2.0, 3.0, np.nan])
    boxes = np.array([shapely.box(0, 0, 10, 10), shapely.box(10, 0, 20, 10)])
    areas = PolygonLayer(name="om_pct", crs=CRS, polygons=boxes, values=np.array([2.0, 3.0]), source="p")
    np.testing.assert_array_equal(layer_at(areas, places), [2.0, 3.0, np.nan])
    points = PointLayer(name="om_pct", crs=CRS, coordinates_m=places[:2], values=np.array([2.0, 4.0]), source="c")
    found = layer_at(points, places)
    np.testing.assert_allclose(found[:2], [2.0, 4.0], atol=1e-3)
    assert 2.0 < found[2] < 4.0
    assert layer_at(ConstantLayer(name="om_pct", value=2.5), places).tolist() == [2.5] * 3


def test_more_samples_than_places_are_refused() -> None:
    """No design places more samples than there are places."""
    with pytest.raises(OutOfRangeError, match="cannot be placed"):
        balanced_places(np.zeros((3, 2)), 4, random=np.random.default_rng(1))
