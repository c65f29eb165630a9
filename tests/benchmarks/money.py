"""What rates are worth on simulated seasons whose truth is not the budget: `python tests/benchmarks/money.py`.

Ground and samples as in ``surface_limit.py`` (Nebraska's preplant equation on a profile of two feet, 45 samples,
organic matter at 60 places); with --first-foot the harder ones of ``tests/truth`` (the first foot at V8, short ranges).
The truth of a season is a rate T at which yield levels off, in each cell: level + shift + N(0, 35) for the season
+ b_y Y + b_n N + b_o O + 25 × a Gaussian field (range 120 m), where Y, N and O are the budget's own parts about their
means, b_y ~ N(0.40, 0.35), b_n ~ N(1.0, 0.35), b_o ~ N(0.8, 0.4), drawn anew for each of 40 seasons. Corn responds by
one of four: smooth c 0.0018, 0.0028, 0.0045, or a kink of 0.75 bu/lb; shift is what makes the budget's need pay best at
a price ratio of 0.125. Corn 4.40 $/bu. The best map of the same samples knows the statistics of the ground and gives
every cell its own rate. The truth table of ``tests/truth`` is circular beside this: there the budget is the truth, and
whoever counts its pattern in full is right.

Options: --fields 10 --start 901 --first-foot.
"""

import argparse
import sys
import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

sys.path.insert(0, str(Path(__file__).parents[1] / "truth"))

from rivals import usual_script
from simulated import Simulated, need_lb_ac, random_field, simulate
from surface_limit import MAKING, SD, posterior

from vrn.model.settings import PriceSection
from vrn.pipeline import build

Array = NDArray[np.float64]
CORN, RATIO, ANCHOR, SEASONS = 4.40, 0.60 / 4.40, 0.125, 40
SEASON_SD, LOCAL_SD, LOCAL_RANGE_M = 35.0, 25.0, 120.0
RESPONSES = ((0.0018, 0.0), (0.0028, 0.0), (0.0045, 0.0), (0.0, 0.75))  # c of the smooth part, b of the kink
SLOPES = ((0.40, 0.35), (1.0, 0.35), (0.8, 0.4))  # mean and sd of b for yield, nitrate, organic matter
MEAN_SLOPES = np.array(SLOPES)[:, 0]


def lost_bu(short: Array, response: tuple[float, float]) -> Array:
    """Yield below the plateau, of nitrogen short of T. [bu/ac]"""
    below = np.maximum(short, 0.0)
    return response[0] * below**2 + response[1] * below


def anchor_shift(response: tuple[float, float]) -> float:
    """T less the need that pays at the anchor's ratio, seasons and local ground drawn."""
    spread = np.hypot(SEASON_SD, LOCAL_SD) * np.random.default_rng(0).normal(size=100_000)

    def lost(rate: float) -> float:
        return float(lost_bu(spread - rate, response).mean() + ANCHOR * rate)

    return -float(minimize_scalar(lost, bounds=(-150, 150), method="bounded").x)


def seasons(truth: Simulated) -> list[Array]:
    """T less the anchor's shift on the truth's cells, season by season."""
    parts = _parts(truth)
    rng, level = np.random.default_rng(truth.seed + 50_000), float(truth.need_lb_ac.mean())
    drawn = []
    for _ in range(SEASONS):
        pattern = sum(rng.normal(*slope) * part for slope, part in zip(SLOPES, parts, strict=True))
        local = LOCAL_SD * random_field(rng, practical_range_m=3 * LOCAL_RANGE_M)
        drawn.append(level + rng.normal(0, SEASON_SD) + pattern + local)
    return drawn


def gains(
    maps: dict[str, Array], flat: Array, drawn: list[Array], shifts: list[float], ratio: float
) -> dict[str, Array]:
    """$/ac of each map above one flat rate, shape (seasons, responses)."""

    def value(rate: Array) -> Array:
        return np.array([
            [-CORN * float((lost_bu(t + shift - rate, one) + ratio * rate).mean())
             for one, shift in zip(RESPONSES, shifts, strict=True)]
            for t in drawn
        ])  # fmt: skip

    base = value(flat)
    return {name: value(rate) - base for name, rate in maps.items()}


def built(truth: Simulated, *, weight: float | None, rule: str, n_per_lb: float) -> tuple[Array, float]:
    """Rates of a build on the truth's cells, and what page 1 prints that they are worth over one flat rate. [$/ac]"""
    field, layers = truth.field, truth.field.settings.layers
    assert layers.yield_potential is not None
    layers = replace(layers, yield_potential=replace(layers.yield_potential, weight=weight))
    prices = PriceSection(corn_per_bu=CORN, n_per_lb=n_per_lb, rate_by=rule)  # type: ignore[arg-type]
    made = build(replace(field, settings=replace(field.settings, layers=layers, prices=prices)))
    row, col, _ = made.grid.cells_of(truth.grid.centers_m())
    worth = made.prices.worth if made.prices else None
    printed = worth.over_flat[1] if worth else float("nan")
    return made.rate_grid()[row, col].reshape(truth.grid.shape), printed


def main() -> int:
    """Print the table; 1 where a build leaves more than a twentieth of the ground without a rate."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--fields", type=int, default=10)
    parser.add_argument("--start", type=int, default=901)
    parser.add_argument("--first-foot", action="store_true")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    shifts = [anchor_shift(response) for response in RESPONSES]
    matched: dict[str, list[Array]] = {}
    written: dict[str, list[Array]] = {}
    said: list[float] = []
    for seed in range(asked.start, asked.start + asked.fields):
        truth = simulate(seed, making=None if asked.first_foot else MAKING)
        drawn = seasons(truth)
        usual, printed = built(truth, weight=None, rule="need", n_per_lb=0.60)
        said.append(printed)
        maps = {
            "usual script": usual_script(truth),
            "zones, yield weight 1": built(truth, weight=1.0, rule="need", n_per_lb=0.60)[0],
            "zones, default weight": usual,
            "every layer known, true mean weights": sum(
                slope * part for slope, part in zip(MEAN_SLOPES, _parts(truth), strict=True)
            ),
        }  # fmt: skip
        if not asked.first_foot:
            maps["best map of the same samples"] = best_map(truth, MEAN_SLOPES)
        if any(np.isnan(rate).mean() > 0.05 for rate in maps.values()):
            return 1
        level = float(truth.need_lb_ac.mean())
        flat = np.full(truth.grid.shape, level)
        even = {name: rate - np.nanmean(rate) + level for name, rate in maps.items()}
        for name, gain in gains(even, flat, drawn, shifts, RATIO).items():
            matched.setdefault(name, []).append(gain)
        for ratio in (0.10, 0.15, 0.20):
            pair = {rule: built(truth, weight=None, rule=rule, n_per_lb=ratio * CORN)[0] for rule in ("need", "return")}
            plain = np.full(truth.grid.shape, float(np.nanmean(pair["need"])))
            for rule, gain in gains(pair, plain, drawn, shifts, ratio).items():
                written.setdefault(f"rho {ratio:.2f}, by {rule}, as written", []).append(gain)
        print(f"field {seed}", {name: round(float(gain[-1].mean()), 2) for name, gain in matched.items()}, flush=True)
    for name, found in {**matched, **written}.items():
        table = np.array(found)  # fields, seasons, responses
        by_field, by_season = table.mean(axis=(1, 2)), table.mean(axis=2)
        print(f"{name:40s} {table.mean():6.2f} $/ac, worst field {by_field.min():6.2f}, seasons that lose "
              f"{(by_season < 0).mean():4.0%}")  # fmt: skip
    print(f"{'printed on page 1, default weight':40s} {np.mean(said):6.2f} $/ac")
    return 0


def _parts(truth: Simulated) -> list[Array]:
    return _parts_of(truth, truth.nitrate_ppm, truth.organic_matter_pct, truth.yield_goal_bu_ac)


def _parts_of(truth: Simulated, nitrate_ppm: Array, organic_matter_pct: Array, goal_bu_ac: Array) -> list[Array]:
    """What yield, nitrate and organic matter each do to the need, about its mean. [lb/ac]"""
    at = {"yield_goal_bu_ac": goal_bu_ac, "nitrate_ppm": nitrate_ppm, "organic_matter_pct": organic_matter_pct}
    means = {name: float(getattr(truth, name).mean()) for name in at}
    needs = [need_lb_ac(**{**means, name: values}, equation=truth.making.equation) for name, values in at.items()]
    return [need - need.mean() for need in needs]


def best_map(truth: Simulated, slopes: Array) -> Array:
    """Every cell its own rate, from the same samples with the statistics of the ground known. [lb/ac]"""
    (log, log_se), (organic, _), goal = posterior(truth, truth.grid.centers_m())
    ppm = 14.0 * np.exp(log + log_se**2 / 2 - SD**2 / 2)
    parts = _parts_of(truth, ppm, organic, goal)
    return sum(slope * part for slope, part in zip(slopes, parts, strict=True)).reshape(truth.grid.shape)


if __name__ == "__main__":
    raise SystemExit(main())
