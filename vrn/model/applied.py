"""What a machine really applied: ground it has covered, and a whole pass held against the prescription."""

import math
from dataclasses import asdict, dataclass, field
from typing import Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneApplied:
    """One zone as it was applied."""

    zone: int  # 0 is no-apply ground
    acres: float  # of the zone: missed, short, right and over add up to it
    driven_acres: float  # that got something, once or more often
    target_n_lb_ac: float  # prescribed
    mean_n_lb_ac: float  # applied on the driven acres, overlaps and all (NaN where nothing was driven)
    total_n_lb: float
    within_share: float  # share of the driven acres within ± 10 % of the target; NaN where nothing was driven
    # NaN where the width of the machine is not known
    missed_acres: float = math.nan  # with a target, and got nothing
    short_acres: float = math.nan  # got less than 90 % of the target
    right_acres: float = math.nan
    over_acres: float = math.nan  # got more than 110 %
    twice_acres: float = math.nan  # driven more than once, whichever class it is in


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """Why what was applied is not what was planned: planned + parts = applied. [lb N]"""

    missed_n_lb: float  # not applied where nothing was driven, below 0
    twice_n_lb: float  # on ground driven more than once, beyond the mean of its passes
    rate_n_lb: float  # where it was driven, by a rate other than the target
    no_apply_n_lb: float
    outside_n_lb: float  # beyond the zones
    rate_factor: float  # rate over target where it was driven, passes averaged; NaN where nothing was


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """What ``vrn.audit.compare`` returns."""

    field: str
    season: int
    units: str  # "us" or "metric", in which the field's files speak
    approved: bool  # whether the prescription was approved
    source: str  # the as-applied file
    crs: str  # projected system of the geometries below
    product: str  # name of the product and its unit
    unit: Literal["gal", "lb"]
    n_lb_per_unit: float  # nitrogen in a unit of product. [lb N/gal or lb N/lb]
    prescribed_product: float
    applied_product: float
    within_share: float  # share of the driven acres within ± 10 % of the target
    # treated ground that no record covers, and ground covered more than once; NaN when the width is not known
    skipped_acres: float
    overlapped_acres: float
    # the machine's own counter, or the product that was delivered, over what the rates add up to; NaN without either.
    # With a delivery every rate here is multiplied by it.
    meter_factor: float
    logged_product: float  # what the file's rates add up to
    delivered_product: float | None
    difference: Difference | None  # None where the width is not known
    zones: tuple[ZoneApplied, ...]
    # ``no_rate``, ``negative_rate``, ``outside``, ``no_width`` or ``stopped`` → number of records left out
    dropped: dict[str, int]
    footprints: NDArray[np.object_]  # ground of each record that was kept, shape (n,)
    applied_n_lb_ac: NDArray[np.float64]  # shape (n,)
    target_n_lb_ac: NDArray[np.float64]  # shape (n,)
    outlines: dict[int, shapely.Geometry]  # zone → outline
    skips: shapely.Geometry
    overlaps: shapely.Geometry
    findings: tuple[Finding, ...]

    @property
    def covered_acres(self) -> float:
        """Ground with a rate that got product; NaN when the width is not known. [ac]"""
        return sum(zone.acres for zone in self.zones if zone.target_n_lb_ac > 0) - self.skipped_acres

    def to_plain(self) -> dict[str, object]:
        """Numbers for a machine, without the findings; an unknown one is None."""

        def known(value: float) -> float | None:
            return float(value) if np.isfinite(value) else None

        return {
            "field": self.field, "season": self.season, "approved": self.approved, "source": self.source,
            "product": self.product, "unit": self.unit, "prescribed_product": self.prescribed_product,
            "applied_product": self.applied_product, "prescribed_n_lb": self.prescribed_product * self.n_lb_per_unit,
            "applied_n_lb": self.applied_product * self.n_lb_per_unit,
            "within_10_pct_share": known(self.within_share), "meter_factor": known(self.meter_factor),
            "logged_product": self.logged_product, "delivered_product": self.delivered_product,
            "difference": None if self.difference is None
            else {name: known(value) for name, value in asdict(self.difference).items()},
            "covered_ac": known(self.covered_acres), "skipped_acres": known(self.skipped_acres),
            "overlapped_acres": known(self.overlapped_acres),
            "zones": [
                {
                    "zone": zone.zone, "acres": zone.acres, "driven_acres": zone.driven_acres,
                    "target_n_lb_ac": zone.target_n_lb_ac, "mean_n_lb_ac": known(zone.mean_n_lb_ac),
                    "total_n_lb": zone.total_n_lb, "within_10_pct_share": known(zone.within_share),
                    "missed_acres": known(zone.missed_acres), "short_acres": known(zone.short_acres),
                    "right_acres": known(zone.right_acres), "over_acres": known(zone.over_acres),
                    "twice_acres": known(zone.twice_acres),
                }
                for zone in self.zones
            ],
            "kept": len(self.footprints), "dropped": self.dropped,
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Short:
    """Ground of a zone that got less than 90 % of its rate: so much more it may get without going over. [lb N/ac]"""

    zone: int
    missing_n_lb_ac: float
    ground: shapely.Geometry


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Covered:
    """What ``vrn.audit.covered`` returns: where product already lies, so that the rest can be prescribed."""

    ground: shapely.Geometry  # in the field's system, cut to the boundary
    crs: str  # the field's projected system
    n_lb: float  # nitrogen on the zones
    narrowest_m: float  # of what can be shut off by itself
    short: tuple[Short, ...]  # what of it could be topped up
    short_ac: float  # all that got less than 90 % of its rate
    findings: tuple[Finding, ...] = ()
    inputs: dict[str, str] = field(default_factory=dict)  # path relative to the field's folder → SHA-256
