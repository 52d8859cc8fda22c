"""What any ground is to the rest: something that gives levels at places, or says why it cannot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS

from geofence.engine.records import Finding, Floats

__all__ = ["Ground", "GroundOptions", "GroundReader", "Levels", "Relief", "State"]


class State(IntEnum):
    """Why a place has a level, or has none."""

    LEVEL = 0
    NO_DATA = 1
    OUTSIDE = 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Levels:
    """Levels at n places.

    Attributes
    ----------
    level_m
        (n,) float64 metres on the ground's own datum; NaN where there is none.
    state
        (n,) uint8 of :class:`State`.
    """

    level_m: Floats
    state: NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Relief:
    """A picture of the terrain for the map.

    Attributes
    ----------
    level_m
        (rows, columns) float32 levels, north row first, NaN where unknown; rows are evenly spaced in web-Mercator
        northing, columns in longitude, so that the picture lies true on a web map.
    west_deg, south_deg, east_deg, north_deg
        Outer edges of the picture, WGS 84.
    cell_m
        Ground size of one cell, metres, for the slope of the hillshade.
    """

    level_m: NDArray[np.float32]
    west_deg: float
    south_deg: float
    east_deg: float
    north_deg: float
    cell_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundOptions:
    """What the job says of its ground files.

    Attributes
    ----------
    grid
        The files' grid where they carry none.
    band
        A raster's band, from 1.
    level_unit
        ``m``, ``ft`` (0.3048 m) or ``ftUS`` (1200/3937 m).
    level_offset_m
        Added to every level, metres.
    level_datum
        Name of what the files' levels are above.
    order
        Columns of a point file: ``point,northing,easting,level,code``, or letters such as ``PNEZD``.
    decimal
        How a point file writes its decimals: ``point`` or ``comma``; seen from the file where None.
    layer, level_field
        Layer of a vector file, and the field with its points' levels, where they carry no Z.
    surface
        Name of a surface, where a file holds several.
    codes
        Codes of the points to take; all where empty.
    classes
        Classes of the points of a laser scan to take; 2 is ground.
    max_edge_m
        No level where a triangle's edge is longer, metres; None for no limit.
    coincident
        What counts where points at one place differ in level.
    levels
        Whether files of points must have levels: ``needed``, as of ground, or ``optional``.
    table
        Where the job says so; errors put it before the key: ``ground.order``.
    """

    grid: str | None = None
    band: int | None = None
    level_unit: str | None = None
    level_offset_m: float = 0.0
    level_datum: str | None = None
    order: str | None = None
    decimal: Literal["point", "comma"] | None = None
    layer: str | None = None
    level_field: str | None = None
    surface: str | None = None
    codes: tuple[str, ...] = ()
    classes: tuple[int, ...] = (2,)
    max_edge_m: float | None = None
    coincident: Literal["error", "mean", "lowest", "highest"] = "error"
    levels: Literal["needed", "optional"] = "needed"
    table: str = "ground"


class Ground(Protocol):
    """A source of ground levels."""

    @property
    def crs(self) -> CRS:
        """Horizontal grid in which :meth:`levels` takes places."""
        ...

    @property
    def files(self) -> tuple[Path, ...]:
        """The files it reads, for provenance."""
        ...

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What the reader of the plan must know about this ground."""
        ...

    def levels(self, x: Floats, y: Floats) -> Levels:
        """Levels at places; x, y (n,) are easting, northing (or longitude, latitude) in :attr:`crs` and its unit.

        Places are best given in the order of the line.
        """
        ...

    def bends(self, x: Floats, y: Floats) -> tuple[NDArray[np.int64], Floats]:
        """Where the ground bends between consecutive places of the polyline x, y (n,).

        Returns (index, fraction): on the stretch from place ``index`` to the next, at ``fraction`` in (0, 1) of the
        way; sorted by index, then fraction.
        """
        ...

    def support_m(self, x: Floats, y: Floats) -> Floats:
        """Horizontal distance on the ground from places x, y (n,) to the nearest surveyed point, metres.

        NaN where the ground is no survey of points.
        """
        ...

    def relief(
        self, west_deg: float, south_deg: float, east_deg: float, north_deg: float, *, cells: int
    ) -> Relief | None:
        """A picture of about ``cells`` cells of the box (WGS 84), clipped to the data; None where there is none."""
        ...


class GroundReader(Protocol):
    """A plug-in of the group ``geofence.grounds``."""

    def reads(self, file: Path) -> bool:
        """Whether this reader is the one for the file, judged by its suffix or first bytes; must not raise."""
        ...

    def open(self, files: Sequence[Path], options: GroundOptions) -> Ground:
        """Open the files as one ground; raises InputError, GridError or JobError with a remedy."""
        ...
