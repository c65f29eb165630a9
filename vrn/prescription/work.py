"""The day's work of one field: even loads along the passes, where each runs out, and the hours it takes."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.grid import transformer
from vrn.prescription.drive import passes_over
from vrn.prescription.model import Prescription
from vrn.units import AC_M2, FT_M, MPH_M_S

_STEP_M: Final = 5.0
_ACROSS: Final = 8  # places over a swath
_MOST_PLACES: Final = 2_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Load:
    """One load: product [gal or lb], ground [ac], and where it runs out."""

    number: int
    product: float
    acres: float
    on_pass: int
    at_m: tuple[float, float]  # easting, northing in the field's system
    latitude: float
    longitude: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkPlan:
    """Loads in the order they are driven, passes back and forth from the left; hours of driving, turns and refills."""

    loads: tuple[Load, ...]
    passes: int
    heading_deg: float
    first_pass_m: tuple[tuple[float, float], tuple[float, float]]  # easting, northing where it begins and ends
    driving_h: float
    turning_h: float
    refilling_h: float

    @property
    def hours(self) -> float:
        """All together."""
        return self.driving_h + self.turning_h + self.refilling_h


def work_plan(prescription: Prescription) -> WorkPlan | None:
    """
    The day's work, passes driven one after another, back and forth; None when nothing is applied.

    The product is shared evenly over the loads that the tank makes necessary, one where no tank is stated.
    """
    if prescription.total_product <= 0:
        return None
    settings = prescription.field.settings
    machine, job, treated = settings.machine, settings.this_pass, prescription.outline()
    swath_m = machine.swath_ft * FT_M
    passes = passes_over(treated, crs=prescription.grid.crs, swath_m=swath_m, heading_deg=machine.heading_deg)
    step_m = max(_STEP_M, float(shapely.area(treated)) / swath_m * _ACROSS / _MOST_PLACES)
    along = np.arange(passes.along_m[0] + step_m / 2, passes.along_m[1], step_m)
    beside = ((np.arange(_ACROSS) + 0.5) / _ACROSS - 0.5) * swath_m
    places = passes.to_field(
        along[None, :, None], passes.across_m[:, None, None] + beside
    )  # (passes, steps, across, 2)
    row, col, inside = prescription.grid.cells_of(places.reshape(-1, 2))
    zone = np.where(inside, prescription.zones.labels[row, col], 0).reshape(places.shape[:-1])
    per_ac = np.array([0.0, *(rate.product_per_ac for rate in prescription.rates)])[zone]
    ground_ac = step_m * swath_m / _ACROSS / AC_M2
    driven: NDArray[np.bool_] = np.any(zone > 0, axis=2)
    middle = passes.to_field(along[None, :], passes.across_m[:, None])
    order = np.arange(driven.size).reshape(driven.shape)
    order[1::2] = order[1::2, ::-1]  # back again
    steps = order.ravel()
    product = per_ac.sum(axis=2).ravel()[steps] * ground_ac
    acres = (per_ac > 0).sum(axis=2).ravel()[steps] * ground_ac
    scale, scale_ac = prescription.total_product / product.sum(), _treated_ac(prescription) / acres.sum()
    used, covered = np.cumsum(product) * scale, np.cumsum(acres) * scale_ac
    count = 1 if prescription.loads is None else prescription.loads.loads or 1
    change, loads, before_ac = transformer(prescription.grid.crs, "EPSG:4326"), [], 0.0
    for number in range(1, count + 1):
        end = min(int(np.searchsorted(used, used[-1] * number / count * (1 - 1e-9))), len(used) - 1)
        at = middle.reshape(-1, 2)[steps[end]]
        longitude, latitude = change.transform(*at)
        loads.append(Load(
            number=number, product=prescription.total_product / count, acres=float(covered[end]) - before_ac,
            on_pass=int(steps[end] // driven.shape[1]) + 1, at_m=(float(at[0]), float(at[1])),
            latitude=float(latitude), longitude=float(longitude),
        ))  # fmt: skip
        before_ac = float(covered[end])
    used_passes = np.flatnonzero(np.any(driven, axis=1))
    first = int(used_passes[0])
    ends = middle[first][np.flatnonzero(driven[first])[[0, -1]]]
    return WorkPlan(
        loads=tuple(loads), passes=len(used_passes), heading_deg=passes.heading_deg,
        first_pass_m=((float(ends[0, 0]), float(ends[0, 1])), (float(ends[1, 0]), float(ends[1, 1]))),
        driving_h=float(driven.sum()) * step_m / (machine.speed_mph * MPH_M_S) / 3600.0,
        turning_h=(len(used_passes) - 1) * job.turn_s / 3600.0, refilling_h=(count - 1) * job.refill_min / 60.0,
    )  # fmt: skip


def _treated_ac(prescription: Prescription) -> float:
    return math.fsum(rate.acres for rate in prescription.rates if rate.rate_n_lb_ac > 0)
