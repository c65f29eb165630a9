"""Metric field files: the same field in kilograms, hectares and tonnes is the same field."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import sound

from vrn.errors import InputFileError
from vrn.ingest import read_field
from vrn.ingest.field_file import settings_from
from vrn.ingest.keys import keys_of
from vrn.model.layers import ConstantLayer, PointLayer
from vrn.model.metric_keys import metric_twin
from vrn.model.settings import as_plain

Rewrite = Callable[..., Path]
Put = Callable[[str, Any], Path]

# NIST Handbook 44 (2024), Appendix C: 1 lb = 0.45359237 kg, 1 ft = 0.3048 m, 1 gal = 3.785411784 L, all exact;
# 1 acre = 4046.8564224 m² of the international foot. A bushel of shelled corn is 56 lb (7 CFR 810, by weight).
LB, ACRE_HA, FT, GAL, BUSHEL_T = 0.45359237, 0.40468564224, 0.3048, 3.785411784, 56 * 0.45359237 / 1000
PSI = 6.894757293168361  # kPa, NIST SP 811

TRADE: dict[str, Any] = {
    **sound.KEYS,
    "field": {**sound.KEYS["field"], "edge_buffer_ft": 30, "no_apply": [{"file": "w.geojson", "setback_ft": 33}]},
    "applications": [{"date": "2026-04-20", "product": "UAN 28", "n_lb_ac": 40}],
    "nitrogen": {"n_per_bushel_lb": 1.1, "mineralization_lb_per_om_pct": 20, "base_rate_lb_ac": 150,
                 "response_b": 1.1, "response_c": -0.0025, "rate_factor_lb_bu": 1.5, "organic_matter_lb_per_om_pct": 18,
                 "profile_lb_ac_per_ppm_in": 0.3, "cap_lb_ac": 230, "tillage_lb_ac": 30,
                 "method_sd_lb_ac": 32, "spring_nitrate_lb_ac": 20},
    "credits": {"previous_crop": 5, "manure": 30, "irrigation_water": 8, "other": 2},
    "zones": {"least_patch_ac": 0.5},
    "product": {"name": "own", "n_pct": 28, "density_lb_gal": 10.67, "n_lb_per_1000_gal": 38},
    "machine": {"swath_ft": 60, "min_rate_n_lb_ac": 30, "max_rate_n_lb_ac": 180, "rate_step_n_lb_ac": 5, "speed_mph": 7,
                "min_speed_mph": 4, "max_speed_mph": 10, "max_flow_gal_min": 40, "tank_gal": 1000, "tank_lb": 9000},
    "limits": {"max_n_lb_ac": 180, "max_season_n_lb_ac": 240},
    "prices": {"corn_per_bu": 4.2, "n_per_lb": 0.55},
    "check_strips": {"step_n_lb_ac": 30, "width_ft": 60, "length_ft": 400},
    "trial": {"step_n_lb_ac": 30, "harvest_width_ft": 40, "length_ft": 320, "corn_ac": 600},
    "job": {"nozzle_flow_gal_min": 0.4, "nozzle_psi": 40, "min_psi": 15, "max_psi": 60},
    "export": {"default_rate_n_lb_ac": 1, "out_of_field_rate_n_lb_ac": 2, "position_lost_rate_n_lb_ac": 3},
    "review": {"override": [{"zone": 1, "rate_n_lb_ac": 90, "reason": "sand"}]},
}  # fmt: skip
METRIC: dict[str, Any] = {
    **TRADE,
    "units": "metric",
    "field": {**sound.KEYS["field"], "edge_buffer_m": 30 * FT,
              "no_apply": [{"file": "w.geojson", "setback_m": 33 * FT}]},
    "crop": {"yield_goal_t_ha": 210 * BUSHEL_T / ACRE_HA, "growth_stage": "V7"},
    "applications": [{"date": "2026-04-20", "product": "UAN 28", "n_kg_ha": 40 * LB / ACRE_HA}],
    "nitrogen": {"n_per_tonne_kg": 1.1 * LB / BUSHEL_T, "mineralization_kg_ha_per_om_pct": 20 * LB / ACRE_HA,
                 "base_rate_kg_ha": 150 * LB / ACRE_HA, "response_b": 1.1 * BUSHEL_T / LB,
                 "response_c": -0.0025 * BUSHEL_T / ACRE_HA / (LB / ACRE_HA) ** 2,
                 "rate_factor_kg_t": 1.5 * LB / BUSHEL_T, "organic_matter_kg_ha_per_om_pct": 18 * LB / ACRE_HA,
                 "profile_kg_ha_per_ppm_cm": 0.3 * LB / ACRE_HA / 2.54, "cap_kg_ha": 230 * LB / ACRE_HA,
                 "tillage_kg_ha": 30 * LB / ACRE_HA, "method_sd_kg_ha": 32 * LB / ACRE_HA,
                 "spring_nitrate_kg_ha": 20 * LB / ACRE_HA},
    "credits": {name: value * LB / ACRE_HA for name, value in TRADE["credits"].items()},
    "zones": {"least_patch_ha": 0.5 * ACRE_HA},
    "product": {"name": "own", "n_pct": 28, "density_kg_l": 10.67 * LB / GAL, "n_kg_m3": 38 * LB / GAL},
    "machine": {"swath_m": 60 * FT, "min_rate_n_kg_ha": 30 * LB / ACRE_HA, "max_rate_n_kg_ha": 180 * LB / ACRE_HA,
                "rate_step_n_kg_ha": 5 * LB / ACRE_HA, "speed_km_h": 7 * 1.609344, "min_speed_km_h": 4 * 1.609344,
                "max_speed_km_h": 10 * 1.609344, "max_flow_l_min": 40 * GAL, "tank_l": 1000 * GAL,
                "tank_kg": 9000 * LB},
    "limits": {"max_n_kg_ha": 180 * LB / ACRE_HA, "max_season_n_kg_ha": 240 * LB / ACRE_HA},
    "prices": {"corn_per_t": 4.2 / BUSHEL_T, "n_per_kg": 0.55 / LB},
    "check_strips": {"step_n_kg_ha": 30 * LB / ACRE_HA, "width_m": 60 * FT, "length_m": 400 * FT},
    "trial": {"step_n_kg_ha": 30 * LB / ACRE_HA, "harvest_width_m": 40 * FT, "length_m": 320 * FT,
              "corn_ha": 600 * ACRE_HA},
    "job": {"nozzle_flow_l_min": 0.4 * GAL, "nozzle_kpa": 40 * PSI, "min_kpa": 15 * PSI, "max_kpa": 60 * PSI},
    "export": {"default_rate_n_kg_ha": 1 * LB / ACRE_HA, "out_of_field_rate_n_kg_ha": 2 * LB / ACRE_HA,
               "position_lost_rate_n_kg_ha": 3 * LB / ACRE_HA},
    "review": {"override": [{"zone": 1, "rate_n_kg_ha": 90 * LB / ACRE_HA, "reason": "sand"}]},
}  # fmt: skip


SPREAD = {"organic_n_lb_ac": 50, "organic_n_last_year_lb_ac": 30, "organic_n_two_years_ago_lb_ac": 20,
          "ammonium_after_sampling_lb_ac": 15}  # fmt: skip
RECKONED: dict[str, Any] = {
    "manure_spread": {**SPREAD, "kind": "liquid"}, "water": {"nitrate_ppm": 10, "water_in": 6},
}  # fmt: skip
RECKONED_METRIC: dict[str, Any] = {
    "manure_spread": {**{name.replace("lb_ac", "kg_ha"): value * LB / ACRE_HA for name, value in SPREAD.items()},
                      "kind": "liquid"},
    "water": {"nitrate_ppm": 10, "water_mm": 6 * 25.4},
}  # fmt: skip


def _leaves(value: Any, path: str = "") -> dict[str, Any]:
    """Every leaf of nested settings by its path."""
    if isinstance(value, dict):
        return {key: leaf for name, item in value.items() for key, leaf in _leaves(item, f"{path}.{name}").items()}
    if isinstance(value, list):
        return {key: leaf for i, item in enumerate(value) for key, leaf in _leaves(item, f"{path}[{i}]").items()}
    return {path: value}


def test_the_same_field_in_metric_units_has_the_same_settings() -> None:
    """Every key with a unit, written in its metric twin, arrives at the same number of trade units."""
    pairs = ((TRADE, METRIC), ({**TRADE, "credits": RECKONED}, {**METRIC, "credits": RECKONED_METRIC}))
    for in_trade, in_metric in pairs:
        _assert_same(in_trade, in_metric)


def _assert_same(in_trade: dict[str, Any], in_metric: dict[str, Any]) -> None:
    trade, metric = (_leaves(as_plain(settings_from(keys))) for keys in (in_trade, in_metric))
    assert trade.keys() == metric.keys()
    for path, value in trade.items():
        if isinstance(value, float):
            assert metric[path] == pytest.approx(value, rel=1e-12), path
        elif path != ".units":
            assert metric[path] == value


def test_no_key_with_a_trade_unit_is_without_its_metric_twin() -> None:
    """The test above names every key of the field file that has a trade unit."""
    endings = ("_lb_ac", "_bu_ac", "_ft", "_ac", "_gal", "_lb", "_mph", "_gal_min", "_per_bu", "_per_lb", "_lb_gal")
    tested = {key.rsplit(".", 1)[-1].split("[")[0] for key in _leaves(TRADE) | _leaves(RECKONED)}

    def walk(path: str) -> None:
        for key in keys_of(path):
            here = f"{path}.{key}" if path else key
            if key.endswith(endings) or "_lb_" in key:
                assert metric_twin(here)[0] != key
                assert key in tested, here
            walk(here)

    walk("")


@pytest.mark.parametrize(
    ("table", "key", "value", "says"),
    [
        (
            "crop",
            "yield_goal_t_ha",
            100,
            r"crop\.yield_goal_t_ha is 100, which cannot be used\. Give a number from 1\.255 to 28\.25",
        ),
        ("machine", "swat_m", 18, r"machine\.swat_m is not a known key\. Did you mean swath_m\?"),
        ("machine", "swath_ft", 60, r"machine\.swath_m and swath_ft are the same thing"),
        ("machine", "min_rate_n_kg_ha", 350, r"machine\.min_rate_n_kg_ha is above max_rate_n_kg_ha"),
    ],
)
def test_faults_speak_the_units_of_the_file(table: str, key: str, value: Any, says: str) -> None:
    """Key, number and allowed range are told as the user writes them."""
    keys = {**METRIC, table: {**METRIC[table], key: value}}
    with pytest.raises(InputFileError, match=says):
        settings_from(keys)


def test_metric_key_in_a_trade_file_is_refused_with_both_ways_out() -> None:
    """A metre in a file of feet is never guessed."""
    with pytest.raises(InputFileError, match=r"machine\.swath_m is not a known key") as raised:
        settings_from(sound.changed({"machine__swath_m": 18}))
    assert raised.value.remedy.startswith('Write swath_ft, or set units = "metric"')


def test_layers_in_metric_units(rewrite: Rewrite, put: Put) -> None:
    """t/ha become bu/ac of 56 lb, kg/ha become lb/ac; the settings then say bu_ac, as the layer does."""
    put("y.csv", "longitude,latitude,yield_t_ha\n" + "".join(f"{x},{y},12.5\n" for x, y in sound.places()))
    put("a.csv", "longitude,latitude,n_kg_ha\n" + "".join(f"{x},{y},50\n" for x, y in sound.places()))
    path = rewrite(
        layers__yield_potential={"file": "y.csv", "kind": "t_ha"},
        layers__applied_n={"file": "a.csv", "column": "n_kg_ha"},
    )
    field = read_field(path)
    assert isinstance(field.yield_potential, PointLayer)
    assert isinstance(field.applied_n, PointLayer)
    np.testing.assert_allclose(field.yield_potential.values, 12.5 / (BUSHEL_T / ACRE_HA))
    np.testing.assert_allclose(field.applied_n.values, 50 / (LB / ACRE_HA))
    assert field.settings.layers.yield_potential is not None
    assert field.settings.layers.yield_potential.kind == "bu_ac"
    one = read_field(rewrite(layers__yield_potential={"value": 12.5, "kind": "t_ha"})).yield_potential
    assert isinstance(one, ConstantLayer)
    assert one.value == pytest.approx(12.5 / (BUSHEL_T / ACRE_HA))


def test_a_metric_step_is_a_metric_one() -> None:
    """Without a step of its own a metric file steps by 5 kg/ha = 4.4609 lb/ac (factors as above)."""
    machine = {key: value for key, value in METRIC["machine"].items() if key != "rate_step_n_kg_ha"}
    step = settings_from({**METRIC, "machine": machine}).machine.rate_step_n_lb_ac
    assert step == pytest.approx(5 * ACRE_HA / LB, rel=1e-9)
