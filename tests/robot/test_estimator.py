"""The estimate on synthetic signals: it finds its way on a straight and in a turn, and meets late epochs."""

import math

import numpy as np
import pytest

from emulator.robot.design import drift_of, lateral_of
from emulator.robot.estimator import STEP, predict, rolling_speed, see_gnss, see_lean, see_wheels
from emulator.robot.records import (
    SEEN,
    Z_LEAN,
    Z_P,
    Z_Q,
    Z_R,
    Z_WHEEL_FRONT,
    Z_WHEEL_REAR,
)


class Synthetic:
    """A steady ride with perfect knowledge of it, and the estimator beside it."""

    def __init__(self, rider, speed, roll=0.0, bias=(0.0, 0.0)):
        self.d, self.k, self.e = rider.rider.design, rider.rider.known[0], rider.rider.mind[0]
        self.speed, self.roll = speed, roll
        self.turn = lateral_of(self.d, speed, roll) / speed
        self.drift = drift_of(self.d, speed, roll)
        self.x, self.y, self.heading, self.steps = 100.0, -50.0, 0.4, 0
        self.past = []
        self.seen = np.zeros(len(SEEN))
        # a turn about the vertical at rate w, seen from a frame rolled by phi: w (0, sin phi, cos phi)
        self.seen[Z_P] = bias[0]
        self.seen[Z_Q] = self.turn * math.sin(roll)
        self.seen[Z_R] = self.turn * math.cos(roll) + bias[1]
        self.seen[Z_LEAN] = roll
        for z, tyre, c in ((Z_WHEEL_FRONT, "front", 0), (Z_WHEEL_REAR, "rear", 1)):
            radius, crown = float(self.k[f"{tyre}_radius"]), float(self.k[f"{tyre}_crown"])
            self.seen[z] = speed / self.d.rolling[c] * radius / (radius - crown * (1 - math.cos(roll)))
        e = self.e
        e["x"], e["y"], e["heading"], e["speed"], e["roll"] = self.x, self.y, self.heading, speed, roll
        e["past"][:] = (self.x, self.y, self.heading, roll)

    def antenna(self, x, y, heading):
        """Antenna of a bike there: forward, left, up in the leant frame, turned into the world."""
        ahead, left, up = self.k["antenna"]
        side = left * math.cos(self.roll) - up * math.sin(self.roll)
        c, s = math.cos(heading), math.sin(heading)
        return x + ahead * c - side * s, y + ahead * s + side * c

    def step(self, wheels=True, lean=True):
        self.heading += STEP * self.turn
        self.x += STEP * self.speed * math.cos(self.heading + self.drift)
        self.y += STEP * self.speed * math.sin(self.heading + self.drift)
        self.past.append((self.x, self.y, self.heading))
        predict(self.d, self.e, self.seen)
        if self.steps % 5 == 0:
            if lean:
                see_lean(self.k, self.e, self.seen[Z_LEAN])
            if wheels:
                see_wheels(self.d, self.k, self.e, self.seen, True, True)
        self.steps += 1
        self.e["steps"] = self.steps

    def epoch(self, age, told_age=None):
        """GNSS: where the antenna was ``age`` ago, said to be ``told_age`` old."""
        east, north = self.antenna(*self.past[-1 - round(age / STEP)])
        see_gnss(self.k, self.e, east, north, self.speed, age if told_age is None else told_age, 0.1)

    def ride(self, seconds, gnss_age=0.06):
        for _ in range(round(seconds / STEP)):
            self.step()
            if self.steps % 50 == 0:
                self.epoch(gnss_age)

    def errors(self):
        """Place [m], heading [rad], speed [m/s], roll [rad]."""
        e = self.e
        return (
            math.hypot(e["x"] - self.x, e["y"] - self.y),
            abs(math.remainder(e["heading"] - self.heading, 2 * math.pi)),
            abs(e["speed"] - self.speed),
            abs(e["roll"] - self.roll),
        )


def spoil(ride):
    """A start that is wrong in everything."""
    e = ride.e
    e["x"] += 3.0
    e["y"] -= 2.0
    e["heading"] += 0.08
    e["speed"] += 1.0
    e["roll"] += 0.05


@pytest.mark.parametrize("roll_deg", [0.0, 30.0, -40.0], ids=["straight", "right turn", "left turn"])
@pytest.mark.parametrize("speed", [8.0, 30.0])
def test_a_wrong_start_is_found_out(rider, speed, roll_deg):
    ride = Synthetic(rider, speed, math.radians(roll_deg))
    spoil(ride)
    ride.ride(40.0)
    place, heading, speed_error, roll = ride.errors()
    assert place < 0.05
    assert heading < 0.01
    assert speed_error < 0.05
    assert roll < 0.002


@pytest.mark.parametrize("roll_deg", [0.0, 35.0])
def test_a_right_start_stays_right(rider, roll_deg):
    ride = Synthetic(rider, 25.0, math.radians(roll_deg))
    ride.ride(20.0)
    place, heading, speed_error, roll = ride.errors()
    assert place < 0.02
    assert heading < 1e-3
    assert speed_error < 0.02
    assert roll < 1e-3


def test_gyro_biases_do_not_carry_it_away(rider):
    # what the demo rig's inertial unit has, doubled
    ride = Synthetic(rider, 25.0, bias=(0.002, 0.001))
    ride.ride(60.0)
    place, heading, _, roll = ride.errors()
    assert place < 0.15
    assert heading < 0.01
    assert roll < 0.005


def test_between_epochs_it_reckons(rider):
    ride = Synthetic(rider, 20.0, math.radians(20.0))
    ride.ride(1.0)
    for _ in range(500):  # a second without GNSS
        ride.step()
    assert ride.errors()[0] < 0.05


def test_a_late_epoch_is_met_where_it_belongs(rider):
    ride = Synthetic(rider, 40.0)
    ride.ride(2.0)
    before = float(ride.e["x"]), float(ride.e["y"])
    ride.epoch(0.2)
    assert math.hypot(ride.e["x"] - before[0], ride.e["y"] - before[1]) < 0.01
    ride.epoch(0.2, told_age=0.06)  # the same place, thought to be fresher: 5.6 m behind
    assert math.hypot(ride.e["x"] - before[0], ride.e["y"] - before[1]) > 1.0


def test_an_error_is_not_counted_twice_before_it_shows_in_later_epochs(rider):
    ride = Synthetic(rider, 20.0)
    ride.ride(1.0)
    ride.e["x"] += 1.0
    ride.e["past"][:, 0] += 1.0
    left = []
    for _ in range(6):
        for _ in range(50):
            ride.step()
        ride.epoch(0.2)
        left.append(abs(float(ride.e["x"]) - ride.x))
    assert left == sorted(left, reverse=True)
    assert left[-1] < 0.2


def test_a_wheel_that_can_not_be_is_not_believed(rider):
    ride = Synthetic(rider, 20.0)
    d, k, e, seen = ride.d, ride.k, ride.e, ride.seen
    good = seen.copy()
    seen[Z_WHEEL_FRONT] = 0.0  # locked
    assert see_wheels(d, k, e, seen, True, True)  # the rear one stands in
    assert e["speed"] == pytest.approx(20.0)
    seen[Z_WHEEL_REAR] = 40.0  # spinning
    assert not see_wheels(d, k, e, seen, True, True)
    assert e["speed"] == pytest.approx(20.0)
    assert not see_wheels(d, k, e, good, False, False)  # nothing fresh


def test_a_leaning_tyre_rolls_on_a_smaller_radius():
    # R = 0.3, crown radius 0.06: at 60 degrees the rolling radius is 0.3 - 0.06 / 2
    assert rolling_speed(30.0, 0.3, 0.06, math.radians(60.0)) == pytest.approx(27.0)
    assert rolling_speed(30.0, 0.3, 0.06, 0.0) == 30.0


def test_speed_never_turns_backwards(rider):
    ride = Synthetic(rider, 0.01)
    ride.seen[5] = -5.0  # braking to a stand: Z_FX
    for _ in range(50):
        predict(ride.d, ride.e, ride.seen)
    assert ride.e["speed"] == 0.0
