"""Patches and necks: what the machine cannot answer goes to a neighbour, nothing else moves."""

import numpy as np
import pytest
from scipy import ndimage

from vrn.zones.tidy import merge_patches, tidied, widened


def _speckled(seed: int, shape: tuple[int, int] = (80, 90)) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    smooth = ndimage.gaussian_filter(rng.normal(size=shape), 6)
    values = smooth / smooth.std() * 30 + 120 + rng.normal(size=shape) * 12
    labels = np.digitize(values, [90, 110, 130, 150]).astype(np.int32) + 1
    return labels, values


def _sizes(labels: np.ndarray) -> list[int]:
    sizes = []
    for zone in np.unique(labels[labels > 0]):
        patch, count = ndimage.label(labels == zone)
        sizes += np.bincount(patch.ravel())[1 : count + 1].tolist()
    return sizes


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_patch_is_smaller_than_asked(seed: int) -> None:
    """After tidying every patch has at least the least area, and every cell still has a zone."""
    labels, values = _speckled(seed)
    final, merged = tidied(
        labels, values, np.ones(labels.shape), cell_m=6.0, least_patch_m2=30 * 36.0, least_width_m=18.3
    )
    assert merged > 100
    assert min(_sizes(final)) >= 30
    assert (final > 0).all()


@pytest.mark.parametrize("seed", [1, 2])
def test_no_neck_is_narrower_than_a_swath(seed: int) -> None:
    """An opening by a disc a cell narrower than the swath takes almost nothing from the tidied zones."""
    labels, values = _speckled(seed)
    final, _ = tidied(labels, values, np.ones(labels.shape), cell_m=6.0, least_patch_m2=3000.0, least_width_m=30.0)
    disc = np.hypot(*np.mgrid[-1:2, -1:2]) <= 1.0  # three cells, 18 m, across
    lost = 0
    for zone in np.unique(final):
        inside = np.pad(final == zone, 3, mode="edge")
        lost += int((inside & ~ndimage.binary_opening(inside, disc)).sum())
    assert lost <= 0.01 * final.size
    rough = sum(int(((labels == z) & ~ndimage.binary_opening(labels == z, disc)).sum()) for z in np.unique(labels))
    assert rough > 0.2 * final.size


def test_a_patch_is_merged_by_the_value_of_the_whole_zone_beside_it() -> None:
    """Between a near patch of a zone far off in value, and a zone whose mean is nearer, the zone's mean decides."""
    labels = np.array([[1, 1, 1, 1, 1, 4, 1, 1, 2, 3, 3, 3]], dtype=np.int32)
    values = np.array([[5.0, 5.0, 5.0, 5.0, 5.0, 5.0, 48.0, 48.0, 50.0, 65.0, 65.0, 65.0]])
    # zone 1 holds 17.3 on average, though 48 right beside the patch at 50; zone 3 holds 65
    final, merged = merge_patches(labels, values, np.ones(labels.shape), least_patch_m2=2.0)
    assert final[0, 8] == 3
    assert merged >= 1


def test_a_patch_goes_to_the_zone_of_nearest_value_not_of_longest_edge() -> None:
    """A patch at 100 inside a zone at 40 that also touches one at 110 joins the 110."""
    labels = np.ones((9, 9), dtype=np.int32)
    labels[:, 7:] = 3
    labels[4, 5:7] = 2
    values = np.choose(labels, [0.0, 40.0, 100.0, 110.0])
    final, merged = merge_patches(labels, values, np.ones(labels.shape), least_patch_m2=5.0)
    assert merged == 1
    assert final[4].tolist() == [1, 1, 1, 1, 1, 3, 3, 3, 3]


def test_ground_that_stands_alone_keeps_its_zone() -> None:
    """A small piece of field with no neighbour has nobody to go to."""
    labels = np.zeros((5, 9), dtype=np.int32)
    labels[:, :5] = 1
    labels[1:3, 7:] = 2
    final, merged = merge_patches(labels, labels.astype(float), np.ones(labels.shape), least_patch_m2=20.0)
    assert merged == 0
    assert np.array_equal(final, labels)


def test_edge_cells_count_by_the_share_that_is_treated() -> None:
    """Four cells of which a quarter is field are one cell of ground: too small for two."""
    labels = np.array([[1, 1, 1, 1, 2, 2, 2, 2]], dtype=np.int32)
    values = labels * 10.0
    area = np.array([[1.0, 1.0, 1.0, 1.0, 0.25, 0.25, 0.25, 0.25]])
    final, merged = merge_patches(labels, values, area, least_patch_m2=2.0)
    assert merged == 1
    assert final.tolist() == [[1] * 8]


def test_wide_zones_stay_as_they_are() -> None:
    """Halves of a field are wide enough: nothing moves, corners included."""
    labels = np.ones((40, 40), dtype=np.int32)
    labels[:, 20:] = 2
    assert np.array_equal(widened(labels, cell_m=6.0, least_width_m=18.3), labels)


def test_unknown_values_do_not_stop_the_merging() -> None:
    """A patch whose value is unknown still goes to a neighbour."""
    labels = np.array([[1, 1, 1, 2, 3, 3, 3]], dtype=np.int32)
    values = np.array([[10.0, 10.0, 10.0, np.nan, 50.0, 50.0, 50.0]])
    final, merged = merge_patches(labels, values, np.ones((1, 7)), least_patch_m2=2.0)
    assert merged == 1
    assert final[0, 3] in (1, 3)
