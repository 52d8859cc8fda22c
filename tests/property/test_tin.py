"""Rules that hold for any survey: the order of points and of places, and what the line crosses."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from geofence.errors import InputError
from geofence.site.ground import State
from geofence.site.tin import TinGround
from tests.surveys import at, rounded, survey

QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])

# Millimetres on a coarse lattice: points on lines, on circles and on each other come up often.
coordinates = st.integers(0, 12).map(lambda step: step * 2.5)
points_strategy = st.lists(st.tuples(coordinates, coordinates), min_size=5, max_size=60, unique=True).map(np.array)
small_strategy = points_strategy.map(lambda points: np.unique(points % 17.5, axis=0)).filter(
    lambda points: len(points) > 3
)
"""On 7 by 7 places no triangle is thinner than 1 : 100, so that none is a sliver."""
seeds = st.integers(0, 2**32 - 1)


def ground_of(points: np.ndarray, level: np.ndarray) -> TinGround | None:
    """The ground, None where the points are on one line."""
    try:
        return TinGround(survey(points, level))
    except InputError:
        if np.linalg.matrix_rank(points - points.mean(axis=0), tol=0.05) < 2:
            return None
        raise


def places_in(rng: np.random.Generator, count: int = 60) -> np.ndarray:
    return rounded(rng.random((count, 2)) * 34 - 2)


class TestAnySurvey:
    @QUICK
    @given(points_strategy, seeds)
    def test_a_level_is_between_those_of_the_points(self, points: np.ndarray, seed: int) -> None:
        rng = np.random.default_rng(seed)
        level = rng.normal(0, 10, len(points))
        ground = ground_of(points, level)
        if ground is not None:
            found = ground.levels(*at(places_in(rng)))
            given_ = found.level_m[found.state == State.LEVEL]
            assert np.all((given_ >= level.min() - 1e-9) & (given_ <= level.max() + 1e-9))
            assert np.array_equal(np.isnan(found.level_m), found.state != State.LEVEL)

    @QUICK
    @given(points_strategy, seeds)
    def test_points_have_their_own_levels(self, points: np.ndarray, seed: int) -> None:
        level = np.random.default_rng(seed).normal(0, 10, len(points))
        ground = ground_of(points, level)
        if ground is not None:
            found = ground.levels(*at(points))
            known = found.state == State.LEVEL
            assert np.abs(found.level_m - level)[known].max(initial=0.0) < 1e-6
            assert known.any()

    @QUICK
    @given(points_strategy, seeds)
    def test_the_order_of_points_does_not_matter(self, points: np.ndarray, seed: int) -> None:
        rng = np.random.default_rng(seed)
        level, order, places = rng.normal(0, 10, len(points)), rng.permutation(len(points)), places_in(rng)
        one, other = ground_of(points, level), ground_of(points[order], level[order])
        if one is not None and other is not None:
            first, second = one.levels(*at(places)), other.levels(*at(places))
            assert np.array_equal(first.state, second.state)
            assert first.level_m == pytest.approx(second.level_m, abs=1e-9, nan_ok=True)

    @QUICK
    @given(points_strategy, seeds)
    def test_the_order_of_places_does_not_matter(self, points: np.ndarray, seed: int) -> None:
        rng = np.random.default_rng(seed)
        level, places = rng.normal(0, 10, len(points)), places_in(rng)
        ground = ground_of(points, level)
        if ground is not None:
            whole = ground.levels(*at(places)).level_m
            single = [ground.levels(*at(place[None])).level_m[0] for place in places[:10]]
            assert single == pytest.approx(whole[:10].tolist(), abs=1e-9, nan_ok=True)

    @QUICK
    @given(points_strategy, seeds)
    def test_a_plane_comes_back(self, points: np.ndarray, seed: int) -> None:
        rng = np.random.default_rng(seed)
        east, north = rng.normal(0, 0.3, 2)
        ground = ground_of(points, points @ (east, north))
        if ground is not None:
            places = places_in(rng)
            found = ground.levels(*at(places))
            known = found.state == State.LEVEL
            assert np.abs(found.level_m - places @ (east, north))[known].max(initial=0.0) < 0.05 + 1e-6


class TestBends:
    @QUICK
    @given(small_strategy, seeds)
    def test_between_bends_the_ground_is_straight(self, points: np.ndarray, seed: int) -> None:
        rng = np.random.default_rng(seed)
        ground = ground_of(points, rng.normal(0, 1, len(points)))
        if ground is None:
            return
        places = rounded(rng.random((6, 2)) * 16)
        index, fraction = ground.bends(*at(places))
        assert np.all(np.diff(index) >= 0)
        assert np.all((fraction > 0) & (fraction < 1))
        position = np.unique(np.concatenate([np.arange(6.0), index + fraction]))
        position = position[np.append(True, np.diff(position) > 1e-7)]

        def level(where: np.ndarray) -> np.ndarray:
            x, y = (np.interp(where, np.arange(6.0), part) for part in places.T)
            return ground.levels(*at(np.column_stack([x, y]))).level_m

        inner = position[:-1] + np.diff(position) * np.array([[0.25], [0.5], [0.75]])
        quarter, half, three = (level(row) for row in inner)
        straight = np.isfinite(quarter + half + three)
        assert np.abs(quarter + three - 2 * half)[straight].max(initial=0.0) < 1e-5
