"""The gear the robot has come to a speed in, and what the engine's spin does to the bike."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.robot.gears import UP, engine_speed, with_engine_turning
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.linearise import D_OMEGA, linearise


@pytest.mark.parametrize("speed", [5.0, 16.0, 25.0, 33.0, 50.0, 60.0])
def test_the_engine_turns_below_the_change_and_above_it_a_gear_lower(told, speed):
    body = told.vehicle.body[0]
    gears = [float(body[f"gearbox_gear_{n}"]) for n in range(1, 7)]
    change = UP * float(body["engine_limiter_speed"])
    engine = engine_speed(told.vehicle, speed)
    in_first = (
        speed
        / float(told.vehicle.tyre[0]["radius"])
        * float(body["gearbox_primary"] * body["final_drive_rear_radius"] / body["final_drive_front_radius"])
    )
    gear = 1 + int(np.argmin([abs(in_first * ratio - engine) for ratio in gears]))
    assert engine == pytest.approx(in_first * gears[gear - 1])
    assert engine <= change or gear == 6
    assert gear == 1 or in_first * gears[gear - 2] > change


def test_a_turning_crankshaft_couples_roll_and_yaw(told):
    """Its angular momentum H along y: Ixx p' = ... + H r, Izz r' = ... - H p (Euler's equations)."""
    still = steady_motion(told.vehicle, 30.0, 0.0)
    running = with_engine_turning(told.vehicle, still, 30.0)
    change = linearise(told.vehicle, running).A - linearise(told.vehicle, still).A
    p, r = D_OMEGA, D_OMEGA + 2
    assert change[p, r] > 0.05
    assert change[r, p] < -0.05
    assert np.abs(change[p, p]) < 0.2 * change[p, r]
