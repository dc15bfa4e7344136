"""What braking takes off the steering: the arm of the front brake, and the roots with and without."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.robot.design import balanced, gains_for
from emulator.robot.fast.pace import brake_arm, gains_left, path_left
from emulator.robot.mission import design_for
from emulator.vehicle.equilibrium import AIR_DENSITY, Steady
from emulator.vehicle.linearise import linearise
from emulator.vehicle.quasi_steady import (
    ACCELERATION,
    FRONT_BRAKE,
    N_UNKNOWNS,
    REAR_TORQUE,
    ROLL,
    STEER_TORQUE,
    machine,
    solve,
    start,
)


def motions(vehicle, speed, steps):
    """Quasi-steady motions of the plant by roll and acceleration, each from the last."""
    c, n = machine(vehicle.body, vehicle.tyre, AIR_DENSITY), np.zeros(N_UNKNOWNS)
    start(c, speed, n)
    for roll, along in steps:
        other = REAR_TORQUE if along < 0.0 else FRONT_BRAKE
        kinds, values = np.array([ROLL, ACCELERATION, other]), np.array([roll, along, 0.0])
        assert solve(c, speed, 1.0, 0.0, True, kinds, values, n)
        yield n.copy(), Steady(c.x.copy(), c.u.copy(), roll, 0.0, 0.0, 0.0, (0.0, 0.0), 0.0)


def test_nothing_is_taken_off_gently_and_all_that_goes_from_seven_on():
    for left, least in ((gains_left, 0.5), (path_left, 0.7)):
        assert left(5.0) == left(-2.0) == 1.0
        assert left(-7.0) == left(-20.0) == pytest.approx(least)
        assert least < left(-4.5) < 1.0


@pytest.mark.parametrize("roll_deg", [15.0, 35.0, 45.0])
@pytest.mark.parametrize("braking", [2.0, 5.0])
def test_the_arm_tells_the_steering_torque_of_a_braked_turn(told, roll_deg, braking):
    """The plant's own turns, other ones than the arm is made of; within a third."""
    roll = math.radians(roll_deg)
    steps = [*((roll * share, 0.0) for share in (0.0, 0.5, 1.0)), (roll, -braking)]
    *_, free, braked = (n for n, _ in motions(told.vehicle, 25.0, steps))
    force = (braked[FRONT_BRAKE] - free[FRONT_BRAKE]) / float(told.vehicle.tyre[1]["radius"])
    more = braked[STEER_TORQUE] - free[STEER_TORQUE]
    assert brake_arm(told.vehicle) * force * math.sin(roll) == pytest.approx(more, rel=0.33)


def test_braked_hard_the_bike_is_held_better_by_less_of_the_gains(told):
    """Linear, upright, the loop's delays included: at 45 m/s and 8.5 m/s^2 of braking."""
    speed, braking = 45.0, -8.5
    *_, (_, steady) = motions(told.vehicle, speed, [(0.0, 0.0), (0.0, -4.0), (0.0, braking)])
    linear = linearise(told.vehicle, steady)
    gains = np.array(gains_for(design_for(told), speed, 0.0))
    assert told.timing is not None
    whole, less = (
        float(balanced(linear, steady, share * gains, told.timing).real.max())
        for share in (1.0, gains_left(braking))
    )
    assert less < min(whole - 0.2, 0.05)
