"""Sheets: read back with pdfplumber, pypdf and an XML parser, and measured against the plan's own coordinates."""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from xml.etree import ElementTree
from zipfile import ZipFile

import numpy as np
import pdfplumber
import pypdf
import pytest
import shapely

from geofence.engine.records import Finding, Severity
from geofence.errors import JobError
from geofence.outputs.paper.page import PAPERS_MM, Area, Page, Stroke
from geofence.outputs.paper.svg import page_as_svg
from geofence.outputs.sheets.document import OUTPUT, SVG_OUTPUT, sheets
from geofence.outputs.sheets.fence_line import fence_lines
from geofence.outputs.sheets.findings import numbered_findings
from geofence.outputs.sheets.key_plan import SHEET
from geofence.outputs.sheets.options import sheet_options
from geofence.outputs.sheets.strip_plan import SWING
from geofence.outputs.sheets.strip_table import RULE
from geofence.plan import CAUTIONS, FencePlan, Parameter
from tests.outputs.drawn_plans import PLANS, plan_of
from tests.outputs.sheets.drawn_texts import POINT_MM, DrawnText, overlapping, texts_of
from tests.plans import HOSTILE, hostile_plan, made_up_plan

SVG = "{http://www.w3.org/2000/svg}"
FIGURE = re.compile(r"-?\d+\.\d{3}")


def with_options(plan: FencePlan, **options: Any) -> FencePlan:
    given = {f"sheets.{key}": Parameter(value=value, origin="job") for key, value in options.items()}
    return replace(plan, parameters={**plan.parameters, **given})


def written(plan: FencePlan, folder: Path) -> Path:
    OUTPUT.write(plan, folder / OUTPUT.filename)
    return folder / OUTPUT.filename


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(plan_of("sample"), tmp_path_factory.mktemp("sheets"))


@cache
def texts_in(name: str) -> list[tuple[list[DrawnText], tuple[float, float]]]:
    """The texts of each page of a plan's file, and the page's size in mm."""
    with TemporaryDirectory() as folder, pdfplumber.open(written(plan_of(name), Path(folder))) as read:
        return [(texts_of(page), (page.width * POINT_MM, page.height * POINT_MM)) for page in read.pages]


def pages_of(name: str) -> list[Page]:
    return list(sheets(plan_of(name)))


def boxes_that_overlap(page: Page) -> list[tuple[str, str]]:
    """Texts whose boxes, by the typeface's own advances, ascent and descent, lie in each other."""
    found = []
    texts = page.letterings
    bounds = np.array([item.box.bounds for item in texts])
    for row, item in enumerate(texts):
        left, low, right, high = bounds[row]
        near = (bounds[:, 0] < right) & (bounds[:, 2] > left) & (bounds[:, 1] < high) & (bounds[:, 3] > low)
        others = [other for other in np.flatnonzero(near) if other > row]
        found += [
            (item.text, texts[other].text) for other in others if item.box.overlaps(texts[other].box, apart_mm=-0.02)
        ]
    return found


class TestTextsKeepApart:
    @pytest.mark.parametrize("name", PLANS)
    def test_boxes_on_every_page(self, name: str) -> None:
        for page in pages_of(name):
            assert boxes_that_overlap(page) == []

    @pytest.mark.parametrize("name", ["sample", "dense at 1:500"])
    def test_ink_in_the_file(self, name: str) -> None:
        """(c) pdfplumber says where letters are, fontTools where their ink is."""
        for texts, size in texts_in(name):
            assert len(texts) > 50
            assert overlapping(texts, by_mm=0.05) == []
            corners = np.concatenate([text.corners for text in texts])
            assert corners.min() > 10
            assert np.all(corners.max(axis=0) < np.array(size) - 10)

    def test_the_reader_sees_texts_that_overlap(self, tmp_path: Path) -> None:
        from geofence.outputs.paper.pdf import write_pdf

        page = Page(100, 100)
        page.text("P001", 50, 50, turn_deg=30)
        page.text("P002", 51, 51, turn_deg=100)
        page.text("P003", 20, 20)
        write_pdf([page], tmp_path / "x.pdf", title="x")
        with pdfplumber.open(tmp_path / "x.pdf") as read:
            assert overlapping(texts_of(read.pages[0]), by_mm=0.05) == [("P001", "P002")]


def posts_on(page: Any) -> np.ndarray:
    """(n, 2) middles, in mm, of the small black or white signs of posts on a strip's plan, from left to right."""
    low = page.height - 130 / POINT_MM * 1.0
    found = set()
    for shape in (*page.rects, *page.curves):
        size = max(shape["width"], shape["height"]) * POINT_MM
        black = shape["fill"] and shape["non_stroking_color"] in ((0, 0, 0), [0, 0, 0], (0,), 0)
        gate = shape["fill"] and abs(size - 1.5) < 0.01 and tuple(shape["non_stroking_color"]) == (1, 1, 1)
        if (black or gate) and 0.8 < size < 1.6 and shape["y0"] > low:
            middle = (shape["x0"] + shape["x1"]) / 2, (shape["y0"] + shape["y1"]) / 2
            found.add((round(middle[0] * POINT_MM, 4), round(middle[1] * POINT_MM, 4)))
    return np.array(sorted(found))


class TestTrueToScale:
    @pytest.mark.parametrize(("name", "scale"), [("steep", 250.0), ("feet", 250.0)])
    def test_posts_in_plan_are_as_far_apart_as_their_coordinates(self, name: str, scale: float, tmp_path: Path) -> None:
        """(a) On paper: distance of coordinates / scale, to 0.1 mm; of neighbours, and from first to last."""
        plan = plan_of(name)
        xy_m = np.column_stack([plan.places.easting, plan.places.northing]) * plan.grid.unit_m
        first = 0
        with pdfplumber.open(written(plan, tmp_path)) as read:
            for page in read.pages[1:4]:
                drawn = posts_on(page)
                rows = slice(first, first + len(drawn))
                wanted = xy_m[rows] * 1000 / scale
                for one, two in ((drawn[:-1], drawn[1:]), (drawn[:1], drawn[-1:])):
                    ends = (wanted[:-1], wanted[1:]) if len(one) > 1 else (wanted[:1], wanted[-1:])
                    assert np.hypot(*(two - one).T) == pytest.approx(np.hypot(*(ends[1] - ends[0]).T), abs=0.1)
                first += len(drawn) - 1
        assert first > 50

    def test_posts_in_section_stand_at_their_chainages_and_levels(self, sample: Path) -> None:
        """(a) Lines of the posts' pen (0.35 mm): apart as chainages / 250, as tall as heights / 125."""
        plan = plan_of("sample")
        posts = plan.fence.posts
        with pdfplumber.open(sample) as read:
            lines = read.pages[1].lines
        upright = [
            line for line in lines
            if abs(line["linewidth"] * POINT_MM - 0.35) < 1e-3 and abs(line["x0"] - line["x1"]) < 1e-3
            and not line["dash"][0]
        ]  # fmt: skip
        upright = sorted((line for line in upright if line["top"] * POINT_MM > 100), key=lambda line: line["x0"])
        at = np.array([line["x0"] for line in upright]) * POINT_MM
        tall = np.array([line["y1"] - line["y0"] for line in upright]) * POINT_MM
        once = np.concatenate([[True], np.diff(at) > 0.01])
        count = int(once.sum())
        assert count == 47
        assert at[once] - at[0] == pytest.approx(posts.chainage_m[:count] * 1000 / 250, abs=0.1)
        assert tall[once] == pytest.approx(posts.height_m[:count] * 1000 / 125, abs=0.1)
        levels = {text.text: text.y for text in texts_in("sample")[1][0] if re.fullmatch(r"1\d\d", text.text)}
        assert levels["117"] - levels["110"] == pytest.approx(7 * 1000 / 125, abs=0.1)
        top = upright[0]["y1"] * POINT_MM
        cap_half = 0.9
        assert top - levels["110"] - cap_half == pytest.approx((posts.top_level_m[0] - 110) * 1000 / 125, abs=0.1)

    def test_svg_draws_the_same(self, tmp_path: Path) -> None:
        """The first strip of a plan made up on the grid, in the SVG: its line's vertices, from the coordinates."""
        plan = made_up_plan()
        SVG_OUTPUT.write(plan, tmp_path / SVG_OUTPUT.filename)
        with ZipFile(tmp_path / SVG_OUTPUT.filename) as packed:
            assert packed.namelist() == ["sheet-001.svg", "sheet-002.svg"]
            root = ElementTree.fromstring(packed.read("sheet-002.svg"))
        ways = [path.get("d", "") for path in root.iter(f"{SVG}path") if path.get("class")]
        ways = [np.array([pair.split() for pair in way[1:].rstrip("Z").split("L")], dtype=float) for way in ways]
        (fence,) = [way for way in ways if len(way) == len(plan.fence.posts) and way[:, 1].max() < 100]
        wanted = np.column_stack([plan.places.easting, plan.places.northing]) * 1000 / 250
        assert np.hypot(*np.diff(fence, axis=0).T) == pytest.approx(np.hypot(*np.diff(wanted, axis=0).T), abs=0.001)
        assert np.hypot(*(fence[-1] - fence[0])) == pytest.approx(np.hypot(*(wanted[-1] - wanted[0])), abs=0.001)

    def test_grid_crosses_are_where_their_names_say(self) -> None:
        """(a) Carried back to the grid by two posts of the strip, middles of crosses are whole tens of metres, and the
        names beside them say which."""
        plan = made_up_plan()
        page = list(sheets(plan))[1]
        strokes = [item.points for item in page.items if isinstance(item, Stroke)]
        (way,) = [points for points in strokes if len(points) == len(plan.fence.posts) and points[:, 1].min() > 200]
        grid = plan.places.easting + 1j * plan.places.northing
        paper = way[:, 0] + 1j * way[:, 1]
        turn = (grid[-1] - grid[0]) / (paper[-1] - paper[0])
        names = [item for item in page.letterings if re.fullmatch(r"\d+ [EN]", item.text)]
        checked = 0
        for one, two in pairwise(points for points in strokes if len(points) == 2):
            middle = one.mean(axis=0)
            if np.hypot(*(one[1] - one[0])) == pytest.approx(5.0) and np.allclose(middle, two.mean(axis=0)):
                place = grid[0] + turn * (complex(*middle) - paper[0])
                east, north = round(place.real, -1), round(place.imag, -1)
                assert abs(place - complex(east, north)) < 0.025  # 0.1 mm on paper
                near = {item.text for item in names if np.hypot(item.x - middle[0], item.y - middle[1]) < 4.5}
                assert near <= {f"{east:.0f} E", f"{north:.0f} N"}
                checked += bool(near)
        assert checked > 5


def columns_of(texts: list[DrawnText]) -> dict[float, list[DrawnText]]:
    """Texts that stand upright under each other, from the top, by their place across the page."""
    found: dict[float, list[DrawnText]] = {}
    for text in texts:
        if abs(text.turn_deg - 90) < 1e-6:
            key = next((place for place in found if abs(place - text.x) < 0.05), text.x)
            found.setdefault(key, []).append(text)
    return {key: sorted(column, key=lambda text: -text.y) for key, column in sorted(found.items())}


class TestTables:
    @pytest.mark.parametrize("name", ["sample", "dense at 1:500"])
    def test_every_post_has_its_column_with_every_value(self, name: str) -> None:
        plan = plan_of(name)
        (line,) = fence_lines(plan)
        posts = plan.fence.posts
        told: dict[str, list[str]] = {}
        for texts, _ in texts_in(name)[1:]:
            for column in columns_of(texts).values():
                words = [text.text for text in column]
                heads = [row for row, word in enumerate(words) if re.fullmatch(r"P\d+", word)]
                if heads and len(words) - heads[-1] >= 7:
                    told[words[heads[-1]]] = [word for word in words[heads[-1] + 1 :] if FIGURE.fullmatch(word)]
        assert list(told) == list(plan.post_names)
        for row, figures in enumerate(told.values()):
            sides = [value for value in (line.behind_m[row], line.ahead_m[row]) if not np.isnan(value)]
            values = (
                posts.chainage_m[row], posts.ground_level_m[row], *sides, posts.top_level_m[row], posts.height_m[row],
                posts.embedment_m[row],
            )  # fmt: skip
            assert [float(figure) for figure in figures] == pytest.approx(values, abs=5.1e-4), plan.post_names[row]

    def test_a_junction_is_in_the_table_of_each_line_that_meets_there(self) -> None:
        plan = plan_of("network")
        (row,) = (row for row, kind in enumerate(plan.fence.posts.kind) if kind == "junction")
        told = set()
        for page in pages_of("network"):
            words = {item.text for item in page.letterings}
            columns = {item.text for item in page.letterings if item.turn_deg == 90 and item.weight == "regular"}
            if plan.post_names[row] in columns:
                told |= {run.line for run in plan.runs if any(text.startswith(f"{run.line}: P") for text in words)}
        assert told == {"South <b>hedge</b>", "Beck side"}

    def test_findings_are_at_their_own_line(self) -> None:
        plan = plan_of("network")
        lines = fence_lines(plan)
        placed = [(item.finding, item.place) for item in numbered_findings(plan) if item.place is not None]
        assert {place.run for _, place in placed} == {0, 1}
        for finding, place in placed:
            assert finding.line == lines[place.run].chain.run.line

    def test_undersides_are_those_of_the_bays(self) -> None:
        plan = plan_of("sample")
        (line,) = fence_lines(plan)
        assert line.ahead_m[:-1] == pytest.approx(plan.fence.bays.underside_from_m)
        assert line.behind_m[1:] == pytest.approx(plan.fence.bays.underside_to_m)


class TestSheets:
    def test_strips_follow_each_other_and_leave_out_no_post(self) -> None:
        plan = plan_of("sample")
        shows = [re.search(r"P(\d+)–P(\d+)$", page.title) for page in pages_of("sample")[1:]]
        ends = [(int(found[1]), int(found[2])) for found in shows if found]
        assert ends[0][0] == 1
        assert ends[-1][1] == len(plan.fence.posts)
        assert all(one[1] == two[0] for one, two in pairwise(ends))

    def test_match_lines_name_the_sheets_that_go_on(self) -> None:
        pages = pages_of("sample")
        strips = [number for number, page in enumerate(pages, start=1) if "Plan and section" in page.title]
        for number in strips:
            texts = [item.text for item in pages[number - 1].letterings]
            for other in (number - 1, number + 1):
                assert (texts.count(f"sheet {other}") == 1) == (other in strips)
                assert (texts.count(f"Match, sheet {other}") == 1) == (other in strips)
            assert f"{number} of {len(pages)}" in texts

    def test_the_key_plan_names_the_sheets(self) -> None:
        texts = {item.text for item in pages_of("sample")[0].letterings}
        assert {str(number) for number in range(2, 12)} <= texts

    def test_a_ring_closes_on_its_first_post(self) -> None:
        pages = pages_of("ring on A4")
        last = [page for page in pages if "Section" in page.title][-1]
        assert last.title.endswith("–P001")
        assert sum(item.text == "P001" for item in last.letterings) == 1

    def test_scales_and_exaggeration_are_stated(self, sample: Path) -> None:
        text = pypdf.PdfReader(sample).pages[1].extract_text()
        assert "Plan 1:250" in text
        assert "Long-section 1:250 along, 1:125 up" in text
        assert "heights 2 times lengths" in text

    def test_every_sheet_says_grid_datum_distances_and_cautions(self, sample: Path) -> None:
        for page in pypdf.PdfReader(sample).pages:
            text = " ".join(page.extract_text().split())
            assert "EPSG:27700" in text
            assert "level datum: ODN" in text
            assert "ground distances" in text
            assert all(caution in text for caution in CAUTIONS)

    def test_every_finding_is_listed_marked_and_in_the_table(self) -> None:
        plan = plan_of("dense at 1:500")
        pages = pages_of("dense at 1:500")
        lists = [page for page in pages if "notes" in page.title.lower()]
        words = " ".join(item.text for page in lists for item in page.letterings if item.y > 47)
        assert len(plan.fence.findings) > 50
        for finding in plan.fence.findings:
            place = "" if finding.bay is None else f"{finding.severity} at {plan.bay_names[finding.bay]}, chainage"
            assert finding.message.rstrip(".") in words
            assert place in words
        numbers = [item.text for page in pages for item in page.letterings if item.weight == "bold"]
        listed = {int(text) for text in numbers if text.isdecimal()}
        assert set(range(1, len(plan.fence.findings) + 1)) <= listed

    def test_title_block_and_notes_come_from_the_job(self) -> None:
        told = {"client": "Ömer & Søn", "number": "AD-14", "revision": "C", "drawn": "K. M.", "checked": "J. O.",
                "date": "2026-11-25", "notes": ("Keep the bridle path open.",)}  # fmt: skip
        for page in sheets(with_options(made_up_plan(), **told)):
            texts = {item.text for item in page.letterings}
            assert {"Ömer & Søn", "AD-14", "C", "K. M.", "J. O.", "2026-11-25"} <= texts
            if page.title.startswith("Sheet 1 "):
                assert "Keep the bridle path open." in texts

    @pytest.mark.parametrize("paper", PAPERS_MM)
    def test_papers(self, paper: str, tmp_path: Path) -> None:
        file = written(with_options(made_up_plan(), paper=paper), tmp_path)
        for page in pypdf.PdfReader(file).pages:
            size = float(page.mediabox.width) * POINT_MM, float(page.mediabox.height) * POINT_MM
            assert size == pytest.approx(PAPERS_MM[paper], abs=0.01)

    def test_same_plan_same_bytes(self, tmp_path: Path) -> None:
        for output in (OUTPUT, SVG_OUTPUT):
            output.write(made_up_plan(), tmp_path / "one")
            output.write(made_up_plan(), tmp_path / "two")
            assert (tmp_path / "one").read_bytes() == (tmp_path / "two").read_bytes()

    def test_paper_of_no_known_size_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(JobError, match=r"sheets\.paper: unknown word: 'A33'\. Did you mean A3\?"):
            written(with_options(made_up_plan(), paper="A33"), tmp_path)

    def test_an_exaggeration_that_leaves_the_paper_is_refused(self, tmp_path: Path) -> None:
        with pytest.raises(JobError, match=r"sheets\.exaggeration: draws a bay higher than the paper") as caught:
            written(with_options(made_up_plan(), exaggeration=50.0), tmp_path)
        assert written(with_options(made_up_plan(), exaggeration=caught.value.limit), tmp_path).exists()

    @pytest.mark.parametrize("key", ["scale", "section_scale"])
    def test_a_bay_wider_than_the_paper_is_refused(self, key: str, tmp_path: Path) -> None:
        with pytest.raises(JobError, match=rf"sheets\.{key}: draws a bay wider than the paper has room for: 1:10\b"):
            written(with_options(plan_of("wires"), paper="A4", **{"scale": 500, key: 10}), tmp_path)

    @pytest.mark.parametrize("count", [5, 6])
    def test_a_few_posts_are_a_sheet(self, count: int) -> None:
        plan = made_up_plan(count)
        plan = replace(plan, fence=replace(plan.fence, findings=()))
        first, strip = sheets(plan)
        assert "Nothing was found." in {item.text for item in first.letterings}
        assert set(plan.post_names) <= {item.text for item in strip.letterings}

    def test_a_wide_gate_among_narrow_bays_fits(self) -> None:
        """The scale is left open: 0.6 m bays alone would make it 1:100, at which 30 m are 300 mm of 297."""
        plan = plan_of("dense")
        bays = plan.fence.bays
        wide = replace(bays, width_m=np.where(np.arange(len(bays)) == 4, 30.0, bays.width_m))
        assert sheet_options(plan).scale == 100
        wider = with_options(replace(plan, fence=replace(plan.fence, bays=wide)), paper="A4")
        assert 30_000 / sheet_options(wider).scale <= 297 - 110


def with_stops(plan: FencePlan) -> FencePlan:
    """Sixty notes along the first bays, and three stops at bays near the end."""
    (like, *_) = (item for item in plan.fence.findings if item.bay is not None)
    at = plan.fence.posts.chainage_m

    def found(severity: Severity, bay: int) -> Finding:
        return replace(
            like, severity=severity, bay=bay, chainage_m=float(at[bay]), chainage_to_m=float(at[bay + 1]),
            message=f"Seen {severity} {bay}",
        )  # fmt: skip

    more = [*(found("note", bay) for bay in range(60)), *(found("stop", bay) for bay in (400, 410, 420))]
    return replace(plan, fence=replace(plan.fence, findings=(*plan.fence.findings, *more)))


class TestFirstSheet:
    """What stops a fence stands on the first sheet, whatever else was found and however small the paper is."""

    def pages(self) -> list[Page]:
        return list(sheets(with_options(with_stops(plan_of("sample")), paper="A4", scale=200.0)))

    def test_counts_and_every_stop_come_before_the_rest(self) -> None:
        first = self.pages()[0]
        words = " ".join(item.text for item in first.letterings)
        places = [words.index(told) for told in ("Findings: 3 stop, 2 warn, 67 note", "Seen stop 400", "Seen stop 410",
                                                 "Seen stop 420", "warn at B130", "The fence")]  # fmt: skip
        assert places == sorted(places)

    def test_says_on_which_sheet_it_goes_on(self) -> None:
        pages = self.pages()
        (told,) = (item.text for item in pages[0].letterings if item.text.startswith("Continued"))
        number = int(told.removeprefix("Continued on sheet ").rstrip("."))
        assert pages[number - 1].title.endswith("Notes and findings")
        assert "Section" in pages[number - 2].title
        words = " ".join(item.text for page in pages[number - 1 :] for item in page.letterings)
        assert all(f"Seen note {bay}." in words for bay in range(60))

    def test_each_finding_names_the_sheets_on_which_its_number_is(self) -> None:
        pages = self.pages()
        words = " ".join(item.text for item in pages[0].letterings)
        told = re.findall(r"(\d+) stop at B(\d+).*?\[sheet (\d+)–(\d+)\]", words)
        assert len(told) == 3
        for number, bay, plan, section in told:
            assert number in {item.text for item in pages[int(plan) - 1].letterings if item.weight == "bold"}
            assert f"P{bay}" in {item.text for item in pages[int(section) - 1].letterings}

    def test_more_stops_than_it_holds_are_counted_on_it(self) -> None:
        plan = plan_of("sample")
        stops = tuple(replace(item, severity="stop") for item in plan.fence.findings) * 12
        first, *_ = sheets(replace(plan, fence=replace(plan.fence, findings=stops)))
        texts = {item.text for item in first.letterings}
        assert f"Findings: {len(stops)} stop" in texts
        assert any(text.startswith("Continued on sheet") for text in texts)


class TestKeyPlan:
    @pytest.mark.parametrize("name", ["network", "ring on A4", "short"])
    def test_outlines_stay_in_the_frame(self, name: str) -> None:
        """A ring of four corners for each strip, none of them cut off by the frame. (a) 10 mm at 1:1000 beside a fence
        of 8 m make an outline of 28 m: 550 mm at 1:50, with which the fence alone would fit."""
        short = with_options(made_up_plan(5), scale=1000.0)
        first, *rest = sheets(short) if name == "short" else pages_of(name)
        (frame, *_) = (item.points for item in first.items if isinstance(item, Stroke))
        rings = [item.points for item in first.items if isinstance(item, Stroke) and item.pen == SHEET and item.closed]
        strips = [page for page in rest if "Plan" in page.title]
        assert len(rings) == len(strips)
        for ring in rings:
            assert len(ring) == 4
            assert np.all(ring > frame.min(axis=0) + 1)
            assert np.all(ring < frame.max(axis=0) - 1)

    def test_names_gates_and_zones(self) -> None:
        texts = {item.text for item in pages_of("sample")[0].letterings}
        assert {"Gate Hollow way", "Gate Pond", "Water main", "Boundary oak", "Lane", "Old terraces"} <= texts

    def test_shows_posts_that_stand_already(self) -> None:
        plan = plan_of("sample")
        posts = plan.fence.posts
        kinds = tuple("existing" if row in (60, 61, 200) else kind for row, kind in enumerate(posts.kind))
        signs = [
            sum(isinstance(item, Area) for item in next(sheets(one)).items)
            for one in (plan, replace(plan, fence=replace(plan.fence, posts=replace(posts, kind=kinds))))
        ]
        assert signs[1] - signs[0] == 4  # a ring and a dot each; 1.9 m at 1:2500 are 0.8 mm: the two are drawn as one


class TestGates:
    @pytest.mark.parametrize("name", ["sample", "sample at 1:500"])
    def test_no_text_crosses_the_way_of_a_leaf(self, name: str) -> None:
        plan = with_options(plan_of("sample"), **({"scale": 500.0} if name.endswith("500") else {}))
        checked = 0
        for page in list(sheets(plan))[1:]:
            arcs = [item.points for item in page.items if isinstance(item, Stroke) and item.pen == SWING]
            texts = [shapely.Polygon(item.box.corners) for item in page.letterings]
            for arc in arcs:
                assert shapely.LineString(arc).distance(texts).min() > 0.2
                checked += 1
        assert checked > 1

    def test_findings_at_one_place_have_one_sign_and_all_numbers(self) -> None:
        plan = plan_of("sample")
        (like, *_) = (item for item in plan.fence.findings if item.bay is not None and item.severity == "warn")
        plan = replace(plan, fence=replace(plan.fence, findings=(like, like, replace(like, severity="stop"))))
        words = [item.text for page in list(sheets(plan))[1:] for item in page.letterings if item.weight == "bold"]
        assert words.count("1") == 1
        assert words.count("2, 3") == 1


class TestRoomBesideLines:
    def test_captions_keep_off_the_line_above(self) -> None:
        page = pages_of("sample")[1]
        (job,) = (item for item in page.letterings if item.text == "Job")
        level = [
            item.points[0, 1] for item in page.items
            if isinstance(item, Stroke) and len(item.points) == 2 and item.points[0, 1] == item.points[1, 1]
        ]  # fmt: skip
        above = min(y for y in level if y > job.y)
        assert above - (job.y + 1.8) > 1.0

    def test_first_column_of_the_table_keeps_off_its_border(self) -> None:
        for page in pages_of("sample")[1:]:
            figures = [item.box.bounds for item in page.letterings if item.turn_deg == 90 and item.text[:1] == "P"]
            low = min(bounds[1] for bounds in figures)
            left = min(bounds[0] for bounds in figures if bounds[1] < low + 1)
            upright = [
                item.points[0, 0] for item in page.items
                if isinstance(item, Stroke) and len(item.points) == 2 and item.pen == RULE
                and item.points[0, 0] == item.points[1, 0]
            ]  # fmt: skip
            assert left - max(x for x in upright if x < left + 1) > 0.7


class TestHostileText:
    def test_names_of_zones_gates_and_marks(self) -> None:
        plan = plan_of("sample")
        name = " ".join(HOSTILE) * 3
        plan = replace(
            plan,
            zones=tuple(replace(zone, name=name, source=name) for zone in plan.zones),
            gates=tuple(replace(gate, name=name) for gate in plan.gates),
            marks=replace(plan.marks, name=(name,) * len(plan.marks)),
        )
        assert len(plan.zones) > 1
        assert len(plan.gates) > 1
        for page in sheets(plan):
            ElementTree.fromstring(page_as_svg(page))
            assert boxes_that_overlap(page) == []

    def test_passes_unharmed_and_harmless(self, tmp_path: Path) -> None:
        plan = with_options(
            hostile_plan(), client="=1+1", number="-x", drawn="<script>alert(1)</script>", checked="柵 ограда"
        )
        reader = pypdf.PdfReader(written(plan, tmp_path))
        first = " ".join(reader.pages[0].extract_text().split())
        for word in (*" ".join(HOSTILE).split(), "=1+1", "-x", "柵", "ограда"):
            assert word in first
        raw = (tmp_path / OUTPUT.filename).read_bytes()
        assert not re.search(rb"/(JavaScript|JS|URI|Launch|EmbeddedFile)\b", raw)

    def test_svg_holds_it_as_text_alone(self, tmp_path: Path) -> None:
        SVG_OUTPUT.write(hostile_plan(), tmp_path / "s.zip")
        with ZipFile(tmp_path / "s.zip") as packed:
            for name in packed.namelist():
                root = ElementTree.fromstring(packed.read(name))
                kinds = {element.tag.removeprefix(SVG) for element in root.iter()}
                assert kinds <= {"svg", "title", "style", "rect", "path", "text"}

    def test_300_letters_are_cut_in_the_title_block_and_whole_in_the_notes(self) -> None:
        plan = with_options(replace(made_up_plan(), name="Zaun " * 60), client="Ost " * 75)
        first, _ = sheets(plan)
        words = " ".join(item.text for item in first.letterings)
        assert words.count("Zaun") >= 60
        assert words.count("Ost") >= 75
        assert any(item.text.endswith("…") for item in first.letterings)


@pytest.mark.parametrize("package", ["reportlab", "matplotlib"])
@pytest.mark.parametrize("output", ["sheets", "sheets-svg", "setout-pdf"])
def test_without_its_packages_it_says_which_extra_has_them(package: str, output: str) -> None:
    code = (
        f"import sys; sys.modules['{package}'] = None\n"
        "from geofence import registry\n"
        f"try: registry.find(registry.OUTPUTS, '{output}')\n"
        "except Exception as error: print(type(error).__name__, error)"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ran.stdout.startswith(f"JobError the output '{output}' needs the package {package}")
    assert 'pip install "geofence[sheets]"' in ran.stdout
