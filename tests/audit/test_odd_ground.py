"""Ground and rates at the edge of sense: nothing to apply, one zone, a garden, a strip, a corner touched."""

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
import shapely

from vrn.audit import verify
from vrn.export import map_page, report_page, write
from vrn.prescription.model import Prescription

Maker = Callable[..., Prescription]
CASES: dict[str, tuple[Sequence[shapely.Geometry], list[float]]] = {
    "nothing to apply": ((shapely.box(0, 0, 300, 200),), [0.0]),
    "one zone": ((shapely.box(0, 0, 300, 200),), [120.0]),
    "one zone of three at nothing": (
        (shapely.box(0, 0, 100, 200), shapely.box(100, 0, 200, 200), shapely.box(200, 0, 300, 200)),
        [80.0, 0.0, 120.0],
    ),
    "a garden": ((shapely.box(0, 0, 12, 9),), [120.0]),
    "a strip narrower than two cells": ((shapely.box(0, 0, 8, 600),), [120.0]),
    "zones that touch at a corner": (
        (
            shapely.union_all([shapely.box(0, 0, 100, 100), shapely.box(100, 100, 200, 200)]),
            shapely.union_all([shapely.box(100, 0, 200, 100), shapely.box(0, 100, 100, 200)]),
        ),
        [80.0, 120.0],
    ),
    "two zones of one rate": ((shapely.box(0, 0, 150, 200), shapely.box(150, 0, 300, 200)), [90.0, 90.0]),
    "an island in an island": (
        (
            shapely.Point(200, 200).buffer(200).difference(shapely.Point(200, 200).buffer(120)),
            shapely.Point(200, 200).buffer(120).difference(shapely.Point(200, 200).buffer(60)),
            shapely.Point(200, 200).buffer(60),
        ),
        [60.0, 90.0, 120.0],
    ),
}


@pytest.fixture(autouse=True)
def _quick_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Map and reports have tests of their own."""

    def short(_prescription: Prescription, *paths: Path) -> None:
        for path in paths:
            path.write_text("short for this test\n", encoding="utf-8")

    monkeypatch.setattr(map_page, "write_map", short)
    monkeypatch.setattr(report_page, "write_reports", short)


@pytest.mark.parametrize("basis", ["product", "n"])
@pytest.mark.parametrize("case", CASES)
def test_odd_ground_is_written_and_passes(case: str, basis: str, make: Maker, tmp_path: Path) -> None:
    """Each is written whole and nothing is found wrong with it."""
    zones, rates = CASES[case]
    out = write(make(zones, rates_n_lb_ac=rates, rate_basis=basis), tmp_path / "rx")
    found = verify(out)
    assert found.ok, [f"{check.name}: {check.detail}" for check in found.failed]
