"""The whole order: ground, surfaces, need, zones, rates, then every writer with the last gate before them."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from vrn.errors import InputFileError
from vrn.files.approval import identified
from vrn.files.guard import check_before_writing
from vrn.files.staging import note_source, write_staged
from vrn.findings import Quantity, note, warning
from vrn.model.field import Field
from vrn.model.grid import Grid, cell_size_m, grid_over, share_inside
from vrn.model.samples import SoilSamples, profile_of
from vrn.model.surface import Surface
from vrn.nitrogen import Ledger
from vrn.nitrogen.field_need import disagreements
from vrn.pipeline.learning import with_learning
from vrn.pipeline.need import need_of_field
from vrn.pipeline.soil import NEED, extra_surfaces, own_need, own_surfaces, soil_surfaces
from vrn.prescription import prescribe, zones_of
from vrn.prescription.model import Prescription
from vrn.prescription.uncertainty import with_uncertainty
from vrn.sampling.error import causes_of_error
from vrn.sampling.quality import assess_readings, corrected
from vrn.surface import FIRST_RANK
from vrn.surface.layers import remembered
from vrn.units import FT_M

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    from vrn.files.signature import Earlier


def build(
    field: Field, *, need: Any = None, surfaces: Mapping[str, Any] | None = None, source: str = "the user",
    progress: Callable[[str], None] | None = None, memory: dict[bytes, Any] | None = None, sketch: bool = False,
) -> Prescription:  # fmt: skip
    """
    Prescription of one field.

    Parameters
    ----------
    field : Field
        As ``vrn.read_field`` returns it.
    need : Surface, Ledger, xarray.DataArray, array_like or float, optional
        Your own need of each cell of ``vrn.grid_of(field)``, in place of a method's: below 0 where the soil holds more
        than enough, NaN where unknown. It is never credited to a published method, whatever it is called; only a
        `Ledger` that ``Method.need`` made is. [lb/ac]
    surfaces : mapping of str to Surface, xarray.DataArray, array_like or float, optional
        Your own surfaces by name with unit, on the same grid, in place of those made from samples and layers:
        ``nitrate_ppm``, ``deep_nitrate_ppm``, ``organic_matter_pct``, ``yield_goal_bu_ac``, ``applied_n_lb_ac``.
    source : str
        Who made your need and surfaces: what files and pages say of them.
    progress : callable, optional
        Called with the name of each step as it begins.

    memory : dict, optional
        Keeps what takes long between builds, by the content that it is made from.
    sketch : bool
        Rates and totals only: no draws of what is uncertain, no other methods, no id. Not to be written.

    Raises
    ------
    VrnError
        If the field cannot be built: no reading at the surface, no organic matter where the method needs it, a
        method outside its calibration, no ground to treat, a need or surface of your own that does not fit the grid.
    """
    tell = progress or (lambda _step: None)
    tell("surfaces")
    header, swath_ft = field.settings.header, field.settings.machine.swath_ft
    grid, share = remembered(memory, ("ground", field.boundary, field.treated, field.samples, header.cell_m, swath_ft),
                             lambda: ground_of(field))  # fmt: skip
    section = field.settings.samples
    readings = remembered(memory, (field.samples, section), lambda: assess_readings(field.samples, section=section))
    field = replace(field, samples=corrected(field.samples, field.settings.samples))
    profile = profile_of(field.samples.field_readings())
    extra, silent = extra_surfaces(field, grid, share)
    own = own_surfaces(surfaces or {}, grid, share, source=source, deep_sampled=bool(profile.deep))
    own_of_cells = None if need is None else own_need(need, grid, share, source=source)
    known, beside = soil_surfaces(field, profile, grid, share, extra=extra, memory=memory)
    known |= own
    tell("nitrogen")
    plain = need_of_field(field, profile, known, share, own=own_of_cells)
    needed, learned, of_trials = with_learning(field, plain, share)
    known[NEED] = own_of_cells.surface if own_of_cells is not None else Surface(
        name=NEED, grid=grid, values=grid.in_rows(needed.ledger.unclipped_lb_ac), se=needed.se_lb_ac,
        chosen=needed.ledger.method,
    )  # fmt: skip
    known |= beside
    tell("zones")
    zones = zones_of(field, grid=grid, share=share, ledger=needed.ledger, need_se=needed.se_lb_ac, extra=extra)
    tell("rates")
    prescription = prescribe(
        field=field, grid=grid, share=share, surfaces=known, ledger=needed.ledger, zones=zones,
        need_se=needed.se_lb_ac, learned=learned,
    )  # fmt: skip
    if field.settings.zones.by == "cells" and field.zones is None:
        prescription = _against_zones(prescription, needed.ledger, needed.se_lb_ac)
    if sketch:
        return prescription
    if learned is not None:
        before = prescribe(
            field=field, grid=grid, share=share, surfaces=known, ledger=plain.ledger, zones=zones,
            need_se=plain.se_lb_ac,
        )  # fmt: skip
        learned = replace(learned, without_n_lb_ac=tuple(rate.rate_n_lb_ac for rate in before.rates))
    prescription = with_uncertainty(prescription, needed.need_of, cells=needed.cells, input_names=needed.drawn)
    methods = needed.methods_by_zone(prescription.zones.labels, share)
    findings = (
        *field.findings, *readings.findings, *profile.findings,
        *(finding for surface in known.values() for finding in surface.findings), *needed.findings, *of_trials,
        *silent,
        *(note("own.surface", name, source=source) for name in own),
        *(() if needed.ledger.published else (note("own.need", "need", source=needed.ledger.source),)),
        *prescription.findings,
        *disagreements(
            methods, needed.ledger.key, nitrate_ppm={rate.zone: rate.nitrate_ppm for rate in prescription.rates},
            bottom_in=float(profile.top[-1].bottom_in[0]), growth_stage=needed.season.growth_stage,
            deep_sampled=bool(profile.deep), reason=field.settings.nitrogen.method_reason,
        ),
    )  # fmt: skip
    return identified(replace(
        prescription, findings=tuple(sorted(findings, key=lambda one: one.code not in FIRST_RANK)),
        methods=methods,
        season=needed.season, response=needed.response, readings=readings,
        learned=learned,
        causes=None if own or own_of_cells else causes_of_error(prescription),
    ))  # fmt: skip


def _against_zones(made: Prescription, ledger: Ledger, need_se: NDArray[np.float64] | None) -> Prescription:
    """A rate for every step, with what the drive says of it beside zones; a warning where zones come nearer."""
    settings = made.field.settings
    field = replace(made.field, settings=replace(settings, zones=replace(settings.zones, by="need")))
    zones = zones_of(field, grid=made.grid, share=made.share, ledger=ledger, need_se=need_se)
    other = prescribe(
        field=field, grid=made.grid, share=made.share, surfaces=made.surfaces, ledger=ledger, zones=zones,
        need_se=need_se,
    )  # fmt: skip
    if made.drive is None or other.drive is None:
        return made
    told: dict[str, Quantity | int] = {
        "count": len(other.rates), "zones": Quantity("amount", other.drive.missed_lb_ac),
        "cells": Quantity("amount", made.drive.missed_lb_ac),
    }  # fmt: skip
    better = made.drive.missed_lb_ac < other.drive.missed_lb_ac
    finding = note("rates.cells-nearer", "zones", **told) if better else warning("rates.zones-nearer", "zones", **told)
    return replace(made, findings=(*made.findings, finding))


def grid_of(field: Field) -> Grid:
    """The grid that `build` will work on: own surfaces and an own need are given on it."""
    return ground_of(field)[0]


def ground_of(field: Field) -> tuple[Grid, NDArray[np.float64]]:
    """Grid of the field and the share of each cell that is treated.

    Raises InputFileError if nothing is left to treat.
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


class ReportMaker(Protocol):
    """Writes a prescription's GeoPackage and sets report and job ticket while the other files are written."""

    def begin(self, prescription: Prescription, folder: Path) -> None:
        """Take the prescription and the folder of its GeoPackage, and return at once."""
        ...

    def finish(self) -> tuple[bytes, bytes, bytes] | None:
        """The report as a page and as paper, and the job ticket; None where these and the GeoPackage are not made."""
        ...


def write(
    prescription: Prescription, out_dir: str | Path, *,
    check: Callable[[Path], Any] | None = None, report: ReportMaker | None = None,
    sources: Mapping[str, Path] | None = None, key: "Ed25519PrivateKey | None" = None,
) -> Path:  # fmt: skip
    """
    Write every output of a prescription into one folder.

    Parameters
    ----------
    out_dir : path
        Made when it is not there; replaced whole when it holds only what an earlier run wrote.
    check : callable, optional
        Called with the staged folder, every file in it, before anything is swapped in; what it raises stops all.
    report : ReportMaker, optional
        Sets the report beside the other files.
    sources : mapping of str to Path, optional
        Field file, review and as-applied file that it was built from: what ``vrn sign`` builds again.
    key : Ed25519PrivateKey, optional
        Signs what is approved.

    Returns
    -------
    folder : Path
        ``out_dir``, complete.

    Raises
    ------
    OutputError
        If the folder holds files of another origin, another run is writing to it, it cannot be written, or a rate
        must not leave. Nothing is changed then.
    """
    from vrn.files.signature import write_signature
    from vrn.files.summary import write_summary

    prescription = with_export_findings(prescription)

    def fill(staged: Path) -> None:
        if report is not None:
            report.begin(prescription, staged)
        for write_one in _writers(report=report):
            write_one(prescription, staged)
        write_signature(prescription, staged, key)
        write_summary(prescription, staged)
        if sources:
            note_source(staged, Path(out_dir), sources, prescription.replaces)

    return write_staged(fill, out_dir, check=check)


def write_controls(prescription: Prescription, folder: Path) -> None:
    """Write only what a terminal reads, the load sheet, and what they are held against, into an existing folder."""
    from vrn.files.signature import write_signature
    from vrn.files.summary import write_summary

    prescription = with_export_findings(prescription)
    for write_one in _writers(only_controls=True):
        write_one(prescription, folder)
    write_signature(prescription, folder)
    write_summary(prescription, folder)


def succeeding(prescription: Prescription, earlier: "Earlier | None") -> Prescription:
    """The prescription held against the one that lies in its folder: what its approval is worth, whom it replaces."""
    prescription = identified(prescription, earlier=None if earlier is None else earlier.statement)
    return prescription if earlier is None else replace(prescription, replaces=earlier.replaced_by(prescription.id))


def with_export_findings(prescription: Prescription) -> Prescription:
    """The prescription with what writing it has to tell among its findings.

    Raises OutputError if a rate must not leave: the last gate before a file.
    """
    from vrn.files.iso import coarser_cells
    from vrn.files.names import cleaned_names

    check_before_writing(prescription)
    prescription = identified(prescription)
    known = set(prescription.findings)
    new = [found for found in (*cleaned_names(prescription), *coarser_cells(prescription)) if found not in known]
    return replace(prescription, findings=(*prescription.findings, *new)) if new else prescription


def _writers(
    *, only_controls: bool = False, report: ReportMaker | None = None
) -> tuple[Callable[[Prescription, Path], None], ...]:
    """Every format, or what a terminal reads and what that is held against; signature and summary come after them."""
    from vrn.files.iso import write_iso
    from vrn.files.raster import write_rasters
    from vrn.files.statement import write_statement
    from vrn.files.tables import write_geopackage, write_tables
    from vrn.files.vectors import write_geojson, write_gpx, write_shapefile, write_trial_plots
    from vrn.pages.load_sheet import write_load_sheet
    from vrn.pages.report_page import job_ticket

    def write_ticket(prescription: Prescription, folder: Path) -> None:
        (folder / "load_sheet.pdf").write_bytes(job_ticket(prescription))

    return (
        write_geojson, write_trial_plots, write_shapefile, write_iso, write_tables, write_load_sheet, write_statement,
        *((write_geopackage, write_ticket) if only_controls else (write_rasters, write_gpx, *_page_writers(report))),
    )  # fmt: skip


def _page_writers(report: ReportMaker | None) -> tuple[Callable[[Prescription, Path], None], ...]:
    def write_map_page(prescription: Prescription, folder: Path) -> None:
        from vrn.pages.map_page import write_map

        write_map(prescription, folder / "map.html")

    def write_report_pages(prescription: Prescription, folder: Path) -> None:
        from vrn.files.tables import write_geopackage
        from vrn.pages.report_page import write_reports

        made = None if report is None else report.finish()
        if made is None:
            write_geopackage(prescription, folder)
        paths = (folder / name for name in ("report.html", "report.pdf", "load_sheet.pdf"))
        write_reports(prescription, *paths, made=made)

    return write_map_page, write_report_pages
