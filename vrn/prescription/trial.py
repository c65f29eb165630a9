"""Nitrogen trials laid into the pass: blocks of whole plots cut out of zones, and what they cost and bring."""

import itertools
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Finding, Quantity, note, warning
from vrn.model.field import Field
from vrn.model.grid import Grid, geodesic_acres, reproject
from vrn.model.job import CheckStripSection, TrialSection
from vrn.model.settings import MachineSection
from vrn.prescription.blocks import Search, TrialBlock, TrialGround, TrialPlot, lost_per_ac
from vrn.prescription.limits import RateRules
from vrn.prescription.model import BlockRate, CheckStrip
from vrn.prescription.passes import passes_over
from vrn.prescription.strips import LEAST_LENGTH_FT, Piece, cut_out
from vrn.response.payoff import ENDS, Payoff
from vrn.response.trial import BLOCK_SE, PAIR_SE, expected_gain
from vrn.units import FT_M, MPH_M_S
from vrn.zones.model import Zones

Array = NDArray[np.float64]
HARVEST_FT: Final = 30.0  # width of a combine's head that nobody stated
_SHAPES: Final = ((4, 5), (3, 5), (4, 4), (3, 4))  # passes and rates of a block, the best first; 12 plots at least
_MIXING_M: Final = 4.5 * MPH_M_S * 10.0  # harvested ground that a combine mixes: 4.5 mph, 10 s; common practice
_MARGIN_FT: Final = 6.0  # of positions
_INSIDE_SHARE: Final = 0.9  # of a combine's head that must lie in a plot for its yield to be the plot's
_UNLIKE_LB_AC: Final = 10.0  # in nitrate, between blocks; with less they say nothing of what a pound of it is worth


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialReport:
    """Blocks that were asked for, those that fit, and what they are expected to cost and bring."""

    asked: int
    blocks: tuple[TrialBlock, ...]
    plots: tuple[TrialPlot, ...]
    width_ft: float  # of a plot
    length_ft: float
    buffer_ft: float  # at each end of a plot, not harvested as yield
    heading_deg: float  # of the passes
    gain_per_ac: float | None  # expected in each acre of next season's corn, at least [$/ac]
    findings: tuple[Finding, ...]

    @property
    def acres(self) -> float:
        """Ground of all blocks."""
        return sum(block.acres for block in self.blocks)

    @property
    def cost_usd(self) -> float | None:
        """What the blocks are expected to lose against the recommended rates; None without prices. [$]"""
        costs = [block.cost[1] for block in self.blocks if block.cost is not None]
        return sum(costs) if len(costs) == len(self.blocks) else None

    @property
    def break_even_ac(self) -> float | None:
        """Acres of next season's corn from which the blocks pay. [ac]"""
        cost = self.cost_usd
        return None if cost is None or not self.gain_per_ac or not self.blocks else cost / self.gain_per_ac


def swaths_of_plot(swath_ft: float, head_ft: float, *, shared: bool) -> int:
    """
    Least number of swaths for which every plot of a trial holds one whole harvest pass: 90 % of the head or more.

    ``shared``: the combine follows the applicator's lines; else it may run anywhere beside them.

    >>> [swaths_of_plot(60.0, 40.0, shared=True), swaths_of_plot(60.0, 40.0, shared=False)]
    [1, 2]
    >>> [swaths_of_plot(40.0, 30.0, shared=shared) for shared in (True, False)]
    [2, 2]
    """
    least, sides = _INSIDE_SHARE * head_ft - 1e-9, np.arange(40)[:, None] * swath_ft

    def holds(width: float) -> bool:
        if not shared:
            return width >= 2 * least
        passes = np.arange(0.0, 40 * swath_ft + width, head_ft)
        common = np.minimum(passes + head_ft, sides + width) - np.maximum(passes, sides)
        return bool((common.max(axis=1) >= least).all())

    return next(swaths for swaths in itertools.count(1) if holds(swaths * swath_ft))


def buffer_ft(machine: MachineSection) -> float:
    """
    Ground at each end of a trial's plot that is not its own: the applicator settles there, the combine mixes.

    At 8 mph a machine that looks ahead 2 s and takes 2 s to change drives 47 ft; a combine mixes 66 ft:

    >>> round(buffer_ft(MachineSection(speed_mph=8.0, rate_change_s=2.0)))
    72
    """
    ahead = machine.rate_change_s if machine.look_ahead_s is None else machine.look_ahead_s
    settling_m = machine.speed_mph * MPH_M_S * (machine.rate_change_s + ahead)
    return max(settling_m, _MIXING_M) / FT_M + _MARGIN_FT


def earlier_blocks(field: Field) -> shapely.Geometry:
    """Ground of the field's blocks in the last season that had any, by the book of ``[learning]``."""
    mine = [one for one in field.past_trials if one.field == field.name and one.block.startswith("block")]
    last = [one for one in mine if one.season == max(other.season for other in mine)]
    hulls = [shapely.convex_hull(shapely.union_all([shapely.from_wkt(plot.outline) for plot in one.plots]))
             for one in last]  # fmt: skip
    return reproject(shapely.union_all(hulls), "EPSG:4326", field.crs)


def lay_trial(
    zones: Zones, rates: Sequence[float], *, ground: TrialGround, share: NDArray[np.float64], section: TrialSection,
    machine: MachineSection, rules: RateRules, payoff: Payoff | None,
) -> tuple[Zones, tuple[Piece, ...], TrialReport]:  # fmt: skip
    """
    Cut blocks of plots out of zones.

    Parameters
    ----------
    rates : sequence of float
        Final rates of the zones. [lb N/ac]
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated.
    payoff : Payoff or None
        None without prices: then nothing is said of cost and gain.

    Returns
    -------
    zones : Zones
        With a zone for each rate of each block; as they were when there is no place for a block.
    pieces : tuple of Piece
        One for each of the zones k + 1, k + 2, ….
    report : TrialReport
        Its findings say why there are fewer blocks than were asked for.
    """
    search = Search.of(
        zones, rates, ground, section, machine, buffer_ft=buffer_ft(machine),
        swaths=swaths_of_plot(machine.swath_ft, section.harvest_width_ft or HARVEST_FT,
                              shared=section.harvest_lines == "shared"),
    )  # fmt: skip
    blocks: list[TrialBlock] = []
    plots: list[TrialPlot] = []
    reason: Finding | None = None
    for shape in _SHAPES:
        places, reason = search.places(shape, rules)
        for block, place in enumerate(places, start=1):
            found = search.plots(block, place)
            plots += found
            blocks.append(search.block(found, place, payoff))
        if blocks:
            break
    report = TrialReport(
        asked=section.blocks, blocks=tuple(blocks), plots=(), width_ft=search.swaths * machine.swath_ft,
        length_ft=search.length_ft, buffer_ft=search.buffer_ft, heading_deg=search.passes.heading_deg,
        gain_per_ac=_gain(blocks, payoff), findings=(),
    )  # fmt: skip
    break_even = report.break_even_ac
    if section.corn_ac is not None and break_even is not None and section.corn_ac < break_even:
        corn, least = Quantity("area", section.corn_ac), Quantity("area", break_even)
        cost = Quantity("money", report.cost_usd)
        reason = warning("rates.trial-too-dear", "trial", corn=corn, cost=cost, least=least)
    elif blocks:
        reason = None
    if reason is not None:
        return zones, (), replace(report, blocks=(), findings=(reason,))
    boxes = [(plot.outline, _all_of(plot)) for plot in sorted(plots, key=lambda one: (one.block, one.rate_n_lb_ac))]
    cut, kinds = cut_out(zones, boxes, grid=ground.grid, share=share, treated=ground.treated)
    first = len(zones.outlines) + 1
    zone_of = {kind: zone for zone, kind in enumerate(kinds, start=first)}
    report = replace(report, plots=tuple(replace(plot, zone=zone_of[_kind(plot)]) for plot in plots))
    pieces = tuple(
        Piece(what=kind, rate_n_lb_ac=kind.rate_n_lb_ac, base_n_lb_ac=blocks[kind.block - 1].recommended_n_lb_ac)
        for kind in kinds
    )
    return cut, pieces, replace(report, findings=tuple(_said(report, section, payoff)))


def strips_as_trial(
    zones: Zones, pieces: Sequence[Piece], between: Sequence[shapely.Geometry], rates: Sequence[float], *,
    ground: TrialGround, section: CheckStripSection, machine: MachineSection, payoff: Payoff | None,
) -> TrialReport:  # fmt: skip
    """
    Check strips as the smallest form of a trial: each piece a plot, and the ordinary ground between beside it.

    Parameters
    ----------
    zones : Zones
        With the pieces as the last of them.
    between : sequence of Polygon
        The ordinary strip of each pair.
    rates : sequence of float
        Of all zones, those of the pieces too. [lb N/ac]
    """
    count, grid = len(zones.outlines) - len(pieces), ground.grid
    cut = {zone: piece.what for zone, piece in enumerate(pieces, start=count + 1) if isinstance(piece.what, CheckStrip)}
    found = [(strip.pair, zone, strip.in_zone or 0, zones.outlines[zone - 1]) for zone, strip in cut.items()]
    for pair, zone in sorted({(strip.pair, strip.in_zone or 0) for strip in cut.values()}):
        area = shapely.intersection(between[pair - 1], zones.outlines[zone - 1])
        if shapely.area(area) >= LEAST_LENGTH_FT * FT_M * machine.swath_ft * FT_M:
            found.append((pair, zone, zone, area))
    plots: list[TrialPlot] = []
    blocks: list[TrialBlock] = []
    for pair in sorted({pair for pair, *_ in found}):
        mine = [one[1:] for one in found if one[0] == pair]
        costs = np.zeros(1 + len(ENDS))
        for number, (zone, base, area) in enumerate(mine, start=1):
            largest = max(shapely.get_parts(area), key=shapely.area)
            here = _cells_in(largest, grid)
            need, rate = ground.need[here], rates[zone - 1]
            plots.append(TrialPlot(
                block=pair, plot=number, zone=zone, rate_n_lb_ac=rate, outline=largest,
                need_lb_ac=max(float(need.mean()), 0.0),
                supplies={key: float(values[here].mean()) for key, values in ground.supplies.items()},
            ))  # fmt: skip
            if payoff is not None:
                acres, plain = geodesic_acres(area, grid.crs), np.full_like(need, rates[base - 1])
                costs += [acres * lost_per_ac(replace(payoff, response=one), need, rate, plain)
                          for one in (payoff.response, *ENDS)]  # fmt: skip
        blocks.append(_strip_block(pair, plots[-len(mine) :], rates, ground, None if payoff is None else costs))
    width_ft = max(1, math.ceil((section.width_ft or 0.0) / machine.swath_ft - 1e-6)) * machine.swath_ft
    heading = passes_over(ground.treated, crs=grid.crs, swath_m=machine.swath_ft * FT_M,
                          heading_deg=machine.heading_deg).heading_deg  # fmt: skip
    gain = None if payoff is None or not blocks else expected_gain(
        len(blocks), error_lb_ac=PAIR_SE, corn_per_bu=payoff.corn_per_bu, n_per_lb=payoff.n_per_lb)  # fmt: skip
    return TrialReport(
        asked=section.pairs, blocks=tuple(blocks), plots=tuple(plots), width_ft=width_ft,
        length_ft=section.length_ft, buffer_ft=buffer_ft(machine), heading_deg=heading, gain_per_ac=gain, findings=(),
    )  # fmt: skip


def _strip_block(
    pair: int, plots: Sequence[TrialPlot], rates: Sequence[float], ground: TrialGround, costs: Array | None
) -> TrialBlock:
    """A pair of strips with the ordinary one between, in numbers."""
    grid, area = ground.grid, shapely.union_all([plot.outline for plot in plots])
    here, middle = _cells_in(area, grid), reproject(shapely.centroid(area), grid.crs, "EPSG:4326")
    nitrate = ground.layers.get("nitrate_ppm")
    return TrialBlock(
        block=pair, acres=geodesic_acres(area, grid.crs), passes=3,
        rates_n_lb_ac=tuple(sorted({plot.rate_n_lb_ac for plot in plots})),
        recommended_n_lb_ac=float(np.median([plot.rate_n_lb_ac for plot in plots])),
        need_lb_ac=float(ground.need[here].mean()), supplied_lb_ac=float(ground.contrast[here].mean()),
        nitrate_ppm=math.nan if nitrate is None else float(nitrate[here].mean()),
        longitude=float(shapely.get_x(middle)), latitude=float(shapely.get_y(middle)),
        cost=None if costs is None else (float(costs.min()), float(costs[0]), float(costs.max())),
    )  # fmt: skip


def _cells_in(area: shapely.Geometry, grid: Grid) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns of the cells whose middles lie in some ground, of the one under it where none does."""
    centers = grid.centers_m()
    inside = np.flatnonzero(shapely.contains_xy(area, centers[:, 0], centers[:, 1]))
    if len(inside):
        return np.divmod(inside, grid.cols)
    row, col, _ = grid.cells_of(shapely.get_coordinates(shapely.point_on_surface(area)))
    return row, col


def _kind(plot: TrialPlot) -> BlockRate:
    return BlockRate(block=plot.block, rate_n_lb_ac=plot.rate_n_lb_ac)


def _all_of(plot: TrialPlot) -> Callable[[int, float], BlockRate]:
    """What every part of a plot becomes, whatever zone it lies in."""
    kind = _kind(plot)
    return lambda _zone, _area_m2: kind


def _gain(blocks: Sequence[TrialBlock], payoff: Payoff | None) -> float | None:
    """What the blocks are expected to bring in each acre of next season's corn, at least. [$/ac]"""
    if payoff is None or not blocks:
        return None
    plots = blocks[0].passes * len(blocks[0].rates_n_lb_ac)
    return expected_gain(len(blocks), error_lb_ac=BLOCK_SE * math.sqrt(20 / plots), corn_per_bu=payoff.corn_per_bu,
                         n_per_lb=payoff.n_per_lb)  # fmt: skip


def _said(report: TrialReport, section: TrialSection, payoff: Payoff | None) -> Iterator[Finding]:
    """What a person must know of blocks that are laid."""
    count = len(report.blocks)
    if count < report.asked:
        yield warning("rates.trial-fewer", "trial", blocks=count, asked=report.asked)
    if section.harvest_width_ft is None:
        yield note("rates.trial-head-assumed", "trial", head=Quantity("length", HARVEST_FT))
    if payoff is None:
        yield note("rates.trial-no-prices", "trial")
    supplies = [block.supplied_lb_ac for block in report.blocks]
    if count > 1 and max(supplies) - min(supplies) < _UNLIKE_LB_AC:
        yield note("rates.trial-alike", "trial", apart=Quantity("amount", max(supplies) - min(supplies)))
