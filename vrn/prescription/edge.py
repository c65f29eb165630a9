"""Rates carried past the field's edge, so that a boom that drifts out does not drop out."""

import dataclasses

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.field.grid import Grid
from vrn.prescription.model import Prescription
from vrn.units import FT_M


def buffered_rates(prescription: Prescription) -> tuple[Grid, NDArray[np.float64]]:
    """
    Rate of each cell, the edge cells' rate kept out to ``field.edge_buffer_ft``.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    grid : Grid
        The prescription's own, grown on all sides where there is a buffer.
    rate_n_lb_ac : ndarray, shape (rows, cols)
        NaN beyond the buffer; 0 on ground inside the boundary that gets no nitrogen. [lb N/ac]

    Notes
    -----
    The buffer only goes outward from the boundary: no-apply ground, and whatever of it lies in the buffer, stays at 0.
    """
    from rasterio.features import rasterize
    from scipy.ndimage import distance_transform_edt

    buffer_m = prescription.field.settings.field.edge_buffer_ft * FT_M
    grid, rate = prescription.grid, prescription.rate_grid()
    pad = int(np.ceil(buffer_m / grid.cell_m)) if buffer_m > 0 else 0
    grown = dataclasses.replace(
        grid, west_m=grid.west_m - pad * grid.cell_m, north_m=grid.north_m + pad * grid.cell_m,
        rows=grid.rows + 2 * pad, cols=grid.cols + 2 * pad,
    )  # fmt: skip
    rate = np.pad(rate, pad, constant_values=np.nan)

    def inside(geometry: object, *, touched: bool) -> NDArray[np.bool_]:
        from affine import Affine

        burnt = rasterize(
            [(geometry, 1)], out_shape=grown.shape, transform=Affine(*grown.transform), all_touched=touched
        )
        return np.asarray(burnt, dtype=bool)

    field = prescription.field
    if buffer_m > 0:
        outside = np.isnan(rate) & ~inside(field.boundary, touched=False)
        nearest = distance_transform_edt(np.isnan(rate), return_distances=False, return_indices=True)
        reached = outside.copy()
        shapely.prepare(field.boundary)
        reached[outside] = shapely.dwithin(shapely.points(grown.centers_m()[outside.ravel()]), field.boundary, buffer_m)
        rate = np.where(reached, rate[tuple(nearest)], rate)
    if not field.no_apply.is_empty:
        untreated = inside(field.no_apply, touched=False)
        rate = np.where(untreated, 0.0, rate)
    return grown, rate
