"""``vrn compare``: what was really applied, against the prescription."""

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import FINDINGS, app, say, say_findings, say_json

if TYPE_CHECKING:
    from vrn.model.applied import Comparison

_HELP = """Hold what was really applied against the prescription: totals, zones, skips, overlaps.

AS_APPLIED is a CSV, shapefile, GeoPackage or GeoJSON of points in the order they were driven, or of polygons.

Example:  vrn compare cedar_bend_rx as_applied.csv --unit gal/ac --width-ft 60
"""


@app.command(help=_HELP)
def compare(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    as_applied: Annotated[Path, typer.Argument(metavar="AS_APPLIED", help="what the machine recorded")],
    out: Annotated[
        Path | None, typer.Option("--out", help="folder for page and map layer (default: DIR_applied)")
    ] = None,
    rate_column: Annotated[str | None, typer.Option("--rate-column", help="column that holds the rate")] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="of that rate: gal/ac, lb/ac, lb N/ac, L/ha, kg/ha, kg N/ha")
    ] = None,
    width_ft: Annotated[
        float | None, typer.Option("--width-ft", help="width of the machine, if the file has none")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="print the numbers for a machine, write nothing")] = False,
) -> None:
    """Compare, write page and layer, print the numbers, and leave with 1 when a person must look."""
    from vrn.audit import compare as hold_against

    found = hold_against(folder, as_applied, rate_column=rate_column, unit=unit, width_ft=width_ft)
    if json_:
        say_json(found.to_plain())
    else:
        from vrn.pages.compared import write_comparison

        absolute = folder.resolve()
        written = write_comparison(found, out if out is not None else absolute.with_name(f"{absolute.name}_applied"))
        _say(found)
        say()
        say(f"Written to {written}: look at compared.html.")
    if any(finding.level == "warning" for finding in found.findings):
        raise typer.Exit(FINDINGS)


def _say(found: "Comparison") -> None:
    """Print totals, zones and findings."""
    from vrn.words import UnitFormat, finding_texts

    shown, share = UnitFormat(metric=found.units == "metric"), 100 * found.applied_product / found.prescribed_product
    say(f"{found.field}, season {found.season}: {found.source}")
    say(
        f"{shown.text(found.unit, found.applied_product)} applied, {share:.1f} % of the"
        f" {shown.number(found.unit, found.prescribed_product)}"
        f" prescribed; {100 * found.within_share:.1f} % of the driven ground within ± 10 %."
    )
    if not math.isnan(found.skipped_acres):
        area, to = shown.unit("area"), shown.factor("area")
        say(f"{found.skipped_acres * to:.2f} {area} not covered, {found.overlapped_acres * to:.2f} {area} covered more "
            "than once.")  # fmt: skip
    say()
    driven, applied = f"driven {shown.unit('area')}", f"applied {shown.unit('rate')}"
    say(f"{'zone':>8} {driven:>10} {'prescribed':>11} {applied:>16} {'within ± 10 %':>14}")
    for zone in found.zones:
        name = str(zone.zone) if zone.zone else "no-apply"
        applied = "-" if math.isnan(zone.mean_n_lb_ac) else f"{zone.mean_n_lb_ac * shown.factor('rate'):.1f}"
        within = "-" if math.isnan(zone.within_share) else f"{100 * zone.within_share:.0f} %"
        say(f"{name:>8} {zone.driven_acres * shown.factor('area'):>10.2f}"
            f" {zone.target_n_lb_ac * shown.factor('rate'):>11.1f} {applied:>16} {within:>14}")  # fmt: skip
    dropped = ", ".join(f"{count} {why}" for why, count in found.dropped.items() if count)
    say(f"{len(found.footprints)} records used" + (f"; left out: {dropped}." if dropped else "."))
    say()
    say_findings(finding_texts(shown, found.findings))
