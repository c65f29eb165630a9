"""Ground that a machine covered, as its file tells it, and how much of its rate each spot of it got."""

import hashlib
import math
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.applied import RATE_UNITS, AppliedRecords, Footprints, footprints_of, read_applied
from vrn.audit.machine_log import read_machine_log
from vrn.audit.time_log import is_task_data, read_task_data
from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.applied import Covered, Short
from vrn.model.field import Field
from vrn.model.grid import transformer
from vrn.units import AC_M2, FT_M, GAL_AC_L_HA, LB_AC_KG_HA

Array = NDArray[np.float64]

WITHIN: Final = 0.10  # of the target: common practice, no source
_ALIKE: Final = 0.02  # up to which two columns of rates say the same amount of nitrogen
_MOST_CELLS: Final = 4_000_000
_SMALLEST_M2: Final = 10.0  # patches below this are the seams of the drawing, not of the work
_CLASSES: Final = (0.25, 0.5, 0.75, 1 - WITHIN)  # of the target: upper ends of what short ground is topped up by


@dataclass(frozen=True, slots=True, kw_only=True)
class Sold:
    """A product as rates are given in it: ``rate_unit`` is that of the prescription, ``n_lb_per_unit`` [lb N]."""

    name: str
    unit: Literal["gal", "lb"]
    n_lb_per_unit: float
    rate_unit: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """Ground of the records that count, with their nitrogen [lb N/ac], and how many do not count, by reason."""

    source: str
    prints: Footprints
    rate_n_lb_ac: Array
    dropped: dict[str, int]
    meter_factor: float
    narrowest_m: float
    findings: tuple[Finding, ...]


def read_laid(
    path: Path, sold: Sold, *, boundary: shapely.Geometry, never: shapely.Geometry, crs: str,
    rate_column: str | None = None, unit: str | None = None, width_m: float | None = None,
    else_width_m: float | None = None,
) -> Laid:  # fmt: skip
    """
    An as-applied file or a machine's own log as ground with nitrogen on it.

    Parameters
    ----------
    boundary, never : shapely.Geometry
        Of the field, and the ground that gets nothing, also beyond it; in ``crs``.
    rate_column, unit : str, optional
        As `vrn.audit.compare` takes them.
    width_m, else_width_m : float, optional
        Width of the machine whatever the file says, and where the file says none. [m]

    Raises
    ------
    InputFileError
        If the file cannot be read, its unit does not go with the product, or no record lies on the field.
    """
    if not is_task_data(path):
        records = read_applied(path, rate_column=rate_column)
    elif unit is not None:
        problem = f"{path.name} is a machine's own log, which says its unit itself."
        raise InputFileError(problem, "Leave --unit out.")
    else:
        records = read_machine_log(path, boundary=boundary, crs=crs, unit=sold.unit, element=rate_column,
                                   width_m=width_m if width_m is not None else else_width_m)  # fmt: skip
    findings: list[Finding] = list(records.findings)
    rate_n = _nitrogen(records, sold, unit, findings)
    shapes = shapely.transform(records.shapes, transformer(records.crs, crs).transform, interleaved=False)
    width = _widths(records, len(shapes), width_m, else_width_m)
    kept, dropped = _kept(records, shapes, rate_n, width, shapely.union(boundary, never))
    if not kept.any():
        problem = f"{records.source}: none of its {len(kept)} records lies on the field with a rate and a width."
        raise InputFileError(problem, "Check that it is this field's file, and which column holds the rate.")
    _must_be_one_product(records, kept & (rate_n > 0), unit)
    prints = footprints_of(records, shapes, width, kept)
    findings += _side_unknown(records, prints, rate_n, width)
    return Laid(
        source=records.source, prints=prints, rate_n_lb_ac=rate_n[prints.record], dropped=dropped,
        meter_factor=records.meter_factor, narrowest_m=records.narrowest_m, findings=tuple(findings),
    )  # fmt: skip


def _must_be_one_product(records: AppliedRecords, used: NDArray[np.bool_], unit: str | None) -> None:
    """Refuse rates of several products, whose nitrogen only one number for all could not be."""
    if records.products is None or "N" in (unit or records.unit or "").split("/")[0].upper().split():
        return
    names = sorted({name for name, use in zip(records.products, used, strict=True) if use and name})
    if len(names) > 1:
        problem = f"{records.source}: it holds rates of {len(names)} products ({', '.join(names)})."
        raise InputFileError(problem, "Give a column of nitrogen with --rate-column, or a file of one product.")


def _widths(records: AppliedRecords, count: int, width_m: float | None, else_width_m: float | None) -> Array | None:
    if width_m is not None:
        return np.full(count, width_m)
    if else_width_m is None:
        return records.width_m
    stated = np.full(count, np.nan) if records.width_m is None else records.width_m
    return np.where(np.isnan(stated), else_width_m, stated)


def _nitrogen(records: AppliedRecords, sold: Sold, unit: str | None, findings: list[Finding]) -> Array:
    """Rates as nitrogen. [lb N/ac]"""
    said = records.unit if unit is None else RATE_UNITS.get(" ".join(unit.lower().split()))
    if unit is not None and said is None:
        problem = f"“{unit}” is not a unit of a rate."
        raise InputFileError(problem, f"Give one of {', '.join(RATE_UNITS.values())}.")
    if said is None:
        said = sold.rate_unit
        findings.append(note("audit.unit-assumed", records.source, column=records.rate_column, unit=said))
    factors = _factors(sold)
    if said not in factors:
        problem = f"{records.source}: rates in {said} do not go with {sold.name}, sold by the {sold.unit}."
        raise InputFileError(problem, "Give the rate's unit with --unit, or the column of product with --rate-column.")
    rate_n = np.asarray(records.rate * factors[said])
    if unit is None:
        findings += _beside(records, factors, rate_n)
    return rate_n


def _factors(sold: Sold) -> dict[str, float]:
    """What one of each unit that goes with a product is in lb N/ac."""
    of_product = {"gal/ac": 1.0, "L/ha": 1.0 / GAL_AC_L_HA} if sold.unit == "gal" else {
        "lb/ac": 1.0, "kg/ha": 1.0 / LB_AC_KG_HA}  # fmt: skip
    of_n = {"lb N/ac": 1.0, "kg N/ha": 1.0 / LB_AC_KG_HA}
    return of_n | {name: factor * sold.n_lb_per_unit for name, factor in of_product.items()}


def _beside(records: AppliedRecords, factors: dict[str, float], rate_n: Array) -> Iterator[Finding]:
    """Other columns of rates that say another amount of nitrogen, or one of another product: a person chooses."""
    for name, said, rate in records.beside:
        if said is None or not np.nansum(np.abs(rate)) > 0:
            continue
        both = np.isfinite(rate) & np.isfinite(rate_n)
        other = factors[said] * rate[both] if said in factors else None
        if other is None or abs(other.sum() - rate_n[both].sum()) > _ALIKE * max(rate_n[both].sum(), other.sum()):
            yield warning("audit.other-rate", records.source, column=records.rate_column, other=name, unit=said)


def _kept(
    records: AppliedRecords, shapes: NDArray[np.object_], rate_n: Array, width_m: Array | None, ground: shapely.Geometry
) -> tuple[NDArray[np.bool_], dict[str, int]]:
    """Records that count for ground of this field, and why the others do not."""
    shapely.prepare(ground)
    inside = shapely.intersects(ground, shapes if records.are_points else shapely.point_on_surface(shapes))
    reasons = [("no_rate", ~np.isfinite(rate_n)), ("negative_rate", rate_n < 0), ("outside", ~inside)]
    if records.are_points:
        if width_m is not None:
            reasons.append(("no_width", ~(width_m > 0)))
        stopped = np.zeros(len(shapes), dtype=bool)
        if records.speed_m_s is not None:
            stopped |= records.speed_m_s <= 0.05
        if records.distance_m is not None:
            stopped |= records.distance_m <= 0
        reasons.append(("stopped", stopped))
    kept = np.ones(len(shapes), dtype=bool)
    dropped: dict[str, int] = {}
    for why, mask in reasons:
        dropped[why] = int(np.sum(mask & kept))
        kept &= ~mask
    return kept, dropped


def _side_unknown(
    records: AppliedRecords, prints: Footprints, rate_n: Array, width_m: Array | None
) -> tuple[Finding, ...]:
    """Whether part of the boom was off and the file does not say on which side."""
    if width_m is None or not records.are_points or records.sections is not None or records.right_m is not None:
        return ()
    width = width_m[prints.record]
    partly = (width < (1 - WITHIN) * np.nanmax(width)) & (rate_n[prints.record] > 0)
    acres = float(prints.area_m2[partly].sum()) / AC_M2
    return (warning("audit.side-unknown", records.source, area=Quantity("area", acres)),) if acres >= 0.1 else ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AppliedMap:
    """
    What each spot got, on a raster of half a metre (coarser on large fields); every array has shape (rows, cols).

    Parameters
    ----------
    zone : ndarray of int
        Number of the zone a spot lies in, 0 off the treated ground.
    target, applied : ndarray
        Rate of the zone, and the sum of what was laid there. [lb N/ac]
    times : ndarray of int
        How often something was laid there.
    """

    transform: Any
    zone: NDArray[np.int32]
    target: Array
    applied: Array
    times: NDArray[np.int32]

    @classmethod
    def of(
        cls, polygons: NDArray[np.object_], rate_n_lb_ac: Array, zones: Mapping[int, tuple[shapely.Geometry, float]]
    ) -> "AppliedMap":
        """The map of zones by number, each with its outline and its target. [lb N/ac]"""
        from rasterio.enums import MergeAlg
        from rasterio.features import rasterize
        from rasterio.transform import Affine

        west, south, east, north = shapely.total_bounds([outline for outline, _ in zones.values()])
        cell = max(0.5, math.sqrt((east - west) * (north - south) / _MOST_CELLS))
        shape = (max(1, math.ceil((north - south) / cell)), max(1, math.ceil((east - west) / cell)))
        grid = Affine(cell, 0.0, west, 0.0, -cell, north)
        zone = rasterize([(outline, number) for number, (outline, _) in zones.items()], out_shape=shape, transform=grid,
                         dtype="int32")  # fmt: skip
        target = np.zeros(shape)
        for number, (_, rate) in zones.items():
            target[zone == number] = rate
        laid = np.flatnonzero(rate_n_lb_ac > 0)

        def summed(values: Sequence[float], dtype: str) -> Any:
            burnt = list(zip(polygons[laid], values, strict=True))
            return (rasterize(burnt, out_shape=shape, transform=grid, merge_alg=MergeAlg.add, dtype=dtype)
                    if burnt else np.zeros(shape, dtype=dtype))  # fmt: skip

        return cls(
            transform=grid, zone=zone, target=target, applied=summed(rate_n_lb_ac[laid].tolist(), "float64"),
            times=summed([1] * len(laid), "int32"),
        )  # fmt: skip

    @property
    def cell_ac(self) -> float:
        """Ground of a spot. [ac]"""
        return float(self.transform.a) ** 2 / AC_M2

    @property
    def missed(self) -> NDArray[np.bool_]:
        """Spots with a target that got nothing."""
        return np.asarray((self.target > 0) & (self.times == 0))

    @property
    def short(self) -> NDArray[np.bool_]:
        """Spots that got something, and less than 90 % of their target."""
        return np.asarray((self.times > 0) & (self.applied < (1 - WITHIN) * self.target - 1e-6))

    @property
    def over(self) -> NDArray[np.bool_]:
        """Spots of a zone that got more than 110 % of their target."""
        return np.asarray((self.zone > 0) & (self.applied > (1 + WITHIN) * self.target + 1e-6))

    def patches(self, mask: NDArray[np.bool_]) -> shapely.Geometry:
        """Ground of a mask, patches below 10 m² left out."""
        from rasterio.features import shapes

        found = [shapely.geometry.shape(outline)
                 for outline, _ in shapes(mask.astype(np.uint8), mask=mask, transform=self.transform)]  # fmt: skip
        return shapely.union_all([patch for patch in found if patch.area >= _SMALLEST_M2])


def covered(
    path: str | Path, field: Field, sold: Sold, zones: Mapping[int, tuple[shapely.Geometry, float]]
) -> Covered:  # fmt: skip
    """
    Ground of a field that a file says is covered, and what of it got too little.

    Parameters
    ----------
    path : path
        As `vrn.audit.compare` takes it.
    zones : mapping of int to (Polygon or MultiPolygon, float)
        Outline in the field's system and rate of each zone by its number. [lb N/ac]

    Raises
    ------
    InputFileError
        As `read_laid`; or if nothing was applied on the field.

    Notes
    -----
    Covered is what lies under sections that were on with a rate above zero. Strips between passes that are narrower
    than half a section count as covered. Ground that got less than 90 % of its rate is covered and short.
    """
    path, machine = Path(path), field.settings.machine
    swath_m = machine.swath_ft * FT_M
    laid = read_laid(path, sold, boundary=field.boundary, never=field.no_apply, crs=field.crs, else_width_m=swath_m)
    polygons = laid.prints.polygons[laid.rate_n_lb_ac > 0]
    narrowest_m = min(swath_m / machine.sections, laid.narrowest_m)
    driven = shapely.union_all(shapely.make_valid(polygons, method="structure"))
    ground = shapely.intersection(
        shapely.buffer(shapely.buffer(driven, narrowest_m / 4), -narrowest_m / 4), field.boundary
    )
    if ground.is_empty:
        problem = f"{path.name}: it covers none of the field."
        raise InputFileError(problem, "Check that it is of this field and that its rates are above zero.")
    spots = AppliedMap.of(laid.prints.polygons, laid.rate_n_lb_ac, zones)
    share = float(shapely.area(ground) / shapely.area(field.boundary))
    findings = [*laid.findings, note("audit.ground-covered", path.name, share=Quantity("share", share),
                                     area=Quantity("area", float(shapely.area(ground)) / AC_M2))]  # fmt: skip
    short_ac, missing = float(spots.short.sum()) * spots.cell_ac, (spots.target - spots.applied)[spots.short]
    if short_ac >= 0.1:
        findings.append(warning("audit.short-ground", path.name, area=Quantity("area", short_ac),
                                missing=Quantity("mass", float(missing.sum()) * spots.cell_ac)))  # fmt: skip
    at = spots.zone > 0
    return Covered(
        ground=ground, crs=field.crs, n_lb=float(spots.applied[at].sum()) * spots.cell_ac, narrowest_m=narrowest_m,
        short=_short(spots, ground, zones, narrowest_m), short_ac=short_ac, findings=tuple(findings),
        inputs=_inputs(path, field.folder),
    )  # fmt: skip


def _short(
    spots: AppliedMap, ground: shapely.Geometry, zones: Mapping[int, tuple[shapely.Geometry, float]], narrowest_m: float
) -> tuple[Short, ...]:
    """Short ground as wide as a section, by zone and by how much of its rate it got at most."""
    found, bottom, taken = [], 0.0, shapely.Polygon()
    for top in _CLASSES:
        mask = spots.short & (spots.applied >= bottom * spots.target) & (spots.applied < top * spots.target)
        for number, (outline, rate) in zones.items():
            patches = shapely.simplify(spots.patches(mask & (spots.zone == number)), float(spots.transform.a))
            wide = shapely.buffer(shapely.buffer(patches, -narrowest_m / 2.2, join_style="mitre"), narrowest_m / 2.2,
                                  join_style="mitre")  # fmt: skip
            here = shapely.difference(shapely.intersection_all([wide, ground, outline]), taken)
            if not here.is_empty:
                taken = shapely.union(taken, here)
                found.append(Short(zone=number, missing_n_lb_ac=(1 - top) * rate, ground=here))
        bottom = top
    return tuple(found)


def _inputs(path: Path, folder: Path) -> dict[str, str]:
    """Files that were read, relative to the field's folder, with their SHA-256."""
    base = Path(os.path.relpath(path.resolve(), folder))
    if is_task_data(path):
        files = {(base / name).as_posix(): content for name, content in sorted(read_task_data(path).files.items())}
    else:
        files = {base.as_posix(): path.read_bytes()}
    return {name: hashlib.sha256(content).hexdigest() for name, content in files.items()}
