"""Fields of nothing but scatter: how many are one zone, what the rates lose: `python tests/benchmarks/scatter.py`.

The fields are those of `tests/truth/test_truth.py`, a hundred of them from seed 121 on (and `--first 101 --fields 20`).
"""

import argparse
import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "truth"))

from test_truth import without_structure

if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--fields", type=int, default=100)
    parser.add_argument("--first", type=int, default=121)
    given = parser.parse_args()
    seeds = range(given.first, given.first + given.fields)
    zones, ours, flat, apart = np.array([without_structure(seed) for seed in seeds]).T
    more = [seed for seed, count in zip(seeds, zones, strict=True) if count > 1]
    print(f"one zone in {(zones == 1).sum()} of {len(zones)}; more in seeds {more}")
    print(
        f"misallocated over that of one flat rate {np.mean(ours / flat):.4f} on average, {np.max(ours / flat):.3f} most"
    )
    print(f"rates of one zone {apart[zones == 1].max():.1f} lb/ac from the flat rate at most")
