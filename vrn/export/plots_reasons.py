"""Plots of the report that say why and how sure: variogram, cross-validation, zones, ledgers, the season."""

from collections.abc import Callable, Sequence
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.export.plots import INK, QUIET, figure, png
from vrn.export.report_phrases import day
from vrn.export.report_units import Shown
from vrn.field.weather import Weather
from vrn.prescription.model import ZoneRate
from vrn.zones.model import ZoneChoice

_PALE, _STRONG = "#c9c5b8", "#135b98"


def variogram_plot(
    distance_m: ArrayLike,
    semivariance: ArrayLike,
    pairs: ArrayLike,
    model: Callable[[ArrayLike], NDArray[np.float64]] | None,
    *,
    unit: str = "ppm²",
) -> bytes:
    """
    Pairs in bins of distance, and the model fitted to them.

    Parameters
    ----------
    distance_m, semivariance, pairs : array_like, shape (k,)
        Of the bins. [m], [``unit``]
    model : callable or None
        Semivariance at distances.
    unit : str

    Returns
    -------
    png : bytes
    """
    distance, count = np.asarray(distance_m, float), np.asarray(pairs, float)
    with figure(3.3, 2.4, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.scatter(distance, semivariance, s=6 + 40 * count / max(count.max(initial=1.0), 1.0), color=QUIET, zorder=3)
        if model is not None and distance.size:
            at = np.linspace(distance.max() * 1e-3, distance.max() * 1.05, 200)
            axes.plot(at, model(at), color=INK)
        axes.set(xlabel="distance, m", ylabel=f"semivariance, {unit}", xlim=(0, None), ylim=(0, None))
        return png(drawn)


def cross_validation_plot(observed: ArrayLike, guessed: ArrayLike, unit: str) -> bytes:
    """
    Each sample against what the others say of its place.

    Parameters
    ----------
    observed, guessed : array_like, shape (n,)
    unit : str

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
        axes.set(xlabel=f"guessed from the others, {unit}", ylabel=f"measured, {unit}")
        return png(drawn)


def zone_count_plot(choice: Sequence[ZoneChoice], chosen: int, shown: Shown) -> bytes:
    """
    What each number of zones leaves misallocated.

    Parameters
    ----------
    choice : sequence of ZoneChoice
    chosen : int
        Number of zones taken.
    shown : Shown

    Returns
    -------
    png : bytes
    """
    counts = [one.zones for one in choice]
    left = [one.misallocated_lb_ac * shown.factor("n_line") for one in choice]
    with figure(4.4, 2.2, margins_in=(0.55, 0.45, 0.1, 0.1)) as drawn:
        axes = drawn.subplots()
        axes.plot(counts, left, "o-", color=INK, markersize=4, linewidth=1.2)
        if chosen in counts:
            axes.plot([chosen], [left[counts.index(chosen)]], "o", markersize=11, markerfacecolor="none", color=INK)
        axes.set(xlabel="zones", ylabel=f"misallocated, {shown.unit('n_line')}", ylim=(0, None), xticks=counts)
        axes.grid(axis="y")
        return png(drawn)


def waterfall_plot(rates: Sequence[ZoneRate], shown: Shown) -> bytes:
    """
    Ledger of each zone as a waterfall: what the crop wants, what supplies it, what is still needed.

    Parameters
    ----------
    rates : sequence of ZoneRate
        Of zones whose ledgers have the same lines.
    shown : Shown

    Returns
    -------
    png : bytes
    """
    factor = shown.factor("n_line")
    labels = [line.label for line in rates[0].ledger.lines]
    down = -(-len(rates) // 4)
    across = -(-len(rates) // down)
    height_in = down * (0.5 + 0.21 * (len(labels) + 2)) + 0.15
    with figure(6.8, height_in, margins_in=(1.95, 0.42, 0.1, 0.28)) as drawn:
        space = {"hspace": 0.35, "wspace": 0.08}
        panels = np.atleast_1d(drawn.subplots(down, across, sharex=True, sharey=True, gridspec_kw=space)).ravel()
        for axes, rate in zip(panels, rates, strict=False):
            steps = [float(line.lb_ac) * factor for line in rate.ledger.lines]
            ends = np.cumsum(steps)
            for row, (step, end) in enumerate(zip(steps, ends, strict=True)):
                look = {"color": _PALE} if step >= 0 else {"color": "white", "hatch": "////"}
                axes.barh(row, abs(step), left=min(end, end - step), edgecolor=INK, linewidth=0.6, height=0.62, **look)
            axes.barh(len(steps), ends[-1] if steps else 0, color=INK, height=0.62)
            axes.barh(
                len(steps) + 1, rate.rate_n_lb_ac * factor, color=_STRONG, edgecolor=INK, linewidth=0.6, height=0.62
            )
            for row, value in ((len(steps), ends[-1] if steps else 0.0), (len(steps) + 1, rate.rate_n_lb_ac * factor)):
                axes.text(max(value, 0), row, f" {value:.0f}", va="center", fontsize=8)
            axes.axvline(0, color=INK, linewidth=0.8)
            axes.set_title(f"Zone {rate.zone}")
        panels[0].set_yticks(range(len(labels) + 2), [*(_short(label) for label in labels), "still needed", "rate"])
        panels[0].invert_yaxis()
        panels[0].margins(x=0.16)
        for axes in panels[len(rates) :]:
            axes.set_visible(False)
        drawn.text(0.98, 0.02, shown.unit("n_line"), ha="right", fontsize=8)
        return png(drawn)


def _short(label: str) -> str:
    """First 28 characters or so, cut at a word."""
    if len(label) <= 28:
        return label
    return label[:28].rsplit(" ", 1)[0].rstrip(",;:") + " …"


def season_plot(
    weather: Weather,
    shown: Shown,
    *,
    applied: Sequence[tuple[date, float]] = (),
    sampled: Sequence[tuple[date, float]] = (),
) -> bytes:
    """
    Rain of each day and since the start, nitrogen applied, and nitrate when the cores were pulled.

    Parameters
    ----------
    weather : Weather
    shown : Shown
    applied : sequence of (date, lb N/ac)
    sampled : sequence of (date, ppm)
        Mean nitrate of the top layer on each day of sampling.

    Returns
    -------
    png : bytes
    """
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    factor = shown.factor("rain")
    rain = np.nan_to_num(weather.rain_in) * factor
    with figure(6.8, 2.4, margins_in=(0.5, 0.35, 0.55, 0.08)) as drawn:
        axes: Any = drawn.subplots()  # its types know no dates
        axes.bar(weather.days, rain, color=QUIET, width=1.0, label="rain of the day")
        total = axes.twinx()
        axes.set_zorder(2)
        axes.patch.set_visible(False)
        total.plot(weather.days, np.cumsum(rain), color=INK, linewidth=1.2)
        total.spines["right"].set_visible(True)
        total.set(ylabel=f"since {day(weather.days[0])}, {shown.unit('rain')}", ylim=(0, None))
        top = float(rain.max(initial=0.0)) or 1.0
        marks = [(on, shown.text("n_rate", lb_ac), 1.04, _STRONG, "-") for on, lb_ac in applied]
        marks += [(on, f"cores: {shown.text('nitrate', ppm)}", 1.16, INK, ":") for on, ppm in sampled]
        for on, words, height, color, line in marks:
            late = (on - weather.days[0]).days > 0.7 * (weather.days[-1] - weather.days[0]).days
            axes.axvline(on, color=color, linewidth=1.3, linestyle=line)
            axes.text(on, top * height, f" {words} ", color=color, fontsize=8, ha="right" if late else "left",
                      bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5})  # fmt: skip
        axes.set(ylabel=f"rain, {shown.unit('rain')}", ylim=(0, top * 1.3))
        locator: Any = AutoDateLocator()  # type: ignore[no-untyped-call]
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, show_offset=False))  # type: ignore[no-untyped-call]
        return png(drawn)
