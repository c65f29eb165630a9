"""``vrn start``: a new field folder with a commented field file."""

from datetime import date
from pathlib import Path
from typing import Annotated

import typer

from vrn.cli.app import app, say, tell

_HELP = """Make a new field folder: a commented field.toml and a form for the samples.

With a boundary, a copy of it too and a first sampling plan. Nothing that is there is overwritten.

Example:  vrn start ash_hill_3

Example:  vrn start cedar_bend_2027 --boundary demo_fields/cedar_bend/boundary.geojson
"""


@app.command(help=_HELP)
def start(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="the folder to make")],
    season: Annotated[int | None, typer.Option("--season", help="year of harvest; this year when not given")] = None,
    metric: Annotated[bool, typer.Option("--metric", help="kilograms, hectares, tonnes and centimetres")] = False,
    boundary: Annotated[
        Path | None, typer.Option("--boundary", help="outline of the field; plans the sampling")
    ] = None,
) -> None:
    """Write the files and say what comes next."""
    from vrn.files.staging import write_new_folder
    from vrn.ingest.new_field import boundary_to_copy, new_field_files
    from vrn.words import UnitFormat

    shown = UnitFormat(metric=metric)
    year = season if season is not None else date.today().year
    field_file = folder / "field.toml"
    copied = {} if boundary is None else dict([boundary_to_copy(boundary)])
    name = next(iter(copied), "boundary.geojson")
    for path in write_new_folder(folder, {**new_field_files(year, metric=metric, boundary=name), **copied}):
        tell(shown, "ingest.start-wrote", path=str(path))
    say()
    if copied:
        _first_plan(field_file)
    else:
        tell(shown, "ingest.start-boundary", file=str(field_file))
    say()
    tell(shown, "ingest.start-next", file=str(field_file))


def _first_plan(field_file: Path) -> None:
    """Plan the sampling from the boundary alone."""
    from vrn.files.plan import write_plan
    from vrn.files.plan_words import plan_facts
    from vrn.ingest.read import read_ground
    from vrn.pages.plan_sheet import field_sheet
    from vrn.sampling.make_plan import plan_samples
    from vrn.words import UnitFormat

    made = plan_samples(read_ground(field_file))
    shown = UnitFormat.of(made.settings.units)
    for path in write_plan(made, field_file.parent / "plan", sheet=field_sheet(made)):
        tell(shown, "ingest.start-wrote", path=str(path))
    say()
    samples = str(field_file.parent / "samples.csv")
    tell(shown, "ingest.start-first-plan", facts=plan_facts(made, shown), samples=samples, file=str(field_file))
