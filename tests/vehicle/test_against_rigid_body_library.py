"""The tree of bodies against Pinocchio, a rigid-body library nobody here wrote.

Pinocchio gets the same vehicle from the same numbers, but builds its own tree (placements of joints,
inertias in body axes, a free-flying base) and solves it by another algorithm (articulated bodies instead of
a factored mass matrix). Its free flyer takes linear before angular; the order of joints is ours.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pinocchio as pin
import pytest
from numpy.typing import NDArray

from emulator.vehicle.params import JOINTS, Vehicle, vehicle_record
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    FORK,
    JOINT,
    JOINT_RATE,
    N_BODIES,
    N_JOINTS,
    N_X,
    OMEGA,
    QUATERNION,
    STEER,
    SWAY,
    SWAY_RATE,
    SWINGARM,
    TORSION,
    VELOCITY,
    scratch,
)
from emulator.vehicle.tree import accelerations, kinematics
from tests.support.machines import ROBOT, demo, demo_file

Array = NDArray[np.float64]

STATES = 1000
Y = np.array([0.0, 1.0, 0.0])
BESIDES = ("fork_bending", "robot_mount")


def point(par: np.void, name: str) -> Array:
    return np.array([float(par[f"{name}_x"]), 0.0, float(par[f"{name}_z"])])


def body(par: np.void, name: str, origin: Array) -> pin.Inertia:
    """Inertia of a frame about a joint at ``origin``; products are integrals of x z dm."""
    ixx, iyy, izz, ixz = (float(par[f"{name}_{k}"]) for k in ("ixx", "iyy", "izz", "ixz"))
    tensor = np.array([[ixx, 0.0, -ixz], [0.0, iyy, 0.0], [-ixz, 0.0, izz]])
    return pin.Inertia(float(par[f"{name}_mass"]), point(par, name) - origin, tensor)


def wheel(par: np.void, name: str) -> pin.Inertia:
    spin, diametral = float(par[f"{name}_spin_inertia"]), float(par[f"{name}_diametral_inertia"])
    return pin.Inertia(float(par[f"{name}_mass"]), np.zeros(3), np.diag([diametral, spin, diametral]))


def same_machine(par: np.void) -> pin.Model:
    """The vehicle's bodies and joints as a Pinocchio model."""
    model = pin.Model()
    model.gravity.linear = np.array([0.0, 0.0, -float(par["gravity"])])

    def add(parent: int, joint: object, place: Array, name: str, inertia: pin.Inertia) -> int:
        index = model.addJoint(parent, joint, pin.SE3(np.eye(3), place), name)
        model.appendBodyToJoint(index, inertia, pin.SE3.Identity())
        return int(index)

    rake, slope = float(par["steering_rake"]), float(par["frame_torsion_inclination"])
    steer = np.array([-math.sin(rake), 0.0, math.cos(rake)])
    twist = np.array([math.cos(slope), 0.0, math.sin(slope)])
    pivot, knee, head = point(par, "swingarm_pivot"), point(par, "frame_torsion"), point(par, "steering_axis")

    frame = add(0, pin.JointModelFreeFlyer(), np.zeros(3), "base", body(par, "main_frame", np.zeros(3)))
    arm = add(frame, pin.JointModelRY(), pivot, "swingarm", body(par, "swingarm", pivot))
    add(arm, pin.JointModelRY(), point(par, "rear_wheel") - pivot, "rear_wheel", wheel(par, "rear_wheel"))
    neck = add(frame, pin.JointModelRevoluteUnaligned(twist), knee, "frame_torsion", pin.Inertia.Zero())
    yoke = add(
        neck,
        pin.JointModelRevoluteUnaligned(steer),
        head - knee,
        "steering",
        body(par, "steered_frame", head),
    )
    below = np.zeros(3)
    if par["fork_bends"]:
        hinge, ahead = point(par, "fork_bending"), np.array([math.cos(rake), 0.0, math.sin(rake)])
        yoke = add(
            yoke, pin.JointModelRevoluteUnaligned(ahead), hinge - head, "fork_bending", pin.Inertia.Zero()
        )
        below = head - hinge
    fork = add(yoke, pin.JointModelPrismaticUnaligned(steer), below, "fork", body(par, "fork_lower", head))
    add(fork, pin.JointModelRY(), point(par, "front_wheel") - head, "front_wheel", wheel(par, "front_wheel"))
    if par["mount_gives"]:
        axis = np.array([0.0, 0.0, float(par["robot_mount_z"])])
        moments = np.diag([float(par[f"robot_{k}"]) for k in ("ixx", "iyy", "izz")])
        robot = pin.Inertia(float(par["robot_mass"]), point(par, "robot") - axis, moments)
        add(frame, pin.JointModelRX(), axis, "robot_mount", robot)
    assert tuple(name for name in model.names if name not in BESIDES)[2:] == JOINTS
    return model


class Case(NamedTuple):
    """A state, with everything that acts on it."""

    x: Array  # (33,)
    torque: Array  # (6,) joint torques [N m], fork [N]
    wrench: Array  # (8, 6) moment about B's origin and force on each body, B components
    bending: float  # [N m] on the bending of a fork that bends
    sway: float  # [N m] on the roll of a robot whose mount gives


def drawn_case(rng: np.random.Generator) -> Case:
    """Any attitude, large speeds, joints within their travel, loads as tyres and springs make them."""
    x = np.zeros(N_X)
    q = rng.normal(size=4)
    x[QUATERNION : QUATERNION + 4] = q / np.linalg.norm(q)
    x[:3] = rng.uniform(-100.0, 100.0, 3)
    spread = np.full(N_JOINTS, 50.0)  # wheels: any angle
    spread[SWINGARM], spread[TORSION], spread[STEER], spread[FORK] = 0.25, 0.1, 0.7, 0.12
    x[JOINT : JOINT + 6] = rng.uniform(-1.0, 1.0, 6) * spread
    x[OMEGA : OMEGA + 3] = rng.uniform(-15.0, 15.0, 3)
    x[VELOCITY : VELOCITY + 3] = rng.uniform(-90.0, 90.0, 3)
    rates = np.full(N_JOINTS, 300.0)
    rates[SWINGARM], rates[TORSION], rates[STEER], rates[FORK] = 15.0, 30.0, 40.0, 6.0
    x[JOINT_RATE : JOINT_RATE + 6] = rng.uniform(-1.0, 1.0, 6) * rates
    wrench = rng.uniform(-1.0, 1.0, (N_BODIES, 6)) * ([800.0] * 3 + [3000.0] * 3)
    wrench[1 + TORSION] = 0.0  # the twist joint carries no body to push on
    x[BEND], x[BEND_RATE] = rng.uniform(-0.1, 0.1), rng.uniform(-20.0, 20.0)
    x[SWAY], x[SWAY_RATE] = rng.uniform(-0.3, 0.3), rng.uniform(-20.0, 20.0)
    return Case(x, rng.uniform(-500.0, 500.0, 6), wrench, *rng.uniform(-500.0, 500.0, 2))


def ours(vehicle: Vehicle, case: Case, imposed: float | None = None) -> tuple[Array, float]:
    """Accelerations (angular, linear, joints; a bending before the travel, a robot's roll last), and the
    reaction at the steering."""
    work = scratch()
    s = work[0]
    kinematics(vehicle.body[0], case.x, s)
    s["torque"][:] = case.torque
    s["wrench"][:] = case.wrench
    s["bend_torque"], s["sway_torque"] = case.bending, case.sway
    accelerations(vehicle.body[0], imposed is not None, imposed or 0.0, s)
    found = np.array(s["rhs"])
    if vehicle.body[0]["fork_bends"]:
        found = np.insert(found, 6 + FORK, float(s["bend_acceleration"]))
    if vehicle.body[0]["mount_gives"]:
        found = np.append(found, float(s["sway_acceleration"]))
    return found, float(s["reaction"])


def theirs_order(a: Array) -> Array:
    """Angular, linear, joints -> linear, angular, joints."""
    return np.concatenate([a[3:6], a[:3], a[6:]])


def posed(model: pin.Model, case: Case) -> tuple[pin.Data, Array, Array, list[pin.Force]]:
    """Pinocchio's data, configuration, velocity and the wrenches at the origin of each joint's own frame."""
    x = case.x
    quaternion = np.roll(x[QUATERNION : QUATERNION + 4], -1)  # scalar last
    joints, rates = x[JOINT : JOINT + 6], x[JOINT_RATE : JOINT_RATE + 6]
    if model.existJointName("fork_bending"):
        joints, rates = np.insert(joints, FORK, x[BEND]), np.insert(rates, FORK, x[BEND_RATE])
    if model.existJointName("robot_mount"):
        joints, rates = np.append(joints, x[SWAY]), np.append(rates, x[SWAY_RATE])
    q = np.concatenate([x[:3], quaternion, joints])
    v = theirs_order(np.concatenate([x[OMEGA : OMEGA + 6], rates]))
    data = model.createData()
    pin.forwardKinematics(model, data, q)
    carriers = [i for i in range(1, model.njoints) if model.names[i] != "fork_bending"]
    pushed = [pin.Force.Zero() for _ in range(model.njoints)]
    for b, w in zip(carriers, case.wrench[: len(carriers)], strict=True):
        from_base = data.oMi[b].actInv(data.oMi[1])
        pushed[b] = from_base.act(pin.Force(w[3:], w[:3]))
    return data, q, v, pushed


def applied(model: pin.Model, case: Case) -> Array:
    """Joint torques in Pinocchio's order."""
    torque = case.torque
    if model.existJointName("fork_bending"):
        torque = np.insert(torque, FORK, case.bending)
    return np.append(torque, case.sway) if model.existJointName("robot_mount") else torque


def theirs(model: pin.Model, case: Case) -> Array:
    """Twelve accelerations (linear, angular, joints) by articulated bodies."""
    data, q, v, pushed = posed(model, case)
    tau = np.concatenate([np.zeros(6), applied(model, case)])
    return np.array(pin.aba(model, data, q, v, tau, pushed))


def drawn_machine(rng: np.random.Generator) -> Vehicle:
    """The demo racer with every mass, place, angle and inertia drawn: nothing zero, nothing equal."""
    vehicle = demo()
    par = vehicle.body[0]
    for name in ("main_frame", "swingarm", "steered_frame", "fork_lower"):
        # moments of a flat cloud of mass in each axis, so that the tensor is one a body can have
        a, b, c = rng.uniform(0.05, 3.0, 3)
        par[f"{name}_mass"] = rng.uniform(2.0, 200.0)
        par[f"{name}_ixx"], par[f"{name}_iyy"], par[f"{name}_izz"] = b + c, a + c, a + b
        par[f"{name}_ixz"] = rng.uniform(-0.9, 0.9) * math.sqrt(a * c)
    for name in ("rear_wheel", "front_wheel"):
        par[f"{name}_mass"] = rng.uniform(2.0, 40.0)
        par[f"{name}_diametral_inertia"] = rng.uniform(0.1, 1.0)
        par[f"{name}_spin_inertia"] = par[f"{name}_diametral_inertia"] * rng.uniform(1.0, 2.0)
    points = "main_frame swingarm swingarm_pivot rear_wheel frame_torsion steering_axis steered_frame"
    for name in (*points.split(), "fork_lower", "front_wheel"):
        par[f"{name}_x"], par[f"{name}_z"] = rng.uniform(-0.5, 2.0), rng.uniform(0.1, 1.5)
    par["steering_rake"], par["frame_torsion_inclination"] = rng.uniform(-0.5, 1.2), rng.uniform(-1.5, 1.5)
    par["gravity"] = rng.uniform(0.0, 25.0)
    return vehicle


def bending_machine(rng: np.random.Generator) -> Vehicle:
    """One more drawn machine, whose fork bends about a drawn place."""
    vehicle = drawn_machine(rng)
    par = vehicle.body[0]
    par["fork_bends"] = 1
    par["fork_bending_x"], par["fork_bending_z"] = rng.uniform(-0.5, 2.0), rng.uniform(0.1, 1.5)
    return vehicle


def swaying_machine(rng: np.random.Generator) -> Vehicle:
    """One more drawn machine, whose robot rolls in its mount."""
    vehicle = drawn_machine(rng)
    par = vehicle.body[0]
    a, b, c = rng.uniform(0.05, 3.0, 3)
    par["mount_gives"], par["robot_mount_z"] = 1, rng.uniform(0.1, 1.5)
    par["robot_mass"], par["robot_x"], par["robot_z"] = rng.uniform(2.0, 100.0), *rng.uniform(-0.5, 1.5, 2)
    par["robot_ixx"], par["robot_iyy"], par["robot_izz"] = b + c, a + c, a + b
    return vehicle


def bending_and_swaying_machine(rng: np.random.Generator) -> Vehicle:
    """A machine that gives at both places."""
    vehicle, bent = swaying_machine(rng), bending_machine(rng)
    for name in ("fork_bends", "fork_bending_x", "fork_bending_z"):
        vehicle.body[0][name] = bent.body[0][name]
    return vehicle


def worst_error(found: Array, expected: Array) -> float:
    return float(np.max(np.abs(found - expected)) / np.max(np.abs(expected)))


def test_accelerations_agree_in_a_thousand_states_of_the_demo_racer() -> None:
    vehicle, rng = demo(), np.random.default_rng(1001)
    worst = 0.0
    for _ in range(STATES):
        vehicle.body[0]["gravity"] = rng.uniform(0.0, 25.0)
        case = drawn_case(rng)
        expected = theirs(same_machine(vehicle.body[0]), case)
        worst = max(worst, worst_error(theirs_order(ours(vehicle, case)[0]), expected))
    assert worst < 1e-9


def test_accelerations_agree_for_a_thousand_machines() -> None:
    rng = np.random.default_rng(1002)
    worst = 0.0
    for _ in range(STATES):
        vehicle, case = drawn_machine(rng), drawn_case(rng)
        expected = theirs(same_machine(vehicle.body[0]), case)
        worst = max(worst, worst_error(theirs_order(ours(vehicle, case)[0]), expected))
    assert worst < 1e-9


@pytest.mark.parametrize("drawn", [bending_machine, swaying_machine, bending_and_swaying_machine])
def test_accelerations_agree_for_a_thousand_machines_that_give(
    drawn: Callable[[np.random.Generator], Vehicle],
) -> None:
    rng = np.random.default_rng(1004)
    worst = 0.0
    for _ in range(STATES):
        vehicle, case = drawn(rng), drawn_case(rng)
        expected = theirs(same_machine(vehicle.body[0]), case)
        worst = max(worst, worst_error(theirs_order(ours(vehicle, case)[0]), expected))
    assert worst < 1e-9


@pytest.mark.parametrize("drawn", [drawn_machine, bending_machine, bending_and_swaying_machine])
def test_imposed_steering_takes_the_torque_that_inverse_dynamics_gives(
    drawn: Callable[[np.random.Generator], Vehicle],
) -> None:
    rng = np.random.default_rng(1003)
    for _ in range(100):
        vehicle, case = drawn(rng), drawn_case(rng)
        asked = rng.uniform(-400.0, 400.0)
        a, reaction = ours(vehicle, case, imposed=asked)
        assert a[6 + STEER] == asked
        model = same_machine(vehicle.body[0])
        data, q, v, pushed = posed(model, case)
        tau = np.array(pin.rnea(model, data, q, v, theirs_order(a), pushed))
        given = np.concatenate([np.zeros(6), applied(model, case)])
        given[6 + STEER] = case.torque[STEER] + reaction
        # the size of the inertial terms that the external ones cancel
        scale = np.max(np.abs(pin.rnea(model, data, q, v, theirs_order(a))))
        assert np.max(np.abs(tau - given)) < 1e-9 * scale


def test_the_robot_joins_the_main_frame_as_one_rigid_body() -> None:
    values, tables = demo_file().values, demo_file().tables
    bare = vehicle_record(values, tables).body[0]
    merged = vehicle_record(values, tables, robot=ROBOT).body[0]
    apart = pin.Inertia(
        ROBOT.mass, np.array([ROBOT.x, ROBOT.y, ROBOT.z]), np.diag([ROBOT.ixx, ROBOT.iyy, ROBOT.izz])
    )
    expected = (body(bare, "main_frame", np.zeros(3)) + apart).matrix()
    found = body(merged, "main_frame", np.zeros(3)).matrix()
    assert np.allclose(found, expected, rtol=0.0, atol=1e-12 * np.max(expected))
