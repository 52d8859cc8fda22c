"""Paragraphs of text that flow through columns, on as many sheets as they need; nothing is left out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from geofence.outputs.paper.page import LETTERING_MM, Page, text_width_mm, wrapped
from geofence.outputs.paper.typeface import Weight

__all__ = ["LINE_SPACING", "Column", "Line", "Paragraph", "draw_lines", "fitted", "flowed", "lines_of"]

LINE_SPACING = 1.65
"""Distance of base lines, as a multiple of the height of capitals: letters with descenders stay apart."""
SHORT_LINES = 6
HANGING_MM, LABEL_GAP_MM = 7.0, 1.6


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A text, or a heading; ``label`` stands before it in bold, in the colour ``ink``."""

    text: str
    label: str = ""
    kind: Literal["text", "heading"] = "text"
    ink: str = "#000000"


@dataclass(frozen=True, slots=True)
class Line:
    """A line of a column: its label in bold, its text, how far the text stands in, and the space above, as lines."""

    text: str
    label: str = ""
    indent_mm: float = 0.0
    weight: Weight = "regular"
    above: float = 0.0
    ink: str = "#000000"


@dataclass(frozen=True, slots=True)
class Column:
    """Where lines go: from the top downwards."""

    x0: float
    y0: float
    x1: float
    y1: float


def lines_of(paragraphs: Iterable[Paragraph], width_mm: float, *, cap_mm: float = LETTERING_MM[0]) -> list[Line]:
    """Paragraphs as lines of a column."""
    found: list[Line] = []
    for item in paragraphs:
        if item.kind == "heading":
            lines = wrapped(item.text, width_mm, cap_mm=cap_mm, weight="bold")
            found += [Line(text, weight="bold", above=0.7 if not row else 0.0) for row, text in enumerate(lines)]
            continue
        label, text, indent = item.label, item.text, 0.0
        if label:
            indent = max(HANGING_MM, text_width_mm(label, cap_mm=cap_mm, weight="bold") + LABEL_GAP_MM)
        if indent > width_mm / 2:
            label, text, indent = "", f"{label} {text}", 0.0
        lines = wrapped(text, width_mm - indent, cap_mm=cap_mm) or [""]
        for row, words in enumerate(lines):
            found.append(Line(words, "" if row else label, indent, above=0.0 if row else 0.25, ink=item.ink))
    return found


def flowed(
    lines: Sequence[Line], columns: Sequence[Column], *, cap_mm: float = LETTERING_MM[0]
) -> tuple[list[tuple[Column, list[Line]]], list[Line]]:
    """What goes into each column, and the lines that found no room.

    A heading does not stand last in a column, and a short paragraph is not cut.
    """
    spacing, rest = cap_mm * LINE_SPACING, list(lines)
    placed = []
    for column in columns:
        room, count = column.y1 - column.y0, 0
        while count < len(rest):
            room -= spacing * (1 + (rest[count].above if count else 0))
            if room < 0:
                break
            count += 1
        count = _at_a_paragraph(rest, count)
        placed.append((column, rest[:count]))
        rest = rest[count:]
    return placed, rest


def _at_a_paragraph(lines: Sequence[Line], count: int) -> int:
    """Where to end a column that has room for ``count`` lines: not within a short paragraph, nor after a heading."""
    if count == len(lines):
        return count
    start = count
    while start > 0 and lines[start].above == 0:
        start -= 1
    end = start if start > 0 and count - start <= SHORT_LINES else count
    while end > 1 and lines[end - 1].weight == "bold":
        end -= 1
    return end


def draw_lines(page: Page, column: Column, lines: Sequence[Line], *, cap_mm: float = LETTERING_MM[0]) -> None:
    """Letter lines into their column."""
    y = column.y1 - cap_mm * 1.2
    for row, line in enumerate(lines):
        y -= cap_mm * LINE_SPACING * (line.above if row else 0)
        if line.label:
            page.text(line.label, column.x0, y, cap_mm=cap_mm, weight="bold", ink=line.ink)
        page.text(line.text, column.x0 + line.indent_mm, y, cap_mm=cap_mm, weight=line.weight)
        y -= cap_mm * LINE_SPACING


def fitted(
    text: str, width_mm: float, height_mm: float, *, largest_mm: float, weight: Weight = "regular"
) -> tuple[list[str], float]:
    """The lines of a text and the height of their capitals, the largest with which it fits; the rest, if any, is …"""
    sizes = [size for size in reversed(LETTERING_MM) if size <= largest_mm]
    for cap in sizes:
        lines = wrapped(text, width_mm, cap_mm=cap, weight=weight)
        if cap * (LINE_SPACING * (len(lines) - 1) + 1.4) <= height_mm:
            return lines, cap
    cap = sizes[-1]
    room = max(1, int((height_mm / cap - 1.4) / LINE_SPACING) + 1)
    lines = wrapped(text, width_mm, cap_mm=cap, weight=weight)[:room]
    while lines[-1] and text_width_mm(f"{lines[-1]}…", cap_mm=cap, weight=weight) > width_mm:
        lines[-1] = lines[-1][:-1]
    return [*lines[:-1], f"{lines[-1]}…"], cap
