"""Ledger and zones as CSV tables that add up."""

import csv
import math
from collections.abc import Iterable
from pathlib import Path

from vrn.files.names import cell_text, status
from vrn.prescription.model import Change, Prescription
from vrn.words import UnitFormat, say


def write_tables(prescription: Prescription, folder: Path) -> None:
    """
    Write ``ledger.csv`` and ``zones.csv``.

    Parameters
    ----------
    folder : Path
        Existing folder to write into.

    Notes
    -----
    ``ledger.csv`` holds a row for each zone and line of its ledger; a zone's rows add up to its need before it is cut
    at 0. Unknown numbers are empty cells.
    """
    ledger: list[list[object]] = [
        [rate.zone, rate.acres, line.key, line.label, line.lb_ac, line.basis, line.source]
        for rate in prescription.rates
        for line in rate.ledger.lines
    ]
    _write(folder / "ledger.csv", ["zone", "acres", "key", "label", "lb_ac", "basis", "source"], ledger)
    unit = prescription.product.unit
    header = ["zone", "acres", "parts", "rate_n_lb_ac", "rate_product", "rate_unit", f"product_{unit}_ac",
              f"product_{unit}", "n_lb", "need_lb_ac", "need_se_lb_ac", "nitrate_ppm", "organic_matter_pct",
              "yield_goal_bu_ac", "label", "changes", "status"]  # fmt: skip
    zones: list[list[object]] = [
        [rate.zone, rate.acres, rate.parts, rate.rate_n_lb_ac, rate.rate_product, prescription.rate_unit,
         rate.product_per_ac, rate.product_per_ac * rate.acres, rate.rate_n_lb_ac * rate.acres, rate.need_lb_ac,
         rate.need_se_lb_ac, rate.nitrate_ppm, rate.organic_matter_pct, rate.yield_goal_bu_ac,
         rate.label, changes_in_words(rate.changes), status(prescription)]
        for rate in prescription.rates
    ]  # fmt: skip
    _write(folder / "zones.csv", header, zones)


def changes_in_words(changes: Iterable[Change]) -> str:
    """
    What was done to a rate, in order.

    Examples
    --------
    >>> from vrn.findings import Quantity
    >>> step = {"step": Quantity("rate", 5.0)}
    >>> changes_in_words([Change(zone=1, cause="step", from_n_lb_ac=92.31, to_n_lb_ac=90.0, quantities=step)])
    '92.31 to 90 lb N/ac: rounded to the nearest 5 lb N/ac'
    """
    trade = UnitFormat(metric=False)
    return "; ".join(
        f"{change.from_n_lb_ac:.4g} to {change.to_n_lb_ac:.4g} lb N/ac: "
        + say(trade, f"rates.change-{change.cause}", **change.quantities)
        for change in changes
    )


def _write(path: Path, header: list[str], rows: list[list[object]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows([[_cell(value) for value in row] for row in rows])


def _cell(value: object) -> object:
    """A number as it is (an unknown one empty), text safe for a spreadsheet."""
    if value is None:
        return ""
    if isinstance(value, float):
        return value if math.isfinite(value) else ""
    return cell_text(value) if isinstance(value, str) else value
