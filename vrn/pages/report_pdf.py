"""``report.pdf``: the report's content set on A4 or Letter paper, the same bytes each time."""

import io
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from vrn.pages.report_paper_table import FONT, INK, QUIET, begin_table, draw_table, draw_text, on_one_line
from vrn.pages.report_parts import Bullets, Lines, Part, Picture, Report, Table, Text
from vrn.prescription.model import Prescription

_STOP = (140, 29, 24)
# of the grower's sheet: the map's most height [mm], which it gives up row by row where the table has more than so many
_TALLEST, _ROW, _ROWS_BESIDE = 84.0, 3.7, 6


def report_pdf(report: Report, prescription: Prescription) -> bytes:
    """
    The report on paper.

    Parameters
    ----------
    report : Report
    prescription : Prescription
        For its dates and its units: Letter where trade units are shown, A4 where metric ones are.

    Returns
    -------
    pdf : bytes
        Letters outside the font's are shown as boxes, never as markup.
    """
    settings = prescription.field.settings
    paper = _paper(report, "A4" if settings.units == "metric" else "Letter", _stamp(prescription))
    paper.add_page()
    _head(paper, report)
    rows = sum(len(piece.rows) for part in report.grower for piece in part.pieces if isinstance(piece, Table))
    tall = max(_TALLEST - _ROW * max(0, rows - _ROWS_BESIDE), _TALLEST / 2)
    for part in report.grower:
        _part(paper, part, tight=True, tall=tall)
    if report.file:
        paper.add_page()
    for part in report.file:
        _part(paper, part, tight=False, tall=190.0)
    return bytes(paper.output())


def _stamp(prescription: Prescription) -> datetime:
    """A date from the field file: signed, applied, sampled, or the season's first day."""
    settings = prescription.field.settings
    pulled = [on for on in prescription.field.samples.sampled_on if on is not None]
    day = settings.review.approved_on or settings.crop.application_date or max(pulled, default=None)
    if day is None:
        return datetime(settings.header.season, 1, 1, tzinfo=UTC)
    return datetime(day.year, day.month, day.day, tzinfo=UTC)


def _paper(report: Report, size: str, stamp: datetime) -> Any:
    from fpdf import FPDF

    class Paper(FPDF):
        """Pages with the field's name and DRAFT at the foot of each."""

        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(FONT, "", 8)
            self.set_text_color(*QUIET)
            state = "" if report.approved else "   DRAFT"
            self.cell(0, 5, on_one_line(f"{report.field}, season {report.season}{state}"))
            self.set_x(self.l_margin)
            self.cell(0, 5, f"page {self.page_no()} of {{nb}}", align="R")

    paper = Paper(format=size)
    for style, name in (("", "DejaVuSerif"), ("B", "DejaVuSerif-Bold")):
        paper.add_font(FONT, style, _font_file(name))
    paper.set_creation_date(stamp)
    paper.set_title(f"{report.field}, season {report.season}: nitrogen report")
    paper.set_lang("en")
    paper.set_margins(16, 14, 16)
    paper.set_auto_page_break(True, margin=16)
    return paper


def _font_file(name: str) -> Path:
    """A font that matplotlib carries, so that the paper looks the same on every machine."""
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf" / f"{name}.ttf"


def _head(paper: Any, report: Report) -> None:
    paper.set_font(FONT, "B", 17)
    paper.set_text_color(*INK)
    draw_text(paper, on_one_line(report.field)[:160], step=8)
    paper.set_font(FONT, "", 9)
    paper.set_text_color(*QUIET)
    draw_text(paper, " · ".join(report.facts), step=4.6)
    paper.set_text_color(*(QUIET if report.approved else _STOP))
    draw_text(paper, report.state, step=4.6)


def _part(paper: Any, part: Part, *, tight: bool, tall: float) -> None:
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
            _piece(paper, piece, tight=tight)


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


def _piece(paper: Any, piece: Any, *, tight: bool) -> None:
    size = 8.5 if tight else 9
    if isinstance(piece, Text):
        _write(paper, piece.text, size=size - 1 if piece.small else size)
    elif isinstance(piece, Bullets):
        for item in piece.items:
            _write(paper, f"–  {item}", size=size - 0.5)
    elif isinstance(piece, Table):
        letters = 7.5 if tight else 7
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
