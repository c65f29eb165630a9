"""How sure the zones' needs and the field's total are: the ledger struck on whole fields that the readings allow."""

import math
from dataclasses import replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vrn.pipeline.need import INPUT_OF_SURFACE, Need
from vrn.prescription.model import Prescription, ZoneRate

DRAWS: Final = 100
_MOST_PLACES: Final = 2500  # drawn in a field; finer ones would only repeat their neighbours
_SEED: Final = 1
_BAND_PCT: Final = (5.0, 95.0)


def with_uncertainty(prescription: Prescription, need: Need, *, count: int = DRAWS) -> Prescription:
    """
    The prescription with the standard error of each zone's need and what is not linear, from conditional simulation.

    Parameters
    ----------
    prescription : Prescription
    need : Need
        Of the treated cells, with the ledger ready to be struck again.
    count : int
        Number of draws.

    Returns
    -------
    prescription : Prescription
        ``need_se_lb_ac`` of a zone is the standard deviation of its mean over the draws; ``details["uncertainty"]``
        holds, by zone, the band of nine in ten and the share of draws in which the need is above the rate, and for the
        field the total need and the pounds misallocated by these rates and by one flat rate. Unchanged where no surface
        says how sure it is.

    Notes
    -----
    Every surface with an error is drawn as a whole field (its neighbours keep together), the ledger is struck on each
    draw, and only then are needs held at 0 or above. Fields of more than 2,500 cells are drawn in blocks of cells: far
    smaller than a zone and than any distance the samples tell of. A draw below 0 ppm is held at 0. Layers without a
    stated error are taken as they are: the true doubt is larger.
    """
    grid, rows = prescription.grid, need.cells
    step = math.ceil(math.sqrt(grid.rows * grid.cols / _MOST_PLACES))
    drawn = {
        INPUT_OF_SURFACE.get(name, name): surface.draws(count, seed=_SEED + number, step=step)
        for number, (name, surface) in enumerate(sorted(prescription.surfaces.items()))
        if surface.draws is not None
    }
    if not drawn:
        return prescription
    row, col = np.divmod(rows, grid.cols)
    block = row // step * grid.blocks(step).cols + col // step
    needs = np.empty((count, rows.size))
    for k in range(count):
        moved = {name: np.maximum(fields[k].ravel()[block], 0.0).astype(np.float64) for name, fields in drawn.items()}
        needs[k] = need.strike(moved)
    weights = prescription.share.ravel()[rows]
    zone = prescription.zones.labels.ravel()[rows]
    rates, told = [], []
    for rate in prescription.rates:
        sure, plain = _zone(rate, needs[:, zone == rate.zone], weights[zone == rate.zone])
        rates.append(sure)
        told.append(plain)
    details = {**prescription.details, "uncertainty": _field(prescription, needs, zone, weights, sorted(drawn), told)}
    return replace(prescription, rates=tuple(rates), details=details)


def _zone(
    rate: ZoneRate, needs: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[ZoneRate, dict[str, Any] | None]:
    """One zone with the standard error of its mean, and what the draws say of it; unknown ground says nothing."""
    known = np.isfinite(needs).all(axis=0)
    if not known.any():
        return rate, None
    mean = np.maximum(needs[:, known] @ weights[known] / weights[known].sum(), 0.0)
    low, high = np.percentile(mean, _BAND_PCT)
    plain = {
        "zone": rate.zone,
        "need_se_lb_ac": round(float(mean.std(ddof=1)), 2),
        "low_lb_ac": round(float(low), 1),
        "high_lb_ac": round(float(high), 1),
        "needs_more_share": round(float((mean > rate.rate_n_lb_ac).mean()), 2),
    }
    return replace(rate, need_se_lb_ac=float(mean.std(ddof=1))), plain


def _field(
    prescription: Prescription, needs: NDArray[np.float64], zone: NDArray[np.int32], weights: NDArray[np.float64],
    drawn: list[str], told: list[dict[str, Any] | None],
) -> dict[str, Any]:  # fmt: skip
    """Total need and pounds misallocated over the draws, as plain values."""
    known = np.isfinite(needs).all(axis=0)
    wanted, weights = np.maximum(needs[:, known], 0.0), weights[known] / weights[known].sum()
    rate = np.array([0.0, *(one.rate_n_lb_ac for one in prescription.rates)])[zone[known]]
    missed = {
        "these_rates": np.abs(wanted - rate) @ weights,
        "one_flat_rate": np.abs(wanted - prescription.flat_rate_n_lb_ac) @ weights,
    }
    return {
        "draws": len(needs),
        "drawn": drawn,
        "zones": [plain for plain in told if plain is not None],
        "total_need_n_lb": _band(wanted @ weights * prescription.acres, 0),
        "misallocated_lb_ac": {name: _band(values, 1) for name, values in missed.items()},
        "zones_better_share": round(float((missed["these_rates"] < missed["one_flat_rate"]).mean()), 2),
    }


def _band(values: NDArray[np.float64], digits: int) -> list[float]:
    """Low, middle, high of nine draws in ten."""
    return [round(float(value), digits) for value in np.percentile(values, (_BAND_PCT[0], 50.0, _BAND_PCT[1]))]
