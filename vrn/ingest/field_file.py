"""The field file: TOML to ``Settings``, with one error that lists every fault and its remedy."""

import functools
import json
import math
import re
import tomllib
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from vrn.errors import InputFileError
from vrn.ingest.keys import allowed_at, keys_of, nearest_key, unknown_keys
from vrn.model.metric_keys import metric_twin
from vrn.model.settings import Settings
from vrn.units import LB_AC_KG_HA

_STAGE = re.compile(r"preplant|VE|V([1-9]|1\d|2[0-5])|VT|R[1-6]")
METRIC_DEFAULTS = {"rate_step_n_kg_ha": 5.0}  # what a metric field file gets, where it is not the trade's default
_SAYS_APPLICATIONS = re.compile(r"^\s*applications\s*=", re.MULTILINE)
_LISTS_APPLICATIONS = re.compile(r"^\s*\[\[\s*applications\s*\]\]", re.MULTILINE)
_FILE_KEYS = {"file", "table", "boundary", "normals", "response_trial", "book"}
_LARGEST_FILE = 2_000_000  # bytes; a field file is a page of text


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong in a field file: the key path, the problem, the remedy."""

    key: str
    problem: str
    remedy: str


def read_settings(path: str | Path, *, review: str | Path | None = None) -> Settings:
    """
    Read and check a field file.

    Parameters
    ----------
    path : str or Path
        The ``field.toml``.
    review : str or Path, optional
        A file with a ``[review]`` table, as the map page saves it; its keys go before those of the field file.

    Raises
    ------
    InputFileError
        If the file cannot be read or holds any fault; the error lists all of them with key path and remedy.
    """
    path = Path(path)
    raw = load_toml(path)
    settings = settings_from(raw, shown=path.name)
    if review is None:
        return settings
    review = Path(review)
    added = load_toml(review)
    if set(added) != {"review"} or not isinstance(added["review"], dict):
        problem = f"{review.name}: it holds more or other than a table [review]."
        raise InputFileError(problem, "Give the file that the map page saved; other keys belong in the field file.")
    return settings_from({**raw, "review": {**raw.get("review", {}), **added["review"]}}, shown=review.name)


def settings_from(raw: dict[str, Any], *, shown: str = "field.toml") -> Settings:
    """
    Check the tables of a field file that was already parsed.

    Parameters
    ----------
    raw : dict
        As ``tomllib`` gives it.
    shown : str
        Name of the file in messages.

    Raises
    ------
    InputFileError
        If it holds any fault.

    Examples
    --------
    >>> settings = settings_from({
    ...     "field": {"name": "Ash Hill 3", "season": 2026, "boundary": "boundary.geojson"},
    ...     "crop": {"yield_goal_bu_ac": 210, "growth_stage": "v7"},
    ...     "samples": {"file": "samples.csv"},
    ... })
    >>> settings.crop.growth_stage
    'V7'
    """
    given = _nothing_applied(_with_stage_in_capitals(raw))
    metric = given.get("units") == "metric"
    faults: list[Fault] = []

    raw = _to_trade(given, faults) if metric else given
    faults += _unknown(raw, metric) + _not_finite(raw, "") + _contradictions(raw, metric)
    settings: Settings | None = None
    try:
        tables = {"header" if key == "field" else key: table for key, table in raw.items()}
        settings = _adapter().validate_json(json.dumps(tables, default=_plain), strict=True)
    except ValidationError as error:
        known = {fault.key for fault in faults}
        found = [_fault(item, given, metric) for item in error.errors()]
        faults += [fault for fault in found if fault.key not in known]
    if faults or settings is None:
        raise _refusal(shown, faults)
    return settings


@functools.cache
def _adapter() -> TypeAdapter[Settings]:
    """Made once: it takes longer than reading a field file."""
    return TypeAdapter(Settings)


def load_toml(path: Path) -> dict[str, Any]:
    """
    Read a TOML file; an InputFileError passes on the parser's line and column.

    Refuses what is not there, not text, or not TOML.
    """
    if path.is_dir():
        problem = f"{path} is a folder, not a field file."
        raise InputFileError(problem, f"Give the file itself, as {path / 'field.toml'}.")
    if path.exists() and not path.is_file():
        problem = f"{path} is not an ordinary file."
        raise InputFileError(problem, "Give a field.toml.")
    try:
        with path.open("rb") as file:
            data = file.read(_LARGEST_FILE + 1)
    except FileNotFoundError:
        problem = f"{path}: there is no such file."
        raise InputFileError(problem, "Check the path, or make a new field file with: vrn start DIR") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        problem = f"{path} cannot be read: {reason}."
        raise InputFileError(problem, "Check the path and the permissions of the file.") from None
    if len(data) > _LARGEST_FILE:
        problem = f"{path.name} is larger than {_LARGEST_FILE // 1_000_000} MB, which no field file is."
        raise InputFileError(problem, "Give the field.toml, not one of the files it names.")
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        problem = f"{path.name} is not UTF-8 text (byte {error.start + 1})."
        raise InputFileError(problem, "Save it as UTF-8 from a text editor.") from None
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        text = data.decode("utf-8-sig")
        if _SAYS_APPLICATIONS.search(text) and _LISTS_APPLICATIONS.search(text):
            problem = f"{path.name} says applications = … and lists [[applications]], too."
            raise InputFileError(
                problem, 'Keep the list; or keep applications = "none" if nothing was applied.'
            ) from None
        problem = f"{path.name} is not valid TOML: {str(error) or 'nested too deeply'}."
        remedy = "Fix that line; text needs quotes, and a Windows path needs / or 'single quotes'."
        raise InputFileError(problem, remedy) from None


def _to_trade(raw: dict[str, Any], faults: list[Fault]) -> dict[str, Any]:
    """A metric field file in trade names and units; a key given in both is a fault, an unknown one stays as it is."""

    def turned(table: dict[str, Any], path: str) -> dict[str, Any]:
        twins = {}
        for key in keys_of(path):
            name, factor = metric_twin(f"{path}.{key}" if path else key)
            twins[name] = (key, factor)
            if name != key and name in table and key in table:
                here = f"{path}.{name}" if path else name
                faults.append(Fault(key=here, problem=f"and {key} are the same thing.", remedy="Keep one of them."))
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
        machine.setdefault("rate_step_n_lb_ac", METRIC_DEFAULTS["rate_step_n_kg_ha"] / LB_AC_KG_HA)
    return trade


def _with_stage_in_capitals(raw: dict[str, Any]) -> dict[str, Any]:
    """``v8`` and `` V8`` mean V8; anything else is left for the check."""
    crop = raw.get("crop")
    if not isinstance(crop, dict) or not isinstance(crop.get("growth_stage"), str):
        return raw
    stage = crop["growth_stage"].strip()
    stage = stage.lower() if stage.lower() == "preplant" else stage.upper()
    return {**raw, "crop": {**crop, "growth_stage": stage}}


def _nothing_applied(raw: dict[str, Any]) -> dict[str, Any]:
    """``applications = "none"`` and ``[learning] use = false`` are empty lists; all else is left for the check."""
    said, learning = raw.get("applications"), raw.get("learning")
    if isinstance(learning, dict) and learning.get("use") is False:
        raw = {**raw, "learning": {**learning, "use": []}}
    none = isinstance(said, str) and said.strip().lower() == "none"
    return {**raw, "applications": []} if none else raw


def _plain(value: Any) -> str:
    """TOML dates as ISO 8601."""
    if isinstance(value, (date, datetime)):
        return value.isoformat()
    return str(value)


def _unknown(raw: dict[str, Any], metric: bool) -> list[Fault]:
    """Keys that no field file has, each with the nearest that it may have."""
    faults = []
    for path, siblings in unknown_keys(raw):
        table = re.sub(r"\[\d+\]", "", path).rpartition(".")[0]
        twins = {metric_twin(f"{table}.{key}" if table else key)[0]: key for key in siblings}
        name = path.rpartition(".")[2]
        if not metric and name in twins:
            remedy = f'Write {twins[name]}, or set units = "metric" at the top and give every key its metric unit.'
        else:
            names = list(twins) if metric else siblings
            near = nearest_key(path, names)
            remedy = f"Did you mean {near}?" if near else f"Known keys there: {', '.join(names)}."
        faults.append(Fault(key=path, problem="is not a known key.", remedy=remedy))
    return faults


def _not_finite(value: Any, path: str) -> list[Fault]:
    """NaN and infinity, which TOML can write and no key can use."""
    if isinstance(value, dict):
        return [f for key, item in value.items() for f in _not_finite(item, f"{path}.{key}" if path else str(key))]
    if isinstance(value, list):
        return [f for i, item in enumerate(value) for f in _not_finite(item, f"{path}[{i + 1}]")]
    if isinstance(value, float) and not math.isfinite(value):
        return [Fault(key=path, problem=f"is {value}, which is not a number.", remedy=f"Give {allowed_at(path)}.")]
    return []


def _fault(error: Any, given: dict[str, Any], metric: bool) -> Fault:
    """One of pydantic's errors in the words, and the units, of the field file."""
    path, location = "", list(error["loc"])
    location[:1] = ["field" if location[0] == "header" else location[0]]
    for part in location:
        path += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if path else str(part)
    value, factor = error["input"], 1.0
    if metric:
        table = path.rpartition(".")[0]
        name, factor = metric_twin(re.sub(r"\[\d+\]", "", path))
        allowed = allowed_at(path, factor=factor)
        path = f"{table}.{name}" if table else name
        value = _value_at(given, [*location[:-1], name], value)
    else:
        allowed = allowed_at(path)
    if error["type"] == "missing":
        return Fault(key=path, problem="is missing.", remedy=f"Add it: {allowed}.")
    if value == "":
        name = path.rpartition(".")[2]
        enter = "Enter the name of a file." if name in _FILE_KEYS else f"Give {allowed}."
        return Fault(key=path, problem="is empty.", remedy="Enter a name." if name == "name" else enter)
    shown = json.dumps(value, ensure_ascii=False, default=_plain)
    shown = shown if len(shown) <= 60 else f"{shown[:57]}…"
    return Fault(key=path, problem=f"is {shown}, which cannot be used.", remedy=f"Give {allowed}.")


def _value_at(given: Any, location: list[Any], otherwise: Any) -> Any:
    """What the file itself says at a place."""
    for part in location:
        inside = isinstance(given, dict) and part in given
        if not inside and not (isinstance(given, list) and isinstance(part, int) and part < len(given)):
            return otherwise
        given = given[part]
    return given


def _contradictions(raw: dict[str, Any], metric: bool) -> list[Fault]:
    """Keys that are each allowed and do not go together, and the leaf stage; beside every other fault."""
    faults: list[Fault] = []

    def fault(when: bool, key: str, problem: str, remedy: str) -> None:
        if when:
            faults.append(Fault(key=key, problem=problem, remedy=remedy))

    def above(section: str, least: str, greatest: str) -> None:
        low, high = at(f"{section}.{least}", float), at(f"{section}.{greatest}", float)
        names = [metric_twin(f"{section}.{key}")[0] if metric else key for key in (least, greatest)]
        fault(low is not None and high is not None and low > high, f"{section}.{names[0]}", f"is above {names[1]}.",
              "Check the two figures.")  # fmt: skip

    def at(path: str, kind: type = object) -> Any:
        value: Any = raw
        for key in path.split("."):
            value = value.get(key) if isinstance(value, dict) else None
        number = kind is float and isinstance(value, (int, float)) and not isinstance(value, bool)
        return value if number or isinstance(value, kind) else None

    stage = at("crop.growth_stage", str)
    fault(stage is not None and _STAGE.fullmatch(stage) is None, "crop.growth_stage",
          f'is "{stage}", which is not a leaf stage.' if stage else "is empty.",
          'Give the leaf-collar stage on the sampling date as "V8", or "VT", "R1", "preplant".')  # fmt: skip
    number = at("review.approved_id", str)
    fault(number is not None and re.fullmatch("[0-9a-f]{64}", number) is None, "review.approved_id",
          f"has {len(number or '')} characters and is no prescription's id.",
          "Copy the whole id, 64 digits and letters, from summary.json of what was approved.")  # fmt: skip
    organic = at("layers.organic_matter", dict)
    fault(organic is not None and ("file" in organic) == ("value_pct" in organic), "layers.organic_matter",
          "needs one of file and value_pct.", "Give file (with column), or value_pct, not both.")  # fmt: skip
    fault(organic is not None and organic.get("assumed") is True and "value_pct" not in organic,
          "layers.organic_matter.assumed", "goes with value_pct only.", "Remove it: a map is measured.")  # fmt: skip
    potential = at("layers.yield_potential", dict)
    if potential is not None:
        log = potential.get("kind") == "yield_log"
        fault(sum(key in potential for key in ("file", "files", "value")) != 1, "layers.yield_potential",
              "needs one of file, files and value.", "Give exactly one of them, or leave the table out.")  # fmt: skip
        fault(log and "value" in potential, "layers.yield_potential.value",
              "does not go with a harvester log, which is a file.", "Give file, or another kind.")  # fmt: skip
        columns = potential.get("year_columns")
        fault(columns is not None and (log or "file" not in potential or "column" in potential),
              "layers.yield_potential.year_columns", "goes with file, without column, and not with harvester logs.",
              "Name the columns of one file there; harvester logs say their years themselves.")  # fmt: skip
        fault(isinstance(columns, list) and len({str(one) for one in columns}) < max(len(columns), 2),
              "layers.yield_potential.year_columns", "needs two different columns or more.",
              "Name each year's column once; one alone is column.")  # fmt: skip
        fault(not log and "files" in potential, "layers.yield_potential.files", 'needs kind = "yield_log".',
              "Give file, or set the kind.")  # fmt: skip
    if at("zones.by") == "cells":  # a rate for every step leaves nothing to count, to bring along, or to set by hand
        for key, remedy in {
            "zones.count": "Leave it out, or take out by.", "zones.file": "Leave it out, or take out by.",
            "review.override": "Set rates by hand on zones: take out zones.by.",
            "check_strips": "Strips lie in zones: take out zones.by.",
            "trial": "A trial lies in zones: take out zones.by.",
        }.items():  # fmt: skip
            fault(at(key) is not None, key, 'does not go with zones.by = "cells".', remedy)
    for pounds, table in (("manure", "manure_spread"), ("irrigation_water", "water")):
        fault(bool(at(f"credits.{pounds}", float)) and at(f"credits.{table}", dict) is not None, f"credits.{pounds}",
              f"and [credits.{table}] would credit the same nitrogen twice.",
              "Give the amount, or the table it is worked out from, not both.")  # fmt: skip
    above("machine", "min_rate_n_lb_ac", "max_rate_n_lb_ac")
    above("machine", "min_speed_mph", "max_speed_mph")
    above("job", "min_psi", "max_psi")
    fault((at("job.nozzle_psi") is None) != (at("job.nozzle_flow_gal_min") is None), "job.nozzle_psi",
          "goes with nozzle_flow.", "Give the flow of one outlet with water, and its pressure.")  # fmt: skip
    fault(bool(at("review.approved_by")) != bool(at("review.approved_on")), "review",
          "needs both approved_by and approved_on.", "Give both, or neither for a DRAFT.")  # fmt: skip
    fault(at("samples.water_pct") is not None and at("samples.moisture_basis") == "dry", "samples.water_pct",
          "has no use on a dry basis.", 'Leave it out, or set moisture_basis = "moist".')  # fmt: skip
    return faults


def _refusal(shown: str, faults: list[Fault]) -> InputFileError:
    if len(faults) == 1:
        return InputFileError(f"{shown}: {faults[0].key} {faults[0].problem}", faults[0].remedy)
    lines = "".join(f"\n  {fault.key} {fault.problem} {fault.remedy}" for fault in faults)
    return InputFileError(f"{shown} has {len(faults)} faults:{lines}", f"Fix them in {shown} and try again.")
