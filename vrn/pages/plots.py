"""Maps of the report, drawn to stay legible in grey."""

import io
import math
from collections.abc import Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.surface import Surface
from vrn.pages.map_page_layers import round_values
from vrn.pages.map_page_still import labels_apart, zone_labels
from vrn.pages.map_page_words import rate_colors
from vrn.pages.ramps import Ramp
from vrn.prescription.model import Prescription
from vrn.units import FT_M
from vrn.words import UnitFormat

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, QUIET = "#1b1b18", "#6b6860"
DPI = 150
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
        drawn = Figure(figsize=(width_in, height_in), dpi=DPI)
        drawn.subplots_adjust(
            left=left / width_in, bottom=bottom / height_in, right=1 - right / width_in, top=1 - top / height_in
        )
        yield drawn


def png(drawn: "Figure") -> bytes:
    """A figure as PNG of at most 256 colours, the same bytes each time."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    canvas: Any = FigureCanvasAgg(drawn)  # its types leave its methods out
    canvas.draw()
    picture = Image.fromarray(np.asarray(canvas.buffer_rgba())[:, :, :3])
    few = picture.quantize(256, method=Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
    buffer = io.BytesIO()
    few.save(buffer, format="PNG", dpi=(DPI, DPI))
    return buffer.getvalue()


def sheet(drawn: "Figure") -> "Axes":
    """One bare axes over a whole figure, its unit the inch: what is placed by hand draws several times faster."""
    width_in, height_in = drawn.get_size_inches()
    axes = drawn.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set(xlim=(0.0, width_in), ylim=(0.0, height_in), autoscale_on=False)
    return axes


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """Where a field lies on a sheet: its south-west corner [m] and [in], and inches to the metre."""

    west_m: float
    south_m: float
    left_in: float
    bottom_in: float
    scale: float

    @classmethod
    def of(
        cls, prescription: Prescription, left_in: float, bottom_in: float, width_in: float, height_in: float
    ) -> "_Frame":
        """The field as large as fits, in the middle of a box."""
        west, south, east, north = prescription.field.boundary.bounds
        scale = min(width_in / (east - west), height_in / (north - south))
        return cls(
            west_m=west, south_m=south, scale=scale, left_in=left_in + (width_in - (east - west) * scale) / 2,
            bottom_in=bottom_in + (height_in - (north - south) * scale) / 2,
        )  # fmt: skip

    def place(self, xy_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Easting, northing to inches on the sheet, shape (n, 2)."""
        moved: NDArray[np.float64] = (xy_m - (self.west_m, self.south_m)) * self.scale + (self.left_in, self.bottom_in)
        return moved


def rate_map(prescription: Prescription, shown: UnitFormat) -> bytes:
    """
    Zones with their rates, samples, no-apply ground.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    png : bytes
    """
    colors = rate_colors(prescription)
    height_in = float(np.clip(6.4 * _aspect(prescription), 1.6, 3.7))
    with figure(6.4, height_in + 0.2) as drawn:
        axes, frame = sheet(drawn), _Frame.of(prescription, 0.05, 0.2, 6.3, height_in - 0.05)
        for rate in prescription.rates:
            _area(axes, frame, rate.outline, facecolor=colors[rate.zone], edgecolor=INK, linewidth=0.8)
        _ground(axes, frame, prescription, shown)
        box = {"facecolor": "white", "edgecolor": INK, "pad": 2.5, "linewidth": 0.6}
        placed = [
            (frame.place(np.array([[point.x, point.y]]))[0], text) for point, text in zone_labels(prescription, shown)
        ]
        texts = [(float(x), float(y), text) for (x, y), text in placed]
        for x, y, text in labels_apart(texts, wide=lambda text: 0.085 * len(text) + 0.09, high=0.22):
            axes.text(x, y, text, ha="center", va="center", weight="bold", bbox=box, zorder=5)
        return png(drawn)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """One map of a surface: its title with unit, the values or errors to draw, its ramp, factor to the unit shown."""

    title: str
    surface: Surface
    values: NDArray[np.float64]
    ramp: Ramp
    factor: float


def surface_maps(prescription: Prescription, drawings: Sequence[Drawing], shown: UnitFormat) -> bytes:
    """
    Surfaces side by side, each with its own scale under it.

    Parameters
    ----------
    prescription : Prescription
    drawings : sequence of Drawing
    shown : UnitFormat

    Returns
    -------
    png : bytes
    """
    room_in = 6.8 / len(drawings)
    map_in = float(np.clip(room_in * 0.95 * _aspect(prescription), 1.3, 3.4))
    with figure(6.8, map_in + 0.85) as drawn:
        axes = sheet(drawn)
        for number, one in enumerate(drawings):
            left_in = (number + 0.03) * room_in
            frame = _Frame.of(prescription, left_in, 0.6, 0.94 * room_in, map_in)
            axes.text(left_in, map_in + 0.68, one.title, weight="bold")
            _surface(axes, frame, prescription, one)
            _ground(axes, frame, prescription, shown)
            _scale_under(axes, left_in + 0.1 * room_in, 0.74 * room_in, prescription, one)
        return png(drawn)


def _surface(axes: "Axes", frame: _Frame, prescription: Prescription, one: Drawing) -> None:
    """Cells of the treated ground in the ramp's colours."""
    low, high = _ends(prescription, one)
    level = (one.values - low) / (high - low) if high > low else np.where(np.isfinite(one.values), 0.5, np.nan)
    known = np.isfinite(level) & (prescription.share > 0)
    colors = np.zeros((*level.shape, 4), dtype=np.uint8)
    colors[..., :3] = one.ramp.colors(np.nan_to_num(level)).reshape(*level.shape, 3)
    colors[..., 3] = np.where(known, 255, 0)
    west, south, east, north = one.surface.grid.bounds_m
    (left, bottom), (right, top) = frame.place(np.array([[west, south], [east, north]]))
    axes.imshow(colors, extent=(left, right, bottom, top), interpolation="nearest", aspect="auto")


def _ends(prescription: Prescription, one: Drawing) -> tuple[float, float]:
    known = one.values[(prescription.share > 0) & np.isfinite(one.values)]
    return (float(known.min()), float(known.max())) if known.size else (math.nan, math.nan)


def _scale_under(axes: "Axes", left_in: float, width_in: float, prescription: Prescription, one: Drawing) -> None:
    """The ramp with round values, in the unit shown."""
    low, high = (end * one.factor for end in _ends(prescription, one))
    if not math.isfinite(low):
        return
    strip = one.ramp.colors(np.linspace(0, 1, 128)).reshape(1, 128, 3)
    axes.imshow(strip, extent=(left_in, left_in + width_in, 0.26, 0.35), aspect="auto")
    ticks = round_values(low, high)
    for tick in ticks:
        at = left_in + width_in * ((tick - low) / (high - low) if high > low else 0.5)
        axes.text(at, 0.2, f"{tick:.4g}", ha="center", va="top", fontsize=7)


def _aspect(prescription: Prescription) -> float:
    """Height of the field over its width."""
    west, south, east, north = prescription.field.boundary.bounds
    return float((north - south) / (east - west))


def _ground(axes: "Axes", frame: _Frame, prescription: Prescription, shown: UnitFormat) -> None:
    """Boundary, no-apply ground, samples, a scale bar."""
    field = prescription.field
    _area(axes, frame, field.boundary, facecolor="none", edgecolor=INK, linewidth=1.0)
    none = shapely.intersection(field.no_apply, field.boundary)
    _area(axes, frame, none, facecolor="white", edgecolor=QUIET, hatch="////", linewidth=0.6)
    cores = frame.place(np.unique(field.samples.field_readings().coordinates_m, axis=0))
    axes.plot(cores[:, 0], cores[:, 1], "o", markersize=2.6, color=INK, markeredgecolor="white", markeredgewidth=0.5)
    west, _south, east, _north = field.boundary.bounds
    unit, unit_m = ("m", 1.0) if shown.metric else ("ft", FT_M)
    reach = (east - west) / 4 / unit_m
    power = 10.0 ** np.floor(np.log10(reach))
    length = max(times for times in (1, 2, 5) if times * power <= reach) * power
    right, under = frame.left_in + length * unit_m * frame.scale, frame.bottom_in - 0.1
    axes.plot([frame.left_in, right], [under, under], color=INK, linewidth=1.4, solid_capstyle="butt")
    axes.text(right, under, f"  {length:,.0f} {unit}", va="center", fontsize=7)


def _area(axes: "Axes", frame: _Frame, geometry: shapely.Geometry, **look: Any) -> None:
    """Polygons as patches, holes left open."""
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path

    for polygon in shapely.get_parts(geometry):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        rings = [
            Path(frame.place(shapely.get_coordinates(ring)), closed=True)
            for ring in (polygon.exterior, *polygon.interiors)
        ]
        axes.add_patch(PathPatch(Path.make_compound_path(*rings), **look))
