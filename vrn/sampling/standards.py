"""Check standards between samples: did the instrument drift, and which samples lie behind the last good standard?"""

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.model.samples import SoilSamples
from vrn.sampling.control_chart import individuals_chart

ALLOWED_PCT = 10.0  # a check standard may be off: EPA method 353.2, § 9.3.4 (from memory)
ALLOWED_PPM = 0.5  # and never less than this: common practice, no source
_LEAST_NOMINAL_PPM = 1.0  # below it a ratio says nothing
_MOST_DRIFT_PCT = 50.0  # of nominal; beyond it the reading failed, and nothing drifted: a choice of this project


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandardRun:
    """
    Check standards of one instrument in the order they were read, with the samples between them.

    Parameters
    ----------
    instrument : str
        Empty where the file does not say.
    order : ndarray of int, shape (n,)
        Rows of the samples this instrument read, standards among them, in the order of reading.
    standards : ndarray of int, shape (k,)
        Rows that are standards, in that order.
    nominal_ppm, read_ppm : ndarray, shape (k,)
        [ppm]
    good : ndarray of bool, shape (k,)
        Within the allowed band.
    doubtful : ndarray of int
        Field rows with a bad standard just before or after them.
    open_ended : ndarray of int
        Field rows before the first or after the last standard.
    drift_pct : float
        Change of the reading of a standard from the first to the last, by the straight line through them; NaN with
        fewer than three. [% of nominal]
    drift_p : float
        Chance of a line as steep without any drift; NaN with fewer than three.
    """

    instrument: str
    order: NDArray[np.intp]
    standards: NDArray[np.intp]
    nominal_ppm: NDArray[np.float64]
    read_ppm: NDArray[np.float64]
    good: NDArray[np.bool_]
    doubtful: NDArray[np.intp]
    open_ended: NDArray[np.intp]
    drift_pct: float
    drift_p: float

    @property
    def recovery_pct(self) -> NDArray[np.float64]:
        """Reading over nominal value, shape (k,). [%]"""
        return self.read_ppm / self.nominal_ppm * 100.0

    @property
    def corrects(self) -> NDArray[np.bool_]:
        """Whether a standard may correct readings, shape (k,): 1 ppm or more, and off by no more than half."""
        return (self.nominal_ppm >= _LEAST_NOMINAL_PPM) & (np.abs(self.recovery_pct - 100.0) <= _MOST_DRIFT_PCT)

    def to_plain(self, samples: SoilSamples) -> dict[str, Any]:
        """The run with its control chart as numbers and lists; samples are named by their ids."""
        chart = individuals_chart(self.recovery_pct).to_plain() if len(self.standards) > 1 else None
        place = {int(row): i for i, row in enumerate(self.order)}
        return {
            "instrument": self.instrument,
            "standards": [
                {"row": int(samples.row[row]), "after_readings": place[int(row)], "nominal_ppm": float(nominal),
                 "read_ppm": float(read), "recovery_pct": float(recovery), "good": bool(good)}
                for row, nominal, read, recovery, good in zip(
                    self.standards, self.nominal_ppm, self.read_ppm, self.recovery_pct, self.good, strict=True)
            ],
            "allowed_pct": ALLOWED_PCT,
            "allowed_ppm": ALLOWED_PPM,
            "drift_pct": None if np.isnan(self.drift_pct) else self.drift_pct,
            "drift_p": None if np.isnan(self.drift_p) else self.drift_p,
            "doubtful": [samples.sample_id[row] for row in self.doubtful],
            "open_ended": [samples.sample_id[row] for row in self.open_ended],
            "chart_of_recovery_pct": chart,
        }  # fmt: skip


def standard_runs(
    samples: SoilSamples, *, allowed_pct: float = ALLOWED_PCT, allowed_ppm: float = ALLOWED_PPM
) -> tuple[StandardRun, ...]:
    """
    Look at every instrument's check standards.

    Parameters
    ----------
    samples : SoilSamples
        All kinds, in the order of the file; where every reading of an instrument has its time, in that order.
    allowed_pct, allowed_ppm : float
        A standard is good within the larger of the two. [% of nominal], [ppm]

    Returns
    -------
    runs : tuple of StandardRun
        One for each instrument that read a standard.
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

    Parameters
    ----------
    samples : SoilSamples
        All kinds.

    Returns
    -------
    samples : SoilSamples
        Field readings and duplicates corrected, everything else as it was.
    changes : dict of int to (float, float)
        Row of the file → reading before and after. [ppm]

    Notes
    -----
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
