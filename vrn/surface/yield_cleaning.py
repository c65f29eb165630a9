"""Cleaning of a harvest log: named filters with their sources, what each removed, and the flow delay taken out."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note
from vrn.model.layers import YieldLog
from vrn.surface.nearby import compiled
from vrn.surface.yield_passes import HarvestPasses, Near, flow_delay, passes_of
from vrn.units import FT_M

_SIMBAHAN = "Simbahan, Dobermann & Ping (2004), Agronomy Journal 96, 1091–1102"
_RAMP_S = 4.0
RAMP_M = 8.0  # where the log has no clock
_SPEED_CHANGE = 0.2
_SLOWEST_M_S = 0.3
_OVERLAP = 0.5
_MOISTURE_PCT = (5.0, 45.0)
_SPREADS = 4.0  # robust standard deviations
_LEAST_SHARE = 0.02  # of the median yield
SHORT_M = 15.0
_SHORT = 5  # records
_NEIGHBOURS = 25
_LOCAL_SPREADS = 3.5
_FEWEST = 50


# key of each reason to leave a harvest record out → where it is described
FILTERS: Final = {
    "no-place-or-yield": "common practice, no source",
    "header-up": _SIMBAHAN,
    "ends-of-pass": f"{_SIMBAHAN}; Blackmore & Moore (1999), Precision Agriculture 1, 53–66",
    "speed-change": "Arslan & Colvin (2002), Precision Agriculture 3, 135–154; the 20 % is common practice",
    "swath-overlap": "Drummond, Fraisse & Sudduth (1999), Trans. ASAE 42, 1221–1227; the half is a choice of this "
    "project",
    "moisture": f"{_SIMBAHAN}; the limits are common practice",
    "implausible-yield": "Vega et al. (2019), Precision Agriculture 20, 1030–1044; there three standard deviations of "
    "the mean",
    "short-pass": _SIMBAHAN,
    "local-outlier": f"{_SIMBAHAN}; Spekken, Anselmi & Molin (2013), Precision agriculture '13, 259–266",
}
_CODE = {key: code for code, key in enumerate(FILTERS, start=1)}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CleanLog:
    """A log with its flow delay taken out and every record kept or given a reason."""

    log: YieldLog
    # 0 for a record that is kept, else the number of its filter in `FILTERS`, from 1: the first that applied, shape
    # (n,)
    reason: NDArray[np.int8]
    passes: HarvestPasses  # of the records that are kept
    yield_bu_ac: NDArray[np.float64]  # of the records that are kept, on the ground they were cut on, shape (k,)
    swath_m: float  # usual width of the cut
    delay_steps: int  # records by which the yields were moved
    findings: tuple[Finding, ...]

    def removed(self) -> dict[str, int]:
        """Records that each filter left out, by its key."""
        counts = np.bincount(self.reason, minlength=len(FILTERS) + 1)
        return {key: int(count) for key, count in zip(FILTERS, counts[1:], strict=True)}


def clean(log: YieldLog) -> CleanLog:
    """Take out the flow delay, and leave out what is not the yield of its place.

    Raises InputFileError if fewer than 50 records are left. Raises MissingExtraError if the extra ``dense`` is not
    installed.

    Source: Lyle, Bryan & Ostendorf (2014), Post-processing methods to eliminate erroneous grain yield measurements:
    review and directions for future development, Precision Agriculture 15, 377–402. Each filter names its own source.
    """
    reason = np.full(len(log), _CODE["no-place-or-yield"], np.int8)
    placed = np.isfinite(log.coordinates_m).all(axis=1) & np.isfinite(log.yield_bu_ac)
    at_work = placed.copy()
    if log.header_down is not None:
        reason[placed & ~log.header_down] = _CODE["header-up"]
        at_work &= log.header_down
    _enough(log, int(at_work.sum()))
    passes = passes_of(log)
    logged = log.yield_bu_ac[passes.record].astype(float)
    steps, delay = flow_delay(passes, logged, about=log.source)
    moved = passes.later(logged, steps, np.arange(len(logged)))
    swath, assumed = _swath(log, passes)
    code = _judge(log, passes, moved, swath)
    kept = np.flatnonzero(code == 0)
    _enough(log, len(kept))
    code[kept] = _local_outliers(passes.points_m[kept], passes.run[kept], moved[kept])
    reason[passes.record] = code
    kept = np.flatnonzero(code == 0)
    _enough(log, len(kept))
    return CleanLog(
        log=log, reason=reason, passes=_take(passes, kept), yield_bu_ac=moved[kept], swath_m=float(np.median(swath)),
        delay_steps=steps, findings=(delay, *assumed),
    )  # fmt: skip


def _judge(
    log: YieldLog, passes: HarvestPasses, moved: NDArray[np.float64], swath: NDArray[np.float64]
) -> NDArray[np.int8]:
    """Number of the first filter that each record of a pass falls to, 0 for none; local outliers come later."""
    code = np.zeros(len(passes), np.int8)

    def leave_out(name: str, where: NDArray[np.bool_]) -> None:
        code[(code == 0) & where] = _CODE[name]

    lasting = np.full(len(passes), passes.step_s) if passes.step_s else passes.length_m
    begun, left = passes.from_ends(lasting)
    ramp = _RAMP_S if passes.step_s else RAMP_M
    records = np.bincount(passes.run)[passes.run]
    ground = np.bincount(passes.run, passes.length_m)[passes.run]
    leave_out("short-pass", (records < _SHORT) | (ground < SHORT_M))
    leave_out("ends-of-pass", (begun < ramp) | (left < ramp) | np.isnan(moved))
    if passes.speed_m_s is not None:
        speed = passes.speed_m_s
        change = np.abs(np.diff(speed, prepend=speed[:1])) > _SPEED_CHANGE * np.maximum(speed, np.roll(speed, 1))
        leave_out("speed-change", (change & (np.diff(passes.run, prepend=-1) == 0)) | (speed < _SLOWEST_M_S))
    leave_out("speed-change", passes.length_m <= 0)
    leave_out("swath-overlap", _cut_before(passes, swath) >= _OVERLAP)
    if log.moisture_pct is not None:
        moisture = log.moisture_pct[passes.record]
        low, high = _MOISTURE_PCT
        middle, spread = _middle(moisture[(moisture > low) & (moisture < high)])
        far = np.abs(moisture - middle) > _SPREADS * max(spread, 0.5)
        leave_out("moisture", (moisture < low) | (moisture > high) | far)
    middle, spread = _middle(moved[code == 0])
    leave_out("implausible-yield", (moved < _LEAST_SHARE * middle) | (moved > middle + _SPREADS * spread))
    return code


def _local_outliers(
    points: NDArray[np.float64], run: NDArray[np.int32], value: NDArray[np.float64]
) -> NDArray[np.int8]:
    middle, spread = Near.of(points, run).local_median(value, wanted=_NEIGHBOURS, reach_m=60.0)
    apart = np.abs(value - middle)
    usual = 1.4826 * float(np.nanmedian(spread)) if np.isfinite(spread).any() else np.inf
    far = apart > _LOCAL_SPREADS * np.maximum(1.4826 * spread, usual)
    return np.where(far, _CODE["local-outlier"], 0).astype(np.int8)


def _cut_before(passes: HarvestPasses, swath: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of each record's swath that an earlier pass had cut."""
    margin = float(swath.max()) + 2.0
    west, south = passes.points_m.min(axis=0) - margin
    width, height = np.ptp(passes.points_m, axis=0) + 2 * margin
    share = compiled().already_cut(
        *passes.points_m.T, *passes.along.T, np.minimum(passes.length_m, 20.0), swath, passes.run, west, south,
        int(height) + 1, int(width) + 1,
    )  # fmt: skip
    return np.asarray(share)


def _swath(log: YieldLog, passes: HarvestPasses) -> tuple[NDArray[np.float64], tuple[Finding, ...]]:
    """Width of the cut at each record, from the log or from the distance between passes. [m]"""
    if log.swath_m is not None:
        swath = log.swath_m[passes.record].astype(float)
        known = np.isfinite(swath) & (swath > 0)
        if known.any():
            return np.where(known, np.minimum(swath, 40.0), np.median(swath[known])), ()
    asked = np.arange(0, len(passes), max(len(passes) // 5_000, 1))
    found = Near.of(passes.points_m, passes.run).neighbours(asked, wanted=1, reach_m=30.0, strangers_only=True)[:, 0]
    some = found >= 0
    apart = passes.points_m[asked[some]] - passes.points_m[found[some]]
    width = float(np.median(np.hypot(*apart.T))) if some.any() else 6.0
    assumed = note("surface.swath-assumed", log.source, width=Quantity("length", width / FT_M))
    return np.full(len(passes), width), (assumed,)


def _middle(value: NDArray[np.float64]) -> tuple[float, float]:
    """Median and robust standard deviation; NaN of nothing."""
    value = value[np.isfinite(value)]
    if not len(value):
        return np.nan, np.nan
    middle = float(np.median(value))
    return middle, 1.4826 * float(np.median(np.abs(value - middle)))


def _take(passes: HarvestPasses, rows: NDArray[np.intp]) -> HarvestPasses:
    """Some of the records, the passes numbered anew."""
    return HarvestPasses(
        record=passes.record[rows], run=np.unique(passes.run[rows], return_inverse=True)[1].ravel().astype(np.int32),
        points_m=passes.points_m[rows], along=passes.along[rows], length_m=passes.length_m[rows],
        time_s=None if passes.time_s is None else passes.time_s[rows],
        speed_m_s=None if passes.speed_m_s is None else passes.speed_m_s[rows],
    )  # fmt: skip


def _enough(log: YieldLog, count: int) -> None:
    if count < _FEWEST:
        problem = f"{log.source}: {count} of {len(log)} harvest records can be used, and {_FEWEST} are the least."
        raise InputFileError(problem, "Check the yield, place and header columns, or leave the file out.")
