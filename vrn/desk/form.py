"""The field file as a form, made from the settings' types: every key with label, unit, range, default and its value."""

import types
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, field, fields, is_dataclass, replace
from datetime import date
from functools import cache, partial
from typing import Annotated, Any, Final, Literal, Union, get_args, get_origin, get_type_hints

from anyio import to_thread
from pydantic import TypeAdapter, ValidationError
from starlette.requests import Request
from starlette.responses import Response

from vrn.desk.edit import digest_of
from vrn.desk.session import Place, desk_of, page, place_of, seen
from vrn.ingest.field_file import METRIC_DEFAULTS
from vrn.model.metric_keys import metric_twin
from vrn.model.settings import Settings
from vrn.pages.field_page import STAGES
from vrn.prescription.products import PRODUCTS
from vrn.words import UnitFormat, say
from vrn.words.keys import KEYS

_UNITS = {  # how a name ends → its unit
    "_bu_ac": "bu/ac", "_n_lb_ac": "lb N/ac", "_lb_ac_per_ppm_in": "lb/ac per ppm and in",
    "_lb_per_om_pct": "lb/ac per %",
    "_lb_ac": "lb/ac", "_lb_gal": "lb/gal", "_gal_min": "gal/min", "_g_cm3": "g/cm³", "_lb_bu": "lb/bu",
    "_per_bu": "$/bu", "_lb_per_1000_gal": "lb per 1,000 gal",
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
    plain: str = ""  # path in trade names, as words and settings know it
    factor: float = 1.0  # one of its units in the trade's
    hint: Any = field(default=None, repr=False)  # its type


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
            plain=here, factor=factor, hint=hints[item.name],
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
        bounds = [(sign, getattr(limit, name) / factor) for limit in limits for name, sign in _SIGNS
                  if getattr(limit, name, None) is not None]  # fmt: skip
        ends = [f"{bound:.{7 if bound >= 1e5 else 6}g}" for _, bound in bounds]
        if [sign for sign, _ in bounds] == ["≥", "≤"]:
            return " to ".join(ends)
        return ", ".join(f"{sign} {end}" for (sign, _), end in zip(bounds, ends, strict=True))
    if get_origin(kind) is tuple:
        return "list"
    return {str: "text", bool: "true or false", date: "date", float: "number", int: "whole number"}.get(
        kind, "names" if get_origin(kind) is dict else ""
    )


Kind = Literal["number", "text", "choice", "date", "list", "names"]
_LEFT_OUT: Final = ("review", "field.id")  # signed and set elsewhere, or made once
_SEVERAL: Final = ("field.no_apply", "samples.leave_out", "applications", "layers.extra",
                   "product.blend")  # tables that repeat  # fmt: skip
_BACK: Final = {"field": "", "readings": "/readings", "layers": "/layers", "zones": "/zones"}
_YES: Final = {True: "true", False: "false"}


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One line of the form: where it is in the file, what it asks, and what stands there now."""

    name: str  # its path, a table's place in a list as a number: applications.0.date
    label: str
    says: str
    unit: str
    allowed: str
    kind: Kind
    value: str = ""
    default: str = ""
    choices: tuple[tuple[str, str], ...] = ()
    needed: bool = False
    wrong: str = ""
    key: KeyOfFile = field(repr=False)


@dataclass(frozen=True, kw_only=True)
class FormSection:
    """A table of the field file with its lines."""

    key: str
    title: str
    entries: tuple[Entry, ...]

    @property
    def filled(self) -> bool:
        """Whether the file says anything of it."""
        return any(one.value for one in self.entries)


def form_of(raw: Mapping[str, Any], typed: Mapping[str, str] | None = None) -> tuple[FormSection, ...]:
    """The whole form for the tables of a field file; what was typed and not taken goes before what the file says."""
    metric = raw.get("units") == "metric"
    shown = UnitFormat(metric=metric)
    sections: dict[str, list[Entry]] = {}
    for key in _keys(metric):
        if key.plain.startswith(_LEFT_OUT):
            continue
        section = key.path.partition(".")[0] if "." in key.path else "field"
        for path in _places(raw, key):
            entry = _entry(raw, key, path, shown)
            if typed is not None and entry.name in typed:
                entry = replace(entry, value=typed[entry.name])
                entry = replace(entry, wrong=_parsed(entry, shown)[1])
            sections.setdefault(section, []).append(entry)
    return tuple(
        FormSection(key=name, title=say(shown, f"desk.section-{name.replace('_', '-')}"), entries=_in_rows(entries))
        for name, entries in sections.items()
    )


def changes_of(
    raw: Mapping[str, Any], typed: Mapping[str, str]
) -> tuple[dict[tuple[str | int, ...], Any], dict[str, str]]:
    """What a filled-in form changes of the file's tables, and what is wrong in it, by the name of the line."""
    shown = UnitFormat(metric=raw.get("units") == "metric")
    changes: dict[tuple[str | int, ...], Any] = {}
    wrong: dict[str, str] = {}
    for entry in (one for section in form_of(raw) for one in section.entries):
        if entry.name not in typed or typed[entry.name].strip() == entry.value:
            continue
        value, fault = _parsed(replace(entry, value=typed[entry.name]), shown)
        if fault:
            wrong[entry.name] = fault
        else:
            changes[tuple(int(part) if part.isdecimal() else part for part in entry.name.split("."))] = value
    return changes, wrong


@cache
def _keys(metric: bool) -> tuple[KeyOfFile, ...]:
    return keys_of_file(metric=metric)


def _places(raw: Mapping[str, Any], key: KeyOfFile) -> Iterator[str]:
    """Paths at which a key stands, or may: in a table that repeats, one more than there are."""
    several = next((one for one in _SEVERAL if key.plain.startswith(f"{one}.")), None)
    if several is None:
        yield key.path
        return
    listed = _value_at(raw, several)
    if listed == "none":
        return
    for at in range((len(listed) if isinstance(listed, list) else 0) + 1):
        yield f"{several}.{at}.{key.path.removeprefix(several + '.')}"


def _in_rows(entries: list[Entry]) -> tuple[Entry, ...]:
    """Lines in their order; of a table that repeats one table after the other."""

    def place(entry: Entry) -> tuple[int, int]:
        numbers = [int(part) for part in entry.name.split(".") if part.isdecimal()]
        first = next(at for at, one in enumerate(entries) if _bare(one.name) == _bare(entry.name))
        return (numbers[0], first) if numbers else (-1, first)

    start = {name: at for at, name in reversed(list(enumerate(_table(one.name) for one in entries)))}
    return tuple(sorted(entries, key=lambda one: (start[_table(one.name)], *place(one))))


def _bare(name: str) -> str:
    return ".".join(part for part in name.split(".") if not part.isdecimal())


def _table(name: str) -> str:
    return name.split(".0.")[0] if ".0." in name else _bare(name).rpartition(".")[0]


def _value_at(raw: Any, path: str) -> Any:
    for part in path.split("."):
        if isinstance(raw, list) and part.isdecimal():
            raw = raw[int(part)] if int(part) < len(raw) else None
        elif isinstance(raw, Mapping):
            raw = raw.get(part)
        else:
            return None
    return raw


def _entry(raw: Mapping[str, Any], key: KeyOfFile, path: str, shown: UnitFormat) -> Entry:
    kind, choices = _kind_of(key, shown)
    number = next((int(part) + 1 for part in path.split(".") if part.isdecimal()), 0)
    label = say(shown, f"settings.{key.plain}") if key.plain in _labels() else key.plain
    return Entry(
        name=path, label=say(shown, "settings.numbered", name=label, number=str(number)) if number > 1 else label,
        says=key.says, unit=key.unit, allowed=key.allowed, kind=kind, choices=choices,
        value=_text(_value_at(raw, path)), default=dict(choices).get(_text(key.default), _text(key.default)),
        needed=key.required and number == 0, key=key,
    )  # fmt: skip


def _labels() -> Mapping[str, str]:
    from vrn.words.settings import SENTENCES

    return SENTENCES


def _kind_of(key: KeyOfFile, shown: UnitFormat) -> tuple[Kind, tuple[tuple[str, str], ...]]:
    kinds = [part for part in (get_args(key.hint) if get_origin(key.hint) in (Union, types.UnionType) else (key.hint,))
             if part is not type(None)]  # fmt: skip
    kind = kinds[0]
    while get_origin(kind) is Annotated:
        kind = get_args(kind)[0]
    if key.plain == "nitrogen.method":
        from vrn.nitrogen.catalogue import methods

        return "choice", tuple((method.key, method.title) for method in methods())
    if get_origin(kind) is Literal:
        from vrn.words.desk import SENTENCES

        codes = {one: f"choice-{str(one).replace('_', '-')}" for one in get_args(kind)}
        return "choice", tuple((str(one), say(shown, f"desk.{code}") if code in SENTENCES else str(one))
                               for one, code in codes.items())  # fmt: skip
    if kind is bool:
        return "choice", tuple((_YES[one], say(shown, f"settings.{word}")) for one, word in
                               ((True, "yes"), (False, "no")))  # fmt: skip
    if get_origin(kind) in (tuple, dict):
        return ("list" if get_origin(kind) is tuple else "names"), ()
    return ("number" if kind in (int, float) else "date" if kind is date else "text"), ()


def _text(value: Any) -> str:
    if value is None or value == ():
        return ""
    if isinstance(value, bool):
        return _YES[value]
    if isinstance(value, (list, tuple)):
        return "\n".join(_text(one) for one in value)
    if isinstance(value, Mapping):
        return "\n".join(f"{name} = {theirs}" for name, theirs in value.items())
    return f"{value:.10g}" if isinstance(value, float) else str(value)


def _parsed(entry: Entry, shown: UnitFormat) -> tuple[Any, str]:
    """What a line's text means in the file, None where it is empty, and what is wrong with it."""
    text = entry.value.strip()
    refused = say(shown, "desk.give", allowed=entry.allowed or entry.says, unit=entry.unit)
    if not text:
        return None, say(shown, "desk.needed") if entry.needed else ""
    try:
        value = _meant(entry, text)
        checked = value * entry.key.factor if entry.key.factor != 1.0 else value
        _adapter(entry.key.path).validate_python(tuple(checked) if isinstance(checked, list) else checked)
    except (ValueError, ValidationError, OverflowError):
        return None, refused
    return value, ""


def _meant(entry: Entry, text: str) -> Any:
    """Value of a line's text by the line's kind; ValueError if it is none."""
    if entry.kind == "number":
        number = float(text.replace(",", "").replace("−", "-"))
        if number != number or number in (float("inf"), float("-inf")):
            raise ValueError(text)
        return int(number) if number == int(number) else number
    if entry.kind == "date":
        return date.fromisoformat(text)
    if entry.kind == "choice" and {value for value, _ in entry.choices} == set(_YES.values()):
        return {"true": True, "false": False}[text] if text in _YES.values() else _refuse(text)
    if entry.kind == "choice" and text not in {value for value, _ in entry.choices}:
        return _refuse(text)
    if entry.kind == "list":
        return [line.strip() for line in text.splitlines() if line.strip()]
    if entry.kind == "names":
        pairs = [line.partition("=") for line in text.splitlines() if line.strip()]
        if not all(sign and name.strip() and theirs.strip() for name, sign, theirs in pairs):
            return _refuse(text)
        return {name.strip(): theirs.strip() for name, _, theirs in pairs}
    return text


def _refuse(text: str) -> Any:
    raise ValueError(text)


@cache
def _adapter(path: str) -> TypeAdapter[Any]:
    hint = next(one.hint for metric in (False, True) for one in _keys(metric) if one.path == path)
    return TypeAdapter(hint)


# what the form's page answers


def _settings(request: Request) -> Response:
    desk, place = desk_of(request), place_of(request)
    raw = desk.file(place).values()
    return _form_page(request, place, form_of(raw))


def _form_page(
    request: Request, place: Place, sections: tuple[FormSection, ...], *, status: int = 200, meanwhile: bool = False
) -> Response:
    desk = desk_of(request)
    return page(
        request, "settings.html", status=status, place=place, sections=sections, meanwhile=meanwhile,
        seen_digest=digest_of(desk.file(place).content), steps_back=len(desk.file(place).earlier),
        products=[one.name for one in PRODUCTS], stages=STAGES,
        terminal=(f"vrn keys  # edit {place.name}/field.toml", f"vrn check {place.name}/field.toml"),
    )  # fmt: skip


async def _save(request: Request) -> Response:
    """Write what was changed in the form; what is wrong, or was changed meanwhile, comes back with the form."""
    place = place_of(request)
    async with request.form(max_fields=2000) as form:
        typed = {name: value.replace("\r\n", "\n") for name, value in form.items() if isinstance(value, str)}
    return await to_thread.run_sync(partial(_saved, request, place, typed))


def _saved(request: Request, place: Place, typed: dict[str, str]) -> Response:
    file = desk_of(request).file(place)
    raw = file.values()
    changes, wrong = changes_of(raw, typed)
    if wrong:
        return _form_page(request, place, form_of(raw, typed), status=422)
    if not file.change(changes, seen=typed.get("seen", "")):
        return _form_page(request, place, form_of(raw, typed), status=409, meanwhile=True)
    back = typed.get("back", "settings")
    return seen(f"/fields/{place.name}{_BACK.get(back, '/settings')}?said=saved")


async def _undo(request: Request) -> Response:
    place = place_of(request)
    async with request.form() as form:
        done = desk_of(request).file(place).undo(seen=str(form.get("seen", "")))
    return seen(f"/fields/{place.name}?said={'undone' if done else 'changed-meanwhile'}")


ROUTES: Final = (
    ("GET", "/fields/{field}/settings", _settings), ("POST", "/fields/{field}/settings", _save),
    ("POST", "/fields/{field}/undo", _undo),
)  # fmt: skip
