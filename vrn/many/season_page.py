"""``season.html``: every field of a season on one map, with what is due, to order and what came of it."""

from datetime import date
from pathlib import Path
from typing import Any

import shapely
from markupsafe import Markup

from vrn.errors import OutputError
from vrn.many.geopackage import outline_of
from vrn.many.season import Due, Order, Result
from vrn.pages.page_parts import leaflet_files, page_asset, page_policy, script_json, templates

_FINE = 1e-5  # degrees, about a metre: an overview needs no more


def season_page(fields: tuple[Due, ...], orders: tuple[Order, ...], results: tuple[Result, ...], today: date) -> str:
    """
    The page as text.

    Parameters
    ----------
    fields : tuple of Due
    orders : tuple of Order
    results : tuple of Result
    today : date
        The day it speaks of.

    Returns
    -------
    html : str
        One file with script and style inside; its policy forbids every other origin.
    """
    leaflet_css, leaflet_js, licence = leaflet_files()
    page_js = page_asset("season.js")
    counts = {
        state: sum(item.state == state for item in fields) for state in ("failed", "DRAFT", "approved", "applied")
    }
    return (
        templates()
        .get_template("season.html")
        .render(
            policy=page_policy((leaflet_js, page_js), None),
            licence=Markup(licence.replace("--", "- -")),
            leaflet_css=Markup(leaflet_css),
            css=Markup(page_asset("season.css")),
            leaflet_js=Markup(leaflet_js),
            page_js=Markup(page_js),
            data=Markup(script_json(_drawn(fields))),
            today=today.isoformat(),
            seasons=", ".join(sorted({str(item.entry.season) for item in fields if item.entry.season})),
            counts=counts,
            fields=[_words(number, item) for number, item in enumerate(fields)],
            orders=orders,
            results=results,
        )
    )


def write_season_page(html: str, path: Path) -> None:
    """
    Write the page, whole or not at all.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_text(html, encoding="utf-8", newline="\n")
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        problem = f"{path} cannot be written: {error.strerror or error}."
        raise OutputError(problem, "Give a file in a folder you may write to.") from error


def _drawn(fields: tuple[Due, ...]) -> list[dict[str, Any]]:
    """Outlines for the map: number of the row, name, state, geometry."""
    drawn = []
    for number, item in enumerate(fields):
        if not item.entry.outlines:
            continue
        outline = shapely.set_precision(shapely.simplify(outline_of(item), _FINE), 1e-6)
        words = f"{item.entry.field}: {item.state}, {item.entry.summary['mean_rate_n_lb_ac']:.0f} lb N/ac on average"
        properties = {"row": number, "name": item.entry.field, "state": item.state, "words": words}
        drawn.append({"type": "Feature", "properties": properties, "geometry": shapely.geometry.mapping(outline)})
    return drawn


def _words(number: int, item: Due) -> dict[str, Any]:
    """A row of the table of fields."""
    summary = item.entry.summary
    stage, sampled = item.entry.crop.get("growth_stage"), item.entry.crop.get("sampled_on")
    return {
        "row": number,
        "name": item.entry.field,
        "state": item.state,
        "drawn": bool(item.entry.outlines),
        "stage": f"{stage} on {sampled}" if stage and sampled else (stage or ""),
        "stage_now": item.stage_now,
        "apply_on": item.entry.crop.get("application_date") or "",
        "last_day": item.last_day.isoformat() if item.last_day else "",
        "days_left": "" if item.days_left is None else str(item.days_left),
        "acres": f"{summary['acres']:.1f}" if summary else "",
        "product": f"{summary['total_product']:,.0f} {summary['product']['unit']} {summary['product']['name']}"
        if summary
        else "",
        "n_lb": f"{summary['total_n_lb']:,.0f}" if summary else "",
        "problem": item.entry.problem,
        "remedy": item.entry.remedy,
    }
