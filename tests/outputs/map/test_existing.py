"""A post that exists, on the map: its own sign, nothing to cut or dig, drawn from its top to the ground."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playwright.sync_api import Browser

from geofence.outputs.map.page import OUTPUT
from geofence.plan import FencePlan
from tests.outputs.pages import opened
from tests.plans import made_up_plan

pytestmark = pytest.mark.browser


def with_existing(row: int) -> FencePlan:
    """The made-up plan, one post of which exists."""
    plan = made_up_plan()
    posts = plan.fence.posts
    unknown = np.arange(len(posts)) == row
    standing = replace(
        posts,
        kind=tuple("existing" if there else kind for there, kind in zip(unknown, posts.kind, strict=True)),
        **{
            name: np.where(unknown, np.nan, getattr(posts, name))
            for name in ("toe_level_m", "embedment_m", "stock_length_m")
        },
    )
    return replace(plan, fence=replace(plan.fence, posts=standing))


def test_it_is_told_apart_and_has_nothing_to_dig(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "map.html"
    OUTPUT.write(with_existing(6), file)
    with opened(browser, file) as visit:
        assert "Existing posts, 1" in visit.page.inner_text("body")
        visit.click("P007", 21)
        fields = visit.numbers("post")
        assert fields["kind"] == "Existing post"
        assert "height_m" in fields
        assert visit.page.get_by_text("Wanted top", exact=True).count() == 1  # nobody measured it
        assert not {"toe_level_m", "embedment_m", "length_m", "stock_length_m"} & set(fields)
        place = visit.ask("geofenceMap.section.screen('P007')")
        visit.page.mouse.move(place["x"], place["y"])
        reading = visit.page.inner_text("#section-reading")
        assert reading.startswith("P007 at 0+0")
        assert reading.endswith("m; exists already")
        assert "NaN" not in visit.page.inner_text("body")
