from __future__ import annotations

import json
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geofence.engine.records import Bays, Finding
from geofence.outputs.map.columns import packed
from geofence.outputs.map.data import (
    BAY_COLUMNS,
    BAY_EXTRAS,
    POST_COLUMNS,
    POST_EXTRAS,
    map_data,
    relief_box,
    script_text,
)
from geofence.outputs.map.gap_classes import gap_edges_m
from geofence.plan import FencePlan, Parameter
from tests.plans import made_up_plan


def unpacked(column: dict[str, Any], count: int, near: np.ndarray | None = None) -> np.ndarray:
    """The page's way back, written again from the format's description."""
    numbers = np.zeros(count)
    numbers[: len(column["values"])] = column["values"]
    for _ in range(column["order"]):
        numbers = np.cumsum(numbers)
    if near is not None:
        numbers = numbers + near
    numbers[column.get("holes", [])] = np.nan
    return numbers / 10 ** column.get("decimals", 0)


def unpacked_table(table: dict[str, Any], count: int) -> dict[str, np.ndarray]:
    known: dict[str, np.ndarray] = {}
    for name, column in table.items():
        near = None
        if "near" in column:
            parts = [np.nan_to_num(np.rint(known[part] * 1000)) for part in column["near"].split("-")]
            near = parts[0] - parts[1] if len(parts) == 2 else parts[0]
        known[name] = unpacked(column, count, near)
    return known


def with_limit(plan: FencePlan, **limits_m: float) -> FencePlan:
    stated = {f"levels.{name}": Parameter(value=value, origin="job") for name, value in limits_m.items()}
    return replace(plan, parameters={**plan.parameters, **stated})


def ring(plan: FencePlan) -> FencePlan:
    """The plan with one more bay, from its last post back to its first."""
    bays = plan.fence.bays
    last = {item.name: [*getattr(bays, item.name), getattr(bays, item.name)[-1]] for item in fields(bays)}
    count, end_m = len(plan.fence.posts), float(bays.end_m[-1])
    last["kind"] = tuple(last["kind"])
    last |= {"from_post": [*bays.from_post, count - 1], "to_post": [*bays.to_post, 0]}
    last |= {"start_m": [*bays.start_m, end_m], "end_m": [*bays.end_m, end_m + 50.0]}
    (run,) = plan.runs
    closed = replace(run, bays=np.arange(count), closed=True)
    return replace(plan, fence=replace(plan.fence, bays=Bays(**last)), runs=(closed,))


@given(st.lists(st.one_of(st.just(float("nan")), st.floats(-1e6, 1e6)), min_size=1, max_size=40), st.integers(0, 3))
def test_packing_is_exact_to_half_of_the_last_decimal(values: list[float], decimals: int) -> None:
    column = packed(values, decimals=decimals)
    back = unpacked(json.loads(script_text(column)), len(values))
    assert np.array_equal(np.isnan(back), np.isnan(values))
    assert back == pytest.approx(np.array(values), abs=0.5000001 * 10**-decimals, nan_ok=True)


def test_even_columns_take_no_room() -> None:
    assert packed(np.full(1000, 2.7), decimals=3)["values"] == [2700]
    assert packed(np.arange(1000) * 1.885, decimals=3)["values"] == [0, 1885]


def test_posts_and_bays_come_back_to_the_millimetre() -> None:
    plan = made_up_plan(60)
    data = json.loads(script_text(map_data(plan)))
    for part, columns, wanted in (
        ("posts", plan.post_columns(), POST_COLUMNS),
        ("bays", plan.bay_columns(), BAY_COLUMNS),
    ):
        back = unpacked_table(data[part]["table"], data[part]["count"])
        assert list(back)[: len(wanted)] == [name for name, _ in wanted]
        for name, values in back.items():
            assert values == pytest.approx(np.asarray(columns[name], float), abs=0.000501, nan_ok=True), name
    posts = data["posts"]
    for name in ("easting", "northing"):
        assert unpacked(posts[name], 60) == pytest.approx(getattr(plan.places, name), abs=0.000501)
    for name in ("lon_deg", "lat_deg"):
        assert unpacked(posts[name], 60) == pytest.approx(getattr(plan.places, name), abs=0.501e-9)


def test_every_number_of_the_contract_is_on_the_map() -> None:
    plan = made_up_plan()
    places = {"post", "kind", "easting", "northing", "findings"}
    assert {name for name, _ in POST_COLUMNS} <= set(plan.post_columns()) - places
    assert set(plan.post_columns()) - places <= {name for name, _ in POST_COLUMNS + POST_EXTRAS}
    bays = {"bay", "from_post", "to_post", "kind", "findings"}
    assert {name for name, _ in BAY_COLUMNS} == set(plan.bay_columns()) - bays
    sloping = replace(plan.fence.bays, slope_length_m=np.full(39, 1.9), cut_angle_deg=np.full(39, 5.0))
    columns = set(replace(plan, fence=replace(plan.fence, bays=sloping)).bay_columns()) - bays
    assert columns <= {name for name, _ in BAY_COLUMNS + BAY_EXTRAS}


def test_a_grid_in_degrees_keeps_nine_decimals() -> None:
    plan = made_up_plan()
    plan = replace(plan, grid=replace(plan.grid, unit="degree"))
    assert map_data(plan)["posts"]["easting"]["decimals"] == 9


def test_text_cannot_leave_its_script_element() -> None:
    text = script_text({"a": "</script><!--\u2028\u2029", "b": "é"})
    assert text.isascii()
    assert "<" not in text
    assert json.loads(text) == {"a": "</script><!--\u2028\u2029", "b": "é"}


@pytest.mark.parametrize(
    ("limit_m", "edges_m"),
    [
        (0.15, (0.0, 0.05, 0.10, 0.15)),
        (0.10, (0.0, 0.025, 0.05, 0.075, 0.10)),
        (0.12, (0.0, 0.05, 0.10, 0.12)),
        (2.0, (0.0, 0.5, 1.0, 1.5, 2.0)),
        (0.0, (0.0,)),
    ],
)
def test_gap_classes_are_round_and_end_at_the_limit(limit_m: float, edges_m: tuple[float, ...]) -> None:
    """(a) the smallest of 1, 2, 2.5, 5 times a power of ten that takes at most four steps."""
    assert gap_edges_m(with_limit(made_up_plan(), gap_max_m=limit_m)) == pytest.approx(edges_m)


def test_without_a_limit_the_classes_reach_the_largest_gap_within_limits() -> None:
    plan = made_up_plan()
    gap_m = plan.fence.bays.gap_max_m.copy()
    gap_m[20] = 0  # the bay whose finding says stop
    assert gap_edges_m(plan)[-1] == pytest.approx(gap_m.max())


def test_bays_over_the_limit_or_stopped_are_told_apart() -> None:
    plan = made_up_plan()
    assert map_data(plan)["bays"]["over_limit"] == [20]
    limit_m = float(np.sort(plan.fence.bays.gap_max_m)[-4])
    # A limit met exactly is met.
    over = map_data(with_limit(plan, gap_max_m=limit_m))["bays"]["over_limit"]
    expected = set(np.flatnonzero(plan.fence.bays.gap_max_m > limit_m)) | {20}
    assert set(over) == expected
    dug = map_data(with_limit(plan, dig_max_m=-10.0))["bays"]["over_limit"]
    assert len(dug) == len(plan.fence.bays)


def test_a_gate_has_no_gap_limit() -> None:
    plan = made_up_plan()
    bays = replace(plan.fence.bays, kind=("gate",) * len(plan.fence.bays))
    plan = with_limit(replace(plan, fence=replace(plan.fence, bays=bays, findings=())), gap_max_m=-1.0)
    assert map_data(plan)["bays"]["over_limit"] == []


def test_findings_come_worst_first_then_along_the_line() -> None:
    plan = made_up_plan()
    more = Finding(code="early", severity="stop", message="Early", chainage_m=1.0)
    plan = replace(plan, fence=replace(plan.fence, findings=(*plan.fence.findings, more)))
    found = map_data(plan)["findings"]
    words = [found["texts"][place] for place in found["code"]]
    assert words == ["early", "gap-over-limit", "post-extended", "grid-chosen"]
    assert found["severity"] == [0, 0, 1, 2]


def test_findings_lie_at_their_post_bay_or_chainage() -> None:
    """(a) the post's own place, the mean of a bay's two posts, the share of the way between two posts."""
    plan = ring(made_up_plan())
    lon, lat = plan.places.lon_deg, plan.places.lat_deg
    end_m = float(plan.fence.bays.end_m[-1])
    quarter = [lon[-1] + 0.25 * (lon[0] - lon[-1]), lat[-1] + 0.25 * (lat[0] - lat[-1])]
    cases = [
        (Finding(code="x", severity="note", message="x", post=5), [lon[5], lat[5]]),
        (Finding(code="x", severity="note", message="x", bay=7), [lon[7:9].mean(), lat[7:9].mean()]),
        (Finding(code="x", severity="note", message="x", bay=39), [lon[[39, 0]].mean(), lat[[39, 0]].mean()]),
        (Finding(code="x", severity="note", message="x", chainage_m=end_m - 37.5), quarter),
    ]
    for finding, place in cases:
        found = map_data(replace(plan, fence=replace(plan.fence, findings=(finding,))))["findings"]
        assert [found["lon_deg"][0], found["lat_deg"][0]] == pytest.approx(place, abs=1e-9)
    nowhere = Finding(code="x", severity="note", message="x")
    found = map_data(replace(plan, fence=replace(plan.fence, findings=(nowhere,))))["findings"]
    assert found["lon_deg"] == [None]


def test_a_fence_across_the_180th_meridian_stays_in_one_piece() -> None:
    plan = made_up_plan()
    turn = 180.0 - float(plan.places.lon_deg[20])
    places = replace(plan.places, lon_deg=(plan.places.lon_deg + turn + 180) % 360 - 180)
    legs = replace(plan.legs, lon_to_deg=(plan.legs.lon_to_deg + turn + 180) % 360 - 180)
    assert plan.relief is not None
    west_deg, east_deg = plan.relief.west_deg + turn, plan.relief.east_deg + turn - 360
    plan = replace(plan, places=places, legs=legs, relief=replace(plan.relief, west_deg=west_deg, east_deg=east_deg))
    data = map_data(plan)
    assert np.ptp(unpacked(data["posts"]["lon_deg"], 40)) < 0.01
    assert max(data["legs"]["lon_to_deg"]) > 180.0
    assert plan.relief is not None
    box = relief_box(plan, plan.relief)
    assert 0 < box["east_deg"] - box["west_deg"] < 0.01
