"""The pages for users, and the blocks of code in them.

A block may have a note in the line before it, which a reader of the rendered page does not see:

``<!-- exit: 1 -->``   the last command of the block leaves with this exit code; 0 without a note
``<!-- prints -->``    the block is what the block before it prints; a line ``...`` stands for any lines
``<!-- ci: demo -->``  the block is run by ``.ci/run``, in a new virtual environment
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

__all__ = ["PAGES", "ROOT", "Block", "blocks", "section"]

ROOT = Path(__file__).parents[2]
PAGES = (ROOT / "README.md", *sorted((ROOT / "docs").glob("*.md")))

_FENCED = re.compile(
    r"^(?:<!-- (?P<note>.+?) -->\n)?```(?P<language>\w+)\n(?P<text>.*?)^```$", re.MULTILINE | re.DOTALL
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """A fenced block: its language, its text, the note before it, and where it stands (``quick-start.md, line 12``)."""

    language: str
    text: str
    note: str
    place: str

    @property
    def exit_code(self) -> int:
        """What the block is to leave with."""
        return int(self.note.removeprefix("exit: ")) if self.note.startswith("exit: ") else 0


def blocks(page: Path) -> list[Block]:
    """The fenced blocks of a page, in order."""
    text = page.read_text(encoding="utf-8")
    return [
        Block(
            language=found["language"],
            text=found["text"],
            note=found["note"] or "",
            place=f"{page.name}, line {text.count(chr(10), 0, found.start('language')) + 1}",
        )
        for found in _FENCED.finditer(text)
    ]


def section(page: Path, heading: str) -> str:
    """What stands under a heading of the second level."""
    text = page.read_text(encoding="utf-8")
    found = re.search(rf"^## {re.escape(heading)}\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    assert found, f"{page.name} has no section {heading!r}"
    return found[1]
