"""Colours of the map and the plots: light is little, dark is much, even to colour-blind eyes and in grey."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from vrn.prescription.model import ZoneRate

LEAST_SPAN_N_LB_AC: Final = 40.0  # of the ramp of rates


@dataclass(frozen=True, slots=True, kw_only=True)
class Ramp:
    """A sequential ramp of colours, light to dark, as ``#rrggbb`` at even distances.

    The stops fall in even steps of lightness in OKLab (Ottosson 2020), from about 0.95 to about 0.25; lightness alone
    tells them apart, so the order stands in grey and for every kind of colour blindness. The hue only tells one
    quantity from another: what is applied is blue-green, what is needed purple, what the soil holds brown.

    >>> SOIL.classes(3)
    ('#f8edd8', '#b7713f', '#3e1f17')
    """

    name: str
    stops: tuple[str, ...]

    def colors(self, fractions: ArrayLike) -> NDArray[np.uint8]:
        """Colours, shape (n, 3), at fractions of the ramp: 0 is light, 1 is dark, clipped to that range."""
        at = np.clip(np.asarray(fractions, dtype=float).ravel(), 0.0, 1.0)
        known = np.array([_rgb(stop) for stop in self.stops], dtype=float)
        places = np.linspace(0.0, 1.0, len(known))
        mixed = np.column_stack([np.interp(at, places, known[:, channel]) for channel in range(3)])
        return np.asarray(np.rint(mixed), dtype=np.uint8)

    def classes(self, count: int) -> tuple[str, ...]:
        """Colours of ``count`` classes, light to dark, both ends of the ramp used; one class takes the middle."""
        places = np.array([0.5]) if count == 1 else np.linspace(0.0, 1.0, count)
        return self.hexes(places)

    def hexes(self, fractions: ArrayLike) -> tuple[str, ...]:
        """Colours at fractions of the ramp, as ``#rrggbb``."""
        return tuple(f"#{r:02x}{g:02x}{b:02x}" for r, g, b in self.colors(fractions).tolist())

    def scale_on(self, axes: "Axes", left_in: float, width_in: float, low: float, high: float) -> None:
        """The ramp with round values close above the foot of bare axes whose unit is the inch."""
        strip = self.colors(np.linspace(0, 1, 128)).reshape(1, 128, 3)
        axes.imshow(strip, extent=(left_in, left_in + width_in, 0.26, 0.35), aspect="auto")
        for tick in round_values(low, high):
            at = left_in + width_in * ((tick - low) / (high - low) if high > low else 0.5)
            axes.text(at, 0.2, f"{tick:.4g}", ha="center", va="top", fontsize=7)


def _rgb(color: str) -> tuple[int, int, int]:
    return int(color[1:3], 16), int(color[3:5], 16), int(color[5:7], 16)


NITROGEN = Ramp(
    name="nitrogen",
    stops=("#faf6af", "#bde2a1", "#7bcba1", "#48aea6", "#318ea2", "#186e97", "#1d4d87", "#0b316f", "#041557"),
)
NEED = Ramp(
    name="need",
    stops=("#fff4f2", "#fec8c8", "#fb98ab", "#e76c9f", "#c54998", "#9f2890", "#741181", "#4a0269", "#240344"),
)
SOIL = Ramp(
    name="soil",
    stops=("#f8edd8", "#e9cfa7", "#deae78", "#ca905a", "#b7713f", "#9a5933", "#7d4327", "#5d3020", "#3e1f17"),
)
CROP = Ramp(
    name="crop",
    stops=("#eaf5c7", "#cade97", "#a7c867", "#84b151", "#619a3c", "#448136", "#2a682f", "#155027", "#05381e"),
)
DOUBT = Ramp(
    name="doubt",
    stops=("#f0f4f9", "#ced5e2", "#acb8cb", "#8d9bb2", "#6f7f99", "#56647a", "#3e4a5d", "#29313f", "#151b24"),
)


def round_values(low: float, high: float) -> tuple[float, ...]:
    """Round values between two ends, at most six.

    >>> round_values(7.3, 24.1), round_values(2.8, 2.8)
    ((10.0, 15.0, 20.0), (2.8,))
    """
    if not high > low:
        return (low,)
    step = 10.0 ** math.floor(math.log10((high - low) / 4))
    step *= next(times for times in (1.0, 2.0, 5.0, 10.0) if (high - low) / (step * times) <= 5)
    first = math.ceil(low / step - 1e-9)
    return tuple(round(k * step, 10) for k in range(first, math.floor(high / step + 1e-9) + 1))


def rate_colors(rates: Iterable["ZoneRate"]) -> dict[int, str]:
    """Colour of each zone by its rate: the ramp spans them all, and 40 lb N/ac at least, so that 5 lb looks small.

    40 lb N/ac is our choice, no source.
    """
    zones = list(rates)
    pounds = np.array([round(rate.rate_n_lb_ac, 6) for rate in zones])  # a strip's rate is a sum
    low, high = (pounds.min(), pounds.max()) if zones else (0.0, 0.0)
    span = max(high - low, LEAST_SPAN_N_LB_AC)
    colors = NITROGEN.hexes(0.5 + (pounds - (low + high) / 2) / span)
    return {rate.zone: color for rate, color in zip(zones, colors, strict=True)}
