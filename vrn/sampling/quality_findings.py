"""What the quality of the readings leaves a person to decide, in sentences."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding
from vrn.model.samples import SoilSamples
from vrn.sampling.error import ReadingError
from vrn.sampling.outliers import Suspect
from vrn.sampling.repeats import Repeatability
from vrn.sampling.standards import ALLOWED_PCT, StandardRun

_SHOWN = 8
_DRIFT_PCT, _DRIFT_P = 5.0, 0.05
_LARGE_SD_PPM = 2.0  # about 7 lb N/ac in a foot of soil
_BLANK_PPM = 1.0
_HIDDEN_SHARE = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Judged:
    """
    Everything that was looked at.

    Parameters
    ----------
    samples, speaks : SoilSamples
        All rows, and those that speak for the field.
    runs : tuple of StandardRun
    repeatability : Repeatability or None
    unsettled : list of ndarray of int
        Rows of ``samples``.
    instruments : list of dict
    blanks : dict or None
    stored_too_long : tuple of (int, int)
        Row of ``samples``, days.
    suspects : tuple of Suspect
        Rows of ``speaks``.
    error : ReadingError
    changes : dict of int to (float, float), or None
        Readings corrected for drift; None when that was not asked for.
    """

    samples: SoilSamples
    speaks: SoilSamples
    runs: tuple[StandardRun, ...]
    repeatability: Repeatability | None
    unsettled: list[NDArray[np.intp]]
    instruments: list[dict[str, Any]]
    blanks: dict[str, Any] | None
    stored_too_long: tuple[tuple[int, int], ...]
    suspects: tuple[Suspect, ...]
    error: ReadingError
    changes: dict[int, tuple[float, float]] | None

    def warn(self, problem: str, remedy: str, *, row: int | None = None) -> Finding:
        """Something a person must decide, about the file or one of its rows."""
        about = self.samples.source if row is None else f"{self.samples.source} row {row}"
        return Finding(level="warning", about=about, problem=problem, remedy=remedy)

    def note(self, problem: str, remedy: str) -> Finding:
        """Something assumed or worth knowing."""
        return Finding(level="note", about=self.samples.source, problem=problem, remedy=remedy)


def findings_of(judged: Judged) -> tuple[Finding, ...]:
    """
    Findings in the order of a day's work: standards, repeats, blanks, storage, neighbours.

    Parameters
    ----------
    judged : Judged

    Returns
    -------
    findings : tuple of Finding
    """
    parts = (_standards, _drift, _repeats, _unsettled, _instruments, _blanks, _storage, _suspects, _cores)
    return tuple(finding for part in parts for finding in part(judged))


def _standards(judged: Judged) -> Iterator[Finding]:
    samples = judged.samples
    if not judged.runs and len(judged.speaks):
        yield judged.note(
            "There are no check standards: nothing tells whether the instrument was right.",
            "Read a standard of known ppm first, every ten samples, and last (kind standard).",
        )
    for run in judged.runs:
        bad = run.standards[~run.good]
        if len(bad):
            told = "; ".join(
                f"row {samples.row[row]}: {samples.nitrate_ppm[row]:.3g} for {samples.nominal_ppm[row]:.3g} ppm"
                for row in bad[:_SHOWN]
            )
            beside = _names(samples, run.doubtful)
            yield judged.warn(
                f"{len(bad)} of {len(run.standards)} check standards{_of(run)} are off by more than {ALLOWED_PCT:g} % "
                f"({told}).",
                f"Read again the samples beside them: {beside}." if beside else "No sample lies beside them.",
            )
        if len(run.open_ended):
            yield judged.note(
                f"{len(run.open_ended)} readings{_of(run)} lie before the first or after the last check standard: "
                f"{_names(samples, run.open_ended)}.",
                "Read a standard first, every ten samples, and last.",
            )


def _drift(judged: Judged) -> Iterator[Finding]:
    for run in judged.runs:
        if judged.changes is None and abs(run.drift_pct) > _DRIFT_PCT and run.drift_p < _DRIFT_P:
            yield judged.warn(
                f"Check standards{_of(run)} drift by {run.drift_pct:+.0f} % from the first to the last "
                f"(p = {run.drift_p:.2g}).",
                "Calibrate and read again, or set samples.correct_drift = true.",
            )
        failed = run.standards[~run.corrects]
        if judged.changes is not None and len(failed):
            yield judged.warn(
                f"Check standards{_of(run)} that correct no reading, below 1 ppm or off by more than half: "
                f"{_names(judged.samples, failed)}.",
                "Read them again, or judge the readings beside them by hand.",
            )
    if judged.changes:
        row, (before, after) = max(judged.changes.items(), key=lambda change: abs(change[1][1] - change[1][0]))
        yield judged.note(
            f"{len(judged.changes)} readings are corrected by their check standards; the largest change is row {row}: "
            f"{before:.1f} to {after:.1f} ppm.",
            "Remove samples.correct_drift to use them as read.",
        )


def _repeats(judged: Judged) -> Iterator[Finding]:
    twice = judged.repeatability
    if twice is None:
        return
    problem = (
        f"{twice.samples} samples were read more than once: one reading is good to ± {twice.sd_ppm:.2g} ppm "
        f"(standard deviation; 95 %: {twice.low_ppm:.2g} to {twice.high_ppm:.2g})."
    )
    if twice.sd_ppm > _LARGE_SD_PPM:
        yield judged.warn(problem, "Mix the cores better and let each reading settle, then read again.")
    else:
        yield judged.note(problem, f"Two readings of one sample should differ by less than {twice.limit_ppm:.2g} ppm.")


def _unsettled(judged: Judged) -> Iterator[Finding]:
    samples = judged.samples
    for rows in judged.unsettled[:_SHOWN]:
        told = ", ".join(f"{samples.nitrate_ppm[row]:.1f}" for row in rows)
        yield judged.warn(
            f"Sample {samples.sample_id[rows[0]]} had not settled: {told} ppm one after the other.",
            "Wait until two readings agree, and keep the last.",
            row=int(samples.row[rows[0]]),
        )


def _instruments(judged: Judged) -> Iterator[Finding]:
    for pair in judged.instruments:
        if pair["differ"]:
            one, other = (name or "(not named)" for name in pair["instruments"])
            yield judged.warn(
                f"Instrument {one} reads {pair['mean_ppm']:+.1f} ppm beside {other} on the same {pair['samples']} "
                f"samples (95 %: {pair['low_ppm']:+.1f} to {pair['high_ppm']:+.1f}).",
                "Find out with a standard which is right; do not mix their readings until then.",
            )


def _blanks(judged: Judged) -> Iterator[Finding]:
    samples = judged.samples
    if judged.blanks is not None and judged.blanks["most_ppm"] > _BLANK_PPM:
        yield judged.warn(
            f"A blank reads {judged.blanks['most_ppm']:.1f} ppm.",
            "Rinse, use fresh water or extractant, and read the samples before it again.",
        )
    soil = np.array([kind in ("field", "duplicate") for kind in samples.kind], dtype=bool)
    hidden = int((samples.below_detection & soil).sum())
    if hidden and hidden >= _HIDDEN_SHARE * int(soil.sum()):
        yield judged.warn(
            f"{hidden} of {int(soil.sum())} readings are below detection: what varies below it is not seen.",
            "Ask for a lower limit of detection, or take the field as even there.",
        )


def _storage(judged: Judged) -> Iterator[Finding]:
    samples = judged.samples
    for row, (pulled, handling) in enumerate(zip(samples.sampled_on, samples.handling, strict=True)):
        if pulled is not None and handling.read_at is not None and handling.read_at.date() < pulled:
            yield judged.warn(
                f"Sample {samples.sample_id[row]} was read before it was pulled.", "Check sampled_on and read_at.",
                row=int(samples.row[row]),
            )  # fmt: skip
            break
    old = judged.stored_too_long
    if old:
        yield judged.warn(
            f"{len(old)} samples were read up to {max(days for _, days in old)} days after they were pulled "
            f"({_names(samples, [row for row, _ in old])}): moist soil goes on making nitrate.",
            "Read within 24 hours, or cool, freeze or dry them (University of Nebraska-Lincoln, G1740).",
        )


def _suspects(judged: Judged) -> Iterator[Finding]:
    for one in judged.suspects[:_SHOWN]:
        yield judged.warn(
            f"Sample {judged.speaks.sample_id[one.row]} reads {one.read_ppm:.1f} ppm where its neighbours say "
            f"{one.expected_ppm:.1f}.",
            "Look for a band, a pile or a slip of the pen; it is used as it stands unless you take it out.",
            row=int(judged.speaks.row[one.row]),
        )


def _cores(judged: Judged) -> Iterator[Finding]:
    if "assumed" in judged.error.cores_from and np.ptp(judged.error.composite_ppm2) > 0:
        yield judged.note(
            "Samples of few cores count for less than those of many: "
            f"{judged.error.core_cv_pct:.0f} % between cores, {judged.error.cores_from}.",
            "Pull five or more pairs of samples a few yards apart (vrn plan places them).",
        )


def _names(samples: SoilSamples, rows: Any) -> str:
    names = list(dict.fromkeys(samples.sample_id[row] for row in rows))
    return ", ".join(names[:_SHOWN]) + (f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else "")


def _of(run: StandardRun) -> str:
    return f" of {run.instrument}" if run.instrument else ""
