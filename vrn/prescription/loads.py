"""What to order and how often to fill: product by zone, tank loads, weight, cost."""

import math
from typing import Any

from vrn.model.settings import MachineSection
from vrn.prescription.model import Product, ZoneRate

_LB_PER_TON = 2000.0


def loads_report(
    rates: tuple[ZoneRate, ...], product: Product, machine: MachineSection, *, n_per_lb: float | None = None
) -> dict[str, Any]:
    """
    Product to have at the field.

    Parameters
    ----------
    rates : tuple of ZoneRate
    product : Product
    machine : MachineSection
        ``tank_gal`` for liquids, ``tank_lb`` for dry products.
    n_per_lb : float, optional
        Price of nitrogen. [$/lb N]

    Returns
    -------
    report : dict
        Plain values: ``unit``, ``total``, ``weight_lb``, ``tons``, ``n_lb``, ``tank`` (None when not stated),
        ``loads``, ``last_load`` (what goes into the last one), ``acres_per_load``, ``zones`` (``zone``, ``product``,
        ``n_lb``), ``cost`` (None without a price).

    Examples
    --------
    >>> import shapely
    >>> from vrn.nitrogen.ledger import Ledger
    >>> from vrn.prescription.products import known_product
    >>> uan = known_product("UAN 32")
    >>> zone = ZoneRate(zone=1, outline=shapely.MultiPolygon(), acres=80.0, parts=1, rate_n_lb_ac=100.0,
    ...     rate_product=28.25, product_per_ac=100.0 / uan.n_lb_per_unit, need_lb_ac=100.0, need_se_lb_ac=None,
    ...     nitrate_ppm=10.0, organic_matter_pct=3.0, yield_goal_bu_ac=200.0, ledger=Ledger(lines=(), method="x"))
    >>> report = loads_report((zone,), uan, MachineSection(tank_gal=1000.0), n_per_lb=0.5)
    >>> report["loads"], round(report["total"], 1), round(report["last_load"], 1), report["cost"]
    (3, 2260.4, 260.4, 4000.0)
    """
    zones = [
        {"zone": rate.zone, "product": rate.acres * rate.product_per_ac, "n_lb": rate.acres * rate.rate_n_lb_ac}
        for rate in rates
    ]
    total = sum(zone["product"] for zone in zones)
    n_lb = sum(zone["n_lb"] for zone in zones)
    weight_lb = total * (product.density_lb_gal if product.density_lb_gal is not None else 1.0)
    tank = machine.tank_gal if product.unit == "gal" else machine.tank_lb
    loads = math.ceil(total / tank - 1e-9) if tank and total > 0 else None
    treated_ac = sum(rate.acres for rate in rates if rate.rate_n_lb_ac > 0)
    return {
        "unit": product.unit,
        "total": total,
        "weight_lb": weight_lb,
        "tons": weight_lb / _LB_PER_TON,
        "n_lb": n_lb,
        "tank": tank,
        "loads": loads,
        "last_load": total - (loads - 1) * tank if loads and tank else None,
        "acres_per_load": tank / (total / treated_ac) if tank and total > 0 else None,
        "zones": zones,
        "cost": None if n_per_lb is None else n_lb * n_per_lb,
    }
