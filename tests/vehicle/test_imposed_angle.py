"""An imposed steering angle: what the bike does with it, and the torque that comes back."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from ruamel.yaml import YAML
from scipy.linalg import expm

from emulator.vehicle.dynamics import derivative
from emulator.vehicle.equilibrium import steady_motion
from emulator.vehicle.imposed_angle import FOLLOWER_RATE, impose
from emulator.vehicle.integrate import begin, finish
from emulator.vehicle.linearise import (
    D_JOINT_RATE,
    D_STEER,
    followed_angle,
    held_steering,
    imposed_steering,
    lateral,
    linearise,
    reaction_row,
)
from emulator.vehicle.modes import NAMES, stability
from emulator.vehicle.state import (
    JOINT,
    JOINT_RATE,
    N_X,
    STEER,
    U_STEER_ACCELERATION,
    U_STEER_IMPOSED,
    U_STEER_TORQUE,
    scratch,
)
from tests.support.machines import benchmark_bicycle, demo

Array = NDArray[np.float64]

REFERENCE = Path(__file__).parents[1] / "reference" / "bicycle_benchmark_matrices.yaml"
GRAVITY = 9.81
"""[m/s^2] of the benchmark bicycle."""


def published() -> tuple[Array, Array, Array, Array]:
    """M, C1, K0 and K2 of J. P. Meijaard et al., Proc. R. Soc. A 463 (2007) 1955-1982; q = (roll, steer)."""
    printed = YAML(typ="safe").load(REFERENCE)["printed"]
    M, C1, K0, K2 = (np.array(printed[name]) for name in ("M", "C1", "K0", "K2"))
    return M, C1, K0, K2


# ---- the torque --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("speed", [3.0, 7.0])
@pytest.mark.parametrize("at", [0.5j, 3.0j, 12.0j, 2.0 + 5.0j])
def test_the_reaction_is_that_of_the_published_bicycle(speed: float, at: complex) -> None:
    # M q'' + v C1 q' + (g K0 + v^2 K2) q = f for steer = exp(at t): roll from the first row, torque from the
    # second. Their steering is positive to the right, ours to the left: over steer the torque is the same.
    M, C1, K0, K2 = published()
    Z = at * at * M + at * speed * C1 + GRAVITY * K0 + speed * speed * K2
    expected = Z[1, 1] - Z[1, 0] * Z[0, 1] / Z[0, 0]
    vehicle = benchmark_bicycle(1e9)
    linear = linearise(vehicle, steady_motion(vehicle, speed))
    (A, B), (row, inertia) = imposed_steering(linear), reaction_row(linear)
    x = np.linalg.solve(at * np.eye(len(A)) - A, B[:, 0] * at * at)
    assert x[D_STEER] == pytest.approx(1.0)
    found = complex(row @ x + inertia * at * at)
    assert abs(found - expected) < 1e-3 * abs(expected)


@pytest.mark.parametrize("roll_deg", [0.0, 15.0, -35.0])
@pytest.mark.parametrize("speed", [5.0, 15.0, 30.0])
def test_in_a_steady_turn_the_reaction_is_the_torque_that_holds_it(speed: float, roll_deg: float) -> None:
    vehicle, s = demo(), scratch()
    steady = steady_motion(vehicle, speed, math.radians(roll_deg))
    torque = float(steady.u[U_STEER_TORQUE])
    for command in (0.0, 20.0, -40.0):
        x, u = steady.x.copy(), steady.u.copy()
        u[U_STEER_TORQUE] = command
        angle = float(x[JOINT + STEER])
        worst = 0.0
        for _ in range(200):
            impose(angle, x, u)
            begin(vehicle.body, vehicle.tyre, x, u, s)
            worst = max(worst, abs(float(s[0]["reaction"]) - torque))
            finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
        assert worst < 0.01
    assert abs(torque) > 0.5 or roll_deg == 0.0


# ---- linear ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("speed", "roll_deg"), [(4.0, 0.0), (20.0, 0.0), (20.0, 30.0), (45.0, -20.0)])
def test_the_linear_bike_with_imposed_steering_is_that_of_the_imposed_derivative(
    speed: float, roll_deg: float
) -> None:
    vehicle = demo()
    steady = steady_motion(vehicle, speed, math.radians(roll_deg))
    A, B = imposed_steering(linearise(vehicle, steady))
    u = steady.u.copy()
    u[U_STEER_IMPOSED] = 1.0
    differenced = linearise(vehicle, steady._replace(u=u))
    scale = 1.0 + np.abs(differenced.A).max(axis=1, keepdims=True)
    assert np.max(np.abs(A - differenced.A) / scale) < 1e-5
    assert np.max(np.abs(B[:, 1:] - differenced.B[:, 1:])) < 1e-6
    assert not differenced.B[:, 0].any()  # a torque has no part in it
    rates = []
    for acceleration in (1.0, -1.0):
        u[U_STEER_ACCELERATION], xdot = acceleration, np.zeros(N_X)
        derivative(vehicle.body, vehicle.tyre, steady.x, u, scratch(), xdot)
        rates.append(xdot)
    by_acceleration = (rates[0] - rates[1]) / 2.0
    assert np.allclose(
        B[D_JOINT_RATE : D_JOINT_RATE + 6, 0], by_acceleration[JOINT_RATE : JOINT_RATE + 6], rtol=1e-6
    )
    assert np.max(np.abs(B[D_JOINT_RATE : D_JOINT_RATE + 6, 0])) >= 1.0


@pytest.mark.parametrize("speed", [2.0, 6.0, 10.0])
def test_with_its_steering_held_the_published_bicycle_falls_like_an_inverted_pendulum(speed: float) -> None:
    # First row with steer = 0: M_11 roll'' + g K0_11 roll = 0, at any speed.
    M, _, K0, _ = published()
    fall = math.sqrt(-GRAVITY * K0[0, 0] / M[0, 0])
    vehicle = benchmark_bicycle(1e9)
    free = linearise(vehicle, steady_motion(vehicle, speed))
    roots = np.linalg.eigvals(lateral(held_steering(free)).A)
    slow = sorted(root.real for root in roots if 1e-6 < abs(root) < 100.0)
    assert slow == pytest.approx([-fall, fall], abs=1e-3)
    assert np.count_nonzero(np.linalg.eigvals(lateral(free).A)) - np.count_nonzero(roots) == 2


def test_the_diagram_with_the_steering_held_has_two_roots_less_and_no_wobble() -> None:
    speeds = (10.0, 20.0)
    free, held = (stability(demo(), speeds, steering_held=it) for it in (False, True))
    assert held.roots.shape[2] == free.roots.shape[2] - 2
    assert "wobble" in free.names
    assert "wobble" not in held.names
    assert set(held.names) <= set(NAMES)
    assert (held.mode("capsize").real > 1.0).all()


def test_the_steering_follows_a_step_as_the_linear_follower_does() -> None:
    vehicle, s = demo(), scratch()
    steady = steady_motion(vehicle, 20.0)
    x, u, step = steady.x.copy(), steady.u.copy(), 1e-4
    roll_of = followed_angle(linearise(vehicle, steady), FOLLOWER_RATE)
    z, seen = np.zeros(len(roll_of.A)), []
    for n in range(1, 61):
        impose(step, x, u)
        begin(vehicle.body, vehicle.tyre, x, u, s)
        finish(vehicle.body, vehicle.tyre, x, u, 1e-3, s)
        for _ in range(20):  # explicit steps of 50 us
            z = z + 5e-5 * (roll_of.A @ z + roll_of.B[:, 0] * step)
        t = FOLLOWER_RATE * n * 1e-3
        seen.append((x[JOINT + STEER], z[D_STEER], step * (1.0 - (1.0 + t) * math.exp(-t))))
    simulated, linear, closed = np.array(seen).T
    # held for a tick, the acceleration is half a tick late: 3 % of the step at its steepest
    assert np.max(np.abs(simulated - closed)) < 0.035 * step
    assert np.max(np.abs(linear - closed)) < 0.005 * step


# ---- against a fork that gives way -------------------------------------------------------------------------


def grows(ratio: float, motor_s: float, late_ticks: int = 1) -> float:
    """Largest factor a tick of the loop of a free fork and a load motor that sets the reaction as it comes.

    ratio       emulated inertia of the front end over that of the bench's own fork, about the axis
    motor_s     [s] lag of the load motor; late_ticks: of the torque on the bus
    From the follower's equation alone: angle measured and torque held from tick to tick of 1 ms.
    """
    w, tick = FOLLOWER_RATE, 1e-3
    # angle, its rate, the motor's torque; then follower and its rate; then the torque on its way
    fork = np.array(
        [[0.0, 1.0, 0.0, 0.0], [0.0, 0.0, -ratio, 0.0], [0.0, 0.0, -1.0 / motor_s, 1.0 / motor_s]]
    )
    follower = np.array([[0.0, 1.0, 0.0], [-w * w, -2.0 * w, w * w]])
    held_fork, held_follower = (
        expm(np.vstack([a, np.zeros(a.shape[1])]) * tick)[:-1] for a in (fork, follower)
    )
    n = 5 + late_ticks
    loop = np.zeros((n, n))
    loop[:3, :3], loop[:3, n - 1] = held_fork[:, :3], held_fork[:, 3]
    loop[3:5, 3:5], loop[3:5, 0] = held_follower[:, :2], held_follower[:, 2]
    loop[5, [0, 3, 4]] = w * w, -w * w, -2.0 * w  # the reaction of one unit of inertia
    loop[range(6, n), range(5, n - 1)] = 1.0
    return float(np.abs(np.linalg.eigvals(loop)).max())


@pytest.mark.parametrize("motor_s", [0.005, 0.008])
def test_a_load_motor_settles_on_a_fork_of_a_quarter_of_the_inertia_and_not_on_a_fifth(
    motor_s: float,
) -> None:
    """A free fork drifts, so its greatest factor is 1 where all else dies away."""
    assert grows(4.0, motor_s) == pytest.approx(1.0, abs=1e-6)
    assert grows(5.0, motor_s) > 1.0005
    assert grows(4.0, motor_s, late_ticks=3) > 1.0005
