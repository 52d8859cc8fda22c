"""Make the sample survey of Alder Down, an estate that does not exist.

Run ``python sample_data/make_alder_down.py`` to write the elevation rasters and the boundary lines again. The
land is wholly computed: rain wears valleys into a rough upland until it looks like chalk country, then people
add what people add (strip lynchets, a sunken track, a lane, a farmyard, ploughing). Random numbers come from a hash of
whole coordinates, not from a generator, so that the level of a point does not depend on which raster asks.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyogrio
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import from_origin

Array = NDArray[np.float64]
Point = tuple[float, float]

HERE = Path(__file__).resolve().parent
GRID = "EPSG:27700"
WRITTEN_ON = "2026-11-25T00:00:00Z"
ORIGIN = (411_000.0, 126_000.0)
"""Easting and northing of the model's south-west corner. ``x`` and ``y`` below are metres east and north of it."""

MODEL_SIZE_M = 3400.0
MODEL_CELL_M = 12.5

UNIT_M = 0.01
"""The rasters hold whole centimetres, as fine as an airborne survey is true."""
NO_DATA = -32768


# --- chance -----------------------------------------------------------------------------------------------------------


def chance(column: Array, row: Array, seed: int) -> Array:
    """A number in [-1, 1) for each whole-number place: the place's bits, well mixed (a 64-bit finaliser)."""
    bits = column.astype(np.int64).view(np.uint64) * np.uint64(0x9E3779B97F4A7C15)
    bits = bits ^ (row.astype(np.int64).view(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F))
    bits = bits ^ np.uint64((seed * 0x165667B19E3779F9 + 0x27D4EB2F165667C5) % 2**64)
    for factor in (0xFF51AFD7ED558CCD, 0xC4CEB9FE1A85EC53):
        bits = (bits ^ (bits >> np.uint64(33))) * np.uint64(factor)
    bits = bits ^ (bits >> np.uint64(33))
    share: Array = (bits >> np.uint64(11)).astype(np.float64) / 2**52
    return share - 1.0


def swell(x: Array, y: Array, wavelength_m: float, seed: int) -> Array:
    """Gradient noise: smooth, about -1 to 1, zero at the nodes of a square lattice of ``wavelength_m``."""
    if x.size == 0:
        return np.zeros_like(x)
    u, v = x / wavelength_m, y / wavelength_m
    column, row = np.floor(u), np.floor(v)
    first_column, first_row = column.min(), row.min()
    lattice = np.meshgrid(np.arange(first_column, column.max() + 2), np.arange(first_row, row.max() + 2), indexing="ij")
    pull_u, pull_v = chance(*lattice, 2 * seed), chance(*lattice, 2 * seed + 1)
    i, j = (column - first_column).astype(np.intp), (row - first_row).astype(np.intp)
    u, v = u - column, v - row

    def corner(di: int, dj: int) -> Array:
        reach: Array = pull_u[i + di, j + dj] * (u - di) + pull_v[i + di, j + dj] * (v - dj)
        return reach

    ease_u, ease_v = (t * t * t * (t * (6 * t - 15) + 10) for t in (u, v))
    south = corner(0, 0) + ease_u * (corner(1, 0) - corner(0, 0))
    north = corner(0, 1) + ease_u * (corner(1, 1) - corner(0, 1))
    height: Array = 2 * (south + ease_v * (north - south))
    return height


def fractal(x: Array, y: Array, wavelength_m: float, octaves: int, seed: int) -> Array:
    """Fractional Brownian relief: each octave half as long and half as high, turned by 37 degrees."""
    total = np.zeros_like(x)
    for octave in range(octaves):
        total += swell(x, y, wavelength_m, seed + octave) / 2**octave
        x, y = 0.8 * x - 0.6 * y + 17.3 * wavelength_m, 0.6 * x + 0.8 * y - 9.1 * wavelength_m
        wavelength_m /= 2
    return total


def ramp(low: float, high: float, value: Array) -> Array:
    """0 below ``low``, 1 above ``high``, an S between."""
    t = np.clip((value - low) / (high - low), 0.0, 1.0)
    return t * t * (3 - 2 * t)


# --- the land that the rain made --------------------------------------------------------------------------------------

VALLEY = (
    (3400, 1500), (3050, 1330), (2700, 1230), (2350, 960), (2050, 900), (1700, 640), (1300, 560), (900, 330),
    (400, 240), (0, 60),
)  # fmt: skip
STREAM_HEAD_M, STREAM_FOOT_M = 91.0, 80.0
FLOODPLAIN_M = 26.0
"""Half the width of the flat floor beside the stream."""


def valley_line() -> shapely.LineString:
    """The stream's valley, its angles rounded and its course made to wander."""
    rough = shapely.get_coordinates(shapely.segmentize(shapely.LineString(VALLEY), 5.0))
    kernel = np.full(31, 1 / 31)
    easy = np.column_stack([np.convolve(np.pad(side, 15, mode="edge"), kernel, "valid") for side in rough.T])
    easy[:, 1] += 70 * fractal(rough[:, 0], np.zeros(len(rough)), 420.0, 2, 31)
    return shapely.LineString(easy)


def stream_line(valley: shapely.LineString) -> shapely.LineString:
    """The stream itself, in bends along the valley floor."""
    at = np.arange(0.0, valley.length, 4.0)
    here, ahead = (shapely.get_coordinates(shapely.line_interpolate_point(valley, at + step)) for step in (0.0, 1.0))
    along = ahead - here
    left = np.column_stack([-along[:, 1], along[:, 0]]) / np.hypot(*along.T)[:, None]
    sway = 16 * fractal(at, np.zeros(len(at)), 74.0, 2, 47)
    return shapely.LineString(here + left * sway[:, None])


@dataclass(frozen=True, kw_only=True)
class Wear:
    """How the land wears: dz/dt = uplift - power * sqrt(catchment) * slope + creep * curvature (time in 1/power)."""

    uplift_m: float = 4.5
    creep_m2: float = 1000.0
    step: float = 0.05
    steps: int = 200


class Landform:
    """Levels of the worn land on a square lattice, and between its nodes by a cubic B-spline."""

    def __init__(self, wear: Wear) -> None:
        self.count = round(MODEL_SIZE_M / MODEL_CELL_M)
        y, x = np.mgrid[0 : self.count, 0 : self.count] * MODEL_CELL_M
        valley = valley_line()
        points = shapely.points(x, y)
        self._away = shapely.distance(points, valley)
        along = shapely.line_locate_point(valley, points)
        floor = STREAM_HEAD_M + (STREAM_FOOT_M - STREAM_HEAD_M) * along / valley.length + 0.008 * self._away
        self._kept = self._away < FLOODPLAIN_M
        rise = 0.02 * self._away + 10 * fractal(x, y, 1100.0, 5, 7) * (1 - np.exp(-self._away / 150))
        speckle = 0.125 * (chance(np.round(x / MODEL_CELL_M), np.round(y / MODEL_CELL_M), 1) + 1)
        level = floor + np.where(self._kept, 0.0, rise + speckle)
        for _ in range(wear.steps):
            level = self._creep(self._incise(level, wear), wear.creep_m2 * wear.step)
        self.levels = self._creep(level, 1.5 * MODEL_CELL_M**2)

    def at(self, x: Array, y: Array) -> Array:
        """Level at each point."""
        return _spline(self.levels, x / MODEL_CELL_M, y / MODEL_CELL_M)

    def away_from_valley(self, x: Array, y: Array) -> Array:
        """Distance from the middle of the stream's valley."""
        return _spline(self._away, x / MODEL_CELL_M, y / MODEL_CELL_M)

    def _incise(self, level: Array, wear: Wear) -> Array:
        """One implicit step of stream incision, from the outlets upstream, a rank of nodes at a time."""
        receiver, length = self._steepest(level)
        rank = _rank(receiver)
        order = np.argsort(rank, kind="stable")
        ranks = np.split(order, np.searchsorted(rank[order], np.arange(1, rank.max() + 1)))
        catchment = np.full(level.size, MODEL_CELL_M**2)
        for nodes in ranks[:0:-1]:
            np.add.at(catchment, receiver[nodes], catchment[nodes])
        flat = np.where(self._kept, level, level + wear.uplift_m * wear.step).ravel()
        pull = wear.step * np.sqrt(catchment) / length
        for nodes in ranks[1:]:
            flat[nodes] = (flat[nodes] + pull[nodes] * flat[receiver[nodes]]) / (1 + pull[nodes])
        return flat.reshape(level.shape)

    def _steepest(self, level: Array) -> tuple[NDArray[np.intp], Array]:
        """The neighbour that takes each node's water (itself where there is none), and how far it is."""
        here = np.arange(level.size).reshape(level.shape)
        receiver, steepest, length = here.copy(), np.zeros(level.shape), np.full(level.shape, MODEL_CELL_M)
        levels, places = np.pad(level, 1, constant_values=np.inf), np.pad(here, 1)
        for di, dj in ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1)):
            window = np.s_[1 + di : 1 + di + self.count, 1 + dj : 1 + dj + self.count]
            distance = MODEL_CELL_M * math.sqrt(abs(di) + abs(dj))
            slope = (level - levels[window]) / distance
            better = (slope > steepest) & ~self._kept
            receiver[better], steepest[better], length[better] = places[window][better], slope[better], distance
        return receiver.ravel(), length.ravel()

    def _creep(self, level: Array, spread_m2: float) -> Array:
        """Downhill creep of the soil: diffusion in stable explicit steps, the floodplain and the edges held."""
        rounds = math.ceil(spread_m2 / MODEL_CELL_M**2 / 0.2)
        share = spread_m2 / MODEL_CELL_M**2 / rounds
        for _ in range(rounds):
            near = np.pad(level, 1, mode="edge")
            moved = near[2:, 1:-1] + near[:-2, 1:-1] + near[1:-1, 2:] + near[1:-1, :-2] - 4 * level
            level = np.where(self._kept, level, level + share * moved)
        return level


def _rank(receiver: NDArray[np.intp]) -> NDArray[np.intp]:
    """Steps from each node to where its water leaves, by pointer doubling."""
    rank: NDArray[np.intp]
    rank, jump = (receiver != np.arange(receiver.size)).astype(np.intp), receiver
    while not np.array_equal(jump[jump], jump):
        rank, jump = rank + rank[jump], jump[jump]
    return rank


def _spline(lattice: Array, column: Array, row: Array) -> Array:
    """Uniform cubic B-spline over ``lattice[row, column]``: smooth to the second derivative."""
    total = np.zeros_like(column)
    i, j = np.floor(row).astype(np.intp), np.floor(column).astype(np.intp)
    weights_i, weights_j = _spline_weights(row - i), _spline_weights(column - j)
    for di, weight_i in enumerate(weights_i, start=-1):
        for dj, weight_j in enumerate(weights_j, start=-1):
            total += weight_i * weight_j * lattice[i + di, j + dj]
    return total


def _spline_weights(t: Array) -> tuple[Array, Array, Array, Array]:
    s = 1 - t
    return s * s * s / 6, (4 - 3 * t * t * (1 + s)) / 6, (4 - 3 * s * s * (1 + t)) / 6, t * t * t / 6


# --- what people did to it --------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Course:
    """One course of a line walked on the map: straight ahead, or along an arc to the right (left if negative)."""

    bearing_deg: float
    length_m: float
    radius_m: float = math.inf


def walk(start: Point, courses: Iterable[Course], *, spacing_m: float = 2.0) -> shapely.LineString:
    """Vertices of the courses one after another, an arc by chords of about ``spacing_m``."""
    x, y = start
    vertices = [start]
    for course in courses:
        chords = 1 if math.isinf(course.radius_m) else round(course.length_m / spacing_m)
        turn = 0.0 if math.isinf(course.radius_m) else course.length_m / chords / course.radius_m
        bearing = math.radians(course.bearing_deg)
        chord_m = course.length_m if turn == 0.0 else 2 * abs(course.radius_m) * math.sin(abs(turn) / 2)
        for step in range(chords):
            x += chord_m * math.sin(bearing + (step + 0.5) * turn)
            y += chord_m * math.cos(bearing + (step + 0.5) * turn)
            vertices.append((x, y))
    return shapely.LineString(vertices)


@dataclass(frozen=True, kw_only=True)
class Strip:
    """A track, ditch or bank along a line: ``depth_m`` down (a bank is negative), flat as far as ``flat_m`` from
    the line, back at the ground at ``rim_m``."""

    line: shapely.LineString
    depth_m: float
    flat_m: float
    rim_m: float
    seed: int
    variation: float = 0.35

    def shape(self, x: Array, y: Array, level: Array) -> Array:
        """``level`` with the strip cut in; it dies out at the line's ends."""
        near = _places_in(self.line.buffer(self.rim_m), x, y)
        points = shapely.points(x[near], y[near])
        along = shapely.line_locate_point(self.line, points)
        ends = ramp(0.0, 12.0, np.minimum(along, self.line.length - along))
        uneven = 1 + self.variation * fractal(along, np.zeros_like(along), 45.0, 3, self.seed)
        share = 1 - ramp(self.flat_m, self.rim_m, shapely.distance(self.line, points))
        level = level.copy()
        level[near] -= self.depth_m * share * ends * uneven
        return level


@dataclass(frozen=True, kw_only=True)
class Pad:
    """A yard cut and filled level, with a batter ``batter_m`` wide around it."""

    corners: Sequence[Point]
    level_m: float
    batter_m: float = 7.0

    def shape(self, x: Array, y: Array, level: Array) -> Array:
        """``level`` with the yard made."""
        yard = shapely.Polygon(self.corners)
        near = _places_in(yard.buffer(self.batter_m), x, y)
        share = 1 - ramp(0.0, self.batter_m, shapely.distance(yard, shapely.points(x[near], y[near])))
        level = level.copy()
        level[near] += share * (self.level_m - level[near])
        return level


@dataclass(frozen=True, kw_only=True)
class Mound:
    """A round barrow, or with a negative height a pond or a pit; its foot is not quite round."""

    centre: Point
    height_m: float
    top_m: float
    foot_m: float
    seed: int

    def shape(self, x: Array, y: Array, level: Array) -> Array:
        """``level`` with the mound on it."""
        away = np.hypot(x - self.centre[0], y - self.centre[1])
        away = away * (1 + 0.22 * fractal(x, y, 1.3 * self.foot_m, 3, self.seed))
        return level + self.height_m * (1 - ramp(self.top_m, self.foot_m, away))


@dataclass(frozen=True, kw_only=True)
class Lynchets:
    """Strip lynchets: old plough terraces along the contour, treads easier and risers steeper than the hillside."""

    outline: Sequence[Point]
    first_level_m: float
    spacing_m: float
    riser: float = 0.2
    seed: int = 0

    def shape(self, x: Array, y: Array, level: Array) -> Array:
        """``level`` terraced inside the outline, fading out over 25 m."""
        patch = shapely.Polygon(self.outline)
        near = _places_in(patch, x, y)
        share = ramp(0.0, 25.0, shapely.distance(patch.exterior, shapely.points(x[near], y[near])))
        wander = 0.35 * fractal(x[near], y[near], 90.0, 2, self.seed)
        turn = (level[near] - self.first_level_m + wander) / self.spacing_m
        place = turn - np.floor(turn)
        tread = place * 0.45
        terraced = np.where(place < 1 - self.riser, tread, tread + 0.55 * ramp(1 - self.riser, 1.0, place))
        level = level.copy()
        level[near] += share * self.spacing_m * (terraced - place)
        return level


@dataclass(frozen=True, kw_only=True)
class Tilled:
    """Ground in waves across a bearing: tramlines of today's machines, or the ridges of an old plough."""

    outline: Sequence[Point]
    bearing_deg: float
    spacing_m: float
    height_m: float
    wave: str = "tramlines"
    seed: int = 0

    def shape(self, x: Array, y: Array, level: Array) -> Array:
        """``level`` with the waves on it, fading out over 10 m at the headlands."""
        patch = shapely.Polygon(self.outline)
        near = _places_in(patch, x, y)
        share = ramp(0.0, 10.0, shapely.distance(patch.exterior, shapely.points(x[near], y[near])))
        bearing = math.radians(self.bearing_deg)
        across = x[near] * math.cos(bearing) - y[near] * math.sin(bearing)
        across = across + 2.5 * swell(x[near], y[near], 160.0, self.seed)
        turn = across / self.spacing_m
        place = np.abs(turn - np.round(turn)) * self.spacing_m
        if self.wave == "tramlines":
            wheels = 1 - ramp(0.25, 0.6, np.abs(place - 0.95))
            rise = -wheels
        else:
            rise = np.cos(2 * math.pi * turn)
        level = level.copy()
        level[near] += share * self.height_m * rise
        return level


def _places_in(area: shapely.Polygon, x: Array, y: Array) -> NDArray[np.intp]:
    """Indices of the points inside the area."""
    west, south, east, north = area.bounds
    boxed = np.flatnonzero((x >= west) & (x <= east) & (y >= south) & (y <= north))
    shapely.prepare(area)
    inside: NDArray[np.intp] = boxed[shapely.contains_xy(area, x[boxed], y[boxed])]
    return inside


Work = Strip | Pad | Mound | Lynchets | Tilled

BENCH_CENTRE = (2320.0, 1275.0)
BENCH_FROM_M, BENCH_TO_M = 108.0, 117.0
"""A hard bed makes a bench on the spur above the farm: between these levels its nose is much less steep."""

LANE_FROM_THE_NORTH = ((1180, 3090), (1330, 2820), (1540, 2610), (1620, 2330), (1850, 2080), (1900, 1800), (2090, 1530))
LANE_START = (2196.0, 1420.0)
LANE_ROUND_THE_FARM = (
    Course(bearing_deg=128.0, length_m=90.0),
    Course(bearing_deg=128.0, length_m=30.0, radius_m=-60.0),
    Course(bearing_deg=99.35, length_m=110.0),
    Course(bearing_deg=99.35, length_m=82.0, radius_m=66.0),
    Course(bearing_deg=170.54, length_m=120.0),
)
LANE_TO_THE_FORD = ((2497, 1115), (2520, 1080), (2545, 1040), (2640, 900), (2610, 720), (2700, 540), (2690, 320))
HOLLOW_WAY = (
    (2068, 1020), (2110, 1120), (2150, 1190), (2192, 1260), (2212, 1333), (2240, 1420), (2222, 1530), (2180, 1680),
    (2215, 1900), (2180, 2130), (2060, 2330), (2110, 2620), (2010, 2860), (2030, 3090),
)  # fmt: skip
HEDGE_BANKS = (
    ((1310, 1010), (1520, 1190), (1700, 1262), (1905, 1330), (2075, 1480)),
    ((1700, 1262), (1690, 1010), (1790, 800)),
    ((2420, 1345), (2440, 1480), (2530, 1690), (2480, 1900), (2215, 1905)),
    ((2530, 1690), (2760, 1640), (3060, 1730)),
    ((1900, 1800), (1610, 1790), (1380, 1900), (1120, 1820), (830, 1930), (340, 1870)),
    ((1380, 1900), (1410, 2230), (1570, 2480)),
    ((830, 1930), (790, 2300), (900, 2620), (860, 3070)),
    ((2100, 2480), (2400, 2390), (2730, 2480), (3070, 2400)),
    ((1120, 1820), (1010, 1420), (1080, 1080), (1010, 760), (1070, 470)),
    ((340, 1180), (700, 1290), (1040, 1240)),
    ((1960, 850), (2010, 640), (1950, 330)),
    ((2640, 900), (2860, 860), (3070, 930)),
)


def eased(points: Sequence[Point]) -> Sequence[Point]:
    """A line's angles rounded off by cutting corners at the quarters, four times over."""
    vertices = np.array(points, dtype=np.float64)
    for _ in range(4):
        near, far = 0.75 * vertices[:-1] + 0.25 * vertices[1:], 0.25 * vertices[:-1] + 0.75 * vertices[1:]
        cut = np.stack([near, far], axis=1).reshape(-1, 2)
        vertices = np.concatenate([vertices[:1], cut, vertices[-1:]])
    return [(float(x), float(y)) for x, y in vertices]


def lane_line() -> shapely.LineString:
    """The lane's middle; round the farm's corner it turns on a radius of 66 m."""
    farm = list(walk(LANE_START, LANE_ROUND_THE_FARM).coords)
    return shapely.LineString(
        [*eased((*LANE_FROM_THE_NORTH, farm[0])), *farm[1:-1], *eased((farm[-1], *LANE_TO_THE_FORD))]
    )


FARM_TERRACES = (
    (2262, 1212), (2290, 1165), (2370, 1120), (2440, 1128), (2470, 1200), (2455, 1262), (2380, 1245), (2320, 1235)
)  # fmt: skip


def old_works() -> Iterator[Work]:
    """What earlier people left: barrows, terraces, ridges, pits, a track worn into the hill."""
    yield Mound(centre=(1972, 1668), height_m=1.1, top_m=3.0, foot_m=13.0, seed=101)
    yield Mound(centre=(2007, 1691), height_m=0.7, top_m=2.0, foot_m=10.0, seed=102)
    yield Mound(centre=(700, 2475), height_m=1.4, top_m=4.0, foot_m=15.0, seed=103)
    yield Lynchets(outline=FARM_TERRACES, first_level_m=95.45, spacing_m=2.5, seed=61)
    west_terraces = ((860, 1250), (1000, 1230), (1010, 1540), (930, 1640), (850, 1500))
    yield Lynchets(outline=west_terraces, first_level_m=100.0, spacing_m=3.4, seed=62)
    ridges = ((1420, 730), (1640, 760), (1660, 960), (1480, 980))
    yield Tilled(outline=ridges, bearing_deg=8.0, spacing_m=8.4, height_m=0.13, wave="ridges", seed=111)
    meadow = ((2560, 940), (2600, 760), (2530, 560), (2330, 600), (2360, 830))
    yield Tilled(outline=meadow, bearing_deg=331.0, spacing_m=7.6, height_m=0.11, wave="ridges", seed=112)
    yield Mound(centre=(2585, 1345), height_m=-3.2, top_m=4.0, foot_m=19.0, seed=121)
    yield Mound(centre=(1130, 1120), height_m=-4.5, top_m=7.0, foot_m=26.0, seed=122)
    yield Mound(centre=(2318, 1282), height_m=-1.1, top_m=3.5, foot_m=10.0, seed=123)
    yield Strip(line=shapely.LineString(eased(HOLLOW_WAY)), depth_m=0.6, flat_m=1.0, rim_m=2.5, seed=71)


def new_works() -> Iterator[Work]:
    """What is in use: fields, hedge banks, the lane, the farmyard."""
    downland = ((2250, 1440), (2405, 1360), (2432, 1500), (2515, 1690), (2470, 1880), (2240, 1880), (2200, 1700))
    yield Tilled(outline=downland, bearing_deg=14.0, spacing_m=24.0, height_m=0.05, seed=131)
    west_field = ((850, 1950), (1110, 1850), (1370, 1920), (1400, 2230), (1540, 2480), (1300, 2760), (920, 2600))
    yield Tilled(outline=west_field, bearing_deg=63.0, spacing_m=24.0, height_m=0.05, seed=132)
    north_field = ((2130, 2500), (2400, 2410), (2720, 2500), (2740, 2900), (2080, 2900))
    yield Tilled(outline=north_field, bearing_deg=98.0, spacing_m=24.0, height_m=0.05, seed=133)
    coombe_field = ((1710, 1280), (1900, 1345), (2060, 1490), (1900, 1760), (1620, 1770), (1560, 1500))
    yield Tilled(outline=coombe_field, bearing_deg=350.0, spacing_m=24.0, height_m=0.05, seed=134)
    for number, bank in enumerate(HEDGE_BANKS):
        yield Strip(line=shapely.LineString(bank), depth_m=-0.4, flat_m=0.4, rim_m=2.4, seed=140 + 3 * number)
    yield Strip(line=lane_line(), depth_m=0.35, flat_m=2.2, rim_m=4.0, seed=73, variation=0.15)
    yield Pad(corners=((2212, 1105), (2272, 1112), (2267, 1152), (2207, 1145)), level_m=101.7)
    yield Pad(corners=((2284, 1098), (2312, 1101), (2309, 1131), (2281, 1128)), level_m=100.2, batter_m=5.0)


def _bench(x: Array, y: Array, level: Array) -> Array:
    """What the bench takes off the spur."""
    away = np.hypot(x - BENCH_CENTRE[0], y - BENCH_CENTRE[1])
    return (1 - ramp(90.0, 260.0, away)) * 0.7 * (BENCH_TO_M - BENCH_FROM_M) * ramp(BENCH_FROM_M, BENCH_TO_M, level)


class Terrain:
    """The finished ground: a level for any point of the model."""

    def __init__(self) -> None:
        self._landform = Landform(Wear())
        self._stream = stream_line(valley_line())
        self._works = (*old_works(), *new_works())

    def level(self, x: Array, y: Array) -> Array:
        """Level of each point, not yet rounded."""
        shape = x.shape
        x, y = x.ravel(), y.ravel()
        level = self._landform.at(x, y)
        level = level - _bench(x, y, level)
        pasture = 0.35 + 0.65 * ramp(-0.35, 0.45, fractal(x, y, 520.0, 2, 17))
        level = level + 0.2 * pasture * fractal(x, y, 58.0, 4, 11)
        for work in self._works:
            level = work.shape(x, y, level)
        level = Strip(line=self._stream, depth_m=0.9, flat_m=0.9, rim_m=2.6, seed=91).shape(x, y, level)
        level = level + 0.05 * pasture * fractal(x, y, 6.3, 2, 23) + 0.025 * swell(x, y, 2.3, 29)
        return level.reshape(shape)


# --- what the surveyor hands over -------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Survey:
    """An elevation raster: a window of the model, known inside an outline and outside its voids."""

    file: str
    west: float
    south: float
    columns: int
    rows: int
    cell_m: float
    outline: Sequence[Point]
    voids: Sequence[Sequence[Point]] = ()

    def counts(self, terrain: Terrain) -> NDArray[np.int16]:
        """Levels in whole units, north row first."""
        x = self.west + (np.arange(self.columns) + 0.5) * self.cell_m
        y = self.south + (np.arange(self.rows)[::-1] + 0.5) * self.cell_m
        x, y = (side.ravel() for side in np.meshgrid(x, y))
        voids = shapely.union_all([shapely.Polygon(void) for void in self.voids])
        known = _places_in(shapely.Polygon(self.outline).difference(voids), x, y)
        counts = np.full(self.rows * self.columns, NO_DATA, dtype=np.int16)
        counts[known] = np.rint(terrain.level(x[known], y[known]) / UNIT_M).astype(np.int16)
        return counts.reshape(self.rows, self.columns)

    def write(self, folder: Path, counts: NDArray[np.int16]) -> None:
        """A tiled, compressed GeoTIFF that knows its grid, its unit and the metres in a count."""
        north = ORIGIN[1] + self.south + self.rows * self.cell_m
        with rasterio.open(
            folder / self.file, "w", driver="GTiff", dtype="int16", count=1, width=self.columns, height=self.rows,
            crs=GRID, transform=from_origin(ORIGIN[0] + self.west, north, self.cell_m, self.cell_m), nodata=NO_DATA,
            tiled=True, blockxsize=256, blockysize=256, compress="deflate", predictor=2, zlevel=9,
        ) as raster:  # fmt: skip
            raster.scales, raster.offsets, raster.units = (UNIT_M,), (0.0,), ("m",)
            raster.set_band_description(1, "ground level")
            raster.write(counts, 1)


@dataclass(frozen=True, kw_only=True)
class Boundary:
    """A surveyed line or ring, in one GeoPackage layer."""

    file: str
    name: str
    geometry: shapely.LineString | shapely.Polygon

    def write(self, folder: Path) -> None:
        """The GeoPackage, dated by the script so that the file does not change by itself."""
        path = folder / self.file
        path.unlink(missing_ok=True)
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN_ON})
        pyogrio.raw.write(
            path, np.array([shapely.to_wkb(self.geometry)], dtype=object), [np.array([self.name], dtype=object)],
            ["name"], layer="boundary", driver="GPKG", geometry_type=self.geometry.geom_type, crs=GRID,
            layer_options={"SPATIAL_INDEX": "NO"},
        )  # fmt: skip


FARM_VOIDS = (
    ((2262.8, 1337.5), (2264.6, 1336.9), (2266.2, 1339.2), (2266.8, 1342.6), (2265.6, 1346.1), (2262.8, 1345.2)),
    ((2217, 1120), (2229, 1122), (2226, 1142), (2214, 1140)),
    ((2250, 1114), (2266, 1116), (2265, 1124), (2249, 1122)),
    ((2288, 1107), (2302, 1109), (2300, 1121), (2286, 1119)),
)  # fmt: skip
"""Where the survey saw no ground: a thicket on the line, three barns."""

FARM_SURVEY = Survey(
    file="dtm_1m.tif", west=1930.0, south=900.0, columns=700, rows=600, cell_m=1.0,
    outline=(
        (1936, 1290), (1944, 1462), (2080, 1494), (2390, 1488), (2520, 1440), (2612, 1330), (2624, 1130),
        (2560, 960), (2400, 912), (2120, 906), (1985, 980), (1950, 1130),
    ),
    voids=FARM_VOIDS,
)  # fmt: skip
ESTATE_SURVEY = Survey(
    file="dtm_2m.tif", west=400.0, south=400.0, columns=1300, rows=1300, cell_m=2.0,
    outline=(
        (424, 560), (520, 424), (900, 418), (1300, 433), (1700, 412), (2300, 435), (2960, 420), (2984, 900),
        (2951, 1500), (2985, 2200), (2962, 2760), (2760, 2981), (2100, 2984), (1500, 2951), (1000, 2980),
        (540, 2975), (424, 2600), (452, 1950), (412, 1300),
    ),
)  # fmt: skip

FARM_START = (1975.758, 1381.321)
FARM_COURSES = (
    Course(bearing_deg=102.4, length_m=166.52),
    Course(bearing_deg=98.9, length_m=70.35),
    Course(bearing_deg=83.2, length_m=92.6),
    Course(bearing_deg=99.35, length_m=103.2),
    Course(bearing_deg=99.35, length_m=74.545, radius_m=60.0),
    Course(bearing_deg=170.54, length_m=36.4),
    Course(bearing_deg=205.0, length_m=104.75),
    Course(bearing_deg=208.4, length_m=61.3),
    Course(bearing_deg=196.0, length_m=84.6),
)

ESTATE_RING = (
    (468.2, 611.5, 0), (742.6, 470.9, 0), (1236.0, 488.3, 0), (1801.4, 466.2, 0), (2389.9, 512.7, 0),
    (2921.3, 476.4, 90), (2935.8, 1014.2, 0), (2898.5, 1571.9, 0), (2931.7, 2190.4, 0), (2889.2, 2684.6, 120),
    (2655.3, 2921.8, 80), (2102.8, 2934.6, 0), (1664.7, 2897.1, 0), (1622.3, 2748.4, 0), (1248.5, 2723.0, 60),
    (1201.9, 2918.6, 0), (590.4, 2925.2, 70), (473.8, 2560.3, 0), (506.1, 1890.8, 0), (741.3, 1832.5, 40),
    (758.8, 1466.2, 0), (464.9, 1330.2, 0),
)  # fmt: skip
"""Corners of the estate, and the radius on which the boundary turns there."""


def ring(corners: tuple[tuple[float, float, float], ...]) -> shapely.Polygon:
    """A closed boundary through the corners, or round the inside of a corner by an arc of its radius."""
    vertices: list[Point] = []
    turns = zip(corners[-1:] + corners[:-1], corners, corners[1:] + corners[:1], strict=True)
    for (before_x, before_y, _), (x, y, radius_m), (after_x, after_y, _) in turns:
        if radius_m == 0:
            vertices.append((x, y))
            continue
        came = math.atan2(x - before_x, y - before_y)
        turn = math.remainder(math.atan2(after_x - x, after_y - y) - came, 2 * math.pi)
        tangent_m = radius_m * math.tan(abs(turn) / 2)
        start = (x - tangent_m * math.sin(came), y - tangent_m * math.cos(came))
        arc = Course(
            bearing_deg=math.degrees(came), length_m=radius_m * abs(turn), radius_m=math.copysign(radius_m, turn)
        )
        vertices.extend(walk(start, [arc]).coords)
    return shapely.Polygon(vertices)


def on_the_grid(geometry: shapely.Geometry) -> shapely.Geometry:
    """Model coordinates as eastings and northings, to the millimetre."""
    return shapely.transform(geometry, lambda vertices: np.round(vertices + ORIGIN, 3))


def farm_boundary() -> Boundary:
    """North and east sides of the home farm."""
    line = on_the_grid(walk(FARM_START, FARM_COURSES))
    return Boundary(file="boundary.gpkg", name="home farm, north and east sides", geometry=line)


def estate_boundary() -> Boundary:
    """The whole estate, counter-clockwise from its south-west corner."""
    return Boundary(file="boundary.gpkg", name="the estate", geometry=on_the_grid(ring(ESTATE_RING)))


WATER_MAIN = ((2024.0, 1470.0), (2051.3, 1372.9), (2079.5, 1272.0), (2211.0, 1151.0))
OAK = (2448.72, 1218.42)
CONSTRAINTS_FILE = "constraints.gpkg"


def farm_constraints() -> dict[str, shapely.Geometry]:
    """What stands in the way of the farm's fence, by layer."""
    beside_the_farm = shapely.box(2300, 1050, 2700, 1500)
    return {
        "water_main": on_the_grid(shapely.LineString(WATER_MAIN)),
        "trees": on_the_grid(shapely.Point(OAK)),
        "lane": on_the_grid(shapely.intersection(lane_line(), beside_the_farm)),
        "terraces": on_the_grid(shapely.Polygon(FARM_TERRACES)),
    }


def write_constraints(path: Path) -> None:
    """One GeoPackage with a layer for each thing in the way."""
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN_ON})
    for layer, geometry in farm_constraints().items():
        pyogrio.raw.write(
            path, np.array([shapely.to_wkb(geometry)], dtype=object), [np.array(["invented"], dtype=object)],
            ["survey"], layer=layer, driver="GPKG", geometry_type=geometry.geom_type, crs=GRID, append=path.exists(),
            layer_options={"SPATIAL_INDEX": "NO"},
        )  # fmt: skip


PADDOCKS = {
    "Upper": ((1995, 1320), (2105, 1300), (2090, 1180), (1985, 1195)),
    "Barn": ((2105, 1300), (2205, 1255), (2195, 1165), (2090, 1180)),
    "Lower": ((1985, 1195), (2090, 1180), (2195, 1165), (2180, 1060), (2050, 1030), (1990, 1080)),
}
"""Three paddocks beside the farmyard: what two of them share is fenced once."""

STANDING = {
    "old strainer 1": (2105.0, 1300.0),
    "old strainer 2": (2097.53, 1239.98),
    "old strainer 3": (2037.45, 1187.55),
}
"""Posts that stand there already, the middle one 5 cm off the line."""

CONTROL = {"AD1": (2118.402, 1322.977), "AD2": (1972.115, 1176.349), "AD3": (2216.871, 1163.02)}
"""Marks that the crew sets up on."""


def write_paddocks(folder: Path, terrain: Terrain) -> None:
    """The paddocks' boundaries, and the files of points."""
    folder.mkdir(exist_ok=True)
    path = folder / "paddocks.gpkg"
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": WRITTEN_ON})
    areas = [on_the_grid(shapely.Polygon(corners)) for corners in PADDOCKS.values()]
    pyogrio.raw.write(
        path, np.array(shapely.to_wkb(areas), dtype=object), [np.array(list(PADDOCKS), dtype=object)], ["name"],
        layer="paddocks", driver="GPKG", geometry_type="Polygon", crs=GRID, layer_options={"SPATIAL_INDEX": "NO"},
    )  # fmt: skip
    for name, points, above_m in (("standing.csv", STANDING, 0.97), ("control.csv", CONTROL, 0.0)):
        rows = ["point,easting,northing,level"]
        for point, (x, y) in points.items():
            level = float(terrain.level(np.array([x]), np.array([y]))[0]) + above_m
            rows.append(f"{point},{x + ORIGIN[0]:.3f},{y + ORIGIN[1]:.3f},{level:.3f}")
        (folder / name).write_text("\n".join([*rows, ""]), encoding="utf-8")


def main() -> None:
    """Write both jobs' surveys beside this script."""
    terrain = Terrain()
    for folder, survey, boundary in (
        (HERE / "alder_down", FARM_SURVEY, farm_boundary()),
        (HERE / "alder_down_long", ESTATE_SURVEY, estate_boundary()),
    ):
        folder.mkdir(exist_ok=True)
        survey.write(folder, survey.counts(terrain))
        boundary.write(folder)
    write_constraints(HERE / "alder_down" / CONSTRAINTS_FILE)
    write_paddocks(HERE / "alder_down_paddocks", terrain)


if __name__ == "__main__":
    main()
