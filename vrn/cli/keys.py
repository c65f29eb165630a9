"""``vrn keys``: every key of the field file with unit, range, default and one sentence, from the settings' types."""

import types
from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import date
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

import typer

from vrn.cli.app import app, say, say_json
from vrn.errors import OutOfRangeError
from vrn.ingest.field_file import METRIC_DEFAULTS
from vrn.model.metric_keys import metric_twin
from vrn.model.settings import Settings
from vrn.words.keys import KEYS

_HELP = """List the keys of the field file, one a line: key, unit, range, default, and what it says.

Example:  vrn keys machine
"""
_UNITS = {  # how a name ends → its unit
    "_bu_ac": "bu/ac", "_n_lb_ac": "lb N/ac", "_lb_ac_per_ppm_in": "lb/ac per ppm and in",
    "_lb_per_om_pct": "lb/ac per %",
    "_lb_ac": "lb/ac", "_lb_gal": "lb/gal", "_gal_min": "gal/min", "_g_cm3": "g/cm³", "_lb_bu": "lb/bu",
    "_per_bu": "$/bu",
    "_bushel_lb": "lb/bu", "_per_lb": "$/lb", "_mph": "mph", "_psi": "psi", "_ppm": "ppm", "_pct": "%", "_ft": "ft",
    "_deg": "°", "_ac": "ac", "_min": "min", "_gal": "gal", "_in": "in", "_lb": "lb", "_m": "m", "_s": "s",
    "_kg_ha_per_ppm_cm": "kg/ha per ppm and cm", "_kg_ha_per_om_pct": "kg/ha per %", "_t_ha": "t/ha", "_kg_ha": "kg/ha",
    "_kg_l": "kg/L", "_l_min": "L/min", "_kg_t": "kg/t", "_tonne_kg": "kg/t", "_per_t": "$/t", "_per_kg": "$/kg",
    "_km_h": "km/h", "_kpa": "kPa", "_ha": "ha", "_mm": "mm", "_l": "L", "_kg": "kg", "per_reading": "$",
}  # fmt: skip
_SIGNS = (("ge", "≥"), ("gt", ">"), ("le", "≤"), ("lt", "<"))


@dataclass(frozen=True, kw_only=True)
class KeyOfFile:
    """One key of the field file."""

    path: str  # a table that may stand several times is written as one
    unit: str
    allowed: str  # range, choices or kind of value
    default: object  # None where it is found, or nothing
    required: bool
    says: str


def keys_of_file(*, metric: bool = False) -> tuple[KeyOfFile, ...]:
    """Every key in the order of the settings.

    >>> next(one for one in keys_of_file() if one.path == "machine.swath_ft").unit
    'ft'
    """
    return tuple(_walk(Settings, "", metric))


def _walk(section: type, path: str, metric: bool) -> Iterator[KeyOfFile]:
    hints = get_type_hints(section, include_extras=True)
    for item in fields(section):
        name = "field" if item.name == "header" else item.name
        here = f"{path}.{name}" if path else name
        inner = _section_in(hints[item.name])
        if inner is not None:
            yield from _walk(inner, here, metric)
            continue
        twin, factor = metric_twin(here) if metric else (name, 1.0)
        default = None if item.default is MISSING else item.default
        if isinstance(default, float):
            default = METRIC_DEFAULTS.get(twin, round(default / factor, 4)) if metric else default
        yield KeyOfFile(
            path=f"{path}.{twin}" if path else twin, unit=_unit(twin), allowed=_allowed(hints[item.name], factor),
            default=default, required=item.default is MISSING and item.default_factory is MISSING, says=KEYS[here],
        )  # fmt: skip


def _section_in(kind: Any) -> type | None:
    """The section that a type holds, alone, optional or several times."""
    if isinstance(kind, type) and is_dataclass(kind):
        return kind
    if get_origin(kind) in (Union, types.UnionType, tuple):
        return next((found for part in get_args(kind) if (found := _section_in(part)) is not None), None)
    return None


def _unit(name: str) -> str:
    return next((unit for end, unit in sorted(_UNITS.items(), key=lambda one: -len(one[0])) if name.endswith(end)), "")


def _allowed(kind: Any, factor: float) -> str:
    """Range or choices, in the key's own unit."""
    if get_origin(kind) is Literal:
        return " | ".join(f'"{choice}"' for choice in get_args(kind))
    if get_origin(kind) in (Union, types.UnionType):
        return " or ".join(filter(None, (_allowed(part, factor) for part in get_args(kind) if part is not type(None))))
    if get_origin(kind) is Annotated:
        base, *limits = get_args(kind)
        if base not in (int, float):
            return _allowed(base, factor)
        signs = [f"{sign} {getattr(limit, name) / factor:.6g}" for limit in limits for name, sign in _SIGNS
                 if getattr(limit, name, None) is not None]  # fmt: skip
        return ", ".join(signs)
    if get_origin(kind) is tuple:
        return "list"
    return {str: "text", bool: "true or false", date: "date", float: "number", int: "whole number"}.get(
        kind, "names" if get_origin(kind) is dict else ""
    )


@app.command(help=_HELP)
def keys(
    section: Annotated[str | None, typer.Argument(metavar="[SECTION]", help="a section, as machine or layers")] = None,
    metric: Annotated[bool, typer.Option("--metric", help='keys and units of a file with units = "metric"')] = False,
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Print the keys, all or those of a section."""
    found = keys_of_file(metric=metric)
    if section is not None:
        named = section.strip("[]")
        found = tuple(one for one in found if f"{one.path}.".startswith(f"{named}."))
        if not found:
            problem = f"The field file has no section {section}."
            sections = dict.fromkeys(one.path.split(".")[0] for one in keys_of_file())
            raise OutOfRangeError(problem, f"Give one of {', '.join(sections)}.")
    if json_:
        say_json([
            {"key": one.path, "unit": one.unit, "allowed": one.allowed, "default": _plain(one.default),
             "required": one.required, "says": one.says} for one in found
        ])  # fmt: skip
        return
    for one in found:
        default = "required" if one.required else "" if one.default in (None, "", ()) else f"= {_plain(one.default)}"
        say("  ".join(filter(None, (one.path, f"[{one.unit}]" if one.unit else "", one.allowed, default, one.says))))


def _plain(value: object) -> object:
    return str(value).lower() if isinstance(value, bool) else list(value) if isinstance(value, tuple) else value
