"""The grid that a job works in: its own, its ground's, or one made for it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from pyproj import CRS

from geofence.engine.records import Finding, Floats
from geofence.errors import GridError
from geofence.inputs.job import Job
from geofence.inputs.vectors import Boundary
from geofence.site import grids
from geofence.site.ground import Ground

__all__ = ["choose"]


def choose(job: Job, boundaries: Sequence[Boundary], ground: Ground) -> tuple[CRS, list[Finding]]:
    """The grid of the job, else of the ground, else a local one; a finding says which where the job does not.

    Raises
    ------
    GridError
        The job's grid is not known, not projected, or its axes do not run east and north.
    """
    if job.job.grid is not None:
        grid = grids.read_grid(job.job.grid, address=job.place("job", "grid"))
        if not grid.is_projected:
            raise GridError(
                f"the working grid must be projected; {grid.name} is in degrees",
                place=job.place("job", "grid"),
                remedy="Name a projected grid, or leave job.grid out.",
            )
        if not grids.runs_east_north(grid):
            raise GridError(
                f"the axes of {grid.name} do not run east and north",
                place=job.place("job", "grid"),
                remedy="Name the grid's east-north variant, or leave job.grid out.",
            )
        unfit = _unfit(grid, boundaries)
        return grid, [_unfit_grid(grid, unfit)] if unfit else []
    if ground.crs.is_projected and not _unfit(ground.crs, boundaries):
        return ground.crs, [_chosen_grid(ground.crs.name, "that of the ground")]
    datum = boundaries[0].crs
    grid = grids.local_grid(*_degrees(boundaries, datum), datum)
    return grid, [_chosen_grid(grid.name, "made for this job, on the boundary's datum")]


def _degrees(boundaries: Sequence[Boundary], datum: CRS) -> tuple[Floats, Floats]:
    """Longitudes and latitudes of all drawn vertices on the datum of a grid."""
    places = []
    for boundary in boundaries:
        corners = np.concatenate(boundary.parts)
        places.append(grids.cross(boundary.crs, grids.geographic(datum)).carry(corners[:, 0], corners[:, 1]))
    lon, lat = (np.concatenate(parts) for parts in zip(*places, strict=True))
    return lon, lat


def _unfit(grid: CRS, boundaries: Sequence[Boundary]) -> str:
    lon, lat = _degrees(boundaries, grid)
    return grids.unfit_for_setting_out(grid, float(lon[0]), float(lat[0]))


def _chosen_grid(name: str, why: str) -> Finding:
    return Finding(
        code="grid-chosen",
        severity="note",
        message=f"The job names no grid; eastings and northings are in {name}, {why}",
        remedy="Set job.grid to have another.",
    )


def _unfit_grid(grid: CRS, why: str) -> Finding:
    return Finding(
        code="grid-unfit",
        severity="warn",
        message=f"{grid.name} is no grid to set out in: {why}",
        remedy="Set job.grid to a survey grid, or leave it out.",
    )
