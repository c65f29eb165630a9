"""From candidate labels to zones: tidied, the number chosen, outlined, and labelled again by the outlines."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid
from vrn.response.payoff import Payoff
from vrn.zones.model import CountReason, ZoneChoice, Zones, ZonesReport
from vrn.zones.outline import labels_of, outlines_of, spread_over
from vrn.zones.tidy import merge_patches, tidied

Array = NDArray[np.float64]
Labels = NDArray[np.int32]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ZoneGround:
    """What zones are drawn on, and what the machine can answer."""

    grid: Grid
    share: Array  # share of each cell that is treated, 0 … 1, shape (rows, cols)
    treated: shapely.Geometry
    least_patch_m2: float
    least_width_m: float
    tolerance_m: float
    step: float
    least_saving: float

    def check(self, values: Array, count: int | None, max_count: int) -> None:
        """Refuse what cannot be drawn on.

        Raises OutOfRangeError if shapes or numbers make no sense, or no value on the treated ground is known.
        """
        share, shape = self.share, self.grid.shape
        if values.shape != shape or share.shape != shape:
            problem = f"Values of shape {values.shape} and shares of {share.shape} do not lie on a grid of {shape}."
            raise OutOfRangeError(problem, "Give one number for each cell.")
        if self.step <= 0 or max_count < 1 or (count is not None and count < 1):
            problem = f"Zones cannot be drawn with step {self.step}, count {count}, max_count {max_count}."
            raise OutOfRangeError(problem, "Give a step above 0 and at least one zone.")
        if not (np.isfinite(values) & (share > 0)).any():
            problem = "The need is unknown everywhere on the treated ground."
            raise OutOfRangeError(problem, "Check that the layers cover the field.")


def misallocated(
    values: NDArray[np.float64], given: NDArray[np.float64], weights: NDArray[np.float64],
    se: NDArray[np.float64] | None,
) -> float:  # fmt: skip
    """Expected weighted mean of |truth − given|, where the truth is normal about the values.

    `values`, `given`, `weights` (n,): best estimate, what the zone gets, area. `se` (n,): standard error of the values;
    None takes them as true.

    Mean of a folded normal: σ √(2/π) exp(−d²/2σ²) + d (1 − 2 Φ(−d/σ)) with d = value − given (Leone, Nelson and
    Nottingham 1961). With d = 0 it is 0.798 σ: what no zone can save.

    >>> one = np.array([1.0])
    >>> misallocated(np.array([110.0]), np.array([100.0]), one, None)
    10.0
    >>> round(misallocated(np.array([100.0]), np.array([100.0]), one, np.array([10.0])), 3)
    7.979
    """
    gap = np.abs(values - given)
    if se is not None:
        from scipy.special import ndtr

        spread = np.where(np.isfinite(se) & (se > 0), se, 1e-12)
        ratio = gap / spread
        gap = spread * math.sqrt(2.0 / math.pi) * np.exp(-0.5 * ratio**2) + gap * (1.0 - 2.0 * ndtr(-ratio))
    return float(np.average(gap, weights=weights))


def surroundings(
    values: NDArray[np.float64], share: NDArray[np.float64], *, inner_cells: int, outer_cells: int
) -> NDArray[np.float64]:
    """Mean of the cells in a square ring around each cell: what a neighbour would expect there.

    `values` (rows, cols): NaN where unknown: such a cell takes no part. `share` (rows, cols): share of each cell that
    is treated, 0 … 1. `inner_cells`, `outer_cells`: cells nearer than the first or farther than the second take no
    part. The value itself where the ring holds nothing; NaN where the value is unknown or the share is 0.

    Scatter from cell to cell does not show in it, structure wider than the ring does: zones drawn on scatter save
    nothing against it.

    Two cells away on either side: the first and the last see the 30 in the middle, the middle sees 1 and 5.

    >>> row = np.array([[1.0, 2.0, 30.0, 4.0, 5.0]])
    >>> surroundings(row, np.ones((1, 5)), inner_cells=2, outer_cells=2).round(9).tolist()
    [[30.0, 4.0, 3.0, 2.0, 30.0]]
    """
    from scipy.ndimage import uniform_filter

    known = np.isfinite(values) & (share > 0)
    weight = np.where(known, share, 0.0)
    weighted = np.where(known, values, 0.0) * weight

    def box(array: NDArray[np.float64], half: int) -> NDArray[np.float64]:
        # ground off the grid counts as none
        sums: NDArray[np.float64] = uniform_filter(array, 2 * half + 1, mode="constant") * (2 * half + 1) ** 2
        return sums

    inner = inner_cells - 1
    around = box(weight, outer_cells) - box(weight, inner)
    total = box(weighted, outer_cells) - box(weighted, inner)
    expected = np.where(around > 1e-6, total / np.where(around > 1e-6, around, 1.0), values)
    return np.where(known, expected, np.nan)


def zone_means(
    labels: NDArray[np.int32], values: NDArray[np.float64], weights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Weighted mean of the cells of each zone, at its number; NaN at 0 and where a zone knows nothing.

    Unknown values (NaN) take no part. Shape (k + 1,).

    >>> zone_means(np.array([1, 1, 2]), np.array([10.0, 20.0, 7.0]), np.array([1.0, 3.0, 1.0])).tolist()
    [nan, 17.5, 7.0]
    """
    known = np.isfinite(values) & (labels > 0)
    count = int(labels.max(initial=0)) + 1
    weight = np.bincount(labels[known], weights[known], count)
    total = np.bincount(labels[known], weights[known] * values[known], count)
    return total / np.where(weight > 0, weight, np.nan)


def choose_zone_count(
    saved: Sequence[tuple[float, ...]], gaps: Sequence[float], *, least_saving: float, least_gap: float
) -> tuple[int, CountReason, float | None]:
    """Smallest number of zones after which more are not worth drawing.

    `saved` [lb/ac]: what 1, 2, 3 … zones save against one, by each measure: a zone more must be worth it by every one.
    `gaps`: for each, the least distance between the values of neighbouring zones. `least_saving`: what each further
    zone must save on average. `least_gap`: zones nearer than this are not told apart by their rates. Last comes what
    one more zone would save; None at the most that were tried.

    The third zone saves 3.0, the fourth 0.2:

    >>> tried = [(0.0,), (9.0,), (12.0,), (12.25,)]
    >>> choose_zone_count(tried, [0.0, 40.0, 25.0, 15.0], least_saving=0.5, least_gap=5.0)
    (3, 'little-saved', 0.25)
    """
    usable = [i for i in range(len(saved)) if i == 0 or gaps[i] >= least_gap]
    chosen = 0

    def gain_of(i: int) -> float:
        return min(there - here for there, here in zip(saved[i], saved[chosen], strict=True))

    while better := [i for i in usable if i > chosen and gain_of(i) >= least_saving * (i - chosen)]:
        chosen = better[0]
    if chosen == len(saved) - 1:
        return chosen + 1, "most-tried", None
    gain = gain_of(chosen + 1)
    return chosen + 1, "rate-step" if gain >= least_saving else "little-saved", max(gain, 0.0)


def finalize_zones(
    candidates: list[Labels], *, values: Array, even: Array, value_se: Array | None, ground: ZoneGround,
    count: int | None, max_count: int, losses: Payoff | None, report: ZonesReport,
) -> Zones:  # fmt: skip
    """Zones from candidate labels for 1, 2, 3 … zones.

    `candidates` (rows, cols): not yet tidied; 0 where unknown or not treated. `values`, `even` (rows, cols): what a
    cell should get, as it is and smoothed; NaN where unknown. [lb/ac] `value_se` (rows, cols). `count`: forced number.
    `max_count`: most zones to choose from when nothing is forced. `losses`: what the zones are counted in; misallocated
    pounds without it. `report`: how the candidates were made; the rest of it is filled in here.
    """
    share, grid = ground.share, ground.grid
    known = np.isfinite(values) & (share > 0)
    weights = share[known]
    se = None if value_se is None else value_se[known]
    ring = max(1, round(ground.least_width_m / grid.cell_m))
    expected = surroundings(values, share, inner_cells=ring, outer_cells=2 * ring)[known]

    drawn: list[tuple[Labels, int]] = []
    choices: list[ZoneChoice] = []
    saved: list[tuple[float, float]] = []
    earned: list[tuple[float, float]] = []
    gaps: list[float] = []
    for k, raw in enumerate(candidates, start=1):
        labels, merged = spread_over(raw, share), 0
        if k > 1:
            labels, merged = tidied(
                labels, even, share, cell_m=grid.cell_m,
                least_patch_m2=ground.least_patch_m2, least_width_m=ground.least_width_m,
            )  # fmt: skip
        means = zone_means(labels, values, share)
        given = means[labels[known]]
        left = misallocated(values[known], given, weights, se)
        round_about = misallocated(expected, given, weights, se)
        if k == 1:
            base, base_round_about = left, round_about
        # a zone must save against the cells and against what their surroundings expect: scatter passes only the first,
        # the blur along an edge only the second
        saved.append((base - left, base_round_about - round_about))
        cost = None
        if losses is not None:
            cost, cost_round_about = _lost(losses, values[known], expected, weights, labels[known])
            if k == 1:
                base_cost, base_cost_round_about = cost, cost_round_about
            earned.append((base_cost - cost, base_cost_round_about - cost_round_about))
        choices.append(
            ZoneChoice(
                zones=k, misallocated_lb_ac=left if se is None else misallocated(values[known], given, weights, None),
                survives_lb_ac=None if se is None else min(saved[-1]), cost_per_ac=cost,
            )
        )  # fmt: skip
        present = np.sort(means[np.isfinite(means)])
        gaps.append(float(np.diff(present).min()) if len(present) == k > 1 else 0.0)
        drawn.append((labels, merged))

    if count is None:
        least = ground.least_saving if losses is None else losses.least_saving_per_ac
        chosen, reason, next_saving = choose_zone_count(
            (saved if losses is None else earned)[:max_count], gaps, least_saving=least, least_gap=ground.step
        )
    else:
        chosen, reason, next_saving = count, "asked", None
    labels, merged = drawn[chosen - 1]
    report = replace(
        report, reason=reason, asked=count, patches_merged=merged,
        next_saving_lb_ac=next_saving if losses is None else None,
        least_saving_lb_ac=ground.least_saving if losses is None else None,
        next_saving_per_ac=None if losses is None else next_saving,
        least_saving_per_ac=None if losses is None else losses.least_saving_per_ac,
    )  # fmt: skip
    return outlined(labels, values=values, ground=ground, report=report, choice=tuple(choices))


def outlined(
    labels: Labels, *, values: Array, ground: ZoneGround, report: ZonesReport, choice: tuple[ZoneChoice, ...] = ()
) -> Zones:  # fmt: skip
    """Zones of tidied labels: numbered by rising value, unknown ground the last, outlined, labelled by the outlines."""
    share, grid = ground.share, ground.grid
    known = np.isfinite(values) & (share > 0)
    unknown = _unknown_ground(share, known, grid.cell_m2, ground.least_patch_m2)
    labels, zone_values = _by_rising_value(np.where(unknown, 0, labels).astype(np.int32), values, share)
    if unknown.any():
        labels = np.where(unknown, len(zone_values), labels).astype(np.int32)
        zone_values = np.append(zone_values, np.nan)
    found = outlines_of(
        labels, grid=grid, treated=ground.treated, tolerance_m=ground.tolerance_m,
        least_patch_m2=ground.least_patch_m2, zone_values=zone_values,
    )  # fmt: skip
    outlines = tuple(found[zone] for zone in sorted(found))
    fewer = report.asked is not None and len(outlines) != report.asked
    return Zones(
        labels=labels_of(outlines, grid=grid, share=share),
        outlines=outlines,
        choice=choice,
        report=replace(
            report, reason="fewer-than-asked" if fewer else report.reason, drawn=len(outlines), step_lb_ac=ground.step,
            least_patch_m2=ground.least_patch_m2, least_width_m=ground.least_width_m, tolerance_m=ground.tolerance_m,
            unknown_zone=len(outlines) if unknown.any() else None,
            unknown_share=float(share[(share > 0) & ~known].sum() / share.sum()),
        ),
    )  # fmt: skip


def by_steps(
    values: Array, *, grid: Grid, share: Array, treated: shapely.Geometry, least_patch_m2: float, least_width_m: float,
    step: float,
) -> Zones:  # fmt: skip
    """Ground sorted by the nearest step of the rate: each step is a zone.

    No piece is under the least patch. A band of one step between two others may be narrower than a swath: the machine
    goes through it from the one to the other.

    Parameters as for ``draw``; its Raises too.

    >>> grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=200.0, cell_m=10.0, rows=20, cols=20)
    >>> need = np.where(np.arange(20) < 10, 101.0, 118.0) * np.ones((20, 1))
    >>> zones = by_steps(need, grid=grid, share=np.ones((20, 20)), treated=shapely.box(0, 0, 200, 200),
    ...                  least_patch_m2=400.0, least_width_m=20.0, step=5.0)
    >>> [round(outline.area) for outline in zones.outlines], zones.report.by
    ([20000, 20000], 'cells')
    """
    ground = ZoneGround(
        grid=grid, share=share, treated=treated, least_patch_m2=least_patch_m2, least_width_m=least_width_m,
        tolerance_m=grid.cell_m / 2.0, step=step, least_saving=0.0,
    )  # fmt: skip
    ground.check(values, None, 1)
    known = np.isfinite(values) & (share > 0)
    steps = np.where(known, np.round(np.where(known, values, 0.0) / step) + 1, 0).astype(np.int32)
    labels, merged = merge_patches(
        spread_over(steps, share), values, share * grid.cell_m2, least_patch_m2=least_patch_m2
    )
    report = ZonesReport(by="cells", reason="every-step", drawn=0, patches_merged=merged)
    return outlined(labels, values=values, ground=ground, report=report)


def _lost(losses: Payoff, values: Array, expected: Array, weights: Array, labels: Labels) -> tuple[float, float]:
    """Expected loss of the rate of each zone, over all of them: on the cells, and on what is expected around them."""
    lost = np.zeros(2)
    for zone in np.unique(labels):
        here = labels == zone
        area, rate = weights[here], losses.best(values[here], weights[here])
        lost += area.sum() * np.array([losses.lost_per_ac(part[here], area, rate) for part in (values, expected)])
    on_cells, around = lost / weights.sum()
    return float(on_cells), float(around)


def _by_rising_value(
    labels: NDArray[np.int32], values: NDArray[np.float64], share: NDArray[np.float64]
) -> tuple[NDArray[np.int32], NDArray[np.float64]]:
    """Zones numbered 1 … k without gaps, by rising mean value.

    `labels` (rows, cols): 0 off the treated ground. `values`, `share` (rows, cols). Returns `labels` (rows, cols);
    `means` (k + 1,): mean of each zone at its number.

    >>> labels, means = _by_rising_value(np.array([[7, 7, 2, 0]]), np.array([[5.0, 5.0, 9.0, 0.0]]), np.ones((1, 4)))
    >>> labels.tolist(), means.tolist()
    ([[1, 1, 2, 0]], [nan, 5.0, 9.0])
    """
    means = zone_means(labels, values, share)
    present = np.unique(labels[labels > 0])
    order = present[np.argsort(means[present], kind="stable")]
    renumber = np.zeros(len(means), dtype=np.int32)
    renumber[order] = np.arange(1, len(order) + 1)
    return renumber[labels], np.concatenate([[np.nan], means[order]])


def _unknown_ground(
    share: NDArray[np.float64], known: NDArray[np.bool_], cell_m2: float, least_patch_m2: float
) -> NDArray[np.bool_]:
    """Patches of unknown value too large to go with their neighbours."""
    from scipy.ndimage import label

    unknown = (share > 0) & ~known
    if not unknown.any():
        return unknown
    patch, _ = label(unknown)
    size = np.bincount(patch.ravel(), share.ravel() * cell_m2)
    large: NDArray[np.bool_] = (size >= least_patch_m2)[patch]
    return unknown & large
