"""The house stands: imports go one way, files and printing stay at the edges, rooms stay small."""

import ast
import functools
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "vrn"

# room → rooms it may import (DEVELOPERS.md, "Map of the house")
GROUND = {"errors", "units", "findings", "door"}
SCIENCE = GROUND | {"model", "surface", "nitrogen", "response", "zones", "prescription", "sampling"}
MAY_IMPORT = {
    "errors": set(),
    "units": set(),
    "findings": set(),
    "door": set(),
    "model": GROUND,
    "words": GROUND | {"model"},
    "ingest": GROUND | {"model"},
    "surface": GROUND | {"model"},
    "response": GROUND,
    "nitrogen": GROUND | {"response"},
    "zones": GROUND | {"model", "response"},
    "prescription": GROUND | {"model", "nitrogen", "response", "zones"},
    "sampling": SCIENCE - {"sampling"},
    "files": SCIENCE | {"words", ""},
    "pages": SCIENCE | {"words", "files", ""},
    "audit": GROUND | {"model"},
    "pipeline": SCIENCE | {"ingest", "files", "pages"},
    "many": SCIENCE | {"ingest", "pipeline", "files", "pages", "audit", "words", ""},
    "desk": SCIENCE | {"ingest", "pipeline", "files", "pages", "audit", "words", "many", ""},
}
FREE = {"cli", "", "__main__"}  # the command line and the front door see every room

MODULES = sorted(path for path in PACKAGE.rglob("*.py") if "demo_fields" not in path.parts)


def _dotted(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


KNOWN = {_dotted(module) for module in MODULES}


def _room(dotted: str) -> str:
    """Room of a module: ``vrn.zones.cut`` → ``zones``; the package itself → ``""``."""
    parts = dotted.split(".")
    return parts[1] if len(parts) > 1 else ""


@functools.cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def _is_type_checking(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test)


@functools.cache
def _imports(path: Path, *, typing_too: bool = True) -> set[str]:
    """Modules of this package that a file imports, at the top or inside a function."""
    found: set[str] = set()

    def visit(node: ast.AST) -> None:
        if not typing_too and _is_type_checking(node):
            return
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names if alias.name.split(".")[0] == "vrn")
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "vrn":
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                found.add(whole if whole in KNOWN else node.module)
        for child in ast.iter_child_nodes(node):
            visit(child)

    visit(_tree(path))
    return found


def test_imports_go_one_way() -> None:
    """A room imports only the rooms before it."""
    strangers = {
        f"{_dotted(path)} may not import {name}"
        for path in MODULES
        if (room := _room(_dotted(path))) not in FREE
        for name in _imports(path)
        if _room(name) not in MAY_IMPORT[room] | {room}
    }
    assert not strangers


def test_no_import_cycles() -> None:
    """No module imports itself through others, imports inside functions included."""
    edges = {_dotted(path): _imports(path, typing_too=False) - {_dotted(path)} for path in MODULES}
    done: set[str] = set()

    def walk(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " → ".join((*trail, name))
        if name in done:
            return
        for target in sorted(edges.get(name, ())):
            walk(target, (*trail, name))
        done.add(name)

    for name in edges:
        walk(name, ())


READS = re.compile(
    r"\b(read_text|read_bytes|rasterio\.open|read_csv|read_excel|read_file|read_dataframe|read_arrow|tomllib\.load|"
    r"ZipFile|sqlite3\.connect|shapefile\.Reader)\b"
)
WRITES = re.compile(
    r"\b(write_text|write_bytes|to_file|write_dataframe|shapefile\.Writer|copytree|copyfile|copy2|mkdir|rmtree|"
    r"os\.replace|os\.rename|unlink|savefig|mkdtemp|mkstemp)\b"
)
READ_ROOMS = {"ingest", "audit", "many", "desk"}
WRITE_ROOMS = {"files", "pages", "many", "desk"}


@functools.cache
def _calls(path: Path) -> list[str]:
    """Every call in a file as ``name(first argument and mode)``."""
    return [ast.unparse(node) for node in ast.walk(_tree(path)) if isinstance(node, ast.Call)]


def _opens(call: str) -> str | None:
    """``"r"`` or ``"w"`` when a call opens a file, None otherwise."""
    if not re.match(r"(open|io\.open|.*\.open)\(", call) or call.startswith(("rasterio.open", "webbrowser.open")):
        return None
    return "w" if re.search(r"['\"][wax]b?\+?['\"]", call) else "r"


def test_files_are_touched_at_the_edges_only() -> None:
    """Files are read in ingest, audit, many and desk, written in files, pages, many and desk; own data anywhere."""
    for path in MODULES:
        room = _room(_dotted(path))
        for call in _calls(path):
            name = call.split("(")[0]
            own_data = "files(" in call or "distribution(" in call
            if room not in READ_ROOMS | {"files", "pages"} and not own_data:
                assert not READS.search(name), f"{_dotted(path)} reads a file: {call[:90]}"
                assert _opens(call) != "r", f"{_dotted(path)} opens a file: {call[:90]}"
            if room not in WRITE_ROOMS:
                assert not WRITES.search(name), f"{_dotted(path)} writes a file: {call[:90]}"
                assert _opens(call) != "w", f"{_dotted(path)} opens a file to write: {call[:90]}"


def test_only_the_command_line_prints() -> None:
    """No room but cli prints or takes hold of the standard streams."""
    prints = re.compile(r"(print|sys\.stdout|sys\.stderr|typer\.echo)\b")
    rooms = [path for path in MODULES if _room(_dotted(path)) != "cli"]
    assert not [f"{_dotted(path)}: {call[:90]}" for path in rooms for call in _calls(path) if prints.match(call)]


LONGEST = 400
MOST_PUBLIC = 8
WIDE_DOORS = {"vrn.model.settings": "one noun for each section of the field file", "vrn.errors": "the error tree"}


def test_modules_stay_small() -> None:
    """A module opens with one sentence saying what it is for, and keeps to one thing."""
    for path in MODULES:
        tree = _tree(path)
        name = _dotted(path)
        assert ast.get_docstring(tree), f"{name} does not say what it is for"
        lines = len(path.read_text(encoding="utf-8").splitlines())
        assert lines <= LONGEST, f"{name} has {lines} lines; split it"
        public = [
            node.name
            for node in tree.body
            if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_")
        ]
        assert len(public) <= MOST_PUBLIC or name in WIDE_DOORS, f"{name} has {len(public)} public names: {public}"
        assert path.stem not in {"utils", "helpers", "misc", "common"}


UNITS = (
    "lb_ac", "lb_bu", "bu_ac", "gal_ac", "ac", "acres", "ppm", "pct", "in", "ft", "m", "m2", "cm", "deg", "mph", "s",
    "lb", "gal", "f", "c", "g_cm3", "lb_gal", "per_bu", "per_lb", "per_ac", "per_bushel_lb", "share", "share_left",
    "factor", "gal_min", "m_s", "lb_per_om_pct", "per_reading",
    "ha", "kg_ha", "t_ha", "l_ha", "weeks", "days", "years",
)  # fmt: skip


def _glossary() -> list[str]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## Glossary", 1)[1].split("\n## ", 1)[0]
    return re.findall(r"^\| `([a-z0-9_]+)`", section, flags=re.MULTILINE)


def test_glossary_names_end_in_their_unit() -> None:
    """Every quantity of the glossary carries its unit at the end, and the code uses that name."""
    names = _glossary()
    assert len(names) > 25
    code = "\n".join(path.read_text(encoding="utf-8") for path in MODULES)
    for name in names:
        assert name.endswith(tuple(f"_{unit}" for unit in UNITS)), f"{name} does not end in its unit"
        assert re.search(rf"\b{name}\b", code), f"{name} stands in the glossary and nowhere in the code"


UNITLESS = {"season", "count", "sections", "headland_rounds", "pairs", "zone", "turn_down", "weight", "share",
            "response_b", "response_c", "previous_crop", "manure", "irrigation_water", "other", "value",
            "days_to_incorporation", "curvature", "outline", "kink_weight", "kink_slope"}  # fmt: skip


def test_numbers_of_the_field_file_end_in_their_unit() -> None:
    """A number in the field file says its unit in its key, unless it has none or its table's docstring says it."""
    for node in ast.walk(_tree(PACKAGE / "model" / "settings.py")):
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            kind = ast.unparse(node.annotation)
            numeric = re.search(r"\b(float|int|Positive|NotNegative|Share|Percent|StandardDeviation)\b", kind)
            name = node.target.id
            if numeric and name not in UNITLESS:
                assert name in UNITS or name.endswith(tuple(f"_{unit}" for unit in UNITS)), (
                    f"{name} does not end in its unit"
                )


def test_import_vrn_is_light() -> None:
    """``import vrn`` loads no room, no command line, no map, no plot."""
    code = (
        "import sys, vrn; heavy = {'typer', 'rich', 'folium', 'matplotlib', 'geopandas', 'pandas', 'scipy', 'rasterio',"
        " 'pydantic', 'numpy', 'numba'}; print(sorted(heavy & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip() == "[]"


def test_one_reading_needs_no_map_library() -> None:
    """``vrn need`` answers without loading the libraries that make it slow."""
    code = (
        "import sys; from vrn.cli import main; "
        "status = main('need --ppm 13 --depth-in 12 --yield-goal 210 --stage V7 --om 2.6'.split()); "
        "heavy = {'folium', 'matplotlib', 'geopandas', 'pandas', 'scipy', 'rasterio', 'shapely'}; "
        "print('HEAVY', sorted(heavy & set(sys.modules)), status)"
    )
    shown = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert shown.stdout.strip().splitlines()[-1] == "HEAVY [] 0"


def test_top_level_is_the_design_card() -> None:
    """Seven visible entries and no other."""
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if tracked.returncode != 0:
        pytest.skip("not a git checkout")
    visible = {name.split("/")[0] for name in tracked.stdout.splitlines() if not name.startswith(".")}
    card = {"README.md", "DEVELOPERS.md", "pyproject.toml", "vrn", "tests", "demo_fields", "notebooks"}
    assert visible <= card, sorted(visible - card)
