"""Braking past the peak: a locked wheel stops later than one that rolls, until the rear wheel lifts."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pytest

from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    ENGINE,
    FRONT,
    FRONT_WHEEL,
    JOINT_RATE,
    POSITION,
    REAR,
    T_LOAD,
    T_SLIDING,
    U_BRAKE_FRONT,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    VELOCITY,
    scratch,
)
from tests.support.machines import demo, no_inputs

FROM, TO = 20.0, 5.0  # [m/s]
_RISE = 0.3  # [s] until the pressure is there
_STANDS = 1.0  # [rad/s] below, the front wheel is locked
_LIFTED = 0.3  # [s] with the rear wheel in the air, after which nobody stops by braking harder


class Stop(NamedTuple):
    """Way [m], share of the time with the front wheel locked, whether it slid, time of a lifted rear [s]."""

    way: float
    locked: float
    slid: bool
    lifted: float


def stop(vehicle: Vehicle, grip: float, pressure: float) -> Stop:
    """By the front brake alone at one pressure [Pa], upright, from FROM to TO."""
    x, u, s = steady_motion(vehicle, FROM).x.copy(), no_inputs(), scratch()
    u[U_GRIP_FRONT] = u[U_GRIP_REAR] = grip
    x[ENGINE] = 150.0
    start, n, locked, lifted, slid = float(x[POSITION]), 0, 0, 0, False
    while x[VELOCITY] > TO and lifted < _LIFTED * 1e3:
        u[U_BRAKE_FRONT] = pressure * min(1.0, n * 1e-3 / _RISE)
        begin(vehicle.body, vehicle.tyre, x, u, s)
        locked += int(x[JOINT_RATE + FRONT_WHEEL] < _STANDS)
        lifted += int(s[0]["tyre"][REAR, T_LOAD] <= 0.0)
        slid |= bool(s[0]["tyre"][FRONT, T_SLIDING] > 0.0)
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
        n += 1
    return Stop(float(x[POSITION]) - start, locked / n, slid, 1e-3 * lifted)


def hardest_unlocked(vehicle: Vehicle, grip: float) -> tuple[float, Stop]:
    """The greatest pressure [Pa] at which the front wheel is not locked, to 2 %, and its stop."""
    low, high = 3e5 * grip, 1.4e6 * grip
    best = stop(vehicle, grip, low)
    assert best.locked == 0.0
    while high / low > 1.02:
        middle = float(np.sqrt(low * high))
        tried = stop(vehicle, grip, middle)
        if tried.locked > 0.0:
            high = middle
        else:
            low, best = middle, tried
    return low, best


@pytest.mark.parametrize("grip", [0.3, 0.5, 0.8])
def test_the_shortest_way_lies_below_the_pressure_that_locks(grip: float) -> None:
    """On these grips the front tyre ends the braking. Without falling friction it was the other way round."""
    vehicle = demo()
    pressure, best = hardest_unlocked(vehicle, grip)
    locking = stop(vehicle, grip, 1.1 * pressure)
    locked = stop(vehicle, grip, 3e6)
    assert locked.slid
    assert locked.locked > 0.9
    assert locking.locked > 0.5
    assert max(best.lifted, locking.lifted, locked.lifted) < _LIFTED
    assert best.way < 0.95 * locking.way
    assert best.way < 0.9 * locked.way


def test_on_a_grip_of_one_the_rear_wheel_lifts_before_the_front_one_locks() -> None:
    """Then there is a pressure at which the bike goes over its front wheel, which does not slide."""
    vehicle = demo()
    over = stop(vehicle, 1.0, 1.12e6)
    assert over.lifted > 0.2
    assert not over.slid
