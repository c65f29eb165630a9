"""The rest of the report, for the file: inputs, assumptions, samples, surfaces, zones, ledgers, audit, sign-off."""

import math
import re
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import numpy as np

from vrn.model.metric_keys import metric_twin
from vrn.model.settings import as_plain
from vrn.pages.map_page_layers import sample_places
from vrn.pages.map_page_words import ledger_rows, why_changed
from vrn.pages.plots_reasons import season_plot, waterfall_plot
from vrn.pages.report_machine import machine_part, sure_part
from vrn.pages.report_nitrogen import methods_part, rain_pieces
from vrn.pages.report_parts import Bullets, Lines, Part, Picture, Table, Text
from vrn.pages.report_phrases import cautions
from vrn.pages.report_readings import readings_part
from vrn.pages.report_surfaces import surfaces_part
from vrn.pages.report_zones import zones_part
from vrn.prescription.model import Prescription
from vrn.words import UNKNOWN, UnitFormat, finding_texts, say

_MOST_BESIDE_SOURCES = 8  # zones; of more the numbers need the room that the sources would take


def file_parts(prescription: Prescription, shown: UnitFormat) -> tuple[Part, ...]:
    """
    Every part whose data exist, in the order the work was done.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    parts : tuple of Part
    """
    made = (
        _findings(prescription, shown),
        _inputs(prescription),
        _samples(prescription, shown),
        readings_part(prescription, shown),
        _season(prescription, shown),
        surfaces_part(prescription, shown),
        _ledgers(prescription, shown),
        methods_part(prescription, shown),
        zones_part(prescription, shown),
        sure_part(prescription, shown),
        _audit(prescription, shown),
        machine_part(prescription, shown),
        _settings(prescription, shown),
        Part(title="Cautions", pieces=(Bullets(items=cautions(prescription, shown)),)),
        _sign_off(prescription, shown),
    )
    return tuple(part for part in made if part is not None)


def _findings(prescription: Prescription, shown: UnitFormat) -> Part | None:
    pieces: list[Any] = []
    told = finding_texts(shown, prescription.findings)
    for level, words in (("warning", "A person must decide:"), ("note", "Assumed or done, and stated:")):
        items = tuple(f"{f.about}: {f.problem} {f.remedy}" for f in told if f.level == level)
        if items:
            pieces += [Text(text=words), Bullets(items=items)]
    return Part(title="Findings", pieces=tuple(pieces)) if pieces else None


def _inputs(prescription: Prescription) -> Part | None:
    inputs = prescription.field.inputs
    if not inputs:
        return None
    rows = tuple((name, digest) for name, digest in sorted(inputs.items()))
    table = Table(
        caption="Files that were read, with their SHA-256", header=("File", "SHA-256"), rows=rows, widths=(32, 68)
    )
    return Part(title="Inputs", pieces=(table,))


def _samples(prescription: Prescription, shown: UnitFormat) -> Part:
    rows = [
        (
            reading["id"] + (" (duplicate)" if reading["kind"] == "duplicate" else ""), reading["depth"],
            reading["nitrate"], reading["on"], str(place["zone"] or "–"),
        )
        for place in sample_places(prescription, shown)
        for reading in place["readings"]
    ]  # fmt: skip
    table = Table(
        caption=f"Nitrate readings, {shown.unit('concentration')}",
        header=("Sample", "Depth", shown.unit("concentration"), "Pulled on", "Zone"), rows=tuple(rows), numbers=(2, 4),
        widths=(30, 18, 16, 22, 14), narrow=True,
    )  # fmt: skip
    return Part(title="Samples", pieces=(table,))


def _season(prescription: Prescription, shown: UnitFormat) -> Part | None:
    weather = prescription.field.weather
    if weather is None or not weather.days:
        return None
    samples = prescription.field.samples.field_readings()
    top = samples.take(samples.top_in == 0)
    by_day: dict[Any, list[float]] = {}
    for on, ppm in zip(top.sampled_on, top.nitrate_ppm.tolist(), strict=True):
        if on is not None:
            by_day.setdefault(on, []).append(ppm)
    png = season_plot(
        weather, shown,
        applied=[(one.date, one.n_lb_ac) for one in prescription.field.settings.applications],
        sampled=[(on, float(np.mean(values))) for on, values in sorted(by_day.items())],
    )  # fmt: skip
    picture = Picture(
        caption=f"Rain of each day (bars) and since the first (line), from {weather.source}; nitrogen applied; "
        "mean nitrate of the top layer when the cores were pulled.",
        alt="Rain over the season", png=png,
    )  # fmt: skip
    pieces: list[Any] = [picture]
    if prescription.rain is not None:
        pieces += rain_pieces(prescription.rain, shown)
    return Part(title="The season so far", pieces=tuple(pieces))


def _ledgers(prescription: Prescription, shown: UnitFormat) -> Part:
    from vrn.nitrogen import method

    ledger = prescription.ledger
    pieces: list[Any] = [
        Text(text=say(shown, "own.method")), Text(text=say(shown, "own.source", source=ledger.source)),
    ]  # fmt: skip
    if ledger.published:
        chosen = method(ledger.method)
        pieces = [
            Text(text=f"Method: {chosen.title} ({chosen.key}). {chosen.formula}"),
            Text(text=f"Source: {ledger.source}", small=True),
        ]
    same = {tuple(line.key for line in rate.ledger.lines) for rate in prescription.rates}
    known = [rate for rate in prescription.rates if math.isfinite(float(rate.ledger.unclipped_lb_ac))]
    if known and len(same) == 1:
        pieces.append(
            Picture(
                caption="Ledger of each zone: what the crop wants (grey), what supplies it (hatched), what is still "
                "needed (black), the rate.",
                alt="Waterfall of the nitrogen ledger of each zone", png=waterfall_plot(known, shown),
            )
        )  # fmt: skip
    pieces += _ledger_tables(prescription, shown, one=len(same) == 1)
    if prescription.ledger.findings:
        pieces.append(Bullets(items=tuple(text.problem for text in finding_texts(shown, prescription.ledger.findings))))
    return Part(title="Why these rates", pieces=tuple(pieces))


def _ledger_tables(prescription: Prescription, shown: UnitFormat, *, one: bool) -> list[Any]:
    """Numbers of all zones side by side where their lines are the same, then how each number was reached."""
    unit, printed = shown.unit("whole_amount"), [ledger_rows(rate.ledger, shown) for rate in prescription.rates]
    pieces: list[Any] = []
    if one:
        first = printed[0][0]
        body = [
            (row["label"], *(rows[i]["number"] for rows, _ in printed), row["source"]) for i, row in enumerate(first)
        ]
        below = any(total.startswith("−") for _, total in printed)
        label = "Still needed" + (" (below 0: nothing)" if below else "")
        body.append((label, *(total for _, total in printed), ""))
        count, header = len(printed), ("Line", *(f"zone {rate.zone}" for rate in prescription.rates), "Source")
        apart = count > _MOST_BESIDE_SOURCES
        pieces.append(
            Table(
                caption=f"Ledger by zone, {unit}", strong_last=True, numbers=tuple(range(1, count + 1)),
                rows=tuple(row[:-1] for row in body) if apart else tuple(body),
                header=header[:-1] if apart else header,
                widths=(28, *([max(36 / count, 6)] * count), *(() if apart else (36,))),
            )
        )  # fmt: skip
        if apart:
            pieces.append(Bullets(items=tuple(f"{row['label']}: {row['source']}" for row in first if row["source"])))
    reached = [
        (str(rate.zone), row["label"], row["basis"], row["number"])
        for rate, (rows, _) in zip(prescription.rates, printed, strict=True)
        for row in rows
    ]
    pieces.append(
        Table(
            caption=f"How each line was reached, {unit} ({shown.arithmetic})", rows=tuple(reached),
            header=("Zone", "Line", "Arithmetic", unit), numbers=(0, 3), widths=(8, 34, 46, 12),
        )
    )  # fmt: skip
    return pieces


def _audit(prescription: Prescription, shown: UnitFormat) -> Part:
    rows = tuple(
        (
            str(change.zone),
            shown.number("rate", change.from_n_lb_ac),
            shown.number("rate", change.to_n_lb_ac),
            why_changed(change, shown),
        )
        for change in prescription.audit
    )
    unit = shown.unit("rate")
    if not rows:
        return Part(title="From need to rate", pieces=(Text(text="Every rate is its zone's need."),))
    table = Table(
        caption="Everything that was changed on the way from need to rate", rows=rows, numbers=(0, 1, 2),
        header=("Zone", f"From, {unit}", f"To, {unit}", "Why"), widths=(8, 15, 15, 62),
    )  # fmt: skip
    return Part(title="From need to rate", pieces=(table,))


def _settings(prescription: Prescription, shown: UnitFormat) -> Part:
    rows = tuple(_flat(as_plain(prescription.field.settings), metric=shown.metric))
    caption = "The field file with its defaults, as it was built with"
    table = Table(caption=caption, header=("Key", "Value"), rows=rows, widths=(52, 42), narrow=True)
    return Part(title="Every setting", pieces=(table,))


def _flat(value: Any, path: str = "", *, metric: bool) -> Iterator[tuple[str, str]]:
    """Leaves of nested plain values with their dotted paths, as the field file names them; unset ones are left out."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _flat(item, f"{path}.{key}" if path else str(key), metric=metric)
    elif isinstance(value, list):
        for number, item in enumerate(value, start=1):
            yield from _flat(item, f"{path} {number}", metric=metric)
    elif isinstance(value, float):
        name, factor = metric_twin(re.sub(r" \d+", "", path)) if metric else (path.rsplit(".", 1)[-1], 1.0)
        told = f"{value / factor:.6g}" if math.isfinite(value) else UNKNOWN
        yield path.removesuffix(path.rsplit(".", 1)[-1]) + name, told
    elif value is not None and value != "":
        yield path, str(value)


def _sign_off(prescription: Prescription, shown: UnitFormat) -> Part:
    review = prescription.field.settings.review
    overrides = [asdict(one) for one in review.override]
    pieces: list[Any] = []
    if overrides:
        rows = tuple(
            (str(one["zone"]), shown.number("rate", one["rate_n_lb_ac"]), str(one["reason"])) for one in overrides
        )
        pieces.append(
            Table(
                caption=f"Rates set by a person, {shown.unit('rate')}", rows=rows, numbers=(0, 1),
                header=("Zone", "Rate", "Reason"),
                widths=(10, 15, 75),
            )
        )  # fmt: skip
    if review.note:
        pieces.append(Text(text=f"Note: {review.note}"))
    pieces.append(Lines(labels=("Read and approved by", "Date", "Applied by", "Date")))
    return Part(title="Sign-off", pieces=tuple(pieces))
