"""What every plan starts from: the ground, how many samples, the layers that steer it, the second foot."""

import math
import zlib
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.model.area import transformer
from vrn.model.field import Field
from vrn.model.layers import ConstantLayer, Layer
from vrn.model.profile import profile_of
from vrn.sampling.balance import local_pivotal
from vrn.sampling.ground import Ground, layer_at, sampling_ground
from vrn.sampling.plan import PlanOptions
from vrn.sampling.size import USUAL_CV_PCT, error_of_mean_pct, samples_needed
from vrn.units import FT_M

AC_PER_SAMPLE = 2.5  # for a map: common practice, no source
_MOST_FOR_MAP = 60
_LEAST_EDGE_FT = 60.0
_LEAST_FOR_CV = 8


def generator_of(field: Field, options: PlanOptions) -> np.random.Generator:
    """Chance that is the same whenever a field of this name and season is planned, unless a seed is given."""
    own = zlib.crc32(f"{field.name} {field.settings.header.season}".encode())
    return np.random.default_rng(own if options.seed is None else options.seed)


def start_of(field: Field, options: PlanOptions) -> NDArray[np.float64] | None:
    """Where one comes in, in the field's system; None where it was not said. [m]"""
    if options.start_lonlat is None:
        return None
    return np.array(transformer("EPSG:4326", field.crs).transform(*options.start_lonlat))


def ground_of(field: Field, options: PlanOptions, avoid: shapely.Geometry, random: np.random.Generator) -> Ground:
    """
    Ground open to sampling in a field.

    Parameters
    ----------
    field : Field
    options : PlanOptions
    avoid : shapely.Geometry
    random : numpy Generator

    Returns
    -------
    ground : Ground
    """
    edge_ft = options.edge_ft
    if edge_ft is None:
        edge_ft = max(field.settings.machine.swath_ft, _LEAST_EDGE_FT)
    return sampling_ground(
        field.boundary, crs=field.crs, edge_m=edge_ft * FT_M, no_apply=field.no_apply,
        keep_off_m=options.keep_off_ft * FT_M, avoid=avoid, random=random,
    )  # fmt: skip


def size_of(field: Field, ground: Ground, options: PlanOptions) -> dict[str, Any]:
    """
    How many samples, and what that rests on.

    Parameters
    ----------
    field : Field
    ground : Ground
    options : PlanOptions

    Returns
    -------
    size : dict
        ``samples``; ``needed`` for the field's mean, ``for_map`` for a map, whether the number was ``given``;
        ``cv_pct``, ``cv_from``, ``error_pct``, ``confidence``; ``error_of_mean_pct`` that the number will give.
    """
    cv_pct, cv_from = _variation(field, options)
    needed = samples_needed(cv_pct, options.error_pct, confidence=options.confidence)
    for_map = min(math.ceil(ground.acres / AC_PER_SAMPLE), _MOST_FOR_MAP)
    wanted = max(needed, for_map) if options.samples is None else options.samples
    count = min(wanted, len(ground.spots_m))
    return {
        "samples": count, "needed": needed, "for_map": for_map, "given": options.samples is not None,
        "cv_pct": cv_pct, "cv_from": cv_from, "error_pct": options.error_pct, "confidence": options.confidence,
        "error_of_mean_pct": error_of_mean_pct(cv_pct, max(count, 1), confidence=options.confidence),
    }  # fmt: skip


def _variation(field: Field, options: PlanOptions) -> tuple[float, str]:
    """Coefficient of variation within the field, and where it comes from. [%]"""
    if options.cv_pct is not None:
        return options.cv_pct, "as given"
    readings = field.samples.field_readings()
    if len(readings) >= _LEAST_FOR_CV and readings.top_in.min() == 0:
        ppm = profile_of(readings).top[0].nitrate_ppm
        if len(ppm) >= _LEAST_FOR_CV and ppm.mean() > 0 and ppm.std() > 0:
            return float(100 * ppm.std(ddof=1) / ppm.mean()), f"from the {len(ppm)} readings in hand"
    return USUAL_CV_PCT, "usual within a field, where 30 to 60 % is found (from memory)"


def auxiliary_of(field: Field, places_m: NDArray[np.float64]) -> tuple[NDArray[np.float64], list[str]]:
    """
    Layers that vary over the ground, at its places.

    Parameters
    ----------
    field : Field
    places_m : ndarray, shape (n, 2)
        [m]

    Returns
    -------
    auxiliary : ndarray, shape (n, p)
        Layers known at more than half of the places.
    names : list of str, length p
    """
    layers: dict[str, Layer | None] = {
        "organic matter": field.organic_matter, "yield potential": field.yield_potential, **field.extra_layers
    }  # fmt: skip
    columns, names = [np.empty((len(places_m), 0))], []
    for name, layer in layers.items():
        if layer is None or isinstance(layer, ConstantLayer):
            continue
        values = layer_at(layer, places_m)
        known = values[np.isfinite(values)]
        if len(known) > len(values) / 2 and np.ptp(known) > 0:
            columns.append(values[:, None])
            names.append(name)
    return np.hstack(columns), names


def deep_places(
    field: Field, share: float, places_m: NDArray[np.float64], random: np.random.Generator
) -> NDArray[np.bool_]:
    """
    Places at which the second foot is pulled: spread evenly, with twice the chance on lighter ground.

    Parameters
    ----------
    field : Field
        Its organic matter tells lighter ground.
    share : float
        Of the places, 0 … 1.
    places_m : ndarray, shape (n, 2)
        [m]
    random : numpy Generator

    Returns
    -------
    deep : ndarray of bool, shape (n,)
    """
    count = math.ceil(share * len(places_m))
    if count >= len(places_m):
        return np.ones(len(places_m), dtype=bool)
    deep = np.zeros(len(places_m), dtype=bool)
    if not count:
        return deep
    weight = np.ones(len(places_m))
    if field.organic_matter is not None and not isinstance(field.organic_matter, ConstantLayer):
        om = layer_at(field.organic_matter, places_m)
        weight = np.where(om < np.nanmedian(om), 2.0, 1.0)
    deep[local_pivotal(np.minimum(weight * count / weight.sum(), 1.0), places_m, random=random)] = True
    return deep
