"""Ground that readings or a layer do not reach: far from every reading, or without a value, with the wider error."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Finding, Kind, Quantity, note, warning
from vrn.model.grid import Grid
from vrn.model.surface import Draws, FarGround, LayerGap, Surface, SurfaceChoice
from vrn.units import AC_M2, FT_M

SILENT_SHARE: Final = 0.01  # of the treated ground, from which a person must look
FIRST_RANK: Final = ("surface.far-corner", "surface.far-half", "surface.part-not-sampled", "surface.far-most")
_SPACINGS: Final = 3.0  # usual spacings beyond which ground is far: a choice of this project
# closest spacing that counts: a reading an acre, the densest grid in common use (common practice, no source)
_LEAST_SPACING_M: Final = math.sqrt(AC_M2)
# widest: a sample should not represent more than 20 acres (University of Minnesota Soil Testing Laboratory, How to
# Sample: Fields)
_MOST_SPACING_M: Final = math.sqrt(20.0 * AC_M2)
_MOST: Final = 1 / 3  # of the ground, beyond which the map is mostly a guess: a choice of this project
_ASIDE: Final = 0.25  # of the ground more on one side of the readings than on the other, to call them one-sided
_FEWEST_ASIDE: Final = 3  # places
_COMPASS: Final = {
    "east": (1, 0), "west": (-1, 0), "north": (0, 1), "south": (0, -1),
    "northeast": (1, 1), "northwest": (-1, 1), "southeast": (1, -1), "southwest": (-1, -1),
}  # fmt: skip
_USUAL_CV: Final = 0.45  # of nitrate within a field: 0.30 to 0.60 is usual (from memory)
_GAPS: Final[dict[str, tuple[str, Kind]]] = {  # surface → code of its gap, kind of its values
    "yield_goal_bu_ac": ("surface.gap-yield", "yield"),
    "organic_matter_pct": ("surface.gap-organic-matter", "organic_matter"),
    "applied_n_lb_ac": ("surface.gap-applied", "rate"),
}
_APART: Final = 7_919  # between the seed of a surface's draws and that of what is added to them

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]


def usual_spacing_m(places_m: Array) -> float:
    """Usual distance between neighbouring places.

    A place of `places_m` (p, 2) that was read twice counts once. The median distance to the nearest other place, held
    between that of a reading an acre (close pairs and repeats say nothing of ground farther off) and of one in 20
    acres. One place has no spacing: it counts as a reading an acre, the least.

    >>> round(usual_spacing_m(np.array([(0.0, 0.0), (100.0, 0.0), (200.0, 0.0)])), 1)
    100.0
    """
    from scipy.spatial import cKDTree

    places = np.unique(places_m, axis=0)
    if len(places) < 2:
        return _LEAST_SPACING_M
    nearest = cKDTree(places).query(places, k=2)[0][:, 1]
    return float(np.clip(np.median(nearest), _LEAST_SPACING_M, _MOST_SPACING_M))


def far_ground(
    grid: Grid, share: Array, places_m: Array, *, acres: float, areas: Sequence[shapely.Geometry] = (),
    range_m: float | None = None,
) -> FarGround:  # fmt: skip
    """Ground farther from every reading than readings speak for.

    `share` (rows, cols): share of each cell that is treated. `places_m` (n, 2): where readings are; of composites a
    point in each area. `acres`: treated ground. `areas`: areas that composites are of: ground inside has distance 0.
    Empty for readings at points. `range_m`: median range of the variograms in use; None where only the mean is. Far is
    beyond the lesser of that range and three usual spacings.
    """
    threshold_m = min(_SPACINGS * usual_spacing_m(places_m), math.inf if range_m is None else range_m)
    mask = np.zeros(share.size, dtype=bool)
    here = np.flatnonzero(share > 0)
    centers = grid.centers_m()[here]
    mask[here] = _distance_m(centers, places_m, areas) > threshold_m
    weights = share.ravel()[here]
    far_share = float(weights[mask[here]].sum() / weights.sum())
    count = len(np.unique(places_m, axis=0))
    corners = shapely.get_coordinates(list(areas)) if areas else places_m
    side, corner = _side(centers, weights, corners) if count >= _FEWEST_ASIDE else ("", False)
    return FarGround(
        mask=mask.reshape(share.shape), threshold_ft=threshold_m / FT_M, acres=far_share * acres, share=far_share,
        treated_acres=acres, readings=count,
        side=side, corner=corner,
    )  # fmt: skip


def _distance_m(centers: Array, places_m: Array, areas: Sequence[shapely.Geometry]) -> Array:
    if areas:
        tree = shapely.STRtree(list(areas))
        found = tree.query_nearest(shapely.points(centers), return_distance=True, all_matches=False)
        return np.asarray(found[1], dtype=float)
    from scipy.spatial import cKDTree

    return np.asarray(cKDTree(places_m).query(centers)[0], dtype=float)


def _side(centers: Array, weights: Array, readings: Array) -> tuple[str, bool]:
    """Where all readings are: in a half of the ground by its compass point, or (True) a corner; empty where neither."""
    empty = {}  # share of the ground past the readings on the other side
    for name, way in _COMPASS.items():
        beyond, behind = (
            float(weights[centers @ turned > (readings @ turned).max()].sum() / weights.sum())
            for turned in (np.negative(way), np.array(way))
        )
        empty[name] = beyond if beyond > 0.5 and beyond - behind > _ASIDE else 0.0
    along = [name for pair in (("north", "south"), ("east", "west")) for name in pair if empty[name]]
    if along:
        return "".join(along), len(along) == 2
    most = max(empty, key=lambda name: empty[name])
    return (most if empty[most] else ""), False


def far_findings(far: FarGround, about: str, *, deeper: bool = False) -> Iterator[Finding]:
    """What a person must know of ground far from readings: nothing, a note, a warning, or one of the first rank.

    `deeper`: readings below the top ones, of which one finding tells all.
    """
    quantities = {
        "far": Quantity("area", far.acres), "acres": Quantity("area", far.treated_acres),
        "threshold": Quantity("length", far.threshold_ft), "readings": Quantity("count", far.readings),
        "share": Quantity("share", far.share),
    }  # fmt: skip
    told = far.share >= SILENT_SHARE
    if deeper:
        if told or far.side:
            yield warning("surface.far-deeper", about, **quantities)
    elif far.side:
        code = f"surface.far-{'corner' if far.corner else 'half'}" if told else "surface.part-not-sampled"
        yield warning(code, about, side=far.side, **quantities)
    elif told:
        one = far.readings == 1
        code = "far-one-reading" if one else "far-most" if far.share > _MOST else "far-some"
        yield warning(f"surface.{code}", about, **quantities)
    elif far.share > 0:
        yield note("surface.far-some", about, **quantities)


def with_far_ground(surface: Surface, far: FarGround, *, deeper: bool = False) -> Surface:
    """The surface with the ground it does not know, told, and with its error there.

    Kriging's error and that of inverse distance come from the variogram and grow away from readings by themselves. That
    of the plain mean is the same everywhere, taken from readings that may all lie close together: on far ground another
    spread of nitrate within fields is added, that of the readings or the usual one, whichever is larger. What has no
    error (one reading) stays without.
    """
    choice = replace(surface.choice or SurfaceChoice(), far=far)
    surface = replace(
        surface, choice=choice, findings=(*surface.findings, *far_findings(far, surface.name, deeper=deeper))
    )
    if surface.chosen != "mean" or surface.se is None or not far.mask.any():
        return surface
    spread = np.maximum(surface.se[far.mask], _USUAL_CV * np.abs(surface.values[far.mask]))
    return _widened(surface, far.mask, float(spread.max()), anew=False)


def with_gap_filled(surface: Surface, share: Array, *, acres: float, value: float | None = None) -> Surface:
    """The surface with one value where the layer has none, told, with the layer's spread for an error.

    `share` (rows, cols): share of each cell that is treated. `acres`: treated ground. `value`: the layer's mean over
    the treated ground when not given; NaN leaves it unknown. Where nothing treated is unknown, the surface stays as it
    was; less than a hundredth of the ground is a note. In draws the ground is off by one amount alike.
    """
    known, treated = np.isfinite(surface.values), share > 0
    gap = treated & ~known
    if not gap.any():
        return surface
    use = known & treated if (known & treated).any() else known
    values, weights = surface.values[use], share[use] if (share[use] > 0).any() else None
    mean = float(np.average(values, weights=weights)) if use.any() else math.nan
    spread = math.sqrt(np.average((values - mean) ** 2, weights=weights)) if use.any() else 0.0
    filled = mean if value is None else value
    gap_share = float(share[gap].sum() / share[treated].sum())
    found = LayerGap(mask=gap, acres=gap_share * acres, share=gap_share, value=filled)
    tell = warning if gap_share >= SILENT_SHARE else note
    code, kind = _GAPS[surface.name]
    finding = tell(
        code, surface.name, area=Quantity("area", found.acres), share=Quantity("share", gap_share),
        value=Quantity(kind, None if math.isnan(filled) else filled), spread=Quantity(kind, spread),
    )  # fmt: skip
    told = replace(
        surface, findings=(*surface.findings, finding), choice=replace(surface.choice or SurfaceChoice(), gap=found)
    )
    if math.isnan(filled):
        return told
    se = np.full(share.shape, np.nan) if surface.se is None else surface.se.copy()
    se[~known] = 0.0
    whole = replace(told, values=np.where(known, surface.values, filled), se=se)
    return _widened(whole, ~known, spread, anew=True)


def _widened(surface: Surface, where: Mask, sd: float, *, anew: bool) -> Surface:
    """The surface with an error of its own added on some ground, alike in all of its cells."""
    draws = PartDraws(grid=surface.grid, values=surface.values, base=surface.draws, where=where, sd=sd, anew=anew)
    wider = [None if one is None else np.where(where, np.hypot(one, sd), one)
             for one in (surface.se, surface.predictive_se)]  # fmt: skip
    return replace(surface, se=wider[0], predictive_se=wider[1], draws=draws)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartDraws:
    """Draws of a surface of which a part is off by one amount alike."""

    grid: Grid
    values: Array  # shape (rows, cols)
    base: Draws | None  # of the rest; its values as they are when None
    where: Mask  # shape (rows, cols)
    sd: float  # standard deviation of that amount, in the unit of the values
    anew: bool  # start from ``values`` there, not from what ``base`` draws

    def __call__(self, count: int, *, seed: int, step: int = 1) -> NDArray[np.float32]:
        """Shape (count, rows, cols) of the grid's blocks of ``step`` × ``step`` cells, at their middles."""
        blocks = self.grid.blocks(step)
        row, col, _ = self.grid.cells_of(blocks.centers_m())
        own = self.values[row, col].astype(np.float32).reshape(blocks.shape)
        here = self.where[row, col].reshape(blocks.shape)
        drawn = np.tile(own, (count, 1, 1)) if self.base is None else self.base(count, seed=seed, step=step)
        if self.anew:
            drawn[:, here] = own[here]
        off = np.random.default_rng(seed + _APART).standard_normal((count, 1)) * self.sd
        drawn[:, here] += off.astype(np.float32)
        return drawn


def varies(surface: Surface) -> bool:
    """Whether a layer has a pattern that nitrate may follow."""
    known = surface.values[np.isfinite(surface.values)]
    return bool(known.size and np.ptp(known) > 0)
