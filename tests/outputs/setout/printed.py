"""Pages of a PDF as a reader that is not ours sees them: PDFium, which shares no code with what draws them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pypdfium2

__all__ = ["PrintedLine", "PrintedPage", "read_pdf"]

POINT_MM = 25.4 / 72


@dataclass(frozen=True)
class PrintedText:
    """A word and its box: millimetres from the lower left corner of the page."""

    text: str
    x0: float
    y0: float
    x1: float
    y1: float


@dataclass(frozen=True)
class PrintedLine:
    """Words that stand at one height, from left to right."""

    parts: tuple[PrintedText, ...]

    @property
    def text(self) -> str:
        return " ".join(" ".join(part.text for part in self.parts).split())

    @property
    def y(self) -> float:
        return self.parts[0].y0


@dataclass(frozen=True)
class PrintedPage:
    number: int
    width_mm: float
    height_mm: float
    parts: tuple[PrintedText, ...]
    lines: tuple[PrintedLine, ...]

    @property
    def text(self) -> str:
        """All of it, line by line from the top."""
        return "\n".join(line.text for line in self.lines)

    @property
    def words(self) -> str:
        return " ".join(self.text.split())


def read_pdf(path: Path) -> list[PrintedPage]:
    """Every page of a file."""
    document = pypdfium2.PdfDocument(path)
    try:
        return [_page(document[at], at + 1) for at in range(len(document))]
    finally:
        document.close()


def _page(page: pypdfium2.PdfPage, number: int) -> PrintedPage:
    text = page.get_textpage()
    letters = []
    for at in range(text.count_chars()):
        letter = text.get_text_range(at, 1)
        if letter.strip():
            letters.append((letter, *(value * POINT_MM for value in text.get_charbox(at, loose=True))))
    parts = _parts(letters)
    width, height = (value * POINT_MM for value in page.get_size())
    return PrintedPage(number, width, height, tuple(parts), tuple(_lines(parts)))


def _parts(letters: list[tuple[str, float, float, float, float]]) -> list[PrintedText]:
    """Words: letters of one height that follow each other closely, whatever order they are in the file."""
    found: list[PrintedText] = []
    for letter, x0, y0, x1, y1 in sorted(letters, key=lambda item: (-round(item[2] + item[4], 1), item[1])):
        last = found[-1] if found else None
        size = y1 - y0
        if last and abs(last.y0 - y0) < 0.2 and abs(last.y1 - y1) < 0.2 and -size < x0 - last.x1 < 0.13 * size:
            found[-1] = PrintedText(last.text + letter, last.x0, last.y0, x1, last.y1)
        else:
            found.append(PrintedText(letter, x0, y0, x1, y1))
    return found


def _lines(parts: list[PrintedText]) -> list[PrintedLine]:
    """Words whose middles are within half a millimetre stand in one line."""
    rows: list[list[PrintedText]] = []
    for part in sorted(parts, key=lambda part: -(part.y0 + part.y1)):
        if rows and abs((rows[-1][0].y0 + rows[-1][0].y1) - (part.y0 + part.y1)) < 1:
            rows[-1].append(part)
        else:
            rows.append([part])
    return [PrintedLine(tuple(sorted(row, key=lambda part: part.x0))) for row in rows]
