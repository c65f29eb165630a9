"""``vrn build``: the prescription and everything that goes with it."""

import time
from collections.abc import Callable
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import FINDINGS, app, complain, progress, say, say_findings, say_json

if TYPE_CHECKING:
    from vrn.audit import Verification
    from vrn.cli.beside import ReportBeside
    from vrn.model.field import Field
    from vrn.prescription.model import Prescription

_HELP = """Build the prescription of one field, and every file that goes with it.

Give --out for everything, --usb for what a terminal reads, or both.

Example:  vrn build demo_fields/cedar_bend/field.toml --out cedar_bend_rx
"""


class _Clock:
    """Seconds spent in each step, in the order they were entered."""

    def __init__(self, tell: Callable[[str], None] | None) -> None:
        self.tell = tell
        self.steps: list[tuple[str, float]] = []
        self.since = time.perf_counter()
        self.name = "loading libraries"

    def __call__(self, name: str) -> None:
        now = time.perf_counter()
        self.steps.append((self.name, now - self.since))
        self.name, self.since = name, now
        if self.tell is not None and name:
            self.tell(name)


@app.command(help=_HELP)
def build(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="folder to write; replaced whole, only if vrn wrote it")
    ] = None,
    usb: Annotated[
        Path | None, typer.Option("--usb", metavar="PATH", help="stick for the terminal: only what it reads")
    ] = None,
    review: Annotated[
        Path | None, typer.Option("--review", metavar="FILE", help="a review saved from the map, taken in")
    ] = None,
    remaining: Annotated[
        Path | None,
        typer.Option("--remaining", metavar="AS_APPLIED", help="what is covered already: prescribe only the rest"),
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="print summary.json")] = False,
    timings: Annotated[bool, typer.Option("--timings", help="say where the time went")] = False,
) -> None:
    """Read, build, write, verify, and print the rates."""
    if out is None and usb is None:
        message = "give --out DIR, --usb PATH, or both."
        raise typer.BadParameter(message)
    from vrn.cli.beside import ReportBeside

    with progress() as tell, ReportBeside() if out is not None else nullcontext() as report:
        clock = _Clock(tell)
        from vrn.ingest import read_field
        from vrn.pipeline import build as build_prescription
        from vrn.pipeline.write import with_export_findings

        clock("reading")
        field = read_field(field_file, review=review)
        prescription = build_prescription(field, progress=clock)
        if remaining is not None:
            prescription = _rest_of(prescription, field, remaining)
        clock("writing")
        prescription = with_export_findings(prescription)
        checked = _write(prescription, out, usb, report)
        clock("")
    if json_:
        from vrn.files.summary import summary_of

        say_json(summary_of(prescription))
    else:
        _say_prescription(prescription)
        for place, what in ((out, "look at map.html, hand out load_sheet.txt, load TASKDATA or shapefile/RX"),
                            (usb, "TASKDATA, SHAPEFILE and LOAD_SHEET.TXT, and nothing else")):  # fmt: skip
            if place is not None:
                say(f"Written to {place}: {what}.")
    if timings:
        for name, seconds in clock.steps:
            complain(f"{seconds:7.2f} s  {name}")
    if not checked.ok:
        for check in checked.checks:
            if not check.ok:
                complain(f"! {check.name}: {check.detail}")
        raise typer.Exit(FINDINGS)


def _write(
    prescription: "Prescription", out: Path | None, usb: Path | None, report: "ReportBeside | None"
) -> "Verification":
    """Write to the folder, the stick, or both, and verify what was staged before anything is swapped in."""
    from vrn.audit import verify
    from vrn.pipeline.write import write, write_carrier

    checked: list[Verification] = []

    def check(staged: Path) -> None:
        checked.append(verify(staged))

    if out is not None:
        write(prescription, out, usb=usb, check=check, report=report)
    elif usb is not None:
        write_carrier(prescription, usb, check=check)
    return checked[0]


def _rest_of(prescription: "Prescription", field: "Field", as_applied: Path) -> "Prescription":
    """The same rates on the ground that the as-applied file leaves."""
    from vrn.ingest import read_covered
    from vrn.prescription import remaining as rest_of

    covered = read_covered(as_applied, field)
    rest = rest_of(prescription, [covered.ground])
    field = replace(rest.field, inputs={**rest.field.inputs, **covered.inputs})
    return replace(rest, field=field, findings=(*rest.findings, *covered.findings))


def _say_prescription(prescription: "Prescription") -> None:
    """Print the rates, the totals and the findings, in the units of the field file."""
    from vrn.words import UnitFormat, finding_texts

    settings = prescription.field.settings
    state = "approved" if settings.approved else "DRAFT until approved in the field file"
    say(f"{prescription.field.name}, season {settings.header.season} ({state})")
    say()
    shown, product = UnitFormat(metric=settings.units == "metric"), prescription.product
    per_area = f"{product.unit}/ac"
    columns = ("area", "concentration", "rate", "rate", per_area)
    heads = ("", "nitrate", "need", "rate", "product")
    titles = (f"{head} {shown.unit(column)}".strip() for head, column in zip(heads, columns, strict=True))
    say(f"{'zone':>4}" + "".join(f"{title:>17}" for title in titles))
    for rate in prescription.rates:
        numbers = (rate.acres, rate.nitrate_ppm, rate.need_lb_ac, rate.rate_n_lb_ac, rate.product_per_ac)
        cells = (shown.number(column, number) for column, number in zip(columns, numbers, strict=True))
        say(f"{rate.zone:>4}" + "".join(f"{cell:>17}" for cell in cells))
    say()
    say(f"{shown.text('area', prescription.acres)}, {shown.text('mass', prescription.total_n_lb)}, "
        f"{shown.text(product.unit, prescription.total_product)} of {product.name}; "
        f"mean {shown.text('rate', prescription.mean_rate_n_lb_ac)}. "
        f"One flat rate from the same samples: {shown.text('rate', prescription.flat_rate_n_lb_ac)}.")  # fmt: skip
    say()
    say_findings(finding_texts(shown, prescription.findings))
    say()
