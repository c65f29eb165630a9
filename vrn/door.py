"""What a noun offers at the library's door: a short card at the prompt, and methods that a later room carries out."""

import gc
import sys
from importlib import import_module
from typing import Any, Final

_MOST_ITEMS: Final = 4
_LONGEST: Final = 80
_CARRIED_OUT_BY: dict[str, tuple[str, str]] = {}


def offer(methods: dict[str, tuple[str, str]]) -> None:
    """Say which module and function carry out a noun's method, so that the noun itself imports no later room."""
    _CARRIED_OUT_BY.update(methods)


def call(method: str, *given: Any, **named: Any) -> Any:
    """Carry out a method that was offered; its module is imported now."""
    module, function = _CARRIED_OUT_BY[method]
    return getattr(import_module(module), function)(*given, **named)


def lighten() -> None:
    """Make a process of the tool's own start and run lighter; never one that belongs to someone else.

    pyogrio loads what is named here where it finds it: half a second for nothing used. A command is soon over: looking
    for cycles as often as by default costs a sixth.
    """
    for name in ("geopandas", "pandas", "pyarrow"):
        sys.modules.setdefault(name, None)  # type: ignore[arg-type]  # None: Python's own way to say "not here"
    gc.set_threshold(20_000, 50, 50)


def card(title: str, *rows: str) -> str:
    """A noun in a few lines: a title, then a line for each row that says something.

    >>> print(card("Surface nitrate_ppm", "4.0 to 22.5, mean 12.1", ""))
    Surface nitrate_ppm
      4.0 to 22.5, mean 12.1
    """
    return "\n  ".join((title, *(row for row in rows if row)))


def span(values: Any, *, unit: str = "") -> str:
    """Least and greatest of many numbers, and how many are unknown.

    >>> span([3.0, float("nan"), 12.25]), span([5.0, 5.0], unit="lb/ac")
    ('3 to 12.25 (1 of 3 unknown)', '5 lb/ac')
    """
    import numpy as np

    numbers = np.asarray(values, dtype=float).reshape(-1)
    known = numbers[np.isfinite(numbers)]
    if not known.size:
        return "unknown"
    low, high = (f"{number:.4g}" for number in (known.min(), known.max()))
    unit = f" {unit}" if unit else ""
    unknown = f" ({numbers.size - known.size:,} of {numbers.size:,} unknown)" if known.size < numbers.size else ""
    return (low if low == high else f"{low} to {high}") + unit + unknown


def brief(noun: Any) -> str:
    """A dataclass with its arrays, outlines and long lists told by size and range: made to be a ``__repr__``."""
    parts = (f"{name}={_brief(getattr(noun, name))}" for name in noun.__dataclass_fields__ if not name.startswith("_"))
    return f"{type(noun).__name__}({', '.join(parts)})"


def _brief(value: Any) -> str:
    if hasattr(value, "geom_type"):
        return f"<{value.geom_type}>"
    if hasattr(value, "dtype") and value.shape:
        shape = " × ".join(f"{size:,}" for size in value.shape)
        return f"<{shape}: {span(value)}>" if value.dtype.kind in "fiu" else f"<{shape}>"
    if isinstance(value, (tuple, list, dict)) and len(value) > _MOST_ITEMS:
        return f"<{len(value):,} items>"
    if isinstance(value, (tuple, list)):
        return f"({', '.join(_brief(item) for item in value)})"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{key}: {_brief(item)}' for key, item in value.items())}}}"
    shown = f"{value:.6g}" if isinstance(value, float) else " ".join(repr(value).split())
    return shown if len(shown) <= _LONGEST else f"{shown[:_LONGEST]}…"
