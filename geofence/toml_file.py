"""Reads a TOML file and checks it against a model; says what is wrong in the words of the person who wrote it.

A mistake is told by file, line and dotted address. In an address the rows of a list count from 1, as a person
counts them: ``gate[1].width_m`` is the width of the first gate.
"""

from __future__ import annotations

import math
import re
import tomllib
from bisect import bisect_left
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails, PydanticCustomError

from geofence.errors import JobError
from geofence.words import nearest

__all__ = ["Keys", "TomlFile", "address", "fault", "holds", "mistake", "read", "shown", "unit_of", "validate"]

Keys = tuple[str | int, ...]
"""Where a value stands: names of tables and keys, and rows of lists from 0."""

Place = Callable[[Keys], str]
"""Names a place to the reader of an error."""

Model = TypeVar("Model", bound=BaseModel)

_UNITS = {
    "kg_per_m3": "kg/m3",
    "kg_per_m2": "kg/m2",
    "kg_per_m": "kg/m",
    "kpa_per_m": "kPa/m",
    "m2": "m2",
    "m3": "m3",
    "deg": "deg",
    "kg": "kg",
    "kn": "kN",
    "kpa": "kPa",
    "per_k": "1/K",
    "c": "°C",
    "m": "m",
}
_MOST_MISTAKES_SHOWN = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlFile:
    """A TOML file as read: its name as the user gave it, its text with ``\\n`` line ends, its values."""

    file: Path
    text: str
    values: Mapping[str, Any]

    def line(self, keys: Keys) -> int | None:
        """Line, from 1, on which the value's statement starts; of the table around it where the key is not there.

        The parser gives no lines, so the text is parsed up to the end of one statement after another, in a binary
        search for the first end at which the value is there.
        """
        while keys and not holds(self.values, keys):
            keys = keys[:-1]
        if not keys:
            return None
        lines = self.text.split("\n")
        ends = [0, *_statement_ends(self.text), len(lines)]
        after = bisect_left(ends, True, key=lambda end: holds(tomllib.loads("\n".join(lines[:end])), keys))
        return ends[after - 1] + 1

    def place(self, keys: Keys) -> str:
        """File, line and dotted address of a value."""
        line = self.line(keys)
        parts = (str(self.file), f"line {line}" if line else "", address(keys))
        return ", ".join(part for part in parts if part)


_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{0,2})'
    r"|'''.*?'''(?:'{0,2})"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'"
    r"|#[^\n]*"
    r"|[\[\]{}]"
    r"|\n",
    re.DOTALL,
)


def _statement_ends(text: str) -> list[int]:
    """How many lines stand up to the end of each statement of a valid TOML text."""
    ends, lines, depth = [], 0, 0
    for match in _TOKEN.finditer(text):
        token = match.group()
        lines += token.count("\n")
        depth += (token in ("[", "{")) - (token in ("]", "}"))
        if token == "\n" and depth == 0:
            ends.append(lines)
    return ends


def holds(values: Any, keys: Keys) -> bool:
    """Whether a value is there.

    >>> holds({"gate": [{"width_m": 3.6}]}, ("gate", 0, "width_m")), holds({"gate": []}, ("gate", 0))
    (True, False)
    """
    for key in keys:
        if (isinstance(key, str) and isinstance(values, Mapping) and key in values) or (
            isinstance(key, int) and _is_list(values) and key < len(values)
        ):
            values = values[key]
        else:
            return False
    return True


def address(keys: Keys) -> str:
    """Dotted address; rows count from 1.

    >>> address(("gate", 0, "width_m"))
    'gate[1].width_m'
    """
    text = "".join(f"[{key + 1}]" if isinstance(key, int) else f".{_key(key)}" for key in keys)
    return text.removeprefix(".")


def _key(key: str) -> str:
    """A key as TOML has it: in quotes where it is not of letters, digits, ``_`` and ``-`` alone."""
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else repr(key)


def unit_of(keys: Keys) -> str:
    """Unit that the name of a key states, empty for none.

    >>> unit_of(("posts", "stock_lengths_m", 0)), unit_of(("line", "corner_deg")), unit_of(("layout", "fit"))
    ('m', 'deg', '')
    """
    for key in reversed(keys):
        for suffix, unit in _UNITS.items():
            if isinstance(key, str) and key.endswith(f"_{suffix}"):
                return unit
    return ""


def read(path: Path, *, kind: str, remedy: str = "") -> TomlFile:
    """Read and parse a TOML file; ``kind`` is what to call it in an error, ``remedy`` where to get a right one.

    Raises
    ------
    JobError
        There is no such file, it cannot be read, is not text or not UTF-8, holds nothing, or is not TOML.
    """
    text = _text(path, kind=kind, remedy=remedy)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        _refuse_syntax(path, str(error), text)
    except RecursionError:
        raise JobError(f"this {kind} cannot be parsed: it is nested too deeply", place=str(path)) from None
    except ValueError:
        # Python itself refuses to read a whole number of thousands of digits.
        raise JobError(f"this {kind} cannot be parsed: a number in it is too long", place=str(path)) from None
    if not values:
        raise JobError(f"this {kind} is empty", place=str(path), remedy=remedy)
    return TomlFile(file=path, text=text, values=values)


_UTF_16 = (b"\xff\xfe", b"\xfe\xff")
"""What text begins with that some editors save with two bytes a letter, zeros among them."""


def _text(path: Path, *, kind: str, remedy: str) -> str:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        raise JobError(f"there is no such {kind}", place=str(path), remedy=remedy) from None
    except IsADirectoryError:
        raise JobError(f"this is a folder, not a {kind}", place=str(path), remedy=remedy) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise JobError(f"this {kind} cannot be read: {reason}", place=str(path)) from None
    if b"\0" in raw and not raw.startswith(_UTF_16):
        raise JobError(f"this is no {kind}: it is not text", place=str(path), remedy=remedy)
    try:
        # Some editors put a byte order mark first; TOML has none.
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise JobError(
            f"this {kind} is not UTF-8 text",
            place=f"{path}, line {line}",
            value=f"byte 0x{raw[error.start]:02x}",
            remedy="Save it as UTF-8.",
        ) from None


def _refuse_syntax(path: Path, reason: str, text: str) -> NoReturn:
    what, _, where = reason.removesuffix(")").partition(" (at ")
    what = re.sub(r"\('([^)]*)',?\)", lambda match: match[1].replace("', '", "."), what)
    if where == "end of document":
        where = f"line {text.rstrip().count(chr(10)) + 1}, at the end"
    number = re.match(r"line (\d+)", where)
    line = text.split("\n")[int(number[1]) - 1] if number else ""
    raise JobError(
        f"this is not TOML: {what[:1].lower()}{what[1:]}",
        place=f"{path}, {where}",
        remedy=_slip(line) or 'A line is a [table], a key = value, or a # comment; text stands in "quotes".',
    ) from None


_DECIMAL_COMMA = re.compile(r"([\w.\"-]+)\s*=\s*([+-]?\d+),(\d+)\s*(?:[#}].*)?$")
_BACKSLASH = re.compile(r'"((?:[^"\\]|\\[btnfr\\])*\\(?![btnfr"\\]|u[0-9a-fA-F]{4}|U[0-9a-fA-F]{8})[^"]*)"?')
_HEADING = re.compile(r"\s*\[\[?\s*([\w.-]+)\s*\]")


def _slip(line: str) -> str:
    """What to do about the usual slips, of a line at which the parser stopped; nothing for any other.

    >>> _slip("width_m = 3,6   # clear")
    'The decimal mark is a point: width_m = 3.6.'
    """
    if match := _DECIMAL_COMMA.search(line):
        return f"The decimal mark is a point: {match[1]} = {match[2]}.{match[3]}."
    if match := _BACKSLASH.search(line):
        plain = match[1].replace("\\\\", "\\")
        return f"Between double quotes \\ begins a code: write \"{plain.replace(chr(92), '/')}\" or '{plain}'."
    if match := _HEADING.match(line):
        return (
            f"Where there are several, each begins with [[{match[1]}]], the first one too; "
            f"a single one is headed [{match[1]}] once."
        )
    return ""


def validate(model: type[Model], values: Mapping[str, Any], *, place: Place) -> Model:
    """``values`` as the model; ``place`` names where a value stands to the reader of an error.

    Raises
    ------
    JobError
        A value is not as the model wants it. The error is about the first mistake and its remedy lists the others,
        one a line; a mistyped key comes before a missing one.
    """
    try:
        return model.model_validate(values)
    except ValidationError as error:
        found = error.errors(include_url=False)
    found.sort(key=lambda item: item["type"] != "extra_forbidden")
    mistakes = [_explain(item, model, values, place) for item in found]
    first, others = mistakes[0], [str(mistake) for mistake in mistakes[1:_MOST_MISTAKES_SHOWN]]
    if len(mistakes) > _MOST_MISTAKES_SHOWN:
        others.append(f"and {len(mistakes) - _MOST_MISTAKES_SHOWN} more.")
    if others:
        first.remedy = "\n".join([f"{first.remedy} Also:".lstrip(), *others])
    raise first


def fault(
    message: str, *, keys: Keys = (), value: object = None, limit: object = None, remedy: str = ""
) -> PydanticCustomError:
    """A mistake that a model's own validator found, worded as a JobError is; ``keys`` lead on from the validator."""
    # Pydantic takes the text for a template; as its context ours may hold braces.
    context = {"message": message, "keys": keys, "value": value, "limit": limit, "remedy": remedy}
    return PydanticCustomError("fault", "{message}", context)


def _explain(error: ErrorDetails, model: type[BaseModel], values: Mapping[str, Any], place: Place) -> JobError:
    kind, value, context = error["type"], error["input"], error.get("ctx", {})
    keys, limit = _keys(error, values), None
    if kind == "fault":
        keys, limit = (*keys, *context["keys"]), context["limit"]
        value = value if context["value"] is None else context["value"]
        message, remedy = context["message"], context["remedy"]
    elif kind == "extra_forbidden":
        message, remedy = _unknown(keys, value, model)
    elif kind == "missing":
        message, remedy = "is missing", _asked_for(model, keys)
    elif kind in _LIMITS:
        name, message = _LIMITS[kind]
        limit = context[name]
        remedy = "Lengths are in metres." if name in ("lt", "le") and unit_of(keys) == "m" else ""
    else:
        message, remedy = _wrong_kind(kind, keys, value, error)
    if kind in ("extra_forbidden", "missing") or _has_tables(value):
        value = None
    return mistake(message, place=place(keys), keys=keys, value=value, limit=limit, remedy=remedy)


def mistake(message: str, *, place: str, keys: Keys, value: object, limit: object, remedy: str) -> JobError:
    """The error about a value, written as in the file and with the unit that its key states."""
    number = isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) < math.inf
    return JobError(
        message,
        place=place,
        value=None if value is None else shown(value),
        limit=None if limit is None else shown(limit),
        unit=unit_of(keys) if number else "",
        remedy=remedy,
    )


_LIMITS = {
    "greater_than": ("gt", "must be above its limit"),
    "greater_than_equal": ("ge", "is below its limit"),
    "less_than": ("lt", "must be below its limit"),
    "less_than_equal": ("le", "is above its limit"),
}


def _keys(error: ErrorDetails, values: Any) -> Keys:
    """The error's location without the names of a union's branches, which no user wrote."""
    keys: Keys = ()
    for part in error["loc"]:
        if holds(values, (*keys, part)):
            keys = (*keys, part)
    return (*keys, error["loc"][-1]) if error["type"] == "missing" else keys


def _unknown(keys: Keys, value: Any, model: type[BaseModel]) -> tuple[str, str]:
    word = str(keys[-1])
    what = "table" if len(keys) == 1 and isinstance(value, (dict, list)) else "key"
    known = tuple(_fields(_model_at(model, keys[:-1])))
    homes = [name for name, field in _fields(model).items() if word in _fields(_model_of(field))]
    if homes and word not in known:
        return f"is not a known {what} here", f"It belongs in {_headed(model, homes[0])}."
    return f"is not a known {what}", nearest(word, known)


def _headed(model: type[BaseModel], table: str) -> str:
    return f"[[{table}]]" if "tuple" in str(_fields(model)[table].annotation) else f"[{table}]"


def _asked_for(model: type[BaseModel], keys: Keys) -> str:
    field = _fields(_model_at(model, keys[:-1])).get(str(keys[-1]))
    return f"Add it: {field.description}." if field and field.description else "Add it."


def _fields(model: type[BaseModel] | None) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()} if model else {}


def _model_at(model: type[BaseModel] | None, keys: Keys) -> type[BaseModel] | None:
    for key in keys:
        if isinstance(key, str):
            field = _fields(model).get(key)
            model = _model_of(field) if field else None
    return model


def _model_of(field: FieldInfo) -> type[BaseModel] | None:
    return next(_models_in(field.annotation), None)


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _models_in(part)


def _wrong_kind(kind: str, keys: Keys, value: Any, error: ErrorDetails) -> tuple[str, str]:
    """Message and remedy for a value of the wrong kind."""
    table = keys[-1] if keys else ""
    match kind:
        case "float_type" | "int_type" if isinstance(value, str):
            return "is text where a number belongs", _as_number(value)
        case "float_type":
            return "is not a number", "Write a number."
        case "int_type":
            return "is not a whole number", "Write a whole number."
        case "finite_number":
            return "is not a finite number", "Write a finite number."
        case "string_type":
            return "is not text", "Write it in quotes."
        case "string_too_short" | "too_short":
            return "is empty", "Write it, or leave the key out."
        case "literal_error":
            words = tuple(re.findall(r"'([^']*)'", error["ctx"]["expected"]))
            return "is not one of the known words", nearest(str(value), words)
        case "model_type" | "dict_type" if _is_list(value):
            return "is a list of tables where one table belongs", f"Write [{table}], with single brackets."
        case "model_type" | "dict_type":
            return "is not a table", f"Write [{address(keys)}] and its keys below."
        case "tuple_type" if isinstance(value, Mapping):
            return "is one table where a list of tables belongs", f"Write [[{table}]], with double brackets."
        case "tuple_type":
            return "is not a list", f"Write it in brackets: [{shown(value)}]."
    return f"is not as expected ({error['msg']})", ""


def _as_number(text: str) -> str:
    try:
        return f"Write {float(text.replace(',', '.')):g} without quotes."
    except ValueError:
        return "Write a number, without quotes and without a unit."


def _has_tables(value: Any) -> bool:
    return isinstance(value, Mapping) or (_is_list(value) and any(isinstance(row, Mapping) for row in value))


def _is_list(values: Any) -> bool:
    return isinstance(values, Sequence) and not isinstance(values, (str, bytes))


def shown(value: Any) -> str:
    """A value as it would be written in TOML, cut short where it is long.

    >>> shown(True), shown(0.0), shown("m"), shown([1, 2])
    ('true', '0', "'m'", '[1, 2]')
    """
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        # Twelve digits: a micrometre in any easting, and no 0.30000000000000004. Adding zero takes the sign off -0.0.
        return f"{value + 0.0:.12g}"
    text = repr(value) if isinstance(value, (str, list, tuple, dict)) else str(value)
    return text if len(text) <= 60 else f"{text[:57]}..."
