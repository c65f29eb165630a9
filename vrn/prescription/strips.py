"""Ground apart from the zones: check strips to learn from at harvest, and what a rain-out left to cover."""

import dataclasses
import math
import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Finding
from vrn.model.applied import Short
from vrn.model.grid import Grid, geodesic_acres, share_inside
from vrn.model.job import CheckStripSection
from vrn.model.settings import MachineSection
from vrn.prescription.drive import cells_touched
from vrn.prescription.machine import with_machine_check
from vrn.prescription.model import BlockRate, Change, CheckStrip, Prescription, ZoneRate
from vrn.prescription.passes import Passes, way_over
from vrn.units import AC_M2, FT_M
from vrn.zones.model import Zones
from vrn.zones.outline import as_multi, dissolved, faces_of, gaps_filled, labels_of

if TYPE_CHECKING:
    from vrn.prescription.trial import TrialReport

Kind = TypeVar("Kind", bound=CheckStrip | BlockRate)
LEAST_LENGTH_FT = 100.0  # of a piece of strip in one zone; what is shorter stays ordinary ground
_STEP_M = 2.0
_LEAST_SHARE = 0.35  # of a strip's length that a zone must fill to count as crossed


@dataclass(frozen=True, slots=True, kw_only=True)
class StripReport:
    """Check strips that were asked for; the pieces are the zones that have a ``strip``."""

    total_change_n_lb: float  # what they change the field's total by
    tolerance_n_lb: float  # what they may


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A zone cut out of others to learn from: what it is, its rate, and what its ground would have got. [lb N/ac]"""

    what: CheckStrip | BlockRate
    rate_n_lb_ac: float
    base_n_lb_ac: float


def with_strips(
    zones: Zones, rates: Sequence[float], windows: list[tuple[float, float]], *, grid: Grid, share: NDArray[np.float64],
    treated: shapely.Geometry, section: CheckStripSection, machine: MachineSection,
) -> tuple[Zones, tuple[Piece, ...], tuple[shapely.Geometry, ...]]:  # fmt: skip
    """Cut pairs of check strips out of zones: the smallest form of a trial.

    `rates`: final rates of the zones. [lb N/ac] `windows`: limits of each zone's rate above 0. [lb N/ac] `share` (rows,
    cols). `machine`: swath, heading, and the rate step: strips differ by whole steps, the nearest to what was asked.
    Returns `zones`: with the pieces as zones k + 1, k + 2, …; as they were when there is no place for a pair; `pieces`:
    one for each of the zones k + 1, k + 2, …; `between`: the ordinary strip of each pair.

    A pair lies along the passes: one strip with the step more, an ordinary strip of the same width to compare with, one
    strip with the step less; so the field's total stays what it was but for pieces too short to keep. A place is good
    when both strips lie wholly on treated ground, no limit is in the way, and they cross two zones whose rates are far
    apart, each on a good part of the length.
    """
    swath_m = machine.swath_ft * FT_M
    per_strip = max(1, int(np.ceil((section.width_ft or machine.swath_ft) / machine.swath_ft - 1e-6)))
    difference = max(1, round(section.step_n_lb_ac / machine.rate_step_n_lb_ac)) * machine.rate_step_n_lb_ac
    way = way_over(treated, crs=grid.crs, machine=machine)
    passes, straight = way.passes, zones.labels.copy()
    straight[cells_touched(grid, way.parts[-1].elsewhere)] = 0  # rounds along the edge would cross a strip
    length_m = section.length_ft * FT_M
    allowed = np.array(
        [False]
        + [rate > 0 and low <= rate - difference and rate + difference <= high
           for rate, (low, high) in zip(rates, windows, strict=True)]
    )  # fmt: skip
    corners = _places(
        straight, np.array([0.0, *rates]), allowed, grid=grid, passes=passes, swath_m=swath_m,
        length_m=length_m, per_strip=per_strip, pairs=section.pairs,
    )  # fmt: skip
    if not corners:
        return zones, (), ()
    least_m2 = per_strip * swath_m * LEAST_LENGTH_FT * FT_M

    def piece_of(pair: int, more: float) -> Callable[[int, float], CheckStrip | None]:
        def piece(zone: int, area_m2: float) -> CheckStrip | None:
            kept = allowed[zone] and area_m2 >= least_m2
            return CheckStrip(pair=pair, difference_n_lb_ac=more, in_zone=zone) if kept else None

        return piece

    strips, between = [], []
    for pair, (first, along) in enumerate(corners, start=1):
        wests = (passes.across_m[first + offset * per_strip] - swath_m / 2 for offset in range(3))
        ends = along, along + length_m
        more, plain, less = (box_of(passes, *ends, west, west + per_strip * swath_m) for west in wests)
        strips += [(more, piece_of(pair, difference)), (less, piece_of(pair, -difference))]
        between.append(plain)
    cut, found = cut_out(zones, strips, grid=grid, share=share, treated=treated)
    bases = [rates[(strip.in_zone or 0) - 1] for strip in found]
    pieces = tuple(
        Piece(what=strip, rate_n_lb_ac=base + strip.difference_n_lb_ac, base_n_lb_ac=base)
        for strip, base in zip(found, bases, strict=True)
    )
    return cut, pieces, tuple(between) if found else ()


def box_of(passes: Passes, start: float, stop: float, left: float, right: float) -> shapely.Geometry:
    """Ground between two distances along passes and two across them, in the field's system. [m]"""
    along = np.array([start, stop, stop, start])
    return shapely.Polygon(passes.to_field(along, np.array([left, left, right, right])))


def _places(
    labels: NDArray[np.int32], rates: NDArray[np.float64], allowed: NDArray[np.bool_], *, grid: Grid, passes: Passes,
    swath_m: float, length_m: float, per_strip: int, pairs: int,
) -> list[tuple[int, float]]:  # fmt: skip
    """Best places for pairs: number of the first pass, and where along it the strips begin. [m]"""
    along = np.arange(passes.along_m[0] + _STEP_M / 2, passes.along_m[1], _STEP_M)
    window = max(1, round(length_m / _STEP_M))
    starts, lanes = len(along) - window + 1, len(passes.across_m) - 3 * per_strip + 1
    if starts < 1 or lanes < 1:
        return []
    across = passes.across_m[:, None] + np.array([-0.45, 0.0, 0.45]) * swath_m
    row, col, inside = grid.cells_of(passes.to_field(along[:, None, None], across[None]).reshape(-1, 2))
    zone = np.where(inside, labels[row, col], 0).reshape(len(along), len(passes.across_m), 3)

    def share_of(is_in: NDArray[np.bool_]) -> NDArray[np.float64]:
        """Share of a strip that begins at each step and pass, shape (starts, passes − per_strip + 1)."""
        sums = np.cumsum(np.pad(is_in.mean(axis=2), ((1, 0), (0, 0))), axis=0)
        lane = (sums[window:] - sums[:-window]) / window
        wide = np.cumsum(np.pad(lane, ((0, 0), (1, 0))), axis=1)
        strip: NDArray[np.float64] = (wide[:, per_strip:] - wide[:, :-per_strip]) / per_strip
        return strip

    def of_pair(strip: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.minimum(strip[:, :lanes], strip[:, 2 * per_strip : 2 * per_strip + lanes])

    numbers = np.flatnonzero(allowed)
    good = of_pair(share_of(allowed[zone]))
    shares = np.stack([of_pair(share_of(zone == number)) for number in numbers]) if len(numbers) else None
    if shares is None:
        return []
    crossed = shares >= _LEAST_SHARE
    rate = rates[numbers][:, None, None]
    top = np.where(crossed, rate, -np.inf).max(axis=0)
    low = np.where(crossed, rate, np.inf).min(axis=0)
    contrast = np.where(np.isfinite(top), np.maximum(top - low, 0.0), 0.0)
    second = np.sort(np.where(crossed, shares, 0.0), axis=0)[-2] if len(numbers) > 1 else np.zeros_like(contrast)
    middle = np.hypot((np.arange(starts) / max(starts - 1, 1) - 0.5)[:, None],
                      (np.arange(lanes) / max(lanes - 1, 1) - 0.5)[None])  # fmt: skip
    score = np.where(good > 0.999, 1e-3 + contrast * second - 1e-4 * middle, 0.0)
    found: list[tuple[int, float]] = []
    while len(found) < pairs and score.max() > 0:
        start, lane = np.unravel_index(int(np.argmax(score)), score.shape)
        found.append((int(lane), float(along[start] - _STEP_M / 2)))
        score[max(0, start - window) : start + window, max(0, lane - 3 * per_strip + 1) : lane + 3 * per_strip] = 0.0
    return found


def cut_out(
    zones: Zones, boxes: Sequence[tuple[shapely.Geometry, Callable[[int, float], Kind | None]]], *, grid: Grid,
    share: NDArray[np.float64], treated: shapely.Geometry,
) -> tuple[Zones, tuple[Kind, ...]]:  # fmt: skip
    """
    Zones less some boxes, and what was cut as zones after them, one for each kind.

    Parameters
    ----------
    boxes : sequence of (Polygon, callable)
        The callable says of a box's part in a zone, by the zone's number and the part's area [m²], what it becomes;
        None leaves it to its zone.

    Returns
    -------
    zones : Zones
        As they were where the boxes would swallow a zone whole.
    kinds : tuple
        Of the zones k + 1, k + 2, …
    """
    count = len(zones.outlines)
    lines = [shapely.boundary(outline) for outline in zones.outlines]
    lines += [shapely.boundary(box) for box, _ in boxes]
    faces = faces_of([*lines, shapely.boundary(treated)], treated)
    inside = shapely.point_on_surface(faces)
    parent = np.zeros(len(faces), dtype=np.int32)
    for number, outline in enumerate(zones.outlines, start=1):
        parent[shapely.intersects(outline, inside)] = number
    parent = gaps_filled(faces, parent)  # specks between lines that all but meet lie in no outline
    owner = parent.copy()
    kinds: list[Kind] = []
    for box, kind_of in boxes:
        within = shapely.intersects(box, inside)
        for number in np.unique(parent[within]):
            here = within & (parent == number)
            kind = kind_of(int(number), float(shapely.area(faces[here]).sum()))
            if kind is not None:
                if kind not in kinds:
                    kinds.append(kind)
                owner[here] = count + 1 + kinds.index(kind)
    numbers = np.arange(count + len(kinds) + 1, dtype=float)
    found = dissolved(faces, owner, numbers, 0.0)
    if len(found) != count + len(kinds):
        return zones, ()
    outlines = tuple(found[number] for number in sorted(found))
    return replace(zones, labels=labels_of(outlines, grid=grid, share=share), outlines=outlines), tuple(kinds)


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class RemainingReport:
    """What was covered before a rain-out, and what the whole field was to get."""

    covered_ac: float  # full, short and narrow
    left_ac: float  # to be driven, what is topped up with it
    short_ac: float  # got less than 90 % of its rate and gets no more
    narrow_ac: float  # got nothing, and is too narrow to be driven
    topped_up_ac: float
    whole_total_n_lb: float
    whole_total_product: float
    was_zone: tuple[int, ...]  # number of each zone in the whole field

    @property
    def full_ac(self) -> float:
        """Ground that got 90 % of its rate or more."""
        return self.covered_ac - self.short_ac - self.narrow_ac


def remaining(
    prescription: Prescription, covered: Sequence[shapely.Geometry], *, narrowest_m: float | None = None,
    short_ac: float = 0.0, top_up: Sequence[Short] = (),
) -> Prescription:  # fmt: skip
    """
    The same rates on what is left of the field.

    Parameters
    ----------
    prescription : Prescription
        Of the whole field.
    covered : sequence of shapely Polygon or MultiPolygon
        Ground that has been driven, in the field's system.
    narrowest_m : float, optional
        Width of what can be shut off by itself; the swath's when not given. [m]
    short_ac : float
        What of the covered ground got less than 90 % of its rate. [ac]
    top_up : sequence of Short
        Of that, what is to get what is missing, rounded down to the machine's step; no less than it can put on.

    Returns
    -------
    prescription : Prescription
        Zones that are wholly covered are gone and the others renumbered 1 … k; ``zone_before`` keeps a number that
        changed. ``remaining`` says what was covered and what is still to order. Covered ground is no-apply ground
        of its field: 0 in every file, and no zone.

    Raises
    ------
    InputFileError
        If the covered ground does not touch the field, or covers all of it.

    Notes
    -----
    Rates are not worked out again: what the first part was short of or had too much of does not go on the rest. What
    is left narrower than half of what can be shut off, between passes or along the edge, counts as covered.
    """
    field, treated = prescription.field, prescription.outline()
    driven = shapely.union_all(shapely.make_valid(np.array(covered, dtype=object)))
    half_gap_m = (narrowest_m or field.settings.machine.swath_ft * FT_M) / 4.0
    rest = shapely.difference(treated, driven)
    wide = shapely.buffer(shapely.buffer(rest, -half_gap_m, join_style="mitre"), half_gap_m, join_style="mitre")
    left = as_multi(shapely.intersection(rest, wide))
    whole_m2, left_m2 = float(shapely.area(treated)), float(shapely.area(left))
    if left_m2 >= whole_m2 * (1 - 1e-9):
        problem = "The covered ground does not touch the field."
        raise InputFileError(problem, "Check that the as-applied file belongs to this field.")
    extra = tuple(_topped_up(prescription, top_up))
    if left_m2 <= whole_m2 * 1e-6 and not extra:
        problem = "The whole field is covered: nothing is left to apply."
        raise InputFileError(problem, "Check the as-applied file; there is no prescription to write.")
    narrow_ac = float(shapely.area(rest) - left_m2) / AC_M2
    left = as_multi(shapely.union_all([left, *(rate.outline for rate in extra)]))
    pieces = (*prescription.rates, *extra)
    lines = [shapely.boundary(rate.outline) for rate in pieces] + [shapely.boundary(left)]
    faces = faces_of(lines, left)
    inside = shapely.point_on_surface(faces)
    owner = np.zeros(len(faces), dtype=np.int32)
    for rate in pieces:
        owner[shapely.intersects(rate.outline, inside)] = rate.zone
    by_zone = np.array([np.nan, *(rate.rate_n_lb_ac for rate in pieces)])
    # along a border that was driven, the covered ground ends a hair short: such a sliver goes with the rest beside it
    found = dissolved(faces, gaps_filled(faces, owner), by_zone, (2.0 * half_gap_m) ** 2)
    crs = prescription.grid.crs
    kept = [rate for rate in pieces if rate.zone in found]
    now = {rate.zone: number for number, rate in enumerate(kept, start=1)}
    rates = tuple(
        dataclasses.replace(
            rate, zone=now[rate.zone], outline=found[rate.zone], acres=geodesic_acres(found[rate.zone], crs),
            parts=len(shapely.get_parts(found[rate.zone])),
            trial=_trial(rate.trial, now), whole=None if rate.whole is None else shapely.intersection(rate.whole, left),
            zone_before=rate.zone_before if rate.topped_up
            else rate.zone if now[rate.zone] != rate.zone and rate.trial is None else None,
            changes=tuple(dataclasses.replace(change, zone=now[rate.zone]) for change in rate.changes),
        )
        for rate in kept
    )  # fmt: skip
    share = share_inside(prescription.grid, left)
    outlines = tuple(rate.outline for rate in rates)
    zones = dataclasses.replace(
        prescription.zones, outlines=outlines, labels=labels_of(outlines, grid=prescription.grid, share=share)
    )
    total_n_lb = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    acres = sum(rate.acres for rate in rates)
    topped_ac = sum(rate.acres for rate in rates if rate.topped_up)
    whole = {now[rate.zone]: rate.zone_before or rate.zone for rate in kept}
    planned = dataclasses.replace(
        prescription, share=share, zones=zones, rates=rates, acres=acres, total_n_lb=total_n_lb,
        total_product=total_n_lb / prescription.product.n_lb_per_unit,
        field=dataclasses.replace(field, no_apply=shapely.union(field.no_apply, field.boundary.difference(left))),
        findings=tuple(_renumbered(prescription.findings, now)),
        overrides=tuple(
            dataclasses.replace(one, zone=now[one.zone]) for one in prescription.overrides if one.zone in now
        ),
        check_strips=_strips_left(prescription.check_strips, rates),
        trial=None if prescription.trial is None else _plots_left(prescription.trial, left, now),
        remaining=RemainingReport(
            covered_ac=prescription.acres - acres, left_ac=acres, short_ac=max(short_ac - topped_ac, 0.0),
            narrow_ac=narrow_ac, topped_up_ac=topped_ac, whole_total_n_lb=prescription.total_n_lb,
            whole_total_product=prescription.total_product,
            was_zone=tuple(whole.values()),
        ),
        methods=tuple(
            dataclasses.replace(one, by_zone={zone: one.by_zone[before] for zone, before in whole.items()
                                              if before in one.by_zone})
            for one in prescription.methods
        ),
    )  # fmt: skip
    return with_machine_check(planned)


def _topped_up(prescription: Prescription, short: Sequence[Short]) -> Iterator[ZoneRate]:
    """What is missing on short ground, in steps the machine makes, as zones after those of the whole field."""
    step, number = prescription.field.settings.machine.rate_step_n_lb_ac, len(prescription.rates)
    for one in short:
        whole = prescription.rates[one.zone - 1]
        rate_n_lb_ac = math.floor(one.missing_n_lb_ac / step + 1e-9) * step
        low, high = whole.allowed_n_lb_ac
        if not max(low, step) <= rate_n_lb_ac <= high:
            continue
        number += 1
        change = Change(zone=number, cause="top-up", from_n_lb_ac=whole.rate_n_lb_ac, to_n_lb_ac=rate_n_lb_ac)
        yield replace(
            whole, zone=number, outline=as_multi(one.ground), rate_n_lb_ac=rate_n_lb_ac,
            changes=(*whole.changes, change),
            product_per_ac=rate_n_lb_ac / prescription.product.n_lb_per_unit, trial=None, zone_before=one.zone,
            rate_product=whole.rate_product * rate_n_lb_ac / whole.rate_n_lb_ac, topped_up=True,
        )  # fmt: skip


def _trial(piece: CheckStrip | BlockRate | None, now: dict[int, int]) -> CheckStrip | BlockRate | None:
    """A strip in its zone's number of now; what lies in no one zone as it is."""
    return dataclasses.replace(piece, in_zone=now.get(piece.in_zone or 0)) if isinstance(piece, CheckStrip) else piece


def _renumbered(findings: tuple[Finding, ...], now: dict[int, int]) -> Iterator[Finding]:
    """Findings about zones under the numbers they have now; those about zones that are gone are left out."""
    for finding in findings:
        zone = re.fullmatch(r"zone (\d+)", finding.about)
        if zone is None:
            yield finding
        elif int(zone[1]) in now:
            yield dataclasses.replace(finding, about=f"zone {now[int(zone[1])]}")


def _strips_left(report: StripReport | None, rates: tuple[ZoneRate, ...]) -> StripReport | None:
    """What the strips that are left change the total by; None when none were asked for."""
    if report is None:
        return None
    change = sum(rate.acres * rate.trial.difference_n_lb_ac for rate in rates if isinstance(rate.trial, CheckStrip))
    return dataclasses.replace(report, total_change_n_lb=change)


def _plots_left(trial: "TrialReport", left: shapely.Geometry, now: dict[int, int]) -> "TrialReport":
    """The trial with those plots alone that are still to be driven, whole."""
    covered = (shapely.area(shapely.difference(plot.outline, left)) / plot.outline.area for plot in trial.plots)
    whole = [plot for plot, share in zip(trial.plots, covered, strict=True) if share <= 1e-3 and plot.zone in now]
    return replace(trial, plots=tuple(replace(plot, zone=now[plot.zone]) for plot in whole))
