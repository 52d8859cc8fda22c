"""What columns hold by their names. The names are the trade's; that each is read so is our own rule."""

from __future__ import annotations

import pytest

from geofence.inputs.point_columns import columns_named, columns_of_header, columns_of_order, role_named


@pytest.mark.parametrize(
    ("header", "order"),
    [
        ("Point,Easting,Northing,Level,Code", "point,easting,northing,level,code"),
        ("Pt No.,N,E,Z,D", "point,northing,easting,level,description"),
        ("NAME,NORTHINGS,EASTINGS,R.L.,Remarks", "point,northing,easting,level,description"),
        ("Elevation (m),Northing (m),Easting (m)", "level,northing,easting"),
        ("easting_m,northing_m,level_m", "easting,northing,level"),
        ("X,Y,Z", "easting,northing,level"),
        ("lat,lon,alt", "northing,easting,level"),
        ("Point_ID,Grid Easting,Grid Northing,Ground Level [m],Feature Code", "point,easting,northing,level,code"),
        ("Date,Easting,Northing,Elev. (ft),HDOP", "skip,easting,northing,level,skip"),
        ("x_coord,y_coord,orthometric height", "easting,northing,level"),
    ],
)
def test_a_header_is_understood_whatever_its_order(header, order):
    assert str(columns_of_header(header.split(","))) == order


@pytest.mark.parametrize(
    "header",
    [
        "Point,Easting,Northing,Code",
        "East,Easting,Northing,Level",
        "Easting,Northing,Elevation,Level",
        "A,B,C",
        "Ostwert,Nordwert,Hoehe",
        "Easting,Northing,Ellipsoidal Height",
    ],
    ids=["no level", "two eastings", "two levels", "letters", "another language", "a height that is no level"],
)
def test_a_header_that_leaves_something_open_is_none(header):
    assert columns_of_header(header.split(",")) is None


@pytest.mark.parametrize(
    ("order", "roles"),
    [
        ("PENZD", "point,easting,northing,level,description"),
        ("PNEZC", "point,northing,easting,level,code"),
        ("ENZ", "easting,northing,level"),
        ("SPNEZSS", "skip,point,northing,easting,level,skip,skip"),
        ("point, northing, easting, level, code", "point,northing,easting,level,code"),
        ("id,y,x,z,skip", "point,northing,easting,level,skip"),
    ],
)
def test_an_order_is_understood(order, roles):
    assert str(columns_of_order(order)) == roles


@pytest.mark.parametrize(
    ("order", "says"),
    [
        ("PEN", "there is no level"),
        ("P", "there is no easting and no northing and no level"),
        ("PENZX", "'X' is no column"),
        ("penz", "'p' is no column"),
        ("easting,northing,level,hdop", "'hdop' is no column"),
        ("easting,northing,level,z", "there are two columns of levels"),
        ("", "there is no easting and no northing and no level"),
    ],
)
def test_an_order_that_cannot_be_is_refused(order, says):
    with pytest.raises(ValueError, match=says):
        columns_of_order(order)


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("Elev (ft)", "ft"),
        ("Elevation [US survey feet]", "ftUS"),
        ("level_m", "m"),
        ("Z us-ft", "ftUS"),
        ("level ft", "ft"),
        ("Level", None),
        ("Level (AHD)", None),
    ],
)
def test_the_unit_in_a_name_is_read(name, unit):
    columns = columns_named(["Easting", "Northing", name])
    assert role_named(name) == "level"
    assert columns.level_unit == unit
    assert columns.place_unit is None


def test_x_and_y_alone_are_marked():
    assert columns_named(["X", "Y", "Z"]).by_letters_xy
    assert columns_named(["x_coord", "y", "level"]).by_letters_xy
    assert not columns_named(["X", "Northing", "Z"]).by_letters_xy
    assert not columns_named(["E", "N", "Z"]).by_letters_xy
