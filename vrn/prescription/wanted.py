"""The rate wanted before limits: what prices make of a need, and what a person set on some ground."""

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import shapely

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.grid import geodesic_acres, reproject
from vrn.model.settings import Override, Settings
from vrn.model.trials import LearnedReport
from vrn.nitrogen import Ledger, method
from vrn.nitrogen.doubt import LevelDoubt, usual_doubt
from vrn.nitrogen.ledger import Line
from vrn.response import Response
from vrn.response.loss import ANCHOR
from vrn.response.payoff import N_PER_BUSHEL_LB, Payoff, RateRule

SAME_SHARE: Final = 0.98  # of the override's ground that one zone must hold, and of that zone that it must be
_WGS84: Final = "EPSG:4326"


def payoff_of(settings: Settings, ledger: Ledger) -> Payoff | None:
    """Prices and rule of a field file, by need where the method has prices in it; None unless both are given."""
    prices = settings.prices
    if prices.corn_per_bu is None or prices.n_per_lb is None:
        return None
    by_method = ledger.published and method(ledger.method).takes("price_ratio")
    by_factor = settings.nitrogen.price_factor is not None
    rule: RateRule = prices.rate_by or ("need" if by_method or by_factor else "return")
    return Payoff(
        corn_per_bu=prices.corn_per_bu, n_per_lb=prices.n_per_lb, rule=rule,
        method_sd_lb_ac=doubt_of(settings, ledger).sd_lb_ac,
        response=Response(
            curvature=prices.curvature, kink_weight=prices.kink_weight, kink_slope=prices.kink_slope
        ),
        n_per_bushel_lb=settings.nitrogen.n_per_bushel_lb or N_PER_BUSHEL_LB,
    )  # fmt: skip


def price_line(payoff: Payoff, *, need_lb_ac: float, rate_lb_ac: float) -> Line:
    """What prices add to a need, neither of them cut at 0, as the ledger's line after it."""
    ratio = f"nitrogen at ${payoff.n_per_lb:.2f}, corn at ${payoff.corn_per_bu:.2f}: ratio {payoff.ratio:.3f}"
    held = f", beyond {payoff.held:.2f}, where the adjustment ends" if payoff.held != payoff.ratio else ""
    basis = f"{ratio}{held}; the method's rates pay best near {ANCHOR}"
    if payoff.rule == "kinked response":
        basis = f"{ratio}: the rate that meets the need on {payoff.covered_share:.0%} of the ground, kinked response"
    return Line(
        key="prices", label="Prices of corn and nitrogen", code="rates.line-prices", lb_ac=rate_lb_ac - need_lb_ac,
        basis=basis, source="Nebraska extension 2007 (8:1, held within 10:1 to 5:1); response assumed by this project",
    )  # fmt: skip


def doubt_of(settings: Settings, ledger: Ledger, learned: LearnedReport | None = None) -> LevelDoubt:
    """Doubt of a need's level, the same for all zones, and what the farm's own trials leave of it where they count."""
    doubt = usual_doubt(
        ledger, growth_stage=settings.crop.growth_stage, given_sd_lb_ac=settings.nitrogen.method_sd_lb_ac
    )
    return doubt if learned is None else doubt.taught(learned.doubt_share)


def overrides_on(
    overrides: Sequence[Override], outlines: Sequence[shapely.Geometry], crs: str
) -> tuple[dict[int, Override], tuple[Override, ...], tuple[Finding, ...]]:
    """
    Overrides in force, by the zone that holds their ground now, those that no longer hold, and what to say of them.

    Parameters
    ----------
    outlines : sequence of shapely.Geometry
        Of zones 1 … k, in ``crs``.

    Raises
    ------
    InputFileError
        If an override has no reason, names a zone that is not there, or two of them are on one zone.
    """
    held: dict[int, Override] = {}
    dropped: list[Override] = []
    findings: list[Finding] = []
    for override in overrides:
        if not override.reason.strip():
            problem = f"review.override of zone {override.zone} gives no reason."
            raise InputFileError(problem, "Write the reason: the report prints it beside the rate.")
        if override.outline:
            zone, share = _zone_of(ground_of(override, crs), outlines)
            if share < SAME_SHARE:
                dropped.append(override)
                findings.append(
                    warning("rates.override-dropped", f"zone {override.zone}", share=Quantity("share", share),
                            rate=Quantity("rate", override.rate_n_lb_ac), reason=override.reason.strip(),
                            area=Quantity("area", geodesic_acres(ground_of(override, _WGS84), _WGS84)))
                )  # fmt: skip
                continue
        else:
            zone = override.zone
            findings.append(note("rates.override-by-number", "review.override", zone=str(zone)))
            if zone > len(outlines):
                problem = f"review.override names zone {zone}; the field has {len(outlines)}."
                raise InputFileError(problem, "Zones are numbered from 1 by rising need; build and look at the map.")
        if zone in held:
            problem = f"review.override sets zone {zone} twice."
            raise InputFileError(problem, "Keep one override for each zone.")
        held[zone] = replace(override, zone=zone)
    return held, tuple(dropped), tuple(findings)


def ground_of(override: Override, crs: str) -> shapely.Geometry:
    """
    Ground that an override was made for; empty where it names a zone by number alone.

    Raises
    ------
    InputFileError
        If its outline is no list of polygons.
    """
    try:
        polygons = [shapely.Polygon(shell, holes) for shell, *holes in override.outline]
    except (ValueError, TypeError, shapely.errors.GEOSException):
        problem = f"The outline of review.override of zone {override.zone} is not a list of polygons."
        raise InputFileError(problem, "Save the review from the map again.") from None
    return shapely.make_valid(reproject(shapely.MultiPolygon(polygons), _WGS84, crs))


def _zone_of(ground: shapely.Geometry, outlines: Sequence[shapely.Geometry]) -> tuple[int, float]:
    """Zone that ground is most of, and the lesser of its share of the ground and the ground's share of it."""
    shared = [float(shapely.area(shapely.intersection(ground, outline))) for outline in outlines]
    shares = [common / max(shapely.area(ground), shapely.area(outline), 1e-9)
              for common, outline in zip(shared, outlines, strict=True)]  # fmt: skip
    best = max(range(len(shares)), key=shares.__getitem__)
    return best + 1, float(shares[best])
