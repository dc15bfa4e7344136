"""What all criteria share: kind, name, limit and unit, the way to a result; the registry of their kinds."""

from __future__ import annotations

import math
from abc import abstractmethod
from dataclasses import dataclass
from typing import Any, ClassVar, Literal, NamedTuple, TypeAlias, get_args

from emulator.config.field_types import Name
from emulator.config.validation import UNIT_OF_SUFFIX, Closed
from emulator.core.errors import InternalError
from emulator.criteria.ride import JudgedRide, NotJudged

Bounds: TypeAlias = Literal["", "upper", "lower", "both"]
PanelBounds: TypeAlias = Literal["", "both", "around"]

KM_H = 1.0 / 3.6
"""One kilometre an hour [m/s]."""
DEG = math.pi / 180.0
"""One degree [rad]."""
BAR = 1e5
"""One bar [Pa]."""
POSITION_PANEL = "position"
"""Stands for the panel of the robot's position estimate, which is of no one signal."""

_TO_SI: dict[str, tuple[float, str]] = {
    "km/h": (KM_H, "m/s"),
    "deg": (DEG, "rad"),
    "deg/s": (DEG, "rad/s"),
    "deg/s2": (DEG, "rad/s2"),
    "bar": (BAR, "Pa"),
    "ms": (1e-3, "s"),
    "us": (1e-6, "s"),
}
"""By the unit of a key: the factor to SI, and the unit there. Other units are SI as they are."""
SHOWN: dict[str, tuple[float, str]] = {
    "m/s": (3.6, "km/h"),
    "rad": (180.0 / math.pi, "°"),
    "rad/s": (180.0 / math.pi, "°/s"),
    "rad/s2": (180.0 / math.pi, "°/s²"),
    "Pa": (1e-5, "bar"),
}
"""Factor and unit in which people are told a quantity of that unit."""


class NotMet(Exception):
    """A criterion that was not met and has no margin; its text is the sentence."""


class Finding(NamedTuple):
    """What a criterion found: the worst value beside the limit, and where; see CriterionResult.

    margin       None: there is none, although it was judged (``passed`` says how)
    row          of the record, the worst one
    rows         first and last one looked at; None: the whole ride
    unit, limit  None: the criterion's own
    """

    passed: bool
    margin: float | None
    row: int
    sentence: str
    signal: str | None = None
    bounds: Bounds = ""
    rows: tuple[int, int] | None = None
    unit: str | None = None
    limit: float | None = None


class Criterion(Closed):
    """One thing a ride has to show.

    A subclass with a ``kind`` of its own is a criterion that scenarios can name: its fields are the keys of
    the file, each unit in the key, and ``find`` is its judge. A field that begins with ``limit`` is the
    limit; ``limit_si`` gives it in SI.

    panel         signal in whose panel of the report the worst instant is marked, where the finding names no
                  signal (POSITION_PANEL: that of the position estimate)
    panel_bounds  what the limit bounds there: the signal on both sides of zero, or around it
    miss_stands   whether no rest of a ride can make good that it was missed
    """

    panel: ClassVar[str] = ""
    panel_bounds: ClassVar[PanelBounds] = ""
    miss_stands: ClassVar[bool] = False

    kind: str
    name: Name | None = None
    """What it is called in reports. Left out: its kind in words."""

    @classmethod
    def __pydantic_init_subclass__(cls, **_: Any) -> None:
        """Register a class with a kind of its own. Raises InternalError for a kind that is taken."""
        for kind in get_args(cls.model_fields["kind"].annotation):
            if REGISTRY.setdefault(kind, cls) is not cls:
                raise InternalError(
                    f"two criteria of kind {kind!r}: {REGISTRY[kind].__name__}, {cls.__name__}"
                )

    @abstractmethod
    def find(self, ride: JudgedRide) -> Finding:
        """Judge it. Raises NotJudged, NotMet."""

    @property
    def title(self) -> str:
        """Its name in reports; one that was not given is the kind in words."""
        return self.name or self.kind.replace("_", " ")

    @property
    def unit(self) -> str:
        """SI unit of its limit and margin; 1 for none."""
        return self._limit[1]

    @property
    def limit_si(self) -> float:
        """Its limit in SI. Raises InternalError for a criterion without one."""
        limit = self._limit[0]
        if limit is None:
            raise InternalError(f"a criterion of kind {self.kind} has no limit")
        return limit

    @property
    def _limit(self) -> tuple[float | None, str]:
        for key in type(self).model_fields:
            if key.startswith("limit"):
                unit = UNIT_OF_SUFFIX.get(key.removeprefix("limit_"), "1")
                factor, unit = _TO_SI.get(unit, (1.0, unit))
                return getattr(self, key) * factor, unit
        return None, "1"

    def judge(self, ride: JudgedRide) -> CriterionResult:
        """How it came out. Never raises for what a record holds or lacks."""
        limit, unit = self._limit
        try:
            found = self.find(ride)
            station_m = ride.station_m(found.row)
        except (NotJudged, NotMet) as why:
            sentence = f"could not be judged: {why}" if isinstance(why, NotJudged) else str(why)
            return CriterionResult(self.title, self.kind, False, None, unit, None, None, sentence, limit)
        first, last = (None, None) if found.rows is None else (ride.time_s(row) for row in found.rows)
        return CriterionResult(
            name=self.title,
            kind=self.kind,
            passed=found.passed,
            margin=found.margin,
            unit=found.unit or unit,
            worst_time_s=ride.time_s(found.row),
            worst_station_m=station_m,
            sentence=found.sentence,
            limit=limit if found.limit is None else found.limit,
            signal=found.signal,
            bounds=found.bounds,
            from_s=first,
            to_s=last,
        )


REGISTRY: dict[str, type[Criterion]] = {}
"""Classes by their kind, as far as their modules are imported; all of them: emulator.criteria.kinds.KINDS."""


def margin_text(margin: float | None, limit: float | None, unit: str) -> str:
    """A margin [unit] as an engineer reads it: signed, in km/h and degrees; none of a yes-or-no criterion."""
    if margin is None:
        return "unknown"
    return "–" if limit is None else _shown(margin, limit, unit, "+")


def limit_text(limit: float | None, unit: str) -> str:
    """A limit [unit] in the unit and with the digits of its margin; none of a yes-or-no criterion."""
    return "none" if limit is None else _shown(limit, limit, unit, "")


def _shown(value: float, limit: float, unit: str, sign: str) -> str:
    scale, shown = SHOWN.get(unit, (1.0, unit))
    size = abs(limit) * scale
    digits = 1 if shown == "km/h" else 3 if size < 1.0 else 2 if size < 100.0 else 1
    return f"{value * scale:{sign}.{digits}f} {shown}".removesuffix(" 1")


_LEAST_LIMIT = 1e-12
"""A limit nearer to zero has no percent."""


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
        return margin_text(self.margin, self.limit, self.unit)

    @property
    def margin_percent(self) -> float | None:
        """The margin in percent of the limit; None where either is not known or the limit is next to zero."""
        if self.margin is None or self.limit is None or abs(self.limit) <= _LEAST_LIMIT:
            return None
        return 100.0 * self.margin / abs(self.limit)
