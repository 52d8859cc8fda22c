"""A TOML file read into a model, and what is said of a mistake in it.

Expected texts are the promise itself, word for word; expected lines are counted by hand or by construction.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field, Strict, model_validator

from geofence.errors import JobError
from geofence.toml_file import TomlFile, address, fault, holds, read, shown, unit_of, validate


class Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    width_m: float = Field(gt=0, lt=5, description="across the flats")
    turn_deg: float = Field(0.0, ge=-90, le=90)
    count: int = 1
    word: Literal["up", "down"] = "up"
    text: Annotated[str, Field(min_length=1)] = "x"
    many: Annotated[tuple[float, ...], Strict(False)] = ()

    @model_validator(mode="after")
    def _not_thirteen(self) -> Part:
        if self.count == 13:
            raise fault("is {unlucky}", keys=("count",), value=self.count, limit=12, remedy="Take another.")
        return self


class Whole(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    part: Part
    row: Annotated[tuple[Part, ...], Strict(False)] = ()


def _read_whole(path: Path) -> Whole:
    file = read(path, kind="parts list", remedy="Ask for one.")
    return validate(Whole, file.values, place=file.place)


def said(text: str, tmp_path: Path) -> str:
    """What is said of a file of this text."""
    path = tmp_path / "a.toml"
    path.write_bytes(text.encode())
    with pytest.raises(JobError) as caught:
        _read_whole(path)
    return str(caught.value).replace(str(path), "a.toml")


TRICKY = '''\
# "quotes' and [brackets in a comment
title = "a # no comment, a \\" and a ["
other = 'C:\\'

[part] # a table
list = [  # with ] in a comment
  1,
  "]",
]
after_list = 1
text = """
[not.a.table]
fake = 1
ends with quotes""""
after_text = 2
raw = \'\'\'
fake = 2 ' ''
\'\'\'
after_raw = 3
dotted.key.deep = 4
inline = { a = 1, b = [2, 3] }

[[row]]
x = 1

  [[row]]
"quoted key" = 5
[row.under]
y = 6
'''

LINES = {
    ("title",): 2,
    ("other",): 3,
    ("part",): 5,
    ("part", "list"): 6,
    ("part", "list", 1): 6,
    ("part", "after_list"): 10,
    ("part", "text"): 11,
    ("part", "after_text"): 15,
    ("part", "raw"): 16,
    ("part", "after_raw"): 19,
    ("part", "dotted", "key", "deep"): 20,
    ("part", "inline", "b", 1): 21,
    ("row",): 23,
    ("row", 0): 23,
    ("row", 0, "x"): 24,
    ("row", 1): 26,
    ("row", 1, "quoted key"): 27,
    ("row", 1, "under", "y"): 29,
    ("row", 1, "missing"): 26,
    ("part", "fake"): 5,
    ("nowhere",): None,
}


class TestLine:
    @pytest.mark.parametrize("keys", LINES, ids=address)
    def test_is_that_of_the_statement(self, keys):
        file = TomlFile(file=Path("a.toml"), text=TRICKY, values=tomllib.loads(TRICKY))
        assert file.line(keys) == LINES[keys]

    @given(
        st.lists(
            st.sampled_from(
                [
                    "1",
                    '["""a"""", "]"]',
                    "[\n 1,\n # ]\n]",
                    '"""\n[x]\nk0 = 1\n"""',
                    "'''\n'''",
                    '"#["',
                    "{ a = ']' }",
                    '1\n\n# k1 = "\n',
                    '[[[\n"""]\n"""]], \'"\']',
                ]
            ),
            min_size=1,
            max_size=12,
        )
    )
    def test_is_where_the_key_was_written(self, values):
        text, expected = "", []
        for number, value in enumerate(values):
            expected.append(text.count("\n") + 1)
            text += f"k{number} = {value}\n"
        file = TomlFile(file=Path("a.toml"), text=text, values=tomllib.loads(text))
        assert [file.line((f"k{number}",)) for number in range(len(values))] == expected


class TestRead:
    def test_takes_a_byte_order_mark_and_windows_line_ends(self, tmp_path):
        path = tmp_path / "a.toml"
        path.write_bytes(b"\xef\xbb\xbfa = 1\r\n\r\nb = 2\r\n")
        file = read(path, kind="job file")
        assert file.values == {"a": 1, "b": 2}
        assert file.place(("b",)) == f"{path}, line 3, b"

    @pytest.mark.parametrize(
        ("raw", "text"),
        [
            (b"", "a.toml: this parts list is empty. Ask for one."),
            (b"# nothing\n\n", "a.toml: this parts list is empty. Ask for one."),
            (b"a = 1\nb = '\xe9'\n", "a.toml, line 2: this parts list is not UTF-8 text: byte 0xe9. Save it as UTF-8."),
            (b"\xff\xfea\x00", "a.toml, line 1: this parts list is not UTF-8 text: byte 0xff. Save it as UTF-8."),
            (b"GP\x00\x01\xe9 line", "a.toml: this is no parts list: it is not text. Ask for one."),
            (b"a = " + b"[" * 50_000, "a.toml: this parts list cannot be parsed: it is nested too deeply."),
            (b"a = " + b"9" * 5000, "a.toml: this parts list cannot be parsed: a number in it is too long."),
        ],
        ids=["empty", "comments", "latin-1", "utf-16", "binary", "deep", "long"],
    )
    def test_says_what_is_wrong_with_a_file(self, raw, text, tmp_path):
        path = tmp_path / "a.toml"
        path.write_bytes(raw)
        with pytest.raises(JobError) as caught:
            read(path, kind="parts list", remedy="Ask for one.")
        assert str(caught.value).replace(str(path), "a.toml") == text

    @pytest.mark.parametrize(
        ("text", "start"),
        [
            ("a = 1\n[part\n", "a.toml, line 2, column 6: this is not TOML: "),
            ("a = 1\nb 2\n", "a.toml, line 2, column 3: this is not TOML: "),
            ('a = 1\n\nb = "x', "a.toml, line 3, at the end: this is not TOML: "),
            ("[part]\n[part]\n", "a.toml, line 2, column 6: this is not TOML: cannot declare part twice. "),
        ],
    )
    def test_names_line_and_column_where_it_is_not_toml(self, text, start, tmp_path):
        """The parser's own reason follows; its wording is Python's."""
        assert said(text, tmp_path).startswith(start)

    @pytest.mark.parametrize(
        ("text", "end"),
        [
            ("a = 1\nb 2\n", 'A line is a [table], a key = value, or a # comment; text stands in "quotes".'),
            ("[part]\nwidth_m = 3,6\n", "The decimal mark is a point: width_m = 3.6."),
            ("width_m = -3,60   # clear\n", "The decimal mark is a point: width_m = -3.60."),
            ("part = { width_m = 3,6 }\n", "The decimal mark is a point: width_m = 3.6."),
            ("a = \"C:\\data\\x.gpkg\"\n", "a code: write \"C:/data/x.gpkg\" or 'C:\\data\\x.gpkg'."),
            ("a = \"C:\\temp\\x.tif\"\n", "a code: write \"C:/temp/x.tif\" or 'C:\\temp\\x.tif'."),
            ("a = \"C:\\Users\\x.tif\"\n", "a code: write \"C:/Users/x.tif\" or 'C:\\Users\\x.tif'."),
            ('a = "an \\u00e9" x\n', 'a # comment; text stands in "quotes".'),
            ("[gate]\na = 1\n[[gate]]\na = 2\n", "each begins with [[gate]], the first one too; a single one is "
             "headed [gate] once."),
            ("[[gate]]\na = 1\n[gate]\na = 2\n", "each begins with [[gate]], the first one too; a single one is "
             "headed [gate] once."),
        ],
    )  # fmt: skip
    def test_says_what_to_do_about_the_usual_slips(self, text, end, tmp_path):
        assert said(text, tmp_path).endswith(end)

    def test_says_that_there_is_no_file(self, tmp_path):
        with pytest.raises(JobError, match=r"none\.toml: there is no such parts list\. Ask for one\.$"):
            read(tmp_path / "none.toml", kind="parts list", remedy="Ask for one.")

    def test_says_that_a_folder_is_no_file(self, tmp_path):
        with pytest.raises(JobError, match=r": this is a folder, not a parts list\.$"):
            read(tmp_path, kind="parts list")

    def test_says_that_a_name_cannot_be_one(self):
        with pytest.raises(JobError, match="this parts list cannot be read"):
            read(Path("a\0b"), kind="parts list")


WORDS = {
    "[part]\nwidth = 1": "a.toml, line 2, part.width: is not a known key. Did you mean width_m? Also:\n"
    "a.toml, line 1, part.width_m: is missing. Add it: across the flats.",
    "[part]\nwidth_m = 1\nbroad = 2": "a.toml, line 3, part.broad: is not a known key. "
    "Known: width_m, turn_deg, count, word, text, many.",
    "[part]\nwidth_m = 1\n[prat]\nx = 1": "a.toml, line 3, prat: is not a known table. Did you mean part?",
    "[part]\nwidth_m = 1\n[part.sub]\nx = 1": "a.toml, line 3, part.sub: is not a known key. "
    "Known: width_m, turn_deg, count, word, text, many.",
    "width_m = 2\n[part]\nwidth_m = 1": "a.toml, line 1, width_m: is not a known key here. It belongs in [part].",
    "x = 1": "a.toml, line 1, x: is not a known key. Known: part, row. Also:\na.toml, part: is missing. Add it.",
    "[part]\nwidth_m = '1.5'": "a.toml, line 2, part.width_m: is text where a number belongs: '1.5'. "
    "Write 1.5 without quotes.",
    "[part]\nwidth_m = '1,5'": "a.toml, line 2, part.width_m: is text where a number belongs: '1,5'. "
    "Write 1.5 without quotes.",
    "[part]\nwidth_m = '5 ft'": "a.toml, line 2, part.width_m: is text where a number belongs: '5 ft'. "
    "Write a number, without quotes and without a unit.",
    "[part]\nwidth_m = true": "a.toml, line 2, part.width_m: is not a number: true. Write a number.",
    "[part]\nwidth_m = nan": "a.toml, line 2, part.width_m: is not a finite number: nan. Write a finite number.",
    "[part]\nwidth_m = -inf": "a.toml, line 2, part.width_m: is not a finite number: -inf. Write a finite number.",
    "[part]\nwidth_m = 0": "a.toml, line 2, part.width_m: must be above its limit: 0 m, limit 0 m.",
    "[part]\nwidth_m = 1500": "a.toml, line 2, part.width_m: must be below its limit: 1500 m, limit 5 m. "
    "Lengths are in metres.",
    "[part]\nwidth_m = 1\nturn_deg = -90.5": "a.toml, line 3, part.turn_deg: is below its limit: -90.5 deg, "
    "limit -90 deg.",
    "[part]\nwidth_m = 1\nturn_deg = 91": "a.toml, line 3, part.turn_deg: is above its limit: 91 deg, limit 90 deg.",
    "[part]\nwidth_m = 1\ncount = 1.5": "a.toml, line 3, part.count: is not a whole number: 1.5. Write a whole number.",
    "[part]\nwidth_m = 1\ncount = '2'": "a.toml, line 3, part.count: is text where a number belongs: '2'. "
    "Write 2 without quotes.",
    "[part]\nwidth_m = 1\nword = 'dwn'": "a.toml, line 3, part.word: is not one of the known words: 'dwn'. "
    "Did you mean down?",
    "[part]\nwidth_m = 1\nword = 3": "a.toml, line 3, part.word: is not one of the known words: 3. Known: up, down.",
    "[part]\nwidth_m = 1\ntext = 2026-03-01": "a.toml, line 3, part.text: is not text: 2026-03-01. Write it in quotes.",
    "[part]\nwidth_m = 1\ntext = ''": "a.toml, line 3, part.text: is empty: ''. Write it, or leave the key out.",
    "[part]\nwidth_m = 1\nmany = 2": "a.toml, line 3, part.many: is not a list: 2. Write it in brackets: [2].",
    "[part]\nwidth_m = 1\nmany = [1,\n'2']": "a.toml, line 3, part.many[2]: is text where a number belongs: '2'. "
    "Write 2 without quotes.",
    "[[part]]\nwidth_m = 1": "a.toml, line 1, part: is a list of tables where one table belongs. "
    "Write [part], with single brackets.",
    "part = 3": "a.toml, line 1, part: is not a table: 3. Write [part] and its keys below.",
    "[part]\nwidth_m = 1\n[row]\nwidth_m = 1": "a.toml, line 3, row: is one table where a list of tables belongs. "
    "Write [[row]], with double brackets.",
    "[part]\nwidth_m = 1\n[[row]]\nwidth_m = 1\n[[row]]\ncount = 1": "a.toml, line 5, row[2].width_m: is missing. "
    "Add it: across the flats.",
    "[part]\nwidth_m = 1\ncount = 13": "a.toml, line 3, part.count: is {unlucky}: 13, limit 12. Take another.",
    '[part]\nwidth_m = 1\n"a\\nb" = 1': "a.toml, line 3, part.'a\\nb': is not a known key. "
    "Known: width_m, turn_deg, count, word, text, many.",
}


class TestValidate:
    @pytest.mark.parametrize("text", WORDS)
    def test_says_word_for_word(self, text, tmp_path):
        assert said(text, tmp_path) == WORDS[text]

    def test_gives_the_model(self):
        assert validate(Whole, {"part": {"width_m": 1}}, place=address).part.width_m == 1.0

    def test_tells_the_first_ten_mistakes_and_counts_the_rest(self, tmp_path):
        text = "[part]\nwidth_m = 1\n" + "".join(f"many{number} = 1\n" for number in range(13))
        lines = said(text, tmp_path).split("\n")
        assert len(lines) == 11
        assert lines[0].startswith("a.toml, line 3, part.many0: is not a known key. Did you mean many? Also:")
        assert lines[-1] == "and 3 more."


class TestWords:
    def test_holds_does_not_walk_into_text(self):
        assert not holds({"a": "text"}, ("a", 0))
        assert not holds({"a": 1}, ("a", "b"))
        assert holds({}, ())

    @pytest.mark.parametrize(
        ("key", "unit"),
        [
            ("width_m", "m"),
            ("area_m2", "m2"),
            ("turn_deg", "deg"),
            ("post_kg_per_m", "kg/m"),
            ("panel_kg_per_m2", "kg/m2"),
            ("mass_kg", "kg"),
            ("embedment_ratio", ""),
            ("m", ""),
        ],
    )
    def test_unit_is_the_end_of_the_name(self, key, unit):
        assert unit_of(("table", key)) == unit

    @pytest.mark.parametrize(
        ("value", "text"),
        [(1.885, "1.885"), (0.1 + 0.2, "0.3"), (1e-9, "1e-09"), (-0.0, "0"), (2.0, "2"), (1e300, "1e+300")],
    )
    def test_numbers_are_shown_as_a_person_writes_them(self, value, text):
        assert shown(value) == text

    def test_long_values_are_cut(self):
        assert len(shown("x" * 1000)) == 60
