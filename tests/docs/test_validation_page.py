"""The page's tables name tests that are there."""

from __future__ import annotations

import ast
import re

import pytest

from tests.docs.pages import ROOT

PAGE = ROOT / "docs" / "validation.md"
NAMED = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", PAGE.read_text(encoding="utf-8"))


@pytest.mark.parametrize(("file", "name"), NAMED, ids=[name for _, name in NAMED])
def test_is_there(file: str, name: str) -> None:
    module = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    assert name in {node.name for node in module.body if isinstance(node, (ast.ClassDef, ast.FunctionDef))}
    assert name.lower().startswith("test")


def test_every_row_names_one() -> None:
    rows = [line for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("| ")]
    checks = [row for row in rows if not row.startswith("| what |")]
    assert len(checks) >= 20
    for row in checks:
        assert len(row.strip("| ").split(" | ")) == 4, row
        assert "`tests/" in row, row


def test_every_outside_source_has_a_row() -> None:
    files = {f"tests/validation/{file.name}" for file in (ROOT / "tests" / "validation").glob("test_*.py")}
    assert files <= {file for file, _ in NAMED}
