"""The rig file: one bench as configured. Units stand in the keys; the models only hold and bound them.

Bounds are what the program can work with or what no bench has; they are common practice, no source.
"""

from __future__ import annotations

import difflib
import math
import os
from typing import Annotated, Literal, TypeAlias, TypeVar

from pydantic import AfterValidator, Field, model_validator

from emulator.config.based_on import load_with_bases
from emulator.config.rig.inertial_unit import InertialUnit, SmallAngles
from emulator.config.validation import Closed, Words, validate, wrong
from emulator.config.yaml_source import Source, beside
from emulator.core.errors import ConfigError
from emulator.core.signals import INDEX
from emulator.sensors.gnss_fix import FOR_A_FIX, FOR_CARRIER, USUAL_REACQUISITION_s
from emulator.wire.nmea import burst_seconds


def _not_blank(text: str) -> str:
    if not text.strip():
        raise wrong("expected some text, got nothing but space")
    return text


def _one_line(text: str) -> str:
    if "\n" in text.strip():
        raise wrong("expected one line of text, got several")
    return _not_blank(text).strip()


def _file_name(text: str) -> str:
    if "\0" in text or not text.strip():
        raise wrong("expected the path of a file, relative to this file")
    return text


def _signal(text: str) -> str:
    if text not in INDEX:
        near = difflib.get_close_matches(text, INDEX, 1)
        raise wrong("expected the name of a recorded signal" + (f"; {near[0]}?" if near else ""))
    return text


RecordedSignal: TypeAlias = Annotated[str, AfterValidator(_signal)]
"""A column of the record, see emulator.core.signals."""
Name: TypeAlias = Annotated[str, AfterValidator(_one_line)]
"""One line of text."""
FileName: TypeAlias = Annotated[
    str, AfterValidator(_file_name), Words("the path of a file, relative to this one")
]
"""A path relative to the folder of the file it stands in."""
Vector: TypeAlias = tuple[float, float, float]
"""[x, y, z] along the axes of the main frame: x forward, y left, z up."""
Coordinate: TypeAlias = Annotated[float, Field(ge=-10, le=10)]
Position: TypeAlias = tuple[Coordinate, Coordinate, Coordinate]
"""A point of the main frame: forward of the rear contact, left, above the ground."""
Angle: TypeAlias = Annotated[float, Field(ge=-180, le=180)]
Cpu: TypeAlias = Annotated[int, Field(ge=0, le=1023)] | Literal["auto"]
"""CPU number, or auto: the program chooses."""
Seconds: TypeAlias = Annotated[float, Field(gt=0, le=600)]
Port: TypeAlias = Annotated[int, Field(ge=1, le=65535)]
TimeConstant: TypeAlias = Annotated[float, Field(ge=0, le=2000)]
Noise: TypeAlias = Annotated[float, Field(ge=0, le=1000)]
Wait: TypeAlias = Annotated[float, Field(ge=0, le=3600)]
MountingAngle: TypeAlias = Annotated[float, Field(ge=-0.5, le=0.5)]

FrameName: TypeAlias = Literal[
    "wheel_speed",
    "imu_rates",
    "imu_force",
    "lean",
    "fork_angle",
    "engine",
    "emulator_state",
    "wheel_pulses_front",
    "wheel_pulses_rear",
    "levers",
    "suspension",
    "drive_torque",
]
"""The emulator's frames in the DBC."""
COMMAND_FRAMES = ("steering", "drive", "gear", "estimate_pose", "estimate_motion")
"""Frames a rig takes from the robot, by their names in the DBC."""
INPUT_FRAME = "bench_inputs"
"""Frame of the bench's own inputs, taken if the rig asks for permissives; they are signals of it."""
PermissiveName: TypeAlias = Literal["estop_released", "guard_closed"]
CommandFrame: TypeAlias = Literal["steering", "drive", "gear", "estimate_pose", "estimate_motion"]
USUAL_PERIODS_ms: dict[CommandFrame, float] = {
    "steering": 2.0,
    "drive": 10.0,
    "gear": 20.0,
    "estimate_pose": 10.0,
    "estimate_motion": 10.0,
}
"""How often the reference robot sends them (emulator.robot.rider)."""
Baud: TypeAlias = Literal[4800, 9600, 19_200, 38_400, 57_600, 115_200, 230_400, 460_800, 921_600]
Fix: TypeAlias = Literal["fixed", "float", "differential", "single"]
AnalogueName: TypeAlias = Literal[
    "throttle_position",
    "clutch_position",
    "front_brake_line_Pa",
    "rear_brake_line_Pa",
    "fork_travel_m",
    "shock_travel_m",
    "chain_torque_Nm",
]
"""Signals of the analogue sensors."""
SentenceName: TypeAlias = Literal["GGA", "RMC", "VTG", "GSA", "GST", "ZDA"]


class RobotMass(Closed):
    """The robot as a rigid body fixed to the main frame."""

    name: Name
    mass_kg: float = Field(ge=0, le=150)
    position_m: Position
    inertia_kg_m2: Vector

    @model_validator(mode="after")
    def _body_in_the_symmetry_plane(self) -> RobotMass:
        if self.position_m[1] != 0.0:
            raise wrong(
                f"expected 0 (mass centre in the bike's plane of symmetry), got {self.position_m[1]:g}",
                "position_m",
                1,
            )
        xx, yy, zz = self.inertia_kg_m2
        if min(xx, yy, zz) < 0 or max(xx, yy, zz) > (xx + yy + zz) / 2 * (1 + 1e-9):
            raise wrong(
                "expected principal moments of inertia of a body: none negative, none larger than the sum of "
                f"the other two, got [{xx:g}, {yy:g}, {zz:g}]",
                "inertia_kg_m2",
            )
        return self


class LoopbackBus(Closed):
    """Virtual CAN bus served on this host.

    ``bitrate``, if given, is the line it stands for: latencies and load are checked against it, and frames
    are sent as early as they would have to be there. The server carries them at once all the same.
    """

    kind: Literal["loopback"]
    host: Name = "127.0.0.1"
    port: Annotated[int, Field(ge=0, le=65535)] = 0  # 0: any free one
    bitrate: int | None = Field(default=None, ge=5_000, le=1_000_000)


class SocketcanBus(Closed):
    """A CAN interface of the Linux kernel.

    Bit rates are set outside; if ``bitrate`` is told here, latencies and load are checked against it, and
    each frame's time on the bus is part of its latency. With ``fd``, frames that the DBC makes CAN FD frames
    go out as such, with a switch to ``data_bitrate`` if that is told.
    """

    kind: Literal["socketcan"]
    channel: Name
    fd: bool = False
    bitrate: int | None = Field(default=None, ge=5_000, le=1_000_000)
    data_bitrate: int | None = Field(default=None, ge=5_000, le=8_000_000)

    @model_validator(mode="after")
    def _data_rate_of_fd(self) -> SocketcanBus:
        key, rate = "data_bitrate", self.data_bitrate
        if rate is not None and not self.fd:
            raise wrong("expected fd: true beside it: only CAN FD frames have a data bit rate", key)
        if rate is not None and self.bitrate is not None and rate < self.bitrate:
            raise wrong(f"expected at least the bit rate ({self.bitrate}), got {rate}", key)
        return self


class SerialBus(Closed):
    """A CAN adapter on a serial line (slcan)."""

    kind: Literal["serial"]
    device: Name
    bitrate: Literal[10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 750_000, 1_000_000] = 500_000
    tty_baud: int = Field(default=115_200, ge=1200, le=4_000_000)


Bus: TypeAlias = Annotated[LoopbackBus | SocketcanBus | SerialBus, Field(discriminator="kind")]


class PtyPort(Closed):
    """GNSS sentences on a pseudo terminal that the program creates; ``path`` is a link to it.

    ``baud``, if given, is the line it stands for: the sentences must fit it. They are not slowed down: all
    are there when the last byte would be.
    """

    kind: Literal["pty"]
    path: Name | None = None
    baud: Baud | None = None


class SerialPort(Closed):
    """GNSS sentences on a serial line."""

    kind: Literal["serial"]
    device: Name
    baud: Baud


class UdpPort(Closed):
    """GNSS sentences as UDP datagrams to a receiver."""

    kind: Literal["udp"]
    host: Name
    port: Port


class TcpPort(Closed):
    """GNSS sentences to every reader that connects here."""

    kind: Literal["tcp"]
    host: Name
    port: Annotated[int, Field(ge=0, le=65535)]


class PulsePerSecond(Closed):
    """A control line of a serial port, raised at each whole second of UTC, at the loop's next tick (1 ms)."""

    device: Name
    line: Literal["rts", "dtr"]
    width_ms: int = Field(default=100, ge=1, le=900)


GnssPort: TypeAlias = Annotated[PtyPort | SerialPort | UdpPort | TcpPort, Field(discriminator="kind")]


class Output(Closed):
    """How often a frame is sent and how old its content is when it arrives.

    Where the bus's bit rate is not told, handed to the bus counts as arrived.

    ``absent``: signals of it that are sent as "not available", because the bench has the real ones.
    """

    rate_hz: float = Field(ge=0.001, le=1000)
    latency_ms: float = Field(ge=0, le=1000)
    jitter_ms: float = Field(default=0.0, ge=0, le=1000)
    absent: tuple[Name, ...] = ()

    @model_validator(mode="after")
    def _in_order(self) -> Output:
        return _jitter_within_period(self)


class Imu(InertialUnit):
    """The inertial unit where it is bolted to the main frame.

    Attitude is [roll, pitch, yaw] of the unit's axes in the main frame, yaw first; misalignment, small, comes
    on top and is nobody's to know. Signals are along the unit's axes.
    """

    position_m: Position
    attitude_deg: tuple[Angle, Angle, Angle] = (0.0, 0.0, 0.0)
    misalignment_rad: SmallAngles = (0.0, 0.0, 0.0)


class ComputedLean(Closed):
    """Lean from gyros, accelerometers and front wheel speed (emulator.sensors.lean); biases in its own axes.

    Mounted turned by ``mounting_rad`` (roll, pitch, yaw). ``crown_radius_m`` of the tread's section and
    ``rolling_radius_m`` are what it was told of the front tyre; without the latter it was told the truth.
    """

    position_m: Position
    mounting_rad: tuple[MountingAngle, MountingAngle, MountingAngle] = (0.0, 0.0, 0.0)
    rate_noise_density_rad_s_sqrtHz: Noise = 0.0
    rate_bias_rad_s: Vector = (0.0, 0.0, 0.0)
    force_noise_density_m_s2_sqrtHz: Noise = 0.0
    force_bias_m_s2: Vector = (0.0, 0.0, 0.0)
    reference_time_constant_ms: float = Field(ge=10, le=600_000)
    crown_radius_m: float = Field(default=0.0, ge=0, le=0.3)
    rolling_radius_m: float | None = Field(default=None, ge=0.05, le=1)


class LeanSensor(Closed):
    """Lean through a first-order lag: the true roll, or with ``computed`` what a sensor makes of it."""

    noise_rad: float = Field(default=0.0, ge=0, le=1)
    time_constant_ms: TimeConstant = 0.0
    computed: ComputedLean | None = None


class ToneRing(Closed):
    """Toothed rings, pick-ups and edge timer of both wheels (emulator.sensors.wheel_speed).

    Averaged over at most ``averaging_edges`` intervals and ``averaging_ms``; without both, the last interval.
    Radii not given are those of the tyres. Pitch error is one sigma of a tooth's place in % of the pitch,
    eccentricity the offset of the ring's centre in % of its radius.
    """

    teeth_front: int = Field(ge=2, le=256)
    teeth_rear: int = Field(ge=2, le=256)
    pitch_error_pct: float = Field(default=0.0, ge=0, le=10)
    eccentricity_pct: float = Field(default=0.0, ge=0, le=10)
    averaging_edges: int | None = Field(default=None, ge=1, le=256)
    averaging_ms: float | None = Field(default=None, gt=0, le=1000)
    timeout_ms: float = Field(default=100.0, ge=1, le=5000)
    timer_resolution_ns: int = Field(default=1000, ge=1, le=1_000_000)
    resolution_m_s: float = Field(default=0.0, ge=0, le=1)
    rolling_radius_front_m: float | None = Field(default=None, ge=0.05, le=1)
    rolling_radius_rear_m: float | None = Field(default=None, ge=0.05, le=1)

    @model_validator(mode="after")
    def _whole_steps_a_second(self) -> ToneRing:
        # Rides start on a whole second of the loop's time: the timer has to stand the same then.
        if 1_000_000_000 % self.timer_resolution_ns:
            raise wrong(
                "expected a divisor of 1000000000 ns, or a ride's edge times would depend on when it starts, "
                f"got {self.timer_resolution_ns}",
                "timer_resolution_ns",
            )
        return self


class WheelSpeedSensor(Closed):
    """Wheel speed times nominal radius; below ``lowest_speed_m_s`` the sensor reads zero.

    With a tone ring, noise and lowest speed follow from it and are not given.
    """

    noise_m_s: float = Field(default=0.0, ge=0, le=10)
    lowest_speed_m_s: float = Field(default=0.0, ge=0, le=10)
    tone_ring: ToneRing | None = None

    @model_validator(mode="after")
    def _one_model(self) -> WheelSpeedSensor:
        for key in ("noise_m_s", "lowest_speed_m_s"):
            if self.tone_ring is not None and key in self.model_fields_set:
                raise wrong("expected no such key beside tone_ring, which it follows from: leave it out", key)
        return self


class ForkAngleSensor(Closed):
    """Steering angle at the fork."""

    noise_rad: float = Field(default=0.0, ge=0, le=1)


class AnalogueSensor(Closed):
    """One sensor as in ``sensors.analogue.Analogue``; noise, resolution and range in its signal's unit."""

    noise: float = Field(default=0.0, ge=0, le=1e7)
    time_constant_ms: TimeConstant = 0.0
    resolution: float = Field(default=0.0, ge=0, le=1e7)
    range: tuple[float, float] | None = None

    @model_validator(mode="after")
    def _a_range(self) -> AnalogueSensor:
        if self.range is not None and self.range[0] >= self.range[1]:
            raise wrong(f"expected its lower end first, got [{self.range[0]:g}, {self.range[1]:g}]", "range")
        return self


class GnssAccuracy(Closed):
    """Errors with one kind of fix as in ``sensors.gnss.Accuracy``; what is left out is as usual there."""

    drift_m: Noise | None = None
    drift_height_m: Noise | None = None
    correlation_time_s: Annotated[float, Field(ge=0, le=100_000)] | None = None
    noise_m: Noise | None = None
    noise_height_m: Noise | None = None
    velocity_m_s: Noise | None = None


class Gnss(Closed):
    """GNSS receiver. Position noise is one sigma on each of east and north.

    Its errors are either white noise of one size, the ``..._noise_...`` keys, or ``accuracy``: drift and
    noise by kind of fix; an empty one takes the usual values of all. ``course_noise_rad`` comes on top of
    what the velocity's noise does to the course. Without ``vdop`` 1.5 times ``hdop`` is said (common
    practice, no source). Satellites, dilutions, fix and errors are those without events of the scenario;
    ``latency_ms`` is the age of an epoch when its last byte has arrived. ``reacquisition_s`` are the times
    from an outage's end until there is a fix of each kind, up to ``fix``; one whose time is that of a better
    one is left out. Corrections come every second, and are ``corrections_age_s`` old by then.
    """

    rate_hz: float = Field(ge=1, le=25)
    latency_ms: float = Field(ge=0, le=1000)
    jitter_ms: float = Field(default=0.0, ge=0, le=1000)
    antenna_position_m: Position
    position_noise_m: Noise = 0.0
    height_noise_m: Noise = 0.0
    speed_noise_m_s: Noise = 0.0
    course_noise_rad: float = Field(default=0.0, ge=0, le=1)
    course_from_m_s: float = Field(default=0.3, ge=0, le=10)  # no course below
    accuracy: dict[Fix, GnssAccuracy] | None = None
    sentences: Annotated[tuple[SentenceName, ...], Field(min_length=1)] = ("GGA", "RMC", "VTG")
    satellites: int = Field(default=12, ge=FOR_A_FIX, le=99)
    hdop: float = Field(default=0.8, ge=0.1, le=99)
    vdop: float | None = Field(default=None, ge=0.1, le=99)
    fix: Fix = "fixed"
    reacquisition_s: dict[Fix, Wait] | None = None
    corrections_age_s: float = Field(default=0.5, ge=0, le=60)
    corrections_station: int = Field(default=1, ge=0, le=1023)

    @model_validator(mode="after")
    def _in_order(self) -> Gnss:
        return _jitter_within_period(self)

    @model_validator(mode="after")
    def _one_way_to_say_errors(self) -> Gnss:
        for key in ("position_noise_m", "height_noise_m", "speed_noise_m_s"):
            if self.accuracy is not None and key in self.model_fields_set:
                raise wrong("expected either this key or accuracy, which says the same by fix; drop one", key)
        return self

    @model_validator(mode="after")
    def _fixes_come_in_order(self) -> Gnss:
        names, times = tuple(USUAL_REACQUISITION_s), self.reacquisition_times_s
        for i in range(1, len(times)):
            if times[i] < times[i - 1]:
                given = names[i] if names[i] in (self.reacquisition_s or {}) else names[i - 1]
                raise wrong(
                    "expected times that do not fall from single over differential and float to fixed, got "
                    f"{times[i - 1]:g} s for {names[i - 1]} and {times[i]:g} s for {names[i]}",
                    "reacquisition_s",
                    given,
                )
        return self

    @model_validator(mode="after")
    def _satellites_for_the_fix(self) -> Gnss:
        if self.fix in ("float", "fixed") and self.satellites < FOR_CARRIER:
            raise wrong(
                f"expected at least {FOR_CARRIER}, which a fix from carrier phase takes (fix: {self.fix}), "
                f"got {self.satellites}",
                "satellites",
            )
        return self

    @model_validator(mode="after")
    def _each_sentence_once(self) -> Gnss:
        for i, name in enumerate(self.sentences):
            if name in self.sentences[:i]:
                raise wrong(f"expected each sentence once, got {name} again", "sentences", i)
        return self

    @property
    def reacquisition_times_s(self) -> tuple[float, ...]:
        """Of single, differential, float and fixed; one not given is usual, but not before the one below."""
        given: dict[str, float] = {str(name): time for name, time in (self.reacquisition_s or {}).items()}
        times: list[float] = []
        for name, usual in USUAL_REACQUISITION_s.items():
            times.append(given.get(name, max(usual, *times[-1:], 0.0)))
        return tuple(times)

    @property
    def usual_vdop(self) -> float:
        """Vertical dilution, given or usual."""
        return 1.5 * self.hdop if self.vdop is None else self.vdop


class Sensors(Closed):
    """Every sensor of the bike; analogue ones that are left out show the truth."""

    imu: Imu
    lean: LeanSensor
    wheel_speed: WheelSpeedSensor
    fork_angle: ForkAngleSensor
    gnss: Gnss
    analogue: dict[AnalogueName, AnalogueSensor] = Field(default_factory=dict)


class SteeringActuator(Closed):
    """Torque at the steering head."""

    time_constant_ms: TimeConstant
    limit_Nm: float = Field(gt=0, le=300)
    rate_limit_Nm_s: float = Field(gt=0, le=100_000)


class LeverActuator(Closed):
    """Throttle or clutch, 0 to 1."""

    time_constant_ms: TimeConstant


class BrakeActuator(Closed):
    """Pressure in one brake line."""

    time_constant_ms: TimeConstant
    limit_bar: float = Field(gt=0, le=200)


class Actuators(Closed):
    """Between what the robot asks and what acts on the bike."""

    steering: SteeringActuator
    throttle: LeverActuator
    front_brake: BrakeActuator
    rear_brake: BrakeActuator
    clutch: LeverActuator


class Limits(Closed):
    """When the rig trips, and how it goes to rest."""

    heartbeat_timeout_ms: float = Field(gt=0, le=10_000)
    command_timeout_ms: float = Field(gt=0, le=10_000)
    overrun_limit_ms: float = Field(gt=0, le=10_000)
    ramp_to_rest_s: float = Field(gt=0, le=60)
    arming_timeout_s: Seconds
    permissive_timeout_ms: float = Field(default=100.0, gt=0, le=10_000)
    divergence_speed_km_h: float = Field(default=450.0, gt=0, le=1000)
    divergence_rate_rad_s: float = Field(default=60.0, gt=0, le=1000)


class CommandMonitor(Closed):
    """A command beyond its actuator for longer than ``for_ms``: a trip, or only an event in the record."""

    for_ms: float = Field(gt=0, le=10_000)
    then: Literal["trip", "event"] = "trip"


class AngleMonitor(CommandMonitor):
    """An angle from the robot further off the plant's than ``within_rad`` for longer than ``for_ms``."""

    within_rad: float = Field(gt=0, le=1)


class SpeedMonitor(CommandMonitor):
    """A speed from the robot further off the plant's than ``within_m_s`` for longer than ``for_ms``."""

    within_m_s: float = Field(gt=0, le=100)


class Monitors(Closed):
    """Plausibility of what the robot sends (emulator.plant.plausibility); what is left out is not watched.

    Bounds have to leave room for the age of what the robot measures. A measurement that is watched and never
    comes is beyond any bound.
    """

    command_limit: CommandMonitor | None = None
    command_rate: CommandMonitor | None = None
    steering_angle: AngleMonitor | None = None
    lean_estimate: AngleMonitor | None = None
    speed_estimate: SpeedMonitor | None = None


BusAnswer: TypeAlias = Literal["trip", "mark", "note"]


class BusFaults(Closed):
    """What the rig does about faults of its CAN bus (emulator.loop.bus_watch) while armed or running.

    trip: it trips, the signals go to rest. mark: the ride goes on, its verdict is invalid. note: told in
    events and certificate only.
    """

    bus_off: BusAnswer = "trip"
    interface_down: BusAnswer = "trip"
    transmit_full: BusAnswer = "mark"
    error_frames: BusAnswer = "mark"
    error_frames_per_s: float = Field(default=10.0, ge=0, le=100_000)  # so many are still no fault
    flood: BusAnswer = "mark"
    frames_per_s: float = Field(default=10_000.0, gt=0, le=1_000_000)  # received; so many are still no flood
    own_identifier: BusAnswer = "trip"
    receive_lost: BusAnswer = "mark"


class TimingTolerances(Closed):
    """What the timing certificate must keep; outside, the verdict is invalid."""

    rate_ppm: float = Field(gt=0, le=1_000_000)
    age_p99_ms: float = Field(gt=0, le=1000)
    lost_frames: int = Field(ge=0, le=1_000_000)


class LoopHost(Closed):
    """How the loop process runs on its host."""

    cpu: Cpu = "auto"
    priority: int = Field(default=80, ge=0, le=99)  # 0: ordinary scheduling
    lock_memory: bool = True
    spin_us: float = Field(default=100.0, ge=0, le=900)


def _topic(text: str) -> str:
    if not text or text.startswith("/") or text.endswith("/") or any(c in text for c in "#+$ \0"):
        raise wrong("expected the beginning of MQTT topics, such as bench/1, without # + $ or blanks")
    return text


class MqttTelemetry(Closed):
    """What is told to an MQTT broker, and whether commands are taken from there (emulator.telemetry).

    Secrets are read from files, the password's and the key of the commands. ``ca_file`` asks for TLS.
    """

    kind: Literal["mqtt"]
    host: Name
    port: Port = 1883
    topic: Annotated[str, AfterValidator(_topic)] = "bench"
    rate_hz: float = Field(default=10.0, ge=0.1, le=50)
    signals: tuple[RecordedSignal, ...] = (
        "line.station_m",
        "truth.speed_m_s",
        "truth.roll_rad",
        "line.offset_m",
    )
    username: Name | None = None
    password_file: FileName | None = None
    ca_file: FileName | None = None
    commands: bool = False
    command_key_file: FileName | None = None
    go: bool = False  # whether a hold from afar may be released from afar
    events: bool = False  # whether events that wait to be asked for may be asked for from afar

    @model_validator(mode="after")
    def _commands_are_signed_in(self) -> MqttTelemetry:
        if self.password_file is not None and self.username is None:
            raise wrong("missing key 'username': a password is that of somebody")
        for key in ("username", "password_file", "command_key_file"):
            if self.commands and getattr(self, key) is None:
                raise wrong(
                    f"missing key {key!r}: commands are taken only signed in and with a key", "commands"
                )
        for key in ("go", "events"):
            if getattr(self, key) and not self.commands:
                raise wrong("expected commands: true beside it, without which none is taken", key)
        return self


class DeviceUnderTest(Closed):
    """Who rides: our reference robot in a process of its own, or something outside that joins the bus.

    ``estimate_age_ms``: how old the robot's estimate of its place is when its frame is taken, for the
    comparison with the truth; one tick for a robot that sends what it knows of now. ``periods_ms``: how often
    it sends each of its frames, for the bus budget; those left out as often as the reference robot.
    """

    kind: Literal["reference", "external"]
    cpu: Cpu = "auto"
    estimate_age_ms: float = Field(default=1.0, ge=0, le=1000)
    periods_ms: dict[CommandFrame, Annotated[float, Field(ge=0.5, le=10_000)]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _ours_keeps_its_own(self) -> DeviceUnderTest:
        if self.kind == "reference" and self.periods_ms:
            raise wrong("expected no such key: the reference robot's periods are its own", "periods_ms")
        return self


class Rig(Closed):
    """One bench."""

    kind: Literal["rig"]
    name: Name
    purpose: Name | None = None
    vehicle: FileName
    robot: RobotMass
    steering: Literal["torque_driven", "angle_driven"]
    dbc: FileName
    bus: Bus
    gnss_port: GnssPort
    pulse_per_second: PulsePerSecond | None = None
    outputs: dict[FrameName, Output]
    sensors: Sensors
    actuators: Actuators
    limits: Limits
    permissives: tuple[PermissiveName, ...] = ()
    monitors: Monitors = Monitors()
    bus_faults: BusFaults = BusFaults()
    timing: TimingTolerances
    loop: LoopHost = LoopHost()
    telemetry: MqttTelemetry | None = None
    device_under_test: DeviceUnderTest

    @model_validator(mode="after")
    def _marked_as_emulated(self) -> Rig:
        if "emulator_state" not in self.outputs:
            raise wrong(
                "missing key 'emulator_state': it marks the signals as emulated and is always sent", "outputs"
            )
        return self

    @model_validator(mode="after")
    def _each_permissive_once(self) -> Rig:
        for i, name in enumerate(self.permissives):
            if name in self.permissives[:i]:
                raise wrong(f"expected each permissive once, got {name} again", "permissives", i)
        return self

    @model_validator(mode="after")
    def _two_steering_angles(self) -> Rig:
        if self.monitors.steering_angle is not None and self.steering == "angle_driven":
            raise wrong(
                "expected no such key where steering is angle_driven: the plant's angle is the measured one",
                "monitors",
                "steering_angle",
            )
        return self

    @model_validator(mode="after")
    def _sentences_fit_the_line(self) -> Rig:
        gnss, baud = self.sensors.gnss, getattr(self.gnss_port, "baud", None)
        if baud is not None:
            needed_ms, period_ms = burst_seconds(gnss.sentences, baud) * 1e3, 1e3 / gnss.rate_hz
            if needed_ms > period_ms:
                raise wrong(
                    f"expected a line where an epoch fits its period of {period_ms:g} ms, got {baud} baud, "
                    f"and {', '.join(gnss.sentences)} take up to {needed_ms:.1f} ms; raise it or send less "
                    "(sensors.gnss: rate_hz, sentences)",
                    "gnss_port",
                    "baud",
                )
            if needed_ms > gnss.latency_ms:
                least_ms = math.ceil(needed_ms * 10.0) / 10.0
                raise wrong(
                    f"expected at least {least_ms:g} ms, which {', '.join(gnss.sentences)} "
                    f"can take at {baud} baud (gnss_port): it is the age at their last byte, "
                    f"got {gnss.latency_ms:g}",
                    "sensors",
                    "gnss",
                    "latency_ms",
                )
        return self

    @model_validator(mode="after")
    def _pulse_has_a_port_of_its_own(self) -> Rig:
        pulse, port = self.pulse_per_second, self.gnss_port
        for user, device in (("gnss_port", port), ("bus", self.bus)):
            if pulse is not None and getattr(device, "device", None) == pulse.device:
                raise wrong(
                    f"expected another port than that of {user}, which is opened for itself alone, "
                    f"got {pulse.device}",
                    "pulse_per_second",
                    "device",
                )
        return self

    @model_validator(mode="after")
    def _reference_robot_gets_what_it_reads(self) -> Rig:
        for name in ("GGA", "RMC"):
            if self.device_under_test.kind == "reference" and name not in self.sensors.gnss.sentences:
                raise wrong(
                    f"expected {name} among them: the reference robot finds its way by GGA and RMC",
                    "sensors",
                    "gnss",
                    "sentences",
                )
        return self

    @model_validator(mode="after")
    def _pulses_have_a_ring(self) -> Rig:
        for name in ("wheel_pulses_front", "wheel_pulses_rear"):
            if name in self.outputs and self.sensors.wheel_speed.tone_ring is None:
                raise wrong("expected sensors.wheel_speed.tone_ring: pulses are its edges", "outputs", name)
        return self


_Timed = TypeVar("_Timed", Output, Gnss)


def _jitter_within_period(output: _Timed) -> _Timed:
    period_ms = 1000.0 / output.rate_hz
    if output.jitter_ms >= period_ms:
        raise wrong(
            f"expected less than the period of {period_ms:g} ms, or samples overtake each other, "
            f"got {output.jitter_ms:g}",
            "jitter_ms",
        )
    return output


def load_rig(path: str | os.PathLike[str]) -> tuple[Rig, Source]:
    """Read a rig file. Raises ConfigError; also when the vehicle or DBC file it names is not there.

    The files it names are checked to exist, not read: ``vehicle_path``, ``dbc_path`` say where they are.
    """
    source = load_with_bases(path)
    rig = validate(Rig, source)
    problems = [
        source.problem((key,), f"no such file: {file} (paths are relative to this file)")
        for key, file in (("vehicle", vehicle_path(rig, source)), ("dbc", dbc_path(rig, source)))
        if not os.path.isfile(file)
    ]
    if problems:
        raise ConfigError(problems)
    return rig, source


def frames_of(rig: Rig) -> list[str]:
    """Frames of the DBC that a rig uses: outputs, the robot's, the bench's inputs if it asks for them."""
    return [*rig.outputs, *COMMAND_FRAMES, *([INPUT_FRAME] if rig.permissives else [])]


def vehicle_path(rig: Rig, source: Source) -> str:
    """The vehicle file of a rig."""
    return beside(source.file_of(("vehicle",)), rig.vehicle)


def carries_fd(rig: Rig) -> bool:
    """Whether CAN FD frames go over the rig's bus."""
    return isinstance(rig.bus, SocketcanBus) and rig.bus.fd


def dbc_path(rig: Rig, source: Source) -> str:
    """The DBC file of a rig."""
    return beside(source.file_of(("dbc",)), rig.dbc)


def telemetry_path(source: Source, name: str) -> str:
    """A file that ``telemetry`` of a rig names: of a password, of certificates."""
    key = next((key for key, value in source.data["telemetry"].items() if value == name), "")
    return beside(source.file_of(("telemetry", key)), name)
