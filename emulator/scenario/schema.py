"""The scenario file (what is ridden, what happens, what must hold) and the circuit file it names.

Stations are metres along the circuit's line from its start, within one lap; offsets are metres from the
line, positive to the left. Times are seconds from the start of the ride. Angles in these files are degrees.
"""

from __future__ import annotations

import math
import os
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Annotated, Any, Literal, TypeAlias

from pydantic import AfterValidator, BeforeValidator, Discriminator, Field, Tag, model_validator

from emulator.config.rig_file import FileName, Name, RecordedSignal
from emulator.config.validation import Closed, Words, did_you_mean, validate, wrong
from emulator.config.yaml_source import Loc, Source, beside, load, show
from emulator.errors import ConfigError, Problem
from emulator.scenario import line
from emulator.scenario.line import LineError
from emulator.signals import SIGNALS

OUTPUT_SIGNALS = tuple(s.name.removeprefix("output.") for s in SIGNALS if s.name.startswith("output."))
"""Names a fault may act on: the ``output`` group of emulator.signals."""


_FIRST_YEAR, _LAST_YEAR = 1981, 2078


def _utc(value: object) -> object:
    if isinstance(value, datetime):
        return value
    example = "expected a time with zone such as 2027-05-01T09:30:00Z"
    if not isinstance(value, str):
        raise wrong(f"{example}, got {show(value)}")
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        raise wrong(f"{example}, got {show(value)}") from None
    if moment.tzinfo is None:
        raise wrong(f"{example}, got {show(value)}, which has no zone; add Z for UTC")
    try:
        utc = moment.astimezone(UTC)
    except OverflowError:
        raise wrong(f"{example}, got {show(value)}") from None
    if not _FIRST_YEAR <= utc.year <= _LAST_YEAR:
        raise wrong(
            f"expected a year from {_FIRST_YEAR} to {_LAST_YEAR} (GPS time began in 1980, and GNSS sentences "
            f"give two digits of the year), got {show(value)}"
        )
    return utc


def _output_signal(name: str) -> str:
    if name in OUTPUT_SIGNALS:
        return name
    near = did_you_mean(name, OUTPUT_SIGNALS)
    raise wrong(f"unknown signal {name!r}; known signals: {', '.join(OUTPUT_SIGNALS)}{near}")


def _leap_day(value: object) -> object:
    if isinstance(value, date):
        return value
    example = "expected the date of a month's last day such as 2028-06-30, which then ends with second 60"
    try:
        day = date.fromisoformat(value) if isinstance(value, str) else None
    except ValueError:
        day = None
    if day is None or (day + timedelta(days=1)).day != 1:
        raise wrong(f"{example}, got {show(value)}")
    return day


LeapDay: TypeAlias = Annotated[
    date, BeforeValidator(_leap_day), Words("the date of a month's last day such as 2028-06-30")
]
UtcTime: TypeAlias = Annotated[
    datetime, BeforeValidator(_utc), Words("a time with zone such as 2027-05-01T09:30:00Z")
]
SignalName: TypeAlias = Annotated[str, AfterValidator(_output_signal), Words("the name of an output signal")]
Station: TypeAlias = Annotated[float, Field(ge=0, le=100_000)]
Duration: TypeAlias = Annotated[float, Field(gt=0, le=86_400)]
FromTime: TypeAlias = Annotated[float, Field(ge=0, le=86_400)]


def _either(one: str, value: float | None, other: str, other_value: float | None) -> None:
    """Exactly one of two keys is given."""
    if (value is None) == (other_value is None):
        raise wrong(f"expected either {one} or {other}, got {'none of them' if value is None else 'both'}")


def _left_of(left_m: float, right_m: float) -> None:
    """A stretch across the road has a width."""
    if left_m <= right_m:
        raise wrong(
            f"expected more than right_m ({right_m:g}; offsets are positive to the left), got {left_m:g}",
            "left_m",
        )


# ---- circuit ---------------------------------------------------------------------------------------------


class Straight(Closed):
    """A straight; with ``free`` its length is solved so that the circuit closes, the figure a guess."""

    straight_m: float = Field(gt=0, le=5000)
    free: bool = False


class Turn(Closed):
    """A turn, positive to the left: transition in, arc, transition out; each of ``transition_m``."""

    turn_deg: float = Field(ge=-350, le=350)
    radius_m: float = Field(ge=3, le=5000)
    transition_m: float = Field(default=0.0, ge=0, le=1000)

    @model_validator(mode="after")
    def _room_for_transitions(self) -> Turn:
        if self.turn_deg == 0:
            raise wrong("expected an angle other than 0; write a straight instead", "turn_deg")
        longest = math.radians(abs(self.turn_deg)) * self.radius_m
        if self.transition_m > longest:
            raise wrong(
                f"expected at most {longest:.4g} m, or the two transitions turn by more than turn_deg, "
                f"got {self.transition_m:g}",
                "transition_m",
            )
        return self


def _segment_tag(value: Any) -> str | None:
    keys = value if isinstance(value, dict) else {type(value): 0}
    if "straight_m" in keys or Straight in keys:
        return "straight_m"
    if "turn_deg" in keys or Turn in keys:
        return "turn_deg"
    return None


Segment: TypeAlias = Annotated[
    Annotated[Straight, Tag("straight_m")] | Annotated[Turn, Tag("turn_deg")], Discriminator(_segment_tag)
]


class Height(Closed):
    """Height of the line over the origin at a station; smooth in between."""

    station_m: Station
    height_m: float = Field(ge=-1000, le=1000)


class Banking(Closed):
    """Bank of the road at a station: positive where the left side is the higher one (helps a right turn)."""

    station_m: Station
    bank_deg: float = Field(ge=-35, le=35)


class Circuit(Closed):
    """A closed circuit as a list of segments; exactly two straights are free so that it closes."""

    kind: Literal["circuit"]
    name: Name
    closed: Literal[True]
    width_m: float = Field(ge=2, le=50)
    sector_marks_m: tuple[Station, ...] = ()  # where sectors end; the last one ends with the lap
    segments: Annotated[tuple[Segment, ...], Field(min_length=4)]
    elevation: tuple[Height, ...] = ()
    banking: tuple[Banking, ...] = ()

    @model_validator(mode="after")
    def _rising_stations(self) -> Circuit:
        elevation, banking = [p.station_m for p in self.elevation], [p.station_m for p in self.banking]
        for key, stations in (("elevation", elevation), ("banking", banking)):
            for before, after in pairwise(stations):
                if after <= before:
                    raise wrong(f"expected rising stations, got {after:g} behind {before:g}", key)
        return self

    @model_validator(mode="after")
    def _sectors_rise(self) -> Circuit:
        for i, mark in enumerate(self.sector_marks_m):
            before = self.sector_marks_m[i - 1] if i else 0.0
            if mark <= before:
                raise wrong(f"expected a station above {before:g} m, got {mark:g}", "sector_marks_m", i)
        return self

    @model_validator(mode="after")
    def _closes(self) -> Circuit:
        free = [i for i, s in enumerate(self.segments) if isinstance(s, Straight) and s.free]
        if len(free) != 2:
            raise wrong(f"expected exactly two straights with free: true, got {len(free)}", "segments")
        total = sum(s.turn_deg for s in self.segments if isinstance(s, Turn))
        if abs(abs(total) - 360.0) > 1e-9:
            raise wrong(f"expected turns that add up to 360 or -360 deg, got {total:g}", "segments")
        return self


# ---- scenario --------------------------------------------------------------------------------------------


class Origin(Closed):
    """Origin of the local east-north-up world, WGS 84."""

    latitude_deg: float = Field(ge=-89, le=89)
    longitude_deg: float = Field(ge=-180, le=180)
    height_m: float = Field(ge=-500, le=9000)  # above the ellipsoid
    geoid_separation_m: float = Field(default=0.0, ge=-120, le=100)  # mean sea level above the ellipsoid


class Start(Closed):
    """Where and how the ride starts; always from standstill in the support."""

    station_m: Station = 0.0
    gear: int = Field(default=1, ge=0, le=6)


class Support(Closed):
    """What holds the bike upright until it rides by itself: up to a speed, or for a time of the ride."""

    tow_acceleration_m_s2: float = Field(ge=0, le=10)
    release_speed_km_h: float | None = Field(default=None, gt=0, le=100)
    release_time_s: float | None = Field(default=None, ge=0, le=3600)

    @model_validator(mode="after")
    def _one_release(self) -> Support:
        _either("release_speed_km_h", self.release_speed_km_h, "release_time_s", self.release_time_s)
        return self


class SpeedProfile(Closed):
    """Limits of the target speed. Give the lateral limit either as acceleration or as lean.

    The longitudinal ones are of what engine and brakes do; what a slope does comes on top.
    """

    lateral_limit_m_s2: float | None = Field(default=None, gt=0, le=20)
    lean_limit_deg: float | None = Field(default=None, gt=0, le=65)
    acceleration_limit_m_s2: float = Field(gt=0, le=15)
    braking_limit_m_s2: float = Field(gt=0, le=15)
    top_speed_km_h: float = Field(gt=0, le=400)

    @model_validator(mode="after")
    def _one_lateral_limit(self) -> SpeedProfile:
        _either("lateral_limit_m_s2", self.lateral_limit_m_s2, "lean_limit_deg", self.lean_limit_deg)
        return self


class Patch(Closed):
    """A piece of road with a grip of its own. ``from_m`` after ``to_m`` means across the lap's end."""

    name: Name
    from_m: Station
    to_m: Station
    left_m: float = Field(default=25.0, ge=-50, le=50)
    right_m: float = Field(default=-25.0, ge=-50, le=50)
    grip: float = Field(ge=0, le=2)
    edge_m: float = Field(default=1.0, ge=0.05, le=50)

    @model_validator(mode="after")
    def _has_an_area(self) -> Patch:
        if self.from_m == self.to_m:
            raise wrong(f"expected another station than from_m, got {self.to_m:g} for both", "to_m")
        _left_of(self.left_m, self.right_m)
        return self


class Bump(Closed):
    """A bump across the road, one wave of the cosine from ``at_m`` on; a dip if its height is negative."""

    name: Name
    at_m: Station
    length_m: float = Field(ge=0.2, le=200)
    height_m: float = Field(ge=-0.5, le=0.5)
    left_m: float = Field(default=25.0, ge=-50, le=50)
    right_m: float = Field(default=-25.0, ge=-50, le=50)

    @model_validator(mode="after")
    def _has_a_width(self) -> Bump:
        _left_of(self.left_m, self.right_m)
        return self


class Roughness(Closed):
    """Unevenness of the whole road by its class in ISO 8608, A (very good) to H; ``seed`` picks the road."""

    iso_class: Literal["A", "B", "C", "D", "E", "F", "G", "H"]
    seed: int = Field(default=1, ge=0, le=2**32 - 1)


class Surface(Closed):
    """The road: friction coefficient, patches (the last one that covers a place wins), unevenness."""

    grip: float = Field(gt=0, le=2)
    patches: tuple[Patch, ...] = ()
    bumps: tuple[Bump, ...] = ()
    roughness: Roughness | None = None


class Wind(Closed):
    """Steady wind; ``from_deg`` is where it comes from, clockwise from north."""

    speed_m_s: float = Field(ge=0, le=40)
    from_deg: float = Field(ge=0, le=360)


class Moment(Closed):
    """When an event starts: at a time, or when the bike passes a station (in a lap, counted from 1)."""

    time_s: FromTime | None = None
    station_m: Station | None = None
    lap: int | None = Field(default=None, ge=1, le=1000)

    @model_validator(mode="after")
    def _one_trigger(self) -> Moment:
        _either("time_s", self.time_s, "station_m", self.station_m)
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


class NoFall(Closed):
    """The bike stays up."""

    kind: Literal["no_fall"]
    name: Name | None = None


class DistanceFromLine(Closed):
    """The bike stays near the line, from ``from_s`` after the support's release."""

    kind: Literal["distance_from_line"]
    name: Name | None = None
    limit_m: float = Field(gt=0, le=50)
    from_s: FromTime = 0.0


class SpeedError(Closed):
    """Speed stays near the target speed, from ``from_s`` after the support's release."""

    kind: Literal["speed_error"]
    name: Name | None = None
    limit_km_h: float = Field(gt=0, le=300)
    from_s: FromTime = 0.0


class Condition(Closed):
    """Temporal logic over recorded signals (emulator.campaign.temporal): one of

    signal with at_least or at_most (``size``: of its size); all_of, any_of, none_of a list; when with then;
    always, eventually within from_s to to_s from now, without to_s to the end; hold until something comes.
    """

    signal: RecordedSignal | None = None
    at_least: float | None = None
    at_most: float | None = None
    size: bool = False
    all_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    any_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    none_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    when: Condition | None = None
    then: Condition | None = None
    always: Condition | None = None
    eventually: Condition | None = None
    hold: Condition | None = None
    until: Condition | None = None
    from_s: FromTime | None = None
    to_s: FromTime | None = None

    @model_validator(mode="after")
    def _one_thing(self) -> Condition:
        heads = ("signal", "all_of", "any_of", "none_of", "when", "always", "eventually", "hold")
        given = [key for key in heads if getattr(self, key) is not None]
        if len(given) != 1:
            words = f"got {' and '.join(given)}" if given else "got none of them"
            raise wrong(f"expected one of {', '.join(heads)}, {words}")
        own = {
            "signal": ("at_least", "at_most", "size"),
            "when": ("then",),
            "always": ("from_s", "to_s"),
            "eventually": ("from_s", "to_s"),
            "hold": ("until", "from_s", "to_s"),
        }.get(given[0], ())
        for key in sorted(self.model_fields_set - {given[0], *own}):
            raise wrong(f"expected no such key beside {given[0]}", key)
        if given[0] == "signal" and (self.at_least is None) == (self.at_most is None):
            raise wrong("expected at_least or at_most beside signal, one of both")
        for head, partner in (("when", "then"), ("hold", "until")):
            if given[0] == head and getattr(self, partner) is None:
                raise wrong(f"missing key {partner!r} beside {head}")
        if self.to_s is not None and self.to_s < (self.from_s or 0.0):
            raise wrong(f"expected no less than from_s ({self.from_s:g}), got {self.to_s:g}", "to_s")
        return self


class Holds(Closed):
    """A condition holds, seen from ``from_s`` after the support's release on, while the ride runs."""

    kind: Literal["holds"]
    name: Name
    that: Condition
    from_s: FromTime = 0.0


Criterion: TypeAlias = Annotated[NoFall | DistanceFromLine | SpeedError | Holds, Field(discriminator="kind")]


class Scenario(Closed):
    """One ride and what it has to show."""

    kind: Literal["scenario"]
    name: Name
    purpose: Name
    circuit: FileName
    laps: int = Field(ge=1, le=1000)
    duration_limit_s: Duration
    utc: UtcTime
    leap_second: LeapDay | None = None  # the day that ends with 23:59:60
    origin: Origin
    start: Start = Start()
    support: Support
    speed: SpeedProfile
    surface: Surface
    wind: Wind | None = None
    events: tuple[Event, ...] = ()
    criteria: Annotated[tuple[Criterion, ...], Field(min_length=1)]


def _ramp_within(ramp_s: float, duration_s: float) -> None:
    if ramp_s > duration_s:
        raise wrong(f"expected at most duration_s ({duration_s:g} s), got {ramp_s:g}", "ramp_s")


# ---- loading ---------------------------------------------------------------------------------------------


def load_circuit(path: str | os.PathLike[str]) -> tuple[Circuit, Source]:
    """Read a circuit file. Raises ConfigError; also when its segments close to no circuit."""
    source = load(path)
    circuit = validate(Circuit, source)
    try:
        length = lap_length(circuit)
    except LineError as error:
        loc: Loc = ("segments",) if error.segment is None else ("segments", error.segment)
        raise ConfigError([source.problem(loc, error.expected)]) from None
    placed: list[tuple[Loc, float]] = [
        (("sector_marks_m", i), m) for i, m in enumerate(circuit.sector_marks_m)
    ]
    placed += [(("elevation", i, "station_m"), p.station_m) for i, p in enumerate(circuit.elevation)]
    placed += [(("banking", i, "station_m"), p.station_m) for i, p in enumerate(circuit.banking)]
    beyond = [
        source.problem(place, f"expected less than the lap of {length:.1f} m, got {station:g}")
        for place, station in placed
        if station >= length
    ]
    if beyond:
        raise ConfigError(beyond)
    return circuit, source


def line_segments(circuit: Circuit) -> tuple[line.Segment, ...]:
    """The segments as emulator.scenario.line takes them: radians."""
    return tuple(
        line.Straight(s.straight_m, s.free)
        if isinstance(s, Straight)
        else line.Turn(math.radians(s.turn_deg), s.radius_m, s.transition_m)
        for s in circuit.segments
    )


def lap_length(circuit: Circuit) -> float:
    """Length of a lap in metres, free straights solved. Raises LineError."""
    return float(line.build_line(line_segments(circuit), closed=True, ds_m=5.0).length)


def circuit_path(scenario: Scenario, source: Source) -> str:
    """The circuit file of a scenario."""
    return beside(source.path, scenario.circuit)


def load_scenario(path: str | os.PathLike[str]) -> tuple[Scenario, Source]:
    """Read a scenario and check it against its circuit. Raises ConfigError with what is wrong in both."""
    source = load(path)
    scenario = validate(Scenario, source)
    problems = _within_itself(scenario, source)
    file = circuit_path(scenario, source)
    if not os.path.isfile(file):
        problems.append(
            source.problem(("circuit",), f"no such file: {file} (paths are relative to this file)")
        )
    else:
        try:
            circuit, _ = load_circuit(file)
        except ConfigError as error:
            problems += error.problems
        else:
            problems += _within_circuit(scenario, source, lap_length(circuit))
    if problems:
        raise ConfigError(problems)
    return scenario, source


def _within_itself(scenario: Scenario, source: Source) -> list[Problem]:
    problems = []
    names: list[tuple[Loc, list[str]]] = [
        (("surface", "patches"), [p.name for p in scenario.surface.patches]),
        (("surface", "bumps"), [b.name for b in scenario.surface.bumps]),
        (("events",), [e.name for e in scenario.events]),
    ]
    for loc, given in names:
        first: dict[str, int] = {}
        for i, name in enumerate(given):
            if first.setdefault(name, i) != i:
                text = f"expected a name of its own, got {name!r}, which {loc[-1]}.{first[name]} has already"
                problems.append(source.problem((*loc, i, "name"), text))
    if scenario.leap_second is not None:
        last = scenario.utc + timedelta(seconds=scenario.duration_limit_s)
        midnight = datetime(*scenario.leap_second.timetuple()[:3], tzinfo=UTC) + timedelta(days=1)
        if not scenario.utc < midnight <= last:
            text = (
                f"expected a day that ends during the ride ({scenario.utc:%Y-%m-%dT%H:%M:%SZ} and "
                f"duration_limit_s {scenario.duration_limit_s:g}), got {scenario.leap_second}"
            )
            problems.append(source.problem(("leap_second",), text))
    for i, event in enumerate(scenario.events):
        at = event.at
        if at.time_s is not None and at.time_s >= scenario.duration_limit_s:
            end = f"duration_limit_s {scenario.duration_limit_s:g}"
            text = f"expected a time before the end ({end}), got {at.time_s:g}"
            problems.append(source.problem(("events", i, "at", "time_s"), text))
        if at.lap is not None and at.lap > scenario.laps:
            text = f"expected a lap from 1 to {scenario.laps} (laps), got {at.lap}"
            problems.append(source.problem(("events", i, "at", "lap"), text))
    for i, criterion in enumerate(scenario.criteria):
        if not isinstance(criterion, NoFall) and criterion.from_s >= scenario.duration_limit_s:
            text = (
                f"expected a time before the end (duration_limit_s {scenario.duration_limit_s:g}), "
                f"got {criterion.from_s:g}: this criterion would judge nothing"
            )
            problems.append(source.problem(("criteria", i, "from_s"), text))
    return problems


def _within_circuit(scenario: Scenario, source: Source, length_m: float) -> list[Problem]:
    stations: list[tuple[Loc, float | None]] = [(("start", "station_m"), scenario.start.station_m)]
    for i, patch in enumerate(scenario.surface.patches):
        stations += [
            (("surface", "patches", i, "from_m"), patch.from_m),
            (("surface", "patches", i, "to_m"), patch.to_m),
        ]
    stations += [(("surface", "bumps", i, "at_m"), b.at_m) for i, b in enumerate(scenario.surface.bumps)]
    stations += [(("events", i, "at", "station_m"), e.at.station_m) for i, e in enumerate(scenario.events)]
    return [
        source.problem(loc, f"expected a station within the circuit of {length_m:.1f} m, got {station:g}")
        for loc, station in stations
        if station is not None and station > length_m
    ]
