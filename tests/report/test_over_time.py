"""The ride over time: what was recorded, in shown units, and what is missing is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from emulator.criteria.base import CriterionResult
from emulator.record.reader import read_run
from emulator.report.bands import event_bands
from emulator.report.drawing import MAX_POINTS
from emulator.report.over_time import position_error_figure, time_series
from emulator.verdict.judge import verdict_from
from tests.support.recorded import numbers


def test_panels_hold_what_was_recorded_in_shown_units(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    assert run.verdict is not None
    panels = dict(time_series(run, event_bands(run), verdict_from(run.verdict).criteria))
    true = next(t for t in panels["Speed"]["data"] if t["name"] == "true")
    speed = 3.6 * run.signals["truth.speed_m_s"]
    assert np.max(numbers(true["y"])) == np.float32(speed.max())
    np.testing.assert_allclose(
        np.interp(numbers(true["x"]), run.time_s, speed), numbers(true["y"]), atol=0.02
    )
    front = next(t for t in panels["Wheel speeds as sent"]["data"] if t["name"] == "front wheel")
    assert np.isnan(numbers(front["y"])).any()  # the dropout stays a gap
    for panel in panels.values():
        assert all(len(numbers(t["x"])) <= MAX_POINTS for t in panel["data"])
        looks = [
            (t.get("line", {}).get("dash"), t["yaxis"]) for t in panel["data"] if t.get("showlegend", True)
        ]
        assert len(set(looks)) == len(looks)
        assert [s["x0"] for s in panel["layout"]["shapes"] if s["type"] == "rect"] == [2.85, 5.7]
    offset = panels["Offset from the line, positive to its left"]["data"]
    limit = next(t for t in offset if t["name"] == "C2 ±2 m")
    assert limit["y"] == [2.0, 2.0, None, -2.0, -2.0]


def test_a_missing_signal_is_said_not_hidden(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    signals = {k: v for k, v in run.signals.items() if k != "output.lean_rad"}
    panels = dict(time_series(replace(run, signals=signals), [], []))
    assert "lean sensor: not recorded" in [t["name"] for t in panels["Roll, positive to the right"]["data"]]


def criterion(kind: str, limit: float | None, at_s: float | None, **more: Any) -> Any:
    """A result as the verdict gives it, with what later ones tell besides."""
    known = CriterionResult("asked", kind, True, 0.1, "1", at_s, 1.0, "said", limit)
    return SimpleNamespace(**(asdict(known) | more))


def test_limits_stand_in_the_panel_of_the_signal_they_bound(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    lean = criterion("lean", 0.9, 5.0, signal="truth.roll_rad", bounds="both", from_s=3.0, to_s=6.0)
    brake = criterion("holds", 8e5, 6.0, signal="actuator.front_brake_Pa", bounds="upper")
    slow = criterion("holds", 5.0, 6.0, signal="truth.speed_m_s", bounds="lower")
    rate = criterion("steering_rate", 2.0, 4.0, signal="truth.steer_rate_rad_s", bounds="both")
    panels = dict(time_series(run, [], [lean, brake, slow, rate]))

    def drawn(title: str, name: str) -> dict[str, Any]:
        (trace,) = [t for t in panels[title]["data"] if t["name"] == name]
        return trace

    roll = drawn("Roll, positive to the right", "C1 ±51.57 degrees")
    assert roll["x"] == [3.0, 6.0, None, 3.0, 6.0]
    assert roll["y"][0] == pytest.approx(np.degrees(0.9))
    right = drawn("Throttle (left axis) and brakes (right)", "C2 ≤ 8 bar")
    assert (right["yaxis"], right["y"]) == ("y2", [8.0, 8.0])
    assert drawn("Speed", "C3 ≥ 18 km/h")["y"] == [18.0, 18.0]
    assert not [t for t in panels["Wheel speeds as sent"]["data"] if t["name"].startswith("C3")]
    own = drawn("Rate of the steering angle", "C4 ±114.6 degrees/s")  # a panel for what none shows
    assert own["y"][0] == pytest.approx(np.degrees(2.0))


def test_the_worst_instant_is_marked_on_the_curve(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    asked = [criterion("no_fall", None, 5.0), criterion("speed_error", 2.0, 6.5)]
    asked += [criterion("distance_from_line", 1.0, None)]
    panels = dict(time_series(run, [], asked))
    (mark,) = [t for t in panels["Roll, positive to the right"]["data"] if t["name"] == "worst C1"]
    row = int(np.searchsorted(run.time_s, 5.0))
    assert mark["y"] == [np.degrees(run.signals["truth.roll_rad"][row])]
    assert mark["text"] == ["C1"]
    speed = {t["name"]: t for t in panels["Speed"]["data"]}
    assert speed["worst C2"]["y"] == [3.6 * run.signals["truth.speed_m_s"][np.searchsorted(run.time_s, 6.5)]]
    target, above = (
        numbers(speed["target"]["y"]),
        numbers(next(t for t in panels["Speed"]["data"] if t["name"] == "C2 ±7.2 km/h")["y"]),
    )
    np.testing.assert_allclose(np.abs(above - target), 7.2, atol=1e-4)
    assert not [t for p in panels.values() for t in p["data"] if "C3" in t["name"] and "worst" in t["name"]]


def test_a_limit_of_the_own_place_takes_the_trades_place(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    plain = position_error_figure(run, [])
    asked = position_error_figure(run, [], [criterion("position_error", 0.04, 5.0)])
    assert plain is not None
    assert asked is not None
    assert "±2.5 cm" in [t["name"] for t in plain["data"]]
    names = [t["name"] for t in asked["data"]]
    assert "C1 ±4 cm" in names
    assert "±2.5 cm" not in names
