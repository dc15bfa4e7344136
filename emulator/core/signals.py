"""All names by which values are known, one table each: recorded columns, robot commands, output values.

Whoever reads or writes one of these vectors takes its place from here, by name (``INDEX``, ``COMMAND``,
``OUTPUT``, :func:`columns`, or a constant below); nobody counts. SI and radians; ISO 8855 axes, ENU world at
the scenario's origin, heading from east, anticlockwise.

A recorded column is named ``group.quantity_unit``. Groups: ``truth`` what the plant knows and the robot
never gets; ``actuator`` what acts on the bike after the actuator model; ``robot`` the last valid robot
frames; ``output`` the last value put on the wire, as the receiver decodes it; ``unit`` what the bike's
own electronics do with what the actuators deliver (the same where none is modelled); ``line`` the target
path beside the bike; ``bench`` the state of the rig; ``loop`` timing (zero on the stepped clock).
"""

from __future__ import annotations

from typing import NamedTuple


class Signal(NamedTuple):
    """One recorded column, or one value of the robot's frames."""

    name: str
    unit: str
    meaning: str


class OutputValue(NamedTuple):
    """One value that a frame of the DBC, or the GNSS port, can carry under this name.

    source    what measures it; values of one source are measured together, at one instant, except those of
              ``analogue`` sensors: each is measured by a device of its own
    recorded  whether it has a column ``output.NAME``
    of        recorded signal of the truth that an analogue sensor measures; empty where none is recorded, and
              emulator.plant.outputs knows
    """

    name: str
    unit: str
    meaning: str
    source: str
    recorded: bool = True
    of: str = ""


COMMANDS: tuple[Signal, ...] = (
    Signal("steering_torque_Nm", "N m", "commanded or measured steering torque"),
    Signal("steering_angle_rad", "rad", "steering angle as the robot measures it"),
    Signal("throttle", "1", "throttle command"),
    Signal("front_brake_Pa", "Pa", "front brake pressure"),
    Signal("rear_brake_Pa", "Pa", "rear brake pressure"),
    Signal("clutch", "1", "clutch lever, 1 pulled"),
    Signal("gear_request", "1", "gear the robot asks for"),
    Signal("heartbeat", "1", "robot heartbeat counter"),
    Signal("estimate_x_m", "m", "the robot's own estimate, same point and axes as truth.x_m"),
    Signal("estimate_y_m", "m", "the same, north"),
    Signal("estimate_heading_rad", "rad", "the same, heading"),
    Signal("estimate_roll_rad", "rad", "the same, roll"),
    Signal("estimate_speed_m_s", "m/s", "the same, speed"),
)
"""What the robot's frames can carry, by the names of the DBC; recorded as ``robot.NAME``."""

BIKE_UNITS = ("antilock", "traction", "wheelie", "ride_by_wire", "quickshifter", "slipper_clutch")
"""The bike's own electronics, as vehicles, rigs and scenarios name them."""
ANTILOCK, TRACTION, WHEELIE, RIDE_BY_WIRE, QUICKSHIFTER, SLIPPER_CLUTCH = range(len(BIKE_UNITS))

OUTPUTS: tuple[OutputValue, ...] = (
    OutputValue(
        "wheel_front_m_s",
        "m/s",
        "front wheel speed times nominal radius; NaN while not available",
        "wheel_speed",
    ),
    OutputValue(
        "wheel_rear_m_s",
        "m/s",
        "rear wheel speed times nominal radius; NaN while not available",
        "wheel_speed",
    ),
    OutputValue("rate_x_rad_s", "rad/s", "IMU angular rate", "imu_rates"),
    OutputValue("rate_y_rad_s", "rad/s", "IMU angular rate", "imu_rates"),
    OutputValue("rate_z_rad_s", "rad/s", "IMU angular rate", "imu_rates"),
    OutputValue("force_x_m_s2", "m/s2", "IMU specific force", "imu_force"),
    OutputValue("force_y_m_s2", "m/s2", "IMU specific force", "imu_force"),
    OutputValue("force_z_m_s2", "m/s2", "IMU specific force, +9.81 level and at rest", "imu_force"),
    OutputValue("lean_rad", "rad", "lean sensor", "lean"),
    OutputValue("steering_angle_rad", "rad", "steering angle sensor", "steering_angle"),
    OutputValue("steering_rate_rad_s", "rad/s", "its rate", "steering_angle", recorded=False),
    OutputValue("engine_rad_s", "rad/s", "engine speed", "engine"),
    OutputValue("gear", "1", "gear indicator", "engine"),
    OutputValue(
        "throttle", "1", "throttle opening as the engine control unit says", "engine", recorded=False
    ),
    OutputValue(
        "throttle_position",
        "1",
        "throttle position sensor, 0 closed, 1 fully open",
        "analogue",
        of="actuator.throttle",
    ),
    OutputValue(
        "clutch_position", "1", "clutch lever position sensor, 1 pulled", "analogue", of="actuator.clutch"
    ),
    OutputValue(
        "front_brake_line_Pa",
        "Pa",
        "front brake pressure sensor, at the master cylinder",
        "analogue",
        of="actuator.front_brake_Pa",
    ),
    OutputValue(
        "rear_brake_line_Pa",
        "Pa",
        "rear brake pressure sensor, at the master cylinder",
        "analogue",
        of="actuator.rear_brake_Pa",
    ),
    OutputValue(
        "fork_travel_m", "m", "fork stroke sensor, from full extension", "analogue", of="truth.fork_travel_m"
    ),
    OutputValue("shock_travel_m", "m", "shock absorber's stroke sensor, from full extension", "analogue"),
    OutputValue(
        "chain_torque_Nm", "N m", "torque of the chain on the rear wheel, driving positive", "analogue"
    ),
    OutputValue("gnss_x_m", "m", "last GNSS fix sent, east of the origin (antenna)", "gnss"),
    OutputValue("gnss_y_m", "m", "the same, north", "gnss"),
    OutputValue("gnss_z_m", "m", "the same, up", "gnss", recorded=False),
    OutputValue("gnss_speed_m_s", "m/s", "speed over ground in the last fix", "gnss"),
    OutputValue(
        "gnss_course_rad", "rad", "course over ground, from north, clockwise", "gnss", recorded=False
    ),
    OutputValue(
        "gnss_fix", "1", "fix quality as in GGA: 0 none, 1 single, 2 differential, 4 fixed, 5 float", "gnss"
    ),
    OutputValue("gnss_fix_in_use", "1", "the quality the receiver has", "gnss", recorded=False),
    OutputValue("gnss_satellites", "1", "satellites in use", "gnss", recorded=False),
    OutputValue(
        "reaction_torque_Nm",
        "N m",
        "steering torque that an imposed angle takes; a load motor sets the opposite",
        "fork",
        recorded=False,
    ),
    OutputValue(
        "fork_angle_rad", "rad", "angle of the fork that is imposed, as measured", "fork", recorded=False
    ),
    OutputValue("heartbeat", "1", "counts the bench's state frames", "bench", recorded=False),
    OutputValue("state", "1", "as bench.state", "bench", recorded=False),
    OutputValue("trip_reason", "1", "as bench.trip_reason", "bench", recorded=False),
    OutputValue("emulated", "1", "1: these signals are emulated", "bench", recorded=False),
    OutputValue("scenario_time_s", "s", "since the ride started", "bench", recorded=False),
    OutputValue("wheel_front_hz", "Hz", "edges of the tone ring", "wheel_pulses", recorded=False),
    OutputValue("wheel_rear_hz", "Hz", "the same, rear", "wheel_pulses", recorded=False),
    OutputValue("wheel_front_edges", "1", "edges counted, wrapping", "wheel_pulses", recorded=False),
    OutputValue("wheel_rear_edges", "1", "the same, rear", "wheel_pulses", recorded=False),
    OutputValue("wheel_front_edge_age_s", "s", "since the last edge", "wheel_pulses", recorded=False),
    OutputValue("wheel_rear_edge_age_s", "s", "the same, rear", "wheel_pulses", recorded=False),
)
"""What the bench's frames and the GNSS port can carry, by the names of the DBC.

``gnss_fix`` is the quality the receiver says, which a fault may change; ``gnss_fix_in_use`` the one it has.
"""

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
    Signal("truth.fork_bending_rad", "rad", "sideways bending of the fork; 0 where none is modelled"),
    Signal(
        "truth.robot_sway_rad",
        "rad",
        "roll of the robot in its mount, positive to the right of the frame; 0 where none is modelled",
    ),
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
    Signal(
        "truth.friction_use_front",
        "1",
        "front tyre force over its friction limit, not counting what sliding loses; 1 when all of it slides",
    ),
    Signal("truth.friction_use_rear", "1", "the same of the rear tyre"),
    Signal(
        "truth.sliding_front",
        "1",
        "share of the front tyre's contact that slides, past its peak, where it holds most; 0 up to there",
    ),
    Signal("truth.sliding_rear", "1", "the same of the rear tyre"),
    Signal(
        "truth.tread_front_K", "K", "temperature of the front tread over the air; 0 where none is modelled"
    ),
    Signal("truth.tread_rear_K", "K", "the same of the rear tread"),
    Signal("truth.grip_front", "1", "friction coefficient of the road under the front tyre"),
    Signal("truth.grip_rear", "1", "friction coefficient of the road under the rear tyre"),
    Signal("truth.support", "1", "1 while the support holds the bike upright"),
    Signal("truth.fallen", "1", "1 once the bike is down"),
    Signal("actuator.steering_torque_Nm", "N m", "torque at the steering head"),
    Signal("actuator.throttle", "1", "throttle opening 0..1, as the robot's actuator sets it"),
    Signal("actuator.front_brake_Pa", "Pa", "front brake line pressure, at the master cylinder"),
    Signal("actuator.rear_brake_Pa", "Pa", "rear brake line pressure, at the master cylinder"),
    Signal("actuator.clutch", "1", "clutch lever, 0 released (engaged) to 1 pulled"),
    Signal(
        "unit.front_caliper_Pa",
        "Pa",
        "front brake pressure at the caliper, behind an antilock unit; without one that of the line",
    ),
    Signal("unit.rear_caliper_Pa", "Pa", "the same of the rear brake"),
    Signal("unit.throttle", "1", "throttle the engine gets; without a unit that of the actuator"),
    Signal(
        "unit.speed_m_s", "m/s", "the bike's speed as an antilock unit believes it; 0 where none is modelled"
    ),
    Signal(
        "unit.acting",
        "1",
        "bit mask of what acts: 1 antilock front, 2 antilock rear, 4 traction control, 8 wheelie control, "
        "16 ignition cut, 32 slipper clutch, 64 units that go by wheel speeds have switched themselves off",
    ),
    *(Signal(f"robot.{c.name}", c.unit, c.meaning) for c in COMMANDS),
    *(Signal(f"output.{o.name}", o.unit, o.meaning) for o in OUTPUTS if o.recorded),
    Signal("line.station_m", "m", "station of the nearest point of the target path, laps added up"),
    Signal("line.offset_m", "m", "signed distance from the target path, positive to its left"),
    Signal("line.target_speed_m_s", "m/s", "target speed at that station"),
    Signal("line.curvature_1_m", "1/m", "curvature of the path there, positive left"),
    Signal("bench.state", "1", "0 standby, 1 armed, 2 running, 3 stopping, 4 tripped"),
    Signal("bench.trip_reason", "1", "0 none; numbers in emulator.plant.states"),
    Signal("bench.events_active", "1", "bit mask of active scenario events, bit 0 the first one"),
    Signal(
        "bench.permissives_missing",
        "1",
        "bit mask: 1 robot heartbeat, 2 emergency stop, 4 guard, 8 local enable",
    ),
    Signal("loop.lateness_us", "us", "wake-up after the tick's deadline"),
    Signal("loop.compute_us", "us", "time spent in the tick before this one"),
)
"""Columns of ``signals.arrow``."""

OUTPUT_VALUES: tuple[str, ...] = tuple(o.name for o in OUTPUTS)
"""Names of the output values, in their order."""
ROBOT_COMMANDS: tuple[str, ...] = tuple(c.name for c in COMMANDS)
"""Names of the robot's values, in their order."""
ANALOGUE: tuple[str, ...] = tuple(o.name for o in OUTPUTS if o.source == "analogue")
"""Output values of sensors with one value (emulator.sensors.analogue)."""
GNSS_VALUES: tuple[str, ...] = tuple(o.name for o in OUTPUTS if o.source == "gnss")
"""Output values of an epoch of the receiver."""

INDEX: dict[str, int] = {signal.name: i for i, signal in enumerate(SIGNALS)}
"""Column number by name."""
OUTPUT: dict[str, int] = {name: i for i, name in enumerate(OUTPUT_VALUES)}
"""Place by name among the output values."""
COMMAND: dict[str, int] = {name: i for i, name in enumerate(ROBOT_COMMANDS)}
"""Place by name among the robot's values."""
UNITS: dict[str, str] = {c.name: c.unit for c in COMMANDS} | {o.name: o.unit for o in OUTPUTS}
"""Unit by name of what frames can carry; names that both have, have one unit."""
COUNTING = ("heartbeat", "wheel_front_edges", "wheel_rear_edges")
"""Values that count up and start again from 0: only that they change, or by how much, means something."""

ANALOGUE_OF: tuple[int, ...] = tuple(INDEX[o.of] if o.of else -1 for o in OUTPUTS if o.source == "analogue")
"""Column of the truth that each sensor of ANALOGUE measures; -1: it is not recorded."""


def columns(*names: str) -> tuple[int, ...]:
    """Column numbers of these signals. KeyError for a name that is none."""
    return tuple(INDEX[name] for name in names)


def beside(places: dict[str, int], *names: str) -> int:
    """Place of the first of these names, which have to follow each other in the table: a vector in parts."""
    first = places[names[0]]
    if [places[name] for name in names] != list(range(first, first + len(names))):
        raise ValueError(f"{', '.join(names)} don't stand beside each other")
    return first


def measured_with(value: int) -> int:
    """Place of the first output value that is measured together with this one."""
    source = OUTPUTS[value].source
    return value if source == "analogue" else next(i for i, o in enumerate(OUTPUTS) if o.source == source)


# Compiled code needs whole numbers: the places it uses, by name. Vectors and pairs start at the first.
R_STEER_TORQUE, R_STEER_ANGLE = COMMAND["steering_torque_Nm"], COMMAND["steering_angle_rad"]
R_THROTTLE, R_CLUTCH = COMMAND["throttle"], COMMAND["clutch"]
R_FRONT_BRAKE, R_REAR_BRAKE = COMMAND["front_brake_Pa"], COMMAND["rear_brake_Pa"]
R_GEAR, R_HEARTBEAT = COMMAND["gear_request"], COMMAND["heartbeat"]
R_X, R_Y = COMMAND["estimate_x_m"], COMMAND["estimate_y_m"]
R_HEADING, R_ROLL = COMMAND["estimate_heading_rad"], COMMAND["estimate_roll_rad"]
R_SPEED = COMMAND["estimate_speed_m_s"]

V_WHEELS = beside(OUTPUT, "wheel_front_m_s", "wheel_rear_m_s")
V_RATE = beside(OUTPUT, "rate_x_rad_s", "rate_y_rad_s", "rate_z_rad_s")
V_FORCE = beside(OUTPUT, "force_x_m_s2", "force_y_m_s2", "force_z_m_s2")
V_LEAN = OUTPUT["lean_rad"]
V_STEER, V_STEER_RATE = OUTPUT["steering_angle_rad"], OUTPUT["steering_rate_rad_s"]
V_ENGINE, V_GEAR, V_THROTTLE = OUTPUT["engine_rad_s"], OUTPUT["gear"], OUTPUT["throttle"]
V_ANALOGUE = beside(OUTPUT, *ANALOGUE)
V_REACTION, V_FORK_ANGLE = OUTPUT["reaction_torque_Nm"], OUTPUT["fork_angle_rad"]
V_GNSS = beside(OUTPUT, *GNSS_VALUES)
V_GNSS_X, V_GNSS_Y, V_GNSS_Z = OUTPUT["gnss_x_m"], OUTPUT["gnss_y_m"], OUTPUT["gnss_z_m"]
V_GNSS_SPEED, V_GNSS_COURSE = OUTPUT["gnss_speed_m_s"], OUTPUT["gnss_course_rad"]
V_GNSS_FIX, V_GNSS_IN_USE = OUTPUT["gnss_fix"], OUTPUT["gnss_fix_in_use"]
V_GNSS_SATELLITES = OUTPUT["gnss_satellites"]
V_HEARTBEAT, V_STATE, V_TRIP = OUTPUT["heartbeat"], OUTPUT["state"], OUTPUT["trip_reason"]
V_EMULATED, V_TIME = OUTPUT["emulated"], OUTPUT["scenario_time_s"]
V_PULSE_FREQUENCY = beside(OUTPUT, "wheel_front_hz", "wheel_rear_hz")
V_PULSE_COUNT = beside(OUTPUT, "wheel_front_edges", "wheel_rear_edges")
V_PULSE_AGE = beside(OUTPUT, "wheel_front_edge_age_s", "wheel_rear_edge_age_s")

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


def in_the_ride(tick: int) -> str:
    """When, as a sentence ends: ``12.3 s into the ride``; ticks before it count from nowhere."""
    return f"{tick * 1e-3:.1f} s into the ride" if tick >= 0 else "before the ride"
