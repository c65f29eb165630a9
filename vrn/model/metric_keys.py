"""Names of keys and columns in metric files: a name that ends in a trade unit has a metric twin."""

from typing import Final

from vrn.units import (
    BU_AC_T_HA,
    CORN_BU_LB,
    FT_M,
    GAL_AC_L_HA,
    HA_AC,
    IN_M,
    LB_AC_KG_HA,
    LB_GAL_KG_L,
    LB_KG,
    MPH_M_S,
    PSI_KPA,
    US_GAL_L,
)

# trade key → its metric twin, and what one metric unit is in the trade's
_KEYS: Final = {
    "corn_per_bu": ("corn_per_t", CORN_BU_LB * LB_KG / 1000.0),  # a tonne is 39.37 bushels
    "n_per_lb": ("n_per_kg", LB_KG),
    "n_per_bushel_lb": ("n_per_tonne_kg", CORN_BU_LB / 1000.0),  # 1 kg/t = 0.056 lb/bu
    "mineralization_lb_per_om_pct": ("mineralization_kg_ha_per_om_pct", 1.0 / LB_AC_KG_HA),
    "organic_matter_lb_per_om_pct": ("organic_matter_kg_ha_per_om_pct", 1.0 / LB_AC_KG_HA),
    "profile_lb_ac_per_ppm_in": ("profile_kg_ha_per_ppm_cm", IN_M * 100.0 / LB_AC_KG_HA),
    "rate_factor_lb_bu": ("rate_factor_kg_t", CORN_BU_LB / 1000.0),
    "water_in": ("water_mm", 1.0 / (IN_M * 1000.0)),
    "n_lb_per_1000_gal": ("n_kg_m3", 1.0 / LB_GAL_KG_L),
    "tank_gal": ("tank_l", 1.0 / US_GAL_L),
    "tank_lb": ("tank_kg", 1.0 / LB_KG),
    "least_patch_ac": ("least_patch_ha", HA_AC),
    "corn_ac": ("corn_ha", HA_AC),
}
_ENDINGS: Final = (
    ("_bu_ac", "_t_ha", 1.0 / BU_AC_T_HA),
    ("_lb_ac", "_kg_ha", 1.0 / LB_AC_KG_HA),
    ("_lb_gal", "_kg_l", 1.0 / LB_GAL_KG_L),
    ("_gal_min", "_l_min", 1.0 / US_GAL_L),
    ("_mph", "_km_h", 1.0 / (MPH_M_S * 3.6)),
    ("_psi", "_kpa", 1.0 / PSI_KPA),
    ("_ft", "_m", 1.0 / FT_M),
)
# keys whose unit stands in their table's heading and not in their name
_UNNAMED: Final = {
    **{f"credits.{key}": 1.0 / LB_AC_KG_HA for key in ("previous_crop", "manure", "irrigation_water", "other")},
    "nitrogen.response_b": LB_AC_KG_HA / BU_AC_T_HA,
    "nitrogen.response_c": LB_AC_KG_HA**2 / BU_AC_T_HA,
}


def metric_twin(path: str) -> tuple[str, float]:
    """Metric name of a key, and what one of its units is in trade units.

    `path`: key path without list positions, in trade names. The key's own last name and 1 where it has no other.

    >>> metric_twin("machine.swath_ft")[0], metric_twin("samples.file")
    ('swath_m', ('file', 1.0))
    >>> round(metric_twin("crop.yield_goal_bu_ac")[1], 3)
    15.932
    """
    key = path.rsplit(".", 1)[-1]
    if path in _UNNAMED:
        return key, _UNNAMED[path]
    if key in _KEYS:
        return _KEYS[key]
    for trade, metric, factor in _ENDINGS:
        if key.endswith(trade):
            return key.removesuffix(trade) + metric, factor
    return key, 1.0


# column → its metric twin, and what a trade number is times
_COLUMNS: Final = {
    "acres": ("area_ha", 1.0 / HA_AC),
    "lb_ac": ("kg_ha", LB_AC_KG_HA),
    "gal_ac": ("l_ha", GAL_AC_L_HA),
    "lb": ("kg", LB_KG),
    "gal": ("l", US_GAL_L),
    "bu_ac": ("t_ha", BU_AC_T_HA),
    "in": ("cm", IN_M * 100.0),
}


def column(name: str, *, metric: bool) -> tuple[str, float]:
    """
    Name of a column as a field's own files have it, and what a number in trade units is times there.

    Examples
    --------
    >>> column("rate_n_lb_ac", metric=True), column("zone", metric=True), column("acres", metric=False)
    (('rate_n_kg_ha', 1.1208511...), ('zone', 1.0), ('acres', 1.0))
    """
    if metric:
        for trade, (twin, factor) in _COLUMNS.items():
            if name == trade or name.endswith(f"_{trade}"):
                return name.removesuffix(trade) + twin, factor
    return name, 1.0
