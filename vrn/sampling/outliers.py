"""Readings that their neighbours do not bear out: shown, never removed."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.model.samples import SoilSamples

SUSPECT_SCORE = 3.5  # modified z-score: Iglewicz & Hoaglin (1993), in the NIST/SEMATECH e-Handbook § 1.3.5.17
_LEAST = 10  # readings below which neighbours say too little


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """
    One reading far from what its neighbours say.

    Parameters
    ----------
    row : int
        Of the samples.
    read_ppm, expected_ppm : float
        The reading, and what the others make of its place. [ppm]
    score : float
        Modified z-score of the gap, in logarithms; positive where the reading is high.
    """

    row: int
    read_ppm: float
    expected_ppm: float
    score: float


def suspects(samples: SoilSamples, *, score: float = SUSPECT_SCORE) -> tuple[Suspect, ...]:
    """
    Readings whose leave-one-out residual stands out among all residuals of their depth.

    Parameters
    ----------
    samples : SoilSamples
        Those that speak for the field; composites of areas are not judged.
    score : float
        Modified z-score beyond which a reading is told.

    Returns
    -------
    suspects : tuple of Suspect
        By falling distance. Fewer than ten readings of a depth are not judged.

    Notes
    -----
    Residuals of leave-one-out kriging on log(ppm), each over its own standard error, then 0.6745 (r − median) ÷ MAD: an
    outlier does not hide by inflating the spread it is measured with.

    References
    ----------
    Dubrule (1983), Math. Geol. 15:687-699; Iglewicz & Hoaglin (1993), How to Detect and Handle Outliers, ASQC.
    """
    found = []
    for top_in, bottom_in in samples.depths_in():
        rows = np.flatnonzero((samples.top_in == top_in) & (samples.bottom_in == bottom_in))
        rows = np.array([i for i in rows if not samples.area_id[i] and samples.nitrate_ppm[i] > 0], dtype=np.intp)
        if len(rows) < _LEAST or len(np.unique(samples.coordinates_m[rows], axis=0)) < _LEAST:
            continue
        log_ppm = np.log(samples.nitrate_ppm[rows])
        expected, scores = _scores(samples.coordinates_m[rows], log_ppm)
        for at in np.flatnonzero(np.abs(scores) > score):
            i = int(rows[at])
            found.append(
                Suspect(row=i, read_ppm=float(samples.nitrate_ppm[i]), expected_ppm=float(np.exp(expected[at])),
                        score=float(scores[at]))
            )  # fmt: skip
    return tuple(sorted(found, key=lambda one: -abs(one.score)))


def _scores(
    coordinates_m: NDArray[np.float64], log_ppm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Estimate of each reading from the others, and the modified z-score of the gap."""
    from vrn.surface import fit_variogram, leave_one_out

    if np.ptp(log_ppm) < 1e-9:
        return log_ppm.copy(), np.zeros(len(log_ppm))
    variogram = fit_variogram(coordinates_m, log_ppm)
    expected, variance = leave_one_out(coordinates_m, log_ppm, variogram=variogram)
    residual = (log_ppm - expected) / np.sqrt(np.maximum(variance, 1e-12))
    centre = np.nanmedian(residual)
    spread = np.nanmedian(np.abs(residual - centre))
    scores = np.nan_to_num(0.6745 * (residual - centre) / max(float(spread), 1e-9))
    return expected, scores
