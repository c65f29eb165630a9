"""``vrn season``: what is due, what is still DRAFT, product to order, what came of it."""

from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from vrn.cli.app import app, say, say_json

if TYPE_CHECKING:
    from vrn.many.season import Due, Order, Result

_HELP = """Read a season book: what is due, what is still DRAFT, product to order, what came of it.

A table to record has the columns field, what and value, and where they apply zone, rate_n_lb_ac, file and note; what is
one of applied_n_lb, applied_product, strip_yield_bu_ac and stalk_nitrate_ppm. Instead of a value, applied_n_lb may have
an as-applied file. A strip with a zone and no rate has the rate prescribed there.

Example:  vrn season june_rx/season.db --html season.html

Example:  vrn season june_rx/season.db --record strips.csv --corn-per-bu 4.20 --n-per-lb 0.55
"""


@app.command(help=_HELP)
def season(
    book: Annotated[Path, typer.Argument(metavar="BOOK", help="the season.db that vrn fields wrote")],
    record: Annotated[
        Path | None, typer.Option("--record", help="table of what came of fields, taken in first")
    ] = None,
    on: Annotated[
        datetime | None, typer.Option("--on", formats=["%Y-%m-%d"], help="the day to speak of; today if not given")
    ] = None,
    corn_per_bu: Annotated[float | None, typer.Option(min=0.01, help="$/bu, for what the strips say")] = None,
    n_per_lb: Annotated[float | None, typer.Option(min=0.0, help="$/lb N, for what the strips say")] = None,
    html: Annotated[Path | None, typer.Option("--html", help="write the overview map")] = None,
    gpkg: Annotated[Path | None, typer.Option("--gpkg", help="write fields and zones as a GeoPackage")] = None,
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Record if asked, then tell and write what was asked for."""
    from vrn.many.book import history, latest, outcomes, record_outcome
    from vrn.many.outcomes import read_outcomes
    from vrn.many.season import due, to_order, what_came

    today = on.date() if on else date.today()  # the day on the reader's own calendar
    entries, built = latest(book), latest(book, built=True)  # what was applied stays so when a later build fails
    if record is not None:
        record_outcome(book, *read_outcomes(record, built))
    came = outcomes(book)
    fields = due(entries, came, today)
    orders, results = to_order(fields), what_came(built, came, corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
    if html is not None:
        from vrn.many.season_page import season_page, write_season_page

        write_season_page(season_page(fields, orders, results, today), html)
    if gpkg is not None:
        from vrn.many.geopackage import write_season_geopackage

        write_season_geopackage(fields, gpkg, builds=history(book), came=came)
    if json_:
        say_json(_plain(fields, orders, results, today))
        return
    _say_fields(fields, today)
    if len(fields) < len(entries):
        say(f"Of earlier seasons: {len(entries) - len(fields)} fields, not listed.")
        say()
    _say_orders(orders)
    _say_results(results)
    for path in (html, gpkg):
        if path is not None:
            say(f"Written: {path}")


def _say_fields(fields: tuple["Due", ...], today: date) -> None:
    say(f"On {today.isoformat()}: {len(fields)} fields")
    say()
    width = max((len(item.entry.field) for item in fields), default=5)
    say(f"{'field':<{width}}  {'state':<8}  {'sampled at':<17}  {'about now':<9}  {'apply on':<10}  {'V12 about':<10}  "
        f"{'days left':>9}")  # fmt: skip
    for item in fields:
        if item.state == "failed":
            say(f"{item.entry.field:<{width}}  failed    {item.entry.problem} {item.entry.remedy}")
            continue
        crop = item.entry.crop
        sampled = " on ".join(word for word in (crop.get("growth_stage"), crop.get("sampled_on")) if word)
        last_day = item.last_day.isoformat() if item.last_day else ""
        days = "" if item.days_left is None else str(item.days_left)
        say(f"{item.entry.field:<{width}}  {item.state:<8}  {sampled:<17}  {item.stage_now:<9}  "
            f"{crop.get('application_date') or '':<10}  {last_day:<10}  {days:>9}")  # fmt: skip
    say()
    say("Stages after the sampling date are estimates (82 growing degree days a collar to V10, 50 after it, 20 a day).")


def _say_orders(orders: tuple["Order", ...]) -> None:
    say()
    say("Product to order" if orders else "Product to order: none, every field is applied or failed.")
    for order in orders:
        fields = f"{order.fields} field" + ("s" if order.fields > 1 else "")
        say(f"  {order.product}: {order.approved + order.draft:,.0f} {order.unit} for {fields} "
            f"({order.approved:,.0f} approved, {order.draft:,.0f} still DRAFT)")  # fmt: skip


def _say_results(results: tuple["Result", ...]) -> None:
    if not results:
        return
    say()
    say("What came of it")
    for result in results:
        told = []
        if result.applied_n_lb is not None:
            of = "" if result.prescribed_n_lb is None else f" of {result.prescribed_n_lb:,.0f} prescribed"
            told.append(f"{result.applied_n_lb:,.0f} lb N applied{of}")
        if result.stalk_ppm is not None:
            told.append(f"stalk nitrate {', '.join(zone.words for zone in result.stalks)}")
        told += [f"strip {'at ' + format(rate, 'g') + ' lb N/ac' if rate is not None else ''}: {bushels:g} bu/ac"
                 for rate, bushels in result.strips]  # fmt: skip
        say(f"  {result.field}: {'; '.join(told)}")
        if result.response is not None:
            from vrn.words import UnitFormat, finding_texts

            for text in finding_texts(UnitFormat(metric=False), result.response.findings):
                say(f"    {text.problem} {text.remedy}")


def _plain(
    fields: tuple["Due", ...], orders: tuple["Order", ...], results: tuple["Result", ...], today: date
) -> dict[str, Any]:
    from dataclasses import asdict, replace

    return {
        "on": today.isoformat(),
        "fields": [
            {
                "field": item.entry.field, "season": item.entry.season, "state": item.state, **item.entry.crop,
                "stage_now": item.stage_now, "last_day": item.last_day.isoformat() if item.last_day else None,
                "days_left": item.days_left, "problem": item.entry.problem, "remedy": item.entry.remedy,
                "total_n_lb": item.entry.summary.get("total_n_lb"),
                "total_product": item.entry.summary.get("total_product"),
                "folder": item.entry.folder,
            }
            for item in fields
        ],
        "to_order": [asdict(order) for order in orders],
        "what_came": [
            {**asdict(replace(result, response=None)), "response": result.response and result.response.to_plain()}
            for result in results
        ],
    }  # fmt: skip
