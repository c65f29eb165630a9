"""A drawing of a field, laid out once with one scale bar and one north arrow, and put on a figure, a page or paper."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from html import escape
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.units import FT_M

INK: Final = "#1b1b18"
PAPER: Final = "#ffffff"
QUIET: Final = "#6b6860"
PALE: Final = "#c9c5b8"
STRONG: Final = "#1d4d87"
LABEL_PT: Final = 9.0
SMALL_PT: Final = 7.0
_LETTER_PT, _ROUND_PT, _HIGH_PT = 6.1, 6.5, 15.8  # a label's box: a letter's width, what stands round it, its height
_HATCH_PT, _UNDER_PT, _ARROW_PT = 5.0, 8.0, 5.0
_SLOPES: Final = {"/": (1.0,), "\\": (-1.0,), "x": (1.0, -1.0)}
_NORTH: Final = np.array([(0.0, 1.0), (0.45, -0.7), (0.0, -0.3), (-0.45, -0.7)])

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    r"""How a shape is drawn; an empty colour draws nothing, the hatch is ``/``, ``\``, ``x`` or none."""

    fill: str = ""
    line: str = ""
    width_pt: float = 0.8
    hatch: str = ""
    radius_pt: float = 1.8


EDGES: Final = Look(line=PAPER, width_pt=2.2), Look(line=INK)  # white under black: one of the two is seen on any fill


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
    """A drawing laid out in the sheet's units, from below to the top, for whatever draws it.

    Labels are (x, y, width, height, text) by their middles, none over one before it; ``bar`` are the ends of the scale
    bar, shape (2, 2), ``arrow`` is the outline of the arrow to grid north, shape (4, 2).
    """

    frame: Frame
    shapes: list[Placed]
    labels: list[tuple[float, float, float, float, str]]
    bar: Floats
    bar_text: str
    arrow: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FieldDrawing:
    """What is drawn of a field before it has a size: shapes from below to the top [m], the first labels matter most."""

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
        """The drawing as large as fits in the middle of a box, scale bar and arrow close under the field.

        ``low`` is the box's least y, ``point`` how many of the sheet's units are 1 pt, ``down`` whether y grows down.
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
            labels=_apart(self.labels, frame, point, frame.left + wide),
            bar=np.array([[frame.left, under], [right, under]]), bar_text=f"{length:,.10g} {unit}", arrow=arrow,
        )  # fmt: skip


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
        line = Look(line=look.line, width_pt=look.width_pt)
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
    labels: tuple[tuple[shapely.Point, str], ...], frame: Frame, point: float, right: float
) -> list[tuple[float, float, float, float, str]]:
    """Labels that do not cover one before them, with their boxes, none of them beyond the sides."""
    kept: list[tuple[float, float, float, float, str]] = []
    high = _HIGH_PT * point
    for at, text in labels:
        ((x, y),) = frame.place(np.array([[at.x, at.y]])).tolist()
        wide = (_LETTER_PT * len(text) + _ROUND_PT) * point
        half = min(wide, right - frame.left) / 2
        x = min(max(x, frame.left + half), right - half)
        if all(abs(y - b) >= high or abs(x - a) >= (wide + other) / 2 for a, b, other, _, _ in kept):
            kept.append((x, y, wide, high, text))
    return kept


def _round_length(most: float) -> float:
    """The longest of 1, 2 or 5 times a power of ten that is not over ``most``.

    >>> _round_length(730.0), _round_length(0.3)
    (500.0, 0.2)
    """
    power = 10.0 ** math.floor(math.log10(most))
    return max(times for times in (1, 2, 5) if times * power <= most) * power


if TYPE_CHECKING:
    from matplotlib.axes import Axes

_IN, _MM = 1 / 72, 25.4 / 72  # in 1 pt
_SVG_PT, _SVG_WIDTH, _SVG_UNDER = 1 / 0.6, 640.0, 32.0


def on_axes(axes: "Axes", drawing: FieldDrawing, box_in: tuple[float, float, float, float]) -> Frame:
    """Draw in a box (left, bottom, width, height) of bare axes whose unit is the inch; bar and arrow close under it."""
    from matplotlib.collections import LineCollection, PathCollection
    from matplotlib.path import Path

    sheet = drawing.laid_out(*box_in, point=_IN, down=False)
    for shape in sheet.shapes:
        look = shape.look
        if shape.polygons:
            paths = [Path.make_compound_path(*(Path(ring, closed=True) for ring in rings)) for rings in shape.polygons]
            axes.add_collection(
                PathCollection(
                    paths, facecolors=look.fill or "none", edgecolors=look.line or look.fill,
                    linewidths=look.width_pt if look.line else 0.3,
                )
            )  # fmt: skip
        if shape.lines:
            axes.add_collection(LineCollection(shape.lines, colors=look.line, linewidths=look.width_pt))
        if len(shape.points):
            axes.plot(
                *shape.points.T, "o", markersize=2 * look.radius_pt, color=look.fill or "none",
                markeredgecolor=look.line or "none", markeredgewidth=look.width_pt,
            )  # fmt: skip
    box = {"facecolor": PAPER, "edgecolor": INK, "pad": 2.5, "linewidth": 0.6}
    for x, y, _, _, text in sheet.labels:
        axes.text(x, y, text, ha="center", va="center", weight="bold", fontsize=LABEL_PT, bbox=box, zorder=5)
    axes.plot(*sheet.bar.T, color=INK, linewidth=1.4, solid_capstyle="butt")
    right, under = sheet.bar[1].tolist()
    axes.text(right, under, f"  {sheet.bar_text}", va="center", fontsize=SMALL_PT)
    axes.fill(*sheet.arrow.T, color=INK, linewidth=0)
    axes.text(float(sheet.arrow[:, 0].min()), under, "N ", ha="right", va="center", fontsize=SMALL_PT)
    return sheet.frame


def as_svg(drawing: FieldDrawing, title: str) -> str:
    """The drawing as a picture inside a page; the title stands in for it where it is not seen."""
    width = _SVG_WIDTH if drawing.aspect < 0.9 else _SVG_WIDTH * 0.9 / drawing.aspect
    height = width * drawing.aspect
    sheet = drawing.laid_out(0.0, 0.0, width, height, point=_SVG_PT, down=True)
    box = f"-4 -4 {width + 8:.0f} {height + _SVG_UNDER:.0f}"
    opening = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" role="img" font-family="sans-serif"'
    parts = [f'{opening} aria-label="{escape(title, quote=True)}">']
    for shape in sheet.shapes:
        parts += _svg_shape(shape)
    for x, y, wide, high, text in sheet.labels:
        parts.append(
            f'<rect x="{x - wide / 2:.1f}" y="{y - high / 2:.1f}" width="{wide:.1f}" height="{high:.1f}" '
            f'fill="{PAPER}" stroke="{INK}"/><text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle" '
            f'font-size="{LABEL_PT * _SVG_PT:.1f}" font-weight="600" fill="{INK}">{escape(text)}</text>'
        )
    (left, under), (right, _) = sheet.bar.tolist()
    parts.append(
        f'<path d="M{left:.1f} {under:.1f}H{right:.1f}" stroke="currentColor" stroke-width="2.4"/>'
        f'<text x="{right + 6:.1f}" y="{under + 4:.1f}" font-size="{SMALL_PT * _SVG_PT:.1f}" fill="currentColor">'
        f'{sheet.bar_text}</text><text x="{sheet.arrow[:, 0].min() - 4:.1f}" y="{under + 4:.1f}" text-anchor="end" '
        f'font-size="{SMALL_PT * _SVG_PT:.1f}" fill="currentColor">N</text>'
        f'<path d="{_svg_path(sheet.arrow)}Z" fill="currentColor"/></svg>'
    )
    return "".join(parts)


def _svg_shape(shape: Placed) -> list[str]:
    look = shape.look
    style = f'fill="{look.fill or "none"}"'
    if look.line:
        style += f' stroke="{look.line}" stroke-width="{look.width_pt * _SVG_PT:.1f}"'
    paths = ["".join(f"{_svg_path(ring[:-1])}Z" for rings in shape.polygons for ring in rings)]
    paths.append("".join(map(_svg_path, shape.lines)))
    drawn = [f'<path d="{path}" {style}/>' for path in paths if path]
    radius = look.radius_pt * _SVG_PT
    return drawn + [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{radius:.1f}" {style}/>' for x, y in shape.points.tolist()]


def _svg_path(points: Floats) -> str:
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points.tolist())


def on_paper(paper: Any, drawing: FieldDrawing, box_mm: tuple[float, float, float, float]) -> Frame:
    """Draw in a box (left, top, width, height) [mm] of fpdf's current page; labels in its current font."""
    sheet = drawing.laid_out(*box_mm, point=_MM, down=True)
    for shape in sheet.shapes:
        _paper_shape(paper, shape)
    paper.set_font(style="B", size=LABEL_PT)
    _pen(paper, Look(fill=PAPER, line=INK, width_pt=0.6))
    paper.set_text_color(INK)
    for x, y, wide, high, text in sheet.labels:
        paper.rect(x - wide / 2, y - high / 2, wide, high, style="DF")
        paper.text(x - paper.get_string_width(text) / 2, y + 0.35 * LABEL_PT * _MM, text)
    (left, under), (right, _) = sheet.bar.tolist()
    _pen(paper, Look(fill=INK, line=INK, width_pt=1.4))
    paper.line(left, under, right, under)
    paper.set_font(style="", size=SMALL_PT)
    base = under + 0.35 * SMALL_PT * _MM
    paper.text(right + 1.5, base, sheet.bar_text)
    paper.text(float(sheet.arrow[:, 0].min()) - 3.0, base, "N")
    paper.polygon(sheet.arrow.tolist(), style="F")
    return sheet.frame


_STYLE: Final = {(True, True): "DF", (True, False): "F", (False, True): "D"}


def _paper_shape(paper: Any, shape: Placed) -> None:
    from fpdf.drawing import PaintedPath

    look = shape.look
    if shape.polygons:
        path = PaintedPath()
        for ring in (ring for rings in shape.polygons for ring in rings):
            points = ring[:-1].tolist()
            path.move_to(*points[0])
            for point in points[1:]:
                path.line_to(*point)
            path.close()
        path.style.fill_color = look.fill or None
        path.style.stroke_color = look.line or None
        path.style.stroke_width = look.width_pt * _MM
        path.style.intersection_rule = "nonzero"
        with paper.drawing_context() as context:
            context.add_item(path)
    style = _STYLE.get((bool(look.fill), bool(look.line)))
    if style is None:
        return
    _pen(paper, look)
    for line in shape.lines:
        paper.polyline(line.tolist())
    for x, y in shape.points.tolist():
        paper.circle(x=x, y=y, radius=look.radius_pt * _MM, style=style)


def _pen(paper: Any, look: Look) -> None:
    paper.set_line_width(look.width_pt * _MM)
    for color, take in ((look.line, paper.set_draw_color), (look.fill, paper.set_fill_color)):
        if color:
            take(*bytes.fromhex(color[1:]))
