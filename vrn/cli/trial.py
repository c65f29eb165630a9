"""``vrn trial``: where a nitrogen trial could lie in a field, what it costs and is expected to bring, or why none."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from vrn.cli.app import app, leave_if_warned, progress, say, say_findings, say_json, say_table, tell

_HELP = """Say where a nitrogen trial could lie, what it costs and is expected to bring, or why none is laid.

Nothing is written. With [trial] in the field file, vrn build lays the blocks into the pass. Exit status 1 when no
block fits, or fewer than were asked for.

Example:  vrn trial demo_fields/cedar_bend/field.toml
"""


@app.command(help=_HELP)
def trial(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Build without writing, with the trial that the field file asks for or the usual one, and print it."""
    with progress() as step:
        from vrn.ingest import read_field
        from vrn.model.job import TrialSection
        from vrn.pipeline import build

        field = read_field(field_file)
        asked = field.settings.trial
        settings = replace(field.settings, trial=asked or TrialSection(), check_strips=None)
        built = build(replace(field, settings=settings), progress=step)
    found = built.trial
    assert found is not None
    zones = {plot.zone for plot in found.plots}
    machine = [one for one in built.findings if one.code.startswith("rates.machine-")]
    findings = [*found.findings, *(one for one in machine if one.quantities["zone"].value in zones)]
    from vrn.words import UnitFormat, finding_texts, findings_json

    shown = UnitFormat.of(field.settings.units)
    if json_:
        from vrn.files.summary import trial_of

        say_json(trial_of(found) | {"findings": findings_json(shown, findings)})
    else:
        from vrn.pages.report_machine import trial_lines, trial_table

        if found.blocks:
            table = trial_table(found, shown)
            say(table.caption)
            say()
            say_table([table.header, *table.rows], left=0)
            say()
            for line in trial_lines(found, shown):
                say(line)
        say_findings(finding_texts(shown, findings))
        if found.blocks and asked is None:
            tell(shown, "console.trial-lay")
    leave_if_warned(findings)
