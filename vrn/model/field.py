"""One corn field with everything that was read about it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import shapely

from vrn import door
from vrn.errors import CrsMismatchError
from vrn.findings import Finding
from vrn.model.grid import geodesic_acres
from vrn.model.layers import ConstantLayer, Layer, PolygonLayer, Weather
from vrn.model.samples import SoilSamples
from vrn.model.settings import Settings
from vrn.model.trials import NitrogenTrial, PastTrial


def _as_table(given: Any, *, key: str = "file") -> dict[str, object] | None:
    """A table of the field file: as given, or with what was given under its usual key."""
    if given is None:
        return None
    return dict(given) if isinstance(given, Mapping) else {key: given}


@dataclass(frozen=True, slots=True, kw_only=True)
class Photo:
    """A picture of the ground as JPEG, north up in longitude and latitude; it carries no number."""

    jpeg: bytes
    bounds_lonlat: tuple[float, float, float, float]  # west, south, east, north


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """
    What ``vrn.read_field`` returns and ``vrn.build`` takes.

    Parameters
    ----------
    settings : Settings
        The field file.
    folder : Path
        Where the field file lies.
    crs : str
        The one projected system, in metres, of everything below.
    boundary : shapely Polygon or MultiPolygon
        Outline in ``crs``, holes cut out.
    no_apply : shapely.Geometry
        Ground that gets no nitrogen inside the boundary, setbacks included; may be empty.
    organic_matter : Layer or None
        In per cent. None when nothing was given.
    yield_potential : Layer or None
        Relative (mean about 1) or bu/ac, as ``settings.layers.yield_potential.kind`` says.
    applied_n : Layer or None
        Nitrogen already down. [lb/ac]
    normals : Weather or None
        Long-term daily means of any year, by month and day.
    zones : PolygonLayer or None
        The user's own zones: polygons with a zone number.
    trial : NitrogenTrial or None
        The user's own trial, for ``economic-optimum``.
    lines : shapely MultiLineString
        Middle lines of the passes; empty where they are straight.
    past_trials : tuple of PastTrial
        Harvested trials of the book that ``[learning]`` names, of earlier seasons.
    photo : Photo or None
        Behind the map; no rate rests on it.
    logo_png : bytes
        The preparer's mark, empty without one.
    findings : tuple of Finding
        What reading assumed or noticed.
    inputs : dict of str to str
        Path relative to ``folder`` → SHA-256 of every file that was read.
    input_keys : dict of str to str
        The same paths → key of the field file that names them.
    """

    settings: Settings
    folder: Path
    crs: str
    boundary: shapely.Geometry
    no_apply: shapely.Geometry
    samples: SoilSamples
    organic_matter: Layer | None = None
    yield_potential: Layer | None = None
    applied_n: Layer | None = None
    weather: Weather | None = None
    normals: Weather | None = None
    zones: PolygonLayer | None = None
    trial: NitrogenTrial | None = None
    lines: shapely.MultiLineString = field(default_factory=shapely.MultiLineString)
    past_trials: tuple[PastTrial, ...] = ()
    extra_layers: dict[str, Layer] = field(default_factory=dict)
    photo: Photo | None = None
    logo_png: bytes = b""
    findings: tuple[Finding, ...] = ()
    inputs: dict[str, str] = field(default_factory=dict)
    input_keys: dict[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        layers = (self.organic_matter, self.yield_potential, self.applied_n, self.zones, *self.extra_layers.values())
        for layer in layers:
            if layer is None or isinstance(layer, ConstantLayer):
                continue
            crs = layer.grid.crs if hasattr(layer, "grid") else layer.crs
            if crs != self.crs:
                problem = f"Layer {layer.name} is in {crs}, the field in {self.crs}."
                raise CrsMismatchError(problem, "Read it with vrn.read_field, which reprojects it.")
        if self.samples.crs != self.crs:
            problem = f"The samples are in {self.samples.crs}, the field in {self.crs}."
            raise CrsMismatchError(problem, "Read them with vrn.read_field, which reprojects them.")

    def __repr__(self) -> str:
        layers = {
            "organic matter": self.organic_matter, "yield potential": self.yield_potential,
            "applied nitrogen": self.applied_n, "zones": self.zones, **self.extra_layers,
        }  # fmt: skip
        known = ", ".join(name for name, layer in layers.items() if layer is not None)
        warnings = sum(finding.level == "warning" for finding in self.findings)
        return door.card(
            f"Field {self.name}, season {self.settings.header.season}: "
            f"{geodesic_acres(self.treated, self.crs):.1f} ac treated of {geodesic_acres(self.boundary, self.crs):.1f}",
            f"{len(self.samples)} samples, {door.span(self.samples.nitrate_ppm, unit='ppm')}",
            f"layers: {known or 'none'}",
            f"findings: {len(self.findings)}, {warnings} of them to decide",
        )

    def _repr_html_(self) -> str:
        return str(door.call("Field.html", self))

    @classmethod
    def from_frames(
        cls, *, boundary: Any, samples: Any, name: str, season: int, yield_goal_bu_ac: float | None = None,
        growth_stage: str | None = None, organic_matter_pct: float | None = None, organic_matter: Any = None,
        yield_potential: Any = None, applied_n: Any = None, no_apply: Any = (), weather: Any = None,
        reported_as: str | None = None, moisture_basis: str | None = None, units: str = "us", **tables: Any,
    ) -> "Field":  # fmt: skip
        """
        A field from GeoDataFrames in any coordinate system, checked as files are.

        Parameters
        ----------
        boundary : GeoDataFrame
            Outline of the field. Here and below a path does too; a relative one starts in the working folder.
        samples : GeoDataFrame of points, DataFrame, or mapping
            Columns ``sample_id, top_in, bottom_in, nitrate_ppm`` and what else a samples file may have; a DataFrame
            also ``longitude`` and ``latitude``. A mapping is the table ``[samples]`` with the frame as its ``file``.
        growth_stage : str, optional
            Leaf-collar stage on the sampling date, as ``"V8"``.
        organic_matter_pct : float, optional
            The same everywhere. [%]
        organic_matter, yield_potential, applied_n : GeoDataFrame, path or mapping, optional
            Points or polygons, the value in a column of the usual name or the only one there is. A mapping is that
            table of the field file with the frame as its ``file``, as ``{"file": frame, "column": "om"}``.
        no_apply : GeoDataFrame, mapping, or list of them
            Ground that gets nothing; a mapping adds ``setback_ft``.
        weather : DataFrame, optional
            ``date, tmin_f, tmax_f, rain_in``.
        reported_as : {"NO3-N", "NO3"}, optional
        moisture_basis : {"dry", "moist"}, optional
        units : {"us", "metric"}
            Of every number given, and of the pages; metric keys then go into their tables.
        **tables : mapping
            Any other table of a field file, as ``product={"name": "UAN 32"}, machine={"swath_ft": 90}``; or further
            keys of one of the above, as ``crop={"application_date": date(2026, 6, 18)}``.

        Raises
        ------
        InputFileError
            If something is missing or cannot be used.
        """
        layers = {
            "organic_matter": _as_table(organic_matter) or _as_table(organic_matter_pct, key="value_pct"),
            "yield_potential": _as_table(yield_potential),
            "applied_n": _as_table(applied_n),
        }
        avoided = list(no_apply) if isinstance(no_apply, (list, tuple)) else [no_apply]
        given: dict[str, Any] = {
            "units": units,
            "field": {
                "name": name, "season": season, "boundary": boundary, "no_apply": [_as_table(one) for one in avoided],
            },
            "crop": {"yield_goal_bu_ac": yield_goal_bu_ac, "growth_stage": growth_stage},
            "samples": {"reported_as": reported_as, "moisture_basis": moisture_basis, **(_as_table(samples) or {})},
            "layers": layers,
            "weather": _as_table(weather),
        }  # fmt: skip
        for table, keys in tables.items():
            given[table] = {**(given.get(table) or {}), **keys} if isinstance(keys, Mapping) else keys
        return cast("Field", door.call("Field.from_frames", given))

    @property
    def name(self) -> str:
        """Name of the field."""
        return self.settings.header.name

    @property
    def treated(self) -> shapely.Geometry:
        """Boundary less the ground that gets no nitrogen, in ``crs``."""
        return shapely.difference(self.boundary, self.no_apply)
