"""Where cut bays go so that the fence costs least: layouts and levels chosen together.

Between two gates, or all round a ring, every stretch has its :mod:`~geofence.engine.arrangements`. What the levels of
one cost depends on the neighbours of its end bays, so the stretches are put in series, and the layout of all of them is
found together with the levels of all bays. No other choice of arrangements and levels breaks fewer bays, nor as few at
less cost.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.arrangements import arrangements
from geofence.engine.records import Finding, KeepClear, LayoutRules, LevelRules, Profile, RakeRules
from geofence.engine.sloped_web import SlopedWeb
from geofence.engine.spans import Piece
from geofence.engine.stretches import Stretch
from geofence.engine.web import Web, in_series
from geofence.engine.web_levels import SteppedWeb

__all__ = ["BestFit"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BestFit:
    """Chooses the layout whose levels cost least.

    Attributes
    ----------
    profile
        The ground along the line.
    levels
        Limits and prices.
    rake
        How far bays may slope; None where they hang level.
    closed
        Whether the line is a ring.
    """

    profile: Profile
    levels: LevelRules
    rake: RakeRules | None = None
    closed: bool = False

    def __call__(
        self, stretches: Sequence[Stretch], rules: LayoutRules, keep_clear: Sequence[KeepClear], *, from_m: float
    ) -> tuple[list[list[Piece]], list[Finding]]:
        """Each stretch's pieces, and what is to be said of them; see :func:`geofence.engine.layout.lay_out`."""
        laid: list[list[Piece]] = [[each.gate] if each.opening else [] for each in stretches]
        findings: list[Finding] = []
        for rows in _sections(stretches, closed=self.closed):
            webs = [_web(stretches[row], rules, keep_clear, from_m=from_m) for row in rows]
            ring = self.closed and len(rows) == len(stretches)
            chosen, found = self._ring(webs) if ring else self._row(webs)
            for row, pieces in zip(rows, chosen, strict=True):
                laid[row] = pieces
            findings += found
        return laid, findings

    def _ring(self, webs: Sequence[Web]) -> tuple[list[list[Piece]], list[Finding]]:
        """The pieces of each web in the best layout of a ring, cut open where the fewest levels are within limits."""
        whole = in_series(webs)
        ends = np.cumsum([web.layers for web in webs]) - 1
        room = self._priced(whole).room()[ends]
        first = (int(room.argmin()) + 1) % len(webs)
        chosen, found = self._row([*webs[first:], *webs[:first]], closed=True)
        return [*chosen[len(webs) - first :], *chosen[: len(webs) - first]], found

    def _row(self, webs: Sequence[Web], *, closed: bool = False) -> tuple[list[list[Piece]], list[Finding]]:
        """The pieces of each web in the best layout of all of them, one after the other."""
        web = in_series(webs)
        bays, proven = np.arange(web.layers), "exact"
        if not web.one_way:
            row, proven = self._priced(web, closed=closed).solve()
            bays = row.bay
        laid: list[list[Piece]] = [[] for _ in webs]
        owner = np.repeat(np.arange(len(webs)), [len(each.templates) for each in webs]).tolist()
        findings = [WINDOWED] if proven == "windowed" else []
        for stretch, piece in web.laid(bays):
            laid[owner[stretch]].append(piece)
            findings += web.templates[stretch].says(piece)
        return laid, findings

    def _priced(self, web: Web, *, closed: bool = False) -> SteppedWeb | SlopedWeb:
        if self.rake is None:
            return SteppedWeb.of(web, self.profile, self.levels, closed=closed)
        return SlopedWeb.of(web, self.profile, self.levels, self.rake, closed=closed)


WINDOWED = Finding(
    code="layout-windowed",
    severity="note",
    message="The limits, or the ground that breaks them, leave so many levels that where cut bays go was chosen by the "
    "levels near the ground only; a cheaper layout may exist",
    remedy="Loosen the limits that the stop findings name; where there are none, tighten levels.gap_max_m and "
    "levels.dig_max_m, or make levels.increment_m coarser.",
)


def _web(stretch: Stretch, rules: LayoutRules, keep_clear: Sequence[KeepClear], *, from_m: float) -> Web:
    near = [each for each in keep_clear if each.to_m > stretch.start_m and each.from_m < stretch.end_m]
    return arrangements(stretch.line, stretch.start_m, stretch.end_m, rules, keep_clear=near, from_m=from_m)


def _sections(stretches: Sequence[Stretch], *, closed: bool) -> list[list[int]]:
    """Rows of the stretches between gates; on a ring with a gate, on through the ring's first post."""
    rows = list(range(len(stretches)))
    gates = [row for row in rows if stretches[row].opening is not None]
    if closed and gates:
        rows = rows[gates[0] :] + rows[: gates[0]]
    sections: list[list[int]] = [[]]
    for row in rows:
        if stretches[row].opening is None:
            sections[-1].append(row)
        else:
            sections.append([])
    return [section for section in sections if section]
