"""The drive against a simulation of its own kind: step by step, one pass after another, no code shared."""

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely

from vrn.model.grid import Grid
from vrn.model.settings import MachineSection
from vrn.prescription.drive import drive, drive_report
from vrn.units import FT_M

CRS = "EPSG:32615"
GRID = Grid(crs=CRS, west_m=500_000.0, north_m=4_650_300.0, cell_m=2.0, rows=150, cols=250)
FIELD = shapely.box(500_000.0, 4_650_000.0, 500_500.0, 4_650_300.0)
STEP_M = 1.0

# swath ft, sections, mph, change s, look-ahead s, heading, rates
SETUPS = [
    (60.0, 1, 8.0, 2.0, 2.0, 90.0, (60.0, 120.0, 90.0)),
    (60.0, 6, 8.0, 2.0, 0.0, 90.0, (60.0, 120.0, 90.0)),
    (90.0, 9, 10.0, 3.0, 1.5, 0.0, (100.0, 150.0, 50.0)),
    (40.0, 4, 5.0, 1.0, 1.0, 45.0, (80.0, 40.0, 160.0)),
    (30.0, 1, 6.0, 0.5, 0.0, 10.0, (0.0, 100.0, 140.0)),
    (120.0, 12, 12.0, 4.0, 4.0, 90.0, (60.0, 180.0, 30.0)),
    (60.0, 3, 8.0, 2.0, 1.0, 120.0, (75.0, 125.0, 100.0)),
    (45.0, 2, 4.0, 2.0, 3.0, 30.0, (50.0, 0.0, 110.0)),
    (80.0, 8, 9.0, 1.5, 0.7, 170.0, (140.0, 70.0, 105.0)),
    (60.0, 60, 8.0, 2.0, 2.0, 0.0, (90.0, 95.0, 130.0)),
]


def _ground(seed: int) -> tuple[shapely.Geometry, list[shapely.Geometry]]:
    """A field with a pond and a creek cut out, three zones side by side with slanting borders."""
    rng = np.random.default_rng(seed)
    pond = shapely.Point(rng.uniform(500_100, 500_400), 4_650_150).buffer(25.0)
    creek = shapely.LineString(rng.uniform((500_000, 4_650_000), (500_500, 4_650_300), (3, 2))).buffer(5.0)
    treated = FIELD.difference(shapely.union(pond, creek))
    cuts = [(500_000 + 500 / 3 * k + rng.uniform(-40, 40), 500_000 + 500 / 3 * k + rng.uniform(-40, 40))
            for k in (1, 2)]  # fmt: skip
    edges = [(499_000.0, 499_000.0), *cuts, (502_000.0, 502_000.0)]
    zones = [shapely.Polygon([(a, 4_650_300), (c, 4_650_300), (d, 4_650_000), (b, 4_650_000)])
             for (a, b), (c, d) in pairwise(edges)]  # fmt: skip
    return treated, [shapely.intersection(zone, treated) for zone in zones]


def _labels(zones: list[shapely.Geometry]) -> np.ndarray:
    x = GRID.west_m + (np.arange(GRID.cols) + 0.5) * GRID.cell_m
    y = GRID.north_m - (np.arange(GRID.rows) + 0.5) * GRID.cell_m
    found = np.zeros(GRID.shape, dtype=np.int32)
    for number, zone in enumerate(zones, start=1):
        near = shapely.buffer(zone, GRID.cell_m)  # edge cells belong to a zone, as in a prescription
        found[shapely.contains_xy(near, *np.meshgrid(x, y)) & (found == 0)] = number
        found[shapely.contains_xy(zone, *np.meshgrid(x, y))] = number
    return found


def _again(
    treated: shapely.Geometry, labels: np.ndarray, passes: object,
    setup: tuple[float, int, float, float, float, float, tuple[float, ...]],
) -> tuple[float, np.ndarray]:  # fmt: skip
    """Pounds on the treated ground, in all and by zone: a machine with a clock, a rate and sections."""
    swath_ft, sections, mph, change_s, ahead_s, _, rates = setup
    swath, v = swath_ft * FT_M, mph * 0.44704
    turn = math.radians(passes.grid_heading_deg)  # type: ignore[attr-defined]
    u, w = np.array([math.sin(turn), math.cos(turn)]), np.array([math.cos(turn), -math.sin(turn)])
    origin, (start, stop) = np.array(passes.origin_m), passes.along_m  # type: ignore[attr-defined]

    def zone_at(xy: np.ndarray) -> np.ndarray:
        col = np.floor((xy[..., 0] - GRID.west_m) / GRID.cell_m).astype(int)
        row = np.floor((GRID.north_m - xy[..., 1]) / GRID.cell_m).astype(int)
        on = (col >= 0) & (col < GRID.cols) & (row >= 0) & (row < GRID.rows)
        return np.where(on, labels[np.clip(row, 0, GRID.rows - 1), np.clip(col, 0, GRID.cols - 1)], 0)

    width, fine = swath / sections, max(1, round(swath / sections / 1.0))
    middles = (np.arange(sections) + 0.5) * width - swath / 2
    spots = (middles[:, None] + (((np.arange(fine) + 0.5) / fine - 0.5) * width)[None]).ravel()
    seen = sorted((((k + 0.5) / 8 - 0.5) * swath for k in range(8)), key=abs)
    pounds = np.zeros(len(rates) + 1)
    for middle in passes.across_m:  # type: ignore[attr-defined]
        s = np.arange(start + STEP_M / 2, stop, STEP_M)
        line = origin + s[:, None] * u + middle * w
        ahead = zone_at(line + v * ahead_s * u)
        for aside in seen:
            ahead = np.where(ahead > 0, ahead, zone_at(line + v * ahead_s * u + aside * w))
        first = next((int(one) for one in ahead if one > 0), 0)
        centre = line[:, None] + middles[None, :, None] * w
        on = shapely.contains_xy(treated, centre[..., 0], centre[..., 1])
        under_xy = line[:, None] + spots[None, :, None] * w
        under = np.where(shapely.contains_xy(treated, under_xy[..., 0], under_xy[..., 1]), zone_at(under_xy), 0)
        goal = rate = rates[first - 1] if first else 0.0
        pace = 0.0  # lb N/ac a step
        for i, zone in enumerate(ahead):
            asked = rates[zone - 1] if zone > 0 else goal
            if asked != goal:
                goal = asked
                pace = (goal - rate) / max(change_s * v / STEP_M, 1.0)
            if rate != goal:
                rate = goal if abs(goal - rate) <= abs(pace) else rate + pace
            laid = rate * np.repeat(on[i], fine) * STEP_M * width / fine / 4046.8564224
            np.add.at(pounds, under[i], laid)
    return float(pounds[1:].sum()), pounds[1:]


@pytest.mark.parametrize("number", range(len(SETUPS)))
def test_the_drive_agrees_with_another_simulation(number: int) -> None:
    """Ten set-ups: the pounds in all and in each zone are the same within 1 %."""
    setup = SETUPS[number]
    swath_ft, sections, mph, change_s, ahead_s, heading, rates = setup
    treated, zones = _ground(number)
    labels = _labels(zones)
    machine = MachineSection(swath_ft=swath_ft, sections=sections, speed_mph=mph, rate_change_s=change_s,
                             look_ahead_s=ahead_s, heading_deg=heading, headland_rounds=0)  # fmt: skip
    driven = drive(labels, np.array([0.0, *rates]), grid=GRID, treated=treated, machine=machine)
    report = drive_report(driven, machine)
    whole, by_zone = _again(treated, labels, driven.way.passes, setup)
    assert report.applied_n_lb == pytest.approx(whole, rel=0.01)
    piece_ac = driven.piece_m2 / 4046.8564224
    for zone, pounds in enumerate(by_zone, start=1):
        mine = float(driven.applied_n_lb_ac[driven.zone == zone].sum()) * piece_ac
        assert mine == pytest.approx(pounds, rel=0.01, abs=0.005 * whole)
