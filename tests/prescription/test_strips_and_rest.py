"""Check strips, what is left after a rain-out, the buffer past the edge, and the tank."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.errors import InputFileError, OutOfRangeError
from vrn.model.job import CheckStripSection
from vrn.model.settings import (
    LimitSection,
    MachineSection,
    PriceSection,
    ProductSection,
)
from vrn.prescription import Prescription, remaining
from vrn.prescription.prescribe import STRIP_TOLERANCE
from vrn.response.payoff import Payoff, covering_rate
from vrn.units import AC_M2, FT_M

Make = Callable[..., Any]
WEST, SOUTH = 500_000.0, 4_650_000.0


def _with_strips(made: Make, **choices: Any) -> Prescription:
    section = CheckStripSection(**{"length_ft": 600.0, **choices})
    prescription: Prescription = made(
        (80.0, 130.0), check_strips=section, machine=MachineSection(swath_ft=60.0, heading_deg=90.0)
    ).prescribe()
    return prescription


def test_a_pair_of_strips_crosses_the_contrast(made: Make) -> None:
    """More and less by 30 lb/ac, each in both zones, along the heading, a swath wide."""
    prescription = _with_strips(made)
    strips = [rate for rate in prescription.rates if rate.trial]
    assert [rate.rate_n_lb_ac for rate in strips] == [110.0, 160.0, 50.0, 100.0]
    assert [rate.zone for rate in strips] == [3, 4, 5, 6]
    assert strips[0].label == "check strip 1, +30 lb N/ac in zone 1"
    for rate in strips:
        west, south, east, north = rate.outline.bounds
        assert north - south == pytest.approx(60 * FT_M, abs=0.05)
        assert east - west >= 0.35 * 600 * FT_M - 5
    lanes = sorted({round(rate.outline.centroid.y, 1) for rate in strips})
    assert lanes[1] - lanes[0] == pytest.approx(2 * 60 * FT_M, abs=0.1)  # an ordinary swath between them


@pytest.mark.parametrize(("step", "asked", "put_on"), [(5.0, 30.0, 30.0), (8.92179, 30.0, 26.76537), (20.0, 5.0, 20.0)])
def test_strips_differ_by_whole_rate_steps(made: Make, step: float, asked: float, put_on: float) -> None:
    """A strip's rate is one the machine can make: 30 lb/ac at steps of 10 kg/ha is three of them (NIST SP 811)."""
    field = made(
        (80.0, 130.0), check_strips=CheckStripSection(length_ft=600.0, step_n_lb_ac=asked),
        machine=MachineSection(swath_ft=60.0, heading_deg=90.0, rate_step_n_lb_ac=step),
    )  # fmt: skip
    rates = field.prescribe().rates
    ordinary = {rate.zone: rate.rate_n_lb_ac for rate in rates if not rate.trial}
    found = {round(abs(rate.rate_n_lb_ac - ordinary[rate.trial.in_zone]), 5) for rate in rates if rate.trial}
    assert found == {put_on}


def test_strips_leave_the_fields_total(made: Make) -> None:
    """What one strip has more the other has less, within the stated tolerance; zones still fill the field."""
    plain = made((80.0, 130.0), machine=MachineSection(swath_ft=60.0, heading_deg=90.0)).prescribe()
    prescription = _with_strips(made, pairs=2)
    report = prescription.check_strips
    assert report is not None
    assert len({rate.trial.pair for rate in prescription.rates if rate.trial}) == 2
    assert abs(prescription.total_n_lb - plain.total_n_lb) <= STRIP_TOLERANCE * plain.total_n_lb
    assert report.total_change_n_lb == pytest.approx(prescription.total_n_lb - plain.total_n_lb, abs=1e-6)
    outlines = np.array([rate.outline for rate in prescription.rates], dtype=object)
    assert shapely.coverage_is_valid(outlines)
    assert shapely.area(outlines).sum() == pytest.approx(prescription.field.boundary.area, rel=1e-9)
    assert prescription.acres == pytest.approx(plain.acres, rel=1e-9)


def test_strips_show_on_the_rate_grid(made: Make) -> None:
    """The raster carries the strips too: six rates in all."""
    prescription = _with_strips(made)
    assert np.unique(prescription.rate_grid()).tolist() == [50.0, 80.0, 100.0, 110.0, 130.0, 160.0]


def test_limits_hold_on_strips(made: Make) -> None:
    """With a cap of 150 no strip may stand in the zone of 130: both stay in the other."""
    prescription = made(
        (80.0, 130.0), check_strips=CheckStripSection(length_ft=400.0), limits=LimitSection(max_n_lb_ac=150.0),
        machine=MachineSection(swath_ft=60.0, heading_deg=90.0),
    ).prescribe()  # fmt: skip
    assert max(rate.rate_n_lb_ac for rate in prescription.rates) == 130.0
    assert {rate.trial.in_zone for rate in prescription.rates if rate.trial} == {1}


def test_no_place_for_strips_is_reported(made: Make) -> None:
    """A strip longer than the field has no place: no strip, and a warning."""
    prescription = _with_strips(made, length_ft=4000.0)
    assert not any(rate.trial for rate in prescription.rates)
    assert any(finding.code == "rates.strips-no-place" for finding in prescription.findings)


@pytest.mark.parametrize(("heading_deg", "warned"), [(0.0, True), (90.0, False)])
def test_strips_that_move_the_total_too_far_are_reported(made: Make, heading_deg: float, warned: bool) -> None:
    """
    Strips beside the borders of zones 80 m wide leave out more than half a percent on one side; across they do not.

    Parts of a strip that are too short to keep stay ordinary ground: their pounds are what the total moves by.
    """
    prescription = made(
        (80.0, 130.0, 80.0, 130.0, 80.0), machine=MachineSection(swath_ft=60.0, heading_deg=heading_deg),
        check_strips=CheckStripSection(length_ft=250.0, pairs=3, step_n_lb_ac=50.0, width_ft=120.0),
    ).prescribe()  # fmt: skip
    report = prescription.check_strips
    assert report.tolerance_n_lb == pytest.approx(0.005 * (prescription.total_n_lb - report.total_change_n_lb))
    assert (abs(report.total_change_n_lb) > report.tolerance_n_lb) is warned
    assert any(finding.code == "rates.strips-change-total" for finding in prescription.findings) is warned


def test_wide_strips_are_whole_swaths(made: Make) -> None:
    """90 ft asked for with a 60-ft machine is two swaths."""
    prescription = _with_strips(made, width_ft=90.0)
    _, south, _, north = next(rate for rate in prescription.rates if rate.trial).outline.bounds
    assert north - south == pytest.approx(120 * FT_M, abs=0.05)


def test_what_is_left_after_a_rain_out(made: Make) -> None:
    """The west 150 m are done: the rest keeps its rates, and needs product for 250 m of the field."""
    whole = made((60.0, 100.0, 150.0), product=ProductSection(name="UAN 32")).prescribe()
    covered = shapely.box(WEST - 10, SOUTH - 10, WEST + 150, SOUTH + 410)
    rest = remaining(whole, [covered])
    assert [rate.rate_n_lb_ac for rate in rest.rates] == [100.0, 150.0]
    assert [rate.label for rate in rest.rates] == ["zone 2 of the whole field", "zone 3 of the whole field"]
    areas_m2 = [(400 * 2 / 3 - 150) * 400, 400 / 3 * 400]
    assert [rate.outline.area for rate in rest.rates] == pytest.approx(areas_m2)
    pounds = (areas_m2[0] * 100 + areas_m2[1] * 150) / AC_M2
    assert rest.total_n_lb == pytest.approx(pounds, rel=2e-3)  # ellipsoid against the plane
    assert rest.total_product == pytest.approx(rest.total_n_lb / 3.5392)
    report = rest.remaining
    assert report is not None
    assert report.covered_ac + report.left_ac == pytest.approx(whole.acres)
    assert report.was_zone == (2, 3)
    assert (rest.rate_grid()[np.isfinite(rest.rate_grid())] >= 100).all()
    assert rest.share.sum() * rest.grid.cell_m2 == pytest.approx(250 * 400)
    assert rest.loads is not None
    assert rest.loads.total == pytest.approx(rest.total_product)


def test_passes_that_overlap_are_counted_once(made: Make) -> None:
    """Swaths of an as-applied file overlap by a metre, or leave a foot between them: the rest is one piece."""
    whole = made((100.0,)).prescribe()
    for over in (0.5, -0.15):
        swaths = [
            shapely.box(WEST + 18 * k - over, SOUTH - 5, WEST + 18 * (k + 1) + over, SOUTH + 405) for k in range(10)
        ]
        rest = remaining(whole, swaths)
        assert rest.acres == pytest.approx(whole.acres * (400 - 180 - over) / 400, rel=2e-3)
        assert [rate.parts for rate in rest.rates] == [1]


def test_what_is_left_is_reported_under_its_new_numbers(made: Make) -> None:
    """With zone 1 covered, strips, findings and covered ground follow: zone 2 is zone 1 now, its strips 3 and 4."""
    whole = made(
        (60.0, 100.0, 190.0), check_strips=CheckStripSection(length_ft=400.0), limits=LimitSection(max_n_lb_ac=180.0),
        machine=MachineSection(swath_ft=60.0, heading_deg=0.0),
    ).prescribe()  # fmt: skip
    assert {rate.trial.in_zone for rate in whole.rates if rate.trial} == {2}
    covered = shapely.box(WEST - 10, SOUTH - 10, WEST + 400 / 3, SOUTH + 410)
    rest = remaining(whole, [covered])
    assert [rate.label for rate in rest.rates] == [
        "zone 2 of the whole field", "zone 3 of the whole field",
        "check strip 1, +30 lb N/ac in zone 1", "check strip 1, -30 lb N/ac in zone 1",
    ]  # fmt: skip
    assert [(rate.zone, rate.trial.in_zone) for rate in rest.rates if rate.trial] == [(3, 1), (4, 1)]
    assert [finding.about for finding in whole.findings if finding.code == "rates.held-pass-cap"] == ["zone 3"]
    assert [finding.about for finding in rest.findings if finding.code == "rates.held-pass-cap"] == ["zone 2"]
    assert shapely.covers(shapely.buffer(rest.field.no_apply, 1e-6), shapely.intersection(covered, rest.field.boundary))


def test_a_zone_driven_to_a_hair_of_its_border_is_done(made: Make) -> None:
    """A written border is a centimetre off: the sliver left of zone 1 goes with zone 2, and is no zone of its own."""
    whole = made((60.0, 100.0, 150.0)).prescribe()
    rest = remaining(whole, [shapely.box(WEST - 10, SOUTH - 10, WEST + 400 / 3 - 0.01, SOUTH + 410)])
    assert [rate.rate_n_lb_ac for rate in rest.rates] == [100.0, 150.0]
    assert rest.acres == pytest.approx(whole.acres * 2 / 3, rel=1e-3)


@pytest.mark.parametrize(
    ("covered", "message"),
    [
        (shapely.box(0, 0, 10, 10), "does not touch the field"),
        (shapely.box(WEST - 1, SOUTH - 1, WEST + 401, SOUTH + 401), "whole field is covered"),
    ],
)
def test_nothing_covered_or_nothing_left_is_refused(made: Make, covered: shapely.Geometry, message: str) -> None:
    """Another field's file, or a field that is done."""
    with pytest.raises(InputFileError, match=message):
        remaining(made((100.0,)).prescribe(), [covered])


def test_tanks_and_the_order(made: Make) -> None:
    """39.54 ac at 100 lb N/ac of UAN 32 are 1117 gal, 12,357 lb: two fills of 800 gal, 317 in the second."""
    prescription = made(
        (100.0,), product=ProductSection(name="UAN 32"), machine=MachineSection(tank_gal=800.0),
        prices=PriceSection(n_per_lb=0.5),
    ).prescribe()  # fmt: skip
    loads = prescription.loads
    gallons = prescription.acres * 100 / 3.5392
    assert loads.total == pytest.approx(gallons)
    assert loads.loads == 2
    assert loads.last_load == pytest.approx(gallons - 800)
    assert loads.acres_per_load == pytest.approx(800 / 28.255, rel=1e-3)
    assert loads.weight_lb == pytest.approx(gallons * 11.06)
    assert loads.cost == pytest.approx(prescription.acres * 50)


def test_no_product_is_no_load(made: Make) -> None:
    """Nothing to apply: no tank, no division by nothing."""
    uan = ProductSection(name="UAN 32")
    loads = made((0.0,), product=uan, machine=MachineSection(tank_gal=800.0)).prescribe().loads
    assert (loads.total, loads.loads, loads.acres_per_load) == (0.0, None, None)


def test_the_covering_rate_is_the_cheapest() -> None:
    """No rate on a fine scale has a lower expected cost than the quantile of prices (newsvendor, by brute force)."""
    rng = np.random.default_rng(4)
    need, se = rng.uniform(60, 140, 200), np.full(200, 12.0)
    prices = Payoff(corn_per_bu=4.0, n_per_lb=0.7, n_per_bushel_lb=1.1, method_sd_lb_ac=40.0)
    chosen = covering_rate(need, se, np.ones(200), share=prices.covered_share)
    truth = need[:, None] + se[:, None] * rng.normal(size=(200, 500))

    def cost(rate: float) -> float:
        gap = truth - rate
        return float(np.mean(np.where(gap > 0, gap * (4.0 / 1.1 - 0.7), -gap * 0.7)))

    rates = np.arange(60.0, 180.0, 1.0)
    assert chosen == pytest.approx(rates[np.argmin([cost(rate) for rate in rates])], abs=2.0)


def test_without_error_the_covering_rate_is_a_plain_quantile() -> None:
    """And never under zero, where the ground holds enough."""
    need = np.linspace(-50.0, 150.0, 201)
    assert covering_rate(need, None, np.ones(201), share=0.5) == 50.0
    assert covering_rate(need, None, np.ones(201), share=0.1) == 0.0


def test_nitrogen_dearer_than_its_corn_is_refused() -> None:
    """At 0.40 a bushel and 0.60 a pound nobody fertilizes: more likely a slip."""
    with pytest.raises(OutOfRangeError, match="costs more than the"):
        Payoff(corn_per_bu=0.4, n_per_lb=0.6, method_sd_lb_ac=40.0)


def test_prices_by_hand() -> None:
    """4.20 a bushel, 1.2 lb/bu: a pound short loses 3.50 and saves .50; 6 in 7 of the ground is covered."""
    prices = Payoff(corn_per_bu=4.2, n_per_lb=0.5, n_per_bushel_lb=1.2, method_sd_lb_ac=40.0)
    assert prices.covered_share == pytest.approx(6 / 7)
