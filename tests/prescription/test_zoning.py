"""Zones as a field file asks for them: own, on need, on layers, sized by the machine."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.errors import InputFileError
from vrn.model.layers import ConstantLayer, PolygonLayer
from vrn.model.settings import LimitSection, MachineSection, PriceSection, ZoneSection
from vrn.prescription import zones_of
from vrn.prescription.drive import drive
from vrn.prescription.limits import least_patch_m2
from vrn.prescription.wanted import payoff_of
from vrn.response import expected_loss
from vrn.zones import Zones

Make = Callable[..., Any]


def _zones(made: Any, **more: Any) -> Zones:
    zones: Zones = zones_of(made.field, grid=made.grid, share=made.share, ledger=made.ledger, **more)
    return zones


def test_zones_follow_the_need(made: Make) -> None:
    """Three strips of need are three zones, drawn again from the ledger alone."""
    zones = _zones(made((60.0, 100.0, 150.0)))
    assert [outline.area for outline in zones.outlines] == pytest.approx([160_000 / 3] * 3, rel=0.03)
    assert zones.report.by == "need"


def test_above_the_cap_there_is_nothing_to_tell_apart(made: Make) -> None:
    """With 120 lb/ac at most, needs of 150 and 190 are one zone."""
    zones = _zones(made((60.0, 150.0, 190.0), limits=LimitSection(max_n_lb_ac=120.0)))
    assert len(zones.outlines) == 2


def test_ground_that_holds_enough_is_one_zone(made: Make) -> None:
    """Needs under zero cannot be told apart by a rate."""
    zones = _zones(made((-60.0, -10.0, 100.0)))
    assert len(zones.outlines) == 2


def test_zones_by_layers(made: Make) -> None:
    """``by = "layers"`` draws on the ledger's lines and says so."""
    zones = _zones(made((60.0, 150.0), zones=ZoneSection(by="layers", count=2)))
    assert zones.report.by == "layers"
    assert len(zones.outlines) == 2


def test_cells_take_the_nearest_step(made: Make) -> None:
    """``by = "cells"`` gives each step its ground, and says so; prices move the steps with the rates."""
    zones = _zones(made((60.0, 63.0, 104.0), zones=ZoneSection(by="cells")))
    assert zones.report.by == "cells"
    assert len(zones.outlines) == 3
    one = _zones(made((60.0, 62.0, 104.0), zones=ZoneSection(by="cells")))
    assert len(one.outlines) == 2
    priced = made(
        (60.0, 62.0, 104.0), zones=ZoneSection(by="cells"), prices=PriceSection(corn_per_bu=4.4, n_per_lb=0.8)
    )
    payoff = payoff_of(priced.field.settings, priced.ledger)
    assert payoff is not None
    wanted = {round(payoff.best(np.array([need]), np.ones(1)) / 5.0) for need in (60.0, 62.0, 104.0)}
    assert len(_zones(priced).outlines) == len(wanted)


def test_own_zones_are_taken(made: Make) -> None:
    """Polygons of the user's own go before anything drawn; what holds no polygons is refused."""
    field = made((60.0, 150.0))
    box = shapely.box(*field.field.boundary.bounds)
    own = PolygonLayer(name="zone", crs="EPSG:32615", polygons=np.array([box]), values=np.array([7.0]), source="z.shp")
    zones = _zones(replace(field, field=replace(field.field, zones=own)))
    assert (len(zones.outlines), zones.report.own_number) == (1, (7,))
    with pytest.raises(InputFileError, match="does not hold polygons"):
        _zones(replace(field, field=replace(field.field, zones=ConstantLayer(name="zone", value=1.0))))


def test_prices_give_the_curve_its_cost(made: Make) -> None:
    """Needs of 60 and 150 under one rate are expected to lose what the response room says; two zones nothing."""
    zones = _zones(made((60.0, 150.0), prices=PriceSection(corn_per_bu=4.4, n_per_lb=0.6)))
    lost = expected_loss([60.0, 150.0], corn_per_bu=4.4, n_per_lb=0.6, method_sd_lb_ac=35.0)
    assert zones.choice[0].cost_per_ac == pytest.approx(lost, rel=0.01)
    assert zones.choice[1].cost_per_ac == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("needs", [(60.0, 66.0, 104.0), (60.0, 80.0, 104.0)])
def test_only_the_ratio_of_prices_decides(made: Make, needs: tuple[float, ...]) -> None:
    """Both prices ten times as high draw the same zones and give the same rates: pesos are no finer than dollars."""
    one, ten = (made(needs, prices=PriceSection(corn_per_bu=4.4 * by, n_per_lb=0.6 * by)) for by in (1.0, 10.0))
    zones, tenfold = _zones(one), _zones(ten)
    assert [list(map(tuple, zone.exterior.coords)) for outline in zones.outlines for zone in shapely.get_parts(outline)
            ] == [list(map(tuple, zone.exterior.coords)) for outline in tenfold.outlines
                  for zone in shapely.get_parts(outline)]  # fmt: skip
    assert [rate.rate_n_lb_ac for rate in one.prescribe().rates] == [
        rate.rate_n_lb_ac for rate in ten.prescribe().rates]  # fmt: skip


def test_patches_grow_with_machine_and_acreage() -> None:
    """A wider swath, a slower rate change and the user's own acreage each ask for larger patches."""
    plain = least_patch_m2(MachineSection(swath_ft=60.0), None)
    assert least_patch_m2(MachineSection(swath_ft=90.0), None) > plain
    assert least_patch_m2(MachineSection(swath_ft=60.0, rate_change_s=10.0), None) > plain
    assert least_patch_m2(MachineSection(swath_ft=60.0), 2.0) == pytest.approx(2 * 4046.8564224)


def test_the_drive_says_how_far_it_misses_the_need(made: Make) -> None:
    """Even ground at its own rate is missed by nothing; needs of 100 and 103 under a rate of 100 by 1.5 on average."""
    assert made((100.0, 100.0)).prescribe().drive.missed_lb_ac == pytest.approx(0.0, abs=1e-9)
    two = made((100.0, 103.0))
    driven = drive(np.where(two.share > 0, 1, 0).astype(np.int32), np.array([0.0, 100.0]), grid=two.grid,
                   treated=two.field.treated, machine=two.field.settings.machine)  # fmt: skip
    need = two.grid.in_rows(two.ledger.unclipped_lb_ac)
    assert driven.missed_lb_ac(need, two.grid) == pytest.approx(1.5, abs=0.05)
