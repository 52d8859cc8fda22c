"""Posts of a wire fence along one span: sums on paper, each beside its test."""

from __future__ import annotations

import numpy as np
import pytest

from geofence.engine.chords import BentLine
from geofence.engine.records import Floats, LevelRules, Profile
from geofence.engine.stands import Stands, WireLimits
from geofence.engine.strained import SpanBays, choose_posts, stand_posts, strain_ends

LIMITS = WireLimits(height_m=0.2, gap_max_m=0.3, dig_max_m=-0.05, bay_min_m=1.0, bay_max_m=4.0)
PRICES = LevelRules(
    increment_m=0.05,
    gap_max_m=0.3,
    dig_max_m=-0.05,
    step_min_m=0.0,
    step_max_m=0.0,
    gap_cost=40.0,
    dig_cost=90.0,
    step_cost=0.0,
    rise_cost=0.0,
)


def bays(chainage_m: list[float] | Floats, level_m: list[float] | Floats, **others: object) -> SpanBays:
    limits = WireLimits(**{item: getattr(LIMITS, item) for item in LIMITS.__slots__} | others)  # type: ignore[arg-type]
    profile = Profile(chainage_m=chainage_m, level_m=level_m)
    length = float(profile.chainage_m[-1])
    line = BentLine.from_turns([0.0, length], [0.0, 0.0])
    return choose_posts(Stands.along(profile, line, 0.0, length, limits), limits, PRICES)


class TestEvenGround:
    @pytest.mark.parametrize("slope", [0.0, 0.2, -0.5])
    @pytest.mark.parametrize(
        ("length", "count"), [(4.0, 1), (4.1, 2), (100.0, 25), (99.9, 25), (100.1, 26), (1000.0, 250), (1.0, 1)]
    )
    def test_as_few_bays_as_the_length_needs_and_all_alike(self, slope: float, length: float, count: int) -> None:
        """ceil(length / 4): 250 bays of 4 m on a kilometre, not 251 because 4 / 0.25 stations did not meet the ends."""
        found = bays([0.0, length], [50.0, 50.0 + slope * length])
        assert len(found) == count
        assert found.width_m == pytest.approx(np.full(count, length / count), abs=1e-9)

    def test_gap_is_that_at_the_posts(self) -> None:
        found = bays([0.0, 12.0], [50.0, 53.0])
        assert found.gap_min_m == pytest.approx(np.full(3, 0.2))
        assert found.gap_area_m2 == pytest.approx(np.full(3, 0.8))
        assert found.dig_area_m2 == pytest.approx(np.zeros(3), abs=1e-12)
        assert not found.broken(LIMITS).any()


class TestNearlyEvenGround:
    """120.017 m need 31 bays of 4 m at most, and every bay keeps its limits wherever posts stand: so all are alike."""

    place_m = np.append(np.arange(0.0, 120.1, 0.25), 120.017)

    def alike(self, level_m: Floats) -> None:
        assert bays(self.place_m, level_m).width_m == pytest.approx(np.full(31, 120.017 / 31), abs=1e-9)

    def test_rounding_of_levels_moves_no_post(self) -> None:
        """A raster in single precision, cells of 1 m: levels are off by up to 4 micrometres from an even slope."""
        cell = np.arange(-0.5, 122.0, 1.0)
        self.alike(np.interp(self.place_m, cell, np.float32(100 + 0.02 * cell).astype(np.float64)))

    def test_nor_does_a_broad_crest(self) -> None:
        """Over 4 m the ground stands 0.0004 * 2^2 m = 1.6 mm above its chord."""
        self.alike(100 - 0.0004 * (self.place_m - 60) ** 2 + 0.02 * self.place_m)

    def test_nor_roughness_that_limits_allow(self) -> None:
        """2 cm up and down, at most 4 cm from chord to ground, where the wire has 10 cm to the most that it may stand
        above the ground and 15 cm to the least."""
        self.alike(100 + np.random.default_rng(5).uniform(-0.02, 0.02, len(self.place_m)))

    def test_a_post_that_limits_ask_for_leaves_the_rest_even(self) -> None:
        """A sharp crest at 30 m in 60 m, which falls 0.3 m a metre to either side: beside a post on it the wire runs
        along the ground, and the bays are 15 of 4 m, or 16 once a post must stand at 30: 8 of 3.75 m a side."""
        place = np.arange(0.0, 60.1, 0.25)
        found = bays(place, 100 - 0.3 * np.abs(place - 30))
        assert found.width_m == pytest.approx(np.full(16, 3.75), abs=1e-9)

    @pytest.mark.parametrize(("crest_m", "length_m", "bays"), [(26.0, 61.5, (7, 9)), (11.3, 100.0, (3, 23))])
    def test_bays_to_either_side_of_it_are_even(self, crest_m: float, length_m: float, bays: tuple[int, int]) -> None:
        """A sharp crest, which falls 0.5 m a metre: a post *a* beside it would need 2 x 0.5 *a* (4 - *a*) / 4 of at
        most 0.15 m, so it stands on it, at a station. To either side *length* / 4 m, rounded up, bays all alike."""
        place = np.unique(np.append(np.arange(0.0, length_m + 0.1, 0.25), [crest_m, length_m]))
        place = place[place <= length_m]
        ground = Profile(chainage_m=place, level_m=100 - 0.5 * np.abs(place - crest_m))
        line = BentLine.from_turns([0.0, length_m], [0.0, 0.0])
        found = stand_posts(ground, line, (0.0, length_m), LIMITS, PRICES)
        even = np.repeat([crest_m / bays[0], (length_m - crest_m) / bays[1]], bays)
        assert found.width_m == pytest.approx(even, abs=1e-9)
        before = choose_posts(Stands.along(ground, line, 0.0, length_m, LIMITS), LIMITS, PRICES)
        assert np.abs(before.width_m - even).max() > 0.05

    def test_where_evenness_leaves_a_choice_the_gap_is_the_least(self) -> None:
        """10 m in three bays, the thirds in keep-clears from 3 to 3.5 m and from 6.5 to 7 m. Bays of 3, 3.5 and 3.5 m
        in any order are as even as can be; a post in a hollow of 2 cm, at 3 m or at 7 m, lowers the wire beside it."""
        place = np.arange(0.0, 10.1, 0.25)
        line = BentLine.from_turns([0.0, 10.0], [0.0, 0.0])
        for hollow_m, widths in [(3.0, [3.0, 3.5, 3.5]), (7.0, [3.5, 3.5, 3.0])]:
            ground = Profile(chainage_m=place, level_m=50 - 0.02 * (place == hollow_m))
            stands = Stands.along(ground, line, 0.0, 10.0, LIMITS, [(3.0, 3.5), (6.5, 7.0)])
            assert choose_posts(stands, LIMITS, PRICES).width_m == pytest.approx(widths, abs=1e-9)


class TestHumpsAndHollows:
    def test_a_crest_costs_a_post(self) -> None:
        """Slopes of 0.24 to both sides, 5 m each. Three bays of 4 m at most need the posts beside the crest at
        a, b of at least 1 m from it, over which the wire is 0.24 * 2ab / (a + b) lower: 0.24 m, 0.15 m is allowed."""
        found = bays([0.0, 5.0, 10.0], [50.0, 51.2, 50.0])
        assert len(found) == 4
        assert not found.broken(LIMITS).any()
        assert len(bays([0.0, 5.0, 10.0], [50.0, 50.0, 50.0])) == 3

    def test_a_hump_within_its_clearance_needs_no_post(self) -> None:
        """0.15 m of hump under a wire of 0.2 m leaves the 0.05 m that must stay open; 0.16 m does not."""
        assert len(bays([0.0, 2.0, 4.0], [50.0, 50.15, 50.0])) == 1
        assert len(bays([0.0, 2.0, 4.0], [50.0, 50.16, 50.0])) == 2

    def test_a_hollow_within_its_gap_needs_no_post(self) -> None:
        """0.1 m of hollow under a wire of 0.2 m makes the 0.3 m that are allowed; 0.11 m does not."""
        assert len(bays([0.0, 2.0, 4.0], [50.0, 49.9, 50.0])) == 1
        assert len(bays([0.0, 2.0, 4.0], [50.0, 49.89, 50.0])) == 2

    def test_where_posts_cannot_stand_close_enough_the_fewest_bays_are_broken(self) -> None:
        """A ditch 0.6 m wide and 1 m deep, narrower than a bay of 1 m: one bay over it, broken, and no more. The wire
        0.2 m above level banks is 1.2 m above the bottom; with a post in the ditch two bays would be broken."""
        found = bays([0.0, 9.7, 10.0, 10.3, 20.0], [50.0, 50.0, 49.0, 50.0, 50.0])
        broken = found.broken(LIMITS)
        assert broken.sum() == 1
        (row,) = np.flatnonzero(broken)
        assert found.start_m[row] <= 9.7 + 1e-9
        assert found.end_m[row] >= 10.3 - 1e-9
        assert found.gap_max_m[row] == pytest.approx(1.2)
        assert len(found) == 5  # and none more than 20 m need

    def test_a_bay_that_must_break_breaks_as_little_as_it_can(self) -> None:
        """The same ditch where the banks fall to it by 0.1: from 9.5 to 10.5 m the wire is 0.2 + 1 + 0.02 m above the
        bottom, over 4 m it would be 0.15 m more. The excess counts by whole centimetres."""
        found = bays([0.0, 9.7, 10.0, 10.3, 20.0], [50.97, 50.0, 49.0, 50.0, 50.97])
        broken = found.broken(LIMITS)
        assert broken.sum() == 1
        assert float(found.gap_max_m[broken][0]) == pytest.approx(1.22, abs=0.01)

    def test_even_bays_go_before_a_smaller_gap(self) -> None:
        """10 m, three bays, a crest of 0.1 m within its clearance. The post at a third stands 0.2 / 3 m up its side and
        lifts the wire over 20 / 3 m, by 0.2222 m2; the crest takes its own 0.05 m2 out of the 2 m2 of even ground."""
        found = bays([0.0, 3.0, 3.5, 4.0, 10.0], [50.0, 50.0, 50.1, 50.0, 50.0])
        assert found.width_m == pytest.approx(np.full(3, 10 / 3), abs=1e-9)
        assert found.gap_area_m2.sum() == pytest.approx(2.0 + 2 / 9 - 0.05, abs=1e-9)


class TestSpans:
    def test_narrower_than_a_bay_is_one(self) -> None:
        assert len(bays([0.0, 1.5], [50.0, 50.0], bay_min_m=2.0)) == 1

    def test_bends_get_a_post_where_a_bay_would_leave_the_line(self) -> None:
        """A turn of 8 degrees in the middle of 4 m: the chord passes it by 2 sin 4 deg = 0.14 m."""
        profile = Profile(chainage_m=[0.0, 4.0], level_m=[50.0, 50.0])
        line = BentLine.from_turns([0.0, 2.0, 4.0], [0.0, 8.0, 0.0])
        found = choose_posts(Stands.along(profile, line, 0.0, 4.0, LIMITS), LIMITS, PRICES)
        assert len(found) == 2
        loose = WireLimits(
            height_m=0.2, gap_max_m=0.3, dig_max_m=-0.05, bay_min_m=1.0, bay_max_m=4.0, line_tolerance_m=0.15
        )
        one = choose_posts(Stands.along(profile, line, 0.0, 4.0, loose), loose, PRICES)
        assert len(one) == 1
        assert one.departure_m[0] == pytest.approx(2 * np.sin(np.radians(4)), abs=1e-12)
        assert one.width_m[0] == pytest.approx(4 * np.cos(np.radians(4)), abs=1e-12)

    def test_no_post_in_a_barred_stretch(self) -> None:
        profile = Profile(chainage_m=[0.0, 40.0], level_m=[50.0, 50.0])
        line = BentLine.from_turns([0.0, 40.0], [0.0, 0.0])
        stands = Stands.along(profile, line, 0.0, 40.0, LIMITS, [(7.5, 9.0), (19.0, 22.5)])
        found = choose_posts(stands, LIMITS, PRICES)
        posts = found.end_m[:-1]
        assert not any(((posts > start) & (posts < end)).any() for start, end in [(7.5, 9.0), (19.0, 22.5)])
        assert len(found) == 11  # ten of 4 m would have to stand at 8 m

    def test_a_stretch_wider_than_a_bay_holds_as_few_posts_as_can_be(self) -> None:
        """9 m barred need two posts in between: 4 m is the widest bay."""
        profile = Profile(chainage_m=[0.0, 40.0], level_m=[50.0, 50.0])
        line = BentLine.from_turns([0.0, 40.0], [0.0, 0.0])
        found = choose_posts(Stands.along(profile, line, 0.0, 40.0, LIMITS, [(10.0, 19.0)]), LIMITS, PRICES)
        posts = found.end_m[:-1]
        assert ((posts > 10.0) & (posts < 19.0)).sum() == 2

    @pytest.mark.parametrize("others", [{"bay_min_m": 2.1}, {"bay_min_m": 0.0}, {"height_m": 0.31}, {"height_m": 0.04}])
    def test_refuses_limits_that_nothing_could_keep(self, others: dict[str, float]) -> None:
        with pytest.raises(ValueError, match=r"needs more than 0|breaks its limits"):
            bays([0.0, 10.0], [50.0, 50.0], **others)


class TestStrains:
    def test_are_as_few_as_can_be_and_even(self) -> None:
        """1000 m with posts each 4 m and strains up to 300 m: four, of 248 or 252 m."""
        posts = np.arange(0.0, 1000.1, 4.0)
        lengths = np.diff(posts[strain_ends(posts, 300.0)])
        assert sorted(lengths) == [248.0, 248.0, 252.0, 252.0]

    def test_just_as_long_as_they_may_be(self) -> None:
        """600 m in three of 200 m, although sums of 0.1 m are not whole in floating point."""
        posts = np.cumsum(np.full(6001, 0.1)) - 0.1
        assert strain_ends(posts, 200.0).tolist() == [0, 2000, 4000, 6000]

    def test_no_arrangement_of_strainers_has_fewer(self) -> None:
        """Against every subset of ten posts (the definition)."""
        rng = np.random.default_rng(3)
        for _ in range(50):
            posts = np.concatenate([[0.0], np.cumsum(rng.uniform(1, 4, 10))])
            longest = float(rng.uniform(4, 15))
            best = min(
                (len(inner), float(np.sum(np.diff(posts[[0, *inner, 10]]) ** 2)))
                for inner in subsets(9)
                if np.all(np.diff(posts[[0, *inner, 10]]) <= longest + 1e-6)
            )
            ends = strain_ends(posts, longest)
            assert len(ends) - 2 == best[0]
            assert np.sum(np.diff(posts[ends]) ** 2) == pytest.approx(best[1], rel=1e-12)


def subsets(count: int) -> list[list[int]]:
    """Every choice among the rows 1 to count."""
    return [[row + 1 for row in range(count) if bits >> row & 1] for bits in range(1 << count)]
