"""Cautions of this pass: what product, placement, crop stage and inhibitor mean together, each with its source."""

from collections.abc import Iterator, Sequence
from typing import Final

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.job import JobSection
from vrn.model.settings import Settings
from vrn.nitrogen.stage import stage_position
from vrn.prescription.model import Product, ZoneRate

_GAS: Final = ("rates.caution-ammonia", "rates.caution-aqua")
_INTO_SOIL: Final = ("injected", "incorporated")
# leaf stage up to which a limit holds, and the most UAN over the leaves [lb N/ac]: Iowa State University, Integrated
# Crop Management IC-482(11), May 24, 1999, and IC-486(9), May 14, 2001: 90 at V3 to V4, 60 at V7, none later. It prints
# none for V5 and V6: the limit of V7 is taken for them
BURN_LIMITS: Final = ((4.0, 90.0), (7.0, 60.0))
FIRST_LEAVES: Final = 3.0  # below it Iowa State prints no limit


def burn_limit_n_lb_ac(position: float) -> float:
    """
    Most UAN over the leaves of corn by Iowa State; 0 when it is too tall, infinite before V3. [lb N/ac]

    Examples
    --------
    >>> [burn_limit_n_lb_ac(leaf) for leaf in (2.0, 3.0, 4.0, 5.0, 7.0, 8.0)]
    [inf, 90.0, 90.0, 60.0, 60.0, 0.0]
    """
    if position < FIRST_LEAVES:
        return float("inf")
    return next((limit for leaf, limit in BURN_LIMITS if position <= leaf), 0.0)


def job_cautions(settings: Settings, product: Product, rates: Sequence[ZoneRate]) -> tuple[Finding, ...]:
    """
    What whoever drives must know of this pass: its product, then how it is placed, then the ground.

    Raises
    ------
    InputFileError
        If ammonia or aqua ammonia would stay on the surface.
    """
    job = settings.this_pass
    about = f"product {product.name}" if product.named else "product"
    found = [note(code, about) for code in _of_product(product, job)]
    return (*found, *_of_placement(settings, job, product, rates))


def _of_product(product: Product, job: JobSection) -> Iterator[str]:
    """Cautions of the product that hold as it is placed: urea in the soil does not go into the air."""
    for code in product.cautions:
        if code in _GAS and job.placement not in (None, "injected"):
            problem = f"job.placement is {job.placement!r}, and {product.name} gives off ammonia gas unless injected."
            raise InputFileError(problem, 'Set job.placement = "injected", or name another product.')
        if code != "rates.caution-urea":
            yield code
        elif job.placement not in _INTO_SOIL:
            yield "rates.caution-urea-inhibitor" if job.inhibitor in ("urease", "both") else code
        elif job.placement == "injected":
            yield "rates.caution-inject"
        if code == "rates.caution-ammonia":
            yield "rates.caution-ammonia-soil"


def _of_placement(
    settings: Settings, job: JobSection, product: Product, rates: Sequence[ZoneRate]
) -> Iterator[Finding]:
    """Leaf burn and runoff."""
    solution = product.density_lb_gal is not None and "rates.caution-urea" in product.cautions
    highest = max((rate.rate_n_lb_ac for rate in rates), default=0.0)
    stage = job.growth_stage or settings.crop.growth_stage
    if solution and job.placement is None:
        yield note("rates.caution-placement", "job")
    elif solution and job.placement == "broadcast" and stage is not None and stage != "preplant" and highest > 0:
        limit = burn_limit_n_lb_ac(float(stage_position(stage)))
        rate = Quantity("rate", highest)
        if limit == 0:
            yield warning("rates.caution-burn-late", "job", rate=rate, stage=stage)
        elif highest > limit:
            yield warning("rates.caution-burn-over", "job", rate=rate, stage=stage, limit=Quantity("rate", limit))
        else:
            yield note("rates.caution-burn-within", "job", stage=stage)
    elif solution and job.placement == "drops":
        yield note("rates.caution-drops", "job")
    if product.named and job.placement not in _INTO_SOIL:
        yield note("rates.caution-runoff", "job")
