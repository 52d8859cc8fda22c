"""Free text in drawings, read back by ezdxf and by GDAL (independent)."""

from __future__ import annotations

from pathlib import Path

import ezdxf
import pyogrio
import pytest

from geofence.outputs.dxf.text import LONGEST, line_text, paragraph

HARMLESS = [
    "plain", "C:\\2019 \\P {x} \\A1;", "\\fArial|b1;x{\\C1;y}", "a^Jb ^ c", "<b>`${a}`", '=1+1 "q"',
    "čšž 漢字 \U0001f9f1", "\\{}", "end\\", "100 %", "1 % 2 %",
]  # fmt: skip
COMMANDS = ["50%%c d", "%%65 100%", "%%%", "\\U+0041 \\M+1abcd"]


def _file(texts: list[str], tmp_path: Path) -> Path:
    document = ezdxf.new("R2010")
    space = document.modelspace()
    for row, text in enumerate(texts):
        space.add_text(line_text(text), height=1, dxfattribs={"layer": "LINE", "insert": (0, row)})
        space.add_mtext(paragraph(text), dxfattribs={"layer": "PARAGRAPH", "insert": (50, row)})
    document.saveas(tmp_path / "texts.dxf")
    return tmp_path / "texts.dxf"


def test_ezdxf_reads_what_was_meant(tmp_path: Path) -> None:
    texts = HARMLESS + COMMANDS
    space = ezdxf.readfile(_file(texts, tmp_path)).modelspace()
    assert [part.plain_text() for part in space.query("MTEXT")] == texts
    lines = [part.plain_text() for part in space.query("TEXT")]
    assert lines[:-1] == texts[:-1]
    assert lines[-1] == r"\U+005CU+0041 \U+005CM+1abcd"  # codes of characters are left to the drawing program


def test_gdal_reads_what_was_meant(tmp_path: Path) -> None:
    texts = HARMLESS + COMMANDS
    table = pyogrio.read_dataframe(_file(texts, tmp_path), ENCODING="UTF-8")
    assert list(table.Text[table.Layer == "PARAGRAPH"]) == texts
    assert list(table.Text[table.Layer == "LINE"])[: len(HARMLESS)] == HARMLESS  # GDAL does not know %%%


def test_lines_of_a_paragraph_stay(tmp_path: Path) -> None:
    text = "one\ntwo\r\nthree\u2028four"
    space = ezdxf.readfile(_file([text], tmp_path)).modelspace()
    assert space.query("MTEXT").first.plain_text() == "one\ntwo\nthree\nfour"
    assert space.query("TEXT").first.plain_text() == "one two three four"


@pytest.mark.parametrize("text", ["half \ud83e", "zero \0", "bell \x07", "\x1b[31m"])
def test_what_no_file_can_hold_is_gone(text: str, tmp_path: Path) -> None:
    for written in (line_text(text), paragraph(text)):
        assert written.encode("utf-8").isascii() or "\ufffd" in written
        assert all(mark.isprintable() for mark in written)
    _file([text], tmp_path).read_bytes().decode("utf-8")


def test_a_long_line_says_that_it_is_cut() -> None:
    assert line_text("x" * 300) == "x" * 300
    cut = line_text("some words " * 1000)
    assert len(cut) <= LONGEST
    assert cut.startswith("some words some words")
    assert cut.endswith(" …")


@pytest.mark.parametrize("mark", ["%", "^", "\U0001f9f1", "漢", "\\U+"])
def test_no_line_is_longer_than_the_format_allows(mark: str) -> None:
    """2049 bytes, by the format's reference."""
    assert len(line_text(mark * 5000).encode()) <= 2049
