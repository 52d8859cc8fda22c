"""The page's table of findings holds every code that the package can give, with its severities."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator
from typing import get_args

import pytest

from geofence.engine.records import BayKind, PostKind
from geofence.plan import SEVERITIES
from tests.docs.pages import ROOT, section

PAGE = ROOT / "docs" / "conventions.md"


def constants(value: ast.expr | None) -> set[str]:
    """The texts that an expression may come to, as far as they stand there: ``"a"``, or ``"a" if so else "b"``."""
    if isinstance(value, ast.IfExp):
        return constants(value.body) | constants(value.orelse)
    return {value.value} if isinstance(value, ast.Constant) and isinstance(value.value, str) else set()


def makers(module: ast.Module) -> dict[str, int | None]:
    """Functions that are given a finding's code, and its place among their arguments; None where it goes by name."""
    found: dict[str, int | None] = {}
    for function in ast.walk(module):
        if isinstance(function, ast.FunctionDef):
            names = [argument.arg for argument in function.args.args]
            if "code" in names:
                found[function.name] = names.index("code")
            elif "code" in [argument.arg for argument in function.args.kwonlyargs]:
                found[function.name] = None
    return found


def is_finding(function: ast.expr) -> bool:
    return isinstance(function, ast.Name) and function.id.lower() == "finding"


def given(module: ast.Module) -> Iterator[tuple[str, set[str]]]:
    """Codes with their severities, as far as these stand beside them."""
    by_place = makers(module)
    for node in ast.walk(module):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
            continue
        words = {keyword.arg: keyword.value for keyword in node.keywords}
        codes = constants(words.get("code")) if is_finding(node.func) else set()
        if node.func.id in by_place:
            place = by_place[node.func.id]
            codes = constants(words.get("code") if place is None else node.args[place])
        for code in codes:
            yield code, constants(words.get("severity"))


@pytest.fixture(scope="module")
def known() -> dict[str, set[str]]:
    """Every code in the package, and the severities that stand beside it."""
    codes: dict[str, set[str]] = defaultdict(set)
    for file in sorted((ROOT / "geofence").rglob("*.py")):
        for code, severities in given(ast.parse(file.read_text(encoding="utf-8"))):
            codes[code] |= severities
    return codes


@pytest.fixture(scope="module")
def told() -> dict[str, list[str]]:
    """The rows of the page's table: code to severity, meaning, remedy."""
    rows = [line.strip("| ").split(" | ") for line in section(PAGE, "Findings").splitlines() if line.startswith("| `")]
    assert all(len(row) == 4 for row in rows)
    return {row[0].strip("`"): row[1:] for row in rows}


def test_every_code_is_told_and_no_other(known: dict[str, set[str]], told: dict[str, list[str]]) -> None:
    assert sorted(told) == sorted(known)


def test_severities_are_those_of_the_package(known: dict[str, set[str]], told: dict[str, list[str]]) -> None:
    for code, (severity, _, _) in told.items():
        words = severity.split(", ")
        assert set(words) <= set(SEVERITIES), code
        assert known[code] <= set(words), code
        assert not known[code] or set(words) == known[code] or len(words) > 1, code


def test_each_has_a_meaning_and_a_remedy(told: dict[str, list[str]]) -> None:
    assert all(meaning and remedy for _, meaning, remedy in told.values())


def test_the_search_finds_each_way_of_making_one() -> None:
    text = (
        "def _note(message, code):\n    return Finding(code=code, severity='note')\n"
        "Finding(code='a' if x else 'b', severity='stop')\nfinding(code='c')\n_note('m', 'd')\nGrid(code='e')\n"
        "def _said(*, code, severity):\n    return Finding(code=code, severity=severity)\n"
        "_said(code='f', severity='warn')\n"
    )
    known = {"a": {"stop"}, "b": {"stop"}, "c": set(), "d": set(), "f": {"warn"}}
    assert dict(given(ast.parse(text))) == known


@pytest.mark.parametrize("kinds", [PostKind, BayKind], ids=["posts", "bays"])
def test_kinds_are_told(kinds: object) -> None:
    names = section(PAGE, "Names")
    for kind in get_args(kinds):
        assert f"| `{kind}` |" in names
