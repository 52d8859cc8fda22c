"""LandXML files for the tests, all invented: on a grid of metres (EPSG:27700) or of feet."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from geofence.inputs.landxml import READER
from geofence.site.ground import GroundOptions
from geofence.site.tin import TinGround

NAMESPACE = "http://www.landxml.org/schema/LandXML-1.2"
METRE = '<Units><Metric linearUnit="meter" areaUnit="squareMeter" elevationUnit="meter"/></Units>'
GRID = '<CoordinateSystem name="National Grid" epsgCode="27700"/>'
EAST, NORTH = 400_000.0, 100_000.0
"""Where the surfaces lie."""

SQUARE = [(0.0, 0.0, 50.0), (10.0, 0.0, 51.0), (10.0, 10.0, 53.0), (0.0, 10.0, 52.0)]
"""Corners of a square of 10 m: easting and northing from the south-west one, level."""


def write(file: Path, body: str, *, units: str = METRE, grid: str = GRID, namespace: str | None = NAMESPACE) -> Path:
    """A file with this content, a line for each element of the head."""
    stated = f' xmlns="{namespace}"' if namespace else ""
    file.write_text(
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<LandXML{stated} version="1.2">\n{units}\n{grid}\n{body}\n</LandXML>\n',
        encoding="utf-8",
    )
    return file


def rows(points: Iterable[Sequence[float]], *, first: int = 1) -> str:
    """``P`` of easting, northing (from the corner of the surfaces) and level, a line each."""
    return "\n".join(
        f'<P id="{number}">{NORTH + y:.4f} {EAST + x:.4f} {level:.4f}</P>'
        for number, (x, y, level) in enumerate(points, first)
    )


def surface(
    points: Iterable[Sequence[float]] = SQUARE,
    faces: str = "<F>1 2 3</F>\n<F>1 3 4</F>",
    *,
    name: str = "ground",
    definition: str = "",
    source: str = "",
) -> str:
    """A surface; ``faces`` is empty for one without."""
    return (
        f'<Surfaces><Surface name="{name}">\n{source}<Definition surfType="TIN" {definition}>\n<Pnts>\n'
        f"{rows(points)}\n</Pnts>\n{f'<Faces>{chr(10)}{faces}{chr(10)}</Faces>' if faces else ''}\n"
        "</Definition>\n</Surface></Surfaces>"
    )


def ground(*files: Path, **options: object) -> TinGround:
    """The files as a ground."""
    return READER.open(files, GroundOptions(**options))  # type: ignore[arg-type]
