"""What happens during a ride: faults of signals, frames, actuators and sensors, grip, gusts, marks.

When an event starts is its trigger (:class:`Trigger`), what it does the rest. Values are in the unit of what
they act on, as recorded: see emulator.core.signals and the DBC.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, Field, model_validator

from emulator.config.field_types import Name, RecordedSignal
from emulator.config.scenario.quantities import Duration, FromTime, Station, left_of
from emulator.config.validation import Closed, Words, did_you_mean, wrong
from emulator.config.yaml_source import Loc
from emulator.core.frame_buffer import MAX_DATA
from emulator.events.frame_faults import FRAME_EFFECTS
from emulator.plant.outputs import OUTPUT_VALUES

FAULTY_SIGNALS = tuple(
    name
    for name in OUTPUT_VALUES
    if name not in ("heartbeat", "state", "trip_reason", "emulated", "scenario_time_s", "gnss_fix_in_use")
)
"""Output values a fault may act on; what the bench says about itself stays true."""


def _faulty_signal(name: str) -> str:
    if name in FAULTY_SIGNALS:
        return name
    near = did_you_mean(name, FAULTY_SIGNALS)
    raise wrong(f"unknown signal {name!r}; known signals: {', '.join(FAULTY_SIGNALS)}{near}")


FaultySignal: TypeAlias = Annotated[
    str, AfterValidator(_faulty_signal), Words("the name of an output signal")
]


def _payload(text: str) -> str:
    digits = text.replace(" ", "")
    count, odd = divmod(len(digits), 2)
    if 1 <= count <= MAX_DATA and not odd and set(digits) <= set("0123456789abcdefABCDEF"):
        return digits.lower()
    raise wrong(f'expected 1 to {MAX_DATA} bytes in hexadecimal such as "00 ff 7a", got {text!r}')


Payload: TypeAlias = Annotated[str, AfterValidator(_payload), Words('bytes in hexadecimal such as "00 ff"')]
Share: TypeAlias = Annotated[float, Field(gt=0, le=1)]


# ---- when ------------------------------------------------------------------------------------------------


class Trigger(Closed):
    """When an event starts: one of

    time_s                    at a time
    between_s                 at a time drawn in this window
    station_m or sector       when the bike passes a station, or where a sector begins; in a lap, from 1
    signal                    when a recorded signal rises_above or falls_below a level; before, it has to
                              have been on the other side of it by ``hysteresis`` at least
    started, ended            when another event starts, or has ended
    asked                     when somebody asks for it during the ride
    first_of, all_of          when one, or each, of these has come

    and ``delay_s`` later. Signals and other events are looked at in the tick after theirs.
    """

    time_s: FromTime | None = None
    between_s: tuple[FromTime, FromTime] | None = None
    station_m: Station | None = None
    sector: int | None = Field(default=None, ge=1, le=100)
    lap: int | None = Field(default=None, ge=1, le=1000)
    signal: RecordedSignal | None = None
    rises_above: float | None = None
    falls_below: float | None = None
    hysteresis: float | None = Field(default=None, ge=0)
    started: Name | None = None
    ended: Name | None = None
    asked: Literal[True] | None = None
    first_of: Annotated[tuple[Trigger, ...], Field(min_length=1)] | None = None
    all_of: Annotated[tuple[Trigger, ...], Field(min_length=1)] | None = None
    delay_s: FromTime = 0.0

    @model_validator(mode="after")
    def _one_condition(self) -> Trigger:
        heads = (
            *("time_s", "between_s", "station_m", "sector", "signal"),
            *("started", "ended", "asked", "first_of", "all_of"),
        )
        given = [key for key in heads if getattr(self, key) is not None]
        if len(given) != 1:
            words = f"got {' and '.join(given)}" if given else "got none of them"
            raise wrong(f"expected one of {', '.join(heads)}, {words}")
        if self.lap is not None and given[0] not in ("station_m", "sector"):
            raise wrong("expected lap only together with station_m or sector", "lap")
        if self.between_s is not None and self.between_s[1] <= self.between_s[0]:
            raise wrong(f"expected a later end than {self.between_s[0]:g} s", "between_s", 1)
        return self

    @model_validator(mode="after")
    def _a_level_to_cross(self) -> Trigger:
        if self.signal is None:
            for key in ("rises_above", "falls_below", "hysteresis"):
                if getattr(self, key) is not None:
                    raise wrong(f"expected {key} only together with signal", key)
            return self
        if (self.rises_above is None) == (self.falls_below is None):
            raise wrong("expected rises_above or falls_below beside signal, one of both")
        if self.signal.startswith("loop."):
            raise wrong("expected no signal of the loop's own timing: no two runs have the same", "signal")
        return self

    def parts(self, loc: Loc = ()) -> Iterator[tuple[Loc, Trigger]]:
        """This trigger and all below it, with their places below ``loc``."""
        yield loc, self
        for key in ("first_of", "all_of"):
            for i, part in enumerate(getattr(self, key) or ()):
                yield from part.parts((*loc, key, i))


class Repeat(Closed):
    """It comes ``times`` more: every so often, or each time its trigger says so again once it has ended."""

    times: int = Field(ge=1, le=10_000)
    every_s: Duration | None = None


class Intermittent(Closed):
    """It comes and goes while it lasts: ``on_s``, then ``off_s``; ``drawn``: means of exponential ones."""

    on_s: float = Field(gt=0, le=3600)
    off_s: float = Field(gt=0, le=3600)
    drawn: bool = False


class Happening(Closed):
    """What every event has: a name, a trigger, how long it lasts (to the end if left out), how surely.

    probability  that it happens when its trigger says so
    seed         of what is drawn; without one it is the run's, and the event's name
    """

    name: Name
    at: Trigger
    duration_s: Duration | None = None
    probability: Share = 1.0
    seed: int | None = Field(default=None, ge=0, le=2**32 - 1)
    repeat: Repeat | None = None

    @property
    def can_be_asked(self) -> bool:
        """Whether somebody may start and end it during the ride."""
        return any(part.asked for _, part in self.at.parts())

    @model_validator(mode="after")
    def _comes_again(self) -> Happening:
        if self.repeat is None:
            return self
        if self.duration_s is None and not isinstance(self, MarkEvent):
            raise wrong("expected duration_s beside repeat: what never ends does not come again", "repeat")
        if self.repeat.every_s is not None and self.repeat.every_s < (self.duration_s or 0.0):
            raise wrong(
                f"expected at least duration_s ({self.duration_s:g} s), got {self.repeat.every_s:g}",
                "repeat",
                "every_s",
            )
        if self.repeat.every_s is None and not any(
            t.station_m is not None or t.sector is not None or t.signal or t.started or t.ended or t.asked
            for _, t in self.at.parts()
        ):
            raise wrong("expected every_s: a time does not come again", "repeat")
        return self


def _ramp_within(ramp_s: float, duration_s: float | None) -> None:
    if duration_s is not None and ramp_s > duration_s:
        raise wrong(f"expected at most duration_s ({duration_s:g} s), got {ramp_s:g}", "ramp_s")


class Ramped(Happening):
    """An event that may grow to its full effect over ``ramp_s``."""

    ramp_s: float = Field(default=0.0, ge=0, le=3600)

    @model_validator(mode="after")
    def _ramps(self) -> Ramped:
        _ramp_within(self.ramp_s, self.duration_s)
        return self


def _keys(event: Closed, effect: str, takes: Mapping[str, tuple[str, ...]], needs: Mapping[str, str]) -> None:
    """Keys that only some effects take, and those that some need (by effect, with the words for it)."""
    for key, effects in takes.items():
        if effect in effects:
            continue
        if key in event.model_fields_set and getattr(event, key) is not None:
            who = f", {' and '.join(effects)} {'does' if len(effects) == 1 else 'do'}"
            raise wrong(f"effect {effect} takes no {key}{who if len(effects) < 4 else ''}; remove it", key)
    if effect in needs:
        key, what = needs[effect].split(" ", 1)
        if getattr(event, key) is None:
            raise wrong(f"missing key {key!r}: effect {effect} needs {what}")


# ---- what ------------------------------------------------------------------------------------------------


class FaultEvent(Ramped):
    """A fault of one output signal; ``value`` in the signal's unit.

    dropout, freeze, sign_change   without a value
    stuck, offset, noise (one sigma), spike, quantisation (the step)   in the signal's unit
    gain                           a factor
    drift                          the unit a second
    saturation                     between ``low`` and ``high``
    delay                          older by ``delay_ms``

    ``share`` of its samples is hit, each drawn; a spike needs it. ``intermittent`` makes it come and go.
    """

    kind: Literal["fault"]
    signal: FaultySignal
    effect: Literal[
        "dropout",
        "freeze",
        "stuck",
        "offset",
        "gain",
        "noise",
        "drift",
        "spike",
        "saturation",
        "quantisation",
        "delay",
        "sign_change",
    ]
    value: float | None = Field(default=None, ge=-1e6, le=1e6)
    low: float | None = Field(default=None, ge=-1e6, le=1e6)
    high: float | None = Field(default=None, ge=-1e6, le=1e6)
    delay_ms: float | None = Field(default=None, ge=1, le=1000)
    share: Share | None = None
    intermittent: Intermittent | None = None

    @model_validator(mode="after")
    def _value_where_needed(self) -> FaultEvent:
        valued = ("stuck", "offset", "gain", "noise", "drift", "spike", "quantisation")
        _keys(
            self,
            self.effect,
            {"value": valued, "low": ("saturation",), "high": ("saturation",), "delay_ms": ("delay",)},
            dict.fromkeys(valued, "value a number") | {"delay": "delay_ms a time"},
        )
        if self.effect == "spike" and self.share is None:
            raise wrong("missing key 'share': effect spike needs the share of samples it hits")
        if self.effect in ("noise", "quantisation") and self.value is not None:
            if self.value < 0:
                raise wrong(f"expected at least 0, got {self.value:g}", "value")
            if self.value == 0 and self.effect == "quantisation":
                raise wrong("expected a step above 0", "value")
        if self.effect == "saturation":
            if self.low is None and self.high is None:
                raise wrong("expected low, high or both with effect saturation, got none of them")
            if self.low is not None and self.high is not None and self.low >= self.high:
                raise wrong(f"expected more than low ({self.low:g}), got {self.high:g}", "high")
        return self


class FrameEvent(Happening):
    """A fault of one frame on its way to the robot or from it, or of the GNSS sentences (frame ``gnss``).

    loss                 it does not come
    repetition           it comes again, ``copies`` times, in the same tick
    delay                it comes ``delay_ms`` later
    insertion            ``payload`` comes every ``every_ms`` besides
    masquerade           it comes with the last payload of frame ``shows``
    incorrect_sequence   it comes behind the next one
    corruption           bits are flipped: those of ``mask``, or ``flips`` drawn ones

    Counters and checksums are the sender's: nothing is made good. ``share`` of the frames is hit.
    """

    kind: Literal["frame"]
    frame: Name
    effect: Literal[
        "loss", "repetition", "delay", "insertion", "masquerade", "incorrect_sequence", "corruption"
    ]
    share: Share | None = None
    intermittent: Intermittent | None = None
    copies: int | None = Field(default=None, ge=1, le=8)
    delay_ms: float | None = Field(default=None, ge=1, le=1000)
    every_ms: float | None = Field(default=None, ge=1, le=60_000)
    payload: Payload | None = None
    shows: Name | None = None
    mask: Payload | None = None
    flips: int | None = Field(default=None, ge=1, le=8 * MAX_DATA)

    @model_validator(mode="after")
    def _keys_of_its_effect(self) -> FrameEvent:
        effects = {
            "copies": ("repetition",),
            "delay_ms": ("delay",),
            "every_ms": ("insertion",),
            "payload": ("insertion",),
            "shows": ("masquerade",),
            "mask": ("corruption",),
            "flips": ("corruption",),
            "share": tuple(e for e in FRAME_EFFECTS if e != "insertion"),
        }
        _keys(self, self.effect, effects, {"delay": "delay_ms a time", "masquerade": "shows a frame"})
        if self.effect == "insertion":
            _keys(self, self.effect, {}, {"insertion": "payload bytes"})
            _keys(self, self.effect, {}, {"insertion": "every_ms a time"})
        if self.effect == "corruption" and (self.mask is None) == (self.flips is None):
            raise wrong("expected either mask or flips with effect corruption")
        if self.mask is not None and set(self.mask) == {"0"}:
            raise wrong("expected a bit that is set: this mask flips none", "mask")
        if self.frame == "gnss" and self.effect not in GNSS_FRAME_EFFECTS:
            raise wrong(
                f"expected one of {', '.join(GNSS_FRAME_EFFECTS)} for gnss, whose sentences have no "
                f"identifier and no counter, got {self.effect}",
                "effect",
            )
        if self.frame == "gnss" and self.mask is not None:
            raise wrong("expected flips instead of mask for gnss: its bytes are characters", "mask")
        if self.shows == self.frame:
            raise wrong("expected another frame than its own", "shows")
        return self


GNSS_FRAME_EFFECTS = ("loss", "repetition", "delay", "corruption")
"""What can be done to GNSS sentences as a whole."""


class ActuatorEvent(Ramped):
    """A fault of one actuator channel.

    no_response   it goes to rest: no torque, throttle shut, no pressure, clutch released
    stuck         it stays where it is, or at ``value``
    slow          its time constant is ``factor`` times as long, its rate limit so many times less
    weak          it delivers ``factor`` of what it should
    offset        it delivers ``value`` more
    free_play     it moves only once asked for more than half of ``value`` to a side
    brake_fade    ``factor`` of the brake's torque at the same pressure

    ``value`` in the unit of the channel's signal ``actuator.*``. A gear lever knows the first three.
    """

    kind: Literal["actuator"]
    channel: Literal["steering", "throttle", "front_brake", "rear_brake", "clutch", "gear"]
    effect: Literal["no_response", "stuck", "slow", "weak", "offset", "free_play", "brake_fade"]
    value: float | None = Field(default=None, ge=-1e8, le=1e8)
    factor: float | None = Field(default=None, ge=0, le=1000)
    intermittent: Intermittent | None = None

    @model_validator(mode="after")
    def _keys_of_its_effect(self) -> ActuatorEvent:
        _keys(
            self,
            self.effect,
            {"value": ("stuck", "offset", "free_play"), "factor": ("slow", "weak", "brake_fade")},
            {
                **dict.fromkeys(("offset", "free_play"), "value a number"),
                **dict.fromkeys(("slow", "weak", "brake_fade"), "factor a number"),
            },
        )
        if self.effect == "slow" and self.factor is not None and self.factor < 1:
            raise wrong(f"expected at least 1, got {self.factor:g}", "factor")
        if self.effect == "free_play" and self.value is not None and self.value < 0:
            raise wrong(f"expected at least 0, got {self.value:g}", "value")
        if self.effect in ("weak", "brake_fade") and self.factor is not None and self.factor > 1:
            raise wrong(f"expected at most 1, got {self.factor:g}", "factor")
        if self.effect in ("no_response", "stuck") and self.ramp_s > 0:
            raise wrong(f"effect {self.effect} takes no ramp_s; remove it", "ramp_s")
        if self.effect == "brake_fade" and not self.channel.endswith("brake"):
            raise wrong(f"expected a brake for effect brake_fade, got {self.channel}", "channel")
        if self.channel == "gear" and self.effect not in ("no_response", "stuck", "slow"):
            raise wrong(
                f"expected no_response, stuck or slow for the gear lever, got {self.effect}", "effect"
            )
        if self.channel == "gear" and self.value is not None:
            raise wrong("a gear lever is stuck in the gear it is in; remove value", "value")
        return self


class BusEvent(Happening):
    """What happens to the bus, as the robot sees it.

    bus_off    our controller is off the bus: nothing of ours comes, nothing is heard
    overload   frames under ``identifier`` (0, the most urgent, if left out) take ``load`` of the bus
    """

    kind: Literal["bus"]
    effect: Literal["bus_off", "overload"]
    load: float | None = Field(default=None, gt=0, le=1)
    identifier: int | None = Field(default=None, ge=0, le=0x7FF)
    intermittent: Intermittent | None = None

    @model_validator(mode="after")
    def _keys_of_its_effect(self) -> BusEvent:
        takes = {"load": ("overload",), "identifier": ("overload",)}
        _keys(self, self.effect, takes, {"overload": "load a share of the bus"})
        return self


class RestartEvent(Happening):
    """A sensor loses its power for ``duration_s`` and begins anew: counters, filters, satellites."""

    kind: Literal["restart"]
    duration_s: Duration
    sensor: Literal["wheel_speed", "imu", "lean", "fork_angle", "engine", "gnss", "wheel_pulses", "analogue"]


class GripEvent(Ramped):
    """The grip of the road times ``factor``: everywhere, or between two stations and two offsets."""

    kind: Literal["grip"]
    factor: float = Field(gt=0, le=2)
    from_m: Station | None = None
    to_m: Station | None = None
    left_m: float = Field(default=25.0, ge=-50, le=50)
    right_m: float = Field(default=-25.0, ge=-50, le=50)
    edge_m: float = Field(default=1.0, ge=0.05, le=50)

    @model_validator(mode="after")
    def _has_an_area(self) -> GripEvent:
        if (self.from_m is None) != (self.to_m is None):
            raise wrong("expected from_m and to_m together, or none of them")
        if self.from_m is not None and self.from_m == self.to_m:
            raise wrong(f"expected another station than from_m, got {self.to_m:g} for both", "to_m")
        if self.from_m is None:
            for key in ("left_m", "right_m", "edge_m"):
                if key in self.model_fields_set:
                    raise wrong(f"expected {key} only together with from_m and to_m", key)
        left_of(self.left_m, self.right_m)
        return self


class GustEvent(Happening):
    """A gust on top of the wind: rises to ``speed_m_s`` and falls again like one wave of the cosine."""

    kind: Literal["gust"]
    duration_s: Duration
    speed_m_s: float = Field(gt=0, le=40)
    from_deg: float = Field(ge=0, le=360)


class GearboxEvent(Happening):
    """What goes wrong with gear changes begun meanwhile: they miss (the old gear stays in) or end in neutral.

    The box then waits until another gear is asked for.
    """

    kind: Literal["gearbox"]
    effect: Literal["missed", "false_neutral"]


class GnssEvent(Happening):
    """What happens to the GNSS receiver.

    outage      no signals, no fix; afterwards it comes back in the times of the rig's ``reacquisition_s``
    degraded    no fix better than ``best_fix``, ``satellites_lost`` fewer satellites, or both; afterwards it
                goes on from the fix it had by the same times
    multipath   a bias of the position of ``bias_m``, growing and decaying over ``ramp_s`` (half the duration
                if left out): towards a direction clockwise from north, or without one drawn, wandering with
                ``correlation_time_s`` (10 if left out), its root mean square then ``bias_m``
    jump        the position is ``bias_m`` off towards a direction, at once or growing over ``ramp_s``
    time_jump   its clock is ``time_s`` ahead
    stale       it says its last epoch again and again, with its time
    """

    kind: Literal["gnss"]
    effect: Literal["outage", "degraded", "multipath", "jump", "time_jump", "stale"]
    best_fix: Literal["float", "differential", "single"] | None = None
    satellites_lost: int | None = Field(default=None, ge=1, le=99)
    bias_m: float | None = Field(default=None, gt=0, le=100_000)
    towards_deg: float | None = Field(default=None, ge=0, le=360)
    correlation_time_s: float | None = Field(default=None, gt=0, le=3600)
    ramp_s: float | None = Field(default=None, gt=0, le=3600)
    time_s: float | None = Field(default=None, ge=-86_400, le=86_400)

    @model_validator(mode="after")
    def _keys_of_its_effect(self) -> GnssEvent:
        biased = ("multipath", "jump")
        _keys(
            self,
            self.effect,
            {
                "best_fix": ("degraded",),
                "satellites_lost": ("degraded",),
                "bias_m": biased,
                "towards_deg": biased,
                "correlation_time_s": ("multipath",),
                "ramp_s": biased,
                "time_s": ("time_jump",),
            },
            {
                **dict.fromkeys(biased, "bias_m a length"),
                "time_jump": "time_s a time",
            },
        )
        if self.effect == "degraded" and self.best_fix is None and self.satellites_lost is None:
            raise wrong("expected best_fix or satellites_lost with effect degraded, got none of them")
        if self.effect == "jump" and self.towards_deg is None:
            raise wrong("missing key 'towards_deg': effect jump needs a direction")
        if self.towards_deg is not None and self.correlation_time_s is not None:
            raise wrong(
                "expected no correlation_time_s beside towards_deg: it is that of a drawn bias",
                "correlation_time_s",
            )
        if self.effect == "multipath":
            if self.duration_s is None:
                raise wrong("missing key 'duration_s': effect multipath decays towards its end")
            if self.ramp_s is not None and self.ramp_s > 0.5 * self.duration_s:
                raise wrong(
                    f"expected at most half of duration_s ({0.5 * self.duration_s:g} s), as it grows and "
                    f"decays within it, got {self.ramp_s:g}",
                    "ramp_s",
                )
        elif self.ramp_s is not None:
            _ramp_within(self.ramp_s, self.duration_s)
        return self


class MarkEvent(Happening):
    """A remark in the record."""

    kind: Literal["mark"]
    duration_s: None = None
    text: Name


Event: TypeAlias = Annotated[
    FaultEvent
    | FrameEvent
    | ActuatorEvent
    | BusEvent
    | RestartEvent
    | GripEvent
    | GustEvent
    | GearboxEvent
    | GnssEvent
    | MarkEvent,
    Field(discriminator="kind"),
]
