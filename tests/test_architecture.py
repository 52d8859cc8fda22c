"""The house: who may import whom, how large a room may grow, and what stays light."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "geofence"
GUIDE = Path(__file__).parent.parent / "DEVELOPERS.md"
FLOORS = (
    {"errors", "numeric", "registry", "folder", "toml_file", "packed", "units", "words"},
    {"engine"},
    {"site", "systems", "plan", "plan_parts", "plan_lines", "plan_rows", "plan_file", "placed_findings"}
    | {"stakeout_style", "glance"},
    {"inputs", "outputs"},
    {"planning"},
    {"planner", "finished", "crew_files", "inspection", "comparison", "sample", "screen"},
    {"cli", "__main__"},
)
"""A room may import from its own floor and those before it; ``inputs`` and ``outputs`` never from each other."""

ENGINE_MAY_USE = {*sys.stdlib_module_names, "numpy", "scipy", "geofence"}
CODE_LINES_MAX = {"engine": 270}
CODE_LINES_ELSEWHERE = 420
FUNCTION_LINES_MAX = 45
"""Code lines without docstrings, blanks and comments; 30 is the aim, and this the alarm."""


def modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def floor(name: str) -> int:
    return next(number for number, rooms in enumerate(FLOORS) if name in rooms)


def imported(path: Path) -> set[str]:
    """Absolute names of everything a module imports, wherever in it; type-checking imports left out."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    guarded = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    names: set[str] = set()
    for node in ast.walk(tree):
        if id(node) in guarded:
            continue
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names |= {f"{node.module}.{alias.name}" for alias in node.names} | {str(node.module)}
    return names


def own_rooms(path: Path) -> set[str]:
    names = (name.split(".") for name in imported(path) if name.startswith("geofence."))
    known = set().union(*FLOORS)
    return {parts[1] for parts in names if parts[1] in known}


def code_lines(node: ast.AST) -> int:
    """Lines that hold code: docstrings, blanks and comments left out."""
    held: set[int] = set()
    for inner in ast.walk(node):
        if isinstance(inner, ast.Expr) and isinstance(inner.value, ast.Constant) and isinstance(inner.value.value, str):
            continue
        if isinstance(inner, (ast.stmt, ast.expr, ast.arg)) and not isinstance(inner, ast.Constant):
            held.add(inner.lineno)
    return len(held)


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(PACKAGE)))
class TestEachModule:
    def test_imports_only_from_its_own_floor_and_those_below(self, path: Path) -> None:
        if path == PACKAGE / "__init__.py":
            assert (
                not imported(path)
                - {"__future__", "typing", "importlib", "__future__.annotations"}
                - {name for name in imported(path) if name.startswith(("typing.", "importlib."))}
            )
            return
        above = {other for other in own_rooms(path) if floor(other) > floor(room(path))}
        assert not above

    def test_inputs_and_outputs_are_strangers(self, path: Path) -> None:
        strangers = {"inputs": "outputs", "outputs": "inputs"}
        assert strangers.get(room(path)) not in own_rooms(path)

    def test_engine_knows_numbers_only(self, path: Path) -> None:
        if room(path) == "engine":
            assert {name.split(".")[0] for name in imported(path)} <= ENGINE_MAY_USE

    def test_module_and_functions_stay_small(self, path: Path) -> None:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        assert code_lines(tree) <= CODE_LINES_MAX.get(room(path), CODE_LINES_ELSEWHERE)
        for node in ast.walk(tree):
            if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
                assert code_lines(node) <= FUNCTION_LINES_MAX, node.name


def test_every_room_has_a_floor() -> None:
    rooms = {room(path) for path in modules()} - {"__init__"}
    assert rooms == set().union(*FLOORS)


def named_in_the_guide() -> set[str]:
    """Modules in the guide's table of rooms; a folder counts for the names after it in a row."""
    named: set[str] = set()
    for row in GUIDE.read_text(encoding="utf-8").splitlines():
        folder = ""
        for name in re.findall(r"`([\w/]+)`", row.split("|")[1]) if row.startswith("| `") else ():
            folder = name.rpartition("/")[0] or folder
            named.add(f"{folder}/{name.rpartition('/')[2]}".removeprefix("/"))
    return named


def test_the_guide_names_every_module_but_those_that_it_tells_by_their_group() -> None:
    there = {path.relative_to(PACKAGE).with_suffix("").as_posix() for path in modules() if path.stem != "__init__"}
    by_group = {name for name in there if name.startswith(("inputs/", "systems/"))}
    named = named_in_the_guide()
    assert there - by_group <= named
    assert named <= there


@pytest.mark.parametrize(
    ("statement", "heavy"),
    [
        ("import geofence", {"numpy", "pandas", "rasterio", "folium", "pydantic", "typer", "rich", "scipy", "pyproj"}),
        ("import geofence.cli", {"numpy", "pandas", "rasterio", "folium", "pydantic", "scipy", "shapely", "pyproj"}),
        ("import geofence.engine.fence", {"pandas", "rasterio", "folium", "pydantic", "shapely", "pyproj"}),
    ],
)
def test_imports_stay_light(statement: str, heavy: set[str]) -> None:
    code = f"import sys; {statement}; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.split()
    assert not heavy & set(loaded)
