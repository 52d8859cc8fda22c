"""Records as a tree of JSON and named columns of numbers, and back, bit for bit.

What is packed is read off the annotations of the records' fields, so a new field, or a new record among them, is
carried without being listed anywhere. The names of classes are not packed: what a value becomes is decided by the
program that unpacks it, never by the file.

Values of one field are packed together, a list with one item a record; ``tuple[Finding, ...]`` becomes a list of
lengths and, field by field, the values of all its findings. Arrays of one field are joined into one column.

=============================  =====================================================================================
annotation                     in the tree
=============================  =====================================================================================
a dataclass                    an object: field to the values of all records
``tuple[T, ...]``              ``{"lengths": [...], "items": ...}``
``Mapping[str, T]``            the same, and ``"keys"``
``T | None``                   ``{"there": [...], "items": ...}``
a numpy array                  ``{"column": name, "shapes": [...]}``; the numbers are the column
``str``, ``bool``, ``int``,    the values themselves; a float that is not finite as ``"nan"``, ``"inf"``, ``"-inf"``
``float``, words
anything else                  the values, with a tag where JSON has no such kind: ``{"tuple": [...]}``,
                               ``{"path": "a/b"}``, ``{"float": "nan"}``, ``{"map": [[key, value], ...]}``
=============================  =====================================================================================
"""

from __future__ import annotations

import math
import sys
import types
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import MISSING, Field, dataclass, fields, is_dataclass
from functools import cache
from pathlib import Path, PurePath, PurePosixPath, PureWindowsPath
from typing import Any, Literal, Protocol, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

__all__ = ["Packed", "UnfitError", "pack", "unpack"]

Column = NDArray[Any]
Tree = Any
"""What JSON can hold: strict, without numbers that are not finite."""


class UnfitError(ValueError):
    """A tree or a column that is not what the record asks for; says where, and what is wrong."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Packed:
    """A record packed: ``tree`` is JSON, ``columns`` are arrays by name (``fence/posts/easting``)."""

    tree: Tree
    columns: Mapping[str, Column]


def pack(record: Any, names: Mapping[str, Any]) -> Packed:
    """Pack a record.

    Parameters
    ----------
    record
        A dataclass, of whatever its annotations say.
    names
        What annotations name that their modules import for type checkers only.

    Raises
    ------
    TypeError
        A value is not of the kind that its annotation promises, or has no packed form.
    """
    columns: dict[str, Column] = {}
    tree = _form(type(record), names).pack([record], "", columns)
    return Packed(tree=tree, columns=columns)


def unpack(kind: type[Any], packed: Packed, names: Mapping[str, Any]) -> Any:
    """The record of a kind that was packed; arrays are read-only. A field that is not there takes its default.

    Raises
    ------
    UnfitError
        Something is missing, left over, or not of the kind that the record asks for.
    """
    return _form(kind, names).unpack(packed.tree, 1, "", packed.columns)[0]


class _Form(Protocol):
    """How values of one annotation are packed; ``place`` is the path of the field, as columns are named."""

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree: ...

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]: ...


def _form(hint: Any, names: Mapping[str, Any]) -> _Form:
    """The form of an annotation."""
    origin, parts = get_origin(hint), get_args(hint)
    if is_dataclass(hint) and isinstance(hint, type):
        return _record(hint, _Names(names))
    if hint is np.ndarray or origin is np.ndarray:
        return _Arrays(dtype=_dtype(parts))
    if origin is Literal:
        return _Words(words=parts)
    if hint in _SCALARS:
        return _Scalars(kind=hint)
    if origin in (Union, types.UnionType) and types.NoneType in parts and len(parts) == 2:
        return _Optional(form=_form(next(part for part in parts if part is not types.NoneType), names))
    if origin is tuple and len(parts) == 2 and parts[1] is Ellipsis:
        return _Rows(form=_form(parts[0], names))
    if isinstance(origin, type) and issubclass(origin, Mapping) and parts[0] is str:
        return _Maps(form=_form(parts[1], names))
    return _Free()


class _Names(dict[str, Any]):
    """Names that can be looked up by, so that a record's form is made once."""

    def __hash__(self) -> int:  # type: ignore[override]
        return hash(tuple(self))


@cache
def _record(kind: type[Any], names: _Names) -> _Record:
    hints = get_type_hints(kind, vars(sys.modules[kind.__module__]), dict(names))
    return _Record(kind=kind, forms={item.name: _form(hints[item.name], names) for item in fields(kind)})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Record:
    kind: type[Any]
    forms: Mapping[str, _Form]

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:
        _must_be(self.kind, values, place)
        return {
            name: form.pack([getattr(value, name) for value in values], _inside(place, name), columns)
            for name, form in self.forms.items()
        }

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:
        tree = _members(tree, place, of=None)
        left_over = sorted(tree.keys() - self.forms.keys())
        if left_over:
            raise UnfitError(f"{_inside(place, left_over[0])} is not known here; a newer geofence may have written it")
        found: dict[str, list[Any]] = {}
        for item in fields(self.kind):
            inside = _inside(place, item.name)
            if item.name in tree:
                found[item.name] = self.forms[item.name].unpack(tree[item.name], count, inside, columns)
            elif not _has_default(item):
                raise UnfitError(f"{inside} is missing")
        try:
            return [self.kind(**{name: values[row] for name, values in found.items()}) for row in range(count)]
        except (TypeError, ValueError) as error:
            raise UnfitError(f"{place or 'the record'} does not hold together: {error}") from error


def _has_default(item: Field[Any]) -> bool:
    return item.default is not MISSING or item.default_factory is not MISSING


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rows:
    """Tuples of any length."""

    form: _Form

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:
        _must_be(tuple, values, place)
        items = [item for value in values for item in value]
        return {"lengths": [len(value) for value in values], "items": self.form.pack(items, place, columns)}

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:
        tree = _members(tree, place, of=("lengths", "items"))
        lengths = _lengths(tree["lengths"], count, place)
        items = self.form.unpack(tree["items"], sum(lengths), place, columns)
        return [tuple(part) for part in _parts(items, lengths)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Maps:
    """Mappings from text, in their order."""

    form: _Form

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:
        _must_be(Mapping, values, place)
        keys = [key for value in values for key in value]
        _must_be(str, keys, place)
        items = self.form.pack([item for value in values for item in value.values()], place, columns)
        return {"lengths": [len(value) for value in values], "keys": [str(key) for key in keys], "items": items}

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:
        tree = _members(tree, place, of=("lengths", "keys", "items"))
        lengths = _lengths(tree["lengths"], count, place)
        keys = _listed(tree["keys"], sum(lengths), place)
        _must_be(str, keys, place, error=UnfitError)
        items = self.form.unpack(tree["items"], sum(lengths), place, columns)
        return [dict(part) for part in _parts(list(zip(keys, items, strict=True)), lengths)]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Optional:
    """A value, or None."""

    form: _Form

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:
        there = [value is not None for value in values]
        return {
            "there": there,
            "items": self.form.pack([value for value in values if value is not None], place, columns),
        }

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:
        tree = _members(tree, place, of=("there", "items"))
        there = _listed(tree["there"], count, place)
        _must_be(bool, there, place, error=UnfitError)
        items = iter(self.form.unpack(tree["items"], sum(there), place, columns))
        return [next(items) if flag else None for flag in there]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Arrays:
    """Arrays of numbers; ``dtype`` None: of any kind of number."""

    dtype: np.dtype[Any] | None

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:
        _must_be(np.ndarray, values, place)
        kinds = {value.dtype for value in values}
        if len(kinds) > 1 or any(kind.kind not in "fiub" for kind in kinds):
            raise TypeError(f"{place}: arrays of {', '.join(sorted(map(str, kinds)))} have no packed form")
        if not values:
            return {"column": None, "shapes": []}
        kind = kinds.pop().newbyteorder("<")
        flat = values[0] if len(values) == 1 else np.concatenate([value.ravel() for value in values])
        columns[place] = np.ascontiguousarray(flat, dtype=kind)
        return {"column": place, "shapes": [list(value.shape) for value in values]}

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:
        tree = _members(tree, place, of=("column", "shapes"))
        shapes = [_shape(shape, place) for shape in _listed(tree["shapes"], count, place)]
        if not shapes:
            return []
        name = tree["column"]
        if not isinstance(name, str) or name not in columns:
            raise UnfitError(f"{place} has no column")
        column = columns[name]
        if column.dtype.kind not in "fiub" or (self.dtype is not None and column.dtype != self.dtype):
            raise UnfitError(f"{place} is a column of {column.dtype}, not of {self.dtype or 'numbers'}")
        sizes = [math.prod(shape) for shape in shapes]
        if sum(sizes) != column.size:
            raise UnfitError(f"{place} has {column.size} numbers, not {sum(sizes)}")
        return [_sealed(part, shape) for part, shape in zip(_parts(column.reshape(-1), sizes), shapes, strict=True)]


def _dtype(parts: Sequence[Any]) -> np.dtype[Any] | None:
    """The kind of number of ``NDArray[np.float64]``."""
    inner = get_args(parts[1]) if len(parts) == 2 else ()
    return np.dtype(inner[0]) if inner and isinstance(inner[0], type) else None


def _sealed(numbers: Column, shape: tuple[int, ...]) -> Column:
    array = numbers.reshape(shape)
    array.flags.writeable = False
    return array


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scalars:
    """Text, truth, whole numbers and numbers."""

    kind: type[Any]

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:  # noqa: ARG002
        values = [value.item() if isinstance(value, np.generic) else value for value in values]
        _must_be(_SCALARS[self.kind], values, place, kind=self.kind)
        return [_not_finite(value) or value for value in values] if self.kind is float else values

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:  # noqa: ARG002
        values = _listed(tree, count, place)
        if self.kind is float:
            values = [_NOT_FINITE.get(value, value) if isinstance(value, str) else value for value in values]
        _must_be(_SCALARS[self.kind], values, place, kind=self.kind, error=UnfitError)
        if self.kind is float and any(isinstance(value, int) and abs(value) > sys.float_info.max for value in values):
            raise UnfitError(f"{place} is greater than any float")
        return values


_SCALARS: Mapping[Any, tuple[type[Any], ...]] = {str: (str,), bool: (bool,), int: (int,), float: (float, int)}
"""Kinds of single values, and what each may be: a whole number is a number."""

_NOT_FINITE = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}


def _not_finite(value: Any) -> str | None:
    """The word for a float that JSON does not have."""
    if not isinstance(value, float) or math.isfinite(value):
        return None
    return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Words:
    """Some words, and no others."""

    words: tuple[Any, ...]

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:  # noqa: ARG002
        return self._checked(values, place, TypeError)

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:  # noqa: ARG002
        return self._checked(_listed(tree, count, place), place, UnfitError)

    def _checked(self, values: list[Any], place: str, error: type[Exception]) -> list[Any]:
        known = {(type(word), word) for word in self.words}
        strange = [value for value in values if (type(value), value) not in known]
        if strange:
            raise error(f"{place} is {strange[0]!r}, not one of {', '.join(map(str, self.words))}")
        return values


@dataclass(frozen=True, slots=True, kw_only=True)
class _Free:
    """Values of which no annotation says what they are: each says it itself."""

    def pack(self, values: list[Any], place: str, columns: dict[str, Column]) -> Tree:  # noqa: ARG002
        return [_tagged(value, place) for value in values]

    def unpack(self, tree: Tree, count: int, place: str, columns: Mapping[str, Column]) -> list[Any]:  # noqa: ARG002
        return [_untagged(value, place) for value in _listed(tree, count, place)]


_PATHS: Mapping[str, type[PurePath]] = {"path": Path, "posix-path": PurePosixPath, "windows-path": PureWindowsPath}


def _tagged(value: Any, place: str) -> Tree:
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, (str, bool, int)):
        return value
    if isinstance(value, float):
        word = _not_finite(value)
        return value if word is None else {"float": word}
    if isinstance(value, list):
        return [_tagged(item, place) for item in value]
    if isinstance(value, tuple):
        return {"tuple": [_tagged(item, place) for item in value]}
    if isinstance(value, Mapping):
        return {"map": [[_tagged(key, place), _tagged(item, place)] for key, item in value.items()]}
    for tag, kind in _PATHS.items():
        if isinstance(value, kind):
            return {tag: str(value)}
    raise TypeError(f"{place}: {type(value).__name__} has no packed form: {value!r}")


def _untagged(tree: Tree, place: str) -> Any:
    if isinstance(tree, list):
        return [_untagged(item, place) for item in tree]
    if not isinstance(tree, dict):
        return tree
    match next(iter(tree.items()), ("", None)), len(tree):
        case ("float", str(word)), 1 if word in _NOT_FINITE:
            return _NOT_FINITE[word]
        case ("tuple", list(items)), 1:
            return tuple(_untagged(item, place) for item in items)
        case ("map", list(pairs)), 1 if all(isinstance(pair, list) and len(pair) == 2 for pair in pairs):
            with suppress(TypeError):  # a key that holds a list
                return {_untagged(key, place): _untagged(item, place) for key, item in pairs}
        case (tag, str(text)), 1 if tag in _PATHS:
            return _PATHS[tag](text)
    raise UnfitError(f"{place} holds a value of no known kind")


def _inside(place: str, name: str) -> str:
    return f"{place}/{name}" if place else name


def _must_be(
    wanted: type[Any] | tuple[type[Any], ...],
    values: Sequence[Any],
    place: str,
    *,
    kind: type[Any] | None = None,
    error: type[Exception] = TypeError,
) -> None:
    """Raise where a value is of another kind; truth is no number here, although Python has it so."""
    for value in values:
        if not isinstance(value, wanted) or (isinstance(value, bool) and kind in (int, float)):
            name = (kind or (wanted if isinstance(wanted, type) else wanted[0])).__name__
            raise error(f"{place or 'the record'} is {type(value).__name__}, not {name}")


def _members(tree: Tree, place: str, *, of: tuple[str, ...] | None) -> dict[str, Any]:
    if not isinstance(tree, dict) or (of is not None and set(tree) != set(of)):
        raise UnfitError(f"{place or 'the record'} is not as it is packed")
    return tree


def _listed(tree: Tree, count: int, place: str) -> list[Any]:
    if not isinstance(tree, list) or len(tree) != count:
        raise UnfitError(f"{place} is not a list of {count}")
    return tree


def _lengths(tree: Tree, count: int, place: str) -> list[int]:
    lengths = _listed(tree, count, place)
    if not all(type(length) is int and length >= 0 for length in lengths):
        raise UnfitError(f"{place} has lengths that are none")
    return lengths


def _shape(tree: Tree, place: str) -> tuple[int, ...]:
    if not isinstance(tree, list) or not tree or not all(type(size) is int and size >= 0 for size in tree):
        raise UnfitError(f"{place} has a shape that is none")
    return tuple(tree)


def _parts(items: Any, lengths: Sequence[int]) -> Iterator[Any]:
    start = 0
    for length in lengths:
        yield items[start : start + length]
        start += length
