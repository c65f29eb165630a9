"""``field.html``: the plan's companion beside the bucket, one file for a phone, with tables of the need."""

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from vrn.files.plan import form_text, lonlat_of
from vrn.files.plan_words import depth_texts, place_note
from vrn.findings import Kind, Quantity
from vrn.model.grid import geodesic_acres
from vrn.nitrogen.need_table import CELL_PPM, MOST_PPM, NeedTable
from vrn.pages.page_parts import page_asset, page_policy, script_json, templates
from vrn.response import expected_loss
from vrn.sampling.error import student_t
from vrn.sampling.form import form_rows
from vrn.sampling.plan import Plan
from vrn.sampling.standards import ALLOWED_PCT, ALLOWED_PPM
from vrn.words import UnitFormat, finding_texts, say

STAGES: Final = tuple(f"V{collars}" for collars in range(3, 15))
_METER_PPM: Final = 1.0  # error of one reading by a meter: common practice, no source
_USUAL_PPM: Final = 15.0
_NEIGHBORS: Final = 4
_SD_STEP: Final = 5.0  # of the table of worth [lb/ac]
_TRIED: Final = "156"  # Chromium in which this page was walked
# quantities that the script fills into a sentence: those with a unit, by their kind
_KINDS: Final[dict[str, Kind]] = {
    "ppm": "concentration", "near": "concentration", "nominal": "concentration", "limit": "concentration",
    "doubt": "whole_amount", "top": "concentration", "first": "concentration", "need": "amount", "saving": "money",
    "cost": "money",
}  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class EdgeNeed:
    """What the page answers with: the need by readings at every place of the plan, by leaf stage."""

    tables: dict[str, NeedTable]
    stage: str  # of the field file; empty where it says none
    doubt_lb_ac: float  # of the need's level, the same at all places: one standard deviation
    why_not: tuple[str, str] = ("", "")  # problem and remedy, where the method answers at no stage


def field_page(plan: Plan, need: EdgeNeed) -> str:
    """The page as text; the same plan makes the same page."""
    shown = UnitFormat.of(plan.settings.units)
    keep_js, page_js = page_asset("field_keep.js"), page_asset("field.js")
    return templates().get_template("field.html").render(
        policy=page_policy((keep_js, page_js), None), css=Markup(page_asset("field.css")), keep_js=Markup(keep_js),
        page_js=Markup(page_js), data=Markup(script_json(_data(plan, need, shown))), stages=STAGES,
        stage=need.stage, say=lambda code, **given: say(shown, f"plan.edge-{code}", **given),
        ppm=Quantity("concentration", None), field=plan.field.name, season=str(plan.settings.header.season),
        samples=plan.samples, cores=plan.cores, tried=_TRIED,
    )  # fmt: skip


def _data(plan: Plan, need: EdgeNeed, shown: UnitFormat) -> dict[str, object]:
    """Everything that the script knows: rows of the form, tables, limits and words."""
    header, *cells = csv.reader(form_text(plan).splitlines())
    own = plan.settings.samples.columns
    back = {**own, **{right: left for left, right in own.items()}}
    columns = {name: header.index(name if name in header else back[name])
               for name in ("nitrate_ppm", "sampled_on", "nominal_ppm", "instrument", "read_at")}  # fmt: skip
    notes = {place.name: place_note(place, shown) for place in plan.places}
    lonlat = lonlat_of(plan)
    names = list(plan.areas) if plan.areas else [place.name for place in plan.places]
    rows = [
        {"name": row.name, "at": row.at, "kind": row.kind, "depth": row.depth, "cells": filled,
         "place": names.index(row.at) if row.at else -1, "note": notes.get(row.at, ""),
         "depthText": depth_texts(plan)[row.depth] if row.depth >= 0 else "",
         "where": "" if row.place < 0 else f"{lonlat[row.place, 1]:.6f}, {lonlat[row.place, 0]:.6f}"}
        for row, filled in zip(form_rows(plan), cells, strict=True)
    ]  # fmt: skip
    missing = finding_texts(shown, [one for one in plan.field.findings if one.code == "ingest.goal-missing"])
    why_not = (missing[0].problem, missing[0].remedy) if missing and not need.tables else need.why_not
    return {
        "key": f"{plan.field.name} {plan.settings.header.season} {plan.design} {len(rows)} {lonlat.sum():.5f}",
        "season": plan.settings.header.season, "header": header, "columns": columns, "rows": rows,
        "near": _near(plan), "file": plan.settings.samples.file,
        "saved": "samples_next.csv" if plan.next is not None else Path(plan.settings.samples.file).name,
        "added": plan.next is not None,
        "stages": {stage: _table(table, shown) for stage, table in need.tables.items()},
        "cell": CELL_PPM, "most": MOST_PPM, "whyNot": why_not,
        "doubt": round(need.doubt_lb_ac * shown.factor("amount")),
        "allowedPct": ALLOWED_PCT, "allowedPpm": ALLOWED_PPM, "blankPpm": 1.0, "repeatPpm": 2.8,
        "t": [round(student_t(0.95, freedom), 4) for freedom in range(1, max(len(names), 2) + 1)],
        "worth": _worth(plan, need, shown),
        "gains": [None if one.reading is None else one.reading.saving_usd for one in plan.places],
        "words": _words(shown),
    }  # fmt: skip


def _words(shown: UnitFormat) -> dict[str, str]:
    """Every sentence of the page with its places left for the script."""
    from vrn.words.plan import SENTENCES

    places: dict[str, Quantity | int | str] = {"field": "", "season": "", "samples": 0, "cores": 0, "version": _TRIED}
    names = ("place", "value", "name", "depth", "stage", "problem", "remedy", "places", "half", "other", "names", "way",
             "time", "count", "file", "done", "all", "season")  # fmt: skip
    places |= {name: f"{{{name}}}" for name in names}
    places |= {name: Quantity(kind, f"{{{name}}}") for name, kind in _KINDS.items()}
    own = [code.removeprefix("edge-") for code in SENTENCES if code.startswith("edge-")]
    return {code: say(shown, f"plan.edge-{code}", **places) for code in own}


def _table(table: NeedTable, shown: UnitFormat) -> dict[str, object]:
    """One stage's table in the reader's unit."""
    factor = shown.factor("amount")

    def numbers(values: NDArray[np.float64]) -> object:
        return np.round(values * factor, 2).tolist()

    return {
        "ppm": np.round(table.ppm, 4).tolist(), "need": numbers(table.need_lb_ac),
        "deepPpm": np.round(table.deep_ppm, 4).tolist(), "deep": numbers(table.deep_lb_ac),
        "odd": ["".join("1" if odd else "0" for odd in row) for row in table.odd] if table.odd.any() else None,
    }  # fmt: skip


def _near(plan: Plan) -> list[list[int]]:
    """The nearest places of each, the closest first."""
    if plan.areas:
        return [[] for _ in plan.areas]
    at = plan.coordinates_m()
    away = np.hypot(*(at[:, None, :] - at[None, :, :]).transpose(2, 0, 1))
    return [[int(i) for i in row[1 : _NEIGHBORS + 1]] for row in np.argsort(away, axis=1, kind="stable")]


def _worth(plan: Plan, need: EdgeNeed, shown: UnitFormat) -> dict[str, object] | None:
    """What a reading saves on the ground it stands for, by how far the need there may lie from what others say.

    The expected loss of that ground without the reading, less the loss with it: what is left then is the error of the
    cores and of the meter.
    """
    prices, acres = plan.settings.prices, geodesic_acres(plan.field.treated, plan.field.crs)
    if prices.corn_per_bu is None or prices.n_per_lb is None or prices.per_reading is None or not need.tables:
        return None
    table = next(iter(need.tables.values()))
    at_usual, below = (np.interp(ppm, table.ppm, table.need_lb_ac[0]) for ppm in (_USUAL_PPM, _USUAL_PPM - 1))
    slope = float(below - at_usual)
    error = slope * np.hypot(plan.pattern.error_pct / 100 * _USUAL_PPM, _METER_PPM)

    def lost(sd_lb_ac: float) -> float:
        return expected_loss(
            [100.0], corn_per_bu=prices.corn_per_bu or 0.0, n_per_lb=prices.n_per_lb or 0.0,
            method_sd_lb_ac=need.doubt_lb_ac, se_lb_ac=sd_lb_ac,
        )  # fmt: skip

    sds = np.arange(0.0, 101.0, _SD_STEP)
    left = sds * error / np.maximum(np.hypot(sds, error), 1e-9)
    saved = [(lost(float(sd)) - lost(float(after))) * acres / plan.samples for sd, after in zip(sds, left, strict=True)]
    factor = shown.factor("amount")
    return {
        "step": _SD_STEP * factor,
        "saved": [round(max(value, 0.0), 2) for value in saved],
        "cost": prices.per_reading,
    }
