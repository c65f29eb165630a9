"""How sure the zones' needs and the field's total are, and what else a person should look at before driving."""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding, Quantity, note, warning
from vrn.model.field import Field
from vrn.prescription.model import PRICED, BlockRate, Prescription, Product, ZoneRate
from vrn.prescription.product_gate import job_cautions
from vrn.prescription.strips import StripReport

Array = NDArray[np.float64]
Band = tuple[float, float, float]  # low, middle, high of nine draws in ten
DRAWS: Final = 96
_MOST_PLACES: Final = 2500  # drawn in a field; finer ones would only repeat their neighbours
_AT_ONCE: Final = 50_000  # cells of several draws that are worked together
_SEED: Final = 1
_NEED: Final = "need_lb_ac"  # alone may be below 0
_BAND_PCT: Final = (5.0, 50.0, 95.0)
NINE_IN_TEN: Final = 1.6449  # standard deviations either way
_LEAST_AC = 0.05  # what the printed tenth of an acre can show
_UNKNOWN_SHARE = 0.05  # of a zone's ground, from which a person hears of it
_HELD = ("pass-cap", "season-cap", "season-cap-credited", "season-cap-unknown", "machine-most", "no-step")
_BELOW_LEAST = ("below-least-off", "below-least-raised")


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

    def total_with(self, level_sd_n_lb: float) -> tuple[float, float]:
        """Nine seasons in ten of the field's total need, by the samples and the doubt of its level together. [lb N]"""
        low, middle, high = self.total_need_n_lb
        half = math.hypot(NINE_IN_TEN * level_sd_n_lb, (high - low) / 2)
        return max(middle - half, 0.0), middle + half


def with_uncertainty(
    prescription: Prescription, need_of: Callable[[dict[str, Array]], Array], *, cells: NDArray[np.intp],
    input_names: Mapping[str, str], count: int = DRAWS,
) -> Prescription:  # fmt: skip
    """The prescription with the standard error of each zone's need and what is not linear, from conditional simulation.

    `need_of`: takes other values of some inputs of the treated cells by name, shape (draws, n), returns their unclipped
    need. [lb/ac]
    `cells` (n,): the treated cells among all. `input_names`: name of each surface that the need follows → of its input.
    `count`: number of draws. A zone's ``need_se_lb_ac`` is the standard deviation of its mean over the draws. Unchanged
    where no surface says how sure it is.

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
    for first in range(0, count, together := max(1, _AT_ONCE // cells.size)):
        some = slice(first, first + together)
        moved = {
            name: np.maximum(
                fields[some].reshape(-1, fields[0].size)[:, block], -np.inf if name == _NEED else 0.0
            ).astype(np.float64)
            for name, fields in drawn.items()
        }
        needs[some] = need_of(moved)
    weights = prescription.share.ravel()[cells]
    zone = prescription.zones.labels.ravel()[cells]
    found = [_of_zone(rate, needs[:, zone == rate.zone], weights[zone == rate.zone]) for rate in prescription.rates]
    errors = {one.zone: one.need_se_lb_ac for one in found if one is not None}
    known = np.isfinite(needs).all(axis=0)
    wanted, weights = np.maximum(needs[:, known], 0.0), weights[known] / weights[known].sum()
    rate_n_lb_ac = np.array([0.0, *(one.rate_n_lb_ac for one in prescription.rates)])[zone[known]]
    in_block = [rate.zone for rate in prescription.rates if isinstance(rate.trial, BlockRate)]
    plain = weights * ~np.isin(zone[known], in_block)  # a trial misses the need on purpose
    plain /= plain.sum()
    by_zones = np.abs(wanted - rate_n_lb_ac) @ plain
    by_flat = np.abs(wanted - prescription.flat_rate_n_lb_ac) @ plain
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


def findings_of(
    rates: tuple[ZoneRate, ...], product: Product, field: Field, *, strips: StripReport | None,
    unknown_share: Sequence[float], season_over: Sequence[tuple[float, float]],
    applied_unknown_share: Sequence[float],
) -> tuple[Finding, ...]:  # fmt: skip
    """Findings about the rates, the product and the signature.

    `strips`: None when none were asked for. `unknown_share`: share of each zone's ground whose need is unknown.
    `season_over`: share of each zone's ground that the season's cap does not hold on, and the most it is exceeded by.
    [lb/ac] `applied_unknown_share`: share of each zone's ground on which, under a season's cap, it is not known what
    has been applied.
    """
    found: list[Finding] = []
    shares = zip(rates, unknown_share, applied_unknown_share, season_over, strict=True)
    for rate, unknown, applied_unknown, (over_share, most_n_lb_ac) in shares:
        found += (*_unknown(rate, unknown), *_held_back(rate), *_left_bare(rate, field), *_above_need(rate, field))
        if rate.rate_n_lb_ac > 0 and applied_unknown > _UNKNOWN_SHARE:
            found.append(
                warning("rates.applied-partly-unknown", f"zone {rate.zone}", area=Quantity("area", rate.acres),
                        unknown=Quantity("area", applied_unknown * rate.acres))
            )  # fmt: skip
        if rate.rate_n_lb_ac > 0 and over_share * rate.acres >= _LEAST_AC:
            found.append(
                warning("rates.over-season-cap", f"zone {rate.zone}", over=Quantity("area", over_share * rate.acres),
                        area=Quantity("area", rate.acres), most=Quantity("rate", most_n_lb_ac))
            )  # fmt: skip
    if strips is not None and not any(rate.trial for rate in rates):
        found.append(warning("rates.strips-no-place", "check_strips"))
    elif strips is not None and abs(strips.total_change_n_lb) > strips.tolerance_n_lb:
        found.append(
            warning("rates.strips-change-total", "check_strips", change=Quantity("mass", strips.total_change_n_lb),
                    allowed=Quantity("mass", strips.tolerance_n_lb))
        )  # fmt: skip
    found += job_cautions(field.settings, product, rates)
    if all(rate.rate_n_lb_ac == 0 for rate in rates):
        found.append(warning("rates.nothing-anywhere", "rates"))
    if not product.named:
        found.append(note("rates.no-product", "product"))
    if not field.settings.approved:
        found.append(note("rates.draft", "review"))
    return tuple(found)


def _unknown(rate: ZoneRate, share: float) -> Iterator[Finding]:
    quantities = {"unknown": Quantity("area", share * rate.acres), "area": Quantity("area", rate.acres)}
    if np.isnan(rate.need_lb_ac):
        code = "rates.need-unknown-rate" if rate.rate_n_lb_ac > 0 else "rates.need-unknown"
        yield warning(code, f"zone {rate.zone}", rate=Quantity("rate", rate.rate_n_lb_ac), **quantities)
    elif share > _UNKNOWN_SHARE:
        yield warning("rates.need-partly-unknown", f"zone {rate.zone}", **quantities)


def _held_back(rate: ZoneRate) -> Iterator[Finding]:
    """A cap, the machine's most or its least between what was wanted and what is put on."""
    held = [change for change in rate.changes if change.cause in _HELD]
    if held:
        wanted, last = held[0].from_n_lb_ac, held[-1]
        yield warning(f"rates.held-{last.cause}", f"zone {rate.zone}", wanted=Quantity("rate", wanted),
                      short=Quantity("rate", wanted - last.to_n_lb_ac), **last.quantities)  # fmt: skip
    by_hand = [change for change in rate.changes if change.cause == "person"]
    low = [change for change in rate.changes if change.cause in _BELOW_LEAST]
    if by_hand and low:
        yield warning("rates.person-below-least", f"zone {rate.zone}", wanted=Quantity("rate", low[0].from_n_lb_ac),
                      rate=Quantity("rate", rate.rate_n_lb_ac), **low[0].quantities)  # fmt: skip


def _left_bare(rate: ZoneRate, field: Field) -> Iterator[Finding]:
    """Ground that needs more and gets nothing, because a person wants 0 below the machine's least."""
    machine = field.settings.machine
    off = next((change for change in rate.changes if change.cause == "below-least-off"), None)
    if machine.below_minimum == "zero" and off is not None and off.from_n_lb_ac > machine.rate_step_n_lb_ac / 2:
        yield warning(
            "rates.left-bare", f"zone {rate.zone}", area=Quantity("area", rate.acres),
            wanted=Quantity("rate", off.from_n_lb_ac), missing=Quantity("mass", off.from_n_lb_ac * rate.acres),
            **off.quantities,
        )  # fmt: skip


def _above_need(rate: ZoneRate, field: Field) -> Iterator[Finding]:
    """A rate more than a step above the need; check strips are meant to be, and prices may ask for it."""
    over = rate.rate_n_lb_ac - rate.need_lb_ac
    if rate.trial or not rate.changes or not over > field.settings.machine.rate_step_n_lb_ac:
        return
    first = rate.changes[0].cause
    quantities = {"over": Quantity("rate", over), "need": Quantity("rate", rate.need_lb_ac)}
    if first in PRICED:
        yield note("rates.above-need-prices", f"zone {rate.zone}", **quantities)
    else:
        code = "rates.above-need-person" if first == "person" else "rates.above-need-machine"
        yield warning(code, f"zone {rate.zone}", **quantities)
