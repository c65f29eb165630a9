"""A machine's own log as ground with a rate: a polygon for each section that was on, from record to record."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.applied import AppliedRecords
from vrn.audit.boom import Boom, Piece, holders
from vrn.audit.time_log import Element, Task, TimeLog, read_task_data
from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.grid import transformer
from vrn.units import HA_M2, LB_KG, US_GAL_L

Array = NDArray[np.float64]

_BY: Final = {
    # product's unit → entities of the actual and the set rate, one of theirs in units per ha, that unit, entities of
    # the counters with one of theirs in L or kg, L or kg in the product's unit (data dictionary of ISO 11783-11)
    "gal": (2, 1, 1e-4, "L/ha", {351: 1e-3, 80: 1.0}, US_GAL_L),
    "lb": (7, 6, 1e-2, "kg/ha", {352: 1e-3, 81: 1.0}, LB_KG),
}  # fmt: skip
# choices of this project, no source
_LONGEST_S, _USUAL_STEPS, _FASTEST_M_S, _LEAST_S = 10.0, 5.0, 20.0, 0.1  # a step longer or faster is a break
_LENGTH_M = 5.0  # of a polygon, about
_STEP_M = 0.5  # least way that counts as moved
_TOTAL_OFF = 0.02  # law of the format's own totals


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Track:
    """Steps driven: the record whose values count in each, place and heading at both ends, whether it goes on."""

    record: NDArray[np.intp]
    places: tuple[Array, Array]  # shape (n, 2) [m]
    headings: tuple[Array, Array]
    goes_on: NDArray[np.bool_]  # from the step before


def read_machine_log(
    path: Path,
    *,
    boundary: shapely.Geometry,
    crs: str,
    unit: Literal["gal", "lb"],
    element: str | None = None,
    width_m: float | None = None,
) -> AppliedRecords:
    """
    As-applied ground of the tasks in a TASKDATA folder or its zip that were driven on a field.

    Parameters
    ----------
    boundary : shapely.Geometry
        In ``crs``, a projected system in metres.
    unit : {"gal", "lb"}
        How the product is sold: rates by volume or by mass.
    element : str, optional
        Device element whose rate counts, where a log has several on the same ground.
    width_m : float, optional
        Width of the machine, where the log has none. [m]

    Raises
    ------
    InputFileError
        If a file is missing or damaged, no record lies on the field, or there is no rate of that kind or no width.

    Notes
    -----
    A value counts from its record to the next one. A section lies off the antenna by the offsets of its device element
    (x forward, y to the right), turned by the heading; a trailed implement is taken to stand straight behind. The rate
    is that of the nearest element above a section, or of the one bin beside it.
    """
    data = read_task_data(path)
    change = transformer("EPSG:4326", crs)
    places = {id(log): np.column_stack(change.transform(log.longitude, log.latitude))
              for task in data.tasks for log in task.logs}  # fmt: skip
    shapely.prepare(boundary)
    tasks = [task for task in data.tasks
             if any(shapely.contains_xy(boundary, places[id(log)]).any() for log in task.logs)]  # fmt: skip
    if not tasks:
        count = sum(len(log.time_s) for task in data.tasks for log in task.logs)
        problem = f"{path.name}: none of its {count} records lies on the field."
        raise InputFileError(problem, "Give the log of this field; check that the receiver had a fix.")
    actual, target, scale, named, counters, _ = _BY[unit]
    entity = next((one for one in (actual, target) if any(_given(log, one) for t in tasks for log in t.logs)), None)
    if entity is None:
        kind = "volume" if unit == "gal" else "mass"
        problem = f"{path.name}: it has no rate by {kind} (entity {actual} or {target}), as this product is sold."
        raise InputFileError(problem, "Give the log of this product, or an as-applied file with a rate.")
    findings: list[Finding] = [] if entity == actual else [warning("audit.log-setpoints", path.name)]
    others, tasks = len(tasks), [task for task in tasks if any(_given(log, entity) for log in task.logs)]
    if others > len(tasks):
        findings.append(warning("audit.log-tasks-left-out", path.name, tasks=others - len(tasks)))
    if len(tasks) > 1:
        findings.append(warning("audit.log-tasks", path.name, tasks=len(tasks)))
    ground: list[tuple[NDArray[np.object_], Array]] = []
    amount, counted, assumed, loose, narrowest_m = 0.0, 0.0, False, False, math.inf
    for task in tasks:
        sources: set[str] = set()
        for log in task.logs:
            boom = Boom(task, log, data.elements, rate=entity, element=element, width_m=width_m)
            track = _track(places[id(log)], log.time_s)
            for piece in boom.pieces():
                rate = boom.value(piece.source, entity) * scale
                sources.add(piece.source)
                narrowest_m = min(narrowest_m, float(np.nanmax(piece.width_m, initial=0.0)) or math.inf)
                loose |= boom.antenna_m(piece.source) is None
                assumed |= bool((np.isnan(piece.on) & (rate > 0)).any())
                shapes, on_rate, area_m2 = _ground(track, piece, rate)
                ground.append((shapes, on_rate))
                amount += float(np.nansum(on_rate * area_m2)) / HA_M2
        counted += _counted(task, data.elements, sources, counters)
    if not any(len(shapes) for shapes, _ in ground):
        problem = f"{path.name}: no section was on while the machine moved."
        raise InputFileError(problem, "Check that it is the log of the whole work.")
    if assumed:
        findings.append(note("audit.log-states-assumed", path.name))
    if loose:
        findings.append(note("audit.log-antenna-assumed", path.name))
    findings += _held_against_counter(path.name, amount, counted, unit)
    return AppliedRecords(
        source=path.name, shapes=np.concatenate([shapes for shapes, _ in ground]), crs=crs, unit=named,
        rate=np.concatenate([rate for _, rate in ground]), width_m=None, speed_m_s=None, distance_m=None,
        rate_column=f"entity {entity}", findings=tuple(findings), narrowest_m=narrowest_m,
        meter_factor=counted / amount if counted > 0 and amount > 0 else float("nan"),
    )  # fmt: skip


def _given(log: TimeLog, entity: int) -> bool:
    return any(one == entity and bool(np.isfinite(values).any()) for (_, one), values in log.values.items())


def _held_against_counter(source: str, amount: float, counted: float, unit: Literal["gal", "lb"]) -> Iterator[Finding]:
    """The law: the rates add up to within 2 % of what the machine counted, or to one step of its counter."""
    if counted > 0 and abs(amount - counted) > max(_TOTAL_OFF * counted, 1.0):
        size = _BY[unit][5]
        yield warning("audit.log-total-off", source, share=Quantity("share", amount / counted),
                      rates=Quantity(unit, amount / size), counter=Quantity(unit, counted / size))  # fmt: skip


def _counted(task: Task, elements: dict[str, Element], sources: set[str], counters: dict[int, float]) -> float:
    """What the task's own counters say was applied, in L or kg; 0 when it has none."""
    for entity, size in counters.items():
        keys = [*task.totals, *(key for log in task.logs for key in log.values)]
        having = {name for name, one in keys if one == entity}
        mine = {name for source in sources for name in holders(source, elements, having)}
        logged = [log.values[name, entity] for log in task.logs for name in mine if (name, entity) in log.values]
        grown = sum(float(np.clip(np.diff(values[np.isfinite(values)]), 0, None).sum()) for values in logged)
        whole = size * (grown or sum(task.totals.get((name, entity), 0) for name in mine))
        if whole > 0:
            return whole
    return 0.0


def _track(xy: Array, time_s: Array) -> _Track:
    """Steps from place to place, half a metre or more: less is the receiver's scatter, at a standstill all of it."""
    fixed = np.flatnonzero(np.isfinite(xy).all(axis=1))
    xy, took = xy[fixed], np.diff(time_s[fixed])
    step = np.hypot(*np.diff(xy, axis=0).T)
    moved = took[(step > 0) & (took > 0)]
    longest = max(_LONGEST_S, _USUAL_STEPS * float(np.median(moved))) if len(moved) else _LONGEST_S
    joined = (took >= 0) & (took <= longest) & (step <= _FASTEST_M_S * np.maximum(took, _LEAST_S))
    stops, first = [], []
    for run in np.split(np.arange(len(xy)), np.flatnonzero(~joined) + 1):
        stops += (mine := _stops(xy[run], run))
        first += [True] + [False] * (len(mine) - 1)
    at, starts = np.array(stops, dtype=np.intp), np.array(first, dtype=bool)
    heading, onward = _headings(xy[at], starts), ~starts[1:]
    return _Track(
        record=fixed[at[1:] - 1][onward], places=(xy[at[:-1]][onward], xy[at[1:]][onward]),
        headings=(heading[:-1][onward], heading[1:][onward]), goes_on=~starts[:-1][onward],
    )  # fmt: skip


def _stops(xy: Array, records: NDArray[np.intp]) -> list[int]:
    """Records of a run that lie half a metre or more from the one before them in this list."""
    found, last = [int(records[0])], xy[0]
    for place, record in zip(xy, records.tolist(), strict=True):
        if math.hypot(place[0] - last[0], place[1] - last[1]) >= _STEP_M:
            found.append(record)
            last = place
    return found


def _headings(xy: Array, starts: NDArray[np.bool_]) -> Array:
    """
    Unit vector of travel at each place of several runs: along the step on and the step back, where there are both.

    Examples
    --------
    East, then north; the corner is halfway between.

    >>> _headings(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0]]), np.array([True, False, False])).round(3).tolist()
    [[1.0, 0.0], [0.707, 0.707], [0.0, 1.0]]
    """
    step = np.where(starts[1:, None], 0.0, np.diff(xy, axis=0))
    way = np.zeros_like(xy)
    way[:-1] += step
    way[1:] += step
    size = np.hypot(way[:, 0], way[:, 1])
    return np.asarray(np.where(size[:, None] > 0, way, (0.0, 1.0)) / np.where(size > 0, size, 1.0)[:, None])


def _ground(track: _Track, piece: Piece, rate: Array) -> tuple[NDArray[np.object_], Array, Array]:
    """
    Polygons of a piece while it was on, their rate, and width times way of each. [m²]

    Steps that follow each other, a few metres at most, with the same rate and width are one polygon.
    """
    rate, width, ahead, right = (one[track.record] for one in (rate, piece.width_m, piece.ahead_m, piece.right_m))
    state = piece.on[track.record]
    kept = np.flatnonzero(np.where(np.isnan(state), rate > 0, state == 1.0) & (width > 0))
    if len(kept) == 0:
        return np.zeros(0, dtype=object), np.zeros(0), np.zeros(0)

    def edge(end: int, side: float) -> Array:
        """Left end, middle or right end of the piece at the beginning or the end of each step."""
        heading = track.headings[end][kept]
        across = heading[:, ::-1] * np.array([1.0, -1.0])
        off = right[kept] + side * width[kept] / 2
        return np.asarray(track.places[end][kept] + ahead[kept, None] * heading + off[:, None] * across)

    way = np.hypot(*(edge(1, 0) - edge(0, 0)).T)
    alike = (np.diff(kept) == 1) & track.goes_on[kept[1:]]
    for one in (rate, width, ahead, right):
        alike &= np.diff(one[kept]) == 0
    run = np.concatenate([[0], np.cumsum(~alike)])
    driven = np.cumsum(way) - way
    length = (driven - driven[np.searchsorted(run, run)]) // _LENGTH_M
    new = np.concatenate([[True], ~alike | (np.diff(length) > 0)])
    group, last = np.cumsum(new) - 1, np.concatenate([new[1:], [True]])
    # a ring: left ends as driven, those of the last step, right ends on the way back
    places = np.concatenate([edge(0, -1), edge(1, -1)[last], edge(1, 1)[last], edge(0, 1)[::-1]])
    owner = np.concatenate([group, group[last], group[last], group[::-1]])
    order = np.argsort(owner, kind="stable")
    rings = shapely.linearrings(places[order], indices=owner[order])
    area_m2 = np.asarray(np.bincount(group, weights=way * width[kept]), dtype=np.float64)
    return shapely.polygons(rings), rate[kept][new], area_m2
