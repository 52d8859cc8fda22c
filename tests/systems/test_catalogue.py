"""The fence systems: that they load, that their numbers are plausible, and that a mistyped one is noticed."""

from __future__ import annotations

import copy
import math
import tomllib
from collections.abc import Iterator
from importlib.metadata import EntryPoint
from pathlib import Path
from typing import Any

import pytest

from geofence import registry, systems
from geofence.errors import JobError
from geofence.systems import catalogue
from geofence.systems.system import KEYS_OF_SLOPE, NO_SOURCE, OVERRIDABLE, System
from geofence.toml_file import address, validate

WIRES = ("plain-wire", "stock-wire")
PRESETS = ("aac-panel", "close-board", "mesh-panel", "post-and-rail", "precast-panel", "sheet-panel", *WIRES)
DOCUMENTS = ("EN 10219-2, ", "EN 1991-1-1, ", "EN 1993-1-1, ", "UF/IFAS CIR851, ", "BTCV handbook Fencing, ")
"""The documents that presets may cite; each citation is checked against a number below."""

STEEL_KG_PER_M3 = 7850.0
STANDARD_GRAVITY_M_PER_S2 = 9.80665


def raw(name: str) -> dict[str, Any]:
    return tomllib.loads(registry.find(registry.SYSTEMS, name).read_text(encoding="utf-8"))


def dimensions(values: Any, keys: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], dict[str, Any]]]:
    """Every table with a value in it, and where it stands."""
    if isinstance(values, dict) and "value" in values:
        yield keys, values
    elif isinstance(values, dict):
        for key, part in values.items():
            yield from dimensions(part, (*keys, key))
    elif isinstance(values, list):
        for row, part in enumerate(values):
            yield from dimensions(part, (*keys, row))


def hollow_square_kg_per_m(side_mm: float, wall_mm: float) -> float:
    """Mass of a cold-formed square hollow section with corners as EN 10219-2 has them to 6 mm of wall.

    Outer corner radius 2 T, inner T: A = 4 T (B - T) - (4 - pi)(ro2 - ri2).
    """
    area_mm2 = 4 * wall_mm * (side_mm - wall_mm) - (4 - math.pi) * ((2 * wall_mm) ** 2 - wall_mm**2)
    return area_mm2 * 1e-6 * STEEL_KG_PER_M3


BANDS = {
    "fence.height_m": (0.8, 2.6),
    "fence.heights_m": (0.8, 2.6),
    "layout.module_m": (1.5, 3.2),
    "layout.min_bay_m": (0.2, 0.8),
    "posts.width_m": (0.04, 0.15),
    "posts.embedment_m": (0.4, 0.9),
    "posts.embedment_ratio": (0.2, 0.5),
    "posts.post_reveal_m": (0.005, 0.04),
    "posts.stock_lengths_m": (1.5, 4.0),
    "posts.hole_diameter_m": (0.2, 0.5),
    "levels.increment_m": (0.02, 0.1),
    "levels.gap_max_m": (0.05, 0.45),
    "levels.dig_max_m": (0.05, 0.2),
    "levels.step_min_m": (0.05, 0.1),
    "levels.step_max_m": (0.3, 0.6),
    "levels.rake_max_deg": (10, 30),
    "levels.gate_clearance_m": (0.03, 0.1),
    "levels.gap_cost": (20, 100),
    "levels.dig_cost": (20, 100),
    "levels.step_cost": (10, 60),
    "levels.rise_cost": (5, 30),
    "takeoff.panel_deduction_m": (0.03, 0.15),
    "takeoff.course_m": (0.2, 0.6),
    "takeoff.part.count": (1, 9),
}
WIRE_BANDS = BANDS | {
    "layout.min_bay_m": (0.5, 3),
    "layout.post_spacing_max_m": (2.5, 20),
    "layout.strain_max_m": (100, 900),
    "levels.dig_max_m": (0.03, 0.2),
    "wire.heights_m": (0.06, 1.5),
    "wire.dropper_spacing_m": (1, 5),
    "wire.diameter_m": (0.0016, 0.005),
    "wire.density_kg_per_m3": (7000, 9000),
    "wire.modulus_kpa": (1.5e8, 2.2e8),
    "wire.expansion_per_k": (1e-5, 2e-5),
    "wire.tension_kn": (0.5, 2),
    "wire.tension_max_kn": (1.5, 6),
    "wire.temperature_c": (5, 25),
    "wire.temperature_min_c": (5, 40),
    "wire.temperature_max_c": (30, 70),
    "wire.uplift_max_kn": (0.2, 1),
}
"""What a fence of panels may be, from common practice (no source). Less than tenfold wide, so that a lost zero or a
slipped decimal point leaves the band; masses are checked one by one below."""

MAY_BE_LESS = ("levels.dig_max_m", "wire.temperature_min_c")
"""Less than zero is a clearance, or a frost, of the same size."""

MAY_BE_ZERO = ("posts.embedment_ratio", "posts.post_reveal_m", "levels.dig_max_m")


def implausible(values: dict[str, Any]) -> list[str]:
    """Addresses of the numbers of a system's file that no fence of panels, or of wires, could have."""
    found, bands = [], WIRE_BANDS if "wire" in values else BANDS
    for keys, number in numbers(values):
        place = ".".join(str(key) for key in keys if isinstance(key, str) and key != "value")
        low, high = bands.get(place, (-math.inf, math.inf))
        number = abs(number) if place in MAY_BE_LESS else number
        if not low <= number <= high and not (number == 0 and place in MAY_BE_ZERO):
            found.append(address(keys))
    heights = values.get("wire", {}).get("heights_m", {}).get("value", [])
    return found + ["wire.heights_m"] * (heights != sorted(heights))


def numbers(values: Any, keys: tuple[str | int, ...] = ()) -> Iterator[tuple[tuple[str | int, ...], float]]:
    parts = values.items() if isinstance(values, dict) else enumerate(values) if isinstance(values, list) else ()
    for key, part in parts:
        yield from numbers(part, (*keys, key))
    if isinstance(values, (int, float)):
        yield keys, values


def put(values: Any, keys: tuple[str | int, ...], number: float) -> Any:
    """A copy of the values with another number at a place."""
    changed = copy.deepcopy(values)
    inner = changed
    for key in keys[:-1]:
        inner = inner[key]
    inner[keys[-1]] = number
    return changed


@pytest.mark.parametrize("name", PRESETS)
class TestEachPreset:
    def test_loads_under_its_own_name(self, name):
        assert catalogue.load(name).name == name

    def test_is_plausible(self, name):
        assert implausible(raw(name)) == []

    def test_a_slipped_decimal_point_would_be_noticed(self, name):
        for keys, number in numbers(raw(name)):
            for slipped in (number * 10, number / 10):
                if number and "kg" not in str(keys):
                    assert implausible(put(raw(name), keys, slipped)), address(keys)

    def test_cites_a_checked_document_or_says_that_there_is_none(self, name):
        for keys, dimension in dimensions(raw(name)):
            assert dimension["reference"] == NO_SOURCE or dimension["reference"].startswith(DOCUMENTS), address(keys)

    def test_no_dimension_stands_alone(self, name):
        alone = [keys for keys, _ in numbers(raw(name)) if "value" not in keys and not str(keys[-1]).endswith("_cost")]
        assert alone == []

    def test_stock_serves_flat_ground_and_the_largest_gap(self, name):
        """Length of a post = underside + height + reveal + embedment, the deeper of the two rules."""
        at = catalogue.load(name).values
        for underside_m in (0.0, at["levels.gap_max_m"]):
            if name in WIRES:  # which stand at one height at every post
                underside_m = at["wire.heights_m"][0]
            out_m = underside_m + catalogue.load(name).facts.height_m + at["posts.post_reveal_m"]
            length_m = out_m + max(at["posts.embedment_m"], at["posts.embedment_ratio"] * out_m)
            waste_m = [stock - length_m for stock in at["posts.stock_lengths_m"] if stock >= length_m]
            assert waste_m
            assert waste_m[0] < 0.35

    def test_is_made_of_whole_courses(self, name):
        system = catalogue.load(name)
        if system.takeoff.course_m:
            for height in system.values["fence.heights_m"]:
                courses = height / system.takeoff.course_m.value
                assert courses == pytest.approx(round(courses), abs=1e-9)

    def test_levels_leave_room_for_an_increment(self, name):
        at = catalogue.load(name).values
        assert at["levels.gap_max_m"] + at["levels.dig_max_m"] >= 2 * at["levels.increment_m"] - 1e-9

    def test_shares_no_key_with_the_job_but_those_it_can_decide(self, name):
        system = catalogue.load(name)
        every = {f"{table}.{key}" for table, keys in OVERRIDABLE.items() for key in keys}
        others = {key for keys in KEYS_OF_SLOPE.values() for key in keys} - set(KEYS_OF_SLOPE[system.slope])
        may_be_left = {address for address in every if address.startswith("gates.")}  # gate posts are as others
        assert set(system.defaults) - may_be_left == every - others - may_be_left


def test_bands_are_less_than_tenfold():
    wide = {"wire.heights_m"}  # from the lowest wire to the highest
    assert all(0 < low < high < 10 * low for name, (low, high) in WIRE_BANDS.items() if name not in wide)
    assert all(0 < low < high < 10 * low for low, high in BANDS.values())


class TestMasses:
    """Of the presets, each from a closed form; the tolerance is the rounding of the file's own number."""

    @pytest.mark.parametrize(
        ("name", "side_mm", "wall_mm"), [("aac-panel", 50, 3), ("mesh-panel", 60, 3), ("sheet-panel", 50, 2)]
    )
    def test_steel_posts_are_the_sections_they_cite(self, name, side_mm, wall_mm):
        """EN 10219-2, cold-formed square hollow sections: 4.25, 5.19 and 2.93 kg/m in its table."""
        posts, takeoff = catalogue.load(name).posts, catalogue.load(name).takeoff
        assert (
            takeoff.post_kg_per_m.reference
            == f"EN 10219-2, cold-formed square section {side_mm} x {side_mm} x {wall_mm}"
        )
        assert posts.width_m.reference == takeoff.post_kg_per_m.reference
        assert posts.width_m.value == side_mm / 1000
        assert takeoff.post_kg_per_m.value == pytest.approx(hollow_square_kg_per_m(side_mm, wall_mm), abs=0.005)

    def test_concrete_weighs_what_its_document_says(self):
        """Reinforced concrete, 25 kN/m3: panels 50 mm; posts 120 mm square less two slots 55 x 30 mm."""
        kg_per_m3 = 25_000 / STANDARD_GRAVITY_M_PER_S2
        takeoff = catalogue.load("precast-panel").takeoff
        assert takeoff.panel_kg_per_m2.value == pytest.approx(0.05 * kg_per_m3, abs=0.1)
        assert takeoff.post_kg_per_m.value == pytest.approx((0.12**2 - 2 * 0.055 * 0.03) * kg_per_m3, abs=0.05)

    def test_timber(self):
        """Softwood as delivered, treated and damp, 550 kg/m3. Rails 87 x 38 mm, three to 0.8 m; posts 125 x 75 mm.
        Boards of 125 mm lapped by 25 mm, 12 mm in the mean, on three rails that are half of 75 mm squares, to 1.8 m."""
        rails, boards = catalogue.load("post-and-rail").takeoff, catalogue.load("close-board").takeoff
        assert rails.panel_kg_per_m2.value == pytest.approx(550 * 3 * 0.087 * 0.038 / 0.8, abs=0.05)
        assert rails.post_kg_per_m.value == pytest.approx(550 * 0.125 * 0.075, abs=0.05)
        assert boards.panel_kg_per_m2.value == pytest.approx(
            550 * (0.012 * 125 / 100 + 3 * 0.075**2 / 2 / 1.8), abs=0.05
        )
        assert boards.post_kg_per_m.value == pytest.approx(550 * 0.1**2, abs=0.05)

    def test_panels(self):
        """Aerated concrete 50 mm at 500 kg/m3, a fifth of moisture; 5 mm wires at 50 and 200 mm; sheet 0.5 mm, a
        fifth for the profile."""
        wire_kg_per_m = math.pi / 4 * 0.005**2 * STEEL_KG_PER_M3
        expected = {
            "aac-panel": (0.05 * 500 * 1.2, 0.05),
            "mesh-panel": ((1 / 0.05 + 1 / 0.2) * wire_kg_per_m, 0.005),
            "sheet-panel": (0.0005 * STEEL_KG_PER_M3 * 1.2, 0.05),
        }
        for name, (kg_per_m2, rounding) in expected.items():
            assert catalogue.load(name).takeoff.panel_kg_per_m2.value == pytest.approx(kg_per_m2, abs=rounding)


@pytest.mark.parametrize("name", WIRES)
class TestWires:
    def test_steel_is_that_of_its_documents(self, name):
        """EN 1991-1-1: 77.0 kN/m3. EN 1993-1-1, 3.2.6: 210 000 N/mm2 and 12e-6 per K."""
        wire = catalogue.load(name).wire
        assert wire.density_kg_per_m3.value == pytest.approx(77_000 / STANDARD_GRAVITY_M_PER_S2, abs=5)
        assert wire.modulus_kpa.value == 210_000 * 1e3
        assert wire.expansion_per_k.value == 12e-6

    def test_pull_is_that_of_its_documents(self, name):
        """Bucklin, Kunkle and Sand, Construction of High Tensile Wire Fences, University of Florida IFAS, CIR851: each
        wire is strained to 250 lb and holds 1600 lb at 200,000 psi. BTCV: 90 kg lift a post that was dug and rammed."""
        wire, pound_kn = catalogue.load(name).wire, 0.45359237 * STANDARD_GRAVITY_M_PER_S2 / 1e3
        assert wire.tension_kn.value == pytest.approx(250 * pound_kn, abs=0.005)
        assert wire.tension_max_kn.value == pytest.approx(1600 / 2 * pound_kn, abs=0.005)
        assert wire.uplift_max_kn.value == pytest.approx(90 / 2 * STANDARD_GRAVITY_M_PER_S2 / 1e3, abs=0.005)
        inch_m2 = 0.0254**2
        assert math.pi / 4 * wire.diameter_m.value**2 == pytest.approx(1600 / 200_000 * inch_m2, rel=0.05)

    def test_weighs_what_its_wires_and_round_posts_do(self, name):
        """Wires over the face from the lowest to the highest; posts of 100 mm, softwood of 550 kg/m3."""
        system = catalogue.load(name)
        heights, takeoff = system.wire.heights_m.value, system.takeoff
        metre_kg = math.pi / 4 * 0.0025**2 * STEEL_KG_PER_M3
        assert takeoff.panel_kg_per_m2.value == pytest.approx(
            len(heights) * metre_kg / system.facts.height_m, abs=0.005
        )
        assert takeoff.post_kg_per_m.value == pytest.approx(550 * math.pi / 4 * 0.1**2, abs=0.05)


class TestNames:
    def test_are_the_presets(self):
        assert set(PRESETS) <= set(catalogue.names())

    def test_each_file_beside_the_catalogue_is_one(self):
        files = {path.stem for path in Path(systems.__file__).parent.glob("*.toml")}
        assert files == set(PRESETS)

    def test_another_package_can_add_one(self, monkeypatch, tmp_path):
        """By an entry point that names the path of its file, as the built-in ones do."""
        text = registry.find(registry.SYSTEMS, "mesh-panel").read_text(encoding="utf-8")
        (tmp_path / "other.toml").write_text(text.replace("mesh-panel", "other-panel"), encoding="utf-8")
        (tmp_path / "other_fences.py").write_text(
            "from pathlib import Path\nOTHER = Path(__file__).with_name('other.toml')\n", encoding="utf-8"
        )
        monkeypatch.syspath_prepend(tmp_path)
        entry = EntryPoint("other-panel", "other_fences:OTHER", registry.SYSTEMS)
        monkeypatch.setattr(registry, "_entries", lambda _group: {"other-panel": entry})
        assert catalogue.names() == ("other-panel",)
        assert catalogue.load("other-panel").layout.module_m.value == 2.56


class TestLoad:
    def test_takes_a_path_relative_to_the_job(self, tmp_path):
        text = registry.find(registry.SYSTEMS, "mesh-panel").read_text(encoding="utf-8")
        (tmp_path / "own").mkdir()
        (tmp_path / "own" / "mine.toml").write_text(text.replace('"mesh-panel"', '"mine"'), encoding="utf-8")
        assert catalogue.load("own/mine.toml", base=tmp_path).name == "mine"
        assert catalogue.load(tmp_path / "own" / "mine.toml").name == "mine"

    def test_names_the_nearest_system(self):
        with pytest.raises(JobError) as caught:
            catalogue.load("acc-panel", place="fence.toml, line 7, fence.system")
        assert str(caught.value) == (
            "fence.toml, line 7, fence.system: no system is called 'acc-panel'. Did you mean aac-panel?"
        )

    def test_says_that_there_is_no_file(self):
        with pytest.raises(JobError) as caught:
            catalogue.load("own.toml")
        assert str(caught.value) == (
            f"own.toml: there is no such fence system. Systems by name: {', '.join(catalogue.names())}."
        )

    def test_tells_file_and_line(self, tmp_path):
        text = registry.find(registry.SYSTEMS, "aac-panel").read_text(encoding="utf-8")
        (tmp_path / "a.toml").write_text(text.replace("value = 1.885", "value = -1.885"), encoding="utf-8")
        with pytest.raises(JobError) as caught:
            catalogue.load("a.toml", base=tmp_path)
        assert str(caught.value) == (
            f"{tmp_path / 'a.toml'}, line 13, layout.module_m.value: must be above its limit: -1.885 m, limit 0 m."
        )


def _refused(keys: tuple[str, ...], value: Any, name: str = "aac-panel") -> str:
    with pytest.raises(JobError) as caught:
        validate(System, put(raw(name), keys, value), place=address)
    return str(caught.value)


class TestValidation:
    def test_refuses_a_number_without_its_reference(self):
        assert _refused(("layout", "module_m"), 1.885) == (
            "layout.module_m: stands without its reference: 1.885 m. "
            'Write { value = 1.885, reference = "common practice, no source" }.'
        )

    def test_refuses_keys_of_another_slope_and_a_slope_without_its_keys(self):
        assert _refused(("levels", "steps"), "never") == (
            "levels.steps: says nothing to a system whose slope is step: 'never'. Take it out."
        )
        assert _refused(("slope",), "rake") == (
            "levels.rake_max_deg: is missing from a system of this slope: 'rake'. Add it."
        )

    @pytest.mark.parametrize("reference", ["", "  "])
    def test_refuses_an_empty_reference(self, reference):
        assert _refused(("layout", "module_m", "reference"), reference).startswith(
            "layout.module_m.reference: is empty"
        )

    def test_refuses_a_missing_reference(self):
        assert _refused(("layout", "module_m"), {"value": 1.885}) == (
            "layout.module_m.reference: is missing. "
            "Add it: a standard or handbook that gives the value, or 'common practice, no source'."
        )

    def test_refuses_a_missing_dimension(self):
        values = raw("aac-panel")
        del values["posts"]["width_m"]
        with pytest.raises(JobError, match=r"^posts\.width_m: is missing\. Add it\.$"):
            validate(System, values, place=address)

    def test_refuses_a_name_that_cannot_be_typed(self):
        assert _refused(("name",), "My Fence!") == (
            "name: is not a short name: 'My Fence!'. Write lower-case letters, digits and single hyphens."
        )

    @pytest.mark.parametrize(
        ("keys", "value", "text"),
        [
            (
                ("layout", "min_bay_m", "value"),
                1.9,
                "layout.min_bay_m.value: is wider than a full bay, layout.module_m: 1.9 m, limit 1.885 m. "
                "Make layout.min_bay_m at most layout.module_m.",
            ),
            (
                ("posts", "width_m", "value"),
                0.4,
                "layout.min_bay_m.value: leaves nothing between two posts of posts.width_m: 0.4 m, limit 0.4 m. "
                "Make layout.min_bay_m more than posts.width_m.",
            ),
            (
                ("posts", "hole_diameter_m", "value"),
                0.03,
                "posts.hole_diameter_m.value: is too narrow for a post of posts.width_m: 0.03 m, limit 0.05 m. "
                "Make posts.hole_diameter_m more than posts.width_m.",
            ),
            (
                ("levels", "step_min_m", "value"),
                0.7,
                "levels.step_min_m.value: is above levels.step_max_m: 0.7 m, limit 0.6 m. "
                "Make levels.step_min_m at most levels.step_max_m.",
            ),
            (
                ("levels", "increment_m", "value"),
                0.7,
                "levels.increment_m.value: allows no step: none of its multiples is from 0.05 m to 0.6 m: 0.7 m. "
                "Make levels.increment_m finer, or lower levels.step_min_m or raise levels.step_max_m.",
            ),
            (
                ("levels", "dig_max_m", "value"),
                -0.2,
                "levels.dig_max_m.value: keeps open more than levels.gap_max_m allows: -0.2 m, limit -0.15 m. "
                "Make levels.dig_max_m larger (less negative), or levels.gap_max_m.",
            ),
            (
                ("fence", "height_m", "value"),
                1.75,
                "fence.height_m.value: is not one of fence.heights_m: 1.75 m. Add it there, or change it.",
            ),
        ],
    )
    def test_refuses_what_cannot_hold_together(self, keys, value, text):
        assert _refused(keys, value) == text

    @pytest.mark.parametrize(
        ("keys", "value", "text"),
        [
            (
                ("layout", "min_bay_m"),
                2.5,
                "layout.min_bay_m.value: is more than half of layout.post_spacing_max_m, so that some lengths could "
                "not be divided: 2.5 m, limit 2 m. Make layout.min_bay_m at most half of layout.post_spacing_max_m.",
            ),
            (
                ("layout", "strain_max_m"),
                3.0,
                "layout.strain_max_m.value: is less than layout.post_spacing_max_m: 3 m, limit 4 m. "
                "Make layout.strain_max_m at least layout.post_spacing_max_m.",
            ),
            (
                ("levels", "gap_max_m"),
                0.05,
                "levels.gap_max_m.value: is less than the lowest wire is high at each post, the first of "
                "wire.heights_m: 0.05 m, limit 0.1 m. Make levels.gap_max_m more than the first of wire.heights_m: "
                "what is over is for hollows.",
            ),
            (
                ("levels", "dig_max_m"),
                -0.12,
                "levels.dig_max_m.value: keeps open more than the lowest wire does at each post, the first of "
                "wire.heights_m: -0.12 m, limit -0.1 m. Make levels.dig_max_m larger (less negative), or raise the "
                "first of wire.heights_m.",
            ),
            (
                ("wire", "tension_kn"),
                4.0,
                "wire.tension_kn.value: is more than wire.tension_max_kn: 4 kN, limit 3.56 kN. "
                "Make wire.tension_kn at most wire.tension_max_kn.",
            ),
        ],
    )
    def test_refuses_wires_that_cannot_hold_together(self, keys, value, text):
        assert _refused((*keys, "value"), value, "stock-wire") == text

    @pytest.mark.parametrize(("key", "value"), [("temperature_min_c", 16.0), ("temperature_max_c", 14.0)])
    def test_refuses_a_coldest_day_that_is_warmer_and_a_hottest_that_is_colder(self, key, value):
        assert "at which the wires are strained" in _refused(("wire", key, "value"), value, "stock-wire")

    def test_wires_take_the_place_of_panels(self):
        values = raw("stock-wire")
        del values["wire"]
        with pytest.raises(JobError, match=r"^wire\.heights_m: is missing from a system of this slope: 'strained'\."):
            validate(System, values, place=address)
        assert _refused(("slope",), "strained", "aac-panel").startswith(
            "fence.height_m: says nothing to a system whose slope is strained"
        )

    def test_takes_limits_that_are_just_met(self):
        """Multiples of 0.1 up to 0.3: 0.3 / 0.1 is 2.9999999999999996 in floating point. Dig just at minus the gap."""
        values = raw("aac-panel")
        for key, value in {"increment_m": 0.1, "step_min_m": 0.3, "step_max_m": 0.3, "dig_max_m": -0.15}.items():
            values = put(values, ("levels", key, "value"), value)
        assert validate(System, values, place=address).values["levels.step_max_m"] == 0.3

    def test_takes_a_fence_without_steps(self):
        values = put(put(raw("aac-panel"), ("levels", "step_min_m", "value"), 0), ("levels", "step_max_m", "value"), 0)
        assert validate(System, values, place=address).values["levels.step_max_m"] == 0

    def test_facts_are_those_of_the_file(self):
        facts = catalogue.load("aac-panel").facts
        assert (facts.name, facts.slope, facts.module_m, facts.height_m, facts.post_width_m, facts.hole_diameter_m) == (
            "aac-panel",
            "step",
            1.885,
            1.8,
            0.05,
            0.3,
        )

    def test_a_system_that_lists_no_heights_comes_in_any(self):
        values = raw("aac-panel")
        del values["fence"]["heights_m"]
        assert validate(System, values, place=address).offers(1.234)
