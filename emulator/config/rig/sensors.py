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


class SteeringAngleSensor(Closed):
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
