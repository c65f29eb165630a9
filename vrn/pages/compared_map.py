"""Map of what was applied, coloured by its share of the target, skips and overlaps drawn over it."""

import base64
from typing import Final

import numpy as np
import shapely

from vrn.model.applied import Comparison
from vrn.pages.field_drawing import INK, FieldDrawing, Look
from vrn.pages.field_drawn import on_axes
from vrn.pages.plots import figure, png, sheet
from vrn.words import UnitFormat

# upper end of a class, colour, words: blue is too little, red too much, also to colour-blind eyes
CLASSES: Final = (
    (0.5, "#2166ac", "less than half"),
    (0.9, "#92c5de", "50 to 90 %"),
    (1.1, "#e4e2da", "within ± 10 %"),
    (1.5, "#f4a582", "110 to 150 %"),
    (np.inf, "#b2182b", "more, or on no-apply ground"),
)


def applied_map(comparison: Comparison, shown: UnitFormat) -> str:
    """
    The map as a PNG in base64.

    Parameters
    ----------
    comparison : Comparison
    shown : UnitFormat
        Gives the scale bar its unit.

    Returns
    -------
    png : str
    """
    from matplotlib.patches import Patch

    drawing = _drawing(comparison, shown)
    height_in = float(np.clip(6.4 * drawing.aspect, 2.5, 7.5))
    with figure(7.0, height_in + 1.2) as drawn:
        on_axes(sheet(drawn), drawing, (0.1, 1.1, 6.8, height_in))
        key = [Patch(facecolor=color, edgecolor=INK, linewidth=0.4, label=words) for _, color, words in CLASSES]
        key += [Patch(facecolor="none", edgecolor=INK, hatch="////", label="not covered"),
                Patch(facecolor="none", edgecolor=INK, hatch="xxxx", label="covered more than once")]  # fmt: skip
        title = f"Applied, of the prescribed {shown.unit('rate')}"
        drawn.legend(handles=key, loc="lower center", ncols=3, fontsize=8, title=title)
        return base64.b64encode(png(drawn)).decode("ascii")


def _drawing(comparison: Comparison, shown: UnitFormat) -> FieldDrawing:
    """Records' ground by its class, ground not covered or covered twice, the zones' outlines."""
    outlines = shapely.geometrycollections(list(comparison.outlines.values()))
    west, south, east, north = outlines.bounds
    target, applied = comparison.target_n_lb_ac, comparison.applied_n_lb_ac
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(target > 0, applied / target, np.where(applied > 0, np.inf, 1.0))
    place = np.searchsorted([top for top, _, _ in CLASSES[:-1]], ratio, side="left")
    grounds = [shapely.geometrycollections(list(comparison.footprints[place == k])) for k in range(len(CLASSES))]
    shapes = [(ground, Look(fill=color, radius_pt=1.0)) for (_, color, _), ground in zip(CLASSES, grounds, strict=True)]
    shapes += [
        (area, Look(line=INK, width_pt=0.5, hatch=hatch))
        for area, hatch in ((comparison.skips, "/"), (comparison.overlaps, "x"))
    ]
    shapes.append((outlines, Look(line=INK)))
    return FieldDrawing(bounds_m=(west, south, east, north), shapes=tuple(shapes), metric=shown.metric)
