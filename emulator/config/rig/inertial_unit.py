"""The inertial unit as an instrument: its keys in the rig file. What each does: emulator.sensors.imu.

What is left out is off. Bounds are what the program can work with; common practice, no source.
"""

from __future__ import annotations

import math
from typing import Annotated, TypeAlias

from pydantic import Field, model_validator

from emulator.config.validation import Closed, wrong
from emulator.core.constants import GRAVITY
from emulator.core.signals import TICK_NS
from emulator.sensors.imu import HIGHEST_CORNER_SHARE, MOST_ORDERS

_TICK_HZ = 1e9 / TICK_NS

Axes: TypeAlias = tuple[float, float, float]
"""[x, y, z] of the unit, or of the main frame where the key says so."""
Size: TypeAlias = Annotated[float, Field(ge=0, le=1000)]
Share: TypeAlias = Annotated[float, Field(ge=-100_000, le=100_000)]
Shares: TypeAlias = tuple[Share, Share, Share]
SmallAngle: TypeAlias = Annotated[float, Field(ge=-0.2, le=0.2)]
SmallAngles: TypeAlias = tuple[SmallAngle, SmallAngle, SmallAngle]
CrossAxis: TypeAlias = tuple[SmallAngle, SmallAngle, SmallAngle, SmallAngle, SmallAngle, SmallAngle]
Corner: TypeAlias = Annotated[float, Field(ge=5, le=HIGHEST_CORNER_SHARE * _TICK_HZ)]
"""Beyond a quarter of the tick rate a filter run at ticks is not the analogue one any more."""
Damping: TypeAlias = Annotated[float, Field(ge=0.3, le=2)]
Above0: TypeAlias = Annotated[float, Field(gt=0, le=1000)]


class Warming(Closed):
    """Its temperature, which goes exponentially from start to final."""

    start_degC: float = Field(ge=-40, le=125)
    """Temperature when the unit begins."""
    final_degC: float = Field(ge=-40, le=125)
    """Temperature it tends to."""
    time_constant_s: float = Field(ge=1, le=100_000)
    """Time constant of the way from start to final."""
    calibrated_degC: float = Field(default=25.0, ge=-40, le=125)
    """Temperature at which errors per kelvin are zero."""


class EngineOrder(Closed):
    """A line at so many times the engine's speed; amplitude at one speed, growing with its square."""

    order: float = Field(ge=0.5, le=20)
    """Frequency over the engine's turns a second, a multiple of 0.5 (a working cycle is two turns)."""
    amplitude_m_s2: Axes
    """Amplitude at ``at_rad_s``, [x, y, z] of the main frame."""
    at_rad_s: float = Field(ge=10, le=5000)
    """Engine speed at which the amplitude holds."""

    @model_validator(mode="after")
    def _comes_round_with_the_cycle(self) -> EngineOrder:
        if self.order * 2.0 != round(self.order * 2.0):
            raise wrong(
                f"expected a multiple of 0.5 (a working cycle is two turns), got {self.order:g}", "order"
            )
        return self


class RoadBand(Closed):
    """Noise around a frequency, as of a structure that the road shakes."""

    amplitude_m_s2_per_m_s: tuple[Size, Size, Size]
    """One sigma over the front wheel's speed, [x, y, z] of the main frame."""
    centre_hz: float = Field(ge=5, le=200)
    """Natural frequency of the structure."""
    damping: float = Field(ge=0.02, le=0.9)
    """[1] Damping ratio of the structure: the less, the narrower the band."""


class Vibration(Closed):
    """What the place it is bolted to does besides moving with the bike; axes of the main frame."""

    engine_orders: Annotated[tuple[EngineOrder, ...], Field(max_length=MOST_ORDERS)] = ()
    """Lines at multiples of the engine's speed."""
    road: RoadBand | None = None
    """Vibration that the road excites. Left out: there is none."""


class InertialUnit(Closed):
    """Rate gyroscopes and accelerometers, each along the unit's [x, y, z]; what is left out is off."""

    rate_noise_density_rad_s_sqrtHz: Size = 0.0
    """White noise of the gyros, one sigma per axis, two-sided density."""
    rate_bias_rad_s: Axes = (0.0, 0.0, 0.0)
    """Fixed bias of the gyros, [x, y, z]."""
    rate_turn_on_bias_rad_s: Size = 0.0
    """Bias of the gyros that is drawn once a run, one sigma per axis."""
    rate_bias_instability_rad_s: Size = 0.0
    """Bias instability of the gyros, B of IEEE Std 952: the flat minimum of the Allan deviation is
    0.664 B."""
    rate_correlation_time_s: Annotated[float, Field(ge=0.1, le=100_000)] = 100.0
    """Correlation time of the drift that ``rate_bias_instability_rad_s`` makes."""
    rate_random_walk_rad_s2_sqrtHz: Size = 0.0
    """Random walk of the gyros' bias, K of IEEE Std 952."""
    rate_scale_error_ppm: Shares = (0.0, 0.0, 0.0)
    """Scale error of the gyros, [x, y, z]; positive reads too much."""
    rate_cross_axis_rad: CrossAxis = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    """What one gyro feels of another axis: x of y, x of z, y of x, y of z, z of x, z of y."""
    rate_per_force_rad_s_per_m_s2: Axes = (0.0, 0.0, 0.0)
    """What a gyro reads of the specific force along the same axis, [x, y, z]."""
    rate_bias_rad_s_per_K: Axes = (0.0, 0.0, 0.0)
    """Bias of the gyros for each kelvin above the calibrated temperature, [x, y, z]; needs
    ``temperature``."""
    rate_scale_ppm_per_K: Shares = (0.0, 0.0, 0.0)
    """Scale error of the gyros for each kelvin above the calibrated temperature, [x, y, z]; needs
    ``temperature``."""
    rate_corner_hz: Corner | None = None
    """Corner of the gyros' second-order low-pass, whose delay comes before the latency of the output. Left
    out: no low-pass."""
    rate_damping: Damping = 0.7
    """[1] Damping ratio of the gyros' low-pass; only beside ``rate_corner_hz``."""
    rate_range_rad_s: Above0 | None = None
    """Rate at which the gyros are cut, either way. Left out: never."""
    rate_resolution_rad_s: Annotated[float, Field(ge=0, le=1)] = 0.0
    """Step of a rate sample; 0 for none."""
    force_noise_density_m_s2_sqrtHz: Size = 0.0
    """White noise of the accelerometers, one sigma per axis, two-sided density."""
    force_bias_m_s2: Axes = (0.0, 0.0, 0.0)
    """Fixed bias of the accelerometers, [x, y, z]."""
    force_turn_on_bias_m_s2: Size = 0.0
    """Bias of the accelerometers that is drawn once a run, one sigma per axis."""
    force_bias_instability_m_s2: Size = 0.0
    """Bias instability of the accelerometers, B of IEEE Std 952: the flat minimum of the Allan deviation is
    0.664 B."""
    force_correlation_time_s: Annotated[float, Field(ge=0.1, le=100_000)] = 100.0
    """Correlation time of the drift that ``force_bias_instability_m_s2`` makes."""
    force_random_walk_m_s3_sqrtHz: Size = 0.0
    """Random walk of the accelerometers' bias, K of IEEE Std 952."""
    force_scale_error_ppm: Shares = (0.0, 0.0, 0.0)
    """Scale error of the accelerometers, [x, y, z]; positive reads too much."""
    force_cross_axis_rad: CrossAxis = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    """What one accelerometer feels of another axis: x of y, x of z, y of x, y of z, z of x, z of y."""
    force_bias_m_s2_per_K: Axes = (0.0, 0.0, 0.0)
    """Bias of the accelerometers for each kelvin above the calibrated temperature, [x, y, z]; needs
    ``temperature``."""
    force_scale_ppm_per_K: Shares = (0.0, 0.0, 0.0)
    """Scale error of the accelerometers for each kelvin above the calibrated temperature, [x, y, z]; needs
    ``temperature``."""
    force_corner_hz: Corner | None = None
    """Corner of the accelerometers' second-order low-pass, whose delay comes before the latency of the
    output. Left out: no low-pass."""
    force_damping: Damping = 0.7
    """[1] Damping ratio of the accelerometers' low-pass; only beside ``force_corner_hz``."""
    force_range_m_s2: Above0 | None = None
    """Specific force at which the accelerometers are cut, either way; above g, as an upright axis shows it at
    rest. Left out: never."""
    force_resolution_m_s2: Annotated[float, Field(ge=0, le=10)] = 0.0
    """Step of a force sample; 0 for none."""
    temperature: Warming | None = None
    """How the unit warms up. Left out: it stays at the calibrated temperature."""
    vibration: Vibration = Vibration()
    """What shakes the place it is bolted to. Left out: nothing."""

    @model_validator(mode="after")
    def _warm_if_temperature_counts(self) -> InertialUnit:
        for key in (
            "rate_bias_rad_s_per_K",
            "rate_scale_ppm_per_K",
            "force_bias_m_s2_per_K",
            "force_scale_ppm_per_K",
        ):
            if any(getattr(self, key)) and self.temperature is None:
                raise wrong("expected temperature beside it, which says how many kelvin there are", key)
        return self

    @model_validator(mode="after")
    def _damping_of_a_corner(self) -> InertialUnit:
        for triad in ("rate", "force"):
            if f"{triad}_damping" in self.model_fields_set and getattr(self, f"{triad}_corner_hz") is None:
                raise wrong(
                    f"expected {triad}_corner_hz beside it: without, nothing is filtered", f"{triad}_damping"
                )
        return self

    @model_validator(mode="after")
    def _range_in_steps(self) -> InertialUnit:
        for limit, step in (
            ("rate_range_rad_s", "rate_resolution_rad_s"),
            ("force_range_m_s2", "force_resolution_m_s2"),
        ):
            most, least = getattr(self, limit), getattr(self, step)
            if most is not None and least > most:
                raise wrong(f"expected at most the range of {most:g}, got {least:g}", step)
        return self

    @model_validator(mode="after")
    def _stands_within_range(self) -> InertialUnit:
        limit = self.force_range_m_s2
        if limit is not None and limit <= GRAVITY:
            raise wrong(
                f"expected more than {GRAVITY} m/s2, or the upright axis is at its limit when the "
                f"bike stands, got {limit:g}",
                "force_range_m_s2",
            )
        return self

    @property
    def rate_delay_s(self) -> float:
        """Delay [s] of slow changes through the rates' low-pass: 2 damping / (2 pi corner)."""
        return 0.0 if self.rate_corner_hz is None else self.rate_damping / (math.pi * self.rate_corner_hz)
