"""The error of every reading, as a variance for the surface: the instrument, and the cores that were mixed."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.model.samples import SoilSamples
from vrn.sampling.repeats import repeatability
from vrn.sampling.size import CORE_CV_PCT
from vrn.sampling.standards import standard_runs

_LEAST_FREEDOM = 3  # below it a standard deviation says little
_CLOSE_M = 12.0
_LEAST_PAIRS = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingError:
    """
    What is known of the error of each reading.

    Parameters
    ----------
    instrument_sd_ppm : float or None
        Standard deviation of one reading of one sample. [ppm]
    instrument_from : str
        In words: where that comes from.
    core_cv_pct : float or None
        Between cores of one place; None where nobody wrote how many cores were mixed. [%]
    cores_from : str
        In words: where that comes from.
    instrument_ppm2, composite_ppm2 : ndarray, shape (n,)
        Variances, at the level of the median reading; 0 where nothing is known. [ppm²]
    """

    instrument_sd_ppm: float | None
    instrument_from: str
    core_cv_pct: float | None
    cores_from: str
    instrument_ppm2: NDArray[np.float64]
    composite_ppm2: NDArray[np.float64]

    @property
    def variance_ppm2(self) -> NDArray[np.float64] | None:
        """
        What the surface takes as ``error_variance``, shape (n,); None where it knows as much itself. [ppm²]

        The instrument's variance, and of the composites' what some have beyond the best of them: what all share is in
        the nugget, which the readings tell better than an assumption.
        """
        beyond = self.composite_ppm2 - self.composite_ppm2.min(initial=np.inf)
        if self.instrument_sd_ppm is None and not beyond.any():
            return None
        return np.asarray(self.instrument_ppm2 + beyond)

    def to_plain(self) -> dict[str, Any]:
        """What is known, as numbers and words."""
        return {
            "instrument_sd_ppm": self.instrument_sd_ppm, "instrument_from": self.instrument_from,
            "core_cv_pct": self.core_cv_pct, "cores_from": self.cores_from,
        }  # fmt: skip


def error_of_readings(
    readings: SoilSamples, *, of_all: SoilSamples | None = None, instrument_sd_ppm: float | None = None
) -> ReadingError:
    """
    Error variance of each reading, from the best there is.

    Parameters
    ----------
    readings : SoilSamples
        Those whose variance is wanted, as one depth layer.
    of_all : SoilSamples, optional
        Everything in the file: its duplicates and standards tell the instrument's error. ``readings`` when not given.
    instrument_sd_ppm : float, optional
        Given by the user; goes before everything else. [ppm]

    Returns
    -------
    error : ReadingError

    Notes
    -----
    The instrument: as given; else from duplicates (three degrees of freedom or more); else from check standards around
    their own mean (four or more). The composite: (core CV × median reading)² ÷ cores, where the file says how many
    cores were mixed; the median and not the reading itself, since low readings would else be trusted most and the map
    drawn down. The CV comes from pairs of samples within 12 m of each other (five pairs or more): half the mean squared
    difference, less the instrument's variance, times the cores; else 50 %.

    Examples
    --------
    A reading of 20 ppm from 16 cores, 50 % between cores: 10 ÷ 4 = 2.5 ppm, a variance of 6.25.

    >>> from vrn.model.samples import Handling
    >>> one = SoilSamples(
    ...     sample_id=("1",), crs="EPSG:32615", coordinates_m=np.zeros((1, 2)), top_in=np.zeros(1),
    ...     bottom_in=np.full(1, 12.0), nitrate_ppm=np.array([20.0]), kind=("field",), sampled_on=(None,),
    ...     nominal_ppm=np.array([np.nan]), below_detection=np.array([False]), area_id=("",), areas={},
    ...     row=np.array([2]), handling=(Handling(cores=16),))
    >>> error = error_of_readings(one, instrument_sd_ppm=1.0)
    >>> error.instrument_ppm2.tolist(), error.composite_ppm2.tolist()
    ([1.0], [6.25])
    """
    sd, sd_from = _instrument(of_all if of_all is not None else readings, instrument_sd_ppm)
    instrument = np.full(len(readings), 0.0 if sd is None else sd**2)
    cores = np.array([handling.cores or 0 for handling in readings.handling], dtype=float)
    if not (cores > 0).any():
        return ReadingError(
            instrument_sd_ppm=sd, instrument_from=sd_from, core_cv_pct=None, instrument_ppm2=instrument,
            composite_ppm2=np.zeros(len(readings)), cores_from="the file does not say how many cores were mixed",
        )  # fmt: skip
    cv_pct, cv_from = _between_cores(readings, cores, 0.0 if sd is None else sd)
    known = readings.nitrate_ppm[np.isfinite(readings.nitrate_ppm)]
    level = float(np.median(known)) if len(known) else 0.0
    mixed = np.where(cores > 0, cores, cores[cores > 0].min())  # not written down: taken for the fewest that were
    composite = (cv_pct / 100.0 * level) ** 2 / mixed
    return ReadingError(
        instrument_sd_ppm=sd, instrument_from=sd_from, core_cv_pct=cv_pct, cores_from=cv_from,
        instrument_ppm2=instrument, composite_ppm2=composite,
    )  # fmt: skip


def _instrument(samples: SoilSamples, given: float | None) -> tuple[float | None, str]:
    if given is not None:
        return given, "given in the field file"
    twice = repeatability(samples)
    if twice is not None and twice.freedom >= _LEAST_FREEDOM:
        return twice.sd_ppm, f"{twice.samples} samples read more than once"
    squares, freedom = 0.0, 0
    for run in standard_runs(samples):
        for nominal in np.unique(run.nominal_ppm):
            read = run.read_ppm[run.nominal_ppm == nominal]
            squares += float(((read - read.mean()) ** 2).sum())
            freedom += len(read) - 1
    if freedom >= _LEAST_FREEDOM:
        return float(np.sqrt(squares / freedom)), f"{freedom + 1} or more readings of check standards"
    return None, "no duplicates and no check standards to tell it from"


def _between_cores(readings: SoilSamples, cores: NDArray[np.float64], sd_ppm: float) -> tuple[float, str]:
    """Core CV from close pairs, where there are enough. [%]"""
    from scipy.spatial import cKDTree

    usable = np.flatnonzero((cores > 0) & np.isfinite(readings.nitrate_ppm) & np.isfinite(readings.coordinates_m[:, 0]))
    places, first = np.unique(readings.coordinates_m[usable], axis=0, return_index=True)
    if len(places) > 1:
        pairs = cKDTree(places).query_pairs(_CLOSE_M, output_type="ndarray")
        if len(pairs) >= _LEAST_PAIRS:
            one, other = usable[first[pairs[:, 0]]], usable[first[pairs[:, 1]]]
            half = (readings.nitrate_ppm[one] - readings.nitrate_ppm[other]) ** 2 / 2 - sd_ppm**2
            level = (readings.nitrate_ppm[one] + readings.nitrate_ppm[other]) / 2
            each = 2 / (1 / cores[one] + 1 / cores[other])
            squared = float(np.sum(half * each) / max(float(np.sum(level**2)), 1e-12))
            return 100.0 * float(np.sqrt(max(squared, 0.0))), f"{len(pairs)} pairs of samples within {_CLOSE_M:g} m"
    return CORE_CV_PCT, "assumed: too few pairs of samples close together to tell it from"
