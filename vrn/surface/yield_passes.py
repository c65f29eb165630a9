"""Harvest records as passes over the field: order, heading, speed, and what is missing filled in."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.model.layers import YieldLog
from vrn.surface.dense import compiled_for_logs

_GAP_S = 10.0  # a longer pause begins a new pass
_TURN = 0.5  # cosine of the turn between two records that begins a new pass
_LONGEST_STEP = 6.0  # steps of the usual length

_Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passes:
    """
    Records that were harvested, in the order the machine wrote them.

    Parameters
    ----------
    record : ndarray of int, shape (k,)
        Their place in the log.
    run : ndarray of int32, shape (k,)
        Pass of each, from 0, in order.
    points_m : ndarray, shape (k, 2)
        Easting, northing. [m]
    along : ndarray, shape (k, 2)
        Unit vector of travel.
    length_m : ndarray, shape (k,)
        Distance since the record before in the same pass. [m]
    time_s : ndarray, shape (k,), or None
        [s]
    speed_m_s : ndarray, shape (k,), or None
        As logged, or from distance and time. [m/s]
    """

    record: NDArray[np.intp]
    run: NDArray[np.int32]
    points_m: _Floats
    along: _Floats
    length_m: _Floats
    time_s: _Floats | None
    speed_m_s: _Floats | None

    def __len__(self) -> int:
        return len(self.record)

    @property
    def step_s(self) -> float | None:
        """Usual time between records; None where the log has no clock. [s]"""
        if self.time_s is None or len(self) < 2:
            return None
        step = np.diff(self.time_s)[np.diff(self.run) == 0]
        step = step[step > 0]
        return float(np.median(step)) if len(step) else None

    def from_ends(self, of: _Floats) -> tuple[_Floats, _Floats]:
        """How far each record is from the beginning and the end of its pass, in sums of ``of``."""
        total = np.cumsum(of)
        first = np.flatnonzero(np.diff(self.run, prepend=-1))
        last = np.append(first[1:], len(self)) - 1
        counts = last - first + 1
        return total - np.repeat(total[first] - of[first], counts), np.repeat(total[last], counts) - total


def passes_of(log: YieldLog) -> Passes:
    """
    Sort a log into passes.

    Parameters
    ----------
    log : YieldLog

    Returns
    -------
    passes : Passes
        Of the records with a place, a yield and the header at work; a pass ends at a pause, a jump, a turn of more
        than 60°, a raised header, or where the log numbers another.

    Examples
    --------
    Up and back, 2 m a record:

    >>> up = [(0.0, 2.0 * i) for i in range(5)]
    >>> places = np.array(up + [(9.0, y) for _, y in reversed(up)])
    >>> passes_of(YieldLog(source="log.csv", coordinates_m=places, yield_bu_ac=np.full(10, 200.0))).run.tolist()
    [0, 0, 0, 0, 0, 1, 1, 1, 1, 1]
    """
    usable = np.isfinite(log.coordinates_m).all(axis=1) & np.isfinite(log.yield_bu_ac)
    if log.header_down is not None:
        usable &= log.header_down
    record = np.flatnonzero(usable)
    if log.time_s is not None and np.isfinite(log.time_s[record]).all():
        machine = np.zeros(len(record)) if log.machine_id is None else log.machine_id[record]
        record = record[np.lexsort((log.time_s[record], machine))]
    points = log.coordinates_m[record]
    step = np.diff(points, axis=0, prepend=points[:1])
    length = np.hypot(step[:, 0], step[:, 1])
    usual = float(np.median(length[length > 0])) if (length > 0).any() else 1.0
    new = length > _LONGEST_STEP * usual
    for column in (log.pass_id, log.machine_id):
        if column is not None:
            new |= np.diff(column[record], prepend=column[record][:1]) != 0
    time = None if log.time_s is None else log.time_s[record].astype(float)
    if time is not None:
        if not np.isfinite(time).all():
            time = None
        else:
            pause = np.diff(time, prepend=time[:1])
            new |= pause > max(_GAP_S, 5.0 * float(np.median(pause)))
    new[:1] = True
    compiled_for_logs().split_at_turns(points, new, usual, _TURN)
    run = (np.cumsum(new) - 1).astype(np.int32)
    length = np.where(new, usual, length)
    return Passes(
        record=record,
        run=run,
        points_m=points,
        along=_along(step, new, run),
        length_m=length,
        time_s=time,
        speed_m_s=_speed(log, record, length, time, new),
    )


def _along(step: _Floats, new: NDArray[np.bool_], run: NDArray[np.int32]) -> _Floats:
    """Unit vectors of travel: over five records, within the pass."""
    if not len(step):
        return step
    inside = np.where(new[:, None], 0.0, step)
    total = np.cumsum(inside, axis=0)
    index = np.arange(len(step))
    first = np.flatnonzero(new)[run]
    last = np.append(np.flatnonzero(new)[1:], len(step))[run] - 1
    way = total[np.minimum(index + 2, last)] - total[np.maximum(index - 2, first)]
    size = np.hypot(way[:, 0], way[:, 1])[:, None]
    return np.asarray(np.divide(way, size, out=np.tile([1.0, 0.0], (len(step), 1)), where=size > 0))


def _speed(
    log: YieldLog, record: NDArray[np.intp], length: _Floats, time: _Floats | None, new: NDArray[np.bool_]
) -> _Floats | None:
    if log.speed_m_s is not None:
        return log.speed_m_s[record]
    if time is None or len(time) < 2:
        return None
    pause = np.diff(time, prepend=time[:1])
    speed = np.divide(length, pause, out=np.full(len(time), np.nan), where=pause > 0)
    begins = np.flatnonzero(new)
    speed[begins] = speed[np.minimum(begins + 1, len(speed) - 1)]
    return np.asarray(speed)
