"""Point files against readers that we did not write.

- pandas.read_csv (pandas development team, pandas 2.1 and later), for text; its Python engine, and numbers converted by
  Python's ``float``, so that nothing of the fast way that the code takes is shared.
- laspy 2.5 and later, for laser scans, by the scaled integers of the file itself.
- Orders of columns: PNEZD and PENZD as field software commonly exports them; X Y Z of plain clouds of points.
- LandXML-1.2 schema, P: "northing easting elevation" is the order of that standard, and of no text file.
"""

from __future__ import annotations

import struct

import numpy as np
import pandas
import pytest

from geofence.inputs.las import read_las
from geofence.inputs.point_text import read_point_text
from tests.inputs.test_las import write_las

COUNT = 3000


def cloud() -> pandas.DataFrame:
    generator = np.random.default_rng(11)
    return pandas.DataFrame(
        {
            "point": [f"P{row}" for row in range(COUNT)],
            "northing": 5_800_000 + generator.uniform(0, 3000, COUNT),
            "easting": 560_000 + generator.uniform(0, 3000, COUNT),
            "level": np.where(generator.uniform(size=COUNT) < 0.1, np.nan, 100 + generator.normal(0, 5, COUNT)),
            "description": generator.choice(["GL", "toe, of bank", 'says "no"', ""], COUNT),
        }
    )


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("decimal", [".", ","])
@pytest.mark.parametrize("codec", ["utf-8", "utf-8-sig", "utf-16"])
def test_text_as_pandas_writes_and_reads_it(tmp_path, separator, decimal, codec):
    file = tmp_path / "cloud.csv"
    cloud().to_csv(file, sep=separator, decimal=decimal, encoding=codec, index=False)
    theirs = pandas.read_csv(file, sep=separator, engine="python", encoding=codec, dtype=str, keep_default_na=False)
    ours = read_point_text(file, texts=("code", "name"))
    for column, found in (("easting", ours.easting), ("northing", ours.northing), ("level", ours.level)):
        expected = [float(text.replace(",", ".")) if text else np.nan for text in theirs[column]]
        np.testing.assert_allclose(found, expected, rtol=3e-16, atol=0)
    assert ours.code is not None
    assert ours.name is not None
    assert ours.code.tolist() == theirs["description"].tolist()
    assert ours.name.tolist() == theirs["point"].tolist()


@pytest.mark.parametrize(
    ("order", "columns"),
    [
        ("PNEZD", ["point", "northing", "easting", "level", "description"]),
        ("PENZD", ["point", "easting", "northing", "level", "description"]),
        ("ENZ", ["easting", "northing", "level"]),
    ],
)
def test_common_orders_without_a_header(tmp_path, order, columns):
    file, table = tmp_path / "cloud.txt", cloud()
    table[columns].to_csv(file, index=False, header=False)
    ours = read_point_text(file, order=order)
    np.testing.assert_array_equal(ours.easting, table["easting"])
    np.testing.assert_array_equal(ours.northing, table["northing"])
    np.testing.assert_array_equal(ours.level, table["level"])


def test_a_cloud_as_numpy_writes_and_reads_it(tmp_path):
    file = tmp_path / "cloud.xyz"
    places = cloud()[["easting", "northing", "level"]].dropna().to_numpy()
    np.savetxt(file, places, fmt="%14.4f")
    theirs = np.loadtxt(file)
    ours = read_point_text(file)
    np.testing.assert_array_equal(np.column_stack([ours.easting, ours.northing, ours.level]), theirs)


def test_a_scan_by_the_integers_of_its_records(tmp_path):
    """LAS 1.2, ASPRS: header bytes 96 (offset to points), 105 (record length), 131 (scales) and 155 (offsets).

    Of each record of format 1, x, y, z are its first twelve bytes, the class the low five bits of its sixteenth.
    """
    generator = np.random.default_rng(12)
    x, y = 560_000 + generator.uniform(0, 100, 500), 5_800_000 + generator.uniform(0, 100, 500)
    file = write_las(
        tmp_path / "scan.las", x, y, generator.uniform(50, 60, 500), generator.integers(1, 6, 500), version="1.2"
    )
    content = file.read_bytes()
    (start,), (length,) = struct.unpack_from("<I", content, 96), struct.unpack_from("<H", content, 105)
    scale, offset = struct.unpack_from("<3d", content, 131), struct.unpack_from("<3d", content, 155)
    records = [content[start + row * length : start + (row + 1) * length] for row in range(500)]
    expected = [
        np.array(struct.unpack_from("<3i", record)) * scale + offset for record in records if record[15] & 31 == 2
    ]
    ours = read_las(file, classes=(2,))
    np.testing.assert_allclose(np.column_stack([ours.x, ours.y, ours.z]), expected, rtol=0, atol=1e-9)
