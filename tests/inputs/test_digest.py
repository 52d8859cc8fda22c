"""Fingerprints, against sha256 of known bytes (FIPS 180-4 examples: of "abc")."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from geofence.inputs.digest import digests

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def put(file: Path, content: bytes = b"abc") -> Path:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(content)
    return file


def test_known_bytes(tmp_path: Path) -> None:
    assert digests([put(tmp_path / "line.geojson")]) == {"line.geojson": ABC}


def test_larger_than_a_buffer(tmp_path: Path) -> None:
    content = bytes(range(256)) * 4096
    assert digests([put(tmp_path / "a.tif", content)]) == {"a.tif": hashlib.sha256(content).hexdigest()}


@pytest.mark.parametrize(
    ("file", "beside", "not_of_it"),
    [
        ("a.shp", ("a.shx", "a.dbf", "a.prj", "a.cpg"), ("a.qpj", "b.prj")),
        ("A.SHP", ("A.SHX", "A.DBF", "A.PRJ"), ("A.SBN",)),
        ("a.tif", ("a.tfw", "a.prj", "a.tif.aux.xml"), ("a.tif.ovr", "a.shx")),
        ("a.asc", ("a.prj",), ("a.tfw",)),
        ("a.geojson", (), ("a.prj",)),
    ],
)
def test_what_belongs_to_a_file(tmp_path: Path, file: str, beside: tuple[str, ...], not_of_it: tuple[str, ...]) -> None:
    for name in (file, *beside, *not_of_it):
        put(tmp_path / name)
    assert set(digests([tmp_path / file])) == {file, *beside}


def test_of_one_name_all_are_kept(tmp_path: Path) -> None:
    files = [put(tmp_path / folder / "dtm.tif", folder.encode()) for folder in ("a/x", "b/x", "c/x")]
    found = digests(files)
    assert list(found) == ["dtm.tif", "x/dtm.tif", "c/x/dtm.tif"]
    assert list(found.values()) == [hashlib.sha256(folder.encode()).hexdigest() for folder in ("a/x", "b/x", "c/x")]


def test_one_file_named_twice_is_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = put(tmp_path / "line.gpkg")
    monkeypatch.chdir(tmp_path)
    assert digests([file, Path("line.gpkg")]) == {"line.gpkg": ABC}


def test_none() -> None:
    assert digests([]) == {}
