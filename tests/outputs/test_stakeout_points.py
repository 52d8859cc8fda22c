"""Where marks beside posts stand, and what points are called. Expected places are closed form, on lines made here."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import shapely
from pyproj import Transformer

from geofence.engine.records import Bays, Posts
from geofence.errors import JobError
from geofence.outputs import stakeout, stakeout_note
from geofence.outputs.mark_ways import CLEAR_M, CLEAR_SHARE
from geofence.outputs.stakeout_points import StakeoutPoints, stakeout_points
from geofence.plan import FencePlan, Places, PlannedZone, Run, ZoneOutline
from geofence.stakeout_style import StakeoutStyle
from tests.networks import paddocks
from tests.plans import made_up_plan


def _plan(corners: Sequence[tuple[float, float]], *, closed: bool = False, scale: float = 1.0) -> FencePlan:
    """A fence with a post at each corner; a metre on the ground is ``scale`` units of the grid."""
    east, north = np.array(corners, dtype=float).T
    count = len(east)
    ends = np.arange(count + 1) % count if closed else np.arange(count)
    width = np.hypot(np.diff(east[ends]), np.diff(north[ends])) / scale
    nothing, along = np.zeros(count), np.arange(count, dtype=float)
    posts = Posts(
        chainage_m=along, kind=("line",) * count, deflection_deg=nothing, ground_level_m=nothing, top_level_m=nothing,
        toe_level_m=nothing, embedment_m=nothing, stock_length_m=nothing, support_back_m=nothing,
        support_ahead_m=nothing,
    )  # fmt: skip
    bays = len(width)
    columns = {name: np.zeros(bays) for name in Bays.__dataclass_fields__ if name not in ("kind", "width_m")}
    columns |= {"from_post": ends[:-1], "to_post": ends[1:]}
    run = Run(
        line="", posts=np.arange(count), chainage_m=along, bays=np.arange(bays), stations=[], legs=[], closed=closed
    )
    plan = made_up_plan(relief=False)
    return replace(
        plan,
        fence=replace(plan.fence, posts=posts, bays=Bays(kind=("full",) * bays, width_m=width, **columns), findings=()),
        places=Places(
            lon_deg=nothing, lat_deg=nothing, easting=east, northing=north, bearing_deg=nothing,
            survey_distance_m=nothing,
        ),
        runs=(run,),
    )  # fmt: skip


def _marks(plan: FencePlan, *offset_m: float) -> list[tuple[float, float]]:
    points = stakeout_points(plan, StakeoutStyle(offset_m=offset_m))
    marks = points.offset_m != 0
    return list(zip(points.easting[marks].round(9).tolist(), points.northing[marks].round(9).tolist(), strict=True))


def _points(count: int = 40, **style: object) -> StakeoutPoints:
    return stakeout_points(made_up_plan(count, relief=False), StakeoutStyle(**style))  # type: ignore[arg-type]


class TestMarks:
    def test_stand_left_of_travel(self) -> None:
        assert _marks(_plan([(0, 0), (10, 0), (20, 0)]), 1.5) == [(0, 1.5), (10, 1.5), (20, 1.5)]
        assert _marks(_plan([(20, 0), (10, 0), (0, 0)]), 1.5) == [(20, -1.5), (10, -1.5), (0, -1.5)]
        assert _marks(_plan([(0, 0), (0, 7)]), 2.0) == [(-2, 0), (-2, 7)]

    def test_or_right(self) -> None:
        assert _marks(_plan([(0, 0), (10, 0)]), -1.5) == [(0, -1.5), (10, -1.5)]

    def test_at_a_corner_where_its_angle_is_halved(self) -> None:
        half = 1.5 * np.sqrt(0.5)
        corner = _plan([(0, 0), (10, 0), (10, 30)])
        assert _marks(corner, 1.5)[1] == pytest.approx((10 - half, half))
        assert _marks(corner, -1.5)[1] == pytest.approx((10 + half, -half))

    def test_as_far_as_said_at_any_turn(self) -> None:
        for turn in np.radians([1, 30, 90, 135, 170, 179.9]):
            plan = _plan([(0, 0), (10, 0), (10 + 5 * np.cos(turn), 5 * np.sin(turn))])
            assert np.hypot(*np.subtract(_marks(plan, 2.0)[1], (10, 0))) == pytest.approx(2.0, abs=1e-9)

    def test_where_the_line_turns_back_square_off_the_bay_ahead(self) -> None:
        assert _marks(_plan([(0, 0), (10, 0), (5, 0)]), 1.0)[1] == (10, -1)

    def test_on_a_ring_every_post_is_between_two_bays(self) -> None:
        half = np.sqrt(0.5)
        square = _plan([(0, 0), (10, 0), (10, 10), (0, 10)], closed=True)
        inside = [(half, half), (10 - half, half), (10 - half, 10 - half), (half, 10 - half)]
        assert np.array(_marks(square, 1.0)) == pytest.approx(np.array(inside))

    def test_as_far_as_a_tape_measures(self) -> None:
        """Twice the grid's units for each metre on the ground; and 3.2 where one bay has 2.4 and the other 4."""
        assert _marks(_plan([(0, 0), (10, 0)], scale=2.0), 1.5) == [(0, 3), (10, 3)]
        plan = _plan([(0, 0), (12, 0), (32, 0)])
        bays = replace(plan.fence.bays, width_m=[5.0, 5.0])
        plan = replace(plan, fence=replace(plan.fence, bays=bays))
        assert _marks(plan, 1.0) == [(0, 2.4), (12, 3.2), (32, 4)]

    def test_lines_that_meet(self) -> None:
        """A post of two runs goes by the first of them, but no mark stands in the other: sin 20 > 0.3 > sin 15."""
        plan = _plan([(0, 0), (10, 0), (20, 0), (10, 9)])
        bays = replace(
            plan.fence.bays, from_post=[0, 1, 1], to_post=[1, 2, 3], width_m=[10.0, 10.0, 9.0],
        )  # fmt: skip
        first = replace(plan.runs[0], posts=[0, 1, 2], chainage_m=[0, 10, 20], bays=[0, 1])
        second = replace(plan.runs[0], posts=[1, 3], chainage_m=[0, 9], bays=[2])
        plan = replace(plan, fence=replace(plan.fence, bays=bays), runs=(first, second))
        turned = np.radians(20)
        expected = [(0, 1), (10 - np.sin(turned), np.cos(turned)), (20, 1), (9, 9)]
        assert np.array(_marks(plan, 1.0)) == pytest.approx(np.array(expected))

    def test_a_line_that_comes_back_to_its_own_post(self) -> None:
        """It goes on straight east at (10, 0), and ends there from the south: the mark is not on the fence."""
        plan = _plan([(0, 0), (10, 0), (20, 0), (20, -10), (10, -10)])
        bays = {name: np.append(getattr(plan.fence.bays, name), 0) for name in Bays.__dataclass_fields__}
        bays |= {"kind": ("full",) * 5, "from_post": np.arange(5), "to_post": [1, 2, 3, 4, 1], "width_m": [10.0] * 5}
        run = replace(plan.runs[0], posts=[0, 1, 2, 3, 4, 1], chainage_m=np.arange(6) * 10.0, bays=np.arange(5))
        plan = replace(plan, fence=replace(plan.fence, bays=Bays(**bays)), runs=(run,))
        assert _marks(plan, 1.0)[:2] == [(0, 1), (10, 1)]


class TestClearOfFences:
    @pytest.mark.parametrize("offset_m", [(0.5,), (1.0, -1.0), (2.0, -2.0, 5.0), (0.3, -0.4)])
    def test_in_a_network_no_mark_stands_in_a_fence(self, offset_m: tuple[float, ...]) -> None:
        """(c) shapely's distances: where fences cross, meet and bend."""
        plan = paddocks()
        posts = np.column_stack([plan.places.easting, plan.places.northing])
        bays = plan.fence.bays
        fences = shapely.union_all(shapely.linestrings(posts[np.column_stack([bays.from_post, bays.to_post])]))
        points = stakeout_points(plan, StakeoutStyle(offset_m=offset_m))
        marks = np.flatnonzero(points.offset_m)
        places = np.column_stack([points.easting, points.northing])
        away = places[marks] - posts[points.post[marks]]
        far = np.abs(points.offset_m[marks])
        assert np.hypot(*away.T) == pytest.approx(far, rel=1e-3)
        wanted = np.minimum(CLEAR_M, CLEAR_SHARE * far)
        assert np.all(shapely.distance(shapely.points(places[marks]), fences) > 0.999 * wanted)
        ways = (away / points.offset_m[marks, np.newaxis]).reshape(len(posts), -1, 2)
        assert np.abs(ways - ways[:, :1]).max() < 1e-7  # a string along a post's marks passes over its middle
        assert points.clear.min() == 1.0

    def test_marks_that_are_clear_stay_square_off_their_line(self) -> None:
        """All but those of the posts next to where lines meet, at most two to each side of each."""
        plan = paddocks()
        points = stakeout_points(plan, StakeoutStyle(offset_m=(1.0,)))
        east, north = (values[1::2] - values[::2] for values in (points.easting, points.northing))
        ahead, kinds = np.radians(plan.places.bearing_deg), np.array(plan.fence.posts.kind)
        along = east * np.sin(ahead) + north * np.cos(ahead)
        turned = (np.abs(along) > 1e-6) & (kinds == "line")
        assert turned.sum() <= 4 * np.count_nonzero(kinds == "junction")
        assert turned.sum() < 0.02 * len(kinds)

    def test_a_mark_that_nothing_keeps_clear_is_told(self, tmp_path: Path) -> None:
        """Six bays about a post leave 30 degrees beside each: half of 0.3 m, where 0.7 of it is wanted."""
        angles = np.radians(np.arange(6) * 60)
        plan = _plan([(0, 0), *zip(np.cos(angles) * 10, np.sin(angles) * 10, strict=True)])
        bays = replace(plan.fence.bays, from_post=[0] * 6, to_post=range(1, 7), width_m=[10.0] * 6)
        spokes = tuple(
            replace(plan.runs[0], posts=[0, 1 + spoke], chainage_m=[0, 10], bays=[spoke]) for spoke in range(6)
        )
        plan = replace(plan, fence=replace(plan.fence, bays=bays), runs=spokes)
        points = stakeout_points(plan, StakeoutStyle(offset_m=(0.3,)))
        assert points.clear[:2] == pytest.approx([1.0, 0.5 / 0.7])
        assert points.clear[2:] == pytest.approx(np.ones(12))
        stakeout_note.write(plan, tmp_path / "note.txt", style=StakeoutStyle(offset_m=(0.3,)))
        told = (tmp_path / "note.txt").read_text(encoding="utf-8")
        assert "No way is clear at P001L: look where their pegs go" in told


PIPE = [(10.3, -6.0), (10.3, 6.0)]
"""Crosses a fence along y = 0 square, 0.3 m past its second post."""


def _beside(drawn: Sequence[tuple[float, float]], *, rule: str = "keep-clear", name: str = "Gas main") -> FencePlan:
    """Posts at x = 0, 10 and 20 and a zone of 0.5 m round what is drawn, from an invented corner of the grid."""
    plan = _plan([(0, 0), (10, 0), (20, 0)])
    to_degrees = Transformer.from_crs(32630, 4326, always_xy=True)
    easting, northing = plan.places.easting + 560_000, plan.places.northing + 5_900_000
    lon, lat = to_degrees.transform(easting, northing)
    places = replace(plan.places, easting=easting, northing=northing, lon_deg=lon, lat_deg=lat)
    lon, lat = to_degrees.transform(*(np.array(drawn) + np.array([560_000, 5_900_000])).T)
    zone = PlannedZone(
        name=name, rule=rule, source="", buffer_m=0.5, limit_m=0.0,
        outlines=(ZoneOutline(lon_deg=lon, lat_deg=lat, area=drawn[0] == drawn[-1]),),
    )  # fmt: skip
    return replace(plan, places=places, zones=(zone,))


class TestClearOfKeepClears:
    """A mark at (10 - sin t, cos t) and its like, t the turn: wanted are 0.5 m and a peg's 0.05 from the pipe."""

    def _of_second_post(self, plan: FencePlan, *offset_m: float) -> list[tuple[float, float]]:
        each = len(offset_m)
        return [(x - 560_010, y - 5_900_000) for x, y in _marks(plan, *offset_m)[each : 2 * each]]

    @pytest.mark.parametrize(("offset_m", "turn_deg"), [((1.0,), 15), ((1.0, -1.0), 60), ((3.0, -3.0), 20)])
    def test_marks_are_turned_away(self, offset_m: tuple[float, ...], turn_deg: float) -> None:
        """(a) one mark: 0.3 + sin t > 0.55; one on either side: d sin t - 0.3 > 0.55. Of 5 degrees each, the first."""
        turn = np.radians(turn_deg)
        expected = [(-d * np.sin(turn), d * np.cos(turn)) for d in offset_m]
        assert np.array(self._of_second_post(_beside(PIPE), *offset_m)) == pytest.approx(np.array(expected), abs=1e-6)
        points = stakeout_points(_beside(PIPE), StakeoutStyle(offset_m=offset_m))
        assert set(points.no_peg) == {None}

    @pytest.mark.parametrize("rule", ["no-fence", "consult", "setback"])
    def test_other_rules_turn_none(self, rule: str) -> None:
        assert np.array(self._of_second_post(_beside(PIPE, rule=rule), 1.0)) == pytest.approx(np.array([(0, 1)]))

    def test_a_mark_that_no_turn_takes_out_is_told(self, tmp_path: Path) -> None:
        """(a) a pipe at 10.4: at 60 degrees the right one is 0.866 - 0.4 from it, and the left one clear."""
        plan = _beside([(10.4, -6.0), (10.4, 6.0)], name="=Gas\nmain")
        style = StakeoutStyle(offset_m=(1.0, -1.0))
        points = stakeout_points(plan, style)
        (found,) = [(name, no_peg) for name, no_peg in zip(points.name, points.no_peg, strict=True) if no_peg]
        assert found[0] == "P002R"
        assert found[1].away_m == pytest.approx(np.sqrt(0.75) - 0.4, abs=1e-6)
        stakeout_note.write(plan, tmp_path / "note.txt", style=style)
        told = (tmp_path / "note.txt").read_text(encoding="utf-8")
        drawn = "what is drawn of =Gas main (keep-clear)"
        assert f"- DRIVE NO PEG AT P002R: it is 0.466 m from {drawn}, and must be 0.550 m.\n" in told
        assert "Have services located before pegs are driven, too" in told
        for pattern in (style.description, "FP"):
            stakeout.write(plan, tmp_path / "points.csv", style=replace(style, description=pattern))
            with (tmp_path / "points.csv").open(encoding="utf-8-sig", newline="") as file:
                rows = list(csv.DictReader(file))
            warned = [row["point"] for row in rows if row["description"].startswith("NO PEG, in =Gas main: ")]
            assert warned == ["P002R"]

    def test_nor_is_one_driven_within_an_area(self) -> None:
        plan = _beside([(5.0, -5.0), (15.0, -5.0), (15.0, 5.0), (5.0, 5.0), (5.0, -5.0)])
        points = stakeout_points(plan, StakeoutStyle(offset_m=(1.0, -1.0)))
        found = {name: no_peg.away_m for name, no_peg in zip(points.name, points.no_peg, strict=True) if no_peg}
        assert found == {"P002L": 0.0, "P002R": 0.0}

    def test_however_many_there_are_each_is_named(self, tmp_path: Path) -> None:
        plan = _beside([(-50.0, -50.0), (50.0, -50.0), (50.0, 50.0), (-50.0, 50.0), (-50.0, -50.0)])
        style = StakeoutStyle(offset_m=tuple(float(d) for d in range(1, 12)))
        stakeout_note.write(plan, tmp_path / "note.txt", style=style)
        told = (tmp_path / "note.txt").read_text(encoding="utf-8")
        lines = [line for line in told.splitlines() if "DRIVE NO PEG" in line]
        words = set(" ".join(lines).replace(",", " ").replace(":", " ").split())
        marks = [name for name in stakeout_points(plan, style).name if "L" in name]
        assert len(marks) == 33
        assert words.issuperset(marks)

    def test_without_marks_nothing_is_said_of_pegs(self, tmp_path: Path) -> None:
        stakeout_note.write(_beside(PIPE), tmp_path / "note.txt", style=StakeoutStyle())
        assert "peg" not in (tmp_path / "note.txt").read_text(encoding="utf-8").lower()


class TestNames:
    def test_of_marks_say_side_and_rank(self) -> None:
        names = _points(offset_m=(2.0, -1.0, 1.0, -3.0, 4.0)).name
        assert names[:7] == ("P001", "P001L", "P001L2", "P001L3", "P001R", "P001R2", "P002")

    def test_and_nearer_ones_come_first(self) -> None:
        points = _points(offset_m=(2.0, -1.0, 1.0))
        found = dict(zip(points.name, points.offset_m.tolist(), strict=True))
        assert [found[name] for name in ("P001", "P001L", "P001L2", "P001R")] == [0, 1, 2, -1]

    @pytest.mark.parametrize(
        ("style", "count", "first", "last"),
        [
            ({}, 40, "P001", "P040"),
            ({"prefix": "NB-"}, 40, "NB-001", "NB-040"),
            ({"prefix": ""}, 40, "001", "040"),
            ({"prefix": "NORTH", "name_length": 8}, 40, "NORTH001", "NORTH040"),
            ({"prefix": "NORTH", "name_length": 7}, 40, "NORTH01", "NORTH40"),
            ({"prefix": "NORTH", "name_length": 4}, 40, "NO01", "NO40"),
            ({"name_length": 4}, 40, "P001", "P040"),
            ({"name_length": 4}, 1000, "0001", "1000"),
            ({"name_length": 5}, 1000, "P0001", "P1000"),
            ({"prefix": "NORTH", "name_length": 8, "offset_m": (1.0, 2.0)}, 40, "NORT01", "NORT40L2"),
        ],
    )
    def test_within_the_devices_limit(self, style: dict[str, object], count: int, first: str, last: str) -> None:
        names = _points(count, **style).name
        assert (names[0], names[-1]) == (first, last)
        assert len(set(names)) == len(names)
        assert max(map(len, names)) <= style.get("name_length", 99)  # type: ignore[operator]

    def test_that_are_too_short_to_tell_them_apart(self) -> None:
        with pytest.raises(JobError, match="names of 4 characters cannot tell 1000 posts apart: 4, limit 5"):
            _points(1000, name_length=4, offset_m=(1.0,))
