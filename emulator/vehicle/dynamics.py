"""The derivative of the whole vehicle: tyres, suspension, driveline, brakes, air and support on the tree."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import cross, rotate, rotate_back, wrapped
from emulator.core.compiled import jit
from emulator.vehicle.contact.hard_parts import Plane, touch
from emulator.vehicle.contact.tyre import contact
from emulator.vehicle.driveline import (
    clutch_capacity,
    engine_drag,
    engine_torque,
    fade,
    gear_ratio,
    idle_rate,
    stick_slip,
)
from emulator.vehicle.state import (
    BEND,
    BEND_RATE,
    BRAKE_TWIST_FRONT,
    BRAKE_TWIST_REAR,
    CLUTCH_TWIST,
    DEFLECTION,
    DIRECT_DRIVE,
    DISC_FRONT,
    DISC_REAR,
    ENGINE,
    FORK,
    FRONT,
    FRONT_WHEEL,
    IDLE,
    JOINT,
    JOINT_RATE,
    N_BODIES,
    OMEGA,
    POSITION,
    QUATERNION,
    REAR,
    REAR_WHEEL,
    STEER,
    SWAY,
    SWAY_RATE,
    SWINGARM,
    TORSION,
    TREAD,
    U_AIR_DENSITY,
    U_BRAKE_FRONT,
    U_BRAKE_REAR,
    U_CLUTCH,
    U_DRIVE_TORQUE,
    U_ENGINE_CUT,
    U_GEAR,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_ROAD_FRONT,
    U_ROAD_REAR,
    U_STEER_ACCELERATION,
    U_STEER_IMPOSED,
    U_STEER_TORQUE,
    U_SUPPORT,
    U_THROTTLE,
    U_TOW_HEADING,
    U_TOW_SPEED,
    U_WIND_X,
    U_WIND_Y,
    VELOCITY,
    Scratch,
)
from emulator.vehicle.tree import accelerations, kinematics

_SUPPORT_ROLL = (
    2.0e4  # [N m/rad] stiffness of the support in roll and yaw: a hand on a rail, gone once released
)
_SUPPORT_ROLL_DAMPING = 2.0e3  # [N m s/rad]
_SUPPORT_TOW = 4.0  # [1/s] speed loop of the tow
_SOFT_STOP = 0.01  # [rad] over which the damping of the steering's stop grows from none


@jit
def _strut(
    travel: float,
    rate: float,
    stiffness: float,
    bump: float,
    rebound: float,
    design_force: float,
    design_travel: float,
    total: float,
    stop: float,
) -> float:
    """Force [N] of a spring-damper that opposes compression ``travel`` [m] from the design position."""
    force = design_force + stiffness * travel
    force += bump * rate if rate > 0.0 else rebound * rate
    beyond = travel + design_travel - total
    if beyond > 0.0:
        force += stop * beyond
    short = travel + design_travel
    if short < 0.0:
        force += stop * short
    return force


@jit
def _plane(u: NDArray[np.float64], i: int, x: NDArray[np.float64], s: Scratch) -> Plane:
    """Road plane i of the inputs: upward unit normal in B, distance [m] of B's origin from it."""
    a, b = u[i + 1], u[i + 2]
    over = 1.0 / math.sqrt(1.0 + a * a + b * b)
    nx, ny, nz = rotate_back(
        (s.R[0], s.R[1], s.R[2], s.R[3], s.R[4], s.R[5], s.R[6], s.R[7], s.R[8]), -a * over, -b * over, over
    )
    gap = (x[POSITION + 2] - u[i] - a * x[POSITION] - b * x[POSITION + 1]) * over
    return nx, ny, nz, gap


@jit
def derivative(
    body: NDArray[np.void],
    tyre: NDArray[np.void],
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    work: NDArray[np.void],
    xdot: NDArray[np.float64],
) -> None:
    """Time derivative of the state.

    x (N_X,), u (N_U,), xdot (N_X,) as in :mod:`emulator.vehicle.state`; ``work`` (1,) is left with the truth
    at x: rotation, accelerations in its ``rhs`` (B components of the twist's rate), tyre forces in ``tyre``.
    Hard parts are looked for unless its ``far`` says that none can be on the road.
    Never fails; NaN in gives NaN out.
    """
    par = body[0]
    s = work[0]
    kinematics(par, x, s)
    for b in range(N_BODIES):
        for k in range(6):
            s.wrench[b, k] = 0.0

    # --- road on the tyres, and on what else touches it -----------------------------------------------
    rate_r, rate_f = x[JOINT_RATE + REAR_WHEEL], x[JOINT_RATE + FRONT_WHEEL]
    d, warm = DEFLECTION, TREAD
    under_r = _plane(u, U_ROAD_REAR, x, s)
    nx, ny, nz, gap = under_r
    xdot[d], xdot[d + 1], xdot[warm + REAR] = contact(
        tyre[REAR], REAR, 2, nx, ny, nz, gap, rate_r, x[d], x[d + 1], x[warm + REAR], u[U_GRIP_REAR], s
    )
    under_f = _plane(u, U_ROAD_FRONT, x, s)
    nx, ny, nz, gap = under_f
    xdot[d + 2], xdot[d + 3], xdot[warm + FRONT] = contact(
        tyre[FRONT],
        FRONT,
        6,
        nx,
        ny,
        nz,
        gap,
        rate_f,
        x[d + 2],
        x[d + 3],
        x[warm + FRONT],
        u[U_GRIP_FRONT],
        s,
    )
    if s.far == 0:
        touch(par, under_r, under_f, x, u, s)

    # --- suspension, torsion, steering ---------------------------------------------------------------
    t = s.torque
    lever = par.shock_lever
    t[SWINGARM] = -lever * _strut(
        lever * x[JOINT + SWINGARM],
        lever * x[JOINT_RATE + SWINGARM],
        par.shock_stiffness,
        par.shock_bump_damping,
        par.shock_rebound_damping,
        par.shock_design_force,
        par.shock_design_travel,
        par.shock_travel,
        par.shock_stop_stiffness,
    )
    t[FORK] = -_strut(
        x[JOINT + FORK],
        x[JOINT_RATE + FORK],
        par.fork_stiffness,
        par.fork_bump_damping,
        par.fork_rebound_damping,
        par.fork_design_force,
        par.fork_design_travel,
        par.fork_travel,
        par.fork_stop_stiffness,
    )
    t[TORSION] = (
        -par.frame_torsion_stiffness * x[JOINT + TORSION]
        - par.frame_torsion_damping * x[JOINT_RATE + TORSION]
    )
    s.bend_torque = -par.fork_bending_stiffness * x[BEND] - par.fork_bending_damping * x[BEND_RATE]
    s.sway_torque = -par.robot_mount_stiffness * x[SWAY] - par.robot_mount_damping * x[SWAY_RATE]
    steer, steer_rate = x[JOINT + STEER], x[JOINT_RATE + STEER]
    # An imposed angle takes what torque it needs: a torque command has no part in it.
    driven = 0.0 if u[U_STEER_IMPOSED] > 0.0 else u[U_STEER_TORQUE]
    t[STEER] = driven - par.steering_damping * steer_rate
    beyond = abs(steer) - par.steering_stop_angle
    if beyond > 0.0:
        side = 1.0 if steer > 0.0 else -1.0
        # A stop pushes, never pulls. It is damped as its buffer gives: a jump would cost the step its order.
        damping = par.steering_stop_damping * min(1.0, beyond / _SOFT_STOP)
        push = par.steering_stop_stiffness * beyond + damping * steer_rate * side
        t[STEER] -= side * max(0.0, push)

    # --- brakes --------------------------------------------------------------------------------------
    k, c = par.brakes_stiffness, par.brakes_damping
    hot_f, hot_r = x[DISC_FRONT], x[DISC_REAR]
    most_f = par.brakes_front_gain * u[U_BRAKE_FRONT] * fade(par, hot_f)
    most_r = par.brakes_rear_gain * u[U_BRAKE_REAR] * fade(par, hot_r)
    t[FRONT_WHEEL] = -stick_slip(k, c, x[BRAKE_TWIST_FRONT], rate_f, most_f)
    t[REAR_WHEEL] = -stick_slip(k, c, x[BRAKE_TWIST_REAR], rate_r, most_r)
    xdot[BRAKE_TWIST_FRONT] = rate_f
    xdot[BRAKE_TWIST_REAR] = rate_r
    # All that a slipping brake takes becomes heat; the wind-up stores next to nothing.
    heat_f, heat_r = abs(t[FRONT_WHEEL] * rate_f), abs(t[REAR_WHEEL] * rate_r)
    xdot[DISC_FRONT] = (heat_f - par.brakes_front_cooling * hot_f) / par.brakes_front_heat_capacity
    xdot[DISC_REAR] = (heat_r - par.brakes_rear_cooling * hot_r) / par.brakes_rear_heat_capacity

    # --- engine, clutch, chain -----------------------------------------------------------------------
    sprocket = par.final_drive_rear_radius
    # The tight run of the chain: upper when driving, lower when the engine brakes. Its pull acts on the
    # wheel at the rear sprocket and, reversed, on the frame at the front one: anti-squat by geometry.
    wound = u[U_DRIVE_TORQUE] if u[U_GEAR] == DIRECT_DRIVE else x[CLUTCH_TWIST]
    side = 1.0 if wound >= 0.0 else -1.0
    fx, fz = par.final_drive_countershaft_x, par.final_drive_countershaft_z
    ax, az = s.centre[REAR, 0], s.centre[REAR, 2]
    dx, dz = fx - ax, fz - az
    distance = math.hypot(dx, dz)
    # Common tangent of two circles: turned from the centre line by asin((R_rear - R_front)/distance).
    lift = math.asin((sprocket - par.final_drive_front_radius) / distance)
    ca, sa = math.cos(side * lift), math.sin(side * lift)
    tx, tz = (dx * ca + dz * sa) / distance, (dz * ca - dx * sa) / distance
    px, pz = ax - side * tz * sprocket, az + side * tx * sprocket
    # What the pull does on the moving swingarm the driveline has to give: speed of the run where it meets the
    # rear sprocket, seen from the frame, over the sprocket's radius.
    arm = (pz - par.swingarm_pivot_z) * tx - (px - par.swingarm_pivot_x) * tz
    chain_rate = rate_r + side * arm / sprocket * x[JOINT_RATE + SWINGARM]
    engine_rate = xdot[IDLE] = 0.0
    if u[U_GEAR] == DIRECT_DRIVE:
        wheel_torque = u[U_DRIVE_TORQUE]
        xdot[CLUTCH_TWIST] = 0.0
    else:
        ratio = gear_ratio(par, int(u[U_GEAR])) * sprocket / par.final_drive_front_radius
        held = 0.0
        if ratio > 0.0:
            twist_rate = x[ENGINE] / par.gearbox_primary - ratio * chain_rate
            capacity = clutch_capacity(par, u[U_CLUTCH])
            held = stick_slip(par.clutch_stiffness, par.clutch_damping, x[CLUTCH_TWIST], twist_rate, capacity)
            xdot[CLUTCH_TWIST] = twist_rate
        else:
            xdot[CLUTCH_TWIST] = -100.0 * x[CLUTCH_TWIST]
        wheel_torque = held * ratio
        if u[U_ENGINE_CUT] > 0.0:
            drive = engine_drag(par, x[ENGINE])
        else:
            drive = engine_torque(par, x[ENGINE], u[U_THROTTLE], x[IDLE])
            xdot[IDLE] = idle_rate(par, x[ENGINE], x[IDLE])
        engine_rate = (drive - held / par.gearbox_primary) / par.engine_inertia
    xdot[ENGINE] = engine_rate
    s.chain_torque = wheel_torque
    pull = side * wheel_torque / sprocket
    qx, qz = tx * pull, tz * pull
    moment = pz * qx - px * qz
    w = s.wrench[2]
    w[1] += moment
    w[3] += qx
    w[5] += qz
    w = s.wrench[0]
    w[1] -= moment
    w[3] -= qx
    w[5] -= qz
    # The crankshaft spins the way the wheels do: its angular momentum acts back on the frame.
    spin = par.engine_inertia * x[ENGINE]
    w[0] += spin * x[OMEGA + 2]
    w[1] -= par.engine_inertia * engine_rate
    w[2] -= spin * x[OMEGA]

    # --- air: drag along the flow and lift across it in the plane of symmetry, side force on the flank ----
    R = (s.R[0], s.R[1], s.R[2], s.R[3], s.R[4], s.R[5], s.R[6], s.R[7], s.R[8])
    xdot[POSITION], xdot[POSITION + 1], xdot[POSITION + 2] = rotate(
        R, x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2]
    )
    ox, oy, oz = rotate_back(R, u[U_WIND_X], u[U_WIND_Y], 0.0)
    ox, oy, oz = ox - x[VELOCITY], oy - x[VELOCITY + 1], oz - x[VELOCITY + 2]
    pressure = 0.5 * u[U_AIR_DENSITY] * math.sqrt(ox * ox + oy * oy + oz * oz)
    bx = pressure * (par.air_drag_area * ox + par.air_lift_area * oz)
    by = pressure * par.air_side_area * oy
    bz = pressure * (par.air_drag_area * oz - par.air_lift_area * ox)
    mx, my, mz = cross(par.air_centre_x, 0.0, par.air_centre_z, bx, by, bz)
    w[0] += mx
    w[1] += my
    w[2] += mz
    w[3] += bx
    w[4] += by
    w[5] += bz

    # --- support: a spring in roll and yaw, and a tow along the heading --------------------------------
    if u[U_SUPPORT] > 0.0:
        heading = math.atan2(s.R[3], s.R[0])
        error = wrapped(heading - u[U_TOW_HEADING])
        w[0] += -_SUPPORT_ROLL * s.R[7] - _SUPPORT_ROLL_DAMPING * x[OMEGA]
        w[2] += -_SUPPORT_ROLL * error - _SUPPORT_ROLL_DAMPING * x[OMEGA + 2]
        tow = _SUPPORT_TOW * (s.inertia[0, 0] + par.robot_mass) * (u[U_TOW_SPEED] - x[VELOCITY])
        w[3] += tow
        w[1] += tow * par.main_frame_z

    accelerations(par, u[U_STEER_IMPOSED] > 0.0, u[U_STEER_ACCELERATION], s)

    # --- state rates ----------------------------------------------------------------------------------
    qw, qx, qy, qz = x[QUATERNION], x[QUATERNION + 1], x[QUATERNION + 2], x[QUATERNION + 3]
    p, q, r = x[OMEGA], x[OMEGA + 1], x[OMEGA + 2]
    # The last term holds the norm at one; it vanishes there.
    drift = 1.0 - (qw * qw + qx * qx + qy * qy + qz * qz)
    xdot[QUATERNION] = 0.5 * (-qx * p - qy * q - qz * r) + drift * qw
    xdot[QUATERNION + 1] = 0.5 * (qw * p + qy * r - qz * q) + drift * qx
    xdot[QUATERNION + 2] = 0.5 * (qw * q - qx * r + qz * p) + drift * qy
    xdot[QUATERNION + 3] = 0.5 * (qw * r + qx * q - qy * p) + drift * qz
    xdot[BEND], xdot[BEND_RATE] = x[BEND_RATE], s.bend_acceleration
    xdot[SWAY], xdot[SWAY_RATE] = x[SWAY_RATE], s.sway_acceleration
    for j in range(6):
        xdot[JOINT + j] = x[JOINT_RATE + j]
        xdot[JOINT_RATE + j] = s.rhs[6 + j]
    for j in range(3):
        xdot[OMEGA + j] = s.rhs[j]
        xdot[VELOCITY + j] = s.rhs[3 + j]
