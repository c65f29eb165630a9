"""The user's own zones: only clipped, never redrawn, and refused when they do not fit."""

import numpy as np
import pytest
import shapely

from vrn.errors import CrsMismatchError, InputFileError
from vrn.model.grid import Grid
from vrn.model.layers import PolygonLayer
from vrn.zones import from_polygons

GRID = Grid(crs="EPSG:32615", west_m=500_000.0, north_m=4_650_400.0, cell_m=10.0, rows=40, cols=40)
FIELD = shapely.box(500_000.0, 4_650_000.0, 500_400.0, 4_650_400.0)
SHARE = np.ones(GRID.shape)


def _box(west: float, south: float, east: float, north: float) -> shapely.Geometry:
    return shapely.box(500_000 + west, 4_650_000 + south, 500_000 + east, 4_650_000 + north)


def _layer(polygons: list[shapely.Geometry], values: list[float], crs: str = "EPSG:32615") -> PolygonLayer:
    return PolygonLayer(
        name="zone", crs=crs, polygons=np.array(polygons, dtype=object), values=np.array(values), source="own.geojson"
    )


def test_own_zones_are_clipped_and_numbered() -> None:
    """Zones 5 and 9 reaching past the field become 1 and 2, and their own numbers are kept."""
    layer = _layer([_box(-50, -50, 150, 450), _box(150, -50, 450, 450)], [9.0, 5.0])
    zones = from_polygons(layer, grid=GRID, share=SHARE, treated=FIELD)
    assert [outline.area for outline in zones.outlines] == pytest.approx([250 * 400, 150 * 400])
    assert zones.report.own_number == (5, 9)
    assert zones.labels[0, 0] == 2
    assert zones.choice == ()


def test_polygons_of_one_number_are_one_zone() -> None:
    """Two corners with the same number are two parts of one zone."""
    layer = _layer([_box(0, 0, 100, 400), _box(300, 0, 400, 400), _box(100, 0, 300, 400)], [1, 1, 2])
    zones = from_polygons(layer, grid=GRID, share=SHARE, treated=FIELD)
    assert [len(outline.geoms) for outline in zones.outlines] == [2, 1]


def test_narrow_gaps_and_overlaps_are_mended() -> None:
    """A gap of 1 m and an overlap of 1 m are drawing: the result is a coverage of the whole field."""
    layer = _layer([_box(0, 0, 130, 400), _box(131, 0, 260, 400), _box(259, 0, 400, 400)], [1, 2, 3])
    zones = from_polygons(layer, grid=GRID, share=SHARE, treated=FIELD)
    outlines = np.array(zones.outlines, dtype=object)
    assert shapely.coverage_is_valid(outlines)
    assert shapely.area(outlines).sum() == pytest.approx(FIELD.area, rel=1e-9)
    assert zones.report.filled_ac == pytest.approx(400 / 4046.856, rel=1e-4)
    assert zones.report.overlap_ac == pytest.approx(400 / 4046.856, rel=1e-4)
    assert zones.outlines[1].bounds[2] == pytest.approx(500_260.0)  # the overlap stays with the lower number


@pytest.mark.parametrize(
    ("layer", "message"),
    [
        (_layer([_box(0, 0, 300, 400)], [1]), r"leave uncovered .* 25%"),
        (_layer([_box(0, 0, 300, 400), _box(200, 0, 400, 400)], [1, 2]), r"cover twice .* 25%"),
        (_layer([_box(0, 0, 400, 400)], [np.nan]), "have no number"),
        (_layer([_box(9000, 0, 9400, 400)], [1]), r"leave uncovered .* 100%"),
    ],
)
def test_zones_that_do_not_fit_are_refused(layer: PolygonLayer, message: str) -> None:
    """Ground without a zone, ground with two, a zone without a number: an error that names the file."""
    with pytest.raises(InputFileError, match=rf"own.geojson.*{message}"):
        from_polygons(layer, grid=GRID, share=SHARE, treated=FIELD)


def test_zones_in_another_system_are_refused() -> None:
    """Degrees are not metres."""
    with pytest.raises(CrsMismatchError, match="EPSG:4326"):
        from_polygons(_layer([FIELD], [1], crs="EPSG:4326"), grid=GRID, share=SHARE, treated=FIELD)


def test_crossed_outlines_are_made_valid() -> None:
    """A bow tie drawn by hand is two triangles of one zone, whatever GEOS makes of it."""
    bow = shapely.Polygon([(500_000, 4_650_000), (500_400, 4_650_400), (500_400, 4_650_000), (500_000, 4_650_400)])
    rest = shapely.difference(FIELD, shapely.make_valid(bow))
    zones = from_polygons(_layer([bow, rest], [1, 2]), grid=GRID, share=SHARE, treated=FIELD)
    assert [outline.area for outline in zones.outlines] == pytest.approx([80_000, 80_000])
