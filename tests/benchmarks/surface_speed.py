"""Surfaces beside PyKrige, GSTools and SciPy in one run: the same answers, and how many times faster.

Run by hand: ``python tests/benchmarks/surface_speed.py [--heavy] [--processor] [ROUNDS]``. Rounds are interleaved and
medians compared; quote ratios, milliseconds belong to the machine. ``--heavy`` adds PyKrige's local kriging of 20 000
points, which takes 9 GB. ``--processor`` counts the processor's time, for a busy machine, without what runs alone.
krigekit, the fastest general library on PyPI when this was written, joins in where it is installed.
"""

import importlib.util
import os
import statistics
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import gstools
import numpy as np
from pykrige.ok import OrdinaryKriging
from scipy.spatial import cKDTree
from scipy.spatial.distance import cdist

from vrn.surface import Variogram, empirical_variogram, inverse_distance, leave_one_out, ordinary_kriging

RANGE_M = 200.0
VARIOGRAM = Variogram(model="spherical", nugget=0.2, partial_sill=0.8, range_m=RANGE_M)
PYKRIGE = {"variogram_model": "spherical", "variogram_parameters": {"psill": 0.8, "nugget": 0.2, "range": RANGE_M}}
GSTOOLS = gstools.Spherical(dim=2, var=0.8, nugget=0.2, len_scale=RANGE_M, rescale=1.0)
Job = Callable[[], object]
HERE = str(Path(__file__).parent)
CLOCK = time.process_time if "--processor" in sys.argv else time.perf_counter


def timed(jobs: dict[str, Job], rounds: int) -> dict[str, float]:
    """Median milliseconds of each job, one round of all before the next."""
    taken: dict[str, list[float]] = {name: [] for name in jobs}
    for _ in range(rounds):
        for name, job in jobs.items():
            start = CLOCK()
            job()
            taken[name].append((CLOCK() - start) * 1e3)
    return {name: statistics.median(values) for name, values in taken.items()}


def show(work: str, median: dict[str, float], note: str = "") -> None:
    """One row of the table: ours in milliseconds, the peers as multiples."""
    ours, *peers = median.items()
    multiples = ", ".join(f"{name} {value / ours[1]:.1f} ×" for name, value in peers)
    print(f"| {work} | {ours[1]:.0f} ms | {multiples} | {note} |", flush=True)


def peak_mb(job: Job) -> float:
    """Largest extra memory of a job. [MB]"""
    tracemalloc.start()
    job()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def nodes(side: int) -> np.ndarray:
    """Even grid of ``side`` × ``side`` nodes on 805 m. [m]"""
    axis = (np.arange(side) + 0.5) * 805.0 / side
    return np.column_stack([a.ravel() for a in np.meshgrid(axis, axis)])


def samples(count: int, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Random places and values."""
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 805, (count, 2)), rng.normal(size=count)


def global_kriging(rounds: int) -> None:
    """200 samples to all nodes, with variance."""
    places, values = samples(200)
    for side, slow in ((161, True), (402, False)):
        targets = nodes(side)
        pykrige = OrdinaryKriging(*places.T, values, **PYKRIGE)
        peer = gstools.krige.Ordinary(GSTOOLS, places.T, values, exact=True)
        jobs: dict[str, Job] = {
            "ours": lambda targets=targets: ordinary_kriging(places, values, targets, variogram=VARIOGRAM),
            "PyKrige C": lambda targets=targets, k=pykrige: k.execute("points", *targets.T, backend="C"),
        }
        if slow:
            jobs["PyKrige vectorized"] = lambda targets=targets, k=pykrige: k.execute("points", *targets.T)
        jobs["GSTools"] = lambda targets=targets, k=peer: k(targets.T)
        ours, theirs = jobs["ours"](), jobs["PyKrige C"]()
        apart = max(np.abs(a - b).max() for a, b in zip(ours, theirs, strict=True))
        note = f"apart {apart:.0e}; {peak_mb(jobs['ours']):.0f} MB extra"
        show(f"global kriging + variance, 200 → {len(targets):,}", timed(jobs, rounds), note)


def local_kriging(rounds: int, heavy: bool) -> None:
    """24 nearest of 20 000 and of 200 000 points, with variance."""
    targets = nodes(161)
    many = {count: samples(count) for count in (20_000, 200_000)}

    def ours(count: int) -> tuple[np.ndarray, np.ndarray]:
        return ordinary_kriging(*many[count], targets, variogram=VARIOGRAM, neighbors=24)

    def by_one(count: int) -> tuple[np.ndarray, np.ndarray]:
        places, values = many[count]
        told = []
        for target, near in zip(targets[:40], cKDTree(places).query(targets[:40], 24)[1], strict=True):
            told.append(ordinary_kriging(places[near], values[near], [target], variogram=VARIOGRAM))
        return np.array(told)[:, 0, 0], np.array(told)[:, 1, 0]

    few, fewer = samples(4_000), nodes(51)
    pykrige = OrdinaryKriging(*few[0].T, few[1], **PYKRIGE)
    jobs: dict[str, Job] = {
        "ours": lambda: ordinary_kriging(*few, fewer, variogram=VARIOGRAM, neighbors=24),
        "PyKrige loop": lambda: pykrige.execute("points", *fewer.T, backend="loop", n_closest_points=24),
    }
    jobs["ours"]()
    apart = max(np.abs(a - b).max() for a, b in zip(jobs["ours"](), jobs["PyKrige loop"](), strict=True))
    show(f"local kriging, 24 of 4,000 → {len(fewer):,}", timed(jobs, rounds), f"apart {apart:.0e}")
    base = None
    for count in many:
        first = ours(count)
        jobs = {"ours": lambda count=count: ours(count)}
        once: dict[str, float] = {}
        if importlib.util.find_spec("krigekit"):
            import krigekit

            structure = {"vtype": "sph", "nugget": 0.2, "sill": 0.8, "a_major": RANGE_M}
            jobs["krigekit"] = lambda count=count, structure=structure: krigekit.ordinary_kriging(
                *many[count], targets, structure, nmax=24
            )
        if heavy and count == 20_000:
            kriging = OrdinaryKriging(*many[count][0].T, many[count][1], **PYKRIGE)
            start = CLOCK()
            kriging.execute("points", *targets.T, backend="loop", n_closest_points=24)
            once["PyKrige (once)"] = (CLOCK() - start) * 1e3
            del kriging
        median = {**timed(jobs, rounds), **once}
        base = base or median["ours"]
        apart = max(np.abs(a[:40] - b).max() for a, b in zip(first, by_one(count), strict=True))
        note = f"apart from a system for each node {apart:.0e}; {median['ours'] / base:.2f} × the 20 000 case; "
        note += f"{peak_mb(lambda count=count: ours(count)):.0f} MB extra"
        show(f"local kriging, 24 of {count:,} → {len(targets):,}", median, note)


def weighting(rounds: int) -> None:
    """Inverse distance from all of 200 and from 12 of 20 000."""
    targets = nodes(161)
    places, values = samples(200)

    def scipy_all() -> np.ndarray:
        weight = cdist(targets, places, "sqeuclidean") ** -1.0
        return weight @ values / weight.sum(axis=1)

    jobs: dict[str, Job] = {"ours": lambda: inverse_distance(places, values, targets), "SciPy cdist": scipy_all}
    apart = np.abs(jobs["ours"]() - scipy_all()).max()
    show("inverse distance, 200 → 25,921", timed(jobs, rounds), f"apart {apart:.0e}")
    places_many, values_many = samples(20_000)

    def scipy_near() -> np.ndarray:
        distance, index = cKDTree(places_many).query(targets, k=12)
        weight = distance**-2.0
        return (weight * values_many[index]).sum(axis=1) / weight.sum(axis=1)

    jobs = {
        "ours": lambda: inverse_distance(places_many, values_many, targets, neighbors=12), "SciPy cKDTree": scipy_near,
    }  # fmt: skip
    apart = np.abs(jobs["ours"]() - scipy_near()).max()
    show("inverse distance, 12 of 20,000 → 25,921", timed(jobs, rounds), f"apart {apart:.0e}")


def variograms(rounds: int) -> None:
    """Empirical variogram of 20 000 points in 15 bins."""
    places, values = samples(20_000)
    edges = np.linspace(0.0, 805.0 * np.sqrt(2) / 3, 16)
    ours = lambda: empirical_variogram(places, values, cutoff_m=edges[-1])  # noqa: E731
    first = ours()
    start = CLOCK()
    _, semivariance = gstools.vario_estimate(places.T, values, edges)
    peer = (CLOCK() - start) * 1e3
    apart = np.abs(first.semivariance - semivariance).max()
    show("variogram of 20,000 points", {**timed({"ours": ours}, rounds), "GSTools (once)": peer}, f"apart {apart:.0e}")


def left_out(rounds: int) -> None:
    """Leave-one-out of 1 000 samples; PyKrige is refitted for 20 of them and the time scaled."""
    places, values = samples(1_000)
    ours = lambda: leave_one_out(places, values, variogram=VARIOGRAM)  # noqa: E731
    estimate, _ = ours()
    told = []
    start = CLOCK()
    for k in range(20):
        others = np.arange(1_000) != k
        kriging = OrdinaryKriging(*places[others].T, values[others], **PYKRIGE)
        told.append(kriging.execute("points", *places[[k]].T)[0][0])
    peer = (CLOCK() - start) * 1e3 * 50
    apart = np.abs(np.array(told) - estimate[:20]).max()
    show(
        "leave-one-out, n = 1,000",
        {**timed({"ours": ours}, rounds), "PyKrige, 1,000 refits": peer},
        f"apart {apart:.0e}",
    )


FIRST = """
import sys, time, numpy as np
from vrn.surface import *
rng = np.random.default_rng(1)
places, values, targets = rng.uniform(0, 805, (60, 2)), rng.normal(10, 3, 60), rng.uniform(0, 805, (26000, 2))
import scipy.linalg, scipy.optimize, scipy.spatial
start = time.perf_counter(); interpolate(places, values, targets)
field = time.perf_counter() - start
compiled = "numba" in sys.modules
places, values = rng.uniform(0, 805, (20000, 2)), rng.normal(size=20000)
start = time.perf_counter()
variogram = Variogram(model="spherical", partial_sill=1.0, range_m=200.0)
ordinary_kriging(places, values, targets, variogram=variogram, neighbors=24)
print(f"{field * 1e3:.0f} {compiled} {time.perf_counter() - start:.2f}")
"""


def alone(code: str, *words: str, **more: str) -> list[str]:
    """What a new process prints, word by word."""
    env = {**os.environ, **more, "PYTHONPATH": os.pathsep.join([HERE, os.environ.get("PYTHONPATH", "")])}
    done = subprocess.run([sys.executable, "-c", code, *words], env=env, capture_output=True, text=True, check=True)
    return done.stdout.split()


def first_call() -> None:
    """What a fresh install waits for: nothing compiled for field-sized work, once for dense work."""
    with tempfile.TemporaryDirectory() as folder:
        for attempt in ("first", "second"):
            field_ms, compiler, dense_s = alone(FIRST, NUMBA_CACHE_DIR=folder)
            print(
                f"| {attempt} call in a new process | interpolate, 60 samples → 26,000: {field_ms} ms | | "
                f"compiler loaded: {compiler}; local kriging with numba's import: {dense_s} s |"
            )


HARVEST = """
import time, numpy as np
from harvest_log import driven_log, true_yield
from vrn.model import YieldLogLayer
from vrn.surface.yield_potential import yield_potential
def peak_mb():  # of this process alone; Linux
    with open("/proc/self/status") as status:
        return next(int(line.split()[1]) for line in status if line.startswith("VmHWM")) / 1e3

grid, truth = true_yield(size_m=3_840, cell_m=24, range_m=300.0)
log = driven_log(grid, truth, delay_s=12, offset_sd_bu_ac=10.0, noise_bu_ac=8.0)
before = peak_mb()
start = time.perf_counter()
made = yield_potential(YieldLogLayer(name="relative", crs=grid.crs, logs=(log,), source="log"), grid)
taken = time.perf_counter() - start
missed = np.sqrt(np.nanmean((made.surface.values - truth / truth.mean()) ** 2)) / (truth.std() / truth.mean())
after = peak_mb()
print(len(log), f"{taken:.1f} {before:.0f} {after:.0f} {missed:.2f}")
"""


def harvest() -> None:
    """A harvest log of a million records, cleaned, levelled and kriged to 26 000 cells."""
    records, taken_s, before_mb, peak_mb, missed = alone(HARVEST)
    print(
        f"| harvest log of {int(records):,} records → 25,600 cells | {taken_s} s | | peak of the process {peak_mb} MB "
        f"({before_mb} with the log alone); error {missed} of the field's spread |"
    )


def main(rounds: int, heavy: bool) -> None:
    """Print the table."""
    print(f"{os.cpu_count()} processors, medians of {rounds}\n\n| work | ours | peers | |\n|---|---|---|---|")
    if CLOCK is time.perf_counter:
        first_call()
    global_kriging(rounds)
    local_kriging(rounds, heavy)
    weighting(rounds)
    variograms(rounds)
    left_out(rounds)
    if CLOCK is time.perf_counter:
        harvest()


if __name__ == "__main__":
    words = [word for word in sys.argv[1:] if not word.startswith("--")]
    main(int(words[0]) if words else 5, "--heavy" in sys.argv)
