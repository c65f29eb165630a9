"""The job ticket on paper: the cab's page with the map and every number to set, and a page to read and to fill in."""

from datetime import UTC, datetime, time
from typing import Any, Final

import numpy as np
import shapely

from vrn.files.lonlat import dated
from vrn.files.names import one_line, status
from vrn.files.statement import SHORT
from vrn.pages.field_drawing import INK, FieldDrawing, Look, on_paper
from vrn.pages.field_maps import rate_drawing, zone_labels
from vrn.pages.load_sheet import flow_table, ticket_lines
from vrn.pages.report_file import finding_items
from vrn.pages.report_paper_table import FONT, draw_table, draw_text, new_paper, on_one_line
from vrn.prescription.model import Prescription
from vrn.prescription.work import WorkPlan, work_plan
from vrn.words import UnitFormat, say

_MARGINS_MM: Final = (11.0, 10.0, 11.0)
_GAP_MM: Final = 4.0
_MAP_MM: Final = 92.0  # at most, high
_ROOMY: Final = 16  # rows of zones and loads that fit at full size
_MOST_LOADS: Final = 14  # in the cab; the text has them all
_HEAD_SHARE: Final = 0.06  # of the field's longer side: the arrow's head
_RULE: Final = (170, 166, 155)


def job_ticket(prescription: Prescription) -> bytes:
    """The ticket as PDF, the same bytes each time: the cab's page, then what to read before and to fill in after."""
    shown = UnitFormat.of(prescription.field.settings.units)
    field, season = prescription.field, str(prescription.field.settings.header.season)
    title = say(shown, "sheet.field", field=one_line(field.name, most=60), season=season)
    foot = f"{title}   {prescription.id[:SHORT]}   {status(prescription)}"
    stamp = datetime.combine(dated(prescription), time(), tzinfo=UTC)
    paper = new_paper(title, foot, shown, stamp, _MARGINS_MM)
    work = work_plan(prescription)
    rows = len(prescription.rates) + min(len(work.loads), _MOST_LOADS) if work else len(prescription.rates)
    size = 8.0 if rows <= _ROOMY else 6.5
    paper.add_page()
    _cab(paper, prescription, work, shown, title, size)
    paper.add_page()
    _office(paper, prescription, shown)
    return bytes(paper.output())


def _cab(
    paper: Any, prescription: Prescription, work: WorkPlan | None, shown: UnitFormat, title: str, size: float
) -> None:
    """What the cab needs, on one page: left what to pick and set, right the map, below the numbers."""
    paper.set_font(FONT, "B", 14)
    paper.set_text_color(INK)
    draw_text(paper, f"{say(shown, 'sheet.title')}: {title}", step=6.5)
    paper.set_font(FONT, "B", 9)
    facts = [status(prescription), say(shown, "review.id", id=prescription.id[:SHORT]) if prescription.id else ""]
    operator = prescription.field.settings.this_pass.operator
    facts += [say(shown, "sheet.operator", name=one_line(operator, most=60))] if operator else []
    draw_text(paper, "   ".join(fact for fact in facts if fact), step=4.6)
    top, left, wide = paper.get_y() + 1, paper.l_margin, (paper.epw - _GAP_MM) / 2
    below = _sketch(paper, prescription, work, shown, (left + wide + _GAP_MM, top, wide))
    paper.set_xy(left, top)
    lines = ticket_lines(prescription, work, shown)
    lines["shapefile"] = lines["shapefile"][1:2]
    for name in ("product", "iso", "shapefile", "setup", "stop"):
        _listed(paper, say(shown, f"sheet.{name}"), lines[name], size, width=wide)
    paper.set_y(max(below, paper.get_y()) + 1)
    table = flow_table(prescription, shown)
    if table is not None:
        _heading(paper, table.caption)
        draw_table(paper, table, size=size)
        _listed(paper, "", lines["flows"], size)
    loads = lines["work"]
    if len(loads) > _MOST_LOADS:
        loads = [*loads[: _MOST_LOADS - 1], "…", loads[-1]]
    _listed(paper, say(shown, "sheet.work"), loads, size)
    _listed(paper, say(shown, "sheet.emergency"), lines["emergency"], size + 0.5, strong=True)


def _sketch(
    paper: Any, prescription: Prescription, work: WorkPlan | None, shown: UnitFormat, box: tuple[float, float, float]
) -> float:
    """The map in a box (left, top, width) [mm]; the height [mm] at which it and its key end."""
    left, top, wide = box
    drawing = _drawing(prescription, work, shown)
    high = min(wide * drawing.aspect, _MAP_MM)
    paper.set_font(FONT, "", 8)
    on_paper(paper, drawing, (left, top, wide, high))
    paper.set_font(FONT, "", 6.5)
    paper.set_xy(left, top + high + 6.5)
    draw_text(paper, say(shown, "sheet.map"), step=3.2, width=wide)
    return float(paper.get_y())


def _drawing(prescription: Prescription, work: WorkPlan | None, shown: UnitFormat) -> FieldDrawing:
    """Zones with their rates, no-apply ground, the first pass with its head, and where each load runs out."""
    zones = rate_drawing(prescription, shown)
    if work is None:
        return zones
    begin, end = (np.array(place) for place in work.first_pass_m)
    west, south, east, north = zones.bounds_m
    way = (end - begin) / max(float(np.hypot(*(end - begin))), 1e-9)
    barb = _HEAD_SHARE * max(east - west, north - south)
    sides = [end - barb * (way + turn * 0.5 * way[::-1] * np.array([1.0, -1.0])) for turn in (1, -1)]
    arrow = shapely.MultiLineString([[begin, end], [sides[0], end, sides[1]]])
    ends = [load.at_m for load in work.loads]
    rates = [(place, text) for _, place, text in zone_labels(prescription, shown, of_product=True)]
    return FieldDrawing(
        bounds_m=zones.bounds_m, metric=zones.metric,
        shapes=(*zones.shapes[:-1], (arrow, Look(line=INK, width_pt=1.6)),
                (shapely.MultiPoint(ends), Look(fill=INK, radius_pt=2.2))),
        labels=(*((shapely.Point(load.at_m), f"L{load.number}") for load in work.loads), *rates),
    )  # fmt: skip


def _office(paper: Any, prescription: Prescription, shown: UnitFormat) -> None:
    """What to read before the first pass, what a person must decide, and lines for the record."""
    _listed(paper, say(shown, "sheet.start"), ticket_lines(prescription, None, shown)["start"], 8.0, box=True)
    decide = finding_items(prescription.findings, "warning", shown)
    if decide:
        _listed(paper, say(shown, "sheet.decide"), list(decide[:8]), 7.5)
    _heading(paper, say(shown, "sheet.record"))
    paper.set_font(FONT, "", 8)
    paper.set_draw_color(*_RULE)
    for name in ("date", "wind", "meter", "changes", "operator"):
        draw_text(paper, say(shown, f"sheet.record-{name}"), step=4)
        paper.ln(6)
        paper.line(paper.l_margin, paper.get_y(), paper.l_margin + paper.epw, paper.get_y())
        paper.ln(1)


def _heading(paper: Any, words: str) -> None:
    paper.set_font(FONT, "B", 9)
    paper.set_text_color(INK)
    draw_text(paper, words, step=4.8)


def _listed(
    paper: Any, title: str, lines: list[str], size: float, *, width: float = 0.0, strong: bool = False,
    box: bool = False,
) -> None:  # fmt: skip
    """A heading and its lines, in a column or over the page, with boxes to tick where asked for."""
    if not lines:
        return
    if title:
        _heading(paper, title)
    step, indent = size * 0.47, 5.0 if box else 0.0
    for line in lines:
        paper.set_font(FONT, "B" if strong else "", size)
        if box:
            paper.set_draw_color(*_RULE)
            paper.rect(paper.l_margin + 1, paper.get_y() + 0.4, 2.6, 2.6)
        paper.set_x(paper.l_margin + indent)
        draw_text(paper, on_one_line(line), step=step, width=width)
        paper.ln(0.6 if box else 0)
    paper.ln(1.2)
