"""A rate set by hand holds on its ground: 98 % of it one zone, and 98 % of that zone; not on a number."""

import pytest
import shapely

from vrn.errors import InputFileError
from vrn.model.grid import projected_crs, reproject, transformer
from vrn.model.settings import Override
from vrn.prescription.wanted import overrides_on

CRS = projected_crs(-94.6, 42.3)
EAST, NORTH = transformer("EPSG:4326", CRS).transform(-94.6, 42.3)


def box(west: float, east: float) -> shapely.Geometry:
    """A strip of 100 m from south to north, in metres east of a place."""
    return shapely.box(EAST + west, NORTH, EAST + east, NORTH + 100.0)


def made_on(ground: shapely.Geometry, zone: int) -> Override:
    """An override with its outline in longitude and latitude, as a map saves it."""
    ring = tuple((x, y) for x, y in reproject(ground, CRS, "EPSG:4326").exterior.coords)
    return Override(zone=zone, rate_n_lb_ac=60.0, reason="wet", outline=((ring,),))


def test_it_follows_its_ground_to_another_number() -> None:
    """Made for zone 1, whose ground is zone 2 now."""
    held, dropped, findings = overrides_on([made_on(box(0, 100), 1)], [box(100, 300), box(0, 100)], CRS)
    assert {zone: one.zone for zone, one in held.items()} == {2: 2}
    assert not dropped
    assert not findings


@pytest.mark.parametrize(("to", "holds"), [(101.9, True), (98.1, True), (102.5, False), (97.5, False), (200.0, False)])
def test_it_holds_at_98_of_100(to: float, holds: bool) -> None:
    """Ground of 100 m: a zone of 101.9 or 98.1 m is the same ground, one of 102.5, 97.5 or 200 m is not."""
    held, dropped, findings = overrides_on([made_on(box(0, 100), 1)], [box(0, to), box(to, 300)], CRS)
    assert (set(held) == {1}) is holds
    assert bool(dropped) is not holds
    assert [one.level for one in findings] == ([] if holds else ["warning"])
    if not holds:
        share = findings[0].quantities["share"].value
        assert isinstance(share, float)
        assert share == pytest.approx(min(to, 100.0) / max(to, 100.0), abs=0.002)


def test_a_number_alone_is_noted_and_two_on_one_zone_refused() -> None:
    """Without ground the number counts, and is noted; ground and number on one zone are two rates for it."""
    by_number = Override(zone=1, rate_n_lb_ac=60.0, reason="wet")
    held, _, findings = overrides_on([by_number], [box(0, 100)], CRS)
    assert set(held) == {1}
    assert [one.level for one in findings] == ["note"]
    with pytest.raises(InputFileError):
        overrides_on([by_number, made_on(box(0, 100), 3)], [box(0, 100)], CRS)


def test_an_outline_that_is_none_is_refused() -> None:
    """Two corners make no polygon."""
    bad = Override(zone=1, rate_n_lb_ac=60.0, reason="wet", outline=((((-94.6, 42.3), (-94.5, 42.3)),),))
    with pytest.raises(InputFileError):
        overrides_on([bad], [box(0, 100)], CRS)
