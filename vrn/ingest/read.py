"""The field file and everything it names, read, checked and brought into one projected system."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.ingest.field_file import load_toml, read_settings, settings_from
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.layers import read_layers
from vrn.ingest.outline import check_inner, read_boundary, read_no_apply
from vrn.ingest.samples import read_samples
from vrn.ingest.season_tables import read_trial
from vrn.ingest.suspicions import check_samples, drop_samples_outside
from vrn.ingest.weather import read_normals, read_weather
from vrn.model.field import Field
from vrn.model.layers import PolygonLayer
from vrn.model.samples import SoilSamples
from vrn.model.settings import NoApply, Settings

_ANY_GOAL = {"us": ("yield_goal_bu_ac", 200.0), "metric": ("yield_goal_t_ha", 12.0)}  # asked for later, not used here


def read_field(path: str | Path, *, review: str | Path | None = None) -> Field:
    """
    Read one field.

    Parameters
    ----------
    path : str or Path
        Its ``field.toml``; everything it names is found relative to it.
    review : str or Path, optional
        A saved review, whose ``[review]`` goes before that of the field file.

    Returns
    -------
    field : Field
        Findings say what was assumed or noticed; ``inputs`` holds the SHA-256 of every file that was read.

    Raises
    ------
    InputFileError
        If any input cannot be used; the problem names file and row, the remedy says what to do.
    """
    path = Path(path)
    settings = read_settings(path, review=review)
    files = InputFiles(path.resolve().parent, metric=settings.units == "metric")
    for own, key in ((path, "field file"), *(((Path(review), "review"),) if review is not None else ())):
        files.record(Source(path=own.resolve(), name=own.name, key=key))
    return read_all(files, settings)


def read_ground(path: str | Path) -> Field:
    """
    Read what a sampling plan needs; lines of the field file that wait for the sampling day may be empty.

    Parameters
    ----------
    path : str or Path
        The ``field.toml``.

    Returns
    -------
    field : Field
        Without readings where there are none yet. Not to be built from: yield goal and stage may be missing.

    Raises
    ------
    InputFileError
        If the boundary, or a layer that is named, cannot be used.
    """
    path = Path(path)
    settings = settings_from(_without_blanks(load_toml(path), path), shown=path.name)
    files = InputFiles(path.resolve().parent, metric=settings.units == "metric")
    files.record(Source(path=path.resolve(), name=path.name, key="field file"))
    return read_all(files, settings, sampled=False)


def read_avoided(files: tuple[str | Path, ...], field: Field, *, keep_off_ft: float) -> shapely.Geometry:
    """
    Odd spots and known bands in which no core should be pulled, in the field's system; empty without files.

    Parameters
    ----------
    files : tuple of str or Path
        Vector files of polygons, lines or points; paths from where one stands, not from the field file.
    keep_off_ft : float
        Distance to keep from them. [ft]
    """
    parts = tuple(NoApply(file=str(file), setback_ft=keep_off_ft) for file in files)
    return read_no_apply(InputFiles(Path.cwd()), parts, field.boundary, field.crs)


def read_all(files: InputFiles, settings: Settings, *, sampled: bool = True) -> Field:
    """Everything that checked settings name; before the sampling, what is needed to plan it."""
    crs, boundary, inner = read_boundary(files, settings.header)
    no_apply = read_no_apply(files, settings.header.no_apply, boundary, crs)
    check_inner(settings.header, inner, no_apply)
    samples = (_samples if sampled else _samples_in_hand)(files, settings, boundary, crs)
    layers = read_layers(files, settings, boundary, crs)
    weather = read_weather(files, settings)
    normals = read_normals(files, settings) if sampled else None
    trial = read_trial(files, settings.nitrogen.response_trial) if sampled else None
    zones = layers.pop("zones", None)
    if sampled:
        _what_is_missing(files, settings)
    return Field(
        settings=_with_bushels(settings), folder=files.folder, crs=crs, boundary=boundary, no_apply=no_apply,
        samples=samples, organic_matter=layers.pop("organic_matter", None),
        yield_potential=layers.pop("yield_potential", None), applied_n=layers.pop("applied_n", None),
        zones=zones if isinstance(zones, PolygonLayer) else None, weather=weather, normals=normals, trial=trial,
        extra_layers={key.removeprefix("extra."): layer for key, layer in layers.items() if layer is not None},
        findings=tuple(files.findings), inputs=dict(sorted(files.inputs.items())),
    )  # fmt: skip


def _samples(files: InputFiles, settings: Settings, boundary: shapely.Geometry, crs: str) -> SoilSamples:
    samples = drop_samples_outside(files, read_samples(files, settings, crs), boundary)
    return check_samples(files, samples, settings)


def _samples_in_hand(files: InputFiles, settings: Settings, boundary: shapely.Geometry, crs: str) -> SoilSamples:
    """Readings that are there already; none where the file is missing, empty, or not to be used yet."""
    try:
        samples = drop_samples_outside(files, read_samples(files, settings, crs), boundary)
    except InputFileError:
        return _no_samples(crs, settings.samples.file)
    return samples if np.isfinite(samples.nitrate_ppm).any() else _no_samples(crs, settings.samples.file)


def _no_samples(crs: str, source: str) -> SoilSamples:
    none = np.empty(0)
    return SoilSamples(
        sample_id=(), crs=crs, coordinates_m=np.empty((0, 2)), top_in=none, bottom_in=none, nitrate_ppm=none, kind=(),
        sampled_on=(), nominal_ppm=none, below_detection=np.empty(0, dtype=bool), area_id=(), areas={},
        row=np.empty(0, dtype=np.intp), source=source,
    )  # fmt: skip


def _without_blanks(raw: dict[str, Any], path: Path) -> dict[str, Any]:
    """The field file without the lines of the form that nobody has filled in yet."""

    def table(name: str) -> dict[str, Any]:
        value = raw.get(name)
        return dict(value) if isinstance(value, dict) else {}

    field, crop, samples, layers = table("field"), table("crop"), table("samples"), table("layers")
    if not field.get("name"):
        field["name"] = path.resolve().parent.name or "field"
    goal, usual = _ANY_GOAL["metric" if raw.get("units") == "metric" else "us"]
    if not crop.get(goal):
        crop[goal] = usual
    for section, keys in ((crop, ("growth_stage",)), (samples, ("reported_as", "moisture_basis"))):
        for key in keys:
            if section.get(key) == "":
                del section[key]
    samples.setdefault("file", "samples.csv")
    organic = layers.get("organic_matter")
    if isinstance(organic, dict) and organic.get("value_pct", 0) == -1:
        del layers["organic_matter"]
    return {**raw, "field": field, "crop": crop, "samples": samples, "layers": layers}


def _with_bushels(settings: Settings) -> Settings:
    """Settings once a yield potential in t/ha was read: the layer is in bu/ac, and says so."""
    potential = settings.layers.yield_potential
    if potential is None or potential.kind != "t_ha":
        return settings
    return replace(settings, layers=replace(settings.layers, yield_potential=replace(potential, kind="bu_ac")))


def _what_is_missing(files: InputFiles, settings: Settings) -> None:
    """Keys left out that change the answer."""
    crop = settings.crop
    if crop.growth_stage is None:
        if crop.planting_date is None or settings.weather is None:
            files.warn("ingest.stage-missing", "crop.growth_stage")
        else:
            files.note("ingest.stage-estimated", "crop.growth_stage")
    if settings.layers.organic_matter is None:
        files.warn("ingest.organic-matter-missing", "layers.organic_matter")
    if settings.layers.yield_potential is None:
        files.note("ingest.yield-potential-missing", "layers.yield_potential")
