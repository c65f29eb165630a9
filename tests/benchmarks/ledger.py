"""A ledger for a million cells against summing ten arrays of that size: `python tests/benchmarks/ledger.py`."""

import statistics
import time
from collections.abc import Callable

import numpy as np

from vrn.nitrogen import method

CELLS = 1_000_000
ROUNDS = 7


def seconds(work: Callable[[], object]) -> float:
    """Median time of some rounds, after one to warm up."""
    work()
    taken = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def main() -> None:
    """Print each method's ratio."""
    random = np.random.default_rng(1)
    arrays = [random.uniform(0, 100, CELLS) for _ in range(10)]

    def ten_arrays() -> np.ndarray:
        total = arrays[0] + arrays[1]
        for array in arrays[2:]:
            total = total + array
        return total

    stage = np.where(np.arange(CELLS) < CELLS // 2, 4.8, 7.9)  # a field pulled on two days
    ppm, deep, goal, organic = (random.uniform(*span, CELLS) for span in ((2, 40), (2, 20), (150, 240), (1, 6)))
    work = {
        "remaining-need, one depth": lambda: method("remaining-need").need(
            yield_goal_bu_ac=goal, growth_stage="V8", nitrate_ppm=ppm, top_in=0, bottom_in=12,
            organic_matter_pct=organic,
        ),
        "remaining-need, two depths": lambda: method("remaining-need").need(
            yield_goal_bu_ac=goal, growth_stage="V8", nitrate_ppm=ppm, top_in=0, bottom_in=12,
            organic_matter_pct=organic, deep_nitrate_ppm=deep, deep_bottom_in=24, credits_lb_ac={"manure": 10.0},
        ),
        "remaining-need, a stage by cell": lambda: method("remaining-need").need(
            yield_goal_bu_ac=goal, growth_stage=stage, nitrate_ppm=ppm, top_in=0, bottom_in=12,
            organic_matter_pct=organic, deep_nitrate_ppm=deep, deep_bottom_in=24,
        ),
        "iowa-lsnt": lambda: method("iowa-lsnt").need(nitrate_ppm=ppm),
        "nebraska": lambda: method("nebraska").need(
            yield_goal_bu_ac=goal, profile_nitrate_ppm=ppm, organic_matter_pct=organic
        ),
        "kansas": lambda: method("kansas").need(
            yield_goal_bu_ac=goal, profile_nitrate_lb_ac=ppm, organic_matter_pct=organic
        ),
        "penn-state-psnt": lambda: method("penn-state-psnt").need(
            yield_goal_bu_ac=goal, nitrate_ppm=ppm, history_factor=1.75
        ),
        "ohio-psnt": lambda: method("ohio-psnt").need(base_rate_lb_ac=160.0, nitrate_ppm=ppm, applied_lb_ac=30.0),
    }  # fmt: skip
    seconds(ten_arrays)
    for name, ledger in work.items():  # the peer is timed beside each, with the memory that the ledgers left warm
        took = seconds(lambda ledger=ledger: ledger().need_lb_ac)  # type: ignore[misc]
        peer = seconds(ten_arrays)
        print(f"{name:<36}{took * 1000:8.1f} ms of {peer * 1000:6.1f} ms for ten arrays: {took / peer:5.1f} ×")


if __name__ == "__main__":
    main()
