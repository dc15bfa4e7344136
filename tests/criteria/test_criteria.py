"""Each criterion on small rides with closed answers (criteria_checks), and what no criterion may be."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np
import pytest

from emulator.core.signals import SIGNALS
from emulator.criteria.base import CriterionResult
from emulator.criteria.kinds import KINDS
from emulator.criteria.ride import JudgedRide
from emulator.criteria.temporal import Always, Compare
from emulator.record.reader import Frames, Run
from tests.support.criteria_checks import ALL, CHECKS, EVENTS, ridden
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
)

ENDS = (10.0, 25.0)


@pytest.mark.parametrize("check", ALL, ids=lambda check: check.__name__)
def test_on_small_rides(check):
    check()


def test_every_criterion_has_checks():
    assert set(KINDS) == set(CHECKS)


@pytest.mark.parametrize(
    ("margin", "unit", "limit", "text"),
    [
        (2.0, "m/s", 3.0, "+7.2 km/h"),
        (-0.1, "rad", 0.8, "-5.73 °"),
        (0.01, "m", 0.025, "+0.010 m"),
        (0.88, "m", 1.5, "+0.88 m"),
        (-12.34, "m", 100.0, "-12.3 m"),
        (0.25, "1", 0.9, "+0.250"),
        (None, "m", 1.5, "unknown"),
        (1.0, "1", None, "–"),
        (1e5, "Pa", 4e5, "+1.00 bar"),
    ],
)
def test_margins_for_people(margin, unit, limit, text):
    result = CriterionResult("n", "k", True, margin, unit, None, None, "s", limit)
    assert result.margin_text == text


@pytest.mark.parametrize(
    ("margin", "limit", "percent"),
    [
        (0.3, 1.5, 20.0),
        (-0.3, 1.5, -20.0),
        (0.3, -1.5, 20.0),
        (None, 1.5, None),
        (0.3, None, None),
        (0.3, 0.0, None),
        (0.3, 1e-13, None),
        (0.3, -1e-13, None),
    ],
)
def test_a_margin_in_percent_is_of_the_size_of_its_limit(margin, limit, percent):
    result = CriterionResult("n", "k", True, margin, "m", None, None, "s", limit)
    assert result.margin_percent == (None if percent is None else pytest.approx(percent))


SHUT = Compare("robot.throttle", "at_most", 0.1)
INSIDE = {"from_event": "gust", "from_station_m": 100.0, "to_station_m": 50.0}
ONE_OF_EACH = [
    NoFall(),
    DistanceFromLine(1.0),
    SpeedError(1.0, during_event="gust"),
    Lean(1.0, **INSIDE),
    LeanRate(1.0),
    SteeringRate(1.0),
    SteeringAcceleration(1.0),
    *(kind(wheel, 0.5) for kind in (SlipRatio, SlipAngle, FrictionUse) for wheel in ("front", "rear")),
    PositionErrorCriterion(of_="p95"),
    LapTime(80.0),
    SectorTime(80.0, 1),
    StopDistance(50.0),
    ReactionTime("gust", 0.3, Always(SHUT, 0.0, 0.01)),
    SettleTime("gust", 0.5, "truth.roll_rad", 0.0, 0.1),
    CornerEntry(),
    Holds(Always(SHUT, 0.0, 2.0)),
]


@pytest.mark.parametrize("criterion", ONE_OF_EACH, ids=lambda c: c.title)
def test_nothing_a_record_holds_or_lacks_breaks_a_judge(criterion):
    """And what it lacks is never met by it."""
    whole = {s.name: np.array(ridden(EVENTS).signals[s.name]) for s in SIGNALS}
    run = ridden(EVENTS)
    for name in whole:
        for value in (None, np.nan, np.inf, -1e300):
            signals = {n: c for n, c in whole.items() if n != name or value is not None}
            if value is not None:
                signals[name] = np.full(len(run.tick), value)
            odd = Run(run.folder, run.manifest, run.tick, run.time_ns, signals, run.frames, [])
            result = criterion.judge(JudgedRide(odd, ENDS))
            assert result.margin is None or math.isfinite(result.margin)
            if name in ("bench.state", "line.station_m") and value is None:
                assert not result.passed
    none = {n: c[:0] for n, c in whole.items()}
    assert not criterion.judge(
        JudgedRide(Run(run.folder, {}, run.tick[:0], run.time_ns[:0], none, run.frames, []), ENDS)
    ).passed
    assert not criterion.judge(
        JudgedRide(
            Run(run.folder, {"scenario": 3, "line": 3}, run.tick, run.time_ns, {}, run.frames, []), ENDS
        )
    ).passed


@pytest.mark.timing
def test_twenty_named_criteria_over_ten_minutes_take_less_than_two_seconds():
    n = 600_000
    rng = np.random.default_rng(5)
    tick = np.arange(n)
    # waves of some seconds, as riding makes them, with noise on them
    waves = [np.sin(tick / rng.uniform(500, 3000)) + 1e-3 * rng.standard_normal(n) for _ in range(12)]
    signals = {s.name: waves[i % 12].copy() for i, s in enumerate(SIGNALS)}
    signals |= {
        "bench.state": np.full(n, 2.0),
        "truth.support": (tick < 3000) * 1.0,
        "bench.events_active": ((tick > 100_000) & (tick < 200_000)) * 1.0,
        "line.station_m": 0.03 * tick,
        "truth.speed_m_s": np.full(n, 30.0),
        "line.curvature_1_m": 0.02 * np.sin(tick / 2000),
        "robot.estimate_x_m": tick // 10 * 0.3,
    }
    manifest = {"scenario": {"events": [{"name": "gust"}]}, "line": {"length_m": 2500.0}}
    none = np.empty(0, np.int64)
    run = Run(Path(), manifest, tick, tick * 10**6, signals, Frames(*[none] * 8), [])
    criteria = [c for c in ONE_OF_EACH if c.kind != "sector_time"]
    assert len(criteria) == 20
    criteria[-1].judge(JudgedRide(run, ENDS))  # compiles
    begun, cpu = time.perf_counter(), time.process_time()
    results = [criterion.judge(JudgedRide(run, ENDS)) for criterion in criteria]
    took = time.perf_counter() - begun
    print(f"20 named criteria over {n:,} samples: {took:.2f} s, CPU {time.process_time() - cpu:.2f} s")
    assert took < 2.0
    assert sum(r.margin is None for r in results) <= 2  # they were all judged but for a lap and a stop
