"""The one table of recorded quantities: name, unit and meaning of every column of ``signals.arrow``.

A name is ``group.quantity_unit``. Groups: ``truth`` what the plant knows and the robot never gets;
``actuator`` what acts on the bike after the actuator model; ``robot`` the last valid robot frames;
``output`` the last value put on the wire, as the receiver decodes it; ``line`` the target path beside
the bike; ``bench`` the state of the rig; ``loop`` timing (zero on the stepped clock).
SI and radians; ISO 8855 axes, ENU world at the scenario's origin, heading from east, anticlockwise.
"""

from __future__ import annotations

from typing import NamedTuple


class Signal(NamedTuple):
    """One recorded column."""

    name: str
    unit: str
    meaning: str


SIGNALS: tuple[Signal, ...] = (
    Signal("truth.x_m", "m", "east of the main frame's origin, which is at the rear contact when upright"),
    Signal("truth.y_m", "m", "north of the same point"),
    Signal("truth.z_m", "m", "up of the same point"),
    Signal("truth.heading_rad", "rad", "yaw of the main frame"),
    Signal("truth.roll_rad", "rad", "roll of the main frame, positive to the right"),
    Signal("truth.pitch_rad", "rad", "pitch of the main frame, positive nose down"),
    Signal("truth.speed_m_s", "m/s", "horizontal speed of the main frame's origin along the heading"),
    Signal("truth.speed_lateral_m_s", "m/s", "horizontal speed of the same point to the left of the heading"),
    Signal("truth.roll_rate_rad_s", "rad/s", "angular velocity of the main frame about its own x"),
    Signal("truth.pitch_rate_rad_s", "rad/s", "the same about y"),
    Signal("truth.yaw_rate_rad_s", "rad/s", "the same about z"),
    Signal("truth.steer_rad", "rad", "steering angle, positive to the left"),
    Signal("truth.steer_rate_rad_s", "rad/s", "rate of the steering angle"),
    Signal("truth.frame_torsion_rad", "rad", "twist of the frame at the steering head"),
    Signal("truth.fork_travel_m", "m", "fork compression from fully extended"),
    Signal("truth.swingarm_rad", "rad", "swingarm angle from the design position, positive in compression"),
    Signal("truth.wheel_front_rad_s", "rad/s", "front wheel spin, positive forward"),
    Signal("truth.wheel_rear_rad_s", "rad/s", "rear wheel spin, positive forward"),
    Signal("truth.engine_rad_s", "rad/s", "crankshaft speed"),
    Signal("truth.gear", "1", "engaged gear, 0 neutral"),
    Signal("truth.load_front_N", "N", "front tyre vertical load"),
    Signal("truth.load_rear_N", "N", "rear tyre vertical load"),
    Signal("truth.lateral_front_N", "N", "front tyre lateral force, positive to the left"),
    Signal("truth.lateral_rear_N", "N", "rear tyre lateral force"),
    Signal("truth.longitudinal_front_N", "N", "front tyre longitudinal force, positive forward"),
    Signal("truth.longitudinal_rear_N", "N", "rear tyre longitudinal force"),
    Signal("truth.slip_angle_front_rad", "rad", "front tyre slip angle"),
    Signal("truth.slip_angle_rear_rad", "rad", "rear tyre slip angle"),
    Signal("truth.slip_ratio_front", "1", "front tyre longitudinal slip"),
    Signal("truth.slip_ratio_rear", "1", "rear tyre longitudinal slip"),
    Signal("truth.friction_use_front", "1", "front tyre force over its friction limit, 1 when sliding"),
    Signal("truth.friction_use_rear", "1", "rear tyre force over its friction limit"),
    Signal("truth.grip_front", "1", "friction coefficient of the road under the front tyre"),
    Signal("truth.grip_rear", "1", "friction coefficient of the road under the rear tyre"),
    Signal("truth.support", "1", "1 while the support holds the bike upright"),
    Signal("truth.fallen", "1", "1 once the bike is down"),
    Signal("actuator.steering_torque_Nm", "N m", "torque at the steering head"),
    Signal("actuator.throttle", "1", "throttle opening 0..1"),
    Signal("actuator.front_brake_Pa", "Pa", "front brake line pressure"),
    Signal("actuator.rear_brake_Pa", "Pa", "rear brake line pressure"),
    Signal("actuator.clutch", "1", "clutch lever, 0 released (engaged) to 1 pulled"),
    Signal("robot.steering_torque_Nm", "N m", "commanded or measured steering torque"),
    Signal("robot.steering_angle_rad", "rad", "steering angle as the robot measures it"),
    Signal("robot.throttle", "1", "throttle command"),
    Signal("robot.front_brake_Pa", "Pa", "front brake pressure"),
    Signal("robot.rear_brake_Pa", "Pa", "rear brake pressure"),
    Signal("robot.clutch", "1", "clutch lever, 1 pulled"),
    Signal("robot.gear_request", "1", "gear the robot asks for"),
    Signal("robot.heartbeat", "1", "robot heartbeat counter"),
    Signal("robot.estimate_x_m", "m", "the robot's own estimate, same point and axes as truth.x_m"),
    Signal("robot.estimate_y_m", "m", "the same, north"),
    Signal("robot.estimate_heading_rad", "rad", "the same, heading"),
    Signal("robot.estimate_roll_rad", "rad", "the same, roll"),
    Signal("robot.estimate_speed_m_s", "m/s", "the same, speed"),
    Signal(
        "output.wheel_front_m_s", "m/s", "front wheel speed times nominal radius; NaN while not available"
    ),
    Signal("output.wheel_rear_m_s", "m/s", "rear wheel speed times nominal radius; NaN while not available"),
    Signal("output.rate_x_rad_s", "rad/s", "IMU angular rate"),
    Signal("output.rate_y_rad_s", "rad/s", "IMU angular rate"),
    Signal("output.rate_z_rad_s", "rad/s", "IMU angular rate"),
    Signal("output.force_x_m_s2", "m/s2", "IMU specific force"),
    Signal("output.force_y_m_s2", "m/s2", "IMU specific force"),
    Signal("output.force_z_m_s2", "m/s2", "IMU specific force, +9.81 level and at rest"),
    Signal("output.lean_rad", "rad", "lean sensor"),
    Signal("output.steering_angle_rad", "rad", "fork angle sensor"),
    Signal("output.engine_rad_s", "rad/s", "engine speed"),
    Signal("output.gear", "1", "gear indicator"),
    Signal("output.throttle_position", "1", "throttle position sensor, 0 closed, 1 fully open"),
    Signal("output.clutch_position", "1", "clutch lever position sensor, 1 pulled"),
    Signal("output.front_brake_line_Pa", "Pa", "front brake pressure sensor"),
    Signal("output.rear_brake_line_Pa", "Pa", "rear brake pressure sensor"),
    Signal("output.fork_travel_m", "m", "fork stroke sensor, from full extension"),
    Signal("output.shock_travel_m", "m", "shock absorber's stroke sensor, from full extension"),
    Signal("output.chain_torque_Nm", "N m", "torque of the chain on the rear wheel, driving positive"),
    Signal("output.gnss_x_m", "m", "last GNSS fix sent, east of the origin (antenna)"),
    Signal("output.gnss_y_m", "m", "the same, north"),
    Signal("output.gnss_speed_m_s", "m/s", "speed over ground in the last fix"),
    Signal(
        "output.gnss_fix", "1", "fix quality as in GGA: 0 none, 1 single, 2 differential, 4 fixed, 5 float"
    ),
    Signal("line.station_m", "m", "station of the nearest point of the target path, laps added up"),
    Signal("line.offset_m", "m", "signed distance from the target path, positive to its left"),
    Signal("line.target_speed_m_s", "m/s", "target speed at that station"),
    Signal("line.curvature_1_m", "1/m", "curvature of the path there, positive left"),
    Signal("bench.state", "1", "0 standby, 1 armed, 2 running, 3 stopping, 4 tripped"),
    Signal("bench.trip_reason", "1", "0 none; numbers in emulator.plant.states"),
    Signal("bench.events_active", "1", "bit mask of active scenario events, bit 0 the first one"),
    Signal("bench.permissives_missing", "1", "bit mask: 1 robot heartbeat, 2 emergency stop, 4 guard"),
    Signal("loop.lateness_us", "us", "wake-up after the tick's deadline"),
    Signal("loop.compute_us", "us", "time spent in the tick before this one"),
)

FORMER_SIGNALS = {"bench.fault_active": "bench.events_active"}
"""What signals were called in the version before, and what they are called now: old records hold these."""

TICK_NS = 1_000_000
"""Period of the loop and of the record [ns]: tick n of a ride is ``n * TICK_NS`` after its start."""

EVENT_BITS = 52
"""Events of a scenario that have a bit in ``bench.events_active``: a float64 holds so many flags exactly."""

STANDBY, ARMED, RUNNING, STOPPING, TRIPPED = range(5)
"""Values of ``bench.state``, also on the bus; what moves the bench between them: emulator.plant.states."""

UNARMED_TICK = -1_000_000_000
"""Scenario ticks count up from here while nobody knows when the ride starts; nothing is recorded then."""
BEFORE_ARMING_TICK = -2_000
"""Tick that events from before arming are recorded under; armed ticks are later than this."""

INDEX: dict[str, int] = {signal.name: i for i, signal in enumerate(SIGNALS)}
"""Column number by name."""
