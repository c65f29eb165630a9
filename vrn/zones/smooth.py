"""A surface smoothed in space, and what its surroundings say of each cell; neither reaches past the treated ground."""

import numpy as np
from numpy.typing import NDArray


def smoothed(values: NDArray[np.float64], share: NDArray[np.float64], *, sd_cells: float) -> NDArray[np.float64]:
    """
    Gaussian mean of the cells around each cell, weighted by how much of each cell is treated.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        NaN where unknown: such a cell takes no part.
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated, 0 … 1.
    sd_cells : float
        Standard deviation of the kernel, cut off at three of them; 0 leaves the values as they are. [cells]

    Returns
    -------
    smoothed : ndarray, shape (rows, cols)
        NaN where the value is unknown or the share is 0.

    Examples
    --------
    A constant stays what it is, up to the edge of the ground:

    >>> smoothed(np.full((1, 4), 120.0), np.array([[1.0, 1.0, 0.5, 0.0]]), sd_cells=2.0).round(9).tolist()
    [[120.0, 120.0, 120.0, nan]]
    """
    from scipy.ndimage import gaussian_filter

    known = np.isfinite(values) & (share > 0)
    if sd_cells > 0 and known.any():
        weight = np.where(known, share, 0.0)
        middle = float(values[known].mean())  # keeps the sums small, so that a constant comes out exact
        total = gaussian_filter(np.where(known, values - middle, 0.0) * weight, sd_cells, mode="constant", truncate=3.0)
        around = gaussian_filter(weight, sd_cells, mode="constant", truncate=3.0)
        values = middle + total / np.where(around > 0, around, np.nan)
    return np.where(known, values, np.nan)


def surroundings(
    values: NDArray[np.float64], share: NDArray[np.float64], *, inner_cells: int, outer_cells: int
) -> NDArray[np.float64]:
    """
    Mean of the cells in a square ring around each cell: what a neighbour would expect there.

    Parameters
    ----------
    values : ndarray, shape (rows, cols)
        NaN where unknown: such a cell takes no part.
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated, 0 … 1.
    inner_cells, outer_cells : int
        Cells nearer than the first or farther than the second take no part. [cells]

    Returns
    -------
    expected : ndarray, shape (rows, cols)
        The value itself where the ring holds nothing; NaN where the value is unknown or the share is 0.

    Notes
    -----
    Scatter from cell to cell does not show in it, structure wider than the ring does: zones drawn on scatter save
    nothing against it.

    Examples
    --------
    Two cells away on either side: the first and the last see the 30 in the middle, the middle sees 1 and 5.

    >>> row = np.array([[1.0, 2.0, 30.0, 4.0, 5.0]])
    >>> surroundings(row, np.ones((1, 5)), inner_cells=2, outer_cells=2).round(9).tolist()
    [[30.0, 4.0, 3.0, 2.0, 30.0]]
    """
    from scipy.ndimage import uniform_filter

    known = np.isfinite(values) & (share > 0)
    weight = np.where(known, share, 0.0)
    weighted = np.where(known, values, 0.0) * weight

    def box(array: NDArray[np.float64], half: int) -> NDArray[np.float64]:
        # ground off the grid counts as none
        sums: NDArray[np.float64] = uniform_filter(array, 2 * half + 1, mode="constant") * (2 * half + 1) ** 2
        return sums

    inner = inner_cells - 1
    around = box(weight, outer_cells) - box(weight, inner)
    total = box(weighted, outer_cells) - box(weighted, inner)
    expected = np.where(around > 1e-6, total / np.where(around > 1e-6, around, 1.0), values)
    return np.where(known, expected, np.nan)
