"""Riding fast: every tyre its share, the clutch as hard as asked, gears in time."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pytest

from emulator.robot.fast.drive import drive_fast, ratio_of, rear_load
from emulator.robot.mission import ReferenceRider
from emulator.robot.records import SEEN, Z_ENGINE, Z_GEAR
from emulator.vehicle.driveline import clutch_capacity, engine_torque


@pytest.fixture(scope="module")
def fast(told):
    """A rider told to ride fast."""
    return ReferenceRider(replace(told, fast=True, acceleration=9.0, braking=8.5))


class Bike:
    """The fast rider at a speed on a straight in a gear, its engine turning as the rear wheel does."""

    def __init__(self, rider, speed, gear=2, wanted=0.0):
        self.r = copy.deepcopy(rider).rider
        self.k, self.e, self.body = self.r.known[0], self.r.mind[0], self.r.body[0]
        self.e["speed"], self.e["gear"], self.e["launch_steps"] = speed, gear, 1000
        self.e["wanted"] = wanted
        self.seen = np.zeros(len(SEEN))
        self.seen[Z_GEAR] = gear
        self.turn()

    def turn(self, slip=0.0):
        """Engine as fast as the wheel makes it."""
        wheel = self.e["speed"] / self.k["rear_radius"]
        self.seen[Z_ENGINE] = (1.0 + slip) * wheel * ratio_of(self.k, int(self.e["gear"]))

    def drive(self, steps=1):
        for _ in range(steps):
            drive_fast(self.k, self.body, self.e, self.seen)

    def forces(self):
        """Front and rear tyre [N] along by what is asked, of wheels that gain or lose speed as wanted."""
        e, k = self.e, self.k
        front = -e["front_brake"] * k["front_gain"] / k["front_radius"] - k["front_inertia"] * e["wanted"]
        ratio = ratio_of(k, int(e["gear"]))
        engine = engine_torque(self.body, self.seen[Z_ENGINE], float(e["throttle"]), 0.0)
        engine -= k["engine_inertia"] * ratio / k["rear_radius"] * e["wanted"]
        rear = engine * ratio / k["rear_radius"] - e["rear_brake"] * k["rear_gain"] / k["rear_radius"]
        rear -= k["rear_inertia"] * e["wanted"]
        rolling = k["rolling"] * k["mass"] * k["gravity"]
        return float(front - rolling * k["front_share"]), float(rear - rolling * (1.0 - k["front_share"]))


@pytest.mark.parametrize("speed", [15.0, 30.0, 45.0])
@pytest.mark.parametrize("braking", [3.0, 6.0, 8.0])
def test_braking_both_tyres_make_what_is_wanted_and_the_rear_less_than_its_load_would(fast, speed, braking):
    bike = Bike(fast, speed, gear=2, wanted=-braking)
    bike.e["shift_phase"] = 0
    bike.k["most_acceleration"] = 1.0  # no gear is wanted for what comes
    bike.drive()
    front, rear = bike.forces()
    drag = 0.6 * bike.k["drag_area"] * speed**2
    asked = -bike.k["mass"] * braking + drag
    assert front + rear == pytest.approx(asked, rel=0.02)
    share = rear_load(bike.k, asked)
    assert rear / asked < share < 1.0 - bike.k["front_share"]


def test_the_throttle_opens_where_a_closed_one_would_brake_the_rear_too_hard(fast):
    bike = Bike(fast, 25.0, gear=1, wanted=-8.0)
    bike.k["most_acceleration"] = 1.0
    bike.drive()
    assert bike.e["throttle"] > 0.0
    assert bike.e["rear_brake"] == 0.0
    assert bike.e["front_brake"] > 0.0


@pytest.mark.parametrize(("wanted", "most"), [(9.5, 5.0), (-12.0, -9.0)])  # of braking half a m/s^2 more
def test_nothing_is_asked_of_tyres_beyond_what_it_may(fast, wanted, most):
    bike = Bike(fast, 25.0, gear=2, wanted=wanted)
    bike.k["most_acceleration"] = 5.0
    bike.drive()
    assert sum(bike.forces()) == pytest.approx(bike.k["mass"] * most, rel=0.02)


def test_rolling_upright_it_drives_less(fast):
    still, rolling = Bike(fast, 20.0, wanted=6.0), Bike(fast, 20.0, wanted=6.0)
    rolling.e["roll_rate"] = 1.5
    for bike in (still, rolling):
        bike.k["most_acceleration"] = 5.0
        bike.drive()
    # definition: a mass on an arm that turns
    taken = 1.5**2 * still.k["height"] / still.k["gravity"]
    assert sum(rolling.forces()) == pytest.approx((1.0 - taken) * sum(still.forces()), rel=0.02)


def test_a_front_wheel_that_rises_takes_drive_away(fast):
    still, rising = Bike(fast, 20.0, wanted=9.0), Bike(fast, 20.0, wanted=9.0)
    rising.e["rate"][1] = -0.3  # nose up
    still.drive()
    rising.drive()
    assert rising.e["throttle"] < 0.8 * still.e["throttle"]


def test_moving_off_the_clutch_carries_what_is_asked_once_the_engine_turns(fast):
    bike = Bike(fast, 2.0, gear=1, wanted=9.0)
    bike.e["launch_steps"] = 0
    bike.seen[Z_ENGINE] = 140.0
    bike.drive()
    assert clutch_capacity(bike.body, float(bike.e["clutch"])) == 0.0
    assert bike.e["throttle"] == 1.0
    bike.seen[Z_ENGINE] = 420.0
    bike.drive()
    k = bike.k
    force = (
        clutch_capacity(bike.body, float(bike.e["clutch"])) * k["gears"][1] * k["final"] / k["rear_radius"]
    )
    asked = (k["mass"] + k["wheel_inertia"]) * 9.0 + k["rolling"] * k["mass"] * k["gravity"]
    assert force == pytest.approx(asked, rel=1e-6)
    assert bike.e["launch_steps"] == 0
    bike.e["speed"] = 13.0  # the gearbox turns as fast as the engine
    bike.drive()
    assert bike.e["launch_steps"] >= 400


def test_changing_up_the_clutch_slips_until_both_turn_alike_and_then_closes(fast):
    bike = Bike(fast, 36.0, gear=1, wanted=9.0)
    bike.turn(slip=0.08)  # a wheel that slips comes to the limiter first
    phases = []
    for step in range(200):
        bike.drive()
        phases.append((int(bike.e["shift_phase"]), float(bike.e["clutch"])))
        if step == 50:
            bike.seen[Z_GEAR] = 2.0
        if step > 50:
            low = bike.e["speed"] / bike.k["rear_radius"] * ratio_of(bike.k, 2)
            bike.seen[Z_ENGINE] = max(low, bike.seen[Z_ENGINE] - 6.0)
    seen = [p for i, (p, _) in enumerate(phases) if i == 0 or p != phases[i - 1][0]]
    assert (int(bike.e["gear"]), seen) == (2, [1, 2, 3, 0])
    slipping = [lever for phase, lever in phases if phase == 2]
    assert all(0.3 < lever < 0.7 for lever in slipping[1:])  # at the first the box has only just told
    assert phases[-1] == (0, 0.0)


def test_before_a_bend_it_changes_down_as_far_as_the_way_out_needs(fast):
    bike = Bike(fast, 25.0, gear=4, wanted=-5.0)
    for _ in range(3000):
        bike.drive()
        bike.seen[Z_GEAR] = float(bike.e["gear"])
        bike.turn()
    gear = int(bike.e["gear"])
    assert gear < 4
    pull = engine_torque(bike.body, bike.seen[Z_ENGINE], 1.0, 0.0) * ratio_of(bike.k, gear)
    assert gear == 1 or pull / bike.k["rear_radius"] >= bike.k["mass"] * 9.0


def test_leaned_far_over_no_gear_is_changed_down(fast):
    bike = Bike(fast, 25.0, gear=4, wanted=-1.0)
    bike.e["roll"] = 0.8
    bike.drive(50)
    assert int(bike.e["gear"]) == 4
