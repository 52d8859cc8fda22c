"""Surfaces and lines from LandXML against sources that are not ours.

Sources
-------
LandXML 1.2 (landxml.org): points are northing, easting, level; ``<P id="10">200 100 7</P>`` is northing 200, easting
100, level 7. A face marked ``i="1"`` is invisible and no part of the surface.
matplotlib, ``matplotlib.tri.LinearTriInterpolator`` over triangles that are given to it.
Python's ``xml.etree.ElementTree`` and lxml, two XML readers, of which lxml shares no code with Expat.
Shapely: areas and unions of faces.
SciPy, ``scipy.special.fresnel``: the clothoid in closed form (Abramowitz and Stegun, 7.3).
"""

from __future__ import annotations

import math
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from lxml import etree
from matplotlib.tri import LinearTriInterpolator, Triangulation
from scipy.spatial import Delaunay
from scipy.special import fresnel

from geofence.inputs.landxml_curves import arc, clothoid
from geofence.inputs.vectors import read_boundary
from geofence.site.ground import State
from tests.landxml import EAST, NAMESPACE, NORTH, ground, surface, write


class TestOrder:
    def test_the_standards_own_example(self, tmp_path: Path) -> None:
        """With two more points to make a face; a grid without an area of use takes coordinates as small as these."""
        body = (
            '<Surfaces><Surface name="s"><Definition surfType="TIN"><Pnts><P id="10">200 100 7</P>'
            '<P id="11">200 140 7</P><P id="12">240 100 7</P></Pnts><Faces><F>10 11 12</F></Faces>'
            "</Definition></Surface></Surfaces>"
        )
        grid = "+proj=tmerc +lat_0=0 +lon_0=9 +k=1 +ellps=GRS80 +units=m +type=crs"
        survey = ground(write(tmp_path / "a.xml", body, grid=""), grid=grid).survey
        assert (survey.x[0], survey.y[0], survey.level_m[0]) == (100, 200, 7)
        assert survey.readings[0].first_rows[0] == ("10", 100.0, 200.0, 7.0)


def rough(seed: int, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Random points of a hilly square of 200 m, written with millimetres, and the triangles of a surface of them."""
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, 200, (count, 2)).round(3)
    level = (50 + 9 * np.sin(place[:, 0] / 30) + 5 * np.cos(place[:, 1] / 20) + rng.normal(0, 0.3, count)).round(3)
    return np.column_stack([place, level]), Delaunay(place).simplices


def faces_of(triangles: np.ndarray, hidden: np.ndarray) -> str:
    flags = np.where(hidden, ' i="1"', "")
    return "\n".join(
        f"<F{flag}>{a + 1} {b + 1} {c + 1}</F>" for flag, (a, b, c) in zip(flags, triangles.tolist(), strict=True)
    )


SEED = 11
Drawn = tuple[Path, np.ndarray, np.ndarray]


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Drawn:
    points, triangles = rough(SEED, 600)
    rng = np.random.default_rng(SEED)
    triangles = rng.permutation(triangles)
    triangles[::2] = triangles[::2, ::-1]
    hidden = rng.random(len(triangles)) < 1 / 3
    file = tmp_path_factory.mktemp("landxml") / "rough.xml"
    corner = points[triangles[~hidden]]
    area = shapely.area(shapely.polygons(corner[:, :, :2])).sum()
    write(file, surface(points, faces_of(triangles, hidden), definition=f'area2DSurf="{area:.3f}"'))
    return file, points, triangles[~hidden]


class TestFaces:
    """A surface of which a third of the faces is invisible, in random order and either sense of rotation."""

    def test_levels(self, drawn: Drawn) -> None:
        """Those of matplotlib on the same triangles, to 1e-9 m; where it has none, none."""
        file, points, visible = drawn
        x, y = np.random.default_rng(5).uniform(-5, 205, (2, 5_000))
        expected = LinearTriInterpolator(Triangulation(points[:, 0], points[:, 1], visible), points[:, 2])(x, y)
        found = ground(file).levels(EAST + x, NORTH + y)
        # a place within a millimetre of a face has its level: those along edges are left out of the comparison
        edges = shapely.boundary(shapely.union_all(shapely.polygons(points[visible][:, :, :2])))
        clear = shapely.distance(edges, shapely.points(x, y)) > 2e-3
        given = ~np.ma.getmaskarray(expected)
        assert 1_500 < np.count_nonzero(given) < 4_000
        assert np.array_equal((found.state == State.LEVEL)[clear], given[clear])
        both = clear & given
        assert np.allclose(found.level_m[both], expected[both].data, rtol=0, atol=1e-9)

    def test_the_files_own_area(self, drawn: Drawn) -> None:
        """Shapely's area of the visible faces stands in the file; with the invisible ones it would be 50 % more."""
        file, _, _ = drawn
        assert not [finding for finding in ground(file).findings if finding.code == "surface-area-differs"]

    def test_content_as_other_readers_have_it(self, drawn: Drawn) -> None:
        file, _, _ = drawn
        survey = ground(file).survey
        read = []
        for tree in (ElementTree.parse(file), etree.parse(file)):
            points = tree.iter(f"{{{NAMESPACE}}}P")
            places = {point.get("id"): tuple(map(float, (point.text or "").split())) for point in points}
            read.append(
                [
                    [places[name] for name in (element.text or "").split()]
                    for element in tree.iter(f"{{{NAMESPACE}}}F")
                    if element.get("i") != "1"
                ]
            )
        assert survey.faces is not None
        corners = np.stack([survey.y, survey.x, survey.level_m], axis=1)[survey.faces]
        assert np.array_equal(corners, np.array(read[0]))
        assert np.array_equal(corners, np.array(read[1]))


class TestBreakLines:
    def test_roof(self, tmp_path: Path) -> None:
        """Points at random on a roof, its ridge as a break line: exact everywhere (closed form), without it not."""
        rng = np.random.default_rng(3)
        x, y = rng.uniform(0, 60, (2, 300)).round(3)
        level = 40 - np.abs(y - 30) / 2
        ridge = f"<PntList3D>{NORTH + 30} {EAST} 40 {NORTH + 30} {EAST + 60} 40</PntList3D>"
        source = f"<SourceData><Breaklines><Breakline>{ridge}</Breakline></Breaklines></SourceData>"
        points = list(zip(x, y, level.round(4), strict=True))
        with_ridge = ground(write(tmp_path / "ridge.xml", surface(points, "", source=source)))
        without = ground(write(tmp_path / "none.xml", surface(points, "")))
        at_x, at_y = rng.uniform(5, 55, (2, 400))
        expected = 40 - np.abs(at_y - 30) / 2
        exact, poor = (opened.levels(EAST + at_x, NORTH + at_y).level_m for opened in (with_ridge, without))
        assert np.allclose(exact, expected, rtol=0, atol=1e-4)  # levels are written to 0.1 mm
        assert np.abs(poor - expected).max() > 0.1


class TestCurves:
    @pytest.mark.parametrize("rotation", ["cw", "ccw"])
    @pytest.mark.parametrize(("begin", "end"), [(0.0, 0.3), (3.0, 0.1), (-2.0, 2.9), (1.0, 1.0)])
    def test_arc(self, rotation: str, begin: float, end: float) -> None:
        """On the circle in the right sense, by the turning angles of its chords, which add up to the sweep."""
        start, finish = ((EAST + 80 * math.cos(angle), NORTH + 80 * math.sin(angle)) for angle in (begin, end))
        vertices = arc(start, (EAST, NORTH), finish, rotation=rotation, step_deg=0.5)
        turn = 1 if rotation == "ccw" else -1
        sweep = (turn * (end - begin)) % (2 * math.pi) or 2 * math.pi
        angles = np.unwrap(np.arctan2(vertices[:, 1] - NORTH, vertices[:, 0] - EAST))
        assert (angles[-1] - angles[0]) * turn == pytest.approx(sweep, abs=1e-9)
        assert np.allclose(np.hypot(vertices[:, 0] - EAST, vertices[:, 1] - NORTH), 80, rtol=0, atol=1e-6)
        assert np.allclose(np.diff(angles) * turn, sweep / (len(vertices) - 1), rtol=0, atol=1e-9)

    @pytest.mark.parametrize(("length", "radius"), [(60.0, 200.0), (100.0, 60.0), (63.977592461, 399.924)])
    @pytest.mark.parametrize("rotation", ["cw", "ccw"])
    def test_clothoid_from_a_straight(self, length: float, radius: float, rotation: str) -> None:
        """x + i y = a sqrt(pi) (C(t) + i S(t)), a^2 = R L, t = s / (a sqrt(pi)), by SciPy; turned by 40 degrees."""
        scale = math.sqrt(radius * length * math.pi)
        along = np.linspace(0, length, 2_000)
        sine, cosine = fresnel(along / scale)
        side = 1 if rotation == "ccw" else -1
        curve = scale * (cosine + side * 1j * sine) * np.exp(1j * math.radians(40)) + complex(EAST, NORTH)
        start, end = ((value.real, value.imag) for value in (curve[0], curve[-1]))
        vertices = clothoid(
            start, end, length=length, radius_start=math.inf, radius_end=radius, rotation=rotation, step_deg=0.5
        )
        exact = shapely.LineString(np.column_stack([curve.real, curve.imag]))
        assert shapely.distance(shapely.points(vertices), exact).max() < 1e-5
        back = clothoid(
            end,
            start,
            length=length,
            radius_start=radius,
            radius_end=math.inf,
            rotation="cw" if rotation == "ccw" else "ccw",
            step_deg=0.5,
        )
        assert shapely.distance(shapely.points(back), exact).max() < 1e-5

    def test_parcel_area(self, tmp_path: Path) -> None:
        """A stadium, two straights of 50 m and two half circles of 10 m: 1000 + 100 pi m2 (closed form)."""

        def at(x: float, y: float) -> str:
            return f"{NORTH + y} {EAST + x}"

        def side(start: str, end: str) -> str:
            return f"<Line><Start>{start}</Start><End>{end}</End></Line>"

        def bow(start: str, centre: str, end: str) -> str:
            return f'<Curve rot="ccw"><Start>{start}</Start><Center>{centre}</Center><End>{end}</End></Curve>'

        geometry = (
            side(at(0, 0), at(50, 0))
            + bow(at(50, 0), at(50, 10), at(50, 20))
            + side(at(50, 20), at(0, 20))
            + bow(at(0, 20), at(0, 10), at(0, 0))
        )
        body = f'<Parcels><Parcel name="1"><CoordGeom>{geometry}</CoordGeom></Parcel></Parcels>'
        (part,) = read_boundary(write(tmp_path / "a.xml", body)).parts
        polygon = shapely.Polygon(part - (EAST, NORTH))
        assert polygon.area == pytest.approx(1000 + 100 * math.pi, rel=1e-5)
        assert polygon.is_valid
        assert polygon.exterior.is_ccw
