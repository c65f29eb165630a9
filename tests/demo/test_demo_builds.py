"""The demo fields read, build, and come close to the truth that only their script knows."""

import functools
import subprocess
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numpy as np
import pyproj
import pytest
import shapely

import vrn
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres
from vrn.prescription.model import Prescription

ROOT = Path(__file__).resolve().parents[2]
Run = Callable[..., subprocess.CompletedProcess[str]]
Built = Callable[[str], Prescription]
FIELDS = ("cedar_bend", "heron_flat", "mill_race")


@functools.cache
def _read(name: str) -> Field:
    return vrn.read_field(ROOT / "demo_fields" / name / "field.toml")


def _true_need(script: ModuleType, prescription: Prescription, name: str) -> tuple[np.ndarray, np.ndarray]:
    """True need [lb/ac] of each cell of a built field, and its treated share."""
    lonlat = pyproj.Transformer.from_crs(prescription.grid.crs, "EPSG:4326", always_xy=True)
    true = script.truth(name, *lonlat.transform(*prescription.grid.centers_m().T))
    return true["need_lb_ac"].reshape(prescription.grid.shape), prescription.share


def _misallocated(script: ModuleType, made: Prescription, name: str, rate: np.ndarray | float) -> float:
    """Area-weighted mean of |rate − true need|. [lb/ac]"""
    need, share = _true_need(script, made, name)
    gap = np.abs(rate - need)
    known = (share > 0) & np.isfinite(gap)
    return float(np.average(gap[known], weights=share[known]))


@pytest.mark.parametrize(
    ("name", "readings", "depths", "warnings"),
    [("cedar_bend", 61, 1, 0), ("heron_flat", 80, 2, 0), ("mill_race", 12, 1, 2)],
)
def test_every_demo_field_reads(name: str, readings: int, depths: int, warnings: int) -> None:
    """Each field file and all it names reads; only the two cores pulled outside want a person."""
    field = _read(name)
    assert len(field.samples.field_readings()) == readings
    assert len(field.samples.depths_in()) == depths
    found = [finding for finding in field.findings if finding.level == "warning"]
    assert len(found) == warnings
    assert {finding.code for finding in found} <= {"ingest.reading-outside"}


@pytest.mark.parametrize("name", FIELDS)
def test_totals_are_the_sum_of_the_zones(demo_built: Built, name: str) -> None:
    """Acres are the treated ground's, nitrogen is the sum of rate × acres, product is nitrogen over the analysis."""
    prescription = demo_built(name)
    treated_ac = geodesic_acres(prescription.field.treated, prescription.field.crs)
    assert prescription.acres == pytest.approx(treated_ac, rel=1e-6)
    n_lb = sum(rate.rate_n_lb_ac * rate.acres for rate in prescription.rates)
    assert prescription.total_n_lb == pytest.approx(n_lb)
    assert prescription.total_product == pytest.approx(n_lb / prescription.product.n_lb_per_unit)


@pytest.mark.parametrize("name", FIELDS)
def test_prescription_is_nearer_the_truth_than_one_flat_rate(demo_built: Built, script: ModuleType, name: str) -> None:
    """Mean |rate − true need| is smaller than with the flat rate from the same samples, and with the best flat rate."""
    made = demo_built(name)
    need, share = _true_need(script, made, name)
    best_flat = float(np.median(np.repeat(need.ravel(), np.rint(share.ravel() * 10).astype(int))))
    zones = _misallocated(script, made, name, made.rate_grid())
    assert zones < _misallocated(script, made, name, made.flat_rate_n_lb_ac)
    assert zones < _misallocated(script, made, name, best_flat)


def test_ordinary_field_saves_a_third_of_what_a_flat_rate_misplaces(demo_built: Built, script: ModuleType) -> None:
    """On the field with sixty readings the zones leave less than two thirds of the flat rate's misallocation."""
    made = demo_built("cedar_bend")
    flat = _misallocated(script, made, "cedar_bend", made.flat_rate_n_lb_ac)
    assert _misallocated(script, made, "cedar_bend", made.rate_grid()) < flat * 2 / 3


def test_surface_of_need_is_honest_about_its_error(demo_built: Built, script: ModuleType) -> None:
    """The ordinary field's true need lies within two standard errors on more than 85 % of its ground."""
    made = demo_built("cedar_bend")
    surface = made.surfaces["need_lb_ac"]
    need, share = _true_need(script, made, "cedar_bend")
    assert surface.se is not None
    known = (share > 0.5) & np.isfinite(surface.values) & np.isfinite(surface.se)
    within = np.abs(surface.values - need)[known] <= 2 * surface.se[known]
    assert within.mean() > 0.85


def test_no_apply_ground_gets_nothing(demo_built: Built, script: ModuleType) -> None:
    """The waterway and its 30 ft setback, and the pond, lie in no zone of the awkward field."""
    prescription = demo_built("mill_race")
    _, waterway = script.outline("mill_race")
    places = np.array([[-170.0, 60.0], waterway.representative_point().coords[0]])
    lonlat = script.STORIES["mill_race"].local().transform(*places.T, direction="INVERSE")
    at = pyproj.Transformer.from_crs("EPSG:4326", prescription.grid.crs, always_xy=True).transform(*lonlat)
    distance_m = shapely.distance(shapely.points(np.column_stack(at)), prescription.outline())
    assert distance_m[0] > 44  # the pond's radius is 46 m
    assert distance_m[1] > 9.1  # 30 ft of setback, besides the waterway's own width


def test_demo_command_works_in_an_empty_folder(run_vrn: Run, quick_reports: None, tmp_path: Path) -> None:
    """``vrn demo`` in an empty folder leaves the field, its prescription and nothing else; again it says the same."""
    runs = [run_vrn("demo", "--field", "mill_race", cwd=tmp_path) for _ in range(2)]
    assert [run.returncode for run in runs] == [1, 1], runs[0].stderr  # two cores were pulled outside it
    assert runs[0].stdout == runs[1].stdout
    assert sorted(path.name for path in tmp_path.iterdir()) == ["mill_race", "mill_race_rx"]
    assert (tmp_path / "mill_race_rx" / "summary.json").is_file()
    original = {path.name: path.read_bytes() for path in (ROOT / "demo_fields" / "mill_race").iterdir()}
    assert {path.name: path.read_bytes() for path in (tmp_path / "mill_race").iterdir()} == original


def test_plain_demo_ends_with_nothing_to_decide(run_vrn: Run, tmp_path: Path) -> None:
    """The README's first command: its field needs no person, and its findings take at most six lines."""
    run = run_vrn("demo", cwd=tmp_path)
    assert run.returncode == 0, run.stderr
    findings = run.stdout.split("\n\n")[-2].splitlines()
    assert 0 < len(findings) <= 6
    assert not any(line.startswith("!") for line in findings)


def test_demo_command_overwrites_nobody(run_vrn: Run, tmp_path: Path) -> None:
    """A field folder that the user has changed is refused, and left as it is."""
    mine = tmp_path / "mill_race" / "field.toml"
    mine.parent.mkdir()
    mine.write_text("# mine\n", encoding="utf-8")
    run = run_vrn("demo", "--field", "mill_race", cwd=tmp_path)
    assert run.returncode == 2
    assert "is there already and is not the demo's own" in run.stderr
    assert mine.read_text(encoding="utf-8") == "# mine\n"
    assert [path.name for path in tmp_path.rglob("*")] == ["mill_race", "field.toml"]


def test_unknown_demo_field_is_refused(run_vrn: Run, tmp_path: Path) -> None:
    """The three names are told."""
    run = run_vrn("demo", "--field", "elsewhere", cwd=tmp_path)
    assert run.returncode == 2
    assert "cedar_bend, heron_flat, mill_race" in run.stderr
    assert list(tmp_path.iterdir()) == []
