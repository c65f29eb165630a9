"""The map of a sampling plan, drawn on paper: boundary, closed ground, places with their names, the walk."""

import math
from dataclasses import dataclass
from itertools import groupby
from typing import Any, Final

import numpy as np
import shapely

from vrn.files.plan_form import depth_texts
from vrn.pages.report_paper_table import FONT, INK, QUIET
from vrn.sampling.plan import Plan
from vrn.units import AC_M2, FT_M
from vrn.words import UnitFormat, say

_FIELD: Final = (250, 249, 244)
_CLOSED: Final = (222, 218, 205)
_WALK: Final = (150, 146, 135)
_PLACE: Final = (19, 91, 152)
_AREA: Final = (120, 116, 105)
_LABEL_PT: Final = 7.0
_PT_MM: Final = 25.4 / 72
_RADIUS_MM: Final = 1.05
_MARGIN_MM: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """Where the field's metres lie on the page."""

    left: float
    top: float
    mm_per_m: float
    west: float
    north: float

    def at(self, east: float, north: float) -> tuple[float, float]:
        return self.left + (east - self.west) * self.mm_per_m, self.top + (self.north - north) * self.mm_per_m


def draw_plan_map(paper: Any, plan: Plan, *, height_mm: float) -> None:
    """
    Draw the map at the current height, as wide as the page or as high as allowed.

    Parameters
    ----------
    paper : fpdf.FPDF
    plan : Plan
    height_mm : float
        [mm]
    """
    top = paper.get_y()
    west, south, east, north = plan.field.boundary.bounds
    scale = min((paper.epw - 2 * _MARGIN_MM) / (east - west), (height_mm - 2 * _MARGIN_MM) / (north - south))
    width, height = (east - west) * scale, (north - south) * scale
    frame = _Frame(
        left=paper.l_margin + (paper.epw - width) / 2, top=top + _MARGIN_MM, mm_per_m=scale, west=west, north=north
    )
    _areas(paper, frame, plan.field.boundary, fill=_CLOSED)
    _areas(paper, frame, plan.ground, fill=_FIELD)
    paper.set_draw_color(*_AREA)
    paper.set_line_width(0.25)
    for area in plan.areas.values():
        _outline(paper, frame, area)
    paper.set_draw_color(*INK)
    paper.set_line_width(0.45)
    _outline(paper, frame, plan.field.boundary)
    _walk(paper, frame, plan)
    if plan.next is not None:
        _in_hand(paper, frame, plan)
    _places(paper, frame, plan)
    paper.set_xy(paper.l_margin, top + height + 2 * _MARGIN_MM)
    _scale_and_north(paper, frame, plan)


def _areas(paper: Any, frame: _Frame, geometry: shapely.Geometry, *, fill: tuple[int, int, int]) -> None:
    """Polygons filled, holes left open."""
    with paper.drawing_context() as context:
        from fpdf.drawing import PaintedPath

        for polygon in _polygons(geometry):
            path = PaintedPath()
            for ring in (polygon.exterior, *polygon.interiors):
                points = [frame.at(x, y) for x, y in ring.coords]
                path.move_to(*points[0])
                for point in points[1:-1]:
                    path.line_to(*point)
                path.close()
            path.style.fill_color = "#{:02x}{:02x}{:02x}".format(*fill)
            path.style.stroke_color = None
            path.style.intersection_rule = "evenodd"
            context.add_item(path)


def _outline(paper: Any, frame: _Frame, geometry: shapely.Geometry) -> None:
    for polygon in _polygons(geometry):
        for ring in (polygon.exterior, *polygon.interiors):
            paper.polyline([frame.at(x, y) for x, y in ring.coords])


def _polygons(geometry: shapely.Geometry) -> list[Any]:
    return [part for part in shapely.get_parts(geometry) if part.geom_type == "Polygon"]


def _walk(paper: Any, frame: _Frame, plan: Plan) -> None:
    """The walk past all places; of composites inside each area only."""
    paper.set_draw_color(*_WALK)
    paper.set_line_width(0.2)
    for _, places in groupby(plan.places, key=lambda place: place.area_id):
        points = [frame.at(place.easting_m, place.northing_m) for place in places]
        if len(points) > 1:
            paper.polyline(points)


def _in_hand(paper: Any, frame: _Frame, plan: Plan) -> None:
    """Readings that there are already, as small open dots."""
    paper.set_draw_color(*_AREA)
    paper.set_line_width(0.2)
    for east, north in np.unique(plan.field.samples.field_readings().coordinates_m, axis=0):
        x, y = frame.at(float(east), float(north))
        paper.circle(x=x, y=y, radius=0.6, style="D")


def _places(paper: Any, frame: _Frame, plan: Plan) -> None:
    """Places as dots, ringed where both depths are pulled, named where nothing else stands."""
    points = np.array([frame.at(place.easting_m, place.northing_m) for place in plan.places]).reshape(-1, 2)
    radius = _RADIUS_MM if not plan.areas else 0.6
    paper.set_font(FONT, "B", _LABEL_PT)
    for place, (x, y) in zip(plan.places, points, strict=True):
        paper.set_fill_color(*_PLACE)
        paper.set_draw_color(*_PLACE)
        paper.circle(x=x, y=y, radius=radius, style="F")
        if place.second_foot and not plan.areas:
            paper.set_line_width(0.3)
            paper.circle(x=x, y=y, radius=radius + 0.75, style="D")
    paper.set_text_color(*INK)
    if plan.areas:
        _area_names(paper, frame, plan)
        return
    edge = shapely.transform(plan.field.boundary.boundary, lambda at: np.array([frame.at(x, y) for x, y in at]))
    for place, (x, y) in zip(plan.places, _label_spots(paper, plan, points, edge), strict=True):
        paper.text(x, y, place.name)


def _area_names(paper: Any, frame: _Frame, plan: Plan) -> None:
    """The name of each area in its middle, in every piece of an acre or more."""
    paper.set_font(FONT, "B", 12)
    for name, area in plan.areas.items():
        pieces = sorted(_polygons(area), key=lambda piece: -piece.area)
        for piece in pieces[:1] + [piece for piece in pieces[1:] if piece.area > AC_M2]:
            spot = shapely.get_coordinates(shapely.maximum_inscribed_circle(piece))[0]
            x, y = frame.at(*spot)
            paper.text(x - paper.get_string_width(name) / 2, y + 1.5, name)


def _label_spots(paper: Any, plan: Plan, points: Any, edge: Any) -> list[tuple[float, float]]:
    """For each name the place around its dot that covers least of other dots, names, the walk and the boundary."""
    high = _LABEL_PT * _PT_MM * 0.72
    legs = shapely.LineString(points) if len(points) > 1 else shapely.LineString()
    taken = [shapely.box(x - 1.2, y - 1.2, x + 1.2, y + 1.2) for x, y in points]
    spots = []
    for number, (place, (x, y)) in enumerate(zip(plan.places, points, strict=True)):
        wide = paper.get_string_width(place.name)
        gap = _RADIUS_MM + (1.2 if place.second_foot else 0.5)
        best, least = (x + gap, y), math.inf
        for turn, (dx, dy) in enumerate(((1, -1), (1, 1), (-1, -1), (-1, 1), (1, 0), (-1, 0), (0, -1), (0, 1))):
            near = gap * (0.75 if dx and dy else 1.0)
            left = x + near if dx > 0 else x - near - wide if dx < 0 else x - wide / 2
            base = y - near if dy < 0 else y + near + high if dy > 0 else y + high / 2
            box = shapely.box(left, base - high, left + wide, base)
            others = [other for i, other in enumerate(taken) if i != number]
            cost = sum(
                float(shapely.intersection(box, other).area) for other in others if shapely.intersects(box, other)
            )
            lines = shapely.length(shapely.intersection(np.array([legs, edge], dtype=object), box))
            cost = 6 * cost + float(lines[0] + 3 * lines[1]) + 0.01 * turn
            if cost < least:
                best, least = (left, base), cost
        spots.append(best)
        taken.append(shapely.box(best[0], best[1] - high, best[0] + wide, best[1]))
    return spots


def _scale_and_north(paper: Any, frame: _Frame, plan: Plan) -> None:
    """A bar of a round length, an arrow to grid north, and what the marks mean, under the map."""
    metric = plan.settings.units == "metric"
    unit_m, name = (1.0, "m") if metric else (FT_M, "ft")
    most = 45 / frame.mm_per_m / unit_m
    step = 10 ** math.floor(math.log10(most))
    length = max(n * step for n in (1, 2, 5) if n * step <= most)
    wide = length * unit_m * frame.mm_per_m
    y = paper.get_y() + 2.5
    x = paper.l_margin + 6
    paper.set_draw_color(*INK)
    paper.set_fill_color(*INK)
    paper.set_line_width(0.3)
    paper.line(x, y, x + wide, y)
    for end in (x, x + wide):
        paper.line(end, y - 0.9, end, y + 0.9)
    paper.set_font(FONT, "", 7.5)
    paper.set_text_color(*INK)
    paper.text(x + wide + 1.5, y + 0.9, f"{length:g} {name}")
    arrow = paper.l_margin + 1.5
    paper.polygon([(arrow, y - 2.4), (arrow + 1.1, y + 1.6), (arrow, y + 0.7), (arrow - 1.1, y + 1.6)], style="F")
    _legend(paper, plan, x + wide + 18, y)
    paper.set_y(y + 3.5)


def _legend(paper: Any, plan: Plan, x: float, y: float) -> None:
    shown = UnitFormat(metric=plan.settings.units == "metric")
    entries = [("dot", say(shown, "plan.core") if plan.areas else depth_texts(plan)[0])]
    if not plan.areas and plan.deep_samples:
        entries.append(("ring", say(shown, "plan.both-depths")))
    if plan.next is not None:
        entries.append(("open", say(shown, "plan.in-hand")))
    entries += [("walk", say(shown, "plan.walk")), ("closed", say(shown, "plan.keep-out"))]
    paper.set_font(FONT, "", 7.5)
    for mark, words in entries:
        paper.set_draw_color(*_PLACE)
        paper.set_fill_color(*_PLACE)
        paper.set_line_width(0.3)
        if mark in ("dot", "ring"):
            paper.circle(x=x, y=y, radius=_RADIUS_MM, style="F")
            if mark == "ring":
                paper.circle(x=x, y=y, radius=_RADIUS_MM + 0.75, style="D")
        elif mark == "open":
            paper.set_draw_color(*_AREA)
            paper.circle(x=x, y=y, radius=0.6, style="D")
        elif mark == "walk":
            paper.set_draw_color(*_WALK)
            paper.line(x - 2, y, x + 2, y)
        else:
            paper.set_fill_color(*_CLOSED)
            paper.set_draw_color(*QUIET)
            paper.rect(x - 2, y - 1.3, 4, 2.6, style="DF")
        paper.text(x + 3, y + 0.9, words)
        x += paper.get_string_width(words) + 10
