"""The tree of bodies against momentum, energy and an independent Newton-Euler computation.

The independent one knows only positions: it moves every body along the trajectory of the state with plain
rotation matrices, differentiates momenta numerically, and projects on partial velocities (Kane's form of
d'Alembert's principle). Nothing of it is shared with the package but the vehicle's numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from emulator.core.constants import GRAVITY
from emulator.vehicle.dynamics import derivative
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import (
    DIRECT_DRIVE,
    ENGINE,
    FORK,
    JOINT,
    JOINT_RATE,
    N_X,
    OMEGA,
    POSITION,
    QUATERNION,
    STEER,
    SWINGARM,
    U_GEAR,
    U_STEER_ACCELERATION,
    U_STEER_IMPOSED,
    U_STEER_TORQUE,
    VELOCITY,
    scratch,
)
from tests.support.machines import demo as demo_vehicle
from tests.support.machines import no_inputs, random_state, ride

Array = NDArray[np.float64]
G = GRAVITY


def floating(**changes: float) -> Vehicle:
    """The demo racer without any joint force: springs, dampers and stops taken out."""
    vehicle = demo_vehicle(**changes)
    for name in vehicle.body.dtype.names or ():
        group, _, rest = name.partition("_")
        if group in ("fork", "shock") and rest.endswith(("stiffness", "damping", "force")):
            vehicle.body[0][name] = 0.0
    for name in ("frame_torsion_stiffness", "frame_torsion_damping", "steering_damping"):
        vehicle.body[0][name] = 0.0
    vehicle.body[0]["steering_stop_angle"] = 1e3
    return vehicle


def rotation(axis: Array, angle: float) -> Array:
    return np.asarray(Rotation.from_rotvec(axis * angle).as_matrix())


def bodies(
    par: np.void, x: Array, R: Array, p: Array, w: Array
) -> list[tuple[float, Array, Array, Array, Array]]:
    """Mass, mass centre, orientation, angular velocity and inertia tensor (own axes) of every body, in W.

    R, p, w: orientation, place and angular velocity [world axes] of the main frame; joints as in x.
    """
    y = np.array([0.0, 1.0, 0.0])

    def tensor(name: str) -> Array:
        a, b, c, d = (float(par[f"{name}_{k}"]) for k in ("ixx", "iyy", "izz", "ixz"))
        return np.array([[a, 0.0, -d], [0.0, b, 0.0], [-d, 0.0, c]])

    def wheel(name: str) -> Array:
        spin, diametral = float(par[f"{name}_spin_inertia"]), float(par[f"{name}_diametral_inertia"])
        return np.diag([diametral, spin, diametral])

    def point(name: str) -> Array:
        return np.array([float(par[f"{name}_x"]), 0.0, float(par[f"{name}_z"])])

    q, qd = x[JOINT : JOINT + 6], x[JOINT_RATE : JOINT_RATE + 6]
    out = [(float(par["main_frame_mass"]), p + R @ point("main_frame"), R, w, tensor("main_frame"))]

    pivot = point("swingarm_pivot")
    Rs = R @ rotation(y, q[0])
    base = p + R @ pivot
    ws = w + R @ y * qd[0]
    out.append(
        (float(par["swingarm_mass"]), base + Rs @ (point("swingarm") - pivot), Rs, ws, tensor("swingarm"))
    )
    axle = base + Rs @ (point("rear_wheel") - pivot)
    out.append((float(par["rear_wheel_mass"]), axle, Rs, ws + Rs @ y * qd[1], wheel("rear_wheel")))

    slope, rake = float(par["frame_torsion_inclination"]), float(par["steering_rake"])
    twist = np.array([math.cos(slope), 0.0, math.sin(slope)])
    steer = np.array([-math.sin(rake), 0.0, math.cos(rake)])
    knee, head = point("frame_torsion"), point("steering_axis")
    Rt = R @ rotation(twist, q[2])
    wt = w + R @ twist * qd[2]
    base = p + R @ knee + Rt @ (head - knee)
    Rf = Rt @ rotation(steer, q[3])
    wf = wt + Rt @ steer * qd[3]
    out.append(
        (
            float(par["steered_frame_mass"]),
            base + Rf @ (point("steered_frame") - head),
            Rf,
            wf,
            tensor("steered_frame"),
        )
    )
    base = base + Rf @ steer * q[4]
    out.append(
        (
            float(par["fork_lower_mass"]),
            base + Rf @ (point("fork_lower") - head),
            Rf,
            wf,
            tensor("fork_lower"),
        )
    )
    axle = base + Rf @ (point("front_wheel") - head)
    out.append((float(par["front_wheel_mass"]), axle, Rf, wf + Rf @ y * qd[5], wheel("front_wheel")))
    return out


def _left_jacobian(theta: Array) -> Array:
    """Angular velocity over the rate of a rotation vector (series to the fifth power; theta is tiny)."""
    k = np.array([[0.0, -theta[2], theta[1]], [theta[2], 0.0, -theta[0]], [-theta[1], theta[0], 0.0]])
    k2 = k @ k
    return np.asarray(np.eye(3) + k / 2.0 + k2 / 6.0 + k @ k2 / 24.0 + k2 @ k2 / 120.0 + k2 @ k2 @ k / 720.0)


Moved = Callable[[float], list[tuple[float, Array, Array, Array, Array]]]


def along(par: np.void, x: Array, u: Array, rate: Array) -> Moved:
    """Bodies at time t of a trajectory through x with speeds ``u`` (12,), accelerations ``rate`` (12,)."""
    R = np.asarray(Rotation.from_quat(np.roll(x[QUATERNION : QUATERNION + 4], -1)).as_matrix())
    w, a = R @ u[:3], R @ rate[:3]
    v, b = R @ u[3:6], R @ (rate[3:6] + np.cross(u[:3], u[3:6]))

    def at(t: float) -> list[tuple[float, Array, Array, Array, Array]]:
        theta = w * t + a * t * t / 2.0
        y = x.copy()
        y[JOINT : JOINT + 6] += u[6:] * t + rate[6:] * t * t / 2.0
        y[JOINT_RATE : JOINT_RATE + 6] = u[6:] + rate[6:] * t
        turned = Rotation.from_rotvec(theta).as_matrix() @ R
        place = x[POSITION : POSITION + 3] + v * t + b * t * t / 2.0
        return bodies(par, y, turned, place, _left_jacobian(theta) @ (w + a * t))

    return at


_FIRST = np.array([-1.0, 9.0, -45.0, 0.0, 45.0, -9.0, 1.0]) / 60.0
_SECOND = np.array([2.0, -27.0, 270.0, -490.0, 270.0, -27.0, 2.0]) / 180.0


def partial_velocities(par: np.void, x: Array) -> tuple[Array, Array]:
    """Partial velocities of mass centres and bodies, (12, 6, 3) each: motion for unit speeds."""
    h, v, w = 1e-3, np.zeros((12, 6, 3)), np.zeros((12, 6, 3))
    for i in range(12):
        at = along(par, x, np.eye(12)[i], np.zeros(12))
        points = [np.array([b[1] for b in at(k * h)]) for k in range(-3, 4)]
        v[i] = np.tensordot(_FIRST, np.array(points), 1) / h
        w[i] = [b[3] for b in at(0.0)]
    return v, w


def speeds(x: Array) -> Array:
    return np.concatenate([x[OMEGA : OMEGA + 3], x[VELOCITY : VELOCITY + 3], x[JOINT_RATE : JOINT_RATE + 6]])


def crank_momentum(par: np.void, x: Array) -> float:
    """Angular momentum of the crankshaft relative to the frame [N m s]; it spins as the wheels do."""
    return float(par["engine_inertia"]) * float(x[ENGINE])


def generalised_forces(par: np.void, x: Array, rate: Array) -> tuple[Array, float]:
    """What must act on the twelve speeds, beside gravity, for these accelerations; and its scale."""
    h = 2e-3
    v, w = partial_velocities(par, x)
    at = along(par, x, speeds(x), rate)
    grid = [at(k * h) for k in range(-3, 4)]
    out, scale = np.zeros(12), 0.0
    for b in range(6):
        m = grid[0][b][0]
        centre = np.array([g[b][1] for g in grid])
        momentum = np.array([g[b][2] @ g[b][4] @ g[b][2].T @ g[b][3] for g in grid])
        force = m * (_SECOND @ centre / h**2 + [0.0, 0.0, G])
        moment = _FIRST @ momentum / h
        if b == 0:  # the main frame carries the crankshaft, which spins about the frame's y axis
            moment += _FIRST @ np.array([g[0][2][:, 1] for g in grid]) * crank_momentum(par, x) / h
        part = v[:, b] @ force + w[:, b] @ moment
        out += part
        scale = max(scale, float(np.max(np.abs(part))))
    return out, scale


def flight_inputs() -> Array:
    u = no_inputs()
    u[U_GEAR] = DIRECT_DRIVE
    return u


def accelerations_of(vehicle: Vehicle, x: Array, u: Array) -> tuple[Array, np.void]:
    s, xdot = scratch(), np.zeros(N_X)
    derivative(vehicle.body, vehicle.tyre, x, u, s, xdot)
    return np.array(s[0]["rhs"]), s[0]


@pytest.mark.parametrize("seed", range(20))
def test_equations_of_motion_agree_with_newton_and_euler(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vehicle, x, u = floating(), random_state(rng, height=100.0, tilt=2.0), flight_inputs()
    x[JOINT_RATE : JOINT_RATE + 6] *= 0.3
    u[U_STEER_TORQUE] = 25.0
    rate, _s = accelerations_of(vehicle, x, u)
    force, scale = generalised_forces(vehicle.body[0], x, rate)
    applied = np.zeros(12)
    applied[6 + STEER] = 25.0
    assert np.allclose(force, applied, rtol=0.0, atol=1e-6 * scale)


def test_imposed_steering_returns_the_torque_it_takes() -> None:
    rng = np.random.default_rng(5)
    vehicle = floating()
    for _ in range(5):
        x, u = random_state(rng, height=100.0), flight_inputs()
        x[JOINT_RATE : JOINT_RATE + 6] *= 0.3
        u[U_STEER_IMPOSED], u[U_STEER_ACCELERATION] = 1.0, rng.uniform(-40.0, 40.0)
        rate, s = accelerations_of(vehicle, x, u)
        assert rate[6 + STEER] == u[U_STEER_ACCELERATION]
        force, scale = generalised_forces(vehicle.body[0], x, rate)
        assert float(s["reaction"]) == pytest.approx(force[6 + STEER], abs=1e-6 * scale)
        force[6 + STEER] = 0.0
        assert np.allclose(force, 0.0, atol=1e-6 * scale)
        # The same torque applied to the free steering gives the same motion.
        u[U_STEER_IMPOSED], u[U_STEER_TORQUE] = 0.0, float(s["reaction"])
        assert np.allclose(accelerations_of(vehicle, x, u)[0], rate, rtol=1e-9, atol=1e-7)


def test_mass_matrix_is_symmetric_positive_definite_and_right() -> None:
    rng = np.random.default_rng(6)
    vehicle = floating()
    for _ in range(5):
        x = random_state(rng, height=100.0, tilt=2.0)
        s = accelerations_of(vehicle, x, flight_inputs())[1]
        factors = np.array(s["M"])
        # The scratch memory is left with the factors of M = L^T D L, L with a unit diagonal.
        D, L = np.diag(np.diag(factors)), np.tril(factors, -1) + np.eye(12)
        assert np.all(np.diag(D) > 0.0)
        M = L.T @ D @ L
        v, w = partial_velocities(vehicle.body[0], x)
        at = along(vehicle.body[0], x, speeds(x), np.zeros(12))(0.0)
        expected = np.zeros((12, 12))
        for b, (m, _c, R, _w, inertia) in enumerate(at):
            expected += m * v[:, b] @ v[:, b].T + w[:, b] @ R @ inertia @ R.T @ w[:, b].T
        assert np.allclose(M, expected, rtol=0.0, atol=1e-8 * np.max(expected))
        assert np.min(np.linalg.eigvalsh(M)) > 0.0


def _totals(vehicle: Vehicle, x: Array) -> tuple[float, Array, Array, float]:
    """Energy [J], momentum [N s] and angular momentum about the mass centre [N m s] in W, mass [kg]."""
    par = vehicle.body[0]
    h, at = 1e-4, along(par, x, speeds(x), np.zeros(12))
    grid = [np.array([b[1] for b in at(k * h)]) for k in range(-3, 4)]
    velocity = np.tensordot(_FIRST, np.array(grid), 1) / h
    now = at(0.0)
    masses = np.array([b[0] for b in now])
    crank = crank_momentum(par, x)
    mass = float(masses.sum())
    centre = masses @ grid[3] / mass
    energy, spin = 0.0, now[0][2][:, 1] * crank
    for (m, c, R, w, inertia), v in zip(now, velocity, strict=True):
        L = R @ inertia @ R.T @ w
        energy += 0.5 * m * float(v @ v) + 0.5 * float(w @ L) + m * G * float(c[2])
        spin += L + m * np.cross(c - centre, v)
    return energy, masses @ velocity, spin, mass


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_free_flight_conserves_energy_and_momentum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    vehicle, x = floating(), random_state(rng, height=100.0, tilt=2.0)
    x[JOINT_RATE + SWINGARM] *= 0.3
    x[JOINT_RATE + FORK] *= 0.1
    before = _totals(vehicle, x)
    ride(vehicle, x, flight_inputs(), 1e-3, 1000)
    after = _totals(vehicle, x)
    assert after[0] == pytest.approx(before[0], rel=1e-8)
    fallen = np.array([0.0, 0.0, -before[3] * G])
    assert np.allclose(after[1] - before[1], fallen, atol=1e-6 * before[3] * G)
    assert np.allclose(after[2], before[2], atol=1e-7 * np.linalg.norm(before[2]))


def test_free_flight_converges_with_the_fourth_order() -> None:
    vehicle, start = floating(), random_state(np.random.default_rng(4), height=100.0, tilt=2.0)
    start[25:] = 0.0
    start[JOINT_RATE + FORK] *= 0.1
    ends = []
    for n in (40, 80, 160, 1600):
        x = start.copy()
        ride(vehicle, x, flight_inputs(), 0.4 / n, n)
        ends.append(x[:25])
    errors = [float(np.max(np.abs(e - ends[-1]))) for e in ends[:-1]]
    for coarse, fine in pairwise(errors):
        assert math.log2(coarse / fine) == pytest.approx(4.0, abs=0.3)


def test_a_locked_joint_stays_and_the_rest_moves_as_one_body() -> None:
    vehicle, x = floating(), random_state(np.random.default_rng(8), height=100.0)
    vehicle.body[0]["locked"][:] = (1, 0, 1, 0, 1, 0)
    x[25:] = 0.0
    for j in (0, 2, 4):
        x[JOINT + j] = x[JOINT_RATE + j] = 0.0
    before = _totals(vehicle, x)
    ride(vehicle, x, flight_inputs(), 1e-3, 500)
    after = _totals(vehicle, x)
    assert np.all(x[[JOINT, JOINT + 2, JOINT + 4]] == 0.0)
    assert after[0] == pytest.approx(before[0], rel=1e-8)
    assert np.allclose(after[2], before[2], atol=1e-7 * np.linalg.norm(before[2]))
