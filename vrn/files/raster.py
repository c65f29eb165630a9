"""Surfaces as cloud-optimised GeoTIFF in the field's own system: unit in the tags, NaN where nothing is known."""

from pathlib import Path
from typing import Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.files.names import one_line, status
from vrn.findings import Kind
from vrn.model.metric_keys import column
from vrn.model.surface import Surface
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat

# file → surface and kind
_SURFACES: Final[dict[str, tuple[str, Kind]]] = {
    "nitrate": ("nitrate_ppm", "concentration"),
    "deep_nitrate": ("deep_nitrate_ppm", "concentration"),
    "organic_matter": ("organic_matter_pct", "percent"),
    "yield_goal": ("yield_goal_bu_ac", "yield"),
    "need": ("need_lb_ac", "rate"),
    "harvest_left_out": ("harvest_left_out_pct", "percent"),
}


def write_rasters(prescription: Prescription, folder: Path) -> None:
    """Write ``rasters/*.tif``: nitrate, its error, need, rate, and the other surfaces that there are.

    Cells without treated ground are NaN; in ``rate.tif`` no-apply ground is 0. ``error.tif`` is the standard error of
    the nitrate surface, or its leave-one-out error everywhere when the surface has no other; it is absent when neither
    is known.
    """
    inside = folder / "rasters"
    inside.mkdir()

    def treated(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.where(prescription.share > 0, values, np.nan)

    for name, (key, kind) in _SURFACES.items():
        surface = prescription.surfaces.get(key)
        if surface is not None:
            _write(inside / f"{name}.tif", treated(surface.to_look_at), kind, key, surface.chosen, prescription)
    nitrate = prescription.surfaces.get("nitrate_ppm")
    if nitrate is not None:
        error, meaning = _error_of(nitrate)
        if error is not None:
            _write(inside / "error.tif", treated(error), "concentration", meaning, "", prescription)
    _write(inside / "rate.tif", _rates(prescription), "rate", "rate_n_lb_ac", "by zone", prescription)


def _rates(prescription: Prescription) -> NDArray[np.float64]:
    """Rate of each cell: 0 where its middle lies on no-apply ground, NaN outside the boundary."""
    rate, field = prescription.rate_grid(), prescription.field
    ground = shapely.intersection(field.no_apply, field.boundary)
    shapely.prepare(ground)
    rate[shapely.contains_xy(ground, prescription.grid.centers_m()).reshape(rate.shape)] = 0.0
    return rate


def _error_of(surface: Surface) -> tuple[NDArray[np.float64] | None, str]:
    """Standard error of a surface, or its leave-one-out error as a constant."""
    if surface.se is not None:
        return surface.se, "standard error of nitrate_ppm"
    rmse = None if surface.choice is None else surface.choice.loo_rmse
    if rmse is None:
        return None, ""
    return np.full(surface.grid.shape, rmse), "leave-one-out error of nitrate_ppm, the same everywhere"


def _write(path: Path, values: NDArray[np.float64], kind: Kind, key: str, how: str, prescription: Prescription) -> None:
    """Write values in the field's own units, named with them."""
    import rasterio
    from rasterio.transform import Affine

    shown = UnitFormat.of(prescription.field.settings.units)
    name, unit = column(key, metric=shown.metric)[0], shown.unit(kind)
    grid = prescription.grid
    with rasterio.open(
        path, "w", driver="COG", height=grid.rows, width=grid.cols, count=1, dtype="float32", nodata=np.nan,
        crs=grid.crs, transform=Affine(*grid.transform), compress="deflate", blocksize=256, num_threads=1,
    ) as file:  # fmt: skip
        file.write((values * shown.factor(kind)).astype(np.float32), 1)
        file.units = (unit,)
        file.set_band_description(1, f"{name}: {how}" if how else name)
        file.update_tags(
            UNIT=unit, FIELD=one_line(prescription.field.name),
            SEASON=str(prescription.field.settings.header.season), STATUS=status(prescription),
        )  # fmt: skip
