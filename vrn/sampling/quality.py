"""Whether to trust the readings: everything that standards, duplicates, blanks, dates and neighbours say of them."""

from dataclasses import asdict
from typing import Any

import numpy as np

from vrn.findings import Finding
from vrn.model.samples import SoilSamples
from vrn.model.settings import SampleSection
from vrn.sampling.error import error_of_readings
from vrn.sampling.outliers import suspects
from vrn.sampling.quality_findings import Judged, findings_of
from vrn.sampling.repeats import blanks, instrument_differences, repeatability, unsettled
from vrn.sampling.standards import corrected_for_drift, standard_runs

_DAYS = {"": 1, "warm": 1, "cool": 3}  # to the reading; frozen and dried samples keep


def judge(samples: SoilSamples, *, section: SampleSection | None = None) -> tuple[tuple[Finding, ...], dict[str, Any]]:
    """
    Everything there is to say of the quality of a file of readings.

    Parameters
    ----------
    samples : SoilSamples
        All kinds, as read: uncorrected, in the order of the file.
    section : SampleSection, optional
        ``[samples]`` of the field file: the instrument's error, whether drift is to be corrected, moisture basis.

    Returns
    -------
    findings : tuple of Finding
        Nothing is changed or left out because of them.
    report : dict
        ``standards`` (with control charts), ``repeatability``, ``unsettled``, ``instruments``, ``blanks``,
        ``detection``, ``moisture_basis``, ``storage``, ``suspects``, ``error`` and ``drift_correction``: plain values.
    """
    speaks = samples.field_readings()
    given_sd_ppm = None if section is None else section.instrument_sd_ppm
    correct = section is not None and section.correct_drift
    judged = Judged(
        samples=samples,
        speaks=speaks,
        runs=standard_runs(samples),
        repeatability=repeatability(samples),
        unsettled=unsettled(samples),
        instruments=instrument_differences(samples),
        blanks=blanks(samples),
        stored_too_long=_stored_too_long(samples),
        suspects=suspects(speaks),
        error=error_of_readings(speaks, of_all=samples, instrument_sd_ppm=given_sd_ppm),
        changes=corrected_for_drift(samples)[1] if correct else None,
    )
    return findings_of(judged), _report(judged, None if section is None else section.moisture_basis)


def corrected(samples: SoilSamples, section: SampleSection) -> SoilSamples:
    """
    Readings as the surface should take them: corrected by their check standards when the field file asks for it.

    Parameters
    ----------
    samples : SoilSamples
    section : SampleSection

    Returns
    -------
    samples : SoilSamples
        The same unless ``correct_drift`` is set; :func:`judge` lists every change.
    """
    return corrected_for_drift(samples)[0] if section.correct_drift else samples


def _stored_too_long(samples: SoilSamples) -> tuple[tuple[int, int], ...]:
    """Rows read later than their storage allows, with the days between."""
    found = []
    for row, (pulled, handling) in enumerate(zip(samples.sampled_on, samples.handling, strict=True)):
        if pulled is None or handling.read_at is None or samples.kind[row] not in ("field", "duplicate"):
            continue
        days = (handling.read_at.date() - pulled).days
        if handling.stored in _DAYS and days > _DAYS[handling.stored]:
            found.append((row, days))
    return tuple(found)


def _report(judged: Judged, moisture_basis: str | None) -> dict[str, Any]:
    samples, speaks = judged.samples, judged.speaks
    return {
        "standards": [run.to_plain(samples) for run in judged.runs],
        "repeatability": None if judged.repeatability is None else asdict(judged.repeatability),
        "unsettled": [
            {"sample": samples.sample_id[rows[0]], "read_ppm": samples.nitrate_ppm[rows].tolist()}
            for rows in judged.unsettled
        ],
        "instruments": judged.instruments,
        "blanks": judged.blanks,
        "detection": {
            "below": int(samples.below_detection.sum()),
            "readings": int(np.isfinite(samples.nitrate_ppm).sum()),
        },
        "moisture_basis": moisture_basis,
        "storage": [
            {"sample": samples.sample_id[row], "days": days, "stored": samples.handling[row].stored}
            for row, days in judged.stored_too_long
        ],
        "suspects": [
            {
                "sample": speaks.sample_id[one.row], "row": int(speaks.row[one.row]), "read_ppm": one.read_ppm,
                "expected_ppm": one.expected_ppm, "score": one.score,
            }
            for one in judged.suspects
        ],
        "error": judged.error.to_plain(),
        "drift_correction": [
            {"row": row, "before_ppm": before, "after_ppm": after}
            for row, (before, after) in sorted((judged.changes or {}).items())
        ],
    }  # fmt: skip
