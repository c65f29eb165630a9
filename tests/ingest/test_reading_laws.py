"""Laws of reading: order, direction, cuts and systems of the inputs do not change the field."""

import json
import tempfile
from pathlib import Path

import numpy as np
import pytest
import shapely
import sound
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from vrn.ingest import read_field
from vrn.ingest.cells import degrees
from vrn.model.field import Field

_SOUND: dict[str, Field] = {}


def read_with(*, samples: str | None = None, boundary: object = None, **changes: object) -> Field:
    """The sound field with one input written otherwise."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = sound.write_field(Path(scratch) / "field")
        if samples is not None:
            (folder / "samples.csv").write_text(samples, encoding="utf-8")
        if boundary is not None:
            (folder / "boundary.geojson").write_text(json.dumps(boundary), encoding="utf-8")
        return read_field(sound.write_toml(folder, changes))


def plain() -> Field:
    """The sound field, read once."""
    if "field" not in _SOUND:
        _SOUND["field"] = read_with()
    return _SOUND["field"]


@settings(max_examples=8)
@given(order=st.permutations(range(12)))
def test_order_of_rows_only_orders_the_readings(order: list[int]) -> None:
    """Rows in another order are the same readings in that order."""
    header, *rows = sound.samples_csv().splitlines()
    samples = read_with(samples="\n".join([header, *(rows[i] for i in order)])).samples
    expected = plain().samples.take(np.array(order))
    assert samples.sample_id == expected.sample_id
    np.testing.assert_array_equal(samples.nitrate_ppm, expected.nitrate_ppm)
    np.testing.assert_array_equal(samples.coordinates_m, expected.coordinates_m)


@settings(max_examples=8)
@given(start=st.integers(0, 3), backwards=st.booleans(), closed_twice=st.booleans())
def test_start_and_direction_of_an_outline_do_not_matter(start: int, backwards: bool, closed_twice: bool) -> None:
    """A ring may start at any corner, run either way round, and repeat a corner."""
    corners = sound.RING[:4]
    ring = corners[start:] + corners[:start]
    ring = ring[::-1] if backwards else ring
    ring = [ring[0], *ring] if closed_twice else ring
    field = read_with(boundary=sound.collection(sound.polygon([*ring, ring[0]])))
    assert shapely.equals(field.boundary, plain().boundary)


@settings(max_examples=8)
@given(share=st.floats(0.05, 0.95))
def test_a_field_cut_in_two_is_the_same_field(share: float) -> None:
    """Two parts of an outline that share an edge are one field of the same area, to the bend of a parallel (mm)."""
    middle = sound.WEST + share * (sound.EAST - sound.WEST)
    west = sound.box(sound.WEST, sound.SOUTH, middle, sound.NORTH)
    east = sound.box(middle, sound.SOUTH, sound.EAST, sound.NORTH)
    outline = {"type": "MultiPolygon", "coordinates": [[west], [east]]}
    whole = {"type": "Feature", "properties": {}, "geometry": outline}
    field = read_with(boundary=sound.collection(whole))
    assert field.boundary.geom_type == "Polygon"
    assert field.boundary.area == pytest.approx(plain().boundary.area, rel=2e-5)


@settings(max_examples=6)
@given(epsg=st.sampled_from([26915, 32615, 3857, 26975, 5070, 4269]))
def test_the_system_of_the_samples_does_not_move_them(epsg: int) -> None:
    """Coordinates in any named system (EPSG) land at the same place, to the datum shift of a metre and a half."""
    change = Transformer.from_crs(4326, epsg, always_xy=True)
    rows = ["sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm"]
    for i, place in enumerate(sound.places()):
        x, y = change.transform(*place)
        rows.append(f"S{i + 1},{x:.9f},{y:.9f},0,12,{sound.READINGS[i]}")
    samples = read_with(samples="\n".join(rows), samples__crs=f"EPSG:{epsg}").samples
    np.testing.assert_allclose(samples.coordinates_m, plain().samples.coordinates_m, atol=1.5)


@settings(max_examples=100)
@given(
    whole=st.integers(0, 179), minutes=st.integers(0, 59), seconds=st.integers(0, 59), letter=st.sampled_from("NSEW"),
    style=st.sampled_from(["{d}° {m}' {s}\" {h}", "{h}{d} {m} {s}", "{d}°{m}′{s}″{h}", "{h} {d}° {m}' {s}''"]),
)  # fmt: skip
def test_degrees_minutes_and_seconds_add_up(whole: int, minutes: int, seconds: int, letter: str, style: str) -> None:
    """d° m' s" is d + m/60 + s/3600, negative in the south and the west (ISO 6709), however it is written."""
    found = degrees(style.format(d=whole, m=minutes, s=seconds, h=letter))
    sign = -1 if letter in "SW" else 1
    assert found is not None
    assert found[0] == pytest.approx(sign * (whole + minutes / 60 + seconds / 3600), abs=1e-12)
    assert found[1] == letter


@settings(max_examples=100)
@given(text=st.text(alphabet="0123456789٣½ °'\"′″.,+-−eENSWnsweOxd\t\n\x00é", max_size=30))
def test_no_text_breaks_the_parser_of_degrees(text: str) -> None:
    """Any text is an angle or None."""
    found = degrees(text)
    assert found is None or abs(found[0]) < 1001
