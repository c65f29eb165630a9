"""The field sheet of a sampling plan: a map, what to mind, and lines to write on, on Letter or A4."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from vrn.files.plan_form import FormRow, depth_texts, form_rows
from vrn.files.plan_words import caution_texts, place_note, plan_facts, second_foot_text, size_text
from vrn.findings import Quantity
from vrn.model.area import geodesic_acres
from vrn.pages.plan_map import draw_plan_map
from vrn.pages.report_paper_table import FONT, INK, QUIET, on_one_line
from vrn.sampling.plan import Plan
from vrn.words import UnitFormat, say

_RULE: Final = (170, 166, 155)
_ROW_MM: Final = 7.2  # high enough to write in with a glove on
_MAP_MM: Final = 152.0
_PPM: Final = Quantity("concentration", None)


def field_sheet(plan: Plan) -> bytes:
    """The sheet as PDF, the same bytes each time."""
    shown = UnitFormat(metric=plan.settings.units == "metric")
    paper = _paper(plan, shown)
    paper.add_page()
    _head(paper, plan, shown)
    draw_plan_map(paper, plan, height_mm=_MAP_MM)
    _list(paper, caution_texts(plan, shown))
    if plan.places:
        paper.add_page()
        _title(paper, say(shown, "plan.readings"))
        _table(paper, plan, shown)
    _how_many(paper, plan, shown)
    return bytes(paper.output())


def _paper(plan: Plan, shown: UnitFormat) -> Any:
    import matplotlib as mpl
    from fpdf import FPDF

    title = on_one_line(say(shown, "plan.of-season", name=plan.field.name, season=str(plan.settings.header.season)))

    class Sheet(FPDF):
        """Pages with the field's name at the foot of each."""

        def footer(self) -> None:
            self.set_y(-11)
            self.set_font(FONT, "", 7.5)
            self.set_text_color(*QUIET)
            self.cell(0, 5, title)
            self.set_x(self.l_margin)
            self.cell(0, 5, say(shown, "plan.page", page=self.page_no(), pages="{nb}"), align="R")

    paper = Sheet(format="A4" if shown.metric else "Letter")
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    paper.add_font(FONT, "", fonts / "DejaVuSerif.ttf")
    paper.add_font(FONT, "B", fonts / "DejaVuSerif-Bold.ttf")
    paper.set_creation_date(datetime(plan.settings.header.season, 1, 1, tzinfo=UTC))
    paper.set_title(title)
    paper.set_lang("en")
    paper.set_margins(14, 12, 14)
    paper.set_auto_page_break(True, margin=14)
    return paper


def _head(paper: Any, plan: Plan, shown: UnitFormat) -> None:
    paper.set_font(FONT, "B", 15)
    paper.set_text_color(*INK)
    paper.multi_cell(0, 7, on_one_line(plan.field.name)[:120], new_x="LMARGIN", new_y="NEXT")
    paper.set_font(FONT, "", 8.5)
    paper.set_text_color(*QUIET)
    for line in (plan_facts(plan, shown), second_foot_text(plan, shown)):
        paper.multi_cell(0, 4.3, on_one_line(line), new_x="LMARGIN", new_y="NEXT")
    paper.ln(1)


def _title(paper: Any, words: str) -> None:
    paper.set_font(FONT, "B", 10.5)
    paper.set_text_color(*INK)
    paper.cell(0, 6, words, new_x="LMARGIN", new_y="NEXT")


def _list(paper: Any, items: tuple[str, ...]) -> None:
    for item in items:
        paper.set_font(FONT, "", 8)
        paper.set_text_color(*INK)
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
    scale = paper.epw / sum(_COLUMNS.values())
    _table_head(paper, scale, shown)
    for row in form_rows(plan):
        if paper.will_page_break(_ROW_MM):
            paper.add_page()
            _table_head(paper, scale, shown)
        _table_row(paper, _cells(row, depth_texts(plan), notes, shown), scale)


def _table_head(paper: Any, scale: float, shown: UnitFormat) -> None:
    paper.set_font(FONT, "", 7.5)
    paper.set_text_color(*QUIET)
    for name, width in _COLUMNS.items():
        paper.cell(width * scale, 5, say(shown, f"plan.column-{name}", ppm=_PPM))
    paper.ln(5)
    _rule(paper)


def _cells(
    row: FormRow, depths: tuple[str, str], notes: dict[str, str], shown: UnitFormat
) -> tuple[str, str, str, str]:
    """Sample, depth, place, remark."""
    if row.depth < 0:
        asked = say(shown, "plan.standard-remark", ppm=_PPM) if row.kind == "standard" else ""
        return row.name, "", "", asked
    where = "" if row.longitude is None else f"{row.latitude:.6f}, {row.longitude:.6f}"
    remark = notes.get(row.name, "") if row.depth == 0 else ""
    if row.kind == "duplicate":
        remark = say(shown, "plan.read-twice")
    return row.name, depths[row.depth], where, remark


def _table_row(paper: Any, cells: tuple[str, str, str, str], scale: float) -> None:
    name, depth, where, remark = cells
    for words, (column, width) in zip((name, depth, where, "", "", remark), _COLUMNS.items(), strict=True):
        paper.set_font(FONT, "B" if column == "sample" else "", 8.5 if column == "sample" else 7.5)
        paper.set_text_color(*(QUIET if column in ("place", "remarks") else INK))
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
    paper.set_text_color(*INK)
    paper.multi_cell(0, 4, on_one_line(size_text(plan, shown)), align="L", new_x="LMARGIN", new_y="NEXT")
    if plan.next is not None:
        return
    paper.ln(1)
    paper.set_text_color(*QUIET)
    widths = {"samples": 40.0, "error": 60.0, "more": 60.0}
    for name, width in widths.items():
        paper.cell(width, 4.4, say(shown, f"plan.curve-{name}"))
    paper.ln(4.4)
    _rule(paper)
    paper.set_text_color(*INK)
    for step in plan.curve:
        cells = (f"{step.samples}", f"{step.error_pct:.0f}", f"{step.ten_more_pct:.1f}")
        for cell, width in zip(cells, widths.values(), strict=True):
            paper.cell(width, 4.4, cell)
        paper.ln(4.4)
