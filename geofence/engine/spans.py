"""How the stretch between two posts that must be where they are divides into bays.

With a module M and a narrowest bay m, n bays can fill a length L where n*m <= L <= n*M. The fewest are
n = ceil(L / M): more bays only raise the lower bound. Of these, f can be full where the other n - f get at least m
each, so the fewest cut bays are n - floor((L - n*m) / (M - m)); sharing what is left alike makes the narrowest widest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from geofence.engine.records import BayKind, Fit, LayoutRules
from geofence.numeric import MODULE_SLACK_M, WIDTH_TOLERANCE_M, snap_ceil, snap_floor

__all__ = ["Division", "Piece", "Row", "arrange", "divide", "fewest_cuts", "straight_piece", "whole_modules"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Division:
    """``head`` cut bays of ``cut_m``, ``full`` bays of ``full_m``, then ``tail`` cut bays of ``cut_m``."""

    head: int
    full: int
    tail: int
    full_m: float
    cut_m: float = 0.0

    @property
    def bays(self) -> int:
        return self.head + self.full + self.tail

    @property
    def cuts(self) -> int:
        return self.head + self.tail

    @property
    def narrowest_m(self) -> float:
        return self.cut_m if self.cuts else self.full_m

    @property
    def length_m(self) -> float:
        """All widths together: the length of the stretch where it is straight."""
        return self.full * self.full_m + self.cuts * self.cut_m

    @property
    def widths_m(self) -> list[float]:
        return [self.cut_m] * self.head + [self.full_m] * self.full + [self.cut_m] * self.tail

    @property
    def kinds(self) -> list[BayKind]:
        head: list[BayKind] = ["cut"] * self.head
        full: list[BayKind] = ["full"] * self.full
        tail: list[BayKind] = ["cut"] * self.tail
        return head + full + tail

    def reversed(self) -> Division:
        return replace(self, head=self.tail, tail=self.head)

    def fits(self, rules: LayoutRules) -> bool:
        """Whether no bay is narrower than the rules allow."""
        return self.narrowest_m >= rules.min_bay_m - WIDTH_TOLERANCE_M


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """Bays of any widths, in order; those of ``full_m`` are full."""

    widths_m: list[float]
    full_m: float

    @property
    def bays(self) -> int:
        return len(self.widths_m)

    @property
    def narrowest_m(self) -> float:
        return min(self.widths_m)

    @property
    def length_m(self) -> float:
        """All widths together."""
        return sum(self.widths_m)

    @property
    def kinds(self) -> list[BayKind]:
        return ["full" if abs(width - self.full_m) <= 2 * WIDTH_TOLERANCE_M else "cut" for width in self.widths_m]

    def reversed(self) -> Row:
        return replace(self, widths_m=self.widths_m[::-1])

    def fits(self, rules: LayoutRules) -> bool:
        """Whether no bay is narrower than the rules allow."""
        return self.narrowest_m >= rules.min_bay_m - 2 * WIDTH_TOLERANCE_M


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """Bays laid between two posts.

    Attributes
    ----------
    start_m
        Chainage of the post that it starts from.
    division
        The bays' widths.
    end_m
        Chainage of each bay's end, the last that of the post where the piece ends.
    departure_m
        How far the line leaves each bay's chord.
    """

    start_m: float
    division: Division | Row
    end_m: list[float]
    departure_m: list[float]

    def reversed(self, both_ends_m: float) -> Piece:
        """The same bays counted from the other end, where a chainage c becomes ``both_ends_m`` - c."""
        posts = [both_ends_m - post for post in [self.start_m, *self.end_m][::-1]]
        return Piece(
            start_m=posts[0],
            division=self.division.reversed(),
            end_m=posts[1:],
            departure_m=self.departure_m[::-1],
        )


def whole_modules(length_m: float, module_m: float) -> int | None:
    """How many modules make up this length; None where it is not a whole number of them."""
    count = round(length_m / module_m)
    return count if count and abs(length_m - count * module_m) <= MODULE_SLACK_M else None


def fewest_cuts(length_m: float, bays: int, rules: LayoutRules) -> int:
    """Fewest cut bays among this many that make up this length, at least 1; all where even that is too few."""
    to_spare, play = length_m - bays * rules.min_bay_m, rules.module_m - rules.min_bay_m
    if to_spare <= 0 or play < WIDTH_TOLERANCE_M:
        return bays
    return max(1, bays - snap_floor(to_spare / play, WIDTH_TOLERANCE_M / play))


def arrange(bays: int, cuts: int, fit: Fit) -> tuple[int, int, int]:
    """Cut bays at the head, full bays, cut bays at the tail, where at least ``cuts`` must be cut.

    >>> arrange(7, 1, "end"), arrange(7, 1, "start"), arrange(7, 1, "both-ends"), arrange(7, 1, "equal")
    ((0, 6, 1), (1, 6, 0), (1, 5, 1), (0, 0, 7))
    """
    if fit == "equal" or cuts >= bays:
        return 0, 0, bays
    if fit == "both-ends":
        side = math.ceil(cuts / 2)
        return (side, bays - 2 * side, side) if 2 * side < bays else (0, 0, bays)
    return (cuts, bays - cuts, 0) if fit == "start" else (0, bays - cuts, cuts)


def divide(length_m: float, rules: LayoutRules) -> Division:
    """The bays of a straight stretch: fewest bays, then fewest cut bays, then the widest narrowest bay.

    Where no number of bays keeps ``min_bay_m``, the fewest bays all alike: then the narrowest is as wide as can be.

    >>> rules = LayoutRules(module_m=2.4, min_bay_m=0.4)
    >>> [round(width, 9) for width in divide(16.8, rules).widths_m] == [2.4] * 7
    True
    >>> [round(width, 9) for width in divide(7.4, rules).widths_m]
    [2.4, 2.4, 1.3, 1.3]
    """
    module = rules.module_m
    whole = whole_modules(length_m, module)
    if whole:
        return Division(head=0, full=whole, tail=0, full_m=length_m / whole)
    bays = snap_ceil(length_m / module, WIDTH_TOLERANCE_M / module)
    head, full, tail = arrange(bays, fewest_cuts(length_m, bays, rules), rules.fit)
    cut = (length_m - full * module) / (head + tail)
    return Division(head=head, full=full, tail=tail, full_m=module, cut_m=cut)


def straight_piece(start_m: float, end_m: float, rules: LayoutRules) -> Piece:
    """Lay out a straight stretch."""
    division = divide(end_m - start_m, rules)
    first_full = start_m + division.head * division.cut_m
    ends = [start_m + count * division.cut_m for count in range(1, division.head + 1)]
    ends += [first_full + count * division.full_m for count in range(1, division.full + 1)]
    ends += [end_m - count * division.cut_m for count in range(division.tail - 1, -1, -1)]
    ends[-1] = end_m
    return Piece(start_m=start_m, division=division, end_m=ends, departure_m=[0.0] * len(ends))
