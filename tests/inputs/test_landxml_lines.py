"""Boundaries from LandXML: parcels, plan features and alignments, by way of what a user passes as the line's file."""

from __future__ import annotations

import math
import re
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from geofence.errors import GeofenceError, GridError, InputError
from geofence.inputs.vectors import Boundary, read_boundary
from tests.landxml import EAST, NORTH, write

RIGHT_ANGLE = [(0, 0), (30, 0), (30, 20)]


def at(x: float, y: float) -> str:
    return f"{NORTH + y:.6f} {EAST + x:.6f}"


def straight(start: tuple[float, float], end: tuple[float, float]) -> str:
    return f"<Line><Start>{at(*start)}</Start><End>{at(*end)}</End></Line>"


def lines(*corners: tuple[float, float]) -> str:
    return "\n".join(straight(*pair) for pair in pairwise(corners))


def parcel(name: str, geometry: str) -> str:
    return f'<Parcels><Parcel name="{name}">\n<CoordGeom>\n{geometry}\n</CoordGeom></Parcel></Parcels>'


def feature(name: str, geometry: str) -> str:
    return (
        f'<PlanFeatures><PlanFeature name="{name}"><CoordGeom>\n{geometry}\n</CoordGeom></PlanFeature></PlanFeatures>'
    )


def alignment(name: str, geometry: str) -> str:
    return f'<Alignments><Alignment name="{name}"><CoordGeom>\n{geometry}\n</CoordGeom></Alignment></Alignments>'


def read(tmp_path: Path, body: str, name: str = "a.xml", **options: Any) -> Boundary:
    return read_boundary(write(tmp_path / name, body), **options)


def vertices(boundary: Boundary) -> list[list[tuple[float, float]]]:
    """Of each part, from the south-west corner."""
    return [[(float(x), float(y)) for x, y in np.round(part - (EAST, NORTH), 6).tolist()] for part in boundary.parts]


def refused(tmp_path: Path, body: str, says: str, error: type[GeofenceError] = InputError, **options: Any) -> None:
    with pytest.raises(error) as caught:
        read(tmp_path, body, **options)
    assert re.search(says, str(caught.value), re.DOTALL), str(caught.value)
    assert caught.value.remedy
    assert len(str(caught.value)) < 700


class TestKinds:
    @pytest.mark.parametrize("kind", [parcel, feature, alignment])
    @pytest.mark.parametrize("name", ["a.xml", "a.landxml", "a.txt"])
    def test_each(self, tmp_path: Path, kind: Any, name: str) -> None:
        boundary = read(tmp_path, kind("north side", lines(*RIGHT_ANGLE)), name)
        assert vertices(boundary) == [RIGHT_ANGLE]
        assert boundary.crs.to_epsg() == 27700
        assert boundary.findings == ()

    def test_parcel_closes_exactly(self, tmp_path: Path) -> None:
        """Its last corner is written 2 mm off its first."""
        ring = [(0, 0), (30, 0), (30, 20), (0, 20), (0.001, 0.0015)]
        (part,) = read(tmp_path, parcel("1", lines(*ring))).parts
        assert part[0].tolist() == part[-1].tolist()
        assert len(part) == 5

    def test_irregular_line(self, tmp_path: Path) -> None:
        inner = f"<PntList2D>{at(5, 1)} {at(9, 3)}</PntList2D>"
        geometry = f"<IrregularLine><Start>{at(0, 0)}</Start><End>{at(12, 3)}</End>{inner}</IrregularLine>"
        assert vertices(read(tmp_path, feature("f", geometry))) == [[(0, 0), (5, 1), (9, 3), (12, 3)]]

    def test_irregular_line_whose_list_has_its_ends(self, tmp_path: Path) -> None:
        inner = f"<PntList3D>{at(0, 0)} 7 {at(5, 1)} 8 {at(12, 3)} 9</PntList3D>"
        geometry = f"<IrregularLine><Start>{at(0, 0)}</Start><End>{at(12, 3)}</End>{inner}</IrregularLine>"
        assert vertices(read(tmp_path, feature("f", geometry))) == [[(0, 0), (5, 1), (12, 3)]]

    def test_points_by_name(self, tmp_path: Path) -> None:
        """Defined after they are used, one through another, with and without a level."""
        geometry = '<Line><Start pntRef="A"/><End pntRef="B"/></Line><Line><Start pntRef="B"/><End pntRef="C"/></Line>'
        points = f'<CgPoint name="A">{at(0, 0)}</CgPoint><CgPoint name="B">{at(30, 0)} 7</CgPoint>'
        points += f'<CgPoint name="C">{at(30, 20)}</CgPoint><CgPoint name="C">{at(30, 20)} 5</CgPoint>'
        body = parcel("1", geometry) + f"<CgPoints>{points}</CgPoints>"
        assert vertices(read(tmp_path, body)) == [RIGHT_ANGLE]
        chain = feature("2", "<Chain>A B C</Chain>") + f"<CgPoints>{points}</CgPoints>"
        assert vertices(read(tmp_path, chain)) == [RIGHT_ANGLE]

    def test_surfaces_in_the_same_file(self, tmp_path: Path) -> None:
        from tests.landxml import surface

        assert vertices(read(tmp_path, surface() + parcel("1", lines(*RIGHT_ANGLE)))) == [RIGHT_ANGLE]

    def test_other_xml_is_left_to_gdal(self, tmp_path: Path) -> None:
        (tmp_path / "a.xml").write_text("<metadata/>")
        with pytest.raises(InputError, match="no vector file that can be read"):
            read_boundary(tmp_path / "a.xml")


class TestJoining:
    def test_pieces_drawn_the_other_way_round(self, tmp_path: Path) -> None:
        a, b, c, d = (0, 0), (30, 0), (30, 20), (0, 20)
        geometry = straight(b, a) + straight(b, c) + straight(d, c)
        assert vertices(read(tmp_path, parcel("1", geometry))) == [[a, b, c, d]]

    def test_pieces_that_do_not_meet(self, tmp_path: Path) -> None:
        geometry = lines((0, 0), (10, 0)) + lines((10.02, 0), (20, 0))
        boundary = read(tmp_path, parcel("1", geometry))
        assert vertices(boundary) == [[(0, 0), (10, 0)], [(10.02, 0), (20, 0)]]
        (finding,) = boundary.findings
        assert (finding.code, finding.severity) == ("boundary-broken", "warn")

    @pytest.mark.parametrize(("gap", "parts"), [(0.0049, 1), (0.0051, 2)])
    def test_how_near_is_near(self, tmp_path: Path, gap: float, parts: int) -> None:
        geometry = lines((0, 0), (10, 0)) + lines((10 + gap, 0), (20, 0))
        assert len(read(tmp_path, parcel("1", geometry)).parts) == parts

    def test_each_parcel_may_be_a_line_of_its_own_with_its_name(self, tmp_path: Path) -> None:
        body = parcel("Lot 1", lines((0, 0), (50, 0), (50, 40))) + parcel("Lot 2", lines((50, 0), (90, 0)))
        boundary = read(tmp_path, body, features="each")
        assert (boundary.names, boundary.of) == (("Lot 1", "Lot 2"), (0, 1))
        assert vertices(boundary) == [[(0, 0), (50, 0), (50, 40)], [(50, 0), (90, 0)]]
        refused(tmp_path, body, "has no fields: its lines have names", features="each", name_field="name")

    def test_several_geometries_are_several_lines(self, tmp_path: Path) -> None:
        body = parcel("1", f"{lines((0, 0), (10, 0))}</CoordGeom><CoordGeom>{lines((0, 5), (10, 5))}")
        boundary = read(tmp_path, body)
        assert len(boundary.parts) == 2
        assert boundary.findings == ()


class TestCurves:
    @pytest.mark.parametrize(("rotation", "area"), [("ccw", math.pi / 2), ("cw", math.pi / 2)])
    def test_half_circle(self, tmp_path: Path, rotation: str, area: float) -> None:
        """From west to east about the middle: clockwise over the north, counter-clockwise over the south."""
        points = f"<Start>{at(-100, 0)}</Start><Center>{at(0, 0)}</Center><End>{at(100, 0)}</End>"
        boundary = read(tmp_path, feature("f", f'<Curve rot="{rotation}" radius="100">{points}</Curve>'))
        (part,) = boundary.parts
        local = part - (EAST, NORTH)
        assert np.allclose(np.hypot(*local.T), 100, rtol=0, atol=1e-6)
        assert (local[1:-1, 1] > 0).all() if rotation == "cw" else (local[1:-1, 1] < 0).all()
        assert len(part) == 361  # chords of half a degree
        assert shapely.Polygon(local).area == pytest.approx(area * 1e4, rel=1e-4)  # closed form, less the chords' share
        assert [finding.code for finding in boundary.findings] == ["curve-linearised"]

    def test_goes_on_from_a_line(self, tmp_path: Path) -> None:
        points = f"<Start>{at(30, 0)}</Start><Center>{at(30, 10)}</Center><End>{at(40, 10)}</End>"
        geometry = straight((0, 0), (30, 0)) + f'<Curve rot="ccw" length="15.71">{points}</Curve>'
        (part,) = read(tmp_path, alignment("f", geometry)).parts
        assert np.round(part[[0, 1, -1]] - (EAST, NORTH), 6).tolist() == [[0, 0], [30, 0], [40, 10]]

    @pytest.mark.parametrize(
        ("attributes", "centre", "says"),
        [
            (
                'rot="ccw"',
                (1, 0),
                "line 8: the curve contradicts itself: its centre is 101.000 from its start and 99.000 from",
            ),
            ('rot="left"', (0, 0), "turns 'left', neither cw nor ccw"),
            ("", (0, 0), "turns '', neither cw nor ccw"),
            ('rot="cw" length="471.24"', (0, 0), "is 157.080 long, by its own length 471.240"),
            ('rot="cw" length="long"', (0, 0), "its length is 'long', which is no number"),
        ],
    )
    def test_contradictions(self, tmp_path: Path, attributes: str, centre: tuple[float, float], says: str) -> None:
        """From north to east clockwise is a quarter, 157.08 m; three quarters are 471.24 m (closed form)."""
        points = f"<Start>{at(0, 100)}</Start><Center>{at(*centre)}</Center><End>{at(100, 0)}</End>"
        if centre != (0, 0):
            points = points.replace(at(0, 100), at(-100, 0))
        refused(tmp_path, parcel("1", f"{straight((0, 0), (9, 0))}\n<Curve {attributes}>{points}</Curve>"), says)

    def test_without_a_centre(self, tmp_path: Path) -> None:
        points = f"<Start>{at(0, 100)}</Start><End>{at(100, 0)}</End>"
        refused(tmp_path, parcel("1", f'<Curve rot="cw">{points}</Curve>'), "line 7: the curve has no Center")

    def test_spiral_of_another_kind(self, tmp_path: Path) -> None:
        refused(
            tmp_path, parcel("1", '<Spiral spiType="bloss" rot="cw"/>'), "a spiral of the type 'bloss' is not known"
        )

    def test_spiral_that_cannot_be(self, tmp_path: Path) -> None:
        points = f"<Start>{at(0, 0)}</Start><End>{at(80, 0)}</End>"
        spiral = f'<Spiral rot="cw" length="60" radiusStart="INF" radiusEnd="200">{points}</Spiral>'
        refused(tmp_path, parcel("1", spiral), "its ends are 80.000 apart, by its length and radii 59.9")


class TestWhichOne:
    BODY = (
        parcel("lot 1", lines((0, 0), (10, 0)))
        + parcel("lot 2", lines((0, 1), (10, 1)))
        + feature("hedge", lines((0, 2), (10, 2)))
        + alignment("lot 1", lines((0, 3), (10, 3)))
        + feature("no line", "")
    )

    def test_asked_with_their_names(self, tmp_path: Path) -> None:
        refused(
            tmp_path,
            self.BODY,
            "has 5 .*Set line.layer, to one of: parcel 'lot 1', parcel 'lot 2', plan feature 'hedge'",
        )

    @pytest.mark.parametrize(
        ("options", "northing"),
        [
            ({"layer": "lot 2"}, 1),
            ({"layer": "hedge"}, 2),
            ({"layer": "lot 1", "feature": 2}, 3),
            ({"feature": 3}, 2),
        ],
    )
    def test_chosen(self, tmp_path: Path, options: dict[str, Any], northing: float) -> None:
        assert vertices(read(tmp_path, self.BODY, **options)) == [[(0, northing), (10, northing)]]

    def test_mistyped(self, tmp_path: Path) -> None:
        refused(tmp_path, self.BODY, "line.layer: has no parcel.* 'lot2'. Did you mean lot 2", layer="lot2")

    def test_two_of_a_name(self, tmp_path: Path) -> None:
        refused(tmp_path, self.BODY, "Set line.feature, .*parcel 'lot 1', alignment 'lot 1'", layer="lot 1")

    def test_number_beyond(self, tmp_path: Path) -> None:
        refused(tmp_path, self.BODY, "line.feature: has no such feature: 9, limit 5", feature=9)

    def test_none(self, tmp_path: Path) -> None:
        refused(tmp_path, "", "holds no parcel, plan feature or alignment with lines")
        refused(tmp_path, self.BODY, "holds no line", layer="no line")

    def test_parcel_within_a_parcel(self, tmp_path: Path) -> None:
        inner = parcel("part", lines((0, 1), (10, 1)))
        geometry = f"<CoordGeom>{lines((0, 0), (10, 0))}</CoordGeom>"
        body = f'<Parcels><Parcel name="whole">{inner}{geometry}</Parcel></Parcels>'
        assert vertices(read(tmp_path, body, layer="whole")) == [[(0, 0), (10, 0)]]
        assert vertices(read(tmp_path, body, layer="part")) == [[(0, 1), (10, 1)]]


class TestGridAndFaults:
    def test_no_grid(self, tmp_path: Path) -> None:
        file = write(tmp_path / "a.xml", parcel("1", lines(*RIGHT_ANGLE)), grid="")
        with pytest.raises(GridError, match=r"does not say which grid it is in.*Set line.grid"):
            read_boundary(file)
        assert vertices(read_boundary(file, grid="EPSG:27700")) == [RIGHT_ANGLE]

    def test_other_unit(self, tmp_path: Path) -> None:
        units = '<Units><Imperial linearUnit="foot"/></Units>'
        file = write(tmp_path / "a.xml", parcel("1", lines(*RIGHT_ANGLE)), units=units)
        with pytest.raises(GridError, match=r"are in foot, but the unit of OSGB36.* is metre"):
            read_boundary(file)

    @pytest.mark.parametrize(
        ("geometry", "says"),
        [
            ("<Line><Start>1 2</Start></Line>", "line 7: the line has no End"),
            ("<Line><Start>1</Start><End>1 2</End></Line>", "line 7: its place cannot be read: 1 numbers stand"),
            ("<Line><Start>1 x</Start><End>1 2</End></Line>", "line 7: its place cannot be read: 'x' is no number"),
            ('<Line><Start pntRef="Q"/><End>1 2</End></Line>', "line 7: no point has the name 'Q'"),
            (
                '<Line><Start pntRef="D"/><End>1 2</End></Line>',
                "line 7: 2 points at different places have the name 'D'",
            ),
            ('<Line><Start pntRef="E"/><End>1 2</End></Line>', "the point 'E': 4 numbers stand"),
            (lines((0, 0), (4e7, 0)), "cannot be in OSGB36"),
        ],
    )
    def test_faults(self, tmp_path: Path, geometry: str, says: str) -> None:
        points = '<CgPoint name="D">1 2</CgPoint><CgPoint name="D">1 3</CgPoint><CgPoint name="E">1 2 3 4</CgPoint>'
        error = GridError if "cannot be in" in says else InputError
        refused(tmp_path, parcel("1", geometry) + f"<CgPoints>{points}</CgPoints>", says, error)
