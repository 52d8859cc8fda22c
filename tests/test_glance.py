"""The notebook's picture of a plan."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np

from tests.networks import paddocks
from tests.outputs.runs import in_two_runs
from tests.plans import HOSTILE, hostile_plan, made_up_plan


def test_it_is_small_well_formed_and_has_no_scripts() -> None:
    html = made_up_plan(5000)._repr_html_()
    assert len(html) < 60_000
    tree = ElementTree.fromstring(html)
    assert not [node for node in tree.iter() if node.tag == "script" or any(a.startswith("on") for a in node.attrib)]
    assert "5000" not in html  # posts are told by kind
    assert "4998 line" in html


def test_hostile_names_are_text() -> None:
    tree = ElementTree.fromstring(hostile_plan()._repr_html_())
    assert tree.findtext("strong") == " ".join(HOSTILE)
    assert not list(tree.iter("script"))


def test_the_line_keeps_its_shape() -> None:
    plan = made_up_plan(400)
    html = plan._repr_html_()
    (points,) = re.findall(r'points="([^"]+)"', html)
    drawn = np.array([[float(part) for part in pair.split(",")] for pair in points.split()])
    assert drawn.min() >= 0
    assert (drawn <= [420, 260]).all()
    width, height = np.ptp(drawn, axis=0)
    east, north = np.ptp(plan.places.easting), np.ptp(plan.places.northing)
    assert abs(width / height - east / north) < 0.02
    assert drawn[0, 1] > drawn[-1, 1]  # it runs north, and north is up


def test_separate_runs_are_not_joined() -> None:
    apart = in_two_runs()
    assert apart._repr_html_().count("<polyline") == 2


def test_a_network_is_drawn_line_by_line_and_its_lines_are_told() -> None:
    html = paddocks()._repr_html_()
    assert html.count("<polyline") == 4
    assert "<th>line Lane</th>" in html
