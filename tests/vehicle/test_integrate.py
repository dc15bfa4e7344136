"""The step: its order, its limits, and what it leaves in the scratch memory."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest

from emulator.vehicle.driveline import clutch_capacity
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import standing, steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.state import (
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    CLUTCH_TWIST,
    DEFLECTION,
    DIRECT_DRIVE,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    T_CAP_X,
    T_CAP_Y,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_GEAR,
    U_STEER_TORQUE,
    VELOCITY,
    scratch,
)
from tests.support.machines import demo, no_inputs, ride


def test_begin_leaves_the_truth_at_the_start_of_the_step() -> None:
    vehicle, u = demo(), no_inputs()
    x = steady_motion(vehicle, 20.0, 0.3).x
    u[U_GEAR], u[U_STEER_TORQUE] = DIRECT_DRIVE, 4.0
    s, xdot, other = scratch(), np.zeros(N_X), scratch()
    before = x.copy()
    begin(vehicle.body, vehicle.tyre, x, u, s)
    derivative(vehicle.body, vehicle.tyre, x, u, other, xdot)
    assert np.array_equal(x, before)
    assert np.array_equal(s[0]["k"][0], xdot)
    for name in ("R", "rhs", "tyre", "V"):
        assert np.array_equal(s[0][name], other[0][name])


def test_a_smooth_ride_converges_with_the_fourth_order() -> None:
    # Dampers that differ in bump and rebound have a kink; here they do not.
    vehicle, u = demo(fork__bump_damping=2000.0, shock__bump_damping=14000.0), no_inputs()
    start = steady_motion(vehicle, 20.0).x
    u[U_GEAR], u[U_STEER_TORQUE] = DIRECT_DRIVE, 2.0
    ends = []
    for n in (50, 100, 200, 1600):
        x = start.copy()
        ride(vehicle, x, u, 0.1 / n, n)
        ends.append(x)
    errors = [float(np.max(np.abs((e - ends[-1])[OMEGA : VELOCITY + 3]))) for e in ends[:-1]]
    for coarse, fine in pairwise(errors):
        assert math.log2(coarse / fine) == pytest.approx(4.0, abs=0.4)


def test_one_millisecond_is_short_enough_for_the_demo_racer() -> None:
    vehicle, u = demo(), no_inputs()
    x = steady_motion(vehicle, 40.0).x.copy()
    u[U_GEAR], u[U_STEER_TORQUE] = DIRECT_DRIVE, 5.0
    fine = x.copy()
    ride(vehicle, x, u, 1e-3, 500)
    ride(vehicle, fine, u, 1e-4, 5000)
    assert np.max(np.abs((x - fine)[QUATERNION:OMEGA])) < 1e-5
    assert np.max(np.abs((x - fine)[POSITION : POSITION + 3])) < 1e-4


def test_sliding_and_slipping_elements_store_no_more_than_their_limit() -> None:
    vehicle, u, s = demo(), no_inputs(), scratch()
    x = steady_motion(vehicle, 25.0).x.copy()
    u[U_GEAR], u[U_CLUTCH], u[U_BRAKE_FRONT], u[U_BRAKE_REAR] = 1.0, 0.5, 2e6, 1e6
    par = vehicle.body[0]
    full = 0
    for _ in range(400):
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
        for which in (0, 1):
            cap = s[0]["tyre"][which, [T_CAP_X, T_CAP_Y]]
            if np.all(cap > 0.0):
                z = x[DEFLECTION + 2 * which : DEFLECTION + 2 * which + 2]
                use = math.hypot(*(z / cap))
                assert use <= 1.0 + 1e-9
                full += use > 0.999
        limit = clutch_capacity(par, 0.5) / float(par["clutch_stiffness"])
        assert abs(x[CLUTCH_TWIST]) <= limit * (1.0 + 1e-12)
        for twist, gain, pressure in (
            (BRAKE_TWIST_FRONT, "brakes_front_gain", 2e6),
            (BRAKE_TWIST_REAR, "brakes_rear_gain", 1e6),
        ):
            assert abs(x[twist]) <= float(par[gain]) * pressure / float(par["brakes_stiffness"]) * (
                1.0 + 1e-12
            )
    assert full > 10


def test_quaternion_keeps_its_norm() -> None:
    vehicle, u = demo(), no_inputs()
    x = standing(vehicle, 0.0, 0.0, 0.0)
    x[QUATERNION : QUATERNION + 4] *= 1.001
    x[OMEGA + 2] = 3.0
    ride(vehicle, x, u, 1e-3, 100)
    assert float(np.linalg.norm(x[QUATERNION : QUATERNION + 4])) == pytest.approx(1.0, abs=1e-15)


def test_same_start_and_inputs_give_the_same_bytes() -> None:
    vehicle, u = demo(), no_inputs()
    u[U_GEAR], u[U_STEER_TORQUE], u[U_BRAKE_FRONT] = 3.0, 6.0, 4e5
    start = steady_motion(vehicle, 22.0).x
    a, b = start.copy(), start.copy()
    ride(vehicle, a, u, 1e-3, 500)
    ride(vehicle, b, u, 1e-3, 500)
    assert a.tobytes() == b.tobytes()


def test_not_a_number_goes_through_and_is_not_hidden() -> None:
    vehicle, u = demo(), no_inputs()
    x = standing(vehicle, 0.0, 0.0, 0.0)
    x[VELOCITY] = math.nan
    ride(vehicle, x, u, 1e-3, 2)
    assert math.isnan(x[POSITION])
