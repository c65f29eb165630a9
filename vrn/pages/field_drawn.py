"""A field's drawing put on a figure, into a web page, onto paper."""

from html import escape
from typing import TYPE_CHECKING, Any, Final

from vrn.pages.field_drawing import INK, LABEL_PT, PAPER, SMALL_PT, FieldDrawing, Floats, Frame, Look, Placed

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_IN, _MM = 1 / 72, 25.4 / 72  # in 1 pt
_SVG_PT, _SVG_WIDTH, _SVG_UNDER = 1 / 0.6, 640.0, 32.0


def on_axes(axes: "Axes", drawing: FieldDrawing, box_in: tuple[float, float, float, float]) -> Frame:
    """
    Draw on bare axes whose unit is the inch.

    Parameters
    ----------
    box_in : tuple of float
        Left, bottom, width, height; scale bar and arrow come close under it. [in]
    """
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
    """
    The drawing as a picture inside a page.

    Parameters
    ----------
    title : str
        What stands in for it where it is not seen.
    """
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
    """
    Draw on the current page; labels in its current font.

    Parameters
    ----------
    paper : fpdf.FPDF
        Its unit the millimetre.
    box_mm : tuple of float
        Left, top, width, height; scale bar and arrow come close under it. [mm]
    """
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
