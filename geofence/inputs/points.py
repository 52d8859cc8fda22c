"""Ground from files of surveyed points: text in any order of columns, layers of points, laser scans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import GridError, InputError, JobError
from geofence.inputs.file_grid import check_most, check_one_grid, grid_of_file
from geofence.inputs.level_units import (
    LevelUnit,
    check_levels,
    level_unit,
    offset_findings,
    unit_findings,
    vertical_unit_m,
)
from geofence.inputs.point_file import LAYER, SCAN, TEXT, PointFile, read_point_file
from geofence.site.grids import unit_m
from geofence.site.ground import GroundOptions
from geofence.site.reading import Reading
from geofence.site.survey_points import SurveyPoints
from geofence.site.tin import TinGround
from geofence.units import UNITS_M

__all__ = ["READER", "Marks", "PointReader", "Points", "read_marks", "read_points"]

OTHER_STARTS = (b"ncols", b"nrows", b"dsaa", b"dsbb", b"dsrb", b"<")
"""First bytes, in lower case, of text grids and of XML, whose suffixes point files share."""

APART_MAX_M = 1_000_000.0
"""No survey reaches so far from its middle: a digit is missing or too many."""

METRES_A_DEGREE = 111_000.0
FIRST_ROWS = 5

NAMED = 5
"""Most points that a finding names."""


class PointReader:
    """The plug-in that reads points."""

    def reads(self, file: Path) -> bool:
        """Whether the file holds points by its suffix and first bytes."""
        suffix = file.suffix.lower()
        if suffix not in TEXT:
            return suffix in LAYER + SCAN
        try:
            with file.open("rb") as stream:
                start = stream.read(64)
        except OSError:
            return False
        return not start.removeprefix(b"\xef\xbb\xbf").lstrip().lower().startswith(OTHER_STARTS)

    def open(self, files: Sequence[Path], options: GroundOptions) -> TinGround:
        """Open files of points as one ground.

        Raises
        ------
        InputError
            A file cannot be read, or a row of it does not fit.
        GridError
            A file has no grid and none is given, or its points cannot be in it, or two files differ in it.
        JobError
            What the files leave open, and the job does not say: the order of columns, the unit of levels.
        """
        points = read_points(files, options)
        return TinGround(
            points.survey, max_edge_m=options.max_edge_m, coincident=options.coincident, findings=points.findings
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Levelled:
    """The points of one file that have a level, in metres, with what is to be told of them."""

    crs: CRS
    x: Floats
    y: Floats
    level_m: Floats
    name: tuple[str, ...]
    reading: Reading
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Points:
    """Surveyed points with their names.

    ``names`` has one a point: its own, or where it stands in its file (``line 12``); it is empty where names were not
    asked for.
    """

    survey: SurveyPoints
    names: tuple[str, ...]
    findings: tuple[Finding, ...]


def read_points(files: Sequence[Path], options: GroundOptions, *, names: bool = False) -> Points:
    """Read files of points as one survey, with the points' names if asked; raises as :meth:`PointReader.open`."""
    if not files:
        raise JobError("no file is given", place=f"{options.table}.files", remedy="Name the file with the points.")
    levelled = [_levelled(read_point_file(Path(file), options, names=names), options, names=names) for file in files]
    first = levelled[0]
    check_one_grid(
        [(each.reading.file.name, each.crs) for each in levelled], remedy="Give points of one survey in one grid."
    )
    survey = SurveyPoints(
        x=_joined([each.x for each in levelled]),
        y=_joined([each.y for each in levelled]),
        level_m=_joined([each.level_m for each in levelled]),
        crs=first.crs,
        files=tuple(each.reading.file for each in levelled),
        source=", ".join(each.reading.file.name for each in levelled),
        readings=tuple(each.reading for each in levelled),
    )
    return Points(
        survey=survey,
        names=tuple(name for each in levelled for name in each.name) if names else (),
        findings=(*(finding for each in levelled for finding in each.findings), *offset_findings(options)),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """Points that stand for things, with or without levels.

    Attributes
    ----------
    x, y
        (n,) easting, northing (or longitude, latitude) in ``crs`` and its unit.
    level_m
        (n,) levels, metres; NaN where there is none.
    crs
        Horizontal grid.
    names
        (n,) each one's own name, or where it stands in its file (``line 12``).
    findings
        How the file was understood.
    """

    x: Floats
    y: Floats
    level_m: Floats
    crs: CRS
    names: tuple[str, ...]
    findings: tuple[Finding, ...]


def read_marks(file: Path, options: GroundOptions) -> Marks:
    """Read a file of points whose levels are optional; raises as :meth:`PointReader.open`."""
    found = read_point_file(file, replace(options, levels="optional"), names=True)
    whole, crs = _grid(found, options)
    _refuse_other_axes(found, crs, options)
    rows = np.flatnonzero(_of_codes(found, options))
    x, y, level = found.x[rows], found.y[rows], found.level[rows]
    _check_together(found, rows, crs, x, y)
    check_most(crs, x, y, file=found.file.name, option=f"{options.table}.grid")
    other = np.flatnonzero(~_of_codes(found, options))
    findings = [*found.findings, *_left_out(found, found.left_out + len(other), other, options)]
    known = np.isfinite(level)
    if known.any():
        unit = _level_unit(found, whole, crs, options)
        level = level * unit.metres + options.level_offset_m
        check_levels(found.file.name, level[known], lambda row: found.at(rows[known][row]))
        findings += unit_findings([unit])
    return Marks(x=x, y=y, level_m=level, crs=crs, names=_names(found, rows), findings=tuple(findings))


def _joined(parts: Sequence[Floats]) -> Floats:
    whole = np.concatenate(parts) if len(parts) > 1 else parts[0]
    whole.flags.writeable = False
    return whole


def _levelled(found: PointFile, options: GroundOptions, *, names: bool) -> _Levelled:
    """The points with levels in metres, checked, in the file's grid."""
    whole, crs = _grid(found, options)
    _refuse_other_axes(found, crs, options)
    unit = _level_unit(found, whole, crs, options)
    taken = _of_codes(found, options)
    known = np.isfinite(found.level)
    rows = np.flatnonzero(taken & known)
    without, left_out = int(np.count_nonzero(taken & ~known)), found.left_out + int(np.count_nonzero(~taken))
    if not len(rows):
        raise InputError("no point has a level", file=found.file.name, remedy="Export the points with their levels.")
    everything = len(rows) == len(found.level)
    x, y, level = (part if everything else part[rows] for part in (found.x, found.y, found.level))
    level_m = level * unit.metres + options.level_offset_m
    check_levels(found.file.name, level_m, lambda row: found.at(rows[row]))
    _check_together(found, rows, crs, x, y)
    check_most(crs, x, y, file=found.file.name, option=f"{options.table}.grid")
    name = _names(found, rows) if names else ()
    reading = Reading(
        file=found.file,
        kind=found.kind,
        how=(*found.how, ("level unit", str(unit)), ("grid", crs.name)),
        points=len(rows),
        without_level=without,
        left_out=left_out,
        first_rows=tuple(
            (where, float(x[row]), float(y[row]), float(level_m[row]))
            for row, where in enumerate(_names(found, rows[:FIRST_ROWS]))
        ),
    )
    findings = (
        *found.findings,
        *unit_findings([unit]),
        *_without_level(reading),
        *_left_out(found, left_out, np.flatnonzero(~taken), options),
    )
    return _Levelled(crs=crs, x=x, y=y, level_m=level_m, name=name, reading=reading, findings=findings)


def _names(found: PointFile, rows: NDArray[np.int64]) -> tuple[str, ...]:
    """What each point is called: its own name, or where it stands in the file."""
    own = None if found.name is None else found.name[rows]
    return tuple(
        str(own[at]) if own is not None and own[at] else found.at(int(row)) for at, row in enumerate(rows.tolist())
    )


def _grid(found: PointFile, options: GroundOptions) -> tuple[CRS, CRS]:
    """The file's reference system, or else the given one: whole, and its horizontal part."""
    return grid_of_file(found.file.name, found.crs, options.grid, option=f"{options.table}.grid")


def _refuse_other_axes(found: PointFile, crs: CRS, options: GroundOptions) -> None:
    """Ask where x may be the northing, and refuse units in the header that are not the grid's."""
    north_is_x = any(axis.abbrev.casefold() == "x" and axis.direction == "north" for axis in crs.axis_info)
    if found.by_letters_xy and north_is_x:
        raise JobError(
            f"the columns of {found.file.name} are called x and y, and in {crs.name} x is the northing",
            place=f"{options.table}.order",
            remedy=f'Say which is which: order = "...,northing,easting,..." in [{options.table}].',
        )
    if found.place_unit is None:
        return
    expected = UNITS_M[found.place_unit]
    # a header says "ft" of any foot: the grid's axis tells which
    if crs.is_geographic or abs(expected / unit_m(crs) - 1) > 1e-5:
        raise GridError(
            f"the header says that places are in {found.place_unit}, but the unit of {crs.name} is "
            f"{crs.axis_info[0].unit_name}",
            place=found.file.name,
            remedy=f"Set {options.table}.grid to the grid that they are in, or mend the header.",
        )


def _level_unit(found: PointFile, whole: CRS, crs: CRS, options: GroundOptions) -> LevelUnit:
    """The unit of the levels; by the file that of its points, or else of the vertical axis of its grid."""
    own_m = vertical_unit_m(whole) if found.level_unit_m is None else found.level_unit_m
    return level_unit(found.file.name, own_m, crs, options)


def _of_codes(found: PointFile, options: GroundOptions) -> NDArray[np.bool_]:
    """Which points have a code that is wanted."""
    if not options.codes or found.kind == "laser scan":
        return np.ones(len(found.level), dtype=bool)
    if found.code is None:
        raise JobError(
            f"{found.file.name} has no column of codes",
            place=f"{options.table}.codes",
            remedy="Leave codes out, or name the column: code.",
        )
    folded = np.char.upper(found.code)
    taken = np.isin(folded, [code.strip().upper() for code in options.codes])
    if not taken.any():
        held, counts = np.unique(folded, return_counts=True)
        common = ", ".join(f"{held[row] or 'none'} ({counts[row]})" for row in np.argsort(-counts, kind="stable")[:8])
        raise JobError(
            f"no point of {found.file.name} has such a code",
            place=f"{options.table}.codes",
            value=", ".join(options.codes),
            remedy=f"Its commonest: {common}.",
        )
    return taken


def _check_together(found: PointFile, rows: NDArray[np.int64], crs: CRS, x: Floats, y: Floats) -> None:
    """Refuse a point that is nowhere near the others."""
    metres = unit_m(crs) if crs.is_projected else METRES_A_DEGREE
    middle = [float(np.median(part)) for part in (x, y)]
    for part, centre in zip((x, y), middle, strict=True):
        away = max(float(part.max()) - centre, centre - float(part.min())) * metres
        if away > APART_MAX_M:
            row = int(np.argmax(np.abs(part - centre)))
            raise InputError(
                f"the point ({x[row]:.10g}, {y[row]:.10g}) lies far from all others",
                file=found.file.name,
                place=found.at(rows[row]),
                value=round(away / 1000),
                limit=round(APART_MAX_M / 1000),
                unit="km",
                remedy="Is a digit missing or too many? Mend it, or take the point out.",
            )


def _without_level(reading: Reading) -> list[Finding]:
    count, total = reading.without_level, reading.points + reading.without_level
    if not count:
        return []
    return [
        Finding(
            code="points-without-level",
            severity="note",
            message=f"{count} of {total} points of {reading.file.name} {'has' if count == 1 else 'have'} no level and "
            f"{'was' if count == 1 else 'were'} left out",
            remedy="If they ought to count, export them with their levels.",
            value=float(count),
        )
    ]


def _left_out(found: PointFile, count: int, rows: NDArray[np.int64], options: GroundOptions) -> list[Finding]:
    """A finding where points are not of the codes or classes that count; those at ``rows`` are named."""
    if not count:
        return []
    key = "classes" if found.kind == "laser scan" else "codes"
    shown = ", ".join(_coded(found, rows[:NAMED]))
    more = f" and {count - NAMED} more" if shown and count > NAMED else ""
    what = f"{count} point of {found.file.name} is" if count == 1 else f"{count} points of {found.file.name} are"
    return [
        Finding(
            code="points-left-out",
            severity="note",
            message=f"{what} of none of the {key} that count, and left out{f': {shown}{more}' if shown else ''}",
            remedy=f"If {'it ought' if count == 1 else 'they ought'} to count, say so by {options.table}.{key}.",
            value=float(count),
        )
    ]


def _coded(found: PointFile, rows: NDArray[np.int64]) -> list[str]:
    """What points are called, with their codes."""
    codes = [""] * len(rows) if found.code is None else [str(code) for code in found.code[rows]]
    return [f"{name} ({code or 'no code'})" for name, code in zip(_names(found, rows), codes, strict=True)]


READER = PointReader()
