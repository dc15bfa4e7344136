"""The ride over time: what was recorded, in shown units, and what is missing is said."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from emulator.core.signals import OUTPUTS
from emulator.criteria.base import CriterionResult
from emulator.record.reader import Event, read_run
from emulator.report.bands import event_bands
from emulator.report.figures.drawing import Figure
from emulator.report.figures.over_time import position_error_figure, time_series
from emulator.report.figures.panels import PANELS, PanelOf
from emulator.verdict.judge import verdict_from
from tests.support.recorded import numbers


def drawn(panels: dict[str, Figure], title: str, name: str) -> Figure:
    (figure,) = [f for heading, f in panels.items() if heading.startswith(title)]
    (found,) = [c for c in figure["curves"] if c["name"] == name]
    return found


def test_panels_hold_what_was_recorded_in_shown_units(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    assert run.verdict is not None
    panels = dict(time_series(run, event_bands(run), verdict_from(run.verdict).criteria))
    true = drawn(panels, "Speed", "true")
    speed = 3.6 * run.signals["truth.speed_m_s"]
    assert np.max(numbers(true["y"])) == pytest.approx(speed.max(), abs=0.01)
    np.testing.assert_allclose(
        np.interp(numbers(true["x"]), run.time_s, speed), numbers(true["y"]), atol=0.02
    )
    for panel in panels.values():
        looks = [c["dash"] for c in panel["curves"] if c["name"] and not c["name"].startswith("C")]
        assert len(set(looks)) == len(looks)


def test_a_dropout_is_a_gap_in_a_panel_that_says_what_hit_it_and_stands_first(
    ride_folder: Callable[..., Path],
) -> None:
    run = read_run(ride_folder(10.0))
    panels = time_series(run, event_bands(run), [])
    heading, _ = panels[0]
    assert heading == "Wheel speeds / (km/h), hit by F1"
    front = drawn(dict(panels), "Wheel speeds", "sent, front")
    x, y = numbers(front["x"]), numbers(front["y"])
    missing = run.time_s[np.isnan(run.signals["output.wheel_front_m_s"])]
    gap = x[np.isnan(y)]
    assert gap.min() == pytest.approx(missing[0], abs=5e-4)  # both ends to the tick
    assert gap.max() == pytest.approx(missing[-1], abs=5e-4)


def test_every_recorded_output_has_a_panel(ride_folder: Callable[..., Path]) -> None:
    shown = {trace.signal for panel in PANELS for trace in panel.traces}
    paths = {"output.gnss_x_m", "output.gnss_y_m"}  # these are seen from above, beside the true path
    assert {f"output.{o.name}" for o in OUTPUTS if o.recorded} - shown == paths


def test_electronics_have_panels_where_they_do_something(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    line = run.signals["actuator.front_brake_Pa"]
    idle = run.signals | {
        "unit.front_caliper_Pa": line.copy(),
        "unit.rear_caliper_Pa": run.signals["actuator.rear_brake_Pa"].copy(),
        "unit.throttle": run.signals["actuator.throttle"].copy(),
        "unit.acting": np.zeros(len(run.tick)),
    }

    def about(signals: dict[str, np.ndarray]) -> list[str]:
        headings = [heading for heading, _ in time_series(replace(run, signals=signals), [], [])]
        return [h for h in headings if "caliper" in h or "beside the grip" in h or "electronics" in h]

    assert about(idle) == []
    assert about({k: v for k, v in idle.items() if not k.startswith("unit.")}) == []  # of an older record
    pulled = {"kind": "actuator", "name": "grabbed", "effect": "stuck", "channel": "front_brake"}
    manifest = run.manifest | {"scenario": {"events": [pulled]}}
    hit = time_series(replace(run, signals=idle, manifest=manifest), [], [])
    assert not any("caliper" in heading for heading, _ in hit)  # that of the line has it
    shut = {
        "kind": "electronics",
        "name": "dirt",
        "unit": "antilock",
        "effect": "inlet_shut",
        "brake": "front",
    }
    manifest = run.manifest | {"scenario": {"events": [shut]}}
    hit = [heading for heading, _ in time_series(replace(run, signals=idle, manifest=manifest), [], [])]
    assert [h.partition(",")[0] for h in hit if "hit by F1" in h] == ["Front caliper"]
    let_off = idle["unit.front_caliper_Pa"].copy()
    let_off[-500:] += 1e5
    acting = np.zeros(len(run.tick))
    acting[-500:] = 1.0
    shown = about(idle | {"unit.front_caliper_Pa": let_off, "unit.acting": acting})
    assert [h.partition(",")[0].partition(" that")[0] for h in shown] == [
        "Front caliper",
        "The bike's electronics",
    ]


def test_a_signal_that_no_panel_shows_gets_one_if_a_fault_hits_it(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    event = {"kind": "fault", "name": "moved", "effect": "offset", "signal": "gnss_x_m"}
    manifest = run.manifest | {"scenario": {"events": [event]}}
    heading, figure = time_series(replace(run, manifest=manifest), [], [])[0]
    assert heading.endswith("hit by F1")
    assert [c["name"] for c in figure["curves"]] == ["sent, output.gnss_x_m"]


def test_a_missing_signal_is_said_not_hidden(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    signals = {k: v for k, v in run.signals.items() if k != "output.lean_rad"}
    panels = dict(time_series(replace(run, signals=signals), [], []))
    drawn(panels, "Roll, positive", "sent, lean sensor: not recorded")


def test_roll_goes_on_turning_when_the_bike_rolls_over(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    turning = np.linspace(0.0, 3.0 * np.pi, len(run.tick))
    wrapped = np.arctan2(np.sin(turning), np.cos(turning))
    panels = dict(time_series(replace(run, signals=run.signals | {"truth.roll_rad": wrapped}), [], []))
    roll = numbers(drawn(panels, "Roll, positive", "true")["y"])
    assert np.abs(np.diff(roll)).max() < 10.0
    assert roll[-1] == pytest.approx(540.0, abs=0.1)


def test_wobble_where_no_event_is_is_kept_with_its_shape(ride_folder: Callable[..., Path]) -> None:
    """Two seconds of 9 Hz, 0.3 degrees: its frequency and height are still in what the page carries."""
    run = replace(read_run(ride_folder(40.0)), events=[])
    at = run.time_s
    wobble = 0.3 * np.sin(2 * np.pi * 9.0 * at) * ((at > 25.0) & (at < 27.0))
    steer = run.signals["truth.steer_rad"] + np.radians(wobble)
    panels = dict(time_series(replace(run, signals=run.signals | {"truth.steer_rad": steer}), [], []))
    curve = drawn(panels, "Steering angle", "true")
    x, y = numbers(curve["x"]), numbers(curve["y"])
    inside = (x >= 25.0) & (x < 27.0)
    assert np.diff(x[inside]).max() <= 0.0101
    even = np.arange(25.0, 27.0, 0.01)
    found = np.interp(even, x, y)
    found -= np.interp(even, at, np.degrees(run.signals["truth.steer_rad"]))
    spectrum = np.abs(np.fft.rfft(found)) / len(found) * 2
    assert np.fft.rfftfreq(len(found), 0.01)[np.argmax(spectrum)] == 9.0
    assert spectrum.max() == pytest.approx(0.3, rel=0.05)


@pytest.mark.parametrize("panel", [p for p in PANELS if p.fast], ids=lambda p: p.title)
def test_what_can_swing_is_kept_at_100_hz(ride_folder: Callable[..., Path], panel: PanelOf) -> None:
    run = read_run(ride_folder(8.0))
    moving = np.sin(np.arange(len(run.tick)) * 0.01)
    signals = run.signals | {t.signal: moving for t in panel.traces}
    panels = dict(time_series(replace(run, signals=signals), [], []))
    for trace in panel.traces:
        assert np.diff(numbers(drawn(panels, panel.title, trace.label)["x"])).max() <= 0.0101


def test_around_what_happened_every_sample_is_kept(ride_folder: Callable[..., Path]) -> None:
    run = replace(read_run(ride_folder(20.0)), events=[Event(15_000, 15.0, "slide", "", "rear tyre spins")])
    bands = event_bands(run)
    worst = criterion("no_fall", None, 13.0)
    panels = dict(time_series(run, bands, [worst]))
    x = numbers(drawn(panels, "Roll, positive", "true")["x"])
    for at_s in (bands[0].from_s, bands[0].to_s, bands[1].from_s, 13.0, 15.0):
        inside = x[(x > at_s - 0.5) & (x < at_s + 0.5)]
        assert len(inside) >= 999
    elsewhere = x[(x > 9.5) & (x < 10.5)]
    assert len(elsewhere) < 60


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
    use = criterion("friction_use", 0.9, 4.0, signal="truth.friction_use_front", bounds="both")
    panels = dict(time_series(run, [], [lean, brake, slow, rate, use]))

    def limit(title: str, name: str) -> dict[str, Any]:
        (figure,) = [f for heading, f in panels.items() if heading.startswith(title)]
        (line,) = [line for line in figure["limits"] if line["name"] == name]
        return line

    roll = limit("Roll, positive", "C1 ±51.57 °")
    assert roll["x"] == [3.0, 6.0]  # where it counts
    assert roll["y"] == [pytest.approx(np.degrees(0.9)), pytest.approx(-np.degrees(0.9))]
    assert limit("Front brake", "C2 ≤ 8 bar")["y"] == [8.0]
    assert limit("Speed", "C3 ≥ 18 km/h")["y"] == [18.0]
    (wheels,) = [f for heading, f in panels.items() if heading.startswith("Wheel speeds")]
    assert not wheels["limits"]
    assert limit("Steering rate", "C4 ±114.6 °/s")["y"][0] == pytest.approx(np.degrees(2.0))
    assert limit("Friction use", "C5 ≤ 0.9")["y"] == [0.9]  # never negative: one side


def test_gears_have_an_axis_of_whole_numbers(ride_folder: Callable[..., Path]) -> None:
    panels = dict(time_series(read_run(ride_folder(6.0)), [], []))
    assert panels["Gear"]["whole"]


def test_the_worst_instant_is_marked_on_the_curve(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    asked = [criterion("no_fall", None, 5.0), criterion("speed_error", 2.0, 6.5)]
    asked += [criterion("distance_from_line", 1.0, None)]
    panels = dict(time_series(run, [], asked))
    roll, speed = panels["Roll, positive to the right / (°)"], panels["Speed / (km/h)"]
    row = int(np.searchsorted(run.time_s, 5.0))
    at_5 = pytest.approx(np.degrees(run.signals["truth.roll_rad"][row]))
    assert roll["marks"] == [{"x": 5.0, "y": at_5, "text": "C1"}]
    at_6 = pytest.approx(3.6 * run.signals["truth.speed_m_s"][np.searchsorted(run.time_s, 6.5)])
    assert speed["marks"] == [{"x": 6.5, "y": at_6, "text": "C2"}]
    assert not [m for p in panels.values() for m in p["marks"] if m["text"] == "C3"]


def test_a_corridor_is_drawn_only_where_the_criterion_looks(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    asked = criterion("speed_error", 2.0, 6.5, from_s=3.0, to_s=8.0)
    curves = [
        c for c in dict(time_series(run, [], [asked]))["Speed / (km/h)"]["curves"] if c["dash"] == "longdash"
    ]
    assert [c["name"] for c in curves] == ["C1 ±7.2 km/h", ""]
    target = 3.6 * run.signals["line.target_speed_m_s"]
    for c in curves:
        x, y = numbers(c["x"]), numbers(c["y"])
        assert (x.min(), x.max()) == (3.0, pytest.approx(8.0, abs=0.01))
        np.testing.assert_allclose(np.abs(y - np.interp(x, run.time_s, target)), 7.2, atol=0.02)


def test_a_limit_of_the_own_place_takes_the_trades_place(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(10.0))
    plain = position_error_figure(run)
    asked = position_error_figure(run, [criterion("position_error", 0.04, 5.0)])
    assert plain is not None
    assert asked is not None
    assert "±2.5 cm" in [line["name"] for line in plain["limits"]]
    names = [line["name"] for line in asked["limits"]]
    assert "C1 ±4 cm" in names
    assert "±2.5 cm" not in names
