"""Rule: a value of any shape that a job can have comes back from its packed form as it was, through JSON."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from geofence.packed import Packed, pack, unpack
from tests.any_records import differences

NAMES: dict[str, Any] = {}


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    values: tuple[Any, ...]
    numbers: tuple[float, ...]
    words: tuple[str | None, ...]


TEXTS = st.text(max_size=8)
KEYS = TEXTS | st.integers() | st.tuples(st.integers(), TEXTS)
PATHS = st.builds(Path, TEXTS.filter(lambda text: "\0" not in text)) | st.builds(PurePosixPath, TEXTS)
SINGLE = st.none() | st.booleans() | st.integers() | st.floats() | TEXTS | PATHS | st.builds(PureWindowsPath, TEXTS)
VALUES = st.recursive(
    SINGLE,
    lambda inner: (
        st.lists(inner, max_size=3) | st.lists(inner, max_size=3).map(tuple) | st.dictionaries(KEYS, inner, max_size=3)
    ),
    max_leaves=12,
)


class TestThereAndBack:
    @given(
        st.builds(
            Holder,
            values=st.lists(VALUES, max_size=4).map(tuple),
            numbers=st.lists(st.floats(), max_size=4).map(tuple),
            words=st.lists(st.none() | TEXTS, max_size=4).map(tuple),
        )
    )
    def test_nothing_changes(self, holder: Holder) -> None:
        parts = pack(holder, NAMES)
        tree = json.loads(json.dumps(parts.tree, allow_nan=False))
        assert list(differences(holder, unpack(Holder, Packed(tree=tree, columns=parts.columns), NAMES))) == []
