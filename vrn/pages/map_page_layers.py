"""What the map draws: surfaces as small pictures in longitude and latitude, outlines and points as GeoJSON."""

import base64
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Kind, Quantity
from vrn.model.grid import reproject, transformer
from vrn.model.surface import Surface
from vrn.pages.field_maps import unknown_ground, zone_labels
from vrn.pages.ramps import CROP, DOUBT, NEED, SOIL, Ramp, rate_colors, round_values
from vrn.pages.sample_places import SamplePlace
from vrn.prescription.model import Prescription
from vrn.prescription.wanted import ground_of
from vrn.words import UnitFormat, say

LEVELS = 254  # level 0 of a picture is clear, 1 … 254 run along the ramp
_LONGEST_SIDE = 480  # pixels
_CELL_PIXELS = 3  # most pixels a cell's side gets

ON_DEMAND = ("strips", "passes")  # overlays that are off until a reader asks for them
KNOWN_SURFACES: Final[dict[str, tuple[Kind, Ramp]]] = {  # surface → kind, ramp; titles in the words of the map
    "nitrate_ppm": ("concentration", SOIL),
    "deep_nitrate_ppm": ("concentration", SOIL),
    "organic_matter_pct": ("organic_matter", SOIL),
    "yield_goal_bu_ac": ("yield", CROP),
    "need_lb_ac": ("whole_amount", NEED),
    "harvest_left_out_pct": ("percent", DOUBT),
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """One surface, or its error (``nitrate_ppm_se``), ready for the page as the data URI of a palette PNG.

    ``low`` and ``high`` are the ramp's ends in the trade's unit, NaN where nothing is known; ticks are in the unit
    shown.
    """

    key: str
    title: str
    quantity: Kind
    ramp: Ramp
    low: float
    high: float
    ticks: tuple[float, ...]
    url: str
    surface: Surface


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """Longitude–latitude raster over the treated ground: bounds [°], cell of the field's grid (−1: not treated)."""

    west: float
    south: float
    east: float
    north: float
    cell: NDArray[np.intp]


def frame_of(prescription: Prescription) -> Frame:
    """Raster in longitude and latitude over the treated ground."""
    from affine import Affine
    from rasterio.features import rasterize

    grid = prescription.grid
    outline = reproject(prescription.outline(), grid.crs, "EPSG:4326")
    west, south, east, north = outline.bounds
    width_m = (east - west) * 111_320.0 * math.cos(math.radians((south + north) / 2))
    height_m = (north - south) * 110_950.0
    pixel_m = max(grid.cell_m / _CELL_PIXELS, max(width_m, height_m) / _LONGEST_SIDE)
    cols, rows = max(1, math.ceil(width_m / pixel_m)), max(1, math.ceil(height_m / pixel_m))
    longitude = west + (np.arange(cols) + 0.5) * (east - west) / cols
    latitude = north - (np.arange(rows) + 0.5) * (north - south) / rows
    easting, northing = transformer("EPSG:4326", grid.crs).transform(*np.meshgrid(longitude, latitude))
    row, col, inside = grid.cells_of(np.column_stack([easting.ravel(), northing.ravel()]))
    north_up = Affine((east - west) / cols, 0.0, west, 0.0, (south - north) / rows, north)
    treated = rasterize([(outline, 1)], out_shape=(rows, cols), transform=north_up, dtype="uint8")
    cell = np.where(inside & (treated.ravel() == 1), row * grid.cols + col, -1).reshape(rows, cols)
    return Frame(west=west, south=south, east=east, north=north, cell=cell)


def pictures(prescription: Prescription, frame: Frame, shown: UnitFormat) -> tuple[Picture, ...]:
    """Surfaces in the order a person reads them, each followed by its standard error where it has one."""
    order = [name for name in KNOWN_SURFACES if name in prescription.surfaces]
    order += sorted(set(prescription.surfaces) - set(KNOWN_SURFACES))
    found = []
    for name in order:
        surface = prescription.surfaces[name]
        quantity, ramp = KNOWN_SURFACES.get(name, (_quantity_of(name), SOIL))
        title = surface_title(name, shown)
        layers = [(name, title, ramp, surface.to_look_at)]
        if surface.se is not None:
            layers.append((f"{name}_se", say(shown, "map.layer-error", title=title), DOUBT, surface.se))
        for key, words, colors, values in layers:
            low, high, ticks = _scale(values, prescription.share > 0, shown.factor(quantity))
            url = _png(values, frame, colors, low, high)
            picture = Picture(key=key, title=words, quantity=quantity, ramp=colors, low=low, high=high, ticks=ticks,
                              url=url, surface=surface)  # fmt: skip
            found.append(picture)
    return tuple(found)


def surface_title(name: str, shown: UnitFormat) -> str:
    """What a surface is called; one of the user's own by its key, ``applied_lb_ac`` → ``Applied``."""
    if name in KNOWN_SURFACES:
        return say(shown, f"map.layer-{name}")
    for unit in ("_lb_ac", "_bu_ac", "_ppm", "_pct"):
        name = name.removesuffix(unit)
    return name.replace("_", " ").capitalize()


def _quantity_of(name: str) -> Kind:
    endings: dict[str, Kind] = {"_ppm": "concentration", "_pct": "organic_matter", "_bu_ac": "yield"}
    return next((quantity for ending, quantity in endings.items() if name.endswith(ending)), "rate")


def _scale(
    values: NDArray[np.float64], where: NDArray[np.bool_], factor: float
) -> tuple[float, float, tuple[float, ...]]:
    """Ends of the ramp in the trade's unit, and round values between them in the unit shown."""
    known = values[where & np.isfinite(values)] * factor
    if known.size == 0:
        return math.nan, math.nan, ()
    low, high = float(known.min()), float(known.max())
    if high - low <= 1e-9 * max(abs(high), 1.0):
        return low / factor, low / factor, (low,)
    return low / factor, high / factor, round_values(low, high)


def _png(values: NDArray[np.float64], frame: Frame, ramp: Ramp, low: float, high: float) -> str:
    """Surface as a palette PNG in a data URI; clear where not treated or not known."""
    from PIL import Image

    at_pixel = np.where(frame.cell >= 0, values.ravel()[frame.cell], np.nan)
    span = high - low
    share = (at_pixel - low) / span if span > 0 else np.where(np.isfinite(at_pixel), 0.5, np.nan)
    level = np.where(np.isfinite(share), 1 + np.rint(np.clip(np.nan_to_num(share), 0, 1) * (LEVELS - 1)), 0)
    rows, cols = level.shape
    image = Image.frombytes("P", (cols, rows), level.astype(np.uint8).tobytes())
    image.putpalette(bytes(3) + ramp.colors(np.linspace(0, 1, LEVELS)).tobytes())
    buffer = io.BytesIO()
    # a tenth larger than the smallest, in a third of the time
    image.save(buffer, "PNG", transparency=0, compress_level=4)
    return "data:image/png;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


def map_shapes(prescription: Prescription, shown: UnitFormat) -> dict[str, list[dict[str, object]]]:
    """Outlines and labels of the map by layer, as GeoJSON features; strips and passes only where there are some."""
    field, colors = prescription.field, rate_colors(prescription.rates)
    none = shapely.get_parts(shapely.intersection(field.no_apply, field.boundary))
    shapes: dict[str, list[tuple[shapely.Geometry, dict[str, object]]]] = {
        "zones": [(rate.outline, {"zone": rate.zone, "color": colors[rate.zone]}) for rate in prescription.rates],
        **{kind: [(ground, {})] for kind, ground in unknown_ground(prescription).items()},
        "no-apply": [(part, {}) for part in none if part.geom_type == "Polygon" and part.area > 0],
        "boundary": [(field.boundary, {})],
        "areas": [(field.samples.areas[name], {}) for name in sorted(field.samples.areas)],
        "labels": [(point, {"label": text, "zone": zone}) for zone, point, text in zone_labels(prescription, shown)]
        + [(_middle(part), {"label": say(shown, "map.hole")}) for part in none if part.area > 0],
        "dropped": [(ground_of(one, field.crs), {}) for one in prescription.dropped_overrides],
        "strips": [(rate.outline, {}) for rate in prescription.rates if rate.trial],
        "passes": [(lines, {}) for lines in _passes(prescription)],
    }
    return {
        key: [_feature(geometry, field.crs, properties) for geometry, properties in pairs]
        for key, pairs in shapes.items()
        if pairs or key not in (*ON_DEMAND, "dropped")
    }


def _middle(part: shapely.Geometry) -> shapely.Point:
    return shapely.Point(shapely.maximum_inscribed_circle(part, tolerance=2.0).coords[0])


def map_points(
    prescription: Prescription, places: Sequence[SamplePlace], shown: UnitFormat
) -> dict[str, list[list[object]]]:
    """Places of samples for the script, longitude and latitude first, and those left out.

    A place is followed by its samples, the label, its readings in words, what the map says there, and why that differs.
    """
    nitrate = prescription.surfaces.get("nitrate_ppm")
    values = np.full(len(places), np.nan)
    if nitrate is not None and places:
        row, col, inside = prescription.grid.cells_of(np.array([(one.east_m, one.north_m) for one in places]))
        values = np.where(inside, nitrate.to_look_at[row, col], np.nan)
    why = say(shown, f"map.why-{_WHY.get(nitrate.chosen if nitrate else '', 'near')}")
    used = []
    for one, value in zip(places, values.tolist(), strict=True):
        number = shown.number("concentration", value)
        said = say(shown, "map.sample", ids=one.ids, readings="; ".join(one.in_words(shown)))
        if math.isfinite(value):
            same = number == one.readings[0].nitrate
            said += " " + say(shown, "map.sample-same" if same else "map.sample-map",
                              value=Quantity("concentration", value), why=why)  # fmt: skip
        used.append([one.ids, one.label, said])
    out = left_out_of(prescription)
    xy = np.array([(one.east_m, one.north_m) for one in places] + [(east, north) for _, east, north, _, _ in out])
    lonlat = [] if not len(xy) else np.round(
        np.column_stack(transformer(prescription.field.crs, "EPSG:4326").transform(*xy.T)), 6).tolist()  # fmt: skip
    left = [[name, "", say(shown, f"map.sample-{why}", ids=name, reason=reason)] for name, _, _, why, reason in out]
    both = [[*at, *rest] for at, rest in zip(lonlat, used + left, strict=True)]
    return {"used": both[: len(used)], "out": both[len(used) :]}


def left_out_of(prescription: Prescription) -> list[tuple[str, float, float, str, str]]:
    """Samples that do not count: name, easting, northing, why by its word, a person's reason."""
    samples = prescription.field.samples
    read = {(east, north) for east, north in samples.field_readings().coordinates_m.tolist()}
    soil = np.array([kind in ("field", "duplicate") for kind in samples.kind], dtype=bool)
    unread = samples.take(soil & np.isnan(samples.nitrate_ppm)).placed()
    found = [(name, east, north, "by-hand" if reason else "out", reason)
             for name, east, north, reason in samples.left_out if math.isfinite(east + north)]  # fmt: skip
    empty = zip(unread.sample_id, unread.coordinates_m.tolist(), strict=True)
    found += [(name, *place, "no-number", "") for name, place in empty if tuple(place) not in read]
    return list(dict.fromkeys(found))


# how the nitrate map was made → its words
_WHY: Final = {"mean": "mean", "constant": "mean", "area means": "area", "area-to-point kriging": "between-areas"}


def _passes(prescription: Prescription) -> list[shapely.Geometry]:
    """Middle lines of the passes of the simulated drive."""
    driven = prescription.drive
    if driven is None:
        return []
    from vrn.prescription.passes import way_over

    field, treated = prescription.field, prescription.outline()
    way = way_over(treated, crs=prescription.grid.crs, machine=field.settings.machine, lines=field.lines)
    middles = [shapely.intersection(shapely.multilinestrings(part.lines), shapely.difference(treated, part.elsewhere))
               for part in way.parts]  # fmt: skip
    lines = shapely.get_parts(middles)
    return [shapely.multilinestrings([line for line in lines if line.geom_type == "LineString" and line.length > 0])]


def _feature(geometry: shapely.Geometry, crs: str, properties: dict[str, object]) -> dict[str, object]:
    """GeoJSON feature of a geometry in the field's system, to seven decimals (about 1 cm)."""
    lonlat = shapely.transform(reproject(geometry, crs, "EPSG:4326"), lambda xy: np.round(xy, 7))
    return {"type": "Feature", "properties": properties, "geometry": shapely.geometry.mapping(lonlat)}
