"""Rules of the outputs' text that hold for any text and any number."""

from __future__ import annotations

import csv
import io
import json
import re
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some

from geofence.outputs import csv_text, geojson
from geofence.outputs.digits import figures, fixed

TEXT = some.text(some.characters(exclude_categories=("Cs",)), max_size=40)
SPICED = some.one_of(TEXT, some.text(some.sampled_from("=+-@\t\r\n\0,;\" 'a1"), max_size=8))
NUMBERS = some.floats(-1e7, 1e7)
"""Grid coordinates reach 1e7 m."""

RESOLUTION = 4e-9
"""float64 resolves 2e-9 there, and rounding takes a multiplication and a division."""
DELIMITERS = some.sampled_from([",", ";", "\t", " "])


class TestCsv:
    @given(rows=some.lists(some.tuples(SPICED, SPICED), max_size=6), delimiter=DELIMITERS)
    def test_text_comes_back_as_it_was_but_for_the_guard(self, rows: list[tuple[str, str]], delimiter: str) -> None:
        columns = {"a": [row[0] for row in rows], "b": [row[1] for row in rows]}
        fields = {name: csv_text.words(values, delimiter) for name, values in columns.items()}
        with TemporaryDirectory() as folder:
            path = Path(folder) / "x.csv"
            csv_text.write_table(path, fields, delimiter=delimiter)
            content = path.read_bytes().decode()
        found = list(csv.reader(io.StringIO(content, newline=""), delimiter=delimiter, strict=True))
        assert found == [["a", "b"], *([csv_text.guarded(text) for text in row] for row in rows)]

    @given(SPICED)
    def test_no_text_starts_as_a_formula(self, text: str) -> None:
        guarded = csv_text.guarded(text)
        assert guarded in (text, f"'{text}")
        assert not re.match(r" *[=+\-@\t\r\n\0]", guarded)

    @given(SPICED)
    def test_a_guard_is_put_only_where_it_is_needed(self, text: str) -> None:
        """Blanks before a formula do not make it text: some spreadsheets drop them."""
        first = text.lstrip(" ")[:1]
        assert (csv_text.guarded(text) == text) == (first not in set("=+-@\t\r\n\0＝＋－＠") or not first)


class TestFigures:
    @given(some.lists(some.floats(), max_size=5))
    def test_full_figures_read_back_as_the_same_number(self, values: list[float]) -> None:
        for text, value in zip(figures(np.array(values), missing=""), values, strict=True):
            assert (text == "") if not np.isfinite(value) else (float(text) == value)

    @given(values=some.lists(NUMBERS, min_size=1, max_size=5), decimals=some.integers(0, 6))
    def test_rounded_figures_are_as_near_as_their_decimals(self, values: list[float], decimals: int) -> None:
        half = 0.5 * 10.0**-decimals
        for write in (fixed, figures):
            found = [float(text) for text in write(np.array(values), decimals, missing="")]
            assert found == pytest.approx(values, abs=half + RESOLUTION)

    @given(values=some.lists(NUMBERS, min_size=1, max_size=5), decimals=some.integers(1, 9))
    def test_fixed_figures_are_plain_numbers_with_their_decimals(self, values: list[float], decimals: int) -> None:
        for text in fixed(np.array(values), decimals, missing=""):
            assert re.fullmatch(rf"-?\d+\.\d{{{decimals}}}", text)
            assert not re.fullmatch(r"-0\.0+", text)


class TestGeojson:
    @given(lon=some.floats(-180, 180), lat=some.floats(-89, 89), east=some.floats(-1, 1), north=some.floats(-0.5, 0.5))
    def test_a_line_stays_in_the_world_and_turns_nowhere_back(
        self, lon: float, lat: float, east: float, north: float
    ) -> None:
        end = (lon + east + 180) % 360 - 180
        (text,) = geojson.lines(np.array([lon]), np.array([lat]), np.array([end]), np.array([lat + north]))
        geometry = json.loads(text)
        parts = geometry["coordinates"] if geometry["type"] == "MultiLineString" else [geometry["coordinates"]]
        assert all(abs(place[0]) <= 180 for part in parts for place in part)
        widths = [part[1][0] - part[0][0] for part in parts]
        assert sum(widths) == pytest.approx(east, abs=4e-9)
        assert all(abs(width) <= abs(east) + 4e-9 for width in widths)
