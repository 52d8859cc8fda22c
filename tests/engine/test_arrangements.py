"""Which layouts ``best`` chooses from. Expected numbers are (a), closed forms."""

from __future__ import annotations

from math import comb

import numpy as np
import pytest

from geofence.engine import orders
from geofence.engine.arrangements import arrangements
from geofence.engine.chords import BentLine
from geofence.engine.records import KeepClear, LayoutRules
from geofence.engine.web import Web, in_series

RULES = LayoutRules(module_m=2.4, min_bay_m=0.4, fit="best")


def straight(length_m: float, *, min_bay_m: float = 0.4, keep_clear: tuple[KeepClear, ...] = ()) -> Web:
    line = BentLine.from_turns([0.0, length_m], [0.0, 0.0])
    rules = LayoutRules(module_m=2.4, min_bay_m=min_bay_m, fit="best")
    return arrangements(line, 0.0, length_m, rules, keep_clear=keep_clear)


def ways(web: Web) -> list[list[int]]:
    """Rows of the bays of each layout."""
    found: list[list[list[int]]] = [[[]]]
    for layer in range(web.layers):
        after: list[list[list[int]]] = [[] for _ in range(web.posts[layer + 1])]
        for bay in range(web.offset[layer], web.offset[layer + 1]):
            after[web.go[bay]] += [[*way, bay] for way in found[web.come[bay]]]
        found = after
    return found[0]


class TestStraight:
    @pytest.mark.parametrize(
        ("length_m", "min_bay_m", "bays", "cuts"),
        [(8.5, 0.4, 4, 1), (7.4, 0.4, 4, 2), (16.8, 0.4, 7, 0), (12.2, 1.3, 6, 2), (20.0, 1.8, 9, 3), (2.0, 0.4, 1, 1)],
    )
    def test_all_orders(self, length_m: float, min_bay_m: float, bays: int, cuts: int) -> None:
        web = straight(length_m, min_bay_m=min_bay_m)
        layouts = ways(web)
        assert len(layouts) == comb(bays, cuts)
        assert len({tuple(web.end_m[way].round(6)) for way in layouts}) == comb(bays, cuts)
        for way in layouts:
            assert len(way) == bays
            assert web.start_m[way[0]] == 0.0
            assert web.start_m[way[1:]] == pytest.approx(web.end_m[way[:-1]], abs=1e-9)
            assert web.end_m[way[-1]] == length_m
            assert web.width_m[way] == pytest.approx(web.end_m[way] - web.start_m[way], abs=1e-9)
            assert np.count_nonzero(web.width_m[way] < 2.4 - 1e-9) == cuts

    def test_a_long_one_is_no_larger_than_its_bays(self) -> None:
        """A thousand bays, one cut: of two rows of posts each bay is one of three."""
        assert len(straight(999 * 2.4 + 1.0).layer) == 2 * 999 + 1000

    def test_posts_in_keep_clears_are_left_out(self) -> None:
        """Of (2.4 or 1.3, then 4.8 or 3.7, then 7.2 or 6.1) m, 3.7 m is barred: the first two bays are full."""
        web = straight(8.5, keep_clear=(KeepClear(name="x", from_m=3.6, to_m=3.8),))
        assert sorted(web.end_m[way].round(6).tolist() for way in ways(web)) == [
            [2.4, 4.8, 6.1, 8.5],
            [2.4, 4.8, 7.2, 8.5],
        ]

    def test_at_the_edge_of_one_a_post_may_stand(self) -> None:
        web = straight(8.5, keep_clear=(KeepClear(name="x", from_m=3.7, to_m=3.8),))
        assert len(ways(web)) == 4

    def test_pieces_come_back(self) -> None:
        web = straight(8.5)
        for way in ways(web):
            ((stretch, piece),) = web.laid(np.array(way))
            assert stretch == 0
            assert piece.end_m == pytest.approx(web.end_m[way])
            assert piece.division.kinds.count("cut") == 1
            assert piece.division.fits(RULES)


class TestBent:
    LINE = BentLine.from_turns([0.0, 8.3, 20.0], [0.0, 0.5, 0.0])

    RULES = LayoutRules(module_m=2.4, min_bay_m=1.4, fit="best")

    def test_all_orders(self) -> None:
        """20 m, with a narrowest bay of 1.4 m: seven modules and two bays of about 1.6 m."""
        web = arrangements(self.LINE, 0.0, 20.0, self.RULES)
        layouts = ways(web)
        assert len(layouts) == comb(9, 2)
        assert len({tuple(web.end_m[way].round(6)) for way in layouts}) == comb(9, 2)
        for way in layouts:
            self.holds(web, way)

    def test_of_too_many_orders_those_with_cut_bays_side_by_side(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """After 0 to 7 modules; 36 orders of nine bays are 324 bays."""
        monkeypatch.setattr(orders, "MOST_BAYS", 323)
        web = arrangements(self.LINE, 0.0, 20.0, self.RULES)
        assert len(ways(web)) == 8
        for way in ways(web):
            self.holds(web, way)
            first, second = np.flatnonzero(web.width_m[way] < 2.4 - 1e-9)
            assert second == first + 1

    def holds(self, web: Web, way: list[int]) -> None:
        """Two cut bays, both alike, and every width is a chord."""
        cut = web.width_m[way][web.width_m[way] < 2.4 - 1e-9]
        assert len(cut) == 2
        assert cut[0] == pytest.approx(cut[1], abs=1e-9)
        assert web.start_m[way[1:]] == pytest.approx(web.end_m[way[:-1]], abs=1e-12)
        chords = [self.LINE.chord_m(*bay) for bay in zip(web.start_m[way], web.end_m[way], strict=True)]
        assert chords == pytest.approx(web.width_m[way].tolist(), abs=1e-8)

    def test_bays_off_the_line_are_left_out(self) -> None:
        """A bend of 3 degrees at 8 m: half a module either side departs by 1.2 m x sin 1.5 degrees = 31 mm."""
        line = BentLine.from_turns([0.0, 8.0, 20.2], [0.0, 3.0, 0.0])
        rules = LayoutRules(module_m=2.4, min_bay_m=0.4, fit="best", line_tolerance_m=0.03)
        web = arrangements(line, 0.0, 20.2, rules)
        assert ways(web)
        assert max(line.departure_m(*bay) for bay in zip(web.start_m, web.end_m, strict=True)) <= 0.03

    def test_a_post_on_a_vertex_parts_the_pieces(self) -> None:
        line = BentLine.from_turns([0.0, 6.1, 14.6], [0.0, 8.0, 0.0])
        web = arrangements(line, 0.0, 14.6, RULES)
        assert len(web.templates) == 2
        assert len(ways(web)) == comb(3, 1) * comb(4, 1)
        assert all(6.1 in web.end_m[way] for way in ways(web))


class TestRoundKeepClears:
    """9.1 m are three modules and 1.9 m: posts at 2.4, 4.8 and 7.2 m, or at 1.9, 4.3 and 6.7 m."""

    def laid(self, *bars: tuple[float, float], length_m: float = 9.1, min_bay_m: float = 1.2) -> list[list[float]]:
        keep_clear = tuple(KeepClear(name="x", from_m=start, to_m=end) for start, end in bars)
        web = straight(length_m, min_bay_m=min_bay_m, keep_clear=keep_clear)
        return sorted(web.end_m[way].round(3).tolist() for way in ways(web))

    def test_all_ways_that_move_as_few_posts_and_cut_as_few_bays(self) -> None:
        """4.3 m and 4.8 m are barred. Five bays, two posts that move, three cut bays: 4.8 m as 1.2, 2.4 and 1.2 from
        2.4 or from 1.9 m, or 4.3 m in three from 2.4 m."""
        assert self.laid((4.2, 5.0)) == [
            [1.9, 3.1, 5.5, 6.7, 9.1],
            [2.4, 3.6, 6.0, 7.2, 9.1],
            [2.4, 3.833, 5.267, 6.7, 9.1],
        ]

    def test_fewer_cut_bays_come_first(self) -> None:
        """With narrower bays allowed, 4.3 m from 2.4 m on is one module and twice 0.95 m: two cut bays."""
        assert self.laid((4.2, 5.0), min_bay_m=0.9) == [[2.4, 3.35, 5.75, 6.7, 9.1]]

    def test_where_alike_ones_are_not_clear_a_post_stands_at_an_end(self) -> None:
        """A module's width is barred: posts at both its ends, 0.9 m and 1.5 m from the next."""
        found = self.laid((10.5, 12.9), length_m=24.0, min_bay_m=0.4)
        assert found == [[2.4, 4.8, 7.2, 9.6, 10.5, 12.9, 14.4, 16.8, 19.2, 21.6, 24.0]]

    def test_what_is_said_is_of_the_layout_that_is_chosen(self) -> None:
        web = straight(9.1, min_bay_m=1.2, keep_clear=(KeepClear(name="pipe", from_m=4.2, to_m=5.0),))
        for way in ways(web):
            ((_, piece),) = web.laid(np.array(way))
            (said,) = web.templates[0].says(piece)
            moved = [post for post in piece.end_m[:-1] if not np.isclose(post, [1.9, 2.4, 6.7, 7.2]).any()]
            assert (said.value, said.chainage_m, said.chainage_to_m) == (2.0, moved[0], moved[-1])
            assert "clear of pipe, 2 posts stand where no order of the bays has one; 3 bays are cut" in said.message

    def test_only_keep_clears_beside_moved_posts_are_named(self) -> None:
        """One at the start bars 1.9 m alone: nothing moves for it."""
        bars = (KeepClear(name="tree", from_m=1.8, to_m=2.0), KeepClear(name="pipe", from_m=4.2, to_m=5.0))
        web = straight(9.1, min_bay_m=1.2, keep_clear=bars)
        for way in ways(web):
            ((_, piece),) = web.laid(np.array(way))
            (said,) = web.templates[0].says(piece)
            assert "pipe" in said.message
            assert "tree" not in said.message

    def test_nothing_is_said_where_every_post_stands_where_some_order_has_one(self) -> None:
        """8.3 m: posts at 2.4, 4.8 and 7.2 m, or at 1.1, 3.5 and 5.9 m. From 3.5 m to 4.8 m is one bay more."""
        bars = (KeepClear(name="tree", from_m=1.4, to_m=3.3), KeepClear(name="pipe", from_m=5.5, to_m=6.5))
        web = straight(8.3, keep_clear=bars)
        assert [web.end_m[way].round(6).tolist() for way in ways(web)] == [[1.1, 3.5, 4.8, 7.2, 8.3]]
        ((_, piece),) = web.laid(web.any_way())
        assert web.templates[0].says(piece) == []

    def test_where_none_leads_round_the_one_layout_has_a_stop(self) -> None:
        keep_clear = (KeepClear(name="pit", from_m=4.0, to_m=7.0),)
        web = straight(9.1, min_bay_m=1.2, keep_clear=keep_clear)
        assert web.one_way
        assert [each.code for each in web.templates[0].says(web.templates[0].piece)] == ["keep-clear-no-layout"]

    def test_on_a_line_that_bends_widths_are_chords(self) -> None:
        line = BentLine.from_turns([0.0, 4.0, 9.1], [0.0, 0.5, 0.0])
        rules = LayoutRules(module_m=2.4, min_bay_m=1.15, fit="best")
        web = arrangements(line, 0.0, 9.1, rules, keep_clear=(KeepClear(name="x", from_m=4.2, to_m=5.0),))
        assert len(ways(web)) == 3
        for way in ways(web):
            chords = [line.chord_m(*bay) for bay in zip(web.start_m[way], web.end_m[way], strict=True)]
            assert chords == pytest.approx(web.width_m[way].tolist(), abs=1e-6)
            assert not any(4.2 < post < 5.0 for post in web.end_m[way])

    @pytest.mark.parametrize(
        ("vertex_m", "turn_deg", "bar", "bays"),
        [
            ([0.0, 1.4, 7.9], [0.0, -2.0, 0.0], (4.5, 6.5), 4),
            ([0.0, 0.9, 2.0, 5.2], [0.0, 3.0, -1.0, 0.0], (2.7, 3.9), 3),
        ],
    )
    def test_layouts_that_leave_the_line_do_not_count_where_others_do_not(
        self, vertex_m: list[float], turn_deg: list[float], bar: tuple[float, float], bays: int
    ) -> None:
        """As many bays as ``start`` has, which leaves the line nowhere: 6.5 m and 5.2 m are modules and a bit."""
        line = BentLine.from_turns(vertex_m, turn_deg)
        keep_clear = (KeepClear(name="x", from_m=bar[0], to_m=bar[1]),)
        web = arrangements(line, 0.0, vertex_m[-1], RULES, keep_clear=keep_clear)
        assert web.layers == bays
        assert max(line.departure_m(*bay) for bay in zip(web.start_m, web.end_m, strict=True)) <= 0.02

    def test_where_a_sharp_bend_makes_places_jump_the_one_layout_is_that_of_another_fit(self) -> None:
        line = BentLine.from_turns([0.0, 2.0, 2.8, 4.6, 8.3], [0.0, 60.0, 80.0, 30.0, 0.0])
        web = arrangements(line, 0.0, 8.3, RULES, keep_clear=(KeepClear(name="x", from_m=1.5, to_m=3.5),))
        assert web.end_m[-1] == 8.3

    def test_posts_on_vertices_that_move_fewer_others_come_before_fewer_cut_bays(self) -> None:
        """(d) not independent: with those of ``end`` one post moves and one bay is cut; of ``start`` none, and two."""
        line = BentLine.from_turns([0.0, 7.1, 11.9, 20.3], [0.0, 4.0, -3.0, 0.0])
        rules = LayoutRules(module_m=2.4, min_bay_m=0.9, fit="best")
        web = arrangements(line, 0.0, 20.3, rules, keep_clear=(KeepClear(name="x", from_m=11.4, to_m=12.5),))
        assert {np.count_nonzero(web.width_m[way] < 2.4 - 1e-9) for way in ways(web)} == {2}


class TestWebs:
    def test_in_series_layouts_multiply(self) -> None:
        line = BentLine.from_turns([0.0, 17.0], [0.0, 0.0])
        webs = [arrangements(line, *ends, RULES) for ends in ((0.0, 8.5), (8.5, 17.0))]
        assert len(ways(in_series(webs))) == comb(4, 1) ** 2

    def test_no_way_through(self) -> None:
        assert straight(16.8).clear_of([(4.0, 5.0)]) is None
