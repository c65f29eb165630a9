"""``vrn keys`` and ``vrn methods``: what can be set, and by what rules the need can be worked out."""

from typing import Annotated, Final

import typer

from vrn.cli.app import app, say, say_json
from vrn.errors import OutOfRangeError
from vrn.findings import Quantity
from vrn.nitrogen import Method, method, methods
from vrn.nitrogen.method import Input
from vrn.words import UnitFormat, finding_texts
from vrn.words import say as sentence

_HELP = """List the keys of the field file, one a line: key, unit, range, default, and what it says.

Example:  vrn keys machine
"""


@app.command(help=_HELP)
def keys(
    section: Annotated[str | None, typer.Argument(metavar="[SECTION]", help="a section, as machine or layers")] = None,
    metric: Annotated[bool, typer.Option("--metric", help='keys and units of a file with units = "metric"')] = False,
    json_: Annotated[bool, typer.Option("--json", help="for a machine")] = False,
) -> None:
    """Print the keys, all or those of a section."""
    from vrn.desk.form import keys_of_file

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
