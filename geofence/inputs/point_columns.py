"""The columns of a point file: what each holds, by its name or by an order that the job states."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, cast, get_args

from geofence.inputs.level_units import unit_named

__all__ = [
    "NEEDED",
    "ORDERS",
    "PLACE",
    "Columns",
    "Role",
    "columns_named",
    "columns_of_header",
    "columns_of_order",
    "role_named",
]

Role = Literal["point", "easting", "northing", "level", "code", "description", "skip"]
ROLES: tuple[Role, ...] = get_args(Role)

NAMES: dict[Role, tuple[str, ...]] = {
    "point": (
        *("point", "pt", "pnt", "p", "id", "name", "no", "number", "nr", "pointid", "pointno", "pointnumber"),
        *("pointnr", "pointname", "ptid", "ptno", "ptnumber", "ptname", "station", "stationid", "stationname"),
    ),
    "easting": (
        *("easting", "eastings", "east", "e", "gridecoordinate", "grideasting", "eastcoordinate", "ecoord"),
        *("x", "xcoord", "xcoordinate", "coordx", "longitude", "long", "lon", "lng"),
    ),
    "northing": (
        *("northing", "northings", "north", "n", "gridncoordinate", "gridnorthing", "northcoordinate", "ncoord"),
        *("y", "ycoord", "ycoordinate", "coordy", "latitude", "lat"),
    ),
    "level": (
        *("level", "lvl", "groundlevel", "spotlevel", "elevation", "elev", "ele", "groundelevation", "z", "zcoord"),
        *("zcoordinate", "coordz", "height", "orthometricheight", "orthoheight", "rl", "reducedlevel", "altitude"),
        *("alt", "h"),
    ),
    "code": ("code", "pointcode", "ptcode", "featurecode", "fcode", "feature", "class", "layer"),
    "description": (
        *("description", "desc", "descr", "d", "remark", "remarks", "comment", "comments", "note", "notes", "text"),
    ),
    "skip": ("skip",),
}
"""How files name their columns, in lower case and without blanks, dots, dashes and underscores."""

BY_NAME: dict[str, Role] = {name: role for role, names in NAMES.items() for name in names}
LETTERS: dict[str, Role] = {
    "P": "point", "E": "easting", "N": "northing", "Z": "level", "D": "description", "C": "code", "S": "skip",
}  # fmt: skip
NEEDED: tuple[Role, ...] = ("easting", "northing", "level")
PLACE: tuple[Role, ...] = NEEDED[:2]
"""What rows of points hold in numbers; the place alone where levels are optional."""

ONCE: tuple[Role, ...] = tuple(role for role in ROLES if role != "skip")

ORDERS = 'such as "point,northing,easting,level,code" (or letters: "PNEZC"; a column of no use is "skip")'
"""How a job states an order."""

PLAIN_XY = ("x", "y")


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """What the columns of a file hold, from the left.

    Attributes
    ----------
    roles
        One a column.
    place_unit, level_unit
        Units that the names of the columns state (``m``, ``ft``, ``ftUS``), None where they state none.
    by_letters_xy
        Whether easting and northing are told by ``x`` and ``y`` alone, of which some grids call the northing x.
    """

    roles: tuple[Role, ...]
    place_unit: str | None = None
    level_unit: str | None = None
    by_letters_xy: bool = False

    def at(self, role: Role) -> int | None:
        """The column, from 0, that holds something; None where none does."""
        return self.roles.index(role) if role in self.roles else None

    def numbers(self) -> tuple[int, ...]:
        """The columns of easting, northing and, where there is one, level."""
        return tuple(self.roles.index(role) for role in NEEDED if role in self.roles)

    def __str__(self) -> str:
        return ",".join(self.roles)


def role_named(name: str) -> Role | None:
    """What a column of this name holds; a unit at its end may stand in brackets or after a blank.

    >>> role_named("Elev. (ft)"), role_named("Grid_Northing"), role_named("easting_m"), role_named("HDOP")
    ('level', 'northing', 'easting', None)
    """
    return _read_name(name)[0]


def _read_name(name: str) -> tuple[Role | None, str | None, str]:
    """Role and unit of a column's name, and the name as it is compared."""
    bare, _, bracket = name.strip().strip("\"'").partition("(" if "(" in name else "[")
    unit = unit_named(bracket.rstrip(")] "))
    plain = re.sub(r"[\W_]+", "", bare.casefold())
    if plain in BY_NAME:
        return BY_NAME[plain], unit, plain
    words = re.split(r"[\s_]+", bare.strip())
    unit = unit or (unit_named(" ".join(words[1:])) or unit_named(words[-1]) if len(words) > 1 else None)
    plain = re.sub(r"[\W_]+", "", "".join(words[:-1]).casefold())
    return (BY_NAME.get(plain), unit, plain) if unit else (None, None, plain)


def columns_named(names: Sequence[str]) -> Columns:
    """The columns of these names; what is not understood, or holds nothing that is needed, is skipped."""
    read = [_read_name(name) for name in names]
    units: dict[Role, str | None] = {role: unit for role, unit, _ in read if role in NEEDED}
    plain = {role: word for role, _, word in read if role in NEEDED}
    return Columns(
        roles=tuple(role or "skip" for role, _, _ in read),
        place_unit=units.get("easting") or units.get("northing"),
        level_unit=units.get("level"),
        by_letters_xy=all(plain.get(role, "")[:1] in PLAIN_XY for role in NEEDED[:2]),
    )


def columns_of_header(names: Sequence[str], *, need: Sequence[Role] = NEEDED) -> Columns | None:
    """The columns that a header names; None where it does not name what is needed, or one of its numbers twice."""
    columns = columns_named(names)
    return columns if not faults(columns.roles, need) else None


def columns_of_order(text: str, *, need: Sequence[Role] = NEEDED) -> Columns:
    """The columns of an order: names between commas, or a word of letters.

    >>> str(columns_of_order("PENZ")), str(columns_of_order("id, north, east, rl, skip"))
    ('point,easting,northing,level', 'point,northing,easting,level,skip')

    Raises
    ------
    ValueError
        It names a column that is not known, one twice, or not all that are needed.
    """
    words = [word.strip() for word in text.split(",")] if "," in text else list(text.strip())
    known = [role_named(word) if "," in text else LETTERS.get(word) for word in words]
    unknown = [word for word, role in zip(words, known, strict=True) if role is None]
    if unknown:
        raise ValueError(f"{unknown[0]!r} is no column")
    roles = tuple(cast(Role, role) for role in known)
    wrong = faults(roles, need)
    if wrong:
        raise ValueError(wrong)
    return Columns(roles=roles)


def faults(roles: Sequence[Role], need: Sequence[Role] = NEEDED) -> str:
    """What is wrong with columns of these roles; empty where nothing is."""
    count = Counter(roles)
    missing = [role for role in need if not count[role]]
    twice = [role for role in ONCE if count[role] > 1]
    if missing:
        return f"there is no {' and no '.join(missing)}"
    # two columns of remarks do no harm, two of levels do
    doubled = [role for role in twice if role in NEEDED]
    return f"there are two columns of {doubled[0]}s" if doubled else ""
