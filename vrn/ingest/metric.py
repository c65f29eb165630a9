"""Metric field files: their numbers are turned into trade units here and only here."""

from collections.abc import Callable
from typing import Any

from vrn.model.metric_keys import metric_twin
from vrn.units import LB_AC_KG_HA

_RATE_STEP_N_KG_HA = 5.0


def to_trade(
    raw: dict[str, Any], known: Callable[[str], list[str]], both: Callable[[str, str, str], None]
) -> dict[str, Any]:
    """
    A metric field file in trade units.

    Parameters
    ----------
    raw : dict
        As ``tomllib`` gives it.
    known : callable
        Key path of a table → the keys that it may hold, in trade names.
    both : callable
        Called with table, metric and trade name where a file gives a key twice.

    Returns
    -------
    raw : dict
        Keys in trade names, numbers in trade units; whatever is not known stays as it is. A rate step that is not given
        is 5 kg/ha, and not 5 lb/ac.
    """

    def turned(table: dict[str, Any], path: str) -> dict[str, Any]:
        twins = {}
        for key in known(path):
            name, factor = metric_twin(f"{path}.{key}" if path else key)
            twins[name] = (key, factor)
            if name != key and name in table and key in table:
                both(path, name, key)
        result: dict[str, Any] = {}
        for name, value in table.items():
            key, factor = twins.get(name, (name, 1.0))
            result[key] = inside(value, f"{path}.{key}" if path else key, factor)
        return result

    def inside(value: Any, path: str, factor: float) -> Any:
        if isinstance(value, dict):
            return turned(value, path)
        if isinstance(value, list):
            return [inside(item, path, factor) for item in value]
        number = isinstance(value, (int, float)) and not isinstance(value, bool)
        return value * factor if number and factor != 1.0 else value

    trade = turned(raw, "")
    machine = trade.setdefault("machine", {})
    if isinstance(machine, dict):
        machine.setdefault("rate_step_n_lb_ac", _RATE_STEP_N_KG_HA / LB_AC_KG_HA)
    return trade
