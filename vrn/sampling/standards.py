"""Standards between samples and repeated readings: drift, readings that cannot be trusted, repeatability, blanks."""

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.errors import OutOfRangeError
from vrn.model.readings import Blanks, InstrumentPair, Repeatability, StandardRun
from vrn.model.samples import SoilSamples

ALLOWED_PCT = 10.0  # a check standard may be off: EPA method 353.2, § 9.3.4 (from memory)
ALLOWED_PPM = 0.5  # and never less than this: common practice, no source
_D2_OF_TWO = 1.128  # mean range of two normal values over their standard deviation, as the handbook prints it


def standard_runs(
    samples: SoilSamples, *, allowed_pct: float = ALLOWED_PCT, allowed_ppm: float = ALLOWED_PPM
) -> tuple[StandardRun, ...]:
    """Look at every instrument's check standards.

    In the order of the file; where every reading of an instrument has its time, in that order. A standard is good
    within the larger of `allowed_pct` of its nominal value and `allowed_ppm`.
    """
    runs = []
    instruments = list(dict.fromkeys(handling.instrument for handling in samples.handling))
    for instrument in instruments:
        order = _reading_order(samples, instrument)
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
    """Readings divided by what the check standards around them made of their nominal value.

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


def _reading_order(samples: SoilSamples, instrument: str) -> NDArray[np.intp]:
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

    points: NDArray[np.float64]  # the readings, shape (n,)
    # centre line and three-sigma limits
    center: float
    low: float
    high: float
    sigma: float  # standard deviation of one reading
    outside: tuple[int, ...]  # points beyond a limit, from 0


def individuals_chart(readings: ArrayLike) -> ControlChart:
    """Shewhart chart of single readings in their order, sigma from the mean moving range.

    Limits at the mean ± 3 · mean moving range ÷ 1.128. Raises OutOfRangeError if there are fewer than two readings, or
    one is unknown. Source: NIST/SEMATECH e-Handbook of Statistical Methods, § 6.3.2.2 (doi:10.18434/M32189).

    Moving ranges 2, 1, 1: mean 1.333, sigma 1.182.

    >>> chart = individuals_chart([10, 12, 11, 12])
    >>> chart.center, round(chart.sigma, 3), round(chart.high, 3)
    (11.25, 1.182, 14.796)
    """
    values = np.asarray(readings, dtype=float)
    if values.ndim != 1 or len(values) < 2 or not np.isfinite(values).all():
        problem = "A control chart needs at least 2 known readings in a row."
        raise OutOfRangeError(problem, "Leave unknown readings out, or read the standard more often.")
    center, sigma = float(values.mean()), float(np.abs(np.diff(values)).mean() / _D2_OF_TWO)
    outside = np.flatnonzero(np.abs(values - center) > 3.0 * sigma + 1e-12)
    return ControlChart(
        points=values, center=center, low=center - 3.0 * sigma, high=center + 3.0 * sigma, sigma=sigma,
        outside=tuple(int(i) for i in outside),
    )  # fmt: skip


_SETTLED_PPM, _SETTLED_PCT = 0.5, 5.0  # a reading still moving by more had not settled: common practice, no source
_CONFIDENCE = 0.95


def _repeat_groups(samples: SoilSamples) -> list[NDArray[np.intp]]:
    """Rows that read one sample: a reading and its duplicates, by sample id or by place, at the same depth.

    Those with two readings or more, each in the order of the file.
    """
    if "duplicate" not in samples.kind:
        return []
    named = {(samples.sample_id[i], *_depth(samples, i)) for i in range(len(samples)) if samples.kind[i] == "field"}
    spots = samples.coordinates_m.round(1).tolist()
    groups: dict[tuple[object, ...], list[int]] = {}
    at_place: dict[tuple[object, ...], tuple[object, ...]] = {}
    for i in range(len(samples)):
        if samples.kind[i] not in ("field", "duplicate") or not np.isfinite(samples.nitrate_ppm[i]):
            continue
        key: tuple[object, ...] = (samples.sample_id[i], *_depth(samples, i))
        place = (*spots[i], samples.area_id[i], *_depth(samples, i))
        if samples.kind[i] == "duplicate" and key not in named:
            key = at_place.get(place, key)
        at_place.setdefault(place, key)
        groups.setdefault(key, []).append(i)
    repeated = (np.array(rows, dtype=np.intp) for rows in groups.values())
    return [rows for rows in repeated if len(rows) > 1 and any(samples.kind[i] == "duplicate" for i in rows)]


def repeatability(samples: SoilSamples) -> Repeatability | None:
    """Standard deviation of one reading from samples that one instrument read twice or more.

    Pooled over samples, √(Σ squares ÷ degrees of freedom); None without duplicates. Sources: ISO 5725-6:1994, § 4
    (repeatability limit 2.8 s); NIST/SEMATECH e-Handbook, § 7.2.3.1 (interval of a standard deviation).
    """
    squares, freedom, count = 0.0, 0, 0
    for rows in _repeat_groups(samples):
        for own in _by_instrument(samples, rows).values():
            if len(own) > 1:
                values = samples.nitrate_ppm[own]
                squares += float(((values - values.mean()) ** 2).sum())
                freedom += len(own) - 1
                count += 1
    if not freedom:
        return None
    from scipy.stats import chi2

    sd = float(np.sqrt(squares / freedom))
    tail = (1 - _CONFIDENCE) / 2
    low, high = (float(np.sqrt(squares / chi2.ppf(q, freedom))) for q in (1 - tail, tail))
    return Repeatability(sd_ppm=sd, low_ppm=low, high_ppm=high, limit_ppm=2.8 * sd, freedom=freedom, samples=count)


def unsettled(samples: SoilSamples) -> tuple[NDArray[np.intp], ...]:
    """Samples whose repeated readings were still on the move: each above the one before, or each below, to the last.

    Rows of three readings or more by one instrument, in the order of reading, whose last step is more than 0.5 ppm and
    5 %.
    """
    found = []
    for rows in _repeat_groups(samples):
        for instrument, own in _by_instrument(samples, rows).items():
            if len(own) < 3:
                continue
            order = {int(row): i for i, row in enumerate(_reading_order(samples, instrument))}
            own = own[np.argsort([order[int(row)] for row in own])]
            steps = np.diff(samples.nitrate_ppm[own])
            last = abs(float(steps[-1]))
            moving = bool(np.all(steps > 0) or np.all(steps < 0))
            if moving and last > max(_SETTLED_PPM, _SETTLED_PCT / 100 * abs(float(samples.nitrate_ppm[own[-1]]))):
                found.append(own)
    return tuple(found)


def instrument_differences(samples: SoilSamples) -> tuple[InstrumentPair, ...]:
    """Mean difference of instruments that read the same samples, for each pair of them."""
    by_pair: dict[tuple[str, str], list[float]] = {}
    for rows in _repeat_groups(samples):
        read = {name: float(samples.nitrate_ppm[own].mean()) for name, own in _by_instrument(samples, rows).items()}
        for one, other in combinations(sorted(read), 2):
            by_pair.setdefault((one, other), []).append(read[one] - read[other])
    return tuple(_compared(pair, np.array(gaps)) for pair, gaps in sorted(by_pair.items()))


def _compared(pair: tuple[str, str], gaps: NDArray[np.float64]) -> InstrumentPair:
    low = high = None
    if len(gaps) > 1:
        from scipy.stats import t

        half = float(t.ppf(0.5 + _CONFIDENCE / 2, len(gaps) - 1) * gaps.std(ddof=1) / np.sqrt(len(gaps)))
        low, high = float(gaps.mean()) - half, float(gaps.mean()) + half
    return InstrumentPair(instruments=pair, samples=len(gaps), mean_ppm=float(gaps.mean()), low_ppm=low, high_ppm=high)


def blanks(samples: SoilSamples) -> Blanks | None:
    """What blanks read, and the least that can be detected; None without blanks.

    Source: Currie (1995), Nomenclature in evaluation of analytical methods (IUPAC), Pure Appl. Chem. 67:1699-1723.
    """
    read = np.array([samples.nitrate_ppm[i] for i in range(len(samples)) if samples.kind[i] == "blank"])
    read = read[np.isfinite(read)] if len(read) else read
    if not len(read):
        return None
    sd = float(read.std(ddof=1)) if len(read) > 2 else None
    return Blanks(
        count=len(read), mean_ppm=float(read.mean()), most_ppm=float(read.max()), sd_ppm=sd,
        detection_ppm=None if sd is None else float(read.mean() + 3 * sd),
    )  # fmt: skip


def _depth(samples: SoilSamples, i: int) -> tuple[float, float]:
    return float(samples.top_in[i]), float(samples.bottom_in[i])


def _by_instrument(samples: SoilSamples, rows: NDArray[np.intp]) -> dict[str, NDArray[np.intp]]:
    names = np.array([samples.handling[i].instrument for i in rows])
    return {str(name): rows[names == name] for name in np.unique(names)}
