"""What other published methods say of the same zones, for the reader to weigh: they are shown, never built."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from vrn.prescription.model import Prescription


@dataclass(frozen=True, slots=True, kw_only=True)
class Opinion:
    """
    One method's answer for every zone.

    Parameters
    ----------
    key, name : str
        Of the method.
    builds : bool
        Whether it is the method of this prescription.
    need_lb_ac : dict of int to float
        By zone; empty where the method cannot answer. [lb/ac]
    remark : str
        Where it is outside its calibration, or what it lacks; empty when neither.
    """

    key: str
    name: str
    builds: bool
    need_lb_ac: dict[int, float]
    remark: str


def opinions(prescription: Prescription) -> tuple[Opinion, ...]:
    """
    Every published method on every zone, as the nitrogen room worked them cell by cell.

    Parameters
    ----------
    prescription : Prescription
        ``details["methods"]`` holds the answers; without it nothing is told.

    Returns
    -------
    opinions : tuple of Opinion
        The method of the prescription first, then those that can answer, then those that lack an input.
    """
    before = None if prescription.remaining is None else prescription.remaining.was_zone
    found = [
        _opinion(prescription, told, before or [rate.zone for rate in prescription.rates])
        for told in prescription.details.get("methods", ())
    ]
    return tuple(sorted(found, key=lambda one: (not one.builds, not one.need_lb_ac)))


def _opinion(prescription: Prescription, told: Mapping[str, Any], numbers: Sequence[int]) -> Opinion:
    """One method's plain answer, by the zones as they are numbered now."""
    if told["key"] == prescription.ledger.method:
        needs = {rate.zone: rate.need_lb_ac for rate in prescription.rates}
        return Opinion(key=told["key"], name=told["title"], builds=True, need_lb_ac=needs, remark="")
    by_zone = told.get("by_zone", {})
    needs = {
        rate.zone: by_zone[number]
        for rate, number in zip(prescription.rates, numbers, strict=True)
        if number in by_zone
    }
    outside = "outside its calibration: " if told["status"] == "outside" else ""
    return Opinion(
        key=told["key"], name=told["title"], builds=False, need_lb_ac=needs, remark=outside + "; ".join(told["why"])
    )
