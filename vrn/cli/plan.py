"""``vrn plan`` and ``vrn trial``: where to pull cores in a field, and where a nitrogen trial could lie."""

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vrn.cli.app import app, leave_if_warned, progress, say, say_findings, say_json, say_table, tell
from vrn.errors import OutOfRangeError
from vrn.units import FT_M

if TYPE_CHECKING:
    from vrn.sampling.plan import Plan, PlanOptions

_HELP = """Plan where to pull cores: a route for the receiver, a form to fill in, a field sheet to print.

Works before there are samples: a boundary is enough, layers steer it. With --next, and samples in hand, the places
where one more reading is expected to move most nitrogen to where it is needed.

Example:  vrn plan demo_fields/cedar_bend/field.toml --samples 40 --out cedar_plan

Example:  vrn plan demo_fields/cedar_bend/field.toml --next 5 --out cedar_next
"""
_DESIGNS = ("balanced", "grid", "strata", "composites")
_DEPTHS = ("auto", "all", "none")


@app.command(help=_HELP)
def plan(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    out: Annotated[Path | None, typer.Option("--out", help="folder; plan beside the field file when not given")] = None,
    next_: Annotated[
        int | None, typer.Option("--next", metavar="N", min=1, help="the N readings that bring most")
    ] = None,
    samples: Annotated[int | None, typer.Option(min=1, max=500, help="samples; worked out when not given")] = None,
    design: Annotated[str, typer.Option(help="balanced, grid, strata or composites")] = "balanced",
    cv_pct: Annotated[float | None, typer.Option("--cv", min=1, max=300, help="variation within the field, %")] = None,
    error_pct: Annotated[float, typer.Option("--within", min=1, max=200, help="wanted error of the mean, ± %")] = 20.0,
    confidence: Annotated[float, typer.Option("--sure", min=0.5, max=0.999, help="confidence of that error")] = 0.95,
    cores: Annotated[
        int | None, typer.Option(min=1, max=100, help="cores in each sample; by placement: 16, 24 beside bands")
    ] = None,
    edge: Annotated[
        str | None, typer.Option(help="kept from the boundary, as 60ft or 18m; a swath if not given")
    ] = None,
    keep_off: Annotated[str, typer.Option(help="kept from no-apply ground")] = "30ft",
    avoid: Annotated[list[Path] | None, typer.Option(help="file of odd spots or known bands; repeat it")] = None,
    avoid_by: Annotated[str, typer.Option(help="distance kept from them")] = "15ft",
    pairs: Annotated[int | None, typer.Option(min=0, max=50, help="samples close to others; 5 from 15 on")] = None,
    second_foot: Annotated[str, typer.Option(help="auto, all or none")] = "auto",
    strata: Annotated[int, typer.Option(min=2, max=12, help="most strata")] = 4,
    most_ac: Annotated[float, typer.Option(min=1, max=100, help="largest area of a composite, ac")] = 20.0,
    start: Annotated[str | None, typer.Option(help="where you come in: latitude,longitude")] = None,
    seed: Annotated[int | None, typer.Option(min=0, help="draw another plan")] = None,
    json_: Annotated[bool, typer.Option("--json", help="for a machine; the files are written too")] = False,
) -> None:
    """Plan, write, and say what comes next."""
    from vrn.sampling.plan import PlanOptions

    options = PlanOptions(
        samples=samples, design=_one_of("--design", design, _DESIGNS), cv_pct=cv_pct, error_pct=error_pct,  # type: ignore[arg-type]
        confidence=confidence, cores=cores, edge_ft=None if edge is None else _feet("--edge", edge),
        keep_off_ft=_feet("--keep-off", keep_off), pairs=pairs, strata=strata, most_ac=most_ac, seed=seed,
        second_foot=_one_of("--second-foot", second_foot, _DEPTHS), start_lonlat=_place(start),  # type: ignore[arg-type]
    )  # fmt: skip
    made = _made(field_file, options, next_, tuple(avoid or ()), _feet("--avoid-by", avoid_by))
    folder = out or field_file.parent / ("plan" if next_ is None else "plan_next")
    written: tuple[Path, ...] = ()
    if made.places:
        from vrn.pipeline.reading import write_planned

        written = write_planned(made, folder)
    if json_:
        from vrn.files.plan import plan_to_plain

        say_json({**plan_to_plain(made), "files": [str(path) for path in written]})
    else:
        _say_plan(made)
        if written:
            _say_written(made, written, field_file)
    leave_if_warned(made.findings)


def _made(
    field_file: Path, options: "PlanOptions", count: int | None, avoid: tuple[Path, ...], avoid_by_ft: float
) -> "Plan":
    with progress() as step:
        from vrn.ingest.read import read_avoided, read_ground
        from vrn.sampling.make_plan import plan_next, plan_samples

        if count is None:
            field = read_ground(field_file)
            avoided, found = read_avoided(avoid, field, keep_off_ft=avoid_by_ft)
            made = plan_samples(field, options, avoid=avoided)
            return replace(made, findings=(*found, *made.findings))
        from vrn.ingest import read_field
        from vrn.pipeline import build

        field = read_field(field_file)
        avoided, found = read_avoided(avoid, field, keep_off_ft=avoid_by_ft)
        made = plan_next(build(field, progress=step), count, options, avoid=avoided)
        return replace(made, findings=(*found, *made.findings))


def _one_of(option: str, value: str, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        problem = f"{option} is {value}."
        raise OutOfRangeError(problem, f"Give one of {', '.join(allowed)}.")
    return value


def _feet(option: str, text: str) -> float:
    """``60ft``, ``60`` or ``18m`` in feet."""
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(ft|m)?\s*", text)
    if found is None or float(found[1]) > 2000:
        problem = f"{option} is {text}."
        raise OutOfRangeError(problem, "Give a distance as 60ft or 18m.")
    return float(found[1]) / FT_M if found[2] == "m" else float(found[1])


def _place(text: str | None) -> tuple[float, float] | None:
    """``latitude,longitude`` as longitude, latitude."""
    if text is None:
        return None
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        latitude = longitude = float("nan")
    if not (abs(latitude) <= 90 and abs(longitude) <= 180):
        problem = f"--start is {text}."
        raise OutOfRangeError(problem, "Give latitude,longitude in degrees, as 42.3107,-94.6204.")
    return longitude, latitude


def _say_plan(made: "Plan") -> None:
    from vrn.files.plan_words import depth_texts, place_note, plan_facts, second_foot_text, size_text
    from vrn.words import UnitFormat, finding_texts
    from vrn.words import say as words

    shown = UnitFormat.of(made.settings.units)
    say(f"{made.field.name}. {plan_facts(made, shown)}.")
    say(size_text(made, shown))
    if made.next is None:
        say()
        samples, error, more = (words(shown, f"plan.curve-{name}") for name in ("samples", "error", "more"))
        say(f"{samples:>9}  {error:>24}  {more}")
        for step in made.curve:
            say(f"{step.samples:>9}  {step.error_pct:>24.0f}  {step.ten_more_pct:.1f}")
    elif made.places:
        say()
        first, _ = depth_texts(made)
        for place in made.places:
            depths = words(shown, "plan.both-depths") if place.second_foot else first
            say(f"  {place.name}  {place_note(place, shown)}; {depths}")
    if made.places:
        say()
        say(second_foot_text(made, shown))
    say_findings(finding_texts(shown, made.findings))


def _say_written(made: "Plan", written: tuple[Path, ...], field_file: Path) -> None:
    """Files, and what to do with them."""
    from vrn.words import UnitFormat

    shown = UnitFormat.of(made.settings.units)
    form = next(path for path in written if path.suffix == ".csv")
    samples = made.settings.samples.file
    say()
    for path in written:
        tell(shown, "plan.wrote", path=str(path))
    say()
    if made.next is not None:
        tell(shown, "plan.then-add", form=str(form), samples=samples, field=str(field_file))
        return
    tell(shown, "plan.then-fill-in", form=form.name, samples=samples, field=field_file.name)
    if made.areas:
        areas = _shown(next(path for path in written if path.name == "areas.geojson"), field_file)
        tell(shown, "plan.then-areas", field=field_file.name, areas=areas)
    tell(shown, "plan.then-check", field=str(field_file))


def _shown(path: Path, field_file: Path) -> str:
    """A path as the field file would name it."""
    import os

    return Path(os.path.relpath(path, field_file.resolve().parent)).as_posix()


_TRIAL_HELP = """Say where a nitrogen trial could lie, what it costs and is expected to bring, or why none is laid.

Nothing is written. With [trial] in the field file, vrn build lays the blocks into the pass. Exit status 1 when no
block fits, or fewer than were asked for.

Example:  vrn trial demo_fields/cedar_bend/field.toml
"""


@app.command(help=_TRIAL_HELP)
def trial(
    field_file: Annotated[Path, typer.Argument(metavar="FIELD.toml", help="the field file")],
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Build without writing, with the trial that the field file asks for or the usual one, and print it."""
    with progress() as step:
        from vrn.ingest import read_field
        from vrn.pipeline.reading import trial_of_field

        field = read_field(field_file)
        built, smallest, findings = trial_of_field(field, progress=step)
    found, strips = built.trial, None if smallest is None else smallest.trial
    assert found is not None
    from vrn.findings import Quantity
    from vrn.words import UnitFormat, finding_texts, findings_json

    shown = UnitFormat.of(field.settings.units)
    if json_:
        from vrn.files.summary import trial_of

        smallest_of = {"strips": trial_of(strips)} if strips is not None and strips.blocks else {}
        say_json(trial_of(found) | smallest_of | {"findings": findings_json(shown, findings)})
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
        if found.blocks and field.settings.trial is None:
            tell(shown, "console.trial-lay")
        if strips is not None and strips.cost_usd:
            tell(shown, "console.trial-strips-cost", cost=Quantity("money", strips.cost_usd))
        elif strips is not None and strips.blocks:
            tell(shown, "console.trial-strips")
    leave_if_warned(findings)
