"""Map of what was applied, coloured by its share of the target, skips and overlaps drawn over it."""

import base64
from typing import Final

import numpy as np
import shapely

from vrn.model.applied import Comparison
from vrn.pages.plots import INK, figure, png
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
    from matplotlib.collections import LineCollection, PolyCollection
    from matplotlib.patches import Patch

    bounds = shapely.total_bounds(list(comparison.outlines.values()))
    west, south, east, north = (float(v) for v in bounds)
    height_in = min(7.5, max(2.5, 6.4 * (north - south) / (east - west)))
    target, applied = comparison.target_n_lb_ac, comparison.applied_n_lb_ac
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(target > 0, applied / target, np.where(applied > 0, np.inf, 1.0))
    colors = [CLASSES[place][1] for place in np.searchsorted([top for top, _, _ in CLASSES[:-1]], ratio, side="left")]
    with figure(7.0, height_in + 1.0, margins_in=(0.1, 0.9, 0.1, 0.1)) as drawn:
        axes = drawn.add_subplot()
        axes.set_axis_off()
        shapes = comparison.footprints
        if len(shapes) and shapely.get_type_id(shapes[0]) == 0:
            places = shapely.get_coordinates(shapes)
            axes.scatter(places[:, 0], places[:, 1], s=4, c=colors, linewidths=0)
        else:
            parts, index = shapely.get_parts(shapes, return_index=True)
            rings = [shapely.get_coordinates(part.exterior) for part in parts]
            axes.add_collection(
                PolyCollection(rings, facecolors=[colors[i] for i in index], edgecolors="face", linewidths=0.3)
            )
        for area, hatch in ((comparison.skips, "////"), (comparison.overlaps, "xxxx")):
            rings = [shapely.get_coordinates(part.exterior) for part in shapely.get_parts(area)]
            axes.add_collection(PolyCollection(rings, facecolors="none", edgecolors=INK, linewidths=0.5, hatch=hatch))
        lines = [shapely.get_coordinates(ring) for outline in comparison.outlines.values()
                 for ring in shapely.get_rings(shapely.get_parts(outline))]  # fmt: skip
        axes.add_collection(LineCollection(lines, colors=INK, linewidths=0.8))
        axes.set_xlim(west - 5, east + 5)
        axes.set_ylim(south - 5, north + 5)
        axes.set_aspect("equal")
        key = [Patch(facecolor=color, edgecolor=INK, linewidth=0.4, label=words) for _, color, words in CLASSES]
        key += [Patch(facecolor="none", edgecolor=INK, hatch="////", label="not covered"),
                Patch(facecolor="none", edgecolor=INK, hatch="xxxx", label="covered more than once")]  # fmt: skip
        drawn.legend(
            handles=key,
            loc="lower center",
            ncols=3,
            fontsize=8,
            title=f"Applied, of the prescribed {shown.unit('rate')}",
        )
        return base64.b64encode(png(drawn)).decode("ascii")
