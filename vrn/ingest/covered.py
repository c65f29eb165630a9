"""As-applied files, points of a pass or polygons, as the ground that is already covered."""

from pathlib import Path

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.findings import Quantity
from vrn.ingest import ranges
from vrn.ingest.cells import Columns, RowFaults, numbers
from vrn.ingest.gate import Gate
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.points import PlacedRows, read_rows_or_areas
from vrn.ingest.table import CellTable
from vrn.model.applied import Covered
from vrn.model.field import Field
from vrn.units import AC_M2, FT_M, LB_AC_KG_HA, MPH_M_S

_NITROGEN = {"n_lb_ac": 1.0, "rate_n_lb_ac": 1.0, "applied_n_lb_ac": 1.0, "n_kg_ha": 1.0 / LB_AC_KG_HA}
_OTHER_RATES = ("rate", "applied_rate", "rate_product", "gal_ac", "lb_ac", "l_ha", "kg_ha")
_ROLES = (*_NITROGEN, *_OTHER_RATES, "swath_ft", "swath_m", "speed_mph", "speed_m_s")
_KEY = "the as-applied file"
_GAP_STEPS = 5.0  # a gap of so many usual steps ends a pass
_CLOSED_SHARE = 0.25  # of a swath: uncovered strips narrower than twice this are no pass of their own
_SLOWEST_MPH = 0.3


def read_covered(path: str | Path, field: Field) -> Covered:
    """
    Ground that an as-applied file says is covered.

    Parameters
    ----------
    path : str or Path
        CSV, Excel, shapefile, GeoPackage, GeoJSON: points in the order they were driven, with a rate (n_lb_ac, n_kg_ha,
        or any rate of product) and, if known, swath_ft or swath_m; or polygons with a rate.
    field : Field
        Gives system, boundary and, where the file has none, the swath.

    Raises
    ------
    InputFileError
        If the file cannot be read, has no rate, or covers none of the field.

    Notes
    -----
    A pass is the run of points with a rate above zero, without a gap of more than five usual steps, as wide as the
    swath. Strips left between passes that are narrower than half a swath count as covered.
    """
    path = Path(path)
    files = InputFiles(field.folder)
    source = files.source(str(path.resolve()), _KEY)
    source = Source(path=source.path, name=path.name, key=_KEY, part=source.part)
    swath_m = field.settings.machine.swath_ft * FT_M
    found = read_rows_or_areas(files, source, crs=field.crs, key=_KEY, roles=_ROLES, lenient=True)
    gate = Gate(files=files, source=source, section="", accept=None)
    if isinstance(found, PlacedRows):
        ground, n_lb = _driven(gate, found, swath_m)
    else:
        ground, n_lb = _laid(gate, found.polygons, found.table)
    ground = shapely.intersection(ground, field.boundary)
    share = shapely.area(ground) / shapely.area(field.boundary)
    if share == 0:
        source.refuse(
            "it covers none of the field.", "Check that it is of this field and that its rates are above zero."
        )
    area = Quantity("area", float(shapely.area(ground)) / AC_M2)
    files.note("ingest.ground-covered", source, share=Quantity("share", float(share)), area=area)
    return Covered(ground=ground, crs=field.crs, n_lb=n_lb, findings=tuple(files.findings), inputs=files.inputs)


def _rate(gate: Gate, columns: Columns) -> tuple[NDArray[np.float64], bool]:
    """Rates as they stand, nitrogen in lb/ac where the file says so; whether they are nitrogen."""
    name = next((name for name in (*_NITROGEN, *_OTHER_RATES) if columns.find(name) is not None), None)
    if name is None:
        gate.source.refuse(
            f"there is no rate (columns: {columns.table.named}).",
            "Name the column n_lb_ac (or n_kg_ha); a rate of product as rate_product will do.",
        )
    faults, column = RowFaults(columns.table), columns.need(name)
    rate = numbers(columns.table, column, faults) * _NITROGEN.get(name, 1.0)
    for i in np.flatnonzero(rate < 0):
        faults.add(columns.table.row[i], f"{column} is {rate[i]:g}", "A rate is 0 or more.")
    faults.raise_if_any()
    if name in _NITROGEN:
        ranges.judge(gate, ranges.APPLIED, rate)
    return rate, name in _NITROGEN


def _driven(gate: Gate, places: PlacedRows, swath_m: float) -> tuple[shapely.Geometry, float | None]:
    """Passes as wide as the swath, and the nitrogen on them."""
    rate, nitrogen = _rate(gate, places.columns)
    width_m = _width(places.columns, swath_m)
    xy = places.coordinates_m
    on = (rate > 0) & np.isfinite(xy).all(axis=1) & _moving(places.columns)
    step_m = np.hypot(*np.diff(xy, axis=0).T) if len(xy) > 1 else np.zeros(0)
    together = on[1:] & on[:-1]
    usual_m = float(np.median(step_m[together])) if together.any() else 0.0
    joined = together & (step_m <= max(_GAP_STEPS * usual_m, 1.0))
    runs = np.split(np.arange(len(xy)), np.flatnonzero(~joined) + 1)
    strips = [
        shapely.buffer(shapely.LineString(xy[run]), float(np.median(width_m[run])) / 2, cap_style="flat", quad_segs=4)
        for run in runs
        if len(run) > 1
    ]
    if not strips:
        gate.source.refuse(
            "it holds no pass of two points or more with a rate above zero.",
            "Check the rates, and that the points are in the order they were driven.",
        )
    reach_m = _CLOSED_SHARE * swath_m
    ground = shapely.buffer(shapely.buffer(shapely.union_all(strips), reach_m), -reach_m)
    if not nitrogen:
        return ground, None
    acres = np.zeros(len(xy))
    acres[1:][joined] = (step_m * width_m[1:])[joined] / AC_M2
    return ground, float(np.nansum(np.where(on, rate, 0.0) * acres))


def _width(columns: Columns, swath_m: float) -> NDArray[np.float64]:
    for name, factor in (("swath_m", 1.0), ("swath_ft", FT_M)):
        column = columns.find(name)
        if column is not None:
            faults = RowFaults(columns.table)
            width = numbers(columns.table, column, faults) * factor
            for i in np.flatnonzero((width < 0) | (width > 100)):
                faults.add(columns.table.row[i], f"{column} is {width[i] / factor:g}", "Check the swath and its unit.")
            faults.raise_if_any()
            return np.where(np.isnan(width), swath_m, width)
    return np.full(len(columns.table), swath_m)


def _moving(columns: Columns) -> NDArray[np.bool_]:
    for name, factor in (("speed_mph", 1.0), ("speed_m_s", 1 / MPH_M_S)):
        column = columns.find(name)
        if column is not None:
            faults = RowFaults(columns.table)
            speed_mph = numbers(columns.table, column, faults) * factor
            faults.raise_if_any()
            return ~(speed_mph < _SLOWEST_MPH)
    return np.ones(len(columns.table), dtype=bool)


def _laid(gate: Gate, polygons: NDArray[np.object_], table: CellTable) -> tuple[shapely.Geometry, float | None]:
    """Polygons with a rate above zero, and the nitrogen on them."""
    rate, nitrogen = _rate(gate, Columns(table, None, key=_KEY, roles=_ROLES))
    on = rate > 0
    if not on.any():
        return shapely.MultiPolygon(), None
    n_lb = float(np.sum(rate[on] * shapely.area(polygons[on]) / AC_M2)) if nitrogen else None
    return shapely.union_all(polygons[on]), n_lb
