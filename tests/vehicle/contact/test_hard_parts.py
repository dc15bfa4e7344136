"""Hard parts on the road: forces against closed forms, places against matrices, nothing of it upright."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from emulator.core.axes import quaternion_of, rotation_of
from emulator.core.constants import GRAVITY
from emulator.vehicle.contact.hard_parts import NEAR
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.params import FOOTPEGS, HARD_PARTS, Vehicle
from emulator.vehicle.state import (
    LEFT,
    N_BODIES,
    N_X,
    OMEGA,
    P_DEPTH,
    P_LOAD,
    P_SINKING,
    P_SLIDING,
    POSITION,
    QUATERNION,
    RIGHT,
    VELOCITY,
    scratch,
)
from tests.support.falls import STRONGEST, VISCOSITY, body_points, up_in_frame
from tests.support.machines import (
    AHEAD,
    MASS,
    demo,
    mirrored_inputs,
    mirrored_state,
    no_inputs,
    random_state,
    ride,
    round_tyred,
    without_parts,
)

Array = NDArray[np.float64]

_WHOLE = MASS + 3e-2  # with wheels and fork


def on_one_point(damping: float, friction: float) -> Vehicle:
    """A rigid mass whose one pair of parts, in its middle, is at its mass centre, far below its wheels."""
    vehicle = round_tyred(0.05, -1.0)
    body = vehicle.body[0]
    body["parts"], body["part_kind"][0], body["part_body"][0] = 1, FOOTPEGS, 0
    body["part_x"][0], body["part_z"][0] = AHEAD, -1.0
    body["part_stiffness"][0], body["part_damping"][0] = 2e5, damping
    body["part_friction"][0] = friction
    body["parts_low"] = body["parts_high"] = (AHEAD, 0.0, -1.0)
    return vehicle


def velocity_of_the_point(x: Array) -> Array:
    """Velocity (3,) in W of that mass centre."""
    R = np.array(rotation_of(*x[QUATERNION : QUATERNION + 4])).reshape(3, 3)
    return np.asarray(R @ (x[VELOCITY : VELOCITY + 3] + np.cross(x[OMEGA : OMEGA + 3], (AHEAD, 0.0, -1.0))))


@pytest.mark.parametrize("damping", [0.5, 2.0])
@pytest.mark.parametrize("speed", [1.0, 5.0])
def test_an_impact_is_as_deep_and_rebounds_as_the_closed_form_says(damping: float, speed: float) -> None:
    """m v dv/dd = -k d (1 + c v): depth v/c - ln(1 + c v)/c^2 = k d^2/(2 m); the same on the way out."""
    vehicle, u, s, x = on_one_point(damping, 0.5), no_inputs(), scratch(), np.zeros(N_X)
    vehicle.body[0]["gravity"] = 0.0
    x[QUATERNION], x[POSITION + 2], x[VELOCITY + 2] = 1.0, 1.0 + 1e-9, -speed
    deepest = 0.0
    for _ in range(20_000):
        begin(vehicle.body, vehicle.tyre, x, u, s)
        deepest = max(deepest, 1.0 - float(x[POSITION + 2]))
        finish(vehicle.body, vehicle.tyre, x, u, 1e-5, s)
        if x[POSITION + 2] > 1.0:
            break

    def stored(v: float) -> float:
        return v / damping - math.log1p(damping * v) / damping**2

    assert deepest == pytest.approx(math.sqrt(2.0 * _WHOLE / 4e5 * stored(speed)), rel=2e-3)
    rebound = brentq(lambda v: stored(-v) - stored(speed), 0.0, 1.0 / damping - 1e-12)
    assert float(x[VELOCITY + 2]) == pytest.approx(rebound, rel=1e-2)


def test_a_sliding_mass_stops_where_coulomb_says() -> None:
    """v^2/(2 mu g). The step is that of the loop."""
    vehicle, u, x = on_one_point(1.0, 0.4), no_inputs(), np.zeros(N_X)
    sunk = _WHOLE * GRAVITY / 4e5
    x[QUATERNION], x[POSITION + 2] = 1.0, 1.0 - sunk
    x[VELOCITY], x[VELOCITY + 1] = 6.0, 8.0
    ride(vehicle, x, u, 1e-3, 4000)
    (_i, _k, _body, point), *_ = body_points(vehicle, x)
    R = np.array(rotation_of(*x[QUATERNION : QUATERNION + 4])).reshape(3, 3)
    slid = x[POSITION : POSITION + 3] + R @ point - (AHEAD, 0.0, 0.0)
    assert math.hypot(*slid[:2]) == pytest.approx(100.0 / (0.8 * GRAVITY), rel=2e-3)
    assert float(np.abs(velocity_of_the_point(x)).max()) < 1e-6


def test_on_a_slope_it_creeps_as_slowly_as_its_viscosity_lets_it() -> None:
    vehicle, u, x = on_one_point(1.0, 0.5), no_inputs(), np.zeros(N_X)
    x[QUATERNION], x[POSITION + 2] = 1.0, 1.0
    u[18] = u[21] = 0.05
    ride(vehicle, x, u, 1e-3, 2000)
    # two parts in one place, pulled down the slope by m g sin(slope)
    assert -float(velocity_of_the_point(x)[0]) == pytest.approx(
        _WHOLE * GRAVITY * 0.05 / (2.0 * VISCOSITY), rel=0.02
    )


def test_no_grip_no_friction_and_nothing_but_numbers() -> None:
    vehicle, u, x = on_one_point(1.0, 0.5), no_inputs(), np.zeros(N_X)
    u[7] = u[8] = 0.0
    x[QUATERNION], x[POSITION + 2], x[VELOCITY] = 1.0, 0.99, 3.0
    ride(vehicle, x, u, 1e-3, 100)
    assert np.isfinite(x).all()
    assert float(velocity_of_the_point(x)[0]) == pytest.approx(3.0, rel=1e-6)


def lying(rng: np.random.Generator, roll: float) -> Array:
    x = random_state(rng)
    quaternion_of(roll, rng.uniform(-0.3, 0.3), rng.uniform(-3.0, 3.0), x[QUATERNION : QUATERNION + 4])
    x[POSITION + 2] = rng.uniform(0.1, 0.3)
    return x


def test_each_part_pushes_and_rubs_where_it_is() -> None:
    """Wrench on each body against the law, on points placed by rotation matrices from the file's numbers."""
    rng, pressed = np.random.default_rng(5), set()
    for _ in range(200):
        vehicle, u = demo(), no_inputs()
        x = lying(rng, float(rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 3.1)))
        u[7], u[8] = rng.uniform(0.2, 1.0, 2)
        with_, bare, xdot = scratch(), scratch(), np.zeros(N_X)
        derivative(vehicle.body, vehicle.tyre, x, u, with_, xdot)
        derivative(without_parts(vehicle).body, vehicle.tyre, x, u, bare, xdot)
        expected = np.zeros((N_BODIES, 6))
        up, par = up_in_frame(x), vehicle.body[0]
        for i, k, body, p in body_points(vehicle, x):
            depth = -(float(x[POSITION + 2]) + float(up @ p))
            seen = with_[0]["part"][i, k]
            twist = np.array(with_[0]["V"][:, body])
            v = twist[3:] + np.cross(twist[:3], p)
            across = v - float(v @ up) * up
            spring = float(par["part_stiffness"][i]) * min(depth, 0.1)
            load = spring - min(spring * float(par["part_damping"][i]), STRONGEST) * float(v @ up)
            if depth <= 0.0 or load <= 0.0:
                assert seen[P_LOAD] == 0.0
                continue
            pressed.add((i, k))
            share = float(par["part_x"][i]) / float(par["front_wheel_x"])
            limit = float(par["part_friction"][i]) * load * (u[8] + min(1.0, max(0.0, share)) * (u[7] - u[8]))
            force = load * up - limit * across / math.hypot(float(np.linalg.norm(across)), limit / VISCOSITY)
            expected[body] += [*np.cross(p, force), *force]
            sizes = (load, min(depth, 0.1), -float(v @ up), float(np.linalg.norm(across)))
            columns = (P_LOAD, P_DEPTH, P_SINKING, P_SLIDING)
            assert [float(seen[c]) for c in columns] == pytest.approx(sizes, rel=1e-9, abs=1e-9)
        got = np.array(with_[0]["wrench"]) - np.array(bare[0]["wrench"])
        assert np.allclose(got, expected, rtol=1e-9, atol=1e-6 + 1e-9 * np.abs(expected).max())
    assert pressed == {(i, k) for i in range(len(HARD_PARTS)) for k in (LEFT, RIGHT)}


def test_left_and_right_are_mirror_images_lying_too() -> None:
    rng, vehicle, s, pressed = np.random.default_rng(6), demo(), scratch(), 0
    for _ in range(100):
        x, u = lying(rng, rng.uniform(1.0, 3.1)), no_inputs()
        rate, seen = np.zeros(N_X), np.zeros(N_X)
        derivative(vehicle.body, vehicle.tyre, x, u, s, rate)
        loads = np.array(s[0]["part"])[:, :, P_LOAD]
        pressed += int(loads.any())
        derivative(vehicle.body, vehicle.tyre, mirrored_state(x), mirrored_inputs(u), s, seen)
        assert np.allclose(mirrored_state(seen), rate, rtol=1e-8, atol=1e-8 * np.abs(rate).max())
        assert np.allclose(np.array(s[0]["part"])[:, ::-1, P_LOAD], loads, rtol=1e-9)
    assert pressed > 50


def test_what_rides_upright_is_the_same_bytes_with_and_without_parts() -> None:
    rng, vehicle, s = np.random.default_rng(7), demo(), scratch()
    bare = without_parts(vehicle)
    for _ in range(300):
        x, u = random_state(rng), no_inputs()
        # at 46 degrees, with springs and fork all the way in, a footpeg comes near
        quaternion_of(rng.uniform(-0.7, 0.7), 0.05, rng.uniform(-3.0, 3.0), x[QUATERNION : QUATERNION + 4])
        a, b = np.zeros(N_X), np.zeros(N_X)
        derivative(vehicle.body, vehicle.tyre, x, u, s, a)
        assert s[0]["near"] == 0
        derivative(bare.body, bare.tyre, x, u, s, b)
        assert a.tobytes() == b.tobytes()


@pytest.mark.parametrize("height", [0.9 * NEAR, 1.1 * NEAR])
def test_a_part_counts_as_near_from_a_centimetre_on(height: float) -> None:
    vehicle, s, xdot, x = on_one_point(1.0, 0.5), scratch(), np.zeros(N_X), np.zeros(N_X)
    x[QUATERNION], x[POSITION + 2] = 1.0, 1.0 + height
    derivative(vehicle.body, vehicle.tyre, x, no_inputs(), s, xdot)
    assert int(s[0]["near"]) == (2 if height < NEAR else 0)


def test_between_two_roads_a_part_lies_on_what_is_between() -> None:
    vehicle, s, xdot, x, u = on_one_point(0.0, 0.0), scratch(), np.zeros(N_X), np.zeros(N_X), no_inputs()
    x[QUATERNION], x[POSITION + 2] = 1.0, 1.0
    vehicle.body[0]["part_share"][0] = 0.25
    u[17], u[20] = 0.02, -0.02  # height under the rear wheel, under the front wheel
    derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
    assert float(s[0]["part"][0, LEFT, P_DEPTH]) == pytest.approx(0.01, rel=1e-12)
