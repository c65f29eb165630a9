"""The part of the report that says whether to trust the readings: standards, duplicates, blanks, neighbours."""

import math
from typing import Any

from vrn.pages.plots_reasons import control_chart_plot
from vrn.pages.report_parts import Bullets, Part, Picture, Table, Text
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat


def readings_part(prescription: Prescription, shown: UnitFormat) -> Part | None:
    """
    Check standards with their control chart, repeatability, blanks, readings that do not fit their neighbours.

    Parameters
    ----------
    prescription : Prescription
        With ``details["readings"]`` as the judgement of the readings reports itself.
    shown : UnitFormat

    Returns
    -------
    part : Part or None
        None when nothing was judged.
    """
    report = prescription.details.get("readings")
    if not isinstance(report, dict) or not report:
        return None
    pieces: list[Any] = []
    for run in report.get("standards") or ():
        pieces += _standards(run, shown)
    sentences = tuple(_sentences(report, shown))
    if sentences:
        pieces.append(Bullets(items=sentences))
    pieces += _suspects(report.get("suspects") or (), shown)
    pieces += _corrections(report.get("drift_correction") or (), shown)
    return Part(title="Can the readings be trusted", pieces=tuple(pieces)) if pieces else None


def _standards(run: dict[str, Any], shown: UnitFormat) -> list[Any]:
    """One instrument's check standards: each against its nominal value, and the chart of their recovery."""
    instrument = f" of instrument {run['instrument']}" if run.get("instrument") else ""
    unit = shown.unit("concentration")
    rows = tuple(
        (
            _number(one.get("row"), 0), _number(one.get("after_readings"), 0), _number(one.get("nominal_ppm"), 1),
            _number(one.get("read_ppm"), 1), _number(one.get("recovery_pct"), 0), "yes" if one.get("good") else "no",
        )
        for one in run.get("standards", ())
    )  # fmt: skip
    pieces: list[Any] = [
        Table(
            caption=f"Check standards{instrument}: allowed {_number(run.get('allowed_pct'), 0)} % of nominal, or "
            f"{_number(run.get('allowed_ppm'), 1)} {unit} where that is more",
            header=("Row", "After readings", f"Nominal, {unit}", f"Read, {unit}", "Recovery, %", "Within"), rows=rows,
            numbers=(0, 1, 2, 3, 4),
        )
    ]  # fmt: skip
    if run.get("drift_pct") is not None:
        chance = _number(100 * float(run.get("drift_p") or 0.0), 0)
        pieces.append(
            Text(
                text=f"From the first standard to the last its reading changed by {_number(run['drift_pct'], 1)} % of "
                f"nominal; without any drift that happens {chance} times in 100."
            )
        )
    if run.get("doubtful"):
        pieces.append(Text(text=f"Beside a standard that is off: {', '.join(str(one) for one in run['doubtful'])}."))
    chart = run.get("chart_of_recovery_pct")
    if isinstance(chart, dict):
        pieces.append(
            Picture(
                caption=f"Control chart of the standards' recovery{instrument}: mean and limits at three sigma.",
                alt="Control chart of check standards", width=0.65, png=control_chart_plot(chart),
            )
        )  # fmt: skip
    return pieces


def _sentences(report: dict[str, Any], shown: UnitFormat) -> list[str]:
    unit, found = shown.unit("concentration"), []
    repeat = report.get("repeatability")
    if isinstance(repeat, dict):
        found.append(
            f"{_number(repeat.get('samples'), 0)} samples were read more than once: one reading has a standard "
            f"deviation of {_number(repeat.get('sd_ppm'), 2)} {unit} ({_number(repeat.get('low_ppm'), 2)} to "
            f"{_number(repeat.get('high_ppm'), 2)})."
        )
    error = report.get("error") or {}
    if error.get("instrument_sd_ppm") is not None:
        found.append(
            f"Error of a reading: {_number(error['instrument_sd_ppm'], 2)} {unit}, {error.get('instrument_from')}."
        )
    elif error.get("instrument_from"):
        found.append(f"Error of a reading: not known ({error['instrument_from']}).")
    if error.get("core_cv_pct") is not None:
        found.append(
            f"Error of a composite: {_number(error['core_cv_pct'], 0)} % between cores, {error.get('cores_from')}."
        )
    elif error.get("cores_from"):
        found.append(f"Error of a composite: not known ({error['cores_from']}).")
    blanks = report.get("blanks")
    if isinstance(blanks, dict):
        found.append(
            f"{_number(blanks.get('count'), 0)} blanks read {_number(blanks.get('mean_ppm'), 2)} {unit} on average, "
            f"{_number(blanks.get('most_ppm'), 2)} at most."
        )
    for pair in report.get("instruments") or ():
        names = " and ".join(str(name) for name in pair.get("instruments", ()))
        found.append(
            f"Instruments {names} differ by {_number(pair.get('mean_ppm'), 2)} {unit} on "
            f"{_number(pair.get('samples'), 0)} samples both read"
            f"{', more than chance would have it' if pair.get('differ') else ''}."
        )
    found += [f"Sample {one.get('sample')} had not settled when it was read." for one in report.get("unsettled") or ()]
    found += [
        f"Sample {one.get('sample')} was kept {_number(one.get('days'), 0)} days before it was read."
        for one in report.get("storage") or ()
    ]
    below = (report.get("detection") or {}).get("below")
    if below:
        found.append(f"{_number(below, 0)} readings lie below what can be detected; half of that is carried.")
    return found


def _suspects(suspects: Any, shown: UnitFormat) -> list[Any]:
    rows = tuple(
        (
            str(one.get("sample")), _number(one.get("row"), 0), _number(one.get("read_ppm"), 1),
            _number(one.get("expected_ppm"), 1), _number(one.get("score"), 1),
        )
        for one in suspects
    )  # fmt: skip
    if not rows:
        return []
    unit = shown.unit("concentration")
    return [
        Table(
            caption="Readings that do not fit their neighbours; they are shown, not left out",
            header=("Sample", "Row", f"Read, {unit}", f"Expected, {unit}", "Score"), rows=rows, numbers=(1, 2, 3, 4),
        )
    ]  # fmt: skip


def _corrections(corrections: Any, shown: UnitFormat) -> list[Any]:
    rows = tuple(
        (_number(one.get("row"), 0), _number(one.get("before_ppm"), 1), _number(one.get("after_ppm"), 1))
        for one in corrections
    )
    if not rows:
        return []
    unit = shown.unit("concentration")
    header = ("Row", f"As read, {unit}", f"Corrected, {unit}")
    return [Table(caption="Readings corrected by their check standards", header=header, rows=rows, numbers=(0, 1, 2))]


def _number(value: Any, decimals: int) -> str:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        return "not known"
    return f"{value:,.{decimals}f}".replace("-", "−")
