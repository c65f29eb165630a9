"""From what a zone needs to what may and can be put on it, every step with its reason."""

import math
from dataclasses import dataclass

from vrn.model.settings import CreditSection, Settings
from vrn.nitrogen.credits import irrigation_n_lb_ac, manure_organic_n_lb_ac
from vrn.prescription.model import Cause, Change

_CLOSE = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class RateRules:
    """
    Limits on a rate, from the field file.

    Parameters
    ----------
    max_n_lb_ac : float
        Cap of this pass. [lb/ac]
    max_season_n_lb_ac : float or None
        Cap with everything already applied. [lb/ac]
    machine_min_n_lb_ac, machine_max_n_lb_ac : float
        Least and most the machine can put on. [lb/ac]
    step_n_lb_ac : float
        Rates are multiples of it. [lb/ac]
    below_minimum : {"nearest", "zero", "minimum"}
        What happens to a need under the machine's least.
    credited_n_lb_ac : float
        Manure and irrigation water credited in the field file: they count in the season too. [lb/ac]
    """

    max_n_lb_ac: float
    max_season_n_lb_ac: float | None
    machine_min_n_lb_ac: float
    machine_max_n_lb_ac: float
    step_n_lb_ac: float
    below_minimum: str = "nearest"
    credited_n_lb_ac: float = 0.0

    def caps(self, applied_n_lb_ac: float) -> list[tuple[float, Cause, str]]:
        """Every upper limit, its kind and its reason on ground that has had ``applied_n_lb_ac``; NaN leaves none."""
        why = f"held to the cap of this pass, limits.max_n_lb_ac = {self.max_n_lb_ac:g}"
        caps: list[tuple[float, Cause, str]] = [(self.max_n_lb_ac, "cap", why)]
        if self.max_season_n_lb_ac is not None:
            unknown = math.isnan(applied_n_lb_ac)
            left = 0.0 if unknown else max(self.max_season_n_lb_ac - applied_n_lb_ac - self.credited_n_lb_ac, 0.0)
            less = f"less {applied_n_lb_ac:.0f} lb/ac already applied"
            if self.credited_n_lb_ac > 0:
                less += f" and {self.credited_n_lb_ac:.0f} credited as manure and irrigation water"
            why = f"held to the season's cap, limits.max_season_n_lb_ac = {self.max_season_n_lb_ac:g}, " + (
                "with nothing known of what is already applied" if unknown else less
            )
            caps.append((left, "cap", why))
        why = f"the machine puts on no more, machine.max_rate_n_lb_ac = {self.machine_max_n_lb_ac:g}"
        return [*caps, (self.machine_max_n_lb_ac, "machine's most", why)]

    def window(self, applied_n_lb_ac: float) -> tuple[float, float]:
        """Least and most rate above 0, both multiples of the step; the most is 0 where none is possible. [lb/ac]"""
        step = self.step_n_lb_ac
        top = math.floor(min(cap for cap, _, _ in self.caps(applied_n_lb_ac)) / step + _CLOSE) * step
        bottom = max(math.ceil(self.machine_min_n_lb_ac / step - _CLOSE), 1) * step
        return (bottom, top) if bottom <= top + _CLOSE else (0.0, 0.0)


def rules_of(settings: Settings) -> RateRules:
    """Rules a field file states in ``[limits]``, ``[machine]`` and, for the season, ``[credits]``."""
    limits, machine = settings.limits, settings.machine
    return RateRules(
        credited_n_lb_ac=_credited_n_lb_ac(settings.credits),
        max_n_lb_ac=limits.max_n_lb_ac,
        max_season_n_lb_ac=limits.max_season_n_lb_ac,
        machine_min_n_lb_ac=machine.min_rate_n_lb_ac,
        machine_max_n_lb_ac=machine.max_rate_n_lb_ac,
        step_n_lb_ac=machine.rate_step_n_lb_ac,
        below_minimum=machine.below_minimum,
    )


def _credited_n_lb_ac(section: CreditSection) -> float:
    """Manure and water credited; of manure that is reckoned, all that the season frees. [lb/ac]"""
    total, spread, water = section.manure + section.irrigation_water, section.manure_spread, section.water
    if spread is not None:
        spread_n = [spread.organic_n_lb_ac, spread.organic_n_last_year_lb_ac, spread.organic_n_two_years_ago_lb_ac]
        total += manure_organic_n_lb_ac(spread_n, manure=spread.kind) + spread.ammonium_after_sampling_lb_ac
    if water is not None:
        total += float(irrigation_n_lb_ac(water.nitrate_ppm, water_in=water.water_in))
    return total


def limited(
    rate_n_lb_ac: float, rules: RateRules, *, zone: int = 0, applied_n_lb_ac: float = 0.0
) -> tuple[float, tuple[Change, ...]]:
    """
    A rate within every limit, not yet rounded to the step.

    Parameters
    ----------
    rate_n_lb_ac : float
        Wanted; NaN (unknown) becomes 0. [lb/ac]
    rules : RateRules
    zone : int
        For the audit.
    applied_n_lb_ac : float
        Already on this ground this season. [lb/ac]

    Returns
    -------
    rate_n_lb_ac : float
        0, or between the machine's least and the lowest cap. [lb/ac]
    changes : tuple of Change

    Examples
    --------
    >>> rules = RateRules(max_n_lb_ac=150.0, max_season_n_lb_ac=None, machine_min_n_lb_ac=30.0,
    ...                   machine_max_n_lb_ac=180.0, step_n_lb_ac=5.0)
    >>> [limited(rate, rules)[0] for rate in (171.0, 14.0, 16.0, 0.0)]
    [150.0, 0.0, 30.0, 0.0]
    """
    if math.isnan(rate_n_lb_ac):
        why = "need unknown: nothing is put on"
        return 0.0, (Change(zone=zone, cause="unknown need", from_n_lb_ac=math.nan, to_n_lb_ac=0.0, why=why),)
    changes: list[Change] = []
    rate = rate_n_lb_ac

    def to(new: float, cause: Cause, why: str) -> None:
        nonlocal rate
        changes.append(Change(zone=zone, cause=cause, from_n_lb_ac=rate, to_n_lb_ac=new, why=why))
        rate = new

    for cap, cause, why in rules.caps(applied_n_lb_ac):
        if rate > cap + _CLOSE:
            to(cap, cause, why)
    bottom, top = rules.window(applied_n_lb_ac)
    least = rules.machine_min_n_lb_ac
    if rate > 0 and top == 0:
        why = f"between the machine's least ({least:g}) and the limits there is no step of {rules.step_n_lb_ac:g} left"
        to(0.0, "cap", why)
    elif 0 < rate < least - _CLOSE:
        up = rules.below_minimum == "minimum" or (rules.below_minimum == "nearest" and rate > least / 2 + _CLOSE)
        what = f"under the machine's least, machine.min_rate_n_lb_ac = {least:g}: {rules.below_minimum}"
        to(bottom if up else 0.0, "machine's least", what)
    return rate, tuple(changes)
