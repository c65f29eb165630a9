"""What one more reading would be worth: the pounds it is expected to move to where they are needed."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.model.variogram import Variogram
from vrn.surface.kriging import Kriging, covariance_between
from vrn.surface.places import places_of

_STEPS = 12  # of the share of the uncertainty that a reading takes away
_MEAN_OF_ABSOLUTE = float(np.sqrt(2 / np.pi))  # of a normal value, over its standard deviation
_QUANTILES = 41  # of what the estimate may become


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stake:
    """What is at stake in each cell of the field."""

    cells_m: NDArray[np.float64]  # shape (m, 2) [m]
    acres: NDArray[np.float64]  # ground each speaks for, shape (m,) [ac]
    need_lb_ac: NDArray[np.float64]  # best estimate, not clipped, shape (m,) [lb/ac]
    # pounds that one unit of what is kriged takes off the need: of ppm, or of log(ppm), which is pounds per ppm times
    # ppm, shape (m,) [lb/ac]
    slope_lb_ac: NDArray[np.float64]
    rates_lb_ac: NDArray[np.float64]  # rates that can be driven, shape (k,) [lb/ac]


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """One candidate and what it is expected to bring."""

    candidate: int  # row of the candidates
    gain_lb: float  # expected fall of the pounds misallocated on the whole field [lb]
    # ground whose rate the reading would move by a step every other time: the expected change of its need is half a
    # step or more [ac]
    moved_ac: float


def best_readings(
    stake: Stake,
    candidates_m: NDArray[np.float64],
    count: int,
    *,
    readings_m: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    variogram: Variogram,
    new_variance: float,
    step_lb_ac: float,
) -> tuple[Worth, ...]:
    """
    Places for further readings, one after the other, each the best beside those chosen before it.

    `error_variance` of each reading in hand, shape (n,), and `new_variance` of a new one are in the squared unit of
    what is kriged, as is the variogram. At most `count`, in the order of choosing. Before a reading is taken it is
    known how far it can move the estimate of every cell (the conditional covariance of the field at the cell and at the
    reading), not in which direction. A cell whose need is N(μ, s²) and whose estimate will become N(μ, V) gets the rate
    nearest to it; the expected |need − rate| over both is what remains, and the gain is what it falls by. Ground whose
    rate no reading would change brings nothing, however uncertain it is. Sources: Raiffa & Schlaifer (1961), Applied
    Statistical Decision Theory, ch. 4 (preposterior analysis); Chilès & Delfiner (2012), Geostatistics, 2nd ed., § 3.6
    (kriging with one more datum).
    """
    with_cells, with_candidates, own, spread = _conditional(
        stake.cells_m, candidates_m, readings_m, error_variance, variogram
    )
    slope2 = stake.slope_lb_ac**2
    total = spread * slope2
    table = remaining_lb_ac(stake.need_lb_ac, total, stake.rates_lb_ac)
    taken = np.zeros(len(total))
    best: list[Worth] = []
    noise = new_variance + variogram.nugget
    left = np.ones(len(candidates_m), dtype=bool)
    for _ in range(min(count, len(candidates_m))):
        reach = with_cells**2 / np.maximum(own + noise, 1e-12) * slope2[:, None]
        now = _looked_up(table, taken[:, None], total)
        gain = stake.acres @ (now - _looked_up(table, taken[:, None] + reach, total))
        gain[~left] = -np.inf
        chosen = int(np.argmax(gain))
        expected_change = _MEAN_OF_ABSOLUTE * np.sqrt(reach[:, chosen])
        moved = float(stake.acres[expected_change >= step_lb_ac / 2].sum())
        best.append(Worth(candidate=chosen, gain_lb=float(gain[chosen]), moved_ac=moved))
        taken = np.minimum(taken + reach[:, chosen], total)
        left[chosen] = False
        share = with_candidates[chosen] / (own[chosen] + noise)
        with_cells = with_cells - np.outer(with_cells[:, chosen], share)
        with_candidates = with_candidates - np.outer(with_candidates[:, chosen], share)
        own = np.maximum(with_candidates.diagonal(), 0.0)
    return tuple(best)


def remaining_lb_ac(
    need_lb_ac: NDArray[np.float64], variance: NDArray[np.float64], rates_lb_ac: NDArray[np.float64]
) -> NDArray[np.float64]:
    """
    Expected |need − rate| of each cell by the share of its uncertainty that readings take away.

    For shares 0, 1/12, …, 1, shape (13, m), never rising. The nearest rate is driven; a need below 0 counts as 0.

    Need 100 ± 10, rates 80 and 120: knowing nothing more, either misses by |N(20, 10)|, 20.2 in the mean; knowing all,
    the nearer is driven and misses by |20 − |N(0, 10)||, 12.2:

    >>> remaining_lb_ac(np.array([100.0]), np.array([100.0]), np.array([80.0, 120.0]))[[0, -1], 0].round(1).tolist()
    [20.2, 12.2]
    """
    from scipy.special import ndtri

    quantiles = ndtri((np.arange(_QUANTILES) + 0.5) / _QUANTILES)
    quantiles *= 1.0 / np.sqrt((quantiles**2).mean())
    rates = np.unique(rates_lb_ac)
    middles = (rates[1:] + rates[:-1]) / 2
    remaining = np.empty((_STEPS + 1, len(need_lb_ac)))
    for i, share in enumerate(np.linspace(0.0, 1.0, _STEPS + 1)):
        known = need_lb_ac[:, None] + np.sqrt(share * variance)[:, None] * quantiles
        rate = rates[np.searchsorted(middles, known)]
        remaining[i] = _missed(known, np.sqrt((1 - share) * variance)[:, None], rate).mean(axis=1)
    return np.minimum.accumulate(remaining, axis=0)


def _missed(mean: NDArray[np.float64], sd: NDArray[np.float64], rate: NDArray[np.float64]) -> NDArray[np.float64]:
    """E|max(N, 0) − rate| for N normal and rate ≥ 0: E|N − rate| less what lies below 0."""
    from scipy.special import ndtr

    sd = np.maximum(sd, 1e-9)

    def above(level: NDArray[np.float64] | float) -> NDArray[np.float64]:
        """E max(N − level, 0)."""
        z = (mean - level) / sd
        return np.asarray((mean - level) * ndtr(z) + sd * np.exp(-0.5 * z**2) / np.sqrt(2 * np.pi))

    both = 2 * above(rate) - (mean - rate)
    below_zero = above(0.0) - mean  # E max(−N, 0)
    return both - below_zero


def _looked_up(
    table: NDArray[np.float64], taken: NDArray[np.float64], total: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Remaining misallocation of each cell when ``taken`` of its variance is known, by the table's straight pieces."""
    share = np.clip(taken / np.maximum(total, 1e-12)[:, None], 0.0, 1.0) * _STEPS
    lower = np.minimum(share.astype(int), _STEPS - 1)
    part = share - lower
    cell = np.arange(len(total))[:, None]
    return np.asarray(table[lower, cell] * (1 - part) + table[lower + 1, cell] * part)


def _conditional(
    cells_m: NDArray[np.float64],
    candidates_m: NDArray[np.float64],
    readings_m: NDArray[np.float64],
    error_variance: NDArray[np.float64],
    variogram: Variogram,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Covariances given the readings: cells × candidates, candidates × candidates, and both variances."""
    places = places_of(readings_m, np.zeros(len(readings_m)), error_variance)
    kriging = Kriging.of(places, variogram)
    cells, candidates = cells_m - places.origin_m, candidates_m - places.origin_m

    def seen(targets: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        near = covariance_between(places.coordinates_m, targets, variogram)
        half = kriging.root @ near
        return half, kriging.mean_root @ (1.0 - kriging.solved_drift.T @ near)

    cell_half, cell_gap = seen(cells)
    half, gap = seen(candidates)
    with_cells = covariance_between(cells, candidates, variogram) - cell_half.T @ half + cell_gap.T @ gap
    with_candidates = covariance_between(candidates, candidates, variogram) - half.T @ half + gap.T @ gap
    spread = variogram.partial_sill - (cell_half**2).sum(axis=0) + (cell_gap**2).sum(axis=0)
    return with_cells, with_candidates, np.maximum(with_candidates.diagonal(), 0.0), np.maximum(spread, 0.0)
