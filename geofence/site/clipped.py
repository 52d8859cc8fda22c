"""A surface cut off at the boundaries that its maker drew: beyond the outer one and in voids it has no level."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geofence.engine.records import Finding, Floats
from geofence.numeric import COINCIDENT_M
from geofence.site.cells import Ints
from geofence.site.ground import State

if TYPE_CHECKING:
    from geofence.site.plane import Plane
    from geofence.site.tin import Surface

__all__ = ["Clipped"]


class Clipped:
    """A surface within an extent, its edge included, to the millimetre: a fence may stand on the boundary itself.

    Parameters
    ----------
    surface
        What gives levels there.
    extent
        Polygons in the survey's grid.
    plane
        That of the surface.
    """

    def __init__(self, surface: Surface, extent: Any, plane: Plane) -> None:
        local = shapely.transform(extent, lambda corners: np.column_stack(plane.local(corners[:, 0], corners[:, 1])))
        whole = shapely.union_all([shapely.Polygon(part.exterior) for part in getattr(local, "geoms", [local])])
        self._surface = surface
        self._extent, self._whole = (part.buffer(COINCIDENT_M, join_style="mitre") for part in (local, whole))
        shapely.prepare([self._extent, self._whole])

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Those of the surface."""
        return self._surface.findings

    def levels(self, x_m: Floats, y_m: Floats) -> tuple[Floats, Ints]:
        """Levels and states at places in the plane: ``OUTSIDE`` beyond the extent, ``NO_DATA`` in its voids."""
        level, state = np.full(len(x_m), np.nan), np.full(len(x_m), int(State.NO_DATA))
        within = shapely.contains_xy(self._extent, x_m, y_m)
        level[within], state[within] = self._surface.levels(x_m[within], y_m[within])
        state[~shapely.contains_xy(self._whole, x_m, y_m)] = State.OUTSIDE
        return level, state

    def bends(self, x_m: Floats, y_m: Floats) -> tuple[Ints, Floats]:
        """Those of the surface; where there is no level they do no harm."""
        return self._surface.bends(x_m, y_m)

    def nearest_m(self, x_m: Floats, y_m: Floats) -> Floats:
        """Distances to the nearest point, beyond the extent too."""
        return self._surface.nearest_m(x_m, y_m)
