"""Boundary and no-apply ground: valid, in one projected system, with the area the earth gives them."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
import sound
from pyproj import Geod, Transformer

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.model.grid import geodesic_acres

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
FT_M = 0.3048  # international foot, exact


def test_area_is_the_ellipsoids(rewrite: Rewrite) -> None:
    """The boundary's acres are those of PROJ's geodesic polygon over the same corners."""
    field = read_field(rewrite())
    lon, lat = zip(*sound.RING, strict=True)
    square_meters = abs(Geod(ellps="WGS84").polygon_area_perimeter(lon, lat)[0])
    assert geodesic_acres(field.boundary, field.crs) == pytest.approx(square_meters / 4046.8564224, rel=1e-9)
    assert field.crs == "EPSG:32615"


def test_holes_and_parts_stay(rewrite: Rewrite, put: Put) -> None:
    """A multipolygon with a pond keeps its parts and its hole; two features named for it are one field."""
    hole = sound.box(-93.6045, 42.1005, -93.6040, 42.1008)
    west, east = sound.box(-93.605, 42.1, -93.601, 42.104), sound.box(-93.599, 42.1, -93.595, 42.104)
    shape = {"type": "MultiPolygon", "coordinates": [[west, hole], [east]]}
    put("boundary.geojson", shape)
    one = read_field(rewrite()).boundary
    pieces = [sound.polygon(*rings, tract="7") for rings in ((west, hole), (east,))]
    put("boundary.geojson", sound.collection(*pieces))
    field = read_field(rewrite(field__boundary_where={"tract": "7"}))
    assert len(one.geoms) == 2
    assert sum(len(part.interiors) for part in one.geoms) == 1
    assert shapely.equals(one, field.boundary)
    assert sound.one(field, "outlines-joined") == {
        "level": "note",
        "about": "boundary.geojson",
        "outlines": 2,
        "parts": 2,
    }


def test_crossed_outline_is_mended_and_told(rewrite: Rewrite, put: Put) -> None:
    """A bow tie becomes its two triangles; a person is asked to look."""
    ring = [[-93.605, 42.1], [-93.595, 42.104], [-93.595, 42.1], [-93.605, 42.104], [-93.605, 42.1]]
    put("boundary.geojson", sound.collection(sound.polygon(ring)))
    field = read_field(rewrite())
    assert field.boundary.is_valid
    mended = sound.one(field, "outline-repaired")
    assert (mended["level"], mended["outlines"], mended["feature"]) == ("warning", 1, "1")
    assert mended["reason"].startswith("Self-intersection")


def test_closed_path_is_taken_as_an_outline(rewrite: Rewrite, put: Put) -> None:
    """A boundary drawn as a path that ends where it began is the same field."""
    whole = read_field(rewrite()).boundary
    put("boundary.geojson", sound.collection(sound.line(sound.RING)))
    field = read_field(rewrite())
    assert shapely.equals(field.boundary, whole)
    assert sound.one(field, "paths-taken-as-outlines")["paths"] == 1


@pytest.mark.parametrize("epsg", [26915, 3857, 4269, 3417])
def test_boundary_in_another_system(rewrite: Rewrite, put: Put, epsg: int) -> None:
    """UTM on NAD 83, Web Mercator, NAD 83 degrees and a state plane in US survey feet land on the same field."""
    plain = read_field(rewrite()).boundary
    ring = np.column_stack(Transformer.from_crs(4326, epsg, always_xy=True).transform(*zip(*sound.RING, strict=True)))
    named = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{epsg}"}}
    put("boundary.geojson", sound.collection(sound.polygon(ring.tolist()), crs=named))
    by_member = read_field(rewrite()).boundary
    assert shapely.hausdorff_distance(by_member, plain) < 1.5  # a datum shift of about a metre is not applied by all
    if epsg != 4269:
        put("boundary.geojson", sound.collection(sound.polygon(ring.tolist())))
        by_key = read_field(rewrite(field__boundary_crs=f"EPSG:{epsg}")).boundary
        assert shapely.equals_exact(by_key, by_member, tolerance=1e-6)


def test_southern_hemisphere_has_its_own_zone(rewrite: Rewrite, put: Put) -> None:
    """South of the equator the zone is of the 327 series (EPSG)."""
    put("boundary.geojson", sound.collection(sound.polygon(sound.box(-58.505, -33.904, -58.495, -33.900))))
    rows = [f"S{i},{-58.504 + 0.002 * i},-33.902,0,12,14" for i in (1, 2, 3)]
    put("samples.csv", "\n".join(["sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm", *rows]))
    field = read_field(rewrite(layers__organic_matter={"value_pct": 3}))
    assert field.crs == "EPSG:32721"
    assert len(field.samples) == 3


@pytest.mark.parametrize("setback_ft", [10, 33, 100])
def test_setback_of_a_line_is_exact_in_meters(rewrite: Rewrite, put: Put, setback_ft: float) -> None:
    """A straight ditch of length L with setback r takes 2 r L + π r² (two half circles), worked by hand."""
    ends = [[-93.602, 42.102], [-93.598, 42.102]]
    put("ditch.geojson", sound.collection(sound.line(ends)))
    field = read_field(rewrite(field__no_apply=[{"file": "ditch.geojson", "setback_ft": setback_ft}]))
    east, north = Transformer.from_crs(4326, 32615, always_xy=True).transform(*zip(*ends, strict=True))
    length, radius = math.dist((east[0], north[0]), (east[1], north[1])), setback_ft * FT_M
    assert field.no_apply.area == pytest.approx(2 * radius * length + math.pi * radius**2, rel=1e-4)
    assert field.treated.area == pytest.approx(field.boundary.area - field.no_apply.area, rel=1e-12)


def test_no_apply_ground_stays_whole_beyond_the_field(rewrite: Rewrite, put: Put) -> None:
    """A waterway that runs through and beyond stays whole; two files add up without counting twice."""
    put("a.geojson", sound.collection(sound.polygon(sound.box(-93.601, 42.09, -93.599, 42.11))))
    put("b.geojson", sound.collection(sound.polygon(sound.box(-93.600, 42.09, -93.598, 42.11))))
    field = read_field(rewrite(field__no_apply=[{"file": "a.geojson"}, {"file": "b.geojson"}]))
    inside = shapely.intersection(field.no_apply, field.boundary)
    assert inside.area / field.boundary.area == pytest.approx(0.3, rel=1e-3)
    beyond = shapely.difference(field.no_apply, field.boundary)
    assert shapely.distance(beyond, field.boundary) == 0
    assert min(north for _, north in shapely.get_coordinates(beyond)) < field.boundary.bounds[1] - 250


def test_lines_of_the_passes_are_read_in_their_order(rewrite: Rewrite, put: Put) -> None:
    """Two features, one of two parts: three lines in meters, as long as on the ground, with the file's hash."""
    ends = [[-93.602, 42.101], [-93.598, 42.101]]
    parts = [[[x, y + up] for x, y in ends] for up in (0.001, 0.002)]
    both = {"type": "MultiLineString", "coordinates": parts}
    put("l.geojson", sound.collection(sound.line(ends), {"type": "Feature", "properties": {}, "geometry": both}))
    field = read_field(rewrite(machine__lines="l.geojson"))
    lines = shapely.get_parts(field.lines)
    to_m = Transformer.from_crs(4326, 32615, always_xy=True).transform
    assert [line.length for line in lines] == pytest.approx(
        [math.dist(*zip(*to_m(*zip(*one, strict=True)), strict=True)) for one in (ends, *parts)]
    )
    assert field.input_keys["l.geojson"] == "machine.lines"
    assert read_field(rewrite()).lines.is_empty


def test_no_apply_ground_elsewhere_is_told(rewrite: Rewrite, put: Put) -> None:
    """A file that does not touch the field is a question, not silence."""
    put("a.geojson", sound.collection(sound.polygon(sound.box(-93.59, 42.1, -93.589, 42.104))))
    field = read_field(rewrite(field__no_apply=[{"file": "a.geojson"}]))
    assert field.no_apply.is_empty
    away = sound.one(field, "no-apply-outside")
    assert away["level"] == "warning"
    assert 1300 <= away["distance"] < 1400


def test_line_without_setback_is_refused(rewrite: Rewrite, put: Put) -> None:
    """A line has no width of its own."""
    put("ditch.geojson", sound.collection(sound.line([[-93.602, 42.102], [-93.598, 42.102]])))
    with pytest.raises(InputFileError, match="a line or a point has no width"):
        read_field(rewrite(field__no_apply=[{"file": "ditch.geojson"}]))


def test_field_that_is_all_no_apply_is_refused(rewrite: Rewrite, put: Put) -> None:
    """Nothing would be left to treat."""
    put("a.geojson", sound.collection(sound.polygon(sound.box(-93.61, 42.09, -93.59, 42.11))))
    with pytest.raises(InputFileError, match="covers the whole field"):
        read_field(rewrite(field__no_apply=[{"file": "a.geojson"}]))
