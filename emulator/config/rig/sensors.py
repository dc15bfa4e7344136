"""The rig's sensors, each as its device is described."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.field_types import Angle, Noise, Position, TimeConstant, Vector
from emulator.config.rig.inertial_unit import InertialUnit, SmallAngles
from emulator.config.validation import Closed, wrong
from emulator.core.signals import ANALOGUE

MountingAngle: TypeAlias = Annotated[float, Field(ge=-0.5, le=0.5)]
if TYPE_CHECKING:
    AnalogueName: TypeAlias = str
else:
    AnalogueName = Literal[ANALOGUE]
"""Signals of the analogue sensors."""


class Imu(InertialUnit):
    """The inertial unit where it is bolted to the main frame; signals are along its own axes."""

    position_m: Position
    """Where it sits in the main frame: forward of the rear contact, left, above the ground."""
    attitude_deg: tuple[Angle, Angle, Angle] = (0.0, 0.0, 0.0)
    """How its axes are turned in the main frame, [roll, pitch, yaw], yaw first."""
    misalignment_rad: SmallAngles = (0.0, 0.0, 0.0)
    """Small error on top of ``attitude_deg``, [roll, pitch, yaw], which nobody is told."""


class ComputedLean(Closed):
    """Lean from gyros, accelerometers and front wheel speed (emulator.sensors.lean)."""

    position_m: Position
    """Where it sits in the main frame: forward of the rear contact, left, above the ground."""
    mounting_rad: tuple[MountingAngle, MountingAngle, MountingAngle] = (0.0, 0.0, 0.0)
    """How it is turned in the main frame, [roll, pitch, yaw], an error it does not know of."""
    rate_noise_density_rad_s_sqrtHz: Noise = 0.0
    """White noise of its gyros, one sigma per axis, two-sided density."""
    rate_bias_rad_s: Vector = (0.0, 0.0, 0.0)
    """Bias of its gyros, [x, y, z] of its own axes."""
    force_noise_density_m_s2_sqrtHz: Noise = 0.0
    """White noise of its accelerometers, one sigma per axis, two-sided density."""
    force_bias_m_s2: Vector = (0.0, 0.0, 0.0)
    """Bias of its accelerometers, [x, y, z] of its own axes."""
    reference_time_constant_ms: float = Field(ge=10, le=600_000)
    """How slowly the integrated roll rate is drawn to the lean that accelerometers and speed tell."""
    crown_radius_m: float = Field(default=0.0, ge=0, le=0.3)
    """What it was told of the front tyre: radius of the tread's cross-section."""
    rolling_radius_m: float | None = Field(default=None, ge=0.05, le=1)
    """What it was told of the front tyre: rolling radius when upright. Left out: the truth."""


class LeanSensor(Closed):
    """Lean through a first-order lag: the true roll, or with ``computed`` what a sensor makes of it."""

    noise_rad: float = Field(default=0.0, ge=0, le=1)
    """White noise of a sample, one sigma."""
    time_constant_ms: TimeConstant = 0.0
    """Time constant of the lag; 0 for none."""
    computed: ComputedLean | None = None
    """A sensor that works lean out from gyros and accelerometers of its own. Left out: the true roll."""


class ToneRing(Closed):
    """Toothed rings, pick-ups and edge timer of both wheels (emulator.sensors.wheel_speed)."""

    teeth_front: int = Field(ge=2, le=256)
    """Teeth of the front wheel's ring."""
    teeth_rear: int = Field(ge=2, le=256)
    """Teeth of the rear wheel's ring."""
    pitch_error_pct: float = Field(default=0.0, ge=0, le=10)
    """Error of a tooth's place, one sigma, in percent of the pitch from tooth to tooth."""
    eccentricity_pct: float = Field(default=0.0, ge=0, le=10)
    """Offset of the ring's centre from the axle in percent of the ring's radius."""
    averaging_edges: int | None = Field(default=None, ge=1, le=256)
    """Edge intervals that speed is averaged over at most. Left out: as ``averaging_ms`` says, or the last
    interval alone."""
    averaging_ms: float | None = Field(default=None, gt=0, le=1000)
    """Time that speed is averaged over at most. Left out: as ``averaging_edges`` says, or the last interval
    alone."""
    timeout_ms: float = Field(default=100.0, ge=1, le=5000)
    """Without an edge for longer the wheel is taken to stand."""
    timer_resolution_ns: int = Field(default=1000, ge=1, le=1_000_000)
    """Step of the timer that stamps edges; a divisor of 1000000000."""
    resolution_m_s: float = Field(default=0.0, ge=0, le=1)
    """Step of the speed reading; 0 for none."""
    rolling_radius_front_m: float | None = Field(default=None, ge=0.05, le=1)
    """Radius that turns the front wheel's turns into speed. Left out: the tyre's outer radius in the vehicle
    file."""
    rolling_radius_rear_m: float | None = Field(default=None, ge=0.05, le=1)
    """Radius that turns the rear wheel's turns into speed. Left out: the tyre's outer radius in the vehicle
    file."""

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
    """Wheel speed times nominal radius; with a tone ring its noise and lowest speed follow from that."""

    noise_m_s: float = Field(default=0.0, ge=0, le=10)
    """White noise of a sample, one sigma; not beside ``tone_ring``."""
    lowest_speed_m_s: float = Field(default=0.0, ge=0, le=10)
    """Below this speed the sensor reads zero; not beside ``tone_ring``."""
    tone_ring: ToneRing | None = None
    """Rings with teeth and a timer for their edges. Left out: the wheels' true speed with noise."""

    @model_validator(mode="after")
    def _one_model(self) -> WheelSpeedSensor:
        for key in ("noise_m_s", "lowest_speed_m_s"):
            if self.tone_ring is not None and key in self.model_fields_set:
                raise wrong("expected no such key beside tone_ring, which it follows from: leave it out", key)
        return self


class SteeringAngleSensor(Closed):
    """Steering angle at the fork."""

    noise_rad: float = Field(default=0.0, ge=0, le=1)
    """White noise of a sample, one sigma."""


class AnalogueSensor(Closed):
    """One sensor as in ``sensors.analogue.Analogue``."""

    noise: float = Field(default=0.0, ge=0, le=1e7)
    """[unit of the signal] White noise of a sample, one sigma."""
    time_constant_ms: TimeConstant = 0.0
    """Time constant of its first-order lag; 0 for none."""
    resolution: float = Field(default=0.0, ge=0, le=1e7)
    """[unit of the signal] Step of the reading; 0 for none."""
    range: tuple[float, float] | None = None
    """[unit of the signal] Lower and upper end that the reading is cut at. Left out: it is never cut."""

    @model_validator(mode="after")
    def _a_range(self) -> AnalogueSensor:
        if self.range is not None and self.range[0] >= self.range[1]:
            raise wrong(f"expected its lower end first, got [{self.range[0]:g}, {self.range[1]:g}]", "range")
        return self
