"""The rig's limits: actuators, time-outs, monitors, what the timing certificate must keep."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from emulator.config.field_types import Seconds, TimeConstant
from emulator.config.validation import Closed


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

    Only a command beyond its actuator is told in any case, as an event: nobody else would notice.
    Bounds have to leave room for the age of what the robot measures. A measurement that is watched and never
    comes is beyond any bound.
    """

    command_limit: CommandMonitor | None = CommandMonitor(for_ms=50.0, then="event")
    command_rate: CommandMonitor | None = None
    steering_angle: AngleMonitor | None = None
    lean_estimate: AngleMonitor | None = None
    speed_estimate: SpeedMonitor | None = None


class TimingTolerances(Closed):
    """What the timing certificate must keep; outside, the verdict is invalid."""

    rate_ppm: float = Field(gt=0, le=1_000_000)
    age_p99_ms: float = Field(gt=0, le=1000)
    hole_ms: float = Field(default=20.0, gt=0, le=1000)  # longest silence beyond the period, once in a run
    lost_frames: int = Field(ge=0, le=1_000_000)
