"""``vrn harvest`` and ``vrn learned``: what the trials of a field yielded, and what all of a farm's say together."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import app, leave_if_warned, say, say_findings, say_json, say_table, tell
from vrn.errors import InputFileError

if TYPE_CHECKING:
    from vrn.model.trials import Harvested
    from vrn.words import UnitFormat

_HELP = """Read the harvest of a trial: plots, the response, what it says; kept in the season book.

DIR is the folder that vrn build wrote, with a trial or check strips in it. YIELD_LOG is the harvest log, as yield
potential takes it. --applied is what the machine recorded, as vrn compare takes it; without a record, --as-planned.

Example:  vrn harvest cedar_bend_rx harvest.csv --applied TASKDATA --book season.db
"""


@app.command(help=_HELP)
def harvest(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="folder that vrn build wrote")],
    yield_log: Annotated[Path, typer.Argument(metavar="YIELD_LOG", help="harvest log")],
    applied: Annotated[
        Path | None, typer.Option("--applied", metavar="LOG", help="what the machine recorded of the pass")
    ] = None,
    book: Annotated[str | None, typer.Option("--book", metavar="BOOK", help="season book to keep the trial in")] = None,
    as_planned: Annotated[bool, typer.Option("--as-planned", help="take the plan for what was applied")] = False,
    leave_out: Annotated[
        list[str] | None,
        typer.Option("--leave-out", metavar="PLOT: REASON", help="a plot that does not count, and why"),
    ] = None,
    column: Annotated[str | None, typer.Option("--column", help="column of the dry yield")] = None,
    rate_column: Annotated[str | None, typer.Option("--rate-column", help="column of the applied rate")] = None,
    unit: Annotated[
        str | None, typer.Option("--unit", help="of that rate: gal/ac, lb/ac, lb N/ac, L/ha, kg/ha, kg N/ha")
    ] = None,
    width_ft: Annotated[
        float | None, typer.Option("--width-ft", help="width of the applicator, if its file has none")
    ] = None,
    corn_per_bu: Annotated[float | None, typer.Option(min=0.01, help="$/bu, for the rate that paid best")] = None,
    n_per_lb: Annotated[float | None, typer.Option(min=0.0, help="$/lb N, for the rate that paid best")] = None,
    out: Annotated[Path | None, typer.Option("--out", help="folder for the page (default: DIR_harvest)")] = None,
    json_: Annotated[bool, typer.Option("--json", help="print the numbers for a machine, write no page")] = False,
) -> None:
    """Read, keep, write the page, say what was found; end with 1 when a person must look."""
    from vrn.many.harvest import read_trial_harvest
    from vrn.response.loss import ANCHOR
    from vrn.words import UnitFormat, findings_json

    if (applied is None) != as_planned:
        problem = "Both --applied and --as-planned are given." if as_planned else "Nothing says what was applied."
        remedy = "Give the machine's record with --applied; --as-planned takes the plan for it, at your own risk."
        raise InputFileError(problem, remedy)
    ratio = ANCHOR if corn_per_bu is None or n_per_lb is None else n_per_lb / corn_per_bu
    found = read_trial_harvest(
        folder, yield_log, applied, leave_out=leave_out or (), column=column, rate_column=rate_column, unit=unit,
        width_ft=width_ft, price_ratio=ratio,
    )  # fmt: skip
    shown = UnitFormat.of(found.units)
    if book is not None:
        from vrn.many.book import latest
        from vrn.many.book_events import record_trials
        from vrn.many.book_tables import book_at
        from vrn.many.outcomes import key_of_folder

        kept = book_at(book)
        key = key_of_folder(folder, found.field, latest(kept, built=True, retired=True)) if kept.exists() else ""
        record_trials(kept, key, *found.trials)
    if json_:
        say_json(_plain(found) | {"findings": findings_json(shown, (*found.says, *found.findings))})
    else:
        from vrn.pages.compared import write_harvest

        absolute = folder.resolve()
        written = write_harvest(found, out if out is not None else absolute.with_name(f"{absolute.name}_harvest"))
        _say_harvest(found, shown)
        if book is not None:
            tell(shown, "season.harvest-kept", trials=len(found.trials), book=str(book_at(book)))
        tell(shown, "season.written", path=str(written / "harvest.html"))
    leave_if_warned(found.findings)


def _plain(found: "Harvested") -> dict[str, object]:
    from dataclasses import asdict

    names = ("budget_top_lb_ac", "top_lb_ac", "top_low_lb_ac", "top_high_lb_ac")
    trials = [
        asdict(trial) | dict(zip(names, numbers, strict=True)) | {"says": says.code}
        for trial, numbers, says in zip(found.trials, found.tops, found.says, strict=True)
    ]
    return {"field": found.field, "season": found.season, "trials": trials}


def _say_harvest(found: "Harvested", shown: "UnitFormat") -> None:
    from vrn.pages.compared import against_rows, plot_rows
    from vrn.words import finding_texts

    tell(shown, "season.harvest-title", field=found.field, season=str(found.season))
    say()
    say_table(plot_rows(found, shown), left=2)
    say()
    say_table(against_rows(found, shown), left=1)
    say()
    say_findings(finding_texts(shown, (*found.says, *found.findings)))


_LEARNED_HELP = """Tell what all trials of a season book say together: level, worth of supplies, shape, spread.

--without leaves a trial out and shows what that changes.

Example:  vrn learned season.db --without "North 40 2025 block 2"
"""


@app.command(help=_LEARNED_HELP)
def learned(
    book: Annotated[str, typer.Argument(metavar="BOOK", help="the season book")],
    without: Annotated[
        list[str] | None, typer.Option("--without", metavar="TRIAL", help="leave a trial out, by its name")
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Read the trials, put them together, tell each beside what was expected."""
    from vrn.many.book_tables import book_at
    from vrn.many.questions import trials_of
    from vrn.pages.tables import learned_lines, learned_rows
    from vrn.pipeline.learning import learned_in
    from vrn.words import UnitFormat

    shown = UnitFormat(metric=False)
    trials = trials_of(book_at(book))
    whole, rows = learned_in(trials)
    if whole is None:
        tell(shown, "season.learned-none", book=str(book_at(book)))
        return
    fewer = learned_in(trials, without=tuple(without))[0] if without else None
    if json_:
        from dataclasses import asdict

        say_json(
            {"learned": asdict(whole), "without": fewer and asdict(fewer), "trials": [asdict(row) for row in rows]}
        )
        return
    for line in learned_lines(whole, rows, shown):
        say(line)
    say()
    tell(shown, "season.learned-tops")
    say_table(learned_rows(rows, shown), left=1)
    if without and fewer is not None:
        from vrn.findings import Quantity

        mean, low, high = (Quantity("rate", value) for value in fewer.level)
        tell(shown, "season.learned-without", trial=", ".join(without), mean=mean, low=low, high=high)
