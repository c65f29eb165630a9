"""What was found when the readings were checked: standards, repeats, blanks, storage and neighbors."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding
from vrn.model.reading_error import ReadingError
from vrn.model.samples import SoilSamples

_LEAST_NOMINAL_PPM = 1.0  # below it a ratio says nothing
_MOST_DRIFT_PCT = 50.0  # of nominal; beyond it the reading failed, and nothing drifted: a choice of this project


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandardRun:
    """
    Check standards of one instrument in the order they were read, with the samples between them.

    Parameters
    ----------
    instrument : str
        Empty where the file does not say.
    order : ndarray of int, shape (n,)
        Rows of the samples this instrument read, standards among them, in the order of reading.
    standards : ndarray of int, shape (k,)
        Rows that are standards, in that order.
    nominal_ppm, read_ppm : ndarray, shape (k,)
        [ppm]
    good : ndarray of bool, shape (k,)
        Within the allowed band.
    doubtful : ndarray of int
        Field rows with a bad standard just before or after them.
    open_ended : ndarray of int
        Field rows before the first or after the last standard.
    drift_pct : float
        Change of the reading of a standard from the first to the last, by the straight line through them; NaN with
        fewer than three. [% of nominal]
    drift_p : float
        Chance of a line as steep without any drift; NaN with fewer than three.
    """

    instrument: str
    order: NDArray[np.intp]
    standards: NDArray[np.intp]
    nominal_ppm: NDArray[np.float64]
    read_ppm: NDArray[np.float64]
    good: NDArray[np.bool_]
    doubtful: NDArray[np.intp]
    open_ended: NDArray[np.intp]
    drift_pct: float
    drift_p: float

    @property
    def recovery_pct(self) -> NDArray[np.float64]:
        """Reading over nominal value, shape (k,). [%]"""
        return self.read_ppm / self.nominal_ppm * 100.0

    @property
    def corrects(self) -> NDArray[np.bool_]:
        """Whether a standard may correct readings, shape (k,): 1 ppm or more, and off by no more than half."""
        return (self.nominal_ppm >= _LEAST_NOMINAL_PPM) & (np.abs(self.recovery_pct - 100.0) <= _MOST_DRIFT_PCT)

    @property
    def after_readings(self) -> NDArray[np.intp]:
        """Readings taken before each standard, shape (k,)."""
        return np.flatnonzero(np.isin(self.order, self.standards))


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeatability:
    """
    How well one sample reads the same twice.

    Parameters
    ----------
    sd_ppm : float
        Standard deviation of one reading. [ppm]
    low_ppm, high_ppm : float
        Its 95 % confidence interval. [ppm]
    limit_ppm : float
        Two readings of one sample differ by less in 95 of 100 cases: 2.8 standard deviations. [ppm]
    freedom : int
        Degrees of freedom: readings less samples.
    samples : int
        Samples read more than once.
    """

    sd_ppm: float
    low_ppm: float
    high_ppm: float
    limit_ppm: float
    freedom: int
    samples: int


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentPair:
    """
    Two instruments on the same samples.

    Parameters
    ----------
    instruments : (str, str)
        A name is empty where the file does not say.
    mean_ppm : float
        First less second. [ppm]
    low_ppm, high_ppm : float or None
        Its 95 % interval by Student's t; None with one sample. [ppm]
    """

    instruments: tuple[str, str]
    samples: int
    mean_ppm: float
    low_ppm: float | None
    high_ppm: float | None

    @property
    def differ(self) -> bool:
        """Whether the interval leaves out 0."""
        return self.low_ppm is not None and self.high_ppm is not None and not self.low_ppm <= 0 <= self.high_ppm


@dataclass(frozen=True, slots=True, kw_only=True)
class Blanks:
    """
    What blanks read, and what they say of the least that can be detected.

    Parameters
    ----------
    sd_ppm, detection_ppm : float or None
        Detection is the mean + 3 standard deviations; both None with fewer than three. [ppm]
    """

    count: int
    mean_ppm: float
    most_ppm: float
    sd_ppm: float | None
    detection_ppm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """
    One reading far from what its neighbors say.

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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingQuality:
    """
    Everything that was looked at to know whether the readings can be trusted.

    Parameters
    ----------
    samples, field_readings : SoilSamples
        All rows as read, and those taken for the field.
    moisture_basis : str or None
        As the field file gives it.
    unsettled : tuple of ndarray of int
        Rows of ``samples`` that read one sample while it was still changing.
    kept_too_long : tuple of (int, int)
        Row of ``samples``, days from pulling to reading.
    suspects : tuple of Suspect
        Rows of ``field_readings``.
    corrections : dict of int to (float, float), or None
        Readings corrected for drift, by row of the file: before and after; None when that was not asked for. [ppm]
    findings : tuple of Finding
        Nothing is changed or left out because of them.
    """

    samples: SoilSamples
    field_readings: SoilSamples
    moisture_basis: str | None
    runs: tuple[StandardRun, ...]
    repeatability: Repeatability | None
    unsettled: tuple[NDArray[np.intp], ...]
    instruments: tuple[InstrumentPair, ...]
    blanks: Blanks | None
    kept_too_long: tuple[tuple[int, int], ...]
    suspects: tuple[Suspect, ...]
    error: ReadingError
    corrections: dict[int, tuple[float, float]] | None
    findings: tuple[Finding, ...] = ()
