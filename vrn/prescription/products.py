"""Nitrogen products with analysis, density and source; blends and the user's own; how much of one to have ready."""

import difflib
import math
import re
from dataclasses import dataclass, replace

from vrn.errors import InputFileError
from vrn.model.metric_keys import metric_twin
from vrn.model.settings import BlendPart, MachineSection, ProductSection, Settings
from vrn.prescription.model import Product, ZoneRate
from vrn.prescription.product_gate import cautions_of, check_most, check_product

_BOTH = "Alabama A&M and Auburn Universities ANR-174; USDA NRCS New Mexico, Agronomy Technical Note 76"
_CORNELL = "Cornell University, Northeast Region Certified Crop Adviser study resources"
_ONE = "one source only: check it against the delivery note"
_SHEET = "“Estimated physical characteristics of fertilizer material”, studylib.net 18119690"

_MANURE_LB_GAL = 8.4  # about the weight of water, from memory
_TABLE: tuple[Product, ...] = (
    Product(
        name="UAN 28", n_pct=28.0, density_lb_gal=10.66, unit="gal",
        source=f"28-0-0 ({_BOTH}); 10.66 lb/gal at 60–68 °F, between 10.6 (J. Camberato, Purdue Extension, Indiana "
        f"Prairie Farmer 2023) and 10.67 ({_SHEET})",
    ),
    Product(
        name="UAN 30", n_pct=30.0, density_lb_gal=10.86, unit="gal",
        source=f"30-0-0 ({_BOTH}); 10.86 lb/gal, halfway between 28-0-0 and 32-0-0, as in the densities by "
        f"temperature of scribd.com 230568241 (10.95 at 30 °F beside 10.76 and 11.14), {_ONE}",
    ),
    Product(
        name="UAN 32", n_pct=32.0, density_lb_gal=11.06, unit="gal",
        source=f"32-0-0 ({_BOTH}); 11.06 lb/gal at 60–68 °F ({_SHEET}), which is 0.28 gal for a pound of N, as the "
        "University of California prints it (San Joaquin County)",
    ),
    Product(
        name="Anhydrous ammonia", n_pct=82.0, density_lb_gal=5.15, unit="gal",
        source=f"82-0-0 ({_BOTH}); 5.15 lb/gal at 60 °F, University of Nebraska–Lincoln, Plant & Soil Sciences "
        f"eLibrary, {_ONE}",
    ),
    Product(
        name="Ammonium thiosulfate", n_pct=12.0, density_lb_gal=11.1, unit="gal",
        source="12-0-0-26S (USDA NRCS New Mexico, Agronomy Technical Note 76, and the sheet); 11.1 lb/gal at 60 °F; "
        f"11.04 in {_SHEET}, 11.5 by the University of Nebraska–Lincoln's "
        "Plant & Soil Sciences eLibrary: check it against the delivery note",
    ),
    Product(
        name="Ammonium sulfate solution", n_pct=8.0, density_lb_gal=10.14, unit="gal",
        source="8-0-0-9S; 10.14 lb/gal, from memory: check it against the delivery note",
    ),
    Product(
        name="Urea", n_pct=46.0, density_lb_gal=None, unit="lb",
        source=f"46-0-0, {_CORNELL}; USDA NRCS New Mexico, Agronomy Technical Note 76 (45 to 46 % N)",
    ),
    Product(
        name="Ammonium sulfate", n_pct=21.0, density_lb_gal=None, unit="lb",
        source=f"21-0-0-24S, {_CORNELL}; 21 % N also in {_BOTH}",
    ),
    Product(
        name="Ammonium nitrate", n_pct=34.0, density_lb_gal=None, unit="lb",
        source=f"34-0-0, {_CORNELL}; {_BOTH} (33 to 34 % N)",
    ),
    Product(
        name="Coated urea", n_pct=44.0, density_lb_gal=None, unit="lb",
        source="44-0-0 with a polymer coat, 43 to 45 % N, from memory: check it against the delivery note",
    ),
    Product(
        name="Aqua ammonia", n_pct=20.5, density_lb_gal=7.6, unit="gal",
        source="20 to 25 % N (Havlin and others 1999, by Oklahoma State University; USDA NRCS New Mexico, Agronomy "
        "Technical Note 76); 20.5 % N is 24.9 % ammonia, 7.55 to 7.6 lb/gal by its specific gravity of 0.906 to 0.91 "
        "(British Pharmacopoeia; Ure, in Cooley's Cyclopaedia): check both against the delivery note",
    ),
)  # fmt: skip
AMMONIA_FILL = 0.85  # of the volume of a tank of anhydrous ammonia: Montana rule ARM 4.12.712
PRODUCTS: tuple[Product, ...] = tuple(replace(one, cautions=cautions_of(one)) for one in _TABLE)

NO_PRODUCT = Product(
    name="Nitrogen", n_pct=100.0, density_lb_gal=None, unit="lb", source="the field file names no product"
)

_ALIASES = {
    "uan28": "UAN 28", "28uan": "UAN 28", "uan2800": "UAN 28",
    "uan30": "UAN 30", "30uan": "UAN 30",
    "uan32": "UAN 32", "32uan": "UAN 32", "uan3200": "UAN 32",
    "anhydrous": "Anhydrous ammonia", "nh3": "Anhydrous ammonia", "82-0-0": "Anhydrous ammonia",
    "ats": "Ammonium thiosulfate", "ams": "Ammonium sulfate", "46-0-0": "Urea", "urea46": "Urea",
    "ammoniumsulfateliquid": "Ammonium sulfate solution", "liquidams": "Ammonium sulfate solution",
    "28-0-0": "UAN 28", "30-0-0": "UAN 30", "32-0-0": "UAN 32", "21-0-0-24s": "Ammonium sulfate",
    "12-0-0-26s": "Ammonium thiosulfate", "8-0-0-9s": "Ammonium sulfate solution",
}  # fmt: skip


def under_pressure(product: Product) -> bool:
    """Whether a product is ammonia that leaves its tank as a gas: no tank is filled with it, no jar held under it."""
    return "rates.caution-ammonia" in product.cautions


def product_for(settings: Settings) -> Product:
    """The product of a field file, within what its class allows at the highest rate that may be written.

    Raises InputFileError: as `product_of` does; or when the product's class does not allow that rate.
    """
    metric, machine, limits, export = settings.units == "metric", settings.machine, settings.limits, settings.export
    product = product_of(settings.product, metric=metric)
    _refuse_idle(product, settings, metric=metric)
    if product.named:
        highest = {
            "limits.max_n" if limits.max_n_lb_ac <= machine.max_rate_n_lb_ac else "machine.max_rate_n": min(
                limits.max_n_lb_ac, machine.max_rate_n_lb_ac, limits.max_season_n_lb_ac or math.inf
            ),
            "export.default_rate_n": export.default_rate_n_lb_ac,
            "export.out_of_field_rate_n": export.out_of_field_rate_n_lb_ac,
            "export.position_lost_rate_n": export.position_lost_rate_n_lb_ac,
        }
        ending = "_kg_ha" if metric else "_lb_ac"
        for key, n_lb_ac in highest.items():
            check_most(product, n_lb_ac, key + ending, metric=metric)
    return product


def _refuse_idle(product: Product, settings: Settings, *, metric: bool) -> None:
    """Refuse settings of the machine that do nothing for a product of this state."""
    machine, job = settings.machine, settings.this_pass
    liquid = {
        "machine.tank_gal": machine.tank_gal, "machine.max_flow_gal_min": machine.max_flow_gal_min,
        "job.nozzle_flow_gal_min": job.nozzle_flow_gal_min, "job.min_psi": job.min_psi, "job.max_psi": job.max_psi,
    }  # fmt: skip
    bulk = {"machine.tank_lb": machine.tank_lb}
    idle = bulk if product.density_lb_gal is not None else liquid if product.named else {**liquid, **bulk}
    for key, value in idle.items():
        if value is not None:
            name = f"{key.partition('.')[0]}.{metric_twin(key)[0]}" if metric else key
            if not product.named:
                problem = f"{name} is given, and no product is named: rates are nitrogen, which no tank holds."
                raise InputFileError(problem, f"Name the product, or take {name} out.")
            state, other = ("a liquid", "dry") if idle is bulk else ("dry", "a liquid")
            problem = f"{name} is for a product that is {other}. {product.name} is {state}, so it would do nothing."
            raise InputFileError(problem, f"Take {name} out, or correct the product.")


def product_of(section: ProductSection, *, metric: bool = False) -> Product:
    """
    The product a field file asks for: a known one, a blend of known ones, the user's own analysis, or none.

    Parameters
    ----------
    section : ProductSection
        ``[product]``.
    metric : bool
        Whether refusals speak of kg/L.

    Raises
    ------
    InputFileError
        If the name is unknown and no analysis is given, a liquid has no density, a blend does not make sense, or
        analysis and density are not those of a product of its name or class.

    Examples
    --------
    >>> uan = product_of(ProductSection(name="uan-32"))
    >>> uan.name, round(100.0 / uan.n_lb_per_unit, 2)
    ('UAN 32', 28.25)
    >>> product_of(ProductSection()).named
    False
    """
    if section.n_lb_per_1000_gal is not None:
        product = _manure(section)
    elif section.blend:
        product = _blended(section, metric=metric)
    elif section.n_pct is not None:
        product = _own(section)
    elif section.name is not None:
        known = known_product(section.name)
        if section.density_lb_gal is None and not section.dry:
            return known
        product = replace(known, density_lb_gal=None if section.dry else section.density_lb_gal)
    elif section.density_lb_gal is not None or section.dry or section.rate_basis == "product":
        problem = "[product] has neither a name nor an analysis."
        raise InputFileError(problem, 'Name the product; or give n_pct. Without one, leave [product] out, or keep only '
                             'rate_basis = "n".')  # fmt: skip
    else:
        return NO_PRODUCT
    check_product(product, _found(product.name), PRODUCTS, metric=metric)
    return product


def known_product(name: str) -> Product:
    """A product of the table by its name or its grade.

    `name`: upper and lower case, spaces and hyphens do not matter. Raises InputFileError if the table has no such
    product.
    """
    found = _found(name)
    if found is None:
        by_name = {_plain(product.name): product for product in PRODUCTS}
        near = difflib.get_close_matches(_plain(name), list(by_name), n=1, cutoff=0.4)
        nearest = f" (nearest: {by_name[near[0]].name})" if near else ""
        problem = f"product.name: {name!r} is not a known product{nearest}."
        known = ", ".join(product.name for product in PRODUCTS)
        raise InputFileError(problem, f"Use one of: {known}; or give product.n_pct with density_lb_gal or dry = true.")
    return found


def _found(name: str) -> Product | None:
    """A product of the table by its name or its grade, or None."""
    by_name = {_plain(product.name): product for product in PRODUCTS}
    aliases = {_plain(alias): by_name[_plain(full)] for alias, full in _ALIASES.items()}
    return by_name.get(_plain(name)) or aliases.get(_plain(name))


def _plain(name: str) -> str:
    return re.sub(r"[^a-z0-9]", "", name.lower())


def _own(section: ProductSection) -> Product:
    """A product by the user's own analysis."""
    assert section.n_pct is not None  # for the type checker; the caller has looked
    if section.dry == (section.density_lb_gal is not None):
        problem = f"product {section.name or section.n_pct!r} has an analysis but " + (
            "both a density and dry = true." if section.dry else "neither a density nor dry = true."
        )
        raise InputFileError(problem, "Give density_lb_gal for a liquid, or dry = true for a dry product.")
    own = Product(
        name=section.name or f"{section.n_pct:g}% N", n_pct=section.n_pct, density_lb_gal=section.density_lb_gal,
        unit="lb" if section.dry else "gal", source="field file",
    )  # fmt: skip
    return replace(own, cautions=cautions_of(own))


def _manure(section: ProductSection) -> Product:
    """Liquid manure by its analysis: a gallon's weight does not change its gallons."""
    if section.n_pct is not None or section.dry or section.blend:
        problem = "product.n_lb_per_1000_gal is the analysis of liquid manure, and another analysis is given too."
        raise InputFileError(problem, "Give one of them.")
    density = section.density_lb_gal or _MANURE_LB_GAL
    own = Product(
        name=section.name or "Liquid manure", n_pct=section.n_lb_per_1000_gal / 10.0 / density,  # type: ignore[operator]
        density_lb_gal=density, unit="gal", source="field file: the manure's own analysis",
    )  # fmt: skip
    return replace(own, cautions=cautions_of(own))


def _part(part: BlendPart, *, metric: bool) -> Product:
    """A part of a blend, by its name or by its own analysis."""
    if part.n_pct is None and part.density_lb_gal is None and not part.dry:
        return known_product(part.name)
    section = ProductSection(name=part.name, n_pct=part.n_pct, density_lb_gal=part.density_lb_gal, dry=part.dry)
    return product_of(section, metric=metric)


def _blended(section: ProductSection, *, metric: bool) -> Product:
    """A blend: liquids by volume, dry products by weight."""
    parts = [(_part(part, metric=metric), part.share) for part in section.blend]
    total = sum(share for _, share in parts)
    if abs(total - 1.0) > 1e-3:
        problem = f"product.blend: the shares add up to {total:g}, not 1."
        raise InputFileError(problem, "Give each part's share of the blend so that they add up to 1.")
    units = {product.unit for product, _ in parts}
    if len(units) > 1:
        problem = "product.blend mixes liquid and dry products."
        raise InputFileError(problem, "Blend liquids with liquids, or dry products with dry products.")
    if len(parts) > 1 and any("rates.caution-ammonia" in product.cautions for product, _ in parts):
        problem = "product.blend holds anhydrous ammonia, which is not blended."
        raise InputFileError(problem, "Give anhydrous ammonia alone.")
    weight = [share * (product.density_lb_gal or 1.0) for product, share in parts]
    n_pct = sum(w * product.n_pct for w, (product, _) in zip(weight, parts, strict=True)) / sum(weight)
    names = ", ".join(f"{share:.0%} {product.name}" for product, share in parts)
    how = "by volume" if units == {"gal"} else "by weight"
    return Product(
        name=section.name or names, n_pct=n_pct, density_lb_gal=sum(weight) / total if units == {"gal"} else None,
        unit=units.pop(), source=f"{names} {how}: " + "; ".join(product.source for product, _ in parts),
        cautions=tuple(dict.fromkeys(caution for product, _ in parts for caution in product.cautions)),
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadsReport:
    """Product to have at the field."""

    unit: str  # "gal" or "lb"
    total: float  # in the unit; [lb]; [lb N]
    weight_lb: float
    n_lb: float
    tank: float | None  # what the tank or the bin may be filled with, in the unit; None when not stated
    loads: int | None
    last_load: float | None  # what goes into the last one
    acres_per_load: float | None
    cost: float | None  # None without a price. [$]


def loads_report(
    rates: tuple[ZoneRate, ...], product: Product, machine: MachineSection, *, n_per_lb: float | None = None
) -> LoadsReport:
    """Product to have at the field; a price of nitrogen, where there is one, is in $/lb N.

    >>> import shapely
    >>> from vrn.nitrogen.ledger import Ledger
    >>> uan = known_product("UAN 32")
    >>> zone = ZoneRate(zone=1, outline=shapely.MultiPolygon(), acres=80.0, parts=1, rate_n_lb_ac=100.0,
    ...     rate_product=28.25, product_per_ac=100.0 / uan.n_lb_per_unit, need_lb_ac=100.0, need_se_lb_ac=None,
    ...     nitrate_ppm=10.0, organic_matter_pct=3.0, yield_goal_bu_ac=200.0, ledger=Ledger(lines=(), method="x"))
    >>> report = loads_report((zone,), uan, MachineSection(tank_gal=1000.0), n_per_lb=0.5)
    >>> report.loads, round(report.total, 1), round(report.last_load, 1), report.cost
    (3, 2260.4, 260.4, 4000.0)
    """
    total = sum(rate.acres * rate.product_per_ac for rate in rates)
    n_lb = sum(rate.acres * rate.rate_n_lb_ac for rate in rates)
    tank = machine.tank_gal if product.unit == "gal" else machine.tank_lb if product.named else None
    if tank is not None and under_pressure(product):
        tank *= AMMONIA_FILL
    loads = math.ceil(total / tank - 1e-9) if tank and total > 0 else None
    treated_ac = sum(rate.acres for rate in rates if rate.rate_n_lb_ac > 0)
    return LoadsReport(
        unit=product.unit, total=total, weight_lb=total * (product.density_lb_gal or 1.0), n_lb=n_lb, tank=tank,
        loads=loads, last_load=total - (loads - 1) * tank if loads and tank else None,
        acres_per_load=tank / (total / treated_ac) if tank and total > 0 else None,
        cost=None if n_per_lb is None else n_lb * n_per_lb,
    )  # fmt: skip
