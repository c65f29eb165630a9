"""The field file and all it names, on disk or as frames in memory, read, checked, in one projected system."""

import gc
import hashlib
import json
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity
from vrn.ingest.field_file import load_toml, read_settings, settings_from
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.layers import read_layers
from vrn.ingest.outline import check_inner, read_boundary, read_lines, read_no_apply
from vrn.ingest.pictures import read_logo, read_photo
from vrn.ingest.ranges import judge_stated
from vrn.ingest.samples import read_samples
from vrn.ingest.season_tables import read_learning, read_trial
from vrn.ingest.suspicions import check_samples, drop_left_out, drop_samples_outside
from vrn.ingest.weather import read_normals, read_weather
from vrn.model.field import Field
from vrn.model.layers import PointLayer, PolygonLayer, RasterLayer
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
    raw = load_toml(path)
    settings = settings_from(_without_blanks(raw, path), shown=path.name)
    files = InputFiles(path.resolve().parent, metric=settings.units == "metric")
    files.record(Source(path=path.resolve(), name=path.name, key="field file"))
    crop = raw.get("crop")
    if not (isinstance(crop, dict) and any(crop.get(key) for key, _ in _ANY_GOAL.values())):
        files.note("ingest.goal-missing", "crop.yield_goal_bu_ac")
    return read_all(files, settings, sampled=False)


def read_avoided(
    files: tuple[str | Path, ...], field: Field, *, keep_off_ft: float
) -> tuple[shapely.Geometry, tuple[Finding, ...]]:
    """
    Odd spots and known bands in which no core should be pulled, in the field's system; empty without files.

    With what their reading found.

    Parameters
    ----------
    files : tuple of str or Path
        Vector files of polygons, lines or points; paths from where one stands, not from the field file.
    keep_off_ft : float
        Distance to keep from them. [ft]
    """
    parts = tuple(NoApply(file=str(file), setback_ft=keep_off_ft) for file in files)
    reading = InputFiles(Path.cwd())
    return read_no_apply(reading, parts, field.boundary, field.crs, avoided=True), tuple(reading.findings)


def read_all(files: InputFiles, settings: Settings, *, sampled: bool = True) -> Field:
    """Everything that checked settings name; before the sampling, what is needed to plan it."""
    collecting = gc.isenabled()
    gc.disable()  # it would walk through all cells of a long table again and again while they become more
    try:
        return _read_all(files, settings, sampled)
    finally:
        if collecting:
            gc.enable()


def _read_all(files: InputFiles, settings: Settings, sampled: bool) -> Field:
    crs, boundary, inner = read_boundary(files, settings.header)
    no_apply = read_no_apply(files, settings.header.no_apply, boundary, crs)
    check_inner(settings.header, inner, no_apply)
    lines = read_lines(files, settings, boundary, crs)
    samples = (_samples if sampled else _samples_in_hand)(files, settings, boundary, crs)
    layers = read_layers(files, settings, boundary, crs)
    weather = read_weather(files, settings)
    pulled = [day for day in samples.sampled_on if day is not None]
    if weather is not None and pulled and (max(pulled) - weather.days[-1]).days > _DAYS_UNSEEN:
        about = "weather.file"
        files.warn("weather.ends-before-sampling", about, last=weather.days[-1], sampled=max(pulled))
    normals = read_normals(files, settings) if sampled else None
    trial = read_trial(files, settings.nitrogen) if sampled else None
    learning, past = read_learning(files, settings.learning, settings.header.season)
    settings = replace(settings, learning=learning)
    _said_and_mapped(files, settings, layers.get("applied_n"))
    zones = layers.pop("zones", None)
    if sampled:
        _what_is_missing(files, settings)
        judge_stated(files, settings)
        _yield_and_goal(files, settings, layers.get("yield_potential"))
    return Field(
        settings=_with_bushels(settings), folder=files.folder, crs=crs, boundary=boundary, no_apply=no_apply,
        lines=lines,
        samples=samples, organic_matter=layers.pop("organic_matter", None),
        yield_potential=layers.pop("yield_potential", None), applied_n=layers.pop("applied_n", None),
        zones=zones if isinstance(zones, PolygonLayer) else None, weather=weather, normals=normals, trial=trial,
        past_trials=past,
        extra_layers={key.removeprefix("extra."): layer for key, layer in layers.items() if layer is not None},
        photo=read_photo(files, settings.export.photo, boundary, crs) if settings.export.photo else None,
        logo_png=read_logo(files, settings.farm.logo) if settings.farm.logo else b"",
        findings=tuple(files.findings), inputs=dict(sorted(files.inputs.items())),
        input_keys=files.input_keys,
    )  # fmt: skip


def _said_and_mapped(files: InputFiles, settings: Settings, applied: object) -> None:
    """Ask about a map of nitrogen that is down where the field file says that none is."""
    if settings.applications != () or not isinstance(applied, (PointLayer, PolygonLayer, RasterLayer)):
        return
    most = float(np.nanmax(applied.values, initial=0.0))
    if most > 0:
        files.warn("ingest.none-and-a-map", "layers.applied_n", most=Quantity("rate", most))


def _yield_and_goal(files: InputFiles, settings: Settings, layer: object) -> None:
    """Ask about yields that are far from the stated goal, which they stand for where they are known."""
    section = settings.layers.yield_potential
    if section is None or section.kind not in ("bu_ac", "t_ha"):
        return
    if isinstance(layer, (PointLayer, PolygonLayer, RasterLayer)) and np.isfinite(layer.values).any():
        middle, goal = float(np.nanmedian(layer.values)), settings.crop.yield_goal_bu_ac
        if not _NEAR_GOAL[0] <= middle / goal <= _NEAR_GOAL[1]:
            files.warn("ingest.yield-unlike-goal", "layers.yield_potential", middle=Quantity("yield", middle),
                       goal=Quantity("yield", goal))  # fmt: skip


def _samples(files: InputFiles, settings: Settings, boundary: shapely.Geometry, crs: str) -> SoilSamples:
    samples = drop_left_out(files, read_samples(files, settings, crs), settings.samples.leave_out)
    return check_samples(files, drop_samples_outside(files, samples, boundary), settings)


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
    if settings.applications == () and settings.credits.manure > 0:
        files.warn("samples.none-and-manure", "credits.manure", credit=Quantity("rate", settings.credits.manure))
    if settings.layers.yield_potential is None:
        files.note("ingest.yield-potential-missing", "layers.yield_potential")


_SHOWN = "Field.from_frames"
_DAYS_UNSEEN = 3  # from the last day of weather to the last core: common practice, no source
_NEAR_GOAL = 0.6, 1.5  # yields of a layer, in parts of the goal: common practice, no source


class _Frames(InputFiles):
    """Files of one reading, some of them in memory only."""

    def __init__(self, held: Mapping[str, tuple[str, bytes]], *, metric: bool) -> None:
        super().__init__(Path.cwd(), metric=metric)
        self._held = held

    def source(self, name: str, key: str) -> Source:
        """The frame that goes by this name, else the file that does."""
        if name not in self._held:
            return super().source(name, key)
        ending, data = self._held[name]
        self.hashed(name, data, key)
        return Source(path=self.folder / name, name=name, key=key, data=data, inner=f"{name}{ending}")

    def hashed(self, name: str, data: bytes, key: str) -> None:
        """Remember the hash of what was read."""
        self.inputs[name], self.input_keys[name] = hashlib.sha256(data).hexdigest(), key


def field_from_tables(tables: Mapping[str, Any]) -> Field:
    """
    Read a field whose files may be frames.

    Parameters
    ----------
    tables : mapping
        The tables of a field file; where it names a file, a GeoDataFrame or DataFrame may stand. Paths are relative to
        the working folder.

    Returns
    -------
    field : Field
        ``inputs`` holds the SHA-256 of each frame's content and of the settings.

    Raises
    ------
    InputFileError
        As `read_field` does, and if a frame has no coordinate system.
    """
    held: dict[str, tuple[str, bytes]] = {}
    raw = _without_frames(dict(tables), "", held)
    settings = settings_from(raw, shown=_SHOWN)
    files = _Frames(held, metric=settings.units == "metric")
    files.hashed("settings", json.dumps(raw, sort_keys=True, default=str).encode(), "field file")
    return read_all(files, settings)


def _without_frames(value: Any, key: str, held: dict[str, tuple[str, bytes]]) -> Any:
    """The same with the name of each frame in its place; numbers as Python has them, nothing for None."""
    if isinstance(value, Mapping):
        inside = {name: item for name, item in value.items() if item is not None}
        return {name: _without_frames(item, f"{key}.{name}".lstrip("."), held) for name, item in inside.items()}
    if isinstance(value, (list, tuple)):
        return [_without_frames(item, f"{key}[{at}]", held) for at, item in enumerate(value, 1)]
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "columns") and hasattr(value, "to_csv"):
        name = _name_of(key)
        held[name] = _content(value, name)
        return name
    return value.item() if hasattr(value, "item") else value


def _name_of(key: str) -> str:
    """``layers.organic_matter.file`` is called organic_matter, ``field.boundary`` boundary."""
    return key.removesuffix(".file").rpartition(".")[2]


def _content(frame: Any, name: str) -> tuple[str, bytes]:
    """Ending and bytes of the file that a frame could be: GeoJSON where it has a geometry, else CSV."""
    if not hasattr(frame, "geometry"):
        return ".csv", frame.to_csv(index=False).encode()
    if frame.crs is None:
        problem = f"{_SHOWN}: {name} has no coordinate system."
        raise InputFileError(problem, 'Set the one it is in, as frame.set_crs("EPSG:4326").')
    own = frame.geometry.name
    frame = frame[[column for column in frame.columns if column == own or str(frame.dtypes[column]) != "geometry"]]
    if frame.crs.to_epsg() is None:
        frame = frame.to_crs("EPSG:4326")
    return ".geojson", frame.to_json(na="null", drop_id=True, default=_text).encode()


def _text(value: Any) -> Any:
    """What JSON has no type for."""
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat()
    if isinstance(value, date):
        return value.isoformat()
    return value.item() if hasattr(value, "item") else str(value)
