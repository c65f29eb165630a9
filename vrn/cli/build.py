"""``vrn build``: the prescription and everything that goes with it; ``vrn demo``: the same of a demo field."""

import time
from collections.abc import Callable
from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from vrn.cli.app import FINDINGS, app, complain, leave_if_warned, progress, say, say_json, tell

if TYPE_CHECKING:
    from vrn.files.signature import Earlier
    from vrn.findings import Finding
    from vrn.prescription.model import Prescription
    from vrn.words import UnitFormat

_MOST_LINES: Final = 6  # of findings
_HELP = """Build the prescription of one field, and every file that goes with it.

Give --out for everything, --usb for what a terminal reads, or both. Exit status 1 when something needs a person.

Example:  vrn build demo_fields/cedar_bend/field.toml --out cedar_bend_rx
"""


class _Clock:
    """Seconds spent in each step, in the order they were entered."""

    def __init__(self, show: Callable[[str], None] | None) -> None:
        self.show = show
        self.steps: list[tuple[str, float]] = []
        self.since = time.perf_counter()
        self.name = "loading libraries"

    def __call__(self, name: str) -> None:
        now = time.perf_counter()
        self.steps.append((self.name, now - self.since))
        self.name, self.since = name, now
        if self.show is not None and name:
            self.show(name)


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
    top_up: Annotated[
        bool,
        typer.Option("--top-up", help="with --remaining: add what is missing where less than 90% of the rate went on"),
    ] = False,
    json_: Annotated[bool, typer.Option("--json", help="print summary.json")] = False,
    timings: Annotated[bool, typer.Option("--timings", help="say where the time went")] = False,
) -> None:
    """Read, build, write, verify, and print the rates."""
    if out is None and usb is None:
        message = "give --out DIR, --usb PATH, or both."
        raise typer.BadParameter(message)
    if top_up and remaining is None:
        message = "--top-up needs --remaining AS_APPLIED."
        raise typer.BadParameter(message)
    from vrn.many.sign import ReportBeside

    with progress() as show, ReportBeside() if out is not None else nullcontext() as report:
        clock = _Clock(show)
        from vrn.files.signature import earlier_in

        earlier = earlier_in(out) if out is not None else None
        from vrn.many.task import built_from, write_checked

        prescription = built_from(field_file, review, remaining, top_up=top_up, earlier=earlier, step=clock)
        clock("writing")
        sources = {"field": field_file, "review": review, "top_up" if top_up else "remaining": remaining}
        checked = write_checked(prescription, out, usb, report, sources=sources)
        clock("")
    from vrn.words import UnitFormat

    shown = UnitFormat.of(prescription.field.settings.units)
    if json_:
        from vrn.files.summary import summary_of

        say_json(summary_of(prescription))
    else:
        _say_rates(prescription, shown)
        _say_findings(prescription.findings, shown, report=out is not None)
        _say_approval(prescription, earlier, shown)
        for place, code in ((out, "console.written-folder"), (usb, "console.written-stick")):
            if place is not None:
                tell(shown, code, folder=str(place))
    if timings:
        for name, seconds in clock.steps:
            complain(f"{seconds:7.2f} s  {name}")
    if not checked.ok:
        from vrn.many.sign import check_lines

        for line in check_lines(checked.failed, shown):
            complain(line)
        raise typer.Exit(FINDINGS)
    leave_if_warned(prescription.findings)


def _say_rates(prescription: "Prescription", shown: "UnitFormat") -> None:
    """Print the rates and the totals, in the units of the field file."""
    from vrn.findings import Quantity
    from vrn.words import say as worded

    settings, product = prescription.field.settings, prescription.product
    title = "console.title" if prescription.approved else "console.title-draft"
    tell(shown, title, field=prescription.field.name, season=str(settings.header.season))
    say()
    kinds = {"area": "area", "nitrate": "concentration", "need": "rate", "rate": "rate",
             "product": f"{product.unit}/ac"}  # fmt: skip
    totals = "console.totals"
    if not product.named:
        totals = "console.totals-n"
        del kinds["product"]
    heads = (worded(shown, f"console.head-{name}", unit=shown.unit(kind)) for name, kind in kinds.items())
    say(f"{worded(shown, 'console.head-zone'):>4}" + "".join(f"{head:>17}" for head in heads))
    for rate in prescription.rates:
        numbers = (rate.acres, rate.nitrate_ppm, rate.need_lb_ac, rate.rate_n_lb_ac, rate.product_per_ac)
        cells = (shown.number(kind, number) for kind, number in zip(kinds.values(), numbers, strict=False))
        say(f"{rate.zone:>4}" + "".join(f"{cell:>17}" for cell in cells))
    say()
    tell(
        shown, totals, area=Quantity("area", prescription.acres), name=product.name,
        nitrogen=Quantity("mass", prescription.total_n_lb), product=Quantity(product.unit, prescription.total_product),
        mean=Quantity("rate", prescription.mean_rate_n_lb_ac), flat=Quantity("rate", prescription.flat_rate_n_lb_ac),
    )  # fmt: skip
    say()


def _say_approval(prescription: "Prescription", earlier: "Earlier | None", shown: "UnitFormat") -> None:
    """Print what differs from what was approved, and whose signature this prescription takes the place of."""
    from vrn.files.approval import difference_lines
    from vrn.model.season import SHORT

    lines = difference_lines(shown, prescription.findings)
    if lines:
        say(f"{lines}\n")
    if earlier is not None and earlier.signed_by and not prescription.approved:
        tell(shown, "review.was-signed", id=earlier.id[:SHORT], name=earlier.signed_by)


def _say_findings(findings: "tuple[Finding, ...]", shown: "UnitFormat", *, report: bool) -> None:
    """At most six lines: what a person must decide, then the themes of what was assumed, then how many more."""
    from collections import Counter

    from vrn.words import finding_texts
    from vrn.words import say as worded
    from vrn.words.console import SENTENCES

    texts = finding_texts(shown, findings)
    decisions = [text for text in texts if text.level == "warning"]
    rooms = Counter(text.code.partition(".")[0] for text in texts if text.level == "note")
    lines = decisions[: _MOST_LINES - 2] if rooms or len(decisions) > _MOST_LINES else decisions
    for text in lines:
        say(f"! {text.place}: {text.problem} {text.remedy}")
    if rooms:
        themes: Counter[str] = Counter()
        for room, count in rooms.items():
            themes[f"theme-{room}" if f"theme-{room}" in SENTENCES else "theme-other"] += count
        named = ", ".join(f"{worded(shown, f'console.{theme}')} ({count})" for theme, count in themes.most_common())
        tell(shown, "console.assumptions", themes=named)
    more = len(texts) - len(lines)
    if more:
        tell(shown, "console.more-in-report" if report else "console.more-with-out", count=more)
    if texts:
        say()


_HELP_DEMO = """Copy a demo field out and build its prescription.

Three invented fields: cedar_bend (an ordinary quarter section), heron_flat (rain moved the nitrate down) and mill_race
(two pieces, a pond, a waterway, few samples).

Example:  vrn demo sorrel_valley --field heron_flat
"""


@app.command(help=_HELP_DEMO)
def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="[DIR]", help="where to put the field and its prescription")
    ] = Path(),
    field: Annotated[str, typer.Option("--field", help="cedar_bend, heron_flat or mill_race")] = "cedar_bend",
) -> None:
    """Copy, then do what ``vrn build`` does."""
    from vrn.many.shipping import copy_demo
    from vrn.words import UnitFormat

    field_file = copy_demo(field, folder)
    tell(UnitFormat(metric=False), "console.demo-copied", folder=str(field_file.parent))
    say()
    try:
        build(field_file, out=folder / f"{field}_rx")
    finally:
        tell(UnitFormat(metric=False), "console.demo-desk", folder=str(folder))
