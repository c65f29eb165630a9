"""Trial blocks laid into the pass: whole plots on treated ground, rates on a ladder, limits, cost and contrast."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.errors import InputFileError
from vrn.model.grid import reproject, share_inside
from vrn.model.job import CheckStripSection, TrialSection
from vrn.model.settings import LimitSection, MachineSection, PriceSection, ProductSection
from vrn.model.trials import PastTrial, TrialPlot
from vrn.prescription import Prescription, remaining
from vrn.response.payoff import Payoff
from vrn.response.trial import best_rectangle, rectangles
from vrn.units import FT_M
from vrn.zones.finish import labels_of

Make = Callable[..., Any]
WEST, SOUTH = 500_000.0, 4_650_000.0
MACHINE = MachineSection(swath_ft=30.0, heading_deg=90.0)
PRICES = PriceSection(corn_per_bu=4.40, n_per_lb=0.60)


def _laid(made: Make, needs: tuple[float, ...] = (100.0, 120.0), **sections: Any) -> Prescription:
    """The small field with a trial of 200-ft plots, a 20-ft combine on the applicator's lines."""
    asked = TrialSection(**{"blocks": 1, "length_ft": 200.0, "harvest_width_ft": 20.0, "harvest_lines": "shared",
                            **sections.pop("trial", {})})  # fmt: skip
    prescription: Prescription = made(needs, **{"trial": asked, "machine": MACHINE, **sections}).prescribe()
    return prescription


def _plots(prescription: Prescription) -> tuple[Any, ...]:
    assert prescription.trial is not None
    return prescription.trial.plots


def test_plots_are_whole_inside_and_driven_at_their_rate(made: Make) -> None:
    """20 plots of 200 by 30 ft, two passes from every edge, each all of its zone's ground at its zone's rate."""
    prescription = _laid(made)
    plots, field = _plots(prescription), prescription.field.treated
    assert [plot.plot for plot in plots] == list(range(1, 21))
    core = shapely.buffer(field, -2 * 30 * FT_M + 1e-6)
    for plot in plots:
        assert shapely.area(plot.outline) == pytest.approx(200 * 30 * FT_M**2)
        assert shapely.covers(core, plot.outline)
        zone = prescription.rates[plot.zone - 1]
        assert shapely.area(shapely.difference(plot.outline, zone.outline)) < 1e-6
        assert zone.rate_n_lb_ac == plot.rate_n_lb_ac
        assert zone.trial is not None
        assert zone.label == f"trial block {plot.block}, {plot.rate_n_lb_ac:g} lb N/ac"
    outlines = np.array([rate.outline for rate in prescription.rates], dtype=object)
    assert shapely.coverage_is_valid(outlines)
    assert shapely.area(outlines).sum() == pytest.approx(shapely.area(field), rel=1e-9)
    trial = sum(rate.outline.area for rate in prescription.rates if rate.trial is not None)
    assert trial == pytest.approx(sum(plot.outline.area for plot in plots))


def test_rates_are_a_ladder_and_no_rate_is_twice_in_a_column(made: Make) -> None:
    """Called for 100 or 120, ± 30 and ± 60 in the machine's steps; every pass holds all five."""
    plots = _plots(_laid(made, (110.0, 110.0)))
    by_pass = np.array([plot.rate_n_lb_ac for plot in plots]).reshape(4, 5)
    assert sorted(by_pass[0]) == [50.0, 80.0, 110.0, 140.0, 170.0]
    assert all(sorted(row) == sorted(by_pass[0]) for row in by_pass)
    assert all(len(set(column)) == 4 for column in by_pass.T)
    assert np.abs(np.diff(by_pass, axis=1)).max() <= 60.0


@pytest.mark.parametrize(
    ("limits", "rates"),
    [
        (LimitSection(max_n_lb_ac=160.0), [50, 80, 110, 140, 160]),
        (LimitSection(max_n_lb_ac=145.0), [50, 80, 110, 140, 145]),
        (LimitSection(max_season_n_lb_ac=140.0), [50, 80, 110, 140]),
    ],
)
def test_limits_hold_in_plots(made: Make, limits: LimitSection, rates: list[float]) -> None:
    """The pass's limit cuts the ladder."""
    plots = _plots(_laid(made, (110.0, 110.0), limits=limits))
    assert sorted({plot.rate_n_lb_ac for plot in plots}) == rates


@pytest.mark.parametrize(
    ("needs", "sections", "code"),
    [
        ((110.0, 110.0), {"trial": {"length_ft": 500.0}}, "rates.trial-no-place"),
        ((30.0, 30.0), {}, "rates.trial-low-rate"),
        ((110.0, 110.0), {"limits": LimitSection(max_n_lb_ac=110.0)}, "rates.trial-limits"),
        ((60.0, 160.0) * 8, {}, "rates.trial-uneven-need"),
        ((110.0, 110.0), {"trial": {"corn_ac": 2.0}, "prices": PRICES}, "rates.trial-too-dear"),
    ],
)
def test_why_none_is_laid(made: Make, needs: tuple[float, ...], sections: dict[str, Any], code: str) -> None:
    """One reason, a warning; the prescription is the one without a trial."""
    prescription = _laid(made, needs, **sections)
    assert _plots(prescription) == ()
    assert [finding.code for finding in prescription.findings if ".trial-" in finding.code] == [code]
    assert not any(rate.trial for rate in prescription.rates)


def test_the_cost_is_worked_by_hand(made: Make) -> None:
    """Even ground: acres × (mean loss over the five rates − loss at the rate called for)."""
    prescription = _laid(made, (110.0,), prices=PRICES)
    trial = prescription.trial
    assert trial is not None
    assert prescription.prices is not None
    paid: Payoff = prescription.prices.payoff
    called_for = trial.blocks[0].recommended_n_lb_ac
    lost = paid.response.loss_of_rates(
        np.array([called_for, *trial.blocks[0].rates_n_lb_ac]), np.full(6, 110.0), np.zeros(6), ratio=0.60 / 4.40,
        method_sd_lb_ac=paid.method_sd_lb_ac,
    )  # fmt: skip
    acres = 20 * 200 * 30 / 43_560
    assert trial.acres == pytest.approx(acres, rel=2e-3)
    assert trial.cost_usd == pytest.approx(trial.acres * 4.40 * (lost[1:].mean() - lost[0]), rel=1e-6)
    assert trial.break_even_ac == pytest.approx(trial.cost_usd / trial.gain_per_ac)
    without = _laid(made, (110.0,)).trial
    assert without is not None
    assert (without.cost_usd, without.break_even_ac) == (None, None)


def test_two_blocks_lie_where_nitrate_differs_most(made: Make) -> None:
    """Half the field needs 20 lb/ac less: one block in each half, and they do not touch."""
    prescription = _laid(made, (100.0, 120.0), machine=replace(MACHINE, heading_deg=0.0), trial={"blocks": 2})
    trial = prescription.trial
    assert trial is not None
    supplied = [block.supplied_lb_ac for block in trial.blocks]
    assert max(supplied) - min(supplied) == pytest.approx(20.0)
    grounds = [shapely.union_all([plot.outline for plot in trial.plots if plot.block == block]) for block in (1, 2)]
    assert shapely.area(shapely.intersection(*grounds)) < 1e-6


def test_a_trial_is_laid_alike_every_time(made: Make) -> None:
    """The same field, the same plots."""
    one, other = (_plots(_laid(made)) for _ in range(2))
    assert [plot.outline.wkb for plot in one] == [plot.outline.wkb for plot in other]
    assert [plot.rate_n_lb_ac for plot in one] == [plot.rate_n_lb_ac for plot in other]


def test_strips_and_blocks_are_not_laid_together(made: Make) -> None:
    """Two trials in one pass would lie over each other."""
    with pytest.raises(InputFileError, match="check strips and for a trial"):
        _laid(made, check_strips=CheckStripSection())


def test_after_a_rain_out_whole_plots_alone_are_left(made: Make) -> None:
    """With the west of the field covered, plots in the east stay, at their zones' new numbers."""
    whole = _laid(made)
    plots = _plots(whole)
    middle = float(np.mean([plot.outline.centroid.x for plot in plots]))
    rest = remaining(whole, [shapely.box(WEST - 10, SOUTH - 10, middle, SOUTH + 410)])
    left = _plots(rest)
    assert {plot.plot for plot in left} == {plot.plot for plot in plots if plot.outline.bounds[0] >= middle - 1e-6}
    assert all(rest.rates[plot.zone - 1].rate_n_lb_ac == plot.rate_n_lb_ac for plot in left)


def test_the_best_rectangle_is_the_one_that_tells_most() -> None:
    """Of 240, the best has sd(T) 24.0 and a score of 26.6 lb/ac at swath 60 (worked by simulations of this project)."""
    rates = (60.0, 90.0, 120.0, 150.0, 180.0)
    way = best_rectangle(rates, 4, recommended=120.0, width_ft=60.0, length_ft=300.0)
    assert way in rectangles(4, 5)
    assert all(len(set(column)) == 4 for column in zip(*way, strict=True))
    row = np.repeat(np.arange(4), 5)
    assert abs(np.corrcoef(np.array(way).ravel(), np.tile(np.arange(5), 4))[0, 1]) < 0.1
    assert abs(np.corrcoef(np.array(way).ravel(), row)[0, 1]) < 1e-9


def test_check_strips_are_the_smallest_form_of_a_trial(made: Make) -> None:
    """A pair over two zones: each piece and the ordinary ground between is a plot; the cost is that of ± 30 lb/ac."""
    prescription = made(
        (80.0, 130.0), check_strips=CheckStripSection(length_ft=600.0), prices=PRICES,
        machine=MachineSection(swath_ft=60.0, heading_deg=90.0),
    ).prescribe()  # fmt: skip
    trial, rates = prescription.trial, prescription.rates
    assert trial is not None
    assert prescription.prices is not None
    assert len(trial.plots) == 6
    for plot in trial.plots:
        assert plot.rate_n_lb_ac == rates[plot.zone - 1].rate_n_lb_ac
        assert shapely.area(shapely.difference(plot.outline, rates[plot.zone - 1].outline)) < 1e-6
    ordinary = [plot.zone for plot in trial.plots if rates[plot.zone - 1].trial is None]
    assert sorted(ordinary) == [1, 2]
    paid, cost = prescription.prices.payoff, 0.0
    for strip in rates[2:]:
        needs = np.full(2, strip.need_lb_ac)
        each = np.array([strip.rate_n_lb_ac, rates[strip.trial.in_zone - 1].rate_n_lb_ac])
        lost = paid.response.loss_of_rates(each, needs, np.zeros(2), ratio=0.60 / 4.40,
                                           method_sd_lb_ac=paid.method_sd_lb_ac)  # fmt: skip
        cost += strip.acres * 4.40 * (lost[0] - lost[1])
    assert trial.cost_usd == pytest.approx(cost, rel=0.02)  # strips that run into the other zone by half a cell


def test_rates_of_a_block_that_no_one_speed_makes_are_told(made: Make) -> None:
    """
    50 to 170 lb N/ac over 30 ft with 5 to 15 gal/min.

    UAN 32 has 3.54 lb N/gal (worked: 11.06 lb × 32 %), so 50 lb is 14.1 gal/ac, and speed = flow × 495 / (rate × 30):
    5.84 mph or faster; 170 lb is 48.0 gal/ac: 5.15 mph or slower.
    """
    machine = replace(MACHINE, max_flow_gal_min=15.0, turn_down=3.0, speed_mph=5.5)
    sections = {"machine": machine, "product": ProductSection(name="UAN 32")}
    found = [one for one in _laid(made, (110.0,), **sections).findings if one.code == "rates.trial-speeds"]
    (told,) = [{name: quantity.value for name, quantity in one.quantities.items()} for one in found]
    assert (told["block"], told["least"], told["most"]) == (1, 50.0, 170.0)
    assert told["fast"] == pytest.approx(5 * 495 / (50 / 3.54 * 30), rel=2e-3)
    assert told["slow"] == pytest.approx(15 * 495 / (170 / 3.54 * 30), rel=2e-3)
    wide = replace(machine, turn_down=6.0)
    codes = {one.code for one in _laid(made, (110.0,), **sections | {"machine": wide}).findings}
    assert "rates.trial-speeds" not in codes


def test_new_blocks_keep_off_those_of_the_last_season(made: Make) -> None:
    """A block of the year before, as the book has it, is no ground for the next one; one of long ago is."""
    first = _plots(_laid(made, (110.0,)))
    ground = shapely.union_all([plot.outline for plot in first])
    at = made((110.0,), trial=TrialSection(blocks=1, length_ft=200.0, harvest_width_ft=20.0, harvest_lines="shared"),
              machine=MACHINE)  # fmt: skip
    plots = tuple(
        TrialPlot(label=f"plot {plot.plot}", planned_n_lb_ac=plot.rate_n_lb_ac, n_lb_ac=plot.rate_n_lb_ac,
                  sd_n_lb_ac=1.0, yield_bu_ac=200.0, points=40,
                  outline=shapely.to_wkt(reproject(plot.outline, at.field.crs, "EPSG:4326"), rounding_precision=7))
        for plot in first
    )  # fmt: skip
    past = PastTrial(
        field=at.field.name, season=2025, block="block 1", rx="a", method="remaining-need", approved=True,
        need_lb_ac=110.0, supplies={}, typical={}, acres=40.0, plots=plots, harvest_sha256="h",
    )  # fmt: skip

    def ground_with(*trials: PastTrial) -> shapely.Geometry:
        plots = _plots(replace(at, field=replace(at.field, past_trials=trials)).prescribe())
        assert len(plots) == 20
        return shapely.union_all([plot.outline for plot in plots])

    assert shapely.area(shapely.intersection(ground_with(past), ground)) < 1.0
    elsewhere = replace(past, season=2025, field="Another field")
    assert shapely.area(shapely.intersection(ground_with(elsewhere), ground)) == pytest.approx(shapely.area(ground))


def test_a_pond_lies_in_no_plot(made: Make) -> None:
    """No-apply ground where the block would have been: the block goes two passes clear of it, in every file's zones."""
    plain = _plots(_laid(made, (110.0,)))
    middle = shapely.union_all([plot.outline for plot in plain]).centroid
    pond = shapely.buffer(middle, 25.0)
    at = made((110.0,), trial=TrialSection(blocks=1, length_ft=200.0, harvest_width_ft=20.0, harvest_lines="shared"),
              machine=MACHINE)  # fmt: skip
    field = replace(at.field, no_apply=pond)
    outlines = tuple(shapely.difference(outline, pond) for outline in at.zones.outlines)
    share = share_inside(at.grid, field.treated)
    zones = replace(at.zones, outlines=outlines, labels=labels_of(outlines, grid=at.grid, share=share))
    laid = replace(at, field=field, zones=zones, share=share).prescribe()
    plots = _plots(laid)
    assert len(plots) == 20
    assert min(shapely.distance(plot.outline, pond) for plot in plots) >= 2 * 30 * FT_M - 0.2  # a round pond's corners
    assert all(shapely.area(shapely.intersection(rate.outline, pond)) < 1e-6 for rate in laid.rates)
