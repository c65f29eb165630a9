"""What the field file may hold, read off the settings' own types: known keys, allowed values, the nearest name."""

import difflib
import re
import types
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import date
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from annotated_types import Ge, Gt, Le, Lt

from vrn.model.settings import Settings

_MOST_COMPARED = 500  # names


@cache
def _hints(table: type) -> dict[str, Any]:
    """Key → type of one table."""
    hints = get_type_hints(table, include_extras=True)
    return {"field" if item.name == "header" else item.name: hints[item.name] for item in fields(table)}


def _bare(hint: Any) -> Any:
    """A type without ``| None``."""
    if get_origin(hint) in (Union, types.UnionType):
        (one,) = (part for part in get_args(hint) if part is not type(None))
        return one
    return hint


def _table(hint: Any) -> type | None:
    """The settings class behind a type that is a table or a list of tables."""
    hint = _bare(hint)
    if get_origin(hint) is tuple:
        hint = get_args(hint)[0]
    return hint if isinstance(hint, type) and is_dataclass(hint) else None


def unknown_keys(raw: dict[str, Any]) -> list[tuple[str, list[str]]]:
    """
    Keys of a parsed field file that no settings have: each key path, and the keys known at that place.

    Examples
    --------
    >>> unknown_keys({"machine": {"swath_feet": 60}})[0][0]
    'machine.swath_feet'
    """
    return list(_unknown(Settings, raw, ""))


def _unknown(table: type, raw: dict[str, Any], path: str) -> Iterator[tuple[str, list[str]]]:
    hints = _hints(table)
    for key, value in raw.items():
        here = f"{path}.{key}" if path else key
        if key not in hints:
            yield here, list(hints)
            continue
        inner = _table(hints[key])
        if inner is None:
            continue
        if isinstance(value, dict):
            yield from _unknown(inner, value, here)
        elif isinstance(value, list):
            for i, item in enumerate(value):
                if isinstance(item, dict):
                    yield from _unknown(inner, item, f"{here}[{i + 1}]")


@cache
def _everywhere() -> dict[str, str]:
    """Every key of the field file → the path where it lives (the first, where several tables have it)."""
    places: dict[str, str] = {}

    def walk(table: type, path: str) -> None:
        for key, hint in _hints(table).items():
            here = f"{path}.{key}" if path else key
            places.setdefault(key, here)
            inner = _table(hint)
            if inner is not None:
                walk(inner, here)

    walk(Settings, "")
    return places


def nearest_key(path: str, siblings: list[str]) -> str | None:
    """
    The known key that an unknown key path most resembles: a sibling's bare name, else the path of a key elsewhere.

    Examples
    --------
    >>> nearest_key("crop.yield_gaol_bu_ac", ["yield_goal_bu_ac", "growth_stage"])
    'yield_goal_bu_ac'
    >>> nearest_key("field.growth_stage", ["name", "season", "boundary"])
    'crop.growth_stage'
    """
    key = path.rsplit(".", 1)[-1]
    if key in _everywhere():
        return _everywhere()[key]
    near = nearest(key, siblings)
    if near is not None:
        return near
    near = nearest(key, list(_everywhere()), likeness=0.8)
    return _everywhere()[near] if near is not None else None


def nearest(word: str, known: list[str], *, likeness: float = 0.6) -> str | None:
    """
    The known word that a word most resembles, whole or as the beginning of it; of many, the first 500 are compared.

    Examples
    --------
    >>> nearest("yeild", ["growth_stage", "yield_goal_bu_ac"])
    'yield_goal_bu_ac'
    >>> nearest("tillage", ["growth_stage", "yield_goal_bu_ac"]) is None
    True
    """

    def likeness_of(other: str) -> float:
        whole = difflib.SequenceMatcher(None, word.lower(), other.lower()).ratio()
        start = difflib.SequenceMatcher(None, word.lower(), other.lower()[: len(word)]).ratio()
        return max(whole, start if len(word) >= 4 or other.lower().startswith(word.lower()) else 0.0)

    best = max(known[:_MOST_COMPARED], key=likeness_of, default=None)
    return best if best is not None and likeness_of(best) >= likeness else None


def keys_of(path: str) -> list[str]:
    """Keys that the table at a path may hold; none where it is no table of known keys."""
    hint: Any = Settings
    for key in path.split(".") if path else ():
        table = _table(hint)
        if table is None or key not in _hints(table):
            return []
        hint = _hints(table)[key]
    table = _table(hint)
    return list(_hints(table)) if table is not None else []


def allowed_at(path: str, *, factor: float = 1.0) -> str:
    """
    What may stand at a key path, in words; ``factor`` is what one unit of the reader's is in units of the key.

    Examples
    --------
    >>> allowed_at("crop.yield_goal_bu_ac")
    'a number from 20 to 450'
    >>> allowed_at("samples.reported_as")
    'one of "NO3-N", "NO3"'
    """
    hint: Any = Settings
    for key in re.sub(r"\[\d+\]", "", path).split("."):
        if get_origin(hint) is dict:
            return _SIMPLE[str]
        table = _table(hint)
        if table is None or key not in _hints(table):
            break
        hint = _hints(table)[key]
    if path == "applications":
        return 'tables headed [[applications]], or "none" if nothing was applied'
    return _words(_bare(hint), re.sub(r"\[\d+\]", "", path), listed=path.endswith("]"), factor=factor)


_SIMPLE = {
    bool: "true or false",
    str: "text in quotes",
    float: "a number",
    int: "a whole number",
    date: "a date as 2026-06-18",
}


def _words(hint: Any, path: str, *, listed: bool = False, factor: float = 1.0) -> str:
    origin = get_origin(hint)
    if origin is Annotated:
        base, *limits = get_args(hint)
        return _SIMPLE[base] + _range(limits, factor)
    if origin is Literal:
        return "one of " + ", ".join(f'"{choice}"' for choice in get_args(hint))
    if origin is tuple:
        inner = get_args(hint)[0]
        if listed and not _table(inner):
            return _words(inner, path)
        if inner is float or get_origin(inner) is tuple:
            return "a list of numbers, as the map saves it"
        return f"tables headed [[{path}]]" if _table(inner) else 'a list of texts, as ["a", "b"]'
    if origin is dict:
        return f"a table [{path}] of texts"
    if _table(hint) is not None:
        return f"a table headed [{path}]"
    return _SIMPLE.get(hint, "another value")


def _range(limits: list[Any], factor: float) -> str:
    """Limits of a number in words; the far ends that only guard against nonsense stay unsaid."""
    low = next((limit for limit in limits if isinstance(limit, (Ge, Gt))), None)
    high = next((limit for limit in limits if isinstance(limit, (Le, Lt))), None)

    def shown(limit: Any) -> str:
        return f"{float(limit) / factor:,.4g}"

    if isinstance(low, Ge) and isinstance(high, Le):
        return f" from {shown(low.ge)} to {shown(high.le)}"
    words = []
    if low is not None:
        words.append(f"of at least {shown(low.ge)}" if isinstance(low, Ge) else f"above {shown(low.gt)}")
    if high is not None:
        words.append(f"up to {shown(high.le)}" if isinstance(high, Le) else f"below {shown(high.lt)}")
    return " " + " and ".join(words) if words else ""
