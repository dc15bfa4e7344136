"""The receiver's sentences: what is in the epoch is what a parser of its own reads from them."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pynmea2
import pytest

from emulator.plant.receiver import Said, sentences
from emulator.plant.sensing import V_GNSS_COURSE, V_GNSS_FIX, V_GNSS_SPEED, V_GNSS_X, V_GNSS_Y, V_GNSS_Z
from emulator.wire.geodesy import Origin
from emulator.wire.nmea import LONGEST_BURST, SENTENCES, chosen

ORIGIN = Origin(0.6, -1.1, 210.0)
UTC_NS = round(datetime(2031, 5, 4, 11, 59, 58, 700_000, UTC).timestamp() * 1000) * 1_000_000


SIGMA_m = np.array([[10.0 * quality + 1.0, 10.0 * quality + 2.0] for quality in range(6)])


def lines(
    sentences_said: tuple[str, ...] = ("GGA", "RMC", "VTG"), **values: float
) -> list[pynmea2.NMEASentence]:
    epoch = np.zeros(V_GNSS_COURSE + 9)
    given = {"x": 120.0, "y": -45.0, "z": 2.5, "fix": 4.0, "speed": 33.0, "course": 2.0} | values
    for name, index in (
        ("x", V_GNSS_X),
        ("y", V_GNSS_Y),
        ("z", V_GNSS_Z),
        ("fix", V_GNSS_FIX),
        ("speed", V_GNSS_SPEED),
        ("course", V_GNSS_COURSE),
    ):
        epoch[index] = given[name]
    out = np.zeros(LONGEST_BURST, np.uint8)
    length = sentences(epoch, UTC_NS, ORIGIN.frame, Said(14, 0.8, 1.2, SIGMA_m, chosen(sentences_said)), out)
    return [pynmea2.parse(line) for line in out[:length].tobytes().decode().splitlines()]


def test_position_time_and_motion_are_those_of_the_epoch() -> None:
    gga, rmc, vtg = lines()
    east, north, up = ORIGIN.geodetic_to_enu(
        math.radians(gga.latitude), math.radians(gga.longitude), float(gga.altitude)
    )
    # six decimals of a minute are 1.9 mm, altitude in centimetres
    assert (east, north) == (pytest.approx(120.0, abs=2e-3), pytest.approx(-45.0, abs=2e-3))
    assert up == pytest.approx(2.5, abs=6e-3)
    assert (gga.gps_qual, int(gga.num_sats), float(gga.horizontal_dil)) == (4, 14, 0.8)
    assert rmc.datetime == datetime(2031, 5, 4, 11, 59, 58, 700_000, UTC)
    assert float(rmc.spd_over_grnd) * 1852.0 / 3600.0 == pytest.approx(33.0, abs=3e-4)
    assert float(vtg.true_track) == pytest.approx(math.degrees(2.0), abs=0.006)


@pytest.mark.parametrize("lost", ["x", "y", "fix"])
def test_a_lost_position_or_quality_is_no_fix(lost: str) -> None:
    gga, rmc, _ = lines(**{lost: math.nan})
    assert (gga.gps_qual, int(gga.num_sats), rmc.status) == (0, 0, "V")
    assert gga.lat == ""


def test_an_undefined_course_is_left_out_and_no_speed_is_none() -> None:
    assert lines(course=math.nan)[2].true_track is None
    unknown = lines(speed=math.nan)
    assert float(unknown[1].spd_over_grnd) == 0.0
    assert unknown[2].true_track is None


@pytest.mark.parametrize(("fix", "row"), [(1.0, 1), (2.0, 2), (4.0, 4), (5.0, 5), (8.0, 5)])
def test_the_stated_accuracy_is_that_of_the_fix(fix: float, row: int) -> None:
    gst = lines(("GST",), fix=fix)[0]
    assert float(gst.std_dev_latitude) == float(gst.std_dev_longitude) == 10.0 * row + 1.0
    assert float(gst.std_dev_altitude) == 10.0 * row + 2.0


def test_without_a_fix_nothing_but_the_clock_is_said() -> None:
    _, _, _, gsa, gst, zda = lines(SENTENCES, x=math.nan)
    assert gsa.mode_fix_type == "1"
    assert gst.std_dev_latitude is None
    assert zda.datetime == datetime(2031, 5, 4, 11, 59, 58, 700_000, UTC)
