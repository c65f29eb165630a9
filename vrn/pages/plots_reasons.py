"""Plots of the report that say why and how sure: variogram, cross-validation, zones, ledgers, the season."""

from collections.abc import Callable, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.findings import Quantity
from vrn.model.layers import Weather
from vrn.pages.field_drawing import INK, QUIET
from vrn.pages.plots import figure, png, sheet
from vrn.prescription.model import ZoneRate
from vrn.sampling.standards import ControlChart
from vrn.words import UnitFormat, label_of, say
from vrn.zones.model import ZoneChoice

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_PALE, _STRONG = "#c9c5b8", "#1d4d87"
_LABELS_IN = 2.42  # room for the names of the lines, left of the first zone


def variogram_plot(
    distance: ArrayLike,
    semivariance: ArrayLike,
    pairs: ArrayLike,
    model: Callable[[ArrayLike], NDArray[np.float64]] | None,
    *,
    unit: str,
    shown: UnitFormat,
) -> bytes:
    """
    Pairs in bins of distance, and the model fitted to them.

    Parameters
    ----------
    distance, semivariance, pairs : array_like, shape (k,)
        Of the bins; distances in the reader's unit of length. [``unit``]
    model : callable or None
        Semivariance at distances.
    unit : str
    shown : UnitFormat

    Returns
    -------
    png : bytes
    """
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
    """
    Each sample against what the others say of its place.

    Parameters
    ----------
    observed, guessed : array_like, shape (n,)
        [ppm]
    shown : UnitFormat

    Returns
    -------
    png : bytes
    """
    seen, told = np.asarray(observed, float), np.asarray(guessed, float)
    both = np.concatenate([seen, told])
    low, high = float(np.nanmin(both)), float(np.nanmax(both))
    with figure(3.3, 2.4, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.plot([low, high], [low, high], color=_PALE, zorder=1)
        axes.plot(told, seen, "o", markersize=3.5, color=INK)
        unit = shown.unit("concentration")
        axes.set(xlabel=say(shown, "report.axis-predicted", unit=unit),
                 ylabel=say(shown, "report.axis-measured", unit=unit))  # fmt: skip
        return png(drawn)


def control_chart_plot(chart: ControlChart, shown: UnitFormat) -> bytes:
    """Control chart of single readings [%] in their order, as PNG; points outside the limits are ringed."""
    with figure(4.4, 2.2, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.axhline(chart.center, color=INK, linewidth=0.8)
        for limit in (chart.low, chart.high):
            axes.axhline(limit, color=QUIET, linewidth=0.8, linestyle="--")
        order = range(1, len(chart.points) + 1)
        axes.plot(order, chart.points, "o-", color=INK, markersize=4, linewidth=1.0)
        for position in chart.outside:
            axes.plot([position + 1], [chart.points[position]], "o", markersize=11, markerfacecolor="none", color=INK)
        axes.set(xlabel=say(shown, "report.axis-standards"), ylabel=say(shown, "report.axis-recovery"),
                 xticks=list(order))  # fmt: skip
        return png(drawn)


def zone_count_plot(choice: Sequence[ZoneChoice], chosen: int, shown: UnitFormat) -> bytes:
    """
    What each number of zones leaves misallocated.

    Parameters
    ----------
    choice : sequence of ZoneChoice
    chosen : int
        Number of zones taken.
    shown : UnitFormat

    Returns
    -------
    png : bytes
    """
    counts = [one.zones for one in choice]
    left = [one.misallocated_lb_ac * shown.factor("whole_amount") for one in choice]
    with figure(4.4, 2.2, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.plot(counts, left, "o-", color=INK, markersize=4, linewidth=1.2)
        if chosen in counts:
            axes.plot([chosen], [left[counts.index(chosen)]], "o", markersize=11, markerfacecolor="none", color=INK)
        axes.set(
            xlabel=say(shown, "report.axis-zones"),
            ylabel=say(shown, "report.axis-misallocated", unit=shown.unit("whole_amount")),
            ylim=(0, None),
            xticks=counts,
        )
        axes.grid(axis="y")
        return png(drawn)


def waterfall_plot(rates: Sequence[ZoneRate], shown: UnitFormat) -> bytes:
    """
    Ledger of each zone as a waterfall: what the crop wants, what supplies it, what is still needed.

    Parameters
    ----------
    rates : sequence of ZoneRate
        Of zones whose ledgers have the same lines.
    shown : UnitFormat

    Returns
    -------
    png : bytes
    """
    factor = shown.factor("whole_amount")
    down = -(-len(rates) // 4)
    across = -(-len(rates) // down)
    labels = [
        *(_short(label_of(shown, line)) for line in rates[0].ledger.lines),
        say(shown, "report.still-needed"),
        say(shown, "report.rate"),
    ]
    panel_in, row_in = (6.8 - _LABELS_IN) / across, 0.2
    tall_in = row_in * len(labels) + 0.42
    most = max(_reach(rate) for rate in rates) * factor or 1.0
    least = min(0.0, *(_least(rate) * factor for rate in rates))
    per_in = (most - least) * 1.22 / (panel_in - 0.15)
    with figure(6.8, down * tall_in) as drawn:
        axes = sheet(drawn)
        for number, rate in enumerate(rates):
            zero_in = _LABELS_IN + (number % across) * panel_in - least / per_in
            top_in = (down - number // across) * tall_in - 0.36
            axes.text(zero_in, top_in + 0.16, say(shown, "report.zone-number", zone=rate.zone), weight="bold")
            axes.plot([zero_in, zero_in], [top_in + 0.1, top_in - row_in * len(labels) + 0.1], color=INK, linewidth=0.8)
            _bars(axes, rate, zero_in, top_in, row_in, factor / per_in)
            for row, value in ((-2, _sum(rate)), (-1, rate.rate_n_lb_ac)):
                at_in = top_in - row_in * (len(labels) + row)
                words = f"{value * factor:.0f}" + (
                    f" {shown.unit('whole_amount')}" if row == -1 and number == 0 else ""
                )
                axes.text(zero_in + max(value, 0) * factor / per_in + 0.05, at_in, words, va="center", fontsize=8)
            if number % across == 0:
                for row, label in enumerate(labels):
                    axes.text(_LABELS_IN - 0.1, top_in - row_in * row, label, ha="right", va="center", fontsize=8)
        return png(drawn)


def _bars(axes: "Axes", rate: ZoneRate, zero_in: float, top_in: float, row_in: float, scale: float) -> None:
    """The ledger's steps, their sum and the rate as bars, row by row downward."""
    from matplotlib.patches import Rectangle

    end, thick_in = 0.0, row_in * 0.62
    bars: list[tuple[float, float, dict[str, Any]]] = []
    for line in rate.ledger.lines:
        step = float(line.lb_ac)
        bars.append(
            (
                min(end, end + step),
                abs(step),
                {"facecolor": _PALE} if step >= 0 else {"facecolor": "white", "hatch": "////"},
            )
        )
        end += step
    bars.append((min(end, 0.0), abs(end), {"facecolor": INK}))
    bars.append((0.0, rate.rate_n_lb_ac, {"facecolor": _STRONG}))
    for row, (left, width, look) in enumerate(bars):
        corner = (zero_in + left * scale, top_in - row_in * row - thick_in / 2)
        axes.add_patch(Rectangle(corner, width * scale, thick_in, edgecolor=INK, linewidth=0.6, **look))


def _sum(rate: ZoneRate) -> float:
    return float(rate.ledger.unclipped_lb_ac)


def _ends(rate: ZoneRate) -> NDArray[np.float64]:
    return np.cumsum([0.0, *(float(line.lb_ac) for line in rate.ledger.lines)])


def _reach(rate: ZoneRate) -> float:
    return float(max(_ends(rate).max(), rate.rate_n_lb_ac))


def _least(rate: ZoneRate) -> float:
    return float(_ends(rate).min())


def _short(label: str) -> str:
    """First 40 characters or so, cut at a word."""
    if len(label) <= 40:
        return label
    return label[:40].rsplit(" ", 1)[0].rstrip(",;:") + " …"


def season_plot(
    weather: Weather,
    shown: UnitFormat,
    *,
    applied: Sequence[tuple[date, float]] = (),
    sampled: Sequence[tuple[date, float]] = (),
) -> bytes:
    """
    Rain of each day and since the start, nitrogen applied, and nitrate when the cores were pulled.

    Parameters
    ----------
    weather : Weather
    shown : UnitFormat
    applied : sequence of (date, lb N/ac)
    sampled : sequence of (date, ppm)
        Mean nitrate of the top layer on each day of sampling.

    Returns
    -------
    png : bytes
    """
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    factor, unit = shown.factor("rain"), shown.unit("rain")
    rain = np.nan_to_num(weather.rain_in) * factor
    with figure(6.8, 2.4, margins_in=(0.5, 0.35, 0.55, 0.08)) as drawn:
        axes: Any = drawn.subplots()  # its types know no dates
        axes.bar(weather.days, rain, color=QUIET, width=1.0)
        total = axes.twinx()
        axes.set_zorder(2)
        axes.patch.set_visible(False)
        total.plot(weather.days, np.cumsum(rain), color=INK, linewidth=1.2)
        total.spines["right"].set_visible(True)
        total.set(ylabel=say(shown, "report.rain-since", day=weather.days[0], unit=unit), ylim=(0, None))
        top = float(rain.max(initial=0.0)) or 1.0
        marks = [(on, shown.text("rate", lb_ac), 1.04, _STRONG, "-") for on, lb_ac in applied]
        marks += [
            (on, say(shown, "report.cores", nitrate=Quantity("concentration", ppm)), 1.16, INK, ":")
            for on, ppm in sampled
        ]
        for on, words, height, color, line in marks:
            late = (on - weather.days[0]).days > 0.7 * (weather.days[-1] - weather.days[0]).days
            axes.axvline(on, color=color, linewidth=1.3, linestyle=line)
            axes.text(on, top * height, f" {words} ", color=color, fontsize=8, ha="right" if late else "left",
                      bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5})  # fmt: skip
        axes.set(ylabel=say(shown, "report.rain", unit=unit), ylim=(0, top * 1.3))
        locator: Any = AutoDateLocator()  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False))  # type: ignore[no-untyped-call]
        return png(drawn)
