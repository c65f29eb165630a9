"""The time a user waits: whole processes, ``vrn build`` beside a plain script of general libraries, in one run.

Run by hand: ``python tests/benchmarks/whole_tool.py [ROUNDS]``. Rounds are interleaved, medians are compared; quote
ratios, seconds belong to the machine.
"""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
FIELD = HERE.parents[1] / "demo_fields" / "cedar_bend"
IMPORTS = "import geopandas, rasterio.features, folium, scipy.spatial, scipy.optimize"
NEED = ["need", "--ppm", "13", "--depth-in", "12", "--yield-goal", "210", "--stage", "V7", "--om", "2.6"]


def seconds(command: list[str]) -> float:
    """Wall time of one process; it must succeed (or end with findings)."""
    start = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    taken = time.perf_counter() - start
    if done.returncode not in (0, 1):
        raise SystemExit(f"{' '.join(command)}\n{done.stderr}")
    return taken


def main(rounds: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        vrn = [sys.executable, "-m", "vrn"]
        build = [*vrn, "build", str(FIELD / "field.toml"), "--out"]
        jobs = {
            "plain script": [sys.executable, str(HERE / "plain_script.py"), str(FIELD), str(out / "plain")],
            "imports alone": [sys.executable, "-c", IMPORTS],
            "vrn build": [*build, str(out / "rx")],
            "vrn --help": [*vrn, "--help"],
            "vrn need": [*vrn, *NEED],
        }
        if "--usb" in subprocess.run([*vrn, "build", "--help"], capture_output=True, text=True, check=True).stdout:
            jobs["vrn build --usb"] = [*build, str(out / "rx_usb"), "--usb", str(out / "stick")]
        taken: dict[str, list[float]] = {name: [] for name in jobs}
        for _ in range(rounds + 1):
            for name, command in jobs.items():
                taken[name].append(seconds(command))
    median = {name: statistics.median(values[1:]) for name, values in taken.items()}  # the first round warms the disk
    for name, value in median.items():
        print(f"{value:7.2f} s  {value / median['plain script']:5.2f} × plain script  {name}")
    print(f"vrn build ÷ imports alone: {median['vrn build'] / median['imports alone']:.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
