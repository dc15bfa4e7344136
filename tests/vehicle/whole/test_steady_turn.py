"""Steady turns at a lean are those of the other search; the plant stays in them: tests/inspection/vehicle."""

from __future__ import annotations

import math

import pytest

from emulator.vehicle.equilibrium import AIR_DENSITY, steady_motion
from emulator.vehicle.params import Vehicle
from emulator.vehicle.quasi_steady import Machine, machine
from emulator.vehicle.state import U_STEER_TORQUE
from emulator.vehicle.whole.steady_turn import steady_turns
from tests.support.machines import demo


def of(vehicle: Vehicle) -> Machine:
    return machine(vehicle.body, vehicle.tyre, AIR_DENSITY)


def test_turns_are_those_of_the_other_search() -> None:
    """With the crankshaft at rest, as that one has it: scipy's root finding, and a turn to the left."""
    vehicle = demo()
    leans = [math.radians(lean) for lean in (10.0, 25.0)]
    turn = steady_turns(of(vehicle), 20.0, leans, 0.0)[-1]
    steady = steady_motion(vehicle, 20.0)
    for part in (0.25, 0.5, 0.75, 1.0):
        steady = steady_motion(vehicle, 20.0, -leans[-1] * part, guess=steady)
    assert turn is not None
    assert turn.steer_torque == pytest.approx(float(steady.u[U_STEER_TORQUE]), abs=1e-4)
    assert turn.yaw_rate == pytest.approx(steady.yaw_rate, rel=2e-3)


def test_there_is_no_turn_beyond_grip_and_stop() -> None:
    assert steady_turns(of(demo()), 20.0, [math.radians(70.0)], 0.0) == [None]
    assert steady_turns(of(demo()), 1.0, [math.radians(45.0)], 0.0) == [None]
