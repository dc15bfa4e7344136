"""What happens during a ride: faults of signals, grip, gusts, gear changes, GNSS reception, marks."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.rig_file import Name
from emulator.config.validation import Closed, wrong
from emulator.scenario.quantities import Duration, FromTime, SignalName, Station, either


class Moment(Closed):
    """When an event starts: at a time, or when the bike passes a station (in a lap, counted from 1)."""

    time_s: FromTime | None = None
    station_m: Station | None = None
    lap: int | None = Field(default=None, ge=1, le=1000)

    @model_validator(mode="after")
    def _one_trigger(self) -> Moment:
        either("time_s", self.time_s, "station_m", self.station_m)
        if self.lap is not None and self.station_m is None:
            raise wrong("expected lap only together with station_m", "lap")
        return self


class FaultEvent(Closed):
    """A fault of one output signal; ``value`` in the signal's unit (gain: factor; drift: unit a second)."""

    kind: Literal["fault"]
    name: Name
    signal: SignalName
    effect: Literal["dropout", "freeze", "stuck", "offset", "gain", "noise", "drift"]
    value: float | None = Field(default=None, ge=-1e6, le=1e6)
    at: Moment
    duration_s: Duration
    ramp_s: float = Field(default=0.0, ge=0, le=3600)

    @model_validator(mode="after")
    def _value_where_needed(self) -> FaultEvent:
        if self.effect in ("dropout", "freeze"):
            if self.value is not None:
                raise wrong(f"effect {self.effect} takes no value; remove it", "value")
        elif self.value is None:
            raise wrong(f"missing key 'value': effect {self.effect} needs a number")
        if self.effect == "noise" and self.value is not None and self.value < 0:
            raise wrong(f"expected a standard deviation of at least 0, got {self.value:g}", "value")
        _ramp_within(self.ramp_s, self.duration_s)
        return self


class GripEvent(Closed):
    """The grip of the whole road times ``factor`` for a while."""

    kind: Literal["grip"]
    name: Name
    at: Moment
    duration_s: Duration
    factor: float = Field(gt=0, le=2)
    ramp_s: float = Field(default=0.0, ge=0, le=3600)

    @model_validator(mode="after")
    def _ramps(self) -> GripEvent:
        _ramp_within(self.ramp_s, self.duration_s)
        return self


class GustEvent(Closed):
    """A gust on top of the wind: rises to ``speed_m_s`` and falls again like one wave of the cosine."""

    kind: Literal["gust"]
    name: Name
    at: Moment
    duration_s: Duration
    speed_m_s: float = Field(gt=0, le=40)
    from_deg: float = Field(ge=0, le=360)


class GearboxEvent(Closed):
    """What goes wrong with gear changes begun meanwhile: they miss (the old gear stays in) or end in neutral.

    The box then waits until another gear is asked for.
    """

    kind: Literal["gearbox"]
    name: Name
    at: Moment
    duration_s: Duration
    effect: Literal["missed", "false_neutral"]


class GnssEvent(Closed):
    """What happens to the GNSS receiver.

    outage      no signals, no fix; afterwards it comes back in the times of the rig's ``reacquisition_s``
    degraded    no fix better than ``best_fix``, ``satellites_lost`` fewer satellites, or both; afterwards it
                goes on from the fix it had by the same times
    multipath   a bias of the position of ``bias_m``, growing and decaying over ``ramp_s`` (half the duration
                if left out): towards a direction clockwise from north, or without one drawn, wandering with
                ``correlation_time_s`` (10 if left out), its root mean square then ``bias_m``
    """

    kind: Literal["gnss"]
    name: Name
    at: Moment
    duration_s: Duration
    effect: Literal["outage", "degraded", "multipath"]
    best_fix: Literal["float", "differential", "single"] | None = None
    satellites_lost: int | None = Field(default=None, ge=1, le=99)
    bias_m: float | None = Field(default=None, gt=0, le=1000)
    towards_deg: float | None = Field(default=None, ge=0, le=360)
    correlation_time_s: float | None = Field(default=None, gt=0, le=3600)
    ramp_s: float | None = Field(default=None, gt=0, le=3600)

    @model_validator(mode="after")
    def _keys_of_its_effect(self) -> GnssEvent:
        for key, effect in (
            ("best_fix", "degraded"),
            ("satellites_lost", "degraded"),
            ("bias_m", "multipath"),
            ("towards_deg", "multipath"),
            ("correlation_time_s", "multipath"),
            ("ramp_s", "multipath"),
        ):
            if getattr(self, key) is not None and self.effect != effect:
                raise wrong(f"effect {self.effect} takes no {key}, {effect} does; remove it", key)
        if self.effect == "degraded" and self.best_fix is None and self.satellites_lost is None:
            raise wrong("expected best_fix or satellites_lost with effect degraded, got none of them")
        if self.effect == "multipath" and self.bias_m is None:
            raise wrong("missing key 'bias_m': effect multipath needs a length")
        if self.towards_deg is not None and self.correlation_time_s is not None:
            raise wrong(
                "expected no correlation_time_s beside towards_deg: it is that of a drawn bias",
                "correlation_time_s",
            )
        if self.ramp_s is not None and self.ramp_s > 0.5 * self.duration_s:
            raise wrong(
                f"expected at most half of duration_s ({0.5 * self.duration_s:g} s), as it grows and decays "
                f"within it, got {self.ramp_s:g}",
                "ramp_s",
            )
        return self


class MarkEvent(Closed):
    """A remark in the record."""

    kind: Literal["mark"]
    name: Name
    at: Moment
    text: Name


Event: TypeAlias = Annotated[
    FaultEvent | GripEvent | GustEvent | GearboxEvent | GnssEvent | MarkEvent, Field(discriminator="kind")
]


def _ramp_within(ramp_s: float, duration_s: float) -> None:
    if ramp_s > duration_s:
        raise wrong(f"expected at most duration_s ({duration_s:g} s), got {ramp_s:g}", "ramp_s")
