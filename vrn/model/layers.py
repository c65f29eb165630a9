"""What is known of the field besides the nitrate samples: layers, harvests, weather, a trial of its own."""

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from vrn import door
from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid


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

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PolygonLayer:
    """Values of areas, ``polygons`` an object array of shapely polygons in ``crs``, ``values`` shape (n,)."""

    name: str
    crs: str
    polygons: NDArray[np.object_]
    values: NDArray[np.float64]
    source: str

    __repr__ = door.brief


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterLayer:
    """Values on a raster of its own, already warped north-up into the field's system (``grid.crs``)."""

    name: str
    grid: Grid
    values: NDArray[np.float64]
    source: str

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


Layer = ConstantLayer | PointLayer | PolygonLayer | RasterLayer | YieldLogLayer


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weather:
    """Days in order, ``tmin_f``, ``tmax_f`` [°F] and ``rain_in`` [in], each shape (n,); NaN where not recorded."""

    days: tuple[date, ...]
    tmin_f: NDArray[np.float64]
    tmax_f: NDArray[np.float64]
    rain_in: NDArray[np.float64]
    source: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NitrogenTrial:
    """What was applied in all, and what was harvested, plot by plot.

    Raises OutOfRangeError if the columns differ in length.
    """

    n_lb_ac: NDArray[np.float64]  # total nitrogen of the season, shape (n,)
    yield_bu_ac: NDArray[np.float64]  # shape (n,)
    block: tuple[str, ...]  # replicate, zone or strip pair; empty texts when the file names none
    source: str  # file, for messages

    def __post_init__(self) -> None:
        if not len(self.n_lb_ac) == len(self.yield_bu_ac) == len(self.block):
            problem = f"The columns of {self.source} differ in length."
            raise OutOfRangeError(problem, "Give every column one value for each plot.")
