"""``fence-shapefile.zip``, read back by GDAL through pyogrio (independent)."""

from __future__ import annotations

import zipfile
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pyogrio
import pytest
from pyproj import CRS

from geofence.engine.records import Finding
from geofence.outputs.gis import shapefile
from geofence.outputs.gis.shapefile import LONGEST_BYTES, short_names
from geofence.plan import FencePlan
from tests.outputs.drawn import GATE, drawn_plan, in_grid
from tests.outputs.runs import in_two_runs, on_a_square
from tests.plans import hostile_plan, made_up_plan

ODD = CRS("+proj=tmerc +lat_0=53 +lon_0=-2 +k=1 +x_0=1000 +y_0=2000 +datum=WGS84 +units=us-ft +type=crs")


def _written(plan: FencePlan, tmp_path: Path) -> Path:
    path = tmp_path / "fence-shapefile.zip"
    shapefile.write(plan, path)
    return path


def _layer(plan: FencePlan, tmp_path: Path, layer: str) -> geopandas.GeoDataFrame:
    return pyogrio.read_dataframe(_written(plan, tmp_path), layer=layer)


def _told(plan: FencePlan, tmp_path: Path) -> list[str]:
    with zipfile.ZipFile(_written(plan, tmp_path)) as archive:
        return archive.read("read-me.txt").decode("utf-8").split("\r\n")


def _with_code(code: str) -> FencePlan:
    plan = made_up_plan()
    finding = Finding(code=code, severity="note", message="m", post=5)
    return replace(plan, fence=replace(plan.fence, findings=(finding,)))


def test_what_is_in_it(tmp_path: Path) -> None:
    with zipfile.ZipFile(_written(made_up_plan(), tmp_path)) as archive:
        assert archive.testzip() is None
        assert archive.namelist() == [
            *(f"posts{part}" for part in (".shp", ".shx", ".dbf", ".prj", ".cpg")),
            *(f"bays{part}" for part in (".shp", ".shx", ".dbf", ".prj", ".cpg")),
            "read-me.txt",
        ]
        assert archive.read("posts.cpg") == b"UTF-8"


@pytest.mark.parametrize("plan", [drawn_plan(), on_a_square(), in_two_runs()], ids=["drawn", "ring", "two lines"])
def test_posts_and_bays_stand_where_they_are_planned(plan: FencePlan, tmp_path: Path) -> None:
    posts = _layer(plan, tmp_path, "posts")
    assert posts.crs == CRS("EPSG:32630")
    at = np.column_stack([posts.geometry.x, posts.geometry.y])
    np.testing.assert_allclose(at, np.column_stack([plan.places.easting, plan.places.northing]), rtol=0, atol=1e-7)
    bays = _layer(plan, tmp_path, "bays")
    ends = np.array([np.ravel(line.coords) for line in bays.geometry])
    rows = np.column_stack([plan.fence.bays.from_post, plan.fence.bays.to_post])
    np.testing.assert_allclose(ends, at[rows].reshape(-1, 4), rtol=0, atol=1e-7)


def test_every_column_comes_back_under_its_short_name(tmp_path: Path) -> None:
    plan = drawn_plan()
    for layer, columns in (("posts", plan.post_columns()), ("bays", plan.bay_columns())):
        table = _layer(plan, tmp_path, layer)
        names = short_names(list(columns))
        assert list(table.columns) == [*names.values(), "geometry"]
        for column, values in columns.items():
            if isinstance(values, np.ndarray) and column != "bearing_deg":
                np.testing.assert_allclose(table[names[column]].astype(float), values, rtol=0, atol=5.1e-5)
            elif not isinstance(values, np.ndarray):
                assert table[names[column]].fillna("").tolist() == list(values)
    assert _layer(plan, tmp_path, "posts").gate[10] == GATE


def test_short_names_fit_and_differ() -> None:
    plan = drawn_plan()
    extras = ["uplift_kn", "slope_length_m", "cut_angle_deg", "sag_m", "droppers"]
    for columns in (plan.post_columns(), plan.bay_columns()):
        names = short_names([*columns, *extras])
        assert len(set(names.values())) == len(names)
        assert all(len(name) <= 10 and name.isascii() for name in names.values())
    assert short_names(["a_very_long_one", "a_very_long_two", "a_very_long_too"]) == {
        "a_very_long_one": "a_very_lon", "a_very_long_two": "a_very_lo2", "a_very_long_too": "a_very_lo3",
    }  # fmt: skip


def test_the_read_me_says_which_is_which(tmp_path: Path) -> None:
    plan = made_up_plan()
    told = _told(plan, tmp_path)
    assert "ground_m    ground_level_m" in told
    assert "sup_ahd_m   support_ahead_m" in told
    for part in ("EPSG:32630", "metre = 1 m", "invented datum", "ground distances", *plan.cautions):
        assert any(part in line for line in told)
    assert "TEXTS THAT WERE CUT AT 254 BYTES, the most that the format holds: none" in told


@pytest.mark.parametrize(("text", "kept"), [("x" * 300, 254), ("č" * 200, 127), ("漢" * 100, 84), ("y" * 254, 254)])
def test_a_long_text_is_cut_and_said_to_be(text: str, kept: int, tmp_path: Path) -> None:
    """Whole characters within 254 bytes: two bytes a letter of Latin with marks, three of Chinese (UTF-8)."""
    plan = _with_code(text)
    (value,) = _layer(plan, tmp_path, "posts").findings.dropna()
    assert value == text[:kept]
    assert ("posts, P006: findings" in _told(plan, tmp_path)) == (len(text.encode()) > LONGEST_BYTES)


@pytest.mark.parametrize("text", ["=1+1", "-x", "<script>", 'a "quote"', "čšž 漢字", "new\nline", "half \ud83e"])
def test_texts_of_any_kind(text: str, tmp_path: Path) -> None:
    (value,) = _layer(_with_code(text), tmp_path, "posts").findings.dropna()
    assert value == text.replace("\ud83e", "\\ud83e")


def test_a_grid_without_a_code_is_carried_by_its_definition(tmp_path: Path) -> None:
    plan = in_grid(made_up_plan(), ODD)
    back = _layer(plan, tmp_path, "posts").to_crs("EPSG:4326").geometry
    np.testing.assert_allclose(back.x, plan.places.lon_deg, rtol=0, atol=1e-9)
    np.testing.assert_allclose(back.y, plan.places.lat_deg, rtol=0, atol=1e-9)


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    first = _written(hostile_plan(), tmp_path).read_bytes()
    assert _written(hostile_plan(), tmp_path).read_bytes() == first
    with zipfile.ZipFile(tmp_path / "fence-shapefile.zip") as archive:
        assert {entry.date_time[0] for entry in archive.infolist()} == {2000}
        year, month, day = archive.read("posts.dbf")[1:4]
    assert (1900 + year, month, day) == (2000, 1, 1)


def test_the_page_has_every_short_name() -> None:
    page = (Path(__file__).parents[3] / "docs" / "outputs.md").read_text(encoding="utf-8")
    for column, name in shapefile.SHORT.items():
        assert f"| `{column}` | `{name}` |" in page
