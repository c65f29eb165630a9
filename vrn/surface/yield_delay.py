"""How long the grain takes from the header to the sensor, from passes driven in opposite directions."""

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding, Quantity, note
from vrn.surface.dense import compiled_for_logs
from vrn.surface.yield_near import Near
from vrn.surface.yield_passes import Passes

_ASKED = 20_000
_FEWEST_PAIRS = 300
_LONGEST_S = 25.0
_BACK_S = 8.0  # a log whose delay was taken out too far
_LEAST_GAIN = 0.05  # share by which the disagreement has to fall; noise alone makes some hundredths


def flow_delay(passes: Passes, value: NDArray[np.float64], *, about: str) -> tuple[int, Finding]:
    """
    Records by which the yields lag behind the ground they were cut on.

    Parameters
    ----------
    passes : Passes
    value : ndarray, shape (k,)
        Yield of each record.
    about : str
        The log.

    Returns
    -------
    steps : int
        0 where nothing is gained, or where there is too little to tell from.
    finding : Finding

    Notes
    -----
    Neighbouring records of passes in opposite directions saw nearly the same ground, but their yields are displaced
    the opposite ways. Of all shifts the one is taken at which the mean absolute difference of such pairs is least,
    each pass less its mean.

    References
    ----------
    Chung, Sudduth & Drummond (2002), Determining yield monitoring system delay time with geostatistical and data
    segmentation approaches, Trans. ASAE 45, 915–926; Arslan & Colvin (2002), Grain yield mapping: yield sensing, yield
    reconstruction, and errors, Precision Agriculture 3, 135–154.
    """
    step_s = passes.step_s or 1.0
    if len(passes) < _FEWEST_PAIRS:
        return 0, note("surface.delay-log-short", about)
    mine, theirs = _opposite_pairs(passes)
    if len(mine) < _FEWEST_PAIRS:
        return 0, note("surface.delay-few-passes", about)
    kernels = compiled_for_logs()
    level = np.bincount(passes.run, value) / np.bincount(passes.run)
    value = value - level[passes.run]  # what a whole pass reads too high says nothing of the delay
    shifted = np.empty(len(value))
    shifts = np.arange(-round(_BACK_S / step_s), round(_LONGEST_S / step_s) + 1)
    apart = np.empty(len(shifts))
    for k, shift in enumerate(shifts.tolist()):
        kernels.shift_by(passes.run, shift, value, shifted)
        difference = np.abs(shifted[mine] - shifted[theirs])
        known = np.isfinite(difference)
        apart[k] = difference[known].mean() if known.sum() >= _FEWEST_PAIRS // 2 else np.inf
    best = int(apart.argmin())
    unmoved = float(apart[shifts == 0][0])
    if not apart[best] < unmoved * (1.0 - _LEAST_GAIN):
        return 0, note("surface.delay-none", about)
    steps = int(shifts[best])
    gain = Quantity("share", float(1.0 - apart[best] / unmoved))
    if passes.step_s is None:
        return steps, note("surface.delay-in-records", about, records=steps, gain=gain)
    return steps, note("surface.delay-removed", about, seconds=Quantity("number", round(steps * step_s, 1)), gain=gain)


def _opposite_pairs(passes: Passes) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Records and their nearest neighbours in passes driven the other way."""
    near = Near.of(passes.points_m, passes.run)
    every = max(len(passes) // _ASKED, 1)
    asked = np.arange(0, len(passes), every)
    reach_m = 6.0 * float(np.median(passes.length_m)) + 15.0
    found = near.neighbours(asked, wanted=12, reach_m=reach_m, strangers_only=True)
    heading = np.einsum("ik,ijk->ij", passes.along[asked], passes.along[found])
    fits = (found >= 0) & (heading < -0.8)
    first = fits.argmax(axis=1)
    some = fits.any(axis=1)
    return asked[some], found[np.arange(len(asked)), first][some].astype(np.intp)
