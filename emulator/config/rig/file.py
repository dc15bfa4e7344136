"""The rig file: one bench as configured. Units stand in the keys; the models only hold and bound them.

Bounds are what the program can work with or what no bench has; they are common practice, no source.
"""

from __future__ import annotations

import math
import os
from typing import Annotated, ClassVar, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.based_on import File, source_of
from emulator.config.field_types import FileName, Name, Position, Vector
from emulator.config.rig.buses import Bus, BusFaults, SocketcanBus
from emulator.config.rig.gnss import Gnss
from emulator.config.rig.limits import Actuators, Limits, Monitors, TimingTolerances
from emulator.config.rig.names.own_names import OwnFrame
from emulator.config.rig.outputs import (
    COMMAND_FRAMES,
    GNSS_OUTPUT,
    INPUT_FRAME,
    CommandFrame,
    LocalEnable,
    Output,
    PermissiveName,
    Rehearsal,
)
from emulator.config.rig.ports import GnssPort, PulsePerSecond
from emulator.config.rig.sensors import (
    AnalogueName,
    AnalogueSensor,
    Imu,
    LeanSensor,
    SteeringAngleSensor,
    WheelSpeedSensor,
)
from emulator.config.rig.shown.console import Console
from emulator.config.rig.shown.telemetry import MqttTelemetry
from emulator.config.software.stepped_robot import SteppedRobot
from emulator.config.validation import Closed, missing, validate, wrong
from emulator.config.vehicle.electronics import BRAKES, THROTTLES, Electronics
from emulator.config.yaml_source import Source, beside
from emulator.core.errors import ConfigError
from emulator.vehicle.electronics.parameters import SHARED
from emulator.wire.nmea import burst_seconds

Cpu: TypeAlias = Annotated[int, Field(ge=0, le=1023)] | Literal["auto"]
"""CPU number, or auto: the program chooses."""


class RobotMass(Closed):
    """The robot as a rigid body on the main frame: fixed, unless the vehicle says how its mount gives."""

    name: Name
    """What the robot is called in reports."""
    mass_kg: float = Field(ge=0, le=150)
    """Mass of the robot."""
    position_m: Position
    """Its mass centre in the main frame: forward of the rear contact, left (0), above the ground."""
    inertia_kg_m2: Vector
    """Its moments of inertia about x, y and z through the mass centre."""

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


class Sensors(Closed):
    """Every sensor of the bike."""

    former_keys: ClassVar = {"fork_angle": "steering_angle"}

    imu: Imu
    """Inertial unit: rates and specific force, three axes each."""
    lean: LeanSensor
    """Lean sensor of the frame lean."""
    wheel_speed: WheelSpeedSensor
    """Wheel speed sensors, front and rear."""
    steering_angle: SteeringAngleSensor
    """Steering angle sensor at the fork."""
    gnss: Gnss
    """GNSS receiver and its antenna."""
    analogue: dict[AnalogueName, AnalogueSensor] = Field(default_factory=dict)
    """Sensors of one value (levers, pressures, travel, chain torque) by their signal. Left out: they show the
    truth."""


class LoopHost(Closed):
    """How the loop process runs on its host."""

    cpu: Cpu = "auto"
    """Core the loop runs on, counted from 0; auto: the program chooses."""
    priority: int = Field(default=80, ge=0, le=99)
    """Real-time priority of the loop; 0 for ordinary scheduling."""
    lock_memory: bool = True
    """Whether its memory is kept from being swapped out."""
    spin_us: float = Field(default=100.0, ge=0, le=800)
    """How long before each deadline it is awake and waits by spinning, which hides later wake-ups at the
    price of processor time. With 0 the virtual bus does not wait awake for its frames either."""
    idle_exit_us: int | None = Field(default=0, ge=0, le=2_000_000)
    """Longest that this host's cores may take to come back from idling while the loop lives: 0 keeps them
    awake, which takes power and heats; null leaves them as the host has them."""


class GainShares(Closed):
    """The reference robot's balance gains as shares of those it is designed with; 1 as designed.

    For a robot that is worse on purpose: to see whether a campaign finds it, and where.
    """

    roll: float = Field(default=1.0, ge=0, le=10)
    """[1] Of the torque (or the fork's angle) for a roll error, its sum over time included."""
    steer: float = Field(default=1.0, ge=0, le=10)
    """[1] Of that for an error of the steering angle."""
    roll_rate: float = Field(default=1.0, ge=0, le=10)
    """[1] Of that for an error of the roll rate."""
    yaw_rate: float = Field(default=1.0, ge=0, le=10)
    """[1] Of that for an error of the yaw rate."""
    steer_rate: float = Field(default=1.0, ge=0, le=10)
    """[1] Of that for the rate of the steering angle."""

    @property
    def shares(self) -> tuple[float, ...]:
        """In the order of the deviations that are fed back (emulator.robot.linear_loop.FED_BACK)."""
        return self.roll, self.steer, self.roll_rate, self.yaw_rate, self.steer_rate


class DeviceUnderTest(Closed):
    """Who rides: our reference robot in a process of its own, or something outside that joins the bus."""

    kind: Literal["reference", "external"]
    """reference: our robot rides, in a process of its own; external: yours, which joins the bus."""
    cpu: Cpu = "auto"
    """Core the reference robot runs on, counted from 0; auto: the program chooses."""
    gains: GainShares = GainShares()
    """Shares of the reference robot's balance gains. Left out: as designed."""
    estimate_age_ms: float = Field(default=1.0, ge=0, le=1000)
    """How old the robot's estimate of its position is when its frame is taken; one tick for a robot that
    sends what it knows of now."""
    periods_ms: dict[CommandFrame, Annotated[float, Field(ge=0.5, le=10_000)]] = Field(default_factory=dict)
    """From one frame of an external robot to the next, by frame, for the bus's load and the time-outs. Left
    out: as the reference robot's."""
    virtual: SteppedRobot | None = None
    """Software of your robot that rides in the virtual stage, step by step. Left out: the reference robot
    rides there, too; where kind is external, nobody does."""

    @model_validator(mode="after")
    def _ours_keeps_its_own(self) -> DeviceUnderTest:
        if self.kind == "reference" and self.periods_ms:
            raise wrong("expected no such key: the reference robot's periods are its own", "periods_ms")
        if self.gains != GainShares() and (self.kind != "reference" or self.virtual is not None):
            raise wrong(
                "expected no such key: these are the reference robot's, and another one rides", "gains"
            )
        return self


class Rig(Closed):
    """One bench: what it is connected to, what it sends, how late, how wrong, and when it stops."""

    elsewhere: ClassVar = {
        "virtual": "the software that rides the virtual stage is named at device_under_test.virtual"
    }

    kind: Literal["rig"]
    name: Name
    """What the bench is called in reports."""
    purpose: Name | None = None
    """What the bench is for, in one line. Left out: nothing is said."""
    vehicle: FileName
    """The vehicle file; path from this file."""
    robot: RobotMass
    """The robot as a mass on the bike."""
    steering: Literal["torque_driven", "angle_driven"]
    """torque_driven: the plant answers a torque; angle_driven: a fork's measured angle is imposed, and the
    reaction torque comes out."""
    dbc: FileName
    """The DBC with all frames of the bus; path from this file."""
    own_names: dict[Name, OwnFrame] = Field(default_factory=dict)
    """Frames that have other names, units or protection in the DBC, by ours. With any here, a frame of the
    robot that is neither here nor in the DBC is not taken. Left out: the DBC has all our names."""
    bus: Bus
    """The CAN bus between robot and bench."""
    gnss_port: GnssPort
    """Where the GNSS sentences go."""
    pulse_per_second: PulsePerSecond | None = None
    """A pulse at each whole second of UTC. Left out: there is none."""
    outputs: dict[Name, Output]
    """Frames of the DBC that are sent, by name; emulator_state has to be among them."""
    sensors: Sensors
    """The sensors as their devices are described."""
    actuators: Actuators
    """What lies between the robot's commands and the bike."""
    electronics: Electronics = Electronics()
    """The bike's own electronics. Left out: all of them are off."""
    limits: Limits
    """When the rig trips, and how it goes to rest."""
    permissives: tuple[PermissiveName, ...] = ()
    """Inputs of the bench (frame bench_inputs) without which nothing leaves standby and nothing goes on."""
    local_enable: LocalEnable = "terminal"
    """What arms each ride of this bench. terminal: its start at the terminal, and with a live page Enter
    there; enable_pressed: a button beside the robot, an input of frame bench_inputs, pressed (1) after it was
    seen released (0)."""
    monitors: Monitors = Monitors()
    """Plausibility of what the robot sends. Left out: only a command beyond its actuator is told."""
    bus_faults: BusFaults = BusFaults()
    """What a fault of the real bus does. Left out: the answers that stand at its keys."""
    timing: TimingTolerances
    """What the timing certificate must keep for a run to count."""
    loop: LoopHost = LoopHost()
    """How the 1 kHz loop runs on this machine. Left out: as stands at its keys."""
    telemetry: MqttTelemetry | None = None
    """A broker that is told of the run. Left out: nobody is told."""
    console: Console | None = None
    """The live page of a ride. Left out: on this machine alone, as stands at its keys."""
    record: Literal["whole", "thin"] = "whole"
    """How much is kept of a run once it is judged and its report written. whole: all of it; thin: all that
    reached the plant, events and GNSS sentences, of the signals one row in 20, no frames of the bus. A replay
    makes the whole record again."""
    device_under_test: DeviceUnderTest
    """What rides: our reference robot, or yours."""
    rehearsal: Rehearsal = Rehearsal()
    """How the robot is gone through before its first ride. Left out: as stands at its keys, and a person at
    the terminal is asked."""

    @model_validator(mode="after")
    def _marked_as_emulated(self) -> Rig:
        if "emulator_state" not in self.outputs:
            raise missing("'emulator_state': it marks the signals as emulated and is always sent", "outputs")
        return self

    @model_validator(mode="after")
    def _noticed_what_is_sent(self) -> Rig:
        for i, name in enumerate(self.rehearsal.notices):
            if name not in (*self.outputs, GNSS_OUTPUT):
                raise wrong(
                    f"expected an output ({', '.join(self.outputs)}) or {GNSS_OUTPUT}, got {name!r}",
                    "rehearsal",
                    "notices",
                    i,
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
    def _fork_of_an_angle(self) -> Rig:
        for key in ("fork", "load_motor"):
            if getattr(self.actuators, key) is not None and self.steering != "angle_driven":
                raise wrong(
                    "expected no such key where steering is torque_driven: no angle is imposed",
                    "actuators",
                    key,
                )
        return self

    @model_validator(mode="after")
    def _units_count_edges(self) -> Rig:
        for name in self.electronics.modelled:
            if name in SHARED and self.sensors.wheel_speed.tone_ring is None:
                raise wrong(
                    "expected sensors.wheel_speed.tone_ring beside it where it is modelled: it counts the "
                    "edges of these rings",
                    "electronics",
                    name,
                )
        return self

    @model_validator(mode="after")
    def _real_units_are_measured(self) -> Rig:
        for name in self.electronics.real:
            if self.device_under_test.kind == "reference":
                raise wrong(
                    "expected off or modelled where the reference robot rides: it has no unit to measure at; "
                    "or device_under_test: {kind: external}",
                    "electronics",
                    name,
                )
            behind = THROTTLES if name in THROTTLES else BRAKES
            for other in self.electronics.modelled:
                if other in behind:
                    raise wrong(
                        f"expected off or real where {name} is real: what is measured is behind both",
                        "electronics",
                        other,
                    )
            for key in ("throttle",) if name in THROTTLES else ("front_brake", "rear_brake"):
                lag = getattr(self.actuators, key).time_constant_ms
                if lag > 0.0:
                    raise wrong(
                        f"expected 0 where electronics.{name} is real: what is measured behind it has its "
                        f"lag already, got {lag:g}",
                        "actuators",
                        key,
                        "time_constant_ms",
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


def load_rig(path: File) -> tuple[Rig, Source]:
    """Read a rig file. Raises ConfigError; also when the vehicle or DBC file it names is not there.

    The files it names are checked to exist, not read: ``vehicle_path``, ``dbc_path`` say where they are.
    """
    source = source_of(path, Rig)
    rig = validate(Rig, source)
    problems = [
        source.problem((key,), f"no such file: {file} (paths are relative to this file)")
        for key, file in (("vehicle", vehicle_path(rig, source)), ("dbc", dbc_path(rig, source)))
        if not os.path.exists(file)
    ]
    if problems:
        raise ConfigError(problems)
    return rig, source


def frames_of(rig: Rig) -> list[str]:
    """Frames of the DBC that a rig uses: outputs, the robot's, the bench's inputs if it asks for them."""
    return [*rig.outputs, *COMMAND_FRAMES, *([INPUT_FRAME] if inputs_of(rig) else [])]


def inputs_of(rig: Rig) -> tuple[str, ...]:
    """Signals of frame bench_inputs that a rig asks for."""
    return (*rig.permissives, *((rig.local_enable,) if rig.local_enable != "terminal" else ()))


def vehicle_path(rig: Rig, source: Source) -> str:
    """The vehicle file of a rig."""
    return beside(source.file_of(("vehicle",)), rig.vehicle)


def carries_fd(rig: Rig) -> bool:
    """Whether CAN FD frames go over the rig's bus."""
    return isinstance(rig.bus, SocketcanBus) and rig.bus.fd


def dbc_path(rig: Rig, source: Source) -> str:
    """The DBC file of a rig."""
    return beside(source.file_of(("dbc",)), rig.dbc)
