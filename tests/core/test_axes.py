"""Rotations against their definitions and against SciPy's."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from emulator.core.axes import (
    cross,
    quaternion_of,
    roll_pitch_yaw,
    rotate,
    rotate_back,
    rotation_about_xz,
    rotation_of,
    times,
    wrapped,
)

angle = st.floats(-3.1, 3.1)
pitch_angle = st.floats(-1.5, 1.5)
vector = st.tuples(*[st.floats(-100.0, 100.0)] * 3)


def quaternion(roll: float, pitch: float, yaw: float) -> NDArray[np.float64]:
    q = np.zeros(4)
    quaternion_of(roll, pitch, yaw, q)
    return q


@given(roll=angle, pitch=pitch_angle, yaw=angle)
def test_rotations_are_orthonormal_and_scipys(roll: float, pitch: float, yaw: float) -> None:
    q = quaternion(roll, pitch, yaw)
    R = np.array(rotation_of(*q)).reshape(3, 3)
    assert np.allclose(R @ R.T, np.eye(3), atol=1e-14)
    assert np.linalg.det(R) == pytest.approx(1.0)
    assert np.allclose(R, Rotation.from_euler("ZYX", [yaw, pitch, roll]).as_matrix(), atol=1e-14)


@given(roll=angle, pitch=pitch_angle, yaw=angle)
def test_roll_pitch_yaw_come_back(roll: float, pitch: float, yaw: float) -> None:
    assert roll_pitch_yaw(rotation_of(*quaternion(roll, pitch, yaw))) == pytest.approx(
        (roll, pitch, yaw), abs=1e-10
    )


def test_signs_are_those_of_iso_8855() -> None:
    forward, left, up = (1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)
    right_lean = rotation_of(*quaternion(0.3, 0.0, 0.0))
    assert rotate(right_lean, *left)[2] > 0.0  # the left side goes up
    assert rotate(right_lean, *up)[1] < 0.0  # the top goes to the right
    nose_down = rotation_of(*quaternion(0.0, 0.3, 0.0))
    assert rotate(nose_down, *forward)[2] < 0.0
    left_turn = rotation_of(*quaternion(0.0, 0.0, 0.3))
    assert rotate(left_turn, *forward)[1] > 0.0


@pytest.mark.parametrize("pitch", [math.pi / 2, -math.pi / 2])
def test_pitch_stays_defined_straight_up_and_down(pitch: float) -> None:
    assert roll_pitch_yaw(rotation_of(*quaternion(0.0, pitch, 0.0)))[1] == pytest.approx(pitch, abs=1e-7)


@given(tilt=angle, turn=angle, v=vector)
def test_rotation_about_an_axis_in_the_plane(tilt: float, turn: float, v: tuple[float, float, float]) -> None:
    ax, az = math.cos(tilt), math.sin(tilt)
    R = rotation_about_xz(ax, az, turn)
    expected = Rotation.from_rotvec(np.array([ax, 0.0, az]) * turn).apply(v)
    assert rotate(R, *v) == pytest.approx(tuple(expected), abs=1e-11)
    assert rotate_back(R, *rotate(R, *v)) == pytest.approx(v, abs=1e-11)


@given(a=st.tuples(angle, pitch_angle, angle), b=st.tuples(angle, pitch_angle, angle), v=vector)
def test_product_turns_one_after_the_other(
    a: tuple[float, float, float], b: tuple[float, float, float], v: tuple[float, float, float]
) -> None:
    A, B = rotation_of(*quaternion(*a)), rotation_of(*quaternion(*b))
    assert rotate(times(A, B), *v) == pytest.approx(rotate(A, *rotate(B, *v)), abs=1e-10)
    assert np.allclose(
        np.array(times(A, B)).reshape(3, 3), np.reshape(A, (3, 3)) @ np.reshape(B, (3, 3)), atol=1e-14
    )


@given(a=vector, b=vector)
def test_cross_product(a: tuple[float, float, float], b: tuple[float, float, float]) -> None:
    assert cross(*a, *b) == pytest.approx(tuple(np.cross(a, b)), abs=1e-9)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        (0.0, 0.0),
        (3.0, 3.0),
        (-3.1, -3.1),
        (3.2, 3.2 - 2 * math.pi),
        (4.0, 4.0 - 2 * math.pi),
        (-4.0, 2 * math.pi - 4.0),
        (50.0, 50.0 - 16 * math.pi),
    ],
)
def test_wrapped_angles_lie_within_half_a_turn(given: float, expected: float) -> None:
    assert wrapped(given) == pytest.approx(expected)
