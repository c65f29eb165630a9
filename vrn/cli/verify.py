"""``vrn verify``, ``compare`` and ``show``: a written folder read again, held against what was applied, looked at."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import FINDINGS, app, leave_if_warned, say, say_findings, say_json, tell
from vrn.errors import InputFileError

if TYPE_CHECKING:
    from vrn.words import UnitFormat

_HELP = """Read a written prescription again, with other readers: who signed it, over exactly which bytes.

With --key, what that key has not signed is named file by file; with --book, what none of the book's keys has.

Example:  vrn verify cedar_bend_rx
"""


@app.command(help=_HELP)
def verify(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    key: Annotated[
        Path | None, typer.Option("--key", metavar="PUBLIC", help="the public key that must have signed it")
    ] = None,
    book: Annotated[
        str | None, typer.Option("--book", metavar="BOOK", help="season book that knows which keys may sign")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="print the checks for a machine")] = False,
) -> None:
    """Check, print each outcome, and leave with 1 when a person must look."""
    from vrn.audit import verify as read_again
    from vrn.words import UnitFormat
    from vrn.words import say as worded

    keys = None
    if book is not None:
        from vrn.many.book_tables import book_at
        from vrn.many.questions import known_keys

        keys = known_keys(book_at(book))
    found = read_again(folder, public_key=key, keys=keys)
    shown = UnitFormat.of(found.units)
    if json_:
        checks = [
            {"code": check.code, "name": check.about, "ok": check.ok, "level": check.level,
             "detail": worded(shown, check.code, **check.quantities)} for check in found.checks
        ]  # fmt: skip
        say_json({"ok": found.ok, "checks": checks})
    else:
        from vrn.many.sign import check_lines

        for line in check_lines(found.checks, shown):
            say(line)
        say()
        if found.ok:
            tell(shown, "console.all-passed")
        else:
            tell(shown, "console.some-failed", failed=str(len(found.failed)), checks=len(found.checks))
    if not found.ok:
        raise typer.Exit(FINDINGS)


if TYPE_CHECKING:
    from vrn.model.applied import Comparison
    from vrn.words import UnitFormat

_HELP_COMPARE = """Compare what was really applied with the prescription: totals, zones, skips, overlaps.

AS_APPLIED is a CSV, shapefile, GeoPackage or GeoJSON of points in the order they were driven, or of polygons; or the
machine's own log: a TASKDATA folder or its zip.

Example:  vrn compare cedar_bend_rx as_applied.csv --unit gal/ac --width-ft 60
"""


@app.command(help=_HELP_COMPARE)
def compare(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    as_applied: Annotated[Path, typer.Argument(metavar="AS_APPLIED", help="what the machine recorded")],
    out: Annotated[
        Path | None, typer.Option("--out", help="folder for page and map layer (default: DIR_applied)")
    ] = None,
    rate_column: Annotated[
        str | None, typer.Option("--rate-column", help="column with the rate; of a log, the device element, as DET-3")
    ] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="of that rate: gal/ac, lb/ac, lb N/ac, L/ha, kg/ha, kg N/ha")
    ] = None,
    width_ft: Annotated[
        float | None, typer.Option("--width-ft", help="width of the machine, if the file has none")
    ] = None,
    delivered: Annotated[
        float | None,
        typer.Option(
            "--delivered", help="gallons or pounds of product that really went on (L or kg in a metric field)"
        ),
    ] = None,
    book: Annotated[
        str | None, typer.Option("--book", metavar="BOOK", help="season book to keep what was applied, zone by zone")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="print the numbers for a machine, write nothing")] = False,
) -> None:
    """Compare, write page and layer, print the numbers, and end with 1 when a person must look."""
    from vrn.audit import compare as hold_against
    from vrn.words import UnitFormat, findings_json

    found = hold_against(folder, as_applied, rate_column=rate_column, unit=unit, width_ft=width_ft, delivered=delivered)
    shown = UnitFormat.of(found.units)
    if book is not None:
        from vrn.many.book import latest
        from vrn.many.book_events import record_outcome
        from vrn.many.book_tables import book_at
        from vrn.many.outcomes import applied_outcomes, key_of_folder

        kept = book_at(book)
        key = key_of_folder(folder, found.field, latest(kept, built=True, retired=True))
        record_outcome(kept, *applied_outcomes(found, key=key))
    if json_:
        say_json(found.to_plain() | {"findings": findings_json(shown, found.findings)})
    else:
        from vrn.pages.compared import write_comparison

        absolute = folder.resolve()
        written = write_comparison(found, out if out is not None else absolute.with_name(f"{absolute.name}_applied"))
        _say_compared(found, shown)
        say()
        tell(shown, "console.written-comparison", folder=str(written))
    leave_if_warned(found.findings)


def _say_compared(found: "Comparison", shown: "UnitFormat") -> None:
    """Print totals, zones and findings."""
    from vrn.findings import Quantity
    from vrn.words import finding_texts
    from vrn.words import say as worded

    band = Quantity("share", 0.1)
    tell(shown, "console.compared", field=found.field, season=str(found.season), file=found.source)
    tell(
        shown, "console.applied-total", applied=Quantity(found.unit, found.applied_product), band=band,
        share=Quantity("share", found.applied_product / found.prescribed_product),
        planned=Quantity(found.unit, found.prescribed_product), within=Quantity("share", found.within_share),
    )  # fmt: skip
    if not math.isnan(found.skipped_acres):
        tell(shown, "console.applied-twice", skipped=Quantity("area", found.skipped_acres),
             overlapped=Quantity("area", found.overlapped_acres))  # fmt: skip
    if found.difference is not None:
        difference = found.difference
        tell(
            shown, "console.difference", missed=Quantity("mass", difference.missed_n_lb),
            twice=Quantity("mass", difference.twice_n_lb), rate=Quantity("mass", difference.rate_n_lb),
            off=Quantity("mass", difference.no_apply_n_lb + difference.outside_n_lb),
        )  # fmt: skip
    if not math.isnan(found.meter_factor):
        code = "console.meter" if found.delivered_product is None else "console.meter-delivered"
        tell(shown, code, factor=Quantity("number", round(found.meter_factor, 3)))
    say()
    heads = (
        worded(shown, "console.head-zone"), worded(shown, "console.head-driven", unit=shown.unit("area")),
        worded(shown, "console.head-planned"), worded(shown, "console.head-applied", unit=shown.unit("rate")),
        worded(shown, "console.head-within", band=band),
    )  # fmt: skip
    say("".join(f"{head:>17}" for head in heads))
    for zone in found.zones:
        cells = (
            str(zone.zone) if zone.zone else worded(shown, "console.zone-no-apply"),
            shown.number("area", zone.driven_acres, decimals=2), shown.number("rate", zone.target_n_lb_ac),
            "-" if math.isnan(zone.mean_n_lb_ac) else shown.number("rate", zone.mean_n_lb_ac),
            "-" if math.isnan(zone.within_share) else shown.text("share", zone.within_share),
        )  # fmt: skip
        say("".join(f"{cell:>17}" for cell in cells))
    reasons = [worded(shown, f"audit.dropped-{why}", records=count) for why, count in found.dropped.items() if count]
    code = "console.records-left-out" if reasons else "console.records-used"
    tell(shown, code, records=len(found.footprints), reasons=", ".join(reasons))
    say()
    say_findings(finding_texts(shown, found.findings))


_HELP_SHOW = """Open the map of a written prescription in the browser; it needs no network.

Example:  vrn show cedar_bend_rx
"""


@app.command(help=_HELP_SHOW)
def show(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    report: Annotated[bool, typer.Option("--report", help="the report instead of the map")] = False,
    path: Annotated[bool, typer.Option("--path", help="only print where it is")] = False,
) -> None:
    """Open the page, or say where it is where no browser can be started."""
    page = (folder / ("report.html" if report else "map.html")).absolute()
    if not page.is_file():
        problem = f"{folder} holds no {page.name}."
        raise InputFileError(problem, "Give the folder that `vrn build FIELD.toml --out DIR` wrote.")
    if path:
        say(str(page))
        return
    import webbrowser

    from vrn.words import UnitFormat

    opened = webbrowser.open(page.as_uri())
    tell(UnitFormat(metric=False), "console.page-opened" if opened else "console.page-not-opened", page=str(page))
