"""A surface smoothed in space by a stated kernel that never reaches past the ground it speaks for."""

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
