"""The plan of a day: number, places, depths, composites, what it says and what it keeps out of."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import shapely

from vrn.errors import InputFileError, OutOfRangeError
from vrn.files.plan_words import caution_texts, plan_facts
from vrn.model.field import Field
from vrn.model.layers import PolygonLayer, Weather
from vrn.model.settings import Application, NitrogenSection
from vrn.sampling.form import hours_of
from vrn.sampling.make_plan import _NOWHERE, after_rain, plan_samples, rain_since_in, second_foot_wanted
from vrn.sampling.plan import GATHER_FT, Plan, PlanOptions
from vrn.units import FT_M
from vrn.words import UnitFormat

Maker = Callable[..., Field]


def _inside(plan: Plan) -> bool:
    return bool(shapely.covers(shapely.buffer(plan.ground, 1e-6), shapely.MultiPoint(plan.coordinates_m())))


@pytest.mark.parametrize("design", ["balanced", "grid", "strata"])
def test_points_are_planned_on_open_ground(make_field: Maker, design: str) -> None:
    """Thirty samples and five close partners, all on open ground, numbered along the walk, a quarter at both depths."""
    plan = plan_samples(make_field(om=True), PlanOptions(samples=30, design=design))  # type: ignore[arg-type]
    assert [place.name for place in plan.places] == [f"{number:02d}" for number in range(1, 36)]
    assert _inside(plan)
    assert plan.deep_samples == pytest.approx(30 / 4, abs=1)
    by_name = {place.name: place for place in plan.places}
    partners = [place for place in plan.places if place.pair_of]
    assert len(partners) == plan.pairs == 5
    for place in partners:
        base = by_name[place.pair_of]
        assert np.hypot(place.easting_m - base.easting_m, place.northing_m - base.northing_m) == pytest.approx(10.0)
    assert 2 * GATHER_FT * FT_M < 10.0  # the circles in which cores are gathered do not touch
    assert plan.walk_m == pytest.approx(np.hypot(*np.diff(plan.coordinates_m(), axis=0).T).sum())
    assert plan.balance is not None
    assert plan.balance < 0.25  # simple random samples: 0.28 and more (Gilbert 1962)


def test_number_comes_from_variation_and_wanted_error(make_field: Maker) -> None:
    """Without readings 45 % and ± 20 % ask for 22 (t(21) = 2.080: 2.080 × 45 ÷ √22 = 20.0); a map with fewer."""
    plan = plan_samples(make_field())
    assert plan.size.needed == 22
    assert plan.size.for_map < 20
    assert len(plan.places) - plan.pairs == 22
    assert (plan.size.cv_from, plan.size.cv_pct) == ("usual", 45.0)
    assert plan_samples(make_field(), PlanOptions(cv_pct=60, error_pct=25)).size.needed == 25


def test_same_field_same_plan_another_seed_another(make_field: Maker) -> None:
    """A plan is the same whenever it is made; a seed draws another one."""
    one, again = (plan_samples(make_field()).coordinates_m() for _ in range(2))
    np.testing.assert_array_equal(one, again)
    assert not np.array_equal(one, plan_samples(make_field(), PlanOptions(seed=7)).coordinates_m())


def test_walk_begins_where_one_comes_in(make_field: Maker) -> None:
    """With the gate in the south-east the first place is near it."""
    from vrn.model.grid import transformer

    lonlat = transformer("EPSG:32615", "EPSG:4326").transform(500400, 4600000)
    plan = plan_samples(make_field(), PlanOptions(samples=25, start_lonlat=lonlat))
    away = np.hypot(*(plan.coordinates_m() - (500400, 4600000)).T)
    assert away[0] <= np.sort(away)[2]


def test_odd_spots_are_kept_out(make_field: Maker) -> None:
    """Nothing is placed in an old feed lot that the user names, and the rest gets no fewer samples for it."""
    lot = shapely.box(500000, 4600000, 500200, 4600300)
    whole, less = (plan_samples(make_field(), PlanOptions(error_pct=60), avoid=spot) for spot in (_NOWHERE, lot))
    assert less.size.samples == whole.size.samples == whole.size.for_map > whole.size.needed
    plan = plan_samples(make_field(), PlanOptions(samples=40), avoid=lot)
    assert shapely.distance(shapely.points(plan.coordinates_m()), lot).min() > 0


def test_composites_by_zones_of_the_user(make_field: Maker) -> None:
    """Two zones of the user, cut at most 8 ac: areas add up to the field, each with 20 cores of its own inside."""
    halves = np.array([shapely.box(499990, 4599990, 500250, 4600310), shapely.box(500250, 4599990, 500410, 4600310)])
    zones = PolygonLayer(name="zone", crs="EPSG:32615", polygons=halves, values=np.array([1.0, 2.0]), source="z")
    plan = plan_samples(make_field(zones=zones), PlanOptions(design="composites", most_ac=8.0))
    assert sum(area.area for area in plan.areas.values()) == pytest.approx(plan.field.treated.area, rel=1e-6)
    assert {name[0] for name in plan.areas} == {"A", "B"}
    assert _inside(plan)
    for name, area in plan.areas.items():
        cores = [place for place in plan.places if place.area_id == name]
        assert len(cores) == 20
        assert all(area.buffer(1e-6).covers(shapely.Point(place.easting_m, place.northing_m)) for place in cores)


def test_composites_follow_the_layers(make_field: Maker) -> None:
    """Without zones, light and dark ground are sampled apart: no area mixes the two for more than a tenth."""
    plan = plan_samples(make_field(om=True), PlanOptions(design="composites"))
    light = shapely.box(0, 0, 500200, 9e6)
    shares = [shapely.intersection(area, light).area / area.area for area in plan.areas.values()]
    assert len(shares) >= 2
    assert all(share < 0.1 or share > 0.9 for share in shares)


def test_composites_of_a_plain_field_are_compact_parts(make_field: Maker) -> None:
    """Six composites of a field nothing is known of: six parts of like size."""
    plan = plan_samples(make_field(), PlanOptions(design="composites", samples=6))
    areas = [area.area for area in plan.areas.values()]
    assert len(areas) == 6
    assert max(areas) < 1.6 * min(areas)


def test_second_foot_follows_sand_and_rain(make_field: Maker, wet_weather: Weather) -> None:
    """Everywhere on sand (Purdue); half after 4 in since the last nitrogen (Iowa State); else one in four."""
    assert second_foot_wanted(make_field()).share == 0.25
    assert second_foot_wanted(make_field()).reason == "no-weather"
    assert second_foot_wanted(make_field(nitrogen=NitrogenSection(texture="loamy sand"))).share == 1.0
    assert second_foot_wanted(make_field(weather=wet_weather)).share == 0.5
    late = (Application(date=date(2026, 5, 21), product="UAN 28", n_lb_ac=60.0),)
    dry = make_field(weather=wet_weather, applications=late)
    assert rain_since_in(dry) == pytest.approx(1.0)
    assert second_foot_wanted(dry).share == 0.25
    assert second_foot_wanted(make_field(), "all").share == 1.0
    (told,) = second_foot_wanted(make_field(), "none").findings
    assert (told.code, told.level) == ("plan.second-foot-left-out", "note")


def test_second_foot_is_likelier_on_light_ground(make_field: Maker, wet_weather: Weather) -> None:
    """Of the places at both depths about two thirds lie on the half with less organic matter."""
    light = total = 0
    for seed in range(6):
        plan = plan_samples(make_field(om=True, weather=wet_weather), PlanOptions(samples=32, seed=seed, pairs=0))
        deep = [place for place in plan.places if place.second_foot]
        light += sum(place.easting_m < 500200 for place in deep)
        total += len(deep)
    assert total == 6 * 16
    assert 0.55 < light / total < 0.80


@pytest.mark.parametrize(
    ("product", "pounds", "placement", "cores", "sets_of"),
    [("UAN 32", 120.0, "broadcast", 16, 8), ("Anhydrous ammonia", 70.0, "injected", 24, 3),
     ("Anhydrous ammonia", 70.0, "unknown", 24, 3), ("UAN 32", 70.0, "banded", 24, 3),
     ("UAN 32", 30.0, "banded", 18, 3), ("UAN 32", 70.0, "unknown", 24, 3)],
)  # fmt: skip
def test_cores_follow_the_placement(
    make_field: Maker, product: str, pounds: float, placement: str, cores: int, sets_of: int
) -> None:
    """At least 24 after more than 50 lb in bands, 15 or more otherwise (Iowa State); what is not known is asked."""
    put_on = (Application(date=date(2026, 4, 14), product=product, n_lb_ac=pounds, placement=placement),)  # type: ignore[arg-type]
    field = make_field(applications=put_on)
    plan = plan_samples(field)
    assert (plan.cores, plan.pattern.sets_of) == (cores, sets_of)
    assert plan.pattern.error_pct == pytest.approx(50 / cores**0.5)
    asked = [finding.code for finding in plan.findings if finding.level == "warning"]
    assert asked == (["plan.placement-unknown"] if (product, placement) == ("UAN 32", "unknown") else [])
    few = plan_samples(field, PlanOptions(cores=4))
    assert few.cores == (6 if sets_of == 3 else 4)  # whole sets
    assert "plan.few-cores" in {finding.code for finding in few.findings}


def test_one_number_of_cores_in_every_word_of_the_plan(make_field: Maker) -> None:
    """Beside bands, every count of cores is the plan's, or a set of it, and areas hold one place for each set."""
    banded = (Application(date=date(2026, 4, 14), product="UAN 32", n_lb_ac=70.0, placement="banded"),)
    for design in ("balanced", "composites"):
        plan = plan_samples(make_field(applications=banded), PlanOptions(design=design))  # type: ignore[arg-type]
        shown = UnitFormat.of("us")
        texts = [plan_facts(plan, shown), *caution_texts(plan, shown)]
        assert {number for text in texts for number in re.findall(r"(\d+) cores", text)} == {"24"}
        if plan.areas:
            assert len(plan.places) == 8 * len(plan.areas)


def test_hours_grow_with_cores_depths_and_readings(make_field: Maker) -> None:
    """Twice the cores, a second depth and more samples each lengthen the day, and every core by the same time."""

    def hours(**options: object) -> float:
        chosen = {"samples": 20, "second_foot": "none", "pairs": 0} | options
        return hours_of(plan_samples(make_field(), PlanOptions(**chosen)))["hours"]  # type: ignore[arg-type]

    assert hours(cores=16) - hours(cores=8) == pytest.approx(20 * 8 * 0.4 / 60)
    assert hours(second_foot="all") > hours() + 20 * 16 * 0.4 / 60
    assert hours(samples=30) > hours() * 1.3


def test_no_core_in_soaked_ground(make_field: Maker, wet_weather: Weather) -> None:
    """Two inches three days before the record ends: wait; eleven days before, as the record has it, no more."""
    assert not after_rain(make_field(weather=wet_weather))
    short = replace(wet_weather, days=wet_weather.days[:22], rain_in=wet_weather.rain_in[:22])
    (found,) = after_rain(make_field(weather=short))
    assert found.quantities["first"].value == date(2026, 5, 23)


def test_strata_need_a_layer(make_field: Maker) -> None:
    """Without a layer that varies there is nothing to make strata of."""
    with pytest.raises(InputFileError, match="no layer varies"):
        plan_samples(make_field(), PlanOptions(design="strata"))
    with pytest.raises(OutOfRangeError, match="0 samples"):
        plan_samples(make_field(), PlanOptions(samples=0))


def test_strata_hold_their_share(make_field: Maker) -> None:
    """Light and dark ground of like size get like numbers."""
    plan = plan_samples(make_field(om=True), PlanOptions(samples=20, design="strata", strata=2, pairs=0))
    light = sum(place.easting_m < 500200 for place in plan.places)
    assert 8 <= light <= 12


def test_small_field(make_field: Maker) -> None:
    """A field of an acre is planned too: one sample, no partner, a walk of nothing."""
    field = replace(make_field(), boundary=shapely.box(500000, 4600000, 500064, 4600064))
    plan = plan_samples(field, PlanOptions(samples=1))
    assert len(plan.places) == 1
    assert plan.walk_m == 0.0
