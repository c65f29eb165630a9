"""A prescription as a notebook shows it."""

import math
from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vrn.prescription.model import Prescription


def prescription_html(prescription: "Prescription") -> str:
    """
    Zones with their rates, totals, one flat rate beside them.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    html : str
        Every text escaped.
    """
    product = prescription.product
    head = ("zone", "ac", "nitrate ppm", "need lb/ac", "rate lb N/ac", f"{product.name}, {product.unit}/ac")
    rows = [
        (
            f"{rate.zone}" + (f" ({rate.label})" if rate.label else ""), _shown(rate.acres, 1),
            _shown(rate.nitrate_ppm, 1), _shown(rate.need_lb_ac, 0), _shown(rate.rate_n_lb_ac, 0),
            _shown(rate.product_per_ac, 1),
        )
        for rate in prescription.rates
    ]  # fmt: skip
    body = "".join("<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    settings = prescription.field.settings
    state = f"approved by {settings.review.approved_by}" if settings.approved else "DRAFT"
    return (
        f"<table><caption>{escape(prescription.field.name)}, season {settings.header.season} ({escape(state)})"
        "</caption>"
        f"<thead><tr>{''.join(f'<th>{escape(name)}</th>' for name in head)}</tr></thead><tbody>{body}</tbody></table>"
        f"<p>{prescription.acres:.1f} ac, {prescription.total_n_lb:,.0f} lb N, {prescription.total_product:,.0f} "
        f"{escape(product.unit)} of {escape(product.name)}; mean {prescription.mean_rate_n_lb_ac:.1f} lb N/ac. "
        f"One flat rate from the same samples: {prescription.flat_rate_n_lb_ac:.0f} lb N/ac.</p>"
    )


def _shown(value: float, decimals: int) -> str:
    return f"{value:.{decimals}f}" if math.isfinite(value) else "not known"
