"""Flow and pressure: what a rate asks of the whole machine and of one outlet, and what the machine can make."""

import math
from dataclasses import dataclass
from typing import Final, Literal, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.model.job import JobSection
from vrn.model.settings import MachineSection
from vrn.prescription.model import Product
from vrn.units import LB_GAL_KG_L

# an acre is 43 560 ft² and a mile 5280 ft: 43 560 × 60 / 5280
FLOW_FACTOR: Final = 495.0
_WATER_LB_GAL: Final = 1.0 / LB_GAL_KG_L  # 1 kg/L


def flow_per_min(rate_per_ac: ArrayLike, *, speed_mph: ArrayLike, swath_ft: float) -> NDArray[np.float64]:
    """Flow a rate asks of the whole machine.

    Source: The usual calibration formula, gal/ac = 495 × gal/min ÷ (mph × ft), as printed by Mesa County, Colorado,
    "Stationary calibration method for boom sprayers"; 5940 with the width in inches.

    30 gal/ac at 8 mph with 60 ft: 30 × 8 × 60 / 495

    >>> round(float(flow_per_min(30.0, speed_mph=8.0, swath_ft=60.0)), 2)
    29.09
    """
    flow: NDArray[np.float64] = np.multiply(rate_per_ac, speed_mph, dtype=float) * swath_ft / FLOW_FACTOR
    return flow


def pressure_share(flow_share: ArrayLike) -> NDArray[np.float64]:
    """Pressure, as a share of another, at which an orifice passes a share of the other's flow.

    `flow_share`: flow over the reference flow.

    Flow through an orifice goes with the square root of pressure: twice the flow wants four times the pressure.

    >>> float(pressure_share(0.5))
    0.25
    """
    share: NDArray[np.float64] = np.square(flow_share, dtype=float)
    return share


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowRange:
    """Least and most flow of the machine."""

    least_per_min: float  # 0 and infinite where nothing is stated. [gal/min or lb/min]
    most_per_min: float
    # what was taken for granted: that the highest rate is the most flow, or that there is no limit; empty when both
    # follow from the field file
    assumed: Literal["", "highest-rate", "unlimited"] = ""


def flow_range(machine: MachineSection, *, highest_rate_per_ac: float, liquid: bool) -> FlowRange:
    """Flow the machine can make, from its most flow and its turn-down.

    `highest_rate_per_ac`: highest rate of the prescription. `liquid`: ``max_flow_gal_min`` counts for liquids only.

    >>> flow_range(MachineSection(turn_down=3.0, max_flow_gal_min=45.0), highest_rate_per_ac=40.0, liquid=True)
    FlowRange(least_per_min=15.0, most_per_min=45.0, assumed='')
    """
    most = machine.max_flow_gal_min if liquid else None
    if most is not None:
        least = most / machine.turn_down if machine.turn_down else 0.0
        return FlowRange(least_per_min=least, most_per_min=most)
    if machine.turn_down and highest_rate_per_ac > 0:
        top = float(flow_per_min(highest_rate_per_ac, speed_mph=machine.speed_mph, swath_ft=machine.swath_ft))
        return FlowRange(least_per_min=top / machine.turn_down, most_per_min=top, assumed="highest-rate")
    return FlowRange(least_per_min=0.0, most_per_min=math.inf, assumed="unlimited")


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlets:
    """
    The outlets of a liquid machine together, by one outlet's own flow with water at its own pressure.

    A liquid so many times as heavy as water passes an orifice at water's flow over the square root of that; the flow
    goes with the square root of the pressure.

    Examples
    --------
    0.40 gal/min of water at 40 psi; UAN 28 weighs 10.66 lb/gal, 1.277 times as much as water:

    >>> outlets = Outlets(count=24, water_gal_min=0.40, psi=40.0, density_lb_gal=10.66)
    >>> round(outlets.flow_gal_min(40.0), 3), round(outlets.psi_at(outlets.flow_gal_min(40.0) / 2), 3)
    (8.494, 10.0)
    """

    count: int
    water_gal_min: float  # of one, with water
    psi: float  # at that flow
    density_lb_gal: float  # of the product

    @classmethod
    def of(cls, job: JobSection, product: Product) -> Self | None:
        """Of a field file; None where it does not say enough, or the product is dry."""
        known = job.outlets, job.nozzle_flow_gal_min, job.nozzle_psi, product.density_lb_gal
        if None in known:
            return None
        count, flow, psi, density = known
        return cls(count=count, water_gal_min=flow, psi=psi, density_lb_gal=density)  # type: ignore[arg-type]

    @property
    def _heavier(self) -> float:
        """Water's flow over the product's at one pressure."""
        return math.sqrt(self.density_lb_gal / _WATER_LB_GAL)

    def flow_gal_min(self, psi: float) -> float:
        """Flow of the product through all of them."""
        return self.count * self.water_gal_min / self._heavier * math.sqrt(psi / self.psi)

    def psi_at(self, flow_gal_min: float) -> float:
        """Pressure at which the product has a flow through all of them."""
        return self.psi * float(pressure_share(flow_gal_min / self.flow_gal_min(self.psi)))

    def catch_gal_min(self, flow_gal_min: float) -> float:
        """Water that one outlet gives at the pressure at which the product has a flow through all of them."""
        return flow_gal_min / self.count * self._heavier
