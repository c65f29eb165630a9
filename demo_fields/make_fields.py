"""Writes the data of the three demo fields, and knows the truth they were drawn from.

Run ``python demo_fields/make_fields.py`` to write them again: the same bytes each time. ``truth`` tells what nobody
has in a real field: nitrate, organic matter, yield potential and nitrogen still needed at any place. The field files
(``field.toml``) are written by hand.
"""

import csv
import itertools
import json
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
import rasterio
import shapely
from affine import Affine
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
HERE = Path(__file__).resolve().parent
LB_AC_PER_PPM_FOOT = 12 * 1.35 * 0.226613  # a foot of soil of 1.35 g/cm³


@dataclass(frozen=True, kw_only=True)
class Story:
    """Where a field lies, its crop, and its true surfaces as functions of local metres east and north of its middle."""

    longitude: float
    latitude: float
    yield_goal_bu_ac: float
    uptake_share: float  # done by the stage in the field file
    mineralization_share_left: float
    second_foot_share: float
    credits_lb_ac: float
    nitrate_ppm: Callable[[Array, Array], Array]
    deep_nitrate_ppm: Callable[[Array, Array], Array]
    organic_matter_pct: Callable[[Array, Array], Array]
    relative_yield: Callable[[Array, Array], Array]

    def local(self) -> pyproj.Transformer:
        """From longitude and latitude to metres east and north of the field's middle."""
        frame = f"+proj=tmerc +lat_0={self.latitude} +lon_0={self.longitude} +ellps=WGS84 +units=m"
        return pyproj.Transformer.from_crs("EPSG:4326", frame, always_xy=True)


def _rough(seed: int, east: Array, north: Array, range_m: float) -> Array:
    """Smooth random ground with mean 0 and variance 1: sixty waves of random heading and length about ``range_m``."""
    waves = np.random.default_rng(seed).random((3, 60))
    heading, length, phase = 2 * np.pi * waves[0], range_m * (1.2 + 4.0 * waves[1]), 2 * np.pi * waves[2]
    along = np.multiply.outer(east, np.cos(heading)) + np.multiply.outer(north, np.sin(heading))
    total: Array = np.cos(2 * np.pi * along / length + phase).sum(axis=-1) * np.sqrt(2.0 / 60)
    return total


def _rise(distance_m: Array, width_m: float) -> Array:
    """From 0 well below a line to 1 well above it."""
    return 1.0 / (1.0 + np.exp(-distance_m / width_m))


# --- Cedar Bend: an old river bend in the south-east, dark and wet; a light ridge in the north-west ---


def _bend(east: Array, north: Array) -> Array:
    return _rise(110.0 * np.sin(north / 190.0) + 0.8 * east - 0.5 * north - 60.0, 70.0)


def _cedar_om(east: Array, north: Array) -> Array:
    return np.clip(2.1 + 1.7 * _bend(east, north) + 0.28 * _rough(11, east, north, 90.0), 1.5, 4.5)


def _cedar_nitrate(east: Array, north: Array) -> Array:
    log = np.log(14.5) - 0.75 * (_bend(east, north) - 0.45) + 0.30 * _rough(12, east, north, 110.0)
    return np.clip(np.exp(log), 5.0, 34.0)


def _cedar_yield(east: Array, north: Array) -> Array:
    return 0.94 + 0.13 * _bend(east, north) + 0.035 * _rough(13, east, north, 80.0)


# --- Heron Flat: level silt between two swales; rain carried the spring's nitrogen down, farthest where it is light ---


def _swale(east: Array, north: Array) -> Array:
    first = np.exp(-(((north - 150.0 - 45.0 * np.sin(east / 120.0)) / 75.0) ** 2))
    second = np.exp(-(((north + 190.0 - 35.0 * np.sin(east / 160.0 + 1.0)) / 90.0) ** 2))
    return np.maximum(first, second)


def _heron_om(east: Array, north: Array) -> Array:
    return np.clip(2.5 + 1.5 * _swale(east, north) + 0.15 * _rough(21, east, north, 100.0), 1.5, 4.5)


def _moved(east: Array, north: Array) -> Array:
    """Share of the spring's nitrate that the rain carried below the top foot."""
    return np.clip(0.50 - 0.25 * _swale(east, north) + 0.11 * _rough(22, east, north, 130.0), 0.05, 0.9)


def _spring(east: Array, north: Array) -> Array:
    return np.clip(24.0 - 8.0 * _swale(east, north) + 4.2 * _rough(23, east, north, 140.0), 8.0, 40.0)


def _heron_nitrate(east: Array, north: Array) -> Array:
    return np.clip(_spring(east, north) * (1.0 - _moved(east, north)), 3.0, 35.0)


def _heron_deep(east: Array, north: Array) -> Array:
    return np.clip(3.0 + 0.95 * _spring(east, north) * _moved(east, north), 2.0, 35.0)


def _heron_yield(east: Array, north: Array) -> Array:
    return 0.98 + 0.06 * _swale(east, north) + 0.03 * _rough(24, east, north, 110.0)


# --- Mill Race: two short pieces either side of a lane, a pond, a grassed waterway; few samples ---


def _mill_nitrate(east: Array, north: Array) -> Array:
    log = np.log(11.5) + 0.45 * (_rise(east + 30.0, 80.0) - 0.5) + 0.22 * _rough(31, east, north, 130.0)
    return np.clip(np.exp(log), 5.0, 30.0)


def _mill_yield(east: Array, north: Array) -> Array:
    return 1.0 + 0.09 * np.tanh(north / 180.0) + 0.03 * _rough(32, east, north, 90.0)


STORIES = {
    "cedar_bend": Story(
        longitude=-94.6204, latitude=42.3107, yield_goal_bu_ac=220.0, uptake_share=0.15, mineralization_share_left=0.69,
        second_foot_share=0.0, credits_lb_ac=0.0, nitrate_ppm=_cedar_nitrate, deep_nitrate_ppm=lambda e, n: 0.0 * e,
        organic_matter_pct=_cedar_om, relative_yield=_cedar_yield,
    ),
    "heron_flat": Story(
        longitude=-94.5846, latitude=42.2851, yield_goal_bu_ac=210.0, uptake_share=0.115,
        mineralization_share_left=0.72, second_foot_share=0.5, credits_lb_ac=0.0,
        nitrate_ppm=_heron_nitrate, deep_nitrate_ppm=_heron_deep,
        organic_matter_pct=_heron_om, relative_yield=_heron_yield,
    ),
    "mill_race": Story(
        longitude=-94.6553, latitude=42.3362, yield_goal_bu_ac=200.0, uptake_share=0.08, mineralization_share_left=0.75,
        second_foot_share=0.0, credits_lb_ac=10.0, nitrate_ppm=_mill_nitrate, deep_nitrate_ppm=lambda e, n: 0.0 * e,
        organic_matter_pct=lambda e, n: np.full_like(e, 2.8), relative_yield=_mill_yield,
    ),
}  # fmt: skip


def truth(field_name: str, longitude: ArrayLike, latitude: ArrayLike) -> dict[str, Array]:
    """
    What is really in the ground of a demo field.

    Parameters
    ----------
    field_name : {"cedar_bend", "heron_flat", "mill_race"}
    longitude, latitude : array_like, same shape
        Places on WGS 84. [°]

    Returns
    -------
    truth : dict of str to ndarray
        ``nitrate_ppm`` (0–12 in), ``deep_nitrate_ppm`` (12–24 in; 0 where the story has none), ``organic_matter_pct``,
        ``yield_goal_bu_ac`` and ``need_lb_ac``: what a mass balance to finish the crop leaves, never below 0, with
        1.1 lb N per bushel and 20 lb N per per cent of organic matter and year.
    """
    story = STORIES[field_name]
    east, north = (np.asarray(part, dtype=float) for part in story.local().transform(longitude, latitude))
    nitrate_ppm, deep_ppm = story.nitrate_ppm(east, north), story.deep_nitrate_ppm(east, north)
    organic_matter_pct = story.organic_matter_pct(east, north)
    yield_goal_bu_ac = story.yield_goal_bu_ac * story.relative_yield(east, north)
    need_lb_ac = (
        1.1 * yield_goal_bu_ac * (1.0 - story.uptake_share)
        - LB_AC_PER_PPM_FOOT * (nitrate_ppm + story.second_foot_share * deep_ppm)
        - 20.0 * organic_matter_pct * story.mineralization_share_left
        - story.credits_lb_ac
    )
    return {
        "nitrate_ppm": nitrate_ppm,
        "deep_nitrate_ppm": deep_ppm,
        "organic_matter_pct": organic_matter_pct,
        "yield_goal_bu_ac": yield_goal_bu_ac,
        "need_lb_ac": np.maximum(need_lb_ac, 0.0),
    }


def outline(field_name: str) -> tuple[shapely.MultiPolygon, shapely.MultiPolygon]:
    """Boundary of a field and its waterway (empty where there is none), in local metres."""
    if field_name == "cedar_bend":  # a quarter section less the roads, the river bend cut out of one corner
        whole = shapely.box(-396.0, -394.0, 396.0, 396.0)
        bank = [(218, -460), (243, -385), (290, -318), (336, -266), (380, -212), (460, -190), (460, -460)]
        return shapely.MultiPolygon([whole - shapely.Polygon(bank)]), shapely.MultiPolygon()
    if field_name == "heron_flat":
        west_fence = [(-330, -372), (-352, -140), (-348, 90), (-322, 371)]
        return shapely.MultiPolygon([shapely.Polygon([*west_fence, (338, 368), (341, -369)])]), shapely.MultiPolygon()
    pond = shapely.Point(-170, 60).buffer(46, quad_segs=6)
    west = shapely.Polygon([(-330, -265), (-345, 240), (-40, 262), (-22, -250)]) - pond
    east = shapely.Polygon([(2, -248), (-14, 215), (212, 232), (268, -30), (250, -236)])
    middle = shapely.LineString([(60, 260), (84, 150), (128, 60), (120, -70), (165, -160), (172, -280)])
    waterway = middle.buffer(9, quad_segs=4, cap_style="flat") & east
    return shapely.MultiPolygon([west, east]), shapely.MultiPolygon([waterway])


def _lonlat(story: Story, east: ArrayLike, north: ArrayLike) -> Array:
    lonlat = story.local().transform(east, north, direction="INVERSE")
    return np.round(np.column_stack(lonlat), 6)


def _write_csv(path: Path, header: Iterable[str], rows: Iterable[Iterable[Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def _write_polygons(path: Path, story: Story, features: list[tuple[shapely.Geometry, dict[str, Any]]]) -> None:
    """RFC 7946: longitude, latitude with 7 decimals, exterior rings anticlockwise."""
    back = story.local()

    def lonlat(xy: Array) -> Array:
        return np.round(np.column_stack(back.transform(xy[:, 0], xy[:, 1], direction="INVERSE")), 7)

    items = []
    for geometry, properties in features:
        turned = shapely.orient_polygons(shapely.transform(geometry, lonlat))
        if len(turned.geoms) == 1:
            turned = turned.geoms[0]
        items.append({"type": "Feature", "properties": properties, "geometry": shapely.geometry.mapping(turned)})
    lines = ",\n".join(json.dumps(item) for item in items)
    path.write_text('{"type": "FeatureCollection", "features": [\n' + lines + "\n]}\n", encoding="utf-8", newline="\n")


def _write_raster(path: Path, field_name: str, crs: str, cell: float, decimals: int) -> None:
    """Relative yield on a raster of its own, nothing beyond 25 m outside the fence."""
    story = STORIES[field_name]
    boundary, _ = outline(field_name)
    corners = shapely.get_coordinates(boundary.buffer(40).envelope)
    lonlat = np.column_stack(story.local().transform(*corners.T, direction="INVERSE"))
    there = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    x, y = there.transform(*lonlat.T)
    west, north = np.floor(min(x) / cell) * cell, np.ceil(max(y) / cell) * cell
    cols, rows = int(np.ceil((max(x) - west) / cell)), int(np.ceil((north - min(y)) / cell))
    grid_x, grid_y = np.meshgrid(west + (np.arange(cols) + 0.5) * cell, north - (np.arange(rows) + 0.5) * cell)
    lon, lat = there.transform(grid_x, grid_y, direction="INVERSE")
    local_east, local_north = (np.asarray(part) for part in story.local().transform(lon, lat))
    values = np.round(story.relative_yield(local_east, local_north), decimals)
    inside = shapely.contains_xy(boundary.buffer(25), local_east, local_north)
    band = np.where(inside, values, -9999.0).astype("float32")
    profile = {"driver": "GTiff", "width": cols, "height": rows, "count": 1, "dtype": "float32", "nodata": -9999.0}
    with rasterio.open(path, "w", crs=crs, transform=Affine(cell, 0.0, west, 0.0, -cell, north), **profile) as file:
        file.write(band, 1)


def _scatter(seed: int, boundary: shapely.Geometry, spacing_m: float) -> Array:
    """One place drawn in the middle part of each square of a net, those well inside the fence. Shape (n, 2)."""
    random = np.random.default_rng(seed)
    west, south, east, north = boundary.bounds
    x = np.arange(west + spacing_m / 2, east, spacing_m)
    y = np.arange(north - spacing_m / 2, south, -spacing_m)
    middles = np.array([(a, b) for b in y for a in x])
    places = middles + (random.random(middles.shape) - 0.5) * 0.6 * spacing_m
    well_inside = shapely.contains_xy(boundary.buffer(-8), *places.T)
    return np.asarray(places[well_inside])


def _read(random: np.random.Generator, true: Array, *, relative_sd: float, sd: float) -> Array:
    """A reading: the truth, what eight cores make of it, and the instrument."""
    cores = np.exp(relative_sd * random.standard_normal(true.shape))
    return np.round(np.maximum(true * cores + sd * random.standard_normal(true.shape), 0.5), 1)


def cedar_bend(folder: Path) -> None:
    """An ordinary quarter section: one depth, organic matter at points, yield potential as a raster."""
    story = STORIES["cedar_bend"]
    boundary, _ = outline("cedar_bend")
    _write_polygons(folder / "boundary.geojson", story, [(boundary, {"field": "Cedar Bend 7"})])
    random = np.random.default_rng(101)
    places = _scatter(102, boundary, 101.0)
    reading = _read(random, story.nitrate_ppm(*places.T), relative_sd=0.07, sd=0.6)
    lonlat = _lonlat(story, *places.T)
    _write_csv(
        folder / "samples.csv",
        ["sample_id", "longitude", "latitude", "top_in", "bottom_in", "nitrate_ppm", "sampled_on"],
        ([f"CB{i + 1:02d}", *at, 0, 12, ppm, "2026-06-16"]
         for i, (at, ppm) in enumerate(zip(lonlat.tolist(), reading.tolist(), strict=True))),
    )  # fmt: skip
    places = _scatter(103, boundary, 128.0)
    om = np.round(story.organic_matter_pct(*places.T) + 0.12 * random.standard_normal(len(places)), 1)
    _write_csv(
        folder / "organic_matter.csv",
        ["longitude", "latitude", "om_pct"],
        ([*at, pct] for at, pct in zip(_lonlat(story, *places.T).tolist(), om.tolist(), strict=True)),
    )
    _write_raster(folder / "yield_potential.tif", "cedar_bend", "EPSG:32615", 10.0, 3)


def _soil_areas(boundary: shapely.Geometry) -> list[shapely.MultiPolygon]:
    """The field cut along the shoulders of its two swales, south to north."""
    east = np.linspace(-420, 420, 57)
    shoulders = (
        -190.0 + 35.0 * np.sin(east / 160.0 + 1.0) - 68.0,
        -190.0 + 35.0 * np.sin(east / 160.0 + 1.0) + 68.0,
        150.0 + 45.0 * np.sin(east / 120.0) - 57.0,
        150.0 + 45.0 * np.sin(east / 120.0) + 57.0,
    )
    edges = [np.full_like(east, -500.0), *shoulders, np.full_like(east, 500.0)]
    strips = [
        shapely.Polygon([*zip(east, low, strict=True), *zip(east[::-1], high[::-1], strict=True)])
        for low, high in itertools.pairwise(edges)
    ]
    return [shapely.MultiPolygon([strip & boundary.buffer(15)]) for strip in strips]


def heron_flat(folder: Path) -> None:
    """Rain moved the nitrate: two depths, organic matter as soil areas, yield potential at points, the weather."""
    story = STORIES["heron_flat"]
    boundary, _ = outline("heron_flat")
    _write_polygons(folder / "boundary.geojson", story, [(boundary, {"field": "Heron Flat"})])
    random = np.random.default_rng(201)
    places = _scatter(202, boundary, 112.0)
    top = _read(random, story.nitrate_ppm(*places.T), relative_sd=0.07, sd=0.6)
    deep = _read(random, story.deep_nitrate_ppm(*places.T), relative_sd=0.07, sd=0.6)
    rows = []
    for i, (at, upper, lower) in enumerate(zip(_lonlat(story, *places.T).tolist(), top, deep, strict=True)):
        rows.append([f"HF{i + 1:02d}A", *at, 0, 12, float(upper), "2026-06-15"])
        rows.append([f"HF{i + 1:02d}B", *at, 12, 24, float(lower), "2026-06-15"])
    _write_csv(
        folder / "samples.csv",
        ["sample_id", "longitude", "latitude", "top_in", "bottom_in", "nitrate_ppm", "sampled_on"],
        rows,
    )
    areas = []
    for number, area in enumerate(_soil_areas(boundary)):
        inside = _scatter(203, area, 20.0)
        om = float(np.round(story.organic_matter_pct(*inside.T).mean(), 1))
        areas.append((area, {"soil": f"area {number + 1}", "om_pct": om}))
    _write_polygons(folder / "soil_areas.geojson", story, areas)
    places = _scatter(204, boundary, 52.0)
    relative = np.round(story.relative_yield(*places.T) + 0.015 * random.standard_normal(len(places)), 3)
    _write_csv(
        folder / "yield_potential.csv",
        ["longitude", "latitude", "relative_yield"],
        ([*at, value] for at, value in zip(_lonlat(story, *places.T).tolist(), relative.tolist(), strict=True)),
    )
    _write_weather(folder / "weather.csv", random)


STORMS_IN = {"2026-05-19": 1.9, "2026-05-20": 2.4, "2026-05-23": 1.3, "2026-06-02": 1.6, "2026-06-03": 0.8}


def _write_weather(path: Path, random: np.random.Generator) -> None:
    """Daily weather from 1 April to the sampling day, with the wet fortnight that moved the nitrate."""
    rows = []
    for number in range(76):
        day = date(2026, 4, 1) + timedelta(days=number)
        mean_f = 44.0 + 28.0 * np.sin(np.pi * number / 170.0) + 4.0 * random.standard_normal()
        half_f = 9.0 + 3.0 * random.random()
        wet = random.random() < 0.27
        rain_in = STORMS_IN.get(day.isoformat(), random.gamma(0.9, 0.33) if wet else 0.0)
        rows.append([day.isoformat(), round(mean_f - half_f), round(mean_f + half_f), round(float(rain_in), 2)])
    _write_csv(path, ["date", "tmin_f", "tmax_f", "rain_in"], rows)


def mill_race(folder: Path) -> None:
    """Awkward ground: two pieces, a pond, a grassed waterway, fourteen samples of which two fell outside."""
    story = STORIES["mill_race"]
    boundary, waterway = outline("mill_race")
    _write_polygons(folder / "boundary.geojson", story, [(boundary, {"field": "Mill Race"})])
    _write_polygons(folder / "waterway.geojson", story, [(waterway, {"kind": "grassed waterway"})])
    places = np.array([
        (-290, 190), (-180, 200), (-80, 185), (-285, 30), (-75, 40), (-280, -150), (-160, -110), (-65, -180),
        (20, 130), (185, 120), (50, -120), (220, -130), (-8, -60), (-372, -40),
    ], dtype=float)  # fmt: skip  # the last two: in the lane, and over the west fence
    random = np.random.default_rng(301)
    reading = _read(random, story.nitrate_ppm(*places.T), relative_sd=0.08, sd=0.7)
    _write_csv(
        folder / "samples.csv",
        ["Site", "Lon", "Lat", "From_in", "To_in", "NO3N_ppm", "Pulled"],
        ([i + 1, *at, 0, 12, ppm, "2026-06-09"]
         for i, (at, ppm) in enumerate(zip(_lonlat(story, *places.T).tolist(), reading.tolist(), strict=True))),
    )  # fmt: skip
    _write_raster(folder / "yield_potential.tif", "mill_race", "EPSG:4326", 0.0001, 3)


def write_fields(root: Path) -> None:
    """Write the data of all three fields into a folder each under ``root``."""
    for write in (cedar_bend, heron_flat, mill_race):
        folder = root / write.__name__
        folder.mkdir(parents=True, exist_ok=True)
        write(folder)


if __name__ == "__main__":
    write_fields(Path(sys.argv[1]) if len(sys.argv) > 1 else HERE)
