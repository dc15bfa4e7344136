"""Whole falls: where their energy goes, how far the bike slides, how it lies, how deep parts are pressed."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from emulator.core.axes import quaternion_of, rotation_of
from emulator.core.constants import GRAVITY
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import standing, steady_motion
from emulator.vehicle.params import HARD_PARTS, Vehicle
from emulator.vehicle.state import (
    ENGINE,
    JOINT_RATE,
    N_X,
    OMEGA,
    P_LOAD,
    POSITION,
    QUATERNION,
    REAR,
    T_LOAD,
    U_AIR_DENSITY,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_STEER_TORQUE,
    U_THROTTLE,
    VELOCITY,
    scratch,
)
from emulator.vehicle.tree import kinematics
from tests.support.falls import (
    DRIVELINE,
    ENGINE_WORK,
    IMPACT,
    RUBBING,
    Fall,
    fall,
    lies_by_statics,
    up_in_frame,
)
from tests.support.machines import demo, no_inputs, ride

Array = NDArray[np.float64]


def in_a_bend(roll: float = 40.0, speed: float = 20.0) -> tuple[Vehicle, Array, Array]:
    vehicle, u = demo(), no_inputs()
    steady = None
    for degrees in np.arange(
        5.0, roll + 1.0, 5.0
    ):  # from turn to turn: from afar another motion may be found
        steady = steady_motion(vehicle, speed, math.radians(degrees), guess=steady)
    assert steady is not None
    u[U_STEER_TORQUE], u[U_AIR_DENSITY] = float(steady.u[U_STEER_TORQUE]), 1.2
    return vehicle, steady.x.copy(), u


def low_side() -> Fall:
    """The front loses half a bend's grip: it slides away from under the bike."""
    vehicle, x, u = in_a_bend()
    u[U_GRIP_FRONT] = 0.4
    return fall(vehicle, x, u, 8.0)


def high_side() -> Fall:
    """The rear slides out and grips again: the bike is thrown over to the outside."""
    vehicle, x, u = in_a_bend(40.0, 25.0)
    u[U_GRIP_REAR] = 0.3
    ride(vehicle, x, u, 1e-3, 145)
    u[U_GRIP_REAR] = 1.3
    return fall(vehicle, x, u, 9.0)


def tips_over(speed: float) -> Fall:
    vehicle, u = demo(), no_inputs()
    x = standing(vehicle, 0.0, 0.0, 0.0)
    x[VELOCITY], x[OMEGA] = speed, 0.05
    x[JOINT_RATE + 1] = x[JOINT_RATE + 5] = speed / 0.3
    return fall(vehicle, x, u, 8.0)


def locks_in_a_bend() -> Fall:
    vehicle, x, u = in_a_bend(35.0)
    u[U_BRAKE_FRONT] = 4e6
    return fall(vehicle, x, u, 8.0)


def falls_inverted() -> Fall:
    vehicle, x, u = demo(), standing(demo(), 0.0, 0.0, 0.0), no_inputs()
    quaternion_of(math.radians(170.0), 0.05, 0.0, x[QUATERNION : QUATERNION + 4])
    x[POSITION + 2], x[VELOCITY], u[U_AIR_DENSITY] = 1.4, 10.0, 1.2
    return fall(vehicle, x, u, 8.0)


def under_power() -> Fall:
    """In gear with the throttle open, until the engine is cut as the plant cuts it: when it is down."""
    vehicle, x, u = in_a_bend(40.0, 12.0)
    x[ENGINE] = float(x[JOINT_RATE + 1]) * 1.68 * 2.46 * 0.1062 / 0.0407
    u[U_GEAR], u[U_THROTTLE], u[U_GRIP_FRONT] = 1.0, 0.5, 0.4
    return fall(vehicle, x, u, 1.2)


FALLS: dict[str, Callable[[], Fall]] = {
    "low side": low_side,
    "high side": high_side,
    "tip-over standing": lambda: tips_over(0.0),
    "tip-over at 5 km/h": lambda: tips_over(5.0 / 3.6),
    "locked in a bend": locks_in_a_bend,
    "inverted": falls_inverted,
    "under power": under_power,
}


@pytest.fixture(scope="module")
def falls() -> dict[str, Fall]:
    return {name: fell() for name, fell in FALLS.items()}


@pytest.mark.parametrize("name", FALLS)
def test_the_ledger_of_a_fall_closes(falls: dict[str, Fall], name: str) -> None:
    """Engine, driveline, drag, tyres, springs and brakes, friction, impact: within 1 % of what was lost."""
    fell = falls[name]
    assert np.isfinite(fell.path).all()
    assert fell.ledger[RUBBING] < 0.0
    assert fell.ledger[IMPACT] < 0.0
    if name == "under power":
        assert fell.ledger[ENGINE_WORK] > 1000.0
        assert fell.ledger[DRIVELINE] != 0.0
    assert fell.closes < 0.01


@pytest.mark.parametrize("name", FALLS)
def test_no_part_is_pressed_in_by_more_than_two_centimetres(falls: dict[str, Fall], name: str) -> None:
    deepest = falls[name].deepest
    assert set(deepest) == {group.name for group, _body in HARD_PARTS}
    assert max(deepest.values()) > 1e-3
    assert max(deepest.values()) < 0.02, deepest


@pytest.mark.parametrize("name", [name for name in FALLS if name != "under power"])
def test_it_comes_to_rest_as_statics_lets_it_lie(falls: dict[str, Fall], name: str) -> None:
    """Within a degree of a face of the convex hull of all that can touch, with the mass centre above it."""
    x = falls[name].path[-1]
    assert float(np.abs(x[OMEGA : OMEGA + 6]).max()) < 0.05
    faces = lies_by_statics(demo(), x)
    off = np.degrees(np.arccos(np.clip(faces @ up_in_frame(x), -1.0, 1.0)))
    assert off.min() < 1.0


def felt(path: Array) -> Array:
    """Specific force (n - 1, 3) [m/s^2] at the main frame, in its axes, of states (n, N_X) 1 ms apart."""
    w, v = path[:-1, OMEGA : OMEGA + 3], path[:, VELOCITY : VELOCITY + 3]
    up = np.array([up_in_frame(x) for x in path[:-1]])
    return np.asarray(np.diff(v, axis=0) / 1e-3 + np.cross(w, v[:-1]) + GRAVITY * up)


@pytest.mark.parametrize("name", [name for name in FALLS if name != "under power"])
def test_a_detector_of_falls_fires_once_it_lies_and_not_while_it_is_ridden(
    falls: dict[str, Fall], name: str
) -> None:
    """Half a second of gravity from the side or from above, as a robot tells it; at rest it feels one g."""
    path = falls[name].path
    force = felt(path)
    assert np.isfinite(force).all()
    lying = force[:, 2] < np.abs(force[:, 1]) / 1.5
    fired = np.flatnonzero(np.convolve(lying, np.ones(500), "valid") == 500)
    assert len(fired) > 0
    leans = np.array([up_in_frame(x)[2] for x in path])
    assert leans[fired[0] : fired[0] + 500].max() < math.cos(math.radians(50.0))
    assert float(np.linalg.norm(np.median(force[-100:], axis=0))) == pytest.approx(GRAVITY, abs=0.2)


def test_the_high_side_throws_it_over_to_the_other_side(falls: dict[str, Fall]) -> None:
    rolls = np.array([roll_of(x) for x in falls["high side"].path])
    assert rolls[0] > 0.5
    assert rolls[np.argmax(np.abs(rolls) > 1.5)] < 0.0


def roll_of(x: Array) -> float:
    up = up_in_frame(x)
    return math.atan2(up[1], up[2])


def alike(friction: float) -> Vehicle:
    """The demo racer with one friction for all that touches, tyres included."""
    names = [group.name for group, _body in HARD_PARTS]
    changes = {f"{name}__friction": friction for name in names}
    for end in ("front", "rear"):
        changes |= {f"tyre_{end}__friction_x": friction, f"tyre_{end}__friction_y": friction}
        changes |= {f"tread_{end}__sliding_friction": 1.0, f"tread_{end}__friction_per_load": 0.0}
    return demo(**changes)


@pytest.mark.parametrize("friction", [0.3, 0.6])
def test_laid_flat_it_slides_as_far_as_coulomb_says(friction: float, falls: dict[str, Fall]) -> None:
    """v^2/(2 mu g) without drag: on its side, wheels braked, at 15 m/s across its own length."""
    vehicle, u = alike(friction), no_inputs()
    u[U_BRAKE_FRONT] = u[U_BRAKE_REAR] = 1e7
    x = falls["tip-over standing"].path[-1].copy()
    x[OMEGA:25] = 0.0
    centre = mass_centre(vehicle, x)
    R = np.array(rotation_of(*x[QUATERNION : QUATERNION + 4])).reshape(3, 3)
    x[VELOCITY : VELOCITY + 3] = R.T @ np.array([0.0, -15.0, 0.0])
    ride(vehicle, x, u, 1e-3, 9000)
    assert float(np.abs(x[VELOCITY : VELOCITY + 3]).max()) < 0.02
    slid = float(np.hypot(*(mass_centre(vehicle, x) - centre)[:2]))
    assert slid == pytest.approx(15.0**2 / (2.0 * friction * GRAVITY), rel=0.03)


def mass_centre(vehicle: Vehicle, x: Array) -> Array:
    s = scratch()
    kinematics(vehicle.body[0], x, s[0])
    inertia = np.array(s[0]["inertia"]).T
    R = np.array(s[0]["R"]).reshape(3, 3)
    return np.asarray(x[POSITION : POSITION + 3] + R @ inertia[:, 1:4].sum(0) / inertia[:, 0].sum())


def test_a_scraping_peg_lifts_the_wheels() -> None:
    """In a turn at more and more lean the peg bears what the wheels are relieved of; all bear the weight."""
    vehicle, s = demo(), scratch()
    steady, borne = None, []
    for degrees in (40.0, 50.0, 54.0, 56.0, 57.0, 58.0):
        steady = steady_motion(vehicle, 25.0, math.radians(degrees), grip=2.0, guess=steady)
        derivative(vehicle.body, vehicle.tyre, steady.x, steady.u, s, np.zeros(N_X))
        parts = np.array(s[0]["part"])[:, :, P_LOAD]
        assert parts[1:].sum() == 0.0
        borne.append((float(parts[0].sum()), float(s[0]["tyre"][REAR, T_LOAD])))
    pegs, rears = np.array(borne).T
    assert (pegs[:3] == 0.0).all()
    assert (np.diff(pegs[3:]) > 0.0).all()
    assert (np.diff(rears[3:]) < 0.0).all()
