"""What the end of a season teaches: the response that check strips hold, and stalk nitrate by zone."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from vrn.errors import InputFileError
from vrn.findings import Finding, note
from vrn.many.book import Outcome
from vrn.nitrogen.plant_tests import next_year_cut_share, stalk_class
from vrn.nitrogen.response import Response, fit_response


@dataclass(frozen=True, slots=True, kw_only=True)
class StripResponse:
    """
    Response of yield to this pass, from strips read back after harvest.

    Parameters
    ----------
    response : Response or None
        None when the strips hold none.
    findings : tuple of Finding
        The fit with its standard errors and what paid best, or why there is none.
    optimum_n_lb_ac, optimum_se_lb_ac, low_n_lb_ac, high_n_lb_ac : float or None
        Best-paying rate of the pass, its standard error, and what lies within $1/ac of it. [lb N/ac]
    """

    response: Response | None
    findings: tuple[Finding, ...]
    optimum_n_lb_ac: float | None = None
    optimum_se_lb_ac: float | None = None
    low_n_lb_ac: float | None = None
    high_n_lb_ac: float | None = None

    def to_plain(self) -> dict[str, Any]:
        """The fit as str, numbers and None."""
        names = ("optimum_n_lb_ac", "optimum_se_lb_ac", "low_n_lb_ac", "high_n_lb_ac")
        fit = None if self.response is None else self.response.to_plain()
        return {name: getattr(self, name) for name in names} | {"fit": fit}


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneStalks:
    """
    Stalk nitrate of one zone.

    Parameters
    ----------
    zone : int or None
        None where the table does not say.
    stalk_ppm : float
        Mean of its tests. [ppm]
    stalk_class : {"low", "marginal", "optimal", "excess"}
    cut_share : float
        To take off next year's rate; 0 but in excess.
    """

    zone: int | None
    stalk_ppm: float
    stalk_class: str
    cut_share: float

    @property
    def words(self) -> str:
        """The class, and what follows from it."""
        where = "" if self.zone is None else f"zone {self.zone} "
        cut = f", {self.cut_share:.0%} less next year (Connecticut trials)" if self.cut_share else ""
        return f"{where}{self.stalk_ppm:,.0f} ppm ({self.stalk_class}{cut})"


def strip_response(
    strips: tuple[Outcome, ...], *, lies_in: Mapping[int, int] | None = None, corn_per_bu: float | None = None,
    n_per_lb: float | None = None,
) -> StripResponse | None:  # fmt: skip
    """
    Fit the strips of one field, each zone (or pair, by its note) on a level of its own.

    Parameters
    ----------
    strips : tuple of Outcome
        Of kind ``strip_yield_bu_ac``; those without a rate are left out.
    lies_in : mapping of int to int, optional
        Zone of a check strip → zone of the need that it was laid in.
    corn_per_bu, n_per_lb : float, optional
        [$/bu], [$/lb N]

    Returns
    -------
    found : StripResponse or None
        None without strips. Rates are those of the pass: what was on before shifts a response and does not bend it.

    Examples
    --------
    >>> rates = (60.0, 100.0, 140.0, 180.0)
    >>> strips = tuple(Outcome(field="Ash", season=2026, what="strip_yield_bu_ac", value=100 + n - 0.0025 * n * n,
    ...                        rate_n_lb_ac=n) for n in rates)
    >>> round(strip_response(strips, corn_per_bu=4.0, n_per_lb=0.4).optimum_n_lb_ac, 3)
    180.0
    """
    rated = [(item.rate_n_lb_ac, item) for item in strips if item.rate_n_lb_ac is not None]
    if not rated:
        return None
    within = lies_in or {}
    blocks = [item.note if item.zone is None else f"zone {within.get(item.zone, item.zone)}" for _, item in rated]
    try:
        fit = fit_response([rate for rate, _ in rated], [item.value for _, item in rated], block=blocks)
    except InputFileError as error:
        why = note("nitrogen.strips-unused", "strips", problem=error.problem, remedy=error.remedy)
        return StripResponse(response=None, findings=(why,))
    shape = note("nitrogen.trial-response", "strips", **fit.quantities())
    if corn_per_bu is None or n_per_lb is None:
        return StripResponse(response=fit, findings=(shape, note("nitrogen.strips-without-prices", "strips")))
    best, error_lb_ac = fit.optimum(price_ratio=n_per_lb / corn_per_bu)
    band = fit.band(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
    paid = note(
        "nitrogen.strips-best-rate", "strips", **fit.paying_quantities(corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
    )
    return StripResponse(
        response=fit, findings=(shape, paid), optimum_n_lb_ac=best,
        optimum_se_lb_ac=error_lb_ac if math.isfinite(error_lb_ac) else None,
        low_n_lb_ac=band.low_n_lb_ac, high_n_lb_ac=band.high_n_lb_ac,
    )  # fmt: skip


def stalks_by_zone(stalks: tuple[Outcome, ...]) -> tuple[ZoneStalks, ...]:
    """
    Class of each zone's mean stalk nitrate, and what it says for next year.

    Parameters
    ----------
    stalks : tuple of Outcome
        Of kind ``stalk_nitrate_ppm``.

    Returns
    -------
    zones : tuple of ZoneStalks
        By zone; tests without a zone last.

    Examples
    --------
    >>> test = Outcome(field="Ash", season=2026, what="stalk_nitrate_ppm", value=2600.0, zone=2)
    >>> stalks_by_zone((test,))[0].words
    'zone 2 2,600 ppm (excess, 25% less next year (Connecticut trials))'
    """
    found = []
    for zone in sorted({item.zone for item in stalks}, key=lambda zone: (zone is None, zone or 0)):
        values = [item.value for item in stalks if item.zone == zone]
        mean = sum(values) / len(values)
        found.append(
            ZoneStalks(
                zone=zone, stalk_ppm=mean, stalk_class=stalk_class(mean)[0], cut_share=next_year_cut_share(mean)[0]
            )
        )
    return tuple(found)
