"""The ground of a field before it is sampled: what a field file can say when half of it is still to be filled in."""

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.ingest.field_file import load_toml, settings_from
from vrn.ingest.intake import Intake, Source
from vrn.ingest.layers import read_layers
from vrn.ingest.outline import read_boundary, read_no_apply
from vrn.ingest.samples import read_samples
from vrn.ingest.suspicions import inside_only
from vrn.ingest.weather import read_weather
from vrn.model.field import Field
from vrn.model.layers import PolygonLayer
from vrn.model.samples import SoilSamples
from vrn.model.settings import NoApply, Settings

_ANY_GOAL = {"us": ("yield_goal_bu_ac", 200.0), "metric": ("yield_goal_t_ha", 12.0)}  # asked for later, not used here


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
    intake = Intake(path.resolve().parent)
    intake.record(Source(path=path.resolve(), name=path.name, key="field file"))
    crs, boundary = read_boundary(intake, settings.header)
    no_apply = read_no_apply(intake, settings.header.no_apply, boundary, crs)
    layers = read_layers(intake, settings, boundary, crs)
    zones = layers.pop("zones", None)
    return Field(
        settings=settings, folder=intake.folder, crs=crs, boundary=boundary, no_apply=no_apply,
        samples=_samples_in_hand(intake, settings, boundary, crs), organic_matter=layers.pop("organic_matter", None),
        yield_potential=layers.pop("yield_potential", None), applied_n=layers.pop("applied_n", None),
        zones=zones if isinstance(zones, PolygonLayer) else None, weather=read_weather(intake, settings),
        extra_layers={key.removeprefix("extra."): layer for key, layer in layers.items() if layer is not None},
        findings=tuple(intake.findings), inputs=dict(sorted(intake.inputs.items())),
    )  # fmt: skip


def read_avoided(files: tuple[str | Path, ...], field: Field, *, keep_off_ft: float) -> shapely.Geometry:
    """
    Odd spots and known bands in which no core should be pulled.

    Parameters
    ----------
    files : tuple of str or Path
        Vector files of polygons, lines or points; paths from where one stands, not from the field file.
    field : Field
    keep_off_ft : float
        Distance to keep from them. [ft]

    Returns
    -------
    avoided : shapely.Geometry
        In the field's system; empty without files.

    Raises
    ------
    InputFileError
        If a file cannot be used.
    """
    intake = Intake(Path.cwd())
    parts = tuple(NoApply(file=str(file), setback_ft=keep_off_ft) for file in files)
    return read_no_apply(intake, parts, field.boundary, field.crs)


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


def _samples_in_hand(intake: Intake, settings: Settings, boundary: shapely.Geometry, crs: str) -> SoilSamples:
    """Readings that are there already; none where the file is missing, empty, or not to be used yet."""
    try:
        samples = inside_only(intake, read_samples(intake, settings.samples, crs), boundary)
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
