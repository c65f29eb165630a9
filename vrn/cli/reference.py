"""``vrn keys`` and ``vrn methods``: what can be set, and by what rules the need can be worked out."""

import types
from collections.abc import Iterator
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import date
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

import typer

from vrn.cli.app import app, say, say_json
from vrn.errors import OutOfRangeError
from vrn.findings import Quantity
from vrn.ingest.field_file import METRIC_DEFAULTS
from vrn.model.metric_keys import metric_twin
from vrn.model.settings import Settings
from vrn.nitrogen import Method, method, methods
from vrn.nitrogen.method import Input
from vrn.words import UnitFormat, finding_texts
from vrn.words import say as sentence
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


TRADE: Final = UnitFormat(metric=False)  # what the methods are written in
_HELP = """Published methods: formula, source, inputs, valid range, and a worked example.

Example:  vrn methods iowa-lsnt
"""


@app.command("methods", help=_HELP)
def methods_command(
    key: Annotated[str | None, typer.Argument(metavar="[KEY]", help="one method in full")] = None,
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """List every method, or print one in full."""
    chosen = methods() if key is None else (method(key),)
    if json_:
        say_json([_method_json(item) for item in chosen] if key is None else _method_json(chosen[0]))
    elif key is None:
        width = max(len(item.key) for item in chosen)
        for item in chosen:
            region = f"{item.region[0].upper()}{item.region[1:]}"
            say(f"{item.key:<{width}}  {sentence(TRADE, 'methods.one-listed', title=item.title, region=region)}")
    else:
        _say_one(chosen[0])


def _say_one(item: Method) -> None:
    say(sentence(TRADE, "methods.one-head", method=item.key, title=item.title))
    say()
    for name, text in _facts(item):
        say(f"{sentence(TRADE, f'methods.one-{name}'):<16}{text}")
    say()
    say(sentence(TRADE, "methods.one-inputs"))
    for one in item.inputs:
        say(f"  {one.name:<30}{_meaning(one)}")
    say()
    given = ", ".join(f"{name} = {value}" for name, value in item.example.inputs.items())
    need = Quantity("number", item.example.need_lb_ac)
    say(f"{sentence(TRADE, 'methods.one-example'):<16}{given}")
    say(f"{'':<16}{sentence(TRADE, 'methods.one-example-need', need=need, unit=TRADE.unit('amount'))}")
    say(f"{'':<16}{item.example.source}")
    for caution in finding_texts(TRADE, item.cautions):
        say(f"! {caution.problem} {caution.remedy}")


def _facts(item: Method) -> list[tuple[str, str]]:
    stages, core = sentence(TRADE, "methods.one-any-stage"), sentence(TRADE, "methods.one-no-core")
    if item.stages is not None:
        stages = sentence(TRADE, "methods.one-stages", first=item.stages[0], last=item.stages[1])
    if item.bottom_in is not None:
        least, most = (Quantity("depth", end) for end in item.bottom_in)
        name = "methods.one-core-depth" if least == most else "methods.one-core-depths"
        core = sentence(TRADE, name, least=least, most=most)
    return [
        ("formula", item.formula), ("answers", sentence(TRADE, f"methods.one-{item.kind}")), ("region", item.region),
        ("stage", stages), ("core", core), ("factor", item.factor), ("contains", item.contains),
        ("source", item.source),
    ]  # fmt: skip


def _meaning(one: Input) -> str:
    if one.required or one.default is None:
        text = sentence(TRADE, f"methods.one-input-{'required' if one.required else 'optional'}", meaning=one.meaning)
    else:
        name = "methods.one-input-from-memory" if one.from_memory else "methods.one-input-default"
        text = sentence(TRADE, name, meaning=one.meaning, value=Quantity("number", one.default))
    if one.calibrated is None:
        return text
    low, high = (Quantity("number", end) for end in one.calibrated)
    return f"{text}; {sentence(TRADE, 'methods.one-input-range', low=low, high=high)}"


def _method_json(item: Method) -> dict[str, object]:
    return {
        "key": item.key, "title": item.title, "formula": item.formula, "region": item.region, "source": item.source,
        "factor": item.factor, "contains": item.contains, "kind": item.kind,
        "stages": None if item.stages is None else list(item.stages),
        "bottom_in": None if item.bottom_in is None else list(item.bottom_in),
        "inputs": [
            {
                "name": one.name, "meaning": one.meaning, "required": one.required, "default": one.default,
                "from_memory": one.from_memory, "calibrated": None if one.calibrated is None else list(one.calibrated),
            }
            for one in item.inputs
        ],
        "example": {
            "inputs": dict(item.example.inputs), "need_lb_ac": item.example.need_lb_ac, "source": item.example.source,
        },
        "cautions": [text.problem for text in finding_texts(TRADE, item.cautions)],
    }  # fmt: skip
