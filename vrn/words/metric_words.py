"""Sentences that name trade units, told again in metric ones for the reader of a metric field."""

import re
from typing import Final

from vrn.units import BU_AC_T_HA, FT_M, GAL_AC_L_HA, HA_AC, LB_AC_KG_HA, LB_GAL_KG_L, LB_KG, MPH_M_S, US_GAL_L

# trade unit as it stands in a sentence → metric unit, factor; the longer name first
UNITS: Final = {
    "lb N/ac": ("kg N/ha", LB_AC_KG_HA),
    "lb/ac": ("kg/ha", LB_AC_KG_HA),
    "gal/ac": ("L/ha", GAL_AC_L_HA),
    "bu/ac": ("t/ha", BU_AC_T_HA),
    "gal/min": ("L/min", US_GAL_L),
    "lb/min": ("kg/min", LB_KG),
    "lb/gal": ("kg/L", LB_GAL_KG_L),
    "lb N": ("kg N", LB_KG),
    "lb": ("kg", LB_KG),
    "gal": ("L", US_GAL_L),
    "mph": ("km/h", MPH_M_S * 3.6),
    "ac": ("ha", 1.0 / HA_AC),
    "ft": ("m", FT_M),
}
_NUMBER: Final = r"\d[\d,]*(?:\.\d+)?"
_QUANTITY: Final = re.compile(rf"(?<![\w.,/$])({_NUMBER})(?:(–| to | of )({_NUMBER}))? ({'|'.join(UNITS)})(?![\w/])")
_SLICE: Final = re.compile(rf"(?<![\w.,/])({_NUMBER})–({_NUMBER}) in\b")
_SETTING: Final = re.compile(rf"\b([a-z_]+\.[a-z_]+) = ({_NUMBER})")


def in_metric(sentence: str) -> str:
    """
    A sentence of this program with its trade units, and the keys that carry them, in metric.

    Parameters
    ----------
    sentence : str
        Made by the program: a person's own words are left as they were written.

    Returns
    -------
    sentence : str
        Numbers to three figures or so; slices of soil in whole centimetres.

    Examples
    --------
    >>> in_metric("check strip 1, +30 lb N/ac in zone 2; 0–12 in was measured")
    'check strip 1, +33.6 kg N/ha in zone 2; 0–30 cm was measured'
    >>> in_metric("rounded to the step, machine.rate_step_n_lb_ac = 8.92179")
    'rounded to the step, machine.rate_step_n_kg_ha = 10'
    >>> in_metric("5.5 of 61.8 ac were not covered")
    '2.23 of 25 ha were not covered'
    """
    told = _SETTING.sub(_setting, sentence)
    told = _SLICE.sub(lambda found: "–".join(f"{_value(end) * 2.54:.0f}" for end in found.groups()) + " cm", told)
    return _QUANTITY.sub(_quantity, told)


def _value(number: str) -> float:
    return float(number.replace(",", ""))


def _setting(found: re.Match[str]) -> str:
    from vrn.model.metric_keys import metric_twin

    path, number = found.groups()
    name, factor = metric_twin(path)
    return f"{path.rsplit('.', 1)[0]}.{name} = {_value(number) / factor:.4g}"


def _quantity(found: re.Match[str]) -> str:
    first, between, second, unit = found.groups()
    metric, factor = UNITS[unit]
    coarse = unit in ("lb N", "lb", "gal")
    numbers = (_rounded(_value(number) * factor, coarse=coarse) for number in (first, second) if number)
    return (between or "").join(numbers) + f" {metric}"


def _rounded(value: float, *, coarse: bool) -> str:
    """Masses and volumes to the whole from 10 up, rates, areas and lengths to the tenth."""
    decimals = (0 if coarse else 1) if value >= 10 else (1 if coarse else 2)
    text = f"{value:,.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
