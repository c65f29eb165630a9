"""Maps of the report, drawn to stay legible in grey."""

import io
from collections.abc import Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from vrn.export.map_page_still import label_points
from vrn.export.map_page_words import rate_colors
from vrn.export.ramps import Ramp
from vrn.export.report_units import Shown
from vrn.field.surface import Surface
from vrn.prescription.model import Prescription
from vrn.units import FT_M

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, QUIET = "#1b1b18", "#6b6860"
_STYLE: dict[Any, Any] = {
    "font.family": "DejaVu Serif", "font.size": 9, "text.color": INK, "axes.edgecolor": QUIET, "axes.linewidth": 0.8,
    "axes.spines.top": False, "axes.spines.right": False, "axes.labelcolor": INK, "axes.axisbelow": True,
    "axes.titlesize": 9, "axes.titleweight": "bold", "axes.titlelocation": "left", "xtick.color": INK,
    "ytick.color": INK, "legend.frameon": False, "hatch.linewidth": 0.8, "grid.color": "#dddad0",
}  # fmt: skip


@contextmanager
def figure(
    width_in: float, height_in: float, *, margins_in: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
) -> "Iterator[Figure]":
    """
    A figure in the report's style; the style holds inside the block only.

    Parameters
    ----------
    width_in, height_in : float
        [in]
    margins_in : tuple of float
        Left, bottom, right, top. [in]

    Yields
    ------
    figure : Figure
        Not known to pyplot, so nothing opens and nothing is kept.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    left, bottom, right, top = margins_in
    with mpl.rc_context(_STYLE):
        drawn = Figure(figsize=(width_in, height_in), dpi=160)
        drawn.subplots_adjust(
            left=left / width_in, bottom=bottom / height_in, right=1 - right / width_in, top=1 - top / height_in
        )
        yield drawn


def png(drawn: "Figure") -> bytes:
    """A figure as PNG, the same bytes each time."""
    buffer = io.BytesIO()
    drawn.savefig(buffer, format="png", metadata={"Software": None})
    return buffer.getvalue()


def rate_map(prescription: Prescription, shown: Shown) -> bytes:
    """
    Zones with their rates, samples, no-apply ground.

    Parameters
    ----------
    prescription : Prescription
    shown : Shown

    Returns
    -------
    png : bytes
    """
    field, colors = prescription.field, rate_colors(prescription)
    height_in = float(np.clip(6.4 * _aspect(prescription), 1.6, 3.7))
    with figure(6.4, height_in) as drawn:
        axes = drawn.subplots()
        for rate in prescription.rates:
            _area(axes, rate.outline, facecolor=colors[rate.zone], edgecolor=INK, linewidth=0.8)
            for point in label_points(rate.outline, field.boundary.area):
                words = f"{rate.zone}: {shown.number('n_rate', rate.rate_n_lb_ac)}"
                box = {"facecolor": "white", "edgecolor": INK, "pad": 2.5, "linewidth": 0.6}
                axes.text(point.x, point.y, words, ha="center", va="center", weight="bold", bbox=box, zorder=5)
        _ground(axes, prescription, shown)
        return png(drawn)


def surface_maps(
    prescription: Prescription, drawings: Sequence[tuple[str, Surface, Any, Ramp, float]], shown: Shown
) -> bytes:
    """
    Surfaces side by side, each with its own scale.

    Parameters
    ----------
    prescription : Prescription
    drawings : sequence of tuple
        Title with unit, surface, its values or standard errors (rows, cols), ramp, factor to the unit shown.
    shown : Shown

    Returns
    -------
    png : bytes
    """
    from matplotlib.colors import LinearSegmentedColormap

    across = len(drawings)
    room_in = 6.8 / across
    map_in = float(np.clip(room_in * 0.95 * _aspect(prescription), 1.3, 3.4))
    height_in = map_in + 0.72
    with figure(6.8, height_in) as drawn:
        for number, (title, surface, values, ramp, factor) in enumerate(drawings):
            left_in = number * room_in + 0.03 * room_in
            axes = drawn.add_axes((left_in / 6.8, 0.4 / height_in, 0.94 * room_in / 6.8, map_in / height_in))
            left, bottom, right, top = surface.grid.bounds_m
            known = np.where(prescription.share > 0, values * factor, np.nan)
            image = axes.imshow(
                known, extent=(left, right, bottom, top), interpolation="nearest",
                cmap=LinearSegmentedColormap.from_list(ramp.name, ramp.stops),
            )  # fmt: skip
            under = drawn.add_axes(
                ((left_in + 0.1 * room_in) / 6.8, 0.26 / height_in, 0.74 * room_in / 6.8, 0.09 / height_in)
            )
            drawn.colorbar(image, cax=under, orientation="horizontal")
            under.tick_params(labelsize=7, length=2, pad=2)
            axes.set_title(title, pad=3)
            _ground(axes, prescription, shown)
        return png(drawn)


def _aspect(prescription: Prescription) -> float:
    """Height of the field over its width."""
    west, south, east, north = prescription.field.boundary.bounds
    return float((north - south) / (east - west))


def _ground(axes: "Axes", prescription: Prescription, shown: Shown) -> None:
    """Boundary, no-apply ground, samples, a scale bar; equal scales, no ticks."""
    field = prescription.field
    _area(axes, field.boundary, facecolor="none", edgecolor=INK, linewidth=1.0)
    _area(axes, shapely.intersection(field.no_apply, field.boundary), facecolor="white", edgecolor=QUIET, hatch="////",
          linewidth=0.6)  # fmt: skip
    places = np.unique(field.samples.field_readings().coordinates_m, axis=0)
    axes.plot(places[:, 0], places[:, 1], "o", markersize=2.6, color=INK, markeredgecolor="white", markeredgewidth=0.5)
    west, south, east, north = field.boundary.bounds
    unit, unit_m = ("m", 1.0) if shown.metric else ("ft", FT_M)
    reach = (east - west) / 4 / unit_m
    power = 10.0 ** np.floor(np.log10(reach))
    length = max(times for times in (1, 2, 5) if times * power <= reach) * power
    under = south - 0.045 * (north - south)
    axes.plot([west, west + length * unit_m], [under, under], color=INK, linewidth=1.4, solid_capstyle="butt")
    axes.text(west + length * unit_m, under, f"  {length:,.0f} {unit}", va="center", fontsize=7)
    axes.set_aspect("equal")
    axes.set_axis_off()


def _area(axes: "Axes", geometry: shapely.Geometry, **look: Any) -> None:
    """Polygons as patches, holes left open."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    for polygon in shapely.get_parts(geometry):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        rings = [Path(shapely.get_coordinates(ring), closed=True) for ring in (polygon.exterior, *polygon.interiors)]
        axes.add_patch(PathPatch(Path.make_compound_path(*rings), **look))
    axes.autoscale_view()
