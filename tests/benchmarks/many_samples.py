"""Time and memory of a whole build by number of samples: `python tests/benchmarks/many_samples.py 45 2000 100000`.

Cedar Bend with made readings at random places: waves about a level, and 0.8 ppm of error. Cells of 6 m unless
`--cell-m` says otherwise. Each build is a process of its own; CPU seconds are those of it and its own processes.
"""

import argparse
import json
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import shapely

DEMO = Path(__file__).parents[2] / "demo_fields" / "cedar_bend"


def folder(count: int, cell_m: float, at: Path) -> Path:
    """The demo field with so many samples."""
    shutil.copytree(DEMO, at)
    outline = shapely.from_geojson(json.dumps(json.loads((at / "boundary.geojson").read_text())))
    west, south, east, north = outline.bounds
    rng = np.random.default_rng(count)
    places = rng.uniform((west, south), (east, north), (3 * count, 2))
    places = places[shapely.contains_xy(outline, *places.T)][:count]
    along = (places - (west, south)) / (east - west, north - south)
    waves = rng.normal(0.0, 6.0, (40, 2))
    rough = np.cos(along @ waves.T * 3.0 + rng.uniform(0.0, 6.3, 40)).sum(axis=1) / np.sqrt(20.0)
    ppm = np.maximum(20.0 + 3.0 * rough + rng.normal(0.0, 0.8, len(places)), 0.5)
    lines = [
        f"S{i},{x:.6f},{y:.6f},0,12,{v:.2f},2026-06-16" for i, ((x, y), v) in enumerate(zip(places, ppm, strict=True))
    ]
    head = "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on"
    (at / "samples.csv").write_text("\n".join([head, *lines]) + "\n")
    text = (at / "field.toml").read_text()
    if cell_m:
        text = text.replace("season = 2026\n", f"season = 2026\ncell_m = {cell_m}\n", 1)
    (at / "field.toml").write_text(text)
    return at


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("samples", type=int, nargs="+")
    parser.add_argument("--cell-m", type=float, default=6.0, help="0: as the samples ask for")
    given = parser.parse_args()
    for samples in given.samples:
        with tempfile.TemporaryDirectory() as place:
            field = folder(samples, given.cell_m, Path(place) / "field")
            began, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
            command = [sys.executable, "-m", "vrn", "build", str(field / "field.toml"), "--out", str(field / "out")]
            done = subprocess.run(command, capture_output=True, text=True, check=False)
            used = resource.getrusage(resource.RUSAGE_CHILDREN)
            cpu = used.ru_utime + used.ru_stime - before.ru_utime - before.ru_stime
            print(f"{samples:7} samples: {cpu:6.2f} s CPU, {time.perf_counter() - began:6.1f} s,"
                  f" {used.ru_maxrss / 1024:5.0f} MB at most so far, exit {done.returncode}")  # fmt: skip
            if done.returncode > 1:
                print(done.stderr[-2000:])
