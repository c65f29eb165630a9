"""Where blocks of trial plots could lie in a field: whole, on even ground, within every limit, unlike each other."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d

from vrn.findings import Finding, Quantity, warning
from vrn.model.grid import Grid, geodesic_acres, reproject
from vrn.model.job import TrialSection
from vrn.model.settings import MachineSection
from vrn.model.surface import Surface
from vrn.nitrogen.ledger import Ledger
from vrn.prescription.limits import RateRules
from vrn.prescription.passes import Passes, way_over
from vrn.prescription.strips import box_of
from vrn.response.payoff import ENDS, Payoff
from vrn.response.trial import best_rectangle
from vrn.units import FT_M
from vrn.zones.model import Zones

Array = NDArray[np.float64]

LEAST_SPREAD_N_LB_AC: Final = 90.0
"""Between the lowest and the highest rate of a block; with less it says too little: simulations of this project."""
LEAST_RATE_N_LB_AC: Final = 40.0
"""Recommended rate under which no block is laid: too little lies below it. A choice of this project."""
MOST_SD_LB_AC: Final = 12.0
"""Standard deviation within a block, of its need and of what is already on. A choice of this project."""
_LEAST_LENGTH_FT: Final = 200.0
_MEASURED_FT: Final = 150.0  # of a plot's length between its end buffers
_EDGE_PASSES: Final = 2  # between a block and the edge of the treated ground: headlands are driven there
_STEP_M: Final = 2.0
_WHOLE: Final = 0.9999
_LEFT_M2: Final = 1000.0  # of a zone that a block cuts into: a quarter of an acre stays
_TRIES: Final = 40
_LAYERS: Final = ("nitrate_ppm", "organic_matter_pct", "yield_goal_bu_ac")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialPlot:
    """One plot: a rate of its own over whole passes, and what the budget says of its ground."""

    block: int
    plot: int  # 1, 2, … along the passes of its block
    zone: int  # of the prescription, all plots of this rate in this block
    rate_n_lb_ac: float
    outline: shapely.Geometry  # in the field's system
    need_lb_ac: float  # of the ground between the end buffers
    supplies: Mapping[str, float]  # what took off that need, by key of the ledger's line, positive pounds


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialBlock:
    """One block: its ground, its rates, and its price."""

    block: int
    acres: float
    passes: int  # plots beside each other
    rates_n_lb_ac: tuple[float, ...]  # from the least to the most
    recommended_n_lb_ac: float
    need_lb_ac: float
    supplied_lb_ac: float  # by what blocks should differ in: the soil's nitrate
    nitrate_ppm: float
    longitude: float  # of its middle
    latitude: float
    cost: tuple[float, float, float] | None  # least, as the rates go by, most, over responses; None without prices [$]


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialGround:
    """What is known of a field's ground where blocks are looked for, cell by cell (rows, cols)."""

    grid: Grid
    treated: shapely.Geometry
    ledger: Ledger
    applied: Array  # what is already on this season; NaN where unknown
    layers: Mapping[str, Array]  # surfaces by name, which a block's rates must not follow
    earlier: shapely.Geometry  # blocks of the last season that had any, which new ones keep off

    @classmethod
    def of(
        cls, grid: Grid, treated: shapely.Geometry, ledger: Ledger, applied: Array, surfaces: Mapping[str, Surface],
        *, earlier: shapely.Geometry,
    ) -> "TrialGround":  # fmt: skip
        """Ground of a ledger of cells; nitrate of both depths is one supply."""
        return cls(
            grid=grid, treated=treated, ledger=ledger, applied=grid.in_rows(applied), earlier=earlier,
            layers={name: surfaces[name].values for name in _LAYERS if name in surfaces},
        )  # fmt: skip

    @cached_property
    def need(self) -> Array:
        """Before it is held at 0; NaN where unknown. [lb/ac]"""
        return self.grid.in_rows(self.ledger.unclipped_lb_ac)

    @cached_property
    def supplies(self) -> dict[str, Array]:
        """What took off the need, by key of the ledger's line, in positive pounds; nitrate of both depths is one."""
        found: dict[str, Array] = {}
        for line in self.ledger.lines:
            values = -self.grid.in_rows(line.lb_ac)
            if np.nansum(values) > 0:
                key = "soil_nitrate" if line.key == "deep_nitrate" else line.key
                found[key] = found.get(key, 0.0) + values
        return found

    @property
    def contrast(self) -> Array:
        """What blocks should differ in: the soil's nitrate; where no line counts it, the need."""
        return self.supplies.get("soil_nitrate", self.need)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Place:
    """Where a block may lie: number of its first pass, where along it begins [m], and its rates."""

    lane: int
    start_m: float
    shape: tuple[int, int]  # plots across and along
    recommended: float  # [lb N/ac]
    rates: tuple[float, ...]  # from the least to the most


def ladder(
    recommended: float, count: int, *, step: float, machine_step: float, low: float, high: float
) -> tuple[float, ...]:
    """
    Rates of a block around the recommended one, in steps the machine makes, within the limits; empty if too few.

    >>> ladder(120.0, 5, step=30.0, machine_step=5.0, low=30.0, high=180.0)
    (60.0, 90.0, 120.0, 150.0, 180.0)
    >>> ladder(150.0, 5, step=30.0, machine_step=5.0, low=30.0, high=180.0)
    (90.0, 120.0, 150.0, 180.0, 180.0)
    >>> ladder(180.0, 5, step=30.0, machine_step=5.0, low=30.0, high=180.0)
    ()
    """
    wanted = recommended + step * (np.arange(count) - (count - 1) / 2)
    rates = np.clip(np.floor(wanted / machine_step + 0.5) * machine_step, low, high)
    enough = len(np.unique(rates)) >= 4 and np.ptp(rates) >= LEAST_SPREAD_N_LB_AC - 1e-9
    if not enough or rates[-1] <= recommended + 1e-9 or rates[0] <= 0:
        return ()
    return tuple(round(float(rate), 9) for rate in rates)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Search:
    """The ground along the passes, every two metres: shape (steps, passes)."""

    ground: TrialGround
    section: TrialSection
    machine_step: float
    passes: Passes
    swath_m: float
    swaths: int
    length_ft: float
    buffer_ft: float
    core: shapely.Geometry  # far enough from every edge
    outlines: tuple[shapely.Geometry, ...]  # of the zones
    rate_by_zone: Array
    labels: NDArray[np.int32]
    along_m: Array

    @classmethod
    def of(
        cls, zones: Zones, rates: Sequence[float], ground: TrialGround, section: TrialSection, machine: MachineSection,
        *, swaths: int, buffer_ft: float,
    ) -> "Search":  # fmt: skip
        """Passes over the ground, and the size of a plot."""
        swath_m = machine.swath_ft * FT_M
        passes = way_over(ground.treated, crs=ground.grid.crs, machine=machine).passes
        core = shapely.difference(shapely.buffer(ground.treated, -_EDGE_PASSES * swath_m), ground.earlier)
        shapely.prepare(core)
        usual_ft = max(_LEAST_LENGTH_FT, math.ceil((2 * buffer_ft + _MEASURED_FT) / 10) * 10.0)
        return cls(
            ground=ground, section=section, machine_step=machine.rate_step_n_lb_ac, passes=passes, swath_m=swath_m,
            swaths=swaths, length_ft=section.length_ft or usual_ft, buffer_ft=buffer_ft, core=core,
            outlines=zones.outlines, rate_by_zone=np.array([np.nan, *rates]), labels=zones.labels,
            along_m=np.arange(passes.along_m[0] + _STEP_M / 2, passes.along_m[1], _STEP_M),
        )  # fmt: skip

    def places(self, shape: tuple[int, int], rules: RateRules) -> tuple[list[_Place], Finding | None]:
        """Where blocks of this shape go, those most unlike each other; or why there is no place for any."""
        size = round(shape[1] * self.length_ft * FT_M / _STEP_M), shape[0] * self.swaths
        none = warning("rates.trial-no-place", "trial", length=Quantity("length", self.length_ft * shape[1]),
                       width=Quantity("length", size[1] * self.swath_m / FT_M))  # fmt: skip
        if len(self.along_m) < size[0] or len(self.passes.across_m) < size[1]:
            return [], none
        points = self.passes.to_field(self.along_m[:, None, None], _across(self.passes.across_m, self.swath_m)[None])
        need, rate = self.of_cells(self.ground.need, points), self.of_cells(self.rate_by_zone[self.labels], points)
        applied = self.of_cells(self.ground.applied, points)
        core = shapely.buffer(self.core, -_STEP_M)  # points stand for the ground about them
        shapely.prepare(core)
        inside = shapely.contains_xy(core, points[..., 0], points[..., 1]).all(axis=-1)
        ok = _means(inside & np.isfinite(need) & np.isfinite(rate), size) > _WHOLE
        if not ok.any():
            return [], none
        unlike = _spread(need, size)
        for code, spread in (("need", unlike), ("pass", _spread(applied, size))):
            least = float(spread[ok].min())
            ok &= spread <= MOST_SD_LB_AC
            if not ok.any():
                limit = Quantity("amount", MOST_SD_LB_AC)
                return [], warning(f"rates.trial-uneven-{code}", "trial", least=Quantity("amount", least), limit=limit)
        step = self.machine_step
        recommended = np.floor(_means(rate, size) / step + 0.5) * step
        if float(recommended[ok].max()) < LEAST_RATE_N_LB_AC:
            return [], warning("rates.trial-low-rate", "trial", rate=Quantity("rate", float(recommended[ok].max())),
                               least=Quantity("rate", LEAST_RATE_N_LB_AC))  # fmt: skip
        ok &= recommended >= LEAST_RATE_N_LB_AC
        most = _highest(applied, size)
        pairs, which = np.unique(np.stack([recommended, most], axis=-1)[ok], axis=0, return_inverse=True)
        fits = [bool(self.rates(float(rate), rules.window(float(on)), shape[1])) for rate, on in pairs]
        ok[ok] = np.array(fits)[which.ravel()]
        if not ok.any():
            return [], warning("rates.trial-limits", "trial", least=Quantity("rate", LEAST_SPREAD_N_LB_AC),
                               rate=Quantity("rate", float(pairs[-1, 0])))  # fmt: skip
        contrast = _means(self.of_cells(self.ground.contrast, points), size)
        found = [
            _Place(lane=lane, start_m=float(self.along_m[start] - _STEP_M / 2), shape=shape,
                   recommended=float(recommended[start, lane]),
                   rates=self.rates(float(recommended[start, lane]), rules.window(float(most[start, lane])), shape[1]))
            for start, lane in self._chosen(ok, contrast, unlike, size)
        ]  # fmt: skip
        return found, None if found else none

    def rates(self, recommended: float, window: tuple[float, float], count: int) -> tuple[float, ...]:
        """Rates of a block, empty where limits leave too few."""
        return ladder(recommended, count, step=self.section.step_n_lb_ac, machine_step=self.machine_step,
                      low=window[0], high=window[1])  # fmt: skip

    def _chosen(
        self, ok: NDArray[np.bool_], contrast: Array, unlike: Array, size: tuple[int, int]
    ) -> list[tuple[int, int]]:
        """First step and pass of each block: as unlike as can be in what the soil supplies, then as even within."""
        value = np.round(np.nan_to_num(contrast))
        chosen: list[tuple[int, int]] = []
        free, apart = ok.copy(), np.zeros(ok.shape)
        if self.section.blocks > 1 and ok.any():  # begin at the end that has most to its other side
            ends = [_corner(np.where(ok, sign * value, -np.inf)) for sign in (1, -1)]
            reach = [float(np.abs(value - value[end])[_clear(ok, end, size)].max(initial=0.0)) for end in ends]
            apart = np.abs(value - value[ends[1 - int(reach[0] >= reach[1])]])
            apart = apart.max() - apart
        for _ in range(_TRIES):
            if len(chosen) == self.section.blocks or not free.any():
                break
            score = np.where(free, apart - 0.01 * unlike, -np.inf)
            start, lane = _corner(score)
            if not self._fits(start, lane, size, chosen):
                free[max(0, start - 5) : start + 6, lane] = False
                continue
            chosen.append((start, lane))
            free = _clear(free, (start, lane), size)
            apart = np.min([np.abs(value - value[one]) for one in chosen], axis=0)
        return chosen

    def _fits(self, start: int, lane: int, size: tuple[int, int], chosen: list[tuple[int, int]]) -> bool:
        """Whether a block lies wholly on its ground, and leaves every zone enough of its own."""
        blocks = [self._box(one, size) for one in (*chosen, (start, lane))]
        ground = shapely.union_all(blocks)
        return bool(shapely.covers(self.core, blocks[-1])) and all(
            shapely.area(shapely.difference(outline, ground)) >= min(_LEFT_M2, shapely.area(outline))
            for outline in self.outlines
        )

    def _box(self, corner: tuple[int, int], size: tuple[int, int]) -> shapely.Geometry:
        along, west = self.along_m[corner[0]] - _STEP_M / 2, self.passes.across_m[corner[1]] - self.swath_m / 2
        return box_of(self.passes, along, along + size[0] * _STEP_M, west, west + size[1] * self.swath_m)

    def of_cells(self, cells: Array, points: Array) -> Array:
        """Mean of a layer over the last axis but one of points; NaN where any is unknown."""
        row, col, inside = self.ground.grid.cells_of(points.reshape(-1, 2))
        return np.asarray(np.where(inside, cells[row, col], np.nan).reshape(points.shape[:-1]).mean(axis=-1))

    def plots(self, block: int, place: _Place) -> list[TrialPlot]:
        """The plots of a block, pass by pass, each with the rate that the best layout gives it."""
        rows, cols = place.shape
        sides = [divmod(i, cols) for i in range(rows * cols)]
        inner = [self._points(place, row, col, self.buffer_ft) for row, col in sides]
        layers = [np.array([self.of_cells(values, points).mean() for points in inner])
                  for values in (self.ground.need, *self.ground.layers.values())]  # fmt: skip
        way = best_rectangle(
            place.rates, rows, recommended=place.recommended, layers=layers, length_ft=self.length_ft,
            width_ft=self.swaths * self.swath_m / FT_M,
        )  # fmt: skip
        return [
            TrialPlot(
                block=block, plot=i + 1, zone=0, rate_n_lb_ac=place.rates[way[row][col]],
                outline=self._outline(place, row, col), need_lb_ac=max(float(layers[0][i]), 0.0),
                supplies={key: float(self.of_cells(values, inner[i]).mean())
                          for key, values in self.ground.supplies.items()},
            )
            for i, (row, col) in enumerate(sides)
        ]  # fmt: skip

    def _sides(self, place: _Place, row: int, col: int) -> tuple[float, float, float, float]:
        """From and to along the passes, and across them. [m]"""
        length, width = self.length_ft * FT_M, self.swaths * self.swath_m
        start, left = place.start_m + col * length, self.passes.across_m[place.lane] - self.swath_m / 2 + row * width
        return start, start + length, left, left + width

    def _outline(self, place: _Place, row: int, col: int) -> shapely.Geometry:
        return box_of(self.passes, *self._sides(place, row, col))

    def _points(self, place: _Place, row: int, col: int, buffer: float) -> Array:
        """Points of a plot's ground between its end buffers, shape (steps, n, 2)."""
        start, stop, left, right = self._sides(place, row, col)
        along = np.arange(start + buffer * FT_M + _STEP_M / 2, stop - buffer * FT_M, _STEP_M)
        across = np.linspace(left, right, 3 * self.swaths + 1)
        return self.passes.to_field(along[:, None], ((across[1:] + across[:-1]) / 2)[None])

    def block(self, plots: Sequence[TrialPlot], place: _Place, payoff: Payoff | None) -> TrialBlock:
        """One block in numbers."""
        rows, cols = place.shape
        crs = self.ground.grid.crs
        ground = [self._points(place, *divmod(i, cols), 0.0) for i in range(rows * cols)]
        acres = [geodesic_acres(plot.outline, crs) for plot in plots]
        middle = reproject(shapely.centroid(shapely.union_all([plot.outline for plot in plots])), crs, "EPSG:4326")
        nitrate = self.ground.layers.get("nitrate_ppm")
        costs = []
        for paid in () if payoff is None else [replace(payoff, response=one) for one in (payoff.response, *ENDS)]:
            lost = (self._lost_per_ac(paid, points, plot.rate_n_lb_ac)
                    for points, plot in zip(ground, plots, strict=True))  # fmt: skip
            costs.append(float(np.dot(acres, list(lost))))
        return TrialBlock(
            block=plots[0].block, acres=sum(acres), passes=rows, rates_n_lb_ac=place.rates,
            recommended_n_lb_ac=place.recommended, need_lb_ac=float(np.mean([plot.need_lb_ac for plot in plots])),
            supplied_lb_ac=float(np.mean([self.of_cells(self.ground.contrast, points).mean() for points in ground])),
            nitrate_ppm=math.nan if nitrate is None else
            float(np.mean([self.of_cells(nitrate, points).mean() for points in ground])),
            longitude=float(shapely.get_x(middle)), latitude=float(shapely.get_y(middle)),
            cost=(min(costs), costs[0], max(costs)) if costs else None,
        )  # fmt: skip

    def _lost_per_ac(self, payoff: Payoff, points: Array, rate: float) -> float:
        """What a plot is expected to lose against the rates that its ground would have got. [$/ac]"""
        need, plain = (self.of_cells(cells, points[..., None, :]) for cells in
                       (self.ground.need, self.rate_by_zone[self.labels]))  # fmt: skip
        return lost_per_ac(payoff, need, rate, plain)


def lost_per_ac(payoff: Payoff, need: Array, rate: float, plain: Array) -> float:
    """What one rate on ground of some needs is expected to lose against other rates of its places. [$/ac]"""
    lost = [
        payoff.response.loss_of_rates(rates, need, np.zeros_like(need), ratio=payoff.ratio,
                                      method_sd_lb_ac=payoff.method_sd_lb_ac).mean()
        for rates in (np.full_like(need, rate), plain)
    ]  # fmt: skip
    return payoff.corn_per_bu * float(lost[0] - lost[1])


def _across(middles: Array, swath_m: float) -> Array:
    """Three points over each swath, shape (passes, 3). [m]"""
    return middles[:, None] + np.array([-0.45, 0.0, 0.45]) * swath_m


def _means(values: NDArray[np.generic], size: tuple[int, int]) -> Array:
    """Mean over the block that begins at each step and pass; shape less the block's size, plus 1."""
    sums = np.pad(np.nan_to_num(values.astype(float)), ((1, 0), (1, 0))).cumsum(axis=0).cumsum(axis=1)
    long, wide = size
    return np.asarray((sums[long:, wide:] - sums[:-long, wide:] - sums[long:, :-wide] + sums[:-long, :-wide])
                      / (long * wide))  # fmt: skip


def _spread(values: Array, size: tuple[int, int]) -> Array:
    """Standard deviation over the block that begins at each step and pass."""
    off = values - np.nanmean(values) if np.isfinite(values).any() else values
    return np.sqrt(np.maximum(_means(off**2, size) - _means(off, size) ** 2, 0.0))


def _highest(values: Array, size: tuple[int, int]) -> Array:
    """Highest value over the block that begins at each step and pass; NaN where one is unknown."""
    known = np.where(np.isnan(values), np.inf, values)
    for axis, width in enumerate(size):
        known = maximum_filter1d(known, width, axis=axis, origin=-(width // 2))
    most = known[: values.shape[0] - size[0] + 1, : values.shape[1] - size[1] + 1]
    return np.where(np.isinf(most), np.nan, most)


def _corner(score: Array) -> tuple[int, int]:
    """Step and pass of the highest score, the first of equals."""
    start, lane = np.unravel_index(int(np.argmax(score)), score.shape)
    return int(start), int(lane)


def _clear(free: NDArray[np.bool_], corner: tuple[int, int], size: tuple[int, int]) -> NDArray[np.bool_]:
    """Places that a block at a corner leaves to another."""
    left = free.copy()
    steps, passes = (slice(max(0, at - long + 1), at + long) for at, long in zip(corner, size, strict=True))
    left[steps, passes] = False
    return left
