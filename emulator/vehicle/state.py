"""Layout of the plant's continuous state, its inputs and the scratch memory of one derivative.

State ``x`` (42,), inputs ``u`` (24,): float64 arrays, indices below. Positions are of the main frame's
origin (rear contact point at the design position). Velocities are body components of the main frame's twist.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import Record
from emulator.vehicle.params import HARD_PARTS, JOINTS

N_JOINTS = len(JOINTS)
SWINGARM, REAR_WHEEL, TORSION, STEER, FORK, FRONT_WHEEL = range(N_JOINTS)
N_SPEEDS = 6 + N_JOINTS
N_BODIES = 2 + N_JOINTS
ROBOT = N_BODIES - 1
"""Body of a robot whose mount gives; without one its inertia is part of the main frame's, body 0."""

POSITION = 0  # p_WB_W [m], 3
QUATERNION = 3  # q_WB (w, x, y, z), 4
JOINT = 7  # joint coordinates [rad], fork [m], 6
OMEGA = 13  # w_WB_B [rad/s], 3
VELOCITY = 16  # v_WB_B [m/s], 3
JOINT_RATE = 19  # [rad/s], fork [m/s], 6
DEFLECTION = 25  # tyre deflections [m]: rear x, rear y, front x, front y
ENGINE = 29  # crankshaft speed [rad/s]
CLUTCH_TWIST = 30  # driveline wind-up at the clutch [rad]
BRAKE_TWIST_FRONT = 31  # wind-up of the front brake [rad]
BRAKE_TWIST_REAR = 32
DISC_FRONT = 33  # brake temperatures above the air [K]
DISC_REAR = 34
IDLE = 35  # torque held by the idle control's integral part [N m]
TREAD = 36  # tread temperatures over the ones they grip best at [K]: rear, front
BEND = 38  # sideways bending of the fork [rad]: zero, and so is its rate, of one that does not bend
BEND_RATE = 39
SWAY = 40  # roll of the robot in its mount [rad], positive to the right of the frame: zero, and so is its
SWAY_RATE = 41  # rate, of a mount that does not give
N_X = 42

U_STEER_TORQUE = 0  # [N m] positive to the left; nothing while the angle is imposed
U_THROTTLE = 1  # 0..1
U_BRAKE_FRONT = 2  # [Pa]
U_BRAKE_REAR = 3
U_CLUTCH = 4  # lever, 0 released (engaged) .. 1 pulled
U_GEAR = 5  # engaged gear, 0 neutral; DIRECT_DRIVE: U_DRIVE_TORQUE acts on the wheel instead of the engine
U_DRIVE_TORQUE = 6  # [N m] through the chain, only in DIRECT_DRIVE
U_GRIP_FRONT = 7
U_GRIP_REAR = 8
U_SUPPORT = 9  # 0 free, 1 held upright
U_TOW_SPEED = 10  # [m/s] speed the support tows at
U_TOW_HEADING = 11  # [rad]
U_WIND_X = 12  # air velocity in W [m/s]
U_WIND_Y = 13
U_AIR_DENSITY = 14  # [kg/m^3]
U_STEER_IMPOSED = 15  # 1: the steering angle is imposed, U_STEER_ACCELERATION acts, reaction torque comes out
U_STEER_ACCELERATION = 16  # [rad/s^2]
U_ROAD_REAR = 17  # road plane under the rear wheel: height at W's origin [m], slopes along x and y of W; 3
U_ROAD_FRONT = 20
U_ENGINE_CUT = 23  # 1: the engine burns nothing, whatever the throttle says
N_U = 24

DIRECT_DRIVE = -1.0

T_LOAD, T_FX, T_FY, T_SLIP_RATIO, T_SLIP_ANGLE, T_FRICTION_USE, T_ROLL_SPEED, T_X, T_Y = range(9)
T_CAP_X, T_CAP_Y, T_STIFFNESS_RATIO, T_Z, T_SLIDING, T_RUBBING, T_TREAD = range(9, 16)
N_TYRE = 16

REAR, FRONT = 0, 1

# Of a hard part on one side: load along the road's normal [N]; while it has one, how deep it is pressed in
# [m], how fast it sinks and how fast it slides [m/s].
P_LOAD, P_DEPTH, P_SINKING, P_SLIDING = range(4)
N_PART = 4
LEFT, RIGHT = 0, 1

SCRATCH_DTYPE = np.dtype(
    [
        ("R", np.float64, (9,)),  # R_WB row by row
        ("S", np.float64, (N_JOINTS, 6)),  # joint motion axes at B's origin in B: angular then linear
        ("V", np.float64, (6, N_BODIES)),  # twists of the bodies at B's origin in B: angular then linear
        (
            "inertia",
            np.float64,
            (10, N_BODIES),
        ),  # m, h (3), Ixx, Iyy, Izz, Ixy, Ixz, Iyz about B's origin in B
        ("centre", np.float64, (2, 3)),  # wheel centres in B, rear then front
        ("axle", np.float64, (2, 3)),  # axle directions in B
        ("wrench", np.float64, (N_BODIES, 6)),  # applied moment at B's origin and force on each body, in B
        ("torque", np.float64, (N_JOINTS,)),  # applied joint torques
        ("A", np.float64, (6, N_BODIES)),  # bias accelerations
        ("f", np.float64, (6, N_BODIES)),  # bias wrenches, summed towards the root
        ("M", np.float64, (N_SPEEDS, N_SPEEDS)),  # mass matrix; overwritten by its factors
        ("rhs", np.float64, (N_SPEEDS,)),  # right-hand side, then accelerations: angular, linear (B), joints
        ("tyre", np.float64, (2, N_TYRE)),  # rear, front: columns T_*
        ("part", np.float64, (len(HARD_PARTS), 2, N_PART)),  # as in the record; left, right; columns P_*
        ("near", np.int64),  # hard parts on the road or so near that a step may put them on it
        ("far", np.int64),  # 1: within a step at whose start none was near, and none is looked for
        (
            "passing",
            np.int64,
        ),  # 1: between the two ends of a step, where nobody looks at figures of a tyre's slip
        ("bend", np.float64, (6,)),  # axis of the fork's bending at B's origin in B: angular then linear
        ("hinge", np.float64, (3,)),  # a point of it in B
        ("border", np.float64, (N_SPEEDS,)),  # inertial coupling of the bending with the speeds
        ("taken", np.float64, (N_SPEEDS,)),  # accelerations that one of the bending takes of them
        ("bend_torque", np.float64),  # applied to the bending [N m]
        ("bend_acceleration", np.float64),  # [rad/s^2]
        ("sway_torque", np.float64),  # applied to the robot's roll in its mount [N m]
        ("sway_acceleration", np.float64),  # [rad/s^2]
        ("hung", np.float64, (6,)),  # inertial coupling of that roll with the main frame's twist
        ("reaction", np.float64),  # steering reaction torque when the angle is imposed [N m]
        ("chain_torque", np.float64),  # of the chain on the rear wheel about its axle, driving positive [N m]
        ("k", np.float64, (4, N_X)),  # Runge-Kutta stages
        ("probe", np.float64, (N_X,)),
    ]
)
"""Memory one derivative works in; what it leaves there is the truth at that state.

One record instead of many arrays: compiled code then passes one pointer.
"""

Scratch: TypeAlias = Record
"""One element of an array of SCRATCH_DTYPE."""


def scratch() -> NDArray[np.void]:
    """Freshly zeroed (1,) scratch memory."""
    return np.zeros(1, SCRATCH_DTYPE)
