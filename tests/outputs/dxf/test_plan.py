"""``plan.dxf``, read back by ezdxf and its audit, and by GDAL (both independent).

Expected values are the plan's own.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pyogrio
import pytest
import shapely
from ezdxf import recover
from pyproj import CRS, Transformer

from geofence.engine.records import Finding
from geofence.outputs.dxf import plan as dxf
from geofence.outputs.dxf import section as dxf_section
from geofence.outputs.dxf.style import DxfStyle
from geofence.plan import FencePlan
from geofence.plan_parts import Parameter
from tests.outputs.drawn import GATE, drawn_plan, in_grid
from tests.outputs.runs import in_two_runs, on_a_square
from tests.plans import HOSTILE, hostile_plan, made_up_plan

FEET = CRS("+proj=tmerc +lat_0=53 +lon_0=-2 +x_0=600000 +y_0=1800000 +datum=WGS84 +units=us-ft +type=crs")
SPACE = DxfStyle(posts="3d")


def _written(plan: FencePlan, tmp_path: Path, style: DxfStyle | None = None) -> Path:
    path = tmp_path / "plan.dxf"
    dxf.write(plan, path, style=style)
    return path


def _read(plan: FencePlan, tmp_path: Path, style: DxfStyle | None = None) -> Any:
    return ezdxf.readfile(_written(plan, tmp_path, style))


def _posts(document: Any) -> dict[str, Any]:
    inserts = document.modelspace().query("INSERT")
    return {
        part.get_attrib_text("NAME"): part for part in inserts if part.dxf.name.startswith("POST-") and part.attribs
    }


@pytest.mark.parametrize("style", [DxfStyle(), SPACE], ids=["2d", "3d"])
@pytest.mark.parametrize(
    "plan", [drawn_plan(), hostile_plan(), on_a_square(), in_two_runs()], ids=["drawn", "hostile", "ring", "two runs"]
)
class TestEveryDrawing:
    def test_ezdxf_finds_nothing_to_mend(self, plan: FencePlan, style: DxfStyle, tmp_path: Path) -> None:
        path = _written(plan, tmp_path, style)
        for auditor in (ezdxf.readfile(path).audit(), recover.readfile(path)[1]):
            assert (auditor.errors, auditor.fixes) == ([], [])

    def test_handles_are_unique_and_below_the_next(self, plan: FencePlan, style: DxfStyle, tmp_path: Path) -> None:
        lines = _written(plan, tmp_path, style).read_text(encoding="utf-8").splitlines()
        pairs = list(zip(lines[::2], lines[1::2], strict=True))
        handles = [int(value, 16) for code, value in pairs if code.strip() == "5"]
        (seed,) = [int(pairs[row + 1][1], 16) for row, pair in enumerate(pairs) if pair[1] == "$HANDSEED"]
        assert max(Counter(handles[1:]).values()) == 1  # the first is $HANDSEED itself
        assert max(handles[1:]) < seed

    def test_parts_belong_to_their_wholes(self, plan: FencePlan, style: DxfStyle, tmp_path: Path) -> None:
        """Attributes and corners name as owner what they are of, which ezdxf puts right in silence."""
        lines = _written(plan, tmp_path, style).read_text(encoding="utf-8").splitlines()
        pairs = list(zip(map(str.strip, lines[::2]), lines[1::2], strict=True))
        starts = [row for row, (code, _) in enumerate(pairs) if code == "0"]
        whole, parts = "", 0
        for start, stop in pairwise(starts):
            kind, codes = pairs[start][1], dict(reversed(pairs[start + 1 : stop]))
            if kind in ("INSERT", "POLYLINE"):
                whole = codes["5"]
            elif kind in ("ATTRIB", "VERTEX", "SEQEND"):
                assert codes["330"] == whole
                parts += 1
        assert parts >= 5 * len(plan.fence.posts)

    def test_the_same_plan_gives_the_same_bytes(self, plan: FencePlan, style: DxfStyle, tmp_path: Path) -> None:
        first = _written(plan, tmp_path, style).read_bytes()
        assert _written(plan, tmp_path, style).read_bytes() == first


class TestPlaces:
    def test_posts_are_blocks_at_their_places_with_name_and_levels(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        found = _posts(_read(plan, tmp_path))
        assert tuple(found) == plan.post_names
        posts = plan.fence.posts
        for row, part in enumerate(found.values()):
            at = part.dxf.insert
            assert (at.x, at.y, at.z) == pytest.approx(
                (plan.places.easting[row], plan.places.northing[row], 0), abs=1e-5
            )
            assert part.dxf.layer == f"FENCE-POST-{posts.kind[row].upper()}"
            levels = [float(part.get_attrib_text(tag)) for tag in ("GROUND", "TOP", "TOE")]
            assert levels == pytest.approx(
                [posts.ground_level_m[row], posts.top_level_m[row], posts.toe_level_m[row]], abs=5.1e-4
            )
            shown = [part.get_attrib(tag).is_invisible for tag in ("NAME", "GROUND", "TOP", "TOE")]
            assert shown == [False, True, True, True]

    def test_gdal_reads_the_same_places(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        table = pyogrio.read_dataframe(_written(plan, tmp_path), layer="entities", INLINE_BLOCKS="NO", ENCODING="UTF-8")
        posts = table[table.Layer.str.startswith("FENCE-POST-") & table.BlockName.notna()]
        at = np.column_stack([posts.geometry.x, posts.geometry.y])
        np.testing.assert_allclose(at, np.column_stack([plan.places.easting, plan.places.northing]), rtol=0, atol=1e-4)
        bays = table[table.Layer.isin(["FENCE-BAY", "FENCE-GATE"])].geometry
        ends = np.array([line.coords[0][:2] + line.coords[-1][:2] for line in bays])
        rows = np.column_stack([plan.fence.bays.from_post, plan.fence.bays.to_post])
        np.testing.assert_allclose(ends, at[rows].reshape(-1, 4), rtol=0, atol=1e-4)

    def test_a_grid_in_survey_feet_is_drawn_in_feet(self, tmp_path: Path) -> None:
        plan = in_grid(drawn_plan(), FEET)
        document = _read(plan, tmp_path)
        assert document.header["$INSUNITS"] == 21  # US survey foot
        assert document.header["$MEASUREMENT"] == 0
        at = [part.dxf.insert for part in _posts(document).values()]
        np.testing.assert_allclose(
            [(p.x, p.y) for p in at], np.column_stack([plan.places.easting, plan.places.northing]), rtol=0, atol=1e-5
        )
        first = next(iter(_posts(document).values()))
        assert float(first.get_attrib_text("GROUND")) == pytest.approx(80 * 3937 / 1200, abs=5.1e-4)
        assert {block.block_record.dxf.units for block in document.blocks if not block.name.startswith("*")} == {21}
        holes = document.blocks.get("POST-LINE").query("CIRCLE[layer=='FENCE-HOLE']")
        assert holes.first.dxf.radius == pytest.approx(0.15 * 3937 / 1200)

    @pytest.mark.parametrize(("units", "code", "metric"), [("m", 6, 1), ("ft", 2, 0), ("us-ft", 21, 0), ("km", 0, 1)])
    def test_the_unit_is_said_in_the_codes_of_the_format(
        self, units: str, code: int, metric: int, tmp_path: Path
    ) -> None:
        """Codes of $INSUNITS from the format's reference: 2 feet, 6 metres, 21 US survey feet, 0 none of these."""
        crs = CRS(f"+proj=tmerc +lat_0=53 +lon_0=-2 +datum=WGS84 +units={units} +type=crs")
        header = _read(in_grid(made_up_plan(), crs), tmp_path).header
        assert (header["$INSUNITS"], header["$MEASUREMENT"]) == (code, metric)

    def test_a_block_lies_along_its_fence(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        row = 12
        turned = list(_posts(_read(plan, tmp_path)).values())[row].dxf.rotation
        assert turned == pytest.approx((90 - plan.places.bearing_deg[row]) % 360, abs=1e-3)

    def test_zones_lie_where_their_degrees_are(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        space = _read(plan, tmp_path).modelspace()
        pipe = plan.zones[1].outlines[0]
        x, y = Transformer.from_crs(4326, 32630, always_xy=True).transform(pipe.lon_deg, pipe.lat_deg)
        (line,) = [p for p in space.query("LWPOLYLINE[layer=='ZONE-KEEP-CLEAR']") if len(p) == 2]
        np.testing.assert_allclose(list(line.vertices()), np.column_stack([x, y]), rtol=0, atol=1e-3)

    def test_reach_is_as_far_from_the_zone_as_it_says(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        (ring,) = _read(plan, tmp_path).modelspace().query("LWPOLYLINE[layer=='ZONE-SETBACK-REACH']")
        lane = plan.zones[0].outlines[0]
        drawn = shapely.Polygon(
            np.column_stack(Transformer.from_crs(4326, 32630, always_xy=True).transform(lane.lon_deg, lane.lat_deg))
        )
        away = shapely.distance(shapely.points(list(ring.vertices())), drawn)
        assert away.max() == pytest.approx(6.0, abs=0.03)
        assert ring.closed

    def test_legs_say_their_length_on_the_ground(self, tmp_path: Path) -> None:
        plan = made_up_plan(60)
        document = _read(plan, tmp_path)
        ends = [
            (tuple(line.dxf.start)[:2], tuple(line.dxf.end)[:2])
            for line in document.modelspace().query("LINE[layer=='BOUNDARY-LEG']")
        ]
        rows = [0, 30, 59]
        at = np.column_stack([plan.places.easting, plan.places.northing])
        np.testing.assert_allclose(ends, np.stack([at[rows[:-1]], at[rows[1:]]], axis=1), rtol=0, atol=1e-4)
        texts = [part.plain_text() for part in document.modelspace().query("TEXT[layer=='BOUNDARY-LEG-TEXT']")]
        assert texts[0] == f"leg 1  {30 * 1.885:.3f} m  {plan.legs.bearing_deg[0]:.4f}°"

    def test_a_ring_is_closed_by_its_last_bay(self, tmp_path: Path) -> None:
        plan = on_a_square()
        last = list(_read(plan, tmp_path).modelspace().query("LINE[layer=='FENCE-BAY']"))[-1]
        assert tuple(last.dxf.end)[:2] == pytest.approx((plan.places.easting[0], plan.places.northing[0]), abs=1e-5)


class TestInSpace:
    def test_posts_stand_from_toe_to_top(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        document = _read(plan, tmp_path, SPACE)
        posts = plan.fence.posts
        bodies = document.modelspace().query("INSERT[layer=='FENCE-POST-BODY']")
        assert len(bodies) == len(posts)
        for row, body in enumerate(bodies):
            faces = [face for face in body.virtual_entities() if face.dxftype() == "3DFACE"]
            levels = [
                corner.z for face in faces for corner in (face.dxf.vtx0, face.dxf.vtx1, face.dxf.vtx2, face.dxf.vtx3)
            ]
            assert (min(levels), max(levels)) == pytest.approx(
                (posts.toe_level_m[row], posts.top_level_m[row]), abs=2e-5
            )
            wide = [corner.x for face in faces for corner in (face.dxf.vtx0, face.dxf.vtx2)]
            assert max(wide) - min(wide) >= (0.1 if posts.kind[row] == "gate" else 0.05) - 1e-6

    def test_marks_lie_on_the_ground_and_panels_at_their_levels(self, tmp_path: Path) -> None:
        plan = drawn_plan()
        document = _read(plan, tmp_path, SPACE)
        space = document.modelspace()
        assert [part.dxf.insert.z for part in _posts(document).values()] == pytest.approx(
            list(plan.fence.posts.ground_level_m), abs=1e-5
        )
        panels = space.query("3DFACE[layer=='FENCE-PANEL']")
        bays = plan.fence.bays
        corners = np.array([[tuple(face.dxf.get(f"vtx{corner}")) for corner in range(4)] for face in panels])
        expected = np.column_stack([bays.underside_from_m, bays.underside_to_m, bays.top_to_m, bays.top_from_m])
        np.testing.assert_allclose(corners[:, :, 2], expected, rtol=0, atol=1e-5)
        (ground,) = space.query("POLYLINE[layer=='GROUND-LINE']")
        levels = [vertex.dxf.location.z for vertex in ground.vertices]
        assert (levels[0], levels[-1]) == pytest.approx(tuple(plan.stations.ground_level_m[[0, -1]]), abs=1e-5)


class TestPostsThatExist:
    """Nobody knows their toes: they stand on the ground in space, and nothing is dug for them."""

    def _plan(self) -> FencePlan:
        plan = made_up_plan()
        posts, row = plan.fence.posts, np.arange(40) == 7
        kept = replace(
            posts,
            kind=tuple("existing" if there else kind for there, kind in zip(row, posts.kind, strict=True)),
            toe_level_m=np.where(row, np.nan, posts.toe_level_m),
            embedment_m=np.where(row, np.nan, posts.embedment_m),
            stock_length_m=np.where(row, np.nan, posts.stock_length_m),
        )
        return replace(plan, fence=replace(plan.fence, posts=kept))

    def test_on_the_plan(self, tmp_path: Path) -> None:
        document = _read(self._plan(), tmp_path)
        post = _posts(document)["P008"]
        assert (post.dxf.name, post.get_attrib_text("TOE")) == ("POST-EXISTING", "")
        assert not document.blocks.get("POST-EXISTING").query("CIRCLE")

    @pytest.mark.parametrize("output", [dxf, dxf_section])
    def test_nothing_in_space_or_in_section_is_no_number(self, output: Any, tmp_path: Path) -> None:
        path = tmp_path / "drawing.dxf"
        output.write(self._plan(), path, style=SPACE)
        assert "\nnan\n" not in path.read_text(encoding="utf-8")
        assert not ezdxf.readfile(path).audit().errors

    def test_in_space(self, tmp_path: Path) -> None:
        plan = self._plan()
        body = _read(plan, tmp_path, SPACE).modelspace().query("INSERT[layer=='FENCE-POST-BODY']")[7]
        posts = plan.fence.posts
        assert body.dxf.insert.z == pytest.approx(posts.ground_level_m[7], abs=1e-5)
        assert body.dxf.zscale == pytest.approx(posts.height_m[7], abs=2e-5)


class TestWhatItSays:
    def _notes(self, plan: FencePlan, tmp_path: Path, style: DxfStyle | None = None) -> str:
        (notes,) = _read(plan, tmp_path, style).modelspace().query("MTEXT[layer=='NOTE']")
        return str(notes.plain_text())

    def test_grid_unit_datum_distances_scale_and_cautions(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        notes = self._notes(plan, tmp_path, DxfStyle(scale=200))
        for part in (
            "Invented Down", "WGS 84 / UTM zone 30N (EPSG:32630)", "metre = 1 m", "invented datum",
            "ground distances", "0.99960000 x ground distance", "plot at 1:200", "at 1:1 in metre", *plan.cautions,
        ):  # fmt: skip
            assert part in notes

    def test_findings_have_numbers_that_their_marks_show(self, tmp_path: Path) -> None:
        document = _read(made_up_plan(), tmp_path)
        notes = self._notes(made_up_plan(), tmp_path)
        assert "1  STOP B021 at 37.70 to 39.59 m: The panel would hang 0.31 m above the ground." in notes
        assert "3  NOTE: Working grid taken from the ground raster." in notes
        marks = [part for part in document.modelspace().query("INSERT") if part.dxf.layer.startswith("FINDING")]
        assert {(part.dxf.name, part.get_attrib_text("NUMBER"), part.get_attrib_text("CODE")) for part in marks} == {
            ("FINDING-STOP", "1", "gap-over-limit"), ("FINDING-WARN", "2", "post-extended"),
        }  # fmt: skip

    def test_findings_have_the_grids_unit_beside_their_metres(self, tmp_path: Path) -> None:
        """(a) 0.31 m are 1.02 feet, 37.70 and 39.585 m along the line 123.69 and 129.87."""
        plan = made_up_plan()
        plan = replace(plan, grid=replace(plan.grid, unit="US survey foot", unit_m=1200 / 3937))
        notes = self._notes(plan, tmp_path)
        assert (
            "1  STOP B021 at 123.69 ft to 129.87 ft: The panel would hang 0.31 m [1.02 ft] above the ground." in notes
        )
        assert "FINDINGS: in metres, as in findings.csv, and in brackets in US survey foot" in notes
        (mark,) = _read(plan, tmp_path).modelspace().query("INSERT[name=='FINDING-STOP']")
        assert mark.get_attrib_text("MESSAGE") == "The panel would hang 0.31 m [1.02 ft] above the ground"

    def test_many_findings_are_not_all_told(self, tmp_path: Path) -> None:
        plan = made_up_plan(400)
        found = tuple(
            Finding(code="c", severity="warn", message=f"m{row}", post=row, chainage_m=float(row)) for row in range(400)
        )
        notes = self._notes(replace(plan, fence=replace(plan.fence, findings=found)), tmp_path)
        assert "300  WARN P300 at 299.00 m: m299." in notes
        assert notes.endswith("and 100 more: in findings.csv, and on their marks")

    def test_hostile_text_is_shown_as_it_is(self, tmp_path: Path) -> None:
        notes = self._notes(hostile_plan(), tmp_path)
        assert notes.startswith(" ".join(HOSTILE))
        assert "\\newline" not in notes
        table = pyogrio.read_dataframe(tmp_path / "plan.dxf", ENCODING="UTF-8")
        (seen,) = table.Text[(table.Layer == "NOTE") & table.SubClasses.str.contains("MText")]
        for part in ("`${alert(1)}`", "C:\\2019", "</script><script>alert(1)</script>", "čšž", "<b>x</b>"):
            assert part in seen

    def test_names_of_gates_and_zones(self, tmp_path: Path) -> None:
        document = _read(drawn_plan(), tmp_path)
        space = document.modelspace()
        (name,) = space.query("MTEXT[layer=='FENCE-GATE-NAME']")
        assert name.plain_text() == GATE
        (way,) = space.query("LWPOLYLINE[layer=='FENCE-GATE-SWING']")
        assert len(way) == 10  # nine places of the tip, and the hinge
        zones = [part.plain_text() for part in space.query("MTEXT[layer=='ZONE-TEXT']")]
        assert zones[0] == "Lane\nsetback, 6 m around\ndeed of 2019"
        assert zones[3] == "Terraces\nconsult\ndeed of 2019"
        (control,) = [p for p in space.query("INSERT[layer=='SURVEY-MARK']") if p.get_attrib_text("NAME") == "STN1"]
        assert control.get_attrib_text("LEVEL") == "81.125"

    def test_gate_posts_have_blocks_of_their_size(self, tmp_path: Path) -> None:
        document = _read(drawn_plan(), tmp_path)
        radii = {
            name: document.blocks.get(name).query("CIRCLE[layer=='FENCE-HOLE']").first.dxf.radius
            for name in ("POST-LINE", "POST-GATE")
        }
        assert radii == pytest.approx({"POST-LINE": 0.15, "POST-GATE": 0.225})

    def test_letters_are_as_tall_as_the_scale_asks(self, tmp_path: Path) -> None:
        for scale, height in ((200, 0.36), (500, 0.9)):
            first = next(iter(_posts(_read(made_up_plan(), tmp_path, DxfStyle(scale=scale))).values()))
            assert first.get_attrib("NAME").dxf.height == pytest.approx(height)  # 1.8 mm on paper

    def test_names_stand_clear_of_each_other(self, tmp_path: Path) -> None:
        """Base lines of neighbouring names, square off the fence, are farther apart than letters are tall."""
        plan = made_up_plan()
        labels = [part.get_attrib("NAME").dxf for part in _posts(_read(plan, tmp_path, DxfStyle(scale=500))).values()]
        starts = np.array([(label.insert.x, label.insert.y) for label in labels])
        turn = np.radians([label.rotation for label in labels])
        up = np.column_stack([-np.sin(turn), np.cos(turn)])
        apart = np.abs(np.sum(np.diff(starts, axis=0) * up[:-1], axis=1))
        assert apart.min() > 0.9

    def test_the_job_says_how(self, tmp_path: Path) -> None:
        plan = made_up_plan()
        job = {"dxf.posts": Parameter(value="3d", origin="job"), "dxf.scale": Parameter(value=250.0, origin="job")}
        document = _read(replace(plan, parameters={**plan.parameters, **job}), tmp_path)
        assert len(document.modelspace().query("INSERT[layer=='FENCE-POST-BODY']")) == 40
        assert next(iter(_posts(document).values())).get_attrib("NAME").dxf.height == pytest.approx(0.45)
        assert DxfStyle.of(plan) == DxfStyle(posts="2d", scale=500, exaggeration=5)
