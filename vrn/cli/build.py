"""``vrn build``: the prescription and everything that goes with it."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import FINDINGS, app, complain, progress, say, say_findings, say_json

if TYPE_CHECKING:
    from vrn.audit import Verification
    from vrn.prescription.model import Prescription

_HELP = """Build the prescription of one field, and every file that goes with it.

Example:  vrn build demo_fields/cedar_bend/field.toml --out cedar_bend_rx
"""


class _Clock:
    """Seconds spent in each step, in the order they were entered."""

    def __init__(self, tell: Callable[[str], None] | None) -> None:
        self.tell = tell
        self.steps: list[tuple[str, float]] = []
        self.since = time.perf_counter()
        self.name = "start"

    def __call__(self, name: str) -> None:
        now = time.perf_counter()
        self.steps.append((self.name, now - self.since))
        self.name, self.since = name, now
        if self.tell is not None and name:
            self.tell(name)


@app.command(help=_HELP)
def build(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    out: Annotated[Path, typer.Option("--out", help="folder to write; replaced whole, only if vrn wrote it")],
    json_: Annotated[bool, typer.Option("--json", help="print summary.json")] = False,
    timings: Annotated[bool, typer.Option("--timings", help="say where the time went")] = False,
) -> None:
    """Read, build, write, verify, and print the rates."""
    with progress() as tell:
        clock = _Clock(tell)
        from vrn.audit import verify
        from vrn.export import write
        from vrn.ingest import read_field
        from vrn.pipeline import build as build_prescription

        clock("reading")
        field = read_field(field_file)
        prescription = build_prescription(field, progress=clock)
        clock("writing")
        checked: list[Verification] = []
        write(prescription, out, check=lambda staged: checked.append(verify(staged)))
        clock("")
    if json_:
        from vrn.export.summary import summary_of

        say_json(summary_of(prescription))
    else:
        _say_prescription(prescription, out)
    if timings:
        for name, seconds in clock.steps:
            complain(f"{seconds:7.2f} s  {name}")
    if not all(verification.ok for verification in checked):
        for check in checked[0].checks:
            if not check.ok:
                complain(f"! {check.name}: {check.detail}")
        raise typer.Exit(FINDINGS)


def _say_prescription(prescription: "Prescription", out: Path) -> None:
    """Print the rates, the totals, the findings and where the files are."""
    settings = prescription.field.settings
    state = "approved" if settings.approved else "DRAFT until approved in the field file"
    say(f"{prescription.field.name}, season {settings.field.season} ({state})")
    say()
    say(f"{'zone':>4} {'acres':>8} {'nitrate ppm':>12} {'need lb/ac':>11} {'rate lb N/ac':>13} "
        f"{'product ' + prescription.product.unit + '/ac':>15}")  # fmt: skip
    for rate in prescription.rates:
        say(f"{rate.zone:>4} {rate.acres:>8.1f} {rate.nitrate_ppm:>12.1f} {rate.need_lb_ac:>11.1f} "
            f"{rate.rate_n_lb_ac:>13.1f} {rate.product_per_ac:>15.2f}")  # fmt: skip
    say()
    say(f"{prescription.acres:.1f} ac, {prescription.total_n_lb:,.0f} lb N, "
        f"{prescription.total_product:,.0f} {prescription.product.unit} of {prescription.product.name}; "
        f"mean {prescription.mean_rate_n_lb_ac:.1f} lb N/ac. "
        f"One flat rate from the same samples: {prescription.flat_rate_n_lb_ac:.0f} lb N/ac.")  # fmt: skip
    say()
    say_findings(prescription.findings)
    say()
    say(f"Written to {out}: look at map.html, hand out load_sheet.txt, load TASKDATA or shapefile/RX.")
