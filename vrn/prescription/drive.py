"""A drive before anyone fills a tank: what the controller would put where."""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.model.settings import MachineSection
from vrn.prescription.passes import Part, Stations, Way, way_over
from vrn.units import AC_M2, FT_M, MPH_M_S

WITHIN: Final = 0.10  # of the target: a common tolerance for application equipment; no source
_STEP_M: Final = 1.0
_ACROSS_M: Final = 3.0
_MOST_PIECES: Final = 2_000_000  # a very large field is looked at in longer steps


@dataclass(frozen=True, slots=True, kw_only=True)
class Spilled:
    """Nitrogen beyond the treated ground, what of it is on no-apply ground [lb N], and where most of each is. [m]"""

    outside_n_lb: float = 0.0
    no_apply_n_lb: float = 0.0
    outside_at_m: tuple[float, float] | None = None
    no_apply_at_m: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drive:
    """What a simulated drive put where."""

    way: Way
    points_m: NDArray[np.float64]  # middles of the pieces of ground looked at: easting, northing, shape (n, 2)
    piece_m2: float  # ground each of them stands for
    zone: NDArray[np.int32]  # shape (n,)
    target_n_lb_ac: NDArray[np.float64]  # shape (n,)
    applied_n_lb_ac: NDArray[np.float64]  # shape (n,)
    spilled: Spilled  # what sections put beyond the treated ground where they overhang its edge
    twice_n_lb: float  # what they put on treated ground that another pass serves

    def missed_lb_ac(self, need_lb_ac: NDArray[np.float64], grid: Grid) -> float:
        """Mean distance between what was put on and what the ground needs (rows, cols), where that is known."""
        row, col, inside = grid.cells_of(self.points_m)
        need = np.where(inside, need_lb_ac[row, col], np.nan)
        return float(np.nanmean(np.abs(np.maximum(need, 0.0) - self.applied_n_lb_ac)))

    @property
    def within(self) -> NDArray[np.bool_]:
        """Pieces that got their rate within ± 10 %; with a rate of 0, those that got nothing."""
        return np.abs(self.applied_n_lb_ac - self.target_n_lb_ac) <= WITHIN * self.target_n_lb_ac + 1e-9


def drive(
    labels: NDArray[np.int32], rate_n_lb_ac: NDArray[np.float64], *, grid: Grid, treated: shapely.Geometry,
    machine: MachineSection,
    no_apply: shapely.Geometry | None = None, lines: shapely.Geometry | None = None,
) -> Drive:  # fmt: skip
    """Drive a prescription along the lines given, else in rounds along the edge and then in straight passes.

    `labels` (rows, cols): zone of each cell, 0 off the treated ground. `rate_n_lb_ac` (k + 1,): rate of each zone at
    its number. `machine`: swath, sections, speed, rate-change time, look-ahead, heading, rounds.

    One rate at a time over the whole swath. The controller reads the map where the middle of the machine will be after
    the look-ahead (where that is off the map, at the nearest part of the swath that is on it) and moves to a new rate
    evenly over the rate-change time; off the map it keeps the last rate. Each section is off wherever more of it than
    the machine's overlap at an edge lies off the treated ground (with 50 %, its middle). Turns are not driven:
    every pass begins at speed with its first rate reached. A section is off as well where its middle is over ground
    that another pass serves.

    Without look-ahead a change from 100 to 150 takes 2 s at 8 mph, 7.15 m beyond the border; for 70 % of it the rate is
    under 135. That is 5 m of 720 m, 0.7 %:

    >>> grid = Grid(crs="EPSG:32615", west_m=500000.0, north_m=4650180.0, cell_m=18.0, rows=10, cols=40)
    >>> labels = np.where(np.arange(40) < 20, 1, 2).astype(np.int32) * np.ones((10, 1), dtype=np.int32)
    >>> machine = MachineSection(swath_ft=59.055, speed_mph=8.0, rate_change_s=2.0, look_ahead_s=0.0, heading_deg=90.0,
    ...     headland_rounds=0)
    >>> ground = shapely.box(*grid.bounds_m)
    >>> late = drive(labels, np.array([0.0, 100.0, 150.0]), grid=grid, treated=ground, machine=machine)
    >>> round(float(late.within.mean()), 3)
    0.993
    """
    way, parts, step_m, piece_m = _swept(treated, grid, replace(machine, rate_step_n_lb_ac=1.0), lines, no_apply)
    driven = [_driven(labels, part, _rates(labels, rate_n_lb_ac, grid, part.stations, machine, step_m), machine)
              for part in parts]  # fmt: skip
    points, zones, applied, mine = (np.concatenate([one[i] for one in driven]) for i in range(4))
    piece_m2 = step_m * piece_m
    return Drive(
        way=way, points_m=points[mine], piece_m2=piece_m2, zone=zones[mine], target_n_lb_ac=rate_n_lb_ac[zones[mine]],
        applied_n_lb_ac=applied[mine], spilled=_together([one[4] for one in driven]),
        twice_n_lb=float(applied[~mine].sum()) * piece_m2 / AC_M2,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Swept:
    """One part of the way with the ground under the boom, whatever the rates: sections, pieces of ground."""

    stations: Stations
    sections: "_Ground"  # under their middles
    edges: "_SectionsAtEdge"
    served: NDArray[np.bool_]  # shape (steps, lines, sections): whether a section's middle is this part's to serve
    points_m: NDArray[np.float64]
    pieces: "_Ground"
    mine: NDArray[np.bool_]  # whether a piece is this part's to serve


@lru_cache(maxsize=2)  # one field is driven several times: with other zones, other rates, a trial
def _swept(
    treated: shapely.Geometry, grid: Grid, machine: MachineSection, lines: shapely.Geometry | None,
    no_apply: shapely.Geometry | None,
) -> tuple[Way, tuple[_Swept, ...], float, float]:  # fmt: skip
    """The way over a field and all of it that no rate changes; how long and how wide a piece of ground is. [m]"""
    way = way_over(treated, crs=grid.crs, machine=machine, lines=lines)
    section_m = machine.swath_ft * FT_M / machine.sections
    per_section = _per_section(section_m)
    piece_m = section_m / per_section
    step_m = max(_STEP_M, float(shapely.area(treated)) / piece_m / _MOST_PIECES)
    sections = (np.arange(machine.sections) + 0.5) * section_m - machine.swath_ft * FT_M / 2
    offsets = sections[:, None] + (((np.arange(per_section) + 0.5) / per_section - 0.5) * section_m)[None, :]
    edge, parts = _edge_cells(grid, treated), []
    for part in way.parts:
        stations = Stations.on(part.lines, step_m, _look_ahead_s(machine) * machine.speed_mph * MPH_M_S)
        middles, points = stations.beside(sections), stations.beside(offsets)
        pieces = _Ground.under(points, grid, treated, edge)
        pieces.there[~stations.there] = False
        parts.append(_Swept(
            stations=stations, sections=_Ground.under(middles, grid, treated, edge), points_m=points, pieces=pieces,
            edges=_SectionsAtEdge.of(stations, middles, step_m, section_m, treated, no_apply),
            served=stations.there[..., None] & _served(part, grid, stations, middles, sections, step_m),
            mine=np.broadcast_to(_served(part, grid, stations, points, offsets, step_m), points.shape[:-1]),
        ))  # fmt: skip
    return way, tuple(parts), step_m, piece_m


def _rates(
    labels: NDArray[np.int32], rate_n_lb_ac: NDArray[np.float64], grid: Grid, stations: Stations,
    machine: MachineSection, step_m: float,
) -> NDArray[np.float64]:  # fmt: skip
    """Rate the machine has at each station, shape (steps, lines)."""
    middle = _labels_at(labels, grid, stations.ahead_m)
    for beside in sorted(((np.arange(8) + 0.5) / 8 - 0.5) * machine.swath_ft * FT_M, key=abs):
        if (middle > 0).all():
            break
        aside = _labels_at(labels, grid, stations.beside(np.array(beside), ahead=True))
        middle = np.where(middle > 0, middle, aside)
    change_m = machine.rate_change_s * machine.speed_mph * MPH_M_S
    return _controlled(_held(middle, rate_n_lb_ac), change_steps=change_m / step_m)


def _driven(
    labels: NDArray[np.int32], part: _Swept, rate: NDArray[np.float64], machine: MachineSection
) -> tuple[NDArray[np.float64], NDArray[np.int32], NDArray[np.float64], NDArray[np.bool_], Spilled]:
    """Pieces of treated ground under the boom: place, zone, what they got, whether they are this part's; the rest."""
    on = part.sections.zone(labels) > 0
    if machine.edge_overlap_pct != 50:
        on[part.edges.at] = part.edges.inside_share >= max(1.0 - machine.edge_overlap_pct / 100.0, 1e-6) - 1e-6
    on &= part.served
    zone = part.pieces.zone(labels)
    here = zone > 0
    applied = np.broadcast_to((rate[:, :, None] * on)[..., None], zone.shape)
    return part.points_m[here], zone[here], applied[here], part.mine[here], part.edges.spilled(rate[:, :, None] * on)


def _served(
    part: Part,
    grid: Grid,
    stations: Stations,
    points: NDArray[np.float64],
    right_m: NDArray[np.floating[Any]],
    step_m: float,
) -> NDArray[np.bool_]:
    """Whether a part's own line serves places beside its stations."""
    served = np.ones(points.shape[:-1], dtype=bool)
    if not part.elsewhere.is_empty:
        burnt = cells_touched(grid, part.elsewhere).astype(np.int32)
        ground = _Ground.under(points, grid, part.elsewhere, _edge_cells(grid, part.elsewhere))
        served = ground.zone(burnt) == 0
    if part.crooked:
        from scipy.spatial import cKDTree

        nearest = cKDTree(stations.place_m[stations.there]).query(points, distance_upper_bound=np.abs(right_m).max())[0]
        served = served & (np.abs(right_m) <= nearest + step_m / 2)
    return served


def _together(spills: list[Spilled]) -> Spilled:
    """What several parts of a drive spill."""
    outside, forbidden = (max(spills, key=lambda one: one.outside_n_lb), max(spills, key=lambda one: one.no_apply_n_lb))
    return Spilled(
        outside_n_lb=sum(one.outside_n_lb for one in spills), no_apply_n_lb=sum(one.no_apply_n_lb for one in spills),
        outside_at_m=outside.outside_at_m, no_apply_at_m=forbidden.no_apply_at_m,
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

    heading_deg: float  # of the straight passes. [°]
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
    rounds: int = 0  # of the passes along the edge
    given: bool = False  # whether along lines that a person gave
    missed_lb_ac: float = float("nan")  # mean distance between what was put on and the need


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
        heading_deg=float(driven.way.passes.heading_deg), passes=driven.way.count, rounds=driven.way.rounds,
        given=driven.way.given,
        speed_mph=machine.speed_mph, swath_ft=machine.swath_ft, sections=machine.sections,
        look_ahead_s=_look_ahead_s(machine), rate_change_s=machine.rate_change_s,
        within_share=float(within.mean()) if len(within) else float("nan"),
        prescribed_n_lb=float(driven.target_n_lb_ac.sum() * piece_ac),
        applied_n_lb=float(driven.applied_n_lb_ac.sum() * piece_ac),
        spilled=driven.spilled, zones=tuple(zones),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _SectionsAtEdge:
    """Sections over the edge of the treated ground: (step, line, section), their ground, the share that is treated."""

    at: tuple[NDArray[np.intp], ...]
    ground: NDArray[np.object_]
    inside_share: NDArray[np.float64]
    no_apply_share: NDArray[np.float64]

    @classmethod
    def of(
        cls, stations: Stations, middles: NDArray[np.float64], step_m: float, section_m: float,
        treated: shapely.Geometry, no_apply: shapely.Geometry | None,
    ) -> "_SectionsAtEdge":  # fmt: skip
        border = shapely.boundary(treated)
        shapely.prepare(border)
        near = shapely.dwithin(border, shapely.points(middles), np.hypot(step_m, section_m) / 2)
        at = np.nonzero(near & stations.there[..., None])
        along, right = stations.along[at[:2]] * step_m / 2, stations.right[at[:2]] * section_m / 2
        corners = [middles[at] + x * along + y * right for x, y in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
        ground = shapely.polygons(np.stack(corners, axis=1))
        forbidden = np.zeros(len(ground)) if no_apply is None or no_apply.is_empty else _share_on(ground, no_apply)
        return cls(at=at, ground=ground, inside_share=_share_on(ground, treated), no_apply_share=forbidden)

    def spilled(self, rate_n_lb_ac: NDArray[np.float64]) -> Spilled:
        """What these sections put beyond the treated ground at a rate for each (step, line, section)."""
        rate = rate_n_lb_ac[self.at] * shapely.area(self.ground) / AC_M2
        outside, forbidden = rate * (1.0 - self.inside_share), rate * self.no_apply_share
        return Spilled(outside_n_lb=float(outside.sum()), outside_at_m=self._most(outside),
                       no_apply_n_lb=float(forbidden.sum()), no_apply_at_m=self._most(forbidden))  # fmt: skip

    def _most(self, n_lb: NDArray[np.float64]) -> tuple[float, float] | None:
        """Where most of something is."""
        if not n_lb.any():
            return None
        most = shapely.centroid(self.ground[int(np.argmax(n_lb))])
        return float(most.x), float(most.y)


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
    return cells_touched(grid, shapely.boundary(treated))


def cells_touched(grid: Grid, shape: shapely.Geometry) -> NDArray[np.bool_]:
    """Cells that a shape touches, shape (rows, cols)."""
    if shape.is_empty:
        return np.zeros(grid.shape, dtype=bool)
    from affine import Affine
    from rasterio.features import rasterize

    burnt = rasterize([(shape, 1)], out_shape=grid.shape, transform=Affine(*grid.transform), all_touched=True)
    return np.asarray(burnt, dtype=bool)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ground:
    """Cells under points, and whether each is on some ground, to the metre where its edge runs through a cell."""

    row: NDArray[np.intp]
    col: NDArray[np.intp]
    there: NDArray[np.bool_]

    @classmethod
    def under(
        cls, points_m: NDArray[np.float64], grid: Grid, ground: shapely.Geometry, edge: NDArray[np.bool_]
    ) -> "_Ground":
        flat = points_m.reshape(-1, 2)
        row, col, inside = grid.cells_of(flat)
        doubtful = np.flatnonzero(inside & edge[row, col])
        shapely.prepare(ground)
        inside[doubtful[~shapely.contains_xy(ground, flat[doubtful])]] = False
        shape = points_m.shape[:-1]
        return cls(row=row.reshape(shape), col=col.reshape(shape), there=inside.reshape(shape))

    def zone(self, labels: NDArray[np.int32]) -> NDArray[np.int32]:
        """Label of the cell under each point, 0 off the ground."""
        return np.where(self.there, labels[self.row, self.col], 0).astype(np.int32)


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
