"""Nitrogen that was applied: what of it was not yet nitrate when the cores were pulled."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike

from vrn.errors import OutOfRangeError
from vrn.findings import Finding, note
from vrn.nitrogen.ledger import Line, Number
from vrn.nitrogen.losses import nitrate_share_band, product_kind, volatilized_share_band


@dataclass(frozen=True, slots=True, kw_only=True)
class Applied:
    """One application of nitrogen."""

    on: date
    product: str  # its name; the kind of nitrogen is read from it
    n_lb_ac: float
    placement: str = "unknown"
    inhibitor: str = "none"

    def __post_init__(self) -> None:
        if not self.n_lb_ac >= 0:
            problem = f"{self.product} on {self.on}: {self.n_lb_ac:g} lb N/ac was applied."
            raise OutOfRangeError(problem, "Give the nitrogen of each application as 0 or more.")


@dataclass(frozen=True, slots=True, kw_only=True)
class NotYetNitrate:
    """Nitrogen applied that no nitrate test can have seen: the line, its least and greatest, and findings. [lb/ac]"""

    line: Line
    low_lb_ac: Number
    high_lb_ac: Number
    findings: tuple[Finding, ...]


def not_yet_nitrate(
    applications: Sequence[Applied], *, sampled_on: date, days: Sequence[date] = (), rain_in: ArrayLike = ()
) -> NotYetNitrate | None:
    """
    Nitrogen that was down and not yet nitrate at sampling, or that went down after it, as a line of the ledger.

    `days` and `rain_in` [in] tell how long urea lay dry; without them a dry week is assumed at the high end. None when
    there is no application; else the middle of what the published rules give is counted. Sources: Nitrate share of
    applied N by weeks: Kentucky (No-Till Farmer), Iowa State 2024; loss of urea to the air: Montana State, University
    of Illinois.

    Applied after sampling, injected: all of it is still to come:

    >>> late = Applied(on=date(2026, 6, 12), product="UAN 32", n_lb_ac=40.0, placement="injected")
    >>> not_yet_nitrate([late], sampled_on=date(2026, 6, 10)).line.lb_ac
    -40.0
    """
    if not applications:
        return None
    rain = np.atleast_1d(np.asarray(rain_in, dtype=float)) if len(days) else np.array([])
    low = high = 0.0
    parts, findings = [], []
    for item in applications:
        kind = product_kind(item.product)
        lost_low, lost_high = volatilized_share_band(
            kind, placement=item.placement, inhibitor=item.inhibitor, applied_on=item.on, days=days, rain_in=rain
        )
        share_low, share_high = (0.0, 0.0)
        if item.on < sampled_on:
            weeks = (sampled_on - item.on).days / 7.0
            share_low, share_high = nitrate_share_band(kind, weeks=weeks, inhibitor=item.inhibitor)
        least = max(item.n_lb_ac * (1.0 - share_high - lost_high), 0.0)
        most = max(item.n_lb_ac * (1.0 - share_low - lost_low), 0.0)
        low, high = low + least, high + most
        parts.append(f"{item.n_lb_ac:g} lb/ac of {item.product} on {item.on}: {least:.2f} to {most:.2f}")
        if kind == "unknown" and item.n_lb_ac > 0:
            findings.append(note("nitrogen.product-unknown", "applications", product=item.product))
    middle = 0.5 * (low + high)
    line = Line(
        key="applied_not_nitrate", label="Applied, not yet nitrate at sampling", lb_ac=-middle,
        code="nitrogen.line-applied-not-nitrate",
        basis=f"middle of {low:.2f} and {high:.2f} lb/ac ({'; '.join(parts)})",
        source="nitrate share by weeks: Kentucky, Iowa State 2024; urea lost to the air: Montana State, Illinois",
    )  # fmt: skip
    return NotYetNitrate(line=line, low_lb_ac=low, high_lb_ac=high, findings=tuple(findings))
