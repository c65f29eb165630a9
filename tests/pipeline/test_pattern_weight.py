"""How much of a layer's pattern counts: the field's mean never moves, 1 is no step at all, 0 is no layer."""

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import vrn
from vrn.errors import VrnError
from vrn.model.field import Field
from vrn.model.grid import Grid
from vrn.model.layers import ConstantLayer, PointLayer
from vrn.model.samples import profile_of
from vrn.model.surface import Harvest, Surface, SurfaceChoice
from vrn.model.variogram import Variogram
from vrn.nitrogen import nitrate_lb_ac
from vrn.pipeline.order import ground_of
from vrn.pipeline.soil import _FOLLOWED, _weights, soil_surfaces, weights_of
from vrn.units import CORN_BU_LB, LB_AC_KG_HA

HARVEST = Harvest(
    season="2025", mean_bu_ac=200.0, covered_share=1.0, stretches=9, pass_offset_sd_bu_ac=0.0, logs=(),
    variogram=Variogram(model="spherical", nugget=0.0, partial_sill=1.0, range_m=50.0),
)  # fmt: skip
DEMO = Path(__file__).resolve().parents[2] / "demo_fields"


@pytest.fixture(scope="module")
def field() -> Field:
    """Cedar Bend with a third of its samples on coarse cells, organic matter one number."""
    read = vrn.read_field(DEMO / "cedar_bend" / "field.toml")
    few = read.samples.take(np.arange(0, len(read.samples), 3))
    organic = ConstantLayer(name="organic_matter_pct", value=2.7)
    return _with(replace(read, samples=few, organic_matter=organic), header={"cell_m": 40.0})


def _with(field: Field, *, layers: dict[str, Any] | None = None, **sections: dict[str, Any]) -> Field:
    settings = field.settings
    for name, keys in sections.items():
        settings = replace(settings, **{name: replace(getattr(settings, name), **keys)})
    for name, keys in (layers or {}).items():
        layer = replace(getattr(settings.layers, name), **keys)
        settings = replace(settings, layers=replace(settings.layers, **{name: layer}))
    return replace(field, settings=settings)


def _surfaces(field: Field) -> tuple[dict[str, Surface], np.ndarray]:
    grid, share = ground_of(field)
    return soil_surfaces(field, profile_of(field.samples.field_readings()), grid, share)[0], share


def test_a_weight_of_one_is_no_step_at_all(field: Field, monkeypatch: pytest.MonkeyPatch) -> None:
    """Weights of 1 give the rates and the needs, to the bit, of a build that knows no weights."""
    full = {"yield_potential": {"weight": 1.0}, "organic_matter": {"weight": 1.0}}
    built = vrn.build(_with(field, layers=full, samples={"weight": 1.0}))
    monkeypatch.setattr("vrn.pipeline.soil.weights_of", lambda *_, **__: {})
    without = vrn.build(field)
    assert [rate.rate_n_lb_ac for rate in built.rates] == [rate.rate_n_lb_ac for rate in without.rates]
    np.testing.assert_array_equal(built.ledger.unclipped_lb_ac, without.ledger.unclipped_lb_ac)


def test_a_weight_of_nothing_drops_the_layer(field: Field) -> None:
    """At 0 the field is built as it would be without the layer: its goal everywhere, one need, the same rates."""
    nothing = vrn.build(_with(field, layers={"yield_potential": {"weight": 0.0}}))
    layers = replace(field.settings.layers, yield_potential=None)
    dropped = vrn.build(replace(field, settings=replace(field.settings, layers=layers), yield_potential=None))
    assert [rate.rate_n_lb_ac for rate in nothing.rates] == [rate.rate_n_lb_ac for rate in dropped.rates]
    np.testing.assert_allclose(nothing.ledger.unclipped_lb_ac, dropped.ledger.unclipped_lb_ac, atol=1e-6)


def test_the_fields_mean_never_moves(field: Field) -> None:
    """Each surface keeps its area mean over the treated ground, and its pattern shrinks around it by the weight."""
    west = field.samples.coordinates_m[:, 0]
    organic = PointLayer(
        name="organic_matter_pct", crs=field.crs, coordinates_m=field.samples.coordinates_m,
        values=2 + (west - west.min()) / np.ptp(west), source="om.csv",
    )  # fmt: skip
    mixed = replace(field, organic_matter=organic)
    weights = {"yield_goal_bu_ac": 0.25, "organic_matter_pct": 0.6, "nitrate_ppm": 0.7}
    layers = {"yield_potential": {"weight": 0.25}, "organic_matter": {"weight": 0.6}}
    counted, share = _surfaces(_with(mixed, layers=layers, samples={"weight": 0.7}))
    full, _ = _surfaces(_with(mixed, layers={"yield_potential": {"weight": 1.0}}))
    here = share > 0
    for name, weight in weights.items():
        one, before = counted[name].values[here], full[name].values[here]
        mean = np.average(before, weights=share[here])
        assert np.average(one, weights=share[here]) == pytest.approx(mean, abs=1e-9)
        np.testing.assert_allclose(one - mean, weight * (before - mean), atol=1e-9)
        assert np.ptp(before) > 0
    # the readings' own error is not smaller for that, in the draws too; that of a layer is
    nitrate, before = counted["nitrate_ppm"], full["nitrate_ppm"]
    np.testing.assert_array_equal(nitrate.se, before.se)
    assert np.ptp(nitrate.draws(9, seed=1) - before.draws(9, seed=1), axis=0)[here].max() < 1e-4
    np.testing.assert_allclose(counted["organic_matter_pct"].se, 0.6 * full["organic_matter_pct"].se)


def test_one_years_map_counts_for_less(field: Field) -> None:
    """A half when nothing is said, a quarter of a single year, and what the field file says before either."""
    said = [{}, {"years": 1}, {"years": 5}, {"years": 1, "weight": 0.8}]
    grid, _ = ground_of(field)
    flat = Surface(name="yield_goal_bu_ac", grid=grid, values=np.ones(grid.shape), chosen="")
    logs = [replace(flat, choice=SurfaceChoice(harvests=(HARVEST,) * years)) for years in (1, 3)]

    def weight(keys: dict[str, Any], goal: Surface = flat) -> float:
        settings = _with(field, layers={"yield_potential": keys}).settings
        return _weights(settings, goal)["yield_goal_bu_ac"]

    assert [weight(keys) for keys in said] == [0.5, 0.25, 0.5, 0.8]
    assert [weight({}, goal) for goal in logs] == [0.25, 0.5]  # logs say themselves of how many seasons they are


@pytest.mark.parametrize(
    ("harvests", "alike", "weight"),
    [(2, 0.4, 0.31), (3, 0.4, 0.37), (4, 0.4, 0.40), (5, 0.4, 0.42), (3, 1.0, 0.55), (3, -0.2, 0.0), (1, None, 0.25)],
)
def test_weight_by_how_far_years_agree(field: Field, harvests: int, alike: float | None, weight: float) -> None:
    """0.55 m q / (1 + (m − 1) q), worked by hand for q = 0.4: slopes of 0.57, 0.67, 0.73, 0.77; what is given wins."""
    plain = _with(field, layers={"yield_potential": {}}).settings
    assert weights_of(plain, harvests=harvests, alike=alike)["yield_goal_bu_ac"] == weight
    given = _with(field, layers={"yield_potential": {"weight": 0.9}}).settings
    assert weights_of(given, harvests=harvests, alike=alike)["yield_goal_bu_ac"] == 0.9


@pytest.mark.parametrize(("line", "key"), [("years = 0", "years"), ("years = 31", "years"), ("weight = 1.5", "weight")])
def test_impossible_years_and_weights_are_refused(line: str, key: str, tmp_path: Path) -> None:
    """Years lie between 1 and 30, a weight between 0 and 1."""
    text = (DEMO / "cedar_bend" / "field.toml").read_text(encoding="utf-8")
    text = text.replace('kind = "relative" ', f'{line}\nkind = "relative" ')
    (tmp_path / "field.toml").write_text(text, encoding="utf-8")
    with pytest.raises(VrnError) as refused:
        vrn.read_field(tmp_path / "field.toml")
    assert key in refused.value.problem


def test_the_ledger_says_what_was_found_and_what_counts(field: Field) -> None:
    """In each zone the yield used lies half way from the goal to what the layer expects; the line says both."""
    built = vrn.build(field)
    for rate in built.rates:
        used, here = (rate.ledger.inputs[name] for name in ("yield_goal_bu_ac", "here_yield_goal_bu_ac"))
        assert used == pytest.approx(rate.yield_goal_bu_ac) == pytest.approx(220 + 0.5 * (here - 220), abs=1e-6)
        crop = next(line for line in rate.ledger.lines if line.key == "crop")
        assert f"{here:.0f} bu/ac expected here" in crop.basis
        numbers = re.search(r"at 0\.5: ([\d.]+) bu/ac × ([\d.]+) lb/bu × \(1 − ([\d.]+) ", crop.basis)
        goal, per_bu, taken = (float(number) for number in numbers.groups())
        assert goal == pytest.approx(used, abs=0.5)
        assert goal * per_bu * (1 - taken) == pytest.approx(crop.lb_ac, abs=0.05)
    told = [one for one in built.findings if one.code == "surface.yield-pattern-half"]
    assert [one.quantities["weight"].value for one in told] == [0.5]


def test_unknown_ground_stays_unknown() -> None:
    """NaN stays NaN, and untreated cells have no part in the mean."""
    grid = Grid(crs="EPSG:32615", west_m=0.0, north_m=10.0, cell_m=10.0, rows=1, cols=4)
    surface = Surface(name="yield_goal_bu_ac", grid=grid, values=np.array([[100.0, 200.0, np.nan, 900.0]]), chosen="")
    weighted = surface.weighted(0.5, np.array([[1.0, 1.0, 1.0, 0.0]]), error_weight=0.5)
    np.testing.assert_array_equal(weighted.values, [[125.0, 175.0, np.nan, 525.0]])


def test_weights_lie_within_what_trials_found(field: Field) -> None:
    """White et al. 2023, Agron. J. 115:2600: 12.9 kg N a Mg of grain, −5.7 kg/ha a ppm; Iowa State 2023–24: 0.45 lb/bu.

    Minnesota's preplant rule credits 0.6 of the profile's pounds.
    """
    white = 12.9 / 1000 * CORN_BU_LB
    assert white == pytest.approx(0.72, abs=0.005)
    plain = weights_of(_with(field, layers={"yield_potential": {}}).settings, harvests=0)
    assert 0.45 / 1.1 < plain["yield_goal_bu_ac"] < white / 1.1
    assert 0.45 / 1.1 < _FOLLOWED < white / 1.1
    per_ppm = 5.7 / LB_AC_KG_HA
    assert per_ppm == pytest.approx(5.1, abs=0.05)
    assert 0.6 < plain["nitrate_ppm"] < per_ppm / nitrate_lb_ac(1.0, top_in=0, bottom_in=12)
