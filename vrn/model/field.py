"""One corn field with everything that was read about it."""

from dataclasses import dataclass, field
from pathlib import Path

import shapely

from vrn import door
from vrn.errors import CrsMismatchError
from vrn.findings import Finding
from vrn.model.area import geodesic_acres
from vrn.model.layers import ConstantLayer, Layer, PolygonLayer
from vrn.model.samples import SoilSamples
from vrn.model.settings import Settings
from vrn.model.trial import NitrogenTrial
from vrn.model.weather import Weather


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
    samples : SoilSamples
    organic_matter : Layer or None
        In per cent. None when nothing was given.
    yield_potential : Layer or None
        Relative (mean about 1) or bu/ac, as ``settings.layers.yield_potential.kind`` says.
    applied_n : Layer or None
        Nitrogen already down. [lb/ac]
    weather : Weather or None
    normals : Weather or None
        Long-term daily means of any year, by month and day.
    zones : PolygonLayer or None
        The user's own zones: polygons with a zone number.
    trial : NitrogenTrial or None
        The user's own trial, for ``economic-optimum``.
    extra_layers : dict of str to Layer
    findings : tuple of Finding
        What reading assumed or noticed.
    inputs : dict of str to str
        Path relative to ``folder`` → SHA-256 of every file that was read.
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
    extra_layers: dict[str, Layer] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    inputs: dict[str, str] = field(default_factory=dict)

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

    @property
    def name(self) -> str:
        """Name of the field."""
        return self.settings.header.name

    @property
    def treated(self) -> shapely.Geometry:
        """Boundary less the ground that gets no nitrogen, in ``crs``."""
        return shapely.difference(self.boundary, self.no_apply)
