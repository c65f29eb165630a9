"""
Reading 100,000 samples, and a wide table, beside a plain pandas read of the same file in the same run.

Run it by hand: ``python tests/benchmarks/reading.py [ROWS]``. It prints ratios of processor time, each the best of
three; the aim is to read and check the whole field in at most 15 times the plain read.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1] / "ingest"))

import sound

from vrn.ingest import read_field
from vrn.ingest.input_files import InputFiles
from vrn.ingest.tables import read_table


def best_s(work: Callable[[], object], *, times: int = 3) -> float:
    """Least processor time of several runs. [s]"""
    taken = []
    for _ in range(times):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def many_samples(folder: Path, count: int) -> Path:
    """The sound field with so many readings, spread over it at random."""
    rng = np.random.default_rng(1)
    edge = 1e-4
    frame = pd.DataFrame({
        "sample_id": [f"S{i}" for i in range(count)],
        "longitude": rng.uniform(sound.WEST + edge, sound.EAST - edge, count).round(7),
        "latitude": rng.uniform(sound.SOUTH + edge, sound.NORTH - edge, count).round(7),
        "top_in": 0, "bottom_in": 12, "nitrate_ppm": rng.gamma(9, 1.5, count).round(1), "sampled_on": "2026-06-12",
    })  # fmt: skip
    frame.to_csv(folder / "samples.csv", index=False)
    return folder / "samples.csv"


def wide_table(folder: Path, columns: int) -> Path:
    """A table of so many columns and twenty rows."""
    lines = [",".join(f"band_{i}" for i in range(columns))]
    lines += [",".join(f"{(i * row) % 97 / 7:.3f}" for i in range(columns)) for row in range(20)]
    (folder / f"wide_{columns}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder / f"wide_{columns}.csv"


def main() -> None:
    """Print the ratios."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    with tempfile.TemporaryDirectory() as name:
        folder = sound.write_field(Path(name) / "field")
        csv = many_samples(folder, count)
        plain = best_s(lambda: pd.read_csv(csv))
        whole = best_s(lambda: read_field(folder / "field.toml"))
        print(f"{count:,} readings: plain {plain:.3f} s, read and checked {whole:.3f} s, ratio {whole / plain:.1f}")
        before = 0.0
        for columns in (5_000, 20_000):
            path = wide_table(folder, columns)
            files = InputFiles(folder)
            taken = best_s(lambda path=path, files=files: read_table(files, files.source(path.name, "table")))
            each = f", {taken / before:.1f} times the time of {columns // 4:,} columns" if before else ""
            plain = best_s(lambda path=path: pd.read_csv(path))
            print(f"{columns:,} columns: {taken:.3f} s, {taken / plain:.2f} of plain{each}")
            before = taken


if __name__ == "__main__":
    main()
