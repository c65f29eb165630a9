"""Where next: from a prescription to the places where one more reading would bring most."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.model.samples import SoilSamples, profile_of
from vrn.model.variogram import Variogram
from vrn.prescription.model import Prescription
from vrn.sampling.error import error_of_readings
from vrn.sampling.value import Stake, Worth, best_readings
from vrn.surface.fit import fit_variogram
from vrn.units import AC_M2

_MOST_CELLS = 1500
_MOST_CANDIDATES = 400
_USUAL_LOG_SD = 0.45  # nitrate within a field, as a share of it: 30 to 60 % is usual (from memory)
_LEAST_TO_FIT = 30  # places: with fewer a fitted range says little
_DEEP_SHARE = 0.25  # a second foot is asked for where it brings this share of what the first brings
_LEAST_PATCH_AC = 0.5
_LEAST_PPM = 0.5
_Assumed = Literal["", "few-readings", "no-pattern"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextReading:
    """One place worth a reading."""

    easting_m: float
    northing_m: float
    zone: int  # zone it lies in now
    # rate of that zone, and the need at the place [lb/ac]
    rate_n_lb_ac: float
    need_lb_ac: float
    gain_lb: float  # pounds of nitrogen on the whole field that it is expected to move to where they are needed [lb]
    moved_ac: float  # ground whose rate it would move by a step every other time [ac]
    second_foot: bool  # whether the second foot should be pulled as well


@dataclass(frozen=True, slots=True, kw_only=True)
class NextReadings:
    """The next readings, best first."""

    readings: tuple[NextReading, ...]  # those worth taking: none once there are enough
    wanted: int  # readings asked for, as far as there is ground for them
    step_lb_ac: float  # step of the rate [lb/ac]
    patch_ac: float  # least ground worth another rate [ac]
    acres: float  # treated ground [ac]
    assumed: _Assumed  # why the variation between samples was assumed; empty when the samples show it

    @property
    def enough(self) -> bool:
        """Whether no further reading would move the rate by a step on a patch worth driving."""
        return not self.readings

    @property
    def gain_lb(self) -> float:
        """Nitrogen that all of them are expected to move to where it is needed. [lb]"""
        return sum(one.gain_lb for one in self.readings)


def next_readings(
    prescription: Prescription, spots_m: NDArray[np.float64], *, count: int, second_foot: bool = False
) -> NextReadings:
    """
    Places where further readings are expected to bring most.

    Among spots, shape (n, 2), where one may sample. `second_foot` is wanted while none has been pulled; where it has,
    its own expected gain decides. Raises InputFileError if the readings are composites of areas, or there are none.
    """
    field = prescription.field
    readings = field.samples.field_readings()
    if readings.areas:
        problem = f"{readings.source}: the readings are composites of areas, which say nothing of places inside them."
        raise InputFileError(problem, "Plan point samples with vrn plan, or smaller areas.")
    profile = profile_of(readings)
    candidates = spots_m[np.linspace(0, len(spots_m) - 1, min(len(spots_m), _MOST_CANDIDATES)).astype(int)]
    step = field.settings.machine.rate_step_n_lb_ac
    top, assumed = _best(prescription, profile.top[0], "nitrate_ppm", "soil_nitrate", candidates, count)
    patch_ac = field.settings.zones.least_patch_ac or _LEAST_PATCH_AC
    worth = tuple(one for one in top if one.moved_ac >= patch_ac and one.gain_lb > 0)
    chosen = candidates[[one.candidate for one in worth]] if worth else np.empty((0, 2))
    deep = _second_foot(prescription, profile.deep, chosen, worth, second_foot)
    row, col, _ = prescription.grid.cells_of(chosen)
    zones = prescription.zones.labels[row, col]
    need = prescription.surfaces["need_lb_ac"].values[row, col]
    rate = {one.zone: one.rate_n_lb_ac for one in prescription.rates}
    found = tuple(
        NextReading(
            easting_m=float(chosen[i, 0]), northing_m=float(chosen[i, 1]), zone=int(zones[i]),
            rate_n_lb_ac=rate.get(int(zones[i]), float("nan")), need_lb_ac=float(need[i]),
            gain_lb=one.gain_lb, moved_ac=one.moved_ac, second_foot=bool(deep[i]),
        )
        for i, one in enumerate(worth)
    )  # fmt: skip
    return NextReadings(
        readings=found, wanted=min(count, len(candidates)), step_lb_ac=step, patch_ac=patch_ac,
        acres=prescription.acres, assumed=assumed,
    )  # fmt: skip


def _best(
    prescription: Prescription, layer: SoilSamples, surface: str, line: str, candidates: NDArray[np.float64], count: int
) -> tuple[tuple[Worth, ...], _Assumed]:
    """Best further readings of one depth layer, in logarithms of ppm: high nitrate varies more than low."""
    settings = prescription.field.settings
    ppm = np.maximum(layer.nitrate_ppm, _LEAST_PPM)
    error = error_of_readings(
        layer, of_all=prescription.field.samples, instrument_sd_ppm=settings.samples.instrument_sd_ppm
    )
    variance = np.zeros(len(layer)) if error.variance_ppm2 is None else error.variance_ppm2 / ppm**2
    variogram, assumed = _variogram(prescription, layer.coordinates_m, np.log(ppm), variance)
    step = settings.machine.rate_step_n_lb_ac
    highest = min(settings.machine.max_rate_n_lb_ac, settings.limits.max_n_lb_ac)
    best = best_readings(
        _stake(prescription, surface, line, np.arange(0.0, highest + step / 2, step)), candidates, count,
        readings_m=layer.coordinates_m, error_variance=variance, variogram=variogram,
        new_variance=float(np.median(variance)), step_lb_ac=step,
    )  # fmt: skip
    return best, assumed


def _stake(prescription: Prescription, surface: str, line: str, rates: NDArray[np.float64]) -> Stake:
    """Treated cells with their need and what a unit of log nitrate does to it; an even part of them where many."""
    grid, share = prescription.grid, prescription.share.ravel()
    ppm = prescription.surfaces[surface].values.ravel()
    need = prescription.surfaces["need_lb_ac"].values.ravel()
    # a line of nitrate is pounds per ppm times ppm: just what one unit of log(ppm) takes off the need
    pounds = sum((np.asarray(one.lb_ac, float) for one in prescription.ledger.lines if one.key == line), np.zeros(()))
    slope = np.abs(np.broadcast_to(pounds, need.shape))
    rows = np.flatnonzero((share > 0) & np.isfinite(need) & np.isfinite(ppm) & np.isfinite(slope))
    kept = rows[np.linspace(0, len(rows) - 1, min(len(rows), _MOST_CELLS)).astype(int)]
    acres = share[kept] * (prescription.acres / max(float(share[kept].sum()), 1e-12))
    return Stake(
        cells_m=grid.centers_m()[kept], acres=acres, need_lb_ac=need[kept], slope_lb_ac=slope[kept], rates_lb_ac=rates
    )


def _variogram(
    prescription: Prescription,
    places_m: NDArray[np.float64],
    log_ppm: NDArray[np.float64],
    variance: NDArray[np.float64],
) -> tuple[Variogram, _Assumed]:
    """Variogram of log nitrate, or a usual one where the readings hold none."""
    few = len(np.unique(places_m, axis=0)) < _LEAST_TO_FIT
    if not few and np.ptp(log_ppm) > 0:
        fitted = fit_variogram(places_m, log_ppm, model="exponential", error_variance=variance)
        if fitted.model != "nugget" and fitted.partial_sill > 0:
            return fitted, ""
    sill = max(float(np.var(log_ppm)), 1e-4) if len(log_ppm) > 2 else _USUAL_LOG_SD**2
    range_m = float(np.sqrt(prescription.acres * AC_M2)) / 6
    usual = Variogram(model="exponential", nugget=sill / 3, partial_sill=2 * sill / 3, range_m=range_m)
    return usual, "few-readings" if few else "no-pattern"


def _second_foot(
    prescription: Prescription,
    deep: tuple[SoilSamples, ...],
    chosen: NDArray[np.float64],
    worth: tuple[Worth, ...],
    wanted_in_general: bool,
) -> NDArray[np.bool_]:
    """Which of the chosen places need the second foot: by its own gain once some was pulled."""
    if not len(chosen):
        return np.zeros(0, dtype=bool)
    if not deep:
        return np.full(len(chosen), wanted_in_general)
    gain = np.zeros(len(chosen))
    for one in _best(prescription, deep[0], "deep_nitrate_ppm", "deep_nitrate", chosen, len(chosen))[0]:
        gain[one.candidate] = one.gain_lb
    return np.asarray(gain >= _DEEP_SHARE * np.array([one.gain_lb for one in worth]))
