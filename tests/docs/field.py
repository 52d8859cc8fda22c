"""What was shot in the field, for the pages: points, a surface, the survey of a yard; all of their raster's ground."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.landxml import EAST, NORTH, rows, write

Array = NDArray[np.float64]
Ground = Callable[[Array, Array], Array]
"""Levels at metres east and north of the corner of the site."""

NORTHERN_GRID = '<CoordinateSystem name="UTM 30 north" epsgCode="32630"/>'
UNSHOT = ((100.0, 150.0), (148.0, 200.0))
"""West, south and east, north of an orchard where nothing was shot; the third leg crosses it."""

YARD = ((75.0, 35.0), (115.0, 75.0))
SHOTS_M = 6.0
MESH_M = 10.0


def shoot(folder: Path, corner: tuple[float, float], ground: Ground, *, size_m: float) -> None:
    """Put the surveys of a square site into a folder."""
    rng = np.random.default_rng(11)
    shots = _lattice((0.0, 0.0), (size_m, size_m), SHOTS_M)
    shots = shots + rng.uniform(-1.5, 1.5, shots.shape)
    shots = shots[~_within(shots, *UNSHOT)]
    west = shots[:, 0] < size_m / 2
    _with_header(folder / "points.csv", shots, corner, ground)
    _without_header(folder / "west.txt", shots[west], corner, ground, first=1)
    _without_header(folder / "east.txt", shots[~west], corner, ground, first=2001)
    _with_header(folder / "yard.csv", _lattice(*YARD, 5.0), corner, lambda x, y: ground(x, y) + 0.02)
    checks = np.array([(50.0, 44.0), (90.0, 52.0), (131.0, 62.0), (160.0, 120.0), (60.0, 188.0)])
    _with_header(folder / "checks.csv", checks, corner, lambda x, y: ground(x, y) - 0.015)
    stations = np.array([(15.0, 20.0), (150.0, 30.0), (200.0, 120.0), (95.0, 150.0), (40.0, 200.0)])
    _with_header(folder / "control.csv", stations, corner, ground)
    _surface(folder / "surface.xml", corner, ground, size_m=size_m)


def _lattice(south_west: tuple[float, float], north_east: tuple[float, float], step_m: float) -> Array:
    axes = [np.arange(low, high + step_m / 2, step_m) for low, high in zip(south_west, north_east, strict=True)]
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)


def _within(places: Array, south_west: tuple[float, float], north_east: tuple[float, float]) -> NDArray[np.bool_]:
    return np.asarray(((places > south_west) & (places < north_east)).all(axis=1))


def _with_header(file: Path, places: Array, corner: tuple[float, float], ground: Ground) -> None:
    levels = ground(*places.T)
    lines = [
        f"{number},{east:.3f},{north:.3f},{level:.3f},GL"
        for number, ((east, north), level) in enumerate(zip(places + corner, levels, strict=True), 1)
    ]
    file.write_text("\n".join(["Point No,Easting (m),Northing (m),RL,Code", *lines, ""]), encoding="utf-8")


def _without_header(file: Path, places: Array, corner: tuple[float, float], ground: Ground, *, first: int) -> None:
    levels = ground(*places.T)
    lines = [
        f"{number} {north:.3f} {east:.3f} {level:.3f} GL"
        for number, ((east, north), level) in enumerate(zip(places + corner, levels, strict=True), first)
    ]
    file.write_text("\n".join([*lines, ""]), encoding="utf-8")


def _surface(file: Path, corner: tuple[float, float], ground: Ground, *, size_m: float) -> None:
    """A surface of triangles, with two to each square, by the numbers of their corners."""
    points = _lattice((0.0, 0.0), (size_m, size_m), MESH_M)
    side = round(len(points) ** 0.5)
    first = (np.arange(side - 1)[:, None] * side + np.arange(side - 1)).ravel() + 1
    faces = [f"<F>{a} {a + 1} {a + 1 + side}</F><F>{a} {a + 1 + side} {a + side}</F>" for a in first.tolist()]
    shifted = points + np.array(corner) - (EAST, NORTH)
    body = (
        '<Surfaces><Surface name="existing ground"><Definition surfType="TIN">\n'
        f"<Pnts>\n{rows(np.column_stack([shifted, ground(*points.T)]).tolist())}\n</Pnts>\n"
        f"<Faces>\n{chr(10).join(faces)}\n</Faces>\n</Definition></Surface></Surfaces>"
    )
    write(file, body, grid=NORTHERN_GRID)
