"""Check standards between samples: did the instrument drift, and which samples lie behind the last good standard?"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.model.readings import StandardRun
from vrn.model.samples import SoilSamples

ALLOWED_PCT = 10.0  # a check standard may be off: EPA method 353.2, § 9.3.4 (from memory)
ALLOWED_PPM = 0.5  # and never less than this: common practice, no source
_D2_OF_TWO = 1.128  # mean range of two normal values over their standard deviation, as the handbook prints it


def standard_runs(
    samples: SoilSamples, *, allowed_pct: float = ALLOWED_PCT, allowed_ppm: float = ALLOWED_PPM
) -> tuple[StandardRun, ...]:
    """
    Look at every instrument's check standards.

    In the order of the file; where every reading of an instrument has its time, in that order. A standard is good
    within the larger of `allowed_pct` of its nominal value and `allowed_ppm`.
    """
    runs = []
    instruments = list(dict.fromkeys(handling.instrument for handling in samples.handling))
    for instrument in instruments:
        order = reading_order(samples, instrument)
        kinds = np.array([samples.kind[row] for row in order])
        at = np.flatnonzero((kinds == "standard") & np.isfinite(samples.nitrate_ppm[order]))
        at = at[samples.nominal_ppm[order[at]] > 0] if len(at) else at
        if not len(at):
            continue
        rows = order[at]
        nominal, read = samples.nominal_ppm[rows], samples.nitrate_ppm[rows]
        good = np.abs(read - nominal) <= np.maximum(nominal * allowed_pct / 100.0, allowed_ppm) + 1e-9
        field = np.flatnonzero(np.isin(kinds, ["field", "duplicate"]) & np.isfinite(samples.nitrate_ppm[order]))
        after = np.searchsorted(at, field)  # standards read before each sample
        before_bad = (after > 0) & ~good[np.maximum(after - 1, 0)]
        behind_bad = (after < len(at)) & ~good[np.minimum(after, len(at) - 1)]
        doubtful = before_bad | behind_bad
        drift_pct, drift_p = _drift(at, read / nominal * 100.0)
        runs.append(
            StandardRun(
                instrument=instrument, order=order, standards=rows, nominal_ppm=nominal, read_ppm=read, good=good,
                doubtful=order[field[doubtful]],
                open_ended=order[field[~doubtful & ((after == 0) | (after == len(at)))]],
                drift_pct=drift_pct, drift_p=drift_p,
            )
        )  # fmt: skip
    return tuple(runs)


def corrected_for_drift(samples: SoilSamples) -> tuple[SoilSamples, dict[int, tuple[float, float]]]:
    """
    Readings divided by what the check standards around them made of their nominal value.

    Between two standards the correction changes evenly from reading to reading; before the first and after the last it
    is theirs. Standards below 1 ppm are left out, and those off by more than half: such a reading failed, and tells no
    drift.
    """
    nitrate_ppm = samples.nitrate_ppm.copy()
    changes: dict[int, tuple[float, float]] = {}
    for run in standard_runs(samples):
        place = {int(row): i for i, row in enumerate(run.order)}
        if not run.corrects.any():
            continue
        at = np.array([place[int(row)] for row in run.standards[run.corrects]], dtype=float)
        for i, row in enumerate(run.order):
            if samples.kind[row] not in ("field", "duplicate") or not np.isfinite(nitrate_ppm[row]):
                continue
            factor = float(np.interp(i, at, run.recovery_pct[run.corrects])) / 100.0
            before = float(nitrate_ppm[row])
            nitrate_ppm[row] = before / factor
            changes[int(samples.row[row])] = before, float(nitrate_ppm[row])
    return replace(samples, nitrate_ppm=nitrate_ppm), changes


def reading_order(samples: SoilSamples, instrument: str) -> NDArray[np.intp]:
    """Rows that an instrument read, in order of time where every one has it, else in the order of the file."""
    rows = [i for i, handling in enumerate(samples.handling) if handling.instrument == instrument]
    times = [samples.handling[i].read_at for i in rows]
    if all(time is not None for time in times):
        rows = [row for _, row in sorted(zip(times, rows, strict=True))]
    return np.array(rows, dtype=np.intp)


def _drift(at: NDArray[np.intp], recovery_pct: NDArray[np.float64]) -> tuple[float, float]:
    """Rise of the line through the recoveries from first to last, and its p-value."""
    if len(at) < 3 or at[0] == at[-1]:
        return np.nan, np.nan
    if np.ptp(recovery_pct) < 1e-9:
        return 0.0, 1.0
    from scipy.stats import linregress

    line = linregress(at, recovery_pct)
    return float(line.slope * (at[-1] - at[0])), float(line.pvalue)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ControlChart:
    """A control chart."""

    points: NDArray[np.float64]  # what is plotted: readings, or their running mean, shape (n,)
    # centre line and three-sigma limits
    center: float
    low: float
    high: float
    sigma: float  # standard deviation of one reading
    outside: tuple[int, ...]  # points beyond a limit, from 0


def individuals_chart(readings: ArrayLike) -> ControlChart:
    """
    Shewhart chart of single readings in their order, sigma from the mean moving range.

    Limits at the mean ± 3 · mean moving range ÷ 1.128. Raises OutOfRangeError if there are fewer than two readings, or
    one is unknown. Source: NIST/SEMATECH e-Handbook of Statistical Methods, § 6.3.2.2 (doi:10.18434/M32189).

    Moving ranges 2, 1, 1: mean 1.333, sigma 1.182.

    >>> chart = individuals_chart([10, 12, 11, 12])
    >>> chart.center, round(chart.sigma, 3), round(chart.high, 3)
    (11.25, 1.182, 14.796)
    """
    values = _known(readings, least=2)
    sigma = float(np.abs(np.diff(values)).mean() / _D2_OF_TWO)
    return _chart(values, float(values.mean()), sigma, 3.0 * sigma)


def ewma_chart(readings: ArrayLike, *, target: float, sigma: float, weight: float = 0.3) -> ControlChart:
    """
    Chart of the exponentially weighted running mean: it sees a slow drift that single readings hide.

    Raises OutOfRangeError if a number is unknown, sigma negative, or the weight not in (0, 1]. Source: NIST/SEMATECH
    e-Handbook of Statistical Methods, § 6.3.2.4 (doi:10.18434/M32189).

    Parameters
    ----------
    readings : array_like, shape (n,)
        In their order.
    target : float
        What they should read; where the running mean begins.
    sigma : float
        Standard deviation of one reading.
    weight : float
        Of the newest reading, 0 … 1.

    Examples
    --------
    0.3 × 52 + 0.7 × 50 = 50.6; 0.3 × 47 + 0.7 × 50.6 = 49.52:

    >>> ewma_chart([52, 47], target=50, sigma=2).points.round(2).tolist()
    [50.6, 49.52]
    """
    values = _known(readings, least=1)
    if not 0 < weight <= 1 or not sigma >= 0:
        problem = f"A running mean with weight {weight} and sigma {sigma} cannot be charted."
        raise OutOfRangeError(problem, "Give a weight above 0 and at most 1, and a sigma of 0 or more.")
    running, points = float(target), []
    for value in values:
        running = weight * value + (1 - weight) * running
        points.append(running)
    return _chart(np.array(points), float(target), float(sigma), 3.0 * sigma * float(np.sqrt(weight / (2 - weight))))


def _chart(points: NDArray[np.float64], center: float, sigma: float, half: float) -> ControlChart:
    outside = np.flatnonzero(np.abs(points - center) > half + 1e-12)
    return ControlChart(
        points=points, center=center, low=center - half, high=center + half, sigma=sigma,
        outside=tuple(int(i) for i in outside),
    )  # fmt: skip


def _known(readings: ArrayLike, *, least: int) -> NDArray[np.float64]:
    values = np.asarray(readings, dtype=float)
    if values.ndim != 1 or len(values) < least or not np.isfinite(values).all():
        problem = f"A control chart needs at least {least} known readings in a row."
        raise OutOfRangeError(problem, "Leave unknown readings out, or read the standard more often.")
    return values
