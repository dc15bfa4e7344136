"""What a map tells of a device is taken, else what is usual; a clock's doubt is its receiver's lateness."""

import math
from pathlib import Path

import numpy as np
import pytest

from emulator.record.reader import Frames, Run
from emulator.track.comparison.device_doubts import NONE, doubt_of, doubt_of_torque
from emulator.track.comparison.readings import Reading

NOTHING = Frames(*([np.zeros(0, np.int64)] * 6), np.zeros((0, 64), np.uint8), np.zeros(0, np.int64))
ROLL = Reading("roll", "truth.roll_rad", "lean", "°", 57.3, 5e-4, lambda s: s[:, 0])
EAST = Reading("x", "truth.x_m", "place, east", "m", 1.0, 0.02, lambda s: s[:, 0])


def log(*channels, stage="track"):
    track = {
        "stand_ins": {"truth.roll_rad": "output.lean_rad", "truth.x_m": "output.gnss_x_m, output.gnss_y_m"},
        "channels": channels,
        "clocks": {"receiver": {"offset_95_s": 0.0196}},
    }
    tick = np.arange(0, 100, 2)
    return Run(Path("made_up"), {"stage": stage, "track": track}, tick, tick * 10**6, {}, NOTHING, [])


def test_what_the_map_tells_is_taken():
    lean = {"signal": "output.lean_rad", "late_ms": 28.0, "late_sigma_ms": 2.0, "off_sigma": 0.01}
    found = doubt_of(log(lean), ROLL)
    assert found == (0.01, 2e-3, pytest.approx(0.028), (True, True))


def test_what_it_leaves_out_is_usual_and_said():
    late = {"signal": "output.lean_rad", "late_ms": 28.0}
    told, untold = (doubt_of(log(lean), ROLL) for lean in (late, {"signal": "output.lean_rad"}))
    assert told.off == untold.off == math.radians(1.0)
    assert (told.late, untold.late) == (1e-3, 1e-2)
    assert (told.told, untold.told) == ((True, False), (False, False))


def test_a_held_sample_may_stand_a_row_late():
    lean = {"signal": "output.lean_rad", "late_ms": 8.0, "late_sigma_ms": 0.0, "on_rows": "held"}
    assert doubt_of(log(lean), ROLL).late == pytest.approx(1e-3)  # rows of 2 ms: half of one


def test_a_clocks_interval_is_a_receivers_lateness_and_a_latitude_is_told_in_degrees():
    place = {"signal": "latitude", "clock": "receiver", "late_sigma_ms": 0.0, "off_sigma": math.radians(1e-5)}
    found = doubt_of(log(place), EAST)
    assert found.late == pytest.approx(0.01, rel=1e-3)  # half of 0.0196, a normal variable's 1.96
    assert found.off == pytest.approx(1.113, rel=1e-3)  # 111.3 km a degree of the equator, by WGS 84


def test_other_records_show_the_bike_itself():
    assert doubt_of(log(stage="virtual"), ROLL) == doubt_of_torque(log(stage="virtual")) == NONE


def test_of_a_torque_its_lateness_alone_is_doubted():
    torque = {"signal": "actuator.steering_torque_Nm", "late_sigma_ms": 3.0, "off_sigma": 0.5}
    assert doubt_of_torque(log(torque))[:2] == (0.0, 3e-3)
