"""The day's work of one field: even loads along the passes, where each runs out, and the hours it takes."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.grid import transformer
from vrn.prescription.drive import cells_touched
from vrn.prescription.model import Prescription
from vrn.prescription.passes import Part, Stations, way_over
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
    """Loads in the order they are driven, rounds first, then passes from the left; hours of driving, turns, refills."""

    loads: tuple[Load, ...]
    passes: int
    rounds: int  # of the passes along the edge
    heading_deg: float
    start: tuple[float, float]  # latitude, longitude of the first straight pass
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
    The day's work, pass after pass; None when nothing is applied.

    The product is shared evenly over the loads that the tank makes necessary, one where no tank is stated.
    """
    if prescription.total_product <= 0:
        return None
    settings = prescription.field.settings
    machine, job, treated = settings.machine, settings.this_pass, prescription.outline()
    swath_m = machine.swath_ft * FT_M
    way = way_over(treated, crs=prescription.grid.crs, machine=machine, lines=prescription.field.lines)
    step_m = max(_STEP_M, float(shapely.area(treated)) / swath_m * _ACROSS / _MOST_PLACES)
    per_ac = np.array([0.0, *(rate.product_per_ac for rate in prescription.rates)])
    driven = [one for part in way.parts for one in _lines(prescription, part, step_m, swath_m)]
    place, zone, on_pass = (np.concatenate(each) for each in zip(*driven, strict=True))
    ground_ac = step_m * swath_m / _ACROSS / AC_M2
    product, acres = per_ac[zone].sum(axis=1) * ground_ac, (per_ac[zone] > 0).sum(axis=1) * ground_ac
    scale, scale_ac = prescription.total_product / product.sum(), _treated_ac(prescription) / acres.sum()
    used, covered = np.cumsum(product) * scale, np.cumsum(acres) * scale_ac
    count = 1 if prescription.loads is None else prescription.loads.loads or 1
    change, loads, before_ac = transformer(prescription.grid.crs, "EPSG:4326"), [], 0.0
    for number in range(1, count + 1):
        end = min(int(np.searchsorted(used, used[-1] * number / count * (1 - 1e-9))), len(used) - 1)
        longitude, latitude = change.transform(*place[end])
        loads.append(Load(
            number=number, product=prescription.total_product / count, acres=float(covered[end]) - before_ac,
            on_pass=int(on_pass[end]), at_m=(float(place[end, 0]), float(place[end, 1])),
            latitude=float(latitude), longitude=float(longitude),
        ))  # fmt: skip
        before_ac = float(covered[end])
    used_passes = np.unique(on_pass)
    straight = used_passes[used_passes > way.rounds]
    first = place[on_pass == (straight if len(straight) else used_passes)[0]]
    start = change.transform(*first[0])
    return WorkPlan(
        start=(float(start[1]), float(start[0])),
        loads=tuple(loads), passes=len(used_passes), rounds=way.rounds, heading_deg=way.passes.heading_deg,
        first_pass_m=((float(first[0, 0]), float(first[0, 1])), (float(first[-1, 0]), float(first[-1, 1]))),
        driving_h=len(place) * step_m / (machine.speed_mph * MPH_M_S) / 3600.0,
        turning_h=(len(used_passes) - 1) * job.turn_s / 3600.0, refilling_h=(count - 1) * job.refill_min / 60.0,
    )  # fmt: skip


def _lines(
    prescription: Prescription, part: Part, step_m: float, swath_m: float
) -> Iterator[tuple[NDArray[np.float64], NDArray[np.intp], NDArray[np.intp]]]:
    """Line by line as they are driven the steps over treated ground: place, zones under the boom, number of the pass.

    Straight passes are driven back and forth.
    """
    stations, grid = Stations.on(part.lines, step_m), prescription.grid
    beside = stations.beside(((np.arange(_ACROSS) + 0.5) / _ACROSS - 0.5) * swath_m)
    row, col, inside = grid.cells_of(beside.reshape(-1, 2))
    elsewhere = cells_touched(grid, shapely.buffer(part.elsewhere, -grid.cell_m / 2))
    zone = np.where(inside & ~elsewhere[row, col], prescription.zones.labels[row, col], 0).reshape(beside.shape[:-1])
    on = np.any(zone > 0, axis=2) & stations.there
    for number, of_pass in enumerate(part.of_pass):
        steps = np.flatnonzero(on[:, number])[:: 1 if part.crooked or number % 2 == 0 else -1]
        yield stations.place_m[steps, number], zone[steps, number], np.full(len(steps), of_pass)


def _treated_ac(prescription: Prescription) -> float:
    return math.fsum(rate.acres for rate in prescription.rates if rate.rate_n_lb_ac > 0)
