"""What is known of the field besides nitrate: each layer from points, polygons, a raster or one value."""

from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import counted
from vrn.ingest.cells import RowFaults, numbers
from vrn.ingest.columns import Columns
from vrn.ingest.intake import Intake, Source
from vrn.ingest.outline import areas_in_field, read_areas
from vrn.ingest.points import LATITUDE, LONGITUDE, Places, places_of_features, read_places
from vrn.ingest.recognize import recognize
from vrn.ingest.table import Table
from vrn.ingest.tables import holds_table
from vrn.ingest.vectors import read_features
from vrn.ingest.wanted import ORGANIC_MATTER, RELATIVE, YIELD, YIELD_T_HA, ZONE, Wanted, applied_unit
from vrn.ingest.yield_log import read_yield_logs
from vrn.model.layers import ConstantLayer, Layer, PointLayer, PolygonLayer
from vrn.model.settings import Settings

_REACH_M = 100.0  # areas further from the field are not kept


def read_layers(intake: Intake, settings: Settings, boundary: shapely.Geometry, crs: str) -> dict[str, Layer | None]:
    """
    Every layer that the field file names.

    Parameters
    ----------
    intake : Intake
    settings : Settings
    boundary : shapely.Geometry
        In ``crs``.
    crs : str
        The field's projected system.

    Returns
    -------
    layers : dict of str to Layer or None
        ``organic_matter``, ``yield_potential``, ``applied_n``, ``zones`` and each extra layer by ``extra.NAME``.

    Raises
    ------
    InputFileError
        If one cannot be used.
    """
    given, layers = settings.layers, dict[str, Layer | None]()
    organic, potential, applied = given.organic_matter, given.yield_potential, given.applied_n
    if organic is not None and organic.value_pct is not None:
        layers["organic_matter"] = ConstantLayer(name=ORGANIC_MATTER.name, value=organic.value_pct)
    elif organic is not None and organic.file is not None:
        layers["organic_matter"] = read_layer(
            intake, organic.file, "layers.organic_matter", ORGANIC_MATTER, boundary, crs, column=organic.column,
            given_crs=organic.crs,
        )  # fmt: skip
    if potential is not None and potential.kind == "yield_log":
        layers["yield_potential"] = read_yield_logs(intake, potential, boundary, crs)
    elif potential is not None:
        wanted = {"relative": RELATIVE, "bu_ac": YIELD, "t_ha": YIELD_T_HA}[potential.kind]
        if potential.value is not None:
            layers["yield_potential"] = ConstantLayer(name=wanted.name, value=potential.value * wanted.factor)
        elif potential.file is not None:
            layers["yield_potential"] = read_layer(
                intake, potential.file, "layers.yield_potential", wanted, boundary, crs, column=potential.column,
                given_crs=potential.crs,
            )  # fmt: skip
    if applied is not None:
        wanted, of = applied_unit(applied.column, settings.units), applied.crs
        layers["applied_n"] = read_layer(
            intake, applied.file, "layers.applied_n", wanted, boundary, crs, column=applied.column, given_crs=of
        )  # fmt: skip
    if settings.zones.file is not None:
        layers["zones"] = _read_zones(intake, settings.zones.file, settings.zones.column, boundary, crs)
    for i, extra in enumerate(given.extra, 1):
        wanted = Wanted(name=extra.name, usual=(extra.name,), least=-1e12, most=1e12, likely=(-1e12, 1e12), doubt="")
        layers[f"extra.{extra.name}"] = read_layer(
            intake, extra.file, f"layers.extra[{i}]", wanted, boundary, crs, column=extra.column, given_crs=extra.crs
        )
    return layers


def read_layer(
    intake: Intake,
    file: str,
    key: str,
    wanted: Wanted,
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
    intake : Intake
    file : str
        As the field file names it.
    key : str
        Key path of its table.
    wanted : Wanted
    boundary : shapely.Geometry
        In ``crs``.
    crs : str
        The field's projected system.
    column : str, optional
        Column (or band number) that holds the values.
    given_crs : str, optional
        What the field file says of its system.

    Returns
    -------
    layer : Layer

    Raises
    ------
    InputFileError
        If it cannot be read, holds no such values, or does not touch the field.
    """
    source = intake.source(file, f"{key}.file")
    if recognize(source) == "raster":
        from vrn.ingest.raster import read_raster

        raster = read_raster(intake, source, wanted.name, boundary, crs, band=column, given_crs=given_crs)
        _check(intake, source, wanted, raster.values[np.isfinite(raster.values)])
        return replace(raster, values=raster.values * wanted.factor) if wanted.factor != 1.0 else raster
    mapping = {wanted.name: column} if column is not None else None
    if holds_table(intake, source):
        places = read_places(
            intake, source, crs=crs, given_crs=given_crs, mapping=mapping, key=f"{key}.column", roles=(wanted.name,)
        )
        return _points(intake, source, wanted, places, column, key, boundary, crs)
    features = read_features(intake, source)
    if all(shape is None or shape.geom_type in ("Point", "MultiPoint") for shape in features.geometry):
        places = places_of_features(
            intake,
            source,
            features,
            crs=crs,
            given_crs=given_crs,
            mapping=mapping,
            key=f"{key}.column",
            roles=(wanted.name,),
        )
        return _points(intake, source, wanted, places, column, key, boundary, crs)
    polygons, table = areas_in_field(intake, source, features, given_crs, crs)
    values = _values(table, wanted, column, key)
    near = _touching(intake, source, polygons, boundary)
    polygons, values = polygons[near], values[near]
    known = np.isfinite(values)
    _missing(intake, source, int((~known).sum()), len(known))
    _check(intake, source, wanted, values[known])
    return PolygonLayer(
        name=wanted.name, crs=crs, polygons=polygons[known], values=values[known] * wanted.factor, source=source.name
    )


def _points(
    intake: Intake, source: Source, wanted: Wanted, places: Places, column: str | None, key: str,
    boundary: shapely.Geometry, crs: str,
) -> PointLayer:  # fmt: skip
    values = _values(places.table, wanted, column, key)
    known = np.isfinite(values) & np.isfinite(places.coordinates_m).all(axis=1)
    _missing(intake, source, int((~known).sum()), len(known))
    known[known] = _near(intake, source, places.coordinates_m[known], boundary)
    _check(intake, source, wanted, values[known])
    return PointLayer(
        name=wanted.name,
        crs=crs,
        coordinates_m=places.coordinates_m[known],
        values=values[known] * wanted.factor,
        source=source.name,
    )


def _values(table: Table, wanted: Wanted, column: str | None, key: str) -> NDArray[np.float64]:
    """Numbers of the layer's column: named, usual, or the only one there is."""
    if column is not None:
        name = Columns(table, {wanted.name: column}, key=f"{key}.column", roles=(wanted.name,)).need(wanted.name)
    else:
        found = table.find(*wanted.usual)
        left = [c for c in table.columns if c.lower() not in ("longitude", "latitude", *LONGITUDE, *LATITUDE)]
        if found is None and len(left) == 1:
            found = left[0]
        if found is None:
            shown = ", ".join(table.columns) or "none"
            problem = f"{table.name}: which column holds {wanted.name} is not said (columns: {shown})."
            raise InputFileError(problem, f'Name it: {key}.column = "{left[0] if left else "…"}".')
        name = found
    faults = RowFaults(table)
    values = numbers(table, name, faults)
    for i in np.flatnonzero((values < wanted.least) | (values > wanted.most)):
        faults.add(table.row[i], f"{name} is {values[i]:g}", wanted.doubt or "Check the number.")
    faults.raise_if_any()
    return values


def _missing(intake: Intake, source: Source, lost: int, count: int) -> None:
    if lost == count:
        problem = f"{source} ({source.key}): no row has both a place and a value."
        raise InputFileError(problem, "Check the column and the file.")
    if lost:
        intake.note(
            source, f"Passed over for want of a value or a place: {lost:,} of {counted(count, 'row')}.", "Fill them in."
        )


def _check(intake: Intake, source: Source, wanted: Wanted, values: NDArray[np.float64]) -> None:
    """Refuse what cannot be, tell what is unlikely."""
    if values.size == 0:
        problem = f"{source} ({source.key}): it holds no value in the field."
        raise InputFileError(problem, "Check that it is of this field.")
    low, high = float(values.min()), float(values.max())
    if low < wanted.least or high > wanted.most:
        problem = f"{source} ({source.key}): values run from {low:g} to {high:g}."
        raise InputFileError(problem, wanted.doubt or "Check the file; an unset nodata value may stand in it.")
    if low < wanted.likely[0] or high > wanted.likely[1]:
        beyond = int(((values < wanted.likely[0]) | (values > wanted.likely[1])).sum())
        intake.warn(source, f"{beyond} values of {wanted.name} are unlikely (from {low:g} to {high:g}).", wanted.doubt)


def _touching(
    intake: Intake, source: Source, polygons: NDArray[np.object_], boundary: shapely.Geometry
) -> NDArray[np.bool_]:
    """Which polygons lie in or near the field; refuses a file of elsewhere, tells how much it leaves open."""
    near = np.asarray(shapely.intersects(polygons, shapely.buffer(boundary, _REACH_M)), dtype=bool)
    covered = float(shapely.area(shapely.intersection(shapely.union_all(polygons[near]), boundary)))
    share = covered / float(shapely.area(boundary))
    if share == 0:
        problem = f"{source} ({source.key}): none of it lies in the field."
        raise InputFileError(problem, "Check that it is of this field, its system, and the order of its coordinates.")
    if share < 0.98:
        intake.warn(source, f"It covers {share:.0%} of the field.", "Ground that it leaves open is unknown.")
    return near


def _near(intake: Intake, source: Source, xy: NDArray[np.float64], boundary: shapely.Geometry) -> NDArray[np.bool_]:
    """Which points lie within a field's length of the field; refuses a file of elsewhere."""
    west, south, east, north = shapely.bounds(boundary)
    reach = max(east - west, north - south)
    x, y = xy[:, 0], xy[:, 1]
    near = (x > west - reach) & (x < east + reach) & (y > south - reach) & (y < north + reach)
    if not near.any():
        problem = f"{source} ({source.key}): no point lies near the field."
        raise InputFileError(problem, "Check that it is of this field, its system, and the order of its coordinates.")
    if not near.all():
        intake.note(source, f"Left out, more than a field's length away: {counted(int((~near).sum()), 'point')}.",
                    "Nothing to do if the file holds several fields.")  # fmt: skip
    return np.asarray(near, dtype=bool)


def _read_zones(intake: Intake, file: str, column: str | None, boundary: shapely.Geometry, crs: str) -> PolygonLayer:
    """The user's own zones: polygons with a whole number."""
    source = intake.source(file, "zones.file")
    polygons, table = read_areas(intake, source, None, crs)
    values = _values(table, ZONE, column, "zones")
    faults = RowFaults(table)
    for i, value in enumerate(values):
        if np.isnan(value) or value != round(value):
            faults.add(table.row[i], "the zone is no whole number", "Number the zones 1, 2, 3 …")
    faults.raise_if_any()
    near = _touching(intake, source, polygons, boundary)
    polygons, values = polygons[near], values[near]
    return PolygonLayer(name="zone", crs=crs, polygons=polygons, values=values, source=source.name)
