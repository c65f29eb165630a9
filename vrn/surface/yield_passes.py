"""Harvest records as passes over the field: order, heading, neighbours, and how late the grain is weighed."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding, Quantity, note
from vrn.model.layers import YieldLog
from vrn.surface.nearby import buckets_of, compiled
from vrn.surface.places import in_threads

_GAP_S = 10.0  # a longer pause begins a new pass
_TURN = 0.5  # cosine of the turn between two records that begins a new pass
_LONGEST_STEP = 6.0  # steps of the usual length

_Floats = NDArray[np.float64]
_CHUNK = 16_384
_ASKED = 20_000
_FEWEST_PAIRS = 300
_LONGEST_S = 25.0
_BACK_S = 8.0  # a log whose delay was taken out too far
_LEAST_GAIN = 0.05  # share by which the disagreement has to fall; noise alone makes some hundredths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HarvestPasses:
    """Records that were harvested, in the order the machine wrote them."""

    record: NDArray[np.intp]  # their place in the log, shape (k,)
    run: NDArray[np.int32]  # pass of each, from 0, in order, shape (k,)
    points_m: _Floats  # easting, northing, shape (k, 2)
    along: _Floats  # unit vector of travel, shape (k, 2)
    length_m: _Floats  # distance since the record before in the same pass, shape (k,)
    time_s: _Floats | None  # shape (k,)
    speed_m_s: _Floats | None  # as logged, or from distance and time, shape (k,)

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

    def later(self, value: _Floats, steps: int, rows: NDArray[np.intp]) -> _Floats:
        """Value of the record ``steps`` after some rows in the same pass; NaN where the pass ends before."""
        there = np.clip(rows + steps, 0, len(self) - 1)
        same = (there == rows + steps) & (self.run[there] == self.run[rows])
        return np.where(same, value[there], np.nan)

    def from_ends(self, of: _Floats) -> tuple[_Floats, _Floats]:
        """How far each record is from the beginning and the end of its pass, in sums of ``of``."""
        total = np.cumsum(of)
        first = np.flatnonzero(np.diff(self.run, prepend=-1))
        last = np.append(first[1:], len(self)) - 1
        counts = last - first + 1
        return total - np.repeat(total[first] - of[first], counts), np.repeat(total[last], counts) - total


def passes_of(log: YieldLog) -> HarvestPasses:
    """Sort a log into passes.

    Of the records with a place, a yield and the header at work; a pass ends at a pause, a jump, a turn of more than
    60°, a raised header, or where the log numbers another.

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
    compiled().split_at_turns(points, new, usual, _TURN)
    run = (np.cumsum(new) - 1).astype(np.int32)
    length = np.where(new, usual, length)
    return HarvestPasses(
        record=record, run=run, points_m=points, along=_along(step, new, run), length_m=length, time_s=time,
        speed_m_s=_speed(log, record, length, time, new),
    )  # fmt: skip


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Near:
    """Points sorted into buckets, ready to be asked for neighbours."""

    order: NDArray[np.intp]  # place of each sorted point in the arrays it came from, shape (n,)
    points_m: NDArray[np.float64]  # sorted, shape (n, 2)
    group: NDArray[np.int32]  # pass of each sorted point, shape (n,)
    ground: tuple[Any, ...]  # beginnings, west, south, side, rows, columns of the buckets

    @classmethod
    def of(cls, points_m: NDArray[np.float64], group: NDArray[np.int32]) -> "Near":
        """Sort points, one or more."""
        order, *ground = buckets_of(compiled(), points_m)
        return cls(order=order, points_m=points_m[order], group=group[order], ground=tuple(ground))

    def neighbours(
        self, asked: NDArray[np.intp], *, wanted: int, reach_m: float, strangers_only: bool
    ) -> NDArray[np.int32]:
        """Nearest points of some points.

        `asked` (a,): in the order the points came in. `reach_m`: farther ones do not count. `strangers_only`: whether
        points of the same pass are left out. Returns (a, wanted): in the order the points came in; −1 where there are
        no more.
        """
        place = np.empty(len(self.order), np.intp)
        place[self.order] = np.arange(len(self.order))
        kernels = compiled()
        found = np.empty((len(asked), wanted), np.int32)

        def some(start: int) -> None:
            tile = slice(start, start + _CHUNK)
            kernels.neighbours(
                place[asked[tile]], self.points_m, self.group, *self.ground, wanted, reach_m, strangers_only,
                found[tile],
            )  # fmt: skip

        in_threads(some, range(0, len(asked), _CHUNK))
        known = found >= 0
        found[known] = self.order[found[known]]
        return found

    def local_median(
        self, value: NDArray[np.float64], *, wanted: int, reach_m: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Median of each point's neighbours and the median distance from it; NaN with fewer than five."""
        middle, spread = np.empty((2, len(value)))
        kernels = compiled()
        for start in range(0, len(value), 4 * _CHUNK):
            asked = np.arange(start, min(start + 4 * _CHUNK, len(value)))
            found = self.neighbours(asked, wanted=wanted, reach_m=reach_m, strangers_only=False)
            kernels.medians(found, value, middle[asked[0] : asked[-1] + 1], spread[asked[0] : asked[-1] + 1])
        return middle, spread


def flow_delay(passes: HarvestPasses, value: NDArray[np.float64], *, about: str) -> tuple[int, Finding]:
    """Records by which the yields lag behind the ground they were cut on.

    `value` (k,): yield of each record. `about`: the log. Returns `steps`: 0 where nothing is gained, or where there is
    too little to tell from.

    Neighbouring records of passes in opposite directions saw nearly the same ground, but their yields are displaced the
    opposite ways. Of all shifts the one is taken at which the mean absolute difference of such pairs is least, each
    pass less its mean.

    Source: Chung, Sudduth & Drummond (2002), Determining yield monitoring system delay time with geostatistical and
    data segmentation approaches, Trans. ASAE 45, 915–926; Arslan & Colvin (2002), Grain yield mapping: yield sensing,
    yield reconstruction, and errors, Precision Agriculture 3, 135–154.
    """
    step_s = passes.step_s or 1.0
    if len(passes) < _FEWEST_PAIRS:
        return 0, note("surface.delay-log-short", about)
    mine, theirs = _opposite_pairs(passes)
    if len(mine) < _FEWEST_PAIRS:
        return 0, note("surface.delay-few-passes", about)
    level = np.bincount(passes.run, value) / np.bincount(passes.run)
    value = value - level[passes.run]  # what a whole pass reads too high says nothing of the delay
    shifts = np.arange(-round(_BACK_S / step_s), round(_LONGEST_S / step_s) + 1)
    apart = np.empty(len(shifts))
    for k, shift in enumerate(shifts.tolist()):
        difference = np.abs(passes.later(value, shift, mine) - passes.later(value, shift, theirs))
        known = np.isfinite(difference)
        apart[k] = difference[known].mean() if known.sum() >= _FEWEST_PAIRS // 2 else np.inf
    best = int(apart.argmin())
    unmoved = float(apart[shifts == 0][0])
    if not apart[best] < unmoved * (1.0 - _LEAST_GAIN):
        return 0, note("surface.delay-none", about)
    steps = int(shifts[best])
    gain = Quantity("share", float(1.0 - apart[best] / unmoved))
    if passes.step_s is None:
        return steps, note("surface.delay-in-records", about, records=steps, gain=gain)
    return steps, note("surface.delay-removed", about, seconds=Quantity("number", round(steps * step_s, 1)), gain=gain)


def _opposite_pairs(passes: HarvestPasses) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Records and their nearest neighbours in passes driven the other way."""
    near = Near.of(passes.points_m, passes.run)
    every = max(len(passes) // _ASKED, 1)
    asked = np.arange(0, len(passes), every)
    reach_m = 6.0 * float(np.median(passes.length_m)) + 15.0
    found = near.neighbours(asked, wanted=12, reach_m=reach_m, strangers_only=True)
    heading = np.einsum("ik,ijk->ij", passes.along[asked], passes.along[found])
    fits = (found >= 0) & (heading < -0.8)
    first = fits.argmax(axis=1)
    some = fits.any(axis=1)
    return asked[some], found[np.arange(len(asked)), first][some].astype(np.intp)
