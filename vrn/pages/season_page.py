"""``season.html``: every field of a season on one map, with what is due, what to order, and results."""

import math
from collections.abc import Mapping, Sequence
from datetime import date
from functools import partial
from pathlib import Path
from typing import Final

import shapely
from markupsafe import Markup

from vrn.errors import OutputError
from vrn.files.staging import move
from vrn.findings import Finding, Quantity
from vrn.model.season import Due, Link, Order, Result, Sum, ZoneStalks
from vrn.model.trials import LearnedReport, TrialTop
from vrn.pages.field_drawing import EDGES, INK, PAPER, FieldDrawing, Look, as_svg
from vrn.words import UnitFormat, finding_texts, say

_FINE = 1e-5  # degrees, about a metre: an overview needs no more
# heat units of the stages, and edges of the stalk classes, as the page states them
STAGE_UNITS = {"early": "82", "late": "50", "a_day": "20"}
_STALK_EDGES = {name: Quantity("concentration", ppm) for name, ppm in
                (("low", 250.0), ("marginal", 700.0), ("optimal", 2000.0))}  # fmt: skip


def season_units(fields: tuple[Due, ...]) -> UnitFormat:
    """Metric where every field that was built is in metric units."""
    units = {item.units for item in fields if item.state != "failed"}
    return UnitFormat(metric=units == {"metric"})


def season_page(
    fields: tuple[Due, ...], orders: tuple[Order, ...], results: tuple[Result, ...], today: date,
    chains: Mapping[str, Sequence[Link]], learned: tuple[LearnedReport | None, Sequence[TrialTop]] = (None, ()), *,
    by: str = "day", sums: Sequence[Sum] = (), findings: Sequence[Finding] = (), changes: Sequence[str] = (),
) -> str:  # fmt: skip
    """
    The page as it stands on a day, as text.

    ``chains`` of signed prescriptions by the key of a field; ``learned`` is what the book's trials say together, and
    each of them; ``sums`` in groups ``by``; ``changes`` a line each.
    """
    from vrn.pages.page_parts import leaflet_files, page_asset, page_policy, script_json, templates

    leaflet_css, leaflet_js, licence = leaflet_files()
    drawn = [(number, item, item.outline) for number, item in enumerate(fields) if item.zones]
    first_js, page_js, shown = page_asset("first.js"), page_asset("season.js"), season_units(fields)
    return templates().get_template("season.html").render(
        policy=page_policy((first_js, leaflet_js, page_js), None), licence=Markup(licence.replace("--", "- -")),
        leaflet_css=Markup(leaflet_css), css=Markup(page_asset("season.css")), leaflet_js=Markup(leaflet_js),
        page_js=Markup(page_js), first_js=Markup(first_js), still=_still(drawn, shown),
        data=Markup(script_json(_features(drawn, shown))), say=partial(say, shown), shown=shown,
        today=today, seasons=", ".join(sorted({str(item.season) for item in fields if item.season})),
        counts=state_counts(fields), fields=[_field_row(number, item, shown) for number, item in enumerate(fields)],
        orders=[_order_row(order, shown) for order in orders],
        replaced=[(item.field, lines) for item in fields if (lines := chain_lines(chains.get(item.key, ()), shown))],
        by=by, sums=sum_cells(sums, shown), changes=changes, asked=finding_texts(shown, findings),
        results=[_result_row(result, shown) for result in results], learned=_learned(*learned, shown),
        stage_units=STAGE_UNITS, stalk_edges=_STALK_EDGES,
    )  # fmt: skip


def write_season_page(html: str, path: Path) -> None:
    """Write the page whole; OutputError, and nothing changed, if it cannot be written."""
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(html, encoding="utf-8", newline="\n")
        move(part, path)
    except OSError as error:
        part.unlink(missing_ok=True)
        problem = f"{path} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a file in a folder you may write to.") from error


def state_counts(fields: tuple[Due, ...]) -> dict[str, str]:
    """How many fields are in each state, by its name in small letters."""
    states = ("failed", "DRAFT", "approved", "applied")
    return {state.lower(): str(sum(item.state == state for item in fields)) for state in states}


def sum_cells(sums: Sequence[Sum], shown: UnitFormat) -> list[tuple[str, ...]]:
    """A row for each sum: group, fields, acres, product, loads, hours, cost, and how many are late."""
    rows = []
    for one in sums:
        product = say(shown, "season.product", total=Quantity(one.unit, one.total_product), name=one.product)
        known = ["" if value is None else f"{value:,.{digits}f}"
                 for value, digits in ((one.loads, 0), (one.hours, 1), (one.cost, 0))]  # fmt: skip
        rows.append((one.group or "-", str(one.fields), shown.number("area", one.acres), product, *known,
                     str(one.late)))  # fmt: skip
    return rows


def chain_lines(links: Sequence[Link], shown: UnitFormat) -> list[str]:
    """Who signed which prescription of a field, and what it replaced; none where no signed one was replaced."""
    if len(links) < 2:
        return []
    from vrn.model.season import SHORT

    lines = []
    for link in links:
        code = "draft" if not link.signed_by else "replaced" if link.replaces else "signed"
        lines.append(say(shown, f"season.chain-{code}", by=link.signed_by, id=link.id[:SHORT], on=link.signed_on,
                         was=(link.replaces or "")[:SHORT]))  # fmt: skip
    return lines


def result_lines(result: Result, shown: UnitFormat) -> tuple[list[str], list[str]]:
    """What stalks say of a field, and what its strips and trials say."""
    return _stalk_lines(result, shown), _strip_lines(result, shown)


def _stalk_lines(result: Result, shown: UnitFormat) -> list[str]:
    """Stalk nitrate of a field by zone, with what it says for next year."""

    def line(item: ZoneStalks) -> str:
        plain, cut = ("season.stalk", "season.stalk-cut") if item.zone is None else (
            "season.stalk-zone", "season.stalk-zone-cut")  # fmt: skip
        quantities = {"ppm": Quantity("concentration", item.stalk_ppm), "cut": Quantity("share", item.cut_share)}
        return say(shown, cut if item.cut_share else plain, zone=item.zone, kind=item.stalk_class, **quantities)

    return [line(item) for item in result.stalks]


def _strip_lines(result: Result, shown: UnitFormat) -> list[str]:
    """Yield of each strip of a field, then what each zone and trial says of the rate that would have paid best."""
    lines = []
    for rate, bushels in result.strips:
        code = "season.strip-no-rate" if rate is None else "season.strip"
        lines.append(say(shown, code, rate=Quantity("rate", rate), grain=Quantity("yield", bushels)))
    found = (one for response in result.responses for one in response.findings)
    said = finding_texts(shown, (*found, *result.trials))
    return [*lines, *(f"{text.place}: {text.problem} {text.remedy}".strip() for text in said)]


def _learned(
    report: LearnedReport | None, tops: Sequence[TrialTop], shown: UnitFormat
) -> dict[str, object] | None:  # fmt: skip
    """The part on what trials taught: sentences, a picture of the seasons, a table."""
    if report is None:
        return None
    from vrn.pages.page_parts import data_uri
    from vrn.pages.tables import learned_lines, learned_rows

    head, *rows = learned_rows(tops, shown)
    return {"lines": learned_lines(report, tops, shown), "picture": data_uri(_seasons(tops, shown)), "head": head,
            "rows": rows}  # fmt: skip


def _seasons(tops: Sequence[TrialTop], shown: UnitFormat) -> bytes:
    """Season by season where yield leveled off in each trial, with the budget and what was expected beside it."""
    seasons, factor = sorted({one.season for one in tops}), shown.factor("rate")
    mine = {season: [one for one in tops if one.season == season] for season in seasons}
    places = [number + 0.7 * ((k + 0.5) / len(mine[season]) - 0.5)
              for number, season in enumerate(seasons) for k in range(len(mine[season]))]  # fmt: skip
    ordered = [one for season in seasons for one in mine[season]]

    def values(name: str) -> list[float]:
        return [getattr(one, f"{name}_lb_ac") * factor for one in ordered]

    from vrn.pages.plots import figure, png
    from vrn.pages.ramps import NITROGEN

    with figure(6.4, 3.2, margins_in=(0.7, 0.35, 0.1, 0.35)) as drawn:
        axes = drawn.add_subplot()
        axes.vlines(places, values("low"), values("high"), color=NITROGEN.classes(5)[2], linewidth=3)
        for name, mark, fill in (("said", "o", INK), ("expected", "D", PAPER), ("budget", "_", INK)):
            axes.plot(places, values(name), mark, markerfacecolor=fill, markeredgecolor=INK, markeredgewidth=1.2,
                      markersize=9 if mark == "_" else 5, label=say(shown, f"season.chart-{name}"))  # fmt: skip
        axes.set_xticks(range(len(seasons)), list(map(str, seasons)))
        axes.set_ylabel(say(shown, "season.chart-axis", unit=shown.unit("rate")))
        drawn.legend(loc="upper center", ncols=3, fontsize=8)
        return png(drawn)


_FILLS: Final = {"DRAFT": PAPER, "approved": "#7fa8b8", "applied": "#24424f"}  # of a field, by its state


def _still(drawn: Sequence[tuple[int, Due, shapely.Geometry]], shown: UnitFormat) -> Markup:
    """The season's fields as a picture, for paper and for browsers without scripts; empty where none is drawn."""
    if not drawn:
        return Markup("")
    west, south, east, north = shapely.total_bounds([outline for _, _, outline in drawn])
    stretch = 111_320.0 * math.cos(math.radians((south + north) / 2)), 110_950.0  # metres in a degree, near enough

    def on_ground(outline: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(outline, lambda xy: (xy - (west, south)) * stretch)

    pairs = [(item, on_ground(outline)) for _, item, outline in drawn]
    picture = FieldDrawing(
        bounds_m=(0.0, 0.0, (east - west) * stretch[0], (north - south) * stretch[1]), metric=shown.metric,
        shapes=tuple((at, look) for item, at in pairs for look in (Look(fill=_FILLS[item.state]), *EDGES)),
        labels=tuple((outline.representative_point(), item.field) for item, outline in pairs),
    )  # fmt: skip
    return Markup(as_svg(picture, say(shown, "season.still")))


def _features(
    drawn: Sequence[tuple[int, Due, shapely.Geometry]], shown: UnitFormat
) -> list[dict[str, object]]:  # fmt: skip
    """Outlines for the map: number of the row, name, state, geometry."""
    features: list[dict[str, object]] = []
    for number, item, whole in drawn:
        outline = shapely.set_precision(shapely.simplify(whole, _FINE), 1e-6)
        state, rate = say(shown, f"season.state-{item.state.lower()}"), Quantity("rate", item.mean_rate_n_lb_ac)
        words = say(shown, "season.drawn", field=item.field, state=state, rate=rate)
        properties = {"row": number, "name": item.field, "state": item.state, "words": words}
        features.append({"type": "Feature", "properties": properties, "geometry": shapely.geometry.mapping(outline)})
    return features


def due_cells(item: Due, shown: UnitFormat) -> tuple[str, ...]:
    """State, stage at sampling, stage now, day to apply, day of V12, days left; a failure says why."""
    state = say(shown, f"season.state-{item.state.lower()}")
    if item.state == "failed":
        return state, say(shown, "season.failed", problem=item.problem, remedy=item.remedy)
    sampled = item.growth_stage
    if sampled and item.sampled_on:
        sampled = say(shown, "season.sampled", stage=sampled, day=item.sampled_on)

    def day(value: date | None) -> str:
        return shown.number("date", value) if value else ""

    days = "" if item.days_left is None or item.state == "applied" else str(item.days_left)
    if days.startswith("-"):
        days = say(shown, "season.passed")
    return state, sampled, item.stage_now, day(item.application_date), day(item.last_day), days


def _field_row(number: int, item: Due, shown: UnitFormat) -> dict[str, object]:
    """A row of the table of fields."""
    row = {"row": number, "name": item.field, "kind": item.state.lower(), "drawn": bool(item.zones),
           "cells": due_cells(item, shown)}  # fmt: skip
    if item.state == "failed":
        return row
    total = Quantity(item.product_unit, item.total_product)
    product = say(shown, "season.product", total=total, name=item.product)
    doubt = "" if item.doubt_sd_lb_ac is None else f"± {shown.number('whole_amount', item.doubt_sd_lb_ac)}"
    amounts = (shown.number("area", item.acres), product, shown.number("mass", item.total_n_lb), doubt)
    return row | {"amounts": amounts}


def _order_row(order: Order, shown: UnitFormat) -> dict[str, object]:
    amounts = (order.approved, order.draft, order.approved + order.draft)
    return {"product": order.product, "fields": order.fields, "unit": shown.unit(order.unit),
            "amounts": [shown.number(order.unit, amount) for amount in amounts]}  # fmt: skip


def _result_row(result: Result, shown: UnitFormat) -> dict[str, object]:
    planned, applied = result.prescribed_n_lb, result.applied_n_lb
    stalks, strips = result_lines(result, shown)
    return {
        "field": result.field, "planned": "" if planned is None else shown.number("mass", planned),
        "applied": "" if applied is None else shown.number("mass", applied),
        "share": shown.number("share", applied / planned) if applied is not None and planned else "",
        "stalks": stalks, "strips": strips,
    }  # fmt: skip
