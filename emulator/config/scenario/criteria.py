"""What a ride has to show: the criteria of a scenario file.

Each looks at the ride from the support's release on, or at the part of it that its window names
(:class:`TimeWindow`, :class:`Window`). Values that have no unit in their key are in the signal's own unit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.field_types import Name, RecordedSignal
from emulator.config.scenario.quantities import FromTime, Station
from emulator.config.validation import Closed, did_you_mean, wrong
from emulator.config.yaml_source import Loc

Wheel: TypeAlias = Literal["front", "rear"]
LimitTime: TypeAlias = Annotated[float, Field(gt=0, le=86_400)]
Share: TypeAlias = Annotated[float, Field(gt=0, le=1)]


class TimeWindow(Closed):
    """The part of the ride a criterion looks at, in time.

    ``from_s`` after the support's release or, with ``from_event``, after that event began; ``to_event``:
    until that one begins; ``during_event``: from its beginning to its end.
    """

    name: Name | None = None
    from_s: FromTime = 0.0
    from_event: Name | None = None
    to_event: Name | None = None
    during_event: Name | None = None

    @model_validator(mode="after")
    def _one_way_to_say_it(self) -> TimeWindow:
        for key in ("from_event", "to_event"):
            if self.during_event is not None and getattr(self, key) is not None:
                raise wrong(f"expected either during_event or {key}, got both", key)
        return self


class Window(TimeWindow):
    """The same, and in place: stations within every lap; from above to: across the lap's end."""

    from_station_m: Station | None = None
    to_station_m: Station | None = None

    @model_validator(mode="after")
    def _has_a_length(self) -> Window:
        if self.from_station_m is not None and self.from_station_m == self.to_station_m:
            raise wrong(
                f"expected another station than from_station_m, got {self.to_station_m:g} for both",
                "to_station_m",
            )
        return self


class NoFall(Closed):
    """The bike stays up."""

    kind: Literal["no_fall"]
    name: Name | None = None


class DistanceFromLine(Window):
    """The bike stays near the line."""

    kind: Literal["distance_from_line"]
    limit_m: float = Field(gt=0, le=50)


class SpeedError(Window):
    """Speed stays near the target speed."""

    kind: Literal["speed_error"]
    limit_km_h: float = Field(gt=0, le=300)


class Lean(Window):
    """Lean to either side stays within a limit."""

    kind: Literal["lean"]
    limit_deg: float = Field(gt=0, le=90)


class LeanRate(Window):
    """The bike does not roll faster than that."""

    kind: Literal["lean_rate"]
    limit_deg_s: float = Field(gt=0, le=3600)


class SteeringRate(Window):
    """The steering does not turn faster than that."""

    kind: Literal["steering_rate"]
    limit_deg_s: float = Field(gt=0, le=36_000)


class SteeringAcceleration(Window):
    """The steering's rate does not change faster than that."""

    kind: Literal["steering_acceleration"]
    limit_deg_s2: float = Field(gt=0, le=10_000_000)


class SlipRatio(Window):
    """A tyre's longitudinal slip, while it bears load and the bike is faster than ``above_km_h``."""

    kind: Literal["slip_ratio"]
    wheel: Wheel
    limit: float = Field(gt=0, le=100)
    above_km_h: float = Field(default=10.0, ge=0, le=300)


class SlipAngle(Window):
    """A tyre's slip angle, while it bears load and the bike is faster than ``above_km_h``."""

    kind: Literal["slip_angle"]
    wheel: Wheel
    limit_deg: float = Field(gt=0, le=90)
    above_km_h: float = Field(default=10.0, ge=0, le=300)


class FrictionUse(Window):
    """A tyre's force over what its friction allows; it never goes above 1, where the tyre slides."""

    kind: Literal["friction_use"]
    wheel: Wheel
    limit: float = Field(gt=0, lt=1)


class PositionErrorCriterion(Window):
    """The robot knows where it is: root mean square, 95th percentile or maximum of its estimate's error.

    The default limit is common practice, no source.
    """

    kind: Literal["place_error"]
    limit_m: float = Field(default=0.025, gt=0, le=1000)
    of: Literal["rms", "p95", "max"] = "rms"


class LapTime(Closed):
    """A lap takes at most so long: the one of that number, or else the slowest whole one."""

    kind: Literal["lap_time"]
    name: Name | None = None
    limit_s: LimitTime
    lap: int | None = Field(default=None, ge=1, le=1000)


class SectorTime(Closed):
    """A sector, counted from 1, takes at most so long: in that lap, or else in the slowest one."""

    kind: Literal["sector_time"]
    name: Name | None = None
    limit_s: LimitTime
    sector: int = Field(ge=1, le=1000)
    lap: int | None = Field(default=None, ge=1, le=1000)


class StopDistance(Window):
    """How far the bike goes until it is no faster than ``to_km_h``.

    Counted from the beginning of event ``after``, or else from the window's first instant at which the robot
    brakes (pressure above ``brake_bar``).
    """

    kind: Literal["stop_distance"]
    limit_m: float = Field(gt=0, le=10_000)
    to_km_h: float = Field(default=5.0, ge=0, le=300)
    after: Name | None = None
    brake_bar: float = Field(default=1.0, gt=0, le=200)

    @model_validator(mode="after")
    def _one_beginning(self) -> StopDistance:
        if self.after is not None:
            for key in sorted(self.model_fields_set & (set(Window.model_fields) - {"name"} | {"brake_bar"})):
                raise wrong(f"expected no {key} beside after, which says where it begins", key)
        return self


class Condition(Closed):
    """Temporal logic over recorded signals (emulator.verdict.temporal): one of

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

    def signals(self) -> Iterator[str]:
        """Names of all signals it looks at."""
        if self.signal is not None:
            yield self.signal
        parts = [self.when, self.then, self.always, self.eventually, self.hold, self.until]
        for several in (self.all_of, self.any_of, self.none_of):
            parts += several or ()
        for part in parts:
            if part is not None:
                yield from part.signals()


class Holds(TimeWindow):
    """A condition holds, seen from the window's first instant on, while the window lasts."""

    kind: Literal["holds"]
    name: Name
    that: Condition


class ReactionTime(Closed):
    """The robot acts within ``limit_s`` of the beginning of event ``after``.

    Its action is a condition over ``robot`` signals that comes true, or a change of one of them by at least
    ``change`` from what it was when the event began.
    """

    kind: Literal["reaction_time"]
    name: Name | None = None
    after: Name
    limit_s: LimitTime
    shown_by: Condition | None = None
    signal: RecordedSignal | None = None
    change: float | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _one_action(self) -> ReactionTime:
        if (self.shown_by is None) == (self.signal is None):
            raise wrong("expected either shown_by, or signal and change")
        if (self.signal is None) != (self.change is None):
            raise wrong("expected signal and change together, got one of both")
        for name in (self.signal,) if self.shown_by is None else self.shown_by.signals():
            if name is not None and not name.startswith("robot."):
                key = "signal" if self.shown_by is None else "shown_by"
                raise wrong(f"expected signals of the robot (robot.throttle and so on), got {name}", key)
        return self


class SettleTime(Closed):
    """A signal is back within a band around a value, and stays for ``stay_s``, so long after an event.

    The band is ``around`` plus and minus ``within``, both in the signal's unit. Looked at are ``limit_s`` and
    ``stay_s`` after the event's beginning, or its end if ``counted_from`` says so.
    """

    kind: Literal["settle_time"]
    name: Name | None = None
    after: Name
    counted_from: Literal["start", "end"] = "start"
    limit_s: LimitTime
    signal: RecordedSignal
    around: float = 0.0
    within: float = Field(gt=0)
    stay_s: float = Field(default=1.0, gt=0, le=3600)


class CornerEntry(Window):
    """In every corner: from the robot's throttle closing to the lean reaching a share of the corner's most.

    The time a robot needs for throttle off, brake, clutch, downshift and lean; the default limit is common
    practice, no source. A corner is where the line bends with at most ``corner_radius_m``; one that is
    entered without closing the throttle is left out.
    """

    kind: Literal["corner_entry"]
    limit_s: LimitTime = 0.6
    lean_share: Share = 0.5
    corner_radius_m: float = Field(default=200.0, gt=0, le=5000)
    throttle_closed: float = Field(default=0.05, ge=0, lt=1)
    brake_bar: float = Field(default=1.0, gt=0, le=200)


Criterion: TypeAlias = Annotated[
    NoFall
    | DistanceFromLine
    | SpeedError
    | Lean
    | LeanRate
    | SteeringRate
    | SteeringAcceleration
    | SlipRatio
    | SlipAngle
    | FrictionUse
    | PositionErrorCriterion
    | LapTime
    | SectorTime
    | StopDistance
    | ReactionTime
    | SettleTime
    | CornerEntry
    | Holds,
    Field(discriminator="kind"),
]

_OF_EVENTS = ("from_event", "to_event", "during_event", "after")


def contradictions(
    criteria: Sequence[Criterion], events: Sequence[str], laps: int, duration_limit_s: float
) -> Iterator[tuple[Loc, str]]:
    """What criteria ask of a scenario that it has not: place below ``criteria``, and the sentence."""
    for i, criterion in enumerate(criteria):
        for key in _OF_EVENTS:
            name = getattr(criterion, key, None)
            if name is not None and name not in events:
                known = f"one of {', '.join(events)}" if events else "it has none"
                yield (
                    (i, key),
                    f"expected the name of an event of this scenario ({known}), got {name!r}"
                    f"{did_you_mean(name, events)}",
                )
        from_s = getattr(criterion, "from_s", 0.0)
        if from_s >= duration_limit_s:
            yield (
                (i, "from_s"),
                f"expected a time before the end (duration_limit_s {duration_limit_s:g}), got {from_s:g}: "
                "this criterion would judge nothing",
            )
        lap = getattr(criterion, "lap", None)
        if lap is not None and lap > laps:
            yield (i, "lap"), f"expected a lap from 1 to {laps} (laps), got {lap}"


def beyond_circuit(criteria: Sequence[Criterion], length_m: float, sectors: int) -> Iterator[tuple[Loc, str]]:
    """What criteria ask of a circuit of so many metres and sectors that it has not."""
    for i, criterion in enumerate(criteria):
        for key in ("from_station_m", "to_station_m"):
            station = getattr(criterion, key, None)
            if station is not None and station > length_m:
                yield (
                    (i, key),
                    f"expected a station within the circuit of {length_m:.1f} m, got {station:g}",
                )
        if isinstance(criterion, SectorTime) and criterion.sector > sectors:
            yield (
                (i, "sector"),
                f"expected a sector from 1 to {sectors} (the circuit's), got {criterion.sector}",
            )
