"""``best`` round keep-clears: layouts and their levels against optima found by other means.

Sources (all (c), independent libraries, or (a), the definition itself):

- Q. Huangfu and J. A. J. Hall, "Parallelizing the dual revised simplex method", Mathematical Programming Computation 10
  (2018), 119-142: HiGHS, a solver of mixed integer programmes, through ``scipy.optimize.milp``.
- The definition: every layout whose cut bays are alike from one post that stays, or stands at the end of a barred
  stretch, to the next, walked through one by one.

HiGHS is asked three things: the least rank of all layouts, posts being continuous unknowns; between two posts that stay
the widest narrowest bay, likewise; and, in one programme, the layout among those walked through and its levels.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np
import pytest

from geofence.engine.best import BestFit
from geofence.engine.layout import lay_out
from geofence.engine.records import KeepClear, Layout, LayoutRules, Path, Profile
from tests.validation import test_best_optimum as levelled
from tests.validation import test_keep_clear_optimum as clear
from tests.validation.test_best_optimum import Bay, agree

SAME_M = 1e-5


@dataclass(frozen=True)
class Stretch(clear.Instance):
    """A straight stretch where a post is wanted wherever some order of its bays has one, and its ground."""

    ground: levelled.Instance

    def laid(self, *, keep_clear: bool = True, raked: bool = False) -> Layout:
        best = BestFit(profile=self.ground.profile, levels=self.ground.rules, rake=self.ground.rake if raked else None)
        bars = [KeepClear(name="x", from_m=a, to_m=b) for a, b in self.barred] if keep_clear else []
        path = Path(vertex_m=[0.0, self.length_m], deflection_deg=[0.0, 0.0])
        return lay_out(path, [], self.rules, keep_clear=bars, choose=best)

    @cached_property
    def wanted(self) -> list[float]:  # type: ignore[override]
        """Places of all orders of the bays; an order is told by how many of each kind lead to each post."""
        bays, cuts, cut = self.counts
        module = self.rules.module_m
        places = {round(i * module + k * cut, 9) for i in range(bays - cuts + 1) for k in range(cuts + 1)}
        return sorted(each for each in places if SAME_M < each < self.length_m - SAME_M)

    @cached_property
    def counts(self) -> tuple[int, int, float]:
        """Bays, cut bays and their width: the fewest bays, then the fewest cut ones, all of these alike."""
        module, narrowest = self.rules.module_m, self.rules.min_bay_m
        bays = next(n for n in range(1, 99) if n * module >= self.length_m - 1e-9)
        fitting = (k for k in range(bays + 1) if self.length_m - (bays - k) * module >= k * narrowest - 1e-9)
        cuts = next(fitting, bays)
        return bays, cuts, (self.length_m - (bays - cuts) * module) / max(cuts, 1)

    @property
    def keeps_the_narrowest(self) -> bool:
        bays, cuts, width = self.counts
        return width >= self.rules.min_bay_m if cuts else self.length_m == bays * self.rules.module_m

    @property
    def has_a_clear_order(self) -> bool:
        bays, cuts, _ = self.counts
        return next(self.orders(0.0, self.length_m, bays, cuts), None) is not None

    @property
    def leads_round(self) -> bool:
        """Whether bays of whole centimetres, at most the module, at least the narrowest, lead to the end."""
        steps = range(round(100 * self.rules.min_bay_m), round(100 * self.rules.module_m) + 1)
        end, reached = round(100 * self.length_m), {0}
        for place in range(end + 1):
            if place in reached:
                reached |= {
                    place + step for step in steps if place + step == end or self.may_stand((place + step) / 100)
                }
        return end in reached

    @property
    def barred_at(self) -> list[float]:
        """Ends of barred stretches where a post may stand."""
        ends = {end for stretch in self.barred for end in stretch if 0 < end < self.length_m}
        return sorted(end for end in ends if self.may_stand(end))

    def may_stand(self, at_m: float) -> bool:
        return not any(a + SAME_M < at_m < b - SAME_M for a, b in self.barred)

    def every_layout(self, rank: clear.Rank) -> list[np.ndarray]:
        """Posts of each layout of this rank whose bays are as the definition has them."""
        anchors = sorted({*self.wanted, *self.barred_at})
        anchors = [each for each in anchors if self.may_stand(each)]
        anchors = [each for row, each in enumerate(anchors) if not row or each - anchors[row - 1] > SAME_M]
        walked = self.walked((0.0,), [*anchors, self.length_m], rank)
        found = [np.array(posts) for posts in walked if self.rank(np.array(posts))[0] == rank]
        return self.widest(list({tuple(posts.round(6)): posts for posts in found}.values()))

    def walked(self, posts: tuple[float, ...], anchors: list[float], rank: clear.Rank) -> Iterator[tuple[float, ...]]:
        """All ways on from some posts by bays alike up to an anchor, with no more bays and moved posts than ranked."""
        if posts[-1] == self.length_m:
            yield posts
            return
        moved = sum(np.abs(np.array(self.wanted) - post).min() > SAME_M for post in posts[1:])
        for anchor in anchors:
            for bays in range(1, rank[1] - len(posts) + 2):
                if anchor <= posts[-1] + SAME_M or moved + bays - 1 > rank[2]:
                    continue
                for cuts in range(min(bays, rank[3]) + 1):
                    for order in self.orders(posts[-1], anchor, bays, cuts):
                        yield from self.walked((*posts, *order), anchors, rank)

    def orders(self, start_m: float, end_m: float, bays: int, cuts: int) -> Iterator[tuple[float, ...]]:
        module, rest = self.rules.module_m, end_m - start_m - (bays - cuts) * self.rules.module_m
        if cuts == 0 and abs(rest) > SAME_M:
            return
        if cuts and not self.rules.min_bay_m - 1e-9 <= rest / cuts <= module - SAME_M:
            return
        for at in combinations(range(bays), cuts):
            widths = [rest / cuts if row in at else module for row in range(bays)]
            posts = start_m + np.cumsum(widths)
            posts[-1] = end_m
            if all(map(self.may_stand, posts[:-1])):
                yield tuple(posts.tolist())

    def blocks(self, posts: np.ndarray) -> Iterator[tuple[tuple[float, float], np.ndarray]]:
        """From each post that stays to the next: their places, and the widths of the bays in between."""
        stays = [row for row, post in enumerate(posts) if row == 0 or post in (posts[-1],) or self.is_wanted(post)]
        for first, last in pairwise(stays):
            yield (round(posts[first], 6), round(posts[last], 6)), np.diff(posts[first : last + 1])

    def is_wanted(self, post_m: float) -> bool:
        return len(self.wanted) > 0 and bool(np.abs(np.array(self.wanted) - post_m).min() <= SAME_M)

    def widest(self, layouts: list[np.ndarray]) -> list[np.ndarray]:
        """Those with no block that another of them has with a wider narrowest bay."""
        best: dict[tuple[float, float], float] = {}
        for posts in layouts:
            for ends, widths in self.blocks(posts):
                best[ends] = max(best.get(ends, 0.0), widths.min())
        return [
            posts
            for posts in layouts
            if all(widths.min() >= best[ends] - 2 * SAME_M for ends, widths in self.blocks(posts))
        ]


def stretches(seed: int, count: int) -> Iterator[Stretch]:
    """Random stretches on which every order of the bays has a post in a keep-clear, and some bays lead round.

    Both by the definition, not by what is tested: bays on a lattice of centimetres lead round, or none do.
    """
    random = np.random.default_rng(seed)
    while count:
        ground = replace(levelled.random_instance(int(random.integers(1 << 30)), longest_m=16.0), closed=False)
        module, length = levelled.MODULE_M, ground.lengths_m[0]
        ground = replace(ground, lengths_m=(length,))
        narrowest = float(random.choice([0.4, 0.9, 1.2, 1.7]))
        rules = LayoutRules(module_m=module, min_bay_m=narrowest, fit="best")
        found = Stretch(length, rules, bars(random, length), ground)
        if length > 3 * module and found.keeps_the_narrowest and not found.has_a_clear_order and found.leads_round:
            count -= 1
            yield found


def bars(random: np.random.Generator, length_m: float) -> tuple[tuple[float, float], ...]:
    """One to three, wherever; in a third of the cases each begins where the one before ends."""
    count = int(random.integers(1, 4))
    width = random.uniform(0.2, 1.2 * levelled.MODULE_M, count)
    middle = random.uniform(0, length_m, count)
    if random.random() < 1 / 3:
        middle = middle[0] + np.cumsum(width) - width / 2
    ends = np.round(np.stack([middle - width / 2, middle + width / 2]), 2)
    return tuple((float(a), float(b)) for a, b in ends.T)


class Programme(levelled.Programme):
    """A binary a layout, one of which is taken, and a level on each of its bays and on no other."""

    def __init__(self, stretch: Stretch, layouts: list[np.ndarray]) -> None:
        self.layouts = [
            [(layer, round(a, 6), round(b, 6)) for layer, (a, b) in enumerate(pairwise(posts))] for posts in layouts
        ]
        self.each = sorted({bay for layout in self.layouts for bay in layout})
        nowhere = (0, 0, 0)
        super().__init__(stretch.ground, [Bay(layer, nowhere, nowhere, a, b) for layer, a, b in self.each])
        self.columns += len(self.layouts)

    def flow(self) -> None:
        taken = self.columns
        self.row(dict.fromkeys(range(taken, taken + len(self.layouts)), 1.0), 1, 1)
        for number, bay in enumerate(self.each):
            with_it = {taken + row: -1.0 for row, layout in enumerate(self.layouts) if bay in layout}
            self.row(dict.fromkeys(self.columns_of(number), 1.0) | with_it, 0, 0)
        self.breaks()


def least_rank(stretch: Stretch) -> clear.Rank:
    """By HiGHS, from posts that are continuous unknowns."""
    found = clear.by_highs(stretch)
    assert found is not None
    return found[0]


def holds(stretch: Stretch) -> int:
    """How many layouts there are to choose from."""
    laid = stretch.laid()
    rank, _ = stretch.rank(laid.post_m)
    assert rank == least_rank(stretch), stretch
    codes = {finding.code for finding in laid.findings} - {"post-in-keep-clear"}  # an end's
    assert codes == ({"keep-clear-avoided"} if rank[2] else set()), stretch
    layouts = stretch.every_layout(rank)
    mine = stretch.ground.stepped(laid.bay_start_m, laid.bay_end_m)
    # HiGHS keeps whole numbers and constraints to 1e-6.
    assert agree(mine, Programme(stretch, layouts).best(), rel=1e-5), stretch
    return len(layouts)


@pytest.mark.parametrize("group", range(10))
def test_highs_finds_the_same_optimum_of_layout_and_levels_on_200_stretches(group: int) -> None:
    choices = [holds(stretch) for stretch in stretches(4_000 + group, 20)]
    assert max(choices) > 1


@pytest.mark.slow
@pytest.mark.parametrize("group", range(20))
def test_highs_finds_the_same_optimum_of_layout_and_levels_on_a_thousand_more(group: int) -> None:
    for stretch in stretches(6_000 + group, 50):
        holds(stretch)


def round_a_corner(one: Stretch, other: Stretch, *, closed: bool) -> bool:
    """Two stretches, chosen together across their corner, or both of a ring; whether each has more than one layout."""
    length, ground = one.length_m + other.length_m, one.ground
    stretched = ground.profile.chainage_m * (length / ground.profile.chainage_m[-1])
    level = ground.profile.level_m
    if closed:
        level = level - (level[-1] - level[0]) * stretched / length
    ground = replace(
        ground,
        lengths_m=(one.length_m, other.length_m),
        profile=Profile(chainage_m=stretched, level_m=level),
        min_bay_m=one.rules.min_bay_m,
        closed=closed,
    )
    bars = [*one.barred, *((a + one.length_m, b + one.length_m) for a, b in other.barred)]
    laid = lay_out(
        ground.path,
        [],
        one.rules,
        keep_clear=[KeepClear(name="x", from_m=a, to_m=b) for a, b in bars],
        choose=BestFit(profile=ground.profile, levels=ground.rules, closed=closed),
    )
    layouts = [stretch.every_layout(stretch.rank(stretch.laid().post_m)[0]) for stretch in (one, other)]
    both = [np.append(first, one.length_m + second[1:]) for first in layouts[0] for second in layouts[1]]
    programme = Programme(replace(one, ground=ground), both)
    mine = ground.stepped(laid.bay_start_m, laid.bay_end_m)
    assert agree(mine, programme.best(), rel=1e-5), (one, other)
    return min(map(len, layouts)) > 1


def test_highs_finds_the_same_optimum_round_a_corner() -> None:
    """20 pairs of stretches with the same rules, ten of them rings; no keep-clear reaches past an end."""
    waiting: dict[LayoutRules, Stretch] = {}
    choices = []
    for stretch in stretches(10_000, 120):
        if any(a <= 0 or b >= stretch.length_m for a, b in stretch.barred):
            continue
        other = waiting.pop(stretch.rules, None)
        if other is None:
            waiting[stretch.rules] = stretch
        elif len(choices) < 20:
            choices.append(round_a_corner(other, stretch, closed=len(choices) % 2 == 1))
    assert len(choices) == 20
    assert any(choices)


@dataclass(frozen=True)
class Block(clear.Instance):
    """What lies between two posts that stay."""

    places: tuple[float, ...]

    @property
    def wanted(self) -> list[float]:
        return list(self.places)


def test_highs_finds_no_wider_narrowest_bay_between_two_posts_that_stay() -> None:
    """120 stretches; in some blocks cut bays cannot be alike."""
    unlike = 0
    for stretch in stretches(8_000, 120):
        posts = stretch.laid().post_m
        for (start, end), widths in stretch.blocks(posts):
            if len(widths) == 1:
                continue
            block = Block(
                end - start,
                stretch.rules,
                tuple((a - start, b - start) for a, b in stretch.barred),
                tuple(each - start for each in stretch.wanted if start + SAME_M < each < end - SAME_M),
            )
            other = clear._by_highs(block, len(widths))
            cut = widths[widths < stretch.rules.module_m - SAME_M]
            assert other is not None
            assert other[0] == (0, len(widths), len(widths) - 1, len(cut)), stretch
            # HiGHS keeps constraints to 1e-6 of unknowns of up to 16 m
            assert widths.min() == pytest.approx(other[1], abs=1e-4), stretch
            unlike += cut.max() > cut.min() + 1e-3
    assert unlike > 10


def test_no_layout_round_them_is_better_for_a_raked_fence() -> None:
    """(a) 100 stretches, every layout of each by its best slopes; these are held against HiGHS on their own."""
    choices = 0
    for stretch in stretches(9_000, 100):
        ground, laid = stretch.ground, stretch.laid(raked=True)
        layouts = stretch.every_layout(stretch.rank(laid.post_m)[0])
        choices += len(layouts) > 1
        best = min(ground.raked(posts[:-1], posts[1:]) for posts in layouts)
        assert agree(ground.raked(laid.bay_start_m, laid.bay_end_m), best), stretch
    assert choices > 10
