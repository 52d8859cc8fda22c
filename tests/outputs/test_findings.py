"""``findings.csv``, read by pandas and by the standard library's csv module (independent)."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pandas
import pytest

from geofence.engine.records import Finding
from geofence.outputs import findings
from geofence.plan import FencePlan
from tests.plans import HOSTILE, hostile_plan, made_up_plan

COLUMNS = [
    "code",
    "severity",
    "chainage_m",
    "chainage_to_m",
    "post",
    "bay",
    "value",
    "limit",
    "unit",
    "message",
    "remedy",
]


def _path(plan: FencePlan, tmp_path: Path) -> Path:
    path = tmp_path / "findings.csv"
    findings.OUTPUT.write(plan, path)
    return path


def _rows(plan: FencePlan, tmp_path: Path) -> list[dict[str, str]]:
    with _path(plan, tmp_path).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file, strict=True))


def _with(*given: Finding) -> FencePlan:
    plan = made_up_plan()
    return replace(plan, fence=replace(plan.fence, findings=given))


def test_one_row_a_finding(tmp_path: Path) -> None:
    table = pandas.read_csv(_path(made_up_plan(), tmp_path))
    assert list(table.columns) == COLUMNS
    assert list(table.severity) == ["stop", "warn", "note"]
    assert table.chainage_m[0] == pytest.approx(20 * 1.885)
    assert table.chainage_to_m[0] == pytest.approx(21 * 1.885)
    assert [table.bay[0], table.post[1]] == ["B021", "P004"]
    assert list(table.value.dropna()) == [0.31, 3.12]
    assert table.iloc[2].isna().sum() == 8  # a note on the whole plan has only its code, severity and message


def test_none_at_all_is_a_header(tmp_path: Path) -> None:
    assert _path(_with(), tmp_path).read_bytes() == (",".join(COLUMNS) + "\r\n").encode()


def test_hostile_text_comes_back_unharmed(tmp_path: Path) -> None:
    row = _rows(hostile_plan(), tmp_path)[-1]
    assert row["message"] == " ".join(HOSTILE)
    assert row["remedy"] == "'-x"


@pytest.mark.parametrize("text", ["=1+1", "+1", "-x", "@x", "\tx", "\rx", "\nx", "\0x", "＝1+1"])
def test_what_a_spreadsheet_would_run_gets_an_apostrophe(text: str, tmp_path: Path) -> None:
    row = _rows(_with(Finding(code=text, severity="note", message=text, remedy=text, unit=text)), tmp_path)[0]
    assert {row[name] for name in ("code", "message", "remedy", "unit")} == {f"'{text}"}


@pytest.mark.parametrize(
    "text", ["x" * 300, "čšž 漢字 \U0001f9f1", 'a "b", c;\r\nd', "<script>", "'quoted'", "a=b", "C:\\2019"]
)
def test_other_text_is_as_it_was(text: str, tmp_path: Path) -> None:
    assert _rows(_with(Finding(code="c", severity="note", message=text)), tmp_path)[0]["message"] == text


@pytest.mark.parametrize(
    ("value", "written"), [(-1.25, "-1.25"), (0.1 + 0.2, "0.3"), (-0.0, "0.0"), (float("nan"), "")]
)
def test_numbers_are_bare(value: float, written: str, tmp_path: Path) -> None:
    path = _path(_with(Finding(code="c", severity="note", message="m", value=value, limit=value)), tmp_path)
    assert path.read_text().splitlines()[1] == f"c,note,,,,,{written},{written},,m,"


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    one = _path(hostile_plan(), tmp_path).read_bytes()
    assert _path(hostile_plan(), tmp_path).read_bytes() == one
