"""The set-out sheet as a page: read back by lxml and pandas, which are not ours."""

from __future__ import annotations

import re
from dataclasses import replace
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas
import pytest
from lxml import html

from geofence.engine.records import Finding
from geofence.errors import JobError
from geofence.outputs.digits import fixed
from geofence.outputs.setout.html import OUTPUT, write
from geofence.outputs.setout.parts import SERVICES, SIGN_OFF
from geofence.outputs.setout.style import SetoutStyle
from geofence.plan import FencePlan, Parameter
from geofence.planner import plan_fence
from geofence.sample import PADDOCKS_JOB
from tests.outputs.drawn_plans import plan_of
from tests.outputs.setout.plans import plan_through, square, tee, with_findings, with_marks
from tests.plans import HOSTILE, hostile_plan, made_up_plan

MILLIMETRE = 5.01e-4
ROWS = './/tbody/tr[not(contains(@class, "band")) and not(contains(@class, "note"))]'


@pytest.fixture
def page(tmp_path: Path) -> Any:
    def made(plan: FencePlan, **style: Any) -> Any:
        write(plan, tmp_path / "setout.html", style=SetoutStyle(**style) if style else None)
        return html.parse(str(tmp_path / "setout.html"), html.HTMLParser(encoding="utf-8")).getroot()

    return made


def table(root: Any, title: str) -> Any:
    """The table under a heading."""
    (heading,) = [item for item in root.iter("h2") if item.text == title]
    (found,) = root.xpath(f'//table[@aria-labelledby="{heading.get("id")}"]')
    return found


def lines(found: Any) -> list[list[tuple[str, str]]]:
    """The rows of cells as (what stands first, what stands below), ticks and blanks left out."""
    return [
        [
            (cell.findtext("b") or "", cell.findtext("span") or "")
            for cell in row.iter("td")
            if cell.get("class") not in ("tick", "blank")
        ]
        for row in found.xpath(ROWS)
    ]


def numbers(rows: list[list[tuple[str, str]]], column: int, part: int = 0) -> list[float]:
    return [float(row[column][part].split()[0]) if row[column][part] else np.nan for row in rows]


def titles(root: Any) -> list[str]:
    return [item.text for item in root.xpath('//div[@class="lead"]/h2')]


class TestPosts:
    def test_are_read_back_with_the_plans_numbers(self, page: Any) -> None:
        """(a) the plan itself, to half of a last digit."""
        plan = plan_of("sample")
        rows, posts, bays = lines(table(page(plan), "The posts")), plan.fence.posts, plan.fence.bays
        assert [row[0] for row in rows] == list(zip(plan.post_names, posts.kind, strict=True))
        assert numbers(rows, 1, 1) == pytest.approx(posts.chainage_m, abs=MILLIMETRE)
        assert numbers(rows, 2)[:-1] == pytest.approx(bays.width_m, abs=MILLIMETRE)
        assert numbers(rows, 3) == pytest.approx(posts.embedment_m, abs=MILLIMETRE)
        assert numbers(rows, 4) == pytest.approx(posts.length_m, abs=MILLIMETRE)
        assert numbers(rows, 5) == pytest.approx(posts.height_m, abs=MILLIMETRE)
        assert numbers(rows, 5, 1) == pytest.approx(posts.top_level_m, abs=MILLIMETRE)
        assert numbers(rows, 6) == pytest.approx(posts.support_back_m, abs=MILLIMETRE, nan_ok=True)
        assert numbers(rows, 7) == pytest.approx(posts.support_ahead_m, abs=MILLIMETRE, nan_ok=True)
        assert numbers(rows, 8)[:-1] == pytest.approx(bays.step_m, abs=MILLIMETRE)
        stock = [float(row[4][1]) if row[4][1] else length for row, length in zip(rows, posts.length_m, strict=True)]
        assert stock == pytest.approx(posts.stock_length_m, abs=MILLIMETRE)

    def test_pandas_reads_the_tables_with_their_heads(self, page: Any, tmp_path: Path) -> None:
        plan = plan_of("sample")
        page(plan)
        frames = pandas.read_html(
            StringIO((tmp_path / "setout.html").read_text(encoding="utf-8")), attrs={"class": "data"}
        )
        posts = frames[-1]
        assert list(posts.columns) == [
            "dug", "set", "Post kind", "Running chainage", "To next clear", "Hole wide", "Post long cut from",
            "Sticks out top level", "Drop back", "Drop ahead", "Step",
        ]  # fmt: skip
        named = posts[posts["Post kind"].str.match(r"P\d+ \w+$", na=False)]
        assert named["Post kind"].tolist() == [
            f"{name} {kind}" for name, kind in zip(plan.post_names, plan.fence.posts.kind, strict=True)
        ]
        assert named["Step"].dropna().astype(float).sum() == pytest.approx(
            float(plan.fence.bays.step_m.sum()), abs=1e-6
        )

    def test_a_clear_opening_is_the_width_less_a_post(self, page: Any) -> None:
        """(a) posts of 0.05 m."""
        rows = lines(table(page(tee()), "The posts"))
        assert rows[0][2] == ("2.000", "1.950")

    def test_of_a_post_that_is_longer_than_its_stock_say_what_is_joined_on(self, page: Any) -> None:
        plan = made_up_plan()
        length, stock = plan.fence.posts.length_m, plan.fence.posts.stock_length_m
        rows = lines(table(page(plan), "The posts"))
        for row, is_long, more in zip(rows, length > stock, fixed(length - stock, 3, missing=""), strict=True):
            assert row[4][1] == (f"2.700 + {more}" if is_long else "2.700")
        assert 0 < np.count_nonzero(length > stock) < 40

    def test_lines_that_meet_are_listed_one_after_the_other(self, page: Any) -> None:
        found = table(page(tee()), "The posts")
        bands = [band.text_content() for band in found.xpath('.//tr[@class="band"]')]
        assert bands == [
            "Line A: P001 (end) to P003 (junction): 4.000 m, grid bearing 90.0000°",
            "Line A: P003 (junction) to P005 (end): 4.000 m, grid bearing 90.0000°",
            "Line B: P003 (junction) to P009 (end): 8.000 m, grid bearing 0.0000°",
        ]
        again = [row for row in lines(found) if row[0][0] == "P003"]
        assert [row[3][0] for row in again] == ["0.600", ""]  # its hole is dug once
        (note,) = found.xpath('.//tr[@class="note"]')
        assert note.text_content() == "SET This post belongs to another line too and is listed there."

    def test_a_ring_closes_on_its_first_post(self, page: Any) -> None:
        rows = lines(table(page(square()), "The posts"))
        assert rows[-1] == [
            ("P001", "corner"),
            ("6.000", "24.000"),
            *[("", "")] * 4,
            ("1.805", "B012"),
            *[("", "")] * 2,
        ]

    def test_an_existing_post_has_no_hole(self, page: Any) -> None:
        plan = tee()
        posts = replace(plan.fence.posts, kind=("end", "existing", *plan.fence.posts.kind[2:]))
        found = table(page(replace(plan, fence=replace(plan.fence, posts=posts))), "The posts")
        existing = next(row for row in lines(found) if row[0] == ("P002", "existing"))
        assert (existing[3], existing[4]) == (("", ""), ("", ""))
        assert "in the ground already" in found.text_content()

    def test_wires_have_droppers_and_pull_in_place_of_steps(self, page: Any) -> None:
        plan = plan_of("wires")
        root = page(plan)
        rows = lines(table(root, "The posts"))
        assert numbers(rows, 8)[:-1] == pytest.approx(plan.fence.bays.droppers, nan_ok=True)
        pulled = [row[8][1] for row in rows]
        assert [bool(text) for text in pulled] == [bool(value > 0) for value in plan.fence.posts.uplift_kn]
        assert float(pulled[int(np.nanargmax(plan.fence.posts.uplift_kn))].split()[0]) == pytest.approx(
            float(np.nanmax(plan.fence.posts.uplift_kn)), abs=0.00501
        )
        strains = lines(table(root, "Strains of wire"))
        assert numbers(strains, 2) == pytest.approx(plan.fence.strains.wire_length_m, abs=MILLIMETRE)
        assert numbers(strains, 2, 1) == pytest.approx(
            plan.fence.strains.wire_length_m * plan.fence.strains.wires, abs=MILLIMETRE
        )
        assert sum(numbers(strains, 5)) == np.nansum(plan.fence.bays.droppers)

    def test_wires_pull_in_pounds_on_a_sheet_in_feet(self, page: Any) -> None:
        """(b) NIST SP 811: a pound-force is 4.448222 N."""
        plan = plan_of("wires")
        root = page(plan, units="ft")
        strains, fence = lines(table(root, "Strains of wire")), plan.fence.strains
        for column, at, pulls_kn in (
            (3, 0, fence.tension_kn),
            (4, 0, fence.tension_cold_kn),
            (4, 1, fence.tension_hot_kn),
        ):
            told = [row[column][at].removesuffix(" lbf") for row in strains]
            assert list(map(float, told)) == pytest.approx(pulls_kn / 4.448222e-3, abs=0.51)
        assert {row[8][1].split()[-1] for row in lines(table(root, "The posts")) if row[8][1]} == {"lbf"}
        hints = root.xpath('//p[@class="hint"]/text()')
        celsius = plan.value("wire.temperature_c")
        (hint,) = [hint for hint in hints if "each wire at" in hint]
        assert f"each wire at {celsius:g} °C [{celsius * 9 / 5 + 32:.0f} °F]; coldest at" in hint

    def test_no_temperature_is_told_of_a_plan_that_lacks_one(self, page: Any) -> None:
        """As a plan that is read back may."""
        plan = plan_of("wires")
        told = {key: value for key, value in plan.parameters.items() if key != "wire.temperature_max_c"}
        root = page(replace(plan, parameters=told))
        assert not [hint for hint in root.xpath('//p[@class="hint"]/text()') if "each wire at" in hint]

    def test_droppers_are_those_of_their_own_line(self, page: Any) -> None:
        plan = plan_fence(PADDOCKS_JOB)
        strains = lines(table(page(plan), "Strains of wire"))
        assert len(strains) == len(plan.fence.strains) > 3
        assert sum(numbers(strains, 5)) == np.nansum(plan.fence.bays.droppers) > 0

    def test_rails_have_cuts(self, page: Any) -> None:
        plan = plan_of("steep")
        rows = lines(table(page(plan), "The posts"))
        cuts = [float(row[8][0].rstrip("°")) for row in rows if row[8][0]]
        assert cuts == pytest.approx(plan.fence.bays.cut_angle_deg, abs=0.0501)
        assert [float(row[8][1]) for row in rows if row[8][1]] == pytest.approx(
            plan.fence.bays.slope_length_m, abs=MILLIMETRE
        )


class TestTables:
    def test_stand_in_the_order_of_the_work(self, page: Any) -> None:
        plan = with_marks(square(), [("C1", "control", -20.0, 3.0, 50.0), ("C2", "control", 3.0, -20.0, 50.0)])
        assert titles(page(plan)) == [
            "Marks to start from", "Posts to set first", "Ties from marks to posts", "Stretches from post to post",
            "Diagonals where the fence turns", "The posts",
        ]  # fmt: skip

    def test_that_would_be_empty_are_left_out(self, page: Any) -> None:
        places = np.array([(0.0, 0.0), (2.0, 0.0)])
        plan = plan_through(places, (("", (0, 1), False),), ("end", "end"))
        assert titles(page(plan)) == ["Posts to set first", "The posts"]

    def test_posts_that_are_set_first_have_their_coordinates(self, page: Any) -> None:
        plan = plan_of("feet")
        rows = lines(table(page(plan), "Posts to set first"))
        named = {row[0][0]: row for row in rows}
        held = [row for row, kind in enumerate(plan.fence.posts.kind) if kind in ("end", "corner", "gate")]
        assert held
        for row in held:
            east, north = (float(named[plan.post_names[row]][at][0]) for at in (1, 2))
            assert east == pytest.approx(plan.places.easting[row], abs=MILLIMETRE)
            assert north == pytest.approx(plan.places.northing[row], abs=MILLIMETRE)

    def test_a_mark_in_a_hole_is_marked(self, page: Any) -> None:
        plan = with_marks(square(), [("V1", "boundary", 0.0, 0.0, 50.0)])
        assert lines(table(page(plan), "Marks to start from")) == [
            [("V1", "boundary mark"), ("560000.000", ""), ("5900000.000", ""), ("50.000", ""), ("hole of P001", "")]
        ]
        first = lines(table(page(plan), "Ties from marks to posts"))[0]
        assert first == [("P001", "corner"), ("V1", "boundary mark"), ("0.000", "on the mark"), ("", ""), ("0.000", "")]

    def test_ties_that_cross_weakly_are_marked(self, page: Any) -> None:
        marks = [("C1", "control", -0.5, -10.0, 50.0), ("C2", "control", 0.5, -30.0, 50.0)]
        found = table(page(with_marks(tee(), marks)), "Ties from marks to posts")
        assert "No two ties of P009 cross at 30° or more" in found.text_content()

    def test_there_is_room_to_tick_and_to_write(self, page: Any) -> None:
        root = page(square())
        posts = table(root, "The posts").xpath(
            './/tbody/tr[not(contains(@class, "band")) and not(contains(@class, "note"))]'
        )
        assert all(len(row.xpath('./td[@class="tick"]')) == 2 for row in posts)
        checks = table(root, "Diagonals where the fence turns")
        assert len(checks.xpath('.//td[@class="blank"]')) == len(checks.xpath('.//td[@class="tick"]')) == 4


class TestWhatIsSaid:
    def test_the_numbers_are_explained(self, page: Any) -> None:
        plan = made_up_plan()
        text = " ".join(page(plan).text_content().split())
        for words in (
            "WGS 84 / UTM zone 30N (EPSG:32630)", "invented datum", "99.9600 m on the grid",
            "every distance on this sheet is a ground distance", "2026-11-25T12:00:00Z", *plan.cautions,
        ):  # fmt: skip
            assert words in text, words

    def test_services_and_signatures_are_in_the_frame_that_comes_again_on_every_page(self, page: Any) -> None:
        (frame,) = page(made_up_plan()).xpath('//table[@class="frame"]')
        assert SERVICES in frame.find("thead").text_content()
        assert [item.text for item in frame.find("tfoot").iter("span")] == list(SIGN_OFF)

    def test_findings_stand_where_they_are_met(self, page: Any) -> None:
        root = page(made_up_plan())
        notes = [note.text_content() for note in table(root, "The posts").xpath('.//tr[@class="note"]')]
        assert notes == [
            "CHECK The post is longer than the longest stock length. Order an extension.",
            "STOP B021, P021 to P022: The panel would hang 0.31 m above the ground. "
            "Allow a larger gap_max_m, a finer increment_m, or fill the hollow.",
        ]
        look = [item.text_content() for item in root.xpath('//ul[@class="checks"]')[1].iter("li")]
        assert look == ["STOP Marked where they stand: B021.", "CHECK Marked where they stand: P004."]

    def test_findings_of_the_whole_plan_come_first(self, page: Any) -> None:
        finding = Finding(code="x", severity="stop", message="a main", chainage_m=1.0, chainage_to_m=2.0)
        root = page(with_findings(tee(), finding))
        look = [item.text_content() for item in root.xpath('//ul[@class="checks"]')[1].iter("li")]
        assert look == ["STOP Chainage 1.00 to 2.00 m: a main."]

    def test_of_many_of_the_whole_plan_the_worst_are_told(self, page: Any) -> None:
        found = [Finding(code="x", severity="warn", message=f"m{row}") for row in range(20)]
        worst = Finding(code="y", severity="stop", message="the worst")
        look = page(with_findings(tee(), *found, worst)).xpath('//ul[@class="checks"]')[1]
        told = [item.text_content() for item in look.iter("li")]
        assert (len(told), told[0], told[-1]) == (13, "STOP the worst.", "CHECK 9 more are told in findings.csv.")

    def test_many_are_counted(self, page: Any) -> None:
        found = [Finding(code="x", severity="warn", message="m", post=row) for row in range(30)]
        root = page(with_findings(made_up_plan(), *found))
        (look,) = [item.text_content() for item in root.xpath('//ul[@class="checks"]')[1].iter("li")]
        assert look.endswith("P024 and 6 more.")


class TestUnits:
    """(a) by the foot's definition."""

    def test_decimal_feet(self, page: Any) -> None:
        root = page(tee(), units="ft")
        row = lines(table(root, "The posts"))[0]
        assert row[2] == ("6.56", "6.40")  # 2 m, 1.95 m
        assert row[5][1] == "170.62"  # 52.005 m
        assert "international feet (1 ft = 0.3048 m)" in root.text_content()

    def test_feet_and_inches(self, page: Any) -> None:
        root = page(tee(), units="ft-in")
        row = lines(table(root, "The posts"))[0]
        assert row[2] == ("6'\u00a06\u00a03/4\"", "6'\u00a04\u00a03/4\"")  # no line ends within
        assert row[5][1] == "170.62"  # staffs are decimal
        assert root.find("body").get("class") == "A4 ft-in"

    def test_a_grid_in_survey_feet_has_them(self, page: Any) -> None:
        """(a) 2 ppm: a level of 1000 m is 3280.83 survey feet, 3280.84 international."""
        plan = tee()
        posts = plan.fence.posts
        lifted = replace(posts, top_level_m=posts.top_level_m - posts.top_level_m[0] + 1000.0)
        grid = replace(plan.grid, unit="US survey foot", unit_m=1200 / 3937)
        root = page(replace(plan, grid=grid, fence=replace(plan.fence, posts=lifted)), units="ft")
        assert lines(table(root, "The posts"))[0][5][1] == "3280.83"
        assert "US survey feet" in root.text_content()

    def test_come_from_the_plans_parameters(self, page: Any) -> None:
        plan = tee()
        options = {"setout.units": "ft", "setout.paper": "letter", "setout.setback_m": 1.2}
        given = {key: Parameter(value=value, origin="job") for key, value in options.items()}
        root = page(replace(plan, parameters={**plan.parameters, **given}))
        assert lines(table(root, "The posts"))[0][2][0] == "6.56"
        assert re.search(r"size: 215\.9mm 279\.4mm", root.findtext(".//style"))
        assert lines(table(root, "Diagonals where the fence turns"))[0][3][0] == "4.00"

    def test_findings_have_feet_beside_their_metres(self, page: Any) -> None:
        """(a) 0.31 m are 1.02 ft, 12.2 inches; 2 m and 4.5 m along the line 6.56 ft and 14.76 ft."""
        hangs = "Hangs 0.310 m above the ground, from 2.00 to 4.50 m"
        findings = (
            Finding(code="a", severity="stop", message=hangs, remedy="Allow a gap_max_m of 0.32.", post=1),
            Finding(code="b", severity="warn", message="A pipe", chainage_m=2.0, chainage_to_m=4.5),
        )
        for units, hung, along in (
            (
                "ft",
                "0.310 m [1.02 ft] above the ground, from 2.00 to 4.50 m [6.56 ft to 14.76 ft]",
                "6.56 ft to 14.76 ft",
            ),
            ("m", "0.310 m above the ground, from 2.00 to 4.50 m", "2.00 to 4.50 m"),
        ):
            root = page(with_findings(tee(), *findings), units=units)
            (note,) = [note.text_content() for note in table(root, "The posts").xpath('.//tr[@class="note"]')][:1]
            assert note == f"STOP Hangs {hung}. Allow a gap_max_m of 0.32."
            (look, *_) = [item.text_content() for item in root.xpath('//ul[@class="checks"]')[1].iter("li")]
            assert look == f"CHECK Chainage {along}: A pipe."
            facts = {item.findtext("dt"): item.findtext("dd") for item in root.xpath('//dl[@class="facts"]/div')}
            assert ("findings" in facts) == (units == "ft")

    @pytest.mark.parametrize(
        ("option", "told"),
        [
            ({"units": "yd"}, "setout.units: unknown word: 'yd'. Known: m, ft, ft-in."),
            ({"paper": "A5"}, "setout.paper: unknown word: 'A5'. Known: A4, letter."),
            ({"setback_m": 0.0}, "setout.setback_m: is no distance: 0.0 m. Write one above 0."),
        ],
    )
    def test_others_are_refused(self, option: dict[str, Any], told: str) -> None:
        with pytest.raises(JobError) as caught:
            SetoutStyle(**option)
        assert str(caught.value) == told


class TestThePage:
    def test_needs_no_network_and_runs_no_script(self, page: Any, tmp_path: Path) -> None:
        root = page(made_up_plan())
        assert not list(root.iter("script", "link", "img", "iframe"))
        assert not root.xpath("//@src | //@href | //@onload | //@onclick")
        text = (tmp_path / "setout.html").read_text(encoding="utf-8")
        assert "url(" not in text
        assert "default-src 'none'" in text

    def test_hostile_text_is_text(self, page: Any) -> None:
        marks = [(words, "control", 10.0 * row, 20.0, 80.0) for row, words in enumerate(HOSTILE)]
        plan = with_marks(hostile_plan(), marks)
        root = page(replace(plan, runs=tuple(replace(run, line=HOSTILE[2]) for run in plan.runs)))
        assert not list(root.iter("script"))
        assert not root.xpath("//b[text()='x']")
        assert " ".join(plan.name.split()) == root.findtext(".//h1")
        text = root.text_content()
        for words in HOSTILE:
            assert " ".join(words.split()) in " ".join(text.split()), words
        assert "<script" not in (root.findtext(".//style") or "")

    def test_long_and_foreign_names_are_whole(self, page: Any) -> None:
        name = "柵" * 150 + " Забор " + "x" * 150
        assert page(made_up_plan(name=name)).findtext(".//h1") == name

    def test_the_same_plan_gives_the_same_bytes(self, tmp_path: Path) -> None:
        for name in ("one.html", "two.html"):
            OUTPUT.write(made_up_plan(), tmp_path / name)
        assert (tmp_path / "one.html").read_bytes() == (tmp_path / "two.html").read_bytes()

    def test_is_written_on_ask(self) -> None:
        assert (OUTPUT.filename, OUTPUT.standing) == ("setout.html", False)

    def test_thousands_of_posts_are_all_there(self, page: Any) -> None:
        plan = made_up_plan(2000)
        assert [row[0][0] for row in lines(table(page(plan), "The posts"))] == list(plan.post_names)
