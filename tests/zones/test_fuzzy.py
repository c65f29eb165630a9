"""Fuzzy c-means and its indices against published and independently computed values."""

import numpy as np
import pytest
import shapely

from vrn.errors import OutOfRangeError
from vrn.model.grid import Grid
from vrn.zones import by_layers
from vrn.zones.cut import _normalised_entropy, fuzziness_index, fuzzy_c_means, memberships_of


@pytest.mark.parametrize(
    ("count", "objective", "coefficient_index"),
    [(2, 128.894897, 0.215568), (3, 60.505711, 0.324904), (4, 41.614231, 0.390948)],
)
def test_iris_by_fuzzy_c_means(count: int, objective: float, coefficient_index: float) -> None:
    """Iris, four columns unscaled, m = 2: objective and fuzziness index as R 4.2 with e1071 gives them."""
    from sklearn.datasets import load_iris

    classes = fuzzy_c_means(load_iris().data, count)
    assert classes.objective == pytest.approx(objective, rel=1e-6)
    assert fuzziness_index(classes.memberships) == pytest.approx(coefficient_index, abs=2e-6)


def test_iris_centres_and_sizes() -> None:
    """Iris, c = 3: centres to seven digits, hard sizes 50, 60 and 40, entropy .39549158, as R 4.2 with e1071."""
    from sklearn.datasets import load_iris

    classes = fuzzy_c_means(load_iris().data, 3)
    assert classes.centers == pytest.approx(
        np.array(
            [
                [5.0039660, 3.4140888, 1.4828155, 0.25354632],
                [5.8889323, 2.7610694, 4.3639516, 1.3973150],
                [6.7750112, 3.0523823, 5.6467818, 2.0535467],
            ]
        ),
        abs=2e-6,
    )
    assert np.bincount(classes.memberships.argmax(axis=1)).tolist() == [50, 60, 40]
    assert _normalised_entropy(classes.memberships) * np.log(3) == pytest.approx(0.39549158, abs=2e-7)


@pytest.mark.parametrize(("count", "index"), [(2, 0.031607), (3, 0.134852), (4, 0.200731)])
def test_ten_readings(count: int, index: float) -> None:
    """Ten readings in two clusters: the fuzziness index is least for two, values computed independently in NumPy."""
    ppm = np.array([6, 7, 8, 7.5, 6.5, 14, 15, 16, 15.5, 14.5])[:, None]
    classes = fuzzy_c_means(ppm, count, tolerance=1e-12)
    assert fuzziness_index(classes.memberships) == pytest.approx(index, abs=2e-6)


def test_a_weight_counts_as_a_repetition() -> None:
    """A row of weight 3 is that row three times."""
    rows = np.array([[1.0, 2.0], [2.0, 1.0], [8.0, 9.0], [9.0, 7.0]])
    repeated = rows[[0, 0, 0, 1, 2, 3]]
    weighted = fuzzy_c_means(rows, 2, weights=np.array([3.0, 1.0, 1.0, 1.0]), tolerance=1e-12)
    plain = fuzzy_c_means(repeated, 2, tolerance=1e-12)
    assert weighted.centers == pytest.approx(plain.centers, abs=1e-8)


def test_limits_of_the_indices() -> None:
    """Crisp is 0 and all alike is 1, whatever the number of classes (McBratney and Moore 1985)."""
    for count in (2, 3, 5):
        crisp = np.eye(count)[np.arange(20) % count]
        alike = np.full((20, count), 1.0 / count)
        assert fuzziness_index(crisp) == pytest.approx(0.0, abs=1e-12)
        assert _normalised_entropy(crisp) == pytest.approx(0.0, abs=1e-12)
        assert fuzziness_index(alike) == pytest.approx(1.0)
        assert _normalised_entropy(alike) == pytest.approx(1.0)


def test_a_row_on_a_centre_belongs_to_it() -> None:
    """Distance 0 gives membership 1 and no NaN."""
    shares = memberships_of(np.array([[0.0], [3.0], [1.5]]), np.array([[0.0], [3.0]]), exponent=1.5)
    assert shares == pytest.approx(np.array([[1, 0], [0, 1], [0.5, 0.5]]), abs=1e-9)


@pytest.mark.parametrize(("count", "exponent"), [(0, 2.0), (9, 2.0), (2, 1.0)])
def test_classes_that_make_no_sense_are_refused(count: int, exponent: float) -> None:
    """No class, more classes than rows, or an exponent of 1."""
    with pytest.raises(OutOfRangeError, match="cannot be made"):
        fuzzy_c_means(np.arange(8.0)[:, None], count, exponent=exponent)


GRID = Grid(crs="EPSG:32615", west_m=500_000.0, north_m=4_650_400.0, cell_m=10.0, rows=40, cols=40)
FIELD = shapely.box(500_000.0, 4_650_000.0, 500_400.0, 4_650_400.0)
SIZES = {"grid": GRID, "share": np.ones(GRID.shape), "treated": FIELD, "least_patch_m2": 1500.0,
         "least_width_m": 20.0, "step": 5.0}  # fmt: skip


def test_layers_find_what_the_need_does_not_show() -> None:
    """Two layers that cancel in the need still make zones meant to last; the need alone makes one."""
    east = np.arange(40)[None, :] * np.ones((40, 1))
    soil = np.where(east < 20, -30.0, -90.0)
    crop = np.where(east < 20, 130.0, 190.0)
    need = soil + crop
    zones = by_layers(need, [soil, crop], count=2, **SIZES)
    assert [outline.area for outline in zones.outlines] == pytest.approx([80_000, 80_000])
    assert by_layers(need, [soil, crop], **SIZES).choice[0].misallocated_lb_ac == pytest.approx(0.0, abs=1e-9)
    assert len(by_layers(need, [soil, crop], **SIZES).outlines) == 1


def test_an_extra_layer_counts_by_its_weight() -> None:
    """With a small weight the columns decide, with a large one the extra layer does."""
    east = np.arange(40)[None, :] * np.ones((40, 1))
    north = np.arange(40)[:, None] * np.ones((1, 40))
    soil = np.where(east < 20, -30.0, -60.0)
    extra = np.where(north < 20, 1.0, 2.0)
    light = by_layers(150 + soil, [soil], extra=[(extra, 0.1)], count=2, **SIZES)
    heavy = by_layers(150 + soil, [soil], extra=[(extra, 10.0)], count=2, **SIZES)
    assert light.labels[5, 5] == light.labels[35, 5] != light.labels[5, 35]
    assert heavy.labels[5, 5] == heavy.labels[5, 35] != heavy.labels[35, 5]


def test_constant_layers_are_one_zone() -> None:
    """Nothing varies: one zone, whatever is asked for."""
    flat = np.full(GRID.shape, 100.0)
    assert len(by_layers(flat, [flat, -flat], **SIZES).outlines) == 1
    assert len(by_layers(flat, [flat], count=3, **SIZES).outlines) == 1
