"""Zones on need: as many as pay, where they pay, the same every time."""

import numpy as np
import pytest
import shapely
from scipy import ndimage
from scipy.stats import norm

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid, share_inside
from vrn.zones import Zones, by_steps, draw
from vrn.zones.cut import optimal_cuts, smoothed
from vrn.zones.finish import choose_zone_count, misallocated, surroundings, zone_means

GRID = Grid(crs="EPSG:32615", west_m=500_000.0, north_m=4_650_600.0, cell_m=6.0, rows=100, cols=100)
FIELD = shapely.box(500_000.0, 4_650_000.0, 500_600.0, 4_650_600.0)
SHARE = np.ones(GRID.shape)


def _zones(values: np.ndarray, **choices: object) -> Zones:
    sizes = {"least_patch_m2": 1500.0, "least_width_m": 18.0, "step": 5.0}
    return draw(values, grid=GRID, share=SHARE, treated=FIELD, **{**sizes, **choices})


def _waves(seed: int = 3, noise: float = 4.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    smooth = ndimage.gaussian_filter(rng.normal(size=GRID.shape), 9)
    return 120 + 25 * smooth / smooth.std() + noise * rng.normal(size=GRID.shape)


@pytest.mark.parametrize("value", [0.0, 120.0])
def test_a_constant_need_is_one_zone(value: float) -> None:
    """Where the need is the same everywhere there is one zone and nothing is misallocated."""
    zones = _zones(np.full(GRID.shape, value))
    assert len(zones.outlines) == 1
    assert zones.outlines[0].equals(FIELD)
    assert zones.choice[0].misallocated_lb_ac == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_scatter_without_structure_is_one_zone(seed: int) -> None:
    """Cell-to-cell scatter of 20 lb/ac holds nothing to drive by, though zones drawn on it would seem to save."""
    zones = _zones(120 + 20 * np.random.default_rng(seed).normal(size=GRID.shape))
    assert zones.choice[0].misallocated_lb_ac - zones.choice[1].misallocated_lb_ac > 0.2
    assert len(zones.outlines) == 1


def test_three_plateaus_are_three_zones() -> None:
    """Three levels of need are found at their own places, numbered by rising need."""
    need = np.select([np.arange(100) < 30, np.arange(100) < 60], [140.0, 60.0], 100.0) * np.ones((100, 1))
    zones = _zones(need)
    assert len(zones.outlines) == 3
    assert [zones.labels[50, col] for col in (10, 45, 80)] == [3, 1, 2]
    assert [outline.area for outline in zones.outlines] == pytest.approx([108_000, 144_000, 108_000], rel=0.01)


def test_the_samples_error_takes_zones_away() -> None:
    """The less the need is known, the less of a saving outlives, and the fewer zones are drawn."""
    need = _waves()
    counts, survives = [], []
    for se in (0.0, 20.0, 60.0, 200.0):
        zones = _zones(need, value_se=np.full(GRID.shape, se))
        counts.append(len(zones.outlines))
        survives.append(zones.choice[3].survives_lb_ac)
    assert counts == sorted(counts, reverse=True)
    assert counts[0] > counts[-1]
    assert survives == sorted(survives, reverse=True)


def test_expected_misallocation_is_the_mean_of_a_folded_normal() -> None:
    """Against SciPy's own folded normal distribution."""
    from scipy.stats import foldnorm

    for gap, se in ((0.0, 10.0), (5.0, 10.0), (30.0, 4.0)):
        ours = misallocated(np.array([100.0 + gap]), np.array([100.0]), np.ones(1), np.array([se]))
        assert ours == pytest.approx(foldnorm.mean(gap / se, scale=se), rel=1e-9)


def test_every_step_is_nearer_than_zones_and_can_be_driven() -> None:
    """Sorted by steps of the rate the ground is nearer to its need than in eight zones; no piece is under the least."""
    need = _waves(noise=0.0)
    steps = by_steps(need, grid=GRID, share=SHARE, treated=FIELD, least_patch_m2=700.0, least_width_m=18.0, step=5.0)
    left = []
    for zones in (steps, _zones(need, count=8)):
        means = zone_means(zones.labels, need, SHARE)
        left.append(np.abs(need - 5.0 * np.round(means / 5.0)[zones.labels]).mean())
    assert left[0] < 0.5 * left[1]
    assert len(steps.outlines) > 10
    assert shapely.area(shapely.union_all(list(steps.outlines))) == pytest.approx(FIELD.area)
    assert min(shapely.area(shapely.get_parts(np.array(steps.outlines)))) >= 700.0


def test_a_number_asked_for_is_given() -> None:
    """``count`` forces the number, and the reason says so."""
    zones = _zones(_waves(), count=2)
    assert len(zones.outlines) == 2
    assert (zones.report.reason, zones.report.asked) == ("asked", 2)


def test_a_number_the_field_cannot_hold_is_told() -> None:
    """Five zones on two plateaus cannot be: the answer says how many there are."""
    need = np.where(np.arange(100) < 50, 80.0, 140.0) * np.ones((100, 1))
    zones = _zones(need, count=5, smooth_m=0.0)
    assert len(zones.outlines) == 2
    assert (zones.report.reason, zones.report.asked, zones.report.drawn) == ("fewer-than-asked", 5, 2)


def test_the_same_input_gives_the_same_bytes() -> None:
    """Labels and outlines are equal to the last bit from one call to the next."""
    one, other = _zones(_waves()), _zones(_waves())
    assert np.array_equal(one.labels, other.labels)
    assert [shapely.to_wkb(o) for o in one.outlines] == [shapely.to_wkb(o) for o in other.outlines]


def test_zones_differ_by_a_rate_step() -> None:
    """No two zones next to each other in value are nearer than the step of the rate."""
    zones = _zones(_waves(), step=15.0, least_saving=0.01)
    need = _waves()
    means = [need[zones.labels == number].mean() for number in range(1, len(zones.outlines) + 1)]
    assert len(means) > 1
    assert np.diff(means).min() > 13.0  # 15 at the cut; smoothing the outlines moves a cell here and there


def test_zones_leave_less_than_one_rate() -> None:
    """The curve falls, and the zones drawn leave what it says to within a cell's width of border."""
    need = _waves()
    zones = _zones(need)
    left = [choice.misallocated_lb_ac for choice in zones.choice]
    assert left[0] == pytest.approx(np.abs(need - need.mean()).mean())
    assert left[3] < 0.5 * left[0]
    means = np.array([np.nan] + [need[zones.labels == n].mean() for n in range(1, len(zones.outlines) + 1)])
    drawn = np.abs(need - means[zones.labels]).mean()
    assert drawn == pytest.approx(left[len(zones.outlines) - 1], rel=0.05)


def test_unknown_ground_is_a_zone_of_its_own() -> None:
    """A corner without a layer is not given its neighbours' need; a lost cell is."""
    need = _waves()
    need[:20, :20] = np.nan
    need[60, 60] = np.nan
    zones = _zones(need)
    unknown = zones.report.unknown_zone
    assert unknown == len(zones.outlines)
    assert zones.outlines[-1].area == pytest.approx(120.0 * 120.0, rel=0.02)
    assert zones.labels[5, 5] == unknown
    assert zones.labels[60, 60] != unknown


def test_a_need_nobody_knows_is_refused() -> None:
    """All unknown is an error, not a zone."""
    with pytest.raises(OutOfRangeError, match="unknown everywhere"):
        _zones(np.full(GRID.shape, np.nan))


@pytest.mark.parametrize(
    ("choices", "message"), [({"step": 0.0}, "step 0"), ({"count": 0}, "count 0"), ({"max_count": 0}, "max_count 0")]
)
def test_choices_that_make_no_sense_are_refused(choices: dict[str, object], message: str) -> None:
    """Step, count and most count must be positive."""
    with pytest.raises(OutOfRangeError, match=message):
        _zones(_waves(), **choices)


def test_values_off_the_grid_are_refused() -> None:
    """A value for each cell, or an error that names both shapes."""
    with pytest.raises(OutOfRangeError, match=r"\(5, 5\)"):
        _zones(np.ones((5, 5)))


def test_a_field_of_one_cell_is_one_zone() -> None:
    """The smallest field there is."""
    grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=10.0, cell_m=10.0, rows=1, cols=1)
    zones = draw(np.array([[90.0]]), grid=grid, share=np.ones((1, 1)), treated=shapely.box(0, 0, 10, 10),
                 least_patch_m2=1500.0, least_width_m=18.0, step=5.0)  # fmt: skip
    assert zones.labels.tolist() == [[1]]


def test_partly_treated_cells_weigh_less() -> None:
    """On ground cut slantwise the misallocation is weighed by the treated share of each cell."""
    treated = shapely.Polygon([(500_000, 4_650_000), (500_600, 4_650_000), (500_000, 4_650_600)])
    share = share_inside(GRID, treated)
    need = _waves()
    zones = draw(need, grid=GRID, share=share, treated=treated, least_patch_m2=1500.0, least_width_m=18.0, step=5.0)
    mean = np.average(need, weights=share)
    assert zones.choice[0].misallocated_lb_ac == pytest.approx(np.average(np.abs(need - mean), weights=share))
    assert ((zones.labels > 0) == (share > 0)).all()


class _Squares:
    """A loss of (value − rate)² and a price of 2 for each unit of rate: the best rate is one below the mean."""

    least_saving_per_ac = 20.0

    def best(self, values: np.ndarray, weights: np.ndarray) -> float:
        return float(np.average(values, weights=weights)) - 1.0

    def lost_per_ac(self, values: np.ndarray, weights: np.ndarray, rate: float | None = None) -> float:
        rate = self.best(values, weights) if rate is None else rate
        lost = np.average((values - rate) ** 2, weights=weights) + 2.0 * rate
        return float(lost - 2.0 * np.average(values, weights=weights) + 1.0)

    def table(self, values: np.ndarray) -> np.ndarray:
        rates = np.arange(values.min() - 1.0, values.max())
        return (values[:, None] - rates) ** 2 + 2.0 * rates


def test_costs_are_those_of_the_zones_by_area() -> None:
    """Each number of zones has its cost per acre: here the variance of the need within zones, which one more lowers."""
    need = _waves()
    zones = _zones(need, losses=_Squares())
    costs = [one.cost_per_ac for one in zones.choice]
    assert costs[0] == pytest.approx(need.var())
    assert costs == sorted(costs, reverse=True)
    assert costs[3] < 0.2 * costs[0]


def test_with_losses_zones_are_counted_in_them() -> None:
    """One more zone saves less than the least that it must, the one before it more; the pounds are not asked."""
    zones = _zones(_waves(), losses=_Squares())
    costs, count = [one.cost_per_ac for one in zones.choice], len(zones.outlines)
    assert 1 < count < 8
    assert zones.report.least_saving_lb_ac is None
    assert costs[count - 1] - costs[count] < _Squares.least_saving_per_ac < costs[count - 2] - costs[count - 1]
    assert zones.report.next_saving_per_ac < _Squares.least_saving_per_ac


def test_cuts_by_loss_are_the_best_of_all_cuts() -> None:
    """Of every way to cut eleven values in three, the one with the least loss at the best rates on the table."""
    values = np.array([0.0, 1, 3, 4, 9, 10, 12, 30, 31, 33, 60])
    weights = np.array([1.0, 2, 1, 1, 3, 1, 1, 2, 1, 1, 0.5])
    table = _Squares().table(values) * weights[:, None]
    ways = {
        (i, j): sum(table[a:b].sum(axis=0).min() for a, b in ((0, i), (i, j), (j, 11)))
        for i in range(1, 10)
        for j in range(i + 1, 11)
    }
    i, j = min(ways, key=lambda way: ways[way])
    cuts = optimal_cuts(values, weights, 3, losses=_Squares())[2]
    assert cuts.tolist() == [(values[i - 1] + values[i]) / 2, (values[j - 1] + values[j]) / 2]


def test_indices_fall_where_classes_are_distinct() -> None:
    """Two plateaus: two classes are crisp, so both indices are near 0 there and higher for three."""
    need = np.where(np.arange(100) < 50, 80.0, 140.0) * np.ones((100, 1))
    indices = _zones(need + np.random.default_rng(1).normal(size=GRID.shape)).report.indices
    assert indices[0].zones == 2
    assert indices[0].fuzziness_index < 0.05
    assert indices[0].normalised_entropy < 0.1
    assert indices[0].fuzziness_index < indices[1].fuzziness_index


def test_a_zone_must_be_worth_it_by_every_measure() -> None:
    """A saving by one measure alone draws no zone."""
    assert choose_zone_count([(0.0, 0.0), (9.0, 0.1)], [0.0, 40.0], least_saving=0.5, least_gap=5.0)[0] == 1
    assert choose_zone_count([(0.0, 0.0), (9.0, 8.0)], [0.0, 40.0], least_saving=0.5, least_gap=5.0)[0] == 2


def test_smoothing_keeps_the_mean_slope_and_stops_at_the_edge() -> None:
    """A plane stays a plane away from the edge; ground off the field has no say."""
    plane = np.arange(40.0)[None, :] * np.ones((30, 1))
    even = smoothed(plane, np.ones(plane.shape), sd_cells=2.0)
    assert even[10:20, 10:30] == pytest.approx(plane[10:20, 10:30])
    share = np.ones(plane.shape)
    share[:, 20:] = 0.0
    wild = np.where(share > 0, plane, 1e6)
    assert np.nanmax(smoothed(wild, share, sd_cells=2.0)) < 20.0


def test_surroundings_do_not_hold_the_cell_itself() -> None:
    """White scatter is not expected by its surroundings: no correlation beyond chance."""
    noise = np.random.default_rng(11).normal(size=(120, 120))
    around = surroundings(noise, np.ones(noise.shape), inner_cells=2, outer_cells=4)
    bound = norm.ppf(0.9999) / np.sqrt(noise.size)
    assert abs(np.corrcoef(noise.ravel(), around.ravel())[0, 1]) < bound
