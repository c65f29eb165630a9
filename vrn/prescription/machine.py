"""The machine before anyone fills a tank: the flow each rate asks, the speed that makes it, the drive, the loads."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, Self

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from vrn.findings import Finding, Quantity, warning
from vrn.model.grid import transformer
from vrn.model.job import JobSection
from vrn.model.settings import MachineSection
from vrn.prescription.drive import DriveReport, drive, drive_report
from vrn.prescription.limits import fixed_rates
from vrn.prescription.model import BlockRate, Prescription, Product, ZoneRate
from vrn.prescription.products import loads_report
from vrn.units import AC_M2, FT_M, LB_GAL_KG_L, MPH_M_S

# an acre is 43 560 ft² and a mile 5280 ft: 43 560 × 60 / 5280
FLOW_FACTOR: Final = 495.0
_WATER_LB_GAL: Final = 1.0 / LB_GAL_KG_L  # 1 kg/L
_SAME_M2: Final = 1.0


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
class _FlowRange:
    """Least and most flow of the machine."""

    least_per_min: float  # 0 and infinite where nothing is stated. [gal/min or lb/min]
    most_per_min: float
    # what was taken for granted: that the highest rate is the most flow, or that there is no limit; empty when both
    # follow from the field file
    assumed: Literal["", "highest-rate", "unlimited"] = ""


def flow_range(machine: MachineSection, *, highest_rate_per_ac: float, liquid: bool) -> _FlowRange:
    """Flow the machine can make, from its most flow and its turn-down.

    `highest_rate_per_ac`: highest rate of the prescription. `liquid`: ``max_flow_gal_min`` counts for liquids only.

    >>> flow_range(MachineSection(turn_down=3.0, max_flow_gal_min=45.0), highest_rate_per_ac=40.0, liquid=True)
    _FlowRange(least_per_min=15.0, most_per_min=45.0, assumed='')
    """
    most = machine.max_flow_gal_min if liquid else None
    if most is not None:
        least = most / machine.turn_down if machine.turn_down else 0.0
        return _FlowRange(least_per_min=least, most_per_min=most)
    if machine.turn_down and highest_rate_per_ac > 0:
        top = float(flow_per_min(highest_rate_per_ac, speed_mph=machine.speed_mph, swath_ft=machine.swath_ft))
        return _FlowRange(least_per_min=top / machine.turn_down, most_per_min=top, assumed="highest-rate")
    return _FlowRange(least_per_min=0.0, most_per_min=math.inf, assumed="unlimited")


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


_LEAST_SPILLED_N_LB: Final = 0.05  # what the printed tenth of a pound can show
_MOST_SPILLED: Final = 0.01  # of the prescribed nitrogen, beyond the treated ground: a choice of this project
_ENOUGH_SHARE: Final = 0.90  # of the area, that should get its rate within ± 10 %: a choice of this project


Advice = Literal["", "faster", "slower", "impossible"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneFlow:
    """What one zone's rate asks of the machine."""

    zone: int
    rate_n_lb_ac: float
    product_per_ac: float
    flow: float  # at the working speed. [gal/min or lb/min]
    pressure_share: float  # of the pressure at the highest rate
    least_speed_mph: float = 0.0  # between which the rate can be made; the most is infinite where nothing limits it
    most_speed_mph: float = math.inf
    psi: float | None = None  # at the working speed, where the outlets are known
    catch_gal_min: float | None = None  # water from one outlet at that pressure
    # what would make the rate; empty where the working speed does, ``"impossible"`` where no speed does
    advice: Advice = ""

    @property
    def advised_speed_mph(self) -> float:
        """Speed to advise: by half a printed step within the range, so that it is, rounded, in it in either unit."""
        half = 0.05 - 1e-6
        return self.least_speed_mph + half if self.advice == "faster" else self.most_speed_mph - half


@dataclass(frozen=True, slots=True, kw_only=True)
class MachineReport:
    """The machine at every zone's rate."""

    speed_mph: float
    swath_ft: float
    flow_unit: Literal["gal/min", "lb/min"]
    flows: _FlowRange
    rate_change_ft: float  # driven while a rate changes
    zones: tuple[ZoneFlow, ...]
    common_speed_mph: tuple[float, float] | None  # least and most speed that suit every zone; None where there is none


def machine_report(
    rates: tuple[ZoneRate, ...], machine: MachineSection, product: Product, job: JobSection | None = None
) -> MachineReport:
    """Zone by zone the flow, the pressure and the speeds at which the machine makes the rate."""
    liquid = product.unit == "gal"
    highest = max((rate.product_per_ac for rate in rates), default=0.0)
    flows = flow_range(machine, highest_rate_per_ac=highest, liquid=liquid)
    outlets = None if job is None else Outlets.of(job, product)
    if job is not None and outlets is not None:
        flows = _within_pressures(flows, outlets, job)
    zones = tuple(_zone_flow(rate, machine, flows, highest, outlets) for rate in rates)
    driven = [zone for zone in zones if zone.rate_n_lb_ac > 0]
    slow = max((zone.least_speed_mph for zone in driven), default=0.0)
    fast = min((zone.most_speed_mph for zone in driven), default=math.inf)
    return MachineReport(
        speed_mph=machine.speed_mph, swath_ft=machine.swath_ft, flow_unit="gal/min" if liquid else "lb/min",
        flows=flows, rate_change_ft=machine.rate_change_s * machine.speed_mph * MPH_M_S / FT_M, zones=zones,
        common_speed_mph=(slow, fast) if driven and slow <= fast + 1e-9 else None,
    )  # fmt: skip


def _within_pressures(flows: _FlowRange, outlets: Outlets, job: JobSection) -> _FlowRange:
    """The range of flows that keeps to the outlets' pressures as well."""
    least = 0.0 if job.min_psi is None else outlets.flow_gal_min(job.min_psi)
    most = math.inf if job.max_psi is None else outlets.flow_gal_min(job.max_psi)
    return _FlowRange(
        least_per_min=max(flows.least_per_min, least), most_per_min=min(flows.most_per_min, most),
        assumed="" if math.isfinite(most) else flows.assumed,
    )  # fmt: skip


def _zone_flow(
    rate: ZoneRate, machine: MachineSection, flows: _FlowRange, highest: float, outlets: Outlets | None
) -> ZoneFlow:
    per_mph = float(flow_per_min(rate.product_per_ac, speed_mph=1.0, swath_ft=machine.swath_ft))
    asked = ZoneFlow(
        zone=rate.zone, rate_n_lb_ac=rate.rate_n_lb_ac, product_per_ac=rate.product_per_ac,
        flow=per_mph * machine.speed_mph,
        pressure_share=float(pressure_share(rate.product_per_ac / highest)) if highest > 0 else 0.0,
        psi=None if outlets is None else outlets.psi_at(per_mph * machine.speed_mph),
        catch_gal_min=None if outlets is None else outlets.catch_gal_min(per_mph * machine.speed_mph),
    )  # fmt: skip
    if per_mph == 0:
        return asked
    slow = max(flows.least_per_min / per_mph, machine.min_speed_mph or 0.0)
    fast = min(flows.most_per_min / per_mph, machine.max_speed_mph or math.inf)
    advice: Advice = ""
    if slow > fast + 1e-9:
        advice = "impossible"
    elif machine.speed_mph < slow - 1e-9:
        advice = "faster"
    elif machine.speed_mph > fast + 1e-9:
        advice = "slower"
    return replace(asked, least_speed_mph=slow, most_speed_mph=fast, advice=advice)


def with_machine_check(prescription: Prescription) -> Prescription:
    """A prescription with its machine, its simulated drive and its loads looked at."""
    settings = prescription.field.settings
    machine = settings.machine
    by_zone = np.array([0.0, *(rate.rate_n_lb_ac for rate in prescription.rates)])
    outline, treated = prescription.outline(), prescription.field.treated  # one, but for corners where zones meet it
    if shapely.symmetric_difference(outline, treated).area > _SAME_M2:
        treated = outline
    driven = drive(
        prescription.zones.labels, by_zone, grid=prescription.grid, treated=treated, machine=machine,
        no_apply=prescription.field.no_apply, lines=prescription.field.lines,
    )  # fmt: skip
    flows, drove = (
        machine_report(prescription.rates, machine, prescription.product, settings.job),
        drive_report(driven, machine),
    )
    need = prescription.grid.in_rows(prescription.ledger.unclipped_lb_ac)
    kept = tuple(
        finding for finding in prescription.findings if finding.about not in ("machine", "machine.lines", "drive")
    )
    return replace(
        prescription, machine=flows, drive=replace(drove, missed_lb_ac=driven.missed_lb_ac(need, prescription.grid)),
        loads=loads_report(prescription.rates, prescription.product, machine, n_per_lb=settings.prices.n_per_lb),
        findings=(*kept, *fixed_rates(prescription).findings(), *_findings(flows, drove, prescription.grid.crs),
                  *_blocks_at_one_speed(prescription.rates, flows), *_not_reached(prescription)),
    )  # fmt: skip


def _findings(flows: MachineReport, drove: DriveReport, crs: str) -> Iterator[Finding]:
    for zone in flows.zones:
        if zone.advice:
            speed = {} if zone.advice == "impossible" else {"advised": Quantity("speed", zone.advised_speed_mph)}
            yield warning(
                f"rates.machine-{zone.advice}", "machine", zone=zone.zone, rate=Quantity("rate", zone.rate_n_lb_ac),
                speed=Quantity("speed", flows.speed_mph), **speed,
            )  # fmt: skip
    if drove.within_share < _ENOUGH_SHARE:
        yield warning("rates.drive-share", "drive", share=Quantity("share", drove.within_share),
                      rate_change=Quantity("number", drove.rate_change_s))  # fmt: skip
    spilled = drove.spilled
    if spilled.no_apply_n_lb >= _LEAST_SPILLED_N_LB and spilled.no_apply_at_m is not None:
        yield warning("rates.drive-on-no-apply", "drive", mass=Quantity("mass", spilled.no_apply_n_lb),
                      place=_place(spilled.no_apply_at_m, crs))  # fmt: skip
    if spilled.outside_n_lb > _MOST_SPILLED * drove.prescribed_n_lb and spilled.outside_at_m is not None:
        yield warning(
            "rates.drive-off-field", "drive", mass=Quantity("mass", spilled.outside_n_lb),
            share=Quantity("share", spilled.outside_n_lb / drove.prescribed_n_lb),
            place=_place(spilled.outside_at_m, crs),
        )  # fmt: skip


def _blocks_at_one_speed(rates: Sequence[ZoneRate], flows: MachineReport) -> Iterator[Finding]:
    """Trial blocks whose rates cannot all be made at one speed: a pass changes its rate from plot to plot."""
    blocks: dict[int, list[ZoneFlow]] = {}
    for rate, flow in zip(rates, flows.zones, strict=True):
        if isinstance(rate.trial, BlockRate):
            blocks.setdefault(rate.trial.block, []).append(flow)
    for block, mine in blocks.items():
        slow, fast = max(mine, key=lambda one: one.least_speed_mph), min(mine, key=lambda one: one.most_speed_mph)
        if slow.least_speed_mph > fast.most_speed_mph + 1e-9:
            yield warning(
                "rates.trial-speeds", "machine", block=block, least=Quantity("rate", slow.rate_n_lb_ac),
                most=Quantity("rate", fast.rate_n_lb_ac), fast=Quantity("speed", slow.least_speed_mph),
                slow=Quantity("speed", fast.most_speed_mph),
            )  # fmt: skip


def _not_reached(prescription: Prescription) -> Iterator[Finding]:
    """Ground that none of the lines given comes near enough to, told from one hundredth of the field on."""
    lines, treated = prescription.field.lines, prescription.outline()
    if lines.is_empty:
        return
    reached = shapely.buffer(lines, prescription.field.settings.machine.swath_ft * FT_M / 2, cap_style="flat")
    left = shapely.difference(treated, reached)
    if shapely.area(left) > _MOST_SPILLED * shapely.area(treated):
        most = shapely.point_on_surface(max(shapely.get_parts(left), key=shapely.area))
        yield warning("rates.lines-leave", "machine.lines", area=Quantity("area", float(shapely.area(left)) / AC_M2),
                      place=_place((most.x, most.y), prescription.grid.crs))  # fmt: skip


def _place(at_m: tuple[float, float], crs: str) -> str:
    """Latitude and longitude of a place in the field's system."""
    longitude, latitude = transformer(crs, "EPSG:4326").transform(*at_m)
    return f"{latitude:.6f}, {longitude:.6f}"
