"""Margins as they go are those that the verdict finds in the whole record, whatever pieces it comes in."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.console.live_margins import LiveMargins
from emulator.core.signals import INDEX, SIGNALS
from emulator.criteria.base import Criterion
from emulator.criteria.limits import WithinLimit
from emulator.record.reader import Run
from tests.support.criteria_checks import judged, ridden
from tests.support.criteria_in_si import of

TICKS = 3000
CRITERIA: list[Criterion] = [
    of("no_fall"),
    of("distance_from_line", limit_m=1.5),
    of("speed_error", limit_km_h=15.0, from_s=1.5),
    of("lean", limit_deg=40.0, from_station_m=20.0, to_station_m=45.0),
    of("lean_rate", limit_deg_s=60.0),
    of("steering_acceleration", limit_deg_s2=4000.0),
    of("slip_ratio", wheel="front", limit=0.2),
    of("distance_from_line", name="in the gust", limit_m=1.0, during_event="gust"),
]
MANIFEST = {"line": {"length_m": 50.0, "closed": True}, "scenario": {"events": [{"name": "gust"}]}}


@pytest.fixture(scope="module")
def rows() -> np.ndarray:
    """(n, signals) three seconds, of which one is armed and one held by the support."""
    rng = np.random.default_rng(5)
    tick = np.arange(-1000, TICKS - 1000)
    filled = np.zeros((TICKS, len(SIGNALS)))
    columns = {
        "bench.state": np.where(tick < 0, 1.0, 2.0),
        "truth.support": (tick < 400) * 1.0,
        "truth.speed_m_s": 20.0 + np.cumsum(rng.normal(size=TICKS)) * 0.02,
        "line.target_speed_m_s": np.full(TICKS, 20.0),
        "line.station_m": np.maximum(tick, 0) * 0.02,
        "line.offset_m": np.cumsum(rng.normal(size=TICKS)) * 0.02,
        "truth.roll_rad": 0.4 * np.sin(tick / 300.0),
        "truth.roll_rate_rad_s": rng.normal(size=TICKS) * 0.3,
        "truth.yaw_rate_rad_s": rng.normal(size=TICKS) * 0.1,
        "truth.steer_rate_rad_s": np.cumsum(rng.normal(size=TICKS)) * 0.01,
        "truth.slip_ratio_front": rng.normal(size=TICKS) * 0.02,
        "truth.load_front_N": np.where(tick % 97 == 0, 0.0, 900.0),
    }
    for name, values in columns.items():
        filled[:, INDEX[name]] = values
    return filled


def whole(rows: np.ndarray) -> Run:
    tick = np.arange(-1000, TICKS - 1000)
    signals = {signal.name: rows[:, i] for i, signal in enumerate(SIGNALS)}
    return Run(Path("run"), MANIFEST, tick, tick * 1_000_000, signals, ridden().frames, [])


@pytest.mark.parametrize("piece", [1, 7, 50, TICKS])
def test_the_worst_is_that_of_the_verdict(rows: np.ndarray, piece: int) -> None:
    margins = LiveMargins(CRITERIA, MANIFEST)
    for first in range(0, TICKS, piece) if piece > 1 else range(900, 1500):
        margins.add(np.arange(first, min(first + piece, TICKS)) - 1000, rows[first : first + piece])
    run = whole(rows)
    compared = 0
    for criterion, shown in zip(CRITERIA, margins.shown(), strict=True):
        if not isinstance(criterion, WithinLimit) or criterion.during_event:
            assert shown is None
            continue
        assert shown is not None
        if piece == 1:  # a part of the ride: only that it looks at all
            continue
        result = judged(run, criterion)
        assert result.margin is not None
        worst = 1.0 - result.margin / criterion.limit_si
        assert shown[1] == pytest.approx(worst, abs=6e-5), criterion.title
        assert shown[2] == pytest.approx(result.worst_station_m, abs=0.06)
        compared += 1
    assert compared in (0, 6)


def test_what_looks_at_a_whole_ride_is_named_and_judged_later() -> None:
    facts = LiveMargins(CRITERIA, MANIFEST).facts()
    assert [one["title"] for one in facts if not one["live"]] == ["no fall", "in the gust"]
    assert facts[1] == {"title": "distance from line", "limit": "1.5 m", "live": True}
    assert facts[3]["limit"] == "40 °"


def test_outside_of_its_window_nothing_is_used_now(rows: np.ndarray) -> None:
    margins = LiveMargins(CRITERIA, MANIFEST)
    margins.add(np.arange(-1000, -900), rows[:100])
    assert margins.shown()[1] == [None, None, None]
    margins.add(np.arange(600, 700), rows[1600:1700])
    share = abs(float(rows[1699, INDEX["line.offset_m"]])) / 1.5
    assert margins.shown()[1][0] == pytest.approx(share, abs=6e-5)  # type: ignore[index]
