"""Halving the step: what it changes in a second at the limit, and on bumps."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.core.axes import roll_pitch_yaw, rotation_of
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    DIRECT_DRIVE,
    ENGINE,
    N_X,
    POSITION,
    QUATERNION,
    T_LOAD,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_DRIVE_TORQUE,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_STEER_TORQUE,
    U_THROTTLE,
    scratch,
)
from tests.support.machines import demo, mounted, no_inputs, ride

FRICTION = {
    "file": {},
    "least": {"x": 1.15, "y": 1.25},
    "less": {"x": 1.2, "y": 1.3},
    "stiff": {"x": 1.2, "y": 1.28},
    "more": {"x": 1.6, "y": 1.68},
}
"""Friction along and across. With more of it the front wheel hops under full throttle out of a lean; with
the least and the stiff one the rear wheel spins at 100 m/s, and its shear would turn faster than a step."""

LIMIT = {
    "front brake in a lean": (20.0, 40.0, {U_GEAR: DIRECT_DRIVE, U_BRAKE_FRONT: 9e5}),
    "front wheel locks upright in the wet": (
        25.0,
        0.0,
        {U_GEAR: DIRECT_DRIVE, U_BRAKE_FRONT: 2e6, U_GRIP_FRONT: 0.4, U_GRIP_REAR: 0.4},
    ),
    "rear wheel locks in a lean": (20.0, 25.0, {U_GEAR: DIRECT_DRIVE, U_BRAKE_REAR: 3e6}),
    "full throttle out of a lean": (15.0, 35.0, {U_GEAR: 1.0, U_THROTTLE: 1.0}),
    "drive torque beyond the grip": (20.0, 30.0, {U_GEAR: DIRECT_DRIVE, U_DRIVE_TORQUE: 900.0}),
    "turned in hard": (30.0, 0.0, {U_GEAR: DIRECT_DRIVE, U_STEER_TORQUE: 60.0}),
    "clutch dropped": (5.0, 0.0, {U_GEAR: 1.0, U_THROTTLE: 0.8, U_CLUTCH: 0.0}),
    "on ice": (
        20.0,
        30.0,
        {U_GEAR: DIRECT_DRIVE, U_GRIP_FRONT: 0.15, U_GRIP_REAR: 0.15},
    ),
}


@pytest.mark.parametrize("friction", FRICTION)
@pytest.mark.parametrize("name", LIMIT)
def test_half_the_step_moves_the_path_by_less_than_a_millimetre_in_a_second_at_the_limit(
    name: str, friction: str
) -> None:
    changes_of_tyres = {
        f"tyre_{end}__friction_{axis}": value
        for end in ("front", "rear")
        for axis, value in FRICTION[friction].items()
    }
    assert moved_by_half_the_step(demo(**changes_of_tyres), name) < 1e-3


@pytest.mark.parametrize("name", LIMIT)
def test_nor_does_a_bike_that_gives_at_fork_and_robot_move_by_more(name: str) -> None:
    assert moved_by_half_the_step(mounted(bends=3e4), name) < 1e-3


def moved_by_half_the_step(vehicle: Vehicle, name: str) -> float:
    """[m] From steady motion into the manoeuvre, up to a second, or until the bike is down or in the air."""
    speed, degrees, changes = LIMIT[name]
    u = no_inputs()
    steady = steady_motion(vehicle, speed, math.radians(degrees), grip=1.0)
    u[U_STEER_TORQUE], u[U_DRIVE_TORQUE] = steady.u[U_STEER_TORQUE], steady.u[U_DRIVE_TORQUE]
    for index, value in changes.items():
        u[index] = value
    coarse, fine = steady.x.copy(), steady.x.copy()
    coarse[ENGINE] = fine[ENGINE] = 600.0
    s, rate = scratch(), np.zeros(N_X)
    for _ in range(100):
        ride(vehicle, coarse, u, 1e-3, 10)
        ride(vehicle, fine, u, 5e-4, 20)
        roll = roll_pitch_yaw(rotation_of(*fine[QUATERNION : QUATERNION + 4]))[0]
        derivative(vehicle.body, vehicle.tyre, fine, u, s, rate)
        if abs(roll) > 1.1 or not s[0]["tyre"][:, T_LOAD].any():
            break
    return float(np.linalg.norm((coarse - fine)[POSITION : POSITION + 3]))
