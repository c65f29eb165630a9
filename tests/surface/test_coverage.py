"""Ground far from every reading is not known, and a layer's gap takes a stated value with the layer's spread."""

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from vrn.model.grid import Grid
from vrn.model.surface import Surface
from vrn.surface import far_ground, points_on_grid, with_far_ground, with_gap_filled
from vrn.surface.coverage import far_findings, usual_spacing_m
from vrn.units import AC_M2, FT_M

GRID = Grid(crs="EPSG:32615", west_m=0.0, north_m=600.0, cell_m=20.0, rows=30, cols=40)
ALL = np.ones(GRID.shape)
ACRES = 800 * 600 / AC_M2
PLACES = st.lists(st.tuples(st.floats(0, 800), st.floats(0, 600)), min_size=1, max_size=25)
REACH = st.none() | st.floats(20, 2_000)


def _distance(places: list[tuple[float, float]]) -> np.ndarray:
    apart = GRID.centers_m()[:, None, :] - np.array(places)[None, :, :]
    return np.hypot(*np.moveaxis(apart, 2, 0)).min(axis=1).reshape(GRID.shape)


@settings(max_examples=60)
@given(places=PLACES, reach=REACH, treated=st.integers(0, 2**31))
def test_every_cell_farther_than_the_threshold_is_far_and_none_nearer(
    places: list[tuple[float, float]], reach: float | None, treated: int
) -> None:
    """The mask is the distance to the nearest reading over the threshold, on treated ground; acres are its cells'."""
    share = np.random.default_rng(treated).choice([0.0, 0.4, 1.0], size=GRID.shape)
    share[0, 0] = 1.0
    far = far_ground(GRID, share, np.array(places), acres=50.0, range_m=reach)
    away = _distance(places)
    surely = np.abs(away - far.threshold_ft * FT_M) > 1e-6
    assert np.array_equal(far.mask[surely], ((away > far.threshold_ft * FT_M) & (share > 0))[surely])
    assert far.share == pytest.approx(share[far.mask].sum() / share.sum())
    assert far.acres == pytest.approx(50.0 * far.share)
    three = 3 * usual_spacing_m(np.array(places))
    assert far.threshold_ft * FT_M == pytest.approx(three if reach is None else min(three, reach))


@settings(max_examples=60)
@given(places=PLACES, more=PLACES, reach=st.floats(20, 180))
def test_a_reading_more_never_adds_far_ground_where_the_range_decides(
    places: list[tuple[float, float]], more: list[tuple[float, float]], reach: float
) -> None:
    """The range is below three of the least spacings, so the threshold stays."""
    before = far_ground(GRID, ALL, np.array(places), acres=ACRES, range_m=reach)
    after = far_ground(GRID, ALL, np.array(places + more), acres=ACRES, range_m=reach)
    assert not (after.mask & ~before.mask).any()


@settings(max_examples=60)
@given(places=PLACES, seed=st.integers(0, 2**31))
def test_a_reading_on_far_ground_never_adds_to_it(places: list[tuple[float, float]], seed: int) -> None:
    """It is no neighbour of the others, so the usual spacing does not fall."""
    before = far_ground(GRID, ALL, np.array(places), acres=ACRES)
    cells = np.flatnonzero(before.mask.ravel())
    if not len(cells):
        return
    more = GRID.centers_m()[np.random.default_rng(seed).choice(cells)]
    after = far_ground(GRID, ALL, np.vstack([places, more]), acres=ACRES)
    assert after.acres < before.acres


@settings(max_examples=40)
@given(places=PLACES, seed=st.integers(0, 2**31))
def test_repeats_and_close_pairs_add_no_far_ground(places: list[tuple[float, float]], seed: int) -> None:
    """Readings closer together than one an acre lower no threshold below that of one an acre."""
    rng = np.random.default_rng(seed)
    once = np.array(places)
    beside = np.vstack([once, once, once + rng.uniform(-5, 5, once.shape)])
    far = far_ground(GRID, ALL, beside, acres=ACRES)
    assert far.threshold_ft >= 3 * math.sqrt(AC_M2) / FT_M - 1e-9
    assert np.array_equal(far_ground(GRID, ALL, np.vstack([once, once]), acres=ACRES).mask,
                          far_ground(GRID, ALL, once, acres=ACRES).mask)  # fmt: skip


def test_ground_inside_a_composites_area_is_known() -> None:
    """Two areas over the west half: distance is counted from their edge, and is 0 inside."""
    areas = [shapely.box(0, 0, 400, 300), shapely.box(0, 300, 400, 600)]
    places = np.array([(10.0, 10.0), (10.0, 590.0)])
    far = far_ground(GRID, ALL, places, areas=areas, acres=ACRES, range_m=100.0)
    east = np.broadcast_to(GRID.eastings_m() > 500.0, GRID.shape)
    assert np.array_equal(far.mask, east)
    assert far.side == ""  # two places are too few to call one-sided


@pytest.mark.parametrize(
    ("places", "side", "corner"),
    [
        ([(700, 550), (760, 500), (720, 580)], "northeast", True),
        ([(100, 50), (60, 100), (220, 80)], "southwest", True),
        ([(100, 50), (150, 300), (300, 550)], "west", False),
        ([(100, 350), (400, 450), (700, 500)], "north", False),
        ([(600, 100), (700, 300), (600, 500)], "east", False),
        ([(100, 50), (400, 120), (700, 200)], "south", False),
        ([(60, 300), (60, 60), (380, 60), (380, 310), (200, 400), (500, 60)], "southwest", False),
        ([(200, 150), (600, 150), (200, 450), (600, 450)], "", False),  # the middles of four quarters
        ([(100, 290), (300, 290), (500, 290), (700, 290)], "", False),  # a line through the middle
        ([(100, 100), (700, 500), (400, 300)], "", False),
    ],
)
def test_readings_on_one_side_are_told(places: list[tuple[float, float]], side: str, corner: bool) -> None:
    """A half or corner is named where over half the ground lies past all readings, and little on their own side."""
    far = far_ground(GRID, ALL, np.array(places, dtype=float), acres=ACRES)
    assert (far.side, far.corner) == (side, corner)
    codes = [finding.code for finding in far_findings(far, "nitrate_ppm") if finding.level == "warning"]
    expected = f"surface.far-{'corner' if corner else 'half'}" if far.share >= 0.01 else "surface.part-not-sampled"
    assert (codes == [expected]) if side else expected not in codes


def test_kriging_widens_by_itself_and_the_mean_is_widened() -> None:
    """Far ground has the larger error either way, in the surface and in its draws' means."""
    rng = np.random.default_rng(3)
    here = rng.uniform(0, 300, (40, 2))
    trend = 10 + 8 * np.sin(here[:, 0] / 60) * np.cos(here[:, 1] / 60)
    for ppm, only in ((trend, False), (trend, True)):
        made = points_on_grid(here, ppm, GRID, name="nitrate_ppm", use_mean_only=only)
        assert made.choice is not None
        assert made.se is not None
        assert (made.choice.range_m is None) == (made.chosen == "mean") == only
        far = far_ground(GRID, ALL, here, acres=ACRES, range_m=made.choice.range_m)
        surface = with_far_ground(made, far)
        assert surface.se is not None
        assert surface.draws is not None
        assert far.share > 1 / 3
        near = _distance([tuple(place) for place in here.tolist()]) < 40
        assert surface.se[far.mask].min() > surface.se[near].mean()
        assert np.array_equal(surface.values, made.values)
        drawn = surface.draws(200, seed=1)
        assert drawn[:, far.mask].mean(axis=1).std() > 1.5 * drawn[:, near].mean(axis=1).std()


@settings(max_examples=60)
@given(seed=st.integers(0, 2**31), known=st.floats(0.05, 1.0), goal=st.none() | st.floats(100, 300))
def test_a_gap_takes_the_stated_value_and_the_layers_spread(seed: int, known: float, goal: float | None) -> None:
    """Known cells stay as they are; unknown ones get the goal or the mean, their spread as error; nothing is NaN."""
    rng = np.random.default_rng(seed)
    share = rng.choice([0.0, 0.5, 1.0], size=GRID.shape)
    values = np.where(rng.random(GRID.shape) < known, rng.normal(200, 30, GRID.shape), np.nan)
    values[:2, :2], share[:2, :2] = [[180, 220], [200, 210]], 1.0
    bare = Surface(name="yield_goal_bu_ac", grid=GRID, values=values, chosen="raster by area")
    surface = with_gap_filled(bare, share, acres=100.0, value=goal)
    here = np.isfinite(values)
    gap = ~here & (share > 0)
    if not gap.any():
        assert surface is bare
        return
    mean = np.average(values[here & (share > 0)], weights=share[here & (share > 0)])
    spread = math.sqrt(np.average((values[here & (share > 0)] - mean) ** 2, weights=share[here & (share > 0)]))
    assert np.array_equal(surface.values[here], values[here])
    assert surface.values[gap] == pytest.approx(mean if goal is None else goal)
    assert surface.se is not None
    assert surface.se[gap] == pytest.approx(spread)
    assert surface.choice is not None
    assert surface.choice.gap is not None
    assert surface.choice.gap.acres == pytest.approx(100.0 * share[gap].sum() / share.sum())
    (finding,) = surface.findings
    assert finding.level == ("warning" if share[gap].sum() / share.sum() >= 0.01 else "note")
    assert surface.draws is not None
    drawn = surface.draws(300, seed=2)
    assert np.isfinite(drawn[:, share > 0]).all()
    assert drawn[:, gap].std(axis=0) == pytest.approx(spread, rel=0.25)
    assert np.ptp(drawn[:, here], axis=0).max() == 0
