"""Records filled with odd values by their annotations alone, so that a new field or record is filled too."""

from __future__ import annotations

import sys
import types
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import numpy as np

from geofence.site.ground import Relief

NAMES = {"Relief": Relief}
"""What ``geofence.plan`` imports for type checkers only."""

ODD_FLOATS = (np.nan, np.inf, -np.inf, -0.0, 5e-324, 1.7976931348623157e308, 0.1, 1 / 3, 2.0**53 + 2, -1.25)
ODD_TEXTS = ("", "=1+1", "-x", "a\nb", "\u0000", '"', "</script>", "čšž 漢字 🛑", "d\udce9j", "x" * 300, "nan")
ODD_VALUES = (
    None, True, False, 0, -7, 10**30, 1.0, -0.0, float("nan"), float("inf"), "", "é", [], (), {},
    [1, [2.5, None]], (1, (2, "x"), [3]), {"a": {"b": (None, 1.0)}}, {1: "one", (2, 3): "pair"},
    Path("a") / "b.tif", PurePosixPath("/c/d"), PureWindowsPath("e:\\f"), {"path": "not a path"}, {"tuple": [1]},
    {"float": "nan"}, {"map": []},
)  # fmt: skip


class Filler:
    """Fills records; each value is the next of its kind, so that neighbours differ."""

    def __init__(self, rows: int) -> None:
        self.rows = rows
        self.filled: set[type[Any]] = set()
        self._counts: dict[Any, int] = {}

    def record(self, kind: type[Any]) -> Any:
        """A record; its columns have one length, as tables ask for."""
        self.filled.add(kind)
        hints = get_type_hints(kind, vars(sys.modules[kind.__module__]), NAMES)
        return kind(**{item.name: self.value(hints[item.name]) for item in fields(kind)})

    def value(self, hint: Any) -> Any:
        origin, parts = get_origin(hint), get_args(hint)
        if is_dataclass(hint) and isinstance(hint, type):
            return self.record(hint)
        if hint is np.ndarray or origin is np.ndarray:
            return self._array(get_args(parts[1])[0])
        if origin is Literal:
            return self._next(hint, parts)
        if hint in (str, float, int, bool):
            texts = {str: ODD_TEXTS, float: (*ODD_FLOATS, 3), int: (0, -1, 2**60), bool: (True, False)}
            return self._next(hint, texts[hint])
        if origin in (Union, types.UnionType):
            return self.value(self._next(hint, [part for part in parts if part is not types.NoneType] + [None]))
        if hint is None:
            return None
        if origin is tuple and parts[1] is Ellipsis:
            return tuple(self.value(parts[0]) for _ in range(self.rows))
        if isinstance(origin, type) and issubclass(origin, Mapping):
            return {f"{number}{text}": self.value(parts[1]) for number, text in enumerate(ODD_TEXTS)}
        if hint is Any:
            return self._next(hint, ODD_VALUES)
        raise AssertionError(f"a record has a field of {hint}: say here what may stand in it")

    def _next(self, key: Any, values: Any) -> Any:
        count = self._counts.get(key, 0)
        self._counts[key] = count + 1
        return values[count % len(values)]

    def _array(self, kind: type[Any]) -> Any:
        count = self._next("array", range(10**6))
        if kind is np.float32:
            return np.arange(self.rows * 3, dtype=np.float32).reshape(self.rows, 3) / np.float32(3 + count)
        if np.issubdtype(kind, np.integer):
            return np.arange(self.rows, dtype=kind) + kind(count)
        return np.roll(np.resize(np.array(ODD_FLOATS), self.rows), count)


def differences(one: Any, other: Any, place: str = "") -> Iterator[str]:
    """Where two values are not the same to the last bit and the last type."""
    if type(one) is not type(other):
        yield f"{place}: {type(one).__name__} is not {type(other).__name__}"
    elif is_dataclass(one):
        for item in fields(one):
            yield from differences(getattr(one, item.name), getattr(other, item.name), f"{place}.{item.name}")
    elif isinstance(one, np.ndarray):
        if (one.dtype, one.shape, one.tobytes()) != (other.dtype, other.shape, other.tobytes()):
            yield f"{place}: other numbers"
    elif isinstance(one, dict):
        if list(one) != list(other):
            yield f"{place}: other keys"
        for key in one.keys() & other.keys():
            yield from differences(one[key], other[key], f"{place}[{key!r}]")
    elif isinstance(one, (list, tuple)):
        if len(one) != len(other):
            yield f"{place}: {len(one)} and {len(other)} items"
        for row, (first, second) in enumerate(zip(one, other, strict=False)):
            yield from differences(first, second, f"{place}[{row}]")
    elif isinstance(one, float):
        if one.hex() != other.hex():
            yield f"{place}: {one!r} is not {other!r}"
    elif one != other:
        yield f"{place}: {one!r} is not {other!r}"
