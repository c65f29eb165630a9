"""Where next, tried on simulated fields against chance and against the places of greatest kriging variance."""

import sys
from dataclasses import dataclass

import numpy as np
import pytest

from vrn.sampling.next_reading import Stake, best_readings
from vrn.surface import Variogram, fit_variogram, ordinary_kriging
from vrn.surface.kriging import Kriging, covariance_between
from vrn.surface.places import places_of
from vrn.zones.cut import optimal_cuts

SIDE_M, ACROSS = 24.0, 32
SLOPE = 3.67  # lb/ac for each ppm in a foot of soil at 1.35 g/cm³
STEP, MOST, ZONES = 5.0, 180.0, 4
FIRST, MORE = 24, 8
ACRES = np.full(ACROSS**2, SIDE_M**2 / 4046.8564224)
CELLS = np.array([(x, y) for y in np.arange(ACROSS) for x in np.arange(ACROSS)], dtype=float) * SIDE_M + SIDE_M / 2


@dataclass(frozen=True)
class Ground:
    """What is really there, and what else the need is made of."""

    ppm: np.ndarray
    other_lb_ac: np.ndarray

    @property
    def need_lb_ac(self) -> np.ndarray:
        """Nitrogen the ground really needs."""
        return np.maximum(self.other_lb_ac - SLOPE * self.ppm, 0.0)


def _ground(seed: int, root: np.ndarray) -> Ground:
    """Log-normal nitrate with a range of 130 m, and an old feed lot along one side that needs nothing."""
    random = np.random.default_rng(seed)
    ppm = np.exp(np.log(13.0) + 0.42 * root @ random.standard_normal(len(CELLS)))
    edge = CELLS[:, 0] - 0.45 * ACROSS * SIDE_M + 60 * np.sin(CELLS[:, 1] / 150 + seed)
    return Ground(
        ppm=ppm + 25 / (1 + np.exp(edge / 25)), other_lb_ac=165 + 18 * root @ random.standard_normal(len(CELLS))
    )


def _read(ground: Ground, rows: np.ndarray, random: np.random.Generator) -> np.ndarray:
    scatter = 1 + 0.12 * random.standard_normal(len(rows))
    return np.maximum(ground.ppm[rows] * scatter + 0.6 * random.standard_normal(len(rows)), 0.5)


def _usual(values: np.ndarray, places: np.ndarray) -> Variogram:
    fitted = fit_variogram(places, values, model="exponential")
    if fitted.model != "nugget" and fitted.partial_sill > 0:
        return fitted
    sill = float(values.var(ddof=1))
    return Variogram(model="exponential", nugget=0.3 * sill, partial_sill=0.7 * sill, range_m=100.0)


def _estimate(rows: np.ndarray, ppm: np.ndarray, variogram: Variogram) -> np.ndarray:
    noise = np.full(len(rows), max(variogram.nugget, 1e-6))
    return ordinary_kriging(CELLS[rows], ppm, CELLS, variogram=variogram.without_nugget(), error_variance=noise)[0]


def _misallocated(ground: Ground, estimate: np.ndarray) -> float:
    """Four zones cut on the estimated need, each with its mean as rate, in steps of 5 lb/ac."""
    need = ground.other_lb_ac - SLOPE * estimate
    zone = np.searchsorted(optimal_cuts(need, np.ones(len(need)), ZONES)[ZONES - 1], need, side="right")
    means = np.array([need[zone == k].mean() if (zone == k).any() else 0.0 for k in range(ZONES)])
    rates = np.clip(np.round(means / STEP) * STEP, 0.0, MOST)
    return float(np.abs(rates[zone] - ground.need_lb_ac).mean())


def _of_greatest_variance(candidates: np.ndarray, rows: np.ndarray, variogram: Variogram) -> list[int]:
    """Candidates of greatest kriging variance, one after the other."""
    places = places_of(CELLS[rows], np.zeros(len(rows)))
    kriging = Kriging.of(places, variogram)
    there = CELLS[candidates] - places.origin_m
    near = covariance_between(places.coordinates_m, there, variogram)
    half, gap = kriging.root @ near, kriging.mean_root @ (1 - kriging.solved_drift.T @ near)
    left = covariance_between(there, there, variogram) - half.T @ half + gap.T @ gap
    chosen: list[int] = []
    for _ in range(MORE):
        variance = left.diagonal().copy()
        variance[chosen] = -1.0
        best = int(np.argmax(variance))
        chosen.append(best)
        left = left - np.outer(left[:, best], left[best] / (left[best, best] + variogram.nugget))
    return chosen


def _try(seed: int, root: np.ndarray) -> dict[str, float]:
    """Pounds misallocated with the first readings, and with eight more by each way of choosing."""
    ground, random = _ground(seed, root), np.random.default_rng(1000 + seed)
    rows = np.sort(random.choice(len(CELLS), FIRST, replace=False))
    ppm = _read(ground, rows, random)
    variogram = _usual(ppm, CELLS[rows])
    estimate = _estimate(rows, ppm, variogram)
    candidates = np.setdiff1d(np.arange(0, len(CELLS), 2), rows)

    def after(more: np.ndarray) -> float:
        draws = [np.append(ppm, _read(ground, more, random)) for _ in range(4)]
        both = np.append(rows, more)
        return float(np.mean([_misallocated(ground, _estimate(both, read, variogram)) for read in draws]))

    stake = Stake(
        cells_m=CELLS, acres=ACRES, need_lb_ac=ground.other_lb_ac - SLOPE * estimate,
        slope_lb_ac=SLOPE * np.maximum(estimate, 1.0), rates_lb_ac=np.arange(0.0, MOST + 1, STEP),
    )  # fmt: skip
    worth = best_readings(
        stake, CELLS[candidates], MORE, readings_m=CELLS[rows], error_variance=np.zeros(FIRST),
        variogram=_usual(np.log(ppm), CELLS[rows]), new_variance=0.0, step_lb_ac=STEP,
    )  # fmt: skip
    return {
        "none": _misallocated(ground, estimate),
        "next": after(candidates[[one.candidate for one in worth]]),
        "variance": after(candidates[_of_greatest_variance(candidates, rows, variogram)]),
        "random": float(np.mean([after(random.choice(candidates, MORE, replace=False)) for _ in range(3)])),
    }


def _trials(count: int) -> dict[str, np.ndarray]:
    away = np.hypot(*(CELLS[:, None] - CELLS[None]).transpose(2, 0, 1))
    root = np.linalg.cholesky(np.exp(-away / 130.0) + 1e-8 * np.eye(len(CELLS)))
    found = [_try(seed, root) for seed in range(count)]
    return {name: np.array([one[name] for one in found]) for name in found[0]}


def test_next_beats_chance_on_a_few_fields() -> None:
    """On six simulated fields eight more readings misallocate less where they are told than where chance puts them."""
    found = _trials(6)
    assert found["next"].mean() < found["random"].mean() < found["none"].mean()


@pytest.mark.long
def test_next_beats_chance_and_greatest_variance(capsys: pytest.CaptureFixture[str]) -> None:
    """On 80 simulated fields it beats chance by more than three standard errors, and greatest variance by two."""
    found = _trials(80)
    with capsys.disabled():
        sys.stdout.write("\nlb/ac misallocated, mean of 80 fields: 24 readings, and 8 more\n")
        for name, values in found.items():
            sys.stdout.write(f"{name:>9} {values.mean():7.2f}\n")
    for rival, sure in (("random", 3.0), ("variance", 2.0)):
        better = found[rival] - found["next"]
        assert better.mean() > sure * better.std(ddof=1) / np.sqrt(len(better))
