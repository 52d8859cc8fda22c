"""What is taken of a LandXML file as the ground: a surface as it stands, one to be made, or the file's points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geofence.engine.records import Finding, Floats
from geofence.errors import JobError
from geofence.inputs.landxml_file import CG_POINTS, NOT_GROUND, LandXml
from geofence.inputs.landxml_sources import extent_of, sources_of
from geofence.inputs.landxml_surface import Surface
from geofence.site.ground import GroundOptions
from geofence.words import nearest, some_of

__all__ = ["Chosen", "chosen"]

Ints = NDArray[np.int64]

NAMES_SHOWN = 12
FIRST_ROWS = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chosen:
    """What is the ground of one file, in the file's own units.

    Attributes
    ----------
    title
        How the file calls it.
    places
        (n, 3) easting, northing, level.
    names
        Of the first points.
    lines
        Break lines, (k, 3) easting, northing, level, or NaN.
    faces
        (m, 3) rows of ``places``; None where the surface is to be made.
    extent
        Polygons beyond which it has none.
    areas
        Attributes of the surface, the areas of which are held against its faces.
    without_level, left_out
        How many points have no level, and how many are not of the ground.
    how
        What a reader of the inspection should know.
    """

    title: str
    places: Floats
    names: tuple[str, ...]
    lines: tuple[Floats, ...] = ()
    faces: Ints | None = None
    extent: Any = None
    areas: Mapping[str, str] = field(default_factory=dict)
    without_level: int = 0
    left_out: int = 0
    how: tuple[tuple[str, str], ...] = ()
    findings: tuple[Finding, ...] = ()


def chosen(content: LandXml, options: GroundOptions) -> Chosen:
    """The surface or the points that the job wants, or the only ones.

    Raises
    ------
    InputError
        There is nothing that a ground could be made of, or a fault in it; with the line.
    JobError
        There are several, or none of that name.
    """
    usable = [surface for surface in content.surfaces if surface.has_points]
    wanted = [surface for surface in content.surfaces if surface.kept and surface.has_points]
    if len(wanted) == 1:
        return _of_surface(content, wanted[0], options)
    if options.surface is None and not usable:
        if not content.points.texts:
            raise content.refusal("holds no surface and no points", "Export the surface, or the points, with levels.")
        return _of_points(content, options)
    if options.surface == CG_POINTS and not wanted and content.points.texts:
        return _of_points(content, options)
    raise _which(content, usable, wanted, options)


def _which(content: LandXml, usable: Sequence[Surface], wanted: Sequence[Surface], options: GroundOptions) -> JobError:
    """The question which surface is meant."""
    titles = [surface.title for surface in usable]
    titles = [f"#{surface.number}" if titles.count(surface.title) > 1 else surface.title for surface in usable]
    if content.points.texts:
        titles.append(CG_POINTS)
    there = some_of([repr(title) for title in titles], NAMES_SHOWN)
    if options.surface is None:
        return JobError(
            f"{content.file.name} holds {len(usable)} surfaces",
            place=f"{options.table}.surface",
            remedy=f'Say which one is the ground: surface = "..." in [{options.table}]; it has {there}.',
        )
    twice = len(wanted) > 1
    message = "has several surfaces of that name" if twice else "has no such surface with points"
    return JobError(
        f"{content.file.name} {message}",
        place=f"{options.table}.surface",
        value=repr(options.surface),
        remedy=f"It has {there}." if twice else nearest(options.surface, tuple(titles)),
    )


def _of_surface(content: LandXml, surface: Surface, options: GroundOptions) -> Chosen:
    if options.codes:
        raise JobError(
            f"the surface {surface.title!r} of {content.file.name} has no codes",
            place=f"{options.table}.codes",
            remedy=f'Leave codes out, or take the points: surface = "{CG_POINTS}".',
        )
    points, faces = content.mesh(surface)
    places = points[:, [1, 0, 2]]
    unused = len(content.points.texts)
    findings = []
    if unused:
        text = f"The surface {surface.title!r} is the ground; {unused} points of the file beside it are not used"
        findings.append(_note("points-not-used", text))
    if len(faces):
        return _as_it_stands(surface, places, faces, findings)
    if surface.faces.hidden:
        raise content.refusal(
            f"all {surface.faces.hidden} faces of the surface {surface.title!r} are invisible",
            "Export the surface with its faces.",
        )
    return _made(content, surface, places, findings)


def _as_it_stands(surface: Surface, places: Floats, faces: Ints, findings: list[Finding]) -> Chosen:
    """A finished surface: its visible faces, and the points that are corners of them."""
    used = np.zeros(len(places), dtype=bool)
    used[faces] = True
    left_out = int(np.count_nonzero(~used))
    ids = surface.points.ids()
    first = np.flatnonzero(used)[:FIRST_ROWS]
    if left_out:
        places, faces = places[used], (np.cumsum(used) - 1)[faces]
    hidden = surface.faces.hidden
    return Chosen(
        title=surface.title,
        places=places,
        names=tuple(str(ids[row]) for row in first),
        faces=faces,
        areas=surface.definition,
        left_out=left_out,
        how=(("faces", f"{len(faces)}, used as they stand" + (f"; {hidden} invisible dropped" if hidden else "")),),
        findings=tuple(findings),
    )


def _made(content: LandXml, surface: Surface, places: Floats, findings: list[Finding]) -> Chosen:
    """A surface without faces: its points and what it was made from, to be triangulated."""
    sources = sources_of(content.file, surface.sources)
    places = np.concatenate([places, sources.points]) if len(sources.points) else places
    lines = sources.lines
    if not len(places) and not lines:
        raise content.refusal(
            f"the surface {surface.title!r} has neither points nor lines with levels", "Export it with its faces."
        )
    if not len(places):
        # the survey's points are then the vertices of its lines
        vertices = np.concatenate(lines)
        places = vertices[np.isfinite(vertices[:, 2])]
    findings.append(
        _note(
            "surface-triangulated",
            f"The surface {surface.title!r} has no faces; it is triangulated here, from {len(places)} points "
            f"and {len(lines)} lines",
            "If its maker has the faces, export them too.",
        )
    )
    findings += [_note("source-passed-over", f"Of the surface {surface.title!r} {text}") for text in sources.passed]
    ids = surface.points.ids() if len(surface.points) else []
    return Chosen(
        title=surface.title,
        places=places,
        names=tuple(str(name) for name in ids[:FIRST_ROWS]),
        lines=lines,
        extent=extent_of(content.file, surface.sources, places),
        without_level=sources.without_level,
        how=(("faces", "none; triangulated here"), ("break lines", str(len(lines)))),
        findings=tuple(findings),
    )


def _of_points(content: LandXml, options: GroundOptions) -> Chosen:
    """The points of the file that have a level, and a code that is wanted."""
    wanted = {code.strip().upper() for code in options.codes}
    places: list[tuple[float, float, float]] = []
    names: list[str] = []
    without = left_out = 0
    for row, attributes in enumerate(content.points.attributes):
        place = content.place(row)
        if place is None:
            continue
        if _is_left_out(attributes, wanted):
            left_out += 1
        elif len(place) == 2:
            without += 1
        else:
            places.append((place[1], place[0], place[2]))
            names.append(attributes.get("name", ""))
    name = content.file.name
    if not places:
        counts = f"{without} have none" + (f", {left_out} are left out" if left_out else "")
        raise content.refusal(f"no point of the ground has a level: {counts}", "Export the points with their levels.")
    return Chosen(
        title=CG_POINTS,
        places=np.array(places),
        names=tuple(names[:FIRST_ROWS]),
        without_level=without,
        left_out=left_out,
        findings=tuple(_count_findings(name, len(places), without, left_out)),
    )


def _is_left_out(attributes: Mapping[str, str], wanted: set[str]) -> bool:
    code = attributes.get("code", attributes.get("desc", "")).strip().upper()
    return (bool(wanted) and code not in wanted) or attributes.get("DTMAttribute", "").strip().lower() == NOT_GROUND


def _count_findings(name: str, points: int, without: int, left_out: int) -> list[Finding]:
    found = []
    if without:
        text = f"{without} of {points + without} points of {name} have no level and were left out"
        found.append(replace(_note("points-without-level", text), value=float(without)))
    if left_out:
        text = f"{left_out} points of {name} are not of the codes that count, or are marked as not of the ground"
        found.append(replace(_note("points-left-out", text), value=float(left_out)))
    return found


def _note(code: str, message: str, remedy: str = "") -> Finding:
    return Finding(code=code, severity="note", message=message, remedy=remedy)
