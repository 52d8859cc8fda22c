"""Any text as XML 1.0, read back by lxml (independent: libxml2)."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from geofence.outputs.xml_text import attribute, comment, content, harmless_html
from tests.plans import HOSTILE

SAYABLE = re.compile("[\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""The production Char of XML 1.0, fifth edition, 2.2."""


def _read(text: str) -> tuple[str | None, str]:
    element = etree.fromstring(f"<a b={attribute(text)}>{content(text)}</a>".encode())
    return element.get("b"), element.text or ""


class TestText:
    @given(st.text(st.characters()))
    def test_comes_back_as_it_was_but_for_what_xml_cannot_say(self, text: str) -> None:
        kept = "".join(mark if SAYABLE.fullmatch(mark) else "\ufffd" for mark in text)
        assert _read(text) == (kept, kept)

    @pytest.mark.parametrize(
        "text", [*HOSTILE, "]]>", "&amp;", "\r\n", "\t", "-->", "<?x?>", "<!DOCTYPE a>", "x" * 300]
    )
    def test_hostile_text_comes_back(self, text: str) -> None:
        assert _read(text) == (text, text)

    @pytest.mark.parametrize("mark", ["\0", "\x07", "\x0b", "\x1b", "\udfff", "\ufffe", "\uffff"])
    def test_what_xml_cannot_say_is_marked_as_lost(self, mark: str) -> None:
        assert _read(f"a{mark}b") == ("a\ufffdb", "a\ufffdb")


class TestComment:
    @given(st.lists(st.text(st.characters()), min_size=1))
    def test_no_text_ends_it(self, lines: list[str]) -> None:
        root = etree.fromstring(f"{comment(lines)}<a/>".encode())
        assert root.getprevious().tag is etree.Comment
        assert root.getprevious().getprevious() is None

    def test_hyphens_are_set_apart(self) -> None:
        assert comment(["a--b", "---> c-"]) == "<!--\na- -b\n- - -> c- \n-->\n"


class TestHarmlessHtml:
    @given(st.text(st.characters(exclude_categories=["Cs", "Cc"])))
    def test_a_browser_sees_the_text_and_no_markup(self, text: str) -> None:
        """Independent: libxml2's reader of HTML."""
        paragraph = etree.fromstring(f"<p>{harmless_html(text)}</p>", etree.HTMLParser()).find(".//p")
        assert len(paragraph) == 0
        assert (paragraph.text or "") == text

    def test_no_placeholder_survives(self) -> None:
        assert "$[" not in harmless_html("$[description] $[post/chainage_m]")
