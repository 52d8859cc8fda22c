"""A plan whose parts do not fit each other is told, place by place. No numbers of its own: rows of a made-up plan."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from geofence.engine.records import Bays, Finding, Strains
from geofence.packed import UnfitError
from geofence.plan import ExistingPosts, FencePlan, LeafWay, PlannedGate, Run
from geofence.plan_rows import check_rows
from tests.networks import paddocks
from tests.plans import made_up_plan

Change = Callable[[FencePlan], FencePlan]


def in_run(**changes: Any) -> Change:
    return lambda plan: replace(plan, runs=(replace(plan.runs[0], **changes),))


def in_bays(**changes: Any) -> Change:
    return lambda plan: replace(plan, fence=replace(plan.fence, bays=replace(plan.fence.bays, **changes)))


def in_places(**changes: Any) -> Change:
    return lambda plan: replace(plan, places=replace(plan.places, **changes))


def found(**rows: int | tuple[int, ...]) -> Change:
    finding = Finding(code="x", severity="note", message="x", **rows)  # type: ignore[arg-type]
    return lambda plan: replace(plan, fence=replace(plan.fence, findings=(finding,)))


def gated(*, bay: int = 0, post: int = 0) -> Change:
    nowhere = dict.fromkeys(("lon_deg", "lat_deg", "easting", "northing"), np.zeros(2))
    way = LeafWay(post=post, side="left", length_m=1.0, open_deg=90.0, **nowhere)
    gate = PlannedGate(
        name="G", bay=bay, swing="left", leaves=1, leaf_kg=None, post_width_m=0.1, hole_diameter_m=0.3, ways=(way,)
    )
    return lambda plan: replace(plan, gates=(gate,))


def standing(post: int) -> Change:
    nowhere = dict.fromkeys(("left_m", "ahead_m", "easting", "northing", "top_level_m"), np.zeros(1))
    return lambda plan: replace(plan, existing=ExistingPosts(post=np.array([post]), name=("E1",), **nowhere))


def strained(from_post: int, to_post: int) -> Change:
    one: dict[str, Any] = dict.fromkeys(Strains.__dataclass_fields__, np.ones(1))
    strains = Strains(**one | {"from_post": np.array([from_post]), "to_post": np.array([to_post])})
    return lambda plan: replace(plan, fence=replace(plan.fence, strains=strains))


def at_stations(chainage_m: float) -> Change:
    def change(plan: FencePlan) -> FencePlan:
        moved = plan.stations.chainage_m.copy()
        moved[3] = chainage_m
        return replace(plan, stations=replace(plan.stations, chainage_m=moved))

    return change


def test_a_plan_passes() -> None:
    check_rows(made_up_plan(40))
    for change in (found(post=39, bay=38), gated(bay=38, post=39), strained(0, 39)):
        check_rows(change(made_up_plan(40)))


def test_so_does_one_of_several_lines_and_rings() -> None:
    plan = paddocks()
    assert len(plan.runs) > 2
    assert any(run.closed for run in plan.runs)
    check_rows(plan)


def _rows(count: int, *, last: int) -> np.ndarray:
    return np.append(np.arange(count - 1), last)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (in_bays(from_post=_rows(39, last=40)), "fence/bays/from_post names row 40, and there are 40 posts"),
        (in_bays(to_post=_rows(39, last=-1)), "fence/bays/to_post names row -1, and there are 40 posts"),
        (strained(-1, 3), "fence/strains/from_post names row -1"),
        (strained(0, 40), "fence/strains/to_post names row 40"),
        (in_run(posts=_rows(40, last=40)), "runs/posts names row 40, and there are 40 posts"),
        (in_run(bays=_rows(39, last=39)), "runs/bays names row 39, and there are 39 bays"),
        (in_run(stations=_rows(40, last=40)), "runs/stations names row 40, and there are 40 stations"),
        (in_run(legs=np.array([2])), "runs/legs names row 2, and there are 2 legs"),
        (found(post=40), "fence/findings/post names row 40"),
        (found(posts=(0, 40)), "fence/findings/posts names row 40, and there are 40 posts"),
        (found(bay=10**30), f"fence/findings/bay names row {10**30}, and there are 39 bays"),
        (standing(40), "existing/post names row 40"),
        (gated(bay=39), "gates/bay names row 39"),
        (gated(post=-2), "gates/ways/post names row -2"),
        (in_run(posts=np.arange(39), chainage_m=np.arange(39.0)), "runs/bays has 39 bays between 39 posts"),
        (in_run(chainage_m=np.arange(39.0)), "runs/chainage_m has 39 values for 40 posts"),
        (in_run(closed=True), "runs/bays has 39 bays between 40 posts"),
        (in_run(bays=np.arange(39)[::-1]), "a bay that does not go from its run's post to the next"),
        (in_bays(to_post=np.roll(np.arange(1, 40), 1)), "a bay that does not go from its run's post to the next"),
        (in_run(posts=np.arange(39), chainage_m=np.arange(39.0), bays=np.arange(38)), "runs/posts leaves out row 39"),
        (in_run(stations=np.arange(1)), "runs has a run of 1 stations and 2 legs"),
        (in_run(legs=np.arange(0)), "runs has a run of 40 stations and 0 legs"),
        (at_stations(np.nan), "stations/chainage_m does not increase along its run"),
        (at_stations(-1e300), "stations/chainage_m does not increase along its run"),
        (in_places(northing=np.full(40, np.nan)), "places/northing holds what is no number"),
        (lambda plan: replace(plan, places=made_up_plan(39).places), "places has 39 rows, and there are 40 posts"),
        (lambda plan: replace(plan, runs=()), "runs has none"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told(change: Change, says: str) -> None:
    with pytest.raises(UnfitError, match=says):
        check_rows(change(made_up_plan(40)))


def test_a_bay_that_is_in_no_run() -> None:
    """Two bays between the same posts, one of them forgotten."""
    plan = made_up_plan(4)
    doubled: dict[str, Any] = {
        name: (*values, values[-1]) if isinstance(values, tuple) else np.append(values, values[-1])
        for name in Bays.__dataclass_fields__
        for values in [getattr(plan.fence.bays, name)]
    }
    with pytest.raises(UnfitError, match="runs/bays leaves out row 3"):
        check_rows(replace(plan, fence=replace(plan.fence, bays=Bays(**doubled))))


def test_a_line_without_a_name_beside_others() -> None:
    plan = paddocks()
    runs: tuple[Run, ...] = (replace(plan.runs[0], line=""), *plan.runs[1:])
    with pytest.raises(UnfitError, match="runs/line has a name for some lines and none for others"):
        check_rows(replace(plan, runs=runs))
