"""``vrn season``: what is due, what is still DRAFT, product to order, results."""

from collections.abc import Sequence
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import FINDINGS, app, leave_if_warned, say, say_findings, say_json, say_table, tell

if TYPE_CHECKING:
    from vrn.findings import Finding
    from vrn.many.book import Entry
    from vrn.many.book_events import Event
    from vrn.many.book_tables import AnyBook
    from vrn.model.season import Due, Link, Order, Outcome, Result, Sum
    from vrn.model.trials import LearnedReport, PastTrial, StripResponse, TrialTop
    from vrn.words import UnitFormat

_HELP = """Read a season book: what is due, what is still DRAFT, product to order, results.

Exit status 1 when a field failed, or a person must look. With --on, the book speaks as of that day.

A table to record has the columns field, what and value, and where they apply grower, farm, zone, rate_n_lb_ac, file,
note and on, the day it was; what is one of applied_n_lb, applied_product, strip_yield_bu_ac and stalk_nitrate_ppm.
Instead of a value, applied_n_lb may have an as-applied file. A strip with a zone and no rate has the rate prescribed
there. A field is named by its name or its id.

Example:  vrn season june_rx/season.db --html season.html

Example:  vrn season june_rx/season.db --by day --since 2026-06-15 --csv june.csv

Example:  vrn season june_rx/season.db --record strips.csv --corn-per-bu 4.20 --n-per-lb 0.55
"""


_BACKUP_HELP = """Copy a season book whole, also while others write to it.

A plain copy of the file may lack the last rows, which wait in a log beside it.

Example:  vrn backup june_rx/season.db copies/june_2026-06-18.db
"""


@app.command(help=_HELP)
def season(
    place: Annotated[
        str, typer.Argument(metavar="BOOK", help="the season.db that vrn fields wrote, or postgresql://…")
    ],
    record: Annotated[Path | None, typer.Option("--record", help="table of results, taken in first")] = None,
    on: Annotated[
        datetime | None, typer.Option("--on", formats=["%Y-%m-%d"], help="the day to speak of; today if not given")
    ] = None,
    season_: Annotated[
        int | None,
        typer.Option("--season", min=1980, max=2100, help="year of harvest; the season of the day if not given"),
    ] = None,
    retire: Annotated[
        list[str] | None, typer.Option("--retire", metavar="FIELD", help="take a field out of this season")
    ] = None,
    return_: Annotated[
        list[str] | None, typer.Option("--return", metavar="FIELD", help="take a retired field in again")
    ] = None,
    by: Annotated[str | None, typer.Option("--by", help="sums by day, product, grower, signer or state")] = None,
    since: Annotated[
        datetime | None, typer.Option("--since", formats=["%Y-%m-%d"], help="what changed from a day on, and by whom")
    ] = None,
    csv: Annotated[Path | None, typer.Option("--csv", help="write the sums, or the fields, as a table")] = None,
    corn_per_bu: Annotated[float | None, typer.Option(min=0.01, help="$/bu, for what the strips say")] = None,
    n_per_lb: Annotated[float | None, typer.Option(min=0.0, help="$/lb N, for what the strips say")] = None,
    html: Annotated[Path | None, typer.Option("--html", help="write the overview map")] = None,
    parquet: Annotated[
        Path | None,
        typer.Option("--parquet", metavar="DIR", help="write zones, readings, as-applied, rates: GeoParquet"),
    ] = None,
    gpkg: Annotated[Path | None, typer.Option("--gpkg", help="write fields and zones as a GeoPackage")] = None,
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Record if asked, then tell and write what was asked for."""
    from vrn.many.book import latest, with_parts
    from vrn.many.book_events import events, outcomes, record_outcome
    from vrn.many.book_tables import book_at
    from vrn.many.questions import GROUPS, chains_of, changed_since, sums_by, trials_of, write_season_table
    from vrn.many.season import due, season_findings, season_of, season_results, to_order

    if by is not None and by not in GROUPS:
        message = f"--by is one of {', '.join(GROUPS)}."
        raise typer.BadParameter(message)
    book = book_at(place)
    today, as_of = on.date() if on else date.today(), on.date() if on else None  # on the reader's own calendar
    if retire or return_:
        _note(book, {"retired": retire or [], "returned": return_ or []}, season_, today)
    told: tuple[Finding, ...] = ()
    if record is not None:
        from vrn.many.outcomes import read_outcomes

        recorded, told = read_outcomes(record, latest(book, built=True, retired=True))
        record_outcome(book, *recorded)
    everything, came = latest(book, on=as_of, parts=()), outcomes(book, on=as_of)
    year = season_ or season_of(everything, today)
    ground = ("outlines",) if html or parquet or gpkg else ("bounds",)
    mine = (entry for entry in everything if entry.season in (year, None))
    entries = with_parts(book, mine, ("summary", "crop", "signature", *ground))
    # what was applied stays so when a later build fails
    built = latest(book, built=True, on=as_of, retired=True, parts=("summary",)) if came else ()
    fields = due(entries, came, today, year)
    findings = (*told, *season_findings(fields, everything, year))
    orders = to_order(fields)
    trials = [one for one in trials_of(book) if as_of is None or one.season <= as_of.year]
    results = season_results(built, came, trials=trials, corn_per_bu=corn_per_bu, n_per_lb=n_per_lb)
    sums = sums_by(fields, by) if by else ()
    changes = changed_since(events(book, on=as_of), since.date(), year) if since else ()
    chains = chains_of(book, [entry for entry in entries if entry.season == year])
    if csv is not None:
        write_season_table(sums if by else fields, csv)
    if html is not None:
        from vrn.pages.season_page import season_page, write_season_page

        page = season_page(fields, orders, results, today, chains, _learned(trials), by=by or "day",
                           findings=findings, sums=sums or sums_by(fields, "day"),
                           changes=_change_lines(changes, fields))  # fmt: skip
        write_season_page(page, html)
    lost = _write_layers(book, fields, entries, came, results, parquet=parquet, gpkg=gpkg) if parquet or gpkg else ()
    if json_:
        from dataclasses import asdict

        from vrn.words import UnitFormat, findings_json

        named = {item.key: item.field for item in fields}
        more = {"season": year, "findings": findings_json(UnitFormat(metric=False), findings),
                "chains": {named[key] if [*named.values()].count(named[key]) == 1 else f"{named[key]} ({key})":
                           [asdict(link) for link in links] for key, links in chains.items()}}  # fmt: skip
        more |= {"sums": [asdict(one) for one in sums],
                 "changes": [asdict(one) | {"on": one.on and one.on.isoformat()} for one in changes]}  # fmt: skip
        say_json(_plain(fields, orders, results, today) | more)
    else:
        from vrn.pages.season_page import season_units
        from vrn.words import finding_texts

        shown = season_units(fields)
        _say_fields(fields, today, shown)
        say_findings(finding_texts(shown, findings))
        _say_orders(orders, shown)
        _say_sums(sums, by or "", shown)
        for line in ("", *_change_lines(changes, fields)) if changes else ():
            say(line)
        _say_chains(fields, chains, shown)
        _say_results(results, shown)
        if lost:
            tell(shown, "season.no-readings", count=len(lost), fields=", ".join(lost))
        for path in (html, gpkg, csv, parquet):
            if path is not None:
                tell(shown, "season.written", path=str(path))
    if any(item.state == "failed" for item in fields):
        raise typer.Exit(FINDINGS)
    leave_if_warned(findings)


@app.command(help=_BACKUP_HELP)
def backup(
    book: Annotated[str, typer.Argument(metavar="BOOK", help="the season book")],
    target: Annotated[
        str,
        typer.Argument(metavar="FILE", help="the copy, an earlier one is replaced; or the address of an empty book"),
    ],
) -> None:
    """Copy, and say where it is."""
    from vrn.many.book_file import copy_book
    from vrn.many.book_tables import book_at
    from vrn.words import UnitFormat

    copy_book(book_at(book), book_at(target))
    tell(UnitFormat(metric=False), "season.written", path=str(book_at(target)))


def _note(book: "AnyBook", said: dict[str, list[str]], season: int | None, today: date) -> None:
    """Write that fields were taken out of a season, or in again."""
    from vrn.many.book import latest
    from vrn.many.book_events import Event, record_events
    from vrn.many.outcomes import entry_of
    from vrn.many.season import season_of

    everything = latest(book, retired=True, parts=())
    year = season or season_of(everything, today)
    known = [entry for entry in everything if entry.season == year]
    for what, names in said.items():
        found = [entry_of(name, str(book), known) for name in names]
        record_events(book, *(Event(what=what, key=one.key, field=one.field, season=year) for one in found))


def _write_layers(
    book: "AnyBook", fields: tuple["Due", ...], entries: tuple["Entry", ...], came: tuple["Outcome", ...],
    results: tuple["Result", ...], *, parquet: Path | None, gpkg: Path | None,
) -> tuple[str, ...]:  # fmt: skip
    """Write what other programs read; the fields whose readings are not here."""
    from vrn.many.book import history
    from vrn.many.season_layers import write_season_geopackage, write_season_parquet

    if gpkg is not None:
        write_season_geopackage(fields, gpkg, builds=history(book, ("summary",)), came=came, results=results)
    return () if parquet is None else write_season_parquet(fields, entries, came, parquet)


def _learned(trials: Sequence["PastTrial"]) -> tuple["LearnedReport | None", Sequence["TrialTop"]]:
    """What trials say together, and each; where there are none, what works it out is not loaded."""
    if not trials:
        return None, ()
    from vrn.pipeline.learning import learned_in

    return learned_in(trials)


def _say_fields(fields: tuple["Due", ...], today: date, shown: "UnitFormat") -> None:
    from vrn.pages.season_page import STAGE_UNITS, due_cells, state_counts
    from vrn.words import say as worded

    tell(shown, "season.counts", today=today, fields=len(fields), **state_counts(fields))
    say()
    for item in fields:
        if item.state == "failed":
            say(f"{item.field}: {': '.join(due_cells(item, shown))}")
    heads = ("field", "state", "sampled", "now", "apply", "v12", "days")
    rows = [(item.field, *due_cells(item, shown)) for item in fields if item.state != "failed"]
    if rows:
        say_table([[worded(shown, f"season.head-{head}") for head in heads], *rows], left=6)
        say()
        tell(shown, "season.stages", **STAGE_UNITS)


def _say_orders(orders: tuple["Order", ...], shown: "UnitFormat") -> None:
    from vrn.findings import Quantity

    say()
    tell(shown, "season.order" if orders else "season.order-none")
    for order in orders:
        amounts = {"approved": order.approved, "draft": order.draft, "total": order.approved + order.draft}
        quantities = {name: Quantity(order.unit, amount) for name, amount in amounts.items()}
        tell(shown, "season.order-line", product=order.product, fields=order.fields, **quantities)


def _say_sums(sums: tuple["Sum", ...], by: str, shown: "UnitFormat") -> None:
    from vrn.pages.season_page import sum_cells
    from vrn.words import say as worded

    if not sums:
        return
    say()
    heads = [worded(shown, f"season.head-by-{by}"), *(
        worded(shown, f"season.head-{head}", **({"unit": shown.unit("area")} if head == "area" else {}))
        for head in ("fields", "area", "product", "loads", "hours", "cost", "late"))]  # fmt: skip
    rows = [list(row) for row in sum_cells(sums, shown)]
    say_table([heads, *rows])
    tell(shown, "season.hours-are")


def _change_lines(changes: tuple["Event", ...], fields: tuple["Due", ...]) -> list[str]:
    """A line for each thing that happened: day, field, what, prescription, by whom and where."""
    from vrn.model.season import SHORT
    from vrn.pages.season_page import season_units
    from vrn.words import say as worded

    shown, named = season_units(fields), {item.key: item.field for item in fields}
    return [worded(shown, "season.changed", day=str(one.on or one.recorded_at[:10]), what=one.what,
                   field=named.get(one.key, one.field),
                   id=one.rx[:SHORT], by=one.by, host=one.host).strip() for one in changes]  # fmt: skip


def _say_chains(fields: tuple["Due", ...], chains: dict[str, tuple["Link", ...]], shown: "UnitFormat") -> None:
    from vrn.pages.season_page import chain_lines

    found = [(item.field, lines) for item in fields if (lines := chain_lines(chains.get(item.key, ()), shown))]
    if found:
        say()
        tell(shown, "season.replaced")
    for field, lines in found:
        say(f"  {field}")
        for line in lines:
            say(f"    {line}")


def _say_results(results: tuple["Result", ...], shown: "UnitFormat") -> None:
    from vrn.findings import Quantity
    from vrn.pages.season_page import result_lines
    from vrn.words import say as worded

    if not results:
        return
    say()
    tell(shown, "season.results")
    for result in results:
        lines = []
        if result.applied_n_lb is not None:
            applied, planned = Quantity("mass", result.applied_n_lb), Quantity("mass", result.prescribed_n_lb)
            if result.prescribed_n_lb:
                share = Quantity("share", result.applied_n_lb / result.prescribed_n_lb)
                lines.append(worded(shown, "season.applied-of-plan", applied=applied, planned=planned, share=share))
            else:
                lines.append(worded(shown, "season.applied", applied=applied))
        say(f"  {result.field}")
        stalks, strips = result_lines(result, shown)
        for line in (*lines, *stalks, *strips):
            say(f"    {line}")


def _plain(
    fields: tuple["Due", ...], orders: tuple["Order", ...], results: tuple["Result", ...], today: date
) -> dict[str, object]:
    from dataclasses import asdict, replace

    def text(day: date | None) -> str | None:
        return day.isoformat() if day else None

    return {
        "on": today.isoformat(),
        "fields": [
            {
                "field": item.field, "key": item.key, "season": item.season, "state": item.state,
                "growth_stage": item.growth_stage or None, "sampled_on": text(item.sampled_on),
                "application_date": text(item.application_date), "stage_now": item.stage_now,
                "last_day": text(item.last_day), "days_left": item.days_left, "problem": item.problem,
                "remedy": item.remedy, "total_n_lb": item.total_n_lb, "total_product": item.total_product,
                "folder": item.folder, "doubt_sd_lb_ac": item.doubt_sd_lb_ac,
            }
            for item in fields
        ],
        "to_order": [asdict(order) for order in orders],
        "results": [
            asdict(replace(result, responses=(), trials=()))
            | {"responses": [_strip_numbers(found) for found in result.responses],
               "trials": [{"code": said.code, "about": said.about} for said in result.trials]}
            for result in results
        ],
    }  # fmt: skip


def _strip_numbers(found: "StripResponse") -> dict[str, object]:
    from dataclasses import fields

    return {item.name: getattr(found, item.name) for item in fields(found) if item.name != "findings"}
