"""Where findings stand: by closed forms on made-up fences, and at the same place in every output."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import ezdxf
import geopandas
import numpy as np
import pyogrio
import pytest
from pyproj import Transformer

from geofence import screen
from geofence.engine.records import Finding
from geofence.outputs import stakeout_note
from geofence.outputs.dxf import plan as plan_dxf
from geofence.outputs.dxf import section as section_dxf
from geofence.outputs.gis import gpkg
from geofence.outputs.kml import document as kml
from geofence.outputs.map.findings import findings as on_the_map
from geofence.outputs.setout.posts import whole_plan_notes
from geofence.outputs.sheets import drawing_signs
from geofence.outputs.sheets.document import sheets
from geofence.placed_findings import FindingPlace, finding_places, worst_first
from geofence.plan import FencePlan
from tests.outputs.runs import in_two_runs, on_a_square
from tests.plans import MODULE_M, made_up_plan


def finding(**where: Any) -> Finding:
    return Finding(**{"code": "c", "severity": "warn", "message": "m"} | where)


def with_findings(plan: FencePlan, *found: Finding) -> FencePlan:
    return replace(plan, fence=replace(plan.fence, findings=found))


def placed(plan: FencePlan, **where: Any) -> FindingPlace | None:
    (place,) = finding_places(with_findings(plan, finding(**where)))
    return place


def at(plan: FencePlan, **where: Any) -> tuple[int, float, float, float]:
    """The run, and the chainages of the sign and of the ends of the stretch, in bays."""
    place = placed(plan, **where)
    assert place is not None
    return place.run, *(value / MODULE_M for value in (place.at_m, place.from_m, place.to_m))


class TestFindingPlaces:
    """(a) posts stand a module apart; the second of two runs begins at post 20."""

    @pytest.mark.parametrize(
        ("where", "expected"),
        [
            ({"post": 7}, (0, 7, 7, 7)),
            ({"bay": 5}, (0, 5.5, 5, 6)),
            ({"bay": 30}, (1, 31.5, 31, 32)),  # one bay is missing before it
            ({"chainage_m": 2.5 * MODULE_M}, (0, 2.5, 2.5, 2.5)),
            ({"chainage_m": 25.5 * MODULE_M, "chainage_to_m": 28 * MODULE_M}, (1, 26.75, 25.5, 28)),
            ({"chainage_m": 21 * MODULE_M, "line": "south"}, (1, 21, 21, 21)),
            ({"post": 22, "chainage_m": 21 * MODULE_M, "chainage_to_m": 26 * MODULE_M}, (1, 22, 21, 26)),
            ({"bay": 5, "chainage_m": 3 * MODULE_M, "chainage_to_m": 8 * MODULE_M}, (0, 5.5, 3, 8)),
        ],
    )  # fmt: skip
    def test_are_at_the_post_the_middle_of_the_bay_or_of_the_stretch(self, where: Any, expected: Any) -> None:
        assert at(in_two_runs(), **where) == pytest.approx(expected, abs=1e-9)

    def test_beyond_the_fence_are_at_its_nearest_end(self) -> None:
        plan = in_two_runs()
        assert at(plan, chainage_m=2.5 * MODULE_M, line="south") == pytest.approx((1, 20, 20, 20))
        assert at(plan, chainage_m=1e6) == pytest.approx((1, 39, 39, 39))
        assert at(plan, chainage_m=17 * MODULE_M, chainage_to_m=20 * MODULE_M, line="north") == pytest.approx(
            (0, 18.5, 17, 19)
        )

    @pytest.mark.parametrize(
        "where", [{}, {"chainage_m": np.nan}, {"chainage_m": 2.0, "line": "elsewhere"}, {"line": "north"}]
    )
    def test_of_the_whole_plan_or_of_a_line_without_fence_have_none(self, where: Any) -> None:
        assert placed(in_two_runs(), **where) is None

    def test_a_post_of_two_lines_is_on_the_one_that_the_finding_names(self) -> None:
        plan = in_two_runs()
        north, south = plan.runs
        shared = replace(south, posts=np.concatenate([[5], south.posts[1:]]))
        plan = replace(plan, runs=(north, shared))
        assert at(plan, post=5, line="south")[:2] == pytest.approx((1, 20))
        assert at(plan, post=5, line="north")[:2] == pytest.approx((0, 5))
        assert at(plan, post=5)[:2] == pytest.approx((0, 5))

    def test_lie_on_a_ring_as_far_as_it_closes(self) -> None:
        plan = on_a_square(10)
        place = placed(plan, bay=39)
        assert place is not None
        assert (place.nth, place.behind, place.ahead) == (39, 39, 0)
        assert place.of(plan.places.easting) == pytest.approx(560_000 + MODULE_M / 2, abs=1e-6)
        assert placed(plan, chainage_m=40 * MODULE_M) == FindingPlace(
            run=0, at_m=40 * MODULE_M, from_m=40 * MODULE_M, to_m=40 * MODULE_M, nth=40, behind=0, ahead=0, share=0.0
        )

    def test_at_a_post_but_for_rounding_follow_no_post_before_it(self) -> None:
        plan = made_up_plan()
        (run,) = plan.runs
        for nth in range(1, 40):
            place = placed(plan, chainage_m=float(np.nextafter(run.chainage_m[nth], 0.0)))
            assert place is not None
            assert (place.nth, place.share) == (nth, 0.0)


class TestWorstFirst:
    def test_by_severity_then_run_by_run_along_the_fence(self) -> None:
        found = (
            finding(code="a", severity="note", post=3),
            finding(code="b", severity="warn", chainage_m=20 * MODULE_M, line="south"),
            finding(code="c", severity="warn", post=18, line="north"),
            finding(code="d", severity="warn", bay=2),
            finding(code="e", severity="stop", chainage_m=1.0),
            finding(code="f", severity="warn"),
            finding(code="g", severity="stop", chainage_m=np.nan),
        )
        assert "".join(item.code for item, _ in worst_first(with_findings(in_two_runs(), *found))) == "gefdcba"

    def test_is_the_order_of_the_screen_the_note_the_map_and_the_sheet(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        found = [finding(code=f"c{row}", message=f"M{row}", chainage_m=30.0 - row, severity="warn") for row in range(5)]
        found.append(finding(code="c9", message="M9", chainage_m=50.0, severity="stop"))
        plan = with_findings(made_up_plan(), *found)
        order = ["M9", "M4", "M3", "M2", "M1", "M0"]

        def told(text: str) -> list[str]:
            return re.findall(r"M\d", text)

        stakeout_note.write(plan, tmp_path / "note.txt")
        assert told((tmp_path / "note.txt").read_text(encoding="utf-8")) == order
        screen.plan_summary(plan, [], tmp_path)
        assert told(capsys.readouterr().out) == order
        listed = on_the_map(plan)
        assert [listed["texts"][row] for row in listed["message"]] == order
        assert told(" ".join(note.text for note in whole_plan_notes(plan))) == order


class TestEveryOutput:
    """A finding about five bays of a bent fence, and one about a bay: read back from each output."""

    FOUND = (
        finding(code="stretch", severity="stop", chainage_m=17 * MODULE_M, chainage_to_m=22 * MODULE_M),
        finding(code="bay", severity="warn", bay=30),
    )
    BETWEEN = ((19, 20), (30, 31))
    """(a) 19.5 modules are half way between posts 19 and 20."""

    def test_has_them_at_one_place(self, tmp_path: Path) -> None:
        plan = with_findings(made_up_plan(), *self.FOUND)
        posts = np.column_stack([plan.places.easting, plan.places.northing])
        expected = [posts[list(ends)].mean(axis=0) for ends in self.BETWEEN]
        for module in (plan_dxf, gpkg, kml):
            module.write(plan, tmp_path / module.OUTPUT.filename)
        listed = on_the_map(plan)
        shown = geopandas.read_file(tmp_path / kml.OUTPUT.filename, layer="Findings").geometry
        layer = pyogrio.read_dataframe(tmp_path / gpkg.OUTPUT.filename, layer="findings").geometry
        carry = Transformer.from_crs(4326, 32630, always_xy=True).transform
        seen = {
            "map": np.column_stack(carry(listed["lon_deg"], listed["lat_deg"])),
            "kml": np.column_stack(carry(shown.x, shown.y)),
            "gpkg": np.column_stack([layer.x, layer.y]),
            "dxf": np.array([found[:2] for found in self._marks(tmp_path / plan_dxf.OUTPUT.filename)]),
        }
        for output, places in seen.items():
            np.testing.assert_allclose(places, expected, rtol=0, atol=1e-3, err_msg=output)

    def test_has_them_at_one_chainage(self, tmp_path: Path) -> None:
        plan = with_findings(made_up_plan(), *self.FOUND)
        section_dxf.write(plan, tmp_path / "section.dxf")
        found = [mark[0] for mark in self._marks(tmp_path / "section.dxf")]
        assert found == pytest.approx([19.5 * MODULE_M, 30.5 * MODULE_M], abs=1e-4)

    def test_sheets_have_the_sign_in_the_middle(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Each in the middle between the signs of two posts that follow each other, on its own sheet."""
        signs: list[tuple[str, float, float]] = []
        for kind in ("finding", "post"):

            def drawn(_page: Any, x: float, y: float, _look: str, kind: str = kind) -> None:
                signs.append((kind, x, y))

            monkeypatch.setattr(drawing_signs, f"{kind}_sign", drawn)
        list(sheets(with_findings(made_up_plan(), *self.FOUND)))
        marks = [(x, y) for kind, x, y in signs if kind == "finding"]
        posts = [(x, y) for kind, x, y in signs if kind == "post"]
        middles = np.array([np.mean(pair, axis=0) for pair in pairwise(posts)])
        assert len(marks) == 2
        for mark in marks:
            assert np.hypot(*(middles - mark).T).min() < 1e-6

    def _marks(self, file: Path) -> list[tuple[float, float, float]]:
        inserts = ezdxf.readfile(file).modelspace().query("INSERT")
        return [tuple(item.dxf.insert) for item in inserts if item.dxf.name.startswith("FINDING-")]
