"""Whole zones, not speckle: patches too small and necks too narrow for the machine go to a neighbour."""

import heapq
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

Labels = NDArray[np.int32]
_Slices = tuple[slice, slice]
_ROUNDS = 6


def tidied(
    labels: Labels, values: NDArray[np.float64], share: NDArray[np.float64], *, cell_m: float, least_patch_m2: float,
    least_width_m: float,
) -> tuple[Labels, int]:  # fmt: skip
    """Labels with no patch under the least area and no neck under the least width.

    `labels` (rows, cols): 0 off the treated ground. `values` (rows, cols): what the zones are drawn on; NaN where
    unknown. `share` (rows, cols): share of each cell that is treated. `cell_m`: side of a cell. `least_width_m`: to
    within a cell. Numbers stay as they were, some may be gone; ground that stands alone keeps its one zone however
    small it is. Last comes how many patches went to a neighbour.
    """
    area_m2 = share * cell_m**2
    labels, merged = merge_patches(labels, values, area_m2, least_patch_m2=least_patch_m2)
    for _ in range(_ROUNDS):
        opened = widened(labels, cell_m=cell_m, least_width_m=least_width_m)
        opened, here = merge_patches(opened, values, area_m2, least_patch_m2=least_patch_m2)
        merged += here
        if np.array_equal(opened, labels):
            break
        labels = opened
    return labels, merged


def widened(labels: Labels, *, cell_m: float, least_width_m: float) -> Labels:
    """Opening of all zones at once by a disc of the least width; what it cannot reach goes to the nearest zone it can.

    `labels` (rows, cols): 0 off the treated ground.

    A strip one cell wide cannot be driven with a machine two cells wide:

    >>> row = [1, 1, 1, 1, 1, 2, 1, 1, 1, 1, 1]
    >>> widened(np.array([row] * 9, dtype=np.int32), cell_m=10.0, least_width_m=30.0)[4].tolist()
    [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1]
    """
    from scipy.ndimage import distance_transform_edt

    radius = math.ceil(
        least_width_m / cell_m / 2.0 - 1.0 - 1e-9
    )  # of the disc, from its middle cell to its rim [cells]
    if radius <= 0 or labels.max(initial=0) <= 0:
        return labels
    padded = np.pad(labels, 1)
    edge = np.zeros(padded.shape, dtype=bool)
    for one, other, here, there in _neighbours(padded):
        differs = one != other
        edge[here] |= differs
        edge[there] |= differs
    ground = padded > 0
    core = ground & (distance_transform_edt(~edge) >= radius)
    if not core.any():
        return labels
    to_core, nearest = distance_transform_edt(~core, return_indices=True)
    narrow = ground & (to_core > radius)  # at the corners a disc does not reach, the nearest is their own zone
    result = padded.copy()
    result[narrow] = padded[tuple(nearest)][narrow]
    return result[1:-1, 1:-1]


def _neighbours(array: Labels) -> Iterator[tuple[Labels, Labels, _Slices, _Slices]]:
    """Every cell beside the next one: down, then across."""
    for here, there in (
        ((slice(None, -1), slice(None)), (slice(1, None), slice(None))),
        ((slice(None), slice(None, -1)), (slice(None), slice(1, None))),
    ):
        yield array[here], array[there], here, there


def merge_patches(
    labels: Labels, values: NDArray[np.float64], area_m2: NDArray[np.float64], *, least_patch_m2: float
) -> tuple[Labels, int]:
    """Give every patch under the least area to the neighbouring patch whose zone's value is nearest, smallest first.

    `labels` (rows, cols): 0 off the treated ground. `values` (rows, cols): NaN where unknown. `area_m2` (rows, cols):
    treated ground in each cell.

    The middle cell, at 50, is nearer to the 60 on its right than to the 10 on its left:

    >>> labels = np.array([[1, 1, 2, 3, 3]], dtype=np.int32)
    >>> values = np.array([[10.0, 10.0, 50.0, 60.0, 60.0]])
    >>> merge_patches(labels, values, np.ones((1, 5)), least_patch_m2=2.0)[0].tolist()
    [[1, 1, 3, 3, 3]]
    """
    patch, label_of = _patches(labels)
    size = np.bincount(patch.ravel(), area_m2.ravel(), len(label_of)).astype(float)
    if not (size[1:] < least_patch_m2).any():
        return labels, 0
    known = np.isfinite(values)
    weight = np.where(known, np.maximum(area_m2, 1e-12), 0.0).ravel()
    total = np.bincount(patch.ravel(), weight * np.where(known, values, 0.0).ravel(), len(label_of))
    patch_weight = np.bincount(patch.ravel(), weight, len(label_of))
    zone_weight = np.bincount(label_of, patch_weight)
    with np.errstate(invalid="ignore"):
        patch_value = total / patch_weight
        zone_value = np.bincount(label_of, total) / zone_weight
    shared = _shared_edges(patch)
    parent = list(range(len(label_of)))

    def root(item: int) -> int:
        while parent[item] != item:
            parent[item] = parent[parent[item]]
            item = parent[item]
        return item

    queue = [(float(size[i]), i) for i in range(1, len(label_of)) if size[i] < least_patch_m2]
    heapq.heapify(queue)
    merged = 0
    while queue:
        area, item = heapq.heappop(queue)
        if root(item) != item or area != size[item] or not shared[item]:
            continue  # it was merged, or has grown since, or stands alone
        own = patch_value[item]

        def apart(other: int, own: float = own, item: int = item) -> tuple[float, int, int]:
            gap = abs(zone_value[label_of[other]] - own)
            return (gap if np.isfinite(gap) else np.inf, -shared[item][other], other)

        target = min(shared[item], key=apart)
        merged += 1
        _absorb(item, target, parent, shared, size)
        for other in [other for other in shared[target] if label_of[other] == label_of[target]]:
            _absorb(other, target, parent, shared, size)
        if size[target] < least_patch_m2:
            heapq.heappush(queue, (float(size[target]), target))
    final = np.array([label_of[root(item)] for item in range(len(label_of))], dtype=np.int32)
    return final[patch], merged


def _absorb(item: int, target: int, parent: list[int], shared: list[dict[int, int]], size: NDArray[np.float64]) -> None:
    """Make one patch part of another: area, neighbours and edges."""
    parent[item] = target
    size[target] += size[item]
    for other, length in shared[item].items():
        del shared[other][item]
        if other != target:
            shared[target][other] = shared[target].get(other, 0) + length
            shared[other][target] = shared[target][other]
    shared[item] = {}


def _patches(labels: Labels) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
    """Number of the patch each cell belongs to (0 off the ground), and each patch's zone."""
    from scipy.ndimage import label

    patch = np.zeros(labels.shape, dtype=np.int32)
    label_of = [0]
    for zone in np.unique(labels[labels > 0]):
        numbered, count = label(labels == zone)
        patch += np.where(numbered > 0, numbered + len(label_of) - 1, 0).astype(np.int32)
        label_of += [int(zone)] * count
    return patch, np.array(label_of, dtype=np.int32)


def _shared_edges(patch: NDArray[np.int32]) -> list[dict[int, int]]:
    """For each patch its neighbours with the number of cell edges shared."""
    count = int(patch.max(initial=0)) + 1
    pairs = []
    for one, other, _, _ in _neighbours(patch):
        meet = (one != other) & (one > 0) & (other > 0)
        pairs.append(np.minimum(one[meet], other[meet]).astype(np.int64) * count + np.maximum(one[meet], other[meet]))
    both, length = np.unique(np.concatenate(pairs), return_counts=True)  # a pair as one number sorts many times faster
    shared: list[dict[int, int]] = [{} for _ in range(count)]
    for one, other, edges in zip((both // count).tolist(), (both % count).tolist(), length.tolist(), strict=True):
        shared[one][other] = edges
        shared[other][one] = edges
    return shared
