"""The demo fields: written again they are the same, small, and what their README says."""

import csv
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import shapely

ROOT = Path(__file__).resolve().parents[2]
FIELDS = ("cedar_bend", "heron_flat", "mill_race")


def _files(root: Path) -> dict[str, bytes]:
    return {
        path.relative_to(root).as_posix(): path.read_bytes()
        for name in FIELDS
        for path in sorted((root / name).iterdir())
        if path.name != "field.toml"
    }


def test_writing_again_gives_the_same_bytes(script: ModuleType, tmp_path: Path) -> None:
    """Every data file in the checkout is what the script writes, byte for byte."""
    script.write_fields(tmp_path)
    assert _files(tmp_path) == _files(ROOT / "demo_fields")


def test_demo_fields_are_small() -> None:
    """All three together stay below 700 kB, so that a wheel can carry them."""
    assert sum(path.stat().st_size for path in (ROOT / "demo_fields").rglob("*") if path.is_file()) < 700_000


@pytest.mark.parametrize(
    ("name", "acres", "places", "depths", "outside"),
    [("cedar_bend", (145, 160), 61, 1, 0), ("heron_flat", (115, 135), 40, 2, 0), ("mill_race", (60, 70), 14, 1, 2)],
)
def test_story_holds(
    script: ModuleType, name: str, acres: tuple[float, float], places: int, depths: int, outside: int
) -> None:
    """Acres, sampling places, depths and places outside are those the README tells."""
    boundary, _ = script.outline(name)
    assert boundary.is_valid
    assert acres[0] < boundary.area / 4046.8564224 < acres[1]
    with (ROOT / "demo_fields" / name / "samples.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    lonlat = np.array([[float(row[1]), float(row[2])] for row in rows])
    assert len({tuple(row) for row in lonlat.tolist()}) == places
    assert len({(row[3], row[4]) for row in rows}) == depths
    local = np.column_stack(script.STORIES[name].local().transform(*lonlat.T))
    inside = shapely.contains_xy(boundary, *local.T)
    assert len({tuple(row) for row in lonlat[~inside].tolist()}) == outside


def test_truth_worked_by_hand(script: ModuleType) -> None:
    """True need is goal × 1.1 × what is left of uptake, less nitrate × 3.67 and OM × 20 × its share left."""
    true = script.truth("cedar_bend", [-94.6204, -94.6240], [42.3107, 42.3125])
    by_hand = (
        true["yield_goal_bu_ac"] * 1.1 * 0.85 - true["nitrate_ppm"] * 3.67113 - true["organic_matter_pct"] * 20 * 0.69
    )
    assert true["need_lb_ac"] == pytest.approx(by_hand, abs=0.01)
    assert (true["need_lb_ac"] > 0).all()


@pytest.mark.parametrize("name", FIELDS)
def test_truth_is_in_the_range_of_the_region(script: ModuleType, name: str) -> None:
    """Nitrate stays within 3–35 ppm and organic matter within 1.5–4.5 %, and need differs across the field."""
    boundary, _ = script.outline(name)
    places = script._scatter(7, boundary, 30.0)
    lonlat = np.column_stack(script.STORIES[name].local().transform(*places.T, direction="INVERSE"))
    true = script.truth(name, *lonlat.T)
    assert 3 <= true["nitrate_ppm"].min() <= true["nitrate_ppm"].max() <= 35
    assert 1.5 <= true["organic_matter_pct"].min() <= true["organic_matter_pct"].max() <= 4.5
    assert true["need_lb_ac"].std() > 10
