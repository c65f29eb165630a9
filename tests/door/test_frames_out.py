"""What leaves by the door: a surface for xarray, zones as a frame, an interactive map."""

import sys

import folium
import numpy as np
import pytest
from shapely.geometry import shape

import vrn
from vrn.errors import MissingExtraError
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres
from vrn.prescription.model import Prescription

UNITS = {
    "nitrate_ppm": "ppm", "organic_matter_pct": "%", "yield_goal_bu_ac": "bu/ac", "need_lb_ac": "lb/ac",
}  # fmt: skip


def test_a_surface_goes_to_xarray_whole(cedar_bend: Prescription) -> None:
    """Values, places, unit and system are those of the surface; a cell is found by its coordinates."""
    pytest.importorskip("xarray")
    for name, surface in cedar_bend.surfaces.items():
        array = surface.to_xarray()
        grid = surface.grid
        assert array.shape == grid.shape
        np.testing.assert_array_equal(array.values, surface.values)
        np.testing.assert_array_equal(array.x.values, grid.eastings_m())
        np.testing.assert_array_equal(array.y.values, grid.northings_m())
        assert (array.attrs["units"], array.attrs["crs"]) == (UNITS[name], grid.crs)
        x, y = grid.centers_m()[grid.cols + 2]
        assert array.sel(x=x, y=y, method="nearest").item() == pytest.approx(surface.values[1, 2], nan_ok=True)
    error = cedar_bend.surfaces["nitrate_ppm"]
    np.testing.assert_array_equal(error.to_xarray().standard_error.values, error.se)


def test_without_xarray_the_remedy_is_named(cedar_bend: Prescription, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where xarray is missing the error says what to install."""
    monkeypatch.setitem(sys.modules, "xarray", None)
    with pytest.raises(MissingExtraError) as refused:
        cedar_bend.surfaces["nitrate_ppm"].to_xarray()
    assert "vrn[xarray]" in refused.value.remedy


def test_the_zones_are_a_row_each(cedar_bend: Prescription) -> None:
    """Rates, acres and outlines of the frame are those of the prescription, in longitude and latitude."""
    frame = cedar_bend.to_geodataframe()
    assert frame.crs == "EPSG:4326"
    assert frame["zone"].tolist() == [rate.zone for rate in cedar_bend.rates]
    assert frame["rate_n_lb_ac"].tolist() == [rate.rate_n_lb_ac for rate in cedar_bend.rates]
    assert frame["rate_product"].tolist() == [rate.rate_product for rate in cedar_bend.rates]
    assert set(frame["rate_unit"]) == {cedar_bend.rate_unit}
    for acres, outline in zip(frame["acres"], frame.geometry, strict=True):
        assert geodesic_acres(outline, "EPSG:4326") == pytest.approx(acres, rel=1e-6)
    total = (frame["rate_n_lb_ac"] * frame["acres"]).sum()
    assert total == pytest.approx(cedar_bend.total_n_lb, rel=1e-9)


def test_the_frame_comes_in_the_system_that_is_asked_for(cedar_bend: Prescription) -> None:
    """In the field's own system the outlines are the prescription's, untouched."""
    frame = cedar_bend.to_geodataframe(crs=cedar_bend.field.crs)
    assert frame.crs == cedar_bend.field.crs
    assert all(a.equals(rate.outline) for a, rate in zip(frame.geometry, cedar_bend.rates, strict=True))


def test_explore_is_a_folium_map_of_the_zones(cedar_bend: Prescription) -> None:
    """A feature for each zone, with its rate, over the field; without a background no address is asked for."""
    drawn = cedar_bend.explore(tiles=None)
    assert isinstance(drawn, folium.Map)
    (layer,) = [child for child in drawn._children.values() if isinstance(child, folium.GeoJson)]
    features = layer.data["features"]
    assert [feature["properties"]["zone"] for feature in features] == [rate.zone for rate in cedar_bend.rates]
    for feature, rate in zip(features, cedar_bend.rates, strict=True):
        assert f"{rate.rate_n_lb_ac:g}" in feature["properties"].values()
        assert geodesic_acres(shape(feature["geometry"]), "EPSG:4326") == pytest.approx(rate.acres, rel=1e-6)


def test_the_grid_is_known_before_building(cedar_bend_field: Field, cedar_bend: Prescription) -> None:
    """`grid_of` gives the grid that `build` works on."""
    assert vrn.grid_of(cedar_bend_field) == cedar_bend.grid
