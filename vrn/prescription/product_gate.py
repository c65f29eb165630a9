"""Whether a product can be what it says; cautions of product, placement, stage and inhibitor, each with its source."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.job import JobSection
from vrn.model.settings import Settings
from vrn.nitrogen.stage import stage_position
from vrn.prescription.model import Product, ZoneRate
from vrn.units import GAL_AC_L_HA, LB_AC_KG_HA, LB_GAL_KG_L

_WATER_LB_GAL: Final = 1.0 / LB_GAL_KG_L  # 1 kg/L
_OWN_ANALYSIS: Final = 1.0  # points of N by which a known product may differ: urea is 45 or 46 (NRCS New Mexico 76)
_OWN_DENSITY: Final = 0.03  # share by which its density may: 60 °F against 100 °F, and 11.04–11.5 seen for one product
_GRADE: Final = re.compile(r"(?<![\d.-])(\d{1,2}(?:\.\d)?)-\d{1,2}-\d{1,2}(?![\d.])")
_THIOSULFATE: Final = re.compile(r"thiosul|\bats\b", re.IGNORECASE)
_NITRATE: Final = re.compile(r"ammonium nitrate|calcium nitrate", re.IGNORECASE)
_THIOSULFATE_LB_GAL: Final = 10.9  # 11.04 to 11.5 seen for 12-0-0-26S
_UREA_IN_SOLUTION: Final = 20.0  # percent; urea in water ends at about 23, urea with ammonium nitrate begins at 28
_UREA_DRY: Final = 40.0  # percent; only urea, coated or not, holds so much
_NITRATE_DRY: Final = (33.0, 35.0)  # percent of ammonium nitrate
_MANURE: Final = re.compile(
    r"manure|slurry|lagoon|effluent|digestate|litter|compost|dung|biosolid|sludge", re.IGNORECASE
)
_AMMONIA: Final = re.compile(r"anhydrous|\bnh3\b|82-0-0", re.IGNORECASE)
_AQUA: Final = re.compile(r"\baqua|ammonia water|water ammonia|ammonium hydroxide", re.IGNORECASE)


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductClass:
    """A class of products: how much nitrogen they hold, what a gallon weighs, and how much goes on an acre at most."""

    name: str
    n_pct: tuple[float, float]
    density_lb_gal: tuple[float, float] | None  # None for dry ones
    most_per_ac: float
    source: str
    heavier: float = 0.0  # share of its weight by which each percent of nitrogen makes a liquid heavier at the least
    rich: tuple[float, float] = (100.0, 0.0)  # percent of nitrogen above which it weighs at most so much [lb/gal]

    def holds(self, n_pct: float, density_lb_gal: float | None) -> bool:
        """Whether a product of this analysis and density can be one of the class."""
        weights = self.densities_lb_gal(n_pct)
        dense = density_lb_gal is None if weights is None else weights[0] <= (density_lb_gal or 0.0) <= weights[1]
        return dense and self.n_pct[0] <= n_pct <= self.n_pct[1]

    def densities_lb_gal(self, n_pct: float) -> tuple[float, float] | None:
        """Least and greatest density with so much nitrogen; None for dry ones. [lb/gal]"""
        if self.density_lb_gal is None:
            return None
        most = self.rich[1] if n_pct > self.rich[0] else self.density_lb_gal[1]
        return self.density_lb_gal[0] * (1 + self.heavier * n_pct), most


SOLUTION: Final = ProductClass(
    name="nitrogen solution", n_pct=(4.0, 35.0), density_lb_gal=(8.34, 13.0), most_per_ac=250.0, heavier=0.0045,
    rich=(20.0, 11.7),
    source="8-0-0 to 32-0-0 at 10.1 to 11.1 lb/gal in the product table; 17-0-0 with calcium near 12.6 lb/gal is the "
    "heaviest, and above 20 % N none is heavier than 32-0-0, from memory; none is lighter than water, to which urea "
    "adds 0.6 % for each percent of N, from memory; most an acre: common practice, no source",
)  # fmt: skip
AMMONIA: Final = ProductClass(
    name="anhydrous ammonia", n_pct=(81.0, 82.5), density_lb_gal=(4.7, 5.7), most_per_ac=100.0,
    source="82-0-0, 5.15 lb/gal at 60 °F, University of Nebraska–Lincoln, Plant & Soil Sciences eLibrary; pure NH3 "
    "holds 82.2 % N; 4.9 to 5.5 lb/gal from 100 to 0 °F, from memory; most an acre: common practice, no source",
)  # fmt: skip
AQUA: Final = ProductClass(
    name="aqua ammonia", n_pct=(15.0, 30.0), density_lb_gal=(7.0, 8.3), most_per_ac=200.0,
    source="20 to 25 % N: Havlin and others 1999, by Oklahoma State University; 24.6 % N at 0.888 to 0.91 kg/L (7.4 to "
    "7.6 lb/gal), trade figures; most an acre: common practice, no source",
)  # fmt: skip
DRY: Final = ProductClass(
    name="dry fertilizer", n_pct=(5.0, 46.7), density_lb_gal=None, most_per_ac=2500.0,
    source="pure urea, the richest, holds 2 × 14.007 / 60.06 = 46.6 % N: with its point slipped it lies below; most an "
    "acre: common practice, no source",
)  # fmt: skip
LIQUID_MANURE: Final = ProductClass(
    name="liquid manure", n_pct=(0.01, 1.5), density_lb_gal=(8.0, 9.5), most_per_ac=30_000.0,
    source="1 to 125 lb N per 1,000 gal; Midwest Plan Service 18 has 4 to 70, from memory; most an acre: common "
    "practice, no source",
)  # fmt: skip
DRY_MANURE: Final = ProductClass(
    name="solid manure", n_pct=(0.1, 6.5), density_lb_gal=None, most_per_ac=80_000.0,
    source="2 to 130 lb N a ton; Midwest Plan Service 18 has 8 to 70, from memory; most an acre: common practice, no "
    "source",
)  # fmt: skip


def class_of(name: str, n_pct: float, density_lb_gal: float | None) -> ProductClass:
    """Class of a product: by its name where that says so, else by what only one class can be.

    >>> class_of("Co-op 28", 28.0, 10.7).name, class_of("hog manure", 0.6, 8.3).name, class_of("mix", 24.0, 7.5).name
    ('nitrogen solution', 'liquid manure', 'aqua ammonia')
    """
    if _MANURE.search(name):
        return DRY_MANURE if density_lb_gal is None else LIQUID_MANURE
    if density_lb_gal is None:
        return DRY
    if _AQUA.search(name):
        return AQUA
    if _AMMONIA.search(name) or n_pct > 60:
        return AMMONIA
    return AQUA if AQUA.holds(n_pct, density_lb_gal) else SOLUTION


def cautions_of(product: Product) -> tuple[str, ...]:
    """Cautions that go with what a product is, by its class and analysis, whatever it is called.

    >>> cautions_of(Product(name="gas", n_pct=82.0, density_lb_gal=5.15, unit="gal", source="test"))
    ('rates.caution-ammonia',)
    """
    n, kind = product.n_pct, class_of(product.name, product.n_pct, product.density_lb_gal)
    dense = product.density_lb_gal or 0.0
    holds = {
        "rates.caution-ammonia": kind is AMMONIA,
        "rates.caution-aqua": kind is AQUA,
        "rates.caution-thiosulfate": kind is SOLUTION and (
            bool(_THIOSULFATE.search(product.name)) or (abs(n - 12.0) <= _OWN_ANALYSIS and dense >= _THIOSULFATE_LB_GAL)
        ),
        "rates.caution-urea": (kind is SOLUTION and n >= _UREA_IN_SOLUTION) or (kind is DRY and n >= _UREA_DRY),
        "rates.caution-nitrate": kind is DRY and (
            _NITRATE_DRY[0] <= n <= _NITRATE_DRY[1] or bool(_NITRATE.search(product.name))
        ),
        "rates.caution-manure": kind in (LIQUID_MANURE, DRY_MANURE),
    }  # fmt: skip
    return tuple(code for code, there in holds.items() if there)


def check_product(product: Product, known: Product | None, known_ones: tuple[Product, ...], *, metric: bool) -> None:
    """Refuse an analysis or a density that the product cannot have.

    `product`: as the field file gives it. `known`: the one of that name, where there is one. `known_ones`: to tell the
    likeliest slip. `metric`: whether the user writes kg/L. Raises InputFileError: naming the likely slip.
    """
    shown = _shown(product.n_pct, product.density_lb_gal, metric)
    if known is not None and not _is(product, known):
        own = _shown(known.n_pct, known.density_lb_gal, metric)
        problem = f"product {known.name} is {own}, and the field file says {shown}."
        usual = f"Leave n_pct and {_key(metric)} out, or give your own product another name."
        raise InputFileError(problem, _hint(product, known_ones, metric) or usual)
    grade = _GRADE.search(product.name)
    if grade is not None and abs(float(grade[1]) - product.n_pct) > _OWN_ANALYSIS:
        problem = f"product {product.name!r}: its name says {grade[1]}% N, and n_pct is {product.n_pct:g}."
        raise InputFileError(problem, "Correct the one that is wrong.")
    kind = class_of(product.name, product.n_pct, product.density_lb_gal)
    if not kind.holds(product.n_pct, product.density_lb_gal):
        allowed = f"{kind.n_pct[0]:g} to {kind.n_pct[1]:g}% N"
        weights = kind.densities_lb_gal(product.n_pct)
        if weights is not None:
            low, high = (_density(end, metric) for end in weights)
            allowed += f" and {low} to {high}"
        problem = f"product {product.name!r} is {shown}. As {kind.name} it would be {allowed}."
        usual = "Check both against the delivery note or the analysis. If it is manure, say so in its name."
        raise InputFileError(problem, _hint(product, known_ones, metric) or usual)
    for one in known_ones:  # a solution that weighs what a known one weighs, and "holds" its pounds a gallon
        same = one.density_lb_gal is not None and _near(product.density_lb_gal, one.density_lb_gal, 0.01)
        if same and _near(product.n_pct, one.n_lb_per_unit, 0.03):
            problem = f"product {product.name!r} is {shown}: {product.n_pct:g} looks like pounds of N in a gallon."
            raise InputFileError(problem, f"n_pct is percent by weight: {one.n_pct:g} for {one.name}.")


def check_most(product: Product, n_lb_ac: float, what: str, *, metric: bool) -> None:
    """Refuse a rate that takes more of the product on an acre than its class allows.

    `n_lb_ac`: the highest rate that may be written. `what`: the key that sets it.
    """
    kind = class_of(product.name, product.n_pct, product.density_lb_gal)
    per_ac = n_lb_ac / product.n_lb_per_unit
    if per_ac <= kind.most_per_ac:
        return
    rate, most = (_per_area(value, product.unit, metric) for value in (per_ac, kind.most_per_ac))
    problem = f"{what} lets {rate} of {product.name} go out. No {kind.name} is put on at more than {most}."
    raise InputFileError(problem, "Check n_pct and the density of the product, or lower that rate.")


def _is(product: Product, known: Product) -> bool:
    """Whether analysis and density are those of the known product, as deliveries differ."""
    if (product.density_lb_gal is None) != (known.density_lb_gal is None):
        return False
    dense = known.density_lb_gal is None or _near(product.density_lb_gal, known.density_lb_gal, _OWN_DENSITY)
    return dense and abs(product.n_pct - known.n_pct) <= _OWN_ANALYSIS


def _slips(n: float, density: float | None) -> Iterator[tuple[str, float, float | None]]:
    """What may have been meant: words, analysis and density; the likeliest first."""
    if n < 1:
        yield f"n_pct = {n:g} looks like a fraction", n * 100, density
    if density is not None:
        yield "the density looks like kg/L or g/mL, not lb/gal", n, density * _WATER_LB_GAL
        yield "the density looks like lb/gal, not kg/L", n, density / _WATER_LB_GAL
        yield "n_pct looks like a fraction and the density like kg/L", n * 100, density * _WATER_LB_GAL
        yield "the density looks like pounds of N in a gallon", n, density / (n / 100)
        yield "n_pct looks like pounds of N in 1,000 gallons", n / 1000 / density * 100, density
        yield "n_pct looks like pounds of N in a gallon", n / density * 100, density
        yield "n_pct and the density look swapped", density, n
    else:
        yield "n_pct looks like pounds of N in a ton", n / 2000 * 100, density
    yield "the decimal point of n_pct looks misplaced", n * 10, density
    yield "the decimal point of n_pct looks misplaced", n / 10, density


def _hint(product: Product, known_ones: tuple[Product, ...], metric: bool) -> str:
    """The first slip after which it would be a known product, or else one of its class; empty when there is none."""
    named = _named(product.name)
    found = list(_slips(product.n_pct, product.density_lb_gal))
    for words, n, density in found:
        if any(_is_close(n, density, one) for one in known_ones):
            return f"Check it: {words}. Did you mean {_shown(n, density, metric)}?"
    for words, n, density in found:
        if (named or class_of("", n, density)).holds(n, density):
            return f"Check it: {words}. Did you mean {_shown(n, density, metric)}?"
    return ""


def _named(name: str) -> ProductClass | None:
    """Class that a name alone says, of liquids."""
    return LIQUID_MANURE if _MANURE.search(name) else AQUA if _AQUA.search(name) else None


def _is_close(n: float, density: float | None, known: Product) -> bool:
    if (density is None) != (known.density_lb_gal is None):
        return False
    return _near(n, known.n_pct, 0.03) and (density is None or _near(density, known.density_lb_gal, 0.03))


def _near(value: float | None, other: float | None, share: float) -> bool:
    return value is not None and other is not None and abs(value - other) <= share * abs(other)


def _key(metric: bool) -> str:
    return "density_kg_l" if metric else "density_lb_gal"


def _density(lb_gal: float, metric: bool) -> str:
    return f"{lb_gal * LB_GAL_KG_L:.3g} kg/L" if metric else f"{lb_gal:.4g} lb/gal"


def _shown(n_pct: float, density_lb_gal: float | None, metric: bool) -> str:
    weight = "dry" if density_lb_gal is None else _density(density_lb_gal, metric)
    return f"{n_pct:.4g}% N, {weight}"


def _per_area(value: float, unit: str, metric: bool) -> str:
    if not metric:
        return f"{value:,.0f} {unit}/ac"
    factor, name = (GAL_AC_L_HA, "L/ha") if unit == "gal" else (LB_AC_KG_HA, "kg/ha")
    return f"{value * factor:,.0f} {name}"


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
