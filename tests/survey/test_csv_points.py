"""CSV of points: names of columns, what is told where it is wrong."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from emulator.core.errors import ConfigError
from emulator.survey.csv_points import COLUMNS, read_csv
from emulator.survey.points import MOST_POINTS

NO_LATITUDE = "expected a latitude from -90 to 90 degrees"
ROWS = [(float(k), 2.0 * k) for k in range(15)]


def written(tmp_path: Path, head: str, separator: str = ",", rows: Sequence[Sequence[object]] = ROWS) -> str:
    path = tmp_path / "points.csv"
    path.write_text("\n".join([head, *(separator.join(str(v) for v in row) for row in rows)]) + "\n")
    return str(path)


def problems(path: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        read_csv(path)
    return [str(p).removeprefix(path + ":") for p in caught.value.problems]


@pytest.mark.parametrize(
    "head",
    ["east,north", "East_m,NORTH_m", "x [m],y [m]", "Easting (m),Northing", '"e","n"', " x , y ", "x,y"],
)
def test_east_and_north_are_known_by_many_names(tmp_path: Path, head: str) -> None:
    points = read_csv(written(tmp_path, head))
    assert not points.geodetic
    np.testing.assert_array_equal(points.places, ROWS)
    assert points.lines.tolist() == list(range(2, 17))
    assert points.remarks == ()


@pytest.mark.parametrize("head", ["lon,lat", "Longitude,Latitude", "lng;lat_deg", "LONG\tLAT"])
def test_latitude_comes_first_whatever_the_order_of_columns(tmp_path: Path, head: str) -> None:
    separator = next(c for c in ",;\t" if c in head)
    points = read_csv(written(tmp_path, head, separator))
    assert points.geodetic
    np.testing.assert_array_equal(points.places, [(b, a) for a, b in ROWS])


def test_every_name_of_a_column_is_that_of_one() -> None:
    names = [name for names in COLUMNS.values() for name in names]
    assert len(names) == len(set(names))


def test_elevation_width_and_time_are_taken_and_what_is_not_used_is_told(tmp_path: Path) -> None:
    rows = [(k, k, 5 if k else "", 9, f"2027-05-01T09:30:{k:02}Z", "x") for k in range(15)]
    points = read_csv(written(tmp_path, "x,y,ele,width_m,time,hdop", rows=rows))
    assert np.isnan(points.elevation[0])
    assert (points.elevation[1:] == 5.0).all()
    assert (points.width == 9.0).all()
    assert np.diff(points.time).tolist() == [1.0] * 14
    assert points.remarks == ("columns not used: 'hdop'",)


def test_a_comma_is_a_decimal_sign_where_it_separates_nothing(tmp_path: Path) -> None:
    rows = [(f"{k},5", f"{k},25") for k in range(15)]
    points = read_csv(written(tmp_path, "x;y", ";", rows))
    assert points.places[3].tolist() == [3.5, 3.25]


def test_line_ends_of_any_system_a_mark_of_bytes_comments_and_gaps_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    text = "\ufeff# surveyed\r\n\r\nx,y\r\n" + "".join(f"{a},{b}\r\n# note\r\n\r\n" for a, b in ROWS)
    path.write_bytes(text.encode())
    points = read_csv(str(path))
    np.testing.assert_array_equal(points.places, ROWS)
    assert points.lines[:2].tolist() == [4, 7]


@pytest.mark.parametrize(
    ("head", "words"),
    [
        ("12.5,7.5", "1:1: expected a line that names the columns"),
        ("lat,altitude", "1:1: expected a line that names the columns"),
        ("breite,laenge", "got 'breite', 'laenge'"),
        ('{"type": "FeatureCollection", "features": []}', "expected points in CSV, or in GPX 1.1"),
        ('<?xml version="1.0"?>', "whose name ends in .gpx; got XML"),
        ("x,y,easting", "1:5: expected one column of east, got 'x' and 'easting'"),
    ],
)
def test_columns_that_are_not_known_are_told(tmp_path: Path, head: str, words: str) -> None:
    (said,) = problems(written(tmp_path, head))
    assert words in said


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("3,", "5:3: expected a number for longitude, got nothing"),
        ("3", "5:3: expected a number for longitude, got nothing"),
        ("3,five", "5:3: expected a number, got 'five'"),
        ("nan,4", "5:1: expected a number, got 'nan'"),
        ("inf,4", "5:1: expected a number, got 'inf'"),
        ("1_0,4", "5:1: expected a number, got '1_0'"),
        ("1e999,4", "5:1: expected a number of usual size, got '1e999'"),
        ("97,4", f"5:1: {NO_LATITUDE}, got 97; are latitude and longitude swapped?"),
        ("7,184", "5:1: expected a longitude from -180 to 180 degrees, got 184"),
        ("1\x1b[2J,4", "5:1: expected a number, got '1\\x1b[2J'"),
    ],
)
def test_a_wrong_cell_is_told_by_line_and_column(tmp_path: Path, row: str, said: str) -> None:
    path = Path(written(tmp_path, "lat,lon"))
    lines = path.read_text().split("\n")
    lines[4] = row
    path.write_text("\n".join(lines))
    assert problems(str(path)) == [said]


def test_all_is_told_at_once_but_not_without_end(tmp_path: Path) -> None:
    said = problems(written(tmp_path, "x,y", rows=[("a", "b")] * 100))
    assert len(said) == 21
    assert "the rest is not read" in said[-1]


def test_what_is_no_text_or_no_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "points.csv"
    path.write_bytes(b"x,y\n1,2\n3,\xff\n")
    assert problems(str(path)) == ["3:3: byte 0xff is not UTF-8 text; save the file as UTF-8"]
    path.write_bytes(b"")
    assert "the file is empty" in problems(str(path))[0]
    assert "no such file" in problems(str(tmp_path / "other.csv"))[0]
    assert "this is a folder" in problems(str(tmp_path))[0]
    path.write_text('x,y\n1,"2\n')
    assert "this is no line of CSV" in problems(str(path))[0]


def test_too_few_and_too_many_are_refused(tmp_path: Path) -> None:
    assert problems(written(tmp_path, "x,y", rows=ROWS[:11])) == ["1:1: expected at least 12 points, got 11"]
    (said,) = problems(written(tmp_path, "x,y", rows=[(1, 2)] * (MOST_POINTS + 1)))
    assert said.startswith(f"{MOST_POINTS + 2}:1: expected at most {MOST_POINTS} points")
