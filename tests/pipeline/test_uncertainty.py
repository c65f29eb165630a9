"""Uncertainty reaches the rate: the draws agree with what is known, and say nothing where nothing is known."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

import vrn
from vrn.model.layers import ConstantLayer
from vrn.prescription.model import Prescription

Array = NDArray[np.float64]

DEMO = Path(__file__).resolve().parents[2] / "demo_fields"


@pytest.fixture(scope="module")
def built(demo_built: Callable[[str], Prescription]) -> Prescription:
    """The ordinary demo field."""
    return demo_built("cedar_bend")


def test_a_zone_is_surer_than_its_cells(built: Prescription) -> None:
    """Errors of cells far apart cancel: a zone's standard error is below the mean of its cells', and not nothing."""
    cells_se = built.surfaces["need_lb_ac"].se
    assert cells_se is not None
    for rate in built.rates:
        assert rate.need_se_lb_ac is not None
        assert 0 < rate.need_se_lb_ac < float(np.nanmean(cells_se[built.zones.labels == rate.zone]))


def test_draws_stand_around_the_need(built: Prescription) -> None:
    """Each zone's need lies inside its band of nine draws in ten, and the total need inside the field's."""
    sure = built.uncertainty
    assert sure is not None
    for rate, zone in zip(built.rates, sure.zones, strict=True):
        assert zone.low_lb_ac <= rate.need_lb_ac <= zone.high_lb_ac
        assert 0 <= zone.needs_more_share <= 1
    total = sum(rate.acres * rate.need_lb_ac for rate in built.rates)
    assert sure.total_need_n_lb[0] * 0.98 <= total <= sure.total_need_n_lb[2] * 1.02


def test_zones_are_held_against_one_flat_rate(built: Prescription) -> None:
    """On a field with structure these rates misallocate less than one flat rate in nearly every draw."""
    sure = built.uncertainty
    assert sure is not None
    assert sure.zones_misallocated_lb_ac[1] < sure.flat_misallocated_lb_ac[1]
    assert sure.zones_better_share > 0.9


def test_same_draws_every_time(built: Prescription) -> None:
    """The same field gives the same draws."""
    again = vrn.build(vrn.read_field(DEMO / "cedar_bend" / "field.toml"))
    assert again.uncertainty == built.uncertainty


def test_blocks_of_cells_tell_as_much_as_cells(built: Prescription, monkeypatch: pytest.MonkeyPatch) -> None:
    """Drawn cell by cell, zones and field have the error that draws in blocks give, but for the luck of the draws."""
    monkeypatch.setattr("vrn.prescription.uncertainty._MOST_PLACES", 10**9)
    by_cell = vrn.build(built.field)
    sure, blocks = by_cell.uncertainty, built.uncertainty
    assert sure is not None
    assert blocks is not None
    assert sure.zones != blocks.zones
    for fine, coarse in zip(by_cell.rates, built.rates, strict=True):
        assert fine.need_se_lb_ac == pytest.approx(coarse.need_se_lb_ac, rel=6 / np.sqrt(2 * 100))
    assert blocks.zones_misallocated_lb_ac[1] == pytest.approx(sure.zones_misallocated_lb_ac[1], rel=0.05)
    assert blocks.flat_misallocated_lb_ac[1] == pytest.approx(sure.flat_misallocated_lb_ac[1], rel=0.05)


def test_one_reading_says_nothing_of_its_error(built: Prescription) -> None:
    """With one reading and constant layers no error is known, and none is made up."""
    field = built.field
    lone = replace(
        field,
        samples=field.samples.take(np.array([0])),
        organic_matter=ConstantLayer(name="organic_matter_pct", value=3.0),
        yield_potential=None,
    )
    sure = vrn.build(lone)
    assert sure.uncertainty is None
    assert [rate.need_se_lb_ac for rate in sure.rates] == [None]


def test_a_need_that_bends_is_the_centre_of_its_draws(built: Prescription, monkeypatch: pytest.MonkeyPatch) -> None:
    """With organic matter capped inside the field's range every zone's need is the mean of its draws, lines added up.

    |mean of m draws − need| ≤ 3 sd/√m; the need at the mean surfaces alone, without the line for what is not known, is
    lower in every zone and, over the field, farther from the draws.
    """
    caught: list[Callable[[dict[str, Array]], Array]] = []

    def capture(prescription: Prescription, need_of: Callable[[dict[str, Array]], Array], **_: object) -> Prescription:
        caught.append(need_of)
        return prescription

    monkeypatch.setattr("vrn.pipeline.order.with_uncertainty", capture)
    header = replace(built.field.settings.header, cell_m=15.0)
    nitrogen = replace(built.field.settings.nitrogen, organic_matter_cap_pct=2.7)
    bent = vrn.build(replace(built.field, settings=replace(built.field.settings, header=header, nitrogen=nitrogen)))
    here, count = np.flatnonzero(bent.share > 0), 96
    weights, labels = bent.share.ravel()[here], bent.zones.labels.ravel()[here]
    drawn = {
        name: draws(count, seed=1 + number).reshape(count, -1)[:, here].astype(float)
        for number, (name, draws) in enumerate((name, one.draws) for name, one in sorted(bent.surfaces.items()))
        if draws is not None
    }
    needs = np.array([caught[0]({name: np.maximum(one[k], 0.0) for name, one in drawn.items()}) for k in range(count)])
    for rate in bent.rates:
        zone = labels == rate.zone
        of_draws = needs[:, zone] @ weights[zone] / weights[zone].sum()
        assert abs(of_draws.mean() - rate.need_lb_ac) <= 3 * of_draws.std(ddof=1) / np.sqrt(count)
        (line,) = (line for line in rate.ledger.lines if line.key == "not_known")
        assert float(line.lb_ac) > 0.05
        assert sum(float(one.lb_ac) for one in rate.ledger.lines) == pytest.approx(rate.need_lb_ac)
    whole = np.asarray(bent.ledger.need_lb_ac)[here]
    (line,) = (line for line in bent.ledger.lines if line.key == "not_known")
    bend = np.asarray(line.lb_ac)[here]
    ahead = needs.mean(axis=0) - (whole - bend)  # of the draws' mean above the need at the means
    assert np.average((ahead - bend) ** 2, weights=weights) < np.average(ahead**2, weights=weights)


def test_a_straight_ledger_has_no_line_for_what_is_not_known(built: Prescription) -> None:
    """Where nothing bends the need, its mean is the need at the means."""
    assert "not_known" not in {line.key for line in built.ledger.lines}
