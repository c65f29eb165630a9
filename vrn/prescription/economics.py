"""What a pound of nitrogen in the wrong place costs, and the rate that prices imply under uncertainty."""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.errors import OutOfRangeError
from vrn.model.settings import Settings

Array = NDArray[np.float64]
_N_PER_BUSHEL_LB: Final = 1.1  # where the field file gives none: the default of the mass balance


@dataclass(frozen=True, slots=True, kw_only=True)
class NitrogenPrices:
    """What a pound too little and a pound too much cost.

    Raises OutOfRangeError if a pound of nitrogen costs more than the corn it makes.

    Under the mass balance a pound too little loses 1 / n_per_bushel_lb bushels and saves its own price; a pound too
    much loses its price. Near the best rate real crops respond less steeply, so both the cost of too little and the
    share below are upper bounds.

    Corn at 4.40, nitrogen at 0.60, 1.1 lb/bu: a pound short loses 4.00 of corn and saves 0.60.

    >>> prices = NitrogenPrices(corn_per_bu=4.4, n_per_lb=0.6, n_per_bushel_lb=1.1)
    >>> [round(x, 2) for x in (prices.too_little_per_lb, prices.too_much_per_lb, prices.covered_share)]
    [3.4, 0.6, 0.85]
    """

    corn_per_bu: float
    n_per_lb: float
    n_per_bushel_lb: float = _N_PER_BUSHEL_LB  # nitrogen a bushel takes up

    def __post_init__(self) -> None:
        if self.too_little_per_lb <= 0:
            problem = (
                f"A pound of nitrogen at ${self.n_per_lb:g} costs more than the "
                f"{1 / self.n_per_bushel_lb:.2f} bu of corn at ${self.corn_per_bu:g} it makes."
            )
            raise OutOfRangeError(problem, "Check prices.corn_per_bu and prices.n_per_lb.")

    @property
    def too_little_per_lb(self) -> float:
        """Loss from a pound too little. [$/lb]"""
        return self.corn_per_bu / self.n_per_bushel_lb - self.n_per_lb

    @property
    def too_much_per_lb(self) -> float:
        """Loss from a pound too much. [$/lb]"""
        return self.n_per_lb

    @property
    def covered_share(self) -> float:
        """Share of the ground whose need the cheapest rate covers: too little over the sum of both."""
        return self.too_little_per_lb / (self.too_little_per_lb + self.too_much_per_lb)

    @property
    def misallocated_per_lb(self) -> float:
        """Loss from a pound in the wrong place, as much of it too little as too much. [$/lb]"""
        return (self.too_little_per_lb + self.too_much_per_lb) / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceReport:
    """What prices say of the rates."""

    rate_by: str  # whether rates follow the need or the prices
    prices: NitrogenPrices
    covering_n_lb_ac: dict[int, float]  # by zone, the rate that covers the need on the cheapest share of its ground


def prices_of(settings: Settings) -> NitrogenPrices | None:
    """Prices of a field file; None unless both are given."""
    prices = settings.prices
    if prices.corn_per_bu is None or prices.n_per_lb is None:
        return None
    return NitrogenPrices(
        corn_per_bu=prices.corn_per_bu, n_per_lb=prices.n_per_lb,
        n_per_bushel_lb=settings.nitrogen.n_per_bushel_lb or _N_PER_BUSHEL_LB,
    )  # fmt: skip


def covering_rate(need: Array, se: Array | None, weights: Array, *, share: float) -> float:
    """Rate that covers the need on a share of the ground.

    `need`, `weights` (n,): finite. [lb/ac], area. `se` (n,): standard error of the need; None takes it as known.
    [lb/ac] `share`: between 0 and 1.

    Source: The critical ratio of the newsvendor problem: K. J. Arrow, T. Harris, J. Marschak (1951), Optimal inventory
    policy, Econometrica 19:250–272.

    >>> need = np.array([80.0, 90.0, 100.0, 110.0, 120.0])
    >>> covering_rate(need, None, np.ones(5), share=0.7)
    110.0
    >>> round(covering_rate(np.array([100.0]), np.array([10.0]), np.ones(1), share=0.8413447), 3)
    110.0
    """
    known_se = np.zeros_like(need) if se is None else np.where(np.isfinite(se), np.maximum(se, 0.0), 0.0)
    if not (known_se > 0).any():
        order = np.argsort(need, kind="stable")
        reached = np.cumsum(weights[order]) / weights.sum()
        return max(float(need[order][min(int(np.searchsorted(reached, share - 1e-12)), len(need) - 1)]), 0.0)
    from scipy.special import ndtr

    spread = np.maximum(known_se, 1e-9)
    low = float((need - 8.0 * spread).min())
    high = float((need + 8.0 * spread).max())
    for _ in range(60):
        middle = (low + high) / 2.0
        if np.average(ndtr((middle - need) / spread), weights=weights) < share:
            low = middle
        else:
            high = middle
    return max((low + high) / 2.0, 0.0)
