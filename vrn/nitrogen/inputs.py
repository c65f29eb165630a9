"""From what is known of a reading, or of every cell, to the inputs of one method."""

from collections.abc import Mapping
from typing import Any, Final

from vrn.nitrogen.ledger import Number, as_number
from vrn.nitrogen.method import Method
from vrn.nitrogen.soil_nitrate import bulk_density_of

_ALWAYS: Final = ("top_in", "bottom_in", "growth_stage")
_RENAMED: Final = {"response_b": "b", "response_c": "c"}
_PROFILE_IN: Final = 24.0
_NEBRASKA_DEEP_PPM: Final = 3.0  # medium and fine soils, without a deep sample (Nebraska, CropWatch 9 July 2019)
_NEBRASKA_SAND_PPM: Final = 1.5


def inputs_of(method: Method, known: Mapping[str, Any]) -> dict[str, Any]:
    """
    The part of what is known that a method takes, with depth and stage, and its profile by its own factor.

    Parameters
    ----------
    method : Method
    known : mapping of str to number, array or str
        By the names of the methods' inputs, ``texture`` among them; None is the same as absent.

    Returns
    -------
    inputs : dict
        For ``method.need``; what the method requires and nobody knows is absent from it.

    Examples
    --------
    10 ppm over 8 ppm in two feet, 0.3 lb/ac for each ppm and inch: 36 + 28.8 = 64.8:

    >>> from vrn.nitrogen.catalogue import method
    >>> known = {"nitrate_ppm": 10.0, "bottom_in": 12.0, "deep_nitrate_ppm": 8.0, "deep_bottom_in": 24.0}
    >>> round(inputs_of(method("kansas"), known)["profile_nitrate_lb_ac"], 1)
    64.8
    """
    given = {_RENAMED.get(name, name): value for name, value in known.items() if value is not None}
    texture = given.pop("texture", None)
    if texture is not None and method.takes("bulk_density_g_cm3"):
        given.setdefault("bulk_density_g_cm3", bulk_density_of(str(texture)))
    if method.takes("profile_nitrate_ppm") or method.takes("profile_nitrate_lb_ac"):
        given |= _profile(method, given, texture)
    return {name: value for name, value in given.items() if method.takes(name) or name in _ALWAYS}


def _profile(method: Method, given: dict[str, Any], texture: str | None) -> dict[str, Any]:
    """Nitrate of 0–24 in as the method wants it; empty when the second foot is not known and it has no default."""
    wanted = "profile_nitrate_lb_ac" if method.takes("profile_nitrate_lb_ac") else "profile_nitrate_ppm"
    if wanted in given:
        return {"bottom_in": max(float(given.get("bottom_in", _PROFILE_IN)), _PROFILE_IN)}
    if "profile_nitrate_ppm" in given:
        mean = as_number(given["profile_nitrate_ppm"])
    else:
        found = _profile_mean_ppm(method, given, texture)
        if found is None:
            return {}
        mean = found
    if wanted == "profile_nitrate_ppm":
        return {wanted: mean, "bottom_in": _PROFILE_IN}
    per_ppm_in = float(given.get("profile_lb_ac_per_ppm_in", method.profile_lb_ac_per_ppm_in or 0.0))
    return {wanted: mean * (per_ppm_in * _PROFILE_IN), "profile_nitrate_ppm": mean, "bottom_in": _PROFILE_IN}


def assumed_deep_ppm(method: Method, known: Mapping[str, Any]) -> float | None:
    """
    What a method takes for a second foot that was not pulled; None where it was pulled or the method takes nothing.

    Examples
    --------
    >>> from vrn.nitrogen.catalogue import method
    >>> [assumed_deep_ppm(method(key), {"bottom_in": 12.0}) for key in ("nebraska", "kansas")]
    [3.0, None]
    """
    measured = any(known.get(name) is not None for name in ("deep_nitrate_ppm", "profile_nitrate_ppm"))
    if method.key != "nebraska" or measured or float(known.get("bottom_in") or _PROFILE_IN) >= _PROFILE_IN:
        return None
    texture = known.get("texture")
    return _NEBRASKA_SAND_PPM if texture is not None and "sand" in str(texture).lower() else _NEBRASKA_DEEP_PPM


def _profile_mean_ppm(method: Method, given: dict[str, Any], texture: str | None) -> Number | None:
    """Depth-weighted mean of 0–24 in; Nebraska's own figure stands in for a second foot that was not pulled."""
    if "nitrate_ppm" not in given or "bottom_in" not in given:
        return None
    bottom = min(float(given["bottom_in"]), _PROFILE_IN)
    top = as_number(given["nitrate_ppm"])
    if bottom >= _PROFILE_IN:
        return top
    begins = float(given.get("deep_top_in", bottom))
    deep = given.get("deep_nitrate_ppm")
    if deep is not None and begins == bottom and float(given.get("deep_bottom_in", _PROFILE_IN)) >= _PROFILE_IN:
        below = as_number(deep)
    else:
        assumed = assumed_deep_ppm(method, {**given, "texture": texture})
        if assumed is None:
            return None
        below = assumed
    return (top * bottom + below * (_PROFILE_IN - bottom)) / _PROFILE_IN
