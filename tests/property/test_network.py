"""Rules that every network keeps, on lines through points of a coarse lattice, where much meets and much is shared."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geofence.site.line import Line
from geofence.site.network import Network, network
from tests.site.test_network import GEOD, TO_PLANE

Corners = tuple[tuple[int, int], ...]

POINTS = st.tuples(st.integers(0, 5), st.integers(0, 5))
"""Multiples of 20 m about a place; sight lines between them are straight in its plane to a micrometre."""


@st.composite
def corners(draw: st.DrawFn) -> Corners:
    """An open line or a ring that does not run back over itself."""
    places = draw(st.lists(POINTS, min_size=2, max_size=5, unique=True))
    if len(places) > 2 and draw(st.booleans()):
        places.append(places[0])
    assume(shapely.LineString(places).is_simple)
    return tuple(places)


NETWORKS = st.lists(corners(), min_size=1, max_size=5)


def line(places: Corners) -> Line:
    xy = 20.0 * np.array(places, dtype=float)
    lon, lat = (np.array(part) for part in TO_PLANE.transform(xy[:, 0], xy[:, 1], direction="INVERSE"))
    if places[0] == places[-1]:
        lon[-1], lat[-1] = lon[0], lat[0]
    return Line.through(lon, lat, geod=GEOD)


def met(lines: list[Corners], *, join_m: float = 0.001) -> Network:
    return network([line(places) for places in lines], join_m=join_m, near_m=0.001)


def plane(lon_deg: object, lat_deg: object) -> np.ndarray:
    return np.column_stack(TO_PLANE.transform(lon_deg, lat_deg))


def places_of(found: Network) -> np.ndarray:
    at = plane([each.lon_deg for each in found.junctions], [each.lat_deg for each in found.junctions])
    return at[np.lexsort(np.round(at.T, 3))] if len(at) else at.reshape(0, 2)


@settings(max_examples=150, deadline=None)
@given(NETWORKS)
def test_every_metre_is_fenced_once(lines: list[Corners]) -> None:
    found = met(lines)
    drawn = shapely.unary_union([shapely.LineString(20 * np.array(places)) for places in lines])
    assert sum(float(run.length_m.sum()) for run in found.runs) == pytest.approx(drawn.length, abs=1e-3)
    fenced = shapely.unary_union([shapely.LineString(plane(run.lon_deg, run.lat_deg)) for run in found.runs])
    assert shapely.hausdorff_distance(drawn, fenced) < 1e-3


WANDERING = st.lists(POINTS, min_size=2, max_size=7).map(
    lambda places: tuple(one for at, one in enumerate(places) if not at or one != places[at - 1])
)
"""A line that may run back over itself, whole legs of it or parts, and cross itself anywhere."""


@settings(max_examples=150, deadline=None)
@given(st.lists(WANDERING.filter(lambda places: len(places) > 1), min_size=1, max_size=2))
def test_every_metre_is_fenced_once_wherever_a_line_wanders(lines: list[Corners]) -> None:
    found = met(lines)
    drawn = shapely.unary_union([shapely.LineString(20 * np.array(places)) for places in lines])
    assert sum(float(run.length_m.sum()) for run in found.runs) == pytest.approx(drawn.length, abs=1e-3)
    passed = sum(shapely.LineString(20 * np.array(places)).length for places in lines)
    assert bool(found.shared) == (passed > drawn.length + 1e-3)


@settings(max_examples=150, deadline=None)
@given(NETWORKS)
def test_a_post_stands_wherever_three_ways_lead_off(lines: list[Corners]) -> None:
    found = met(lines)
    pieces = shapely.get_parts(shapely.unary_union([shapely.LineString(20 * np.array(places)) for places in lines]))
    ends = Counter(tuple(np.round(end, 4)) for piece in pieces for end in shapely.get_coordinates(piece)[[0, -1]])
    wanted = np.array([place for place, count in ends.items() if count > 2]).reshape(-1, 2)
    ours = places_of(found)
    for place in wanted:
        assert np.hypot(*(ours - place).T).min(initial=np.inf) < 2e-3


@settings(max_examples=100, deadline=None)
@given(NETWORKS)
def test_a_junction_is_one_place_on_all_its_runs(lines: list[Corners]) -> None:
    found = met(lines)
    for junction in found.junctions:
        assert len(set(junction.visits)) == len(junction.visits) > 1
        for run, along_m in junction.visits:
            lon, lat = found.runs[run].at(np.array([along_m]))
            _, _, apart = GEOD.inv(lon, lat, [junction.lon_deg], [junction.lat_deg])
            assert apart[0] < 1e-3


@settings(max_examples=100, deadline=None)
@given(NETWORKS, st.randoms(use_true_random=False))
def test_order_and_direction_of_lines_move_no_junction(lines: list[Corners], random: object) -> None:
    shuffled = [places[::-1] for places in lines]
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    one, other = places_of(met(lines)), places_of(met(shuffled))
    # where two lines only go on from one another, and share a stretch besides, the owner has no junction to itself
    apart = np.hypot(*(one[:, None] - other[None]).transpose(2, 0, 1))
    for row in range(len(one)):
        assert apart[row].min(initial=np.inf) < 2e-3 or _passes(lines, one[row])
    for row in range(len(other)):
        assert apart[:, row].min(initial=np.inf) < 2e-3 or _passes(lines, other[row])


def _passes(lines: list[Corners], place: np.ndarray) -> bool:
    """Whether no more than two ways lead off from a place: what of them is one line's depends on who owns a stretch."""
    pieces = shapely.get_parts(shapely.unary_union([shapely.LineString(20 * np.array(each)) for each in lines]))
    ends = [end for piece in pieces for end in shapely.get_coordinates(piece)[[0, -1]]]
    return sum(float(np.hypot(*(end - place))) < 2e-3 for end in ends) <= 2


@settings(max_examples=60, deadline=None)
@given(NETWORKS)
def test_a_line_apart_from_all_others_is_as_drawn(lines: list[Corners]) -> None:
    far = line(((50, 50), (55, 51), (56, 57)))
    found = network([line(places) for places in lines] + [far], join_m=0.02, near_m=1.0)
    assert found.runs[-1] is far
