"""The row of recorded signals: what is true, acts, was asked for and goes on, by name.

It is filled in two parts: the truth before anything is sensed, since sensors measure it, the rest at the end.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from emulator.core.axes import roll_pitch_yaw, rotate
from emulator.core.compiled import Record, jit
from emulator.core.signals import INDEX, ROBOT_COMMANDS, beside, columns
from emulator.events.actuator_faults import CLUTCH, FRONT_BRAKE, REAR_BRAKE, THROTTLE
from emulator.plant.states import AWAITED, FREE, MISSING_ENABLE
from emulator.road.line import Line, curvature_at, target_speed_at
from emulator.vehicle.state import (
    BEND,
    ENGINE,
    FORK,
    FRONT,
    FRONT_WHEEL,
    JOINT,
    JOINT_RATE,
    OMEGA,
    POSITION,
    REAR,
    REAR_WHEEL,
    STEER,
    SWAY,
    SWINGARM,
    T_FRICTION_USE,
    T_FX,
    T_FY,
    T_LOAD,
    T_SLIDING,
    T_SLIP_ANGLE,
    T_SLIP_RATIO,
    T_TREAD,
    TORSION,
    U_GRIP_FRONT,
    U_GRIP_REAR,
    U_STEER_IMPOSED,
    U_STEER_TORQUE,
    VELOCITY,
    Scratch,
)

_X, _Y, _Z = columns("truth.x_m", "truth.y_m", "truth.z_m")
_HEADING, _ROLL, _PITCH = columns("truth.heading_rad", "truth.roll_rad", "truth.pitch_rad")
_SPEED, _SPEED_LATERAL = columns("truth.speed_m_s", "truth.speed_lateral_m_s")
_ROLL_RATE, _PITCH_RATE = columns("truth.roll_rate_rad_s", "truth.pitch_rate_rad_s")
_YAW_RATE, _TORSION = columns("truth.yaw_rate_rad_s", "truth.frame_torsion_rad")
_BENDING, _SWAY = columns("truth.fork_bending_rad", "truth.robot_sway_rad")
_STEER, _STEER_RATE = columns("truth.steer_rad", "truth.steer_rate_rad_s")
_FORK, _SWINGARM = columns("truth.fork_travel_m", "truth.swingarm_rad")
_WHEEL_FRONT, _WHEEL_REAR = columns("truth.wheel_front_rad_s", "truth.wheel_rear_rad_s")
_ENGINE, _GEAR = columns("truth.engine_rad_s", "truth.gear")
_LOAD_FRONT, _LOAD_REAR = columns("truth.load_front_N", "truth.load_rear_N")
_FY_FRONT, _FY_REAR = columns("truth.lateral_front_N", "truth.lateral_rear_N")
_FX_FRONT, _FX_REAR = columns("truth.longitudinal_front_N", "truth.longitudinal_rear_N")
_SLIP_ANGLE_FRONT, _SLIP_ANGLE_REAR = columns("truth.slip_angle_front_rad", "truth.slip_angle_rear_rad")
_SLIP_RATIO_FRONT, _SLIP_RATIO_REAR = columns("truth.slip_ratio_front", "truth.slip_ratio_rear")
_FRICTION_FRONT, _FRICTION_REAR = columns("truth.friction_use_front", "truth.friction_use_rear")
_SLIDING_FRONT, _SLIDING_REAR = columns("truth.sliding_front", "truth.sliding_rear")
_TREAD_FRONT, _TREAD_REAR = columns("truth.tread_front_K", "truth.tread_rear_K")
_GRIP_FRONT, _GRIP_REAR = columns("truth.grip_front", "truth.grip_rear")
_SUPPORT, _FALLEN = columns("truth.support", "truth.fallen")
_STEERING_TORQUE, _THROTTLE = columns("actuator.steering_torque_Nm", "actuator.throttle")
_FRONT_BRAKE, _REAR_BRAKE = columns("actuator.front_brake_Pa", "actuator.rear_brake_Pa")
(_CLUTCH,) = columns("actuator.clutch")
_ROBOT = beside(INDEX, *(f"robot.{name}" for name in ROBOT_COMMANDS))
_FRONT_CALIPER, _REAR_CALIPER = columns("unit.front_caliper_Pa", "unit.rear_caliper_Pa")
_VALVE, _BELIEVED_SPEED, _ACTING = columns("unit.throttle", "unit.speed_m_s", "unit.acting")
_STATION, _OFFSET = columns("line.station_m", "line.offset_m")
_TARGET_SPEED, _CURVATURE = columns("line.target_speed_m_s", "line.curvature_1_m")
_STATE, _TRIP_REASON = columns("bench.state", "bench.trip_reason")
_EVENTS, _MISSING = columns("bench.events_active", "bench.permissives_missing")
_LATENESS, _COMPUTE = columns("loop.lateness_us", "loop.compute_us")


@jit
def fill_truth(
    row: NDArray[np.float64],
    run: Record,
    body: Record,
    x: NDArray[np.float64],
    u: NDArray[np.float64],
    actuators: NDArray[np.void],
    s: Scratch,
) -> None:
    """Fill the columns ``truth`` and ``actuator`` of this tick's ``row`` (len(SIGNALS),).

    x, u       state, and inputs it was derived with, in ``s``
    actuators  (6,) by channel
    """
    tyre, R = s.tyre, s.R
    roll, pitch, heading = roll_pitch_yaw((R[0], R[1], R[2], R[3], R[4], R[5], R[6], R[7], R[8]))
    vx, vy, _ = rotate(
        (R[0], R[1], R[2], R[3], R[4], R[5], R[6], R[7], R[8]), x[VELOCITY], x[VELOCITY + 1], x[VELOCITY + 2]
    )
    c, n = math.cos(heading), math.sin(heading)
    row[_X], row[_Y], row[_Z] = x[POSITION], x[POSITION + 1], x[POSITION + 2]
    row[_HEADING], row[_ROLL], row[_PITCH] = heading, roll, pitch
    row[_SPEED], row[_SPEED_LATERAL] = c * vx + n * vy, c * vy - n * vx
    row[_ROLL_RATE], row[_PITCH_RATE], row[_YAW_RATE] = x[OMEGA], x[OMEGA + 1], x[OMEGA + 2]
    row[_STEER], row[_STEER_RATE] = x[JOINT + STEER], x[JOINT_RATE + STEER]
    row[_TORSION] = x[JOINT + TORSION]
    row[_BENDING], row[_SWAY] = x[BEND], x[SWAY]
    row[_FORK] = x[JOINT + FORK] + body.fork_design_travel
    row[_SWINGARM] = x[JOINT + SWINGARM]
    row[_WHEEL_FRONT], row[_WHEEL_REAR] = x[JOINT_RATE + FRONT_WHEEL], x[JOINT_RATE + REAR_WHEEL]
    row[_ENGINE], row[_GEAR] = x[ENGINE], run.gear
    row[_LOAD_FRONT], row[_LOAD_REAR] = tyre[FRONT, T_LOAD], tyre[REAR, T_LOAD]
    row[_FY_FRONT], row[_FY_REAR] = tyre[FRONT, T_FY], tyre[REAR, T_FY]
    row[_FX_FRONT], row[_FX_REAR] = tyre[FRONT, T_FX], tyre[REAR, T_FX]
    row[_SLIP_ANGLE_FRONT], row[_SLIP_ANGLE_REAR] = tyre[FRONT, T_SLIP_ANGLE], tyre[REAR, T_SLIP_ANGLE]
    row[_SLIP_RATIO_FRONT], row[_SLIP_RATIO_REAR] = tyre[FRONT, T_SLIP_RATIO], tyre[REAR, T_SLIP_RATIO]
    row[_FRICTION_FRONT], row[_FRICTION_REAR] = tyre[FRONT, T_FRICTION_USE], tyre[REAR, T_FRICTION_USE]
    row[_SLIDING_FRONT], row[_SLIDING_REAR] = tyre[FRONT, T_SLIDING], tyre[REAR, T_SLIDING]
    row[_TREAD_FRONT], row[_TREAD_REAR] = tyre[FRONT, T_TREAD], tyre[REAR, T_TREAD]
    row[_GRIP_FRONT], row[_GRIP_REAR] = u[U_GRIP_FRONT], u[U_GRIP_REAR]
    row[_SUPPORT] = 0.0 if run.support == FREE else 1.0
    row[_FALLEN] = 1.0 if run.fallen_tick >= 0 else 0.0
    row[_STEERING_TORQUE] = s.reaction if u[U_STEER_IMPOSED] > 0.0 else u[U_STEER_TORQUE]
    row[_THROTTLE] = actuators[THROTTLE].delivered
    row[_FRONT_BRAKE] = actuators[FRONT_BRAKE].delivered
    row[_REAR_BRAKE] = actuators[REAR_BRAKE].delivered
    row[_CLUTCH] = actuators[CLUTCH].delivered


@jit
def fill_rest(
    row: NDArray[np.float64],
    run: Record,
    robot: NDArray[np.float64],
    electronics: Record,
    line: Line,
    lateness_us: float,
    compute_us: float,
) -> None:
    """Fill what is neither truth nor output; ``output`` columns are filled where values leave or arrive.

    robot        (13,) last valid values of the robot, COMMANDS
    electronics  record of the bike's own (emulator.vehicle.electronics.record)
    """
    for i in range(robot.shape[0]):
        row[_ROBOT + i] = robot[i]
    row[_FRONT_CALIPER], row[_REAR_CALIPER] = electronics.pressure[0], electronics.pressure[1]
    row[_VALVE], row[_BELIEVED_SPEED], row[_ACTING] = (
        electronics.throttle,
        electronics.reference,
        electronics.acting,
    )
    row[_STATION], row[_OFFSET] = run.station, run.offset
    row[_TARGET_SPEED], row[_CURVATURE] = target_speed_at(line, run.station), curvature_at(line, run.station)
    row[_STATE], row[_TRIP_REASON], row[_EVENTS] = run.state, run.trip_reason, run.events_active
    row[_MISSING] = run.missing | (MISSING_ENABLE if run.enable == AWAITED else 0)
    row[_LATENESS], row[_COMPUTE] = lateness_us, compute_us
