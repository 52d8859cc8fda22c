"""XML read from front to back, in memory that does not grow with the file.

The parser is the standard library's Expat. It knows the line of everything, whatever the length of the file, fetches
nothing from anywhere, and here refuses every document type declaration: with those go all entities, and with them the
tricks that let a small file fill a memory or read another file. LandXML has a schema and needs no such declaration.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn, Protocol
from xml.parsers import expat

from geofence.errors import InputError

__all__ = ["Attributes", "Element", "FlatHandler", "Visitor", "line_of", "read_xml", "root_of"]

Attributes = dict[str, str]
FlatHandler = Callable[[Attributes, str], None]
"""Takes the attributes and the text of one element."""

CHUNK = 1 << 20
LOOK = 1 << 16
"""Bytes in which a file's root begins; before it there are but comments."""


@dataclass(slots=True, kw_only=True)
class Element:
    """An element with all that is in it; ``line`` is where it begins."""

    name: str
    attributes: Attributes
    line: int
    parts: list[str] = field(default_factory=list)
    children: list[Element] = field(default_factory=list)

    @property
    def text(self) -> str:
        """Its own text, without that of its children."""
        return "".join(self.parts)

    def child(self, *names: str) -> Element | None:
        """The first child of one of these names."""
        return next((child for child in self.children if child.name in names), None)

    def all(self, name: str) -> Iterator[Element]:
        """Children of a name, at any depth, in the order of the file."""
        waiting = self.children[::-1]
        while waiting:
            element = waiting.pop()
            if element.name == name:
                yield element
            waiting += element.children[::-1]


class Visitor(Protocol):
    """Takes what is read, in the order of the file; names are without their prefix."""

    def opened(self, name: str, attributes: Attributes) -> None:
        """An element begins that is taken neither flat nor whole."""
        ...

    def closed(self, name: str) -> None:
        """Such an element ends."""
        ...

    def taken(self, element: Element) -> None:
        """An element that is taken whole has ended."""
        ...


def read_xml(
    file: Path,
    visitor: Visitor,
    *,
    root: str,
    whole: Collection[str] = (),
    flat: Mapping[str, FlatHandler] | None = None,
) -> None:
    """Read a file.

    Parameters
    ----------
    visitor
        Is told of each element as it comes.
    root
        What the outermost element must be called.
    whole
        Names of the elements that are handed over complete, with what is in them.
    flat
        Names of elements of which there are millions, and what takes their attributes and text; it is not told where
        they are, which :func:`line_of` finds if need be.

    Raises
    ------
    InputError
        It is no XML, breaks off, has another root or a document type declaration; with the line.
    """
    _Reader(file, visitor, root=root, whole=whole, flat=flat or {}).read()


class _Found(Exception):  # noqa: N818
    """Ends the reading: what was looked for is found."""


class _Nobody:
    """A visitor who does not look."""

    def opened(self, name: str, attributes: Attributes) -> None: ...

    def closed(self, name: str) -> None: ...

    def taken(self, element: Element) -> None: ...


def line_of(
    file: Path, name: str, number: int, *, root: str, counts: Callable[[Attributes], bool] = lambda _attributes: True
) -> int:
    """The line on which the element of a name with this number, from 0, ends; of those that count."""
    seen = -1
    reader = _Reader(file, _Nobody(), root=root, whole=(), flat={})

    def count(attributes: Attributes, _text: str) -> None:
        nonlocal seen
        seen += counts(attributes)
        if seen == number:
            raise _Found

    reader.flat = {name: count}
    try:
        reader.read()
    except _Found:
        return reader.line
    raise IndexError(number)


def root_of(file: Path) -> str | None:
    """The name of a file's outermost element, without its prefix; None where it is no XML so far. Never raises."""
    found: list[str] = []
    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda name, _attributes: found.append(name)
    try:
        with file.open("rb") as stream:
            parser.Parse(stream.read(LOOK), False)
    except (OSError, expat.ExpatError, LookupError, ValueError):
        pass
    return _local(found[0]) if found else None


def _local(name: str) -> str:
    return name.rpartition(":")[2]


class _Reader:
    """One reading of one file."""

    def __init__(
        self, file: Path, visitor: Visitor, *, root: str, whole: Collection[str], flat: Mapping[str, FlatHandler]
    ) -> None:
        self.file, self.visitor, self.root, self.whole, self.flat = file, visitor, root, frozenset(whole), flat
        self.parser = expat.ParserCreate()
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._refuse_doctype
        self.parser.StartElementHandler = self._begin
        self.open: list[Element] = []
        self.parts: list[str] = []
        self.outer_parts: list[list[str]] = []

    @property
    def line(self) -> int:
        """The line that is being read, from 1."""
        return self.parser.CurrentLineNumber

    def read(self) -> None:
        try:
            stream = self.file.open("rb")
        except OSError as error:
            raise InputError("cannot be opened", file=self.file, remedy="Check the path.") from error
        with stream:
            at_end = False
            try:
                while chunk := stream.read(CHUNK):
                    self.parser.Parse(chunk, False)
                at_end = True
                self.parser.Parse(b"", True)
            except expat.ExpatError as error:
                self._refuse(error, at_end=at_end)
            except (LookupError, ValueError) as error:  # of an encoding that is not known
                raise InputError(
                    f"its encoding cannot be read: {error}", file=self.file.name, remedy="Save it as UTF-8."
                ) from error

    def _refuse(self, error: expat.ExpatError, *, at_end: bool) -> NoReturn:
        if at_end and error.code != expat.errors.codes[expat.errors.XML_ERROR_JUNK_AFTER_DOC_ELEMENT]:
            message = "breaks off before its end" if self.file.stat().st_size else "is an empty file"
            remedy = "Copy or export it anew."
        else:
            message = f"is no sound XML: {expat.ErrorString(error.code)}, at column {error.offset + 1}"
            remedy = "Export it anew; if it was edited by hand, mend that line."
        raise InputError(message, file=self.file.name, place=f"line {error.lineno}", remedy=remedy) from error

    def _refuse_doctype(self, *_declared: object) -> NoReturn:
        raise InputError(
            "declares a document type, by which a file can do harm; it needs none",
            file=self.file.name,
            place=f"line {self.line}",
            remedy="Take out the lines from <!DOCTYPE to ]>, if you trust the file.",
        )

    def _begin(self, name: str, attributes: Attributes) -> None:
        """Take the outermost element, and be ready for the rest: its prefix is that of the others that count."""
        if _local(name) != self.root:
            raise InputError(
                f"its outermost element is <{name}>, not <{self.root}>",
                file=self.file.name,
                place=f"line {self.line}",
                remedy=f"Give a {self.root} file.",
            )
        self._take_up(name[: -len(self.root)])
        self.visitor.opened(self.root, attributes)

    def _take_up(self, prefix: str) -> None:
        """Set the handlers, which are closures: they run for each of millions of elements."""
        flat, parts, start_other, end_other = self.flat, self.parts, self._start, self._end
        row: Attributes = {}

        def start(name: str, attributes: Attributes) -> None:
            nonlocal row
            if name in flat:
                row = attributes
                parts.clear()
            else:
                start_other(name, attributes)

        def end(name: str) -> None:
            if name in flat:
                flat[name](row, "".join(parts))
                parts.clear()
            else:
                end_other(name)

        parser, cut = self.parser, len(prefix)

        def bare(name: str) -> str:
            return name[cut:] if name.startswith(prefix) else name

        if prefix:
            parser.StartElementHandler = lambda name, attributes: start(bare(name), attributes)
            parser.EndElementHandler = lambda name: end(bare(name))
        else:
            parser.StartElementHandler, parser.EndElementHandler = start, end
        parser.CharacterDataHandler = parts.append

    def _start(self, name: str, attributes: Attributes) -> None:
        if self.open or name in self.whole:
            element = Element(name=name, attributes=attributes, line=self.line)
            if self.open:
                self.open[-1].children.append(element)
            self.open.append(element)
            self.parser.CharacterDataHandler = element.parts.append
        else:
            self.outer_parts.append(self.parts[:])
            self.parts.clear()
            self.visitor.opened(name, attributes)

    def _end(self, name: str) -> None:
        if self.open:
            element = self.open.pop()
            within = self.open[-1].parts if self.open else self.parts
            self.parser.CharacterDataHandler = within.append
            if not self.open:
                self.visitor.taken(element)
        else:
            self.parts[:] = self.outer_parts.pop() if self.outer_parts else []
            self.visitor.closed(name)
