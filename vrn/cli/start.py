"""``vrn start`` and ``vrn desk``: a new field folder, and all of them in the browser."""

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import FINDINGS, app, say, say_findings, say_json, tell

if TYPE_CHECKING:
    from vrn.ingest.settle import Given
    from vrn.ingest.start_from import Start
    from vrn.words import UnitFormat

_HELP = """Make a new field folder: a commented field.toml and a form for the samples.

With --from, from the files you have, in any order: outline, samples, harvest log, organic matter, weather. They are
copied, the field file says what each one is, and what is left is listed as questions (exit status 1).
With --boundary, a first sampling plan too. Nothing that is there is overwritten.

Example:  vrn start ash_hill_3

Example:  vrn start ash_hill_3 --from lab.xlsx north40.kml harvest_2025.csv --yield-goal 210 --stage V7

Example:  vrn start cedar_bend_2027 --boundary demo_fields/cedar_bend/boundary.geojson
"""


@app.command(help=_HELP)
def start(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="the folder to make")],
    more: Annotated[list[Path] | None, typer.Argument(metavar="[FILE]...", help="more files of --from")] = None,
    from_: Annotated[
        list[Path] | None, typer.Option("--from", metavar="FILE...", help="files you have; what each is, is found out")
    ] = None,
    season: Annotated[int | None, typer.Option("--season", help="year of harvest; this year when not given")] = None,
    metric: Annotated[bool, typer.Option("--metric", help="kilograms, hectares, tonnes and centimetres")] = False,
    boundary: Annotated[
        Path | None, typer.Option("--boundary", help="outline of the field; plans the sampling")
    ] = None,
    yield_goal: Annotated[float | None, typer.Option("--yield-goal", help="bu/ac (t/ha with --metric)")] = None,
    stage: Annotated[str | None, typer.Option("--stage", help="leaf collars on the sampling day, as V7")] = None,
    organic_matter: Annotated[float | None, typer.Option("--om", help="organic matter of the field [%]")] = None,
    product: Annotated[str | None, typer.Option("--product", help='product to apply, as "UAN 32"')] = None,
    json_: Annotated[bool, typer.Option("--json", help="with --from: roles and questions for a machine")] = False,
) -> None:
    """Write the files and say what comes next."""
    from vrn.ingest.settle import Given

    given = Given(yield_goal=yield_goal, stage=stage, organic_matter_pct=organic_matter, product=product)
    if from_:
        if boundary is not None:
            from_ = [*from_, boundary]
        _start_from((*from_, *(more or [])), folder, season, given, metric=metric or None, json_=json_)
        return
    if more or json_ or given != Given():
        message = "give the files with --from FILE..., and --yield-goal, --stage, --om, --product, --json only with it."
        raise typer.BadParameter(message)
    _empty_folder(folder, season, boundary, metric=metric)


def _empty_folder(folder: Path, season: int | None, boundary: Path | None, *, metric: bool) -> None:
    """A field file to fill in from top to bottom."""
    from vrn.files.staging import write_new_folder
    from vrn.ingest.new_field import boundary_to_copy, new_field_files, with_id
    from vrn.words import UnitFormat

    shown = UnitFormat(metric=metric)
    year = season if season is not None else date.today().year
    field_file = folder / "field.toml"
    copied = {} if boundary is None else dict([boundary_to_copy(boundary)])
    name = next(iter(copied), "boundary.geojson")
    files = new_field_files(year, metric=metric, boundary=name)
    for path in write_new_folder(folder, {**files, "field.toml": with_id(files["field.toml"]), **copied}):
        tell(shown, "start.wrote", path=str(path))
    say()
    if copied:
        _first_plan(field_file)
    else:
        tell(shown, "start.boundary-first", file=str(field_file))
    say()
    tell(shown, "start.samples-next", file=str(field_file))


def _start_from(
    paths: tuple[Path, ...], folder: Path, season: int | None, given: "Given", *, metric: bool | None, json_: bool
) -> None:
    """Look at the files, write the folder, list what is left, and end with status 1 when anything is."""
    from vrn.files.staging import write_new_folder
    from vrn.ingest.new_field import with_id
    from vrn.ingest.start_from import start_from
    from vrn.words import UnitFormat

    made = start_from(paths, folder.resolve().name or "field", season=season, metric=metric, given=given)
    shown = UnitFormat(metric=made.metric)
    written = write_new_folder(folder, {**made.files, "field.toml": with_id(str(made.files["field.toml"]))})
    if json_:
        say_json(_plain(made, shown, written))
    else:
        _say(made, shown, folder / "field.toml", written)
    if made.questions:
        raise typer.Exit(FINDINGS)


def _plain(made: "Start", shown: "UnitFormat", written: tuple[Path, ...]) -> dict[str, object]:
    """Roles, questions and what was assumed, in plain values."""
    from vrn.words import finding_texts, findings_json

    texts = finding_texts(shown, [question.finding for question in made.questions])
    return {
        "written": [str(path) for path in written],
        "roles": [{"file": look.name, "role": look.role, "columns": look.columns} for look in made.looks],
        "questions": [
            {"code": text.code, "about": text.about, "problem": text.problem, "remedy": text.remedy,
             "section": question.section, "line": question.line or text.paste, "needed": question.needed}
            for question, text in zip(made.questions, texts, strict=True)
        ],
        "assumed": findings_json(shown, made.notes),
    }  # fmt: skip


def _say(made: "Start", shown: "UnitFormat", field_file: Path, written: tuple[Path, ...]) -> None:
    """What each file is, what was assumed, and the questions, those a build waits for first."""
    from vrn.words import finding_texts

    for path in written:
        tell(shown, "start.wrote", path=str(path))
    say()
    for look in made.looks:
        tell(shown, f"start.role-{look.role}", file=look.name)
        column = look.columns.get("nitrate_ppm") or look.columns.get("column")
        if column is not None:
            tell(shown, "start.role-column", column=column)
    say_findings(finding_texts(shown, made.notes))
    say()
    if not made.questions:
        tell(shown, "start.none-left", file=str(field_file))
        return
    tell(shown, "start.left", questions=len(made.questions), file=str(field_file))
    for question, text in zip(
        made.questions, finding_texts(shown, [one.finding for one in made.questions]), strict=True
    ):
        say(f"{'!' if question.needed else '?'} {text.place}: {text.problem} {text.remedy}")
        if text.paste:
            say(f"    {text.paste}")
    say()
    tell(shown, "start.next", file=str(field_file))


def _first_plan(field_file: Path) -> None:
    """Plan the sampling from the boundary alone."""
    from vrn.files.plan_words import plan_facts
    from vrn.ingest.read import read_ground
    from vrn.pipeline.reading import write_planned
    from vrn.sampling.make_plan import plan_samples
    from vrn.words import UnitFormat

    made = plan_samples(read_ground(field_file))
    shown = UnitFormat.of(made.settings.units)
    for path in write_planned(made, field_file.parent / "plan"):
        tell(shown, "start.wrote", path=str(path))
    say()
    samples = str(field_file.parent / "samples.csv")
    tell(shown, "start.first-plan", facts=plan_facts(made, shown), samples=samples, file=str(field_file))


_DESK_HELP = """Open the whole job in your browser, from this computer, with no network and no account.

FOLDER holds a folder for each field, as vrn start makes them. Close it with Ctrl-C: everything is in the files.

Example:  vrn desk my_farm
"""


@app.command(help=_DESK_HELP)
def desk(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="folder that holds the fields' folders")] = Path(),
    port: Annotated[int, typer.Option("--port", min=0, max=65535, help="0 takes a free one")] = 0,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="open the browser")] = True,
    lan: Annotated[
        bool, typer.Option("--lan", help="also for a phone on your network: it may read the plan and add readings")
    ] = False,
) -> None:
    """Print the address, open it, and serve until Ctrl-C."""
    from vrn.desk.app import open_desk

    with open_desk(folder, port=port, lan=lan) as opened:
        from vrn.words import UnitFormat

        say(opened.address)
        shown = UnitFormat(metric=False)
        if opened.phone_address:
            tell(shown, "desk.lan-warning")
            say(opened.phone_code)
            say(opened.phone_address)
        tell(shown, "desk.close-with")
        import sys

        sys.stdout.flush()
        if browser:
            import webbrowser

            webbrowser.open(opened.address)
        opened.serve()
