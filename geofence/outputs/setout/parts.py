"""What stands on the set-out sheet, however it is drawn: words, tables, and room to tick and to write."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from geofence.outputs.setout.figure import Figure
from geofence.outputs.setout.posts import Note

__all__ = ["LOCATED", "SERVICES", "SIGN_OFF", "Band", "Cell", "Column", "Kind", "Line", "Sheet", "Table"]

SERVICES = "Do not dig before underground services have been located and marked."
"""Stands on every page."""

SIGN_OFF = ("Set out by", "Checked by", "Date", "Signature")
"""To be filled in on every page."""

LOCATED = ("Services located and marked by", "Reference", "Date")
"""To be filled in before anybody digs."""

Cell = tuple[str, str]
"""What is read first, and what stands smaller below it; an empty text leaves its line empty."""

Kind = Literal["tick", "text", "number", "signed", "blank"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column: what heads it, on two lines like its cells, its share of the width, and what its cells hold.

    ``tick`` is a box to tick, ``blank`` a line to write on; of a ``signed`` number only what is not nought stands out.
    """

    head: Cell
    width: float
    kind: Kind = "number"


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A row of cells, those that are ticked or written on left out; ``weight`` ``strong`` for posts that are set first.

    ``notes`` are told below it.
    """

    cells: tuple[Cell, ...]
    weight: Literal["plain", "strong"] = "plain"
    notes: tuple[Note, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """Words across the table, above the rows that they introduce."""

    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table with its heading and what is to be known of it. ``hint`` says what the columns do not."""

    title: str
    hint: str
    columns: tuple[Column, ...]
    rows: tuple[Line | Band, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The whole sheet.

    Attributes
    ----------
    name, fence
        The job's name, and what fence it is.
    facts
        Labels and what they say: what the numbers are in.
    cautions, zones
        Before anything is dug; and what is in the ground, or forbidden, at the fence.
    look
        What to look at that concerns no single post; then how many posts have something to look at.
    legend
        Labels and meanings of the columns of the posts.
    figure
        A post and its neighbours, with the same words.
    tables
        In the order of the work.
    """

    name: str
    fence: str
    facts: tuple[tuple[str, str], ...]
    cautions: tuple[str, ...]
    zones: tuple[str, ...]
    look: tuple[Note, ...]
    legend: tuple[tuple[str, str], ...]
    figure: Figure
    tables: tuple[Table, ...]
