"""Monitors of commands and measurements: where each bound lies, for how long, and what comes of it."""

import math

import numpy as np
import pytest

from emulator.core.signals import (
    INDEX,
    R_CLUTCH,
    R_FRONT_BRAKE,
    R_GEAR,
    R_REAR_BRAKE,
    R_ROLL,
    R_SPEED,
    R_STEER_ANGLE,
    R_STEER_TORQUE,
    R_THROTTLE,
    SIGNALS,
)
from emulator.plant.plausibility import (
    COMMAND_LIMIT,
    COMMAND_RATE,
    LEAN_ESTIMATE,
    LIMITED,
    MONITORS,
    N_MONITORS,
    SPEED_ESTIMATE,
    STEERING_ANGLE,
    beyond_limit,
    beyond_rate,
    follow,
    monitor_text,
    off,
)
from emulator.plant.records import RIG_DTYPE, RUN_DTYPE

TICKS = 7


class Watched:
    """A rig whose monitors are all on, and a robot that has said nothing yet."""

    def __init__(self, *, angle_driven=False):
        self.rig, self.run = np.zeros(1, RIG_DTYPE)[0], np.zeros(1, RUN_DTYPE)[0]
        self.rig["steer_limit"], self.rig["steer_step"], self.rig["steer_gain"] = 220.0, 8.0, 0.1
        self.rig["front_brake_limit"], self.rig["rear_brake_limit"] = 20e5, 25e5
        self.rig["angle_driven"] = int(angle_driven)
        self.rig["monitor_ticks"] = TICKS
        self.rig["monitor_bound"] = (0.0, 0.0, 0.05, 0.1, 2.0)
        self.robot, self.row, self.torque = np.full(13, np.nan), np.zeros(len(SIGNALS)), 0.0

    def tick(self, *, riding=True):
        due = follow(self.rig, self.run, self.robot, self.row, self.torque, riding)
        return [i for i in range(N_MONITORS) if due >> i & 1]


def test_a_command_on_its_limit_is_not_beyond_it_one_step_of_its_frame_further_is():
    for place, name, limit, step in (
        (R_STEER_TORQUE, "steering torque", 220.0, 0.01),
        (R_STEER_TORQUE, "steering torque", -220.0, -0.01),
        (R_THROTTLE, "throttle", 1.0, 0.001),
        (R_FRONT_BRAKE, "front brake", 20e5, 250.0),
        (R_REAR_BRAKE, "rear brake", 25e5, 250.0),
        (R_CLUTCH, "clutch", 1.0, 0.001),
        (R_THROTTLE, "throttle", 0.0, -0.001),
        (R_CLUTCH, "clutch", 0.0, -0.001),
        (R_FRONT_BRAKE, "front brake", 0.0, -250.0),
        (R_REAR_BRAKE, "rear brake", 0.0, -250.0),
        (R_GEAR, "gear", 6.0, 1.0),
        (R_GEAR, "gear", 0.0, -1.0),
    ):
        w = Watched()
        assert beyond_limit(w.rig, w.robot) == -1  # nothing asked for
        w.robot[place] = round(limit / abs(step)) * abs(step)  # as it is decoded
        assert beyond_limit(w.rig, w.robot) == -1, name
        w.robot[place] = limit + step
        assert beyond_limit(w.rig, w.robot) == LIMITED.index(name)


def test_torque_has_no_limit_where_it_does_not_steer():
    w = Watched(angle_driven=True)
    w.robot[R_STEER_TORQUE] = 300.0
    assert beyond_limit(w.rig, w.robot) == -1
    assert not beyond_rate(w.rig, w.robot, 0.0)


def test_a_torque_that_the_actuator_follows_is_not_too_fast():
    w = Watched()
    assert not beyond_rate(w.rig, w.robot, 0.0)  # never sent
    for torque in (0.0, -30.0):
        for asked, fast in ((79.9, False), (80.0, False), (80.1, True), (-80.0, False), (-80.1, True)):
            w.robot[R_STEER_TORQUE] = torque + asked
            assert beyond_rate(w.rig, w.robot, torque) == fast
    w.robot[R_STEER_TORQUE] = 1e4  # what is beyond the limit is asked for as the limit
    assert not beyond_rate(w.rig, w.robot, 150.0)


@pytest.mark.parametrize(
    ("which", "place", "truth"),
    [
        (STEERING_ANGLE, R_STEER_ANGLE, "truth.steer_rad"),
        (LEAN_ESTIMATE, R_ROLL, "truth.roll_rad"),
        (SPEED_ESTIMATE, R_SPEED, "truth.speed_m_s"),
    ],
)
def test_a_measurement_is_compared_with_its_own_truth(which, place, truth):
    w = Watched()
    w.robot[:], w.row[:] = np.arange(13) + 0.5, np.arange(len(SIGNALS)) * 3.0
    assert off(w.robot, w.row, which) == w.robot[place] - w.row[INDEX[truth]]
    w.robot[place] = np.nan
    assert math.isnan(off(w.robot, w.row, which))


def test_beyond_for_longer_than_its_time_is_due_once_and_counts_on():
    w = Watched()
    w.robot[:] = 0.0
    w.row[INDEX["truth.roll_rad"]] = 0.101
    due = [w.tick() for _ in range(3 * TICKS)]
    assert due == [[]] * TICKS + [[LEAN_ESTIMATE]] + [[]] * (2 * TICKS - 1)
    assert w.run["beyond"][LEAN_ESTIMATE] == 3 * TICKS


def test_a_time_of_one_tick_is_over_with_the_second():
    w = Watched()
    w.rig["monitor_ticks"] = 1
    w.robot[:] = 0.0
    w.row[INDEX["truth.roll_rad"]] = 0.101
    assert [w.tick() for _ in range(3)] == [[], [LEAN_ESTIMATE], []]


def test_one_tick_within_its_bound_begins_anew():
    w = Watched()
    w.robot[:] = 0.0
    for k in range(20 * TICKS):
        w.row[INDEX["truth.speed_m_s"]] = 2.0 if k % (TICKS + 1) == TICKS else -2.1
        assert w.tick() == []


def test_measurements_are_compared_only_while_riding_and_then_missing_is_beyond():
    w = Watched()
    for _ in range(3 * TICKS):
        assert w.tick(riding=False) == []
    due = [w.tick() for _ in range(TICKS + 1)][-1]
    assert due == [STEERING_ANGLE, LEAN_ESTIMATE, SPEED_ESTIMATE]


def test_commands_are_watched_in_any_state():
    w = Watched()
    w.robot[R_STEER_TORQUE] = 230.0
    due = [w.tick(riding=False) for _ in range(TICKS + 1)][-1]
    assert due == [COMMAND_LIMIT, COMMAND_RATE]
    w.torque = 200.0
    w.tick(riding=False)
    assert w.run["beyond"][COMMAND_RATE] == 0


def test_what_is_not_asked_for_is_not_watched():
    w = Watched()
    w.rig["monitor_ticks"] = 0
    w.robot[R_STEER_TORQUE] = 1e3
    for _ in range(1000):
        assert w.tick() == []
    assert not w.run["beyond"].any()


def test_each_has_its_sentence():
    said = [monitor_text(i, 0.1) for i in range(N_MONITORS)]
    assert len(set(said)) == len(MONITORS)
    assert monitor_text(COMMAND_LIMIT, 2.0).startswith("front brake")
    assert monitor_text(COMMAND_RATE, 0.0).startswith("steering torque")
    assert "-5.73 deg" in monitor_text(LEAN_ESTIMATE, -0.1)
    assert "+7.2 km/h" in monitor_text(SPEED_ESTIMATE, 2.0)
    assert monitor_text(STEERING_ANGLE, math.nan).endswith("never sent")
