"""Whether to trust the readings: everything that standards, duplicates, blanks, dates and neighbors say of them."""

from collections.abc import Iterable, Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding, Quantity, note, warning
from vrn.model.readings import ReadingQuality, StandardRun, Suspect
from vrn.model.samples import SoilSamples
from vrn.model.settings import SampleSection
from vrn.sampling.error import error_of_readings
from vrn.sampling.standards import (
    ALLOWED_PCT,
    blanks,
    corrected_for_drift,
    instrument_differences,
    repeatability,
    standard_runs,
    unsettled,
)

SUSPECT_SCORE = 3.5  # modified z-score: Iglewicz & Hoaglin (1993), in the NIST/SEMATECH e-Handbook § 1.3.5.17
_LEAST_BESIDE = 10  # readings below which neighbors say too little
_DAYS = {"": 1, "warm": 1, "cool": 3}  # to the reading; frozen and dried samples keep
_SHOWN = 8
_DRIFT_PCT, _DRIFT_P = 5.0, 0.05
_LARGE_SD_PPM = 2.0  # about 7 lb N/ac in a foot of soil
_BLANK_PPM = 1.0
_HIDDEN_SHARE = 0.2


def assess_readings(samples: SoilSamples, *, section: SampleSection | None = None) -> ReadingQuality:
    """Everything there is to say of the quality of a file of readings.

    Samples of all kinds as read: uncorrected, in the order of the file.
    """
    field_readings = samples.field_readings()
    correct = section is not None and section.correct_drift
    quality = ReadingQuality(
        samples=samples, field_readings=field_readings,
        moisture_basis=None if section is None else section.moisture_basis, runs=standard_runs(samples),
        repeatability=repeatability(samples), unsettled=unsettled(samples),
        instruments=instrument_differences(samples), blanks=blanks(samples), kept_too_long=_kept_too_long(samples),
        suspects=suspects(field_readings),
        error=error_of_readings(
            field_readings, of_all=samples, instrument_sd_ppm=None if section is None else section.instrument_sd_ppm
        ),
        corrections=corrected_for_drift(samples)[1] if correct else None,
    )  # fmt: skip
    parts = (_standards, _drift, _repeats, _unsettled, _instruments, _blanks, _storage, _suspects, _cores)
    return replace(quality, findings=tuple(finding for part in parts for finding in part(quality)))


def corrected(samples: SoilSamples, section: SampleSection) -> SoilSamples:
    """Readings as the surface should take them: corrected by their check standards when the field file asks for it."""
    return corrected_for_drift(samples)[0] if section.correct_drift else samples


def suspects(samples: SoilSamples, *, score: float = SUSPECT_SCORE) -> tuple[Suspect, ...]:
    """Readings whose leave-one-out residual stands out among all residuals of their depth: shown, never removed.

    By falling distance. Composites of areas and depths with fewer than ten readings are not judged. Residuals of
    leave-one-out kriging on log(ppm), each over its own standard error, then 0.6745 (r − median) ÷ MAD: an outlier does
    not hide by inflating the spread it is measured with. Sources: Dubrule (1983), Math. Geol. 15:687-699; Iglewicz &
    Hoaglin (1993), How to Detect and Handle Outliers, ASQC.
    """
    found = []
    for top_in, bottom_in in samples.depths_in():
        rows = np.flatnonzero((samples.top_in == top_in) & (samples.bottom_in == bottom_in))
        rows = np.array([i for i in rows if not samples.area_id[i] and samples.nitrate_ppm[i] > 0], dtype=np.intp)
        if len(rows) < _LEAST_BESIDE or len(np.unique(samples.coordinates_m[rows], axis=0)) < _LEAST_BESIDE:
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
    from vrn.surface import leave_one_out
    from vrn.surface.likelihood import posterior
    from vrn.surface.nearby import some_of
    from vrn.surface.places import places_of

    if np.ptp(log_ppm) < 1e-9:
        return log_ppm.copy(), np.zeros(len(log_ppm))
    some = some_of(len(log_ppm))
    variogram = posterior(places_of(coordinates_m[some], log_ppm[some])).best.variogram
    expected, variance = leave_one_out(
        coordinates_m, log_ppm, variogram=variogram, neighbors=None if len(some) == len(log_ppm) else 24
    )
    residual = (log_ppm - expected) / np.sqrt(np.maximum(variance, 1e-12))
    centre = np.nanmedian(residual)
    spread = np.nanmedian(np.abs(residual - centre))
    scores = np.nan_to_num(0.6745 * (residual - centre) / max(float(spread), 1e-9))
    return expected, scores


def _kept_too_long(samples: SoilSamples) -> tuple[tuple[int, int], ...]:
    """Rows read later than their storage allows, with the days between."""
    found = []
    for row, (pulled, handling) in enumerate(zip(samples.sampled_on, samples.handling, strict=True)):
        if pulled is None or handling.read_at is None or samples.kind[row] not in ("field", "duplicate"):
            continue
        days = (handling.read_at.date() - pulled).days
        if handling.stored in _DAYS and days > _DAYS[handling.stored]:
            found.append((row, days))
    return tuple(found)


def _standards(quality: ReadingQuality) -> Iterator[Finding]:
    samples = quality.samples
    if not quality.runs and len(quality.field_readings):
        yield note("samples.no-standards", samples.source)
    for run in quality.runs:
        bad = np.flatnonzero(~run.good)
        if len(bad):
            worst = bad[int(np.argmax(np.abs(run.read_ppm - run.nominal_ppm)[bad]))]
            beside = {"samples": _names(samples, run.doubtful)} if len(run.doubtful) else {}
            yield warning(
                f"samples.standards-off{'' if beside else '-alone'}", _about(samples, run), bad=len(bad),
                count=len(run.standards), allowed=Quantity("percent", ALLOWED_PCT),
                row=str(samples.row[run.standards[worst]]), read=_ppm(run.read_ppm[worst]),
                nominal=_ppm(run.nominal_ppm[worst]), **beside,
            )  # fmt: skip
        if len(run.open_ended):
            yield note(
                "samples.outside-standards", _about(samples, run), count=len(run.open_ended),
                samples=_names(samples, run.open_ended),
            )  # fmt: skip


def _drift(quality: ReadingQuality) -> Iterator[Finding]:
    samples = quality.samples
    for run in quality.runs:
        if quality.corrections is None and abs(run.drift_pct) > _DRIFT_PCT and run.drift_p < _DRIFT_P:
            yield warning(
                "samples.standards-drift", _about(samples, run), drift=Quantity("percent", float(run.drift_pct))
            )
        failed = run.standards[~run.corrects]
        if quality.corrections is not None and len(failed):
            yield warning("samples.standards-failed", _about(samples, run), samples=_names(samples, failed))
    if quality.corrections:
        row, (before, after) = max(quality.corrections.items(), key=lambda change: abs(change[1][1] - change[1][0]))
        yield note(
            "samples.corrected", samples.source, count=len(quality.corrections), row=str(row), before=_ppm(before),
            after=_ppm(after),
        )  # fmt: skip


def _repeats(quality: ReadingQuality) -> Iterator[Finding]:
    twice = quality.repeatability
    if twice is None:
        return
    known = {"count": Quantity("count", twice.samples), "sd": _ppm(twice.sd_ppm), "limit": _ppm(twice.limit_ppm)}
    if twice.sd_ppm > _LARGE_SD_PPM:
        yield warning("samples.repeats-apart", quality.samples.source, **known)
    else:
        yield note("samples.repeats", quality.samples.source, **known)


def _unsettled(quality: ReadingQuality) -> Iterator[Finding]:
    samples = quality.samples
    for rows in quality.unsettled[:_SHOWN]:
        yield warning(
            "samples.not-settled", _row(samples, rows[0]), sample=samples.sample_id[rows[0]],
            first=_ppm(samples.nitrate_ppm[rows[0]]), last=_ppm(samples.nitrate_ppm[rows[-1]]),
        )  # fmt: skip


def _instruments(quality: ReadingQuality) -> Iterator[Finding]:
    for pair in quality.instruments:
        if pair.differ:
            one, other = pair.instruments if pair.mean_ppm > 0 else pair.instruments[::-1]
            named = "instruments-differ" if one and other else "instrument-differs"
            yield warning(
                f"samples.{named}", quality.samples.source, one=one or other, other=other,
                gap=_ppm(abs(pair.mean_ppm)), count=pair.samples,
            )  # fmt: skip


def _blanks(quality: ReadingQuality) -> Iterator[Finding]:
    samples = quality.samples
    if quality.blanks is not None and quality.blanks.most_ppm > _BLANK_PPM:
        yield warning("samples.blank-high", samples.source, most=_ppm(quality.blanks.most_ppm))
    soil = np.array([kind in ("field", "duplicate") for kind in samples.kind], dtype=bool)
    hidden, count = int((samples.below_detection & soil).sum()), int(soil.sum())
    if hidden and hidden >= _HIDDEN_SHARE * count:
        yield warning("samples.below-detection", samples.source, hidden=hidden, count=count)


def _storage(quality: ReadingQuality) -> Iterator[Finding]:
    samples, old = quality.samples, quality.kept_too_long
    for row, (pulled, handling) in enumerate(zip(samples.sampled_on, samples.handling, strict=True)):
        if pulled is not None and handling.read_at is not None and handling.read_at.date() < pulled:
            yield warning("samples.read-before-pulled", _row(samples, row), sample=samples.sample_id[row])
            break
    if old:
        yield warning(
            "samples.kept-too-long", samples.source, count=len(old), days=max(days for _, days in old),
            samples=_names(samples, (row for row, _ in old)),
        )  # fmt: skip


def _suspects(quality: ReadingQuality) -> Iterator[Finding]:
    readings = quality.field_readings
    for one in quality.suspects[:_SHOWN]:
        yield warning(
            "samples.unlike-neighbors", _row(readings, one.row), sample=readings.sample_id[one.row],
            read=_ppm(one.read_ppm), expected=_ppm(one.expected_ppm),
        )  # fmt: skip


def _cores(quality: ReadingQuality) -> Iterator[Finding]:
    error = quality.error
    if error.cores_from == "assumed" and np.ptp(error.composite_ppm2) > 0:
        yield note("samples.few-cores", quality.samples.source, cv=Quantity("percent", error.core_cv_pct))


def _names(samples: SoilSamples, rows: Iterable[int]) -> str:
    """Names of samples, the first eight of many."""
    names = list(dict.fromkeys(samples.sample_id[row] for row in rows))
    return ", ".join(names[:_SHOWN] + ["…"] * (len(names) > _SHOWN))


def _about(samples: SoilSamples, run: StandardRun) -> str:
    return f"{samples.source} {run.instrument}".strip()


def _row(samples: SoilSamples, row: int) -> str:
    return f"{samples.source} row {samples.row[row]}"


def _ppm(value: float) -> Quantity:
    return Quantity("concentration", float(value))
