"""Text of points: whatever its encoding, delimiter and decimals, the same points; and what does not fit is refused.

Expected numbers are those written into the files.
"""

from __future__ import annotations

import csv
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from geofence.errors import InputError, JobError
from geofence.inputs.point_text import PointText, read_point_text

ROWS = [
    ("P1", 432101.25, 208330.5, 71.125, "GL"),
    ("P 2", 432110.0, 208331.75, -0.5, "tree, old"),
    ("P3", 1.5, 2.25, 3.0, ""),
]
HEADER = ("point", "easting", "northing", "level", "code")


def written(folder: Path, text: str | bytes, name: str = "points.csv") -> Path:
    file = folder / name
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def read(folder: Path, text: str | bytes, *, name: str = "points.csv", **options: Any) -> PointText:
    return read_point_text(written(folder, text, name), **options)


def said(folder: Path, text: str | bytes, *, name: str = "points.csv", **options: Any) -> str:
    with pytest.raises((InputError, JobError)) as caught:
        read(folder, text, name=name, **options)
    return str(caught.value)


def table(*, delimiter: str = ",", decimal: str = ".", header: bool = True, end: str = "\n") -> str:
    """The rows as text; a field that holds the delimiter stands in quotes."""

    def field(value: object) -> str:
        text = str(value).replace(".", decimal) if isinstance(value, float) else str(value)
        return f'"{text}"' if delimiter in text or (delimiter == " " and not text) else text

    rows = [HEADER] if header else []
    return end.join(delimiter.join(map(field, row)) for row in [*rows, *ROWS]) + end


def assert_rows(found: PointText) -> None:
    assert found.easting.tolist() == [row[1] for row in ROWS]
    assert found.northing.tolist() == [row[2] for row in ROWS]
    assert found.level.tolist() == [row[3] for row in ROWS]
    assert found.code is not None
    assert found.name is not None
    assert found.code.tolist() == [row[4] for row in ROWS]
    assert found.name.tolist() == [row[0] for row in ROWS]


BOTH = ("code", "name")


class TestLayouts:
    @pytest.mark.parametrize(
        ("delimiter", "decimal", "word"),
        [
            (",", ".", "comma"), (";", ".", "semicolon"), ("\t", ".", "tab"), (" ", ".", "blanks"),
            (";", ",", "semicolon"), ("\t", ",", "tab"), (" ", ",", "blanks"), (",", ",", "comma"),
        ],
    )  # fmt: skip
    @pytest.mark.parametrize("end", ["\n", "\r\n", "\r"], ids=["LF", "CRLF", "CR"])
    def test_delimiters_decimals_and_line_ends(self, tmp_path, delimiter, decimal, word, end):
        found = read(tmp_path, table(delimiter=delimiter, decimal=decimal, end=end), texts=BOTH)
        assert_rows(found)
        assert (found.layout.delimiter, found.decimal) == (word, {".": "point", ",": "comma"}[decimal])
        assert found.line.tolist() == [2, 3, 4]

    @pytest.mark.parametrize(
        ("codec", "word"),
        [
            ("utf-8", "UTF-8"), ("utf-8-sig", "UTF-8 with a byte order mark"), ("utf-16", "UTF-16, little-endian"),
            ("utf-16-le", "UTF-16 without a byte order mark"), ("utf-16-be", "UTF-16 without a byte order mark"),
            ("cp1252", "Windows-1252"),
        ],
    )  # fmt: skip
    def test_encodings(self, tmp_path, codec, word):
        text = table(delimiter=";").replace("GL", "Böschung")
        found = read(tmp_path, text.encode(codec), texts=BOTH)
        assert found.encoding == word
        assert found.code is not None
        assert found.code[0] == "Böschung"
        assert found.level.tolist() == [row[3] for row in ROWS]

    def test_blank_lines_comments_and_rows_of_delimiters_are_passed_over(self, tmp_path):
        lines = table().splitlines()
        text = "\n".join(
            [
                "# shot by hand",
                "",
                lines[0],
                "  ",
                lines[1],
                "// away",
                ",,,,",
                lines[2],
                "   # more",
                "% end",
                lines[3],
                ",,,,",
            ]
        )
        found = read(tmp_path, text, texts=BOTH)
        assert_rows(found)
        assert found.line.tolist() == [5, 8, 11]
        assert found.comment_lines == 3

    def test_titles_above_the_header_are_passed_over(self, tmp_path):
        found = read(tmp_path, "Job: Alder Down\nDate: 2026-03-01\n" + table(), texts=BOTH)
        assert_rows(found)
        assert found.layout.title_lines == 2

    def test_a_header_may_stand_in_a_comment(self, tmp_path):
        found = read(tmp_path, "//Y X Z\n208330.5 432101.25 71.125\n", name="cloud.txt")
        assert (found.easting[0], found.northing[0], found.columns_from) == (432101.25, 208330.5, "the header, line 1")

    def test_an_order_takes_the_place_of_a_header(self, tmp_path):
        assert_rows(read(tmp_path, table(header=False), order="PENZC", texts=BOTH))
        assert_rows(read(tmp_path, table(header=False), order="point,easting,northing,level,code", texts=BOTH))

    def test_an_order_says_what_an_unknown_header_does_not(self, tmp_path):
        text = "Punkt,Ost,Nord,Hoehe,Art\n" + table(header=False)
        assert_rows(read(tmp_path, text, order="PENZC", texts=BOTH))

    def test_xyz_is_an_order_by_its_suffix(self, tmp_path):
        found = read(tmp_path, "1 2 3\n4 5 6\n7 8 9", name="cloud.xyz")
        assert [found.easting.tolist(), found.northing.tolist(), found.level.tolist()] == [
            [1, 4, 7],
            [2, 5, 8],
            [3, 6, 9],
        ]

    def test_remarks_of_many_words_between_blanks(self, tmp_path):
        found = read(tmp_path, "1  1000.5 2000 3 by the big oak\n2 1001 2001 4\n", order="PENZD", texts=("code",))
        assert found.level.tolist() == [3, 4]

    def test_columns_of_no_use_may_hold_anything(self, tmp_path):
        found = read(tmp_path, "date,e,n,z,q\n2026-03-01,1,2,3,n/a\nx,4,5,6,1,5\n".replace(",1,5\n", ",1\n"))
        assert found.level.tolist() == [3, 6]

    def test_quotes_within_a_remark_and_line_numbers_after_it(self, tmp_path):
        text = 'point,easting,northing,level,code\n1,1,2,3,12" pipe\n2,4,5,6,"a ""b"", c"\n3,7,8,x,\n'
        assert said(tmp_path, text).startswith("points.csv, line 4: the row does not fit: 'x' is no level: '3,7,8,x,'.")
        found = read(tmp_path, text.replace("x", "9"), texts=("code",))
        assert found.code is not None
        assert found.code.tolist() == ['12" pipe', 'a "b", c', ""]

    @pytest.mark.parametrize(
        "row",
        [
            'P1,1,2,3,"a, b"', 'P1,1,2,3,"a ""b"", c"', 'P1,1,2,3,12" pipe', '"P1",1,2,3,""', 'P1, 1, 2, 3, "a, b"',
            "P1,1,2,3,2026/03/01", "P1,1,2,3,# no comment", '"P1","1","2","3","4"', '"""P1""",1,2,3,x', "P1,1,2,3,a b",
            'P1,1,2,3,a "b, c', 'P1,1,2,3,"a"b',
        ],
    )  # fmt: skip
    def test_quotes_and_signs_are_read_as_pythons_csv_reads_them(self, tmp_path, row):
        """As all rows, and as one among others: both ways through the code; csv is Python's own."""
        expected = next(csv.reader([row], skipinitialspace=True))
        if len(expected) != 5:
            assert "it has 6 fields, where the header has 5" in said(tmp_path, "p,e,n,z,d\n" + row)
            return
        for text, place in ((f"{row}\n{row}\n", 1), (f"# x\n{row}\n\n Q,7,8,9,y\n", 0)):
            found = read(tmp_path, "p,e,n,z,d\n" + text, texts=BOTH)
            assert found.code is not None
            assert found.name is not None
            assert len(found.level) == 2
            assert [found.name[place], found.easting[place], found.code[place]] == [expected[0], 1.0, expected[4]]

    @pytest.mark.parametrize("remark", ["x", '"x, y"'])
    @pytest.mark.parametrize("mark", ["#", "//", "%"])
    def test_a_point_in_a_comment_is_no_point(self, tmp_path, remark, mark):
        """It has as many fields as the rows about it."""
        text = f"p,e,n,z,d\nP1,1,2,3,{remark}\n{mark}P2,4,5,6,{remark}\nP3,7,8,9,{remark}\n"
        found = read(tmp_path, text)
        assert found.level.tolist() == [3, 9]
        assert found.comment_lines == 1

    @pytest.mark.parametrize("row", ['a"x,7,8,9,b"y,1,2,3\n', 'a"x,7,8,9,b",1,2,3\n'])
    def test_quotes_within_fields_hide_no_delimiters(self, tmp_path, row):
        """Between them lie four delimiters, without which the rows would have the four fields of the header."""
        assert "it has 8 fields, where the header has 4" in said(tmp_path, "p,e,n,z\n" + 3 * row)

    def test_a_line_break_in_a_remark_is_refused_since_lines_would_be_miscounted(self, tmp_path):
        text = 'p,e,n,z,d\nP1,1,2,3,"a\nb"\nP2,4,5,6,"c\nd"\n'
        assert "line 3: the row does not fit: it has 1 field," in said(tmp_path, text)


class TestPointsWithoutLevel:
    @pytest.mark.parametrize("mark", ["", "-", "NaN", "n/a", "NULL", "*"])
    def test_have_no_level_and_never_zero(self, tmp_path, mark):
        found = read(tmp_path, f"p,e,n,z\n1,1,2,3\n2,4,5,{mark}\n3,7,8,0\n")
        np.testing.assert_array_equal(found.level, [3, np.nan, 0])

    def test_a_first_row_without_level_is_no_header(self, tmp_path):
        found = read(tmp_path, "P1,1000,2000,,x\nP2,1001,2001,3,y\n", order="PENZD")
        np.testing.assert_array_equal(found.level, [np.nan, 3])


HEAD = "p,e,n,z,c\n1,1000.5,2000.5,3,a\n"
MISFITS = {
    HEAD + "2,1001,20x1,4,b\n": "line 3: the row does not fit: '20x1' is no northing: '2,1001,20x1,4,b'.",
    HEAD + "2,1001,2001\n": "line 3: the row does not fit: it has 3 fields, where the header has 5: '2,1001,2001'.",
    HEAD + "2,1001,2001,4,b,c\n": "line 3: the row does not fit: it has 6 fields, where the header has 5: "
    "'2,1001,2001,4,b,c'.",
    HEAD + "2,1001,25,2001,75,4,5,b\n": "line 3: the row does not fit: it has 8 fields",
    HEAD + "\n\n2,,2001,4,b\n": "line 5: the row does not fit: '' is no easting: '2,,2001,4,b'.",
    HEAD + "2,nan,2001,4,b\n": "line 3: the row does not fit: 'nan' is no easting",
    HEAD + "2,1001,2001,inf,b\n": "line 3: the row does not fit: 'inf' is no level",
    HEAD + "2,1001,2001,1e999,b\n": "line 3: the row does not fit: a number is too large",
    HEAD + "2,1 001,2001,4,b\n": "line 3: the row does not fit: '1 001' is no easting: '2,1 001,2001,4,b'. "
    "Export numbers without separators between thousands.",
    HEAD + "2,1001,2001,4m,b\n": "line 3: the row does not fit: '4m' is no level",
    HEAD + "2,1001,2001,1_0,b\n": "line 3: the row does not fit: '1_0' is no level",
    HEAD + "2,0x10,2001,1,b\n": "line 3: the row does not fit: '0x10' is no easting",
    HEAD.replace(",", ";") + "2;1001,5;2001;4;b\n": "line 3: the row does not fit: '1000.5' is no easting",
    HEAD.replace(",", ";").replace(".", ",") + "2;1001.5;2001;4;b\n": "line 3: the row does not fit: '1001.5' is no "
    "easting: '2;1001.5;2001;4;b'. Other rows have decimal commas; write them all one way.",
    HEAD + '2,1001,2001,4,"open\n3,1,1,1,b\n': "a quote may stand open",
}


class TestRowsThatDoNotFit:
    @pytest.mark.parametrize("text", MISFITS)
    def test_the_first_is_refused_with_number_and_text(self, tmp_path, text):
        expected = MISFITS[text]
        if "1000.5' is no" in expected:  # the sample holds both: the first that is not of its majority is named
            expected = expected.replace("line 3", "line 2")
        assert expected in said(tmp_path, text)

    def test_a_bad_first_row_is_not_taken_for_a_header(self, tmp_path):
        text = "P1,1000,abc,5,x\nP2,1001,2001,3,y\n"
        assert "line 1: the row does not fit: 'abc' is no northing" in said(tmp_path, text, order="PENZD")

    def test_far_below_the_sample_is_found_too(self, tmp_path):
        rows = [f"{row},{1000 + row / 10},2000,3,x" for row in range(5000)]
        rows[4321] = rows[4321].replace("2000", "2O00")
        assert "line 4323: the row does not fit: '2O00' is no northing" in said(
            tmp_path, "p,e,n,z,c\n" + "\n".join(rows)
        )

    @pytest.mark.parametrize(
        ("content", "says"),
        [
            (b"", "is an empty file"),
            (b"  \n ", "is an empty file"),
            (b"\0\1\2abc", "is no text: it holds zero bytes"),
            (b"\xef\xbb\xbfa,\xff\xfe", "is damaged"),
            (b"e,n,z\n1,2,3\n\x81,1,2", "is no text in a known encoding"),
            (b"x,y\n1,2\n", "no row holds easting, northing and level"),
            (b"point,easting,northing,level\n", "no row holds"),
        ],
    )
    def test_what_is_no_table(self, tmp_path, content, says):
        assert says in said(tmp_path, content)


class TestAsksInsteadOfGuessing:
    def test_without_header_or_order(self, tmp_path):
        text = said(tmp_path, table(header=False))
        assert text.startswith(
            "ground.order: the order of the columns of points.csv is not certain: there is no header"
        )
        assert "5 columns between commas" in text
        assert "P1 432101.25 208330.5 71.125 GL" in text
        assert 'Say it in [ground]: order = ..., such as "point,northing,easting,level,code"' in text

    def test_with_a_header_that_is_not_understood(self, tmp_path):
        text = said(tmp_path, "A,B,C\n1,2,3\n", table="ground.check")
        assert "ground.check.order" in text
        assert "the header does not say which columns are easting, northing and level: A, B, C" in text

    def test_four_columns_of_an_xyz_file(self, tmp_path):
        assert "is not certain" in said(tmp_path, "1 2 3 4\n5 6 7 8\n", name="cloud.xyz")

    def test_an_order_against_the_header(self, tmp_path):
        text = said(tmp_path, table(), order="PNEZC")
        assert text == (
            "ground.order: the header of points.csv says otherwise: point,easting,northing,level,code: PNEZC. "
            "Leave order out, or mend the header."
        )

    def test_commas_that_may_stand_between_thousands(self, tmp_path):
        text = "p;e;n;z\n1;432,101;208,330;71,125\n"
        assert "may be decimal, or stand between thousands: 432,101" in said(tmp_path, text)
        assert read(tmp_path, text, decimal="comma").easting.tolist() == [432.101]

    @pytest.mark.parametrize("number", ["71,12", "1071,125", "71,1250"])
    def test_one_comma_that_can_only_be_decimal_settles_it(self, tmp_path, number):
        found = read(tmp_path, f"p;e;n;z\n1;432,101;208,330;{number}\n")
        assert (found.decimal, found.level[0]) == ("comma", float(number.replace(",", ".")))


NUMBERS = st.floats(min_value=-1e7, max_value=1e7, allow_nan=False).map(lambda value: round(value, 4))


@given(
    rows=st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=1, max_size=20),
    delimiter=st.sampled_from([",", ";", "\t", " "]),
    decimal=st.sampled_from([".", ","]),
)
def test_what_is_written_is_read(tmp_path_factory, rows, delimiter, decimal):
    """Any numbers in any layout come back as they are; four decimals leave no comma in doubt."""
    if delimiter == "," and decimal == ",":
        return
    folder = tmp_path_factory.mktemp("points")
    lines = [delimiter.join(f"{value:.4f}".replace(".", decimal) for value in row) for row in rows]
    found = read(folder, "\n".join([delimiter.join(["easting", "northing", "level"]), *lines]))
    assert np.column_stack([found.easting, found.northing, found.level]).tolist() == [list(row) for row in rows]


def test_messages_name_no_folder(tmp_path):
    assert not re.search(re.escape(str(tmp_path)), said(tmp_path, HEAD + "2,1001,x,4,b\n"))
