"""``stakeout.txt``: what stands in it is the made-up plan's own, or the rule it tests."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from geofence.engine.records import Finding
from geofence.outputs import stakeout_note
from geofence.plan import CAUTIONS, FencePlan
from tests.plans import HOSTILE, hostile_plan, made_up_plan


def _lines(plan: FencePlan, tmp_path: Path) -> list[str]:
    path = tmp_path / "stakeout.txt"
    stakeout_note.OUTPUT.write(plan, path)
    content = path.read_bytes()
    assert content.count(b"\n") == content.count(b"\r\n")
    return content.decode("utf-8").split("\r\n")


def _with(plan: FencePlan, *findings: Finding) -> FencePlan:
    return replace(plan, fence=replace(plan.fence, findings=findings))


@pytest.mark.parametrize("caution", CAUTIONS)
def test_every_caution(caution: str, tmp_path: Path) -> None:
    assert f"- {caution}" in _lines(made_up_plan(), tmp_path)


@pytest.mark.parametrize(
    "line",
    [
        "Stake-out of Invented Down",
        "Grid         WGS 84 / UTM zone 30N (EPSG:32630)",
        "Unit         metre = 1 m, levels too",
        "Level datum  invented datum",
        "Scale        grid distance = 0.99960000 x ground distance (400 mm in 1 km);",
        "P001  easting 560000.0000  northing 5900000.0000  chainage 0.000 m on the ground",
        "STOP B021: The panel would hang 0.31 m above the ground. "
        "Allow a larger gap_max_m, a finer increment_m, or fill the hollow.",
        "WARN P004: The post is longer than the longest stock length. Order an extension.",
        "NOTE: Working grid taken from the ground raster.",
    ],
)
def test_what_the_numbers_are_in_and_what_to_look_at(line: str, tmp_path: Path) -> None:
    assert line in _lines(made_up_plan(), tmp_path)


def test_feet_grids_without_a_code_and_datums_not_stated(tmp_path: Path) -> None:
    plan = made_up_plan()
    grid = replace(plan.grid, unit="US survey foot", unit_m=1200 / 3937, code=None, level_datum="")
    lines = _lines(replace(plan, grid=grid), tmp_path)
    assert "Unit         US survey foot = 0.304800609601 m, levels too" in lines
    assert "Grid         WGS 84 / UTM zone 30N (no code: its definition is in plan.json)" in lines
    assert "Level datum  not stated" in lines


def test_stops_come_first_and_a_long_list_is_cut(tmp_path: Path) -> None:
    warning = Finding(code="w", severity="warn", message="Look", chainage_m=12.0)
    stop = Finding(code="s", severity="stop", message="Do not")
    lines = _lines(_with(made_up_plan(), *[warning] * 60, stop), tmp_path)
    start = lines.index("TO LOOK AT") + 1
    assert lines[start : start + 2] == ["STOP: Do not.", "WARN at 12.00 m: Look."]
    assert lines[-2] == "and 21 more in findings.csv"


def test_a_plan_without_findings_says_so(tmp_path: Path) -> None:
    assert "Nothing was found." in _lines(_with(made_up_plan()), tmp_path)


def test_free_text_stays_on_its_line(tmp_path: Path) -> None:
    """Nobody can add a line of their own through a name."""
    plan = made_up_plan(name="x\r\nGrid         wrong\u2028Unit wrong\x00")
    lines = _lines(plan, tmp_path)
    assert lines[0] == "Stake-out of x Grid wrong Unit wrong"
    hostile = _lines(hostile_plan(), tmp_path)
    assert len(hostile) == len(_lines(made_up_plan(), tmp_path)) + 1  # one finding more
    assert hostile[0] == f"Stake-out of {' '.join(HOSTILE)}".replace("\n", " ")
