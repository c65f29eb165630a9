"""The way over a field: rounds and straight passes serve all ground once; lines that a person gives are followed."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.findings import Quantity
from vrn.model.grid import Grid, share_inside
from vrn.model.settings import MachineSection
from vrn.prescription.drive import Drive, drive
from vrn.prescription.passes import Stations, way_over
from vrn.prescription.work import work_plan
from vrn.units import AC_M2

Make = Callable[..., Any]
CRS = "EPSG:32615"
GRID = Grid(crs=CRS, west_m=500_000.0, north_m=4_650_360.0, cell_m=4.0, rows=90, cols=180)
SWATH_FT = 59.0551  # 18.0 m
FIELD = shapely.box(500_010.0, 4_650_010.0, 500_700.0, 4_650_350.0)
SLANTED = shapely.affinity.rotate(shapely.box(500_150.0, 4_650_060.0, 500_570.0, 4_650_300.0), 17.0)


def _machine(**more: Any) -> MachineSection:
    return MachineSection(**{"swath_ft": SWATH_FT, "heading_deg": 90.0, "sections": 12, **more})


def _driven(ground: shapely.Geometry, machine: MachineSection, lines: shapely.Geometry | None = None) -> Drive:
    """100 lb/ac west of the middle, 140 east of it."""
    labels = np.where(share_inside(GRID, ground) > 0, np.where(np.arange(180) < 90, 1, 2), 0).astype(np.int32)
    return drive(labels, np.array([0.0, 100.0, 140.0]), grid=GRID, treated=ground, machine=machine, lines=lines)


def _acres(driven: Drive) -> float:
    return len(driven.zone) * driven.piece_m2 / AC_M2


@pytest.mark.parametrize("ground", [
    FIELD, SLANTED, FIELD.difference(shapely.LineString([(500_100, 4_650_000), (500_400, 4_650_360)]).buffer(8.0)),
    shapely.Polygon([(500_010, 4_650_010), (500_700, 4_650_010), (500_700, 4_650_350), (500_350, 4_650_120),
                     (500_010, 4_650_350)]),
], ids=["box", "slanted", "waterway", "notch"])  # fmt: skip
@pytest.mark.parametrize("rounds", [0, 1, 2])
def test_all_ground_is_served_once(ground: shapely.Geometry, rounds: int) -> None:
    """Whatever its shape a field's acres are driven once, within 1 %, and little is put on twice."""
    driven = _driven(ground, _machine(headland_rounds=rounds))
    assert _acres(driven) == pytest.approx(shapely.area(ground) / AC_M2, rel=0.01)
    assert driven.twice_n_lb < 0.02 * driven.applied_n_lb_ac.sum() * driven.piece_m2 / AC_M2
    assert driven.way.rounds == rounds * len(shapely.get_parts(ground))


def test_two_rounds_where_nothing_is_said_keep_off_what_slanted_passes_spill() -> None:
    """Straight passes meet a slanted edge with half a section over it; rounds run along it."""
    usual, none = _driven(SLANTED, _machine(sections=1)), _driven(SLANTED, _machine(sections=1, headland_rounds=0))
    assert usual.way.rounds == 2
    assert usual.spilled.outside_n_lb < none.spilled.outside_n_lb / 4


def test_a_small_field_has_no_room_for_rounds() -> None:
    """A strip of less than a swath is driven in straight passes, and all of it."""
    strip = shapely.box(500_010.0, 4_650_010.0, 500_700.0, 4_650_026.0)
    driven = _driven(strip, _machine())
    assert driven.way.rounds == 0
    assert _acres(driven) == pytest.approx(strip.area / AC_M2, rel=0.05)


def test_rounds_that_leave_nothing_are_the_whole_way() -> None:
    """Four swaths wide: two rounds serve all of it, and no straight pass is left."""
    strip = shapely.box(500_010.0, 4_650_010.0, 500_700.0, 4_650_082.0)
    driven = _driven(strip, _machine())
    assert (driven.way.rounds, driven.way.count) == (2, 2)
    assert _acres(driven) == pytest.approx(strip.area / AC_M2, rel=0.02)


def test_straight_lines_given_are_the_straight_passes() -> None:
    """The drive along the middle lines of the straight passes is the straight drive."""
    straight = _driven(SLANTED, _machine(headland_rounds=0))
    given = _driven(SLANTED, _machine(), shapely.multilinestrings(straight.way.parts[0].lines))
    assert given.way.given
    assert given.way.count == straight.way.count
    assert given.spilled.outside_n_lb == pytest.approx(straight.spilled.outside_n_lb)
    for zone in (1, 2):
        one, two = (float(which.applied_n_lb_ac[which.zone == zone].sum()) for which in (straight, given))
        assert two == pytest.approx(one, rel=1e-3)


def test_contour_lines_are_followed() -> None:
    """Arcs a swath apart over a ring of ground: all of it is served once, at its own rate where no change is near."""
    middle = shapely.Point(500_350.0, 4_650_000.0)
    half = shapely.box(499_000.0, 4_650_060.0, 501_000.0, 4_651_000.0)
    ring = middle.buffer(100.0 + 12 * 18.0, quad_segs=64).difference(middle.buffer(100.0, quad_segs=64))
    ground = ring.intersection(half).intersection(FIELD)
    arcs = [middle.buffer(100.0 + (k + 0.5) * 18.0, quad_segs=64).exterior.intersection(half) for k in range(12)]
    lines = shapely.multilinestrings([part for arc in arcs for part in shapely.get_parts(shapely.line_merge(arc))])
    driven = _driven(ground, _machine(), lines)
    assert _acres(driven) == pytest.approx(shapely.area(ground) / AC_M2, rel=0.02)
    far = np.abs(driven.points_m[:, 0] - 500_360.0) > 25.0
    assert driven.within[far].all()
    stations = Stations.on(tuple(shapely.get_parts(lines)), 1.0)
    assert np.allclose(np.hypot(*np.moveaxis(stations.along, -1, 0)), 1.0)


def test_ground_that_lines_leave_is_told_with_its_place(made: Make) -> None:
    """Seven of the lines of a field of 400 m left out, 18.288 m each: 12.65 ac, and the place lies among them."""
    field = made((100.0,), machine=MachineSection(swath_ft=60.0, heading_deg=0.0, headland_rounds=0))
    outline = field.field.boundary
    lines = way_over(outline, crs=field.grid.crs, machine=field.field.settings.machine).parts[0].lines
    few = replace(field, field=replace(field.field, lines=shapely.multilinestrings(lines[:8] + lines[15:])))
    found = {one.code: one for one in few.prescribe().findings}
    left = found["rates.lines-leave"].quantities["area"]
    assert isinstance(left, Quantity)
    assert left.value == pytest.approx(7 * 18.288 * 400 / AC_M2, rel=0.01)
    whole = replace(field, field=replace(field.field, lines=shapely.multilinestrings(lines)))
    assert "rates.lines-leave" not in {one.code for one in whole.prescribe().findings}


def test_the_days_work_begins_with_the_rounds(made: Make) -> None:
    """Four loads of one rate on 400 × 400 m: 22 passes' ground with two rounds first, in which the first load ends."""
    found = made((100.0,), machine=MachineSection(swath_ft=60.0, heading_deg=0.0)).prescribe()
    work = work_plan(found)
    assert work is not None
    assert work.rounds == 2
    assert found.drive.passes == work.passes == 2 + 18  # 400 m less two rounds of 18.288 m on each side: 17.9 swaths
    driven_m = 4 * (400 - 18.288) + 4 * (400 - 3 * 18.288) + 18 * (400 - 4 * 18.288)  # to the corners of the rounds
    assert work.driving_h == pytest.approx(driven_m / (8 * 1609.344), rel=0.03)
