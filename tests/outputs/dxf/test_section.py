"""``section.dxf``, read back by ezdxf and its audit, and by GDAL (both independent)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pyogrio
import pytest
from ezdxf import recover
from pyproj import CRS

from geofence.outputs.dxf import section as dxf_section
from geofence.outputs.dxf.style import DxfStyle
from geofence.plan import FencePlan
from tests.outputs.drawn import drawn_plan, in_grid
from tests.outputs.runs import in_two_runs, on_a_square
from tests.plans import hostile_plan, made_up_plan

TIMES = 5.0


def _written(plan: FencePlan, tmp_path: Path, style: DxfStyle | None = None) -> Path:
    path = tmp_path / "section.dxf"
    dxf_section.write(plan, path, style=style)
    return path


def _space(plan: FencePlan, tmp_path: Path, style: DxfStyle | None = None) -> Any:
    return ezdxf.readfile(_written(plan, tmp_path, style)).modelspace()


def _level(y: float, datum: float) -> float:
    """By what the notes say: y = 5 x (level - datum)."""
    return y / TIMES + datum


@pytest.mark.parametrize(
    "plan",
    [drawn_plan(), hostile_plan(), on_a_square(), in_two_runs()],
    ids=["drawn", "hostile", "ring", "two lines"],
)
class TestEverySection:
    def test_ezdxf_finds_nothing_to_mend(self, plan: FencePlan, tmp_path: Path) -> None:
        path = _written(plan, tmp_path)
        for auditor in (ezdxf.readfile(path).audit(), recover.readfile(path)[1]):
            assert (auditor.errors, auditor.fixes) == ([], [])

    def test_the_same_plan_gives_the_same_bytes(self, plan: FencePlan, tmp_path: Path) -> None:
        first = _written(plan, tmp_path).read_bytes()
        assert _written(plan, tmp_path).read_bytes() == first


def _datum(space: Any) -> float:
    """The level at the lowest scale line, as it is lettered there."""
    texts = [part for part in space.query("TEXT[layer=='SCALE']") if part.dxf.insert.x < 0]
    return float(min(texts, key=lambda part: part.dxf.insert.y).plain_text())


def test_posts_stand_at_their_chainage_from_toe_to_top(tmp_path: Path) -> None:
    plan = drawn_plan()
    space = _space(plan, tmp_path)
    lines = [line for line in space.query("LINE") if line.dxf.layer.startswith("FENCE-POST-")]
    posts = plan.fence.posts
    assert len(lines) == len(posts)
    datum = _datum(space)
    for row, line in enumerate(lines):
        assert line.dxf.start.x == line.dxf.end.x == pytest.approx(posts.chainage_m[row], abs=1e-5)
        levels = [_level(end.y, datum) for end in (line.dxf.start, line.dxf.end)]
        assert levels == pytest.approx([posts.toe_level_m[row], posts.top_level_m[row]], abs=1e-5)
        assert line.dxf.layer == f"FENCE-POST-{posts.kind[row].upper()}"


def test_a_ring_ends_with_its_first_post(tmp_path: Path) -> None:
    plan = on_a_square()
    lines = [line for line in _space(plan, tmp_path).query("LINE") if line.dxf.layer.startswith("FENCE-POST-")]
    assert len(lines) == len(plan.fence.posts) + 1
    assert lines[-1].dxf.start.x == pytest.approx(plan.fence.bays.end_m[-1], abs=1e-5)
    assert lines[-1].dxf.start.y == pytest.approx(lines[0].dxf.start.y, abs=1e-5)


def test_gdal_reads_undersides_at_their_levels(tmp_path: Path) -> None:
    plan = made_up_plan()
    datum = _datum(_space(plan, tmp_path))
    table = pyogrio.read_dataframe(tmp_path / "section.dxf", layer="entities", INLINE_BLOCKS="NO", ENCODING="UTF-8")
    lines = table.geometry[table.Layer == "FENCE-BAY"].iloc[: len(plan.fence.bays)]  # undersides come first
    ends = np.array([np.ravel([end[:2] for end in line.coords]) for line in lines])
    bays = plan.fence.bays
    np.testing.assert_allclose(ends[:, [0, 2]], np.column_stack([bays.start_m, bays.end_m]), rtol=0, atol=1e-4)
    np.testing.assert_allclose(
        _level(ends[:, [1, 3]], datum), np.column_stack([bays.underside_from_m, bays.underside_to_m]), rtol=0, atol=1e-4
    )


def test_the_ground_passes_all_stations_within_half_a_centimetre(tmp_path: Path) -> None:
    plan = made_up_plan()
    space = _space(plan, tmp_path)
    (ground,) = space.query("LWPOLYLINE[layer=='GROUND-LINE']")
    x, y = np.array(list(ground.vertices())).T
    drawn = np.interp(plan.stations.chainage_m, x, _level(y, _datum(space)))
    np.testing.assert_allclose(drawn, plan.stations.ground_level_m, rtol=0, atol=0.005 + 1e-4)


def test_steps_are_lettered(tmp_path: Path) -> None:
    plan = made_up_plan()
    texts = [part.plain_text() for part in _space(plan, tmp_path).query("TEXT[layer=='FENCE-STEP']")]
    steps = plan.fence.bays.step_m
    assert texts == [f"{step:+.3f}" for step in steps[np.abs(steps) > 0]]


def test_notes_say_how_many_times_higher(tmp_path: Path) -> None:
    (notes,) = _space(made_up_plan(), tmp_path, DxfStyle(exaggeration=8)).query("MTEXT[layer=='NOTE']")
    text = notes.plain_text()
    assert "heights are drawn 8 times higher than long" in text
    assert "x is chainage on the ground, in metre" in text
    for caution in made_up_plan().cautions:
        assert caution in text


def test_exaggeration_is_what_was_asked(tmp_path: Path) -> None:
    plan = made_up_plan()
    heights = []
    for times in (1.0, 8.0):
        space = _space(plan, tmp_path, DxfStyle(exaggeration=times))
        line = next(line for line in space.query("LINE") if line.dxf.layer.startswith("FENCE-POST-"))
        heights.append(line.dxf.end.y - line.dxf.start.y)
    assert heights == pytest.approx([plan.fence.posts.length_m[0], 8 * plan.fence.posts.length_m[0]], abs=1e-4)


def test_lines_lie_below_each_other_and_have_their_names(tmp_path: Path) -> None:
    plan = in_two_runs()
    space = _space(plan, tmp_path)
    ends = {
        row: (line.dxf.start.y, line.dxf.end.y)
        for row, line in enumerate(line for line in space.query("LINE") if line.dxf.layer.startswith("FENCE-POST-"))
    }
    assert min(ends[row][0] for row in range(20)) > max(ends[row][1] for row in range(20, 40))
    scale = sorted(
        {line.dxf.start.y for line in space.query("LINE[layer=='SCALE']") if line.dxf.start.y == line.dxf.end.y}
    )
    assert max(np.diff(scale)) == pytest.approx(0.5 * 45, abs=1e-4)  # 45 mm on paper from line to line
    names = [part.plain_text() for part in space.query("MTEXT[layer=='NOTE']")]
    assert names[:2] == ["north", "south"]


def test_feet_are_drawn_in_feet(tmp_path: Path) -> None:
    crs = CRS("+proj=tmerc +lat_0=53 +lon_0=-2 +datum=WGS84 +units=ft +type=crs")
    plan = in_grid(made_up_plan(), crs)
    document = ezdxf.readfile(_written(plan, tmp_path))
    assert document.header["$INSUNITS"] == 2
    line = [line for line in document.modelspace().query("LINE") if line.dxf.layer.startswith("FENCE-POST-")][-1]
    assert line.dxf.start.x == pytest.approx(plan.fence.posts.chainage_m[-1] / 0.3048, abs=1e-5)


def test_findings_have_the_numbers_of_the_plan(tmp_path: Path) -> None:
    space = _space(made_up_plan(), tmp_path)
    marks = {part.get_attrib_text("NUMBER"): part for part in space.query("INSERT")}
    assert {number: mark.dxf.layer for number, mark in marks.items()} == {"1": "FINDING-STOP", "2": "FINDING-WARN"}
    assert marks["1"].dxf.insert.x == pytest.approx(20.5 * 1.885, abs=1e-4)  # the middle of bay 21
    assert marks["2"].dxf.insert.x == pytest.approx(3 * 1.885, abs=1e-4)
