"""What trials say alone and together: published site-years, laws, and the same by a million draws."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from scipy.interpolate import RectBivariateSpline
from scipy.special import logsumexp
from scipy.stats import halfnorm

from vrn.errors import OutOfRangeError
from vrn.response import fit_response
from vrn.response.learn import KINK_SHARE, OWN_SDS, SEASON_SDS, learn, usual_anchor_lb_ac
from vrn.response.places import ZoneNeed
from vrn.response.trial import KINKED, SMOOTH, STEPS, TOPS_LB_AC, Plot, Trial, likelihood_of

RATES = (60.0, 90.0, 120.0, 150.0, 180.0)
# corn in Tennessee, 0 to 335 kg N/ha by 67, in 100 kg/ha: Engelstad and Parks (1971), Agronomy Journal 63:21; then T
# and best rate of a quadratic that levels off, kg/ha at a price ratio of 0.11/1.15 (None: no sharp one), and T on the
# grid, lb/ac ± sd (T about 160 ± 100 before, noise 4 bu/ac): worked by this project in two ways
KG_HA, CWT_HA = 0.892179, 100 * 0.892179 / 56
TENNESSEE = {
    "Jackson 1962": ((46.5, 59.0, 71.9, 73.1, 74.5, 75.5), (225.34, 140.78), (193, 28)),
    "Jackson 1963": ((29.3, 55.2, 77.3, 88.0, 89.4, 87.0), (243.54, 196.36), (218, 17)),
    "Jackson 1964": ((28.8, 37.6, 55.2, 66.8, 67.0, 67.8), (312.39, 201.93), (254, 35)),
    "Jackson 1965": ((25.8, 47.6, 60.5, 70.2, 68.0, 73.0), (244.97, 180.88), (217, 24)),
    "Jackson 1966": ((23.4, 45.2, 53.3, 61.3, 57.6, 59.8), (203.96, 147.68), (181, 24)),
    "Knoxville 1962": ((44.6, 73.0, 75.2, 83.3, 78.4, 80.9), (117.59, 98.61), (144, 31)),
    "Knoxville 1963": ((45.1, 73.2, 89.3, 91.2, 91.4, 88.0), (168.94, 138.90), (158, 17)),
    "Knoxville 1964": ((60.9, 75.9, 83.7, 84.3, 81.8, 84.5), (156.68, 105.24), (145, 24)),
    "Knoxville 1965": ((59.4, 67.4, 69.6, 62.9, 67.0, 61.2), None, (68, 41)),
    "Knoxville 1966": ((63.0, 61.3, 63.4, 59.4, 57.8, 58.3), None, (6, 39)),
}


def _plots(
    top: float, *, rates: Sequence[float] = RATES, rows: int = 4, level: float = 200.0, curve: float = 0.0018,
    noise: float = 0.0, seed: int = 0,
) -> tuple[Plot, ...]:  # fmt: skip
    chance = np.random.default_rng(seed)
    return tuple(
        Plot(
            n_lb_ac=rate, yield_bu_ac=level - curve * max(top - rate, 0.0) ** 2 + noise * chance.standard_normal(),
            x_ft=60.0 * row, y_ft=300.0 * ((place + 2 * row) % 5),
        )
        for row in range(rows) for place, rate in enumerate(rates)
    )  # fmt: skip


def _trial(
    season: int, top: float, *, zone: str = "1", need: float = 120.0, supply: float = 60.0, **more: object
) -> Trial:
    return Trial(
        field="A", zone=zone, season=season, need_lb_ac=need, plots=_plots(top, **more),  # type: ignore[arg-type]
        supplies={"soil_nitrate": supply}, typical={"soil_nitrate": 60.0},
    )  # fmt: skip


def _place(need: float = 120.0, supply: float = 60.0) -> ZoneNeed:
    supplies, typical = {"soil_nitrate": supply}, {"soil_nitrate": 60.0}
    return ZoneNeed(field="A", zone="1", season=2040, need_lb_ac=need, supplies=supplies, typical=typical)


def test_nothing_is_learned_from_nothing() -> None:
    """Without a trial T is need plus anchor, supplies count in full, and the usual anchor makes the rate the need."""
    alone = learn([], anchor_lb_ac=usual_anchor_lb_ac())
    assert learn([]).top(_place()).mean == pytest.approx(120.0, abs=1e-6)
    assert alone.rate(_place()) == pytest.approx(120.0, abs=1e-3)
    assert alone.rate(_place(), price_ratio=0.10) > 120.0 > alone.rate(_place(), price_ratio=0.20)
    worth = alone.worth("soil_nitrate")
    assert (worth.mean, worth.sd) == pytest.approx((1.0, 0.7))
    assert alone.kink_weight == pytest.approx(KINK_SHARE)
    assert alone.top(_place()).sd == pytest.approx(44.0, abs=1.0)  # what published tools missed by


def test_order_says_nothing() -> None:
    """The same trials in another order give the same numbers."""
    trials = [_trial(2022 + i // 2, 150.0, zone=str(i % 2), noise=5.0, seed=i) for i in range(4)]
    one, other, again = learn(trials), learn(trials[::-1]), learn(trials)
    assert one.top(_place()) == other.top(_place()) == again.top(_place())
    assert one.rate(_place()) == other.rate(_place()) == again.rate(_place())
    fewer = learn([trial for trial in trials[::-1] if trial is not trials[1]])  # one refused is as one never laid
    assert fewer.rate(_place()) == learn([trials[0], *trials[2:]]).rate(_place()) != one.rate(_place())


def test_level_of_yield_says_nothing_and_needs_only_shift() -> None:
    """25 bu/ac more on a whole trial moves nothing; 24 lb more in need and rates is 24 lb more in T."""
    one = learn([_trial(2024, 140.0, noise=4.0)])
    richer = learn([_trial(2024, 140.0, noise=4.0, level=225.0)])
    moved = learn([_trial(2024, 164.0, noise=4.0, need=144.0, rates=[rate + 24 for rate in RATES])])
    assert richer.top(_place()).mean == pytest.approx(one.top(_place()).mean, abs=1e-6)
    assert moved.top(_place(need=144.0)).mean == pytest.approx(one.top(_place()).mean + 24.0, abs=3.0)


def test_flat_lowers_rising_and_convex_raise() -> None:
    """Need 148, rates 60 to 180: no answer lowers T by more than 5; rising or bending up raises it, not beyond 240."""
    flat = learn([_trial(2024, 0.0, need=148.0)])
    assert flat.top(_place(need=148.0)).mean < 143.0
    rising = _plots(0.0)
    for bend in (0.0, 0.0012):
        plots = tuple(replace(one, yield_bu_ac=150 + 0.25 * one.n_lb_ac + bend * (one.n_lb_ac - 120) ** 2 * (
            1 if one.n_lb_ac > 120 else 0)) for one in rising)  # fmt: skip
        known = learn([replace(_trial(2024, 0.0, need=148.0), plots=plots)])
        assert 150.0 < known.top(_place(need=148.0)).mean < 240.0
        assert flat.level().mean < 0.0 < known.level().mean


def test_a_trial_that_bears_the_budget_out_makes_it_surer() -> None:
    """T moves by less than 8 lb and its interval narrows; twice the plots narrow it, never beyond a season's chance."""
    before, one, twice = learn([]), learn([_trial(2024, 120.0)]), learn([_trial(2024, 120.0, rows=8)])
    tops = [known.top(_place()) for known in (before, one, twice)]
    assert abs(tops[1].mean - 120.0) < 8.0
    assert tops[0].sd > tops[1].sd >= tops[2].sd - 1e-6
    assert tops[2].high - tops[2].low > 2 * 1.645 * 14
    assert [one.worth("mineralization").mean for one in (before, one, twice)] == [1.0, 1.0, 1.0]  # nobody counted it
    strange = ZoneNeed(field="B", zone="9", season=2040, need_lb_ac=90.0)
    assert twice.top(strange).mean - twice.top(replace(strange, need_lb_ac=140.0)).mean == pytest.approx(-50.0)


def test_a_second_season_is_worth_more_than_a_second_trial() -> None:
    """Two trials of one season leave T wider than two of two seasons; eight seasons of +52 move it by 30 to 65."""
    here = learn([_trial(2024, 172.0), _trial(2024, 172.0, zone="2")]).top(_place())
    seasons = learn([_trial(2024, 172.0), _trial(2025, 172.0, zone="2")]).top(_place())
    assert here.sd > seasons.sd
    assert 150.0 <= learn([_trial(2017 + i, 172.0) for i in range(8)]).top(_place()).mean <= 185.0


def test_worth_of_nitrate_comes_from_contrasts_within_a_season() -> None:
    """Where T falls by half a pound for a pound of nitrate, the worth falls below 1; without contrast it stays."""
    zones = [(0, 20.0), (1, 100.0)]
    contrast = [
        _trial(2021 + year, 160.0 - 0.5 * supply, zone=str(zone), need=180.0 - supply, supply=supply)
        for year, (zone, supply) in product(range(4), zones)
    ]
    alike = [_trial(2021 + year, 120.0, zone=str(zone)) for year, zone in product(range(4), (0, 1))]
    found, kept = learn(contrast).worth("soil_nitrate"), learn(alike).worth("soil_nitrate")
    assert 0.4 < found.mean < 0.8
    assert found.sd < 0.6
    assert (kept.mean, kept.sd) == pytest.approx((1.0, 0.7), abs=1e-6)


@pytest.mark.parametrize("name", TENNESSEE)
def test_published_site_years(name: str) -> None:
    """T and best rate by least squares where the yields bend, and T on the grid everywhere."""
    yields, bent, (top, spread) = TENNESSEE[name]
    rates = 67.0 * np.arange(6)
    if bent is not None:
        fit = fit_response(rates, yields, form="quadratic-plateau")
        best = fit.optimum(price_ratio=0.11 / 1.15).point
        assert (fit.top, best) == pytest.approx(bent, abs=0.1)
    plots = tuple(
        Plot(n_lb_ac=rate * KG_HA, yield_bu_ac=value * CWT_HA) for rate, value in zip(rates, yields, strict=True)
    )  # fmt: skip
    grid = likelihood_of(Trial(field="J", zone="1", season=1962, need_lb_ac=180.0, plots=plots), noise_bu_ac=4.0)
    assert grid.top(mean_lb_ac=160.0, sd_lb_ac=100.0, kink_weight=0.0) == pytest.approx((top, spread), abs=3.0)


def test_rates_stay_near_the_need_and_within_what_is_allowed() -> None:
    """Within 60 lb of the need however many trials say more, and within the limits; T has an interval."""
    far = learn([_trial(2010 + i, 320.0, rates=(120.0, 180.0, 240.0, 300.0, 360.0)) for i in range(8)])
    prices = {"corn_per_bu": 4.4, "n_per_lb": 0.55}
    held = far.rates([_place()], **prices, low=0.0, high=400.0)[0]
    assert held.rate_n_lb_ac == pytest.approx(180.0)
    assert held.t_low_lb_ac < held.t_mean_lb_ac < held.t_high_lb_ac
    assert held.t_mean_lb_ac > 200.0
    assert far.rates([_place()], **prices, low=30.0, high=140.0)[0].rate_n_lb_ac == 140.0
    one = learn([_trial(2024, 140.0)])
    (said,) = one.rates([_place()], **prices, low=0.0, high=400.0)
    assert said.rate_n_lb_ac == pytest.approx(one.rate(_place(), price_ratio=0.125))
    worth = one.worth("soil_nitrate")
    assert said.worth["soil_nitrate"] == (worth.mean, worth.low, worth.high)


def test_a_place_of_the_trials_own_season_shares_it() -> None:
    """T of another place in the season of a trial is better known than in a season to come."""
    one = learn([_trial(2024, 170.0)])
    same = ZoneNeed(field="B", zone="9", season=2024, need_lb_ac=120.0)
    later = ZoneNeed(field="B", zone="9", season=2025, need_lb_ac=120.0)
    assert one.top(same).sd < one.top(later).sd
    assert one.top(same).mean > one.top(later).mean


def test_too_little_is_refused() -> None:
    """One rate, too few plots, a number that is none, one place twice in a season."""
    for plots in (
        _plots(100.0, rates=(90.0,)),
        _plots(100.0, rates=(60.0, 90.0), rows=1),
        _plots(float("nan"), noise=1.0),
    ):
        with pytest.raises(OutOfRangeError):
            Trial(field="A", zone="1", season=2024, need_lb_ac=100.0, plots=plots)
    with pytest.raises(OutOfRangeError):
        learn([_trial(2024, 120.0), _trial(2024, 130.0)])


@pytest.mark.long
def test_the_same_by_drawing() -> None:
    """Means, spreads, worth and evidence agree with weighted draws from the prior, one node after the other."""
    trials = sorted(
        (
            _trial(2023 + i // 2, 150.0 + 10 * i, zone=str(i % 2), supply=40.0 + 20 * i, noise=6.0, seed=i)
            for i in range(4)
        ),
        key=lambda trial: (trial.season, trial.zone),
    )
    seen, count = [likelihood_of(trial) for trial in trials], 400_000
    chance = np.random.default_rng(7)
    beyond = np.array([trial.supplies["soil_nitrate"] - 60.0 for trial in trials])
    logs, tops, offs = [], [], []
    for (middle, spread), kinked in ((SMOOTH, False), (KINKED, True)):
        farm = spread * 0.4 / np.hypot(0.4, 0.45)
        for season_sd, own_sd in product(SEASON_SDS, OWN_SDS):
            share = KINK_SHARE if kinked else 1 - KINK_SHARE
            for sd, spans in ((season_sd, SEASON_SDS), (own_sd, OWN_SDS)):
                share *= np.diff(halfnorm.cdf(spans[sd], scale=30.0))[0]
            level, worth = 25.0 * chance.standard_normal(count), 0.7 * chance.standard_normal(count)
            ground = 12.0 * chance.standard_normal(count)
            zones, seasons = 10.0 * chance.standard_normal((2, count)), season_sd * chance.standard_normal((2, count))
            shape = middle + farm * chance.standard_normal(count)
            weight = np.full(count, np.log(share) - np.log(count))
            for i, (trial, likelihood) in enumerate(zip(trials, seen, strict=True)):
                top = trial.need_lb_ac + level + ground + zones[int(trial.zone)] + seasons[trial.season - 2023]
                top = top + worth * beyond[i] + own_sd * chance.standard_normal(count)
                own = shape + np.sqrt(spread**2 - farm**2) * chance.standard_normal(count)
                steps = middle + spread * STEPS
                look = RectBivariateSpline(TOPS_LB_AC, steps, likelihood.kinked if kinked else likelihood.smooth)
                weight += look.ev(np.clip(top, -80, 400), np.clip(own, steps[0], steps[-1]))
            logs.append(weight)
            offs.append(worth)
            tops.append(
                120.0
                + level
                + ground
                + zones[1]
                + season_sd * chance.standard_normal(count)
                + own_sd * chance.standard_normal(count)
            )
    weights = np.exp(np.concatenate(logs) - logsumexp(np.concatenate(logs)))
    top, off = np.concatenate(tops), np.concatenate(offs)
    known = learn(trials)
    drawn = weights @ top
    assert known.top(_place()).mean == pytest.approx(drawn, abs=1.5)
    assert known.top(_place()).sd == pytest.approx(np.sqrt(weights @ (top - drawn) ** 2), abs=1.5)
    assert known.worth("soil_nitrate").mean == pytest.approx(1 - weights @ off, abs=0.02)
