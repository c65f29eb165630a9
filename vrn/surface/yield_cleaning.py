"""Cleaning of a harvest log: named filters with their sources, what each removed, and the flow delay taken out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.model.layers import YieldLog
from vrn.surface.dense import compiled_for_logs
from vrn.surface.yield_delay import flow_delay
from vrn.surface.yield_near import Near
from vrn.surface.yield_passes import Passes, passes_of

_SIMBAHAN = "Simbahan, Dobermann & Ping (2004), Agronomy Journal 96, 1091–1102"
_RAMP_S = 4.0
_RAMP_M = 8.0  # where the log has no clock
_SPEED_CHANGE = 0.2
_SLOWEST_M_S = 0.3
_OVERLAP = 0.5
_MOISTURE_PCT = (5.0, 45.0)
_SPREADS = 4.0  # robust standard deviations
_LEAST_SHARE = 0.02  # of the median yield
_SHORT_M = 15.0
_SHORT = 5  # records
_NEIGHBOURS = 25
_LOCAL_SPREADS = 3.5
_FEWEST = 50


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """A reason to leave a harvest record out: its name, what it does, and where it is described."""

    name: str
    does: str
    source: str


FILTERS: tuple[Filter, ...] = (
    Filter(
        name="no place or yield", does="the record has no position or no yield", source="common practice, no source"
    ),
    Filter(name="header up", does="the header was not at work", source=_SIMBAHAN),
    Filter(
        name="start and end of pass",
        does="within 4 s (8 m without a clock) of the beginning or end of a pass, or its grain came after the pass",
        source=f"{_SIMBAHAN}; Blackmore & Moore (1999), Precision Agriculture 1, 53–66",
    ),
    Filter(
        name="speed change",
        does="the speed changed by more than 20 % since the record before, or the machine stood",
        source="Arslan & Colvin (2002), Precision Agriculture 3, 135–154; the 20 % is common practice",
    ),
    Filter(
        name="swath overlap",
        does="half of the swath or more had been cut by an earlier pass",
        source="Drummond, Fraisse & Sudduth (1999), Trans. ASAE 42, 1221–1227; the half is a choice of this project",
    ),
    Filter(
        name="implausible moisture",
        does="grain moisture outside 5 to 45 %, or farther than 4 robust standard deviations from the log's median",
        source=f"{_SIMBAHAN}; the limits are common practice",
    ),
    Filter(
        name="implausible yield",
        does="yield below 2 % of the log's median, or farther above it than 4 robust standard deviations",
        source="Vega et al. (2019), Precision Agriculture 20, 1030–1044; there three standard deviations of the mean",
    ),
    Filter(name="short pass", does="the pass is shorter than 15 m or 5 records", source=_SIMBAHAN),
    Filter(
        name="local outlier",
        does="farther than 3.5 robust standard deviations from the median of its 25 nearest records",
        source=f"{_SIMBAHAN}; Spekken, Anselmi & Molin (2013), Precision agriculture '13, 259–266",
    ),
)
_CODE = {rule.name: code for code, rule in enumerate(FILTERS, start=1)}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CleanLog:
    """
    A log with its flow delay taken out and every record kept or given a reason.

    Parameters
    ----------
    log : YieldLog
    reason : ndarray of int8, shape (n,)
        0 for a record that is kept, else the number of its filter in `FILTERS`, from 1: the first that applied.
    passes : Passes
        Of the records that are kept.
    yield_bu_ac : ndarray, shape (k,)
        Of the records that are kept, on the ground they were cut on. [bu/ac]
    swath_m : float
        Usual width of the cut. [m]
    delay_steps : int
        Records by which the yields were moved.
    notes : tuple of str
    """

    log: YieldLog
    reason: NDArray[np.int8]
    passes: Passes
    yield_bu_ac: NDArray[np.float64]
    swath_m: float
    delay_steps: int
    notes: tuple[str, ...]

    def removed(self) -> dict[str, int]:
        """Records that each filter left out, by its name."""
        counts = np.bincount(self.reason, minlength=len(FILTERS) + 1)
        return {rule.name: int(count) for rule, count in zip(FILTERS, counts[1:], strict=True)}


def clean(log: YieldLog) -> CleanLog:
    """
    Take out the flow delay, and leave out what is not the yield of its place.

    Parameters
    ----------
    log : YieldLog

    Returns
    -------
    clean : CleanLog

    Raises
    ------
    InputFileError
        If fewer than 50 records are left.
    MissingExtraError
        If the extra ``dense`` is not installed.

    References
    ----------
    Lyle, Bryan & Ostendorf (2014), Post-processing methods to eliminate erroneous grain yield measurements: review and
    directions for future development, Precision Agriculture 15, 377–402. Each filter names its own source.
    """
    reason = np.full(len(log), _CODE["no place or yield"], np.int8)
    placed = np.isfinite(log.coordinates_m).all(axis=1) & np.isfinite(log.yield_bu_ac)
    at_work = placed.copy()
    if log.header_down is not None:
        reason[placed & ~log.header_down] = _CODE["header up"]
        at_work &= log.header_down
    _enough(log, int(at_work.sum()))
    passes = passes_of(log)
    logged = log.yield_bu_ac[passes.record].astype(float)
    steps, note = flow_delay(passes, logged)
    moved = np.empty(len(logged))
    compiled_for_logs().shift_by(passes.run, steps, logged, moved)
    swath, notes = _swath(log, passes)
    code = _judge(log, passes, moved, swath)
    kept = np.flatnonzero(code == 0)
    _enough(log, len(kept))
    code[kept] = _local_outliers(passes.points_m[kept], passes.run[kept], moved[kept])
    reason[passes.record] = code
    kept = np.flatnonzero(code == 0)
    _enough(log, len(kept))
    return CleanLog(
        log=log, reason=reason, passes=_take(passes, kept), yield_bu_ac=moved[kept], swath_m=float(np.median(swath)),
        delay_steps=steps, notes=(note, *notes),
    )  # fmt: skip


def _judge(log: YieldLog, passes: Passes, moved: NDArray[np.float64], swath: NDArray[np.float64]) -> NDArray[np.int8]:
    """Number of the first filter that each record of a pass falls to, 0 for none; local outliers come later."""
    code = np.zeros(len(passes), np.int8)

    def leave_out(name: str, where: NDArray[np.bool_]) -> None:
        code[(code == 0) & where] = _CODE[name]

    lasting = np.full(len(passes), passes.step_s) if passes.step_s else passes.length_m
    begun, left = passes.from_ends(lasting)
    ramp = _RAMP_S if passes.step_s else _RAMP_M
    records = np.bincount(passes.run)[passes.run]
    ground = np.bincount(passes.run, passes.length_m)[passes.run]
    leave_out("short pass", (records < _SHORT) | (ground < _SHORT_M))
    leave_out("start and end of pass", (begun < ramp) | (left < ramp) | np.isnan(moved))
    if passes.speed_m_s is not None:
        speed = passes.speed_m_s
        change = np.abs(np.diff(speed, prepend=speed[:1])) > _SPEED_CHANGE * np.maximum(speed, np.roll(speed, 1))
        leave_out("speed change", (change & (np.diff(passes.run, prepend=-1) == 0)) | (speed < _SLOWEST_M_S))
    leave_out("speed change", passes.length_m <= 0)
    leave_out("swath overlap", _cut_before(passes, swath) >= _OVERLAP)
    if log.moisture_pct is not None:
        moisture = log.moisture_pct[passes.record]
        low, high = _MOISTURE_PCT
        middle, spread = _middle(moisture[(moisture > low) & (moisture < high)])
        far = np.abs(moisture - middle) > _SPREADS * max(spread, 0.5)
        leave_out("implausible moisture", (moisture < low) | (moisture > high) | far)
    middle, spread = _middle(moved[code == 0])
    leave_out("implausible yield", (moved < _LEAST_SHARE * middle) | (moved > middle + _SPREADS * spread))
    return code


def _local_outliers(
    points: NDArray[np.float64], run: NDArray[np.int32], value: NDArray[np.float64]
) -> NDArray[np.int8]:
    middle, spread = Near.of(points, run).local_median(value, wanted=_NEIGHBOURS, reach_m=60.0)
    apart = np.abs(value - middle)
    usual = 1.4826 * float(np.nanmedian(spread)) if np.isfinite(spread).any() else np.inf
    far = apart > _LOCAL_SPREADS * np.maximum(1.4826 * spread, usual)
    return np.where(far, _CODE["local outlier"], 0).astype(np.int8)


def _cut_before(passes: Passes, swath: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share of each record's swath that an earlier pass had cut."""
    margin = float(swath.max()) + 2.0
    west, south = passes.points_m.min(axis=0) - margin
    width, height = np.ptp(passes.points_m, axis=0) + 2 * margin
    share = compiled_for_logs().already_cut(
        *passes.points_m.T, *passes.along.T, np.minimum(passes.length_m, 20.0), swath, passes.run, west, south,
        int(height) + 1, int(width) + 1,
    )  # fmt: skip
    return np.asarray(share)


def _swath(log: YieldLog, passes: Passes) -> tuple[NDArray[np.float64], tuple[str, ...]]:
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
    note = f"The log gives no swath width; passes lie {width:.1f} m apart, and that was taken."
    return np.full(len(passes), width), (note,)


def _middle(value: NDArray[np.float64]) -> tuple[float, float]:
    """Median and robust standard deviation; NaN of nothing."""
    value = value[np.isfinite(value)]
    if not len(value):
        return np.nan, np.nan
    middle = float(np.median(value))
    return middle, 1.4826 * float(np.median(np.abs(value - middle)))


def _take(passes: Passes, rows: NDArray[np.intp]) -> Passes:
    """Some of the records, the passes numbered anew."""
    return Passes(
        record=passes.record[rows],
        run=np.unique(passes.run[rows], return_inverse=True)[1].ravel().astype(np.int32),
        points_m=passes.points_m[rows],
        along=passes.along[rows],
        length_m=passes.length_m[rows],
        time_s=None if passes.time_s is None else passes.time_s[rows],
        speed_m_s=None if passes.speed_m_s is None else passes.speed_m_s[rows],
    )


def _enough(log: YieldLog, count: int) -> None:
    if count < _FEWEST:
        problem = f"{log.source}: {count} of {len(log)} harvest records can be used, and {_FEWEST} are the least."
        raise InputFileError(problem, "Check the yield, place and header columns, or leave the file out.")
