"""The pipeline wires the rooms: what leaves one is what the next one gets, and nothing is lost on the way."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely

import vrn
from vrn.audit import compare, verify
from vrn.errors import InputFileError, OutsideCalibrationError
from vrn.findings import Quantity
from vrn.many.stick import carried, put, stick_report
from vrn.model.samples import profile_of
from vrn.prescription.model import Prescription

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"


@pytest.fixture(scope="module", params=["cedar_bend", "heron_flat", "mill_race"])
def built(request: pytest.FixtureRequest, demo_built: Callable[[str], Prescription]) -> Prescription:
    """Each demo field."""
    return demo_built(request.param)


def test_cells_add_up(built: Prescription) -> None:
    """Every treated cell's lines add up to its unclipped need, to 1e-9."""
    here = built.share.ravel() > 0
    total = sum(np.broadcast_to(np.asarray(line.lb_ac, float), here.shape) for line in built.ledger.lines)
    need = built.surfaces["need_lb_ac"].values.ravel()
    np.testing.assert_allclose(total[here], need[here], atol=1e-9)


def test_zone_ledgers_are_means_of_their_cells(built: Prescription) -> None:
    """A zone's ledger adds up to the area-weighted mean of its cells' needs."""
    for rate in built.rates:
        cells = built.zones.labels == rate.zone
        mean = np.average(built.surfaces["need_lb_ac"].values[cells], weights=built.share[cells])
        assert float(rate.ledger.unclipped_lb_ac) == pytest.approx(mean, abs=1e-6)


def test_zones_cover_the_treated_ground(built: Prescription) -> None:
    """Zones leave no gap, overlap nowhere, and touch no no-apply ground: to 1e-6 of the area."""
    outlines = [rate.outline for rate in built.rates]
    treated = built.field.treated
    together = shapely.union_all(outlines)
    assert shapely.area(shapely.symmetric_difference(together, treated)) <= 1e-6 * treated.area
    assert sum(outline.area for outline in outlines) == pytest.approx(treated.area, rel=1e-6)


def test_totals_follow_from_the_zones(built: Prescription) -> None:
    """Totals are the zones' acres times their rates."""
    assert built.total_n_lb == pytest.approx(sum(rate.acres * rate.rate_n_lb_ac for rate in built.rates))
    assert built.total_product == pytest.approx(built.total_n_lb / built.product.n_lb_per_unit)


def test_steps_are_told_in_order() -> None:
    """Progress names the steps in the order data flows."""
    steps: list[str] = []
    vrn.build(vrn.read_field(DEMO / "mill_race" / "field.toml"), progress=steps.append)
    assert steps == ["surfaces", "nitrogen", "zones", "rates"]


def test_second_foot_is_a_finding_when_it_was_not_pulled(demo_built: Callable[[str], Prescription]) -> None:
    """A second foot nobody pulled is a line of 0 and a finding."""
    built = demo_built("mill_race")
    assert "nitrogen.depth-not-sampled-likely" in {finding.code for finding in built.findings}
    assert any(
        line.key == "deep_nitrate" and np.all(np.asarray(line.lb_ac) == 0) for line in built.ledger.lines
    ) or any("12–24" in line.label for line in built.ledger.lines)


def test_a_method_out_of_season_does_not_build() -> None:
    """A method calibrated on preplant profiles refuses cores pulled at V7."""
    field = vrn.read_field(DEMO / "heron_flat" / "field.toml")
    settings = replace(field.settings, nitrogen=replace(field.settings.nitrogen, method="nebraska"))
    with pytest.raises(OutsideCalibrationError, match="V7"):
        vrn.build(replace(field, settings=settings))


def test_no_apply_ground_over_the_whole_field_is_refused() -> None:
    """A setback that eats the field leaves nothing to prescribe, and says so."""
    field = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    with pytest.raises(InputFileError, match="covers the whole field"):
        vrn.build(replace(field, no_apply=field.boundary.buffer(10)))


def test_competing_depths_are_sorted_by_their_number() -> None:
    """Where 0–12 and 0–24 in compete, the depth with more readings speaks and the other is told."""
    field = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    bottom_in = field.samples.bottom_in.copy()
    bottom_in[:5] = 24.0
    profile = profile_of(replace(field.samples, bottom_in=bottom_in).field_readings())
    assert [set(layer.bottom_in.tolist()) for layer in profile.top] == [{12.0}]
    assert profile.deep == ()
    assert (profile.findings[0].code, profile.findings[0].quantities["readings"].value) == ("ingest.depths-left-out", 5)


def test_no_reading_at_the_surface_is_refused() -> None:
    """Readings that all start below the surface cannot be struck into a ledger."""
    field = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    deep = replace(field.samples, top_in=field.samples.bottom_in, bottom_in=field.samples.bottom_in + 12)
    with pytest.raises(InputFileError, match="no reading starts at the surface"):
        profile_of(deep.field_readings())


def test_rates_cell_by_cell_are_told_beside_zones_and_verified(quick_reports: None, tmp_path: Path) -> None:
    """``by = "cells"``: more rates than zones ever are, in steps; the drive of both is told; every file agrees."""
    field = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    settings = field.settings
    made = vrn.build(
        replace(field, settings=replace(settings, header=replace(settings.header, cell_m=20.0),
                                        zones=replace(settings.zones, by="cells")))
    )  # fmt: skip
    rates = [rate.rate_n_lb_ac for rate in made.rates]
    assert len(set(rates)) > 8
    assert all(rate % settings.machine.rate_step_n_lb_ac == 0 for rate in rates)
    (told,) = (one for one in made.findings if one.code in ("rates.cells-nearer", "rates.zones-nearer"))
    cells, zones = (told.quantities[name] for name in ("cells", "zones"))
    assert isinstance(cells, Quantity)
    assert isinstance(zones, Quantity)
    assert made.drive is not None
    assert cells.value == made.drive.missed_lb_ac
    assert (told.level == "warning") == (cells.value >= zones.value)
    out, stick = vrn.write(made, tmp_path / "out"), tmp_path / "stick"
    assert verify(out).failed == ()
    stick.mkdir()
    put(stick, [carried(out)])
    report = stick_report(stick)
    assert (len(report.fields), report.changed) == (1, ())
    assert report.fields[0].id == made.id
    driven = compare(out, out / "prescription.geojson", rate_column="rate_product", unit="gal/ac")
    assert [zone.mean_n_lb_ac for zone in driven.zones] == pytest.approx(rates, rel=0.01)
    assert driven.within_share > 0.99
