"""Lean over speed and force over load: the ride where it was, the limits where they are."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from emulator.record.reader import Run, read_run
from emulator.report.figures.drawing import MAX_POINTS
from emulator.report.figures.envelope import friction_figures, lean_figure
from tests.support.recorded import numbers


@pytest.fixture
def run(ride_folder: Callable[..., Path]) -> Run:
    run = read_run(ride_folder(20.0))
    n = len(run.tick)
    rng = np.random.default_rng(2)
    angle, use = rng.uniform(0, 2 * np.pi, n), rng.uniform(0, 0.9, n)
    use[15_000] = 1.0
    grip = np.where((run.tick > 9_000) & (run.tick < 9_500), 0.5, 1.0)
    load = np.full(n, 1500.0)
    load[12_000:12_100] = 3.0  # nearly lifted: its force over load tells nothing
    signals = dict(run.signals)
    for tyre in ("front", "rear"):
        signals |= {
            f"truth.load_{tyre}_N": load,
            f"truth.grip_{tyre}": grip,
            f"truth.friction_use_{tyre}": use,
            f"truth.sliding_{tyre}": np.where(use == 1.0, 0.8, 0.0),
            f"truth.longitudinal_{tyre}_N": 1.2 * grip * use * 1500.0 * np.sin(angle),
            f"truth.lateral_{tyre}_N": 1.3 * grip * use * 1500.0 * np.cos(angle),
        }
    values = {f"tyre_{t}": {"friction_x": 1.2, "friction_y": 1.3} for t in ("front", "rear")}
    return replace(run, signals=signals, manifest=run.manifest | {"vehicle": {"values": values}})


def test_forces_lie_in_the_ellipse_of_their_grip_and_what_slides_is_marked(run: Run) -> None:
    drawn = friction_figures(run)
    assert [tyre for tyre, _ in drawn] == ["front", "rear"]
    traces = {t["name"]: t for t in drawn[0][1]["curves"]}
    assert set(traces) == {
        "limit, grip 1.00",
        "limit at the least, grip 0.50",
        "gripping",
        "on another grip",
        "sliding",
    }
    for name, grip in (("limit, grip 1.00", 1.0), ("limit at the least, grip 0.50", 0.5)):
        x, y = numbers(traces[name]["x"]), numbers(traces[name]["y"])
        np.testing.assert_allclose(np.hypot(x / 1.3, y / 1.2), grip, rtol=1e-6)
    for name, most in (("gripping", 0.9), ("on another grip", 0.45), ("sliding", 1.0)):
        x, y = numbers(traces[name]["x"]), numbers(traces[name]["y"])
        assert 0.95 * most < np.hypot(x / 1.3, y / 1.2).max() <= most + 5e-4  # carried to 0.001
        assert len(x) <= MAX_POINTS
    assert len(numbers(traces["sliding"]["x"])) == 1
    for sliding, drawn_so in ((0.0, 0), (0.3, MAX_POINTS)):  # it is the state that counts, not the use
        told = run.signals | {"truth.sliding_front": np.full(len(run.tick), sliding)}
        marks = [
            t for t in friction_figures(replace(run, signals=told))[0][1]["curves"] if t["name"] == "sliding"
        ]
        assert sum(len(numbers(t["x"])) for t in marks) in range(drawn_so // 2, drawn_so + 1)
    # a record of before the state was recorded says by its use alone
    before = {name: s for name, s in run.signals.items() if not name.startswith("truth.sliding")}
    marks = [
        t for t in friction_figures(replace(run, signals=before))[0][1]["curves"] if t["name"] == "sliding"
    ]
    assert len(numbers(marks[0]["x"])) == 1
    low, high = drawn[0][1]["x"]["range"]
    assert low > high  # left is drawn on the left
    assert drawn[0][1]["equal"]


def test_looks_differ_without_colour(run: Run) -> None:
    for _, figure in friction_figures(run):
        looks = [(t.get("dash"), t.get("symbol")) for t in figure["curves"]]
        assert len(set(looks)) == len(looks)


def test_a_vehicle_that_is_not_told_has_no_ellipse(run: Run) -> None:
    for vehicle in (None, "a name", {"values": None}, {"values": {"tyre_front": {"friction_x": "?"}}}):
        names = [
            t["name"] for t in friction_figures(replace(run, manifest={"vehicle": vehicle}))[0][1]["curves"]
        ]
        assert not [n for n in names if n.startswith("limit")]
        assert "gripping" in names
    lacking = {k: v for k, v in run.signals.items() if "lateral" not in k}
    assert friction_figures(replace(run, signals=lacking)) == []


def test_lean_stands_over_speed_beside_limits_on_both_sides(run: Run) -> None:
    envelope = {
        "speed_m_s": [1.0, 20.0, 40.0],
        "grip_rad": [None, 0.88, 0.85],
        "stop_rad": [0.1, None, None],
        "peg_rad": 0.95,
        "planned_m_s": [10.0, 12.0],
        "planned_roll_rad": [0.2, -0.3],
    }
    figure = lean_figure(replace(run, manifest=run.manifest | {"lean_envelope": envelope}))
    assert figure is not None
    ridden = next(t for t in figure["curves"] if t["name"] == "ridden")
    free = (run.signals["bench.state"] == 2) & (run.signals["truth.support"] == 0)
    roll = np.degrees(run.signals["truth.roll_rad"][free])
    assert numbers(ridden["y"]).max() == pytest.approx(roll.max(), abs=5e-3)
    assert numbers(ridden["y"]).min() == pytest.approx(roll.min(), abs=5e-3)
    speed = 3.6 * run.signals["truth.speed_m_s"][free]
    assert numbers(ridden["x"]).min() == pytest.approx(speed.min(), abs=0.05)  # not while it is held upright
    assert numbers(ridden["x"]).max() <= speed.max() + 0.05
    limits = [numbers(t["y"]) for t in figure["curves"] if t["name"] == "limit of grip"]
    np.testing.assert_allclose(limits[0][1:], np.degrees([0.88, 0.85]), atol=5e-3)
    np.testing.assert_allclose(limits[1], -limits[0])
    assert np.isnan(limits[0][0])
    stops = [numbers(t["y"]) for t in figure["curves"] if t["name"] == "steering at its stop"]
    np.testing.assert_allclose([stop[0] for stop in stops], np.degrees([0.1, -0.1]), atol=5e-3)
    planned = next(t for t in figure["curves"] if t["name"] == "planned")
    np.testing.assert_allclose(numbers(planned["x"]), [36.0, 43.2], atol=0.05)


def test_a_bike_that_is_down_is_no_longer_riding(run: Run) -> None:
    fallen = (run.tick >= 10_000).astype(float)
    roll = np.where(fallen > 0, 2.0, run.signals["truth.roll_rad"])
    figure = lean_figure(replace(run, signals=run.signals | {"truth.fallen": fallen, "truth.roll_rad": roll}))
    assert figure is not None
    ridden = next(t for t in figure["curves"] if t["name"] == "ridden")
    assert numbers(ridden["y"]).max() < np.degrees(1.5)


def test_no_ride_no_lean_and_nonsense_is_left_out(run: Run) -> None:
    odd = {"speed_m_s": "?", "grip_rad": [1], "planned_m_s": [1.0], "planned_roll_rad": [1.0, 2.0]}
    figure = lean_figure(replace(run, manifest={"lean_envelope": odd}))
    assert figure is not None
    assert [t["name"] for t in figure["curves"]] == ["ridden"]
    assert lean_figure(replace(run, signals={})) is None
