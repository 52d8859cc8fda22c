"""``profile.csv``, read by numpy (independent): the very numbers that the engine used."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from geofence.engine.records import Profile
from geofence.outputs import profile
from geofence.plan import FencePlan, Stations
from tests.plans import made_up_plan


def _fine_plan() -> FencePlan:
    """Stations a micrometre apart, as where the ground bends close to a post, and levels below the datum."""
    chainage = np.sort(
        np.concatenate([np.linspace(0, 1e5, 500), np.linspace(1, 2, 500) + 1e-6, np.linspace(1, 2, 500)])
    )
    chainage = np.unique(chainage)
    level = -3 + np.sin(chainage)
    stations = Stations(
        chainage_m=chainage, easting=-1 / 3 + chainage, northing=5.9e6 + chainage / 7, ground_level_m=level
    )
    return replace(made_up_plan(), stations=stations)


def _read(plan: FencePlan, tmp_path: Path) -> np.ndarray:
    path = tmp_path / "profile.csv"
    profile.OUTPUT.write(plan, path)
    return np.genfromtxt(path, delimiter=",", names=True)


def test_every_number_comes_back_to_the_last_bit(tmp_path: Path) -> None:
    plan = _fine_plan()
    table = _read(plan, tmp_path)
    assert table.dtype.names == ("chainage_m", "easting", "northing", "ground_level_m")
    for name in table.dtype.names:
        assert np.array_equal(table[name], getattr(plan.stations, name)), name


def test_the_engine_can_start_from_the_file(tmp_path: Path) -> None:
    """Two stations that became one would make it raise."""
    table = _read(_fine_plan(), tmp_path)
    assert len(Profile(chainage_m=table["chainage_m"], level_m=table["ground_level_m"]).level_m) == len(table)


def test_numbers_are_bare_and_lines_end_as_rfc_4180_says(tmp_path: Path) -> None:
    _read(made_up_plan(), tmp_path)
    content = (tmp_path / "profile.csv").read_bytes()
    assert content.startswith(b"chainage_m,easting,northing,ground_level_m\r\n0.0,560000.0,5900000.0,80.0\r\n")
    assert content.count(b"\n") == content.count(b"\r\n") == 41
    assert b'"' not in content
    assert b"'" not in content
