"""What was found when the readings were checked: standards, repeats, blanks, storage and neighbors."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding
from vrn.model.samples import ReadingError, SoilSamples

_LEAST_NOMINAL_PPM = 1.0  # below it a ratio says nothing
_MOST_DRIFT_PCT = 50.0  # of nominal; beyond it the reading failed, and nothing drifted: a choice of this project


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StandardRun:
    """Check standards of one instrument in the order they were read, with the samples between them."""

    instrument: str  # empty where the file does not say
    # rows of the samples this instrument read, standards among them, in the order of reading, shape (n,)
    order: NDArray[np.intp]
    standards: NDArray[np.intp]  # rows that are standards, in that order, shape (k,)
    nominal_ppm: NDArray[np.float64]  # shape (k,)
    read_ppm: NDArray[np.float64]  # shape (k,)
    good: NDArray[np.bool_]  # within the allowed band, shape (k,)
    doubtful: NDArray[np.intp]  # field rows with a bad standard just before or after them
    open_ended: NDArray[np.intp]  # field rows before the first or after the last standard
    # change of the reading of a standard from the first to the last, by the straight line through them; NaN with
    # fewer than three
    drift_pct: float
    drift_p: float  # chance of a line as steep without any drift; NaN with fewer than three

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
    """How well one sample reads the same twice."""

    sd_ppm: float  # standard deviation of one reading
    low_ppm: float  # its 95 % confidence interval
    high_ppm: float
    limit_ppm: float  # two readings of one sample differ by less in 95 of 100 cases: 2.8 standard deviations
    freedom: int  # degrees of freedom: readings less samples
    samples: int  # samples read more than once


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentPair:
    """Two instruments on the same samples."""

    instruments: tuple[str, str]  # a name is empty where the file does not say
    samples: int
    mean_ppm: float  # first less second
    low_ppm: float | None  # its 95 % interval by Student's t; None with one sample
    high_ppm: float | None

    @property
    def differ(self) -> bool:
        """Whether the interval leaves out 0."""
        return self.low_ppm is not None and self.high_ppm is not None and not self.low_ppm <= 0 <= self.high_ppm


@dataclass(frozen=True, slots=True, kw_only=True)
class Blanks:
    """What blanks read, and what they say of the least that can be detected."""

    count: int
    mean_ppm: float
    most_ppm: float
    sd_ppm: float | None  # detection is the mean + 3 standard deviations; both None with fewer than three
    detection_ppm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One reading far from what its neighbors say."""

    row: int  # of the samples
    read_ppm: float  # the reading
    expected_ppm: float  # what the others make of its place
    score: float  # modified z-score of the gap, in logarithms; positive where the reading is high


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ReadingQuality:
    """Everything that was looked at to know whether the readings can be trusted."""

    samples: SoilSamples  # all rows as read
    field_readings: SoilSamples  # those taken for the field
    moisture_basis: str | None  # as the field file gives it
    runs: tuple[StandardRun, ...]
    repeatability: Repeatability | None
    unsettled: tuple[NDArray[np.intp], ...]  # rows of ``samples`` that read one sample while it was still changing
    instruments: tuple[InstrumentPair, ...]
    blanks: Blanks | None
    kept_too_long: tuple[tuple[int, int], ...]  # row of ``samples``, days from pulling to reading
    suspects: tuple[Suspect, ...]  # rows of ``field_readings``
    error: ReadingError
    # readings corrected for drift, by row of the file: before and after; None when that was not asked for. [ppm]
    corrections: dict[int, tuple[float, float]] | None
    findings: tuple[Finding, ...] = ()  # nothing is changed or left out because of them
