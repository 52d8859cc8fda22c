"""Paper: where things are drawn, by readers that are not ours (pdfplumber, ElementTree), and what boxes texts fill."""

from __future__ import annotations

import base64
import math
import re
import subprocess
import sys
from io import BytesIO
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pdfplumber
import pypdf
import pytest
from fontTools.ttLib import TTFont

from geofence.errors import JobError
from geofence.outputs.paper import typeface
from geofence.outputs.paper.page import PAPERS_MM, Box, Page, Pen, text_box, text_width_mm, wrapped
from geofence.outputs.paper.pdf import write_pdf
from geofence.outputs.paper.svg import page_as_svg
from tests.plans import HOSTILE

POINT_MM = 25.4 / 72
SVG = "{http://www.w3.org/2000/svg}"
NAMES = ("Zaun čšž", "Ограда ΑΒΓ", "柵 ふぇんす 울타리", "P001 -1.250")


def page() -> Page:
    made = Page(297, 210, title="One")
    made.line([(10, 20), (110, 95)], Pen(0.35))
    made.area([(50, 50), (80, 50), (80, 70), (50, 70)], fill="#dddddd", pen=Pen(0.18))
    for row, name in enumerate(NAMES):
        made.text(name, 150, 180 - 10 * row, cap_mm=2.5)
    made.text("turned", 200, 40, turn_deg=90)
    return made


@pytest.fixture
def pdf(tmp_path: Path) -> Path:
    file = tmp_path / "page.pdf"
    write_pdf([page(), Page(*PAPERS_MM["A3"], title="Two")], file, title="Tested")
    return file


class TestPdf:
    def test_lines_are_where_they_were_drawn(self, pdf: Path) -> None:
        with pdfplumber.open(pdf) as read:
            (line,) = read.pages[0].lines
            assert [line["x0"] * POINT_MM, line["y0"] * POINT_MM] == pytest.approx([10, 20], abs=1e-3)
            assert [line["x1"] * POINT_MM, line["y1"] * POINT_MM] == pytest.approx([110, 95], abs=1e-3)
            assert line["linewidth"] * POINT_MM == pytest.approx(0.35, abs=1e-3)

    def test_pages_have_the_papers_sizes(self, pdf: Path) -> None:
        with pdfplumber.open(pdf) as read:
            sizes = [(page.width * POINT_MM, page.height * POINT_MM) for page in read.pages]
        assert sizes == [pytest.approx((297, 210), abs=0.01), pytest.approx((420, 297), abs=0.01)]

    def test_text_is_text_in_every_script_and_where_it_was_lettered(self, pdf: Path) -> None:
        with pdfplumber.open(pdf) as read:
            for name in NAMES:
                (found,) = read.pages[0].search(name, regex=False, case=True) or [None]
                assert found is not None, name
                assert found["x0"] * POINT_MM == pytest.approx(150, abs=1e-3)
                assert (found["x1"] - found["x0"]) * POINT_MM == pytest.approx(
                    text_width_mm(name, cap_mm=2.5), abs=0.02
                )

    def test_its_typeface_is_embedded_and_those_of_readers_are_named(self, pdf: Path) -> None:
        fonts = pypdf.PdfReader(pdf).pages[0]["/Resources"]["/Font"].values()  # type: ignore[index]
        used = [font.get_object() for font in fonts]
        embedded = [font for font in used if "/FontFile2" in font.get("/FontDescriptor", {})]
        assert {font["/BaseFont"].split("+")[-1] for font in embedded} == {"DejaVuSans"}
        named = {(font["/BaseFont"], font["/Encoding"]) for font in used if font["/Subtype"] == "/Type0"}
        assert named == {("/HeiseiKakuGo-W5", "/UniJIS-UCS2-H"), ("/HYSMyeongJo-Medium", "/UniKS-UCS2-H")}

    def test_outline_names_the_pages(self, pdf: Path) -> None:
        assert [entry.title for entry in pypdf.PdfReader(pdf).outline] == ["One", "Two"]  # type: ignore[union-attr]

    def test_same_pages_same_bytes(self, pdf: Path, tmp_path: Path) -> None:
        write_pdf([page(), Page(*PAPERS_MM["A3"], title="Two")], tmp_path / "again.pdf", title="Tested")
        assert (tmp_path / "again.pdf").read_bytes() == pdf.read_bytes()

    @pytest.mark.parametrize("text", [*HOSTILE, "x" * 300, "-x", "\ud800", "(un)\\balanced("])
    def test_any_text_passes(self, text: str, tmp_path: Path) -> None:
        made = Page(3000, 210, title=text)
        made.text(text, 10, 10)
        write_pdf([made], tmp_path / "any.pdf", title=text)
        with pdfplumber.open(tmp_path / "any.pdf") as read:
            letters = "".join(char["text"] for char in read.pages[0].chars)
        assert letters.split() == " ".join(mark if mark.isprintable() else " " for mark in text.split()).split()


class TestSvg:
    def test_is_millimetres_and_draws_where_it_should(self) -> None:
        root = ElementTree.fromstring(page_as_svg(page()))
        assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("297mm", "210mm", "0 0 297 210")
        assert root.findall(f"{SVG}path")[0].get("d") == "M10 190L110 115"

    def test_text_is_text_with_its_measured_width(self) -> None:
        texts = {text.text: text for text in ElementTree.fromstring(page_as_svg(page())).iter(f"{SVG}text")}
        assert set(NAMES) <= set(texts)
        for row, name in enumerate(NAMES):
            assert texts[name].get("transform") == f"translate(150 {30 + 10 * row})scale(0.9 1)"
            width = 0.9 * float(texts[name].get("textLength", 0))
            assert width == pytest.approx(text_width_mm(name, cap_mm=2.5), abs=1e-4)

    def test_turned_text_turns_about_its_start(self) -> None:
        texts = {text.text: text for text in ElementTree.fromstring(page_as_svg(page())).iter(f"{SVG}text")}
        assert texts["turned"].get("transform") == "translate(200 170)rotate(-90)scale(0.9 1)"

    def test_each_weight_travels_as_its_own_and_east_asian_letters_do_not(self) -> None:
        """(c) fontTools reads the typefaces back: what letters they have, and how bold they are."""
        made = page()
        made.text("strong Ж", 20, 30, weight="bold")
        cuts = re.findall(r"font-weight:(\w+);src:url\(data:font/woff;base64,([^)]*)\)", page_as_svg(made))
        read = {weight: TTFont(BytesIO(base64.b64decode(data))) for weight, data in cuts}
        assert {weight: font["OS/2"].usWeightClass for weight, font in read.items()} == {"normal": 400, "bold": 700}
        assert {weight: ord("Ж") in font.getBestCmap() for weight, font in read.items()} == {
            "normal": False,
            "bold": True,
        }
        assert all(ord("柵") not in font.getBestCmap() for font in read.values())

    def test_needs_nothing_from_outside(self) -> None:
        text = page_as_svg(page())
        assert "url(data:font/woff;base64," in text
        assert text.count("http") == 1  # the name of SVG itself
        assert page_as_svg(page()) == text

    def test_draws_all_there_is(self) -> None:
        root = ElementTree.fromstring(page_as_svg(page()))
        assert len(list(root.iter(f"{SVG}text"))) == 5
        assert len(root.findall(f"{SVG}path")) == 3  # the line, the area, its outline

    @pytest.mark.parametrize("text", [*HOSTILE, "-x", "\ud800", "]]>"])
    def test_any_text_passes(self, text: str) -> None:
        made = Page(3000, 210, title=text)
        made.text(text, 10, 10)
        root = ElementTree.fromstring(page_as_svg(made))
        (found,) = [item.text or "" for item in root.iter(f"{SVG}text")] or [""]
        assert found.split() == " ".join(mark if mark.isprintable() else " " for mark in text.split()).split()
        assert not list(root.iter(f"{SVG}script"))


class TestBoxes:
    def test_width_is_the_typefaces_own(self) -> None:
        """DejaVu Sans: a digit advances 1303 of 2048 units, and a capital is 1493 high (its tables); times 0.9."""
        assert text_width_mm("0123", cap_mm=1.8) == pytest.approx(4 * 0.9 * 1303 / 1493 * 1.8)

    @pytest.mark.parametrize("letters", ["柵北栅", "ふぇん、（）", "울타리"])
    def test_east_asian_letters_are_as_wide_as_their_em(self, letters: str) -> None:
        """Unicode Standard Annex 11: wide and full-width letters; narrowed by 0.9."""
        assert typeface.width_em(letters) == pytest.approx(0.9 * len(letters))
        assert typeface.width_em("ｶﾞ") == pytest.approx(0.9)  # half-width

    def test_a_turned_box_turns_about_the_start(self) -> None:
        flat, turned = text_box("P001", 5, 7), text_box("P001", 5, 7, turn_deg=90)
        for (x, y), (u, v) in zip(flat.corners, turned.corners, strict=True):
            assert (u, v) == pytest.approx((5 - (y - 7), 7 + (x - 5)))

    @pytest.mark.parametrize(("anchor", "share"), [("start", 0.0), ("middle", 0.5), ("end", 1.0)])
    def test_anchors(self, anchor: str, share: float) -> None:
        width = text_width_mm("P001")
        box = Page(100, 100).text("P001", 50, 50, anchor=anchor)  # type: ignore[arg-type]
        assert box.corners[0][0] == pytest.approx(50 - share * width)
        same = text_box("P001", 50, 50, anchor=anchor)  # type: ignore[arg-type]
        assert np.array(box.corners) == pytest.approx(np.array(same.corners), abs=1e-9)

    def test_overlap_of_turned_boxes(self) -> None:
        """Two squares of side 2, one on its corner: their middles must be 1 + sqrt(2) apart."""
        square = Box.upright(-1, -1, 1, 1)
        for gap, meets in ((-1e-6, True), (1e-6, False)):
            x = 1 + math.sqrt(2) + gap
            diamond = Box(((x, -math.sqrt(2)), (x + math.sqrt(2), 0), (x, math.sqrt(2)), (x - math.sqrt(2), 0)))
            assert square.overlaps(diamond) == meets == diamond.overlaps(square)
        assert square.overlaps(Box.upright(1.5, 0, 2, 1), apart_mm=0.6)
        assert not square.overlaps(Box.upright(1.5, 0, 2, 1), apart_mm=0.4)

    @pytest.mark.parametrize("text", ["one two three four", "x" * 60, "a " + "y" * 50 + " b", "柵" * 40, ""])
    def test_wrapped_lines_fit_and_lose_nothing(self, text: str) -> None:
        lines = wrapped(text, 20)
        assert all(text_width_mm(line) <= 20 for line in lines)
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")

    def test_no_line_ends_within_a_measure(self) -> None:
        measures = " ".join(["264'\u00a010\u00a03/16\""] * 40)
        for width in range(25, 60):
            assert {part.count("'") - part.count('"') for part in wrapped(measures, width)} == {0}, width

    def test_arabic_letters_are_joined_and_run_to_the_left(self) -> None:
        """Unicode, Arabic Presentation Forms-B: seen initial, lam with alef final, meem isolated, from the right."""
        assert typeface.as_drawn("سلام") == "\ufee1\ufefc\ufeb3"
        assert typeface.parts(typeface.as_drawn("سلام")) == [("DejaVuSans", "\ufee1\ufefc\ufeb3")]

    @pytest.mark.parametrize(
        ("text", "typefaces"),
        [
            ("北山栅栏", ["STSong-Light"]),
            ("北山の柵", ["HeiseiKakuGo-W5"]),
            ("北山 울타리", ["HYSMyeongJo-Medium", "DejaVuSans", "HYSMyeongJo-Medium"]),
            ("の栏", ["HeiseiKakuGo-W5", "STSong-Light"]),  # simplified: no Japanese typeface has it
            ("の울", ["HeiseiKakuGo-W5", "HYSMyeongJo-Medium"]),
        ],
    )
    def test_han_letters_are_those_of_the_texts_language(self, text: str, typefaces: list[str]) -> None:
        assert [name for name, _ in typeface.parts(text)] == typefaces
        assert "".join(letters for _, letters in typeface.parts(text)) == text

    def test_measuring_does_not_import_matplotlib(self) -> None:
        code = (
            "import sys; from geofence.outputs.paper import typeface; typeface.width_em('x')\n"
            "print('matplotlib' in sys.modules)"
        )
        ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        assert ran.stdout.strip() == "False"

    def test_matplotlib_without_its_files_is_told(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(typeface, "_FOLDER", tmp_path)
        with pytest.raises(JobError, match=r"no file .*Book\.ttf\. Install it .*--force-reinstall matplotlib"):
            typeface.font_bytes("Book")

    def test_letters_that_no_typeface_has_have_a_width(self) -> None:
        assert typeface.width_em("ก") > 0.3
        assert typeface.parts("ก") == [("DejaVuSans", "ก")]
