"""The machine as a robot has to know it: where sensors sit, wheels, gears, steering."""

from __future__ import annotations

import math

from emulator.assembly.session import Session
from emulator.config.rig.file import Rig
from emulator.inspection.interface.description import Gearbox, Mounting, Steering, Wheel
from emulator.inspection.sensors.budget import ring_radius
from emulator.plant.commands import SHIFT_CLUTCH, SHIFT_THROTTLE
from emulator.sensors.imu import turned
from emulator.vehicle.driveline import TOP_GEAR, overall_ratio
from emulator.vehicle.params import Vehicle
from emulator.vehicle.state import FRONT, REAR

AXES = (
    "ISO 8855: x forward, y left, z up; the main frame's origin is where the rear tyre touches, upright.",
    "Angles by the right-hand rule: roll positive to the right, pitch positive nose down, yaw and steering "
    "positive to the left. Yaw first, then pitch, then roll.",
    "World: x east, y north, z up from the scenario's origin; headings from east, anticlockwise. A GNSS "
    "course "
    "alone counts from north, clockwise: heading = 90 deg - course.",
    "The bike leans into the bend: a left-hand bend has negative lean and positive yaw rate.",
    "An accelerometer shows the force that holds it: standing upright +9.81 m/s2 along z, braking negative "
    "along x.",
)


def mounting(session: Session) -> Mounting:
    """Where the inertial unit is and how it is turned."""
    imu = session.rig.sensors.imu
    matrix = turned(*(math.radians(a) for a in imu.attitude_deg))
    rows = tuple((float(row[0]), float(row[1]), float(row[2])) for row in matrix)
    return Mounting(
        imu_m=imu.position_m,
        imu_attitude_deg=imu.attitude_deg,
        imu_matrix=(rows[0], rows[1], rows[2]),
        imu_rate_limit_rad_s=imu.rate_range_rad_s,
        imu_force_limit_m_s2=imu.force_range_m_s2,
        wheelbase_m=float(session.nominal.body[0]["front_wheel_x"] - session.nominal.body[0]["rear_wheel_x"]),
    )


def wheel(rig: Rig, vehicle: Vehicle, front: bool) -> Wheel:
    """A wheel's radius and what its sensor can tell."""
    sensor, tyre = rig.sensors.wheel_speed, vehicle.tyre[FRONT if front else REAR]
    radius, crown = float(tyre["radius"]), float(tyre["crown_radius"])
    ring = sensor.tone_ring
    if ring is None:
        return Wheel(
            radius_m=radius,
            crown_radius_m=crown,
            teeth=None,
            least_speed_m_s=sensor.lowest_speed_m_s,
            stands_after_ms=None,
        )
    teeth, told = ring_radius(rig, vehicle, front)
    pitch_m = 2.0 * math.pi * told / teeth
    return Wheel(
        radius_m=told,
        crown_radius_m=crown,
        teeth=teeth,
        least_speed_m_s=pitch_m / (ring.timeout_ms * 1e-3),
        stands_after_ms=ring.timeout_ms,
    )


def steering(rig: Rig, vehicle: Vehicle) -> Steering:
    """Which command rules, and how far it goes."""
    actuator = rig.actuators.steering
    return Steering(
        mode=rig.steering,
        command="steering_angle_rad" if rig.steering == "angle_driven" else "steering_torque_Nm",
        limit_Nm=actuator.limit_Nm,
        rate_limit_Nm_s=actuator.rate_limit_Nm_s,
        fork_rate_limit_rad_s=None if rig.actuators.fork is None else rig.actuators.fork.rate_limit_rad_s,
        stop_rad=float(vehicle.body[0]["steering_stop_angle"]),
    )


def gearbox(vehicle: Vehicle) -> Gearbox:
    """Ratios, and the protocol of a shift."""
    body = vehicle.body[0]
    clutch, throttle, time_s = SHIFT_CLUTCH, SHIFT_THROTTLE, float(body["gearbox_shift_time"])
    return Gearbox(
        ratios=tuple(overall_ratio(body, gear) for gear in range(1, TOP_GEAR + 1)),
        shift_time_s=time_s,
        clutch_above=clutch,
        throttle_below=throttle,
        clutch_bites_at=float(body["clutch_bite_lever"]),
        clutch_holds_at=float(body["clutch_full_lever"]),
        idle_rad_s=float(body["engine_idle_speed"]),
        stall_rad_s=float(body["engine_stall_speed"]),
        limiter_rad_s=float(body["engine_limiter_speed"]),
        rules=(
            f"gear_request names the gear you want, 1 to {TOP_GEAR}, 0 for neutral; keep sending it.",
            f"A shift begins, while running, in the tick in which the request differs from the gear and the "
            f"clutch is pulled further than {clutch:g} or the throttle is less open than {throttle:g}: "
            "what the "
            "actuators deliver counts, not what you ask for.",
            f"One gear at a time: neutral for {time_s * 1e3:g} ms, then the next gear towards the request. "
            "The frame with gear shows 0 meanwhile; a request two gears off goes on by itself.",
            "A shift that fails, or ends in a false neutral, is not tried again for the same request: ask "
            "for "
            "another gear, then again.",
        ),
    )
