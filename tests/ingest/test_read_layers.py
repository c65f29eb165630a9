"""Layers from one value, points, polygons and rasters, and the weather: same numbers, right place, doubts told."""

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio
import shapely
import sound
from pyproj import Transformer
from rasterio.transform import Affine, from_bounds

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.model.layers import ConstantLayer, PointLayer, PolygonLayer, RasterLayer

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
# rasterio multiplies affine transforms with an operator that affine has begun to retire
pytestmark = pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")
TO_METRES = Transformer.from_crs("EPSG:4326", "EPSG:32615", always_xy=True)


def write_raster(path: Path, values: np.ndarray, transform: Affine, crs: str | None, **options: Any) -> None:
    """A GeoTIFF of one or more bands."""
    bands = values if values.ndim == 3 else values[None]
    with rasterio.open(
        path, "w", driver="GTiff", height=bands.shape[1], width=bands.shape[2], count=len(bands),
        dtype=bands.dtype, crs=crs, transform=transform, **options,
    ) as raster:  # fmt: skip
        raster.write(bands)


def plane(easting: np.ndarray, northing: np.ndarray) -> np.ndarray:
    """A tilted plane over the field, near 1: what is interpolated linearly must come back exactly."""
    return 1.0 + (easting - 450_000.0) / 4000.0 + (northing - 4_661_000.0) / 8000.0


def test_one_value_is_a_constant(rewrite: Rewrite) -> None:
    """``value_pct`` needs no file."""
    layer = read_field(rewrite(layers__organic_matter={"value_pct": 3.2})).organic_matter
    assert isinstance(layer, ConstantLayer)
    assert (layer.name, layer.value) == ("organic_matter_pct", 3.2)


def test_points_keep_their_values(rewrite: Rewrite) -> None:
    """Twelve points of organic matter stand where PROJ puts them."""
    layer = read_field(rewrite()).organic_matter
    assert isinstance(layer, PointLayer)
    np.testing.assert_allclose(layer.values, 2.0 + 0.1 * np.arange(12))
    np.testing.assert_allclose(layer.coordinates_m[3], TO_METRES.transform(*sound.places()[3]), atol=1e-6)


def test_polygons_keep_their_values(rewrite: Rewrite, put: Put) -> None:
    """Soil areas with their percent of organic matter."""
    middle = -93.6
    put("soils.geojson", sound.collection(
        sound.polygon(sound.box(sound.WEST, sound.SOUTH, middle, sound.NORTH), om_pct=2.5),
        sound.polygon(sound.box(middle, sound.SOUTH, sound.EAST, sound.NORTH), om_pct=3.5)))  # fmt: skip
    field = read_field(rewrite(layers__organic_matter={"file": "soils.geojson", "column": "om_pct"}))
    assert isinstance(field.organic_matter, PolygonLayer)
    assert field.organic_matter.values.tolist() == [2.5, 3.5]
    assert shapely.area(field.organic_matter.polygons).sum() == pytest.approx(field.boundary.area, rel=1e-6)


def test_raster_in_the_fields_system_is_only_cut(rewrite: Rewrite, field_folder: Path) -> None:
    """Cells that are already north-up in the field's system keep their values and their corners to the digit."""
    west, north, cell = 449_800.0, 4_661_800.0, 20.0
    rows, cols = 60, 80
    east, up = np.meshgrid(west + (np.arange(cols) + 0.5) * cell, north - (np.arange(rows) + 0.5) * cell)
    write_raster(field_folder / "yp.tif", plane(east, up), Affine(cell, 0, west, 0, -cell, north), "EPSG:32615")
    layer = read_field(rewrite(layers__yield_potential={"file": "yp.tif"})).yield_potential
    assert isinstance(layer, RasterLayer)
    assert layer.grid.cell_m == cell
    assert (layer.grid.west_m - west) % cell == 0
    centres = layer.grid.centers_m()
    np.testing.assert_array_equal(layer.values.ravel(), plane(centres[:, 0], centres[:, 1]))


@pytest.mark.parametrize("way", ["degrees", "south-up", "rotated", "web-mercator"])
def test_raster_of_another_make_is_warped_onto_the_same_ground(rewrite: Rewrite, field_folder: Path, way: str) -> None:
    """A plane sampled in degrees, upside down, turned by 30° or in Web Mercator comes back as that plane."""
    west, south = TO_METRES.transform(sound.WEST, sound.SOUTH)
    crs = "EPSG:32615"
    if way == "degrees":
        crs, transform = "EPSG:4326", from_bounds(-93.608, 42.098, -93.592, 42.106, 160, 110)
        shape = (110, 160)
    elif way == "web-mercator":
        change = Transformer.from_crs(4326, 3857, always_xy=True)
        (x0, y0), (x1, y1) = change.transform(-93.608, 42.098), change.transform(-93.592, 42.106)
        crs, transform, shape = "EPSG:3857", from_bounds(x0, y0, x1, y1, 150, 100), (100, 150)
    elif way == "south-up":
        transform, shape = Affine(10, 0, west - 200, 0, 10, south - 200), (90, 130)
    else:
        transform = Affine.translation(west + 84, south + 1451) * Affine.rotation(-30) * Affine.scale(10, -10)
        shape = (180, 180)
    col, row = np.meshgrid(np.arange(shape[1]) + 0.5, np.arange(shape[0]) + 0.5)
    x, y = (transform.a * col + transform.b * row + transform.c, transform.d * col + transform.e * row + transform.f)
    if crs != "EPSG:32615":
        x, y = Transformer.from_crs(crs, "EPSG:32615", always_xy=True).transform(x, y)
    write_raster(field_folder / "yp.tif", plane(x, y), transform, crs)
    field = read_field(rewrite(layers__yield_potential={"file": "yp.tif"}))
    layer = field.yield_potential
    assert isinstance(layer, RasterLayer)
    centres = layer.grid.centers_m()
    inside = shapely.contains_xy(field.boundary, centres[:, 0], centres[:, 1])
    got = layer.values.ravel()[inside]
    assert inside.sum() > 1000
    assert np.isfinite(got).mean() > 0.99
    # GDAL's warper may lie an eighth of a cell off: 1.25 m on a plane that rises 2.8e-4 a metre
    np.testing.assert_allclose(got, plane(centres[inside, 0], centres[inside, 1]), atol=3.5e-4)


def test_nodata_is_unknown(rewrite: Rewrite, field_folder: Path) -> None:
    """The file's nodata value and NaN both come in as NaN, never as a number."""
    values = np.full((60, 80), 1.0, dtype="float32")
    values[:30], values[30:35] = -9999.0, np.nan
    write_raster(
        field_folder / "yp.tif", values, Affine(20, 0, 449_800, 0, -20, 4_661_800), "EPSG:32615", nodata=-9999.0
    )
    layer = read_field(rewrite(layers__yield_potential={"file": "yp.tif"})).yield_potential
    assert isinstance(layer, RasterLayer)
    assert set(np.unique(layer.values[np.isfinite(layer.values)])) == {1.0}
    assert np.isnan(layer.values).any()


def test_scaled_integers_are_unscaled(rewrite: Rewrite, field_folder: Path) -> None:
    """A raster of integers with scale 0.01 and offset 0.5 holds 0.5 + 0.01 × number (GDAL raster data model)."""
    path = field_folder / "yp.tif"
    write_raster(path, np.full((60, 80), 45, dtype="int16"), Affine(20, 0, 449_800, 0, -20, 4_661_800), "EPSG:32615")
    with rasterio.open(path, "r+") as raster:
        raster.scales, raster.offsets = (0.01,), (0.5,)
    layer = read_field(rewrite(layers__yield_potential={"file": "yp.tif"})).yield_potential
    assert isinstance(layer, RasterLayer)
    np.testing.assert_allclose(layer.values, 0.95)


def test_bands_are_chosen_by_number_or_name(rewrite: Rewrite, field_folder: Path) -> None:
    """Without a choice the first is taken and told."""
    bands = np.stack([np.full((60, 80), value, dtype="float32") for value in (0.9, 1.1)])
    path = field_folder / "yp.tif"
    write_raster(path, bands, Affine(20, 0, 449_800, 0, -20, 4_661_800), "EPSG:32615")
    with rasterio.open(path, "r+") as raster:
        raster.descriptions = ("last", "mean")
    for column, value in (("2", 1.1), ("mean", 1.1), ("1", 0.9)):
        layer = read_field(rewrite(layers__yield_potential={"file": "yp.tif", "column": column})).yield_potential
        assert isinstance(layer, RasterLayer)
        np.testing.assert_allclose(layer.values, value, rtol=1e-6)
    field = read_field(rewrite(layers__yield_potential={"file": "yp.tif"}))
    assert sound.one(field, "several-bands") == {"level": "warning", "about": "yp.tif", "bands": 2}
    with pytest.raises(InputFileError, match="there is no band worst"):
        read_field(rewrite(layers__yield_potential={"file": "yp.tif", "column": "worst"}))


@pytest.mark.parametrize(
    ("layer", "table", "code", "values"),
    [
        ("organic_matter", "om_pct\n-93.6,42.102,45\n-93.601,42.102,3", "organic-matter", (1, 3, 45)),
        ("yield_potential", "v\n-93.6,42.102,0.1\n-93.601,42.102,1.2", "relative-yield", (1, 0.1, 1.2)),
    ],
)
def test_unlikely_values_need_a_person(
    rewrite: Rewrite, put: Put, layer: str, table: str, code: str, values: tuple[float, ...]
) -> None:
    """Organic matter of 45 %, a tenth of the mean yield: used and asked about, with the row."""
    put("layer.csv", f"longitude,latitude,{table}")
    found = sound.one(read_field(rewrite(**{f"layers__{layer}": {"file": "layer.csv"}})), f"unlikely-{code}")
    assert (found["level"], found["values"], found["low"], found["high"]) == ("warning", *values)
    assert found["about"] == "layer.csv row 2"


def test_the_users_own_zones(rewrite: Rewrite, put: Put) -> None:
    """Polygons with a whole number."""
    put("zones.geojson", sound.collection(
        sound.polygon(sound.box(sound.WEST, sound.SOUTH, -93.6, sound.NORTH), zone=1),
        sound.polygon(sound.box(-93.6, sound.SOUTH, sound.EAST, sound.NORTH), zone=2)))  # fmt: skip
    layer = read_field(rewrite(zones__file="zones.geojson")).zones
    assert isinstance(layer, PolygonLayer)
    assert layer.values.tolist() == [1.0, 2.0]


def test_layer_that_covers_part_of_the_field_is_told(rewrite: Rewrite, put: Put) -> None:
    """Half a map is a question."""
    put("soils.geojson", sound.collection(sound.polygon(sound.box(sound.WEST, sound.SOUTH, -93.6, sound.NORTH), om=3)))
    field = read_field(rewrite(layers__organic_matter={"file": "soils.geojson", "column": "om"}))
    share = sound.one(field, "layer-leaves-ground-open")
    assert share["level"] == "warning"
    assert share["share"] == pytest.approx(0.5, abs=1e-3)


def test_layer_of_a_whole_farm_keeps_what_lies_about_the_field(rewrite: Rewrite, put: Put) -> None:
    """Points a mile off and polygons of other fields are left out; the points are told."""
    table = sound.organic_matter_csv() + "-93.55,42.102,9.9\n"
    put("farm.csv", table)
    field = read_field(rewrite(layers__organic_matter={"file": "farm.csv", "column": "om_pct"}))
    assert isinstance(field.organic_matter, PointLayer)
    assert len(field.organic_matter.values) == 12
    assert sound.one(field, "points-far-away") == {"level": "note", "about": "farm.csv", "points": 1}
    put(
        "farm.geojson",
        sound.collection(
            sound.polygon(sound.box(-93.61, 42.09, -93.59, 42.11), om=3.0),
            sound.polygon(sound.box(-93.5, 42, -93.4, 42.1), om=5),
        ),
    )
    layer = read_field(rewrite(layers__organic_matter={"file": "farm.geojson", "column": "om"})).organic_matter
    assert isinstance(layer, PolygonLayer)
    assert layer.values.tolist() == [3.0]


def test_every_file_is_hashed(rewrite: Rewrite, field_folder: Path) -> None:
    """``inputs`` holds the SHA-256 of each file as hashlib gives it, the field file's among them."""
    import hashlib

    field = read_field(rewrite())
    assert set(field.inputs) == {"field.toml", "boundary.geojson", "samples.csv", "organic_matter.csv"}
    for name, digest in field.inputs.items():
        assert digest == hashlib.sha256((field_folder / name).read_bytes()).hexdigest()


def test_weather_in_both_systems_agrees(rewrite: Rewrite, put: Put) -> None:
    """68 °F are 20 °C and 25.4 mm are an inch, exactly; days come in order."""
    put("us.csv", "date,tmin_f,tmax_f,rain_in\n2026-06-02,50,68,1.0\n2026-06-01,41,77,0\n")
    put("metric.csv", "date;tmin_c;tmax_c;rain_mm\n2026-06-02;10;20;25,4\n2026-06-01;5;25;0\n")
    us = read_field(rewrite(weather__file="us.csv")).weather
    metric = read_field(rewrite(weather__file="metric.csv")).weather
    assert us is not None
    assert metric is not None
    assert [str(day) for day in us.days] == ["2026-06-01", "2026-06-02"] == [str(day) for day in metric.days]
    for name in ("tmin_f", "tmax_f", "rain_in"):
        np.testing.assert_allclose(getattr(us, name), getattr(metric, name), rtol=1e-12)


def test_weather_with_gaps_is_told(rewrite: Rewrite, put: Put) -> None:
    """Missing days and unknown cells are findings; an unknown rain stays NaN."""
    put("w.csv", "date,tmin_f,tmax_f,rain_in\n2026-06-01,50,68,\n2026-06-05,50,68,0.2\n")
    field = read_field(rewrite(weather__file="w.csv"))
    assert field.weather is not None
    assert np.isnan(field.weather.rain_in[0])
    first, last = date(2026, 6, 1), date(2026, 6, 5)
    days = {"level": "warning", "about": "w.csv", "first": first, "last": last, "days": 3}
    assert sound.one(field, "weather.days-missing") == days
