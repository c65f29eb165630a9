"""Averaged kriging on real ground beside plainer ways: `python tests/benchmarks/soil_surveys.py`.

Open soil surveys with up to 160 places and their published ten folds (LimeSoDa, arXiv 2502.20139). The former choice,
written anew by its rule: mean, inverse distance (power 2) or ordinary kriging by the likeliest of three models, the
first whose squared errors, readings left out one by one, are within one standard error of the least.
"""

import argparse
import math

import LimeSoDa
import numpy as np
from numpy.typing import NDArray

from vrn.surface import fit_variogram, interpolate, inverse_distance, leave_one_out, ordinary_kriging

Array = NDArray[np.float64]
MODELS = ({"model": "exponential"}, {"model": "spherical"}, {"model": "matern", "nu": 1.5})
WAYS = ("averaged kriging", "former choice", "inverse distance", "mean")


def former(places_m: Array, values: Array, targets_m: Array) -> Array:
    """Estimates by the former choice."""
    fits = [fit_variogram(places_m, values, **model) for model in MODELS]
    best = max(fits, key=lambda one: one.fit.log_likelihood)
    others = ~np.eye(len(values), dtype=bool)
    near = [inverse_distance(places_m[rest], values[rest], places_m[[i]])[0] for i, rest in enumerate(others)]
    left_out = [np.array([values[rest].mean() for rest in others]), np.array(near)]
    if best.model != "nugget":
        left_out.append(leave_one_out(places_m, values, variogram=best)[0])
    squared = [(one - values) ** 2 for one in left_out]
    least = min(squared, key=lambda errors: errors.mean())
    worse = [errors - least for errors in squared]
    first = next(k for k, one in enumerate(worse) if one.mean() <= one.std(ddof=1) / math.sqrt(len(one)))
    if first == 0:
        return np.full(len(targets_m), values.mean())
    if first == 1:
        return inverse_distance(places_m, values, targets_m)
    return ordinary_kriging(places_m, values, targets_m, variogram=best.without_nugget(), error_variance=best.nugget)[0]


def errors(places_m: Array, values: Array, folds: Array) -> tuple[list[float], float]:
    """Root mean squared error of each way on the folds left out, and what 90 % intervals of new readings cover."""
    missed, inside = [[] for _ in WAYS], []
    for fold in np.unique(folds):
        out = folds == fold
        here, known, there, true = places_m[~out], values[~out], places_m[out], values[out]
        made = interpolate(here, known, there)
        ways = (made.estimate, former(here, known, there), inverse_distance(here, known, there), known.mean())
        for way, estimate in zip(missed, ways, strict=True):
            way.append(estimate - true)
        inside.append(np.abs(made.estimate - true) <= 1.6449 * made.predictive_se)
    return [math.sqrt(np.mean(np.concatenate(way) ** 2)) for way in missed], float(np.mean(np.concatenate(inside)))


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("--most", type=int, default=160, help="places of a survey")
    given = parser.parse_args()
    rows, covered = [], []
    for name in LimeSoDa.list_datasets():
        survey = {} if name == "Overview_Datasets" else LimeSoDa.load_dataset(name)
        if not survey or isinstance(survey["Coordinates"], float) or len(survey["Dataset"]) > given.most:
            continue
        for target in (column for column in survey["Dataset"].columns if column.endswith("_target")):
            places_m = np.asarray(survey["Coordinates"].iloc[:, -2:], dtype=float)
            values = survey["Dataset"][target].to_numpy(dtype=float)
            known = np.isfinite(values) & np.isfinite(places_m).all(axis=1)
            found, share = errors(places_m[known], values[known], np.asarray(survey["Folds"])[known])
            rows.append(found)
            covered.append(share)
            over = " ".join(f"{one / found[0]:.3f}" for one in found)
            print(f"{name:14} {target:12} {known.sum():4}  {over}  {share:.2f}", flush=True)
    table = np.array(rows)
    print(f"{len(table)} properties; averaged kriging over …, mean ± standard error, worst")
    for k, way in enumerate(WAYS[1:], start=1):
        ratio = table[:, 0] / table[:, k]
        print(f"  {way:18} {ratio.mean():.3f} ± {ratio.std(ddof=1) / math.sqrt(len(ratio)):.3f}, {ratio.max():.3f}")
    better = table[:, 0] / table[:, 2:].min(axis=1)
    print(f"  better of the last two {np.median(better):.3f} in the middle, {better.max():.3f}")
    print(f"90 % intervals of new readings cover {np.mean(covered):.2f}")
