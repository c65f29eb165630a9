"""How sure the need is, and why not surer: instrument, cores, the ground between samples, everything else."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.model.profile import profile_of
from vrn.model.samples import SoilSamples
from vrn.prescription.model import Prescription
from vrn.sampling.error import ReadingError, error_of_readings
from vrn.sampling.split import Split, split_of_kriging, split_of_mean
from vrn.surface.fit import fit_variogram
from vrn.surface.variogram import Variogram

_LEAST_TO_FIT = 8


def causes_of_error(prescription: Prescription) -> dict[str, Any] | None:
    """
    Standard error of the need on a spot of the field and of each zone, split by cause.

    Parameters
    ----------
    prescription : Prescription

    Returns
    -------
    causes : dict or None
        ``field`` and ``zones`` (a list with ``zone``), each with ``instrument_lb_ac``, ``cores_lb_ac``,
        ``ground_lb_ac``, ``other_lb_ac`` (second foot and layers) and ``total_lb_ac``, whose squares add up;
        ``instrument_from``, ``cores_from``. A cause of which nothing is known is None and lies within ground.
        None where the need has no standard error, or the readings are composites of areas.

    Notes
    -----
    The total is the need's own standard error, root mean square over the spots. What of it is the top foot's nitrate is
    split as kriging's weights carry the errors of the readings into the estimate; what the samples cannot resolve is
    ground. An error of the cores is cut to what the readings' nugget leaves room for.
    """
    need_se = prescription.surfaces["need_lb_ac"].se
    nitrate_se = prescription.surfaces["nitrate_ppm"].se
    readings = prescription.field.samples.field_readings()
    if need_se is None or nitrate_se is None or readings.areas:
        return None
    layer = profile_of(readings).top[0]
    error = error_of_readings(
        layer, of_all=prescription.field.samples,
        instrument_sd_ppm=prescription.field.settings.samples.instrument_sd_ppm,
    )  # fmt: skip
    split_at = _splitter(layer, error)
    total2 = (need_se**2).ravel()
    nitrate2 = np.minimum((_slope(prescription) * nitrate_se.ravel()) ** 2, total2)
    weights = prescription.share.ravel()
    usable = (weights > 0) & np.isfinite(total2) & np.isfinite(nitrate2)
    labels = prescription.zones.labels.ravel()
    centers = prescription.grid.centers_m()

    def part(rows: NDArray[np.intp]) -> dict[str, float | None]:
        total = float(np.average(total2[rows], weights=weights[rows]))
        of_nitrate = float(np.average(nitrate2[rows], weights=weights[rows]))
        split = split_at(centers[rows])
        whole = max(split.spot_total**2, 1e-12)
        causes = {
            "instrument": of_nitrate * split.spot_instrument**2 / whole,
            "cores": of_nitrate * split.spot_composite**2 / whole,
            "ground": of_nitrate * split.spot_space**2 / whole,
            "other": total - of_nitrate,
            "total": total,
        }
        unknown = {"instrument": error.instrument_sd_ppm is None, "cores": error.core_cv_pct is None}
        return {
            f"{name}_lb_ac": None if unknown.get(name) else float(np.sqrt(max(variance, 0.0)))
            for name, variance in causes.items()
        }

    zones = [np.flatnonzero(usable & (labels == rate.zone)) for rate in prescription.rates]
    if not usable.any():
        return None
    return {
        "field": part(np.flatnonzero(usable)),
        "zones": [
            {"zone": rate.zone, **part(rows)} for rate, rows in zip(prescription.rates, zones, strict=True) if len(rows)
        ],
        "instrument_from": error.instrument_from,
        "cores_from": error.cores_from,
    }


def _slope(prescription: Prescription) -> NDArray[np.float64]:
    """Pounds of need for each ppm in the top foot, by cell; 0 where it is unknown. [lb/ac per ppm]"""
    ppm = prescription.surfaces["nitrate_ppm"].values.ravel()
    pounds = sum(
        (np.asarray(one.lb_ac, float) for one in prescription.ledger.lines if one.key == "soil_nitrate"), np.zeros(())
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        slope = np.broadcast_to(pounds, ppm.shape) / ppm
    return np.nan_to_num(slope, posinf=0.0, neginf=0.0)


def _splitter(layer: SoilSamples, error: ReadingError) -> Any:
    """Function of spots that splits nitrate's error there."""
    ppm, places = layer.nitrate_ppm, layer.coordinates_m
    variogram = None
    if len(np.unique(places, axis=0)) >= _LEAST_TO_FIT and np.ptp(ppm) > 0:
        variogram = fit_variogram(places, ppm, model="exponential", error_variance=error.variance_ppm2)
    supplied = error.variance_ppm2
    told = np.zeros(len(ppm)) if supplied is None else supplied - error.instrument_ppm2
    hidden = error.composite_ppm2 - told  # the part all composites share, which the nugget holds
    if variogram is None or variogram.model == "nugget" or variogram.partial_sill <= 0:
        return lambda _spots: (
            split_of_mean(ppm, instrument_variance=error.instrument_ppm2, composite_variance=error.composite_ppm2)
            if len(ppm) > 1
            else _all_ground()
        )
    room = min(float(hidden.mean()) if len(hidden) else 0.0, variogram.nugget)
    rest = Variogram(
        model="exponential", nugget=variogram.nugget - room, partial_sill=variogram.partial_sill,
        range_m=variogram.range_m,
    )  # fmt: skip
    return lambda spots: split_of_kriging(
        places, spots, variogram=rest, instrument_variance=error.instrument_ppm2, composite_variance=told + room
    )


def _all_ground() -> Split:
    return Split(instrument=0.0, composite=0.0, space=1.0, spot_instrument=0.0, spot_composite=0.0, spot_space=1.0)
