"""The rig's limits: actuators, time-outs, monitors, what the timing certificate must keep."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from emulator.config.field_types import Seconds, TimeConstant
from emulator.config.validation import Closed


class SteeringActuator(Closed):
    """Torque at the steering head."""

    time_constant_ms: TimeConstant
    """Time constant of its first-order lag; 0 for none."""
    limit_Nm: float = Field(gt=0, le=300)
    """Most torque about the steering axis, to either side."""
    rate_limit_Nm_s: float = Field(gt=0, le=100_000)
    """Fastest change of the torque, either way."""
    free_play_Nm: float = Field(default=0.0, ge=0, le=100)
    """Free play between command and torque, from one flank to the other."""


class ForkStandIn(Closed):
    """A fork that the bench has not: the robot's steering angle is a command, which it follows."""

    time_constant_ms: TimeConstant
    """Time constant of its position control, a first-order lag; 0 for none."""
    rate_limit_rad_s: float = Field(gt=0, le=100)
    """Fastest it turns, either way."""
    resolution_rad: float = Field(default=0.0, ge=0, le=0.1)
    """Step of its angle sensor; 0 for none."""


class LoadMotor(Closed):
    """A motor at the fork that makes the reaction torque felt."""

    limit_Nm: float = Field(gt=0, le=300)
    """Most torque that is asked of it, to either side."""


class LeverActuator(Closed):
    """Throttle or clutch, 0 to 1."""

    time_constant_ms: TimeConstant
    """Time constant of its first-order lag; 0 for none."""
    free_play: float = Field(default=0.0, ge=0, le=0.5)
    """[1] Free play between command and lever, from one flank to the other."""


class BrakeActuator(Closed):
    """Pressure in one brake line."""

    time_constant_ms: TimeConstant
    """Time constant of its first-order lag; 0 for none."""
    limit_bar: float = Field(gt=0, le=200)
    """Most pressure in the line."""
    free_play_bar: float = Field(default=0.0, ge=0, le=100)
    """Free play between command and pressure, from one flank to the other."""


class Actuators(Closed):
    """Between what the robot asks and what acts on the bike."""

    steering: SteeringActuator
    """Steering actuator, a torque about the steering axis. Does nothing where steering is angle_driven."""
    fork: ForkStandIn | None = None
    """Stand-in for the real fork of a rig whose steering is angle_driven. Left out: the angle of the real one
    comes, as the bench measures it."""
    load_motor: LoadMotor | None = None
    """Motor that pulls at the fork with the reaction torque. Left out: only the frame limits what is sent."""
    throttle: LeverActuator
    """Throttle actuator: 0 closed, 1 fully open."""
    front_brake: BrakeActuator
    """Actuator of the front brake line's pressure."""
    rear_brake: BrakeActuator
    """Actuator of the rear brake line's pressure."""
    clutch: LeverActuator
    """Clutch actuator: 0 released, 1 pulled."""


class Limits(Closed):
    """When the rig trips, and how it goes to rest."""

    heartbeat_timeout_ms: float = Field(gt=0, le=10_000)
    """The rig trips when the robot's heartbeat brings nothing new for longer."""
    command_timeout_ms: float = Field(gt=0, le=10_000)
    """A ride trips when the robot's frame steering or drive brings nothing new for longer."""
    overrun_limit_ms: float = Field(gt=0, le=10_000)
    """Longest stall of the loop that is made up for; a longer one trips."""
    ramp_to_rest_s: float = Field(gt=0, le=60)
    """How long the signals take to rest after the end of the ride or a trip."""
    arming_timeout_s: Seconds
    """The rig trips when a permissive (the robot's heartbeat is one) is still missing so long after arming
    was asked for."""
    permissive_timeout_ms: float = Field(default=100.0, gt=0, le=10_000)
    """How long an input of the bench counts after the frame that gave it."""
    divergence_speed_km_h: float = Field(default=450.0, gt=0, le=1000)
    """Speed beyond which the model has diverged, and the rig trips."""
    divergence_rate_rad_s: float = Field(default=60.0, gt=0, le=1000)
    """Angular velocity of the main frame beyond which the model has diverged, and the rig trips."""


class CommandMonitor(Closed):
    """A command beyond its actuator for longer than ``for_ms``."""

    for_ms: float = Field(gt=0, le=10_000)
    """How long it may last without a break before it is answered."""
    then: Literal["trip", "event"] = "trip"
    """What is done then: the rig trips, or it only stands in the record as an event."""


class AngleMonitor(CommandMonitor):
    """An angle from the robot too far off the plant's for longer than ``for_ms``."""

    within_rad: float = Field(gt=0, le=1)
    """How far off the plant's angle it may be, to either side."""


class SpeedMonitor(CommandMonitor):
    """A speed from the robot too far off the plant's for longer than ``for_ms``."""

    within_m_s: float = Field(gt=0, le=100)
    """How far off the plant's speed it may be, up or down."""


class Monitors(Closed):
    """Plausibility of what the robot sends (emulator.plant.plausibility).

    Bounds have to leave room for the age of what the robot measures. A measurement that is watched and never
    comes is beyond any bound.
    """

    command_limit: CommandMonitor | None = CommandMonitor(for_ms=50.0, then="event")
    """A command beyond its actuator's limit. Left out: an event after 50 ms, as nobody else would notice."""
    command_rate: CommandMonitor | None = None
    """Steering torque asked for faster than the actuator's rate limit. Left out: not watched."""
    steering_angle: AngleMonitor | None = None
    """Steering angle as the robot measures it, against the plant's, while running. Left out: not watched."""
    lean_estimate: AngleMonitor | None = None
    """The robot's estimate of lean against the true roll, while running. Left out: not watched."""
    speed_estimate: SpeedMonitor | None = None
    """The robot's estimate of speed against the true one, while running. Left out: not watched."""


class TimingTolerances(Closed):
    """What the timing certificate must keep; outside, the verdict is invalid."""

    rate_ppm: float = Field(gt=0, le=1_000_000)
    """How far the mean period of an output may be off its promise, either way."""
    age_p99_ms: float = Field(gt=0, le=1000)
    """How far an output's age, at the median and the 99th percentile, may be off its promised latency."""
    hole_ms: float = Field(default=20.0, gt=0, le=1000)
    """Longest silence of an output beyond its period, and most age of a sample beyond its latency, once in
    a run."""
    lost_frames: int = Field(ge=0, le=1_000_000)
    """Frames of each output that the bus or port may refuse in a run."""
