"""``vrn methods``: published methods, their sources, inputs and valid range."""

from typing import Annotated, Any

import typer

from vrn.cli.app import app, say, say_json
from vrn.nitrogen import Method, method, methods

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
        say_json([_plain(item) for item in chosen] if key is None else _plain(chosen[0]))
    elif key is None:
        width = max(len(item.key) for item in chosen)
        for item in chosen:
            say(f"{item.key:<{width}}  {item.title}. {item.region[0].upper()}{item.region[1:]}.")
    else:
        _say_one(chosen[0])


def _say_one(item: Method) -> None:
    say(f"{item.key}: {item.title}")
    say()
    for label, text in _facts(item):
        say(f"{label:<16}{text}")
    say()
    say("inputs")
    for name, meaning in _inputs(item):
        say(f"  {name:<30}{meaning}")
    say()
    given = ", ".join(f"{name} = {value}" for name, value in item.example.inputs.items())
    say(f"worked example  {given}")
    say(f"                need {item.example.need_lb_ac:g} lb/ac")
    say(f"                {item.example.source}")
    for caution in item.cautions:
        say(f"! {caution}")


def _facts(item: Method) -> list[tuple[str, str]]:
    what = {
        "remaining": "nitrogen to finish the crop",
        "sidedress": "a sidedress rate",
        "season": "a season total: what is already applied is subtracted (applied_lb_ac)",
    }
    stages = "not tied to a stage" if item.stages is None else f"{item.stages[0]} to {item.stages[1]}"
    depth = "no core of its own"
    if item.bottom_in is not None:
        least, most = item.bottom_in
        depth = f"0 to {least:g} in" if least == most else f"from the surface to between {least:g} and {most:g} in"
    return [
        ("formula", item.formula), ("answers", what[item.kind]), ("region", item.region), ("stage", stages),
        ("core", depth), ("ppm to lb/ac", item.factor), ("already holds", item.contains), ("source", item.source),
    ]  # fmt: skip


def _inputs(item: Method) -> list[tuple[str, str]]:
    rows = []
    for one in item.inputs:
        say_default = "required" if one.required else "optional" if one.default is None else f"{one.default:g}"
        memory = ", from memory" if one.from_memory else ""
        valid = "" if one.calibrated is None else f"; valid {one.calibrated[0]:g} to {one.calibrated[1]:g}"
        rows.append((one.name, f"{one.meaning} ({say_default}{memory}{valid})"))
    return rows


def _plain(item: Method) -> dict[str, Any]:
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
        "cautions": list(item.cautions),
    }  # fmt: skip
