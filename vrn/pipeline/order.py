"""The one place that knows the whole order: ground, surfaces, need, zones, rates."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from vrn.errors import InputFileError
from vrn.model.field import Field
from vrn.model.grid import Grid, cell_size_m, grid_over, share_inside
from vrn.model.samples import SoilSamples, profile_of
from vrn.model.surface import Surface
from vrn.pipeline.need import INPUT_OF_SURFACE, need_of_field
from vrn.pipeline.soil import extra_surfaces, soil_surfaces
from vrn.prescription import prescribe, zones_of
from vrn.prescription.model import Prescription
from vrn.prescription.uncertainty import with_uncertainty
from vrn.sampling.causes import causes_of_error
from vrn.sampling.quality import assess_readings, corrected
from vrn.units import FT_M


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
    grid, share = ground_of(field)
    readings = assess_readings(field.samples, section=field.settings.samples)
    field = replace(field, samples=corrected(field.samples, field.settings.samples))
    profile = profile_of(field.samples.field_readings())
    extra, silent = extra_surfaces(field, grid, share)
    surfaces, beside = soil_surfaces(field, profile, grid, share, extra=extra)
    tell("nitrogen")
    need = need_of_field(field, profile, surfaces, share)
    surfaces["need_lb_ac"] = Surface(
        name="need_lb_ac", grid=grid, values=grid.in_rows(need.ledger.unclipped_lb_ac), se=need.se_lb_ac,
        chosen=need.ledger.method,
    )  # fmt: skip
    surfaces |= beside
    tell("zones")
    zones = zones_of(field, grid=grid, share=share, ledger=need.ledger, need_se=need.se_lb_ac, extra=extra)
    tell("rates")
    prescription = prescribe(
        field=field, grid=grid, share=share, surfaces=surfaces, ledger=need.ledger, zones=zones, need_se=need.se_lb_ac
    )
    prescription = with_uncertainty(prescription, need.need_of, cells=need.cells, input_names=INPUT_OF_SURFACE)
    findings = (
        *field.findings,
        *readings.findings,
        *profile.findings,
        *(finding for surface in surfaces.values() for finding in surface.findings),
        *need.findings,
        *silent,
        *prescription.findings,
    )
    return replace(
        prescription,
        findings=findings,
        methods=need.methods_by_zone(prescription.zones.labels, share),
        season=need.season,
        response=need.response,
        readings=readings,
        causes=causes_of_error(prescription),
    )


def grid_of(field: Field) -> Grid:
    """The grid that `build` will work on: own surfaces and an own need are given on it."""
    return ground_of(field)[0]


def ground_of(field: Field) -> tuple[Grid, NDArray[np.float64]]:
    """
    Grid of the field and the share of each cell that is treated.

    Parameters
    ----------
    field : Field

    Returns
    -------
    grid : Grid
    share : ndarray, shape (rows, cols)

    Raises
    ------
    InputFileError
        If nothing is left to treat.
    """
    treated = field.treated
    if treated.is_empty or treated.area <= 0:
        problem = f"{field.name}: the no-apply ground with its setbacks covers the whole field."
        raise InputFileError(problem, "Check setback_ft of [[field.no_apply]].")
    cell_m = field.settings.header.cell_m or cell_size_m(
        field.boundary, swath_m=field.settings.machine.swath_ft * FT_M, spacing_m=_spacing_m(field.samples)
    )
    grid = grid_over(field.boundary, crs=field.crs, cell_m=cell_m)
    return grid, share_inside(grid, treated)


def _spacing_m(samples: SoilSamples) -> float | None:
    """Usual distance from a sample to its nearest neighbour; None with fewer than two places. [m]"""
    places = np.unique(samples.field_readings().coordinates_m, axis=0)
    if samples.areas or len(places) < 2:
        return None
    distance, _ = cKDTree(places).query(places, k=2)
    return float(np.median(distance[:, 1]))
