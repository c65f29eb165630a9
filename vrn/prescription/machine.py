"""The machine before anyone fills a tank: the flow each rate asks, the speed that makes it, the drive, the loads."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from vrn.findings import Finding, Quantity, warning
from vrn.model.grid import transformer
from vrn.model.job import JobSection
from vrn.model.settings import MachineSection
from vrn.prescription.drive import DriveReport, drive, drive_report
from vrn.prescription.flow import FlowRange, Outlets, flow_per_min, flow_range, pressure_share
from vrn.prescription.limits import fixed_rates
from vrn.prescription.model import Prescription, Product, ZoneRate
from vrn.prescription.products import loads_report
from vrn.units import FT_M, MPH_M_S

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
    flows: FlowRange
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


def _within_pressures(flows: FlowRange, outlets: Outlets, job: JobSection) -> FlowRange:
    """The range of flows that keeps to the outlets' pressures as well."""
    least = 0.0 if job.min_psi is None else outlets.flow_gal_min(job.min_psi)
    most = math.inf if job.max_psi is None else outlets.flow_gal_min(job.max_psi)
    return FlowRange(
        least_per_min=max(flows.least_per_min, least), most_per_min=min(flows.most_per_min, most),
        assumed="" if math.isfinite(most) else flows.assumed,
    )  # fmt: skip


def _zone_flow(
    rate: ZoneRate, machine: MachineSection, flows: FlowRange, highest: float, outlets: Outlets | None
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
    driven = drive(
        prescription.zones.labels, by_zone, grid=prescription.grid, treated=prescription.outline(), machine=machine,
        no_apply=prescription.field.no_apply,
    )  # fmt: skip
    flows, drove = (
        machine_report(prescription.rates, machine, prescription.product, settings.job),
        drive_report(driven, machine),
    )
    kept = tuple(finding for finding in prescription.findings if finding.about not in ("machine", "drive"))
    return replace(
        prescription, machine=flows, drive=drove,
        loads=loads_report(prescription.rates, prescription.product, machine, n_per_lb=settings.prices.n_per_lb),
        findings=(*kept, *fixed_rates(prescription).findings(), *_findings(flows, drove, prescription.grid.crs)),
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
        longitude, latitude = transformer(crs, "EPSG:4326").transform(*spilled.no_apply_at_m)
        yield warning("rates.drive-on-no-apply", "drive", mass=Quantity("mass", spilled.no_apply_n_lb),
                      place=f"{latitude:.6f}, {longitude:.6f}")  # fmt: skip
    if spilled.outside_n_lb > _MOST_SPILLED * drove.prescribed_n_lb:
        yield warning(
            "rates.drive-off-field", "drive", mass=Quantity("mass", spilled.outside_n_lb),
            share=Quantity("share", spilled.outside_n_lb / drove.prescribed_n_lb),
        )  # fmt: skip
