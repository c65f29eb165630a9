"""Check strips: more and less nitrogen side by side across contrasting zones, to learn from at harvest."""

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.grid import Grid
from vrn.model.settings import CheckStripSection, MachineSection
from vrn.prescription.heading import Passes, passes_over
from vrn.prescription.model import CheckStrip
from vrn.units import FT_M
from vrn.zones.finish import labels_of
from vrn.zones.model import Zones
from vrn.zones.outline import dissolved, faces_of, gaps_filled

_LEAST_LENGTH_FT = 100.0  # of a piece of strip in one zone; what is shorter stays ordinary ground
_STEP_M = 2.0
_LEAST_SHARE = 0.35  # of a strip's length that a zone must fill to count as crossed


@dataclass(frozen=True, slots=True, kw_only=True)
class StripReport:
    """Check strips that were asked for; the pieces are the zones that have a ``strip``."""

    total_change_n_lb: float  # what they change the field's total by
    tolerance_n_lb: float  # what they may


def with_strips(
    zones: Zones,
    rates: list[float],
    windows: list[tuple[float, float]],
    *,
    grid: Grid,
    share: NDArray[np.float64],
    treated: shapely.Geometry,
    section: CheckStripSection,
    machine: MachineSection,
) -> tuple[Zones, tuple[CheckStrip, ...]]:
    """Cut pairs of check strips out of zones.

    `rates`: final rates of the zones. [lb N/ac] `windows`: limits of each zone's rate above 0. [lb N/ac] `share` (rows,
    cols). `machine`: swath, heading, and the rate step: strips differ by whole steps, the nearest to what was asked.
    Returns `zones`: with the pieces as zones k + 1, k + 2, …; as they were when there is no place for a pair; `pieces`:
    one for each of the zones k + 1, k + 2, ….

    A pair lies along the passes: one strip with the step more, an ordinary strip of the same width to compare with, one
    strip with the step less; so the field's total stays what it was but for pieces too short to keep. A place is good
    when both strips lie wholly on treated ground, no limit is in the way, and they cross two zones whose rates are far
    apart, each on a good part of the length.
    """
    swath_m = machine.swath_ft * FT_M
    per_strip = max(1, int(np.ceil((section.width_ft or machine.swath_ft) / machine.swath_ft - 1e-6)))
    difference = max(1, round(section.step_n_lb_ac / machine.rate_step_n_lb_ac)) * machine.rate_step_n_lb_ac
    passes = passes_over(treated, crs=grid.crs, swath_m=swath_m, heading_deg=machine.heading_deg)
    length_m = section.length_ft * FT_M
    allowed = np.array(
        [False]
        + [rate > 0 and low <= rate - difference and rate + difference <= high
           for rate, (low, high) in zip(rates, windows, strict=True)]
    )  # fmt: skip
    corners = _places(
        zones.labels, np.array([0.0, *rates]), allowed, grid=grid, passes=passes, swath_m=swath_m,
        length_m=length_m, per_strip=per_strip, pairs=section.pairs,
    )  # fmt: skip
    if not corners:
        return zones, ()
    strips = []
    for pair, (first, along) in enumerate(corners, start=1):
        for offset, sign in ((0, 1.0), (2 * per_strip, -1.0)):
            west = passes.across_m[first + offset] - swath_m / 2
            box = _box(passes, along, along + length_m, west, west + per_strip * swath_m)
            strips.append((box, pair, sign * difference))
    return _cut_out(zones, strips, allowed, grid=grid, share=share, treated=treated,
                    least_m2=per_strip * swath_m * _LEAST_LENGTH_FT * FT_M)  # fmt: skip


def _box(passes: Passes, start: float, stop: float, left: float, right: float) -> shapely.Geometry:
    along = np.array([start, stop, stop, start])
    return shapely.Polygon(passes.to_field(along, np.array([left, left, right, right])))


def _places(
    labels: NDArray[np.int32],
    rates: NDArray[np.float64],
    allowed: NDArray[np.bool_],
    *,
    grid: Grid,
    passes: Passes,
    swath_m: float,
    length_m: float,
    per_strip: int,
    pairs: int,
) -> list[tuple[int, float]]:
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


def _cut_out(
    zones: Zones,
    strips: list[tuple[shapely.Geometry, int, float]],
    allowed: NDArray[np.bool_],
    *,
    grid: Grid,
    share: NDArray[np.float64],
    treated: shapely.Geometry,
    least_m2: float,
) -> tuple[Zones, tuple[CheckStrip, ...]]:
    """Zones less the strips, and the strips' pieces as zones after them."""
    count = len(zones.outlines)
    lines = [shapely.boundary(outline) for outline in zones.outlines]
    lines += [shapely.boundary(box) for box, _, _ in strips]
    faces = faces_of([*lines, shapely.boundary(treated)], treated)
    inside = shapely.point_on_surface(faces)
    parent = np.zeros(len(faces), dtype=np.int32)
    for number, outline in enumerate(zones.outlines, start=1):
        parent[shapely.intersects(outline, inside)] = number
    parent = gaps_filled(faces, parent)  # specks between lines that all but meet lie in no outline
    owner = parent.copy()
    pieces: list[CheckStrip] = []
    for box, pair, difference in strips:
        within = shapely.intersects(box, inside)
        for number in np.unique(parent[within]):
            here = within & (parent == number)
            if allowed[number] and shapely.area(faces[here]).sum() >= least_m2:
                pieces.append(CheckStrip(pair=pair, difference_n_lb_ac=difference, in_zone=int(number)))
                owner[here] = count + len(pieces)
    numbers = np.arange(count + len(pieces) + 1, dtype=float)
    found = dissolved(faces, owner, numbers, 0.0)
    if len(found) != count + len(pieces):
        return zones, ()  # a strip would swallow a zone whole
    outlines = tuple(found[number] for number in sorted(found))
    cut = replace(zones, labels=labels_of(outlines, grid=grid, share=share), outlines=outlines)
    return cut, tuple(pieces)
