"""Ground and rates at the edge of sense: nothing to apply, one zone, a garden, a strip, a corner touched."""

from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
import shapely

from vrn.audit import verify
from vrn.model.grid import geodesic_acres
from vrn.pipeline.order import write
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


pytestmark = pytest.mark.usefixtures("quick_pages")


@pytest.mark.parametrize("basis", ["product", "n"])
@pytest.mark.parametrize("case", CASES)
def test_odd_ground_is_written_and_passes(case: str, basis: str, make: Maker, tmp_path: Path) -> None:
    """Each is written whole and nothing is found wrong with it."""
    zones, rates = CASES[case]
    out = write(make(zones, rates_n_lb_ac=rates, rate_basis=basis), tmp_path / "rx")
    found = verify(out)
    assert found.ok, found.failed


def test_acres_of_parts_add_up_whichever_way_a_ring_turns() -> None:
    """
    A part whose topmost corner is a crossing of a millimetre still adds to the acres of the whole.

    The turn of a ring is usually told at its highest point; there a twist, left by moving a near touch from one system
    to another, shows the wrong turn and the part would be subtracted.
    """
    twist = [(-95.0, 42.0), (-94.99, 42.0), (-94.99, 42.01), (-94.995, 42.01), (-94.99500001, 42.01000001),
             (-94.99499999, 42.01000001), (-94.995, 42.01), (-95.0, 42.01)]  # fmt: skip
    parts = [shapely.Polygon(twist), shapely.box(-94.98, 42.0, -94.97, 42.01)]
    assert not shapely.LinearRing(twist).is_ccw  # though it runs counter-clockwise round its ground
    whole = geodesic_acres(shapely.MultiPolygon(parts), "EPSG:4326")
    # a hundredth of a degree each way at 42° N on WGS 84: 828.5 m × 1110.7 m = 227.4 ac, twice
    assert whole == pytest.approx(454.8, abs=0.1)
