"""What other published methods say of the same zones, for the reader to weigh: they are shown, never built."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from vrn.errors import VrnError
from vrn.prescription.model import Prescription, ZoneRate

if TYPE_CHECKING:
    from vrn.nitrogen import Method


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
    Every published method asked about every zone's means.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    opinions : tuple of Opinion
        The method of the prescription first, then those that can answer, then those that lack an input.
    """
    from vrn.nitrogen import methods

    found = [_opinion(prescription, method) for method in methods()]
    return tuple(sorted(found, key=lambda one: (not one.builds, not one.need_lb_ac)))


def _opinion(prescription: Prescription, method: "Method") -> Opinion:
    from vrn.nitrogen.inputs import inputs_of

    builds = method.key == prescription.ledger.method
    if builds:
        return Opinion(
            key=method.key, name=method.title, builds=True, remark="",
            need_lb_ac={rate.zone: rate.need_lb_ac for rate in prescription.rates},
        )  # fmt: skip
    needs: dict[int, float] = {}
    remarks: list[str] = []
    for rate in prescription.rates:
        inputs = inputs_of(method, _known(prescription, rate))
        missing = method.missing(**inputs)
        if missing:
            words = ", ".join(name.replace("_", " ") for name in missing)
            return Opinion(key=method.key, name=method.title, builds=False, need_lb_ac={}, remark=f"needs {words}")
        try:
            needs[rate.zone] = float(method.need(allow_outside=True, **inputs).need_lb_ac)
        except VrnError as error:
            return Opinion(key=method.key, name=method.title, builds=False, need_lb_ac={}, remark=error.problem)
        remarks += [reason for reason in method.outside(**inputs) if reason not in remarks]
    remark = f"outside its calibration: {'; '.join(remarks)}" if remarks else ""
    return Opinion(key=method.key, name=method.title, builds=False, need_lb_ac=needs, remark=remark)


def _known(prescription: Prescription, rate: ZoneRate) -> dict[str, object]:
    """What is known of a zone, by the names of the methods' inputs."""
    settings = prescription.field.settings
    given = {
        "critical_ppm": settings.nitrogen.critical_ppm,
        "base_rate_lb_ac": settings.nitrogen.base_rate_lb_ac,
        "history_factor": settings.nitrogen.history_factor,
        "profile_nitrate_ppm": settings.nitrogen.profile_nitrate_ppm,
        "applied_lb_ac": float(sum(application.n_lb_ac for application in settings.applications)),
        "growth_stage": settings.crop.growth_stage,
    }
    return {**given, **rate.ledger.inputs}
