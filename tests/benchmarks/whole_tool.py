"""The time a user waits: whole processes, ``vrn build`` beside a plain script of general libraries, in one run.

Run by hand: ``python tests/benchmarks/whole_tool.py [ROUNDS]``. Rounds are interleaved and medians are compared; quote
ratios, seconds belong to the machine. Processor time stands beside wall time: it is what to read on a busy machine.
"""

import json
import resource
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
YARDSTICK = "plain script"
# a build whose last line names what it loaded, and a process that loads that, beside one that loads the report's
LOADED = """
import json, sys
from vrn.cli import main
from vrn.door import lighten

lighten()
main(sys.argv[1:])
print(json.dumps([name for name, module in sys.modules.items() if module is not None]))
"""
LOAD = """
import subprocess, sys

report = [sys.executable, "-c", "from vrn.pages.report_page import load_libraries; load_libraries()"]
beside = subprocess.Popen(report)
from contextlib import suppress
from importlib import import_module
from vrn.door import lighten

lighten()
for name in sys.argv[1:]:
    with suppress(ImportError):
        import_module(name)
beside.wait()
"""


def measured(command: list[str]) -> tuple[float, float]:
    """Wall and processor time of one process [s]; it must succeed, with findings or without."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    wall_s, after = time.perf_counter() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode not in (0, 1) or "Traceback" in done.stderr:
        raise SystemExit(f"{' '.join(command)}\n{done.stderr}")
    return wall_s, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def loaded_by(build: list[str]) -> list[str]:
    """Modules that the build's first process loads."""
    done = subprocess.run([sys.executable, "-c", LOADED, *build], capture_output=True, text=True, check=True)
    return [name for name in json.loads(done.stdout.splitlines()[-1]) if name != "__main__"]


def jobs_in(out: Path) -> dict[str, list[str]]:
    """Command of each row of the table."""
    vrn = [sys.executable, "-m", "vrn"]
    build = [*vrn, "build", str(FIELD / "field.toml"), "--out"]
    jobs = {
        YARDSTICK: [sys.executable, str(HERE / "plain_script.py"), str(FIELD), str(out / "plain")],
        "imports alone": [sys.executable, "-c", IMPORTS],
        "its own imports": [sys.executable, "-c", LOAD, *loaded_by([*build[3:], str(out / "rx")])],
        "vrn build": [*build, str(out / "rx")],
    }
    if "--usb" in subprocess.run([*vrn, "build", "--help"], capture_output=True, text=True, check=True).stdout:
        jobs["vrn build --usb"] = [*build[:-1], "--usb", str(out / "stick")]
    return {**jobs, "vrn --help": [*vrn, "--help"], "vrn need": [*vrn, *NEED]}


def main(rounds: int) -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        jobs = jobs_in(Path(folder))
        (Path(folder) / "stick").mkdir()
        taken: dict[str, list[tuple[float, float]]] = {name: [] for name in jobs}
        for _ in range(rounds + 1):
            for name, command in jobs.items():
                taken[name].append(measured(command))
    wall, processor = (
        {name: statistics.median(pair[which] for pair in pairs[1:]) for name, pairs in taken.items()}  # the first warms
        for which in (0, 1)
    )
    print(f"{'':<16} {'wall s':>8} {'ratio':>6} {'cpu s':>8} {'ratio':>6}")
    for name in jobs:
        print(f"{name:<16} {wall[name]:>8.2f} {wall[name] / wall[YARDSTICK]:>6.2f} "
              f"{processor[name]:>8.2f} {processor[name] / processor[YARDSTICK]:>6.2f}")  # fmt: skip
    compiled = "no bytecode is written" if sys.dont_write_bytecode else "bytecode is there"
    for name in ("imports alone", "its own imports"):
        print(f"vrn build ÷ {name}: wall {wall['vrn build'] / wall[name]:.2f}, "
              f"cpu {processor['vrn build'] / processor[name]:.2f} ({compiled})")  # fmt: skip


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 5)
