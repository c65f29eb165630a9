"""Writes a valley of invented fields, whole ones and spoiled ones, for tests and measurements of many fields."""

import csv
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np

MIDDLE = (-94.62, 42.31)
M_PER_DEGREE = (82_300.0, 111_070.0)  # east and north at that latitude; plenty for invented ground

FIELD_FILE = """\
[field]
name = "{name}"
season = 2026
boundary = "boundary.geojson"

[crop]
yield_goal_bu_ac = {goal}
growth_stage = "V8"
application_date = 2026-06-{day}

[samples]
file = "samples.csv"
reported_as = "NO3-N"
moisture_basis = "dry"

[layers.organic_matter]
file = "organic_matter.csv"
column = "om_pct"

[product]
name = "UAN 32"

[machine]
swath_ft = 60
sections = 6
edge_overlap_pct = 0
min_rate_n_lb_ac = 30
max_rate_n_lb_ac = 180

[limits]
max_n_lb_ac = 180

"""


def _spoiled_key(folder: Path) -> None:
    _replace(folder / "field.toml", "growth_stage", "groth_stage")


def _spoiled_number(folder: Path) -> None:
    _replace(folder / "samples.csv", ",0,12,", ",0,12,about ", count=1)


def _no_samples(folder: Path) -> None:
    (folder / "samples.csv").unlink()


def _no_organic_matter(folder: Path) -> None:
    (folder / "organic_matter.csv").write_text("", encoding="utf-8")


def _broken_boundary(folder: Path) -> None:
    text = (folder / "boundary.geojson").read_text(encoding="utf-8")
    (folder / "boundary.geojson").write_text(text[: len(text) // 2], encoding="utf-8")


SPOILS: tuple[Callable[[Path], None], ...] = (
    _spoiled_key,
    _spoiled_number,
    _no_samples,
    _no_organic_matter,
    _broken_boundary,
)


def write_valley(
    root: Path, count: int, *, spoiled: int = 0, acres: float = 40.0, samples: int = 25, first: int = 0
) -> Path:  # fmt: skip
    """
    Write fields and a manifest of them.

    Parameters
    ----------
    root : Path
        Empty or new folder.
    count : int
        Fields in all.
    spoiled : int
        How many of them, the last ones in name, hold something that cannot be read.
    acres : float
        Usual size; fields differ by half of it.
    samples : int
        Places where cores were pulled, in each.
    first : int
        Number of the first field: valleys of other numbers hold other fields.

    Returns
    -------
    manifest : Path
        ``root / "june.csv"``.
    """
    for number in range(first, first + count):
        folder = root / f"field_{number:03d}"
        folder.mkdir(parents=True)
        _write_field(folder, number, acres, samples)
        if number >= first + count - spoiled:
            SPOILS[number % len(SPOILS)](folder)
    manifest = root / "june.csv"
    with manifest.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["field"])
        writer.writerows([f"field_{number:03d}/field.toml"] for number in range(first, first + count))
    return manifest


def _write_field(folder: Path, number: int, acres: float, samples: int) -> None:
    random = np.random.default_rng(7000 + number)
    side_m = np.sqrt(acres * (0.75 + 0.5 * random.random()) * 4046.86)
    east0, north0 = 1100.0 * (number % 15), 1100.0 * (number // 15)
    phase, length_m = 6.28 * random.random(), side_m * (0.6 + 0.5 * random.random())

    def lonlat(east: float, north: float) -> list[float]:
        return [round(MIDDLE[0] + (east0 + east) / M_PER_DEGREE[0], 6),
                round(MIDDLE[1] + (north0 + north) / M_PER_DEGREE[1], 6)]  # fmt: skip

    def wave(east: float, north: float) -> float:
        return float(np.sin(east / length_m * 6.28 + phase) * np.cos(north / length_m * 5.0 - phase))

    ring = [(0.0, 0.0), (side_m, 0.02 * side_m), (side_m * 0.97, side_m), (0.03 * side_m, side_m * 0.95), (0.0, 0.0)]
    polygon = {"type": "Polygon", "coordinates": [[lonlat(*corner) for corner in ring]]}
    text = json.dumps({"type": "Feature", "properties": {}, "geometry": polygon})
    (folder / "boundary.geojson").write_text(text, encoding="utf-8")
    net = int(np.ceil(np.sqrt(samples)))
    places = [((col + 0.3 + 0.4 * random.random()) / net * side_m * 0.94 + 0.03 * side_m,
               (row + 0.3 + 0.4 * random.random()) / net * side_m * 0.9 + 0.04 * side_m)
              for row in range(net) for col in range(net)][:samples]  # fmt: skip
    with (folder / "samples.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["sample_id", "longitude", "latitude", "top_in", "bottom_in", "nitrate_ppm", "sampled_on"])
        for i, place in enumerate(places):
            ppm = 14.0 * np.exp(0.45 * wave(*place) + 0.08 * random.standard_normal())
            writer.writerow([f"S{i + 1}", *lonlat(*place), 0, 12, f"{ppm:.1f}", "2026-06-14"])
    with (folder / "organic_matter.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["longitude", "latitude", "om_pct"])
        for place in places[::2]:
            om_pct = 2.8 - 0.6 * wave(*place) + 0.1 * random.standard_normal()
            writer.writerow([*lonlat(*place), f"{om_pct:.1f}"])
    text = FIELD_FILE.format(name=f"Field {number:03d}", goal=200 + number % 5 * 5, day=15 + number % 9)
    (folder / "field.toml").write_text(text, encoding="utf-8")


def _replace(path: Path, old: str, new: str, *, count: int = -1) -> None:
    text = path.read_text(encoding="utf-8")
    changed = text.replace(old, new, count)
    if changed == text:
        message = f"{path} holds no {old!r} to spoil"
        raise ValueError(message)
    path.write_text(changed, encoding="utf-8")
