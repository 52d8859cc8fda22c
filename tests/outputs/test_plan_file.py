"""``plan.npz``: open, deterministic, and the plan alone.

Readers that are not ours: numpy's ``load``, the standard library's zipfile, and ``sha256sum --check``.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from geofence.outputs import plan_file
from tests.plans import HOSTILE, hostile_plan, made_up_plan


@pytest.fixture
def file(tmp_path: Path) -> Path:
    plan_file.OUTPUT.write(made_up_plan(), tmp_path / "plan.npz")
    return tmp_path / "plan.npz"


class TestOpenFormats:
    def test_numpy_reads_the_columns(self, file: Path) -> None:
        plan = made_up_plan()
        with np.load(file, allow_pickle=False) as members:
            assert members["places/easting"].tobytes() == plan.places.easting.tobytes()
            assert members["fence/posts/support_back_m"].tobytes() == plan.fence.posts.support_back_m.tobytes()
            assert members["relief/level_m"].dtype == np.float32

    def test_any_reader_of_json_reads_the_record(self, file: Path) -> None:
        def refuse(word: str) -> None:
            raise AssertionError(f"{word} is no JSON")

        record = json.loads(zipfile.ZipFile(file).read("record.json"), parse_constant=refuse)
        assert (record["format"], record["schema"]) == ("geofence plan", 1)
        assert record["plan"]["grid"]["code"] == {"there": [True], "items": ["EPSG:32630"]}

    def test_nothing_in_it_is_pickled(self, file: Path) -> None:
        with zipfile.ZipFile(file) as archive:
            assert archive.testzip() is None
            for name in archive.namelist():
                if name.endswith(".npy"):
                    np.lib.format.read_array(io.BytesIO(archive.read(name)), allow_pickle=False)
                else:
                    assert name in ("record.json", "SHA256SUMS")

    @pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum on this machine")
    def test_the_digests_are_those_of_sha256sum(self, file: Path, tmp_path: Path) -> None:
        zipfile.ZipFile(file).extractall(tmp_path / "out")
        ran = subprocess.run(
            ["sha256sum", "--check", "--strict", "SHA256SUMS"],
            cwd=tmp_path / "out", capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert ran.returncode == 0, ran.stderr
        checked = {line.removesuffix(": OK") for line in ran.stdout.splitlines()}
        assert checked == set(zipfile.ZipFile(file).namelist()) - {"SHA256SUMS"}


class TestSameBytes:
    def test_at_any_time(self, file: Path) -> None:
        assert {item.date_time for item in zipfile.ZipFile(file).infolist()} == {(1980, 1, 1, 0, 0, 0)}
        before = file.read_bytes()
        plan_file.OUTPUT.write(made_up_plan(), file)
        assert file.read_bytes() == before

    def test_whatever_is_written_beside_it(self, file: Path) -> None:
        plan = made_up_plan()
        before = file.read_bytes()
        plan_file.OUTPUT.write(replace(plan, provenance=replace(plan.provenance, files=("a.dxf", "plan.npz"))), file)
        assert file.read_bytes() == before

    def test_but_not_for_another_plan(self, file: Path) -> None:
        before = file.read_bytes()
        plan_file.OUTPUT.write(made_up_plan(name="Another"), file)
        assert file.read_bytes() != before


def test_text_is_ascii_whatever_it_says(tmp_path: Path) -> None:
    plan_file.OUTPUT.write(hostile_plan(), tmp_path / "plan.npz")
    content = zipfile.ZipFile(tmp_path / "plan.npz").read("record.json")
    assert content.isascii()
    assert json.loads(content)["plan"]["name"] == [" ".join(HOSTILE)]


def test_it_is_smaller_than_its_numbers(tmp_path: Path) -> None:
    """Regression, not independent: 1,000 posts of the made-up plan, without a picture of the terrain."""
    plan_file.OUTPUT.write(made_up_plan(1000, relief=False), tmp_path / "plan.npz")
    with zipfile.ZipFile(tmp_path / "plan.npz") as archive:
        numbers = sum(item.file_size for item in archive.infolist())
    assert (tmp_path / "plan.npz").stat().st_size < 0.75 * numbers
