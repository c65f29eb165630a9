"""The one module that knows the whole order: from a field that was read to a finished prescription."""

from collections.abc import Callable
from dataclasses import asdict, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from vrn.errors import InputFileError
from vrn.field.cover import cell_size_m, grid_over, share_inside
from vrn.field.field import Field
from vrn.field.findings import Finding
from vrn.field.grid import Grid
from vrn.field.layers import ConstantLayer
from vrn.field.profile import Profile, profile_of
from vrn.field.samples import SoilSamples
from vrn.field.surface import Surface
from vrn.nitrogen import Ledger, Notice
from vrn.nitrogen.field_need import need_of_cells
from vrn.prescription import prescribe
from vrn.prescription.model import Prescription
from vrn.surface import area_means, interpolate, layer_on_grid
from vrn.units import AC_M2, FT_M, MPH_M_S
from vrn.zones import Zones, draw, from_polygons


def build(field: Field, *, progress: Callable[[str], None] | None = None) -> Prescription:
    """
    Prescription of one field.

    Parameters
    ----------
    field : Field
        As ``vrn.read_field`` returns it.
    progress : callable, optional
        Called with the name of each step as it begins.

    Returns
    -------
    prescription : Prescription

    Raises
    ------
    VrnError
        If the field cannot be built: no reading at the surface, no organic matter where the method needs it, a
        method outside its calibration, no ground to treat.
    """
    tell = progress or (lambda _step: None)
    tell("surfaces")
    grid, share = _ground(field)
    profile = profile_of(field.samples.field_readings())
    surfaces = _surfaces(field, profile, grid, share)
    tell("nitrogen")
    here = np.flatnonzero(share > 0)
    ledger, notices = _need(field, profile, surfaces, here)
    need_se = _need_se(field, profile, surfaces, ledger, here)
    ledger = ledger.spread(here, share.size)
    surfaces["need_lb_ac"] = Surface(
        name="need_lb_ac", grid=grid, values=_on(grid, ledger.unclipped_lb_ac), se=need_se, chosen=ledger.method
    )
    tell("zones")
    zones = _zones(field, grid, share, surfaces["need_lb_ac"])
    tell("rates")
    prescription = prescribe(
        field=field, grid=grid, share=share, surfaces=surfaces, ledger=ledger, zones=zones, need_se=need_se
    )
    findings = (
        *field.findings,
        *profile.findings,
        *(finding for surface in surfaces.values() for finding in _told(surface)),
        *(Finding(level=n.level, about=n.about, problem=n.problem, remedy=n.remedy) for n in notices),
        *prescription.findings,
    )
    return replace(prescription, findings=findings)


def _ground(field: Field) -> tuple[Grid, NDArray[np.float64]]:
    """Grid of the field and the share of each cell that is treated."""
    treated = field.treated
    if treated.is_empty or treated.area <= 0:
        problem = f"{field.name}: the no-apply ground with its setbacks covers the whole field."
        raise InputFileError(problem, "Check setback_ft of [[field.no_apply]].")
    cell_m = field.settings.field.cell_m or cell_size_m(
        field.boundary, swath_m=field.settings.machine.swath_ft * FT_M, spacing_m=_spacing_m(field.samples)
    )
    grid = grid_over(field.boundary, crs=field.crs, cell_m=cell_m)
    return grid, share_inside(grid, treated)


def _spacing_m(samples: SoilSamples) -> float | None:
    """Usual distance from a sample to its nearest neighbour; None with fewer than two places. [m]"""
    places = np.unique(samples.coordinates_m, axis=0)
    if samples.areas or len(places) < 2:
        return None
    distance, _ = cKDTree(places).query(places, k=2)
    return float(np.median(distance[:, 1]))


def _surfaces(field: Field, profile: Profile, grid: Grid, share: NDArray[np.float64]) -> dict[str, Surface]:
    """Nitrate by depth, organic matter and yield goal on the grid."""
    surfaces = {"nitrate_ppm": _nitrate("nitrate_ppm", profile.top, grid)}
    if profile.deep:
        surfaces["deep_nitrate_ppm"] = _nitrate("deep_nitrate_ppm", profile.deep, grid)
    if field.organic_matter is not None:
        surfaces["organic_matter_pct"] = layer_on_grid(field.organic_matter, grid, name="organic_matter_pct")
    surfaces["yield_goal_bu_ac"] = _yield_goal(field, grid, share)
    return surfaces


def _nitrate(name: str, layers: tuple[SoilSamples, ...], grid: Grid) -> Surface:
    """One nitrate surface: its depth layers interpolated each on its own, then averaged by thickness."""
    parts = [_readings_on_grid(name, layer, grid) for layer in layers]
    if len(parts) == 1:
        return parts[0]
    thickness_in = np.array([layer.bottom_in[0] - layer.top_in[0] for layer in layers])
    weights = thickness_in / thickness_in.sum()
    errors = [part.se for part in parts]
    known = [error for error in errors if error is not None]
    se = np.sqrt(sum((w * e) ** 2 for w, e in zip(weights, known, strict=True))) if len(known) == len(parts) else None
    details = {
        "layers": [{"thickness_in": float(t), **part.details} for t, part in zip(thickness_in, parts, strict=True)]
    }
    values = np.asarray(sum(w * part.values for w, part in zip(weights, parts, strict=True)))
    return Surface(name=name, grid=grid, values=values, se=se, chosen=parts[0].chosen, details=details)


def _readings_on_grid(name: str, layer: SoilSamples, grid: Grid) -> Surface:
    """Readings of one depth on the grid: composites as the means of their areas, points interpolated."""
    if layer.areas:
        areas = np.array(layer.area_id)
        means = {area: float(layer.nitrate_ppm[areas == area].mean()) for area in layer.areas if (areas == area).any()}
        return area_means(layer.areas, means, grid, name=name)
    found = interpolate(layer.coordinates_m, layer.nitrate_ppm, grid.centers_m())
    return Surface(
        name=name, grid=grid, values=_on(grid, found.estimate),
        se=None if found.se is None else _on(grid, found.se), chosen=found.chosen, details=found.to_plain(),
    )  # fmt: skip


def _yield_goal(field: Field, grid: Grid, share: NDArray[np.float64]) -> Surface:
    """Yield goal of each cell: the pattern of the yield-potential layer on the field's goal."""
    goal_bu_ac = field.settings.crop.yield_goal_bu_ac
    section = field.settings.layers.yield_potential
    name = "yield_goal_bu_ac"
    if field.yield_potential is None or section is None:
        return layer_on_grid(ConstantLayer(name=name, value=goal_bu_ac), grid, name=name)
    pattern = layer_on_grid(field.yield_potential, grid, name=name)
    if section.kind == "bu_ac":
        return pattern
    weights = np.where(np.isfinite(pattern.values), share, 0.0)
    mean = float(np.sum(weights * np.nan_to_num(pattern.values)) / np.sum(weights)) if weights.any() else np.nan
    scale = goal_bu_ac / mean
    return replace(
        pattern, values=pattern.values * scale, se=None if pattern.se is None else pattern.se * scale,
        details={**pattern.details, "scaled_to_bu_ac": goal_bu_ac, "layer_mean": mean},
    )  # fmt: skip


def _known(field: Field, profile: Profile, surfaces: dict[str, Surface], here: NDArray[np.intp]) -> dict[str, Any]:
    """What the ledger of the treated cells is struck from, by the names of the methods' inputs."""
    settings = field.settings
    known: dict[str, Any] = {name: surface.values.ravel()[here] for name, surface in surfaces.items()}
    known |= {
        "top_in": float(profile.top[0].top_in[0]),
        "bottom_in": float(profile.top[-1].bottom_in[0]),
        "growth_stage": settings.crop.growth_stage,
        "credits_lb_ac": {name: lb_ac for name, lb_ac in asdict(settings.credits).items() if lb_ac},
        "applied_lb_ac": sum(application.n_lb_ac for application in settings.applications),
    }
    if profile.deep:
        known["deep_top_in"] = float(profile.deep[0].top_in[0])
        known["deep_bottom_in"] = float(profile.deep[-1].bottom_in[0])
    return known


def _need(
    field: Field, profile: Profile, surfaces: dict[str, Surface], here: NDArray[np.intp]
) -> tuple[Ledger, tuple[Notice, ...]]:
    """Ledger of the treated cells by the method of the field file."""
    return need_of_cells(asdict(field.settings.nitrogen), **_known(field, profile, surfaces, here))


def _need_se(
    field: Field, profile: Profile, surfaces: dict[str, Surface], ledger: Ledger, here: NDArray[np.intp]
) -> NDArray[np.float64] | None:
    """Standard error of the need: each surface's error times what one unit of it does to the need."""
    grid = surfaces["nitrate_ppm"].grid
    if surfaces["nitrate_ppm"].se is None:
        return None
    options, known = asdict(field.settings.nitrogen), _known(field, profile, surfaces, here)
    variance = np.zeros(here.size)
    for name, surface in surfaces.items():
        if surface.se is None:
            continue
        moved, _ = need_of_cells(options, **{**known, name: known[name] + 0.01})
        slope = (np.asarray(moved.unclipped_lb_ac) - np.asarray(ledger.unclipped_lb_ac)) / 0.01
        variance += (slope * surface.se.ravel()[here]) ** 2
    need_se = np.full(grid.rows * grid.cols, np.nan)
    need_se[here] = np.sqrt(variance)
    return need_se.reshape(grid.shape)


def _zones(field: Field, grid: Grid, share: NDArray[np.float64], need: Surface) -> Zones:
    """Zones on need: as many as pay, none smaller or narrower than the machine can answer."""
    settings = field.settings
    if field.zones is not None:
        return from_polygons(field.zones, grid=grid, share=share, treated=field.treated)
    machine = settings.machine
    swath_m = machine.swath_ft * FT_M
    answer_m = machine.speed_mph * MPH_M_S * machine.rate_change_s
    least_patch_m2 = (settings.zones.least_patch_ac or 0.0) * AC_M2 or swath_m * max(4 * answer_m, 2 * swath_m)
    return draw(
        need.values, grid=grid, share=share, treated=field.treated, least_patch_m2=least_patch_m2,
        least_width_m=swath_m, step=machine.rate_step_n_lb_ac, count=settings.zones.count, value_se=need.se,
        cost_per_unit=settings.prices.n_per_lb,
    )  # fmt: skip


def _told(surface: Surface) -> tuple[Finding, ...]:
    """What the choice of a surface leaves for a person to know."""
    notes = surface.details.get("notes", ())
    return tuple(
        Finding(level="note", about=surface.name, problem=str(note), remedy="The table of candidates is in the report.")
        for note in notes
    )


def _on(grid: Grid, values: Any) -> NDArray[np.float64]:
    """Cell values in row-major order, or one number, as rows and columns."""
    return np.broadcast_to(np.asarray(values, dtype=float).reshape(-1), (grid.rows * grid.cols,)).reshape(grid.shape)
