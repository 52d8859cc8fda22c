"""How a stake-out file is laid out: the job's table ``[stakeout]``, as a plan carries it."""

from __future__ import annotations

import string
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal, get_args

from geofence.engine.records import PostKind
from geofence.errors import JobError
from geofence.plan import FencePlan
from geofence.units import UNITS_M
from geofence.words import must_be_known

__all__ = [
    "BLANKS",
    "COLUMNS",
    "FARTHEST_OFFSET_M",
    "KINDS",
    "MOST_DECIMALS",
    "OFFSET",
    "SHORTEST_NAMES",
    "USUAL_COLUMNS",
    "USUAL_DESCRIPTION",
    "Decimal",
    "Delimiter",
    "Header",
    "LevelOf",
    "StakeoutStyle",
    "Unit",
    "blanks",
    "columns_of",
]

Delimiter = Literal["comma", "semicolon", "tab", "space"]
Decimal = Literal["point", "comma"]
Header = Literal["names", "none"]
LevelOf = Literal["ground", "top", "toe"]
Unit = Literal["grid", "m", "ft", "ftUS"]

UNIT_NAMES: Mapping[str, str] = {"m": "metre", "ft": "international foot", "ftUS": "US survey foot"}

USUAL_COLUMNS = ("point", "easting", "northing", "level", "description")
COLUMNS = (*USUAL_COLUMNS, "code", "kind", "ground", "top", "toe", "line", "chainage")
"""The columns there are; the first five, in this order, are used unless others are asked for."""

LETTERS = {"P": "point", "E": "easting", "N": "northing", "Z": "level", "D": "description", "C": "code"}

OFFSET = "offset"
KINDS: tuple[str, ...] = (*get_args(PostKind), OFFSET)
"""What a point may be: a post of some kind, or a mark beside one."""

BLANKS = (
    *("kind", "code", "gate", "offset", "stands", "ground", "top", "toe", "height", "depth", "length"),
    *("line", "chainage", "marks"),
)

USUAL_DESCRIPTION = "{code}{offset}{stands} top {top}{marks}"

MOST_DECIMALS = 9
SHORTEST_NAMES = 4
LONGEST_PREFIX = 16
FARTHEST_OFFSET_M = 100.0


def columns_of(order: str) -> tuple[str, ...]:
    """The columns of ``point,northing,easting,level,description`` or, by their letters, ``PNEZD``.

    >>> columns_of("point, easting, northing"), columns_of("PENZ")
    (('point', 'easting', 'northing'), ('point', 'easting', 'northing', 'level'))
    """
    if "," not in order and order and set(order.upper()) <= LETTERS.keys():
        return tuple(LETTERS[letter] for letter in order.upper())
    return tuple(word.strip() for word in order.split(","))


@dataclass(frozen=True, slots=True, kw_only=True)
class StakeoutStyle:
    """How a stake-out file is laid out.

    Attributes
    ----------
    order
        Columns in their order, out of :data:`COLUMNS`; ``easting`` and ``northing`` must be there.
    unit
        Of everything in the file, levels too, since a device takes one unit for a file: ``m``, ``ft`` (0.3048 m),
        ``ftUS`` (1200/3937 m), or ``grid`` for that of the grid.
    decimals
        Decimals of coordinates and levels; None: as many as resolve 0.1 mm on the ground.
    delimiter
        What stands between fields.
    decimal
        The decimal mark, ``point`` or ``comma``; a comma does not go with the delimiter ``comma``.
    header
        ``names`` for a first line with the columns' names, ``none`` for points from the first line on.
    level
        Whose level the column ``level`` gives: ``ground`` at the post, or ``top`` or ``toe`` of the post.
    description
        The description: the code of the device's own library (``FP``), or a pattern with ``{kind}`` and ``{code}`` of
        the post; ``{gate}``: the name of its gate; ``{offset}``: how far beside which post a mark is; ``{stands}``: how
        far from the point a post stands that is in the ground already; ``{ground}``,
        ``{top}``, ``{toe}`` (levels), ``{height}``, ``{depth}``, ``{length}`` of the post; ``{line}``: the name of its
        line, ``{chainage}`` along it; ``{marks}``: ``STOP`` or ``CHECK`` and the codes of the post's findings, where it
        has such. What is empty for most points, such as ``{gate}``, brings the blank before it along, and blanks at the
        ends of a description are dropped.
    codes
        The device's code for each of :data:`KINDS`; the kind's own word where there is none.
    name_length
        The longest name that the device takes; longer ones are shortened to a part of the prefix and the number.
    prefix
        What names begin with, before the number.
    offset_m
        Marks beside each post, square off the line at these distances on the ground; left of travel positive.

    Raises
    ------
    JobError
        A value that is not as above; ``place`` is ``stakeout.`` and the name of the option.
    """

    order: tuple[str, ...] = USUAL_COLUMNS
    unit: Unit = "grid"
    decimals: int | None = None
    delimiter: Delimiter = "comma"
    decimal: Decimal = "point"
    header: Header = "names"
    level: LevelOf = "ground"
    description: str = USUAL_DESCRIPTION
    codes: Mapping[str, str] = field(default_factory=dict)
    name_length: int | None = None
    prefix: str = "P"
    offset_m: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        words: tuple[tuple[str, Iterable[str], tuple[str, ...]], ...] = (
            ("order", self.order, COLUMNS),
            ("unit", [self.unit], get_args(Unit)),
            ("delimiter", [self.delimiter], get_args(Delimiter)),
            ("decimal", [self.decimal], get_args(Decimal)),
            ("header", [self.header], get_args(Header)),
            ("level", [self.level], get_args(LevelOf)),
            ("description", blanks(self.description), BLANKS),
            ("codes", self.codes, KINDS),
        )
        for option, given, known in words:
            for word in given:
                must_be_known(word, known, place=f"stakeout.{option}")
        self._check_columns()
        self._check_numbers()
        self._check_names()

    @classmethod
    def of(cls, plan: FencePlan) -> StakeoutStyle:
        """As the plan's job has it; what it does not say is as it is above."""
        return cls.from_values({item.name: plan.value(f"stakeout.{item.name}") for item in fields(cls)})

    @classmethod
    def from_values(cls, values: Mapping[str, Any]) -> StakeoutStyle:
        """Of values as a job file has them: the order as text, lists, one distance, nothing for what is not said."""
        given = {name: value for name, value in values.items() if value is not None}
        if isinstance(given.get("order"), str):
            given["order"] = columns_of(given["order"])
        if "offset_m" in given:
            offsets = given["offset_m"]
            given["offset_m"] = (offsets,) if isinstance(offsets, int | float) else tuple(offsets)
        return cls(**given)

    def unit_m(self, plan: FencePlan) -> float:
        """One unit of the file in metres."""
        return plan.grid.unit_m if self.unit == "grid" else UNITS_M[self.unit]

    def unit_name(self, plan: FencePlan) -> str:
        """The unit of the file in words."""
        return plan.grid.unit if self.unit == "grid" else UNIT_NAMES[self.unit]

    def code(self, kind: str) -> str:
        """The code of a kind of point."""
        return self.codes.get(kind, kind)

    def _check_columns(self) -> None:
        if len(set(self.order)) < len(self.order) or not {"easting", "northing"} <= set(self.order):
            raise JobError(
                "a stake-out file has easting and northing, and no column twice",
                place="stakeout.order",
                value=",".join(self.order),
                remedy=f"Give each column once, out of {', '.join(COLUMNS)}.",
            )
        if self.decimal == "comma" and self.delimiter == "comma":
            raise JobError(
                "a decimal comma cannot be told from a comma between fields",
                place="stakeout.decimal",
                remedy="Choose another delimiter: semicolon, tab or space.",
            )

    def _check_numbers(self) -> None:
        if self.decimals is not None and not 0 <= self.decimals <= MOST_DECIMALS:
            raise JobError(
                "no such number of decimals", place="stakeout.decimals", value=self.decimals, limit=MOST_DECIMALS
            )
        for distance in self.offset_m:
            if not 0 < abs(distance) <= FARTHEST_OFFSET_M:
                raise JobError(
                    "no distance for a mark beside a post",
                    place="stakeout.offset_m",
                    value=distance,
                    limit=FARTHEST_OFFSET_M,
                    unit="m",
                    remedy="Left of the direction of travel is positive, right negative.",
                )
        if len(set(self.offset_m)) < len(self.offset_m):
            raise JobError("a distance is there twice", place="stakeout.offset_m", remedy="Give each once.")

    def _check_names(self) -> None:
        if self.name_length is not None and self.name_length < SHORTEST_NAMES:
            raise JobError(
                "names as short as that cannot be told apart",
                place="stakeout.name_length",
                value=self.name_length,
                limit=SHORTEST_NAMES,
            )
        plain = self.prefix.isascii() and self.prefix.replace("_", "").replace("-", "").isalnum()
        if self.prefix and not (plain and self.prefix[0].isalpha() and len(self.prefix) <= LONGEST_PREFIX):
            raise JobError(
                f"no prefix that any device takes: up to {LONGEST_PREFIX} letters, digits, - and _, the first a letter",
                place="stakeout.prefix",
                value=repr(self.prefix),
            )


def blanks(pattern: str) -> list[str]:
    """The words between braces of a pattern, each with its format, so that any format is an unknown word.

    Raises
    ------
    JobError
        A brace is not closed.
    """
    try:
        parts = [part for part in string.Formatter().parse(pattern) if part[1] is not None]
    except ValueError as trouble:
        raise JobError(
            "a brace is not closed",
            place="stakeout.description",
            value=repr(pattern),
            remedy="Write {{ for a brace itself.",
        ) from trouble
    return [
        f"{word}{f'!{conversion}' if conversion else ''}{f':{form}' if form else ''}"
        for _, word, form, conversion in parts
    ]
