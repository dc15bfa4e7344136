"""Velocity and specific force at a point against closed forms of rigid-body motion."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from emulator.core.axes import Vec3
from emulator.core.constants import GRAVITY
from emulator.sensors.motion_at_point import specific_force_at, velocity_at

G = GRAVITY
ZERO = (0.0, 0.0, 0.0)
UP = (0.0, 0.0, G)
vector = st.tuples(*[st.floats(-3.0, 3.0)] * 3)


def test_at_rest_it_feels_gravity_upwards_anywhere() -> None:
    for p in (ZERO, (0.7, 0.1, 0.9)):
        assert specific_force_at(ZERO, ZERO, ZERO, ZERO, UP, p) == pytest.approx(UP)


def test_free_fall_feels_nothing() -> None:
    assert specific_force_at(ZERO, ZERO, ZERO, (0.0, 0.0, -G), UP, (0.3, 0.0, 0.5)) == pytest.approx(ZERO)


def test_turntable_pulls_inwards_by_the_square_of_its_rate() -> None:
    rate = 2.0
    force = specific_force_at((0.0, 0.0, rate), ZERO, ZERO, ZERO, UP, (0.5, 0.2, 0.1))
    assert force == pytest.approx((-(rate**2) * 0.5, -(rate**2) * 0.2, G))
    assert velocity_at((0.0, 0.0, rate), ZERO, (0.5, 0.2, 0.1)) == pytest.approx((-0.4, 1.0, 0.0))


def test_turntable_speeding_up_pushes_along_the_circle() -> None:
    force = specific_force_at(ZERO, ZERO, (0.0, 0.0, 3.0), ZERO, ZERO, (0.5, 0.0, 0.2))
    assert force == pytest.approx((0.0, 1.5, 0.0))


def test_circling_upright_is_v_squared_over_the_radius_to_the_left() -> None:
    v, radius = 20.0, 60.0
    force = specific_force_at((0.0, 0.0, v / radius), (v, 0.0, 0.0), ZERO, ZERO, UP, ZERO)
    assert force == pytest.approx((0.0, v**2 / radius, G))


def test_ideal_lean_feels_no_side_force() -> None:
    """20 m/s on 60 m: lean 34.19919115 deg, felt 11.86088295 m/s^2 along the body (g / cos(lean))."""
    v, radius, lean = 20.0, 60.0, math.radians(34.19919115)
    w = (0.0, -(v / radius) * math.sin(lean), -(v / radius) * math.cos(lean))  # to the right
    up = (0.0, G * math.sin(lean), G * math.cos(lean))
    force = specific_force_at(w, (v, 0.0, 0.0), ZERO, ZERO, up, ZERO)
    assert force == pytest.approx((0.0, 0.0, 11.86088295), abs=1e-7)


@given(w=vector, dw=vector, v=vector, dv=vector, p=vector)
def test_specific_force_is_the_rate_of_velocity(w: Vec3, dw: Vec3, v: Vec3, dv: Vec3, p: Vec3) -> None:
    """The point's velocity in an inertial frame along the motion, differentiated numerically."""
    h = 1e-3
    velocity = []
    for t in (-h, h):
        # Orientation to the second order: w t + dw t^2/2 (the difference is blind to the next).
        turn = Rotation.from_rotvec(np.array(w) * t + np.array(dw) * t * t / 2.0)
        velocity.append(turn.apply(velocity_at(later(w, dw, t), later(v, dv, t), p)))
    expected = (velocity[1] - velocity[0]) / (2.0 * h)
    force = specific_force_at(w, v, dw, dv, ZERO, p)
    assert force == pytest.approx(tuple(expected), abs=2e-3)


def later(value: Vec3, rate: Vec3, t: float) -> Vec3:
    return value[0] + rate[0] * t, value[1] + rate[1] * t, value[2] + rate[2] * t
