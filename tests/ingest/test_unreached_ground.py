"""From the field file to exit status: readings that leave ground unread, and layers with gaps."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sound

import vrn
from vrn.cli import main

pytestmark = pytest.mark.usefixtures("quick_module")  # reports have tests of their own

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]
WIDE, HIGH = sound.EAST - sound.WEST, sound.NORTH - sound.SOUTH  # 827 by 444 m: 90.8 ac
QUIET: dict[str, Any] = {"field__cell_m": 20.0}


def _at(x: float, y: float) -> tuple[float, float]:
    """A place by its share of the field's width and height."""
    return sound.WEST + x * WIDE, sound.SOUTH + y * HIGH


def _samples(places: list[tuple[float, float]]) -> str:
    lines = ["sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,sampled_on"]
    for i, (x, y) in enumerate(places):
        longitude, latitude = _at(x, y)
        lines.append(f"S{i},{longitude:.7f},{latitude:.7f},0,12,{sound.READINGS[i % 12]},2026-06-12")
    return "\n".join(lines) + "\n"


def _codes(field_file: Path, capsys: pytest.CaptureFixture[str]) -> tuple[set[str], set[str], vrn.Prescription]:
    """Codes of surfaces' warnings by check and by build, and the prescription."""
    capsys.readouterr()
    status = main(["check", str(field_file), "--json"])
    checked = [one for one in json.loads(capsys.readouterr().out)["findings"] if one["level"] == "warning"]
    assert status == (1 if checked else 0)
    built = vrn.build(vrn.read_field(field_file))
    warned = {one.code for one in built.findings if one.level == "warning" and one.code.startswith("surface.")}
    return {one["code"] for one in checked if one["code"].startswith("surface.")}, warned, built


def _grid(across: list[float], up: list[float]) -> list[tuple[float, float]]:
    return [(x, y) for x in across for y in up]


EVEN = _grid([0.12, 0.37, 0.63, 0.88], [0.17, 0.5, 0.83])
READ = {  # places by their share of width and height → code that build and check warn with, least acres that are far
    "three in a corner": ([(0.95, 0.9), (0.9, 0.95), (0.93, 0.85)], "far-corner", 50),
    "three in the other corner": ([(0.05, 0.1), (0.1, 0.05), (0.2, 0.2)], "far-corner", 50),
    "six in one half": (_grid([0.05, 0.2, 0.35], [0.25, 0.75]), "far-half", 10),
    "twelve in a corner": (_grid([0.05, 0.15, 0.25, 0.35], [0.1, 0.25, 0.4]), "far-corner", 10),
    "one along the edge": ([(0.02, y) for y in (0.1, 0.3, 0.5, 0.7, 0.9)], "far-half", 40),
    "two in a corner": ([(0.05, 0.1), (0.1, 0.15)], "far-most", 50),
    "one reading": ([(0.1, 0.1)], "far-one-reading", 50),
    "one reading in the middle": ([(0.5, 0.5)], "far-one-reading", 30),
    "a middle strip": (_grid([0.4, 0.5, 0.6], [0.2, 0.5, 0.8]), "far-some", 5),
    "close pairs at the two ends": ([(0.02, 0.5), (0.03, 0.5), (0.98, 0.5), (0.97, 0.5)], "far-most", 30),
    "one half, wide apart": (_grid([0.06, 0.25, 0.44], [0.1, 0.5, 0.9]), "far-half", 5),
    "one half, to its middle": (_grid([0.06, 0.27, 0.48], [0.1, 0.5, 0.9]), "part-not-sampled", 0),
    "an even grid": (EVEN, None, 0),
    "an even grid with pairs": (EVEN + [(x + 0.005, y) for x, y in EVEN], None, 0),
    "four quarters": (_grid([0.25, 0.75], [0.25, 0.75]), None, 0),
}


SELDOM = {"three in the other corner", "one along the edge", "one reading in the middle", "an even grid with pairs",
          "twelve in a corner", "four quarters", "two in a corner", "close pairs at the two ends",
          "relative, east half missing", "a hole", "organic matter without a value", "organic matter, a corner missing",
          }  # fmt: skip


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.long if name in SELDOM else ()) for name in READ]
)
def test_unread_ground_is_told_alike_by_check_and_build(
    name: str, rewrite: Rewrite, put: Put, capsys: pytest.CaptureFixture[str]
) -> None:
    """The finding, its acres and the mask agree; an even field has none."""
    places, code, least_ac = READ[name]
    put("samples.csv", _samples(places))
    checked, warned, built = _codes(rewrite(**QUIET), capsys)
    assert checked == warned == ({f"surface.{code}"} if code else set())
    choice = built.surfaces["nitrate_ppm"].choice
    assert choice is not None
    assert choice.far is not None
    far = choice.far
    assert least_ac <= far.acres <= built.acres
    assert far.acres == pytest.approx(built.acres * built.share[far.mask].sum() / built.share.sum(), rel=1e-3)
    if code and not code.startswith("far-some") and code != "far-one-reading":
        assert built.findings[0].code == f"surface.{code}"


def test_unread_ground_is_hatched_and_explained(rewrite: Rewrite, put: Put, tmp_path: Path) -> None:
    """The map draws it, with an entry of the legend; build ends with 1; a full grid has neither."""
    put("samples.csv", _samples(READ["three in a corner"][0]))
    assert main(["build", str(rewrite(**QUIET)), "--out", str(tmp_path / "far")]) == 1
    page = (tmp_path / "far" / "map.html").read_text(encoding="utf-8")
    assert page.count('data-overlay="far"') == 1
    assert page.count('fill="url(#hatch-far)"') == 1
    put("samples.csv", _samples(EVEN))
    assert main(["build", str(rewrite(**QUIET)), "--out", str(tmp_path / "near")]) in (0, 1)
    page = (tmp_path / "near" / "map.html").read_text(encoding="utf-8")
    assert 'data-overlay="far"' not in page
    assert 'fill="url(#hatch-far)"' not in page


def _zone(west: float, south: float, east: float, north: float, value: float | None) -> dict[str, Any]:
    return sound.polygon(sound.box(*_at(west, south), *_at(east, north)), value=value)


YIELD: dict[str, Any] = {"layers__yield_potential__file": "layer.geojson", "layers__yield_potential__column": "value"}
MATTER: dict[str, Any] = {"layers__organic_matter__file": "layer.geojson", "layers__organic_matter__column": "value"}
BUSHELS = {**YIELD, "layers__yield_potential__kind": "bu_ac"}
RELATIVE = {**YIELD, "layers__yield_potential__kind": "relative"}
GAPS = {  # polygons with values, keys → code (None: nothing), level, share of the ground without a value
    "east half missing": ([(0, 0, 0.5, 1, 180.0)], BUSHELS, "gap-yield", "warning", 0.5),
    "west third missing, two values": (
        [(0.33, 0, 0.6, 1, 150.0), (0.6, 0, 1, 1, 230.0)], BUSHELS, "gap-yield", "warning", 0.33),
    "a hole": (
        [(0, 0, 0.3, 1, 190.0), (0.7, 0, 1, 1, 220.0), (0.3, 0, 0.7, 0.3, 180.0)], BUSHELS, "gap-yield", "warning",
        0.28),
    "a polygon without a value": ([(0, 0, 0.6, 1, 200.0), (0.6, 0, 1, 1, None)], BUSHELS, "gap-yield", "warning", 0.4),
    "relative, east half missing": (
        [(0, 0, 0.25, 1, 0.8), (0.25, 0, 0.5, 1, 1.2)], RELATIVE, "gap-yield", "warning", 0.5),
    "relative, almost all missing": ([(0, 0, 0.1, 1, 1.1)], RELATIVE, "gap-yield", "warning", 0.9),
    "a sliver missing": ([(0, 0, 0.98, 1, 200.0)], BUSHELS, "gap-yield", "note", 0.006),
    "nothing missing": ([(-0.01, -0.01, 0.5, 1.01, 180.0), (0.5, -0.01, 1.01, 1.01, 220.0)], BUSHELS, None, "", 0),
    "organic matter of a half": (
        [(0, 0, 0.2, 1, 2.0), (0.2, 0, 0.5, 1, 4.0)], MATTER, "gap-organic-matter", "warning", 0.5),
    "organic matter without a value": (
        [(0, 0, 0.8, 1, 3.0), (0.8, 0, 1, 1, None)], MATTER, "gap-organic-matter", "warning", 0.2),
    "organic matter, a corner missing": (
        [(0, 0, 1, 0.6, 3.0), (0, 0.6, 0.6, 1, 2.5)], MATTER, "gap-organic-matter", "warning", 0.16),
}  # fmt: skip


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.long if name in SELDOM else ()) for name in GAPS]
)
def test_a_gap_of_a_layer_is_no_ground_without_nitrogen(
    name: str, rewrite: Rewrite, put: Put, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every cell gets a need from the stated goal or the layer's mean, every zone a rate; check and build say so."""
    boxes, keys, code, level, share = GAPS[name]
    put("layer.geojson", sound.collection(*(_zone(*one) for one in boxes)))
    fine = {"field__cell_m": 10.0} if 0 < share < 0.05 else {}
    checked, warned, built = _codes(rewrite(**QUIET | fine, **keys), capsys)
    assert checked == warned == ({f"surface.{code}"} if level == "warning" else set())
    assert [one.level for one in built.findings if one.code == f"surface.{code}"] == ([level] if code else [])
    treated = built.share > 0
    assert np.isfinite(built.surfaces["need_lb_ac"].values[treated]).all()
    assert all(np.isfinite(rate.need_lb_ac) for rate in built.rates)
    surface = built.surfaces["yield_goal_bu_ac" if keys is not MATTER else "organic_matter_pct"]
    gap = None if surface.choice is None else surface.choice.gap
    assert (gap is None) == (code is None)
    if gap is None:
        return
    assert gap.share == pytest.approx(share, abs=0.045)  # a cell at an edge takes the nearest value
    known = treated & ~gap.mask
    mean = np.average(surface.values[known], weights=built.share[known])
    assert surface.values[gap.mask] == pytest.approx(210.0 if keys is not MATTER else mean)
    spread = np.sqrt(np.average((surface.values[known] - mean) ** 2, weights=built.share[known]))
    assert surface.se is not None
    assert surface.se[gap.mask] == pytest.approx(spread, abs=1e-9)


def test_a_gap_is_hatched_and_flat_and_zones_share_their_ground(rewrite: Rewrite, put: Put, tmp_path: Path) -> None:
    """The map has the legend's entry; one flat rate on the same acres takes flat rate times acres."""
    put("layer.geojson", sound.collection(_zone(0, 0, 0.25, 1, 150.0), _zone(0.25, 0, 0.5, 1, 230.0)))
    field_file = rewrite(**QUIET, **BUSHELS)
    assert main(["build", str(field_file), "--out", str(tmp_path / "out")]) == 1
    page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert page.count('fill="url(#hatch-gap)"') == 1
    assert page.count('data-overlay="gap"') == 1
    built = vrn.build(vrn.read_field(field_file))
    assert built.flat is not None
    assert built.flat.total_n_lb == pytest.approx(built.flat_rate_n_lb_ac * built.acres)
    assert sum(rate.acres for rate in built.rates if rate.rate_n_lb_ac > 0) == pytest.approx(built.acres)


def test_unknown_ground_counts_for_neither_flat_nor_zones(rewrite: Rewrite) -> None:
    """The need of the east is not known: nothing is applied there, and the flat rate's total leaves it out."""
    field = vrn.read_field(rewrite(**QUIET))
    grid = vrn.grid_of(field)
    need = np.where(np.arange(grid.cols) < grid.cols / 2, 100.0, np.nan) * np.ones(grid.shape)
    built = vrn.build(field, need=need)
    unknown = [rate for rate in built.rates if np.isnan(rate.need_lb_ac)]
    assert unknown
    assert all(rate.rate_n_lb_ac == 0 for rate in unknown)
    assert any(one.code == "rates.need-unknown" and one.level == "warning" for one in built.findings)
    assert built.flat is not None
    known_ac = built.acres - sum(rate.acres for rate in unknown)
    assert built.flat.total_n_lb == pytest.approx(built.flat_rate_n_lb_ac * known_ac)
