"""What the machine can make: flow at a speed, turn-down, pressure, and the speed that would do."""

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from vrn.model.settings import MachineSection
from vrn.prescription.model import Product, ZoneRate
from vrn.units import FT_M, MPH_M_S

# an acre is 43 560 ft² and a mile 5280 ft: 43 560 × 60 / 5280
FLOW_FACTOR: Final = 495.0


def flow_per_min(rate_per_ac: ArrayLike, *, speed_mph: ArrayLike, swath_ft: float) -> NDArray[np.float64]:
    """
    Flow a rate asks of the whole machine.

    Parameters
    ----------
    rate_per_ac : array_like
        Product per acre. [gal/ac or lb/ac]
    speed_mph : array_like
        [mph]
    swath_ft : float
        [ft]

    Returns
    -------
    flow_per_min : ndarray
        [gal/min or lb/min]

    References
    ----------
    The usual calibration formula, gal/ac = 495 × gal/min ÷ (mph × ft), as printed by Mesa County, Colorado, "Stationary
    calibration method for boom sprayers"; 5940 with the width in inches.

    Examples
    --------
    30 gal/ac at 8 mph with 60 ft: 30 × 8 × 60 / 495

    >>> round(float(flow_per_min(30.0, speed_mph=8.0, swath_ft=60.0)), 2)
    29.09
    """
    flow: NDArray[np.float64] = np.multiply(rate_per_ac, speed_mph, dtype=float) * swath_ft / FLOW_FACTOR
    return flow


def pressure_share(flow_share: ArrayLike) -> NDArray[np.float64]:
    """
    Pressure, as a share of another, at which an orifice passes a share of the other's flow.

    Parameters
    ----------
    flow_share : array_like
        Flow over the reference flow.

    Returns
    -------
    pressure_share : ndarray

    Notes
    -----
    Flow through an orifice goes with the square root of pressure: twice the flow wants four times the pressure.

    Examples
    --------
    >>> float(pressure_share(0.5))
    0.25
    """
    share: NDArray[np.float64] = np.square(flow_share, dtype=float)
    return share


@dataclass(frozen=True, slots=True, kw_only=True)
class FlowRange:
    """
    Least and most flow of the machine.

    Parameters
    ----------
    least_per_min, most_per_min : float
        0 and infinite where nothing is stated. [gal/min or lb/min]
    assumed : str
        What was taken for granted; empty when both follow from the field file.
    """

    least_per_min: float
    most_per_min: float
    assumed: str = ""


def flow_range(machine: MachineSection, *, highest_rate_per_ac: float, liquid: bool) -> FlowRange:
    """
    Flow the machine can make, from its most flow and its turn-down.

    Parameters
    ----------
    machine : MachineSection
    highest_rate_per_ac : float
        Highest rate of the prescription. [gal/ac or lb/ac]
    liquid : bool
        ``max_flow_gal_min`` speaks for liquids only.

    Returns
    -------
    flow_range : FlowRange

    Examples
    --------
    >>> flow_range(MachineSection(turn_down=3.0, max_flow_gal_min=45.0), highest_rate_per_ac=40.0, liquid=True)
    FlowRange(least_per_min=15.0, most_per_min=45.0, assumed='')
    """
    most = machine.max_flow_gal_min if liquid else None
    if most is not None:
        least = most / machine.turn_down if machine.turn_down else 0.0
        return FlowRange(least_per_min=least, most_per_min=most)
    if machine.turn_down and highest_rate_per_ac > 0:
        top = float(flow_per_min(highest_rate_per_ac, speed_mph=machine.speed_mph, swath_ft=machine.swath_ft))
        return FlowRange(
            least_per_min=top / machine.turn_down, most_per_min=top,
            assumed="orifices or metering are set so that the highest rate is the most flow at the working speed",
        )  # fmt: skip
    return FlowRange(least_per_min=0.0, most_per_min=math.inf, assumed="no flow limit is stated in [machine]")


def machine_report(rates: tuple[ZoneRate, ...], machine: MachineSection, product: Product) -> dict[str, Any]:
    """
    Zone by zone the flow, the pressure and the speeds at which the machine makes the rate.

    Parameters
    ----------
    rates : tuple of ZoneRate
    machine : MachineSection
    product : Product

    Returns
    -------
    report : dict
        Plain values: ``speed_mph``, ``swath_ft``, ``flow_unit``, ``least_flow``, ``most_flow`` (None where there is no
        limit), ``assumed``, ``rate_change_ft``, ``zones`` (``zone``, ``rate_n_lb_ac``, ``product_per_ac``, ``flow``,
        ``pressure_share``, ``least_speed_mph``, ``most_speed_mph``, ``makes``, ``advice``), ``common_speed_mph``
        (a range that suits every zone, or None).
    """
    liquid = product.unit == "gal"
    highest = max((rate.product_per_ac for rate in rates), default=0.0)
    flows = flow_range(machine, highest_rate_per_ac=highest, liquid=liquid)
    zones = [_zone_report(rate, machine, flows, highest) for rate in rates]
    driven = [zone for zone in zones if zone["rate_n_lb_ac"] > 0]
    slow = max((zone["least_speed_mph"] for zone in driven), default=0.0)
    fast = min((zone["most_speed_mph"] for zone in driven if zone["most_speed_mph"] is not None), default=None)
    common = None if not driven or (fast is not None and slow > fast + 1e-9) else [slow, fast]
    return {
        "speed_mph": machine.speed_mph,
        "swath_ft": machine.swath_ft,
        "flow_unit": f"{product.unit}/min",
        "least_flow": flows.least_per_min,
        "most_flow": None if math.isinf(flows.most_per_min) else flows.most_per_min,
        "assumed": flows.assumed,
        "rate_change_ft": machine.rate_change_s * machine.speed_mph * MPH_M_S / FT_M,
        "zones": zones,
        "common_speed_mph": common,
    }


def _zone_report(rate: ZoneRate, machine: MachineSection, flows: FlowRange, highest: float) -> dict[str, Any]:
    per_mph = float(flow_per_min(rate.product_per_ac, speed_mph=1.0, swath_ft=machine.swath_ft))
    flow = per_mph * machine.speed_mph
    report: dict[str, Any] = {
        "zone": rate.zone, "rate_n_lb_ac": rate.rate_n_lb_ac, "product_per_ac": rate.product_per_ac, "flow": flow,
        "pressure_share": float(pressure_share(rate.product_per_ac / highest)) if highest > 0 else 0.0,
        "least_speed_mph": 0.0, "most_speed_mph": None, "makes": True, "advice": "",
    }  # fmt: skip
    if per_mph == 0:
        return report
    own_least = machine.min_speed_mph or 0.0
    own_most = machine.max_speed_mph or math.inf
    slow = max(flows.least_per_min / per_mph, own_least)
    fast = min(flows.most_per_min / per_mph, own_most)
    report["least_speed_mph"] = slow
    report["most_speed_mph"] = None if math.isinf(fast) else fast
    report["makes"] = slow - 1e-9 <= machine.speed_mph <= fast + 1e-9
    if not report["makes"]:
        report["advice"] = _advice(machine.speed_mph, slow, fast)
    return report


def _advice(speed_mph: float, slow: float, fast: float) -> str:
    """What speed would do, to a tenth on the safe side."""
    if slow > fast + 1e-9:
        return "no speed in the machine's range makes this rate: other orifices or another rate are needed"
    if speed_mph < slow:
        return f"drive at {math.ceil(slow * 10 - 1e-6) / 10:.1f} mph or faster"
    return f"drive at {math.floor(fast * 10 + 1e-6) / 10:.1f} mph or slower"
