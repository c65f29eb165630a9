"""From readings and layers to surfaces on the grid: nitrate by depth, organic matter, yield goal, what is down."""

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from vrn.findings import Finding
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import ConstantLayer, PointLayer, YieldLogLayer
from vrn.model.samples import Profile, SoilSamples
from vrn.model.surface import Surface
from vrn.sampling.error import error_of_readings
from vrn.surface import LEAST_EVIDENCE, area_means, layer_on_grid, pattern_evidence, points_on_grid, weighted_mean

_LAYERS: Final = ("organic_matter_pct", "yield_goal_bu_ac", "applied_n_lb_ac")
_SILENT_SHARE = 0.01  # of the treated ground where a layer may be silent with nothing said


def soil_surfaces(
    field: Field,
    profile: Profile,
    grid: Grid,
    share: NDArray[np.float64],
    *,
    extra: tuple[tuple[NDArray[np.float64], float], ...] = (),
) -> tuple[dict[str, Surface], dict[str, Surface]]:
    """
    Every surface the ledger is struck from, and those that a person only looks at.

    Parameters
    ----------
    field : Field
    profile : Profile
        Readings of the top foot and of what lies below it.
    grid : Grid
    share : ndarray, shape (rows, cols)
        Share of each cell that is treated.
    extra : tuple of (ndarray of shape (rows, cols), float)
        The user's own layers, as ``extra_surfaces`` returns them.

    Returns
    -------
    surfaces : dict of str to Surface
        ``nitrate_ppm``, ``yield_goal_bu_ac``; ``deep_nitrate_ppm``, ``organic_matter_pct`` and ``applied_n_lb_ac``
        where they are known.
    beside : dict of str to Surface
        ``harvest_left_out_pct`` where the yield potential comes from harvest logs.

    Notes
    -----
    Where the layers together speak less than three to one for a pattern (`pattern_evidence`), readings at points count
    as their means: by chance one layer in six looks like a map. A person who gives zones, or their number, says that
    there is a pattern, and is believed.
    """
    surfaces, beside = _surfaces(field, profile, grid, share, patterned=True)
    asked = field.settings.zones.file is not None or (field.settings.zones.count or 1) > 1
    if asked or _evidence(field, profile, surfaces, share, extra) >= LEAST_EVIDENCE:
        return surfaces, beside
    return _surfaces(field, profile, grid, share, patterned=False)


def _surfaces(
    field: Field, profile: Profile, grid: Grid, share: NDArray[np.float64], *, patterned: bool
) -> tuple[dict[str, Surface], dict[str, Surface]]:
    surfaces: dict[str, Surface] = {}
    if field.organic_matter is not None:
        name = "organic_matter_pct"
        surfaces[name] = layer_on_grid(field.organic_matter, grid, name=name, patterned=patterned)
    pattern, left_out = _yield_pattern(field, grid, patterned=patterned)
    surfaces["yield_goal_bu_ac"] = _yield_goal(field, pattern, share)
    if field.applied_n is not None:
        name = "applied_n_lb_ac"
        surfaces[name] = layer_on_grid(field.applied_n, grid, name=name, patterned=patterned)
    followed = tuple(surface for surface in surfaces.values() if _varies(surface))
    for name, layers in (("nitrate_ppm", profile.top), ("deep_nitrate_ppm", profile.deep)):
        if layers:
            surfaces[name] = _nitrate(name, field, layers, grid, followed, patterned=patterned)
    return surfaces, {} if left_out is None else {left_out.name: left_out}


def _evidence(
    field: Field,
    profile: Profile,
    surfaces: dict[str, Surface],
    share: NDArray[np.float64],
    extra: tuple[tuple[NDArray[np.float64], float], ...],
) -> float:
    """What all layers together say for a pattern: points by their readings, others by their cells."""
    treated = share > 0
    centers_m = surfaces["nitrate_ppm"].grid.centers_m()[treated.ravel()]
    layers = zip(_LAYERS, (field.organic_matter, field.yield_potential, field.applied_n), strict=True)
    points = {name: [(layer.coordinates_m, layer.values)] for name, layer in layers if isinstance(layer, PointLayer)}
    for name, depths in (("nitrate_ppm", profile.top), ("deep_nitrate_ppm", profile.deep)):
        points[name] = [(depth.coordinates_m, depth.nitrate_ppm) for depth in depths if not depth.areas]
    total = sum(pattern_evidence(centers_m, values[treated]) for values, _ in extra)
    for name, surface in surfaces.items():
        told = [pattern_evidence(*at) for at in points.get(name) or [(centers_m, surface.values[treated])]]
        total += sum(told) / len(told)  # the slices of one core count once
    return total


def _varies(surface: Surface) -> bool:
    """Whether a layer has a pattern that nitrate may follow."""
    known = surface.values[np.isfinite(surface.values)]
    return bool(known.size and np.ptp(known) > 0)


def _nitrate(
    name: str, field: Field, layers: tuple[SoilSamples, ...], grid: Grid, followed: tuple[Surface, ...],
    *, patterned: bool,
) -> Surface:  # fmt: skip
    """One nitrate surface: its depth layers interpolated each on its own, then averaged by thickness."""
    parts = [_readings_on_grid(name, field, layer, grid, followed, patterned=patterned) for layer in layers]
    if len(parts) == 1:
        return parts[0]
    thickness_in = [float(layer.bottom_in[0] - layer.top_in[0]) for layer in layers]
    return weighted_mean(parts, thickness_in, name=name)


def _readings_on_grid(
    name: str, field: Field, layer: SoilSamples, grid: Grid, followed: tuple[Surface, ...], *, patterned: bool
) -> Surface:
    """Readings of one depth on the grid: composites as the means of their areas, points interpolated."""
    error = error_of_readings(layer, of_all=field.samples, instrument_sd_ppm=field.settings.samples.instrument_sd_ppm)
    if layer.areas:
        rows = {area: np.array(layer.area_id) == area for area in layer.areas}
        means = {area: float(layer.nitrate_ppm[those].mean()) for area, those in rows.items() if those.any()}
        total_ppm2 = error.instrument_ppm2 + error.composite_ppm2
        known = {area: float(np.sqrt(total_ppm2[rows[area]].mean() / rows[area].sum())) for area in means}
        return area_means(layer.areas, means, grid, name=name, se=known if total_ppm2.any() else None)
    return points_on_grid(
        layer.coordinates_m, layer.nitrate_ppm, grid, name=name, error_variance=error.variance_ppm2, drift=followed,
        patterned=patterned,
    )  # fmt: skip


def _yield_pattern(field: Field, grid: Grid, *, patterned: bool) -> tuple[Surface, Surface | None]:
    """The yield-potential layer on the grid, and where harvest logs were cleaned; the field's goal where none is."""
    name = "yield_goal_bu_ac"
    layer = field.yield_potential
    if isinstance(layer, YieldLogLayer):
        from vrn.surface.yield_potential import yield_potential

        harvested = yield_potential(layer, grid, name=name)
        return harvested.surface, harvested.left_out()
    goal = ConstantLayer(name=name, value=field.settings.crop.yield_goal_bu_ac)
    return layer_on_grid(layer if layer is not None else goal, grid, name=name, patterned=patterned), None


def _yield_goal(field: Field, pattern: Surface, share: NDArray[np.float64]) -> Surface:
    """Yield goal of each cell: the pattern of the yield-potential layer on the field's goal."""
    section = field.settings.layers.yield_potential
    if field.yield_potential is None or section is None or section.kind == "bu_ac":
        return pattern
    goal_bu_ac = field.settings.crop.yield_goal_bu_ac
    weights = np.where(np.isfinite(pattern.values), share, 0.0)
    mean = float(np.sum(weights * np.nan_to_num(pattern.values)) / np.sum(weights)) if weights.any() else np.nan
    details = {**pattern.details, "scaled_to_bu_ac": goal_bu_ac, "layer_mean": mean}
    return replace(pattern.scaled(goal_bu_ac / mean), details=details)


def extra_surfaces(
    field: Field, grid: Grid, share: NDArray[np.float64]
) -> tuple[tuple[tuple[NDArray[np.float64], float], ...], tuple[Finding, ...]]:
    """The user's own layers on the grid, each with its weight in zones; its mean where one is silent."""
    weight_of = {section.name: section.weight for section in field.settings.layers.extra}
    found, findings = [], []
    for name, layer in field.extra_layers.items():
        values = layer_on_grid(layer, grid, name=name).values
        known = np.isfinite(values) & (share > 0)
        covered = float(share[known].sum() / share.sum())
        if 0 < covered < 1 - _SILENT_SHARE:
            problem = f"The layer covers {covered:.0%} of the treated ground; on the rest its mean stands in for it."
            remedy = "Give a layer of the whole field, or read no zone's border along the edge of this one."
            findings.append(Finding(level="warning", about=f"layers.extra {name}", problem=problem, remedy=remedy))
        if known.any():
            values = np.where(np.isfinite(values), values, np.average(values[known], weights=share[known]))
        found.append((values, weight_of[name]))
    return tuple(found), tuple(findings)
