"""The rig's GNSS receiver."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.field_types import Noise, Position
from emulator.config.rig.outputs import jitter_within_period
from emulator.config.validation import Closed, wrong
from emulator.sensors.gnss_fix import FOR_A_FIX, FOR_CARRIER, USUAL_REACQUISITION_s

Wait: TypeAlias = Annotated[float, Field(ge=0, le=3600)]
Fix: TypeAlias = Literal["fixed", "float", "differential", "single"]
SentenceName: TypeAlias = Literal["GGA", "RMC", "VTG", "GSA", "GST", "ZDA"]


class GnssAccuracy(Closed):
    """Errors with one kind of fix; usual values: ``sensors.gnss.USUAL_ACCURACY``."""

    drift_m: Noise | None = None
    """Wandering error of east and of north, one sigma each. Left out: usual for this fix."""
    drift_height_m: Noise | None = None
    """Wandering error of height, one sigma. Left out: usual for this fix."""
    correlation_time_s: Annotated[float, Field(ge=0, le=100_000)] | None = None
    """Correlation time of the wandering errors; 0 makes them white. Left out: usual for this fix."""
    noise_m: Noise | None = None
    """White error of east and of north, one sigma each. Left out: usual for this fix."""
    noise_height_m: Noise | None = None
    """White error of height, one sigma. Left out: usual for this fix."""
    velocity_m_s: Noise | None = None
    """White error of the velocity to east and to north, one sigma each. Left out: usual for this fix."""


class Gnss(Closed):
    """GNSS receiver. Satellites, dilutions, fix and errors are those without events of the scenario.

    A fix whose time of reacquisition is that of a better one is skipped.
    """

    rate_hz: float = Field(ge=1, le=25)
    """Epochs a second, each told in all ``sentences``."""
    latency_ms: float = Field(ge=0, le=1000)
    """Age of an epoch when its last byte has arrived."""
    jitter_ms: float = Field(default=0.0, ge=0, le=1000)
    """Random age on top of the latency, one sigma of a half-normal draw (never earlier); below the period."""
    antenna_position_m: Position
    """Where the antenna sits in the main frame: forward of the rear contact, left, above the ground."""
    position_noise_m: Noise = 0.0
    """White noise of east and of north, one sigma each; not beside ``accuracy``."""
    height_noise_m: Noise = 0.0
    """White noise of height, one sigma; not beside ``accuracy``."""
    speed_noise_m_s: Noise = 0.0
    """White noise of the velocity to east and to north, one sigma each; not beside ``accuracy``."""
    course_noise_rad: float = Field(default=0.0, ge=0, le=1)
    """White noise of the course, one sigma, on top of what the velocity's noise does to it."""
    course_from_m_s: float = Field(default=0.3, ge=0, le=10)
    """Below this speed no course is told."""
    accuracy: dict[Fix, GnssAccuracy] | None = None
    """Drift and noise by kind of fix; an empty one takes the usual values of all. Left out: the white noise
    of the keys above, whatever the fix."""
    sentences: Annotated[tuple[SentenceName, ...], Field(min_length=1)] = ("GGA", "RMC", "VTG")
    """NMEA 0183 sentences of an epoch, in this order; the reference robot needs GGA and RMC."""
    satellites: int = Field(default=12, ge=FOR_A_FIX, le=99)
    """Satellites in use."""
    hdop: float = Field(default=0.8, ge=0.1, le=99)
    """Horizontal dilution of precision that is told."""
    vdop: float | None = Field(default=None, ge=0.1, le=99)
    """Vertical dilution of precision that is told. Left out: 1.5 times ``hdop`` (common practice, no
    source)."""
    fix: Fix = "fixed"
    """The best kind of fix the receiver has."""
    reacquisition_s: dict[Fix, Wait] | None = None
    """From an outage's end until there is a fix of each kind, never falling from single to fixed. Left out:
    usual times, 1 s for single up to 10 s for fixed."""
    corrections_age_s: float = Field(default=0.5, ge=0, le=60)
    """Age of the corrections as they come, once a second."""
    corrections_station: int = Field(default=1, ge=0, le=1023)
    """Number of the station that the corrections are from, as GGA tells it."""

    @model_validator(mode="after")
    def _in_order(self) -> Gnss:
        return jitter_within_period(self)

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
