"""Hundreds of fields: one worker, two workers, a Dask cluster of two, and the second run that does nothing.

Run by hand: ``python tests/benchmarks/many_fields.py [FIELDS]`` (200 when not given; one in twenty is spoiled). Rates
are compared within the run; memory is the workers' resident set, its mean over the last quarter against the first.
"""

import json
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

import psutil
from valley import write_valley

CLUSTER = """
import os, sys
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["DASK_DISTRIBUTED__WORKER__PROFILE__ENABLED"] = "False"  # as the developers' page advises

if __name__ == "__main__":
    from distributed import LocalCluster
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""


@dataclass
class Watch:
    """Resident memory of a process's children, sampled while it runs. [MB]"""

    process: subprocess.Popen[str]
    samples: list[tuple[float, float]] = field(default_factory=list)

    def follow(self) -> None:
        """Sample until the process ends."""
        parent = psutil.Process(self.process.pid)
        while self.process.poll() is None:
            try:
                sizes = [child.memory_info().rss for child in parent.children(recursive=True)]
            except psutil.Error:
                break
            self.samples.append((time.perf_counter(), max(sizes, default=0) / 1e6))
            time.sleep(0.2)

    def quarters(self) -> tuple[float, float]:
        """Mean over the first quarter, the start left out, and over the last one, the end left out."""
        values = [size for _, size in self.samples if size > 100.0]
        quarter = max(len(values) // 4, 1)
        return statistics.fmean(values[quarter // 3 : quarter]), statistics.fmean(values[-quarter:-2] or values[-1:])


def run(manifest: Path, out: Path, *options: str) -> tuple[float, dict[str, int], Watch]:
    """Seconds, counts and memory of one ``vrn fields``."""
    command = [sys.executable, "-m", "vrn", "fields", str(manifest), "--out", str(out), "--json", *options]
    start = time.perf_counter()
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    watch = Watch(process)
    threading.Thread(target=watch.follow, daemon=True).start()
    told, _ = process.communicate()
    seconds = time.perf_counter() - start
    if process.returncode not in (0, 1):
        raise SystemExit(told)
    return seconds, json.loads(told.splitlines()[-1]), watch


def busy(_number: int) -> float:
    """Seconds of a loop that needs a processor and nothing else."""
    start, total = time.perf_counter(), 0
    for i in range(12_000_000):
        total += i * i
    return time.perf_counter() - start


def processors_free() -> float:
    """How much faster two busy processes are than one: what this machine has to give at the moment, 2 at best."""
    with ProcessPoolExecutor(2) as pool:
        alone = pool.submit(busy, 0).result()
        return 2 * alone / max(pool.map(busy, (0, 1)))


def main(count: int) -> None:
    """Measure and print."""
    print(f"two busy loops ÷ one: {processors_free():.2f} × the rate")
    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        manifest = write_valley(root / "valley", count, spoiled=count // 20)
        (root / "cluster.py").write_text(CLUSTER, encoding="utf-8")
        taken = {}
        for name, options in {"1 worker": ["--workers", "1"], "2 workers": ["--workers", "2"]}.items():
            taken[name], counts, watch = run(manifest, root / name, *options)
            first, last = watch.quarters()
            print(f"{name:<20} {taken[name]:8.1f} s  {counts}  memory {first:.0f} → {last:.0f} MB ({last / first:.3f})")
        command = [sys.executable, str(root / "cluster.py")]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as cluster:
            address = cluster.stdout.readline().strip()
            taken["Dask, 2 workers"], counts, _ = run(manifest, root / "dask", "--scheduler", address)
            cluster.stdin.close()
        print(f"{'Dask, 2 workers':<20} {taken['Dask, 2 workers']:8.1f} s  {counts}")
        taken["unchanged"], counts, _ = run(manifest, root / "2 workers", "--workers", "2")
        print(f"{'unchanged':<20} {taken['unchanged']:8.1f} s  {counts}")
    print(f"two busy loops ÷ one: {processors_free():.2f} × the rate")
    print(f"two workers ÷ one: {taken['1 worker'] / taken['2 workers']:.2f} × the rate; "
          f"Dask ÷ two workers: {taken['Dask, 2 workers'] / taken['2 workers']:.2f} × the time")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
