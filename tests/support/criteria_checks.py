"""Small rides with closed answers, one list of checks a criterion; ordinary tests and mutants run the same.

A ride: 100 ticks armed, then 3 s running (ticks 0 to 2999), then 20 ticks stopping. The support lets go at
tick 500. It starts at station 100 m and rides 20 m/s, so station = 100 + 20 t. No physics.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np
from pydantic import ValidationError

from emulator.core.signals import RUNNING
from emulator.criteria.base import Criterion, CriterionResult
from emulator.criteria.ride import JudgedRide
from emulator.criteria.temporal import Always, Compare, Eventually, Every
from emulator.record.reader import Event, Frames, Run
from tests.support.criteria_in_si import (
    CornerEntry,
    DistanceFromLine,
    FrictionUse,
    Holds,
    LapTime,
    Lean,
    LeanRate,
    NoFall,
    PositionErrorCriterion,
    ReactionTime,
    SectorTime,
    SettleTime,
    SlipAngle,
    SlipRatio,
    SpeedError,
    SteeringAcceleration,
    SteeringRate,
    StopDistance,
    of,
)

Check: TypeAlias = Callable[[], None]
CHECKS: dict[str, list[Check]] = {}
"""Checks of each criterion by its kind."""
ALL: list[Check] = []
"""All of them, and those of what all criteria share."""


def checks(*kinds: str) -> Callable[[Check], Check]:
    """Notes a check of criteria of these kinds; none: of what they share."""

    def noted(check: Check) -> Check:
        for kind in kinds:
            CHECKS.setdefault(kind, []).append(check)
        ALL.append(check)
        return check

    return noted


ARMED, RIDDEN, AFTER = 100, 3000, 20
ROWS = ARMED + RIDDEN + AFTER
RELEASE = 500
TICK = np.arange(-ARMED, RIDDEN + AFTER)
T = TICK / 1000
_NONE = np.empty(0, np.int64)
_NO_FRAMES = Frames(
    _NONE,
    _NONE,
    _NONE,
    _NONE.astype(np.uint8),
    _NONE,
    _NONE.astype(np.uint8),
    np.empty((0, 64), np.uint8),
    _NONE,
)
_USUAL = {
    "truth.speed_m_s": 20.0,
    "line.target_speed_m_s": 20.0,
    "truth.load_front_N": 1000.0,
    "truth.load_rear_N": 1000.0,
}
_STATION = np.round(100.0 + 0.02 * np.clip(TICK, 0, RIDDEN), 6)


def judged(run: Run, criterion: Criterion, sector_ends_m: tuple[float, ...] = ()) -> CriterionResult:
    """How a criterion comes out on a run."""
    return criterion.judge(JudgedRide(run, sector_ends_m))


class _Columns(dict[str, np.ndarray]):
    """Columns that nobody gave are as usual, mostly zero."""

    rows = ROWS

    def __missing__(self, name: str) -> np.ndarray:
        self[name] = np.full(self.rows, _USUAL.get(name, 0.0))
        return self[name]

    def get(self, name: str, default: Any = None) -> Any:
        return self[name]

    def __contains__(self, name: object) -> bool:
        return True


def ridden(events: dict[str, tuple[int, int]] | None = None, **columns: np.ndarray) -> Run:
    """A ride; columns replace their namesakes (__ for .), events are active from tick to tick."""
    signals = _Columns(
        {
            "bench.state": np.where(TICK < 0, 1.0, np.where(TICK < RIDDEN, 2.0, 3.0)),
            "truth.support": (TICK < RELEASE) * 1.0,
            "line.station_m": _STATION,
        }
    )
    signals |= {k.replace("__", "."): v for k, v in columns.items()}
    mask = np.zeros(ROWS)
    for bit, (first, end) in enumerate((events or {}).values()):
        mask += 2.0**bit * ((first <= TICK) & (end > TICK))
    signals["bench.events_active"] = mask
    manifest = {
        "scenario": {"events": [{"name": name} for name in events or {}]},
        "line": {"length_m": 110.0},
        "rig": {"device_under_test": {"estimate_age_ms": 4.0}},
    }
    return Run(Path("run"), manifest, TICK, TICK * 1_000_000, signals, _NO_FRAMES, [])


def at(values: dict[int, float], base: float | np.ndarray = 0.0) -> np.ndarray:
    """A column of ``base`` with values at single ticks."""
    column = np.zeros(ROWS) + base
    for tick, value in values.items():
        column[tick + ARMED] = value
    return column


def part(first: int, end: int, value: float = 1.0, base: float = 0.0) -> np.ndarray:
    """A column of ``base`` that is ``value`` from tick ``first`` until before ``end``."""
    return np.where((first <= TICK) & (end > TICK), value, base)


def seen(r: CriterionResult) -> tuple[bool, float | None, float | None, float | None]:
    """Verdict, margin, moment and station, rounded where sums of times are."""
    return (
        r.passed,
        None if r.margin is None else round(r.margin, 9),
        None if r.worst_time_s is None else round(r.worst_time_s, 9),
        None if r.worst_station_m is None else round(r.worst_station_m, 9),
    )


def thinned(run: Run, step: int) -> Run:
    """Every ``step``-th row, from the first one that runs."""
    rows = slice(ARMED % step, None, step)
    signals = _Columns({name: column[rows] for name, column in run.signals.items()})
    signals.rows = len(run.tick[rows])
    return Run(run.folder, run.manifest, run.tick[rows], run.time_ns[rows], signals, run.frames, [])


def _from(run: Run, tick: int) -> Run:
    """The record from a tick on."""
    signals = _Columns({name: column[ARMED + tick :] for name, column in run.signals.items()})
    signals.rows = ROWS - ARMED - tick
    kept = slice(ARMED + tick, None)
    return Run(run.folder, run.manifest, run.tick[kept], run.time_ns[kept], signals, run.frames, [])


def unjudged(r: CriterionResult, why: str) -> bool:
    """Not met, without margin, and it says why."""
    return seen(r) == (False, None, None, None) and r.sentence == f"could not be judged: {why}"


def refused(criterion: Callable[[], Criterion]) -> tuple[str, ...]:
    """The key at which a criterion is refused by a rule of its own."""
    try:
        criterion()
    except ValidationError as error:
        return tuple(error.errors()[0]["ctx"]["key"])
    raise AssertionError("was not refused")


# -- windows ---------------------------------------------------------------------------------------------

EVENTS = {"gust": (800, 1200), "wet": (1500, 2000), "later": (2600, 9999)}


@checks()
def window_in_time() -> None:
    offset = at({400: 9.0, 500: 5.0, 800: 4.0, 1199: 3.5, 1200: 3.0, 1500: 2.5, 2999: 2.0, 3000: 9.0})
    run = ridden(EVENTS, line__offset_m=offset)

    def worst(**window: Any) -> tuple[float | None, float | None, float | None, float | None]:
        r = judged(run, DistanceFromLine(10.0, **window))
        return r.margin, r.worst_time_s, r.from_s, r.to_s

    assert worst() == (5.0, 0.5, 0.5, 2.999)
    assert worst(from_s=0.75) == (6.0, 0.8, 0.75, 2.999)
    assert worst(from_event="gust") == (6.0, 0.8, 0.8, 2.999)
    assert worst(from_event="gust", from_s=0.25) == (6.5, 1.199, 1.05, 2.999)
    assert worst(to_event="gust") == (5.0, 0.5, 0.5, 0.799)
    assert worst(from_event="gust", from_s=0.25, to_event="wet") == (6.5, 1.199, 1.05, 1.499)
    assert worst(during_event="gust") == (6.0, 0.8, 0.8, 1.199)
    assert worst(during_event="gust", from_s=0.25) == (6.5, 1.199, 1.05, 1.199)
    assert worst(during_event="later") == (8.0, 2.999, 2.6, 2.999)
    # the event is over at tick 1200; how far one goes on looking is said, to the tick
    assert worst(during_event="gust", recovery_s=0.0) == (6.0, 0.8, 0.8, 1.199)
    assert worst(during_event="gust", recovery_s=0.25) == (6.0, 0.8, 0.8, 1.449)
    assert worst(during_event="later", recovery_s=2.0) == (8.0, 2.999, 2.6, 2.999)
    assert worst(during_event="wet", recovery_s=60.0) == (7.5, 1.5, 1.5, 2.999)
    late = ridden({"gust": (800, 1200)}, line__offset_m=at({1100: 1.0, 1300: 4.0}))
    assert judged(late, DistanceFromLine(2.0, during_event="gust")).passed
    assert judged(late, DistanceFromLine(2.0, during_event="gust", recovery_s=0.1)).passed
    assert not judged(late, DistanceFromLine(2.0, during_event="gust", recovery_s=0.101)).passed
    early = ridden({"early": (100, 900)}, line__offset_m=offset)
    assert judged(early, DistanceFromLine(10.0, from_event="early")).from_s == 0.5
    assert judged(early, DistanceFromLine(10.0, during_event="early")).from_s == 0.5
    assert judged(early, DistanceFromLine(10.0, during_event="early")).to_s == 0.899
    # counted from the event, which began in the support
    assert judged(early, DistanceFromLine(10.0, from_event="early", from_s=0.6)).from_s == 0.7
    assert judged(early, DistanceFromLine(10.0, during_event="early", from_s=0.3)).from_s == 0.5
    # 1100 ms is 1.1 s: the first row of the window is in it, in whichever way the product is rounded
    assert judged(run, DistanceFromLine(1.0, from_s=1.1)).from_s == 1.1


@checks()
def window_in_place() -> None:
    # laps of 110 m: at tick 500 the bike is at 110, station 0 of the second lap
    run = ridden(line__offset_m=at({500: 5.0, 1000: 4.0, 1500: 3.0, 2000: 2.0, 2999: 1.0}))

    def looked(first: float | None, last: float | None) -> tuple[float | None, float | None, float | None]:
        r = judged(run, DistanceFromLine(10.0, from_station_m=first, to_station_m=last))
        return r.margin, r.from_s, r.to_s

    assert looked(0.0, None) == (5.0, 0.5, 2.999)
    assert looked(10.0, 20.0) == (6.0, 1.0, 1.5)
    assert looked(20.0, None) == (7.0, 1.5, 2.999)
    assert looked(None, 5.0) == (5.0, 0.5, 0.75)
    assert looked(20.0, 10.0) == (5.0, 0.5, 2.999)  # across the line, all but 10 to 20 m
    assert looked(20.02, 9.98) == (5.0, 0.5, 2.999)
    around = DistanceFromLine(3.5, from_station_m=12.0, to_station_m=8.0)
    assert not judged(run, around).passed
    assert judged(ridden(line__offset_m=at({1000: 4.0})), around).passed
    open_line = ridden(line__offset_m=at({1000: 4.0}))
    open_line.manifest["line"]["closed"] = False
    assert unjudged(
        judged(open_line, DistanceFromLine(10.0, from_station_m=10.0, to_station_m=20.0)),
        "no instant of the ride lies in its window",
    )
    assert seen(judged(open_line, DistanceFromLine(10.0, from_station_m=120.0)))[1] == 6.0
    del open_line.manifest["line"]
    assert seen(judged(open_line, DistanceFromLine(10.0, from_station_m=120.0)))[1] == 6.0


@checks()
def window_that_is_not_there() -> None:
    run = ridden(EVENTS)
    for key in ("from_event", "to_event", "during_event"):
        r = judged(run, DistanceFromLine(1.0, **{key: "flood"}))
        assert unjudged(r, "event 'flood' never happened")
    assert unjudged(judged(run, DistanceFromLine(1.0, from_s=9.0)), "the ride ended before 9 s into the ride")
    assert unjudged(
        judged(run, DistanceFromLine(1.0, from_event="wet", from_s=9.0)),
        "the ride ended before 9 s after event 'wet' began",
    )
    assert unjudged(
        judged(run, DistanceFromLine(1.0, from_event="wet", to_event="gust")),
        "no instant of the ride lies in its window",
    )
    assert unjudged(judged(ridden(truth__support=at({}, 1.0)), Lean(1.0)), "the support never let go")
    assert unjudged(judged(ridden(bench__state=at({}, 1.0)), Lean(1.0)), "the ride never started")
    assert unjudged(
        judged(ridden(bench__state=at({7: np.nan}, 2.0)), Lean(1.0)), "bench.state is not a number throughout"
    )
    # the last tick held, the first one free
    held = part(0, RIDDEN - 1)
    assert judged(ridden(truth__support=held), Lean(1.0)).from_s == 2.999


@checks()
def window_with_a_hole() -> None:
    run = ridden()
    keep = np.ones(ROWS, bool)
    keep[ARMED + 1300] = False
    signals = {name: run.signals[name][keep] for name in ("bench.state", "truth.support", "truth.roll_rad")}
    holed = Run(run.folder, run.manifest, run.tick[keep], run.time_ns[keep], signals, run.frames, [])
    assert unjudged(judged(holed, Lean(1.0)), "samples are missing 1.3 s into the ride")
    assert unjudged(judged(Run(*_without(run, "bench.state")), Lean(1.0)), "the record has no bench.state")
    assert unjudged(
        judged(Run(*_without(run, "truth.roll_rad")), Lean(1.0)), "the record has no truth.roll_rad"
    )


def _without(run: Run, name: str) -> tuple[Any, ...]:
    names = ("bench.state", "truth.support", "truth.roll_rad", "line.station_m")
    signals = {n: run.signals[n] for n in names if n != name}
    return run.folder, run.manifest, run.tick, run.time_ns, signals, run.frames, []


@checks()
def what_is_no_number() -> None:
    for bad in (np.nan, np.inf, -np.inf):
        run = ridden(truth__roll_rad=at({1200: bad}))
        assert unjudged(judged(run, Lean(1.0)), "truth.roll_rad is not a number 1.2 s into the ride")
        assert judged(run, Lean(1.0, from_s=1.201)).passed  # it is not looked at
        run = ridden(line__station_m=at({1200: bad}, _STATION))
        assert unjudged(judged(run, Lean(1.0)), "line.station_m is not a number 1.2 s into the ride")


# -- limits ----------------------------------------------------------------------------------------------


@checks("no_fall")
def stays_up() -> None:
    roll = at({200: -0.5, 1500: 0.75, 2200: -0.25, 3010: 0.6, -50: 2.0})
    r = judged(ridden(truth__roll_rad=roll), NoFall())
    assert seen(r) == (True, 1.0, 1.5, 130.0)
    assert r.sentence == ("stayed up; largest lean 43.0° to the right, 1.5 s into the ride at station 130 m")
    assert (r.unit, r.limit, r.signal, r.bounds, r.from_s) == ("1", None, None, "", None)
    assert "largest lean 43.0° to the left" in judged(ridden(truth__roll_rad=-roll), NoFall()).sentence
    assert "0.0° to the left" in judged(ridden(), NoFall()).sentence


@checks("no_fall")
def falls() -> None:
    for first in (0, 2000, RIDDEN):  # the tick that sees it is often the one that leaves running
        speed = at({first: 10.0}, 20.0)
        r = judged(ridden(truth__fallen=part(first, 9999), truth__speed_m_s=speed), NoFall())
        assert seen(r)[:3] == (False, -1.0, first / 1000)
        assert r.sentence.startswith("fell ")
        assert r.sentence.endswith(f"at station {_STATION[first + ARMED]:.0f} m, at 36 km/h")
    assert judged(ridden(truth__fallen=part(-50, 0)), NoFall()).passed  # before the ride


@checks("distance_from_line")
def distance() -> None:
    run = ridden(line__offset_m=at({1000: 0.5, 2000: -1.5, 1900: -1.25}))
    r = judged(run, DistanceFromLine(2.0))
    assert seen(r) == (True, 0.5, 2.0, 140.0)
    assert (r.unit, r.limit, r.signal, r.bounds) == ("m", 2.0, "line.offset_m", "both")
    assert (r.name, r.kind) == ("distance from line", "distance_from_line")
    assert judged(run, DistanceFromLine(2.0, name="wide")).name == "wide"
    assert r.sentence == (
        "stayed within 1.50 m of the line (limit 2.00 m), "
        "closest to the limit 2.0 s into the ride at station 140 m"
    )
    down = ridden(line__offset_m=at({1000: 0.5, 2000: -1.5, 2001: -9.0}), truth__fallen=part(2000, 9999))
    assert seen(judged(down, DistanceFromLine(2.0))) == (True, 0.5, 2.0, 140.0)  # what lies is not judged
    assert judged(run, DistanceFromLine(1.5)).passed  # on the limit
    r = judged(run, DistanceFromLine(1.0))
    assert seen(r) == (False, -0.5, 2.0, 140.0)
    assert r.sentence == (
        "was up to 1.50 m off the line (limit 1.00 m), worst 2.0 s into the ride at station 140 m; "
        "beyond the limit first 1.9 s into the ride at station 138 m"
    )
    r = judged(run, DistanceFromLine(1.25))
    assert r.sentence.endswith("first 2.0 s into the ride at station 140 m")  # at 1.9 s it is on the limit
    assert seen(judged(ridden(), DistanceFromLine(1.0)))[1:] == (1.0, 0.5, 110.0)  # never off


@checks("speed_error")
def speed() -> None:
    run = ridden(truth__speed_m_s=at({1000: 21.0, 2000: 17.0}, 20.0))
    r = judged(run, SpeedError(4.0))
    assert seen(r) == (True, 1.0, 2.0, 140.0)
    assert (r.unit, r.limit, r.signal, r.bounds) == ("m/s", 4.0, None, "")
    assert r.sentence.startswith("stayed within 10.8 km/h of the target speed (limit 14.4 km/h), closest")
    assert judged(run, SpeedError(3.0)).passed
    assert judged(run, SpeedError(2.5)).sentence.startswith("was up to 10.8 km/h off the target speed (limit")
    fast = ridden(line__target_speed_m_s=at({2000: 22.0}, 20.0))
    assert seen(judged(fast, SpeedError(3.0)))[1] == 1.0


@checks("lean")
def lean() -> None:
    run = ridden(truth__roll_rad=at({1000: 0.5, 2000: -0.75}))
    r = judged(run, Lean(0.875))
    assert seen(r) == (True, 0.125, 2.0, 140.0)
    assert (r.unit, r.limit, r.signal, r.bounds) == ("rad", 0.875, "truth.roll_rad", "both")
    assert r.sentence.startswith("lean at most 43.0° (limit 50.1°), closest to the limit 2.0 s")
    assert judged(run, Lean(0.75)).passed
    assert judged(run, Lean(0.7)).sentence.startswith("lean up to 43.0° (limit 40.1°), worst 2.0 s")


@checks("lean_rate")
def lean_rate() -> None:
    # turning by 2 rad/s about the vertical while pitched by 0.25 rad and leaned by 0.5: the angle's own rate
    # is p + (q sin(roll) + r cos(roll)) tan(pitch)
    run = ridden(
        truth__roll_rate_rad_s=at({1500: 0.5}),
        truth__pitch_rate_rad_s=at({1500: 1.5}),
        truth__yaw_rate_rad_s=at({1500: 2.0}),
        truth__roll_rad=at({}, 0.5),
        truth__pitch_rad=at({}, 0.25),
    )
    expected = 0.5 + (1.5 * math.sin(0.5) + 2.0 * math.cos(0.5)) * math.tan(0.25)
    r = judged(run, LeanRate(3.0))
    assert seen(r) == (True, round(3.0 - expected, 9), 1.5, 130.0)
    assert (r.unit, r.signal) == ("rad/s", None)
    assert r.sentence.startswith("lean rate at most 64.8°/s (limit 171.9°/s)")
    assert not judged(run, LeanRate(1.0)).passed


@checks("steering_rate")
def steering_rate() -> None:
    r = judged(ridden(truth__steer_rate_rad_s=at({1500: -0.5})), SteeringRate(0.75))
    assert seen(r) == (True, 0.25, 1.5, 130.0)
    assert (r.unit, r.signal, r.bounds) == ("rad/s", "truth.steer_rate_rad_s", "both")
    assert r.sentence.startswith("steering rate at most 28.6°/s (limit 43.0°/s)")


@checks("steering_acceleration")
def steering_acceleration() -> None:
    rate = np.where(TICK >= 1500, -0.5, 0.0)
    run = ridden(truth__steer_rate_rad_s=rate)
    r = judged(run, SteeringAcceleration(600.0))
    assert seen(r) == (True, 100.0, 1.5, 130.0)  # half a radian a second in a tick
    assert (r.unit, r.signal) == ("rad/s2", None)
    assert r.sentence.startswith("steering acceleration at most 28648°/s² (limit 34377°/s²)")
    assert not judged(run, SteeringAcceleration(400.0)).passed
    assert seen(judged(thinned(run, 10), SteeringAcceleration(60.0)))[1] == 10.0
    # released on the very first tick of the ride: nothing before it is known
    first = ridden(truth__steer_rate_rad_s=np.where(TICK >= 0, 0.5, 0.0), truth__support=at({}))
    assert seen(judged(first, SteeringAcceleration(1.0)))[1] == 1.0


@checks("slip_ratio")
def slip_ratio() -> None:
    speed = at({1200: 4.0, 1300: 5.0}, 20.0)
    load = at({1000: 0.5, 1100: 0.0}, 1000.0)
    slip = at({1000: -0.25, 1100: 9.0, 1200: 8.0, 1300: 0.0, 2000: 0.125})
    run = ridden(truth__slip_ratio_front=slip, truth__load_front_N=load, truth__speed_m_s=speed)
    r = judged(run, SlipRatio("front", 0.375, above_m_s=4.0))
    assert seen(r) == (True, 0.125, 1.0, 120.0)
    assert (r.unit, r.signal, r.bounds) == ("1", "truth.slip_ratio_front", "both")
    assert r.sentence.startswith("front slip ratio at most 0.250 (limit 0.375), closest")
    assert seen(judged(run, SlipRatio("rear", 0.375)))[1] == 0.375
    r = judged(run, SlipRatio("front", 0.375, above_m_s=20.0))
    assert unjudged(r, "the front tyre never bore load above 72 km/h in its window")


@checks("slip_angle")
def slip_angle() -> None:
    run = ridden(truth__slip_angle_rear_rad=at({1000: -0.25}), truth__slip_angle_front_rad=at({1000: 0.125}))
    r = judged(run, SlipAngle("rear", 0.5))
    assert seen(r) == (True, 0.25, 1.0, 120.0)
    assert (r.unit, r.signal) == ("rad", "truth.slip_angle_rear_rad")
    assert r.sentence.startswith("rear slip angle at most 14.3° (limit 28.6°)")
    assert seen(judged(run, SlipAngle("front", 0.5)))[1] == 0.375
    assert (r.name, judged(run, SlipAngle("rear", 0.5, name="drift")).name) == ("rear slip angle", "drift")
    r = judged(run, SlipAngle("rear", 0.5, above_m_s=20.0))
    assert unjudged(r, "the rear tyre never bore load above 72 km/h in its window")


@checks("friction_use")
def friction_use() -> None:
    r = judged(ridden(truth__friction_use_rear=at({1000: 0.75})), FrictionUse("rear", 0.5))
    assert seen(r) == (False, -0.25, 1.0, 120.0)
    assert (r.unit, r.signal) == ("1", "truth.friction_use_rear")
    assert r.sentence.startswith("rear friction use up to 0.75 (limit 0.50), worst")
    assert (
        seen(judged(ridden(truth__friction_use_rear=at({1000: 0.75})), FrictionUse("front", 0.5)))[1] == 0.5
    )


def _estimates(errors: dict[int, float], **more: np.ndarray) -> Run:
    """Rides east at 20 m/s; a new estimate every 100 ticks, 4 ms old, off to the north by ``errors``."""
    x = 0.02 * np.clip(TICK, 0, RIDDEN)
    ex, ey = np.zeros(ROWS), np.zeros(ROWS)
    for tick in range(0, RIDDEN, 100):
        rows = slice(tick + ARMED, tick + ARMED + 100)
        ex[rows], ey[rows] = 0.02 * max(tick - 4, 0), errors.get(tick, 0.0)
    return ridden(**{"truth__x_m": x, "robot__estimate_x_m": ex, "robot__estimate_y_m": ey} | more)


@checks("position_error")
def position_error() -> None:
    # 25 estimates from 0.5 s on: one of 0.5 m, one of 0.25 m
    run = _estimates({1000: 0.5, 2000: 0.25, 300: 9.0})
    r = judged(run, PositionErrorCriterion(0.25))
    rms = math.sqrt((0.25 + 0.0625) / 25)
    assert seen(r) == (True, round(0.25 - rms, 9), 1.0, 120.0)
    assert (r.unit, r.limit, r.signal, r.from_s, r.to_s) == ("m", 0.25, None, 0.5, 2.999)
    assert r.sentence == (
        "knew its place: 11.2 cm off rms (limit 25.0 cm); 50.0 cm 1.0 s into the ride at station 120 m"
    )
    r = judged(run, PositionErrorCriterion(0.2, "p95"))
    assert seen(r) == (False, -0.05, 2.0, 140.0)  # the 24th of 25
    assert r.sentence.startswith(
        "did not know its place: 25.0 cm off in 95 % of its estimates (limit 20.0 cm)"
    )
    assert seen(judged(run, PositionErrorCriterion(0.5, "max"))) == (True, 0.0, 1.0, 120.0)
    assert "50.0 cm off at most" in judged(run, PositionErrorCriterion(0.5, "max")).sentence
    assert judged(run, PositionErrorCriterion(0.25, "rms")).passed
    assert judged(run, PositionErrorCriterion(rms)).passed
    assert PositionErrorCriterion().limit_m == 0.025


@checks("position_error")
def position_not_told() -> None:
    still = {"robot__estimate_x_m": at({}), "robot__estimate_y_m": at({})}
    assert unjudged(
        judged(ridden(**still), PositionErrorCriterion()), "the robot said nothing new about its place"
    )
    run = _estimates({})
    frozen = np.array(run.signals["robot.estimate_x_m"])
    frozen[ARMED + 1001 : ARMED + 1500] = frozen[ARMED + 1000]
    frozen[ARMED + 1500 : ARMED + 1600] += 1.0
    assert judged(
        _estimates({}, robot__estimate_x_m=frozen), PositionErrorCriterion(9.0)
    ).passed  # silent for 0.5 s
    frozen[ARMED + 1500] = frozen[ARMED + 1000]
    assert judged(_estimates({}, robot__estimate_x_m=frozen), PositionErrorCriterion(9.0)).passed
    frozen[ARMED + 1501] = frozen[ARMED + 1000]
    r = judged(_estimates({}, robot__estimate_x_m=frozen), PositionErrorCriterion(9.0))
    assert unjudged(
        r,
        "the robot said nothing new about its place for 0.5 s, 1.5 s into the ride at station 130 m",
    )
    assert unjudged(
        judged(_estimates({}), PositionErrorCriterion(9.0, from_s=2.91)),
        "the robot said nothing new about its place",
    )
    # a record that begins in the ride: the first estimate comes half a second after, or a tick more
    for first, known in ((1101, True), (1102, False)):
        x = np.where(first > TICK, 0.0, 0.02 * TICK)
        run = _estimates({}, robot__estimate_x_m=x, truth__support=at({}))
        assert judged(_from(run, 600), PositionErrorCriterion(9.0)).passed == known
    # a bike that stands has nothing new to say
    stands = part(1000, 1501, 1.0, 20.0)
    assert judged(
        _estimates({}, robot__estimate_x_m=frozen, truth__speed_m_s=stands), PositionErrorCriterion(9.0)
    ).passed
    assert not judged(
        _estimates({}, robot__estimate_x_m=frozen, truth__speed_m_s=stands + 0.125),
        PositionErrorCriterion(9.0),
    ).passed
    # what was told last before the window is older than it, but the window is not to blame for that
    assert judged(_estimates({}), PositionErrorCriterion(9.0, from_s=0.05)).passed
    unknown = np.where(TICK == 1196, np.nan, 0.0)
    assert unjudged(
        judged(_estimates({}, truth__y_m=unknown), PositionErrorCriterion(9.0)),
        "the true place is not a number throughout",
    )
    for name in ("x", "y"):
        bad = {f"robot__estimate_{name}_m": at({1200: np.nan})}
        assert unjudged(
            judged(_estimates({}, **bad), PositionErrorCriterion(9.0)),
            f"robot.estimate_{name}_m is not a number 1.2 s into the ride",
        )


# -- responses -------------------------------------------------------------------------------------------


@checks("holds")
def holds() -> None:
    low = Compare("truth.z_m", "at_most", 1.0)
    place = Compare("robot.estimate_x_m", "at_most", 1.0)
    assert [Holds(Always(c)).of_position for c in (low, place)] == [False, True]
    assert Holds(Always(Every((low, place)))).of_position  # one of its signals is enough
    run = ridden(EVENTS, truth__z_m=at({300: 9.0, 1000: 0.75, 1700: 0.5}))
    r = judged(run, Holds(Always(low)))
    assert seen(r) == (True, 0.25, 1.0, 120.0)
    assert (r.unit, r.limit, r.signal, r.bounds) == ("m", 1.0, "truth.z_m", "upper")
    assert (r.from_s, r.to_s) == (0.5, 2.999)
    assert r.sentence == (
        "held; closest: truth.z_m was 0.75 m (at most 1 m) 1.0 s into the ride at station 120 m"
    )
    r = judged(run, Holds(Always(low), during_event="wet"))
    assert seen(r) == (True, 0.5, 1.7, 134.0)
    r = judged(run, Holds(Always(Compare("truth.z_m", "at_least", -0.5, size=True))))
    assert (r.bounds, r.passed) == ("both", True)
    assert "the size of truth.z_m was 0 m (at least -0.5 m)" in r.sentence
    r = judged(run, Holds(Always(Compare("truth.z_m", "at_least", 0.0))))
    assert (r.bounds, r.passed, r.margin) == ("lower", True, 0.0)
    r = judged(run, Holds(Always(Compare("truth.gear", "at_least", 0.5))))
    assert r.sentence.startswith("did not hold; closest: truth.gear was 0 (at least 0.5) 0.5 s")
    # nothing is left of the window: eventually is false, always true, both without a margin
    r = judged(run, Holds(Eventually(low, 60.0, 70.0)))
    assert (r.passed, r.margin, r.limit, r.signal, r.bounds, r.unit) == (False, None, None, None, "", "1")
    assert "the ride was over before what it asks about could come" in r.sentence
    assert judged(run, Holds(Always(low, 60.0, 70.0))).passed
    one = ridden(truth__support=part(-100, RIDDEN - 1))  # a single row
    assert judged(one, Holds(Always(low))).margin == 1.0
    assert not judged(one, Holds(Eventually(low, 0.001, 0.002))).passed
    # windows are in seconds, also of a thinned record
    soon = Eventually(Compare("truth.z_m", "at_least", 0.7), 0.0, 0.5)
    assert judged(run, Holds(soon)).passed
    assert judged(thinned(run, 10), Holds(soon)).passed
    assert not judged(thinned(run, 10), Holds(Eventually(soon.part, 0.0, 0.4))).passed
    bad = ridden(truth__z_m=at({1200: np.nan}))
    assert unjudged(judged(bad, Holds(Always(low))), "truth.z_m is not a number 1.2 s into the ride")
    signals = {n: run.signals[n] for n in ("bench.state", "truth.support", "line.station_m")}
    run = Run(run.folder, run.manifest, run.tick, run.time_ns, signals, run.frames, [])
    assert unjudged(judged(run, Holds(Always(low))), "the record has no truth.z_m")


@checks("reaction_time")
def reacts_by_change() -> None:
    throttle = part(900, 9999, 0.25, 0.75)
    throttle[ARMED + 850] = 1.0  # opens for a tick, by half as much
    run = ridden(EVENTS, robot__throttle=throttle)
    ask = ReactionTime("gust", 0.125, signal="robot.throttle", change=0.5)
    r = judged(run, ask)
    assert seen(r) == (True, 0.025, 0.9, 118.0)
    assert (r.unit, r.limit, r.from_s, r.to_s) == ("s", 0.125, 0.8, 0.9)
    assert r.sentence == (
        "reacted 0.100 s after 'gust' began (limit 0.125 s), 0.9 s into the ride at station 118 m"
    )
    assert judged(run, ReactionTime("gust", 0.1, signal="robot.throttle", change=0.5)).passed
    assert not judged(run, ReactionTime("gust", 0.09, signal="robot.throttle", change=0.5)).passed
    assert judged(run, ReactionTime("gust", 0.1, signal="robot.throttle", change=0.25)).worst_time_s == 0.85
    r = judged(run, ReactionTime("gust", 0.1, signal="robot.throttle", change=0.75))
    assert seen(r) == (False, None, None, None)
    assert r.sentence == "no reaction to 'gust' in the 2.199 s that were left of the ride"
    assert (r.unit, r.limit) == ("s", 0.1)
    assert unjudged(
        judged(run, ReactionTime("flood", 1.0, signal="robot.throttle", change=0.5)),
        "event 'flood' never happened",
    )
    bad = ridden(EVENTS, robot__throttle=at({850: np.nan}))
    assert unjudged(judged(bad, ask), "robot.throttle is not a number 0.8 s into the ride")
    assert seen(judged(thinned(run, 10), ask))[1] == 0.025
    at_once = ridden(EVENTS, robot__throttle=part(801, 9999))
    assert (
        judged(at_once, ReactionTime("gust", 0.1, signal="robot.throttle", change=0.5)).worst_time_s == 0.801
    )
    late = ridden(EVENTS, robot__throttle=part(RIDDEN, 9999))  # when the ride is over
    assert (
        "no reaction"
        in judged(late, ReactionTime("later", 9.0, signal="robot.throttle", change=0.5)).sentence
    )


@checks("reaction_time")
def reacts_by_condition() -> None:
    run = ridden(EVENTS, robot__front_brake_Pa=part(900, 950, 2e5) + part(1000, 9999, 2e5))
    brakes = Compare("robot.front_brake_Pa", "at_least", 2e5)
    assert seen(judged(run, ReactionTime("gust", 0.25, brakes))) == (True, 0.15, 0.9, 118.0)
    stays = Always(brakes, 0.0, 0.1)
    assert seen(judged(run, ReactionTime("gust", 0.25, stays))) == (True, 0.05, 1.0, 120.0)
    assert seen(judged(thinned(run, 10), ReactionTime("gust", 0.25, stays))) == (True, 0.05, 1.0, 120.0)
    gear = Compare("truth.gear", "at_least", 2.0)  # not the robot's
    assert refused(lambda: ReactionTime("gust", 0.25, gear)) == ("shown_by",)
    assert refused(lambda: ReactionTime("gust", 0.25, signal="truth.gear", change=1.0)) == ("signal",)
    r = judged(run, ReactionTime("wet", 0.25, brakes))
    assert seen(r) == (True, 0.25, 1.5, 130.0)
    assert r.sentence.startswith("reacted already when 'wet' began (limit 0.250 s)")


@checks("settle_time")
def settles() -> None:
    roll = at({700: 5.0, 850: 0.5, 899: 0.375, 900: 0.25, 1500: 3.0}, 0.125)
    run = ridden(EVENTS, truth__roll_rad=roll)
    ask = SettleTime("gust", 0.25, "truth.roll_rad", 0.125, 0.125, stay_s=0.25)
    r = judged(run, ask)
    assert seen(r) == (True, 0.15, 0.9, 118.0)
    assert (r.unit, r.limit, r.from_s, r.to_s) == ("s", 0.25, 0.8, 1.3)
    assert r.sentence == (
        "truth.roll_rad was within 0.125 rad around 0.125 rad for good 0.100 s after 'gust' began (limit "
        "0.250 s), up to 0.375 rad off; 0.9 s into the ride at station 118 m"
    )
    assert judged(run, SettleTime("gust", 0.1, "truth.roll_rad", 0.125, 0.125, 0.25)).passed
    assert not judged(run, SettleTime("gust", 0.099, "truth.roll_rad", 0.125, 0.125, 0.25)).passed
    # leaves the band again while it has to stay: exactly at the end of it, and one tick later
    assert judged(run, SettleTime("gust", 0.25, "truth.roll_rad", 0.125, 0.125, 0.449)).passed
    r = judged(run, SettleTime("gust", 0.25, "truth.roll_rad", 0.125, 0.125, 0.45))
    assert seen(r) == (False, -0.45, 1.5, 130.0)
    assert r.sentence.startswith(
        "truth.roll_rad was still not within 0.125 rad around 0.125 rad 0.700 s after 'gust' began"
    )
    r = judged(run, SettleTime("gust", 0.25, "truth.roll_rad", 0.125, 0.125, 0.451))
    assert r.sentence.startswith("truth.roll_rad was within 0.125 rad around 0.125 rad for good 0.701 s")
    below = ridden(EVENTS, truth__roll_rad=at({899: -1.0}))
    assert judged(below, SettleTime("gust", 0.25, "truth.roll_rad", 0.0, 0.125, 0.25)).worst_time_s == 0.9
    r = judged(run, SettleTime("gust", 0.2, "truth.roll_rad", 0.125, 0.125, 0.099, "end"))
    assert seen(r) == (True, 0.2, 1.2, 124.0)
    assert (
        "truth.roll_rad was within 0.125 rad around 0.125 rad all the time since 'gust' ended" in r.sentence
    )
    thin = thinned(ridden(EVENTS, truth__roll_rad=at({850: 0.5})), 10)
    assert seen(judged(thin, SettleTime("gust", 0.25, "truth.roll_rad", 0.0, 0.125, 0.25)))[1] == 0.19
    assert unjudged(
        judged(run, SettleTime("later", 0.2, "truth.roll_rad", 0.0, 1.0, counted_from="end")),
        "event 'later' lasted as long as the ride",
    )
    assert judged(run, SettleTime("later", 0.2, "truth.roll_rad", 0.0, 1.0, 0.199)).passed
    assert unjudged(
        judged(run, SettleTime("later", 0.2, "truth.roll_rad", 0.0, 1.0, 0.2)),
        "the ride ended before limit_s and stay_s, 0.4 s, were over",
    )
    gear = judged(ridden(EVENTS, truth__gear=at({}, 2.0)), SettleTime("gust", 0.2, "truth.gear", 2.0, 0.5))
    assert gear.sentence.startswith("truth.gear was within 0.5 around 2 all the time since")


@checks("swing_dies_away")
def swings_die_away() -> None:
    def swung(early: float, late: float, name: str = "truth__roll_rate_rad_s") -> Run:
        size = part(1000, 1600, early) + part(2000, 2600, late)
        return ridden(EVENTS, **{name: 2.0 + size * np.where(TICK % 2, 1.0, -1.0)})

    ask = of("swing_dies_away", after="gust", watched_s=1.8)
    r = judged(swung(1.0, 0.5), ask)
    assert seen(r) == (True, 0.4, 2.599, round(100.0 + 20.0 * 2.599, 9))
    assert (r.unit, r.limit, r.from_s, r.to_s) == ("1", 0.9, 0.8, 2.599)
    assert r.sentence == "0.50 of the swing after 'gust' was left (limit 0.90)"
    assert judged(swung(1.0, 0.89), ask).passed
    assert not judged(swung(1.0, 0.91), ask).passed
    assert not judged(swung(1.0, 0.5), of("swing_dies_away", after="gust", watched_s=1.8, limit=0.4)).passed
    at_limit = of("swing_dies_away", after="gust", watched_s=1.8, limit=0.5)
    assert judged(swung(1.0, 0.5), at_limit).passed  # exact: both are powers of two
    # what is no swing late is none, whatever was early: 0.05 rad/s of roll, 0.03 rad/s of steer
    assert judged(swung(0.0, 0.049), ask).passed
    assert not judged(swung(0.0, 0.051), ask).passed
    assert judged(swung(0.0, 0.029, "truth__steer_rate_rad_s"), ask).passed
    assert not judged(swung(0.0, 0.031, "truth__steer_rate_rad_s"), ask).passed
    assert seen(judged(thinned(swung(0.2, 0.1), 10), ask))[0]
    assert unjudged(
        judged(swung(1.0, 0.5), of("swing_dies_away", after="gust", watched_s=2.3)),
        "the ride ended before watched_s, 2.3 s, was over",
    )
    assert judged(swung(1.0, 0.5), of("swing_dies_away", after="gust", watched_s=2.2)).margin is not None


# -- sequences -------------------------------------------------------------------------------------------


@checks("lap_time", "sector_time")
def laps() -> None:
    # 110 m a lap from station 0: the line is passed at 110 (0.5 s), then faster
    marks = [-100, 0, 500, 1500, 2000, 2200, 9999], [-22.0, 0.0, 110.0, 220.0, 330.0, 360.0, 360.0]
    station = np.interp(TICK, *marks)
    run = ridden(line__station_m=np.where(TICK < 0, 0.0, station))
    ends = (22.0, 110.0)
    r = judged(run, LapTime(1.25), ends)
    assert seen(r) == (True, 0.25, 1.5, 220.0)
    assert (r.unit, r.limit) == ("s", 1.25)
    assert r.sentence == (
        "lap 2 took 1.000 s (limit 1.250 s, the slowest of 3), 1.5 s into the ride at station 220 m"
    )
    assert judged(run, LapTime(1.0), ends).passed
    assert not judged(run, LapTime(0.9), ends).passed
    r = judged(run, LapTime(1.0, 1), ends)
    assert seen(r) == (True, 0.5, 0.5, 110.0)
    assert "(limit 1.000 s)" in r.sentence
    assert unjudged(judged(run, LapTime(1.0, 7), ends), "lap 7 was not ridden")
    assert unjudged(
        judged(run, LapTime(1.0, 4), ends),
        "no lap was ridden whole: not whole: the ride ended at station 30 m",
    )
    r = judged(run, SectorTime(0.25, 1), ends)
    assert seen(r) == (True, 0.05, 0.7, 132.0)
    assert r.sentence.startswith("sector 1 of lap 2 took 0.200 s (limit 0.250 s, the slowest of 4), 0.7 s")
    assert seen(judged(run, SectorTime(1.0, 2, 1), ends)) == (True, 0.6, 0.5, 110.0)
    assert unjudged(judged(run, SectorTime(1.0, 3), ends), "a lap of this line has 2 sectors")
    assert unjudged(
        judged(run, SectorTime(1.0, 2, 4), ends),
        "no sector 2 was ridden whole: not whole: the ride ended at station 30 m",
    )
    # one that starts up to a metre before or behind the line starts a whole lap there
    for shift, moment in ((-0.88, 0.508), (0.88, 0.496)):
        moved = ridden(line__station_m=np.where(TICK < 0, shift, station + shift))
        assert seen(judged(moved, LapTime(1.0, 1), ends))[:3] == (True, round(1.0 - moment, 9), moment)
    # two metres before is not on the line, even if the next tick is
    near = ridden(line__station_m=np.where(TICK <= 0, -1.1, station))
    assert seen(judged(near, LapTime(1.0, 2), ends))[2:] == (0.5, 110.0)
    # ... also one that is placed before the line at the lap's end
    before = ridden(line__station_m=np.where(TICK < 0, 109.12, station + 109.12))
    assert seen(judged(before, LapTime(1.0, 1), ends))[1:] == (0.492, 0.508, 220.0)
    two = ridden(line__station_m=np.minimum(station, 240.0))
    assert "(limit 1.000 s, the slowest of 2)" in judged(two, LapTime(1.0), ends).sentence
    names = ("bench.state", "line.station_m")
    signals = {name: run.signals[name] for name in names}
    bare = Run(run.folder, run.manifest, run.tick, run.time_ns, signals, run.frames, [])
    assert unjudged(judged(bare, LapTime(1.0), ends), "no lap was ridden whole")
    between = ridden(line__station_m=np.where(TICK < 0, 50.0, station + 50.0))
    assert seen(judged(between, LapTime(1.25, 2), ends))[2] == 1.046


@checks("lap_time")
def no_laps() -> None:
    run = ridden()
    assert unjudged(judged(run, LapTime(1.0), ()), "this line has no laps")
    run.manifest["line"]["closed"] = False
    assert unjudged(judged(run, LapTime(1.0), (110.0,)), "this line has no laps")
    bad = ridden(line__station_m=at({1200: np.nan}, _STATION))
    assert unjudged(judged(bad, LapTime(1.0), (110.0,)), "line.station_m is not a number 1.2 s into the ride")
    del bad.manifest["line"]
    bad.signals["line.station_m"] = np.where(TICK < 0, 0.0, 0.22 * TICK)
    assert judged(bad, LapTime(1.0), (110.0,)).passed


@checks("stop_distance")
def stops() -> None:
    # from 20 m/s with 10 m/s2 from tick 1000 on: (400 - 25) / 20 m to 5 m/s, at tick 2500
    speed = np.clip(20.0 - 0.01 * (TICK - 1000), 0.0, 20.0)
    brake = part(1000, 9999, 2e5)
    run = ridden({"flag": (900, 901)}, truth__speed_m_s=speed, robot__front_brake_Pa=brake)
    r = judged(run, StopDistance(20.0, 5.0))
    assert seen(r) == (True, 1.25, 2.5, 150.0)
    assert (r.unit, r.limit, r.from_s, r.to_s) == ("m", 20.0, 1.0, 2.5)
    assert r.sentence == (
        "from 72 to 18 km/h in 18.75 m from where the robot braked (limit 20.00 m), "
        "2.5 s into the ride at station 150 m"
    )
    assert seen(judged(run, StopDistance(18.5, 5.0)))[1] == -0.25
    assert not judged(run, StopDistance(18.5, 5.0)).passed
    assert seen(judged(thinned(run, 10), StopDistance(20.0, 5.0)))[1] == 1.25
    r = judged(run, StopDistance(20.75, 5.0, "flag"))
    assert seen(r) == (True, 0.0, 2.5, 150.0)  # two metres more
    assert "from where 'flag' began" in r.sentence
    sideways = ridden(
        truth__speed_m_s=0.6 * speed, truth__speed_lateral_m_s=0.8 * speed, robot__rear_brake_Pa=brake
    )
    assert seen(judged(sideways, StopDistance(20.0, 5.0)))[1] == 1.25
    r = judged(run, StopDistance(20.0, 0.009))
    assert seen(r) == (False, None, None, None)
    assert r.sentence == "never got down to 0 km/h: 20.0 m on, the ride ended at 0 km/h"
    assert (
        "ended at 36 km/h"
        in judged(
            ridden(truth__speed_m_s=np.maximum(speed, 10.0), robot__front_brake_Pa=brake),
            StopDistance(20.0, 5.0),
        ).sentence
    )
    jump = ridden({"flag": (1000, 1001)}, truth__speed_m_s=at({1000: 20.0}, 10.0))
    assert judged(jump, StopDistance(1.0, 10.0, "flag")).sentence.startswith("from 72 to 36 km/h in 0.01 m")
    leap = ridden({"flag": (1000, 1001)}, truth__speed_m_s=at({2999: 1010.0}, 10.0))
    assert judged(leap, StopDistance(1.0, 5.0, "flag")).sentence == (
        "never got down to 18 km/h: 20.5 m on, the ride ended at 3636 km/h"
    )
    assert unjudged(
        judged(run, StopDistance(20.0, 5.0, brake_Pa=2e5)), "the robot never braked with 2 bar in its window"
    )
    assert unjudged(
        judged(run, StopDistance(20.0, 20.0)), "the bike was no faster than 72 km/h when the robot braked"
    )
    assert refused(lambda: StopDistance(20.0, after="flag", brake_Pa=2e5)) == ("brake_bar",)
    assert refused(lambda: StopDistance(20.0, after="flag", from_s=1.0)) == ("from_s",)
    held = ridden(truth__speed_m_s=speed, robot__front_brake_Pa=part(100, 400, 2e5) + brake)
    assert judged(held, StopDistance(20.0, 5.0)).from_s == 1.0  # not what it did in the support
    assert judged(run, StopDistance(20.0, 5.0, from_s=1.5)).from_s == 1.5


def _cornering(**more: np.ndarray) -> Run:
    """A left turn from tick 1500 to 2500, throttle closed at 1000, leaned half at 1600."""
    lean = np.clip((TICK - 1400) / 400, 0.0, 1.0) * (TICK < 2500)
    columns = {
        "line__curvature_1_m": part(1500, 2500, 1.0 / 64),
        "truth__roll_rad": -0.5 * lean,
        "robot__throttle": part(-100, 1000, 0.5) + part(1100, 1399, 0.5) + part(2400, 9999, 0.5),
        "robot__front_brake_Pa": part(1050, 1600, 2e5),
        "robot__clutch": part(1200, 1300),
        "robot__gear_request": part(-100, 1250, 4.0, 3.0),
    }
    return ridden(EVENTS, **columns | more)


@checks("corner_entry")
def enters_a_corner() -> None:
    ask = CornerEntry(0.75, corner_curvature_1_m=1.0 / 64)
    r = judged(_cornering(), ask)  # the blip of 299 ms is none of its business
    assert seen(r) == (True, 0.15, 1.6, 132.0)
    assert (r.unit, r.limit, r.from_s, r.to_s) == ("s", 0.75, 1.0, 1.6)
    assert r.sentence == (
        "the corner, to the left: 0.600 s from throttle closed to 50% of its lean (limit 0.750 s; brake "
        "after 0.05 s, clutch after 0.20 s, downshift after 0.25 s), 1.6 s into the ride at station 132 m"
    )
    assert not judged(_cornering(), CornerEntry(0.59)).passed
    assert judged(_cornering(), CornerEntry(0.6)).passed
    assert seen(judged(_cornering(), CornerEntry(0.75, 0.75))) == (True, 0.05, 1.7, 134.0)
    # open for as long as a blip lasts at most is open; then it closed at 1400
    opened = part(-100, 1000, 0.5) + part(1100, 1400, 0.5)
    assert seen(judged(_cornering(robot__throttle=opened), ask))[1] == 0.55
    blip = part(-100, 1000, 0.5) + part(1100, 1390, 0.5)
    assert seen(judged(thinned(_cornering(robot__throttle=blip), 10), ask))[1] == 0.15
    # to the right, by the other signs
    run = _cornering()
    right = _cornering(
        line__curvature_1_m=-run.signals["line.curvature_1_m"], truth__roll_rad=-run.signals["truth.roll_rad"]
    )
    r = judged(right, ask)
    assert seen(r) == (True, 0.15, 1.6, 132.0)
    assert "to the right" in r.sentence
    # barely closed counts; nothing but the throttle is needed
    bare = _cornering(
        robot__throttle=part(-100, 1000, 0.5, 0.05),
        robot__front_brake_Pa=at({}, 1e5),
        robot__clutch=at({}, 0.5),
        robot__gear_request=part(-100, 1250, 3.0, 4.0),
    )
    assert "(limit 0.750 s; no brake, no clutch, no downshift)" in judged(bare, ask).sentence
    for last, words in ((1600, "brake after 0.60 s"), (1601, "no brake")):
        run = _cornering(robot__front_brake_Pa=part(last, 9999, 2e5))
        assert words in judged(run, ask).sentence
    thin = judged(thinned(_cornering(robot__throttle=blip), 10), ask).sentence
    assert "brake after 0.05 s, clutch after 0.20 s, downshift after 0.25 s" in thin
    firmly = judged(_cornering(), CornerEntry(0.75, brake_bar=2.0))
    assert "no brake" in firmly.sentence
    rear = _cornering(robot__front_brake_Pa=at({}), robot__rear_brake_Pa=part(1100, 1600, 2e5))
    assert "brake after 0.10 s" in judged(rear, ask).sentence


@checks("corner_entry")
def leaves_braking_out() -> None:
    # closed at 1000, brakes from 1050, leaned at 1600: 50 ms without them
    r = judged(_cornering(), of("corner_entry", limit_s=0.25))
    assert seen(r) == (True, 0.2, 1.6, 132.0)
    assert (r.from_s, r.to_s) == (1.0, 1.6)
    assert r.sentence == (
        "the corner, to the left: 0.050 s from throttle closed to 50% of its lean, 0.550 s of braking left "
        "out (limit 0.250 s; brake after 0.05 s, clutch after 0.20 s, downshift after 0.25 s), "
        "1.6 s into the ride at station 132 m"
    )
    assert not judged(_cornering(), of("corner_entry", limit_s=0.049)).passed
    blip = part(-100, 1000, 0.5) + part(1100, 1390, 0.5)
    thin = thinned(_cornering(robot__throttle=blip), 10)
    assert seen(judged(thin, of("corner_entry", limit_s=0.25)))[1] == 0.2
    # off the brakes before it leans, and brakes that nobody asks about
    early = _cornering(robot__front_brake_Pa=part(900, 1300, 2e5), robot__rear_brake_Pa=part(1200, 1400, 2e5))
    assert seen(judged(early, of("corner_entry")))[1] == 0.4
    firmly = judged(_cornering(), of("corner_entry", brake_bar=2.0))
    assert seen(firmly)[1] == 0.0
    assert "braking left out" not in firmly.sentence
    assert "braking left out" not in judged(_cornering(), of("corner_entry", braking_counts=True)).sentence
    # the slowest is the one that takes longest without them: braking long into the first is nothing
    two = _cornering(
        line__curvature_1_m=part(1500, 2500, 1.0 / 64) + part(2600, 2900, -1.0 / 32),
        truth__roll_rad=_cornering().signals["truth.roll_rad"]
        + 0.5 * part(2600, 2900) * np.clip((TICK - 2600) / 200, 0.0, 1.0),
        robot__throttle=part(-100, 1000, 0.5) + part(2200, 2550, 0.5),
    )
    r = judged(two, of("corner_entry"))
    assert seen(r) == (True, 0.45, 2.7, 154.0)
    assert r.sentence.startswith("the slowest of 2 corners, to the right: 0.150 s")


@checks("corner_entry")
def enters_several_corners() -> None:
    # a second one to the right from 2600 on: throttle closed at 2550, leaned half at 2700
    bends = part(1500, 2500, 1.0 / 64) + part(2600, 2900, -1.0 / 32)
    lean = part(2600, 2900) * np.clip((TICK - 2600) / 200, 0.0, 1.0)
    first = _cornering()
    throttle = part(-100, 1000, 0.5) + part(2200, 2550, 0.5)
    run = _cornering(
        line__curvature_1_m=bends,
        truth__roll_rad=first.signals["truth.roll_rad"] + 0.5 * lean,
        robot__throttle=throttle,
    )
    r = judged(run, CornerEntry(0.75))
    assert seen(r) == (True, 0.15, 1.6, 132.0)
    assert r.sentence.startswith("the slowest of 2 corners, to the left: 0.600 s")
    r = judged(run, CornerEntry(0.75, from_s=2.601))
    assert unjudged(r, "no corner in its window was entered by closing the throttle")
    quick = _cornering(
        line__curvature_1_m=bends,
        truth__roll_rad=first.signals["truth.roll_rad"] + 0.5 * lean,
        robot__throttle=part(-100, 1590, 0.5) + part(2100, 2505, 0.5),
    )
    assert judged(quick, CornerEntry(0.75)).sentence.startswith(
        "the slowest of 2 corners, to the right: 0.195"
    )
    r = judged(run, CornerEntry(0.75, from_s=2.6))  # from 2.6 s on
    assert seen(r) == (True, 0.6, 2.7, 154.0)
    assert r.sentence.startswith("the corner, to the right")
    r = judged(run, CornerEntry(0.75, corner_curvature_1_m=1.0 / 32))
    assert seen(r)[1:3] == (0.6, 2.7)
    # closed in the corner before: not for this one
    held = _cornering(
        line__curvature_1_m=bends,
        truth__roll_rad=first.signals["truth.roll_rad"] + 0.5 * lean,
        robot__throttle=part(-100, 1000, 0.5) + part(1700, 2500, 0.5),
    )
    assert judged(held, CornerEntry(0.75)).sentence.startswith("the corner, to the left")


@checks("corner_entry")
def no_corner() -> None:
    nothing = "no corner in its window was entered by closing the throttle"
    assert unjudged(judged(_cornering(robot__throttle=at({}, 0.5)), CornerEntry()), nothing)
    assert unjudged(judged(_cornering(robot__throttle=at({})), CornerEntry()), nothing)
    assert unjudged(judged(_cornering(line__curvature_1_m=at({}, 0.004)), CornerEntry()), nothing)
    assert unjudged(judged(_cornering(), of("corner_entry", throttle_closed=0.5)), nothing)
    upright = _cornering(truth__roll_rad=part(1600, 2500, -0.04))
    assert unjudged(judged(upright, CornerEntry()), nothing)
    barely = _cornering(truth__roll_rad=part(1600, 2500, -0.05))
    assert judged(barely, CornerEntry()).passed
    assert judged(_cornering(line__curvature_1_m=part(1500, 2500, 0.005)), CornerEntry()).passed
    # one that was there before the support let go
    begun = {"line__curvature_1_m": part(0, 2500, 1.0 / 64), "truth__support": part(-100, 1)}
    assert unjudged(judged(_cornering(**begun), CornerEntry()), nothing)
    assert judged(_cornering(**begun | {"truth__support": at({})}), CornerEntry()).passed
    # leaned before the throttle closed, and to the other side
    assert unjudged(judged(_cornering(robot__throttle=part(-100, 1601, 0.5)), CornerEntry()), nothing)
    assert seen(judged(_cornering(robot__throttle=part(-100, 1600, 0.5)), CornerEntry()))[1] == 0.6
    other = _cornering(truth__roll_rad=part(1600, 2500, 0.5))
    assert unjudged(judged(other, CornerEntry()), nothing)


# -- when events happened --------------------------------------------------------------------------------


@checks()
def events_by_mask_and_log() -> None:
    def looked(run: Run, name: str) -> tuple[float | None, float | None]:
        r = judged(run, Lean(1.0, during_event=name))
        return r.from_s, r.to_s

    names = {f"e{n}": (1000 + n, 1500) for n in range(52)}
    run = ridden(names)
    assert looked(run, "e0") == (1.0, 1.499)
    assert looked(run, "e51") == (1.051, 1.499)
    # the 53rd has no bit; the log has it, also as a mark with its text
    run.manifest["scenario"]["events"].append({"name": "more"})
    assert unjudged(judged(run, Lean(1.0, during_event="more")), "event 'more' never happened")
    run.events.append(Event(1200, 1.2, "state", "more or less", ""))
    assert unjudged(judged(run, Lean(1.0, during_event="more")), "event 'more' never happened")
    run.events.append(Event(1300, 1.3, "fault_on", "more", "more"))
    assert looked(run, "more") == (1.3, 2.999)
    run.events.append(Event(1100, 1.1, "fault_off", "more", "more"))  # of an earlier time
    run.events.append(Event(1400, 1.4, "fault_off", "more", "more"))
    assert looked(run, "more") == (1.3, 1.399)
    run.events.append(Event(2000, 2.0, "mark", "half: half the time", "half: half the time"))
    assert looked(run, "half") == (2.0, 2.999)
    beyond = Event(RIDDEN + AFTER, 3.02, "fault_on", "late", "late")
    run.events.append(beyond)
    assert unjudged(judged(run, Lean(1.0, during_event="late")), "event 'late' never happened")
    run.events.append(Event(-ARMED - 1, -0.101, "fault_on", "before", "before"))
    assert unjudged(judged(run, Lean(1.0, during_event="before")), "event 'before' never happened")
    run.events.append(Event(2100, 2.1, "fault_on", "long", "long"))
    run.events.append(Event(RIDDEN + AFTER, 3.02, "fault_off", "long", "long"))
    assert looked(run, "long") == (2.1, 2.999)
    ask = SettleTime("long", 0.1, "truth.z_m", 0.0, 1.0, counted_from="end")
    assert unjudged(judged(run, ask), "event 'long' lasted as long as the ride")
    run.events.append(Event(2200, 2.2, "fault_on", "short", "short"))
    run.events.append(Event(2200, 2.2, "fault_off", "short", "short"))
    assert "no instant" in judged(run, Lean(1.0, during_event="short")).sentence
    for tick, name in ((-ARMED, "first"), (RIDDEN + AFTER - 1, "last")):
        run.events.append(Event(tick, tick / 1e3, "fault_on", name, name))
    assert looked(run, "first") == (0.5, 2.999)
    assert "no instant" in judged(run, Lean(1.0, to_event="first")).sentence
    came = "event 'last' came after the ride"
    assert unjudged(judged(run, Lean(1.0, from_event="last")), came)
    assert unjudged(judged(run, StopDistance(9.0, after="last")), came)
    assert unjudged(judged(run, ReactionTime("last", 1.0, signal="robot.throttle", change=1.0)), came)
    run.events.append(Event(RIDDEN - 1, 2.999, "fault_on", "just", "just"))
    assert looked(run, "just") == (2.999, 2.999)
    # twice: the first time counts, and what is active outside the ride is none
    mask = part(-50, -10) + part(700, 800) + part(900, 950)
    again = ridden({"twice": (0, 0)})
    again.signals["bench.events_active"] = mask
    assert looked(again, "twice") == (0.7, 0.799)
    again.signals["bench.events_active"] = part(700, 9999)
    assert looked(again, "twice") == (0.7, 2.999)
    for nothing in (np.nan, np.inf, -np.inf, 2.0**52 + 1.0, -1.0):
        again.signals["bench.events_active"] = at({900: nothing}, part(700, 9999))
        assert looked(again, "twice") == (0.7, 0.899)
    # a manifest without events leaves the log
    again.manifest["scenario"] = None
    assert unjudged(judged(again, Lean(1.0, during_event="twice")), "event 'twice' never happened")
    again.events.append(Event(1300, 1.3, "gust_on", "twice", "twice"))
    assert looked(again, "twice") == (1.3, 2.999)


assert RUNNING == 2
