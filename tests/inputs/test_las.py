"""Laser scans: only the classes that are wanted. The files are written by laspy, which also reads them for us."""

from __future__ import annotations

import builtins
from pathlib import Path
from typing import Any

import laspy
import numpy as np
import pytest
from pyproj import CRS

from geofence.errors import InputError, JobError
from geofence.inputs import las
from geofence.inputs.las import read_las


def write_las(
    file: Path, x: Any, y: Any, z: Any, kind: Any, *, crs: CRS | None = None, version: str = "1.4",
    withheld: Any = None, origin: tuple[float, float] = (560_000.0, 5_800_000.0),
) -> Path:  # fmt: skip
    header = laspy.LasHeader(point_format=6 if version == "1.4" else 1, version=version)
    header.scales = [0.001, 0.001, 0.001]
    header.offsets = [*origin, 0.0]
    if crs is not None:
        header.add_crs(crs)
    scan = laspy.LasData(header)
    scan.x, scan.y, scan.z = (np.asarray(part, dtype=float) for part in (x, y, z))
    scan.classification = np.asarray(kind, dtype=np.uint8)
    if withheld is not None:
        scan.withheld = np.asarray(withheld, dtype=np.uint8)
    scan.write(file)
    return file


X, Y, Z = 560_000 + np.arange(6.0), 5_800_000 + np.arange(6.0) / 8, 71.125 + np.arange(6.0)
KIND = [2, 2, 5, 6, 2, 8]


@pytest.mark.parametrize("name", ["scan.las", "scan.laz"])
@pytest.mark.parametrize("version", ["1.2", "1.4"])
def test_ground_alone_is_taken(tmp_path, name, version):
    found = read_las(write_las(tmp_path / name, X, Y, Z, KIND, version=version), classes=(2,))
    assert found.x.tolist() == X[[0, 1, 4]].tolist()
    assert found.y.tolist() == Y[[0, 1, 4]].tolist()
    assert found.z.tolist() == Z[[0, 1, 4]].tolist()
    assert (found.total, found.version, found.crs) == (6, version, None)


def test_other_classes_where_the_job_says_so(tmp_path):
    found = read_las(write_las(tmp_path / "scan.las", X, Y, Z, KIND), classes=(2, 8))
    assert found.z.tolist() == Z[[0, 1, 4, 5]].tolist()


def test_withheld_points_are_left_out(tmp_path):
    found = read_las(write_las(tmp_path / "scan.las", X, Y, Z, KIND, withheld=[1, 0, 0, 0, 0, 0]), classes=(2,))
    assert found.z.tolist() == Z[[1, 4]].tolist()


def test_in_pieces_as_in_one(tmp_path, monkeypatch):
    file = write_las(tmp_path / "scan.laz", X, Y, Z, KIND)
    whole = read_las(file, classes=(2,))
    monkeypatch.setattr(las, "CHUNK", 2)
    assert read_las(file, classes=(2,)).z.tolist() == whole.z.tolist()


def test_the_grid_is_the_files_own(tmp_path):
    found = read_las(write_las(tmp_path / "scan.las", X, Y, Z, KIND, crs=CRS(32630)), classes=(2,))
    assert found.crs is not None
    assert found.crs.equals(CRS(32630))


def test_no_point_of_the_class_lists_what_there_is(tmp_path):
    file = write_las(tmp_path / "scan.las", X, Y, Z, [1, 1, 1, 5, 6, 6])
    with pytest.raises(JobError) as caught:
        read_las(file, classes=(2,))
    assert str(caught.value) == (
        "ground.classes: scan.las holds no point of class 2. Its classes: 1 (unclassified): 3, 5 (high vegetation): 1, "
        "6 (building): 2. Name those that are ground: classes = [...] in [ground]."
    )


@pytest.mark.parametrize("name", ["scan.las", "scan.laz"])
@pytest.mark.parametrize("keep", [0, 100, 0.9])
def test_cut_short_or_no_scan(tmp_path, name, keep):
    count = 2000
    file = write_las(tmp_path / name, np.full(count, X[0]), np.full(count, Y[0]), np.arange(count), np.full(count, 2))
    content = file.read_bytes()
    file.write_bytes(content[: keep if keep != 0.9 else int(0.9 * len(content))])
    with pytest.raises(InputError, match="is no laser scan that can be read, or is cut short"):
        read_las(file, classes=(2,))


def test_text_with_the_suffix(tmp_path):
    (tmp_path / "scan.las").write_text("1,2,3\n" * 100)
    with pytest.raises(InputError, match=r"^scan\.las: is no laser scan"):
        read_las(tmp_path / "scan.las", classes=(2,))


def test_without_laspy_the_extra_is_named(tmp_path, monkeypatch):
    file = write_las(tmp_path / "scan.las", X, Y, Z, KIND)
    real = builtins.__import__

    def without(name: str, *rest: Any, **options: Any) -> Any:
        if name == "laspy":
            raise ImportError(name)
        return real(name, *rest, **options)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputError, match=r'pip install "geofence\[las\]"'):
        read_las(file, classes=(2,))


def test_without_a_decoder_the_extra_is_named(tmp_path, monkeypatch):
    file = write_las(tmp_path / "scan.laz", X, Y, Z, KIND)
    monkeypatch.setattr(laspy.LazBackend, "detect_available", staticmethod(tuple))
    with pytest.raises(InputError, match=r"compressed laser scans need the package lazrs"):
        read_las(file, classes=(2,))
