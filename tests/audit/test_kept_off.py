"""No-apply ground gets nothing, inside the boundary and beyond it, whatever its shape and however wide the edge is."""

from dataclasses import replace
from types import ModuleType

import numpy as np
import pytest
import shapely

from vrn.files.iso import iso_grid
from vrn.files.lonlat import drawn_zones
from vrn.model.grid import reproject

FIELD = shapely.box(0, 0, 400, 300)


def _forbidden(seed: int) -> shapely.Geometry:
    """A creek as a line, a well as a point, a pond as an area, each with a setback, anywhere about the field."""
    rng = np.random.default_rng(seed)
    low, high = (-60.0, -60.0), (460.0, 360.0)
    creek = shapely.LineString(rng.uniform(low, high, (4, 2))).buffer(rng.uniform(1, 12))
    well = shapely.Point(rng.uniform(low, high)).buffer(15.0)
    corner = rng.uniform(low, high)
    pond = shapely.box(*corner, *(corner + rng.uniform(10, 80, 2)))
    beside = shapely.box(401 + rng.uniform(0, 15), -50, 430, 350)  # along the east edge, outside
    return shapely.union_all([creek, well, pond, beside])


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("edge_buffer_ft", [0.0, 90.0])
def test_no_cell_and_no_zone_touches_no_apply_ground(maker: ModuleType, seed: int, edge_buffer_ft: float) -> None:
    """Neither the grid of a terminal nor an outline puts a rate there; the edge's buffer reaches beyond elsewhere."""
    never = _forbidden(seed)
    halves = [shapely.box(0, 0, 200, 300).difference(never), shapely.box(200, 0, 400, 300).difference(never)]
    made = maker.make_prescription(zones=halves, no_apply=never, edge_buffer_ft=edge_buffer_ft)
    shift = np.subtract(made.field.no_apply.bounds[:2], never.bounds[:2])
    boundary = shapely.transform(FIELD, lambda xy: xy + shift)
    made = replace(made, field=replace(made.field, boundary=boundary))
    grid = iso_grid(made)
    row, col = np.nonzero(grid.zone)
    west, south = grid.west_deg + col * grid.east_step_deg, grid.south_deg + row * grid.north_step_deg
    cells = shapely.box(west, south, west + grid.east_step_deg, south + grid.north_step_deg)
    inner = shapely.buffer(made.field.no_apply, -0.05)
    placed = reproject(shapely.geometrycollections(cells), "EPSG:4326", made.grid.crs)
    assert not shapely.intersects(shapely.get_parts(placed), inner).any()
    beyond = shapely.area(shapely.difference(shapely.get_parts(placed), boundary)).sum()
    assert (beyond > 3000.0) == (edge_buffer_ft > 0)  # cells at the edge alone reach over by less
    for zone in drawn_zones(made):
        for part in zone.parts:
            assert shapely.intersection(reproject(part, "EPSG:4326", made.grid.crs), inner).area < 0.5
