"""A prescription: needs become rates, rates become product, and every pound is accounted for."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.errors import InputFileError
from vrn.findings import Finding, Quantity
from vrn.model.settings import (
    Application,
    LimitSection,
    MachineSection,
    NitrogenSection,
    Override,
    PriceSection,
    ProductSection,
    ReviewSection,
)
from vrn.model.surface import Surface
from vrn.prescription.uncertainty import Uncertainty
from vrn.response import expected_loss
from vrn.units import AC_M2

Make = Callable[..., Any]


def test_needs_become_rates_and_product(made: Make) -> None:
    """60, 102 and 148 lb/ac on equal thirds of 160,000 m²; UAN 32 holds .32 × 11.06 = 3.5392 lb N/gal."""
    prescription = made(product=ProductSection(name="UAN 32")).prescribe()
    assert [rate.need_lb_ac for rate in prescription.rates] == pytest.approx([60, 102, 148])
    assert [rate.rate_n_lb_ac for rate in prescription.rates] == [60, 100, 150]
    assert [rate.rate_product for rate in prescription.rates] == pytest.approx([16.953, 28.255, 42.382], abs=5e-4)
    assert prescription.rate_unit == "gal/ac"
    assert prescription.acres == pytest.approx(160_000 / AC_M2, rel=2e-3)  # ellipsoid against the projected plane
    assert prescription.total_n_lb == pytest.approx(prescription.acres * (60 + 100 + 150) / 3, rel=1e-4)
    assert prescription.total_product == pytest.approx(prescription.total_n_lb / 3.5392)
    assert prescription.flat_rate_n_lb_ac == 105.0  # the mean need is 103.3


def test_acres_are_geodesic_and_add_up(made: Make) -> None:
    """The zones' acres add up to the geodesic area of the field."""
    from pyproj import Geod

    prescription = made().prescribe()
    lonlat = prescription.field.boundary
    from vrn.model.grid import reproject

    area_m2, _ = Geod(ellps="WGS84").geometry_area_perimeter(reproject(lonlat, "EPSG:32615", "EPSG:4326"))
    assert sum(rate.acres for rate in prescription.rates) == pytest.approx(abs(area_m2) / AC_M2, rel=1e-9)
    assert prescription.acres == pytest.approx(sum(rate.acres for rate in prescription.rates))


def test_zone_ledgers_add_up_to_the_need(made: Make) -> None:
    """The lines of each zone are means over the same cells, so they add up to the zone's need."""
    for rate in made().prescribe().rates:
        assert sum(line.lb_ac for line in rate.ledger.lines) == pytest.approx(rate.need_lb_ac, abs=1e-9)
        assert [line.key for line in rate.ledger.lines] == ["crop", "soil_nitrate"]


def test_the_basis_says_what_a_rate_is(made: Make) -> None:
    """With the terminal in pounds of nitrogen the rate is nitrogen, the product per acre stays product."""
    prescription = made(product=ProductSection(name="UAN 28", rate_basis="n")).prescribe()
    assert prescription.rate_unit == "lb N/ac"
    assert [rate.rate_product for rate in prescription.rates] == [60, 100, 150]
    assert prescription.rates[1].product_per_ac == pytest.approx(33.50, abs=0.005)


def test_dry_product_is_in_pounds(made: Make) -> None:
    """Urea is 46 % N: 100 lb N/ac are 217.4 lb/ac."""
    prescription = made(product=ProductSection(name="urea")).prescribe()
    assert prescription.rate_unit == "lb/ac"
    assert prescription.rates[1].rate_product == pytest.approx(217.4, abs=0.05)


def test_no_need_is_no_rate(made: Make) -> None:
    """A zone that holds more than the crop wants gets nothing, and a negative need is never a rate."""
    prescription = made((-25.0, 80.0)).prescribe()
    assert prescription.rates[0].need_lb_ac == 0.0
    assert prescription.rates[0].rate_n_lb_ac == 0.0
    assert prescription.rates[0].ledger.unclipped_lb_ac == pytest.approx(-25.0)


def test_unknown_ground_gets_nothing_and_is_reported(made: Make) -> None:
    """A zone whose need nobody knows has a NaN need, a rate of 0 and a warning."""
    prescription = made((60.0, np.nan)).prescribe()
    assert np.isnan(prescription.rates[1].need_lb_ac)
    assert prescription.rates[1].rate_n_lb_ac == 0.0
    (found,) = _about(prescription, 2)
    assert (found.code, found.level) == ("rates.need-unknown", "warning")
    assert _values(found)["area"] == prescription.rates[1].acres
    assert np.isfinite(prescription.total_n_lb)


def test_the_caps_of_pass_season_and_machine(made: Make) -> None:
    """148 lb/ac is held to 140 by the pass, or to 120 by a season of 200 with 80 applied; each is in the audit."""
    limits = LimitSection(max_n_lb_ac=140.0)
    held = made(limits=limits).prescribe()
    assert held.rates[2].rate_n_lb_ac == 140.0
    assert [change.cause for change in held.rates[2].changes] == ["pass-cap"]
    (found,) = _about(held, 3)
    assert found.code == "rates.held-pass-cap"
    assert _values(found) == pytest.approx({"wanted": 148.0, "short": 8.0, "cap": 140.0})
    season = made(
        limits=LimitSection(max_n_lb_ac=140.0, max_season_n_lb_ac=200.0),
        applications=(Application(date=date(2026, 4, 20), product="urea", n_lb_ac=80.0),),
    ).prescribe()
    assert season.rates[2].rate_n_lb_ac == 120.0


def test_an_as_applied_surface_goes_before_the_list(made: Make) -> None:
    """Where the map of what is down says 110 in the east, the season's cap leaves 90 there and 130 in the west."""
    field = made(
        (150.0, 150.0), limits=LimitSection(max_season_n_lb_ac=200.0),
        applications=(Application(date=date(2026, 4, 20), product="urea", n_lb_ac=10.0),),
    )  # fmt: skip
    values = np.where(field.zones.labels == 2, 110.0, 70.0)
    down = Surface(name="applied_n_lb_ac", grid=field.grid, values=values, chosen="test")
    prescription = replace(field, surfaces={**field.surfaces, "applied_n_lb_ac": down}).prescribe()
    assert [rate.rate_n_lb_ac for rate in prescription.rates] == [130.0, 90.0]


def test_ground_over_the_seasons_cap_is_reported(made: Make) -> None:
    """A season of 200 and 110 down on the mean leave 90; where 130 are down that makes 220, 20 too much: a warning."""
    field = made((150.0, 150.0), limits=LimitSection(max_season_n_lb_ac=200.0))
    north = np.arange(field.grid.rows)[:, None] < field.grid.rows // 2
    values = np.where(field.zones.labels == 2, np.where(north, 130.0, 90.0), 70.0)
    down = Surface(name="applied_n_lb_ac", grid=field.grid, values=values, chosen="test")
    prescription = replace(field, surfaces={**field.surfaces, "applied_n_lb_ac": down}).prescribe()
    assert [rate.rate_n_lb_ac for rate in prescription.rates] == [130.0, 90.0]
    acres = prescription.rates[1].acres
    (over,) = [one for one in prescription.findings if one.code == "rates.over-season-cap"]
    assert (over.level, over.about) == ("warning", "zone 2")
    assert _values(over) == pytest.approx({"over": acres / 2, "area": acres, "most": 20.0}, rel=1e-3)


def test_ground_whose_applied_nitrogen_is_unknown_does_not_lift_the_seasons_cap(made: Make) -> None:
    """In the east the map of what is down says nothing: nothing goes on there, a warning says why; no cap, no need."""
    for limit, rates in ((200.0, [130.0, 0.0]), (None, [150.0, 150.0])):
        field = made((150.0, 150.0), limits=LimitSection(max_season_n_lb_ac=limit))
        down = Surface(name="applied_n_lb_ac", grid=field.grid, values=np.where(field.zones.labels == 2, np.nan, 70.0),
                       chosen="test")  # fmt: skip
        prescription = replace(field, surfaces={**field.surfaces, "applied_n_lb_ac": down}).prescribe()
        assert [rate.rate_n_lb_ac for rate in prescription.rates] == rates
        assert [found.code for found in _about(prescription, 2)] == ["rates.held-season-cap-unknown"][
            : limit is not None
        ]


@pytest.mark.parametrize(("unknown", "rate"), [(0.02, 150.0), (0.3, 150.0), (0.9, 0.0)])
def test_a_season_is_not_reckoned_from_the_little_that_is_known(made: Make, unknown: float, rate: float) -> None:
    """Where most of a zone's applied nitrogen is unknown nothing goes on; where some is, its acres are given."""
    field = made((90.0, 150.0), limits=LimitSection(max_season_n_lb_ac=200.0))
    values = np.full(field.grid.shape, 50.0)
    here = np.flatnonzero(field.zones.labels.ravel() == 2)
    values.ravel()[here[: round(unknown * len(here))]] = np.nan
    down = Surface(name="applied_n_lb_ac", grid=field.grid, values=values, chosen="test")
    prescription = replace(field, surfaces={**field.surfaces, "applied_n_lb_ac": down}).prescribe()
    assert [zone.rate_n_lb_ac for zone in prescription.rates] == [90.0, rate]
    told = {0.02: [], 0.3: ["rates.applied-partly-unknown"], 0.9: ["rates.held-season-cap-unknown"]}
    assert _codes(prescription, 2) == told[unknown]
    if unknown == 0.3:
        acres = _values(_about(prescription, 2)[0])["unknown"]
        assert acres == pytest.approx(0.3 * prescription.rates[1].acres, rel=0.01)


def test_the_rates_a_person_may_set(made: Make) -> None:
    """From the machine's least to the lowest cap, in whole steps: 32 to 113 lb/ac in steps of 5 are 35 to 110."""
    machine = MachineSection(min_rate_n_lb_ac=32.0, max_rate_n_lb_ac=180.0, rate_step_n_lb_ac=5.0)
    rates = made(machine=machine, limits=LimitSection(max_n_lb_ac=113.0)).prescribe().rates
    assert {rate.allowed_n_lb_ac for rate in rates} == {(35.0, 110.0)}


def test_without_a_list_of_applications_the_seasons_cap_holds_whole(made: Make) -> None:
    """No pass is listed and no map given: the season's cap itself is still not exceeded."""
    prescription = made((150.0, 90.0), limits=LimitSection(max_season_n_lb_ac=120.0)).prescribe()
    assert [rate.rate_n_lb_ac for rate in prescription.rates] == [120.0, 90.0]


def test_a_persons_rate_stands_but_limits_hold(made: Make) -> None:
    """An override with its reason goes before the need; 260 is held to 180; other zones make up no total for it."""
    review = ReviewSection(override=(Override(zone=1, rate_n_lb_ac=82.0, reason="stand is thin"),
                                     Override(zone=3, rate_n_lb_ac=260.0, reason="trial")))  # fmt: skip
    prescription = made(
        review=review, machine=MachineSection(max_rate_n_lb_ac=180.0), limits=LimitSection(max_n_lb_ac=200.0)
    ).prescribe()
    assert [rate.rate_n_lb_ac for rate in prescription.rates] == [80.0, 100.0, 180.0]
    by_hand, step = prescription.rates[0].changes
    assert (by_hand.cause, by_hand.quantities) == ("person", {"reason": Quantity("text", "stand is thin")})
    assert (step.cause, step.quantities["step"].value) == ("step", 5.0)


def _about(prescription: Any, zone: int) -> list[Finding]:
    return [finding for finding in prescription.findings if finding.about == f"zone {zone}"]


def _codes(prescription: Any, zone: int) -> list[str]:
    return [finding.code for finding in _about(prescription, zone)]


def _values(finding: Finding) -> dict[str, Any]:
    return {name: quantity.value for name, quantity in finding.quantities.items()}


def test_what_holds_a_rate_back_is_named(made: Make) -> None:
    """260 set by hand on a need of 148 and held to 180 is 80 under what was set, not under the need."""
    machine = MachineSection(max_rate_n_lb_ac=180.0, min_rate_n_lb_ac=30.0)
    review = ReviewSection(override=(Override(zone=1, rate_n_lb_ac=12.0, reason="wet"),
                                     Override(zone=3, rate_n_lb_ac=260.0, reason="trial")))  # fmt: skip
    by_hand = made(review=review, machine=machine).prescribe()
    assert _codes(by_hand, 3) == ["rates.held-machine-most", "rates.above-need-person"]
    held, above = _about(by_hand, 3)
    assert _values(held) == pytest.approx({"wanted": 260.0, "short": 80.0, "cap": 180.0})
    assert _values(above) == pytest.approx({"over": 32.0, "need": 148.0})
    (low,) = _about(by_hand, 1)
    assert low.code == "rates.person-below-least"
    assert _values(low) == {"wanted": 12.0, "rate": 0.0, "least": 30.0}
    assert not _about(by_hand, 2)


def test_a_machine_that_cannot_reach_the_need_is_a_warning(made: Make) -> None:
    """148 lb/ac with a machine that stops at 110: 38 missing; with 20 left of the season and 30 the least, all."""
    short = made(machine=MachineSection(max_rate_n_lb_ac=110.0)).prescribe()
    (found,) = _about(short, 3)
    assert (found.code, found.level) == ("rates.held-machine-most", "warning")
    assert _values(found) == pytest.approx({"wanted": 148.0, "short": 38.0, "cap": 110.0})
    nothing = made(
        machine=MachineSection(min_rate_n_lb_ac=30.0), limits=LimitSection(max_season_n_lb_ac=100.0),
        applications=(Application(date=date(2026, 4, 20), product="urea", n_lb_ac=80.0),),
    ).prescribe()  # fmt: skip
    assert [rate.rate_n_lb_ac for rate in nothing.rates] == [0.0, 0.0, 0.0]
    (found,) = _about(nothing, 3)
    assert found.code == "rates.held-no-step"
    assert _values(found)["short"] == pytest.approx(148.0)


def test_a_rate_set_where_the_need_is_unknown(made: Make) -> None:
    """A person may set 90 where the need is unknown: the warning says so, and not that nothing is put on."""
    review = ReviewSection(override=(Override(zone=2, rate_n_lb_ac=90.0, reason="as last year"),))
    (found,) = _about(made((60.0, np.nan), review=review).prescribe(), 2)
    assert (found.code, _values(found)["rate"]) == ("rates.need-unknown-rate", 90.0)


@pytest.mark.parametrize(
    ("overrides", "message"),
    [
        ((Override(zone=7, rate_n_lb_ac=50.0, reason="x"),), "names zone 7; the field has 3"),
        ((Override(zone=1, rate_n_lb_ac=50.0, reason="x"), Override(zone=1, rate_n_lb_ac=60.0, reason="y")), "twice"),
        ((Override(zone=1, rate_n_lb_ac=50.0, reason="  "),), "gives no reason"),
    ],
)
def test_overrides_that_make_no_sense_are_refused(made: Make, overrides: tuple[Override, ...], message: str) -> None:
    """A zone that is not there, two rates for one zone, a rate without a reason."""
    with pytest.raises(InputFileError, match=message):
        made(review=ReviewSection(override=overrides)).prescribe()


def test_draft_until_signed(made: Make) -> None:
    """The finding goes when a name and a date are there."""
    assert any(finding.code == "rates.draft" for finding in made().prescribe().findings)
    signed = ReviewSection(approved_by="A. Agronomist", approved_on=date(2026, 6, 16))
    assert not any(finding.code == "rates.draft" for finding in made(review=signed).prescribe().findings)


def test_against_the_flat_rate(made: Make) -> None:
    """One rate of 105 misses 60, 102 and 148 by 45, 3 and 43; the zones miss them by 0, 2 and 2."""
    prescription = made().prescribe()
    flat = prescription.flat
    assert flat.misallocated_lb_ac == pytest.approx((45 + 3 + 43) / 3, rel=0.02)
    assert flat.zones_misallocated_lb_ac == pytest.approx((0 + 2 + 2) / 3, rel=0.02)
    assert flat.total_n_lb == pytest.approx(105.0 * prescription.acres)
    assert prescription.rounding.before_n_lb == pytest.approx(prescription.acres * (60 + 102 + 148) / 3, rel=1e-4)
    assert prescription.rounding.after_n_lb == pytest.approx(prescription.total_n_lb)


def test_the_error_of_a_zones_need(made: Make) -> None:
    """The cells' errors are taken to go together: the zone's error is their mean."""
    field = made()
    se = np.where(field.zones.labels == 1, 10.0, 20.0)
    prescription = field.prescribe(need_se=se)
    assert [rate.need_se_lb_ac for rate in prescription.rates] == pytest.approx([10, 20, 20])
    assert made().prescribe().rates[0].need_se_lb_ac is None


def test_prices_under_a_kink_cover_most_of_the_ground(made: Make) -> None:
    """Corn at 4.40 and nitrogen at 0.60 cover 85 % of the ground: 1.0364 σ above the mean (normal tables)."""
    field = made((100.0,), prices=PriceSection(corn_per_bu=4.4, n_per_lb=0.6, rate_by="kinked response"),
                 machine=MachineSection(rate_step_n_lb_ac=1.0))  # fmt: skip
    asked = field.prescribe(need_se=np.full(field.grid.shape, 20.0))
    assert asked.rates[0].rate_n_lb_ac == 121.0
    by_prices = asked.rates[0].changes[0]
    assert (by_prices.cause, by_prices.quantities["share"].value) == ("kinked", pytest.approx(0.85))


@pytest.mark.parametrize(("n_per_lb", "rate", "cause"), [
    (0.44, 108.0, "return"), (0.55, 100.0, "return"), (0.66, 93.0, "return"), (0.88, 79.0, "return"),
    (1.10, 79.0, "return-held"), (0.22, 108.0, "return-held"),
])  # fmt: skip
def test_both_prices_set_the_rate_that_returns_most(made: Make, n_per_lb: float, rate: float, cause: str) -> None:
    """Corn at 4.40, need 100, method's error 40: +8.2, 0, −7.5, −21.0 at 0.10, 0.125, 0.15, 0.20; held beyond."""
    prices = PriceSection(corn_per_bu=4.4, n_per_lb=n_per_lb)
    field = made((100.0,), prices=prices, machine=MachineSection(rate_step_n_lb_ac=1.0),
                 nitrogen=NitrogenSection(method_sd_lb_ac=40.0))  # fmt: skip
    got = field.prescribe()
    assert (got.rates[0].rate_n_lb_ac, got.rates[0].changes[0].cause) == (rate, cause)
    assert made((100.0,), prices=replace(prices, rate_by="need")).prescribe().rates[0].rate_n_lb_ac == 100.0
    assert made((100.0,), prices=replace(prices, corn_per_bu=None)).prescribe().prices is None


@pytest.mark.parametrize("rule", ["return", "kinked response"])
@pytest.mark.parametrize("need", [100.0, -30.0])
def test_prices_are_a_line_that_adds_up(made: Make, rule: str, need: float) -> None:
    """Need and line of prices are the rate before limits; the ledger's own lines stay the need; no line by need."""
    prices = PriceSection(corn_per_bu=4.4, n_per_lb=0.88, rate_by=rule)
    fine = MachineSection(rate_step_n_lb_ac=0.5, min_rate_n_lb_ac=0.0)
    rate = made((need,), prices=prices, machine=fine).prescribe().rates[0]
    wanted = sum(float(line.lb_ac) for line in rate.lines)
    assert max(wanted, 0.0) == pytest.approx(rate.changes[0].to_n_lb_ac, abs=1e-9)
    assert rate.rate_n_lb_ac == pytest.approx(max(wanted, 0.0), abs=0.25)
    assert rate.lines[-1].key == "prices"
    assert max(float(rate.ledger.unclipped_lb_ac), 0.0) == rate.need_lb_ac == max(need, 0.0)
    by_need = made((need,), prices=replace(prices, rate_by="need"), machine=fine).prescribe().rates[0]
    assert (by_need.prices, by_need.lines) == (None, by_need.ledger.lines)


def test_line_of_prices_says_when_it_is_held(made: Make) -> None:
    """Ratios of 0.25 and 0.20 add the same pounds, and the first says 0.20; within 0.10 to 0.20 nothing is held."""
    lines = [
        made((100.0,), prices=PriceSection(corn_per_bu=4.4, n_per_lb=ratio * 4.4)).prescribe().rates[0].prices
        for ratio in (0.25, 0.20, 0.15, 0.05)
    ]
    assert lines[0].lb_ac == pytest.approx(lines[1].lb_ac, abs=1e-9)
    assert ["beyond 0.20" in line.basis for line in lines] == [True, False, False, False]
    assert "beyond 0.10" in lines[3].basis
    assert lines[3].lb_ac > 0 > lines[2].lb_ac > lines[1].lb_ac


def test_a_person_stands_above_prices(made: Make) -> None:
    """An override is written as it is: no shift of prices comes on top, and no line of them."""
    review = ReviewSection(override=(Override(zone=1, rate_n_lb_ac=120.0, reason="side hill"),))
    got = made((100.0, 100.0), prices=PriceSection(corn_per_bu=4.4, n_per_lb=0.88), review=review).prescribe()
    assert [rate.rate_n_lb_ac for rate in got.rates] == [120.0, 80.0]
    assert [rate.prices is None for rate in got.rates] == [True, False]


def test_worth_of_zones_is_what_the_spread_costs(made: Make) -> None:
    """Needs of 90 and 130 on half each: $2.88/ac over one flat rate at the best rates (see the response room)."""
    fine = {"machine": MachineSection(rate_step_n_lb_ac=0.5), "nitrogen": NitrogenSection(method_sd_lb_ac=40.0)}
    got = made((90.0, 130.0), prices=PriceSection(corn_per_bu=4.4, n_per_lb=0.6), **fine).prescribe()
    least, usual, most = got.prices.worth.over_flat
    assert usual == pytest.approx(2.88, abs=0.02)
    assert least < usual < most
    assert got.prices.worth.over_nothing[0] > 50


def test_worth_is_of_the_response_that_was_given(made: Make) -> None:
    """A bend of 0.0045 alone: 0.0045 × 400 × 4.4 × (1 − Φ) of 0.4 to 0.55 is $3.2 to $4.4/ac, not 2.9."""
    fine = {"machine": MachineSection(rate_step_n_lb_ac=0.5), "nitrogen": NitrogenSection(method_sd_lb_ac=40.0)}
    prices = PriceSection(corn_per_bu=4.4, n_per_lb=0.6, curvature=0.0045, kink_weight=0.0)
    got = made((90.0, 130.0), prices=prices, **fine).prescribe()
    own = expected_loss([90.0, 130.0], corn_per_bu=4.4, n_per_lb=0.6, method_sd_lb_ac=40.0, curvature=0.0045,
                        kink_weight=0.0)  # fmt: skip
    assert got.prices.worth.over_flat[1] == pytest.approx(own, abs=0.03)
    assert 3.2 < own < 4.4


def test_prices_set_the_flat_rate_too(made: Make) -> None:
    """Needs of 60, 102 and 148 on a third each: covering 85 % is 148 for one rate, not the mean of 103."""
    prices = PriceSection(corn_per_bu=4.4, n_per_lb=0.6, rate_by="kinked response")
    assert made(prices=prices).prescribe().flat_rate_n_lb_ac == 150.0
    assert made().prescribe().flat_rate_n_lb_ac == 105.0


def test_outlines_and_rates_lie_on_the_grid(made: Make) -> None:
    """The rate of each cell is its zone's, and the union of the zones is the field."""
    prescription = made().prescribe()
    grid = prescription.rate_grid()
    assert grid[0, 0] == 60.0
    assert grid[-1, -1] == 150.0
    assert shapely.area(shapely.symmetric_difference(prescription.outline(), prescription.field.boundary)) < 1e-3


def test_zones_of_another_grid_are_refused(made: Make) -> None:
    """Labels must lie on the prescription's own grid."""
    from vrn.errors import OutOfRangeError

    field = made()
    with pytest.raises(OutOfRangeError, match="do not lie on a grid"):
        replace(field, zones=replace(field.zones, labels=field.zones.labels[:-1])).prescribe()


def _partly_unknown(made: Any, zone: int, share: float) -> Any:
    """The same with the need of the first cells of a zone unknown, up to a share of them."""
    need = np.array(made.ledger.lines[1].lb_ac)
    here = np.flatnonzero(made.zones.labels.ravel() == zone)
    need[here[: round(share * len(here))]] = np.nan
    crop, soil = made.ledger.lines
    return replace(made, ledger=replace(made.ledger, lines=(crop, replace(soil, lb_ac=need))))


def test_ground_that_is_mostly_unknown_takes_no_rate_from_the_little_that_is_known(made: Make) -> None:
    """A zone whose need is known on a tenth of it gets nothing, with prices and without."""
    for sections in ({}, {"prices": PriceSection(corn_per_bu=4.0, n_per_lb=0.5, rate_by="return")}):
        prescription = _partly_unknown(made((60.0, 100.0), **sections), 2, 0.9).prescribe()
        assert prescription.rates[1].rate_n_lb_ac == 0.0
        assert np.isnan(prescription.rates[1].need_lb_ac)
        assert _codes(prescription, 2) == ["rates.need-unknown"]


@pytest.mark.parametrize(("share", "told"), [(0.0, False), (0.02, False), (0.3, True), (0.49, True)])
def test_a_zone_that_is_partly_unknown_keeps_its_rate_and_says_so(made: Make, share: float, told: bool) -> None:
    """Less than half unknown: the rate of the known part, and how many of the acres are meant."""
    prescription = _partly_unknown(made((60.0, 100.0)), 2, share).prescribe()
    assert prescription.rates[1].rate_n_lb_ac == 100.0
    assert _codes(prescription, 2) == ["rates.need-partly-unknown"][:told]
    if told:
        acres, values = prescription.rates[1].acres, _values(_about(prescription, 2)[0])
        assert values["unknown"] == pytest.approx(share * acres, rel=0.01)
        assert values["area"] == acres


def test_totals_hold_both_doubts() -> None:
    """Draws of ± 300 lb and a level of 400 lb: √(300² + (1.645 × 400)²) = 723 either way; alone, what the draws say."""
    none = (0.0, 0.0, 0.0)
    found = Uncertainty(
        draws=100, drawn=(), zones=(), total_need_n_lb=(4700.0, 5000.0, 5300.0), zones_misallocated_lb_ac=none,
        flat_misallocated_lb_ac=none, zones_better_share=1.0,
    )  # fmt: skip
    assert found.total_with(0.0) == (4700.0, 5300.0)
    assert found.total_with(400.0) == pytest.approx((5000 - 723.2, 5000 + 723.2), abs=0.1)
    assert found.total_with(9000.0)[0] == 0.0


def test_what_stays_after_harvest_and_the_balance(made: Make) -> None:
    """Needs of 90 and 130: zones leave less than one flat rate; the grain takes 0.67 lb for a bushel."""
    got = made((90.0, 130.0), machine=MachineSection(rate_step_n_lb_ac=0.5)).prescribe()
    found = got.after_harvest
    assert 5 < found.left_lb_ac < found.flat_left_lb_ac < found.left_lb_ac + 10
    assert found.put_on_lb_ac == pytest.approx(110.0, abs=0.5)
    assert found.grain_lb_ac == pytest.approx(0.67 * got.field.settings.crop.yield_goal_bu_ac)
    less = made((90.0, 130.0), limits=LimitSection(max_n_lb_ac=60.0)).prescribe().after_harvest
    assert less.left_lb_ac < found.left_lb_ac
