"""The machine: flow, pressure, turn-down, and the speed that would do."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vrn.model.settings import MachineSection, ProductSection
from vrn.prescription.machine import Advice, ZoneFlow, flow_per_min, flow_range, machine_report, pressure_share
from vrn.units import MPH_M_S

Make = Callable[..., Any]


def test_flow_by_first_principles() -> None:
    """20 gal/ac at 6 mph with 40 ft: 6 mph is 528 ft/min, 21,120 ft²/min, .48485 ac/min, so 9.697 gal/min."""
    acres_per_min = 6 * 5280 / 60 * 40 / 43560
    assert float(flow_per_min(20.0, speed_mph=6.0, swath_ft=40.0)) == pytest.approx(20 * acres_per_min)


def test_flow_by_the_published_formula() -> None:
    """GPA = 5940 × GPM / (mph × inches), as calibration sheets print it (Mesa County, Colorado)."""
    gal_min = float(flow_per_min(15.0, speed_mph=5.0, swath_ft=20 / 12))
    assert 5940 * gal_min / (5.0 * 20.0) == pytest.approx(15.0)


@pytest.mark.parametrize(("flow", "pressure"), [(2.0, 4.0), (0.5, 0.25), (1.0, 1.0), (0.0, 0.0)])
def test_pressure_goes_with_the_square_of_flow(flow: float, pressure: float) -> None:
    """Orifice law: to double the flow the pressure must go up four times (common to all nozzle tables)."""
    assert float(pressure_share(flow)) == pytest.approx(pressure)


def test_turn_down_sets_the_least_flow() -> None:
    """45 gal/min with a turn-down of 3 is at least 15; without the most flow, the highest rate sets it."""
    stated = flow_range(MachineSection(max_flow_gal_min=45.0, turn_down=3.0), highest_rate_per_ac=40.0, liquid=True)
    assert (stated.least_per_min, stated.most_per_min, stated.assumed) == (15.0, 45.0, "")
    machine = MachineSection(turn_down=2.0, speed_mph=8.0, swath_ft=60.0)
    sized = flow_range(machine, highest_rate_per_ac=40.0, liquid=True)
    assert sized.most_per_min == pytest.approx(40 * 8 * 60 / 495)
    assert sized.least_per_min == pytest.approx(20 * 8 * 60 / 495)
    assert sized.assumed == "highest-rate"


def test_a_flow_limit_of_liquids_is_not_one_of_dry_product() -> None:
    """Gallons a minute say nothing of pounds of urea."""
    dry = flow_range(MachineSection(max_flow_gal_min=45.0), highest_rate_per_ac=300.0, liquid=False)
    assert np.isinf(dry.most_per_min)


def test_zones_the_machine_cannot_make_and_the_speed_that_would(made: Make) -> None:
    """
    60, 100, 150 lb N/ac of UAN 32 are 16.95, 28.26, 42.38 gal/ac; flow 14 to 35 gal/min over 60 ft.

    Speed = flow × 495 / (rate × 60): 16.95 gal/ac wants 6.81 mph or more, 42.38 gal/ac 6.81 mph or less.
    """
    machine = MachineSection(
        swath_ft=60.0, speed_mph=8.0, max_flow_gal_min=35.0, turn_down=2.5, min_speed_mph=4.0, max_speed_mph=12.0
    )
    prescription = made(machine=machine, product=ProductSection(name="UAN 32")).prescribe()
    zones = prescription.machine.zones
    assert [zone.advice for zone in zones] == ["", "", "slower"]
    assert zones[0].least_speed_mph == pytest.approx(6.813, abs=2e-3)
    assert zones[2].most_speed_mph == pytest.approx(6.813, abs=2e-3)
    (found,) = [finding for finding in prescription.findings if finding.about == "machine"]
    assert (found.code, found.level) == ("rates.machine-slower", "warning")
    told = {name: quantity.value for name, quantity in found.quantities.items()}
    assert (told["zone"], told["rate"], told["speed"]) == (3, 150.0, 8.0)


@given(st.floats(1.0, 30.0), st.sampled_from([1.0, MPH_M_S * 3.6]), st.sampled_from(["faster", "slower"]))
def test_a_printed_speed_makes_the_rate(limit_mph: float, factor: float, advice: Advice) -> None:
    """Rounded to the tenth, in mph or km/h, the advised speed is within the range, and by less than two tenths."""
    zone = ZoneFlow(zone=1, rate_n_lb_ac=90.0, product_per_ac=25.0, flow=30.0, pressure_share=1.0,
                    least_speed_mph=limit_mph, most_speed_mph=limit_mph, advice=advice)  # fmt: skip
    printed, limit = round(zone.advised_speed_mph * factor, 1), limit_mph * factor
    inside = printed - limit if advice == "faster" else limit - printed
    assert -1e-4 <= inside < 0.2


def test_a_common_speed_exists_only_within_the_turn_down(made: Make) -> None:
    """Rates of 60 and 150 are 1 : 2.5: a turn-down of 2 has no speed for both, one of 3 has."""
    for turn_down, common in ((2.0, False), (3.0, True)):
        machine = MachineSection(max_flow_gal_min=35.0, turn_down=turn_down)
        report = made(machine=machine, product=ProductSection(name="UAN 32")).prescribe().machine
        assert (report.common_speed_mph is not None) == common


def test_a_rate_no_speed_can_make_is_reported(made: Make) -> None:
    """16.95 gal/ac at 12 mph flows 24.7 gal/min; a machine that starts at 30 cannot go that low."""
    machine = MachineSection(max_flow_gal_min=60.0, turn_down=2.0, max_speed_mph=12.0, min_speed_mph=3.0)
    report = made((60.0, 150.0), machine=machine, product=ProductSection(name="UAN 32")).prescribe().machine
    assert [zone.advice for zone in report.zones] == ["impossible", ""]


def test_a_rate_of_zero_is_always_made(made: Make) -> None:
    """Nothing flows: no speed is asked for."""
    machine = MachineSection(max_flow_gal_min=35.0, turn_down=2.0)
    report = made((0.0, 100.0), machine=machine, product=ProductSection(name="UAN 32")).prescribe().machine
    assert (report.zones[0].advice, report.zones[0].flow) == ("", 0.0)


def test_distance_of_a_rate_change() -> None:
    """2 s at 8 mph are 23.5 ft: 8 × 5280 / 3600 × 2."""
    report = machine_report((), MachineSection(speed_mph=8.0, rate_change_s=2.0), _uan())
    assert report.rate_change_ft == pytest.approx(8 * 5280 / 3600 * 2)


def _uan() -> Any:
    from vrn.prescription.products import known_product

    return known_product("UAN 32")
