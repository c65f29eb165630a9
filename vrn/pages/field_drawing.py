"""One drawing of a field: outline, zones, ground without nitrogen, places, labels, one scale bar, one north arrow."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.field import Field
from vrn.pages.ramps import rate_colors
from vrn.prescription.model import Prescription
from vrn.units import FT_M
from vrn.words import UnitFormat

INK: Final = "#1b1b18"
PAPER: Final = "#ffffff"
QUIET: Final = "#6b6860"
LABEL_PT: Final = 9.0
SMALL_PT: Final = 7.0
_LETTER_PT, _ROUND_PT, _HIGH_PT = 6.1, 6.5, 15.8  # a label's box: a letter's width, what stands round it, its height
_HATCH_PT, _UNDER_PT, _ARROW_PT = 5.0, 8.0, 5.0
_SLOPES: Final = {"/": (1.0,), "\\": (-1.0,), "x": (1.0, -1.0)}
_NORTH: Final = np.array([(0.0, 1.0), (0.45, -0.7), (0.0, -0.3), (-0.45, -0.7)])

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    r"""
    How a shape is drawn; an empty colour draws nothing.

    Parameters
    ----------
    fill, line : str
        As ``#rrggbb``.
    width_pt : float
        Of the line. [pt]
    hatch : str
        ``"/"``, ``"\"``, ``"x"`` or none.
    radius_pt : float
        Of points. [pt]
    """

    fill: str = ""
    line: str = ""
    width_pt: float = 0.8
    hatch: str = ""
    radius_pt: float = 1.8


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """Where the field's metres lie on a sheet: a corner in both, sheet units to the metre, and which way y runs."""

    west_m: float
    corner_m: float
    left: float
    corner: float
    per_m: float
    up: float

    def place(self, xy_m: Floats) -> Floats:
        """Easting and northing, shape (n, 2), in the sheet's units."""
        moved = (xy_m - (self.west_m, self.corner_m)) * (self.per_m, self.up * self.per_m)
        return np.add(moved, (self.left, self.corner))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
    """A shape in the sheet's units: polygons as their rings, lines, points."""

    polygons: list[list[Floats]] = field(default_factory=list)
    lines: list[Floats] = field(default_factory=list)
    points: Floats = field(default_factory=lambda: np.empty((0, 2)))
    look: Look


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sheet:
    """
    A drawing laid out: everything in the sheet's units, for whatever draws it.

    Parameters
    ----------
    shapes : list of Placed
        From below to the top.
    labels : list of (x, y, width, height, text)
        By their middles, none over one before it.
    bar : ndarray, shape (2, 2)
        Ends of the scale bar; ``bar_text`` says its length.
    arrow : ndarray, shape (4, 2)
        Outline of the arrow to grid north.
    """

    frame: Frame
    shapes: list[Placed]
    labels: list[tuple[float, float, float, float, str]]
    bar: Floats
    bar_text: str
    arrow: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldDrawing:
    """
    What is drawn of a field, before it has a size.

    Parameters
    ----------
    bounds_m : tuple of float
        West, south, east, north.
    shapes : tuple of (Geometry, Look)
        Polygons, lines or points, from below to the top. [m]
    labels : tuple of (Point, str)
        The more important first.
    metric : bool
        Whether the scale bar is in metres.
    """

    bounds_m: tuple[float, float, float, float]
    shapes: tuple[tuple[shapely.Geometry, Look], ...] = ()
    labels: tuple[tuple[shapely.Point, str], ...] = ()
    metric: bool = False

    @property
    def aspect(self) -> float:
        """Height over width."""
        west, south, east, north = self.bounds_m
        return (north - south) / (east - west)

    def laid_out(self, left: float, low: float, width: float, height: float, *, point: float, down: bool) -> Sheet:
        """
        The drawing as large as fits in the middle of a box, scale bar and arrow close under the field.

        Parameters
        ----------
        left, low, width, height : float
            The box in the sheet's units; ``low`` is its least y.
        point : float
            Sheet units in 1 pt.
        down : bool
            Whether y grows down the sheet.
        """
        west, south, east, north = self.bounds_m
        per_m = min(width / (east - west), height / (north - south))
        wide, high = (east - west) * per_m, (north - south) * per_m
        frame = Frame(
            west_m=west, corner_m=north if down else south, left=left + (width - wide) / 2,
            corner=low + (height - high) / 2, per_m=per_m, up=-1.0 if down else 1.0,
        )  # fmt: skip
        under = frame.corner + (high + _UNDER_PT * point if down else -_UNDER_PT * point)
        unit, unit_m = ("m", 1.0) if self.metric else ("ft", FT_M)
        length = _round_length((east - west) / 4 / unit_m)
        right = frame.left + length * unit_m * per_m
        size = _ARROW_PT * point
        arrow = np.add(_NORTH * (size, frame.up * size), (frame.left + wide - size / 2, under))
        return Sheet(
            frame=frame,
            shapes=[placed for shape, look in self.shapes for placed in _placed(shape, look, frame, point)],
            labels=_apart(self.labels, frame, point), bar=np.array([[frame.left, under], [right, under]]),
            bar_text=f"{length:,.10g} {unit}", arrow=arrow,
        )  # fmt: skip


def ground_drawing(ground: Field, shown: UnitFormat) -> FieldDrawing:
    """Outline, ground without nitrogen, and the places where cores were pulled."""
    none = shapely.intersection(ground.no_apply, ground.boundary)
    cores = shapely.multipoints(np.unique(ground.samples.field_readings().coordinates_m, axis=0))
    west, south, east, north = ground.boundary.bounds
    return FieldDrawing(
        bounds_m=(west, south, east, north), metric=shown.metric,
        shapes=(
            (ground.boundary, Look(line=INK, width_pt=1.0)),
            (none, Look(fill=PAPER, line=QUIET, width_pt=0.6, hatch="/")),
            (cores, Look(fill=INK, line=PAPER, width_pt=0.5)),
        ),
    )  # fmt: skip


def rate_drawing(prescription: Prescription, shown: UnitFormat) -> FieldDrawing:
    """Zones in the colours of their rates, their numbers and rates on them, over the field's own drawing."""
    colors = rate_colors(prescription.rates)
    zones = tuple((rate.outline, Look(fill=colors[rate.zone], line=INK)) for rate in prescription.rates)
    ground = ground_drawing(prescription.field, shown)
    west, south, east, north = shapely.union(prescription.outline(), prescription.field.boundary).bounds
    return replace(
        ground, bounds_m=(west, south, east, north), shapes=zones + ground.shapes,
        labels=tuple(zone_labels(prescription, shown)),
    )  # fmt: skip


def zone_labels(prescription: Prescription, shown: UnitFormat) -> list[tuple[shapely.Point, str]]:
    """
    Number and rate of each zone, at the widest place of its largest part and of other large parts.

    Returns
    -------
    labels : list of (Point, str)
        The largest part of each zone first, the larger zone before the smaller: where two do not fit, the first stays.
    """
    large_m2 = float(prescription.outline().area) / 30
    found = []
    for rate in prescription.rates:
        text = f"{rate.zone}: {shown.number('rate', rate.rate_n_lb_ac)}"
        parts = sorted((part for part in shapely.get_parts(rate.outline) if part.area > 0), key=lambda part: -part.area)
        found += [(i > 0, part, text) for i, part in enumerate(parts) if i == 0 or part.area >= large_m2]
    found.sort(key=lambda label: (label[0], -label[1].area))
    return [
        (shapely.Point(shapely.maximum_inscribed_circle(part, tolerance=2.0).coords[0]), text)
        for _, part, text in found
    ]


def _placed(shape: shapely.Geometry, look: Look, frame: Frame, point: float) -> Iterable[Placed]:
    parts = shapely.get_parts(shapely.get_parts(shapely.orient_polygons(shape)))  # collections of collections
    parts = parts[~shapely.is_empty(parts)]
    kinds = shapely.get_type_id(parts)
    polygons = [
        [frame.place(shapely.get_coordinates(ring)) for ring in shapely.get_rings(part)] for part in parts[kinds == 3]
    ]
    lines = [frame.place(shapely.get_coordinates(part)) for part in parts[(kinds == 1) | (kinds == 2)]]
    points = frame.place(shapely.get_coordinates(parts[kinds == 0]))
    yield Placed(polygons=polygons, lines=lines, points=points, look=look)
    if look.hatch and polygons:
        line = Look(line=look.line, width_pt=0.8)
        apart_m = _HATCH_PT * point / frame.per_m
        for slope in _SLOPES[look.hatch]:
            hatch = _hatch(parts[kinds == 3], apart_m, slope=slope)
            yield Placed(lines=[frame.place(shapely.get_coordinates(one)) for one in hatch], look=line)


def _hatch(polygons: NDArray[np.object_], apart_m: float, *, slope: float) -> list[shapely.Geometry]:
    """Slanting lines inside polygons."""
    west, south, east, north = shapely.total_bounds(polygons)
    step, rise = apart_m * math.sqrt(2.0), north - south
    lefts = np.arange(math.floor((west - rise) / step), math.ceil(east / step) + 1) * step
    first, last = (south, north) if slope > 0 else (north, south)
    ends = np.array([[(left, first), (left + rise, last)] for left in lefts])
    inside = shapely.intersection(shapely.multilinestrings(shapely.linestrings(ends)), shapely.union_all(polygons))
    return [line for line in shapely.get_parts(inside) if line.geom_type == "LineString"]


def _apart(
    labels: tuple[tuple[shapely.Point, str], ...], frame: Frame, point: float
) -> list[tuple[float, float, float, float, str]]:
    """Labels that do not cover one before them, with their boxes."""
    kept: list[tuple[float, float, float, float, str]] = []
    high = _HIGH_PT * point
    for at, text in labels:
        ((x, y),) = frame.place(np.array([[at.x, at.y]])).tolist()
        wide = (_LETTER_PT * len(text) + _ROUND_PT) * point
        if all(abs(y - b) >= high or abs(x - a) >= (wide + other) / 2 for a, b, other, _, _ in kept):
            kept.append((x, y, wide, high, text))
    return kept


def _round_length(most: float) -> float:
    """
    The longest of 1, 2 or 5 times a power of ten that is not over ``most``.

    Examples
    --------
    >>> _round_length(730.0), _round_length(0.3)
    (500.0, 0.2)
    """
    power = 10.0 ** math.floor(math.log10(most))
    return max(times for times in (1, 2, 5) if times * power <= most) * power
