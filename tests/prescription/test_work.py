"""The day's work, the outlets, and what the ticket says of them."""

import re
from collections.abc import Callable
from typing import Any

import pytest
import shapely

from vrn.model.job import JobSection
from vrn.model.settings import MachineSection, ProductSection
from vrn.pages.load_sheet import flow_table, load_sheet
from vrn.pages.report_page import job_ticket
from vrn.prescription.machine import Outlets
from vrn.prescription.work import work_plan
from vrn.words import UnitFormat

Make = Callable[..., Any]
UAN = ProductSection(name="UAN 32")
JOB = JobSection(outlets=24, nozzle_flow_gal_min=1.2, nozzle_psi=40.0, turn_s=30.0, refill_min=15.0)
TRADE = UnitFormat(metric=False)


def _pages(pdf: bytes) -> int:
    found = re.search(rb"/Count (\d+)", pdf)
    assert found is not None
    return int(found[1])


@pytest.mark.parametrize(("tank", "loads"), [(None, 1), (800.0, 2), (300.0, 4)])
def test_loads_are_even_and_run_out_where_the_product_does(made: Make, tank: float | None, loads: int) -> None:
    """One rate on 400 × 400 m: load k of n ends k/n of the way through the 22 passes, with k/n of the ground."""
    machine = MachineSection(swath_ft=60.0, heading_deg=0.0, headland_rounds=0, tank_gal=tank)
    found = made((100.0,), product=UAN, machine=machine, job=JOB).prescribe()
    work = work_plan(found)
    assert work is not None
    assert len(work.loads) == loads
    for load in work.loads:
        assert load.product == pytest.approx(found.total_product / loads)
        assert load.acres == pytest.approx(found.acres / loads, rel=0.02)
        assert load.on_pass == pytest.approx(22 * load.number / loads, abs=1)
    assert sum(load.acres for load in work.loads) == pytest.approx(found.acres, rel=1e-9)
    assert shapely.Point(work.loads[-1].at_m).within(shapely.buffer(found.outline(), 20.0))


@pytest.mark.parametrize("tank", [200.0, 500.0, 640.0, 3000.0])
def test_no_load_of_ammonia_fills_its_tank(made: Make, tank: float) -> None:
    """At most 85 % of the tank in each load (ARM 4.12.712), and one load fewer would be more; UAN may fill it."""
    for product, share in ((ProductSection(name="Anhydrous ammonia"), 0.85), (UAN, 1.0)):
        found = made((100.0,), product=product, machine=MachineSection(swath_ft=60.0, tank_gal=tank)).prescribe()
        work = work_plan(found)
        assert work is not None
        assert max(load.product for load in work.loads) <= share * tank + 1e-6
        count = len(work.loads)
        assert count == 1 or found.total_product / (count - 1) > share * tank


def test_loads_are_on_the_ticket_where_the_tank_is_stated(made: Make) -> None:
    """A place for each load and one for the first pass; without a tank only the first pass has one."""
    for tank, places in ((None, 1), (300.0, 5)):
        found = made((100.0,), product=UAN, machine=MachineSection(swath_ft=60.0, tank_gal=tank)).prescribe()
        assert len(re.findall(r"\d+\.\d{5}, -\d+\.\d{5}", load_sheet(found))) == places


def test_hours_worked_by_hand(made: Make) -> None:
    """22 passes of 400 m at 8 mph, 21 turns of 30 s, one refill of 15 min."""
    machine = MachineSection(swath_ft=60.0, heading_deg=0.0, headland_rounds=0, tank_gal=800.0)
    work = work_plan(made((100.0,), product=UAN, machine=machine, job=JOB).prescribe())
    assert work is not None
    assert work.passes == 22
    assert work.driving_h == pytest.approx(22 * 400 / (8 * 1609.344), rel=0.02)
    assert work.turning_h == pytest.approx(21 * 30 / 3600)
    assert work.refilling_h == pytest.approx(0.25)


def test_loads_follow_the_rates(made: Make) -> None:
    """Zones of 50 and 150 side by side, driven along them: the first load of two covers more ground than the second."""
    machine = MachineSection(swath_ft=60.0, heading_deg=0.0, headland_rounds=0, tank_gal=700.0)
    found = made((50.0, 150.0), product=UAN, machine=machine).prescribe()
    work = work_plan(found)
    assert work is not None
    first, second = work.loads
    # half of the product: all of 50 and a third of 150, 200 + 66.7 m of 400
    assert first.acres / (first.acres + second.acres) == pytest.approx(2 / 3, abs=0.02)


def test_nothing_to_apply_is_no_work(made: Make) -> None:
    """No load, no hour."""
    assert work_plan(made((0.0,)).prescribe()) is None


def test_flow_of_one_outlet_by_the_published_formula() -> None:
    """gal/min = gal/ac × mph × in / 5940 (Mesa County, Colorado), pressure by its square, weight by its root."""
    outlets = Outlets(count=24, water_gal_min=1.2, psi=40.0, density_lb_gal=11.06)
    one = 28.255 * 8.0 * 30.0 / 5940  # 60 ft over 24 outlets: 30 in each
    boom = 24 * one
    assert boom == pytest.approx(28.255 * 8.0 * 60.0 / 495)
    caught = outlets.catch_gal_min(boom)
    assert caught == pytest.approx(one * (11.06 / 8.3454) ** 0.5, rel=1e-4)  # water: 8.3454 lb/gal is 1 kg/L
    assert outlets.psi_at(boom) == pytest.approx(40.0 * (caught / 1.2) ** 2, rel=1e-9)
    assert outlets.psi_at(2 * boom) == pytest.approx(4 * outlets.psi_at(boom))
    assert outlets.psi_at(outlets.flow_gal_min(25.0)) == pytest.approx(25.0)


def test_pressures_limit_the_speed(made: Make) -> None:
    """Between 10 and 40 psi flows differ by two: so do the speeds of a zone, and what is too fast is said."""
    job = JobSection(outlets=24, nozzle_flow_gal_min=1.2, nozzle_psi=40.0, min_psi=10.0, max_psi=40.0)
    found = made((50.0, 150.0), product=UAN, job=job, machine=MachineSection(swath_ft=60.0)).prescribe()
    low, high = found.machine.zones
    for zone in (low, high):
        assert zone.most_speed_mph / zone.least_speed_mph == pytest.approx(2.0)
    assert high.advice == "slower"
    assert "rates.machine-slower" in {finding.code for finding in found.findings}
    most = Outlets.of(job, found.product).flow_gal_min(40.0)
    assert high.most_speed_mph == pytest.approx(most * 495 / (high.product_per_ac * 60.0))
    table = flow_table(found, TRADE)
    assert table is not None
    assert len(table.rows) == 2
    assert len({len(row) for row in (table.header, *table.rows)}) == 1


@pytest.mark.parametrize("metric", [False, True])
@pytest.mark.parametrize("count", [1, 12])
def test_ticket_is_two_pages_and_the_same_bytes(made: Make, metric: bool, count: int) -> None:
    """Few zones or many, one load or forty, an emergency line or none: the cab has one page, the office another."""
    needs = tuple(40.0 + 10.0 * k for k in range(count))
    job = JobSection(outlets=24, nozzle_flow_gal_min=1.2, nozzle_psi=40.0, placement="broadcast", operator="A. Driver",
                     emergency="911. North gate on Road 12, half a mile west of the elevator.")  # fmt: skip
    machine = MachineSection(swath_ft=60.0, tank_gal=1000.0 if count == 1 else 30.0)
    field = made(needs, product=UAN, machine=machine, job=job, **({"units": "metric"} if metric else {}))
    found = field.prescribe()
    one, two = job_ticket(found), job_ticket(found)
    assert one == two
    assert _pages(one) == 2
    sheet = load_sheet(found)
    assert "A. Driver" in sheet
    assert "Road 12" in sheet
