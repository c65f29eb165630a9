"""What is known of the field besides the nitrate samples: layers, harvests, weather."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn import door
from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid

YEAR = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
"""A year in a column's name."""
_FEWEST_PLACES = 30  # that two years must share to be compared


@dataclass(frozen=True, slots=True, kw_only=True)
class ConstantLayer:
    """One value for the whole field, in the unit that ends ``name``."""

    name: str
    value: float
    source: str = "field file"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PointLayer:
    """Values at points, ``coordinates_m`` shape (n, 2) in ``crs``, ``values`` shape (n,)."""

    name: str
    crs: str
    coordinates_m: NDArray[np.float64]
    values: NDArray[np.float64]
    source: str
    years_alike: float | None = None  # how far the years it is the mean of agree; None where it is of one

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PolygonLayer:
    """Values of areas, ``polygons`` an object array of shapely polygons in ``crs``, ``values`` shape (n,)."""

    name: str
    crs: str
    polygons: NDArray[np.object_]
    values: NDArray[np.float64]
    source: str
    years_alike: float | None = None  # how far the years it is the mean of agree; None where it is of one

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterLayer:
    """Values on a raster of its own, already warped north-up into the field's system (``grid.crs``)."""

    name: str
    grid: Grid
    values: NDArray[np.float64]
    source: str
    years_alike: float | None = None  # how far the years it is the mean of agree; None where it is of one

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class YieldLog:
    """Records of one harvest as the machine wrote them, in the order of the file.

    Raises OutOfRangeError if the columns differ in length.
    """

    source: str  # file, for messages
    season: int | None = None  # year of the harvest; None where neither the file nor its name says it
    # easting, northing of the record in the layer's system; NaN where it has none, shape (n, 2)
    coordinates_m: NDArray[np.float64]
    yield_bu_ac: NDArray[np.float64]  # dry yield as logged; NaN where the record has none, shape (n,)
    # seconds since any fixed moment. This and what follows: None where the file has no such column, NaN where a
    # record has no value; shape (n,)
    time_s: NDArray[np.float64] | None = None
    moisture_pct: NDArray[np.float64] | None = None  # grain moisture, shape (n,)
    speed_m_s: NDArray[np.float64] | None = None  # ground speed, shape (n,)
    swath_m: NDArray[np.float64] | None = None  # width that was cut, shape (n,)
    header_down: NDArray[np.bool_] | None = None  # whether the header was at work, shape (n,)
    pass_id: NDArray[np.intp] | None = None  # pass as the file numbers them, shape (n,)
    machine_id: NDArray[np.intp] | None = None  # which of several harvesters wrote the record, shape (n,)
    fields: tuple[str, ...] = ()  # names of fields that the records say, in the order of the alphabet

    __repr__ = door.brief

    def __post_init__(self) -> None:
        columns = (self.yield_bu_ac, self.time_s, self.moisture_pct, self.speed_m_s, self.swath_m, self.header_down,
                   self.pass_id, self.machine_id)  # fmt: skip
        if any(column is not None and len(column) != len(self.coordinates_m) for column in columns):
            problem = f"The columns of {self.source} differ in length."
            raise OutOfRangeError(problem, "Give every column one value for each record.")

    def __len__(self) -> int:
        return len(self.coordinates_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class YieldLogLayer:
    """Harvests of one field, ``logs`` a tuple of `YieldLog` (several files, several years) in ``crs``."""

    name: str
    crs: str
    logs: tuple[YieldLog, ...]
    source: str

    __repr__ = door.brief

    @staticmethod
    def alike(years: Sequence[NDArray[np.float64]]) -> float | None:
        """Mean correlation of maps of the same places, pair by pair; None where no two vary on 30 places they share."""
        found = []
        for one, other in combinations(years, 2):
            both = np.isfinite(one) & np.isfinite(other)
            if both.sum() >= _FEWEST_PLACES and np.ptp(one[both]) > 0 and np.ptp(other[both]) > 0:
                found.append(float(np.corrcoef(one[both], other[both])[0, 1]))
        return sum(found) / len(found) if found else None


MappedLayer = PointLayer | PolygonLayer | RasterLayer


def mean_of_years(years: Sequence[MappedLayer]) -> MappedLayer:
    """
    One layer of several years' maps of the same places: how each place does in the years it has, on the years' mean.

    A year counts by what a place is of the mean over the places that all years have, so that a dry year is no weaker
    map than a wet one, and one that stops half-way draws no border.
    """
    first = years[0]
    keys = [_places(year) for year in years]
    row = {key: i for i, key in enumerate(dict.fromkeys(key for own in keys for key in own))}
    found = np.full((len(years), len(row)), np.nan)
    for values, own, year in zip(found, keys, years, strict=True):
        values[[row[key] for key in own]] = year.values.ravel()
    shared = np.isfinite(found).all(axis=0)
    of_all = found[:, shared] if shared.any() else found
    means = np.nanmean(of_all, axis=1, keepdims=True)
    count = np.isfinite(found).sum(axis=0)
    total = np.nansum(found / means, axis=0)
    mean = float(means.mean()) * np.divide(total, count, out=np.full(len(row), np.nan), where=count > 0)
    alike = YieldLogLayer.alike(list(found))
    if isinstance(first, RasterLayer):
        return replace(first, values=mean.reshape(first.values.shape), years_alike=alike)
    from_year = {key: (year, i) for own, year in zip(keys, years, strict=True) for i, key in enumerate(own)}
    picked = [from_year[key] for key in row]
    if isinstance(first, PointLayer):
        places = np.array([year.coordinates_m[i] for year, i in picked if isinstance(year, PointLayer)])
        return replace(first, coordinates_m=places, values=mean, years_alike=alike)
    areas = np.array([year.polygons[i] for year, i in picked if isinstance(year, PolygonLayer)], dtype=object)
    return replace(first, polygons=areas, values=mean, years_alike=alike)


def _places(layer: MappedLayer) -> list[tuple[object, int]]:
    """What tells each value's place from the others, in their order; the second at one place is another."""
    if isinstance(layer, RasterLayer):
        return [(i, 0) for i in range(layer.values.size)]
    keys = map(bytes, layer.coordinates_m) if isinstance(layer, PointLayer) else shapely.to_wkb(layer.polygons).tolist()
    seen = Counter[object]()
    found = []
    for key in keys:
        found.append((key, seen[key]))
        seen[key] += 1
    return found


Layer = ConstantLayer | PointLayer | PolygonLayer | RasterLayer | YieldLogLayer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """Days in order, ``tmin_f``, ``tmax_f`` [°F] and ``rain_in`` [in], each shape (n,); NaN where not recorded."""

    days: tuple[date, ...]
    tmin_f: NDArray[np.float64]
    tmax_f: NDArray[np.float64]
    rain_in: NDArray[np.float64]
    source: str
