"""The benchmark bicycle's four matrices out of our tree of bodies.

J. P. Meijaard, J. M. Papadopoulos, A. Ruina, A. L. Schwab, *Linearized dynamics equations for the balance and
steer of a bicycle: a benchmark and review*, Proc. R. Soc. A 463 (2007) 1955-1982: with q = (roll, steer),

    M q'' + v C1 q' + (g K0 + v^2 K2) q = f.

The tree's twelve speeds are put on knife-edge wheels that roll without slip: the speeds left are roll rate,
steer rate and forward speed. Mass matrix and bias, projected on them, are differentiated about upright
riding. No tyre takes part; the same machine on stiff tyres is in test_linearise.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from ruamel.yaml import YAML

from emulator.core.axes import quaternion_of
from emulator.vehicle.state import (
    FORK,
    JOINT,
    JOINT_RATE,
    N_SPEEDS,
    N_X,
    OMEGA,
    QUATERNION,
    REAR,
    STEER,
    SWINGARM,
    TORSION,
    VELOCITY,
    scratch,
)
from emulator.vehicle.tree import accelerations, kinematics
from tests.support.machines import benchmark_bicycle

Array = NDArray[np.float64]

REFERENCE = Path(__file__).parents[1] / "reference" / "bicycle_benchmark_matrices.yaml"

# Joints between the main frame and each wheel's body; joint j sits in the speeds at 6 + j.
PATHS = ((0, 1), (2, 3, 4, 5))


@cache
def published() -> dict[str, Array]:
    printed = YAML(typ="safe").load(REFERENCE)["printed"]
    return {name: np.array(rows) for name, rows in printed.items()}


@cache
def machine() -> tuple[np.void, float]:
    """The bicycle's record with every joint free, and gravity; what is rigid in it the projection locks."""
    par = benchmark_bicycle(1e9).body[0]
    par["locked"][:] = 0
    return par, float(par["gravity"])


def posed(q: Array, speeds: Array) -> np.void:
    """Scratch memory of the tree at roll and steer ``q`` (2,), moving with twelve ``speeds``."""
    s, x = scratch()[0], np.zeros(N_X)
    # Rolling on both wheels also pitches and lifts the frame, but only by the square of q.
    quaternion_of(q[0], 0.0, 0.0, x[QUATERNION : QUATERNION + 4])
    x[JOINT + STEER] = q[1]
    x[OMEGA : OMEGA + 3], x[VELOCITY : VELOCITY + 3] = speeds[:3], speeds[3:6]
    x[JOINT_RATE : JOINT_RATE + 6] = speeds[6:]
    kinematics(machine()[0], x, s)
    s["torque"][:] = 0.0
    s["wrench"][:] = 0.0
    return s


def rolling(q: Array) -> Array:
    """The twelve speeds of unit roll rate, steer rate and forward speed without slip: columns of (12, 3)."""
    par, _g = machine()
    s = posed(q, np.zeros(N_SPEEDS))
    up = s["R"][6:9]
    rows, given = [], []
    for which, path in enumerate(PATHS):
        centre, axle = s["centre"][which], s["axle"][which]
        across = up - (up @ axle) * axle
        radius = float(par["rear_wheel_z" if which == REAR else "front_wheel_z"])
        contact = centre - radius * across / np.linalg.norm(across)
        twist = np.zeros((6, N_SPEEDS))  # of the wheel, by speed
        twist[:, :6] = np.eye(6)
        for j in path:
            twist[:, 6 + j] = s["S"][j]
        # velocity of the material at the contact: v + w x contact
        rows += list(twist[3:] + np.cross(twist[:3], contact, axisa=0, axisc=0))
        given += [np.zeros(3)] * 3
    for k in (6 + SWINGARM, 6 + TORSION, 6 + FORK):
        rows.append(np.eye(N_SPEEDS)[k])
        given.append(np.zeros(3))
    for k, free in ((0, 0), (6 + STEER, 1), (3, 2)):
        rows.append(np.eye(N_SPEEDS)[k])
        given.append(np.eye(3)[free])
    return np.linalg.solve(np.array(rows), np.array(given))


def effort(q: Array, rate: Array, acceleration: Array, speed: float) -> Array:
    """Roll moment and steering torque (2,) this motion takes; gravity counts as part of the motion."""
    N = rolling(q)
    w = np.array([*rate, speed])
    h = 1e-4
    turned = (rolling(q + h * rate) - rolling(q - h * rate)) / (2.0 * h)
    s = posed(q, N @ w)
    accelerations(machine()[0], False, 0.0, s)
    factors = np.array(s["M"])  # left as M = L^T D L, L with a unit diagonal
    L = np.tril(factors, -1) + np.eye(N_SPEEDS)
    mass = L.T @ np.diag(np.diag(factors)) @ L
    wanted = N @ np.array([*acceleration, 0.0]) + turned @ w
    return np.asarray((N.T @ mass @ (wanted - s["rhs"]))[:2])


def matrix(of: str, speed: float) -> Array:
    """Derivative (2, 2) of the effort over roll and steer, their rates or their accelerations."""
    step = {"q": 1e-3, "rate": 1e-2, "acceleration": 1.0}[of]
    out = np.empty((2, 2))
    for k in range(2):
        found = {}
        for n in (-2, -1, 1, 2):
            point = {"q": np.zeros(2), "rate": np.zeros(2), "acceleration": np.zeros(2)}
            point[of][k] = n * step
            found[n] = effort(point["q"], point["rate"], point["acceleration"], speed)
        out[:, k] = (found[-2] - 8.0 * found[-1] + 8.0 * found[1] - found[2]) / (12.0 * step)
    # Theirs steers to the right about a downward axis, ours to the left about an upward one.
    return out * np.array([[1.0, -1.0], [-1.0, 1.0]])


def error(found: Array, expected: Array) -> float:
    """Largest error: absolute for entries up to one, relative beyond."""
    return float(np.max(np.abs(found - expected) / np.maximum(1.0, np.abs(expected))))


TOLERANCE = 1e-9
"""The printed matrices have 14 decimals; the rest is the finite differences' own error."""


@pytest.mark.parametrize("speed", [0.0, 5.0])
def test_masses_are_the_published_ones(speed: float) -> None:
    assert error(matrix("acceleration", speed), published()["M"]) < TOLERANCE


@pytest.mark.parametrize("speed", [0.5, 5.0, 10.0])
def test_damping_is_the_published_one_and_grows_with_the_speed(speed: float) -> None:
    assert error(matrix("rate", speed) / speed, published()["C1"]) < TOLERANCE


def test_a_standing_bicycle_has_no_damping() -> None:
    assert np.max(np.abs(matrix("rate", 0.0))) < TOLERANCE


def test_stiffness_of_gravity_is_the_published_one() -> None:
    assert error(matrix("q", 0.0) / machine()[1], published()["K0"]) < TOLERANCE


@pytest.mark.parametrize("speed", [1.0, 5.0, 10.0])
def test_stiffness_of_motion_is_the_published_one_and_grows_with_the_speed_squared(speed: float) -> None:
    moving = matrix("q", speed) - matrix("q", 0.0)
    assert error(moving / speed**2, published()["K2"]) < TOLERANCE
