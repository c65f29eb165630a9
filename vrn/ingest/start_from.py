"""A field folder from files that nobody has described: their names in it, the field file, and what is left open."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

from vrn.errors import InputFileError
from vrn.findings import Finding, note
from vrn.ingest.input_files import SHAPEFILE_PARTS, InputFiles
from vrn.ingest.look import Look, look_at, paired, season_of
from vrn.ingest.new_field import samples_form, settled_field_file
from vrn.ingest.settle import Given, Question, Settling


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Start:
    """
    A field folder to be written.

    Parameters
    ----------
    looks : tuple of Look
        What each file was taken as.
    questions : tuple of Question
    notes : tuple of Finding
        What was assumed.
    files : dict of str to Path or str
        By name in the folder: a file to copy, or text.
    metric : bool
    """

    looks: tuple[Look, ...]
    questions: tuple[Question, ...]
    notes: tuple[Finding, ...]
    files: dict[str, Path | str]
    metric: bool


def start_from(
    paths: tuple[Path, ...], name: str, *, season: int | None = None, metric: bool | None = None, given: Given
) -> Start:
    """
    Look at files and make a field file of them.

    Parameters
    ----------
    paths : tuple of Path
        A sheet, layer or member may stand behind a ``#``.
    name : str
        Of the field.
    season : int, optional
        By the days in the files when not given.
    metric : bool, optional
        By the units in the files when not given.
    given : Given

    Raises
    ------
    InputFileError
        If a file is not there, or none of them can be used.
    """
    copies, names = _names(paths)
    files = InputFiles(Path.cwd(), elsewhere=copies)
    looks = paired([look for one in names for look in look_at(files, one)])
    if all(look.role == "unknown" for look in looks):
        shown = " ".join(look.why or f"{look.name}: nothing says what it is for." for look in looks)
        problem = f"None of the files can be used for a field. {shown}"
        raise InputFileError(problem, "Give the outline of the field, and a table of soil samples with their places.")
    if metric is None:
        metric = sum(look.metric for look in looks) > 0 and not any(look.metric < 0 for look in looks)
    years = [year for look in looks if look.role in ("samples", "weather") and (year := season_of(look)) is not None]
    year = season if season is not None else max(years, default=date.today().year)
    made = Settling(looks, copies, name=name, season=year, metric=metric, given=given)
    notes = (
        made.notes
        if season is not None or years
        else [note("start.season-today", "field", season=str(year)), *made.notes]
    )
    text = settled_field_file(year, made.sections, metric=metric)
    form = {made.form: samples_form(metric=metric)} if made.form else {}
    return Start(
        looks=tuple(made.looks), questions=tuple(sorted(made.questions, key=lambda question: not question.needed)),
        notes=tuple(notes), files={**_used(copies, made.looks), **form, "field.toml": text}, metric=metric,
    )  # fmt: skip


def _names(paths: tuple[Path, ...]) -> tuple[dict[str, Path], list[str]]:
    """Files by their names in the new folder, kept apart where they are equal, and the names to look at."""
    copies: dict[str, Path] = {}
    names: list[str] = []
    taken = {"field.toml"}
    for path in dict.fromkeys(paths):
        base, part = path, ""
        if not path.exists() and "#" in path.name:
            file, _, part = path.name.rpartition("#")
            base = path.with_name(file)
        if base.suffix.lower() in SHAPEFILE_PARTS[1:] and base.with_suffix(".shp") in paths:
            continue
        known = next((name for name, there in copies.items() if there == base.resolve()), None)
        if known is None:
            stem, number = base.stem, 1
            while {f"{stem}{one.suffix}".casefold() for one in _parts(base)} & taken:
                number += 1
                stem = f"{base.stem}_{number}"
            known = f"{stem}{base.suffix}"
            copies |= {f"{stem}{one.suffix}": one.resolve() for one in _parts(base)}
            taken |= {name.casefold() for name in copies}
        names.append(f"{known}#{part}" if part else known)
    return copies, list(dict.fromkeys(names))


def _parts(path: Path) -> list[Path]:
    """A file; a ``.shp`` with its parts beside it."""
    if path.suffix.lower() != ".shp" or not path.parent.is_dir():
        return [path]
    beside = sorted(one for one in path.parent.iterdir() if one.stem == path.stem and one != path)
    return [path, *(one for one in beside if one.suffix.lower() in SHAPEFILE_PARTS)]


def _used(copies: dict[str, Path], looks: list[Look]) -> dict[str, Path | str]:
    """Files that could be read, and the parts of their shapefiles."""
    read = [look.name for look in looks if not look.why] + [
        look.columns[key] for look in looks for key in ("table",) if key in look.columns
    ]
    stems = {name.rpartition("#")[0] if name not in copies else name for name in read}
    shapes = {Path(name).stem for name in stems if name.lower().endswith(".shp")}
    parts = {name for name in copies if Path(name).stem in shapes and Path(name).suffix.lower() in SHAPEFILE_PARTS}
    return {name: path for name, path in copies.items() if name in stems | parts}
