"""The line as a robot's software gets it: agrees with itself, with WGS 84 and with where a ride begins."""

import csv
import io
import json
import math
import subprocess
import sys

import numpy as np
import pytest

from emulator.assembly.bench import Bench
from emulator.assembly.session import load_session
from emulator.inspection.line_for_robot import LinePoint, csv_text, geojson_text, line_for_robot
from emulator.vehicle.state import POSITION, QUATERNION
from tests.support.scripted_robot import SCENARIOS

RIG = SCENARIOS / "rigs" / "loopback.yaml"


@pytest.fixture(scope="module", params=["first_lap", "straight", "rough_lap", "cornering/banked_downhill"])
def session(request):
    return load_session(RIG, SCENARIOS / "runs" / f"{request.param}.yaml")


@pytest.fixture
def line(session):
    return line_for_robot(session, 1.0)


def column(line, name):
    return np.array([getattr(point, name) for point in line.points])


def test_points_are_even_and_reach_from_end_to_end(line):
    station = column(line, "station_m")
    assert (station[0], station[-1]) == (0.0, line.length_m)
    assert np.ptp(np.diff(station)) < 1e-9
    assert 0.9 < np.diff(station)[0] <= 1.0
    if line.closed:
        first, last = line.points[0], line.points[-1]
        assert (first.east_m, first.north_m) == pytest.approx((last.east_m, last.north_m), abs=1e-6)


def test_its_columns_are_derivatives_of_each_other(line):
    """By central differences over 2 m: heading from places, curvature from headings, slope from heights."""
    station, east, north = (column(line, k) for k in ("station_m", "east_m", "north_m"))
    heading = np.unwrap(np.radians(column(line, "heading_deg")))
    course = np.unwrap(np.arctan2(north[2:] - north[:-2], east[2:] - east[:-2]))
    turn = np.round((course[0] - heading[1]) / (2 * math.pi)) * 2 * math.pi
    # third order: a 2 m chord of a blend whose curvature changes by 1/m^2 turns by less than that
    assert np.abs(course - turn - heading[1:-1]).max() < 2e-3
    curvature = (heading[2:] - heading[:-2]) / (station[2:] - station[:-2])
    assert np.abs(curvature - column(line, "curvature_1_m")[1:-1]).max() < 1e-3


@pytest.mark.parametrize("session", ["first_lap", "straight", "cornering/banked_downhill"], indirect=True)
def test_slope_is_that_of_the_heights_where_the_road_is_smooth(line):
    # rough_lap's heights hold the surface's own unevenness, which is no slope of the line
    up, slope = column(line, "up_m"), np.tan(np.radians(column(line, "slope_deg")))
    rise = (up[2:] - up[:-2]) / (2 * (line.points[1].station_m - line.points[0].station_m))
    assert np.abs(rise - slope[1:-1]).max() < 2e-3


def test_places_on_the_earth_lead_back_to_the_local_frame(line):
    for point in line.points[:: max(1, len(line.points) // 50)]:
        back = line.origin.geodetic_to_enu(
            math.radians(point.latitude_deg), math.radians(point.longitude_deg), point.height_m
        )
        assert back == pytest.approx((point.east_m, point.north_m, point.up_m), abs=1e-6)


def test_the_table_and_the_map_hold_the_same_points(line):
    rows = list(csv.DictReader(io.StringIO(csv_text(line))))
    path, start, origin = json.loads(geojson_text(line))["features"]
    assert list(rows[0]) == list(LinePoint._fields)
    assert len(rows) == len(line.points) == len(path["geometry"]["coordinates"])
    for row, place, point in zip(rows, path["geometry"]["coordinates"], line.points, strict=True):
        assert place == [float(row[k]) for k in ("longitude_deg", "latitude_deg", "height_m")]
        assert float(row["east_m"]) == pytest.approx(point.east_m, abs=6e-5)
        assert float(row["latitude_deg"]) == pytest.approx(point.latitude_deg, abs=6e-11)
    assert path["properties"]["curvature_1_m"] == [float(row["curvature_1_m"]) for row in rows]
    assert path["properties"]["target_speed_m_s"] == [float(row["target_speed_m_s"]) for row in rows]
    degrees = (math.degrees(line.origin.longitude_rad), math.degrees(line.origin.latitude_rad))
    assert origin["geometry"]["coordinates"][:2] == pytest.approx(degrees, abs=1e-9)
    assert start["properties"]["heading_deg"] == pytest.approx(line.start.heading_deg, abs=1e-4)


def test_the_start_is_where_the_bike_stands(session):
    start = line_for_robot(session, 5.0).start
    state = Bench(session).plant.x
    assert state[POSITION : POSITION + 2] == pytest.approx((start.east_m, start.north_m), abs=1e-3)
    w, _, _, z = state[QUATERNION : QUATERNION + 4]
    turned = 2.0 * math.atan2(z, w) - math.radians(start.heading_deg)  # nearly level
    assert math.remainder(turned, 2 * math.pi) == pytest.approx(0.0, abs=1e-3)


def line_command(*options):
    words = ("line", SCENARIOS / "runs" / "slalom.yaml", "--rig", RIG, *options)
    return subprocess.run(
        [sys.executable, "-m", "emulator", *map(str, words)], capture_output=True, text=True, check=False
    )


def test_the_command_writes_both_and_says_where(tmp_path):
    done = line_command("--step-m", 2, "--out", tmp_path / "new")
    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == ["slalom-line.csv", "slalom-line.geojson"]
    for words in ("start: station", "origin: latitude", "open, ridden from end to end"):
        assert words in done.stdout


def test_a_folder_in_the_way_is_told(tmp_path):
    (tmp_path / "taken").write_text("")
    done = line_command("--out", tmp_path / "taken")
    assert done.returncode == 3
    assert "taken" in done.stderr
    assert "Traceback" not in done.stderr
