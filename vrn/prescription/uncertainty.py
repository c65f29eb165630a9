"""How sure the zones' needs and the field's total are: the ledger worked on whole fields that the readings allow."""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.prescription.model import Prescription, ZoneRate

Array = NDArray[np.float64]
Band = tuple[float, float, float]  # low, middle, high of nine draws in ten
DRAWS: Final = 100
_MOST_PLACES: Final = 2500  # drawn in a field; finer ones would only repeat their neighbours
_SEED: Final = 1
_NEED: Final = "need_lb_ac"  # alone may be below 0
_BAND_PCT: Final = (5.0, 50.0, 95.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneUncertainty:
    """What the draws say of one zone's mean need."""

    zone: int
    need_se_lb_ac: float  # standard deviation over the draws
    low_lb_ac: float  # between which nine draws in ten lie
    high_lb_ac: float
    needs_more_share: float  # of the draws, those whose need is above the rate


@dataclass(frozen=True, slots=True, kw_only=True)
class Uncertainty:
    """What the draws say of the field."""

    draws: int
    drawn: tuple[str, ...]  # inputs that were drawn; the others were taken as they are
    zones: tuple[ZoneUncertainty, ...]
    total_need_n_lb: Band  # low, middle, high of nine draws in ten
    # the same of the mean distance between need and rate, by these rates and by one flat rate
    zones_misallocated_lb_ac: Band
    flat_misallocated_lb_ac: Band
    zones_better_share: float  # of the draws, those in which these rates miss the need by less than one flat rate


def with_uncertainty(
    prescription: Prescription,
    need_of: Callable[[dict[str, Array]], Array],
    *,
    cells: NDArray[np.intp],
    input_names: Mapping[str, str],
    count: int = DRAWS,
) -> Prescription:
    """The prescription with the standard error of each zone's need and what is not linear, from conditional simulation.

    `need_of`: takes other values of some inputs of the treated cells by name, returns their unclipped need. [lb/ac]
    `cells` (n,): the treated cells among all. `input_names`: name of each surface that the need follows → of its input.
    `count`: number of draws. Returns ``need_se_lb_ac`` of a zone is the standard deviation of its mean over the draws.
    Unchanged where no surface says how sure it is.

    Every surface with an error is drawn as a whole field (its neighbours keep together), the ledger is worked on each
    draw, and only then are needs held at 0 or above. Fields of more than 2,500 cells are drawn in blocks of cells: far
    smaller than a zone and than any distance the samples tell of. A draw below 0 ppm is held at 0. Layers without a
    stated error are taken as they are: the true doubt is larger.
    """
    grid = prescription.grid
    step = math.ceil(math.sqrt(grid.rows * grid.cols / _MOST_PLACES))
    drawn = {
        input_names[name]: surface.draws(count, seed=_SEED + number, step=step)
        for number, (name, surface) in enumerate(sorted(prescription.surfaces.items()))
        if surface.draws is not None and name in input_names
    }
    if not drawn:
        return prescription
    row, col = np.divmod(cells, grid.cols)
    block = row // step * grid.blocks(step).cols + col // step
    needs = np.empty((count, cells.size))
    for k in range(count):
        moved = {
            name: np.maximum(fields[k].ravel()[block], -np.inf if name == _NEED else 0.0).astype(np.float64)
            for name, fields in drawn.items()
        }
        needs[k] = need_of(moved)
    weights = prescription.share.ravel()[cells]
    zone = prescription.zones.labels.ravel()[cells]
    found = [_of_zone(rate, needs[:, zone == rate.zone], weights[zone == rate.zone]) for rate in prescription.rates]
    errors = {one.zone: one.need_se_lb_ac for one in found if one is not None}
    known = np.isfinite(needs).all(axis=0)
    wanted, weights = np.maximum(needs[:, known], 0.0), weights[known] / weights[known].sum()
    rate_n_lb_ac = np.array([0.0, *(one.rate_n_lb_ac for one in prescription.rates)])[zone[known]]
    by_zones = np.abs(wanted - rate_n_lb_ac) @ weights
    by_flat = np.abs(wanted - prescription.flat_rate_n_lb_ac) @ weights
    return replace(
        prescription,
        rates=tuple(replace(rate, need_se_lb_ac=errors.get(rate.zone, rate.need_se_lb_ac))
                    for rate in prescription.rates),
        uncertainty=Uncertainty(
            draws=count, drawn=tuple(sorted(drawn)), zones=tuple(one for one in found if one is not None),
            total_need_n_lb=_band(wanted @ weights * prescription.acres),
            zones_misallocated_lb_ac=_band(by_zones), flat_misallocated_lb_ac=_band(by_flat),
            zones_better_share=float((by_zones < by_flat).mean()),
        ),
    )  # fmt: skip


def _of_zone(rate: ZoneRate, needs: Array, weights: Array) -> ZoneUncertainty | None:
    """What the draws say of one zone's mean; unknown ground says nothing."""
    known = np.isfinite(needs).all(axis=0)
    if not known.any():
        return None
    mean = np.maximum(needs[:, known] @ weights[known] / weights[known].sum(), 0.0)
    low, _, high = _band(mean)
    return ZoneUncertainty(
        zone=rate.zone, need_se_lb_ac=float(mean.std(ddof=1)), low_lb_ac=low, high_lb_ac=high,
        needs_more_share=float((mean > rate.rate_n_lb_ac).mean()),
    )  # fmt: skip


def _band(values: Array) -> Band:
    low, middle, high = np.percentile(values, _BAND_PCT)
    return float(low), float(middle), float(high)
