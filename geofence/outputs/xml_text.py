"""Any text as XML 1.0: as the content of an element or the value of an attribute, and read back as it was.

Characters that XML 1.0 has no way to say (most control characters, lone surrogates, U+FFFE and U+FFFF) become U+FFFD,
the mark for a character that was lost. A line end of any kind is kept: as a reference where a parser would change it.
"""

from __future__ import annotations

import html
import re
from collections.abc import Iterable

from geofence.outputs.plain_text import one_line

__all__ = ["DECLARATION", "attribute", "comment", "content", "harmless_html"]

DECLARATION = '<?xml version="1.0" encoding="UTF-8"?>\n'

_NO_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""All that the production Char of XML 1.0 leaves out."""
_SPECIAL = re.compile("[^ !#-%\\'-;=?-~]")
"""All that is not ASCII, and of ASCII what an attribute cannot hold as it is."""
_LOST = "\ufffd"
_IN_CONTENT = str.maketrans({"&": "&amp;", "<": "&lt;", ">": "&gt;", "\r": "&#13;"})
_IN_ATTRIBUTES = _IN_CONTENT | str.maketrans({'"': "&quot;", "\t": "&#9;", "\n": "&#10;"})


def content(text: str) -> str:
    """Text as the content of an element.

    >>> content("a < b & c]]>"), content("bell\\x07")
    ('a &lt; b &amp; c]]&gt;', 'bell\ufffd')
    """
    return _NO_XML.sub(_LOST, text).translate(_IN_CONTENT)


def attribute(text: str) -> str:
    """Text as the value of an attribute, quotes included.

    >>> print(attribute('2" pipe'))
    "2&quot; pipe"
    """
    if not _SPECIAL.search(text):  # nearly all of them
        return f'"{text}"'
    return f'"{_NO_XML.sub(_LOST, text).translate(_IN_ATTRIBUTES)}"'


def comment(lines: Iterable[str]) -> str:
    """A comment of several lines; two hyphens, which would end it, are set apart.

    >>> print(comment(["one -- two"]), end="")
    <!--
    one - - two
    -->
    """
    inside = "\n".join(re.sub("-(?=-|$)", "- ", _NO_XML.sub(_LOST, one_line(line))) for line in lines)
    return f"<!--\n{inside}\n-->\n"


def harmless_html(text: str) -> str:
    """Text as HTML in which nothing is markup, nor a placeholder (``$[...]``) for something else.

    >>> harmless_html("<b>$[name]</b>")
    '&lt;b&gt;&#36;[name]&lt;/b&gt;'
    """
    return html.escape(text).replace("$", "&#36;")
