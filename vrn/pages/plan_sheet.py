"""The field sheet of a sampling plan: a map, what to mind, and lines to write on, on Letter or A4."""

import math
from datetime import UTC, datetime
from itertools import groupby
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.files.plan import lonlat_of
from vrn.files.plan_words import caution_texts, depth_texts, place_note, plan_facts, second_foot_text, size_text
from vrn.findings import Quantity
from vrn.model.grid import geodesic_acres
from vrn.pages.field_drawing import INK, QUIET, FieldDrawing, Frame, Look, on_paper
from vrn.pages.report_paper_table import FONT, new_paper, on_one_line
from vrn.sampling.form import FormRow, form_rows
from vrn.sampling.plan import Plan
from vrn.units import AC_M2
from vrn.words import UnitFormat, say

_RULE: Final = (170, 166, 155)
_ROW_MM: Final = 7.2  # high enough to write in with a glove on
_MAP_MM: Final = 152.0
_MARGIN_MM: Final = 2.0
_PT_MM: Final = 25.4 / 72
_NAME_PT: Final = 7.0
_DOT_PT, _RING_PT = 3.0, 5.1
_PPM: Final = Quantity("concentration", None)


def field_sheet(plan: Plan) -> bytes:
    """The sheet as PDF, the same bytes each time."""
    shown = UnitFormat.of(plan.settings.units)
    season = plan.settings.header.season
    title = say(shown, "plan.of-season", name=plan.field.name, season=str(season))
    paper = new_paper(title, title, shown, datetime(season, 1, 1, tzinfo=UTC), (14, 12, 14))
    paper.add_page()
    _head(paper, plan, shown)
    _map(paper, plan, shown)
    _list(paper, caution_texts(plan, shown))
    if plan.places:
        paper.add_page()
        _title(paper, say(shown, "plan.readings"))
        _table(paper, plan, shown)
    _how_many(paper, plan, shown)
    return bytes(paper.output())


def _head(paper: Any, plan: Plan, shown: UnitFormat) -> None:
    paper.set_font(FONT, "B", 15)
    paper.set_text_color(INK)
    paper.multi_cell(0, 7, on_one_line(plan.field.name)[:120], new_x="LMARGIN", new_y="NEXT")
    paper.set_font(FONT, "", 8.5)
    paper.set_text_color(QUIET)
    for line in (plan_facts(plan, shown), second_foot_text(plan, shown)):
        paper.multi_cell(0, 4.3, on_one_line(line), new_x="LMARGIN", new_y="NEXT")
    paper.ln(1)


_FIELD, _CLOSED, _WALK, _PLACE, _AREA = "#faf9f4", "#dedacd", "#96928a", "#135b98", "#787469"


def _map(paper: Any, plan: Plan, shown: UnitFormat) -> None:
    """The map at the current height: boundary, closed ground, the walk, places with their names, what marks mean."""
    drawing = _drawing(plan, shown)
    top, width = paper.get_y() + _MARGIN_MM, paper.epw - 2 * _MARGIN_MM
    height = min(width * drawing.aspect, _MAP_MM - 2 * _MARGIN_MM)
    frame = on_paper(paper, drawing, (paper.l_margin + _MARGIN_MM, top, width, height))
    _names(paper, plan, frame)
    _legend(paper, plan, shown, top + height + 8.5)
    paper.set_xy(paper.l_margin, top + height + 12.0)


def _drawing(plan: Plan, shown: UnitFormat) -> FieldDrawing:
    """Everything but the names; of composites the walk is drawn inside each area only."""
    places_m = plan.coordinates_m()
    deep = np.array([place.second_foot and not plan.areas for place in plan.places], dtype=bool)
    in_hand_m = plan.field.samples.field_readings().coordinates_m if plan.next is not None else np.empty((0, 2))
    walks = [list(walk) for _, walk in groupby(plan.places, key=lambda place: place.area_id)]
    legs = [[(place.easting_m, place.northing_m) for place in walk] for walk in walks if len(walk) > 1]
    west, south, east, north = plan.field.boundary.bounds
    return FieldDrawing(
        bounds_m=(west, south, east, north), metric=shown.metric,
        shapes=(
            (plan.field.boundary, Look(fill=_CLOSED)),
            (plan.ground, Look(fill=_FIELD)),
            *((area, Look(line=_AREA, width_pt=0.7)) for area in plan.areas.values()),
            (plan.field.boundary, Look(line=INK, width_pt=1.3)),
            (shapely.MultiLineString(legs), Look(line=_WALK, width_pt=0.6)),
            (shapely.MultiPoint(np.unique(in_hand_m, axis=0)), Look(line=_AREA, width_pt=0.6, radius_pt=1.7)),
            (shapely.MultiPoint(places_m), Look(fill=_PLACE, radius_pt=1.7 if plan.areas else _DOT_PT)),
            (shapely.MultiPoint(places_m[deep]), Look(line=_PLACE, width_pt=0.9, radius_pt=_RING_PT)),
        ),
    )  # fmt: skip


def _names(paper: Any, plan: Plan, frame: Frame) -> None:
    """Names of places where nothing else stands, or of areas in their middle and in every piece of an acre or more."""
    if not plan.areas:
        paper.set_font(FONT, "B", _NAME_PT)
        edge = shapely.transform(plan.field.boundary.boundary, frame.place)
        spots = _label_spots(paper, plan, frame.place(plan.coordinates_m()), edge)
        for place, (x, y) in zip(plan.places, spots, strict=True):
            paper.text(x, y, place.name)
        return
    paper.set_font(FONT, "B", 12)
    for name, area in plan.areas.items():
        pieces = sorted(shapely.get_parts(area), key=lambda piece: -float(piece.area))
        for piece in pieces[:1] + [piece for piece in pieces[1:] if piece.area > AC_M2]:
            ((x, y),) = frame.place(shapely.get_coordinates(shapely.maximum_inscribed_circle(piece))[:1])
            paper.text(x - paper.get_string_width(name) / 2, y + 1.5, name)


def _label_spots(
    paper: Any, plan: Plan, points: NDArray[np.float64], edge: shapely.Geometry
) -> list[tuple[float, float]]:
    """For each name the place around its dot that covers least of other dots, names, the walk and the boundary."""
    high = _NAME_PT * _PT_MM * 0.72
    legs = shapely.LineString(points) if len(points) > 1 else shapely.LineString()
    taken = [shapely.box(x - 1.2, y - 1.2, x + 1.2, y + 1.2) for x, y in points]
    spots = []
    for number, (place, (x, y)) in enumerate(zip(plan.places, points, strict=True)):
        wide = paper.get_string_width(place.name)
        gap = _DOT_PT * _PT_MM + (1.2 if place.second_foot else 0.5)
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


def _legend(paper: Any, plan: Plan, shown: UnitFormat, y: float) -> None:
    entries = [("dot", say(shown, "plan.core") if plan.areas else depth_texts(plan)[0])]
    if not plan.areas and plan.deep_samples:
        entries.append(("ring", say(shown, "plan.both-depths")))
    if plan.next is not None:
        entries.append(("open", say(shown, "plan.in-hand")))
    entries += [("walk", say(shown, "plan.walk")), ("closed", say(shown, "plan.keep-out"))]
    paper.set_font(FONT, "", 7.5)
    paper.set_line_width(0.3)
    x = paper.l_margin + 4
    for mark, words in entries:
        paper.set_draw_color({"open": _AREA, "walk": _WALK, "closed": _AREA}.get(mark, _PLACE))
        paper.set_fill_color(_CLOSED if mark == "closed" else _PLACE)
        if mark in ("dot", "ring"):
            paper.circle(x=x, y=y, radius=_DOT_PT * _PT_MM, style="F")
        if mark == "ring":
            paper.circle(x=x, y=y, radius=_RING_PT * _PT_MM, style="D")
        elif mark == "open":
            paper.circle(x=x, y=y, radius=0.6, style="D")
        elif mark == "walk":
            paper.line(x - 2, y, x + 2, y)
        elif mark == "closed":
            paper.rect(x - 2, y - 1.3, 4, 2.6, style="DF")
        paper.text(x + 3, y + 0.9, words)
        x += paper.get_string_width(words) + 10


def _title(paper: Any, words: str) -> None:
    paper.set_font(FONT, "B", 10.5)
    paper.set_text_color(INK)
    paper.cell(0, 6, words, new_x="LMARGIN", new_y="NEXT")


def _list(paper: Any, items: tuple[str, ...]) -> None:
    for item in items:
        paper.set_font(FONT, "", 8)
        paper.set_text_color(INK)
        paper.set_x(paper.l_margin)
        paper.cell(3.5, 4, "–")
        paper.multi_cell(paper.epw - 3.5, 4, on_one_line(item), align="L", new_x="LMARGIN", new_y="NEXT")
        paper.ln(0.4)


# name and width of each column
_COLUMNS: Final = {"sample": 22.0, "depth": 20.0, "place": 46.0, "nitrate": 24.0, "time": 18.0, "remarks": 58.0}


def _table(paper: Any, plan: Plan, shown: UnitFormat) -> None:
    """Lines to write on, in the order in which one reads."""
    notes = {place.name: place_note(place, shown) for place in plan.places} | {
        name: say(
            shown, "plan.facts-area", cores=plan.cores, area=Quantity("area", geodesic_acres(area, plan.field.crs))
        )
        for name, area in plan.areas.items()
    }
    scale, lonlat = paper.epw / sum(_COLUMNS.values()), lonlat_of(plan)
    _table_head(paper, scale, shown)
    for row in form_rows(plan):
        if paper.will_page_break(_ROW_MM):
            paper.add_page()
            _table_head(paper, scale, shown)
        where = "" if row.place < 0 else f"{lonlat[row.place, 1]:.6f}, {lonlat[row.place, 0]:.6f}"
        _table_row(paper, _cells(row, where, depth_texts(plan), notes, shown), scale)


def _table_head(paper: Any, scale: float, shown: UnitFormat) -> None:
    paper.set_font(FONT, "", 7.5)
    paper.set_text_color(QUIET)
    for name, width in _COLUMNS.items():
        paper.cell(width * scale, 5, say(shown, f"plan.column-{name}", ppm=_PPM))
    paper.ln(5)
    _rule(paper)


def _cells(
    row: FormRow, where: str, depths: tuple[str, str], notes: dict[str, str], shown: UnitFormat
) -> tuple[str, str, str, str]:
    """Sample, depth, place, remark."""
    if row.depth < 0:
        asked = say(shown, "plan.standard-remark", ppm=_PPM) if row.kind == "standard" else ""
        return row.name, "", "", asked
    remark = notes.get(row.at, "") if row.depth == 0 else ""
    if row.kind == "duplicate":
        remark = say(shown, "plan.read-twice")
    return row.name, depths[row.depth], where, remark


def _table_row(paper: Any, cells: tuple[str, str, str, str], scale: float) -> None:
    name, depth, where, remark = cells
    for words, (column, width) in zip((name, depth, where, "", "", remark), _COLUMNS.items(), strict=True):
        paper.set_font(FONT, "B" if column == "sample" else "", 8.5 if column == "sample" else 7.5)
        paper.set_text_color(QUIET if column in ("place", "remarks") else INK)
        text = on_one_line(words)
        while text and paper.get_string_width(text) > width * scale - 1:
            text = f"{text[:-2]}…" if len(text) > 2 else ""
        paper.cell(width * scale, _ROW_MM, text)
    paper.ln(_ROW_MM)
    _rule(paper)


def _rule(paper: Any) -> None:
    paper.set_draw_color(*_RULE)
    paper.set_line_width(0.15)
    paper.line(paper.l_margin, paper.get_y(), paper.l_margin + paper.epw, paper.get_y())


def _how_many(paper: Any, plan: Plan, shown: UnitFormat) -> None:
    """Why this number, and what another would buy."""
    if paper.will_page_break(62):
        paper.add_page()
    paper.ln(5)
    _title(paper, say(shown, "plan.how-many" if plan.next is None else "plan.why-these"))
    paper.set_font(FONT, "", 8)
    paper.set_text_color(INK)
    paper.multi_cell(0, 4, on_one_line(size_text(plan, shown)), align="L", new_x="LMARGIN", new_y="NEXT")
    if plan.next is not None:
        return
    paper.ln(1)
    paper.set_text_color(QUIET)
    widths = {"samples": 40.0, "error": 60.0, "more": 60.0}
    for name, width in widths.items():
        paper.cell(width, 4.4, say(shown, f"plan.curve-{name}"))
    paper.ln(4.4)
    _rule(paper)
    paper.set_text_color(INK)
    for step in plan.curve:
        cells = (f"{step.samples}", f"{step.error_pct:.0f}", f"{step.ten_more_pct:.1f}")
        for cell, width in zip(cells, widths.values(), strict=True):
            paper.cell(width, 4.4, cell)
        paper.ln(4.4)
