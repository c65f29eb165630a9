"""``vrn verify`` on the demo fields in every variant of the controller files."""

import itertools
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import shapely

import vrn
from vrn.audit import verify
from vrn.files.guard import check_before_writing
from vrn.files.iso import write_iso
from vrn.files.raster import write_rasters
from vrn.files.summary import write_summary
from vrn.files.tables import write_geopackage, write_tables
from vrn.files.vectors import write_geojson, write_gpx, write_shapefile, write_trial_plots
from vrn.model.job import CheckStripSection
from vrn.pages.load_sheet import write_load_sheet
from vrn.prescription import remaining
from vrn.prescription.model import Prescription

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"
ALL_BUT_PAGES = (write_geojson, write_trial_plots, write_shapefile, write_iso, write_geopackage, write_rasters,
                 write_gpx, write_tables, write_load_sheet, write_summary)  # fmt: skip
VARIANTS = [
    {"iso_version": version, "iso_grid": kind}
    for version, kind in itertools.product(("3.3", "4.3"), ("type-2", "type-1", "polygons"))
]


FIELDS = ("cedar_bend", "heron_flat", "mill_race")
FEW = [(FIELDS[i % 3], export) for i, export in enumerate(VARIANTS)]  # each variant once; all on all in the long run


@pytest.fixture(
    scope="module", params=[FIELDS[0], *(pytest.param(name, marks=pytest.mark.long) for name in FIELDS[1:])]
)
def built(request: pytest.FixtureRequest, demo_built: Callable[[str], Prescription]) -> Prescription:
    """A demo field's prescription."""
    return demo_built(request.param)


@pytest.mark.parametrize(("name", "export"), [
    pytest.param(name, export, id=f"{name} {' '.join(export.values())}",
                 marks=() if (name, export) in FEW else pytest.mark.long)
    for name in FIELDS for export in VARIANTS
])  # fmt: skip
def test_every_variant_passes(
    name: str, export: dict[str, Any], demo_built: Callable[[str], Prescription], tmp_path: Path
) -> None:
    """Nothing is found in any version and kind of the ISO 11783-10 task, nor in the files beside it."""
    built = demo_built(name)
    settings = built.field.settings
    settings = replace(settings, export=replace(settings.export, **export))
    made = replace(built, field=replace(built.field, settings=settings))
    check_before_writing(made)
    for write_one in ALL_BUT_PAGES:
        write_one(made, tmp_path)
    found = verify(tmp_path)
    assert found.ok, found.failed
    assert len(found.checks) > 25


def test_renamed_columns_and_edge_buffer_pass(built: Prescription, tmp_path: Path) -> None:
    """Columns named for a controller, an edge buffer, metric units and fixed rates are no fault."""
    settings = built.field.settings
    export = replace(
        settings.export, shapefile_columns={"RATE": "TGT"}, out_of_field_rate_n_lb_ac=30.0, fixed_rate_reason="x"
    )
    settings = replace(settings, export=export, units="metric", header=replace(settings.header, edge_buffer_ft=25.0))
    made = replace(built, field=replace(built.field, settings=settings))
    for write_one in ALL_BUT_PAGES:
        write_one(made, tmp_path)
    found = verify(tmp_path)
    assert found.ok, found.failed


def test_check_strips_and_what_is_left_of_them_pass(built: Prescription, tmp_path: Path) -> None:
    """A field with check strips, and what is left of it when the west half is covered, are no fault either."""
    field = built.field
    strips = CheckStripSection(length_ft=300.0)
    settings = replace(field.settings, check_strips=strips, header=replace(field.settings.header, edge_buffer_ft=25.0))
    whole = vrn.build(replace(field, settings=settings))
    west, south, east, north = field.boundary.bounds
    rest = remaining(whole, [shapely.box(west - 1, south - 1, (west + east) / 2, north + 1)])
    assert rest.field.treated.area == pytest.approx(rest.outline().area, rel=1e-6)
    for made in (whole, rest):
        folder = tmp_path / f"{made.acres:.0f}"
        folder.mkdir()
        for write_one in ALL_BUT_PAGES:
            write_one(made, folder)
        found = verify(folder)
        assert found.ok, found.failed
