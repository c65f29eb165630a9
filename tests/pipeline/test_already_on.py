"""What is already on, when the cores were pulled, and where to look deeper: from the field file to every cell."""

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

import vrn
from vrn.model.field import Field
from vrn.model.layers import ConstantLayer, Weather
from vrn.model.samples import profile_of
from vrn.model.settings import (
    Application,
    CreditSection,
    IrrigationWater,
    LimitSection,
    ManureSpread,
    Override,
    ProductSection,
    ReviewSection,
)
from vrn.nitrogen.stage import uptake_share
from vrn.pipeline import ground_of, need_of_field, season_of_field, soil_surfaces
from vrn.pipeline.need import Need, season_by_cell, second_foot_places
from vrn.prescription.model import Change


def _told(change: Change) -> tuple[object, ...]:
    """Cause of a change, what was applied, what was credited."""
    quantities = change.quantities
    return (change.cause, *(quantities[name].value if name in quantities else None for name in ("applied", "credited")))


DEMO = Path(__file__).resolve().parents[2] / "demo_fields"


@pytest.fixture(scope="module")
def field() -> Field:
    """The demo field of two depths, with a list of applications and weather, on coarse cells."""
    read = vrn.read_field(DEMO / "heron_flat" / "field.toml")
    return _with(read, header=replace(read.settings.header, cell_m=20.0))


def _with(field: Field, **sections: Any) -> Field:
    return replace(field, settings=replace(field.settings, **sections))


def _need(field: Field) -> tuple[Need, NDArray[np.float64]]:
    grid, share = ground_of(field)
    profile = profile_of(field.samples.field_readings())
    return need_of_field(field, profile, soil_surfaces(field, profile, grid, share)[0], share), share


def _warm(field: Field) -> Weather:
    """Weather of 80/60 °F, 20 heat units a day, no rain, from April to mid-June."""
    days = tuple(date(2026, 4, 1) + timedelta(days=i) for i in range(80))
    count = len(days)
    return Weather(days=days, tmin_f=np.full(count, 60.0), tmax_f=np.full(count, 80.0), rain_in=np.zeros(count),
                   source="made for a test")  # fmt: skip


def test_the_seasons_cap_counts_the_map_of_what_is_on(field: Field) -> None:
    """A map of 150 lb/ac and a season's cap of 230 leave 80; without the map the list's 70 leave 160."""
    limits = LimitSection(max_n_lb_ac=200.0, max_season_n_lb_ac=230.0)
    by_list = vrn.build(_with(field, limits=limits))
    by_map = vrn.build(_with(replace(field, applied_n=ConstantLayer(name="applied_n", value=150.0)), limits=limits))
    assert max(rate.rate_n_lb_ac for rate in by_list.rates) > 80.0
    assert max(rate.rate_n_lb_ac for rate in by_map.rates) == 80.0
    assert any(_told(change) == ("season-cap", 150.0, None) for change in by_map.audit)


def test_the_seasons_cap_counts_credited_manure_and_water(field: Field) -> None:
    """70 applied, 60 of manure and 25 of water credited: of 230 no more than 75 are left."""
    built = vrn.build(
        _with(
            field, limits=LimitSection(max_n_lb_ac=200.0, max_season_n_lb_ac=230.0),
            credits=CreditSection(manure=60.0, irrigation_water=25.0),
            crop=replace(field.settings.crop, yield_goal_bu_ac=300.0),
        )
    )  # fmt: skip
    assert max(rate.rate_n_lb_ac for rate in built.rates) == 75.0
    assert any(_told(change) == ("season-cap-credited", 70.0, 85.0) for change in built.audit)


def test_manure_and_water_are_reckoned_from_what_was_spread_and_is_to_come(field: Field) -> None:
    """(50 × 0.35 + 30 × 0.12) × 0.72 (V7) + 20 × 0.5 (Cornell; half kept in a day, UNL); 10 ppm × 6 in × 0.2266."""
    spread = ManureSpread(kind="liquid", organic_n_lb_ac=50.0, organic_n_last_year_lb_ac=30.0,
                          ammonium_after_sampling_lb_ac=20.0, days_to_incorporation=1.0)  # fmt: skip
    section = CreditSection(manure_spread=spread, water=IrrigationWater(nitrate_ppm=10.0, water_in=6.0))
    limits = LimitSection(max_n_lb_ac=200.0, max_season_n_lb_ac=150.0)
    built = vrn.build(_with(field, credits=section, limits=limits))
    lines = {line.key: line for line in built.rates[0].ledger.lines}
    assert lines["credit_manure"].lb_ac == pytest.approx(-((50 * 0.35 + 30 * 0.12) * 0.72 + 20 * 0.5), abs=1e-9)
    assert lines["credit_irrigation_water"].lb_ac == pytest.approx(-13.596)
    assert "50 × 0.35 + 30 × 0.12" in lines["credit_manure"].basis
    assert {"credits.manure", "credits.irrigation_water"} <= {finding.about for finding in built.findings}
    # the season's cap counts all that the manure frees and brings: 150 − 70 − 21.1 − 20 − 13.6 leave 25
    assert all(rate.rate_n_lb_ac in (0.0, 25.0) for rate in built.rates)
    assert any(_told(change) == ("season-cap-credited", 70.0, pytest.approx(54.7, abs=0.1)) for change in built.audit)


def test_each_cell_has_the_stage_of_its_nearest_reading(field: Field) -> None:
    """Half the readings 14 days earlier: a cell's crop line is worked at the stage of its nearest reading."""
    early, late = date(2026, 6, 1), date(2026, 6, 15)
    east = field.samples.coordinates_m[:, 0]
    pulled = tuple(early if x < np.median(east) else late for x in east)
    apart = _with(
        replace(field, samples=replace(field.samples, sampled_on=pulled), weather=_warm(field)),
        crop=replace(field.settings.crop, growth_stage=None, planting_date=date(2026, 5, 1)),
    )
    need, _ = _need(apart)
    stages = season_of_field(apart).collars_by_date
    grid, _ = ground_of(apart)
    places, top = grid.centers_m()[need.cells], profile_of(apart.samples.field_readings()).top[0]
    away = np.hypot(*(places[:, None, :] - top.coordinates_m[None, :, :]).transpose(2, 0, 1))
    stage = np.array([stages[top.sampled_on[i]] for i in away.argmin(axis=1)])  # type: ignore[index]
    assert set(np.round(stage, 2)) == {round((31 * 20 - 120) / 82, 2), round((45 * 20 - 120) / 82, 2)}
    crop = next(line for line in need.ledger.lines if line.key == "crop").lb_ac
    goal = need.ledger.inputs["yield_goal_bu_ac"]
    wanted = np.asarray(goal)[need.cells] * 1.1 * (1.0 - np.asarray(uptake_share(stage)))
    np.testing.assert_allclose(np.asarray(crop)[need.cells], wanted, atol=1e-9)
    assert "weather.stage-by-date" in {finding.code for finding in need.findings}


def test_dates_together_leave_the_season_as_it_is(field: Field) -> None:
    """One sampling day is one season for all cells."""
    season, top = season_of_field(field), profile_of(field.samples.field_readings()).top[0]
    assert season_by_cell(field, season, top, top.coordinates_m) is season


def test_places_for_the_second_foot_are_low_and_apart(field: Field) -> None:
    """The lowest reading first, five at most, none within a quarter of the readings' extent of another."""
    top = profile_of(field.samples.field_readings()).top[0]
    places = second_foot_places(top)
    rows = [top.sample_id.index(name) for name in places]
    assert 2 <= len(places) <= 5
    assert top.nitrate_ppm[rows[0]] == top.nitrate_ppm.min()
    assert (np.diff(top.nitrate_ppm[rows]) >= 0).all()
    extent = np.hypot(*np.ptp(top.coordinates_m, axis=0))
    where = top.coordinates_m[rows]
    apart = [np.hypot(*(a - b)) for i, a in enumerate(where) for b in where[:i]]
    assert min(apart) > extent / 4


def test_a_low_top_foot_after_rain_names_places(field: Field) -> None:
    """A top foot of half its nitrate, 9 in of rain since the application, no second foot: look, and where."""
    top = field.samples.take(field.samples.top_in == 0)
    shallow = replace(field, samples=replace(top, nitrate_ppm=top.nitrate_ppm / 2))
    need, _ = _need(shallow)
    found = next(finding for finding in need.findings if finding.code == "nitrogen.second-foot-worth-pulling")
    assert found.level == "warning"
    assert found.quantities["places"].value == ", ".join(second_foot_places(shallow.samples))
    deep, _ = _need(field)
    assert "nitrogen.second-foot-worth-pulling" not in {finding.code for finding in deep.findings}


@pytest.mark.parametrize(
    ("product", "count"),
    [
        (ProductSection(name="Urea"), 1),
        (ProductSection(name="urea of our own mill", n_pct=45.0, dry=True), 1),
        (ProductSection(name="lime nitrate", n_pct=15.5, dry=True), 0),
    ],
    ids=["of the table", "own", "own without urea"],
)
def test_urea_is_warned_of_once(field: Field, product: ProductSection, count: int) -> None:
    """Whether the product is of the table or the user's own, its way to the air is a finding once."""
    built = vrn.build(_with(field, product=product))
    assert sum("urea" in finding.code for finding in built.findings) == count


def test_methods_answer_by_zone_as_the_build_works_them(field: Field) -> None:
    """The method that builds says of each zone what the zone's ledger says; every other one stands beside it."""
    built = vrn.build(field)
    by_key = {result.method.key: result for result in built.methods}
    assert built.methods[0].method.key == built.ledger.method
    for rate in built.rates:
        assert by_key["remaining-need"].by_zone[rate.zone] == pytest.approx(rate.need_lb_ac, abs=1e-6)
        assert by_key["iowa-lsnt"].status == "outside"
        assert by_key["iowa-lsnt"].by_zone[rate.zone] == pytest.approx(max(200 - 8 * rate.nitrate_ppm, 0.0), abs=1e-6)


def test_a_map_comes_off_with_the_share_that_was_not_nitrate(field: Field) -> None:
    """Urea two days before: the map's pounds over the list's, times what the list says was not yet nitrate."""
    urea = Application(date=date(2026, 6, 13), product="Urea", n_lb_ac=50.0, placement="injected")
    listed = _with(field, applications=(urea,))
    need, _ = _need(listed)
    mapped, _ = _need(replace(listed, applied_n=ConstantLayer(name="applied_n", value=75.0)))

    def line(found: Need) -> float:
        pounds = next(line for line in found.ledger.lines if line.key == "applied_not_nitrate").lb_ac
        return float(np.nanmean(pounds))

    assert line(mapped) == pytest.approx(1.5 * line(need))
    assert any(finding.about == "layers.applied_n" for finding in mapped.findings)


def test_a_rate_above_the_need_is_a_warning(field: Field) -> None:
    """A person's 150 lb/ac on a zone that needs some 80: a warning with the pounds above it."""
    review = ReviewSection(override=(Override(zone=1, rate_n_lb_ac=150.0, reason="trial of our own"),))
    built = vrn.build(_with(field, review=review))
    over = 150.0 - built.rates[0].need_lb_ac
    (found,) = [finding for finding in built.findings if finding.code == "rates.above-need-person"]
    assert (found.level, found.about) == ("warning", "zone 1")
    assert found.quantities["over"].value == pytest.approx(over)
    assert not any(finding.code.startswith("rates.above-need") for finding in vrn.build(field).findings)
