"""Maps of the report and plots of its surfaces, drawn to stay legible in grey."""

import io
import math
from collections.abc import Callable, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.model.surface import Surface
from vrn.pages.field_drawing import INK, QUIET, Frame, on_axes
from vrn.pages.field_maps import ground_drawing, hatched, rate_drawing
from vrn.pages.ramps import Ramp
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, say

if TYPE_CHECKING:
    from collections.abc import Iterator

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

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
    """A figure in the report's style, margins left, bottom, right, top; pyplot does not keep it."""
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


def rate_map(prescription: Prescription, shown: UnitFormat) -> bytes:
    """Zones with their rates, samples, no-apply ground."""
    drawing = rate_drawing(prescription, shown)
    drawing = replace(drawing, shapes=hatched(drawing, prescription))
    height_in = float(np.clip(6.4 * drawing.aspect, 1.6, 3.7))
    with figure(6.4, height_in + 0.2) as drawn:
        on_axes(sheet(drawn), drawing, (0.05, 0.2, 6.3, height_in - 0.05))
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
    """Surfaces side by side, each with its own scale under it."""
    ground = ground_drawing(prescription.field, shown)
    names = [one.surface.name for one in drawings]
    grounds = [replace(ground, shapes=hatched(ground, prescription, [name])) for name in names]
    room_in = 6.8 / len(drawings)
    map_in = float(np.clip(room_in * 0.95 * ground.aspect, 1.3, 3.4))
    with figure(6.8, map_in + 0.85) as drawn:
        axes = sheet(drawn)
        for number, one in enumerate(drawings):
            left_in = (number + 0.03) * room_in
            axes.text(left_in, map_in + 0.68, one.title, weight="bold")
            frame = on_axes(axes, grounds[number], (left_in, 0.6, 0.94 * room_in, map_in))
            _surface(axes, frame, prescription, one)
            low, high = (end * one.factor for end in _ends(prescription, one))
            if math.isfinite(low):
                one.ramp.scale_on(axes, left_in + 0.1 * room_in, 0.74 * room_in, low, high)
        return png(drawn)


def _surface(axes: "Axes", frame: Frame, prescription: Prescription, one: Drawing) -> None:
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


def variogram_plot(
    distance: ArrayLike,
    semivariance: ArrayLike,
    pairs: ArrayLike,
    model: Callable[[ArrayLike], NDArray[np.float64]] | None,
    *,
    unit: str,
    shown: UnitFormat,
) -> bytes:
    """Pairs in bins of distance [``unit``], and the model fitted to them."""
    distance, count = np.asarray(distance, float), np.asarray(pairs, float)
    with figure(3.3, 2.4, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.scatter(distance, semivariance, s=6 + 40 * count / max(count.max(initial=1.0), 1.0), color=QUIET, zorder=3)
        if model is not None and distance.size:
            at = np.linspace(distance.max() * 1e-3, distance.max() * 1.05, 200)
            axes.plot(at, model(at), color=INK)
        axes.set(xlabel=say(shown, "report.axis-distance", unit=shown.unit("length")),
                 ylabel=say(shown, "report.axis-semivariance", unit=unit), xlim=(0, None), ylim=(0, None))  # fmt: skip
        return png(drawn)


def cross_validation_plot(observed: ArrayLike, guessed: ArrayLike, shown: UnitFormat) -> bytes:
    """Each sample against what the others say of its place [ppm], as PNG."""
    seen, told = np.asarray(observed, float), np.asarray(guessed, float)
    both = np.concatenate([seen, told])
    low, high = float(np.nanmin(both)), float(np.nanmax(both))
    with figure(3.3, 2.4, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.plot([low, high], [low, high], color="#c9c5b8", zorder=1)
        axes.plot(told, seen, "o", markersize=3.5, color=INK)
        unit = shown.unit("concentration")
        axes.set(xlabel=say(shown, "report.axis-predicted", unit=unit),
                 ylabel=say(shown, "report.axis-measured", unit=unit))  # fmt: skip
        return png(drawn)
