"""What is known of the field besides nitrate: each layer from points, polygons, a raster or one value."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from vrn.errors import InputFileError
from vrn.findings import Quantity
from vrn.ingest import ranges
from vrn.ingest.cells import Columns, RowFaults, groups_of, numbers
from vrn.ingest.contents import read_header
from vrn.ingest.gate import CARBON_TO_MATTER, Gate, Role
from vrn.ingest.input_files import InputFiles, Source, recognize
from vrn.ingest.map_units import Join, join_of, joined, warn_of_missing
from vrn.ingest.mixed import SIDES, scattered_units, two_units
from vrn.ingest.outline import read_areas
from vrn.ingest.points import LATITUDE, LONGITUDE, PlacedRows, read_rows_or_areas
from vrn.ingest.ranges import Range, listed
from vrn.ingest.table import CellTable
from vrn.ingest.yield_log import read_yield_logs
from vrn.model.layers import YEAR, ConstantLayer, Layer, MappedLayer, PointLayer, PolygonLayer, mean_of_years
from vrn.model.settings import Settings
from vrn.units import BU_AC_T_HA, LB_AC_KG_HA

_BY_NATURE = 2.5  # soils of a field differ by less: common practice, no source
_OVERLAP = 0.02  # of the ground of a layer's outlines, that edges drawn twice do not reach
_REACH_M = 100.0  # areas further from the field are not kept
_ALL, _FROM, _TO = slice(None), slice(1, None), slice(-1)
_SIDE_BY_SIDE = ((_FROM, _ALL), (_ALL, _FROM)), ((_TO, _ALL), (_ALL, _TO))  # cells of a raster, and those beside them
_ELSEWHERE = "Check that it is of this field, its system, and the order of its coordinates."


@dataclass(frozen=True, slots=True, kw_only=True)
class LayerSpec:
    """
    What a layer is: the columns it is usually found in, the role its header must fit, and what its values can be.

    Parameters
    ----------
    name : str
        Of the layer, its unit at the end.
    usual : tuple of str
        Column names taken when the field file names none.
    role : str or None
        Of its header; None where anything goes.
    limits : Range
    factor : float
        From a file that names no unit to the unit of the layer.
    mixed : tuple of (float, str)
        Factors that a part of the points may be off by, and what each is between.
    ask_years : bool
        Whether a column named after a year beside others of its kind is asked about.
    """

    name: str
    usual: tuple[str, ...]
    role: Role | None = None
    limits: Range = ranges.ANYTHING
    factor: float = 1.0
    ask_years: bool = False
    mixed: tuple[tuple[float, str], ...] = ()


_ORGANIC_MATTER = LayerSpec(
    name="organic_matter_pct", usual=("organic_matter_pct", "om_pct", "organic_matter", "om"), role="organic_matter",
    limits=ranges.ORGANIC_MATTER,
    mixed=((10.0, "g/kg and percent"), (CARBON_TO_MATTER, "organic matter and organic carbon")),
)  # fmt: skip
_RELATIVE = LayerSpec(
    name="yield_potential", usual=("yield_potential", "relative_yield", "relative"), role="relative",
    limits=ranges.RELATIVE,
)  # fmt: skip
_YIELD = LayerSpec(
    name="yield_bu_ac", usual=("yield_bu_ac", "yield_potential", "yield"), role="bu_ac", limits=ranges.YIELD
)
_YIELD_T_HA = replace(
    _YIELD, usual=("yield_t_ha", "yield_potential", "yield"), role="t_ha", limits=ranges.YIELD_T_HA,
    factor=1.0 / BU_AC_T_HA,
)  # fmt: skip
_APPLIED = LayerSpec(
    name="applied_n_lb_ac", usual=("applied_n_lb_ac", "n_lb_ac", "applied_n"), role="applied_n", limits=ranges.APPLIED
)
_APPLIED_KG_HA = replace(_APPLIED, usual=("applied_n_kg_ha", "n_kg_ha", "applied_n"), factor=1.0 / LB_AC_KG_HA)
_ZONE = LayerSpec(name="zone", usual=("zone", "zone_id", "id"), limits=ranges.ZONE)


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
    tables = {"organic_matter": join_of("layers.organic_matter", organic),
              "yield_potential": join_of("layers.yield_potential", potential)}  # fmt: skip
    if organic is not None and organic.value_pct is not None:
        if organic.assumed:
            value = Quantity("percent", organic.value_pct)
            files.warn("ingest.organic-matter-assumed", "layers.organic_matter.value_pct", value=value)
        layers["organic_matter"] = _constant(
            files, "organic_matter", _ORGANIC_MATTER, organic.value_pct, organic.accept
        )
    elif organic is not None and organic.file is not None:
        layers["organic_matter"] = read_layer(
            files, organic.file, "layers.organic_matter", _ORGANIC_MATTER, boundary, crs, column=organic.column,
            given_crs=organic.crs, accept=organic.accept,
            join=tables["organic_matter"],
        )  # fmt: skip
    if potential is not None and potential.kind == "yield_log":
        layers["yield_potential"] = read_yield_logs(files, potential, boundary, crs)
    elif potential is not None:
        spec = {"relative": _RELATIVE, "bu_ac": _YIELD, "t_ha": _YIELD_T_HA}[potential.kind]
        if potential.value is not None:
            layers["yield_potential"] = _constant(files, "yield_potential", spec, potential.value, potential.accept)
        elif potential.file is not None:
            spec = replace(spec, ask_years=potential.years is None and not potential.year_columns)
            columns = potential.year_columns or (potential.column,)
            years = [
                read_layer(
                    files,
                    potential.file,
                    "layers.yield_potential",
                    spec,
                    boundary,
                    crs,
                    column=column,
                    given_crs=potential.crs,
                    accept=potential.accept,
                    join=tables["yield_potential"],
                )
                for column in columns
            ]
            layers["yield_potential"] = years[0] if len(years) == 1 else mean_of_years(years)
    if applied is not None:
        spec = _APPLIED_KG_HA if settings.units == "metric" else _APPLIED  # where the header names no unit
        spec = replace(spec, usual=tuple(dict.fromkeys((*spec.usual, *_APPLIED.usual, *_APPLIED_KG_HA.usual))))
        layers["applied_n"] = read_layer(
            files, applied.file, "layers.applied_n", spec, boundary, crs, column=applied.column,
            given_crs=applied.crs, accept=applied.accept,
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
    accept: str | None = None,
    join: Join | None = None,
) -> MappedLayer:
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
    accept : str, optional
        Why values that look like something else are right as they stand.
    join : Join, optional
        The table beside the polygons, of which ``column`` then is one.

    Raises
    ------
    InputFileError
        If it cannot be read, holds no such values, or does not touch the field.
    """
    source = files.source(file, f"{key}.file")
    gate = Gate(files=files, source=source, section=key, accept=accept)
    if recognize(source) == "raster":
        from vrn.ingest.raster import read_raster

        if join is not None:
            source.refuse("a raster has no key to a table.", "Give the polygons of the map units, or remove the table.")
        raster, said = read_raster(files, source, spec.name, boundary, crs, band=column, given_crs=given_crs)
        factor = gate.factor(said, spec.role, default=spec.factor) if spec.role is not None else spec.factor
        values = raster.values * factor
        _judge(gate, spec, values[np.isfinite(values)], factor=factor)
        inside = np.where(shapely.contains_xy(boundary, raster.grid.centers_m()).reshape(values.shape), values, np.nan)
        one, other = ((inside[a, b].ravel() for a, b in side) for side in _SIDE_BY_SIDE)
        ranges.ask_about_holes(gate, spec.limits, np.concatenate([*one]), np.concatenate([*other]), inside)
        return replace(raster, values=values) if factor != 1.0 else raster
    mapping = {spec.name: column} if column is not None and join is None else None
    found = read_rows_or_areas(
        files, source, crs=crs, given_crs=given_crs, mapping=mapping, key=f"{key}.column", roles=(spec.name,)
    )
    table = found.table
    if join is not None:
        table, has_row = joined(files, source, table, join, key, column, spec.usual)
        column = table.columns[0]
    taken = {*table.columns[:1]} if join is not None else {column or ""}
    said = gate.said(found.table, taken, least=2) if spec.role is not None else ""  # A and B are soils
    values, factor = _values(table, spec, column, key, gate, said)
    if isinstance(found, PlacedRows):
        known = np.isfinite(values) & np.isfinite(found.coordinates_m).all(axis=1)
        _missing(files, source, known)
        known[known] = _near(files, source, found.coordinates_m[known], boundary)
    else:
        near = _touching(files, source, found.polygons, boundary)
        known = near & np.isfinite(values)
        if join is not None:
            warn_of_missing(files, source, found.table, join, near & ~has_row)
        _missing(files, source, known[near])
    values = values[known]
    _judge(gate, spec, values, rows=[found.table.row[i] for i in np.flatnonzero(known)], factor=factor)
    if isinstance(found, PlacedRows):
        place = found.coordinates_m[known]
        taken = {table.columns[0]} if join is not None else {column or "", *found.columns.mapped.values()}
        groups = groups_of(found.table, taken)
        some = np.flatnonzero(known)
        _one_unit(gate, spec, values, place, [found.table.row[i] for i in some],
                  [(name, [cells[i] for i in some]) for name, cells in groups])  # fmt: skip
        _, near = cKDTree(place).query(place, k=min(5, len(place)))
        ranges.ask_about_holes(gate, spec.limits, np.repeat(values, near.shape[1]), values[near.ravel()], values)
        return PointLayer(name=spec.name, crs=crs, coordinates_m=place, values=values, source=source.name)
    return PolygonLayer(name=spec.name, crs=crs, polygons=found.polygons[known], values=values, source=source.name)


def _years_of(columns: Sequence[str], name: str) -> list[str]:
    """Columns that differ from one by the year in their names alone, itself among them."""
    return [one for one in columns if YEAR.search(one) and YEAR.sub("", one) == YEAR.sub("", name)]


def _values(
    table: CellTable, spec: LayerSpec, column: str | None, key: str, gate: Gate, said: str = ""
) -> tuple[NDArray[np.float64], float]:
    """Numbers of the layer's column, named, usual, or the only one there is, in the layer's unit; the factor to it."""
    if column is not None:
        name = Columns(table, {spec.name: column}, key=f"{key}.column", roles=(spec.name,)).need(spec.name)
    else:
        left = [c for c in table.columns if c.lower() not in ("longitude", "latitude", *LONGITUDE, *LATITUDE)]
        found = table.find(*spec.usual) or (left[0] if len(left) == 1 else None)
        if found is None:
            problem = f"{table.name}: it is not clear which column holds {spec.name} (columns: {table.named})."
            years = _years_of(left, left[0]) if spec.ask_years and left else []
            if len(years) > 1:
                raise InputFileError(problem, f"For the mean of the years: {key}.year_columns = {json.dumps(years)}.")
            raise InputFileError(problem, f'Name it: {key}.column = "{left[0] if left else "…"}".')
        name = found
    if spec.ask_years and len(years := _years_of(table.columns, name)) > 1:
        gate.files.warn("ingest.other-years", key, column=name, columns=json.dumps(years))
    faults = RowFaults(table)
    values = numbers(table, name, faults)
    telling = read_header(said)
    if telling.substance or telling.unit or telling.basis:
        name = f"{name} {said}"
    factor = gate.factor(name, spec.role, default=spec.factor) if spec.role is not None else spec.factor
    limits, given = spec.limits, values
    values = given * factor
    for i in np.flatnonzero((values < limits.least) | (values > limits.most)):
        faults.add(table.row[i], f"{name} is {given[i]:g}", limits.doubt or "Check the number.")
    faults.raise_if_any()
    return values, factor


def _missing(files: InputFiles, source: Source, known: NDArray[np.bool_]) -> None:
    if not known.any():
        source.refuse("no row has both a position and a value.", "Check the column and the file.")
    if not known.all():
        files.note("ingest.rows-without-value", source, lost=int((~known).sum()), rows=len(known))


def _judge(
    gate: Gate, spec: LayerSpec, values: NDArray[np.float64], *, rows: list[int] | None = None, factor: float
) -> None:
    if values.size == 0:
        gate.source.refuse("it holds no value in the field.", "Check that it is of this field.")
    ranges.judge(gate, spec.limits, values, rows=rows, factor=factor)


def _one_unit(
    gate: Gate, spec: LayerSpec, values: NDArray[np.float64], xy: NDArray[np.float64], rows: list[int],
    groups: list[tuple[str, list[str]]],
) -> None:  # fmt: skip
    """Refuse points of which a part is a known factor above the rest; ask where it may be.

    Soils differ by as little as carbon from matter. A part that is so much higher is refused only where a column of the
    file names it, and asked about only where chance seldom makes it, never by the side of the field: of 150 simulated
    layers as nature makes them at most 6 were, of 150 with the first half of the rows in carbon 109, with every other
    row in it 23. The rest of them nobody can tell from the numbers.
    """
    some = np.flatnonzero(values > 0)
    if not spec.mixed or not some.size:
        return
    labels = [(name, [cells[i] for i in some]) for name, cells in groups]
    mixed = two_units(values[some], xy[some], labels, spec.mixed)
    if mixed is None or not mixed.sure:
        mixed = scattered_units(values[some], xy[some], spec.mixed) or mixed
    small = mixed is not None and mixed.factor <= _BY_NATURE
    if mixed is None or (small and (not mixed.sure or mixed.group in SIDES)):
        return
    named = listed([str(rows[i]) for i in some[mixed.high]])
    by_name = any(mixed.group.startswith(f"{name} ") for name, _ in labels)
    if mixed.sure and (by_name or not small):
        gate.refuse(
            f"values of {spec.limits.name} look like two kinds of unit, parted by {mixed.group}, about "
            f"{mixed.factor:g} times apart, the factor between {mixed.what} (high: {named})",
            "Give all of them in one unit.",
        )
    else:
        ratio = Quantity("number", mixed.factor)
        gate.files.warn("ingest.layer-units-mixed", gate.source, ratio=ratio, what=mixed.what, rows=named)


def _constant(files: InputFiles, key: str, spec: LayerSpec, value: float, accept: str | None) -> ConstantLayer:
    """One value for the field, judged as a column would be."""
    source = Source(path=files.folder, name=f"layers.{key}", key="field file")
    gate = Gate(files=files, source=source, section=f"layers.{key}", accept=accept)
    ranges.judge(gate, spec.limits, np.array([value * spec.factor]), factor=spec.factor)
    return ConstantLayer(name=spec.name, value=value * spec.factor)


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
    laid = float(shapely.area(shapely.intersection(polygons[near], boundary)).sum())
    if laid - covered > _OVERLAP * covered:
        twice = Quantity("share", min(laid / covered - 1.0, 1.0))
        files.warn("ingest.layer-overlaps", source, share=twice)
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
    gate = Gate(files=files, source=source, section="", accept=None)
    values, _ = _values(areas.table, _ZONE, column, "zones", gate)
    faults = RowFaults(areas.table)
    for i, value in enumerate(values):
        if np.isnan(value) or value != round(value):
            faults.add(areas.table.row[i], "the zone is not a whole number", "Number the zones 1, 2, 3 …")
    faults.raise_if_any()
    near = _touching(files, source, areas.polygons, boundary)
    return PolygonLayer(name="zone", crs=crs, polygons=areas.polygons[near], values=values[near], source=source.name)
