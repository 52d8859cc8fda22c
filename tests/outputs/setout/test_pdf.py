"""The set-out sheet as PDF, read back by PDFium and pypdf, which are not ours."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pypdf
import pytest

from geofence.outputs.paper.page import Area, Lettering, Page, Stroke
from geofence.outputs.setout.content import setout_sheet
from geofence.outputs.setout.pages import pages
from geofence.outputs.setout.parts import LOCATED, SERVICES, SIGN_OFF
from geofence.outputs.setout.pdf import OUTPUT, write
from geofence.outputs.setout.style import PAPERS_MM, SetoutStyle
from geofence.plan import FencePlan
from tests.outputs.drawn_plans import plan_of
from tests.outputs.setout.plans import square, tee, with_marks
from tests.outputs.setout.printed import PrintedPage, read_pdf
from tests.plans import HOSTILE, hostile_plan, made_up_plan

FOREIGN = "柵栏 Забор čšž"
"""Two Han letters: where no typeface for them is installed, PDFium does not tell of one that stands alone."""


def hostile() -> FencePlan:
    marks = [(words * 4, "control", 10.0 * row, -20.0, 80.0) for row, words in enumerate((FOREIGN, *HOSTILE))]
    return with_marks(hostile_plan(), marks)


PLANS = {
    "sample": lambda: plan_of("sample"),
    "wires": lambda: plan_of("wires"),
    "rails": lambda: plan_of("steep"),
    "feet": lambda: plan_of("feet"),
    "lines": tee,
    "ring": square,
    "hostile": hostile,
}


def drawn(plan: FencePlan, **style: Any) -> list[Page]:
    style_ = SetoutStyle(**style)
    width, height = PAPERS_MM[style_.paper]
    return list(pages(setout_sheet(plan, style_), width_mm=width, height_mm=height))


class TestBoxes:
    @pytest.mark.parametrize("units", ["m", "ft-in"])
    @pytest.mark.parametrize("name", PLANS)
    def test_no_text_lies_on_another_or_over_the_margin(self, name: str, units: str) -> None:
        for page in drawn(PLANS[name](), units=units):
            letterings = sorted(page.letterings, key=lambda item: -item.box.bounds[3])
            for item in letterings:
                assert item.box.within(9.9, 4, page.width_mm - 9.9, page.height_mm - 9.9), item.text
            for at, item in enumerate(letterings):
                low = item.box.bounds[1]
                for other in letterings[at + 1 :]:
                    if other.box.bounds[3] <= low:
                        break
                    assert not item.box.overlaps(other.box, apart_mm=-0.35), (item.text, other.text)

    @pytest.mark.parametrize("name", PLANS)
    def test_letters_are_large_enough_to_read(self, name: str) -> None:
        """Capitals of 1.6 mm are those of 6.5 points; only names that fill their column may be so small."""
        for page in drawn(PLANS[name]()):
            assert min(item.cap_mm for item in page.letterings if item.text not in FOREIGN) >= 1.6
            figures = [item for item in page.letterings if re.fullmatch(r"[+-]?\d+\.\d{3}", item.text)]
            assert all(item.cap_mm >= 2.2 for item in figures)

    @pytest.mark.parametrize("paper", ["A4", "letter"])
    def test_rows_keep_clear_of_the_lines_to_sign_on(self, paper: str) -> None:
        """Above these there is room to write: nothing is drawn there, and no row reaches below."""
        for page in drawn(plan_of("sample"), paper=paper):
            inside = [item for item in page.items if isinstance(item, (Stroke, Area))]
            lowest = min(
                float(points[:, 1].min())
                for item in inside
                for points in ([item.points] if isinstance(item, Stroke) else item.rings)
                if float(points[:, 1].max()) > 17.1
            )
            assert lowest >= 24.9

    def test_the_test_itself_sees_an_overlap(self) -> None:
        (page, *_) = drawn(tee())
        first = page.letterings[0]
        box = page.text("on top", first.x, first.y, cap_mm=first.cap_mm)
        assert isinstance(first, Lettering)
        assert box.overlaps(first.box, apart_mm=-0.35)


@pytest.fixture
def read(tmp_path: Path) -> Any:
    def made(plan: FencePlan, **style: Any) -> list[PrintedPage]:
        write(plan, tmp_path / "setout.pdf", style=SetoutStyle(**style) if style else None)
        return read_pdf(tmp_path / "setout.pdf")

    return made


def rows_of_posts(found: list[PrintedPage]) -> list[list[str]]:
    """The first line of each post's row, on the pages that are headed by running chainages."""
    return [
        line.text.split()
        for page in found
        if "Running To next Hole" in page.words
        for line in page.lines
        if re.match(r"P\d{3} [\d.]+ ", line.text) and line.parts[0].x0 < 32
    ]


class TestPages:
    def test_have_every_post_with_its_figures(self, read: Any) -> None:
        """(a) the plan itself."""
        plan = plan_of("sample")
        rows = rows_of_posts(read(plan))
        assert [row[0] for row in rows] == list(plan.post_names)
        posts, bays = plan.fence.posts, plan.fence.bays
        columns = [posts.embedment_m, posts.length_m, posts.height_m]
        for at, row in enumerate(rows):
            width = [f"{bays.width_m[at]:.3f}"] if at < len(bays) else []
            drops = [value for value in (posts.support_back_m[at], posts.support_ahead_m[at]) if value == value]
            figures = [*(column[at] for column in columns), *drops]
            wanted = width + [f"{value:.3f}" for value in figures]
            assert row[2 : 2 + len(wanted)] == wanted

    @pytest.mark.parametrize("paper", ["A4", "letter"])
    def test_are_of_the_paper_and_numbered_and_signed(self, read: Any, paper: str) -> None:
        found = read(made_up_plan(120), paper=paper)
        for page in found:
            assert (page.width_mm, page.height_mm) == pytest.approx(PAPERS_MM[paper], abs=0.01)
            assert page.lines[-1].text == f"Page {page.number} of {len(found)}"
            assert page.lines[-2].text == " ".join(SIGN_OFF)
            assert SERVICES in page.lines[0].text

    def test_heads_come_again(self, read: Any) -> None:
        headed = [page.number for page in read(made_up_plan(120)) if rows_of_posts([page])]
        assert len(headed) >= 5
        assert headed == list(range(headed[0], headed[-1] + 1))

    def test_the_first_says_what_is_to_be_known(self, read: Any) -> None:
        plan = made_up_plan()
        text = read(plan)[0].words
        said = ("EPSG:32630", "invented datum", "99.9600 m on the grid", "Drop ahead", "Post long", *LOCATED)
        for part in (*plan.cautions, *said):
            assert part in text, part
        assert "STOP Marked where they stand: B021." in text

    def test_a_finding_stays_with_its_post(self, read: Any) -> None:
        (page,) = [page for page in read(made_up_plan(120)) if "The panel would hang" in page.words]
        assert re.search(r"P061 .*STOP B061, P061 to P062: The panel would hang", page.words)

    def test_hostile_and_foreign_text_is_text(self, read: Any, tmp_path: Path) -> None:
        squeezed = re.sub(r"\s", "", "".join(page.words for page in read(hostile())))
        for part in (*HOSTILE, FOREIGN):
            assert re.sub(r"\s", "", part) in squeezed, part
        reader = pypdf.PdfReader(tmp_path / "setout.pdf")
        assert reader.metadata
        assert str(reader.metadata.title).startswith("Set-out sheet: `${alert(1)}`")
        assert not {"/OpenAction", "/AA", "/Names"} & set(reader.trailer["/Root"])

    def test_the_same_plan_gives_the_same_bytes(self, tmp_path: Path) -> None:
        for name in ("one.pdf", "two.pdf"):
            OUTPUT.write(made_up_plan(), tmp_path / name)
        assert (tmp_path / "one.pdf").read_bytes() == (tmp_path / "two.pdf").read_bytes()

    def test_is_written_on_ask(self) -> None:
        assert (OUTPUT.filename, OUTPUT.standing) == ("setout.pdf", False)
