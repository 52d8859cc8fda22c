"""Lengths of findings told once more in feet. (a) 1 ft is 0.3048 m; 1 lbf is 4.448 N (NIST SP 811)."""

from __future__ import annotations

import pytest

from geofence.engine.records import Finding
from geofence.outputs.finding_words import chainage_words, said_in, sentences, with_brackets
from geofence.units import FOOT_M, US_SURVEY_FOOT_M


def feet(value_m: float) -> str:
    return f"{value_m / FOOT_M:.2f} ft"


class TestWithBrackets:
    @pytest.mark.parametrize(
        ("text", "told"),
        [
            (
                "up to 0.173 m above, 0.150 m is allowed.",
                "up to 0.173 m [0.57 ft] above, 0.150 m [0.49 ft] is allowed.",
            ),
            ("a min_bay_m of 0.914 m would fit", "a min_bay_m of 0.914 m [3.00 ft] would fit"),
            ("most, -0.050 m, at P1", "most, -0.050 m [-0.16 ft], at P1"),
            ("levels, 3.048 and 6.096 m; more", "levels, 3.048 and 6.096 m [10.00 ft and 20.00 ft]; more"),
            ("by chainage 0.50 to 1.00 m (no data)", "by chainage 0.50 to 1.00 m [1.64 ft to 3.28 ft] (no data)"),
            ("within 1 m", "within 1 m [3.28 ft]"),
            ("carries 1.47 kN at -15 °C", "carries 1.47 kN [330 lbf] at -15 °C [5 °F]"),
            ("a leaf of 100 kg that", "a leaf of 100 kg [220 lb] that"),
        ],
    )
    def test_each_figure_has_its_own(self, text: str, told: str) -> None:
        assert with_brackets(text, feet) == told
        assert with_brackets(text, None) == text

    @pytest.mark.parametrize(
        "text",
        [
            "at (500014.34 E 5900030.50 N), at 12 deg open", "raise levels.gap_max_m to at least 0.011",
            "ftUS (1200/3937 m)", "3 mm", "2 m² of ground", "4 m/s", "5 months", "v1.2 m", "drawing W-7, 2026-03",
        ],
    )  # fmt: skip
    def test_what_is_no_length_has_none(self, text: str) -> None:
        assert with_brackets(text, feet) == text


def test_the_metre_needs_no_words() -> None:
    assert said_in(1.0, "metre") is None


@pytest.mark.parametrize(
    ("unit_m", "name", "told"),
    [
        (FOOT_M, "foot", "10.00 ft"), (US_SURVEY_FOOT_M, "US survey foot", "10.00 ft"),
        (0.3047972654, "Clarke's foot", "10.00 Clarke's foot"),
    ],
)  # fmt: skip
def test_either_foot_is_ft_and_others_have_their_names(unit_m: float, name: str, told: str) -> None:
    said = said_in(unit_m, name)
    assert said is not None
    assert said(3.048) == told


def test_free_text_is_on_one_line_and_the_place_in_the_unit() -> None:
    finding = Finding(code="x", severity="warn", message="Two\nlines, 3.048 m.", remedy="Go\u2028on", chainage_m=3.048)
    assert sentences(finding, feet) == "Two lines, 3.048 m [10.00 ft]. Go on"
    assert chainage_words(finding, feet) == "10.00 ft"
    assert chainage_words(finding, None) == "3.05 m"
