"""A drive: passes, headings, and what a controller that is late or early puts where."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely

from vrn.model.grid import Grid, share_inside
from vrn.model.settings import MachineSection
from vrn.prescription.drive import Drive, drive, drive_report
from vrn.prescription.passes import _convergence_deg, _fewest_turns_deg, passes_over

Make = Callable[..., Any]
CRS = "EPSG:32615"
GRID = Grid(crs=CRS, west_m=500_000.0, north_m=4_650_360.0, cell_m=2.0, rows=180, cols=360)
GROUND = shapely.box(500_000.0, 4_650_000.0, 500_720.0, 4_650_360.0)
SWATH_FT = 59.0551  # 18.0 m


def _drive(labels: np.ndarray, rates: list[float], **machine: Any) -> Drive:
    settings = {
        "swath_ft": SWATH_FT,
        "speed_mph": 8.0,
        "rate_change_s": 2.0,
        "heading_deg": 90.0,
        "headland_rounds": 0,
        **machine,
    }
    return drive(labels.astype(np.int32), np.array([0.0, *rates]), grid=GRID, treated=GROUND,
                 machine=MachineSection(**settings))  # fmt: skip


def _halves() -> np.ndarray:
    return np.where(np.arange(360) < 180, 1, 2) * np.ones((180, 1), dtype=int)


def test_one_rate_is_put_on_as_it_is() -> None:
    """A single zone gets its rate everywhere, and the pounds are the field's."""
    driven = _drive(np.ones((180, 360)), [120.0])
    assert driven.within.all()
    report = drive_report(driven, MachineSection(swath_ft=SWATH_FT))
    acres = 720 * 360 / 4046.8564224
    assert report.applied_n_lb == pytest.approx(120 * acres, rel=1e-3)
    assert report.applied_n_lb == pytest.approx(report.prescribed_n_lb)
    assert report.passes == 20


@pytest.mark.parametrize(("look_ahead_s", "under_ac", "over_ac"), [(0.0, 5.006, 0.0), (2.0, 0.0, 5.721)])
def test_a_change_that_comes_late_or_early(look_ahead_s: float, under_ac: float, over_ac: float) -> None:
    """
    From 100 to 150 over 2 s, 7.152 m at 8 mph: late, the rate is under 135 for 70 % of it; early, over 110 for 80 %.

    Over a width of 360 m: .7 × 7.152 × 360 m² = 1802 m² (.4454 ac); .8 × 7.152 × 360 = 2060 m² (.5090 ac).
    """
    driven = _drive(_halves(), [100.0, 150.0], look_ahead_s=look_ahead_s)
    zones = drive_report(driven, MachineSection()).zones
    step_ac = 360.0 / 4046.8564224  # a metre along the field
    assert zones[1].under_ac == pytest.approx(0.0889 * under_ac, abs=step_ac)
    assert zones[0].over_ac == pytest.approx(0.0889 * over_ac, abs=step_ac)


def test_the_best_look_ahead_is_half_a_change() -> None:
    """Centred on the border, the change errs as much before as after, and the field gets its pounds."""
    driven = _drive(_halves(), [100.0, 150.0], look_ahead_s=1.0)
    report = drive_report(driven, MachineSection())
    # passes all run east: what the change gives too much before the border it lacks behind it
    assert report.applied_n_lb == pytest.approx(report.prescribed_n_lb, rel=4e-4)


def test_a_boom_across_a_border_has_one_rate() -> None:
    """Zones a swath wide, laid a third of a swath beside the passes: a third of the field gets the other's rate."""
    stripes = np.roll((np.arange(180) // 9 % 2 + 1)[:, None] * np.ones((1, 360), dtype=int), 3, axis=0)
    driven = _drive(stripes, [100.0, 200.0])
    assert driven.within.mean() == pytest.approx(2 / 3, abs=0.01)
    fine = _drive(stripes, [100.0, 105.0])
    assert fine.within.all()  # 5 % apart is within the tolerance either way


def test_sections_close_over_no_apply_ground() -> None:
    """Narrow sections leave a waterway alone and do the ground beside it; one wide section misses some of it."""
    labels = np.ones((180, 360), dtype=int)
    labels[:, 150:156] = 0
    labels[84:90, :] = 0
    wide = _drive(labels, [100.0], sections=1)
    narrow = _drive(labels, [100.0], sections=12)
    assert narrow.within.mean() > wide.within.mean()
    assert narrow.within.mean() > 0.995
    assert (narrow.zone == 1).all()


def test_the_drive_prescribes_the_fields_own_pounds() -> None:
    """A triangle whose slope cuts cells anywhere: 100 lb/ac on half of 720 × 360 m are 32.02 ac × 100."""
    triangle = shapely.Polygon([(500_000.0, 4_650_000.0), (500_720.0, 4_650_000.0), (500_000.0, 4_650_360.0)])
    coarse = Grid(crs=CRS, west_m=500_000.0, north_m=4_650_360.0, cell_m=20.0, rows=18, cols=36)
    labels = (share_inside(coarse, triangle) > 0).astype(np.int32)
    pounds = 100 * 720 * 360 / 2 / 4046.8564224
    spilled = []
    for sections in (1, 6):
        machine = MachineSection(swath_ft=SWATH_FT, sections=sections, heading_deg=90.0, headland_rounds=0)
        driven = drive(labels, np.array([0.0, 100.0]), grid=coarse, treated=triangle, machine=machine)
        report = drive_report(driven, machine)
        assert report.prescribed_n_lb == pytest.approx(pounds, rel=2e-3)
        assert shapely.contains_xy(triangle, driven.points_m).all()
        spilled.append(report.spilled.outside_n_lb)
    assert spilled[1] < spilled[0] / 3


def test_what_overhangs_the_edge_is_reported() -> None:
    """354 m are 19⅔ swaths of 18 m: the last pass puts 6 m × 720 m × 100 lb/ac beyond the edge."""
    ground = shapely.box(500_000.0, 4_650_000.0, 500_720.0, 4_650_354.0)
    machine = MachineSection(swath_ft=SWATH_FT, heading_deg=90.0, headland_rounds=0)
    labels = np.where(share_inside(GRID, ground) > 0, 1, 0).astype(np.int32)
    report = drive_report(drive(labels, np.array([0.0, 100.0]), grid=GRID, treated=ground, machine=machine), machine)
    assert report.spilled.outside_n_lb == pytest.approx(100 * 6 * 720 / 4046.8564224, rel=1e-3)
    assert report.applied_n_lb == pytest.approx(100 * 354 * 720 / 4046.8564224, rel=1e-3)


def test_a_rate_of_zero_is_met_by_nothing_only() -> None:
    """In a zone of 0 a trickle is a miss."""
    driven = _drive(_halves(), [0.0, 150.0], look_ahead_s=2.0)
    zero = driven.zone == 1
    assert 0.97 < driven.within[zero].mean() < 1.0
    assert (driven.applied_n_lb_ac[zero & ~driven.within] > 0).all()


def test_slow_machines_hit_more() -> None:
    """The slower the drive, the shorter the change."""
    hits = [_drive(_halves(), [100.0, 150.0], speed_mph=speed).within.mean() for speed in (4.0, 8.0, 16.0)]
    assert hits == sorted(hits, reverse=True)


def test_fewest_turns_follow_the_long_side() -> None:
    """A field 720 × 360 m is driven along its length, turned or not."""
    assert _fewest_turns_deg(GROUND, swath_m=18.0) == pytest.approx(90.0)
    turned = shapely.affinity.rotate(GROUND, -30.0, origin="center")  # clockwise
    assert _fewest_turns_deg(turned, swath_m=18.0) == pytest.approx(120.0, abs=0.01)


def test_passes_cover_the_field_once() -> None:
    """Pass middles are a swath apart, the first half a swath in, and the last covers the far edge."""
    passes = passes_over(GROUND, crs=CRS, swath_m=18.0, heading_deg=90.0 + _convergence_deg(GROUND.centroid, CRS))
    assert np.diff(passes.across_m) == pytest.approx(np.full(19, 18.0))
    first = passes.to_field(np.array([passes.along_m[0]]), passes.across_m[:1])[0]
    assert first == pytest.approx([500_000.0, 4_650_351.0], abs=0.1)  # heading east, to the right is south: north first


@pytest.mark.parametrize(("east", "north", "epsg"), [(300_000, 4_650_000, 32615), (650_000, 6_200_000, 32721)])
def test_convergence_against_pyproj(east: float, north: float, epsg: int) -> None:
    """The angle between true north and grid north is that of PROJ's own factors."""
    crs = f"EPSG:{epsg}"
    longitude, latitude = pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(east, north)
    factors = pyproj.Proj(crs).get_factors(longitude, latitude)
    ours = _convergence_deg(shapely.Point(east, north), crs)
    assert abs(ours) == pytest.approx(abs(factors.meridian_convergence), abs=2e-3)
    forward = pyproj.Geod(ellps="WGS84").inv(
        longitude, latitude,
        *pyproj.Transformer.from_crs(crs, "EPSG:4326", always_xy=True).transform(east, north + 100.0),
    )[0]  # fmt: skip
    assert ours == pytest.approx(forward, abs=1e-2)  # azimuth of grid north, clockwise from true north


def test_a_drive_that_misses_too_much_is_reported(made: Make) -> None:
    """A slow rate change at speed on narrow zones: less than 90 % within ± 10 % is a warning."""
    machine = MachineSection(speed_mph=15.0, rate_change_s=6.0, heading_deg=90.0)
    prescription = made((40.0, 140.0, 40.0, 140.0, 40.0, 140.0), machine=machine).prescribe()
    assert prescription.drive.within_share < 0.9
    (found,) = [finding for finding in prescription.findings if finding.code == "rates.drive-share"]
    assert found.level == "warning"
    assert found.quantities["share"].value == prescription.drive.within_share
    easy = made((60.0, 100.0)).prescribe()
    assert easy.drive.within_share > 0.97
    assert not any(finding.code == "rates.drive-share" for finding in easy.findings)


def _beside(no_apply: shapely.Geometry, sections: int = 1, **machine: Any) -> Any:
    """Report of a drive over 720 × 354 m at 100 lb/ac, in 19⅔ swaths of 18 m that run east."""
    ground = shapely.box(500_000.0, 4_650_000.0, 500_720.0, 4_650_354.0)
    labels = np.where(share_inside(GRID, ground) > 0, 1, 0).astype(np.int32)
    kept = MachineSection(swath_ft=SWATH_FT, heading_deg=90.0, sections=sections, headland_rounds=0, **machine)
    driven = drive(labels, np.array([0.0, 100.0]), grid=GRID, treated=ground, machine=kept, no_apply=no_apply)
    return drive_report(driven, kept)


@pytest.mark.parametrize("side", ["north", "south"])
def test_what_lands_on_a_creek_beside_the_field_is_counted(side: str) -> None:
    """The overhang is 6 m in all: of a creek 2 m wide at the edge it covers 2 m × 720 m at 100 lb/ac."""
    edge = 4_650_354.0 if side == "north" else 4_650_000.0 - 2.0
    report = _beside(shapely.box(499_000.0, edge, 501_720.0, edge + 2.0))
    assert report.spilled.outside_n_lb == pytest.approx(100 * 6 * 720 / 4046.8564224, rel=1e-3)
    reached = 2.0 if side == "south" else 0.0  # the passes begin at the northern edge
    expected = 100 * reached * 720 / 4046.8564224
    assert report.spilled.no_apply_n_lb == pytest.approx(expected, rel=1e-3, abs=0.4)  # true and grid north differ
    if reached:
        assert shapely.distance(shapely.Point(report.spilled.no_apply_at_m), shapely.Point(500_360, edge)) < 361


def test_creeks_on_both_sides_get_what_the_overhang_covers() -> None:
    """Whichever side the last pass hangs over, 2 m of its 6 m are creek."""
    both = shapely.union_all([shapely.box(499_000, 4_649_998, 501_720, 4_650_000),
                              shapely.box(499_000, 4_650_354, 501_720, 4_650_356)])  # fmt: skip
    assert _beside(both).spilled.no_apply_n_lb == pytest.approx(100 * 2 * 720 / 4046.8564224, rel=2e-2)


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.long) for seed in (1, 2, 3))])
def test_sections_that_shut_at_first_touch_put_nothing_beyond(seed: int) -> None:
    """With no overlap at the edge nothing lands off the treated ground, whatever its shape; with some, something."""
    rng = np.random.default_rng(seed)
    creek = shapely.LineString(rng.uniform((500_000, 4_650_000), (500_720, 4_650_360), (4, 2))).buffer(4.0)
    treated = GROUND.difference(creek)
    labels = (share_inside(GRID, treated) > 0).astype(np.int32)
    spilled = {}
    for overlap in (0.0, 50.0, 100.0):
        machine = MachineSection(swath_ft=SWATH_FT, heading_deg=90.0, sections=3, edge_overlap_pct=overlap)
        driven = drive(labels, np.array([0.0, 100.0]), grid=GRID, treated=treated, machine=machine, no_apply=creek)
        spilled[overlap] = driven.spilled.no_apply_n_lb
        assert driven.spilled.no_apply_n_lb <= driven.spilled.outside_n_lb + 1e-9
    assert spilled[0.0] == pytest.approx(0.0, abs=1e-6)
    assert 0 < spilled[50.0] < spilled[100.0]
