"""The report as a web page and on paper, and the job ticket on paper: set together, in a second process."""

import base64
import io
from datetime import UTC, datetime, time
from importlib import import_module
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from markupsafe import Markup

from vrn.files.lonlat import dated
from vrn.files.names import one_line, status
from vrn.model.season import SHORT
from vrn.pages.field_drawing import INK as LINES
from vrn.pages.field_drawing import FieldDrawing, Look, on_paper
from vrn.pages.field_maps import rate_drawing, zone_labels
from vrn.pages.load_sheet import flow_table, loads_known, ticket_lines
from vrn.pages.page_parts import page_asset, templates
from vrn.pages.report_file import file_parts, finding_items
from vrn.pages.report_grower import facts, grower_page, preparer, state_text
from vrn.pages.report_paper_table import FONT, INK, QUIET, begin_table, draw_table, draw_text, new_paper, on_one_line
from vrn.pages.report_parts import Bullets, Lines, Part, Picture, Report, Table, Text
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
    paper.set_text_color(LINES)
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
    loads = work.loads if loads_known(prescription) else ()
    ends = [load.at_m for load in loads]
    rates = [(place, text) for _, place, text in zone_labels(prescription, shown, of_product=True)]
    return FieldDrawing(
        bounds_m=zones.bounds_m, metric=zones.metric,
        shapes=(*zones.shapes[:-1], (arrow, Look(line=LINES, width_pt=1.6)),
                (shapely.MultiPoint(ends), Look(fill=LINES, radius_pt=2.2))),
        labels=(*((shapely.Point(load.at_m), f"L{load.number}") for load in loads), *rates),
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
    paper.set_text_color(LINES)
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


_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
_STOP = (140, 29, 24)
# the grower's sheet: the map's height [mm] and the text's size [pt], smaller until all of it fits one page
_SHEETS: Final = ((84.0, 8.5), (70.0, 8.5), (56.0, 8.5), (56.0, 7.5), (42.0, 7.0), (34.0, 6.0))


def write_reports(
    prescription: Prescription, html_path: Path, pdf_path: Path, ticket_path: Path, *,
    made: tuple[bytes, bytes, bytes] | None = None,
) -> None:  # fmt: skip
    """Write the report as a page and as paper, and the job ticket: as another process ``made`` them, else set here."""
    for path, content in zip((html_path, pdf_path, ticket_path), made or reports_of(prescription), strict=True):
        path.write_bytes(content)


def reports_of(prescription: Prescription) -> tuple[bytes, bytes, bytes]:
    """Set the report as a page and as paper, from the same content, and the job ticket."""
    report = report_of(prescription)
    return html_of(report).encode(), report_pdf(report, prescription), job_ticket(prescription)


def load_libraries() -> None:
    """Load what `reports_of` needs, ahead of its first prescription."""
    for name in ("matplotlib.backends.backend_agg", "matplotlib.figure", "PIL.Image", "fpdf"):
        import_module(name)


def report_of(prescription: Prescription) -> Report:
    """Content of the report, before it is set as a page or on paper."""
    header, signed = prescription.field.settings.header, prescription.approved
    shown = UnitFormat.of(prescription.field.settings.units)
    draft, name = "" if signed else "-draft", {"field": header.name, "season": str(header.season)}
    return Report(
        title=say(shown, f"report.title{draft}", **name), heading=header.name,
        foot=say(shown, f"report.foot{draft}", **name), facts=tuple(facts(prescription, shown)),
        draft="" if signed else say(shown, "report.draft"), state=state_text(prescription, shown),
        **preparer(prescription, shown), grower=grower_page(prescription, shown), file=file_parts(prescription, shown),
    )  # fmt: skip


def html_of(report: Report) -> str:
    """A report as a page in one file; nothing is asked of the network."""
    return templates().get_template("report.html").render(
        policy=_POLICY, css=Markup(page_asset("report.css")), report=report, kind=lambda piece: type(piece).__name__,
        picture=_data_uri,
    )  # fmt: skip


def _data_uri(picture: Picture) -> Markup:
    return Markup("data:image/png;base64,") + base64.b64encode(picture.png).decode("ascii")


def report_pdf(report: Report, prescription: Prescription) -> bytes:
    """The report on paper: Letter where trade units are shown, A4 where metric ones are; dates from the field file."""
    settings = prescription.field.settings
    shown = UnitFormat.of(settings.units)
    stamp = _stamp(prescription)
    paper = _grower_sheet(report, shown, stamp, *_SHEETS[0])
    for look in _SHEETS[1:]:
        if paper.page == 1:
            break
        for font in paper.fonts.values():
            font.close()
        paper = _grower_sheet(report, shown, stamp, *look)
    if report.file:
        paper.add_page()
    for part in report.file:
        _part(paper, part, tight=False, tall=190.0, size=9.0)
    return bytes(paper.output())


def _grower_sheet(report: Report, shown: UnitFormat, stamp: datetime, tall: float, size: float) -> Any:
    """Paper with the grower's part, its map so high [mm] and its letters so large [pt]."""
    paper = new_paper(report.title, report.foot, shown, stamp)
    paper.add_page()
    _head(paper, report)
    for part in report.grower:
        _part(paper, part, tight=True, tall=tall, size=size)
    return paper


def _stamp(prescription: Prescription) -> datetime:
    """A date from the field file: signed, applied, sampled, or the season's first day."""
    settings = prescription.field.settings
    pulled = [on for on in prescription.field.samples.sampled_on if on is not None]
    day = settings.review.approved_on or settings.crop.application_date or max(pulled, default=None)
    if day is None:
        return datetime(settings.header.season, 1, 1, tzinfo=UTC)
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _head(paper: Any, report: Report) -> None:
    if report.logo:
        mark = io.BytesIO(base64.b64decode(report.logo.partition(",")[2]))
        wide = 40.0
        paper.image(mark, x=paper.w - paper.r_margin - wide, y=paper.get_y(), w=wide, h=13.0, keep_aspect_ratio=True)
    paper.set_font(FONT, "B", 17)
    paper.set_text_color(*INK)
    draw_text(paper, on_one_line(report.heading)[:160], step=8)
    paper.set_font(FONT, "", 9)
    paper.set_text_color(*QUIET)
    draw_text(paper, "\n".join(filter(None, (report.prepared, " · ".join(report.facts)))), step=4.6)
    paper.set_text_color(*(_STOP if report.draft else QUIET))
    draw_text(paper, report.state, step=4.6)


def _part(paper: Any, part: Part, *, tight: bool, tall: float, size: float) -> None:
    if paper.will_page_break(14 + _least_height(paper, part.pieces[0])):
        paper.add_page()
    paper.ln(2 if tight else 4)
    paper.set_draw_color(*INK)
    paper.set_line_width(0.4)
    paper.line(paper.l_margin, paper.get_y(), paper.w - paper.r_margin, paper.get_y())
    paper.ln(1)
    paper.set_font(FONT, "B", 10.5)
    paper.set_text_color(*INK)
    paper.cell(0, 5.5, on_one_line(part.title), new_x="LMARGIN", new_y="NEXT")
    pieces = list(part.pieces)
    while pieces:
        piece = pieces.pop(0)
        beside = pieces[0] if pieces else None
        if isinstance(piece, Picture) and isinstance(beside, Picture) and piece.width == beside.width == 0.5:
            _pictures(paper, (piece, beside), tall=tall)
            pieces.pop(0)
        elif isinstance(piece, Picture):
            _pictures(paper, (piece,), tall=tall)
        else:
            _piece(paper, piece, size=size, letters=size - 1 if tight else 7.0)


def _least_height(paper: Any, piece: Any) -> float:
    """Room a heading's first piece needs under it, so that no heading stands alone. [mm]"""
    if not isinstance(piece, Picture):
        return 12.0
    return float(min(_height(piece, paper.epw * min(piece.width, 1.0)), 190.0)) + 8.0


def _height(picture: Picture, width: float) -> float:
    """Height of a picture at a width. [mm]"""
    from PIL import Image

    with Image.open(io.BytesIO(picture.png)) as image:
        return width * image.height / image.width


def _piece(paper: Any, piece: Any, *, size: float, letters: float) -> None:
    if isinstance(piece, Text):
        _write(paper, piece.text, size=size - 1 if piece.small else size)
    elif isinstance(piece, Bullets):
        for item in piece.items:
            _write(paper, f"–  {item}", size=size - 0.5)
    elif isinstance(piece, Table):
        begin_table(paper, piece, size=letters, above=5)
        _write(paper, piece.caption, size=7, quiet=True)
        draw_table(paper, piece, size=letters)
    elif isinstance(piece, Lines):
        _lines(paper, piece)


def _write(paper: Any, text: str, *, size: float, quiet: bool = False) -> None:
    paper.set_font(FONT, "", size)
    paper.set_text_color(*(QUIET if quiet else INK))
    draw_text(paper, text, step=size * 0.5)
    paper.ln(0.8)


def _pictures(paper: Any, pictures: tuple[Picture, ...], *, tall: float) -> None:
    """One picture, or two half as wide side by side, with their captions under them."""
    whole = paper.epw
    widths = [whole * min(picture.width, 1.0) - (2 if len(pictures) > 1 else 0) for picture in pictures]
    heights = [_height(picture, width) for picture, width in zip(pictures, widths, strict=True)]
    shrink = [min(1.0, tall / height) for height in heights]
    height = max(h * s for h, s in zip(heights, shrink, strict=True))
    if paper.will_page_break(height + 12):
        paper.add_page()
    top, left, bottom = paper.get_y() + 1, paper.l_margin, 0.0
    for picture, width, scale in zip(pictures, widths, shrink, strict=True):
        inset = (width - width * scale) / 2
        paper.image(io.BytesIO(picture.png), x=left + inset, y=top, w=width * scale, alt_text=on_one_line(picture.alt))
        paper.set_xy(left, top + height + 0.5)
        paper.set_font(FONT, "", 7)
        paper.set_text_color(*QUIET)
        draw_text(paper, picture.caption, step=3.4, width=width)
        bottom = max(bottom, paper.get_y())
        left += width + 4
    paper.set_xy(paper.l_margin, bottom + 1)


def _lines(paper: Any, lines: Lines) -> None:
    """Lines to write on, in pairs: a wide one and a narrow one."""
    if paper.will_page_break(16 * ((len(lines.labels) + 1) // 2)):
        paper.add_page()
    paper.set_draw_color(*INK)
    for number, label in enumerate(lines.labels):
        wide = number % 2 == 0
        if wide:
            paper.ln(11)
        left = paper.l_margin if wide else paper.l_margin + paper.epw * 0.68
        right = paper.l_margin + paper.epw * (0.62 if wide else 1.0)
        y = paper.get_y()
        paper.line(left, y, right, y)
        paper.set_xy(left, y + 0.5)
        paper.set_font(FONT, "", 7.5)
        paper.set_text_color(*QUIET)
        paper.cell(60, 4, on_one_line(label))
        paper.set_y(y)
    paper.ln(8)
