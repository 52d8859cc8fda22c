"""The table under a long-section: a column for each post, none left out, whatever the bays are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geofence.engine.records import Floats
from geofence.outputs.paper.page import GREY, LETTERING_MM, Page, Pen, text_width_mm
from geofence.outputs.sheets.fence_line import FenceLine
from geofence.outputs.sheets.findings import NumberedFinding, numbers_in_short
from geofence.outputs.sheets.strips import Strip

__all__ = ["COLUMN_MM", "LEADER_MM", "TITLES_MM", "Row", "StripTable", "spread", "strip_table"]

CAP = LETTERING_MM[0]
COLUMN_MM = 2.75
"""Columns of figures that stand upright are at least so far apart: a line of lettering and the space beside it."""
LEADER_MM = 6.0
"""Between the datum line and the table, for lines that lead from posts to their columns."""
TITLES_MM = 35.0
SIDE_MM = 2.2
"""From the first and the last column to the lines beside them."""
RULE, FINE = Pen(0.25), Pen(0.13, GREY)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """A row: its title, its unit, how high it is, and its text for each post of each line."""

    title: str
    unit: str
    height_mm: float
    texts: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripTable:
    """The rows for all strips."""

    rows: tuple[Row, ...]

    @property
    def height_mm(self) -> float:
        return sum(row.height_mm for row in self.rows)

    def draw(self, page: Page, left: float, right: float, top: float, strip: Strip, posts_x: Floats) -> None:
        """Draw the table of posts between ``left`` and ``right``, below ``top``, with leaders from where the posts are.

        Its titles stand in ``TITLES_MM`` left of there; ``SIDE_MM`` is beyond either side.
        """
        columns = spread(posts_x, COLUMN_MM, left, right)
        x0, left, right = left - TITLES_MM, left - SIDE_MM, min(right, float(columns[-1])) + SIDE_MM
        for post, column in zip(posts_x.tolist(), columns.tolist(), strict=True):
            bends = [(post, top + LEADER_MM), (post, top + LEADER_MM - 1.2), (column, top + 1.2), (column, top)]
            page.line(bends, FINE)
        page.line([(x0, top), (right, top)], RULE)
        y = top
        for row in self.rows:
            title = f"{row.title} {row.unit}".strip()
            page.text(title, x0 + 1, y - row.height_mm / 2 - CAP / 2)
            self._letter(page, row.texts[strip.line][strip.first : strip.last + 1], columns, y - row.height_mm)
            y -= row.height_mm
            page.line([(x0, y), (right, y)], Pen(0.18))
        page.line([(left, top), (left, y)], RULE)
        page.line([(x0, top), (x0, y)], RULE)
        page.line([(right, top), (right, y)], RULE)

    @staticmethod
    def _letter(page: Page, texts: Sequence[str], columns: Floats, low: float) -> None:
        for text, column in zip(texts, columns.tolist(), strict=True):
            if text:
                page.text(text, column + CAP / 2, low + 1.0, turn_deg=90.0)


def strip_table(lines: Sequence[FenceLine], findings: Sequence[NumberedFinding], *, slope: str) -> StripTable:
    """The table of a plan's lines; each row as high as its longest text."""
    wires = slope == "strained"
    thing = "Lowest wire" if wires else "Underside"
    columns = (
        ("Post", "", [line.names for line in lines]),
        ("Chainage", "m", [_figures(line.chainage_m) for line in lines]),
        ("Ground level", "m", [_figures(line.ground_m) for line in lines]),
        (f"{thing}, bay behind", "m", [_figures(line.behind_m) for line in lines]),
        (f"{thing}, bay ahead", "m", [_figures(line.ahead_m) for line in lines]),
        ("Post top level", "m", [_figures(line.top_m) for line in lines]),
        ("Post height", "m", [_figures(line.height_m) for line in lines]),
        ("Embedment", "m", [_figures(line.embedment_m) for line in lines]),
        ("Findings", "no.", _finding_numbers(lines, findings)),
    )
    return StripTable(rows=tuple(_row(title, unit, texts) for title, unit, texts in columns))


def _row(title: str, unit: str, texts: Sequence[Sequence[str]]) -> Row:
    longest = {max(part, key=len, default="") for part in texts} | {""}
    widest = max(text_width_mm(text) for text in longest)
    return Row(title=title, unit=unit, height_mm=max(4.5, widest + 2.0), texts=tuple(tuple(part) for part in texts))


def _figures(values: Floats) -> tuple[str, ...]:
    return tuple("" if np.isnan(value) else f"{value:.3f}" for value in (np.round(values, 3) + 0.0).tolist())


def _finding_numbers(lines: Sequence[FenceLine], findings: Sequence[NumberedFinding]) -> list[list[str]]:
    numbers: list[list[list[int]]] = [[[] for _ in range(len(line))] for line in lines]
    for item in findings:
        if item.place is not None:
            numbers[item.place.run][item.place.nth].append(item.number)
    return [[numbers_in_short(one) for one in line] for line in numbers]


def spread(wanted: Floats, apart: float, low: float, high: float) -> Floats:
    """Places at least ``apart`` from each other, in order, within bounds, as near as can be to those wanted.

    The least sum of squared moves: neighbours that are pushed together move as one block. There must be room for all.

    >>> spread(np.array([0.0, 1.0, 9.0]), 2.0, 0.0, 10.0).tolist()
    [0.0, 2.0, 9.0]
    """
    shift = apart * np.arange(len(wanted))
    blocks: list[tuple[float, int]] = []
    for value in (wanted - shift).tolist():
        mean, count = value, 1
        while blocks and blocks[-1][0] > mean:
            other, more = blocks.pop()
            mean, count = (mean * count + other * more) / (count + more), count + more
        blocks.append((mean, count))
    flat = np.repeat([mean for mean, _ in blocks], [count for _, count in blocks])
    return np.asarray(np.clip(flat, low, high - shift[-1]) + shift)
