"""Records packed and unpacked. What comes out is held against what went in, to the bit: no numbers of their own."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import Enum
from typing import Any, Literal

import numpy as np
import pytest

from geofence.engine.records import Floats, Ints, Table
from geofence.packed import Packed, UnfitError, pack, unpack
from geofence.plan import FencePlan
from tests.any_records import NAMES, ODD_VALUES, Filler, differences


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns(Table):
    number: Ints
    level_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bare:
    level_m: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Small:
    word: Literal["one", "two"] = "one"
    size_m: float | None = None
    count: int = 0
    inner: tuple[Columns, ...] = ()
    given: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Smaller:
    word: Literal["one", "two"] = "one"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asking:
    word: str
    needed: str


def through_json(record: Any) -> Packed:
    parts = pack(record, NAMES)
    return Packed(tree=json.loads(json.dumps(parts.tree, allow_nan=False)), columns=parts.columns)


class TestEveryFieldOfEveryRecord:
    @pytest.mark.parametrize("rows", [0, 1, 2, 31])
    def test_of_a_plan_survives_bit_for_bit(self, rows: int) -> None:
        plan = Filler(rows).record(FencePlan)
        assert list(differences(plan, unpack(FencePlan, through_json(plan), NAMES))) == []

    def test_none_is_left_out(self) -> None:
        """The filler reaches all records of a plan; this list is by hand, and more may come."""
        filler = Filler(31)
        filler.record(FencePlan)
        assert {kind.__name__ for kind in filler.filled} >= {
            "Bays", "Cost", "Fence", "FencePlan", "Finding", "Grid", "Legs", "Parameter", "Places", "PlannedZone",
            "Posts", "Provenance", "ReferenceMarks", "Relief", "Run", "ShotPoints", "Stations", "Strains",
            "SystemFacts", "ZoneOutline",
        }  # fmt: skip

    @pytest.mark.parametrize("value", ODD_VALUES, ids=repr)
    def test_a_value_of_any_kind(self, value: Any) -> None:
        small = Small(given={"key": value})
        assert list(differences(small, unpack(Small, through_json(small), NAMES))) == []

    def test_what_differs_is_seen(self) -> None:
        """The comparison itself: a last bit, a type, a length, a missing key."""
        small = Small(size_m=0.1, given={"a": (1,)}, inner=(Columns(number=[1], level_m=[0.0]),))
        for other in (
            replace(small, size_m=np.nextafter(0.1, 1).item()),
            replace(small, given={"a": [1]}),
            replace(small, given={"a": (1, 2)}),
            replace(small, given={}),
            replace(small, inner=(Columns(number=[1], level_m=[-0.0]),)),
            replace(small, inner=()),
        ):
            assert list(differences(small, other))


class TestColumns:
    def test_arrays_of_one_field_are_one_column(self) -> None:
        rows = (Columns(number=[1, 2], level_m=[0.5, 1.5]), Columns(number=[3], level_m=[2.5]))
        parts = pack(Small(inner=rows), NAMES)
        assert {name: list(column) for name, column in parts.columns.items()} == {
            "inner/number": [1, 2, 3],
            "inner/level_m": [0.5, 1.5, 2.5],
        }

    def test_come_back_read_only(self) -> None:
        """Whatever record they are of; those of a table are so anyway."""
        for record in (Columns(number=[1], level_m=[0.5]), Bare(level_m=np.array([0.5]))):
            assert not unpack(type(record), pack(record, NAMES), NAMES).level_m.flags.writeable

    def test_whatever_order_their_bytes_stand_in(self) -> None:
        parts = pack(Small(inner=(Columns(number=[1], level_m=[0.5]),)), NAMES)
        assert {column.dtype.str for column in parts.columns.values()} == {"<i8", "<f8"}

    def test_of_things_that_are_no_numbers_have_no_form(self) -> None:
        @dataclass(frozen=True)
        class Odd:
            things: Any

        with pytest.raises(TypeError, match="ndarray has no packed form"):
            pack(Odd(things=np.array(["a"])), {"Any": Any})


class TestOtherReleases:
    def test_a_field_that_an_older_record_lacks_takes_its_default(self) -> None:
        assert unpack(Small, pack(Smaller(word="two"), NAMES), NAMES) == Small(word="two")

    def test_a_field_that_must_be_there(self) -> None:
        with pytest.raises(UnfitError, match=r"^needed is missing$"):
            unpack(Asking, Packed(tree={"word": ["x"]}, columns={}), NAMES)

    def test_a_field_that_nobody_knows(self) -> None:
        with pytest.raises(UnfitError, match=r"^count is not known here; a newer geofence may have written it$"):
            unpack(Smaller, pack(Small(), NAMES), NAMES)


class Colour(Enum):
    GREEN = "green"


class TestWhatDoesNotFit:
    @pytest.mark.parametrize(
        ("record", "says"),
        [
            (Small(size_m="1.5"), "size_m is str, not float"),  # type: ignore[arg-type]
            (Small(count=True), "count is bool, not int"),
            (Small(count=1.5), "count is float, not int"),  # type: ignore[arg-type]
            (Small(word="three"), "word is 'three', not one of one, two"),  # type: ignore[arg-type]
            (Small(inner=[]), "inner is list, not tuple"),  # type: ignore[arg-type]
            (Small(given={1: 2}), "given is int, not str"),  # type: ignore[dict-item]
            (Small(given={"a": {1, 2}}), "given: set has no packed form"),
            (Small(given={"a": Colour.GREEN}), "given: Colour has no packed form"),
            (Small(given={"a": b"x"}), "given: bytes has no packed form"),
        ],
    )
    def test_is_not_packed(self, record: Small, says: str) -> None:
        with pytest.raises(TypeError, match=says):
            pack(record, NAMES)

    @pytest.mark.parametrize(
        ("change", "says"),
        [
            ({"word": ["three"]}, "word is 'three', not one of one, two"),
            ({"word": "one"}, "word is not a list of 1"),
            ({"word": ["one", "one"]}, "word is not a list of 1"),
            ({"count": ["7"]}, "count is str, not int"),
            ({"count": [True]}, "count is bool, not int"),
            ({"count": [None]}, "count is NoneType, not int"),
            ({"size_m": [1.0]}, "size_m is not as it is packed"),
            ({"size_m": {"there": [True], "items": [10**309]}}, "size_m is greater than any float"),
            ({"size_m": {"there": [1], "items": [1.0]}}, "size_m is int, not bool"),
            ({"size_m": {"there": [True], "items": []}}, "size_m is not a list of 1"),
            ({"inner": {"lengths": [-1], "items": {}}}, "inner has lengths that are none"),
            (
                {"inner": {"lengths": [1], "items": {"number": {"column": "x", "shapes": [[1]]}}}},
                "has no column",
            ),
            ({"inner": {"lengths": [1], "items": {"number": {"column": None, "shapes": [[1]]}}}}, "has no column"),
            (
                {"inner": {"lengths": [1], "items": {"number": {"column": "a", "shapes": [[3]]}}}},
                "2 numbers, not 3",
            ),
            ({"inner": {"lengths": [1], "items": {"number": {"column": "a", "shapes": [["2"]]}}}}, "a shape that is"),
            (
                {"inner": {"lengths": [1], "items": {"number": {"column": "b", "shapes": [[2]]}}}},
                "not of int64",
            ),
            ({"given": {"there": [True], "items": {"lengths": [1], "keys": [1], "items": [1]}}}, "int, not str"),
            (
                {"given": {"there": [True], "items": {"lengths": [1], "keys": ["a"], "items": [{"what": 1}]}}},
                "no known",
            ),
            ({"given": {"there": [True], "items": {"lengths": [1], "keys": ["a"], "items": [{}]}}}, "no known kind"),
            (
                {"given": {"there": [True], "items": {"lengths": [1], "keys": ["a"], "items": [{"map": [1]}]}}},
                "no known",
            ),
            (
                {"given": {"there": [True], "items": {"lengths": [1], "keys": ["a"], "items": [{"map": [[[1], 2]]}]}}},
                "no known",
            ),
        ],
    )
    def test_is_not_unpacked(self, change: dict[str, Any], says: str) -> None:
        tree = {**pack(Small(), NAMES).tree, **change}
        columns = {"a": np.array([1, 2]), "b": np.array([1.0, 2.0])}
        with pytest.raises(UnfitError, match=says):
            unpack(Small, Packed(tree=tree, columns=columns), NAMES)

    def test_columns_of_different_lengths(self) -> None:
        columns = {"a": np.array([1, 2]), "b": np.array([1.0])}
        items = {"number": {"column": "a", "shapes": [[2]]}, "level_m": {"column": "b", "shapes": [[1]]}}
        with pytest.raises(UnfitError, match=r"inner does not hold together: .*different lengths"):
            unpack(Small, Packed(tree={"inner": {"lengths": [1], "items": items}}, columns=columns), NAMES)

    @pytest.mark.parametrize("tree", [None, [], "plan", 7])
    def test_no_record_at_all(self, tree: Any) -> None:
        with pytest.raises(UnfitError, match=r"^the record is not as it is packed$"):
            unpack(Small, Packed(tree=tree, columns={}), NAMES)
