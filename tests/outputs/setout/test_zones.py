"""What the set-out sheet says of pipes and other zones, and of posts that are in the ground already.

(a) Distances are those on the grid over its scale there, 0.9996: the same to the millimetre over some metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from lxml import html
from pyproj import Transformer

from geofence.outputs import stakeout, stakeout_note
from geofence.outputs.post_words import post_words
from geofence.outputs.setout import pdf
from geofence.outputs.setout.checks import diagonals
from geofence.outputs.setout.html import write
from geofence.outputs.setout.pegs import MOST_TOLD, peg_texts
from geofence.outputs.setout.units import Units
from geofence.outputs.setout.zones import zone_notes, zone_texts
from geofence.plan import ExistingPosts, FencePlan, Parameter, PlannedZone, ZoneOutline, ZoneStretch
from tests.outputs.setout.plans import EAST, NORTH, tee
from tests.outputs.setout.printed import read_pdf
from tests.plans import HOSTILE

ALONG = [(2.9, -5.0), (2.9, 5.0)]
"""Between the second and the third post of line A, which are 2 m apart."""


def zoned(
    *stretches: tuple[str, float, float],
    drawn: Sequence[tuple[float, float]] = ALONG,
    rule: str = "keep-clear",
    name: str = "Gas main",
    source: str = "drawing 14",
) -> FencePlan:
    """The tee with a zone drawn in metres from its corner, 0.5 m round which its rule reaches."""
    grid = np.array(drawn) + np.array([EAST, NORTH])
    lon, lat = Transformer.from_crs(32630, 4326, always_xy=True).transform(*grid.T)
    zone = PlannedZone(
        name=name, rule=rule, source=source, buffer_m=0.5, limit_m=0.0,
        outlines=(ZoneOutline(lon_deg=lon, lat_deg=lat, area=False),),
        stretches=tuple(ZoneStretch(name=name, line=line, from_m=start, to_m=end) for line, start, end in stretches),
    )  # fmt: skip
    return replace(tee(), zones=(zone,))


def printed(plan: FencePlan, folder: Path) -> str:
    pdf.write(plan, folder / "setout.pdf")
    return " ".join(page.words for page in read_pdf(folder / "setout.pdf"))


def page_of(plan: FencePlan, folder: Path) -> html.HtmlElement:
    write(plan, folder / "setout.html")
    return html.parse(str(folder / "setout.html"), html.HTMLParser(encoding="utf-8")).getroot()


class TestZones:
    TOLD = (
        "Gas main (keep-clear, 0.500 m round what is drawn): no post may stand on line A from chainage 2.400 to "
        "3.400 m, between P002 and P003. P002 stands nearest, 0.900 m from what is drawn. Source: drawing 14."
    )

    def test_are_told_before_anybody_digs(self, tmp_path: Path) -> None:
        plan = zoned(("A", 2.4, 3.4))
        (boxed,) = page_of(plan, tmp_path).xpath('//div[@class="boxed"]')
        assert boxed.findtext("h2") == "Before anybody digs"
        assert [item.text for item in boxed.iter("li")] == [*plan.cautions, self.TOLD]
        assert self.TOLD in printed(plan, tmp_path)

    def test_stand_at_the_posts_beside_them(self, tmp_path: Path) -> None:
        """(a) within 0.5 m and a module of the pipe stand P002, P003 and three posts of line B."""
        plan = zoned(("A", 2.4, 3.4))
        assert 1.5 < 0.5 + plan.system.module_m < 2.9
        beside = [row for row, away in enumerate((2.9, 0.9, 1.1, 3.1, 5.1, 1.1, 1.1, 1.49, 3.2)) if away < 2]
        assert sorted(zone_notes(plan, Units())) == beside
        note = "Gas main (keep-clear) is 1.100 m from this post as drawn: see it located and marked."
        assert printed(plan, tmp_path).count(f"ZONE {note}") == 3
        assert page_of(plan, tmp_path).text_content().count(note) == 3

    def test_that_come_near_without_crossing_are_told_too(self) -> None:
        (told,) = zone_texts(zoned(drawn=[(8.0, -1.5), (9.0, -1.5)], rule="consult", source=""), Units())
        # (a) 1.5 / 0.9996 = 1.5006, and distances that must be kept are never rounded up
        assert told == (
            "Gas main (consult, 0.500 m round what is drawn) comes near the fence and does not cross it. "
            "P005 stands nearest, 1.500 m from what is drawn. Source: none stated."
        )

    @pytest.mark.parametrize(
        ("drawn", "rule"), [([(30.0, 0.0), (40.0, 0.0)], "keep-clear"), (ALONG, "setback"), (ALONG, "max-height")]
    )
    def test_that_are_far_or_no_matter_of_digging_are_not(self, drawn: list[tuple[float, float]], rule: str) -> None:
        plan = zoned(drawn=drawn, rule=rule)
        assert zone_texts(plan, Units()) == ()
        assert not zone_notes(plan, Units())

    def test_of_any_number_and_name_stay_on_their_pages(self, tmp_path: Path) -> None:
        zones = [
            zone
            for name in (*HOSTILE, "long " * 60)
            for zone in zoned(*[("A", 2.4, 3.4)] * 20, name=name, source=name * 9).zones
        ]
        plan = replace(tee(), zones=tuple(zones))
        pdf.write(plan, tmp_path / "setout.pdf")
        pages = read_pdf(tmp_path / "setout.pdf")
        assert "Before anybody digs, continued" in pages[1].words
        assert sum(page.words.count("no post may stand on line A") for page in pages) == 4 * len(zones)
        assert all(part.y0 > 4 for page in pages for part in page.parts)


class TestPegs:
    def test_of_marks_and_diagonals_in_a_keep_clear_are_not_driven(self, tmp_path: Path) -> None:
        """(a) all of the sheet lies in the area."""
        plan = zoned(drawn=[(-9.0, -9.0), (15.0, -9.0), (15.0, 9.0), (-9.0, 9.0), (-9.0, -9.0)])
        (zone,) = plan.zones
        (outline,) = zone.outlines
        plan = replace(
            plan,
            zones=(replace(zone, outlines=(replace(outline, area=True),)),),
            parameters={**plan.parameters, "stakeout.offset_m": Parameter(value=[1.0], origin="job")},
        )
        text = page_of(plan, tmp_path).text_content()
        turn = "of the diagonal at P003 (A toward P006, B toward P002)"
        for name in (*(f"{post}L" for post in plan.post_names), f"A {turn}", f"B {turn}"):
            told = (
                f"Drive no peg {name}: it is 0.000 m from what is drawn of Gas main (keep-clear), and must be 0.550 m."
            )
            assert told in text

    def test_of_any_number_of_marks_are_told_on_one_page(self) -> None:
        """(a) nine posts with eight marks each."""
        plan = zoned(drawn=[(-30.0, -30.0), (30.0, -30.0), (30.0, 30.0), (-30.0, 30.0), (-30.0, -30.0)])
        (zone,) = plan.zones
        offsets = Parameter(value=[1.0, 2.0, 3.0, 4.0, -1.0, -2.0, -3.0, -4.0], origin="job")
        plan = replace(
            plan,
            zones=(replace(zone, outlines=(replace(zone.outlines[0], area=True),)),),
            parameters={**plan.parameters, "stakeout.offset_m": offsets},
        )
        told = peg_texts(plan, Units(), [])
        assert len(told) == MOST_TOLD + 1
        assert told[-1] == f"Drive no peg at {9 * 8 - MOST_TOLD} more marks either: stakeout.txt names them."

    def test_of_a_diagonal_beside_a_pipe(self) -> None:
        """(a) pegs of both diagonals stand 0.5 m along the lines from where these meet: the one up line B on the pipe,
        the one ahead on line A 2.6 / 5.004 beside it on the grid, which is 0.5198 on the ground, the one back clear.
        """
        plan = zoned(drawn=[(4.0, 0.5), (9.0, 0.7)])
        turns = list(diagonals(plan, Units(), setback_m=0.5))
        told = [text.removeprefix("Drive no peg ") for text in peg_texts(plan, Units(), turns)]
        assert sorted(text.partition(": it is ")[2][:7] for text in told) == ["0.000 m", "0.000 m", "0.519 m"]
        assert all("of the diagonal at P003" in text for text in told)
        assert not peg_texts(zoned(drawn=[(30.0, 0.0), (40.0, 0.0)]), Units(), turns)


def standing(left_m: float, *, top_m: float = np.nan) -> FencePlan:
    """The tee, whose second post exists so far north of its place on line A."""
    plan = tee()
    posts = plan.fence.posts
    kind = tuple("existing" if row == 1 else word for row, word in enumerate(posts.kind))
    existing = ExistingPosts(
        post=np.array([1]), name=("E1",), left_m=np.array([left_m]), ahead_m=np.array([0.0]),
        easting=plan.places.easting[[1]], northing=plan.places.northing[[1]] + left_m, top_level_m=np.array([top_m]),
    )  # fmt: skip
    return replace(plan, fence=replace(plan.fence, posts=replace(posts, kind=kind)), existing=existing)


class TestPostsThatExist:
    def test_stand_where_they_stand(self, tmp_path: Path) -> None:
        there = "stands 0.200 m left of this place, at 560002.000 5900000.200: find it there."
        note = (
            "This post is in the ground already, 0.200 m left of its place on the line: check its place; its top was "
            "not measured: the height and the top level here are the wanted ones."
        )
        plan = standing(0.2)
        text = page_of(plan, tmp_path).text_content()
        assert there in text
        assert note in text
        on_paper = printed(plan, tmp_path)
        assert there in on_paper
        assert note in on_paper

    def test_whose_tops_were_measured_are_checked_by_them(self, tmp_path: Path) -> None:
        text = page_of(standing(0.0, top_m=52.0), tmp_path).text_content()
        assert "This post is in the ground already: check its place and its top level." in text
        assert "find it there" not in text

    def test_are_told_to_devices(self, tmp_path: Path) -> None:
        plan = standing(-0.2)
        stakeout.write(plan, tmp_path / "stakeout.csv")
        rows = (tmp_path / "stakeout.csv").read_text(encoding="utf-8-sig").splitlines()
        assert [" stands 0.200 right" in row for row in rows] == [row == 2 for row in range(len(rows))]
        stakeout_note.write(plan, tmp_path / "stakeout.txt")
        note = (tmp_path / "stakeout.txt").read_text(encoding="utf-8")
        there = "easting 560002.0000  northing 5899999.8000; its top was not measured"
        assert f"P002 stands 0.200 right of its point, {there}" in note
        assert [row for row, words in enumerate(post_words(plan)) if "; stands 0.200 m right of here" in words] == [1]
