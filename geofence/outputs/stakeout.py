"""``stakeout.csv``: the points for the stake-out device.

The device takes one unit for a whole file, so every number is in the unit of the grid, levels too.
``level`` is by default that of the ground at the post as the plan knows it: a device that then shows a cut or fill of
more than the survey's own accuracy stands on the wrong datum, at the wrong place, or on changed ground. The level of
the post's top, which the crew sets the post to, is in the description. The first line is the header, so what the
numbers are in, and the cautions, are in ``stakeout.txt`` beside it.
"""

from __future__ import annotations

import string
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from geofence.engine.records import Floats
from geofence.errors import JobError
from geofence.outputs import csv_text
from geofence.outputs.digits import coordinate_decimals, fixed
from geofence.outputs.marks import marks
from geofence.plan import FencePlan, Output
from geofence.registry import nearest

__all__ = ["COLUMNS", "OUTPUT", "Delimiter", "LevelOf", "StakeoutStyle", "write"]

Delimiter = Literal["comma", "semicolon", "tab", "space"]
LevelOf = Literal["ground", "top", "toe"]

COLUMNS = ("point", "easting", "northing", "level", "description")
"""The columns there are, in the order that is used unless another is asked for."""

_DELIMITERS: Mapping[str, str] = {"comma": ",", "semicolon": ";", "tab": "\t", "space": " "}
_BLANKS = ("kind", "ground", "top", "toe", "height", "depth", "length", "marks")
_MOST_DECIMALS = 9


@dataclass(frozen=True, slots=True, kw_only=True)
class StakeoutStyle:
    """How a stake-out file is laid out.

    Attributes
    ----------
    order
        Columns in their order, out of :data:`COLUMNS`; ``easting`` and ``northing`` must be there.
    delimiter
        What stands between fields. The decimal mark is a point always.
    decimals
        Decimals of coordinates and levels; None: as many as resolve 0.1 mm on the ground.
    header
        ``names`` for a first line with the columns' names, ``none`` for points from the first line on.
    code
        The description: the code of the device's own library (``FP``), or a pattern with ``{kind}``; ``{ground}``,
        ``{top}``, ``{toe}`` (levels), ``{height}``, ``{depth}``, ``{length}`` of the post; ``{marks}``: ``STOP`` or
        ``CHECK`` and the codes of the post's findings, where it has such.
    level
        Whose level the column ``level`` gives: ``ground``, ``top`` or ``toe`` of the post.

    Raises
    ------
    JobError
        A word that is not one of those above; ``place`` is ``stakeout.`` and the name of the option.
    """

    order: tuple[str, ...] = COLUMNS
    delimiter: Delimiter = "comma"
    decimals: int | None = None
    header: csv_text.Header = "names"
    code: str = "{kind} top {top}{marks}"
    level: LevelOf = "ground"

    def __post_init__(self) -> None:
        _must_be_known("order", self.order, COLUMNS)
        _must_be_known("delimiter", [self.delimiter], get_args(Delimiter))
        _must_be_known("header", [self.header], get_args(csv_text.Header))
        _must_be_known("level", [self.level], get_args(LevelOf))
        _must_be_known("code", _blanks(self.code), _BLANKS)
        if len(set(self.order)) < len(self.order) or not {"easting", "northing"} <= set(self.order):
            raise JobError(
                "a stake-out file has easting and northing, and no column twice",
                place="stakeout.order",
                value=",".join(self.order),
                remedy=f"Give each column once, out of {', '.join(COLUMNS)}.",
            )
        if self.decimals is not None and not 0 <= self.decimals <= _MOST_DECIMALS:
            raise JobError(
                "no such number of decimals", place="stakeout.decimals", value=self.decimals, limit=_MOST_DECIMALS
            )


def _must_be_known(option: str, given: Mapping[str, str] | list[str] | tuple[str, ...], known: tuple[str, ...]) -> None:
    for word in given:
        if word not in known:
            raise JobError("unknown word", place=f"stakeout.{option}", value=repr(word), remedy=nearest(word, known))


def _blanks(code: str) -> list[str]:
    """The words between braces of a pattern, each with its format, so that any format is an unknown word."""
    try:
        parts = [part for part in string.Formatter().parse(code) if part[1] is not None]
    except ValueError as trouble:
        raise JobError(
            "a brace is not closed", place="stakeout.code", value=repr(code), remedy="Write {{ for a brace itself."
        ) from trouble
    return [f"{word}{'!' if conversion else ''}{form}" for _, word, form, conversion in parts]


def write(plan: FencePlan, path: Path, *, style: StakeoutStyle | None = None) -> None:
    """Write the posts' places in the order of the line, laid out by ``style``."""
    style = style or StakeoutStyle()
    fields: dict[str, Callable[[], Iterable[str]]] = {
        "point": lambda: plan.post_names,
        "easting": lambda: _numbers(plan, plan.places.easting, style),
        "northing": lambda: _numbers(plan, plan.places.northing, style),
        "level": lambda: _numbers(plan, _levels(plan, style.level), style),
        "description": lambda: csv_text.words(_descriptions(plan, style.code), _DELIMITERS[style.delimiter]),
    }
    columns = {name: fields[name]() for name in style.order}
    csv_text.write_table(path, columns, delimiter=_DELIMITERS[style.delimiter], header=style.header)


def _numbers(plan: FencePlan, values: Floats, style: StakeoutStyle) -> Iterable[str]:
    decimals = coordinate_decimals(plan.grid) if style.decimals is None else style.decimals
    return fixed(values, decimals, missing="")


def _levels(plan: FencePlan, of: LevelOf) -> Floats:
    posts = plan.fence.posts
    levels = {"ground": posts.ground_level_m, "top": posts.top_level_m, "toe": posts.toe_level_m}
    return levels[of] / plan.grid.unit_m


def _descriptions(plan: FencePlan, code: str) -> list[str]:
    wanted = set(_blanks(code))
    posts, unit = plan.fence.posts, plan.grid.unit_m
    measures = {
        "ground": posts.ground_level_m,
        "top": posts.top_level_m,
        "toe": posts.toe_level_m,
        "height": posts.height_m,
        "depth": posts.embedment_m,
        "length": posts.length_m,
    }
    texts: dict[str, Iterable[str]] = {
        name: fixed(values / unit, 3, missing="?") for name, values in measures.items() if name in wanted
    }
    texts |= {"kind": posts.kind, "marks": [f" {mark}" if mark else "" for mark in marks(plan)]}
    names = tuple(texts)
    return [code.format_map(dict(zip(names, row, strict=True))) for row in zip(*texts.values(), strict=True)]


OUTPUT = Output(filename="stakeout.csv", title="Points for the stake-out device (CSV)", write=write)
