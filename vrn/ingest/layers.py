"""What is known of the field besides nitrate: each layer from points, polygons, a raster or one value."""

from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Kind, Quantity
from vrn.ingest.cells import Columns, RowFaults, numbers
from vrn.ingest.input_files import InputFiles, Source, recognize
from vrn.ingest.outline import read_areas
from vrn.ingest.points import LATITUDE, LONGITUDE, PlacedRows, read_rows_or_areas
from vrn.ingest.table import CellTable
from vrn.ingest.yield_log import read_yield_logs
from vrn.model.layers import ConstantLayer, Layer, PointLayer, PolygonLayer
from vrn.model.settings import Settings
from vrn.units import BU_AC_T_HA, LB_AC_KG_HA

_REACH_M = 100.0  # areas further from the field are not kept
_ELSEWHERE = "Check that it is of this field, its system, and the order of its coordinates."


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSpec:
    """
    What a layer is: the columns it is usually found in, what its values can be, and what they likely are.

    Parameters
    ----------
    name : str
        Of the layer, its unit at the end.
    usual : tuple of str
        Column names taken when the field file names none.
    least, most : float
        Values beyond these are no such quantity and are refused.
    likely : tuple of float
        Values beyond these raise a finding.
    code, kind : str
        Of that finding, and of the values in it.
    doubt : str
        What values that are refused usually mean.
    factor : float
        From the file's unit, in which the limits above are, to that of the layer.
    """

    name: str
    usual: tuple[str, ...]
    least: float = -1e12
    most: float = 1e12
    likely: tuple[float, float] = (-1e12, 1e12)
    code: str = ""
    kind: Kind = "number"
    doubt: str = ""
    factor: float = 1.0


_ORGANIC_MATTER = LayerSpec(
    name="organic_matter_pct", usual=("organic_matter_pct", "om_pct", "organic_matter", "om"), least=0.0, most=100.0,
    likely=(0.3, 15.0), code="ingest.unlikely-organic-matter", kind="organic_matter",
    doubt="Give percent of soil weight; mineral soils hold 0.5 to 8.",
)  # fmt: skip
_RELATIVE = LayerSpec(
    name="yield_potential", usual=("yield_potential", "relative_yield", "relative"), least=0.0, most=1e4,
    likely=(0.2, 2.5), code="ingest.unlikely-relative-yield",
    doubt='A relative layer has a mean near 1; for bushels set kind = "bu_ac".',
)  # fmt: skip
_YIELD = LayerSpec(
    name="yield_bu_ac", usual=("yield_bu_ac", "yield_potential", "yield"), least=0.0, most=600.0, likely=(20.0, 400.0),
    code="ingest.unlikely-yield", kind="yield",
    doubt='Give bushels per acre; for a layer with a mean of 1 set kind = "relative".',
)  # fmt: skip
_YIELD_T_HA = replace(
    _YIELD, usual=("yield_t_ha", "yield_potential", "yield"), most=38.0, likely=(1.2, 25.0),
    doubt='Give tonnes per hectare; for a layer with a mean of 1 set kind = "relative".', factor=1.0 / BU_AC_T_HA,
)  # fmt: skip
_APPLIED = LayerSpec(
    name="applied_n_lb_ac", usual=("applied_n_lb_ac", "n_lb_ac", "applied_n"), least=0.0, most=1000.0,
    likely=(0.0, 300.0), code="ingest.unlikely-applied-n", kind="rate",
    doubt="Give pounds of nitrogen per acre, not of product.",
)  # fmt: skip
_APPLIED_KG_HA = replace(
    _APPLIED, usual=("applied_n_kg_ha", "n_kg_ha", "applied_n"), most=1120.0, likely=(0.0, 336.0),
    doubt="Give kilograms of nitrogen per hectare, not of product.", factor=1.0 / LB_AC_KG_HA,
)  # fmt: skip
_ZONE = LayerSpec(name="zone", usual=("zone", "zone_id", "id"), least=1.0, most=254.0, likely=(1.0, 254.0))


def read_layers(files: InputFiles, settings: Settings, boundary: shapely.Geometry, crs: str) -> dict[str, Layer | None]:
    """
    Every layer that the field file names.

    Returns
    -------
    layers : dict of str to Layer or None
        ``organic_matter``, ``yield_potential``, ``applied_n``, ``zones`` and each extra layer by ``extra.NAME``, in
        ``crs``, the field's projected system, in which ``boundary`` is.

    Raises
    ------
    InputFileError
        If one cannot be used.
    """
    given, layers = settings.layers, dict[str, Layer | None]()
    organic, potential, applied = given.organic_matter, given.yield_potential, given.applied_n
    if organic is not None and organic.value_pct is not None:
        layers["organic_matter"] = ConstantLayer(name=_ORGANIC_MATTER.name, value=organic.value_pct)
    elif organic is not None and organic.file is not None:
        layers["organic_matter"] = read_layer(
            files, organic.file, "layers.organic_matter", _ORGANIC_MATTER, boundary, crs, column=organic.column,
            given_crs=organic.crs,
        )  # fmt: skip
    if potential is not None and potential.kind == "yield_log":
        layers["yield_potential"] = read_yield_logs(files, potential, boundary, crs)
    elif potential is not None:
        spec = {"relative": _RELATIVE, "bu_ac": _YIELD, "t_ha": _YIELD_T_HA}[potential.kind]
        if potential.value is not None:
            layers["yield_potential"] = ConstantLayer(name=spec.name, value=potential.value * spec.factor)
        elif potential.file is not None:
            layers["yield_potential"] = read_layer(
                files, potential.file, "layers.yield_potential", spec, boundary, crs, column=potential.column,
                given_crs=potential.crs,
            )  # fmt: skip
    if applied is not None:
        column = (applied.column or "").lower()  # an ending _lb_ac or _kg_ha settles the unit, else the field file
        metric = column.endswith("_kg_ha") or (settings.units == "metric" and not column.endswith("_lb_ac"))
        layers["applied_n"] = read_layer(
            files, applied.file, "layers.applied_n", _APPLIED_KG_HA if metric else _APPLIED, boundary, crs,
            column=applied.column, given_crs=applied.crs,
        )  # fmt: skip
    if settings.zones.file is not None:
        layers["zones"] = _read_zones(files, settings.zones.file, settings.zones.column, boundary, crs)
    for i, extra in enumerate(given.extra, 1):
        spec = LayerSpec(name=extra.name, usual=(extra.name,))
        layers[f"extra.{extra.name}"] = read_layer(
            files, extra.file, f"layers.extra[{i}]", spec, boundary, crs, column=extra.column, given_crs=extra.crs
        )
    return layers


def read_layer(
    files: InputFiles,
    file: str,
    key: str,
    spec: LayerSpec,
    boundary: shapely.Geometry,
    crs: str,
    *,
    column: str | None = None,
    given_crs: str | None = None,
) -> Layer:
    """
    One layer from points, polygons or a raster.

    Parameters
    ----------
    file, key : str
        Name and key path of its table in the field file.
    spec : LayerSpec
    boundary : shapely.Geometry
        In ``crs``, the field's projected system.
    column : str, optional
        Column (or band number) that holds the values.
    given_crs : str, optional
        What the field file says of its system.

    Raises
    ------
    InputFileError
        If it cannot be read, holds no such values, or does not touch the field.
    """
    source = files.source(file, f"{key}.file")
    if recognize(source) == "raster":
        from vrn.ingest.raster import read_raster

        raster = read_raster(files, source, spec.name, boundary, crs, band=column, given_crs=given_crs)
        _check(files, source, spec, raster.values[np.isfinite(raster.values)])
        return replace(raster, values=raster.values * spec.factor) if spec.factor != 1.0 else raster
    found = read_rows_or_areas(
        files, source, crs=crs, given_crs=given_crs, mapping={spec.name: column} if column is not None else None,
        key=f"{key}.column", roles=(spec.name,),
    )  # fmt: skip
    values = _values(found.table, spec, column, key)
    if isinstance(found, PlacedRows):
        known = np.isfinite(values) & np.isfinite(found.coordinates_m).all(axis=1)
        _missing(files, source, known)
        known[known] = _near(files, source, found.coordinates_m[known], boundary)
    else:
        near = _touching(files, source, found.polygons, boundary)
        known = near & np.isfinite(values)
        _missing(files, source, known[near])
    _check(files, source, spec, values[known])
    values = values[known] * spec.factor
    if isinstance(found, PlacedRows):
        place = found.coordinates_m[known]
        return PointLayer(name=spec.name, crs=crs, coordinates_m=place, values=values, source=source.name)
    return PolygonLayer(name=spec.name, crs=crs, polygons=found.polygons[known], values=values, source=source.name)


def _values(table: CellTable, spec: LayerSpec, column: str | None, key: str) -> NDArray[np.float64]:
    """Numbers of the layer's column: named, usual, or the only one there is."""
    if column is not None:
        name = Columns(table, {spec.name: column}, key=f"{key}.column", roles=(spec.name,)).need(spec.name)
    else:
        left = [c for c in table.columns if c.lower() not in ("longitude", "latitude", *LONGITUDE, *LATITUDE)]
        found = table.find(*spec.usual) or (left[0] if len(left) == 1 else None)
        if found is None:
            problem = f"{table.name}: it is not clear which column holds {spec.name} (columns: {table.named})."
            raise InputFileError(problem, f'Name it: {key}.column = "{left[0] if left else "…"}".')
        name = found
    faults = RowFaults(table)
    values = numbers(table, name, faults)
    for i in np.flatnonzero((values < spec.least) | (values > spec.most)):
        faults.add(table.row[i], f"{name} is {values[i]:g}", spec.doubt or "Check the number.")
    faults.raise_if_any()
    return values


def _missing(files: InputFiles, source: Source, known: NDArray[np.bool_]) -> None:
    if not known.any():
        source.refuse("no row has both a position and a value.", "Check the column and the file.")
    if not known.all():
        files.note("ingest.rows-without-value", source, lost=int((~known).sum()), rows=len(known))


def _check(files: InputFiles, source: Source, spec: LayerSpec, values: NDArray[np.float64]) -> None:
    """Refuse what cannot be; ask about what is unlikely."""
    if values.size == 0:
        source.refuse("it holds no value in the field.", "Check that it is of this field.")
    low, high = float(values.min()), float(values.max())
    if low < spec.least or high > spec.most:
        remedy = spec.doubt or "Check the file; it may hold a nodata value that is not marked."
        source.refuse(f"values run from {low:g} to {high:g}.", remedy)
    beyond = int(((values < spec.likely[0]) | (values > spec.likely[1])).sum())
    if beyond:
        ends = (Quantity(spec.kind, end * spec.factor) for end in (low, high))
        files.warn(spec.code, source, values=beyond, **dict(zip(("low", "high"), ends, strict=True)))


def _touching(
    files: InputFiles, source: Source, polygons: NDArray[np.object_], boundary: shapely.Geometry
) -> NDArray[np.bool_]:
    """Which polygons lie in or near the field; refuses a file of elsewhere, asks about ground it leaves open."""
    near = np.asarray(shapely.intersects(polygons, shapely.buffer(boundary, _REACH_M)), dtype=bool)
    covered = float(shapely.area(shapely.intersection(shapely.union_all(polygons[near]), boundary)))
    share = covered / float(shapely.area(boundary))
    if share == 0:
        source.refuse("none of it lies in the field.", _ELSEWHERE)
    if share < 0.98:
        files.warn("ingest.layer-leaves-ground-open", source, share=Quantity("share", share))
    return near


def _near(files: InputFiles, source: Source, xy: NDArray[np.float64], boundary: shapely.Geometry) -> NDArray[np.bool_]:
    """Which points lie within a field's length of the field; refuses a file of elsewhere."""
    west, south, east, north = shapely.bounds(boundary)
    reach = max(east - west, north - south)
    x, y = xy[:, 0], xy[:, 1]
    near = (x > west - reach) & (x < east + reach) & (y > south - reach) & (y < north + reach)
    if not near.any():
        source.refuse("no point lies near the field.", _ELSEWHERE)
    if not near.all():
        files.note("ingest.points-far-away", source, points=int((~near).sum()))
    return np.asarray(near, dtype=bool)


def _read_zones(files: InputFiles, file: str, column: str | None, boundary: shapely.Geometry, crs: str) -> PolygonLayer:
    """The user's own zones: polygons with a whole number."""
    source = files.source(file, "zones.file")
    areas = read_areas(files, source, None, crs)
    values = _values(areas.table, _ZONE, column, "zones")
    faults = RowFaults(areas.table)
    for i, value in enumerate(values):
        if np.isnan(value) or value != round(value):
            faults.add(areas.table.row[i], "the zone is not a whole number", "Number the zones 1, 2, 3 …")
    faults.raise_if_any()
    near = _touching(files, source, areas.polygons, boundary)
    return PolygonLayer(name="zone", crs=crs, polygons=areas.polygons[near], values=values[near], source=source.name)
