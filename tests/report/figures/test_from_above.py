"""The ride from above: target, patches, faults and worst places."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from emulator.criteria.base import CriterionResult
from emulator.record.reader import Event, Run, read_run
from emulator.report.bands import event_bands
from emulator.report.figures.drawing import MAX_POINTS
from emulator.report.figures.from_above import plan_view
from emulator.verdict.judge import verdict_from
from tests.support.recorded import numbers


def test_plan_shows_target_patches_faults_and_worst_places(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(40.0))
    assert run.verdict is not None
    plan = plan_view(run, event_bands(run), verdict_from(run.verdict).criteria)
    traces = {t["name"]: t for t in plan["curves"]}
    assert {"target path", "true path", "estimate", "wet, grip 0.5", "start"} <= set(traces)
    assert traces["fault begins"]["texts"] == ["F1", "F2"]
    assert " ".join(traces["criterion, worst"]["texts"]).split() == ["C2", "C3"]
    at = int(np.searchsorted(run.time_s, event_bands(run)[0].from_s))
    assert traces["fault begins"]["x"][0] == run.signals["truth.x_m"][at]
    assert plan["equal"]
    assert all(len(numbers(t["x"])) <= MAX_POINTS for t in plan["curves"])


def test_an_estimate_that_jumps_for_one_sample_is_seen_from_above(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(40.0))
    straight, none = 0.02 * np.arange(len(run.tick)), np.zeros(len(run.tick))
    x = straight.copy()
    x[23_457] += 1.0  # forward along the path, where the bike soon is itself: no extreme of x
    changed = {
        "truth.x_m": straight,
        "truth.y_m": none,
        "robot.estimate_x_m": x,
        "robot.estimate_y_m": none,
    }
    plan = plan_view(replace(run, signals=run.signals | changed), [], [])
    drawn = next(t for t in plan["curves"] if t["name"] == "estimate")
    assert round(x[23_457], 2) in numbers(drawn["x"])
    assert round(x[23_450], 2) not in numbers(drawn["x"])  # its neighbours are thinned away


@pytest.mark.parametrize("missing", ["truth.x_m", "truth.y_m"])
def test_plan_of_a_record_that_lost_half_of_the_path_shows_the_target(
    missing: str, ride_folder: Callable[..., Path]
) -> None:
    run = read_run(ride_folder(6.0))
    signals = {name: values for name, values in run.signals.items() if name != missing}
    names = [t["name"] for t in plan_view(replace(run, signals=signals), [], [])["curves"]]
    assert "target path" in names
    assert "true path" not in names


def test_plan_without_a_line_or_with_nonsense_still_shows_the_ride(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    for line in (None, {}, {"x_m": [1, 2]}, {"x_m": ["a", "b"], "y_m": [1, 2]}, {"x_m": [1, 2], "y_m": [1]}):
        manifest = run.manifest | {"line": line, "patches": [{"name": "half a patch"}]}
        names = [t["name"] for t in plan_view(replace(run, manifest=manifest), [], [])["curves"]]
        assert "true path" in names
        assert "target path" not in names


def plan_of(run: Run, line: dict[str, Any], **patch: Any) -> dict[str, dict[str, Any]]:
    patches = [{"name": "wet", "grip": 0.5, "left_m": 3.0, "right_m": -1.0, **patch}] if patch else []
    manifest = run.manifest | {"line": line, "patches": patches}
    return {t["name"]: t for t in plan_view(replace(run, manifest=manifest), [], [])["curves"]}


def test_a_patch_is_the_area_between_its_stations_and_offsets(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    straight = {"x_m": list(range(0, 200, 2)), "y_m": [5.0] * 100}
    wet = plan_of(run, straight, from_m=30.5, to_m=70.0)["wet, grip 0.5"]
    x, y = numbers(wet["x"]), numbers(wet["y"])
    assert wet["fill"] == "self"
    assert (x.min(), x.max(), y.min(), y.max()) == (
        30.5,
        70.0,
        4.0,
        8.0,
    )  # left is north of a path to the east
    whole = plan_of(run, straight, from_m=None, to_m=None)["wet, grip 0.5"]
    assert (numbers(whole["x"]).min(), numbers(whole["x"]).max()) == (0.0, 198.0)


def test_a_lap_is_closed_and_an_open_line_is_not(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(6.0))
    angle = np.linspace(0, 2 * np.pi, 101)[:-1]
    ring = {"x_m": (50 * np.cos(angle)).tolist(), "y_m": (50 * np.sin(angle)).tolist()}
    target = plan_of(run, ring)["target path"]
    assert numbers(target["x"])[-1] == numbers(target["x"])[0]
    straight = {"x_m": list(range(0, 200, 2)), "y_m": [0.0] * 100}
    assert numbers(plan_of(run, straight)["target path"]["x"])[-1] == 198.0
    opened = plan_of(run, ring | {"closed": False})["target path"]
    assert numbers(opened["x"])[-1] != numbers(opened["x"])[0]
    # across the lap's end: two pieces with a gap, both beside the start
    length = 2 * np.pi * 50
    wet = plan_of(run, ring, from_m=length - 20, to_m=15)["wet, grip 0.5"]
    x, y = numbers(wet["x"]), numbers(wet["y"])
    assert np.isnan(x).sum() == 1
    assert np.nanmin(np.abs(np.hypot(x, y) - 47.0)) < 0.1  # 3 m to the left, inside the ring
    assert np.nanmax(np.hypot(x - 50, y)) < 25


def test_a_lap_whose_last_point_is_its_first_one_is_drawn_without_a_complaint(
    ride_folder: Callable[..., Path],
) -> None:
    run = read_run(ride_folder(6.0))
    angle = np.linspace(0, 2 * np.pi, 101)
    x, y = 50 * np.cos(angle), 50 * np.sin(angle)
    ring = {"x_m": x.round(3).tolist(), "y_m": y.round(3).tolist(), "closed": True}
    wet = plan_of(run, ring, from_m=300, to_m=310)["wet, grip 0.5"]
    distances = np.hypot(numbers(wet["x"]), numbers(wet["y"]))
    assert np.isfinite(distances).all()
    assert distances.min() == pytest.approx(47.0, abs=0.1)
    assert distances.max() == pytest.approx(51.0, abs=0.1)
    twice = {"x_m": np.repeat(ring["x_m"], 2).tolist(), "y_m": np.repeat(ring["y_m"], 2).tolist()}
    again = plan_of(run, twice, from_m=300, to_m=310)["wet, grip 0.5"]
    assert np.array_equal(numbers(again["x"]), numbers(wet["x"]))


def test_marks_on_each_other_share_their_words(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(40.0))
    asked = [
        CriterionResult(f"c{i}", "distance_from_line", True, 1.0, "m", at_s, 1.0, "", 2.0)
        for i, at_s in enumerate((20.0, 20.02, 30.0))
    ]
    worst = {t["name"]: t for t in plan_view(run, [], asked)["curves"]}["criterion, worst"]
    assert worst["texts"] == ["C1 C2", "", "C3"]


def test_where_a_tyre_slid_is_marked_with_its_name(ride_folder: Callable[..., Path]) -> None:
    run = read_run(ride_folder(40.0))
    slide = Event(21_000, 21.0, "slide", "rear tyre spins, slip 0.31", "rear tyre spins, slip 0.31")
    slid = {t["name"]: t for t in plan_view(replace(run, events=[slide]), [], [])["curves"]}["tyre slid"]
    assert slid["texts"] == ["rear"]
    assert slid["x"] == [run.signals["truth.x_m"][int(np.searchsorted(run.tick, 21_000))]]
