"""GeoPackage read as the SQLite database it is, its geometries unpacked by hand."""

import sqlite3
import struct
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.audit.model import FileZones, UnreadableError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ground:
    """Boundary and no-apply ground as ``layers.gpkg`` gives them, in ``crs``, a projected system in metres."""

    crs: str
    boundary: shapely.Geometry
    no_apply: shapely.Geometry
    zones: FileZones
    samples: int


def read_geopackage(path: Path) -> Ground:
    """
    Boundary, no-apply ground and zones of ``layers.gpkg``.

    Parameters
    ----------
    path : Path
        Opened read-only, so that no lock or journal is left beside it.

    Returns
    -------
    ground : Ground
        The zones' rates are lb N/ac.

    Raises
    ------
    UnreadableError
        If it is missing, no GeoPackage, or a layer is not there.

    References
    ----------
    OGC 12-128r18, GeoPackage Encoding Standard: ``gpkg_contents``, ``gpkg_geometry_columns``, § 2.1.3 (geometry blob).
    """
    if not path.is_file():
        problem = f"{path.name} is missing"
        raise UnreadableError(problem)
    try:
        base = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            return _ground(base)
        finally:
            base.close()
    except (sqlite3.Error, struct.error, shapely.errors.GEOSException, TypeError, KeyError) as error:
        problem = f"it cannot be read ({type(error).__name__}: {error})"
        raise UnreadableError(problem) from error


def _ground(base: sqlite3.Connection) -> Ground:
    layers = {name for (name,) in base.execute("select table_name from gpkg_contents where data_type = 'features'")}
    missing = {"boundary", "zones", "samples"} - layers
    if missing:
        problem = f"layer {', '.join(sorted(missing))} is missing"
        raise UnreadableError(problem)
    query = "select organization_coordsys_id from gpkg_spatial_ref_sys join gpkg_geometry_columns using (srs_id)"
    code = {number for (number,) in base.execute(query)}
    if len(code) != 1:
        problem = f"its layers are in different systems ({sorted(code)})"
        raise UnreadableError(problem)
    crs = f"EPSG:{code.pop()}"
    boundary = shapely.union_all([shape for shape, _ in _rows(base, "boundary")])
    no_apply = shapely.union_all([shape for shape, _ in _rows(base, "no_apply")] if "no_apply" in layers else [])
    rows = [(part, row) for shape, row in _rows(base, "zones") for part in shapely.get_parts(shape)]
    polygons = np.empty(len(rows), dtype=object)
    polygons[:] = [part for part, _ in rows]
    zones = FileZones(
        source="layers.gpkg", zone=np.array([row["zone"] for _, row in rows], dtype=np.int64),
        rate=np.array([row["rate_n_lb_ac"] for _, row in rows], dtype=float), unit=("lb N/ac",) * len(rows),
        polygons=polygons, crs=crs,
    )  # fmt: skip
    count = base.execute("select count(*) from samples").fetchone()[0]
    return Ground(crs=crs, boundary=boundary, no_apply=no_apply, zones=zones, samples=count)


def _rows(base: sqlite3.Connection, layer: str) -> list[tuple[shapely.Geometry, dict[str, Any]]]:
    """Geometry and columns of each row of a layer whose name is one of ours."""
    column = base.execute("select column_name from gpkg_geometry_columns where table_name = ?", (layer,)).fetchone()[0]
    cursor = base.execute(f'select * from "{layer}"')  # the name is one of four constants
    names = [described[0] for described in cursor.description]
    found = []
    for row in cursor:
        values = dict(zip(names, row, strict=True))
        found.append((_geometry(values.pop(column)), values))
    return found


def _geometry(blob: bytes) -> shapely.Geometry:
    """Geometry of a GeoPackage blob: magic, version, flags, system, envelope, then well-known binary."""
    magic, flags = blob[:2], blob[3]
    if magic != b"GP":
        problem = "a geometry does not start with GP"
        raise TypeError(problem)
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[flags >> 1 & 7]
    return shapely.from_wkb(blob[8 + envelope :])
