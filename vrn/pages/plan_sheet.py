"""The field sheet of a sampling plan: a map, what to mind, and lines to write on, on Letter or A4."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

from vrn.model.area import geodesic_acres
from vrn.pages.plan_form import FormRow, form_rows
from vrn.pages.plan_map import draw_plan_map
from vrn.pages.report_paper_table import FONT, INK, QUIET, on_one_line
from vrn.sampling.plan import Plan
from vrn.units import FT_M, HA_AC
from vrn.words import UnitFormat

_RULE: Final = (170, 166, 155)
_ROW_MM: Final = 7.2  # high enough to write in with a glove on
_MAP_MM: Final = 152.0
_WALK_KM_H: Final = 4.0
_MINUTES_A_SAMPLE: Final = 4.0  # common practice, no source


def field_sheet(plan: Plan) -> bytes:
    """
    The sheet as PDF, the same bytes each time.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    pdf : bytes
    """
    paper = _paper(plan)
    paper.add_page()
    _head(paper, plan)
    draw_plan_map(paper, plan, height_mm=_MAP_MM)
    _list(paper, plan.cautions)
    if plan.places:
        paper.add_page()
        _title(paper, "Readings")
        _table(paper, plan)
    _how_many(paper, plan)
    return bytes(paper.output())


def _paper(plan: Plan) -> Any:
    import matplotlib as mpl
    from fpdf import FPDF

    words = on_one_line(f"{plan.field.name}, season {plan.settings.header.season}: sampling plan")

    class Sheet(FPDF):
        """Pages with the field's name at the foot of each."""

        def footer(self) -> None:
            self.set_y(-11)
            self.set_font(FONT, "", 7.5)
            self.set_text_color(*QUIET)
            self.cell(0, 5, words)
            self.set_x(self.l_margin)
            self.cell(0, 5, f"page {self.page_no()} of {{nb}}", align="R")

    paper = Sheet(format="A4" if plan.settings.units == "metric" else "Letter")
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
    paper.add_font(FONT, "", fonts / "DejaVuSerif.ttf")
    paper.add_font(FONT, "B", fonts / "DejaVuSerif-Bold.ttf")
    paper.set_creation_date(datetime(plan.settings.header.season, 1, 1, tzinfo=UTC))
    paper.set_title(words)
    paper.set_lang("en")
    paper.set_margins(14, 12, 14)
    paper.set_auto_page_break(True, margin=14)
    return paper


def _head(paper: Any, plan: Plan) -> None:
    paper.set_font(FONT, "B", 15)
    paper.set_text_color(*INK)
    paper.multi_cell(0, 7, on_one_line(plan.field.name)[:120], new_x="LMARGIN", new_y="NEXT")
    paper.set_font(FONT, "", 8.5)
    paper.set_text_color(*QUIET)
    for line in (plan_facts(plan), f"Second foot {plan.second_foot}."):
        paper.multi_cell(0, 4.3, on_one_line(line), new_x="LMARGIN", new_y="NEXT")
    paper.ln(1)


def plan_facts(plan: Plan) -> str:
    """One line: season, ground, samples, cores, the walk."""
    metric = plan.settings.units == "metric"
    acres = geodesic_acres(plan.field.treated, plan.field.crs)
    ground = _ground_words(acres, metric=metric)
    walk = f"{plan.walk_m / 1000:.1f} km" if metric else f"{plan.walk_m / FT_M / 5280:.1f} miles"
    stops = len(plan.places) if not plan.areas else len(plan.places) / plan.cores * 2
    hours = plan.walk_m / 1000 / _WALK_KM_H + stops * _MINUTES_A_SAMPLE / 60
    if not plan.places:
        return f"Season {plan.settings.header.season} · {ground} · no further samples"
    of = f"{len(plan.areas)} composites" if plan.areas else f"{plan.samples} samples"
    deep = f", {plan.deep_samples} of them at both depths" if plan.deep_samples else ""
    return (
        f"Season {plan.settings.header.season} · {ground} · {of} of {plan.cores} cores{deep} · a walk of {walk}, about "
        f"{hours:.1f} h"
    )


def _ground_words(acres: float, *, metric: bool) -> str:
    return f"{acres / HA_AC:.1f} ha" if metric else f"{acres:.1f} ac"


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


_COLUMNS: Final = (("sample", 22.0), ("depth", 20.0), ("latitude, longitude", 46.0), ("ppm NO3-N", 24.0),
                   ("time", 18.0), ("remarks", 58.0))  # fmt: skip


def _table(paper: Any, plan: Plan) -> None:
    """Lines to write on, in the order in which one reads."""
    metric = plan.settings.units == "metric"
    depths = ("0–30 cm", "30–60 cm") if metric else ("0–12 in", "12–24 in")
    shown = UnitFormat(metric=metric)
    notes = {place.name: shown.words(place.note) for place in plan.places} | {
        name: f"{plan.cores} cores, {_ground_words(geodesic_acres(area, plan.field.crs), metric=metric)}"
        for name, area in plan.areas.items()
    }
    scale = paper.epw / sum(width for _, width in _COLUMNS)
    _table_head(paper, scale)
    for row in form_rows(plan):
        if paper.will_page_break(_ROW_MM):
            paper.add_page()
            _table_head(paper, scale)
        _table_row(paper, _cells(row, depths, notes), scale)


def _table_head(paper: Any, scale: float) -> None:
    paper.set_font(FONT, "", 7.5)
    paper.set_text_color(*QUIET)
    for name, width in _COLUMNS:
        paper.cell(width * scale, 5, name)
    paper.ln(5)
    _rule(paper)


def _cells(row: FormRow, depths: tuple[str, str], notes: dict[str, str]) -> tuple[str, str, str, str]:
    """Sample, depth, place, remark."""
    if row.depth < 0:
        asked = "should read ______ ppm" if row.kind == "standard" else ""
        return row.name, "", "", asked
    where = "" if row.longitude is None else f"{row.latitude:.6f}, {row.longitude:.6f}"
    remark = "read twice" if row.kind == "duplicate" else notes.get(row.name, "") if row.depth == 0 else ""
    return row.name, depths[row.depth], where, remark


def _table_row(paper: Any, cells: tuple[str, str, str, str], scale: float) -> None:
    name, depth, where, remark = cells
    for words, (column, width) in zip((name, depth, where, "", "", remark), _COLUMNS, strict=True):
        paper.set_font(FONT, "B" if column == "sample" else "", 8.5 if column == "sample" else 7.5)
        paper.set_text_color(*(QUIET if column in ("latitude, longitude", "remarks") else INK))
        shown = on_one_line(words)
        while shown and paper.get_string_width(shown) > width * scale - 1:
            shown = f"{shown[:-2]}…" if len(shown) > 2 else ""
        paper.cell(width * scale, _ROW_MM, shown)
    paper.ln(_ROW_MM)
    _rule(paper)


def _rule(paper: Any) -> None:
    paper.set_draw_color(*_RULE)
    paper.set_line_width(0.15)
    paper.line(paper.l_margin, paper.get_y(), paper.l_margin + paper.epw, paper.get_y())


def _how_many(paper: Any, plan: Plan) -> None:
    """Why this number, and what another would buy."""
    if paper.will_page_break(62):
        paper.add_page()
    paper.ln(5)
    _title(paper, "Why these" if plan.design == "next" else "How many")
    paper.set_font(FONT, "", 8)
    paper.set_text_color(*INK)
    paper.multi_cell(0, 4, on_one_line(size_words(plan)), align="L", new_x="LMARGIN", new_y="NEXT")
    if plan.design == "next":
        return
    paper.ln(1)
    paper.set_text_color(*QUIET)
    widths = (40.0, 60.0, 60.0)
    for words, width in zip(("samples", "mean of the field, ± %", "ten more would take off"), widths, strict=True):
        paper.cell(width, 4.4, words)
    paper.ln(4.4)
    _rule(paper)
    paper.set_text_color(*INK)
    for step in plan.curve:
        cells = (f"{step.samples}", f"{step.error_pct:.0f}", f"{step.ten_more_pct:.1f}")
        for words, width in zip(cells, widths, strict=True):
            paper.cell(width, 4.4, words)
        paper.ln(4.4)


def size_words(plan: Plan) -> str:
    """Why this number of samples, or these readings, in a sentence or two."""
    if plan.design == "next":
        found = plan.details["next"]
        pounds = sum(reading["gain_lb"] for reading in found["readings"])
        who = "It is" if len(found["readings"]) == 1 else "Together they are"
        gain = f" {who} expected to move {pounds:.0f} lb N to where it is needed." if pounds else ""
        return UnitFormat(metric=plan.settings.units == "metric").words(
            f"{found['why']}{gain} {found['assumed']}".strip()
        )
    size, per = plan.size, "1.0 ha" if plan.settings.units == "metric" else "2.5 ac"
    sure = f"{size['confidence'] * 100:.0f} % sure"
    base = (
        f"For the mean of the field to within ± {size['error_pct']:g} %, {sure}, {size['needed']} samples are needed "
        f"at a variation of {size['cv_pct']:.0f} % ({size['cv_from']})."
    )
    if plan.areas:
        return f"{base} {len(plan.areas)} composites were planned, one for each area; a map has no pattern inside them."
    for_map = f"{size['for_map']} for a map, one for {per} (common practice)"
    chosen = "as asked" if size["given"] else for_map if size["for_map"] > size["needed"] else "for the mean"
    pairs = plan.details.get("pairs")
    close = f" {pairs} more stand close to others, to tell the error of a sample from the ground." if pairs else ""
    given = f"They give the mean to ± {size['error_of_mean_pct']:.0f} %."
    return f"{base} {size['samples']} were planned: {chosen}. {given}{close}"
