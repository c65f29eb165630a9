"""The field file and everything it names, read, checked and brought into one projected system."""

from dataclasses import replace
from pathlib import Path

from vrn.ingest.field_file import read_settings
from vrn.ingest.intake import Intake, Source
from vrn.ingest.layers import read_layers
from vrn.ingest.outline import read_boundary, read_no_apply
from vrn.ingest.samples import read_samples
from vrn.ingest.suspicions import inside_only, look_at_samples
from vrn.ingest.trial import read_trial
from vrn.ingest.weather import read_normals, read_weather
from vrn.model.field import Field
from vrn.model.layers import PolygonLayer
from vrn.model.settings import Settings


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
    intake = Intake(path.resolve().parent, metric=settings.units == "metric")
    for own, key in ((path, "field file"), *(((Path(review), "review"),) if review is not None else ())):
        intake.record(Source(path=own.resolve(), name=own.name, key=key))
    return read_all(settings, intake)


def read_all(settings: Settings, intake: Intake) -> Field:
    """Everything that checked settings name."""
    crs, boundary = read_boundary(intake, settings.header)
    no_apply = read_no_apply(intake, settings.header.no_apply, boundary, crs)
    samples = inside_only(intake, read_samples(intake, settings.samples, crs), boundary)
    samples = look_at_samples(intake, samples, settings)
    layers = read_layers(intake, settings, boundary, crs)
    weather, normals = read_weather(intake, settings), read_normals(intake, settings)
    trial = read_trial(intake, settings.nitrogen.response_trial)
    zones = layers.pop("zones", None)
    _what_is_missing(intake, settings)
    return Field(
        settings=_with_bushels(settings), folder=intake.folder, crs=crs, boundary=boundary, no_apply=no_apply,
        samples=samples,
        organic_matter=layers.pop("organic_matter", None), yield_potential=layers.pop("yield_potential", None),
        applied_n=layers.pop("applied_n", None), zones=zones if isinstance(zones, PolygonLayer) else None,
        weather=weather, normals=normals, trial=trial,
        extra_layers={key.removeprefix("extra."): layer for key, layer in layers.items() if layer is not None},
        findings=tuple(intake.findings), inputs=dict(sorted(intake.inputs.items())),
    )  # fmt: skip


def _with_bushels(settings: Settings) -> Settings:
    """Settings once a yield potential in t/ha was read: the layer is in bu/ac, and says so."""
    potential = settings.layers.yield_potential
    if potential is None or potential.kind != "t_ha":
        return settings
    return replace(settings, layers=replace(settings.layers, yield_potential=replace(potential, kind="bu_ac")))


def _what_is_missing(intake: Intake, settings: Settings) -> None:
    """Keys left out that change the answer."""
    crop = settings.crop
    if crop.growth_stage is None:
        if crop.planting_date is None or settings.weather is None:
            intake.warn("crop.growth_stage", "The leaf stage on the sampling date is not given.",
                        'Count leaf collars and set growth_stage; or give planting_date and [weather].')  # fmt: skip
        else:
            intake.note("crop.growth_stage", "Not given; it is reckoned from planting_date and the weather.",
                        "Count leaf collars in the field to be sure.")  # fmt: skip
    if settings.layers.organic_matter is None:
        intake.warn("layers.organic_matter", "Not given; no nitrogen from organic matter can be counted.",
                    "Give a file, or value_pct.")  # fmt: skip
    if settings.layers.yield_potential is None:
        intake.note(
            "layers.yield_potential", "Not given; the yield goal is the same everywhere.", "Give a layer if it varies."
        )
