"""Zones resampled to the longitude–latitude grid of ISO 11783-10: no rate invented, none off the ground."""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import pyproj
import shapely
from numpy.typing import NDArray

from vrn.files.lonlat import WGS84, DrawnZone, drawn_zones, lonlat_parts
from vrn.findings import Finding, Quantity, note
from vrn.model.grid import transformer
from vrn.prescription.model import Prescription
from vrn.units import FT_M

MOST_CELLS: Final = 350  # rows or columns every task controller with position control takes
_GEOD: Final = pyproj.Geod(ellps="WGS84")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class IsoGrid:
    """Zone numbers, shape (rows, cols), from the south-west corner [°]: row 0 in the south; 0 where nothing goes."""

    south_deg: float
    west_deg: float
    north_step_deg: float
    east_step_deg: float
    zone: NDArray[np.int32]
    cell_m: float


def iso_grid(prescription: Prescription) -> IsoGrid:
    """Zone that holds each cell's centre; none where a cell touches no-apply ground or a hole."""
    zones = drawn_zones(prescription)
    west, south, east, north, east_step, north_step, cell_m = _frame(prescription, zones)
    cols, rows = max(1, math.ceil((east - west) / east_step)), max(1, math.ceil((north - south) / north_step))
    zone = _zone_of_centers(zones, west, south, east_step, north_step, (rows, cols))
    lon = np.asarray(west + (np.arange(cols) + 0.5) * east_step, dtype=np.float64)
    lat = np.asarray(south + (np.arange(rows) + 0.5) * north_step, dtype=np.float64)
    if prescription.field.settings.header.edge_buffer_ft > 0:
        zone = _widened(zone, prescription, lon, lat)
    zone = _kept_off(zone, prescription, lon, lat, (east_step, north_step))
    return IsoGrid(
        south_deg=south, west_deg=west, north_step_deg=north_step, east_step_deg=east_step, zone=zone, cell_m=cell_m
    )


def coarser_cells(prescription: Prescription) -> tuple[Finding, ...]:
    """What had to be made coarser for the grid to fit a task controller."""
    if prescription.field.settings.export.iso_grid == "polygons":
        return ()
    *_, cell_m = _frame(prescription, drawn_zones(prescription))
    if cell_m <= prescription.grid.cell_m:
        return ()
    return (
        note(
            "files.cells-coarser", "TASKDATA", most=MOST_CELLS, written=Quantity("length", cell_m / FT_M),
            wanted=Quantity("length", prescription.grid.cell_m / FT_M),
        ),
    )  # fmt: skip


def _degrees_per_m(longitude: float, latitude: float) -> tuple[float, float]:
    """Degrees of longitude and of latitude to a metre on the ground."""
    east_lon, _, _ = _GEOD.fwd(longitude, latitude, 90.0, 100.0)
    _, north_lat, _ = _GEOD.fwd(longitude, latitude, 0.0, 100.0)
    return ((float(east_lon) - longitude + 180.0) % 360.0 - 180.0) / 100.0, (float(north_lat) - latitude) / 100.0


def _frame(
    prescription: Prescription, zones: tuple[DrawnZone, ...]
) -> tuple[float, float, float, float, float, float, float]:
    """West, south, east, north, step east and north of the grid [°], and its cell: the field's own, if it fits. [m]"""
    west, south, east, north = (float(v) for v in shapely.total_bounds([p for zone in zones for p in zone.parts]))
    east_m_deg, north_m_deg = _degrees_per_m((west + east) / 2, (south + north) / 2)
    buffer_m = prescription.field.settings.header.edge_buffer_ft * FT_M
    west, east = math.floor((west - buffer_m * east_m_deg) * 1e9) / 1e9, east + buffer_m * east_m_deg
    south, north = math.floor((south - buffer_m * north_m_deg) * 1e9) / 1e9, north + buffer_m * north_m_deg
    least_m = max((east - west) / east_m_deg, (north - south) / north_m_deg) / (MOST_CELLS - 1)
    cell_m = max(prescription.grid.cell_m, math.ceil(least_m * 10) / 10)
    return west, south, east, north, round(cell_m * east_m_deg, 12), round(cell_m * north_m_deg, 12), cell_m


def _zone_of_centers(
    zones: tuple[DrawnZone, ...], west: float, south: float, east_step: float, north_step: float, shape: tuple[int, int]
) -> NDArray[np.int32]:
    """Zone that holds each cell's centre, row 0 in the south."""
    from rasterio.features import rasterize
    from rasterio.transform import Affine

    south_up = Affine(east_step, 0.0, west, 0.0, north_step, south)
    shapes = [(part, zone.rate.zone) for zone in zones for part in zone.parts]
    return np.asarray(rasterize(shapes, out_shape=shape, transform=south_up, fill=0, dtype="int32"))


def _widened(
    zone: NDArray[np.int32], prescription: Prescription, lon: NDArray[np.float64], lat: NDArray[np.float64]
) -> NDArray[np.int32]:
    """Cells outside the boundary but near it take the nearest zone, so that a drifting boom does not drop out."""
    crs, far_m = prescription.grid.crs, prescription.field.settings.header.edge_buffer_ft * FT_M
    empty = np.argwhere(zone == 0)
    places = shapely.points(*transformer(WGS84, crs).transform(lon[empty[:, 1]], lat[empty[:, 0]]))
    outside = ~shapely.intersects(places, prescription.field.boundary)
    tree = shapely.STRtree([rate.outline for rate in prescription.rates])
    near, which = tree.query_nearest(places[outside], max_distance=far_m, all_matches=False)
    wide = zone.copy()
    cells = empty[outside][near]
    wide[cells[:, 0], cells[:, 1]] = np.array([rate.zone for rate in prescription.rates])[which]
    return wide


def _kept_off(
    zone: NDArray[np.int32],
    prescription: Prescription,
    lon: NDArray[np.float64],
    lat: NDArray[np.float64],
    steps: tuple[float, float],
) -> NDArray[np.int32]:
    """Cells that touch no-apply ground or a hole of the boundary take nothing: when in doubt, less."""
    field = prescription.field
    holes = [shapely.Polygon(ring) for part in shapely.get_parts(field.boundary) for ring in part.interiors]
    forbidden = [part for area in (field.no_apply, *holes) for part in lonlat_parts(area, prescription.grid.crs)]
    clear = zone.copy()
    half_east, half_north = steps[0] / 2, steps[1] / 2
    for part in forbidden:
        west, south, east, north = part.bounds
        cols = np.flatnonzero((lon > west - half_east) & (lon < east + half_east))
        rows = np.flatnonzero((lat > south - half_north) & (lat < north + half_north))
        col, row = (index.ravel() for index in np.meshgrid(cols, rows))
        cells = shapely.box(lon[col] - half_east, lat[row] - half_north, lon[col] + half_east, lat[row] + half_north)
        shapely.prepare(part)
        touched = shapely.intersects(part, cells)
        clear[row[touched], col[touched]] = 0
    return clear
