"""Passes over a field, and a drive before anyone fills a tank: what the controller would put where."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from vrn.model.grid import Grid, transformer
from vrn.model.settings import MachineSection
from vrn.units import AC_M2, FT_M, MPH_M_S

_GEOD = pyproj.Geod(ellps="WGS84")
_OVERHANG = 0.05  # of a swath, that passes may leave at the edges together before one more is driven


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Passes:
    """Parallel passes over a field."""

    heading_deg: float  # from true north, clockwise
    grid_heading_deg: float  # the same from the projected system's north
    # point about which the field is turned so that passes run along the first axis: easting, northing
    origin_m: tuple[float, float]
    across_m: NDArray[np.float64]  # middle of each pass across the heading, in the turned system, shape (passes,)
    along_m: tuple[float, float]  # from, to along the heading, in the turned system

    def to_field(self, along_m: NDArray[np.float64], across_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Easting, northing of points of the turned system, shape (…, 2). [m]"""
        turn = math.radians(self.grid_heading_deg)
        east = along_m * math.sin(turn) + across_m * math.cos(turn)
        north = along_m * math.cos(turn) - across_m * math.sin(turn)
        return np.stack([east + self.origin_m[0], north + self.origin_m[1]], axis=-1)


def _convergence_deg(point: shapely.Geometry, crs: str) -> float:
    """Angle from true north to the projected system's north, clockwise positive.

    East of the zone's middle meridian the grid's north leans east of true north:

    >>> _convergence_deg(shapely.Point(600000.0, 4650000.0), "EPSG:32615") > 0
    True
    """
    x, y = shapely.get_x(point), shapely.get_y(point)
    to_lonlat = transformer(crs, "EPSG:4326")
    longitude, latitude = to_lonlat.transform(np.array([x, x]), np.array([y, y + 10.0]))
    azimuth, _, _ = _GEOD.inv(longitude[0], latitude[0], longitude[1], latitude[1])
    return float(azimuth)


def passes_over(treated: shapely.Geometry, *, crs: str, swath_m: float, heading_deg: float | None = None) -> Passes:
    """Passes that cover a field side by side.

    `treated`: in ``crs``. `heading_deg`: from true north; the one with fewest turns when not given.

    Fewest turns: the number of passes each part of the field takes, added up, over the directions of the parts' own
    sides and every five degrees; the smaller heading of equals.

    A field longer from north to south is driven north:

    >>> passes = passes_over(shapely.box(500000, 4650000, 500180, 4650800), crs="EPSG:32615", swath_m=18.0)
    >>> round(passes.heading_deg) % 180, len(passes.across_m)
    (0, 10)
    """
    origin = shapely.centroid(treated)
    lean = _convergence_deg(origin, crs)
    grid_heading = _fewest_turns_deg(treated, swath_m=swath_m) if heading_deg is None else (heading_deg - lean) % 360.0
    true_heading = (grid_heading + lean) % 360.0 if heading_deg is None else heading_deg
    centre = (float(shapely.get_x(origin)), float(shapely.get_y(origin)))
    along, across = _turned(shapely.get_coordinates(treated), centre, grid_heading)
    width_m = float(across.max() - across.min())
    count = max(1, math.ceil(width_m / swath_m - _OVERHANG))
    first = float(across.min()) + max(0.0, width_m - count * swath_m) / 2.0
    return Passes(
        heading_deg=true_heading, grid_heading_deg=grid_heading, origin_m=centre,
        across_m=np.asarray(first + (np.arange(count) + 0.5) * swath_m, dtype=float),
        along_m=(float(along.min()), float(along.max())),
    )  # fmt: skip


def _fewest_turns_deg(treated: shapely.Geometry, *, swath_m: float) -> float:
    """Heading, from the projected system's north, that covers a field with fewest passes."""
    parts = [shapely.convex_hull(part) for part in shapely.get_parts(treated)]
    candidates = {float(angle) for angle in range(0, 180, 5)}
    for part in parts:
        corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(part))
        for step in np.diff(corners[:3], axis=0):
            candidates.add(round(math.degrees(math.atan2(step[0], step[1])) % 180.0, 3))

    def turns(heading: float) -> tuple[int, float, float]:
        widths = [np.ptp(_turned(shapely.get_coordinates(part), (0.0, 0.0), heading)[1]) for part in parts]
        return sum(math.ceil(width / swath_m - _OVERHANG) for width in widths), round(float(sum(widths)), 3), heading

    return min(candidates, key=turns)


def _turned(
    points: NDArray[np.float64], origin: tuple[float, float], heading_deg: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Distance along and across (to the right of) a heading. [m]"""
    turn = math.radians(heading_deg)
    east, north = points[:, 0] - origin[0], points[:, 1] - origin[1]
    return east * math.sin(turn) + north * math.cos(turn), east * math.cos(turn) - north * math.sin(turn)


WITHIN: Final = 0.10  # of the target: a common tolerance for application equipment; no source
_STEP_M: Final = 1.0
_ACROSS_M: Final = 3.0
_MOST_PIECES: Final = 2_000_000  # a very large field is looked at in longer steps


@dataclass(frozen=True, slots=True, kw_only=True)
class Spilled:
    """Nitrogen beyond the treated ground, what of it is on no-apply ground [lb N], and where most of that is. [m]"""

    outside_n_lb: float = 0.0
    no_apply_n_lb: float = 0.0
    no_apply_at_m: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """What a simulated drive put where."""

    passes: Passes
    points_m: NDArray[np.float64]  # middles of the pieces of ground looked at: easting, northing, shape (n, 2)
    piece_m2: float  # ground each of them stands for
    zone: NDArray[np.int32]  # shape (n,)
    target_n_lb_ac: NDArray[np.float64]  # shape (n,)
    applied_n_lb_ac: NDArray[np.float64]  # shape (n,)
    spilled: Spilled  # what sections put beyond the treated ground where they overhang its edge

    @property
    def within(self) -> NDArray[np.bool_]:
        """Pieces that got their rate within ± 10 %; with a rate of 0, those that got nothing."""
        return np.abs(self.applied_n_lb_ac - self.target_n_lb_ac) <= WITHIN * self.target_n_lb_ac + 1e-9


def drive(
    labels: NDArray[np.int32], rate_n_lb_ac: NDArray[np.float64], *, grid: Grid, treated: shapely.Geometry,
    machine: MachineSection,
    no_apply: shapely.Geometry | None = None,
) -> Drive:  # fmt: skip
    """Drive a prescription along parallel passes.

    `labels` (rows, cols): zone of each cell, 0 off the treated ground. `rate_n_lb_ac` (k + 1,): rate of each zone at
    its number. `machine`: swath, sections, speed, rate-change time, look-ahead, heading.

    One rate at a time over the whole swath. The controller reads the map where the middle of the machine will be after
    the look-ahead (where that is off the map, at the nearest part of the swath that is on it) and moves to a new rate
    evenly over the rate-change time; off the map it keeps the last rate. Each section is off wherever more of it than
    the machine's overlap at an edge lies off the treated ground (with 50 %, its middle). Turns are not driven:
    every pass begins at speed with its first rate reached.

    Without look-ahead a change from 100 to 150 takes 2 s at 8 mph, 7.15 m beyond the border; for 70 % of it the rate is
    under 135. That is 5 m of 720 m, 0.7 %:

    >>> grid = Grid(crs="EPSG:32615", west_m=500000.0, north_m=4650180.0, cell_m=18.0, rows=10, cols=40)
    >>> labels = np.where(np.arange(40) < 20, 1, 2).astype(np.int32) * np.ones((10, 1), dtype=np.int32)
    >>> machine = MachineSection(swath_ft=59.055, speed_mph=8.0, rate_change_s=2.0, look_ahead_s=0.0, heading_deg=90.0)
    >>> ground = shapely.box(*grid.bounds_m)
    >>> late = drive(labels, np.array([0.0, 100.0, 150.0]), grid=grid, treated=ground, machine=machine)
    >>> round(float(late.within.mean()), 3)
    0.993
    """
    swath_m = machine.swath_ft * FT_M
    passes = passes_over(treated, crs=grid.crs, swath_m=swath_m, heading_deg=machine.heading_deg)
    speed_m_s = machine.speed_mph * MPH_M_S
    ahead_m = _look_ahead_s(machine) * speed_m_s
    change_m = machine.rate_change_s * speed_m_s

    section_m = swath_m / machine.sections
    piece_m = section_m / _per_section(section_m)
    step_m = max(_STEP_M, float(shapely.area(treated)) / piece_m / _MOST_PIECES)
    along = np.arange(passes.along_m[0] + step_m / 2, passes.along_m[1], step_m)
    middle = _labels_at(labels, grid, passes.to_field(along[:, None] + ahead_m, passes.across_m[None, :]))
    for beside in sorted(((np.arange(8) + 0.5) / 8 - 0.5) * swath_m, key=abs):
        if (middle > 0).all():
            break
        aside = _labels_at(labels, grid, passes.to_field(along[:, None] + ahead_m, passes.across_m[None, :] + beside))
        middle = np.where(middle > 0, middle, aside)
    rate = _controlled(_held(middle, rate_n_lb_ac), change_steps=change_m / step_m)

    per_section = _per_section(section_m)
    sections = (np.arange(machine.sections) + 0.5) * section_m - swath_m / 2
    fine = ((np.arange(per_section) + 0.5) / per_section - 0.5) * section_m
    across = passes.across_m[:, None, None] + sections[None, :, None] + fine[None, None, :]
    points = passes.to_field(along[:, None, None, None], across[None])
    middles = passes.to_field(along[:, None, None], (passes.across_m[:, None] + sections)[None])
    edge = _edge_cells(grid, treated)
    zone = _on_ground(labels, grid, points, treated=treated, edge=edge)
    on = _on_ground(labels, grid, middles, treated=treated, edge=edge) > 0
    edges = _SectionsAtEdge.of(passes, middles, step_m, section_m, treated)
    if machine.edge_overlap_pct != 50:
        on[edges.at] = edges.inside_share >= max(1.0 - machine.edge_overlap_pct / 100.0, 1e-6) - 1e-6
    inside = zone > 0
    applied = np.broadcast_to((rate[:, :, None] * on)[..., None], zone.shape)
    piece_m2 = step_m * section_m / per_section
    return Drive(
        passes=passes, points_m=points[inside], piece_m2=piece_m2,
        zone=zone[inside], target_n_lb_ac=rate_n_lb_ac[zone[inside]], applied_n_lb_ac=applied[inside],
        spilled=edges.spilled(rate[:, :, None] * on, no_apply),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneDrive:
    """One zone of a drive: share within ± 10 %, mean applied [lb N/ac], ground with too little and too much [ac]."""

    zone: int
    within_share: float
    mean_applied_n_lb_ac: float
    under_ac: float
    over_ac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveReport:
    """A drive in numbers."""

    heading_deg: float  # as driven. [°]
    passes: int
    speed_mph: float
    swath_ft: float
    sections: int
    look_ahead_s: float
    rate_change_s: float
    within_share: float  # of the area, within ± 10 % of its rate
    prescribed_n_lb: float  # both on the treated ground
    applied_n_lb: float
    spilled: Spilled  # what lands beyond the treated ground
    zones: tuple[ZoneDrive, ...]


def drive_report(driven: Drive, machine: MachineSection) -> DriveReport:
    """A drive in numbers, for the field and zone by zone."""
    within, piece_ac = driven.within, driven.piece_m2 / AC_M2
    zones = []
    for zone in np.unique(driven.zone):
        here = driven.zone == zone
        missed = here & ~within
        over = missed & (driven.applied_n_lb_ac > driven.target_n_lb_ac)
        zones.append(
            ZoneDrive(
                zone=int(zone), within_share=float(within[here].mean()),
                mean_applied_n_lb_ac=float(driven.applied_n_lb_ac[here].mean()),
                under_ac=float((missed & ~over).sum() * piece_ac), over_ac=float(over.sum() * piece_ac),
            )
        )  # fmt: skip
    return DriveReport(
        heading_deg=float(driven.passes.heading_deg), passes=len(driven.passes.across_m),
        speed_mph=machine.speed_mph, swath_ft=machine.swath_ft, sections=machine.sections,
        look_ahead_s=_look_ahead_s(machine), rate_change_s=machine.rate_change_s,
        within_share=float(within.mean()) if len(within) else float("nan"),
        prescribed_n_lb=float(driven.target_n_lb_ac.sum() * piece_ac),
        applied_n_lb=float(driven.applied_n_lb_ac.sum() * piece_ac),
        spilled=driven.spilled, zones=tuple(zones),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _SectionsAtEdge:
    """Sections over the edge of the treated ground: (step, pass, section), their ground, the share that is treated."""

    at: tuple[NDArray[np.intp], ...]
    ground: NDArray[np.object_]
    inside_share: NDArray[np.float64]

    @classmethod
    def of(
        cls, passes: Passes, middles: NDArray[np.float64], step_m: float, section_m: float, treated: shapely.Geometry
    ) -> "_SectionsAtEdge":
        border = shapely.boundary(treated)
        shapely.prepare(border)
        at = np.nonzero(shapely.dwithin(border, shapely.points(middles), np.hypot(step_m, section_m) / 2))
        corners = np.array([(-step_m, -section_m), (step_m, -section_m), (step_m, section_m), (-step_m, section_m)]) / 2
        turned = passes.to_field(corners[:, 0], corners[:, 1]) - passes.to_field(np.zeros(1), np.zeros(1))
        ground = shapely.polygons(middles[at][:, None, :] + turned[None])
        return cls(at=at, ground=ground, inside_share=_share_on(ground, treated))

    def spilled(self, rate_n_lb_ac: NDArray[np.float64], no_apply: shapely.Geometry | None) -> Spilled:
        """What these sections put beyond the treated ground at a rate for each (step, pass, section)."""
        rate = rate_n_lb_ac[self.at]
        outside = float((rate * (1.0 - self.inside_share) * shapely.area(self.ground)).sum() / AC_M2)
        if no_apply is None or no_apply.is_empty or not (rate > 0).any():
            return Spilled(outside_n_lb=outside)
        forbidden = rate * _share_on(self.ground, no_apply) * shapely.area(self.ground) / AC_M2
        most = shapely.centroid(self.ground[int(np.argmax(forbidden))])
        return Spilled(
            outside_n_lb=outside, no_apply_n_lb=float(forbidden.sum()),
            no_apply_at_m=(float(most.x), float(most.y)) if forbidden.any() else None,
        )  # fmt: skip


def _share_on(pieces: NDArray[np.object_], ground: shapely.Geometry) -> NDArray[np.float64]:
    """Share of each piece that lies on some ground."""
    shapely.prepare(ground)
    share: NDArray[np.float64] = shapely.covers(ground, pieces).astype(float)
    cut = np.flatnonzero(shapely.intersects(ground, pieces) & (share == 0))
    share[cut] = np.minimum(shapely.area(shapely.intersection(pieces[cut], ground)) / shapely.area(pieces[cut]), 1.0)
    return share


def _per_section(section_m: float) -> int:
    """Pieces of ground looked at over a section: about 3 m each, and three where that leaves a metre or more each.

    A section is on by its middle: with one piece to a section, what its ends leave or take at an edge is not seen.

    >>> [_per_section(width) for width in (0.3, 1.5, 3.0, 6.0, 18.0)]
    [1, 2, 3, 3, 6]
    """
    return max(1, round(section_m / _ACROSS_M), min(3, round(section_m)))


def _look_ahead_s(machine: MachineSection) -> float:
    return machine.rate_change_s if machine.look_ahead_s is None else machine.look_ahead_s


def _labels_at(labels: NDArray[np.int32], grid: Grid, points_m: NDArray[np.float64]) -> NDArray[np.int32]:
    """Zone under each point, 0 off the grid; shape of the points less their last axis."""
    row, col, inside = grid.cells_of(points_m.reshape(-1, 2))
    return np.where(inside, labels[row, col], 0).reshape(points_m.shape[:-1]).astype(np.int32)


def _edge_cells(grid: Grid, treated: shapely.Geometry) -> NDArray[np.bool_]:
    """Cells that the edge of the treated ground runs through."""
    from affine import Affine
    from rasterio.features import rasterize

    burnt = rasterize(
        [(shapely.boundary(treated), 1)], out_shape=grid.shape, transform=Affine(*grid.transform), all_touched=True
    )
    return np.asarray(burnt, dtype=bool)


def _on_ground(
    labels: NDArray[np.int32], grid: Grid, points_m: NDArray[np.float64], *, treated: shapely.Geometry,
    edge: NDArray[np.bool_],
) -> NDArray[np.int32]:  # fmt: skip
    """Zone under each point, 0 off the treated ground, to the metre where its edge runs through a cell."""
    flat = points_m.reshape(-1, 2)
    row, col, inside = grid.cells_of(flat)
    zone = np.where(inside, labels[row, col], 0).astype(np.int32)
    doubtful = np.flatnonzero((zone > 0) & edge[row, col])
    shapely.prepare(treated)
    zone[doubtful[~shapely.contains_xy(treated, flat[doubtful])]] = 0
    return zone.reshape(points_m.shape[:-1])


def _held(zone: NDArray[np.int32], rate_by_zone: NDArray[np.float64]) -> NDArray[np.float64]:
    """Rate the map asks for, shape (steps, passes): off the map the last one, before the first the first."""
    on_map = zone > 0
    step = np.where(on_map, np.arange(len(zone))[:, None], -1)
    last = np.maximum.accumulate(step, axis=0)
    first = np.argmax(on_map, axis=0)
    source = np.where(last >= 0, last, first[None, :])
    held = np.take_along_axis(zone, source, axis=0)
    return np.where(held > 0, rate_by_zone[held], 0.0)


def _controlled(asked: NDArray[np.float64], *, change_steps: float) -> NDArray[np.float64]:
    """Mean rate over each step when every change takes ``change_steps`` steps, evenly."""
    if change_steps <= 1:
        return asked
    rate = asked.copy()
    pace = np.zeros(asked.shape[1])
    for i in range(1, len(asked)):
        changed = asked[i] != asked[i - 1]
        pace = np.where(changed, (asked[i] - rate[i - 1]) / change_steps, pace)
        left = asked[i] - rate[i - 1]
        rate[i] = rate[i - 1] + np.where(np.abs(left) <= np.abs(pace) + 1e-12, left, pace)
    return np.concatenate([rate[:1], (rate[1:] + rate[:-1]) / 2.0])
