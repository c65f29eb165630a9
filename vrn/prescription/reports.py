"""What is told beside the rates: machine, simulated drive, loads, and what flat rate and prices say."""

import dataclasses
from typing import Any

import numpy as np

from vrn.findings import Finding
from vrn.prescription.drive import drive, drive_report
from vrn.prescription.loads import loads_report
from vrn.prescription.machine import machine_report
from vrn.prescription.model import Prescription

_ENOUGH = 0.90  # share of the area that should get its rate within ± 10 %: a choice of this project


def with_reports(prescription: Prescription) -> Prescription:
    """
    A prescription with its machine, drive and loads looked at.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    prescription : Prescription
        ``details["machine"]``, ``details["drive"]`` and ``details["loads"]`` filled; findings about the machine and the
        drive anew.
    """
    settings = prescription.field.settings
    machine = settings.machine
    by_zone = np.array([0.0, *(rate.rate_n_lb_ac for rate in prescription.rates)])
    driven = drive(
        prescription.zones.labels, by_zone, grid=prescription.grid, treated=prescription.outline(), machine=machine
    )
    details: dict[str, Any] = {
        **prescription.details,
        "machine": machine_report(prescription.rates, machine, prescription.product),
        "drive": drive_report(driven, machine),
        "loads": loads_report(prescription.rates, prescription.product, machine, n_per_lb=settings.prices.n_per_lb),
    }
    kept = tuple(finding for finding in prescription.findings if finding.about not in ("machine", "drive"))
    return dataclasses.replace(prescription, details=details, findings=(*kept, *_findings(details)))


def _findings(details: dict[str, Any]) -> list[Finding]:
    found = [
        Finding(level="warning", about="machine",
                problem=f"Zone {zone['zone']} at {zone['rate_n_lb_ac']:g} lb N/ac cannot be made at "
                f"{details['machine']['speed_mph']:g} mph.",
                remedy=f"{zone['advice'][0].upper()}{zone['advice'][1:]}.")
        for zone in details["machine"]["zones"] if not zone["makes"]
    ]  # fmt: skip
    within = details["drive"]["within_share"]
    if within < _ENOUGH:
        found.append(
            Finding(level="warning", about="drive",
                    problem=f"Driven as stated, {within:.0%} of the area gets its rate within ± 10 %.",
                    remedy="Ask for fewer zones or a larger zones.least_patch_ac, drive slower, or set "
                    "machine.look_ahead_s to the time a rate change takes.")
        )  # fmt: skip
    return found
