"""Surfaces on the grid: nitrate by depth, organic matter, yield goal, what is down; and the user's own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from vrn.errors import CrsMismatchError, InputFileError, OutOfRangeError
from vrn.findings import Finding, Quantity, note, warning
from vrn.model.field import Field
from vrn.model.grid import Grid, geodesic_acres
from vrn.model.layers import YEAR, ConstantLayer, Layer, PointLayer, YieldLogLayer
from vrn.model.samples import Profile, SoilSamples
from vrn.model.settings import Settings
from vrn.model.surface import Surface, SurfaceChoice
from vrn.nitrogen.ledger import OWN_NEED, Ledger, Line
from vrn.sampling.error import error_of_readings
from vrn.surface import (
    LEAST_EVIDENCE,
    areas_on_grid,
    below_limits,
    far_ground,
    layer_on_grid,
    pattern_evidence,
    points_on_grid,
    weighted_mean,
    with_far_ground,
    with_gap_filled,
)
from vrn.surface.coverage import SILENT_SHARE, varies
from vrn.surface.layers import remembered
from vrn.units import BU_AC_T_HA

_LAYERS: Final = ("organic_matter_pct", "yield_goal_bu_ac", "applied_n_lb_ac")
_MOST_BU_AC: Final = 500.0  # yield goal that every method of the catalogue is limited to
_YIELD_WEIGHT: Final = 0.5
"""How much of a yield layer's pattern counts. Best rates follow yield at 0.41 of face value (Iowa State, about 500
on-farm trials 2023-24) to 0.65 (White et al. 2023, Agron. J. 115:2600)."""
_ONE_YEAR_WEIGHT: Final = 0.25
"""The same of one year's map: years of one field correlate by about 0.4 (0.2 to 0.65: Lamb et al. 1997, J. Prod.
Agric., authors from memory), and 0.4 × 0.55 is 0.22."""
_FOLLOWED: Final = 0.55  # slope of the best rate on the yield that comes, over face value: 0.41 to 0.65 as above


def soil_surfaces(
    field: Field, profile: Profile, grid: Grid, share: NDArray[np.float64], *,
    extra: tuple[tuple[NDArray[np.float64], float], ...] = (), memory: dict[bytes, Any] | None = None,
) -> tuple[dict[str, Surface], dict[str, Surface]]:  # fmt: skip
    """Every surface the ledger is made from, and those that a person only looks at.

    `profile`: readings of the top foot and of what lies below it. `share` (rows, cols): share of each cell that is
    treated. `extra` (rows, cols): the user's own layers, as ``extra_surfaces`` returns them. Returns `surfaces`:
    ``nitrate_ppm``, ``yield_goal_bu_ac``; ``deep_nitrate_ppm``, ``organic_matter_pct`` and ``applied_n_lb_ac`` where
    they are known; `beside`: ``harvest_left_out_pct`` where the yield potential comes from harvest logs.

    Where the layers together speak less than three to one for a pattern (`pattern_evidence`), readings at points count
    as their means: by chance one layer in six looks like a map. A person who gives zones, or their number, says that
    there is a pattern, and is believed.
    """
    making = _Making(field=field, profile=profile, grid=grid, share=share, memory=memory)
    surfaces, beside = making.surfaces()
    asked = field.settings.zones.file is not None or (field.settings.zones.count or 1) > 1
    if not asked and _evidence(field, profile, surfaces, share, extra) < LEAST_EVIDENCE:
        surfaces, beside = replace(making, use_mean_only=True).surfaces()
    return _with_unknown_ground(field, profile, surfaces, share), beside


def _with_unknown_ground(
    field: Field, profile: Profile, surfaces: dict[str, Surface], share: NDArray[np.float64]
) -> dict[str, Surface]:
    """Gaps of the layers filled and told, and the ground that is far from every reading of the top depth or below."""
    acres = geodesic_acres(field.treated, field.crs)
    layers = {
        "yield_goal_bu_ac": (field.yield_potential, field.settings.crop.yield_goal_bu_ac),
        "organic_matter_pct": (field.organic_matter, None),
    }
    filled = dict[str, Surface]()
    for name, (layer, value) in layers.items():
        surface = surfaces.get(name)
        if surface is not None:
            surface = _counted(_within_reach(surface, layer, share), field.settings, share)
            filled[name] = with_gap_filled(surface, share, acres=acres, value=value)
    if "applied_n_lb_ac" in surfaces:
        known = _within_reach(surfaces["applied_n_lb_ac"], field.applied_n, share)
        filled["applied_n_lb_ac"] = with_gap_filled(known, share, acres=acres, value=np.nan)
    readings = {name: _counted(one, field.settings, share) for name, one in surfaces.items() if name.endswith("_ppm")}
    for name, depth in (("nitrate_ppm", profile.top[:1]), ("deep_nitrate_ppm", profile.deep[:1])):
        for one in depth:
            choice = readings[name].choice or SurfaceChoice()
            choice = choice.slices[0].choice if choice.slices else choice
            read = dict.fromkeys(area for area in one.area_id if area)
            far = far_ground(
                readings[name].grid, share, one.coordinates_m, acres=acres, areas=[one.areas[area] for area in read],
                range_m=choice.range_m,
            )  # fmt: skip
            readings[name] = with_far_ground(readings[name], far, deeper=name != "nitrate_ppm")
    return surfaces | filled | readings


def weights_of(settings: Settings, *, harvests: int, alike: float | None = None) -> dict[str, float]:
    """How much of the pattern of each surface counts.

    `harvests` that the yield layer is made of, 0 where unknown; `alike`: how far their maps correlate. The mean of m of
    them forecasts the next with slope m q / (1 + (m − 1) q) (Spearman–Brown), and the best rate follows at 0.55.
    """
    organic, section = settings.layers.organic_matter, settings.layers.yield_potential
    named = section is not None and len(set(YEAR.findall(section.column or ""))) == 1  # "yield_2023" is one year's
    years = harvests if section is None else section.years or len(section.year_columns) or int(named) or harvests
    given = None if section is None else section.weight
    usual = _ONE_YEAR_WEIGHT if years == 1 else _YIELD_WEIGHT
    if alike is not None and years > 1:
        same = max(alike, 0.0)
        usual = round(_FOLLOWED * years * same / (1 + (years - 1) * same), 2)
    return {
        "yield_goal_bu_ac": usual if given is None else given,
        "organic_matter_pct": 1.0 if organic is None else organic.weight,
        "nitrate_ppm": settings.samples.weight, "deep_nitrate_ppm": settings.samples.weight,
    }  # fmt: skip


def _weights(settings: Settings, goal: Surface) -> dict[str, float]:
    """The same with what the yield surface knows of its harvests."""
    choice = goal.choice or SurfaceChoice()
    return weights_of(settings, harvests=len(choice.harvests), alike=choice.years_alike)


def _counted(surface: Surface, settings: Settings, share: NDArray[np.float64]) -> Surface:
    """The surface with the part of its pattern that counts, told; the error of readings stays whole, a layer's not."""
    weight, section = _weights(settings, surface).get(surface.name, 1.0), settings.layers.yield_potential
    if weight == 1.0 or not varies(surface):
        return surface
    code, quantities = "pattern-given", {"weight": Quantity("number", weight)}
    if surface.name == "yield_goal_bu_ac" and (section is None or section.weight is None):
        code = "yield-pattern-half"
        if surface.choice is not None and surface.choice.years_alike is not None:
            code = "yield-pattern-years"
            quantities["alike"] = Quantity("number", surface.choice.years_alike)
        elif weight == _ONE_YEAR_WEIGHT:
            code = "yield-pattern-one-year"
    of_readings = surface.name.endswith("nitrate_ppm")
    counted = surface.weighted(weight, share, error_weight=1.0 if of_readings else weight)
    told = note(f"surface.{code}", surface.name, **quantities)
    return replace(counted, findings=(*counted.findings, told))


def _within_reach(surface: Surface, layer: Layer | None, share: NDArray[np.float64]) -> Surface:
    """The surface of a layer of points without the ground that is far from all of them: a gap like any other."""
    if not isinstance(layer, PointLayer):
        return surface
    away = far_ground(surface.grid, share, layer.coordinates_m, acres=0.0).mask
    return replace(surface, values=np.where(away, np.nan, surface.values)) if away.any() else surface


@dataclass(frozen=True, kw_only=True)
class _Making:
    """The surfaces of a field; with ``use_mean_only`` readings at points count as their mean."""

    field: Field
    profile: Profile
    grid: Grid
    share: NDArray[np.float64]
    memory: dict[bytes, Any] | None
    use_mean_only: bool = False

    def surfaces(self) -> tuple[dict[str, Surface], dict[str, Surface]]:
        """Those the ledger is made from, and those that a person only looks at."""
        field, surfaces = self.field, dict[str, Surface]()
        surfaces["yield_goal_bu_ac"], left_out = self._yield_pattern()  # its goal last: what follows it does not change
        if field.organic_matter is not None:
            name, followed = "organic_matter_pct", self._followed(surfaces)
            surfaces[name] = self._layer(name, field.organic_matter, followed)
        if field.applied_n is not None:
            surfaces["applied_n_lb_ac"] = self._layer("applied_n_lb_ac", field.applied_n)
        followed = self._followed(surfaces)
        for name, depths in (("nitrate_ppm", self.profile.top), ("deep_nitrate_ppm", self.profile.deep)):
            if depths:
                given = self.grid, name, field.samples, [one.values for one in followed], self.use_mean_only
                makes = enumerate(partial(self._readings, name, depth, followed) for depth in depths)
                parts = [remembered(self.memory, (given, field.settings.samples, at), make) for at, make in makes]
                thick_in = [float(depth.bottom_in[0] - depth.top_in[0]) for depth in depths]
                surfaces[name] = parts[0] if len(parts) == 1 else weighted_mean(parts, thick_in, name=name)
        surfaces["yield_goal_bu_ac"] = self._yield_goal(surfaces["yield_goal_bu_ac"])
        return surfaces, {} if left_out is None else {left_out.name: left_out}

    def _layer(self, name: str, layer: Layer, followed: Sequence[Surface] = ()) -> Surface:
        how = {"use_mean_only": self.use_mean_only, "filter_noise": name != "applied_n_lb_ac"}  # that has edges
        make = partial(layer_on_grid, layer, self.grid, name=name, drift=followed, **how)
        return remembered(self.memory, (self.grid, layer, name, [one.values for one in followed], how), make)

    def _followed(self, surfaces: Mapping[str, Surface]) -> list[Surface]:
        """Surfaces that readings of the soil may follow: those with a pattern that counts."""
        weights = _weights(self.field.settings, surfaces["yield_goal_bu_ac"])
        return [one for name, one in surfaces.items() if weights.get(name, 1.0) > 0 and varies(one)]

    def _readings(self, name: str, depth: SoilSamples, followed: Sequence[Surface]) -> Surface:
        """Readings of one depth on the grid: composites as the means of their areas, points interpolated."""
        asked, at = self.field.settings.samples, depth.coordinates_m
        error = error_of_readings(depth, of_all=self.field.samples, instrument_sd_ppm=asked.instrument_sd_ppm)
        known2 = error.variance_ppm2
        ppm, spread2, findings = below_limits(at, depth.nitrate_ppm, depth.limit_ppm, error_variance=known2, name=name)
        if depth.areas:
            rows = {area: np.array(depth.area_id) == area for area in depth.areas}
            means = {area: float(ppm[those].mean()) for area, those in rows.items() if those.any()}
            total2 = error.instrument_ppm2 + error.composite_ppm2 + spread2
            sds = {area: float(np.sqrt(total2[rows[area]].mean() / rows[area].sum())) for area in means}
            surface = areas_on_grid(
                depth.areas, means, self.grid, name=name, se=sds if total2.any() else None, drift=followed,
                use_mean_only=self.use_mean_only,
            )  # fmt: skip
        else:
            surface = points_on_grid(
                at, ppm, self.grid, name=name, drift=followed, use_mean_only=self.use_mean_only,
                error_variance=spread2 + (0.0 if known2 is None else known2) if findings else known2,
                by_distance=asked.surface == "distance",
            )  # fmt: skip
        return replace(surface, findings=(*surface.findings, *findings))

    def _yield_pattern(self) -> tuple[Surface, Surface | None]:
        """The layer's pattern in its own unit, and where harvest logs were cleaned; without a layer the goal."""
        name, layer = "yield_goal_bu_ac", self.field.yield_potential
        if not isinstance(layer, YieldLogLayer):
            goal = ConstantLayer(name=name, value=self.field.settings.crop.yield_goal_bu_ac)
            surface = self._layer(name, goal if layer is None else layer)
            if (alike := getattr(layer, "years_alike", None)) is not None:
                surface = replace(surface, choice=replace(surface.choice or SurfaceChoice(), years_alike=alike))
            return surface, None
        from vrn.surface.yield_potential import yield_potential

        harvested = remembered(self.memory, (self.grid, layer), partial(yield_potential, layer, self.grid, name=name))
        return harvested.surface, harvested.left_out()

    def _yield_goal(self, pattern: Surface) -> Surface:
        """Yield goal of each cell: the pattern on the field's goal; refused where no method goes so high."""
        goal, layer, settings = pattern, self.field.yield_potential, self.field.settings
        section, to_bu_ac = settings.layers.yield_potential, settings.crop.yield_goal_bu_ac
        if layer is not None and section is not None and section.kind != "bu_ac":
            weights = np.where(np.isfinite(pattern.values), self.share, 0.0)
            mean = float(np.sum(weights * np.nan_to_num(pattern.values)) / np.sum(weights)) if weights.any() else np.nan
            if mean == 0:
                problem = f"{layer.source}: the yield potential is 0 all over the field."
                raise InputFileError(problem, "Check the layer and its nodata value, or leave it out.")
            choice = replace(pattern.choice or SurfaceChoice(), scaled_to_bu_ac=to_bu_ac, layer_mean=mean)
            goal = replace(pattern.scaled(to_bu_ac / mean), choice=choice)
        most = float(np.nanmax(np.where(self.share > 0, goal.values, np.nan), initial=0.0))
        if layer is not None and most > _MOST_BU_AC:
            by, unit = (BU_AC_T_HA, "t/ha") if settings.units == "metric" else (1.0, "bu/ac")
            reached = f"{layer.source} (layers.yield_potential): the yield goal reaches {most * by:,.0f} {unit}"
            problem = f"{reached}, and no method goes beyond {_MOST_BU_AC * by:,.0f}."
            raise InputFileError(problem, "Check its highest values and their unit, and leave out wrong ones.")
        return goal


def _evidence(
    field: Field, profile: Profile, surfaces: dict[str, Surface], share: NDArray[np.float64],
    extra: tuple[tuple[NDArray[np.float64], float], ...],
) -> float:  # fmt: skip
    """How much all layers together speak for a pattern: points by their readings, others by their cells."""
    treated = share > 0
    centers_m = surfaces["nitrate_ppm"].grid.centers_m()[treated.ravel()]
    layers = zip(_LAYERS, (field.organic_matter, field.yield_potential, field.applied_n), strict=True)
    points = {name: [(layer.coordinates_m, layer.values)] for name, layer in layers if isinstance(layer, PointLayer)}
    for name, depths in (("nitrate_ppm", profile.top), ("deep_nitrate_ppm", profile.deep)):
        points[name] = [(depth.coordinates_m, depth.nitrate_ppm) for depth in depths if not depth.areas]
    total = sum(pattern_evidence(centers_m, values[treated]) for values, _ in extra)
    weights = _weights(field.settings, surfaces["yield_goal_bu_ac"])
    for name, surface in ((name, one) for name, one in surfaces.items() if weights.get(name) != 0):
        found = [pattern_evidence(*at) for at in points.get(name) or [(centers_m, surface.values[treated])]]
        total += sum(found) / len(found)  # the slices of one core count once
    return total


def extra_surfaces(
    field: Field, grid: Grid, share: NDArray[np.float64]
) -> tuple[tuple[tuple[NDArray[np.float64], float], ...], tuple[Finding, ...]]:
    """The user's own layers on the grid, each with its weight in zones; its mean where one is silent."""
    weight_of = {section.name: section.weight for section in field.settings.layers.extra}
    found, findings = [], []
    for name, layer in field.extra_layers.items():
        values = _within_reach(layer_on_grid(layer, grid, name=name), layer, share).values
        known = np.isfinite(values) & (share > 0)
        covered = float(share[known].sum() / share.sum())
        if 0 < covered < 1 - SILENT_SHARE:
            findings.append(
                warning("surface.layer-partial", f"layers.extra {name}", covered=Quantity("share", covered))
            )
        if known.any():
            values = np.where(np.isfinite(values), values, np.average(values[known], weights=share[known]))
        found.append((values, weight_of[name]))
    return tuple(found), tuple(findings)


NEED: Final = "need_lb_ac"
# surfaces the need is worked out from → least and greatest value a field can have
_LIMITS: Final = {
    "nitrate_ppm": (0.0, 5000.0), "deep_nitrate_ppm": (0.0, 5000.0), "organic_matter_pct": (0.0, 100.0),
    "yield_goal_bu_ac": (0.0, 600.0), "applied_n_lb_ac": (0.0, 1000.0), NEED: (-2000.0, 2000.0),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnNeed:
    """A need of all cells that was brought along: as a ledger, and as a surface with what is known of its error."""

    ledger: Ledger
    surface: Surface


def own_surfaces(
    given: Mapping[str, Any], grid: Grid, share: NDArray[np.float64], *, source: str, deep_sampled: bool
) -> dict[str, Surface]:
    """Surfaces of the user's own, checked.

    By name with unit, on the grid. A deep nitrate needs samples of a second depth, which say where it lies. Raises
    OutOfRangeError if a name, a shape or a value cannot be used, or all treated ground is unknown. Raises
    CrsMismatchError if one is in another coordinate system.
    """
    for name in given:
        if name not in _LIMITS or name == NEED:
            problem = f'surfaces: the need is not worked out from "{name}".'
            raise OutOfRangeError(problem, f"Give one of {', '.join(key for key in _LIMITS if key != NEED)}.")
    if "deep_nitrate_ppm" in given and not deep_sampled:
        problem = "surfaces: deep_nitrate_ppm is given, and no sample says from which depth to which."
        raise OutOfRangeError(problem, "Give the samples of that depth too, or leave the surface out.")
    return {name: _on_grid(values, grid, share, name=name, source=source) for name, values in given.items()}


def own_need(given: Any, grid: Grid, share: NDArray[np.float64], *, source: str) -> OwnNeed:
    """The user's own need of every cell.

    Below 0 where the soil holds more than enough, NaN where unknown [lb/ac]. A `Ledger` of all cells keeps its lines,
    and its method's name only where that method worked it out. Raises OutOfRangeError, CrsMismatchError as
    `own_surfaces` does.
    """
    if isinstance(given, Ledger):
        cells = grid.rows * grid.cols
        for line in given.lines:
            if np.size(line.lb_ac) not in (1, cells):
                problem = f"need: the line {line.label} has {np.size(line.lb_ac):,} values, the grid {cells:,} cells."
                raise OutOfRangeError(problem, "Work it out for all cells of vrn.grid_of(field), row by row.")
        lines = tuple(replace(line, lb_ac=_flat(line.lb_ac)) for line in given.lines)
        ledger = replace(given, lines=lines) if given.published else replace(
            given, lines=lines, method=OWN_NEED, source=given.source or source
        )  # fmt: skip
        chosen = ledger.method if ledger.published else ledger.source
        surface = _on_grid(grid.in_rows(ledger.unclipped_lb_ac), grid, share, name=NEED, source=chosen)
        return OwnNeed(ledger=ledger, surface=surface)
    surface = _on_grid(given, grid, share, name=NEED, source=source)
    line = Line(label="Your own need", lb_ac=surface.values.ravel(), basis="as given", source=source, key="own_need")
    return OwnNeed(ledger=Ledger(lines=(line,), method=OWN_NEED, source=source), surface=surface)


def _flat(value: Any) -> Any:
    return np.asarray(value, dtype=float).reshape(-1) if np.size(value) > 1 else float(np.asarray(value).item())


def _on_grid(given: Any, grid: Grid, share: NDArray[np.float64], *, name: str, source: str) -> Surface:
    """A surface, an array of xarray, a plain array or a number as a surface of this grid."""
    if isinstance(given, Surface):
        _same_ground(given.grid.crs, grid, name)
        if given.grid != grid:
            problem = f"{name}: it is on {given.grid}, the field on {grid}."
            raise OutOfRangeError(problem, "Work it out on vrn.grid_of(field).")
        surface = replace(given, name=name, chosen=source, choice=None, findings=())
    else:
        values = _values(given, grid, name)
        surface = Surface(name=name, grid=grid, values=np.array(grid.in_rows(values)), chosen=source)
    known = surface.values[(share > 0) & ~np.isnan(surface.values)]
    if not known.size:
        problem = f"{name}: it is unknown on all of the treated ground."
        raise OutOfRangeError(problem, "Give values there; NaN stays unknown.")
    least, most = _LIMITS[name]
    if known.min() < least or known.max() > most:
        problem = f"{name}: it runs from {known.min():g} to {known.max():g}."
        raise OutOfRangeError(problem, f"Give {least:g} to {most:g}, in the unit that ends the name.")
    return surface


def _values(given: Any, grid: Grid, name: str) -> NDArray[np.float64]:
    if hasattr(given, "reindex"):  # of xarray: by its coordinates, whatever their order
        if given.attrs.get("crs") is not None:
            _same_ground(str(given.attrs["crs"]), grid, name)
        given = given.transpose("y", "x").sortby(["y", "x"]).reindex(
            y=grid.northings_m(), x=grid.eastings_m(), method="nearest", tolerance=grid.cell_m / 2
        )  # fmt: skip
    values = np.asarray(given, dtype=float)
    if values.shape not in ((), grid.shape, (grid.rows * grid.cols,)):
        problem = f"{name}: it has shape {values.shape}, the field's grid {grid.shape}."
        raise OutOfRangeError(problem, "Give one number for each cell of vrn.grid_of(field), or one for all.")
    return values


def _same_ground(crs: str, grid: Grid, name: str) -> None:
    if crs != grid.crs:
        problem = f"{name}: it is in {crs}, the field in {grid.crs}."
        raise CrsMismatchError(problem, "Work it out on vrn.grid_of(field).")
