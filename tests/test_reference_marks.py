"""Boundary marks and control points through a whole job.

(c) pyproj's transformers, used here the other way round, and geographiclib for distances.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from pyproj import CRS, Transformer

from geofence import plan_fence, read_plan
from geofence.errors import GridError, InputError, JobError
from geofence.outputs.setout.checks import ties
from geofence.outputs.setout.strings import tape_of
from geofence.plan import FencePlan
from tests import networks
from tests.sites import carried, write_line, write_raster

GRID = CRS(27700)
EAST, NORTH = 432_000.0, 208_000.0
LINE = np.array([(EAST + 20, NORTH + 20), (EAST + 120, NORTH + 30), (EAST + 130, NORTH + 130)])
CONTROL = {"STN1": (10.0, 0.0, 101.5), "=STN2": (140.0, 10.0, 104.25), "Haken 3": (60.0, 150.0, 99.0)}


def plane(x: Any, y: Any) -> Any:
    """A function of metres from the raster's north-west corner."""
    return 100 + 0.02 * np.asarray(x) + 0.03 * (200 - np.asarray(y))


def points(file: Path, places: dict[str, tuple[float, float, float]], *, grid: CRS = GRID) -> Path:
    xy = carried(np.array([(EAST + x, NORTH + y) for x, y, _ in places.values()]), GRID, grid)
    rows = [f"{name},{x:.9f},{y:.9f},{level}" for (name, (*_, level)), (x, y) in zip(places.items(), xy, strict=True)]
    file.write_text("\n".join(["point,easting,northing,level", *rows]), encoding="utf-8")
    return file


def planned(folder: Path, *, line: dict[str, Any] | None = None, **control: Any) -> FencePlan:
    write_line(folder / "line.gpkg", LINE, crs=GRID)
    write_raster(
        folder / "ground.tif", crs=GRID, west=EAST - 20, north=NORTH + 220, cell=1, shape=(240, 240), surface=plane
    )
    values = {
        "job": {"grid": "EPSG:27700"},
        "line": {"file": str(folder / "line.gpkg"), **(line or {})},
        "ground": {"files": str(folder / "ground.tif")},
        "control": control,
    }
    return plan_fence(values=values)


def of_kind(plan: FencePlan, kind: str) -> list[int]:
    return [row for row, word in enumerate(plan.marks.kind) if word == kind]


def findings(plan: FencePlan, code: str) -> list[Any]:
    return [finding for finding in plan.fence.findings if finding.code == code]


class TestBoundary:
    def test_is_where_it_was_drawn_whatever_the_offset(self, tmp_path: Path) -> None:
        """(a) a fence 1.5 m to the left stands as far from its ends, from the corner 1.5 m / cos of half the turn."""
        plan = planned(tmp_path, line={"offset_m": 1.5})
        marks = plan.marks
        assert marks.name == ("V1", "V2", "V3")
        assert np.column_stack([marks.easting, marks.northing]) == pytest.approx(LINE, abs=1e-4)
        found = {
            plan.post_names[tie.row]: tie.distance_m
            for tie in ties(plan, tape_of(plan), "boundary", reach_m=5.0, second_reach_m=0.1)
        }
        turn = np.pi / 2 - 2 * np.arctan2(10, 100)
        corner = 1.5 / np.cos(turn / 2)
        assert sorted(found.values()) == pytest.approx(sorted([1.5, 1.5, corner]), abs=1e-3)

    def test_has_the_level_of_the_ground(self, tmp_path: Path) -> None:
        marks = planned(tmp_path).marks
        expected = plane(LINE[:, 0] - (EAST - 20), NORTH + 220 - LINE[:, 1])
        assert marks.level_m == pytest.approx(expected, abs=1e-4)

    def test_has_only_the_legs_that_are_fenced(self, tmp_path: Path) -> None:
        plan = planned(tmp_path, line={"legs": [2]})
        assert plan.marks.name == ("V2", "V3")
        assert plan.marks.easting == pytest.approx(LINE[1:, 0], abs=1e-4)

    def test_a_mark_that_lines_share_is_there_once(self, tmp_path: Path) -> None:
        """By shapely: the corners of the areas, and the lane's; (90, 70) is on a leg that another line fences."""
        plan = plan_fence(networks.write_paddocks(tmp_path))
        areas = [np.array(corners) + networks.ORIGIN for corners in (networks.HOME, networks.EAST_FIELD, networks.TOP)]
        corners = shapely.union_all(shapely.points(np.vstack([*areas, np.array(networks.LANE) + networks.ORIGIN])))
        corners -= shapely.Point(networks.ORIGIN + np.array([90, 70]))
        found = shapely.points(plan.marks.easting, plan.marks.northing)
        assert len(found) == len(corners.geoms) == 11
        assert shapely.distance(found, corners).max() < 1e-6
        assert len(set(plan.marks.name)) == len(found)


class TestControl:
    def test_keeps_names_places_and_levels(self, tmp_path: Path) -> None:
        plan = planned(tmp_path, file=str(points(tmp_path / "c.csv", CONTROL)), grid="EPSG:27700")
        rows = of_kind(plan, "control")
        assert [plan.marks.name[row] for row in rows] == list(CONTROL)
        given = np.add(list(CONTROL.values()), (EAST, NORTH, 0))
        marks = plan.marks
        assert np.column_stack([marks.easting, marks.northing, marks.level_m])[rows] == pytest.approx(given, abs=1e-6)
        assert "c.csv" in plan.provenance.inputs
        assert not findings(plan, "control-few")

    def test_comes_from_any_grid(self, tmp_path: Path) -> None:
        """(c) given on WGS 84 they come back within PROJ's round trip, and the change of datum is told."""
        file = points(tmp_path / "c.csv", CONTROL, grid=CRS(32630))
        plan = planned(tmp_path, file=str(file), grid="EPSG:32630", level_unit="m")
        rows = of_kind(plan, "control")
        back = np.column_stack(
            Transformer.from_crs(27700, 32630, always_xy=True).transform(
                plan.marks.easting[rows], plan.marks.northing[rows]
            )
        )
        given = carried(np.array([(EAST + x, NORTH + y) for x, y, _ in CONTROL.values()]), GRID, CRS(32630))
        assert back == pytest.approx(given, abs=1e-3)
        assert any("The control is carried" in finding.message for finding in findings(plan, "datum-shift"))

    def test_comes_back_with_the_finished_plan(self, tmp_path: Path) -> None:
        plan = planned(tmp_path, file=str(points(tmp_path / "c.csv", CONTROL)), grid="EPSG:27700")
        plan.write(tmp_path / "out")
        again = read_plan(tmp_path / "out").marks
        assert (again.name, again.kind) == (plan.marks.name, plan.marks.kind)
        assert again.easting.tolist() == plan.marks.easting.tolist()

    @pytest.mark.parametrize(("header", "keys"), [("point,easting,northing\n", {}), ("", {"order": "PEN"})])
    def test_may_have_no_levels(self, tmp_path: Path, header: str, keys: dict[str, str]) -> None:
        """(a) a tie is then at the post's level, and says nothing of the rise."""
        file = tmp_path / "c.csv"
        file.write_text(f"{header}A,{EAST + 10},{NORTH}\nB,{EAST + 130},{NORTH + 20}\n")
        plan = planned(tmp_path, file=str(file), grid="EPSG:27700", **keys)
        assert np.isnan(plan.marks.level_m[of_kind(plan, "control")]).all()
        found = ties(plan, tape_of(plan), "control", reach_m=300.0, second_reach_m=300.0)
        assert found
        assert all(np.isnan(tie.rise_m) and np.isfinite(tie.distance_m) for tie in found)

    def test_out_of_reach_is_told(self, tmp_path: Path) -> None:
        """(a) within 50 m of the posts at (20, 20) and (120, 30) there is one each, of (130, 130) none."""
        file = points(tmp_path / "c.csv", CONTROL)
        (few,) = findings(planned(tmp_path, file=str(file), grid="EPSG:27700", reach_m=50.0), "control-few")
        assert (few.severity, few.limit, few.chainage_m) == ("note", 50.0, 0.0)
        assert few.message.startswith("3 of the 3 posts")
        assert few.value == pytest.approx(np.hypot(10, 20), abs=0.1)

    def test_nowhere_near_is_a_warning(self, tmp_path: Path) -> None:
        file = points(tmp_path / "c.csv", {name: (x + 5000, y, level) for name, (x, y, level) in CONTROL.items()})
        (few,) = findings(planned(tmp_path, file=str(file), grid="EPSG:27700"), "control-few")
        assert few.severity == "warn"
        assert "control.grid" in few.remedy

    def test_that_is_not_there_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(InputError, match=r"nowhere\.csv: there is no such file\. Check control\.file"):
            planned(tmp_path, file=str(tmp_path / "nowhere.csv"))

    def test_without_a_grid_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(GridError, match=r"which grid it is in\. Set control\.grid"):
            planned(tmp_path, file=str(points(tmp_path / "c.csv", CONTROL)))

    def test_with_columns_that_nobody_names_is_refused(self, tmp_path: Path) -> None:
        file = tmp_path / "c.csv"
        file.write_text("a,432010.0,208000.0,101.5\nb,432140.0,208010.0,104.2\n")
        with pytest.raises(JobError, match=r"control\.order"):
            planned(tmp_path, file=str(file), grid="EPSG:27700")

    def test_without_any_the_plan_has_boundary_marks_alone(self, tmp_path: Path) -> None:
        plan = planned(tmp_path)
        assert set(plan.marks.kind) == {"boundary"}
        assert plan.parameters["control.reach_m"].value == 300.0
        assert "control.file" not in plan.parameters
