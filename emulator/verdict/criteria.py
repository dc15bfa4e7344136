"""What is asked of a ride, in SI, and how one criterion came out."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import ClassVar, Literal, TypeAlias

from emulator.core.errors import InternalError
from emulator.verdict.temporal import Formula

Wheel: TypeAlias = Literal["front", "rear"]
Bounds: TypeAlias = Literal["", "upper", "lower", "both"]


@dataclass(frozen=True, kw_only=True)
class Window:
    """The part of the ride that is looked at: from the support's release on, while running, cut down to

    from_s        [s]  this long after the release, or after ``from_event`` began
    to_event           until it begins
    during_event       from its beginning to its end
    from_station_m, to_station_m  [m]  stations of the lap; from above to: across the lap's end

    Raises InternalError for a limit or a time that makes no sense.
    """

    from_s: float = 0.0
    from_event: str | None = None
    to_event: str | None = None
    during_event: str | None = None
    from_station_m: float | None = None
    to_station_m: float | None = None

    def __post_init__(self) -> None:
        """Raises InternalError."""
        _check_numbers(self)


@dataclass(frozen=True)
class NoFall:
    """The bike is never down while running. Margin: +1 up, -1 down."""

    name: str = "no fall"
    kind: ClassVar[str] = "no_fall"


@dataclass(frozen=True)
class DistanceFromLine(Window):
    """|line.offset_m| within ``limit_m`` [m]."""

    limit_m: float
    name: str = "distance from line"
    kind: ClassVar[str] = "distance_from_line"


@dataclass(frozen=True)
class SpeedError(Window):
    """|truth.speed - line.target_speed| within ``limit_m_s`` [m/s]."""

    limit_m_s: float
    name: str = "speed error"
    kind: ClassVar[str] = "speed_error"


@dataclass(frozen=True)
class Lean(Window):
    """|truth.roll| within ``limit_rad`` [rad]."""

    limit_rad: float
    name: str = "lean"
    kind: ClassVar[str] = "lean"


@dataclass(frozen=True)
class LeanRate(Window):
    """|rate of truth.roll| within ``limit_rad_s`` [rad/s]."""

    limit_rad_s: float
    name: str = "lean rate"
    kind: ClassVar[str] = "lean_rate"


@dataclass(frozen=True)
class SteeringRate(Window):
    """|truth.steer_rate| within ``limit_rad_s`` [rad/s]."""

    limit_rad_s: float
    name: str = "steering rate"
    kind: ClassVar[str] = "steering_rate"


@dataclass(frozen=True)
class SteeringAcceleration(Window):
    """|rate of truth.steer_rate| within ``limit_rad_s2`` [rad/s2]."""

    limit_rad_s2: float
    name: str = "steering acceleration"
    kind: ClassVar[str] = "steering_acceleration"


@dataclass(frozen=True)
class SlipRatio(Window):
    """|truth.slip_ratio| of a wheel within ``limit`` while it bears load, above ``above_m_s`` [m/s]."""

    wheel: Wheel
    limit: float
    name: str = "slip ratio"
    above_m_s: float = 10.0 / 3.6
    kind: ClassVar[str] = "slip_ratio"


@dataclass(frozen=True)
class SlipAngle(Window):
    """|truth.slip_angle| of a wheel within ``limit_rad`` [rad]; for the rest as SlipRatio."""

    wheel: Wheel
    limit_rad: float
    name: str = "slip angle"
    above_m_s: float = 10.0 / 3.6
    kind: ClassVar[str] = "slip_angle"


@dataclass(frozen=True)
class FrictionUse(Window):
    """truth.friction_use of a wheel at most ``limit``."""

    wheel: Wheel
    limit: float
    name: str = "friction use"
    kind: ClassVar[str] = "friction_use"


@dataclass(frozen=True)
class PositionErrorCriterion(Window):
    """Error of the robot's estimate of its place within ``limit_m`` [m]: rms, 95th percentile or maximum."""

    limit_m: float = 0.025
    of: Literal["rms", "p95", "max"] = "rms"
    name: str = "place error"
    kind: ClassVar[str] = "place_error"


@dataclass(frozen=True)
class LapTime:
    """A lap within ``limit_s`` [s]; without its number the slowest whole one.

    sector_ends_m  [m]  as in emulator.verdict.laps; none: the line has no laps
    """

    limit_s: float
    sector_ends_m: tuple[float, ...]
    lap: int | None = None
    name: str = "lap time"
    kind: ClassVar[str] = "lap_time"

    def __post_init__(self) -> None:
        """Raises InternalError for a limit that makes no sense."""
        _check_numbers(self)


@dataclass(frozen=True)
class SectorTime:
    """The same of one sector, counted from 1."""

    limit_s: float
    sector_ends_m: tuple[float, ...]
    sector: int
    lap: int | None = None
    name: str = "sector time"
    kind: ClassVar[str] = "sector_time"

    def __post_init__(self) -> None:
        """Raises InternalError for a limit that makes no sense."""
        _check_numbers(self)


@dataclass(frozen=True)
class StopDistance(Window):
    """The way until no faster than ``to_m_s`` [m/s] within ``limit_m`` [m].

    It begins where event ``after`` begins, or else where the robot first brakes with ``brake_Pa`` [Pa].
    """

    limit_m: float
    to_m_s: float = 5.0 / 3.6
    after: str | None = None
    brake_Pa: float = 1e5
    name: str = "stop distance"
    kind: ClassVar[str] = "stop_distance"


@dataclass(frozen=True)
class ReactionTime:
    """From the beginning of event ``after`` to the robot's action within ``limit_s`` [s].

    The action is ``shown_by`` coming true or, without it, ``signal`` having changed by ``change`` or more.
    """

    after: str
    limit_s: float
    shown_by: Formula | None = None
    signal: str = ""
    change: float = 0.0
    name: str = "reaction time"
    kind: ClassVar[str] = "reaction_time"

    def __post_init__(self) -> None:
        """Raises InternalError for a limit that makes no sense, and if no action is named."""
        _check_numbers(self)
        if (self.shown_by is None) == (not self.signal):
            raise InternalError(f"criterion {self.name!r}: expected shown_by or signal, one of both")


@dataclass(frozen=True)
class SettleTime:
    """From event ``after`` until ``signal`` is within a band for good, at most ``limit_s`` [s].

    around, within  middle and half width of the band, in the signal's unit
    stay_s          [s]  how long beyond the limit it has to stay there
    counted_from         the event's start or its end
    """

    after: str
    limit_s: float
    signal: str
    around: float
    within: float
    stay_s: float = 1.0
    counted_from: Literal["start", "end"] = "start"
    name: str = "settle time"
    kind: ClassVar[str] = "settle_time"

    def __post_init__(self) -> None:
        """Raises InternalError for a limit that makes no sense."""
        _check_numbers(self)


@dataclass(frozen=True)
class CornerEntry(Window):
    """In every corner, from the throttle closing to ``lean_share`` of its lean within ``limit_s`` [s].

    corner_curvature_1_m  [1/m]  the line bends at least so much in a corner
    throttle_closed       [1]    at most this is closed
    brake_Pa              [Pa]   more is braking
    """

    limit_s: float = 0.6
    lean_share: float = 0.5
    corner_curvature_1_m: float = 1.0 / 200.0
    throttle_closed: float = 0.05
    brake_Pa: float = 1e5
    name: str = "corner entry"
    kind: ClassVar[str] = "corner_entry"


@dataclass(frozen=True)
class Holds(Window):
    """A formula of temporal logic holds, seen from the window's first instant, while the window lasts."""

    formula: Formula
    name: str = "condition"
    kind: ClassVar[str] = "holds"


Criterion: TypeAlias = (
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
    | Holds
)


def _check_numbers(criterion: Window | LapTime | SectorTime | ReactionTime | SettleTime) -> None:
    """Limits lie above 0, times not below, all are finite."""
    for f in fields(criterion):
        value = getattr(criterion, f.name)
        least = 0.0 if f.name == "from_s" else 5e-324 if f.name.startswith("limit") else None
        if least is not None and not least <= value < math.inf:
            raise InternalError(f"criterion {criterion.kind}: {f.name} {value} makes no sense")  # type: ignore[union-attr]


@dataclass(frozen=True)
class CriterionResult:
    """How one criterion came out.

    margin            [unit]  limit less worst; None if it could not be judged
    worst_time_s      [s]     scenario time of the worst instant (0: running starts), None if not judged
    worst_station_m   [m]     station of the line there
    sentence          the same for people; speeds in km/h, angles in degrees
    limit             [unit]  None where the criterion has no number
    signal            recorded column that the limit is one of; None where it is of something worked out
    bounds            whether the limit is the upper, the lower or, with either sign, both bounds of it
    from_s, to_s      [s]     first and last instant looked at, None where it was the whole ride
    """

    name: str
    kind: str
    passed: bool
    margin: float | None
    unit: str
    worst_time_s: float | None
    worst_station_m: float | None
    sentence: str
    limit: float | None = None
    signal: str | None = None
    bounds: Bounds = ""
    from_s: float | None = None
    to_s: float | None = None

    @property
    def margin_text(self) -> str:
        """The margin as an engineer reads it: signed, in km/h and degrees; a yes-or-no criterion has none."""
        if self.margin is None:
            return "unknown"
        if self.limit is None:
            return "–"
        scale, unit = SHOWN.get(self.unit, (1.0, self.unit))
        margin, size = self.margin * scale, abs(self.limit) * scale
        digits = 1 if unit == "km/h" else 3 if size < 1.0 else 2 if size < 100.0 else 1
        return f"{margin:+.{digits}f} {unit}".removesuffix(" 1")


SHOWN: dict[str, tuple[float, str]] = {
    "m/s": (3.6, "km/h"),
    "rad": (180.0 / math.pi, "°"),
    "rad/s": (180.0 / math.pi, "°/s"),
    "rad/s2": (180.0 / math.pi, "°/s²"),
    "Pa": (1e-5, "bar"),
}
"""Factor and unit in which people are told a quantity of that unit."""
