"""What a stake-out file may look like."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Any

import pytest
from pyproj.database import get_units_map

from geofence.errors import JobError
from geofence.plan import Parameter
from geofence.stakeout_style import StakeoutStyle, columns_of
from geofence.units import UNITS_M
from tests.plans import made_up_plan


@pytest.mark.parametrize(("unit", "name"), [("m", "metre"), ("ft", "foot"), ("ftUS", "US survey foot")])
def test_units_are_those_of_epsg(unit: str, name: str) -> None:
    """pyproj's copy of the EPSG data set gives factors with 15 digits."""
    assert get_units_map(auth_name="EPSG", category="linear")[name].conv_factor == pytest.approx(
        UNITS_M[unit], rel=1e-14
    )


@pytest.mark.parametrize(
    ("order", "columns"),
    [
        ("PNEZD", ("point", "northing", "easting", "level", "description")),
        ("penzc", ("point", "easting", "northing", "level", "code")),
        ("EN", ("easting", "northing")),
        ("easting, northing ,top", ("easting", "northing", "top")),
    ],
)
def test_orders(order: str, columns: tuple[str, ...]) -> None:
    assert columns_of(order) == columns
    assert StakeoutStyle.from_values({"order": order}).order == columns


def test_one_distance_is_a_list_of_one() -> None:
    """As the job file has it."""
    assert StakeoutStyle.from_values({"offset_m": -1.5}).offset_m == (-1.5,)


def test_a_plan_carries_the_style_of_its_job() -> None:
    values = {
        "order": "PNEZD", "unit": "ft", "decimals": 2, "codes": {"corner": "FC"}, "offset_m": [1.0, -1.0],
        "prefix": "N",
    }  # fmt: skip
    plan = made_up_plan()
    more = {f"stakeout.{key}": Parameter(value=value, origin="job") for key, value in values.items()}
    style = StakeoutStyle.of(replace(plan, parameters={**plan.parameters, **more}))
    assert style == StakeoutStyle(
        order=columns_of("PNEZD"), unit="ft", decimals=2, codes={"corner": "FC"}, offset_m=(1.0, -1.0), prefix="N"
    )
    assert StakeoutStyle.of(plan) == StakeoutStyle()


@pytest.mark.parametrize(
    ("style", "message"),
    [
        ({"order": ("point", "easting", "norhting")}, "stakeout.order: unknown word: 'norhting'. Did you mean north"),
        ({"order": ("point", "easting")}, "stakeout.order: a stake-out file has easting and northing, and no column"),
        ({"order": ("easting", "northing", "easting")}, "and no column twice: easting,northing,easting. Give each"),
        ({"order": columns_of("PNEX")}, "stakeout.order: unknown word: 'PNEX'."),
        ({"unit": "yd"}, "stakeout.unit: unknown word: 'yd'. Known: grid, m, ft, ftUS."),
        ({"delimiter": ","}, "stakeout.delimiter: unknown word: ','. Known: comma, semicolon, tab, space."),
        ({"decimal": "comma"}, "stakeout.decimal: a decimal comma cannot be told from a comma between fields. Choose"),
        ({"header": "yes"}, "stakeout.header: unknown word: 'yes'. Known: names, none."),
        ({"level": "roof"}, "stakeout.level: unknown word: 'roof'. Known: ground, top, toe."),
        ({"decimals": 10}, "stakeout.decimals: no such number of decimals: 10, limit 9."),
        ({"decimals": -1}, "stakeout.decimals: no such number of decimals: -1, limit 9."),
        ({"description": "{kidn}"}, "stakeout.description: unknown word: 'kidn'. Did you mean kind?"),
        ({"description": "{}"}, "stakeout.description: unknown word: ''."),
        ({"description": "{kind.__class__}"}, "stakeout.description: unknown word: 'kind.__class__'."),
        ({"description": "{kind!r}"}, "stakeout.description: unknown word: 'kind!r'."),
        ({"description": "{kind:>9999999}"}, "stakeout.description: unknown word: 'kind:>9999999'."),
        (
            {"description": "{kind"},
            "stakeout.description: a brace is not closed: '{kind'. Write {{ for a brace itself.",
        ),
        ({"codes": {"cornr": "FC"}}, "stakeout.codes: unknown word: 'cornr'. Did you mean corner?"),
        ({"name_length": 3}, "stakeout.name_length: names as short as that cannot be told apart: 3, limit 4."),
        ({"prefix": "=P"}, "stakeout.prefix: no prefix that any device takes: up to 16 letters"),
        ({"prefix": "1P"}, "stakeout.prefix: no prefix that any device takes"),
        ({"prefix": "P,"}, "stakeout.prefix: no prefix that any device takes"),
        ({"prefix": "Š"}, "stakeout.prefix: no prefix that any device takes"),
        ({"prefix": "P" * 17}, "stakeout.prefix: no prefix that any device takes"),
        ({"offset_m": (0.0,)}, "stakeout.offset_m: no distance for a mark beside a post: 0.0 m, limit 100.0 m. Left"),
        ({"offset_m": (float("nan"),)}, "stakeout.offset_m: no distance for a mark beside a post: nan m"),
        ({"offset_m": (101.0,)}, "stakeout.offset_m: no distance for a mark beside a post: 101.0 m, limit 100.0 m."),
        ({"offset_m": (1.0, 1.0)}, "stakeout.offset_m: a distance is there twice. Give each once."),
    ],
)
def test_unknown_words(style: dict[str, Any], message: str) -> None:
    with pytest.raises(JobError, match=re.escape(message)):
        StakeoutStyle(**style)
