"""What a farm can learn from trials: simulated farms whose truth is known, and what the rates of the learner lose.

Three fields of three zones; two blocks of five rates by four passes each season in a field that has corn, in the zones
whose nitrate differs most. Yield levels off where the budget says, moved by level, field, zone, the worth of nitrate,
the season and chance. Regret is what the rates of the next season lose against rates that know all of it.
"""

import argparse
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from vrn.response import Plot, Trial, ZoneNeed, learn
from vrn.response.learn import Learned
from vrn.response.trial import KINKED, SMOOTH, best_rectangle

Array = NDArray[np.float64]
Form = Literal["smooth", "kinked", "exponential"]
CORN, NITROGEN = 4.40, 0.60  # $/bu, $/lb
ANCHOR = 0.125
BETAS = (0.0, 0.5, 1.0, 1.5)
AFTER = (1, 2, 3, 5)
_FIELDS, _ZONES, _NEXT = 3, 3, 40
_FARM = 0.4 / np.hypot(0.4, 0.45)
_PLACES = np.array([(60.0 * row, 300.0 * col) for row in range(4) for col in range(5)])
_APART = np.hypot(*(_PLACES[:, None] - _PLACES).transpose(2, 0, 1))
_NOISE = np.linalg.cholesky(64.0 * (0.5 * np.exp(-3 * _APART / 400.0) + 0.5 * np.eye(20)))
_STEPS = np.array([-60.0, -30.0, 0.0, 30.0, 60.0])
_WAY = np.array(best_rectangle((60.0, 90.0, 120.0, 150.0, 180.0), 4, recommended=120.0, width_ft=60.0, length_ft=300.0))


@dataclass(frozen=True, kw_only=True)
class Truth:
    """How farms are drawn: form of the response, worth of nitrate, and whether the budget is right but for it."""

    form: Form = "smooth"
    beta: float = 1.0
    right: bool = False  # no level, field or zone of its own
    every_second_year: bool = False  # two fields have corn in even years, one in odd ones


@dataclass(frozen=True, kw_only=True)
class Reached:
    """After each number of seasons, means over farms: regret [$/ac] untouched and learned, shares of 90 % intervals."""

    untouched: Array
    learned: Array
    top_covered: Array
    beta_covered: Array
    beta: Array


def lost(form: Form, rate: Array, top: Array, steep: Array) -> Array:
    """Yield lost below the plateau. [bu/ac]

    The exponential has the slope of the smooth form at its best rate at 0.125 $/lb over $/bu, and its bend there where
    it is usual; nothing yields less than 150 bu/ac below the plateau.
    """
    if form == "exponential":
        reach = _reach(steep)
        best = top - ANCHOR / (2 * steep)
        return np.asarray(np.minimum(ANCHOR * reach * np.exp(-(rate - best) / reach), 150.0))
    short = np.maximum(top - rate, 0.0)
    return np.asarray(steep * short**2 if form == "smooth" else steep * short)


def _reach(steep: Array) -> Array:
    """Nitrogen over which the yield that is lacking falls by a factor of e. [lb/ac]"""
    return np.clip(ANCHOR / (2 * steep), 25.0, 150.0)


def regret(form: Form, rate: Array, top: Array, steep: Array) -> Array:
    """What rates lose against those that know where yield levels off and how steeply. [$/ac]"""
    ratio = NITROGEN / CORN
    if form == "exponential":
        best = top - ANCHOR / (2 * steep) + _reach(steep) * np.log(ANCHOR / ratio)
    else:
        best = top - ratio / (2 * steep) if form == "smooth" else np.where(steep > ratio, top, -np.inf)
    best = np.maximum(best, 0.0)
    return CORN * (lost(form, rate, top, steep) - lost(form, best, top, steep)) + NITROGEN * (rate - best)


def farm(seed: int, truth: Truth, after: Sequence[int] = AFTER) -> tuple[list[float], ...]:
    """One farm: untouched and learned regret, shares of T and of the worth of nitrate in their intervals, its mean."""
    chance = np.random.default_rng(seed)
    own = 0.0 if truth.right else 1.0
    off = own * (20.0 * chance.standard_normal() + 12.0 * chance.standard_normal((_FIELDS, 1))
                 + 10.0 * chance.standard_normal((_FIELDS, _ZONES)))  # fmt: skip
    middle, spread = KINKED if truth.form == "kinked" else SMOOTH
    farm_steep = middle + spread * _FARM * chance.standard_normal()
    own_steep = spread * np.sqrt(1 - _FARM**2)
    seen: list[Trial] = []
    known = learn(seen)
    found: tuple[list[float], ...] = ([], [], [], [], [])
    for season in range(1, max(after) + 1):
        supplies = _supplies(chance)
        year = 22.0 * chance.standard_normal()
        field = (1 if season % 2 else (0, 2)[season // 2 % 2]) if truth.every_second_year else season % _FIELDS
        for zone in (int(supplies[field].argmin()), int(supplies[field].argmax())):
            place = _place(field, zone, season, float(supplies[field, zone]))
            top = place.need_lb_ac + off[field, zone] + (1 - truth.beta) * (supplies[field, zone] - 60.0) + year
            top += 18.0 * chance.standard_normal()
            steep = np.exp(farm_steep + own_steep * chance.standard_normal())
            rates = np.maximum(np.round(_rate(known, place) / 5) * 5 + _STEPS, 0.0)[_WAY.ravel()]
            grain = 200.0 - lost(truth.form, rates, np.full(20, top), np.full(20, steep))
            grain += _NOISE @ chance.standard_normal(20)
            plots = tuple(Plot(n_lb_ac=float(n), yield_bu_ac=float(y), x_ft=float(at[0]), y_ft=float(at[1]))
                          for n, y, at in zip(rates, grain, _PLACES, strict=True))  # fmt: skip
            seen.append(Trial(field=place.field, zone=place.zone, season=season, need_lb_ac=place.need_lb_ac,
                              plots=plots, supplies=place.supplies, typical=place.typical))  # fmt: skip
        known = learn(seen)
        if season in after:
            with_corn = range(_FIELDS) if not truth.every_second_year else ((0, 2) if season % 2 else (1,))
            for one, value in zip(found, _next(known, truth, chance, off, farm_steep, own_steep, season + 1, with_corn),
                                  strict=True):  # fmt: skip
                one.append(value)
    return found


def _next(
    known: Learned, truth: Truth, chance: np.random.Generator, off: Array, farm_steep: float, own_steep: float,
    season: int, fields: Iterable[int],
) -> tuple[float, float, float, float, float]:  # fmt: skip
    """The next season, many times over, on all ground that has corn then."""
    supplies, rows = _supplies(chance), []
    years = 22.0 * chance.standard_normal(_NEXT)
    for field in fields:
        for zone in range(_ZONES):
            place = _place(field, zone, season, float(supplies[field, zone]))
            top = place.need_lb_ac + off[field, zone] + (1 - truth.beta) * (supplies[field, zone] - 60.0) + years
            top = top + 18.0 * chance.standard_normal(_NEXT)
            steep = np.exp(farm_steep + own_steep * chance.standard_normal(_NEXT))
            span, rate = known.top(place), _rate(known, place)
            rows.append((
                regret(truth.form, np.full(_NEXT, place.need_lb_ac), top, steep).mean(),
                regret(truth.form, np.full(_NEXT, rate), top, steep).mean(),
                ((span.low <= top) & (top <= span.high)).mean(),
            ))  # fmt: skip
    untouched, learned, covered = np.mean(rows, axis=0)
    worth = known.worth("soil_nitrate")
    inside = float(worth.low <= truth.beta <= worth.high)
    return float(untouched), float(learned), float(covered), inside, worth.mean


def _supplies(chance: np.random.Generator) -> Array:
    """Soil nitrate of each zone: fields differ, zones of a field more. [lb/ac]"""
    wide = 60.0 + 10.0 * chance.standard_normal((_FIELDS, 1)) + 20.0 * chance.standard_normal((_FIELDS, _ZONES))
    return np.asarray(np.clip(wide, 10.0, 140.0))


def _place(field: int, zone: int, season: int, supply: float) -> ZoneNeed:
    return ZoneNeed(field=str(field), zone=str(zone), season=season, need_lb_ac=200.0 - supply,
                    supplies={"soil_nitrate": supply}, typical={"soil_nitrate": 60.0})  # fmt: skip


def _rate(known: Learned, place: ZoneNeed) -> float:
    """The need until there is a trial; then what the trials say pays best."""
    if not known.trials:
        return place.need_lb_ac
    (said,) = known.rates([place], corn_per_bu=CORN, n_per_lb=NITROGEN, low=0.0, high=300.0)
    return said.rate_n_lb_ac


def reached(truth: Truth, farms: int, after: Sequence[int] = AFTER, *, first: int = 100) -> Reached:
    """Means over farms of one truth."""
    each = np.array([farm(seed, truth, after) for seed in range(first, first + farms)])
    untouched, learned, top, beta, mean = each.mean(axis=0)
    return Reached(untouched=untouched, learned=learned, top_covered=top, beta_covered=beta, beta=mean)


CASES = {
    "off": {}, "right": {"right": True}, "second-year": {"every_second_year": True},
}  # fmt: skip


def main() -> None:
    """Print what farms of each truth reach: budget off, right but for nitrate, off with corn every second year."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--farms", type=int, default=40)
    asked.add_argument("--betas", type=float, nargs="+", default=list(BETAS))
    asked.add_argument("--forms", nargs="+", default=["smooth", "kinked", "exponential"])
    asked.add_argument("--cases", nargs="+", default=list(CASES), choices=list(CASES))
    told = asked.parse_args()
    print(f"{told.farms} farms, a pound of nitrate worth {told.betas}; after {AFTER} seasons; $/ac")
    for form in told.forms:
        for case in told.cases:
            found = [reached(Truth(form=form, beta=beta, **CASES[case]), told.farms) for beta in told.betas]
            untouched, learned, top, beta = (
                np.array([getattr(one, name) for one in found])
                for name in ("untouched", "learned", "top_covered", "beta_covered")
            )
            gain = 100 * (1 - learned.mean(axis=0) / untouched.mean(axis=0))
            print(f"{form}, {case}: untouched", _said(untouched.mean(axis=0)), "learned", _said(learned.mean(axis=0)),
                  "gain %", _said(gain))  # fmt: skip
            print("    T in its 90 %", _said(top.mean(axis=0)), "worth in its 90 %", _said(beta.mean(axis=0)),
                  "at the worst", _said(beta.min(axis=0)))  # fmt: skip
            for one, worth in zip(found, told.betas, strict=True):
                print(f"    worth {worth}: learned less untouched", _said(one.learned - one.untouched), "found",
                      _said(one.beta), flush=True)  # fmt: skip


def _said(values: Array) -> str:
    return " ".join(f"{value:.2f}" for value in values)


if __name__ == "__main__":
    main()
