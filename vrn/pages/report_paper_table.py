"""Text and tables on paper, set line by line: many times faster than a general layout, which tries all it may do."""

from datetime import datetime
from pathlib import Path
from typing import Any, Final

from vrn.pages.report_parts import Table
from vrn.words import UnitFormat, say

FONT: Final = "serif"
INK: Final = (27, 27, 24)
QUIET: Final = (85, 83, 76)
_RULE: Final = (190, 186, 175)
_SHORT: Final = 8  # rows; longer narrow tables are set in two columns
_GAP_MM: Final = 2.4  # between columns
_LEAST_WORDS: Final = 0.5  # share of their width that columns of words keep
_PT_MM: Final = 25.4 / 72


def on_one_line(text: str) -> str:
    """Text on one line without control characters, which no font holds."""
    return " ".join("".join(letter if letter.isprintable() else " " for letter in text).split())


def new_paper(
    title: str, foot: str, shown: UnitFormat, stamp: datetime, margins_mm: tuple[float, float, float] = (16, 14, 16)
) -> Any:
    """Letter or A4 as fpdf sets it, the same bytes each time; the foot and the number stand under each page."""
    import matplotlib as mpl
    from fpdf import FPDF

    class Paper(FPDF):
        """Pages with their foot."""

        def footer(self) -> None:
            self.set_y(-12)
            self.set_font(FONT, "", 8)
            self.set_text_color(*QUIET)
            self.cell(0, 5, on_one_line(foot))
            self.set_x(self.l_margin)
            self.cell(0, 5, say(shown, "report.page", page=str(self.page_no())) + " {nb}", align="R")

    paper = Paper(format="A4" if shown.metric else "Letter")
    fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"  # so that the paper looks the same on every machine
    for style, name in (("", "DejaVuSerif"), ("B", "DejaVuSerif-Bold")):
        paper.add_font(FONT, style, fonts / f"{name}.ttf")
    paper.set_creation_date(stamp)
    paper.set_title(on_one_line(title))
    paper.set_lang("en")
    paper.set_margins(*margins_mm)
    paper.set_auto_page_break(True, margin=margins_mm[0])
    return paper


def draw_table(paper: Any, table: Table, *, size: float) -> None:
    """Set a table from the current height on, over as many pages as it takes, its header again on each."""
    folded = _folded(table)
    columns = _columns(paper, folded, size)
    header = _wrapped(paper, folded.header, columns, size, strong=False)
    _row(paper, header, columns, size, color=QUIET, strong=False)
    last = len(folded.rows) - 1
    for number, row in enumerate(folded.rows):
        strong = folded.strong_last and number == last
        lines = _wrapped(paper, row, columns, size, strong=strong)
        if paper.will_page_break(_height(lines, size)):
            paper.add_page()
            _row(paper, header, columns, size, color=QUIET, strong=False)
        _row(paper, lines, columns, size, color=INK, strong=strong)
    paper.ln(2)


def begin_table(paper: Any, table: Table, *, size: float, above: float) -> None:
    """Go to the next page where a table's header, its first rows, and what stands ``above`` [mm], do not fit."""
    folded = _folded(table)
    columns = _columns(paper, folded, size)
    rows = [folded.header, *folded.rows[:2]]
    needed = above + sum(_height(_wrapped(paper, row, columns, size, strong=False), size) for row in rows)
    if paper.will_page_break(min(needed, 0.5 * paper.eph)):
        paper.add_page()


def draw_text(paper: Any, text: str, *, step: float, width: float = 0.0) -> None:
    """Set a text flush left, up to the right margin or a width [mm], and go below it to the left margin."""
    left = paper.get_x() + paper.c_margin
    room = (width or paper.w - paper.r_margin - paper.get_x()) - 2 * paper.c_margin
    for line in _lines(paper, on_one_line(text), room):
        if paper.will_page_break(step):
            paper.add_page()
        if line:
            paper.text(left, paper.get_y() + 0.5 * step + 0.3 * paper.font_size, line)
        paper.set_y(paper.get_y() + step)


def _folded(table: Table) -> Table:
    """A long narrow table with its second half beside its first."""
    if not table.narrow or len(table.rows) <= 2 * _SHORT:
        return table
    half, width = -(-len(table.rows) // 2), len(table.header)
    filled = (*table.rows, *[("",) * width] * (2 * half - len(table.rows)))
    return Table(
        caption=table.caption, header=(*table.header, "", *table.header),
        rows=tuple((*filled[i], "", *filled[i + half]) for i in range(half)),
        numbers=(*table.numbers, *(width + 1 + number for number in table.numbers)),
        widths=(*table.widths, 4, *table.widths) if table.widths else (),
    )  # fmt: skip


def _columns(paper: Any, table: Table, size: float) -> list[tuple[float, float, bool]]:
    """Left edge, width and whether flush right, of each column; no number is broken while words can give way. [mm]"""
    shares = table.widths or (1.0,) * len(table.header)
    widths = [share * paper.epw / sum(shares) for share in shares]
    paper.set_font(FONT, "B", size)
    for number in table.numbers:
        longest = max((row[number] for row in table.rows), key=len, default="")
        widths[number] = max(widths[number], paper.get_string_width(longest) + _GAP_MM)
    words = [number for number in range(len(widths)) if number not in table.numbers]
    spare, wanted = sum(widths[number] for number in words), sum(widths) - paper.epw
    if wanted > 0:
        narrowed = max(spare - wanted, _LEAST_WORDS * spare) / spare if spare else 1.0
        widths = [width * (narrowed if number in words else 1.0) for number, width in enumerate(widths)]
        widths = [width * min(1.0, paper.epw / sum(widths)) for width in widths]
    columns, left = [], paper.l_margin
    for number, width in enumerate(widths):
        columns.append((left, width, number in table.numbers))
        left += width
    return columns


def _wrapped(
    paper: Any, cells: tuple[str, ...], columns: list[tuple[float, float, bool]], size: float, *, strong: bool
) -> list[list[str]]:
    """Lines of each cell, broken between words, and within a word that is wider than its column."""
    paper.set_font(FONT, "B" if strong else "", size)
    return [
        _lines(paper, on_one_line(cell), width - _GAP_MM) for cell, (_, width, _) in zip(cells, columns, strict=True)
    ]


def _lines(paper: Any, text: str, room: float) -> list[str]:
    if paper.get_string_width(text) <= room:
        return [text]
    space, lines, line, length = paper.get_string_width(" "), [], "", 0.0
    for word in text.split(" "):
        wide = paper.get_string_width(word)
        if line and length + space + wide <= room:
            line, length = f"{line} {word}", length + space + wide
            continue
        if line:
            lines.append(line)
        while wide > room and len(word) > 1:
            fits = next(n for n in range(len(word), 0, -1) if n == 1 or paper.get_string_width(word[:n]) <= room)
            lines.append(word[:fits])
            word = word[fits:]
            wide = paper.get_string_width(word)
        line, length = word, wide
    return [*lines, line]


def _height(lines: list[list[str]], size: float) -> float:
    return max(len(cell) for cell in lines) * size * _PT_MM * 1.22 + 0.9


def _row(
    paper: Any, lines: list[list[str]], columns: list[tuple[float, float, bool]], size: float, *,
    color: tuple[int, int, int], strong: bool,
) -> None:  # fmt: skip
    """One row with a thin rule under it."""
    paper.set_font(FONT, "B" if strong else "", size)
    paper.set_text_color(*color)
    step, top, height = size * _PT_MM * 1.22, paper.get_y(), _height(lines, size)
    for cell, (left, width, right) in zip(lines, columns, strict=True):
        for number, line in enumerate(cell):
            if not line:
                continue
            x = left + width - _GAP_MM - paper.get_string_width(line) if right else left
            paper.text(x, top + (number + 0.86) * step, line)
    paper.set_draw_color(*_RULE)
    paper.set_line_width(0.15)
    paper.line(paper.l_margin, top + height - 0.2, paper.l_margin + paper.epw, top + height - 0.2)
    paper.set_y(top + height)
