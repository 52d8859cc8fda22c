"""Posts that are in the ground already, from a file of points to the files that a crew carries.

Expected places are feet of perpendiculars in the grid, a closed form; a length on the ground is that in the grid over
the plan's own mean scale, which differs from that at a place by less than 1 in a million here.
"""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import ezdxf
import geopandas
import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer

from geofence import registry
from geofence.engine.records import Finding
from geofence.errors import InputError, JobError
from geofence.inputs.job import job_from_values
from geofence.outputs.dxf import plan as plan_dxf
from geofence.outputs.dxf.style import DxfStyle, PostsAs
from geofence.outputs.paper.page import Area, Stroke
from geofence.outputs.sheets.document import sheets
from geofence.outputs.sheets.strip_plan import ASIDE
from geofence.plan import FencePlan
from geofence.planner import plan_fence
from tests.sites import write_line, write_raster

UTM = CRS.from_epsg(32630)
WEST, SOUTH = 560_000.0, 5_900_000.0
CORNERS = np.array([(20.0, 30.0), (120.0, 30.0), (120.0, 100.0)]) + np.array([WEST, SOUTH])
"""100 m east, then 70 m north."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Level ground at 50 m, and a line on it."""
    write_raster(
        tmp_path / "ground.tif", crs=UTM, west=WEST, north=SOUTH + 140, cell=1.0, shape=(140, 140),
        surface=lambda x, _: 50 + 0 * x,
    )  # fmt: skip
    write_line(tmp_path / "line.gpkg", CORNERS, crs=UTM)
    return tmp_path


Marks = list[tuple[str, float, float]]
"""Name, metres along the grid from the line's start, metres to the left."""


def places(marks: Marks) -> list[tuple[str, float, float]]:
    """Name, easting, northing of marks beside the line."""
    found = []
    for name, along, left in marks:
        east, north = (along, left) if along <= 100 else (100 - left, along - 100)
        found.append((name, CORNERS[0, 0] + east, CORNERS[0, 1] + north))
    return found


def write_marks(file: Path, marks: Marks, *, tops: dict[str, float] | None = None) -> Path:
    rows = [(name, f"{east:.6f}", f"{north:.6f}") for name, east, north in places(marks)]
    with file.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["name", "easting", "northing", *(["level"] if tops else [])])
        writer.writerows([*row, *([tops.get(row[0], "")] if tops else [])] for row in rows)
    return file


def planned(
    folder: Path, marks: Marks, *, values: dict[str, Any] | None = None, system: str = "aac-panel", **existing: Any
) -> FencePlan:
    tops = existing.pop("tops", None)
    file = existing.pop("file", None) or write_marks(folder / "posts.csv", marks, tops=tops)
    keys = {"file": str(file), **({"grid": "EPSG:32630"} if file.suffix == ".csv" else {}), **existing}
    return plan_fence(
        line=folder / "line.gpkg", ground=folder / "ground.tif", system=system,
        values={**(values or {}), "existing": keys},
    )  # fmt: skip


def told(plan: FencePlan, code: str) -> list[Finding]:
    return [finding for finding in plan.fence.findings if finding.code == code]


def only(plan: FencePlan, code: str) -> Finding:
    (found,) = told(plan, code)
    return found


def kept(plan: FencePlan) -> np.ndarray:
    """Easting, northing of the posts that exist, from the corner at the line's start."""
    rows = [row for row, kind in enumerate(plan.fence.posts.kind) if kind == "existing"]
    return np.column_stack([plan.places.easting[rows], plan.places.northing[rows]]) - CORNERS[0]


MARKS: Marks = [("E1", 20.0, 0.013), ("E2", 41.37, -0.004), ("E3", 150.0, 0.0)]


class TestOnTheLine:
    def test_each_is_taken_at_its_foot(self, folder: Path) -> None:
        plan = planned(folder, MARKS)
        assert kept(plan) == pytest.approx(np.array([(20.0, 0.0), (41.37, 0.0), (100.0, 50.0)]), abs=1e-4)
        scale = plan.grid.combined_factor
        found = told(plan, "existing-post")
        assert [item.message.split(" is ")[0] for item in found] == [f"Existing post E{n}" for n in (1, 2, 3)]
        assert [item.value for item in found] == pytest.approx([0.013 / scale, 0.004 / scale, 0.0], abs=1e-5)
        assert {item.severity for item in found} == {"note"}
        assert [plan.fence.posts.kind[item.post] for item in found] == ["existing"] * 3

    def test_the_plan_carries_where_each_really_stands(self, folder: Path) -> None:
        """(a) 0.2 m left of the leg that runs east, 0.1 m right of that which runs north, 0.05 m past the start."""
        marks = [("S", 0.05, 0.0), ("E", 12.0, 0.2), ("N", 150.0, -0.1)]
        plan = planned(folder, marks, aside_max_m=0.3, levels="tops", tops={"E": 52.4})
        there = plan.existing
        assert there.name == ("S", "E", "N")
        assert [plan.fence.posts.kind[row] for row in there.post] == ["existing"] * 3
        expected = np.array([(east, north) for _, east, north in places(marks)])
        assert np.column_stack([there.easting, there.northing]) == pytest.approx(expected, abs=1e-4)
        assert there.left_m == pytest.approx([0.0, 0.2, -0.1], abs=1e-4)
        assert there.ahead_m == pytest.approx([0.05, 0.0, 0.0], abs=1e-4)
        assert there.top_level_m == pytest.approx([np.nan, 52.4, np.nan], nan_ok=True)
        columns = plan.post_columns()
        assert columns["stands_northing"][there.post[1]] == pytest.approx(expected[1, 1], abs=1e-4)
        assert np.count_nonzero(np.isfinite(columns["stands_easting"])) == 3

    def test_the_rest_is_laid_out_between_them(self, folder: Path) -> None:
        plan = planned(folder, MARKS)
        bays = plan.fence.bays
        at = plan.fence.posts.chainage_m[[row for row, kind in enumerate(plan.fence.posts.kind) if kind == "existing"]]
        edges = [0.0, *at, plan.fence.bays.end_m[-1]]
        for start, end in pairwise(edges):
            within = (bays.start_m >= start - 1e-6) & (bays.end_m <= end + 1e-6)
            assert bays.width_m[within].sum() == pytest.approx(end - start, abs=1e-6)
        full = np.array(bays.kind) == "full"
        assert bays.width_m[full] == pytest.approx(plan.system.module_m, abs=5e-4)
        assert not told(plan, "bay-under-minimum")

    @pytest.mark.parametrize("code", [4326, 32631, 3857, 27700])
    def test_whatever_the_grid_of_the_file(self, folder: Path, code: int) -> None:
        rows = places(MARKS)
        there = Transformer.from_crs(UTM, CRS.from_epsg(code), always_xy=True)
        x, y = there.transform([row[1] for row in rows], [row[2] for row in rows])
        file = folder / "posts.gpkg"
        table = geopandas.GeoDataFrame({"name": [row[0] for row in rows]}, geometry=shapely.points(x, y), crs=code)
        table.to_file(file)
        plan = planned(folder, [], file=file)
        # The British grid is on another datum: PROJ's way there and back agrees to a millimetre.
        near = 1e-3 if code == 27700 else 1e-4
        assert kept(plan) == pytest.approx(np.array([(20.0, 0.0), (41.37, 0.0), (100.0, 50.0)]), abs=near)
        assert bool(told(plan, "datum-shift")) == (code == 27700)

    def test_a_geojson_without_levels(self, folder: Path) -> None:
        there = Transformer.from_crs(UTM, CRS.from_epsg(4326), always_xy=True)
        features = [
            {"type": "Feature", "properties": {"name": name},
             "geometry": {"type": "Point", "coordinates": list(there.transform(east, north))}}
            for name, east, north in places(MARKS)
        ]  # fmt: skip
        file = folder / "posts.geojson"
        file.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")
        assert kept(planned(folder, [], file=file)) == pytest.approx(
            np.array([(20.0, 0.0), (41.37, 0.0), (100.0, 50.0)]), abs=1e-4
        )

    def test_on_a_line_beside_the_boundary(self, folder: Path) -> None:
        plan = planned(folder, [("E1", 20.0, 1.01)], values={"line": {"offset_m": 1.0}})
        assert kept(plan) == pytest.approx(np.array([(20.0, 1.0)]), abs=6e-4)
        assert only(plan, "existing-post").value == pytest.approx(0.01, abs=6e-4)

    def test_on_a_ring_just_before_its_first_post(self, folder: Path) -> None:
        ring = [*CORNERS, (CORNERS[0, 0], CORNERS[2, 1]), CORNERS[0]]
        write_line(folder / "line.gpkg", ring, crs=UTM)
        plan = planned(folder, [("E1", 0.0, 0.06), ("E2", 50.0, 0.0)])
        assert plan.fence.posts.kind[0] == "existing"
        assert told(plan, "existing-post")[0].value == pytest.approx(0.06, abs=1e-3)
        assert len(kept(plan)) == 2
        assert not told(plan, "bay-under-minimum")

    def test_all_fits(self, folder: Path) -> None:
        for fit in ("start", "both-ends", "equal", "best"):
            plan = planned(folder, MARKS, values={"layout": {"fit": fit}})
            assert len(kept(plan)) == 3

    @pytest.mark.parametrize("system", ["post-and-rail", "plain-wire"])
    def test_fences_that_slope_and_strained_ones(self, folder: Path, system: str) -> None:
        plan = planned(folder, MARKS, system=system)
        assert kept(plan) == pytest.approx(np.array([(20.0, 0.0), (41.37, 0.0), (100.0, 50.0)]), abs=1e-4)

    def test_the_file_is_among_the_inputs(self, folder: Path) -> None:
        plan = planned(folder, MARKS)
        assert any("posts.csv" in str(each) for each in plan.provenance.inputs)
        assert plan.parameters["existing.aside_max_m"].value == 0.25


class TestAside:
    def test_farther_than_the_tolerance_of_the_line_is_a_warning(self, folder: Path) -> None:
        found = only(planned(folder, [("E1", 20.0, 0.03)]), "existing-post")
        assert (found.severity, found.limit) == ("warn", 0.02)

    def test_too_far_is_left_out(self, folder: Path) -> None:
        plan = planned(folder, [("E1", 20.0, 0.30), ("E2", 40.0, 0.0), ("E3", 60.0, -0.4)])
        assert len(kept(plan)) == 1
        found = only(plan, "existing-post-aside")
        assert (found.severity, found.limit) == ("warn", 0.25)
        assert found.value == pytest.approx(0.3, abs=1e-3)
        assert "E1 (0.300 m left at 20.0" in found.message
        assert "E3 (0.400 m right at 60.0" in found.message

    def test_unless_the_job_allows_it(self, folder: Path) -> None:
        assert len(kept(planned(folder, [("E1", 20.0, 0.30)], aside_max_m=0.31))) == 1

    def test_or_refuses_it(self, folder: Path) -> None:
        with pytest.raises(JobError, match=r"E1 \(0.300 m left at 20.0") as caught:
            planned(folder, [("E1", 20.0, 0.30)], aside="refuse")
        assert "existing.aside" in str(caught.value)

    def test_what_is_elsewhere_is_counted(self, folder: Path) -> None:
        plan = planned(folder, [("E1", 20.0, 8.0), ("E2", 40.0, 0.0)])
        found = only(plan, "existing-posts-elsewhere")
        assert (found.severity, found.value) == ("note", 1.0)
        assert not told(plan, "existing-post-aside")

    def test_all_of_them_elsewhere(self, folder: Path) -> None:
        found = only(planned(folder, [("E1", 20.0, 8.0)]), "existing-posts-elsewhere")
        assert found.severity == "warn"
        assert "existing.grid" in found.remedy

    def test_beyond_the_end(self, folder: Path) -> None:
        """0.2 m before the line begins is not beside it, though that is nearer than 0.25 m."""
        assert len(kept(planned(folder, [("E1", -0.2, 0.0)]))) == 0
        assert len(kept(planned(folder, [("E1", -0.08, 0.0)]))) == 1
        assert len(kept(planned(folder, [("E1", 0.0, 0.2)]))) == 1


class TestSamePost:
    def test_a_corner_and_an_end(self, folder: Path) -> None:
        plan = planned(folder, [("C", 99.95, 0.03), ("A", 0.06, 0.0)])
        assert kept(plan) == pytest.approx(np.array([(0.0, 0.0), (100.0, 0.0)]), abs=1e-6)
        assert plan.fence.posts.deflection_deg[told(plan, "existing-post")[1].post] == pytest.approx(-90, abs=0.01)
        values = [item.value for item in told(plan, "existing-post")]
        assert values == pytest.approx([0.06, np.hypot(0.05, 0.03)], abs=1e-4)
        free = plan_fence(line=folder / "line.gpkg", ground=folder / "ground.tif", system="aac-panel")
        assert plan.fence.posts.chainage_m.tolist() == free.fence.posts.chainage_m.tolist()

    def test_farther_from_it_is_a_post_of_its_own(self, folder: Path) -> None:
        plan = planned(folder, [("C", 99.85, 0.0)])
        assert kept(plan) == pytest.approx(np.array([(99.85, 0.0)]), abs=1e-4)
        assert "between existing post C and a post that must be where it is" in only(plan, "bay-under-minimum").message

    def test_the_nearest_of_two_is_it(self, folder: Path) -> None:
        plan = planned(folder, [("C", 99.98, 0.0), ("D", 99.93, 0.0)])
        assert kept(plan) == pytest.approx(np.array([(99.93, 0.0), (100.0, 0.0)]), abs=1e-4)

    def test_a_gate_moves_to_it(self, folder: Path) -> None:
        gate = {"gate": [{"name": "G1", "at_m": 20.0, "width_m": 3.6}]}
        plan = planned(folder, [("E1", 23.56 * 0.9996, 0.0)], values=gate)
        row = plan.fence.bays.kind.index("gate")
        assert plan.fence.posts.kind[int(plan.fence.bays.to_post[row])] == "existing"
        assert plan.fence.bays.width_m[row] == pytest.approx(3.6, abs=1e-6)
        found = only(plan, "gate-moved-to-post")
        assert found.value == pytest.approx(plan.fence.bays.start_m[row] - 20.0, abs=1e-9)
        assert "G1" in found.message
        assert "E1" in found.message
        assert only(plan, "existing-post-loaded").post == plan.fence.bays.to_post[row]

    def test_a_gate_between_two_of_them(self, folder: Path) -> None:
        """The gate goes to the nearer one; the other stands 6 cm from its post, and is told."""
        gate = {"gate": [{"name": "G1", "at_m": 20.0, "width_m": 3.6}]}
        scale = 0.99964
        plan = planned(folder, [("E1", 20.01 * scale, 0.0), ("E2", 23.67 * scale, 0.0)], values=gate)
        assert plan.fence.posts.kind.count("existing") == 2
        assert told(plan, "existing-post")[1].value == pytest.approx(0.06, abs=2e-3)

    def test_one_in_a_gate_is_done_without(self, folder: Path) -> None:
        gate = {"gate": [{"name": "G1", "at_m": 20.0, "width_m": 3.6}]}
        plan = planned(folder, [("E1", 21.0, 0.0)], values=gate)
        assert len(kept(plan)) == 0
        found = only(plan, "existing-post-in-gate")
        assert found.severity == "stop"
        assert found.value == pytest.approx(1.0, abs=0.02)
        assert "E1 stands in the opening of gate G1" in found.message

    def test_two_nearer_to_each_other_than_the_narrowest_bay(self, folder: Path) -> None:
        plan = planned(folder, [("E1", 20.0, 0.0), ("E2", 20.15, 0.0)])
        found = only(plan, "bay-under-minimum")
        assert "existing post E1 and existing post E2" in found.message
        assert "a narrowest bay (layout.min_bay_m) of 0.15" in found.remedy


class TestWhereLinesMeet:
    """A second line goes north from the middle of the first leg, 50 m along it."""

    @pytest.fixture
    def meeting(self, folder: Path) -> Path:
        east, north = CORNERS[0] + np.array([50.0, 0.0])
        write_line(folder / "spur.gpkg", [(east, north), (east, north + 40.0)], crs=UTM)
        return folder

    def planned(
        self,
        folder: Path,
        marks: Marks,
        *,
        tops: dict[str, float] | None = None,
        system: str = "aac-panel",
        **keys: Any,
    ) -> FencePlan:
        lines = [{"name": "long", "file": "line.gpkg"}, {"name": "spur", "file": "spur.gpkg"}]
        file = write_marks(folder / "posts.csv", marks, tops=tops)
        existing = {"file": str(file), "grid": "EPSG:32630", **keys}
        values = {
            "line": [{**line, "file": str(folder / line["file"])} for line in lines],
            "ground": {"files": [str(folder / "ground.tif")]},
            "fence": {"system": system},
            "existing": existing,
        }
        return plan_fence(job_from_values(values, base=folder))

    @pytest.mark.parametrize("system", ["aac-panel", "plain-wire"])
    def test_the_post_of_both_exists(self, meeting: Path, system: str) -> None:
        plan = self.planned(meeting, [("E1", 50.03, 0.02)], system=system)
        posts = plan.fence.posts
        (row,) = (row for row, kind in enumerate(posts.kind) if kind == "existing")
        assert kept(plan) == pytest.approx(np.array([(50.0, 0.0)]), abs=1e-4)
        assert "junction" not in posts.kind
        assert [row in run.posts for run in plan.runs] == [True, True]
        assert np.isnan([posts.toe_level_m[row], posts.embedment_m[row], posts.stock_length_m[row]]).all()
        assert not [item for item in told(plan, "post-extended") if item.post == row]
        assert only(plan, "existing-post").value == pytest.approx(0.036, abs=1e-3)

    def test_its_own_top_holds_for_both(self, meeting: Path) -> None:
        plan = self.planned(meeting, [("E1", 50.0, 0.0)], tops={"E1": 51.95}, levels="tops")
        row = told(plan, "existing-post")[0].post
        assert plan.fence.posts.top_level_m[row] == pytest.approx(51.95, abs=1e-9)
        assert len(told(plan, "existing-post")) == 1
        assert len(told(plan, "existing-post-tall")) == 1

    def test_a_post_beside_one_line_is_of_that_line_alone(self, meeting: Path) -> None:
        """0.2 m up the spur it is as near to the long line as it may be, and yet no post of it."""
        plan = self.planned(meeting, [("S", 50.0, 12.0), ("T", 50.0, 0.2)], same_post_m=0.05)
        assert kept(plan) == pytest.approx(np.array([(50.0, 12.0), (50.0, 0.2)])[::-1], abs=1e-4)
        assert {item.line for item in told(plan, "existing-post")} == {"spur"}
        assert plan.fence.posts.kind.count("junction") == 1

    def test_findings_name_the_line(self, meeting: Path) -> None:
        plan = self.planned(meeting, [("S", 50.3, 12.0)])
        found = only(plan, "existing-post-aside")
        assert found.line == "spur"
        assert "S (0.300 m right at 12.00 m of spur)" in found.message


class TestTops:
    def test_are_used_where_the_job_says_so(self, folder: Path) -> None:
        """Level ground at 50 m: panels of 1.8 m end at about 51.8 m."""
        tops = {"E1": 51.2, "E2": 53.0}
        plan = planned(folder, [("E1", 20.0, 0.0), ("E2", 40.0, 0.0), ("E3", 60.0, 0.0)], tops=tops, levels="tops")
        rows = [item.post for item in told(plan, "existing-post")]
        assert plan.fence.posts.top_level_m[rows[:2]].tolist() == [51.2, 53.0]
        assert only(plan, "existing-post-short").post == rows[0]
        assert only(plan, "existing-post-tall").post == rows[1]
        assert not told(plan, "existing-levels-unused")

    def test_are_not_looked_at_otherwise(self, folder: Path) -> None:
        plan = planned(folder, [("E1", 20.0, 0.0)], tops={"E1": 51.2})
        assert only(plan, "existing-levels-unused").severity == "note"
        assert not told(plan, "existing-post-short")


class TestFiles:
    def test_no_such_file(self, folder: Path) -> None:
        with pytest.raises(InputError, match="no such file") as caught:
            planned(folder, [], file=folder / "none.csv")
        assert "existing.file" in str(caught.value)

    def test_posts_bays_and_findings(self, folder: Path) -> None:
        name = '=1+1 <b>"x"</b>'
        plan = planned(folder, [(name, 20.0, 0.013)])
        out = folder / "out"
        plan.write(out)
        posts = geopandas.read_file(out / "posts.geojson")
        (row,) = np.flatnonzero(posts.kind == "existing")
        assert posts[["toe_level_m", "embedment_m", "length_m", "stock_length_m"]].iloc[row].isna().all()
        assert posts[["toe_level_m", "embedment_m", "length_m", "stock_length_m"]].drop(index=row).notna().all().all()
        assert posts.top_level_m.notna().all()
        with (out / "findings.csv").open(encoding="utf-8", newline="") as stream:
            found = [item for item in csv.DictReader(stream) if item["code"] == "existing-post"]
        assert len(found) == 1
        assert found[0]["post"] == posts.post.iloc[row]
        assert name in found[0]["message"]
        text = (out / "stakeout.csv").read_text(encoding="utf-8")
        (line,) = [each for each in text.splitlines() if "existing" in each]
        assert line.startswith(posts.post.iloc[row])
        assert "nan" not in text.lower()
        summary = json.loads((out / "plan.json").read_text(encoding="utf-8"))["summary"]
        assert "NaN" not in json.dumps(summary)
        assert "NaN" not in (out / "posts.geojson").read_text(encoding="utf-8")

    @pytest.mark.parametrize("posts_as", ["2d", "3d"])
    def test_a_drawing_for_cad_has_it_where_it_stands(self, posts_as: PostsAs, folder: Path) -> None:
        """(a) where the file has it, and a line from there to the foot on the fence's line, 0.2 m off."""
        mark = ("E1", 41.5, 0.2)
        plan = planned(folder, [mark], aside_max_m=0.3)
        plan_dxf.write(plan, folder / "plan.dxf", style=replace(DxfStyle.of(plan), posts=posts_as))
        drawing = ezdxf.readfile(folder / "plan.dxf").modelspace()
        ((_, *expected),) = places([mark])
        ((_, *foot),) = places([("E1", 41.5, 0.0)])
        (sign,) = drawing.query('INSERT[layer=="FENCE-POST-EXISTING"]')
        (stroke,) = drawing.query('LINE[layer=="FENCE-POST-EXISTING"]')
        assert tuple(sign.dxf.insert)[:2] == pytest.approx(expected, abs=1e-4)
        assert tuple(stroke.dxf.start)[:2] == pytest.approx(foot, abs=1e-4)
        assert stroke.dxf.end == sign.dxf.insert
        if posts_as == "3d":
            bodies = [tuple(body.dxf.insert)[:2] for body in drawing.query('INSERT[layer=="FENCE-POST-BODY"]')]
            assert pytest.approx(expected, abs=1e-4) in bodies
            panels = np.array([face.wcs_vertices() for face in drawing.query("3DFACE")]).reshape(-1, 3)
            assert np.abs(panels[panels[:, 0] < CORNERS[1, 0] - 1, 1] - CORNERS[0, 1]).max() < 1e-4

    def test_sheets_have_it_where_it_stands(self, folder: Path) -> None:
        """(a) 0.2 m at 1:250 are 0.8 mm: a stroke so long from the fence, square to it, to the middle of its ring."""
        plan = planned(folder, [("E1", 41.5, 0.2)], aside_max_m=0.3, values={"sheets": {"scale": 250}})
        strokes, rings = [], []
        for page in list(sheets(plan))[1:]:
            strokes += [item.points for item in page.items if isinstance(item, Stroke) and item.pen is ASIDE]
            rings += [np.mean(item.rings[0], axis=0) for item in page.items if isinstance(item, Area)]
        (stroke,) = strokes
        factor = plan.grid.combined_factor
        assert np.hypot(*(stroke[1] - stroke[0])) == pytest.approx(0.8, abs=1e-3), factor
        assert min(np.hypot(*(ring - stroke[1])) for ring in rings) < 1e-6

    def test_every_output_can_do_without_a_toe(self, folder: Path) -> None:
        """No number that is none in any of them, and the post drawn from its top to the ground."""
        plan = planned(folder, [("E1", 20.0, 0.013), ("C", 99.98, 0.0)], tops={"E1": 51.9}, levels="tops")
        for name in registry.names(registry.OUTPUTS):
            output = registry.find(registry.OUTPUTS, name)
            file = folder / output.filename
            output.write(plan, file)
            if file.suffix in (".csv", ".geojson", ".json", ".kml", ".gpx", ".xml", ".dxf", ".txt"):
                assert not re.search(r"\bnan\b", file.read_text(encoding="utf-8"), re.IGNORECASE), name
        assert "in the ground already" in (folder / "fence.gpx").read_text(encoding="utf-8")
        drawing = ezdxf.readfile(folder / "section.dxf")
        (body,) = drawing.modelspace().query('LINE[layer=="FENCE-POST-EXISTING"]')[:1]
        assert abs(body.dxf.start.y - body.dxf.end.y) > 1.0
